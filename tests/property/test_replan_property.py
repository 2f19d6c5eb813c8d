"""What holds for every storm over every bush."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pipeline.judge import judge
from pipeline.replan import replan
from pipeline.replan.case import make_case
from pipeline.replan.damage import assess
from pipeline.replan.ids import every_id
from pipeline.replan.outcome import Evaluator
from pipeline.replan.site import make_site
from pipeline.resources import template_rows
from pipeline.sheets.checkcode import check_code

from storm_sites import bush, random_storm

PRICES = template_rows("prices.csv")


def violations(plan, result):
    return {(f.code, f.subject_id) for f in judge(plan, result.terrain, result.ground) if f.severity == "violation"}


@settings(max_examples=25, deadline=None, derandomize=True,
          suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(seed=st.integers(0, 4), storm_seed=st.integers(0, 10_000), most=st.integers(1, 5))
def test_every_repair_is_legal_honest_and_leaves_the_rest_alone(seed, storm_seed, most):
    result = bush(seed)
    old = result.plan
    storm = random_storm(old, storm_seed, most)
    made = replan(plan=old, terrain=result.terrain, ground=result.ground, storm=storm, price_rows=PRICES,
                  date="2026-04-01")
    new = made.plan

    assert violations(new, result) <= violations(old, result)

    # every tree is accounted for, and none is lost from the table
    assert new.trees.tree_id == old.trees.tree_id
    assert all((s == "served") == (r == "") for s, r in zip(new.trees.status, new.trees.reason, strict=True))
    assert int(new.trees.taps.sum()) == sum(la.taps for la in new.laterals) == made.change.taps_after

    # a retired ID stands for nothing any more, and what is there has one name
    names = every_id(new)
    assert len(set(names)) == len(names)
    assert not set(new.retired) & set(names)
    assert set(every_id(old)) - set(names) == set(new.retired)

    # what was not touched keeps geometry, names, heights and sizes bit for bit
    untouched_sections(old, new)

    # never fewer taps than giving up everything that was hit, never dearer
    site = make_site(plan=old, terrain=result.terrain, ground=result.ground, storm=storm, price_rows=PRICES)
    case = make_case(site, assess(site))
    evaluator = Evaluator(case)
    abandoned = evaluator.evaluate(tuple(p.kinds.index("abandon") for p in case.pieces))
    assert not isinstance(abandoned, str)
    total = made.change.money + made.change.hours * site.labour + evaluator.value * (
        evaluator.sound - made.change.taps_after)
    assert total <= abandoned.cost + 1e-6
    assert made.change.taps_after >= without_new_laterals(abandoned)
    # nor dearer than giving up what was hit and building its mainlines anew
    anew = sum(float(np.linalg.norm(np.diff(s.xyz_m, axis=0), axis=1).sum()) for s in abandoned.lines.gone)
    assert total <= abandoned.cost + anew * site.metre_of_mainline() + 1e-6


def without_new_laterals(outcome) -> int:
    return sum(la.taps for _, la in outcome.kept)


def untouched_sections(old, new) -> None:
    lines = {m.mainline_id: m for m in new.mainlines}
    before = {m.mainline_id: m for m in old.mainlines}
    sizes = {p.pipe_id: (p.nominal, p.inner_diameter_mm) for p in old.flow.pipes}
    for pipe in new.flow.pipes:
        if pipe.pipe_id in sizes:
            assert sizes[pipe.pipe_id] == (pipe.nominal, pipe.inner_diameter_mm)
    was = {s.section_id: s for s in old.sections}
    for section in new.sections:
        if not section.issued_in:
            continue
        then = was[section.section_id]
        assert section.pieces == then.pieces
        assert section.check_code == then.check_code
        assert section.outline.equals_exact(then.outline, 0.0)
        assert [new.laterals[k].lateral_id for k in section.lateral] == [old.laterals[k].lateral_id
                                                                         for k in then.lateral]
        for k, j in zip(section.lateral, then.lateral, strict=True):
            assert np.array_equal(new.laterals[k].xyz_m, old.laterals[j].xyz_m)
        for name, low, high in section.pieces:
            mine = [s for s in lines[name].supports if low <= s.station_m <= high]
            theirs = [s for s in before[name].supports if low <= s.station_m <= high]
            assert mine == theirs


@pytest.mark.parametrize("seed", [0, 1])
def test_the_check_code_of_a_touched_section_changes(seed):
    result = bush(seed)
    made = replan(plan=result.plan, terrain=result.terrain, ground=result.ground,
                  storm=random_storm(result.plan, 70 + seed, 3), price_rows=PRICES, date="2026-04-01")
    old = {s.section_id: s for s in result.plan.sections}
    for section in made.plan.sections:
        if not section.issued_in:
            after = check_code(made.plan, section, terrain=result.terrain, ground=result.ground)
            assert after != check_code(result.plan, old[section.section_id], terrain=result.terrain,
                                       ground=result.ground)
