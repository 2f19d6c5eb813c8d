"""Ground: what must hold for any layers."""

from __future__ import annotations

import numpy as np
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from pipeline.frame import Frame
from pipeline.ground import prepare, tree_reasons
from pipeline.records import GroundLayer, Pins
from pipeline.settings import GroundLayerSettings, Settings
from pipeline.terrain.burn import covered
from pipeline.terrain.grid import Terrain
from shapely.geometry import LineString, Point, box

SIZE = 40
place = st.floats(-10.0, 50.0, allow_nan=False)
spot = st.tuples(place, place)
shapes = st.one_of(
    spot.map(Point),
    st.lists(spot, min_size=2, max_size=5, unique=True).map(LineString),
    st.tuples(spot, st.floats(1.0, 15.0), st.floats(1.0, 15.0)).map(
        lambda t: box(t[0][0], t[0][1], t[0][0] + t[1], t[0][1] + t[2])),
)
rules = st.builds(
    GroundLayerSettings, rule=st.sampled_from(["no_go", "cost", "cross", "inside"]), buffer_m=st.floats(0.0, 5.0),
    clearance_m=st.floats(0.0, 5.0), cost_factor=st.floats(1.0, 5.0),
)
layers = st.builds(lambda shape, rule: GroundLayer("wet", (shape,), ("x",), rule, "test"), shapes, rules)


def terrain():
    return Terrain(np.full((SIZE, SIZE), 100.0, np.float32), 0.5, SIZE - 0.5, 1.0, Frame("", "local", ""), 0.1, "test")


def made(given_layers, pins=None):
    return prepare(terrain=terrain(), layers=tuple(given_layers), pins=pins or Pins(), settings=Settings())[0]


@settings(max_examples=60, deadline=None)
@given(st.lists(layers, max_size=3), layers)
def test_one_more_layer_never_opens_or_cheapens_anything(some, one):
    before, after = made(some), made([*some, one])
    assert np.all(after.cost >= before.cost)
    assert np.all(after.lowest_m >= before.lowest_m)
    assert np.all(after.lateral_blocked >= before.lateral_blocked)
    assert np.all(after.support_blocked >= before.support_blocked)
    free = np.isfinite(after.cost)
    assert np.all(after.highest_m[free] > after.lowest_m[free])


@settings(max_examples=60, deadline=None)
@given(st.lists(layers, min_size=2, max_size=4), st.randoms(use_true_random=False))
def test_the_order_of_layers_does_not_matter(some, random):
    other = list(some)
    random.shuffle(other)
    one, two = made(some), made(other)
    for name in ("cost", "lowest_m", "highest_m", "lateral_blocked", "support_blocked"):
        assert np.array_equal(getattr(one, name), getattr(two, name)), name


@settings(max_examples=60, deadline=None)
@given(layers, shapes)
def test_a_gap_never_blocks_and_a_place_to_avoid_never_opens(layer, shape):
    plain = np.isfinite(made([layer]).cost)
    assert np.all(np.isfinite(made([layer], Pins(gaps=(shape,))).cost) >= plain)
    assert np.all(np.isfinite(made([layer], Pins(avoid=(shape,))).cost) <= plain)


@settings(max_examples=60, deadline=None)
@given(layers, st.lists(st.tuples(st.floats(0.5, 39.5), st.floats(0.5, 39.5)), min_size=1, max_size=8))
def test_a_tree_called_no_go_stands_where_no_line_may_go(layer, points):
    ground = made([layer])
    xy = np.array(points)
    reasons = tree_reasons(ground=ground, terrain=terrain(), x_m=xy[:, 0], y_m=xy[:, 1])
    row, col = terrain().rowcol(xy[:, 0], xy[:, 1])
    for reason, r, c in zip(reasons, np.rint(row).astype(int), np.rint(col).astype(int), strict=True):
        if reason in ("NO_GO", "OUTSIDE_PROPERTY"):
            assert np.isinf(ground.cost[r, c])


@settings(max_examples=80, deadline=None)
@given(st.lists(spot, min_size=3, max_size=7, unique=True), st.floats(0.05, 8.0))
def test_covered_cells_are_those_whose_centre_is_inside(points, by):
    area = LineString(points).buffer(by)
    window, mask = covered(terrain(), area)
    whole = np.zeros((SIZE, SIZE), dtype=bool)
    whole[window] = mask
    x, y = terrain().xy(*np.indices((SIZE, SIZE)))
    away = shapely.distance(area.boundary, shapely.points(x, y))
    sure = away > 1e-9
    assert np.array_equal(whole[sure], shapely.contains_xy(area, x, y)[sure])
