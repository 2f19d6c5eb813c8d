"""Heights of a lateral from its entry uphill: as steady a fall as the window allows."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.laterals.pieces_kernel import span_need_z
from pipeline.laterals.scene import Floats
from pipeline.terrain.grid import Terrain


def lowest_labels(
    *, xy_m: Floats, ground_z_m: Floats, entry_z_m: float, terrain: Terrain, rule: Floats
) -> Floats:
    """Return the lowest legal elevations at the trees of a lateral, ``+inf`` from where none is.

    Parameters
    ----------
    xy_m : float array, shape (n + 1, 2)
        Entry and trees.
    ground_z_m : float array, shape (n,)
        Ground at the trees.
    entry_z_m : float
        Mainline elevation at the entry.
    rule : float array
        lowest, highest (m), grade (ratio), clearance of spans (m), longest piece (m).
    """
    lowest, highest, grade, clear = rule[:4]
    geo = (terrain.x0_m, terrain.y0_m, terrain.cell_m)
    z_ground = np.ascontiguousarray(terrain.z_m)
    dist = np.hypot(*np.diff(xy_m, axis=0).T)
    out = np.full(len(ground_z_m), np.inf)
    below, least = entry_z_m, entry_z_m
    for i, ground in enumerate(ground_z_m):
        (ax, ay), (bx, by) = xy_m[i], xy_m[i + 1]
        # the span rule at the lowest elevation its lower end can have; see pieces_kernel
        need = span_need_z(z_ground, *geo, ax, ay, least, bx, by, clear)
        z = max(need, ground + lowest, below + grade * dist[i])
        if not z <= ground + highest + 1e-9:
            break
        out[i] = below = z
        least = ground + lowest
    return out


def ceiling_m(*, xy_m: Floats, ground_z_m: Floats, highest_m: float, grade: float) -> float:
    """Return the highest elevation of the entry at which every tree can still be within its window.

    ``min_i(ground_i + highest - grade * distance_i)``: any entry between the mainline's lowest
    elevation and this is legal, with ``z_i = max(lowest label_i, z_entry + grade * distance_i)``.
    """
    along = np.cumsum(np.hypot(*np.diff(xy_m, axis=0).T))
    return float(np.min(ground_z_m + highest_m - grade * along))


def steady(
    *, dist_m: Floats, entry_z_m: float, low_m: Floats, high_m: Floats, min_grade: float, aim_grade: float
) -> Floats:
    """Return elevations at the trees with the steadiest fall near the aim.

    The sum of ``d_i * (grade_i - aim)^2`` is least for ``low <= z <= high`` and
    ``grade_i >= min_grade``: after subtracting the aimed fall this is the shortest string
    through a tube, fixed at the entry and free at the top. The tube is first narrowed from
    both ends so that the least grade can be kept; along contacts of a tube narrowed like
    this the string never falls below the least grade.

    Parameters
    ----------
    dist_m : float array, shape (n,)
        Plan length of the piece below each tree.
    low_m, high_m : float array, shape (n,)
        Window; ``low`` must be legal labels (each at least the one below plus the least fall).
    """
    along = np.cumsum(dist_m)
    low = np.maximum.accumulate(np.maximum(low_m, entry_z_m + min_grade * along) - min_grade * along)
    top = np.minimum.accumulate((high_m - min_grade * along)[::-1])[::-1]
    low_y = low + (min_grade - aim_grade) * along
    top_y = np.maximum(top + (min_grade - aim_grade) * along, low_y)
    return _string(along, entry_z_m, low_y, top_y) + aim_grade * along


def _string(along: Floats, start: float, low: Floats, top: Floats) -> Floats:
    """Return the shortest string through the gates (low, top) at `along`, fixed at (0, start), free at the end."""
    n = len(along)
    out = np.empty(n)
    at, x, y = 0, 0.0, start
    while at < n:
        steepest, flattest = np.inf, -np.inf
        by_top, by_low, stop = -1, -1, n
        for j in range(at, n):
            run = max(along[j] - x, 1e-9)
            if (top[j] - y) / run < steepest:
                steepest, by_top = (top[j] - y) / run, j
            if (low[j] - y) / run > flattest:
                flattest, by_low = (low[j] - y) / run, j
            if flattest > steepest:
                stop = j
                break
        # level (the aim itself) as far as the cone allows; a closed cone bends at its earlier wall
        if stop < n:
            wall, bend = (by_top, top) if by_top < by_low else (by_low, low)
        elif flattest > 0.0:
            wall, bend = by_low, low
        elif steepest < 0.0:
            wall, bend = by_top, top
        else:
            out[at:] = y
            break
        slope = (bend[wall] - y) / max(along[wall] - x, 1e-9)
        out[at : wall + 1] = y + slope * (along[at : wall + 1] - x)
        out[wall] = bend[wall]
        x, y, at = float(along[wall]), float(bend[wall]), wall + 1
    return out


def length_m(xyz_m: npt.NDArray[np.float64]) -> float:
    """Return the true length of a polyline."""
    return float(np.linalg.norm(np.diff(xyz_m, axis=0), axis=1).sum())
