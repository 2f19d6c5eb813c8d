"""What a storm did to a plan: every tree, lateral, span, support and crossing is lost, hit, near or clear."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from pipeline.findings import Finding
from pipeline.records import Damage, DamageState, Floats, Mainline, StormItem
from pipeline.replan.site import HIT_M, Site

# Kinds that take the tree they stand at out of use.
TREE_KINDS = ("tree_down", "hung", "top_broken", "root_plate", "retire")
LOST_KINDS = ("tree_down", "root_plate", "retire")  # the tree is no more; of the others something still stands
HAZARD_KINDS = ("hung", "top_broken", "root_plate")  # nobody works within two tree lengths until made safe
LINE_KINDS = ("line_broken", "line_pinned")
_RANK: dict[DamageState, int] = {"clear": 0, "near": 1, "hit": 2, "lost": 3}
_GRAVEST: tuple[DamageState, ...] = ("clear", "near", "hit", "lost")


@dataclass(slots=True)
class Mark:
    """State of one thing while it is being worked out, with its reasons (code, item number)."""

    state: DamageState = "clear"
    reasons: list[tuple[str, int]] = field(default_factory=list)

    def worse(self, state: DamageState, code: str, item: int) -> None:
        """Make the state at least this grave; reasons graver than ``near`` crowd out lighter ones."""
        if _RANK[state] > _RANK[self.state]:
            if self.state == "near":
                self.reasons.clear()
            self.state = state
        if (_RANK[state] >= 2 or self.state == "near") and (code, item) not in self.reasons:
            self.reasons.append((code, item))

    def items(self) -> tuple[int, ...]:
        """Return the numbers of the items that did it."""
        return tuple(sorted({number for _, number in self.reasons if number}))

    @property
    def bad(self) -> bool:
        """Whether something must be done here."""
        return self.state in ("hit", "lost")


@dataclass(frozen=True, slots=True, eq=False)
class Assessment:
    """The state of everything; trees and laterals by index, spans by (mainline, index of its lower support)."""

    trees: tuple[Mark, ...]
    laterals: tuple[Mark, ...]
    spans: dict[tuple[str, int], Mark]
    supports: dict[str, Mark]
    crossings: dict[str, Mark]
    tree_of_item: dict[int, int]
    unmatched: tuple[StormItem, ...]
    blown: BaseGeometry  # all blown areas
    stems: BaseGeometry  # all stems on the ground

    def usable(self, tree: int) -> bool:
        """Whether a tree can still be tapped."""
        return not self.trees[tree].bad

    def damages(self, site: Site) -> tuple[Damage, ...]:
        """Return the state of everything as records, layer by layer in the plan's order."""
        plan = site.plan
        out = [_record("trees", n, m) for n, m in zip(plan.trees.tree_id, self.trees, strict=True)]
        out += [_record("laterals", la.lateral_id, m) for la, m in zip(plan.laterals, self.laterals, strict=True)]
        for line in plan.mainlines:
            out += [_record("spans", span_name(line, i), self.spans[line.mainline_id, i])
                    for i in range(len(line.supports) - 1)]
        out += [_record("supports", name, mark) for name, mark in self.supports.items()]
        return (*out, *(_record("crossings", name, mark) for name, mark in self.crossings.items()))


def _record(layer: str, subject_id: str, mark: Mark) -> Damage:
    return Damage(layer, subject_id, mark.state, tuple(mark.reasons))


def span_name(line: Mainline, i: int) -> str:
    """Return how a span is called: its lower and its upper support."""
    return f"{line.supports[i].support_id}/{line.supports[i + 1].support_id.rpartition('-')[2]}"


def assess(site: Site) -> Assessment:
    """Work out the state of everything from what was logged.

    Rules (ours): a tree logged as down or torn out is lost; hung, leaning or with a broken
    top it is hit, and so is every tree in a blown area, until somebody has looked. A line
    is hit where a stem lies on it or it runs through a blown area; a support is lost with
    its tree. A stem within the GPS spread of a line is near, and so is everything within a
    tree length of a hung tree, a root plate or a broken top. A logged break, pinned line or
    lost support means the nearest one when the row names none.
    """
    plan = site.plan
    blown = [i for i in site.storm.items if i.kind == "blown_area" or i.shape.area > 0.0]
    stems = [i for i in site.storm.items if i.shape.length > 0.0 and i.shape.area == 0.0 and not i.subject_id]
    trees = tuple(Mark() for _ in plan.trees.tree_id)
    laterals = tuple(Mark() for _ in plan.laterals)
    spans = {(m.mainline_id, i): Mark() for m in plan.mainlines for i in range(len(m.supports) - 1)}
    supports = {s.support_id: Mark() for m in plan.mainlines for s in m.supports}
    crossings = {c.crossing_id: Mark() for c in plan.crossings}
    tree_of_item, unmatched = _mark_trees(site, trees, blown)
    hazards = [i for i in site.storm.items if i.kind in HAZARD_KINDS]
    _mark_laterals(site, laterals, trees, blown, stems, hazards)
    _mark_lines(site, spans, supports, trees, blown, stems, hazards)
    unmatched += _mark_logged(site, spans, supports, laterals)
    _spans_of_supports(site, spans, supports)
    _mark_crossings(site, crossings, spans, laterals, stems, blown)
    return Assessment(
        trees, laterals, spans, supports, crossings, tree_of_item, tuple(unmatched),
        shapely.union_all([i.shape for i in blown]), shapely.union_all([i.shape for i in stems]),
    )


# ---------------------------------------------------------------- trees


def _mark_trees(
    site: Site, trees: tuple[Mark, ...], blown: list[StormItem]
) -> tuple[dict[int, int], list[StormItem]]:
    t = site.plan.trees
    number = {name: i for i, name in enumerate(t.tree_id)}
    place = shapely.points(np.nan_to_num(t.x_m, nan=1e12), np.nan_to_num(t.y_m, nan=1e12))
    index = shapely.STRtree(place)
    found: dict[int, int] = {}
    lost: list[StormItem] = []
    for item in site.storm.items:
        if item.kind not in TREE_KINDS or item.shape.area > 0.0:
            continue
        i = number.get(item.subject_id, -1) if item.layer == "trees" else _nearest(index, item, site.reach_m)
        if i < 0:
            lost.append(item)
            continue
        found[item.number] = i
        trees[i].worse("lost" if item.kind in LOST_KINDS else "hit", item.kind.upper(), item.number)
    for item in blown:
        for i in sorted(index.query(item.shape, predicate="intersects").tolist()):
            trees[i].worse("hit", "IN_BLOWN_AREA", item.number)
    height = site.plan.settings.sheets.tree_height_m
    for item in site.storm.items:
        if item.kind in HAZARD_KINDS:
            for i in sorted(index.query(item.shape, predicate="dwithin", distance=height).tolist()):
                trees[i].worse("near", "NEAR_HAZARD", item.number)
    return found, lost


def _nearest(index: shapely.STRtree, item: StormItem, reach_m: float) -> int:
    """Return the tree a logged place means (a stem: the tree at its first end, else at its other), -1 for none near."""
    xy = shapely.get_coordinates(item.shape)
    for end in (xy[:1] if item.shape.length == 0.0 else xy[[0, -1]]):
        near = index.query_nearest(shapely.Point(end), max_distance=reach_m, all_matches=False)
        if len(near):
            return int(near[0])
    return -1


# ---------------------------------------------------------------- lines


def _mark_laterals(
    site: Site, laterals: tuple[Mark, ...], trees: tuple[Mark, ...], blown: list[StormItem], stems: list[StormItem],
    hazards: list[StormItem],
) -> None:
    for mark, lateral in zip(laterals, site.plan.laterals, strict=True):
        gone = [t for t in lateral.tree if trees[t].bad]
        for t in gone:
            for code, item in trees[t].reasons:
                mark.worse("lost" if len(gone) == len(lateral.tree) else "hit", code, item)
    shapes = np.array([shapely.LineString(la.xyz_m[:, :2]) for la in site.plan.laterals], dtype=object)
    _touch(site, shapes, laterals, blown, stems, hazards)


def _mark_lines(
    site: Site, spans: dict[tuple[str, int], Mark], supports: dict[str, Mark], trees: tuple[Mark, ...],
    blown: list[StormItem], stems: list[StormItem], hazards: list[StormItem],
) -> None:
    shapes, marks = [], []
    points, holders = [], []
    number = {name: i for i, name in enumerate(site.plan.trees.tree_id)}
    for line in site.plan.mainlines:
        xy = line.xyz_m[:, :2]
        for i in range(len(xy) - 1):
            shapes.append(shapely.LineString(xy[i:i + 2]))
            marks.append(spans[line.mainline_id, i])
        for s in line.supports:
            points.append(shapely.Point(s.x_m, s.y_m))
            holders.append(supports[s.support_id])
            holder = number.get(s.tree_id, -1) if s.kind != "post" else -1
            for code, item in trees[holder].reasons if holder >= 0 and trees[holder].bad else ():
                if code != "RETIRE":  # a tree retired from tapping still holds its line
                    supports[s.support_id].worse("lost", code, item)
    _touch(site, np.array(shapes, dtype=object), tuple(marks), blown, stems, hazards)
    _touch(site, np.array(points, dtype=object), tuple(holders), blown, [], hazards)


def _touch(
    site: Site, shapes: np.ndarray, marks: tuple[Mark, ...], blown: list[StormItem], stems: list[StormItem],
    hazards: list[StormItem],
) -> None:
    """Mark shapes that a stem lies on, that lie in a blown area, or that are near to something."""
    if not len(shapes):
        return
    index = shapely.STRtree(shapes)
    height = site.plan.settings.sheets.tree_height_m
    passes: tuple[tuple[list[StormItem], float, DamageState, str], ...] = (
        (blown, 0.0, "hit", "IN_BLOWN_AREA"), (stems, HIT_M, "hit", "STEM_ACROSS"),
        (stems, HIT_M + site.gps_m, "near", "NEAR_STEM"), (blown, site.gps_m, "near", "NEAR_BLOWN_AREA"),
        (hazards, height, "near", "NEAR_HAZARD"),
    )
    for items, distance, state, code in passes:
        for item in items:
            for k in sorted(index.query(item.shape, predicate="dwithin", distance=max(distance, 1e-9)).tolist()):
                marks[k].worse(state, code, item.number)


def _mark_logged(
    site: Site, spans: dict[tuple[str, int], Mark], supports: dict[str, Mark], laterals: tuple[Mark, ...]
) -> list[StormItem]:
    """Mark what rows about lines and supports mean; return the rows that mean nothing in the plan."""
    lost: list[StormItem] = []
    for item in site.storm.items:
        if item.kind == "support_lost":
            found = _support_of(site, item)
            if found:
                supports[found].worse("lost", "SUPPORT_LOST", item.number)
        elif item.kind in LINE_KINDS:
            found = _line_of(site, item, spans, laterals)
        else:
            continue
        if not found:
            lost.append(item)
    return lost


def _support_of(site: Site, item: StormItem) -> str:
    """Return the support a row means, ``""`` when none is near enough."""
    if item.layer == "supports":
        return item.subject_id
    every = [s for m in site.plan.mainlines for s in m.supports]
    if item.layer == "trees":
        own = [s for s in every if s.tree_id == item.subject_id]
        return own[0].support_id if own else ""
    away = shapely.distance(shapely.points([(s.x_m, s.y_m) for s in every]), item.shape)
    k = int(np.argmin(away))
    return every[k].support_id if away[k] <= site.reach_m else ""


def _line_of(
    site: Site, item: StormItem, spans: dict[tuple[str, int], Mark], laterals: tuple[Mark, ...]
) -> str:
    """Mark the span or lateral a row means and return its name, ``""`` when none is near enough."""
    best: tuple[float, str, Mark] | None = None
    for line in site.plan.mainlines:
        if item.layer not in ("", "trees") and item.subject_id not in (line.mainline_id, *_ids(line)):
            continue
        xy = line.xyz_m[:, :2]
        segments = shapely.linestrings(np.stack([xy[:-1], xy[1:]], axis=1))
        away = _away(segments, item, line)
        k = int(np.argmin(away))
        if best is None or away[k] < best[0] - 1e-9:
            best = float(away[k]), span_name(line, k), spans[line.mainline_id, k]
    for lateral, mark in zip(site.plan.laterals, laterals, strict=True):
        named = item.subject_id == lateral.lateral_id
        if not named and item.layer not in ("", "trees"):
            continue
        away_m = 0.0 if named else float(shapely.LineString(lateral.xyz_m[:, :2]).distance(item.shape))
        if best is None or away_m < best[0] - 1e-9:
            best = away_m, lateral.lateral_id, mark
    if best is None or best[0] > site.reach_m:
        return ""
    best[2].worse("lost" if item.kind == "line_broken" else "hit", item.kind.upper(), item.number)
    return best[1]


def _ids(line: Mainline) -> tuple[str, ...]:
    return tuple(s.support_id for s in line.supports)


def _away(segments: np.ndarray, item: StormItem, line: Mainline) -> Floats:
    """Return the distance of each span to what a row means; a support named means the span above it."""
    if item.layer == "supports":
        k = min(_ids(line).index(item.subject_id), len(segments) - 1)
        return np.where(np.arange(len(segments)) == k, 0.0, 1e9)
    if item.layer == "mainlines" and item.shape.length > 0.0:
        return np.arange(len(segments), dtype=np.float64)  # the line alone is named: its lowest span stands for it
    return np.asarray(shapely.distance(segments, item.shape), dtype=np.float64)


def _spans_of_supports(site: Site, spans: dict[tuple[str, int], Mark], supports: dict[str, Mark]) -> None:
    """Make both spans of a support that holds no more at least hit: the wire lies on the ground there."""
    for line in site.plan.mainlines:
        for k, support in enumerate(line.supports):
            mark = supports[support.support_id]
            if mark.bad:
                for i in (k - 1, k):
                    if 0 <= i < len(line.supports) - 1:
                        for code, item in mark.reasons:
                            spans[line.mainline_id, i].worse("hit", code, item)


def _mark_crossings(
    site: Site, crossings: dict[str, Mark], spans: dict[tuple[str, int], Mark], laterals: tuple[Mark, ...],
    stems: list[StormItem], blown: list[StormItem],
) -> None:
    lines = {m.mainline_id: m for m in site.plan.mainlines}
    of_lateral = {la.lateral_id: m for la, m in zip(site.plan.laterals, laterals, strict=True)}
    for crossing in site.plan.crossings:
        mark = crossings[crossing.crossing_id]
        line = lines.get(crossing.line_id)
        if line is not None:
            k = int(np.clip(np.searchsorted(line.station_m, crossing.station_m) - 1, 0, len(line.supports) - 2))
            source = spans[line.mainline_id, k]
        else:
            source = of_lateral.get(crossing.line_id, Mark())
        for code, item in source.reasons:
            mark.worse(source.state, code, item)
        here = shapely.Point(crossing.x_m, crossing.y_m)
        for thing in (*stems, *blown):
            if here.distance(thing.shape) <= HIT_M + site.gps_m:
                mark.worse("near", "NEAR_STEM", thing.number)


def unmatched_findings(assessment: Assessment) -> list[Finding]:
    """Return a finding for every logged thing that means nothing in the plan."""
    return [
        Finding(
            "STORM_UNMATCHED", "check", "changes", f"storm {item.number}", None, None, "",
            f"Logged thing {item.number} ({item.kind.replace('_', ' ')}, {item.where}) is near nothing of the plan "
            "that it could mean.",
            "Look at it on the spot; give it the ID of its tree, support or line, or log its place again.",
        )
        for item in assessment.unmatched
    ]
