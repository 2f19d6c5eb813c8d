"""Second growth from straight lines: where it may start, what counts as served, and what it is worth."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from pipeline.mainlines.lattice import HANG_ABOVE_M, lateral_ceiling, make_cover, make_graph, make_lattice, make_surface
from pipeline.mainlines.regrow import Growth, grow, regrow, served_by, standing
from pipeline.mainlines.sources import Site, nearest_nodes, stub
from pipeline.mainlines.state_kernel import ROOT, Price
from pipeline.mainlines.straighten import Line, Puller, at_stations, low_line, segments_of
from pipeline.records import Pins

from mainline_sites import formula, open_ground, point_at, quick, trees_at

FEE_M = 16.0


def made(xy, tap_m=20.0):
    """Return second growth on a slope of 5 %, its puller, and one line up the middle from (80, 6) to (80, 120)."""
    settings = quick(tap_worth_m=tap_m)
    terrain = formula(lambda x, y: 100.0 + 0.05 * y + 0.0 * x, 160.0, 1.0)
    trees = trees_at(terrain, np.array(xy, float))
    site = Site(terrain, open_ground(terrain, settings), trees, (point_at(terrain, 80.0, 6.0),), Pins(), settings)
    surface, base = make_surface(terrain, site.ground, settings)
    lattice = make_lattice(terrain, surface, base, 3.0)
    graph = make_graph(lattice, settings.mainlines.ladder_m)
    graph.floor[:] = np.where(lattice.node_ok, graph.ceiling - 3.0, np.inf)
    cover = make_cover(terrain, site.ground, trees, settings, lattice, graph)
    puller = Puller(
        lattice, settings.mainlines.bend_cost_m, settings.mainlines.max_bend_deg, {},
        np.column_stack(terrain.rowcol(trees.x_m, trees.y_m)), lateral_ceiling(trees, settings, base) - HANG_ABOVE_M,
        trees.taps.astype(float), settings.laterals.reach_m, settings.laterals.min_grade_pct / 100.0, tap_m,
        site.ground.support_blocked,
    )
    way = np.column_stack(terrain.rowcol(np.array([80.0, 80.0]), np.array([6.0, 120.0]))).astype(float)
    line = Line(rc=way, z=low_line(lattice, way, 100.3 + 1.0 - base), join_m=0.0, source=0)
    puller.laid.append(segments_of(way))
    return Growth(site, lattice, graph, cover, Price(tap_m, FEE_M, 0.5)), puller, line


def height(growth, line, up):
    """Return the lowest line some metres up from the foot: as it starts with the least grade, or just clear."""
    surface = growth.lattice.surface
    clear = 0.05 * (up + 6.0) + 100.0 - growth.lattice.base_m + surface.low[80, 80]
    return np.maximum(line.z[0] + surface.grade * up, clear)


def beside(reach_m, count=6):
    """Return trees 30 m beyond a lateral's reach east of the line, and one beside it."""
    return [(80.0 + reach_m + 30.0, 90.0 + 2.0 * k) for k in range(count)] + [(85.0, 60.0)]


REACH_M = quick().laterals.reach_m


def test_trees_near_the_line_count_as_served_and_those_beyond_a_lateral_do_not():
    growth, _, line = made(beside(REACH_M))
    assert served_by(growth, [line]).tolist() == [False] * 6 + [True]


def test_branches_start_along_the_line_at_its_own_height_and_not_at_its_foot():
    growth, _, line = made(beside(REACH_M))
    served = served_by(growth, [line])
    s, owner = standing(growth, [line], served)
    roots = np.flatnonzero(s.down == ROOT)
    assert sorted(owner) == roots.tolist()
    rc = growth.lattice.rowcol(roots)
    assert np.abs(rc[:, 1] - line.rc[0, 1]).max() <= 1.5 + 1e-9  # half a step of the lattice
    up = line.rc[0, 0] - rc[:, 0]  # metres from the foot: the cells are 1 m
    assert up.min() > 0.0
    low = height(growth, line, up)
    assert (s.z[roots] >= low - 0.02).all()
    assert (s.z[roots] <= low + 0.25).all()
    assert (s.used[roots] == 1).all()
    assert s.served_by.tolist() == served.astype(int).tolist()


@pytest.mark.parametrize("fixed", [False, True])
def test_the_lattice_under_a_line_is_as_walked_station_by_station(fixed):
    """Plain Python over the same stations: nearest open node, the stub to it, lowest of all that come there."""
    growth, _, line = made(beside(REACH_M))
    line.fixed = fixed
    lattice = growth.lattice
    served = np.zeros(len(growth.site.trees), np.bool_)
    s, owner = standing(growth, [line], served)
    length = float(line.stations(1.0)[-1])
    stations = np.append(np.arange(0.0, length, lattice.step_m / 2.0), length)
    places, zs, _ = at_stations(lattice, line, stations)
    used: set[int] = set()
    lowest: dict[int, float] = {}
    for (row, col), z, station in zip(places.tolist(), zs.tolist(), stations.tolist(), strict=True):
        node = nearest_nodes(lattice, row, col, 1)[0]
        used.add(node)
        there = stub(lattice, lattice.surface, row, col, z, node)
        if np.isfinite(there) and station >= 2.0:
            lowest[node] = min(there, lowest.get(node, np.inf))
    assert set(np.flatnonzero(s.used).tolist()) == used
    assert owner == dict.fromkeys(lowest, 0)
    assert {node: float(s.z[node]) for node in owner} == pytest.approx(lowest, abs=1e-9)


@pytest.mark.parametrize(("tap_m", "pays"), [(20.0, True), (3.0, False)])
def test_a_branch_grows_where_its_taps_pay_for_line_and_join(tap_m, pays):
    """Six taps 30 m beyond reach: 30 m of line and a join of 16 m want more than 7.7 m a tap."""
    growth, puller, line = made(beside(REACH_M), tap_m)
    count = regrow(growth, puller, [line])
    served = served_by(growth, [line, *line.children])
    assert (count > 0) is pays
    assert served[:6].all() == pays
    assert len(line.children) == count
    for child in line.children:
        assert np.isfinite(child.z).all()
        assert child.z[0] == pytest.approx(height(growth, line, child.join_m), abs=0.01)
        assert (np.diff(child.z) >= 0.02 * np.diff(child.stations(1.0)) - 1e-6).all()


@pytest.mark.parametrize(("over_m", "grows"), [(8.0, True), (-3.0, False)])
def test_the_join_has_its_price(over_m, grows):
    """One worth that pays for the way to the first tree, with and without the branch fee on top."""
    trees = beside(REACH_M, 1)
    growth, _, line = made(trees, 30.0 + FEE_M + over_m)
    served = served_by(growth, [line])
    s, _ = standing(growth, [line], served)
    grow(growth, s)
    assert bool((s.down >= 0).any()) is grows


def test_a_branch_never_crosses_a_line():
    growth, _, line = made(beside(REACH_M))
    x = 80.0 + REACH_M + 10.0
    way = np.column_stack(growth.site.terrain.rowcol(np.array([x, x]), np.array([2.0, 158.0]))).astype(float)
    wall = dataclasses.replace(line, rc=way, z=np.full(2, 1e6), children=[])
    s, _ = standing(growth, [line, wall], served_by(growth, [line]))
    grow(growth, s)
    grown = growth.lattice.rowcol(np.flatnonzero(s.down >= 0))
    assert not (grown[:, 1] > way[0, 1]).any()
