"""Whatever a storm leaves on the hillside: hours, money, parts, taps and sections of its repair balance."""

from __future__ import annotations

from collections import Counter
from functools import cache

import numpy as np
import pytest
from pipeline.judge import judge
from pipeline.replan import replan
from pipeline.replan.case import make_case
from pipeline.replan.damage import assess
from pipeline.replan.site import make_site
from shapely.geometry import LineString, Point

import repair_scene as scene

PLAN, TERRAIN, GROUND = scene.plan(), scene.terrain(), scene.ground()
ROWS = [{"code": code, "price": repr(price)} for code, price in scene.PRICES.items()]
KINDS = ("tree_down", "hung", "top_broken", "root_plate", "retire", "line_broken", "line_pinned", "support_lost",
         "stem", "blown_area")
SEEDS = range(14)


def row(rng: np.random.Generator, kind: str):
    """Return one logged thing on or near the lines."""
    if kind in ("tree_down", "hung", "top_broken", "root_plate", "retire"):
        return kind, int(rng.integers(0, 11))
    line = PLAN.mainlines[int(rng.integers(0, 2))]
    s = line.supports[int(rng.integers(0, len(line.supports)))]
    x, y = s.x_m + rng.normal(0.0, 2.0), s.y_m + rng.normal(0.0, 2.0)
    if kind == "support_lost":
        return kind, Point(s.x_m, s.y_m), "supports", s.support_id
    if kind == "stem":
        turn = rng.uniform(0.0, 2.0 * np.pi)
        return kind, LineString([(x, y), (x + 14.0 * np.cos(turn), y + 14.0 * np.sin(turn))])
    if kind == "blown_area":
        return kind, Point(x, y).buffer(float(rng.uniform(2.0, 7.0)), quad_segs=4)
    return kind, Point(x, y)


@cache
def repaired(seed: int):
    """Return the storm's case and its repair; the first row surely hits a tree that a lateral serves."""
    rng = np.random.default_rng(500 + seed)
    rows = [("tree_down", int(rng.integers(0, 9)))]
    rows += [row(rng, str(rng.choice(KINDS))) for _ in range(int(rng.integers(1, 4)))]
    storm = scene.storm(*rows)
    made = replan(plan=PLAN, terrain=TERRAIN, ground=GROUND, storm=storm, price_rows=ROWS, date="2026-04-01")
    site = make_site(plan=PLAN, terrain=TERRAIN, ground=GROUND, storm=storm, price_rows=ROWS)
    return make_case(site, assess(site)), made


every_storm = pytest.mark.parametrize("seed", SEEDS)


@every_storm
def test_money_is_what_is_bought_and_hours_are_what_the_steps_take(seed):
    case, made = repaired(seed)
    change = made.change
    bought = sum(case.site.price_of(p.code) * (p.needed - p.reused) for p in change.parts)
    assert change.money == pytest.approx(bought)
    walks = sum(s.action == "safe" for s in change.steps) * case.site.clearing["walk_through"]
    assert sum(s.hours for s in change.steps) == pytest.approx(change.hours + walks)


@every_storm
def test_each_lateral_stays_goes_or_comes_once(seed):
    _, made = repaired(seed)
    items = [i for i in made.change.changes if i.layer == "laterals"]
    gone = Counter(i.subject_id for i in items if i.note == "whole")
    come = Counter(i.subject_id for i in items if i.action == "new" and not i.note)
    now = Counter(la.lateral_id for la in made.plan.laterals)
    assert now == Counter(la.lateral_id for la in PLAN.laterals) - gone + come
    assert max((*gone.values(), *come.values()), default=1) == 1


@every_storm
def test_taps_lost_are_those_of_trees_that_are_gone_or_given_up(seed):
    case, made = repaired(seed)
    status = zip(PLAN.trees.status, made.plan.trees.status, strict=True)
    off = [t for t, (was, now) in enumerate(status) if was == "served" and now != "served"]
    assert made.change.taps_before - made.change.taps_after == sum(int(PLAN.trees.taps[t]) for t in off)
    for t in off:
        reasons = ("ABANDONED",) if case.assessment.usable(t) else ("STORM_LOST", "RETIRED")
        assert made.plan.trees.reason[t] in reasons


@every_storm
def test_sections_and_pipes_cover_what_hangs_and_nothing_else(seed):
    plan = repaired(seed)[1].plan
    length = {m.mainline_id: m.plan_length_m for m in plan.mainlines}
    for pieces in ([p for s in plan.sections for p in s.pieces],
                   [(p.mainline_id, p.from_station_m, p.to_station_m) for p in plan.flow.pipes]):
        held: Counter[str] = Counter()
        for name, low, high in pieces:
            held[name] += high - low
        assert dict(held) == pytest.approx(length)
    assert sorted(i for s in plan.sections for i in s.lateral) == list(range(len(plan.laterals)))


@every_storm
def test_the_judge_finds_nothing_that_it_did_not_find_before(seed):
    """The hillside as it stood is without any finding."""
    plan = repaired(seed)[1].plan
    grave = [f for f in judge(plan, TERRAIN, GROUND) if f.severity == "violation"]
    assert grave == []


@every_storm
def test_crews_meet_every_damaged_piece_once_with_a_legal_choice(seed):
    case, made = repaired(seed)
    change = made.change
    assert len(change.pieces) == len(case.pieces)
    assert len({p.piece_id for p in change.pieces}) == len(change.pieces)
    for record, piece in zip(change.pieces, case.pieces, strict=True):
        assert tuple(o.kind for o in record.options) == piece.kinds
        assert record.options[record.chosen].legal
        assert record.state in ("hit", "lost")
    mended = {m for j in change.jobs for m in j.marks}
    assert mended == {i.mark for i in change.changes if i.action != "remove"}


@every_storm
def test_nothing_is_built_in_blown_ground_or_under_a_stem(seed):
    case, made = repaired(seed)
    for item in made.change.changes:
        if item.action == "new" and len(item.xyz_m) > 1 and item.note == "":
            line = LineString([p[:2] for p in item.xyz_m])
            assert not line.intersects(case.assessment.blown)
            assert not line.intersects(case.assessment.stems)
