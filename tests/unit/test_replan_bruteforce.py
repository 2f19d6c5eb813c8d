"""Tiny damage, every combination built as a finished plan and its cost reckoned anew from the plan and the price lists.

The reckoning shares nothing with the program: it compares the laterals before and after, and takes prices, minutes and
hours from the tables themselves.
"""

from __future__ import annotations

import csv
import itertools
import math
from collections import Counter
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from pipeline.judge import judge
from pipeline.replan import replan
from pipeline.replan.case import make_case
from pipeline.replan.damage import assess
from pipeline.replan.outcome import Evaluator
from pipeline.replan.site import make_site
from pipeline.replan.stage import draft_of
from pipeline.resources import template_rows

from storm_sites import bush, storm_of, tree_item

TEMPLATES = Path(__file__).resolve().parents[2] / "templates"
KINDS = ("tree_down", "hung", "top_broken", "root_plate", "retire")


def round_trunk_m(dbh_cm: float) -> float:
    """Return the tubing round a trunk with its slack; rules.csv: a foot, 30 cm where no diameter was measured."""
    return math.pi * (30.0 if math.isnan(dbh_cm) else dbh_cm) / 100.0 + 0.3


@cache
def table(name: str) -> tuple[dict[str, str], ...]:
    lines = [line for line in (TEMPLATES / name).read_text(encoding="utf-8").splitlines() if not line.startswith("#")]
    return tuple(csv.DictReader(lines))


def price(code: str) -> float:
    rows = {row["code"]: float(row["price"]) for row in table("prices.csv")}
    return rows.get(code, rows.get(code.split(" ")[0], 0.0))


def minutes(code: str) -> float:
    names = {row["code"] for row in table("labour.csv")}
    own = code if code in names else code.split(" ")[0]
    return sum(float(row["minutes"]) for row in table("labour.csv") if row["code"] == own)


def storm_on_laterals(plan, seed: int):
    """Return a storm that takes two to four trees which hold no line."""
    rng = np.random.default_rng(seed)
    held = {s.tree_id for m in plan.mainlines for s in m.supports}
    free = [t for la in plan.laterals for t in la.tree if plan.trees.tree_id[t] not in held]
    trees = rng.choice(free, int(rng.integers(2, 5)), replace=False)
    return storm_of(*(tree_item(plan, str(rng.choice(KINDS)), int(t)) for t in trees))


def reckoned(old, new, storm) -> float:
    """Return what it costs to come from one plan to the other after trees were lost, and the worth of taps given up."""
    trees, settings = old.trees, old.settings
    lost = {trees.tree_id.index(i.subject_id): i.kind for i in storm.items}
    taps = {t: int(trees.taps[t]) for la in old.laterals for t in la.tree if t not in lost}
    was, now = {la.lateral_id: la for la in old.laterals}, {la.lateral_id: la for la in new.laterals}
    need, back, cleared, mended = Counter(), Counter(), set(), 0
    for name, la in was.items():
        if name not in now:
            whole = sum(taps[t] for t in la.tree if t in taps)
            back.update({"SPOUT": whole, "TEE": whole, "DROP TUBING": whole * settings.laterals.drop_length_m})
        elif now[name].tree != la.tree:
            after = now[name]
            mended += 1
            cleared |= set(la.tree) & set(lost)
            need["END RING"] += after.tree[-1] != la.tree[-1]
            neighbours = set(itertools.pairwise((-1, *la.tree)))
            for k, pair in enumerate(itertools.pairwise((-1, *after.tree))):
                if pair not in neighbours:
                    need["TUBING"] += float(np.linalg.norm(after.xyz_m[k + 1] - after.xyz_m[k]))
    for name, la in now.items():
        if name not in was:
            pipe = next(p for p in old.flow.pipes if p.mainline_id == la.mainline_id and p.role != "dry"
                        and p.from_station_m - 1e-6 <= la.entry_station_m <= p.to_station_m + 1e-6)
            long = float(np.linalg.norm(np.diff(la.xyz_m, axis=0), axis=1).sum())
            cut = 1.03 * long + round_trunk_m(float(trees.dbh_cm[la.tree[-1]]))
            need.update({f"ENTRY {pipe.nominal}": 1, "TUBING": cut, "TEE": la.taps - 1, "END RING": 1,
                         "DROP TUBING": la.taps * settings.laterals.drop_length_m, "SPOUT": la.taps})
    money = sum(price(code) * (n - min(n, back[code])) for code, n in need.items())
    hours = sum(minutes(code) * n for code, n in need.items()) / 60.0
    clearing = {row["code"]: float(row["hours"]) for row in table("repair.csv")}
    hours += sum(clearing[lost[t]] for t in cleared) + mended * clearing["restake"]
    sizes = [r for r in table("pipes.csv") if r["catalogue"] == settings.flow.pipes and r["role"] == "mainline"]
    size = min(sizes, key=lambda r: float(r["inner_diameter_mm"]))["nominal"]
    metre = ((f"PIPE {size}", 1.0), (f"WIRE {settings.flow.wire}", 1.0), ("TWIST TIE", 1.0 / 0.3048))
    hourly = settings.prices.labour_per_h
    worth = settings.mainlines.tap_worth_m * sum(n * (price(c) + minutes(c) / 60.0 * hourly) for c, n in metre)
    served = sum(int(new.trees.taps[t]) for la in new.laterals for t in la.tree)
    return money + hours * hourly + worth * (sum(taps.values()) - served)


@pytest.mark.parametrize("seed", range(4))
def test_the_repair_is_the_cheapest_of_all_finished_plans(seed):
    result = bush(seed % 3)
    plan, storm = result.plan, storm_on_laterals(result.plan, 40 + seed)
    rows = template_rows("prices.csv")
    site = make_site(plan=plan, terrain=result.terrain, ground=result.ground, storm=storm, price_rows=rows)
    case = make_case(site, assess(site))
    assert all(p.run is None for p in case.pieces)
    assert 1 <= len(case.pieces) <= 6
    evaluator = Evaluator(case)
    grave = {(f.code, f.subject_id) for f in judge(plan, result.terrain, result.ground) if f.severity == "violation"}
    costs = []
    for choice in itertools.product(*(p.legal for p in case.pieces)):
        outcome = evaluator.evaluate(choice)
        assert not isinstance(outcome, str)
        draft = draft_of(case, outcome)
        cost = reckoned(plan, draft.plan, storm)
        assert outcome.cost == pytest.approx(cost, abs=1e-6)
        if {(f.code, f.subject_id) for f in draft.judged if f.severity == "violation"} <= grave:
            costs.append(cost)
    made = replan(plan=plan, terrain=result.terrain, ground=result.ground, storm=storm, price_rows=rows,
                  date="2026-04-01")
    assert reckoned(plan, made.plan, storm) == pytest.approx(min(costs), abs=1e-6)
