"""Laterals after the storm: mended past their lost trees, or their trees led to another line."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from pipeline.replan.damage import assess
from pipeline.replan.regroup import SPAN_SHARE, confidence_of, crosses, mended, regrouped
from pipeline.terrain.confidence import grade_confidence
from shapely.geometry import LineString, Point, box

import repair_scene as scene
from repair_scene import plan, site


def mend(*lost, k: int = 1, **more):
    here = site(*[("tree_down", t) for t in lost], **more)
    return mended(here, assess(here), here.plan.laterals[k])


def new_laterals(*rows, trees, lines=None, kept=(), **more):
    here = site(*rows, **more)
    return regrouped(here, assess(here), lines=here.plan.mainlines if lines is None else lines, kept=kept, trees=trees)


# ---------------------------------------------------------------- crossing


@pytest.mark.parametrize(("a", "b", "cross"), [
    ([(0, 0), (10, 0)], [(5, -5), (5, 5)], True), ([(0, 0), (10, 0)], [(0, 0), (0, 5)], False),
    ([(0, 0), (10, 0)], [(5, 0), (5, 5)], False), ([(0, 0), (10, 0)], [(5, -0.09), (5, 5)], False),
    ([(0, 0), (10, 0)], [(5, -0.11), (5, 5)], True), ([(0, 0), (10, 0)], [(0, 1), (10, 1)], False),
    ([(0, 0), (10, 0)], [(4, 0), (6, 0)], True), ([(0, 0), (10, 0)], [(9.95, 0), (20, 0)], False),
    ([(0, 0), (10, 0)], [(9.8, 0), (20, 0)], True), ([(0, 0), (5, 0), (5, 5)], [(5, 0), (9, -4)], False),
    ([(0, 0), (5, 0), (5, 5)], [(9, -4), (1, 4)], True),
])
def test_lines_cross_further_than_a_hand_from_their_ends(a, b, cross):
    """10 cm: a touch there is a joint, beyond it a crossing; lying on one another is a crossing too."""
    one, two = LineString(a), LineString(b)
    assert crosses(one, two) == crosses(two, one) == cross


def test_lines_that_cross_twice_cross_however_near_the_ends_the_first_time_is():
    zigzag = LineString([(-0.05, -1), (0.05, 1), (5, -1)])
    assert crosses(LineString([(0, 0), (10, 0)]), zigzag)


# ---------------------------------------------------------------- mending


@pytest.mark.parametrize(("lost", "left"), [
    ([], [2, 3, 4]), ([4], [2, 3]), ([2], [3, 4]), ([3], [2, 4]), ([2, 3], [4]), ([3, 4], [2]), ([2, 4], [3]),
])
def test_a_mended_lateral_keeps_entry_order_heights_and_the_trees_that_stand(lost, left):
    old, again = plan().laterals[1], mend(*lost).lateral
    rows = [0, *(old.tree.index(t) + 1 for t in left)]
    assert again.tree == tuple(left)
    assert again.taps == sum(scene.TREES[t][2] for t in left)
    assert np.array_equal(again.xyz_m, old.xyz_m[rows])
    assert (again.lateral_id, again.entry_station_m) == (old.lateral_id, old.entry_station_m)
    assert again.min_grade_pct >= old.min_grade_pct - 1e-9
    assert again.length_m <= old.length_m + 1e-9


def test_a_lateral_without_trees_is_not_mended_and_one_with_all_is_the_same_record():
    gone = mend(2, 3, 4)
    assert (gone.lateral, gone.why) == (None, "none of its trees is left")
    here = site(("tree_down", 0))
    assert mended(here, assess(here), here.plan.laterals[1]).lateral is here.plan.laterals[1]


def raised(height_m: float):
    """Return the hillside with a knoll between T2 and T4, right under where T3 is skipped."""
    made = scene.terrain()
    z = made.z_m.copy()
    row, col = (round(float(v)) for v in made.rowcol(61.0, 68.5))
    z[row - 1:row + 2, col - 1:col + 2] += np.float32(height_m)
    return dataclasses.replace(made, z_m=z)


@pytest.mark.parametrize(("height", "why"), [
    (0.0, ""), (0.8, ""), (1.1, "past its lost tree it would come too near to the ground"),
])
def test_the_piece_past_a_lost_tree_stays_half_its_lowest_height_above_ground(height, why):
    """The lateral hangs 1.3 m above the plane; half of 0.61 m must be left: 1.0 m of knoll is the limit."""
    here = dataclasses.replace(site(("tree_down", 3)), terrain=raised(height))
    got = mended(here, assess(here), here.plan.laterals[1])
    assert got.why == why
    assert (got.lateral is None) == bool(why)
    low = SPAN_SHARE * here.plan.settings.laterals.lowest_m
    piece = np.linspace(plan().laterals[1].xyz_m[1], plan().laterals[1].xyz_m[3], 200)
    room = (piece[:, 2] - here.terrain.sample(piece[:, 0], piece[:, 1])).min()
    assert (room < low) == bool(why)


def test_what_hangs_already_is_not_looked_at_again():
    """A knoll under a piece that stays as it is does not keep the lateral from being mended at its top."""
    here = dataclasses.replace(site(("tree_down", 4)), terrain=raised(3.0))
    assert mended(here, assess(here), here.plan.laterals[1]).why == ""


def test_a_mended_piece_does_not_cross_blocked_ground():
    blocked = np.zeros((scene.ROWS, scene.COLS), dtype=np.bool_)
    row, col = (round(float(v)) for v in scene.terrain().rowcol(61.0, 68.5))
    blocked[row, col] = True
    got = mend(3, on=scene.ground(lateral_blocked=blocked))
    assert got.why == "past its lost tree it would cross blocked ground"
    assert mend(4, on=scene.ground(lateral_blocked=blocked)).why == ""


@pytest.mark.parametrize(("other", "why"), [
    ([(60.0, 66.0), (62.5, 70.5)], "past its lost tree it would cross M1-L09"), ([(60.0, 70.0), (62.5, 72.5)], ""),
])
def test_a_mended_piece_does_not_cross_another_lateral(other, why):
    made = plan()
    xyz = np.array([(x, y, 108.0 + 0.1 * k) for k, (x, y) in enumerate(other)])
    extra = dataclasses.replace(made.laterals[2], lateral_id="M1-L09", tree=(6,), xyz_m=xyz)
    grouping = dataclasses.replace(made.grouping, laterals=(*made.laterals, extra), entry_ceiling_z_m=np.full(5, 115.0))
    assert mend(3, made=dataclasses.replace(made, grouping=grouping)).why == why


def test_a_mended_piece_does_not_cross_a_mainline():
    made = plan()
    branch = scene.line("M1.1", [(50, 45), (60, 64), (62, 74), (64, 84)], parent="M1", join_m=40.0)
    got = mend(3, made=dataclasses.replace(made, mainlines=(made.mainlines[0], branch)))
    assert got.why == "past its lost tree it would cross M1.1"


def test_confidence_is_asked_with_the_terrain_s_and_the_survey_s_own_errors():
    here = site()
    for length, fall in ((10.0, 0.5), (10.0, 0.21), (30.0, 3.0)):
        assert confidence_of(here)(length, fall) == grade_confidence(
            length_m=length, fall_m=fall, min_grade_pct=2.0, vertical_error_m=0.01, gps_error_m=1.0)


# ---------------------------------------------------------------- other lines


def test_no_tree_or_no_line_makes_no_lateral():
    assert new_laterals(trees=()) == ()
    assert new_laterals(trees=[2, 3], lines=()) == ()
    far = scene.line("M9", [(1, 1), (1, 3)])
    assert new_laterals(trees=[5, 6], lines=(far,)) == ()


@pytest.mark.parametrize("trees", [[2, 3, 4], [5, 6], [0, 1], [7, 8], [2, 3, 4, 5, 6]])
def test_new_laterals_serve_only_what_was_asked_and_each_tree_once(trees):
    made = new_laterals(trees=trees)
    served = [t for la, _ in made for t in la.tree]
    assert made
    assert len(set(served)) == len(served)
    assert set(served) <= set(trees)
    rules = plan().settings.laterals
    by_id = {m.mainline_id: m for m in plan().mainlines}
    for la, ceiling in made:
        assert la.taps == sum(scene.TREES[t][2] for t in la.tree) <= rules.max_taps
        assert la.length_m <= rules.max_length_m + 1e-9
        assert la.min_grade_pct >= rules.min_grade_pct - 1e-6
        assert np.allclose(la.xyz_m[0], np.array(by_id[la.mainline_id].at(la.entry_station_m)))
        assert la.xyz_m[0, 2] <= ceiling + 1e-9


def test_new_laterals_keep_out_of_blown_ground_and_off_stems():
    blown = box(53.0, 60.0, 55.0, 75.0)
    for la, _ in new_laterals(("blown_area", blown), trees=[2, 3, 4]):
        assert not LineString(la.xyz_m[:, :2]).intersects(blown)
    stem = LineString([(53.0, 62.0), (53.0, 70.0)])
    for la, _ in new_laterals(("stem", stem), trees=[2, 3, 4]):
        assert LineString(la.xyz_m[:, :2]).distance(stem) > 0.75


def test_blown_ground_all_round_leaves_no_way():
    ring = Point(70.0, 58.0).buffer(60.0).difference(Point(71.5, 58.5).buffer(3.4))
    assert new_laterals(("blown_area", ring), trees=[7, 8], lines=(plan().mainlines[0],)) == ()


@pytest.mark.parametrize("k", range(4))
def test_new_laterals_keep_off_those_that_stay(k):
    """Each lateral's trees are led anew while the other three stay."""
    laterals = plan().laterals
    kept = [la for i, la in enumerate(laterals) if i != k]
    spacing = plan().settings.laterals.entry_spacing_m
    made = new_laterals(trees=laterals[k].tree, kept=kept)
    assert made
    for la, _ in made:
        for other in kept:
            assert not crosses(LineString(la.xyz_m[:, :2]), LineString(other.xyz_m[:, :2]))
            if other.mainline_id == la.mainline_id:
                assert abs(other.entry_station_m - la.entry_station_m) >= spacing - 5e-3


def test_what_was_closed_before_is_remembered_and_changes_nothing():
    here = site(("tree_down", 3))
    found = assess(here)
    laterals = here.plan.laterals
    closed: dict = {}
    ask = {"lines": here.plan.mainlines, "kept": [laterals[0], laterals[2], laterals[3]], "trees": (2, 4)}
    first = regrouped(here, found, closed=closed, **ask)
    again = regrouped(here, found, closed=closed, **ask)
    plain = regrouped(here, found, **ask)
    assert closed
    for one, two in ((first, again), (first, plain)):
        assert [la.tree for la, _ in one] == [la.tree for la, _ in two]
        assert all(np.array_equal(a.xyz_m, b.xyz_m) for (a, _), (b, _) in zip(one, two, strict=True))


def test_the_ground_of_the_site_is_not_changed_by_what_is_closed():
    here = site(("blown_area", box(40, 60, 70, 75)))
    before = here.ground.lateral_blocked.copy()
    regrouped(here, assess(here), lines=here.plan.mainlines, kept=here.plan.laterals[:1], trees=(5, 6))
    assert np.array_equal(here.ground.lateral_blocked, before)
