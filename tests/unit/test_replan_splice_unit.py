"""Mainlines after the decisions: what stays where, what goes, what comes, and whether it goes together."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from pipeline.records import Support
from pipeline.replan.damage import assess
from pipeline.replan.detour import Start, Way
from pipeline.replan.ids import Ids
from pipeline.replan.runs import rehung, runs_of
from pipeline.replan.splice import Decision, Lines, Segment, splice
from shapely.geometry import Point

from repair_scene import plan, site

MAIN_M = 100.0
BRANCH_M = plan().mainlines[1].plan_length_m


def stretch(name: str, *spans: int):
    """Return the one stretch of a line whose spans are broken."""
    here = site(*[("line_broken", Point(0, 0), "supports", f"{name}-S{k:02d}") for k in spans])
    (run,) = runs_of(here, assess(here))
    return run


def way(on: str, index: int, to: Support, *, detour_m: float = 4.0, between: int = 2, length_m: float = 0.0) -> Way:
    """Return a new stretch from a support to another, its supports evenly between, longer than straight."""
    line = next(m for m in plan().mainlines if m.mainline_id == on)
    low = line.supports[index]
    start = Start(on, index, low.x_m, low.y_m, low.line_z_m, low.station_m)
    length = length_m or float(np.hypot(to.x_m - low.x_m, to.y_m - low.y_m)) + detour_m
    share = np.linspace(0.0, 1.0, between + 2)
    xyz = np.column_stack([low.x_m + (to.x_m - low.x_m) * share, low.y_m + (to.y_m - low.y_m) * share,
                           low.line_z_m + (to.line_z_m - low.line_z_m) * share])
    supports = tuple(
        Support(f"new-S{k:02d}", "new", float(length * s), float(x), float(y), "post", "", 0.0, float(z) - 1.2,
                float(z))
        for k, (s, (x, y, z)) in enumerate(zip(share, xyz, strict=True)) if 0 < k <= between
    )
    return Way(start, supports, length, xyz, low.ground_z_m)


def put(*decisions) -> Lines:
    made = splice(site(), decisions, Ids.of(plan()))
    assert isinstance(made, Lines), made
    return made


def refused(*decisions) -> str:
    made = splice(site(), decisions, Ids.of(plan()))
    assert isinstance(made, str)
    return made


def detour(name: str, *spans: int, **more) -> Decision:
    run = stretch(name, *spans)
    return Decision(run, "detour", way=way(name, run.low, run.line.supports[run.high], **more))


def take(name: str, *spans: int, on: str, index: int) -> Decision:
    run = stretch(name, *spans)
    return Decision(run, "take", way=way(on, index, run.line.supports[run.high]))


def abandon(name: str, *spans: int) -> Decision:
    return Decision(stretch(name, *spans), "abandon")


def line(lines: Lines, name: str):
    return next(m for m in lines.mainlines if m.mainline_id == name)


# ---------------------------------------------------------------- places


SEGMENTS = Lines(segments={"M1": [Segment(0.0, 30.0, "M1", 0.0), Segment(50.0, 80.0, "M1", 5.0),
                                  Segment(90.0, 100.0, "M2.1", -70.0)]})


@pytest.mark.parametrize(("station", "place"), [
    (0.0, ("M1", 0.0)), (30.0, ("M1", 30.0)), (30.001, None), (49.999, None), (50.0, ("M1", 55.0)),
    (80.0, ("M1", 85.0)), (85.0, None), (90.0, ("M2.1", 20.0)), (100.0, ("M2.1", 30.0)), (100.1, None), (-0.1, None),
])
def test_a_place_is_where_its_stretch_went_or_gone(station, place):
    assert SEGMENTS.place("M1", station) == place
    assert SEGMENTS.place("M9", station) is None


@pytest.mark.parametrize(("low", "high", "now"), [
    (0.0, 20.0, [("M1", 0.0, 20.0)]), (60.0, 70.0, [("M1", 65.0, 75.0)]), (90.0, 100.0, [("M2.1", 20.0, 30.0)]),
    (0.0, 80.0, [("M1", 0.0, 85.0)]), (30.0, 50.0, [("M1", 30.0, 55.0)]), (30.0, 40.0, [("M1", 30.0, 42.5)]),
    (80.0, 90.0, []), (70.0, 95.0, [("M1", 75.0, 85.0), ("M2.1", 20.0, 25.0)]), (10.0, 10.0, []),
])
def test_a_stretch_that_was_replaced_keeps_its_share_of_what_replaced_it(low, high, now):
    """30 to 50 was 20 m and is 25 m: 1.25 times as long."""
    got = SEGMENTS.stretches("M1", low, high)
    assert [name for name, _, _ in got] == [name for name, _, _ in now]
    assert [v for _, a, b in got for v in (a, b)] == pytest.approx([v for _, a, b in now for v in (a, b)])


@pytest.mark.parametrize("seed", range(5))
def test_cutting_a_line_into_pieces_leaves_no_gap_in_what_they_become(seed):
    """Whatever the cuts, the stretches of neighbouring pieces meet, as sections and pipes need."""
    rng = np.random.default_rng(seed)
    cuts = [0.0, *sorted(rng.uniform(0.0, 100.0, 9).tolist()), 100.0]
    rows = [row for a, b in itertools.pairwise(cuts) for row in SEGMENTS.stretches("M1", a, b)]
    for name, whole in (("M1", (0.0, 85.0)), ("M2.1", (20.0, 30.0))):
        own = [(a, b) for n, a, b in rows if n == name]
        assert (own[0][0], own[-1][1]) == pytest.approx(whole)
        assert all(a[1] == pytest.approx(b[0]) for a, b in itertools.pairwise(own))


def test_what_is_lost_of_a_line_is_what_no_segment_keeps():
    main = plan().mainlines[0]
    assert SEGMENTS.lost(main) == [(30.0, 50.0), (80.0, 90.0)]
    assert Lines().lost(main) == [(0.0, 100.0)]
    assert Lines(segments={"M1": [Segment(0.0, 100.0, "M1", 0.0)]}).lost(main) == []
    assert Lines(segments={"M1": [Segment(20.0, 60.0, "M1", 0.0)]}).lost(main) == [(0.0, 20.0), (60.0, 100.0)]


# ---------------------------------------------------------------- one decision


def test_nothing_decided_leaves_the_very_same_records():
    lines = put()
    assert all(a is b for a, b in zip(lines.mainlines, plan_lines(lines), strict=True))
    assert not any((lines.gone, lines.new, lines.new_supports, lines.retied, lines.capped, lines.moved))


def plan_lines(lines: Lines):
    """Return the lines in the plan's own records: same IDs, supports and order."""
    own = {m.mainline_id: m for m in lines.mainlines}
    return [own[m.mainline_id] for m in plan().mainlines]


def test_hanging_again_keeps_the_line_and_names_the_new_support():
    here = site(("tree_down", 9))
    found = assess(here)
    (run,) = runs_of(here, found)
    again = rehung(here, found, run, replace_lost=True)
    lines = splice(here, [Decision(run, "new_support", rehung=again)], Ids.of(plan()))
    main = line(lines, "M1")
    assert [s.support_id for s in main.supports][2:5] == ["M1-S02", "M1-S11", "M1-S04"]
    assert [s.support_id for s in lines.new_supports] == ["M1-S11"]
    assert np.array_equal(main.xyz_m, run.line.xyz_m)
    assert lines.lost(run.line) == []
    assert line(lines, "M1.1") is here.plan.mainlines[1]


def test_supports_that_are_tied_again_are_the_plan_s_own():
    here = site(("support_lost", Point(0, 0), "supports", "M1-S05"))
    found = assess(here)
    (run,) = runs_of(here, found)
    lines = splice(here, [Decision(run, "rehang", rehung=rehung(here, found, run, replace_lost=False))], Ids.of(plan()))
    assert lines.retied == [here.plan.mainlines[0].supports[5]]
    assert line(lines, "M1") is here.plan.mainlines[0]


@pytest.mark.parametrize(("name", "span", "left", "gone"), [
    ("M1", 6, ["M1", "M1.1"], [("M1", 60.0, 100.0)]), ("M1", 4, ["M1", "M1.1"], [("M1", 40.0, 100.0)]),
    ("M1", 3, ["M1"], [("M1", 30.0, 100.0)]), ("M1", 1, ["M1"], [("M1", 10.0, 100.0)]),
    ("M1", 0, [], [("M1", 0.0, 100.0)]), ("M1.1", 0, ["M1"], [("M1.1", 0.0, BRANCH_M)]),
    ("M1.1", 2, ["M1", "M1.1"], [("M1.1", BRANCH_M * 2 / 3, BRANCH_M)]),
])
def test_giving_up_a_stretch_gives_up_all_that_drains_through_it(name, span, left, gone):
    lines = put(abandon(name, span))
    assert [m.mainline_id for m in lines.mainlines] == left
    assert [(s.mainline_id, s.low_m, s.high_m) for s in lines.gone] == [pytest.approx(g) for g in gone]
    if name in left:
        kept = line(lines, name)
        assert kept.supports[-1].kind == "anchor"
        assert kept.plan_length_m == pytest.approx(gone[0][1])
        assert lines.capped == [name]
    else:
        assert lines.capped == []


def test_a_new_way_moves_what_hangs_above_it_and_nothing_below():
    """Span 5 is 10 m, the way round it 14 m: everything from support 6 up moves by 4 m."""
    lines = put(detour("M1", 5))
    main, old = line(lines, "M1"), plan().mainlines[0]
    assert main.plan_length_m == pytest.approx(104.0)
    assert [s.support_id for s in main.supports] == [
        *(f"M1-S{k:02d}" for k in range(6)), "M1-S11", "M1-S12", *(f"M1-S{k:02d}" for k in range(6, 11))]
    shift = {s.support_id: s.station_m for s in main.supports}
    assert all(shift[s.support_id] == s.station_m + (4.0 if k >= 6 else 0.0) for k, s in enumerate(old.supports))
    assert lines.place("M1", 60.0) == ("M1", 64.0)
    assert lines.place("M1", 55.0) is None
    assert [(s.low_m, s.high_m) for s in lines.new] == [(50.0, pytest.approx(64.0))]
    assert lines.moved == ["M1"]
    assert all(np.diff(main.station_m) > 0.0)


def test_a_branch_above_a_new_way_follows_its_join():
    lines = put(detour("M1", 2))
    assert line(lines, "M1.1").join_station_m == pytest.approx(44.0)
    assert line(lines, "M1.1").supports[0].station_m == 0.0


def test_taking_a_stretch_over_makes_a_branch_with_names_of_its_own():
    lines = put(take("M1", 6, on="M1.1", index=2))
    assert [m.mainline_id for m in lines.mainlines] == ["M1", "M1.1", "M1.1.1"]
    new, old = line(lines, "M1.1.1"), plan().mainlines[0]
    assert (new.parent_id, new.join_station_m) == ("M1.1", pytest.approx(BRANCH_M * 2 / 3))
    assert all(s.support_id.startswith("M1.1.1-S") for s in new.supports)
    assert len({s.support_id for s in new.supports}) == len(new.supports) == 3 + 4
    assert np.array_equal(new.xyz_m[3:], old.xyz_m[7:])
    assert (new.supports[0].kind, new.supports[0].station_m) == ("anchor", 0.0)
    assert line(lines, "M1").plan_length_m == 60.0
    assert lines.place("M1", 85.0) == ("M1.1.1", pytest.approx(new.plan_length_m - 15.0))


# ---------------------------------------------------------------- decisions together


def test_two_new_ways_on_one_line_add_up():
    lines = put(detour("M1", 7, detour_m=3.0), detour("M1", 2, detour_m=4.0))
    assert line(lines, "M1").plan_length_m == pytest.approx(107.0)
    assert lines.place("M1", 50.0) == ("M1", 54.0)
    assert lines.place("M1", 90.0) == ("M1", pytest.approx(97.0))
    names = [s.support_id for s in line(lines, "M1").supports]
    assert len(set(names)) == len(names) == 15


@pytest.mark.parametrize("above", [lambda: detour("M1", 8), lambda: take("M1", 8, on="M1.1", index=2),
                                   lambda: abandon("M1", 8)])
def test_what_is_decided_above_what_is_given_up_changes_nothing_more(above):
    alone, both = put(abandon("M1", 5)), put(abandon("M1", 5), above())
    assert [m.mainline_id for m in alone.mainlines] == [m.mainline_id for m in both.mainlines]
    assert np.array_equal(line(alone, "M1").xyz_m, line(both, "M1").xyz_m)
    assert both.new == []


@pytest.mark.parametrize(("decisions", "why"), [
    ([("take", "M1.1", 1, "M1", 8), ("abandon", "M1", 5)], "the line it would drain to is given up"),
    ([("take", "M1", 6, "M1.1", 2), ("abandon", "M1.1", 0)], "the line it would drain to is given up"),
    ([("detour", "M1.1", 1), ("abandon", "M1", 2)], "a new way would lead to a line that is given up"),
])
def test_decisions_that_contradict_one_another_are_refused(decisions, why):
    made = {"take": lambda name, span, on, k: take(name, span, on=on, index=k), "abandon": abandon, "detour": detour}
    assert refused(*(made[kind](*rest) for kind, *rest in decisions)) == why


@pytest.mark.parametrize("kind", ["rehang", "detour"])
def test_a_decision_without_its_work_is_our_own_fault(kind):
    with pytest.raises(ValueError, match="nobody"):
        splice(site(), [Decision(stretch("M1", 5), kind)], Ids.of(plan()))


@pytest.mark.parametrize("choice", list(itertools.product(range(4), repeat=2)))
def test_every_metre_of_the_old_lines_stays_or_goes(choice):
    """Conservation over all pairs of decisions: kept, replaced and lost stretches add up to the old lengths."""
    ways = (list, lambda: [abandon("M1", 6)], lambda: [detour("M1", 6)], lambda: [take("M1", 6, on="M1.1", index=1)])
    lower = (list, lambda: [abandon("M1", 2)], lambda: [detour("M1", 2)], lambda: [abandon("M1.1", 1)])
    lines = splice(site(), [*ways[choice[0]](), *lower[choice[1]]()], Ids.of(plan()))
    if isinstance(lines, str):
        assert (choice[0], choice[1]) == (3, 1)
        return
    for old in plan().mainlines:
        kept = sum(s.high_m - s.low_m for s in lines.segments.get(old.mainline_id, ()))
        assert kept + sum(b - a for a, b in lines.lost(old)) == pytest.approx(old.plan_length_m)
    now = sum(m.plan_length_m for m in lines.mainlines)
    kept = sum(s.high_m - s.low_m for own in lines.segments.values() for s in own)
    assert now == pytest.approx(kept + sum(s.high_m - s.low_m for s in lines.new))
    known = {m.mainline_id: m for m in lines.mainlines}
    for m in lines.mainlines:
        if m.parent_id:
            foot, (x, y, z) = m.supports[0], (float(v) for v in known[m.parent_id].at(m.join_station_m))
            assert (foot.x_m, foot.y_m, foot.line_z_m) == pytest.approx((x, y, z))
