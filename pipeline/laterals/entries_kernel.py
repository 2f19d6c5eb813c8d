"""Compiled search for the other entries a lateral could have.

The labels of ``scene_kernel`` are run again from each entry of the lateral's first tree.
"""

from __future__ import annotations

import numpy as np

from pipeline.compiled import njit
from pipeline.laterals.enumerate_kernel import turn_cost_m
from pipeline.laterals.pieces_kernel import F64, I32, I64, touches


@njit(cache=True)
def cost_from(
    trees: I32, e: int, tree: F64, neighbour: I32, dist: F64, need: F64, slot: F64, ent_slot: I32,
    ent_dist: F64, ent_need: F64, rule: F64, turn: F64, max_length: float,
) -> float:
    """Return length plus turns of a lateral from entry e of its first tree, inf when not legal."""
    head = trees[0]
    px, py, z = slot[ent_slot[head, e], 0], slot[ent_slot[head, e], 1], slot[ent_slot[head, e], 2]
    d, w = ent_dist[head, e], ent_need[head, e]
    length, bends = 0.0, 0.0
    sx, sy = px, py
    for i in range(trees.shape[0]):
        t = trees[i]
        if i > 0:
            a = trees[i - 1]
            k = 0
            while k < neighbour.shape[1] and neighbour[a, k] != t:
                k += 1
            if k == neighbour.shape[1]:
                return np.inf
            d, w = dist[a, k], need[a, k]
            bends += turn_cost_m(
                tree[a, 0] - px, tree[a, 1] - py, tree[t, 0] - tree[a, 0], tree[t, 1] - tree[a, 1], turn
            )
            px, py = tree[a, 0], tree[a, 1]
            if i > 1 and touches(sx, sy, tree[head, 0], tree[head, 1], px, py, tree[t, 0], tree[t, 1]):
                return np.inf
        up = max(w, z + rule[2] * d)
        length += np.hypot(d, up - z)
        z = up
        if z > tree[t, 2] + rule[1]:
            return np.inf
    return length + bends if length <= max_length else np.inf


@njit(cache=True, nogil=True)
def other_entries(
    flat: I32, ptr: I64, cost: F64, own_slot: I64, tree: F64, neighbour: I32, dist: F64, need: F64, slot: F64,
    ent_slot: I32, ent_dist: F64, ent_need: F64, rule: F64, turn: F64, max_length: float, entry_cost: float,
    extra: float,
) -> tuple[I64, I64, F64]:
    """Return (column, slot, cost) of all other legal entries of columns that cost at most `extra` more."""
    most = cost.shape[0] * ent_slot.shape[1]
    column = np.empty(most, np.int64)
    place = np.empty(most, np.int64)
    total = np.empty(most)
    count = 0
    for i in range(cost.shape[0]):
        trees = flat[ptr[i] : ptr[i + 1]]
        for e in range(ent_slot.shape[1]):
            s = ent_slot[trees[0], e]
            if s < 0:
                break
            if s == own_slot[i]:
                continue
            c = entry_cost + cost_from(
                trees, e, tree, neighbour, dist, need, slot, ent_slot, ent_dist, ent_need, rule, turn, max_length
            )
            if c <= cost[i] + extra:
                column[count] = i
                place[count] = s
                total[count] = c
                count += 1
    return column[:count], place[:count], total[:count]
