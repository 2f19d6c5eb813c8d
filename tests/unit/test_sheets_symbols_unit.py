"""Symbols: shapes that tell kinds apart without colour, directions, and codes read back by modules."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
import segno
import shapely
from pipeline.sheets import symbols
from pipeline.sheets.marks import BLACK, WHITE, Box, Circle, Line, Polygon, Polyline, Rect, Text, bounds


def union(marks) -> Rect:
    total = bounds(marks[0])
    for mark in marks[1:]:
        total = total.union(bounds(mark))
    return total


# ---------------------------------------------------------------- supports


@pytest.mark.parametrize(("kind", "shape", "fill"), [
    ("anchor", Polygon, BLACK), ("post", Box, WHITE), ("tree", Circle, WHITE),
])
def test_kinds_differ_by_shape(kind, shape, fill):
    (mark,) = symbols.support(10.0, 20.0, kind)
    assert isinstance(mark, shape)
    assert mark.fill == fill


@pytest.mark.parametrize("kind", ["anchor", "post", "tree"])
@pytest.mark.parametrize("r", [2.0, 3.1])
def test_supports_stand_over_their_point_and_keep_their_size(kind, r):
    box = union(symbols.support(10.0, 20.0, kind, r=r))
    assert box.center[0] == pytest.approx(10.0)
    assert box.x0 < 10.0 - 0.8 * r
    assert box.y0 < 20.0 < box.y1
    assert max(box.width, box.height) <= 2.0 * 1.35 * r + 1.3


@pytest.mark.parametrize("kind", ["anchor", "post", "tree"])
def test_a_ladder_stands_on_top(kind):
    plain = symbols.support(10.0, 20.0, kind)
    with_ladder = symbols.support(10.0, 20.0, kind, ladder=True)
    assert with_ladder[: len(plain)] == plain
    ladder = with_ladder[len(plain):]
    assert ladder == symbols.ladder_sign(10.0, 20.0 + 3.1 + 1.2)
    rails = [m for m in ladder if m.x0 == m.x1]
    rungs = [m for m in ladder if m.y0 == m.y1]
    assert (len(rails), len(rungs)) == (2, 3)
    assert {rung.x0 for rung in rungs} == {min(rail.x0 for rail in rails)}
    assert {rung.x1 for rung in rungs} == {max(rail.x0 for rail in rails)}
    assert all(rails[0].y0 < rung.y0 < rails[0].y1 for rung in rungs)


# ---------------------------------------------------------------- trees


@pytest.mark.parametrize(("taps", "rings"), [(0, 0), (1, 0), (2, 1), (3, 2), (4, 3), (5, 3), (9, 3)])
def test_a_ring_for_each_tap_more_than_one(taps, rings):
    marks = symbols.tapped_tree(1.0, 2.0, taps)
    *outer, dot = marks
    assert (dot.fill, dot.width) == (BLACK, 0.0)
    assert len(outer) == rings
    radii = [m.radius for m in marks]
    assert radii == sorted(radii, reverse=True)  # the small ones are drawn over the large ones
    assert max(radii) == pytest.approx(symbols.tree_radius(taps))
    # rings stay apart in print: at least a point and a half from line to line
    assert all(a - b >= 1.5 for a, b in pairwise(radii))


def test_trees_without_a_tap_look_different_from_each_other_and_from_tapped_ones():
    cross, hollow, dot = symbols.not_tapped(0.0, 0.0), symbols.set_aside(0.0, 0.0), symbols.other_tree(0.0, 0.0)
    assert isinstance(cross[0], Polyline)
    assert len(cross[0].parts) == 2
    assert isinstance(hollow[0], Circle)
    assert hollow[0].fill == WHITE
    assert isinstance(dot[0], Circle)
    assert dot[0].fill not in (WHITE, BLACK)
    first, second = (shapely.LineString(part) for part in cross[0].parts)
    assert first.intersection(second).equals(shapely.Point(0.0, 0.0))


@pytest.mark.parametrize("r", [1.6, 3.0])
def test_a_tree_set_aside_has_the_radius_asked_for(r):
    assert symbols.set_aside(0.0, 0.0, r)[0].radius == r


# ---------------------------------------------------------------- arrows


@pytest.mark.parametrize(("dx", "dy"), [(1.0, 0.0), (0.0, 1.0), (-3.0, 0.0), (0.0, -0.2), (3.0, 4.0), (-1.0, 1.0)])
@pytest.mark.parametrize("size", [4.6, 9.0])
def test_an_arrow_points_along_its_direction(dx, dy, size):
    """Tip half a size ahead, base half a size behind and 0.36 sizes to each side."""
    (ring,) = symbols.arrow(10.0, 20.0, dx, dy, size).parts
    ux, uy = dx / math.hypot(dx, dy), dy / math.hypot(dx, dy)
    along = [(x - 10.0) * ux + (y - 20.0) * uy for x, y in ring]
    across = [-(x - 10.0) * uy + (y - 20.0) * ux for x, y in ring]
    assert along == pytest.approx([size / 2.0, -size / 2.0, -size / 2.0])
    assert sorted(across) == pytest.approx([-0.36 * size, 0.0, 0.36 * size])


def test_an_arrow_without_direction_has_no_area():
    (ring,) = symbols.arrow(10.0, 20.0, 0.0, 0.0).parts
    assert shapely.Polygon(ring).area == 0.0


@pytest.mark.parametrize(("share", "tip"), [(0.25, (12.3, 0.0)), (0.5, (20.0, 2.3)), (0.75, (20.0, 12.3))])
def test_arrows_on_a_bent_line_follow_the_piece_they_stand_on(share, tip):
    """A line 20 right and 20 up: a quarter is on the first leg; the half is at the bend and takes the second."""
    (mark,) = symbols.arrow_on([(0.0, 0.0), (20.0, 0.0), (20.0, 20.0)], share)
    if share == 0.25:
        assert mark.parts[0][0] == pytest.approx(tip)
    elif share == 0.75:
        assert mark.parts[0][0] == pytest.approx((20.0, 10.0 + 2.3))
    else:
        assert mark.parts[0][0] == pytest.approx(tip)


@pytest.mark.parametrize(("length", "drawn"), [(6.8, False), (7.0, True), (50.0, True)])
def test_no_arrow_on_a_very_short_line(length, drawn):
    """Shorter than one and a half heads of 4.6 points, 6.9: none."""
    assert bool(symbols.arrow_on([(0.0, 0.0), (length, 0.0)], 0.5)) is drawn


def test_an_arrow_at_the_very_end_still_points_forward():
    (mark,) = symbols.arrow_on([(0.0, 0.0), (20.0, 0.0)], 1.0)
    assert mark.parts[0][0] == pytest.approx((22.3, 0.0))


# ---------------------------------------------------------------- signs


@pytest.mark.parametrize("size", [9.5, 11.0, 20.0])
def test_signs_are_centred_and_scale(size):
    for made, letter in ((symbols.hazard, "!"), (symbols.meeting, "P")):
        marks = made(50.0, 60.0, size)
        (text,) = [m for m in marks if isinstance(m, Text)]
        assert text.text == letter
        assert (text.x, text.align, text.bold) == (50.0, "center", True)
        box = union([m for m in marks if not isinstance(m, Text)])
        assert box.center[0] == pytest.approx(50.0)
        assert box.y0 < text.y < box.center[1]
        assert size * 0.9 <= box.width <= size * 1.3
    square, disc = symbols.collection(50.0, 60.0, size)
    assert square.rect.center == (disc.x, disc.y) == (50.0, 60.0)
    assert disc.radius < size / 2.0
    assert (square.fill, disc.fill) == (WHITE, BLACK)


def test_the_warning_triangle_stands_on_its_base():
    """Base 2.2 half sizes wide at 0.85 below the middle, tip 1.1 above it."""
    (ring,) = symbols.hazard(50.0, 60.0, 10.0)[0].parts
    assert np.array(sorted(ring)) == pytest.approx(np.array([(44.5, 55.75), (50.0, 65.5), (55.5, 55.75)]))


def test_the_p_is_white_on_black():
    box, text = symbols.meeting(0.0, 0.0)
    assert (box.fill, text.color) == (BLACK, WHITE)


@pytest.mark.parametrize(("dx", "dy"), [(1.0, 0.0), (0.0, 2.0), (3.0, 4.0), (-5.0, 1.0)])
def test_crossing_bars_run_along_and_ticks_across(dx, dy):
    ux, uy = dx / math.hypot(dx, dy), dy / math.hypot(dx, dy)
    bars = symbols.crossing(7.0, 8.0, dx, dy)
    assert len(bars) == 2
    sides = []
    for bar in bars:
        assert abs((bar.x1 - bar.x0) * ux + (bar.y1 - bar.y0) * uy) == pytest.approx(10.0)
        mx, my = (bar.x0 + bar.x1) / 2.0 - 7.0, (bar.y0 + bar.y1) / 2.0 - 8.0
        sides.append(-mx * uy + my * ux)
        assert mx * ux + my * uy == pytest.approx(0.0, abs=1e-9)
    assert sorted(sides) == pytest.approx([-4.2, 4.2])
    for made, reach in ((symbols.station_tick, 6.0), (symbols.match_line, 26.0)):
        line = made(7.0, 8.0, dx, dy)
        assert isinstance(line, Line)
        assert (line.x1 - line.x0) * ux + (line.y1 - line.y0) * uy == pytest.approx(0.0, abs=1e-9)
        assert math.hypot(line.x1 - line.x0, line.y1 - line.y0) == pytest.approx(2.0 * reach)
        assert ((line.x0 + line.x1) / 2.0, (line.y0 + line.y1) / 2.0) == pytest.approx((7.0, 8.0))


def test_only_the_match_line_is_dashed():
    assert symbols.match_line(0.0, 0.0, 1.0, 0.0).dash
    assert not symbols.station_tick(0.0, 0.0, 1.0, 0.0).dash
    assert symbols.station_tick(0.0, 0.0, 1.0, 0.0, 9.0).y0 == pytest.approx(9.0)


def test_main_and_lateral_lines_differ_in_grey_too():
    """Rec. 601 luma of the two line colours and of white paper: all dark, none like the grey of trees."""
    def luma(color: str) -> float:
        r, g, b = (int(color[i: i + 2], 16) for i in (1, 3, 5))
        return 0.299 * r + 0.587 * g + 0.114 * b

    assert luma(symbols.MAINLINE) < 90.0
    assert luma(symbols.LATERAL) < 90.0
    assert luma(symbols.WATER) < 110.0
    assert luma(symbols.GREY) > 120.0


# ---------------------------------------------------------------- codes


@pytest.mark.parametrize("content", ["geo:44.21352,-72.90499", "geo:-33.85000,151.20000", "M1-S04"])
def test_a_code_has_the_modules_of_its_content_and_a_quiet_zone_of_four(content):
    code = symbols.qr_code(10.0, 20.0, 96.0, content)
    wanted = segno.make(content, error="q", boost_error=True, micro=False)
    assert [list(row) for row in code.rows] == [[bool(v) for v in row] for row in wanted.matrix]
    count = len(code.rows)
    assert all(len(row) == count for row in code.rows)
    side = 96.0 / (count + 8)
    assert code.content == content
    assert (code.rect.x0, code.rect.y0) == pytest.approx((10.0 + 4.0 * side, 20.0 + 4.0 * side))
    assert (code.rect.x1, code.rect.y1) == pytest.approx((106.0 - 4.0 * side, 116.0 - 4.0 * side))
    # three finder patterns: seven dark modules in a row, the rule of ISO/IEC 18004
    rows = np.array(code.rows)
    for corner in (rows[:7, :7], rows[:7, -7:], rows[-7:, :7]):
        assert corner[0].all()
        assert corner[6].all()
        assert corner[2:5, 2:5].all()
        assert not corner[1, 1:6].any()


def test_another_place_gives_another_code():
    a, b = (symbols.qr_code(0.0, 0.0, 96.0, f"geo:44.2135{k},-72.90499").rows for k in (2, 3))
    assert a != b
