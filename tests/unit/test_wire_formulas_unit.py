"""Sag and spacing worked by hand, and against the catenary's own differential equation."""

from __future__ import annotations

import math

import numpy as np
import pytest
from pipeline import wire
from pipeline.units import FT_M, LBF_N
from scipy import integrate, optimize


@pytest.mark.parametrize(
    ("weight", "tension", "span", "sag"),
    [
        (4.0, 1000.0, 10.0, 0.05),  # 4 * 100 / 8000
        (4.0, 1000.0, 20.0, 0.20),  # twice the span, four times the sag
        (8.0, 1000.0, 10.0, 0.10),  # twice the weight
        (4.0, 2000.0, 10.0, 0.025),  # twice the tension
        (4.0, 1000.0, 0.0, 0.0),
        (0.0, 1000.0, 10.0, 0.0),
    ],
)
def test_sag_by_hand(weight, tension, span, sag):
    """``w L^2 / 8 T``."""
    assert wire.sag_m(weight, tension, span) == pytest.approx(sag, abs=1e-15)


@pytest.mark.parametrize(
    ("weight", "tension", "span", "slope"),
    [(4.0, 1000.0, 10.0, 2.0), (4.0, 1000.0, 5.0, 1.0), (2.0, 1000.0, 10.0, 1.0), (4.0, 500.0, 10.0, 4.0)],
)
def test_slope_at_the_lower_end_by_hand(weight, tension, span, slope):
    """``100 w L / 2 T``: 100 * 4 * 10 / 2000 = 2 %."""
    assert wire.sag_slope_pct(weight, tension, span) == pytest.approx(slope)


def test_sag_is_the_area_under_the_slope():
    """The drop from support to mid-span is the slope there (falling to 0 at the middle) integrated over half a span."""
    weight, tension, span = 3.1, 1112.0, 12.2
    drop, _ = integrate.quad(lambda s: wire.sag_slope_pct(weight, tension, span - 2.0 * s) / 100.0, 0.0, span / 2.0)
    assert drop == pytest.approx(wire.sag_m(weight, tension, span), rel=1e-9)


def test_catenary_solves_its_differential_equation():
    """``y'' = (w / T) sqrt(1 + y'^2)``, integrated from mid-span with slope 0 to the support."""
    weight, tension, span = 9.0, 300.0, 30.0
    solved = integrate.solve_ivp(
        lambda _, y: [y[1], weight / tension * math.hypot(1.0, y[1])], (0.0, span / 2.0), [0.0, 0.0],
        rtol=1e-10, atol=1e-12)
    assert wire.catenary_sag_m(weight, tension, span) == pytest.approx(float(solved.y[0, -1]), rel=1e-7)


@pytest.mark.parametrize("span", [3.0, 12.192, 20.0])
def test_the_parabola_is_within_a_hundredth_of_the_catenary_on_mainline_spans(span):
    catenary = wire.catenary_sag_m(3.1, 1112.0, span)
    parabola = wire.sag_m(3.1, 1112.0, span)
    assert 0.99 * catenary < parabola <= catenary * (1.0 + 1e-6)


def test_steel_by_hand():
    """A wire of 1 cm^2 (diameter 2 sqrt(100 / pi) mm) weighs 7850 * 9.80665 * 1e-4 = 7.69822 N/m."""
    diameter = 2.0 * math.sqrt(100.0 / math.pi)
    assert wire.steel_weight_n_per_m(diameter) == pytest.approx(7.6982202, abs=1e-6)


@pytest.mark.parametrize(("ratio", "weight"), [(0.0, 0.0), (0.5, 4.942552), (1.0, 9.885103)])
def test_sap_by_hand(ratio, weight):
    """A bore of 10 cm^2 full of sap: 1008 * 9.80665 * 1e-3 = 9.885103 N/m."""
    bore = 2.0 * math.sqrt(1000.0 / math.pi)
    assert wire.sap_weight_n_per_m(bore, ratio) == pytest.approx(weight, abs=1e-6)


@pytest.mark.parametrize("row", [r for r in wire.wire_rows() if r.gauge != "12.5-low-carbon"], ids=lambda r: r.gauge)
def test_the_table_weighs_what_steel_of_its_diameter_weighs(row):
    """Within 3 %: coils are rated by length, and zinc and drawing tolerances add and take a little."""
    assert row.weight_n_per_m == pytest.approx(wire.steel_weight_n_per_m(row.diameter_mm), rel=0.03)


@pytest.mark.parametrize(
    ("grade", "span"), [(2.0, 10.0), (4.0, 20.0), (0.0, 0.0), (-3.0, 0.0)],
)
def test_span_without_back_grade_by_hand(grade, span):
    """``2 T S / w = 2 * 1000 * 0.02 / 4 = 10 m``; nothing on a line that does not fall."""
    assert wire.no_back_grade_span_m(4.0, 1000.0, grade) == pytest.approx(span)


def test_span_without_back_grade_is_where_the_slopes_meet():
    """Root of slope(span) - grade, found by bracketing instead of the closed form."""
    found = optimize.brentq(lambda s: wire.sag_slope_pct(3.088, 1112.0, s) - 2.0, 0.1, 100.0)
    assert wire.no_back_grade_span_m(3.088, 1112.0, 2.0) == pytest.approx(found)
    assert found / FT_M == pytest.approx(47.3, abs=0.05)
    assert pytest.approx(1112.06, abs=0.01) == 250.0 * LBF_N


@pytest.mark.parametrize(
    ("grade", "keep", "most_sag", "spacing"),
    [
        (2.0, 0.0, 1.0, 10.0),  # grade rules: 2 * 1000 * 0.02 / 4 = 10; sag would allow sqrt(2000) = 44.7
        (2.0, 1.0, 1.0, 5.0),  # half of the grade is kept, half is left for sag
        (2.0, 2.0, 1.0, 0.0),  # nothing left
        (2.0, 3.0, 1.0, 0.0),  # less than nothing left
        (20.0, 0.0, 0.05, 10.0),  # sag rules: sqrt(8 * 1000 * 0.05 / 4) = 10; grade would allow 100
        (20.0, 0.0, 0.2, 20.0),  # four times the sag, twice the spacing
        (20.0, 0.0, 0.0, 0.0),  # no sag allowed at all
    ],
)
def test_spacing_of_side_ties_by_hand(grade, keep, most_sag, spacing):
    assert wire.side_tie_spacing_m(4.0, 1000.0, grade, keep, most_sag) == pytest.approx(spacing)


def test_spacing_keeps_both_limits_and_a_longer_one_breaks_one():
    for grade, most_sag in [(2.0, 0.05), (2.0, 0.005), (8.0, 0.05), (0.5, 0.05)]:
        spacing = wire.side_tie_spacing_m(3.1, 1112.0, grade, 0.2, most_sag)
        for times, holds in ((1.0 - 1e-9, True), (1.001, False)):
            sag = wire.sag_m(3.1, 1112.0, times * spacing)
            fall = grade - wire.sag_slope_pct(3.1, 1112.0, times * spacing)
            assert (sag <= most_sag and fall >= 0.2) is holds


def test_an_empty_cell_is_no_number_and_a_blank_one_neither():
    assert math.isnan(wire._number(""))
    assert math.isnan(wire._number("  "))
    assert wire._number(" 2.50 ") == 2.5


def test_rows_come_in_file_order_and_gauges_are_their_own():
    gauges = [row.gauge for row in wire.wire_rows()]
    assert gauges[:2] == ["12.5", "12.5-low-carbon"]
    assert len(set(gauges)) == len(gauges)
    assert [wire.wire_row(g).gauge for g in gauges] == gauges


def test_no_wire_is_tensioned_beyond_what_breaks_it():
    known = [r for r in wire.wire_rows() if math.isfinite(r.break_n) and math.isfinite(r.tension_high_n)]
    assert known
    for row in known:
        assert 0.0 < row.tension_low_n < row.tension_high_n < row.break_n


@pytest.mark.parametrize("asked", ["", "12.50", "13"])
def test_a_gauge_that_is_not_there_is_answered_with_all_that_are(asked):
    with pytest.raises(ValueError, match="no wire of gauge") as caught:
        wire.wire_row(asked)
    assert repr(asked) in str(caught.value)
    assert all(row.gauge in str(caught.value) for row in wire.wire_rows())


def test_formulas_scale_together():
    """Twice weight and tension change nothing; lengths scale with the sag allowed."""
    rng = np.random.default_rng(3)
    for weight, tension, grade, sag in rng.uniform([1, 500, 1, 0.01], [6, 1500, 9, 0.1], (20, 4)):
        once = wire.side_tie_spacing_m(weight, tension, grade, 0.0, sag)
        assert wire.side_tie_spacing_m(2 * weight, 2 * tension, grade, 0.0, sag) == pytest.approx(once)
