"""Stretches that are decided one by one, and what it takes to hang them again where they were."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from pipeline.replan.damage import assess
from pipeline.replan.runs import LEAST_TRUNK_CM, corridor_m2, rehung, runs_of
from shapely.geometry import LineString, Point, box

import repair_scene as scene
from repair_scene import plan, site


def lost(name: str, *supports: int) -> list[tuple]:
    return [("support_lost", Point(0, 0), "supports", f"{name}-S{k:02d}") for k in supports]


def broken(name: str, *spans: int) -> list[tuple]:
    return [("line_broken", Point(0, 0), "supports", f"{name}-S{k:02d}") for k in spans]


def found(*rows, **more):
    here = site(*rows, **more)
    assessment = assess(here)
    return here, assessment, runs_of(here, assessment)


# ---------------------------------------------------------------- stretches


@pytest.mark.parametrize(("rows", "stretches"), [
    ([], []), (broken("M1", 0), [(0, 1)]), (broken("M1", 9), [(9, 10)]), (broken("M1", 2, 3, 4), [(2, 5)]),
    (broken("M1", 2, 4), [(2, 3), (4, 5)]), (lost("M1", 5), [(4, 6)]), (lost("M1", 0), [(0, 1)]),
    (lost("M1", 10), [(9, 10)]), (lost("M1", 3, 5), [(2, 6)]), (lost("M1", 3, 6), [(2, 4), (5, 7)]),
    (broken("M1", *range(10)), [(0, 10)]),
])
def test_neighbouring_damaged_spans_are_one_stretch(rows, stretches):
    _, _, runs = found(*rows)
    assert [(r.low, r.high) for r in runs] == stretches
    assert [r.reaches_top for r in runs] == [high == 10 for _, high in stretches]
    assert [(r.low_m, r.high_m) for r in runs] == [(10.0 * a, 10.0 * b) for a, b in stretches]


@pytest.mark.parametrize("seed", range(6))
def test_stretches_are_the_maximal_runs_of_damaged_spans(seed):
    """Brute force: every pair of neighbouring spans is in one stretch exactly when both are damaged."""
    rng = np.random.default_rng(seed)
    bad = [int(k) for k in np.flatnonzero(rng.random(10) < 0.5)]
    _, _, runs = found(*broken("M1", *bad))
    inside = [i for r in runs for i in range(r.low, r.high)]
    assert inside == bad
    owner = {i: k for k, r in enumerate(runs) for i in range(r.low, r.high)}
    for i in range(9):
        if i in owner and i + 1 in owner:
            assert owner[i] == owner[i + 1]


def test_stretches_of_all_lines_come_in_the_plan_s_order():
    _, _, runs = found(*broken("M1.1", 2), *broken("M1", 7, 1))
    assert [(r.line.mainline_id, r.low) for r in runs] == [("M1", 1), ("M1", 7), ("M1.1", 2)]


def test_a_stretch_has_the_gravest_state_of_its_spans_and_the_items_that_lie_on_it():
    _, _, (run,) = found(*broken("M1", 2), ("line_pinned", Point(50.0, 39.0)), ("tree_down", 1))
    assert (run.low, run.high, run.state, run.items) == (2, 4, "lost", (1, 2))
    _, _, (run,) = found(("line_pinned", Point(50.0, 39.0)))
    assert (run.state, run.items) == ("hit", (1,))


@pytest.mark.parametrize(("blown", "area"), [
    (box(40.0, 60.0, 60.0, 62.0), 12.0), (box(40.0, 60.0, 50.0, 62.0), 6.0), (box(53.5, 60.0, 60.0, 70.0), 0.0),
    (box(45.0, 110.0, 55.0, 112.0), 0.0),
])
def test_blown_ground_in_a_corridor_of_six_metres(blown, area):
    """Rectangles across a straight line: 6 m times their height."""
    _, assessment, _ = found(("blown_area", blown))
    assert corridor_m2(assessment, plan().mainlines[0].xyz_m[:, :2]) == pytest.approx(area)


def test_no_blown_ground_and_no_line_need_no_corridor():
    _, assessment, _ = found(("tree_down", 1))
    assert corridor_m2(assessment, plan().mainlines[0].xyz_m[:, :2]) == 0.0
    _, assessment, _ = found(("blown_area", box(0, 0, 99, 99)))
    assert corridor_m2(assessment, np.array([[50.0, 5.0]])) == 0.0


# ---------------------------------------------------------------- hanging again


def test_a_broken_span_takes_pipe_wire_ties_and_two_couplings():
    """Span 5 of M1 is 10 m long and 1 m high: sqrt(101) m of 3/4 in pipe."""
    here, assessment, (run,) = found(*broken("M1", 5))
    again = rehung(here, assessment, run, replace_lost=False)
    length = math.sqrt(101.0)
    assert again.parts == pytest.approx({"PIPE 3/4": length, "WIRE 12.5": length, "TWIST TIE": length / 0.3048,
                                         "COUPLING 3/4": 2.0})
    assert (again.why, again.supports, again.retie) == ("", {}, ())


def test_each_broken_span_takes_the_size_that_lies_there():
    here, assessment, (run,) = found(*broken("M1", 3, 4))
    again = rehung(here, assessment, run, replace_lost=False)
    assert again.parts["PIPE 1"] == pytest.approx(again.parts["PIPE 3/4"]) == pytest.approx(math.sqrt(101.0))
    assert (again.parts["COUPLING 1"], again.parts["COUPLING 3/4"]) == (2.0, 2.0)


def test_a_pinned_span_takes_nothing():
    here, assessment, (run,) = found(("line_pinned", Point(50.0, 62.0)))
    assert rehung(here, assessment, run, replace_lost=False).parts == {}


@pytest.mark.parametrize(("support", "parts"), [
    (5, {"POST": 1.0}), (0, {"ANCHOR": 1.0}), (3, {"SIDE TIE": 1.0, "SIDE WIRE": 2.0}),
])
def test_a_support_that_was_logged_as_lost_is_tied_again_with_new_parts(support, parts):
    """The tree of support 3 stands, 1 m off: 1 m to it and 1 m round it."""
    here, assessment, (run,) = found(*lost("M1", support))
    again = rehung(here, assessment, run, replace_lost=False)
    assert again.parts == pytest.approx(parts)
    assert again.retie == (support,)
    assert again.supports == {}


def test_a_line_cannot_hang_on_a_fallen_tree_but_on_one_beside_or_on_a_post():
    here, assessment, (run,) = found(("tree_down", 9))
    assert rehung(here, assessment, run, replace_lost=False).why == "its supports are lost"
    again = rehung(here, assessment, run, replace_lost=True)
    new, old = again.supports[3], run.line.supports[3]
    assert (new.kind, new.tree_id, new.support_id) == ("post", "", "")
    assert (new.station_m, new.x_m, new.y_m, new.line_z_m) == (old.station_m, old.x_m, old.y_m, old.line_z_m)
    assert again.parts == {"POST": 1.0}


@pytest.mark.parametrize(("x", "dbh", "reason", "takes"), [
    (51.5, 35.0, "", True), (51.82, 35.0, "", True), (51.84, 35.0, "", False), (51.5, LEAST_TRUNK_CM - 0.1, "", False),
    (51.5, LEAST_TRUNK_CM, "", True), (51.5, float("nan"), "", True), (51.5, 35.0, "DEAD", False),
    (51.5, 35.0, "OUT_OF_REACH", True), (51.5, 35.0, "DUPLICATE", False),
])
def test_the_nearest_sound_trunk_within_six_feet_takes_a_lost_one_s_place(x, dbh, reason, takes):
    """Reach 1.8288 m; T11, else far away, is put beside the support of the fallen T9."""
    stand = plan().trees
    at = {k: getattr(stand, k).copy() for k in ("x_m", "y_m", "dbh_cm")}
    at["x_m"][11], at["y_m"][11], at["dbh_cm"][11] = x, 35.0, dbh
    reasons = (*stand.reason[:11], reason)
    made = plan(trees=dataclasses.replace(stand, **at, reason=reasons))
    here, assessment, (run,) = found(("tree_down", Point(51.0, 35.0), "trees", "T9"), made=made)
    new = rehung(here, assessment, run, replace_lost=True).supports[3]
    assert (new.kind, new.tree_id) == (("tree", "T11") if takes else ("post", ""))
    if takes:
        assert new.offset_m == pytest.approx(x - 50.0)


def test_nothing_may_stand_where_the_ground_is_closed_to_supports():
    blocked = np.zeros((scene.ROWS, scene.COLS), dtype=np.bool_)
    blocked[scene.ROWS - 36:scene.ROWS - 33, 48:52] = True
    here, assessment, (run,) = found(("tree_down", 9), on=scene.ground(support_blocked=blocked))
    assert rehung(here, assessment, run, replace_lost=True).why == "nothing may stand at M1-S03"


def test_new_supports_are_no_option_where_none_is_lost():
    here, assessment, (run,) = found(*broken("M1", 5))
    assert rehung(here, assessment, run, replace_lost=True).why == "no support is lost"


def test_a_retired_holder_is_not_replaced():
    here, assessment, runs = found(("retire", 9), *broken("M1", 3))
    assert [(r.low, r.high) for r in runs] == [(3, 4)]
    assert rehung(here, assessment, runs[0], replace_lost=False).why == ""


def test_an_anchor_on_a_tree_stays_an_anchor_when_it_is_replaced():
    main, branch = plan().mainlines
    foot = dataclasses.replace(branch.supports[-1], tree_id="T11")
    made = plan(mainlines=(main, dataclasses.replace(branch, supports=(*branch.supports[:-1], foot))))
    here, assessment, (run,) = found(("tree_down", Point(90.0, 20.0), "trees", "T11"), made=made)
    new = rehung(here, assessment, run, replace_lost=True).supports[3]
    assert (new.kind, new.tree_id) == ("anchor", "")


def test_a_stem_over_three_spans_is_one_stretch_with_the_posts_standing():
    here, assessment, (run,) = found(("stem", LineString([(50.2, 52.0), (50.2, 68.0)])))
    assert (run.low, run.high, run.items) == (4, 7, (1,))
    again = rehung(here, assessment, run, replace_lost=False)
    assert (again.parts, again.retie, again.why) == ({}, (), "")
