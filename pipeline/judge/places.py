"""Lines and the ground: nothing through a no-go, everything inside the property, clearances kept, no lines crossing."""

from __future__ import annotations

from collections import Counter

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from pipeline.findings import Finding
from pipeline.judge.case import HEIGHT_TOL_M, PLACE_TOL_M, Case, breach
from pipeline.judge.zones import Zone, closed_zones, crossing_zones, properties
from pipeline.records import Floats

# Two lines that meet within this distance of an end of one of them touch there; they do not cross.
TOUCH_M = 0.10
# A lateral may pass on either side of the trunk that holds its own mainline: this near to its entry nothing counts.
ENTRY_TOUCH_M = 0.50


def _lines(case: Case) -> tuple[list[str], list[str], list[bool], list[BaseGeometry]]:
    """Return IDs, layers, pins and plan shapes of all lines, mainlines first."""
    plan = case.plan
    whole = [m for m in plan.mainlines if len(m.supports) > 1]
    names = [m.mainline_id for m in whole] + [q.lateral_id for q in plan.laterals]
    layers = ["mainlines"] * len(whole) + ["laterals"] * len(plan.laterals)
    pinned = [m.pinned for m in whole] + [q.pinned for q in plan.laterals]
    shapes = [shapely.LineString(m.xyz_m[:, :2]) for m in whole]
    shapes += [shapely.LineString(q.xyz_m[:, :2]) for q in plan.laterals]
    return names, layers, pinned, shapes


def forbidden(case: Case) -> list[Finding]:
    """No line passes a no-go (its buffer included, gaps taken out) or leaves the property.

    Codes ``NO_GO_CROSSED``, ``PROPERTY_LEFT``. The real shapes are asked, not the planner's cells; less than
    5 cm of line is let pass.
    """
    names, layers, pinned, shapes = _lines(case)
    found = []
    zones = closed_zones(case)
    if zones and shapes:
        tree = shapely.STRtree([z.shape for z in zones])
        hits = sorted(zip(*(c.tolist() for c in tree.query(shapes, predicate="intersects")), strict=True))
        for i, k in hits:
            inside = float(shapes[i].intersection(zones[k].shape).length)
            if inside > PLACE_TOL_M:
                found.append(breach(
                    "NO_GO_CROSSED", layers[i], names[i], inside, 0.0, "m",
                    f"{names[i]} runs {case.units.length(inside, 1)} through {zones[k].title}, where no line may go.",
                    "Lead it round, or pin a gap.", pinned=pinned[i]))
    for layer, area in properties(case):
        shapely.prepare(area)
        for i in np.flatnonzero(~shapely.covers(area, np.array(shapes, dtype=object))):
            outside = float(shapes[i].difference(area).length)
            if outside > PLACE_TOL_M:
                found.append(breach(
                    "PROPERTY_LEFT", layers[i], names[i], outside, 0.0, "m",
                    f"{names[i]} runs {case.units.length(outside, 1)} outside the property line or nearer to it than "
                    f"{case.units.length(layer.rule.buffer_m, 1)}.", "Lead it back inside.", pinned=pinned[i]))
    return found


def clearances(case: Case) -> list[Finding]:
    """Lines keep the clearance of what they pass over, and the plan lists each such crossing.

    Codes ``CLEARANCE`` (worst place of each line and shape), ``CROSSING_UNLISTED``.
    """
    zones = crossing_zones(case)
    names, layers, pinned, shapes = _lines(case)
    if not zones or not shapes:
        return []
    tree = shapely.STRtree([z.shape for z in zones])
    hits = sorted(zip(*(c.tolist() for c in tree.query(shapes, predicate="intersects")), strict=True))
    listed = Counter((c.line_id, c.kind) for c in case.plan.crossings)
    found, met = [], Counter[tuple[str, str]]()
    for i, k in hits:
        zone = zones[k]
        inside = shapes[i].intersection(zone.shape)
        if inside.length <= PLACE_TOL_M:
            continue
        met[names[i], zone.kind] += 1
        least = _least_height(case, i, zone)
        if least < zone.clearance_m - HEIGHT_TOL_M:
            found.append(breach(
                "CLEARANCE", layers[i], names[i], least, zone.clearance_m, "m",
                f"{names[i]} passes {zone.title} at {case.units.height(least)}, under the clearance of "
                f"{case.units.height(zone.clearance_m)}.", "Hang it higher there, or lead it round.", pinned=pinned[i]))
    for (name, kind), count in sorted(met.items()):
        if listed[name, kind] < 1:
            found.append(breach(
                "CROSSING_UNLISTED", "crossings", name, float(listed[name, kind]), float(count), "",
                f"{name} crosses a {kind} that the plan's list of crossings leaves out.",
                "This is a fault of the planning program: report it with the plan folder."))
    return found


def _least_height(case: Case, i: int, zone: Zone) -> float:
    """Return the least height above ground of line `i` inside a zone (sag included for mainlines)."""
    x, y, height = _samples(case, i)
    inside = zone.within(x, y) & np.isfinite(height)
    return float(height[inside].min()) if inside.any() else np.inf


def _samples(case: Case, i: int) -> tuple[Floats, Floats, Floats]:
    if i < len(case.traces):
        trace = case.traces[i]
        return trace.x_m, trace.y_m, trace.height_m
    k = i - len(case.traces)
    own = np.flatnonzero(case.pieces.lateral == k)
    if not own.size:
        nothing = np.zeros(0)
        return nothing, nothing, nothing
    low, high = np.searchsorted(case.pieces.piece, [own[0], own[-1] + 1])
    ends = case.plan.laterals[k].xyz_m
    height = ends[:, 2] - case.terrain.sample(ends[:, 0], ends[:, 1])
    return (np.concatenate([ends[:, 0], case.pieces.x_m[low:high]]),
            np.concatenate([ends[:, 1], case.pieces.y_m[low:high]]),
            np.concatenate([height, case.pieces.height_m[low:high]]))


def lines_apart(case: Case) -> list[Finding]:
    """No line crosses another, or itself, in plan; lines may touch where one of them ends.

    Within half a metre of its entry (about a trunk) a lateral may lie on either side of its own mainline.

    Codes ``LINES_CROSS``, ``LINE_LOOPS``.
    """
    names, layers, _, shapes = _lines(case)
    if not shapes:
        return []
    tree = shapely.STRtree(shapes)
    first, second = tree.query(shapes, predicate="intersects")
    pairs = sorted((int(i), int(j)) for i, j in zip(first, second, strict=True) if i < j)
    found = []
    own = {q.lateral_id: q.mainline_id for q in case.plan.laterals}
    for i, j in pairs:
        where = _crossing(shapes[i], shapes[j], ENTRY_TOUCH_M if own.get(names[j]) == names[i] else TOUCH_M)
        if where is not None:
            found.append(breach(
                "LINES_CROSS", layers[j], names[j], None, None, "",
                f"{names[j]} crosses {names[i]} at {where[0]:.0f} east, {where[1]:.0f} north.",
                "Regroup the trees there, or lead one line round."))
    found += [
        breach("LINE_LOOPS", layers[k], names[k], None, None, "", f"{names[k]} crosses itself.",
               "Regroup its trees or straighten it.")
        for k in np.flatnonzero(~shapely.is_simple(np.array(shapes, dtype=object))).tolist()
    ]
    return found


def _crossing(a: BaseGeometry, b: BaseGeometry, touch_m: float) -> tuple[float, float] | None:
    """Return a point where two lines cross further than `touch_m` from their ends, or None."""
    ends = shapely.MultiPoint([a.coords[0], a.coords[-1], b.coords[0], b.coords[-1]])
    for part in shapely.get_parts(a.intersection(b)):
        if part.length > touch_m or part.distance(ends) > touch_m:
            middle = part.interpolate(0.5, normalized=True) if part.length > 0.0 else part
            return float(middle.x), float(middle.y)
    return None
