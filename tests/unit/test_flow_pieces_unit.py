"""Pieces, what bound their size, equipment at the end, remarks: tables by hand."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest
from pipeline import flow
from pipeline.flow import choose, ends, pieces, remarks
from pipeline.flow.pieces import Piece
from pipeline.hydraulics import air
from pipeline.hydraulics.catalogue import mainline_sizes
from pipeline.settings import Settings
from pipeline.units import INHG_KPA, Units

from flow_networks import case, flow_settings, point


def choice(wet=(0, 0), by_sap=(0, 0), by_air=(0, 0), dry=(0, 0), by_dry=(0, 0), by_wet=(0, 0)):
    return SimpleNamespace(
        **{
            k: np.array(v)
            for k, v in {
                "wet": wet,
                "by_sap": by_sap,
                "by_air": by_air,
                "by_air_dry": by_dry,
                "by_air_wet": by_wet,
                "dry": dry,
            }.items()
        }
    )


@pytest.mark.parametrize(
    ("role", "size", "given", "word"),
    [
        ("single", 0, {}, "smallest"),
        ("single", 2, {}, "upstream"),
        ("single", 2, {"by_sap": (2, 1)}, "fill"),
        ("single", 2, {"by_sap": (1, 2), "by_air": (0, 2)}, "fill"),  # a draw is the sap's
        ("single", 2, {"by_sap": (1, 1), "by_air": (0, 2)}, "vacuum"),
        ("single", 3, {"by_sap": (1, 1), "by_air": (0, 2)}, "upstream"),
        ("single", 4, {"by_air": (5, 0)}, "catalogue"),
        ("single", 4, {"by_sap": (5, 0)}, "catalogue"),
        ("wet", 1, {"by_air": (3, 3), "by_wet": (1, 0)}, "vacuum"),
        ("wet", 1, {"by_air": (3, 3), "by_sap": (1, 0)}, "fill"),
        ("dry", 2, {"by_dry": (2, 0), "wet": (1, 1)}, "vacuum"),
        ("dry", 2, {"by_dry": (2, 0), "wet": (2, 2)}, "vacuum"),
        ("dry", 2, {"by_dry": (1, 0), "wet": (2, 1)}, "wet line"),
        ("dry", 3, {"by_dry": (1, 0), "wet": (2, 1)}, "upstream"),
        ("dry", 0, {}, "smallest"),
        ("dry", 4, {"by_dry": (5, 0)}, "catalogue"),
    ],
)
def test_what_set_a_size(role, size, given, word):
    assert pieces.binding(Piece(0, role, 0, 2, size), choice(**given), 4) == word


@pytest.mark.parametrize(
    ("cut_at", "wanted"), [((), [(0, 10)]), ((4,), [(0, 4), (4, 10)]), ((1, 9), [(0, 1), (1, 9), (9, 10)])]
)
def test_runs_end_where_they_may_not_join(cut_at, wanted):
    given = case(branch=False, laterals=10)
    tree = flow.network.build(mainlines=given["mainlines"], grouping=given["grouping"],
                              collections=given["collections"])
    assert pieces._runs(tree, 0, lambda _, r: r not in cut_at) == wanted


def test_runs_end_at_branches():
    given = case(laterals=10)
    tree = flow.network.build(mainlines=given["mainlines"], grouping=given["grouping"],
                              collections=given["collections"])
    assert pieces._runs(tree, 0, lambda _a, _b: True) == [(0, 5), (5, 10)]


# ---------------------------------------------------------------- ends


@pytest.mark.parametrize(
    ("kpa", "times"), [(0.0, 1.0), (50.6625, 2.0), (75.99375, 4.0)]
)
def test_thin_air_takes_more_room(kpa, times):
    """Half an atmosphere twice the room, a quarter four times."""
    assert ends.displacement_m3_s(free_air_m3_s=3.0, barometer_pa=101325.0, vacuum_kpa=kpa) == pytest.approx(
        3.0 * times
    )


def station(taps=100, pumped=True, entry=(80.0, 75.0), **rules):
    settings = flow_settings(pumped=pumped, **rules)
    return ends._station(point=point(), taps=taps, entry_kpa=np.array(entry), barometer_pa=100_000.0,
                         pump_pa=16_000.0, settings=settings)


def test_a_station_by_hand():
    """100 taps: sap 0.02, stronger run 0.05, 4 L of tank and 1e-6 m3/s of air a tap."""
    got = station(peak_flow_l_min=0.02, sensitivity_flow_l_min=0.05, tank_per_tap_l=4.0, air_per_tap_m3_s=1e-6)
    assert (got.taps, got.tank_l) == (100, 400.0)
    assert got.peak_flow_l_min == pytest.approx(2.0)
    assert got.releaser_l_min == pytest.approx(5.0)
    assert got.pump_air_m3_s == pytest.approx(1e-4)
    assert got.moisture_trap_l == 20.0  # the least; 2 min of 5 L/min would be 10
    assert got.vacuum_kpa == pytest.approx(84.0)
    assert got.farthest_vacuum_kpa == 75.0


@pytest.mark.parametrize(("stronger", "releaser"), [(0.01, 2.0), (0.02, 2.0), (0.05, 5.0)])
def test_the_releaser_passes_the_stronger_of_both_runs(stronger, releaser):
    assert station(peak_flow_l_min=0.02, sensitivity_flow_l_min=stronger).releaser_l_min == pytest.approx(releaser)


def test_a_large_trap_holds_two_minutes():
    assert station(taps=1000, peak_flow_l_min=0.02, sensitivity_flow_l_min=0.05).moisture_trap_l == pytest.approx(100.0)


def test_without_a_pump_nothing_is_pumped():
    got = station(pumped=False)
    assert (got.releaser_l_min, got.pump_air_m3_s, got.moisture_trap_l, got.farthest_vacuum_kpa) == (0, 0, 0, 0)
    assert [what for what, _ in got.arithmetic] == ["Taps", "Peak sap", "Tank", "Pump"]


def test_a_station_without_entries():
    got = station(taps=0, entry=())
    assert got.farthest_vacuum_kpa == 0.0
    assert got.releaser_l_min == 0.0
    assert any("x 1.0 " in how for _, how in got.arithmetic)


@pytest.mark.parametrize(
    ("power", "words"), [("yes", "power at hand"), ("no", "must stand above"), ("unknown", "not decided")]
)
def test_the_kind_of_releaser_follows_the_power(power, words):
    rows = dict(station(power_at_collection=power).arithmetic)
    assert words in rows["Releaser kind"]


# ---------------------------------------------------------------- remarks


def pipe(**change):
    given = case(branch=False)
    sized, _ = flow.size(**given)
    return dataclasses.replace(sized.pipes[0], **change)


METRIC = Units("metric")
SIZES = mainline_sizes("id_controlled")


@pytest.mark.parametrize(
    ("change", "codes"),
    [
        ({"area_ratio": 0.5}, []), ({"area_ratio": 0.5001}, ["FILL_OVER"]), ({"grade_pct": 0.0}, ["NO_FALL"]),
        ({"grade_pct": -1.0, "area_ratio": 1.0}, ["NO_FALL"]), ({"grade_pct": -1.0, "role": "dry"}, []),
        ({"area_ratio": 1.0, "role": "dry"}, []),
    ],
)
def test_fill_and_fall_of_a_pipe(change, codes):
    got = remarks._fill((pipe(**change),), SIZES, Settings(), METRIC)
    assert [f.code for f in got] == codes


def test_how_many_lines_would_do():
    """Q grows with the bore to 8/3: a flow twice that of the largest size needs two of it."""
    largest = SIZES[-1].inner_diameter_mm
    from pipeline.hydraulics import sap
    full = float(sap.capacity_l_min(largest, 3.0, 0.5))
    [got] = remarks._fill((pipe(area_ratio=0.9, grade_pct=3.0, peak_flow_l_min=1.9 * full),), SIZES, Settings(), METRIC)
    assert "or 2 lines of the largest size" in got.remedy
    [got] = remarks._fill((pipe(area_ratio=0.9, grade_pct=3.0, peak_flow_l_min=2.1 * full),), SIZES, Settings(), METRIC)
    assert "or 3 lines of the largest size" in got.remedy


@pytest.mark.parametrize(("n", "tail"), [(1, "P0"), (12, "P11"), (13, "P11 and 1 more"), (20, "P11 and 8 more")])
def test_long_lists_are_cut_short(n, tail):
    assert remarks._names([f"P{i}" for i in range(n)]).endswith(tail)


@pytest.mark.parametrize(("units", "text"), [(METRIC, "27 mm"), (Units("us"), "1.05 in")])
def test_a_bore_in_the_readers_units(units, text):
    assert remarks._bore(26.64, units) == text


@pytest.mark.parametrize(
    ("peak", "stronger", "found"), [(0.0, 1.0, False), (1.0, 0.0, False), (1.0, 1.0, False), (1.0, 400.0, True)]
)
def test_the_stronger_run(peak, stronger, found):
    settings = flow_settings(peak_flow_l_min=peak, sensitivity_flow_l_min=stronger)
    got = remarks._sensitivity((pipe(grade_pct=3.0, peak_flow_l_min=0.5),), settings)
    assert bool(got) is found
    assert remarks._sensitivity((pipe(role="dry"), pipe(grade_pct=-1.0)), settings) == []


@pytest.mark.parametrize(
    ("z", "asked", "found"), [(0.0, 25.0, False), (0.0, 29.8, True), (1500.0, 25.0, True), (1500.0, 24.0, False)]
)
def test_vacuum_ends_where_sap_boils(z, asked, found):
    """At 1500 m the barometer is 84.56 kPa; less 0.87 kPa that is 24.7 inHg."""
    given = case(branch=False, vacuum_kpa=asked * INHG_KPA)
    given["collections"] = (point(z_m=z),)
    _, findings = flow.size(**given)
    assert ("VACUUM_ALTITUDE" in [f.code for f in findings]) is found
    top = float(choose.highest_vacuum_pa(air.barometer_pa(z))) / 1000.0
    assert (asked * INHG_KPA > top) is found
