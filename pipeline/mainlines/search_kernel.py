"""Grade-window searches cell by cell: the exact lowest line, one label, and banded labels.

Upstream from a source a label is (cost, z). Along a move of length ``l`` from cell a to cell b::

    z'    = max(low[b], z + grade * l)                 dead when z' > high[b]
    cost' = cost + l * (factor[a] + factor[b]) / 2

A knight's move passes half-way between two cells; the window there is their mean (what the
bilinear ground says), and z' must clear it too. ``low`` and ``high`` are elevations of the lowest
and highest line, ``low = inf`` where no line may go.

Queues are circular buckets. A label is taken up again only while its cost is the one queued, so
any bucket width is exact for one label (Dial 1969; Meyer & Sanders 2003).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from numba import njit

from pipeline.mainlines.lattice_kernel import DC, DR, F32, F64, I64

U8 = npt.NDArray[np.uint8]
NONE = 255
NEVER = np.float32(np.inf)


@njit(cache=True)
def half_way(low: F32, high: F32, r: int, c: int, k: int) -> tuple[float, float]:
    """Return the window half-way along a knight's move from (r, c)."""
    dr = DR[k]
    dc = DC[k]
    if abs(dr) == 2:
        ar = br = r + dr // 2
        ac = c
        bc = c + dc
    else:
        ar = r
        br = r + dr
        ac = bc = c + dc // 2
    return 0.5 * (low[ar, ac] + low[br, bc]), 0.5 * (high[ar, ac] + high[br, bc])


@njit(cache=True)
def step_z(low: F32, high: F32, r: int, c: int, k: int, z: float, rise: float) -> float:
    """Return the lowest line at the end of move k from (r, c) at z, ``inf`` where it cannot be."""
    i = r + DR[k]
    j = c + DC[k]
    if k >= 8:
        mid_low, mid_high = half_way(low, high, r, c, k)
        z = max(z, mid_low - 0.5 * rise) if mid_low > z + 0.5 * rise else z
        if not z + 0.5 * rise <= mid_high:
            return math.inf
    z = max(z + rise, low[i, j])
    if not z <= high[i, j]:
        return math.inf
    return z


@njit(cache=True)
def lowest(  # noqa: C901
    low: F32, high: F32, cell_m: float, grade: float, moves: int, source: I64, source_z: F64
) -> tuple[F32, U8]:
    """Return the lowest line elevation per cell (``inf``: unreachable) and the move that led there.

    Dijkstra on the elevation itself: it never falls on the way up, and a lower start never ends
    higher, so the first settled value is the lowest any line can have.
    """
    rows, cols = low.shape
    z = np.full(rows * cols, NEVER, dtype=np.float32)
    came = np.full(rows * cols, NONE, dtype=np.uint8)
    run = np.empty(moves)
    for k in range(moves):
        run[k] = cell_m * math.hypot(DR[k], DC[k])
    bottom = math.inf
    for i in range(source.shape[0]):
        bottom = min(bottom, source_z[i])
    top = bottom
    for r in range(rows):
        for c in range(cols):
            if low[r, c] < math.inf:
                # without an upper end: far enough for any sensible path, the last bucket takes the rest
                top = max(top, min(float(high[r, c]), low[r, c] + grade * cell_m * (rows + cols) * 2.0))
    width = max(grade * cell_m, (top - bottom) / 20000.0, 1e-4)
    buckets = int((top - bottom) / width) + 3
    head = np.full(buckets, -1, dtype=np.int32)
    size = 1024
    q_cell = np.empty(size, dtype=np.int32)
    q_z = np.empty(size, dtype=np.float32)
    q_next = np.empty(size, dtype=np.int32)
    free = -1
    used = 0
    for i in range(source.shape[0]):
        a = source[i]
        if source_z[i] < z[a]:
            z[a] = source_z[i]
            b = int((source_z[i] - bottom) / width)
            if used == size:
                q_cell, q_z, q_next = twice(q_cell), twice(q_z), twice(q_next)
                size *= 2
            q_cell[used] = a
            q_z[used] = z[a]
            q_next[used] = head[b]
            head[b] = used
            used += 1
    for b in range(buckets):
        while head[b] >= 0:
            e = head[b]
            head[b] = q_next[e]
            a = q_cell[e]
            fresh = q_z[e] == z[a]
            q_next[e] = free
            free = e
            if not fresh:
                continue
            r = a // cols
            c = a - r * cols
            for k in range(moves):
                i = r + DR[k]
                j = c + DC[k]
                if i < 0 or j < 0 or i >= rows or j >= cols:
                    continue
                n = i * cols + j
                if z[a] >= z[n]:
                    continue
                zz = np.float32(step_z(low, high, r, c, k, z[a], grade * run[k]))
                if zz < z[n]:
                    z[n] = zz
                    came[n] = k
                    to = min(buckets - 1, max(b, int((zz - bottom) / width)))
                    if free >= 0:
                        e = free
                        free = q_next[e]
                    else:
                        if used == size:
                            q_cell, q_z, q_next = twice(q_cell), twice(q_z), twice(q_next)
                            size *= 2
                        e = used
                        used += 1
                    q_cell[e] = n
                    q_z[e] = zz
                    q_next[e] = head[to]
                    head[to] = e
    return z, came


@njit(cache=True)
def twice(a: np.ndarray) -> np.ndarray:
    """Return an array of double length with the same beginning."""
    out = np.empty(2 * a.shape[0], dtype=a.dtype)
    out[: a.shape[0]] = a
    return out


@njit(cache=True)
def one_label(  # noqa: C901
    low: F32, high: F32, factor: F32, cell_m: float, grade: float, moves: int, source: I64, source_z: F64
) -> tuple[F32, F32, U8, int]:
    """Return cost, z and move per cell with one label each (the cheapest), and the queue's peak length.

    Fast, and exact where no window binds; elsewhere it misses legal ground: see :func:`banded`.
    """
    rows, cols = low.shape
    cost = np.full(rows * cols, NEVER, dtype=np.float32)
    z = np.full(rows * cols, NEVER, dtype=np.float32)
    came = np.full(rows * cols, NONE, dtype=np.uint8)
    run = np.empty(moves)
    for k in range(moves):
        run[k] = cell_m * math.hypot(DR[k], DC[k])
    dearest = 1.0
    for r in range(rows):
        for c in range(cols):
            if factor[r, c] < math.inf:
                dearest = max(dearest, factor[r, c])
    width = cell_m
    ring = int(run.max() * dearest / width) + 3
    head = np.full(ring, -1, dtype=np.int32)
    size = 1024
    q_cell = np.empty(size, dtype=np.int32)
    q_cost = np.empty(size, dtype=np.float32)
    q_next = np.empty(size, dtype=np.int32)
    free = -1
    used = 0
    waiting = 0
    for i in range(source.shape[0]):
        a = source[i]
        cost[a] = 0.0
        z[a] = min(z[a], np.float32(source_z[i]))
        if used == size:
            q_cell, q_cost, q_next = twice(q_cell), twice(q_cost), twice(q_next)
            size *= 2
        q_cell[used] = a
        q_cost[used] = 0.0
        q_next[used] = head[0]
        head[0] = used
        used += 1
        waiting += 1
    bucket = 0
    while waiting > 0:
        slot = bucket % ring
        e = head[slot]
        if e < 0:
            bucket += 1
            continue
        head[slot] = q_next[e]
        q_next[e] = free
        free = e
        waiting -= 1
        a = q_cell[e]
        if q_cost[e] != cost[a]:
            continue
        r = a // cols
        c = a - r * cols
        here = cost[a]
        half = 0.5 * factor[r, c]
        for k in range(moves):
            i = r + DR[k]
            j = c + DC[k]
            if i < 0 or j < 0 or i >= rows or j >= cols:
                continue
            n = i * cols + j
            cc = np.float32(here + run[k] * (half + 0.5 * factor[i, j]))
            if not cc < cost[n]:
                continue
            if k < 8:
                zz = max(z[a] + grade * run[k], low[i, j])
                if not zz <= high[i, j]:
                    continue
            else:
                zz = step_z(low, high, r, c, k, z[a], grade * run[k])
                if not zz < math.inf:
                    continue
            cost[n] = cc
            z[n] = zz
            came[n] = k
            to = int(cc / width) % ring
            if free >= 0:
                e = free
                free = q_next[e]
            else:
                if used == size:
                    q_cell, q_cost, q_next = twice(q_cell), twice(q_cost), twice(q_next)
                    size *= 2
                e = used
                used += 1
            q_cell[e] = n
            q_cost[e] = cc
            q_next[e] = head[to]
            head[to] = e
            waiting += 1
    return cost, z, came, size


@njit(cache=True)
def banded(  # noqa: C901
    low: F32, high: F32, factor: F32, cell_m: float, grade: float, moves: int, bands: int, source: I64,
    source_z: F64, z_low: F32, came_low: U8,
) -> tuple[F32, F32, npt.NDArray[np.uint16], int]:
    """Return cost, z and back pointers of ``bands`` labels per cell, the last one the lowest line.

    ``z_low`` and ``came_low`` come from :func:`lowest`; the last label of a cell follows exactly
    that chain, so no legal cell is ever missed. The others hold one label per height band between
    the cell's lowest line and its ceiling. Back pointers are ``move * bands + band of the
    predecessor``, 65535 for none. A label once taken up is never overwritten.
    """
    rows, cols = low.shape
    total = rows * cols
    last = bands - 1
    cost = np.full(total * bands, NEVER, dtype=np.float32)
    z = np.full(total * bands, NEVER, dtype=np.float32)
    back = np.full(total * bands, 65535, dtype=np.uint16)
    done = np.zeros(total, dtype=np.uint32)
    z_done = np.full(total, NEVER, dtype=np.float32)
    cost_done = np.full(total, NEVER, dtype=np.float32)
    run = np.empty(moves)
    for k in range(moves):
        run[k] = cell_m * math.hypot(DR[k], DC[k])
    dearest = 1.0
    for r in range(rows):
        for c in range(cols):
            if factor[r, c] < math.inf:
                dearest = max(dearest, factor[r, c])
    width = 0.25 * cell_m
    ring = int(run.max() * dearest / width) + 3
    head = np.full(ring, -1, dtype=np.int32)
    size = 1024
    q_label = np.empty(size, dtype=np.int32)
    q_cost = np.empty(size, dtype=np.float32)
    q_next = np.empty(size, dtype=np.int32)
    free = -1
    used = 0
    waiting = 0
    for i in range(source.shape[0]):
        a = source[i]
        if not np.float32(source_z[i]) < z[a * bands + last]:
            continue
        cost[a * bands + last] = 0.0
        z[a * bands + last] = source_z[i]
        if used == size:
            q_label, q_cost, q_next = twice(q_label), twice(q_cost), twice(q_next)
            size *= 2
        q_label[used] = a * bands + last
        q_cost[used] = 0.0
        q_next[used] = head[0]
        head[0] = used
        used += 1
        waiting += 1
    bucket = 0
    while waiting > 0:
        slot = bucket % ring
        e = head[slot]
        if e < 0:
            bucket += 1
            continue
        head[slot] = q_next[e]
        q_next[e] = free
        free = e
        waiting -= 1
        lab = q_label[e]
        if q_cost[e] != cost[lab]:
            continue
        a = lab // bands
        band = lab - a * bands
        bit = np.uint32(1) << np.uint32(band)
        if done[a] & bit:
            continue
        here = cost[lab]
        z_here = z[lab]
        done[a] |= bit
        # the reserved chain goes on even where another label is as good, lest legal ground be missed
        stale = z_here >= z_done[a] and here >= cost_done[a]
        if stale and band != last:
            continue
        if z_here < z_done[a]:
            z_done[a] = z_here
            cost_done[a] = here
        r = a // cols
        c = a - r * cols
        half = 0.5 * factor[r, c]
        for k in range(moves):
            i = r + DR[k]
            j = c + DC[k]
            if i < 0 or j < 0 or i >= rows or j >= cols or not low[i, j] < math.inf:
                continue
            n = i * cols + j
            cc = np.float32(here + run[k] * (half + 0.5 * factor[i, j]))
            reserved = band == last and came_low[n] == k
            if stale and not reserved:
                continue
            if k < 8:
                zz = max(z_here + grade * run[k], low[i, j])
                if not zz <= high[i, j]:
                    continue
            else:
                zz = step_z(low, high, r, c, k, z_here, grade * run[k])
                if not zz < math.inf:
                    continue
            if reserved:
                to_band = last
            else:
                if zz >= z_done[n] and cc >= cost_done[n]:
                    continue
                span = high[i, j] - z_low[n]
                to_band = int((zz - z_low[n]) / span * last) if span > 0.0 and span < math.inf else 0
                to_band = min(max(to_band, 0), last - 1)
            nl = n * bands + to_band
            if not cc < cost[nl] or done[n] & (np.uint32(1) << np.uint32(to_band)):
                continue
            cost[nl] = cc
            z[nl] = zz
            back[nl] = k * bands + band
            to = int(cc / width) % ring
            if free >= 0:
                e = free
                free = q_next[e]
            else:
                if used == size:
                    q_label, q_cost, q_next = twice(q_label), twice(q_cost), twice(q_next)
                    size *= 2
                e = used
                used += 1
            q_label[e] = nl
            q_cost[e] = cc
            q_next[e] = head[to]
            head[to] = e
            waiting += 1
    return cost, z, back, size
