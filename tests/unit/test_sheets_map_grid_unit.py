"""The grid of a map: its steps, where its crosses stand, and what the frame says; and the relief's light."""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pyproj
import pytest
import shapely
from pipeline.frame import Frame, utm_frame
from pipeline.sheets.context import make_context
from pipeline.sheets.geo import convergence_deg
from pipeline.sheets.map_grid import grid
from pipeline.sheets.mapview import POINT_M, MapView
from pipeline.sheets.marks import Line, Rect, Text
from pipeline.sheets.network_map import hillshade, tree_dots
from pipeline.terrain.grid import Terrain

from sample_plan import LAT, LON, sample_plan

LOCAL = Frame("", "local grid", "not known")
RECT = Rect(50.0, 100.0, 550.0, 600.0)


def local_view(pt_per_m: float, x: float = 1000.0, y: float = 2000.0) -> MapView:
    return MapView(RECT, x, y, 1.0 / (POINT_M * pt_per_m), 0.0)


# ---------------------------------------------------------------- steps


@pytest.mark.parametrize(("pt_per_m", "step"), [
    (9.01, 10), (8.9, 20), (4.51, 20), (4.4, 50), (1.81, 50), (1.0, 100), (0.91, 100), (0.89, 200), (0.181, 500),
    (0.091, 1000), (0.0181, 5000), (0.01, 5000),
])
def test_lines_are_round_metres_and_at_least_ninety_points_apart(pt_per_m, step):
    assert grid(LOCAL, local_view(pt_per_m)).step_m == step


# ---------------------------------------------------------------- a local grid


def test_crosses_of_a_local_grid_by_hand():
    """Two points to the metre: 250 m each way, step 50 m. The view is 875..1125 by 1875..2125."""
    found = grid(LOCAL, local_view(2.0))
    assert found.step_m == 50
    assert found.name == ""
    x = {round(p[0], 6) for p in found.cross_points}
    y = {round(p[1], 6) for p in found.cross_points}
    # 900, 950 .. 1100: 300 + (x - 1000) 2
    assert x <= {100.0, 200.0, 300.0, 400.0, 500.0}
    assert y <= {150.0, 250.0, 350.0, 450.0, 550.0}
    points = {(round(a, 6), round(b, 6)) for a, b in found.cross_points}
    assert {(200.0, 250.0), (300.0, 350.0), (400.0, 450.0)} <= points
    (cross,) = found.crosses
    assert len(cross.parts) == 2 * len(found.cross_points)
    for k, (px, py) in enumerate(found.cross_points):
        for part in cross.parts[2 * k: 2 * k + 2]:
            line = shapely.LineString(part)
            assert line.length == pytest.approx(10.0)
            assert line.centroid.coords[0] == pytest.approx((px, py))


def test_labels_of_a_local_grid_name_its_lines_on_both_sides():
    found = grid(LOCAL, local_view(2.0))
    texts = [m for m in found.labels if isinstance(m, Text)]
    east = sorted({m.text for m in texts if m.text.endswith("E")})
    north = sorted({m.text for m in texts if m.text.endswith("N")})
    assert set(east) <= {f"{e:05d}E" for e in (900, 950, 1000, 1050, 1100)}
    assert {"00950E", "01000E", "01050E"} <= set(east)
    assert north == [f"{n:05d}N" for n in (1900, 1950, 2000, 2050, 2100)]
    assert all(m.tag == "grid" for m in texts)
    for mark in texts:
        assert sum(m.text == mark.text for m in texts) == 2
        want = 300.0 + (int(mark.text[:5]) - 1000.0) * 2.0 if mark.text.endswith("E") else 0.0
        assert not want or mark.x == pytest.approx(want)


def test_figures_have_the_last_five_digits():
    found = grid(LOCAL, local_view(2.0, 499_990.0, 4_900_000.0))
    texts = {m.text for m in found.labels if isinstance(m, Text)}
    assert {"99950E", "00000E", "00050E", "00000N", "99950N"} <= texts


def test_ticks_start_on_the_frame_and_boxes_keep_the_figures():
    found = grid(LOCAL, local_view(2.0))
    for mark in found.labels:
        if isinstance(mark, Line):
            assert mark.x0 in (RECT.x0, RECT.x1) or mark.y0 in (RECT.y0, RECT.y1)
            assert abs(mark.x1 - mark.x0) + abs(mark.y1 - mark.y0) == pytest.approx(4.0)
    assert len(found.label_boxes) == sum(isinstance(m, Text) for m in found.labels)
    assert all(RECT.holds(box, 0.01) for box in found.label_boxes)


def test_no_cross_stands_on_a_figure_or_the_frame():
    for shift in range(0, 50, 7):
        found = grid(LOCAL, local_view(2.0, 1000.0 + shift, 2000.0 + shift))
        for x, y in found.cross_points:
            here = Rect(x - 5.0, y - 5.0, x + 5.0, y + 5.0)
            assert RECT.holds(here)
            assert not any(here.overlaps(box) for box in found.label_boxes)


# ---------------------------------------------------------------- on Earth


def earth_view(lon: float = LON, lat: float = LAT) -> tuple[Frame, MapView]:
    frame = utm_frame(lon, lat, "")
    x, y = (float(v) for v in frame.from_lonlat(lon, lat))
    return frame, MapView(RECT, x, y, 1.0 / (POINT_M * 2.0), convergence_deg(frame, x, y))


def test_crosses_lie_at_round_utm_metres():
    frame, view = earth_view()
    found = grid(frame, view)
    assert found.name == "USNG 18T XP"
    at = view.plan(np.array(found.cross_points))
    assert len(at) >= 9
    assert np.abs(at / 50.0 - np.round(at / 50.0)).max() < 1e-4


def test_a_plan_in_another_projection_still_has_the_national_grid():
    """State plane metres of Vermont (EPSG:32145): crosses must be round in UTM zone 18, not in the plan."""
    crs = pyproj.CRS.from_epsg(32145)
    frame = Frame(crs.to_wkt(), crs.name, "")
    x, y = (float(v) for v in frame.from_lonlat(LON, LAT))
    view = MapView(RECT, x, y, 1.0 / (POINT_M * 2.0), convergence_deg(frame, x, y))
    found = grid(frame, view)
    lon, lat = frame.lonlat(*view.plan(np.array(found.cross_points)).T)
    ux, uy = pyproj.Transformer.from_crs("EPSG:4326", "EPSG:32618", always_xy=True).transform(lon, lat)
    assert np.abs(ux / 50.0 - np.round(ux / 50.0)).max() < 1e-3
    assert np.abs(uy / 50.0 - np.round(uy / 50.0)).max() < 1e-3


def test_grid_lines_lean_by_the_convergence():
    """Two crosses one above the other lean from true north by the angle of the grid."""
    frame, view = earth_view(-72.3, 44.2)
    points = np.array(grid(frame, view).cross_points)
    plan = np.round(view.plan(points) / 50.0)
    column = plan[:, 0] == plan[0, 0]
    low, high = points[column][np.argmin(plan[column, 1])], points[column][np.argmax(plan[column, 1])]
    lean = np.degrees(np.arctan2(high[0] - low[0], high[1] - low[1]))
    assert lean == pytest.approx(view.turn_deg, abs=0.01)
    assert lean > 1.5


def test_south_of_the_equator_the_southern_zone_is_used():
    frame, view = earth_view(151.2, -33.85)
    found = grid(frame, view)
    assert found.name.startswith("USNG 56H ")
    assert all(re.fullmatch(r"\d{5}[EN]", m.text) for m in found.labels if isinstance(m, Text))


# ---------------------------------------------------------------- relief


@pytest.fixture(scope="module")
def ctx():
    plan, terrain, ground = sample_plan()
    return make_context(plan=plan, terrain=terrain, ground=ground)


def shade(ctx, height) -> np.ndarray:
    x, y = np.meshgrid(np.arange(-150.0, 151.0), np.arange(150.0, -151.0, -1.0))
    frame, view = earth_view()
    ground = Terrain(height(x, y).astype(np.float32), view.x_m - 150.0, view.y_m + 150.0, 1.0, frame, 0.1, "test")
    found = hillshade(dataclasses.replace(ctx, terrain=ground), view)
    assert found.rect == RECT
    return np.frombuffer(found.data, np.uint8).reshape(found.rows, found.columns)


def test_slopes_that_face_the_north_west_are_lightest(ctx):
    """A cone is bright towards the light (upper left) and dark on the far side; the other two are between."""
    grey = shade(ctx, lambda x, y: 500.0 - 0.5 * np.hypot(x, y)).astype(float)
    middle, q = grey.shape[0] // 2, grey.shape[0] // 6
    upper_left, lower_right = grey[middle - q, middle - q], grey[middle + q, middle + q]
    upper_right, lower_left = grey[middle - q, middle + q], grey[middle + q, middle - q]
    assert upper_left > upper_right > lower_right
    assert upper_left > lower_left > lower_right
    assert upper_right == pytest.approx(lower_left, abs=4.0)


def test_relief_stays_light_enough_to_print_on(ctx):
    grey = shade(ctx, lambda x, y: 500.0 + 8.0 * np.sin(x / 9.0) * np.cos(y / 7.0))
    assert grey.min() >= 176
    assert grey.max() == 255
    assert np.ptp(grey.astype(int)) > 60


def test_level_and_unknown_ground_is_paper_or_even(ctx):
    assert len(np.unique(shade(ctx, lambda x, y: 500.0 + 0.0 * x))) == 1
    assert (shade(ctx, lambda x, y: np.full(x.shape, np.nan)) == 255).all()


# ---------------------------------------------------------------- dots


def test_many_trees_are_one_stroke_of_dots():
    (mark,) = tree_dots(np.array([(1.04, 2.0), (3.0, 4.06)]), 1.5)
    assert mark.parts == (((1.0, 2.0), (1.0, 2.0)), ((3.0, 4.1), (3.0, 4.1)))
    assert mark.width == 1.5
    assert mark.round_cap
    assert tree_dots(np.zeros((0, 2)), 1.5) == []
