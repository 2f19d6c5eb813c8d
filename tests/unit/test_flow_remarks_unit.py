"""What the sized network says of itself, against its own pipes and vacuum looked at once more."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest
from pipeline import flow
from pipeline.flow import choose, network
from pipeline.hydraulics import sap
from pipeline.hydraulics.catalogue import mainline_sizes
from pipeline.hydraulics.natural import natural_vacuum_kpa
from pipeline.records import CollectionPoint
from pipeline.units import FT_M, INHG_KPA

from flow_networks import case, evenly, flow_settings, grouping, lateral, mainline, point, random_network

GRAVE = {"FILL_OVER": "violation", "NO_FALL": "violation", "VACUUM_SHORT": "violation", "VACUUM_ALTITUDE": "check",
         "PAIR_ADDED": "note", "PAIR_WITHOUT_PUMP": "note", "SENSITIVITY": "note", "NATURAL_VACUUM": "note"}


def metric(arguments):
    bush = dataclasses.replace(arguments["settings"].bush, units="metric")
    return {**arguments, "settings": dataclasses.replace(arguments["settings"], bush=bush)}


def said(arguments, code: str):
    return [f for f in flow.size(**arguments)[1] if f.code == code]


def losses(arguments):
    """Return the loss from pump to last tap of each lateral, reach by reach with the room's own sizes."""
    sizes = mainline_sizes(arguments["settings"].flow.pipes)
    tree = network.build(**{k: arguments[k] for k in ("mainlines", "grouping", "collections")})
    load = choose.load(tree=tree, grouping=arguments["grouping"], collections=arguments["collections"],
                       settings=arguments["settings"])
    choice = choose.choose(tree=tree, load=load, sizes=sizes, settings=arguments["settings"])
    return choose.vacuum(tree=tree, load=load, choice=choice, sizes=sizes).last_tap_loss_kpa


# ---------------------------------------------------------------- any network


@pytest.mark.parametrize("seed", range(8))
@pytest.mark.parametrize("budget", [1.0, 6.8])
def test_every_breach_is_told_once_and_nothing_else_is(seed, budget):
    """Random networks: pipes over the fill, mainlines over the budget and pairs, counted from the result."""
    rng = np.random.default_rng(seed)
    arguments = random_network(rng, branches=3, loss_budget_kpa=budget)
    sized, findings = flow.size(**arguments)
    over = {p.pipe_id for p in sized.pipes if p.role != "dry" and p.area_ratio > 0.5 * (1.0 + 1e-9)}
    assert {f.subject_id for f in findings if f.code == "FILL_OVER"} == over
    loss = losses(arguments)
    short = {la.mainline_id for la, kpa in zip(arguments["grouping"].laterals, loss, strict=True)
             if kpa > budget * (1.0 + 1e-9)}
    assert {f.subject_id for f in findings if f.code == "VACUUM_SHORT"} == short
    paired = {p.mainline_id for p in sized.pipes if p.role == "dry"}
    assert {f.subject_id for f in findings if f.code == "PAIR_ADDED"} == paired
    assert all(f.severity == GRAVE.get(f.code, f.severity) for f in findings)
    rank = {"violation": 0, "check": 1, "note": 2}
    assert [rank[f.severity] for f in findings] == sorted(rank[f.severity] for f in findings)
    assert len({(f.code, f.subject_id) for f in findings}) == len(findings)


# ---------------------------------------------------------------- vacuum


def test_the_worst_lateral_of_a_line_stands_for_all_that_lose_too_much():
    arguments = metric(case(length_m=600.0, laterals=30, taps=10, branch=False, loss_budget_kpa=0.5, pair="never"))
    (told,) = said(arguments, "VACUUM_SHORT")
    loss = losses(arguments)
    worst = int(np.argmax(loss))
    assert told.measured == pytest.approx(float(loss[worst]))
    assert told.limit == 0.5
    assert told.text.startswith(f"{int((loss > 0.5).sum())} laterals of M1 lose")
    assert f"{arguments['grouping'].laterals[worst].lateral_id} loses most" in told.text


def test_one_lateral_is_one_and_a_long_one_is_told_to_be_shortened():
    """Ten taps 3 m up the line behind 30 m of 5/16 in tubing lose it in the lateral, not in the mainline."""
    arguments = metric({**case(branch=False, loss_budget_kpa=0.05),
                        "grouping": grouping([lateral("L1", "M1", 3.0, 10, length_m=30.0, grade_pct=2.0)])})
    (told,) = said(arguments, "VACUUM_SHORT")
    assert told.text.startswith("A lateral of M1 loses more vacuum")
    assert told.remedy == "Shorten the lateral or put fewer taps on it."


@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("length_m", [1500.0, 2200.0, 3000.0])
def test_the_budget_that_is_named_for_a_long_mainline_is_enough(length_m, units):
    """What is read is rounded up: planned again with it, nothing is short."""
    short = [lateral(f"L{k}", "M1", length_m * k / 200.0, 2, trees=1, length_m=2.0) for k in range(1, 201)]
    arguments = {**case(length_m=length_m, branch=False, loss_budget_kpa=0.1, pair="never"),
                 "grouping": grouping(short)}
    arguments = metric(arguments) if units == "metric" else arguments
    (told,) = said(arguments, "VACUUM_SHORT")
    named = re.match(r"Allow a budget of ([\d.]+) (kPa|inHg), ", told.remedy)
    budget = float(named[1]) * (INHG_KPA if named[2] == "inHg" else 1.0)
    assert told.measured <= budget < told.measured + 0.1 * INHG_KPA
    larger = {**arguments, "settings": dataclasses.replace(
        arguments["settings"], flow=dataclasses.replace(arguments["settings"].flow, loss_budget_kpa=budget))}
    assert said(larger, "VACUUM_SHORT") == []


@pytest.mark.parametrize(("z_m", "asked_inhg", "told"), [(0.0, 28.0, False), (600.0, 28.0, True), (600.0, 25.0, False),
                                                         (2000.0, 25.0, True), (2000.0, 20.0, False)])
def test_no_more_vacuum_is_counted_on_than_boils_the_sap(z_m, asked_inhg, told):
    """US standard atmosphere 1976: 29.92 inHg at sea level, 27.8 at 600 m, 23.5 at 2,000 m, less 0.2 to 0.3 to boil."""
    arguments = {**case(branch=False, vacuum_kpa=asked_inhg * INHG_KPA), "collections": (point(z_m=z_m),)}
    found = said(arguments, "VACUUM_ALTITUDE")
    assert bool(found) == told
    station = flow.size(**arguments)[0].stations[0]
    assert station.vacuum_kpa == pytest.approx(found[0].limit if told else asked_inhg * INHG_KPA)


def test_each_collection_point_is_told_of_its_own_altitude():
    lines = (mainline("M1"), mainline("M2", collection_id="C2", foot_z_m=2000.0))
    arguments = {"mainlines": lines, "grouping": grouping(evenly("M1", 300.0, 3, 5) + evenly("M2", 300.0, 3, 5)),
                 "collections": (point("C1"), point("C2", 2000.0)), "settings": flow_settings()}
    assert [f.subject_id for f in said(arguments, "VACUUM_ALTITUDE")] == ["C2"]


# ---------------------------------------------------------------- fill, fall and the stronger run


def test_how_many_lines_side_by_side_would_carry_it():
    """Manning: capacity goes with the 8/3 power of the bore; so many full-size lines share the sap."""
    arguments = case(length_m=300.0, grade_pct=2.5, laterals=60, taps=10, branch=False, peak_flow_l_min=0.8)
    (told,) = [f for f in said(arguments, "FILL_OVER") if f.subject_id == "M1-P01"]
    lines = int(re.search(r"or (\d+) lines of the largest", told.remedy)[1])
    bore = mainline_sizes("id_controlled")[-1].inner_diameter_mm
    one = float(sap.capacity_l_min(bore, 2.5, 0.5))
    assert (lines - 1) * one < 600 * 0.8 <= lines * one * (1.0 + 1e-9)


@pytest.mark.parametrize("grades", [[3.0, 0.0, 3.0], [3.0, -0.5, 3.0]])
def test_a_span_that_does_not_fall_is_told_with_its_fall_and_not_called_full(grades):
    arguments = case(length_m=300.0, grade_pct=[g for g in grades for _ in range(4)][:10], branch=False, pumped=False)
    found = said(arguments, "NO_FALL")
    assert found
    assert all(f.measured == pytest.approx(grades[1]) for f in found)
    assert not {f.subject_id for f in said(arguments, "FILL_OVER")} & {f.subject_id for f in found}


@pytest.mark.parametrize(("peak", "stronger"), [(0.0126, 0.0), (0.0126, 0.0126)])
def test_a_run_no_stronger_than_the_design_has_nothing_to_say(peak, stronger):
    arguments = case(grade_pct=3.0, branch=False, peak_flow_l_min=peak, sensitivity_flow_l_min=stronger)
    assert said(arguments, "SENSITIVITY") == []


# ---------------------------------------------------------------- pairs and equipment


def test_the_length_of_a_pair_is_that_of_its_dry_line():
    arguments = case(length_m=400.0, laterals=30, taps=10, branch=True, pair="always")
    sized, findings = flow.size(**arguments)
    lines = {m.mainline_id: m for m in arguments["mainlines"]}
    for told in (f for f in findings if f.code == "PAIR_ADDED"):
        line = lines[told.subject_id]
        true_m = 0.0
        for p in (p for p in sized.pipes if p.mainline_id == told.subject_id and p.role == "dry"):
            low, high = (np.array(line.at(s)) for s in (p.from_station_m, p.to_station_m))
            true_m += float(np.linalg.norm(high - low))
        assert told.measured == pytest.approx(true_m, rel=1e-6)


@pytest.mark.parametrize(("power", "word", "severity"), [
    ("yes", "an electric releaser can push", "note"), ("no", "only a mechanical releaser", "check"),
    ("unknown", "Whether there is power is not known", "check"),
])
def test_what_the_power_allows_and_how_high_the_inlet_stands(power, word, severity):
    high = CollectionPoint("C1", 0.0, 0.0, 98.75, 100.0, "releaser")
    (told,) = said({**case(power_at_collection=power), "collections": (high,)}, "RELEASER_POWER")
    assert word in told.text
    assert (told.severity, told.measured) == (severity, 1.25)
    assert ("licensed electrician" in told.remedy) == (power == "unknown")


# ---------------------------------------------------------------- gravity


def test_without_a_pump_narrow_laterals_are_told_by_their_falls():
    """0.88 inHg for each foot of fall (The Maple News, "The 3/16 phenomenon"): 5, 10 and 20 ft."""
    laterals = [lateral(f"L{k}", "M1", 50.0 * k, 5, length_m=100.0 * fall * FT_M / 5.0) for k, fall in
                enumerate((5.0, 10.0, 20.0), start=1)]
    arguments = {**case(branch=False, pumped=False), "grouping": grouping(laterals)}
    (told,) = said(arguments, "NATURAL_VACUUM")
    assert told.measured == pytest.approx(10.0 * 0.88 * INHG_KPA)
    assert told.text.count("inHg") == 3
    for fall in (5.0, 10.0, 20.0):
        assert f"{0.88 * fall:.1f} inHg" in told.text


def test_natural_vacuum_ends_where_sap_boils_and_below_the_outlet_it_is_none():
    pull = natural_vacuum_kpa([-3.0, 0.0, 1.0, 100.0], 0.0)
    assert list(pull[:2]) == [0.0, 0.0]
    assert pull[2] == pytest.approx(0.88 * INHG_KPA / FT_M)
    assert 98.0 < pull[3] < 101.325
    assert natural_vacuum_kpa(100.0, 2000.0) < pull[3]


def test_gravity_says_nothing_of_pumps_and_nothing_at_all_without_laterals():
    codes = {f.code for f in flow.size(**case(pumped=False, pair="always"))[1]}
    assert {"PAIR_WITHOUT_PUMP", "NATURAL_VACUUM"} <= codes
    assert not codes & {"VACUUM_SHORT", "VACUUM_ALTITUDE", "PAIR_ADDED", "RELEASER_POWER"}
    bare = {**case(branch=False, pumped=False), "grouping": grouping([])}
    assert flow.size(**bare)[1] == ()
