"""The network: names, trimming, pins, several collection points, reasons, and what is refused."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from pipeline.findings import Finding
from pipeline.mainlines import plan_network, renamed, trim
from pipeline.mainlines.network import Site
from pipeline.mainlines.report import spacing
from pipeline.mainlines.routes import cut, renumbered, stations_of, with_vertices
from pipeline.mainlines.verify import check_route
from pipeline.records import Network, Pins, Route

from mainline_sites import formula, open_ground, point_at, quick, rough, site_of, trees_at


def plan(site: Site) -> tuple[Network, tuple[Finding, ...]]:
    return plan_network(**{f.name: getattr(site, f.name) for f in dataclasses.fields(site)})


def scattered(n: int, size: float, seed: int = 5, edge: float = 5.0) -> np.ndarray:
    return np.random.default_rng(seed).uniform(edge, size - edge, (n, 2))


def route(name: str, xy: list[tuple[float, float]], parent: str = "", join: float = 0.0, **more: object) -> Route:
    points = np.array(xy, dtype=float)
    return Route(name, parent, "C1", join, points, 100.0 + 0.03 * stations_of(points), **more)


def network_of(*routes: Route) -> Network:
    return Network(routes=routes, reason=(), lift_m=np.zeros(0))


# ---------------------------------------------------------------- names and trimming

TRUNK = route("M1", [(0, 0), (0, 50), (0, 100), (0, 200)])
LOW = route("M1.1", [(0, 50), (40, 60)], "M1", 50.0)
HIGH = route("M1.2", [(0, 100), (-60, 120)], "M1", 100.0)
TWIG = route("M1.2.1", [(-30, 110), (-30, 150)], "M1.2", float(np.hypot(30, 10)))


def test_trim_cuts_each_line_just_above_its_last_entry_or_join():
    out = trim(network_of(TRUNK, LOW, HIGH, TWIG), {"M1.1": (20.0,), "M1.2.1": (12.0, 30.0)})
    tops = {r.mainline_id: float(stations_of(r.xy_m)[-1]) for r in out.routes}
    assert tops["M1"] == pytest.approx(101.0)
    assert tops["M1.1"] == pytest.approx(21.0)
    assert tops["M1.2"] == pytest.approx(float(np.hypot(30, 10)) + 1.0)
    assert tops["M1.2.1"] == pytest.approx(31.0)


def test_trim_drops_what_serves_nothing_and_counts_the_rest_without_gaps():
    network = network_of(TRUNK, LOW, HIGH, TWIG)
    entries = {"M1.2": (5.0,)}
    out = trim(network, entries)
    assert [r.mainline_id for r in out.routes] == ["M1", "M1.1"]
    assert np.allclose(out.routes[1].xy_m[0], [0, 100])
    assert renamed(network, entries) == {"M1": "M1", "M1.2": "M1.1"}


def test_trim_of_nothing_is_nothing():
    assert trim(network_of(TRUNK, LOW), {}).routes == ()


def test_pinned_lines_are_never_cut_nor_renamed():
    pinned = dataclasses.replace(TRUNK, mainline_id="M7", pinned=True)
    child = dataclasses.replace(LOW, mainline_id="M7.1", parent_id="M7")
    other = route("M2", [(0, 0), (50, 5)])
    out = trim(network_of(pinned, other, child), {"M2": (10.0,), "M7.1": (5.0,)})
    kept = next(r for r in out.routes if r.pinned)
    assert kept.mainline_id == "M7"
    assert np.array_equal(kept.xy_m, TRUNK.xy_m)
    assert {r.mainline_id for r in out.routes} == {"M7", "M7.1", "M1"}


def test_trimming_twice_changes_nothing_more():
    once = trim(network_of(TRUNK, LOW, HIGH, TWIG), {"M1.1": (20.0,), "M1.2.1": (12.0, 30.0)})
    entries = {r.mainline_id: () for r in once.routes} | {"M1.1": (20.0,), "M1.2.1": (12.0, 30.0)}
    twice = trim(once, entries)
    assert [r.mainline_id for r in twice.routes] == [r.mainline_id for r in once.routes]
    for a, b in zip(once.routes, twice.routes, strict=True):
        assert np.allclose(a.xy_m, b.xy_m)


def test_branches_are_counted_upward_and_lines_by_their_collection_point():
    other = dataclasses.replace(route("x", [(500, 0), (500, 900)]), collection_id="C2")
    out = renumbered((other, HIGH, TRUNK, LOW, TWIG), ("C1", "C2"))
    assert [r.mainline_id for r in out] == ["M1", "M2", "M1.1", "M1.2", "M1.2.1"]
    assert out[1].collection_id == "C2"
    assert out[2].join_station_m == 50.0


def test_cut_and_with_vertices_keep_the_line():
    short = cut(TRUNK, 75.0)
    assert np.allclose(short.xy_m[-1], [0, 75])
    assert short.low_z_m[-1] == pytest.approx(102.25)
    xy, z = with_vertices(TRUNK.xy_m, TRUNK.low_z_m, [(25.0, 100.75), (50.0, 0.0), (150.0, 104.5)])
    assert np.allclose(stations_of(xy), [0, 25, 50, 100, 150, 200])
    assert np.allclose(z, 100.0 + 0.03 * stations_of(xy))


# ---------------------------------------------------------------- whole networks


@pytest.fixture(scope="module")
def rolling() -> tuple[Site, Network, tuple[Finding, ...]]:
    terrain = rough(11, 300.0)
    site = site_of(terrain, scattered(300, 300.0), (150.0, 6.0), quick())
    return site, *plan(site)


def test_every_route_is_legal_and_every_branch_starts_at_a_vertex_of_its_parent(rolling):
    site, network, _ = rolling
    assert len(network.routes) > 3
    by_id = {r.mainline_id: r for r in network.routes}
    assert len(by_id) == len(network.routes)
    for r in network.routes:
        assert check_route(site.terrain, site.ground, site.settings, r).fault == ""
        if r.parent_id:
            parent = by_id[r.parent_id]
            assert network.routes.index(parent) < network.routes.index(r)
            own = stations_of(parent.xy_m)
            k = int(np.argmin(np.abs(own - r.join_station_m)))
            assert own[k] == r.join_station_m
            assert np.array_equal(parent.xy_m[k], r.xy_m[0])
            assert r.low_z_m[0] == pytest.approx(parent.low_z_m[k], abs=1e-9)
        else:
            assert np.allclose(r.xy_m[0], [150.0, 6.0])


def test_no_two_lines_cross(rolling):
    _, network, _ = rolling
    segments = [(r.mainline_id, a, b) for r in network.routes for a, b in zip(r.xy_m[:-1], r.xy_m[1:], strict=True)]

    def side(p, q, x):
        return (q[0] - p[0]) * (x[1] - p[1]) - (q[1] - p[1]) * (x[0] - p[0])

    for i, (name, a, b) in enumerate(segments):
        for other, c, d in segments[i + 1:]:
            if name != other:
                crossing = side(a, b, c) * side(a, b, d) < -1e-9 and side(c, d, a) * side(c, d, b) < -1e-9
                assert not crossing, (name, other)


def test_most_of_what_gravity_can_serve_is_brought_in_reach_at_a_good_price(rolling):
    site, _, _ = rolling
    rich = dataclasses.replace(
        site, settings=dataclasses.replace(site.settings, mainlines=dataclasses.replace(
            site.settings.mainlines, tap_worth_m=40.0))
    )
    network, _ = plan(rich)
    # the rest stands where only a branch too short to be worth its join, or a bend in a crossing, would reach it
    assert network.stats["taps_in_reach"] >= 0.88 * network.stats["taps_servable"]


def test_the_worth_curve_rises(rolling):
    _, network, _ = rolling
    worth, taps, metres = (np.array(v) for v in zip(*network.worth_curve, strict=True))
    assert np.all(np.diff(worth) > 0)
    assert np.all(np.diff(taps) >= 0)
    assert np.all(np.diff(metres) >= 0)
    assert taps[-1] > taps[0]
    own = network.worth_curve[list(worth).index(quick().mainlines.tap_worth_m)]
    assert own[1] == pytest.approx(network.stats["taps_in_reach"], abs=1)
    assert own[2] == pytest.approx(network.stats["mainline_m"], rel=1e-6)


def test_the_same_seed_gives_the_same_plan(rolling):
    site, network, _ = rolling
    again, _ = plan(site)
    assert [r.mainline_id for r in again.routes] == [r.mainline_id for r in network.routes]
    for a, b in zip(again.routes, network.routes, strict=True):
        assert np.array_equal(a.xy_m, b.xy_m)
        assert np.array_equal(a.low_z_m, b.low_z_m)
    assert again.reason == network.reason


def test_two_collection_points_share_the_trees():
    """A ridge between two valleys: each tank gets its own side."""
    settings = quick(tap_worth_m=40.0)
    terrain = formula(lambda x, y: 100.0 + 0.05 * y - 0.12 * np.abs(x - 150.0), 300.0)
    trees = trees_at(terrain, scattered(250, 300.0))
    site = Site(
        terrain, open_ground(terrain, settings), trees,
        (point_at(terrain, 20.0, 6.0), point_at(terrain, 280.0, 6.0, name="C2")), Pins(), settings,
    )
    network, _ = plan(site)
    assert {r.collection_id for r in network.routes} == {"C1", "C2"}
    for r in network.routes:
        if not r.parent_id:
            assert np.allclose(r.xy_m[0], [20.0, 6.0] if r.collection_id == "C1" else [280.0, 6.0])
    tops = {c: np.mean([r.xy_m[:, 0].mean() for r in network.routes if r.collection_id == c]) for c in ("C1", "C2")}
    assert tops["C1"] < 150.0 < tops["C2"]
    assert network.stats["taps_in_reach"] > 0.8 * network.stats["taps_servable"]


def test_pinned_lines_stay_and_branches_join_them_at_their_own_height():
    settings = quick()
    terrain = formula(lambda x, y: 100.0 + 0.05 * y, 300.0)
    y = np.array([10.0, 120.0, 240.0])
    pin = np.column_stack((np.full(3, 150.0), y, 100.0 + 0.05 * y + 1.3))
    xy = np.concatenate((
        scattered(120, 110.0, 1) + np.array([[170.0, 100.0]]), scattered(120, 110.0, 2) + np.array([[10.0, 150.0]])
    ))
    site = site_of(terrain, xy, (150.0, 10.0), settings, pins=Pins(lines={"M4": pin}))
    network, findings = plan(site)
    kept = next(r for r in network.routes if r.mainline_id == "M4")
    assert kept.pinned
    assert np.array_equal(kept.xy_m, pin[:, :2])
    assert np.array_equal(kept.low_z_m, pin[:, 2])
    branches = [r for r in network.routes if r.parent_id == "M4"]
    assert branches
    for r in branches:
        assert r.xy_m[0, 0] == pytest.approx(150.0, abs=1e-6)
        assert r.low_z_m[0] == pytest.approx(100.0 + 0.05 * r.xy_m[0, 1] + 1.3, abs=1e-6)
    assert not [f for f in findings if f.code == "PINNED_LINE_ILLEGAL"]


def test_a_pinned_line_that_breaks_a_rule_is_kept_and_named():
    settings = quick()
    terrain = formula(lambda x, y: 100.0 + 0.05 * y, 200.0)
    pin = np.array([[100.0, 10.0, 101.4], [100.0, 150.0, 101.9]])
    site = site_of(terrain, scattered(20, 200.0), (100.0, 10.0), settings, pins=Pins(lines={"M1": pin}))
    network, findings = plan(site)
    assert any(r.pinned for r in network.routes)
    assert [f.subject_id for f in findings if f.code == "PINNED_LINE_ILLEGAL"] == ["M1"]


def test_a_tank_whose_inlet_is_too_high_gets_no_line_and_says_so():
    settings = quick()
    terrain = formula(lambda x, y: 100.0 + 0.05 * y, 150.0)
    network, findings = plan(site_of(terrain, scattered(40, 150.0), (75.0, 6.0), settings, inlet_m=4.0))
    assert network.routes == ()
    assert {"COLLECTION_CLOSED", "NO_MAINLINE"} <= {f.code for f in findings}
    assert set(network.reason) == {"OUT_OF_REACH"}


def test_trees_that_are_not_asked_for_get_no_reason_and_no_line():
    settings = quick()
    terrain = formula(lambda x, y: 100.0 + 0.05 * y, 150.0)
    site = site_of(terrain, scattered(40, 150.0), (75.0, 6.0), settings)
    trees = dataclasses.replace(site.trees, status=("not_tapped",) * 40, taps=np.zeros(40, dtype=np.int64))
    network, _ = plan(dataclasses.replace(site, trees=trees))
    assert network.routes == ()
    assert set(network.reason) == {""}


def test_one_far_tree_is_not_worth_its_line_but_is_when_a_tap_is_worth_more():
    terrain = formula(lambda x, y: 100.0 + 0.05 * y, 200.0)
    xy = np.array([[100.0, 180.0]])
    poor, _ = plan(site_of(terrain, xy, (100.0, 10.0), quick()))
    rich, _ = plan(site_of(terrain, xy, (100.0, 10.0), quick(tap_worth_m=190.0)))
    assert poor.routes == ()
    assert poor.reason == ("NOT_WORTH_IT",)
    assert len(rich.routes) == 1
    assert rich.reason == ("",)


def test_ground_without_elevation_is_never_entered():
    settings = quick()
    terrain = formula(lambda x, y: np.where((x - 100) ** 2 + (y - 90) ** 2 < 900, np.nan, 100.0 + 0.05 * y), 200.0)
    site = site_of(terrain, np.tile([[100.0, 180.0]], (60, 1)), (100.0, 10.0), settings)
    network, _ = plan(site)
    assert network.routes
    for r in network.routes:
        assert check_route(terrain, site.ground, settings, r).fault == ""


def test_no_line_bends_joins_or_ends_where_no_support_may_stand():
    """Stripes on which nothing can stand: lines pass over them straight."""
    settings = quick()
    terrain = rough(11, 240.0)
    ground = open_ground(terrain, settings)
    for row in range(10, terrain.shape[0] - 14, 9):
        ground.support_blocked[row: row + 3, :] = True
    network, _ = plan(site_of(terrain, scattered(220, 240.0), (120.0, 6.0), settings, ground=ground))
    assert len(network.routes) > 3
    crossed = 0
    for r in network.routes:
        row, col = (np.floor(v + 0.5).astype(int) for v in terrain.rowcol(r.xy_m[:, 0], r.xy_m[:, 1]))
        assert not ground.support_blocked[row, col].any(), r.mainline_id
        crossed += int(row.max() - row.min() > 9)
    assert crossed


def test_spacing_is_the_distance_between_parallel_lines_away_from_their_joins():
    far = [route(f"M{k}", [(40.0 * k, 0.0), (40.0 * k, 200.0)]) for k in range(3)]
    assert spacing(tuple(far), 24.0)["spacing_m"] == pytest.approx(40.0)
    assert spacing((far[0],), 24.0) == {}
    # a branch that leaves at its join is not counted as near there
    branch = route("M1.1", [(0.0, 50.0), (60.0, 50.0), (60.0, 200.0)], "M1", 50.0)
    assert spacing((far[0], branch), 24.0)["spacing_m"] == pytest.approx(60.0, abs=6.0)


# ---------------------------------------------------------------- the check itself


def test_the_check_sees_each_fault():
    settings = quick()
    terrain = formula(lambda x, y: 100.0 + 0.05 * y, 100.0)
    ground = open_ground(terrain, settings)
    low = 100.0 + settings.mainlines.lowest_m + settings.mainlines.sag_allowance_m

    def fault(xy, z, on=ground):
        return check_route(terrain, on, settings, Route("M1", "", "C1", 0.0, np.array(xy, float), np.array(z))).fault

    up = [(50.0, 10.0), (50.0, 60.0)]
    assert fault(up, [low + 0.5, low + 3.0]) == ""
    assert fault(up, [low + 0.3, low + 3.0]) == "lies lower than is legal"
    assert fault(up[::-1], [low + 3.0, low + 4.0]) == "leaves its height window"
    assert fault([(50.0, 10.0), (50.0, 130.0)], [low + 0.5, low + 6.0]) == "runs off the terrain"
    assert fault([(50.0, 10.0), (52.0, 10.0)], [low + 0.6, low + 0.6]) == "lies lower than is legal"
    closed = dataclasses.replace(ground, cost=ground.cost.copy())
    closed.cost[int(terrain.rowcol(50.0, 30.0)[0]), :] = np.inf
    assert fault(up, [low + 0.5, low + 3.0], closed) == "enters a no-go"
