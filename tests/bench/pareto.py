"""Exact label setting with Pareto dominance on small grids: the oracle for the search cell by cell.

Labels leave one heap in order of cost (then z); at a cell a label is kept only when its line is
lower than every label kept there before. Same moves and window rule as the search, but float64,
one binary heap, and every label is kept.
"""

from __future__ import annotations

import heapq

import numpy as np
from numba import njit

MOVES = np.array(
    [[0, 1], [-1, 0], [0, -1], [1, 0], [-1, 1], [-1, -1], [1, -1], [1, 1],
     [-1, 2], [-2, 1], [-2, -1], [-1, -2], [1, -2], [2, -1], [2, 1], [1, 2]], dtype=np.int64
)


@njit
def pareto(low, high, factor, cell_m, grade, moves, source, source_z):
    """Return the exact least cost per cell (``inf``: none) under the window rule."""
    rows, cols = low.shape
    best = np.full((rows, cols), np.inf)
    kept_z = np.full((rows, cols), np.inf)
    heap = [(0.0, float(source_z), np.int64(source))]
    while len(heap) > 0:
        cost, z, a = heapq.heappop(heap)
        r, c = a // cols, a % cols
        if z >= kept_z[r, c] - 1e-7:
            continue
        kept_z[r, c] = z
        best[r, c] = min(best[r, c], cost)
        for k in range(moves):
            i, j = r + MOVES[k, 0], c + MOVES[k, 1]
            if i < 0 or j < 0 or i >= rows or j >= cols or not np.isfinite(low[i, j]):
                continue
            run = cell_m * np.sqrt(float(MOVES[k, 0] ** 2 + MOVES[k, 1] ** 2))
            from_z = z
            if k >= 8:
                if abs(MOVES[k, 0]) == 2:
                    p, q = (r + MOVES[k, 0] // 2, c), (r + MOVES[k, 0] // 2, c + MOVES[k, 1])
                else:
                    p, q = (r, c + MOVES[k, 1] // 2), (r + MOVES[k, 0], c + MOVES[k, 1] // 2)
                middle = max(from_z + 0.5 * grade * run, 0.5 * (low[p] + low[q]))
                if not middle <= 0.5 * (high[p] + high[q]):
                    continue
                new_z = max(middle + 0.5 * grade * run, low[i, j])
            else:
                new_z = max(from_z + grade * run, low[i, j])
            if new_z > high[i, j] or new_z >= kept_z[i, j] - 1e-7:
                continue
            heapq.heappush(heap, (cost + run * 0.5 * (factor[r, c] + factor[i, j]), new_z, np.int64(i * cols + j)))
    return best
