"""From plan metres to points on paper: true north up, at an engineer's scale."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from pipeline.frame import Frame
from pipeline.sheets.geo import convergence_deg, corners_lonlat
from pipeline.sheets.marks import GeoBox, Point, Rect
from pipeline.units import FT_M, IN_M

Floats = npt.NDArray[np.float64]

# scales that engineers' rulers have: feet to an inch, and denominators for metric paper
FEET_PER_INCH = (20, 30, 40, 50, 60, 80, 100, 120, 150, 200, 250, 300, 400, 500, 600, 800, 1000, 1500, 2000, 3000)
METRIC_RATIOS = (250, 400, 500, 600, 750, 1000, 1250, 1500, 2000, 2500, 3000, 4000, 5000, 7500, 10000, 15000, 20000,
                 25000, 40000)
POINT_M = IN_M / 72.0


@dataclass(frozen=True, slots=True)
class MapView:
    """A window on the ground: where it lies on paper and how it is turned and scaled.

    Parameters
    ----------
    rect : Rect
        The map's frame on the page, points.
    x_m, y_m : float
        Plan coordinates of the middle of the frame.
    ratio : int
        Denominator of the scale.
    turn_deg : float
        Meridian convergence: grid north stands this much clockwise of straight up.
    """

    rect: Rect
    x_m: float
    y_m: float
    ratio: float
    turn_deg: float

    @property
    def pt_per_m(self) -> float:
        """Points on paper for a metre on the ground."""
        return 1.0 / (self.ratio * POINT_M)

    def page(self, xy_m: Floats) -> Floats:
        """Return page coordinates of plan coordinates, shape (n, 2)."""
        cos, sin = math.cos(math.radians(self.turn_deg)), math.sin(math.radians(self.turn_deg))
        d = (np.asarray(xy_m, dtype=np.float64)[:, :2] - (self.x_m, self.y_m)) * self.pt_per_m
        cx, cy = self.rect.center
        return np.column_stack((cx + d[:, 0] * cos + d[:, 1] * sin, cy - d[:, 0] * sin + d[:, 1] * cos))

    def point(self, x_m: float, y_m: float) -> Point:
        """Return the page coordinates of one plan point."""
        (px, py), = self.page(np.array([(x_m, y_m)]))
        return float(px), float(py)

    def plan(self, xy_pt: Floats) -> Floats:
        """Return plan coordinates of page coordinates, shape (n, 2)."""
        cos, sin = math.cos(math.radians(self.turn_deg)), math.sin(math.radians(self.turn_deg))
        d = (np.asarray(xy_pt, dtype=np.float64) - self.rect.center) / self.pt_per_m
        return np.column_stack((self.x_m + d[:, 0] * cos - d[:, 1] * sin, self.y_m + d[:, 0] * sin + d[:, 1] * cos))

    def corners_m(self) -> Floats:
        """Return plan coordinates of the frame's upper left, lower left, lower right, upper right corner."""
        r = self.rect
        return self.plan(np.array([(r.x0, r.y1), (r.x0, r.y0), (r.x1, r.y0), (r.x1, r.y1)]))

    def window_m(self) -> tuple[float, float, float, float]:
        """Return west, south, east, north of the plan window that covers the frame."""
        corners = self.corners_m()
        west, south = corners.min(axis=0)
        east, north = corners.max(axis=0)
        return float(west), float(south), float(east), float(north)

    def shape(self, shape_m: BaseGeometry, grow_pt: float = 0.0) -> BaseGeometry:
        """Return a plan shape on the page, cut to the frame (grown by `grow_pt`)."""
        r = self.rect.inset(-grow_pt)
        return shapely.clip_by_rect(shapely.transform(shapely.force_2d(shape_m), self.page), r.x0, r.y0, r.x1, r.y1)

    def geo_box(self, frame: Frame, name: str) -> tuple[GeoBox, ...]:
        """Return the frame with the places of its corners; nothing for a local grid."""
        if not frame.on_earth:
            return ()
        upper_left, lower_left, lower_right, upper_right = corners_lonlat(
            frame, [(float(x), float(y)) for x, y in self.corners_m()]
        )
        return (GeoBox(self.rect, (upper_left, lower_left, lower_right, upper_right), name),)


def ratios(*, us: bool) -> tuple[float, ...]:
    """Return the denominators of the scales in use, largest scale first."""
    return tuple(round(feet * FT_M / IN_M, 6) for feet in FEET_PER_INCH) if us else METRIC_RATIOS


def fit_view(
    frame: Frame, points_m: Floats, rect: Rect, *, us: bool, margin_pt: float, least_ratio: float = 0.0
) -> MapView:
    """Return the view at the largest scale of the series that shows all points with a margin for labels.

    Raises
    ------
    ValueError
        When even the smallest scale of the series cannot show them.
    """
    xy = np.asarray(points_m, dtype=np.float64)[:, :2]
    middle = (xy.min(axis=0) + xy.max(axis=0)) / 2.0
    turn = convergence_deg(frame, float(middle[0]), float(middle[1]))
    room = rect.inset(margin_pt)
    for ratio in ratios(us=us):
        if ratio < least_ratio:
            continue
        view = MapView(rect, float(middle[0]), float(middle[1]), ratio, turn)
        at = view.page(xy)
        low, high = at.min(axis=0), at.max(axis=0)
        if high[0] - low[0] <= room.width and high[1] - low[1] <= room.height:
            center = view.plan(((low + high) / 2.0)[np.newaxis, :])[0]
            return MapView(rect, float(center[0]), float(center[1]), ratio, turn)
    raise ValueError("the plan is too large for the smallest scale of the series")


def tiles(view: MapView, points_m: Floats, ratio: float, rect: Rect, overlap_pt: float) -> list[MapView]:
    """Return views at a larger scale that together show all points; empty tiles are left out."""
    turned = MapView(rect, view.x_m, view.y_m, ratio, view.turn_deg)
    at = turned.page(np.asarray(points_m, dtype=np.float64))
    low, high = at.min(axis=0), at.max(axis=0)
    step = np.array([rect.width - overlap_pt, rect.height - overlap_pt])
    count = np.maximum(1, np.ceil((high - low) / step)).astype(int)
    start = (low + high) / 2.0 - (count - 1) * step / 2.0
    out = []
    for row in range(count[1] - 1, -1, -1):
        for col in range(count[0]):
            middle = start + step * (col, row)
            inside = (np.abs(at - middle) <= step / 2.0 + 1e-6).all(axis=1)
            if inside.any():
                # around its own points, so that the paper is not spent on empty woods
                own = at[inside]
                center = (own.min(axis=0) + own.max(axis=0)) / 2.0
                x, y = turned.plan(center[np.newaxis, :])[0]
                out.append(MapView(rect, float(x), float(y), ratio, view.turn_deg))
    return out
