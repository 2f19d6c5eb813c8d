"""The record of a repair: what goes, what is mended, what is new, who does what and when."""

from __future__ import annotations

import dataclasses
import itertools
import math
from collections import Counter
from functools import cache

import numpy as np
import pytest
from pipeline.errors import NoPlanError
from pipeline.judge import judge
from pipeline.replan import record, replan
from pipeline.replan.case import make_case
from pipeline.replan.damage import assess
from pipeline.replan.ids import every_id
from pipeline.replan.listing import piece_records
from pipeline.replan.outcome import Evaluator
from pipeline.replan.site import make_site
from pipeline.replan.stage import draft_of
from pipeline.sheets.change_words import step_text
from pipeline.sheets.context import make_context
from shapely.geometry import LineString, Point, box

import repair_scene as scene

PLAN = scene.plan()
TERRAIN, GROUND = scene.terrain(), scene.ground()
ROWS = [{"code": code, "price": repr(price)} for code, price in scene.PRICES.items()]
STORMS = {
    "tree": [("tree_down", 3)],
    "top": [("tree_down", 4)],
    "lateral": [("tree_down", 5), ("tree_down", 6)],
    "span": [("line_broken", Point(50, 60), "supports", "M1-S05")],
    "foot": [("line_broken", Point(55, 46.5), "supports", "M1.1-S00")],
    "holder": [("hung", 9)],
    "stem": [("tree_down", 0), ("stem", LineString([(44, 26), (52, 27)]))],
    "blown": [("blown_area", box(47, 72, 53, 78))],
    "retired": [("retire", 8)],
    "cut": [("line_broken", Point(50, 80), "supports", "M1-S07"), ("tree_down", 6)],
    "many": [("root_plate", 1), ("line_broken", Point(50, 60), "supports", "M1-S05"), ("tree_down", 7),
             ("top_broken", 2)],
}


def storm_of(name: str):
    return scene.storm(*STORMS[name], source=f"{name}.csv")


@cache
def repaired(name: str):
    return replan(plan=PLAN, terrain=TERRAIN, ground=GROUND, storm=storm_of(name), price_rows=ROWS, date="2026-04-01")


@cache
def case_of(name: str):
    site = make_site(plan=PLAN, terrain=TERRAIN, ground=GROUND, storm=storm_of(name), price_rows=ROWS)
    return make_case(site, assess(site))


def chosen(change):
    return [(p.subject_id, p.options[p.chosen].kind) for p in change.pieces]


every_storm = pytest.mark.parametrize("name", list(STORMS))


# ---------------------------------------------------------------- the plan after it


@every_storm
def test_the_repaired_plan_breaks_no_rule_that_the_old_one_kept(name):
    old = Counter(f.code for f in judge(PLAN, TERRAIN, GROUND) if f.severity == "violation")
    new = Counter(f.code for f in judge(repaired(name).plan, TERRAIN, GROUND) if f.severity == "violation")
    assert new <= old


@every_storm
def test_every_tree_is_served_or_says_why_not(name):
    new, found = repaired(name).plan, case_of(name).assessment
    on = {t: la.lateral_id for la in new.laterals for t in la.tree}
    for t in range(len(PLAN.trees)):
        status, reason, was = new.trees.status[t], new.trees.reason[t], PLAN.trees.status[t]
        if t in on:
            assert (status, reason) == ("served", "")
            assert found.usable(t)
            assert new.laterals[new.tree_lateral[t]].lateral_id == on[t]
            assert new.laterals[new.tree_lateral[t]].tree[new.tree_order[t] - 1] == t
            assert new.tree_line_z_m[t] == new.laterals[new.tree_lateral[t]].xyz_m[new.tree_order[t], 2]
        else:
            assert (new.tree_lateral[t], new.tree_order[t], new.trees.taps[t]) == (-1, 0, 0)
            assert np.isnan(new.tree_line_z_m[t])
            if was == "not_tapped":
                assert (status, reason) == (was, PLAN.trees.reason[t])
            elif not found.usable(t):
                assert status == "not_tapped"
                assert reason == ("RETIRED" if {c for c, _ in found.trees[t].reasons} == {"RETIRE"} else "STORM_LOST")
            else:
                assert (status, reason) == ("set_aside", "ABANDONED" if was == "served" else PLAN.trees.reason[t])


@every_storm
def test_taps_agree_between_trees_laterals_sections_pipes_and_tank(name):
    new = repaired(name).plan
    taps = int(new.trees.taps.sum())
    assert taps == sum(la.taps for la in new.laterals) == sum(s.taps for s in new.sections)
    assert taps == new.flow.stations[0].taps == repaired(name).change.taps_after
    assert repaired(name).change.taps_before == 12
    assert new.stats["taps"] == taps
    assert new.stats["laterals"] == len(new.laterals)


@every_storm
def test_names_are_unique_and_the_retired_stand_for_nothing(name):
    new = repaired(name).plan
    names = every_id(new)
    assert len(set(names)) == len(names)
    assert set(every_id(PLAN)) - set(names) == set(new.retired)
    assert {la.lateral_id.rpartition("-")[0] for la in new.laterals} <= {m.mainline_id for m in new.mainlines}


# ---------------------------------------------------------------- which repair


@pytest.mark.parametrize(("name", "wanted"), [
    ("span", [("M1", "rehang")]), ("holder", [("M1", "new_support")]), ("lateral", [("M1-L03", "abandon")]),
    ("retired", [("M1.1-L01", "mend")]),
])
def test_the_cheapest_repair_of_plain_damage(name, wanted):
    """A lost holder costs a post, a broken span its own length again, retiring the last tree an end ring."""
    assert chosen(repaired(name).change) == wanted


@pytest.mark.parametrize(("language", "words"), [
    ("en", "M1 ends at 0+070.0 now: anchor, tension and cap it there first."),
    ("fr", "M1 finit maintenant à 0+070,0 : l'y ancrer, tendre et boucher d'abord."),
])
def test_a_line_that_is_cut_gets_its_new_top_before_anything_is_taken_down(language, words):
    """M1 is given up above 70 m: anchor, tensioner and cap are listed, and taking down begins with them."""
    made = repaired("cut")
    assert ("M1", "abandon") in chosen(made.change)
    (item,) = [i for i in made.change.changes if (i.layer, i.action) == ("mainlines", "remove")]
    assert (item.subject_id, item.at_m, item.note) == ("M1", 70.0, "end")
    listed = {p.code: p.needed for p in made.change.parts}
    top = dict.fromkeys(("ANCHOR", "STRAINER", "CAP 3/4"), 1.0)
    assert {code: listed[code] for code in top} == top
    (step,) = [s for s in made.change.steps if s.marks == (item.mark,)]
    assert step.hours == pytest.approx(case_of("cut").site.bill(top)[1])
    bush = dataclasses.replace(made.plan.settings.bush, language=language, units="metric")
    plan = dataclasses.replace(made.plan, settings=dataclasses.replace(made.plan.settings, bush=bush))
    text = step_text(make_context(plan=plan, terrain=TERRAIN, ground=GROUND), made.change, step)
    assert " ".join(text.split()).startswith(words)


def test_a_lateral_without_trees_leaves_nothing_but_a_removal():
    change = repaired("lateral").change
    (item,) = change.changes
    assert (item.mark, item.action, item.subject_id, item.note, item.taps) == ("R1", "remove", "M1-L03", "whole", 2)
    assert item.trees == ("T5", "T6")
    assert change.jobs == ()
    assert repaired("lateral").plan.retired == ("M1-L03",)


def test_every_option_of_a_piece_is_listed_and_the_chosen_one_is_legal():
    for name in STORMS:
        for piece in repaired(name).change.pieces:
            assert piece.options[piece.chosen].legal
            assert len({o.kind for o in piece.options}) == len(piece.options)
            for o in piece.options:
                assert (o.money, o.hours, o.taps) == (0.0, 0.0, 0) or o.legal
                assert o.money >= 0.0
                assert o.hours >= 0.0


@pytest.mark.parametrize(("name", "taps"), [("span", 6), ("foot", 3), ("blown", 2), ("holder", 10)])
def test_taps_behind_a_stretch_are_those_that_drain_through_it(name, taps):
    """By hand: M1-L02 (4) enters at 60 m, M1-L03 (2) at 85 m, M1.1 (3) at 40 m; M1 hangs on T9 at 30 m."""
    case = case_of(name)
    piece = next(p for p in piece_records(case, tuple(len(p.kinds) - 1 for p in case.pieces)) if p.layer == "mainlines")
    kept = {o.kind: o.taps for o in piece.options if o.legal}
    assert kept.pop("abandon") == 0
    lost = 1 if name == "holder" else 0
    assert set(kept.values()) == {taps - lost}


def test_an_option_by_itself_costs_what_it_costs_in_the_plan():
    """One damaged piece: the listed money and hours are those of the repair."""
    change = repaired("span").change
    option = change.pieces[0].options[change.pieces[0].chosen]
    assert (option.money, option.hours, option.taps) == pytest.approx((change.money, change.hours, 6))
    length = math.sqrt(101.0)
    assert change.money == pytest.approx(length * (2.0 + 0.5 + 0.1 / 0.3048) + 8.0)


@every_storm
def test_no_combination_is_cheaper_than_the_one_that_was_chosen(name):
    """Brute force over all combinations of legal options."""
    made, case = repaired(name), case_of(name)
    evaluator = Evaluator(case)
    costs = [o.cost for c in itertools.product(*(p.legal for p in case.pieces))
             if not isinstance(o := evaluator.evaluate(c), str)]
    change = made.change
    total = change.money + change.hours * 25.0 + evaluator.value * (evaluator.sound - change.taps_after)
    assert total == pytest.approx(min(costs))


# ---------------------------------------------------------------- items


@every_storm
def test_marks_count_up_by_letter_and_the_letter_is_the_action(name):
    items = repaired(name).change.changes
    letter = {"remove": "R", "mend": "K", "new": "N"}
    seen: Counter[str] = Counter()
    for item in items:
        seen[letter[item.action]] += 1
        assert item.mark == f"{letter[item.action]}{seen[letter[item.action]]}"
        assert item.section_id in {s.section_id for s in PLAN.sections}
        run = np.linalg.norm(np.diff(np.array(item.xyz_m), axis=0), axis=1).sum() if len(item.xyz_m) > 1 else 0.0
        assert item.length_m == pytest.approx(float(run))


@every_storm
def test_what_goes_what_stays_and_what_comes_is_all_there_is(name):
    """Laterals by name: the old ones without a removal, and the new ones, are those of the new plan."""
    made = repaired(name)
    items = [i for i in made.change.changes if i.layer == "laterals"]
    whole = {i.subject_id for i in items if (i.action, i.note) == ("remove", "whole")}
    new = {i.subject_id for i in items if (i.action, i.note) == ("new", "")}
    assert {la.lateral_id for la in PLAN.laterals} - whole | new == {la.lateral_id for la in made.plan.laterals}


@pytest.mark.parametrize(("storm", "gone", "note", "tubing_m"), [
    ([("tree_down", 8)], ("T8",), "above", math.sqrt(1.0 + 25.0 + 0.5**2)),
    ([("tree_down", 1)], ("T1",), "above", math.sqrt(36.0 + 9.0 + 0.3**2)),
])
def test_a_shortened_lateral_loses_the_tubing_above_its_last_tree(storm, gone, note, tubing_m):
    made = replan(plan=PLAN, terrain=TERRAIN, ground=GROUND, storm=scene.storm(*[("retire", s[1]) for s in storm]),
                  price_rows=ROWS, date="2026-04-01")
    (item,) = [i for i in made.change.changes if i.action == "remove"]
    assert (item.trees, item.note) == (gone, note)
    assert item.length_m == pytest.approx(tubing_m)
    (kept,) = [i for i in made.change.changes if i.action == "mend"]
    assert kept.taps + item.taps == next(la.taps for la in PLAN.laterals if la.lateral_id == item.subject_id)


def test_a_lost_support_is_removed_and_its_successor_is_new():
    items = repaired("holder").change.changes
    (out,) = [i for i in items if (i.layer, i.action) == ("supports", "remove")]
    (new,) = [i for i in items if (i.layer, i.action) == ("supports", "new")]
    assert (out.subject_id, out.trees, out.at_m) == ("M1-S03", ("T9",), 30.0)
    assert (new.subject_id, new.at_m, new.xyz_m) == ("M1-S11", 30.0, out.xyz_m)
    assert "M1-S03" in repaired("holder").plan.retired


# ---------------------------------------------------------------- jobs and steps


@every_storm
def test_jobs_are_numbered_in_their_order_and_wait_for_earlier_ones(name):
    jobs = repaired(name).change.jobs
    assert [j.number for j in jobs] == list(range(1, len(jobs) + 1))
    assert all(j.after < j.number for j in jobs)
    marks = [m for j in jobs for m in j.marks]
    built = [i.mark for i in repaired(name).change.changes if i.action != "remove"]
    assert sorted(marks) == sorted(built)


def test_what_drains_through_a_broken_stretch_waits_for_it():
    """M1 is broken from 50 to 60 m: what enters above 50 m waits, what enters below or on M1.1 does not."""
    made = repaired("many")
    entry = {la.lateral_id: (la.mainline_id, la.entry_station_m) for la in made.plan.laterals}
    first = next(j for j in made.change.jobs if j.layer == "mainlines")
    assert (first.subject_id, first.option, first.after) == ("M1", "rehang", 0)
    assert first.taps == 2  # M1-L03 is sound and runs again with the stretch
    waits = {j.subject_id: j.after for j in made.change.jobs if j.layer == "laterals"}
    assert len(waits) >= 2
    for name, after in waits.items():
        line, station = entry[name]
        assert after == (first.number if line == "M1" and station > 50.0 else 0)


@every_storm
def test_each_section_begins_with_safety_removes_then_builds_and_ends_with_a_check(name):
    change = repaired(name).change
    by_section: dict[str, list] = {}
    for step in change.steps:
        by_section.setdefault(step.section_id, []).append(step)
    assert set(by_section) == {s.section_id for s in change.sections}
    for steps in by_section.values():
        assert [s.number for s in steps] == list(range(1, len(steps) + 1))
        assert [steps[0].action, steps[-1].action] == ["safe", "check"]
        middle = [s.action == "remove" for s in steps[1:-1]]
        assert middle == sorted(middle, reverse=True)
        assert steps[0].hours >= 0.5


@every_storm
def test_hours_of_jobs_are_told_once_though_their_marks_lie_in_several_sections(name):
    change = repaired(name).change
    told = sum(s.hours for s in change.steps if s.action in ("mend", "new"))
    assert told == pytest.approx(sum(j.hours for j in change.jobs))


@every_storm
def test_the_hours_of_all_steps_are_those_of_the_repair_and_a_walk_through_each_section(name):
    change = repaired(name).change
    safe = [s for s in change.steps if s.action == "safe"]
    walk = case_of(name).site.clearing["walk_through"]
    assert sum(s.hours for s in change.steps) == pytest.approx(change.hours + walk * len(safe))


@pytest.mark.parametrize("name", ["span", "foot", "stem", "blown", "lateral", "many"])
def test_logged_things_are_cleared_once_over_all_sections(name):
    """Walk-through half an hour a section; the rest is the clearing of what lies on mended things."""
    change, case = repaired(name).change, case_of(name)
    safe = [s for s in change.steps if s.action == "safe"]
    choice = tuple(p.chosen for p in change.pieces)
    outcome = Evaluator(case).evaluate(choice)
    assert not isinstance(outcome, str)
    blown = sum(s.hours for s in safe) - 0.5 * len(safe) - case.clearing_h(outcome.cleared)
    assert blown >= -1e-9
    if case.assessment.blown.is_empty:
        assert blown == pytest.approx(0.0, abs=1e-9)


# ---------------------------------------------------------------- sums


@every_storm
def test_parts_are_those_of_the_jobs_and_no_more_is_used_again_than_is_needed(name):
    change = repaired(name).change
    assert len({(p.section_id, p.code) for p in change.parts}) == len(change.parts)
    for part in change.parts:
        assert 0.0 <= part.reused <= part.needed + 1e-9
        assert part.saved >= 0.0
        by_length = part.code.startswith(("PIPE", "WIRE", "TUBING", "DROP TUBING", "SIDE WIRE"))
        assert part.unit == ("m" if by_length else "pc")
    saved, reused = Counter(), Counter()
    for part in change.parts:
        saved[part.code] += part.saved
        reused[part.code] += part.reused
    assert all(reused[c] <= saved[c] + 1e-9 for c in reused)


def test_money_is_for_what_is_bought_and_not_for_what_is_used_again():
    for name in STORMS:
        change = repaired(name).change
        site = case_of(name).site
        bought = sum(site.price_of(p.code) * (p.needed - p.reused) for p in change.parts)
        assert change.money == pytest.approx(bought), name


@every_storm
def test_section_sums_are_those_of_their_items(name):
    change = repaired(name).change
    for row in change.sections:
        own = [i for i in change.changes if i.section_id == row.section_id]
        for layer, out, new in (("mainlines", row.mainline_out_m, row.mainline_in_m),
                                ("laterals", row.lateral_out_m, row.lateral_in_m)):
            assert out == pytest.approx(sum(i.length_m for i in own if (i.layer, i.action) == (layer, "remove")))
            assert new == pytest.approx(sum(i.length_m for i in own if (i.layer, i.action) == (layer, "new")))
        assert row.taps_before == next(s.taps for s in PLAN.sections if s.section_id == row.section_id)
        assert (row.revision, row.replaces) == ("" if row.retired else "B", "A")
    untouched = {s.section_id for s in PLAN.sections} - {r.section_id for r in change.sections}
    assert untouched == set(repaired(name).kept)


# ---------------------------------------------------------------- what it says


@every_storm
def test_the_repair_says_what_it_did(name):
    made = repaired(name)
    told = next(f for f in made.plan.findings if f.code == "REPLANNED")
    assert (told.measured, told.limit) == (made.change.taps_after, 12.0)
    assert f"{name}.csv" in told.text
    near = [d for d in made.change.damages if d.state == "near"]
    assert bool(near) == any(f.code == "STORM_NEAR" and f.measured == len(near) for f in made.plan.findings)
    set_aside = sum(r == "ABANDONED" for r in made.plan.trees.reason)
    said = [f.measured for f in made.plan.findings if f.code == "STORM_ABANDONED"]
    assert said == ([float(set_aside)] if set_aside else [])


@every_storm
def test_all_that_is_not_clear_is_listed_and_the_clear_are_counted(name):
    change = repaired(name).change
    assert all(d.state != "clear" for d in change.damages)
    count = Counter(d.layer for d in change.damages)
    clear = dict(change.clear)
    for layer, total in (("trees", 12), ("laterals", 4), ("spans", 13), ("supports", 15), ("crossings", 1)):
        assert count[layer] + clear.get(layer, 0) == total


@pytest.mark.parametrize("rows", [[], [("access_blocked", Point(50, 2))], [("tree_down", Point(5, 115))]])
def test_a_storm_that_touches_nothing_is_refused(rows):
    with pytest.raises(NoPlanError, match="nothing that lies on"):
        replan(plan=PLAN, terrain=TERRAIN, ground=GROUND, storm=scene.storm(*rows), price_rows=ROWS, date="2026-04-01")


def test_progress_is_told_and_rises():
    told: list[tuple[str, float]] = []
    replan(plan=PLAN, terrain=TERRAIN, ground=GROUND, storm=storm_of("lateral"), price_rows=ROWS, date="2026-04-01",
           report=lambda what, share: told.append((what, share)))
    assert [share for _, share in told] == sorted(share for _, share in told)
    assert told[0][0] == "looking what broke"
    assert told[-1][0] == "writing down the repair"


def test_retired_names_of_earlier_repairs_are_carried_on():
    before = dataclasses.replace(PLAN, retired=("M1-L09", "S07"))
    made = replan(plan=before, terrain=TERRAIN, ground=GROUND, storm=storm_of("lateral"), price_rows=ROWS,
                  date="2026-04-01")
    assert made.plan.retired == ("M1-L09", "S07", "M1-L03")


@pytest.mark.parametrize("row", [
    ("tree_down", Point(90.0, 5.0), "trees", "T3"), ("line_broken", Point(5.0, 115.0), "supports", "M1-S05"),
])
def test_what_was_named_is_cleared_where_it_is_mended_however_wrong_its_logged_place_is(row):
    """A tag is surer than the place of a phone: the hours are told in the section of the mended thing."""
    case = make_case(site := scene.site(row, made=PLAN), assess(site))
    choice = tuple(p.kinds.index("rehang" if p.run is not None else "mend") for p in case.pieces)
    outcome = Evaluator(case).evaluate(choice)
    assert not isinstance(outcome, str)
    written = record.write(case, draft_of(case, outcome).done)
    safe = [s for s in written.steps if s.action == "safe"]
    assert sum(s.hours for s in safe) == pytest.approx(case.clearing_h(outcome.cleared) + 0.5 * len(safe))
    (home,) = [s for s in safe if s.hours > 0.5]
    assert (home.section_id, dict(home.values)["items"]) == ("S02", "1")
