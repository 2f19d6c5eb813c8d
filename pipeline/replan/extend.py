"""New trees joined to laterals that have taps to spare: the lateral goes on behind its last tree."""

from __future__ import annotations

import heapq
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import shapely

from pipeline.records import GradeConfidence, Lateral, Mainline
from pipeline.replan.damage import Assessment
from pipeline.replan.regroup import SAMPLE_M, SPAN_SHARE, confidence_of, crosses
from pipeline.replan.site import HIT_M, Bill, Site, add
from pipeline.takeoff.tally import tubing_m

_SURENESS: tuple[GradeConfidence, ...] = ("high", "level it", "unknown")


def extended(
    site: Site, assessment: Assessment, *, lines: Sequence[Mainline], kept: Sequence[tuple[int, Lateral]],
    trees: Sequence[int], closed: frozenset[int] = frozenset(),
) -> dict[int, Lateral]:
    """Return laterals that take new trees in behind their last one, by their index in the plan.

    The shortest join comes first, then the shortest from what is now the end, until none is legal.

    Parameters
    ----------
    lines, kept
        Mainlines and laterals as they stay, laterals with their index; none may be crossed.
    trees : sequence of int
        New trees.
    closed : frozenset of int
        Laterals that take none, because they are under repair themselves.

    Notes
    -----
    What a lateral has keeps its place and its heights. The new piece obeys all rules of a lateral: taps, length, reach
    from a mainline, least fall, height window, half of the lowest height between trees, ground that is not barred.
    """
    now = dict(kept)
    done: dict[int, Lateral] = {}
    left = set(trees)
    queue: list[tuple[float, int, int, int]] = []

    def offer(k: int) -> None:
        end, room = now[k].xyz_m[-1, :2], site.plan.settings.laterals.max_length_m - now[k].length_m
        for t in left:
            away = float(np.hypot(site.plan.trees.x_m[t] - end[0], site.plan.trees.y_m[t] - end[1]))
            if away <= room:
                heapq.heappush(queue, (away, t, k, len(now[k].tree)))

    for k in sorted(now):
        if k not in closed:
            offer(k)
    while queue:
        _, t, k, count = heapq.heappop(queue)
        if t not in left or count != len(now[k].tree):
            continue
        longer = _joined(site, assessment, now[k], t, lines, now)
        if longer is not None:
            left.discard(t)
            now[k] = done[k] = longer
            offer(k)
    return done


def _joined(
    site: Site, assessment: Assessment, lateral: Lateral, t: int, lines: Sequence[Mainline], others: dict[int, Lateral]
) -> Lateral | None:
    """Return a lateral with a tree behind its last one, None where a rule forbids it."""
    rules, trees = site.plan.settings.laterals, site.plan.trees
    taps = lateral.taps + int(trees.taps[t])
    low, end = lateral.xyz_m[-1], (float(trees.x_m[t]), float(trees.y_m[t]))
    z = _height_m(site, low, end, float(trees.ground_z_m[t]))
    if taps > rules.max_taps or z is None:
        return None
    xyz = np.vstack((lateral.xyz_m, (*end, z)))
    longer = replace(
        lateral, tree=(*lateral.tree, t), taps=taps, xyz_m=xyz, grade_confidence=_sureness(site, lateral, xyz, t)
    )
    if longer.length_m > rules.max_length_m or _in_the_way(site, assessment, lateral, xyz, lines, others):
        return None
    return longer


def _height_m(site: Site, low: np.ndarray, end: tuple[float, float], ground_z_m: float) -> float | None:
    """Return the elevation at the new tree: near the aimed fall, inside its window, None where that is empty."""
    rules = site.plan.settings.laterals
    run = float(np.hypot(end[0] - low[0], end[1] - low[1]))
    if not run > 0.0 or not np.isfinite(ground_z_m):
        return None
    share = np.linspace(0.0, 1.0, max(int(np.ceil(run / SAMPLE_M)), 1) + 1)[1:-1]
    ground = site.terrain.sample(low[0] + (end[0] - low[0]) * share, low[1] + (end[1] - low[1]) * share)
    if np.isnan(ground).any():
        return None
    # so high at the tree that the straight piece clears the ground all the way
    clear = low[2] + (ground + SPAN_SHARE * rules.lowest_m - low[2]) / share
    least = max(ground_z_m + rules.lowest_m, float(low[2]) + rules.min_grade_pct / 100.0 * run,
                float(clear.max(initial=-np.inf)))
    most = ground_z_m + rules.highest_m
    return min(max(float(low[2]) + rules.aim_grade_pct / 100.0 * run, least), most) if least <= most else None


def _in_the_way(
    site: Site, assessment: Assessment, lateral: Lateral, xyz: np.ndarray, lines: Sequence[Mainline],
    others: dict[int, Lateral],
) -> bool:
    """Whether barred or blown ground, another line or the lateral itself lies in the way of the new piece."""
    low, high = xyz[-2], xyz[-1]
    piece = shapely.LineString([low[:2], high[:2]])
    share = np.linspace(0.0, 1.0, max(int(np.ceil(piece.length / SAMPLE_M)), 1) + 1)
    row, col = site.terrain.rowcol(low[0] + (high[0] - low[0]) * share, low[1] + (high[1] - low[1]) * share)
    rows, cols = site.terrain.shape
    r, c = np.rint(row).astype(int), np.rint(col).astype(int)
    if (r < 0).any() or (c < 0).any() or (r >= rows).any() or (c >= cols).any() or (
            site.ground.lateral_blocked[r, c].any()):
        return True
    if piece.intersects(assessment.blown) or piece.distance(assessment.stems) < HIT_M:
        return True
    to_line = min((shapely.Point(high[:2]).distance(shapely.LineString(m.xyz_m[:, :2])) for m in lines), default=np.inf)
    if to_line > site.plan.settings.laterals.reach_m or not shapely.LineString(xyz[:, :2]).is_simple:
        return True
    box = np.array([np.minimum(low, high)[:2], np.maximum(low, high)[:2]])
    near = [m.xyz_m[:, :2] for m in lines]
    near += [o.xyz_m[:, :2] for o in others.values() if o.lateral_id != lateral.lateral_id]
    return any(
        (xy.min(axis=0) <= box[1]).all() and (xy.max(axis=0) >= box[0]).all() and crosses(piece, shapely.LineString(xy))
        for xy in near
    )


def _sureness(site: Site, lateral: Lateral, xyz: np.ndarray, t: int) -> GradeConfidence:
    """Return the confidence of the least sure tree, the new one among them."""
    run = float(np.hypot(*np.diff(xyz[:, :2], axis=0).T).sum())
    room = float(site.plan.trees.ground_z_m[t]) + site.plan.settings.laterals.highest_m - float(xyz[0, 2])
    return max((lateral.grade_confidence, confidence_of(site)(run, room)), key=_SURENESS.index)


def extend_parts(site: Site, parts: Bill, was: Lateral, now: Lateral) -> None:
    """Add what going on takes: tubing, drops, tees and spouts; the end ring moves to the new last tree."""
    taps, trees = float(now.taps - was.taps), site.plan.trees
    add(parts, "TUBING", max(tubing_m(now, trees) - tubing_m(was, trees), 0.0))  # the old ring is part of what is there
    add(parts, "TEE", taps)
    add(parts, "DROP TUBING", taps * site.plan.settings.laterals.drop_length_m)
    add(parts, "SPOUT", taps)
