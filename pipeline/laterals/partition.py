"""Choosing the laterals of one block: a MIP over the columns that the linear programme leaves worth it.

Where two chosen laterals meet, the row that excludes the pair is added and the MIP solved
again; two at one entry slot are moved apart first. Without a solver's answer the savings'
laterals are mended and taken.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from pipeline.laterals.choice import Chosen, in_each_others_way, spread_entries
from pipeline.laterals.columns import Columns, enumerate_columns, with_other_entries
from pipeline.laterals.preview import savings_rows, untangled
from pipeline.laterals.programme import FEW_TREES, Programme, Relaxed, slack_cost
from pipeline.laterals.rows import as_chosen, excluding_rows, piece_codes
from pipeline.laterals.rule import Rules
from pipeline.laterals.scene import Ints, Mask, Scene
from pipeline.settings import LateralSettings

NODES = {"quick": 0, "normal": 400, "thorough": 1500}
MIP_GAP = {"quick": 0.0, "normal": 1e-3, "thorough": 1e-5}
MIP_ROUNDS = {"quick": 2, "normal": 3, "thorough": 8}
VAST_ROUNDS = 2  # the third look serves one tree in a thousand more and takes an eighth of the stage (measured)
# few trees are solved until nothing meets; of many, what still meets is solved again around each place
FEW_ROUNDS = 15
HURRY_ROUNDS, HURRY_NODES = 3, 20  # one round only where the linear programme is not tightened either
LOOSE = 0.02  # so far above the linear programme it is not trees alone that are dealt out
# where few trees leave one unserved or cost too much, entries this much dearer are choices of the MIP too
OTHER_ENTRY_M = 3.0


@dataclass(frozen=True, slots=True, eq=False)
class BlockChoice:
    """Chosen laterals of a block, its relaxation (None without a linear programme), what could be served."""

    chosen: tuple[Chosen, ...]
    relaxed: Relaxed | None
    capped_heads: int
    coverable: Mask


def solve_block(scene: Scene, laterals: LateralSettings, rule: Rules) -> BlockChoice:
    """Choose laterals for the trees of a scene; nothing outside it is looked at."""
    columns = enumerate_columns(scene, laterals, rule.effort)
    coverable = np.zeros(len(scene), dtype=np.bool_)
    coverable[columns.flat] = True
    if not len(columns):
        return BlockChoice((), None, 0, coverable)
    relaxed = Programme(scene, columns, rule).relax() if rule.effort != "quick" else None
    chosen = None
    if relaxed is not None:
        worth = columns.take(relaxed.worth)
        chosen = _settle_crossings(scene, worth, rule, relaxed)
        left = int(coverable.sum()) - sum(len(c.trees) for c in chosen or [])
        loose = rule.whole and sum(c.cost_m for c in chosen or []) > (1.0 + LOOSE) * relaxed.plain_m
        if (left or loose) and len(scene) <= FEW_TREES and not rule.hurry:
            # around a line's tip the entries themselves must be dealt out
            worth = with_other_entries(scene, worth, laterals, OTHER_ENTRY_M)
            chosen = _settle_crossings(scene, worth, rule, relaxed)
    if chosen is None:
        chosen = untangled(scene, columns, as_chosen(columns, savings_rows(scene, columns, rule)), rule)
    return BlockChoice(tuple(chosen), relaxed, columns.capped_heads, coverable)


def _settle_crossings(
    scene: Scene, columns: Columns, rule: Rules, relaxed: Relaxed
) -> list[Chosen] | None:
    """Solve the MIP over the kept columns until no two laterals meet; None when the solver failed."""
    code = piece_codes(scene, columns)
    cut = list(relaxed.cut)
    same_slot: list[tuple[int, int]] = []
    chosen: list[Chosen] | None = None
    few = len(scene) <= FEW_TREES
    hurried = HURRY_ROUNDS if rule.rounds else 1
    most = (VAST_ROUNDS if rule.vast else MIP_ROUNDS[rule.effort]) if not few else hurried if rule.hurry else FEW_ROUNDS
    for _ in range(most):
        rows = _mip(scene, columns, rule, list(dict.fromkeys(cut + same_slot)), list(relaxed.subset))
        if rows is None:
            return chosen if chosen is None else untangled(scene, columns, chosen, rule)
        picked = as_chosen(columns, rows)
        chosen, stuck = spread_entries(
            scene, picked, entry=rule.entry, max_length_m=rule.max_length_m
        )
        fresh = []
        for a, i, b, j in in_each_others_way(scene, chosen):
            if chosen[a].slot == chosen[b].slot and i == j == 0:
                continue
            # the pieces as the programme knows them: a moved entry stands for the one it came from
            fresh.append((int(code[columns.ptr[rows[a]] + i]), int(code[columns.ptr[rows[b]] + j])))
        if not fresh and not stuck:
            return chosen
        cut += fresh
        same_slot += [(int(code[columns.ptr[rows[a]]]), int(code[columns.ptr[rows[b]]])) for a, b in stuck]
    return untangled(scene, columns if few else columns.take(np.zeros(0, dtype=np.int64)), chosen or [], rule)


def _mip(
    scene: Scene, columns: Columns, rule: Rules, cut: list[tuple[int, int]], subset: list[tuple[int, int, int]]
) -> Ints | None:
    n, m = len(scene), len(columns)
    cost = np.concatenate([columns.cost_m, slack_cost(n, columns, rule)])
    equal = sparse.hstack([columns.matrix(n), sparse.identity(n)], format="csc")
    rules_ = [LinearConstraint(equal, 1.0, 1.0)]
    slots = _slot_rows(columns, n)
    if slots.shape[0] and n <= FEW_TREES:
        rules_.append(LinearConstraint(slots, -np.inf, 1.0))
    if cut or subset:
        rows = excluding_rows(scene, columns, cut, subset)
        rows = sparse.hstack([rows, sparse.csr_matrix((rows.shape[0], n))], format="csc")
        rules_.append(LinearConstraint(rows, -np.inf, 1.0))
    result = milp(
        cost, integrality=np.ones(m + n), bounds=Bounds(0.0, 1.0), constraints=rules_,
        options={
            "mip_rel_gap": MIP_GAP[rule.effort], "node_limit": HURRY_NODES if rule.hurry else NODES[rule.effort],
        },
    )
    if result.x is None:
        return None
    return np.flatnonzero(result.x[:m] > 0.5)


def _slot_rows(columns: Columns, slack: int) -> sparse.csr_matrix:
    """Return the rows "one lateral to a slot", for every slot that several columns use."""
    slot, row, count = np.unique(columns.slot, return_inverse=True, return_counts=True)
    every = sparse.csr_matrix(
        (np.ones(len(columns)), (row, np.arange(len(columns)))), shape=(len(slot), len(columns) + slack)
    )
    return every[np.flatnonzero(count > 1)]
