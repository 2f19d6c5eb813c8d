"""Bilinear sampling, burning of areas and confidence of a fall, each against a second derivation."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from pipeline.frame import Frame
from pipeline.terrain.burn import covered, polygons
from pipeline.terrain.confidence import fall_error_m, fall_probability, grade_confidence
from pipeline.terrain.grid import Terrain
from pipeline.terrain.slope import slope_pct
from scipy.interpolate import RegularGridInterpolator
from scipy.stats import norm

FRAME = Frame("", "local grid", "not known")


def grid(z, *, x0=100.0, y0=200.0, cell=2.0) -> Terrain:
    return Terrain(np.asarray(z, np.float32), x0, y0, cell, FRAME, 0.1, "test")


SQUARE = grid([[10.0, 20.0], [30.0, 60.0]])  # north row 10, 20; south row 30, 60

# ---------------------------------------------------------------- places


def test_bounds_go_half_a_cell_beyond_the_centres():
    """3 rows and 4 columns of 2 m from (100, 200): west 99, east 100 + 6 + 1, north 201, south 200 - 4 - 1."""
    made = grid(np.zeros((3, 4)))
    assert made.shape == (3, 4)
    assert made.bounds == (99.0, 195.0, 107.0, 201.0)


@pytest.mark.parametrize(("x", "y", "row", "col"), [
    (100.0, 200.0, 0.0, 0.0), (102.0, 200.0, 0.0, 1.0), (100.0, 198.0, 1.0, 0.0), (101.0, 199.0, 0.5, 0.5),
    (99.0, 201.0, -0.5, -0.5),
])
def test_rows_run_south_and_columns_east(x, y, row, col):
    found = SQUARE.rowcol(x, y)
    assert (float(found[0]), float(found[1])) == (row, col)
    back = SQUARE.xy(row, col)
    assert (float(back[0]), float(back[1])) == (x, y)


def test_arrays_keep_their_shape():
    x = np.arange(6.0).reshape(2, 3)
    row, col = SQUARE.rowcol(x, x)
    assert row.shape == col.shape == (2, 3)
    assert SQUARE.sample(x, x).shape == (2, 3)


# ---------------------------------------------------------------- sampling


@pytest.mark.parametrize(("x", "y", "z"), [
    (100.0, 200.0, 10.0), (102.0, 200.0, 20.0), (100.0, 198.0, 30.0), (102.0, 198.0, 60.0),  # the centres
    (101.0, 200.0, 15.0), (100.0, 199.0, 20.0), (102.0, 199.0, 40.0), (101.0, 198.0, 45.0),  # halfway
    (101.0, 199.0, 30.0),     # the middle of all four: 120 / 4
    (100.5, 199.5, 18.75),    # 0.5625 10 + 0.1875 (20 + 30) + 0.0625 60 = 5.625 + 9.375 + 3.75
    (99.0, 201.0, 10.0), (103.0, 200.0, 20.0), (100.0, 197.0, 30.0), (103.0, 197.0, 60.0),   # carried outward
])
def test_four_cells_by_hand(x, y, z):
    assert float(SQUARE.sample(x, y)) == pytest.approx(z)


@pytest.mark.parametrize(("x", "y"), [(98.99, 200.0), (103.01, 200.0), (100.0, 201.01), (100.0, 196.99),
                                      (math.nan, 200.0), (100.0, math.nan), (math.inf, 200.0), (-math.inf, 200.0)])
def test_beyond_half_a_cell_there_is_no_ground(x, y):
    assert math.isnan(float(SQUARE.sample(x, y)))


@pytest.mark.parametrize("seed", range(3))
def test_as_the_interpolator_of_another_library(seed):
    rng = np.random.default_rng(seed)
    z = rng.uniform(300.0, 400.0, (7, 9)).astype(np.float32)
    made = grid(z, cell=1.5)
    other = RegularGridInterpolator((np.arange(7.0), np.arange(9.0)), z.astype(float))
    row, col = rng.uniform(0.0, 6.0, 200), rng.uniform(0.0, 8.0, 200)
    x, y = made.xy(row, col)
    assert made.sample(x, y) == pytest.approx(other(np.column_stack((row, col))), abs=1e-6)


def test_a_plane_is_sampled_exactly():
    rows, cols = np.mgrid[0:6, 0:6]
    made = grid(50.0 + 0.25 * cols - 0.5 * rows)
    x, y = np.meshgrid(np.linspace(100.0, 110.0, 23), np.linspace(190.0, 200.0, 23))
    assert made.sample(x, y) == pytest.approx(50.0 + 0.125 * (x - 100.0) + 0.25 * (y - 200.0), abs=1e-4)


def test_a_hole_reaches_exactly_as_far_as_its_weight():
    z = np.full((3, 3), 7.0)
    z[1, 1] = np.nan
    made = grid(z)
    assert math.isnan(float(made.sample(102.0, 198.0)))
    assert math.isnan(float(made.sample(100.1, 199.9)))       # a little of the hole
    for x, y in ((100.0, 199.0), (102.0, 200.0), (104.0, 197.0), (101.0, 200.0)):  # none of it: weight zero
        assert float(made.sample(x, y)) == 7.0


@pytest.mark.parametrize(("z", "x", "y", "wanted"), [
    ([[5.0]], 100.4, 200.6, 5.0), ([[5.0, 9.0]], 101.0, 200.9, 7.0), ([[5.0], [9.0]], 100.9, 199.0, 7.0),
])
def test_grids_of_one_cell_row_or_column(z, x, y, wanted):
    assert float(grid(z).sample(x, y)) == pytest.approx(wanted)


# ---------------------------------------------------------------- slopes


@pytest.mark.parametrize("cell", [0.5, 1.0, 3.0])
def test_horn_by_hand(cell):
    """Neighbours 1 2 3 / 4 . 6 / 7 8 10: east less west (3 + 12 + 10) - (1 + 8 + 7) = 9.

    South less north (7 + 16 + 10) - (1 + 4 + 3) = 25; over 8 cells: hypot(9, 25) / 8 = 3.3214.
    """
    found = slope_pct(grid([[1.0, 2.0, 3.0], [4.0, 5.0, 6.0], [7.0, 8.0, 10.0]], cell=cell))
    assert float(found[1, 1]) == pytest.approx(100.0 * math.hypot(9.0, 25.0) / 8.0 / cell, rel=1e-6)


@pytest.mark.parametrize(("dx", "dy"), [(0.1, 0.0), (0.0, -0.2), (0.3, 0.4), (-0.05, 0.12)])
def test_a_plane_has_one_slope_also_at_its_rim(dx, dy):
    rows, cols = np.mgrid[0:5, 0:6]
    found = slope_pct(grid(800.0 + 2.0 * (dx * cols - dy * rows)))
    assert found == pytest.approx(100.0 * math.hypot(dx, dy), rel=1e-3)


# ---------------------------------------------------------------- areas


def mask_of(made: Terrain, shape) -> np.ndarray:
    whole = np.zeros(made.shape, bool)
    window, mask = covered(made, shape)
    whole[window] = mask
    return whole


CELLS = grid(np.zeros((12, 15)), x0=0.5, y0=11.5, cell=1.0)  # centres at halves, 0..15 by 0..12


@pytest.mark.parametrize("shape", [
    shapely.box(2.0, 3.0, 7.0, 9.0),
    shapely.Point(7.2, 6.1).buffer(4.3),
    shapely.Polygon([(1.1, 1.2), (13.7, 2.3), (5.2, 10.9)]),
    shapely.box(1.0, 1.0, 11.0, 11.0).difference(shapely.Point(6.1, 6.2).buffer(2.6)),         # a hole
    shapely.MultiPolygon([shapely.box(0.1, 0.1, 3.2, 3.3), shapely.box(8.1, 6.2, 13.4, 9.7)]),
    shapely.GeometryCollection([shapely.box(0.1, 0.1, 3.2, 3.3), shapely.LineString([(0, 0), (9, 9)]),
                                shapely.MultiPolygon([shapely.box(5.3, 5.3, 8.4, 8.4)])]),
    shapely.box(-20.0, -20.0, 5.2, 40.0),                                                       # beyond the grid
    shapely.box(-20.0, -20.0, 40.0, 40.0),                                                      # all of it
    shapely.Polygon([(3.0, 1.3), (3.0, 9.7), (9.1, 9.7), (9.1, 5.1), (6.0, 5.1), (6.0, 1.3)]),  # an L
])
def test_covered_cells_are_those_whose_centre_lies_inside(shape):
    x, y = CELLS.xy(*np.mgrid[0:12, 0:15])
    inside = shapely.contains_xy(shapely.union_all(polygons(shape)), x, y)
    assert np.array_equal(mask_of(CELLS, shape), inside)


def test_a_centre_on_the_west_or_north_edge_is_inside_on_the_others_not():
    """The box 2.5..5.5 by 3.5..6.5 has centres on all four edges: 3 x 3 of the 4 x 4 count."""
    mask = mask_of(CELLS, shapely.box(2.5, 3.5, 5.5, 6.5))
    rows, cols = np.nonzero(mask)
    assert sorted(set(cols.tolist())) == [2, 3, 4]      # x 2.5, 3.5, 4.5
    assert sorted(set(rows.tolist())) == [5, 6, 7]      # y 6.5, 5.5, 4.5
    assert mask.sum() == 9


def test_neighbours_that_share_an_edge_cover_every_cell_once():
    parts = [shapely.box(0.0, 0.0, 4.5, 12.0), shapely.box(4.5, 0.0, 15.0, 6.5), shapely.box(4.5, 6.5, 15.0, 12.0)]
    total = sum(mask_of(CELLS, part).astype(int) for part in parts)
    assert (total == 1).all()


@pytest.mark.parametrize("shape", [
    shapely.LineString([(0, 0), (9, 9)]), shapely.Point(3, 3), shapely.Polygon(), shapely.GeometryCollection(),
    shapely.box(100.0, 100.0, 110.0, 110.0), shapely.box(-9.0, 0.0, -2.0, 5.0), shapely.box(0.0, 20.0, 5.0, 25.0),
    shapely.box(3.6, 3.6, 4.4, 4.4),  # between the centres
])
def test_what_covers_no_centre(shape):
    window, mask = covered(CELLS, shape)
    assert CELLS.z_m[window].shape == mask.shape
    assert not mask.any()


@pytest.mark.parametrize(("shape", "count"), [
    (shapely.box(0, 0, 1, 1), 1), (shapely.Polygon(), 0), (shapely.LineString([(0, 0), (1, 1)]), 0),
    (shapely.GeometryCollection([shapely.GeometryCollection([shapely.box(0, 0, 1, 1)]), shapely.box(2, 2, 3, 3)]), 2),
    (shapely.MultiPolygon([shapely.box(0, 0, 1, 1), shapely.box(2, 2, 3, 3)]), 2),
])
def test_polygons_are_taken_out_of_any_nesting(shape, count):
    found = polygons(shape)
    assert len(found) == count
    assert all(part.geom_type == "Polygon" for part in found)


# ---------------------------------------------------------------- confidence


@pytest.mark.parametrize(("length", "sz", "gps", "slope", "corr", "wanted"), [
    (30.0, 0.15, 0.0, 0.0, 0.0, 0.15 * math.sqrt(2.0)),                       # independent errors
    (10.0, 0.15, 0.0, 0.0, 10.0, 0.15 * math.sqrt(2.0 * (1.0 - math.exp(-1.0)))),
    (0.0, 0.15, 0.0, 20.0, 10.0, 0.0),                                        # one place: what both share cancels
    (1e9, 0.15, 0.0, 0.0, 10.0, 0.15 * math.sqrt(2.0)),
    (30.0, 0.0, 4.0, 25.0, 10.0, 1.0),                                        # s r = 0.25 4, sqrt(2 / 2) = 1
    (30.0, 3.0, 8.0, 50.0, 0.0, math.sqrt(18.0 + 16.0)),                      # 2 9 + 2 (0.5 8)^2 / 2
])
def test_error_of_a_fall_by_hand(length, sz, gps, slope, corr, wanted):
    assert fall_error_m(length_m=length, vertical_error_m=sz, gps_error_m=gps, slope_pct=slope,
                        correlation_m=corr) == pytest.approx(wanted)


@pytest.mark.parametrize("fall", [0.1, 0.24, 0.4, 1.0, -0.2])
@pytest.mark.parametrize("sz", [0.05, 0.2])
def test_probability_is_the_normal_one(fall, sz):
    sd = fall_error_m(length_m=12.0, vertical_error_m=sz, slope_pct=abs(fall) / 12.0 * 100.0)
    found = fall_probability(length_m=12.0, fall_m=fall, min_grade_pct=2.0, vertical_error_m=sz)
    assert found == pytest.approx(norm.cdf((fall - 0.24) / sd))


def test_the_spans_own_grade_stands_in_for_an_unknown_slope():
    given = {"length_m": 10.0, "fall_m": -0.5, "min_grade_pct": 2.0, "vertical_error_m": 0.1, "gps_error_m": 3.0}
    assert fall_probability(**given) == fall_probability(**given, slope_pct=5.0)
    assert fall_probability(**given) != fall_probability(**given, slope_pct=50.0)


@pytest.mark.parametrize(("fall", "wanted"), [(0.2, 1.0), (0.1999, 0.0), (0.3, 1.0)])
def test_without_any_error_it_is_yes_or_no(fall, wanted):
    assert fall_probability(length_m=10.0, fall_m=fall, min_grade_pct=2.0, vertical_error_m=0.0) == wanted


@pytest.mark.parametrize("change", [
    {"length_m": math.nan}, {"fall_m": math.nan}, {"min_grade_pct": math.inf}, {"vertical_error_m": math.nan},
    {"gps_error_m": math.nan}, {"slope_pct": math.nan}, {"length_m": 0.0}, {"length_m": -1.0},
])
def test_a_missing_figure_leaves_the_chance_unknown(change):
    given = {"length_m": 10.0, "fall_m": 0.5, "min_grade_pct": 2.0, "vertical_error_m": 0.1, **change}
    assert math.isnan(fall_probability(**given))
    assert grade_confidence(**given) == "unknown"


@pytest.mark.parametrize("error", [0.0, -0.1, math.nan])
def test_no_raster_is_without_error(error):
    assert grade_confidence(length_m=10.0, fall_m=5.0, min_grade_pct=2.0, vertical_error_m=error) == "unknown"


@pytest.mark.parametrize("spare_sd", [-1.0, 0.0, 1.0, 1.28, 1.29, 2.0])
def test_nine_in_ten_are_enough(spare_sd):
    """The 90 % point of the normal distribution lies 1.2816 standard deviations out."""
    sd = 0.1 * math.sqrt(2.0)
    found = grade_confidence(length_m=50.0, fall_m=1.0 + spare_sd * sd, min_grade_pct=2.0, vertical_error_m=0.1,
                             correlation_m=0.0)
    assert found == ("high" if spare_sd > 1.2816 else "level it")
