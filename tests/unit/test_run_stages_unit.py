"""Passing records from stage to stage: what the trees become, figures of a layout, one error that names it all."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from pipeline import reading, run
from pipeline.errors import InputDataError, NoPlanError, Problem
from pipeline.records import Grouping, Lateral, Network, Pins, Route, SurveyPoints
from pipeline.settings import Settings

import small_bush as bush


def grouping(*laterals, reason=("",) * 5):
    return Grouping(tuple(laterals), tuple(reason), np.zeros(len(laterals)))


def lateral(name, main, station, members):
    xyz = np.array([(0.0, 0.0, 100.0), *((1.0 + i, 0.0, 101.0 + 0.1 * i) for i in range(len(members)))])
    return Lateral(name, main, station, tuple(members), 1, xyz)


def trees(status, reason, taps=(1, 2, 3, 4, 0)):
    return dataclasses.replace(bush.trees(), status=tuple(status), reason=tuple(reason), taps=np.array(taps))


# ---------------------------------------------------------------- the trees' end


def test_trees_get_their_lateral_place_and_height():
    given = trees(["served"] * 5, [""] * 5, (1, 2, 3, 4, 5))
    made = grouping(lateral("A", "M1", 5.0, (3, 0)), lateral("B", "M1", 9.0, (4,)), reason=("", "", "NO_GRADE", "", ""))
    final, own, order, z = run.finish_trees(given, made)
    assert own.tolist() == [0, -1, -1, 0, 1]
    assert order.tolist() == [2, 0, 0, 1, 1]
    assert z[[3, 0, 4]].tolist() == [101.0, 101.1, 101.0]
    assert np.isnan(z[[1, 2]]).all()
    assert final.status == ("served", "set_aside", "set_aside", "served", "served")
    assert final.reason == ("", "NO_LATERAL", "NO_GRADE", "", "")  # no reason given is one all the same
    assert final.taps.tolist() == [1, 0, 0, 4, 5]


def test_what_the_survey_left_out_keeps_its_reason():
    given = trees(["not_tapped", "set_aside", "served", "set_aside", "not_tapped"],
                  ["DEAD", "NO_GO", "", "DUPLICATE", "TOO_SMALL"], (0, 0, 3, 0, 0))
    final, _, _, _ = run.finish_trees(given, grouping(reason=("NO_LATERAL",) * 5))
    assert final.status == ("not_tapped", "set_aside", "set_aside", "set_aside", "not_tapped")
    assert final.reason == ("DEAD", "NO_GO", "NO_LATERAL", "DUPLICATE", "TOO_SMALL")


def test_the_trees_that_came_in_are_not_changed():
    given = trees(["served"] * 5, [""] * 5, (1, 2, 3, 4, 5))
    run.finish_trees(given, grouping())
    assert given.taps.tolist() == [1, 2, 3, 4, 5]
    assert given.status == ("served",) * 5


# ---------------------------------------------------------------- figures


def test_entries_by_mainline_from_the_bottom_up():
    made = grouping(lateral("A", "M2", 9.0, (0,)), lateral("B", "M1", 7.0, (1,)), lateral("C", "M2", 3.0, (2,)))
    assert run._entries(made) == {"M1": (7.0,), "M2": (3.0, 9.0)}
    assert list(run._entries(made)) == ["M1", "M2"]
    assert run._entries(grouping()) == {}


def route(name, *xy):
    return Route(name, "", "C1", 0.0, np.array(xy, dtype=float), np.zeros(len(xy)))


def test_the_shape_of_a_network_is_names_and_lengths():
    a = Network((route("M1", (0, 0), (3, 4), (3, 10)), route("M2", (0, 0), (1, 0))), (), np.zeros(0))
    assert run._shape(a) == (("M1", 11.0), ("M2", 1.0))
    b = dataclasses.replace(a, routes=(route("M1", (0, 0), (3, 4), (3, 10)),))
    assert run._shape(a) != run._shape(b)
    moved = Network((route("M1", (5, 5), (8, 9), (8, 15)), route("M2", (9, 9), (10, 9))), (), np.zeros(0))
    assert run._shape(a) == run._shape(moved)  # cutting back only shortens lines


@pytest.mark.parametrize(
    ("points", "bends"),
    [
        ([(0, 0), (0, 10), (0, 20)], 0), ([(0, 0), (0, 10), (5, 20)], 1), ([(0, 0), (0, 10), (0.3, 20)], 0),
        ([(0, 0), (0, 10), (0.4, 20)], 1), ([(0, 0), (0, 10), (10, 10), (10, 20)], 2), ([(0, 0), (0, 10)], 0),
        ([(0, 0), (-10, 0.1), (-20, -0.2)], 1), ([(0, 0), (-10, 0.1), (-20, 0.0)], 0),  # across west
    ],
)
def test_bends_of_more_than_two_degrees_are_counted(points, bends):
    """0.3 in 10 is 1.7 degrees, 0.4 in 10 is 2.3."""
    assert run._bends(bush.hung("M1", points, [1.2] * len(points))) == bends


def test_figures_of_a_layout_by_hand():
    made = bush.plan()
    network = Network((), (), np.zeros(0), stats={"b": 2.0, "a": 1.0})
    got = run.statistics(made.mainlines, made.grouping, made.trees, network)
    main_m = sum(np.hypot(10.0, d) for d in (1.2, 1.0, 1.0, 1.0))
    assert (got["taps"], got["trees_served"], got["mainlines"], got["laterals"]) == (4.0, 3.0, 1.0, 2.0)
    assert got["mainline_m"] == pytest.approx(main_m)
    assert got["mainline_m_per_tap"] == pytest.approx(main_m / 4)
    assert got["lateral_m_per_tap"] == pytest.approx(sum(q.length_m for q in made.laterals) / 4)
    assert got["taps_per_lateral"] == 2.0
    assert got["bends_per_100_m"] == 0.0
    assert list(got)[-2:] == ["network_a", "network_b"]


def test_figures_of_nothing_are_zero_and_no_error():
    none = trees(["set_aside"] * 5, ["NO_LATERAL"] * 5, (0,) * 5)
    got = run.statistics((), grouping(), none, Network((), (), np.zeros(0)))
    for name in ("taps", "mainline_m_per_tap", "lateral_m_per_tap", "taps_per_lateral", "bends_per_100_m"):
        assert got[name] == 0.0


# ---------------------------------------------------------------- clock, readers, refusals


def test_the_clock_adds_up_by_stage_even_when_one_fails():
    clock = run.Clock()
    with clock.stage("a"):
        pass
    first = clock.seconds["a"]
    with pytest.raises(ZeroDivisionError), clock.stage("a"):
        _ = 1 / 0
    with clock.stage("b"):
        pass
    assert clock.seconds["a"] > first >= 0.0
    assert list(clock.seconds) == ["a", "b"]


def test_readers_are_all_asked_and_their_problems_gathered():
    told = []
    gather = reading._Gather(lambda text, share: told.append((text, share)))

    def broken():
        raise InputDataError([Problem("f", "w", "x", "y", "z")] * 2)

    assert gather.read("one", 0.1, lambda: 7) == 7
    assert gather.read("two", 0.2, broken) is None
    assert gather.read("three", 0.3, lambda: "s") == "s"
    assert told == [("one", 0.1), ("two", 0.2), ("three", 0.3)]
    assert len(gather.problems) == 2
    with pytest.raises(ZeroDivisionError):
        gather.read("four", 0.4, lambda: 1 / 0)  # our own fault is not the user's problem


def test_computing_keeps_nothing_and_quiet_says_nothing():
    made = []
    assert run.compute("x", lambda: made.append(1) or 5) == 5
    assert run.compute("x", lambda: made.append(1) or 6) == 6
    assert made == [1, 1]
    assert reading.quiet("text", 0.5) is None


def inputs(x, y, dbh_cm, **change):
    n = len(x)
    points = SurveyPoints(tuple(f"{i}" for i in range(n)), np.array(x, float), np.array(y, float),
                          ("sugar maple",) * n, np.array(dbh_cm, float), ("",) * n, np.arange(1, n + 1), "points")
    base = reading.Inputs(Settings(), bush.terrain(), points, (), Pins(), bush.plan().collections, {}, ())
    return dataclasses.replace(base, **change)


def test_the_survey_stage_joins_ground_and_trees():
    wall = bush.layer("no_go", bush.box(20, 20, 30, 30), "no_go")
    given = inputs([10, 25, 500, 40, 10], [10, 25, 10, 40, 10.5], [40, 40, 40, 5, 41], layers=(wall,))
    got, soil, notes = run.survey_stage(given)
    assert got.status == ("served", "set_aside", "set_aside", "not_tapped", "set_aside")
    assert got.reason == ("", "NO_GO", "OFF_TERRAIN", "TOO_SMALL", "DUPLICATE")
    assert np.isinf(soil.cost[34, 25])
    assert {"TREES_SET_ASIDE", "TREES_NOT_TAPPED"} <= {f.code for f in notes}


@pytest.mark.parametrize("dbh", [5.0, np.nan])
def test_a_bush_without_a_tree_to_tap_has_no_plan(dbh):
    told = []
    with pytest.raises(NoPlanError, match="2 trees, none that can be tapped"):
        run.make_plan(inputs([10, 20], [10, 20], [dbh, dbh]), lambda text, share: told.append(text))
    assert told == ["judging the survey"]


def test_a_stage_that_was_kept_is_not_computed_again():
    """`keep` is asked for the layout; what it raises comes through, and nothing before it is asked."""
    asked = []

    def keep(name, make):
        asked.append(name)
        raise KeyError(name)

    with pytest.raises(KeyError, match="layout"):
        run.make_plan(inputs([10, 40], [30, 30], [40, 40]), keep=keep)
    assert asked == ["layout"]


def test_confidence_is_asked_with_the_bushs_own_errors():
    exact = dataclasses.replace(bush.terrain(), vertical_error_m=0.001)
    sure = run._confidence(inputs([1], [1], [40], terrain=exact,
                                  settings=Settings(trees=bush.TreeSettings(gps_error_m=0.0))))
    assert sure(10.0, 1.0) == "high"
    rough = dataclasses.replace(bush.terrain(), vertical_error_m=3.0)
    unsure = run._confidence(inputs([1], [1], [40], terrain=rough))
    assert unsure(10.0, 1.0) != "high"
