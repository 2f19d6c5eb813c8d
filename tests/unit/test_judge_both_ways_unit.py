"""Every code of the judge both ways: the hillside as it is gives none, and one thing broken gives that code."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
import pytest
from pipeline.judge import CODES, judge
from pipeline.records import Plan
from shapely.geometry import box

import repair_scene as scene
from small_bush import layer

PLAN, TERRAIN, GROUND = scene.plan(), scene.terrain(), scene.ground()
Given = tuple  # plan, terrain, ground


def lines(change: Callable, which: int = 0) -> Plan:
    """Return the plan with one mainline changed."""
    made = list(PLAN.mainlines)
    made[which] = change(made[which])
    return dataclasses.replace(PLAN, mainlines=tuple(made))


def supports(k: int, which: int = 0, **values) -> Plan:
    """Return the plan with one support changed."""
    def change(line):
        own = list(line.supports)
        own[k] = dataclasses.replace(own[k], **values)
        return dataclasses.replace(line, supports=tuple(own))

    return lines(change, which)


def lateral(k: int, **values) -> Plan:
    """Return the plan with one lateral changed."""
    made = list(PLAN.laterals)
    made[k] = dataclasses.replace(made[k], **values)
    return dataclasses.replace(PLAN, grouping=dataclasses.replace(PLAN.grouping, laterals=tuple(made)))


def vertex(k: int, row: int, x: float = 0.0, y: float = 0.0, z: float = 0.0) -> Plan:
    """Return the plan with one vertex of a lateral moved."""
    xyz = PLAN.laterals[k].xyz_m.copy()
    xyz[row] += (x, y, z)
    return lateral(k, xyz_m=xyz)


def pipes(k: int, **values) -> Plan:
    """Return the plan with one pipe changed."""
    made = list(PLAN.flow.pipes)
    made[k] = dataclasses.replace(made[k], **values)
    return dataclasses.replace(PLAN, flow=dataclasses.replace(PLAN.flow, pipes=tuple(made)))


def flow(**values) -> Plan:
    return dataclasses.replace(PLAN, flow=dataclasses.replace(PLAN.flow, **values))


def trees(i: int, **values) -> Plan:
    """Return the plan with one tree's columns changed."""
    columns = {}
    for name, value in values.items():
        column = list(getattr(PLAN.trees, name))
        column[i] = value
        columns[name] = tuple(column)
    return dataclasses.replace(PLAN, trees=dataclasses.replace(PLAN.trees, **columns))


def sections(k: int, **values) -> Plan:
    made = list(PLAN.sections)
    made[k] = dataclasses.replace(made[k], **values)
    return dataclasses.replace(PLAN, sections=tuple(made))


def rules(table: str, **values) -> Plan:
    """Return the plan under other rules."""
    own = dataclasses.replace(getattr(PLAN.settings, table), **values)
    return dataclasses.replace(PLAN, settings=dataclasses.replace(PLAN.settings, **{table: own}))


def land(x: float, y: float, by_m: float):
    """Return the hillside with the ground round a place raised, lowered, or (NaN) missing."""
    z = TERRAIN.z_m.copy()
    row, col = (round(float(v)) for v in TERRAIN.rowcol(x, y))
    z[row - 1:row + 2, col - 1:col + 2] += np.float32(by_m)
    return dataclasses.replace(TERRAIN, z_m=z)


def on(*layers, plan: Plan = PLAN, missing=()):
    return plan, TERRAIN, scene.ground(layers=(*GROUND.layers, *layers), missing=tuple(missing))


def order(**values) -> Plan:
    column = {name: np.array(value) for name, value in values.items()}
    return dataclasses.replace(PLAN, **column)


def taken(k: int) -> np.ndarray:
    out = PLAN.tree_order.copy()
    out[k] += 1
    return out


BRANCH_TOP = PLAN.mainlines[1].plan_length_m
CASES: list[tuple[str, str, Given | Plan]] = [
    # mainlines
    ("MAINLINE_GRADE", "M1", supports(6, line_z_m=PLAN.mainlines[0].supports[5].line_z_m)),
    ("BACK_GRADE", "M1", dataclasses.replace(pipes(0, sidetie_spacing_m=10.0), settings=rules(
        "flow", wire_tension_n=30.0).settings)),
    ("SAG_GRADE", "M1", dataclasses.replace(pipes(0, sidetie_spacing_m=10.0), settings=rules(
        "flow", wire_tension_n=250.0).settings)),
    ("SAG", "M1", dataclasses.replace(pipes(0, sidetie_spacing_m=10.0), settings=rules(
        "flow", wire_tension_n=600.0).settings)),
    ("SAG_UNKNOWN", "", pipes(0, nominal="7/8")),
    ("MAINLINE_LOW", "M1", supports(5, line_z_m=PLAN.mainlines[0].supports[5].ground_z_m + 0.6)),
    ("MAINLINE_LOW", "M1", (PLAN, land(50.0, 60.0, 0.6), GROUND)),
    ("MAINLINE_HIGH", "M1", (PLAN, land(50.0, 60.0, -2.0), GROUND)),
    ("MAINLINE_NO_GROUND", "M1", (PLAN, land(50.0, 60.0, np.nan), GROUND)),
    ("STATION_WRONG", "M1-S05", supports(5, station_m=50.2)),
    ("SUPPORT_GROUND", "M1-S05", supports(5, ground_z_m=PLAN.mainlines[0].supports[5].ground_z_m + 0.5)),
    ("SUPPORT_GAP", "M1", lines(lambda m: dataclasses.replace(m, supports=(*m.supports[:7], *m.supports[8:])))),
    ("SUPPORT_PLACE", "M1-S05", on(layer("stream", box(40, 54, 60, 56), "cross", "brook", clearance_m=0.5))),
    ("SUPPORT_TREE", "M1-S03", supports(3, tree_id="T11")),
    ("SUPPORT_TREE", "M1-S04", supports(4, kind="tree")),
    ("BEND", "M1.1-S01", lines(lambda m: scene.line(
        "M1.1", [(50, 45), (60, 45), (60.5, 54), (80, 54)], parent="M1", join_m=40.0), 1)),
    ("LINE_TWICE", "M1", lines(lambda m: dataclasses.replace(m, mainline_id="M1"), 1)),
    ("NO_PARENT", "M1.1", lines(lambda m: dataclasses.replace(m, parent_id="M7"), 1)),
    ("NO_PARENT", "M1", lines(lambda m: dataclasses.replace(m, collection_id="C9"))),
    ("RING", "M1", lines(lambda m: dataclasses.replace(m, parent_id="M1.1", join_station_m=BRANCH_TOP))),
    ("JOIN_PLACE", "M1.1", lines(lambda m: dataclasses.replace(m, join_station_m=41.0), 1)),
    ("JOIN_PLACE", "M1", dataclasses.replace(PLAN, collections=(dataclasses.replace(PLAN.collections[0], x_m=50.4),))),
    ("JOIN_BELOW", "M1.1", supports(0, 1, line_z_m=PLAN.mainlines[1].supports[0].line_z_m - 0.2)),
    ("JOIN_ABOVE", "M1.1", supports(0, 1, line_z_m=PLAN.mainlines[1].supports[0].line_z_m + 0.2)),
    ("BELOW_INLET", "M1", dataclasses.replace(
        PLAN, collections=(dataclasses.replace(PLAN.collections[0], inlet_z_m=102.0),))),
    # laterals
    ("LATERAL_TAPS", "M1-L02", rules("laterals", max_taps=3)),
    ("LATERAL_LENGTH", "M1-L02", rules("laterals", max_length_m=17.0)),
    ("LATERAL_GRADE", "M1-L01", vertex(0, 2, z=-0.25)),
    ("LATERAL_EMPTY", "M1-L03", lateral(2, tree=())),
    ("LATERAL_LOW", "M1-L02", vertex(1, 1, z=-0.8)),
    ("LATERAL_LOW", "M1-L01", (PLAN, land(40.5, 27.5, 1.05), GROUND)),
    ("LATERAL_HIGH", "M1-L01", vertex(0, 2, z=0.7)),
    ("LATERAL_NO_GROUND", "M1-L01", (PLAN, land(41.0, 27.5, np.nan), GROUND)),
    ("LATERAL_NO_GROUND", "M1-L01", (PLAN, land(38.0, 29.0, np.nan), GROUND)),
    ("LATERAL_DIPS", "", (PLAN, land(41.0, 27.5, 0.85), GROUND)),
    ("LATERAL_ALOFT", "", (PLAN, land(41.0, 27.5, -0.7), GROUND)),
    ("LATERAL_ENTRY", "M1-L02", vertex(1, 0, x=0.3)),
    ("LATERAL_ENTRY", "M1-L02", lateral(1, entry_station_m=101.0)),
    ("LATERAL_TREE", "M1-L02", vertex(1, 3, y=0.2)),
    ("ENTRY_SPACING", "M1-L03", lateral(2, entry_station_m=60.5)),
    ("LEVEL_IT", "", (PLAN, dataclasses.replace(TERRAIN, vertical_error_m=2.0), GROUND)),
    ("LEVEL_IT_MAINLINE", "", (PLAN, dataclasses.replace(TERRAIN, vertical_error_m=2.0), GROUND)),
    ("CONFIDENCE", "M1-L01", (PLAN, dataclasses.replace(TERRAIN, vertical_error_m=2.0), GROUND)),
    # places
    ("NO_GO_CROSSED", "M1", on(layer("no_go", box(45, 70, 55, 72), "no_go", "bog"))),
    ("NO_GO_CROSSED", "M1-L02", on(layer("no_go", box(58, 60, 60, 75), "no_go", "bog"))),
    ("PROPERTY_LEFT", "M1", on(layer("property", box(0, 0, 100, 100), "inside"))),
    ("CLEARANCE", "M1", on(layer("road", box(45, 71, 55, 74), "cross", "lane", clearance_m=4.0))),
    ("CROSSING_UNLISTED", "M1", on(layer("stream", box(45, 71, 55, 74), "cross", "brook", clearance_m=0.5))),
    ("LINES_CROSS", "M1-L01", vertex(0, 2, x=14.0)),
    ("LINE_LOOPS", "M1-L02", lateral(1, xyz_m=np.array([
        (50.0, 65.0, 107.7), (60.0, 66.0, 107.9), (58.0, 70.0, 108.1), (55.0, 63.0, 108.4)]))),
    # pipes, vacuum
    ("PIPE_FILL", "M1-P01", rules("flow", peak_flow_l_min=2.5)),
    ("PIPE_FIGURES", "M1-P01", pipes(0, area_ratio=0.4)),
    ("PIPE_LINE", "M1-P02", pipes(1, mainline_id="M7")),
    ("PIPE_SHRINKS", "M1", pipes(1, nominal="1-1/4", inner_diameter_mm=35.05)),
    ("PIPE_HOLE", "M1", pipes(1, from_station_m=45.0)),
    ("PIPE_SUM", "M1-P02", pipes(1, taps=5)),
    ("VACUUM_BUDGET", "M1", flow(entry_vacuum_kpa=np.array([83.5, 60.0, 83.5, 83.5]))),
    ("VACUUM_MISSING", "", flow(entry_vacuum_kpa=np.full(3, 83.5))),
    ("VACUUM_RISES", "M1-P01", pipes(0, vacuum_kpa_high=84.3)),
    # trees and sums
    ("TREE_TWICE", "T1", dataclasses.replace(lateral(2, tree=(1, 6)))),
    ("TREE_UNSERVED", "T10", trees(10, status="served", reason="")),
    ("TREE_UNSERVED", "T3", trees(3, status="set_aside", reason="OUT_OF_REACH")),
    ("TREE_REASON", "T10", trees(10, reason="DONT_KNOW")),
    ("TREE_REASON", "T11", trees(11, reason="OUT_OF_REACH")),
    ("TREE_ORDER", "T3", order(tree_order=taken(3))),
    ("LATERAL_SUM", "M1-L02", lateral(1, taps=5)),
    ("COLLECTION_SUM", "C1", flow(stations=(dataclasses.replace(PLAN.flow.stations[0], taps=11),))),
    ("COLLECTION_SUM", "C1", flow(stations=())),
    ("SECTION_HOLE", "M1", sections(1, pieces=(("M1", 45.0, 100.0),))),
    ("SECTION_LATERAL", "M1-L03", sections(1, lateral=(1,))),
    ("SECTION_SUM", "S02", sections(1, taps=7)),
    # what a crew must know
    ("LADDER_WORK", "", rules("mainlines", ladder_m=1.0)),
    ("NOT_CHECKED", "water", on(missing=["water"])),
]


def found(given) -> list:
    plan, terrain, ground = (given, TERRAIN, GROUND) if isinstance(given, Plan) else given
    return list(judge(plan, terrain, ground))


def test_the_hillside_as_it_is_gives_none():
    assert found(PLAN) == []


@pytest.mark.parametrize(("code", "subject", "given"), CASES, ids=[f"{c}-{s}-{k}" for k, (c, s, _) in enumerate(CASES)])
def test_one_thing_broken_gives_its_code_and_names_the_thing(code, subject, given):
    told = found(given)
    assert (code, subject) in {(f.code, f.subject_id) for f in told}
    own = [f for f in told if (f.code, f.subject_id) == (code, subject)]
    assert all(f.text and f.remedy for f in own)
    assert len(own) == len({f.text for f in own})


def test_no_code_is_left_without_a_case():
    assert {code for code, _, _ in CASES} == CODES


@pytest.mark.parametrize(("code", "given"), [
    ("NO_GO_CROSSED", on(layer("no_go", box(20, 70, 49, 72), "no_go", "bog"))),
    ("PROPERTY_LEFT", on(layer("property", box(0, 0, 100, 110), "inside"))),
    ("CLEARANCE", on(layer("road", box(45, 71, 55, 74), "cross", "lane", clearance_m=1.1))),
    ("SUPPORT_PLACE", on(layer("stream", box(45, 71, 55, 74), "cross", "brook", clearance_m=0.5))),
    ("SUPPORT_TREE", supports(3, tree_id="T9")), ("STATION_WRONG", supports(5, station_m=50.04)),
    ("SUPPORT_GROUND", supports(5, ground_z_m=PLAN.mainlines[0].supports[5].ground_z_m + 0.005)),
    ("JOIN_ABOVE", supports(0, 1, line_z_m=PLAN.mainlines[1].supports[0].line_z_m + 0.04)),
    ("LATERAL_TAPS", rules("laterals", max_taps=4)), ("LATERAL_TREE", vertex(1, 3, y=0.04)),
    ("LATERAL_LENGTH", rules("laterals", max_length_m=17.32)), ("LADDER_WORK", rules("mainlines", ladder_m=1.2)),
    ("PIPE_FIGURES", pipes(0, area_ratio=PLAN.flow.pipes[0].area_ratio + 0.015)),
    ("VACUUM_RISES", pipes(0, vacuum_kpa_high=84.04)),
    ("VACUUM_BUDGET", flow(entry_vacuum_kpa=np.full(4, 84.66 - 6.77))),
    ("BEND", lines(lambda m: scene.line(
        "M1.1", [(50, 45), (60, 45), (65, 53.6), (80, 54)], parent="M1", join_m=40.0), 1)),
    ("MAINLINE_LOW", supports(5, line_z_m=PLAN.mainlines[0].supports[5].ground_z_m + 0.80)),
])
def test_just_inside_the_limit_is_let_pass(code, given):
    assert code not in {f.code for f in found(given)}
