"""Mainlines: always falling, within the height window, held where they may be held, joined where they say."""

from __future__ import annotations

import math
from functools import lru_cache

import numpy as np
import shapely

from pipeline.findings import Finding
from pipeline.judge.case import (
    GRADE_TOL_PCT,
    HEIGHT_TOL_M,
    LENGTH_TOL_M,
    PLACE_TOL_M,
    Case,
    Trace,
    breach,
)
from pipeline.judge.zones import Zone, crossing_zones
from pipeline.records import Floats, Mainline, Trees


def grades(case: Case) -> list[Finding]:
    """Every span of every mainline falls at least the minimum grade, straight and sagging, sampled every quarter metre.

    Codes ``MAINLINE_GRADE`` (straight wire from support to support), ``SAG_GRADE`` (the sagging wire somewhere falls
    less than the minimum), ``BACK_GRADE`` (it even runs back), ``SAG`` (``w L^2 / (8 T)`` between side ties against
    the allowance), ``SAG_UNKNOWN`` where no weight or spacing of a pipe is known.
    """
    rules, units = case.plan.settings.mainlines, case.units
    found = []
    for trace in case.traces:
        line = trace.line
        grade = _grade_pct(line)
        for i in np.flatnonzero(grade < rules.min_grade_pct - GRADE_TOL_PCT):
            at = float(line.station_m[i])
            found.append(breach(
                "MAINLINE_GRADE", "mainlines", line.mainline_id, float(grade[i]), rules.min_grade_pct, "%",
                f"{line.mainline_id} falls {grade[i]:.2f} % on the span above {units.station(at)}.",
                "Hang the upper end higher, or choose another way.", pinned=line.pinned))
        found += _sag_grades(case, trace, grade)
        for i in np.flatnonzero(trace.sag_m > rules.sag_allowance_m + HEIGHT_TOL_M):
            at = float(line.station_m[i])
            found.append(breach(
                "SAG", "mainlines", line.mainline_id, float(trace.sag_m[i]), rules.sag_allowance_m, "m",
                f"{line.mainline_id} sags {units.length(float(trace.sag_m[i]), 1)} between side ties on the span above "
                f"{units.station(at)}.",
                "Set side ties closer, or tighten the wire.", pinned=line.pinned))
    unknown = sum(int(np.isnan(t.sag_m).sum()) for t in case.traces)
    if unknown:
        found.append(breach(
            "SAG_UNKNOWN", "mainlines", "", float(unknown), None, "spans",
            f"The sag of {unknown} spans could not be judged: no pipe of known weight lies on them.",
            "Give the pipe's weight in the catalogue.", severity="note"))
    return found


def _sag_grades(case: Case, trace: Trace, grade: Floats) -> list[Finding]:
    """Return one finding for each span whose sagging wire runs back, or falls too little where its chord does not."""
    least, units, line = case.plan.settings.mainlines.min_grade_pct, case.units, trace.line
    first = np.searchsorted(trace.span, np.arange(len(grade)))
    fall = np.minimum.reduceat(trace.fall_pct, first)
    where = [int(a) + int(np.argmin(part)) for a, part in zip(first, np.split(trace.fall_pct, first[1:]), strict=True)]
    found = []
    for i in np.flatnonzero(fall < least - GRADE_TOL_PCT):
        at = units.station(float(trace.station_m[where[i]]))
        if fall[i] < -GRADE_TOL_PCT and fall[i] < grade[i]:
            found.append(breach(
                "BACK_GRADE", "mainlines", line.mainline_id, float(fall[i]), 0.0, "%",
                f"The sag of {line.mainline_id} runs back above {at}.",
                "Set side ties closer, or tighten the wire.", pinned=line.pinned))
        elif grade[i] >= least - GRADE_TOL_PCT:
            found.append(breach(
                "SAG_GRADE", "mainlines", line.mainline_id, float(fall[i]), least, "%",
                f"The sag of {line.mainline_id} falls {fall[i]:.2f} % above {at}.",
                "Set side ties closer, tighten the wire, or give that span more fall.", pinned=line.pinned))
    return found


def _grade_pct(line: Mainline) -> Floats:
    run = np.diff(line.station_m)
    rise = np.diff(line.xyz_m[:, 2])
    return np.asarray(100.0 * rise / np.maximum(run, 1e-9), dtype=np.float64)


def heights(case: Case) -> list[Finding]:
    """Keep the sagged wire in its height window over the raw terrain, sampled every quarter metre.

    Codes ``MAINLINE_LOW``, ``MAINLINE_HIGH``, ``MAINLINE_NO_GROUND``; one finding per line and code, for the
    worst place. The last span of a line that ends at a collection point may come down (or go up) to its inlet.
    Over a crossing the clearance is judged on its own, and the wire may hang 0.6 m above it; beside one that is
    higher than the window it may still be high while it comes down at 5 % against the ground.
    """
    zones = crossing_zones(case)
    found = []
    for trace in case.traces:
        found += _line_heights(case, trace, zones)
    return found


def _line_heights(case: Case, trace: Trace, zones: list[Zone]) -> list[Finding]:
    rules, units, line = case.plan.settings.mainlines, case.units, trace.line
    height = trace.height_m
    low = np.full(len(height), rules.lowest_m)
    high = np.full(len(height), rules.highest_m)
    for zone in zones:
        high = np.maximum(high, zone.highest_at(trace.x_m, trace.y_m, case.terrain.cell_m, rules.highest_m))
    _open_at_inlet(case, trace, low, high)
    found = []
    for code, amount, word, mend in (
        ("MAINLINE_LOW", low - height, "under", "Hang it higher, or choose another way."),
        ("MAINLINE_HIGH", trace.chord_z_m - trace.ground_z_m - high, "over", "Hang it lower, or choose another way."),
    ):
        worst = int(np.argmax(np.nan_to_num(amount, nan=-np.inf)))
        if amount[worst] > HEIGHT_TOL_M:
            limit = float(low[worst] if word == "under" else high[worst])
            measured = limit + float(amount[worst]) * (-1.0 if word == "under" else 1.0)
            at = units.station(float(trace.station_m[worst]))
            found.append(breach(
                code, "mainlines", line.mainline_id, measured, limit, "m",
                f"{line.mainline_id} hangs {units.height(measured)} above ground at {at}, "
                f"{word} {units.height(limit)}.", mend, pinned=line.pinned))
    lost = np.isnan(height)
    if lost.any():
        at = units.station(float(trace.station_m[np.flatnonzero(lost)[0]]))
        found.append(breach(
            "MAINLINE_NO_GROUND", "mainlines", line.mainline_id, None, None, "",
            f"The terrain has no ground under {line.mainline_id} at {at}.",
            "Use a terrain that covers the line.", pinned=line.pinned))
    return found


def _open_at_inlet(case: Case, trace: Trace, low: Floats, high: Floats) -> None:
    """Let the last span come to the inlet: the window gives there, by a share that is nothing at its upper end."""
    line = trace.line
    inlet = {c.collection_id: c.inlet_z_m for c in case.plan.collections}.get(line.collection_id)
    if line.parent_id or inlet is None:
        return
    last = trace.span == 0
    share = 1.0 - trace.station_m[last] / line.station_m[1]
    own = inlet - float(trace.ground_z_m[0])
    low[last] -= share * max(0.0, float(low[0]) - own)
    high[last] += share * max(0.0, own - float(high[0]))


def supports(case: Case) -> list[Finding]:
    """Supports stand where they say, near enough to one another, and not where none may stand.

    Codes ``STATION_WRONG``, ``SUPPORT_GROUND``, ``SUPPORT_GAP``, ``SUPPORT_PLACE``, ``SUPPORT_TREE``, ``BEND``.
    """
    zones = crossing_zones(case)
    found = []
    for line in case.plan.mainlines:
        if len(line.supports) < 2:
            found.append(breach("STATION_WRONG", "mainlines", line.mainline_id, float(len(line.supports)), 2.0, "",
                                f"{line.mainline_id} has fewer than two supports.", "Plan it again."))
            continue
        found += [*_stations(case, line), *_gaps(case, line, zones), *_stands(case, line, zones), *_bends(case, line)]
    return found


def _stations(case: Case, line: Mainline) -> list[Finding]:
    found = []
    xyz = line.xyz_m
    own = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xyz[:, :2], axis=0).T))])
    worst = int(np.argmax(np.abs(own - line.station_m)))
    if abs(own[worst] - line.station_m[worst]) > PLACE_TOL_M:
        found.append(breach(
            "STATION_WRONG", "supports", line.supports[worst].support_id, float(line.station_m[worst]),
            float(own[worst]), "m", f"{line.supports[worst].support_id} does not stand at its station.",
            "Plan the line again."))
    ground = case.terrain.sample(xyz[:, 0], xyz[:, 1])
    told = np.array([s.ground_z_m for s in line.supports])
    off = np.nan_to_num(np.abs(ground - told))
    worst = int(np.argmax(off))
    if off[worst] > HEIGHT_TOL_M:
        found.append(breach(
            "SUPPORT_GROUND", "supports", line.supports[worst].support_id, float(told[worst]), float(ground[worst]),
            "m", f"The ground at {line.supports[worst].support_id} is not what the terrain says.",
            "Plan the line again."))
    return found


def _gaps(case: Case, line: Mainline, zones: list[Zone]) -> list[Finding]:
    limit, units = case.plan.settings.mainlines.max_support_gap_m, case.units
    gap = np.diff(line.station_m)
    found = []
    for i in np.flatnonzero(gap > limit + LENGTH_TOL_M):
        span = shapely.LineString(line.xyz_m[i:i + 2, :2])
        forced = any(zone.shape.intersects(span) for zone in zones)
        found.append(breach(
            "SUPPORT_GAP", "mainlines", line.mainline_id, float(gap[i]), limit, "m",
            f"{line.mainline_id} spans {units.length(float(gap[i]), 1)} above "
            f"{units.station(float(line.station_m[i]))}.",
            "Set a support in between." if not forced else
            "No support may stand in the crossing; have the wire and its anchors there looked at.",
            pinned=line.pinned, severity="check" if forced else "violation"))
    return found


@lru_cache(maxsize=1)
def _row_of(trees: Trees) -> dict[str, int]:
    """Return the row of each tree by its ID: made once for all lines."""
    return {name: i for i, name in enumerate(trees.tree_id)}


def _stands(case: Case, line: Mainline, zones: list[Zone]) -> list[Finding]:
    """Supports in a crossing, and trees that are to hold a line and do not stand beside it."""
    reach, trees = case.plan.settings.mainlines.support_reach_m, case.plan.trees
    number = _row_of(trees)
    xyz = line.xyz_m
    stands_in: dict[int, str] = {}
    for zone in zones:
        for k in np.flatnonzero(zone.within(xyz[:, 0], xyz[:, 1])).tolist():
            stands_in.setdefault(k, zone.title)
    found = []
    for k, support in enumerate(line.supports[1:], start=1):
        if k in stands_in:
            found.append(breach(
                "SUPPORT_PLACE", "supports", support.support_id, None, None, "",
                f"{support.support_id} stands in {stands_in[k]}, which is to be crossed without a support.",
                "Move it out of the crossing.", pinned=line.pinned))
        if support.kind == "tree":
            i = number.get(support.tree_id)
            away = math.inf if i is None else math.hypot(trees.x_m[i] - support.x_m, trees.y_m[i] - support.y_m)
            if not away <= reach + PLACE_TOL_M:
                found.append(breach(
                    "SUPPORT_TREE", "supports", support.support_id, away, reach, "m",
                    f"Tree {support.tree_id or '(none)'} is to hold {support.support_id} and is not within reach.",
                    "Set a post.", pinned=line.pinned))
    return found


def _bends(case: Case, line: Mainline) -> list[Finding]:
    limit, units = case.plan.settings.mainlines.max_bend_deg, case.units
    leg = np.diff(line.xyz_m[:, :2], axis=0)
    turn = np.degrees(np.arctan2(leg[:-1, 0] * leg[1:, 1] - leg[:-1, 1] * leg[1:, 0], (leg[:-1] * leg[1:]).sum(axis=1)))
    return [
        breach("BEND", "supports", line.supports[i + 1].support_id, float(abs(turn[i])), limit, "deg",
               f"{line.mainline_id} turns {abs(turn[i]):.0f}° at {units.station(line.supports[i + 1].station_m)}.",
               "Turn at two supports instead of one.", pinned=line.pinned)
        for i in np.flatnonzero(np.abs(turn) > limit + 0.1)
    ]


# ---------------------------------------------------------------- the tree of lines


def tree(case: Case) -> list[Finding]:
    """Mainlines form a tree rooted at the collection points, and meet where they say they do.

    Codes ``LINE_TWICE``, ``NO_PARENT``, ``RING``, ``JOIN_PLACE``, ``JOIN_BELOW``, ``JOIN_ABOVE``, ``BELOW_INLET``.
    """
    lines = {m.mainline_id: m for m in case.plan.mainlines}
    found = []
    names = [m.mainline_id for m in case.plan.mainlines]
    found += [breach("LINE_TWICE", "mainlines", name, float(names.count(name)), 1.0, "",
                     f"Two mainlines are called {name}.", "Plan again.") for name in sorted({
                         n for n in names if names.count(n) > 1})]
    for line in case.plan.mainlines:
        if not line.parent_id:
            found += _at_inlet(case, line)
            continue
        parent = lines.get(line.parent_id)
        if parent is None:
            found.append(breach("NO_PARENT", "mainlines", line.mainline_id, None, None, "",
                                f"{line.mainline_id} joins {line.parent_id}, which is not in the plan.", "Plan again."))
            continue
        if _in_ring(line, lines):
            found.append(breach("RING", "mainlines", line.mainline_id, None, None, "",
                                f"{line.mainline_id} runs into itself by way of its parents.", "Plan again."))
        found += _at_join(case, line, parent)
    return found


def _in_ring(line: Mainline, lines: dict[str, Mainline]) -> bool:
    at: Mainline | None = line
    for _ in range(len(lines)):
        at = lines.get(at.parent_id) if at is not None and at.parent_id else None
        if at is None:
            return False
    return True


def _at_inlet(case: Case, line: Mainline) -> list[Finding]:
    point = next((c for c in case.plan.collections if c.collection_id == line.collection_id), None)
    if point is None:
        return [breach("NO_PARENT", "mainlines", line.mainline_id, None, None, "",
                       f"{line.mainline_id} ends at {line.collection_id or 'nothing'}, which is no collection point.",
                       "Plan again.")]
    end = line.supports[0]
    away = math.hypot(end.x_m - point.x_m, end.y_m - point.y_m)
    found = []
    if away > PLACE_TOL_M:
        found.append(breach("JOIN_PLACE", "mainlines", line.mainline_id, away, PLACE_TOL_M, "m",
                            f"{line.mainline_id} ends {case.units.length(away, 1)} beside {point.collection_id}.",
                            "Lead it to the inlet.", pinned=line.pinned))
    if end.line_z_m < point.inlet_z_m - HEIGHT_TOL_M:
        found.append(breach("BELOW_INLET", "mainlines", line.mainline_id, end.line_z_m, point.inlet_z_m, "m",
                            f"{line.mainline_id} ends below the inlet of {point.collection_id}.",
                            "Set the inlet lower or hang the line higher.", pinned=line.pinned))
    return found


def _at_join(case: Case, line: Mainline, parent: Mainline) -> list[Finding]:
    end, units = line.supports[0], case.units
    found = []
    x, y, z = (float(v) for v in parent.at(line.join_station_m))
    outside = not -PLACE_TOL_M <= line.join_station_m <= parent.plan_length_m + PLACE_TOL_M
    away = math.hypot(end.x_m - x, end.y_m - y)
    if away > PLACE_TOL_M or outside or line.collection_id != parent.collection_id:
        found.append(breach("JOIN_PLACE", "mainlines", line.mainline_id, away, PLACE_TOL_M, "m",
                            f"{line.mainline_id} does not meet {parent.mainline_id} at "
                            f"{units.station(line.join_station_m)}.", "Plan again.", pinned=line.pinned))
    if end.line_z_m < z - HEIGHT_TOL_M:
        found.append(breach("JOIN_BELOW", "mainlines", line.mainline_id, end.line_z_m - z, 0.0, "m",
                            f"{line.mainline_id} reaches {parent.mainline_id} "
                            f"{units.height(z - end.line_z_m)} too low: it cannot drain into it.",
                            "Hang the branch higher or its parent lower.", pinned=line.pinned))
    elif end.line_z_m > z + PLACE_TOL_M:
        found.append(breach("JOIN_ABOVE", "mainlines", line.mainline_id, end.line_z_m - z, PLACE_TOL_M, "m",
                            f"{line.mainline_id} ends {units.height(end.line_z_m - z)} above {parent.mainline_id}.",
                            "Lead it down to its parent by a short drop of pipe.", severity="check"))
    return found

