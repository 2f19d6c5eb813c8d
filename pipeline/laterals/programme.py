"""The linear programme of the set partitioning, tightened; its value is the bound of the plan.

Every tree is in exactly one lateral or unserved at a penalty. Subset rows (columns with two
or three of any three trees sum to at most 1) hold for every partition; crossing rows (columns
with one or the other of two pieces that meet sum to at most 1) for every legal plan. Both
are added only where a solution breaks them, by columns of low reduced cost; the bound is
the value of the last programme, over all columns (of many blocks: see ``blocks.lower_bound``).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.optimize import linprog

from pipeline.laterals.choice import in_each_others_way
from pipeline.laterals.columns import Columns
from pipeline.laterals.preview import savings_rows
from pipeline.laterals.rows import as_chosen, excluding_rows, piece_codes, share_an_end
from pipeline.laterals.rule import Rules
from pipeline.laterals.scene import Floats, Ints, Scene
from pipeline.laterals.subset_kernel import broken_triples

REDUCED_COST_M = {"quick": 0.0, "normal": 1.5, "thorough": 4.0, "few": 5.0}  # columns up to this go to the MIP
FEW_TREES = 250  # blocks so small are solved with more columns, until no laterals meet
WORK_M = 8.0  # reduced cost up to which a column takes part in the tightened programme
MOST_PER_TREE = 30  # columns in the MIP


@dataclass(frozen=True, slots=True, eq=False)
class Relaxed:
    """The linear programme's result: its value before and after tightening, prices, columns worth a MIP.

    ``bound_m`` is NaN where the last programme was over some columns only (``Rules.whole`` false).

    ``subset`` are triples of trees with the price of their row; ``cut`` pairs of piece codes.
    """

    plain_m: float
    bound_m: float
    price: Floats
    subset: tuple[tuple[int, int, int], ...]
    subset_price: Floats
    worth: Ints
    cut: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Solution:
    value: float
    x: Floats
    reduced: Floats
    price: Floats
    cut_price: Floats
    subset_price: Floats


def slack_cost(trees: int, columns: Columns, rule: Rules) -> Floats:
    """Return what each tree costs when nothing serves it; nothing where no lateral could."""
    out = np.zeros(trees)
    out[columns.flat] = rule.penalty_m
    return out


class Programme:
    """The linear programme over all columns of a block, tightened by subset rows and crossing rows."""

    def __init__(self, scene: Scene, columns: Columns, rule: Rules) -> None:
        self.scene, self.columns, self.rule = scene, columns, rule
        self.cut: list[tuple[int, int]] = []
        self.subset: list[tuple[int, int, int]] = []

    def relax(self) -> Relaxed | None:
        """Return bounds, prices and the columns worth a MIP; None when the solver failed."""
        first = _solve(self.scene, self.columns, self.rule, [], [])
        if first is None:
            return None
        work = np.flatnonzero(first.reduced <= WORK_M)
        some = self.columns.take(work)
        x, last, bound = first.x[work], first, first.value
        for _ in range(self.rule.rounds):
            if not self._tighten(some, x):
                break
            solved = _solve(self.scene, some, self.rule, self.cut, self.subset)
            if solved is None:
                return None
            x = solved.x
            last, bound = solved, float("nan")
        if math.isnan(bound) and self.rule.whole:
            solved = _solve(self.scene, self.columns, self.rule, self.cut, self.subset)
            if solved is None:
                return None
            last, bound = solved, solved.value
        return Relaxed(
            plain_m=first.value, bound_m=bound, price=last.price, subset=tuple(self.subset),
            subset_price=last.subset_price, worth=self._worth(self._reduced(last)), cut=tuple(self.cut),
        )

    def _reduced(self, solved: _Solution) -> Floats:
        """Return the reduced cost of every column at the prices of a programme over some of them."""
        used = self.cut[: len(solved.cut_price)], self.subset[: len(solved.subset_price)]
        less = excluding_rows(self.scene, self.columns, *used)
        out = self.columns.cost_m - self.columns.matrix(len(self.scene)).T @ solved.price
        return np.asarray(out - less.T @ np.concatenate([solved.cut_price, solved.subset_price]))

    def _tighten(self, columns: Columns, x: Floats) -> bool:
        """Add the rows that a solution breaks; tell whether there were any."""
        fresh = self._broken(columns, x), _subsets(columns, x, self.subset, len(self.scene))
        self.cut += fresh[0]
        self.subset += fresh[1]
        return any(fresh)

    def _worth(self, reduced: Floats) -> Ints:
        limit = REDUCED_COST_M["few" if len(self.scene) <= FEW_TREES else self.rule.effort]
        worth = np.flatnonzero(reduced <= limit)
        most = MOST_PER_TREE * len(self.scene)
        if len(worth) > most:
            worth = worth[np.argsort(reduced[worth], kind="stable")[:most]]
        # single trees and the savings' laterals keep the MIP able to serve everything from the start
        alone = np.flatnonzero(np.diff(self.columns.ptr) == 1)
        return np.unique(np.concatenate([worth, alone, savings_rows(self.scene, self.columns, self.rule)]))

    def _broken(self, columns: Columns, x: Floats) -> list[tuple[int, int]]:
        """Return the pairs of crossing pieces whose row the solution x breaks."""
        rows = np.flatnonzero(x > 1e-3)
        some = columns.take(rows)
        code = piece_codes(self.scene, some)
        weight = np.repeat(x[rows], np.diff(some.ptr))
        unique, inverse = np.unique(code, return_inverse=True)
        use = np.bincount(inverse, weights=weight, minlength=len(unique))
        known = set(self.cut)
        fresh = []
        for a, i, b, j in in_each_others_way(self.scene, as_chosen(some, np.arange(len(some)))):
            p, q = sorted((int(code[some.ptr[a] + i]), int(code[some.ptr[b] + j])))
            # pieces that end at one tree exclude each other already; a shared slot is mended by moving one entry
            if p == q or (p, q) in known or share_an_end(self.scene, p, q):
                continue
            if use[np.searchsorted(unique, p)] + use[np.searchsorted(unique, q)] > 1.0 + 1e-6:
                known.add((p, q))
                fresh.append((p, q))
        return fresh


def _solve(
    scene: Scene, columns: Columns, rule: Rules, cut: list[tuple[int, int]], subset: list[tuple[int, int, int]]
) -> _Solution | None:
    """Solve the linear programme over some columns."""
    n, m = len(scene), len(columns)
    cost = np.concatenate([columns.cost_m, slack_cost(n, columns, rule)])
    equal = sparse.hstack([columns.matrix(n), sparse.identity(n)], format="csc")
    less = excluding_rows(scene, columns, cut, subset)
    k = less.shape[0]
    padded = sparse.hstack([less, sparse.csr_matrix((k, n))], format="csc") if k else None
    result = linprog(
        cost, A_eq=equal, b_eq=np.ones(n), A_ub=padded, b_ub=np.ones(k) if k else None, bounds=(0, None),
        method="highs-ds",
    )
    if result.status != 0:
        return None
    price = np.asarray(result.eqlin.marginals)
    less_price = np.asarray(result.ineqlin.marginals) if k else np.zeros(0)
    reduced = columns.cost_m - columns.matrix(n).T @ price - less.T @ less_price
    return _Solution(float(result.fun), result.x[:m], reduced, price, less_price[: len(cut)], less_price[len(cut) :])


def _subsets(
    columns: Columns, x: Floats, known: list[tuple[int, int, int]], trees: int
) -> list[tuple[int, int, int]]:
    """Return triples of trees whose row is broken: columns with two or three of them sum to at most 1."""
    rows = np.flatnonzero((x > 1e-6) & (x < 1.0 - 1e-6) & (np.diff(columns.ptr) > 1))
    some = columns.take(rows)
    triple, excess = broken_triples(some.flat, some.ptr, x[rows], trees)
    old = set(known)
    fresh = [
        (int(triple[i, 0]), int(triple[i, 1]), int(triple[i, 2])) for i in np.argsort(-excess, kind="stable")
    ]
    return [t for t in fresh if t not in old][: max(trees // 4, 20)]
