"""The network against the exact optimum of an independent integer programme (HiGHS), on invented small cases."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))

import bench_network

FAST = (3.0, 23.0)  # seeds that HiGHS solves in a second or two


def test_ours_is_near_the_stored_optimum_and_never_below_it():
    """Bars: at most 1.5 % mean and 4 % worst above the optimum, on at least 10 proved cases."""
    rows = bench_network.exact_gaps(bench_network.stored()[:14])  # all of them in the bench
    gaps = np.array([r["gap_pct"] for r in rows])
    assert len(rows) >= 10
    assert all(30 <= r["trees"] <= 50 for r in rows)
    assert gaps.min() > -1e-3  # below the optimum: one of the two is wrong
    assert gaps.mean() <= 1.5
    assert gaps.max() <= 4.0


@pytest.mark.parametrize("seed", FAST)
def test_the_stored_optimum_is_what_the_programme_finds(seed):
    row = next(r for r in bench_network.stored() if r["seed"] == seed)
    case = bench_network.small_case(int(seed))
    best, _, proved = bench_network.Programme(case).solve(60.0)
    assert proved
    assert best == pytest.approx(row["best_m"], rel=2e-4)


def optimum(case: bench_network.Case) -> float:
    best, _, proved = bench_network.Programme(case).solve(60.0)
    assert proved
    return best


def test_closing_ground_never_lowers_the_optimum():
    case = bench_network.small_case(3)
    free = optimum(case)
    s, _ = bench_network.ours(case, starts=1)
    line = np.flatnonzero(s.down >= 0)
    middle = int(line[line.size // 2])
    shut = case.graph._replace(
        arc_m=case.graph.arc_m.copy(), arc_e=case.graph.arc_e.copy(), arc_cost=case.graph.arc_cost.copy()
    )
    for k in range(16):
        for a, q in ((middle, k), (middle - int(shut.offset[k]), k)):
            shut.arc_m[a, q], shut.arc_e[a, q], shut.arc_cost[a, q] = np.inf, -np.inf, np.inf
    assert optimum(dataclasses.replace(case, graph=shut)) >= free - 0.05


def test_a_steeper_least_grade_never_serves_more_of_what_counts():
    """The optimum (line plus worth of taps left out) never falls when lines must fall more."""
    values = []
    for grade in (1.0, 2.0, 3.5):
        case = bench_network.small_case(23, grade_pct=grade)
        left_anyway = bench_network.coverable(bench_network.small_case(23, grade_pct=1.0)).sum()
        left = left_anyway - bench_network.coverable(case).sum()
        values.append(optimum(case) + case.price.tap_m * left)
    assert values[0] <= values[1] + 0.05
    assert values[1] <= values[2] + 0.05
