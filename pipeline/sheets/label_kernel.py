"""Compiled loops of the label raster: stamping lines, and trying a label's places.

Recurrences: the cost of a box is ``T[r1,c1] - T[r0,c1] - T[r1,c0] + T[r0,c0]`` on the summed table ``T`` of cell
costs; places are tried by cost, the first of equals first, until one shares no cell with what stands already and its
leader, sampled once a point, crosses nothing.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from pipeline.compiled import njit

Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]

STEP_PT = 0.7  # a line is stamped this often along its way
NONE = -1


@njit(cache=True)
def stamp(cells: Mask, x: Floats, y: Floats, starts: npt.NDArray[np.int64]) -> None:
    """Mark the cells that lines run through.

    ``x, y`` are their vertices in cells, line after line; ``starts`` where each begins, and the end of the last.
    """
    rows, cols = cells.shape
    for k in range(len(starts) - 1):
        begun = 0.0  # length of the line before this stretch
        step = 0
        for i in range(starts[k], starts[k + 1] - 1):
            dx, dy = x[i + 1] - x[i], y[i + 1] - y[i]
            length = math.hypot(dx, dy)
            last = i == starts[k + 1] - 2
            while step * STEP_PT <= begun + length or (last and step * STEP_PT < begun + length + STEP_PT):
                share = min((step * STEP_PT - begun) / length, 1.0) if length > 0.0 else 0.0
                at_x, at_y = x[i] + dx * share, y[i] + dy * share
                if at_x >= 0.0 and at_y >= 0.0:
                    col, row = int(at_x), int(at_y)
                    if row < rows and col < cols:
                        cells[row, col] = True
                step += 1
            begun += length


@njit(cache=True)
def grow(cells: Mask, reach: int) -> None:
    """Widen what is marked by `reach` cells in the eight directions."""
    rows, cols = cells.shape
    before = cells.copy()
    for row in range(rows):
        for col in range(cols):
            if before[row, col]:
                for r in range(max(row - reach, 0), min(row + reach + 1, rows)):
                    for c in range(max(col - reach, 0), min(col + reach + 1, cols)):
                        cells[r, c] = True


@njit(cache=True)
def _any_taken(taken: Mask, x0: float, y0: float, x1: float, y1: float) -> bool:
    for row in range(int(y0), int(y1) + 1):
        for col in range(int(x0), int(x1) + 1):
            if taken[row, col]:
                return True
    return False


@njit(cache=True)
def along(
    x: float, y: float, clear: float, x0: float, y0: float, x1: float, y1: float
) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.int64]]:
    """Return rows and columns under the leader from a symbol to a box, all in cells; none in the symbol's own."""
    to_x, to_y = min(max(x, x0), x1), min(max(y, y0), y1)
    length = math.hypot(to_x - x, to_y - y)
    away = min(clear / length, 1.0) if length > 0.0 else min(clear, 1.0)
    from_x, from_y = x + (to_x - x) * away, y + (to_y - y) * away
    steps = max(4, int(math.hypot(to_x - from_x, to_y - from_y)))
    rows, cols = np.empty(steps - 3, np.int64), np.empty(steps - 3, np.int64)
    for i in range(3, steps):
        share = i / steps
        rows[i - 3] = int(from_y + (to_y - from_y) * share)
        cols[i - 3] = int(from_x + (to_x - from_x) * share)
    return rows, cols


@njit(cache=True)
def _way_free(
    rows: npt.NDArray[np.int64], cols: npt.NDArray[np.int64], blocked: Mask, near: Mask,
    soft: npt.NDArray[np.float32], no_across: float,
) -> bool:
    for k in range(len(rows)):
        r, c = rows[k], cols[k]
        if r < 0 or c < 0 or r >= near.shape[0] or c >= near.shape[1]:
            return False
        if blocked[r, c] or near[r, c] or soft[r, c] >= no_across:
            return False
    return True


@njit(cache=True)
def try_places(
    table: npt.NDArray[np.int32], masks: tuple[Mask, Mask, Mask], soft: npt.NDArray[np.float32],
    spot: tuple[float, float, float], half: tuple[float, float], places: tuple[Floats, ...],
    limits: tuple[float, float, float, float, float],
) -> int:
    """Return the number of the place a label takes, or ``NONE``.

    Parameters
    ----------
    table : array
        Summed cell costs, in quarters.
    masks : three arrays
        Cells blocked, taken, and taken or beside it.
    soft : array
        Costs that a leader is held against.
    spot : tuple
        Anchor in cells and its clear radius.
    half : tuple
        Half width and half height of the label.
    places : tuple of arrays
        Middle of the box by place (cells), its own cost, and how far out it is.
    limits : tuple
        Frame's width and height, cost of the first place that is refused, distance from which a leader is drawn,
        soft cost from which none may cross.
    """
    blocked, taken, near = masks
    x, y, clear = spot
    half_w, half_h = half
    cx, cy, base, ring = places
    wide, high, refused, leader_from, no_across = limits
    count = len(cx)
    cost = np.empty(count)
    for i in range(count):
        x0, y0 = cx[i] - half_w, cy[i] - half_h
        inside = x0 >= 1.5 and y0 >= 1.5 and x0 <= wide - 1.5 - 2.0 * half_w and y0 <= high - 1.5 - 2.0 * half_h
        cost[i] = math.inf
        if inside:
            c0, r0 = int(x0), int(y0)
            c1, r1 = int(x0 + 2.0 * half_w) + 1, int(y0 + 2.0 * half_h) + 1
            # the table may wrap round; differences taken in its own width do not
            total = np.int32(table[r1, c1] - table[r0, c1] - table[r1, c0] + table[r0, c0])
            cost[i] = total * 0.25 + base[i]
    for _ in range(count):
        i = int(np.argmin(cost))
        if cost[i] >= refused:
            return NONE
        x0, y0, x1, y1 = cx[i] - half_w, cy[i] - half_h, cx[i] + half_w, cy[i] + half_h
        if not _any_taken(taken, x0, y0, x1, y1):
            if ring[i] < leader_from:
                return i
            rows, cols = along(x, y, clear, x0, y0, x1, y1)
            if _way_free(rows, cols, blocked, near, soft, no_across):
                return i
        cost[i] = math.inf
    return NONE
