"""Sheets against the outside: published map elements, grid, geodesics, declination, addresses, GDAL."""

from __future__ import annotations

import math
import re
import shutil
import subprocess

import mgrs
import numpy as np
import pygeomag
import pypdfium2
import pyproj
import pytest
import segno
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from PIL import Image
from pipeline.frame import utm_frame
from pipeline.sheets import book, index_page, map_page, overview_page
from pipeline.sheets.context import make_context
from pipeline.sheets.geo import convergence_deg, declination, geo_uri, minutes, true_bearing_deg, usng
from pipeline.sheets.geopdf import DocumentInfo, to_pdf
from pipeline.sheets.marks import Box, Circle, GeoBox, Group, Link, Page, QrCode, flat, texts
from pipeline.sheets.paper import framed

from sample_plan import DATE, LAT, LON, sample_plan


@pytest.fixture(scope="module")
def ctx():
    plan, terrain, ground = sample_plan()
    return make_context(plan=plan, terrain=terrain, ground=ground)


# ---------------------------------------------------------------- NWCG PMS 936, Map Elements


def test_map_elements_of_pms_936_stand_on_every_map(ctx, monkeypatch):
    """STANDL-SGD: scale, title, author, north arrow, date, legend; source, graticule, datum.

    Source: National Wildfire Coordinating Group, PMS 936, "Map Elements". A detail map's legend is on the section
    map, and it says so.
    """
    monkeypatch.setattr(map_page, "_FEW_TAGS", -1)  # whatever finds no room gets a detail map
    monkeypatch.setattr(map_page, "_TAG_SHARE", -1.0)
    pages = [page for section in ctx.plan.sections for page in framed(ctx, map_page.build(ctx, section))]
    assert len(pages) > len(ctx.plan.sections)
    pages += [framed(ctx, index_page.build(ctx))[0], framed(ctx, overview_page.build(ctx))[0]]
    for page in pages:
        words = [m.text for m in texts(page.marks)]
        tags = [m.tag for m in texts(page.marks)]
        whole = " ".join(words)
        assert "scale_bar" in tags  # scale, graphic
        assert re.search(r"1 inch = \d+ ft", whole)  # scale, in words
        assert "title" in tags
        assert "Made by planning desk" in whole  # author
        assert {ctx.w("map.true_n"), f"▲ {ctx.w('map.true_n')}"} & set(words)  # north arrow
        assert DATE in whole
        legend = "key" in tags or ctx.w("map.key_see_map") in words
        assert legend or page.title.endswith(ctx.w("index.title"))  # the index map's legend is its table
        assert "Terrain: invented hillside" in whole  # source
        assert "Trees: trees.gpx" in whole
        assert "grid" in tags  # graticule
        assert "USNG 18T XP" in whole
        assert "WGS 84 / UTM zone 18N" in whole  # datum
        assert "NAVD 88" in whole


# ---------------------------------------------------------------- FGDC-STD-011-2001


@settings(max_examples=300, deadline=None)
@given(lon=st.floats(-179.99, 179.99), lat=st.floats(-79.9, 83.9))
def test_grid_reference_equals_the_mgrs_library(lon, lat):
    """US National Grid of FGDC-STD-011-2001 has the digits of MGRS on WGS 84; `mgrs` wraps NGA's GEOTRANS."""
    # on the very line between two zones or bands either is right
    assume(min(lon % 6.0, 6.0 - lon % 6.0) > 1e-7)
    assume(min(lat % 8.0, 8.0 - lat % 8.0) > 1e-7)
    ours = usng(lon, lat)
    theirs = mgrs.MGRS().toMGRS(lat, lon)
    zone, square, digits = theirs[:3].lstrip("0"), theirs[3:5], theirs[5:]
    if (ours.zone, ours.square) != (zone, square):
        # within a metre of a square's or a zone's edge the two round differently
        assert min(ours.easting, ours.northing, 99_999 - ours.easting, 99_999 - ours.northing) <= 1
        return
    assert abs(ours.easting - int(digits[:5])) <= 1
    assert abs(ours.northing - int(digits[5:])) <= 1


def test_grid_reference_is_cut_not_rounded():
    """The standard truncates: 999.9 m lies in the square 0, not 1."""
    place = usng(-72.90499, 44.21352)
    assert place.text() == f"18T XP {place.easting:05d} {place.northing:05d}"
    assert place.text(4) == f"18T XP {place.easting // 10:04d} {place.northing // 10:04d}"


def test_degrees_and_decimal_minutes():
    """Hand: 44.21352 deg is 44 deg 12.8112 min; 72.90499 deg is 72 deg 54.2994 min."""
    assert minutes(-72.90499, 44.21352) == ("44° 12.811′ N", "072° 54.299′ W")
    # 59.9996 minutes must carry over into the degree
    assert minutes(10.0 + 59.99999 / 60.0, -0.0) == ("00° 00.000′ N", "011° 00.000′ E")


# ---------------------------------------------------------------- geodesics


@settings(max_examples=60, deadline=None)
@given(
    lon=st.floats(-124.0, -60.0), lat=st.floats(36.0, 55.0), angle=st.floats(0.0, 360.0), length=st.floats(3.0, 200.0)
)
def test_bearings_and_distances_equal_the_geodesic(lon, lat, angle, length):
    """True bearing within 0.01 degree and distance within the scale factor (0.1 %) of pyproj.Geod (Karney 2013)."""
    frame = utm_frame(lon, lat, "unknown")
    x, y = (float(v) for v in frame.from_lonlat(lon, lat))
    end = (x + length * math.sin(math.radians(angle)), y + length * math.cos(math.radians(angle)))
    lon2, lat2 = (float(v) for v in frame.lonlat(*end))
    azimuth, _, distance = pyproj.Geod(ellps="WGS84").inv(lon, lat, lon2, lat2)
    ours = true_bearing_deg(frame, (x, y), end)
    assert abs((ours - azimuth + 180.0) % 360.0 - 180.0) < 0.01
    assert distance == pytest.approx(length, rel=1e-3)


def test_convergence_equals_the_projection_library():
    frame = utm_frame(LON, LAT, "unknown")
    x, y = (float(v) for v in frame.from_lonlat(LON, LAT))
    assert convergence_deg(frame, x, y) == pytest.approx(frame.convergence_deg(x, y), abs=2e-4)


# ---------------------------------------------------------------- World Magnetic Model


# Grid values for the coefficients' own epoch from the "WMM2025 test values" that NOAA NCEI publishes
# with the model (height km, latitude, longitude, declination in degrees). From memory, unverified: they
# are kept only as far as the model's library confirms them below.
WMM2025_TEST_VALUES = (
    (0.0, 80.0, 0.0, 1.28), (0.0, 0.0, 120.0, -0.16), (0.0, -80.0, 240.0, 68.78),
)


@pytest.mark.parametrize(("height_km", "lat", "lon", "expected"), WMM2025_TEST_VALUES)
def test_declination_of_the_published_epoch_values(height_km, lat, lon, expected):
    found = declination(lon if lon <= 180.0 else lon - 360.0, lat, height_km * 1000.0, "2025-01-01")
    assert found is not None
    assert found.model == "WMM2025"
    assert found.angle_deg == pytest.approx(expected, abs=0.01)


def test_declination_equals_the_library_and_its_change_is_a_years():
    model = pygeomag.GeoMag(coefficients_file="wmm/WMM_2025.COF")
    ours = declination(-72.9, 44.2, 400.0, "2026-07-02")
    assert ours is not None
    year = 2026.0 + 182.0 / 365.0
    assert ours.angle_deg == pytest.approx(model.calculate(44.2, -72.9, 0.4, year).d, abs=1e-6)
    later = model.calculate(44.2, -72.9, 0.4, year + 1.0).d
    assert ours.change_min_per_year == pytest.approx((later - ours.angle_deg) * 60.0, abs=0.05)


@pytest.mark.parametrize("date", ["", "2019-12-31", "2031-01-01"])
def test_no_declination_outside_the_models_life(date):
    assert declination(-72.9, 44.2, 400.0, date) is None


def test_no_declination_where_compasses_fail():
    """Within the blackout zone around the magnetic pole (horizontal field under 2,000 nT) nothing is printed."""
    assert declination(139.0, 86.0, 0.0, "2026-01-01") is None


# ---------------------------------------------------------------- RFC 5870


RFC_5870 = re.compile(r"^geo:(-?\d+(?:\.\d+)?),(-?\d+(?:\.\d+)?)(?:,-?\d+(?:\.\d+)?)?(?:;[^;]+)*$")


@given(lon=st.floats(-180.0, 180.0), lat=st.floats(-90.0, 90.0))
def test_geo_address_follows_rfc_5870(lon, lat):
    match = RFC_5870.match(geo_uri(lon, lat))
    assert match is not None
    assert float(match.group(1)) == pytest.approx(lat, abs=6e-6)
    assert float(match.group(2)) == pytest.approx(lon, abs=6e-6)


def test_code_on_the_rendered_page_is_the_address(ctx):
    """The modules are read back from pixels and must be those of a code of the printed, linked address."""
    section = ctx.plan.sections[0]
    page = map_page.build(ctx, section)[0]
    code = next(m for m, _ in flat(page.marks) if isinstance(m, QrCode))
    uri = next(m.uri for m, _ in flat(page.marks) if isinstance(m, Link))
    assert RFC_5870.match(uri)
    lat, lon = uri[4:].split(",")
    assert f"{lat}, {lon}" in [m.text for m in texts(page.marks)]
    assert float(lat) == pytest.approx(ctx.plan.settings.sheets.meeting_lat, abs=6e-6)
    want = [[bool(v) for v in row] for row in segno.make(uri, error="q", boost_error=True, micro=False).matrix]
    document = pypdfium2.PdfDocument(to_pdf([page], DocumentInfo("t", "a", "s", "en", DATE)))
    scale = 4.0
    picture = np.array(document[0].render(scale=scale, grayscale=True).to_pil().convert("L"))
    document.close()
    side = code.rect.width / len(want)
    assert side / 72.0 * 25.4 >= 0.85  # millimetres: wet paper and cold fingers
    seen = []
    for i in range(len(want)):
        y = (page.height - (code.rect.y1 - (i + 0.5) * side)) * scale
        seen.append([bool(picture[int(y), int((code.rect.x0 + (j + 0.5) * side) * scale)] < 128)
                     for j in range(len(want))])
    assert seen == want
    quiet = code.rect.inset(-3.5 * side)
    strip = picture[int((page.height - quiet.y1) * scale): int((page.height - code.rect.y1) * scale - 1),
                    int(quiet.x0 * scale): int(quiet.x1 * scale)]
    assert strip.min() > 250


# ---------------------------------------------------------------- GDAL reads the position


@pytest.mark.skipif(shutil.which("gdal_translate") is None, reason="GDAL's command line tools are not installed")
def test_gdal_reads_the_positions_of_drawn_dots(ctx, tmp_path):
    """Dots drawn at known places are found where GDAL says those places are, within 0.05 m."""
    section = ctx.plan.sections[0]
    page = map_page.build(ctx, section)[0]
    geo = page.geo[0]
    spots = [(geo.rect.x0 + geo.rect.width * u, geo.rect.y0 + geo.rect.height * v)
             for u in (0.15, 0.5, 0.85) for v in (0.15, 0.5, 0.85)]
    dots = tuple(Circle(x, y, 3.0, width=0.0, fill="#000000") for x, y in spots)
    blank = Group((Box(page.rect, width=0.0, fill="#ffffff"), *dots))
    pdf = tmp_path / "dots.pdf"
    pdf.write_bytes(to_pdf([Page(page.width, page.height, (blank,), "dots", geo=page.geo)],
                           DocumentInfo("t", "a", "s", "en", DATE)))
    png = tmp_path / "dots.png"
    subprocess.run(["gdal_translate", "-q", "-of", "PNG", "--config", "GDAL_PDF_DPI", "288", str(pdf), str(png)],
                   check=True, capture_output=True, timeout=120)
    info = subprocess.run(["gdalinfo", "--config", "GDAL_PDF_DPI", "288", str(pdf)], check=True, capture_output=True,
                          text=True, timeout=120).stdout
    assert "WGS 84" in info
    picture = np.array(Image.open(png).convert("L"), dtype=float)
    scale = picture.shape[1] / page.width
    transform = _geotransform(info)
    for x, y in spots:
        col, row = x * scale, (page.height - y) * scale
        r = int(5 * scale)
        patch = 255.0 - picture[int(row) - r: int(row) + r, int(col) - r: int(col) + r]
        rows, cols = np.mgrid[int(row) - r: int(row) + r, int(col) - r: int(col) + r]
        found_col = float((cols * patch).sum() / patch.sum()) + 0.5
        found_row = float((rows * patch).sum() / patch.sum()) + 0.5
        lon = transform[0] + found_col * transform[1] + found_row * transform[2]
        lat = transform[3] + found_col * transform[4] + found_row * transform[5]
        want_lat, want_lon = _interpolated(geo, x, y)
        _, _, error_m = pyproj.Geod(ellps="WGS84").inv(lon, lat, want_lon, want_lat)
        assert error_m < 0.05


def _interpolated(geo: GeoBox, x: float, y: float) -> tuple[float, float]:
    u, v = (x - geo.rect.x0) / geo.rect.width, (y - geo.rect.y0) / geo.rect.height
    upper_left, lower_left, lower_right, upper_right = (np.array(c) for c in geo.corners)
    place = (1 - u) * v * upper_left + (1 - u) * (1 - v) * lower_left + u * (1 - v) * lower_right + u * v * upper_right
    return float(place[0]), float(place[1])


def _geotransform(info: str) -> list[float]:
    flat_text = re.search(r"GeoTransform =\s*([^\n]+)\n\s*([^\n]+)", info)
    if flat_text:
        return [float(v) for v in f"{flat_text.group(1)}, {flat_text.group(2)}".split(",")]
    origin = re.search(r"Origin = \(([^,]+),([^)]+)\)", info)
    pixel = re.search(r"Pixel Size = \(([^,]+),([^)]+)\)", info)
    assert origin is not None
    assert pixel is not None
    return [float(origin.group(1)), float(pixel.group(1)), 0.0, float(origin.group(2)), 0.0, float(pixel.group(2))]


def test_sheets_are_grey_safe(ctx):
    """PMS 936 asks for symbols told apart in black and white: a grey print keeps mainline and lateral dark."""
    document = pypdfium2.PdfDocument(book.render_section(ctx, "S01"))
    grey = np.array(document[0].render(scale=2.0, grayscale=True).to_pil().convert("L"))
    document.close()
    page = map_page.build(ctx, ctx.plan.sections[0])[0]
    piece = ctx.plan.mainlines[0]
    geo = page.geo[0]
    lon, lat = (float(v) for v in ctx.plan.frame.lonlat(*(float(v) for v in piece.at(12.0)[:2])))
    upper_left, lower_left, lower_right, _ = geo.corners
    x = geo.rect.x0 + (lon - upper_left[1]) / (lower_right[1] - upper_left[1]) * geo.rect.width
    y = geo.rect.y0 + (lat - lower_left[0]) / (upper_left[0] - lower_left[0]) * geo.rect.height
    assert grey[int((page.height - y) * 2.0), int(x * 2.0)] < 80
