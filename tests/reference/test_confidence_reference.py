"""Grade confidence against a field survey, the normal table, and thrown dice.

The field facts: a 10 m raster held against a survey of 693 corners of a 20 m grid (the survey itself is not
part of this repository). RMSE 1.85 m; of 20 m spans that the raster calls 2 to 3 % fall, 18 % truly ran uphill
and 55 % fell less than 2 %; at 10 % or more, 0.3 % ran uphill.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from pipeline.terrain.confidence import (
    CORRELATION_M,
    HIGH_PROBABILITY,
    fall_error_m,
    fall_probability,
    grade_confidence,
)
from scipy.optimize import brentq
from scipy.stats import norm

RMSE_M = 1.85
SPAN_M = 20.0
UPHILL_AT_2_TO_3, UNDER_2_AT_2_TO_3, UPHILL_FROM_10 = 0.18, 0.55, 0.003


def chance(grade_pct, least_pct, correlation_m=0.0):
    """Return the probability that a surveyed-plot span of a raster grade falls by at least `least_pct`."""
    return fall_probability(length_m=SPAN_M, fall_m=grade_pct / 100 * SPAN_M, min_grade_pct=least_pct,
                            vertical_error_m=RMSE_M, correlation_m=correlation_m)


def mean_chance(low_pct, high_pct, least_pct, correlation_m=0.0):
    return float(np.mean([chance(g, least_pct, correlation_m) for g in np.linspace(low_pct, high_pct, 41)]))


@pytest.fixture(scope="module")
def fitted_m():
    """Return the correlation length that explains the first fact."""
    return brentq(lambda lc: 1.0 - mean_chance(2, 3, 0.0, lc) - UPHILL_AT_2_TO_3, 20.0, 5000.0)


def test_the_errors_of_near_points_are_correlated(fitted_m):
    # independent errors of 1.85 m would send 42 % uphill; only 18 % went, so most of the error is common
    assert 1.0 - mean_chance(2, 3, 0.0) == pytest.approx(0.42, abs=0.02)
    assert 100.0 < fitted_m < 2000.0


def test_the_second_fact_follows_within_what_the_docstring_admits(fitted_m):
    under = 1.0 - mean_chance(2, 3, 2.0, fitted_m)
    assert under == pytest.approx(0.43, abs=0.01)
    assert 0.0 < UNDER_2_AT_2_TO_3 - under < 0.15


def test_the_third_fact_follows(fitted_m):
    # spans of 10 % and more: never more than the survey's 0.3 % by more than half a percent
    assert abs((1.0 - chance(10.0, 0.0, fitted_m)) - UPHILL_FROM_10) < 0.005


def test_the_default_is_far_on_the_safe_side_of_the_survey(fitted_m):
    assert fitted_m / 10.0 > CORRELATION_M
    for grade in (2.0, 3.0, 5.0, 10.0):
        assert chance(grade, 0.0) <= chance(grade, 0.0, CORRELATION_M) < chance(grade, 0.0, fitted_m)


@pytest.mark.parametrize("correlation_m", [0.0, CORRELATION_M, 50.0, 450.0])
@pytest.mark.parametrize("grade_pct", [2.0, 2.5, 3.0])
def test_spans_of_two_to_three_percent_on_such_a_raster_are_to_be_levelled(grade_pct, correlation_m):
    assert grade_confidence(
        length_m=SPAN_M, fall_m=grade_pct / 100 * SPAN_M, min_grade_pct=2.0, vertical_error_m=RMSE_M,
        correlation_m=correlation_m) == "level it"


def test_ten_percent_on_such_a_raster_is_high_once_its_correlation_is_known(fitted_m):
    assert grade_confidence(length_m=SPAN_M, fall_m=2.0, min_grade_pct=2.0, vertical_error_m=RMSE_M,
                            correlation_m=fitted_m) == "high"


def test_normal_table():
    # spare fall of exactly k standard errors: the normal distribution of scipy
    for k in (-2.0, -0.5, 0.0, 1.0, 1.2816, 2.5):
        sd = fall_error_m(length_m=15.0, vertical_error_m=0.15)
        assert sd == pytest.approx(0.15 * math.sqrt(2 * (1 - math.exp(-15.0 / CORRELATION_M))))
        got = fall_probability(length_m=15.0, fall_m=0.02 * 15.0 + k * sd, min_grade_pct=2.0, vertical_error_m=0.15)
        assert got == pytest.approx(norm.cdf(k), abs=1e-12)


@pytest.mark.parametrize(
    ("correlation_m", "slope_pct", "gps_m"), [(0.0, 0.0, 0.0), (30.0, 12.0, 2.5), (8.0, 25.0, 4.0)]
)
def test_thrown_dice(correlation_m, slope_pct, gps_m):
    rng = np.random.default_rng(11)
    n, length_m, sigma_m = 200_000, 18.0, 0.2
    rho = math.exp(-length_m / correlation_m) if correlation_m else 0.0
    a, b = rng.standard_normal((2, n)) * sigma_m
    raster = rho * a + math.sqrt(1 - rho**2) * b - a
    # misplacement in two dimensions, root mean square distance gps_m; only its part along the slope moves the ground
    turns = rng.uniform(0.0, 2 * math.pi, (2, n))
    away = gps_m * np.sqrt(rng.exponential(1.0, (2, n)))
    placed = slope_pct / 100 * (away[0] * np.cos(turns[0]) - away[1] * np.cos(turns[1]))
    fell = 0.05 * length_m + raster + placed >= 0.02 * length_m
    got = fall_probability(length_m=length_m, fall_m=0.05 * length_m, min_grade_pct=2.0, vertical_error_m=sigma_m,
                           gps_error_m=gps_m, slope_pct=slope_pct, correlation_m=correlation_m)
    assert got == pytest.approx(fell.mean(), abs=0.004)


def test_unknown_when_the_error_is_not_known():
    span = {"length_m": 20.0, "fall_m": 2.0, "min_grade_pct": 2.0}
    assert grade_confidence(**span, vertical_error_m=0.0) == "unknown"
    assert grade_confidence(**span, vertical_error_m=math.nan) == "unknown"
    assert grade_confidence(**span, vertical_error_m=0.1, slope_pct=math.nan) == "unknown"
    assert grade_confidence(length_m=0.0, fall_m=2.0, min_grade_pct=2.0, vertical_error_m=0.1) == "unknown"
    assert grade_confidence(length_m=20.0, fall_m=math.nan, min_grade_pct=2.0, vertical_error_m=0.1) == "unknown"


def test_both_sides_of_the_threshold():
    sd = fall_error_m(length_m=20.0, vertical_error_m=0.1)
    spare = norm.ppf(HIGH_PROBABILITY) * sd
    span = {"length_m": 20.0, "min_grade_pct": 2.0, "vertical_error_m": 0.1}
    assert grade_confidence(fall_m=0.4 + spare * 1.001, **span) == "high"
    assert grade_confidence(fall_m=0.4 + spare * 0.999, **span) == "level it"


def test_no_error_at_all_is_certain_either_way():
    span = {"length_m": 20.0, "min_grade_pct": 2.0, "vertical_error_m": 0.0}
    assert fall_probability(fall_m=0.4, **span) == 1.0
    assert fall_probability(fall_m=0.39, **span) == 0.0


def test_more_error_never_raises_confidence_of_a_span_that_has_spare_fall():
    last = 1.0
    for error in (0.01, 0.05, 0.1, 0.3, 1.0):
        now = fall_probability(length_m=20.0, fall_m=1.0, min_grade_pct=2.0, vertical_error_m=error, gps_error_m=2.0)
        assert now <= last
        last = now
    assert last < 0.7
