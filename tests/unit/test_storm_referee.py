"""The referee of repairs sees what it is there to see: each clause, broken by hand, is named."""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
import pytest
from pipeline.records import Plan
from pipeline.replan import replan
from pipeline.resources import template_rows

from storm_referee import Fault, every_tree, legal, names_retired, taps_and_cost, untouched
from storm_sites import bush, random_storm


@cache
def repaired() -> tuple[Plan, Plan]:
    """Return a plan and its repair."""
    result = bush(0)
    storm = random_storm(result.plan, 14, 4)
    made = replan(plan=result.plan, terrain=result.terrain, ground=result.ground, storm=storm,
                  price_rows=template_rows("prices.csv"), date="2026-04-01")
    return result.plan, made.plan


def told(old: Plan, new: Plan) -> set[str]:
    """Return the clauses that do not hold."""
    after = dataclasses.replace(bush(0), plan=new)
    found: list[Fault] = [*untouched(old, new), *legal(after), *every_tree(old, new), *names_retired(old, new),
                          *taps_and_cost(old, new)]
    return {f.clause for f in found}


def with_laterals(plan: Plan, laterals) -> Plan:
    return dataclasses.replace(plan, grouping=dataclasses.replace(plan.grouping, laterals=tuple(laterals)))


def with_change(plan: Plan, **values) -> Plan:
    return dataclasses.replace(plan, changes=(*plan.changes[:-1], dataclasses.replace(plan.changes[-1], **values)))


def test_a_sound_repair_has_no_fault():
    assert told(*repaired()) == set()


def test_a_lateral_of_an_untouched_section_that_hangs_a_hair_higher_is_seen():
    old, new = repaired()
    k = next(s for s in new.sections if s.issued_in).lateral[0]
    higher = new.laterals[k].xyz_m.copy()
    higher[-1, 2] = np.nextafter(higher[-1, 2], np.inf)
    moved = dataclasses.replace(new.laterals[k], xyz_m=higher)
    other = with_laterals(new, (moved if la is new.laterals[k] else la for la in new.laterals))
    assert told(old, other) == {"untouched"}


def test_a_support_or_size_of_an_untouched_section_that_changed_is_seen():
    old, new = repaired()
    name, low, high = next(s for s in new.sections if s.issued_in).pieces[0]
    line = next(m for m in new.mainlines if m.mainline_id == name)
    post = next(s for s in line.supports if low <= s.station_m <= high)
    other = dataclasses.replace(line, supports=tuple(
        dataclasses.replace(s, offset_m=s.offset_m + 0.01) if s is post else s for s in line.supports))
    assert "untouched" in told(old, dataclasses.replace(
        new, mainlines=tuple(other if m is line else m for m in new.mainlines)))
    pipe = next(p for p in new.flow.pipes if p.mainline_id == name and p.from_station_m < high and p.to_station_m > low)
    wider = dataclasses.replace(pipe, nominal="9")
    assert "untouched" in told(old, dataclasses.replace(new, flow=dataclasses.replace(
        new.flow, pipes=tuple(wider if p is pipe else p for p in new.flow.pipes))))


def test_a_tree_without_a_reason_and_taps_that_do_not_add_up_are_seen():
    old, new = repaired()
    t = next(i for i, s in enumerate(new.trees.status) if s != "served")
    reason = tuple("" if i == t else r for i, r in enumerate(new.trees.reason))
    assert "trees" in told(old, dataclasses.replace(new, trees=dataclasses.replace(new.trees, reason=reason)))
    assert "trees" in told(old, with_change(new, taps_after=new.changes[-1].taps_after + 1))


def test_a_retired_name_that_is_borne_again_or_forgotten_is_seen():
    old, new = repaired()
    assert new.retired
    assert "retired" in told(old, dataclasses.replace(new, retired=new.retired[1:]))
    assert "retired" in told(old, dataclasses.replace(new, retired=(*new.retired, new.laterals[0].lateral_id)))


@pytest.mark.parametrize(("values", "clause"), [({"taps_after": 0}, "taps"), ({"money": 1e6}, "cost")])
def test_fewer_taps_and_a_dearer_repair_are_seen(values, clause):
    old, new = repaired()
    assert clause in told(old, with_change(new, **values))


def test_a_lateral_that_crosses_the_woods_is_a_violation():
    old, new = repaired()
    long = new.laterals[0].xyz_m.copy()
    long[-1, :2] += 90.0
    far = dataclasses.replace(new.laterals[0], xyz_m=long)
    assert "judge" in told(old, with_laterals(new, (far, *new.laterals[1:])))
