"""Ground: each rule of a layer, gaps, places to avoid, reasons of trees, and crossings, on hand-made places."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapely
from pipeline.frame import Frame
from pipeline.ground import CROSSING_ROOM_M, areas, crossings, prepare, ramp_m, tree_reasons
from pipeline.records import Ground, GroundLayer, Lateral, Mainline, Pins, Support
from pipeline.settings import GroundLayerSettings, LateralSettings, Settings
from pipeline.terrain.grid import Terrain
from scipy.ndimage import label
from shapely.geometry import LineString, Point, box

LOCAL = Frame("", "local grid", "unknown")


def flat(rows=40, cols=60, cell_m=1.0, z=100.0):
    return Terrain(np.full((rows, cols), z, dtype=np.float32), 0.5 * cell_m, (rows - 0.5) * cell_m, cell_m,
                   LOCAL, 0.1, "made for a test")


def layer(kind, shapes, rule="no_go", names=None, **values):
    return GroundLayer(kind, tuple(shapes), tuple(names or [kind] * len(shapes)),
                       GroundLayerSettings(rule=rule, **values), "test")


def made(layers, terrain=None, pins=None, settings=None):
    return prepare(terrain=terrain or flat(), layers=tuple(layers), pins=pins or Pins(),
                   settings=settings or Settings())


def cell(terrain, x, y):
    row, col = terrain.rowcol(x, y)
    return round(float(row)), round(float(col))


def test_open_woods_keep_the_settings_window():
    ground, findings = made([])
    settings = Settings()
    assert findings == ()
    assert np.all(ground.cost == 1.0)
    assert np.all(ground.lowest_m == np.float32(settings.mainlines.lowest_m))
    assert np.all(ground.highest_m == np.float32(settings.mainlines.highest_m))
    assert not ground.lateral_blocked.any()
    assert not ground.support_blocked.any()
    assert ground.missing == ("property", "power_line", "road", "stream", "water", "wet", "trail")


def test_no_ground_blocks_everything():
    terrain = flat()
    z = terrain.z_m.copy()
    z[3, 4] = np.nan
    ground, _ = made([], dataclasses.replace(terrain, z_m=z))
    assert np.isinf(ground.cost[3, 4])
    assert ground.lateral_blocked[3, 4]
    assert ground.support_blocked[3, 4]
    assert np.isinf(ground.cost).sum() == 1


@pytest.mark.parametrize("cell_m", [1.0, 2.0, 5.0])
@pytest.mark.parametrize("angle_deg", [0.0, 17.0, 45.0, 63.0, 90.0])
def test_a_line_thinner_than_a_cell_cannot_be_jumped(cell_m, angle_deg):
    terrain = flat(60, 60, cell_m)
    middle = 30.0 * cell_m
    run = 100.0 * cell_m * np.array([np.cos(np.radians(angle_deg)), np.sin(np.radians(angle_deg))])
    wall = LineString([(middle - run[0], middle - run[1] + 0.13), (middle + run[0], middle + run[1] + 0.13)])
    ground, _ = made([layer("no_go", [wall])], terrain)
    # flood with all eight neighbours from one side: the other side must stay dry
    parts, count = label(np.isfinite(ground.cost), structure=np.ones((3, 3)))
    assert count == 2
    x, y = terrain.xy(*np.indices(terrain.shape))
    side = np.sign(run[0] * (y - middle - 0.13) - run[1] * (x - middle))
    free = np.isfinite(ground.cost)
    assert len(set(zip(parts[free].tolist(), side[free].tolist(), strict=True))) == 2


def test_no_go_is_blocked_to_its_buffer_and_hardly_further():
    terrain = flat()
    ground, _ = made([layer("road", [LineString([(0, 20), (60, 20)])], buffer_m=3.0)], terrain)
    _, y = terrain.xy(*np.indices(terrain.shape))
    away = np.abs(y - 20.0)
    assert np.all(np.isinf(ground.cost[away <= 3.0]))
    assert np.all(np.isfinite(ground.cost[away > 3.0 + 0.76]))
    assert ground.lateral_blocked[away <= 3.0].all()
    assert ground.support_blocked[away <= 3.0].all()


def test_inside_blocks_outside_and_the_strip_along_the_line():
    terrain = flat()
    ground, _ = made([layer("property", [box(10, 10, 50, 30)], "inside", buffer_m=2.0)], terrain)
    x, y = terrain.xy(*np.indices(terrain.shape))
    far_inside = (x > 13) & (x < 47) & (y > 13) & (y < 27)
    near_or_out = (x < 12) | (x > 48) | (y < 12) | (y > 28)
    assert np.isfinite(ground.cost[far_inside]).all()
    assert np.isinf(ground.cost[near_or_out]).all()


def test_an_outline_given_as_a_closed_line_is_an_area():
    outline = LineString([(10, 10), (50, 10), (50, 30), (10, 30), (10, 10)])
    property_line = layer("property", [outline], "inside")
    assert areas(property_line).equals(box(10, 10, 50, 30))
    ground, findings = made([property_line])
    assert findings == ()
    assert np.isinf(ground.cost[0, 0])


def test_an_outline_that_does_not_close_is_said_and_blocks_nothing():
    ground, findings = made([layer("property", [LineString([(10, 10), (50, 10), (50, 30)])], "inside")])
    assert [f.code for f in findings] == ["PROPERTY_NOT_CLOSED"]
    assert np.isfinite(ground.cost).all()


def test_dearer_ground_takes_the_dearest_of_what_overlaps():
    wet = layer("wet", [box(0, 0, 30, 40)], "cost", cost_factor=2.5)
    more = layer("wet", [box(20, 0, 60, 40)], "cost", cost_factor=4.0)
    for order in ([wet, more], [more, wet]):
        ground, _ = made(order)
        assert ground.cost[20, 10] == np.float32(2.5)
        assert ground.cost[20, 25] == np.float32(4.0)
        assert ground.cost[20, 50] == np.float32(4.0)
        assert not ground.support_blocked.any()


def test_crossing_lifts_the_window_and_keeps_supports_and_low_laterals_out():
    trail = layer("trail", [LineString([(30, 0), (30, 40)])], "cross", buffer_m=1.0, clearance_m=2.8, cost_factor=1.5)
    ground, findings = made([trail])
    row, on, off = 20, 30, 40
    assert ground.lowest_m[row, on] == np.float32(2.8)
    assert ground.highest_m[row, on] == np.float32(2.8 + CROSSING_ROOM_M)
    assert ground.cost[row, on] == np.float32(1.5)
    assert ground.support_blocked[row, on]
    assert ground.lateral_blocked[row, on]
    assert not ground.support_blocked[row, off]
    assert ground.lowest_m[row, off] == np.float32(Settings().mainlines.lowest_m)
    assert [f.code for f in findings] == ["HIGH_CROSSING"]


def test_beside_a_crossing_above_the_window_the_window_comes_down_in_a_ramp():
    """5 % of fall against the ground from the crossing's own top, after one ring of cells as high as it."""
    clearance = 4.7244
    road = layer("road", [LineString([(30, 0), (30, 40)])], "cross", buffer_m=2.0, clearance_m=clearance)
    settings = Settings()
    ground, (finding,) = made([road], flat(cols=120))
    top, usual = clearance + CROSSING_ROOM_M, settings.mainlines.highest_m
    # cells with a centre within 2.75 m of x = 30 belong to the crossing: columns 28 to 32 (x = 27.5 to 32.5)
    assert ground.support_blocked[20, 26:34].tolist() == [False, True, True, True, True, True, True, False]
    assert ground.highest_m[20, 33] == np.float32(top)
    assert ground.highest_m[20, 43] == pytest.approx(top - 0.05 * 10.0, abs=1e-5)
    assert ground.highest_m[20, 16] == pytest.approx(top - 0.05 * 10.0, abs=1e-5)
    length = (top - usual) / 0.05
    assert ramp_m(clearance, usual) == pytest.approx(length)
    assert ground.highest_m[20, 33 + int(length)] > np.float32(usual)
    assert np.all(ground.highest_m[20, 33 + int(length) + 1:] == np.float32(usual))
    # the lowest line is as ever right beside the crossing: only the way down is opened
    assert np.all(ground.lowest_m[20, 33:] == np.float32(settings.mainlines.lowest_m))
    assert (finding.code, finding.severity, finding.limit) == ("HIGH_CROSSING", "note", usual)
    assert "149 ft on either side" in finding.text
    assert "collect on that side" in finding.remedy


def test_a_gap_above_the_window_gets_its_ramp_where_it_opens_and_no_go_stays_closed():
    road = layer("road", [LineString([(0, 20), (60, 20)])], buffer_m=2.0, clearance_m=4.7)
    ground, _ = made([road], pins=Pins(gaps=(Point(30, 20).buffer(2.0),)))
    usual = np.float32(Settings().mainlines.highest_m)
    assert ground.highest_m[cell(flat(), 30.5, 10.5)] > usual
    assert np.isinf(ground.cost[cell(flat(), 10.5, 20.5)])


def test_no_ramp_where_the_crossing_fits_the_window():
    trail = layer("trail", [LineString([(30, 0), (30, 40)])], "cross", buffer_m=1.0, clearance_m=2.4)
    ground, findings = made([trail])
    assert findings == ()
    assert ramp_m(2.4, Settings().mainlines.highest_m) == 0.0
    assert np.all(ground.highest_m == np.float32(Settings().mainlines.highest_m))


def test_laterals_may_cross_what_asks_no_more_than_their_lowest_height():
    stream = layer("stream", [LineString([(30, 0), (30, 40)])], "cross", buffer_m=1.0, clearance_m=0.5)
    ground, _ = made([stream])
    assert ground.support_blocked[20, 30]
    assert not ground.lateral_blocked.any()
    high = Settings(laterals=LateralSettings(lowest_m=0.4))
    ground, _ = made([stream], settings=high)
    assert ground.lateral_blocked[20, 30]


def test_a_clearance_below_the_lowest_height_changes_nothing():
    stream = layer("stream", [LineString([(30, 0), (30, 40)])], "cross", buffer_m=1.0)
    ground, _ = made([stream])
    assert np.all(ground.lowest_m == np.float32(Settings().mainlines.lowest_m))
    assert np.all(ground.highest_m == np.float32(Settings().mainlines.highest_m))


def test_a_gap_opens_a_no_go_as_a_crossing_only_where_it_lies():
    road = layer("road", [LineString([(0, 20), (60, 20)])], buffer_m=2.0, clearance_m=4.7)
    pins = Pins(gaps=(Point(30, 20).buffer(2.0),))
    ground, findings = made([road], pins=pins)
    assert [f.code for f in findings] == []
    column = np.isfinite(ground.cost[:, 30])
    assert column.all()
    middle = cell(flat(), 30.5, 20.5)
    assert ground.lowest_m[middle] == np.float32(4.7)
    assert ground.support_blocked[middle]
    assert ground.lateral_blocked[middle]
    assert np.isinf(ground.cost[cell(flat(), 10.5, 20.5)])
    assert ground.gaps == pins.gaps


def test_a_gap_does_not_open_the_property_line_nor_a_place_to_avoid():
    pins = Pins(gaps=(box(0, 0, 60, 40),), avoid=(box(20, 20, 24, 24),))
    ground, _ = made([layer("property", [box(10, 10, 50, 30)], "inside")], pins=pins)
    assert np.isinf(ground.cost[0, 0])
    assert np.isinf(ground.cost[cell(flat(), 22.5, 22.5)])


def test_a_gap_that_opens_nothing_is_said():
    road = layer("road", [LineString([(0, 35), (60, 35)])], buffer_m=2.0, clearance_m=4.7)
    _, findings = made([road], pins=Pins(gaps=(Point(30, 5).buffer(2.0),)))
    assert [(f.code, f.severity) for f in findings] == [("GAP_OPENS_NOTHING", "check")]


def test_places_to_avoid_are_blocked_and_kept_as_a_layer():
    ground, _ = made([], pins=Pins(avoid=(box(20, 20, 24, 24),)))
    assert np.isinf(ground.cost[cell(flat(), 22.5, 22.5)])
    assert [(q.kind, q.source) for q in ground.layers] == [("no_go", "pins")]
    assert tree_reasons(ground=ground, terrain=flat(), x_m=np.array([22.0]), y_m=np.array([22.0])) == ("NO_GO",)


def test_a_layer_beside_the_terrain_is_said():
    _, findings = made([layer("stream", [LineString([(900, 0), (900, 40)])], "cross")])
    assert [f.code for f in findings] == ["LAYER_OFF_TERRAIN"]


def test_a_road_that_may_be_crossed_without_a_clearance_is_said():
    road = [LineString([(0, 20), (60, 20)])]
    _, findings = made([layer("road", road, "cross")])
    assert [f.code for f in findings] == ["NO_CLEARANCE"]
    _, findings = made([layer("road", road, "cross", clearance_m=2.0)])
    assert findings == ()


def test_tree_reasons():
    terrain = flat()
    z = terrain.z_m.copy()
    z[10, 10] = np.nan
    terrain = dataclasses.replace(terrain, z_m=z)
    layers = [layer("property", [box(5, 5, 55, 38)], "inside", buffer_m=2.0),
              layer("power_line", [LineString([(0, 10), (60, 10)])], buffer_m=4.0)]
    ground, _ = made(layers, terrain)
    x = np.array([30.0, -1.0, 10.5, 30.0, 3.0, np.nan, 30.0, 5.5])
    y = np.array([20.0, 20.0, 29.5, 13.9, 20.0, 20.0, 14.1, 20.0])
    assert tree_reasons(ground=ground, terrain=terrain, x_m=x, y_m=y) == (
        "", "OFF_TERRAIN", "NO_GROUND", "NO_GO", "OUTSIDE_PROPERTY", "", "", "")


def test_a_tree_in_a_gap_is_not_in_the_no_go():
    road = layer("road", [LineString([(0, 20), (60, 20)])], buffer_m=2.0)
    ground, _ = made([road], pins=Pins(gaps=(Point(30, 20).buffer(2.0),)))
    x, y = np.array([30.0, 10.0]), np.array([20.0, 20.0])
    assert tree_reasons(ground=ground, terrain=flat(), x_m=x, y_m=y) == ("", "NO_GO")


def hung(name, xyz):
    own = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(np.array(xyz)[:, :2], axis=0).T))])
    return Mainline(name, "", "C1", 0.0, tuple(
        Support(f"{name}-S{i:02d}", name, float(s), x, y, "post", "", 0.0, 100.0, z)
        for i, (s, (x, y, z)) in enumerate(zip(own, xyz, strict=True), start=1)))


def ground_of(layers) -> Ground:
    return made(layers)[0]


def test_crossings_of_a_line_over_a_trail():
    trail = layer("trail", [LineString([(30, 0), (30, 40)])], "cross", ["skid trail"], buffer_m=1.0, clearance_m=2.4)
    line = hung("M1", [(10.0, 20.0, 101.0), (50.0, 20.0, 105.0)])
    (crossing,) = crossings(mainlines=(line,), laterals=(), ground=ground_of([trail]), terrain=flat())
    assert (crossing.crossing_id, crossing.line_id, crossing.kind, crossing.name) == ("X1", "M1", "trail", "skid trail")
    assert crossing.station_m == pytest.approx(20.0, abs=0.13)
    assert crossing.needed_m == 2.4
    # the least height is at the lower edge of the zone, station 19: 1.0 + 19 * 0.1
    assert crossing.clearance_m == pytest.approx(2.9, abs=0.01)


def test_crossings_are_numbered_by_line_and_station_and_laterals_count_from_their_entry():
    layers = [layer("trail", [LineString([(30, 0), (30, 40)])], "cross", buffer_m=0.5),
              layer("stream", [LineString([(20, 0), (20, 40)])], "cross", buffer_m=0.5)]
    line = hung("M1", [(10.0, 20.0, 101.0), (50.0, 20.0, 105.0)])
    lateral = Lateral("M1-L01", "M1", 12.0, (0,), 1, np.array([[22.0, 20.0, 102.2], [18.0, 23.0, 103.0]]))
    found = crossings(mainlines=(line,), laterals=(lateral,), ground=ground_of(layers), terrain=flat())
    assert [(c.crossing_id, c.line_id, c.kind) for c in found] == [
        ("X1", "M1", "stream"), ("X2", "M1", "trail"), ("X3", "M1-L01", "stream")]
    assert found[2].station_m == pytest.approx(2.5, abs=0.15)


def test_a_line_that_bends_back_over_a_stream_crosses_twice():
    stream = layer("stream", [LineString([(30, 0), (30, 40)])], "cross", buffer_m=0.5)
    line = hung("M1", [(20.0, 10.0, 101.0), (40.0, 15.0, 102.0), (20.0, 20.0, 103.0)])
    found = crossings(mainlines=(line,), laterals=(), ground=ground_of([stream]), terrain=flat())
    assert len(found) == 2
    assert found[0].station_m < found[1].station_m


def test_no_layer_to_cross_gives_no_crossing():
    line = hung("M1", [(10.0, 20.0, 101.0), (50.0, 20.0, 105.0)])
    wet = layer("wet", [box(0, 0, 60, 40)], "cost", cost_factor=2.0)
    assert crossings(mainlines=(line,), laterals=(), ground=ground_of([wet]), terrain=flat()) == ()


def test_layers_are_not_modified():
    shape = LineString([(30, 0), (30, 40)])
    before = shapely.to_wkb(shape)
    road = layer("road", [shape], buffer_m=2.0)
    ground, _ = made([road])
    assert shapely.to_wkb(road.shapes[0]) == before
    assert ground.layers == (road,)
