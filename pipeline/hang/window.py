"""The height window along a line, exact for bilinear ground.

Strategy: a line is cut wherever it crosses the middle or the edge of a terrain
cell. Between two cuts the bilinear ground is a parabola and the window one
constant, so the parabola's control polygon bounds the ground from above and from
below. A straight wire that clears those few points clears the ground *everywhere*,
not only where somebody sampled it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.records import Floats, Ground, Mask
from pipeline.terrain.grid import Terrain

LONGEST_PIECE_M = 0.5  # keeps the control polygon within millimetres of the ground
EDGE_CELLS = 1e-6  # a point this near a cell's edge obeys the cells on both sides


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """Bounds of a line's elevation at control points, in station order.

    Parameters
    ----------
    station_m : float array, shape (n,)
        Control points; where pieces meet there are two of the same station.
    lower_z_m, upper_z_m : float array, shape (n,)
        Lowest and highest legal elevation of the wire, sag allowance included; NaN without ground.
    clearance : bool array, shape (n,)
        Where a crossing asks for more than the usual lowest height.
    """

    station_m: Floats
    lower_z_m: Floats
    upper_z_m: Floats
    clearance: Mask


def near_cells(
    terrain: Terrain, x_m: npt.ArrayLike, y_m: npt.ArrayLike
) -> list[tuple[npt.NDArray[np.intp], npt.NDArray[np.intp]]]:
    """Return row and column of the cell of each point; four variants, which differ on cell edges only."""
    row, col = terrain.rowcol(x_m, y_m)
    rows, cols = terrain.shape
    out = []
    for dr in (-EDGE_CELLS, EDGE_CELLS):
        for dc in (-EDGE_CELLS, EDGE_CELLS):
            r = np.clip(np.floor(row + 0.5 + dr), 0, rows - 1).astype(np.intp)
            c = np.clip(np.floor(col + 0.5 + dc), 0, cols - 1).astype(np.intp)
            out.append((r, c))
    return out


def window_heights(
    terrain: Terrain, ground: Ground, x_m: npt.ArrayLike, y_m: npt.ArrayLike
) -> tuple[Floats, Floats]:
    """Return lowest and highest height above ground at points; on a cell's edge the stricter of both sides."""
    cells = near_cells(terrain, x_m, y_m)
    lowest = np.max([ground.lowest_m[r, c] for r, c in cells], axis=0)
    highest = np.min([ground.highest_m[r, c] for r, c in cells], axis=0)
    return lowest.astype(np.float64), highest.astype(np.float64)


def blocked(terrain: Terrain, ground: Ground, x_m: npt.ArrayLike, y_m: npt.ArrayLike) -> Mask:
    """Return where no support may stand; a point on a cell's edge counts for both cells."""
    hit: Mask = np.any([ground.support_blocked[r, c] for r, c in near_cells(terrain, x_m, y_m)], axis=0)
    return hit


def along(xy_m: Floats, own_station_m: Floats, station_m: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Return x and y at stations of a polyline."""
    s = np.asarray(station_m, dtype=np.float64)
    return np.interp(s, own_station_m, xy_m[:, 0]), np.interp(s, own_station_m, xy_m[:, 1])


def _cuts(terrain: Terrain, xy_m: Floats, station_m: Floats) -> Floats:
    """Return the stations where a polyline must be cut, its vertices included."""
    row, col = terrain.rowcol(xy_m[:, 0], xy_m[:, 1])
    found = [station_m]
    for i in range(len(station_m) - 1):
        s0, s1 = station_m[i], station_m[i + 1]
        for a, b in ((row[i], row[i + 1]), (col[i], col[i + 1])):
            if abs(b - a) < 1e-9:
                continue
            low, high = (a, b) if a < b else (b, a)
            lines = np.arange(np.ceil(low * 2.0), np.floor(high * 2.0) + 1.0) / 2.0
            found.append(s0 + (lines - a) / (b - a) * (s1 - s0))
        found.append(np.linspace(s0, s1, int(np.ceil((s1 - s0) / LONGEST_PIECE_M)) + 1))
    cuts = np.sort(np.clip(np.concatenate(found), station_m[0], station_m[-1]))
    keep = np.concatenate(([True], np.diff(cuts) > 1e-7))
    return np.union1d(cuts[keep], station_m)


def window_along(
    *, terrain: Terrain, ground: Ground, xy_m: Floats, station_m: Floats, sag_m: float, usual_lowest_m: float
) -> Window:
    """Return the window along a polyline.

    Parameters
    ----------
    terrain, ground
        The ground and its window, cell by cell.
    xy_m : float array, shape (n, 2)
        Vertices in station order; every support is one of them.
    station_m : float array, shape (n,)
        Stations of the vertices.
    sag_m : float
        Sag below the straight wire that must clear the lowest height as well.
    usual_lowest_m : float
        Lowest height away from crossings, to tell crossings apart.
    """
    cut = _cuts(terrain, xy_m, station_m)
    s0, s1 = cut[:-1], cut[1:]
    mid = (s0 + s1) / 2.0
    g0, gm, g1 = (terrain.sample(*along(xy_m, station_m, s)) for s in (s0, mid, s1))
    lowest, highest = window_heights(terrain, ground, *along(xy_m, station_m, mid))
    control = 2.0 * gm - (g0 + g1) / 2.0
    lower = np.stack([g0, np.fmax(gm, control), g1], axis=1) + (lowest + sag_m)[:, None]
    upper = np.stack([g0, np.fmin(gm, control), g1], axis=1) + highest[:, None]
    return Window(
        station_m=np.stack([s0, mid, s1], axis=1).ravel(),
        lower_z_m=lower.ravel(),
        upper_z_m=upper.ravel(),
        clearance=np.repeat(lowest > usual_lowest_m + 1e-6, 3),
    )
