"""Contours for maps: smoothed for the eye, clipped to a window. Never used for planning."""

from __future__ import annotations

import math
from dataclasses import dataclass

import contourpy
import numpy as np
import shapely
from scipy.ndimage import gaussian_filter

from pipeline.terrain.grid import Floats, Grid, Terrain

Window = tuple[float, float, float, float]

# Every so many contours one is drawn heavier and labelled.
INDEX_EVERY = 5
# A vertex that moves a contour by less than this share of a cell is left out.
_SIMPLIFY_CELLS = 0.08


@dataclass(frozen=True, slots=True, eq=False)
class Contour:
    """One piece of a contour.

    Parameters
    ----------
    z_m : float
        Elevation.
    index : bool
        Whether it is one of those drawn heavier.
    xy_m : float array, shape (n, 2)
        Vertices in the plan's frame; higher ground on the left. First equals last when closed.
    """

    z_m: float
    index: bool
    xy_m: Floats

    @property
    def closed(self) -> bool:
        """Whether it runs back into itself."""
        return bool(np.array_equal(self.xy_m[0], self.xy_m[-1]))


def smoothed(z_m: Grid, sigma_cells: float) -> Grid:
    """Return a Gaussian-smoothed copy of an elevation grid; cells without ground stay so and lend no weight."""
    if sigma_cells <= 0.0 or z_m.size == 0:
        return z_m.copy()
    known = np.isfinite(z_m)
    base = np.float32(np.mean(z_m[known])) if known.any() else np.float32(0.0)
    weight = gaussian_filter(known.astype(np.float32), sigma_cells, mode="nearest")
    total = gaussian_filter(np.where(known, z_m - base, np.float32(0.0)), sigma_cells, mode="nearest")
    return np.where(known, total / np.maximum(weight, np.float32(1e-6)) + base, np.float32(np.nan))


def contours(
    terrain: Terrain, *, interval_m: float, window: Window | None = None, smooth_m: float = 2.0,
    index_every: int = INDEX_EVERY, least_length_m: float = 0.0,
) -> tuple[Contour, ...]:
    """Return the contours of a window of the terrain, at multiples of the interval above the datum.

    Parameters
    ----------
    terrain : Terrain
        Not modified.
    interval_m : float
        Elevation from one contour to the next, above 0; pass feet times 0.3048 for contours in feet.
    window : (west, south, east, north), optional
        In the plan's frame; the whole terrain when left out.
    smooth_m : float
        Standard deviation of the display smoothing; 0 draws the raster as it is.
    index_every : int
        A contour whose multiple is divisible by this is an index contour.
    least_length_m : float
        Shorter pieces (specks of micro-relief) are left out.

    Returns
    -------
    tuple of Contour
        By elevation, then from west to south of their first vertex; the same input gives the same pieces.

    Raises
    ------
    ValueError
        When the interval is not above 0.
    """
    if not interval_m > 0.0:
        raise ValueError(f"the contour interval must be above 0, not {interval_m} m")
    edge = window or terrain.bounds
    z, x, y = _cut(terrain, edge, smooth_m)
    if min(z.shape) < 2 or not np.isfinite(z).any():
        return ()
    drawn = contourpy.contour_generator(x, y, np.ma.masked_invalid(z.astype(np.float64)))
    first = math.ceil(float(np.nanmin(z)) / interval_m)
    last = math.floor(float(np.nanmax(z)) / interval_m)
    found: list[Contour] = []
    for k in range(first, last + 1):
        pieces = [piece for line in drawn.lines(k * interval_m)
                  for piece in _clipped(np.asarray(line, dtype=np.float64), edge, terrain.cell_m)]
        pieces = [p for p in pieces if np.hypot(*np.diff(p, axis=0).T).sum() >= max(least_length_m, 1e-9)]
        pieces.sort(key=lambda p: (p[0, 0], p[0, 1], len(p)))
        found += [Contour(k * interval_m, k % index_every == 0, piece) for piece in pieces]
    return tuple(found)


def _cut(terrain: Terrain, edge: Window, smooth_m: float) -> tuple[Grid, Floats, Floats]:
    """Return smoothed elevations of a window with a margin, and the coordinates of its columns and rows."""
    rows, cols = terrain.shape
    margin = math.ceil(4.0 * smooth_m / terrain.cell_m) + 1
    (top, bottom), (left, right) = terrain.rowcol([edge[0], edge[2]], [edge[3], edge[1]])
    r0, r1 = max(math.floor(top) - margin, 0), min(math.ceil(bottom) + margin + 1, rows)
    c0, c1 = max(math.floor(left) - margin, 0), min(math.ceil(right) + margin + 1, cols)
    z = smoothed(terrain.z_m[r0:max(r1, r0), c0:max(c1, c0)], smooth_m / terrain.cell_m)
    x, _ = terrain.xy(np.zeros(z.shape[1]), c0 + np.arange(z.shape[1]))
    _, y = terrain.xy(r0 + np.arange(z.shape[0]), np.zeros(z.shape[0]))
    # rows run north to south, contourpy wants rising y
    return z[::-1], x, y[::-1]


def _clipped(line: Floats, edge: Window, cell_m: float) -> list[Floats]:
    """Return the pieces of a line inside a window, with needless vertices left out."""
    if len(line) < 2:
        return []
    shape = shapely.LineString(line).simplify(_SIMPLIFY_CELLS * cell_m, preserve_topology=False)
    west, south, east, north = edge
    inside = line[:, 0].min() >= west and line[:, 0].max() <= east
    inside = inside and line[:, 1].min() >= south and line[:, 1].max() <= north
    if not inside:
        shape = shapely.clip_by_rect(shape, west, south, east, north)
        if shape.geom_type == "MultiLineString":
            shape = shapely.line_merge(shape, directed=True)
    return [np.asarray(part.coords, dtype=np.float64) for part in shapely.get_parts(shape)
            if part.geom_type == "LineString" and not part.is_empty]
