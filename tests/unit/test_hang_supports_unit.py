"""Building blocks of the choice of supports: paths, bends, trees beside a line, sides of crossings."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from pipeline.frame import Frame
from pipeline.hang import supports
from pipeline.hang.supports import Path, Stand, Stems
from pipeline.records import Ground, Trees
from pipeline.terrain.grid import Terrain
from scipy.spatial import cKDTree
from shapely.geometry import LineString, Point

LOCAL = Frame("", "local grid", "unknown")


def path(*xy):
    return supports.path_of(np.array(xy, dtype=float))


def stems(*xy):
    points = np.array(xy, dtype=float).reshape(-1, 2)
    return Stems(tuple(f"T{i}" for i in range(len(points))), points,
                 cKDTree(points if len(points) else np.zeros((1, 2))))


def post(s, must=False):
    return Stand(float(s), "post", must=must)


def tree(s, name="T", off=0.5):
    return Stand(float(s), "tree", name, off)


# ---------------------------------------------------------------- path


def test_stations_are_plan_lengths():
    made = path((0, 0), (3, 4), (3, 10))
    assert made.station_m.tolist() == [0.0, 5.0, 11.0]
    assert made.length_m == 11.0
    assert [float(v) for v in made.at(8.0)] == [3.0, 7.0]


@pytest.mark.parametrize(
    ("xy", "kept"),
    [
        ([(0, 0), (10, 0)], [0, 1]),
        ([(0, 0), (5, 0), (10, 0)], [0, 2]),
        ([(0, 0), (5, 0.00005), (10, 0)], [0, 2]),
        ([(0, 0), (5, 0.001), (10, 0)], [0, 1, 2]),
        ([(0, 0), (5, 5), (10, 0)], [0, 1, 2]),
        ([(0, 0), (2, 0), (4, 0), (4, 3), (4, 6)], [0, 2, 4]),
    ],
)
def test_only_bends_are_kept(xy, kept):
    xy = np.array(xy, dtype=float)
    assert np.array_equal(supports.bends_only(xy), xy[kept])


@pytest.mark.parametrize(
    ("last", "turn"),
    [((20, 0), 0.0), ((10, 10), 90.0), ((10, -10), 90.0), ((20, 10), 45.0), ((0, 0), 180.0), ((0, 10), 135.0)],
)
def test_turn_at_a_vertex(last, turn):
    got = supports.bend_deg(path((0, 0), (10, 0), last))
    assert got == pytest.approx([0.0, turn, 0.0], abs=1e-9)


def test_a_turn_across_south_is_small():
    """Headings 179 and -179 degrees differ by 2, not by 358."""
    a, b = (math.radians(v) for v in (179.0, 181.0))
    made = path((0, 0), (math.sin(a), math.cos(a)), (math.sin(a) + math.sin(b), math.cos(a) + math.cos(b)))
    assert supports.bend_deg(made)[1] == pytest.approx(2.0)


# ---------------------------------------------------------------- trees


@pytest.mark.parametrize(
    ("delta", "offset"), [((0.0, -2.0), 2.0), ((0.0, 2.0), -2.0), ((0.6, -0.8), 1.0), ((0.6, 0.8), -1.0)]
)
def test_offset_is_positive_to_the_right_looking_up_the_line(delta, offset):
    """Heading east, the right hand is south."""
    assert supports._offset(np.array([1.0, 0.0]), np.array(delta)) == pytest.approx(offset)


@pytest.mark.parametrize(
    ("reach", "wanted"), [(1.0, ("", 0.0)), (1.5, ("T0", -1.2)), (5.0, ("T0", -1.2))]
)
def test_nearest_tree_within_reach(reach, wanted):
    name, off = supports.tree_at(path((0, 0), (10, 0)), 4.0, stems((4.0, 1.2), (4.0, -3.0)), reach)
    assert (name, round(off, 9)) == wanted


def test_no_trees_at_all_hold_nothing():
    assert supports.tree_at(path((0, 0), (10, 0)), 4.0, stems(), 5.0) == ("", 0.0)
    assert supports._trees_beside(path((0, 0), (10, 0)), stems(), 5.0) == []


def test_the_side_of_a_tree_is_that_of_the_leg_above_the_vertex():
    made = path((0, 0), (10, 0), (10, 10))
    name, off = supports.tree_at(made, 10.0, stems((11.0, 0.0)), 2.0)
    assert (name, off) == ("T0", 1.0)  # heading north, east is right


@pytest.mark.parametrize("seed", range(6))
def test_trees_beside_a_line_against_shapely(seed):
    """Every leg by itself: a tree counts where its foot lies inside the leg and its distance is within reach."""
    rng = np.random.default_rng(seed)
    made = path(*rng.uniform(0.0, 60.0, (4, 2)))
    xy = rng.uniform(0.0, 60.0, (80, 2))
    got = sorted((s.tree_id, round(s.station_m, 6), round(s.offset_m, 6))
                 for s in supports._trees_beside(made, stems(*xy), 4.0))
    wanted = []
    for i in range(3):
        leg = LineString(made.xy_m[i: i + 2])
        for k, p in enumerate(xy):
            along = leg.project(Point(p))
            if 1e-9 < along < leg.length - 1e-9 and leg.distance(Point(p)) <= 4.0:
                foot = np.array(leg.interpolate(along).coords[0])
                ahead = made.xy_m[i + 1] - made.xy_m[i]
                right = np.cross([*(p - foot), 0.0], [*ahead, 0.0])[2] > 0.0
                wanted.append((f"T{k}", round(float(made.station_m[i]) + along, 6),
                               round(leg.distance(Point(p)) * (1 if right else -1), 6)))
    assert got == sorted(wanted)


def stand_of_trees(**change):
    n = 4
    base = Trees(tuple(f"T{i}" for i in range(n)), np.array([1.0, 2.0, 3.0, 4.0]), np.full(n, 5.0), np.zeros(n),
                 ("maple",) * n, np.full(n, 30.0), np.ones(n, np.int64), ("served",) * n, ("",) * n, ("",) * n)
    return dataclasses.replace(base, **change)


def place():
    z = np.full((10, 10), 100.0, np.float32)
    none = np.zeros((10, 10), dtype=np.bool_)
    return Terrain(z, 0.5, 9.5, 1.0, LOCAL, 0.1, "flat"), Ground(
        np.ones((10, 10), np.float32), z * 0, z * 0 + 3, none.copy(), none.copy(), (), ())


@pytest.mark.parametrize(
    ("change", "kept"),
    [
        ({}, "0123"),
        ({"dbh_cm": np.array([9.9, 10.0, np.nan, 30.0])}, "123"),
        ({"x_m": np.array([1.0, np.nan, 3.0, 4.0])}, "023"),
        ({"y_m": np.array([np.inf, 5.0, 5.0, 5.0])}, "123"),
        ({"reason": ("TOO_SMALL", "SPECIES", "NO_LATERAL", "NOT_WORTH_IT")}, "0123"),
        ({"reason": ("DEAD", "DUPLICATE", "BAD_POSITION", "")}, "3"),
        ({"reason": ("OUTSIDE_PROPERTY", "OFF_TERRAIN", "NO_GROUND", "NO_GO")}, "3"),
    ],
)
def test_which_trees_can_hold_a_line(change, kept):
    got = supports.stems_of(stand_of_trees(**change), *place())
    assert got.tree_id == tuple(f"T{c}" for c in kept)
    assert len(got.xy_m) == len(kept)


def test_trees_on_blocked_ground_hold_nothing():
    land, soil = place()
    soil.support_blocked[:, 2] = True  # x from 2 to 3, edges included
    assert supports.stems_of(stand_of_trees(), land, soil).tree_id == ("T0", "T3")
    soil.support_blocked[:] = True
    none = supports.stems_of(stand_of_trees(), land, soil)
    assert none.tree_id == ()
    assert none.xy_m.shape == (0, 2)


# ---------------------------------------------------------------- fixed stands and crossings


def test_ends_bends_and_joins_have_no_choice():
    made = path((0, 0), (10, 0), (10, 10), (12, 20))
    got = supports._fixed(made, [25.0, 4.0, 10.0004], stems(), 2.0)
    assert [(round(s.station_m, 3), s.kind) for s in got] == [
        (0.0, "anchor"), (4.0, "post"), (10.0, "anchor"), (20.0, "post"), (25.0, "post"), (30.198, "anchor")]
    assert all(s.must for s in got)


def test_a_tree_at_a_join_holds_it_and_an_anchor_keeps_its_tree():
    got = supports._fixed(path((0, 0), (10, 0)), [4.0], stems((4.0, 1.0), (0.0, -1.0)), 2.0)
    assert [(s.kind, s.tree_id, s.offset_m) for s in got] == [
        ("anchor", "T1", 1.0), ("tree", "T0", -1.0), ("anchor", "", 0.0)]


@pytest.mark.parametrize(
    ("shut", "longest", "wanted"),
    [
        ("..##..##..", 12.0, "..######.."),  # an island of half a metre is part of the crossing
        ("..##..##..", 3.5, "..##..##.."),  # but not where no span would reach over: 8 samples of 0.25 m and 3 m
        ("##.........##", 30.0, "##.........##"),  # 2.25 m of open ground is no island
        ("##........##", 30.0, "############"),  # 2 m is
        ("..........", 12.0, ".........."),
        ("..###.....", 12.0, "..###....."),
        ("#.#.#.#", 30.0, "#######"),
    ],
)
def test_small_islands_in_a_crossing_are_shut(shut, longest, wanted):
    mask = np.array([c == "#" for c in shut])
    got = supports._filled(mask, longest)
    assert "".join("#" if v else "." for v in got) == wanted
    assert "".join("#" if v else "." for v in mask) == shut


GRID = np.arange(0.0, 20.25, 0.25)


def sides(low, high, beside=(), fixed=()):
    shut = (low - 1e-9 < GRID) & (high + 1e-9 > GRID)
    return sorted(supports._sides(GRID, shut, beside, fixed), key=lambda s: s.station_m)


def test_a_post_on_each_edge_of_a_crossing():
    got = sides(8.0, 10.0)
    assert [(s.station_m, s.kind, s.must) for s in got] == [(7.75, "post", True), (10.25, "post", True)]


def test_trees_close_to_the_edges_stand_for_posts():
    got = sides(8.0, 10.0, [tree(6.0), tree(6.5, "A"), tree(7.0, "B"), tree(11.75, "C"), tree(11.8, "D")])
    assert [(s.station_m, s.tree_id, s.must) for s in got] == [(7.0, "B", True), (11.75, "C", True)]


@pytest.mark.parametrize(("at", "left"), [(7.75, 1), (6.25, 1), (6.2, 2), (7.9, 2)])
def test_a_bend_close_to_the_edge_is_the_support(at, left):
    assert len(sides(8.0, 10.0, (), [post(at)])) == left


def test_two_crossings_close_together_share_the_support_between():
    shut = ((GRID >= 5.0) & (GRID <= 6.0)) | ((GRID >= 6.75) & (GRID <= 8.0))
    got = sorted(s.station_m for s in supports._sides(GRID, shut, (), ()))
    assert got == [4.75, 6.5, 8.25]


def test_a_crossing_up_to_the_end_has_one_side():
    assert [s.station_m for s in sides(15.0, 20.0)] == [14.75]
    assert [s.station_m for s in sides(0.0, 5.0)] == [5.25]
    assert sides(0.0, 20.0) == []


# ---------------------------------------------------------------- thinning, prices, even posts


@pytest.mark.parametrize(
    ("own", "kept"),
    [(0.5, False), (0.6, True), (9.5, False), (9.3, True), (5.0, True), (10.0, False), (10.5, False)],
)
def test_what_stands_on_top_of_a_fixed_support_goes(own, kept):
    got = supports._thin_out([post(0, must=True), post(10, must=True)], [tree(own)])
    assert len(got) == (3 if kept else 2)
    assert [s.station_m for s in got] == sorted(s.station_m for s in got)


def test_at_one_station_trees_come_first_and_the_nearer_first():
    got = supports._thin_out([post(0, must=True)], [post(5), tree(5, "B", -2.0), tree(5, "A", 1.0), tree(5, "C", 2.0)])
    assert [s.tree_id for s in got[1:]] == ["A", "B", "C", ""]


@pytest.mark.parametrize(
    ("stand", "reach", "price"),
    [(post(1), 2.0, 3.0), (tree(1, off=0.0), 2.0, 1.0), (tree(1, off=2.0), 2.0, 1.3), (tree(1, off=-1.0), 2.0, 1.15),
     (tree(1, off=0.0), 0.0, 1.0), (Stand(1.0, "anchor", "", 0.0), 2.0, 1.0)],
)
def test_price_of_a_support(stand, reach, price):
    """A post 3; a tree 1 and up to 0.3 more the farther it stands."""
    assert supports._price(stand, reach) == pytest.approx(price)


@pytest.mark.parametrize(
    ("stations", "longest", "between"),
    [((0, 10), 12.0, []), ((0, 12), 12.0, []), ((0, 13), 12.0, [6.5]), ((0, 24), 12.0, [12.0]),
     ((0, 25), 12.0, [25 / 3, 50 / 3]), ((0, 13, 20), 12.0, [6.5]),
     ((0, 13, 39), 12.0, [6.5, 13 + 26 / 3, 13 + 52 / 3])],
)
def test_posts_part_the_way_evenly_and_no_more_than_needed(stations, longest, between):
    got = supports._even([post(s) for s in stations], [], longest)
    assert [s.station_m for s in got] == pytest.approx(between)
    assert all(s.kind == "post" and not s.must for s in got)


@pytest.mark.parametrize(("s", "index"), [(0.0, 0), (0.12, 0), (0.13, 1), (9.9, 40), (10.0, 40), (99.0, 40), (-5.0, 0)])
def test_nearest_place_on_a_grid(s, index):
    assert supports._nearest(np.linspace(0.0, 10.0, 41), s) == index


@pytest.mark.parametrize(
    ("z", "wanted"),
    [
        ([1.0, np.nan, 3.0], [1.0, 2.0, 3.0]), ([np.nan, 2.0, 3.0], [2.0, 2.0, 3.0]),
        ([1.0, 2.0, np.nan], [1.0, 2.0, 2.0]), ([np.nan] * 3, [0.0] * 3), ([1.0, 2.0, 3.0], [1.0, 2.0, 3.0]),
    ],
)
def test_holes_in_the_ground_are_bridged(z, wanted):
    assert supports._bridged(np.array([0.0, 5.0, 10.0]), np.array(z)).tolist() == wanted


def test_a_path_is_a_plain_record():
    made = Path(np.zeros((2, 2)), np.array([0.0, 7.5]))
    assert made.length_m == 7.5
