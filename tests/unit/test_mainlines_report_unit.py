"""Guests, poor twigs, the worth curve, sources and pinned lines of a network, worked by hand or point by point."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
import shapely
from pipeline.findings import Finding
from pipeline.mainlines import assemble, report, sources
from pipeline.mainlines.lattice import HANG_ABOVE_M, make_lattice, make_surface
from pipeline.mainlines.lattice_kernel import segment
from pipeline.mainlines.routes import stations_of
from pipeline.mainlines.state_kernel import Price
from pipeline.mainlines.straighten import Line
from pipeline.records import Pins, Route

from mainline_sites import formula, point_at, quick, site_of, trees_at

PRICE = Price(10.0, 8.0, 0.5)


def route(name, xy, parent="", join=0.0, **more) -> Route:
    points = np.array(xy, dtype=float)
    return Route(name, parent, "C1", join, points, 100.0 + 0.03 * stations_of(points), **more)


def site(trees=((60.0, 60.0),), outlet=(60.0, 10.0), slope=0.06, **more):
    terrain = formula(lambda x, y: 100.0 + slope * y, 120.0)
    return site_of(terrain, np.array(trees), outlet, quick(), **more)


def lattice_of(made, step_m=4.0):
    surface, base = make_surface(made.terrain, made.ground, made.settings)
    return make_lattice(made.terrain, surface, base, step_m)


# ---------------------------------------------------------------- who a route could serve


@pytest.mark.parametrize("seed", range(4))
def test_guests_of_a_route_are_the_trees_in_reach_whose_ground_lets_a_lateral_fall(seed):
    """Against every metre of the line: within reach, and no higher than the top of the tree's window less the fall."""
    rng = np.random.default_rng(seed)
    trees = rng.uniform(5.0, 115.0, (60, 2))
    made = site(trees, slope=0.02)
    line = Route("M1", "", "C1", 0.0, np.array([(20.0, 20.0), (60.0, 50.0), (100.0, 90.0)]),
                 np.array([101.3, 103.5, 105.6]))
    (found,) = report.guests_of(made, lattice_of(made), (line,))
    rules = made.settings.laterals
    own = stations_of(line.xy_m)
    s = np.union1d(np.arange(0.0, own[-1], 1.0), own)
    x, y, z = (np.interp(s, own, v) for v in (line.xy_m[:, 0], line.xy_m[:, 1], line.low_z_m))
    wanted = []
    for t, (tx, ty) in enumerate(trees):
        top = made.trees.ground_z_m[t] + rules.highest_m - HANG_ABOVE_M
        d = np.hypot(x - tx, y - ty)
        if ((d <= rules.reach_m) & (z <= top - rules.min_grade_pct / 100.0 * d)).any():
            wanted.append(t)
    assert found.tolist() == wanted
    assert 5 < len(wanted) < 60


def test_blocked_ground_takes_guests_away_and_trees_not_to_tap_are_none():
    made = site(((60.0, 40.0), (75.0, 40.0)))
    line = route("M1", [(65.0, 10.0), (65.0, 70.0)])
    lattice = lattice_of(made)
    assert report.guests_of(made, lattice, (line,))[0].tolist() == [0, 1]
    mask = made.ground.lateral_blocked.copy()
    mask[:, 34] = True  # a wall at x = 68 m
    walled = dataclasses.replace(made, ground=dataclasses.replace(made.ground, lateral_blocked=mask))
    assert report.guests_of(walled, lattice, (line,))[0].tolist() == [0]
    idle = dataclasses.replace(made, trees=dataclasses.replace(made.trees, taps=np.array([0, 1])))
    assert report.guests_of(idle, lattice, (line,))[0].tolist() == [1]
    assert report.guests_of(made, lattice, ()) == []


# ---------------------------------------------------------------- twigs that do not pay

TRUNK = route("M1", [(0, 0), (0, 60)])


@pytest.mark.parametrize(("length", "own", "stays"), [
    (30.0, 3, False),  # 30 + 8 against 30
    (30.0, 4, True),  # 30 + 8 against 40
    (20.0, 3, False),  # shorter than a reach: 20 + 16 against 30
    (20.0, 4, True),
    (22.0, 3, False),
])
def test_a_branch_must_be_worth_its_metres_and_its_join(length, own, stays):
    """A tap is worth 10 m, a join 8 m, twice that for a twig shorter than the reach of 25 m."""
    branch = route("M1.1", [(0, 40), (length, 40)], "M1", 40.0)
    trees = trees_at(formula(lambda x, y: 100.0 + 0.0 * x, 100.0), np.zeros((20, 2)))
    guests = [np.arange(10, 20), np.arange(own)]
    kept = report.without_poor_twigs((TRUNK, branch), guests, trees, PRICE, 25.0)
    assert [r.mainline_id for r in kept] == (["M1", "M1.1"] if stays else ["M1"])


def test_trees_that_another_line_serves_too_do_not_pay_for_a_branch():
    branch = route("M1.1", [(0, 40), (30, 40)], "M1", 40.0)
    trees = trees_at(formula(lambda x, y: 100.0 + 0.0 * x, 100.0), np.zeros((20, 2)))
    kept = report.without_poor_twigs((TRUNK, branch), [np.arange(20), np.arange(9)], trees, PRICE, 25.0)
    assert len(kept) == 1
    # of two branches to the same trees the dearer goes, and the other then has them alone
    second = route("M1.2", [(0, 50), (45, 50)], "M1", 50.0)
    guests = [np.arange(10, 20), np.arange(9), np.arange(9)]
    kept = report.without_poor_twigs((TRUNK, branch, second), guests, trees, PRICE, 25.0)
    assert [r.mainline_id for r in kept] == ["M1", "M1.1"]


def test_a_pinned_line_stays_and_a_trunk_goes_only_after_its_branches():
    trees = trees_at(formula(lambda x, y: 100.0 + 0.0 * x, 100.0), np.zeros((3, 2)))
    nobody = np.zeros(0, np.int64)
    branch = route("M1.1", [(0, 40), (30, 40)], "M1", 40.0)
    assert report.without_poor_twigs((TRUNK, branch), [nobody, nobody], trees, PRICE, 25.0) == ()
    pinned = dataclasses.replace(TRUNK, pinned=True)
    kept = report.without_poor_twigs((pinned, branch), [nobody, nobody], trees, PRICE, 25.0)
    assert [r.mainline_id for r in kept] == ["M1"]
    held = report.without_poor_twigs((TRUNK, dataclasses.replace(branch, pinned=True)), [nobody, nobody], trees, PRICE,
                                     25.0)
    assert len(held) == 2


# ---------------------------------------------------------------- worth curve


@pytest.mark.parametrize(("curve", "wanted"), [
    (((6.0, 40, 100.0), (10.0, 80, 200.0), (17.0, 90, 300.0)),
     ((6.0, 30, 120.0), (10.0, 60, 240.0), (17.0, 67, 360.0))),
    (((6.0, 40, 100.0),), ((6.0, 40, 100.0),)),  # no row at the set worth
    (((10.0, 0, 0.0), (17.0, 9, 20.0)), ((10.0, 0, 0.0), (17.0, 9, 20.0))),  # nothing to scale by
])
def test_the_curve_is_scaled_so_that_its_own_row_is_what_was_built(curve, wanted):
    """Built: 60 taps on 240 m where the layout had 80 on 200."""
    assert report.curve_as_built(curve, 10.0, 60, 240.0) == tuple(
        (w, t, pytest.approx(m)) for w, t, m in wanted)


# ---------------------------------------------------------------- where lines may begin


@pytest.mark.parametrize(("row", "col", "reach"), [(20.0, 20.0, 0), (20.7, 31.4, 1), (33.2, 12.9, 2), (0.0, 0.0, 1)])
def test_open_nodes_round_a_place_come_nearest_first(row, col, reach):
    made = site()
    lattice = lattice_of(made)
    found = sources.nearest_nodes(lattice, row, col, reach)
    away = [round(math.hypot(*(lattice.rowcol([a])[0] - (row, col))), 6) for a in found]
    assert away == sorted(away)
    assert len(set(found)) == len(found)
    assert lattice.node_ok[found].all()
    centre = np.round((np.array([row, col]) - (lattice.row0, lattice.col0)) / lattice.stride)
    wanted = {int(i * lattice.cols + j) for i in range(lattice.rows) for j in range(lattice.cols)
              if max(abs(i - centre[0]), abs(j - centre[1])) <= reach and lattice.node_ok[i * lattice.cols + j]}
    assert set(found) == wanted


@pytest.mark.parametrize("inlet", [0.3, 0.9, 2.0])
def test_a_line_starts_at_its_inlet_or_at_the_lowest_end_of_its_window(inlet):
    made = site(inlet_m=inlet)
    lattice = lattice_of(made)
    point = made.collections[0]
    place = [float(v) for v in made.terrain.rowcol(point.x_m, point.y_m)]
    lowest = float(segment(lattice.surface, *place, *place)[0])
    z = sources.start_z(made, lattice.surface, lattice.base_m, point)
    assert z == pytest.approx(max(point.inlet_z_m - lattice.base_m, lowest))
    findings: list[Finding] = []
    (source,) = sources.collection_sources(made, lattice, findings)
    assert findings == []
    away = math.hypot(*(lattice.rowcol([source.node])[0] - np.array(place)))
    assert source.z >= z + lattice.surface.grade * away * lattice.surface.cell_m - 1e-6
    start = sources.collection_start(made, lattice, point)
    assert (start.station[0], start.z[0]) == (0.0, pytest.approx(z))
    assert start.direction.tolist() == [[0.0, 0.0]]


@pytest.mark.parametrize("why", ["inlet", "closed", "no ground"])
def test_a_collection_point_that_no_line_can_leave_is_told_and_is_no_source(why):
    made = site(inlet_m=9.0 if why == "inlet" else 0.9)
    if why != "inlet":
        cost = made.ground.cost.copy()
        row, col = (int(v) for v in made.terrain.rowcol(60.0, 10.0))
        cost[row - 9: row + 10, col - 9: col + 10] = np.inf
        made = dataclasses.replace(made, ground=dataclasses.replace(made.ground, cost=cost))
    if why == "no ground":
        z = made.terrain.z_m.copy()
        z[row - 9: row + 10, col - 9: col + 10] = np.nan
        made = dataclasses.replace(made, terrain=dataclasses.replace(made.terrain, z_m=z))
    findings: list[Finding] = []
    assert sources.collection_sources(made, lattice_of(made), findings) == []
    assert [(f.code, f.severity, f.subject_id) for f in findings] == [("COLLECTION_CLOSED", "violation", "C1")]


def test_two_points_at_one_node_give_one_source_for_the_first():
    made = site()
    two = dataclasses.replace(made, collections=(*made.collections, point_at(made.terrain, 60.5, 10.5, name="C2")))
    findings: list[Finding] = []
    found = sources.collection_sources(two, lattice_of(two), findings)
    assert [s.collection for s in found] == [0]
    assert findings == []


def test_a_pinned_line_may_be_joined_along_its_whole_length_at_its_own_height():
    xyz = np.array([(60.0, 20.0, 102.3), (60.0, 90.0, 106.6)])
    made = site(pins=Pins(lines={"M7": xyz}))
    lattice = lattice_of(made)
    pinned = sources.pinned_lines(made, lattice)
    assert pinned["M7"].fixed
    assert pinned["M7"].z + lattice.base_m == pytest.approx(xyz[:, 2])
    path = shapely.LineString(xyz[:, :2])
    found = sources.pinned_sources(made, lattice, pinned)
    assert {s.pinned_id for s in found} == {"M7"}
    assert [s.node for s in found] == sorted({s.node for s in found})
    spots = []
    for s in found:
        row, col = lattice.rowcol([s.node])[0]
        x, y = (float(v) for v in made.terrain.xy(row, col))
        spots.append(path.project(shapely.Point(x, y)))
        assert path.distance(shapely.Point(x, y)) <= lattice.step_m * math.sqrt(2.0)
        line_z = np.interp(spots[-1], (0.0, 70.0), xyz[:, 2]) - lattice.base_m
        assert s.z >= line_z - 0.3
    assert min(spots) < 5.0
    assert max(spots) > 65.0
    assert sources.pinned_sources(made, lattice, {}) == []


# ---------------------------------------------------------------- lines become routes


def test_lines_are_listed_parents_first():
    leaf, other = (Line(np.zeros((2, 2)), np.zeros(2), 0.0, 0, name=n) for n in "ab")
    middle = Line(np.zeros((2, 2)), np.zeros(2), 0.0, 0, name="c", children=[leaf])
    top = Line(np.zeros((2, 2)), np.zeros(2), 0.0, 0, name="d", children=[middle, other])
    assert [x.name for x in assemble.all_lines(top)] == ["d", "c", "b", "a"]


@pytest.mark.parametrize(("second", "fault"), [
    (106.6, ""), (105.9, "PINNED_LINE_ILLEGAL"), (102.9, "PINNED_LINE_ILLEGAL"),
])
def test_pinned_lines_become_routes_as_they_are_and_are_told_when_they_break_a_rule(second, fault):
    xyz = np.array([(60.0, 20.0, 102.3), (60.0, 90.0, second)])
    branch = np.array([(60.0, 50.0, 104.2), (85.0, 60.0, 105.0)])
    made = site(pins=Pins(lines={"M7": xyz, "M7.1": branch}, parent={"M7.1": "M7"}))
    lattice = lattice_of(made)
    findings: list[Finding] = []
    routes = assemble.routes_of(made, lattice, [], {}, sources.pinned_lines(made, lattice), findings)
    by_id = {r.mainline_id: r for r in routes}
    assert np.array_equal(by_id["M7"].xy_m, xyz[:, :2])
    assert np.array_equal(by_id["M7"].low_z_m, xyz[:, 2])
    assert by_id["M7.1"].parent_id == "M7"
    assert by_id["M7.1"].join_station_m == pytest.approx(30.0)
    assert [f.code for f in findings if f.subject_id == "M7"] == ([fault] if fault else [])


def test_a_pinned_line_belongs_to_the_nearest_tank_and_an_unknown_parent_is_none():
    xyz = np.array([(60.0, 20.0, 102.3), (60.0, 90.0, 106.6)])
    made = site(pins=Pins(lines={"M7": xyz}, parent={"M7": "M99"}))
    far = point_at(made.terrain, 100.0, 100.0, name="C0")
    two = dataclasses.replace(made, collections=(far, *made.collections))
    lattice = lattice_of(two)
    (one,) = assemble.routes_of(two, lattice, [], {}, sources.pinned_lines(two, lattice), [])
    assert (one.collection_id, one.parent_id, one.join_station_m) == ("C1", "", 0.0)


def test_a_laid_line_that_is_not_legal_goes_with_its_branches_and_is_told():
    """Ground rises 6 % northward: a line that runs south falls out of its window."""
    made = site()
    lattice = lattice_of(made)
    place = sources.collection_sources(made, lattice, [])
    by_node = {s.node: s for s in place}

    def laid(*xy):
        row, col = made.terrain.rowcol(*np.array(xy, dtype=float).T)
        rc = np.column_stack((row, col))
        bottom = float(segment(lattice.surface, *rc[0], *rc[0])[0])
        return Line(rc, np.full(len(xy), bottom), 0.0, place[0].node)

    good, bad = laid((60.0, 10.0), (60.0, 80.0)), laid((60.0, 100.0), (60.0, 20.0))
    bad.children.append(laid((60.0, 60.0), (90.0, 60.0)))
    findings: list[Finding] = []
    routes = assemble.routes_of(made, lattice, [good, bad], by_node, {}, findings)
    assert [r.mainline_id for r in routes] == ["M1"]
    assert np.allclose(routes[0].xy_m, [(60.0, 10.0), (60.0, 80.0)])
    rise = np.diff(routes[0].low_z_m)[0]
    assert rise >= 0.06 * 70.0 - 1e-3
    (told,) = findings
    assert told.code == "ROUTE_NOT_LEGAL"
    assert "with 1 branches" in told.text
