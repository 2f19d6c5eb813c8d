"""Whole plans on terrains whose answer is known in closed form, the judge's word included.

Nothing is taken from a table here: the source of each answer is the arithmetic in the test. Two limits bracket what a
plan may do. The *outer* limit is physics and the settings alone: no line hangs under its lowest height (sag included)
or falls less than its least grade, no lateral ends above its highest height. Beyond it no tree may be served. The
*inner* limit adds what the planner keeps for itself (0.1 m to the window, 0.1 m for the hang, 0.02 % of grade, one step
of its lattice): within it every tree is served.
"""

from __future__ import annotations

import numpy as np
import pytest
from pipeline import run
from pipeline.mainlines.lattice import HANG_ABOVE_M, MARGIN_GRADE_PCT, MARGIN_LOW_M
from pipeline.records import Plan
from pipeline.settings import Settings
from pipeline.wire import chord_rules

from whole_plan import by_gravity, formula, given, scatter, served, settings_of, sound

# every tree is worth going for, so that only the ground decides
WORTH_M = 200.0


def low_m(settings: Settings) -> float:
    """Return the lowest that a straight wire hangs, its sag allowed for."""
    return settings.mainlines.lowest_m + settings.mainlines.sag_allowance_m


def grade(settings: Settings) -> float:
    """Return the least grade that the planner draws with."""
    return (chord_rules(settings).min_grade_pct + MARGIN_GRADE_PCT) / 100.0


def nearly_all_served(plan: Plan, which: np.ndarray) -> None:
    """Ask that gravity reaches all of some trees by the plan's own word, and that lines serve them.

    At quick effort up to two trees, or one in sixteen, may be left: a straightened line passes just beyond the reach,
    or the laterals that would serve them were not found.
    """
    assert by_gravity(plan)[which].all()
    assert (~served(plan)[which]).sum() <= max(2, which.sum() // 16)


def pocket(plan: Plan, code: str):
    """Return the one pocket of a code."""
    (finding,) = [f for f in plan.findings if f.code == f"POCKET_{code}"]
    return finding


# ---------------------------------------------------------------- plane


def test_tilted_plane_every_tree_above_the_tank_is_served_and_none_below() -> None:
    """On a plane of 5 % a line falls anywhere uphill: all 120 trees above are served, all 12 far below are not.

    The trees above stand at least 28 m up the plane and at most 80 m to the side, so that even across the slope
    0.05 * 28 + highest lateral is more than the inlet and 2 % of the way.
    Straight down the fall line the lowest line leaves the tank at its lowest height and rises, so a tree at the
    distance d below stands (0.05 + grade) d too low, less what a lateral may hang above a mainline, within 0.2 m (the
    lattice begins up to a step beside the tank, and knows sixteen directions).
    """
    settings = settings_of(tap_worth_m=WORTH_M)
    terrain = formula(lambda x, y: 100.0 + 0.05 * y, 200.0)
    above = scatter(11, 120, (20.0, 180.0), (98.0, 190.0))
    below = scatter(12, 12, (92.0, 108.0), (8.0, 25.0))
    plan = sound(run.make_plan(given(terrain, np.concatenate((above, below)), (100.0, 70.0), settings)), 132)
    nearly_all_served(plan, np.arange(132) < 120)
    assert set(plan.trees.reason[120:]) == {"BELOW_OUTLET"}
    away = np.hypot(below[:, 0] - 100.0, below[:, 1] - 70.0)
    inlet = max(0.9144, low_m(settings) + MARGIN_LOW_M)
    reach = settings.laterals.reach_m
    line = 100.0 + 0.05 * 70.0 + inlet + grade(settings) * (away - reach) + 0.02 * reach
    lift = line - (100.0 + 0.05 * below[:, 1] + settings.laterals.highest_m)
    assert plan.lift_m[120:] == pytest.approx(lift, abs=0.2)
    finding = pocket(plan, "BELOW_OUTLET")
    assert finding.measured == pytest.approx(lift.max(), abs=0.2)
    assert f"{finding.measured / 0.3048:.1f} ft" in finding.remedy


# ---------------------------------------------------------------- cone


def test_cone_with_the_tank_at_its_foot() -> None:
    """Trees round a cone of 20 %: a line may wind up it at the least grade, and no faster down than that.

    Inner: from the tank at radius R a path along the ground to (r, angle) is at most R * angle + (R - r) long; where
    20 % of (R - r) is at least the planner's grade over it (5 % longer for the sixteen directions of its moves), the
    line can follow the ground. Outer: no path is shorter than the straight line.
    """
    settings = settings_of(tap_worth_m=WORTH_M)
    foot, top = 100.0, np.array([120.0, 120.0])
    terrain = formula(lambda x, y: 130.0 - 0.2 * np.hypot(x - top[0], y - top[1]), 240.0)
    xy = scatter(4, 150, (20.0, 220.0), (12.0, 228.0))
    radius, angle = np.hypot(*(xy - top).T), np.arctan2(xy[:, 0] - top[0], top[1] - xy[:, 1])
    plan = sound(run.make_plan(given(terrain, xy, (120.0, 120.0 - foot), settings)), 150)
    path = foot * np.abs(angle) + foot - radius
    inner = 0.2 * (foot - radius) >= 1.05 * grade(settings) * path + MARGIN_LOW_M
    start = 130.0 - 0.2 * foot + 0.9144
    direct = np.hypot(xy[:, 0] - 120.0, xy[:, 1] - (120.0 - foot))
    outer = start + 0.02 * direct <= 130.0 - 0.2 * radius + settings.laterals.highest_m
    assert inner.sum() >= 40
    assert (~outer).sum() >= 10
    nearly_all_served(plan, inner)
    assert not served(plan)[~outer].any()


# ---------------------------------------------------------------- valley


def test_v_valley_both_flanks_are_served_from_lines_that_fall_with_the_floor() -> None:
    """A valley that rises 6 % along its floor and 25 % on its flanks: every tree stands above a way to the tank."""
    settings = settings_of(tap_worth_m=WORTH_M)
    terrain = formula(lambda x, y: 100.0 + 0.06 * y + 0.25 * np.abs(x - 120.0), 240.0)
    xy = scatter(3, 120, (80.0, 160.0), (40.0, 225.0))
    plan = sound(run.make_plan(given(terrain, xy, (120.0, 10.0), settings)), 120)
    nearly_all_served(plan, np.ones(120, dtype=bool))
    flank = plan.trees.x_m[served(plan)] > 120.0
    assert 0.3 < flank.mean() < 0.7
    # one outlet: all lines end at the tank at the foot of the valley
    assert {m.collection_id for m in plan.mainlines} == {"C1"}


# ---------------------------------------------------------------- saddle


def test_saddle_the_near_side_is_served_and_the_far_side_lacks_the_height_of_the_pass() -> None:
    """The ground is 100 + x^2 / 400 - y^2 / 400 about the pass; the tank lies south of it, 20 trees in its lee.

    Every line to the far side crosses y = 0, whose lowest place is the pass, so it hangs at least at
    100 + lowest there, and rises on its way north. Trees 60 m north stand 9 m under the pass.
    """
    settings = settings_of(tap_worth_m=WORTH_M)
    terrain = formula(lambda x, y: 100.0 + (x - 120.0) ** 2 / 400.0 - (y - 120.0) ** 2 / 400.0, 240.0)
    near, far = scatter(5, 60, (95.0, 145.0), (60.0, 115.0)), scatter(6, 20, (114.0, 126.0), (174.0, 186.0))
    plan = sound(run.make_plan(given(terrain, np.concatenate((near, far)), (120.0, 40.0), settings)), 80)
    nearly_all_served(plan, np.arange(80) < 60)
    assert set(plan.trees.reason[60:]) == {"BELOW_OUTLET"}
    away = np.hypot(far[:, 0] - 120.0, far[:, 1] - 120.0)
    reach = settings.laterals.reach_m
    line = 100.0 + low_m(settings) + MARGIN_LOW_M + grade(settings) * (away - reach) + 0.02 * reach
    lift = line - (terrain.sample(far[:, 0], far[:, 1]) + settings.laterals.highest_m)
    assert plan.lift_m[60:] == pytest.approx(lift, abs=0.12)
    assert pocket(plan, "BELOW_OUTLET").measured == pytest.approx(lift.max(), abs=0.12)


# ---------------------------------------------------------------- terrace


@pytest.mark.parametrize("drop_m", [0.2, 0.4])
def test_behind_a_step_the_trees_are_served_as_far_as_the_height_window_allows(drop_m: float) -> None:
    """Ground rises to an edge, drops by a step and runs level: the line passes the edge at its lowest height.

    Behind it line and lateral rise by the least grade for the distance s: the last tree is where
    lowest + grade * s = highest of a lateral - drop.
    """
    settings = settings_of(tap_worth_m=WORTH_M)
    edge, level = 60.0, settings.laterals.highest_m - drop_m
    outer = (level - low_m(settings)) / 0.02
    inner = (level - low_m(settings) - MARGIN_LOW_M - HANG_ABOVE_M) / grade(settings) - 4.0

    def height(x, y):
        return 100.0 + 0.05 * np.minimum(y, edge) - drop_m * np.clip((y - edge) / 2.0, 0.0, 1.0)

    y = edge + np.linspace(4.0, outer + 30.0, 60)
    xy = np.column_stack((70.0 + 60.0 * (0.381966 * np.arange(60) % 1.0), y))
    terrain = formula(height, 200.0)
    plan = sound(run.make_plan(given(terrain, xy, (100.0, 8.0), settings)), 60)
    behind = y - edge
    assert 8 <= (behind <= inner).sum() < (behind <= outer).sum() < 60
    nearly_all_served(plan, behind <= inner)
    assert not served(plan)[behind > outer].any()
    assert set(np.array(plan.trees.reason)[behind > outer]) == {"BELOW_OUTLET"}


@pytest.mark.parametrize("fits", [True, False])
def test_a_terrace_is_crossed_while_its_step_is_inside_the_height_window(fits: bool) -> None:
    """After the step the ground is level for 60 m, then rises: the trees stand on the rise, out of reach of the edge.

    The line leaves the edge at its lowest height and rises by the grade over 64 m to the end of the level, where the
    window ends. The step is 15 cm inside that limit, or 15 cm outside of it (outer limit: physics alone).
    """
    settings = settings_of(tap_worth_m=WORTH_M)
    window = settings.mainlines.highest_m - low_m(settings)
    drop = window - 2 * MARGIN_LOW_M - grade(settings) * 64.0 - 0.15 if fits else window - 0.02 * 64.0 + 0.15

    def height(x, y):
        ridge = 100.0 + 0.05 * np.minimum(y, 60.0)
        return ridge - drop * np.clip((y - 60.0) / 4.0, 0.0, 1.0) + 0.06 * np.maximum(y - 128.0, 0.0)

    terrain = formula(height, 260.0)
    near, beyond = scatter(6, 20, (105.0, 155.0), (25.0, 50.0)), scatter(7, 30, (115.0, 145.0), (190.0, 215.0))
    plan = sound(run.make_plan(given(terrain, np.concatenate((near, beyond)), (130.0, 10.0), settings)), 50)
    nearly_all_served(plan, np.arange(50) < (50 if fits else 20))
    if not fits:
        assert set(plan.trees.reason[20:]) <= {"BELOW_OUTLET", "NO_GRADE"}


# ---------------------------------------------------------------- bowl


def test_closed_bowl_is_left_out_with_the_lift_over_its_rim_and_its_surroundings_are_served() -> None:
    """A bowl 6 m deep and 70 m in radius on a cone's top: nothing on its floor is served.

    The lowest line crosses the rim at its lowest height and rises towards the middle, by the mainline's grade until
    a lateral reaches the tree: lift = depth + lowest + grade * (radius - r - reach) + 2 % * reach - highest lateral,
    within 0.12 m (sixteen directions, and the lattice's step across the rim).
    """
    settings = settings_of(tap_worth_m=WORTH_M)
    centre, radius, deep = np.array([150.0, 150.0]), 70.0, 6.0

    def height(x, y):
        r = np.hypot(x - centre[0], y - centre[1])
        return np.where(r < radius, 110.0 - deep * (1.0 - (r / radius) ** 2), 110.0 - 0.11 * (r - radius))

    terrain = formula(height, 300.0)
    inside, outside = scatter(9, 25, (130.0, 170.0), (130.0, 170.0)), scatter(10, 25, (125.0, 175.0), (40.0, 70.0))
    r = np.hypot(*(inside - centre).T)
    plan = sound(run.make_plan(given(terrain, np.concatenate((inside, outside)), (150.0, 10.0), settings)), 50)
    nearly_all_served(plan, np.arange(50) >= 25)
    assert set(plan.trees.reason[:25]) == {"BELOW_OUTLET"}
    reach = settings.laterals.reach_m
    line = 110.0 + low_m(settings) + MARGIN_LOW_M + grade(settings) * (radius - r - reach) + 0.02 * reach
    lift = line - (terrain.sample(inside[:, 0], inside[:, 1]) + settings.laterals.highest_m)
    # the rim nearest to a tree is the way in: all of the rim is equally high, and the tank lower than it by 7.7 m,
    # enough for a line half round it
    assert plan.lift_m[:25] == pytest.approx(lift, abs=0.12)
    finding = pocket(plan, "BELOW_OUTLET")
    assert finding.measured == pytest.approx(lift.max(), abs=0.12)
    assert finding.unit == "m"
    assert f"{finding.measured / 0.3048:.1f} ft" in finding.remedy
    assert not [m for m in plan.mainlines if (np.hypot(*(m.xyz_m[:, :2] - centre).T) < 40.0).any()]
