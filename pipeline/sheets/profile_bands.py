"""Under a profile: the data bands that carry the numbers people build from, and what pipe hangs where."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from pipeline.records import Support
from pipeline.sheets.compose import say
from pipeline.sheets.context import SheetContext
from pipeline.sheets.lookup import lookup
from pipeline.sheets.marks import Line, Mark, Rect, Text
from pipeline.sheets.materials_page import size_name
from pipeline.sheets.section_view import Piece
from pipeline.sheets.spread import spread
from pipeline.sheets.text import fit

GUTTER_PT = 50.0
COLUMN_PT = 9.4  # least distance of two columns of turned figures
# name of the band, height in US and in metric figures, letter size, bold
_BANDS = (
    ("row_support", 20.0, 20.0, 8.2, True), ("row_station", 37.0, 41.0, 8.2, True),
    ("row_height", 20.0, 25.0, 9.2, True), ("row_line", 29.0, 29.0, 7.6, False),
    ("row_ground", 29.0, 29.0, 7.6, False), ("row_fall", 20.0, 20.0, 7.6, False),
)
_PIPE_PT = 13.0
_LEAD_PT = 8.0  # between the chart and its bands


def bands_pt(ctx: SheetContext) -> float:
    """Return the height of all data bands under a chart."""
    return sum(us if ctx.units.is_us else metric for _, us, metric, _, _ in _BANDS) + _PIPE_PT + _LEAD_PT


@dataclass(frozen=True, slots=True, eq=False)
class Strip:
    """A stretch of a piece that is drawn in one go; ``ratio`` is the horizontal scale."""

    piece: Piece
    low_m: float
    high_m: float
    ratio: float

    @property
    def supports(self) -> tuple[Support, ...]:
        """Supports of the strip, both ends included."""
        return tuple(s for s in self.piece.supports if self.low_m - 1e-3 <= s.station_m <= self.high_m + 1e-3)


@dataclass(frozen=True, slots=True)
class Chart:
    """Axes: stations and elevations to points."""

    rect: Rect
    low_m: float
    base_m: float
    pt_per_m: float
    vertical_pt_per_m: float

    def x(self, station_m: float) -> float:
        """Return the page coordinate of a station."""
        return self.rect.x0 + 12.0 + (station_m - self.low_m) * self.pt_per_m

    def y(self, z_m: float) -> float:
        """Return the page coordinate of an elevation."""
        return self.rect.y0 + (z_m - self.base_m) * self.vertical_pt_per_m


def bands(ctx: SheetContext, chart: Chart, strip: Strip) -> list[Mark]:
    """Return the bands under a chart: supports with their stations, heights and elevations, falls between, pipes."""
    supports = strip.supports
    units = ctx.units
    at = [chart.x(s.station_m) for s in supports]
    xs = spread(at, COLUMN_PT, chart.rect.x0 + 5.0, chart.rect.x1 - 5.0)
    top = chart.rect.y0 - _LEAD_PT
    marks: list[Mark] = [
        Line(a, chart.rect.y0, b, top, 0.5, "#7a7a7a") for a, b in zip(at, xs, strict=True)
    ]
    values: dict[str, list[str]] = {
        "row_support": [s.support_id.rsplit("-", 1)[-1] for s in supports],
        "row_station": [say(ctx, units.station(s.station_m)) for s in supports],
        "row_height": [say(ctx, units.height_value(s.height_m)) for s in supports],
        "row_line": [say(ctx, units.elevation_value(s.line_z_m)) for s in supports],
        "row_ground": [say(ctx, units.elevation_value(s.ground_z_m)) for s in supports],
    }
    y = top
    left = chart.rect.x0 - GUTTER_PT
    for key, us_pt, metric_pt, size, bold in _BANDS:
        height = us_pt if units.is_us else metric_pt
        marks.append(Line(left, y, chart.rect.x1, y, 0.7))
        name = ctx.w(f"profile.{key}", unit=units.length_unit)
        marks.append(Text(chart.rect.x0 - 4.0, y - height / 2.0 - 2.6, name, 7.2, bold=True, align="right"))
        if key == "row_fall":
            spots = [((a + b) / 2.0, say(ctx, t)) for (a, b), t in zip(pairwise(xs), falls(supports), strict=True)]
        else:
            spots = list(zip(xs, values[key], strict=True))
        marks += [
            Text(x + size * 0.36, y - height / 2.0, text, size, bold=bold, align="center", angle_deg=90.0,
                 tag=f"band:{key}") for x, text in spots
        ]
        y -= height
    marks += [Line(left, y, chart.rect.x1, y, 0.7), Line(left, y - _PIPE_PT, chart.rect.x1, y - _PIPE_PT, 0.9)]
    marks.append(Text(chart.rect.x0 - 4.0, y - _PIPE_PT + 4.4, ctx.w("profile.row_pipe"), 7.2, bold=True,
                      align="right"))
    return marks + _pipe_marks(ctx, chart, strip, y)


def _pipe_marks(ctx: SheetContext, chart: Chart, strip: Strip, top: float) -> list[Mark]:
    """Return the pipe of every stretch, with a tick where the size changes."""
    pipes = [
        p for p in lookup(ctx.plan).pipes.get(strip.piece.line.mainline_id, ())
        if p.from_station_m < strip.high_m - 1e-6 and p.to_station_m > strip.low_m + 1e-6
    ]
    cuts = sorted({strip.low_m, strip.high_m, *(
        c for p in pipes for c in (p.from_station_m, p.to_station_m) if strip.low_m < c < strip.high_m
    )})
    stretches: list[tuple[float, float, str]] = []
    for low, high in pairwise(cuts):
        here = [p for p in pipes if p.from_station_m <= low + 1e-6 and p.to_station_m >= high - 1e-6]
        text = " + ".join(
            size if p.role == "single" else ctx.w(f"profile.pipe_{p.role}", size=size)
            for p in here for size in (size_name(ctx, p.nominal),)
        )
        if stretches and stretches[-1][2] == text:
            stretches[-1] = (stretches[-1][0], high, text)
        else:
            stretches.append((low, high, text))
    marks: list[Mark] = []
    for low, high, text in stretches:
        x0, x1 = chart.x(low), chart.x(high)
        marks += [Line(x, top, x, top - _PIPE_PT, 1.2) for x in (x0, x1)]
        shown, size = fit(text, 8.2, x1 - x0 - 3.0, bold=True)
        if shown == text:  # half a size is the wrong size
            marks.append(Text((x0 + x1) / 2.0, top - _PIPE_PT + 4.0, shown, size, bold=True, align="center",
                              tag="pipe"))
    return marks


def falls(supports: Sequence[Support]) -> list[str]:
    """Return the fall of each span in percent of its plan length."""
    out = []
    for a, b in pairwise(supports):
        run = b.station_m - a.station_m
        out.append(f"{100.0 * (b.line_z_m - a.line_z_m) / run:.1f}" if run > 1e-6 else "")
    return out
