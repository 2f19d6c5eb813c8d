"""Grid references, minutes, bearings and declination: hand cases, edges and refusals."""

from __future__ import annotations

import math

import numpy as np
import pyproj
import pytest
from pipeline.frame import Frame, utm_frame
from pipeline.sheets import geo
from pipeline.sheets.geo import (
    Declination,
    GridReference,
    convergence_deg,
    corners_lonlat,
    decimal,
    declination,
    geo_uri,
    geo_uri_fine,
    magnetic_bearing_deg,
    minutes,
    true_bearing_deg,
    usng,
    utm_zone,
)

LOCAL = Frame("", "local grid", "not known")

# ---------------------------------------------------------------- zones


@pytest.mark.parametrize(("lon", "lat", "zone"), [
    (-180.0, 0.0, 1), (-174.001, 0.0, 1), (-174.0, 0.0, 2), (-72.9, 44.2, 18), (-72.0, 44.2, 19), (0.0, 10.0, 31),
    (-0.001, 10.0, 30), (179.999, 10.0, 60), (180.0, 10.0, 60),
    # south-west Norway: zone 32 begins at 3 E between 56 and 64 N
    (3.0, 56.0, 32), (2.999, 60.0, 31), (5.3, 60.4, 32), (3.0, 55.999, 31), (3.0, 64.0, 31), (11.999, 63.999, 32),
    (12.0, 60.0, 33),
    # Svalbard: 31, 33, 35, 37 only, from 72 N
    (0.0, 72.0, 31), (8.999, 78.0, 31), (9.0, 78.0, 33), (20.999, 78.0, 33), (21.0, 78.0, 35), (32.999, 78.0, 35),
    (33.0, 84.0, 37), (41.999, 78.0, 37), (42.0, 78.0, 38), (9.0, 71.999, 32), (-0.001, 78.0, 30), (9.0, 84.5, 32),
])
def test_zones_and_their_exceptions(lon, lat, zone):
    assert utm_zone(lon, lat) == zone


# ---------------------------------------------------------------- references


@pytest.mark.parametrize(("digits", "text"), [
    (5, "18T XP 00967 97999"), (4, "18T XP 0096 9799"), (3, "18T XP 009 979"), (2, "18T XP 00 97"), (1, "18T XP 0 9"),
])
def test_fewer_digits_are_cut_and_keep_their_leading_zeros(digits, text):
    assert GridReference("18T", "XP", 967, 97999).text(digits) == text


@pytest.mark.parametrize(("lat", "band"), [
    (-80.0, "C"), (-72.001, "C"), (-72.0, "D"), (-0.001, "M"), (0.0, "N"), (7.999, "N"), (8.0, "P"), (39.999, "S"),
    (40.0, "T"), (44.2, "T"), (48.0, "U"), (71.999, "W"), (72.0, "X"), (79.999, "X"), (80.0, "X"), (84.0, "X"),
])
def test_bands_are_eight_degrees_and_the_last_twelve(lat, band):
    assert usng(-72.9, lat).zone == f"18{band}"


@pytest.mark.parametrize("lat", [-80.001, 84.001, 90.0, -90.0])
def test_the_polar_caps_have_no_reference(lat):
    with pytest.raises(ValueError, match="84 N"):
        usng(10.0, lat)


@pytest.mark.parametrize("lon", [-177.0, -171.0, -165.0, -159.0, -75.0, -69.0, -63.0, 3.0, 9.0])
@pytest.mark.parametrize("lat", [-33.7, -2.0, 0.5, 18.3, 44.2, 64.9])
def test_squares_and_figures_from_the_projection(lon, lat):
    """Column letters repeat every three zones from A, J, S; rows every 2,000 km, from A or, in even zones, from F."""
    zone = int((lon + 180.0) // 6.0) + 1
    crs = pyproj.CRS(proj="utm", zone=zone, south=lat < 0.0, ellps="WGS84")
    x, y = pyproj.Proj(crs)(lon, lat)
    letters = "ABCDEFGHJKLMNPQRSTUVWXYZ"
    column = letters[(8 * (zone - 1) + int(x // 100_000) - 1) % 24]
    row = letters[:20][(int(y // 100_000) + (5 if zone % 2 == 0 else 0)) % 20]
    found = usng(lon, lat)
    assert found.square == column + row
    assert found.easting == int(x % 100_000)
    assert found.northing == int(y % 100_000)


def test_a_metre_north_and_east_is_the_next_figure():
    frame = utm_frame(-72.9, 44.2, "")
    lon, lat = frame.lonlat([667_000.5, 667_001.5], [4_897_000.5, 4_897_001.5])
    a, b = (usng(float(x), float(y)) for x, y in zip(lon, lat, strict=True))
    assert (a.easting, a.northing) == (67_000, 97_000)
    assert (b.easting, b.northing) == (67_001, 97_001)


# ---------------------------------------------------------------- written degrees


@pytest.mark.parametrize(("lon", "lat", "wanted"), [
    (0.0, 0.0, ("00° 00.000′ N", "000° 00.000′ E")),
    (-0.5, -0.25, ("00° 15.000′ S", "000° 30.000′ W")),
    (151.2, -33.85, ("33° 51.000′ S", "151° 12.000′ E")),
    (-7.05, 5.1, ("05° 06.000′ N", "007° 03.000′ W")),
    (-72.0 - 0.0004 / 60.0, 44.0, ("44° 00.000′ N", "072° 00.000′ W")),
    (-72.0 - 0.0006 / 60.0, 44.0, ("44° 00.000′ N", "072° 00.001′ W")),
    (-180.0, 90.0, ("90° 00.000′ N", "180° 00.000′ W")),
])
def test_degrees_and_minutes_to_a_thousandth(lon, lat, wanted):
    assert minutes(lon, lat) == wanted


@pytest.mark.parametrize(("value", "text"), [(44.2, "44.200000"), (-72.9049994, "-72.904999"), (0.0000006, "0.000001")])
def test_decimal_degrees_have_six_places(value, text):
    assert decimal(value) == text


@pytest.mark.parametrize(("lon", "lat", "coarse", "fine"), [
    (-72.904991, 44.213519, "geo:44.21352,-72.90499", "geo:44.213519,-72.904991"),
    (0.0, 0.0, "geo:0.00000,0.00000", "geo:0.000000,0.000000"),
    (179.9999999, -10.0, "geo:-10.00000,180.00000", "geo:-10.000000,180.000000"),
])
def test_addresses_put_latitude_first(lon, lat, coarse, fine):
    assert geo_uri(lon, lat) == coarse
    assert geo_uri_fine(lon, lat) == fine


def test_the_fine_address_is_what_tables_print():
    lon, lat = -72.9049876, 44.2135123
    assert geo_uri_fine(lon, lat) == f"geo:{decimal(lat)},{decimal(lon)}"


# ---------------------------------------------------------------- convergence and bearings


@pytest.mark.parametrize("lon", [-77.9, -75.0, -73.2])
@pytest.mark.parametrize("lat", [-41.0, 20.0, 44.2, 60.0])
def test_convergence_is_that_of_the_transverse_mercator(lon, lat):
    """To first order: longitude from the central meridian (75 W) times the sine of the latitude."""
    frame = utm_frame(lon, lat, "")
    x, y = (float(v) for v in frame.from_lonlat(lon, lat))
    angle = convergence_deg(frame, x, y)
    assert angle == pytest.approx((lon + 75.0) * math.sin(math.radians(lat)), abs=0.003)
    assert angle == pytest.approx(frame.convergence_deg(x, y), abs=3e-4)


def test_a_local_grid_has_no_convergence():
    assert convergence_deg(LOCAL, 500.0, 500.0) == 0.0


@pytest.mark.parametrize(("end", "wanted"), [
    ((0.0, 10.0), 0.0), ((10.0, 10.0), 45.0), ((10.0, 0.0), 90.0), ((0.0, -10.0), 180.0), ((-10.0, 0.0), 270.0),
    ((-10.0, 10.0), 315.0), ((3.0, 4.0), 36.8698976),
])
def test_bearings_run_clockwise_from_north(end, wanted):
    """On a local grid, north is up; the 3-4-5 triangle leans atan(3/4)."""
    assert true_bearing_deg(LOCAL, (100.0, 200.0), (100.0 + end[0], 200.0 + end[1])) == pytest.approx(wanted)


def test_bearings_add_the_convergence_of_the_starting_point():
    frame = utm_frame(-73.2, 44.2, "")
    x, y = (float(v) for v in frame.from_lonlat(-73.2, 44.2))
    angle = convergence_deg(frame, x, y)
    assert angle > 1.0
    assert true_bearing_deg(frame, (x, y), (x, y + 50.0)) == pytest.approx(angle)
    assert true_bearing_deg(frame, (x, y), (x - 50.0 * math.tan(math.radians(2.0 * angle)), y + 50.0)) == pytest.approx(
        360.0 - angle)


@pytest.mark.parametrize(("true", "east", "wanted"), [
    (100.0, -13.5, 113.5), (350.0, -13.5, 3.5), (5.0, 10.0, 355.0), (0.0, 0.0, 0.0), (13.0, 13.0, 0.0),
])
def test_compasses_show_the_true_bearing_less_the_declination(true, east, wanted):
    assert magnetic_bearing_deg(true, Declination(east, 0.0, "WMM2025")) == pytest.approx(wanted)


# ---------------------------------------------------------------- declination


@pytest.mark.parametrize(("date", "model"), [
    ("2020-01-01", "WMM2020"), ("2024-12-31", "WMM2020"), ("2025-01-01", "WMM2025"), ("2029-12-31", "WMM2025"),
])
def test_each_model_serves_its_own_five_years(date, model):
    assert declination(-72.9, 44.2, 400.0, date).model == model


@pytest.mark.parametrize("date", ["", "2019-12-31", "2030-01-01"])
def test_no_model_no_declination(date):
    assert declination(-72.9, 44.2, 400.0, date) is None


@pytest.mark.parametrize(("lon", "lat"), [(math.nan, 44.2), (-72.9, math.nan), (math.inf, 44.2)])
def test_no_place_no_declination(lon, lat):
    assert declination(lon, lat, 400.0, "2026-03-02") is None


def test_a_date_that_is_none_is_refused():
    with pytest.raises(ValueError, match="month"):
        declination(-72.9, 44.2, 400.0, "2026-13-02")


def test_unknown_height_counts_as_sea_level():
    assert declination(-72.9, 44.2, math.nan, "2026-03-02") == declination(-72.9, 44.2, 0.0, "2026-03-02")


def test_a_mountain_top_differs_a_little_from_sea_level():
    low, high = (declination(-72.9, 44.2, h, "2026-03-02").angle_deg for h in (0.0, 5000.0))
    assert low != high
    assert low == pytest.approx(high, abs=0.1)


def test_vermont_points_west_and_the_needle_moves_by_minutes():
    found = declination(-72.9, 44.2, 400.0, "2026-03-02")
    assert -15.0 < found.angle_deg < -12.0
    assert abs(found.change_min_per_year) < 15.0


@pytest.mark.parametrize("date", ["2026-03-02", "2029-10-01"])
def test_the_yearly_change_is_the_difference_over_a_year_of_the_model(date):
    """Also in the model's last half year, where the change is taken backward."""
    before, after = (f"{int(date[:4]) - k}{date[4:]}" for k in (1, 0))
    a, b = (declination(-72.9, 44.2, 0.0, day) for day in (before, after))
    assert b.change_min_per_year == pytest.approx((b.angle_deg - a.angle_deg) * 60.0, abs=0.15)


# ---------------------------------------------------------------- corners


def test_corners_are_latitude_first_and_in_order():
    frame = utm_frame(-72.9, 44.2, "")
    x, y = (float(v) for v in frame.from_lonlat(-72.9, 44.2))
    found = corners_lonlat(frame, [(x, y), (x + 100.0, y), (x, y + 100.0)])
    assert found[0] == pytest.approx((44.2, -72.9), abs=1e-9)
    assert found[1][1] > found[0][1]
    assert found[2][0] > found[0][0]
    # a hundred metres are about 0.0009 degrees of latitude
    assert np.diff([found[0][0], found[2][0]])[0] == pytest.approx(100.0 / 111_130.0, rel=2e-3)


def test_transformers_are_kept():
    assert geo._utm(32618) is geo._utm(32618)
