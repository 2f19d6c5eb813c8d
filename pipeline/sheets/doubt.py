"""Which spans of mainline the terrain cannot prove to fall: they are levelled before they are tied."""

from __future__ import annotations

from itertools import pairwise

from pipeline.records import Mainline, Support
from pipeline.sheets.context import SheetContext
from pipeline.terrain.confidence import grade_confidence


def span_confidence(ctx: SheetContext, low: Support, high: Support) -> str:
    """Return ``high``, ``level it`` or ``unknown`` for the span between two supports.

    The same question, with the same arguments, that the judge asks of the finished line.
    """
    return grade_confidence(
        length_m=high.station_m - low.station_m, fall_m=high.line_z_m - low.line_z_m,
        min_grade_pct=ctx.plan.settings.mainlines.min_grade_pct, vertical_error_m=ctx.terrain.vertical_error_m,
        gps_error_m=ctx.plan.settings.trees.gps_error_m,
    )


def confidence_at(ctx: SheetContext, line: Mainline, station_m: float) -> str:
    """Return the confidence of the span that holds a station; ``high`` beyond the ends, where no span is."""
    for low, high in pairwise(line.supports):
        if low.station_m < station_m < high.station_m:
            return span_confidence(ctx, low, high)
    return "high"


def level_word(ctx: SheetContext, confidence: str) -> str:
    """Return what is printed beside a span: nothing where its fall is proved."""
    return "" if confidence == "high" else ctx.w(f"laterals.grade_{confidence.replace(' ', '_')}")
