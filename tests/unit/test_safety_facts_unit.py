"""What a section's data say about danger, measured on a small plane: distances, anchors, snags, ledges, walking in."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
import shapely
from pipeline.records import Crossing
from pipeline.safety import notes
from pipeline.safety.facts import TREE, WALK_M_MIN, Facts, measure
from pipeline.safety.rules import Case, fired, unchecked
from pipeline.settings import Settings
from pipeline.terrain.grid import Terrain

import small_bush
from sample_plan import LAT, LON, sample_plan
from small_bush import LOCAL, TREES, ground, hung, layer, plan, terrain

WORK = shapely.LineString([(30, 5), (30, 45)])  # the mainline of the small bush


def facts(made=None, *, where=None, on=None, settings=None, section=None) -> Facts:
    made = made or plan()
    return measure(
        section=section or made.sections[0], mainlines=made.mainlines, grouping=made.grouping, trees=made.trees,
        flow=made.flow, crossings=made.crossings, ground=where or ground(), terrain=on or terrain(),
        settings=settings or made.settings,
    )


def spread(by_m: float) -> Settings:
    made = plan().settings
    return dataclasses.replace(made, trees=dataclasses.replace(made.trees, gps_error_m=by_m))


def work_of(made):
    """Return everything the crew of the only section builds."""
    return shapely.union_all([WORK, *(shapely.LineString(la.xyz_m[:, :2]) for la in made.grouping.laterals)])


# ---------------------------------------------------------------- distances


@pytest.mark.parametrize("shape", [
    shapely.Point(70, 50), shapely.LineString([(0, 58), (80, 52)]), shapely.box(50, 40, 60, 50),
    shapely.box(20, 20, 60, 50), shapely.LineString([(20, 30), (40, 30)]),
])
@pytest.mark.parametrize("gps", [0.0, 3.0])
def test_distances_are_from_the_nearest_line_or_tree_less_the_spread_of_the_survey(shape, gps):
    made = plan()
    found = facts(made, where=ground((layer("stream", shape, "cross"),)), settings=spread(gps))
    assert found.near_m == {"stream": pytest.approx(max(0.0, work_of(made).distance(shape) - gps))}


@pytest.mark.parametrize(("east", "gps", "told"), [
    (4.0, 6.0, False),  # so near that the note would stand anyhow
    (5.5, 6.0, True), (10.9, 6.0, True), (11.1, 6.0, False), (7.0, 4.9, False), (0.0, 6.0, False),
])
def test_a_coarse_survey_is_named_where_a_note_stands_by_its_spread_alone(east, gps, told):
    """K8: a road is roadside to 5 m; with 6 m of spread one at 5.5 m counts as at no distance at all."""
    made = plan()
    section = dataclasses.replace(made.sections[0], lateral=())
    road = shapely.LineString([(30 + east, 0), (30 + east, 60)])
    found = facts(where=ground((layer("road", road, "cross"),)), settings=spread(gps), section=section)
    codes = {code for code, _ in fired(Case(found, spread(gps)))}
    assert ("J8" in codes) is (east - gps <= 5.0)
    assert ("K8" in codes) is told


def test_of_several_layers_of_one_kind_the_nearest_shape_counts():
    near, far = shapely.LineString([(40, 0), (40, 60)]), shapely.LineString([(75, 0), (75, 60)])
    wanted = work_of(plan()).distance(near)
    for order in ((near, far), (far, near)):
        where = ground(tuple(layer("power_line", s, "no_go") for s in order))
        assert facts(where=where).near_m["power_line"] == pytest.approx(wanted)


def test_a_layer_without_shapes_is_known_to_be_far_and_one_that_is_missing_is_not_known():
    empty = dataclasses.replace(layer("water", shapely.Point(0, 0), "no_go"), shapes=(), names=())
    found = facts(where=ground((empty,), missing=("road",)))
    assert found.near_m == {"water": math.inf}
    case = Case(found, plan().settings)
    assert case.near("road") == math.inf
    told = unchecked(case, ("road",))
    assert "road" in told
    assert "water" not in told
    assert "stream" in told  # neither supplied nor asked for: still nobody looked


@pytest.mark.parametrize(("buffer_m", "touched"), [(0.0, False), (3.0, False), (5.0, True)])
def test_lines_touch_a_shape_within_its_buffer(buffer_m, touched):
    wall = shapely.LineString([(25.5, 0), (25.5, 20)])
    found = facts(where=ground((layer("wet", wall, "cost", buffer_m=buffer_m),)))
    assert (found.touches == {"wet"}) is touched


# ---------------------------------------------------------------- lines


def test_lengths_are_in_plan_and_the_longest_is_of_one_piece():
    made = plan()
    two = dataclasses.replace(made.sections[0], pieces=(("M1", 0.0, 15.0), ("M1", 15.0, 40.0)))
    found = facts(made, section=two)
    assert found.length_m == pytest.approx(40.0)
    assert found.longest_m == pytest.approx(25.0)


def test_heights_name_every_support_and_every_tree_on_a_lateral():
    made = plan()
    found = dict(facts(made).heights_m)
    for s in made.mainlines[0].supports:
        assert found[s.support_id] == pytest.approx(s.height_m)
    trees = {name: h for name, h in found.items() if name.startswith(TREE)}
    assert trees == {f"{TREE}T{i}": pytest.approx(1.3) for i in range(3)}
    assert facts(made).posts == tuple(s.support_id for s in made.mainlines[0].supports)


def test_a_tag_with_a_semicolon_does_not_break_the_list():
    made = plan()
    odd = dataclasses.replace(made, trees=dataclasses.replace(made.trees, tree_id=("A;1", "T1", "T2", "T3", "T4")))
    assert f"{TREE}A,1" in dict(facts(odd).heights_m)


@pytest.mark.parametrize(("points", "wanted"), [
    ([(30, 5), (30, 15), (30, 25)], [0.0]), ([(30, 5), (30, 15), (40, 15)], [90.0]),
    ([(30, 5), (30, 15), (40, 25), (40, 35)], [45.0, 45.0]), ([(30, 5), (20, 15), (20, 5)], [135.0]),
    ([(10, 10), (20, 10.001), (30, 10)], [0.011]),
])
def test_bends_are_the_turns_in_plan_at_inner_supports(points, wanted):
    line = hung("M1", points, [1.0] * len(points))
    made = dataclasses.replace(plan(), mainlines=(line,))
    section = dataclasses.replace(made.sections[0], pieces=(("M1", 0.0, line.plan_length_m),), lateral=())
    found = facts(made, section=section).bends_deg
    assert [d for _, d in found] == pytest.approx(wanted, abs=1e-3)
    assert [name for name, _ in found] == [s.support_id for s in line.supports[1:-1]]


@pytest.mark.parametrize(("dbh", "reason", "weak"), [
    (24.9, "", True), (25.0, "", False), (60.0, "DEAD", True), (60.0, "TOO_SMALL", False), (math.nan, "", False),
])
def test_an_anchor_at_a_thin_or_dead_tree_is_weak(dbh, reason, weak):
    made = plan()
    supports = list(made.mainlines[0].supports)
    supports[0] = dataclasses.replace(supports[0], kind="anchor", tree_id="T4")
    supports[1] = dataclasses.replace(supports[1], kind="tree", tree_id="T4")  # no anchor: not asked
    supports[2] = dataclasses.replace(supports[2], kind="anchor", tree_id="not surveyed")
    cm = made.trees.dbh_cm.copy()
    cm[4] = dbh
    made = dataclasses.replace(
        made, mainlines=(dataclasses.replace(made.mainlines[0], supports=tuple(supports)),),
        trees=dataclasses.replace(made.trees, dbh_cm=cm, reason=(*made.trees.reason[:4], reason)),
    )
    found = facts(made)
    assert found.weak_anchors == ((supports[0].support_id,) if weak else ())
    assert {supports[0].support_id, supports[1].support_id} <= found.trees_held


def test_crossings_belong_to_the_piece_or_the_lateral_they_lie_on():
    made = plan()
    rows = (("M1", 10.0), ("M1", 40.0), ("M1", 41.0), ("M1-L01", 3.0), ("M9", 10.0))
    some = tuple(Crossing(f"X{k}", name, "trail", "", s, 0.0, 0.0, 2.0, 1.0) for k, (name, s) in enumerate(rows))
    found = facts(dataclasses.replace(made, crossings=some)).crossings
    assert [c.crossing_id for c in found] == ["X0", "X1", "X3"]
    half = dataclasses.replace(made.sections[0], pieces=(("M1", 20.0, 40.0),), lateral=(1,))
    found = facts(dataclasses.replace(made, crossings=some), section=half).crossings
    assert [c.crossing_id for c in found] == ["X1"]


# ---------------------------------------------------------------- trees, stations, help


@pytest.mark.parametrize("gps", [0.0, 4.0])
@pytest.mark.parametrize("tree_m", [5.0, 15.0])
def test_dead_trees_within_two_lengths_are_named_and_their_density_is_by_the_outline(tree_m, gps):
    made = plan()
    n = len(TREES)
    made = dataclasses.replace(made, trees=dataclasses.replace(
        made.trees, reason=("", "", "", "DEAD", "DEAD"), status=("served",) * 3 + ("not_tapped",) * 2))
    base = spread(gps)
    settings = dataclasses.replace(base, sheets=dataclasses.replace(base.sheets, tree_height_m=tree_m))
    found = facts(made, settings=settings)
    wanted = [f"T{i}" for i in range(n) if made.trees.reason[i] == "DEAD"
              and work_of(made).distance(shapely.Point(TREES[i][:2])) <= 2.0 * tree_m + gps]
    assert list(found.dead_near) == wanted
    inside = sum(made.sections[0].outline.covers(shapely.Point(TREES[i][:2])) for i in (3, 4))
    assert found.dead_per_ha == pytest.approx(10_000.0 * inside / made.sections[0].outline.area)


@pytest.mark.parametrize(("pieces", "held"), [
    ((("M1", 0.0, 40.0),), True), ((("M1", 10.0, 40.0),), False), ((("M1", 0.0, 10.0),), True),
])
def test_a_station_belongs_to_the_section_where_its_line_ends(pieces, held):
    made = plan()
    section = dataclasses.replace(made.sections[0], pieces=pieces, lateral=())
    assert bool(facts(made, section=section).stations) is held


def test_minutes_to_walk_in_are_to_the_far_side_and_unknown_without_a_meeting_point():
    made, on, where = sample_plan()
    x, y = made.frame.from_lonlat(LON + 0.00025, LAT - 0.0001)
    for section in made.sections:
        found = facts(made, where=where, on=on, section=section)
        corners = shapely.get_coordinates(section.outline)
        far = float(np.hypot(corners[:, 0] - x, corners[:, 1] - y).max())
        assert found.walk_in_min == pytest.approx(far / WALK_M_MIN)
    sheets = dataclasses.replace(made.settings.sheets, meeting_lon=math.nan)
    lost = dataclasses.replace(made.settings, sheets=sheets)
    assert math.isnan(facts(made, where=where, on=on, settings=lost).walk_in_min)
    assert math.isnan(facts().walk_in_min)  # a local grid has no place on Earth


# ---------------------------------------------------------------- ground


@pytest.mark.parametrize(("cell", "coarse", "visible"), [(1.0, False, True), (2.0, False, True), (2.5, False, False),
                                                         (5.0, False, False), (6.0, True, False)])
def test_what_a_grid_can_show_depends_on_its_cells(cell, coarse, visible):
    z = np.full((60, 60), 100.0, np.float32)
    on = Terrain(z, 0.0, 59.0 * cell, cell, LOCAL, 0.01, "level")
    found = facts(on=on)
    assert (found.coarse_cell, found.ledge_visible) == (coarse, visible)
    assert found.slope_max_pct == pytest.approx(0.0, abs=1e-6)
    told = unchecked(Case(found, plan().settings), ())
    assert ("coarse" in told, "ledge" in told) == (coarse, not visible and not coarse)


@pytest.mark.parametrize(("drop", "told"), [(1.9, False), (2.4, True), (4.0, True)])
def test_a_ledge_across_the_line_is_placed_on_it(drop, told):
    z = terrain().z_m.copy()
    z[:30] += np.float32(drop - 0.2)  # the plane itself rises 0.2 m over two cells; the step lies at y = 30
    found = facts(on=dataclasses.replace(terrain(), z_m=z))
    assert bool(found.ledge_at) is told
    assert found.ledge_drop_m == pytest.approx(drop, abs=0.01)
    if told:
        name, _, station = found.ledge_at.partition("@")
        assert name == "M1"
        assert float(station) == pytest.approx(25.0, abs=2.0)
        assert any(code == "E5" for code, _ in fired(Case(found, plan().settings)))


@pytest.mark.parametrize("grade", [0.05, 0.16, 0.35, 0.6])
def test_slopes_of_a_plane_fire_one_row_of_the_foot_slopes(grade):
    row, _ = np.indices((60, 80))
    on = dataclasses.replace(terrain(), z_m=(100.0 + grade * (59.5 - row)).astype(np.float32))
    found = facts(on=on)
    assert found.slope_max_pct == pytest.approx(100.0 * grade, abs=0.02)
    assert list(found.slope_at_pct.values()) == pytest.approx([100.0 * grade] * 5, abs=0.02)
    codes = {code for code, _ in fired(Case(found, plan().settings))} & {"E1", "E2", "E3"}
    assert codes == {0.05: set(), 0.16: {"E1"}, 0.35: {"E2"}, 0.6: {"E3"}}[grade]


def test_ground_without_data_is_not_checked_and_not_called_level():
    on = dataclasses.replace(terrain(), z_m=np.full((60, 80), np.nan, np.float32))
    found = facts(on=on)
    assert math.isnan(found.slope_max_pct)
    assert "slope" in unchecked(Case(found, plan().settings), ())
    assert not Case(found, plan().settings).steeper(0.0)


# ---------------------------------------------------------------- notes


@pytest.mark.parametrize("language", ["en", "fr"])
def test_notes_of_one_section_come_once_each_and_missing_layers_as_not_checked(language):
    made = plan()
    settings = dataclasses.replace(made.settings, bush=dataclasses.replace(made.settings.bush, language=language))
    found = notes(
        section=made.sections[0], mainlines=made.mainlines, grouping=made.grouping, trees=made.trees, flow=made.flow,
        crossings=(), ground=small_bush.ground(missing=("power_line", "road")), terrain=terrain(), settings=settings,
    )
    real = [n.code for n in found if not n.not_checked]
    assert len(real) == len(set(real))
    asked = [dict(n.values)["layer"] for n in found if n.not_checked]
    assert len(asked) == len(set(asked))
    assert {"power_line", "road", "storm", "weather"} <= set(asked)
    assert {n.code for n in found if n.not_checked} == {"K7"}
