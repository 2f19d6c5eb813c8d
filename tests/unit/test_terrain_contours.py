"""Contours: cones and planes with known answers, windows, holes, smoothing."""

from __future__ import annotations

import numpy as np
import pytest
from pipeline.frame import Frame
from pipeline.terrain.contours import contours, smoothed
from pipeline.terrain.grid import Terrain
from pipeline.units import FT_M


def terrain(z, cell_m=1.0):
    rows = len(z)
    return Terrain(np.asarray(z, dtype=np.float32), 0.0, (rows - 1) * cell_m, cell_m, Frame("", "local", ""), 0.1, "t")


def cone(cell_m=1.0):
    row, col = np.indices((121, 121)) * cell_m
    return terrain(100.0 - 0.2 * np.hypot(row - 60 * cell_m, col - 60 * cell_m), cell_m)


@pytest.mark.parametrize("cell_m", [1.0, 2.5])
def test_rings_of_a_cone_lie_at_their_radius(cell_m):
    found = contours(cone(cell_m), interval_m=2.0, smooth_m=0.0)
    rings = [c for c in found if c.closed]
    assert len(rings) >= 5
    for ring in rings:
        radius = np.hypot(ring.xy_m[:, 0] - 60 * cell_m, ring.xy_m[:, 1] - 60 * cell_m)
        assert np.allclose(radius, (100.0 - ring.z_m) / 0.2, atol=0.13 * cell_m)


def test_higher_ground_is_on_the_left():
    ring = next(c for c in contours(cone(), interval_m=2.0, smooth_m=0.0) if c.closed)
    x, y = ring.xy_m.T
    # counter-clockwise round a summit: the shoelace sum is positive
    assert np.sum(x[:-1] * y[1:] - x[1:] * y[:-1]) > 0


def test_index_contours_are_multiples_of_five_intervals_of_the_datum():
    found = contours(cone(), interval_m=2 * FT_M, smooth_m=0.0)
    for contour in found:
        feet = contour.z_m / FT_M
        assert feet / 2 == pytest.approx(round(feet / 2), abs=1e-9)
        assert contour.index == (round(feet) % 10 == 0)
    assert any(c.index for c in found)
    assert not all(c.index for c in found)


def test_nothing_leaves_the_window_and_all_inside_is_drawn():
    window = (20.0, 33.0, 71.0, 77.0)
    whole = contours(cone(), interval_m=1.0, smooth_m=0.0)
    part = contours(cone(), interval_m=1.0, smooth_m=0.0, window=window)
    for contour in part:
        assert contour.xy_m[:, 0].min() >= window[0] - 1e-9
        assert contour.xy_m[:, 0].max() <= window[2] + 1e-9
        assert contour.xy_m[:, 1].min() >= window[1] - 1e-9
        assert contour.xy_m[:, 1].max() <= window[3] + 1e-9

    def length_inside(found):
        total = 0.0
        for contour in found:
            for a, b in zip(contour.xy_m[:-1], contour.xy_m[1:], strict=True):
                points = a + np.linspace(0, 1, 21)[:, None] * (b - a)
                inside = (points[:, 0] >= window[0]) & (points[:, 0] <= window[2])
                inside &= (points[:, 1] >= window[1]) & (points[:, 1] <= window[3])
                total += np.hypot(*(b - a)) * inside.mean()
        return total

    assert length_inside(part) == pytest.approx(length_inside(whole), rel=0.01)


def test_a_window_beside_the_terrain_is_empty():
    assert contours(cone(), interval_m=1.0, window=(900.0, 900.0, 950.0, 950.0)) == ()


def test_level_ground_and_no_ground_have_no_contours():
    assert contours(terrain(np.full((20, 20), 3.3)), interval_m=1.0) == ()
    assert contours(terrain(np.full((20, 20), np.nan)), interval_m=1.0) == ()


def test_contours_stop_at_a_hole():
    z = cone().z_m.copy()
    z[40:81, 40:81] = np.nan
    found = contours(terrain(z), interval_m=1.0, smooth_m=2.0)
    assert found
    for contour in found:
        inside = (np.abs(contour.xy_m - 60.0) < 19.5).all(axis=1)
        assert not inside.any()


def test_smoothing_keeps_a_plane_away_from_the_edge_and_calms_noise():
    _, col = np.indices((80, 80))
    plane = (400.0 + 0.1 * col).astype(np.float32)
    assert np.allclose(smoothed(plane, 2.0)[:, 10:-10], plane[:, 10:-10], atol=1e-3)
    rng = np.random.default_rng(3)
    noisy = plane + rng.normal(0.0, 0.15, plane.shape).astype(np.float32)
    rough = contours(terrain(noisy), interval_m=1.0, smooth_m=0.0)
    calm = contours(terrain(noisy), interval_m=1.0, smooth_m=3.0)
    assert len(calm) < len(rough) / 5
    assert len(calm) >= 7


def test_specks_can_be_left_out():
    z = np.full((40, 40), 10.4, dtype=np.float32)
    z[20, 20] = 12.6
    assert len(contours(terrain(z), interval_m=1.0, smooth_m=0.0)) == 2
    assert contours(terrain(z), interval_m=1.0, smooth_m=0.0, least_length_m=10.0) == ()


def test_an_interval_of_nothing_is_refused():
    with pytest.raises(ValueError, match="interval"):
        contours(cone(), interval_m=0.0)


def test_same_input_same_contours():
    first, second = (contours(cone(), interval_m=1.0) for _ in range(2))
    assert [c.xy_m.tobytes() for c in first] == [c.xy_m.tobytes() for c in second]
