"""The instant preview: savings and local search; and mending a choice in which laterals meet."""

from __future__ import annotations

import numpy as np

from pipeline.laterals.choice import Chosen, in_each_others_way, spread_entries
from pipeline.laterals.columns import Columns
from pipeline.laterals.improve_kernel import local_search, savings
from pipeline.laterals.rows import as_chosen
from pipeline.laterals.rule import Rules
from pipeline.laterals.scene import Ints, Scene


def savings_rows(scene: Scene, columns: Columns, rule: Rules) -> Ints:
    """Return the laterals chosen by savings and local search; some may still cross."""
    order = np.argsort(columns.key, kind="stable")
    key, cost = columns.key[order], columns.cost_m[order]
    owner, lateral_key = savings(len(scene), scene.neighbour, key, cost, rule.penalty_m)
    local_search(owner, lateral_key, _both_ways(scene), key, cost, rule.penalty_m, 60)
    used = np.unique(lateral_key[owner[owner >= 0]])
    return np.sort(order[np.searchsorted(key, used)])


def _both_ways(scene: Scene) -> Ints:
    """Return the trees around each tree, whichever way a piece may run, -1 where there are no more."""
    a, k = np.nonzero(scene.neighbour >= 0)
    b = scene.neighbour[a, k].astype(np.int64)
    pairs = np.unique(np.vstack([np.column_stack([a, b]), np.column_stack([b, a])]), axis=0)
    count = np.bincount(pairs[:, 0], minlength=len(scene))
    near = np.full((len(scene), max(int(count.max(initial=0)), 1)), -1, dtype=np.int64)
    place = np.arange(len(pairs)) - np.repeat(np.cumsum(count) - count, count)
    near[pairs[:, 0], place] = pairs[:, 1]
    return near


def untangled(scene: Scene, columns: Columns, chosen: list[Chosen], rule: Rules) -> list[Chosen]:
    """Take out laterals that meet others and put their trees back by what still fits, cheapest per tree first."""
    kept, stuck = spread_entries(scene, chosen, entry=rule.entry, max_length_m=rule.max_length_m)
    drop = {b for _, b in stuck}
    for a, _, b, _ in in_each_others_way(scene, kept):
        if a not in drop and b not in drop:
            drop.add(min((a, b), key=lambda k: (len(kept[k].trees), -kept[k].cost_m, k)))
    kept = [c for k, c in enumerate(kept) if k not in drop]
    open_tree = np.ones(len(scene), dtype=np.bool_)
    open_tree[[t for c in kept for t in c.trees]] = False
    rows = np.flatnonzero(columns.inside(open_tree))
    size = np.diff(columns.ptr)[rows]
    worth = (columns.cost_m[rows] - rule.penalty_m * size) / size
    used = {c.slot for c in kept}
    for r in rows[np.argsort(worth, kind="stable")]:
        trees = columns.trees(int(r))
        if not open_tree[trees].all() or int(columns.slot[r]) in used:
            continue
        extra = as_chosen(columns, np.array([r]))[0]
        if _meets_any(scene, kept, extra):
            continue
        kept.append(extra)
        used.add(extra.slot)
        open_tree[trees] = False
    return kept


def _meets_any(scene: Scene, kept: list[Chosen], extra: Chosen) -> bool:
    """Tell whether one more lateral meets any of those near it."""
    here = scene.tree[extra.trees[0], :2]
    near = [c for c in kept if float(np.abs(scene.tree[c.trees[0], :2] - here).max()) < 130.0]
    return any(len(near) in (a, b) for a, _, b, _ in in_each_others_way(scene, [*near, extra]))
