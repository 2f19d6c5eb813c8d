"""The judge's sums rule by rule: stretches that follow one another, inflows through branches, edges of tolerance."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from pipeline.judge import accounting

import small_bush as bush


def found(rule, made):
    return [(f.code, f.subject_id, f.measured, f.limit) for f in rule(bush.case(made))]


def test_the_small_plan_adds_up():
    for rule in (accounting.trees_once, accounting.taps_add_up, accounting.sections_once):
        assert rule(bush.case()) == []


@pytest.mark.parametrize(
    ("stretches", "where", "whole"),
    [
        ([(0, 40)], 40.0, True), ([(0, 15), (15, 40)], 40.0, True), ([(15, 40), (0, 15)], 40.0, True),
        ([(0, 15), (15.009, 40)], 40.0, True), ([(0, 15), (15.02, 40)], 15.0, False), ([(0.02, 40)], 0.0, False),
        ([(0, 39.98)], 39.98, False), ([(0, 39.995)], 39.995, True), ([(0, 40.02)], 40.02, False),
        ([(0, 40), (0, 40)], 0.0, False), ([(0, 40), (30, 40)], 30.0, False), ([(0, 20), (15, 40)], 15.0, False),
        ([], 0.0, False), ([(0, 40), (40, 50)], 50.0, False), ([(0, 40), (40, 40)], 40.0, True),
    ],
)
def test_stretches_follow_one_another_to_the_top_just_once(stretches, where, whole):
    assert accounting._followed_m([(float(a), float(b)) for a, b in stretches], 40.0) == (where, whole)


@pytest.mark.parametrize(
    ("spans", "broken"),
    [([(0, 40)], False), ([(0, 20), (20, 40)], False), ([(0, 40), (0, 40)], True), ([(0, 40), (25, 40)], True),
     ([(0, 20), (21, 40)], True), ([(0, 30)], True)],
)
def test_pipes_cover_a_line_once(spans, broken):
    """Two sap pipes over one another were let pass where the lower reached the top."""
    pipes = [bush.pipe(f"P{i}", "M1", float(a), float(b), 4 if a < 15 else (1 if a < 24 else 0))
             for i, (a, b) in enumerate(spans)]
    got = [f[0] for f in found(accounting.taps_add_up, bush.with_flow(bush.plan(), *pipes))]
    assert ("PIPE_HOLE" in got) is broken


@pytest.mark.parametrize(
    ("pieces", "broken"),
    [([[(0, 40)]], False), ([[(0, 20)], [(20, 40)]], False), ([[(0, 40)], [(0, 40)]], True),
     ([[(0, 40)], [(30, 40)]], True), ([[(0, 20)]], True)],
)
def test_each_stretch_is_built_from_one_section(pieces, broken):
    own = bush.plan().sections[0]
    made = tuple(dataclasses.replace(own, section_id=f"S{i}", pieces=tuple(("M1", float(a), float(b)) for a, b in p),
                                     lateral=(0, 1) if i == 0 else (), taps=4 if i == 0 else 0)
                 for i, p in enumerate(pieces))
    got = [f[0] for f in found(accounting.sections_once, bush.plan(sections=made))]
    assert got == (["SECTION_HOLE"] if broken else [])


def test_a_plan_without_sections_is_not_judged_by_them():
    assert found(accounting.sections_once, bush.plan(sections=())) == []


@pytest.mark.parametrize(
    ("laterals", "wanted"),
    [((0, 1), []), ((0,), [("SECTION_LATERAL", "M1-L02", 0, 1), ("SECTION_SUM", "S01", 4, 3)]),
     ((0, 1, 1), [("SECTION_LATERAL", "M1-L02", 2, 1), ("SECTION_SUM", "S01", 4, 5)])],
)
def test_each_lateral_is_on_the_sheets_of_one_section(laterals, wanted):
    own = dataclasses.replace(bush.plan().sections[0], lateral=laterals)
    assert found(accounting.sections_once, bush.plan(sections=(own,))) == wanted


@pytest.mark.parametrize(
    ("low", "taps", "fine"),
    [
        (0.0, 4, True), (0.0, 3, False), (0.0, 5, False),
        (15.0, 1, True), (15.0, 4, True), (15.0, 0, False),  # an entry at the foot may count below or above
        (15.005, 4, True), (15.02, 1, True), (15.02, 4, False), (24.0, 0, True), (24.0, 1, True), (24.0, 2, False),
        (30.0, 0, True), (30.0, 1, False),
    ],
)
def test_a_pipe_carries_what_comes_in_above_its_foot(low, taps, fine):
    """Entries: 3 taps at 15 m, 1 tap at 24 m."""
    case = bush.case(bush.with_flow(bush.plan(), bush.pipe("P", "M1", low, 40.0, taps)))
    assert ("PIPE_SUM" not in [f.code for f in accounting._pipe_sums(case)]) is fine


def test_dry_lines_are_not_asked_for_taps_nor_for_cover():
    dry = bush.pipe("D", "M1", 0.0, 10.0, 99, role="dry")
    assert found(accounting.taps_add_up, bush.with_flow(bush.plan(), *bush.plan().flow.pipes, dry)) == []


def test_a_branch_brings_all_behind_it_to_its_join():
    made = bush.plan()
    side = bush.hung("M1.1", [(30, 35), (20, 40)], [1.2, 1.2], "M1", 30.0)
    twig = bush.hung("M1.1.1", [(20, 40), (15, 45)], [1.2, 1.2], "M1.1", 11.18)
    far = dataclasses.replace(made.laterals[1], mainline_id="M1.1.1", entry_station_m=5.0)
    into = accounting._inflows(bush.case(dataclasses.replace(
        made, mainlines=(twig, *made.mainlines, side),
        grouping=dataclasses.replace(made.grouping, laterals=(made.laterals[0], far)))))
    assert into == {"M1": [(15.0, 3), (30.0, 1)], "M1.1": [(11.18, 1)], "M1.1.1": [(5.0, 1)]}


def test_lines_in_a_ring_end_the_sum():
    made = bush.plan()
    a = dataclasses.replace(made.mainlines[0], parent_id="M2")
    b = bush.hung("M2", [(30, 45), (30, 55)], [1.2, 1.2], "M1", 40.0)
    into = accounting._inflows(bush.case(dataclasses.replace(made, mainlines=(a, b))))
    assert into["M1"] == [(15.0, 3), (24.0, 1)]


@pytest.mark.parametrize(
    ("collection", "wanted"),
    [("C1", []), ("C9", [("COLLECTION_SUM", "C1", 4, 0), ("COLLECTION_SUM", "C9", 0, 4)]),
     ("", [("COLLECTION_SUM", "C1", 4, 0), ("COLLECTION_SUM", "", 0, 4)])],
)
def test_taps_arrive_where_their_mainline_ends(collection, wanted):
    made = bush.plan()
    line = dataclasses.replace(made.mainlines[0], collection_id=collection)
    case = bush.case(dataclasses.replace(made, mainlines=(line,)))
    assert [(f.code, f.subject_id, f.measured, f.limit) for f in accounting._collection_sums(case)] == wanted


@pytest.mark.parametrize(
    ("lateral", "order", "wanted"),
    [
        ([0, 0, 1, -1, -1], [1, 2, 1, 0, 0], []),
        ([0, 0, 1, -1, -1], [2, 1, 1, 0, 0], [("TREE_ORDER", "T0"), ("TREE_ORDER", "T1")]),
        ([1, 0, 1, -1, -1], [1, 2, 1, 0, 0], [("TREE_ORDER", "T0")]),
        ([0, 0, 1, 1, -1], [1, 2, 1, 2, 0], [("TREE_ORDER", "")]),
    ],
)
def test_the_table_of_trees_agrees_with_the_laterals(lateral, order, wanted):
    made = bush.plan(tree_lateral=np.array(lateral), tree_order=np.array(order))
    assert [f[:2] for f in found(accounting.trees_once, made)] == wanted


@pytest.mark.parametrize(
    ("status", "reason", "codes"),
    [("set_aside", "OUT_OF_REACH", []), ("set_aside", "DEAD", ["TREE_REASON"]), ("set_aside", "", ["TREE_REASON"]),
     ("not_tapped", "DEAD", []), ("not_tapped", "NO_GO", ["TREE_REASON"]), ("served", "", ["TREE_UNSERVED"]),
     ("lost", "", ["TREE_REASON"])],
)
def test_a_tree_off_the_laterals_has_a_reason(status, reason, codes):
    own = bush.trees()
    given = dataclasses.replace(own, status=(*own.status[:3], status, own.status[4]),
                                reason=(*own.reason[:3], reason, own.reason[4]))
    assert [f[0] for f in found(accounting.trees_once, bush.plan(trees=given))] == codes


def test_taps_of_a_lateral_are_those_of_its_trees():
    made = bush.plan()
    wrong = dataclasses.replace(made.laterals[0], taps=9)
    case = bush.case(dataclasses.replace(made, grouping=dataclasses.replace(
        made.grouping, laterals=(wrong, made.laterals[1]))))
    assert ("LATERAL_SUM", "M1-L01", 9, 3) in [
        (f.code, f.subject_id, f.measured, f.limit) for f in accounting.taps_add_up(case)]
