"""Quantities survive the way out and back."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st
from pipeline.units import FACTORS, FT_M, Units, feet_inches, parse, station_text


@given(st.sampled_from(sorted(FACTORS)), st.floats(-1e6, 1e6), st.data())
def test_any_unit_of_a_kind_reads_as_its_factor(kind, number, data):
    unit = data.draw(st.sampled_from(sorted(FACTORS[kind])))
    assert parse(f"{number!r} {unit}", kind) == float(repr(number)) * FACTORS[kind][unit]


@given(st.floats(0, 50000))
def test_a_station_reads_back_within_its_last_digit(station_m):
    hundreds, rest = station_text(station_m, "us").split("+")
    assert abs((int(hundreds) * 100 + float(rest)) * FT_M - station_m) <= 0.0501 * FT_M
    assert float(rest) < 100


@given(st.floats(0, 30))
def test_feet_and_inches_read_back_within_a_quarter_inch(length_m):
    feet, inches = feet_inches(length_m).rstrip('"').split("'-")
    value = int(feet) * 12 + float(inches.rstrip("½") or 0) + (0.5 if inches.endswith("½") else 0)
    assert abs(value * 0.0254 - length_m) <= 0.25 * 0.0254 + 1e-9
    assert float(inches.rstrip("½") or 0) < 12


@given(st.floats(-1e5, 1e5))
def test_elevations_never_print_as_nothing(z_m):
    assert float(Units("us").elevation_value(z_m)) == float(f"{z_m / FT_M:.1f}")
