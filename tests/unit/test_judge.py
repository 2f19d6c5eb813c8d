"""The judge, rule by rule: one small legal plan that it passes, and the same plan broken in one way at a time."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import settings as tries
from hypothesis import strategies as st
from pipeline.frame import Frame
from pipeline.hydraulics import sap
from pipeline.judge import judge
from pipeline.records import (
    CollectionPoint,
    Crossing,
    Flow,
    Ground,
    GroundLayer,
    Grouping,
    Lateral,
    Mainline,
    Pipe,
    Plan,
    Section,
    Station,
    Support,
    Takeoff,
    Trees,
)
from pipeline.settings import GroundLayerSettings, Settings, TreeSettings
from pipeline.terrain.grid import Terrain
from shapely.geometry import LineString, Point, box

LOCAL = Frame("", "local grid", "unknown")
BORE_MM = {"3/4": 20.93, "1": 26.64, "1-1/4": 35.05}


def terrain():
    """Return a plane that rises 10 % to the north, 80 x 80 m."""
    row, _ = np.indices((80, 80))
    return Terrain((100.0 + 0.1 * (79.5 - row)).astype(np.float32), 0.5, 79.5, 1.0, LOCAL, 0.01, "a plane")


def ground_z(y_m):
    return 100.0 + 0.1 * y_m


def ground(layers=(), missing=(), gaps=()):
    shape = (80, 80)
    none = np.zeros(shape, dtype=np.bool_)
    return Ground(np.ones(shape, np.float32), np.full(shape, 0.762, np.float32), np.full(shape, 3.048, np.float32),
                  none, none, tuple(layers), tuple(missing), tuple(gaps))


def layer(kind, shape, rule, name="", **values):
    return GroundLayer(kind, (shape,), (name or kind,), GroundLayerSettings(rule=rule, **values), "test")


def hung(name, parent, join_m, points, heights):
    xy = np.array(points, dtype=float)
    own = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    stands = tuple(
        Support(f"{name}-S{i:02d}", name, float(s), float(x), float(y),
                "anchor" if i in (1, len(xy)) else "post", "", 0.0, ground_z(y), ground_z(y) + h)
        for i, (s, (x, y), h) in enumerate(zip(own, xy, heights, strict=True), start=1))
    return Mainline(name, parent, "C1", join_m, stands)


TREES = [(36.0, 23.0, 1), (39.0, 27.0, 2), (24.0, 33.0, 1), (18.0, 50.0, 1), (60.0, 60.0, 1), (61.0, 10.0, 0)]


def trees():
    n = len(TREES)
    x, y, taps = (np.array(c, dtype=float) for c in zip(*TREES, strict=True))
    return Trees(tuple(f"T{i}" for i in range(n)), x, y, ground_z(y), ("sugar maple",) * n, np.full(n, 35.0),
                 taps.astype(np.int64), ("served",) * 4 + ("set_aside", "not_tapped"),
                 ("",) * 4 + ("OUT_OF_REACH", "DEAD"), ("",) * n)


def lateral(name, line, station, members, height=1.3):
    x, y, z = (float(v) for v in line.at(station))
    rows = [(x, y, z)] + [(TREES[i][0], TREES[i][1], ground_z(TREES[i][1]) + height) for i in members]
    return Lateral(name, line.mainline_id, station, tuple(members), sum(TREES[i][2] for i in members),
                   np.array(rows), "high")


def pipe(name, line, low, high, nominal, taps, grade):
    flow = taps * Settings().flow.peak_flow_l_min
    bore = BORE_MM[nominal]
    depth = float(sap.normal_depth_ratio(bore, grade, flow))
    return Pipe(name, line, low, high, "single", nominal, bore, grade, taps, flow, depth,
                float(sap.area_ratio(depth)), 0.3, 84.0 - low / 100.0, 84.0 - high / 100.0, 9.0)


def legal():
    """M1 up the plane, M1.1 branching off to the north-west, three laterals, all within every rule."""
    main = hung("M1", "", 0.0, [(30, y) for y in (5, 15, 25, 35, 45)], [1.0, 1.2, 1.2, 1.2, 1.2])
    side = hung("M1.1", "M1", 30.0, [(30, 35), (24, 41), (18, 47)], [1.2, 1.2, 1.2])
    laterals = (lateral("M1-L01", main, 15.0, [0, 1]), lateral("M1-L02", main, 24.0, [2]),
                lateral("M1.1-L01", side, side.plan_length_m - 2.0, [3]))
    pipes = (pipe("M1-P01", "M1", 0.0, 30.0, "3/4", 5, 10.0), pipe("M1-P02", "M1", 30.0, 40.0, "3/4", 0, 10.0),
             pipe("M1.1-P01", "M1.1", 0.0, side.plan_length_m, "3/4", 1, 7.07))
    section = Section("S01", (("M1", 0.0, 40.0), ("M1.1", 0.0, side.plan_length_m)), (0, 1, 2), box(0, 0, 80, 80), (),
                      5, 4)
    station = Station("C1", 5, 0.06, 1e-5, 1.0, 40.0, 5.0, 84.66, 83.5)
    settings = Settings(trees=TreeSettings(gps_error_m=0.0))
    return Plan(
        settings=settings, frame=LOCAL, trees=trees(), tree_lateral=np.array([0, 0, 1, 2, -1, -1]),
        tree_order=np.array([1, 2, 1, 1, 0, 0]), tree_line_z_m=np.full(6, np.nan),
        collections=(CollectionPoint("C1", 30.0, 5.0, 100.5, 101.5, "tank"),), mainlines=(main, side),
        grouping=Grouping(laterals, ("",) * 4 + ("OUT_OF_REACH", ""), np.full(3, 110.0)),
        flow=Flow(pipes, (station,), np.full(3, 83.5)), crossings=(), sections=(section,),
        takeoff=Takeoff((), (), {}, "USD"), safety={}, findings=(), not_checked=(), lift_m=np.zeros(6))


def codes(plan, where=None, on=None):
    return sorted({f.code for f in judge(plan, on or terrain(), where or ground())})


# ---------------------------------------------------------------- ways to change one thing


def with_line(plan, name, **values):
    return dataclasses.replace(plan, mainlines=tuple(
        dataclasses.replace(m, **values) if m.mainline_id == name else m for m in plan.mainlines))


def with_support(plan, name, number, **values):
    line = next(m for m in plan.mainlines if m.mainline_id == name)
    stands = tuple(dataclasses.replace(s, **values) if i == number else s for i, s in enumerate(line.supports))
    return with_line(plan, name, supports=stands)


def with_laterals(plan, *laterals):
    return dataclasses.replace(plan, grouping=dataclasses.replace(plan.grouping, laterals=tuple(laterals)))


def with_lateral(plan, number, **values):
    return with_laterals(plan, *(dataclasses.replace(q, **values) if i == number else q
                                 for i, q in enumerate(plan.laterals)))


def with_pipe(plan, number, **values):
    pipes = tuple(dataclasses.replace(p, **values) if i == number else p for i, p in enumerate(plan.flow.pipes))
    return dataclasses.replace(plan, flow=dataclasses.replace(plan.flow, pipes=pipes))


def with_rules(plan, table, **values):
    rules = dataclasses.replace(getattr(plan.settings, table), **values)
    return dataclasses.replace(plan, settings=dataclasses.replace(plan.settings, **{table: rules}))


def moved(values, at, new):
    out = np.array(values)
    out[at] = new
    return out


def test_the_legal_plan_has_no_finding_at_all():
    assert judge(legal(), terrain(), ground()) == ()


# ---------------------------------------------------------------- accounting


def test_a_tree_on_two_laterals():
    plan = legal()
    twice = dataclasses.replace(plan.laterals[1], tree=(0,))
    found = codes(with_laterals(plan, plan.laterals[0], twice, plan.laterals[2]))
    assert {"TREE_TWICE", "TREE_UNSERVED", "TREE_ORDER", "LATERAL_TREE"} <= set(found)


def test_a_served_tree_without_a_lateral_and_the_other_way_round():
    plan = legal()
    status = ("served",) * 5 + ("not_tapped",)
    reason = ("",) * 5 + ("DEAD",)
    assert codes(dataclasses.replace(plan, trees=dataclasses.replace(plan.trees, status=status, reason=reason))) == [
        "TREE_UNSERVED"]
    status = ("set_aside",) + ("served",) * 3 + ("set_aside", "not_tapped")
    reason = ("NO_LATERAL", "", "", "", "OUT_OF_REACH", "DEAD")
    assert codes(dataclasses.replace(plan, trees=dataclasses.replace(plan.trees, status=status, reason=reason))) == [
        "TREE_UNSERVED"]


@pytest.mark.parametrize("reason", ["", "BECAUSE", "DEAD"])
def test_a_tree_set_aside_for_no_known_reason(reason):
    plan = legal()
    changed = dataclasses.replace(plan.trees, reason=("",) * 4 + (reason, "DEAD"))
    assert codes(dataclasses.replace(plan, trees=changed)) == ["TREE_REASON"]


def test_the_table_of_trees_tells_another_order():
    assert codes(dataclasses.replace(legal(), tree_order=np.array([2, 1, 1, 1, 0, 0]))) == ["TREE_ORDER"]
    assert codes(dataclasses.replace(legal(), tree_lateral=np.array([0, 0, 1, 2, 2, -1]))) == ["TREE_ORDER"]


def test_taps_that_do_not_add_up():
    assert codes(with_lateral(legal(), 0, taps=4)) == ["LATERAL_SUM", "PIPE_SUM", "SECTION_SUM"]
    assert "PIPE_SUM" in codes(with_pipe(legal(), 0, taps=4))
    plan = legal()
    station = dataclasses.replace(plan.flow.stations[0], taps=6)
    assert codes(dataclasses.replace(plan, flow=dataclasses.replace(plan.flow, stations=(station,)))) == [
        "COLLECTION_SUM"]
    assert codes(dataclasses.replace(plan, flow=dataclasses.replace(plan.flow, stations=()))) == [
        "COLLECTION_SUM", "VACUUM_BUDGET"]


def test_an_entry_exactly_where_two_pipes_meet_counts_below():
    plan = legal()
    split = (dataclasses.replace(plan.flow.pipes[0], to_station_m=15.0),
             dataclasses.replace(plan.flow.pipes[0], pipe_id="M1-P01b", from_station_m=15.0, taps=2,
                                 area_ratio=pipe("x", "M1", 15.0, 30.0, "3/4", 2, 10.0).area_ratio),
             *plan.flow.pipes[1:])
    assert codes(dataclasses.replace(plan, flow=dataclasses.replace(plan.flow, pipes=split))) == []


def test_a_stretch_without_pipe():
    assert codes(with_pipe(legal(), 1, from_station_m=33.0)) == ["PIPE_HOLE"]
    assert codes(with_pipe(legal(), 1, to_station_m=38.0)) == ["PIPE_HOLE"]


def test_sections():
    plan = legal()
    section = plan.sections[0]
    assert codes(dataclasses.replace(plan, sections=(dataclasses.replace(section, lateral=(0, 1)),))) == [
        "SECTION_LATERAL", "SECTION_SUM"]
    assert codes(dataclasses.replace(plan, sections=(dataclasses.replace(section, taps=9),))) == ["SECTION_SUM"]
    cut = (("M1", 0.0, 20.0), ("M1", 25.0, 40.0), section.pieces[1])
    assert codes(dataclasses.replace(plan, sections=(dataclasses.replace(section, pieces=cut),))) == ["SECTION_HOLE"]


# ---------------------------------------------------------------- mainlines


def test_a_span_that_falls_too_little():
    plan = legal()
    # the second support 0.85 m lower: 1.5 % above the inlet
    assert "MAINLINE_GRADE" in codes(with_support(plan, "M1", 1, line_z_m=101.5 + 0.15))
    assert "MAINLINE_GRADE" not in codes(with_support(plan, "M1", 1, line_z_m=101.5 + 0.2))


def test_sag_that_runs_back():
    # the branch falls 7.07 % on spans of 8.49 m: w L / (2 T) is 6.5 % at 200 N and 7.3 % at 180 N
    slack = set(codes(with_rules(legal(), "flow", wire_tension_n=200.0)))
    assert {"SAG", "BACK_GRADE"} & slack == {"SAG"}
    slacker = judge(with_rules(legal(), "flow", wire_tension_n=180.0), terrain(), ground())
    assert {f.subject_id for f in slacker if f.code == "BACK_GRADE"} == {"M1.1"}


def test_sag_of_a_known_span():
    # w = pipe 1.007 + wire 0.3783 + sap 0.5 * pi/4 * 0.02093^2 * 1008 * 9.80665 = 3.0858 N/m; 9 m ties in 10 m
    # spans make 5 m: w L^2 / 8 T = 3.0858 * 25 / 800 = 0.0964 m at 100 N
    slack = with_rules(legal(), "flow", wire_tension_n=100.0)
    found = [f for f in judge(slack, terrain(), ground()) if f.code == "SAG"]
    weight = 1.007 + 0.3783 + 0.5 * math.pi / 4 * 0.02093**2 * 1008 * 9.80665
    assert found[0].measured == pytest.approx(weight * 25 / 800, rel=1e-6)


def test_pipe_of_unknown_weight_is_said():
    plan = legal()
    assert codes(with_pipe(with_pipe(plan, 0, nominal="odd"), 1, nominal="odd")) == ["SAG_UNKNOWN"]


def test_too_low_and_too_high():
    plan = legal()
    assert codes(with_support(plan, "M1", 2, line_z_m=ground_z(25) + 0.5)) == ["LATERAL_ENTRY", "MAINLINE_LOW"]
    # the branch and the laterals do not hang on the top span
    assert codes(with_support(plan, "M1", 4, line_z_m=ground_z(45) + 3.1)) == ["LADDER_WORK", "MAINLINE_HIGH"]
    assert codes(with_support(plan, "M1", 4, line_z_m=ground_z(45) + 3.0)) == ["LADDER_WORK"]


def test_a_hump_between_two_supports_is_seen():
    hill = terrain()
    z = hill.z_m.copy()
    z[79 - 40, 29:31] += 0.6
    assert codes(legal(), on=dataclasses.replace(hill, z_m=z)) == ["MAINLINE_LOW"]


def test_sag_counts_in_the_height():
    # straight wire 3 cm above the lowest height; 5 cm of sag between ties goes under it
    plan = legal()
    for number in (1, 2, 3, 4):
        line = next(m for m in plan.mainlines if m.mainline_id == "M1")
        plan = with_support(plan, "M1", number, line_z_m=ground_z(line.supports[number].y_m) + 0.762 + 0.03)
    plan = with_rules(plan, "mainlines", sag_allowance_m=0.2)
    assert "MAINLINE_LOW" not in codes(plan)
    assert "MAINLINE_LOW" in codes(with_rules(plan, "flow", wire_tension_n=190.0))


def test_the_last_span_may_come_down_to_a_low_inlet():
    plan = legal()
    point = dataclasses.replace(plan.collections[0], inlet_z_m=100.5 + 0.3)
    low = with_support(dataclasses.replace(plan, collections=(point,)), "M1", 0, line_z_m=100.5 + 0.3)
    assert codes(low) == []
    assert "MAINLINE_LOW" in codes(with_support(low, "M1", 1, line_z_m=ground_z(15) + 0.6))


def test_no_ground_under_a_line():
    hill = terrain()
    z = hill.z_m.copy()
    z[79 - 40, 25:35] = np.nan
    assert codes(legal(), on=dataclasses.replace(hill, z_m=z)) == ["MAINLINE_NO_GROUND"]


def test_supports():
    plan = legal()
    assert codes(with_support(plan, "M1", 4, station_m=39.0)) == ["PIPE_HOLE", "SECTION_HOLE", "STATION_WRONG"]
    assert codes(with_support(plan, "M1", 2, ground_z_m=103.0)) == ["SUPPORT_GROUND"]
    line = plan.mainlines[0]
    far = with_line(plan, "M1", supports=(line.supports[0], line.supports[1], line.supports[3], line.supports[4]))
    assert codes(far) == ["SUPPORT_GAP"]


def test_a_support_that_a_tree_is_to_hold():
    near, far = legal(), legal()
    near = with_line(near, "M1.1", supports=(*near.mainlines[1].supports[:2], dataclasses.replace(
        near.mainlines[1].supports[2], kind="tree", tree_id="T3")))
    assert codes(with_rules(near, "mainlines", support_reach_m=3.0)) == []
    assert codes(near) == ["SUPPORT_TREE"]  # 3 m away, 6 ft are allowed
    assert codes(with_support(far, "M1", 2, kind="tree", tree_id="T99")) == ["SUPPORT_TREE"]


def test_bends():
    line = hung("M1.1", "M1", 30.0, [(30, 35), (20, 41), (29, 47)], [1.2, 1.2, 1.2])
    plan = legal()
    bent = dataclasses.replace(plan, mainlines=(plan.mainlines[0], line))
    assert "BEND" in codes(bent)
    assert "BEND" not in codes(with_rules(bent, "mainlines", max_bend_deg=120.0))


def test_the_tree_of_lines():
    plan = legal()
    assert "NO_PARENT" in codes(with_line(plan, "M1.1", parent_id="M7"))
    assert "NO_PARENT" in codes(with_line(plan, "M1", collection_id="C9"))
    assert "RING" in codes(with_line(plan, "M1", parent_id="M1.1"))
    assert "LINE_TWICE" in codes(with_line(plan, "M1.1", mainline_id="M1"))
    assert codes(with_line(plan, "M1.1", join_station_m=28.0)) == ["JOIN_ABOVE", "JOIN_PLACE"]


def test_joins_in_height():
    plan = legal()
    z = plan.mainlines[1].supports[0].line_z_m
    assert codes(with_support(plan, "M1.1", 0, line_z_m=z - 0.03)) == ["JOIN_BELOW"]
    assert codes(with_support(plan, "M1.1", 0, line_z_m=z + 0.2)) == ["JOIN_ABOVE"]
    assert codes(with_support(plan, "M1.1", 0, line_z_m=z + 0.03)) == []
    assert codes(with_support(plan, "M1", 0, line_z_m=101.4)) == ["BELOW_INLET"]
    point = dataclasses.replace(plan.collections[0], x_m=31.0)
    assert codes(dataclasses.replace(plan, collections=(point,))) == ["JOIN_PLACE"]


def test_a_pinned_line_is_for_checking_not_a_violation():
    plan = with_support(legal(), "M1", 4, line_z_m=ground_z(45) + 3.1)
    found = judge(with_line(plan, "M1", pinned=True), terrain(), ground())
    (high,) = [f for f in found if f.code == "MAINLINE_HIGH"]
    assert high.severity == "check"
    assert "pinned" in high.remedy


# ---------------------------------------------------------------- laterals


def test_lateral_limits():
    plan = legal()
    assert codes(with_rules(plan, "laterals", max_taps=2)) == ["LATERAL_TAPS"]
    assert codes(with_rules(plan, "laterals", max_taps=3)) == []
    longest = max(q.length_m for q in plan.laterals)
    assert codes(with_rules(plan, "laterals", max_length_m=longest - 0.1)) == ["LATERAL_LENGTH"]
    least = min(q.min_grade_pct for q in plan.laterals)
    assert codes(with_rules(plan, "laterals", min_grade_pct=least + 0.1)) == ["LATERAL_GRADE"]
    assert codes(with_rules(plan, "laterals", min_grade_pct=least - 2.0)) == []


def test_a_lateral_without_trees():
    plan = legal()
    assert "LATERAL_EMPTY" in codes(with_lateral(plan, 1, tree=(), taps=0))


def test_lateral_heights_at_trees():
    plan = legal()
    xyz = plan.laterals[0].xyz_m
    low = with_lateral(plan, 0, xyz_m=moved(xyz, (1, 2), ground_z(23.0) + 0.55))
    assert "LATERAL_LOW" in codes(low)
    high = with_lateral(plan, 0, xyz_m=moved(xyz, (2, 2), ground_z(27.0) + 1.9))
    assert codes(high) == ["LATERAL_ALOFT", "LATERAL_HIGH"]


def test_lateral_heights_between_trees():
    plan = legal()
    hill = terrain()
    z = hill.z_m.copy()
    # the first lateral's second piece runs from (36, 23) to (39, 27): raise the ground half way
    z[79 - 25, 36:39] += 0.75
    z[79 - 24, 36:39] += 0.75
    assert codes(plan, on=dataclasses.replace(hill, z_m=z)) == ["LATERAL_DIPS"]
    z[79 - 25, 36:39] += 0.5
    z[79 - 24, 36:39] += 0.5
    assert codes(plan, on=dataclasses.replace(hill, z_m=z)) == ["LATERAL_LOW"]


def test_lateral_ends():
    plan = legal()
    assert "LATERAL_ENTRY" in codes(with_lateral(plan, 0, entry_station_m=15.2))
    assert "LATERAL_ENTRY" in codes(with_lateral(plan, 0, mainline_id="M9"))
    xyz = plan.laterals[0].xyz_m
    assert "LATERAL_ENTRY" in codes(with_lateral(plan, 0, xyz_m=moved(xyz, (0, 2), xyz[0, 2] - 0.06)))
    assert codes(with_lateral(plan, 0, xyz_m=moved(xyz, (0, 2), xyz[0, 2] - 0.04))) == []
    assert codes(with_lateral(plan, 0, xyz_m=moved(xyz, (1, 0), xyz[1, 0] + 0.2))) == ["LATERAL_TREE"]


def test_entries_too_near_to_one_another():
    plan = legal()
    assert codes(with_rules(plan, "laterals", entry_spacing_m=8.9)) == []
    assert codes(with_rules(plan, "laterals", entry_spacing_m=9.1)) == ["ENTRY_SPACING"]


# ---------------------------------------------------------------- places


def test_no_go():
    plan = legal()
    beside = layer("no_go", Point(45.0, 60.0), "no_go", buffer_m=3.0)
    under_main = layer("no_go", Point(33.0, 40.0), "no_go", buffer_m=3.2)
    under_lateral = layer("no_go", LineString([(37.0, 30.0), (37.6, 24.0)]), "no_go")
    assert codes(plan, ground([beside])) == []
    assert codes(plan, ground([under_main])) == ["NO_GO_CROSSED"]
    assert codes(plan, ground([layer("no_go", Point(33.0, 40.0), "no_go", buffer_m=2.9)])) == []
    wide = layer("no_go", under_lateral.shapes[0], "no_go", buffer_m=0.5)
    assert codes(plan, ground([wide])) == ["NO_GO_CROSSED"]


def test_a_gap_opens_a_no_go_at_its_clearance():
    road = layer("road", LineString([(0, 38), (80, 38)]), "no_go", buffer_m=1.0, clearance_m=1.0)
    gap = Point(30.0, 38.0).buffer(3.0)
    plan = dataclasses.replace(legal(), crossings=(
        Crossing("X1", "M1", "road", "road", 33.0, 30.0, 38.0, 1.2, 1.0),
        Crossing("X2", "M1.1", "road", "road", 4.2, 27.0, 38.0, 1.2, 1.0)))
    assert codes(plan, ground([road])) == ["NO_GO_CROSSED"]
    both = gap.union(Point(27.0, 38.0).buffer(3.0))
    assert codes(plan, ground([road], gaps=[both])) == []
    high = dataclasses.replace(road, rule=dataclasses.replace(road.rule, clearance_m=1.6))
    assert codes(plan, ground([high], gaps=[both])) == ["CLEARANCE"]


def test_property():
    plan = legal()
    assert codes(plan, ground([layer("property", box(1, 1, 79, 79), "inside", buffer_m=1.5)])) == []
    assert codes(plan, ground([layer("property", box(1, 1, 36.5, 79), "inside")])) == ["PROPERTY_LEFT"]
    assert codes(plan, ground([layer("property", box(1, 1, 40.0, 79), "inside", buffer_m=1.5)])) == ["PROPERTY_LEFT"]
    outline = LineString(box(1, 1, 36.5, 79).exterior.coords)
    assert codes(plan, ground([layer("property", outline, "inside")])) == ["PROPERTY_LEFT"]


def test_crossings():
    plan = legal()
    trail = layer("trail", LineString([(0, 20), (28, 20), (36, 18), (60, 18)]), "cross", buffer_m=0.5, clearance_m=1.1)
    listed = dataclasses.replace(plan, crossings=(Crossing("X1", "M1", "trail", "trail", 15.0, 30.0, 20.0, 1.2, 1.1),))
    assert codes(plan, ground([trail])) == ["CROSSING_UNLISTED"]
    assert codes(listed, ground([trail])) == []
    higher = dataclasses.replace(trail, rule=dataclasses.replace(trail.rule, clearance_m=1.3))
    assert codes(listed, ground([higher])) == ["CLEARANCE"]


def test_a_crossing_may_hang_higher_and_holds_no_support():
    plan = legal()
    trail = layer("trail", LineString([(26, 45), (40, 45)]), "cross", buffer_m=0.5, clearance_m=2.6)
    plan = dataclasses.replace(plan, crossings=(Crossing("X1", "M1", "trail", "", 40.0, 30.0, 45.0, 3.1, 2.6),))
    raised = with_support(plan, "M1", 4, line_z_m=ground_z(45) + 3.1)
    assert codes(raised, ground([trail])) == ["LADDER_WORK", "SUPPORT_PLACE"]


def test_lines_that_cross():
    plan = legal()
    # a lateral on the east side that reaches over the mainline to a tree in the west
    over = dataclasses.replace(plan.laterals[0], xyz_m=np.vstack([
        plan.laterals[0].xyz_m, [24.0, 33.0, ground_z(33.0) + 1.3]]), tree=(0, 1, 2), taps=4)
    found = judge(with_laterals(plan, over, plan.laterals[2]), terrain(), ground())
    assert [f.subject_id for f in found if f.code == "LINES_CROSS"] == ["M1-L01"]


@pytest.mark.parametrize(("away", "expected"), [(0.4, []), (0.9, ["LINES_CROSS"])])
def test_a_lateral_may_pass_either_side_of_the_trunk_at_its_entry_only(away, expected):
    plan = legal()
    x, y, z = (float(v) for v in plan.mainlines[0].at(15.0))
    # a first tree a hand's breadth west of the line, then another to its east
    first, second = plan.laterals[0].xyz_m[0], plan.laterals[0].xyz_m[1]
    xyz = np.vstack([first, (x - 0.02, y + away, z + 0.12 * away), second])
    found = judge(with_lateral(plan, 0, xyz_m=xyz), terrain(), ground())
    assert [f.code for f in found if f.code == "LINES_CROSS"] == expected


def test_a_line_that_crosses_itself():
    line = hung("M1.1", "M1", 30.0, [(30, 35), (20, 45), (20, 37), (30, 45)], [1.2] * 4)
    plan = legal()
    assert "LINE_LOOPS" in codes(dataclasses.replace(plan, mainlines=(plan.mainlines[0], line)))


def test_two_laterals_may_start_at_one_place():
    plan = legal()
    second = lateral("M1-L02", plan.mainlines[0], 15.0, [2])
    assert codes(with_laterals(plan, plan.laterals[0], second, plan.laterals[2])) == ["ENTRY_SPACING"]


# ---------------------------------------------------------------- pipes


def test_fill():
    plan = legal()
    flooded = with_rules(plan, "flow", peak_flow_l_min=3.5)
    assert "PIPE_FILL" in codes(flooded)
    assert codes(with_pipe(plan, 0, area_ratio=0.4)) == ["PIPE_FIGURES"]
    assert "PIPE_LINE" in codes(with_pipe(plan, 1, mainline_id="M9"))


def test_sizes_never_shrink_downstream():
    plan = legal()
    wide = pipe("M1-P02", "M1", 30.0, 40.0, "1", 0, 10.0)
    assert codes(with_pipe(plan, 1, nominal="1", inner_diameter_mm=wide.inner_diameter_mm)) == ["PIPE_SHRINKS"]
    branch = pipe("M1.1-P01", "M1.1", 0.0, 1.0, "1", 1, 7.07)
    changed = with_pipe(plan, 2, nominal="1", inner_diameter_mm=branch.inner_diameter_mm, area_ratio=branch.area_ratio)
    assert codes(changed) == ["PIPE_SHRINKS"]
    below = pipe("M1-P01", "M1", 0.0, 30.0, "1", 5, 10.0)
    assert codes(with_pipe(plan, 0, nominal="1", inner_diameter_mm=below.inner_diameter_mm,
                           area_ratio=below.area_ratio)) == []


def test_vacuum():
    plan = legal()

    def entries(values):
        return dataclasses.replace(plan, flow=dataclasses.replace(plan.flow, entry_vacuum_kpa=np.array(values)))

    assert codes(entries([83.5, 83.5, 77.0])) == ["VACUUM_BUDGET"]
    assert codes(entries([83.5, 83.5, 78.0])) == []
    assert codes(entries([83.5, 83.5, math.nan])) == ["VACUUM_BUDGET"]
    assert codes(entries([83.5])) == ["VACUUM_MISSING"]
    assert codes(with_pipe(plan, 0, vacuum_kpa_high=84.5)) == ["VACUUM_RISES"]
    assert codes(with_rules(entries([0.0, 0.0, 0.0]), "flow", pumped=False)) == []


# ---------------------------------------------------------------- doubts


def test_ladders_and_missing_layers():
    plan = with_support(legal(), "M1", 4, line_z_m=ground_z(45) + 2.1)
    found = judge(plan, terrain(), ground(missing=("power_line", "wet")))
    assert [(f.code, f.severity, f.subject_id) for f in found] == [
        ("NOT_CHECKED", "check", "power_line"), ("NOT_CHECKED", "check", "wet"), ("LADDER_WORK", "note", "")]


def test_what_the_terrain_cannot_prove():
    # two feet of error leave the spans of a mainline in doubt, but not whether a lateral has room to fall
    assert codes(legal(), on=dataclasses.replace(terrain(), vertical_error_m=0.6)) == ["LEVEL_IT_MAINLINE"]
    rough = dataclasses.replace(terrain(), vertical_error_m=3.0)
    plan = legal()
    assert {"LEVEL_IT", "LEVEL_IT_MAINLINE", "CONFIDENCE"} == set(codes(plan, on=rough))
    for k in range(3):
        plan = with_lateral(plan, k, grade_confidence="level it")
    assert codes(plan, on=rough) == ["LEVEL_IT", "LEVEL_IT_MAINLINE"]
    unknown = dataclasses.replace(terrain(), vertical_error_m=0.0)
    assert "LEVEL_IT" in codes(plan, on=unknown)


def test_findings_come_gravest_first_and_the_same_each_time():
    plan = with_support(legal(), "M1", 4, line_z_m=ground_z(45) + 3.1)
    first = judge(plan, terrain(), ground(missing=("wet",)))
    assert [f.severity for f in first] == ["violation", "check", "note"]
    assert judge(plan, terrain(), ground(missing=("wet",))) == first


def test_an_empty_plan_is_judged_without_a_stumble():
    plan = legal()
    none = trees()
    none = dataclasses.replace(none, status=("set_aside",) * 6, reason=("OUT_OF_REACH",) * 6)
    empty = dataclasses.replace(
        plan, trees=none, tree_lateral=np.full(6, -1), tree_order=np.zeros(6, dtype=np.int64), mainlines=(),
        grouping=Grouping((), ("",) * 6, np.zeros(0)), flow=Flow((), (), np.zeros(0)), sections=())
    assert codes(empty, ground([layer("no_go", box(0, 0, 9, 9), "no_go")])) == []


def test_the_judge_leaves_plan_and_layers_as_they_were():
    plan, where = legal(), ground([layer("trail", LineString([(0, 20), (60, 20)]), "cross", buffer_m=1.0)])

    def as_bytes():
        return (plan.mainlines[0].xyz_m.tobytes(), plan.laterals[0].xyz_m.tobytes(),
                shapely.to_wkb(where.layers[0].shapes[0]))

    before = as_bytes()
    judge(plan, terrain(), where)
    assert as_bytes() == before


# ---------------------------------------------------------------- whatever the numbers


@tries(max_examples=25, deadline=None)
@given(st.sampled_from([("M1", 1), ("M1", 2), ("M1", 3), ("M1", 4), ("M1.1", 1), ("M1.1", 2)]), st.floats(0.46, 1.1))
def test_any_support_hung_too_low_is_found(which, down):
    plan = legal()
    name, number = which
    line = next(m for m in plan.mainlines if m.mainline_id == name)
    found = judge(with_support(plan, name, number, line_z_m=line.supports[number].line_z_m - down), terrain(), ground())
    assert name in {f.subject_id for f in found if f.code == "MAINLINE_LOW" and f.severity == "violation"}


@tries(max_examples=25, deadline=None)
@given(st.integers(0, 2), st.integers(0, 2), st.floats(-1.0, 1.0), st.floats(-1.0, 1.0))
def test_a_lateral_moved_off_its_places_is_found(number, vertex, east, north):
    plan = legal()
    xyz = plan.laterals[number].xyz_m
    vertex = min(vertex, len(xyz) - 1)
    changed = moved(xyz, (vertex, 0), xyz[vertex, 0] + east)
    changed[vertex, 1] += north
    found = {f.code for f in judge(with_lateral(plan, number, xyz_m=changed), terrain(), ground())}
    expected = "LATERAL_ENTRY" if vertex == 0 else "LATERAL_TREE"
    away = math.hypot(east, north)
    if away > 0.051:
        assert expected in found
    elif away < 0.049:
        assert expected not in found


@tries(max_examples=15, deadline=None)
@given(st.floats(-2e5, 2e5), st.floats(-2e6, 2e6), st.floats(-300.0, 3000.0))
def test_the_same_plan_elsewhere_is_judged_the_same(east, north, up):
    plan = with_support(legal(), "M1", 4, line_z_m=ground_z(45) + 3.2)
    where = terrain()
    by = np.array([east, north, up])

    def line(m):
        return dataclasses.replace(m, supports=tuple(dataclasses.replace(
            s, x_m=s.x_m + east, y_m=s.y_m + north, ground_z_m=s.ground_z_m + up, line_z_m=s.line_z_m + up)
            for s in m.supports))

    old = plan.trees
    shifted = dataclasses.replace(
        plan, mainlines=tuple(line(m) for m in plan.mainlines),
        trees=dataclasses.replace(old, x_m=old.x_m + east, y_m=old.y_m + north, ground_z_m=old.ground_z_m + up),
        collections=tuple(dataclasses.replace(c, x_m=c.x_m + east, y_m=c.y_m + north, ground_z_m=c.ground_z_m + up,
                                              inlet_z_m=c.inlet_z_m + up) for c in plan.collections))
    shifted = with_laterals(shifted, *(dataclasses.replace(q, xyz_m=q.xyz_m + by) for q in plan.laterals))
    there = dataclasses.replace(where, x0_m=where.x0_m + east, y0_m=where.y0_m + north,
                                z_m=(where.z_m.astype(float) + up).astype(np.float32))
    assert codes(shifted, on=there) == codes(plan)
