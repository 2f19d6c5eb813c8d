"""Large woodlots in blocks: first each block alone, then the strips along the borders again."""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np

from pipeline.laterals.bound_kernel import polish
from pipeline.laterals.choice import Chosen
from pipeline.laterals.columns import Columns, enumerate_columns
from pipeline.laterals.crew import in_pairs, in_turn, near_before
from pipeline.laterals.partition import BlockChoice
from pipeline.laterals.programme import Relaxed
from pipeline.laterals.region import Anew, anew, apart_m, boxes, heads, objective, served_by, solve_part
from pipeline.laterals.rescue import rescue
from pipeline.laterals.rule import Rules
from pipeline.laterals.scene import Floats, Ints, Mask, Scene
from pipeline.laterals.subset_kernel import subset_members
from pipeline.settings import LateralSettings

BLOCK_TREES = 700  # smaller ones lose fewer trees to laterals that meet, and more metres at their borders (measured)
VAST_BLOCK_TREES = 500  # of vast woods: faster still
SEAM_M = 20.0  # pieces up to this length across a border make their laterals part of the seam
BOUND_TREES = 25_000  # up to here the bound is polished over all columns at once
POLISH_STEPS = 400

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
    most = VAST_BLOCK_TREES if rule.vast else BLOCK_TREES
    blocks = split(np.arange(len(scene), dtype=np.int64), scene.tree[:, :2], most, 0.0)
    blocks = [blocks[k] for k in in_pairs(boxes(scene, blocks), apart_m(laterals))]
    rule = replace(rule, whole=len(blocks) == 1)
    prices = Prices(len(scene))
    coverable = np.zeros(len(scene), dtype=np.bool_)

    def solve(k: int, before: list[tuple[BlockChoice, list[Chosen]]]) -> tuple[BlockChoice, list[Chosen]]:
        return solve_part(scene, blocks[k], [c for _, near in before for c in near], laterals, rule)

    def told(share: float) -> None:
        if progress is not None:
            progress("laterals", share)

    # laterals of blocks farther apart cannot be in each other's way: those are not waited for
    made = in_turn(
        near_before(boxes(scene, blocks), apart_m(laterals)), solve, lambda done: told(0.7 * done / len(blocks))
    )
    chosen = [c for _, fresh in made for c in fresh]
    capped, bound = sum(solved.capped_heads for solved, _ in made), float("nan")
    for block, (solved, _) in zip(blocks, made, strict=True):
        coverable[block] |= solved.coverable
        if solved.relaxed is not None:
            prices.learn(block, solved.relaxed)
            bound = solved.relaxed.bound_m
    if rule.draft:
        return Choice(tuple(chosen), objective(chosen, coverable, rule), float("nan"), coverable, capped)
    if len(blocks) > 1:
        chosen = _mend_seams(scene, blocks, chosen, prices, laterals, rule, told)
    known = len(blocks) == 1 and np.isfinite(bound)
    # the bound needs the prices only, and of the plan no more than how far off it is about
    with ThreadPoolExecutor(1) as beside:
        upper = objective(chosen, coverable, rule)
        later = None if known else beside.submit(lower_bound, scene, prices, upper, laterals, rule)
        chosen = rescue(scene, coverable, chosen, laterals, rule, told)
        bound = bound if later is None else later.result()
    told(1.0)
    return Choice(tuple(chosen), objective(chosen, coverable, rule), bound, coverable, capped)


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


def _mend_seams(
    scene: Scene, blocks: list[Ints], chosen: list[Chosen], prices: Prices, laterals: LateralSettings, rule: Rules,
    told: Callable[[float], None],
) -> list[Chosen]:
    """Choose again along the borders of the blocks, whole laterals at a time; keep what is not worse."""
    groups = _seam_groups(scene, blocks, chosen)
    if not groups:
        return chosen
    groups = [groups[k] for k in in_pairs(boxes(scene, groups), apart_m(laterals))]
    group_of = np.full(len(scene), -1, dtype=np.int64)
    for k, trees in enumerate(groups):
        group_of[trees] = k
    box = boxes(scene, groups)
    near = near_before(box, apart_m(laterals))
    first = heads(chosen)
    xy, mine = scene.tree[first, :2], group_of[first]

    def mend(k: int, before: list[Anew]) -> Anew:
        # earlier groups near by as they are now, all else as it was
        close = ((xy >= box[k, :2] - apart_m(laterals)) & (xy <= box[k, 2:] + apart_m(laterals))).all(axis=1)
        rest = [chosen[int(i)] for i in np.flatnonzero(close & ~np.isin(mine, [*near[k], k]))]
        old = [chosen[int(i)] for i in np.flatnonzero(mine == k)]
        return anew(scene, groups[k], old, [*rest, *(c for one in before for c in one.now)], laterals, rule)

    made = in_turn(near, mend, lambda done: told(0.7 + 0.15 * done / len(groups)))
    for trees, one in zip(groups, made, strict=True):
        if one.relaxed is not None:
            prices.learn(trees, one.relaxed)
    better = np.array([*(one.better for one in made), False])
    kept = [c for c, k in zip(chosen, mine.tolist(), strict=True) if not better[k]]
    return [*kept, *(c for one in made if one.better for c in one.now)]


def _seam_groups(scene: Scene, blocks: list[Ints], chosen: list[Chosen]) -> list[Ints]:
    """Return the trees along the borders of the blocks in groups, those of a lateral in one group."""
    block_of = np.empty(len(scene), dtype=np.int64)
    for i, block in enumerate(blocks):
        block_of[block] = i
    across = (scene.neighbour >= 0) & (block_of[scene.neighbour] != block_of[:, None]) & (scene.dist <= SEAM_M)
    at_seam = across.any(axis=1)
    at_seam[scene.neighbour[across]] = True
    served = served_by(scene, chosen)
    # units that stay together: laterals at the seam, and single trees that nothing serves
    units = [c.trees for c in chosen if at_seam[list(c.trees)].any()]
    units += [(int(t),) for t in np.flatnonzero(~served & (at_seam | (scene.entry_slot[:, 0] >= 0)))]
    if not units:
        return []
    centre = np.array([scene.tree[list(u), :2].mean(axis=0) for u in units])
    size = max(BLOCK_TREES // 3, 1)
    return [
        np.sort(np.array([t for u in group for t in units[int(u)]], dtype=np.int64))
        for group in split(np.arange(len(units), dtype=np.int64), centre, size, math.pi / 4.0)
    ]


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
