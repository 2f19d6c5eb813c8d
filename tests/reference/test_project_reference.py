"""Positions of any CRS in the plan's frame against the projection library used directly, and swapped ones found out."""

from __future__ import annotations

import numpy as np
import pint
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pipeline.frame import Frame, utm_frame
from pipeline.store import project
from pipeline.units import FT_M, US_SURVEY_FT_M

LON, LAT = -72.6, 44.6
FRAME = utm_frame(LON, LAT, "")
LOCAL = Frame("", "local grid", "")
# projected metres, projected US survey feet, geographic on three datums, a world projection
CRSS = ("EPSG:26918", "EPSG:32618", "EPSG:5646", "EPSG:32045", "EPSG:4326", "EPSG:4269", "EPSG:6318", "EPSG:3857",
        "EPSG:6347+5703")
CALM = settings(max_examples=50, deadline=None)


def place(lon, lat, crs: str) -> tuple[np.ndarray, np.ndarray]:
    """Return a position in a CRS, by the library alone."""
    x, y = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True).transform(lon, lat)
    return np.atleast_1d(np.asarray(x, float)), np.atleast_1d(np.asarray(y, float))


@pytest.mark.parametrize("crs", CRSS)
def test_positions_agree_with_the_library(crs: str) -> None:
    """To a tenth of a millimetre where the library is asked for the very same step."""
    first, second = place(LON + np.linspace(-0.01, 0.01, 7), LAT + np.linspace(-0.01, 0.01, 7), crs)
    x, y, problems, findings = project.to_frame(first, second, crs, FRAME, "t.csv")
    assert (problems, findings) == ([], [])
    direct = pyproj.Transformer.from_crs(crs, pyproj.CRS.from_wkt(FRAME.crs_wkt), always_xy=True)
    wanted = direct.transform(first, second)
    np.testing.assert_allclose((x, y), wanted, rtol=0, atol=1e-4)


@pytest.mark.parametrize("crs", CRSS)
def test_a_step_keeps_its_length_in_the_frame(crs: str) -> None:
    """Two points 100 m apart by the geodesic are 100 m apart in the frame, but for the scale of the projection."""
    lon2, lat2, _ = pyproj.Geod(ellps="WGS84").fwd(LON, LAT, 63.0, 100.0)
    first, second = place([LON, lon2], [LAT, lat2], crs)
    x, y, _, _ = project.to_frame(first, second, crs, FRAME, "t.csv")
    scale = pyproj.Proj(FRAME.crs_wkt).get_factors(LON, LAT).meridional_scale
    assert np.hypot(x[1] - x[0], y[1] - y[0]) / scale == pytest.approx(100.0, abs=0.01)


def test_feet_of_a_crs_are_those_of_the_unit_register() -> None:
    """A foot more in the CRS is a foot more on the ground (pint: international and US survey foot)."""
    units = pint.UnitRegistry()
    for crs, unit, ours in (("EPSG:2261", "survey_foot", US_SURVEY_FT_M), ("EPSG:2223", "foot", FT_M)):
        metres = float((1.0 * units(unit)).to("metre").magnitude)
        assert ours == pytest.approx(metres, rel=1e-12)
        assert pyproj.CRS(crs).axis_info[0].unit_conversion_factor == pytest.approx(metres, rel=1e-9)
    lon, lat = -75.9, 42.9  # New York, east zone
    frame = utm_frame(lon, lat, "")
    first, second = place(lon, lat, "EPSG:2260")
    step = np.array([first[0], first[0] + 1000.0])
    x, y, _, _ = project.to_frame(step, np.repeat(second, 2), "EPSG:2260", frame, "t")
    scale = (pyproj.Proj(frame.crs_wkt).get_factors(lon, lat).parallel_scale
             / pyproj.Proj("EPSG:2260").get_factors(lon, lat).parallel_scale)
    assert np.hypot(*np.diff([x, y]).ravel()) == pytest.approx(1000.0 * US_SURVEY_FT_M * scale, abs=1e-3)


def test_rows_keep_their_place_and_only_bad_ones_are_lost() -> None:
    lon = np.array([LON, np.nan, LON, 500.0, np.inf, LON])
    lat = np.array([LAT, LAT, np.nan, LAT, LAT, 91.0])
    x, y, problems, _ = project.to_frame(lon, lat, "EPSG:4326", FRAME, "t")
    assert problems == []
    assert np.isfinite(x).tolist() == np.isfinite(y).tolist() == [True, False, False, False, False, False]
    assert [x[0], y[0]] == pytest.approx([float(v) for v in FRAME.from_lonlat(LON, LAT)], abs=1e-6)


@pytest.mark.parametrize(("lon", "lat", "code"), [
    (LAT, LON, "longitude and latitude swapped"), (-LON, LAT, "minus sign of the longitude"),
    (LON, -LAT, "minus sign of the latitude"),
])
@pytest.mark.parametrize("share", [1.0, 0.3])
def test_turned_positions_are_found_out(lon: float, lat: float, code: str, share: float) -> None:
    """All of them turned are a problem that names the remedy; a few are a finding that counts them."""
    n = 20
    turned = np.arange(n) < share * n
    spread = np.linspace(0.0, 0.001, n)
    first, second = np.where(turned, lon, LON) + spread, np.where(turned, lat, LAT) + spread
    x, _, problems, findings = project.to_frame(first, second, "EPSG:4326", FRAME, "t")
    assert np.isnan(x[turned]).all()
    assert np.isfinite(x[~turned]).all()
    told = [p.found for p in problems] if share == 1.0 else [f.text for f in findings]
    assert len(told) == 1
    assert len(problems) + len(findings) == 1
    assert code in told[0]
    assert f"{int(turned.sum())} " in told[0]


def test_a_few_zeros_are_no_swap() -> None:
    """A receiver without a fix writes 0, 0: nothing to turn round."""
    first, second = np.array([LON, 0.0, 0.0]), np.array([LAT, 0.0, 0.0])
    x, _, problems, findings = project.to_frame(first, second, "EPSG:4326", FRAME, "t")
    assert np.isfinite(x).tolist() == [True, False, False]
    assert (problems, findings) == ([], [])


@pytest.mark.parametrize("text", ["EPSG:0", "UTM 18", "", "EPSG:999999", "\x00", "{}", "PROJCS[", "4326;DROP"])
def test_what_names_no_crs_is_a_problem_with_the_text_in_it(text: str) -> None:
    assert project.parse_crs(text) is None
    if text:
        _, _, problems, _ = project.to_frame(np.array([1.0]), np.array([2.0]), text, FRAME, "t.csv")
        assert [p.file for p in problems] == ["t.csv"]
        assert repr(text[:60]) == problems[0].found


@pytest.mark.parametrize(("frame", "codes"), [(FRAME, ["CRS_ASSUMED"]), (LOCAL, [])])
def test_positions_without_a_crs_are_the_frames_own(frame: Frame, codes: list[str]) -> None:
    first, second = np.array([500_010.0, np.nan, 3.0]), np.array([4_950_000.0, 1.0, np.inf])
    x, y, problems, findings = project.to_frame(first, second, "", frame, "t.csv")
    assert problems == []
    assert [f.code for f in findings] == codes
    assert (x[0], y[0]) == (500_010.0, 4_950_000.0)
    assert np.isnan([x[1], x[2], y[1], y[2]]).all()


@CALM
@given(st.lists(st.tuples(st.floats(), st.floats()), max_size=12), st.sampled_from([*CRSS, ""]))
def test_any_numbers_give_a_place_or_none(rows: list[tuple[float, float]], crs: str) -> None:
    """A position is whole or missing, near the frame's region or missing, and no row is lost or moved."""
    first, second = (np.array([r[i] for r in rows], dtype=float) for i in (0, 1))
    x, y, _, _ = project.to_frame(first, second, crs, FRAME, "t.csv")
    assert len(x) == len(y) == len(rows)
    assert np.isfinite(x).tolist() == np.isfinite(y).tolist()
    found = np.isfinite(x)
    assert not found[~(np.isfinite(first) & np.isfinite(second))].any()
    if crs:
        lon, _ = FRAME.lonlat(x[found], y[found])
        west, _, east, _ = pyproj.CRS.from_wkt(FRAME.crs_wkt).area_of_use.bounds if found.any() else (0, 0, 0, 0)
        assert ((np.asarray(lon) >= west - 10.0) & (np.asarray(lon) <= east + 10.0)).all()
