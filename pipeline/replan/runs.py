"""Damaged pieces that are decided one by one: stretches of mainline, and laterals."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from pipeline.records import DamageState, Mainline, Support
from pipeline.replan.damage import Assessment
from pipeline.replan.site import CORRIDOR_M, Bill, Site, add

_GRAVE: dict[DamageState, int] = {"clear": 0, "near": 1, "hit": 2, "lost": 3}


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """A stretch of one mainline whose spans are all damaged, between two sound supports or the line's ends.

    ``low`` and ``high`` are indices of the supports that bound it. ``items`` are the logged
    things that lie on it, ``corridor_m2`` the blown ground that must be cleared to work there.
    """

    line: Mainline
    low: int
    high: int
    state: DamageState
    items: tuple[int, ...]
    corridor_m2: float

    @property
    def low_m(self) -> float:
        """Station of the lower end."""
        return self.line.supports[self.low].station_m

    @property
    def high_m(self) -> float:
        """Station of the upper end."""
        return self.line.supports[self.high].station_m

    @property
    def reaches_top(self) -> bool:
        """Whether nothing sound is left above."""
        return self.high == len(self.line.supports) - 1


def runs_of(site: Site, assessment: Assessment) -> tuple[Run, ...]:
    """Return the damaged stretches of all mainlines, in the plan's order and upward."""
    out: list[Run] = []
    for line in site.plan.mainlines:
        bad = [assessment.spans[line.mainline_id, i].bad for i in range(len(line.supports) - 1)]
        start = -1
        for i, hurt in enumerate((*bad, False)):
            if hurt and start < 0:
                start = i
            elif not hurt and start >= 0:
                out.append(_run(assessment, line, start, i))
                start = -1
    return tuple(out)


def _run(assessment: Assessment, line: Mainline, low: int, high: int) -> Run:
    marks = [assessment.spans[line.mainline_id, i] for i in range(low, high)]
    marks += [assessment.supports[s.support_id] for s in line.supports[low:high + 1]]
    state = max((m.state for m in marks), key=lambda s: _GRAVE[s])
    items = sorted({n for m in marks if m.bad for n in m.items()})
    return Run(line, low, high, state, tuple(items),
               corridor_m2(assessment, line.xyz_m[low:high + 1, :2]))


def corridor_m2(assessment: Assessment, xy_m: np.ndarray) -> float:
    """Return how much blown ground lies in the corridor of a line, in square metres."""
    if assessment.blown.is_empty or len(xy_m) < 2:
        return 0.0
    corridor = shapely.LineString(xy_m).buffer(CORRIDOR_M / 2.0)
    return float(corridor.intersection(assessment.blown).area)


# ---------------------------------------------------------------- supports of a re-hung stretch


@dataclass(frozen=True, slots=True, eq=False)
class Rehung:
    """A stretch hung again where it was: its supports with replacements by index, and what that takes.

    ``why`` says what makes it impossible, ``""`` when it is not.
    """

    supports: dict[int, Support]
    parts: Bill
    retie: tuple[int, ...]
    why: str = ""


def rehung(site: Site, assessment: Assessment, run: Run, *, replace_lost: bool) -> Rehung:
    """Return a stretch hung again on its own supports, or with new ones where the old are lost.

    Places and heights stay as they are, so nothing else changes. A lost holder gives way to
    the nearest sound tree within reach of the same place, else to a post (an anchor stays one).
    """
    supports: dict[int, Support] = {}
    parts: Bill = {}
    retie: list[int] = []
    gone = [k for k in range(run.low, run.high + 1) if _holder_gone(site, assessment, run.line.supports[k])]
    if gone and not replace_lost:
        return Rehung({}, {}, (), "its supports are lost")
    if not gone and replace_lost:
        return Rehung({}, {}, (), "no support is lost")
    for k in range(run.low, run.high + 1):
        support = run.line.supports[k]
        if k in gone:
            new = _replacement(site, assessment, support)
            if new is None:
                return Rehung({}, {}, (), f"nothing may stand at {support.support_id}")
            supports[k] = new
            _support_parts(parts, new)
        elif assessment.supports[support.support_id].bad:
            retie.append(k)
            if assessment.supports[support.support_id].state == "lost":
                _support_parts(parts, support)
    _broken_parts(site, assessment, run, parts)
    return Rehung(supports, parts, tuple(retie))


def _holder_gone(site: Site, assessment: Assessment, support: Support) -> bool:
    if support.kind == "post" or not support.tree_id:
        return False
    i = site.plan.trees.tree_id.index(support.tree_id) if support.tree_id in site.plan.trees.tree_id else -1
    mark = assessment.trees[i] if i >= 0 else None
    return mark is not None and mark.bad and any(code != "RETIRE" for code, _ in mark.reasons)


def _replacement(site: Site, assessment: Assessment, support: Support) -> Support | None:
    """Return what takes a lost support's place; its ID is given later. None where nothing may stand."""
    trees, plan = site.plan.trees, site.plan
    away = np.hypot(trees.x_m - support.x_m, trees.y_m - support.y_m)
    reach = plan.settings.mainlines.support_reach_m
    sound = [
        int(i) for i in np.argsort(away, kind="stable") if away[i] <= reach
        and not assessment.trees[int(i)].bad and trees.reason[int(i)] not in _UNUSABLE
        and not trees.dbh_cm[int(i)] < LEAST_TRUNK_CM
    ]
    kind = support.kind
    if sound:
        return _with(support, "anchor" if kind == "anchor" else "tree", trees.tree_id[sound[0]], float(away[sound[0]]))
    row, col = (round(float(v)) for v in site.terrain.rowcol(support.x_m, support.y_m))
    rows, cols = site.terrain.shape
    if not (0 <= row < rows and 0 <= col < cols) or bool(site.ground.support_blocked[row, col]):
        return None
    return _with(support, "anchor" if kind == "anchor" else "post", "", 0.0)


LEAST_TRUNK_CM = 10.0  # thinner stems sway with the wire; common practice, no source
_UNUSABLE = ("DEAD", "DUPLICATE", "BAD_POSITION", "OUTSIDE_PROPERTY", "OFF_TERRAIN", "NO_GROUND", "STORM_LOST")


def _with(support: Support, kind: str, tree_id: str, offset_m: float) -> Support:
    return Support(
        support_id="", mainline_id=support.mainline_id, station_m=support.station_m, x_m=support.x_m, y_m=support.y_m,
        kind=kind, tree_id=tree_id, offset_m=offset_m,  # type: ignore[arg-type]
        ground_z_m=support.ground_z_m, line_z_m=support.line_z_m, binding=support.binding,
    )


def _support_parts(parts: Bill, support: Support) -> None:
    if support.kind == "tree":
        add(parts, "SIDE TIE", 1.0)
        add(parts, "SIDE WIRE", abs(support.offset_m) + 1.0)
    else:
        add(parts, support.kind.upper(), 1.0)


def _broken_parts(site: Site, assessment: Assessment, run: Run, parts: Bill) -> None:
    """Add pipe, wire and couplings for the spans whose line parted."""
    line = run.line
    xyz = line.xyz_m
    for i in range(run.low, run.high):
        if assessment.spans[line.mainline_id, i].state != "lost":
            continue
        length = float(np.linalg.norm(xyz[i + 1] - xyz[i]))
        middle = (line.supports[i].station_m + line.supports[i + 1].station_m) / 2.0
        for pipe in site.plan.flow.pipes:
            if pipe.mainline_id == line.mainline_id and pipe.from_station_m <= middle < pipe.to_station_m:
                add(parts, f"PIPE {pipe.nominal}", length)
                add(parts, f"WIRE {site.plan.settings.flow.wire}", length)
                add(parts, "TWIST TIE", length / 0.3048)
                add(parts, f"COUPLING {pipe.nominal}", 2.0)
