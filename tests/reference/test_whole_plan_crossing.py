"""A road that may be crossed high: the line goes up to its clearance, over, and comes down again.

The clearance is the 15.5 ft that ``templates/rules.csv`` names with its source. The closed-form part: on its upper
side a line still falls at the least grade, so it comes down against ground of grade g by (g - least grade) a metre.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from pipeline import reading, run
from pipeline.errors import NoPlanError
from pipeline.ground import CROSSING_ROOM_M, prepare
from pipeline.hang import hang_low
from pipeline.records import Pins
from pipeline.settings import GROUND_DEFAULTS
from shapely.geometry import LineString

from hang_scene import faults, network, outlet, route, slope, stand_of
from whole_plan import formula, given, layer, served, settings_of, sound

CLEARANCE_M = GROUND_DEFAULTS["road"].clearance_m


def road(y_m: float = 0.0, *, east_m: float | None = None):
    """Return a road across the site: along y, or along x at an easting."""
    line = LineString([(-50, y_m), (400, y_m)]) if east_m is None else LineString([(east_m, -50), (east_m, 400)])
    return layer("road", [line], "cross", buffer_m=2.0, clearance_m=CLEARANCE_M)


def test_the_default_clearance_is_above_the_window_of_a_mainline() -> None:
    assert settings_of().mainlines.highest_m < CLEARANCE_M


@pytest.mark.parametrize(("grade_pct", "hangs"), [(12.0, True), (8.0, True), (3.0, False)])
def test_a_hand_built_line_hangs_over_the_road_where_the_ground_rises_enough(grade_pct: float, hangs: bool) -> None:
    """At 3 % of ground the line comes down by 1 % only: 1.7 m take 170 m, three times what the ramp allows."""
    settings = settings_of(ladder_m=2.0)
    terrain = slope(240, grade_pct)
    ground, _ = prepare(terrain=terrain, layers=(road(east_m=80.0),), pins=Pins(), settings=settings)
    collections = outlet(terrain, 20.0, 120.0)
    lines, findings = hang_low(
        network=network(route("M1", [(20.0, 120.0), (210.0, 120.0)])), terrain=terrain, ground=ground,
        trees=stand_of(terrain, []), collections=collections, settings=settings,
    )
    assert ([f.code for f in findings] == []) is hangs
    if not hangs:
        assert {f.code for f in findings} == {"HANG_INFEASIBLE"}
        return
    assert faults(lines, terrain, ground, settings, collections) == []
    (line,) = lines
    station = np.arange(0.0, line.plan_length_m, 0.25)
    x, y, z = line.at(station)
    height = z - terrain.sample(x, y)
    assert height[np.abs(x - 80.0) <= 2.0].min() >= CLEARANCE_M
    assert height.max() <= CLEARANCE_M + CROSSING_ROOM_M + 1e-6
    assert height[-1] <= settings.mainlines.highest_m


def scene(grade: float) -> reading.Inputs:
    """Return 60 trees on a plane, all on the far side of a road; the tank on the near side."""
    rng = np.random.default_rng(7)
    terrain = formula(lambda x, y: 100.0 + grade * y, 240.0)
    xy = np.column_stack((rng.uniform(90.0, 150.0, 60), rng.uniform(150.0, 225.0, 60)))
    return given(terrain, xy, (120.0, 10.0), settings_of(tap_worth_m=30.0), layers=[road(80.0)])


def test_a_whole_plan_crosses_the_road_and_the_judge_passes_it_with_its_notes() -> None:
    plan = sound(run.make_plan(scene(0.10)), 60)
    assert served(plan).sum() >= 55
    over = [c for c in plan.crossings if c.kind == "road"]
    assert len(over) >= 1
    for crossing in over:
        assert CLEARANCE_M - 0.06 <= crossing.clearance_m <= CLEARANCE_M + CROSSING_ROOM_M
    notes = {f.code: f for f in plan.findings}
    assert notes["HIGH_CROSSING"].severity == "note"
    assert notes["LADDER_WORK"].measured >= 2.0
    high = [s for m in plan.mainlines for s in m.supports if s.height_m > plan.settings.mainlines.highest_m]
    assert high
    # none of them is farther from the road than the way down takes: 2.27 m at 5 % and what cells add
    assert max(abs(s.y_m - 80.0) for s in high) <= 2.0 + 2.28 / 0.05 + 2.5 * 2.0


def test_the_judge_still_finds_a_line_that_is_high_where_no_crossing_asks_for_it() -> None:
    from pipeline.judge import judge

    made = run.make_plan(scene(0.10))
    bare = dataclasses.replace(made.ground, layers=())
    codes = {f.code for f in judge(made.plan, made.terrain, bare) if f.severity == "violation"}
    assert "MAINLINE_HIGH" in codes


def test_on_ground_too_gentle_to_come_down_again_there_is_no_plan_and_the_error_says_so() -> None:
    with pytest.raises(NoPlanError, match="a line that can be hung"):
        run.make_plan(scene(0.03))
