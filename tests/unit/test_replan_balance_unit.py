"""The balance of a repair: what the new plan holds is what the old one held, less what goes, and what is brought in.

Every legal decision about a broken stretch of the hillside is put in by itself, and both plans are counted by the
take-off, which knows nothing of repairs.
"""

from __future__ import annotations

from collections import Counter
from functools import cache

import numpy as np
import pytest
from pipeline import takeoff
from pipeline.replan import record, stage
from pipeline.replan.case import decision_bill, make_case
from pipeline.replan.damage import assess
from pipeline.replan.outcome import Evaluator
from shapely.geometry import Point, box

import repair_scene as scene

PLAN = scene.plan()
ROWS = [{"code": code, "price": repr(price)} for code, price in scene.PRICES.items()]
BREAKS = {
    "in 3/4 in": [("line_broken", Point(50.0, 60.0), "supports", "M1-S05")],
    "in 1 in": [("line_broken", Point(50.0, 20.0), "supports", "M1-S01")],
    "where the size changes": [("blown_area", box(48.5, 43.5, 51.5, 46.5))],
    "of the branch": [("line_broken", Point(65.0, 49.5), "supports", "M1.1-S01")],
    "in blown ground": [("blown_area", box(47.0, 72.0, 53.0, 78.0))],
    "at two places": [("line_broken", Point(50.0, 20.0), "supports", "M1-S01"),
                      ("line_broken", Point(50.0, 80.0), "supports", "M1-S07")],
}


@cache
def case_of(name: str):
    here = scene.site(*BREAKS[name], made=PLAN)
    return make_case(here, assess(here))


def outcomes(name: str):
    """Return each combination of legal options of the stretches, every lateral given up, that goes together."""
    case = case_of(name)
    made = Evaluator(case)
    free = [p.legal if p.run is not None else (p.kinds.index("abandon"),) for p in case.pieces]
    for choice in np.ndindex(*(len(f) for f in free)):
        outcome = made.evaluate(tuple(f[k] for f, k in zip(free, choice, strict=True)))
        if not isinstance(outcome, str):
            yield outcome


def counted(plan) -> Counter[str]:
    """Return the quantities of a whole plan by code."""
    taken, _ = takeoff.count(
        mainlines=plan.mainlines, grouping=plan.grouping, flow=plan.flow, sections=plan.sections, trees=plan.trees,
        crossings=plan.crossings, settings=plan.settings, price_rows=ROWS)
    return Counter({p.code: p.quantity for p in taken.total})


def metres_of(plan, mainline_id: str, low_m: float, high_m: float) -> Counter[str]:
    """Return the true length of pipe of each size on a stretch of an old line."""
    line = next(m for m in plan.mainlines if m.mainline_id == mainline_id)
    out: Counter[str] = Counter()
    for pipe in plan.flow.pipes:
        low, high = max(low_m, pipe.from_station_m), min(high_m, pipe.to_station_m)
        if pipe.mainline_id == mainline_id and high > low:
            inner = [s for s in line.station_m if low < s < high]
            xyz = np.column_stack(line.at(np.array([low, *inner, high])))
            out[f"PIPE {pipe.nominal}"] += float(np.linalg.norm(np.diff(xyz, axis=0), axis=1).sum())
    return out


every_break = pytest.mark.parametrize("name", list(BREAKS))


@every_break
def test_pipe_of_each_size_balances(name):
    """New pipe of a size = old pipe, less what is lost, and what new ways are billed with (within 1 % of a way)."""
    case, before = case_of(name), counted(PLAN)
    tried = set()
    for outcome in outcomes(name):
        after = counted(stage.draft_of(case, outcome).plan)
        expected = Counter({c: q for c, q in before.items() if c.startswith("PIPE")})
        for line in PLAN.mainlines:
            for low, high in outcome.lines.lost(line):
                expected.subtract(metres_of(PLAN, line.mainline_id, low, high))
        way_m = 0.0
        for piece, k in zip(case.pieces, outcome.choice, strict=True):
            decision = piece.decisions[k] if piece.run is not None else None
            stands = decision is not None and any(new.run is piece.run for new in outcome.lines.new)
            if stands:
                bill = decision_bill(case, decision)[0]
                expected.update({c: q for c, q in bill.items() if c.startswith("PIPE")})
                way_m += sum(q for c, q in bill.items() if c.startswith("PIPE"))
                tried.add(decision.kind)
        for code in {*expected, *(c for c in after if c.startswith("PIPE"))}:
            assert after.get(code, 0.0) == pytest.approx(expected.get(code, 0.0), abs=0.01 * way_m + 1e-6), code
    assert tried or name in ("of the branch",)


@every_break
def test_new_tops_and_feet_are_on_the_list(name):
    """Caps, joins, strainers and valves that the new plan has more of than what stays of the old one had."""
    case = case_of(name)
    for outcome in outcomes(name):
        draft = stage.draft_of(case, outcome)
        now, old = draft.plan, {m.mainline_id: m for m in PLAN.mainlines}
        listed: Counter[str] = Counter()
        for part in record.write(case, draft.done).parts:
            listed[part.code] += part.needed
        cut = [m for m in now.mainlines if m.mainline_id in old and (
            m.supports[-1].x_m, m.supports[-1].y_m) != (old[m.mainline_id].supports[-1].x_m,
                                                        old[m.mainline_id].supports[-1].y_m)]
        feet = [m for m in now.mainlines if m.mainline_id not in old]
        assert listed["STRAINER"] == len(cut)
        assert sum(q for c, q in listed.items() if c.startswith("CAP ")) == len(cut)
        assert sum(q for c, q in listed.items() if c.startswith("JOIN ")) == len(feet)
        assert listed["ANCHOR"] >= len(cut) + len(feet)
        counts = counted(now)
        for code in listed:
            if code.startswith(("CAP ", "JOIN ")):
                assert counts[code] >= listed[code], code


@every_break
def test_every_old_support_stays_goes_with_its_stretch_or_is_replaced(name):
    for outcome in outcomes(name):
        old = {s.support_id: s for m in PLAN.mainlines for s in m.supports}
        now = {s.support_id for m in outcome.lines.mainlines for s in m.supports}
        new = {s.support_id for s in outcome.lines.new_supports}
        assert new <= now
        # on a line that another takes over the old supports stand under new names
        taken = {(round(s.x_m, 6), round(s.y_m, 6)) for m in outcome.lines.mainlines for s in m.supports}
        gone = [s for key, s in old.items() if key not in now and (round(s.x_m, 6), round(s.y_m, 6)) not in taken]
        for s in gone:
            line = next(m for m in PLAN.mainlines if m.mainline_id == s.mainline_id)
            lost = outcome.lines.lost(line)
            assert any(a - 1e-6 <= s.station_m <= b + 1e-6 for a, b in lost), s.support_id


@every_break
def test_sap_runs_downhill_through_every_repaired_line(name):
    least = PLAN.settings.mainlines.min_grade_pct
    for outcome in outcomes(name):
        known = {m.mainline_id: m for m in outcome.lines.mainlines}
        for line in outcome.lines.mainlines:
            grade = 100.0 * np.diff(line.xyz_m[:, 2]) / np.diff(line.station_m)
            assert grade.min() >= least - 1e-6
            run = np.hypot(*np.diff(line.xyz_m[:, :2], axis=0).T)
            assert np.allclose(run, np.diff(line.station_m), atol=1e-6)
            if line.parent_id:
                x, y, z = (float(v) for v in known[line.parent_id].at(line.join_station_m))
                foot = line.supports[0]
                assert (foot.x_m, foot.y_m, foot.line_z_m) == pytest.approx((x, y, z), abs=1e-6)


@every_break
def test_sections_pipes_and_trees_of_every_outcome_hang_together(name):
    case = case_of(name)
    for outcome in outcomes(name):
        plan = stage.draft_of(case, outcome).plan
        lengths = {m.mainline_id: m.plan_length_m for m in plan.mainlines}
        for pieces in ([p for s in plan.sections for p in s.pieces],
                       [(p.mainline_id, p.from_station_m, p.to_station_m) for p in plan.flow.pipes]):
            held: Counter[str] = Counter()
            for line, low, high in pieces:
                held[line] += high - low
            assert dict(held) == pytest.approx(lengths)
        assert sorted(i for s in plan.sections for i in s.lateral) == list(range(len(plan.laterals)))
        assert int(plan.trees.taps.sum()) == outcome.taps == sum(s.taps for s in plan.sections)
