"""The checks behind hang, laterals, flow and sections: a whole record passes, each fault is named."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from pipeline import edges
from pipeline.records import (
    Flow,
    Grouping,
    Lateral,
    Mainline,
    Network,
    Pipe,
    Route,
    Section,
    Station,
    Support,
    Trees,
)
from shapely.geometry import box


def line(name="M1", stations=(0.0, 10.0, 20.0), z=(1.0, 1.5, 2.0), ids=None):
    ids = ids or [f"{name}-S{i:02d}" for i in range(1, len(stations) + 1)]
    return Mainline(name, "", "C1", 0.0, tuple(
        Support(i, name, s, s, 0.0, "post", "", 0.0, 0.0, h) for i, s, h in zip(ids, stations, z, strict=True)))


def routes(*names):
    xy = np.array([[0.0, 0.0], [20.0, 0.0]])
    return Network(tuple(Route(n, "", "C1", 0.0, xy, np.zeros(2)) for n in names), (), np.zeros(0))


def trees():
    """Four candidates with 1, 2, 1, 1 taps and a dead tree."""
    n = 5
    return Trees(tuple("ABCDE"), np.arange(n) * 1.0, np.zeros(n), np.zeros(n), ("maple",) * n, np.full(n, 40.0),
                 np.array([1, 2, 1, 1, 0]), ("served",) * 4 + ("not_tapped",), ("",) * 4 + ("DEAD",), ("",) * n)


def lateral(name="M1-L01", members=(0, 1), taps=3, station=5.0, main="M1"):
    return Lateral(name, main, station, tuple(members), taps, np.zeros((len(members) + 1, 3)))


def grouping(*laterals, reason=("", "", "", "NO_LATERAL", "DEAD"), ceilings=None):
    laterals = laterals or (lateral(), lateral("M1-L02", (2,), 1, 20.0))
    return Grouping(tuple(laterals), tuple(reason), np.zeros(len(laterals) if ceilings is None else ceilings))


def pipe(name):
    return Pipe(name, "M1", 0.0, 20.0, "single", "3/4", 20.9, 5.0, 4, 1.0, 0.2, 0.1, 0.5, 80.0, 79.0, 9.0)


def station(name, taps):
    return Station(name, taps, 1.0, 0.0, 1.0, 1.0, 1.0, 80.0, 79.0)


def told(call, *args):
    with pytest.raises(edges.StageError) as caught:
        call(*args)
    return str(caught.value)


# ---------------------------------------------------------------- hang


def test_hung_lines_in_the_order_of_their_routes_pass():
    edges.after_hang((line("M1"), line("M2")), routes("M1", "M2"))


def test_no_line_and_no_route_passes():
    edges.after_hang((), routes())


@pytest.mark.parametrize(
    ("stations", "good"),
    [
        ((0.0, 10.0, 20.0), True), ((0.009, 10.0, 20.0), True), ((0.011, 10.0, 20.0), False),
        ((-0.011, 10.0, 20.0), False), ((0.0, 10.0, 10.0), False), ((0.0, 12.0, 11.0), False), ((0.0, 10.0), True),
        ((0.0,), False),
    ],
)
def test_supports_start_at_the_foot_and_go_up(stations, good):
    hung = line("M1", stations, z=np.linspace(1.0, 2.0, len(stations)).tolist())
    if good:
        edges.after_hang((hung,), routes("M1"))
    else:
        assert "supports of M1 out of order" in told(edges.after_hang, (hung,), routes("M1"))


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_an_elevation_that_is_none_is_named(bad):
    text = told(edges.after_hang, (line("M1"), line("M2", z=(1.0, bad, 2.0))), routes("M1", "M2"))
    assert "M2 without an elevation somewhere" in text
    assert "M1 without" not in text


@pytest.mark.parametrize(("hung", "drawn"), [("M1", "M1 M2"), ("M1 M2", "M1"), ("M2 M1", "M1 M2"), ("", "M1")])
def test_lines_lost_added_or_out_of_order(hung, drawn):
    lines = tuple(line(n) for n in hung.split())
    assert "lines lost or added" in told(edges.after_hang, lines, routes(*drawn.split()))


def test_a_support_id_must_be_its_own_across_lines():
    second = line("M2", ids=["M2-S01", "M1-S02", "M2-S03"])
    assert "a support ID twice" in told(edges.after_hang, (line("M1"), second), routes("M1", "M2"))


# ---------------------------------------------------------------- laterals


def test_a_whole_grouping_passes():
    edges.after_laterals(grouping(), trees(), (line(),))


@pytest.mark.parametrize(
    ("at", "good"), [(0.0, True), (20.0, True), (20.009, True), (20.02, False), (-0.001, False), (np.nan, False)]
)
def test_an_entry_lies_on_its_mainline(at, good):
    made = grouping(lateral(), lateral("M1-L02", (2,), 1, at))
    if good:
        edges.after_laterals(made, trees(), (line(),))
    else:
        assert "M1-L02 enters nowhere" in told(edges.after_laterals, made, trees(), (line(),))


def test_an_entry_on_a_line_that_is_not_there():
    made = grouping(lateral(), lateral("M9-L01", (2,), 1, 0.0, "M9"))
    assert "M9-L01 enters nowhere" in told(edges.after_laterals, made, trees(), (line(),))


@pytest.mark.parametrize("taps", [2, 4, 0])
def test_taps_are_those_of_the_trees(taps):
    made = grouping(lateral(taps=taps), lateral("M1-L02", (2,), 1))
    assert "M1-L01 miscounts its taps" in told(edges.after_laterals, made, trees(), (line(),))


def test_a_tree_on_two_laterals():
    made = grouping(lateral(), lateral("M1-L02", (1, 2), 3))
    assert "a tree on two laterals" in told(edges.after_laterals, made, trees(), (line(),))


@pytest.mark.parametrize("taps", [1, 2])
def test_a_tree_twice_on_one_lateral(taps):
    made = grouping(lateral(), lateral("M1-L02", (2, 2), taps))
    assert "a tree on two laterals" in told(edges.after_laterals, made, trees(), (line(),))


@pytest.mark.parametrize("reason", [(), ("",) * 4, ("",) * 6])
def test_one_reason_for_every_tree(reason):
    assert "not one reason for every tree" in told(edges.after_laterals, grouping(reason=reason), trees(), (line(),))


def test_a_dead_tree_on_a_lateral():
    made = grouping(lateral(), lateral("M1-L02", (2, 4), 1))
    assert "not to be tapped" in told(edges.after_laterals, made, trees(), (line(),))


@pytest.mark.parametrize(
    "reason", [("", "", "", "", "DEAD"), ("NO_LATERAL", "", "", "NO_LATERAL", "DEAD")]
)
def test_neither_served_nor_set_aside_or_both(reason):
    text = told(edges.after_laterals, grouping(reason=reason), trees(), (line(),))
    assert "both served and set aside, or neither" in text


def test_what_is_not_tapped_needs_no_reason_here():
    edges.after_laterals(grouping(reason=("", "", "", "NO_LATERAL", "")), trees(), (line(),))


def test_an_id_twice_and_a_missing_ceiling():
    made = grouping(lateral(), lateral("M1-L01", (2,), 1), ceilings=1)
    text = told(edges.after_laterals, made, trees(), (line(),))
    assert "a lateral ID twice" in text
    assert "not one ceiling for every lateral" in text


def test_no_more_than_five_faults_are_spelt_out():
    many = tuple(dataclasses.replace(lateral(f"L{i}", (), 0, 99.0), taps=0) for i in range(9))
    text = told(edges.after_laterals, grouping(*many, reason=("NO_LATERAL",) * 4 + ("DEAD",)), trees(), (line(),))
    assert text.count("enters nowhere") == 5


# ---------------------------------------------------------------- flow and sections


def flow(*stations, vacuum=2, pipes=("P1", "P2")):
    return Flow(tuple(pipe(p) for p in pipes), tuple(stations), np.full(vacuum, 80.0))


@pytest.mark.parametrize("split", [(4,), (3, 1), (0, 4), (4, 0, 0)])
def test_all_taps_arrive_however_they_are_shared(split):
    edges.after_flow(flow(*(station(f"C{i}", t) for i, t in enumerate(split))), grouping())


@pytest.mark.parametrize("split", [(3,), (4, 1), ()])
def test_taps_lost_on_the_way(split):
    made = flow(*(station(f"C{i}", t) for i, t in enumerate(split)))
    assert "taps lost on the way" in told(edges.after_flow, made, grouping())


@pytest.mark.parametrize("count", [0, 1, 3])
def test_one_vacuum_for_every_entry(count):
    text = told(edges.after_flow, flow(station("C1", 4), vacuum=count), grouping())
    assert "not one vacuum for every entry" in text
    assert "taps lost" not in text


def test_a_pipe_id_twice():
    assert "a pipe ID twice" in told(edges.after_flow, flow(station("C1", 4), pipes=("P1", "P1")), grouping())


def section(name, laterals, taps):
    return Section(name, (), tuple(laterals), box(0, 0, 1, 1), (), taps, 0)


@pytest.mark.parametrize("split", [[(0, 1)], [(1,), (0,)], [(1, 0), ()]])
def test_sections_that_hold_every_lateral_once(split):
    own = [3, 1]
    edges.after_sections(
        tuple(section(f"S{i}", k, sum(own[j] for j in k)) for i, k in enumerate(split)), grouping())


@pytest.mark.parametrize("split", [[(0,)], [(0, 1), (1,)], [(0, 0, 1)], [(0, 1, 2)], []])
def test_a_lateral_in_no_section_or_in_two(split):
    made = tuple(section(f"S{i}", k, 4 if i == 0 else 0) for i, k in enumerate(split))
    assert "a lateral in no section, or in two" in told(edges.after_sections, made, grouping())


def test_section_taps_that_do_not_add_up():
    text = told(edges.after_sections, (section("S1", (0, 1), 5),), grouping())
    assert "taps lost between sections" in text
    assert "in no section" not in text
