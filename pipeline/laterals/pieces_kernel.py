"""Compiled geometry of single pieces: crossings, blocked cells, ground under a span.

A *piece* is the straight run from an entry to a tree or from tree to tree.

Span rule. A piece rises from elevation ``z_a`` at its lower end to ``z_b`` at plan
distance ``d``; at the share ``t`` of the way it must stay ``clear`` above the ground::

    (1 - t) * z_a + t * z_b >= g(t) + clear    for all sampled t

so ``z_b >= max_t (g(t) + clear - (1 - t) * z_a) / t``. The right side falls as ``z_a``
rises, so the value at the lowest ``z_a`` that can occur is enough for every higher one.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.compiled import njit
from pipeline.terrain.sample_kernel import ground_at

F64 = npt.NDArray[np.float64]
F32 = npt.NDArray[np.float32]
I64 = npt.NDArray[np.int64]
I32 = npt.NDArray[np.int32]
U64 = npt.NDArray[np.uint64]
END_M = 0.05  # so near to its ends a piece is not asked for its clearance
Bools = npt.NDArray[np.bool_]


@njit(cache=True)
def orient(ax: float, ay: float, bx: float, by: float, cx: float, cy: float) -> float:
    """Return twice the signed area of the triangle a, b, c."""
    return (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)


@njit(cache=True)
def touches(
    ax: float, ay: float, bx: float, by: float, cx: float, cy: float, dx: float, dy: float,
) -> bool:
    """Tell whether the closed segments ab and cd share a point."""
    if max(ax, bx) < min(cx, dx) or max(cx, dx) < min(ax, bx):
        return False
    if max(ay, by) < min(cy, dy) or max(cy, dy) < min(ay, by):
        return False
    o1 = orient(ax, ay, bx, by, cx, cy)
    o2 = orient(ax, ay, bx, by, dx, dy)
    if (o1 > 0.0 and o2 > 0.0) or (o1 < 0.0 and o2 < 0.0):
        return False
    o3 = orient(cx, cy, dx, dy, ax, ay)
    o4 = orient(cx, cy, dx, dy, bx, by)
    return not ((o3 > 0.0 and o4 > 0.0) or (o3 < 0.0 and o4 < 0.0))


@njit(cache=True)
def point_segment_m(px: float, py: float, ax: float, ay: float, bx: float, by: float) -> float:
    """Return the distance from point p to the segment ab."""
    ux = bx - ax
    uy = by - ay
    length2 = ux * ux + uy * uy
    t = 0.0
    if length2 > 0.0:
        t = min(max(((px - ax) * ux + (py - ay) * uy) / length2, 0.0), 1.0)
    return float(np.hypot(ax + t * ux - px, ay + t * uy - py))


@njit(cache=True)
def bin_boxes(box: F64, x0: float, y0: float, cell: float, nx: int, ny: int) -> tuple[I64, I64]:
    """Sort boxes into square bins: return (start, item), the items of bin k at start[k]:start[k + 1].

    `box` has the rows (x low, y low, x high, y high); a box lies in every bin it overlaps.
    """
    n = box.shape[0]
    span = np.empty((n, 4), np.int64)
    start = np.zeros(nx * ny + 1, np.int64)
    for i in range(n):
        for k in range(4):
            low = x0 if k % 2 == 0 else y0
            top = nx if k % 2 == 0 else ny
            span[i, k] = min(max(int(np.floor((box[i, k] - low) / cell)), 0), top - 1)
        for r in range(span[i, 1], span[i, 3] + 1):
            for c in range(span[i, 0], span[i, 2] + 1):
                start[r * nx + c + 1] += 1
    for k in range(nx * ny):
        start[k + 1] += start[k]
    fill = start.copy()
    item = np.empty(start[-1], np.int64)
    for i in range(n):
        for r in range(span[i, 1], span[i, 3] + 1):
            for c in range(span[i, 0], span[i, 2] + 1):
                item[fill[r * nx + c]] = i
                fill[r * nx + c] += 1
    return start, item


@njit(cache=True)
def first_touch(
    ax: float, ay: float, bx: float, by: float, seg: F64, grid: F64, dims: I64, start: I64, item: I64,
    skip_m: float,
) -> int:
    """Return the index of a segment that the piece ab touches, or -1.

    Segments nearer to the point a than `skip_m` are left out (a negative value leaves none
    out): an entry lies on its own mainline.
    """
    x0, y0, cell = grid[0], grid[1], grid[2]
    nx, ny = dims[0], dims[1]
    c0 = min(max(int(np.floor((min(ax, bx) - x0) / cell)), 0), nx - 1)
    c1 = min(max(int(np.floor((max(ax, bx) - x0) / cell)), 0), nx - 1)
    r0 = min(max(int(np.floor((min(ay, by) - y0) / cell)), 0), ny - 1)
    r1 = min(max(int(np.floor((max(ay, by) - y0) / cell)), 0), ny - 1)
    for r in range(r0, r1 + 1):
        for c in range(c0, c1 + 1):
            for q in range(start[r * nx + c], start[r * nx + c + 1]):
                i = item[q]
                if touches(ax, ay, bx, by, seg[i, 0], seg[i, 1], seg[i, 2], seg[i, 3]) and (
                    skip_m < 0.0
                    or point_segment_m(ax, ay, seg[i, 0], seg[i, 1], seg[i, 2], seg[i, 3]) > skip_m
                ):
                    return int(i)
    return -1


@njit(cache=True)
def nearest_m(
    px: float, py: float, reach: float, seg: F64, grid: F64, dims: I64, start: I64, item: I64,
) -> float:
    """Return the distance from a point to the nearest segment, or inf beyond `reach`."""
    x0, y0, cell = grid[0], grid[1], grid[2]
    nx, ny = dims[0], dims[1]
    best = np.inf
    c0 = min(max(int(np.floor((px - reach - x0) / cell)), 0), nx - 1)
    c1 = min(max(int(np.floor((px + reach - x0) / cell)), 0), nx - 1)
    r0 = min(max(int(np.floor((py - reach - y0) / cell)), 0), ny - 1)
    r1 = min(max(int(np.floor((py + reach - y0) / cell)), 0), ny - 1)
    for r in range(r0, r1 + 1):
        for c in range(c0, c1 + 1):
            for q in range(start[r * nx + c], start[r * nx + c + 1]):
                i = item[q]
                d = point_segment_m(px, py, seg[i, 0], seg[i, 1], seg[i, 2], seg[i, 3])
                best = min(best, d)
    return best if best <= reach else np.inf


@njit(cache=True)
def bilinear(z: F32, x0: float, y0: float, cell: float, x: float, y: float) -> float:
    """Return the ground elevation at a point as ``Terrain.sample`` defines it, NaN where there is none."""
    rows, cols = z.shape
    row = (y0 - y) / cell
    col = (x - x0) / cell
    if not (-0.5 <= row <= rows - 0.5 and -0.5 <= col <= cols - 0.5):
        return np.nan
    return ground_at(z, row, col)


@njit(cache=True)
def blocked(
    mask: Bools, x0: float, y0: float, cell: float, ax: float, ay: float, bx: float, by: float,
) -> bool:
    """Tell whether the segment ab passes a blocked cell or leaves the grid: every cell it meets is looked at."""
    rows, cols = mask.shape
    fr = (y0 - ay) / cell + 0.5
    fc = (ax - x0) / cell + 0.5
    gr = (y0 - by) / cell + 0.5
    gc = (bx - x0) / cell + 0.5
    r, c = int(np.floor(fr)), int(np.floor(fc))
    r_end, c_end = int(np.floor(gr)), int(np.floor(gc))
    dr, dc = gr - fr, gc - fc
    step_r = 1 if dr > 0.0 else -1
    step_c = 1 if dc > 0.0 else -1
    t_r = np.inf if dr == 0.0 else ((r + (step_r > 0)) - fr) / dr
    t_c = np.inf if dc == 0.0 else ((c + (step_c > 0)) - fc) / dc
    for _ in range(abs(r_end - r) + abs(c_end - c) + 1):
        if r < 0 or c < 0 or r >= rows or c >= cols or mask[r, c]:
            return True
        if t_r < t_c:
            r += step_r
            t_r += abs(1.0 / dr)
        else:
            c += step_c
            t_c += abs(1.0 / dc) if dc != 0.0 else np.inf
    return False


@njit(cache=True)
def span_need_z(
    z: F32, x0: float, y0: float, cell: float, ax: float, ay: float, za: float, bx: float, by: float,
    clear: float,
) -> float:
    """Return the least elevation at b that keeps the piece from (a, za) `clear` above ground, NaN without ground.

    Bilinear ground has creases where the piece passes a row or a column of cell centres; it is asked at each of
    them, and at least every metre. The ends are left to the tree's own window.
    """
    d = np.hypot(bx - ax, by - ay)
    count = int(np.ceil(d))
    need = -np.inf
    for k in range(1, count):
        t = k / count
        g = bilinear(z, x0, y0, cell, ax + t * (bx - ax), ay + t * (by - ay))
        if np.isnan(g):
            return np.nan
        need = max(need, (g + clear - (1.0 - t) * za) / t)
    for axis in range(2):
        start = (y0 - ay) / cell if axis == 0 else (ax - x0) / cell
        end = (y0 - by) / cell if axis == 0 else (bx - x0) / cell
        for k in range(int(np.ceil(min(start, end))), int(np.floor(max(start, end))) + 1):
            t = (k - start) / (end - start) if end != start else 0.0
            if t * d < END_M or (1.0 - t) * d < END_M:
                continue
            g = bilinear(z, x0, y0, cell, ax + t * (bx - ax), ay + t * (by - ay))
            if np.isnan(g):
                return np.nan
            need = max(need, (g + clear - (1.0 - t) * za) / t)
    return need


@njit(cache=True, nogil=True)
def check_pieces(a: F64, b: F64, seg: F64, grid: F64, dims: I64, start: I64, item: I64) -> Bools:
    """Return for each piece a[i] to b[i] whether it touches any of the segments."""
    out = np.zeros(a.shape[0], np.bool_)
    for i in range(a.shape[0]):
        out[i] = first_touch(a[i, 0], a[i, 1], b[i, 0], b[i, 1], seg, grid, dims, start, item, -1.0) >= 0
    return out


@njit(cache=True, nogil=True)
def touching_pairs(seg: F64, group: I64, grid: F64, dims: I64, start: I64, item: I64) -> I64:
    """Return pairs (i, j), i < j, of segments of different groups that share a point."""
    out = np.empty((64, 2), np.int64)
    count = 0
    x0, y0, cell = grid[0], grid[1], grid[2]
    nx, ny = dims[0], dims[1]
    seen = np.full(seg.shape[0], -1, np.int64)
    for i in range(seg.shape[0]):
        ax, ay, bx, by = seg[i, 0], seg[i, 1], seg[i, 2], seg[i, 3]
        c0 = min(max(int(np.floor((min(ax, bx) - x0) / cell)), 0), nx - 1)
        c1 = min(max(int(np.floor((max(ax, bx) - x0) / cell)), 0), nx - 1)
        r0 = min(max(int(np.floor((min(ay, by) - y0) / cell)), 0), ny - 1)
        r1 = min(max(int(np.floor((max(ay, by) - y0) / cell)), 0), ny - 1)
        for r in range(r0, r1 + 1):
            for c in range(c0, c1 + 1):
                for q in range(start[r * nx + c], start[r * nx + c + 1]):
                    j = item[q]
                    if j <= i or group[i] == group[j] or seen[j] == i:
                        continue
                    seen[j] = i
                    if touches(ax, ay, bx, by, seg[j, 0], seg[j, 1], seg[j, 2], seg[j, 3]):
                        if count == out.shape[0]:
                            bigger = np.empty((2 * count, 2), np.int64)
                            bigger[:count] = out
                            out = bigger
                        out[count, 0] = i
                        out[count, 1] = j
                        count += 1
    return out[:count]
