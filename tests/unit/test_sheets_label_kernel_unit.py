"""Compiled loops of the label raster against plain ones."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pipeline.sheets.label_kernel import STEP_PT, along, grow, stamp
from pipeline.sheets.labels import Label, LabelField
from pipeline.sheets.marks import Rect
from scipy import ndimage

FEW = settings(max_examples=60, deadline=None)
# to a millionth of a point: over a piece of 1e-291 the referee's distance divides by zero
spot = st.floats(-5.0, 65.0).map(lambda v: round(v, 6))


@FEW
@given(st.lists(st.lists(st.tuples(spot, spot), min_size=2, max_size=6), min_size=1, max_size=4))
def test_lines_are_stamped_at_every_step(lines):
    """Against numpy's interpolation along the length, a cell for each 0.7 points and one for the end."""
    cells = np.zeros((50, 60), dtype=np.bool_)
    parts = [np.array(line) for line in lines]
    at = np.concatenate(parts)
    stamp(cells, at[:, 0].copy(), at[:, 1].copy(), np.cumsum([0, *map(len, parts)], dtype=np.int64))
    for part in parts:
        length = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(part, axis=0).T))))
        for s in np.arange(0.0, length[-1], STEP_PT):
            x, y = np.interp(s, length, part[:, 0]), np.interp(s, length, part[:, 1])
            near = cells[max(int(y - 1e-6), 0): int(y + 1e-6) + 1, max(int(x - 1e-6), 0): int(x + 1e-6) + 1]
            assert not (0.0 < x < 60.0 and 0.0 < y < 50.0) or near.any()
    # and nothing else: every marked cell touches some line, by half a cell's diagonal
    drawn = shapely.multilinestrings([shapely.linestrings(part) for part in parts])
    rows, cols = np.nonzero(cells)
    gaps = shapely.distance(shapely.points(cols + 0.5, rows + 0.5), drawn)
    assert (gaps <= 0.75).all()


@pytest.mark.parametrize("reach", [1, 2, 3])
def test_growing_is_dilation_by_a_square(reach):
    rng = np.random.default_rng(7)
    cells = rng.random((40, 30)) < 0.02
    wanted = ndimage.binary_dilation(cells, structure=np.ones((2 * reach + 1, 2 * reach + 1)))
    grow(cells, reach)
    assert (cells == wanted).all()


def test_a_leaders_cells_begin_three_points_from_the_symbol_and_end_at_the_box():
    """From (10, 10), clear radius 2, to a box from x = 30: cells 12 + 3 = 15 up to 29, all in row 10."""
    rows, cols = along(10.5, 10.5, 2.0, 30.5, 5.0, 40.0, 15.0)
    assert set(rows.tolist()) == {10}
    assert cols.tolist() == list(range(15, 30))


@FEW
@given(st.floats(-30.0, 130.0), st.floats(-30.0, 130.0), st.integers(0, 7))
def test_an_anchor_anywhere_is_placed_inside_or_not_at_all(x, y, rings):
    """Anchors beyond the frame must not reach past the raster's edge."""
    field = LabelField(Rect(0.0, 0.0, 100.0, 100.0))
    field.lines([np.array([(50.0, 0.0), (50.0, 100.0)])], 24.0, reach=2)
    found = field.place(Label(x, y, "S04", 8.0, rings=rings))
    assert found is None or Rect(1.4, 1.4, 98.6, 98.6).holds(found[0])
