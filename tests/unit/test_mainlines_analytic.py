"""Mainlines on terrains whose answer is known in closed form."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from pipeline.mainlines import plan_network
from pipeline.mainlines.lattice import MARGIN_GRADE_PCT, MARGIN_HIGH_M, MARGIN_LOW_M
from pipeline.mainlines.network import Site
from pipeline.mainlines.verify import check_route
from pipeline.records import Network
from pipeline.wire import chord_rules

from mainline_sites import formula, open_ground, quick, site_of


def plan(site: Site) -> Network:
    network, _ = plan_network(**{f.name: getattr(site, f.name) for f in dataclasses.fields(site)})
    for route in network.routes:
        assert check_route(site.terrain, site.ground, site.settings, route).fault == ""
    return network


def clump(x: float, y: float, n: int = 16, spread: float = 8.0, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.column_stack((x + rng.uniform(-spread, spread, n), y + rng.uniform(-spread, spread, n)))


def test_tilted_plane_is_crossed_in_one_straight_run_to_just_within_reach():
    """5 % plane, all trees at one place 150 m uphill: the cheapest line is straight and stops a reach short."""
    settings = quick()
    terrain = formula(lambda x, y: 100.0 + 0.05 * y, 200.0)
    site = site_of(terrain, np.tile([[100.0, 160.0]], (30, 1)), (100.0, 10.0), settings)
    network = plan(site)
    assert len(network.routes) == 1
    xy = network.routes[0].xy_m
    length = float(np.hypot(*np.diff(xy, axis=0).T).sum())
    least = 150.0 - settings.laterals.reach_m
    assert least - 1e-6 <= length <= least + 1.05 * network.stats["step_m"]
    assert length <= 1.01 * float(np.hypot(*(xy[-1] - xy[0])))
    assert set(network.reason) == {""}


def test_a_plane_flatter_than_the_least_grade_carries_as_far_as_the_window_is_high():
    """On level ground the line rises by the least grade through its window: it ends after window / grade metres."""
    settings = quick()
    lines = settings.mainlines
    terrain = formula(lambda x, y: 100.0 + 0.0 * y, 220.0)
    window = lines.highest_m - MARGIN_HIGH_M - (lines.lowest_m + lines.sag_allowance_m + MARGIN_LOW_M)
    grade = (chord_rules(settings).min_grade_pct + MARGIN_GRADE_PCT) / 100.0
    lateral = settings.laterals
    # a lateral must still get from the line to at most its own highest place
    top = min(window, lateral.highest_m - lines.lowest_m - lines.sag_allowance_m - MARGIN_LOW_M) / grade
    near, far = 0.5 * top + 10.0, window / grade + lateral.reach_m + 20.0
    xy = np.concatenate((np.tile([[110.0, 10.0 + near]], (20, 1)), np.tile([[110.0, 10.0 + far]], (20, 1))))
    network = plan(site_of(terrain, xy, (110.0, 10.0), settings))
    assert set(network.reason[:20]) == {""}
    assert set(network.reason[20:]) == {"BELOW_OUTLET"}
    assert len(network.routes) == 1


def test_closed_bowl_is_not_routed_and_the_lift_is_the_rim_that_must_be_crossed():
    """Trees on the floor of a bowl 6 m deep: the lowest line crosses the rim, then must go on rising."""
    settings = quick()
    lines, lateral = settings.mainlines, settings.laterals
    centre, radius, deep = np.array([150.0, 170.0]), 70.0, 6.0

    def height(x, y):
        r = np.hypot(x - centre[0], y - centre[1])
        return np.where(r < radius, 110.0 - deep * (1.0 - (r / radius) ** 2), 110.0 - 0.08 * (r - radius))

    terrain = formula(height, 300.0)
    network = plan(site_of(terrain, np.tile(centre, (25, 1)), (150.0, 10.0), settings))
    assert network.routes == ()
    assert set(network.reason) == {"BELOW_OUTLET"}
    grade = (chord_rules(settings).min_grade_pct + MARGIN_GRADE_PCT) / 100.0
    at_rim = 110.0 + lines.lowest_m + lines.sag_allowance_m + MARGIN_LOW_M
    to_reach = at_rim + grade * (radius - lateral.reach_m) + lateral.min_grade_pct / 100.0 * lateral.reach_m
    lift = to_reach - (110.0 - deep + lateral.highest_m)
    assert network.lift_m == pytest.approx(lift, abs=0.12)


@pytest.mark.parametrize("passes", [True, False])
def test_a_terrace_is_crossed_only_while_it_fits_the_height_window(passes):
    """A ridge across the whole site; behind it the ground drops and stays level for 60 m, then rises.

    The line leaves the ridge at its lowest legal height and rises at the least grade for the 64 m to
    the end of the level, where the window ends: the drop may be (highest - lowest - margins) - 64 m of
    grade. The terrace lies a decimetre inside that limit, or a decimetre outside.
    """
    settings = quick()
    lines = settings.mainlines
    window = lines.highest_m - lines.lowest_m - lines.sag_allowance_m - MARGIN_LOW_M - MARGIN_HIGH_M
    grade = (chord_rules(settings).min_grade_pct + MARGIN_GRADE_PCT) / 100.0
    limit = window - grade * 64.0
    drop = limit + (-0.10 if passes else 0.10)

    def height(x, y):
        ridge = 100.0 + 0.05 * np.minimum(y, 60.0)
        return ridge - drop * np.clip((y - 60.0) / 4.0, 0.0, 1.0) + 0.06 * np.maximum(y - 124.0, 0.0)

    terrain = formula(height, 260.0)
    network = plan(site_of(terrain, clump(130.0, 190.0, 30), (130.0, 10.0), settings, taps=2))
    assert bool(network.routes) is passes
    assert (set(network.reason) == {""}) is passes


def test_v_valley_line_climbs_the_floor_and_serves_both_flanks():
    settings = quick()
    terrain = formula(lambda x, y: 100.0 + 0.06 * y + 0.25 * np.abs(x - 120.0), 240.0)
    rng = np.random.default_rng(3)
    xy = np.column_stack((120.0 + rng.choice([-15.0, 15.0], 60), rng.uniform(60.0, 220.0, 60)))
    network = plan(site_of(terrain, xy, (120.0, 10.0), settings))
    assert set(network.reason) == {""}
    assert len(network.routes) <= 2
    assert max(np.abs(r.xy_m[:, 0] - 120.0).max() for r in network.routes) < 15.0


def test_saddle_is_passed_at_its_lowest_place():
    """Two hollows joined by a pass that rises slowly; a line to the far side goes through the pass."""
    settings = quick(tap_worth_m=40.0)

    def height(x, y):
        return 100.0 + 0.05 * y + 0.004 * (x - 120.0) ** 2 * np.exp(-(((y - 120.0) / 25.0) ** 2))

    terrain = formula(height, 240.0)
    network = plan(site_of(terrain, clump(120.0, 210.0, 20), (120.0, 10.0), settings))
    assert set(network.reason) == {""}
    xy = network.routes[0].xy_m
    x_at_pass = np.interp(120.0, xy[:, 1], xy[:, 0])
    assert abs(x_at_pass - 120.0) < 15.0


def test_cone_is_climbed_by_a_line_that_never_leaves_its_window():
    settings = quick()
    terrain = formula(lambda x, y: 140.0 - 0.2 * np.hypot(x - 120.0, y - 120.0), 240.0)
    network = plan(site_of(terrain, clump(120.0, 116.0, 30, 5.0), (120.0, 14.0), settings))
    assert set(network.reason) == {""}
    total = network.stats["mainline_m"]
    assert 106.0 - settings.laterals.reach_m - 15.0 <= total <= 130.0


def test_no_go_is_gone_round_and_a_thin_wall_is_seen():
    """A wall one cell thick with one opening: the line goes through the opening."""
    settings = quick(tap_worth_m=40.0)
    terrain = formula(lambda x, y: 100.0 + 0.05 * y, 240.0)
    ground = open_ground(terrain, settings)
    row = int(terrain.rowcol(0.0, 100.0)[0])
    ground.cost[row, :] = np.inf
    ground.lateral_blocked[row, :] = True
    opening = (terrain.xy(0, np.arange(terrain.shape[1]))[0] > 190.0) & (
        terrain.xy(0, np.arange(terrain.shape[1]))[0] < 215.0
    )
    ground.cost[row, opening] = 1.0
    network = plan(site_of(terrain, clump(60.0, 200.0, 30), (60.0, 10.0), settings, ground=ground))
    assert set(network.reason) == {""}
    crossing = [
        float(np.interp(100.0, r.xy_m[:, 1], r.xy_m[:, 0])) for r in network.routes
        if r.xy_m[:, 1].min() < 100.0 < r.xy_m[:, 1].max()
    ]
    assert crossing
    assert all(190.0 < x < 215.0 for x in crossing)
