"""One strip of a profile: chart, data bands, scales."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from pipeline.records import Support
from pipeline.sheets import symbols
from pipeline.sheets.compose import say
from pipeline.sheets.context import SheetContext
from pipeline.sheets.lookup import line_at, lookup
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
    text_rect,
    texts,
)
from pipeline.sheets.pair_marks import HEIGHTS_UP_PT, pair_run, profile_dry_line
from pipeline.sheets.paper import vertical_name
from pipeline.sheets.profile_bands import COLUMN_PT, GUTTER_PT, Chart, Strip, bands
from pipeline.sheets.section_view import SectionView, is_ladder
from pipeline.sheets.spread import spread
from pipeline.sheets.text import fit, width_pt
from pipeline.units import FT_M

Floats = npt.NDArray[np.float64]

SIDE_PT = 26.0  # inside the chart, left and right of the line
TITLE_PT, CAPTION_PT = 25.0, 15.0
_STRIPS = 256  # strips whose least height is remembered: laying out pages asks for it again and again
_NARROWEST_PT = 173.0  # three short branches stand side by side on letter paper
_FILL = "#f1ece4"
_GROUND = "#5a3d14"
_GRID = "#b9b9b9"
_VERTICAL_FT = (1, 2, 4, 5, 8, 10, 15, 20, 25, 30, 40, 50, 60, 80, 100, 150, 200)
_VERTICAL_M = (12.5, 25, 40, 50, 75, 100, 125, 150, 200, 250, 300, 400, 500, 750, 1000, 1500, 2000)
_ABOVE_PT, _BELOW_PT = 36.0, 44.0  # room over the line for heights, under the ground for crossings and laterals



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
    found = spread(at, COLUMN_PT, 5.0 - 12.0, strip_width(strip) - GUTTER_PT - 12.0 - 5.0)
    return any(abs(a - b) > 2.0 * COLUMN_PT for a, b in zip(at, found, strict=True))


@lru_cache(maxsize=_STRIPS)
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
    chart = Chart(area, strip.low_m, low - (_BELOW_PT + spare) / vertical, 1.0 / (strip.ratio * POINT_M), vertical)
    title = ctx.w("profile.strip", line=strip.piece.line.mainline_id, low=ctx.units.station(strip.low_m),
                  high=ctx.units.station(strip.high_m))
    alt = ctx.w("profile.alt_profile", line=strip.piece.line.mainline_id, low=ctx.units.station(strip.low_m),
                high=ctx.units.station(strip.high_m), supports=len(strip.supports))
    dry = profile_dry_line(ctx, chart, strip)
    if dry:
        alt = f"{alt} {ctx.w('common.alt_pair')}"
    crossed, joined = _crossing_marks(ctx, view, chart, strip), _join_marks(ctx, view, chart, strip)
    hung = _height_marks(ctx, view, chart, strip)
    taken = [text_rect(text).inset(-1.5) for text in texts([*crossed, *joined, *hung])]
    drawn = [
        *_axes(ctx, chart, strip), *_ground_marks(chart, ground), *_end_marks(ctx, chart, strip, taken),
        *crossed, *_line_marks(chart, strip), *joined, *dry, *hung,
        *bands(ctx, chart, strip),
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


def caption(ctx: SheetContext, rect: Rect, *, pair: bool = False) -> list[Mark]:
    """Return the line under rows of strips that explains the symbols, those of a wet and dry pair where one is."""
    rules, units = ctx.plan.settings.mainlines, ctx.units
    text = ctx.w("profile.legend", low=units.height(rules.lowest_m), high=units.height(rules.ladder_m))
    if pair:
        text = f"{text}   {ctx.w('profile.legend_pair')}"
    shown, size = fit(text, 7.4, rect.width)
    return [paragraph(rect.x0, rect.y0 + 4.0, shown, size)]


def _ground(ctx: SheetContext, strip: Strip) -> Floats:
    """Return station and ground elevation along the strip, about one point apart; rows without ground left out."""
    count = max(2, int((strip.high_m - strip.low_m) / max(strip.ratio * POINT_M, ctx.terrain.cell_m * 0.5)) + 1)
    stations = np.linspace(strip.low_m, strip.high_m, count)
    x, y, _ = line_at(strip.piece.line, stations)
    z = ctx.terrain.sample(x, y)
    rows = np.column_stack((stations, z))
    return rows[np.isfinite(z)]


def _ground_marks(chart: Chart, ground: Floats) -> list[Mark]:
    if len(ground) < 2:
        return []
    line = tuple((round(chart.x(s), 1), round(chart.y(z), 1)) for s, z in ground.tolist())
    base = chart.rect.y0
    return [
        Polygon((((line[0][0], base), *line, (line[-1][0], base)),), fill=_FILL), Polyline((line,), 1.2, _GROUND),
        Line(chart.rect.x0, base, chart.rect.x1, base, 1.2),
    ]


def _axes(ctx: SheetContext, chart: Chart, strip: Strip) -> list[Mark]:
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
    axis = ctx.w("profile.axis", unit=ctx.units.length_unit, vertical=vertical_name(ctx))
    size = min(6.9, r.height / max(width_pt(axis, 1.0), 1e-6) * 0.98)
    if size >= 6.6:
        marks.append(Text(r.x0 - 36.0, r.center[1], axis, size, align="center", angle_deg=90.0))
    return marks


def _line_marks(chart: Chart, strip: Strip) -> list[Mark]:
    stations = [strip.low_m, *(s.station_m for s in strip.supports), strip.high_m]
    _, _, z = line_at(strip.piece.line, stations)
    line = tuple((chart.x(s), chart.y(float(v))) for s, v in zip(stations, z, strict=True))
    marks: list[Mark] = [
        Line(chart.x(s.station_m), chart.y(s.ground_z_m), chart.x(s.station_m), chart.y(s.line_z_m), 1.2)
        for s in strip.supports
    ]
    marks += [Polyline((line,), 4.6, WHITE), Polyline((line,), 2.6, symbols.MAINLINE)]
    for s in strip.supports:
        marks += symbols.support(chart.x(s.station_m), chart.y(s.line_z_m), s.kind, r=2.7)
    return marks


def _height_marks(ctx: SheetContext, view: SectionView, chart: Chart, strip: Strip) -> list[Mark]:
    """Return the height over every support, boxed outside the plain range, stacked where supports are close."""
    lowest = ctx.plan.settings.mainlines.lowest_m
    taken = [
        Rect(x - 3.0, y + 1.6, x + 3.0, y + 7.5) for station, _ in _joins(ctx, view, strip)
        for x, y in ((chart.x(station), chart.y(float(line_at(strip.piece.line, station)[2]))),)
    ]
    pair = pair_run(ctx, strip.piece.line, strip.low_m, strip.high_m)
    marks: list[Mark] = []
    for s in strip.supports:
        text = say(ctx, ctx.units.height_value(s.height_m))
        boxed = is_ladder(ctx, s) or s.height_m < lowest - 1e-9
        half = width_pt(text, 9.2, bold=True) / 2.0 + (2.4 if boxed else 0.8)
        x, y = chart.x(s.station_m), chart.y(s.line_z_m)
        x = min(max(x + _inward(strip, s) * (half + 2.0), chart.rect.x0 + half), chart.rect.x1 - half)
        least = y + 6.5 + (HEIGHTS_UP_PT if pair is not None and pair.holds(s.station_m) else 0.0)
        base = least
        while any(Rect(x - half, base, x + half, base + 10.2).overlaps(other) for other in taken):
            base += 1.5
        box = Rect(x - half, base, x + half, base + 10.2)
        taken.append(box)
        if base > least + 3.0:
            marks.append(Line(x, least - 2.5, x, base, 0.5))
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
    joins += [(m.join_station_m, m.mainline_id) for m in lookup(ctx.plan).branches.get(name, ())]
    return sorted(join for join in joins if strip.low_m - 1e-6 <= join[0] <= strip.high_m + 1e-6)


def _join_marks(ctx: SheetContext, view: SectionView, chart: Chart, strip: Strip) -> list[Mark]:
    """Return a triangle on the line where a lateral joins, its number at the foot of the chart."""
    joins = _joins(ctx, view, strip)
    wanted = [chart.x(s) + 6.0 * _inward_at(strip, s) for s, _ in joins]
    xs = spread(wanted, 8.6, chart.rect.x0 + 5.0, chart.rect.x1 - 3.0)
    marks: list[Mark] = []
    for (station, text), x_text in zip(joins, xs, strict=True):
        x = chart.x(station)
        y = chart.y(float(line_at(strip.piece.line, station)[2]))
        marks.append(Polygon((((x - 3.0, y + 7.5), (x + 3.0, y + 7.5), (x, y + 1.6)),), fill=symbols.LATERAL))
        marks.append(Line(x, y, x, chart.rect.y0 + 27.0, 0.4, "#7a7a7a", dash=(1.0, 2.0)))
        marks.append(Line(x, chart.rect.y0 + 27.0, x_text, chart.rect.y0 + 22.0, 0.4, "#7a7a7a"))
        marks.append(Text(x_text + 2.5, chart.rect.y0 + 2.5, text, 6.9, bold=True, angle_deg=90.0, halo_pt=1.0,
                          tag=f"join:{text}"))
    return marks


def _crossing_marks(ctx: SheetContext, view: SectionView, chart: Chart, strip: Strip) -> list[Mark]:
    marks: list[Mark] = []
    taken: list[Rect] = []
    for c in view.crossings:
        if c.line_id != strip.piece.line.mainline_id or not strip.low_m <= c.station_m <= strip.high_m:
            continue
        x = chart.x(c.station_m)
        z = float(line_at(strip.piece.line, c.station_m)[2])
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


def _end_marks(ctx: SheetContext, chart: Chart, strip: Strip, taken: Sequence[Rect]) -> list[Mark]:
    """Return match lines where the mainline goes on beyond the strip, on another strip or section.

    Their words stand near the top, or lower where figures are in the way (`taken`).
    """
    taken = list(taken)
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
            beyond = ctx.w("profile.continues", section=other)
            room = (x - chart.rect.x0 if right else chart.rect.x1 - x) - 3.0
            both = f"{words} · {beyond}"
            # on a narrow strip the station stands in its band alone
            words = both if width_pt(both, 7.4, bold=True) <= room else beyond
        marks.append(Line(x, chart.rect.y0, x, chart.rect.y1, 1.4, dash=(7.0, 2.5)))
        text = _free_place(chart, taken, Text(
            x + (-3.0 if right else 3.0), chart.rect.y1 - (16.5 if right else 7.5), words, 7.4, bold=True,
            align="right" if right else "left", halo_pt=1.2, tag="match",
        ))
        taken.append(text_rect(text))
        marks.append(text)
    return marks


def _free_place(chart: Chart, taken: Sequence[Rect], text: Text) -> Text:
    """Return a text moved up or down its chart to the first place that nothing has taken; as it is without one."""
    top, low = chart.rect.y1, chart.rect.y0
    for y in (text.y, top - 7.5, top - 16.5, top - 25.5, *(low + 30.0 + 4.5 * k for k in range(12))):
        moved = replace(text, y=y)
        if y < top - 7.0 and not any(text_rect(moved).overlaps(other) for other in taken):
            return moved
    return text
