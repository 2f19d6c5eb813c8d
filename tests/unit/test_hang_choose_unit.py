"""The kernel that picks supports: cheapest rows by hand and against every row tried; labels kept and dropped."""

from __future__ import annotations

from itertools import combinations, pairwise

import numpy as np
import pytest
from pipeline.hang import choose_kernel as kernel
from scipy.optimize import linprog

GRADE = 0.02


def given(stations, price=None, must=(), lower=None, upper=None, length=None):
    station = np.array(stations, float)
    n = len(station)
    stand = np.array([i in (0, n - 1) or s in must for i, s in enumerate(stations)])
    base = 0.1 * station
    low = base + 0.8 if lower is None else np.array(lower, float)
    high = base + 3.0 if upper is None else np.array(upper, float)
    s = np.linspace(0.0, station[-1], int(2 * station[-1]) + 1)
    return {
        "station": station, "price": np.ones(n) if price is None else np.array(price, float), "must": stand,
        "lower": low, "upper": high, "s": s, "s_low": np.interp(s, station, low), "s_high": np.interp(s, station, high),
        "first": np.searchsorted(s, station).astype(np.int64),
    }


def choose(problem, longest=12.0):
    path, low, high = kernel.choose(*problem.values(), longest, GRADE, 0.0, 0.0)
    return path.tolist(), low, high


def cost(problem, path, longest):
    station = problem["station"]
    return sum(problem["price"][b] + 0.1 * ((station[b] - station[a]) / longest) ** 2
               for a, b in pairwise(path))


@pytest.mark.parametrize(
    ("stations", "price", "must", "longest", "path"),
    [
        ([0, 10], None, (), 12.0, [0, 1]),
        ([0, 5, 10], None, (), 12.0, [0, 2]),  # no more than needed
        ([0, 5, 10], None, (5,), 12.0, [0, 1, 2]),  # one that has to stand
        ([0, 5, 10, 15, 20], None, (), 12.0, [0, 2, 4]),  # evenly
        ([0, 5, 10, 15, 20], [0, 3, 3, 3, 0], (), 12.0, [0, 2, 4]),
        ([0, 9, 10, 11, 20], [0, 1, 3, 3, 0], (), 12.0, [0, 1, 4]),  # a tree a little aside of the middle
        ([0, 3, 6, 9, 12], None, (), 12.0, [0, 4]),
        ([0, 3, 6, 9, 12.1], None, (), 12.0, [0, 2, 4]),
    ],
)
def test_rows_of_supports_by_hand(stations, price, must, longest, path):
    assert choose(given(stations, price, must), longest)[0] == path


@pytest.mark.parametrize("seed", range(8))
def test_cheapest_row_by_trying_all(seed):
    """An open window on a plane: every row with spans between 0.6 m and the longest is legal."""
    rng = np.random.default_rng(seed)
    stations = [0.0, *np.sort(rng.uniform(1.0, 29.0, 7)).round(2).tolist(), 30.0]
    problem = given(stations, rng.choice([1.0, 1.2, 3.0], 9))
    path, _, _ = choose(problem)
    best = min(
        cost(problem, [0, *some, 8], 12.0)
        for k in range(8) for some in combinations(range(1, 8), k)
        if all(0.6 <= stations[b] - stations[a] <= 12.0
               for a, b in zip([0, *some], [*some, 8], strict=True))
    )
    assert cost(problem, path, 12.0) == pytest.approx(best)


def test_where_no_span_is_short_enough_the_shortest_overrun_is_taken():
    path, _, _ = choose(given([0, 2, 20, 22]), 12.0)
    assert path == [0, 1, 2, 3]  # 18 m between 2 and 20, not 20 or 22


def test_a_hump_between_asks_for_a_support_on_it():
    """Level ground with 2.9 m of hump at 10: from 0.8..1.0 at both ends no straight wire clears it."""
    lower, upper = [0.8, 3.7, 1.2], [1.0, 5.0, 5.2]
    assert choose(given([0, 10, 20], [1, 1, 1], (), lower, upper), 25.0)[0] == [0, 1, 2]
    assert choose(given([0, 10, 20], [1, 1, 1], (), [0.8, 0.9, 1.2], upper), 25.0)[0] == [0, 2]


@pytest.mark.parametrize("seed", range(6))
def test_heights_at_the_chosen_supports_against_linear_programmes(seed):
    """On a plane nothing between supports binds: the interval at each is what window and fall below it leave."""
    rng = np.random.default_rng(seed)
    stations = [0.0, 10.0, 20.0, 30.0]
    lower = 0.05 * np.array(stations) + rng.uniform(0.5, 1.0, 4)
    upper = lower + rng.uniform(0.8, 2.0, 4)
    problem = given(stations, None, (10.0, 20.0), lower, upper)
    problem["s_low"], problem["s_high"] = problem["s_low"] - 9.0, problem["s_high"] + 9.0
    path, low, high = choose(problem)
    assert path == [0, 1, 2, 3]
    for k in range(4):
        a = [[1.0 if j == i else (-1.0 if j == i + 1 else 0.0) for j in range(4)] for i in range(k)]
        ends = []
        for sign in (1.0, -1.0):
            aim = np.zeros(4)
            aim[k] = sign
            got = linprog(aim, A_ub=np.array(a) if a else None, b_ub=np.full(k, -GRADE * 10.0) if a else None,
                          bounds=list(zip(lower, upper, strict=True)))
            ends.append(sign * got.fun)
        # between bands the kernel reads to the safe side
        assert low[k] >= ends[0] - 1e-9
        assert high[k] <= ends[1] + 1e-9
        assert low[k] - ends[0] < 0.02
        assert ends[1] - high[k] < 0.02


# ---------------------------------------------------------------- one span, one label


def span(z_low, z_high, bumps=(), length=10.0, lower_b=0.0, upper_b=9.0):
    """Return lowest and highest at b for the bands at a; bumps are (station, lowest wire there)."""
    station, lower, upper = np.array([0.0, length]), np.array([z_low, lower_b]), np.array([z_high, upper_b])
    s = np.array([b[0] for b in bumps], float)
    s_low, s_high = np.array([b[1] for b in bumps], float), np.full(len(bumps), 99.0)
    low, high = np.zeros(kernel.BANDS), np.zeros(kernel.BANDS)
    kernel._span(0, 1, station, lower, upper, s, s_low, s_high, np.array([0, len(bumps)]), GRADE, 0.0, 0.0, low, high)
    return low, high


def test_the_least_fall_and_the_window_above():
    """Bands from 1.0 to 2.1 by 0.1: lowest at b is 0.2 higher, highest its window's top."""
    low, high = span(1.0, 2.1)
    assert low == pytest.approx(np.linspace(1.0, 2.1, 12) + 0.2)
    assert high == pytest.approx(np.full(12, 9.0))
    assert span(1.0, 2.1, lower_b=2.0)[0] == pytest.approx(np.maximum(np.linspace(1.0, 2.1, 12) + 0.2, 2.0))


def test_a_bump_between_by_hand():
    """At the middle the wire must be 3: (a + b) / 2 >= 3, so b >= 6 - a; ends themselves are left out."""
    low, _ = span(1.0, 2.1, [(0.05, 50.0), (5.0, 3.0), (10.0, 50.0)])
    assert low == pytest.approx(6.0 - np.linspace(1.0, 2.1, 12))


@pytest.mark.parametrize(
    ("z_lo", "z_hi", "wanted"),
    [(1.0, 2.1, (1.2, 9.0)), (1.5, 1.5, (1.7, 9.0)), (1.55, 1.65, (1.75, 9.0)), (2.1, 2.1, (2.3, 9.0))],
)
def test_heights_that_can_be_reached(z_lo, z_hi, wanted):
    low, high = span(1.0, 2.1)
    assert kernel._reach(z_lo, z_hi, 1.0, 0.1, low, high) == pytest.approx(wanted)


def test_nothing_can_be_reached_where_lowest_is_above_highest():
    low, high = span(1.0, 2.1, upper_b=1.1)
    lo, hi = kernel._reach(1.0, 2.1, 1.0, 0.1, low, high)
    assert lo > hi


def table(*entries):
    """Insert (cost, lo, hi) one after another at candidate 0; return what is kept, cheapest first."""
    count = np.zeros(1, np.int64)
    held = [np.full((1, kernel.LABELS), 1e300), np.zeros((1, kernel.LABELS)), np.zeros((1, kernel.LABELS))]
    back = [np.zeros((1, kernel.LABELS), np.int64), np.zeros((1, kernel.LABELS), np.int64)]
    for k, (c, lo, hi) in enumerate(entries):
        kernel._insert(0, float(c), float(lo), float(hi), k, k, count, *held, *back)
    return sorted((float(held[0][0, i]), float(held[1][0, i]), float(held[2][0, i])) for i in range(count[0]))


@pytest.mark.parametrize(
    ("entries", "kept"),
    [
        ([(1, 0, 5)], [(1, 0, 5)]),
        ([(1, 0, 5), (2, 1, 4)], [(1, 0, 5)]),  # dearer and narrower
        ([(2, 1, 4), (1, 0, 5)], [(1, 0, 5)]),  # the same, the other way round
        ([(1, 0, 5), (2, -1, 4)], [(1, 0, 5), (2, -1, 4)]),  # dearer, but reaches lower
        ([(1, 0, 5), (2, 1, 6)], [(1, 0, 5), (2, 1, 6)]),
        ([(1, 0, 5), (1, 0, 5)], [(1, 0, 5)]),
        ([(3, 0, 5), (2, 0, 4), (1, -1, 9)], [(1, -1, 9)]),
    ],
)
def test_labels_that_are_beaten_go(entries, kept):
    assert table(*entries) == kept


def test_of_too_many_labels_the_dearest_goes():
    many = [(i, -i, 5 - i) for i in range(8)]  # none beats another
    assert [e[0] for e in table(*many)] == [0, 1, 2, 3, 4, 5]
    assert [e[0] for e in table(*many[::-1])] == [0, 1, 2, 3, 4, 5]
