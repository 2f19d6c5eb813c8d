"""Scale, norths and data line under the maps of the whole plan."""

from __future__ import annotations

from pipeline.sheets.context import SheetContext
from pipeline.sheets.map_panel import check_bar, norths, scale_bar, scale_text
from pipeline.sheets.mapview import MapView
from pipeline.sheets.marks import Group, Mark, Rect, heading, paragraph


def map_foot(ctx: SheetContext, view: MapView, grid_words: str, rect: Rect) -> list[Mark]:
    """Return scale bar, print check, norths and grid name in a block of about 180 by 130 points."""
    y = rect.y1
    us = ctx.units.is_us
    marks: list[Mark] = [
        heading(rect.x0, y - 10.0, ctx.w("map.scale"), 10.0),
        paragraph(rect.x0, y - 22.0, scale_text(ctx, view), 8.4, bold=True),
        paragraph(rect.x0, y - 70.0, ctx.w("common.check_us" if us else "common.check_metric"), 6.8),
        paragraph(rect.x0, y - 88.0, grid_words, 6.8),
    ]
    bars = [*scale_bar(ctx, view.pt_per_m, rect.x0, y - 27.0), *check_bar(rect.x0, y - 76.0, us=us)]
    marks.append(Group(tuple(bars), role="Figure", alt=ctx.w("map.alt_scale")))
    return marks + norths(ctx, view, Rect(rect.x0, rect.y0, rect.x1, y - 89.0))
