"""The cautions that a storm puts on a section's sheets: each fires by its own cause and by nothing else."""

from __future__ import annotations

import dataclasses
from functools import cache

import pytest
from pipeline.records import GroundLayer, SafetyNote
from pipeline.replan.book import Finished
from pipeline.replan.case import make_case
from pipeline.replan.damage import assess
from pipeline.replan.outcome import Evaluator
from pipeline.replan.storm_safety import BLOWN_SHARE, storm_notes
from pipeline.replan.zoning import Zones
from pipeline.safety import load_safety
from pipeline.settings import GROUND_DEFAULTS
from shapely.geometry import LineString, Point, Polygon, box

import repair_scene as scene

PLAN = scene.plan()
STORM_CODES = {"A11", "A13", "A14", "B1", "B2", "B3", "B4", "B5", "B6", "B8", "B9", "D7"}
NEAR_M = 2.0 * PLAN.settings.sheets.tree_height_m + scene.GPS_M  # two tree lengths and the GPS spread


@cache
def done_of(rows, power: bool, kinds):
    wires = (LineString([(0, 118), (99, 118)]),)
    layer = GroundLayer("power_line", wires, ("line",), GROUND_DEFAULTS["power_line"], "test")
    here = scene.site(*rows, made=PLAN, on=scene.ground(layers=(layer,) if power else ()))
    case = make_case(here, assess(here))
    choice = tuple(p.kinds.index(kinds) if kinds in p.kinds else len(p.kinds) - 1 for p in case.pieces)
    outcome = Evaluator(case).evaluate(choice)
    assert not isinstance(outcome, str), outcome
    return case, Finished(outcome, (), {}, Zones(PLAN.sections, (), ()))


def notes(*rows, section: str = "S01", found=(), power: bool = False, kinds: str = "abandon"):
    case, done = done_of(rows, power, kinds)
    return storm_notes(case, done, next(s for s in PLAN.sections if s.section_id == section), tuple(found))


def codes(*rows, **more) -> set[str]:
    return {n.code for n in notes(*rows, **more)} - {"B4"}


def stem(x: float, y: float, dx: float = 6.0, dy: float = 0.0):
    return ("stem", LineString([(x, y), (x + dx, y + dy)]))


FAR = Point(44.0, -NEAR_M - 1.0)  # further from S01, whose ground ends at y = 0, than any trigger reaches
CLOSE = Point(44.0, -NEAR_M + 1.0)


def at(kind: str, place: Point):
    """Return a row about T0 that was logged at a place."""
    return (kind, place, "trees", "T0")


# ---------------------------------------------------------------- by kind


@pytest.mark.parametrize(("kind", "fired"), [
    ("hung", {"A11", "A13"}), ("top_broken", {"A11", "B8"}), ("root_plate", {"B2"}), ("tree_down", {"B1"}),
    ("retire", set()),
])
def test_each_kind_within_two_tree_lengths_fires_its_own_cautions(kind, fired):
    assert codes(at(kind, CLOSE)) == fired
    assert codes(at(kind, FAR)) == set()


def test_the_storm_is_told_on_every_touched_sheet():
    assert {n.code for n in notes(at("tree_down", FAR))} == {"B4"}


def test_blocked_access_is_told_where_it_is_near():
    assert codes(at("retire", FAR), ("access_blocked", CLOSE)) == {"B9"}
    assert codes(at("retire", FAR), ("access_blocked", FAR)) == set()


def test_stems_that_lie_free_are_told_once_they_are_near():
    assert codes(at("retire", FAR), stem(10.0, 20.0)) == {"A14"}
    assert codes(at("retire", FAR), stem(10.0, -NEAR_M - 30.0)) == set()


@pytest.mark.parametrize(("rows", "crossed"), [
    ((stem(10, 20), stem(11, 18, 0, 6)), False), ((stem(10, 20), stem(11, 18, 0, 6), stem(13, 18, 0, 6)), True),
    ((stem(10, 20), stem(10, 22), stem(10, 24)), False), ((stem(10, 20), stem(11, 18, 0, 6), stem(10, 28)), False),
    ((stem(10, 20), stem(11, 18, 0, 6), stem(10, 28), stem(11, 26, 0, 6)), True),
])
def test_three_stems_that_lie_over_one_another_are_a_tangle(rows, crossed):
    """A stem counts when it lies over another; three such are a tangle."""
    assert ("B3" in codes(at("retire", FAR), *rows)) == crossed


@pytest.mark.parametrize(("width", "told"), [(2.7, False), (2.9, True)])
def test_more_than_a_tenth_of_a_section_blown_down_is_a_tangle(width, told):
    """S01 is 28 m by 44 m: a band over its height must be wider than 2.8 m."""
    outline = PLAN.sections[0].outline
    blown = box(31.0, 0.0, 31.0 + width, 44.0)
    assert (blown.area / outline.area > BLOWN_SHARE) == told
    fired = codes(("blown_area", blown))
    assert ("B3" in fired) == told
    assert "B1" in fired


def test_a_section_without_ground_is_no_tangle():
    case, done = done_of((("blown_area", box(31.0, 0.0, 40.0, 44.0)),), False, "abandon")
    flat = dataclasses.replace(PLAN.sections[0], outline=Polygon())
    assert "B3" not in {n.code for n in storm_notes(case, done, flat, ())}


# ---------------------------------------------------------------- wires under load


@pytest.mark.parametrize(("row", "loaded"), [
    (("line_pinned", Point(50.0, 22.0)), True), (("line_broken", Point(50.0, 22.0)), False),
    (stem(49.0, 22.0), True), (stem(49.0, 60.0), False), (("line_pinned", Point(50.0, 62.0)), False),
    (("blown_area", box(49.0, 20.0, 51.0, 23.0)), True),
])
def test_a_wire_that_something_lies_on_is_under_load_in_its_own_section(row, loaded):
    assert ("B5" in codes(at("retire", FAR), row)) == loaded


@pytest.mark.parametrize(("kinds", "sections"), [("abandon", {"S01", "S02", "S03"}), ("rehang", {"S01"})])
def test_old_wire_is_told_where_it_is_cut_or_slacked(kinds, sections):
    """M1 broken at 20 m: given up, all above is old wire; hung again, only the stretch itself is slack."""
    row = ("line_broken", Point(50.0, 27.0))
    told = {s.section_id for s in PLAN.sections if "D7" in codes(row, section=s.section_id, kinds=kinds)}
    assert told == sections


def test_no_wire_is_old_where_only_a_lateral_is_mended():
    assert "D7" not in codes(("tree_down", Point(38.0, 29.0), "trees", "T1"), kinds="mend")


# ---------------------------------------------------------------- power lines


@pytest.mark.parametrize(("power", "y", "told"), [(True, 112.0, True), (False, 112.0, False), (True, 70.0, False)])
def test_a_logged_thing_within_two_tree_lengths_of_a_power_line_is_told(power, y, told):
    """The line runs at y = 118; two tree lengths are 45.72 m, so 72.3 m is the edge."""
    row = ("tree_down", Point(45.0, y), "trees", "T5")
    assert ("B6" in codes(row, section="S02", power=power)) == told


# ---------------------------------------------------------------- beside the section's own


def test_the_section_s_own_cautions_stay_and_the_storm_s_stand_once():
    own = (SafetyNote("A1", 3, ""), SafetyNote("B4", 1, ""), SafetyNote("A13", 1, ""))
    got = [n.code for n in notes(at("hung", CLOSE), found=own)]
    assert sorted(got) == sorted({"A1", "B4", "A11", "A13"})


def test_standing_trees_are_named_beside_the_dead_ones_of_the_section():
    own = (SafetyNote("A11", 1, "", (("trees", "T11, T12"),)),)
    (note,) = [n for n in notes(at("hung", CLOSE), at("top_broken", CLOSE), found=own) if n.code == "A11"]
    assert dict(note.values) == {"trees": "T0, T11, T12"}
    (note,) = [n for n in notes(at("hung", CLOSE)) if n.code == "A11"]
    assert dict(note.values) == {"trees": "T0"}


def test_a_hung_tree_that_is_none_of_the_survey_is_named_by_its_number_in_the_storm():
    (note,) = [n for n in notes(at("retire", FAR), ("hung", Point(10.0, 2.0))) if n.code == "A11"]
    assert dict(note.values) == {"trees": "(2)"}


def test_the_gravest_caution_is_printed_first_with_the_severity_and_sign_off_of_its_words():
    words = load_safety("en").notes
    fired = notes(at("hung", CLOSE), at("root_plate", CLOSE), stem(49.0, 22.0), ("access_blocked", CLOSE))
    assert [n.severity for n in fired] == sorted((n.severity for n in fired), reverse=True)
    assert {n.code: (n.severity, n.sign_off) for n in fired} == {
        n.code: (words[n.code].severity, words[n.code].sign_off) for n in fired}
    assert len({n.code for n in fired}) == len(fired) > 6


@pytest.mark.parametrize("language", ["en", "fr"])
def test_every_caution_of_a_storm_has_words(language):
    words = load_safety(language).notes
    assert {code for code in STORM_CODES if code in words and words[code].text} == STORM_CODES
