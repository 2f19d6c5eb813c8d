"""Which cells an area covers, against GDAL's rasteriser (by rasterio) and GEOS's point in polygon (by shapely)."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from pipeline.frame import Frame
from pipeline.terrain.burn import covered
from pipeline.terrain.grid import Terrain
from rasterio.features import rasterize
from rasterio.transform import from_origin

# rasterio multiplies its transforms in a way that the affine package announces to end one day
pytestmark = pytest.mark.filterwarnings("ignore:Use `@` matmul:PendingDeprecationWarning")

ROWS, COLS, CELL_M = 57, 83, 1.5
WEST, NORTH = 1000.0, 2000.0


def terrain():
    z = np.zeros((ROWS, COLS), dtype=np.float32)
    return Terrain(z, WEST + CELL_M / 2, NORTH - CELL_M / 2, CELL_M, Frame("", "local", ""), 0.1, "test")


def shapes(seed):
    """Return uneven areas, some with holes, some in parts, some partly off the grid."""
    rng = np.random.default_rng(seed)
    centres = rng.uniform((WEST - 10, NORTH - ROWS * CELL_M - 10), (WEST + COLS * CELL_M + 10, NORTH + 10), (5, 2))
    blobs = [shapely.Point(c).buffer(r) for c, r in zip(centres, rng.uniform(3, 30, 5), strict=True)]
    walk = shapely.LineString(centres).buffer(rng.uniform(0.4, 4.0))
    return shapely.union_all([*blobs, walk]).difference(shapely.Point(centres[0]).buffer(2.5))


def whole(window, mask):
    out = np.zeros((ROWS, COLS), dtype=bool)
    out[window] = mask
    return out


@pytest.mark.parametrize("seed", range(12))
def test_same_cells_as_point_in_polygon(seed):
    area = shapes(seed)
    x, y = terrain().xy(*np.indices((ROWS, COLS)))
    assert np.array_equal(whole(*covered(terrain(), area)), shapely.contains_xy(area, x, y))


@pytest.mark.parametrize("seed", range(12))
def test_same_cells_as_gdal(seed):
    area = shapes(seed)
    theirs = rasterize([area], (ROWS, COLS), transform=from_origin(WEST, NORTH, CELL_M, CELL_M)).astype(bool)
    ours = whole(*covered(terrain(), area))
    # GDAL snaps edges a little; cells that differ must have their centre on the outline
    x, y = terrain().xy(*np.nonzero(ours != theirs))
    assert np.all(shapely.distance(area.boundary, shapely.points(x, y)) < 1e-3)
    assert theirs.any()


@pytest.mark.parametrize("seed", range(12))
def test_thin_lines_touch_at_least_what_gdal_calls_all_touched(seed):
    rng = np.random.default_rng(100 + seed)
    line = shapely.LineString(rng.uniform((WEST, NORTH - ROWS * CELL_M), (WEST + COLS * CELL_M, NORTH), (4, 2)))
    theirs = rasterize([line], (ROWS, COLS), transform=from_origin(WEST, NORTH, CELL_M, CELL_M),
                       all_touched=True).astype(bool)
    ours = whole(*covered(terrain(), line.buffer(0.75 * CELL_M)))
    x, y = terrain().xy(*np.nonzero(theirs & ~ours))
    # a corner that GDAL counts may be a hair outside the round buffer, never more
    assert np.all(shapely.distance(line, shapely.points(x, y)) > 0.70 * CELL_M)
    assert theirs.sum() > 20


def test_outside_the_grid_and_lines_cover_nothing():
    assert covered(terrain(), shapely.box(0, 0, 10, 10))[1].size == 0
    assert covered(terrain(), shapely.LineString([(WEST, NORTH), (WEST + 50, NORTH - 50)]))[1].size == 0
    assert covered(terrain(), shapely.Polygon())[1].size == 0
