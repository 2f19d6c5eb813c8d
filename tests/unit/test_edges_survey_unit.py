"""The checks behind survey and mainlines: a whole record passes, each broken column is named."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from pipeline import edges
from pipeline.records import NOT_TAPPED_REASONS, SET_ASIDE_REASONS, Network, Route, Trees


def trees(**change):
    """Two trees to serve, one set aside without ground, one that is not tapped."""
    base = Trees(
        tree_id=("A", "B", "C", "D"), x_m=np.array([1.0, 2.0, 3.0, 4.0]), y_m=np.array([5.0, 6.0, 7.0, 8.0]),
        ground_z_m=np.array([100.0, 101.0, np.nan, 103.0]), species=("sugar maple",) * 4,
        dbh_cm=np.array([40.0, 41.0, 42.0, 10.0]), taps=np.array([1, 2, 0, 0]),
        status=("served", "served", "set_aside", "not_tapped"), reason=("", "", "NO_GROUND", "TOO_SMALL"),
        note=("",) * 4,
    )
    return dataclasses.replace(base, **change)


def route(name="M1", parent="", xy=((0.0, 0.0), (10.0, 0.0)), low=None):
    xy = np.array(xy, dtype=float)
    return Route(name, parent, "C1", 0.0, xy, np.arange(len(xy), dtype=float) if low is None else np.array(low))


def network(*routes, reason=("", "", "NO_GRADE", ""), lift=(0.0, 0.0, 1.0, 0.0)):
    return Network(tuple(routes), tuple(reason), np.array(lift))


def told(call, *args):
    with pytest.raises(edges.StageError) as caught:
        call(*args)
    return str(caught.value)


def test_a_whole_survey_passes():
    assert edges.after_survey(trees()) is None


def test_an_empty_survey_passes():
    none = np.zeros(0)
    empty = Trees((), none, none, none, (), none, none.astype(np.int64), (), (), ())
    assert edges.after_survey(empty) is None


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"species": ("sugar maple",) * 3}, "columns of unequal length"),
        ({"note": ("",) * 5}, "columns of unequal length"),
        ({"dbh_cm": np.array([40.0, 41.0, 42.0])}, "columns of unequal length"),
        ({"x_m": np.array([1.0, 2.0, 3.0])}, "columns of unequal length"),
        ({"taps": np.array([1, 2, 0])}, "columns of unequal length"),
        ({"status": ("served", "served", "set_aside")}, "columns of unequal length"),
        ({"reason": ("", "", "NO_GROUND")}, "columns of unequal length"),
        ({"tree_id": ("A", "B", "C", "A")}, "a tree ID twice"),
        ({"reason": ("", "", "", "TOO_SMALL")}, "a status without a known reason"),
        ({"reason": ("", "DUPLICATE", "NO_GROUND", "TOO_SMALL")}, "a status without a known reason"),
        ({"reason": ("", "", "TOO_SMALL", "NO_GROUND")}, "a status without a known reason"),
        ({"reason": ("", "", "NO_GROUND", "BECAUSE")}, "a status without a known reason"),
        ({"status": ("served", "served", "lost", "not_tapped")}, "a status without a known reason"),
        ({"taps": np.array([1, 0, 0, 0])}, "a tree to be served without taps"),
        ({"taps": np.array([1, -1, 0, 0])}, "a tree to be served without taps"),
        ({"taps": np.array([1, 2, 1, 0])}, "taps on a tree that is not to be served"),
        ({"taps": np.array([1, 2, 0, 3])}, "taps on a tree that is not to be served"),
        ({"x_m": np.array([1.0, np.nan, 3.0, 4.0])}, "without place or ground"),
        ({"y_m": np.array([np.inf, 6.0, 7.0, 8.0])}, "without place or ground"),
        ({"ground_z_m": np.array([np.nan, 101.0, 1.0, 103.0])}, "without place or ground"),
    ],
)
def test_each_fault_of_a_survey_is_named(change, words):
    text = told(edges.after_survey, trees(**change))
    assert text.startswith("the stage survey handed on a broken record: ")
    assert words in text


@pytest.mark.parametrize("reason", SET_ASIDE_REASONS)
def test_every_reason_to_set_aside_goes_with_set_aside_only(reason):
    edges.after_survey(trees(reason=("", "", reason, "TOO_SMALL")))
    assert "known reason" in told(edges.after_survey, trees(reason=("", "", "NO_GROUND", reason)))


@pytest.mark.parametrize("reason", NOT_TAPPED_REASONS)
def test_every_reason_not_to_tap_goes_with_not_tapped_only(reason):
    edges.after_survey(trees(reason=("", "", "NO_GROUND", reason)))
    assert "known reason" in told(edges.after_survey, trees(reason=("", "", reason, "TOO_SMALL")))


@pytest.mark.parametrize("column", ["x_m", "y_m", "ground_z_m"])
@pytest.mark.parametrize("tree", [2, 3])
def test_a_tree_that_is_not_served_may_lack_place_and_ground(column, tree):
    values = getattr(trees(), column).copy()
    values[tree] = np.nan
    edges.after_survey(trees(**{column: values}))


def test_all_faults_are_told_at_once():
    text = told(edges.after_survey, trees(tree_id=("A", "A", "C", "D"), taps=np.array([0, 2, 5, 0])))
    assert text.count(";") == 2
    for words in ("a tree ID twice", "without taps", "not to be served"):
        assert words in text


def test_a_stage_error_is_our_own_fault_and_no_user_error():
    error = edges.StageError("flow", ["one", "two"])
    assert isinstance(error, RuntimeError)
    assert str(error) == "the stage flow handed on a broken record: one; two"


# ---------------------------------------------------------------- mainlines


def test_a_whole_network_passes():
    edges.after_mainlines(network(route(), route("M1.1", "M1")), trees())


def test_a_network_without_routes_passes():
    edges.after_mainlines(network(), trees())


def test_a_child_before_its_parent_is_named():
    text = told(edges.after_mainlines, network(route("M1.1", "M1"), route()), trees())
    assert "M1.1 before its parent M1" in text
    assert "without a line" not in text


def test_a_line_that_is_its_own_parent_comes_before_it():
    assert "M1 before its parent M1" in told(edges.after_mainlines, network(route("M1", "M1")), trees())


def test_a_line_twice_is_named_once():
    text = told(edges.after_mainlines, network(route(), route()), trees())
    assert text.count("M1 twice") == 1


@pytest.mark.parametrize(
    ("xy", "low"),
    [
        (((0.0, 0.0),), None),
        (((0.0, 0.0), (10.0, 0.0)), [1.0]),
        (((0.0, 0.0), (10.0, 0.0)), [1.0, 2.0, 3.0]),
        (((0.0, 0.0), (np.nan, 0.0)), None),
        (((0.0, 0.0), (10.0, np.inf)), None),
    ],
)
def test_a_route_that_is_no_line_is_named(xy, low):
    assert "M7 without a line" in told(edges.after_mainlines, network(route("M7", xy=xy, low=low)), trees())


def test_two_vertices_are_enough():
    edges.after_mainlines(network(route(xy=((0.0, 0.0), (1e-3, 0.0)))), trees())


@pytest.mark.parametrize(
    ("reason", "lift"),
    [(("",) * 3, (0.0,) * 4), (("",) * 4, (0.0,) * 3), (("",) * 5, (0.0,) * 5), ((), ())],
)
def test_one_reason_and_one_lift_for_every_tree(reason, lift):
    text = told(edges.after_mainlines, network(route(), reason=reason, lift=lift), trees())
    assert "not one reason and lift for every tree" in text
    assert "M1" not in text
