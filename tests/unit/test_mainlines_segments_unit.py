"""Straight segments, lattice moves, lowest lines and covers of the mainline search against plain Python."""

from __future__ import annotations

import math

import networkx as nx
import numpy as np
import pytest
from pipeline.mainlines import cover_kernel, lattice_kernel, reach_kernel, state_kernel
from pipeline.mainlines.lattice_kernel import BACK, DC, DR, MOVES, Surface, profile, segment, unblocked
from scipy.ndimage import map_coordinates

GRADE = 0.02


def surface(z, *, low=0.8, high=3.0, cost=1.0, cell=1.0, grade=GRADE) -> Surface:
    z = np.asarray(z, dtype=np.float32)
    return Surface(
        z, np.full(z.shape, low, np.float32), np.full(z.shape, high, np.float32),
        np.broadcast_to(np.float32(cost), z.shape).astype(np.float32), cell, grade,
    )


def plane(rows=30, cols=30, per_row=0.0, per_col=0.0):
    r, c = np.indices((rows, cols))
    return 10.0 + per_row * r + per_col * c


def rough(seed, rows=24, cols=24, amplitude=0.6):
    rng = np.random.default_rng(seed)
    return plane(rows, cols, -0.05, 0.03) + amplitude * rng.standard_normal((rows, cols))


def arcs(s, rows, cols, row0, col0, stride, ok, cuts=(0,)):
    """Return m, e, cost and the m without an upper end of every move, rows filled in spans from each of the cuts on."""
    fill = (np.inf, -np.inf, np.inf, np.inf)
    out = tuple(np.full((rows * cols, MOVES), one, dtype=np.float32) for one in fill)
    for first, last in zip(cuts, (*cuts[1:], rows), strict=True):
        lattice_kernel.ways(s, rows, cols, row0, col0, stride, ok, first, last, *out)
    return out


def along(ends, count):
    """Return rows and columns of even places along a segment."""
    (r0, c0), (r1, c1) = ends
    t = np.linspace(0.0, 1.0, count)
    return r0 + (r1 - r0) * t, c0 + (c1 - c0) * t


# ---------------------------------------------------------------- one segment


@pytest.mark.parametrize(("ends", "run"), [
    (((5.0, 5.0), (5.0, 15.0)), 10.0), (((5.0, 5.0), (8.0, 9.0)), 5.0), (((2.0, 3.0), (14.0, 8.0)), 13.0),
])
@pytest.mark.parametrize("cell", [0.5, 1.0, 2.0])
def test_on_level_ground_a_line_leaves_at_the_grade_and_may_begin_so_much_lower(ends, run, cell):
    m, e, cost = segment(surface(plane(), cell=cell), *ends[0], *ends[1])
    assert m == pytest.approx(10.8 + GRADE * run * cell, abs=1e-5)
    assert e == pytest.approx(13.0 - GRADE * run * cell, abs=1e-5)
    assert cost == pytest.approx(run * cell, rel=1e-9)


@pytest.mark.parametrize(("slope", "m_end", "e"), [
    (0.10, 10.8 + 0.10 * 20.0, 13.0),  # ground rises faster than the grade: it alone counts
    (0.01, 10.8 + 0.02 * 20.0, 13.0 + (0.01 - 0.02) * 20.0),  # the grade counts
])
def test_up_a_plane_the_steeper_of_ground_and_grade_counts(slope, m_end, e):
    got_m, got_e, _ = segment(surface(plane(per_col=slope)), 5.0, 0.0, 5.0, 20.0)
    assert (got_m, got_e) == (pytest.approx(m_end, abs=1e-4), pytest.approx(e, abs=1e-4))


@pytest.mark.parametrize("slope", [-0.20, -0.10])
def test_ground_that_falls_under_a_rising_line_takes_it_out_of_its_window(slope):
    """Window 2.2 m wide; the line rises 0.02 and the ground falls `slope` a metre."""
    longest = 2.2 / (GRADE - slope)
    s = surface(plane(40, 40, per_col=slope))
    assert segment(s, 5.0, 0.0, 5.0, longest - 0.3)[0] < math.inf
    assert segment(s, 5.0, 0.0, 5.0, longest + 0.3) == (math.inf, -math.inf, math.inf)


@pytest.mark.parametrize("ends", [
    ((-1.0, 3.0), (5.0, 3.0)), ((5.0, -0.6), (5.0, 4.0)), ((5.0, 5.0), (5.0, 29.6)), ((28.0, 5.0), (29.6, 5.0)),
])
def test_nothing_may_leave_the_raster(ends):
    assert segment(surface(plane()), *ends[0], *ends[1])[0] == math.inf


@pytest.mark.parametrize("ends", [((5.0, -0.5), (5.0, 5.0)), ((-0.5, 5.0), (5.0, 5.0)), ((29.4, 2.0), (20.0, 2.0))])
def test_half_a_cell_beyond_the_outer_centres_is_still_raster(ends):
    assert segment(surface(plane()), *ends[0], *ends[1])[0] < math.inf


@pytest.mark.parametrize("what", ["closed", "no ground"])
def test_one_bad_cell_on_the_way_closes_a_segment_and_beside_it_does_not(what):
    s = surface(plane())
    if what == "closed":
        s.cost[10, 10] = np.inf
    else:
        s.ground[10, 10] = np.nan
    assert segment(s, 10.0, 2.0, 10.0, 20.0)[0] == math.inf
    assert segment(s, 2.0, 10.0, 20.0, 10.0)[0] == math.inf
    assert segment(s, 12.0, 2.0, 12.0, 20.0)[0] < math.inf


def test_cost_is_the_integral_of_the_cost_of_a_metre():
    """Half the way at 1, half at 3, the border on a cell's edge."""
    s = surface(plane(per_col=0.02))
    s.cost[:, 15:] = 3.0
    assert segment(s, 5.0, 9.5, 5.0, 19.5)[2] == pytest.approx(5.0 * 1.0 + 5.0 * 3.0, abs=0.5)
    assert segment(s, 5.0, 2.0, 5.0, 12.0)[2] == pytest.approx(10.0)


@pytest.mark.parametrize("seed", range(8))
def test_lowest_line_and_latest_start_are_the_maximum_and_minimum_over_the_way(seed):
    """With scipy's bilinear ground: m = max(L + q (length - s)), e = min(H - q s) over the same stations."""
    rng = np.random.default_rng(seed)
    z = rough(seed)
    s = surface(z, low=0.8, high=50.0)
    for _ in range(15):
        ends = rng.uniform(1.0, 22.0, (2, 2))
        cells = float(np.hypot(*(ends[1] - ends[0])))
        count = max(1, math.ceil(cells * lattice_kernel.SAMPLES_PER_CELL)) + 1
        ground = map_coordinates(z.astype(np.float32).astype(float), along(ends, count), order=1)
        at = np.linspace(0.0, cells, count)
        m, e, cost = segment(s, *ends[0], *ends[1])
        assert m == pytest.approx(float(np.max(ground + 0.8 + GRADE * (cells - at))), abs=1e-4)
        assert e == pytest.approx(float(np.min(ground + 50.0 - GRADE * at)), abs=1e-4)
        assert cost == pytest.approx(cells)


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("high", [2.0, 6.0])
def test_a_line_walked_step_by_step_agrees_with_the_two_numbers_of_its_segment(seed, high):
    """What arrives at or below e leaves at max(z + rise, m); what arrives above it leaves its window."""
    rng = np.random.default_rng(100 + seed)
    s = surface(rough(seed, amplitude=0.25), low=0.8, high=high)
    seen = {True: 0, False: 0}
    for _ in range(60):
        a, b = rng.uniform(1.0, 22.0, (2, 2))
        m, e, _ = segment(s, *a, *b)
        if not m < math.inf:
            continue
        run = float(np.hypot(*(b - a)))
        bottom = float(segment(s, *a, *a)[0])
        for z0 in (bottom, e - 0.01, e + 0.01):
            if z0 < bottom:
                continue
            last = profile(s, *a, *b, z0, 1)[-1]
            legal = z0 <= e
            seen[legal] += 1
            if legal:
                assert last == pytest.approx(max(z0 + GRADE * run, m), abs=1e-6)
            else:
                assert last == math.inf
    assert min(seen.values()) > 5


def test_a_profile_ends_where_the_line_leaves_its_window():
    """Ground falls 0.1 a metre from 30 m on, the line rises 0.02, the window is 2.2 m wide."""
    z = plane(10, 60)
    z[:, 30:] -= 0.1 * np.arange(30)
    line = profile(surface(z), 5.0, 0.0, 5.0, 50.0, 10.8, 50)
    assert line[:30] == pytest.approx(10.8 + GRADE * np.arange(30), abs=1e-4)
    last = int(np.flatnonzero(np.isfinite(line))[-1])
    assert np.isinf(line[last + 1:]).all()
    # highest 13 - 0.1 (s - 30), line 10.8 + 0.02 s
    assert last == math.floor((13.0 + 0.1 * 30.0 - 10.8) / 0.12) == 43


@pytest.mark.parametrize(("ends", "free"), [
    (((0.0, 0.0), (0.0, 9.0)), True), (((4.0, 0.0), (4.0, 9.0)), False), (((0.0, 0.0), (9.0, 9.0)), False),
    (((0.0, 4.0), (9.0, 4.0)), False), (((3.4, 0.0), (3.4, 9.0)), True), (((3.6, 0.0), (3.6, 9.0)), False),
    (((2.0, 2.0), (2.0, 2.0)), True), (((4.0, 4.0), (4.0, 4.0)), False), (((5.0, 5.0), (5.0, 12.0)), False),
])
def test_a_blocked_cell_is_met_within_half_a_cell_of_its_centre(ends, free):
    mask = np.zeros((10, 10), dtype=np.bool_)
    mask[4, 4] = True
    assert unblocked(mask, *ends[0], *ends[1]) is free


# ---------------------------------------------------------------- the moves of a lattice


def test_sixteen_moves_are_the_neighbours_and_the_knights_and_turn_into_their_opposites():
    moves = set(zip(DR.tolist(), DC.tolist(), strict=True))
    wanted = {(r, c) for r in range(-2, 3) for c in range(-2, 3) if r * r + c * c in (1, 2, 5)}
    assert moves == wanted
    assert len(DR) == lattice_kernel.MOVES == 16
    assert {(-r, -c) for r, c in moves} == moves


@pytest.mark.parametrize("cols", [7, 40])
def test_flanks_of_a_move_are_the_two_nodes_nearest_its_middle(cols):
    offset, side_a, side_b, run = state_kernel.move_tables(cols, 3.0)
    nodes = [(r, c) for r in range(-2, 3) for c in range(-2, 3)]
    for k in range(16):
        r, c = int(DR[k]), int(DC[k])
        assert offset[k] == r * cols + c
        assert run[k] == pytest.approx(3.0 * math.hypot(r, c))
        away = sorted((math.hypot(a - r / 2.0, b - c / 2.0), a * cols + b) for a, b in nodes)
        if k < 4:
            assert side_a[k] == side_b[k] == 0
        elif k < 8:  # the two corners beside a diagonal
            assert {int(side_a[k]), int(side_b[k])} == {r * cols, c}
        else:
            assert {int(side_a[k]), int(side_b[k])} == {away[0][1], away[1][1]}


def test_every_move_has_its_move_back():
    assert [(int(DR[k]), int(DC[k])) for k in BACK] == [(-int(r), -int(c)) for r, c in zip(DR, DC, strict=True)]


@pytest.mark.parametrize("stride", [1.0, 2.0, 0.4])
@pytest.mark.parametrize("cuts", [(0,), (0, 3, 4)])
def test_moves_are_the_segments_between_open_nodes_and_nothing_else(stride, cuts):
    """Both directions come of one pass over the ground, whole or in spans of rows; each as the segment alone has it."""
    s = surface(rough(3, 16, 16, 0.8))
    s.cost[9, 7] = np.inf
    rows = cols = int(min(15 / stride, 12)) + 1
    ok = np.ones(rows * cols, dtype=np.bool_)
    ok[cols + 2] = False
    m, e, cost, free = arcs(s, rows, cols, 0.0, 0.0, stride, ok, cuts)
    high = s._replace(high=np.full_like(s.high, np.inf))
    closed = int((np.isinf(m) & np.isfinite(free)).sum())
    assert closed > 0 or stride < 1.0
    for a in range(rows * cols):
        i, j = divmod(a, cols)
        for k in range(16):
            bi, bj = i + DR[k], j + DC[k]
            inside = 0 <= bi < rows and 0 <= bj < cols and ok[a] and ok[bi * cols + bj]
            wanted = segment(s, i * stride, j * stride, bi * stride, bj * stride) if inside else (
                math.inf, -math.inf, math.inf)
            assert (m[a, k], e[a, k], cost[a, k]) == pytest.approx(wanted, abs=1e-4)
            lone = segment(high, i * stride, j * stride, bi * stride, bj * stride)[0] if inside else math.inf
            assert free[a, k] == pytest.approx(lone, abs=1e-4)


# ---------------------------------------------------------------- the lowest line anywhere


def relaxed(rows, cols, grade, run, m, e, source, source_z):
    """Return the lowest line per node by relaxing every move until nothing changes (Bellman and Ford's way)."""
    z = np.full(rows * cols, np.inf)
    for a, za in zip(source, source_z, strict=True):
        z[a] = min(z[a], za)
    changed = True
    while changed:
        changed = False
        for a in np.flatnonzero(np.isfinite(z)).tolist():
            for k in range(16):
                if z[a] > e[a, k]:
                    continue
                b = a + int(DR[k]) * cols + int(DC[k])
                new = max(z[a] + grade * run[k], float(m[a, k]))
                if new < z[b] - 1e-12:
                    z[b], changed = new, True
    return z


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("high", [1.6, 30.0])
def test_lowest_lines_are_those_of_plain_relaxation(seed, high):
    rng = np.random.default_rng(seed)
    rows = cols = 11
    s = surface(rough(seed, rows, cols, 0.15), high=high)
    ok = rng.random(rows * cols) > 0.1
    source = rng.choice(np.flatnonzero(ok), 2, replace=False).astype(np.int64)
    m, e, _, _ = arcs(s, rows, cols, 0.0, 0.0, 1.0, ok)
    run = np.hypot(DR, DC)
    start = np.array([float(s.ground.ravel()[a]) + 0.9 for a in source])
    got = reach_kernel.reach(rows, cols, GRADE, run, m, e, source, start)
    wanted = relaxed(rows, cols, GRADE, run, m, e, source, start)
    assert np.array_equal(np.isfinite(got), np.isfinite(wanted))
    assert got[np.isfinite(got)] == pytest.approx(wanted[np.isfinite(got)], abs=1e-9)
    if high > 10.0:
        graph = nx.Graph()
        graph.add_nodes_from(np.flatnonzero(ok).tolist())
        graph.add_edges_from((a, a + int(DR[k]) * cols + int(DC[k])) for a in range(rows * cols) for k in range(16)
                             if m[a, k] < math.inf)
        reached = set().union(*(nx.node_connected_component(graph, int(a)) for a in source))
        assert set(np.flatnonzero(np.isfinite(got)).tolist()) == reached


def test_of_two_sources_at_one_node_the_lower_counts():
    m, e, _, _ = arcs(surface(plane(6, 6)), 6, 6, 0.0, 0.0, 1.0, np.ones(36, np.bool_))
    z = reach_kernel.reach(6, 6, GRADE, np.hypot(DR, DC), m, e, np.array([14, 14]), np.array([12.0, 11.0]))
    assert z[14] == 11.0
    assert z[15] == pytest.approx(11.0 + GRADE)


# ---------------------------------------------------------------- whom a node can serve


def served_pairs(tree, ceiling, reach, grade, rows, cols, stride, lowest, blocked):
    out = set()
    for t, (r, c) in enumerate(tree):
        for a in range(rows * cols):
            i, j = divmod(a, cols)
            d = math.hypot(i * stride - r, j * stride - c)
            z = ceiling[t] - grade * d
            fits = math.isfinite(ceiling[t]) and d <= reach and lowest[a] <= z
            if fits and (blocked is None or unblocked(blocked, i * stride, j * stride, r, c)):
                out.add((a, t, round(z, 4)))
    return out


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("check", [False, True])
def test_covers_are_the_pairs_within_reach_below_the_ceiling_with_a_free_way(seed, check):
    rng = np.random.default_rng(seed)
    rows, cols, stride = 9, 8, 2.0
    tree = rng.uniform(-3.0, 18.0, (12, 2))
    ceiling = np.where(rng.random(12) < 0.2, np.nan, rng.uniform(1.0, 4.0, 12))
    lowest = np.where(rng.random(72) < 0.2, np.inf, rng.uniform(0.0, 3.0, 72)).astype(np.float32)
    blocked = rng.random((17, 15)) < 0.1
    given = (tree, ceiling, 5.0, 0.1, rows, cols, 0.0, 0.0, stride, lowest, blocked, check)
    count, start = np.zeros(72, np.int64), np.zeros(73, np.int64)
    cover_kernel.cover_pairs(*given, count, start, np.zeros(1, np.int32), np.zeros(1, np.float32), False)
    start[1:] = np.cumsum(count)
    who, z = np.zeros(start[-1], np.int32), np.zeros(start[-1], np.float32)
    again = np.zeros(72, np.int64)
    cover_kernel.cover_pairs(*given, again, start, who, z, True)
    assert np.array_equal(count, again)
    got = {(a, int(who[p]), round(float(z[p]), 4)) for a in range(72) for p in range(start[a], start[a + 1])}
    wanted = served_pairs(tree, ceiling, 5.0, 0.1, rows, cols, stride, lowest, blocked if check else None)
    assert {(a, t) for a, t, _ in got} == {(a, t) for a, t, _ in wanted}
    assert sorted(z for _, _, z in got) == pytest.approx(sorted(z for _, _, z in wanted), abs=2e-4)


@pytest.mark.parametrize("seed", range(3))
def test_the_least_need_of_a_tree_is_the_least_over_the_nodes_in_reach(seed):
    rng = np.random.default_rng(seed)
    tree = np.vstack([rng.uniform(0.0, 14.0, (9, 2)), [[-40.0, 5.0]]])
    lowest = np.where(rng.random(64) < 0.3, np.inf, rng.uniform(0.0, 3.0, 64))
    got = cover_kernel.least_need(tree, 4.5, 0.07, 8, 8, 1.0, -1.0, 2.0, lowest)
    for t, (r, c) in enumerate(tree):
        away = [(math.hypot(1.0 + 2.0 * i - r, -1.0 + 2.0 * j - c), i * 8 + j) for i in range(8) for j in range(8)]
        wanted = min((lowest[a] + 0.07 * d for d, a in away if d <= 4.5), default=math.inf)
        assert got[t] == pytest.approx(wanted)
    assert got[-1] == math.inf


def test_a_line_serves_the_trees_in_reach_above_it_and_keeps_what_was_served_before():
    point, z = np.array([[0.0, 0.0], [0.0, 10.0]]), np.array([5.0, 6.0])
    tree = np.array([[3.0, 0.0], [3.0, 0.0], [9.0, 0.0], [0.0, 14.0], [3.0, 0.0], [30.0, 30.0]])
    # grade 0.1: at 3 cells the ceiling must be 5.3, at 4 cells from the second point 6.4
    ceiling = np.array([5.3, 5.29, 50.0, 6.4, np.nan, 9.0])
    served = np.array([False] * 5 + [True])
    cover_kernel.served_by_line(tree, ceiling, 5.0, 0.1, np.zeros((40, 40), np.bool_), False, point, z, served)
    assert served.tolist() == [True, False, False, True, False, True]


def test_a_wall_between_line_and_tree_is_looked_at_only_when_asked():
    wall = np.zeros((20, 20), np.bool_)
    wall[5, :] = True
    point, z, tree = np.array([[2.0, 4.0]]), np.array([1.0]), np.array([[8.0, 4.0], [4.0, 4.0]])
    for check, wanted in ((False, [True, True]), (True, [False, True])):
        served = np.zeros(2, np.bool_)
        cover_kernel.served_by_line(tree, np.array([9.0, 9.0]), 8.0, 0.02, wall, check, point, z, served)
        assert served.tolist() == wanted
