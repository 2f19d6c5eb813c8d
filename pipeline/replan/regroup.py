"""Laterals after the storm: mended where they enter, or their trees led to another line."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from pipeline import laterals as laterals_room
from pipeline.records import Floats, GradeConfidence, Grouping, Lateral, Mainline, Mask, Trees
from pipeline.replan.damage import Assessment
from pipeline.replan.site import HIT_M, Site
from pipeline.terrain.burn import covered
from pipeline.terrain.confidence import grade_confidence

SPAN_SHARE = 0.5  # between trees a lateral keeps this share of its lowest height, as everywhere in the program
TOUCH_M = 0.1
SAMPLE_M = 0.25
TRIES = 4
Closed = dict[tuple[str, int], list[tuple[tuple[slice, slice], Mask]]]


@dataclass(frozen=True, slots=True, eq=False)
class Mended:
    """A lateral at its old entry without the trees that are lost; ``why`` says why it cannot be mended."""

    lateral: Lateral | None
    why: str = ""


def confidence_of(site: Site) -> Callable[[float, float], GradeConfidence]:
    """Return how sure a lateral is to fall, from its length and its room to fall."""
    settings = site.plan.settings

    def judge_span(length_m: float, fall_m: float) -> GradeConfidence:
        return grade_confidence(
            length_m=length_m, fall_m=fall_m, min_grade_pct=settings.laterals.min_grade_pct,
            vertical_error_m=site.terrain.vertical_error_m, gps_error_m=settings.trees.gps_error_m,
        )

    return judge_span


def mended(site: Site, assessment: Assessment, lateral: Lateral) -> Mended:
    """Return a lateral that keeps its entry and heights and passes over the trees that are lost.

    Fall cannot suffer: a straight piece that skips a tree rises as much as the two it
    replaces, over no more length. Clearance, blocked ground and other lines are looked at.
    """
    stay = [k for k, t in enumerate(lateral.tree) if assessment.usable(t)]
    if not stay:
        return Mended(None, "none of its trees is left")
    if len(stay) == len(lateral.tree):
        return Mended(lateral)
    xyz = lateral.xyz_m[[0, *(k + 1 for k in stay)]]
    rows = [0, *(k + 1 for k in stay)]
    for a, b, low, high in zip(rows, rows[1:], xyz, xyz[1:], strict=False):
        if b - a > 1 and (why := _piece_fault(site, lateral, low, high)):
            return Mended(None, why)
    trees = site.plan.trees
    tree = tuple(lateral.tree[k] for k in stay)
    # a lateral is as sure to fall as its least sure tree, and skipping one lets nothing fall less
    return Mended(replace(lateral, tree=tree, taps=int(trees.taps[list(tree)].sum()), xyz_m=xyz))


def _piece_fault(site: Site, lateral: Lateral, low: Floats, high: Floats) -> str:
    """Return what is wrong with a straight piece that skips a lost tree, ``""`` when nothing is."""
    rules = site.plan.settings.laterals
    length = float(np.hypot(*(high - low)[:2]))
    share = np.linspace(0.0, 1.0, max(int(np.ceil(length / SAMPLE_M)), 1) + 1)[1:-1]
    at = low + (high - low) * share[:, None]
    ground = site.terrain.sample(at[:, 0], at[:, 1])
    if len(at) and not (at[:, 2] - ground >= SPAN_SHARE * rules.lowest_m).all():
        return "past its lost tree it would come too near to the ground"
    row, col = site.terrain.rowcol(at[:, 0], at[:, 1])
    r = np.clip(np.rint(row).astype(int), 0, site.terrain.shape[0] - 1)
    c = np.clip(np.rint(col).astype(int), 0, site.terrain.shape[1] - 1)
    if site.ground.lateral_blocked[r, c].any():
        return "past its lost tree it would cross blocked ground"
    piece = shapely.LineString([low[:2], high[:2]])
    for other in site.plan.laterals:
        if other.lateral_id != lateral.lateral_id and crosses(piece, shapely.LineString(other.xyz_m[:, :2])):
            return f"past its lost tree it would cross {other.lateral_id}"
    for line in site.plan.mainlines:
        if crosses(piece, shapely.LineString(line.xyz_m[:, :2])):
            return f"past its lost tree it would cross {line.mainline_id}"
    return ""


def crosses(a: shapely.LineString, b: shapely.LineString) -> bool:
    """Whether two lines cross further than a hand's breadth from their ends."""
    if not a.intersects(b):
        return False
    ends = shapely.MultiPoint([a.coords[0], a.coords[-1], b.coords[0], b.coords[-1]])
    return any(
        part.length > TOUCH_M or part.distance(ends) > TOUCH_M for part in shapely.get_parts(a.intersection(b))
    )


# ---------------------------------------------------------------- other lines


def regrouped(
    site: Site, assessment: Assessment, *, lines: Sequence[Mainline], kept: Sequence[Lateral], trees: Sequence[int],
    closed: Closed | None = None,
) -> tuple[tuple[Lateral, float], ...]:
    """Return new laterals over trees that lost theirs, with the ceilings of their entries; IDs are still old.

    Parameters
    ----------
    lines : sequence of Mainline
        As they are hung after the repair; nothing of them moves.
    kept : sequence of Lateral
        Laterals that stay: new ones neither cross them nor enter too near to them.
    trees : sequence of int
        Indices of sound trees to be served.
    closed : dict, optional
        Remembers which cells a lateral closes, from call to call.

    Notes
    -----
    Blown ground and stems are closed to new laterals, so that nobody need work in there.
    """
    if not trees:
        return ()
    near_lines, near_kept = _near(site, lines, kept, trees)
    if not near_lines:
        return ()
    blocked = _blocked(site, assessment, near_kept, {} if closed is None else closed)
    tried = _mask(site, trees)
    for _ in range(TRIES):
        made = _group(site, near_lines, blocked, tried)
        bad = [k for k, (la, _) in enumerate(made) if _spoils(site, la, near_kept)]
        if not bad:
            return made
        for k in bad:  # close the way it took and try again
            _close(site, blocked, shapely.LineString(made[k][0].xyz_m[:2, :2]).interpolate(0.5).buffer(1.0))
    return tuple(pair for k, pair in enumerate(made) if k not in bad)


def unserved(
    site: Site, assessment: Assessment, *, lines: Sequence[Mainline], kept: Sequence[Lateral], trees: Sequence[int]
) -> dict[int, str]:
    """Return for trees that no lateral leads to why none does: a code, NOT_WORTH_IT where one could.

    Parameters are those of :func:`regrouped`.
    """
    near_lines, near_kept = _near(site, lines, kept, trees)
    if not near_lines:
        return dict.fromkeys(trees, "OUT_OF_REACH")
    blocked = _blocked(site, assessment, near_kept, {})
    reason = _grouping(site, near_lines, blocked, _mask(site, trees)).reason
    return {t: reason[t] or "NOT_WORTH_IT" for t in trees}


def _near(
    site: Site, lines: Sequence[Mainline], kept: Sequence[Lateral], trees: Sequence[int]
) -> tuple[tuple[Mainline, ...], list[Lateral]]:
    """Return the mainlines and laterals that trees could have to do with."""
    index, rules = np.array(sorted(trees), dtype=np.int64), site.plan.settings.laterals
    box = shapely.box(*_bounds(site.plan.trees.x_m[index], site.plan.trees.y_m[index])).buffer(
        rules.reach_m + rules.max_length_m + 5.0)
    near = tuple(m for m in lines if shapely.LineString(m.xyz_m[:, :2]).intersects(box))
    names = {m.mainline_id for m in near}
    near = tuple(m if m.parent_id in names else replace(m, parent_id="") for m in near)
    return near, [la for la in kept if shapely.LineString(la.xyz_m[:, :2]).intersects(box)]


def _mask(site: Site, trees: Sequence[int]) -> Mask:
    tried = np.zeros(len(site.plan.trees), dtype=np.bool_)
    tried[list(trees)] = True
    return tried


def _group(
    site: Site, lines: tuple[Mainline, ...], blocked: Mask, tried: Mask
) -> tuple[tuple[Lateral, float], ...]:
    settled, _ = laterals_room.settle(
        grouping=_grouping(site, lines, blocked, tried), mainlines=lines, terrain=site.terrain,
        trees=_tried(site, tried), settings=site.plan.settings, confidence=confidence_of(site),
    )
    return tuple(zip(settled.laterals, settled.entry_ceiling_z_m.tolist(), strict=True))


def _grouping(site: Site, lines: tuple[Mainline, ...], blocked: Mask, tried: Mask) -> Grouping:
    return laterals_room.group(
        mainlines=lines, terrain=site.terrain, ground=replace(site.ground, lateral_blocked=blocked),
        trees=_tried(site, tried), reason=tuple("" if t else "ABANDONED" for t in tried), settings=site.plan.settings,
    )[0]


def _tried(site: Site, tried: Mask) -> Trees:
    return replace(site.plan.trees, status=tuple("served" if t else "set_aside" for t in tried))


def _bounds(x: Floats, y: Floats) -> tuple[float, float, float, float]:
    return float(x.min()), float(y.min()), float(x.max()), float(y.max())


def _blocked(site: Site, assessment: Assessment, kept: Sequence[Lateral], closed: Closed) -> Mask:
    """Return where no new lateral may go: what was closed before, blown ground, stems, laterals that stay."""
    blocked = site.ground.lateral_blocked.copy()
    touch = 0.75 * site.terrain.cell_m
    spacing = site.plan.settings.laterals.entry_spacing_m
    if not assessment.blown.is_empty:
        _close(site, blocked, assessment.blown.buffer(touch))
    if not assessment.stems.is_empty:
        _close(site, blocked, assessment.stems.buffer(HIT_M + touch))
    for lateral in kept:
        key = lateral.lateral_id, len(lateral.tree)
        if key not in closed:
            line = shapely.LineString(lateral.xyz_m[:, :2])
            entry = shapely.Point(line.coords[0]).buffer(max(spacing, touch))
            closed[key] = [covered(site.terrain, line.buffer(touch)), covered(site.terrain, entry)]
        for window, mask in closed[key]:
            blocked[window] |= mask
    return blocked


def _close(site: Site, blocked: Mask, shape: shapely.Geometry) -> None:
    window, mask = covered(site.terrain, shape)
    blocked[window] |= mask


def _spoils(site: Site, made: Lateral, kept: Sequence[Lateral]) -> bool:
    """Whether a new lateral crosses one that stays or enters too near to it."""
    line = shapely.LineString(made.xyz_m[:, :2])
    spacing = site.plan.settings.laterals.entry_spacing_m
    for other in kept:
        if crosses(line, shapely.LineString(other.xyz_m[:, :2])):
            return True
        if other.mainline_id == made.mainline_id and abs(other.entry_station_m - made.entry_station_m) < spacing - 5e-3:
            return True
    return False
