"""Grade-window searches cell by cell: the exact lowest line, one label, and labels at several heights.

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

from pipeline.compiled import njit
from pipeline.mainlines.lattice_kernel import DC, DR, F32, F64, I64

I32 = npt.NDArray[np.int32]
U8 = npt.NDArray[np.uint8]
NONE = 255
NEVER = np.float32(np.inf)
MOST_LABELS = 6  # per cell on the whole grid


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

    Fast, and exact where no window binds; elsewhere it misses legal ground: see :func:`staircase`.
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
def staircase(  # noqa: C901
    low: F32, high: F32, factor: F32, cell_m: float, grade: float, moves: int, share: float, least_m: float,
    source: I64, source_z: F64, z_low: F32,
) -> tuple[F32, F32, I32, U8, I32, int, int]:
    """Return cost, z, predecessor and move of labels, each cell's cheapest, how many labels, the queue's peak.

    Labels are taken up in order of cost, so at a cell each one worth keeping lies lower than the one
    before: a staircase from the cheapest line down to ``z_low``, the lowest (from :func:`lowest`). A
    further label must come down by ``share`` of what is left above the lowest line, and by
    ``least_m``; one that reaches the lowest line is always kept, so no legal cell is ever missed.
    All cells share one store of labels: most need one or two, a few need thirty; should it run
    short, only lowest lines are added. A predecessor of -1 is a source, a cheapest label of -1 an
    unreachable cell.
    """
    rows, cols = low.shape
    total = rows * cols
    room = MOST_LABELS * total
    cost = np.empty(room, dtype=np.float32)
    z = np.empty(room, dtype=np.float32)
    pred = np.empty(room, dtype=np.int32)
    move = np.empty(room, dtype=np.uint8)
    labels = 0
    owed = 0  # cells that still await their lowest line: the store keeps room for these
    for a in range(total):
        owed += z_low[a] < NEVER
    first = np.full(total, -1, dtype=np.int32)
    most = np.full(total, NEVER, dtype=np.float32)  # elevation up to which a further label is worth keeping
    run = np.empty(moves)
    for k in range(moves):
        run[k] = cell_m * math.hypot(DR[k], DC[k])
    dearest = 1.0
    for r in range(rows):
        for c in range(cols):
            if factor[r, c] < math.inf:
                dearest = max(dearest, factor[r, c])
    width = 0.001 * cell_m  # labels of one bucket come in any order: this is all that a line costs too much by that
    ring = int(run.max() * dearest / width) + 3
    head = np.full(ring, -1, dtype=np.int32)
    size = 1024 + source.shape[0]
    q_cell = np.empty(size, dtype=np.int32)
    q_cost = np.empty(size, dtype=np.float32)
    q_z = np.empty(size, dtype=np.float32)
    q_pred = np.empty(size, dtype=np.int32)
    q_move = np.empty(size, dtype=np.uint8)
    q_next = np.empty(size, dtype=np.int32)
    free = -1
    used = 0
    waiting = 0
    for i in range(source.shape[0]):
        q_cell[used] = source[i]
        q_cost[used] = 0.0
        q_z[used] = source_z[i]
        q_pred[used] = -1
        q_move[used] = NONE
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
        z_here = q_z[e]
        if not z_here <= most[a]:
            continue
        if z_here <= z_low[a]:
            owed -= 1
        elif labels + owed >= room:
            continue
        if first[a] < 0:
            first[a] = labels
        here = q_cost[e]
        cost[labels] = here
        z[labels] = z_here
        pred[labels] = q_pred[e]
        move[labels] = q_move[e]
        labels += 1
        down = max(least_m, share * (z_here - z_low[a]))
        most[a] = max(z_low[a], np.float32(z_here - down)) if z_here > z_low[a] else -NEVER
        r = a // cols
        c = a - r * cols
        half = 0.5 * factor[r, c]
        for k in range(moves):
            i = r + DR[k]
            j = c + DC[k]
            if i < 0 or j < 0 or i >= rows or j >= cols:
                continue
            n = i * cols + j
            rise = grade * run[k]
            worth = most[n]
            if not np.float32(z_here + rise) <= worth:
                continue
            if k < 8:
                step = max(z_here + rise, low[i, j])
                if not step <= high[i, j]:
                    continue
            else:
                step = step_z(low, high, r, c, k, z_here, rise)
                if not step < math.inf:
                    continue
            zz = np.float32(step)
            if not zz <= worth:
                continue
            cc = np.float32(here + run[k] * (half + 0.5 * factor[i, j]))
            to = int(cc / width) % ring
            if free >= 0:
                e = free
                free = q_next[e]
            else:
                if used == size:
                    q_cell, q_cost, q_z = twice(q_cell), twice(q_cost), twice(q_z)
                    q_pred, q_move, q_next = twice(q_pred), twice(q_move), twice(q_next)
                    size *= 2
                e = used
                used += 1
            q_cell[e] = n
            q_cost[e] = cc
            q_z[e] = zz
            q_pred[e] = labels - 1
            q_move[e] = k
            q_next[e] = head[to]
            head[to] = e
            waiting += 1
    return cost, z, pred, move, first, labels, size
