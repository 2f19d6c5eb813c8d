"""What must hold for the mainlines of any site."""

from __future__ import annotations

import dataclasses

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pipeline.mainlines import plan_network, trim
from pipeline.mainlines.network import Site
from pipeline.mainlines.routes import stations_of
from pipeline.records import Network, Route
from pipeline.wire import chord_rules
from shapely.geometry import LineString

from mainline_sites import open_ground, quick, rough, site_of

FEW = settings(max_examples=6, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])


def plan(site: Site) -> Network:
    network, _ = plan_network(**{f.name: getattr(site, f.name) for f in dataclasses.fields(site)})
    return network


def rolling(seed: int, grade: float, trees: int) -> Site:
    terrain = rough(seed, 180.0, 3.0, relief_m=7.0, tilt=0.06)
    rng = np.random.default_rng(seed)
    chosen = quick(min_grade_pct=grade, tap_worth_m=20.0, seed=seed % 97)
    ground = open_ground(terrain, chosen)
    r, c = rng.integers(15, 45, 2)
    ground.cost[r: r + 6, c: c + 6] = np.inf
    return site_of(terrain, rng.uniform(4.0, 176.0, (trees, 2)), (90.0, 6.0), chosen, ground=ground)


def legal(site: Site, route: Route) -> None:
    """Walk a route from station 0 in 0.2 m steps with the lowest line and assert every rule.

    Written anew, step by step, without the room's own check.
    """
    lines = site.settings.mainlines
    own = stations_of(route.xy_m)
    z = float(route.low_z_m[0])
    s = 0.0
    at_vertex = dict(zip(np.round(own, 6).tolist(), route.low_z_m.tolist(), strict=True))
    stops = sorted({*np.arange(0.0, float(own[-1]), 0.2).tolist(), *own.tolist()})
    for stop in stops:
        z += chord_rules(site.settings).min_grade_pct / 100.0 * (stop - s)
        s = stop
        x, y = np.interp(s, own, route.xy_m[:, 0]), np.interp(s, own, route.xy_m[:, 1])
        ground = float(site.terrain.sample(x, y))
        row, col = site.terrain.rowcol(x, y)
        cell = (int(np.floor(row + 0.5)), int(np.floor(col + 0.5)))
        assert np.isfinite(site.ground.cost[cell])
        z = max(z, ground + float(site.ground.lowest_m[cell]) + lines.sag_allowance_m)
        assert z <= ground + float(site.ground.highest_m[cell]) + 1e-3
        if round(s, 6) in at_vertex:
            assert at_vertex[round(s, 6)] >= z - 1e-3
            z = max(z, at_vertex[round(s, 6)])
            assert z <= ground + float(site.ground.highest_m[cell]) + 1e-3


@FEW
@given(seed=st.integers(0, 10_000), grade=st.sampled_from([1.0, 2.0, 3.0]), trees=st.integers(20, 120))
def test_every_line_is_legal_joined_and_uncrossed(seed, grade, trees):
    site = rolling(seed, grade, trees)
    network = plan(site)
    by_id = {r.mainline_id: r for r in network.routes}
    assert len(by_id) == len(network.routes)
    assert len(network.reason) == trees
    for route in network.routes:
        legal(site, route)
        grades = np.diff(route.low_z_m) / np.diff(stations_of(route.xy_m))
        assert grades.min() >= grade / 100.0 - 1e-6
        if route.parent_id:
            parent = by_id[route.parent_id]
            k = int(np.argmin(np.abs(stations_of(parent.xy_m) - route.join_station_m)))
            assert np.array_equal(parent.xy_m[k], route.xy_m[0])
    shapes = [LineString(r.xy_m) for r in network.routes]
    assert not any(a.crosses(b) for i, a in enumerate(shapes) for b in shapes[i + 1:])


@FEW
@given(seed=st.integers(0, 10_000))
def test_the_order_of_the_trees_does_not_matter_and_the_seed_fixes_the_plan(seed):
    site = rolling(seed, 2.0, 60)
    one, two = plan(site), plan(site)
    assert [r.xy_m.tobytes() for r in one.routes] == [r.xy_m.tobytes() for r in two.routes]
    order = np.random.default_rng(seed).permutation(60)
    trees = site.trees
    shuffled = dataclasses.replace(
        trees, x_m=trees.x_m[order], y_m=trees.y_m[order], ground_z_m=trees.ground_z_m[order],
        tree_id=tuple(trees.tree_id[i] for i in order),
    )
    other = plan(dataclasses.replace(site, trees=shuffled))
    assert other.stats["mainline_m"] == one.stats["mainline_m"]
    assert other.reason == tuple(one.reason[i] for i in order)


@FEW
@given(seed=st.integers(0, 10_000), share=st.floats(0.0, 1.0))
def test_trimming_keeps_every_entry_and_every_join(seed, share):
    network = plan(rolling(seed, 2.0, 80))
    rng = np.random.default_rng(seed)
    entries = {
        r.mainline_id: tuple(np.sort(rng.uniform(0.0, stations_of(r.xy_m)[-1], 2)).tolist())
        for r in network.routes if rng.random() < share
    }
    out = trim(network, entries)
    assert len({r.mainline_id for r in out.routes}) == len(out.routes)
    ids = {r.mainline_id for r in out.routes}
    for r in out.routes:
        assert not r.parent_id or r.parent_id in ids
    total = sum(len(v) for v in entries.values())
    spots = [
        (float(np.interp(s, stations_of(r.xy_m), r.xy_m[:, 0])), float(np.interp(s, stations_of(r.xy_m), r.xy_m[:, 1])))
        for r in network.routes for s in entries.get(r.mainline_id, ())
    ]
    assert len(spots) == total
    for x, y in spots:
        point = LineString([(x, y), (x, y + 1e-9)])
        assert min(LineString(r.xy_m).distance(point) for r in out.routes) < 1e-6
