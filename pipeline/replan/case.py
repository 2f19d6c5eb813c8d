"""The damaged pieces of a plan with every way to repair each by itself."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import shapely

from pipeline.records import Mainline, OptionKind, Pipe, Support
from pipeline.replan.damage import HAZARD_KINDS, Assessment
from pipeline.replan.detour import Start, Way, find
from pipeline.replan.extend import extended
from pipeline.replan.regroup import Mended, mended
from pipeline.replan.runs import Run, corridor_m2, rehung, runs_of
from pipeline.replan.site import PIPE_TIE_EVERY_M, Bill, Site, add, merged
from pipeline.replan.splice import Decision
from pipeline.takeoff.tally import VALVE_TAPS

MOST_STARTS = 400  # supports that a new way may start from, the nearest ones
TAKE_REACH_M = 120.0  # how far another mainline may be to take a stretch over
APART_M = 1.0
STEM_OF_TREE_M = 2.0  # a stem that begins this near a logged tree is that tree's
_LEAST_SHARE = 1e-9  # of a new stretch: less is rounding
_SAME_M = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A damaged piece: a stretch of mainline or a lateral, and its options; or new trees that stand together.

    ``kinds`` and ``why`` go together; for a stretch ``decisions`` hold what each legal option does.
    """

    run: Run | None
    lateral: int
    kinds: tuple[OptionKind, ...]
    why: tuple[str, ...]
    decisions: tuple[Decision | None, ...] = ()
    mended: Mended | None = None
    fresh: tuple[int, ...] = ()

    @property
    def legal(self) -> tuple[int, ...]:
        """Indices of the options that may be chosen."""
        return tuple(k for k, why in enumerate(self.why) if not why)


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """A damaged plan ready for the choice; stretches of mainline stand before laterals."""

    site: Site
    assessment: Assessment
    pieces: tuple[Piece, ...]
    alias: dict[int, int]  # a stem's item -> the item of the tree it belongs to

    @property
    def broken(self) -> bool:
        """Whether anything but the retiring of trees was logged."""
        return any(i.kind != "retire" for i in self.site.storm.items)

    def clearing_h(self, items: frozenset[int]) -> float:
        """Return the crew-hours that clearing logged things takes, each tree once."""
        kinds = {i.number: i.kind for i in self.site.storm.items}
        once = {self.alias.get(n, n) for n in items}
        return sum(self.site.clearing[kinds[n]] for n in sorted(once) if kinds[n] != "blown_area")

    def area_h(self, corridor_m2_: float) -> float:
        """Return the crew-hours that clearing a corridor through blown ground takes."""
        return corridor_m2_ / 100.0 * self.site.clearing["blown_area"]


def make_case(site: Site, assessment: Assessment) -> Case:
    """Return the damaged pieces and their options, each worked out by itself."""
    runs = runs_of(site, assessment)
    dead = frozenset(
        tag for tag, mark in zip(site.plan.trees.tree_id, assessment.trees, strict=True) if mark.bad
    )
    pieces = [_run_piece(site, assessment, run, dead) for run in runs]
    for k, mark in enumerate(assessment.laterals):
        if mark.bad:
            pieces.append(_lateral_piece(site, assessment, k))
    pieces += [_fresh_piece(site, assessment, trees) for trees in clusters(site, site.fresh) if trees]
    return Case(site, assessment, tuple(pieces), _aliases(site))


def clusters(site: Site, trees: Sequence[int]) -> list[tuple[int, ...]]:
    """Return trees in groups that no lateral can link: single linkage by reach."""
    rules = site.plan.settings.laterals
    apart = 2.0 * (rules.reach_m + rules.max_length_m) + APART_M
    left = list(trees)
    xy = {t: complex(site.plan.trees.x_m[t], site.plan.trees.y_m[t]) for t in left}
    out = []
    while left:
        group, edge = [left.pop(0)], 0
        while edge < len(group):
            near = [t for t in left if abs(xy[t] - xy[group[edge]]) <= apart]
            group += near
            left = [t for t in left if t not in near]
            edge += 1
        out.append(tuple(sorted(group)))
    return out


def _fresh_piece(site: Site, assessment: Assessment, trees: tuple[int, ...]) -> Piece:
    """Return new trees that stand together: joined to laterals with taps to spare, new laterals, or left aside."""
    sound = tuple(t for t in trees if assessment.usable(t))
    kept = [(k, la) for k, la in enumerate(site.plan.laterals) if not assessment.laterals[k].bad]
    some = extended(site, assessment, lines=site.plan.mainlines, kept=kept, trees=sound)
    why = ("" if some else "no lateral in reach can go on to them", "" if sound else "none of them stands", "")
    return Piece(None, -1, ("extend", "regroup", "abandon"), why, fresh=sound)


def _aliases(site: Site) -> dict[int, int]:
    trees = [i for i in site.storm.items if i.kind in ("tree_down", "root_plate", *HAZARD_KINDS)]
    out: dict[int, int] = {}
    for item in site.storm.items:
        if item.kind == "stem":
            near = [t for t in trees if t.shape.distance(item.shape) <= STEM_OF_TREE_M]
            if near:
                out[item.number] = near[0].number
    return out


# ---------------------------------------------------------------- laterals


def _lateral_piece(site: Site, assessment: Assessment, k: int) -> Piece:
    lateral = site.plan.laterals[k]
    again = mended(site, assessment, lateral)
    some = any(assessment.usable(t) for t in lateral.tree)
    none_left = "" if some else "none of its trees is left"
    return Piece(None, k, ("mend", "regroup", "abandon"), (again.why, none_left, ""), mended=again)


# ---------------------------------------------------------------- stretches


def _run_piece(site: Site, assessment: Assessment, run: Run, dead: frozenset[str]) -> Piece:
    same = rehung(site, assessment, run, replace_lost=False)
    new = rehung(site, assessment, run, replace_lost=True)
    detour = _detour(site, assessment, run, dead)
    take = _take(site, assessment, run, dead)
    options: list[tuple[OptionKind, str, Decision | None]] = [
        ("rehang", same.why, None if same.why else Decision(run, "rehang", rehung=same)),
        ("new_support", new.why, None if new.why else Decision(run, "new_support", rehung=new)),
        ("detour", *_found(run, "detour", detour)), ("take", *_found(run, "take", take)),
        ("abandon", "", Decision(run, "abandon")),
    ]
    return Piece(
        run, -1, tuple(o[0] for o in options), tuple(o[1] for o in options), tuple(o[2] for o in options),
    )


def _found(run: Run, kind: OptionKind, way: Way | str) -> tuple[str, Decision | None]:
    return (way, None) if isinstance(way, str) else ("", Decision(run, kind, way=way))


def _detour(site: Site, assessment: Assessment, run: Run, dead: frozenset[str]) -> Way | str:
    """Look for a way from the sound support below to the sound support above."""
    why = _unsound_end(assessment, run)
    if why:
        return why
    line = run.line
    xy = line.xyz_m[:, :2]
    below = None if run.low == 0 else shapely.LineString(xy[run.low - 1:run.low + 1])
    above = shapely.LineString(xy[run.high:run.high + 2])
    low = line.supports[run.low]
    start = Start(line.mainline_id, run.low, low.x_m, low.y_m, low.line_z_m, low.station_m)
    return find(
        site, starts=(start,), lines={line.mainline_id: line}, target=line.supports[run.high],
        blocked=_blown(assessment), staying=_staying(site, run),
        below_deg=_heading(below), above_deg=_heading(above), dead_trees=dead,
    )


def _take(site: Site, assessment: Assessment, run: Run, dead: frozenset[str]) -> Way | str:
    """Look for a way from another mainline to the sound support above."""
    why = _unsound_end(assessment, run)
    if why:
        return why
    family = _family(site.plan.mainlines, run.line.mainline_id)
    target = run.line.supports[run.high]
    starts = []
    for line in site.plan.mainlines:
        if line.mainline_id in family:
            continue
        for k, s in enumerate(line.supports[1:], start=1):
            away = abs(complex(s.x_m - target.x_m, s.y_m - target.y_m))
            sound = not assessment.supports[s.support_id].bad
            if away <= TAKE_REACH_M and sound and s.line_z_m < target.line_z_m:
                starts.append((away, Start(line.mainline_id, k, s.x_m, s.y_m, s.line_z_m, s.station_m)))
    starts.sort(key=lambda pair: (pair[0], pair[1].mainline_id, pair[1].index))
    above = shapely.LineString(run.line.xyz_m[run.high:run.high + 2, :2])
    return find(
        site, starts=[s for _, s in starts[:MOST_STARTS]], lines={m.mainline_id: m for m in site.plan.mainlines},
        target=target, blocked=_blown(assessment), staying=_staying(site, run), below_deg=None,
        above_deg=_heading(above), dead_trees=dead,
    )


def _unsound_end(assessment: Assessment, run: Run) -> str:
    if run.reaches_top:
        return "nothing above it is left to lead to"
    if run.low == 0 and assessment.supports[run.line.supports[0].support_id].bad:
        return "" if run.line.parent_id else "its end at the collection point is hit"
    return ""


def _family(lines: tuple[Mainline, ...], mainline_id: str) -> set[str]:
    """Return a mainline and all that drains into it."""
    out = {mainline_id}
    for line in lines:  # parents come before children
        if line.parent_id in out:
            out.add(line.mainline_id)
    return out


def _blown(assessment: Assessment) -> shapely.Geometry:
    return shapely.union(assessment.blown, assessment.stems)


def _staying(site: Site, run: Run) -> list[shapely.Geometry]:
    """Return the lines that a new way may not cross: all but the damaged stretch and what enters there."""
    out: list[shapely.Geometry] = []
    for line in site.plan.mainlines:
        xy = line.xyz_m[:, :2]
        own = line.mainline_id == run.line.mainline_id
        parts = [xy[:run.low + 1], xy[run.high:]] if own else [xy]
        out += [shapely.LineString(p) for p in parts if len(p) > 1]
    for lateral in site.plan.laterals:
        here = lateral.mainline_id == run.line.mainline_id and run.low_m < lateral.entry_station_m < run.high_m
        if not here:
            out.append(shapely.LineString(lateral.xyz_m[:, :2]))
    return out


def _heading(line: shapely.LineString | None) -> float | None:
    if line is None:
        return None
    (x0, y0), (x1, y1) = line.coords[0], line.coords[-1]
    return math.degrees(math.atan2(y1 - y0, x1 - x0))


# ---------------------------------------------------------------- bills


def decision_bill(case: Case, decision: Decision) -> tuple[Bill, frozenset[int], float, float]:
    """Return parts, logged things to clear, blown ground to clear (m2) and other hours of one decision."""
    run, site = decision.run, case.site
    if decision.kind in ("rehang", "new_support") and decision.rehung is not None:
        return decision.rehung.parts, frozenset(run.items), run.corridor_m2, site.clearing["retension"]
    if decision.kind == "abandon":
        return end_parts(site, run), frozenset(), 0.0, 0.0
    way = decision.way
    if way is None:
        return {}, frozenset(), 0.0, 0.0
    parts = way_parts(site, way, run)
    if decision.kind == "take":
        parts = merged(parts, end_parts(site, run), _foot_parts(site, way, run))
    above = sum(1 for s in run.line.supports if s.station_m >= run.high_m)
    return parts, frozenset(), 0.0, site.clearing["retension"] + above * site.clearing["restake"]


def end_parts(site: Site, run: Run) -> Bill:
    """Return what the new top of a line takes that is cut below a stretch; nothing where nothing of it is left."""
    parts: Bill = {}
    if run.low == 0:
        return parts
    add(parts, "ANCHOR", 1.0)
    for pipe in _pipes_below(site, run.line.mainline_id, run.low_m):
        add(parts, "STRAINER", 1.0)
        add(parts, "MANIFOLD" if pipe.role == "dry" else f"CAP {pipe.nominal}", 1.0)
    return parts


def _foot_parts(site: Site, way: Way, run: Run) -> Bill:
    """Return what the foot of a new branch takes, in the size of what it leads to."""
    parts: Bill = {"ANCHOR": 1.0}
    below = _pipes_below(site, way.start.mainline_id, way.start.station_m)
    trunk = next((p for p in below if p.role != "dry"), None)
    for pipe in site.plan.flow.pipes:
        if pipe.mainline_id == run.line.mainline_id and pipe.from_station_m <= run.high_m < pipe.to_station_m:
            if trunk is not None and pipe.role != "dry":
                add(parts, f"JOIN {trunk.nominal} x {pipe.nominal}", 1.0)
            if pipe.taps >= VALVE_TAPS:
                add(parts, f"VALVE {pipe.nominal}", 1.0)
    if len(below) > 1:
        add(parts, "MANIFOLD", 1.0)
    return parts


def _pipes_below(site: Site, mainline_id: str, station_m: float) -> list[Pipe]:
    """Return the pipes, one or wet and dry, that lie just below a station."""
    return [p for p in site.plan.flow.pipes
            if p.mainline_id == mainline_id and p.from_station_m < station_m - _SAME_M <= p.to_station_m]


def way_parts(site: Site, way: Way, run: Run) -> Bill:
    """Return the parts of a new stretch.

    Round damage the sizes that lay there keep their shares, as they are laid; from another
    mainline the size is that of the stretch it leads to.
    """
    parts: Bill = {}
    xyz = way.xyz_m
    length = float(abs(((xyz[1:] - xyz[:-1]) ** 2).sum(axis=1) ** 0.5).sum())
    own = way.start.mainline_id == run.line.mainline_id
    for pipe in site.plan.flow.pipes:
        if pipe.mainline_id != run.line.mainline_id:
            continue
        over = min(pipe.to_station_m, run.high_m) - max(pipe.from_station_m, run.low_m)
        leads = pipe.from_station_m <= run.high_m < pipe.to_station_m
        share = over / (run.high_m - run.low_m) if own else float(leads)
        if share > _LEAST_SHARE:
            add(parts, f"PIPE {pipe.nominal}", share * length)
            add(parts, f"WIRE {site.plan.settings.flow.wire}", share * length)
            add(parts, "TWIST TIE", share * length / PIPE_TIE_EVERY_M)
            add(parts, f"COUPLING {pipe.nominal}", 2.0)
    for s in way.supports:
        add_support(parts, s)
    return parts


def add_support(parts: Bill, support: Support) -> None:
    """Add the parts of one support."""
    if support.kind == "tree":
        add(parts, "SIDE TIE", 1.0)
        add(parts, "SIDE WIRE", abs(support.offset_m) + 1.0)
    else:
        add(parts, support.kind.upper(), 1.0)


def lateral_items(case: Case, k: int) -> frozenset[int]:
    """Return the logged things that must be cleared to mend a lateral."""
    return frozenset(case.assessment.laterals[k].items())


def lateral_corridor_m2(case: Case, k: int) -> float:
    """Return the blown ground that must be cleared to mend a lateral."""
    piece = next(p for p in case.pieces if p.lateral == k)
    made = piece.mended.lateral if piece.mended else None
    return 0.0 if made is None else corridor_m2(case.assessment, made.xyz_m[:, :2])
