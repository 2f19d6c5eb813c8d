"""What a choice of laterals is made of: paths with their slots, their pieces, and who is in whose way."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.laterals.columns import TURN
from pipeline.laterals.enumerate_kernel import turn_cost_m
from pipeline.laterals.pieces_kernel import check_pieces, first_touch, touching_pairs
from pipeline.laterals.rule import EntryCost
from pipeline.laterals.scene import Bins, Floats, Ints, Mask, Scene, bins_of, close_up

PIECE_BIN_M = 8.0


@dataclass(frozen=True, slots=True)
class Chosen:
    """One chosen lateral: trees of the scene from the entry uphill, its slot, its cost in metres."""

    trees: tuple[int, ...]
    slot: int
    cost_m: float


def labels(
    scene: Scene, trees: Sequence[int], slot: int, *, entry: EntryCost, max_length_m: float
) -> tuple[Floats, float] | None:
    """Return (lowest legal elevations from the entry to the last tree, cost), None when not legal.

    The slot must be among the first tree's entries and the pieces among the legal ones.
    """
    at = np.flatnonzero(scene.entry_slot[trees[0]] == slot)
    if not len(at):
        return None
    grade, highest = scene.rule[2], scene.rule[1]
    z = [float(scene.slot[slot, 2])]
    xy = [scene.slot[slot, :2], *(scene.tree[t, :2] for t in trees)]
    dist, need = float(scene.entry_dist[trees[0], at[0]]), float(scene.entry_need[trees[0], at[0]])
    length, bends = 0.0, 0.0
    for i, tree in enumerate(trees):
        if i:
            k = np.flatnonzero(scene.neighbour[trees[i - 1]] == tree)
            if not len(k):
                return None
            dist, need = float(scene.dist[trees[i - 1], k[0]]), float(scene.need[trees[i - 1], k[0]])
            bends += _turn_cost_m(xy[i] - xy[i - 1], xy[i + 1] - xy[i])
        z.append(max(need, z[-1] + grade * dist))
        length += float(np.hypot(dist, z[-1] - z[-2]))
        if z[-1] > scene.tree[tree, 2] + highest:
            return None
    if length > max_length_m or not np.isfinite(bends):
        return None
    return np.array(z), length + bends + float(entry.of(scene.taps[list(trees)].sum()))


def _turn_cost_m(u: Floats, v: Floats) -> float:
    return float(turn_cost_m(float(u[0]), float(u[1]), float(v[0]), float(v[1]), TURN))


def segments(scene: Scene, chosen: Sequence[Chosen]) -> tuple[Floats, Ints]:
    """Return the pieces of chosen laterals as segments, shape (n, 4), and which lateral each belongs to."""
    if not chosen:
        return np.zeros((0, 4)), np.zeros(0, np.int64)
    size = np.array([len(c.trees) for c in chosen])
    flat = np.fromiter((t for c in chosen for t in c.trees), dtype=np.int64, count=int(size.sum()))
    end = scene.tree[flat, :2]
    begin = np.empty_like(end)
    begin[1:] = end[:-1]
    head = np.concatenate([[0], np.cumsum(size)[:-1]])
    begin[head] = scene.slot[[c.slot for c in chosen], :2]
    return np.hstack([begin, end]), np.repeat(np.arange(len(chosen)), size).astype(np.int64)


def in_each_others_way(scene: Scene, chosen: Sequence[Chosen]) -> list[tuple[int, int, int, int]]:
    """Return (lateral, its piece, other lateral, its piece) for all pieces of two laterals that meet."""
    seg, group = segments(scene, chosen)
    if not len(seg):
        return []
    bins = bins_of(seg, PIECE_BIN_M)
    pairs = touching_pairs(bins.seg, group, bins.grid, bins.dims, bins.start, bins.item)
    first = np.concatenate([[0], np.cumsum(np.bincount(group, minlength=len(chosen)))])
    found = []
    for i, j in sorted(map(tuple, pairs.tolist())):
        a, b = int(group[i]), int(group[j])
        found.append((a, int(i - first[a]), b, int(j - first[b])))
    return found


def spread_entries(
    scene: Scene, chosen: list[Chosen], *, entry: EntryCost, max_length_m: float
) -> tuple[list[Chosen], list[tuple[int, int]]]:
    """Move laterals that share a slot to a free slot nearby.

    Returns
    -------
    (laterals, pairs that still share a slot)
        A lateral moves to the entry of its first tree that costs least and is in nobody's way.
    """
    out = list(chosen)
    owner: dict[int, int] = {}
    stuck = []
    for i, lateral in enumerate(chosen):
        if lateral.slot not in owner:
            owner[lateral.slot] = i
            continue
        j = owner[lateral.slot]
        taken = {c.slot for c in out}
        moves = [
            (k, move) for k in (i, j)
            for move in [_other_entry(scene, out, k, taken, entry=entry, max_length_m=max_length_m)] if move
        ]
        if not moves:
            stuck.append((j, i))
            continue
        k, move = min(moves, key=lambda m: m[1].cost_m - out[m[0]].cost_m)
        if k == j:
            owner[lateral.slot] = i
        out[k] = move
        owner[move.slot] = k
    return out, stuck


def _other_entry(
    scene: Scene, chosen: list[Chosen], k: int, taken: set[int], *, entry: EntryCost, max_length_m: float
) -> Chosen | None:
    """Return lateral k with the cheapest other entry that is free and in nobody's way, or None."""
    trees = chosen[k].trees
    head = scene.tree[trees[0], :2]
    # a lateral reaches no farther from its first tree than its length, and neither does the piece to another entry
    away = np.abs(scene.tree[[c.trees[0] for c in chosen], :2] - head).max(axis=1)
    near = [chosen[int(i)] for i in np.flatnonzero(away <= 2.0 * max_length_m) if i != k]
    close, _ = segments(scene, near)
    bins = bins_of(close, PIECE_BIN_M)
    best: Chosen | None = None
    for slot in scene.entry_slot[trees[0]].tolist():
        if slot < 0 or slot in taken:
            continue
        label = labels(scene, trees, slot, entry=entry, max_length_m=max_length_m)
        if label is None or (best is not None and label[1] >= best.cost_m):
            continue
        begin = scene.slot[slot]
        if first_touch(begin[0], begin[1], head[0], head[1], *bins.args, -1.0) >= 0:
            continue
        if _own_touch(scene, trees, begin):
            continue
        best = Chosen(trees=trees, slot=slot, cost_m=label[1])
    return best


def _own_touch(scene: Scene, trees: Sequence[int], begin: Floats) -> bool:
    """Tell whether the entry piece meets a later piece of its own lateral."""
    if len(trees) < 3:
        return False
    xy = scene.tree[list(trees), :2]
    bins = bins_of(np.hstack([xy[1:-1], xy[2:]]), PIECE_BIN_M)
    return bool(first_touch(begin[0], begin[1], xy[0, 0], xy[0, 1], *bins.args, -1.0) >= 0)


def clear_of(scene: Scene, fixed: Bins, used_slot: Mask) -> Scene:
    """Return the scene without entries and pieces that meet fixed laterals or use their slots."""
    entry, neighbour = scene.entry_slot.copy(), scene.neighbour.copy()
    t, e = np.nonzero(entry >= 0)
    if len(t):
        slot = entry[t, e]
        bad = used_slot[slot] | check_pieces(scene.slot[slot, :2], scene.tree[t, :2], *fixed.args)
        entry[t[bad], e[bad]] = -1
    a, k = np.nonzero(neighbour >= 0)
    if len(a):
        bad = check_pieces(scene.tree[a, :2], scene.tree[neighbour[a, k], :2], *fixed.args)
        neighbour[a[bad], k[bad]] = -1
    entry, entry_dist, entry_need = close_up(entry, scene.entry_dist, scene.entry_need)
    neighbour, dist, need = close_up(neighbour, scene.dist, scene.need)
    return replace(
        scene, entry_slot=entry, entry_dist=entry_dist, entry_need=entry_need, neighbour=neighbour, dist=dist,
        need=need,
    )
