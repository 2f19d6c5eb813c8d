"""Spreading figures in a row, against a general solver of the same least-squares problem."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from pipeline.sheets.spread import spread
from scipy.optimize import minimize


def solved(wanted, gap, low, high):
    """Return the same by sequential quadratic programming."""
    wanted = np.array(wanted)
    rules = [{"type": "ineq", "fun": lambda x, i=i: x[i + 1] - x[i] - gap} for i in range(len(wanted) - 1)]
    start = np.linspace(low, high, len(wanted))
    found = minimize(lambda x: ((x - wanted) ** 2).sum(), start, bounds=[(low, high)] * len(wanted), constraints=rules,
                     method="SLSQP", options={"ftol": 1e-12, "maxiter": 300})
    return found.x


CASES = [
    ([10.0, 12.0, 14.0, 80.0], 8.0, 0.0, 100.0),
    ([0.0, 0.0, 0.0, 100.0, 100.0], 12.0, 0.0, 100.0),
    ([50.0, 40.0, 30.0], 5.0, 0.0, 100.0),         # wishes against the order
    ([3.0, 5.0, 40.0, 41.0, 42.0, 97.0], 9.0, 0.0, 100.0),
    ([-30.0, 10.0, 130.0], 10.0, 0.0, 100.0),      # wishes outside
    ([20.0, 21.0, 22.0, 23.0, 24.0], 25.0, 0.0, 100.0),  # just fills the row
]


@pytest.mark.parametrize(("wanted", "gap", "low", "high"), CASES)
def test_spread_is_the_least_squares_answer(wanted, gap, low, high):
    assert spread(wanted, gap, low, high) == pytest.approx(solved(wanted, gap, low, high), abs=1e-3)


def test_pairs_share_their_move():
    """Wishes 40 and 44, gap 10: each moves by 3, to 37 and 47."""
    assert spread([40.0, 44.0], 10.0, 0.0, 100.0) == [37.0, 47.0]


def test_two_blocks_that_meet_move_as_one():
    """Wishes 0, 4, 8, 8 less 0, 4, 8, 12 for the gap are 0, 0, 0, -4: mean -1; places -1, 3, 7, 11."""
    assert spread([0.0, 4.0, 8.0, 8.0], 4.0, -50.0, 50.0) == pytest.approx([-1.0, 3.0, 7.0, 11.0])


def test_blocks_are_weighted_by_what_they_hold():
    """Reduced wishes 6, 6, 0: blocks of 2 and 1 pool to 12 / 3 = 4; places 4, 14, 24."""
    assert spread([6.0, 16.0, 20.0], 10.0, -50.0, 50.0) == pytest.approx([4.0, 14.0, 24.0])


def test_what_is_far_enough_apart_is_not_moved():
    wanted = [5.0, 15.0, 25.5, 90.0]
    assert spread(wanted, 10.0, 0.0, 100.0) == pytest.approx(wanted)


@pytest.mark.parametrize(("wanted", "low", "high", "place"), [(5.0, 0.0, 10.0, 5.0), (-5.0, 0.0, 10.0, 0.0),
                                                              (25.0, 0.0, 10.0, 10.0)])
def test_one_figure_is_only_held_inside(wanted, low, high, place):
    assert spread([wanted], 50.0, low, high) == [place]


def test_a_row_that_is_just_full_is_evenly_spaced():
    assert spread([50.0] * 3, 50.0, 0.0, 100.0) == pytest.approx([0.0, 50.0, 100.0])


@pytest.mark.parametrize("count", [2, 3, 7])
def test_a_row_too_full_is_evenly_spaced_between_the_ends(count):
    found = spread([1.0] * count, 1000.0, 20.0, 80.0)
    assert found == pytest.approx(np.linspace(20.0, 80.0, count))


def test_places_near_the_upper_end_are_pushed_inward():
    """The last of three may lie at 100 at most, so the first at 80."""
    assert spread([99.0, 99.0, 99.0], 10.0, 0.0, 100.0) == pytest.approx([80.0, 90.0, 100.0])


@pytest.mark.parametrize("seed", range(6))
def test_random_rows_keep_the_gap_and_the_room(seed):
    rng = np.random.default_rng(seed)
    wanted = sorted(rng.uniform(-20.0, 320.0, 12).tolist())
    found = spread(wanted, 21.0, 0.0, 300.0)
    assert all(b - a >= 21.0 - 1e-9 for a, b in pairwise(found))
    assert min(found) >= 0.0
    assert max(found) <= 300.0 + 1e-9
    assert ((np.array(found) - wanted) ** 2).sum() <= ((solved(wanted, 21.0, 0.0, 300.0) - wanted) ** 2).sum() + 1e-3
