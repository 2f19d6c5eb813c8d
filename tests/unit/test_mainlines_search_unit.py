"""The network on the lattice: what is counted, grown, ruined, put back and trimmed, against plain recounts."""

from __future__ import annotations

import math
from itertools import pairwise

import networkx as nx
import numpy as np
import pytest
import shapely
from pipeline.mainlines import exchange_kernel, grow_kernel, improve_kernel, layout, state_kernel
from pipeline.mainlines.chains import chains, topological
from pipeline.mainlines.lattice import make_cover, make_graph, make_lattice, make_surface
from pipeline.mainlines.lattice_kernel import DC, DR
from pipeline.mainlines.state_kernel import OUT, ROOT, Cover, Graph, Price, State

from mainline_sites import formula, open_ground, quick, rough, trees_at

PRICE = Price(12.0, 8.0, 0.5)
ROWS = COLS = 12


def level(rows=ROWS, cols=COLS, step=4.0, grade=0.02) -> Graph:
    """Return a lattice on level ground, window 0.8 to 3 m, every move open that stays inside."""
    n = rows * cols
    offset, side_a, side_b, run = state_kernel.move_tables(cols, step)
    m, e = np.full((n, 16), np.inf, np.float32), np.full((n, 16), -np.inf, np.float32)
    cost = np.full((n, 16), np.inf, np.float32)
    for a in range(n):
        i, j = divmod(a, cols)
        for k in range(16):
            if 0 <= i + DR[k] < rows and 0 <= j + DC[k] < cols:
                m[a, k], e[a, k], cost[a, k] = 0.8 + grade * run[k], 3.0 - grade * run[k], run[k]
    flat = np.ones(n, np.float32)
    return Graph(rows, cols, step, grade, offset, side_a, side_b, run, m, e, cost, 0.8 * flat, 3.0 * flat, 2.0 * flat)


def cover_of(nodes: int, pairs, taps) -> Cover:
    """Return the table of (node, tree, highest line) rows."""
    rows = sorted(pairs)
    start = np.searchsorted([a for a, _, _ in rows], np.arange(nodes + 1)).astype(np.int64)
    return Cover(start, np.array([t for _, t, _ in rows] or [0], np.int32),
                 np.array([z for _, _, z in rows] or [0.0], np.float32), np.array(taps, dtype=float))


def lay(g: Graph, c: Cover, s: State, path, z0=1.0) -> None:
    """Put a path into the network, its first node a source unless it is there already."""
    if s.down[path[0]] == OUT:
        state_kernel.add_node(g, c, s, path[0], ROOT, z0)
    for a, b in pairwise(path):
        z = state_kernel.arrive(g, a, state_kernel.move_between(g, a, b), s.z[a])
        state_kernel.add_node(g, c, s, b, a, z)


def recount(g: Graph, c: Cover, s: State) -> dict[str, np.ndarray]:
    """Return children, uses and servers counted anew from the nodes downstream."""
    children, used = np.zeros(len(s.down), int), np.zeros(len(s.down), int)
    served = np.zeros(len(c.taps), int)
    for a in np.flatnonzero(s.down != OUT).tolist():
        used[a] += 1
        down = int(s.down[a])
        if down >= 0:
            children[down] += 1
            dr, dc = a // g.cols - down // g.cols, a % g.cols - down % g.cols
            if dr * dr + dc * dc == 5:  # a knight's move passes between the two nodes nearest its middle
                for r, q in {(math.floor(dr / 2), math.floor(dc / 2)), (math.ceil(dr / 2), math.ceil(dc / 2))}:
                    used[down + r * g.cols + q] += 1
        for p in range(c.start[a], c.start[a + 1]):
            served[c.tree[p]] += s.z[a] <= c.z[p]
    return {"children": children, "used": used, "served_by": served}


def assert_sound(g: Graph, c: Cover, s: State) -> None:
    """Books agree with a recount; heights are the lowest legal; it is a forest whose lines do not cross."""
    for name, wanted in recount(g, c, s).items():
        assert np.array_equal(getattr(s, name), wanted), name
    edges = [(int(s.down[a]), a) for a in np.flatnonzero(s.down >= 0).tolist()]
    forest = nx.DiGraph(edges)
    assert not edges or nx.is_branching(forest)
    assert all(s.down[r] == ROOT for r in forest if forest.in_degree(r) == 0)
    for down, a in edges:
        k = state_kernel.move_between(g, down, a)
        assert s.z[a] == pytest.approx(state_kernel.arrive(g, down, k, s.z[down]), abs=1e-9)
    lines = [shapely.LineString([divmod(a, g.cols), divmod(b, g.cols)]) for a, b in edges]
    if lines:
        one, two = shapely.STRtree(lines).query(lines, predicate="crosses")
        assert len(one) == len(two) == 0


def woods(seed: int, trees: int = 90):
    """Return graph, cover and source of a rolling site."""
    terrain = rough(seed, 160.0, 2.0, 4.0)
    settings = quick()
    ground = open_ground(terrain, settings)
    surface, base = make_surface(terrain, ground, settings)
    lattice = make_lattice(terrain, surface, base, 4.0)
    g = make_graph(lattice, settings.mainlines.ladder_m)
    xy = np.random.default_rng(seed).uniform(10.0, 150.0, (trees, 2))
    g.floor[:] = np.where(lattice.node_ok, 0.0, np.inf)
    c = make_cover(terrain, ground, trees_at(terrain, xy), settings, lattice, g)
    low = np.where(lattice.node_ok, g.ceiling, np.inf).argmin()
    return g, c, (np.array([low]), np.array([float(g.ceiling[low]) - 2.0]))


# ---------------------------------------------------------------- small parts


def test_random_numbers_are_those_of_the_published_generator():
    """xorshift64* of Vigna 2016 (An experimental exploration of Marsaglia's xorshift generators, scrambled)."""
    rng = np.array([88172645463325252], dtype=np.uint64)
    x, mask = 88172645463325252, (1 << 64) - 1
    for _ in range(200):
        x ^= x >> 12
        x = (x ^ (x << 25)) & mask
        x ^= x >> 27
        wanted = (((x * 2685821657736338717) & mask) >> 11) / 2**53
        got = state_kernel.random_unit(rng)
        assert got == wanted
        assert 0.0 <= got < 1.0


@pytest.mark.parametrize("n", [1, 2, 7])
def test_random_whole_numbers_fill_their_range_evenly(n):
    rng = layout.empty_state(1, 1, 5).rng
    counts = np.bincount([state_kernel.random_below(rng, n) for _ in range(2100)], minlength=n)
    assert len(counts) == n
    assert counts.min() > 0.7 * 2100 / n


def test_each_seed_has_its_own_numbers_and_the_same_ones_again():
    first = [state_kernel.random_unit(layout.empty_state(1, 1, k).rng) for k in range(20)]
    assert len(set(first)) == 20
    assert first == [state_kernel.random_unit(layout.empty_state(1, 1, k).rng) for k in range(20)]


def test_a_move_is_known_by_its_two_nodes():
    g = level()
    at = 5 * COLS + 5
    assert [state_kernel.move_between(g, at, at + int(o)) for o in g.offset] == list(range(16))
    assert state_kernel.move_between(g, at, at + 3) == state_kernel.move_between(g, at, at) == -1


@pytest.mark.parametrize("k", range(16))
def test_no_move_crosses_a_line_unseen(k):
    """Every move that crosses the laid one in space ends on an occupied node or is not passable."""
    g, s = level(), layout.empty_state(ROWS * COLS, 1, 1)
    c = cover_of(ROWS * COLS, [], [1])
    at = 5 * COLS + 5
    lay(g, c, s, [at, at + int(g.offset[k])])
    laid = shapely.LineString([divmod(at, COLS), divmod(at + int(g.offset[k]), COLS)])
    crossing = 0
    for a in range(ROWS * COLS):
        for q in range(16):
            if not g.arc_m[a, q] < np.inf:
                continue
            b = a + int(g.offset[q])
            if shapely.LineString([divmod(a, COLS), divmod(b, COLS)]).crosses(laid):
                crossing += 1
                assert s.used[b] > 0 or not state_kernel.passable(g, s.used, a, q)
    assert crossing > 0


@pytest.mark.parametrize(("z", "wanted"), [(1.0, 1.08), (0.5, 0.88), (2.92, 3.0), (2.93, math.inf)])
def test_arriving_takes_the_grade_or_the_ground_or_is_too_high(z, wanted):
    assert state_kernel.arrive(level(), 50, 0, z) == pytest.approx(wanted, abs=1e-5)


@pytest.mark.parametrize(("z", "factor"), [(1.0, 1.0), (2.0, 1.0), (2.4, 1.2), (3.0, 1.5)])
def test_ladder_work_costs_more_by_the_metre_above_the_ladder_height(z, factor):
    assert state_kernel.arc_price(level(), PRICE, 50, 0, 51, z) == pytest.approx(4.0 * factor)


def test_the_books_of_a_forked_line_by_hand():
    """Trunk of four moves, a branch from its third node: 8 m for the fork, every tree once."""
    g = level()
    trunk, branch = [0, 1, 2, 3, 4], [2, 2 + COLS, 2 + 2 * COLS]
    c = cover_of(ROWS * COLS, [(1, 0, 9.0), (2, 0, 9.0), (4, 1, 1.0), (4, 2, 9.0), (26, 3, 9.0)], [1, 2, 3, 4])
    s = layout.empty_state(ROWS * COLS, 4, 1)
    lay(g, c, s, trunk)
    lay(g, c, s, branch)
    assert_sound(g, c, s)
    assert s.served_by.tolist() == [2, 0, 1, 1]  # tree 1 asks for a line no higher than 1.0 where it hangs at 1.32
    cost, length, taps = state_kernel.cost_of(g, c, s, PRICE)
    assert (cost, length, taps) == pytest.approx((6 * 4.0 + 8.0, 24.0, 8.0))
    assert layout.objective(g, c, s, PRICE) == pytest.approx(32.0 - 12.0 * 8.0)
    assert layout.tips(s) == 2
    for a in (26, 14, 4, 3):
        state_kernel.drop_node(g, c, s, a)
        assert_sound(g, c, s)
    assert s.served_by.tolist() == [2, 0, 0, 0]


def test_a_fork_at_a_source_is_free():
    g, c = level(), cover_of(ROWS * COLS, [], [1])
    s = layout.empty_state(ROWS * COLS, 1, 1)
    lay(g, c, s, [0, 1])
    lay(g, c, s, [0, COLS])
    assert state_kernel.cost_of(g, c, s, PRICE)[0] == pytest.approx(8.0)


# ---------------------------------------------------------------- trimming a tip


@pytest.mark.parametrize("seed", range(12))
def test_a_tip_is_cut_where_the_objective_is_least(seed):
    """Against every cut of a line of ten nodes with trees scattered along it."""
    rng = np.random.default_rng(seed)
    g = level()
    pairs = [(int(rng.integers(1, 11)), t, 9.0) for t in range(6)]
    taps = rng.integers(1, 3, 6)
    c = cover_of(ROWS * COLS, pairs, taps)
    price = Price(float(rng.uniform(2.0, 12.0)), 8.0, 0.5)

    def value(top):
        worth = sum(int(taps[t]) for a, t, _ in pairs if a <= top)
        return 4.0 * top - price.tap_m * worth

    s = layout.empty_state(ROWS * COLS, 6, 1)
    lay(g, c, s, list(range(11)))
    log = np.zeros(100, np.int64)
    removed = state_kernel.trim_tip(g, c, s, price, 10, log, 0, False)
    assert sorted(log[:removed].tolist()) == list(range(11 - removed, 11))
    assert_sound(g, c, s)
    assert layout.objective(g, c, s, price) == pytest.approx(min(value(top) for top in range(11)))


def test_a_tip_that_pays_stays_and_new_nodes_only_are_cut_when_asked():
    g = level()
    c = cover_of(ROWS * COLS, [(4, 0, 9.0)], [2])
    for tap_m, only_fresh, left in ((12.0, False, 5), (3.0, False, 1), (3.0, True, 3)):
        s = layout.empty_state(ROWS * COLS, 1, 1)
        lay(g, c, s, [0, 1, 2])
        s.counter[1] = 7
        lay(g, c, s, [2, 3, 4])
        state_kernel.trim_tip(g, c, s, Price(tap_m, 8.0, 0.5), 4, np.zeros(99, np.int64), 0, only_fresh)
        assert int((s.down != OUT).sum()) == left


# ---------------------------------------------------------------- searching and growing


@pytest.mark.parametrize("seed", range(4))
def test_without_windows_the_search_costs_what_dijkstra_says(seed):
    """Against networkx over the same moves, none through an occupied node; wants and attraction set to nothing."""
    rng = np.random.default_rng(seed)
    g = level(grade=0.0)
    g.arc_cost[:] = np.where(np.isfinite(g.arc_cost), g.arc_cost * rng.uniform(1.0, 2.0, g.arc_cost.shape), np.inf)
    c, s = cover_of(ROWS * COLS, [], [1]), layout.empty_state(ROWS * COLS, 1, 1)
    lay(g, c, s, [40, 41, 42, 54])
    want = np.zeros(ROWS * COLS, np.float32)
    lab = grow_kernel.search(g, s, PRICE, (0, 0, ROWS, COLS), 1, want, 0.0, 1.0, 0.0, -1, math.inf)
    graph = nx.DiGraph()
    for a in range(ROWS * COLS):
        for k in range(16):
            b = a + int(g.offset[k])
            if g.arc_m[a, k] < np.inf and s.used[b] == 0 and state_kernel.passable(g, s.used, a, k):
                graph.add_edge(a, b, weight=float(g.arc_cost[a, k]))
    sources = set(np.flatnonzero(s.down != OUT).tolist())
    wanted = nx.multi_source_dijkstra_path_length(graph, sources)
    nodes = np.empty(500, np.int64)
    for a in range(ROWS * COLS):
        assert float(lab.cost[a]) == pytest.approx(wanted.get(a, math.inf), rel=1e-5)
        if a not in sources and a in wanted:
            n = grow_kernel.trace(g, s, lab, a, nodes)
            path = nodes[:n].tolist()
            assert path[0] in sources
            assert path[-1] == a
            walked = sum(float(g.arc_cost[p, state_kernel.move_between(g, p, q)]) for p, q in pairwise(path))
            assert walked == pytest.approx(wanted[a], rel=1e-5)


def test_attraction_multiplies_by_what_a_node_lacks_and_a_limit_stops_the_search():
    g, c = level(), cover_of(ROWS * COLS, [], [1])
    s = layout.empty_state(ROWS * COLS, 1, 1)
    lay(g, c, s, [0])
    want = np.zeros(ROWS * COLS, np.float32)
    want[:4] = (0.0, 4.0, 1.0, 9.0)
    box = (0, 0, 1, COLS)
    lab = grow_kernel.search(g, s, PRICE, box, 1, want[:COLS], 2.0, 4.0, 0.5, -1, math.inf)
    # 4 m at full appetite 1, 4 m at a quarter 1 + 2 * 0.75, 4 m at more than full 1
    assert lab.cost[:4] == pytest.approx([0.0, 4.0, 14.0, 18.0])
    assert lab.true[:4] == pytest.approx([0.0, 4.0, 8.0, 12.0])
    assert lab.gain[:4] == pytest.approx([0.0, 8.0, 10.0, 28.0])
    near = grow_kernel.search(g, s, PRICE, box, 1, want[:COLS], 2.0, 4.0, 0.5, -1, 5.0)
    assert np.isfinite(near.cost[:3]).all()
    assert np.isinf(near.cost[3:]).all()


def test_appetite_counts_the_taps_that_nobody_serves_yet():
    g = level()
    c = cover_of(ROWS * COLS, [(13, 0, 9.0), (13, 1, 9.0), (14, 1, 9.0), (50, 2, 9.0)], [1, 2, 4])
    s = layout.empty_state(ROWS * COLS, 3, 1)
    flat, left = grow_kernel.appetite(g, c, s, (1, 0, 3, COLS), grow_kernel.NO_TILE, 0)
    want = flat.reshape(2, COLS)
    assert want[0, :4].tolist() == [0.0, 3.0, 2.0, 0.0]
    assert want.sum() == 5.0
    assert left == 3.0  # each tree once, however many nodes could serve it
    s.served_by[1] = 1
    want, left = grow_kernel.appetite(g, c, s, (1, 0, 3, COLS), grow_kernel.NO_TILE, 0)
    assert (want.sum(), left) == (1.0, 1.0)


def test_tiles_without_the_mark_are_shut_and_the_search_does_not_enter_them():
    g, c, s = level(), cover_of(ROWS * COLS, [(13, 0, 9.0)], [2]), layout.empty_state(ROWS * COLS, 1, 1)
    lay(g, c, s, [0])
    across, down = -(-COLS // grow_kernel.TILE), -(-ROWS // grow_kernel.TILE)
    assert across > 1
    tile = np.full(across * down, -1, np.int64)
    tile[::across] = 7  # the leftmost tiles
    want, left = grow_kernel.appetite(g, c, s, (0, 0, ROWS, COLS), tile, 7)
    shut = want.reshape(ROWS, COLS) < 0.0
    assert shut[:, grow_kernel.TILE :].all()
    assert not shut[:, : grow_kernel.TILE].any()
    assert left == (0.0 if 13 % COLS >= grow_kernel.TILE else 2.0)
    lab = grow_kernel.search(g, s, PRICE, (0, 0, ROWS, COLS), 1, want, 0.0, 1.0, 0.0, -1, math.inf)
    assert np.isinf(lab.cost.reshape(ROWS, COLS)[shut]).all()
    assert np.isfinite(lab.cost.reshape(ROWS, COLS)[~shut]).any()


def test_the_tiles_of_a_window_and_round_what_was_removed_are_open():
    g, size = level(), grow_kernel.TILE
    across, down = -(-COLS // size), -(-ROWS // size)
    tile = np.full(across * down, -1, np.int64)
    gone = np.array([(ROWS - 1) * COLS + COLS - 1], np.int64)
    improve_kernel.open_tiles(g, tile, 3, (0, 0, 2, 2), gone, 1, 1)
    marked = {(int(q) // across, int(q) % across) for q in np.flatnonzero(tile == 3)}
    assert marked == {(0, 0)} | {
        (r // size, q // size) for r in range(ROWS - 2, ROWS) for q in range(COLS - 2, COLS)
    }


@pytest.mark.parametrize(("taps", "keep", "profit"), [
    ([2, 0], 4, 24.0 - 12.0), ([2, 1], 4, 36.0 - 24.0), ([2, 2], 7, 48.0 - 24.0),
    ([0, 0], 2, -4.0), ([0, 2], 7, 24.0 - 24.0),
])
def test_a_path_is_judged_by_its_best_beginning(taps, keep, profit):
    """Trees at the third and the sixth node, 4 m a move, 12 m a tap; of equal profits the shorter stays."""
    g = level()
    c = cover_of(ROWS * COLS, [(3, 0, 9.0), (6, 1, 9.0)], taps)
    s = layout.empty_state(ROWS * COLS, 2, 1)
    lay(g, c, s, [0])
    zs = np.empty(20)
    best, n, beside = grow_kernel.judge_path(g, c, s, PRICE, np.arange(9), 9, zs, 1e9)
    assert (best, n, beside) == (pytest.approx(profit), keep, 0.0)
    assert zs[:9] == pytest.approx(1.0 + 0.08 * np.arange(9), abs=1e-6)


def test_a_path_pays_for_its_fork_and_stops_at_another_line():
    g = level()
    c = cover_of(ROWS * COLS, [(5 + 3 * COLS, 0, 9.0)], [9])
    s = layout.empty_state(ROWS * COLS, 1, 1)
    lay(g, c, s, [4, 5, 6, 7])
    path = np.array([5, 5 + COLS, 5 + 2 * COLS, 5 + 3 * COLS])
    assert grow_kernel.judge_path(g, c, s, PRICE, path, 4, np.empty(9), 1e9)[0] == pytest.approx(108.0 - 12.0 - 8.0)
    lay(g, c, s, [3 * COLS, 3 * COLS + 1])
    s.used[5 + 2 * COLS] += 1
    assert grow_kernel.judge_path(g, c, s, PRICE, path, 4, np.empty(9), 1e9)[:2] == (pytest.approx(-12.0), 2)


@pytest.mark.parametrize("reach", [0, 1, 3, 30])
def test_nodes_near_a_new_line_are_those_of_a_disc(reach):
    g, s = level(), layout.empty_state(ROWS * COLS, 1, 1)
    s.counter[2] = 4
    grow_kernel.mark_near(g, s, 2 * COLS + 3, reach)
    i, j = np.indices((ROWS, COLS))
    assert np.array_equal((s.near == 4).reshape(ROWS, COLS), np.hypot(i - 2, j - 3) <= reach)


@pytest.mark.parametrize("seed", range(4))
def test_a_grown_and_trimmed_network_is_sound_and_worth_more_than_none(seed):
    g, c, source = woods(seed)
    s = layout.seeded(g, c, seed, *source)
    full = layout.full_appetite(c)
    empty = layout.objective(g, c, s, PRICE)
    layout.grow(g, c, s, PRICE, 25.0, full)
    assert_sound(g, c, s)
    grown = layout.objective(g, c, s, PRICE)
    assert grown < empty - 50.0
    log = np.empty(9999, np.int64)
    for tip in np.flatnonzero((s.down >= 0) & (s.children == 0)).tolist():
        assert state_kernel.trim_tip(g, c, s, PRICE, tip, log, 0, False) == 0  # nothing is left to cut


# ---------------------------------------------------------------- ruin and recreate


@pytest.mark.parametrize(("seed", "heat"), [(0, 0.0), (1, 0.0), (2, 3.0), (3, 3.0)])
def test_improving_gains_what_it_says_and_never_loses(seed, heat):
    g, c, source = woods(seed)
    s = layout.seeded(g, c, seed, *source)
    full = layout.full_appetite(c)
    layout.grow(g, c, s, PRICE, 25.0, full)
    before = layout.objective(g, c, s, PRICE)
    gained = improve_kernel.improve(g, c, s, layout.copy_state(s), PRICE, 3, 25.0, full, 120, 60.0, 800, heat, 0.0)
    assert gained >= 0.0
    assert layout.objective(g, c, s, PRICE) == pytest.approx(before - gained, abs=1e-6)
    assert_sound(g, c, s)


@pytest.mark.parametrize("seed", range(3))
def test_what_is_taken_out_above_a_node_can_be_put_back_to_the_last_book(seed):
    g, c, source = woods(seed)
    s = layout.seeded(g, c, seed, *source)
    layout.grow(g, c, s, PRICE, 25.0, layout.full_appetite(c))
    was = layout.copy_state(s)
    value = layout.objective(g, c, s, PRICE)
    nodes = improve_kernel.lines_of(s)
    assert np.array_equal(nodes, np.flatnonzero(s.down >= 0))
    up = nx.DiGraph([(int(s.down[a]), int(a)) for a in nodes])
    for top in np.random.default_rng(seed).choice(nodes, 12).tolist():
        base = improve_kernel.branch_base(s, top)
        gone, downs, zs = np.empty(900, np.int64), np.empty(900, np.int64), np.empty(900)
        n, metres, taps = improve_kernel.remove_above(g, c, s, PRICE, base, gone, downs, zs, 0, 800)
        assert set(gone[:n].tolist()) == {base, *nx.descendants(up, base)}
        assert_sound(g, c, s)
        assert layout.objective(g, c, s, PRICE) == pytest.approx(value - metres + PRICE.tap_m * taps)
        for i in range(n - 1, -1, -1):
            state_kernel.add_node(g, c, s, gone[i], downs[i], zs[i])
        for name in ("down", "z", "children", "used", "served_by"):
            assert np.array_equal(getattr(s, name), getattr(was, name)), name


def test_too_big_a_tree_of_lines_is_left_alone():
    g, c = level(), cover_of(ROWS * COLS, [], [1])
    s = layout.empty_state(ROWS * COLS, 1, 1)
    lay(g, c, s, list(range(8)))
    out = np.empty(50, np.int64), np.empty(50, np.int64), np.empty(50)
    assert improve_kernel.remove_above(g, c, s, PRICE, 1, *out, 0, 6)[:2] == (0, -1.0)
    assert int((s.down != OUT).sum()) == 8
    assert improve_kernel.remove_above(g, c, s, PRICE, 1, *out, 0, 7)[0] == 7


def test_the_base_of_a_branch_is_its_first_node_above_the_fork():
    g, c = level(), cover_of(ROWS * COLS, [], [1])
    s = layout.empty_state(ROWS * COLS, 1, 1)
    lay(g, c, s, [0, 1, 2, 3, 4])
    lay(g, c, s, [2, 2 + COLS, 2 + 2 * COLS])
    bases = {a: improve_kernel.branch_base(s, a) for a in (1, 2, 3, 4, 2 + COLS, 2 + 2 * COLS)}
    assert bases == {1: 1, 2: 1, 3: 3, 4: 3, 2 + COLS: 2 + COLS, 2 + 2 * COLS: 2 + COLS}
    assert sorted(improve_kernel.tips_in(g, s, (0, 0, ROWS, COLS))) == [-1, 4, 2 + 2 * COLS]
    assert sorted(improve_kernel.tips_in(g, s, (1, 0, ROWS, COLS))) == [-1, 2 + 2 * COLS]


@pytest.mark.parametrize(("radius", "groups"), [
    (0, [{"2", "3", "4", "b1", "b2"}]),  # the piece below the fork goes
    (1, [{"4"}, {"b2"}]),  # the fork and all beside it go
    (9, []),
])
def test_fragments_are_what_hangs_together_when_a_piece_is_gone(radius, groups):
    g, c = level(), cover_of(ROWS * COLS, [], [1])
    s = layout.empty_state(ROWS * COLS, 1, 1)
    lay(g, c, s, [0, 1, 2, 3, 4])
    lay(g, c, s, [2, 2 + COLS, 2 + 2 * COLS])
    name = {1: "1", 2: "2", 3: "3", 4: "4", 2 + COLS: "b1", 2 + 2 * COLS: "b2"}
    gone, downs, zs = np.empty(9, np.int64), np.empty(9, np.int64), np.empty(9)
    n, _, _ = improve_kernel.remove_above(g, c, s, PRICE, 1, gone, downs, zs, 0, 800)
    scratch = np.full(ROWS * COLS, -1, np.int32), np.zeros(ROWS * COLS, np.int32)
    which, count = exchange_kernel.fragments(g, gone, downs, n, *scratch, 2, radius)
    found = [{name[int(gone[i])] for i in range(n) if which[i] == f} for f in range(count)]
    assert sorted(found, key=sorted) == sorted(groups, key=sorted)


def test_a_fragment_is_walked_from_any_of_its_nodes_at_heights_of_its_own():
    """The arm 3-4-5 is tied on at its far end: it now climbs from 5 to 3."""
    g, c = level(), cover_of(ROWS * COLS, [(3, 0, 9.0)], [1])
    s = layout.empty_state(ROWS * COLS, 1, 1)
    lay(g, c, s, [0, 1, 2, 3, 4, 5])
    gone, downs, zs = np.empty(9, np.int64), np.empty(9, np.int64), np.empty(9)
    n, _, _ = improve_kernel.remove_above(g, c, s, PRICE, 3, gone, downs, zs, 0, 800)
    slot = np.full(ROWS * COLS, -1, np.int32)
    slot[gone[:n]] = np.arange(n)
    lay(g, c, s, [2, 3 + COLS, 4 + COLS, 5])
    log = np.empty(99, np.int64)
    logged = exchange_kernel.walk(g, c, s, 5, np.zeros(n, np.int64), gone[:n], downs[:n], slot, log, 0)
    assert log[:logged].tolist() == [4, 3]
    assert [int(s.down[a]) for a in (5, 4, 3)] == [4 + COLS, 5, 4]
    assert_sound(g, c, s)
    assert s.z[3] > s.z[4] > s.z[5]
    assert s.served_by[0] == 1


def test_a_box_is_widened_round_what_is_gone_and_stays_on_the_lattice():
    g = level()
    box = improve_kernel.around(g, (4, 4, 6, 6), np.array([0, 11 * COLS + 7]), 2, 2)
    assert box == (0, 0, 12, 10)
    assert improve_kernel.around(g, (4, 4, 6, 6), np.array([5 * COLS + 5]), 1, 0) == (4, 4, 6, 6)


# ---------------------------------------------------------------- starts and efforts


@pytest.mark.parametrize(("order", "z"), [((5, 5), 1.0), ((5, 6), 1.5)])
def test_of_two_sources_at_one_node_the_lower_is_kept(order, z):
    g, c = level(), cover_of(ROWS * COLS, [(5, 0, 1.2)], [1])
    s = layout.seeded(g, c, 1, np.array(order), np.array([1.5, 1.0]))
    assert s.z[5] == z
    assert s.used[5] == 1
    assert s.served_by[0] == int(z <= 1.2)


@pytest.mark.parametrize(("area", "effort", "step"), [
    (10_000.0, "quick", 4.0), (10_000.0, "normal", 3.0), (10_000.0, "thorough", 2.5), (1e6, "normal", 12.5**0.5),
    (1e9, "quick", (1e9 / 7e5) ** 0.5),
])
def test_the_step_widens_with_the_ground_to_bound_the_nodes(area, effort, step):
    got = layout.step_for(layout.EFFORTS[effort], area)
    assert got == pytest.approx(step)
    assert area / got**2 <= layout.MOST_NODES * (1 + 1e-9)


@pytest.mark.parametrize(("pairs", "wanted"), [
    ([], 1.0), ([(3, 0, 9.0)], 2.0), ([(3, 0, 9.0), (3, 1, 9.0), (7, 1, 9.0)], 4.8),
])
def test_a_full_appetite_is_high_among_the_nodes_that_have_trees(pairs, wanted):
    """The 90th percentile of 5 and 3 taps is 4.8."""
    assert layout.full_appetite(cover_of(20, pairs, [2, 3])) == pytest.approx(wanted)


def test_nothing_to_serve_gives_sources_alone():
    terrain = formula(lambda x, y: 100.0 + 0.05 * y, 60.0)
    settings = quick()
    ground = open_ground(terrain, settings)
    surface, base = make_surface(terrain, ground, settings)
    lattice = make_lattice(terrain, surface, base, 4.0)
    g = make_graph(lattice, 2.0)
    c = make_cover(terrain, ground, trees_at(terrain, np.empty((0, 2))), settings, lattice, g)
    node = np.flatnonzero(lattice.node_ok)[5:6]
    s = layout.best_layout(g, c, (node, np.array([2.0])), PRICE, 25.0, layout.EFFORTS["quick"], 1, lambda *_: None)
    assert np.flatnonzero(s.down != OUT).tolist() == node.tolist()


@pytest.mark.parametrize("seed", range(3))
def test_lines_cut_from_a_network_hold_every_move_once(seed):
    g, c, source = woods(seed)
    s = layout.seeded(g, c, seed, *source)
    layout.grow(g, c, s, PRICE, 25.0, layout.full_appetite(c))
    order = topological(s)
    place = {a: i for i, a in enumerate(order)}
    assert sorted(order) == np.flatnonzero(s.down != OUT).tolist()
    assert all(place[int(s.down[a])] < place[a] for a in order if s.down[a] >= 0)
    todo, moves = list(chains(g.cols, g.step_m, s)), []
    while todo:
        chain = todo.pop()
        moves += list(pairwise(chain.nodes))
        assert all(child.nodes[0] in chain.nodes[1:-1] for child in chain.children)
        assert chain.source == source[0][0]
        todo += chain.children
    assert sorted(moves) == sorted((int(s.down[a]), a) for a in np.flatnonzero(s.down >= 0).tolist())
