"""Compiled enumeration of every legal lateral, depth first from each head tree.

A lateral is entry, head, next tree and so on uphill. Its state is (last tree, label z,
length, taps); it is extended over the legal pieces of ``scene_kernel`` with the label::

    z' = max(need, z + min_grade * d),   dead when z' > ground + highest

and its cost grows by the true length of the piece at its label heights plus a small cost
of sharp turns. For each (head, second tree) only entries that are not worse both in cost
and in label are followed. When a head has more laterals than the cap, it is run again
with fewer neighbours to a tree.
"""

from __future__ import annotations

import numpy as np

from pipeline.compiled import njit
from pipeline.laterals.pieces_kernel import F64, I32, I64, U64, touches

DEPTH = 32


@njit(cache=True)
def mix(i: int) -> np.uint64:
    """Return a well mixed 64-bit key of a tree (splitmix64); the key of a set is the xor of its trees' keys."""
    x = np.uint64(i + 1) * np.uint64(0x9E3779B97F4A7C15)
    x = (x ^ (x >> np.uint64(30))) * np.uint64(0xBF58476D1CE4E5B9)
    x = (x ^ (x >> np.uint64(27))) * np.uint64(0x94D049BB133111EB)
    return x ^ (x >> np.uint64(31))


@njit(cache=True)
def turn_cost_m(ux: float, uy: float, vx: float, vy: float, rule: F64) -> float:
    """Return the cost of turning from direction u into v, inf beyond the limit.

    `rule` holds the free angle and the limit in radians, the cost per radian and the
    length below which a piece is too short to make a turn that matters.
    """
    lu = np.hypot(ux, uy)
    lv = np.hypot(vx, vy)
    if lu < rule[3] or lv < rule[3]:
        return 0.0
    angle = np.arctan2(abs(ux * vy - uy * vx), ux * vx + uy * vy)
    if angle > rule[1]:
        return np.inf
    return float(max(angle - rule[0], 0.0) * rule[2])


@njit(cache=True, nogil=True)
def enumerate_heads(
    first: int, last: int, tree: F64, taps: I64, neighbour: I32, dist: F64, need: F64, slot: F64,
    ent_slot: I32, ent_dist: F64, ent_need: F64, rule: F64, turn: F64, most_taps: int, max_length: float,
    entry_cost: float, width: int, cap: int, single: F64, margin: float, room: int,
) -> tuple[int, I32, I64, F64, I32, U64, I32, int]:
    """Write the legal laterals of the heads first..last-1, as many heads as fit into `room` rows.

    Returns
    -------
    (next head, flat trees, row pointers, cost, entry, key, taps, how many heads hit the cap)
        ``entry`` is the place in the head's own list of entries.
    """
    flat = np.empty(room * 8 + cap * DEPTH, np.int32)
    ptr = np.zeros(room + cap + 2, np.int64)
    cost = np.empty(room + cap + 1)
    entry = np.empty(room + cap + 1, np.int32)
    key = np.empty(room + cap + 1, np.uint64)
    load = np.empty(room + cap + 1, np.int32)
    rows = 0
    capped = 0
    head = first
    tries = np.array([width, 8, 6, 5, 4, 3, 2])
    while head < last:
        if rows >= room or ptr[rows] >= room * 8:
            break
        if ent_slot[head, 0] >= 0 and taps[head] <= most_taps:
            kept = rows
            for q in range(tries.shape[0]):
                rows = _from_head(
                    head, min(tries[q], width), tree, taps, neighbour, dist, need, slot,
                    ent_slot, ent_dist, ent_need, rule, turn, most_taps, max_length, entry_cost, cap,
                    single, margin, flat, ptr, cost, entry, key, load, kept,
                )
                if rows - kept < cap:
                    break
                if q == 0:
                    capped += 1
        head += 1
    return head, flat[: ptr[rows]], ptr[: rows + 1], cost[:rows], entry[:rows], key[:rows], load[:rows], capped


@njit(cache=True)
def _from_head(  # noqa: C901 - one loop nest; its parts would pass two dozen arrays about
    head: int, width: int, tree: F64, taps: I64, neighbour: I32, dist: F64, need: F64, slot: F64,
    ent_slot: I32, ent_dist: F64, ent_need: F64, rule: F64, turn: F64, most_taps: int, max_length: float,
    entry_cost: float, cap: int, single: F64, margin: float, flat: I32, ptr: I64, cost: F64, entry: I32,
    key: U64, load: I32, rows: int,
) -> int:
    """Write all laterals of one head behind row `rows`; stop at `cap`; return the new number of rows."""
    highest, grade = rule[1], rule[2]
    begin = rows
    path = np.empty(DEPTH, np.int32)
    path[0] = head
    hx, hy, hg = tree[head, 0], tree[head, 1], tree[head, 2]
    count = ent_slot.shape[1]
    ent_cost = np.full(count, np.inf)
    ent_len = np.zeros(count)
    ent_z = np.zeros(count)
    for e in range(count):
        s = ent_slot[head, e]
        if s < 0:
            break
        ent_z[e] = max(ent_need[head, e], slot[s, 2] + grade * ent_dist[head, e])
        ent_len[e] = np.hypot(ent_dist[head, e], ent_z[e] - slot[s, 2])
        if ent_z[e] <= hg + highest and ent_len[e] <= max_length:
            ent_cost[e] = ent_len[e] + entry_cost
    e = int(np.argmin(ent_cost))
    if np.isinf(ent_cost[e]):
        return rows
    rows = _emit(path, 1, ent_cost[e], e, taps[head], flat, ptr, cost, entry, key, load, rows)
    # second trees: entries on the Pareto front of (cost with the turn, label)
    with_turn = np.empty(count)
    for k in range(width):
        b = neighbour[head, k]
        if b < 0:
            break
        if taps[head] + taps[b] > most_taps:
            continue
        for e in range(count):
            with_turn[e] = np.inf
            if not np.isinf(ent_cost[e]):
                s = ent_slot[head, e]
                with_turn[e] = ent_cost[e] + turn_cost_m(
                    hx - slot[s, 0], hy - slot[s, 1], tree[b, 0] - hx, tree[b, 1] - hy, turn
                )
        order = np.argsort(with_turn, kind="mergesort")
        lowest_z = np.inf
        for q in range(count):
            e = order[q]
            if np.isinf(with_turn[e]):
                break
            if ent_z[e] >= lowest_z - 1e-9:
                continue
            lowest_z = ent_z[e]
            rows = _grow(
                path, b, k, e, with_turn[e], ent_len[e], ent_z[e], width, tree, taps, neighbour, dist, need,
                slot[ent_slot[head, e]], rule, turn, most_taps, max_length, cap, single, margin,
                flat, ptr, cost, entry, key, load, begin, rows,
            )
            if rows - begin >= cap:
                return rows
    return rows


@njit(cache=True)
def _grow(  # noqa: C901 - the depth-first loop with its own stack
    path: I32, second: int, k_second: int, e: int, cost0: float, len0: float, z0: float, width: int,
    tree: F64, taps: I64, neighbour: I32, dist: F64, need: F64, start: F64, rule: F64, turn: F64,
    most_taps: int, max_length: float, cap: int, single: F64, margin: float, flat: I32, ptr: I64,
    cost: F64, entry: I32, key: U64, load: I32, begin: int, rows: int,
) -> int:
    """Write all laterals that go on from the head to `second`, depth first with an explicit stack."""
    highest, grade = rule[1], rule[2]
    at_cost = np.empty(DEPTH)
    at_len = np.empty(DEPTH)
    at_z = np.empty(DEPTH)
    at_taps = np.empty(DEPTH, np.int64)
    turn_k = np.zeros(DEPTH, np.int64)
    at_cost[0], at_len[0], at_z[0], at_taps[0] = cost0, len0, z0, taps[path[0]]
    turn_k[0] = k_second
    depth = 0
    while depth >= 0:
        k = turn_k[depth]
        a = path[depth]
        done = k >= width or neighbour[a, k] < 0 or (depth == 0 and neighbour[a, k] != second)
        if done or depth + 1 >= DEPTH:
            depth -= 1
            continue
        turn_k[depth] += 1
        b = neighbour[a, k]
        total = at_taps[depth] + taps[b]
        if total > most_taps or taps[b] <= 0:
            continue
        z = max(need[a, k], at_z[depth] + grade * dist[a, k])
        if z > tree[b, 2] + highest:
            continue
        piece = np.hypot(dist[a, k], z - at_z[depth])
        if at_len[depth] + piece > max_length:
            continue
        bend = 0.0
        if depth > 0:
            p = path[depth - 1]
            bend = turn_cost_m(
                tree[a, 0] - tree[p, 0], tree[a, 1] - tree[p, 1],
                tree[b, 0] - tree[a, 0], tree[b, 1] - tree[a, 1], turn,
            )
            if np.isinf(bend):
                continue
        if _meets_itself(path, depth, b, tree, start):
            continue
        depth += 1
        path[depth] = b
        at_cost[depth] = at_cost[depth - 1] + piece + bend
        at_len[depth] = at_len[depth - 1] + piece
        at_z[depth] = z
        at_taps[depth] = total
        turn_k[depth] = 0
        # far dearer than giving the last tree a lateral of its own: only worth as a way further up
        if piece + bend <= single[b] + margin:
            rows = _emit(path, depth + 1, at_cost[depth], e, total, flat, ptr, cost, entry, key, load, rows)
            if rows - begin >= cap:
                return rows
    return rows


@njit(cache=True)
def _meets_itself(path: I32, depth: int, b: int, tree: F64, start: F64) -> bool:
    """Tell whether b is on the path already or the piece to b touches an earlier, not adjacent piece."""
    for i in range(depth + 1):
        if path[i] == b:
            return True
    a = path[depth]
    px, py = start[0], start[1]
    for i in range(depth):
        q = path[i]
        if touches(tree[a, 0], tree[a, 1], tree[b, 0], tree[b, 1], px, py, tree[q, 0], tree[q, 1]):
            return True
        px, py = tree[q, 0], tree[q, 1]
    return False


@njit(cache=True)
def _emit(
    path: I32, n: int, total: float, e: int, taps: int, flat: I32, ptr: I64, cost: F64, entry: I32,
    key: U64, load: I32, rows: int,
) -> int:
    """Write one lateral behind row `rows` and return rows + 1."""
    p = ptr[rows]
    code = np.uint64(0)
    for i in range(n):
        flat[p + i] = path[i]
        code ^= mix(path[i])
    ptr[rows + 1] = p + n
    cost[rows] = total
    entry[rows] = e
    key[rows] = code
    load[rows] = taps
    return rows + 1
