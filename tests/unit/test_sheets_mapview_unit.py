"""From plan metres to points on paper: hand cases, turning, scale series, tiles."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
import shapely
from pipeline.frame import Frame, utm_frame
from pipeline.sheets.geo import convergence_deg
from pipeline.sheets.mapview import POINT_M, MapView, fit_view, ratios, tiles
from pipeline.sheets.marks import Rect

LOCAL = Frame("", "local grid", "not known")
RECT = Rect(100.0, 200.0, 400.0, 600.0)  # 300 x 400, centre (250, 400)
STRAIGHT = MapView(RECT, 1000.0, 2000.0, 0.5 / POINT_M, 0.0)  # two points to the metre


def turned(angle: float) -> MapView:
    return MapView(RECT, 1000.0, 2000.0, 0.5 / POINT_M, angle)


# ---------------------------------------------------------------- single views


@pytest.mark.parametrize(("feet_per_inch", "pt_per_m"), [(20.0, 72.0 / 6.096), (100.0, 72.0 / 30.48),
                                                         (72.0, 1 / 0.3048)])
def test_points_for_a_metre(feet_per_inch, pt_per_m):
    """At 100 feet to the inch 72 points are 30.48 m."""
    assert MapView(RECT, 0.0, 0.0, feet_per_inch * 12.0, 0.0).pt_per_m == pytest.approx(pt_per_m)


@pytest.mark.parametrize(("plan", "page"), [
    ((1000.0, 2000.0), (250.0, 400.0)), ((1010.0, 2000.0), (270.0, 400.0)), ((1000.0, 2010.0), (250.0, 420.0)),
    ((925.0, 1900.0), (100.0, 200.0)),
])
def test_straight_up_by_hand(plan, page):
    assert STRAIGHT.point(*plan) == pytest.approx(page)
    assert STRAIGHT.plan(np.array([page]))[0] == pytest.approx(plan)


def test_a_quarter_turn_by_hand():
    """Grid north 90 degrees clockwise of up: a plan step north goes right, a step east goes down."""
    view = turned(90.0)
    assert view.point(1000.0, 2010.0) == pytest.approx((270.0, 400.0))
    assert view.point(1010.0, 2000.0) == pytest.approx((250.0, 380.0))


@pytest.mark.parametrize("angle", [-3.0, -0.7, 0.0, 1.4, 90.0, 200.0])
def test_turning_is_that_of_a_geometry_library_and_goes_back(angle):
    rng = np.random.default_rng(1)
    xy = np.array([1000.0, 2000.0]) + rng.uniform(-70.0, 70.0, (40, 2))
    page = turned(angle).page(xy)
    shape = shapely.affinity.rotate(shapely.MultiPoint(xy - (1000.0, 2000.0)), -angle, origin=(0.0, 0.0))
    want = np.array([p.coords[0] for p in shape.geoms]) * 2.0 + (250.0, 400.0)
    assert page == pytest.approx(want)
    assert turned(angle).plan(page) == pytest.approx(xy)


def test_third_coordinates_are_left_out():
    assert STRAIGHT.page(np.array([(1000.0, 2000.0, 99.0)])).shape == (1, 2)


def test_corners_run_from_the_upper_left_counterclockwise():
    """300 x 400 points are 150 x 200 m around (1000, 2000)."""
    assert STRAIGHT.corners_m() == pytest.approx(np.array(
        [(925.0, 2100.0), (925.0, 1900.0), (1075.0, 1900.0), (1075.0, 2100.0)]))
    assert STRAIGHT.window_m() == pytest.approx((925.0, 1900.0, 1075.0, 2100.0))


@pytest.mark.parametrize("angle", [10.0, -25.0])
def test_the_window_of_a_turned_view_covers_its_frame(angle):
    """Half width 75 cos + 100 sin, half height 75 sin + 100 cos."""
    c, s = abs(math.cos(math.radians(angle))), abs(math.sin(math.radians(angle)))
    half_x, half_y = 75.0 * c + 100.0 * s, 75.0 * s + 100.0 * c
    assert turned(angle).window_m() == pytest.approx(
        (1000.0 - half_x, 2000.0 - half_y, 1000.0 + half_x, 2000.0 + half_y))


@pytest.mark.parametrize(("grow", "bounds"), [(0.0, (100.0, 390.0, 400.0, 390.0)), (8.0, (92.0, 390.0, 408.0, 390.0))])
def test_shapes_are_cut_at_the_frame_or_a_little_beyond(grow, bounds):
    line = shapely.LineString([(0.0, 1995.0, 5.0), (5000.0, 1995.0, 7.0)])
    found = STRAIGHT.shape(line, grow_pt=grow)
    assert found.bounds == pytest.approx(bounds)
    assert not found.has_z


def test_shapes_outside_are_empty():
    assert STRAIGHT.shape(shapely.box(0.0, 0.0, 10.0, 10.0)).is_empty


def test_a_local_grid_has_no_place_on_earth():
    assert STRAIGHT.geo_box(LOCAL, "map") == ()


def test_the_places_of_the_corners_are_those_of_the_frame():
    frame = utm_frame(-72.9, 44.2, "")
    x, y = (float(v) for v in frame.from_lonlat(-72.9, 44.2))
    view = MapView(RECT, x, y, 600.0, convergence_deg(frame, x, y))
    (box,) = view.geo_box(frame, "Section map S01")
    assert box.name == "Section map S01"
    assert box.rect == RECT
    for (lat, lon), (cx, cy) in zip(box.corners, view.corners_m(), strict=True):
        fx, fy = frame.from_lonlat(lon, lat)
        assert (float(fx), float(fy)) == pytest.approx((cx, cy), abs=1e-6)
    upper_left, lower_left, lower_right, _ = box.corners
    assert upper_left[0] > lower_left[0]
    assert lower_right[1] > lower_left[1]
    # true north up: both left corners have one longitude to a few centimetres
    assert upper_left[1] == pytest.approx(lower_left[1], abs=1e-6)


# ---------------------------------------------------------------- series


@pytest.mark.parametrize("us", [True, False])
def test_scales_grow_by_at_most_six_tenths_and_are_round(us):
    series = ratios(us=us)
    assert list(series) == sorted(set(series))
    assert all(b / a <= 1.6 for a, b in pairwise(series))
    if us:
        assert all((r / 12.0) % 10.0 == 0.0 for r in series)
    else:
        assert all(r % 50 == 0 for r in series)


# ---------------------------------------------------------------- fitting


@pytest.mark.parametrize(("extent_m", "us", "ratio"), [
    # room of 280 x 380 points; 280 points at 20 ft/in are 280 / 72 20 0.3048 = 23.7 m
    ((23.7, 1.0), True, 240.0), ((23.8, 1.0), True, 360.0), ((1.0, 32.1), True, 240.0), ((1.0, 32.3), True, 360.0),
    # 280 points are 98.78 mm: 24.69 m at 1:250
    ((24.6, 1.0), False, 250), ((24.8, 1.0), False, 400), ((1.0, 33.5), False, 250), ((1.0, 33.6), False, 400),
])
def test_the_largest_scale_that_shows_all(extent_m, us, ratio):
    points = np.array([(0.0, 0.0), extent_m])
    view = fit_view(LOCAL, points, RECT, us=us, margin_pt=10.0)
    assert view.ratio == ratio
    assert (view.x_m, view.y_m) == pytest.approx((extent_m[0] / 2.0, extent_m[1] / 2.0))
    assert view.turn_deg == 0.0


@pytest.mark.parametrize(("least", "ratio"), [(0.0, 240.0), (240.0, 240.0), (241.0, 360.0), (1000.0, 1200.0)])
def test_no_larger_scale_than_the_caller_wants(least, ratio):
    assert fit_view(LOCAL, np.array([(0.0, 0.0), (5.0, 5.0)]), RECT, us=True, margin_pt=10.0,
                    least_ratio=least).ratio == ratio


@pytest.mark.parametrize("us", [True, False])
def test_a_plan_too_large_is_refused(us):
    with pytest.raises(ValueError, match="too large"):
        fit_view(LOCAL, np.array([(0.0, 0.0), (1e6, 1e6)]), RECT, us=us, margin_pt=10.0)


def test_one_point_is_shown_at_the_largest_scale_in_the_middle():
    view = fit_view(LOCAL, np.array([(7.0, 9.0)]), RECT, us=True, margin_pt=10.0)
    assert view.ratio == 240.0
    assert view.point(7.0, 9.0) == pytest.approx(RECT.center)


def test_points_are_centred_on_paper_also_when_the_view_is_turned():
    frame = utm_frame(-72.0001, 44.2, "")  # three degrees from the meridian: turned by two degrees
    x, y = (float(v) for v in frame.from_lonlat(-72.0001, 44.2))
    points = np.array([(x, y), (x + 40.0, y + 3.0), (x + 90.0, y + 70.0)])
    view = fit_view(frame, points, RECT, us=False, margin_pt=20.0)
    assert view.turn_deg > 2.0
    at = view.page(points)
    assert (at.min(axis=0) + at.max(axis=0)) / 2.0 == pytest.approx(RECT.center)


# ---------------------------------------------------------------- tiles


def test_tiles_run_from_the_upper_left_and_empty_ones_are_left_out():
    """Points in three corners of a field of 2 x 2 tiles: three tiles, upper left first, each around its own."""
    big = MapView(RECT, 200.0, 200.0, 2.0 / POINT_M, 0.0)
    points = np.array([(0.0, 400.0), (0.0, 0.0), (400.0, 0.0), (10.0, 390.0)])
    found = tiles(big, points, 1.0 / POINT_M, RECT, 60.0)
    assert [(round(t.x_m), round(t.y_m)) for t in found] == [(5, 395), (0, 0), (400, 0)]
    assert all(t.ratio == 1.0 / POINT_M and t.rect == RECT for t in found)


def test_what_fits_one_tile_is_one_tile():
    view = MapView(RECT, 0.0, 0.0, 1.0 / POINT_M, 0.0)
    (one,) = tiles(view, np.array([(0.0, 0.0), (200.0, 300.0)]), 1.0 / POINT_M, RECT, 60.0)
    assert (one.x_m, one.y_m) == pytest.approx((100.0, 150.0))


@pytest.mark.parametrize("angle", [0.0, 2.0])
@pytest.mark.parametrize("ratio", [300.0, 700.0])
def test_every_point_lies_inside_some_tile(angle, ratio):
    rng = np.random.default_rng(2)
    points = rng.uniform(0.0, 300.0, (60, 2))
    view = MapView(RECT, 150.0, 150.0, 2000.0, angle)
    seen = np.zeros(60, bool)
    for tile in tiles(view, points, ratio, RECT, 40.0):
        at = tile.page(points)
        seen |= ((at >= (RECT.x0 + 20.0 - 1e-6, RECT.y0 + 20.0 - 1e-6))
                 & (at <= (RECT.x1 - 20.0 + 1e-6, RECT.y1 - 20.0 + 1e-6))).all(axis=1)
        assert tile.turn_deg == angle
    assert seen.all()
