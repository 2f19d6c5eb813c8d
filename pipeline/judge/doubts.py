"""What a crew must know although no rule is broken: ladder work, spans to level, layers that nobody supplied."""

from __future__ import annotations

import numpy as np

from pipeline.findings import Finding
from pipeline.judge.case import HEIGHT_TOL_M, Case, breach
from pipeline.records import Lateral
from pipeline.terrain.confidence import grade_confidence


def ladders(case: Case) -> list[Finding]:
    """Count the supports that are beyond reach from the ground. Code ``LADDER_WORK``, a note."""
    limit = case.plan.settings.mainlines.ladder_m
    height = np.array([s.height_m for m in case.plan.mainlines for s in m.supports])
    high = int((height > limit + HEIGHT_TOL_M).sum())
    if not high:
        return []
    return [breach(
        "LADDER_WORK", "supports", "", float(high), 0.0, "supports",
        f"{high} of {len(height)} supports are above {case.units.height(limit)}: ladder work.",
        "The sheets mark each; follow the ladder rules of your trade and place.", severity="note")]


def unproven(case: Case) -> list[Finding]:
    """Name what the terrain cannot prove to fall, worked out afresh from the finished lines.

    Codes ``LEVEL_IT`` (laterals; one check for the plan, with their trees counted), ``LEVEL_IT_MAINLINE`` (spans)
    and ``CONFIDENCE`` (a lateral that the plan calls surer than it is).
    """
    plan = case.plan
    rank = {"high": 0, "level it": 1, "unknown": 2}
    worst = np.array([rank[_least_sure(case, lateral)] for lateral in plan.laterals], dtype=np.int64)
    found = [
        breach("CONFIDENCE", "laterals", lateral.lateral_id, None, None, "",
               f"Lateral {lateral.lateral_id} is called {lateral.grade_confidence}, which the terrain does not prove.",
               "Level it before it is fixed.", severity="check")
        for lateral, own in zip(plan.laterals, worst.tolist(), strict=True)
        if rank[lateral.grade_confidence] < own and not lateral.pinned
    ]
    doubtful = np.flatnonzero(worst > 0)
    if doubtful.size:
        trees = sum(len(plan.laterals[int(k)].tree) for k in doubtful)
        found.append(breach(
            "LEVEL_IT", "laterals", "", float(doubtful.size), None, "laterals",
            f"The terrain cannot prove that {doubtful.size} of {len(plan.laterals)} laterals, with {trees} trees, have "
            f"room to fall.", "Level them in the field before they are fixed; the sheets mark them.", severity="check"))
    return found + _mainlines(case)


def _least_sure(case: Case, lateral: Lateral) -> str:
    """Return how sure it is that the lateral can be strung to fall, tree by tree from its entry.

    A lateral is strung by eye inside its height window: the doubt is whether the highest it may hang at a tree is
    high enough above its entry, not whether the drawn height is.
    """
    highest_m = case.plan.settings.laterals.highest_m
    run = np.cumsum(np.hypot(*np.diff(lateral.xyz_m[:, :2], axis=0).T))
    room = case.plan.trees.ground_z_m[np.array(lateral.tree, dtype=np.int64)] + highest_m - lateral.xyz_m[0, 2]
    found = {_confidence(case, float(a), float(b), lateral=True) for a, b in zip(run, room, strict=False)}
    return next((name for name in ("unknown", "level it") if name in found), "high")


def _confidence(case: Case, run_m: float, rise_m: float, *, lateral: bool) -> str:
    settings = case.plan.settings
    return grade_confidence(
        length_m=run_m, fall_m=rise_m,
        min_grade_pct=settings.laterals.min_grade_pct if lateral else settings.mainlines.min_grade_pct,
        vertical_error_m=case.terrain.vertical_error_m, gps_error_m=settings.trees.gps_error_m,
    )


def _mainlines(case: Case) -> list[Finding]:
    spans = doubtful = 0
    for trace in case.traces:
        run, rise = np.diff(trace.line.station_m), np.diff(trace.line.xyz_m[:, 2])
        spans += len(run)
        doubtful += sum(_confidence(case, float(a), float(b), lateral=False) != "high"
                        for a, b in zip(run, rise, strict=True))
    if not doubtful:
        return []
    return [breach(
        "LEVEL_IT_MAINLINE", "mainlines", "", float(doubtful), None, "spans",
        f"The terrain cannot prove that {doubtful} of {spans} spans of mainline fall as designed.",
        "Shoot the grade with a level and rod before the pipe is hung.", severity="check")]


def not_checked(case: Case) -> list[Finding]:
    """Say of each kind of layer that nobody supplied that it was not looked at. Code ``NOT_CHECKED``, a check."""
    return [
        breach("NOT_CHECKED", "ground", kind, None, None, "",
               f"No layer of the kind {kind} was supplied: NOT CHECKED.",
               "Walk the lines and look for it, or supply the layer.", severity="check")
        for kind in case.ground.missing
    ]
