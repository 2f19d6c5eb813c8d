"""The exact lowest line over the lattice's moves: one Dijkstra on the line's elevation.

From a node at z a move leads to ``max(z + grade * run, m)`` where ``z <= e`` (see the segment
recurrence). Elevation never falls on the way up, and a lower start never ends higher, so the
first settled elevation of a node is the lowest any line can have there.
"""

from __future__ import annotations

import heapq

import numpy as np

from pipeline.compiled import njit
from pipeline.mainlines.lattice_kernel import DC, DR, F32, F64, I64, MOVES


@njit(cache=True)
def reach(
    rows: int, cols: int, grade: float, run_m: F64, arc_m: F32, arc_e: F32, source: I64, source_z: F64
) -> F64:
    """Return the lowest line elevation at every node, ``inf`` where no line can come."""
    z = np.full(rows * cols, np.inf)
    done = np.zeros(rows * cols, dtype=np.bool_)
    heap = [(np.float64(source_z[0]), np.int64(source[0]))]
    z[source[0]] = source_z[0]
    for q in range(1, source.shape[0]):
        if source_z[q] < z[source[q]]:
            z[source[q]] = source_z[q]
            heapq.heappush(heap, (np.float64(source_z[q]), np.int64(source[q])))
    while len(heap) > 0:
        za, a = heapq.heappop(heap)
        if done[a]:
            continue
        done[a] = True
        i = a // cols
        j = a - i * cols
        for k in range(MOVES):
            if za > arc_e[a, k]:
                continue
            b = (i + DR[k]) * cols + j + DC[k]
            if done[b]:
                continue
            zz = max(za + grade * run_m[k], np.float64(arc_m[a, k]))
            if zz < z[b]:
                z[b] = zz
                heapq.heappush(heap, (zz, np.int64(b)))
    return z
