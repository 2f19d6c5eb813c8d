"""A new way round blown ground: legal, no longer than it must be, and refused with the reason that holds."""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
import pytest
import shapely
from pipeline.replan.damage import assess
from pipeline.replan.detour import (
    Start,
    Way,
    _carry,
    _gentle,
    _Grid,
    _heading,
    _obstacles,
    _window,
    find,
)
from pipeline.replan.runs import runs_of
from shapely.geometry import LineString, Point, Polygon, box

import repair_scene as scene
from repair_scene import plan, site

NOTHING = Polygon()
MAIN = plan().mainlines[0]


def start_of(name: str, index: int) -> Start:
    line = next(m for m in plan().mainlines if m.mainline_id == name)
    s = line.supports[index]
    return Start(name, index, s.x_m, s.y_m, s.line_z_m, s.station_m)


def way(low: int, high: int, *, blocked=NOTHING, staying=(), starts=None, on=None, dead=frozenset()):
    """Return the way from one support of M1 to another, round what is blocked."""
    here = site(on=on)
    return find(
        here, starts=[start_of("M1", low)] if starts is None else starts,
        lines={m.mainline_id: m for m in here.plan.mainlines}, target=MAIN.supports[high], blocked=blocked,
        staying=staying, below_deg=None, above_deg=None, dead_trees=dead,
    )


def made(*args, **more) -> Way:
    got = way(*args, **more)
    assert isinstance(got, Way), got
    return got


def plan_m(got: Way) -> float:
    return float(np.hypot(*np.diff(got.xyz_m[:, :2], axis=0).T).sum())


def legal(got: Way, target) -> None:
    """Ask what must hold of every new stretch, from its vertices and the plane alone."""
    xyz, here = got.xyz_m, site()
    rules = here.plan.settings.mainlines
    run, rise = np.hypot(*np.diff(xyz[:, :2], axis=0).T), np.diff(xyz[:, 2])
    assert (run > 0.0).all()
    assert (rise / run * 100.0 >= rules.min_grade_pct - 1e-9).all()
    assert run.max() <= rules.max_support_gap_m + 1e-6
    assert tuple(xyz[-1]) == (target.x_m, target.y_m, target.line_z_m)
    assert tuple(xyz[0]) == (got.start.x_m, got.start.y_m, got.start.z_m)
    assert len(got.supports) == len(xyz) - 2
    assert got.length_m == pytest.approx(plan_m(got))
    share = np.linspace(0.0, 1.0, 41)
    for a, b in itertools.pairwise(xyz):
        points = a + (b - a) * share[:, None]
        height = points[:, 2] - here.terrain.sample(points[:, 0], points[:, 1])
        assert height.min() >= rules.lowest_m - 1e-6
        assert height.max() <= rules.highest_m + 1e-6


# ---------------------------------------------------------------- ways


@pytest.mark.parametrize(("low", "high"), [(4, 6), (4, 7), (2, 8), (0, 10)])
def test_with_nothing_in_the_way_it_is_the_straight_line(low, high):
    got = made(low, high)
    legal(got, MAIN.supports[high])
    assert plan_m(got) == pytest.approx(10.0 * (high - low), abs=0.05)
    assert [s.station_m for s in got.supports] == sorted(s.station_m for s in got.supports)


@pytest.mark.parametrize("half", [2.0, 5.0, 9.0])
def test_round_a_square_of_blown_ground_it_is_little_longer_than_the_taut_string(half):
    """The shortest way round a square is over two of its corners: a string pulled tight, plain geometry."""
    blown = box(50.0 - half, 65.0 - half, 50.0 + half, 65.0 + half)
    got = made(2, 10, blocked=blown)
    legal(got, MAIN.supports[10])
    assert LineString(got.xyz_m[:, :2]).distance(blown) > 0.0
    string = min(
        LineString([(50, 25), (50 + side * half, 65 - half), (50 + side * half, 65 + half), (50, 105)]).length
        for side in (-1, 1)
    )
    assert string - 1e-9 <= plan_m(got) <= string + 4.0


def test_it_keeps_off_lines_that_stay_and_off_blown_ground():
    wall = LineString([(50.0, 60.0), (80.0, 60.0)])
    got = made(2, 8, blocked=box(47.0, 50.0, 53.0, 58.0), staying=[wall])
    legal(got, MAIN.supports[8])
    line = LineString(got.xyz_m[:, :2])
    assert not line.intersects(wall)
    assert not line.intersects(box(47.0, 50.0, 53.0, 58.0))
    assert got.xyz_m[:, 0].min() < 47.0  # the east is shut by the wall


def test_no_go_ground_is_no_way():
    cost = np.ones((scene.ROWS, scene.COLS), np.float32)
    cost[50:60, 20:70] = np.inf  # from 60 to 70 m north
    got = made(2, 10, on=scene.ground(cost=cost))
    line = LineString(got.xyz_m[:, :2])
    assert line.intersection(box(20.0, 60.0, 70.0, 70.0)).length < 1e-9
    legal(got, MAIN.supports[10])


def test_of_two_supports_it_starts_at_the_one_with_the_shorter_way():
    starts = [start_of("M1", 1), start_of("M1", 4), start_of("M1.1", 3)]
    got = made(0, 7, starts=starts)
    assert (got.start.mainline_id, got.start.index) == ("M1", 4)
    assert got.foot_ground_z_m == pytest.approx(scene.ground_z(45.0), abs=0.02)


def test_supports_never_stand_at_a_fallen_tree():
    """T10 stands 1 m beside the straight line and holds it, unless it is dead."""
    held = {s.tree_id for s in made(4, 8).supports}
    dead = {s.tree_id for s in made(4, 8, dead=frozenset({"T10"})).supports}
    assert "T10" in held
    assert "T10" not in dead


# ---------------------------------------------------------------- refusals


@pytest.mark.parametrize(("args", "more", "why"), [
    ((4, 6), {"starts": []}, "nothing sound to drain to is near"),
    ((8, 6), {}, "nothing sound lies lower"), ((6, 6), {}, "nothing sound lies lower"),
    ((4, 6), {"blocked": Point(50.0, 65.5).buffer(0.3)}, "blown ground lies at its upper end"),
    ((4, 8), {"blocked": box(-10.0, 60.0, 120.0, 70.0)}, "no way on grade leads round the blown ground"),
    ((4, 8), {"blocked": Point(50, 45).buffer(9.0).difference(Point(50, 45).buffer(4.0))},
     "no way on grade leads round the blown ground"),
])
def test_what_stands_in_the_way_is_said(args, more, why):
    assert way(*args, **more) == why


def test_a_target_too_low_for_the_fall_has_no_way():
    """Support 6 hung 30 cm above support 4 is 1.5 % over 20 m: less than 2 %."""
    low = dataclasses.replace(MAIN.supports[6], line_z_m=MAIN.supports[4].line_z_m + 0.30)
    here = site()
    got = find(here, starts=[start_of("M1", 4)], lines={"M1": MAIN}, target=low, blocked=NOTHING, staying=(),
               below_deg=None, above_deg=None, dead_trees=frozenset())
    assert isinstance(got, str)


# ---------------------------------------------------------------- the pieces of the search


@pytest.mark.parametrize(("before", "after", "limit", "ok"), [
    (None, 10.0, 60.0, True), (10.0, None, 60.0, True), (0.0, 59.0, 60.0, True), (0.0, 59.1, 60.0, False),
    (170.0, -170.0, 60.0, True), (-170.0, 130.0, 60.0, False), (90.0, -90.0, 179.0, False), (350.0, 10.0, 30.0, True),
])
def test_a_bend_is_measured_the_short_way_round_with_a_degree_to_spare(before, after, limit, ok):
    assert _gentle(before, after, limit) == ok
    assert _gentle(after, before, limit) == ok


@pytest.mark.parametrize("turn", range(0, 360, 45))
def test_a_heading_is_counted_from_east_anticlockwise(turn):
    there = np.array([3.0 + 5.0 * math.cos(math.radians(turn)), 4.0 + 5.0 * math.sin(math.radians(turn))])
    assert math.cos(math.radians(_heading(np.array([3.0, 4.0]), there) - turn)) == pytest.approx(1.0)


def test_the_window_holds_starts_and_target_with_sixty_metres_round_them():
    grid = _window(site(), [start_of("M1", 4)], MAIN.supports[6])
    rows, cols = scene.terrain().shape
    assert (grid.row, grid.col) == (0, 0)
    assert grid.cost.shape == (rows, cols)  # 60 m on each side is more than there is
    assert _window(site(), [], MAIN.supports[6]) is None
    assert (grid.low_m < grid.high_m).all()


@pytest.mark.parametrize(("z", "grade"), [(105.0, 0.02), (106.2, 0.02), (106.2, 0.08), (107.5, 0.02), (109.0, 0.02)])
def test_the_lowest_line_over_a_piece_against_marching_it_by_hand(z, grade):
    """March along 20 m in half cells: never below the floor, always rising by the grade, dead above the ceiling."""
    here = site()
    grid = _window(here, [start_of("M1", 4)], MAIN.supports[8])
    a, b = np.array([50.0, 45.0]), np.array([50.0, 65.0])
    level, alive = z, True
    for k in range(1, 41):
        y = 45.0 + 0.5 * k
        row, col = (round(float(v)) for v in here.terrain.rowcol(50.0, y))
        level = max(level + grade * 0.5, float(grid.low_m[row, col]))
        alive = alive and (k == 40 or level <= float(grid.high_m[row, col]) + 1e-12)
    got = _carry(here, grid, a, b, z, grade)
    assert got == (pytest.approx(level, abs=1e-9) if alive else None)


def test_a_piece_over_closed_ground_cannot_be_hung():
    here = site()
    grid = _window(here, [start_of("M1", 4)], MAIN.supports[8])
    cost = grid.cost.copy()
    row, col = (round(float(v)) for v in here.terrain.rowcol(50.0, 55.0))
    cost[row - 1:row + 2, col] = np.inf
    shut = _Grid(grid.row, grid.col, grid.low_m, grid.high_m, cost)
    assert _carry(here, shut, np.array([50.0, 45.0]), np.array([50.0, 65.0]), 106.0, 0.02) is None
    assert _carry(here, shut, np.array([52.0, 45.0]), np.array([52.0, 65.0]), 106.0, 0.02) is not None


def test_lines_that_stay_are_open_at_both_ends_of_the_way():
    closed = _obstacles(start_of("M1", 4), MAIN.supports[8], box(40, 60, 42, 62),
                        [LineString([(50, 5), (50, 45)]), LineString([(50, 85), (50, 105)])])
    assert not closed.intersects(Point(50.0, 44.8))
    assert closed.intersects(Point(50.0, 44.0))
    assert not closed.intersects(Point(50.0, 85.2))
    assert closed.distance(Point(39.8, 61.0)) == 0.0  # a quarter of a metre round blown ground
    assert closed.distance(Point(39.7, 61.0)) > 0.0


# ---------------------------------------------------------------- as options of a case


def test_a_way_round_is_offered_where_the_ground_allows_one_and_its_ends_are_sound():
    here = site(("blown_area", box(47.0, 72.0, 53.0, 78.0)))
    assessment = assess(here)
    (run,) = runs_of(here, assessment)
    assert (run.low, run.high) == (6, 8)
    got = made(run.low, run.high, blocked=assessment.blown)
    legal(got, MAIN.supports[run.high])
    assert shapely.distance(LineString(got.xyz_m[:, :2]), assessment.blown) > 0.0
