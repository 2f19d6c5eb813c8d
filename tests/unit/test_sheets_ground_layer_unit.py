"""Ground layers on paper: hatches, kinds told apart by line, downhill streams, names, and the sample in the key."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
import shapely
from pipeline.frame import Frame
from pipeline.records import GroundLayer
from pipeline.settings import GROUND_DEFAULTS
from pipeline.sheets.ground_layer import ORDER, draw_ground, hatch, key_sample
from pipeline.sheets.mapview import POINT_M, MapView
from pipeline.sheets.marks import Polygon, Polyline, Rect, bounds
from pipeline.terrain.grid import Terrain

FRAME = Frame("", "local grid", "not known")
RECT = Rect(0.0, 0.0, 400.0, 400.0)
VIEW = MapView(RECT, 100.0, 100.0, 0.5 / POINT_M, 0.0)  # two points to the metre, plan 0..200 both ways


def hill(east: float = 0.1, north: float = 0.0) -> Terrain:
    x, y = np.meshgrid(np.arange(-10.0, 211.0), np.arange(210.0, -11.0, -1.0))
    return Terrain((300.0 + east * x + north * y).astype(np.float32), -10.0, 210.0, 1.0, FRAME, 0.1, "test")


def layer(kind: str, *shapes, names=None) -> GroundLayer:
    return GroundLayer(kind, shapes, names or ("",) * len(shapes), GROUND_DEFAULTS[kind], "test")


LINE = shapely.LineString([(20.0, 50.0), (180.0, 50.0)])
AREA = shapely.box(60.0, 60.0, 120.0, 100.0)

# ---------------------------------------------------------------- hatches


@pytest.mark.parametrize("angle", [0.0, 45.0, 90.0, 130.0])
@pytest.mark.parametrize("gap", [3.0, 4.6])
def test_hatch_lines_are_parallel_inside_and_a_gap_apart(angle, gap):
    shape = shapely.Point(50.0, 60.0).buffer(30.0)
    lines = hatch(shape, angle, gap)
    normal = np.array([-math.sin(math.radians(angle)), math.cos(math.radians(angle))])
    levels = sorted(float(np.array(line).mean(axis=0) @ normal) for line in lines)
    assert all(b - a == pytest.approx(gap, abs=0.15) for a, b in pairwise(levels))
    assert all(shape.buffer(0.1).contains(shapely.LineString(line)) for line in lines)
    for line in lines:
        dx, dy = np.array(line[-1]) - np.array(line[0])
        assert abs(dx * normal[0] + dy * normal[1]) < 0.2
    assert len(lines) in (int(60.0 // gap), int(60.0 // gap) + 1)


def test_hatch_leaves_holes_and_gaps_out():
    shape = shapely.box(0.0, 0.0, 60.0, 40.0).difference(shapely.box(20.0, 10.0, 40.0, 30.0))
    total = sum(shapely.LineString(line).length for line in hatch(shape, 0.0, 2.0))
    assert total == pytest.approx(shape.area / 2.0, rel=0.06)
    assert hatch(shapely.Polygon(), 0.0) == ()


# ---------------------------------------------------------------- kinds


def style(kind: str) -> list[tuple]:
    shape = AREA if kind in ("wet", "water", "no_go") else LINE
    made = draw_ground([layer(kind, shape)], VIEW, hill())
    return [(type(m).__name__, round(m.width, 2), m.dash) for m in made.marks]


def test_every_kind_is_drawn_and_no_two_alike_without_colour():
    styles = {kind: style(kind) for kind in ORDER}
    assert all(styles.values())
    # what tells areas apart in grey is the direction of the hatch
    seen = [styles[k] for k in ORDER if k not in ("wet", "water", "no_go")]
    assert len({tuple(s) for s in seen}) == len(seen)
    angles = set()
    for kind in ("wet", "water", "no_go"):
        first = draw_ground([layer(kind, AREA)], VIEW, hill()).marks[0].parts[1]
        angles.add(round(math.degrees(math.atan2(first[1][1] - first[0][1], first[1][0] - first[0][0])) % 180.0))
    assert angles == {0, 90, 45}


def test_layers_are_drawn_in_one_order_whatever_comes_first():
    layers = [layer(kind, AREA if kind in ("wet", "water", "no_go") else LINE) for kind in ORDER]
    a, b = draw_ground(layers, VIEW, hill()), draw_ground(layers[::-1], VIEW, hill())
    assert a.kinds == b.kinds == list(ORDER)
    assert a.marks == b.marks


def test_a_kind_is_named_once_and_only_when_something_is_drawn():
    far = shapely.LineString([(900.0, 900.0), (950.0, 950.0)])
    made = draw_ground([layer("road", LINE, LINE), layer("trail", far), layer("wet")], VIEW, hill())
    assert made.kinds == ["road"]


def test_positions_are_those_of_the_view():
    """(20, 50) .. (180, 50) is (40, 100) .. (360, 100) on paper."""
    made = draw_ground([layer("trail", LINE)], VIEW, hill())
    (mark,) = made.marks
    assert mark.parts == (((40.0, 100.0), (360.0, 100.0)),)
    assert made.lines[0] == pytest.approx(np.array([(40.0, 100.0), (360.0, 100.0)]))


def test_areas_keep_their_holes():
    ring = AREA.difference(shapely.box(80.0, 70.0, 100.0, 90.0))
    made = draw_ground([layer("no_go", ring)], VIEW, hill())
    (area,) = [m for m in made.marks if isinstance(m, Polygon)]
    assert len(area.parts) == 2
    assert shapely.Polygon(area.parts[0], [area.parts[1]]).area == pytest.approx(4.0 * ring.area)


def test_what_passes_the_frame_is_cut_beyond_it_so_that_its_edge_is_not_drawn_as_an_edge():
    wide = shapely.box(-500.0, 60.0, 500.0, 100.0)
    made = draw_ground([layer("wet", wide)], VIEW, hill())
    (area,) = [m for m in made.marks if isinstance(m, Polygon)]
    box = bounds(area)
    assert box.x0 == pytest.approx(-8.0, abs=0.6)
    assert box.x1 == pytest.approx(408.0, abs=0.6)


def test_property_lines_are_cut_exactly_at_the_frame_and_its_edge_is_no_property():
    made = draw_ground([layer("property", shapely.box(-500.0, 60.0, 500.0, 700.0))], VIEW, hill())
    assert [m.parts for m in made.marks] in ([(((0.0, 120.0), (400.0, 120.0)),)], [(((400.0, 120.0), (0.0, 120.0)),)])


def test_a_property_that_holds_the_whole_view_draws_nothing():
    made = draw_ground([layer("property", shapely.box(-500.0, -500.0, 500.0, 700.0))], VIEW, hill())
    assert made.marks == []
    assert made.kinds == []


def test_the_keepout_of_a_power_line_is_dotted_at_its_buffer():
    rule = GROUND_DEFAULTS["power_line"]
    made = draw_ground([layer("power_line", LINE)], VIEW, hill())
    dotted = [m for m in made.marks if isinstance(m, Polyline) and m.dash == (1.0, 3.0)]
    (edge,) = dotted
    box = bounds(edge)
    reach = 2.0 * rule.buffer_m
    assert box.y0 == pytest.approx(100.0 - reach, abs=0.6)
    assert box.y1 == pytest.approx(100.0 + reach, abs=0.6)


def test_bolts_stand_at_even_distances_on_a_power_line():
    """320 points at 34: the first at 17, nine in all."""
    made = draw_ground([layer("power_line", LINE)], VIEW, hill())
    bolts = [m for m in made.marks if isinstance(m, Polyline) and m.width == 1.4]
    x = [sum(p[0] for p in m.parts[0]) / 4.0 for m in bolts]
    assert x == pytest.approx([57.0 + 34.0 * k for k in range(9)])


# ---------------------------------------------------------------- streams


@pytest.mark.parametrize(("east", "downhill"), [(0.1, -1.0), (-0.1, 1.0)])
@pytest.mark.parametrize("flip", [False, True])
def test_stream_arrows_point_downhill_whichever_way_the_line_was_drawn(east, downhill, flip):
    line = shapely.LineString(list(LINE.coords)[::-1]) if flip else LINE
    made = draw_ground([layer("stream", line)], VIEW, hill(east))
    arrows = [m for m in made.marks if isinstance(m, Polygon)]
    assert len(arrows) == 2
    for mark in arrows:
        tip, *back = mark.parts[0]
        assert math.copysign(1.0, tip[0] - back[0][0]) == downhill


def test_a_stream_on_unknown_ground_runs_as_drawn():
    nowhere = Terrain(np.full((3, 3), np.nan, np.float32), 0.0, 0.0, 1.0, FRAME, 0.1, "test")
    made = draw_ground([layer("stream", LINE)], VIEW, nowhere)
    tip, *back = next(m for m in made.marks if isinstance(m, Polygon)).parts[0]
    assert tip[0] > back[0][0]


# ---------------------------------------------------------------- names


def test_names_stand_on_the_longest_part_inside_the_view():
    parts = shapely.MultiLineString([[(20.0, 20.0), (40.0, 20.0)], [(20.0, 150.0), (180.0, 150.0)]])
    made = draw_ground([layer("trail", parts, names=("Ski trail",))], VIEW, hill())
    (label,) = made.names
    assert (label.text, label.kind, label.tag) == ("Ski trail", "name", "name")
    assert (label.x, label.y) == pytest.approx((200.0, 300.0))


def test_a_name_moves_along_its_line_when_the_middle_is_too_near_the_edge():
    """The middle of this line lies five points from the frame; at 70 % it is inside by more than twenty."""
    line = shapely.LineString([(2.5, 10.0), (2.5, 100.0), (92.5, 100.0)])
    (label,) = draw_ground([layer("trail", line, names=("Old way",))], VIEW, hill()).names
    assert RECT.inset(20.0).holds(Rect(label.x, label.y, label.x, label.y))


def test_nameless_shapes_have_no_label():
    assert draw_ground([layer("trail", LINE)], VIEW, hill()).names == []


# ---------------------------------------------------------------- key


@pytest.mark.parametrize("kind", ORDER)
def test_samples_lie_in_their_row(kind):
    marks = key_sample(kind, 50.0, 80.0, 28.0)
    total = bounds(marks[0])
    for mark in marks[1:]:
        total = total.union(bounds(mark))
    assert total.x0 >= 50.0 - 3.0
    assert total.x1 <= 78.0 + 3.0
    assert total.center[1] == pytest.approx(80.0, abs=1.5)
    assert total.height <= 16.0


def test_the_stream_sample_has_one_arrow():
    marks = key_sample("stream", 0.0, 0.0, 28.0)
    assert [type(m) for m in marks] == [Polyline, Polygon]
