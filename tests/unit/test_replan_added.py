"""New trees of an existing plan: joined to laterals or led to new ones, all else as it was."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
import shapely
from pipeline.judge import judge
from pipeline.records import Storm, SurveyPoints
from pipeline.replan import replan
from pipeline.replan.added import with_trees
from pipeline.replan.damage import assess
from pipeline.replan.extend import extended
from pipeline.replan.site import make_site
from pipeline.sheets.change_words import step_text
from pipeline.sheets.context import make_context

from storm_referee import every_tree, legal, names_retired, untouched
from storm_sites import PRICES, bush, grown, scattered, storm_of, surveyed, tree_item

NOTHING = Storm("new.csv", ())


@pytest.mark.parametrize("seed", range(6))
def test_every_rule_of_a_repair_holds_for_new_trees_too(seed):
    result, made = grown(seed)
    after = dataclasses.replace(result, plan=made.plan)
    assert not [*legal(after)]
    assert not [*every_tree(result.plan, made.plan), *names_retired(result.plan, made.plan)]
    assert not [*untouched(result.plan, made.plan)]
    assert made.change.taps_after >= made.change.taps_before == sum(la.taps for la in result.plan.laterals)
    assert made.plan.mainlines == result.plan.mainlines


@pytest.mark.parametrize("seed", range(6))
def test_old_trees_keep_lateral_place_and_height_and_laterals_only_grow_at_their_end(seed):
    result, made = grown(seed)
    now = {la.lateral_id: la for la in made.plan.laterals}
    for was in result.plan.laterals:
        longer = now[was.lateral_id]
        count = len(was.tree)
        assert longer.tree[:count] == was.tree
        assert np.array_equal(longer.xyz_m[:count + 1], was.xyz_m)
        assert all(t >= len(result.plan.trees) for t in longer.tree[count:])


def test_both_ways_of_serving_a_new_tree_are_used_and_told():
    kinds, told = set(), []
    for seed in range(6):
        result, made = grown(seed)
        kinds |= {p.options[p.chosen].kind for p in made.change.pieces}
        context = make_context(plan=made.plan, terrain=result.terrain, ground=result.ground)
        told += [(s, step_text(context, made.change, s)) for s in made.change.steps]
        served = {t for la in made.plan.laterals for t in la.tree}
        for piece in made.change.pieces:
            chosen = piece.options[piece.chosen]
            assert chosen.legal
            first = made.plan.trees.tree_id.index(piece.subject_id.split()[0])
            if " + " not in piece.subject_id:
                assert (chosen.kind == "abandon") is (first not in served)
            assert all(o.legal == bool(o.taps) for o in piece.options if o.kind != "abandon")
        items = [i for i in made.change.changes if i.action == "new"]
        assert {name for i in items for name in i.trees} == {
            made.plan.trees.tree_id[t] for t in served if t >= len(result.plan.trees)}
        assert sum(i.taps for i in items) == made.change.taps_after - made.change.taps_before
    assert "extend" in kinds
    assert any(s.text == "extend" and "goes on from its last tree to N" in text for s, text in told)
    assert any(s.text == "regroup" for s, _ in told)
    assert {s.text for s, _ in told if s.action == "safe"} == {"walk"}


def test_a_tree_that_is_not_served_has_its_reason():
    result = bush(0)
    own = result.plan.trees
    spots = [(own.x_m[0], own.y_m[0]), (85.0, 2.0), (5000.0, 5000.0), (np.nan, np.nan)]
    points = surveyed(spots, tags=("T001", "LOW", "FAR", "NOWHERE"))
    points = dataclasses.replace(points, dbh_cm=np.array([own.dbh_cm[0], 40.0, 40.0, 40.0]))
    small = surveyed([(60.0, 60.5)], 20.0, ("SMALL",))
    both = SurveyPoints(
        (*points.tree_id, *small.tree_id), np.append(points.x_m, small.x_m), np.append(points.y_m, small.y_m),
        (*points.species, *small.species), np.append(points.dbh_cm, small.dbh_cm), (*points.state, *small.state),
        np.arange(1, 6), "new.csv",
    )
    made = replan(plan=result.plan, terrain=result.terrain, ground=result.ground, storm=NOTHING, price_rows=PRICES,
                  date="2026-04-01", added=both)
    trees, n = made.plan.trees, len(own)
    assert trees.tree_id[n:] == ("T001-2", "LOW", "FAR", "NOWHERE", "SMALL")
    assert trees.reason[n] == "DUPLICATE"
    assert "same tree as T001" in trees.note[n]
    assert trees.reason[n + 1] in ("OUT_OF_REACH", "NO_LATERAL", "NOT_WORTH_IT")
    assert trees.reason[n + 2:] == ("OFF_TERRAIN", "BAD_POSITION", "TOO_SMALL")
    told = next(f for f in made.plan.findings if f.code == "TREES_ADDED")
    assert (told.measured, told.limit) == (0.0, 5.0)
    assert made.change.sections == ()
    assert len(made.kept) == len(result.plan.sections)
    assert {f.code for f in judge(made.plan, result.terrain, result.ground) if f.severity == "violation"} == set()


def test_a_tree_goes_on_the_lateral_whose_end_is_nearest_and_has_taps_to_spare():
    """Against a search by hand over all laterals and places: the join chosen is the shortest legal one."""
    result = bush(1)
    plan = result.plan
    for k, lateral in enumerate(plan.laterals):
        step = lateral.xyz_m[-1, :2] - lateral.xyz_m[0, :2]
        place = lateral.xyz_m[-1, :2] + 4.0 * step / np.hypot(*step)
        bigger, fresh = with_trees(plan, surveyed([place]), terrain=result.terrain, ground=result.ground)
        if not fresh:
            continue
        site = make_site(plan=bigger, terrain=result.terrain, ground=result.ground, storm=NOTHING, price_rows=PRICES,
                         fresh=fresh, known=len(plan.trees))
        kept = list(enumerate(plan.laterals))
        longer = extended(site, assess(site), lines=plan.mainlines, kept=kept, trees=fresh)
        alone = {
            j: extended(site, assess(site), lines=plan.mainlines, kept=kept, trees=fresh,
                        closed=frozenset(range(len(kept))) - {j}) for j in range(len(kept))
        }
        can = {j: float(np.hypot(*(plan.laterals[j].xyz_m[-1, :2] - place))) for j, made in alone.items() if made}
        assert set(longer) == ({min(can, key=lambda j: (can[j], j))} if can else set())
        for j, made in longer.items():
            assert made.taps == plan.laterals[j].taps + int(bigger.trees.taps[fresh[0]])
            assert made.taps <= plan.settings.laterals.max_taps
            assert made.length_m <= plan.settings.laterals.max_length_m
        full = [(j, dataclasses.replace(la, taps=plan.settings.laterals.max_taps)) for j, la in kept]
        assert extended(site, assess(site), lines=plan.mainlines, kept=full, trees=fresh) == {}
        if k > 12:
            break


def test_trees_are_added_and_a_storm_is_mended_in_one_go_and_again():
    result = bush(2)
    tree = result.plan.laterals[0].tree[-1]
    storm = storm_of(tree_item(result.plan, "tree_down", tree),
                     ("blown_area", shapely.Point(120.0, 120.0).buffer(9.0), "", ""))
    once = replan(plan=result.plan, terrain=result.terrain, ground=result.ground, storm=storm, price_rows=PRICES,
                  date="2026-04-01", added=scattered(2, 6))
    after = dataclasses.replace(result, plan=once.plan)
    assert not [*legal(after), *every_tree(result.plan, once.plan), *untouched(result.plan, once.plan)]
    assert {s.text for s in once.change.steps if s.action == "safe"} == {"safe"}
    twice = replan(plan=once.plan, terrain=result.terrain, ground=result.ground, storm=NOTHING, price_rows=PRICES,
                   date="2026-05-01", added=scattered(5, 6))
    after = dataclasses.replace(result, plan=twice.plan)
    assert not [*legal(after), *every_tree(once.plan, twice.plan), *untouched(once.plan, twice.plan)]
    assert not [*names_retired(once.plan, twice.plan)]
    assert [c.revision for c in twice.plan.changes] == ["B", "C"]


def test_retiring_trees_alone_asks_for_no_storm_cautions():
    result = bush(0)
    tree = result.plan.laterals[2].tree[-1]
    made = replan(plan=result.plan, terrain=result.terrain, ground=result.ground,
                  storm=storm_of(tree_item(result.plan, "retire", tree)), price_rows=PRICES, date="2026-04-01")
    assert made.plan.trees.reason[tree] == "RETIRED"
    codes = {n.code for s in made.plan.sections if not s.issued_in for n in made.plan.safety[s.section_id]}
    assert not codes & {"B1", "B2", "B3", "B4", "B5", "B6", "B8", "B9"}
    assert {s.text for s in made.change.steps if s.action == "safe"} == {"walk"}
