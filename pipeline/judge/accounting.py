"""Every tree once, every tap counted on its way to the tank."""

from __future__ import annotations

from collections import Counter

from pipeline.findings import Finding
from pipeline.judge.case import LENGTH_TOL_M, Case, breach
from pipeline.records import NOT_TAPPED_REASONS, SET_ASIDE_REASONS

_MEND = "This is a fault of the planning program, not of the bush: report it with the plan folder."


def _wrong(code: str, layer: str, subject: str, measured: float, limit: float, unit: str, text: str) -> Finding:
    return breach(code, layer, subject, measured, limit, unit, text, _MEND)


def trees_once(case: Case) -> list[Finding]:
    """Each tree is served by one lateral, or set aside or not tapped for a known reason.

    Codes ``TREE_TWICE``, ``TREE_UNSERVED``, ``TREE_REASON``, ``TREE_ORDER``.
    """
    plan = case.plan
    trees = plan.trees
    times = Counter(tree for lateral in plan.laterals for tree in lateral.tree)
    found = []
    for i, name in enumerate(trees.tree_id):
        status, reason, on = trees.status[i], trees.reason[i], times.get(i, 0)
        if on > 1:
            found.append(_wrong("TREE_TWICE", "trees", name, on, 1, "laterals", f"Tree {name} is on {on} laterals."))
        if (status == "served") != (on > 0):
            found.append(_wrong("TREE_UNSERVED", "trees", name, on, 1, "laterals",
                                f"Tree {name} is called {status} and is on {on} laterals."))
        known = {"served": ("",), "set_aside": SET_ASIDE_REASONS, "not_tapped": NOT_TAPPED_REASONS}.get(status, ())
        if reason not in known:
            found.append(_wrong("TREE_REASON", "trees", name, 0.0, 0.0, "",
                                f"Tree {name} is {status}, reason {reason or 'none'}: that says nothing."))
    return found + _orders(case)


def _orders(case: Case) -> list[Finding]:
    """Compare the plan's own table of trees with the laterals."""
    plan = case.plan
    found = []
    for k, lateral in enumerate(plan.laterals):
        for place, tree in enumerate(lateral.tree, start=1):
            told = (int(plan.tree_lateral[tree]), int(plan.tree_order[tree]))
            if told != (k, place):
                name = plan.trees.tree_id[tree]
                found.append(_wrong("TREE_ORDER", "trees", name, told[1], place, "",
                                    f"Tree {name} is number {place} on {lateral.lateral_id}, but the table of trees "
                                    f"says otherwise."))
    served = sum(len(lateral.tree) for lateral in plan.laterals)
    listed = int((plan.tree_lateral >= 0).sum())
    if listed != served:
        found.append(_wrong("TREE_ORDER", "trees", "", listed, served, "trees",
                            f"The table of trees puts {listed} trees on laterals, the laterals hold {served}."))
    return found


def taps_add_up(case: Case) -> list[Finding]:
    """Taps agree from trees through laterals, pipes and collection points.

    Codes ``LATERAL_SUM``, ``PIPE_SUM``, ``COLLECTION_SUM``, ``PIPE_HOLE``.
    """
    plan = case.plan
    found = []
    for lateral in plan.laterals:
        taps = int(plan.trees.taps[list(lateral.tree)].sum())
        if taps != lateral.taps:
            found.append(_wrong("LATERAL_SUM", "laterals", lateral.lateral_id, lateral.taps, taps, "taps",
                                f"Lateral {lateral.lateral_id} says {lateral.taps} taps, its trees carry {taps}."))
    return found + _pipe_sums(case) + _collection_sums(case)


def _inflows(case: Case) -> dict[str, list[tuple[float, int]]]:
    """Return by mainline where taps come in: (station, taps), branches with all that is behind them."""
    plan = case.plan
    into: dict[str, list[tuple[float, int]]] = {m.mainline_id: [] for m in plan.mainlines}
    for lateral in plan.laterals:
        into.setdefault(lateral.mainline_id, []).append((lateral.entry_station_m, lateral.taps))
    # children first: a line's total is complete once all of its branches have been added
    waiting = list(plan.mainlines)
    while waiting:
        parents = {m.parent_id for m in waiting}
        leaves = [m for m in waiting if m.mainline_id not in parents]
        if not leaves:
            break  # lines in a ring; the tree check says so
        for line in leaves:
            total = sum(taps for _, taps in into[line.mainline_id])
            if line.parent_id in into:
                into[line.parent_id].append((line.join_station_m, total))
        gone = {m.mainline_id for m in leaves}
        waiting = [m for m in waiting if m.mainline_id not in gone]
    return into


def _pipe_sums(case: Case) -> list[Finding]:
    into = _inflows(case)
    found = []
    cover: dict[tuple[str, bool], list[tuple[float, float]]] = {}
    for pipe in case.plan.flow.pipes:
        cover.setdefault((pipe.mainline_id, pipe.role == "dry"), []).append((pipe.from_station_m, pipe.to_station_m))
        if pipe.role == "dry":
            continue
        inflow = into.get(pipe.mainline_id, [])
        # what comes in exactly at a pipe's lower end runs through the pipe below it
        least = sum(taps for station, taps in inflow if station > pipe.from_station_m + LENGTH_TOL_M)
        most = sum(taps for station, taps in inflow if station >= pipe.from_station_m - LENGTH_TOL_M)
        if not least <= pipe.taps <= most:
            found.append(_wrong("PIPE_SUM", "pipes", pipe.pipe_id, pipe.taps, least, "taps",
                                f"Pipe {pipe.pipe_id} says {pipe.taps} taps, {least} come in above it."))
    return found + _holes(case, cover)


def _followed_m(stretches: list[tuple[float, float]], length_m: float) -> tuple[float, bool]:
    """Return where stretches cease to follow one another from 0 up, and whether they reach the top just once."""
    at = 0.0
    for low, high in sorted(stretches):
        if abs(low - at) > LENGTH_TOL_M:
            return min(low, at), False
        at = high
    return at, abs(at - length_m) <= LENGTH_TOL_M


def _holes(case: Case, cover: dict[tuple[str, bool], list[tuple[float, float]]]) -> list[Finding]:
    """Every mainline is covered by sap pipe from end to end, without gap or overlap."""
    found = []
    for line in case.plan.mainlines:
        at, whole = _followed_m(cover.get((line.mainline_id, False), []), line.plan_length_m)
        if not whole:
            found.append(_wrong("PIPE_HOLE", "mainlines", line.mainline_id, at, line.plan_length_m, "m",
                                f"The pipes of {line.mainline_id} do not follow one another to its top."))
    return found


def _collection_sums(case: Case) -> list[Finding]:
    plan = case.plan
    below = {m.mainline_id: m.collection_id for m in plan.mainlines}
    arrives: Counter[str] = Counter()
    for lateral in plan.laterals:
        arrives[below.get(lateral.mainline_id, "")] += int(plan.trees.taps[list(lateral.tree)].sum())
    found = []
    for station in plan.flow.stations:
        taps = arrives.pop(station.collection_id, 0)
        if taps != station.taps:
            found.append(_wrong("COLLECTION_SUM", "collection", station.collection_id, station.taps, taps, "taps",
                                f"{station.collection_id} counts {station.taps} taps, {taps} arrive."))
    found += [_wrong("COLLECTION_SUM", "collection", name, 0, taps, "taps",
                     f"{taps} taps run to {name or 'no collection point'}, which is not in the plan.")
              for name, taps in sorted(arrives.items()) if taps]
    return found


def sections_once(case: Case) -> list[Finding]:
    """Each lateral and each stretch of mainline is built from exactly one section; its taps agree.

    Codes ``SECTION_LATERAL``, ``SECTION_SUM``, ``SECTION_HOLE``. A plan without sections is not judged here.
    """
    plan = case.plan
    if not plan.sections:
        return []
    times = Counter(k for section in plan.sections for k in section.lateral)
    found = [
        _wrong("SECTION_LATERAL", "laterals", lateral.lateral_id, times.get(k, 0), 1, "sections",
               f"Lateral {lateral.lateral_id} is on the sheets of {times.get(k, 0)} sections.")
        for k, lateral in enumerate(plan.laterals) if times.get(k, 0) != 1
    ]
    for section in plan.sections:
        taps = sum(plan.laterals[k].taps for k in section.lateral if k < len(plan.laterals))
        if taps != section.taps:
            found.append(_wrong("SECTION_SUM", "sections", section.section_id, section.taps, taps, "taps",
                                f"Section {section.section_id} says {section.taps} taps, its laterals carry {taps}."))
    for line in plan.mainlines:
        stretches = [(a, b) for s in plan.sections for name, a, b in s.pieces if name == line.mainline_id]
        at, whole = _followed_m(stretches, line.plan_length_m)
        if not whole:
            found.append(_wrong("SECTION_HOLE", "mainlines", line.mainline_id, at, line.plan_length_m, "m",
                                f"The sections do not cover {line.mainline_id} from end to end once."))
    return found
