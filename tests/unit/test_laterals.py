"""Laterals on small stands whose answer is known or can be found by brute force."""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
import pytest
from pipeline.laterals import group, settle
from pipeline.laterals.blocks import split
from pipeline.laterals.heights import ceiling_m, steady
from pipeline.laterals.pieces_kernel import blocked, touches
from pipeline.laterals.scene import build
from pipeline.laterals.scene_kernel import TRUNK_M
from scipy.optimize import LinearConstraint, minimize

from lateral_referee import Referee
from lateral_sites import (
    Stand,
    blocking,
    mainline_of,
    open_ground,
    plane,
    raised,
    settings_of,
    stand,
    terrain_of,
    trees_of,
)


def small(x, y, taps=1, *, slope=0.05, along=0.02, ground=None, size=80.0) -> Stand:
    """One mainline along y = 10 on a plane that rises to the north, trees where told."""
    terrain = terrain_of(plane(along, slope), size)
    line = mainline_of(terrain, [(5.0, 10.0), (size - 5.0, 10.0)])
    return Stand((line,), terrain, ground or open_ground(terrain), trees_of(terrain, x, y, taps))


def planned(made: Stand, effort="thorough", **rules):
    return group(**made.given(), settings=settings_of(effort, **rules))


# ---------------------------------------------------------------- what is chosen


def test_three_trees_in_a_row_share_one_lateral():
    grouping, findings = planned(small([30.0, 30.0, 30.0], [15.0, 20.0, 25.0], [1, 2, 1]))
    assert [c.tree for c in grouping.laterals] == [(0, 1, 2)]
    lateral = grouping.laterals[0]
    assert (lateral.lateral_id, lateral.taps) == ("M1-L01", 4)
    # the slot nearest to x = 30 is at most half an entry spacing away
    assert abs(lateral.entry_station_m - 25.0) <= 0.9144 / 2 + 1e-9
    assert grouping.reason == ("", "", "")
    assert findings == ()


def test_far_apart_trees_take_a_lateral_each_numbered_upward():
    grouping, _ = planned(small([60.0, 15.0, 38.0], [14.0, 14.0, 14.0]))
    assert [(c.lateral_id, c.tree) for c in grouping.laterals] == [("M1-L01", (1,)), ("M1-L02", (2,)), ("M1-L03", (0,))]


def test_ids_take_three_digits_when_there_are_more_than_99():
    terrain = terrain_of(plane(0.02, 0.0), 700.0, 30.0)
    line = mainline_of(terrain, [(5.0, 10.0), (690.0, 10.0)])
    x = np.linspace(10.0, 680.0, 120)
    made = Stand((line,), terrain, open_ground(terrain), trees_of(terrain, x, np.full(120, 12.0), 10))
    grouping, _ = planned(made, "normal")
    ids = [c.lateral_id for c in grouping.laterals]
    assert len(ids) == 120
    assert ids[:2] == ["M1-L01", "M1-L02"]
    assert ids[-1] == "M1-L120"


def test_taps_split_a_row_that_one_lateral_could_reach():
    made = small([30.0] * 4, [13.0, 16.0, 19.0, 22.0], [4, 4, 4, 4])
    grouping, _ = planned(made, max_taps=10)
    assert sorted(c.taps for c in grouping.laterals) == [8, 8]


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("effort", ["normal", "thorough"])
def test_tiny_stands_equal_brute_force_over_all_partitions(seed, effort):
    """Every way to part up to seven trees, each part at its cheapest legal order and entry."""
    rng = np.random.default_rng(seed)
    n = 3 + seed % 5
    made = small(rng.uniform(25.0, 50.0, n), rng.uniform(12.0, 32.0, n), rng.integers(1, 3, n).tolist(), slope=0.08)
    settings = settings_of(effort)
    best = Referee(made, settings).columns()
    coverable = frozenset(t for key in best for t in key)

    def least(rest: frozenset[int]) -> float:
        if not rest:
            return 0.0
        first = min(rest)
        others = sorted(rest - {first})
        return min(
            best.get(part, math.inf) + least(rest - part)
            for size in range(len(others) + 1)
            for more in itertools.combinations(others, size)
            for part in [frozenset({first, *more})]
        )

    grouping, _ = group(**made.given(), settings=settings)
    assert Referee(made, settings).audit(grouping) == []
    assert grouping.objective_m >= least(coverable) - 1e-6
    # two tenths of a metre: the price of keeping entries apart, which brute force does not
    assert grouping.objective_m <= least(coverable) + 0.2
    assert grouping.lower_bound_m <= grouping.objective_m + 1e-6


def test_quick_serves_the_same_trees_a_little_dearer():
    made = stand(150, 4)
    exact, _ = planned(made, "normal")
    quick, _ = planned(made, "quick")
    referee = Referee(made, settings_of())
    assert referee.audit(exact) == []
    assert referee.audit(quick) == []
    assert [r == "" for r in quick.reason] == [r == "" for r in exact.reason]
    assert exact.objective_m <= quick.objective_m <= 1.08 * exact.objective_m
    # a bound of either method is a bound of both
    assert max(exact.lower_bound_m, quick.lower_bound_m) <= exact.objective_m + 1e-6


def test_blocks_cost_little_and_stay_legal(monkeypatch):
    made = stand(260, 7)
    whole, _ = planned(made, "normal")
    monkeypatch.setattr("pipeline.laterals.blocks.BLOCK_TREES", 60)
    parts, _ = planned(made, "normal")
    assert Referee(made, settings_of()).audit(parts) == []
    assert sum(len(c.tree) for c in parts.laterals) == sum(len(c.tree) for c in whole.laterals)
    assert parts.objective_m <= 1.01 * whole.objective_m
    # the bound put together from blocks is a bound of the whole, and a useful one
    assert 0.97 * whole.objective_m <= parts.lower_bound_m <= whole.objective_m + 1e-6


def test_split_keeps_every_point_once():
    rng = np.random.default_rng(3)
    xy = rng.uniform(0, 100, (997, 2))
    groups = split(np.arange(997), xy, 100, 0.4)
    assert max(map(len, groups)) <= 100
    assert np.array_equal(np.sort(np.concatenate(groups)), np.arange(997))


def test_the_same_input_gives_the_same_plan():
    made = stand(120, 9)
    first, _ = planned(made, "normal")
    again, _ = planned(made, "normal")
    assert [(c.lateral_id, c.tree, c.entry_station_m) for c in first.laterals] == [
        (c.lateral_id, c.tree, c.entry_station_m) for c in again.laterals
    ]


def test_no_trees_and_no_mainlines_are_no_fault():
    made = small([], [])
    assert planned(made)[0].laterals == ()
    bare = dataclasses.replace(small([30.0], [15.0]), mainlines=())
    grouping, findings = planned(bare)
    assert grouping.reason == ("OUT_OF_REACH",)
    assert [f.code for f in findings] == ["OUT_OF_REACH"]


# ---------------------------------------------------------------- why not


def test_reasons_of_survey_and_network_are_kept():
    made = small([30.0, 34.0, 38.0], [15.0, 15.0, 15.0])
    trees = dataclasses.replace(
        made.trees, status=("served", "not_tapped", "served"), reason=("", "TOO_SMALL", ""), taps=np.array([1, 0, 1])
    )
    grouping, _ = group(
        mainlines=made.mainlines, terrain=made.terrain, ground=made.ground, trees=trees,
        reason=("", "", "NOT_WORTH_IT"), settings=settings_of(),
    )
    assert grouping.reason == ("", "TOO_SMALL", "NOT_WORTH_IT")
    assert [c.tree for c in grouping.laterals] == [(0,)]


def test_out_of_reach_is_told_once_for_a_pocket():
    grouping, findings = planned(small([30.0, 30.0, 34.0], [15.0, 60.0, 60.0]))
    assert grouping.reason == ("", "OUT_OF_REACH", "OUT_OF_REACH")
    assert [(f.code, f.subject_id) for f in findings] == [("OUT_OF_REACH", "T0002")]


def test_a_tree_below_its_mainline_is_too_low_by_a_known_lift():
    """Ground falls 40 % away from the line: a tree 20 m below is 8 m down; the label rises, the window does not."""
    made = small([40.0], [30.0], slope=-0.40)
    grouping, findings = planned(made)
    assert grouping.reason == ("NO_LATERAL",)
    assert "too low" in findings[0].text
    # the entry is best taken as far downstream as a lateral is long: there the line is lowest
    rule = settings_of().laterals
    line = made.mainlines[0]
    x, y, z = line.at(np.arange(line.plan_length_m, 0.5, -rule.entry_spacing_m))
    d = np.hypot(x - 40.0, y - 30.0)
    lift = z + 0.02 * d - (made.trees.ground_z_m[0] + rule.highest_m)
    assert findings[0].measured == pytest.approx(lift[d <= rule.max_length_m].min(), abs=1e-6)


def test_blocked_ground_cuts_a_tree_off_and_says_so():
    terrain = terrain_of(plane(0.02, 0.05), 80.0)
    made = small([40.0, 20.0], [25.0, 20.0], ground=blocking(terrain, 0.0, 15.0, 79.0, 16.0))
    grouping, findings = planned(made)
    assert grouping.reason == ("NO_LATERAL", "NO_LATERAL")
    assert "no lateral may cross" in findings[0].text
    opened = small([40.0, 20.0], [25.0, 20.0], ground=blocking(terrain, 30.0, 15.0, 79.0, 16.0))
    served, _ = planned(opened)
    assert served.reason[1] == ""


def test_a_thin_diagonal_obstacle_is_not_slipped_through():
    """Cells that touch only by corners still stop a piece that passes exactly between them."""
    mask = np.zeros((20, 20), dtype=bool)
    mask[np.arange(20), np.arange(20)] = True
    assert blocked(mask, 0.0, 19.0, 1.0, 2.0, 5.0, 15.0, 6.0)
    assert blocked(mask, 0.0, 19.0, 1.0, 2.0, 2.0, 15.0, 17.2)
    assert not blocked(mask, 0.0, 19.0, 1.0, 2.0, 2.0, 8.0, 9.0)


def test_a_tree_with_too_many_taps_says_so():
    grouping, findings = planned(small([30.0], [15.0], 12))
    assert grouping.reason == ("NO_LATERAL",)
    assert (findings[0].measured, findings[0].limit, findings[0].unit) == (12.0, 10.0, "taps")


def test_no_lateral_runs_through_another_mainline():
    """A second mainline, too high for it, stands between a tree and the first one."""
    terrain = terrain_of(plane(0.02, 0.05), 80.0)
    lines = (
        mainline_of(terrain, [(5.0, 10.0), (75.0, 10.0)], "M1"),
        mainline_of(terrain, [(5.0, 20.0), (75.0, 20.0)], "M2", height_m=3.0),
    )
    made = Stand(lines, terrain, open_ground(terrain), trees_of(terrain, [40.0, 40.0], [17.0, 24.0]))
    grouping, findings = planned(made)
    assert grouping.reason == ("", "NO_LATERAL")
    assert findings[0].subject_id == "T0002"
    alone = dataclasses.replace(made, mainlines=lines[:1])
    assert planned(alone)[0].reason == ("", "")


def test_a_tree_on_a_mainline_is_entered_at_its_trunk_only():
    """0.2 mm west of a line, and its lateral goes on to the east: from an entry 2 m off it would cross the line."""
    terrain = terrain_of(plane(0.06, 0.05), 60.0)
    line = mainline_of(terrain, [(20.0, 10.0), (20.0, 50.0)])
    trees = trees_of(terrain, [20.0 - 2e-4, 24.0], [30.3, 33.0])
    scene = build(
        mainlines=(line,), terrain=terrain, ground=open_ground(terrain), trees=trees,
        open_tree=np.ones(2, dtype=bool), laterals=settings_of().laterals,
    )
    legal = scene.entry_slot >= 0
    assert legal[0].any()
    assert scene.entry_dist[0][legal[0]].max() <= TRUNK_M
    assert legal[1].sum() > 2
    assert 1 in scene.neighbour[0]  # and goes on from there


def test_a_hump_under_a_span_lifts_or_forbids_it():
    """A ridge 1.2 m high between two trees: no straight piece from one to the other clears it."""

    def height(x, y):
        return 100.0 + 0.02 * x + 0.03 * y + 1.9 * np.exp(-((y - 20.0) ** 2) / 2.0)

    terrain = terrain_of(height, 80.0)
    line = mainline_of(terrain, [(5.0, 10.0), (75.0, 10.0)])
    made = Stand((line,), terrain, open_ground(terrain), trees_of(terrain, [40.0, 40.0], [15.0, 25.0]))
    grouping, _ = planned(made)
    assert all(c.tree != (0, 1) for c in grouping.laterals)
    assert Referee(made, settings_of()).audit(grouping) == []


def test_turns_back_on_itself_are_not_made():
    """Two trees beside each other and one back near the line: never joined by a hairpin."""
    made = stand(200, 12)
    grouping, _ = planned(made)
    for lateral in grouping.laterals:
        piece = np.diff(lateral.xyz_m[:, :2], axis=0)
        size = np.hypot(*piece.T)
        for u, v, a, b in zip(piece, piece[1:], size, size[1:], strict=False):
            if min(a, b) >= 1.5:
                assert math.degrees(math.acos(np.clip(u @ v / (a * b), -1, 1))) <= 100.0 + 1e-6


# ---------------------------------------------------------------- heights


def test_settled_fall_is_the_aim_where_the_window_allows():
    made = small([30.0, 30.0], [16.0, 26.0], slope=0.05, along=0.0)
    settings = settings_of()
    grouping, _ = group(**made.given(), settings=settings)
    settled, findings = settle(
        grouping=grouping, mainlines=made.mainlines, terrain=made.terrain, trees=made.trees, settings=settings
    )
    lateral = settled.laterals[0]
    run = np.hypot(*np.diff(lateral.xyz_m[:, :2], axis=0).T)
    assert np.diff(lateral.xyz_m[:, 2]) / run * 100.0 == pytest.approx([5.0, 5.0], abs=1e-6)
    assert findings == ()
    assert lateral.grade_confidence == "unknown"


def test_a_mainline_at_the_ceiling_is_legal_and_above_it_the_lateral_goes():
    made = stand(60, 5)
    settings = settings_of()
    referee = Referee(made, settings)
    grouping, _ = group(**made.given(), settings=settings)
    for k, lateral in enumerate(grouping.laterals):
        line = next(m for m in made.mainlines if m.mainline_id == lateral.mainline_id)
        room = grouping.entry_ceiling_z_m[k] - lateral.xyz_m[0, 2]
        assert room >= -1e-9
        one = dataclasses.replace(grouping, laterals=(lateral,), entry_ceiling_z_m=grouping.entry_ceiling_z_m[[k]])
        rest = {"terrain": made.terrain, "trees": made.trees, "settings": settings}
        at, findings = settle(grouping=one, mainlines=(raised(line, room),), **rest)
        assert findings == ()
        lifted = dataclasses.replace(made, mainlines=(raised(line, room),))
        assert Referee(lifted, settings)._audit_one(at.laterals[0]) == []
        above, findings = settle(grouping=one, mainlines=(raised(line, room + 0.02),), **rest)
        assert above.laterals == ()
        assert [f.code for f in findings] == ["LATERAL_TAKEN_OUT"]
        assert all(above.reason[t] == "NO_LATERAL" for t in lateral.tree)
    assert referee.audit(grouping) == []


def test_settling_keeps_ids_and_accounts_for_every_tree():
    made = stand(120, 6, slope=0.09)
    settings = settings_of()
    grouping, _ = group(**made.given(), settings=settings)
    higher = tuple(raised(m, 0.5) for m in made.mainlines)
    settled, findings = settle(
        grouping=grouping, mainlines=higher, terrain=made.terrain, trees=made.trees, settings=settings
    )
    ids = {c.lateral_id: c.tree for c in grouping.laterals}
    assert all(ids[c.lateral_id] == c.tree for c in settled.laterals)
    assert {f.subject_id for f in findings} == set(ids) - {c.lateral_id for c in settled.laterals}
    assert len(settled.entry_ceiling_z_m) == len(settled.laterals)
    assert Referee(dataclasses.replace(made, mainlines=higher), settings).audit(settled) == []


def test_a_lateral_whose_mainline_is_gone_is_taken_out():
    made = small([30.0], [15.0])
    grouping, _ = planned(made)
    settled, findings = settle(
        grouping=grouping, mainlines=(), terrain=made.terrain, trees=made.trees, settings=settings_of()
    )
    assert settled.laterals == ()
    assert settled.reason == ("NO_LATERAL",)
    assert "M1 is no more" in findings[0].text


def test_confidence_is_that_of_the_least_sure_piece():
    made = small([30.0, 30.0], [14.0, 26.0])
    grouping, _ = planned(made)
    assert len(grouping.laterals) == 1
    settled, _ = settle(
        grouping=grouping, mainlines=made.mainlines, terrain=made.terrain, trees=made.trees, settings=settings_of(),
        confidence=lambda run_m, fall_m: "high" if run_m > 10.0 and fall_m > 0.0 else "level it",
    )
    assert settled.laterals[0].grade_confidence == "level it"


@pytest.mark.parametrize("seed", range(25))
def test_the_string_is_the_least_squares_fall(seed):
    """Against scipy's trust-constr on the same programme: least sum of d (grade - aim)^2 in the window."""
    rng = np.random.default_rng(seed)
    n = int(rng.integers(1, 7))
    dist = rng.uniform(2.0, 9.0, n)
    start, least, aim = 100.0, 0.02, 0.05
    ground = start - 0.8 + np.cumsum(dist * rng.uniform(-0.02, 0.14, n))
    low = np.empty(n)
    z = start
    for i in range(n):
        z = low[i] = max(ground[i] + 0.6, z + least * dist[i])
    high = np.maximum(ground + 1.8, low + 0.01)
    got = steady(dist_m=dist, entry_z_m=start, low_m=low, high_m=high, min_grade=least, aim_grade=aim)

    def cost(v):
        return float(np.sum(dist * (np.diff(np.concatenate([[start], v])) / dist - aim) ** 2))

    fall = np.eye(n) - np.eye(n, k=-1)
    rise = least * dist
    rise[0] += start
    solved = minimize(
        cost, low, method="SLSQP", bounds=list(zip(low, high, strict=True)),
        constraints=[{"type": "ineq", "fun": lambda v: fall @ v - rise, "jac": lambda v: fall}],
        options={"maxiter": 500, "ftol": 1e-14},
    )
    assert LinearConstraint(fall, rise).residual(got)[0].min() >= -1e-9
    assert (got >= low - 1e-9).all()
    assert (got <= high + 1e-9).all()
    assert cost(got) <= cost(np.clip(solved.x, low, high)) + 1e-7


def test_ceiling_of_a_hand_sum():
    """Trees 10 and 20 m up, ground 101 and 101.1, highest 1.8 m, 2 %: min(102.8 - 0.2, 102.9 - 0.4) = 102.5."""
    xy = np.array([[0.0, 0.0], [10.0, 0.0], [20.0, 0.0]])
    got = ceiling_m(xy_m=xy, ground_z_m=np.array([101.0, 101.1]), highest_m=1.8, grade=0.02)
    assert got == pytest.approx(102.5)


def test_touching_is_symmetric_and_closed():
    assert touches(0.0, 0.0, 2.0, 0.0, 1.0, 0.0, 1.0, 5.0)  # a tee
    assert touches(0.0, 0.0, 2.0, 2.0, 0.0, 2.0, 2.0, 0.0)  # a cross
    assert touches(0.0, 0.0, 1.0, 0.0, 1.0, 0.0, 2.0, 3.0)  # end to end
    assert touches(0.0, 0.0, 3.0, 0.0, 1.0, 0.0, 2.0, 0.0)  # one in the other
    assert not touches(0.0, 0.0, 1.0, 0.0, 1.5, 0.0, 2.0, 0.0)
    assert not touches(0.0, 0.0, 1.0, 0.0, 0.0, 1e-9, 1.0, 1e-9)
