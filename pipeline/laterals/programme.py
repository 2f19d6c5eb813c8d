"""The linear programme of the set partitioning, tightened; its value is the bound of the plan.

Every tree is in exactly one lateral or unserved at a penalty. Subset rows (columns with two
or three of any three trees sum to at most 1) hold for every partition; crossing rows (columns
with one or the other of two pieces that meet sum to at most 1) for every legal plan. Both
are added only where a solution breaks them. The bound is the value at the last prices,
corrected by ``bound_kernel`` for columns that took no part in the tightening.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse
from scipy.optimize import linprog

from pipeline.laterals.bound_kernel import polish
from pipeline.laterals.choice import in_each_others_way
from pipeline.laterals.columns import Columns
from pipeline.laterals.preview import savings_rows
from pipeline.laterals.rows import as_chosen, excluding_rows, piece_codes, share_an_end
from pipeline.laterals.rule import Rules
from pipeline.laterals.scene import Floats, Ints, Scene
from pipeline.laterals.subset_kernel import broken_triples

REDUCED_COST_M = {"quick": 0.0, "normal": 1.5, "thorough": 4.0}  # columns up to this go to the MIP
ROUNDS = {"quick": 0, "normal": 4, "thorough": 12}  # of tightening the linear programme
POLISH_STEPS = 100
WORK_M = 8.0  # reduced cost up to which a column takes part in the tightened programme
MOST_PER_TREE = 30  # columns in the MIP


@dataclass(frozen=True, slots=True, eq=False)
class Relaxed:
    """The linear programme's result: its value before and after tightening, prices, columns worth a MIP.

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
        plain, reduced, last = first.value, first.reduced, first
        work = np.flatnonzero(reduced <= WORK_M)
        x = first.x
        missed = np.zeros(0, dtype=np.int64)
        for i in range(ROUNDS[self.rule.effort]):
            some = self.columns.take(work)
            tighter = i < ROUNDS[self.rule.effort] and self._tighten(some, x[work])
            if not tighter and not len(missed):
                break
            solved = _solve(self.scene, some, self.rule, self.cut, self.subset)
            if solved is None:
                return None
            last = solved
            x = np.zeros(len(self.columns))
            x[work] = solved.x
            reduced = _reduced(self.columns, last, self.cut, self.subset, self.scene)
            missed = np.setdiff1d(np.flatnonzero(reduced < -1e-6), work)
            work = np.union1d(work, missed)
        return Relaxed(
            plain_m=plain, bound_m=max(plain, self._bound(last)), price=last.price,
            subset=tuple(self.subset), subset_price=last.subset_price, worth=self._worth(reduced),
            cut=tuple(self.cut),
        )

    def _bound(self, last: _Solution) -> float:
        """Return the bound at the prices of the last programme, mended for columns that took no part in it."""
        free = replace(last, price=np.zeros(len(self.scene)))
        adjusted = _reduced(self.columns, free, self.cut, self.subset, self.scene)
        constant = float(last.cut_price.sum() + last.subset_price.sum())
        bound, _ = polish(
            last.price, self.columns.flat, self.columns.ptr, adjusted, len(self.scene), self.rule.penalty_m,
            last.value - constant, POLISH_STEPS,
        )
        return float(bound) + constant

    def _tighten(self, columns: Columns, x: Floats) -> bool:
        """Add the rows that a solution breaks; tell whether there were any."""
        fresh = self._broken(columns, x), _subsets(columns, x, self.subset, len(self.scene))
        self.cut += fresh[0]
        self.subset += fresh[1]
        return any(fresh)

    def _worth(self, reduced: Floats) -> Ints:
        worth = np.flatnonzero(reduced <= REDUCED_COST_M[self.rule.effort])
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


def _reduced(
    columns: Columns, solved: _Solution, cut: list[tuple[int, int]], subset: list[tuple[int, int, int]], scene: Scene
) -> Floats:
    """Return the reduced cost of every column at the prices of a solution over some of them."""
    out = columns.cost_m - columns.matrix(len(scene)).T @ solved.price
    used = len(solved.cut_price), len(solved.subset_price)
    less = excluding_rows(scene, columns, cut[: used[0]], subset[: used[1]])
    return np.asarray(out - less.T @ np.concatenate([solved.cut_price, solved.subset_price]))


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
