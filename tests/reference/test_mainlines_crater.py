"""The closed crater of Maunga Whau (open elevation data): trees inside are set aside with their lift."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import rasterio
from pipeline.mainlines import plan_network
from scipy.ndimage import minimum_filter
from skimage.morphology import reconstruction

from mainline_sites import quick, site_of, terrain_of

DEM = Path(__file__).parents[1] / "data" / "gpl" / "volcano_maunga_whau_10m_local.tif"


def test_trees_in_the_crater_are_not_routed_and_their_lift_is_the_way_over_the_rim():
    """Spill levels come from scikit-image's depression filling (reconstruction by erosion)."""
    with rasterio.open(DEM) as source:
        z = source.read(1).astype(float)
        cell = abs(source.transform.a)
    seed = z.copy()
    seed[1:-1, 1:-1] = z.max()
    spill = reconstruction(seed, z, method="erosion")
    depth = spill - z
    reach = int(np.ceil(24.4 / cell))
    inside = minimum_filter((depth > 0.0).astype(float), size=2 * reach + 1) > 0.0
    rows, cols = np.nonzero(inside & (depth > 6.0))
    assert rows.size >= 3
    terrain = terrain_of(z, cell)
    x, y = terrain.xy(rows, cols)
    edge = z.copy()
    edge[3:-3, 3:-3] = np.inf
    edge[:2], edge[-2:], edge[:, :2], edge[:, -2:] = np.inf, np.inf, np.inf, np.inf
    r0, c0 = np.unravel_index(int(np.argmin(edge)), z.shape)
    ox, oy = terrain.xy(r0, c0)
    settings = quick(tap_worth_m=100.0)
    site = site_of(terrain, np.column_stack((x, y)), (float(ox), float(oy)), settings, taps=2)
    network, _ = plan_network(**{f.name: getattr(site, f.name) for f in dataclasses.fields(site)})
    assert network.routes == ()
    assert set(network.reason) == {"BELOW_OUTLET"}
    least = spill[rows, cols] + settings.mainlines.lowest_m - (z[rows, cols] + settings.laterals.highest_m)
    # a line must pass the spill at its lowest height, and rises on its way in by 2 % of at most 300 m
    assert np.all(network.lift_m >= least - 1e-3)
    assert np.all(network.lift_m <= least + 0.02 * 300.0 + 0.5)
