"""Ground: shapes, ramps, masks and crossings; figures by hand and against plain distances."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely
from pipeline import ground
from pipeline.records import Lateral, Pins
from pipeline.settings import LateralSettings, MainlineSettings, Settings
from shapely.geometry import GeometryCollection, LineString, MultiLineString, Point, Polygon, box

import small_bush as bush


@pytest.mark.parametrize(
    ("shape", "by", "area"),
    [
        (box(0, 0, 10, 10), 0.0, 100.0),
        (box(0, 0, 10, 10), -1.0, 64.0),
        (LineString([(0, 0), (10, 0)]), 0.0, 0.0),
        (Polygon([(0, 0, 5), (10, 0, 5), (10, 10, 5), (0, 10, 5)]), 0.0, 100.0),
        (Polygon([(0, 0), (10, 10), (10, 0), (0, 10)]), 0.0, 50.0),  # a bow tie, mended: two triangles of 25
    ],
)
def test_widened_by_hand(shape, by, area):
    made = ground.widened(shape, by)
    assert made.area == pytest.approx(area)
    assert not made.has_z


@pytest.mark.parametrize("by", [0.5, 3.0])
def test_a_point_widened_is_a_disc(by):
    assert ground.widened(Point(3, 4), by).area == pytest.approx(math.pi * by**2, rel=0.01)


@pytest.mark.parametrize(
    ("shapes", "area"),
    [
        ([box(0, 0, 10, 10)], 100.0),
        ([box(0, 0, 10, 10), box(5, 0, 15, 10)], 150.0),
        ([LineString([(0, 0), (10, 0), (10, 10), (0, 10), (0, 0)])], 100.0),
        ([LineString([(0, 0), (10, 0), (10, 10)]), LineString([(10, 10), (0, 10), (0, 0)])], 100.0),
        ([LineString([(0, 0), (10, 0), (10, 10)])], 0.0),
        ([box(0, 0, 10, 10), LineString([(20, 0), (30, 0)])], 100.0),
        ([Point(1, 1)], 0.0),
        ([Polygon()], 0.0),
        ([], 0.0),
    ],
)
def test_areas_of_a_layer(shapes, area):
    made = ground.GroundLayer("property", tuple(shapes), ("",) * len(shapes), bush.layer("a", box(0, 0, 1, 1),
                                                                                        "inside").rule, "test")
    assert ground.areas(made).area == pytest.approx(area)


@pytest.mark.parametrize(
    ("clearance", "highest", "ramp"),
    [(4.4, 3.0, 40.0), (2.4, 3.0, 0.0), (2.5, 3.0, 2.0), (0.0, 3.0, 0.0), (4.4, 5.0, 0.0), (4.4, 4.9, 2.0)],
)
def test_ramp_by_hand(clearance, highest, ramp):
    """(clearance + 0.6 - highest) / 5 %, nothing where the crossing fits."""
    assert ground.ramp_m(clearance, highest) == pytest.approx(ramp)


def prepare(*layers, gaps=(), avoid=(), **rules):
    return ground.prepare(terrain=bush.terrain(), layers=layers, pins=Pins(gaps=gaps, avoid=avoid),
                          settings=Settings(**rules))


def centres():
    """Return the points of all cell centres, shape (60, 80)."""
    row, col = np.indices((60, 80))
    return shapely.points(col + 0.5, 59.5 - row)


@pytest.mark.parametrize("buffer", [0.0, 2.0])
def test_a_no_go_blocks_what_is_nearer_than_three_quarters_of_a_cell(buffer):
    shape = LineString([(10, 10), (40, 33)])
    made, _ = prepare(bush.layer("no_go", shape, "no_go", buffer_m=buffer))
    away = shapely.distance(shape, centres())
    sure = np.abs(away - buffer - 0.75) > 0.02
    assert np.array_equal(np.isinf(made.cost)[sure], (away < buffer + 0.75)[sure])
    assert np.array_equal(np.isinf(made.cost), made.support_blocked)


@pytest.mark.parametrize("buffer", [0.0, 3.0])
def test_inside_blocks_all_but_what_is_well_inside(buffer):
    shape = box(10, 10, 50, 40)
    made, _ = prepare(bush.layer("property", shape, "inside", buffer_m=buffer))
    inner = shape.buffer(-(buffer + 0.75))
    assert np.array_equal(np.isfinite(made.cost), shapely.contains(inner, centres()))


def test_a_ramp_comes_down_on_both_sides():
    """Trail at 4.0 m over a usual 3.0: 4.6 in its cells and the first ring, then 5 cm lower each metre, to 3.0."""
    made, found = prepare(bush.layer("trail", LineString([(0, 30), (80, 30)]), "cross", clearance_m=4.0),
                          mainlines=MainlineSettings(highest_m=3.0))
    column = made.highest_m[:, 40]
    top = np.flatnonzero(made.lowest_m[:, 40] == np.float32(4.0))
    assert top.size == 2  # cells centred at 29.5 and 30.5
    for steps in range(1, 45):
        wanted = max(3.0, 4.6 - 0.05 * (steps - 1)) if steps <= 33 else 3.0
        for k in (top[0] - steps, top[-1] + steps):
            if 0 <= k < 60:
                assert column[k] == pytest.approx(wanted, abs=1e-4)
    assert [f.code for f in found] == ["HIGH_CROSSING"]
    assert found[0].measured == pytest.approx(4.6)


@pytest.mark.parametrize(
    ("clearance", "blocked"), [(0.5, False), (0.61, False), (0.62, True), (3.0, True)]
)
def test_low_laterals_pass_only_what_asks_no_more(clearance, blocked):
    made, _ = prepare(bush.layer("stream", box(20, 20, 30, 30), "cross", clearance_m=clearance),
                      laterals=LateralSettings(lowest_m=0.61))
    assert bool(made.lateral_blocked[34, 25]) is blocked
    assert made.support_blocked[34, 25]
    assert not made.support_blocked[5, 5]


@pytest.mark.parametrize(
    ("kind", "clearance", "codes"),
    [("road", 0.0, ["NO_CLEARANCE"]), ("trail", 0.0, ["NO_CLEARANCE"]), ("power_line", 0.0, ["NO_CLEARANCE"]),
     ("stream", 0.0, []), ("trail", 2.0, []), ("road", 5.0, ["HIGH_CROSSING"])],
)
def test_what_a_crossing_has_to_say(kind, clearance, codes):
    _, found = prepare(bush.layer(kind, box(20, 20, 30, 30), "cross", clearance_m=clearance))
    assert [f.code for f in found] == codes


@pytest.mark.parametrize(
    ("gap", "codes"), [(box(24, 15, 26, 35), []), (box(50, 50, 55, 55), ["GAP_OPENS_NOTHING"])]
)
def test_a_gap_opens_something_or_says_so(gap, codes):
    made, found = prepare(bush.layer("no_go", box(20, 20, 30, 30), "no_go"), gaps=(gap,))
    assert [f.code for f in found] == codes
    assert bool(np.isfinite(made.cost[34, 25])) is (codes == [])


def test_missing_layers_keep_their_order():
    made, _ = prepare(bush.layer("road", box(0, 0, 1, 1), "no_go"), bush.layer("wet", box(0, 0, 1, 1), "cost"))
    assert made.missing == ("property", "power_line", "stream", "water", "trail")


# ---------------------------------------------------------------- trees


@pytest.mark.parametrize(
    ("x", "y", "reason"),
    [
        (15.0, 15.0, ""),
        (25.0, 25.0, "NO_GO"),
        (31.5, 25.0, "NO_GO"),
        (32.5, 25.0, ""),
        (70.0, 30.0, "OUTSIDE_PROPERTY"),
        (-1.0, 30.0, "OFF_TERRAIN"),
        (81.0, 30.0, "OFF_TERRAIN"),
        (30.0, 61.0, "OFF_TERRAIN"),
        (math.nan, 1.0, ""),
        (25.0, math.inf, ""),
        (27.0, 29.0, ""),
    ],
)
def test_reason_of_a_place(x, y, reason):
    """Property 5..60 east; no-go 20..30 with a buffer of 2 and a gap over its north-east."""
    made, _ = prepare(bush.layer("no_go", box(20, 20, 30, 30), "no_go", buffer_m=2.0),
                      bush.layer("property", box(5, 5, 60, 55), "inside"), gaps=(box(27, 29, 33, 33),))
    got = ground.tree_reasons(ground=made, terrain=bush.terrain(), x_m=np.array([x]), y_m=np.array([y]))
    assert got == (reason,)


# ---------------------------------------------------------------- crossings


def crossings(layers, lines=None, laterals=()):
    made, _ = prepare(*layers)
    return ground.crossings(mainlines=lines or bush.plan().mainlines, laterals=laterals, ground=made,
                            terrain=bush.terrain())


@pytest.mark.parametrize(("buffer", "station"), [(0.0, 15.0), (2.0, 15.0)])
def test_a_crossing_by_hand(buffer, station):
    """The line runs north from (30, 5); a trail at y = 20: station 15, 1.2 m above ground everywhere near."""
    [got] = crossings([bush.layer("trail", LineString([(0, 20), (80, 20)]), "cross", "Loop", buffer_m=buffer,
                                  clearance_m=1.0)])
    assert (got.crossing_id, got.line_id, got.kind, got.name) == ("X1", "M1", "trail", "Loop")
    assert got.station_m == pytest.approx(station, abs=0.01)
    assert (got.x_m, got.y_m) == pytest.approx((30.0, 20.0), abs=0.01)
    assert got.clearance_m == pytest.approx(1.2, abs=1e-4)
    assert got.needed_m == 1.0


def test_the_least_height_on_the_piece_counts():
    """Between stations 0 and 10 the line climbs from 1.0 to 1.2 m: over y = 5..10 the least is at its foot."""
    [got] = crossings([bush.layer("wet", box(20, 0, 40, 10), "cross")])
    assert got.clearance_m == pytest.approx(1.0, abs=1e-3)


def test_crossings_are_numbered_up_each_line():
    layers = [bush.layer("trail", LineString([(0, y), (80, y)]), "cross", f"at {y}") for y in (40, 20, 30)]
    side = Lateral("L", "M1", 0.0, (0,), 1, np.array([[30.0, 22.0, 104.0], [50.0, 35.0, 106.0]]))
    got = crossings(layers, laterals=(side,))
    assert [(c.crossing_id, c.line_id, c.name) for c in got] == [
        ("X1", "M1", "at 20"), ("X2", "M1", "at 30"), ("X3", "M1", "at 40"), ("X4", "L", "at 30")]
    assert got[3].station_m == pytest.approx(8.0 / 13.0 * math.hypot(20, 13), abs=0.01)


@pytest.mark.parametrize(
    ("shape", "count"),
    [
        (MultiLineString([[(0, 20), (80, 20)], [(0, 40), (80, 40)]]), 2),
        (GeometryCollection([LineString([(0, 20), (80, 20)]), Point(30, 40)]), 2),
        (LineString([(0, 20), (20, 20)]), 0),
        (box(29, 10, 31, 40), 1),
    ],
)
def test_each_piece_inside_is_a_crossing(shape, count):
    assert len(crossings([bush.layer("stream", shape, "cross", buffer_m=1.0)])) == count


@pytest.mark.parametrize(("rule", "count"), [("cross", 1), ("no_go", 1), ("cost", 0), ("inside", 0)])
def test_what_may_be_crossed_or_opened_is_listed(rule, count):
    assert len(crossings([bush.layer("trail", box(20, 15, 40, 20), rule)])) == count
