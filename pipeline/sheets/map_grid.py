"""The grid of a map: crosses at round metres of the US National Grid, named along the frame."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
import pyproj

from pipeline.frame import Frame
from pipeline.sheets.geo import usng, utm_zone
from pipeline.sheets.mapview import MapView
from pipeline.sheets.marks import Line, Mark, Point, Polyline, Rect, Text
from pipeline.sheets.text import width_pt

Floats = npt.NDArray[np.float64]

_STEPS_M = (10, 20, 50, 100, 200, 500, 1000, 2000, 5000)
_LEAST_PT = 90.0  # distance of grid lines on paper
_SIZE = 7.0


@dataclass(frozen=True, slots=True)
class Grid:
    """Crosses and frame labels of a map's grid; ``name`` goes into the key."""

    step_m: int
    name: str
    crosses: tuple[Mark, ...]
    cross_points: tuple[Point, ...]
    labels: tuple[Mark, ...]
    label_boxes: tuple[Rect, ...]


@dataclass(frozen=True, slots=True)
class _Net:
    """A grid and its way to the plan; the identity for a local grid."""

    frame: Frame
    to_lonlat: pyproj.Transformer | None

    def to_plan(self, x: Floats, y: Floats) -> Floats:
        if self.to_lonlat is None:
            return np.column_stack((x, y))
        lon, lat = self.to_lonlat.transform(x, y)
        return np.column_stack(self.frame.from_lonlat(lon, lat))

    def from_plan(self, xy_m: Floats) -> Floats:
        if self.to_lonlat is None:
            return xy_m
        lon, lat = self.frame.lonlat(xy_m[:, 0], xy_m[:, 1])
        return np.column_stack(self.to_lonlat.transform(lon, lat, direction="INVERSE"))


def _net(frame: Frame, view: MapView) -> tuple[_Net, str]:
    if not frame.on_earth:
        return _Net(frame, None), ""
    lon, lat = (float(v) for v in frame.lonlat(view.x_m, view.y_m))
    epsg = (32600 if lat >= 0.0 else 32700) + utm_zone(lon, lat)
    place = usng(lon, lat)
    return _Net(frame, _lonlat_of(epsg)), f"USNG {place.zone} {place.square}"


@cache
def _lonlat_of(epsg: int) -> pyproj.Transformer:
    return pyproj.Transformer.from_crs(f"EPSG:{epsg}", "EPSG:4326", always_xy=True)


def grid(frame: Frame, view: MapView) -> Grid:
    """Return the grid of a view. Grid lines lean against true north by the convergence, as they must."""
    net, name = _net(frame, view)
    step = next((s for s in _STEPS_M if s * view.pt_per_m >= _LEAST_PT), _STEPS_M[-1])
    corners = net.from_plan(view.corners_m())
    low, high = corners.min(axis=0), corners.max(axis=0)
    xs = np.arange(np.ceil(low[0] / step), np.floor(high[0] / step) + 1) * step
    ys = np.arange(np.ceil(low[1] / step), np.floor(high[1] / step) + 1) * step
    labels, boxes = _labels(net, view, xs, ys, low, high)
    crosses, points = _crosses(net, view, xs, ys, boxes)
    return Grid(step, name, crosses, points, labels, boxes)


def _crosses(
    net: _Net, view: MapView, xs: Floats, ys: Floats, boxes: tuple[Rect, ...]
) -> tuple[tuple[Mark, ...], tuple[Point, ...]]:
    if not len(xs) or not len(ys):
        return (), ()
    gx, gy = (a.ravel() for a in np.meshgrid(xs, ys))
    at = view.page(net.to_plan(gx, gy))
    east = view.page(net.to_plan(gx + 1.0, gy)) - at
    inside = view.rect.inset(7.0)
    parts: list[tuple[Point, ...]] = []
    points: list[Point] = []
    for (x, y), (ux, uy) in zip(at.tolist(), (east / np.hypot(*east.T)[:, np.newaxis] * 5.0).tolist(), strict=True):
        here = Rect(x - 5.0, y - 5.0, x + 5.0, y + 5.0)
        if inside.holds(here) and not any(here.overlaps(box) for box in boxes):
            parts += [((x - ux, y - uy), (x + ux, y + uy)), ((x + uy, y - ux), (x - uy, y + ux))]
            points.append((x, y))
    return ((Polyline(tuple(parts), 0.5, "#4a4a4a"),) if parts else ()), tuple(points)


def _edge(net: _Net, view: MapView, fixed: float, ends: tuple[float, float], *, upright: bool) -> Floats:
    along = np.linspace(*ends, 5)
    still = np.full(5, fixed)
    return view.page(net.to_plan(still, along) if upright else net.to_plan(along, still))


def _labels(
    net: _Net, view: MapView, xs: Floats, ys: Floats, low: Floats, high: Floats
) -> tuple[tuple[Mark, ...], tuple[Rect, ...]]:
    """Return ticks and figures where grid lines meet the frame, kept out of its corners."""
    r = view.rect
    marks: list[Mark] = []
    boxes: list[Rect] = []
    for x in xs:
        line = _edge(net, view, float(x), (float(low[1]), float(high[1])), upright=True)
        text = f"{round(x) % 100_000:05d}E"
        half = width_pt(text, _SIZE) / 2.0 + 1.0
        for y, way in ((r.y1, -1.0), (r.y0, 1.0)):
            at = float(np.interp(y, line[:, 1], line[:, 0]))
            if r.x0 + half + 34.0 < at < r.x1 - half - 34.0:
                marks += [Line(at, y, at, y + way * 4.0, 0.6),
                          Text(at, y + way * 5.5 - (_SIZE * 0.72 if way < 0 else 0.0), text, _SIZE, align="center",
                               halo_pt=1.0, tag="grid")]
                boxes.append(Rect(at - half, min(y, y + way * 13.0), at + half, max(y, y + way * 13.0)))
    for y_m in ys:
        line = _edge(net, view, float(y_m), (float(low[0]), float(high[0])), upright=False)
        text = f"{round(y_m) % 100_000:05d}N"
        wide = width_pt(text, _SIZE) + 1.0
        for x, way in ((r.x0, 1.0), (r.x1, -1.0)):
            at = float(np.interp(x, line[:, 0], line[:, 1]))
            if r.y0 + 18.0 < at < r.y1 - 18.0:
                marks += [Line(x, at, x + way * 4.0, at, 0.6),
                          Text(x + way * 5.5, at - _SIZE * 0.36, text, _SIZE, align="left" if way > 0 else "right",
                               halo_pt=1.0, tag="grid")]
                boxes.append(Rect(min(x, x + way * (wide + 6.0)), at - 4.5, max(x, x + way * (wide + 6.0)), at + 4.5))
    return tuple(marks), tuple(boxes)
