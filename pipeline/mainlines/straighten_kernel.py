"""String pulling: the cheapest few straight runs over a raw path that stay legal.

States are straight edges (i, j) between candidate points in path order, each with labels
(cost, z at j) in height bands plus the lowest z reserved. From edge (h, i) to edge (i, j)::

    z'    = max(z + grade * length, m)          only when z <= e
    cost' = cost + metres of (i, j) + price of the bend between the two + worth of the taps lost

where (m, e, metres) come from the segment recurrence; lost are the taps that the raw path could
serve between i and j but the straight run, arriving at z, cannot. With one label per edge the programme
would spend the height window greedily and fail on most paths; the reserved label keeps the
raw chain alive.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from pipeline.compiled import njit
from pipeline.mainlines.lattice_kernel import F64, I64, SAMPLES_PER_CELL, Surface, segment
from pipeline.terrain.sample_kernel import ground_at

STEEP_FEE = 400.0  # a bend over the limit: only where nothing else is legal


@njit(cache=True)
def turn_deg(a0: float, a1: float, b0: float, b1: float) -> float:
    """Return the angle between two directions in degrees."""
    la = math.hypot(a0, a1)
    lb = math.hypot(b0, b1)
    if la <= 0.0 or lb <= 0.0:
        return 0.0
    x = (a0 * b0 + a1 * b1) / (la * lb)
    return math.degrees(math.acos(min(1.0, max(-1.0, x))))


@njit(cache=True)
def bend_fee(deg: float, bend_m: float, most_deg: float) -> float:
    """Return the price of a bend in metres."""
    if deg < 1.0:
        return 0.0
    fee = bend_m * (0.5 + deg / 45.0)
    if deg > most_deg:
        fee += STEEP_FEE + 5.0 * (deg - most_deg)
    return fee


@njit(cache=True)
def join_fee(deg: float, bend_m: float, most_deg: float) -> float:
    """Return the price of the angle at which a line joins another; acute towards the flow is cheap."""
    fee = bend_m * deg / 90.0
    if deg > most_deg:
        fee += 3.0 * bend_m * (deg - most_deg) / 30.0
    if deg > 90.0:
        fee += STEEP_FEE * (deg - 85.0) / 30.0
    return fee


@njit(cache=True)
def crosses(p: F64, q: F64, others: F64) -> bool:
    """Return whether segment pq properly meets any of the segments (rows r0, c0, r1, c1)."""
    for k in range(others.shape[0]):
        a0, a1, b0, b1 = others[k]
        if max(a0, b0) < min(p[0], q[0]) or min(a0, b0) > max(p[0], q[0]):
            continue
        if max(a1, b1) < min(p[1], q[1]) or min(a1, b1) > max(p[1], q[1]):
            continue
        d1 = (q[0] - p[0]) * (a1 - p[1]) - (q[1] - p[1]) * (a0 - p[0])
        d2 = (q[0] - p[0]) * (b1 - p[1]) - (q[1] - p[1]) * (b0 - p[0])
        d3 = (b0 - a0) * (p[1] - a1) - (b1 - a1) * (p[0] - a0)
        d4 = (b0 - a0) * (q[1] - a1) - (b1 - a1) * (q[0] - a0)
        if d1 * d2 <= 0.0 and d3 * d4 <= 0.0 and not (d1 == 0.0 and d2 == 0.0):
            return True
    return False


@njit(cache=True)
def past_join(p: F64, q: F64, cell_m: float) -> F64:
    """Return where a line from p to q is first looked at: its join touches the parent, or another line's start."""
    out = p.copy()
    d = math.hypot(q[0] - p[0], q[1] - p[1]) * cell_m
    out[0] += (q[0] - p[0]) * 0.5 / d
    out[1] += (q[1] - p[1]) * 0.5 / d
    return out


@njit(cache=True)
def clear_way(rc: F64, others: F64, cell_m: float) -> bool:
    """Return whether a line, its first half metre apart, meets none of the segments."""
    for k in range(rc.shape[0] - 1):
        p = past_join(rc[0], rc[1], cell_m) if k == 0 else rc[k]
        if crosses(p, rc[k + 1], others):
            return False
    return True


class Guests(NamedTuple):
    """Trees that a raw path serves: place, highest line beside them, taps, nearest point of the path.

    Sorted by that point; trees of point j are ``first[j]`` to ``first[j + 1]``. ``reach`` and
    ``grade`` are in raster cells, ``tap_m`` is what a lost tap costs.
    """

    rc: F64
    ceiling: F64
    taps: F64
    first: I64
    reach: float
    grade: float
    tap_m: float


@njit(cache=True)
def start_limits(
    surface: Surface, guests: Guests, p: F64, q: F64, first: int, last: int, limit: F64, taps: F64
) -> int:
    """Write for each guest of points first..last how high a line may arrive at p so that pq serves it; return how many.

    A guest is served from the place of pq nearest to it, from the lowest legal line there, which is
    ``max(z + grade * s, m(s))`` for a line that arrives at z (see the segment recurrence). Limits
    come out ascending, with the guests' taps; -inf where no line along pq serves the guest.
    """
    begin = int(guests.first[first])
    count = int(guests.first[last + 1]) - begin
    if count == 0:
        return 0
    a = q[0] - p[0]
    b = q[1] - p[1]
    square = max(a * a + b * b, 1e-12)
    cells = math.hypot(a, b)
    n = max(1, math.ceil(cells * SAMPLES_PER_CELL))
    run = cells * surface.cell_m
    m = np.empty(n + 1)
    line = -math.inf
    for k in range(n + 1):
        row = p[0] + a * k / n
        col = p[1] + b * k / n
        pr = min(max(int(row), 0), surface.low.shape[0] - 1)
        pc = min(max(int(col), 0), surface.low.shape[1] - 1)
        line = max(line + surface.grade * run / n, ground_at(surface.ground, row, col) + surface.low[pr, pc])
        m[k] = line
    for i in range(count):
        k = begin + i
        t = min(max(((guests.rc[k, 0] - p[0]) * a + (guests.rc[k, 1] - p[1]) * b) / square, 0.0), 1.0)
        d = math.hypot(guests.rc[k, 0] - p[0] - a * t, guests.rc[k, 1] - p[1] - b * t)
        highest = guests.ceiling[k] - guests.grade * d
        z = -math.inf
        if d <= guests.reach and m[int(t * n + 0.5)] <= highest:
            z = highest - surface.grade * run * t
        at = i
        while at > 0 and limit[at - 1] > z:
            limit[at] = limit[at - 1]
            taps[at] = taps[at - 1]
            at -= 1
        limit[at] = z
        taps[at] = guests.taps[k]
    return count


@njit(cache=True)
def taps_above(limit: F64, taps: F64, count: int, z: float) -> float:
    """Return the taps whose limit lies under an elevation; limits ascend."""
    lost = 0.0
    for i in range(count):
        if not limit[i] < z:
            break
        lost += taps[i]
    return lost


@njit(cache=True, nogil=True)
def pull(  # noqa: C901
    surface: Surface, pts: F64, starts: int, start_z: F64, start_dir: F64, others: F64, must: I64, closed: I64,
    guests: Guests, jump: int, bands: int, bend_m: float, most_deg: float,
) -> I64:
    """Return the indices of the chosen points, lower end first; empty when nothing is legal.

    ``pts[:starts]`` are places where the line may begin, at ``start_z`` on a parent that runs up
    along ``start_dir`` (zeros: no parent); the rest is the raw path. ``must[j]`` is 1 for points
    that may not be skipped, ``closed[j]`` for points at which no support may stand.
    """
    n = pts.shape[0]
    slots = bands + 1
    m = np.full((n, n if n < jump + starts + 1 else jump + starts + 1), np.inf)
    e = np.full(m.shape, -np.inf)
    w = np.full(m.shape, np.inf)
    cost = np.full((n, m.shape[1], slots), np.inf)
    z = np.full((n, m.shape[1], slots), np.inf)
    back = np.full((n, m.shape[1], slots), -1, dtype=np.int64)
    cell = surface.cell_m
    limit = np.empty(guests.taps.shape[0])
    taps = np.empty(guests.taps.shape[0])
    # edge (i, j) is stored at [j, x]: x < starts is start x, else path point j - (x - starts) - 1
    for j in range(starts, n):
        if closed[j] == 1:
            continue
        for x in range(m.shape[1]):
            i = x if x < starts else j - (x - starts) - 1
            if x >= starts and i < starts:
                break
            if x < starts and j - starts >= jump:
                continue
            skips = False
            for k in range(max(i + 1, starts), j):
                if must[k] == 1:
                    skips = True
            if skips:
                continue
            p = pts[i].copy()
            if x < starts:
                if math.hypot(pts[j, 0] - p[0], pts[j, 1] - p[1]) * cell < 1.0:
                    continue
                p = past_join(p, pts[j], cell)
            if crosses(p, pts[j], others):
                continue
            m[j, x], e[j, x], w[j, x] = segment(surface, pts[i, 0], pts[i, 1], pts[j, 0], pts[j, 1])
        g = ground_at(surface.ground, pts[j, 0], pts[j, 1])
        pr = min(max(int(pts[j, 0]), 0), surface.low.shape[0] - 1)
        pc = min(max(int(pts[j, 1]), 0), surface.low.shape[1] - 1)
        bottom = g + surface.low[pr, pc]
        span = max(surface.high[pr, pc] - surface.low[pr, pc], 1e-6)
        for x in range(m.shape[1]):
            if not m[j, x] < math.inf:
                continue
            i = x if x < starts else j - (x - starts) - 1
            dr = pts[j, 0] - pts[i, 0]
            dc = pts[j, 1] - pts[i, 1]
            rise = surface.grade * math.hypot(dr, dc) * cell
            since = starts if x < starts else i + 1
            count = start_limits(surface, guests, pts[i], pts[j], since, j, limit, taps)
            for y in range(1 if x < starts else m.shape[1]):
                if x >= starts and y >= starts and i - (y - starts) - 1 < starts:
                    break
                if x < starts:
                    fee = join_fee(turn_deg(start_dir[i, 0], start_dir[i, 1], dr, dc), bend_m, most_deg)
                else:
                    h = y if y < starts else i - (y - starts) - 1
                    fee = bend_fee(
                        turn_deg(pts[i, 0] - pts[h, 0], pts[i, 1] - pts[h, 1], dr, dc), bend_m, most_deg
                    )
                for q in range(1 if x < starts else slots):
                    z_from = start_z[i] if x < starts else z[i, y, q]
                    c_from = 0.0 if x < starts else cost[i, y, q]
                    if not z_from <= e[j, x] or not c_from < math.inf:
                        continue
                    zz = max(z_from + rise, m[j, x])
                    cc = c_from + w[j, x] + fee + guests.tap_m * taps_above(limit, taps, count, z_from)
                    b = min(max(int((zz - bottom) / span * bands), 0), bands - 1)
                    code = -1 if x < starts else y * slots + q
                    if cc < cost[j, x, b]:
                        cost[j, x, b] = cc
                        z[j, x, b] = zz
                        back[j, x, b] = code
                    if zz < z[j, x, bands] - 1e-9:
                        cost[j, x, bands] = cc
                        z[j, x, bands] = zz
                        back[j, x, bands] = code
    best = math.inf
    bx = -1
    bq = -1
    for x in range(m.shape[1]):
        for q in range(slots):
            if cost[n - 1, x, q] < best:
                best = cost[n - 1, x, q]
                bx = x
                bq = q
    if bx < 0:
        return np.empty(0, dtype=np.int64)
    out = [n - 1]
    j = n - 1
    while True:
        i = bx if bx < starts else j - (bx - starts) - 1
        out.append(i)
        code = back[j, bx, bq]
        if bx < starts:
            break
        j = i
        bx = code // slots
        bq = code % slots
    return np.array(out[::-1], dtype=np.int64)
