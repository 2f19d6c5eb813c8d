"""String pulling of mainlines against every choice of points, and its fees, crossings and lost taps by hand."""

from __future__ import annotations

import dataclasses
import math
from itertools import combinations, pairwise

import numpy as np
import pytest
import shapely
from pipeline.mainlines import straighten
from pipeline.mainlines.chains import Chain
from pipeline.mainlines.lattice import make_lattice, make_surface
from pipeline.mainlines.lattice_kernel import Surface, segment
from pipeline.mainlines.straighten import Line, Puller, Start, bends_only, descendants, join_places, low_line
from pipeline.mainlines.straighten_kernel import (
    STEEP_FEE,
    Guests,
    bend_fee,
    clear_way,
    crosses,
    join_fee,
    pull,
    start_limits,
    taps_above,
    turn_deg,
)

from mainline_sites import formula, open_ground, quick

BEND_M, MOST_DEG, GRADE = 4.0, 60.0, 0.02
NOBODY = np.empty((0, 4))


def ground(rows=40, cols=40, *, z=0.0, high=60.0, low=0.8) -> Surface:
    flat = np.broadcast_to(np.float32(z), (rows, cols)).astype(np.float32)
    one = np.ones((rows, cols), np.float32)
    return Surface(flat, low * one, high * one, one.copy(), 1.0, GRADE)


def guests(points: int, rows=(), reach=5.0, grade=0.02, tap_m=10.0) -> Guests:
    """Return guests from (point, row, column, ceiling, taps)."""
    rows = sorted(rows)
    first = np.searchsorted([r[0] for r in rows], np.arange(points + 1)).astype(np.int64)
    cells = np.array([r[1:3] for r in rows], dtype=float).reshape(-1, 2)
    return Guests(cells, np.array([r[3] for r in rows], float), np.array([r[4] for r in rows], float), first, reach,
                  grade, tap_m)


# ---------------------------------------------------------------- fees


@pytest.mark.parametrize("seed", range(3))
def test_angles_between_directions_are_numpys(seed):
    for u, v in np.random.default_rng(seed).normal(size=(50, 2, 2)):
        wanted = np.degrees(np.arccos(np.clip(u @ v / np.linalg.norm(u) / np.linalg.norm(v), -1.0, 1.0)))
        assert turn_deg(*u, *v) == pytest.approx(wanted, abs=1e-6)
        assert turn_deg(*v, *u) == pytest.approx(wanted, abs=1e-6)


@pytest.mark.parametrize(("u", "v", "deg"), [
    ((1.0, 0.0), (2.0, 0.0), 0.0), ((1.0, 0.0), (-3.0, 0.0), 180.0), ((0.0, 0.0), (1.0, 1.0), 0.0),
    ((1.0, 1.0), (0.0, 0.0), 0.0), ((1.0, 0.0), (0.0, -2.0), 90.0),
])
def test_angles_by_hand_and_none_without_a_direction(u, v, deg):
    assert turn_deg(*u, *v) == pytest.approx(deg, abs=1e-6)


@pytest.mark.parametrize(("deg", "fee"), [
    (0.0, 0.0), (0.99, 0.0), (45.0, 6.0), (60.0, 4.0 * (0.5 + 60.0 / 45.0)), (70.0, 4.0 * (0.5 + 70.0 / 45.0) + 450.0),
])
def test_bends_cost_by_their_angle_and_dearly_over_the_limit(deg, fee):
    assert bend_fee(deg, BEND_M, MOST_DEG) == pytest.approx(fee)


@pytest.mark.parametrize(("deg", "fee"), [
    (0.0, 0.0), (45.0, 2.0), (75.0, 4.0 * 75.0 / 90.0 + 6.0), (100.0, 4.0 * 100.0 / 90.0 + 16.0 + STEEP_FEE * 0.5),
])
def test_joins_cost_more_the_less_they_go_with_the_flow(deg, fee):
    assert join_fee(deg, BEND_M, MOST_DEG) == pytest.approx(fee)


def test_fees_never_fall_with_the_angle():
    for fee in (bend_fee, join_fee):
        costs = [fee(float(deg), BEND_M, MOST_DEG) for deg in range(181)]
        assert costs == sorted(costs)


# ---------------------------------------------------------------- crossings, lost taps


@pytest.mark.parametrize("seed", range(4))
def test_crossing_lines_are_those_that_share_a_point_unless_they_lie_along_each_other(seed):
    rng = np.random.default_rng(seed)
    for _ in range(120):
        p, q = rng.integers(0, 6, (2, 2)).astype(float)
        other = rng.integers(0, 6, 4).astype(float)
        a, b = shapely.LineString([p, q]), shapely.LineString(other.reshape(2, 2))
        if a.length == 0.0 or b.length == 0.0:
            continue
        sides = [(q - p)[0] * (o - p)[1] - (q - p)[1] * (o - p)[0] for o in (other[:2], other[2:])]
        flat = sides == [0.0, 0.0]
        assert crosses(p, q, other[None]) is (bool(a.intersects(b)) and not flat)


def test_any_of_many_lines_may_be_the_one_that_is_crossed():
    others = np.array([[9.0, 9.0, 9.0, 12.0], [0.0, 5.0, 5.0, 0.0], [20.0, 20.0, 30.0, 30.0]])
    p, q = np.array([0.0, 0.0]), np.array([4.0, 4.0])
    assert crosses(p, q, others)
    assert not crosses(p, q, others[[0, 2]])
    assert not crosses(p, q, NOBODY)


def lost(s, who, p, q, first, last, z):
    """Return the taps lost on a run that a line arrives at with elevation z."""
    limit, taps = np.empty(who.taps.size), np.empty(who.taps.size)
    return taps_above(limit, taps, start_limits(s, who, p, q, first, last, limit, taps), z)


@pytest.mark.parametrize("seed", range(4))
def test_lost_taps_are_those_beyond_reach_or_below_the_line(seed):
    """The lowest line from the height of arrival is walked up to each tree's nearest place."""
    rng = np.random.default_rng(seed)
    s = ground(z=rng.uniform(0.0, 0.5, (40, 40)))
    rows = [(int(rng.integers(0, 6)), *rng.uniform(2.0, 38.0, 2), float(rng.uniform(0.8, 2.2)), int(rng.integers(1, 4)))
            for _ in range(40)]
    who = guests(6, rows, reach=6.0, grade=0.03)
    seen = set()
    for _ in range(10):
        p, q = rng.uniform(5.0, 35.0, (2, 2))
        line = shapely.LineString([p, q])
        for z in (0.0, 1.2, 1.5, 3.0):
            surest = most = 0.0
            for point, r, c, ceiling, taps in rows:
                at = line.project(shapely.Point(r, c))
                spot, d = line.interpolate(at), line.distance(shapely.Point(r, c))
                steps = np.linspace(0.0, at, 200)
                walked = [line.interpolate(v) for v in steps]
                low = np.array([segment(s, w.x, w.y, w.x, w.y)[0] for w in walked])
                height = max(z + GRADE * at, float((low + GRADE * (at - steps)).max())) + 0.03 * d
                assert spot.distance(shapely.Point(r, c)) == pytest.approx(d)
                if 2 <= point <= 4:
                    # the walk and the run sample the ground at other places
                    surest += taps * (d > 6.0 or height > ceiling + 0.03)
                    most += taps * (d > 6.0 or height > ceiling - 0.03)
            got = lost(s, who, p, q, 2, 4, z)
            assert surest <= got <= most
            seen.add(got)
    assert len(seen) > 5


def test_a_line_that_arrives_higher_loses_every_tap_a_lower_one_loses():
    who = guests(3, [(1, 10.0, 14.0, 1.5, 2), (2, 10.0, 18.0, 2.5, 3), (2, 10.0, 18.0, 0.5, 1)])
    p, q = np.array([10.0, 10.0]), np.array([10.0, 20.0])
    # flat at 0, lowest line 0.8 m: at 4 m a line from z is at z + 0.08, at 8 m at z + 0.16
    got = [lost(ground(), who, p, q, 1, 2, z) for z in (0.8, 1.41, 1.43, 2.33, 2.35)]
    assert got == [1.0, 1.0, 3.0, 3.0, 6.0]


def test_a_run_without_length_serves_from_its_one_place():
    who = guests(2, [(1, 10.0, 13.0, 9.0, 2), (1, 10.0, 16.0, 9.0, 3)])
    spot = np.array([10.0, 10.0])
    assert lost(ground(), who, spot, spot, 0, 1, 0.8) == 3.0


# ---------------------------------------------------------------- pulling


def best_by_trial(s, pts, starts, start_z, start_dir, others, must, closed, who, jump):
    """Return the least cost over every choice of points, walking each with its fees and its line."""
    best = math.inf
    last = len(pts) - 1
    for first in range(starts):
        for count in range(last - starts + 1):
            for middle in combinations(range(starts, last), count):
                chosen = (first, *middle, last)
                cost = _cost(s, pts, chosen, starts, start_z[first], start_dir[first], others, must, closed, who, jump)
                best = min(best, cost)
    return best


def _cost(s, pts, chosen, starts, z, direction, others, must, closed, who, jump):
    total, way = 0.0, direction
    for i, j in pairwise(chosen):
        hops = j - starts + 1 if i < starts else j - i
        skipped = range(max(i + 1, starts), j)
        if hops > jump + (i >= starts) or closed[j] or any(must[k] for k in skipped):
            return math.inf
        p, away = pts[i].copy(), float(np.hypot(*(pts[j] - pts[i])))
        if i < starts:
            if away < 1.0:
                return math.inf
            p += (pts[j] - p) * 0.5 / away
        if crosses(p, pts[j], others):
            return math.inf
        m, e, metres = segment(s, *pts[i], *pts[j])
        if not z <= e or not m < math.inf:
            return math.inf
        since = starts if i < starts else i + 1
        total += who.tap_m * lost(s, who, pts[i], pts[j], since, j, z)
        z = max(z + GRADE * away, m)
        turn = turn_deg(*way, *(pts[j] - pts[i]))
        total += metres + (join_fee if i < starts else bend_fee)(turn, BEND_M, MOST_DEG)
        way = pts[j] - pts[i]
    return total


def crooked(seed, count=7, starts=1):
    """Return a crooked path over ground rough enough that straight is not always best."""
    rng = np.random.default_rng(seed)
    begin = np.column_stack([np.full(starts, 3.0) + 2.0 * np.arange(starts), np.full(starts, 4.0)])
    path = np.cumsum(rng.uniform([1.0, 1.0], [6.0, 6.0], (count, 2)), axis=0) * 0.8 + begin[0]
    return np.vstack([begin, path]), rng


@pytest.mark.parametrize("seed", range(10))
@pytest.mark.parametrize("starts", [1, 2])
def test_the_pulled_line_is_the_cheapest_of_all_choices(seed, starts):
    """With a window that never binds the programme is exact: bends, joins, no-go, lost taps, forks held fast."""
    pts, rng = crooked(seed, starts=starts)
    n = len(pts)
    s = ground(z=rng.uniform(0.0, 0.3, (40, 40)))
    s.cost[:] = rng.uniform(1.0, 2.0, s.cost.shape)
    rows = [(int(rng.integers(starts, n)), *rng.uniform(3.0, 35.0, 2), 50.0, 1) for _ in range(5)]
    who = guests(n, rows, reach=8.0, tap_m=3.0)
    must, closed = np.zeros(n, np.int64), np.zeros(n, np.int64)
    must[starts + int(rng.integers(0, n - starts - 1))] = seed % 2
    closed[starts + int(rng.integers(0, n - starts - 1))] = 1
    must[closed == 1] = 0
    others = np.array([[pts[2, 0] + 1.0, pts[2, 1] - 2.0, pts[2, 0] + 2.5, pts[2, 1] - 0.5]])
    start_z = np.full(starts, 1.0) + 0.1 * np.arange(starts)
    start_dir = np.tile([1.0, 0.3], (starts, 1))
    given = (s, pts, starts, start_z, start_dir, others, must, closed, who)
    picked = pull(*given, 20, 6, BEND_M, MOST_DEG)
    wanted = best_by_trial(*given, 20)
    if math.isinf(wanted):
        assert picked.size == 0
    else:
        got = _cost(s, pts, picked.tolist(), starts, start_z[picked[0]], start_dir[picked[0]], others, must, closed,
                    who, 20)
        assert got == pytest.approx(wanted, abs=1e-6)
        assert picked[0] < starts
        assert picked[-1] == n - 1


@pytest.mark.parametrize("seed", range(8))
def test_where_the_window_binds_what_is_pulled_is_legal_and_near_the_best(seed):
    pts, rng = crooked(seed, 6)
    s = ground(z=rng.uniform(0.0, 0.9, (40, 40)), high=2.2)
    n = len(pts)
    zero, who = np.zeros(n, np.int64), guests(n)
    given = (s, pts, 1, np.array([1.3]), np.zeros((1, 2)), NOBODY, zero, zero, who)
    picked = pull(*given, 20, 12, BEND_M, MOST_DEG)
    wanted = best_by_trial(*given, 20)
    assert (picked.size > 0) is (wanted < math.inf)
    if picked.size:
        cost = _cost(s, pts, picked.tolist(), 1, 1.3, np.zeros(2), NOBODY, zero, zero, who, 20)
        assert wanted - 1e-6 <= cost < 1.2 * wanted


def test_a_straight_path_becomes_one_run_unless_a_point_must_stay_or_runs_are_short():
    pts = np.column_stack([np.full(9, 10.0), 2.0 + 2.0 * np.arange(9)])
    zero, who = np.zeros(9, np.int64), guests(9)
    given = (ground(), pts, 1, np.array([1.0]), np.zeros((1, 2)), NOBODY)
    assert pull(*given, zero, zero, who, 20, 6, BEND_M, MOST_DEG).tolist() == [0, 8]
    must = zero.copy()
    must[5] = 1
    assert 5 in pull(*given, must, zero, who, 20, 6, BEND_M, MOST_DEG)
    short = pull(*given, zero, zero, who, 3, 6, BEND_M, MOST_DEG)
    assert len(short) > 3
    assert np.diff(short).max() <= 4
    closed = zero.copy()
    closed[8] = 1
    assert pull(*given, zero, closed, who, 20, 6, BEND_M, MOST_DEG).size == 0


def test_a_place_too_near_the_join_is_no_first_support():
    """Within a metre of its join a line has no length to stand on."""
    pts = np.array([[10.0, 10.0], [10.0, 10.6], [10.0, 20.0]])
    zero = np.zeros(3, np.int64)
    must = np.array([0, 1, 0])
    given = (ground(), pts, 1, np.array([1.0]), np.zeros((1, 2)), NOBODY)
    assert pull(*given, zero, zero, guests(3), 9, 4, BEND_M, MOST_DEG).tolist() == [0, 2]
    assert pull(*given, must, zero, guests(3), 9, 4, BEND_M, MOST_DEG).size == 0


# ---------------------------------------------------------------- straightened lines


@pytest.fixture(scope="module")
def slope():
    """Return the lattice of a 6 % plane and its ground."""
    settings = quick()
    terrain = formula(lambda x, y: 100.0 + 0.06 * y, 120.0)
    land = open_ground(terrain, settings)
    surface, base = make_surface(terrain, land, settings)
    return make_lattice(terrain, surface, base, 4.0), land


def puller(slope, **change) -> Puller:
    lattice, land = slope
    made = Puller(lattice, BEND_M, MOST_DEG, {}, np.empty((0, 2)), np.empty(0), np.empty(0), 25.0, 0.02, 10.0,
                  land.support_blocked)
    return dataclasses.replace(made, **change)


def node(lattice, i, j):
    return i * lattice.cols + j


def test_a_line_lies_at_its_lowest_legal_elevation_at_every_vertex(slope):
    lattice, _ = slope
    s = lattice.surface
    rc = np.array([[50.0, 30.0], [40.0, 30.0], [40.0, 50.0]])  # 20 m up the plane, then 40 m level
    bottom = float(segment(s, *rc[0], *rc[0])[0])
    z = low_line(lattice, rc, bottom + 0.4)
    assert z[0] == bottom + 0.4
    assert z[1] == pytest.approx(max(bottom + 0.4 + s.grade * 20.0, bottom + 1.2), abs=1e-4)
    assert z[2] == pytest.approx(z[1] + s.grade * 40.0, abs=1e-4)
    assert low_line(lattice, rc[::-1], bottom + 9.0)[-1] == math.inf


@pytest.mark.parametrize(("rc", "kept"), [
    ([(0, 0), (0, 1), (0, 2)], [0, 2]), ([(0, 0), (1, 1), (2, 2), (2, 5)], [0, 2, 3]), ([(0, 0), (3, 1)], [0, 1]),
    ([(0, 0), (1, 0), (1, 1), (2, 1)], [0, 1, 2, 3]), ([(0, 0), (1, 2), (2, 4), (3, 6), (3, 7)], [0, 3, 4]),
])
def test_only_bends_stay_vertices(rc, kept):
    points = np.array(rc, dtype=float)
    assert np.array_equal(bends_only(points), points[kept])


def test_descendants_are_a_chain_and_all_its_branches_once():
    leaf, other = Chain([4, 5], 0), Chain([6, 7], 0)
    middle = Chain([2, 3], 0, [leaf])
    top = Chain([0, 1], 0, [middle, other])
    assert descendants(top) == [top, middle, other, leaf]
    assert descendants(leaf) == [leaf]


@pytest.mark.parametrize(("s", "place", "way"), [
    (0.0, (50.0, 30.0), (-10.0, 0.0)), (10.0, (45.0, 30.0), (-10.0, 0.0)), (20.0, (40.0, 30.0), (0.0, 20.0)),
    (60.0, (40.0, 50.0), (0.0, 20.0)),
])
def test_places_on_a_line_by_station(slope, s, place, way):
    lattice, _ = slope
    rc = np.array([[50.0, 30.0], [40.0, 30.0], [40.0, 50.0]])
    line = Line(rc, low_line(lattice, rc, float(segment(lattice.surface, *rc[0], *rc[0])[0])), 0.0, 0)
    assert line.stations(2.0) == pytest.approx([0.0, 20.0, 60.0])
    places, zs, ways = straighten.at_stations(lattice, line, np.array([s]))
    assert places[0] == pytest.approx(place)
    assert ways[0] == pytest.approx(way)
    assert zs[0] == pytest.approx(np.interp(s, line.stations(2.0), line.z), abs=1e-4)


@pytest.mark.parametrize(("fork", "low", "high"), [((45.0, 31.0), 2.0, 22.0), ((40.0, 40.0), 16.0, 52.0)])
def test_a_branch_may_join_from_a_slide_below_its_fork_to_half_a_slide_above(slope, fork, low, high):
    """Nothing within 2 m of the foot, every place on the line, vertices in place of places beside them."""
    lattice, _ = slope
    rc = np.array([[50.0, 30.0], [40.0, 30.0], [40.0, 50.0]])
    line = Line(rc, low_line(lattice, rc, float(segment(lattice.surface, *rc[0], *rc[0])[0])), 0.0, 0)
    start = join_places(puller(slope), line, np.array(fork))
    assert start.station.min() >= low - 1e-9
    assert start.station.max() <= high + 1e-9
    assert (20.0 in start.station) is (low <= 20.0 <= high)
    near = np.abs(start.station - 20.0)
    assert near[near > 0].min() > straighten.NEAR_VERTEX_M
    path = shapely.LineString(rc)
    assert all(path.distance(shapely.Point(p)) < 1e-9 for p in start.rc)


def test_no_branch_joins_where_no_support_may_stand(slope):
    lattice, land = slope
    rc = np.array([[50.0, 30.0], [20.0, 30.0]])
    line = Line(rc, low_line(lattice, rc, float(segment(lattice.surface, *rc[0], *rc[0])[0])), 0.0, 0)
    closed = land.support_blocked.copy()
    closed[30:45] = True
    free = join_places(puller(slope), line, np.array([40.0, 30.0]))
    some = join_places(puller(slope, closed=closed), line, np.array([40.0, 30.0]))
    assert len(some.station) < len(free.station)
    assert not ((some.rc[:, 0] > 29.5) & (some.rc[:, 0] < 44.5)).any()


def test_a_chain_is_laid_with_its_branch_on_it_and_crosses_nothing(slope):
    """A trunk up the plane, a branch across it; a wall of another line cuts the branch's way off."""
    lattice, _ = slope
    trunk = [node(lattice, i, 12) for i in range(26, 8, -1)]
    branch = [node(lattice, 18, 12), *(node(lattice, 18 - k // 2, 12 + k) for k in range(1, 10))]
    rc = lattice.rowcol(np.array(trunk[:1]))[0]
    start = Start(rc[None], np.array([float(segment(lattice.surface, *rc, *rc)[0])]), np.zeros((1, 2)), np.zeros(1))
    free = puller(slope)
    made = straighten.lay(free, Chain(trunk, trunk[0], [Chain(branch, trunk[0])]), start)
    assert made is not None
    assert made.lost == 0
    assert len(made.rc) == 2
    (child,) = made.children
    assert shapely.LineString(made.rc).distance(shapely.Point(child.rc[0])) < 1e-9
    assert child.join_m == pytest.approx(np.hypot(*(child.rc[0] - made.rc[0])) * lattice.surface.cell_m)
    for line in (made, child):
        assert np.diff(line.z).min() >= lattice.surface.grade * np.hypot(*np.diff(line.rc, axis=0).T).min() * 2.0 - 1e-6
    walled = puller(slope)
    side = lattice.rowcol(np.array([node(lattice, 2, 17), node(lattice, 27, 17)]))
    walled.laid.append(straighten.segments_of(side))
    blocked = straighten.lay(walled, Chain(trunk, trunk[0], [Chain(branch, trunk[0])]), start)
    assert blocked.lost == 1
    assert blocked.children == []


@pytest.mark.parametrize("seed", range(6))
def test_a_clear_way_meets_nothing_as_shapely_sees_it(seed):
    rng = np.random.default_rng(seed)
    seen = set()
    for _ in range(40):
        rc = rng.uniform(0.0, 30.0, (4, 2))
        walls = rng.uniform(0.0, 30.0, (2, 4))
        walls[:, 2:] = walls[:, :2] + rng.uniform(-9.0, 9.0, (2, 2))
        first = rc[1] - rc[0]
        from_join = np.vstack((rc[0] + first * 0.5 / np.hypot(*first), rc[1:]))
        meets = any(shapely.LineString(from_join).intersects(shapely.LineString(w.reshape(2, 2))) for w in walls)
        assert clear_way(rc, walls, 1.0) is not meets
        seen.add(meets)
    assert seen == {True, False}


def test_a_trial_is_taken_while_its_way_is_clear_and_pulled_anew_when_not(slope, monkeypatch):
    """The branch was tried before its sibling lay across the way."""
    lattice, _ = slope
    trunk = [node(lattice, i, 12) for i in range(26, 8, -1)]
    branch = Chain([node(lattice, 18, 12), *(node(lattice, 18 - k // 2, 12 + k) for k in range(1, 10))], trunk[0])
    rc = lattice.rowcol(np.array(branch.nodes[:1]))[0]
    start = Start(rc[None], np.array([float(segment(lattice.surface, *rc, *rc)[0])]), np.zeros((1, 2)), np.zeros(1))
    pulled: list[int] = []
    real = straighten.pull_chain
    monkeypatch.setattr(straighten, "pull_chain", lambda *a, **k: pulled.append(1) or real(*a, **k))
    trial = real(puller(slope), branch, start, set(), raw=False)
    assert straighten.lay(puller(slope), branch, start, trial) is trial
    assert pulled == []
    walled = puller(slope)
    walled.laid.append(straighten.segments_of(trial.rc[-1] + np.array([[-1.0, -2.0], [1.0, -2.0]])))
    assert straighten.lay(walled, branch, start, trial) is not trial
    assert pulled
