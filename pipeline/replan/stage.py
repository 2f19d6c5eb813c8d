"""The stage: a plan and a storm in, the repaired plan with its record out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np

from pipeline import ground as ground_room
from pipeline import takeoff
from pipeline.errors import NoPlanError, Problem
from pipeline.findings import Finding, in_order
from pipeline.judge import CODES, judge
from pipeline.records import (
    Change,
    Crossing,
    Damage,
    Ground,
    Grouping,
    Lateral,
    Mainline,
    Plan,
    SafetyNote,
    Storm,
    SurveyPoints,
    Trees,
    TreeStatus,
)
from pipeline.replan import flows, record
from pipeline.replan.added import with_trees
from pipeline.replan.book import Finished
from pipeline.replan.case import Case, make_case
from pipeline.replan.choose import cheapest_first, method
from pipeline.replan.damage import Assessment, assess, unmatched_findings
from pipeline.replan.ids import Ids, every_id
from pipeline.replan.listing import piece_records, served_choice
from pipeline.replan.outcome import Evaluator, Outcome
from pipeline.replan.regroup import unserved
from pipeline.replan.site import Site, make_site
from pipeline.replan.storm_safety import storm_notes
from pipeline.replan.telling import own_findings
from pipeline.replan.zoning import current_revision, next_revision, rezone
from pipeline.safety import notes as safety_notes
from pipeline.terrain.grid import Terrain

MOST_TRIES = 24  # combinations shown to the judge before the one with the fewest breaches is taken
Report = Callable[[str, float], None]


@dataclass(frozen=True, slots=True, eq=False)
class Replanned:
    """A repaired plan, its record, and which sections keep the sheets they were issued with."""

    plan: Plan
    change: Change
    kept: tuple[str, ...]


def replan(
    *, plan: Plan, terrain: Terrain, ground: Ground, storm: Storm, price_rows: list[dict[str, str]], date: str,
    added: SurveyPoints | None = None, report: Report = lambda _what, _share: None,
) -> Replanned:
    """Return the plan after the cheapest legal repair of what a storm broke.

    Parameters
    ----------
    plan, terrain, ground
        The plan as it stands; nothing of it is modified.
    storm : Storm
        What was logged.
    price_rows : list of dict
        Prices, as in ``templates/prices.csv``.
    date : str
        Date of the repair, printed on the sheets that it touches.
    added : SurveyPoints, optional
        New trees to be led to the lines that are there.

    Raises
    ------
    NoPlanError
        When the storm touches nothing of the plan and no tree is new.

    Notes
    -----
    Combinations come cheapest first; the first one in which the judge finds no violation that
    the plan did not have before (in its findings) is taken.
    """
    old = plan
    fresh: tuple[int, ...] = ()
    if added is not None:
        plan, fresh = with_trees(plan, added, terrain=terrain, ground=ground)
    site = make_site(plan=plan, terrain=terrain, ground=ground, storm=storm, price_rows=price_rows,
                     fresh=fresh, known=len(old.trees))
    report("looking what broke", 0.02)
    assessment = assess(site)
    damages = assessment.damages(site)
    if added is None and not any(d.state in ("lost", "hit") for d in damages):
        raise NoPlanError([Problem(storm.source, "storm", "nothing that lies on a line, support or tree of the plan",
                                   "at least one damaged thing", "Check the places and IDs in the storm file.")])
    report("working out repairs", 0.1)
    case = make_case(site, assessment)
    evaluator = Evaluator(case)
    before = _violations(f for f in plan.findings if f.code in CODES)
    again = False  # whether the old plan was judged anew: only when it may have been judged by other rules
    best: tuple[int, _Draft] | None = None
    for tried, outcome in enumerate(cheapest_first(evaluator)):
        report(f"judging repair {tried + 1}", 0.3)
        draft = draft_of(case, outcome)
        here = _violations(draft.judged)
        if here - before and not again:
            before, again = before | _violations(judge(old, terrain, ground)), True
        new = sum((here - before).values())
        if best is None or new < best[0]:
            best = new, draft
        if not new or tried + 1 >= MOST_TRIES:
            break
    if best is None:
        raise NoPlanError([Problem(storm.source, "storm", "no repair that goes together", "one", "Plan again.")])
    report("writing down the repair", 0.8)
    return _finished(case, evaluator, best[1], damages, date)


def _violations(found: Iterable[Finding]) -> Counter[tuple[str, str]]:
    return Counter((f.code, f.subject_id) for f in found if f.severity == "violation")


@dataclass(frozen=True, slots=True, eq=False)
class _Draft:
    """A plan after one combination, with what the judge says."""

    outcome: Outcome
    done: Finished
    plan: Plan
    judged: tuple[Finding, ...]
    findings: tuple[Finding, ...]


def draft_of(case: Case, outcome: Outcome) -> _Draft:
    """Return the whole plan of one combination."""
    site = case.site
    plan = site.plan
    ids = Ids.of(plan)
    for s in outcome.lines.new_supports:  # already named in the same order
        ids.highest[s.support_id.rpartition("S")[0] + "S"] = max(
            ids.highest.get(s.support_id.rpartition("S")[0] + "S", 0), int(s.support_id.rpartition("S")[2]))
    laterals, ceilings, old_index = _named(outcome, ids)
    trees = _trees(case, laterals, _why_aside(case, outcome, laterals))
    final, tree_lateral, tree_order, line_z = trees
    grouping = Grouping(laterals, final.reason, ceilings)
    flow, flow_notes, _ = flows.recheck(site, outcome.lines, grouping, ids)
    mainlines = tuple(outcome.lines.mainlines)
    crossings = _crossings(site, mainlines, laterals, ids)
    revision = next_revision(plan)
    zones = rezone(plan, outcome.lines, laterals, old_index, revision=revision, also=_worked(case, outcome))
    parts, part_notes = takeoff.count(
        mainlines=mainlines, grouping=grouping, flow=flow, sections=zones.sections, trees=final, crossings=crossings,
        settings=plan.settings, price_rows=_rows(site),
    )
    hours = {name: sum(tasks.values()) for name, tasks in parts.hours_by_section.items()}
    sections = tuple(
        s if s.issued_in else replace(s, crew_hours=hours.get(s.section_id, 0.0)) for s in zones.sections
    )
    new = replace(
        plan, trees=final, tree_lateral=tree_lateral, tree_order=tree_order, tree_line_z_m=line_z,
        mainlines=mainlines, grouping=grouping, flow=flow, crossings=crossings, sections=sections, takeoff=parts,
        findings=(), stats=_statistics(plan, mainlines, grouping, final),
        worth_curve=(),  # it told of the whole layout, which is no longer this one
    )
    new = replace(new, retired=_retired(plan, new))
    done = Finished(outcome, laterals, old_index, replace(zones, sections=sections))
    judged = judge(new, site.terrain, site.ground)
    return _Draft(outcome, done, new, judged, (*flow_notes, *part_notes))


def _rows(site: Site) -> list[dict[str, str]]:
    return [{"code": code, "price": repr(price)} for code, price in site.prices.items()]


def _named(
    outcome: Outcome, ids: Ids
) -> tuple[tuple[Lateral, ...], np.ndarray, dict[int, int]]:
    """Return all laterals in line order with their IDs, ceilings of their entries, old index by new."""
    rank = {m.mainline_id: i for i, m in enumerate(outcome.lines.mainlines)}
    rows: list[tuple[tuple[int, float, int], Lateral, float, int]] = []
    for k, lateral in outcome.kept:
        rows.append(((rank[lateral.mainline_id], lateral.entry_station_m, k), lateral, np.nan, k))
    for j, (lateral, ceiling) in enumerate(outcome.made):
        rows.append(((rank[lateral.mainline_id], lateral.entry_station_m, 10**9 + j), lateral, ceiling, -1))
    rows.sort(key=lambda row: row[0])
    laterals, ceilings, old_index = [], [], {}
    for n, (_, lateral, ceiling, k) in enumerate(rows):
        named = lateral
        if k < 0 or not lateral.lateral_id.startswith(f"{lateral.mainline_id}-"):
            named = replace(lateral, lateral_id=ids.next(f"{lateral.mainline_id}-L"))
        laterals.append(named)
        ceilings.append(ceiling)
        if k >= 0:
            old_index[n] = k
    return tuple(laterals), np.array(ceilings, dtype=np.float64), old_index


def _why_aside(case: Case, outcome: Outcome, laterals: tuple[Lateral, ...]) -> dict[int, str]:
    """Return for each new tree that no line leads to why none does."""
    served = _served(laterals)
    left = [t for t in case.site.fresh if t not in served and case.assessment.usable(t)]
    if not left:
        return {}
    return unserved(case.site, case.assessment, lines=outcome.lines.mainlines, kept=laterals, trees=left)


def _served(laterals: tuple[Lateral, ...]) -> frozenset[int]:
    return frozenset(t for la in laterals for t in la.tree)


def _trees(
    case: Case, laterals: tuple[Lateral, ...], aside: dict[int, str]
) -> tuple[Trees, np.ndarray, np.ndarray, np.ndarray]:
    """Return the trees with what became of them, and lateral, order and elevation of each."""
    trees = case.site.plan.trees
    n = len(trees)
    lateral_of = np.full(n, -1, dtype=np.int64)
    order = np.zeros(n, dtype=np.int64)
    line_z = np.full(n, np.nan)
    for i, lateral in enumerate(laterals):
        index = np.array(lateral.tree, dtype=np.int64)
        lateral_of[index] = i
        order[index] = np.arange(1, index.size + 1)
        line_z[index] = lateral.xyz_m[1:, 2]
    status: list[TreeStatus] = list(trees.status)
    reason = list(trees.reason)
    for t in range(n):
        if lateral_of[t] >= 0:
            status[t], reason[t] = "served", ""
            continue
        mark = case.assessment.trees[t]
        if mark.bad and trees.status[t] != "not_tapped":
            retired = all(code == "RETIRE" for code, _ in mark.reasons)
            status[t], reason[t] = "not_tapped", "RETIRED" if retired else "STORM_LOST"
        elif trees.status[t] == "served":
            status[t], reason[t] = "set_aside", "ABANDONED"
        elif t in aside:
            reason[t] = aside[t]
    taps = np.where(lateral_of >= 0, trees.taps, 0)
    return replace(trees, status=tuple(status), reason=tuple(reason), taps=taps), lateral_of, order, line_z


def _crossings(
    site: Site, mainlines: tuple[Mainline, ...], laterals: tuple[Lateral, ...], ids: Ids
) -> tuple[Crossing, ...]:
    """Return all crossings; those that were there before keep their IDs."""
    found = ground_room.crossings(mainlines=mainlines, laterals=laterals, ground=site.ground, terrain=site.terrain)
    known: dict[tuple[str, str, float, float], list[Crossing]] = {}
    for old in site.plan.crossings:
        known.setdefault((old.kind, old.name, round(old.x_m, 2), round(old.y_m, 2)), []).append(old)
    out = []
    for now in found:
        same = known.get((now.kind, now.name, round(now.x_m, 2), round(now.y_m, 2)), [])
        own = next((c for c in same if c.line_id == now.line_id), None)
        if own is not None:
            same.remove(own)
            moved = abs(own.station_m - now.station_m) > 1e-9 or own.clearance_m != now.clearance_m
            out.append(replace(now, crossing_id=own.crossing_id) if moved else own)
        else:
            out.append(replace(now, crossing_id=ids.next("X", 1)))
    return tuple(out)


def _worked(case: Case, outcome: Outcome) -> frozenset[str]:
    """Return the sections in which something is mended although its lines stay as they are."""
    out: set[str] = set()
    plan = case.site.plan
    for piece, k in zip(case.pieces, outcome.choice, strict=True):
        if piece.run is not None:
            # hung again, a stretch leaves its ends as they were: a section that only begins there has nothing to do
            short = 2e-6 if piece.kinds[k] in ("rehang", "new_support") else 0.0
            out |= _sections_at(plan, piece.run.line.mainline_id, piece.run.low_m + short, piece.run.high_m - short)
        elif piece.kinds[k] == "mend":
            out |= {s.section_id for s in plan.sections if piece.lateral in s.lateral}
    lines = {m.mainline_id: m for m in outcome.lines.mainlines}
    before = {m.mainline_id for m in plan.mainlines}
    for line in plan.mainlines:  # a branch that is gone leaves a join to close
        if line.parent_id and line.mainline_id not in lines:
            out |= _sections_at(plan, line.parent_id, line.join_station_m, line.join_station_m)
    for made in outcome.lines.mainlines:  # a new branch needs a join on its parent
        if made.parent_id and made.mainline_id not in before:
            out |= _sections_at(plan, made.parent_id, made.join_station_m, made.join_station_m)
    return frozenset(out)


def _sections_at(plan: Plan, mainline_id: str, low_m: float, high_m: float) -> set[str]:
    return {
        s.section_id for s in plan.sections for name, a, b in s.pieces
        if name == mainline_id and b >= low_m - 1e-6 and a <= high_m + 1e-6
    }


def _retired(old: Plan, new: Plan) -> tuple[str, ...]:
    """Return every ID that no longer stands for anything, the earlier ones first."""
    now = set(every_id(new))
    fresh = [name for name in dict.fromkeys(every_id(old)) if name not in now]
    return (*old.retired, *fresh)


def _statistics(
    plan: Plan, mainlines: tuple[Mainline, ...], grouping: Grouping, trees: Trees
) -> dict[str, float]:
    taps = int(trees.taps.sum())
    main_m = sum(line.length_m for line in mainlines)
    lateral_m = sum(lateral.length_m for lateral in grouping.laterals)
    count = len(grouping.laterals)
    return {
        **plan.stats, "taps": float(taps), "trees_served": float(sum(s == "served" for s in trees.status)),
        "mainlines": float(len(mainlines)), "mainline_m": main_m, "laterals": float(count), "lateral_m": lateral_m,
        "mainline_m_per_tap": main_m / taps if taps else 0.0,
        "lateral_m_per_tap": lateral_m / taps if taps else 0.0, "taps_per_lateral": taps / count if count else 0.0,
    }


# ---------------------------------------------------------------- the end


def _finished(
    case: Case, evaluator: Evaluator, draft: _Draft, damages: tuple[Damage, ...], date: str
) -> Replanned:
    site, outcome = case.site, draft.outcome
    plan = site.plan
    written = record.write(case, draft.done)
    change = Change(
        revision=next_revision(plan), replaces=current_revision(plan), date=date, source=site.storm.source,
        method=method(evaluator), items=site.storm.items,
        damages=tuple(d for d in damages if d.state != "clear"), clear=_clear(damages),
        pieces=piece_records(case, served_choice(case, outcome.choice, _served(draft.done.laterals))),
        changes=written.items, jobs=written.jobs, steps=written.steps, parts=written.parts, sections=written.sections,
        money=outcome.money, hours=outcome.hours, tap_value=evaluator.value,
        taps_before=sum(la.taps for la in plan.laterals), taps_after=outcome.taps,
    )
    safety = _safety(case, draft)
    kept = [f for f in plan.findings if f.code not in CODES and f.subject_id not in draft.plan.retired
            and f.code not in ("COST_PER_TAP", "PRICES_ARE_EXAMPLES", "PRICE_MISSING", "TREES_ADDED")]
    findings = in_order([
        *kept, *draft.findings, *draft.judged, *unmatched_findings(case.assessment),
        *own_findings(case, draft.plan.trees, change),
    ])
    new = replace(draft.plan, safety=safety, findings=findings, changes=(*plan.changes, change))
    return Replanned(new, change, tuple(s.section_id for s in new.sections if s.issued_in))


def _clear(damages: tuple[Damage, ...]) -> tuple[tuple[str, int], ...]:
    count = Counter(d.layer for d in damages if d.state == "clear")
    return tuple(sorted(count.items()))


def _safety(case: Case, draft: _Draft) -> dict[str, tuple[SafetyNote, ...]]:
    """Return the cautions: as issued for untouched sections, with the storm's own for touched ones."""
    site, new = case.site, draft.plan
    out = {}
    for section in new.sections:
        if section.issued_in:
            out[section.section_id] = site.plan.safety.get(section.section_id, ())
            continue
        found = safety_notes(
            section=section, mainlines=new.mainlines, grouping=new.grouping, trees=new.trees, flow=new.flow,
            crossings=new.crossings, ground=site.ground, terrain=site.terrain, settings=new.settings,
        )
        out[section.section_id] = storm_notes(case, draft.done, section, found)
    return out


def assessed(
    *, plan: Plan, terrain: Terrain, ground: Ground, storm: Storm, price_rows: list[dict[str, str]]
) -> tuple[Site, Assessment]:
    """Return the site and what a storm did to it, without repairing anything."""
    site = make_site(plan=plan, terrain=terrain, ground=ground, storm=storm, price_rows=price_rows)
    return site, assess(site)
