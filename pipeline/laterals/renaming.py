"""Laterals keep their trees and places when the mainlines they enter are cut back and named anew."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from pipeline.findings import Finding
from pipeline.laterals.heights import ceiling_m
from pipeline.laterals.scene import rules_of
from pipeline.records import Grouping, Lateral, Mainline, Trees
from pipeline.settings import LateralSettings

TOO_HIGH_M = 1e-6


def on_trimmed(grouping: Grouping, names: Mapping[str, str], mainlines: tuple[Mainline, ...]) -> Grouping:
    """Return a grouping on mainlines that were cut back above its entries.

    Parameters
    ----------
    names : mapping of str to str
        Old ID -> new ID of each mainline that is left; stations are the same on both.
    mainlines : tuple of Mainline
        As hung after the cut, parents before children.

    Returns
    -------
    Grouping
        In the order of the mainlines and of the entries upward, IDs counted up each mainline
        as after a grouping anew. A line that ends elsewhere may stand on other supports and hang
        a little higher: see :func:`fitted`.

    Raises
    ------
    KeyError
        When a lateral enters a mainline that is no more.
    """
    rank = {line.mainline_id: i for i, line in enumerate(mainlines)}
    line_of = [rank[names[lateral.mainline_id]] for lateral in grouping.laterals]
    order = sorted(range(len(line_of)), key=lambda k: (line_of[k], grouping.laterals[k].entry_station_m, k))
    count: dict[int, int] = {}
    made = []
    for k in order:
        count[line_of[k]] = count.get(line_of[k], 0) + 1
        name = mainlines[line_of[k]].mainline_id
        made.append(replace(
            grouping.laterals[k], lateral_id=f"{name}-L{count[line_of[k]]:02d}", mainline_id=name,
        ))
    return replace(
        grouping, laterals=tuple(made),
        entry_ceiling_z_m=np.array([grouping.entry_ceiling_z_m[k] for k in order], dtype=np.float64),
    )


def fitted(
    grouping: Grouping, mainlines: tuple[Mainline, ...], trees: Trees, rule: LateralSettings
) -> tuple[Grouping, tuple[Finding, ...]]:
    """Return a grouping whose laterals all enter low enough, and what was cut off for it.

    A lateral whose mainline hangs higher than its trees allow ends before the first tree that asks
    for less; the trees beyond are set aside as ``NO_LATERAL``.
    """
    line_of = {line.mainline_id: line for line in mainlines}
    kept: list[Lateral] = []
    ceilings: list[float] = []
    reason = list(grouping.reason)
    findings: list[Finding] = []
    for lateral, ceiling in zip(grouping.laterals, grouping.entry_ceiling_z_m.tolist(), strict=True):
        entry_z = float(line_of[lateral.mainline_id].at(lateral.entry_station_m)[2])
        short: Lateral | None = lateral
        highest = ceiling
        if entry_z > ceiling + TOO_HIGH_M:
            short, highest = _short(lateral, entry_z, trees, rule)
        if short is not None:
            kept.append(short)
            ceilings.append(highest)
        if short is not lateral:
            lost = lateral.tree[len(short.tree) if short is not None else 0 :]
            findings.append(_cut_short(lateral, lost, trees))
            for t in lost:
                reason[t] = "NO_LATERAL"
    return replace(
        grouping, laterals=tuple(kept), reason=tuple(reason), entry_ceiling_z_m=np.array(ceilings, dtype=np.float64)
    ), tuple(findings)


def _short(lateral: Lateral, entry_z: float, trees: Trees, rule: LateralSettings) -> tuple[Lateral | None, float]:
    """Return the longest beginning of a lateral that may enter at an elevation, and the ceiling of its entry."""
    for k in range(len(lateral.tree) - 1, 0, -1):
        tree = lateral.tree[:k]
        highest = ceiling_m(
            xy_m=lateral.xyz_m[: k + 1, :2], ground_z_m=trees.ground_z_m[list(tree)], highest_m=rule.highest_m,
            grade=float(rules_of(rule)[2]),
        )
        if entry_z <= highest + TOO_HIGH_M:
            taps = int(trees.taps[list(tree)].sum())
            return replace(lateral, tree=tree, taps=taps, xyz_m=lateral.xyz_m[: k + 1]), highest
    return None, np.nan


def _cut_short(lateral: Lateral, lost: tuple[int, ...], trees: Trees) -> Finding:
    taps = int(trees.taps[list(lost)].sum())
    whole = len(lost) == len(lateral.tree)
    return Finding(
        code="LATERAL_TAKEN_OUT", severity="check", layer="laterals", subject_id=lateral.lateral_id,
        measured=float(taps), limit=None, unit="taps",
        text=f"Lateral {lateral.lateral_id} was {'taken out' if whole else 'cut short'} and lost {taps} taps: "
        f"{lateral.mainline_id}, shortened to what is used of it, hangs too high for them.",
        remedy="Plan again, or set these trees on another lateral by hand.",
    )
