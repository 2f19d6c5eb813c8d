"""What the records work out of themselves: lengths, places, falls; by hand."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from pipeline.records import (
    NOT_TAPPED_REASONS,
    SET_ASIDE_REASONS,
    STORM_KINDS,
    Ground,
    Lateral,
    Mainline,
    Pins,
    RepairOption,
    Section,
    Storm,
    Support,
    Trees,
)
from shapely.geometry import box


def stand(s, x, y, z, ground=0.0):
    return Support("S", "M1", s, x, y, "post", "", 0.0, ground, z)


LINE = Mainline("M1", "", "C1", 0.0, (stand(0, 0, 0, 1.0), stand(4, 4, 0, 4.0), stand(9, 4, 5, 16.0)))


def test_vertices_and_stations_are_those_of_the_supports():
    assert LINE.xyz_m.tolist() == [[0, 0, 1], [4, 0, 4], [4, 5, 16]]
    assert LINE.station_m.tolist() == [0, 4, 9]
    assert LINE.plan_length_m == 9


def test_true_length_by_hand():
    """4-3-5 and 5-12-13: 5 + 13."""
    assert LINE.length_m == pytest.approx(18.0)


@pytest.mark.parametrize(
    ("station", "place"),
    [(0.0, (0, 0, 1)), (2.0, (2, 0, 2.5)), (4.0, (4, 0, 4)), (6.5, (4, 2.5, 10)), (9.0, (4, 5, 16)), (-1.0, (0, 0, 1)),
     (99.0, (4, 5, 16))],
)
def test_place_at_a_station(station, place):
    """Straight between supports; beyond an end, that end."""
    assert [float(v) for v in LINE.at(station)] == list(place)


def test_places_at_many_stations():
    x, y, z = LINE.at([2.0, 6.5])
    assert (x.tolist(), y.tolist(), z.tolist()) == ([2.0, 4.0], [0.0, 2.5], [2.5, 10.0])


@pytest.mark.parametrize(("z", "ground", "height"), [(101.2, 100.0, 1.2), (99.0, 100.0, -1.0)])
def test_height_of_a_support(z, ground, height):
    assert stand(0, 0, 0, z, ground).height_m == pytest.approx(height)


def lateral(*rows):
    return Lateral("L", "M1", 0.0, tuple(range(len(rows) - 1)), 1, np.array(rows, dtype=float))


@pytest.mark.parametrize(
    ("rows", "length", "fall", "grade"),
    [
        ([(0, 0, 0), (3, 4, 0.5)], math.hypot(5, 0.5), 0.5, 10.0),
        ([(0, 0, 0), (3, 4, 0.5), (3, 14, 0.7)], math.hypot(5, 0.5) + math.hypot(10, 0.2), 0.7, 2.0),
        ([(0, 0, 1), (0, 10, 0.9), (0, 20, 2.0)], math.hypot(10, 0.1) + math.hypot(10, 1.1), 1.0, -1.0),
    ],
)
def test_lateral_by_hand(rows, length, fall, grade):
    made = lateral(*rows)
    assert made.length_m == pytest.approx(length)
    assert made.fall_m == pytest.approx(fall)
    assert made.min_grade_pct == pytest.approx(grade)


def test_a_piece_without_run_is_as_steep_as_can_be_and_no_error():
    made = lateral((0, 0, 0), (0, 0, 0.5), (0, 10, 1.0))
    assert made.min_grade_pct == pytest.approx(5.0)
    assert lateral((0, 0, 0.5), (0, 0, 0.0)).min_grade_pct < -1e6


def test_candidates_are_the_trees_to_be_served():
    n = 3
    trees = Trees(("a", "b", "c"), *(np.zeros(n) for _ in range(3)), ("",) * n, np.zeros(n), np.zeros(n, np.int64),
                  ("served", "set_aside", "not_tapped"), ("", "NO_GO", "DEAD"), ("",) * n)
    assert trees.candidate.tolist() == [True, False, False]
    assert len(trees) == 3


def test_mainlines_of_a_section_once_each_in_order():
    made = Section("S", (("M2", 0.0, 1.0), ("M1", 0.0, 5.0), ("M2", 3.0, 4.0)), (), box(0, 0, 1, 1), (), 0, 0)
    assert made.mainline_ids == ("M2", "M1")
    assert dataclasses.replace(made, pieces=()).mainline_ids == ()


@pytest.mark.parametrize(("why", "legal"), [("", True), ("TOO_LONG", False)])
def test_an_option_is_legal_when_nothing_is_against_it(why, legal):
    assert RepairOption("mend", why, 1.0, 1.0, 0).legal is legal


def test_no_reason_means_two_things():
    assert not set(SET_ASIDE_REASONS) & set(NOT_TAPPED_REASONS)
    assert len(set(SET_ASIDE_REASONS)) == len(SET_ASIDE_REASONS)
    assert len(set(NOT_TAPPED_REASONS)) == len(NOT_TAPPED_REASONS)
    assert len(set(STORM_KINDS)) == len(STORM_KINDS)


@pytest.mark.parametrize("record", [LINE, LINE.supports[0], Storm("s", ()), Pins()], ids=lambda r: type(r).__name__)
def test_records_cannot_be_changed(record):
    field = dataclasses.fields(record)[0].name
    with pytest.raises(dataclasses.FrozenInstanceError):
        setattr(record, field, None)


def test_two_pins_do_not_share_their_dicts():
    assert Pins().lines is not Pins().lines
    assert Pins().parent is not Pins().parent


def test_records_with_arrays_compare_by_identity():
    """Arrays have no single truth, so two equal grounds are two; the same is itself."""
    shape = (2, 2)
    a, b = (Ground(*(np.zeros(shape, np.float32) for _ in range(3)), *(np.zeros(shape, np.bool_) for _ in range(2)),
                   (), ()) for _ in range(2))
    assert a != b
    assert a == a
