"""Compiled search for the legal pieces: from entry slots to trees and from tree to tree.

Recurrence of the height label along a lateral, from the entry uphill::

    z_0 = mainline elevation at the entry
    z_i = max(need_i, z_(i-1) + min_grade * d_i),   dead when z_i > ground_i + highest

where ``need_i`` is the larger of ``ground_i + lowest`` and what the span below it needs
to clear the ground (see ``pieces_kernel``).
"""

from __future__ import annotations

import numpy as np

from pipeline.compiled import njit
from pipeline.laterals.pieces_kernel import F32, F64, I32, I64, Bools, blocked, first_touch, nearest_m, span_need_z

# what stopped an entry piece, in the order of `fail`
LONG, BLOCKED, CROSSING, LOW = 0, 1, 2, 3
ON_LINE_M = 1e-3  # a tree nearer to a mainline than this stands on it and can only be a head
TRUNK_M = 0.5  # within so much of its entry a lateral may lie on either side of its mainline


@njit(cache=True, nogil=True)
def tree_edges(
    tree: F64, begin: int, near: I64, z: F32, mask: Bools, geo: F64, seg: F64, grid: F64, dims: I64, start: I64,
    item: I64, on_line: F64, rule: F64, width: int,
) -> tuple[I32, F64, F64]:
    """Return (neighbour, plan distance, need) of the legal pieces from each tree uphill, nearest first.

    Parameters
    ----------
    tree : float array, shape (n, 3)
        x, y, ground elevation.
    begin : int
        The tree that the first row of `near` is about; a row of the result is made for each row.
    near : int array, shape (m, k)
        Candidates by distance; n where there are no more.
    geo : float array
        x0, y0, cell of the terrain.
    rule : float array
        lowest, highest, grade as a ratio, clearance of spans, longest piece.
    width : int
        Most neighbours kept.
    """
    n = tree.shape[0]
    rows = near.shape[0]
    neighbour = np.full((rows, width), -1, np.int32)
    dist = np.zeros((rows, width))
    need = np.zeros((rows, width))
    lowest, highest, grade, clear, longest = rule[0], rule[1], rule[2], rule[3], rule[4]
    for row in range(rows):
        a = begin + row
        count = 0
        ax, ay, ag = tree[a, 0], tree[a, 1], tree[a, 2]
        for k in range(near.shape[1]):
            b = near[row, k]
            if b >= n or count == width:
                break
            if b == a or on_line[b]:
                continue
            bx, by, bg = tree[b, 0], tree[b, 1], tree[b, 2]
            d = np.hypot(bx - ax, by - ay)
            if d > longest or d < 1e-6 or ag + lowest + grade * d > bg + highest:
                continue
            if not on_line[a] and first_touch(ax, ay, bx, by, seg, grid, dims, start, item, -1.0) >= 0:
                continue
            if on_line[a] and first_touch(ax, ay, bx, by, seg, grid, dims, start, item, on_line[a]) >= 0:
                continue
            if blocked(mask, geo[0], geo[1], geo[2], ax, ay, bx, by):
                continue
            w = span_need_z(z, geo[0], geo[1], geo[2], ax, ay, ag + lowest, bx, by, clear)
            w = max(w, bg + lowest)
            if np.isnan(w) or w > bg + highest:
                continue
            neighbour[row, count] = b
            dist[row, count] = d
            need[row, count] = w
            count += 1
    return neighbour, dist, need


@njit(cache=True, nogil=True)
def entry_pieces(  # noqa: C901
    tree: F64, slot: F64, slot_line: I64, line_first: I64, line_last: I64, slot_grid: F64, slot_dims: I64,
    slot_start: I64, slot_item: I64, z: F32, mask: Bools, geo: F64, seg: F64, grid: F64, dims: I64,
    start: I64, item: I64, rule: F64, reach: float, offset: I64, width: int, enough: int,
) -> tuple[I32, F64, F64, I32, F64, F64]:
    """Return the legal entries of each tree, nearest first, and what stopped the others.

    The slot nearest to the tree on each mainline within `reach`, and the slots `offset`
    places up or down the line from it, are tried; and every other slot, outward, until
    `enough` are legal.

    Returns
    -------
    (slot index, plan distance, need), each shape (n, width), slot -1 where there are no more;
    fail : int array, shape (n, 4)
        Entries stopped by length, blocked ground, crossing a mainline, being too low.
    shortfall : float array
        By how much the best of the entries that are only too low misses the window, in metres.
    off : float array
        Distance to the nearest mainline, inf beyond `reach`.
    """
    n = tree.shape[0]
    out_slot = np.full((n, width), -1, np.int32)
    out_dist = np.zeros((n, width))
    out_need = np.zeros((n, width))
    fail = np.zeros((n, 4), np.int32)
    shortfall = np.full(n, np.inf)
    off = np.empty(n)
    for t in range(n):
        px, py, pg = tree[t, 0], tree[t, 1], tree[t, 2]
        off[t] = nearest_m(px, py, reach, seg, grid, dims, start, item)
        if np.isinf(off[t]):
            continue
        count = 0
        where, lines = _nearest_slots(
            px, py, reach, slot, slot_line, slot_grid, slot_dims, slot_start, slot_item
        )
        for q in range(lines):
            line = slot_line[where[q]]
            first, last = line_first[line], line_last[line]
            for k in range(offset.shape[0] + 2 * (last - first)):
                # the chosen places first; then, while few are legal, every other slot outward
                if k < offset.shape[0]:
                    s = where[q] + offset[k]
                else:
                    if count >= enough:
                        break
                    j = k - offset.shape[0]
                    step = -(j // 2 + 1) if j % 2 == 0 else j // 2 + 1
                    s = where[q] + step
                    if _listed(step, offset):
                        continue
                if s < first or s > last or np.hypot(slot[s, 0] - px, slot[s, 1] - py) > rule[4]:
                    continue
                ok, d, need, why, miss = _one_entry(
                    px, py, pg, slot[s], z, mask, geo, seg, grid, dims, start, item, rule
                )
                if ok:
                    count = _insert(t, s, d, need, count, out_slot, out_dist, out_need)
                else:
                    fail[t, why] += 1
                    shortfall[t] = min(shortfall[t], miss)
        if off[t] < ON_LINE_M and count > 0 and out_dist[t, 0] <= TRUNK_M:
            # its lateral may go on to either side only from an entry at the trunk: farther off it would cross the line
            for i in range(count):
                if out_dist[t, i] > TRUNK_M:
                    out_slot[t, i] = -1
    return out_slot, out_dist, out_need, fail, shortfall, off


@njit(cache=True)
def _listed(step: int, offset: I64) -> bool:
    """Tell whether a step is one of the offsets."""
    for k in range(offset.shape[0]):  # noqa: SIM110 - compiled code has no any() over a generator
        if offset[k] == step:
            return True
    return False


@njit(cache=True)
def _insert(
    t: int, s: int, d: float, need: float, count: int, out_slot: I32, out_dist: F64, out_need: F64,
) -> int:
    """Put an entry into the list of tree t, ordered by distance; return how many it holds."""
    i = count
    if i == out_slot.shape[1]:
        if out_dist[t, i - 1] <= d:
            return count
        i -= 1
    else:
        count += 1
    while i > 0 and out_dist[t, i - 1] > d:
        out_slot[t, i] = out_slot[t, i - 1]
        out_dist[t, i] = out_dist[t, i - 1]
        out_need[t, i] = out_need[t, i - 1]
        i -= 1
    out_slot[t, i] = s
    out_dist[t, i] = d
    out_need[t, i] = need
    return count


@njit(cache=True)
def _nearest_slots(
    px: float, py: float, reach: float, slot: F64, slot_line: I64, grid: F64, dims: I64, start: I64,
    item: I64,
) -> tuple[I64, int]:
    """Return per mainline within reach the nearest slot, ordered by distance, and how many there are."""
    most = 12
    best = np.full(most, np.inf)
    where = np.full(most, -1, np.int64)
    lines = 0
    x0, y0, cell = grid[0], grid[1], grid[2]
    nx, ny = dims[0], dims[1]
    c0 = min(max(int(np.floor((px - reach - x0) / cell)), 0), nx - 1)
    c1 = min(max(int(np.floor((px + reach - x0) / cell)), 0), nx - 1)
    r0 = min(max(int(np.floor((py - reach - y0) / cell)), 0), ny - 1)
    r1 = min(max(int(np.floor((py + reach - y0) / cell)), 0), ny - 1)
    for r in range(r0, r1 + 1):
        for c in range(c0, c1 + 1):
            for q in range(start[r * nx + c], start[r * nx + c + 1]):
                s = item[q]
                d = np.hypot(slot[s, 0] - px, slot[s, 1] - py)
                if d > reach + 2.0:
                    continue
                k = 0
                while k < lines and slot_line[where[k]] != slot_line[s]:
                    k += 1
                if k == most:
                    continue
                if k == lines:
                    lines += 1
                if d < best[k] or (d == best[k] and s < where[k]):
                    best[k] = d
                    where[k] = s
    order = np.argsort(best[:lines])
    return where[order], lines


@njit(cache=True)
def _one_entry(
    px: float, py: float, pg: float, slot: F64, z: F32, mask: Bools, geo: F64, seg: F64, grid: F64,
    dims: I64, start: I64, item: I64, rule: F64,
) -> tuple[bool, float, float, int, float]:
    """Judge the piece from a slot to a tree: (legal, plan distance, need, what stopped it, shortfall)."""
    lowest, highest, grade, clear, longest = rule[0], rule[1], rule[2], rule[3], rule[4]
    sx, sy, sz = slot[0], slot[1], slot[2]
    d = np.hypot(px - sx, py - sy)
    if d > longest:
        return False, d, 0.0, LONG, np.inf
    if first_touch(sx, sy, px, py, seg, grid, dims, start, item, 1e-3) >= 0:
        return False, d, 0.0, CROSSING, np.inf
    if blocked(mask, geo[0], geo[1], geo[2], sx, sy, px, py):
        return False, d, 0.0, BLOCKED, np.inf
    need = max(span_need_z(z, geo[0], geo[1], geo[2], sx, sy, sz, px, py, clear), pg + lowest)
    if np.isnan(need):
        return False, d, 0.0, BLOCKED, np.inf
    miss = max(need, sz + grade * d) - (pg + highest)
    if miss > 0.0:
        return False, d, need, LOW, miss
    return True, d, need, 0, np.inf

