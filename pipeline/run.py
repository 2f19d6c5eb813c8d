"""The order of the stages: from a bush file to a plan, and from a plan to paper.

Each stage is a pure function of records; this module only passes them on, keeps
the time, and tells the caller what is being done.
"""

from __future__ import annotations

import dataclasses
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Protocol, TypeVar

import numpy as np

from pipeline import edges, flow, hang, laterals, mainlines, survey, takeoff
from pipeline import ground as ground_room
from pipeline.errors import NoPlanError, Problem
from pipeline.findings import Finding, in_order
from pipeline.judge import judge
from pipeline.pockets import pockets
from pipeline.reading import Inputs, Report, quiet
from pipeline.records import (
    Crossing,
    Flow,
    GradeConfidence,
    Ground,
    Grouping,
    Mainline,
    Network,
    Plan,
    Section,
    Takeoff,
    Trees,
)
from pipeline.resources import template_rows
from pipeline.safety import notes as safety_notes
from pipeline.sections import cut
from pipeline.terrain.confidence import grade_confidence
from pipeline.terrain.grid import Terrain
from pipeline.units import Units

_T = TypeVar("_T")


class Keep(Protocol):
    """Returns a finished stage of an interrupted run, or computes it (and may keep it)."""

    def __call__(self, name: str, make: Callable[[], _T], /) -> _T:
        """Return the stage `name`; `make` computes it."""


# Pruning mainlines changes where laterals may enter, which may prune more: two rounds settle all but freaks.
TRIM_ROUNDS = 3
DRAFT_TREES = 2_000  # of more trees a rough grouping goes first, and the last one stays as it is on the trimmed lines
VAST_TREES = 15_000  # of more than that the rough one costs more than the shorter lines are worth
NO_ROUTE = Problem(
    "", "mainlines", "no mainline that would serve a tree", "at least one that falls all the way to a tank",
    "Read 'fallgrade explain BELOW_OUTLET'; move the tank lower, or allow a smaller grade or a higher line.",
)


def compute(_name: str, make: Callable[[], _T], /) -> _T:
    """Compute a stage; nothing is kept."""
    return make()


@dataclass(slots=True)
class Clock:
    """Wall-clock seconds by stage, and the seconds of processor time of this process (all its threads)."""

    seconds: dict[str, float] = field(default_factory=dict)
    cpu_seconds: dict[str, float] = field(default_factory=dict)

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Add the time spent inside to the stage's sum."""
        start, cpu = time.perf_counter(), time.process_time()
        try:
            yield
        finally:
            self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - start
            self.cpu_seconds[name] = self.cpu_seconds.get(name, 0.0) + time.process_time() - cpu


@dataclass(frozen=True, slots=True, eq=False)
class Result:
    """A finished plan with the ground it was made on."""

    plan: Plan
    terrain: Terrain
    ground: Ground
    seconds: dict[str, float]
    cpu_seconds: dict[str, float] = field(default_factory=dict)


# ---------------------------------------------------------------- planning


def survey_stage(given: Inputs) -> tuple[Trees, Ground, tuple[Finding, ...]]:
    """Return the judged trees and the prepared ground."""
    ground, ground_notes = ground_room.prepare(
        terrain=given.terrain, layers=given.layers, pins=given.pins, settings=given.settings
    )
    reasons = ground_room.tree_reasons(
        ground=ground, terrain=given.terrain, x_m=given.points.x_m, y_m=given.points.y_m
    )
    trees, survey_notes = survey.assess(
        points=given.points, terrain=given.terrain, ground_reasons=reasons,
        guideline=template_rows("guidelines.csv"), settings=given.settings,
    )
    edges.after_survey(trees)
    return trees, ground, (*ground_notes, *survey_notes)


def _entries(grouping: Grouping) -> dict[str, tuple[float, ...]]:
    entries: dict[str, list[float]] = {}
    for lateral in grouping.laterals:
        entries.setdefault(lateral.mainline_id, []).append(lateral.entry_station_m)
    return {name: tuple(sorted(stations)) for name, stations in sorted(entries.items())}


def _shape(network: Network) -> tuple[tuple[str, float], ...]:
    return tuple(
        (r.mainline_id, round(float(np.hypot(*np.diff(r.xy_m, axis=0).T).sum()), 6)) for r in network.routes
    )


@dataclass(frozen=True, slots=True, eq=False)
class Layout:
    """Lines in place: mainlines hung, laterals settled."""

    network: Network
    mainlines: tuple[Mainline, ...]
    grouping: Grouping
    findings: tuple[Finding, ...]


def lay_out(
    given: Inputs, trees: Trees, ground: Ground, clock: Clock, report: Report, keep: Keep = compute
) -> Layout:
    """Route, group and hang; laterals and mainlines trim each other until nothing changes."""
    terrain, settings = given.terrain, given.settings
    with clock.stage("mainlines"):
        report("routing the mainlines", 0.05)
        network, found = keep("mainlines", lambda: mainlines.plan_network(
            terrain=terrain, ground=ground, trees=trees, collections=given.collections, pins=given.pins,
            settings=settings, progress=lambda text, share: report(text, 0.05 + 0.4 * share),
        ))
    if not network.routes:
        raise NoPlanError([NO_ROUTE, *_standing_in_the_way(found)])
    edges.after_mainlines(network, trees)
    count = int(trees.candidate.sum())
    many = count > DRAFT_TREES
    for turn in range(TRIM_ROUNDS):
        # of many trees a rough grouping shows the first time which ends of mainlines nobody needs
        draft = turn == 0 and many and count <= VAST_TREES
        low, grouping, notes = _hang_and_group(given, trees, ground, network, clock, report, turn, draft=draft)
        with clock.stage("mainlines"):
            trimmed = mainlines.trim(network, _entries(grouping), terrain=terrain, ground=ground)
        # the last trim is not taken: hang and grouping must describe the network that is kept
        if turn == TRIM_ROUNDS - 1 or (_shape(trimmed) == _shape(network) and not draft):
            break
        if many and not draft:
            # of many trees no second grouping: the laterals stay as they are, if need be a few trees shorter
            low, said = _hang_low(given, trees, ground, trimmed, clock)
            names = mainlines.renamed(network, _entries(grouping), terrain=terrain, ground=ground)
            still, lost = laterals.fitted(laterals.on_trimmed(grouping, names, low), low, trees, settings.laterals)
            used = not lost or len(mainlines.trim(trimmed, _entries(still)).routes) == len(trimmed.routes)
            if used and (not lost or count > VAST_TREES):
                network, grouping = trimmed, still
                notes = (*said, *lost, *(note for note in notes if note.code != "HANG_BLOCKED"))
                break
        network = trimmed
    hung, said = _hang_final(given, ground, low, grouping, clock, report)
    return _settled(given, trees, network, hung, grouping, (*found, *notes, *said), clock)


def _hang_final(
    given: Inputs, ground: Ground, low: tuple[Mainline, ...], grouping: Grouping, clock: Clock, report: Report
) -> tuple[tuple[Mainline, ...], tuple[Finding, ...]]:
    """Hang lines as they will be built, no higher at an entry than its lateral allows."""
    ceilings = tuple(
        (lateral.mainline_id, lateral.entry_station_m, float(ceiling))
        for lateral, ceiling in zip(grouping.laterals, grouping.entry_ceiling_z_m, strict=True)
    )
    with clock.stage("hang"):
        report("hanging the mainlines", 0.75)
        return hang.hang_final(
            mainlines=low, ceilings=ceilings, terrain=given.terrain, ground=ground, collections=given.collections,
            settings=given.settings,
        )


def _settled(
    given: Inputs, trees: Trees, network: Network, hung: tuple[Mainline, ...], grouping: Grouping,
    findings: tuple[Finding, ...], clock: Clock,
) -> Layout:
    """Hang the laterals on their mainlines, and look that everything fits together."""
    with clock.stage("laterals"):
        settled, settle_notes = laterals.settle(
            grouping=grouping, mainlines=hung, terrain=given.terrain, trees=trees, settings=given.settings,
            confidence=_confidence(given),
        )
    edges.after_hang(hung, network)
    edges.after_laterals(settled, trees, hung)
    return Layout(network, hung, settled, (*findings, *settle_notes))


def _hang_and_group(
    given: Inputs, trees: Trees, ground: Ground, network: Network, clock: Clock, report: Report, turn: int,
    *, draft: bool,
) -> tuple[tuple[Mainline, ...], Grouping, tuple[Finding, ...]]:
    """Hang the network as low as may be, and group the trees that it then serves."""
    low, said = _hang_low(given, trees, ground, network, clock)
    begin, what = 0.45 + 0.1 * turn, "looking which mainlines are needed" if draft else "grouping trees into laterals"
    with clock.stage("laterals"):
        report(what, begin)
        grouping, notes = laterals.group(
            mainlines=low, terrain=given.terrain, ground=ground, trees=trees, reason=network.reason,
            settings=given.settings, draft=draft,
            progress=lambda _word, share: report(f"{what}, {share:.0%}", begin + 0.1 * share),
        )
    return low, grouping, (*said, *notes)


def _hang_low(
    given: Inputs, trees: Trees, ground: Ground, network: Network, clock: Clock
) -> tuple[tuple[Mainline, ...], tuple[Finding, ...]]:
    """Hang the network as low as may be; of what is said keep what the final hang does not repeat."""
    with clock.stage("hang"):
        low, said = hang.hang_low(
            network=network, terrain=given.terrain, ground=ground, trees=trees, collections=given.collections,
            settings=given.settings,
        )
    return low, tuple(note for note in said if note.code == "HANG_BLOCKED")


def _standing_in_the_way(found: tuple[Finding, ...]) -> list[Problem]:
    """Return what the routing said, gravest first, as reasons why there is no plan."""
    return [Problem("", f.code, f.text.rstrip("."), "a line that can be hung", f.remedy) for f in in_order(found)]


def _confidence(given: Inputs) -> Callable[[float, float], GradeConfidence]:
    def judge_span(length_m: float, fall_m: float) -> GradeConfidence:
        return grade_confidence(
            length_m=length_m, fall_m=fall_m, min_grade_pct=given.settings.laterals.min_grade_pct,
            vertical_error_m=given.terrain.vertical_error_m, gps_error_m=given.settings.trees.gps_error_m,
        )

    return judge_span


def make_plan(given: Inputs, report: Report = quiet, keep: Keep = compute) -> Result:
    """Plan a bush: every stage in order, then the judge.

    Parameters
    ----------
    given : Inputs
    report : callable
        Told what is being done and how much is done.
    keep : callable
        Asked for the long stages: it returns one that an interrupted run of the same plan finished, or computes it.

    Raises
    ------
    NoPlanError
        When no tree can be served, with what stands in the way.
    """
    clock = Clock()
    with clock.stage("survey"):
        report("judging the survey", 0.0)
        trees, ground, survey_notes = survey_stage(given)
    if not trees.candidate.any():
        raise NoPlanError([Problem(given.points.source, "", f"{len(trees)} trees, none that can be tapped",
                                   "at least one tappable tree on the terrain",
                                   "Run 'fallgrade check' to see why each was left out.")])
    layout = keep("layout", lambda: lay_out(given, trees, ground, clock, report, keep))
    with clock.stage("flow"):
        report("sizing the pipes", 0.8)
        sized, flow_notes = flow.size(
            mainlines=layout.mainlines, grouping=layout.grouping, collections=given.collections,
            settings=given.settings,
        )
        edges.after_flow(sized, layout.grouping)
    with clock.stage("sections"):
        report("cutting sections and counting parts", 0.85)
        crossings = ground_room.crossings(
            mainlines=layout.mainlines, laterals=layout.grouping.laterals, ground=ground, terrain=given.terrain
        )
        sections, section_notes = cut(
            mainlines=layout.mainlines, grouping=layout.grouping, trees=trees, settings=given.settings
        )
        edges.after_sections(sections, layout.grouping)
        parts, part_notes = takeoff.count(
            mainlines=layout.mainlines, grouping=layout.grouping, flow=sized, sections=sections, trees=trees,
            crossings=crossings, settings=given.settings, price_rows=list(given.prices),
        )
    findings = (*given.findings, *survey_notes, *layout.findings, *flow_notes, *section_notes, *part_notes)
    with clock.stage("judge"):
        report("judging the plan", 0.9)
        plan = assemble(given, trees, ground, layout, sized, crossings, sections, parts, findings)
        plan = dataclasses.replace(
            plan, findings=in_order((*plan.findings, *judge(plan, given.terrain, ground)))
        )
    report("planned", 1.0)
    return Result(plan, given.terrain, ground, clock.seconds, clock.cpu_seconds)


def assemble(
    given: Inputs, trees: Trees, ground: Ground, layout: Layout, sized: Flow,
    crossings: tuple[Crossing, ...], sections: tuple[Section, ...], parts: Takeoff,
    findings: tuple[Finding, ...],
) -> Plan:
    """Put the stages' results together; the trees get their final status here."""
    final, tree_lateral, tree_order, line_z = finish_trees(trees, layout.grouping)
    hours = {name: sum(tasks.values()) for name, tasks in parts.hours_by_section.items()}
    sections = tuple(dataclasses.replace(s, crew_hours=hours.get(s.section_id, 0.0)) for s in sections)
    safety = {
        s.section_id: safety_notes(
            section=s, mainlines=layout.mainlines, grouping=layout.grouping, trees=final, flow=sized,
            crossings=crossings, ground=ground, terrain=given.terrain, settings=given.settings,
        )
        for s in sections
    }
    stats = statistics(layout.mainlines, layout.grouping, final, layout.network)
    found = pockets(trees=trees, reason=final.reason, potential_taps=trees.taps.astype(np.float64),
                    lift_m=layout.network.lift_m, units=Units(given.settings.bush.units))
    return Plan(
        settings=given.settings, frame=given.terrain.frame, trees=final, tree_lateral=tree_lateral,
        tree_order=tree_order, tree_line_z_m=line_z, collections=given.collections,
        mainlines=layout.mainlines, grouping=layout.grouping, flow=sized, crossings=crossings,
        sections=sections, takeoff=parts, safety=safety, findings=in_order((*findings, *found)),
        not_checked=ground.missing, lift_m=layout.network.lift_m,
        worth_curve=mainlines.curve_as_built(
            layout.network.worth_curve, given.settings.mainlines.tap_worth_m, int(stats["taps"]), stats["mainline_m"]
        ),
        stats=stats,
        prices=tuple((row["code"].strip(), float(row["price"])) for row in given.prices),
    )


def finish_trees(
    trees: Trees, grouping: Grouping
) -> tuple[Trees, np.ndarray, np.ndarray, np.ndarray]:
    """Return trees with final status, and for each its lateral, its place on it and the line's elevation."""
    n = len(trees)
    tree_lateral = np.full(n, -1, dtype=np.int64)
    tree_order = np.zeros(n, dtype=np.int64)
    line_z = np.full(n, np.nan)
    for i, lateral in enumerate(grouping.laterals):
        index = np.array(lateral.tree, dtype=np.int64)
        tree_lateral[index] = i
        tree_order[index] = np.arange(1, index.size + 1)
        line_z[index] = lateral.xyz_m[1:, 2]
    candidate = trees.candidate
    served = tree_lateral >= 0
    status = tuple(
        ("served" if served[i] else "set_aside") if candidate[i] else trees.status[i] for i in range(n)
    )
    reason = tuple(
        ("" if served[i] else grouping.reason[i] or "NO_LATERAL") if candidate[i] else trees.reason[i]
        for i in range(n)
    )
    final = dataclasses.replace(trees, status=status, reason=reason, taps=np.where(served, trees.taps, 0))
    return final, tree_lateral, tree_order, line_z


def statistics(
    lines: tuple[Mainline, ...], grouping: Grouping, trees: Trees, network: Network
) -> dict[str, float]:
    """Return the figures by which layouts are compared; lengths in metres."""
    taps = int(trees.taps.sum())
    main_m = sum(line.length_m for line in lines)
    lateral_m = sum(lateral.length_m for lateral in grouping.laterals)
    count = len(grouping.laterals)
    bends = sum(_bends(line) for line in lines)
    stats = {
        "taps": float(taps), "trees_served": float(sum(s == "served" for s in trees.status)),
        "mainlines": float(len(lines)), "mainline_m": main_m, "laterals": float(count), "lateral_m": lateral_m,
        "mainline_m_per_tap": main_m / taps if taps else 0.0,
        "lateral_m_per_tap": lateral_m / taps if taps else 0.0,
        "taps_per_lateral": taps / count if count else 0.0,
        "bends_per_100_m": 100.0 * bends / main_m if main_m else 0.0,
        "lateral_objective_m": grouping.objective_m, "lateral_lower_bound_m": grouping.lower_bound_m,
    }
    return {**stats, **{f"network_{name}": value for name, value in sorted(network.stats.items())}}


def _bends(line: Mainline) -> int:
    """Count supports where the line turns by more than two degrees in plan."""
    xy = line.xyz_m[:, :2]
    heading = np.degrees(np.arctan2(*np.diff(xy, axis=0).T[::-1]))
    turn = np.abs((np.diff(heading) + 180.0) % 360.0 - 180.0)
    return int((turn > 2.0).sum())


