"""The label raster: stamping, costs against a plain sum, places, leaders, and the marks of a label."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from pipeline.sheets.labels import Label, LabelField, label_marks, leader, place_all
from pipeline.sheets.marks import BLACK, WHITE, Box, Line, Rect, Text, bounds, text_rect
from pipeline.sheets.text import width_pt

FRAME = Rect(100.0, 200.0, 300.0, 350.0)


def field(rect: Rect = FRAME) -> LabelField:
    return LabelField(rect)


def cost_of(where: LabelField, x0: float, y0: float, wide: float, high: float) -> float:
    return float(where.costs(np.array([x0]), np.array([y0]), wide, high)[0])


# ---------------------------------------------------------------- label sizes


@pytest.mark.parametrize(("style", "pad"), [("plain", 0.6), ("box", 2.4), ("black", 2.8)])
@pytest.mark.parametrize("bold", [False, True])
def test_half_sizes_hold_the_text_and_the_padding_of_the_style(style, pad, bold):
    label = Label(0.0, 0.0, "M1-S04", 7.6, bold=bold, style=style)
    assert label.half == pytest.approx((width_pt("M1-S04", 7.6, bold=bold) / 2.0 + pad, 7.6 * 0.40 + pad))


def test_an_unknown_style_is_refused():
    with pytest.raises(KeyError):
        _ = Label(0.0, 0.0, "x", 7.0, style="red").half


# ---------------------------------------------------------------- costs


def test_an_empty_field_costs_nothing_inside_and_everything_outside():
    where = field()
    assert cost_of(where, 150.0, 250.0, 20.0, 8.0) == 0.0
    for x0, y0 in ((101.0, 250.0), (279.0, 250.0), (150.0, 201.0), (150.0, 341.0), (0.0, 0.0)):
        assert cost_of(where, x0, y0, 20.0, 8.0) == math.inf


@pytest.mark.parametrize(("x0", "y0"), [(101.5, 201.5), (278.5, 201.5), (101.5, 340.5), (278.5, 340.5)])
def test_a_point_and_a_half_from_the_frame_is_the_nearest_place(x0, y0):
    assert cost_of(field(), x0, y0, 20.0, 8.0) == 0.0


@pytest.mark.parametrize("seed", range(4))
def test_costs_are_sums_of_the_cells_that_a_box_touches(seed):
    """The summed table gives what summing the cells one by one gives."""
    rng = np.random.default_rng(seed)
    where = field()
    where.soft[:] = rng.integers(0, 8, where.soft.shape) / 4.0
    x0, y0 = rng.uniform(103.0, 260.0, 20), rng.uniform(203.0, 330.0, 20)
    wide, high = 23.7, 9.3
    found = where.costs(x0, y0, wide, high)
    for x, y, cost in zip(x0, y0, found, strict=True):
        rows = range(math.floor(y - 200.0), math.floor(y - 200.0 + high) + 1)
        cols = range(math.floor(x - 100.0), math.floor(x - 100.0 + wide) + 1)
        assert cost == pytest.approx(sum(where.soft[r, c] for r in rows for c in cols))


def test_one_hard_cell_costs_more_than_any_soft_ground():
    where = field()
    where.soft[:] = 20.0
    where.block(Rect(150.0, 250.0, 151.0, 251.0))
    assert cost_of(where, 150.2, 250.2, 0.5, 0.5) >= 20_000.0
    assert cost_of(where, 151.2, 250.2, 60.0, 12.0) < 20_000.0


@pytest.mark.parametrize(("box", "cells"), [
    (Rect(150.0, 250.0, 152.0, 253.0), (50, 52, 50, 53)),    # whole cells
    (Rect(150.4, 250.4, 151.6, 251.2), (50, 52, 50, 52)),    # parts of cells count whole
    (Rect(60.0, 150.0, 102.0, 203.0), (0, 2, 0, 3)),         # over the corner: only what lies inside
])
def test_blocking_takes_every_cell_that_the_box_touches(box, cells):
    where = field()
    where.block(box)
    c0, c1, r0, r1 = cells
    wanted = np.zeros_like(where.hard)
    wanted[r0:r1, c0:c1] = True
    assert np.array_equal(where.hard, wanted)


@pytest.mark.parametrize("box", [Rect(0.0, 0.0, 50.0, 50.0), Rect(400.0, 220.0, 410.0, 230.0)])
def test_blocking_outside_changes_nothing(box):
    where = field()
    where.block(box)
    assert not where.hard.any()


def test_a_disc_blocks_a_cross_that_covers_its_middle_and_leaves_its_corners():
    where = field()
    where.block_disc(200.0, 300.0, 10.0)
    hard = where.hard
    assert hard[100, 91:109].all()
    assert hard[91:109, 100].all()
    assert not hard[91, 91]
    assert not hard[108, 108]
    assert not hard[100, 112]
    # never more than the square around the disc, never less than the square inside it
    assert hard.sum() <= 21 * 21
    assert hard[94:106, 94:106].all()


# ---------------------------------------------------------------- lines


@pytest.mark.parametrize("reach", [0, 1, 2])
def test_a_stamped_line_covers_its_buffer(reach):
    """A level line of 40 points: (2 reach + 1) rows of cells at its cost, nothing beyond."""
    where = field()
    where.lines([np.array([(150.5, 250.5), (190.5, 250.5)])], 3.0, reach=reach)
    assert (where.soft[50 - reach: 51 + reach, 50:91] == 3.0).all()
    assert not where.soft[: 50 - reach].any()
    assert not where.soft[51 + reach:].any()
    assert not where.soft[:, : 50 - reach].any()
    assert not where.soft[:, 92 + reach:].any()


def test_lines_of_one_call_cost_once_where_they_cross_and_calls_add_up():
    cross = [np.array([(150.5, 250.5), (170.5, 250.5)]), np.array([(160.5, 240.5), (160.5, 260.5)])]
    where = field()
    where.lines(cross, 2.0, reach=0)
    assert where.soft[50, 60] == 2.0
    where.lines(cross, 5.0, reach=0)
    assert where.soft[50, 60] == 7.0
    assert where.soft[45, 60] == 7.0


def test_slanting_lines_leave_no_gap():
    """Any cell in which the line runs at least a point long is stamped."""
    where = field()
    path = np.array([(120.3, 210.7), (190.0, 333.0), (260.0, 240.0)])
    where.lines([path], 1.0, reach=0)
    line = shapely.LineString(path)
    for r in range(where.soft.shape[0]):
        for c in np.flatnonzero([line.intersects(shapely.box(100 + c, 200 + r, 101 + c, 201 + r))
                                 for c in range(170)]) if r % 10 == 0 else ():
            inside = line.intersection(shapely.box(100 + c, 200 + r, 101 + c, 201 + r)).length
            assert where.soft[r, c] > 0.0 or inside < 1.0


def test_lines_outside_and_single_points_are_ignored():
    where = field()
    where.lines([np.array([(0.0, 0.0), (50.0, 50.0)]), np.array([(150.0, 250.0)])], 9.0)
    assert not where.soft.any()


# ---------------------------------------------------------------- one label


@pytest.mark.parametrize("clear", [2.0, 6.0, 12.0])
def test_a_label_stands_up_and_right_of_its_symbol_when_all_is_free(clear):
    """The sixteenth of a turn above the right is cheapest (1.2 cos + 0.8 sin is greatest).

    The box's left edge goes through the point of the clear circle in that direction.
    """
    where = field()
    box, far = where.place(Label(200.0, 275.0, "S04", 7.6, clear=clear))
    angle = max((math.pi * k / 8.0 for k in range(16)), key=lambda a: 1.2 * math.cos(a) + 0.8 * math.sin(a))
    assert math.degrees(angle) == 22.5
    assert not far
    assert box.x0 == pytest.approx(200.0 + clear * math.cos(angle))
    assert box.y0 <= 275.0 + clear * math.sin(angle) <= box.y1
    gap = shapely.box(box.x0, box.y0, box.x1, box.y1).distance(shapely.Point(200.0, 275.0))
    assert 0.92 * clear <= gap <= clear + 1e-9
    assert where.placed == [box]


@pytest.mark.parametrize(("toward", "side"), [
    ((1.0, 0.0), "right"), ((-1.0, 0.0), "left"), ((0.0, 1.0), "above"), ((0.0, -1.0), "below"),
])
def test_a_label_goes_where_it_would_rather_be(toward, side):
    box, _ = field().place(Label(200.0, 275.0, "S04", 7.6, clear=4.0, toward=toward))
    sides = {"right": box.x0 >= 204.0 - 1e-9, "left": box.x1 <= 196.0 + 1e-9, "above": box.y0 >= 279.0 - 1e-9,
             "below": box.y1 <= 271.0 + 1e-9}
    assert sides[side]


def test_a_label_avoids_costly_ground_for_free_ground():
    where = field()
    where.soft[:, 100:] = 5.0  # all to the right of the anchor
    box, _ = where.place(Label(200.0, 275.0, "S04", 7.6, clear=4.0))
    assert box.x1 <= 200.0


def test_a_label_far_from_its_symbol_gets_a_leader():
    """The symbol stands in a blocked field of 24 x 24 points with one gap upward, where the leader runs out."""
    where = field()
    where.block(Rect(188.0, 263.0, 199.0, 287.0))
    where.block(Rect(202.0, 263.0, 212.0, 287.0))
    where.block(Rect(188.0, 263.0, 212.0, 273.0))
    label = Label(200.5, 275.0, "S04", 7.6, clear=3.0)
    box, far = where.place(label)
    assert far
    assert box.y0 >= 287.0
    (x0, y0), (x1, y1) = leader(label, box)
    assert math.hypot(x0 - 200.5, y0 - 275.0) == pytest.approx(3.0)
    assert y1 == box.y0
    assert 199.0 <= x1 <= 202.0


def test_no_rings_keep_a_label_beside_its_symbol_or_nowhere():
    where = field()
    label = Label(200.0, 275.0, "S04", 7.6, clear=3.0, rings=0)
    boxes = []
    while (found := where.place(label)) is not None:
        boxes.append(found[0])
        assert not found[1]
        gap = shapely.box(found[0].x0, found[0].y0, found[0].x1, found[0].y1).distance(shapely.Point(200.0, 275.0))
        assert gap <= 3.0 + 1e-6 + 3.0
    assert 2 <= len(boxes) <= 16
    assert not any(a.overlaps(b) for i, a in enumerate(boxes) for b in boxes[:i])


def test_a_label_wider_than_the_frame_finds_no_place():
    assert field(Rect(0.0, 0.0, 30.0, 30.0)).place(Label(15.0, 15.0, "a very long name of a place", 9.0)) is None


def test_a_fully_blocked_field_has_no_place():
    where = field()
    where.block(FRAME)
    assert where.place(Label(200.0, 275.0, "S04", 7.6)) is None
    assert where.placed == []


def test_a_taken_box_is_not_free_and_its_neighbour_is():
    where = field()
    where.take(Rect(150.0, 250.0, 170.0, 260.0))
    assert not where.free(Rect(160.0, 255.0, 165.0, 258.0))
    assert not where.free(Rect(169.5, 259.5, 180.0, 270.0))
    assert where.free(Rect(172.0, 250.0, 180.0, 260.0))
    assert where.free(Rect(150.0, 262.0, 170.0, 270.0))
    # a leader keeps one cell more of air
    assert where.near[49, 55]
    assert not where.taken[49, 55]
    assert not where.near[48, 55]


# ---------------------------------------------------------------- leaders


@pytest.mark.parametrize(("box", "start", "end"), [
    (Rect(20.0, -5.0, 40.0, 5.0), (3.0, 0.0), (20.0, 0.0)),        # right: straight across
    (Rect(-40.0, -5.0, -20.0, 5.0), (-3.0, 0.0), (-20.0, 0.0)),    # left
    (Rect(-5.0, 10.0, 5.0, 20.0), (0.0, 3.0), (0.0, 10.0)),        # above
    (Rect(-5.0, -20.0, 5.0, -10.0), (0.0, -3.0), (0.0, -10.0)),    # below
    (Rect(30.0, 40.0, 60.0, 50.0), (1.8, 2.4), (30.0, 40.0)),      # a corner: 3-4-5 triangle
])
def test_a_leader_runs_from_the_symbols_edge_to_the_nearest_edge_of_the_box(box, start, end):
    found = leader(Label(0.0, 0.0, "x", 7.0, clear=3.0), box)
    assert found[0] == pytest.approx(start)
    assert found[1] == pytest.approx(end)


def test_a_leader_of_a_box_inside_the_clear_circle_has_no_length_beyond_it():
    (x0, y0), (x1, y1) = leader(Label(0.0, 0.0, "x", 7.0, clear=30.0), Rect(10.0, -2.0, 20.0, 2.0))
    assert (x0, y0) == (x1, y1) == (10.0, 0.0)


def test_no_leader_runs_over_a_blocked_cell():
    where = field()
    rng = np.random.default_rng(4)
    spots = [(float(x), float(y)) for x, y in zip(rng.uniform(130, 270, 30), rng.uniform(220, 330, 30), strict=True)]
    for x, y in spots:
        where.block_disc(x, y, 3.0)
    for i, (x, y) in enumerate(spots):
        label = Label(x, y, f"T{i}", 7.0, clear=3.6)
        found = where.place(label)
        if found is None or not found[1]:
            continue
        line = shapely.LineString(leader(label, found[0]))
        others = [shapely.Point(a, b).buffer(1.6) for a, b in spots if (a, b) != (x, y)]
        assert not any(line.intersects(disc) for disc in others)


# ---------------------------------------------------------------- marks


@pytest.mark.parametrize(("style", "fill", "color", "halo"), [
    ("plain", None, BLACK, 1.1), ("box", WHITE, BLACK, 0.0), ("black", BLACK, WHITE, 0.0),
])
def test_styles_differ_in_field_letters_and_edge(style, fill, color, halo):
    label = Label(0.0, 0.0, "8.2", 9.0, bold=True, style=style, tag="height:S1")
    box = Rect(10.0, 10.0, 40.0, 24.0)
    marks = label_marks(label, box, far=False)
    boxes = [m for m in marks if isinstance(m, Box)]
    (text,) = [m for m in marks if isinstance(m, Text)]
    assert [b.fill for b in boxes] == ([] if fill is None else [fill])
    assert (text.text, text.size, text.bold, text.tag) == ("8.2", 9.0, True, "height:S1")
    assert (text.color, text.halo_pt) == (color, halo)
    assert (text.x, text.align) == (25.0, "center")
    assert text_rect(text).center[1] == pytest.approx(17.0, abs=1.0)


@pytest.mark.parametrize("far", [False, True])
def test_only_a_far_label_has_its_line(far):
    label = Label(0.0, 0.0, "8.2", 9.0)
    marks = label_marks(label, Rect(20.0, -4.0, 40.0, 4.0), far=far)
    lines = [m for m in marks if isinstance(m, Line)]
    assert len(lines) == far
    if far:
        assert bounds(lines[0]).x1 == pytest.approx(20.25)


# ---------------------------------------------------------------- all labels


def test_all_labels_keep_their_order_and_none_is_lost():
    labels = [Label(130.0 + 25.0 * i, 275.0, f"S{i:02d}", 7.0) for i in range(6)]
    marks, dropped = place_all(field(), labels)
    assert dropped == []
    assert [m.text for m in marks if isinstance(m, Text)] == [label.text for label in labels]


def test_earlier_labels_take_the_better_place():
    where = field()
    first, second = Label(200.0, 275.0, "first", 7.0), Label(200.0, 275.0, "second", 7.0)
    marks, _ = place_all(where, [first, second])
    assert [m.text for m in marks if isinstance(m, Text)] == ["first", "second"]
    assert where.placed[0].x0 == pytest.approx(200.0 + 3.0 * math.cos(math.radians(22.5)))


def test_what_finds_no_place_nearby_is_tried_again_farther_out():
    """Beside the symbol all is blocked and no ring is allowed; the second try may go out by the open side."""
    where = field()
    where.block(Rect(180.0, 260.0, 199.0, 290.0))
    where.block(Rect(202.0, 260.0, 221.0, 290.0))
    where.block(Rect(180.0, 260.0, 221.0, 273.0))
    label = Label(200.5, 275.0, "S04", 7.0, clear=3.0, rings=0)
    assert where.place(label) is None
    marks, dropped = place_all(where, [label])
    assert dropped == []
    assert where.placed[0].y0 >= 290.0
    assert [type(m) for m in marks] == [Line, Text]


def test_only_the_second_try_may_lead_across_a_mainline():
    """A costly line runs between the symbol and all free ground: first no place, then one with a leader across."""
    where = LabelField(Rect(0.0, 0.0, 120.0, 120.0))
    where.block(Rect(0.0, 0.0, 120.0, 50.0))
    where.block(Rect(0.0, 50.0, 58.0, 76.0))
    where.block(Rect(63.0, 50.0, 120.0, 76.0))
    where.lines([np.array([(0.0, 68.0), (120.0, 68.0)])], 30.0)
    label = Label(60.5, 55.0, "S04", 7.0, clear=3.0)
    assert where.place(label) is None
    marks, dropped = place_all(where, [label])
    assert dropped == []
    assert isinstance(marks[0], Line)
    assert min(marks[0].y0, marks[0].y1) < 68.0 < max(marks[0].y0, marks[0].y1)


def test_labels_without_room_are_dropped_whole():
    where = LabelField(Rect(0.0, 0.0, 40.0, 20.0))
    labels = [Label(20.0, 10.0, f"S{i:02d}", 7.0) for i in range(5)]
    marks, dropped = place_all(where, labels)
    shown = [m.text for m in marks if isinstance(m, Text)]
    assert 0 < len(dropped) < 5
    assert sorted(shown + [label.text for label in dropped]) == [label.text for label in labels]
