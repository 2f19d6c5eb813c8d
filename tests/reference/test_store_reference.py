"""Real files of other people's making, and conversions against other libraries."""

from __future__ import annotations

import math
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pyproj
import pytest
import rasterio
from pipeline.errors import InputDataError
from pipeline.frame import utm_frame
from pipeline.settings import Settings, TerrainSettings, TreeSettings
from pipeline.store import georef, rasters, vectors, words

DATA = Path(__file__).resolve().parents[1] / "data"
FRAME = utm_frame(14.3, 45.77, "")


def trees(name: str) -> Settings:
    return Settings(trees=TreeSettings(file=name))


def waypoints(name: str):
    """Return name, longitude, latitude of the waypoints by the standard library's own parser."""
    root = ElementTree.parse(DATA / "gpx" / name).getroot()  # noqa: S314 - a file of ours
    space = root.tag.split("}")[0] + "}"
    return [(p.findtext(f"{space}name"), float(p.get("lon")), float(p.get("lat"))) for p in root.iter(f"{space}wpt")]


@pytest.mark.parametrize(
    ("name", "count"),
    [("cerknicko-jezero.gpx", 7), ("cerknicko-jezero-with-elevations-zero.gpx", 7), ("korita-zbevnica.gpx", 2)],
)
def test_real_waypoints_are_all_read(name: str, count: int) -> None:
    """Test files of gpxpy 1.6.2, written by GPSBabel from a handheld receiver."""
    wanted = waypoints(name)
    points = vectors.read_trees(trees(name), DATA / "gpx", FRAME)
    assert len(points.tree_id) == len(wanted) == count
    assert points.tree_id == tuple(words.clean(n, 40) for n, _, _ in wanted)
    x, y = FRAME.from_lonlat([w[1] for w in wanted], [w[2] for w in wanted])
    assert np.hypot(points.x_m - x, points.y_m - y).max() < 1e-6
    # their comments are dates and names of places: none is a diameter
    assert np.isnan(points.dbh_cm).all()


@pytest.mark.parametrize("name", ["Mojstrovka.gpx", "track-with-empty-segment.gpx", "track-with-extremes.gpx"])
def test_real_tracks_hold_no_trees(name: str) -> None:
    with pytest.raises(InputDataError, match="no waypoints"):
        vectors.read_trees(trees(name), DATA / "gpx", FRAME)


def test_an_ascii_grid_without_crs_asks_for_one_then_reads() -> None:
    """Hugo site of landlab: 76 x 55 cells of 10 m, more than half nodata."""
    with pytest.raises(InputDataError, match="no CRS in the file"):
        rasters.read_terrain(Settings(terrain=TerrainSettings(file="hugo_site_10m.asc")), DATA / "dem")
    terrain = rasters.read_terrain(
        Settings(terrain=TerrainSettings(file="hugo_site_10m.asc", crs="local")), DATA / "dem"
    )
    body = np.loadtxt(DATA / "dem/hugo_site_10m.asc", skiprows=6)
    assert terrain.shape == body.shape == (55, 76)
    assert np.array_equal(np.isnan(terrain.z_m), body == -9999.0)
    assert np.array_equal(terrain.z_m[body != -9999.0], body[body != -9999.0])
    assert terrain.bounds == (0.0, 0.0, 760.0, 550.0)


def test_a_coarse_raster_in_degrees_is_refused_with_the_reason() -> None:
    """Jacksboro fault (SRTM, 3 arc-seconds): about 93 m north-south and 75 m east-west at 36.5 degrees north."""
    with pytest.raises(InputDataError, match="cannot prove a grade") as caught:
        rasters.read_terrain(
            Settings(terrain=TerrainSettings(file="jacksboro_tn_3arcsec_epsg4326.tif", vertical_unit="m")), DATA / "dem"
        )
    (problem,) = caught.value.problems
    assert 90.0 < float(problem.found.split()[2]) < 95.0


def test_cell_sizes_in_degrees_agree_with_the_meridian_arc() -> None:
    """One second of latitude at 36.5 N is 30.82 m, of longitude 24.90 m (WGS 84 radii of curvature)."""
    lat = math.radians(36.5)
    a, e2 = 6378137.0, 6.69437999014e-3
    w = math.sqrt(1.0 - e2 * math.sin(lat) ** 2)
    second = math.radians(1.0 / 3600.0)
    along, down = a / w * math.cos(lat) * second, a * (1.0 - e2) / w**3 * second
    t = rasterio.transform.Affine(1 / 3600, 0.0, -84.0, 0.0, -1 / 3600, 36.5 + 5 / 3600)
    got = georef.cell_sizes_m(t, 10, 10, pyproj.CRS.from_epsg(4326))
    assert got == pytest.approx((along, down), rel=1e-5)


def test_a_steep_raster_with_nan_is_read_cell_by_cell() -> None:
    """Oregon Coast Range (vfmap): EPSG:2991, 7.87 m cells, NaN around the watershed."""
    name = "oregon_coast_range_7.87m_epsg2991.tif"
    terrain = rasters.read_terrain(Settings(terrain=TerrainSettings(file=name)), DATA / "dem")
    with rasterio.open(DATA / "dem" / name) as source:
        body = source.read(1)
        left, top = source.bounds.left, source.bounds.top
    assert np.isnan(body).any()
    assert np.array_equal(terrain.z_m, body, equal_nan=True)
    assert terrain.bounds[0] == pytest.approx(left)
    assert terrain.bounds[3] == pytest.approx(top)
    assert terrain.frame.name == "NAD83 / Oregon LCC (m)"


@pytest.mark.parametrize(
    ("unit", "metres"),
    [
        # NIST SP 811, appendix B: foot 0.3048 m exactly, US survey foot 1200/3937 m exactly
        ("m", 1.0),
        ("ft", 0.3048),
        ("us-ft", 1200.0 / 3937.0),
    ],
)
def test_units_of_elevation_against_the_register_of_units(unit: str, metres: float) -> None:
    epsg = {"m": "metre", "ft": "foot", "us-ft": "US survey foot"}[unit]
    register = {
        u.name: u.conv_factor for u in pyproj.database.get_units_map(auth_name="EPSG", category="linear").values()
    }
    assert rasters.METRES_PER_UNIT[unit] == pytest.approx(metres, rel=1e-15)
    assert rasters.METRES_PER_UNIT[unit] == pytest.approx(register[epsg], rel=1e-12)


@pytest.mark.parametrize(("unit", "cm"), [("in", 2.54), ("po", 2.54), ("mm", 0.1), ("m", 100.0), ("cm", 1.0)])
def test_units_of_diameter(unit: str, cm: float) -> None:
    """NIST SP 811: inch 2.54 cm exactly; the French pouce of foresters is the same inch."""
    assert words.CM_PER_UNIT[unit] == pytest.approx(cm, rel=1e-15)
