"""Every unit and every printer, from factors derived here from the definitions."""

from __future__ import annotations

import math
from fractions import Fraction

import pytest
from pipeline.units import (
    ACRE_M2,
    CFM_M3_S,
    FACTORS,
    GAL_L,
    INHG_KPA,
    LBF_N,
    Units,
    feet_inches,
    parse,
    slope_both,
    station_text,
)

FOOT = Fraction(3048, 10000)  # metre, by definition
INCH = FOOT / 12
GALLON = 231 * INCH**3 * 1000  # litre: 231 cubic inches
POUND = Fraction(45359237, 100000000) * Fraction(980665, 100000)  # newton: kilogram times standard gravity

# unit, kind, what one of it is in SI
DEFINITIONS = [
    ("m", "length", 1), ("cm", "length", Fraction(1, 100)), ("mm", "length", Fraction(1, 1000)), ("km", "length", 1000),
    ("ft", "length", FOOT), ("'", "length", FOOT), ("in", "length", INCH), ('"', "length", INCH),
    ("us-ft", "length", Fraction(1200, 3937)), ("yd", "length", 3 * FOOT), ("mi", "length", 1760 * 3 * FOOT),
    ("%", "grade", 1), ("deg", "angle", 1), ("°", "angle", 1), ("L", "volume", 1), ("gal", "volume", GALLON),
    ("gal/h", "flow", GALLON / 60), ("L/h", "flow", Fraction(1, 60)), ("L/min", "flow", 1), ("gal/min", "flow", GALLON),
    ("kPa", "vacuum", 1), ("N", "force", 1), ("lbf", "force", POUND),
    ("cfm", "air", FOOT**3 / 60), ("m3/s", "air", 1), ("m3/h", "air", Fraction(1, 3600)),
    ("L/s", "air", Fraction(1, 1000)), ("L/min", "air", Fraction(1, 60000)),
    ("%", "ratio", Fraction(1, 100)), ("", "ratio", 1), ("h", "time", 1), ("min", "time", Fraction(1, 60)),
    ("min", "duration_min", 1), ("h", "duration_min", 60),
]


@pytest.mark.parametrize(("unit", "kind", "si"), DEFINITIONS)
@pytest.mark.parametrize("amount", ["1", "2.5", "-3", "+0.125", "1e3"])
def test_units_are_their_definitions(unit, kind, si, amount):
    assert parse(f"{amount} {unit}", kind) == pytest.approx(float(Fraction(amount) * si), rel=1e-12)


def test_the_table_above_has_every_unit_but_the_mercury_inch():
    """The conventional inch of mercury is a measured constant: 3.386389 kPa, NIST SP 811 B.8."""
    known = {(unit.lower(), kind) for unit, kind, _ in DEFINITIONS} | {("inhg", "vacuum")}
    assert known == {(unit, kind) for kind, units in FACTORS.items() for unit in units}
    assert parse("1 inHg", "vacuum") == INHG_KPA == 3.386389


def test_derived_constants():
    assert float(GALLON) == GAL_L
    assert float(POUND) == pytest.approx(LBF_N, rel=1e-15)
    assert pytest.approx(float(FOOT**3 / 60), rel=1e-15) == CFM_M3_S
    assert float(43560 * FOOT**2) == ACRE_M2


@pytest.mark.parametrize(("text", "metres"), [
    ("5ft", 1.524), ("5 FT", 1.524), ("5 Ft ", 1.524), ("\t5\tft", 1.524), ("5. ft", 1.524), ("5,0 ft", 1.524),
    (",5 m", 0.5), ("+.5 m", 0.5), ("1E2 cm", 1.0), ("1e+2 cm", 1.0), ("-2 m", -2.0), ("6'", 1.8288), ('36"', 0.9144),
    ("0 m", 0.0),
])
def test_spellings(text, metres):
    assert parse(text, "length") == pytest.approx(metres)


@pytest.mark.parametrize("text", [
    "1,234.5 ft", "1.234,5 m", "1 000 m", "5 ft 3 in", "5'3\"", "m 5", ". m", "e3 m", "5 m/s", "0x10 m", "5 ft.",
    "½ ft", "1/2 ft", "- 5 m", "5 %", "٥ furlong",
])
def test_what_is_no_length(text):
    with pytest.raises(ValueError, match="is no length"):
        parse(text, "length")


@pytest.mark.parametrize("kind", sorted(FACTORS))
def test_a_refusal_names_the_text_the_kind_and_all_its_units(kind):
    with pytest.raises(ValueError, match=f"is no {kind}") as caught:
        parse("7 parsec", kind)
    assert "'7 parsec'" in str(caught.value)
    assert all(repr(unit) in str(caught.value) if unit == "" else unit in str(caught.value) for unit in FACTORS[kind])


@pytest.mark.parametrize(("text", "kind"), [("5 ft", "grade"), ("5 %", "length"), ("5 L", "flow"), ("5 min", "air"),
                                            ("5 kPa", "force"), ("5", "vacuum"), ("5 h", "length")])
def test_a_unit_of_another_kind_is_refused(text, kind):
    with pytest.raises(ValueError, match=f"is no {kind}"):
        parse(text, kind)


def test_too_large_to_be_finite():
    with pytest.raises(ValueError, match="not a finite length"):
        parse("1e308 km", "length")


# ---------------------------------------------------------------- stations and tapes


@pytest.mark.parametrize(("feet", "text"), [
    (0.0, "0+00.0"), (0.04, "0+00.0"), (0.06, "0+00.1"), (9.94, "0+09.9"), (9.96, "0+10.0"), (99.94, "0+99.9"),
    (99.96, "1+00.0"), (125.0, "1+25.0"), (1234.56, "12+34.6"), (10_000.0, "100+00.0"),
])
def test_us_stations_are_hundreds_of_feet(feet, text):
    assert station_text(feet * 0.3048, "us") == text
    assert Units("us").station(feet * 0.3048) == text


@pytest.mark.parametrize(("metres", "text"), [
    (0.0, "0+000.0"), (0.04, "0+000.0"), (0.06, "0+000.1"), (38.0, "0+038.0"), (999.94, "0+999.9"),
    (999.96, "1+000.0"), (1038.1, "1+038.1"), (12_345.67, "12+345.7"),
])
def test_metric_stations_are_kilometres(metres, text):
    assert station_text(metres, "metric") == text
    assert Units("metric").station(metres) == text


@pytest.mark.parametrize("system", ["us", "metric"])
def test_stations_read_back_within_half_a_tenth(system):
    unit, whole = (0.3048, 100.0) if system == "us" else (1.0, 1000.0)
    for k in range(400):
        at = 7.3137 * k
        high, low = station_text(at, system).split("+")
        assert float(high) * whole + float(low) == pytest.approx(at / unit, abs=0.0501)
        assert float(low) < whole


@pytest.mark.parametrize(("inches", "text"), [
    (0.0, "0'-0\""), (0.24, "0'-0\""), (0.26, "0'-0½\""), (0.74, "0'-0½\""), (0.76, "0'-1\""), (11.74, "0'-11½\""),
    (11.76, "1'-0\""), (12.0, "1'-0\""), (48.5, "4'-0½\""), (119.9, "10'-0\""),
])
def test_tapes_read_to_the_half_inch(inches, text):
    assert feet_inches(inches * 0.0254) == text


# ---------------------------------------------------------------- printing

US, METRIC = Units("us"), Units("metric")


@pytest.mark.parametrize(("made", "us", "metric"), [
    (lambda u: u.length(304.8), "1,000 ft", "305 m"),
    (lambda u: u.length(304.8, 2), "1,000.00 ft", "304.80 m"),
    (lambda u: u.length_value(30.48), "100", "30"),
    (lambda u: u.height(1.0), "3.3 ft", "1.00 m"),
    (lambda u: u.height_value(0.762), "2.5", "0.76"),
    (lambda u: u.elevation_value(372.345), "1221.6", "372.35"),
    (lambda u: u.flow(10.0), "159 gal/h", "10.0 L/min"),
    (lambda u: u.flow_value(100.0), "1,585", "100.0"),
    (lambda u: u.vacuum(84.66), "25.0 inHg", "84.7 kPa"),
    (lambda u: u.vacuum_value(3.386389), "1.0", "3.4"),
    (lambda u: u.diameter_value(25.4), "10.0", "25"),
    (lambda u: u.volume(3785.411784), "1,000 gal", "3,785 L"),
    (lambda u: u.air(0.01), "21.2 cfm", "36.0 m³/h"),
    (lambda u: u.force(4448.2216), "1,000 lbf", "4,448 N"),
    (lambda u: u.length_unit, "ft", "m"),
    (lambda u: u.flow_unit, "gal/h", "L/min"),
    (lambda u: u.vacuum_unit, "inHg", "kPa"),
    (lambda u: u.diameter_unit, "in", "cm"),
    (lambda u: u.volume_unit, "gal", "L"),
    (lambda u: u.air_unit, "cfm", "m³/h"),
    (lambda u: u.is_us, True, False),
])
def test_both_systems(made, us, metric):
    """Hand: 1 m = 3.28 ft; 10 L/min = 600 / 3.785 = 158.5 gal/h; 0.01 m³/s = 0.01 60 / 0.02832 = 21.19 cfm."""
    assert made(US) == us
    assert made(METRIC) == metric


@pytest.mark.parametrize("value_m", [0.0, 0.31, 1.2192, 4.5, 12.0, 987.6])
def test_printed_lengths_read_back(value_m):
    assert parse(US.length(value_m, 3).replace(",", ""), "length") == pytest.approx(value_m, abs=0.0002)
    assert parse(METRIC.height(value_m), "length") == pytest.approx(value_m, abs=0.0051)
    assert parse(US.height(value_m), "length") == pytest.approx(value_m, abs=0.0153)


def test_us_is_what_a_reader_gets_who_asks_for_nothing():
    assert Units() == US


@pytest.mark.parametrize(("grade", "text"), [
    (0.0, "0 % (0°)"), (17.6327, "18 % (10°)"), (57.735, "58 % (30°)"), (100.0, "100 % (45°)"),
    (173.205, "173 % (60°)"),
])
def test_slopes_in_percent_and_degrees(grade, text):
    assert slope_both(grade) == text
    degrees = int(text.split("(")[1].rstrip("°)"))
    assert 100.0 * math.tan(math.radians(degrees)) == pytest.approx(grade, abs=1.0)
