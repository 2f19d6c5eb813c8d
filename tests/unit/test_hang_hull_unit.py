"""The upper hull of a span, and the rows made of it, against scipy and brute force."""

from __future__ import annotations

import numpy as np
import pytest
from pipeline.hang.hull_kernel import span_hulls, upper_hull
from scipy.spatial import ConvexHull


def hull(points):
    x, y = np.array(points, dtype=float).T
    return upper_hull(x.copy(), y.copy()).tolist()


@pytest.mark.parametrize(
    ("points", "kept"),
    [
        ([(0, 0)], [0]),
        ([(0, 0), (1, 5)], [0, 1]),
        ([(0, 0), (1, 1), (2, 0)], [0, 1, 2]),
        ([(0, 0), (1, -1), (2, 0)], [0, 2]),
        ([(0, 0), (1, 1), (2, 2)], [0, 2]),  # on the chord
        ([(0, 0), (1, 1.001), (2, 2)], [0, 1, 2]),
        ([(0, 0), (0, 3), (2, 0)], [1, 2]),  # of one station the highest
        ([(0, 3), (0, 0), (2, 0)], [0, 2]),
        ([(0, 0), (2, 0), (2, 1)], [0, 2]),
        ([(0, 0), (2, 1), (2, 0)], [0, 1]),
        ([(0, 0), (1, 2), (2, 3), (3, 3), (4, 0)], [0, 1, 2, 3, 4]),
        ([(0, 0), (1, 0.5), (2, 3), (3, 0.5), (4, 0)], [0, 2, 4]),
        ([(0, 0), (1, 1), (1, 1), (2, 0)], [0, 1, 3]),
    ],
)
def test_hull_by_hand(points, kept):
    assert hull(points) == kept


@pytest.mark.parametrize("seed", range(6))
def test_hull_against_qhull(seed):
    rng = np.random.default_rng(seed)
    x = np.sort(rng.uniform(0.0, 10.0, 40))
    y = rng.normal(0.0, 1.0, 40)
    far = ConvexHull(np.column_stack([np.concatenate([x, [x[0], x[-1]]]), np.concatenate([y, [-99.0, -99.0]])]))
    assert upper_hull(x, y).tolist() == sorted(v for v in far.vertices.tolist() if v < 40)


@pytest.mark.parametrize("seed", range(4))
def test_a_line_over_the_hull_is_a_line_over_all(seed):
    rng = np.random.default_rng(seed)
    x, y = np.linspace(0.0, 5.0, 30), rng.normal(0.0, 1.0, 30)
    own = upper_hull(x, y)
    for slope in np.linspace(-3.0, 3.0, 25):
        assert (y[own] - slope * x[own]).max() == pytest.approx((y - slope * x).max())


def test_each_span_has_its_own_hull():
    x = np.array([0.0, 1.0, 2.0, 2.0, 3.0, 4.0])
    y = np.array([0.0, -1.0, 0.0, 5.0, 6.5, 5.0])
    assert span_hulls(x, y, np.array([0, 3, 6])).tolist() == [True, False, True, True, True, True]
    assert span_hulls(x, y, np.array([0, 6])).tolist() == [True, False, False, True, True, True]


def test_missing_points_are_passed_over():
    x = np.arange(5.0)
    y = np.array([0.0, np.nan, -1.0, 0.0, np.nan])
    assert span_hulls(x, y, np.array([0, 5])).tolist() == [True, False, False, True, False]
    assert span_hulls(x, np.full(5, np.nan), np.array([0, 2, 5])).tolist() == [False] * 5


def test_an_empty_span_keeps_nothing():
    x, y = np.arange(3.0), np.zeros(3)
    assert span_hulls(x, y, np.array([0, 0, 3])).tolist() == [True, False, True]
