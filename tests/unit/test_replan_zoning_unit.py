"""Sections after a repair: who keeps the sheets that were issued, who gets new ones, who is no more."""

from __future__ import annotations

import dataclasses
import itertools
import string

import numpy as np
import pytest
from pipeline.replan.splice import Lines, Segment
from pipeline.replan.zoning import current_revision, next_revision, raised, rezone
from shapely.geometry import Point

import repair_scene as scene
from repair_scene import change, plan

PLAN = plan()
MAIN, BRANCH = PLAN.mainlines
TOP_M = BRANCH.plan_length_m


def stays(**more) -> Lines:
    """Return lines that all stay, but for the segments given."""
    segments = {m.mainline_id: [Segment(0.0, m.plan_length_m, m.mainline_id, 0.0)] for m in (MAIN, BRANCH)}
    return Lines(mainlines=list(PLAN.mainlines), segments={**segments, **more})


def shorter(line, top: int):
    return dataclasses.replace(line, supports=line.supports[:top + 1])


def zones(lines=None, *, also=(), laterals=None, old=None, made=None):
    made = made or PLAN
    now = made.laterals if laterals is None else laterals
    index = {i: i for i in range(len(now))} if old is None else old
    return rezone(made, lines or stays(), now, index, revision="B", also=frozenset(also))


def section(made, name):
    return next(s for s in made.sections if s.section_id == name)


# ---------------------------------------------------------------- revisions


def test_letters_go_on_like_the_columns_of_a_table():
    """All names of one, two and three letters in their order: each is raised to the next."""
    names = ["".join(w) for n in (1, 2) for w in itertools.product(string.ascii_uppercase, repeat=n)]
    for one, two in itertools.pairwise([*names, "AAA"]):
        assert raised(one) == two
    assert raised("AZZ") == "BAA"
    assert raised("ZZZ") == "AAAA"


@pytest.mark.parametrize(("now", "then"), [
    ("0", "1"), ("9", "10"), ("09", "10"), ("b", "b-2"), ("A1", "A1-2"), ("A1-9", "A1-10"), ("-", "--2"), ("", "-2"),
    ("x-y", "x-y-2"), ("É", "É-2"), ("²", "²-2"), ("v-²", "v-²-2"), ("A B", "A B-2"),
])
def test_other_names_get_a_counter(now, then):
    assert raised(now) == then
    assert raised(then) not in (now, then)


def test_the_revision_is_that_of_the_last_repair():
    assert (current_revision(PLAN), next_revision(PLAN)) == ("A", "B")
    twice = plan(changes=(change("B", "A"), change("C", "B")))
    assert (current_revision(twice), next_revision(twice)) == ("C", "D")


# ---------------------------------------------------------------- touched or not


def test_a_repair_that_touches_nothing_leaves_all_sheets_in_force():
    made = zones()
    assert (made.touched, made.retired) == ((), ())
    for now, then in zip(made.sections, PLAN.sections, strict=True):
        assert dataclasses.replace(now, issued_in="") == then or now.outline.equals(then.outline)
        assert (now.issued_in, now.pieces, now.lateral, now.revision) == ("A", then.pieces, then.lateral, "")


def test_sheets_issued_earlier_keep_the_revision_they_were_issued_in():
    sections = (dataclasses.replace(PLAN.sections[0], issued_in="A"), *PLAN.sections[1:])
    made = zones(made=plan(sections=sections, changes=(change("B", "A"),)))
    assert [s.issued_in for s in made.sections] == ["A", "B", "B"]


def test_a_section_that_is_worked_in_is_touched_though_its_lines_stay():
    made = zones(also=["S02"])
    now = section(made, "S02")
    assert made.touched == ("S02",)
    assert (now.revision, now.replaces, now.issued_in, now.check_code, now.sheets) == ("B", "A", "", "", 0)
    assert now.pieces == section(PLAN, "S02").pieces
    assert (now.taps, now.trees) == (6, 5)


def test_a_touched_section_replaces_the_revision_it_had():
    sections = tuple(dataclasses.replace(s, revision="C") for s in PLAN.sections)
    assert section(zones(also=["S01"], made=plan(sections=sections)), "S01").replaces == "C"


@pytest.mark.parametrize(("gone", "touched"), [(0, ("S01",)), (1, ("S02",)), (2, ("S02",)), (3, ("S03",))])
def test_a_lateral_that_goes_touches_its_section_alone(gone, touched):
    left = [la for k, la in enumerate(PLAN.laterals) if k != gone]
    old = dict(enumerate(k for k in range(4) if k != gone))
    made = zones(laterals=left, old=old)
    assert made.touched == touched
    now = section(made, touched[0])
    assert now.taps == sum(left[i].taps for i in now.lateral)
    assert now.trees == sum(len(left[i].tree) for i in now.lateral)
    held = sorted(i for s in made.sections for i in s.lateral)
    assert held == list(range(3))


def test_a_lateral_that_changed_touches_its_section():
    laterals = list(PLAN.laterals)
    laterals[2] = dataclasses.replace(laterals[2])
    assert zones(laterals=laterals).touched == ("S02",)


@pytest.mark.parametrize(("name", "station", "home"), [
    ("M1", 10.0, "S01"), ("M1", 39.0, "S01"), ("M1", 40.0, "S02"), ("M1", 55.0, "S02"), ("M1.1", 5.0, "S03"),
])
def test_a_new_lateral_belongs_where_it_enters_the_upper_section_where_two_meet(name, station, home):
    new = dataclasses.replace(PLAN.laterals[0], lateral_id="new", mainline_id=name, entry_station_m=station)
    made = zones(laterals=(*PLAN.laterals, new), old={i: i for i in range(4)})
    assert made.touched == (home,)
    assert 4 in section(made, home).lateral


def test_laterals_of_a_section_go_up_their_lines():
    new = dataclasses.replace(PLAN.laterals[1], lateral_id="new", entry_station_m=70.0)
    made = zones(laterals=(*PLAN.laterals, new), old={i: i for i in range(4)})
    assert section(made, "S02").lateral == (1, 4, 2)


# ---------------------------------------------------------------- lines that change


def test_a_section_whose_line_is_gone_is_retired_and_no_neighbour_any_more():
    lines = Lines(mainlines=[MAIN], segments={"M1": [Segment(0.0, 100.0, "M1", 0.0)], "M1.1": []})
    made = zones(lines, laterals=PLAN.laterals[:3], also=["S01"])
    assert made.retired == ("S03",)
    assert [s.section_id for s in made.sections] == ["S01", "S02"]
    assert section(made, "S01").neighbours == (("S02", "M1@40.000"),)


def test_a_line_cut_short_leaves_its_section_what_is_left():
    lines = stays(M1=[Segment(0.0, 60.0, "M1", 0.0)])
    lines.mainlines[0] = shorter(MAIN, 6)
    made = zones(lines, laterals=[PLAN.laterals[k] for k in (0, 1, 3)], old={0: 0, 1: 1, 2: 3})
    assert made.touched == ("S02",)
    assert section(made, "S02").pieces == (("M1", 40.0, 60.0),)
    assert section(made, "S02").lateral == (1,)


def test_a_new_way_moves_the_sections_above_it_and_where_they_meet():
    """Span 2 becomes 4 m longer: S01 ends at 44 m, S02 runs from 44 to 104 m, S03 still holds all of M1.1."""
    lines = stays(M1=[Segment(0.0, 20.0, "M1", 0.0), Segment(30.0, 100.0, "M1", 4.0)])
    lines.mainlines[0] = dataclasses.replace(MAIN, supports=tuple(
        dataclasses.replace(s, station_m=s.station_m + (4.0 if k > 2 else 0.0)) for k, s in enumerate(MAIN.supports)))
    made = zones(lines)
    assert made.touched == ("S01", "S02")
    assert section(made, "S01").pieces == (("M1", 0.0, 44.0),)
    assert section(made, "S02").pieces == (("M1", 44.0, 104.0),)
    assert section(made, "S01").neighbours == (("S02", "M1@44.000"), ("S03", "M1@44.000"))
    total = sum(b - a for s in made.sections for _, a, b in s.pieces)
    assert total == pytest.approx(104.0 + TOP_M)


def test_a_new_foot_goes_to_the_section_of_what_comes_above_it():
    """M1.1 from its second support up is now M1.2, which begins 6 m further down at another join."""
    foot = dataclasses.replace(BRANCH.supports[0], station_m=0.0, mainline_id="M1.2")
    shift = 6.0 - TOP_M / 3
    above = [dataclasses.replace(s, mainline_id="M1.2", station_m=s.station_m + shift) for s in BRANCH.supports[1:]]
    taken = dataclasses.replace(BRANCH, mainline_id="M1.2", supports=(foot, *above))
    lines = stays(**{"M1.1": [Segment(TOP_M / 3, TOP_M, "M1.2", shift)]})
    lines.mainlines[1] = taken
    made = zones(lines, laterals=PLAN.laterals[:3])
    ((name, low, high),) = section(made, "S03").pieces
    assert (name, low, high) == ("M1.2", 0.0, pytest.approx(taken.plan_length_m))


def test_the_outline_of_a_touched_section_holds_its_lines_and_trees():
    made = zones(also=["S01", "S02", "S03"])
    for now in made.sections:
        for i in now.lateral:
            for t in PLAN.laterals[i].tree:
                assert now.outline.contains(Point(scene.TREES[t][:2]))
        for name, low, high in now.pieces:
            line = MAIN if name == "M1" else BRANCH
            for s in np.linspace(low, high, 7):
                x, y, _ = line.at(s)
                assert now.outline.contains(Point(float(x), float(y)))


def test_a_meeting_at_a_collection_point_stays_and_one_on_a_lost_stretch_goes():
    sections = (dataclasses.replace(PLAN.sections[0], neighbours=(("S02", "C1@0.000"), ("S03", "M1@70.000"))),
                *PLAN.sections[1:])
    lines = stays(M1=[Segment(0.0, 60.0, "M1", 0.0)])
    lines.mainlines[0] = shorter(MAIN, 6)
    made = zones(lines, made=plan(sections=sections), also=["S01"], laterals=PLAN.laterals[:2])
    assert section(made, "S01").neighbours == (("S02", "C1@0.000"),)
