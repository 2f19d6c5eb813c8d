"""What set each height, and what could not be met."""

from __future__ import annotations

import numpy as np

from pipeline.findings import Finding
from pipeline.hang.problem import CEILING, HIGHEST, INLET, JOIN, KINDS, LOWEST, Problem
from pipeline.hang.solve import slack_m, span_matrix
from pipeline.records import Floats
from pipeline.settings import MainlineSettings
from pipeline.units import Units

ACTIVE_M = 1e-3  # a bound this near holds the wire
BROKEN_M = 1e-4  # beyond the solver's tolerance and our margins: a breach

_SAYS = {
    LOWEST: "hangs {by} too low at {at}: the ground there stands too high for a line that falls to its outlet",
    HIGHEST: "hangs {by} too high at {at}: the ground there is too deep for a line that has to clear its surroundings",
    CEILING: "hangs {by} too high at {at} for the lateral that enters there",
    JOIN: "misses a kept branch by {by} at {at}",
}
_MEND = {
    LOWEST: "Move the line or its bends, raise [mainlines] highest, or cut the ground away there.",
    HIGHEST: "Move the line or its bends, raise [mainlines] highest, or end the line below this place.",
    CEILING: "Move the lateral's entry up the line or leave the lateral out.",
    JOIN: "Unpin the branch or give it another join.",
}


def bindings(problem: Problem, z_m: Floats, rules: MainlineSettings) -> list[str]:
    """Return for each support the constraint that set its height.

    Of those that hold the wire at the support or in a span beside it the first of: pinned, join,
    inlet, ceiling, highest, lowest, min_grade; else ``aim`` where the wire is at the aimed height
    and ``even_grade`` where only the evenness of its fall put it elsewhere.
    """
    n = len(z_m)
    order = [JOIN, INLET, CEILING, HIGHEST, LOWEST]
    rank = np.full(n, len(order) + 1)
    held = slack_m(problem, z_m) < ACTIVE_M
    for place, kind in enumerate(order):
        mask = held & (problem.rows.kind == kind)
        at, t = problem.rows.at[mask], problem.rows.t[mask]
        np.minimum.at(rank, at, place)
        np.minimum.at(rank, at[t > 0.0] + 1, place)
    rise, length = span_matrix(problem)
    least = rise @ z_m - length * rules.min_grade_pct / 100.0 < ACTIVE_M
    for at in (problem.span[least], problem.span[least] + 1):
        np.minimum.at(rank, at, len(order))
    names = [*(KINDS[k] for k in order), "min_grade"]
    aimed = np.abs(z_m - problem.ground_z_m - rules.aim_m) < 0.01
    out = [names[r] if r < len(names) else ("aim" if a else "even_grade") for r, a in zip(rank, aimed, strict=True)]
    for k, line in enumerate(problem.mainlines):
        a, b = int(problem.first[k]), int(problem.first[k + 1])
        if line.pinned:
            out[a:b] = ["pinned"] * (b - a)
        elif line.parent_id:
            out[a] = "join"
    return out


def breaches(problem: Problem, z_m: Floats, units: Units) -> tuple[Finding, ...]:
    """Return one violation for each run of neighbouring spans in which a bound is broken."""
    over = -slack_m(problem, z_m)
    station = problem.row_station_m()
    found: list[Finding] = []
    for kind in (LOWEST, HIGHEST, CEILING, JOIN):
        bad = np.flatnonzero((over > BROKEN_M) & (problem.rows.kind == kind))
        if not bad.size:
            continue
        bad = bad[np.lexsort((station[bad], problem.rows.at[bad]))]
        lines = np.searchsorted(problem.first, problem.rows.at[bad], side="right") - 1
        new = (np.diff(problem.rows.at[bad]) > 1) | (np.diff(lines) > 0)
        found.extend(
            _breach(problem, kind, int(run[np.argmax(over[run])]), over, station, units)
            for run in np.split(bad, np.flatnonzero(new) + 1)
        )
    found.extend(
        Finding(
            "HANG_NO_GROUND", "violation", "mainlines", mainline_id, None, None, "",
            f"{mainline_id} runs over a hole in the terrain at {units.station(s)}: nothing there could be checked",
            "Fill the hole in the terrain raster or keep lines away from it.",
        )
        for mainline_id, s in problem.gaps_m
    )
    return tuple(found)


def _breach(problem: Problem, kind: int, row: int, over: Floats, station: Floats, units: Units) -> Finding:
    line = problem.mainlines[problem.line_of(int(problem.rows.at[row]))]
    limit = float(problem.rows.bound_z_m[row])
    measured = limit - float(problem.rows.sense[row]) * float(over[row])
    text = _SAYS[kind].format(by=units.length(float(over[row]), 2), at=units.station(float(station[row])))
    if kind == LOWEST and problem.rows.clearance[row]:
        text += " (the clearance of a crossing)"
    return Finding(
        "HANG_INFEASIBLE", "violation", "mainlines", line.mainline_id, round(measured, 3), round(limit, 3), "m",
        f"{line.mainline_id} {text}.", _MEND[kind],
    )


def worst_stations(problem: Problem, relief_m: Floats) -> list[tuple[str, float]]:
    """Return for each span that gives way the station inside it that is worst, to try a support there."""
    rows = problem.rows
    station = problem.row_station_m()
    out: dict[int, tuple[float, int]] = {}
    for r in np.flatnonzero((relief_m > BROKEN_M) & (rows.t > 0.0)):
        at = int(rows.at[r])
        middle = abs(float(rows.t[r]) - 0.5)
        if at not in out or middle < out[at][0]:
            out[at] = (middle, int(r))
    return [
        (problem.mainlines[problem.line_of(at)].mainline_id, float(station[r])) for at, (_, r) in sorted(out.items())
    ]
