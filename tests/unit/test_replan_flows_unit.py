"""Old sizes under new loads: where pipes are after a repair, what runs in them, what no longer fits."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest
from pipeline import flow as flow_room
from pipeline.hydraulics import sap
from pipeline.hydraulics.catalogue import mainline_sizes
from pipeline.replan import flows
from pipeline.replan.damage import assess
from pipeline.replan.detour import Start, Way
from pipeline.replan.ids import Ids
from pipeline.replan.runs import runs_of
from pipeline.replan.splice import Decision, Lines, splice
from pipeline.settings import Settings
from shapely.geometry import Point

import repair_scene as scene
from repair_scene import plan, site

PER_TAP = Settings().flow.peak_flow_l_min
SIZES = mainline_sizes("id_controlled")
BRANCH_M = plan().mainlines[1].plan_length_m


def decided(kind: str, name: str, span: int, *, on: str = "", index: int = 0, longer_m: float = 4.0) -> Decision:
    here = site(("line_broken", Point(0, 0), "supports", f"{name}-S{span:02d}"))
    (run,) = runs_of(here, assess(here))
    if kind == "abandon":
        return Decision(run, kind)
    line = next(m for m in here.plan.mainlines if m.mainline_id == (on or name))
    low, high = line.supports[index if on else run.low], run.line.supports[run.high]
    xyz = np.array([(low.x_m, low.y_m, low.line_z_m), (high.x_m, high.y_m, high.line_z_m)])
    length = float(np.hypot(*(xyz[1] - xyz[0])[:2])) + longer_m
    start = Start(line.mainline_id, index if on else run.low, low.x_m, low.y_m, low.line_z_m, low.station_m)
    return Decision(run, kind, way=Way(start, (), length, xyz, low.ground_z_m))


def after(*decisions, made=None) -> Lines:
    lines = splice(site(made=made), decisions, Ids.of(made or plan()))
    assert isinstance(lines, Lines)
    return lines


def rechecked(lines: Lines, made=None, laterals=None):
    """Return flow, findings and metres with the laterals that still have a place."""
    made = made or plan()
    kept = list(made.laterals if laterals is None else laterals)
    now = []
    for la in kept:
        place = lines.place(la.mainline_id, la.entry_station_m)
        if place is not None:
            now.append(dataclasses.replace(la, mainline_id=place[0], entry_station_m=place[1]))
    grouping = dataclasses.replace(made.grouping, laterals=tuple(now), entry_ceiling_z_m=np.full(len(now), np.nan))
    flow, found, metres = flows.recheck(site(made=made), lines, grouping, Ids.of(made))
    return flow, found, metres, grouping


def rows(flow) -> list[tuple[str, float, float, str, int]]:
    return [(p.pipe_id, round(p.from_station_m, 6), round(p.to_station_m, 6), p.nominal, p.taps) for p in flow.pipes]


# ---------------------------------------------------------------- where the pipes are


def test_nothing_changed_keeps_every_pipe_where_it_was():
    flow, found, metres, _ = rechecked(after())
    assert rows(flow) == [("M1-P01", 0.0, 40.0, "1", 12), ("M1-P02", 40.0, 100.0, "3/4", 6),
                          ("M1.1-P01", 0.0, round(BRANCH_M, 6), "3/4", 3)]
    assert (found, metres) == ((), {})


def test_a_new_way_is_laid_in_the_sizes_that_lay_there():
    """Span 3, 30 to 40 m, is 1 in; it becomes 14 m: 1 in from 0 to 44, 3/4 in from 44 to 104."""
    flow, _, _, _ = rechecked(after(decided("detour", "M1", 3)))
    assert rows(flow)[:2] == [("M1-P01", 0.0, 44.0, "1", 12), ("M1-P02", 44.0, 104.0, "3/4", 6)]


def test_a_line_cut_short_keeps_its_pipes_up_to_the_cut():
    flow, _, _, _ = rechecked(after(decided("abandon", "M1", 6)))
    assert rows(flow)[:2] == [("M1-P01", 0.0, 40.0, "1", 10), ("M1-P02", 40.0, 60.0, "3/4", 4)]
    flow, _, _, _ = rechecked(after(decided("abandon", "M1", 4)))
    assert [r[0] for r in rows(flow)] == ["M1-P01", "M1.1-P01"]


def test_a_stretch_that_another_line_takes_over_keeps_its_pipe_under_a_new_name():
    lines = after(decided("take", "M1", 6, on="M1.1", index=2))
    flow, _, _, _ = rechecked(lines)
    taken = [p for p in flow.pipes if p.mainline_id == "M1.1.1"]
    line = next(m for m in lines.mainlines if m.mainline_id == "M1.1.1")
    assert [(p.pipe_id, p.from_station_m, p.nominal) for p in taken] == [("M1.1.1-P01", 0.0, "3/4")]
    assert taken[0].to_station_m == pytest.approx(line.plan_length_m)
    assert taken[0].taps == 2


@pytest.mark.parametrize("decision", [
    (), (("abandon", "M1", 6),), (("abandon", "M1.1", 1),), (("detour", "M1", 3),), (("detour", "M1", 7),),
    (("detour", "M1.1", 1),), (("detour", "M1", 1), ("detour", "M1", 7)),
])
def test_pipes_cover_every_line_without_gap_or_overlap(decision):
    lines = after(*(decided(*d) for d in decision))
    flow, _, _, _ = rechecked(lines)
    for line in lines.mainlines:
        own = [p for p in flow.pipes if p.mainline_id == line.mainline_id]
        assert own[0].from_station_m == 0.0
        assert own[-1].to_station_m == pytest.approx(line.plan_length_m)
        for low, high in itertools.pairwise(own):
            assert low.to_station_m == pytest.approx(high.from_station_m)


# ---------------------------------------------------------------- what runs in them


@pytest.mark.parametrize("decision", [(), (("abandon", "M1", 6),), (("detour", "M1", 3),), (("abandon", "M1.1", 0),)])
def test_taps_and_sap_are_conserved_down_to_the_tank(decision):
    lines = after(*(decided(*d) for d in decision))
    flow, _, _, grouping = rechecked(lines)
    arrive = sum(la.taps for la in grouping.laterals)
    foot = next(p for p in flow.pipes if p.mainline_id == "M1" and p.from_station_m == 0.0)
    assert foot.taps == arrive == flow.stations[0].taps
    assert foot.peak_flow_l_min == pytest.approx(arrive * PER_TAP)
    assert len(flow.entry_vacuum_kpa) == len(grouping.laterals)


def test_depth_and_speed_are_those_of_the_pipe_s_own_flow_and_grade():
    flow, _, _, _ = rechecked(after())
    for p in flow.pipes:
        depth = float(sap.normal_depth_ratio(p.inner_diameter_mm, p.grade_pct, p.peak_flow_l_min))
        assert p.depth_ratio == pytest.approx(depth)
        assert p.area_ratio == pytest.approx(float(sap.area_ratio(depth)))
        assert p.vacuum_kpa_low >= p.vacuum_kpa_high


def test_fewer_taps_never_lower_the_vacuum():
    whole, _, _, _ = rechecked(after())
    fewer, _, _, _ = rechecked(after(decided("abandon", "M1", 6)))
    assert fewer.entry_vacuum_kpa[0] >= whole.entry_vacuum_kpa[0] - 1e-9
    assert fewer.stations[0].pump_air_m3_s == pytest.approx(whole.stations[0].pump_air_m3_s * 10 / 12)


def test_the_stations_agree_with_the_flow_room():
    """With nothing changed, sums and equipment are those that planning works out from the same laterals."""
    flow, _, _, grouping = rechecked(after())
    fresh, _ = flow_room.size(mainlines=plan().mainlines, grouping=grouping, collections=plan().collections,
                              settings=plan().settings)
    for name in ("taps", "peak_flow_l_min", "pump_air_m3_s", "releaser_l_min", "tank_l", "moisture_trap_l"):
        assert getattr(flow.stations[0], name) == pytest.approx(getattr(fresh.stations[0], name))


def test_no_pump_no_vacuum():
    made = plan()
    rules = dataclasses.replace(made.settings.flow, pumped=False)
    made = dataclasses.replace(made, settings=dataclasses.replace(made.settings, flow=rules))
    flow, found, _, _ = rechecked(after(made=made), made=made)
    assert list(flow.entry_vacuum_kpa) == [0.0] * 4
    assert flow.stations[0].pump_air_m3_s == 0.0
    assert not [f for f in found if f.code == "VACUUM_OUTGROWN"]


# ---------------------------------------------------------------- what no longer fits


@pytest.mark.parametrize(("was", "now", "role", "told"), [
    (0.3, 0.5, "single", False), (0.3, 0.51, "single", True), (0.6, 0.7, "single", False), (0.3, 0.9, "dry", False),
    (None, 0.9, "wet", True), (None, 0.4, "single", False), (0.5, 0.500001, "single", True),
])
def test_a_pipe_is_told_when_the_repair_overfills_it_and_not_when_it_was_overfull_before(was, now, role, told):
    made = plan()
    pipe = made.flow.pipes[0]
    same = was is not None
    before = dataclasses.replace(pipe, area_ratio=was if same else 0.1, pipe_id=pipe.pipe_id if same else "other")
    made = dataclasses.replace(made, flow=dataclasses.replace(made.flow, pipes=(before,)))
    after_it = dataclasses.replace(pipe, area_ratio=now, role=role, peak_flow_l_min=30.0)
    found, metres = flows.outgrown(site(made=made), [after_it], SIZES)
    assert bool(found) == bool(metres) == told


def test_the_size_that_would_do_is_named_with_the_price_of_its_pipe():
    """30 L/min at 10 %: the least bore of the catalogue that runs at most half full, 40 m of it at 2.00."""
    pipe = dataclasses.replace(plan().flow.pipes[0], area_ratio=0.9, peak_flow_l_min=30.0)
    (found,), metres = flows.outgrown(site(), [pipe], SIZES)
    fit = next(s for s in SIZES
               if float(sap.area_ratio(sap.normal_depth_ratio(s.inner_diameter_mm, 10.0, 30.0))) <= 0.5 + 1e-9)
    assert metres == {f"PIPE {fit.nominal}": 40.0}
    assert found.remedy.startswith(f"Replace it by {fit.nominal} in pipe: 80 USD")
    assert (found.measured, found.limit) == (0.9, 0.5)


def test_where_no_size_would_do_it_is_said():
    pipe = dataclasses.replace(plan().flow.pipes[0], area_ratio=1.0, peak_flow_l_min=1e6)
    (found,), metres = flows.outgrown(site(), [pipe], SIZES)
    assert metres == {}
    assert found.remedy == "No size of the catalogue would do."


def test_laterals_that_lose_too_much_vacuum_since_the_repair_are_counted():
    """400 taps on one lateral behind 3/4 in pipe: more than the budget, and not before."""
    made = plan()
    heavy = [dataclasses.replace(la, taps=400) if la.lateral_id == "M1-L03" else la for la in made.laterals]
    _, found, _, _ = rechecked(after(), laterals=heavy)
    (told,) = [f for f in found if f.code == "VACUUM_OUTGROWN"]
    assert told.subject_id == "M1-L03"
    assert told.measured > told.limit == made.settings.flow.loss_budget_kpa
    old = dataclasses.replace(made, flow=dataclasses.replace(made.flow, entry_vacuum_kpa=np.zeros(4)))
    _, found, _, _ = rechecked(after(made=old), made=old, laterals=heavy)
    assert not [f for f in found if f.code == "VACUUM_OUTGROWN"]


def test_the_scene_is_one_that_planning_would_size_alike():
    assert [p.taps for p in plan().flow.pipes] == [int(scene.trees().taps.sum()), 6, 3]
