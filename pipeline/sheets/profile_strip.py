"""One strip of a profile: chart, data bands, scales."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from pipeline.records import Support
from pipeline.sheets import symbols
from pipeline.sheets.compose import say
from pipeline.sheets.context import SheetContext
from pipeline.sheets.mapview import POINT_M
from pipeline.sheets.marks import (
    WHITE,
    Box,
    Group,
    Line,
    Mark,
    Polygon,
    Polyline,
    Rect,
    Text,
    heading,
    paragraph,
)
from pipeline.sheets.materials_page import size_name
from pipeline.sheets.section_view import Piece, SectionView, is_ladder
from pipeline.sheets.spread import spread
from pipeline.sheets.text import fit, width_pt
from pipeline.units import FT_M

Floats = npt.NDArray[np.float64]

GUTTER_PT = 50.0
SIDE_PT = 26.0  # inside the chart, left and right of the line
TITLE_PT, CAPTION_PT = 25.0, 15.0
_NARROWEST_PT = 173.0  # three short branches stand side by side on letter paper
_COLUMN_PT = 9.4  # least distance of two columns of turned figures
_FILL = "#f1ece4"
_GROUND = "#5a3d14"
_GRID = "#b9b9b9"
_VERTICAL_FT = (1, 2, 4, 5, 8, 10, 15, 20, 25, 30, 40, 50, 60, 80, 100, 150, 200)
_VERTICAL_M = (12.5, 25, 40, 50, 75, 100, 125, 150, 200, 250, 300, 400, 500, 750, 1000, 1500, 2000)
_ABOVE_PT, _BELOW_PT = 36.0, 44.0  # room over the line for heights, under the ground for crossings and laterals
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
class _Chart:
    """Axes: stations and elevations to points."""

    rect: Rect
    low_m: float
    base_m: float
    pt_per_m: float
    vertical_pt_per_m: float

    def x(self, station_m: float) -> float:
        return self.rect.x0 + 12.0 + (station_m - self.low_m) * self.pt_per_m

    def y(self, z_m: float) -> float:
        return self.rect.y0 + (z_m - self.base_m) * self.vertical_pt_per_m


def vertical_series(*, us: bool) -> list[float]:
    """Return the denominators of the vertical scales, largest scale first."""
    return [feet * FT_M / 0.0254 for feet in _VERTICAL_FT] if us else list(_VERTICAL_M)


def vertical_ratio(relief_m: float, room_pt: float, *, us: bool) -> float:
    """Return the denominator of the vertical scale: the largest of the series that shows the relief."""
    series = vertical_series(us=us)
    return next((r for r in series if relief_m / (r * POINT_M) <= room_pt), series[-1])


def strip_width(strip: Strip) -> float:
    """Return the width of a strip with its figures, points."""
    return max(_NARROWEST_PT, GUTTER_PT + SIDE_PT + (strip.high_m - strip.low_m) / (strip.ratio * POINT_M))


def crowded(strip: Strip) -> bool:
    """Return whether the figures of some supports would stand farther from them than two columns."""
    at = [(s.station_m - strip.low_m) / (strip.ratio * POINT_M) for s in strip.supports]
    found = spread(at, _COLUMN_PT, 5.0 - 12.0, strip_width(strip) - GUTTER_PT - 12.0 - 5.0)
    return any(abs(a - b) > 2.0 * _COLUMN_PT for a, b in zip(at, found, strict=True))


def chart_height(ctx: SheetContext, strip: Strip, steep: float) -> float:
    """Return the least chart height at which a strip is drawn at least `steep` times steeper than real."""
    levels = [s.line_z_m for s in strip.supports] + [s.ground_z_m for s in strip.supports]
    levels += _ground(ctx, strip)[:, 1].tolist()
    relief = max(levels, default=0.0) - min(levels, default=0.0)
    series = vertical_series(us=ctx.units.is_us)
    ratio_v = max((r for r in series if r <= strip.ratio / steep + 1e-6), default=series[0])
    return relief / (ratio_v * POINT_M) + _ABOVE_PT + _BELOW_PT


def strip_marks(ctx: SheetContext, view: SectionView, strip: Strip, rect: Rect, chart_pt: float) -> list[Mark]:
    """Return title with scales, chart and bands of a strip inside a rectangle."""
    ground = _ground(ctx, strip)
    lows = [s.ground_z_m for s in strip.supports] + [float(z) for z in ground[:, 1]]
    highs = [s.line_z_m for s in strip.supports] + lows
    low, high = min(lows), max(highs)
    room = chart_pt - _ABOVE_PT - _BELOW_PT
    ratio_v = vertical_ratio(high - low, room, us=ctx.units.is_us)
    area = Rect(rect.x0 + GUTTER_PT, rect.y1 - TITLE_PT - chart_pt, rect.x1, rect.y1 - TITLE_PT)
    vertical = 1.0 / (ratio_v * POINT_M)
    spare = (room - (high - low) * vertical) / 2.0
    chart = _Chart(area, strip.low_m, low - (_BELOW_PT + spare) / vertical, 1.0 / (strip.ratio * POINT_M), vertical)
    title = ctx.w("profile.strip", line=strip.piece.line.mainline_id, low=ctx.units.station(strip.low_m),
                  high=ctx.units.station(strip.high_m))
    alt = ctx.w("profile.alt_profile", line=strip.piece.line.mainline_id, low=ctx.units.station(strip.low_m),
                high=ctx.units.station(strip.high_m), supports=len(strip.supports))
    drawn = [
        *_axes(ctx, chart, strip), *_ground_marks(chart, ground), *_end_marks(ctx, chart, strip),
        *_crossing_marks(ctx, view, chart, strip), *_line_marks(chart, strip), *_join_marks(ctx, view, chart, strip),
        *_height_marks(ctx, view, chart, strip), *_bands(ctx, chart, strip),
    ]
    head, head_size = fit(title, 9.4, rect.width, bold=True)
    scales, size = fit(_scales(ctx, strip, ratio_v), 7.0, rect.width)
    return [
        heading(rect.x0, rect.y1 - 10.0, head, head_size), paragraph(rect.x0, rect.y1 - 20.0, scales, size),
        Group(tuple(drawn), role="Figure", alt=alt),
    ]


def _scales(ctx: SheetContext, strip: Strip, ratio_v: float) -> str:
    """Return both scales and how much steeper than real the drawing is."""
    times = f"{strip.ratio / ratio_v:.1f}".rstrip("0").rstrip(".")
    if ctx.units.is_us:
        return ctx.w("profile.scale_us", h=f"{strip.ratio / 12.0:.0f}", v=f"{ratio_v / 12.0:.0f}", times=times)
    return ctx.w("profile.scale_metric", h=f"{strip.ratio / 100.0:g}", v=f"{ratio_v / 100.0:g}", times=times)


def caption(ctx: SheetContext, rect: Rect) -> list[Mark]:
    """Return the line under a row of strips that explains the symbols."""
    rules, units = ctx.plan.settings.mainlines, ctx.units
    text = ctx.w("profile.legend", low=units.height(rules.lowest_m), high=units.height(rules.ladder_m))
    shown, size = fit(text, 7.4, rect.width)
    return [paragraph(rect.x0, rect.y0 + 4.0, shown, size)]


def _ground(ctx: SheetContext, strip: Strip) -> Floats:
    """Return station and ground elevation along the strip, about one point apart; rows without ground left out."""
    count = max(2, int((strip.high_m - strip.low_m) / max(strip.ratio * POINT_M, ctx.terrain.cell_m * 0.5)) + 1)
    stations = np.linspace(strip.low_m, strip.high_m, count)
    x, y, _ = strip.piece.line.at(stations)
    z = ctx.terrain.sample(x, y)
    rows = np.column_stack((stations, z))
    return rows[np.isfinite(z)]


def _ground_marks(chart: _Chart, ground: Floats) -> list[Mark]:
    if len(ground) < 2:
        return []
    line = tuple((round(chart.x(s), 1), round(chart.y(z), 1)) for s, z in ground.tolist())
    base = chart.rect.y0
    return [
        Polygon((((line[0][0], base), *line, (line[-1][0], base)),), fill=_FILL), Polyline((line,), 1.2, _GROUND),
        Line(chart.rect.x0, base, chart.rect.x1, base, 1.2),
    ]


def _axes(ctx: SheetContext, chart: _Chart, strip: Strip) -> list[Mark]:
    unit = FT_M if ctx.units.is_us else 1.0
    r = chart.rect
    span = (r.height / chart.vertical_pt_per_m) / unit
    step = next(s for s in (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0) if s / span * r.height >= 17.0)
    marks: list[Mark] = []
    first = math.ceil(chart.base_m / unit / step) * step
    for k in range(int(span / step) + 2):
        value = first + k * step
        y = chart.y(value * unit)
        if y > r.y1 - 1.0:
            break
        marks.append(Line(r.x0, y, r.x1, y, 0.4, _GRID))
        marks.append(Text(r.x0 - 3.5, y - 2.7, say(ctx, f"{value:g}"), 7.6, align="right", bold=k % 2 == 0, tag="axis"))
    full = 100.0 * FT_M if ctx.units.is_us else 25.0
    marks.extend(
        Line(chart.x(k * full), r.y0, chart.x(k * full), r.y1, 0.4, _GRID)
        for k in range(math.ceil(strip.low_m / full), int(strip.high_m // full) + 1)
    )
    marks.append(Line(r.x0, r.y0, r.x0, r.y1, 0.9))
    axis = ctx.w("profile.axis", unit=ctx.units.length_unit, vertical=ctx.plan.frame.vertical)
    size = min(6.9, r.height / max(width_pt(axis, 1.0), 1e-6) * 0.98)
    if size >= 6.6:
        marks.append(Text(r.x0 - 36.0, r.center[1], axis, size, align="center", angle_deg=90.0))
    return marks


def _line_marks(chart: _Chart, strip: Strip) -> list[Mark]:
    stations = [strip.low_m, *(s.station_m for s in strip.supports), strip.high_m]
    _, _, z = strip.piece.line.at(stations)
    line = tuple((chart.x(s), chart.y(float(v))) for s, v in zip(stations, z, strict=True))
    marks: list[Mark] = [
        Line(chart.x(s.station_m), chart.y(s.ground_z_m), chart.x(s.station_m), chart.y(s.line_z_m), 1.2)
        for s in strip.supports
    ]
    marks += [Polyline((line,), 4.6, WHITE), Polyline((line,), 2.6, symbols.MAINLINE)]
    for s in strip.supports:
        marks += symbols.support(chart.x(s.station_m), chart.y(s.line_z_m), s.kind, r=2.7)
    return marks


def _height_marks(ctx: SheetContext, view: SectionView, chart: _Chart, strip: Strip) -> list[Mark]:
    """Return the height over every support, boxed outside the plain range, stacked where supports are close."""
    lowest = ctx.plan.settings.mainlines.lowest_m
    taken = [
        Rect(x - 3.0, y + 1.6, x + 3.0, y + 7.5) for station, _ in _joins(ctx, view, strip)
        for x, y in ((chart.x(station), chart.y(float(strip.piece.line.at(station)[2]))),)
    ]
    marks: list[Mark] = []
    for s in strip.supports:
        text = say(ctx, ctx.units.height_value(s.height_m))
        boxed = is_ladder(ctx, s) or s.height_m < lowest - 1e-9
        half = width_pt(text, 9.2, bold=True) / 2.0 + (2.4 if boxed else 0.8)
        x, y = chart.x(s.station_m), chart.y(s.line_z_m)
        x = min(max(x + _inward(strip, s) * (half + 2.0), chart.rect.x0 + half), chart.rect.x1 - half)
        base = y + 6.5
        while any(Rect(x - half, base, x + half, base + 10.2).overlaps(other) for other in taken):
            base += 1.5
        box = Rect(x - half, base, x + half, base + 10.2)
        taken.append(box)
        if base > y + 9.5:
            marks.append(Line(x, y + 4.0, x, base, 0.5))
        if boxed:
            marks.append(Box(box, width=1.1, fill=WHITE))
        marks.append(Text(x, base + 1.9, text, 9.2, bold=True, align="center", halo_pt=0.0 if boxed else 1.0,
                          tag=f"height:{s.support_id}"))
    return marks


def _inward(strip: Strip, support: Support) -> float:
    """Return 1 or -1 where a match line stands at a support, so that its height is written beside the line."""
    return _inward_at(strip, support.station_m)


def _inward_at(strip: Strip, station_m: float) -> float:
    """Return 1 or -1 where a match line stands at a station: the way to its free side."""
    low_end = strip.low_m > strip.piece.low_m + 1e-6 or bool(strip.piece.below)
    high_end = strip.high_m < strip.piece.high_m - 1e-6 or bool(strip.piece.above)
    if low_end and abs(station_m - strip.low_m) < 1e-3:
        return 1.0
    return -1.0 if high_end and abs(station_m - strip.high_m) < 1e-3 else 0.0


def _joins(ctx: SheetContext, view: SectionView, strip: Strip) -> list[tuple[float, str]]:
    """Return stations and names of the laterals and branches that join on a strip."""
    name = strip.piece.line.mainline_id
    joins = [
        (lat.entry_station_m, lat.lateral_id.rsplit("-", 1)[-1]) for lat in view.laterals if lat.mainline_id == name
    ]
    joins += [(m.join_station_m, m.mainline_id) for m in ctx.plan.mainlines if m.parent_id == name]
    return sorted(join for join in joins if strip.low_m - 1e-6 <= join[0] <= strip.high_m + 1e-6)


def _join_marks(ctx: SheetContext, view: SectionView, chart: _Chart, strip: Strip) -> list[Mark]:
    """Return a triangle on the line where a lateral joins, its number at the foot of the chart."""
    joins = _joins(ctx, view, strip)
    wanted = [chart.x(s) + 6.0 * _inward_at(strip, s) for s, _ in joins]
    xs = spread(wanted, 8.6, chart.rect.x0 + 5.0, chart.rect.x1 - 3.0)
    marks: list[Mark] = []
    for (station, text), x_text in zip(joins, xs, strict=True):
        x = chart.x(station)
        y = chart.y(float(strip.piece.line.at(station)[2]))
        marks.append(Polygon((((x - 3.0, y + 7.5), (x + 3.0, y + 7.5), (x, y + 1.6)),), fill=symbols.LATERAL))
        marks.append(Line(x, y, x, chart.rect.y0 + 27.0, 0.4, "#7a7a7a", dash=(1.0, 2.0)))
        marks.append(Line(x, chart.rect.y0 + 27.0, x_text, chart.rect.y0 + 22.0, 0.4, "#7a7a7a"))
        marks.append(Text(x_text + 2.5, chart.rect.y0 + 2.5, text, 6.9, bold=True, angle_deg=90.0, halo_pt=1.0,
                          tag=f"join:{text}"))
    return marks


def _crossing_marks(ctx: SheetContext, view: SectionView, chart: _Chart, strip: Strip) -> list[Mark]:
    marks: list[Mark] = []
    taken: list[Rect] = []
    for c in view.crossings:
        if c.line_id != strip.piece.line.mainline_id or not strip.low_m <= c.station_m <= strip.high_m:
            continue
        x = chart.x(c.station_m)
        z = float(strip.piece.line.at(c.station_m)[2])
        top = chart.y(z)
        marks.append(Line(x, chart.rect.y0 + 28.0, x, top, 0.9, dash=(3.0, 2.0)))
        key = "profile.clear_needed" if c.needed_m > 0.0 else "profile.clear"
        words = ctx.w(key, station=ctx.units.station(c.station_m), clear=ctx.units.height(c.clearance_m),
                      needed=ctx.units.height(c.needed_m))
        lines = ((c.name or ctx.w(f"common.{c.kind}"), True), (words, False))
        wide = max(width_pt(t, 7.4, bold=b) for t, b in lines)
        left = x + 3.0 if x + 3.0 + wide <= chart.rect.x1 else max(chart.rect.x0 + 2.0, x - 3.0 - wide)
        y = chart.rect.y0 + 38.0
        while any(Rect(left, y - 10.0, left + wide, y + 8.0).overlaps(o) for o in taken):
            y += 9.0
        taken.append(Rect(left, y - 10.0, left + wide, y + 8.0))
        marks += [
            Text(left, y - 8.6 * i, t, 7.4, bold=b, halo_pt=1.2, tag="crossing") for i, (t, b) in enumerate(lines)
        ]
    return marks


def _end_marks(ctx: SheetContext, chart: _Chart, strip: Strip) -> list[Mark]:
    """Return match lines where the mainline goes on beyond the strip, on another strip or section."""
    marks: list[Mark] = []
    piece = strip.piece
    for station, inner, other, right in (
        (strip.low_m, strip.low_m > piece.low_m + 1e-6, piece.below, False),
        (strip.high_m, strip.high_m < piece.high_m - 1e-6, piece.above, True),
    ):
        if not inner and not other:
            continue
        x = chart.x(station)
        words = ctx.w("profile.match", station=ctx.units.station(station))
        if not inner:
            words = f"{words} · {ctx.w('profile.continues', section=other)}"
        marks.append(Line(x, chart.rect.y0, x, chart.rect.y1, 1.4, dash=(7.0, 2.5)))
        marks.append(Text(x + (-3.0 if right else 3.0), chart.rect.y1 - (16.5 if right else 7.5), words, 7.4, bold=True,
                          align="right" if right else "left", halo_pt=1.2, tag="match"))
    return marks


def _bands(ctx: SheetContext, chart: _Chart, strip: Strip) -> list[Mark]:
    supports = strip.supports
    units = ctx.units
    at = [chart.x(s.station_m) for s in supports]
    xs = spread(at, _COLUMN_PT, chart.rect.x0 + 5.0, chart.rect.x1 - 5.0)
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
            spots = [((a + b) / 2.0, say(ctx, t)) for (a, b), t in zip(pairwise(xs), _falls(supports), strict=True)]
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


def _pipe_marks(ctx: SheetContext, chart: _Chart, strip: Strip, top: float) -> list[Mark]:
    """Return the pipe of every stretch, with a tick where the size changes."""
    pipes = [
        p for p in ctx.plan.flow.pipes if p.mainline_id == strip.piece.line.mainline_id
        and p.from_station_m < strip.high_m - 1e-6 and p.to_station_m > strip.low_m + 1e-6
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


def _falls(supports: Sequence[Support]) -> list[str]:
    """Return the fall of each span in percent of its plan length."""
    out = []
    for a, b in pairwise(supports):
        run = b.station_m - a.station_m
        out.append(f"{100.0 * (b.line_z_m - a.line_z_m) / run:.1f}" if run > 1e-6 else "")
    return out
