"""What lies on the ground, drawn so that each kind has its own line or hatch even in grey."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from pipeline.records import GroundLayer
from pipeline.sheets.labels import Label
from pipeline.sheets.mapview import MapView
from pipeline.sheets.marks import BLACK, WHITE, Mark, Point, Polygon, Polyline
from pipeline.sheets.symbols import WATER, arrow_on
from pipeline.terrain.grid import Terrain

Floats = npt.NDArray[np.float64]
# drawn in this order: areas first, what matters most last
ORDER = ("water", "wet", "no_go", "stream", "trail", "road", "property", "power_line")
_PROPERTY_DASH = (14.0, 3.0, 1.6, 3.0, 1.6, 3.0)
_STREAM_DASH = (9.0, 2.2, 1.6, 2.2)
_HATCH_PT = 4.6


@dataclass(slots=True)
class GroundDrawing:
    """Marks of the ground layers, their lines for the label raster, and the names that want room."""

    marks: list[Mark] = field(default_factory=list)
    lines: list[Floats] = field(default_factory=list)
    names: list[Label] = field(default_factory=list)
    kinds: list[str] = field(default_factory=list)


def _rings(shape: BaseGeometry) -> tuple[tuple[Point, ...], ...]:
    rings: list[tuple[Point, ...]] = []
    for part in shapely.get_parts(shape):
        if part.geom_type == "Polygon" and not part.is_empty:
            rings.extend(
                tuple((round(x, 1), round(y, 1)) for x, y in ring.coords) for ring in (part.exterior, *part.interiors)
            )
    return tuple(rings)


def _paths(shape: BaseGeometry) -> list[Floats]:
    """Return the lines of a shape; of areas their edges."""
    out: list[Floats] = []
    for part in shapely.get_parts(shape):
        edge = part.boundary if part.geom_type == "Polygon" else part
        out.extend(
            shapely.get_coordinates(line) for line in shapely.get_parts(edge)
            if line.geom_type in ("LineString", "LinearRing") and line.length > 0.0
        )
    return out


def _tuples(line: Floats) -> tuple[Point, ...]:
    return tuple((round(float(x), 1), round(float(y), 1)) for x, y in line)


def hatch(shape: BaseGeometry, angle_deg: float, gap_pt: float = _HATCH_PT) -> tuple[tuple[Point, ...], ...]:
    """Return parallel lines inside a page shape."""
    if shape.is_empty:
        return ()
    x0, y0, x1, y1 = shape.bounds
    cx, cy, reach = (x0 + x1) / 2.0, (y0 + y1) / 2.0, math.hypot(x1 - x0, y1 - y0) / 2.0 + 1.0
    c, s = math.cos(math.radians(angle_deg)), math.sin(math.radians(angle_deg))
    offsets = np.arange(-reach, reach, gap_pt)
    ends = np.array([
        [(cx - s * o - c * reach, cy + c * o - s * reach), (cx - s * o + c * reach, cy + c * o + s * reach)]
        for o in offsets
    ])
    cut = shapely.get_parts(shapely.intersection(shapely.linestrings(ends), shape))
    return tuple(
        _tuples(shapely.get_coordinates(line)) for line in cut if line.geom_type == "LineString" and line.length
    )


def _area(
    out: GroundDrawing, shape: BaseGeometry, angle_deg: float, color: str, dash: tuple[float, ...], width: float
) -> None:
    rings = _rings(shape)
    if rings:
        lines = hatch(shape, angle_deg)
        if lines:
            out.marks.append(Polyline(lines, 0.45, color))
        out.marks.append(Polygon(rings, width=width, color=color, dash=dash))


def _stream(out: GroundDrawing, paths: Sequence[Floats]) -> None:
    for path in paths:
        line = _tuples(path)
        out.marks.append(Polyline((line,), 1.1, WATER, dash=_STREAM_DASH, round_cap=False))
        for share in (0.25, 0.75):
            out.marks.extend(arrow_on(line, share, 6.0, WATER))


def _trail(out: GroundDrawing, paths: Sequence[Floats]) -> None:
    out.marks.extend(Polyline((_tuples(p),), 1.3, "#2b2b2b", dash=(1.3, 2.6), round_cap=False) for p in paths)


def _road(out: GroundDrawing, paths: Sequence[Floats]) -> None:
    for path in paths:
        line = (_tuples(path),)
        out.marks += [Polyline(line, 5.0, BLACK), Polyline(line, 3.8, WHITE),
                      Polyline(line, 0.5, BLACK, dash=(4.0, 2.5), round_cap=False)]


def _property(out: GroundDrawing, paths: Sequence[Floats]) -> None:
    out.marks.extend(Polyline((_tuples(p),), 1.6, BLACK, dash=_PROPERTY_DASH, round_cap=False) for p in paths)


def _power_line(out: GroundDrawing, paths: Sequence[Floats]) -> None:
    for path in paths:
        out.marks.append(Polyline((_tuples(path),), 1.1))
        out.marks.extend(_bolts(path))


def _bolts(path: Floats, apart_pt: float = 34.0) -> list[Mark]:
    """Return zigzags across a power line at even distances."""
    length = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(path, axis=0).T))))
    marks: list[Mark] = []
    for at in np.arange(apart_pt / 2.0, length[-1], apart_pt):
        x, y = float(np.interp(at, length, path[:, 0])), float(np.interp(at, length, path[:, 1]))
        marks.append(Polyline((((x + 1.5, y + 6.0), (x - 2.2, y - 0.6), (x + 2.2, y + 0.6), (x - 1.5, y - 6.0)),), 1.4))
    return marks


_LINES: dict[str, Callable[[GroundDrawing, Sequence[Floats]], None]] = {
    "stream": _stream, "trail": _trail, "road": _road, "property": _property, "power_line": _power_line,
}
# hatch angle, colour, edge dash, edge width
_AREAS: dict[str, tuple[float, str, tuple[float, ...], float]] = {
    "wet": (0.0, WATER, (2.2, 1.6), 0.8), "water": (90.0, WATER, (), 0.8), "no_go": (45.0, "#3a3a3a", (), 1.5),
}


def _draw(out: GroundDrawing, kind: str, shape: BaseGeometry, paths: Sequence[Floats]) -> None:
    if kind in _AREAS:
        _area(out, shape, *_AREAS[kind])
    else:
        _LINES[kind](out, paths)


def _downhill(path: Floats, view: MapView, terrain: Terrain) -> Floats:
    """Return a page line turned so that it runs downhill."""
    ends = view.plan(path[[0, -1]])
    z = terrain.sample(ends[:, 0], ends[:, 1])
    return path[::-1] if np.isfinite(z).all() and z[0] < z[1] else path


def draw_ground(layers: Iterable[GroundLayer], view: MapView, terrain: Terrain) -> GroundDrawing:
    """Return the ground layers of a view, cut to its frame."""
    out = GroundDrawing()
    by_kind: dict[str, list[GroundLayer]] = {}
    for layer in layers:
        by_kind.setdefault(layer.kind, []).append(layer)
    window = shapely.box(*view.window_m())
    shapely.prepare(window)
    for kind in ORDER:
        for layer in by_kind.get(kind, []):
            seen = shapely.intersects(window, np.array(layer.shapes, dtype=object)).tolist()
            for shape, name, shown in zip(layer.shapes, layer.names, seen, strict=True):
                if shown:
                    _one(out, kind, shape, name, layer.rule.buffer_m, view, terrain)
    return out


def _one(
    out: GroundDrawing, kind: str, shape_m: BaseGeometry, name: str, buffer_m: float, view: MapView, terrain: Terrain
) -> None:
    # the frame's own edge must not be drawn as the edge of an area: cut beyond it and clip when drawing
    shape = view.shape(shape_m, grow_pt=8.0)
    if view.shape(shape_m).is_empty:
        return
    paths = [np.asarray(shapely.get_coordinates(shapely.simplify(shapely.linestrings(p), 0.2))) for p in _paths(shape)]
    if kind == "property":
        paths = [p for part in _paths(shapely.force_2d(shape_m)) for p in _clipped(view.page(part), view)]
        if not paths:
            return
    if kind == "stream":
        paths = [_downhill(p, view, terrain) for p in paths]
    _draw(out, kind, shape, paths)
    if kind == "power_line" and buffer_m > 0.0:
        edge = view.shape(shape_m.buffer(buffer_m), grow_pt=8.0)
        out.marks.extend(Polyline((_tuples(p),), 0.8, dash=(1.0, 3.0), round_cap=False) for p in _paths(edge))
    out.lines.extend(paths)
    if kind not in out.kinds:
        out.kinds.append(kind)
    if name and paths:
        out.names.append(_name(paths, name, view))


def _clipped(line: Floats, view: MapView) -> list[Floats]:
    r = view.rect
    parts = shapely.get_parts(shapely.clip_by_rect(shapely.linestrings(line), r.x0, r.y0, r.x1, r.y1))
    return [shapely.get_coordinates(p) for p in parts if p.geom_type == "LineString" and p.length > 0.0]


def _name(paths: Sequence[Floats], name: str, view: MapView) -> Label:
    longest = max(paths, key=lambda p: float(np.hypot(*np.diff(p, axis=0).T).sum()))
    length = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(longest, axis=0).T))))
    inside = view.rect.inset(20.0)
    for share in (0.5, 0.3, 0.7, 0.15, 0.85):
        x, y = (float(np.interp(share * length[-1], length, longest[:, i])) for i in (0, 1))
        if inside.x0 < x < inside.x1 and inside.y0 < y < inside.y1:
            break
    return Label(x, y, name, 7.4, clear=4.5, kind="name", tag="name", rings=4)


def key_sample(kind: str, x: float, y: float, width: float) -> list[Mark]:
    """Return a short sample of a layer's drawing for the key, centred on ``y``."""
    out = GroundDrawing()
    if kind in ("wet", "water", "no_go"):
        shape = shapely.box(x, y - 4.5, x + width, y + 4.5)
        _draw(out, kind, shape, _paths(shape))
    else:
        path = np.array([(x, y), (x + width, y)])
        _draw(out, kind, shapely.linestrings(path), [path])
        if kind == "stream":
            out.marks = [out.marks[0], *arrow_on(_tuples(path), 0.6, 6.0, WATER)]
    return out.marks


