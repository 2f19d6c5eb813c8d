"""Quantities at the rim."""

from __future__ import annotations

import math

import pytest
from pipeline.units import FACTORS, Units, feet_inches, parse, slope_both, station_text


@pytest.mark.parametrize(("text", "kind", "si"), [
    ("5 ft", "length", 1.524),
    ("  36 in ", "length", 0.9144),
    ("1,5 m", "length", 1.5),          # decimal comma
    (".5 m", "length", 0.5),
    ("1e-2 m", "length", 0.01),
    ("100 us-ft", "length", 30.480060960121918),
    ("2 %", "grade", 2.0),
    ("25 inHg", "vacuum", 84.659725),
    ("0.20 gal/h", "flow", 0.2 * 3.785411784 / 60),
    ("50 %", "ratio", 0.5),
    ("0.5", "ratio", 0.5),
    ("90 min", "time", 1.5),
    ("250 lbf", "force", 1112.0554),
])
def test_parse(text, kind, si):
    assert parse(text, kind) == pytest.approx(si, rel=1e-7)


@pytest.mark.parametrize(("text", "kind"), [
    ("5", "length"), ("ft", "length"), ("", "length"), ("5 furlongs", "length"), ("2 ft", "grade"),
    ("1 2 ft", "length"), ("nan ft", "length"), ("inf m", "length"), ("1e999 m", "length"), ("five ft", "length"),
    ("25 inHg", "length"), ("--3 m", "length"),
])
def test_parse_refuses_and_names_the_units(text, kind):
    with pytest.raises(ValueError, match=r"(is no|not a finite)") as caught:
        parse(text, kind)
    assert repr(text) in str(caught.value)


def test_every_kind_has_an_si_unit_of_factor_one_but_time_of_tanks():
    for kind, units in FACTORS.items():
        assert any(math.isclose(factor, 1.0) for factor in units.values()), kind


@pytest.mark.parametrize(("metres", "system", "text"), [
    (0.0, "us", "0+00.0"), (38.1, "us", "1+25.0"), (30.4799, "us", "1+00.0"), (30.46, "us", "0+99.9"),
    (999.96, "metric", "1+000.0"), (12.34, "metric", "0+012.3"),
])
def test_stations_carry_over(metres, system, text):
    assert station_text(metres, system) == text


def test_feet_and_inches_carry_over():
    assert feet_inches(1.2192) == "4'-0\""
    assert feet_inches(1.2192 - 0.001) == "4'-0\""
    assert feet_inches(0.3048 * 3 + 0.0254 * 6.5) == "3'-6½\""


def test_both_systems_print_their_own_units():
    us, metric = Units("us"), Units("metric")
    assert us.length(30.48) == "100 ft"
    assert metric.length(30.48, 1) == "30.5 m"
    assert us.vacuum(84.659725) == "25.0 inHg"
    assert metric.vacuum(84.66) == "84.7 kPa"
    assert us.flow(3.785411784) == "60 gal/h"
    assert us.height(1.2192) == "4.0 ft"
    assert metric.diameter_value(35.6) == "36"
    assert us.diameter_value(30.48) == "12.0"
    assert us.force(1112.0554) == "250 lbf"


def test_slope_is_printed_in_both_ways():
    assert slope_both(100.0) == "100 % (45°)"
    assert slope_both(26.8) == "27 % (15°)"
