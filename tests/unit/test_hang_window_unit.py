"""The height window along a line: cells on edges, cuts, control polygon, against dense sampling."""

from __future__ import annotations

import numpy as np
import pytest
from pipeline.frame import Frame
from pipeline.hang import window
from pipeline.records import Ground
from pipeline.terrain.grid import Terrain

LOCAL = Frame("", "local grid", "unknown")


def terrain(z=None, rows=10, cols=12, cell_m=1.0):
    """Cell centres at 0.5, 1.5, ... from the south-west corner."""
    z = np.full((rows, cols), 100.0) if z is None else np.asarray(z, dtype=float)
    return Terrain(z.astype(np.float32), cell_m / 2, (z.shape[0] - 0.5) * cell_m, cell_m, LOCAL, 0.1, "test")


def ground(land, low=0.8, high=3.0):
    shape = land.shape
    none = np.zeros(shape, dtype=np.bool_)
    return Ground(np.ones(shape, np.float32), np.full(shape, low, np.float32), np.full(shape, high, np.float32),
                  none.copy(), none.copy(), (), ())


def along(land, soil, xy, sag=0.05, usual=0.8):
    xy = np.array(xy, dtype=float)
    station = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    return window.window_along(terrain=land, ground=soil, xy_m=xy, station_m=station, sag_m=sag, usual_lowest_m=usual)


@pytest.mark.parametrize(
    ("x", "y", "cells"),
    [
        (2.5, 3.5, {(6, 2)}),  # a cell's centre
        (2.1, 3.9, {(6, 2)}),
        (3.0, 3.5, {(6, 2), (6, 3)}),  # on an edge
        (2.5, 4.0, {(6, 2), (5, 2)}),
        (3.0, 4.0, {(6, 2), (6, 3), (5, 2), (5, 3)}),  # on a corner
        (0.0, 0.0, {(9, 0)}),  # corner of the raster
        (12.0, 10.0, {(0, 11)}),
        (-5.0, 20.0, {(0, 0)}),  # beyond it: the nearest
    ],
)
def test_cells_of_a_point(x, y, cells):
    got = {(int(r[0]), int(c[0])) for r, c in window.near_cells(terrain(), [x], [y])}
    assert got == cells


def test_on_an_edge_the_stricter_of_both_sides_holds():
    land = terrain()
    soil = ground(land)
    soil.lowest_m[:, 3] = 2.0
    soil.highest_m[:, 2] = 1.5
    low, high = window.window_heights(land, soil, [2.5, 3.0, 3.5], [5.5, 5.5, 5.5])
    assert low == pytest.approx([0.8, 2.0, 2.0])
    assert high == pytest.approx([1.5, 1.5, 3.0])


@pytest.mark.parametrize(
    ("x", "shut"), [(2.5, False), (2.99, False), (3.0, True), (3.5, True), (4.0, True), (4.01, False)]
)
def test_blocked_ground_holds_to_its_edge(x, shut):
    land = terrain()
    soil = ground(land)
    soil.support_blocked[4, 3] = True
    assert window.blocked(land, soil, [x], [5.5]).tolist() == [shut]
    assert window.blocked(land, soil, [x], [7.5]).tolist() == [False]


def test_place_along_a_bent_line_by_hand():
    """3 east, then 4 north: station 5 is 2 up the second leg."""
    xy, own = np.array([[1.0, 1.0], [4.0, 1.0], [4.0, 5.0]]), np.array([0.0, 3.0, 7.0])
    x, y = window.along(xy, own, [0.0, 1.5, 3.0, 5.0, 7.0])
    assert x.tolist() == [1.0, 2.5, 4.0, 4.0, 4.0]
    assert y.tolist() == [1.0, 1.0, 1.0, 3.0, 5.0]


def test_a_line_is_cut_at_every_middle_and_edge_of_a_cell():
    """From x = 1.2 to 3.7 at a height that meets no horizontal line: at 1.5, 2.0, 2.5, 3.0, 3.5 and every 0.5 m."""
    cut = window._cuts(terrain(), np.array([[1.2, 5.3], [3.7, 5.3]]), np.array([0.0, 2.5]))
    for x in (1.5, 2.0, 2.5, 3.0, 3.5):
        assert np.abs(cut - (x - 1.2)).min() < 1e-9
    assert cut[0] == 0.0
    assert cut[-1] == 2.5
    assert (np.diff(cut) > 1e-7).all()
    assert np.diff(cut).max() <= window.LONGEST_PIECE_M + 1e-9


def test_long_cells_are_still_cut_every_half_metre():
    cut = window._cuts(terrain(cell_m=10.0), np.array([[1.0, 1.0], [1.0, 4.0]]), np.array([0.0, 3.0]))
    assert np.diff(cut).max() <= 0.5 + 1e-9
    assert 3.0 in cut


def test_vertices_are_always_cuts():
    own = np.array([0.0, 1.2345678, 4.0])
    cut = window._cuts(terrain(), np.array([[1.0, 1.0], [2.2345678, 1.0], [5.0, 1.0]]), own)
    assert set(own.tolist()) <= set(cut.tolist())


def test_flat_ground_by_hand():
    """100 + 0.8 + 0.05 below, 100 + 3 above, nowhere a crossing."""
    got = along(terrain(), ground(terrain()), [(1.0, 1.0), (9.0, 6.0)])
    assert got.lower_z_m == pytest.approx(np.full(len(got.station_m), 100.85))
    assert got.upper_z_m == pytest.approx(np.full(len(got.station_m), 103.0))
    assert not got.clearance.any()
    assert (np.diff(got.station_m) >= -1e-12).all()


@pytest.mark.parametrize(("usual", "crossing"), [(0.8, True), (2.0, False)])
def test_what_asks_for_more_than_usual_is_a_crossing(usual, crossing):
    land = terrain()
    soil = ground(land)
    soil.lowest_m[:, 5] = 2.0
    got = along(land, soil, [(1.0, 5.5), (10.0, 5.5)], usual=usual)
    inside = (got.station_m > 4.01) & (got.station_m < 4.99)
    assert got.clearance[inside].all() is np.bool_(crossing)
    assert not got.clearance[(got.station_m < 3.9) | (got.station_m > 5.1)].any()
    assert got.lower_z_m[inside] == pytest.approx(np.full(inside.sum(), 102.05))


@pytest.mark.parametrize("seed", range(6))
def test_between_control_points_the_ground_never_passes_the_bounds(seed):
    """Dense samples of ground and window: a wire through the control points clears every one of them."""
    rng = np.random.default_rng(seed)
    land = terrain(100.0 + rng.normal(0.0, 0.4, (10, 12)))
    soil = ground(land)
    soil.lowest_m[:] = rng.uniform(0.5, 2.0, land.shape)
    soil.highest_m[:] = soil.lowest_m + rng.uniform(0.2, 2.0, land.shape)
    a, b = rng.uniform(1.0, 9.0, (2, 2))
    got = along(land, soil, [a, b], sag=0.03)
    total = float(np.hypot(*(b - a)))
    pieces = np.stack([got.station_m[::3], got.station_m[2::3]], axis=1)
    for k, (low, high) in enumerate(pieces):
        s = np.linspace(low, high, 12)[1:-1]
        x, y = a[0] + (b - a)[0] * s / total, a[1] + (b - a)[1] * s / total
        row, col = land.rowcol(x, y)
        cell = (np.floor(row + 0.5).astype(int), np.floor(col + 0.5).astype(int))
        z = land.sample(x, y)
        hull_low = np.interp(s, got.station_m[3 * k: 3 * k + 3], got.lower_z_m[3 * k: 3 * k + 3])
        hull_high = np.interp(s, got.station_m[3 * k: 3 * k + 3], got.upper_z_m[3 * k: 3 * k + 3])
        assert (z + soil.lowest_m[cell] + 0.03 <= hull_low + 1e-5).all()
        assert (z + soil.highest_m[cell] >= hull_high - 1e-5).all()


def test_a_hole_in_the_ground_is_no_number_there_and_only_there():
    z = np.full((10, 12), 100.0)
    z[:, 6] = np.nan
    land = terrain(z)
    got = along(land, ground(land), [(1.0, 5.5), (11.0, 5.5)])
    lost = np.isnan(got.lower_z_m)
    assert lost.any()
    # bilinear ground needs both neighbours: no ground from centre 5.5 to centre 7.5 (stations 4.5 to 6.5)
    assert got.station_m[lost].min() >= 4.5 - 1e-6
    assert got.station_m[lost].max() <= 6.5 + 1e-6
    assert np.array_equal(lost, np.isnan(got.upper_z_m))
