"""When nothing fits: how little must be let go, and where.

Strategy: one line at a time, because what does not fit is mostly one line's own affair
and small programmes are quick. Then all lines together with their joins loose; where a
branch misses its parent those lines are taken together and done again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from scipy import sparse
from scipy.optimize import linprog

from pipeline.hang.problem import INLET, Problem, loosened, part
from pipeline.hang.solve import METHOD, constraints, falls, inequalities
from pipeline.records import Floats

CLEARANCE_WEIGHT = 20.0  # what is given up last when nothing fits: a vehicle's clearance
SOUND_WEIGHT = 50.0  # a line that fits by itself is not to suffer for one that does not
TOGETHER_ROUNDS = 6
MISS_M = 1e-6
SPARE_M = 1e-6  # let go this much more, for the solver's tolerance


def fits(problem: Problem, grade_pct: float) -> bool:
    """Return whether some wire keeps every rule."""
    unknowns = problem.matrix.shape[1]
    if unknowns == 0:
        return True
    a, b = constraints(problem, grade_pct, np.zeros(len(problem.rows)))
    result = linprog(np.zeros(unknowns), A_ub=a, b_ub=b, bounds=(None, None), method=METHOD)
    return bool(result.status == 0)


def least_relief_m(problem: Problem, grade_pct: float, sound: Sequence[int] = ()) -> Floats:
    """Return how far each row must be let go so that the rest holds: the least sum over all spans.

    Fall and inlet are never let go; a crossing's clearance only as the last thing, and the bounds of
    `sound` lines (indices) only where letting go elsewhere does not help.

    Raises
    ------
    RuntimeError
        When not even that helps, which only contradictory pinned lines can bring about.
    """
    rows, unknowns = problem.rows, problem.matrix.shape[1]
    relief = np.zeros(len(rows))
    if unknowns == 0:
        return relief
    a, b = inequalities(problem, rows, rows.bound_z_m)
    used = np.diff(a.indptr) > 0
    soft = np.flatnonzero(used & (rows.kind != INLET))
    hard = np.flatnonzero(used & (rows.kind == INLET))
    # one slack for a span, a side and a rule: the window moves there as a whole
    code = (rows.at[soft] * 2 + (rows.sense[soft] > 0)) * 8 + rows.kind[soft]
    _, column = np.unique(code, return_inverse=True)
    m = int(column.max(initial=-1)) + 1
    weight = np.where(rows.clearance[soft], 1.0 / CLEARANCE_WEIGHT, 1.0)
    slack = sparse.csr_matrix((-weight, (np.arange(len(soft)), column)), shape=(len(soft), m))
    fall_a, fall_b = falls(problem, grade_pct)
    a_ub = sparse.bmat([[a[soft], slack], [sparse.vstack([a[hard], fall_a]), None]], format="csr")
    bounds = np.column_stack(
        [np.concatenate([np.full(unknowns, -np.inf), np.zeros(m)]), np.full(unknowns + m, np.inf)]
    )
    line = np.searchsorted(problem.first, rows.at[soft], side="right") - 1
    price = np.ones(m)
    price[column] = np.where(np.isin(line, list(sound)), SOUND_WEIGHT, 1.0)
    result = linprog(
        np.concatenate([np.zeros(unknowns), price]), A_ub=a_ub,
        b_ub=np.concatenate([b[soft], b[hard], fall_b]), bounds=bounds, method=METHOD,
    )
    if result.status != 0:
        raise RuntimeError(f"no wire falls enough here at all (status {result.status}): {result.message}")
    given = weight * result.x[unknowns:][column]
    relief[soft] = np.where(given > MISS_M, given + SPARE_M, 0.0)
    return relief


def relief_m(problem: Problem, grade_pct: float, alone_m: Mapping[int, Floats] | None = None) -> Floats:
    """Return how far each row must be let go, found line by line and join by join.

    `alone_m` holds, by index of its line, what is known already of lines by themselves (all zero for one that fits).
    """
    known = alone_m or {}
    lines = len(problem.mainlines)
    group = list(range(lines))
    relief = np.zeros(len(problem.rows))
    stale = set(group)
    ailing: set[int] = set()
    for _ in range(TOGETHER_ROUNDS):
        for g in sorted(stale):
            members = [k for k in range(lines) if group[k] == g]
            mask = np.concatenate([np.r_[problem.rows_of(k)] for k in members])
            if members == [g] and len(known.get(g, ())) == len(mask) > 0:
                relief[mask] = known[g]
                if known[g].any():
                    ailing.add(g)
                continue
            alone = part(problem, members)
            if fits(alone, grade_pct):
                relief[mask] = 0.0
                continue
            if len(members) == 1:
                ailing.add(g)
            sound = [i for i, k in enumerate(members) if k not in ailing]
            relief[mask] = least_relief_m(alone, grade_pct, sound)
        missed = _missed(problem, grade_pct, relief)
        if not missed:
            return relief
        stale = set()
        number = {m.mainline_id: k for k, m in enumerate(problem.mainlines)}
        for k in missed:
            parent = number[problem.mainlines[k].parent_id]
            if k not in ailing and parent not in ailing:
                ailing.add(k)  # both fit alone: the branch gives way
            old, new = group[k], group[parent]
            group = [new if g == old else g for g in group]
            stale = {new if g == old else g for g in stale} | {new}
    return least_relief_m(problem, grade_pct)


def _missed(problem: Problem, grade_pct: float, relief: Floats) -> list[int]:
    """Return the branches that cannot meet their parent, all lines taken together."""
    loose, miss, branches = loosened(problem)
    if not branches:
        return []
    unknowns, j = loose.matrix.shape[1], len(branches)
    a, b = constraints(loose, grade_pct, relief)
    gap = (miss @ loose.matrix).tocsr()
    off = miss @ loose.constant
    eye = sparse.identity(j, format="csr")
    a_ub = sparse.bmat([[a, None], [gap, -eye], [-gap, -eye]], format="csr")
    bounds = np.column_stack(
        [np.concatenate([np.full(unknowns, -np.inf), np.zeros(j)]), np.full(unknowns + j, np.inf)]
    )
    result = linprog(
        np.concatenate([np.zeros(unknowns), np.ones(j)]), A_ub=a_ub, b_ub=np.concatenate([b, -off, off]),
        bounds=bounds, method=METHOD,
    )
    if result.status != 0:
        raise RuntimeError(f"lines that fit alone do not fit side by side: {result.message}")
    return [k for k, s in zip(branches, result.x[unknowns:], strict=True) if s > MISS_M]
