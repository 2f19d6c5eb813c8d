"""Laterals chosen for some trees of a scene, out of the way of the others'."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.laterals.choice import PIECE_BIN_M, Chosen, clear_of, segments
from pipeline.laterals.partition import BlockChoice, solve_block
from pipeline.laterals.programme import Relaxed
from pipeline.laterals.rule import Rules
from pipeline.laterals.scene import Floats, Ints, Mask, Scene, bins_of, part
from pipeline.settings import LateralSettings


def apart_m(laterals: LateralSettings) -> float:
    """Return how far from a block a lateral may begin and still be in its way, with room to spare.

    A lateral reaches at most its length from its first tree, and so does a new one.
    """
    return 3.0 * laterals.max_length_m


def objective(chosen: Sequence[Chosen], coverable: Mask, rule: Rules) -> float:
    """Return the cost of laterals and of the trees that could be served and are not."""
    unserved = int(coverable.sum()) - sum(len(c.trees) for c in chosen)
    return sum(c.cost_m for c in chosen) + rule.penalty_m * unserved


def solve_part(
    scene: Scene, block: Ints, others: Sequence[Chosen], laterals: LateralSettings, rule: Rules
) -> tuple[BlockChoice, list[Chosen]]:
    """Choose laterals for the trees of a block, out of the way of the other laterals."""
    local = part(scene, block)
    if others:
        heads = scene.tree[[c.trees[0] for c in others], :2]
        low = scene.tree[block, :2].min(axis=0) - apart_m(laterals)
        top = scene.tree[block, :2].max(axis=0) + apart_m(laterals)
        near = np.flatnonzero(((heads >= low) & (heads <= top)).all(axis=1))
        seg, _ = segments(scene, [others[int(i)] for i in near])
        used = np.zeros(len(scene.slot), dtype=np.bool_)
        used[[others[int(i)].slot for i in near]] = True
        local = clear_of(local, bins_of(seg, PIECE_BIN_M), used)
    solved = solve_block(local, laterals, rule)
    return solved, [Chosen(tuple(block[list(c.trees)].tolist()), c.slot, c.cost_m) for c in solved.chosen]


def boxes(scene: Scene, groups: Sequence[Ints]) -> Floats:
    """Return low x, low y, high x, high y of the trees of each group."""
    xy = scene.tree[:, :2]
    return np.array([[*xy[g].min(axis=0), *xy[g].max(axis=0)] for g in groups]).reshape(-1, 4)


def served_by(scene: Scene, chosen: Sequence[Chosen]) -> Mask:
    """Return which trees of a scene some laterals serve."""
    served = np.zeros(len(scene), dtype=np.bool_)
    served[[t for c in chosen for t in c.trees]] = True
    return served


def heads(chosen: Sequence[Chosen]) -> Ints:
    """Return the first tree of each lateral."""
    return np.array([c.trees[0] for c in chosen], dtype=np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class Anew:
    """What some trees' laterals are after another choice, whether they are better, and its relaxation."""

    now: list[Chosen]
    better: bool
    relaxed: Relaxed | None


def anew(
    scene: Scene, trees: Ints, old: list[Chosen], rest: Sequence[Chosen], laterals: LateralSettings, rule: Rules
) -> Anew:
    """Choose anew for some trees out of the way of the rest; keep what is not worse."""
    solved, fresh = solve_part(scene, trees, rest, laterals, rule)
    every = np.ones(len(trees), dtype=np.bool_)
    better = objective(fresh, every, rule) < objective(old, every, rule) - 1e-9
    return Anew(fresh if better else old, better, solved.relaxed)
