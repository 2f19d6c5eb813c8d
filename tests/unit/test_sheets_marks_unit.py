"""Rectangles and the bounds of every kind of mark, each worked by hand."""

from __future__ import annotations

import math

import pytest
import shapely
from pipeline.sheets.marks import (
    HOLDER_ROLES,
    LEAF_ROLES,
    Box,
    Circle,
    GreyImage,
    Group,
    Line,
    Link,
    Page,
    Polygon,
    Polyline,
    QrCode,
    Rect,
    Text,
    around,
    bounds,
    flat,
    heading,
    paragraph,
    text_rect,
    texts,
    tick_box,
)
from pipeline.sheets.text import ASCENT, DESCENT, width_pt

UNIT = Rect(0.0, 0.0, 10.0, 20.0)


def as_tuple(rect: Rect) -> tuple[float, float, float, float]:
    return rect.x0, rect.y0, rect.x1, rect.y1


def as_shape(rect: Rect):
    return shapely.box(*as_tuple(rect))


# ---------------------------------------------------------------- rectangles


@pytest.mark.parametrize(("rect", "width", "height", "center"), [
    (Rect(0.0, 0.0, 10.0, 20.0), 10.0, 20.0, (5.0, 10.0)),
    (Rect(-4.0, 3.0, 6.0, 4.0), 10.0, 1.0, (1.0, 3.5)),
    (Rect(7.0, 7.0, 7.0, 7.0), 0.0, 0.0, (7.0, 7.0)),
])
def test_size_and_middle(rect, width, height, center):
    assert rect.width == width
    assert rect.height == height
    assert rect.center == center


@pytest.mark.parametrize(("by", "wanted"), [
    (0.0, (0.0, 0.0, 10.0, 20.0)),
    (2.0, (2.0, 2.0, 8.0, 18.0)),
    (-1.5, (-1.5, -1.5, 11.5, 21.5)),
])
def test_inset_moves_every_edge_by_the_same(by, wanted):
    assert as_tuple(UNIT.inset(by)) == wanted


@pytest.mark.parametrize(("other", "shared"), [
    (Rect(5.0, 5.0, 6.0, 6.0), True),          # inside
    (Rect(-5.0, -5.0, 30.0, 30.0), True),      # around
    (Rect(9.9, 19.9, 12.0, 25.0), True),       # a corner
    (Rect(10.0, 0.0, 12.0, 20.0), False),      # a touching right edge is no shared area
    (Rect(-3.0, 0.0, 0.0, 20.0), False),       # left edge
    (Rect(0.0, 20.0, 10.0, 30.0), False),      # upper edge
    (Rect(0.0, -9.0, 10.0, 0.0), False),       # lower edge
    (Rect(2.0, 21.0, 8.0, 30.0), False),       # above, in the same columns
    (Rect(11.0, 2.0, 15.0, 8.0), False),       # beside, in the same rows
])
def test_overlap_is_a_shared_area(other, shared):
    assert UNIT.overlaps(other) is shared
    assert other.overlaps(UNIT) is shared
    assert (as_shape(UNIT).intersection(as_shape(other)).area > 0.0) is shared


@pytest.mark.parametrize(("other", "slack", "held"), [
    (Rect(0.0, 0.0, 10.0, 20.0), 0.0, True),
    (Rect(1.0, 1.0, 9.0, 19.0), 0.0, True),
    (Rect(-0.5, 1.0, 9.0, 19.0), 0.0, False),
    (Rect(1.0, -0.5, 9.0, 19.0), 0.0, False),
    (Rect(1.0, 1.0, 10.5, 19.0), 0.0, False),
    (Rect(1.0, 1.0, 9.0, 20.5), 0.0, False),
    (Rect(-0.5, -0.5, 10.5, 20.5), 0.5, True),
    (Rect(-0.6, 0.0, 10.0, 20.0), 0.5, False),
    (Rect(0.0, -0.6, 10.0, 20.0), 0.5, False),
    (Rect(0.0, 0.0, 10.6, 20.0), 0.5, False),
    (Rect(0.0, 0.0, 10.0, 20.6), 0.5, False),
])
def test_holding_looks_at_all_four_edges_with_the_slack(other, slack, held):
    assert UNIT.holds(other, slack) is held


PAIRS = [
    (Rect(0.0, 0.0, 10.0, 20.0), Rect(5.0, -3.0, 12.0, 8.0)),
    (Rect(0.0, 0.0, 10.0, 20.0), Rect(2.0, 2.0, 3.0, 3.0)),
    (Rect(-8.0, -8.0, -2.0, -1.0), Rect(-5.0, -20.0, 40.0, -3.0)),
]


@pytest.mark.parametrize(("a", "b"), PAIRS)
def test_union_and_cut_are_those_of_a_geometry_library(a, b):
    assert as_tuple(a.union(b)) == shapely.union(as_shape(a), as_shape(b)).bounds
    assert as_tuple(a.cut(b)) == shapely.intersection(as_shape(a), as_shape(b)).bounds
    assert a.union(b) == b.union(a)


@pytest.mark.parametrize("other", [
    Rect(12.0, 0.0, 15.0, 20.0), Rect(-9.0, 0.0, -2.0, 20.0), Rect(0.0, 25.0, 10.0, 30.0), Rect(0.0, -9.0, 10.0, -2.0),
])
def test_a_cut_of_what_shares_nothing_has_no_area_and_no_negative_side(other):
    found = UNIT.cut(other)
    assert found.width * found.height == 0.0
    assert found.width >= 0.0
    assert found.height >= 0.0


def test_around_points_takes_the_extremes_of_each_axis():
    assert as_tuple(around([(3.0, 9.0), (-1.0, 4.0), (2.0, 30.0)])) == (-1.0, 4.0, 3.0, 30.0)


def test_around_takes_a_generator_and_one_point():
    assert as_tuple(around(p for p in [(2.0, 5.0)])) == (2.0, 5.0, 2.0, 5.0)


# ---------------------------------------------------------------- bounds of texts


@pytest.mark.parametrize(("align", "left_share"), [("left", 0.0), ("center", 0.5), ("right", 1.0)])
@pytest.mark.parametrize("bold", [False, True])
@pytest.mark.parametrize("size", [6.6, 10.0])
def test_an_upright_text_covers_its_width_from_its_anchor(align, left_share, bold, size):
    """Left edge = x - share of the width; base line y, descenders 0.22 and ascenders 0.76 of the size."""
    wide = width_pt("M1.2-S04", size, bold=bold)
    box = text_rect(Text(100.0, 50.0, "M1.2-S04", size, bold=bold, align=align))
    assert box.x0 == pytest.approx(100.0 - left_share * wide)
    assert box.x1 == pytest.approx(100.0 + (1.0 - left_share) * wide)
    assert box.y0 == pytest.approx(50.0 - DESCENT * size)
    assert box.y1 == pytest.approx(50.0 + ASCENT * size)


def test_a_quarter_turn_swaps_width_and_height():
    """Turned 90 degrees counterclockwise: up is to the left, so ascenders lie left of the anchor."""
    wide = width_pt("375", 10.0)
    box = text_rect(Text(0.0, 0.0, "375", 10.0, angle_deg=90.0))
    assert as_tuple(box) == pytest.approx((-ASCENT * 10.0, 0.0, DESCENT * 10.0, wide))


@pytest.mark.parametrize("angle", [-60.0, 30.0, 45.0, 135.0, 200.0])
@pytest.mark.parametrize("align", ["left", "center", "right"])
def test_a_turned_text_has_the_bounds_of_the_turned_rectangle(angle, align):
    """The same by turning the upright rectangle about the anchor with a geometry library."""
    mark = Text(12.0, -7.0, "Cold Brook", 8.5, align=align, angle_deg=angle)
    upright = text_rect(Text(12.0, -7.0, "Cold Brook", 8.5, align=align))
    turned = shapely.affinity.rotate(as_shape(upright), angle, origin=(12.0, -7.0))
    assert as_tuple(text_rect(mark)) == pytest.approx(turned.bounds)


# ---------------------------------------------------------------- bounds of the other marks


@pytest.mark.parametrize(("mark", "wanted"), [
    (Line(0.0, 5.0, 10.0, 1.0, 2.0), (-1.0, 0.0, 11.0, 6.0)),
    (Line(10.0, 1.0, 0.0, 5.0, 2.0), (-1.0, 0.0, 11.0, 6.0)),       # drawn the other way round
    (Polyline((((0.0, 0.0), (4.0, 8.0)), ((10.0, -2.0), (11.0, 0.0))), 1.0), (-0.5, -2.5, 11.5, 8.5)),
    (Polygon((((0.0, 0.0), (4.0, 0.0), (2.0, 6.0)),), fill="#000000"), (0.0, 0.0, 4.0, 6.0)),
    (Polygon((((0.0, 0.0), (4.0, 0.0), (2.0, 6.0)),), width=1.0), (-0.5, -0.5, 4.5, 6.5)),
    (Circle(3.0, 4.0, 2.0, width=1.0), (0.5, 1.5, 5.5, 6.5)),
    (Circle(3.0, 4.0, 2.0, width=0.0), (1.0, 2.0, 5.0, 6.0)),
    (Box(Rect(1.0, 2.0, 3.0, 4.0), width=2.0), (0.0, 1.0, 4.0, 5.0)),
    (Box(Rect(1.0, 2.0, 3.0, 4.0), width=0.0, fill="#ffffff"), (1.0, 2.0, 3.0, 4.0)),
    (QrCode(Rect(1.0, 2.0, 30.0, 31.0), ((True,),), "x"), (1.0, 2.0, 30.0, 31.0)),
    (GreyImage(Rect(5.0, 6.0, 7.0, 8.0), 1, 1, b"\x00"), (5.0, 6.0, 7.0, 8.0)),
    (Link(Rect(5.0, 6.0, 70.0, 8.0), "geo:1,2", "place"), (5.0, 6.0, 70.0, 8.0)),
])
def test_bounds_count_half_the_line_width_on_each_side(mark, wanted):
    assert as_tuple(bounds(mark)) == pytest.approx(wanted)


def test_bounds_of_a_text_are_its_rectangle():
    mark = Text(3.0, 4.0, "x", 9.0, angle_deg=20.0)
    assert bounds(mark) == text_rect(mark)


def test_bounds_of_a_group_are_the_union_and_nest():
    inner = Group((Line(0.0, 0.0, 1.0, 0.0, 0.0), Line(50.0, 9.0, 60.0, 9.0, 0.0)))
    outer = Group((inner, Circle(-5.0, 0.0, 2.0, width=0.0)))
    assert as_tuple(bounds(inner)) == (0.0, 0.0, 60.0, 9.0)
    assert as_tuple(bounds(outer)) == (-7.0, -2.0, 60.0, 9.0)


def test_a_clip_only_ever_makes_bounds_smaller():
    line = Line(0.0, 0.0, 100.0, 0.0, 2.0)
    assert as_tuple(bounds(Group((line,), clip=Rect(10.0, -50.0, 30.0, 50.0)))) == (10.0, -1.0, 30.0, 1.0)
    assert bounds(Group((line,), clip=Rect(-500.0, -500.0, 500.0, 500.0))) == bounds(line)


# ---------------------------------------------------------------- flattening


def test_flat_yields_leaves_in_drawing_order():
    a, b, c, d = (Line(float(i), 0.0, 1.0, 1.0) for i in range(4))
    assert [m for m, _ in flat([a, Group((b, Group((c,)))), d])] == [a, b, c, d]


def test_flat_hands_down_clips_and_nested_clips_are_cut():
    line = Line(0.0, 0.0, 1.0, 1.0)
    outer, inner = Rect(0.0, 0.0, 10.0, 10.0), Rect(5.0, -5.0, 20.0, 8.0)
    cases = {
        "none": (Group((line,)), None),
        "outer": (Group((Group((line,)),), clip=outer), outer),
        "inner": (Group((Group((line,), clip=inner),)), inner),
        "both": (Group((Group((line,), clip=inner),), clip=outer), Rect(5.0, 0.0, 10.0, 8.0)),
    }
    for name, (group, wanted) in cases.items():
        assert [clip for _, clip in flat([group])] == [wanted], name


def test_a_clip_of_the_caller_holds_for_everything_and_ends_with_its_group():
    """A mark after a clipped group is not clipped by it."""
    line, other = Line(0.0, 0.0, 1.0, 1.0), Line(9.0, 0.0, 1.0, 1.0)
    clip, page = Rect(0.0, 0.0, 2.0, 2.0), Rect(0.0, 0.0, 5.0, 5.0)
    found = list(flat([Group((line,), clip=clip), other], page))
    assert found == [(line, clip), (other, page)]


def test_texts_finds_only_texts_at_any_depth():
    marks = [Text(0.0, 0.0, "a"), Line(0.0, 0.0, 1.0, 1.0), Group((Group((Text(0.0, 0.0, "b"),)), Text(0.0, 0.0, "c")))]
    assert [m.text for m in texts(marks)] == ["a", "b", "c"]


# ---------------------------------------------------------------- small makers


def test_heading_is_bold_and_a_second_level_heading():
    made = heading(36.0, 700.0, "Supports")
    (mark,) = made.marks
    assert made.role == "H2"
    assert (mark.x, mark.y, mark.text, mark.size, mark.bold) == (36.0, 700.0, "Supports", 11.0, True)
    assert heading(0.0, 0.0, "x", 14.0).marks[0].size == 14.0


@pytest.mark.parametrize(("bold", "align"), [(False, "left"), (True, "right"), (False, "center")])
def test_paragraph_passes_weight_and_alignment_on(bold, align):
    made = paragraph(1.0, 2.0, "x", 7.0, bold=bold, align=align)
    (mark,) = made.marks
    assert made.role == "P"
    assert (mark.size, mark.bold, mark.align) == (7.0, bold, align)


def test_tick_box_stands_on_its_lower_left_corner_and_is_empty():
    box = tick_box(10.0, 20.0)
    assert as_tuple(box.rect) == (10.0, 20.0, 21.5, 31.5)
    assert box.fill == ""
    assert box.width > 0.0
    assert as_tuple(tick_box(0.0, 0.0, 8.0).rect) == (0.0, 0.0, 8.0, 8.0)


def test_page_rect_is_the_whole_paper():
    assert as_tuple(Page(612.0, 792.0, (), "t").rect) == (0.0, 0.0, 612.0, 792.0)


def test_no_role_is_both_leaf_and_holder():
    assert not set(LEAF_ROLES) & set(HOLDER_ROLES)


def test_turned_text_keeps_its_area_bound():
    """The bounds of a turned w x h rectangle have the sides w|cos| + h|sin| and w|sin| + h|cos|."""
    angle = 25.0
    wide, high = width_pt("Landing road", 9.0), (ASCENT + DESCENT) * 9.0
    c, s = math.cos(math.radians(angle)), math.sin(math.radians(angle))
    box = text_rect(Text(0.0, 0.0, "Landing road", 9.0, angle_deg=angle))
    assert box.width == pytest.approx(wide * c + high * s)
    assert box.height == pytest.approx(wide * s + high * c)
