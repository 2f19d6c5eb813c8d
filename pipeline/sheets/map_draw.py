"""Draws one map of a section: ground, lines, symbols, labels."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely

from pipeline.safety.facts import dead_reach_m, dead_rows
from pipeline.safety.rules import MIN_KEEPOUT_M
from pipeline.sheets import symbols
from pipeline.sheets.context import SheetContext
from pipeline.sheets.contour_layer import Contours, contours, figures
from pipeline.sheets.ground_layer import GroundDrawing, draw_ground
from pipeline.sheets.labels import Label, LabelField, place_all
from pipeline.sheets.local import words_local
from pipeline.sheets.lookup import lookup
from pipeline.sheets.map_grid import Grid, grid
from pipeline.sheets.map_labels import direction, full_stations, map_labels, meeting_point, place
from pipeline.sheets.mapview import MapView
from pipeline.sheets.marks import BLACK, WHITE, Circle, Mark, Point, Polyline, Rect
from pipeline.sheets.pair_marks import map_dry_line, map_joints
from pipeline.sheets.section_view import SectionView, is_ladder

Floats = npt.NDArray[np.float64]

MAINLINE_PT, LATERAL_PT = 2.9, 1.15
HAZARD_NEAR_M = 10.0  # a dead tree nearer to a line than this has its keep-out circle drawn
_MOST_CIRCLES = 3  # more keep-out circles than this would hide the map


@dataclass(slots=True)
class MapDrawing:
    """One map: its marks in drawing order, what its key must explain, what found no room."""

    view: MapView
    contours: Contours
    ground: GroundDrawing
    grid: Grid
    marks: list[Mark] = field(default_factory=list)
    dropped: list[Label] = field(default_factory=list)
    kinds: dict[str, None] = field(default_factory=dict)  # symbols used, in order of first use


def draw_map(ctx: SheetContext, view: SectionView, window: MapView, *, tags: bool) -> MapDrawing:
    """Return the map of a section in a window, with or without tree tags."""
    out = MapDrawing(
        window, contours(ctx.terrain, window, us=ctx.units.is_us),
        draw_ground(ctx.ground.layers, window, ctx.terrain), grid(ctx.plan.frame, window),
    )
    field_ = LabelField(window.rect)
    _stamp_background(field_, out)
    lines = [*_neighbour_lines(ctx, view, out, field_), *_own_lines(ctx, view, out, field_)]
    spots = [
        *_other_trees(ctx, view, out), *_tree_marks(ctx, view, out, field_),
        *_pair_marks(ctx, view, out, field_), *_line_marks(ctx, view, out, field_, supports=tags),
        *_places(ctx, out, field_),
    ]
    labels = [
        *(h for h in _hazard_labels(ctx, view, out) if window.rect.inset(9.0).holds(Rect(h.x, h.y, h.x, h.y))),
        *map_labels(ctx, view, window, out.ground.names, tags=tags),
    ]
    hazards = _hazard_marks(ctx, out, labels, field_)
    placed, out.dropped = place_all(field_, labels)
    out.marks += [
        *out.contours.marks, *out.ground.marks, *out.grid.crosses, *lines, *spots, *hazards,
        *figures(out.contours, field_, say=partial(words_local, ctx)), *out.grid.labels, *placed,
    ]
    return out


def _stamp_background(field_: LabelField, out: MapDrawing) -> None:
    field_.lines(out.contours.minor_lines, 0.35, reach=0)
    field_.lines([line for _, line in out.contours.index_lines], 0.7, reach=0)
    field_.lines(out.ground.lines, 3.0, reach=2)
    for box in out.grid.label_boxes:
        field_.take(box)
    for x, y in out.grid.cross_points:
        field_.block(Rect(x - 3.0, y - 3.0, x + 3.0, y + 3.0))


def _tuples(line: Floats) -> tuple[Point, ...]:
    return tuple((round(float(x), 2), round(float(y), 2)) for x, y in line)


def _neighbour_lines(ctx: SheetContext, view: SectionView, out: MapDrawing, field_: LabelField) -> list[Mark]:
    """Return mainlines of other sections, thin and grey, so that a crew sees what its line meets."""
    own = {(p.line.mainline_id, round(p.low_m, 3)) for p in view.pieces}
    stretches, box = lookup(ctx.plan).stretches
    west, south, east, north = out.view.window_m()
    near = (box[:, 2] >= west) & (box[:, 0] <= east) & (box[:, 3] >= south) & (box[:, 1] <= north)
    parts: list[Floats] = []
    for name, low, at in (stretches[k] for k in np.flatnonzero(near).tolist()):
        if (name, round(low, 3)) not in own:
            parts.append(out.view.page(at))
    if not parts:
        return []
    out.kinds["neighbour"] = None
    field_.lines(parts, 4.0, reach=2)
    return [Polyline(tuple(_tuples(p) for p in parts), 2.2, "#9a9a9a", dash=(6.0, 2.0), round_cap=False)]


def _own_lines(ctx: SheetContext, view: SectionView, out: MapDrawing, field_: LabelField) -> list[Mark]:
    mains = [out.view.page(piece.xyz_m) for piece in view.pieces]
    laterals = [out.view.page(lateral.xyz_m) for lateral in view.laterals]
    field_.lines(mains, 24.0, reach=2)
    field_.lines(laterals, 5.0, reach=1)
    marks: list[Mark] = [
        Polyline(tuple(_tuples(line) for line in laterals), LATERAL_PT, symbols.LATERAL),
    ] if laterals else []
    for line in laterals:
        marks += symbols.arrow_on(_tuples(line[::-1]), 1.0 - _arrow_share(line), 5.0, symbols.LATERAL)
    for piece in view.pieces:
        dry = map_dry_line(ctx, piece, out.view, field_)
        if dry:
            out.kinds["dry"] = None
        marks += dry
    casing = tuple(_tuples(line) for line in mains)
    marks += [Polyline(casing, MAINLINE_PT + 2.2, WHITE), Polyline(casing, MAINLINE_PT, symbols.MAINLINE)]
    for line in mains:
        for (ax, ay), (bx, by) in list(pairwise(line.tolist()))[1::4]:
            # in the middle of a span, clear of the supports' symbols
            marks.append(symbols.arrow((ax + bx) / 2.0, (ay + by) / 2.0, ax - bx, ay - by, 10.0, symbols.MAINLINE))
    return marks


def _arrow_share(line: Floats) -> float:
    """Return where the flow arrow of a lateral sits, counted from its entry: on its first piece."""
    pieces = np.hypot(*np.diff(line, axis=0).T)
    return float(0.5 * pieces[0] / pieces.sum()) if pieces.sum() > 0.0 else 0.5


def _other_trees(ctx: SheetContext, view: SectionView, out: MapDrawing) -> list[Mark]:
    """Return trees that no lateral of this section serves: the crew must not tie them in by mistake."""
    trees, plan = ctx.plan.trees, ctx.plan
    west, south, east, north = out.view.window_m()
    near = (trees.x_m > west) & (trees.x_m < east) & (trees.y_m > south) & (trees.y_m < north)
    own = np.zeros(len(trees), dtype=np.bool_)
    own[list(view.tree)] = True
    index = np.flatnonzero(near & ~own)
    marks: list[Mark] = []
    at = out.view.page(np.column_stack((trees.x_m[index], trees.y_m[index])))
    for t, (x, y) in zip(index.tolist(), at.tolist(), strict=True):
        if plan.trees.status[t] == "not_tapped":
            marks += symbols.not_tapped(x, y)
        elif plan.trees.status[t] == "set_aside":
            marks += symbols.set_aside(x, y)
        else:
            marks += symbols.other_tree(x, y)
    if marks:
        out.kinds["untapped"] = None
    return marks


def _tree_marks(ctx: SheetContext, view: SectionView, out: MapDrawing, field_: LabelField) -> list[Mark]:
    trees = ctx.plan.trees
    own = list(view.tree)
    at = out.view.page(np.column_stack((trees.x_m[own], trees.y_m[own]))).tolist()
    marks: list[Mark] = []
    for taps, (x, y) in zip(trees.taps[own].tolist(), at, strict=True):
        marks += symbols.tapped_tree(x, y, taps)
        field_.block_disc(x, y, symbols.tree_radius(taps) + 0.4)
    return marks


def _line_marks(
    ctx: SheetContext, view: SectionView, out: MapDrawing, field_: LabelField, *, supports: bool
) -> list[Mark]:
    """Return ticks, match lines, crossings and joins along the mainlines, and all supports or the anchors alone."""
    marks: list[Mark] = []
    for piece in view.pieces:
        marks.extend(
            symbols.station_tick(*place(piece, station, out.view), *direction(piece, station, out.view))
            for station in full_stations(ctx, piece)
        )
        for station, other in ((piece.low_m, piece.below), (piece.high_m, piece.above)):
            if other:
                marks.append(symbols.match_line(*place(piece, station, out.view),
                                                *direction(piece, station, out.view)))
                out.kinds["match"] = None
    for crossing in view.crossings:
        marks += _crossing_marks(view, crossing.line_id, crossing.station_m, crossing.x_m, crossing.y_m, out, field_)
    for lateral in view.laterals:
        x, y = out.view.point(float(lateral.xyz_m[0, 0]), float(lateral.xyz_m[0, 1]))
        marks.append(Circle(x, y, 1.9, width=0.0, fill=BLACK))
        field_.block_disc(x, y, 2.0)
    for piece in view.pieces:
        for support in piece.supports:
            if not supports and support.kind != "anchor":
                continue
            x, y = out.view.point(support.x_m, support.y_m)
            ladder = is_ladder(ctx, support)
            marks += symbols.support(x, y, support.kind, ladder=ladder)
            field_.block_disc(x, y, 3.9)
            if ladder:
                field_.block(Rect(x - 2.6, y + 3.5, x + 2.6, y + 12.0))
                out.kinds["ladder"] = None
            out.kinds[support.kind] = None
    return marks


def _pair_marks(ctx: SheetContext, view: SectionView, out: MapDrawing, field_: LabelField) -> list[Mark]:
    """Return where wet and dry line of a pair are joined."""
    marks: list[Mark] = []
    for piece in view.pieces:
        joints, kinds = map_joints(ctx, piece, out.view, field_)
        marks += joints
        out.kinds.update(dict.fromkeys(kinds))
    return marks


def _crossing_marks(
    view: SectionView, line_id: str, station_m: float, x_m: float, y_m: float, out: MapDrawing, field_: LabelField
) -> list[Mark]:
    x, y = out.view.point(x_m, y_m)
    dx, dy = 1.0, 0.0
    for piece in view.pieces:
        if piece.line.mainline_id == line_id:
            dx, dy = direction(piece, station_m, out.view)
    field_.block_disc(x, y, 5.2)
    out.kinds["crossing"] = None
    return symbols.crossing(x, y, dx, dy)


def _places(ctx: SheetContext, out: MapDrawing, field_: LabelField) -> list[Mark]:
    marks: list[Mark] = []
    spots = [("collection", (c.x_m, c.y_m)) for c in ctx.plan.collections]
    meet = meeting_point(ctx)
    if meet is not None:
        spots.append(("meet", meet))
    for kind, at in spots:
        x, y = out.view.point(*at)
        r = out.view.rect
        if r.x0 < x < r.x1 and r.y0 < y < r.y1:
            marks += symbols.meeting(x, y) if kind == "meet" else symbols.collection(x, y)
            field_.block(Rect(x - 6.5, y - 6.5, x + 6.5, y + 6.5))
            out.kinds[kind] = None
    return marks


def _hazard_labels(ctx: SheetContext, view: SectionView, out: MapDrawing) -> list[Label]:
    """Return a label for each standing dead tree that the cautions of this section name; "near" for the nearest."""
    trees = ctx.plan.trees
    reach_m = dead_reach_m(ctx.plan.settings)
    lines = [piece.xyz_m[:, :2] for piece in view.pieces] + [lateral.xyz_m[:, :2] for lateral in view.laterals]
    ends = np.concatenate(lines)
    low, high = ends.min(axis=0) - reach_m - 1.0, ends.max(axis=0) + reach_m + 1.0
    dead = dead_rows(trees)
    spots = np.column_stack((trees.x_m[dead], trees.y_m[dead]))
    within = ((spots >= low) & (spots <= high)).all(axis=1)
    dead, spots = dead[within], spots[within]
    work = shapely.multilinestrings([shapely.linestrings(line) for line in lines])
    away = shapely.distance(shapely.points(spots), work)
    named = away <= reach_m
    at = out.view.page(spots[named]).tolist()
    return [
        Label(x, y, ctx.w("map.hazard_dead", number=k, tree=trees.tree_id[t]), 7.6, bold=True, clear=8.0, style="box",
              kind="hazard", tag="hazard near" if off <= HAZARD_NEAR_M else "hazard")
        for k, (t, off, (x, y)) in enumerate(zip(dead[named].tolist(), away[named].tolist(), at, strict=True), start=1)
    ]


def _hazard_marks(ctx: SheetContext, out: MapDrawing, labels: list[Label], field_: LabelField) -> list[Mark]:
    spots = [label for label in labels if label.kind == "hazard"]
    marks: list[Mark] = []
    if spots:
        out.kinds["hazard"] = None
    beside = [label for label in spots if label.tag == "hazard near"]
    if 0 < len(beside) <= _MOST_CIRCLES:
        reach = max(2.0 * ctx.plan.settings.sheets.tree_height_m, MIN_KEEPOUT_M) * out.view.pt_per_m
        marks += [Circle(s.x, s.y, reach, width=0.9, dash=(1.0, 4.0)) for s in beside]
        out.kinds["keep_out"] = None
    for spot in spots:
        marks += symbols.hazard(spot.x, spot.y)
        field_.block(Rect(spot.x - 7.0, spot.y - 6.0, spot.x + 7.0, spot.y + 7.0))
    return marks
