"""The repair after a storm: damage, options, the cheapest combination, order of work, IDs, sections."""

from __future__ import annotations

import dataclasses
import itertools

import numpy as np
import pytest
import shapely
from pipeline.errors import NoPlanError
from pipeline.hydraulics.catalogue import mainline_sizes
from pipeline.hydraulics.sap import bore_needed_mm
from pipeline.judge import judge
from pipeline.replan import flows, replan, stage
from pipeline.replan.case import make_case
from pipeline.replan.choose import cheapest_first, is_exact
from pipeline.replan.damage import assess
from pipeline.replan.ids import Ids, every_id
from pipeline.replan.order import Task, best_order, tap_hours_lost
from pipeline.replan.outcome import Evaluator
from pipeline.replan.site import make_site
from pipeline.replan.zoning import raised
from pipeline.resources import template_rows

from storm_sites import bush, random_storm, storm_of, tree_item

PRICES = template_rows("prices.csv")


def site_of(result, storm):
    return make_site(plan=result.plan, terrain=result.terrain, ground=result.ground, storm=storm, price_rows=PRICES)


def repaired(result, storm):
    return replan(plan=result.plan, terrain=result.terrain, ground=result.ground, storm=storm, price_rows=PRICES,
                  date="2026-04-01")


def long_line(plan):
    """Return the mainline with most supports."""
    return max(plan.mainlines, key=lambda m: len(m.supports))


def state(site, layer, name):
    return next(d.state for d in assess(site).damages(site) if (d.layer, d.subject_id) == (layer, name))


# ---------------------------------------------------------------- damage


def test_everything_has_a_state_and_far_things_are_clear():
    result = bush(0)
    plan = result.plan
    lateral = plan.laterals[0]
    site = site_of(result, storm_of(tree_item(plan, "tree_down", lateral.tree[-1])))
    damages = assess(site).damages(site)
    spans = sum(len(m.supports) - 1 for m in plan.mainlines)
    supports = sum(len(m.supports) for m in plan.mainlines)
    assert len(damages) == len(plan.trees) + len(plan.laterals) + spans + supports + len(plan.crossings)
    assert state(site, "trees", plan.trees.tree_id[lateral.tree[-1]]) == "lost"
    assert state(site, "laterals", lateral.lateral_id) == ("lost" if len(lateral.tree) == 1 else "hit")
    held = {s.tree_id for m in plan.mainlines for s in m.supports}
    if plan.trees.tree_id[lateral.tree[-1]] not in held:
        assert all(d.state == "clear" for d in damages if d.layer == "spans")


def test_a_stem_across_a_span_hits_it_and_one_within_the_gps_spread_is_near():
    result = bush(0)
    line = long_line(result.plan)
    a, b = line.xyz_m[2, :2], line.xyz_m[3, :2]
    middle, along = (a + b) / 2.0, (b - a) / np.hypot(*(b - a))
    across = np.array([-along[1], along[0]])
    name = f"{line.supports[2].support_id}/{line.supports[3].support_id.rpartition('-')[2]}"
    on = shapely.LineString([middle - 0.5 * across, middle + 8.0 * across])
    beside = shapely.LineString([middle + 1.2 * across, middle + 9.0 * across])
    assert state(site_of(result, storm_of(("stem", on, "", ""))), "spans", name) == "hit"
    assert state(site_of(result, storm_of(("stem", beside, "", ""))), "spans", name) == "near"


def test_a_lost_support_puts_both_its_spans_on_the_ground():
    result = bush(0)
    line = long_line(result.plan)
    support = line.supports[3]
    site = site_of(result, storm_of(("support_lost", shapely.Point(0, 0), "supports", support.support_id)))
    found = assess(site)
    assert found.supports[support.support_id].state == "lost"
    assert [i for i in range(len(line.supports) - 1) if found.spans[line.mainline_id, i].bad] == [2, 3]


def test_a_retired_tree_still_holds_its_line_and_a_fallen_one_does_not():
    result = bush(0)
    plan = result.plan
    tree = plan.laterals[0].tree[0]
    line = long_line(plan)
    held = dataclasses.replace(line.supports[2], kind="tree", tree_id=plan.trees.tree_id[tree])
    other = dataclasses.replace(line, supports=(*line.supports[:2], held, *line.supports[3:]))
    lines = tuple(other if m is line else m for m in plan.mainlines)
    result = dataclasses.replace(result, plan=dataclasses.replace(plan, mainlines=lines))
    retired = assess(site_of(result, storm_of(tree_item(plan, "retire", tree))))
    fallen = assess(site_of(result, storm_of(tree_item(plan, "tree_down", tree))))
    assert retired.trees[tree].bad
    assert not retired.supports[held.support_id].bad
    assert fallen.supports[held.support_id].state == "lost"


def test_a_storm_beside_the_bush_is_refused_with_a_reason():
    result = bush(0)
    with pytest.raises(NoPlanError, match="nothing that lies on"):
        repaired(result, storm_of(("tree_down", shapely.Point(-500.0, -500.0), "", "")))


# ---------------------------------------------------------------- the choice


def small_case(seed, first):
    """Return the first of a row of storms that leaves two to six pieces open: plans change, so storms are sought."""
    result = bush(seed)
    for storm_seed in range(first, first + 40):
        site = site_of(result, random_storm(result.plan, storm_seed, 3))
        case = make_case(site, assess(site))
        if 2 <= sum(len(p.legal) > 1 for p in case.pieces) <= 6:
            return case
    raise AssertionError("no storm of forty leaves two to six pieces open")


@pytest.mark.parametrize(("seed", "storm_seed"), [(0, 11), (1, 12), (2, 13), (0, 14), (1, 5)])
def test_the_chosen_combination_is_the_cheapest_of_all(seed, storm_seed):
    """Every combination of legal options is worked out one by one: brute force over two to six open pieces."""
    case = small_case(seed, storm_seed)
    plain = Evaluator(case)
    outcomes = [plain.evaluate(choice) for choice in itertools.product(*(p.legal for p in case.pieces))]
    costs = sorted(o.cost for o in outcomes if not isinstance(o, str))
    evaluator = Evaluator(case)
    assert is_exact(evaluator)
    yielded = [o.cost for o in cheapest_first(evaluator)]
    assert np.allclose(yielded, costs)


def test_a_broken_support_in_the_middle_is_worth_mending_for_all_that_hangs_above():
    result = bush(0)
    line = long_line(result.plan)
    made = repaired(result, storm_of(("line_broken", shapely.Point(0, 0), "supports", line.supports[2].support_id)))
    piece = next(p for p in made.change.pieces if p.layer == "mainlines")
    assert piece.options[piece.chosen].kind == "rehang"
    assert made.change.taps_after == made.change.taps_before
    assert [i.action for i in made.change.changes] == ["mend"] * len(made.change.changes)
    assert {o.kind for o in piece.options} == {"rehang", "new_support", "detour", "take", "abandon"}
    assert all(o.legal or o.why for o in piece.options)


def test_giving_up_the_foot_of_a_line_loses_what_no_other_line_reaches():
    result = bush(0)
    line = next(m for m in result.plan.mainlines if m.parent_id)
    site = site_of(result, storm_of(("line_broken", shapely.Point(0, 0), "supports", line.supports[0].support_id)))
    case = make_case(site, assess(site))
    evaluator = Evaluator(case)
    kinds = case.pieces[0].kinds
    kept = evaluator.evaluate((kinds.index("rehang"),))
    gone = evaluator.evaluate((kinds.index("abandon"),))
    assert not isinstance(kept, str)
    assert not isinstance(gone, str)
    assert kept.taps == evaluator.sound
    assert gone.taps < kept.taps
    assert all(m.mainline_id != line.mainline_id for m in gone.lines.mainlines)


def test_a_new_way_round_blown_ground_is_legal_and_meets_both_ends():
    """Every detour that is offered is put in by itself and judged as a finished plan."""
    tried = 0
    for seed in (5, 13, 15):
        result = bush(seed)
        before = {(f.code, f.subject_id) for f in judge(result.plan, result.terrain, result.ground)}
        line = long_line(result.plan)
        s = line.supports[len(line.supports) // 2]
        site = site_of(result, storm_of(("blown_area", shapely.Point(s.x_m, s.y_m).buffer(7.0), "", "")))
        case = make_case(site, assess(site))
        for k, piece in enumerate(case.pieces):
            if piece.run is None or piece.why[piece.kinds.index("detour")]:
                continue
            choice = [p.kinds.index("abandon") for p in case.pieces]
            choice[k] = piece.kinds.index("detour")
            outcome = Evaluator(case).evaluate(tuple(choice))
            assert not isinstance(outcome, str)
            draft = stage.draft_of(case, outcome)
            tried += 1
            assert not [f for f in draft.judged if f.severity == "violation" and (f.code, f.subject_id) not in before]
            blown = site.storm.items[0].shape
            assert all(not shapely.LineString(n.xyz_m[:, :2]).intersects(blown) for n in outcome.lines.new)
            new = next(m for m in outcome.lines.mainlines if m.mainline_id == piece.run.line.mainline_id)
            kept = {s.support_id: s for s in piece.run.line.supports[piece.run.high:]}
            again = [s for s in new.supports if s.support_id in kept]
            assert [s.line_z_m for s in again] == [kept[s.support_id].line_z_m for s in again]
            assert len(again) == len(kept)
    assert tried >= 2


def test_a_size_that_no_longer_fits_is_told_with_its_price_and_not_changed():
    result = bush(0)
    site = site_of(result, random_storm(result.plan, 1, 1))
    pipe = next(p for p in result.plan.flow.pipes if p.role == "single" and p.taps > 0)
    fuller = dataclasses.replace(pipe, area_ratio=0.9, peak_flow_l_min=40.0)
    sizes = mainline_sizes(result.plan.settings.flow.pipes)
    (found,), metres = flows.outgrown(site, [fuller], sizes)
    assert (found.code, found.severity, found.subject_id) == ("SIZE_OUTGROWN", "check", pipe.pipe_id)
    needed = float(bore_needed_mm(pipe.grade_pct, result.plan.settings.flow.fill_ratio, 40.0))
    fit = next(s for s in sizes if s.inner_diameter_mm >= needed)
    length = pipe.to_station_m - pipe.from_station_m
    assert metres == {f"PIPE {fit.nominal}": pytest.approx(length)}
    assert f"{fit.nominal} in pipe" in found.remedy
    assert f"{site.price_of(f'PIPE {fit.nominal}') * length:,.0f}" in found.remedy
    assert flows.outgrown(site, [pipe], sizes) == ([], {})


# ---------------------------------------------------------------- order of work


def test_the_order_loses_no_more_tap_hours_than_any_other():
    """Horn 1972 against every order that keeps the precedence, on random forests of six jobs."""
    rng = np.random.default_rng(3)
    for _ in range(60):
        n = 6
        tasks = [Task(float(rng.uniform(0.2, 5.0)), int(rng.integers(0, 40)), int(rng.integers(-1, k)) if k else -1)
                 for k in range(n)]
        best = min(
            tap_hours_lost(tasks, order) for order in itertools.permutations(range(n))
            if all(t.after < 0 or order.index(t.after) < order.index(k) for k, t in enumerate(tasks))
        )
        order = best_order(tasks)
        assert sorted(order) == list(range(n))
        assert all(t.after < 0 or order.index(t.after) < order.index(k) for k, t in enumerate(tasks))
        assert tap_hours_lost(tasks, order) == pytest.approx(best)


def test_jobs_in_a_ring_are_refused():
    with pytest.raises(ValueError, match="ring"):
        best_order([Task(1.0, 1, 1), Task(1.0, 1, 0)])


# ---------------------------------------------------------------- names and revisions


def test_ids_count_on_from_the_highest_ever_used():
    ids = Ids(["M1-S00", "M1-S07", "M1.2", "M1-L31", "X4"])
    assert (ids.next("M1-S"), ids.next("M1-S"), ids.next("M1.", 1), ids.next("X", 1)) == (
        "M1-S08", "M1-S09", "M1.3", "X5")
    assert ids.next("M9-L") == "M9-L01"


@pytest.mark.parametrize(("now", "then"), [("A", "B"), ("Z", "AA"), ("AZ", "BA"), ("3", "4"), ("draft", "draft-2"),
                                           ("draft-2", "draft-3")])
def test_revisions_rise(now, then):
    assert raised(now) == then


# ---------------------------------------------------------------- twice, and untouched


def test_a_second_storm_raises_the_revision_again_and_never_gives_an_id_twice():
    result = bush(1)
    first = repaired(result, random_storm(result.plan, 21, 4))
    storm = random_storm(first.plan, 22, 4)
    second = replan(plan=first.plan, terrain=result.terrain, ground=result.ground, storm=storm, price_rows=PRICES,
                    date="2026-05-01")
    assert [c.revision for c in second.plan.changes] == ["B", "C"]
    assert set(first.plan.retired) <= set(second.plan.retired)
    assert not set(second.plan.retired) & set(every_id(second.plan))
    revisions = {s.section_id: (s.revision, s.issued_in) for s in second.plan.sections}
    for name, (revision, issued) in revisions.items():
        before = next(s for s in first.plan.sections if s.section_id == name)
        if issued:
            assert (revision, issued) == (before.revision, before.issued_in or "B")
        else:
            assert revision == "C"
    grave = [f for f in judge(second.plan, result.terrain, result.ground) if f.severity == "violation"]
    assert grave == [f for f in judge(result.plan, result.terrain, result.ground) if f.severity == "violation"]


def test_nothing_of_the_old_plan_is_modified():
    result = bush(2)
    before = [m.xyz_m.copy() for m in result.plan.mainlines], result.plan.trees.taps.copy()
    repaired(result, random_storm(result.plan, 5, 5))
    assert all((a == m.xyz_m).all() for a, m in zip(before[0], result.plan.mainlines, strict=True))
    assert (before[1] == result.plan.trees.taps).all()


def test_the_same_storm_gives_the_same_repair():
    result = bush(2)
    storm = random_storm(result.plan, 9, 5)
    one, two = repaired(result, storm), repaired(result, storm)
    assert one.change.changes == two.change.changes
    assert one.change.steps == two.change.steps
    assert one.plan.retired == two.plan.retired


def test_touched_sections_carry_the_storm_s_cautions():
    result = bush(0)
    plan = result.plan
    lateral = plan.laterals[3]
    made = repaired(result, storm_of(tree_item(plan, "hung", lateral.tree[0]), tree_item(plan, "root_plate",
                                                                                            lateral.tree[-1])))
    touched = [s.section_id for s in made.plan.sections if not s.issued_in]
    assert touched
    home = next(s.section_id for s in plan.sections if 3 in s.lateral)
    codes = {n.code for n in made.plan.safety[home]}
    assert {"A11", "A13", "B2", "B4"} <= codes
    for section in made.plan.sections:
        if section.issued_in:
            assert made.plan.safety[section.section_id] == plan.safety[section.section_id]


def test_steps_begin_with_safety_and_end_with_a_check():
    result = bush(1)
    made = repaired(result, random_storm(result.plan, 33, 5))
    by_section = {}
    for step in made.change.steps:
        by_section.setdefault(step.section_id, []).append(step)
    assert set(by_section) == {s.section_id for s in made.change.sections}
    for steps in by_section.values():
        assert [s.number for s in steps] == list(range(1, len(steps) + 1))
        assert (steps[0].action, steps[-1].action) == ("safe", "check")
        actions = [s.action for s in steps[1:-1]]
        assert actions == sorted(actions, key=lambda a: a != "remove")
    marks = [i.mark for i in made.change.changes]
    assert len(set(marks)) == len(marks)
    assert {m for s in made.change.steps for m in s.marks} == set(marks)


def test_what_the_last_taps_cost_is_not_said_of_another_layout():
    result = bush(2)
    assert result.plan.worth_curve
    assert repaired(result, random_storm(result.plan, 9, 5)).plan.worth_curve == ()
