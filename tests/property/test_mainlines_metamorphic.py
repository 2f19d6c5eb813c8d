"""What must not change when the same site is looked at another way."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from pipeline.mainlines import plan_network
from pipeline.mainlines.network import Site
from pipeline.records import Network
from pipeline.terrain.grid import Terrain

from mainline_sites import open_ground, quick, rough, site_of, terrain_of

SIZE_M = 120.0
WITHIN = 0.02
# the search is not exact: the worst of the four views of this site was 4.6 % above the best when this was written
TURNED_WITHIN = 0.05


def planned(site: Site) -> Network:
    network, _ = plan_network(**{f.name: getattr(site, f.name) for f in dataclasses.fields(site)})
    return network


def cost_m(network: Network) -> float:
    """Return the metres of the layout plus 30 m for each tap that gravity could serve and the layout leaves out."""
    return network.stats["lattice_m"] + 30.0 * (network.stats["taps_servable"] - network.stats["lattice_taps"])


def given(terrain: Terrain, xy: np.ndarray, outlet: tuple[float, float]) -> Site:
    return site_of(terrain, xy, outlet, quick(effort="normal", tap_worth_m=30.0, bend_cost_m=0.0))


@pytest.fixture(scope="module")
def base() -> tuple[Terrain, np.ndarray, tuple[float, float], Network]:
    terrain = rough(21, SIZE_M, 3.0, relief_m=6.0, tilt=0.06)
    xy = np.random.default_rng(21).uniform(4.0, SIZE_M - 4.0, (50, 2))
    outlet = (60.0, 6.0)
    return terrain, xy, outlet, planned(given(terrain, xy, outlet))


def test_moving_the_origin_moves_the_plan_and_nothing_else(base):
    terrain, xy, (x, y), network = base
    by = np.array([4096.0, 8192.0])
    moved = dataclasses.replace(terrain, x0_m=terrain.x0_m + by[0], y0_m=terrain.y0_m + by[1])
    other = planned(given(moved, xy + by, (x + by[0], y + by[1])))
    assert cost_m(other) == pytest.approx(cost_m(network), rel=WITHIN)
    assert other.stats["taps_servable"] == network.stats["taps_servable"]


@pytest.mark.parametrize("turn", ["mirror", "quarter", "half"])
def test_mirrored_and_turned_sites_cost_much_the_same(base, turn):
    terrain, xy, (x, y), network = base
    if turn == "mirror":
        z, place = terrain.z_m[:, ::-1], lambda p: np.column_stack((SIZE_M - p[:, 0], p[:, 1]))
    elif turn == "quarter":
        z, place = np.rot90(terrain.z_m), lambda p: np.column_stack((SIZE_M - p[:, 1], p[:, 0]))
    else:
        z, place = terrain.z_m[::-1, ::-1], lambda p: SIZE_M - p
    turned = terrain_of(z, terrain.cell_m)
    out = place(np.array([[x, y]]))[0]
    assert np.allclose(turned.sample(*place(xy).T), terrain.sample(*xy.T), atol=1e-3)
    other = planned(given(turned, place(xy), (float(out[0]), float(out[1]))))
    assert other.stats["taps_servable"] == network.stats["taps_servable"]
    assert cost_m(other) == pytest.approx(cost_m(network), rel=TURNED_WITHIN)


def test_a_tree_that_no_line_can_come_near_changes_no_other(base):
    terrain, xy, outlet, network = base
    more = planned(given(terrain, np.concatenate((xy, [[5000.0, 5000.0]])), outlet))
    assert more.reason[:-1] == network.reason
    assert more.reason[-1] == "OUT_OF_REACH"
    assert [r.xy_m.tobytes() for r in more.routes] == [r.xy_m.tobytes() for r in network.routes]


@pytest.mark.parametrize("shape", [(3, 3), (3, 8), (5, 4)])
def test_the_smallest_rasters_plan_without_a_crash(shape):
    terrain = terrain_of(100.0 + 0.2 * np.arange(shape[0])[::-1, None] + np.zeros(shape), 2.0)
    settings = quick()
    site = site_of(terrain, np.array([[2.0, 3.0]]), (2.0, 0.0), settings, ground=open_ground(terrain, settings))
    network = planned(site)
    assert len(network.reason) == 1
