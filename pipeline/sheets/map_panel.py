"""The strip under a map: key, scale, print check, norths, index inset, code to scan."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from pipeline.sheets import symbols
from pipeline.sheets.context import SheetContext
from pipeline.sheets.geo import Declination, convergence_deg, declination, geo_uri, usng
from pipeline.sheets.ground_layer import ORDER, key_sample
from pipeline.sheets.inset import inset
from pipeline.sheets.map_draw import LATERAL_PT, MAINLINE_PT, MapDrawing
from pipeline.sheets.map_labels import meeting_point
from pipeline.sheets.mapview import MapView
from pipeline.sheets.marks import (
    BLACK,
    WHITE,
    Box,
    Circle,
    Group,
    Line,
    Link,
    Mark,
    Point,
    Polygon,
    Rect,
    Text,
    heading,
    paragraph,
)
from pipeline.sheets.pair_marks import dry_strokes, manifold, riser
from pipeline.sheets.section_view import SectionView
from pipeline.sheets.text import fit, wrap
from pipeline.units import FT_M

_SAMPLE_PT = 28.0
_ROW_PT, _LEAST_ROW_PT = 11.4, 9.2
_KEY_PT = 7.4
NOTE_STEP_PT, _NOTE_PT = 8.8, 7.2  # line distance and letters of the note over the key
_QR_PT = 96.0  # with the quiet zone: modules of 0.9 mm at version 3
_INSET_MOST_PT, _INSET_LEAST_PT = 96.0, 46.0
CHECK_US_PT, CHECK_METRIC_PT = 144.0, 50.0 / 25.4 * 72.0
_SEGMENTS_M = (1, 2, 5, 10, 20, 25, 50, 100, 200, 250, 500, 1000)


@dataclass(frozen=True, slots=True)
class _Entry:
    """One line of the key: how to draw the sample at a left end and height, and its words."""

    draw: Callable[[float, float], list[Mark]]
    text: str


def panel(ctx: SheetContext, view: SectionView, drawing: MapDrawing, rect: Rect, note: str) -> list[Mark]:
    """Return the whole strip under a section's main map."""
    note_marks, top = _note_lines(note, rect)
    key = Rect(rect.x0, rect.y0, rect.x0 + 264.0, top)
    scale = Rect(rect.x0 + 276.0, rect.y0, rect.x1 - 112.0, top)
    find = Rect(rect.x1 - 104.0, rect.y0, rect.x1, top)
    return [
        *note_marks, *_key(ctx, view, drawing, key), *_scale(ctx, drawing, scale), *_find(ctx, view, find),
    ]


def detail_foot(ctx: SheetContext, drawing: MapDrawing, rect: Rect, note: str) -> list[Mark]:
    """Return the lines under a detail map: note, scale bar and which way is north; its key is on the main map."""
    note_marks, top = _note_lines(note, rect)
    marks: list[Mark] = [*note_marks, heading(rect.x0, top - 12.0, scale_text(ctx, drawing.view), 8.6)]
    marks += scale_bar(ctx, drawing.view.pt_per_m, rect.x0 + 150.0, top - 17.0)
    marks.append(paragraph(rect.x0, top - 24.0, f"▲ {ctx.w('map.true_n')}", 7.4, bold=True))
    grid = ctx.w("map.key_grid", step=drawing.grid.step_m, name=drawing.grid.name or ctx.w("map.grid_local"))
    marks.append(paragraph(rect.x1, top - 24.0, grid, 7.4, align="right"))
    marks.append(paragraph(rect.x1, top - 12.0, ctx.w("map.key_see_map"), 7.4, align="right"))
    return marks


def note_pt(note: str, width_pt: float) -> float:
    """Return the height of a note's lines at a width."""
    return NOTE_STEP_PT * len(_wrapped(note, width_pt))


def _wrapped(note: str, width_pt: float) -> list[str]:
    return wrap(note, _NOTE_PT, width_pt, bold=True) if note else []


def _note_lines(note: str, rect: Rect) -> tuple[list[Mark], float]:
    marks: list[Mark] = [
        paragraph(rect.x0, rect.y1 - 7.0 - NOTE_STEP_PT * i, t, _NOTE_PT, bold=True)
        for i, t in enumerate(_wrapped(note, rect.width))
    ]
    return marks, rect.y1 - note_pt(note, rect.width) - 2.0


# ---------------------------------------------------------------- key


def _key(ctx: SheetContext, view: SectionView, drawing: MapDrawing, rect: Rect) -> list[Mark]:
    """Return the key of what this map uses, and the index inset in what the second column leaves free."""
    entries = _entries(ctx, drawing)
    pitch, rows = _key_rows(len(entries), rect.height - 17.0)
    first = min(len(entries), rows)
    second = len(entries) - first
    marks: list[Mark] = [heading(rect.x0, rect.y1 - 10.0, ctx.w("map.key"), 10.0)]
    drawn: list[Mark] = []
    width = rect.width / 2.0
    for i, entry in enumerate(entries):
        column, row = (0, i) if i < first else (1, i - first)
        x, y = rect.x0 + column * width, rect.y1 - 21.0 - row * pitch
        drawn += entry.draw(x, y)
        text, size = fit(entry.text, _KEY_PT, width - _SAMPLE_PT - 8.0)
        drawn.append(Text(x + _SAMPLE_PT + 5.0, y - 2.7, text, size, tag="key"))
    marks.append(Group(tuple(drawn), role="Figure", alt=ctx.w("map.alt_key")))
    top = rect.y1 - 19.0 - second * pitch
    box = Rect(rect.x0 + width, max(rect.y0 + 1.0, top - _INSET_MOST_PT), rect.x1, top)
    return marks + inset(ctx, view.section.section_id, box)


def _key_rows(entries: int, height: float) -> tuple[float, int]:
    """Return row height and rows of the first column such that the second leaves room for the inset."""
    pitch = _ROW_PT
    while pitch > _LEAST_ROW_PT and max(0, entries - int(height / pitch)) * pitch + _INSET_LEAST_PT > height:
        pitch -= 0.1
    return pitch, int(height / pitch)


def _entries(ctx: SheetContext, drawing: MapDrawing) -> list[_Entry]:
    w, used = ctx.w, drawing.kinds
    mid = _SAMPLE_PT / 2.0
    rows = [
        _Entry(_mainline_sample, w("map.key_mainline")),
        _Entry(_lateral_sample, w("map.key_lateral")),
        _Entry(_lateral_id_sample, w("map.key_lateral_id")),
        _Entry(_trees_sample, w("map.key_trees")),
    ]
    singles: list[tuple[str, str, Callable[[float, float], list[Mark]]]] = [
        ("dry", "key_dry", lambda x, y: dry_strokes((((x, y), (x + _SAMPLE_PT, y)),))),
        ("manifold", "key_manifold", lambda x, y: _joint_sample(manifold, x, y)),
        ("riser", "key_riser", lambda x, y: _joint_sample(riser, x, y)),
        ("tree", "key_support_tree", lambda x, y: symbols.support(x + mid, y, "tree")),
        ("post", "key_support_post", lambda x, y: symbols.support(x + mid, y, "post")),
        ("anchor", "key_anchor", lambda x, y: symbols.support(x + mid, y, "anchor")),
        ("ladder", "key_ladder", lambda x, y: symbols.ladder_sign(x + mid, y - 3.5)),
        ("hazard", "key_hazard", lambda x, y: symbols.hazard(x + mid, y, 9.5)),
        ("keep_out", "key_keep_out", lambda x, y: [Circle(x + mid, y, 4.2, width=0.9, dash=(1.0, 2.0))]),
        ("crossing", "key_crossing", _crossing_sample),
        ("match", "key_match", lambda x, y: [symbols.match_line(x + mid, y, 0.0, 1.0, 12.0)]),
        ("meet", "key_meet", lambda x, y: symbols.meeting(x + mid, y, 9.5)),
        ("collection", "key_collection", lambda x, y: symbols.collection(x + mid, y, 9.5)),
        ("neighbour", "key_neighbour", lambda x, y: [
            Line(x, y, x + _SAMPLE_PT, y, 2.2, "#9a9a9a", dash=(6.0, 2.0))]),
        ("untapped", "key_untapped", lambda x, y: [
            *symbols.not_tapped(x + 4.0, y), *symbols.set_aside(x + 14.0, y), *symbols.other_tree(x + 24.0, y)]),
    ]
    rows.insert(3, _Entry(_join_sample, w("map.key_join")))
    rows += [_Entry(draw, w(f"map.{key}")) for kind, key, draw in singles if kind in used]
    rows += [
        _Entry(_ground_sample(kind), w(f"map.key_{kind}")) for kind in reversed(ORDER) if kind in drawing.ground.kinds
    ]
    return rows + _line_entries(ctx, drawing)


def _line_entries(ctx: SheetContext, drawing: MapDrawing) -> list[_Entry]:
    found, grid = drawing.contours, drawing.grid
    out = []
    if found.step:
        text = ctx.w("map.key_contour", step=f"{found.step:g}", index=f"{found.index:g}", unit=ctx.units.length_unit)
        out.append(_Entry(_contour_sample, text))
    name = grid.name or ctx.w("map.grid_local")
    out.append(_Entry(_grid_sample, ctx.w("map.key_grid", step=grid.step_m, name=name)))
    return out


def _ground_sample(kind: str) -> Callable[[float, float], list[Mark]]:
    return lambda x, y: key_sample(kind, x, y, _SAMPLE_PT)


def _mainline_sample(x: float, y: float) -> list[Mark]:
    line = ((x + _SAMPLE_PT, y), (x, y))
    return [Line(x, y, x + _SAMPLE_PT, y, MAINLINE_PT, symbols.MAINLINE),
            *symbols.arrow_on(line, 0.5, 8.5, symbols.MAINLINE)]


def _lateral_sample(x: float, y: float) -> list[Mark]:
    line = ((x + _SAMPLE_PT, y), (x, y))
    return [Line(x, y, x + _SAMPLE_PT, y, LATERAL_PT, symbols.LATERAL),
            *symbols.arrow_on(line, 0.5, 5.0, symbols.LATERAL)]


def _lateral_id_sample(x: float, y: float) -> list[Mark]:
    return [Box(Rect(x + 4.0, y - 4.8, x + 24.0, y + 4.8), width=0.9, fill=WHITE),
            Text(x + 14.0, y - 2.8, "L05", 7.6, bold=True, align="center")]


def _trees_sample(x: float, y: float) -> list[Mark]:
    return [*symbols.tapped_tree(x + 3.0, y, 1), *symbols.tapped_tree(x + 11.0, y, 2),
            *symbols.tapped_tree(x + 22.0, y, 3)]


def _join_sample(x: float, y: float) -> list[Mark]:
    return [Line(x, y, x + _SAMPLE_PT, y, MAINLINE_PT, symbols.MAINLINE),
            Line(x + 14.0, y, x + 19.0, y + 5.0, LATERAL_PT, symbols.LATERAL),
            Circle(x + 14.0, y, 1.9, width=0.0, fill=BLACK)]


def _joint_sample(draw: Callable[[Point, Point], list[Mark]], x: float, y: float) -> list[Mark]:
    return [*dry_strokes((((x, y + 2.2), (x + _SAMPLE_PT, y + 2.2)),)),
            Line(x, y - 4.0, x + _SAMPLE_PT, y - 4.0, 2.0, symbols.MAINLINE),
            *draw((x + 14.0, y - 4.0), (x + 14.0, y + 2.2))]


def _crossing_sample(x: float, y: float) -> list[Mark]:
    return [Line(x, y, x + _SAMPLE_PT, y, MAINLINE_PT, symbols.MAINLINE), *symbols.crossing(x + 14.0, y, 1.0, 0.0)]


def _contour_sample(x: float, y: float) -> list[Mark]:
    return [Line(x, y + 2.2, x + _SAMPLE_PT, y + 2.2, 0.85, "#5a4a34"),
            Line(x, y - 2.2, x + _SAMPLE_PT, y - 2.2, 0.4, "#8a7a63")]


def _grid_sample(x: float, y: float) -> list[Mark]:
    return [Line(x + 9.0, y, x + 19.0, y, 0.5, "#4a4a4a"), Line(x + 14.0, y - 5.0, x + 14.0, y + 5.0, 0.5, "#4a4a4a")]


# ---------------------------------------------------------------- scale and north


def scale_text(ctx: SheetContext, view: MapView) -> str:
    """Return the scale in words and as a ratio."""
    ratio = view.ratio
    if ctx.units.is_us:
        return ctx.w("map.scale_us", feet=f"{ratio / 12.0:.0f}", ratio=f"{ratio:.0f}")
    return ctx.w("map.scale_metric", metres=f"{ratio / 100.0:g}", ratio=f"{ratio:.0f}")


def _scale(ctx: SheetContext, drawing: MapDrawing, rect: Rect) -> list[Mark]:
    y = rect.y1
    marks: list[Mark] = [
        heading(rect.x0, y - 10.0, ctx.w("map.scale"), 10.0),
        paragraph(rect.x0, y - 23.0, scale_text(ctx, drawing.view), 8.6, bold=True),
    ]
    bars: list[Mark] = scale_bar(ctx, drawing.view.pt_per_m, rect.x0, y - 30.0)
    us = ctx.units.is_us
    lines = wrap(ctx.w("map.print_us" if us else "map.print_metric"), 7.0, rect.width)
    y -= 74.0
    for line in lines:
        marks.append(paragraph(rect.x0, y, line, 7.0))
        y -= 8.4
    bars += check_bar(rect.x0, y - 1.0, us=us)
    marks.append(Group(tuple(bars), role="Figure", alt=ctx.w("map.alt_scale")))
    return marks + norths(ctx, drawing.view, Rect(rect.x0, rect.y0, rect.x1, y - 10.0))


def scale_bar(ctx: SheetContext, pt_per_m: float, x: float, top: float) -> list[Mark]:
    """Return a bar in feet over a bar in metres, the reader's own unit on top."""
    bars = [(pt_per_m * FT_M, "ft"), (pt_per_m, "m")]
    if not ctx.units.is_us:
        bars.reverse()
    return [
        *_segments(x, top - 9.0, *bars[0], ctx, below=False), *_segments(x, top - 15.5, *bars[1], ctx, below=True),
    ]


def _segments(x: float, y: float, pt_per_unit: float, unit: str, ctx: SheetContext, *, below: bool) -> list[Mark]:
    """Return four segments of a round length that fit two inches, figures above or below."""
    step = max((s for s in _SEGMENTS_M if 4 * s * pt_per_unit <= 146.0), default=_SEGMENTS_M[0])
    wide = step * pt_per_unit
    marks: list[Mark] = []
    for i in range(4):
        box = Rect(x + i * wide, y, x + (i + 1) * wide, y + 4.5)
        marks.append(Box(box, width=0.6, fill=BLACK if i % 2 == (0 if below else 1) else WHITE))
    level = y - 7.6 if below else y + 6.6
    for i in range(5):
        text = f"{i * step}" + (f" {ctx.w('common.unit_ft') if unit == 'ft' else unit}" if i == 4 else "")
        marks.append(Text(x + i * wide, level, text, 7.0, align="left" if i == 0 else "center", tag="scale_bar"))
    return marks


def check_bar(x: float, y: float, *, us: bool) -> list[Mark]:
    """Return the bar that must measure exactly two inches, or 50 mm, on paper."""
    length = CHECK_US_PT if us else CHECK_METRIC_PT
    return [
        Line(x, y, x + length, y, 1.2), Line(x, y - 3.5, x, y + 3.5, 1.2),
        Line(x + length, y - 3.5, x + length, y + 3.5, 1.2),
        Line(x + length / 2.0, y - 2.5, x + length / 2.0, y + 2.5, 0.8),
    ]


def norths(ctx: SheetContext, view: MapView, rect: Rect) -> list[Mark]:
    """Return the three norths with their angles in words."""
    grid_deg = convergence_deg(ctx.plan.frame, view.x_m, view.y_m)
    place = _declination(ctx, view.x_m, view.y_m)
    height = min(rect.height - 9.0, 56.0)
    foot = (rect.x0 + 26.0, rect.y1 - 9.0 - height)
    marks: list[Mark] = [_arrow_to(foot, 0.0, height - 14.0, 1.5), _star(foot[0], foot[1] + height - 9.0)]
    marks.append(Text(foot[0], foot[1] + height - 2.0, ctx.w("map.true_n"), 6.8, bold=True, align="center"))
    lines: list[tuple[str, bool]] = []
    if place is None:
        lines.append((ctx.w("map.mag_unknown"), True))
    else:
        marks += _turned(foot, place.angle_deg, height - 18.0, ctx.w("map.mag_n"), solid=True)
        lines += _mag_words(ctx, place.angle_deg, place.change_min_per_year, place.model)
    if ctx.plan.frame.on_earth:
        marks += _turned(foot, grid_deg, height - 26.0, ctx.w("map.grid_n"), solid=False)
        key = "map.grid_east" if grid_deg >= 0.0 else "map.grid_west"
        lines.append((ctx.w(key, angle=f"{abs(grid_deg):.1f}"), False))
    words: list[Mark] = []
    for i, (text, bold) in enumerate(lines):
        size = 8.4 if bold else 7.0
        shown, own = fit(text, size, rect.x1 - rect.x0 - 62.0, bold=bold)
        words.append(paragraph(rect.x0 + 62.0, rect.y1 - 14.0 - 10.6 * i, shown, own, bold=bold))
    return [Group(tuple(marks), role="Figure", alt=ctx.w("map.alt_north")), *words]


def _declination(ctx: SheetContext, x_m: float, y_m: float) -> Declination | None:
    lon, lat = ctx.plan.frame.lonlat(x_m, y_m)
    z = float(ctx.terrain.sample(x_m, y_m))
    # one value serves the neighbourhood: a hundredth of a degree of place changes nothing that a compass shows
    return declination(round(float(lon), 2), round(float(lat), 2), 0.0 if math.isnan(z) else round(z, -2), ctx.date)


def _mag_words(ctx: SheetContext, angle_deg: float, change_min: float, model: str) -> list[tuple[str, bool]]:
    side = "east" if angle_deg >= 0.0 else "west"
    angle = f"{abs(angle_deg):.1f}"
    return [
        (ctx.w(f"map.mag_{side}", angle=angle), True), (ctx.w(f"map.mag_how_{side}", angle=angle), False),
        (ctx.w("map.mag_model", model=model, change=f"{change_min:+.0f}′"), False),
    ]


def _arrow_to(foot: Point, angle_deg: float, length: float, width: float, dash: tuple[float, ...] = ()) -> Line:
    s, c = math.sin(math.radians(angle_deg)), math.cos(math.radians(angle_deg))
    return Line(foot[0], foot[1], foot[0] + s * length, foot[1] + c * length, width, dash=dash)


def _turned(foot: Point, angle_deg: float, length: float, name: str, *, solid: bool) -> list[Mark]:
    """Return an arrow leaning by an angle; small angles are drawn at least nine degrees off, or they would hide."""
    shown = math.copysign(max(9.0, min(abs(angle_deg), 40.0)), angle_deg)
    line = _arrow_to(foot, shown, length, 1.0 if solid else 0.7, () if solid else (2.0, 1.6))
    marks: list[Mark] = [line]
    if solid:
        marks.append(symbols.arrow(line.x1, line.y1, line.x1 - line.x0, line.y1 - line.y0, 7.0))
    right = shown > 0.0
    marks.append(Text(line.x1 + (3.5 if right else -3.5), line.y1 - 3.0, name, 6.6, bold=solid,
                      align="left" if right else "right"))
    return marks


def _star(x: float, y: float, r: float = 5.4) -> Polygon:
    points = []
    for k in range(10):
        radius = r if k % 2 == 0 else r * 0.42
        turn = math.pi * k / 5.0
        points.append((x + radius * math.sin(turn), y + radius * math.cos(turn)))
    return Polygon((tuple(points),), fill=BLACK)


# ---------------------------------------------------------------- find it


def _find(ctx: SheetContext, view: SectionView, rect: Rect) -> list[Mark]:
    """Return the code that opens a phone's map at the meeting point, else at the section's lower end."""
    marks: list[Mark] = [heading(rect.x0, rect.y1 - 10.0, ctx.w("map.find_it"), 10.0)]
    if not ctx.plan.frame.on_earth:
        return [*marks, *(paragraph(rect.x0, rect.y1 - 24.0 - 9.0 * i, t, 7.2)
                          for i, t in enumerate(wrap(ctx.w("map.qr_none"), 7.2, rect.width)))]
    meet = meeting_point(ctx)
    foot = view.pieces[0].xyz_m[0]
    at = meet if meet is not None else (float(foot[0]), float(foot[1]))
    lon, lat = (float(v) for v in ctx.plan.frame.lonlat(*at))
    uri = geo_uri(lon, lat)
    square = Rect(rect.x0, rect.y1 - 13.0 - _QR_PT, rect.x0 + _QR_PT, rect.y1 - 13.0)
    code = symbols.qr_code(square.x0, square.y0, _QR_PT, uri)
    marks.append(Group((code, Link(square, uri, ctx.w("map.alt_qr", uri=uri))), role="Figure",
                       alt=ctx.w("map.alt_qr", uri=uri)))
    # degrees and minutes for aircraft stand in the emergency box
    rows = [(f"{lat:.5f}, {lon:.5f}", True, 8.0), (usng(lon, lat).text(), True, 8.0)]
    words = ctx.w("map.qr_meet" if meet is not None else "map.qr_start")
    rows += [(t, False, 6.8) for t in wrap(f"{words} {ctx.w('map.qr_more')}", 6.8, rect.width)]
    y = square.y0 - 7.0
    for text, bold, size in rows:
        if y < rect.y0 + 1.0:
            break
        shown, own = fit(text, size, rect.width, bold=bold)
        marks.append(paragraph(rect.x0, y, shown, own, bold=bold))
        y -= size + 1.4
    return marks
