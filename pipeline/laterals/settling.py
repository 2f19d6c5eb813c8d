"""The laterals on the mainlines as they were hung in the end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from pipeline.findings import Finding, in_order
from pipeline.laterals.choice import PIECE_BIN_M
from pipeline.laterals.heights import ceiling_m, length_m, lowest_labels, steady
from pipeline.laterals.pieces_kernel import first_touch, touching_pairs
from pipeline.laterals.scene import Bins, Floats, bins_of, rules_of, segments_of
from pipeline.records import GradeConfidence, Grouping, Lateral, Mainline, Trees
from pipeline.settings import LateralSettings, Settings
from pipeline.terrain.grid import Terrain

Confidence = Callable[[float, float], GradeConfidence]
MOVED_M = 1e-6
# from the surest to the least sure
_SURENESS: tuple[GradeConfidence, ...] = ("high", "level it", "unknown")


def settle(
    *,
    grouping: Grouping,
    mainlines: tuple[Mainline, ...],
    terrain: Terrain,
    trees: Trees,
    settings: Settings,
    confidence: Confidence | None = None,
) -> tuple[Grouping, tuple[Finding, ...]]:
    """Give each lateral its final heights from the mainline as hung.

    The fall is as steady and as near ``aim_grade`` as the height window lets it be, never
    below ``min_grade``. A lateral that is no longer legal is taken out, its trees set aside
    as ``NO_LATERAL`` with a finding; the others keep their IDs.

    Parameters
    ----------
    mainlines : tuple of Mainline
        With their final heights.
    confidence : callable, optional
        ``confidence(plan length from the entry in m, room to fall in m)`` of a tree: how
        sure it is that a legal line can fall from there. A lateral is as sure as its least
        sure tree; ``"unknown"`` without it.
    """
    line_of = {line.mainline_id: line for line in mainlines}
    mains = bins_of(segments_of(mainlines), 12.0)
    kept: list[Lateral] = []
    ceilings: list[float] = []
    reason = list(grouping.reason)
    findings: list[Finding] = []
    for lateral in grouping.laterals:
        hung = _hang(lateral, line_of.get(lateral.mainline_id), mains, terrain, trees, settings.laterals)
        if isinstance(hung, str):
            findings.append(_dropped(lateral, hung))
            for t in lateral.tree:
                reason[t] = "NO_LATERAL"
            continue
        xyz, ceiling = hung
        high = trees.ground_z_m[list(lateral.tree)] + settings.laterals.highest_m
        kept.append(replace(lateral, xyz_m=xyz, grade_confidence=_confidence(xyz, high, confidence)))
        ceilings.append(ceiling)
    for k, other in _meeting(kept):
        findings.append(_dropped(kept[k], f"it would now cross {kept[other].lateral_id}"))
        for t in kept[k].tree:
            reason[t] = "NO_LATERAL"
    gone = {k for k, _ in _meeting(kept)}
    stay = [k for k in range(len(kept)) if k not in gone]
    return (
        replace(
            grouping, laterals=tuple(kept[k] for k in stay), reason=tuple(reason),
            entry_ceiling_z_m=np.array([ceilings[k] for k in stay], dtype=np.float64),
        ),
        in_order(findings),
    )


def _hang(
    lateral: Lateral, line: Mainline | None, mains: Bins, terrain: Terrain, trees: Trees, rule: LateralSettings
) -> tuple[Floats, float] | str:
    """Return the lateral's vertices and the ceiling of its entry, or what makes it illegal."""
    if line is None:
        return f"its mainline {lateral.mainline_id} is no more"
    if lateral.entry_station_m > line.plan_length_m + 1e-6:
        return "its mainline ends before its entry"
    index = list(lateral.tree)
    entry = np.array([float(v) for v in line.at(lateral.entry_station_m)])
    xy = np.vstack([entry[:2], np.column_stack([trees.x_m[index], trees.y_m[index]])])
    ground_z = trees.ground_z_m[index]
    moved = float(np.abs(xy[0] - lateral.xyz_m[0, :2]).max()) > MOVED_M
    if moved and first_touch(xy[0, 0], xy[0, 1], xy[1, 0], xy[1, 1], *mains.args, 1e-3) >= 0:
        return "its entry moved and it would now cross a mainline"
    limits = rules_of(rule)
    grade = float(limits[2])
    low = lowest_labels(xy_m=xy, ground_z_m=ground_z, entry_z_m=float(entry[2]), terrain=terrain, rule=limits)
    high = ground_z + rule.highest_m
    # Heights that were legal for a lower entry stay legal for a higher one, but only all together: a tree hung
    # lower than before would need the next one higher.
    if not (low <= high + 1e-6).all() and not moved and entry[2] >= lateral.xyz_m[0, 2]:
        along = np.cumsum(np.hypot(*np.diff(xy, axis=0).T))
        low = np.maximum(lateral.xyz_m[1:, 2], entry[2] + grade * along)
    if not (low <= high + 1e-6).all():
        return "the mainline as hung leaves it no legal fall within its heights"
    dist = np.hypot(*np.diff(xy, axis=0).T)
    z = steady(
        dist_m=dist, entry_z_m=float(entry[2]), low_m=low, high_m=high, min_grade=grade,
        aim_grade=max(rule.aim_grade_pct, rule.min_grade_pct) / 100.0,
    )
    xyz = np.column_stack([xy, np.concatenate([[entry[2]], z])])
    if length_m(xyz) > rule.max_length_m:
        xyz[1:, 2] = low
    if length_m(xyz) > rule.max_length_m + 1e-6:
        return "it is now longer than a lateral may be"
    return xyz, ceiling_m(xy_m=xy, ground_z_m=ground_z, highest_m=rule.highest_m, grade=grade)


def _confidence(xyz_m: Floats, high_m: Floats, confidence: Confidence | None) -> GradeConfidence:
    """Return the confidence of the least sure tree.

    A lateral is strung by eye inside its height window, so what the survey must prove is
    that the window has room: that from the entry a line can fall by the least grade to
    every tree without hanging above the window there.
    """
    if confidence is None:
        return "unknown"
    run = np.cumsum(np.hypot(*np.diff(xyz_m[:, :2], axis=0).T))
    room = high_m - xyz_m[0, 2]
    every = [confidence(float(d), float(f)) for d, f in zip(run, room, strict=True)]
    return max(every, key=_SURENESS.index)


def _meeting(laterals: list[Lateral]) -> list[tuple[int, int]]:
    """Return (lateral to take out, the one it meets): of two that meet, the one with fewer taps, then the later."""
    if not laterals:
        return []
    seg = np.vstack([np.hstack([c.xyz_m[:-1, :2], c.xyz_m[1:, :2]]) for c in laterals])
    owner = np.repeat(np.arange(len(laterals)), [len(c.tree) for c in laterals]).astype(np.int64)
    bins = bins_of(seg, PIECE_BIN_M)
    pairs = touching_pairs(bins.seg, owner, bins.grid, bins.dims, bins.start, bins.item)
    out: dict[int, int] = {}
    for a, b in sorted((int(owner[i]), int(owner[j])) for i, j in pairs):
        if a in out or b in out:
            continue
        lose, win = (a, b) if laterals[a].taps < laterals[b].taps else (b, a)
        out[lose] = win
    return sorted(out.items())


def _dropped(lateral: Lateral, why: str) -> Finding:
    return Finding(
        code="LATERAL_TAKEN_OUT", severity="check", layer="laterals", subject_id=lateral.lateral_id,
        measured=float(lateral.taps), limit=None, unit="taps",
        text=f"Lateral {lateral.lateral_id} was taken out with its {lateral.taps} taps: {why}.",
        remedy="Plan again, or set its trees on another lateral by hand.",
    )
