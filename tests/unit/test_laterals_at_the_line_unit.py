"""Trees that stand exactly on a mainline, on one another, or nowhere: laterals, rules and reasons at the edges."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from pipeline import run
from pipeline.judge import twigs
from pipeline.laterals import group
from pipeline.laterals.scene import slots_of
from pipeline.laterals.settling import settle
from pipeline.mainlines import plan_network
from pipeline.records import Lateral, Pins

import small_bush
import whole_plan
from lateral_sites import mainline_of, open_ground, plane, settings_of, terrain_of, trees_of
from mainline_sites import formula, quick, site_of


def lateral(*rows) -> Lateral:
    return Lateral("L", "M1", 0.0, tuple(range(len(rows) - 1)), 1, np.array(rows, dtype=float))


@pytest.mark.parametrize(("rows", "grade"), [
    ([(0, 0, 1), (0, 0, 1), (0, 10, 1.5)], 5.0),  # a tree on the line, then 5 %
    ([(0, 0, 1), (0, 0, 1)], 100.0), ([(0, 0, 1), (0, 0, 1.4)], 100.0),
    ([(0, 0, 1), (1e-9, 0, 1), (0, 10, 1.2)], 2.0),
    ([(0, 0, 1), (0, 10, 1.5), (0, 10, 1.5)], 5.0),  # two stems at one place
    ([(0, 0, 1), (0, 0.01, 1.0)], 0.0),  # a centimetre of level pipe is level
])
def test_a_piece_without_length_takes_no_fall_from_a_lateral(rows, grade):
    assert lateral(*rows).min_grade_pct == pytest.approx(grade, rel=1e-6)


@pytest.mark.parametrize(("up", "told"), [(0.0, False), (0.3, False), (-0.05, True)])
def test_the_judge_asks_no_fall_of_a_piece_without_length_but_sees_one_that_drops(up, told):
    made = small_bush.plan()
    first = made.laterals[0]
    xyz = np.insert(first.xyz_m, 1, first.xyz_m[0] + (0.0, 0.0, up), axis=0)
    xyz[2:, 2] = xyz[1, 2] + 0.1 * np.cumsum(np.hypot(*np.diff(xyz[1:, :2], axis=0).T))  # the rest falls 10 %
    own = dataclasses.replace(first, tree=(3, *first.tree), xyz_m=xyz)
    grouping = dataclasses.replace(made.grouping, laterals=(own, *made.laterals[1:]))
    case = small_bush.case(dataclasses.replace(made, grouping=grouping))
    found = [f for f in twigs.limits(case) if f.code == "LATERAL_GRADE"]
    assert bool([f for f in found if f.subject_id == own.lateral_id]) is told


@pytest.mark.parametrize("effort", ["quick", "normal"])
def test_a_tree_at_an_entry_heads_a_lateral_that_goes_on_uphill(effort):
    terrain = terrain_of(plane(0.03, 0.0), 80.0)
    line = mainline_of(terrain, [(5, 40), (75, 40)])
    settings = settings_of(effort)
    x, y, z = slots_of((line,), settings.laterals.entry_spacing_m)[0][20]
    trees = trees_of(terrain, [x, x, x + 12.0], [y, y + 4.0, y + 1.5])
    given = {"mainlines": (line,), "terrain": terrain, "trees": trees, "settings": settings}
    made, findings = group(**given, ground=open_ground(terrain), reason=("",) * 3)
    assert made.reason == ("",) * 3
    assert findings == ()
    hung, lost = settle(grouping=made, **given)
    assert lost == ()
    (own,) = [la for la in hung.laterals if 0 in la.tree]
    assert own.tree[0] == 0
    assert own.xyz_m[:2] == pytest.approx(np.array([(x, y, z)] * 2))
    assert own.min_grade_pct >= settings.laterals.min_grade_pct - 1e-9
    assert np.isfinite(own.min_grade_pct)


def test_a_pinned_line_that_ends_at_a_maple_gives_a_plan_without_a_broken_rule():
    """The line was surveyed from tree to tree; the last one is tapped and the line ends at it."""
    terrain = whole_plan.formula(lambda x, y: 100.0 + 0.06 * y, 120.0)
    held = [(60.0, y) for y in (25.0, 40.0, 55.0, 70.0, 85.0)]
    beside = [(66.0, 30.0), (52.0, 44.0), (70.0, 60.0), (50.0, 75.0), (68.0, 84.0)]
    line = np.array([(60.0, 10.0, 101.6), *((x, y, 101.1 + 0.06 * y) for x, y in held)])
    result = run.make_plan(whole_plan.given(terrain, np.array(held + beside), (60.0, 10.0),
                                            pins=Pins(lines={"M1": line})))
    assert whole_plan.violations(result.plan) == []
    top = [la for la in result.plan.laterals if 4 in la.tree]
    assert len(top) == 1
    assert top[0].entry_station_m == pytest.approx(75.0)
    count = whole_plan.account(result.plan)
    assert sum(count.values()) == 10
    assert count["served"] >= 6


@pytest.mark.parametrize("stems", [2, 3, 4])
def test_stems_at_one_place_have_a_lateral_each_at_entries_apart_or_a_reason(stems):
    terrain = terrain_of(plane(0.03, 0.05), 60.0)
    line = mainline_of(terrain, [(5, 20), (55, 20)])
    settings = settings_of()
    trees = trees_of(terrain, [30.0] * stems, [26.0] * stems)
    made, _ = group(mainlines=(line,), terrain=terrain, ground=open_ground(terrain), trees=trees,
                    reason=("",) * stems, settings=settings)
    served = sorted(t for la in made.laterals for t in la.tree)
    assert served == [i for i, r in enumerate(made.reason) if r == ""]
    assert len(served) == len(set(served)) >= 1
    at = sorted(la.entry_station_m for la in made.laterals)
    assert np.diff(at).min(initial=9.0) >= settings.laterals.entry_spacing_m - 1e-9


# ---------------------------------------------------------------- nothing to plan


@pytest.mark.parametrize(("trees", "reasons"), [
    (np.empty((0, 2)), ()), ([(np.nan, np.nan)], ("OUT_OF_REACH",)), ([(500.0, 500.0)], ("OUT_OF_REACH",)),
    ([(60.0, 60.0)], ("NOT_WORTH_IT",)),
])
def test_a_survey_without_a_tree_that_pays_gives_no_line_and_says_so(trees, reasons):
    terrain = formula(lambda x, y: 100.0 + 0.06 * y, 120.0)
    made = site_of(terrain, np.array(trees, dtype=float).reshape(-1, 2), (60.0, 10.0), quick())
    network, findings = plan_network(**{f.name: getattr(made, f.name) for f in dataclasses.fields(made)})
    assert network.routes == ()
    assert network.reason == reasons
    assert [f.code for f in findings] == ["NO_MAINLINE"]
    assert {taps for _, taps, _ in network.worth_curve} <= {0}
