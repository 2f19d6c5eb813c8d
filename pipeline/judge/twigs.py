"""Laterals: few enough taps, short enough, always falling, within reach, from their entry through their trees."""

from __future__ import annotations

from itertools import pairwise

import numpy as np

from pipeline.findings import Finding
from pipeline.judge.case import GRADE_TOL_PCT, HEIGHT_TOL_M, LENGTH_TOL_M, PLACE_TOL_M, Case, breach
from pipeline.records import Lateral

# Between trees a lateral may dip to this share of its lowest height before it is called too low (ours): brush and
# snow are met there, but nobody taps there.
SPAN_SHARE = 0.5
UPRIGHT_M = 1e-6


def limits(case: Case) -> list[Finding]:
    """Taps, length and fall of each lateral are within the settings.

    Codes ``LATERAL_TAPS``, ``LATERAL_LENGTH``, ``LATERAL_GRADE``, ``LATERAL_EMPTY``.
    """
    rules, units = case.plan.settings.laterals, case.units
    found = []
    for lateral in case.plan.laterals:
        name = lateral.lateral_id
        if not lateral.tree or len(lateral.xyz_m) != len(lateral.tree) + 1:
            found.append(breach("LATERAL_EMPTY", "laterals", name, float(len(lateral.tree)), 1.0, "trees",
                                f"Lateral {name} has no trees, or not one vertex for each.", "Plan again."))
        if lateral.taps > rules.max_taps:
            found.append(breach("LATERAL_TAPS", "laterals", name, lateral.taps, rules.max_taps, "taps",
                                f"Lateral {name} carries {lateral.taps} taps.", "Split it.", pinned=lateral.pinned))
        if lateral.length_m > rules.max_length_m + LENGTH_TOL_M:
            found.append(breach("LATERAL_LENGTH", "laterals", name, lateral.length_m, rules.max_length_m, "m",
                                f"Lateral {name} is {units.length(lateral.length_m, 1)} long.",
                                "Split it, or bring the mainline nearer.", pinned=lateral.pinned))
    pieces = case.pieces
    grade = 100.0 * pieces.rise_m / np.maximum(pieces.run_m, 1e-9)
    upright = (pieces.run_m < UPRIGHT_M) & (pieces.rise_m >= 0.0)  # to a tree that stands on the line: nothing to fall
    for i in np.flatnonzero(~upright & (grade < rules.min_grade_pct - GRADE_TOL_PCT)):
        lateral = case.plan.laterals[int(pieces.lateral[i])]
        found.append(breach("LATERAL_GRADE", "laterals", lateral.lateral_id, float(grade[i]), rules.min_grade_pct, "%",
                            f"Piece {int(pieces.number[i]) + 1} of {lateral.lateral_id} falls {grade[i]:.2f} %.",
                            "Order its trees another way, or enter lower.", pinned=lateral.pinned))
    return found


def heights(case: Case) -> list[Finding]:
    """Laterals hang within reach at their trees and clear of the ground in between.

    Codes ``LATERAL_LOW``, ``LATERAL_HIGH``, ``LATERAL_NO_GROUND``; notes ``LATERAL_DIPS`` and ``LATERAL_ALOFT``
    count those that leave the window between their trees only. At a tree the whole window holds. In between,
    half of the lowest height must remain. The entry hangs where its mainline hangs.
    """
    rules, units, plan = case.plan.settings.laterals, case.units, case.plan
    found = []
    for lateral in plan.laterals:
        at_tree = lateral.xyz_m[1:]
        height = at_tree[:, 2] - case.terrain.sample(at_tree[:, 0], at_tree[:, 1])
        for k in np.flatnonzero((height < rules.lowest_m - HEIGHT_TOL_M) | (height > rules.highest_m + HEIGHT_TOL_M)):
            low = height[k] < rules.lowest_m
            found.append(breach(
                "LATERAL_LOW" if low else "LATERAL_HIGH", "laterals", lateral.lateral_id, float(height[k]),
                rules.lowest_m if low else rules.highest_m, "m",
                f"Lateral {lateral.lateral_id} hangs {units.height(float(height[k]))} above ground at "
                f"{_tree_name(case, lateral, int(k))}.",
                "Order its trees another way, or move its entry.", pinned=lateral.pinned))
        if np.isnan(height).any():
            found.append(breach("LATERAL_NO_GROUND", "laterals", lateral.lateral_id, None, None, "",
                                f"The terrain has no ground at a tree of lateral {lateral.lateral_id}.",
                                "Use a terrain that covers it.", pinned=lateral.pinned))
    return found + _between(case)


def _tree_name(case: Case, lateral: Lateral, k: int) -> str:
    return f"tree {case.plan.trees.tree_id[lateral.tree[k]]}" if k < len(lateral.tree) else "its end"


def _between(case: Case) -> list[Finding]:
    """Judge the samples between the ends of the pieces."""
    rules, pieces, plan, units = case.plan.settings.laterals, case.pieces, case.plan, case.units
    owner = pieces.lateral[pieces.piece]
    least = np.full(len(plan.laterals), np.inf)
    most = np.full(len(plan.laterals), -np.inf)
    known = np.isfinite(pieces.height_m)
    np.minimum.at(least, owner[known], pieces.height_m[known])
    # up to its first tree a lateral comes down from its mainline, which may hang higher
    beyond = known & (pieces.number[pieces.piece] > 0)
    np.maximum.at(most, owner[beyond], pieces.height_m[beyond])
    found = []
    limit = SPAN_SHARE * rules.lowest_m
    for k in np.flatnonzero(least < limit - HEIGHT_TOL_M):
        lateral = plan.laterals[int(k)]
        found.append(breach(
            "LATERAL_LOW", "laterals", lateral.lateral_id, float(least[k]), limit, "m",
            f"Lateral {lateral.lateral_id} comes within {units.height(float(least[k]))} of the ground between trees.",
            "Order its trees another way, or hang it higher.", pinned=lateral.pinned))
    holes = np.unique(owner[~known])
    found += [breach("LATERAL_NO_GROUND", "laterals", plan.laterals[int(k)].lateral_id, None, None, "",
                     f"The terrain has no ground under lateral {plan.laterals[int(k)].lateral_id}.",
                     "Use a terrain that covers it.", pinned=plan.laterals[int(k)].pinned) for k in holes]
    dips = int(((least < rules.lowest_m - HEIGHT_TOL_M) & (least >= limit - HEIGHT_TOL_M)).sum())
    if dips:
        found.append(breach("LATERAL_DIPS", "laterals", "", float(dips), None, "laterals",
                            f"{dips} laterals come nearer to the ground than {units.height(rules.lowest_m)} "
                            "between trees.",
                            "Look out for brush and snow there.", severity="note"))
    aloft = int((most > rules.highest_m + HEIGHT_TOL_M).sum())
    if aloft:
        found.append(breach("LATERAL_ALOFT", "laterals", "", float(aloft), None, "laterals",
                            f"{aloft} laterals hang higher than {units.height(rules.highest_m)} between trees.",
                            "Nothing to mend where nobody works there.", severity="note"))
    return found


def ends(case: Case) -> list[Finding]:
    """Each lateral starts on its mainline where it says, and passes each of its trees.

    Codes ``LATERAL_ENTRY``, ``LATERAL_TREE``, ``ENTRY_SPACING``; places within 5 cm, in plan and in height.
    """
    plan, units = case.plan, case.units
    lines = {m.mainline_id: m for m in plan.mainlines if len(m.supports) > 1}
    found = []
    entries: dict[str, list[tuple[float, str]]] = {}
    for lateral in plan.laterals:
        name = lateral.lateral_id
        line = lines.get(lateral.mainline_id)
        if line is None or not -PLACE_TOL_M <= lateral.entry_station_m <= line.plan_length_m + PLACE_TOL_M:
            found.append(breach("LATERAL_ENTRY", "laterals", name, lateral.entry_station_m, None, "m",
                                f"Lateral {name} enters {lateral.mainline_id} where there is no line.", "Plan again."))
            continue
        entries.setdefault(lateral.mainline_id, []).append((lateral.entry_station_m, name))
        x, y, z = (float(v) for v in line.at(lateral.entry_station_m))
        off = lateral.xyz_m[0] - np.array([x, y, z])
        away = float(max(np.hypot(off[0], off[1]), abs(off[2])))
        if not away <= PLACE_TOL_M:
            found.append(breach("LATERAL_ENTRY", "laterals", name, away, PLACE_TOL_M, "m",
                                f"Lateral {name} starts {units.length(away, 2)} off {lateral.mainline_id} at "
                                f"{units.station(lateral.entry_station_m)}.", "Plan again.", pinned=lateral.pinned))
        found += _trees(case, lateral)
    return found + _spacing(case, entries)


def _trees(case: Case, lateral: Lateral) -> list[Finding]:
    trees = case.plan.trees
    found = []
    for k, tree in enumerate(lateral.tree[:len(lateral.xyz_m) - 1]):
        away = float(np.hypot(lateral.xyz_m[k + 1, 0] - trees.x_m[tree], lateral.xyz_m[k + 1, 1] - trees.y_m[tree]))
        if not away <= PLACE_TOL_M:
            found.append(breach("LATERAL_TREE", "laterals", lateral.lateral_id, away, PLACE_TOL_M, "m",
                                f"Lateral {lateral.lateral_id} misses its tree {trees.tree_id[tree]}.", "Plan again.",
                                pinned=lateral.pinned))
    return found


def _spacing(case: Case, entries: dict[str, list[tuple[float, str]]]) -> list[Finding]:
    least, units = case.plan.settings.laterals.entry_spacing_m, case.units
    found = []
    for mainline_id, own in sorted(entries.items()):
        own.sort()
        for (low, _), (high, name) in pairwise(own):
            if high - low < least - LENGTH_TOL_M:
                found.append(breach(
                    "ENTRY_SPACING", "laterals", name, high - low, least, "m",
                    f"Lateral {name} enters {mainline_id} {units.length(high - low, 1)} from the entry below it.",
                    "Move one of the two entries.", severity="check"))
    return found
