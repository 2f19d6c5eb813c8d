"""Slope and contours on real relief: Oregon (steep, with no data), Maunga Whau (closed crater). Sources: tests/data."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import rasterio
import shapely
from pipeline.frame import Frame
from pipeline.terrain.contours import contours
from pipeline.terrain.grid import Terrain
from pipeline.terrain.slope import slope_pct
from skimage.measure import find_contours

# rasterio multiplies its transforms in a way that the affine package announces to end one day
pytestmark = pytest.mark.filterwarnings(
    "ignore:Use `@` matmul:PendingDeprecationWarning", "ignore::rasterio.errors.NotGeoreferencedWarning")

DATA = Path(__file__).resolve().parents[1] / "data"


def read(name):
    with rasterio.open(DATA / name) as file:
        z = file.read(1, masked=True).astype(np.float32).filled(np.nan)
        t = file.transform
    return Terrain(z, t.c + t.a / 2, t.f + t.e / 2, t.a, Frame("", "", ""), 1.0, name)


@pytest.fixture(scope="module")
def oregon():
    return read("dem/oregon_coast_range_7.87m_epsg2991.tif")


@pytest.fixture(scope="module")
def volcano():
    return read("gpl/volcano_maunga_whau_10m_local.tif")


def test_oregon_is_steep_and_its_holes_stay(oregon):
    got = slope_pct(oregon)
    assert np.array_equal(np.isnan(got), np.isnan(oregon.z_m))
    # a plain central difference, cells whose neighbours are all known
    z = oregon.z_m.astype(float)
    plain = 100 * np.hypot(z[1:-1, 2:] - z[1:-1, :-2], z[2:, 1:-1] - z[:-2, 1:-1]) / (2 * oregon.cell_m)
    known = np.isfinite(plain)
    assert np.median(got[1:-1, 1:-1][known]) == pytest.approx(np.median(plain[known]), rel=0.03)
    assert np.median(got[1:-1, 1:-1][known]) == pytest.approx(60.0, abs=4.0)


@pytest.mark.parametrize("level_m", [120.0, 150.0, 180.0])
def test_contours_are_where_another_library_finds_them(volcano, level_m):
    ours = [c.xy_m for c in contours(volcano, interval_m=30.0, smooth_m=0.0) if c.z_m == level_m]
    theirs = [np.column_stack(volcano.xy(line[:, 0], line[:, 1])) for line in find_contours(volcano.z_m, level_m)]
    assert ours
    one = shapely.MultiLineString(ours)
    two = shapely.MultiLineString(theirs)
    # ours leaves out vertices that move the line by less than 0.08 of a cell
    assert one.hausdorff_distance(two) < 0.1 * volcano.cell_m
    assert one.length == pytest.approx(two.length, rel=0.05)  # the two treat cells of exactly the level differently


def test_the_crater_shows_as_a_closed_contour_inside_a_higher_one(volcano):
    rings = [c for c in contours(volcano, interval_m=5.0, smooth_m=0.0) if c.closed]
    areas = {(c.z_m, i): shapely.Polygon(c.xy_m) for i, c in enumerate(rings)}
    inner = [
        (low, high) for (low, i), a in areas.items() for (high, j), b in areas.items()
        if low < high and i != j and b.contains(a)
    ]
    assert inner


def test_contours_skip_what_is_not_known(oregon):
    found = contours(oregon, interval_m=20.0, smooth_m=10.0)
    assert len(found) > 20
    for contour in found[::7]:
        z = oregon.sample(contour.xy_m[:, 0], contour.xy_m[:, 1])
        inner = z[1:-1]  # a line that runs into a hole ends on its very edge
        assert np.isfinite(inner).mean() > 0.9 or len(inner) < 10
        assert len(inner) == 0 or np.nanmax(np.abs(inner - contour.z_m)) < 25.0
