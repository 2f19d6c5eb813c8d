"""Slope: planes exactly, edges and holes, and Horn's scheme against scipy's Sobel operator."""

from __future__ import annotations

import numpy as np
import pytest
from pipeline.frame import Frame
from pipeline.terrain.grid import Terrain
from pipeline.terrain.slope import slope_pct
from scipy.ndimage import sobel


def terrain(z, cell_m=1.0):
    return Terrain(np.asarray(z, dtype=np.float32), 0.0, 0.0, cell_m, Frame("", "local", ""), 0.1, "test")


@pytest.mark.parametrize(("east", "north"), [(0.1, 0.0), (0.0, -0.2), (0.06, 0.08), (0.0, 0.0)])
@pytest.mark.parametrize("cell_m", [0.5, 1.0, 10.0])
def test_a_plane_has_its_slope_everywhere(east, north, cell_m):
    row, col = np.indices((9, 7)) * cell_m
    got = slope_pct(terrain(400.0 + east * col - north * row, cell_m))
    assert got.dtype == np.float32
    assert np.allclose(got, 100.0 * np.hypot(east, north), atol=0.02)


def test_holes_stay_holes_and_do_not_spread():
    row, col = np.indices((9, 7))
    z = (0.1 * col + 0.05 * row).astype(np.float32)
    z[4, 3] = np.nan
    z[0, :2] = np.nan
    got = slope_pct(terrain(z))
    assert np.array_equal(np.isnan(got), np.isnan(z))
    assert np.allclose(got[~np.isnan(z)], 100.0 * np.hypot(0.1, 0.05), atol=0.01)


def test_one_cell_and_no_ground():
    assert slope_pct(terrain([[5.0]]))[0, 0] == 0.0
    assert np.isnan(slope_pct(terrain([[np.nan, np.nan]]))).all()


def test_same_as_sobel_inside():
    # Horn's weights are the Sobel operator's, divided by eight
    rng = np.random.default_rng(5)
    z = rng.normal(300.0, 1.0, (40, 50)).astype(np.float32)
    theirs = 100.0 * np.hypot(sobel(z.astype(float), axis=0), sobel(z.astype(float), axis=1)) / 8.0 / 2.5
    assert np.allclose(slope_pct(terrain(z, 2.5))[1:-1, 1:-1], theirs[1:-1, 1:-1], rtol=1e-3)
