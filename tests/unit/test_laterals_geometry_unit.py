"""Compiled geometry of pieces: crossings, distances, blocked cells, ground, spans; against shapely and brute force."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from pipeline.frame import Frame
from pipeline.laterals import pieces_kernel as kernel
from pipeline.laterals.scene import bins_of
from pipeline.terrain.grid import Terrain
from shapely.geometry import LineString, Point, box


def touch(*values):
    return kernel.touches(*(float(v) for v in values))


@pytest.mark.parametrize(
    ("segments", "meet"),
    [
        ((0, 0, 10, 0, 5, -5, 5, 5), True),  # across
        ((0, 0, 10, 0, 5, 0, 5, 5), True),  # foot on the line
        ((0, 0, 10, 0, 10, 0, 20, 5), True),  # end to end
        ((0, 0, 10, 0, 5, 0.001, 5, 5), False),
        ((0, 0, 10, 0, 10.001, 0, 20, 0), False),  # in line, apart
        ((0, 0, 10, 0, 8, 0, 20, 0), True),  # in line, over one another
        ((0, 0, 10, 0, 2, 0, 3, 0), True),  # one within the other
        ((0, 0, 10, 0, 0, 1, 10, 1), False),  # side by side
        ((0, 0, 10, 10, 5, 0, 10, 4), False),  # boxes overlap, lines do not
        ((0, 0, 10, 10, 0, 10, 10, 0), True),
        ((3, 3, 3, 3, 0, 0, 6, 6), True),  # a point on a line
        ((3, 3.5, 3, 3.5, 0, 0, 6, 6), False),
        ((3, 3, 3, 3, 3, 3, 3, 3), True),
    ],
)
def test_two_segments_meet_or_not(segments, meet):
    a, b = segments[:4], segments[4:]
    for one, two in ((a, b), (b, a), ((*a[2:], *a[:2]), b), (a, (*b[2:], *b[:2]))):
        assert touch(*one, *two) is meet


@pytest.mark.parametrize("seed", range(4))
def test_meeting_against_shapely(seed):
    """Whole numbers on a small grid: many touches, ends and overlaps; exact in floats."""
    rng = np.random.default_rng(seed)
    for v in rng.integers(0, 6, (150, 8)).astype(float):
        assert touch(*v) is LineString([v[:2], v[2:4]]).intersects(LineString([v[4:6], v[6:]]))


@pytest.mark.parametrize(
    ("points", "area"), [((0, 0, 4, 0, 0, 3), 12.0), ((0, 0, 0, 3, 4, 0), -12.0), ((0, 0, 1, 1, 2, 2), 0.0)]
)
def test_orientation_is_twice_the_signed_area(points, area):
    assert kernel.orient(*(float(p) for p in points)) == area


@pytest.mark.parametrize(
    ("point", "away"),
    [((5, 3), 3.0), ((5, -3), 3.0), ((-3, 4), 5.0), ((13, 4), 5.0), ((0, 0), 0.0), ((7, 0), 0.0), ((10, 2), 2.0)],
)
def test_distance_of_a_point_from_a_segment(point, away):
    assert kernel.point_segment_m(float(point[0]), float(point[1]), 0.0, 0.0, 10.0, 0.0) == away
    assert kernel.point_segment_m(float(point[0]), float(point[1]), 10.0, 0.0, 0.0, 0.0) == away


def test_distance_from_a_segment_that_is_a_point():
    assert kernel.point_segment_m(3.0, 4.0, 0.0, 0.0, 0.0, 0.0) == 5.0


# ---------------------------------------------------------------- bins


@pytest.mark.parametrize("cell", [0.7, 3.0, 50.0])
def test_every_segment_lies_in_each_bin_its_box_overlaps(cell):
    rng = np.random.default_rng(1)
    seg = rng.uniform(0.0, 20.0, (25, 4))
    bins = bins_of(seg, cell)
    x0, y0, size = bins.grid
    nx, ny = bins.dims
    held = [set(bins.item[bins.start[k]: bins.start[k + 1]].tolist()) for k in range(nx * ny)]
    for r in range(ny):
        for c in range(nx):
            square = box(x0 + c * size, y0 + r * size, x0 + (c + 1) * size, y0 + (r + 1) * size)
            inside = {i for i, s in enumerate(seg)
                      if box(min(s[0], s[2]), min(s[1], s[3]), max(s[0], s[2]), max(s[1], s[3])).intersects(square)}
            assert inside == held[r * nx + c]


def test_bins_of_nothing_and_of_a_huge_extent():
    none = bins_of(np.zeros((0, 4)), 5.0)
    assert none.dims.tolist() == [1, 1]
    assert none.start.tolist() == [0, 0]
    wide = bins_of(np.array([[0.0, 0.0, 1.0, 1.0], [1e6, 0.0, 1e6, 1.0]]), 1.0)
    assert wide.grid[2] == 500.0  # a two-thousandth of the extent
    assert wide.dims[0] == 2000


@pytest.mark.parametrize("seed", range(4))
def test_touching_anything_against_shapely(seed):
    rng = np.random.default_rng(seed)
    seg = np.hstack([p := rng.uniform(0.0, 50.0, (30, 2)), p + rng.normal(0.0, 6.0, (30, 2))])
    bins = bins_of(seg, 4.0)
    ask = np.hstack([q := rng.uniform(-10.0, 60.0, (60, 2)), q + rng.normal(0.0, 6.0, (60, 2))])
    whole = shapely.MultiLineString([[s[:2], s[2:]] for s in seg])
    wanted = [whole.intersects(LineString([v[:2], v[2:]])) for v in ask]
    assert any(wanted)
    assert not all(wanted)
    first = [kernel.first_touch(*v, *bins.args, -1.0) for v in ask]
    assert [f >= 0 for f in first] == wanted
    got = kernel.check_pieces(np.ascontiguousarray(ask[:, :2]), np.ascontiguousarray(ask[:, 2:]), *bins.args)
    assert got.tolist() == wanted
    for v, f in zip(ask, first, strict=True):
        if f >= 0:
            assert touch(*v, *seg[f])


def test_an_entry_does_not_touch_the_line_it_lies_on():
    seg = np.array([[0.0, 0.0, 10.0, 0.0], [4.0, 5.0, 6.0, 5.0]])
    bins = bins_of(seg, 4.0)
    assert kernel.first_touch(5.0, 0.0, 5.0, 3.0, *bins.args, -1.0) == 0
    assert kernel.first_touch(5.0, 0.0, 5.0, 3.0, *bins.args, 1e-3) == -1
    assert kernel.first_touch(5.0, 0.0, 5.0, 6.0, *bins.args, 1e-3) == 1
    assert kernel.first_touch(5.0, 0.002, 5.0, -3.0, *bins.args, 1e-3) == 0  # begins beside the line, crosses it


@pytest.mark.parametrize("reach", [0.5, 2.0, 8.0, 40.0])
def test_nearest_segment_against_shapely(reach):
    rng = np.random.default_rng(5)
    seg = np.hstack([p := rng.uniform(0.0, 50.0, (20, 2)), p + rng.normal(0.0, 4.0, (20, 2))])
    bins = bins_of(seg, 3.0)
    whole = shapely.MultiLineString([[s[:2], s[2:]] for s in seg])
    for x, y in rng.uniform(-10.0, 60.0, (60, 2)):
        away = whole.distance(Point(x, y))
        wanted = away if away <= reach else np.inf
        assert kernel.nearest_m(x, y, reach, *bins.args) == pytest.approx(wanted)


@pytest.mark.parametrize("seed", range(3))
def test_pairs_that_touch_are_of_two_groups_and_told_once(seed):
    rng = np.random.default_rng(seed)
    seg = np.hstack([p := rng.uniform(0.0, 25.0, (40, 2)), p + rng.normal(0.0, 5.0, (40, 2))])
    group = rng.integers(0, 9, 40)
    bins = bins_of(seg, 2.0)
    got = kernel.touching_pairs(bins.seg, group, *bins.args[1:])
    lines = [LineString([s[:2], s[2:]]) for s in seg]
    wanted = sorted((i, j) for i in range(40) for j in range(i + 1, 40)
                    if group[i] != group[j] and lines[i].intersects(lines[j]))
    assert sorted(map(tuple, got.tolist())) == wanted


# ---------------------------------------------------------------- ground


def grid(rows=7, cols=9, cell_m=2.0, seed=0):
    z = np.random.default_rng(seed).normal(100.0, 1.0, (rows, cols)).astype(np.float32)
    return Terrain(z, 10.0, 50.0, cell_m, Frame("", "local", ""), 0.1, "test")


@pytest.mark.parametrize("hole", [False, True])
def test_ground_of_the_kernel_is_that_of_the_terrain(hole):
    land = grid()
    z = land.z_m.copy()
    if hole:
        z[3, 4] = np.nan
    land = Terrain(z, 10.0, 50.0, 2.0, land.frame, 0.1, "test")
    rng = np.random.default_rng(2)
    west, south, east, north = land.bounds
    x = np.concatenate([rng.uniform(west - 2, east + 2, 200), [10.0, 18.0, west, east, 16.0]])
    y = np.concatenate([rng.uniform(south - 2, north + 2, 200), [50.0, 44.0, south, north, 50.0]])
    got = np.array([kernel.bilinear(z, 10.0, 50.0, 2.0, a, b) for a, b in zip(x, y, strict=True)])
    wanted = land.sample(x, y)
    assert np.array_equal(np.isnan(got), np.isnan(wanted))
    assert got[~np.isnan(got)] == pytest.approx(wanted[~np.isnan(wanted)], abs=1e-9)
    assert 0 < np.isnan(wanted).sum() < len(x)


@pytest.mark.parametrize("seed", range(5))
def test_blocked_cells_against_shapely(seed):
    """A piece is blocked where its line meets the inside of a blocked cell."""
    rng = np.random.default_rng(seed)
    mask = rng.random((8, 8)) < 0.15
    cells = shapely.union_all([box(c, 7 - r, c + 1, 8 - r).buffer(-1e-9) for r, c in np.argwhere(mask)])
    for ax, ay, bx, by in rng.uniform(0.01, 7.99, (80, 4)):
        wanted = LineString([(ax, ay), (bx, by)]).intersects(cells)
        assert kernel.blocked(mask, 0.5, 7.5, 1.0, ax, ay, bx, by) is bool(wanted)


@pytest.mark.parametrize(
    ("ends", "out"),
    [((1, 1, 7, 7), False), ((1, 1, 9, 1), True), ((1, 1, 1, 9), True), ((-1, 1, 3, 1), True), ((1, -1, 1, 3), True),
     ((3, 3, 3, 3), False)],
)
def test_off_the_grid_is_blocked(ends, out):
    mask = np.zeros((8, 8), dtype=np.bool_)
    assert kernel.blocked(mask, 0.5, 7.5, 1.0, *(float(v) + 0.1 for v in ends)) is out


@pytest.mark.parametrize("flip", [False, True])
def test_a_piece_along_a_row_or_column_sees_each_cell_of_it(flip):
    mask = np.zeros((8, 8), dtype=np.bool_)
    mask[3, 5] = True  # x from 5 to 6, y from 4 to 5
    ends = (0.5, 4.5, 7.5, 4.5)
    assert kernel.blocked(mask, 0.5, 7.5, 1.0, *(ends[2:] + ends[:2] if flip else ends))
    assert not kernel.blocked(mask, 0.5, 7.5, 1.0, 0.5, 3.5, 7.5, 3.5)
    up = (5.5, 0.5, 5.5, 7.5)
    assert kernel.blocked(mask, 0.5, 7.5, 1.0, *(up[2:] + up[:2] if flip else up))
    assert not kernel.blocked(mask, 0.5, 7.5, 1.0, 4.5, 0.5, 4.5, 7.5)


def test_a_span_over_a_known_hump_by_hand():
    """Ground 0 but 2 at x = 5; from 1 m to x = 10, half a metre clear: 2.5 = (1 + z) / 2, so z = 4."""
    z = np.zeros((3, 11), np.float32)
    z[:, 5] = 2.0
    assert kernel.span_need_z(z, 0.0, 2.0, 1.0, 0.0, 1.0, 1.0, 10.0, 1.0, 0.5) == pytest.approx(4.0)
    assert kernel.span_need_z(z, 0.0, 2.0, 1.0, 0.0, 1.0, 2.0, 10.0, 1.0, 0.5) == pytest.approx(3.0)
    assert kernel.span_need_z(z, 0.0, 2.0, 1.0, 0.0, 1.0, 1.0, 4.0, 1.0, 0.5) < 1.0  # ends before the hump


@pytest.mark.parametrize("seed", range(4))
def test_a_span_that_obeys_clears_the_ground_and_one_lower_does_not(seed):
    """Dense sampling of the piece, its ends left to the trees' own window."""
    rng = np.random.default_rng(seed)
    rough = grid(20, 20, 1.0, seed)
    land = Terrain((100.0 + 0.2 * (rough.z_m - 100.0)).astype(np.float32), 10.0, 50.0, 1.0, rough.frame, 0.1, "test")
    for _ in range(15):
        ax, ay, bx, by = rng.uniform([11, 32, 11, 32], [28, 49, 28, 49])
        length = float(np.hypot(bx - ax, by - ay))
        if length < 3.0:
            continue
        za = float(land.sample(ax, ay)) + 1.5
        need = kernel.span_need_z(land.z_m, 10.0, 50.0, 1.0, ax, ay, za, bx, by, 0.3)
        own = float(land.sample(bx, by)) + 0.6  # the tree's own window at the upper end
        end = max(need, own)
        t = np.linspace(0.06 / length, 1.0 - 0.06 / length, 4000)
        room = (1 - t) * za + t * end - land.sample(ax + t * (bx - ax), ay + t * (by - ay)) - 0.3
        # creases are asked exactly; between them a piece's ground is a parabola, asked every metre at least
        assert room.min() > -0.05
        assert need < own or room.min() < 0.05


def test_a_span_over_a_hole_is_no_number():
    z = np.zeros((3, 11), np.float32)
    z[:, 5] = np.nan
    assert np.isnan(kernel.span_need_z(z, 0.0, 2.0, 1.0, 0.0, 1.0, 1.0, 10.0, 1.0, 0.5))
    assert np.isfinite(kernel.span_need_z(z, 0.0, 2.0, 1.0, 0.0, 1.0, 1.0, 3.0, 1.0, 0.5))
