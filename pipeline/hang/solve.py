"""Heights by linear programme (HiGHS): the lowest legal wire, and the one to build."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import sparse
from scipy.optimize import linprog

from pipeline.hang.problem import JOIN, Problem, Rows
from pipeline.records import Floats, Mask
from pipeline.settings import MainlineSettings

BOUND_MARGIN_M = 1e-5  # rows are tightened by this, above the solver's tolerance
FALL_MARGIN_M = 1e-6
METHOD = "highs-ds"  # the dual simplex: a tenth of the interior point's time on these long thin problems

# What the finished line is judged by, in metres of height for one support.
NEAR_M = 0.3  # within this of the aim nobody minds
NEAR_COST = 0.15
FAR_COST = 1.0
LADDER_COST = 6.0
BREAK_COST = 0.08  # for each percent that the grade changes at a support


@dataclass(frozen=True, slots=True, eq=False)
class Goal:
    """Costs of the unknowns, and further columns with the equations that define them."""

    cost: Floats  # unknowns, then further columns
    a_eq: sparse.csr_matrix | None
    b_eq: Floats | None
    upper: Floats  # of the further columns; they are never negative


def place_matrix(problem: Problem, rows: Rows) -> sparse.csr_matrix:
    """Return the matrix that takes support elevations to the wire's elevation at each row."""
    n, m = len(problem.station_m), len(rows)
    between = rows.t > 0.0
    index = np.arange(m)
    return sparse.csr_matrix(
        (
            np.concatenate([1.0 - rows.t, rows.t[between]]),
            (np.concatenate([index, index[between]]), np.concatenate([rows.at, rows.at[between] + 1])),
        ),
        shape=(m, n),
    )


def span_matrix(problem: Problem) -> tuple[sparse.csr_matrix, Floats]:
    """Return the matrix that takes support elevations to the rise of each span, and the spans' lengths."""
    m = len(problem.span)
    index = np.arange(m)
    matrix = sparse.csr_matrix(
        (
            np.concatenate([np.ones(m), -np.ones(m)]),
            (np.concatenate([index, index]), np.concatenate([problem.span + 1, problem.span])),
        ),
        shape=(m, len(problem.station_m)),
    )
    return matrix, problem.station_m[problem.span + 1] - problem.station_m[problem.span]


def lowest_goal(problem: Problem) -> Goal:
    """Return the goal of the least sum of elevations over all supports."""
    cost = np.asarray(problem.matrix.sum(axis=0), dtype=np.float64).ravel()
    return Goal(cost=cost, a_eq=None, b_eq=None, upper=np.zeros(0))


def build_goal(problem: Problem, rules: MainlineSettings) -> Goal:
    """Return the goal of the line to build: near the aim, of even grade, off the ladder.

    Convex and piecewise linear. The height over the aim is split into ``near + far + ladder`` and that
    under it into ``near + far``; each change of grade at a support into its two signs.
    """
    unknowns = problem.matrix.shape[1]
    # pinned supports have their height, and over a hole in the terrain nobody can say what the aim is
    free = np.flatnonzero((np.diff(problem.matrix.indptr) > 0) & np.isfinite(problem.ground_z_m))
    heights = problem.matrix[free]
    aim_z = problem.ground_z_m[free] + rules.aim_m - problem.constant[free]
    k = len(free)
    eye = sparse.identity(k, format="csr")
    near = min(NEAR_M, max(rules.ladder_m - rules.aim_m, 0.0))
    far = max(rules.ladder_m - rules.aim_m - near, 0.0)
    rise, length = span_matrix(problem)
    grade = sparse.diags(100.0 / np.maximum(length, 1e-6)) @ rise
    inner = np.flatnonzero(problem.span[1:] == problem.span[:-1] + 1)
    change = (grade[inner + 1] - grade[inner]).tocsr()
    c = len(inner)
    a_eq = sparse.bmat(
        [
            [heights, -eye, -eye, -eye, eye, eye, None, None],
            [change @ problem.matrix, None, None, None, None, None, -sparse.identity(c), sparse.identity(c)],
        ],
        format="csr",
    )
    cost = np.concatenate([
        np.zeros(unknowns),
        np.repeat([NEAR_COST, FAR_COST, LADDER_COST, NEAR_COST, FAR_COST], k),
        np.repeat([BREAK_COST, BREAK_COST], c),
    ])
    upper = np.concatenate([np.repeat([near, far, np.inf, near, np.inf], k), np.full(2 * c, np.inf)])
    return Goal(cost=cost, a_eq=a_eq, b_eq=np.concatenate([aim_z, -(change @ problem.constant)]), upper=upper)


def redundant(problem: Problem, grade_pct: float, bound_z_m: Floats) -> Mask:
    """Return which rows follow from the supports' own bounds and the least fall, and need no mention."""
    rows, n = problem.rows, len(problem.station_m)
    low, high = np.full(n, -np.inf), np.full(n, np.inf)
    own = rows.t == 0.0
    for sense, out, ufunc in ((1, low, np.maximum), (-1, high, np.minimum)):
        mask = own & (rows.sense == sense)
        ufunc.at(out, rows.at[mask], bound_z_m[mask])
    for a, b in zip(problem.first[:-1], problem.first[1:], strict=True):
        line_fall = problem.station_m[a:b] * (grade_pct / 100.0)
        low[a:b] = np.maximum.accumulate(low[a:b] - line_fall) + line_fall
        high[a:b] = np.minimum.accumulate((high[a:b] - line_fall)[::-1])[::-1] + line_fall
    above = np.minimum(rows.at + 1, n - 1)
    with np.errstate(invalid="ignore"):
        least = (1.0 - rows.t) * low[rows.at] + rows.t * low[above]
        most = (1.0 - rows.t) * high[rows.at] + rows.t * high[above]
        implied = np.where(rows.sense > 0, least >= bound_z_m, most <= bound_z_m)
    return np.asarray(implied & ~own, dtype=np.bool_)


def inequalities(problem: Problem, rows: Rows, bound_z_m: Floats) -> tuple[sparse.csr_matrix, Floats]:
    """Return ``A v <= b`` of rows, for the unknowns."""
    place = place_matrix(problem, rows)
    a = sparse.diags(-rows.sense.astype(np.float64)) @ place @ problem.matrix
    margin = np.where(rows.kind == JOIN, 0.0, BOUND_MARGIN_M)  # a join is met, not passed
    b = -rows.sense * (bound_z_m + rows.sense * margin - place @ problem.constant)
    return a.tocsr(), b


def falls(problem: Problem, grade_pct: float) -> tuple[sparse.csr_matrix, Floats]:
    """Return ``A v <= b`` that makes every span fall by the least grade; spans of pinned lines left out."""
    rise, length = span_matrix(problem)
    a = (rise @ problem.matrix).tocsr()
    keep = np.diff(a.indptr) > 0
    b = -(length * grade_pct / 100.0 + FALL_MARGIN_M) + rise @ problem.constant
    return -a[keep], b[keep]


def constraints(problem: Problem, grade_pct: float, relief_m: Floats) -> tuple[sparse.csr_matrix, Floats]:
    """Return ``A v <= b`` of all rows, let go by the relief, and of the least fall."""
    bound = problem.rows.bound_z_m - problem.rows.sense * relief_m
    keep = ~redundant(problem, grade_pct, bound)
    a, b = inequalities(problem, problem.rows.take(keep), bound[keep])
    live = np.diff(a.indptr) > 0
    fall_a, fall_b = falls(problem, grade_pct)
    return sparse.vstack([a[live], fall_a], format="csr"), np.concatenate([b[live], fall_b])


def solve(problem: Problem, goal: Goal, grade_pct: float, relief_m: Floats) -> Floats | None:
    """Return the elevation of the wire at every support, or None where nothing fits.

    Parameters
    ----------
    problem : Problem
        What must hold.
    goal : Goal
        What is sought.
    grade_pct : float
        Least fall of every span.
    relief_m : float array, shape (rows,)
        How far each row is let go; all zero at first.
    """
    unknowns = problem.matrix.shape[1]
    if unknowns == 0:
        return problem.constant.copy()
    a_ub, b_ub = constraints(problem, grade_pct, relief_m)
    extra = len(goal.cost) - unknowns
    if extra:
        a_ub = sparse.hstack([a_ub, sparse.csr_matrix((a_ub.shape[0], extra))], format="csr")
    bounds = np.column_stack([
        np.concatenate([np.full(unknowns, -np.inf), np.zeros(extra)]),
        np.concatenate([np.full(unknowns, np.inf), goal.upper]),
    ])
    result = linprog(
        goal.cost, A_ub=a_ub, b_ub=b_ub, A_eq=goal.a_eq, b_eq=goal.b_eq, bounds=bounds, method=METHOD
    )
    if result.status == 2:
        return None
    if result.status != 0:
        raise RuntimeError(f"the heights' linear programme ended with status {result.status}: {result.message}")
    return np.asarray(problem.matrix @ result.x[:unknowns] + problem.constant, dtype=np.float64)


def slack_m(problem: Problem, z_m: Floats) -> Floats:
    """Return how far inside its bound the wire is at each row; negative where it breaks it."""
    wire = place_matrix(problem, problem.rows) @ z_m
    return np.asarray(problem.rows.sense * (wire - problem.rows.bound_z_m), dtype=np.float64)

