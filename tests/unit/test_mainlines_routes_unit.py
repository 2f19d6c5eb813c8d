"""Building blocks of routing: stations, vertices, names, cutting, bends, verdicts, reasons; by hand."""

from __future__ import annotations

import dataclasses
import math
from types import SimpleNamespace

import numpy as np
import pytest
from pipeline.mainlines import chains, lattice, report, routes, verify
from pipeline.mainlines.reasons import reasons
from pipeline.records import Network, Route
from pipeline.settings import MainlineSettings, Settings
from pipeline.wire import chord_rules
from scipy.ndimage import maximum_filter, minimum_filter

import small_bush as bush


def route(name="M1", xy=((0, 0), (10, 0)), z=None, parent="", join=0.0, pinned=False, collection="C1"):
    xy = np.array(xy, dtype=float)
    return Route(
        name, parent, collection, join, xy, np.arange(len(xy), dtype=float) if z is None else np.array(z, float), pinned
    )


@pytest.mark.parametrize(
    ("xy", "stations"), [([(0, 0), (3, 4)], [0, 5]), ([(0, 0), (3, 4), (3, 10), (0, 10)], [0, 5, 11, 14])]
)
def test_stations_by_hand(xy, stations):
    assert routes.stations_of(np.array(xy, float)).tolist() == stations


@pytest.mark.parametrize(
    ("at", "wanted"),
    [
        ([], [(0, 0, 0), (10, 0, 1)]), ([(4.0, 0.7)], [(0, 0, 0), (4, 0, 0.7), (10, 0, 1)]),
        ([(10.0, 9.0), (0.0, 9.0)], [(0, 0, 0), (10, 0, 1)]),  # vertices that are there are kept
        ([(6.0, 0.8), (2.0, 0.3)], [(0, 0, 0), (2, 0, 0.3), (6, 0, 0.8), (10, 0, 1)]),
        ([(4.0, 0.7), (4.0, 0.9)], [(0, 0, 0), (4, 0, 0.7), (10, 0, 1)]),  # one place, one vertex
    ],
)
def test_further_vertices(at, wanted):
    xy, z = routes.with_vertices(np.array([[0.0, 0.0], [10.0, 0.0]]), np.array([0.0, 1.0]), at)
    assert [(*p, h) for p, h in zip(xy.tolist(), z.tolist(), strict=True)] == wanted


@pytest.mark.parametrize(
    ("top", "end", "height", "count"),
    [
        (20.0, (10, 10), 2.0, 3),
        (99.0, (10, 10), 2.0, 3),
        (15.0, (10, 5), 1.5, 3),
        (10.0, (10, 0), 1.0, 2),
        (4.0, (4, 0), 0.4, 2),
    ],
)
def test_cutting_a_route(top, end, height, count):
    """Ten east, ten north, one metre up on each."""
    got = routes.cut(route(xy=((0, 0), (10, 0), (10, 10))), top)
    assert len(got.xy_m) == count
    assert got.xy_m[-1].tolist() == pytest.approx(end)
    assert got.low_z_m[-1] == pytest.approx(height)


def test_children_come_lower_joins_first():
    made = [route("b", parent="M", join=9.0), route("a", parent="M", join=2.0), route("M"), route("c", parent="a")]
    got = routes.children_of(made)
    assert {k: [r.mainline_id for r in v] for k, v in got.items()} == {"M": ["a", "b"], "": ["M"], "a": ["c"]}


def test_names_without_gaps_longest_tree_first():
    made = (
        route("x", ((0, 0), (10, 0))),
        route("y", ((0, 0), (0, 30))),
        route("z", ((5, 0), (5, 90)), parent="x", join=5.0),
        route("w", ((2, 0), (2, 9)), parent="x", join=2.0),
    )
    got = routes.renumbered(made, ("C1",))
    named = {tuple(r.xy_m[-1]): (r.mainline_id, r.parent_id) for r in got}
    assert named == {(10, 0): ("M1", ""), (0, 30): ("M2", ""), (2, 9): ("M1.1", "M1"), (5, 90): ("M1.2", "M1")}
    seen = set()
    for r in got:
        assert not r.parent_id or r.parent_id in seen
        seen.add(r.mainline_id)


def test_a_pinned_line_keeps_its_name_and_collections_their_order():
    made = (route("M1", ((0, 0), (1, 0)), pinned=True, collection="C2"), route("q", ((0, 0), (50, 0)), collection="C2"),
            route("r", ((0, 0), (5, 0)), collection="C1"))
    got = routes.renumbered(made, ("C1", "C2"))
    assert {r.mainline_id: r.xy_m[-1, 0] for r in got} == {"M2": 5.0, "M3": 50.0, "M1": 1.0}


@pytest.mark.parametrize(
    ("entries", "kept"),
    [
        ({}, {}),
        ({"a": (4.0,)}, {"M1": 5.0}),
        ({"a": (9.5,)}, {"M1": 10.0}),
        ({"b": (2.0,)}, {"M1": 7.0, "M1.1": 3.0}),
        ({"a": (8.0, 1.0), "b": (0.0,)}, {"M1": 9.0, "M1.1": 1.0}),
    ],
)
def test_lines_end_a_metre_above_what_uses_them(entries, kept):
    """Line a runs ten metres; b joins it at 6."""
    made = Network((route("a"), route("b", ((6, 0), (6, 10)), parent="a", join=6.0)), (), np.zeros(0))
    got = routes.trim(made, entries)
    assert {r.mainline_id: float(routes.stations_of(r.xy_m)[-1]) for r in got.routes} == pytest.approx(kept)
    names = routes.renamed(made, entries)
    assert sorted(names.values()) == sorted(kept)


@pytest.mark.parametrize(
    ("closed", "top"),
    [
        ((), 15.0),  # a metre above the entry at 14
        ((18,), 15.0),
        ((15,), 15.75),  # the cell from 14.5 to 15.5, and its edge, is closed; looked at every 0.25 m
        ((14, 15, 16), 16.75),
        ((15, 16, 17, 18, 19, 20), 20.0),  # nothing free: the top stays where it was
    ],
)
def test_a_line_ends_where_a_support_may_stand(closed, top):
    """A line along the middle of row 29's cells, 20 m to the east; cells of 1 m with their centres at x = 0.5, 1.5."""
    land = bush.ground()
    shut = np.zeros_like(land.support_blocked)
    for x in closed:
        shut[29, x] = True
    made = Network((route("M1", ((0.5, 30.5), (20.5, 30.5))),), (), np.zeros(0))
    got = routes.trim(
        made, {"M1": (14.0,)}, terrain=bush.terrain(), ground=dataclasses.replace(land, support_blocked=shut)
    )
    assert float(routes.stations_of(got.routes[0].xy_m)[-1]) == pytest.approx(top)


# ---------------------------------------------------------------- bends


@pytest.mark.parametrize(("turn", "told"), [(59.0, False), (60.0, False), (61.0, True), (150.0, True)])
@pytest.mark.parametrize("pinned", [False, True])
def test_sharp_bends_are_told(turn, told, pinned):
    a = math.radians(turn)
    made = route(xy=((0, 0), (10, 0), (10 + 5 * math.cos(a), 5 * math.sin(a))), pinned=pinned)
    settings = Settings(mainlines=MainlineSettings(max_bend_deg=60.0))
    got = report.bend_findings(Network((made,), (), np.zeros(0)), settings)
    assert [f.measured for f in got] == ([pytest.approx(turn)] if told and not pinned else [])


# ---------------------------------------------------------------- verdicts


def up(heights=(1.2, 1.2), y=(5.0, 45.0), x=30.0, **more):
    points = np.array([(x, v) for v in y])
    return route(xy=points, z=[bush.ground_z(v) + h for v, h in zip(y, heights, strict=True)], **more)


@pytest.mark.parametrize(
    ("made", "rules", "fault"),
    [
        (up(), {}, ""), (up((0.82, 0.82)), {}, ""), (up((0.80, 1.2)), {}, "lies lower than is legal"),
        (up((1.2, 0.7)), {}, "lies lower than is legal"), (up((3.2, 3.2)), {}, "leaves its height window"),
        (up((1.2, math.nan)), {}, "leaves its height window"), (up(y=(5.0, 70.0)), {}, "runs off the terrain"),
        (up(), {"min_grade_pct": 9.2}, ""), (up(), {"min_grade_pct": 12.0}, "lies lower than is legal"),
        (up((1.2, 2.0)), {"min_grade_pct": 18.0}, "leaves its height window"),
    ],
)
def test_verdict_on_a_route_up_the_plane(made, rules, fault):
    """10 % ground; window 0.762 + 0.0508 to 3.048 m; the wire is planned three quarters of a percent above the rule."""
    settings = Settings(mainlines=dataclasses.replace(MainlineSettings(), **rules))
    assert verify.check_route(bush.terrain(), bush.ground(), settings, made).fault == fault


def test_a_no_go_on_the_way_is_seen_where_it_begins():
    soil = bush.ground()
    soil.cost[:, :] = 1.0
    soil.cost[39, 30] = np.inf  # y from 20 to 21
    got = verify.check_route(bush.terrain(), soil, Settings(), up(x=30.5))
    assert got.fault == "enters a no-go"
    assert 14.9 <= got.station_m <= 15.3


def test_samples_hold_every_vertex_and_no_longer_step():
    s, xy = verify.sampled(np.array([[0.0, 0.0], [3.1, 0.0], [3.1, 1.0]]))
    assert {0.0, 3.1, 4.1} <= set(s.round(9).tolist())
    assert np.diff(s).max() <= 0.25 + 1e-9
    assert np.hypot(*np.diff(xy, axis=0).T) == pytest.approx(np.diff(s))


@pytest.mark.parametrize("seed", range(3))
def test_patch_windows_against_scipys_filters(seed):
    rng = np.random.default_rng(seed)
    low, high = rng.uniform(0.5, 2.0, (2, 8, 9)).astype(np.float32)
    got_low, got_high = lattice.patches(low, high)
    assert np.array_equal(got_low, maximum_filter(low, size=2, origin=-1, mode="nearest"))
    assert np.array_equal(got_high, minimum_filter(high, size=2, origin=-1, mode="nearest"))


def test_surface_keeps_its_margins():
    surface, base = lattice.make_surface(bush.terrain(), bush.ground(), Settings())
    assert base == 100.0
    assert surface.low[5, 5] == pytest.approx(0.762 + 0.0508 + 0.10, abs=1e-6)
    assert surface.high[5, 5] == pytest.approx(3.048 - 0.10, abs=1e-6)
    assert surface.grade == pytest.approx(chord_rules(Settings()).min_grade_pct / 100.0 + 0.0002)
    assert surface.ground == pytest.approx(bush.terrain().z_m - 100.0)


@pytest.mark.parametrize(
    ("step", "stride", "step_m"),
    [(1.0, 1.0, 1.0), (3.0, 3.0, 3.0), (3.4, 3.0, 3.0), (0.5, 0.5, 0.5), (0.3, 1 / 3, 1 / 3), (0.9, 1.0, 1.0)],
)
def test_lattice_steps_are_whole_cells_or_whole_parts(step, stride, step_m):
    surface, base = lattice.make_surface(bush.terrain(), bush.ground(), Settings())
    made = lattice.make_lattice(bush.terrain(), surface, base, step)
    assert (made.stride, made.step_m) == (pytest.approx(stride), pytest.approx(step_m))
    rc = made.rowcol(np.flatnonzero(made.node_ok))
    assert rc.min() >= 0.0
    assert (rc <= [59.0, 79.0]).all()
    edge = made.node_ok.reshape(made.rows, made.cols)
    assert not edge[:2].any()
    assert not edge[-2:].any()
    assert not edge[:, :2].any()
    assert not edge[:, -2:].any()


def test_lateral_ceiling_of_trees_to_be_served():
    got = lattice.lateral_ceiling(bush.trees(), Settings(), 100.0)
    assert got[:3] == pytest.approx(bush.trees().ground_z_m[:3] + 1.8288 - 100.0)
    assert np.isnan(got[3:]).all()


# ---------------------------------------------------------------- chains


def state(down):
    return SimpleNamespace(down=np.array(down, dtype=np.int64))


FORK = state([-1, 0, 1, 2, 1, -2, -2, 0])  # in a row of cells: 0 <- 1 <- 2 <- 3, 1 <- 4, 0 <- 7


def test_upstream_metres_and_order():
    """One row: the step from 4 to 1 is three cells, from 7 to 0 seven."""
    assert chains.upstream_length(8, 2.0, FORK).tolist() == [26.0, 10.0, 2.0, 0, 0, 0, 0, 0]
    assert chains.topological(FORK) == [0, 1, 7, 2, 4, 3]
    assert chains.kids(FORK) == {0: [1, 7], 1: [2, 4], 2: [3]}


def test_lines_go_on_into_the_branch_with_most_upstream():
    made = chains.chains(8, 2.0, FORK)
    assert [(c.nodes, c.source) for c in made] == [([0, 1, 2, 3], 0), ([0, 7], 0)]
    assert [c.nodes for c in made[0].children] == [[1, 4]]
    assert made[1].children == []
    assert chains.chains(8, 2.0, state([-1, -2])) == []


@pytest.mark.parametrize(
    ("served", "coverable", "lift", "reason"),
    [(True, True, 0.0, ""), (False, True, 0.0, "NOT_WORTH_IT"), (False, True, math.nan, "NOT_WORTH_IT"),
     (False, False, math.nan, "OUT_OF_REACH"), (False, False, 0.3, "BELOW_OUTLET"), (False, False, 0.0, "NO_GRADE")],
)
def test_why_a_tree_is_left_out(served, coverable, lift, reason):
    """The first three are candidates; set-aside and untapped trees are never asked."""
    got = reasons(bush.trees(), np.full(5, lift), np.full(5, coverable), np.full(5, served))
    assert got == (reason,) * 3 + ("", "")


# ---------------------------------------------------------------- the curve of worths


def test_the_curve_is_scaled_so_that_the_row_of_the_set_worth_is_what_was_built():
    """Half the metres and nine tenths of the taps of the layout were built."""
    curve = ((3.0, 50, 100.0), (9.0, 100, 400.0), (15.0, 110, 600.0))
    assert report.curve_as_built(curve, 9.0, 90, 200.0) == ((3.0, 45, 50.0), (9.0, 90, 200.0), (15.0, 99, 300.0))


@pytest.mark.parametrize("curve", [(), ((3.0, 50, 100.0),), ((9.0, 0, 0.0),)])
def test_a_curve_without_a_built_row_stays_as_it_is(curve):
    assert report.curve_as_built(curve, 9.0, 90, 200.0) == curve
