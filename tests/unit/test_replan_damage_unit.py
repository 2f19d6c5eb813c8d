"""What a storm did, thing by thing, on a hillside where every distance is known."""

from __future__ import annotations

import dataclasses
import itertools

import pytest
import shapely
from pipeline.records import Crossing, DamageState
from pipeline.replan.damage import HAZARD_KINDS, LOST_KINDS, TREE_KINDS, Mark, assess, span_name, unmatched_findings
from shapely.geometry import LineString, MultiLineString, Point, Polygon, box

import repair_scene as scene
from repair_scene import plan, site

GRAVITY: tuple[DamageState, ...] = ("clear", "near", "hit", "lost")
REACH_M = scene.GPS_M + 8.0


def spans(found, name: str = "M1") -> dict[int, str]:
    """Return the spans of a line that are not clear, by the index of their lower support."""
    return {i: mark.state for (line, i), mark in found.spans.items() if line == name and mark.state != "clear"}


def laterals(found) -> dict[str, str]:
    return {la.lateral_id: m.state for la, m in zip(plan().laterals, found.laterals, strict=True) if m.state != "clear"}


def supports(found) -> dict[str, str]:
    return {name: mark.state for name, mark in found.supports.items() if mark.state != "clear"}


def trees(found) -> dict[int, str]:
    return {i: mark.state for i, mark in enumerate(found.trees) if mark.state != "clear"}


# ---------------------------------------------------------------- one mark


@pytest.mark.parametrize("order", list(itertools.permutations(GRAVITY)))
def test_the_gravest_state_stands_whatever_came_first(order):
    mark = Mark()
    for k, state in enumerate(order, start=1):
        mark.worse(state, state.upper(), k)
    assert mark.state == "lost"
    assert mark.bad
    assert {code for code, _ in mark.reasons} == {"HIT", "LOST"}


def test_light_reasons_go_when_a_grave_one_comes_and_do_not_come_back():
    mark = Mark()
    mark.worse("near", "NEAR_STEM", 1)
    assert (mark.reasons, mark.bad) == ([("NEAR_STEM", 1)], False)
    mark.worse("hit", "STEM_ACROSS", 2)
    mark.worse("near", "NEAR_HAZARD", 3)
    assert mark.reasons == [("STEM_ACROSS", 2)]
    assert mark.items() == (2,)


def test_a_reason_is_kept_once_and_items_are_sorted_without_the_nameless():
    mark = Mark()
    for code, number in (("A", 7), ("B", 3), ("A", 7), ("C", 0)):
        mark.worse("hit", code, number)
    assert mark.reasons == [("A", 7), ("B", 3), ("C", 0)]
    assert mark.items() == (3, 7)


# ---------------------------------------------------------------- trees


@pytest.mark.parametrize("kind", TREE_KINDS)
def test_a_logged_tree_is_lost_when_it_is_down_and_hit_while_something_stands(kind):
    found = assess(site((kind, 2)))
    assert found.trees[2].state == ("lost" if kind in LOST_KINDS else "hit")
    assert not found.usable(2)
    assert found.tree_of_item == {1: 2}
    assert found.laterals[1].state == "hit"  # two of its three trees are left
    assert ("near" in trees(found).values()) == (kind in HAZARD_KINDS)


@pytest.mark.parametrize(("away_m", "tree"), [(0.0, 7), (REACH_M - 5.0, 7), (REACH_M + 0.1, -1)])
def test_a_place_means_the_nearest_tree_within_the_gps_spread_and_eight_metres(away_m, tree):
    x, y, _ = scene.TREES[7]
    found = assess(site(("tree_down", Point(x + away_m, y - away_m * 0.0))))
    assert found.tree_of_item.get(1, -1) == tree
    assert [i.number for i in found.unmatched] == ([] if tree >= 0 else [1])


def test_a_place_between_two_trees_means_the_nearer_one():
    (ax, ay, _), (bx, by, _) = scene.TREES[7], scene.TREES[8]
    for share, tree in ((0.4, 7), (0.6, 8)):
        at = Point(ax + (bx - ax) * share, ay + (by - ay) * share)
        assert assess(site(("tree_down", at))).tree_of_item == {1: tree}


def test_a_fallen_tree_logged_as_a_line_is_the_one_at_its_butt():
    x, y, _ = scene.TREES[5]
    found = assess(site(("tree_down", LineString([(x, y), (x - 15.0, y + 2.0)]))))
    assert found.tree_of_item == {1: 5}
    assert found.trees[5].state == "lost"


@pytest.mark.parametrize(("shape", "tree"), [
    (LineString([(30.0, 100.0), (45.0, 91.0)]), 5),  # drawn from its tip: nothing stands there
    (LineString([(45.0, 91.0), (40.0, 94.5)]), 5),  # it fell on T6: the butt comes first
    (MultiLineString([[(45.0, 91.0), (40.0, 99.0)], [(39.0, 99.5), (35.0, 104.0)]]), 5),  # broken in two
    (LineString([(10.0, 110.0), (20.0, 110.0)]), -1),
])
def test_a_stem_means_the_tree_at_its_first_end_else_at_its_other(shape, tree):
    found = assess(site(("tree_down", shape)))
    assert found.tree_of_item.get(1, -1) == tree


def test_one_tree_logged_twice_has_both_reasons_and_is_lost_once():
    found = assess(site(("hung", 6), ("tree_down", 6)))
    assert found.trees[6].state == "lost"
    assert found.trees[6].items() == (1, 2)
    assert sum(found.trees[k].bad for k in range(len(scene.TREES))) == 1


def test_all_trees_of_a_lateral_lost_means_the_lateral_is_lost():
    assert laterals(assess(site(("tree_down", 5)))) == {"M1-L03": "hit"}
    assert laterals(assess(site(("tree_down", 5), ("tree_down", 6)))) == {"M1-L03": "lost"}


def test_trees_in_a_blown_area_are_hit_until_somebody_has_looked():
    found = assess(site(("blown_area", box(70.0, 50.0, 75.0, 58.0))))
    assert trees(found) == {7: "hit"}
    assert found.trees[7].reasons == [("IN_BLOWN_AREA", 1)]


@pytest.mark.parametrize("kind", HAZARD_KINDS)
def test_within_a_tree_length_of_a_hazard_everything_is_near(kind):
    """Plain distances from the hazard against the state of every tree."""
    at = Point(90.0, 20.0)
    reach = plan().settings.sheets.tree_height_m
    found = assess(site((kind, at, "trees", "T11")))
    for i, (x, y, _) in enumerate(scene.TREES[:11]):
        expected = "near" if Point(x, y).distance(at) <= reach else "clear"
        assert found.trees[i].state == expected, i
    near = {la.lateral_id for la in plan().laterals if LineString(la.xyz_m[:, :2]).distance(at) <= reach}
    assert laterals(found) == dict.fromkeys(near, "near")


# ---------------------------------------------------------------- stems and blown ground


@pytest.mark.parametrize(("east_m", "state"), [(50.0, "hit"), (50.7, "hit"), (50.8, "near"), (51.7, "near"),
                                               (51.8, "clear")])
def test_a_stem_hits_within_three_quarters_of_a_metre_and_is_near_within_the_gps_spread(east_m, state):
    """0.75 m for half a trunk, 1 m of GPS spread beside it: 50.75 and 51.75 m east."""
    found = assess(site(("stem", LineString([(east_m, 80.0), (east_m + 12.0, 80.0)]))))
    assert spans(found).get(7, "clear") == state


def test_a_stem_hits_every_span_and_lateral_it_lies_on_and_nothing_else():
    stem = LineString([(48.0, 64.0), (58.0, 67.0)])
    found = assess(site(("stem", stem)))
    touched = {i for i in range(10) if LineString([(50, 5 + 10 * i), (50, 15 + 10 * i)]).distance(stem) <= 0.75}
    assert {i for i, state in spans(found).items() if state == "hit"} == touched == {5, 6}
    assert laterals(found) == {"M1-L02": "hit"}
    assert supports(found) == {}  # a stem on the wire leaves the support standing


def test_blown_ground_hits_the_spans_in_it_and_loses_no_post():
    found = assess(site(("blown_area", box(48.0, 52.0, 52.0, 58.0))))
    assert {i for i, s in spans(found).items() if s == "hit"} == {4, 5}
    assert found.supports["M1-S05"].state == "hit"
    assert supports(assess(site(("blown_area", box(48.0, 65.5, 52.0, 73.5))))) == {"M1-S06": "near"}


@pytest.mark.parametrize(("kind", "state"), [("tree_down", "lost"), ("hung", "lost"), ("top_broken", "lost"),
                                             ("root_plate", "lost"), ("retire", "clear")])
def test_a_line_loses_what_holds_it_with_the_tree_but_a_retired_tree_still_holds(kind, state):
    found = assess(site((kind, 9)))
    assert found.supports["M1-S03"].state in (state, "near")
    assert found.supports["M1-S03"].bad == (state == "lost")
    assert ([i for i in range(10) if found.spans["M1", i].bad] == [2, 3]) == (state == "lost")


def test_an_area_logged_as_a_fallen_tree_counts_as_blown_ground():
    found = assess(site(("tree_down", box(43.0, 90.0, 46.0, 92.0))))
    assert trees(found) == {5: "hit"}
    assert found.tree_of_item == {}
    assert found.blown.area == pytest.approx(6.0)


# ---------------------------------------------------------------- what was named


@pytest.mark.parametrize(("shape", "layer", "subject", "hit"), [
    (Point(0.0, 0.0), "supports", "M1-S04", "M1-S04"), (Point(51.0, 65.0), "trees", "T10", "M1-S06"),
    (Point(50.5, 24.0), "", "", "M1-S02"), (Point(50.0, 21.0), "", "", "M1-S02"), (Point(50.0, 19.0), "", "", "M1-S01"),
    (Point(44.0, 26.0), "trees", "T0", ""), (Point(20.0, 110.0), "", "", ""),
])
def test_a_lost_support_is_the_named_one_else_the_nearest(shape, layer, subject, hit):
    found = assess(site(("support_lost", shape, layer, subject)))
    assert {name for name, state in supports(found).items() if state == "lost"} == ({hit} if hit else set())
    assert bool(found.unmatched) == (not hit)


@pytest.mark.parametrize(("kind", "state"), [("line_broken", "lost"), ("line_pinned", "hit")])
@pytest.mark.parametrize(("shape", "layer", "subject", "span"), [
    (Point(50.0, 62.0), "", "", 5), (Point(0.0, 0.0), "supports", "M1-S02", 2),
    (Point(0.0, 0.0), "supports", "M1-S10", 9),
    (LineString([(50, 5), (50, 105)]), "mainlines", "M1", 0), (Point(50.0, 83.0), "mainlines", "M1", 7),
])
def test_a_broken_or_pinned_line_is_the_span_that_was_meant(kind, state, shape, layer, subject, span):
    found = assess(site((kind, shape, layer, subject)))
    assert spans(found) == {span: state}
    assert spans(found, "M1.1") == {}
    assert laterals(found) == {}


def test_a_named_lateral_is_meant_whatever_lies_nearer():
    found = assess(site(("line_broken", Point(50.0, 95.0), "laterals", "M1-L01")))
    assert (laterals(found), spans(found)) == ({"M1-L01": "lost"}, {})
    found = assess(site(("line_pinned", Point(62.0, 68.6))))
    assert (laterals(found), spans(found)) == ({"M1-L02": "hit"}, {})


def test_a_broken_line_far_from_every_line_means_nothing():
    found = assess(site(("line_broken", Point(10.0, 60.0)), ("tree_down", 0)))
    assert [i.number for i in found.unmatched] == [1]
    (told,) = unmatched_findings(found)
    assert (told.code, told.severity, told.subject_id) == ("STORM_UNMATCHED", "check", "storm 1")
    assert "line broken, row 1" in told.text


def test_blocked_access_marks_nothing_and_is_not_called_unmatched():
    found = assess(site(("access_blocked", Point(50.0, 2.0))))
    assert found.unmatched == ()
    assert all(d.state == "clear" for d in found.damages(site()))


# ---------------------------------------------------------------- crossings and the whole record


@pytest.mark.parametrize(("rows", "state"), [
    ([("line_broken", Point(0, 0), "supports", "M1-S07")], "lost"),
    ([("stem", LineString([(49, 79), (58, 81)]))], "hit"),
    ([("stem", LineString([(51.6, 80.0), (60, 80)]))], "near"),
    ([("stem", LineString([(56, 80.0), (66, 80)]))], "clear"),
    ([("line_broken", Point(0, 0), "supports", "M1-S02")], "clear"),
])
def test_a_crossing_fares_like_the_span_over_it(rows, state):
    assert assess(site(*rows)).crossings["X1"].state == state


def test_a_crossing_of_a_lateral_fares_like_the_lateral():
    crossing = Crossing("X2", "M1-L02", "trail", "", 5.0, 58.0, 66.8, 1.0, 1.0)
    found = assess(site(("line_broken", Point(0, 0), "laterals", "M1-L02"), made=plan(crossings=(crossing,))))
    assert found.crossings["X2"].state == "lost"
    unknown = dataclasses.replace(crossing, line_id="gone")
    assert assess(site(("tree_down", 0), made=plan(crossings=(unknown,)))).crossings["X2"].state == "clear"


def test_every_thing_of_the_plan_has_one_record_in_the_plan_s_order():
    here = site(("tree_down", 3), ("stem", LineString([(49, 79), (58, 81)])))
    records = assess(here).damages(here)
    count = {layer: sum(d.layer == layer for d in records) for layer in dict.fromkeys(d.layer for d in records)}
    assert count == {"trees": 12, "laterals": 4, "spans": 13, "supports": 15, "crossings": 1}
    assert len({(d.layer, d.subject_id) for d in records}) == len(records)
    assert all(bool(d.reasons) == (d.state != "clear") for d in records)


def test_a_span_is_called_by_its_two_supports():
    main, branch = plan().mainlines
    assert span_name(main, 0) == "M1-S00/S01"
    assert span_name(branch, 2) == "M1.1-S02/S03"


def test_no_storm_leaves_all_clear_and_no_blown_ground():
    found = assess(site())
    assert not any(m.state != "clear" for m in (*found.trees, *found.laterals, *found.supports.values()))
    assert found.blown.is_empty
    assert found.stems.is_empty


@pytest.mark.parametrize("turn", range(4))
def test_damage_does_not_depend_on_the_order_of_the_rows(turn):
    rows = [("hung", 1), ("stem", LineString([(48, 64), (58, 67)])),
            ("blown_area", Polygon([(69, 54), (73, 54), (71, 58)])),
            ("support_lost", Point(0, 0), "supports", "M1-S08")]
    first, other = assess(site(*rows)), assess(site(*rows[turn:], *rows[:turn]))
    for one, two in ((first.trees, other.trees), (first.laterals, other.laterals),
                     (first.spans.values(), other.spans.values()), (first.supports.values(), other.supports.values())):
        assert [m.state for m in one] == [m.state for m in two]
        assert [{c for c, _ in m.reasons} for m in one] == [{c for c, _ in m.reasons} for m in two]
    assert shapely.equals(first.blown, other.blown)
