"""The ways to repair each damaged piece, and what each would take, by hand."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
import shapely
from pipeline.replan.case import (
    Case,
    add_support,
    decision_bill,
    lateral_corridor_m2,
    lateral_items,
    make_case,
    way_parts,
)
from pipeline.replan.damage import assess
from pipeline.replan.detour import Start, Way
from pipeline.replan.ids import Ids, every_id
from pipeline.replan.site import Site, add, make_site, merged
from pipeline.replan.splice import Decision
from pipeline.resources import template_rows
from shapely.geometry import LineString, Point, box

import repair_scene as scene
from repair_scene import plan, site

RUN_KINDS = ("rehang", "new_support", "detour", "take", "abandon")
SPAN_M = math.sqrt(101.0)  # a span of M1: 10 m along, 1 m up


def case_of(*rows, **more) -> Case:
    here = site(*rows, **more)
    return make_case(here, assess(here))


def broken(name: str, *spans: int) -> list[tuple]:
    return [("line_broken", Point(0, 0), "supports", f"{name}-S{k:02d}") for k in spans]


def why(piece, kind: str) -> str:
    return piece.why[piece.kinds.index(kind)]


# ---------------------------------------------------------------- the site's numbers


@pytest.mark.parametrize(("code", "price"), [
    ("PIPE 1", 3.0), ("PIPE 3/4", 2.0), ("PIPE", 2.0), ("WIRE 12.5", 0.5), ("SIDE WIRE", 0.25), ("DROP TUBING", 0.4),
    ("ENTRY 1-1/4", 3.0), ("PIPES", 0.0), ("CHAIR", 0.0), ("", 0.0),
])
def test_a_price_is_that_of_the_size_else_of_the_family_else_nothing(code, price):
    assert site().price_of(code) == price


def test_a_bill_adds_money_and_minutes():
    """10 m of 3/4 in pipe: 20.00 and 6 min; 2 posts: 16.00 and 40 min; ties have no minutes here."""
    money, hours = site().bill({"PIPE 3/4": 10.0, "POST": 2.0, "TWIST TIE": 50.0})
    assert money == pytest.approx(20.0 + 16.0 + 5.0)
    assert hours == pytest.approx(46.0 / 60.0)
    assert site().bill({}) == (0.0, 0.0)


def test_a_tap_is_worth_the_mainline_that_the_settings_name():
    """Smallest pipe 2.00, wire 0.50, 1/0.3048 ties at 0.10; 1.8 min at 25.00 an hour; 30 ft of it."""
    metre = 2.0 + 0.5 + 0.1 / 0.3048 + 1.8 / 60.0 * 25.0
    assert site().metre_of_mainline() == pytest.approx(metre)
    assert site().tap_value() == pytest.approx(9.144 * metre)


def test_places_are_matched_within_the_gps_spread_and_eight_metres():
    assert (site().gps_m, site().reach_m, site().labour) == (1.0, 9.0, 25.0)


@pytest.mark.parametrize(("bills", "total"), [
    ([], {}), ([{"A": 1.0}], {"A": 1.0}), ([{"A": 1.0, "B": 2.0}, {"B": 3.0}, {}], {"A": 1.0, "B": 5.0}),
])
def test_bills_add_up_and_are_not_changed_by_it(bills, total):
    before = [dict(b) for b in bills]
    assert merged(*bills) == total
    assert bills == before


def test_nothing_is_added_for_nothing_or_less():
    bill: dict[str, float] = {}
    for quantity in (0.0, -1.0, 2.0, 0.5):
        add(bill, "TEE", quantity)
    assert bill == {"TEE": 2.5}


def test_the_hours_of_a_site_are_those_of_the_templates():
    made = make_site(plan=plan(), terrain=scene.terrain(), ground=scene.ground(), storm=scene.storm(),
                     price_rows=[{"code": " POST ", "price": "7.5"}])
    assert isinstance(made, Site)
    assert made.prices == {"POST": 7.5}
    wire = [float(r["minutes"]) for r in template_rows("labour.csv") if r["code"] == "WIRE"]
    assert len(wire) > 1
    assert made.minutes["WIRE"] == pytest.approx(sum(wire))
    assert made.clearing == {r["code"]: float(r["hours"]) for r in template_rows("repair.csv")}


# ---------------------------------------------------------------- pieces


def test_stretches_stand_before_laterals_and_each_damaged_thing_is_one_piece():
    case = case_of(("tree_down", 1), *broken("M1.1", 0), *broken("M1", 8), ("tree_down", 7))
    assert [(p.run.line.mainline_id if p.run else "", p.lateral) for p in case.pieces] == [
        ("M1", -1), ("M1.1", -1), ("", 0), ("", 3)]
    assert all(p.kinds == RUN_KINDS for p in case.pieces[:2])
    assert all(p.kinds == ("mend", "regroup", "abandon") for p in case.pieces[2:])
    assert all(len(p.kinds) == len(p.why) for p in case.pieces)


def test_giving_up_is_always_legal():
    case = case_of(("blown_area", box(30, 0, 70, 115)), ("hung", 8))
    assert case.pieces
    assert all(why(p, "abandon") == "" and p.kinds.index("abandon") in p.legal for p in case.pieces)


@pytest.mark.parametrize(("rows", "kind", "text"), [
    (broken("M1", 9), "detour", "nothing above it is left to lead to"),
    (broken("M1", 9), "take", "nothing above it is left to lead to"),
    ([("support_lost", Point(0, 0), "supports", "M1-S00")], "detour", "its end at the collection point is hit"),
    (broken("M1", 5), "new_support", "no support is lost"),
    ([("tree_down", 9)], "rehang", "its supports are lost"),
    ([("blown_area", box(48.0, 53.0, 52.0, 74.5))], "detour", "blown ground lies at its upper end"),
])
def test_what_is_not_legal_says_why(rows, kind, text):
    piece = case_of(*rows).pieces[0]
    assert why(piece, kind).startswith(text)
    k = piece.kinds.index(kind)
    assert k not in piece.legal
    assert piece.decisions[k] is None


def test_a_lateral_without_a_sound_tree_can_only_be_given_up():
    (piece,) = case_of(("tree_down", 5), ("tree_down", 6)).pieces
    assert piece.why == ("none of its trees is left", "none of its trees is left", "")
    assert [piece.kinds[k] for k in piece.legal] == ["abandon"]


def test_a_hit_lateral_with_all_its_trees_is_mended_as_it_is():
    case = case_of(("stem", LineString([(61, 62), (61, 72)])))
    (piece,) = case.pieces
    assert piece.mended.lateral is case.site.plan.laterals[1]


@pytest.mark.parametrize(("span", "legal"), [(5, True), (0, True)])
def test_a_broken_span_can_be_hung_again_where_it_was(span, legal):
    piece = case_of(*broken("M1", span)).pieces[0]
    assert (why(piece, "rehang") == "") == legal


# ---------------------------------------------------------------- clearing


@pytest.mark.parametrize(("rows", "hours"), [
    ([("tree_down", 0)], 2.0), ([("tree_down", 0), ("hung", 4)], 6.0), ([("retire", 0)], 0.0),
    ([("blown_area", box(0, 0, 5, 5))], 0.0),
    ([("tree_down", 0), ("stem", LineString([(45.0, 26.0), (52.0, 30.0)]))], 2.0),
    ([("tree_down", 0), ("stem", LineString([(46.5, 26.0), (52.0, 30.0)]))], 3.5),
    ([("hung", 0), ("stem", LineString([(45.0, 26.0), (52.0, 30.0)]))], 4.0),
    ([("line_broken", Point(50, 30)), ("stem", LineString([(50.0, 26.0), (52.0, 30.0)]))], 2.0),
])
def test_each_logged_thing_is_cleared_once_and_a_stem_with_its_tree(rows, hours):
    """A stem that begins within 2 m of a logged tree is that tree's; blown ground is cleared by its area."""
    case = case_of(*rows)
    every = frozenset(i.number for i in case.site.storm.items)
    assert case.clearing_h(every) == pytest.approx(hours)
    assert case.clearing_h(frozenset()) == 0.0


def test_blown_ground_is_cleared_by_the_hundred_square_metres():
    assert case_of(("tree_down", 0)).area_h(250.0) == pytest.approx(2.5 * 3.0)


# ---------------------------------------------------------------- bills


def bill(case: Case, kind: str, k: int = 0):
    piece = case.pieces[k]
    return decision_bill(case, piece.decisions[piece.kinds.index(kind)])


def test_hanging_a_broken_span_again():
    parts, items, area, hours = bill(case_of(*broken("M1", 5)), "rehang")
    assert parts == pytest.approx({"PIPE 3/4": SPAN_M, "WIRE 12.5": SPAN_M, "TWIST TIE": SPAN_M / 0.3048,
                                   "COUPLING 3/4": 2.0})
    assert (items, area, hours) == (frozenset({1}), 0.0, 0.75)


@pytest.mark.parametrize(("span", "parts"), [
    (5, {"ANCHOR": 1.0, "STRAINER": 1.0, "CAP 3/4": 1.0}), (4, {"ANCHOR": 1.0, "STRAINER": 1.0, "CAP 1": 1.0}),
    (2, {"ANCHOR": 1.0, "STRAINER": 1.0, "CAP 1": 1.0}), (0, {}),
])
def test_giving_up_takes_a_new_top_unless_nothing_is_left(span, parts):
    """M1 is 1 in up to 40 m: cut at 40 m, its new top is still 1 in."""
    assert bill(case_of(*broken("M1", span)), "abandon") == (parts, frozenset(), 0.0, 0.0)


def test_a_pair_that_is_cut_has_a_tensioner_for_each_wire_and_a_manifold():
    dry = dataclasses.replace(plan().flow.pipes[1], pipe_id="M1-P03", role="dry")
    flow = dataclasses.replace(plan().flow, pipes=(*plan().flow.pipes, dry))
    case = case_of(*broken("M1", 6), made=plan(flow=flow))
    assert bill(case, "abandon")[0] == {"ANCHOR": 1.0, "STRAINER": 2.0, "CAP 3/4": 1.0, "MANIFOLD": 1.0}
    assert bill(case_of(*broken("M1", 2), made=plan(flow=flow)), "abandon")[0] == {
        "ANCHOR": 1.0, "STRAINER": 1.0, "CAP 1": 1.0}


def test_blown_ground_in_the_corridor_of_a_stretch_is_billed_with_it():
    case = case_of(("blown_area", box(40.0, 58.0, 60.0, 60.0)))
    _, _, area, _ = bill(case, "rehang")
    assert area == pytest.approx(2.0 * 6.0)


def straight(run, *, on: str = "M1", length_m: float = 14.0, supports=()) -> Way:
    low, high = run.line.supports[run.low], run.line.supports[run.high]
    start = Start(on, run.low, low.x_m, low.y_m, low.line_z_m, low.station_m)
    xyz = np.array([[low.x_m, low.y_m, low.line_z_m], [low.x_m, low.y_m + length_m, low.line_z_m]])
    return Way(start, tuple(supports), length_m, xyz + 0.0 * high.x_m, low.ground_z_m)


@pytest.mark.parametrize(("spans", "sizes"), [
    ((5,), {"3/4": 1.0}), ((1,), {"1": 1.0}), ((2, 3), {"1": 1.0}), ((3, 4), {"1": 0.5, "3/4": 0.5}),
    ((1, 2, 3, 4), {"1": 0.75, "3/4": 0.25}),
])
def test_a_new_way_on_its_own_line_takes_the_sizes_that_lay_there(spans, sizes):
    """M1 is 1 in up to 40 m and 3/4 in above; each size keeps its share of the way, as it is laid."""
    case = case_of(*broken("M1", *spans))
    run = case.pieces[0].run
    parts = way_parts(case.site, straight(run), run)
    assert {c: q for c, q in parts.items() if c.startswith("PIPE")} == pytest.approx(
        {f"PIPE {size}": 14.0 * share for size, share in sizes.items()})
    assert parts["WIRE 12.5"] == pytest.approx(14.0)
    assert parts["TWIST TIE"] == pytest.approx(14.0 / 0.3048)
    assert {c: q for c, q in parts.items() if c.startswith("COUPLING")} == {f"COUPLING {s}": 2.0 for s in sizes}


@pytest.mark.parametrize(("spans", "size"), [((1,), "1"), ((2, 3), "3/4"), ((5,), "3/4")])
def test_a_way_from_another_line_takes_the_size_that_it_leads_to(spans, size):
    case = case_of(*broken("M1", *spans))
    run = case.pieces[0].run
    parts = way_parts(case.site, straight(run, on="M1.1"), run)
    assert [c for c in parts if c.startswith("PIPE")] == [f"PIPE {size}"]


def test_a_new_way_restakes_all_that_hangs_above_it():
    """Four supports from 60 m up to 100 m: 60, 70, 80, 90, 100 are five, an eighth of an hour each."""
    case = case_of(*broken("M1", 5))
    run = case.pieces[0].run
    _, items, area, hours = decision_bill(case, Decision(run, "detour", way=straight(run)))
    assert (items, area) == (frozenset(), 0.0)
    assert hours == pytest.approx(0.75 + 5 * 0.125)


@pytest.mark.parametrize(("kind", "offset", "parts"), [
    ("tree", -1.5, {"SIDE TIE": 1.0, "SIDE WIRE": 2.5}), ("post", 0.0, {"POST": 1.0}), ("anchor", 0.0, {"ANCHOR": 1.0}),
])
def test_parts_of_a_support(kind, offset, parts):
    support = dataclasses.replace(plan().mainlines[0].supports[4], kind=kind, offset_m=offset)
    got: dict[str, float] = {}
    add_support(got, support)
    assert got == parts


def test_mending_a_lateral_clears_what_lies_on_it():
    case = case_of(("tree_down", 3), ("stem", LineString([(56.0, 60.0), (56.0, 72.0)])), ("tree_down", 5))
    assert lateral_items(case, 1) == frozenset({1, 2})
    assert lateral_items(case, 2) == frozenset({3})


def test_blown_ground_round_a_mended_lateral():
    """A band across M1-L03's first piece, (50, 90) to (45, 91): the corridor is 6 m wide, the band 2 m."""
    case = case_of(("blown_area", box(46.5, 85.0, 48.5, 97.0)))
    lateral = next(k for k, p in enumerate(case.pieces) if p.lateral == 2)
    corridor = LineString(plan().laterals[2].xyz_m[:, :2]).buffer(3.0)
    expected = corridor.intersection(box(46.5, 85.0, 48.5, 97.0)).area
    assert lateral_corridor_m2(case, case.pieces[lateral].lateral) == pytest.approx(expected)
    assert expected == pytest.approx(2.0 * 6.0 / math.cos(math.atan(0.2)), rel=1e-6)


# ---------------------------------------------------------------- names


@pytest.mark.parametrize(("used", "stem", "digits", "got"), [
    ([], "M1-S", 2, "M1-S01"), (["M1-S99"], "M1-S", 2, "M1-S100"), (["M1.2", "M1.10"], "M1.", 1, "M1.11"),
    (["M12"], "M1", 1, "M11"), (["M12"], "M", 1, "M13"), (["", "tank", "S03"], "S", 2, "S04"),
    (["M1-L02", "M1-L2"], "M1-L", 2, "M1-L03"), (["M1.2-L07"], "M1-L", 2, "M1-L01"),
])
def test_the_next_name_behind_a_stem(used, stem, digits, got):
    assert Ids(used).next(stem, digits) == got


def test_a_retired_name_is_never_given_again():
    made = plan(retired=("M1-L17", "X9", "M1.4"))
    ids = Ids.of(made)
    assert (ids.next("M1-L"), ids.next("X", 1), ids.next("M1.", 1)) == ("M1-L18", "X10", "M1.5")
    assert ids.next("M1-S") == "M1-S11"


def test_every_name_of_a_plan_stands_once():
    names = every_id(plan())
    assert len(set(names)) == len(names) == 2 + 15 + 4 + 3 + 1 + 3
    assert shapely.is_valid(plan().sections[0].outline)
