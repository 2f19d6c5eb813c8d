"""Supports and heights of hung lines, on ground whose answer is known."""

from __future__ import annotations

from dataclasses import asdict, replace

import numpy as np
import pytest
from pipeline.hang import hang_final, hang_low
from pipeline.records import Mainline
from pipeline.settings import Settings
from pipeline.wire import chord_rules

from hang_scene import (
    falling,
    faults,
    hill,
    network,
    open_ground,
    outlet,
    rough,
    route,
    slope,
    stand_of,
)

S = falling(2.0)
RULES = chord_rules(S)
NONE = stand_of(slope(), [])


def hang(terrain, routes, *, trees=None, ground=None, settings=S, inlet_height_m=0.9, ceilings=()):
    """Hang routes low and as built; return both with their findings and the collection points."""
    ground = ground or open_ground(terrain, settings)
    ends = outlet(terrain, *routes[0].xy_m[0], inlet_height_m)
    low, said = hang_low(
        network=network(*routes), terrain=terrain, ground=ground, trees=trees or stand_of(terrain, []),
        collections=ends, settings=settings,
    )
    built, said_too = hang_final(
        mainlines=low, ceilings=ceilings, terrain=terrain, ground=ground, collections=ends, settings=settings
    )
    for lines, notes in ((low, said), (built, said_too)):
        broken = faults(lines, terrain, ground, settings, ends, ceilings if lines is built else ())
        assert bool(broken) == any(f.code == "HANG_INFEASIBLE" for f in notes), broken[:3]
    return low, said, built, said_too


# ---------------------------------------------------------------- heights


def test_on_a_plane_the_lowest_line_lies_on_its_lower_bound() -> None:
    low, said, built, said_too = hang(
        slope(grade_pct=5.0), [route("M1", [(10.3, 40.2), (100.3, 40.2)])], inlet_height_m=0.3
    )
    assert not said
    assert not said_too
    heights = [s.height_m for s in low[0].supports]
    assert heights[1:] == pytest.approx([RULES.lowest_m + RULES.sag_allowance_m] * (len(heights) - 1), abs=1e-4)
    assert heights[0] == pytest.approx(0.3, abs=1e-4)  # comes down to the inlet
    assert {s.binding for s in low[0].supports[1:]} == {"lowest"}
    assert low[0].supports[0].binding == "inlet"
    assert [s.height_m for s in built[0].supports] == pytest.approx([RULES.aim_m] * len(heights), abs=1e-4)
    assert {s.binding for s in built[0].supports} == {"aim"}


def test_on_level_ground_the_fall_is_made_by_height() -> None:
    """From the inlet at 0.9 m a line falling 2 % can stand 107 m off when it may be 3.05 m high."""
    low, said, built, _ = hang(slope(size=140, grade_pct=0.0), [route("M1", [(5.0, 40.0), (105.0, 40.0)])])
    assert not said
    top = low[0].supports[-1]
    assert top.height_m == pytest.approx(0.9 + 2.0, abs=1e-3)
    assert top.binding == "min_grade"
    grade = 100.0 * np.diff(built[0].xyz_m[:, 2]) / np.diff(built[0].station_m)
    assert grade == pytest.approx(np.full(len(grade), 2.0), abs=1e-3)


def test_the_straight_wire_falls_what_the_sag_takes_away_on_top_of_the_least_grade() -> None:
    """3 in pipe half full, 36.69 N/m, at 1112 N between ties 18 in apart loses 0.754 %."""
    low, said, built, _ = hang(
        slope(size=140, grade_pct=0.0), [route("M1", [(5.0, 40.0), (70.0, 40.0)])], settings=Settings()
    )
    assert not said
    for line in (low[0], built[0]):
        grade = 100.0 * np.diff(line.xyz_m[:, 2]) / np.diff(line.station_m)
        assert grade.min() == pytest.approx(2.754, abs=1e-3)


def test_a_line_too_long_for_level_ground_is_reported_where_it_leaves_the_window() -> None:
    _, said, _, said_too = hang(slope(size=180, grade_pct=0.0), [route("M1", [(5.0, 40.0), (155.0, 40.0)])])
    for notes in (said, said_too):
        assert [f.code for f in notes] == ["HANG_INFEASIBLE"]
        found = notes[0]
        assert (found.severity, found.subject_id, found.unit) == ("violation", "M1", "m")
        assert found.measured is not None
        assert found.limit is not None
        assert found.measured - found.limit == pytest.approx(0.9 + 0.02 * 150.0 - RULES.highest_m, abs=2e-3)
        assert "too high at 4+92" in found.text
        assert "too deep" in found.text


def test_a_dip_is_crossed_high_and_a_knoll_low() -> None:
    x = np.arange(120.0)
    z = np.broadcast_to(0.04 * x - 1.5 * np.exp(-(((x - 60.0) / 8.0) ** 2)), (120, 120)).copy()
    _, said, built, _ = hang(hill(z), [route("M1", [(10.3, 60.4), (110.3, 60.4)])])
    assert not said
    mid = [s for s in built[0].supports if abs(s.x_m - 60.0) < 6.0]
    assert max(s.height_m for s in mid) > RULES.aim_m + 0.3
    grade = np.diff(built[0].xyz_m[:, 2]) / np.diff(built[0].station_m) * 100.0
    ground = np.gradient(z[0])[10:110] * 100.0
    assert np.ptp(grade) < 0.5 * np.ptp(ground)


def test_ladder_heights_only_where_the_ground_forces_them() -> None:
    _, _, built, _ = hang(rough(3, bump_m=0.5), [route("M1", [(8.3, 40.2), (80.0, 52.0)])])
    assert max(s.height_m for s in built[0].supports) <= RULES.ladder_m + 1e-4
    x = np.arange(120.0)
    z = np.broadcast_to(0.04 * x - 3.0 * np.exp(-(((x - 60.0) / 6.0) ** 2)), (120, 120)).copy()
    low, _, built, _ = hang(hill(z), [route("M1", [(10.3, 60.4), (110.3, 60.4)])])
    forced = [s for s in built[0].supports if s.height_m > RULES.ladder_m + 1e-4]
    assert forced
    for s in forced:
        assert s.line_z_m <= np.interp(s.station_m, low[0].station_m, low[0].xyz_m[:, 2]) + 0.25


def test_the_built_line_is_of_more_even_grade_than_one_at_the_aim() -> None:
    terrain = rough(11, bump_m=0.5)
    _, _, built, _ = hang(terrain, [route("M1", [(8.3, 40.2), (80.0, 52.0)])])
    m = built[0]
    grade = np.diff(m.xyz_m[:, 2]) / np.diff(m.station_m) * 100.0
    at_aim = np.diff([s.ground_z_m + RULES.aim_m for s in m.supports]) / np.diff(m.station_m) * 100.0
    assert np.abs(np.diff(grade)).sum() < 0.6 * np.abs(np.diff(at_aim)).sum()


def test_the_end_comes_down_to_a_low_inlet_and_up_to_a_high_one() -> None:
    terrain = slope()
    for height in (0.2, 3.3):
        low, said, _, said_too = hang(terrain, [route("M1", [(10.0, 40.0), (90.0, 40.0)])], inlet_height_m=height)
        assert not said
        assert not said_too
        assert low[0].supports[0].height_m == pytest.approx(height, abs=1e-3)
        assert low[0].supports[1].height_m >= RULES.lowest_m
        assert low[0].supports[1].height_m <= RULES.highest_m


def test_ceilings_hold_the_built_line_down() -> None:
    terrain = slope()
    routes = [route("M1", [(10.0, 40.0), (90.0, 40.0)])]
    low, _, free, _ = hang(terrain, routes)
    station = 31.7
    limit = float(low[0].at(station)[2]) + 0.02
    assert float(free[0].at(station)[2]) > limit
    _, _, held, said = hang(terrain, routes, ceilings=(("M1", station, limit),))
    assert not said
    assert float(held[0].at(station)[2]) <= limit
    near = [s.binding for s in held[0].supports if abs(s.station_m - station) < RULES.max_support_gap_m]
    assert "ceiling" in near


def test_a_ceiling_below_the_window_is_a_finding() -> None:
    terrain = slope()
    _, _, _, said = hang(
        terrain, [route("M1", [(10.0, 40.0), (90.0, 40.0)])],
        ceilings=(("M1", 40.0, float(terrain.sample(50.0, 40.0)) + 0.4),),
    )
    assert {f.code for f in said} == {"HANG_INFEASIBLE"}
    assert any("lateral" in f.text or "too low" in f.text for f in said)


# ---------------------------------------------------------------- branches


BRANCHED = [
    route("M1", [(8.0, 30.0), (60.0, 30.0), (100.0, 45.0)]),
    route("M1.1", [(60.0, 30.0), (75.0, 80.0)], parent_id="M1", join_station_m=52.0),
    route("M1.2", [(83.2, 38.7), (110.0, 38.7)], parent_id="M1", join_station_m=52.0 + float(np.hypot(23.2, 8.7))),
]


def test_branches_meet_their_parent_at_a_support() -> None:
    low, said, built, _ = hang(rough(5, size=120), BRANCHED)
    assert not said
    for lines in (low, built):
        for branch in lines[1:]:
            end = branch.supports[0]
            meets = [s for s in lines[0].supports if abs(s.station_m - branch.join_station_m) < 1e-3]
            assert len(meets) == 1
            assert end.line_z_m == pytest.approx(meets[0].line_z_m, abs=1e-9)
            assert end.kind == "anchor"
            assert end.binding == "join"


def test_a_branch_that_needs_height_lifts_its_parent() -> None:
    """The branch leaves over a knoll: its lower window holds the wire up all the way to the join."""
    size = 120
    y, x = np.mgrid[0:size, 0:size].astype(float)
    y = size - 1 - y
    z = 0.05 * x + 1.0 * np.exp(-(((x - 60.0) / 6.0) ** 2) - (((y - 45.0) / 4.0) ** 2)) - 0.01 * (y - 30.0)
    terrain = hill(z)
    alone, _, _, _ = hang(terrain, BRANCHED[:1])
    both, _, _, _ = hang(terrain, [BRANCHED[0], route("M1.1", [(60.0, 30.0), (60.0, 46.0)], parent_id="M1",
                                                    join_station_m=52.0)])
    assert float(both[0].at(52.0)[2]) >= float(alone[0].at(52.0)[2]) - 1e-6


def test_pinned_lines_stay_exactly_as_they_are_and_branches_meet_them() -> None:
    terrain = slope(grade_pct=4.0)
    kept = route("M1", [(10.0, 40.0), (50.0, 40.0), (90.0, 40.0)], z=[1.5, 3.4, 5.0])
    branch = route("M1.1", [(50.0, 40.0), (70.0, 80.0)], parent_id="M1", join_station_m=40.0)
    low, said, built, said_too = hang(terrain, [kept, branch])
    assert not said
    assert not said_too
    for lines in (low, built):
        assert lines[0].pinned
        assert lines[0].xyz_m.tolist() == [[10.0, 40.0, 1.5], [50.0, 40.0, 3.4], [90.0, 40.0, 5.0]]
        assert {s.binding for s in lines[0].supports} == {"pinned"}
        assert lines[1].supports[0].line_z_m == 3.4


def test_a_free_parent_comes_to_its_pinned_branch() -> None:
    terrain = slope(grade_pct=4.0)
    z = float(terrain.sample(50.0, 40.0))
    kept = route("M1.1", [(50.0, 40.0), (70.0, 60.0)], parent_id="M1", join_station_m=40.0, z=[z + 1.7, z + 3.2])
    _, said, built, said_too = hang(terrain, [route("M1", [(10.0, 40.0), (90.0, 40.0)]), kept])
    assert not said
    assert not said_too
    assert float(built[0].at(40.0)[2]) == pytest.approx(z + 1.7, abs=1e-4)
    _, said, _, _ = hang(
        terrain, [route("M1", [(10.0, 40.0), (90.0, 40.0)]), replace(kept, low_z_m=kept.low_z_m + 4.0)]
    )
    assert any(f.code == "HANG_INFEASIBLE" for f in said)


def test_unknown_parents_and_outlets_are_refused() -> None:
    terrain = slope()
    with pytest.raises(ValueError, match=r"M1\.1: its parent 'M1' does not come before it"):
        hang(terrain, [BRANCHED[1], BRANCHED[0]])
    with pytest.raises(ValueError, match="no collection point 'C7'"):
        hang(terrain, [replace(BRANCHED[0], collection_id="C7")])


# ---------------------------------------------------------------- supports


def stations(line: Mainline) -> list[float]:
    return [s.station_m for s in line.supports]


def test_ids_count_upward_and_spans_keep_their_limit() -> None:
    low, _, _, said = hang(slope(), [route("M1", [(5.0, 40.0), (105.0, 40.0)])])
    assert [s.support_id for s in low[0].supports] == [f"M1-S{i:02d}" for i in range(len(low[0].supports))]
    assert np.diff(stations(low[0])).max() <= RULES.max_support_gap_m
    assert len(low[0].supports) == int(np.ceil(100.0 / RULES.max_support_gap_m)) + 1  # as few as will do
    assert not said


def test_three_digits_where_two_do_not_do() -> None:
    tight = replace(S, mainlines=replace(RULES, max_support_gap_m=2.0))
    low, _, _, _ = hang(slope(size=240), [route("M1", [(5.0, 40.0), (230.0, 40.0)])], settings=tight)
    assert len(low[0].supports) > 100
    assert low[0].supports[7].support_id == "M1-S007"


def test_trees_beside_the_line_hold_it_before_posts_do() -> None:
    terrain = slope()
    places = [(16.0 + 10.0 * i, 40.0 + (1.2 if i % 2 else -0.8)) for i in range(9)]
    low, _, _, _ = hang(terrain, [route("M1", [(10.0, 40.0), (105.0, 40.0)])], trees=stand_of(terrain, places))
    inner = low[0].supports[1:-1]
    assert {s.kind for s in inner} == {"tree"}
    for s in inner:
        tree = int(s.tree_id[1:])
        assert s.x_m == pytest.approx(places[tree][0])
        assert s.y_m == 40.0  # the support is on the line, the tree beside it
        # looking up the line is looking east: north is to the left
        assert s.offset_m == pytest.approx(40.0 - places[tree][1])


def test_dead_doubled_and_far_trees_hold_nothing_but_small_maples_do() -> None:
    terrain = slope()
    places = [(20.0, 40.5), (30.0, 40.5), (40.0, 40.5), (50.0, 45.0)]
    low, _, _, _ = hang(
        terrain, [route("M1", [(10.0, 40.0), (60.0, 40.0)])],
        trees=stand_of(terrain, places, ["DEAD", "DUPLICATE", "TOO_SMALL", ""]),
    )
    assert {s.tree_id for s in low[0].supports if s.kind == "tree"} == {"T2"}


def test_trees_without_a_place_are_no_supports() -> None:
    terrain = slope()
    trees = stand_of(terrain, [(30.0, 40.2), (float("nan"), float("nan"))], ["", "BAD_POSITION"])
    low, _, _, _ = hang(terrain, [route("M1", [(10.0, 40.0), (60.0, 40.0)])], trees=trees)
    assert "T0" in {s.tree_id for s in low[0].supports}


def test_ends_and_sharp_bends_are_anchors_and_gentle_ones_are_not() -> None:
    terrain = slope()
    low, _, _, _ = hang(
        terrain, [route("M1", [(10.0, 40.0), (50.0, 40.0), (90.0, 50.0), (95.0, 90.0)])],
        trees=stand_of(terrain, [(90.5, 50.2)]),
    )
    kind = {round(s.x_m): (s.kind, s.tree_id) for s in low[0].supports}
    assert kind[10][0] == kind[95][0] == "anchor"
    assert kind[90] == ("anchor", "T0")
    assert kind[50] == ("post", "")


def test_a_tree_that_holds_a_bend_is_not_taken_again_beside_it() -> None:
    terrain = slope()
    low, _, _, _ = hang(
        terrain, [route("M1", [(10.0, 40.0), (50.0, 40.0), (90.0, 55.0)])],
        trees=stand_of(terrain, [(51.2, 41.0), (30.0, 40.4), (70.0, 47.0)]),
    )
    held = [s.tree_id for s in low[0].supports if s.tree_id]
    assert sorted(held) == sorted(set(held))
    assert "T0" in held


def test_supports_stand_on_both_sides_of_a_crossing_and_none_in_it() -> None:
    terrain = slope()
    ground = open_ground(terrain, S)
    ground.support_blocked[:, 44:48] = True
    ground.lowest_m[:, 44:48] = 2.4
    trees = stand_of(terrain, [(46.0, 40.0), (49.0, 40.6)])  # one in the crossing, one just beyond
    _, said, built, said_too = hang(
        terrain, [route("M1", [(10.0, 40.0), (90.0, 40.0)])], ground=ground, trees=trees
    )
    assert not said
    assert not said_too
    x = np.array([s.x_m for s in built[0].supports])
    assert not ((x > 43.5) & (x < 47.5)).any()
    below, above = x[x <= 43.5].max(), x[x >= 47.5].min()
    assert 43.5 - below <= 0.5
    assert above == 49.0
    inside = np.arange(43.5, 47.5, 0.05)
    _, _, z = built[0].at(inside - 10.0)
    assert (z - terrain.sample(inside, np.full_like(inside, 40.0))).min() >= 2.4 + RULES.sag_allowance_m - 1e-4


def test_an_open_corner_in_a_crossing_gets_no_support() -> None:
    terrain = slope()
    ground = open_ground(terrain, S)
    ground.support_blocked[:, 44:49] = True
    ground.support_blocked[:, 46] = False
    _, said, built, _ = hang(terrain, [route("M1", [(10.0, 40.0), (90.0, 40.0)])], ground=ground)
    assert not said
    x = np.array([s.x_m for s in built[0].supports])
    assert not ((x > 43.5) & (x < 48.5)).any()
    # where the span over all of it would be too long the open corner is used
    tight = replace(S, mainlines=replace(RULES, max_support_gap_m=4.5))
    _, said, built, _ = hang(terrain, [route("M1", [(10.0, 40.0), (90.0, 40.0)])], ground=ground, settings=tight)
    assert not said
    x = np.array([s.x_m for s in built[0].supports])
    assert ((x > 45.5) & (x < 46.5)).any()


def test_a_vertex_on_the_straight_is_no_bend() -> None:
    terrain = slope()
    low, said, _, _ = hang(terrain, [route("M1", [(10.0, 40.0), (11.0, 40.0), (12.5, 40.0), (33.0, 40.0)])])
    assert not said
    assert len(low[0].supports) == 3


def test_a_crossing_wider_than_the_longest_span_is_reported() -> None:
    terrain = slope()
    ground = open_ground(terrain, S)
    ground.support_blocked[:, 40:60] = True
    _, said, _, said_too = hang(terrain, [route("M1", [(10.0, 40.0), (90.0, 40.0)])], ground=ground)
    for notes in (said, said_too):
        assert [(f.code, f.severity) for f in notes] == [("HANG_GAP", "check")]
        assert notes[0].measured == pytest.approx(20.0, abs=0.6)
        assert notes[0].limit == RULES.max_support_gap_m


def test_a_bend_on_blocked_ground_is_reported_and_kept() -> None:
    terrain = slope()
    ground = open_ground(terrain, S)
    ground.support_blocked[:, 49:52] = True
    low, said, _, _ = hang(terrain, [route("M1", [(10.0, 40.0), (50.0, 40.0), (90.0, 50.0)])], ground=ground)
    assert [(f.code, f.severity, f.measured) for f in said] == [("HANG_BLOCKED", "check", 40.0)]
    assert any(abs(s.x_m - 50.0) < 1e-9 for s in low[0].supports)


@pytest.mark.parametrize("hole", [(60, 63), (40, 85)])
def test_a_hole_in_the_terrain_is_reported_and_the_line_still_falls(hole: tuple[int, int]) -> None:
    terrain = slope()
    terrain.z_m[:, hole[0] : hole[1]] = np.nan
    common = {
        "terrain": terrain, "ground": open_ground(terrain, S), "settings": S,
        "collections": outlet(terrain, 10.0, 40.0),
    }
    low, said = hang_low(
        network=network(route("M1", [(10.0, 40.0), (90.0, 40.0)])), trees=stand_of(terrain, []), **common
    )
    built, said_too = hang_final(mainlines=low, ceilings=(), **common)
    for lines, notes in ((low, said), (built, said_too)):
        assert [(f.code, f.severity, f.subject_id) for f in notes] == [("HANG_NO_GROUND", "violation", "M1")]
        z = lines[0].xyz_m[:, 2]
        assert np.isfinite(z).all()
        assert (np.diff(z) >= 0.02 * np.diff(lines[0].station_m) - 1e-9).all()


def test_a_knoll_between_trees_gets_a_post() -> None:
    """Two trees 11 m apart would do on a plane; the knoll between them would have the wire through its top."""
    x = np.arange(60.0)
    bump = 1.5 * np.exp(-(((x - 30.0) / 3.0) ** 2))
    terrain = hill(np.broadcast_to(0.15 * x + bump, (60, 60)).copy())
    trees = stand_of(terrain, [(24.5, 30.3), (35.5, 30.3)])
    low_hung = replace(S, mainlines=replace(RULES, highest_m=2.0, ladder_m=2.0))
    low, said, _, _ = hang(terrain, [route("M1", [(18.0, 30.0), (42.0, 30.0)])], trees=trees, settings=low_hung)
    assert not said
    assert any(s.kind == "post" and 24.5 < s.x_m < 35.5 for s in low[0].supports)


# ---------------------------------------------------------------- the whole


def test_same_input_gives_the_same_lines() -> None:
    first, again = (hang(rough(8, size=120), BRANCHED) for _ in range(2))
    for lines, others in ((first[0], again[0]), (first[2], again[2])):
        assert [asdict(s) for m in lines for s in m.supports] == [asdict(s) for m in others for s in m.supports]


def test_two_outlets_are_hung_independently() -> None:
    terrain = slope()
    ground = open_ground(terrain, S)
    ends = (*outlet(terrain, 10.0, 40.0), replace(outlet(terrain, 10.0, 80.0)[0], collection_id="C2"))
    one = route("M1", [(10.0, 40.0), (90.0, 40.0)])
    two = replace(route("M2", [(10.0, 80.0), (90.0, 80.0)]), collection_id="C2")
    lines, said = hang_low(
        network=network(one, two), terrain=terrain, ground=ground, trees=NONE, collections=ends, settings=S
    )
    assert not said
    assert [m.mainline_id for m in lines] == ["M1", "M2"]
    assert lines[0].xyz_m[:, 2] == pytest.approx(lines[1].xyz_m[:, 2])


def test_one_bad_branch_leaves_the_other_lines_legal() -> None:
    """A branch over a pit it cannot bridge is reported; nothing is said about the rest, rightly."""
    size = 120
    terrain = slope(size=size, grade_pct=5.0)
    terrain.z_m[20:60, 76:100] -= 9.0
    routes = [
        route("M1", [(8.0, 30.0), (60.0, 30.0), (100.0, 30.0)]),
        route("M1.1", [(60.0, 30.0), (60.0, 100.0)], parent_id="M1", join_station_m=52.0),
        route("M1.2", [(80.0, 30.0), (80.0, 100.0)], parent_id="M1", join_station_m=72.0),
    ]
    ground = open_ground(terrain, S)
    ends = outlet(terrain, 8.0, 30.0)
    low, said = hang_low(
        network=network(*routes), terrain=terrain, ground=ground, trees=NONE, collections=ends, settings=S
    )
    assert {f.subject_id for f in said} == {"M1.2"}
    broken = faults(low, terrain, ground, S, ends)
    assert broken
    assert all(b.startswith("M1.2:") for b in broken)
    assert not any("falls" in b or "misses" in b for b in broken)
