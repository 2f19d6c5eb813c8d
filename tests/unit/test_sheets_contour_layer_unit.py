"""Contours of a map window: interval, thinning, smoothing, levels and figures, on ground with closed answers."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from pipeline.frame import Frame
from pipeline.sheets.contour_layer import INDEX, MINOR, Contours, contours, figures, interval, smooth, window
from pipeline.sheets.labels import LabelField
from pipeline.sheets.mapview import POINT_M, MapView
from pipeline.sheets.marks import Polyline, Rect, Text, text_rect
from pipeline.terrain.grid import Terrain
from pipeline.units import FT_M
from scipy.ndimage import gaussian_filter

FRAME = Frame("", "local grid", "not known")
RECT = Rect(50.0, 50.0, 350.0, 350.0)


def terrain(height, *, size: int = 200, cell: float = 1.0) -> Terrain:
    """Return ground of a function of plan x and y over (0, 0) .. (size, size)."""
    x, y = np.meshgrid(np.arange(size) * cell, (size - 1 - np.arange(size)) * cell)
    return Terrain(height(x, y).astype(np.float32), 0.0, (size - 1) * cell, cell, FRAME, 0.1, "test")


def view(pt_per_m: float = 2.0, *, x: float = 100.0, y: float = 100.0, turn: float = 0.0) -> MapView:
    return MapView(RECT, x, y, 1.0 / (POINT_M * pt_per_m), turn)


def slope(east: float, north: float):
    return lambda x, y: 500.0 + east * x + north * y


# ---------------------------------------------------------------- interval


@pytest.mark.parametrize(("slope_share", "pt_per_m", "us", "step"), [
    # contours no closer than 8.64 points: step / slope pt_per_m >= 8.64
    (0.10, 2.0, False, 0.5),     # 0.5 / 0.1 2 = 10
    (0.12, 2.0, False, 1.0),     # 8.33 is too near; 1 m: 16.7
    (0.25, 2.0, False, 2.0),     # 1 m: 8
    (0.25, 2.2, False, 1.0),     # 1 m: 8.8
    (0.05, 2.0, True, 1.0),      # 0.3048 / 0.05 2 = 12.2
    (0.10, 2.0, True, 2.0),      # 1 ft: 6.1; 2 ft: 12.2
    (0.30, 1.0, True, 10.0),     # 5 ft: 5.08; 10 ft: 10.16
    (3.00, 0.1, True, 100.0),    # nothing suffices: the largest
    (3.00, 0.1, False, 50.0),
    (0.00, 2.0, True, 1.0), (0.00, 2.0, False, 0.5),  # level ground: the finest
])
def test_the_finest_interval_that_can_be_read(slope_share, pt_per_m, us, step):
    z = np.arange(30.0)[np.newaxis, :] * slope_share * np.ones((30, 1)) * 1.5
    assert interval(z, 1.5, pt_per_m, us=us) == step


def test_holes_do_not_count_for_the_interval():
    z = np.arange(30.0)[np.newaxis, :] * 0.10 * np.ones((30, 1))
    z[10:15, 10:15] = np.nan
    assert interval(z, 1.0, 2.0, us=False) == 0.5
    assert interval(np.full((5, 5), np.nan), 1.0, 2.0, us=False) == 0.5


# ---------------------------------------------------------------- window


def test_the_window_covers_the_view_with_six_metres_around():
    """300 points at 2 to the metre are 150 m around (100, 100): 25..175; with margin 19..181."""
    x, y, z = window(terrain(slope(0.1, 0.0)), view())
    stride = round(x[1] - x[0])
    assert stride == 2  # 3.6 points at 2 to the metre are 1.8 m
    assert x[0] <= 19.0 < x[0] + stride
    assert x[-1] >= 181.0 - stride
    assert y[0] > y[-1]
    assert y[0] >= 181.0 - stride
    assert y[-1] <= 19.0 + stride
    assert z.shape == (len(y), len(x))


@pytest.mark.parametrize(("pt_per_m", "stride"), [(8.0, 1), (3.6, 1), (1.2, 3), (0.4, 9)])
def test_terrain_is_thinned_to_what_paper_shows(pt_per_m, stride):
    x, y, z = window(terrain(slope(0.1, 0.0)), view(pt_per_m))
    assert set(np.diff(x)) == {stride}
    assert set(np.diff(y)) == {-stride}
    assert z == pytest.approx(500.0 + 0.1 * np.broadcast_to(x, z.shape), abs=1e-3)


def test_a_window_over_the_edge_stops_there():
    x, y, z = window(terrain(slope(0.1, 0.0)), view(x=0.0, y=0.0))
    assert x[0] == 0.0
    assert y[-1] >= 0.0
    assert z.shape == (len(y), len(x))


# ---------------------------------------------------------------- smoothing


def test_smoothing_is_the_gaussian_of_the_image_library():
    z = np.random.default_rng(3).normal(0.0, 1.0, (40, 40))
    assert smooth(z, 1.3) == pytest.approx(gaussian_filter(z, 1.3, mode="nearest"))


def test_a_hole_stays_a_hole_and_lends_no_weight():
    """A level floor stays level beside a hole, which a plain filter would pull down."""
    z = np.full((20, 20), 300.0)
    z[8:12, 8:12] = np.nan
    found = smooth(z, 2.0)
    assert np.array_equal(np.isnan(found), np.isnan(z))
    assert found[np.isfinite(found)] == pytest.approx(300.0)


def test_no_ground_at_all_stays_so():
    assert np.isnan(smooth(np.full((4, 4), np.nan), 1.0)).all()


# ---------------------------------------------------------------- lines


@pytest.mark.parametrize("us", [True, False])
@pytest.mark.parametrize("turn", [0.0, 1.5])
def test_contours_of_a_plane_are_straight_and_at_their_elevation(us, turn):
    """Ground 500 + 0.2 x: every drawn point lies at x = (elevation - 500) / 0.2 within half a metre."""
    ground, where = terrain(slope(0.2, 0.0)), view(turn=turn)
    found = contours(ground, where, us=us)
    unit = FT_M if us else 1.0
    assert found.step == (5.0 if us else 1.0)
    assert found.index == 5.0 * found.step
    assert found.index_lines
    for value, line in found.index_lines:
        assert value % found.index == 0.0
        at = where.plan(line)
        assert at[:, 0] == pytest.approx((value * unit - 500.0) / 0.2, abs=0.5)
    for line in found.minor_lines:
        level = (500.0 + 0.2 * where.plan(line)[:, 0]) / unit / found.step
        assert level == pytest.approx(np.round(level.mean()), abs=0.12)
        assert round(float(level.mean())) % 5 != 0


def test_nothing_leaves_the_frame_and_each_level_crosses_it():
    found = contours(terrain(slope(0.2, 0.1)), view(), us=False)
    frame = shapely.box(RECT.x0, RECT.y0, RECT.x1, RECT.y1)
    for line in [p for _, p in found.index_lines] + list(found.minor_lines):
        assert frame.buffer(0.01).contains(shapely.LineString(line))
    # 150 m by 0.2 and 0.1 are 45 m of relief: 45 one-metre levels, or one fewer
    assert len(found.index_lines) + len(found.minor_lines) in range(20, 47)


def test_marks_are_thin_minor_and_heavier_index_lines():
    found = contours(terrain(slope(0.2, 0.0)), view(), us=False)
    minor, index = found.marks
    assert isinstance(minor, Polyline)
    assert (minor.color, index.color) == (MINOR, INDEX)
    assert index.width > minor.width
    assert len(minor.parts) == len(found.minor_lines)
    assert len(index.parts) == len(found.index_lines)


def test_rings_of_a_cone_have_their_radius():
    """Ground 600 - 0.2 r around (100, 100): the contour at 590 m is the circle of 50 m."""
    cone = terrain(lambda x, y: 600.0 - 0.2 * np.hypot(x - 100.0, y - 100.0))
    found = contours(cone, view(), us=False)
    (ring,) = [p for value, p in found.index_lines if value == 590.0]
    radius = np.hypot(*(view().plan(ring) - 100.0).T)
    assert radius == pytest.approx(50.0, abs=0.6)
    assert shapely.LineString(ring).is_closed


@pytest.mark.parametrize("ground", [
    Terrain(np.full((200, 200), np.nan, np.float32), 0.0, 199.0, 1.0, FRAME, 0.1, "t"),
    Terrain(np.zeros((1, 1), np.float32), 100.0, 100.0, 1.0, FRAME, 0.1, "t"),
    Terrain(np.zeros((50, 50), np.float32), 9000.0, 9000.0, 1.0, FRAME, 0.1, "t"),
])
def test_without_ground_there_are_no_contours(ground):
    assert contours(ground, view(), us=True) == Contours((), (), (), 0.0, 0.0)


def test_level_ground_has_no_line():
    found = contours(terrain(lambda x, y: 500.3 + 0.0 * x * y), view(), us=False)
    assert found.marks == ()
    assert found.step == 0.5


# ---------------------------------------------------------------- figures


def test_figures_stand_on_their_contour_and_read_along_it():
    ground, where = terrain(slope(0.2, 0.05)), view()
    found = contours(ground, where, us=False)
    marks = figures(found, LabelField(RECT))
    assert marks
    lines = {f"{value:g}": shapely.LineString(line) for value, line in found.index_lines}
    for mark in marks:
        assert isinstance(mark, Text)
        assert mark.tag == "contour"
        assert -90.0 < mark.angle_deg <= 90.0
        turn = math.radians(mark.angle_deg)
        # the middle of the figures, 0.36 of the size above the base line
        middle = shapely.Point(mark.x - math.sin(turn) * 2.52, mark.y + math.cos(turn) * 2.52)
        assert lines[mark.text].distance(middle) < 0.3
        # contours run along (-0.05, 0.2): 104 degrees, written as -76
        assert mark.angle_deg == pytest.approx(math.degrees(math.atan2(0.2, -0.05)) - 180.0, abs=1.0)


def test_figures_are_far_apart_on_one_line_and_never_over_another():
    found = contours(terrain(slope(0.2, 0.05)), view(), us=False)
    marks = figures(found, LabelField(RECT), apart_pt=120.0)
    for i, a in enumerate(marks):
        for b in marks[:i]:
            assert not text_rect(a).inset(1.5).overlaps(text_rect(b).inset(1.5))
            if a.text == b.text:
                assert math.hypot(a.x - b.x, a.y - b.y) >= 119.0
    assert len(marks) > len(figures(found, LabelField(RECT), apart_pt=1e6)) - 1


def test_no_figure_stands_where_room_is_taken():
    found = contours(terrain(slope(0.2, 0.05)), view(), us=False)
    field = LabelField(RECT)
    field.block(RECT)
    assert figures(found, field) == []
    half = LabelField(RECT)
    half.block(Rect(RECT.x0, RECT.y0, RECT.x1, 200.0))
    marks = figures(found, half)
    assert marks
    assert all(mark.y > 198.0 for mark in marks)


def test_short_and_curved_contours_have_no_figure():
    """A ring of three points radius bends too much; one of 14 points length is too short."""
    angle = np.linspace(0.0, 2.0 * math.pi, 40)
    ring = np.column_stack((200.0 + 6.0 * np.cos(angle), 200.0 + 6.0 * np.sin(angle)))
    short = np.array([(100.0, 100.0), (114.0, 100.0)])
    long = np.array([(100.0, 300.0), (300.0, 300.0)])
    made = Contours((), ((375.0, ring), (400.0, short), (425.0, long)), (), 5.0, 25.0)
    assert {m.text for m in figures(made, LabelField(RECT))} == {"425"}
