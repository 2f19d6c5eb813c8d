"""Large woodlots in blocks: first each block alone, then the strips along the borders again."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.laterals.bound_kernel import polish
from pipeline.laterals.choice import PIECE_BIN_M, Chosen, clear_of, segments
from pipeline.laterals.columns import Columns, enumerate_columns
from pipeline.laterals.crew import in_turn, near_before
from pipeline.laterals.partition import BlockChoice, solve_block
from pipeline.laterals.programme import FEW_TREES, Relaxed
from pipeline.laterals.rule import Rules
from pipeline.laterals.scene import Floats, Ints, Mask, Scene, bins_of, part
from pipeline.laterals.subset_kernel import subset_members
from pipeline.settings import LateralSettings

BLOCK_TREES = 1100
SEAM_M = 20.0  # pieces up to this length across a border make their laterals part of the seam
BOUND_TREES = 25_000  # up to here the bound is polished over all columns at once
POLISH_STEPS = 400
RESCUE_M = 20.0  # laterals this near to an unserved tree are chosen anew with it
RESCUE_LATERALS = 14
RESCUES = 20  # beyond so many unserved trees each gets less time

Progress = Callable[[str, float], None]


class Prices:
    """What the blocks' linear programmes say a tree, and a subset row, is worth; for the bound of the whole."""

    def __init__(self, trees: int) -> None:
        self.tree = np.zeros(trees)
        self.subset: dict[tuple[int, int, int], float] = {}

    def learn(self, block: Ints, relaxed: Relaxed) -> None:
        """Take over the prices of one block; of subset rows those inside it are replaced."""
        inside = set(block.tolist())
        self.subset = {t: p for t, p in self.subset.items() if not inside.issuperset(t)}
        self.tree[block] = relaxed.price
        for triple, price in zip(relaxed.subset, relaxed.subset_price.tolist(), strict=False):
            if price < 0.0:
                a, b, c = (int(block[t]) for t in triple)
                self.subset[a, b, c] = price


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """Chosen laterals of the whole scene with the bound of their objective."""

    chosen: tuple[Chosen, ...]
    objective_m: float
    bound_m: float
    coverable: Mask
    capped_heads: int


def choose(
    scene: Scene, laterals: LateralSettings, rule: Rules, progress: Progress | None = None
) -> Choice:
    """Choose laterals for all trees of a scene."""
    blocks = split(np.arange(len(scene), dtype=np.int64), scene.tree[:, :2], BLOCK_TREES, 0.0)
    rule = replace(rule, whole=len(blocks) == 1)
    prices = Prices(len(scene))
    coverable = np.zeros(len(scene), dtype=np.bool_)

    def solve(k: int, before: list[tuple[BlockChoice, list[Chosen]]]) -> tuple[BlockChoice, list[Chosen]]:
        return _solve(scene, blocks[k], [c for _, near in before for c in near], laterals, rule)

    def told(share: float) -> None:
        if progress is not None:
            progress("laterals", share)

    # laterals of blocks farther apart cannot be in each other's way: those are not waited for
    made = in_turn(
        near_before(_boxes(scene, blocks), _apart_m(laterals)), solve, lambda done: told(0.7 * done / len(blocks))
    )
    chosen = [c for _, fresh in made for c in fresh]
    capped, bound = sum(solved.capped_heads for solved, _ in made), float("nan")
    for block, (solved, _) in zip(blocks, made, strict=True):
        coverable[block] |= solved.coverable
        if solved.relaxed is not None:
            prices.learn(block, solved.relaxed)
            bound = solved.relaxed.bound_m
    if rule.draft:
        return Choice(tuple(chosen), _objective(chosen, coverable, rule), float("nan"), coverable, capped)
    if len(blocks) > 1:
        chosen = _mend_seams(scene, blocks, chosen, prices, laterals, rule, told)
    chosen = _rescue(scene, coverable, chosen, laterals, rule, told)
    if len(blocks) != 1 or not np.isfinite(bound):
        bound = lower_bound(scene, prices, _objective(chosen, coverable, rule), laterals, rule)
    told(1.0)
    return Choice(tuple(chosen), _objective(chosen, coverable, rule), bound, coverable, capped)


def _apart_m(laterals: LateralSettings) -> float:
    """Return how far from a block a lateral may begin and still be in its way, with room to spare.

    A lateral reaches at most its length from its first tree, and so does a new one.
    """
    return 3.0 * laterals.max_length_m


def _boxes(scene: Scene, groups: Sequence[Ints]) -> Floats:
    """Return low x, low y, high x, high y of the trees of each group."""
    xy = scene.tree[:, :2]
    return np.array([[*xy[g].min(axis=0), *xy[g].max(axis=0)] for g in groups]).reshape(-1, 4)


def _objective(chosen: Sequence[Chosen], coverable: Mask, rule: Rules) -> float:
    unserved = int(coverable.sum()) - sum(len(c.trees) for c in chosen)
    return sum(c.cost_m for c in chosen) + rule.penalty_m * unserved


def split(index: Ints, xy_m: Floats, most: int, angle_rad: float) -> list[Ints]:
    """Cut points into groups of at most `most`, halving across the longer side of the turned frame."""
    turn = np.array([[math.cos(angle_rad), -math.sin(angle_rad)], [math.sin(angle_rad), math.cos(angle_rad)]])
    uv = xy_m @ turn
    out = []
    stack = [index]
    while stack:
        some = stack.pop()
        if len(some) <= most:
            if len(some):
                out.append(np.sort(some))
            continue
        axis = int(np.argmax(np.ptp(uv[some], axis=0)))
        order = some[np.argsort(uv[some, axis], kind="stable")]
        stack += [order[len(order) // 2 :], order[: len(order) // 2]]
    return out


def _solve(
    scene: Scene, block: Ints, others: Sequence[Chosen], laterals: LateralSettings, rule: Rules
) -> tuple[BlockChoice, list[Chosen]]:
    """Choose laterals for the trees of a block, out of the way of the other laterals."""
    local = part(scene, block)
    if others:
        heads = scene.tree[[c.trees[0] for c in others], :2]
        low = scene.tree[block, :2].min(axis=0) - _apart_m(laterals)
        top = scene.tree[block, :2].max(axis=0) + _apart_m(laterals)
        near = np.flatnonzero(((heads >= low) & (heads <= top)).all(axis=1))
        seg, _ = segments(scene, [others[int(i)] for i in near])
        used = np.zeros(len(scene.slot), dtype=np.bool_)
        used[[others[int(i)].slot for i in near]] = True
        local = clear_of(local, bins_of(seg, PIECE_BIN_M), used)
    solved = solve_block(local, laterals, rule)
    return solved, [Chosen(tuple(block[list(c.trees)].tolist()), c.slot, c.cost_m) for c in solved.chosen]


def _mend_seams(
    scene: Scene, blocks: list[Ints], chosen: list[Chosen], prices: Prices, laterals: LateralSettings, rule: Rules,
    told: Callable[[float], None],
) -> list[Chosen]:
    """Choose again along the borders of the blocks, whole laterals at a time; keep what is not worse."""
    block_of = np.empty(len(scene), dtype=np.int64)
    for i, block in enumerate(blocks):
        block_of[block] = i
    across = (scene.neighbour >= 0) & (block_of[scene.neighbour] != block_of[:, None]) & (scene.dist <= SEAM_M)
    at_seam = across.any(axis=1)
    at_seam[scene.neighbour[across]] = True
    served = np.zeros(len(scene), dtype=np.bool_)
    served[[t for c in chosen for t in c.trees]] = True
    # units that stay together: laterals at the seam, and single trees that nothing serves
    units = [c.trees for c in chosen if at_seam[list(c.trees)].any()]
    units += [(int(t),) for t in np.flatnonzero(~served & (at_seam | (scene.entry_slot[:, 0] >= 0)))]
    if not units:
        return chosen
    centre = np.array([scene.tree[list(u), :2].mean(axis=0) for u in units])
    size = max(BLOCK_TREES // 3, 1)
    groups = [
        np.sort(np.array([t for u in group for t in units[int(u)]], dtype=np.int64))
        for group in split(np.arange(len(units), dtype=np.int64), centre, size, math.pi / 4.0)
    ]
    group_of = np.full(len(scene), -1, dtype=np.int64)
    for k, trees in enumerate(groups):
        group_of[trees] = k
    near = near_before(_boxes(scene, groups), _apart_m(laterals))
    old: list[list[Chosen]] = [[] for _ in groups]
    for c in chosen:
        if group_of[c.trees[0]] >= 0:
            old[group_of[c.trees[0]]].append(c)

    def mend(k: int, before: list[_Anew]) -> _Anew:
        # earlier groups near by as they are now, all else as it was
        changed = set(near[k])
        rest = [c for c in chosen if group_of[c.trees[0]] not in changed and group_of[c.trees[0]] != k]
        return _anew(scene, groups[k], old[k], [*rest, *(c for one in before for c in one.now)], laterals, rule)

    made = in_turn(near, mend, lambda done: told(0.7 + 0.15 * done / len(groups)))
    for k, (trees, one) in enumerate(zip(groups, made, strict=True)):
        if one.better:
            chosen = [*(c for c in chosen if group_of[c.trees[0]] != k), *one.now]
        if one.relaxed is not None:
            prices.learn(trees, one.relaxed)
    return chosen


@dataclass(frozen=True, slots=True, eq=False)
class _Anew:
    """What some trees' laterals are after another choice, whether they are better, and its relaxation."""

    now: list[Chosen]
    better: bool
    relaxed: Relaxed | None


def _anew(
    scene: Scene, trees: Ints, old: list[Chosen], rest: Sequence[Chosen], laterals: LateralSettings, rule: Rules
) -> _Anew:
    """Choose anew for some trees out of the way of the rest; keep what is not worse."""
    solved, fresh = _solve(scene, trees, rest, laterals, rule)
    every = np.ones(len(trees), dtype=np.bool_)
    better = _objective(fresh, every, rule) < _objective(old, every, rule) - 1e-9
    return _Anew(fresh if better else old, better, solved.relaxed)


def _again(
    scene: Scene, trees: Ints, chosen: list[Chosen], heads: Ints, laterals: LateralSettings, rule: Rules
) -> list[Chosen]:
    """Choose anew for some trees, whole laterals at a time, out of the way of the rest; keep what is not worse."""
    inside = np.zeros(len(scene), dtype=np.bool_)
    inside[trees] = True
    mine = inside[heads]
    low = scene.tree[trees, :2].min(axis=0) - _apart_m(laterals)
    high = scene.tree[trees, :2].max(axis=0) + _apart_m(laterals)
    close = ((scene.tree[heads, :2] >= low) & (scene.tree[heads, :2] <= high)).all(axis=1) & ~mine
    old = [chosen[int(i)] for i in np.flatnonzero(mine)]
    one = _anew(scene, trees, old, [chosen[int(i)] for i in np.flatnonzero(close)], laterals, rule)
    if not one.better:
        return chosen
    return [c for c, gone in zip(chosen, mine.tolist(), strict=True) if not gone] + one.now


def _heads(chosen: Sequence[Chosen]) -> Ints:
    """Return the first tree of each lateral."""
    return np.array([c.trees[0] for c in chosen], dtype=np.int64)


def served_by(scene: Scene, chosen: Sequence[Chosen]) -> Mask:
    """Return which trees of a scene some laterals serve."""
    served = np.zeros(len(scene), dtype=np.bool_)
    served[[t for c in chosen for t in c.trees]] = True
    return served


def _rescue(
    scene: Scene, coverable: Mask, chosen: list[Chosen], laterals: LateralSettings, rule: Rules,
    told: Callable[[float], None],
) -> list[Chosen]:
    """Choose again around each tree that some lateral could serve and none does, by the programme."""
    quick = rule.effort == "quick"
    exact = replace(
        rule, effort="normal" if quick else rule.effort,
        hurry=quick or (rule.effort == "normal" and int((coverable & ~served_by(scene, chosen)).sum()) > RESCUES),
    )
    # of many trees the plain programme mostly does, in a fraction of the time
    tries = (replace(exact, rounds=0), exact) if len(scene) > FEW_TREES else (exact,)
    served = served_by(scene, chosen)
    heads = _heads(chosen)
    left = np.flatnonzero(coverable & ~served)
    for k, t in enumerate(left):
        told(0.85 + 0.15 * k / len(left))
        if served[t]:
            continue
        away = np.hypot(*(scene.tree[:, :2] - scene.tree[t, :2]).T)
        about = away <= RESCUE_M
        off = scene.tree[heads, :2] - scene.tree[t, :2]
        close = np.flatnonzero(np.hypot(*off.T) <= RESCUE_M + laterals.max_length_m)
        near = [chosen[int(i)] for i in close if about[list(chosen[int(i)].trees)].any()]
        near = sorted(near, key=lambda c: float(away[list(c.trees)].min()))[:RESCUE_LATERALS]
        alone = np.flatnonzero(~served & coverable & about)
        trees = np.unique(np.concatenate([[v for c in near for v in c.trees], alone]).astype(np.int64))
        for how in tries:
            was, chosen = chosen, _again(scene, trees, chosen, heads, laterals, how)
            heads = heads if chosen is was else _heads(chosen)
            served[trees] = False
            mine = np.flatnonzero(np.isin(heads, trees))
            served[[v for i in mine for v in chosen[int(i)].trees]] = True
            if served[t]:
                break
    return chosen


def lower_bound(scene: Scene, prices: Prices, upper: float, laterals: LateralSettings, rule: Rules) -> float:
    """Return a lower bound of the objective over all columns; NaN for more than `BOUND_TREES` trees."""
    if len(scene) > BOUND_TREES:
        return float("nan")
    columns: Columns = enumerate_columns(scene, laterals, rule.effort)
    if not len(columns):
        return 0.0
    first = prices.tree if prices.tree.any() else _shared_cost(columns, len(scene))
    cost, constant = columns.cost_m, 0.0
    if prices.subset:
        triples = np.array(list(prices.subset), dtype=np.int64).reshape(-1, 3)
        price = np.array(list(prices.subset.values()))
        row, col = subset_members(triples, columns.flat, columns.ptr, len(scene))
        cost = cost - np.bincount(col, weights=price[row], minlength=len(cost))
        constant = float(price.sum())
    bound, _ = polish(
        first, columns.flat, columns.ptr, cost, len(scene), rule.penalty_m, upper - constant, POLISH_STEPS
    )
    return float(bound) + constant


def _shared_cost(columns: Columns, trees: int) -> Floats:
    """Return for each tree its share of the cheapest lateral per tree: prices to begin with."""
    size = np.diff(columns.ptr)
    share = np.full(trees, np.inf)
    np.minimum.at(share, columns.flat, np.repeat(columns.cost_m / size, size))
    return np.asarray(np.where(np.isfinite(share), share, 0.0))
