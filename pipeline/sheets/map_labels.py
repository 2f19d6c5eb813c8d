"""What is written on a section map, in the order in which it gets its place."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from pipeline.sheets.context import SheetContext
from pipeline.sheets.labels import Label
from pipeline.sheets.local import words_local
from pipeline.sheets.lookup import line_at
from pipeline.sheets.mapview import MapView
from pipeline.sheets.marks import Point
from pipeline.sheets.section_view import Piece, SectionView, short_id
from pipeline.sheets.symbols import tree_radius
from pipeline.units import FT_M

Floats = npt.NDArray[np.float64]

STATION_STEP_US_M, STATION_STEP_METRIC_M = 100.0 * FT_M, 25.0
# kinds of labels whose loss is told, and those that are told by name while they are few
_REPORTED = ("end", "hazard", "lateral", "support", "crossing", "tag", "station", "name")
_NAMED = ("end", "hazard", "lateral", "support", "crossing")
_MOST_NAMES = 6
SUPPORT_PT, LATERAL_PT, TAG_PT, STATION_PT, BOX_PT = 7.6, 8.2, 7.0, 8.2, 7.8


def station_step_m(ctx: SheetContext) -> float:
    """Return the distance of the ticks along a mainline: 100 feet, or 25 metres."""
    return STATION_STEP_US_M if ctx.units.is_us else STATION_STEP_METRIC_M


def full_stations(ctx: SheetContext, piece: Piece) -> list[float]:
    """Return the full stations inside a piece, its ends left out."""
    step = station_step_m(ctx)
    first = math.floor(piece.low_m / step) + 1
    return [k * step for k in range(first, int(piece.high_m // step) + 1) if piece.high_m - k * step > step * 0.08]


def short_station(ctx: SheetContext, station_m: float) -> str:
    """Return a station without tenths, as it is written on a tick."""
    text = ctx.units.station(station_m)
    return words_local(ctx, text[:-2] if text.endswith(".0") else text)


def direction(piece: Piece, station_m: float, view: MapView) -> Point:
    """Return the page direction of a mainline at a station, uphill."""
    low, high = max(piece.low_m, station_m - 0.5), min(piece.high_m, station_m + 0.5)
    x, y, _ = line_at(piece.line, [low, high])
    (ax, ay), (bx, by) = view.page(np.column_stack((x, y)))
    return float(bx - ax), float(by - ay)


def place(piece: Piece, station_m: float, view: MapView) -> Point:
    """Return the page point of a station."""
    x, y, _ = line_at(piece.line, station_m)
    return view.point(float(x), float(y))


def _inside(view: MapView, x: float, y: float) -> bool:
    r = view.rect
    return r.x0 + 2.0 < x < r.x1 - 2.0 and r.y0 + 2.0 < y < r.y1 - 2.0


def _unit(dx: float, dy: float) -> Point:
    length = math.hypot(dx, dy) or 1.0
    return dx / length, dy / length


def map_labels(
    ctx: SheetContext, view: SectionView, window: MapView, names: Sequence[Label], *, tags: bool
) -> list[Label]:
    """Return the labels of a map, those that must not be lost first.

    Without tags the map shows the lay of the section: laterals, supports and trees have their names on detail maps.
    """
    detailed = (*_lateral_labels(view, window), *_support_labels(view, window)) if tags else ()
    labels = [
        *_end_labels(ctx, view, window), *_place_labels(ctx, window), *detailed,
        *_crossing_labels(ctx, view, window), *_station_labels(ctx, view, window),
        *(_tag_labels(ctx, view, window) if tags else ()), *names,
    ]
    return [label for label in labels if _inside(window, label.x, label.y)]


def _end_labels(ctx: SheetContext, view: SectionView, window: MapView) -> list[Label]:
    """Return START and END boxes, and where the line goes on or ties in."""
    out = []
    for piece in view.pieces:
        for top, station, other in ((False, piece.low_m, piece.below), (True, piece.high_m, piece.above)):
            x, y = place(piece, station, window)
            dx, dy = _unit(*direction(piece, station, window))
            toward = (dx, dy) if top else (-dx, -dy)
            out.append(Label(
                x, y, end_text(ctx, view, piece, top=top), BOX_PT, bold=True, clear=6.0,
                style="box" if other else "black", kind="end", tag=f"end:{piece.line.mainline_id}", toward=toward,
            ))
    return out


def end_text(ctx: SheetContext, view: SectionView, piece: Piece, *, top: bool) -> str:
    """Return what stands in the box at one end of a piece: station, and what is beyond."""
    station = ctx.units.station(piece.high_m if top else piece.low_m)
    other = piece.above if top else piece.below
    name = "" if view.single else f"{piece.line.mainline_id} "
    if not top and not other and piece.low_m <= 1e-3:
        line = piece.line
        if line.parent_id:
            station_on = ctx.units.station(line.join_station_m)
            return f"{name}{ctx.w('map.tie_in', line=line.parent_id, station=station_on)}"
        start = ctx.w("map.start_box", station=station)
        return f"{name}{start} {ctx.w('map.tie_collection', collection=line.collection_id)}"
    text = name + ctx.w("map.end_box" if top else "map.start_box", station=station)
    if not other:
        return text
    return f"{text} {'→' if top else '←'} {ctx.w('map.to_section', section=other)}"


def _place_labels(ctx: SheetContext, window: MapView) -> list[Label]:
    out = []
    meet = meeting_point(ctx)
    if meet is not None:
        x, y = window.point(*meet)
        out.append(Label(x, y, ctx.w("map.meet_box"), BOX_PT, bold=True, clear=7.0, style="black", kind="end",
                         tag="meet"))
    for collection in ctx.plan.collections:
        x, y = window.point(collection.x_m, collection.y_m)
        out.append(Label(x, y, collection.collection_id, BOX_PT, bold=True, clear=7.5, style="black", kind="end",
                         tag="collection"))
    return out


def meeting_point(ctx: SheetContext) -> Point | None:
    """Return the plan coordinates of the meeting point; ``None`` when the bush file has none."""
    sheets = ctx.plan.settings.sheets
    if not ctx.plan.frame.on_earth or math.isnan(sheets.meeting_lon) or math.isnan(sheets.meeting_lat):
        return None
    x, y = ctx.plan.frame.from_lonlat(sheets.meeting_lon, sheets.meeting_lat)
    return float(x), float(y)


def _lateral_labels(view: SectionView, window: MapView) -> list[Label]:
    out = []
    for lateral in view.laterals:
        at = window.page(lateral.xyz_m[-2:, :2])
        (ax, ay), (bx, by) = at.tolist()
        out.append(Label(
            bx, by, short_id(view, lateral.lateral_id), LATERAL_PT, bold=True, clear=5.6, style="box", kind="lateral",
            tag=f"lateral:{lateral.lateral_id}", toward=_unit(bx - ax, by - ay),
        ))
    return out


def _support_labels(view: SectionView, window: MapView) -> list[Label]:
    out = []
    for piece in view.pieces:
        for support in piece.supports:
            x, y = window.point(support.x_m, support.y_m)
            dx, dy = _unit(*direction(piece, support.station_m, window))
            # laterals mostly come from uphill; the lower side is quieter
            side = (dy, -dx) if -dx < 0 else (-dy, dx)
            out.append(Label(
                x, y, support.support_id.rsplit("-", 1)[-1], SUPPORT_PT, bold=True, clear=4.6, kind="support",
                tag=f"support:{support.support_id}", toward=side,
            ))
    return out


def _crossing_labels(ctx: SheetContext, view: SectionView, window: MapView) -> list[Label]:
    out = []
    for crossing in view.crossings:
        x, y = window.point(crossing.x_m, crossing.y_m)
        name = crossing.name or ctx.w(f"common.{crossing.kind}")
        out.append(Label(
            x, y, f"{crossing.crossing_id} {name}", SUPPORT_PT, bold=True, clear=7.0, style="box", kind="crossing",
            tag=f"crossing:{crossing.crossing_id}",
        ))
    return out


def _station_labels(ctx: SheetContext, view: SectionView, window: MapView) -> list[Label]:
    out = []
    for piece in view.pieces:
        for station in full_stations(ctx, piece):
            x, y = place(piece, station, window)
            dx, dy = _unit(*direction(piece, station, window))
            out.append(Label(
                x, y, short_station(ctx, station), STATION_PT, bold=True, clear=6.6, kind="station",
                tag=f"station:{piece.line.mainline_id}", toward=(dy, -dx), rings=5,
            ))
    return out


def _tag_labels(ctx: SheetContext, view: SectionView, window: MapView) -> list[Label]:
    trees = ctx.plan.trees
    own = list(view.tree)
    at = window.page(np.column_stack((trees.x_m[own], trees.y_m[own]))).tolist()
    return [
        Label(float(x), float(y), trees.tree_id[t], TAG_PT, clear=tree_radius(int(trees.taps[t])) + 0.8, kind="tag",
              tag=f"tree:{trees.tree_id[t]}", rings=4)
        for t, (x, y) in zip(view.tree, at, strict=True)
    ]


def _name(label: Label) -> str:
    """Return the full ID of a support or lateral, the text of any other label."""
    return label.tag.partition(":")[2] if label.kind in ("support", "lateral") else label.text


def dropped_text(ctx: SheetContext, dropped: Sequence[Label]) -> str:
    """Return one sentence that says which labels found no room."""
    if not dropped:
        return ctx.w("map.dropped_none")
    parts = []
    for kind in _REPORTED:
        names = [_name(label) for label in dropped if label.kind == kind]
        if names and kind in _NAMED and len(names) <= _MOST_NAMES:
            parts.append(ctx.w(f"map.dropped_{kind}", names=", ".join(names)))
        elif names:
            parts.append(ctx.w(f"map.dropped_{kind}_n", n=len(names)))
    return ctx.w("map.dropped", what=", ".join(parts))
