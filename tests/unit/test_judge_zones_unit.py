"""Zones, forbidden places, clearances, lines apart, laterals: each rule of the judge at its edge, both ways."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from pipeline.judge import places, twigs, zones
from pipeline.judge.zones import Zone
from shapely.geometry import LineString, MultiPoint, Point, Polygon, box

import small_bush as bush


def zone(shape=None, clearance=3.0, name="", kind="road"):
    return Zone(shape if shape is not None else box(10, 10, 20, 20), kind, name, clearance)


@pytest.mark.parametrize(("name", "title"), [("", "road"), ("road", "road"), ("Mill Lane", "Mill Lane (road)")])
def test_title_names_the_kind_once(name, title):
    assert zone(name=name).title == title


@pytest.mark.parametrize("by", [0.0, 1.5, 6.0])
def test_within_against_plain_distances(by):
    """Points in and around an L: inside, or nearer than `by`."""
    shape = Polygon([(0, 0), (20, 0), (20, 5), (5, 5), (5, 20), (0, 20)])
    x, y = np.random.default_rng(4).uniform(-10.0, 30.0, (2, 300))
    away = np.array([shape.distance(Point(p)) for p in zip(x, y, strict=True)])
    got = zone(shape).within(x, y, by)
    sure = np.abs(away - by) > 0.05  # a buffer's corner is a polygon
    assert np.array_equal(got[sure], (away <= by)[sure])
    assert got.any()
    assert not got.all()


def test_within_of_no_points():
    assert zone().within(np.zeros(0), np.zeros(0)).tolist() == []


@pytest.mark.parametrize(
    ("away", "high"),
    [(-1.0, 3.6), (0.0, 3.6), (2.5, 3.6), (2.6, 3.595), (6.5, 3.4), (12.5, 3.1), (14.5, 3.0), (15.0, 3.0), (99.0, 3.0)],
)
def test_beside_a_crossing_a_line_comes_down_at_five_percent(away, high):
    """Clearance 3.0 and 0.6 of room over a usual 3.0: level for 2.5 cells of 1 m, then 5 % down to 3.0 after 12 m."""
    got = zone().highest_at(np.array([20.0 + away]), np.array([15.0]), 1.0, 3.0)
    assert got == pytest.approx([high])


@pytest.mark.parametrize(("clearance", "high"), [(2.4, 3.0), (2.0, 3.0), (2.5, 3.1)])
def test_a_crossing_that_fits_the_window_changes_nothing(clearance, high):
    got = zone(clearance=clearance).highest_at(np.array([15.0]), np.array([15.0]), 1.0, 3.0)
    assert got == pytest.approx([high])


def test_lines_to_cross_are_widened_and_bare_ones_keep_a_middle():
    line = LineString([(0, 0), (0, 10)])
    made = bush.case(where=bush.ground([
        bush.layer("trail", line, "cross", buffer_m=2.0, clearance_m=2.4), bush.layer("stream", line, "cross"),
        bush.layer("wet", line, "cost"), bush.layer("no_go", line, "no_go")]))
    got = zones.crossing_zones(made)
    assert [z.kind for z in got] == ["trail", "stream"]
    assert got[0].shape.bounds[0] == pytest.approx(-2.0)
    assert 0.0 < got[1].shape.area < 0.05
    assert [z.kind for z in zones.closed_zones(made)] == ["no_go"]


def test_a_gap_opens_a_no_go_and_the_rest_stays_closed():
    """A wall 20 long and 4 wide, a gap 6 wide over it, widened by 1.5 cells on either side: 9 of 20 open."""
    wall = bush.layer("road", box(0, 0, 20, 4), "no_go", clearance_m=4.7)
    made = bush.case(where=bush.ground([wall], gaps=(box(7, -5, 13, 9),)))
    [opened], closed = zones.crossing_zones(made), zones.closed_zones(made)
    assert opened.shape.area == pytest.approx(9 * 4, abs=0.02)
    assert opened.clearance_m == 4.7
    assert sum(z.shape.area for z in closed) == pytest.approx(11 * 4, abs=0.1)


def test_pins_that_say_avoid_are_not_opened():
    wall = bush.layer("no_go", box(0, 0, 20, 4), "no_go", source="pins")
    made = bush.case(where=bush.ground([wall], gaps=(box(-5, -5, 25, 9),)))
    assert zones.crossing_zones(made) == []
    assert len(zones.closed_zones(made)) == 1
    open_all = bush.case(where=bush.ground([bush.layer("no_go", box(0, 0, 20, 4), "no_go")],
                                           gaps=(box(-5, -5, 25, 9),)))
    assert zones.closed_zones(open_all) == []


@pytest.mark.parametrize(
    ("shape", "area"),
    [(box(0, 0, 10, 10), 64.0), (LineString([(0, 0), (10, 0), (10, 10), (0, 10), (0, 0)]), 64.0),
     (LineString([(0, 0), (10, 0), (10, 10)]), None)],
)
def test_property_is_shrunken_and_closed_lines_are_areas(shape, area):
    got = zones.properties(bush.case(where=bush.ground([bush.layer("property", shape, "inside", buffer_m=1.0)])))
    assert [round(a.area, 6) for _, a in got] == ([] if area is None else [area])


# ---------------------------------------------------------------- places


def told(rule, made=None, layers=(), **more):
    return [(f.code, f.subject_id) for f in rule(bush.case(made, bush.ground(layers, **more)))]


@pytest.mark.parametrize(("depth", "found"), [(-1.0, []), (0.04, []), (0.06, [("NO_GO_CROSSED", "M1")])])
def test_less_than_five_centimetres_of_no_go_is_let_pass(depth, found):
    """The line tops out at (30, 45); a block begins `depth` below its top."""
    block = bush.layer("no_go", box(29, 45 - depth, 31, 50), "no_go", buffer_m=0.0)
    assert told(places.forbidden, layers=[block]) == found


@pytest.mark.parametrize(("buffer", "found"), [(0.9, []), (1.2, [("NO_GO_CROSSED", "M1")])])
def test_the_buffer_of_a_no_go_counts(buffer, found):
    block = bush.layer("no_go", box(31, 6, 40, 9), "no_go", buffer_m=buffer)
    assert told(places.forbidden, layers=[block]) == found


@pytest.mark.parametrize(
    ("west", "found"),
    [(20.0, []), (29.0, [("PROPERTY_LEFT", "M1-L02")]),
     (31.0, [("PROPERTY_LEFT", i) for i in ("M1", "M1-L01", "M1-L02")])],
)
def test_what_leaves_the_property(west, found):
    assert told(places.forbidden, layers=[bush.layer("property", box(west, 0, 80, 60), "inside")]) == found


@pytest.mark.parametrize(("clearance", "low"), [(1.19, False), (1.1, False), (1.25, True)])
def test_clearance_over_a_trail(clearance, low):
    """The line hangs 1.2 m over it, less the sag between its side ties."""
    trail = bush.layer("trail", LineString([(0, 40), (80, 40)]), "cross", buffer_m=0.1, clearance_m=clearance)
    got = told(places.clearances, layers=[trail])
    assert (("CLEARANCE", "M1") in got) is low
    assert ("CROSSING_UNLISTED", "M1") in got


def test_lines_may_touch_at_their_ends_and_cross_nowhere():
    a, b = LineString([(0, 0), (10, 0)]), LineString([(5, 0.0), (5, 5)])
    assert places._crossing(a, b, 0.1) is None
    assert places._crossing(a, LineString([(5, -0.05), (5, 5)]), 0.1) is None
    assert places._crossing(a, LineString([(5, -0.2), (5, 5)]), 0.1) == (5.0, 0.0)
    assert places._crossing(a, LineString([(5, -0.2), (5, 5)]), 0.5) is None
    assert places._crossing(a, LineString([(2, 0), (8, 0)]), 0.5) == (5.0, 0.0)  # on top of one another
    assert places._crossing(a, LineString([(20, 0), (30, 0)]), 0.5) is None


def test_a_line_that_loops_is_told():
    made = bush.plan()
    loop = bush.hung("M2", [(60, 5), (60, 15), (65, 10), (55, 10)], [1.2] * 4)
    assert told(places.lines_apart, dataclasses.replace(made, mainlines=(*made.mainlines, loop))) == [
        ("LINE_LOOPS", "M2")]


# ---------------------------------------------------------------- laterals


def with_lateral(**values):
    made = bush.plan()
    one = dataclasses.replace(made.laterals[0], **values)
    return dataclasses.replace(made, grouping=dataclasses.replace(made.grouping, laterals=(one, made.laterals[1])))


@pytest.mark.parametrize(
    ("rules", "codes"),
    [
        ({}, []), ({"max_taps": 3}, []), ({"max_taps": 2}, ["LATERAL_TAPS"]), ({"max_length_m": 11.75}, []),
        ({"max_length_m": 11.7}, ["LATERAL_LENGTH"]), ({"min_grade_pct": 5.9}, []),
        ({"min_grade_pct": 6.1}, ["LATERAL_GRADE"]), ({"min_grade_pct": 8.1}, ["LATERAL_GRADE"] * 2),
    ],
)
def test_limits_of_a_lateral(rules, codes):
    """M1-L01: 3 taps; 6.720 + 5.016 = 11.736 m; pieces fall 5.963 and 8.000 %; M1-L02 falls 0.5 over 7.211 m."""
    made = bush.with_rules(bush.plan(), "laterals", **rules)
    got = [f.code for f in twigs.limits(bush.case(made)) if f.subject_id == "M1-L01"]
    assert got == codes


@pytest.mark.parametrize(("lowest", "highest", "codes"), [
    (1.295, 1.305, []), (1.2, 1.295, []), (1.32, 2.0, ["LATERAL_LOW"] * 3), (0.5, 1.28, ["LATERAL_HIGH"] * 3)])
def test_window_at_the_trees(lowest, highest, codes):
    """All three trees are passed at 1.3 m; a centimetre is let pass."""
    made = bush.with_rules(bush.plan(), "laterals", lowest_m=lowest, highest_m=highest)
    got = [f.code for f in twigs.heights(bush.case(made)) if f.subject_id]
    assert got == codes


@pytest.mark.parametrize(("station", "codes"), [
    (15.0, []), (15.04, []), (15.2, ["LATERAL_ENTRY"]), (41.0, ["LATERAL_ENTRY"]), (-0.2, ["LATERAL_ENTRY"])])
def test_an_entry_is_where_it_says(station, codes):
    got = [f.code for f in twigs.ends(bush.case(with_lateral(entry_station_m=station)))]
    assert got == codes


@pytest.mark.parametrize(("apart", "codes"), [(9.0, []), (9.005, []), (9.02, ["ENTRY_SPACING"])])
def test_entries_keep_apart(apart, codes):
    """At 15 and 24 m."""
    made = bush.with_rules(bush.plan(), "laterals", entry_spacing_m=apart)
    assert [f.code for f in twigs.ends(bush.case(made))] == codes


@pytest.mark.parametrize(("east", "codes"), [(0.04, []), (0.06, ["LATERAL_TREE"])])
def test_a_lateral_passes_its_trees(east, codes):
    xyz = bush.plan().laterals[0].xyz_m.copy()
    xyz[2, 0] += east
    assert [f.code for f in twigs.ends(bush.case(with_lateral(xyz_m=xyz)))] == codes


def test_a_lateral_without_trees_or_vertices_is_told():
    for values in ({"tree": ()}, {"xyz_m": bush.plan().laterals[0].xyz_m[:2]}):
        assert "LATERAL_EMPTY" in [f.code for f in twigs.limits(bush.case(with_lateral(**values)))]


def test_a_multipoint_is_no_crossing_zone_of_its_own_shape_only():
    """Posts of a power line given as points are widened like anything else."""
    poles = bush.layer("power_line", MultiPoint([(30, 20), (50, 20)]), "no_go", buffer_m=2.0)
    assert ("NO_GO_CROSSED", "M1") in told(places.forbidden, layers=[poles])
