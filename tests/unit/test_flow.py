"""Sizing on networks small enough to work out by hand."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from pipeline import flow
from pipeline.flow import choose, ends, network, pairs
from pipeline.hydraulics import air, sap
from pipeline.hydraulics.catalogue import PipeSize, mainline_sizes
from pipeline.records import Grouping
from pipeline.units import CFM_M3_S, GAL_L, INHG_KPA
from pipeline.wire import sap_weight_n_per_m, side_tie_spacing_m, wire_row

from flow_networks import case, evenly, flow_settings, grouping, lateral, mainline, point


def codes(findings: tuple) -> set[str]:
    return {f.code for f in findings}


def test_gravity_line_by_hand() -> None:
    """400 taps give 80 gal/h; half full at 2 %, 3/4 in holds 77.5 and 1 in 147: so 1 in below, 3/4 in above."""
    arguments = case(length_m=304.8, grade_pct=2.0, laterals=40, taps=10, branch=False, pumped=False)
    sized, findings = flow.size(**arguments)
    assert [p.nominal for p in sized.pipes] == ["1", "3/4"]
    low = sized.pipes[0]
    assert low.pipe_id == "M1-P01"
    assert low.taps == 400
    assert low.peak_flow_l_min == pytest.approx(80.0 * GAL_L / 60.0)
    assert low.binding == "fill"
    assert sized.pipes[1].binding == "smallest"
    assert low.vacuum_kpa_low == 0.0
    assert "FILL_OVER" not in codes(findings)
    assert "NATURAL_VACUUM" in codes(findings)
    assert low.to_station_m == pytest.approx(30.48)  # 390 taps fit 3/4 in from the first place a size may change


def test_depth_and_velocity_belong_to_the_least_grade_and_the_lowest_flow() -> None:
    grades = [4.0] * 5 + [2.5] + [4.0] * 4
    sized, _ = flow.size(**case(grade_pct=grades, branch=False, pumped=False))
    pipe = sized.pipes[0]
    assert pipe.grade_pct == pytest.approx(2.5)
    depth = float(sap.normal_depth_ratio(pipe.inner_diameter_mm, 2.5, pipe.peak_flow_l_min))
    assert pipe.depth_ratio == pytest.approx(depth)
    assert pipe.area_ratio == pytest.approx(float(sap.area_ratio(depth)))
    assert pipe.velocity_m_s == pytest.approx(
        pipe.peak_flow_l_min / 60_000.0 / float(sap.wetted_area_m2(pipe.inner_diameter_mm, depth))
    )


def test_a_pipe_is_cut_where_its_least_grade_could_not_carry_its_lowest_flow() -> None:
    """3/4 in holds 640 taps half full at 5.5 % and 190 at 0.5 %: 500 below and 150 above fit, but not in one pipe."""
    grades = [6.0] * 5 + [0.5] * 5
    laterals = [lateral("L1", "M1", 140.0, 350), lateral("L2", "M1", 300.0, 150)]
    arguments = {**case(grade_pct=grades, branch=False, pumped=False), "grouping": grouping(laterals)}
    sized, findings = flow.size(**arguments)
    assert [(p.nominal, p.taps, p.grade_pct) for p in sized.pipes] == [
        ("3/4", 500, pytest.approx(6.0)), ("3/4", 150, pytest.approx(0.5))
    ]
    assert sized.pipes[0].to_station_m == pytest.approx(150.0)
    assert all(p.area_ratio <= 0.5 for p in sized.pipes)
    assert "FILL_OVER" not in codes(findings)


def test_pipes_are_cut_at_joins() -> None:
    sized, _ = flow.size(**case(pumped=False))
    trunk = [p for p in sized.pipes if p.mainline_id == "M1"]
    assert [p.from_station_m for p in trunk] == [0.0, 150.0]
    assert trunk[0].taps == 200
    assert trunk[1].taps == 50
    assert next(p for p in sized.pipes if p.mainline_id == "M1.1").taps == 100


def test_entry_vacuum_follows_the_grouping_and_falls_away_from_the_pump() -> None:
    arguments = case(branch=False)
    turned = arguments["grouping"].laterals[::-1]
    forward, _ = flow.size(**arguments)
    backward, _ = flow.size(**{**arguments, "grouping": grouping(list(turned))})
    assert forward.entry_vacuum_kpa == pytest.approx(backward.entry_vacuum_kpa[::-1])
    assert np.all(np.diff(forward.entry_vacuum_kpa) < 0.0)
    assert forward.stations[0].farthest_vacuum_kpa == pytest.approx(forward.entry_vacuum_kpa[-1])


def test_vacuum_reach_by_reach_against_the_single_pipe_solver() -> None:
    """Walk up an unbranched line with ``pressure_up_pa``, one reach at a time."""
    arguments = case(branch=False, laterals=8, taps=40)
    sized, _ = flow.size(**arguments)
    rules = arguments["settings"].flow
    pressure = float(air.barometer_pa(100.0)) - rules.vacuum_kpa * 1000.0
    edges = sorted({*np.linspace(0.0, 300.0, 11), *(a.entry_station_m for a in arguments["grouping"].laterals)})
    seen = {}
    for low, high in pairwise(edges):
        pipe = next(p for p in sized.pipes if p.from_station_m <= low + 1e-9 and p.to_station_m >= high - 1e-9)
        taps = sum(a.taps for a in arguments["grouping"].laterals if a.entry_station_m >= high - 1e-9)
        depth = sap.normal_depth_ratio(pipe.inner_diameter_mm, 3.0, taps * rules.peak_flow_l_min)
        friction, inertia = air.resistance_pa2_m(taps * rules.air_per_tap_m3_s, pipe.inner_diameter_mm, depth)
        pressure = float(air.pressure_up_pa(pressure, friction * (high - low) * np.hypot(1.0, 0.03), inertia))
        seen[round(high, 6)] = (float(air.barometer_pa(100.0)) - pressure) / 1000.0
    for a, kpa in zip(arguments["grouping"].laterals, sized.entry_vacuum_kpa, strict=True):
        assert kpa == pytest.approx(seen[round(a.entry_station_m, 6)], rel=1e-9)


def test_lateral_loss_counts_towards_the_farthest_tap() -> None:
    """A 100 m lateral of 25 taps cannot keep to half an inch, whatever the mainline does."""
    long = [lateral("L1", "M1", 50.0, 25, length_m=100.0, trees=25)]
    arguments = {**case(branch=False, loss_budget_kpa=0.5 * INHG_KPA), "grouping": grouping(long)}
    _, findings = flow.size(**arguments)
    finding = next(f for f in findings if f.code == "VACUUM_SHORT")
    assert finding.subject_id == "M1"
    assert finding.measured > finding.limit == pytest.approx(0.5 * INHG_KPA)
    assert "lateral" in finding.remedy


def test_air_that_cannot_get_through_at_all_is_said() -> None:
    """A budget greater than the vacuum itself does not hide that nothing arrives."""
    arguments = case(laterals=200, taps=200, branch=False, pair="never", vacuum_kpa=10.0, loss_budget_kpa=50.0)
    sized, findings = flow.size(**arguments)
    assert sized.entry_vacuum_kpa.min() == 0.0
    finding = next(f for f in findings if f.code == "VACUUM_SHORT")
    assert finding.measured == finding.limit == pytest.approx(10.0)


def test_a_lateral_by_hand() -> None:
    """One tree, one piece: the loss is friction of its taps' air over its length."""
    one = lateral("L1", "M1", 50.0, 8, length_m=30.0, trees=1)
    arguments = {**case(branch=False), "grouping": grouping([one])}
    tree = network.build(**{k: arguments[k] for k in ("mainlines", "grouping", "collections")})
    load = choose.load(tree=tree, **{k: arguments[k] for k in ("grouping", "collections", "settings")})
    depth = sap.normal_depth_ratio(7.94, 5.0, 8 * arguments["settings"].flow.peak_flow_l_min)
    friction, _ = air.resistance_pa2_m(0.08 * CFM_M3_S, 7.94, depth)
    assert load.lateral_loss_pa2[0] == pytest.approx(float(friction) * 30.0 * np.hypot(1.0, 0.05))


def test_too_much_sap_names_what_would_do() -> None:
    sized, findings = flow.size(**case(laterals=200, taps=100, branch=False, pumped=False))
    over = [f for f in findings if f.code == "FILL_OVER"]
    assert over
    assert sized.pipes[0].nominal == "3"
    assert sized.pipes[0].binding == "catalogue"
    assert over[0].severity == "violation"
    needed = float(sap.bore_needed_mm(3.0, 0.5, sized.pipes[0].peak_flow_l_min)) / 25.4
    assert f"{needed:.2f} in" in next(f.remedy for f in over if f.subject_id == "M1-P01")


def test_a_span_that_does_not_fall_is_said_not_sized() -> None:
    grades = [3.0, 3.0, -0.5, *[3.0] * 7]
    sized, findings = flow.size(**case(grade_pct=grades, branch=False))
    finding = next(f for f in findings if f.code == "NO_FALL")
    pipe = next(p for p in sized.pipes if p.pipe_id == finding.subject_id)
    assert pipe.grade_pct == pytest.approx(-0.5)
    assert pipe.area_ratio == 1.0
    assert pipe.sidetie_spacing_m == 0.0


def test_pair_comes_only_where_one_line_cannot_do_and_reaches_down_to_the_pump() -> None:
    small = case(laterals=30, taps=10)
    assert {p.role for p in flow.size(**small)[0].pipes} == {"single"}
    big = case(length_m=600.0, laterals=250, taps=10)
    sized, findings = flow.size(**big)
    dry = [p for p in sized.pipes if p.role == "dry"]
    assert dry
    assert dry[0].from_station_m == 0.0
    assert "PAIR_ADDED" in codes(findings)
    never, told = flow.size(**{**big, "settings": flow_settings(pair="never")})
    assert {p.role for p in never.pipes} == {"single"}
    assert "VACUUM_SHORT" in codes(told)


def test_pair_always_is_wet_and_dry_everywhere() -> None:
    sized, _ = flow.size(**case(pair="always"))
    wet, dry = ([p for p in sized.pipes if p.role == role] for role in ("wet", "dry"))
    assert {p.role for p in sized.pipes} == {"wet", "dry"}
    for mainline_id in ("M1", "M1.1"):
        for role in (wet, dry):
            own = [p for p in role if p.mainline_id == mainline_id]
            assert own[0].from_station_m == 0.0
            assert own[-1].to_station_m == pytest.approx({"M1": 300.0, "M1.1": 150.0}[mainline_id])
    assert all(p.peak_flow_l_min == p.depth_ratio == p.velocity_m_s == 0.0 for p in dry)
    assert [p.pipe_id for p in sized.pipes][:2] == ["M1-P01", "M1-P02"]


def test_air_in_a_wet_line_leaves_at_the_next_riser() -> None:
    """Supports each 30 m hold a riser each; of two entries between them the upper one sends its air past the lower."""
    laterals = [lateral(f"L{i}", "M1", at, 10) for i, at in enumerate((60.0, 70.0, 80.0, 300.0))]
    arguments = {**case(branch=False, pair="always"), "grouping": grouping(laterals)}
    tree = network.build(**{k: arguments[k] for k in ("mainlines", "grouping", "collections")})
    pair = np.ones(tree.reaches, dtype=np.bool_)
    vent = pairs.vents(tree, pair)
    assert tree.node_station_m[vent].tolist() == pytest.approx([30.0 * i for i in range(11)])
    at_node = np.zeros(len(tree.node_station_m))
    np.add.at(at_node, tree.entry_node, 10.0)
    air_in_wet, apart = pairs.wet_air(tree, vent=vent, pair=pair, at_node_m3_s=at_node)
    low = tree.node_station_m[tree.lower_node]
    carried = dict(zip(np.round(low, 6).tolist(), air_in_wet.tolist(), strict=True))
    assert carried[60.0] == 20.0  # both entries above it, not the one at the riser
    assert carried[70.0] == 10.0
    assert carried[80.0] == 0.0
    assert carried[30.0] == 0.0
    assert apart == pytest.approx(np.full(tree.reaches, 30.0 * np.hypot(1.0, 0.03)))


def test_entries_between_risers_have_less_vacuum_than_the_dry_line() -> None:
    arguments = case(laterals=60, taps=10, branch=False, pair="always")
    sized, _ = flow.size(**arguments)
    tree = network.build(**{k: arguments[k] for k in ("mainlines", "grouping", "collections")})
    load = choose.load(tree=tree, **{k: arguments[k] for k in ("grouping", "collections", "settings")})
    picked = choose.choose(tree=tree, load=load, sizes=mainline_sizes("id_controlled"), settings=arguments["settings"])
    vacuum = choose.vacuum(tree=tree, load=load, choice=picked, sizes=mainline_sizes("id_controlled"))
    on_riser = picked.vent[tree.entry_node]
    in_dry = vacuum.node_kpa[tree.entry_node]
    assert 0 < on_riser.sum() < len(on_riser)
    assert sized.entry_vacuum_kpa[on_riser] == pytest.approx(in_dry[on_riser])
    assert np.all(sized.entry_vacuum_kpa[~on_riser] < in_dry[~on_riser])
    # the wet line's part of the loss keeps to its share of the budget
    pump = load.pump_pa[0]
    budget = (pump + arguments["settings"].flow.loss_budget_kpa * 1000.0) ** 2 - pump**2
    barometer = load.barometer_pa[0]
    lost = (barometer - sized.entry_vacuum_kpa * 1000.0) ** 2 - (barometer - in_dry * 1000.0) ** 2
    assert lost.max() <= choose.WET_SHARE * budget


FINE = tuple(
    PipeSize("fine", f"{bore:.2f}", float(bore), float(bore) + 4.0, 1.0, "mainline", 100.0, "invented", "invented")
    for bore in np.geomspace(6.0, 200.0, 2000)
)


@pytest.mark.parametrize("pair", ["never", "always"])
@pytest.mark.parametrize("grade_pct", [3.0, 40.0])
def test_with_every_bore_to_be_had_the_budget_is_used_but_never_overspent(
    monkeypatch, pair: str, grade_pct: float
) -> None:
    """No rounding up to the next size hides an error: the last tap loses nearly all it may, and no more.

    On 40 % the sap takes so little room that a wet line is sized by the air between its risers.
    """
    monkeypatch.setattr(choose, "CHANGE_EVERY_M", 1.0)  # nor does keeping one size over 100 ft
    arguments = case(laterals=100, taps=5, branch=False, grade_pct=grade_pct, pair=pair)
    tree = network.build(**{k: arguments[k] for k in ("mainlines", "grouping", "collections")})
    load = choose.load(tree=tree, **{k: arguments[k] for k in ("grouping", "collections", "settings")})
    picked = choose.choose(tree=tree, load=load, sizes=FINE, settings=arguments["settings"])
    vacuum = choose.vacuum(tree=tree, load=load, choice=picked, sizes=FINE)
    pump = load.pump_pa[0]
    budget = (pump + arguments["settings"].flow.loss_budget_kpa * 1000.0) ** 2 - pump**2
    last_tap = pump + vacuum.last_tap_loss_kpa * 1000.0
    used = (last_tap**2 - pump**2) / budget
    assert 0.93 < used.max() <= 1.0
    in_dry = vacuum.node_pa[tree.entry_node]
    entry = load.barometer_pa[0] - vacuum.entry_kpa * 1000.0
    in_wet = ((entry**2 - in_dry**2) / budget).max()
    in_line = ((in_dry**2 - pump**2 + load.lateral_loss_pa2) / budget).max()
    if pair == "always":
        assert in_line <= 1.0 - choose.WET_SHARE * (1.0 - load.lateral_loss_pa2.max() / budget) + 1e-9
        assert in_wet <= choose.WET_SHARE
        assert in_wet > 0.5 * choose.WET_SHARE or grade_pct < 10.0
    else:
        assert in_wet == pytest.approx(0.0, abs=1e-12)


def test_pair_without_a_pump_is_a_remark() -> None:
    sized, findings = flow.size(**case(pair="always", pumped=False))
    assert {p.role for p in sized.pipes} == {"single"}
    assert "PAIR_WITHOUT_PUMP" in codes(findings)


def test_side_ties_are_spaced_for_pipe_wire_and_half_a_bore_of_sap() -> None:
    arguments = case(branch=False)
    pipe = flow.size(**arguments)[0].pipes[0]
    size = next(s for s in mainline_sizes("id_controlled") if s.nominal == pipe.nominal)
    weight = size.weight_n_per_m + wire_row("12.5").weight_n_per_m + sap_weight_n_per_m(size.inner_diameter_mm, 0.5)
    rules = arguments["settings"]
    keep = rules.mainlines.min_grade_pct
    wanted = side_tie_spacing_m(weight, rules.flow.wire_tension_n, 3.0, keep, rules.mainlines.sag_allowance_m)
    assert pipe.sidetie_spacing_m == pytest.approx(wanted)


def test_station_sums_and_arithmetic() -> None:
    sized, _ = flow.size(**case())
    station = sized.stations[0]
    assert station.taps == 200
    assert station.peak_flow_l_min == pytest.approx(200 * 0.2 * GAL_L / 60.0)
    assert station.pump_air_m3_s == pytest.approx(2.0 * CFM_M3_S)
    assert station.releaser_l_min == pytest.approx(2.0 * station.peak_flow_l_min)
    assert station.tank_l == pytest.approx(400.0 * GAL_L)
    assert station.vacuum_kpa == pytest.approx(25.0 * INHG_KPA)
    rows = dict(station.arithmetic)
    assert "2.0 cfm" in rows["Pump air"]
    assert "400 gal" in rows["Tank"]
    assert "25.0 inHg" in rows["Pump sweep"]


def test_two_collection_points_keep_their_own_sums_and_barometers() -> None:
    lines = (mainline("M1", collection_id="C1"), mainline("M2", collection_id="C2", foot_z_m=900.0))
    groups = evenly("M1", 300.0, 10, 5) + evenly("M2", 300.0, 10, 3)
    sized, _ = flow.size(
        mainlines=lines, grouping=grouping(groups), collections=(point("C1"), point("C2", 900.0)),
        settings=flow_settings(vacuum_kpa=28.5 * INHG_KPA),
    )
    assert [s.taps for s in sized.stations] == [50, 30]
    assert sized.stations[1].vacuum_kpa < sized.stations[0].vacuum_kpa


def test_displacement_is_free_air_at_the_pressure_of_the_pump() -> None:
    swept = ends.displacement_m3_s(free_air_m3_s=1.0, barometer_pa=101_325.0, vacuum_kpa=101.325 / 2.0)
    assert swept == pytest.approx(2.0)
    # at 80 kPa of barometer and half of it left, sea-level air fills 101.3 / 40
    high = ends.displacement_m3_s(free_air_m3_s=1.0, barometer_pa=80_000.0, vacuum_kpa=40.0)
    assert high == pytest.approx(101.325 / 40.0)


def test_sensitivity_names_the_pipes_that_would_overfill() -> None:
    arguments = case(length_m=304.8, grade_pct=2.0, laterals=38, taps=10, branch=False, pumped=False)
    sized, findings = flow.size(**arguments)
    finding = next(f for f in findings if f.code == "SENSITIVITY")
    doubled = {
        p.pipe_id for p in sized.pipes
        if float(sap.capacity_l_min(p.inner_diameter_mm, p.grade_pct, 0.5)) < 2.0 * p.peak_flow_l_min
    }
    assert doubled
    assert finding.measured == len(doubled)
    assert all(name in finding.text for name in doubled)


@pytest.mark.parametrize("power", ["yes", "no", "unknown"])
def test_releaser_kind_follows_the_power(power: str) -> None:
    _, findings = flow.size(**case(power_at_collection=power))
    finding = next(f for f in findings if f.code == "RELEASER_POWER")
    assert ("mechanical" in finding.text) is (power != "yes")
    assert finding.severity == ("note" if power == "yes" else "check")
    rows = dict(flow.size(**case(power_at_collection=power))[0].stations[0].arithmetic)
    assert "mechanical" in rows["Releaser kind"]
    assert ("electric" in rows["Releaser kind"]) is (power != "no")
    assert "3.3 ft above ground" in rows["Releaser kind"]


def test_nothing_at_all_is_fine() -> None:
    empty = Grouping((), (), np.zeros(0))
    sized, _ = flow.size(mainlines=(), grouping=empty, collections=(point(),), settings=flow_settings())
    assert sized.pipes == ()
    assert sized.stations[0].taps == 0
    bare, _ = flow.size(**{**case(branch=False), "grouping": grouping([])})
    assert [p.taps for p in bare.pipes] == [0]
    assert bare.pipes[0].nominal == "3/4"


def test_a_lateral_at_the_foot_of_a_branch_enters_the_parent() -> None:
    arguments = case()
    foot = [*arguments["grouping"].laterals, lateral("X", "M1.1", 0.0, 7)]
    sized, _ = flow.size(**{**arguments, "grouping": grouping(foot)})
    trunk = next(p for p in sized.pipes if p.mainline_id == "M1")
    branch = next(p for p in sized.pipes if p.mainline_id == "M1.1")
    tree = network.build(mainlines=arguments["mainlines"], grouping=grouping(foot), collections=(point(),))
    assert tree.entry_node[-1] == tree.join_node[1]
    assert trunk.taps == 207
    assert branch.taps == 100
    assert sized.entry_vacuum_kpa[-1] == pytest.approx(branch.vacuum_kpa_low)


@pytest.mark.parametrize(("change", "message"), [
    ({"parent_id": "M9"}, "unknown mainline 'M9'"),
    ({"collection_id": "C9"}, "unknown collection point 'C9'"),
    ({"parent_id": "M1.1"}, "in a loop"),
    ({"join_station_m": 1000.0}, "beyond mainline"),
])
def test_records_that_contradict_one_another_are_refused(change: dict, message: str) -> None:
    arguments = case()
    which = 0 if change.get("parent_id") == "M1.1" else 1
    lines = list(arguments["mainlines"])
    lines[which] = replace(lines[which], **change)
    with pytest.raises(ValueError, match=message):
        flow.size(**{**arguments, "mainlines": tuple(lines)})


def test_entries_that_contradict_are_refused() -> None:
    arguments = case()
    for wrong, message in ((lateral("X", "M7", 3.0, 5), "unknown mainline"), (lateral("X", "M1", 333.0, 5), "beyond")):
        with pytest.raises(ValueError, match=message):
            flow.size(**{**arguments, "grouping": grouping([wrong])})


def test_greatest_above_crosses_joins() -> None:
    arguments = case()
    tree = network.build(**{k: arguments[k] for k in ("mainlines", "grouping", "collections")})
    top_of_branch = np.zeros(tree.reaches)
    top_of_branch[-1] = 5.0
    spread = tree.greatest_above(top_of_branch)
    trunk = tree.owner == 0
    below = tree.node_station_m[tree.lower_node] < 150.0 - 1e-6
    assert np.all(spread[tree.owner == 1] == 5.0)
    assert np.all(spread[trunk & below] == 5.0)
    assert np.all(spread[trunk & ~below] == 0.0)
