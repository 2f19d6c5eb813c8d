"""Straight segments over the terrain, and the lattice of straight moves made of them.

Recurrence along a segment from its lower end, sampled every ``ds`` metres with ground
elevation ``g``, window ``L = g + lowest`` and ``H = g + highest``, and the least grade ``q``::

    m(0) = L(0);  m(s) = max(m(s - ds) + q ds, L(s))      dead when m(s) > H(s)
    e    = min over s of H(s) - q s

A line that arrives at the lower end at elevation z can follow the segment when ``z <= e``;
it then leaves the upper end at ``max(z + q length, m(length))``, the lowest legal line.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pipeline.compiled import njit
from pipeline.terrain.sample_kernel import ground_at

F32 = npt.NDArray[np.float32]
F64 = npt.NDArray[np.float64]
I64 = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

# eight neighbours, then the eight knight's moves; (row, column)
DR = np.array([0, -1, 0, 1, -1, -1, 1, 1, -1, -2, -2, -1, 1, 2, 2, 1], dtype=np.int64)
DC = np.array([1, 0, -1, 0, 1, -1, -1, 1, 2, 1, -1, -2, -2, -1, 1, 2], dtype=np.int64)
BACK = np.array([2, 3, 0, 1, 6, 7, 4, 5, 12, 13, 14, 15, 8, 9, 10, 11], dtype=np.int64)  # the move back
MOVES = 16
SAMPLES_PER_CELL = 2.5


class Surface(NamedTuple):
    """The raster truth that segments are checked against, elevations relative to a base.

    ``low``/``high`` hold the window above ground per *bilinear patch* (the strictest of its
    four corners), ``cost`` is per cell, ``inf`` where no line may go.
    """

    ground: F32
    low: F32
    high: F32
    cost: F32
    cell_m: float
    grade: float


@njit(cache=True)
def segment(surface: Surface, r0: float, c0: float, r1: float, c1: float) -> tuple[float, float, float]:
    """Return (m, e, cost) of a straight segment; m is ``inf`` where no line can follow it.

    See the module's recurrence. The cost is the integral of the cost of a metre.
    """
    rows, cols = surface.ground.shape
    cells = math.hypot(r1 - r0, c1 - c0)
    n = max(1, math.ceil(cells * SAMPLES_PER_CELL))
    run = cells * surface.cell_m
    ds = run / n
    rise = surface.grade * ds
    m = -math.inf
    e = math.inf
    cost = 0.0
    for k in range(n + 1):
        t = k / n
        row = r0 + (r1 - r0) * t
        col = c0 + (c1 - c0) * t
        i = int(row + 0.5)
        j = int(col + 0.5)
        if row < -0.5 or col < -0.5 or i >= rows or j >= cols:
            return math.inf, -math.inf, math.inf
        a = surface.cost[i, j]
        if not a < math.inf:
            return math.inf, -math.inf, math.inf
        g = ground_at(surface.ground, row, col)
        if not math.isfinite(g):
            return math.inf, -math.inf, math.inf
        p = min(max(int(row), 0), rows - 1)
        q = min(max(int(col), 0), cols - 1)
        m = max(m + rise, g + surface.low[p, q])
        high = g + surface.high[p, q]
        if m > high:
            return math.inf, -math.inf, math.inf
        e = min(e, high - rise * k)
        cost += a * (0.5 if k == 0 or k == n else 1.0)
    return m, e, cost * ds


@njit(cache=True)
def both_ways(
    surface: Surface, r0: float, c0: float, r1: float, c1: float, low: F64, high: F64
) -> tuple[float, float, float, float, float, float, float]:
    """Return a straight segment walked from either end in one pass over the ground.

    ``low`` and ``high`` are scratch, longer than the segment has samples.

    Returns
    -------
    (m, e, m back, e back, cost, free m, free m back)
        As `segment` has them; the free ones as if the window had no upper end, ``inf`` only where
        nothing may go.
    """
    rows, cols = surface.ground.shape
    cells = math.hypot(r1 - r0, c1 - c0)
    n = max(1, math.ceil(cells * SAMPLES_PER_CELL))
    ds = cells * surface.cell_m / n
    rise = surface.grade * ds
    cost = 0.0
    m = -math.inf
    e = math.inf
    open_up = True
    for k in range(n + 1):
        t = k / n
        row = r0 + (r1 - r0) * t
        col = c0 + (c1 - c0) * t
        i = int(row + 0.5)
        j = int(col + 0.5)
        if row < -0.5 or col < -0.5 or i >= rows or j >= cols:
            return math.inf, -math.inf, math.inf, -math.inf, math.inf, math.inf, math.inf
        a = surface.cost[i, j]
        g = ground_at(surface.ground, row, col)
        if not a < math.inf or not math.isfinite(g):
            return math.inf, -math.inf, math.inf, -math.inf, math.inf, math.inf, math.inf
        p = min(max(int(row), 0), rows - 1)
        q = min(max(int(col), 0), cols - 1)
        low[k] = g + surface.low[p, q]
        high[k] = g + surface.high[p, q]
        m = max(m + rise, low[k])
        open_up = open_up and m <= high[k]
        e = min(e, high[k] - rise * k)
        cost += a * (0.5 if k == 0 or k == n else 1.0)
    back = -math.inf
    e_back = math.inf
    open_back = True
    for k in range(n, -1, -1):
        back = max(back + rise, low[k])
        open_back = open_back and back <= high[k]
        e_back = min(e_back, high[k] - rise * (n - k))
    free, free_back = m, back
    if not open_up:
        m, e = math.inf, -math.inf
    if not open_back:
        back, e_back = math.inf, -math.inf
    return m, e, back, e_back, cost * ds, free, free_back


@njit(cache=True, nogil=True)
def ways(
    surface: Surface, rows: int, cols: int, row0: float, col0: float, stride: float, node_ok: Bools,
    first: int, last: int, arc_m: F32, arc_e: F32, arc_cost: F32, free_m: F32,
) -> None:
    """Fill in the moves between the nodes of rows ``first`` to ``last`` and those right of or below them.

    Each array has the shape (nodes, 16). Node ``(i, j)`` stands at raster row ``row0 + i stride`` and
    column ``col0 + j stride``. Every move is written once, so spans of rows may be filled side by side.
    """
    room = math.ceil(3.0 * stride * SAMPLES_PER_CELL) + 2
    low = np.empty(room)
    high = np.empty(room)
    for i in range(first, last):
        for j in range(cols):
            a = i * cols + j
            if not node_ok[a]:
                continue
            for k in range(MOVES):
                if DR[k] < 0 or (DR[k] == 0 and DC[k] < 0):
                    continue
                bi = i + DR[k]
                bj = j + DC[k]
                b = bi * cols + bj
                if bj < 0 or bi >= rows or bj >= cols or not node_ok[b]:
                    continue
                m, e, back, e_back, cost, free, free_back = both_ways(
                    surface, row0 + i * stride, col0 + j * stride, row0 + bi * stride, col0 + bj * stride, low, high
                )
                arc_m[a, k], arc_e[a, k], free_m[a, k] = m, e, free
                arc_m[b, BACK[k]], arc_e[b, BACK[k]], free_m[b, BACK[k]] = back, e_back, free_back
                if m < math.inf:
                    arc_cost[a, k] = cost
                if back < math.inf:
                    arc_cost[b, BACK[k]] = cost


@njit(cache=True)
def profile(surface: Surface, r0: float, c0: float, r1: float, c1: float, z0: float, n: int) -> F64:
    """Return the lowest legal line at the n + 1 even stations of a segment that starts at z0.

    ``inf`` from the first place on where the line leaves its window.
    """
    out = np.full(n + 1, np.inf)
    cells = math.hypot(r1 - r0, c1 - c0)
    per = max(1, math.ceil(cells * SAMPLES_PER_CELL / n))
    ds = cells * surface.cell_m / (n * per)
    z = z0
    rows, cols = surface.ground.shape
    for k in range(n * per + 1):
        t = k / (n * per)
        row = r0 + (r1 - r0) * t
        col = c0 + (c1 - c0) * t
        g = ground_at(surface.ground, row, col)
        p = min(max(int(row), 0), rows - 1)
        q = min(max(int(col), 0), cols - 1)
        if k > 0:
            z += surface.grade * ds
        z = max(z, g + surface.low[p, q])
        if not z <= g + surface.high[p, q]:
            return out
        if k % per == 0:
            out[k // per] = z
    return out


@njit(cache=True)
def unblocked(blocked: Bools, r0: float, c0: float, r1: float, c1: float) -> bool:
    """Return whether a straight line meets no blocked cell."""
    rows, cols = blocked.shape
    n = max(1, math.ceil(math.hypot(r1 - r0, c1 - c0) * SAMPLES_PER_CELL))
    for k in range(n + 1):
        i = int(r0 + (r1 - r0) * k / n + 0.5)
        j = int(c0 + (c1 - c0) * k / n + 0.5)
        if i < 0 or j < 0 or i >= rows or j >= cols or blocked[i, j]:
            return False
    return True
