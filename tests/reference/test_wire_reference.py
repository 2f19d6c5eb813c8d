"""Wire figures against published ones; the source stands beside each check."""

from __future__ import annotations

import math

import pytest
from pipeline.units import FT_M, IN_M, LBF_N
from pipeline.wire import (
    GRAVITY_M_S2,
    catenary_sag_m,
    no_back_grade_span_m,
    sag_m,
    side_tie_spacing_m,
    steel_weight_n_per_m,
    wire_row,
    wire_rows,
)

PSI_PA = LBF_N / IN_M**2
LB_FT = LBF_N / FT_M


def test_high_tensile_strength() -> None:
    """University of Florida CIR851: 12-1/2 gauge wire of 200 ksi carries 1,600 lbf.

    Area times strength at 0.099 in gives 1,540 lbf, 4 % below the printed figure.
    """
    wire = wire_row("12.5")
    assert wire.break_n == pytest.approx(1600 * LBF_N, rel=1e-3)
    area_m2 = math.pi * (wire.diameter_mm / 1000.0) ** 2 / 4.0
    assert 200e3 * PSI_PA * area_m2 == pytest.approx(wire.break_n, rel=0.05)


def test_low_carbon_wire_is_no_stronger_than_printed() -> None:
    """University of Florida CIR851: conventional 12-1/2 gauge wire breaks below 550 lbf."""
    assert wire_row("12.5-low-carbon").break_n < 550 * LBF_N


def test_tension_of_the_default_is_the_published_one() -> None:
    """University of Florida CIR851: strain high-tensile fence wire to 250 lbf."""
    assert wire_row("12.5").tension_high_n == pytest.approx(250 * LBF_N, rel=1e-3)


@pytest.mark.parametrize(("gauge", "diameter_mm", "coil_m"), [("12.5", 2.50, 648.0), ("4.0", 4.00, 253.0)])
def test_coil_lengths(gauge: str, diameter_mm: float, coil_m: float) -> None:
    """The Press (Christchurch), 18 Apr 1980: 25 kg of 2.50 mm wire is 648 m, of 4.00 mm wire 253 m."""
    published_n_per_m = 25.0 * GRAVITY_M_S2 / coil_m
    assert wire_row(gauge).weight_n_per_m == pytest.approx(published_n_per_m, rel=1e-3)
    assert steel_weight_n_per_m(diameter_mm) == pytest.approx(published_n_per_m, rel=3e-3)


def test_derived_weights_follow_from_the_diameters() -> None:
    for wire in wire_rows():
        assert wire.weight_n_per_m == pytest.approx(steel_weight_n_per_m(wire.diameter_mm), rel=3e-3)


# Derived, not published: pipe, sap and wire in lb/ft, tension in lbf, grade in %, span in ft, sag in inches.
# Kept as a regression of the formula: 3/4, 1, 1-1/4, 1-1/2 and 2 in pipe half full on 12-1/2 and 9 gauge wire.
DERIVED = [
    (0.2116, 150, 1, 14.2, 0.43), (0.2116, 250, 2, 47.3, 2.84), (0.2442, 250, 3, 61.4, 5.53),
    (0.3168, 250, 2, 31.6, 1.89), (0.3494, 150, 5, 42.9, 6.44), (0.5289, 250, 1, 9.5, 0.28),
    (0.5615, 250, 5, 44.5, 6.68), (0.7096, 250, 2, 14.1, 0.85), (0.7422, 150, 1, 4.0, 0.12),
    (1.1546, 250, 2, 8.7, 0.52), (1.1872, 150, 3, 7.6, 0.68),
]  # fmt: skip


@pytest.mark.parametrize(("lb_ft", "lbf", "grade_pct", "span_ft", "sag_in"), DERIVED)
def test_no_back_grade_spans(lb_ft: float, lbf: float, grade_pct: float, span_ft: float, sag_in: float) -> None:
    w, tension = lb_ft * LB_FT, lbf * LBF_N
    span = no_back_grade_span_m(w, tension, grade_pct)
    assert span / FT_M == pytest.approx(span_ft, abs=0.06)
    assert sag_m(w, tension, span) / IN_M == pytest.approx(sag_in, abs=0.011)
    assert side_tie_spacing_m(w, tension, grade_pct, 0.0, 9.9) == pytest.approx(span)


@pytest.mark.parametrize("lb_ft", [0.0262, 0.2116, 1.1872])
@pytest.mark.parametrize("span_ft", [2.0, 20.0, 40.0, 60.0])
@pytest.mark.parametrize("lbf", [150.0, 250.0])
def test_parabola_stands_for_the_catenary(lb_ft: float, span_ft: float, lbf: float) -> None:
    """The exact curve of a hanging wire is the catenary; up to 60 ft the parabola is within 1 % of it."""
    w, tension, span = lb_ft * LB_FT, lbf * LBF_N, span_ft * FT_M
    assert sag_m(w, tension, span) == pytest.approx(catenary_sag_m(w, tension, span), rel=0.01)
