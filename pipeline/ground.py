"""What lies on the ground, burnt into the height window and the cost of a metre of line.

Layers stay vectors for maps, judging and safety; for the search they become cells.
A cell counts as touched when its centre is within three quarters of a cell of the
(widened) shape, a little more than half its diagonal, so that an obstacle thinner
than a cell is never jumped over.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from scipy.ndimage import distance_transform_edt
from shapely.geometry import LineString
from shapely.geometry.base import BaseGeometry

from pipeline.findings import Finding
from pipeline.records import Crossing, Floats, Ground, GroundLayer, Lateral, Mainline, Mask, Pins
from pipeline.settings import GroundKind, GroundLayerSettings, Settings
from pipeline.terrain.burn import covered, polygons
from pipeline.terrain.grid import Terrain
from pipeline.units import Units

# Half the diagonal of a cell is 0.707; a little more is on the safe side.
TOUCH_CELLS = 0.75
# Room between the clearance asked for and the highest line there, so that a sagging wire can be hung at all (ours).
CROSSING_ROOM_M = 0.6
# A line that a crossing lifts above the usual window comes back to it at this fall against the ground, on either side
# (ours): on its upper side it must still fall towards the tank, so it comes down no faster than the ground rises less
# the least grade. At 5 % the ground there must rise about 6 % or more; a steeper ramp would ask for steeper ground.
CROSSING_RAMP_PCT = 5.0
# Clearance under a line is looked at this often along it.
CLEARANCE_STEP_M = 0.25
# Layers whose absence is printed as NOT CHECKED, in the order they are printed.
WANTED_KINDS: tuple[GroundKind, ...] = ("property", "power_line", "road", "stream", "water", "wet", "trail")


# ---------------------------------------------------------------- shapes


def widened(shape: BaseGeometry, by_m: float) -> BaseGeometry:
    """Return a shape in two dimensions, mended where it crosses itself, widened (or shrunk) by a distance."""
    return shapely.make_valid(shapely.force_2d(shape)).buffer(by_m)


def areas(layer: GroundLayer) -> BaseGeometry:
    """Return the areas of a layer as one shape; closed lines count as the outline of an area."""
    flat = [shapely.make_valid(shapely.force_2d(s)) for s in layer.shapes if not s.is_empty]
    solid = [s for s in flat if s.area > 0.0]
    lines = [s for s in flat if s.area == 0.0 and s.length > 0.0]
    outlines = shapely.polygonize(lines) if lines else shapely.GeometryCollection()
    return shapely.union_all([*solid, *polygons(outlines)])


# ---------------------------------------------------------------- the rules


@dataclass(slots=True)
class _Cells:
    """The arrays of a ground while they are being burnt; blocked cells are settled at the end."""

    cost: npt.NDArray[np.float32]
    lowest_m: npt.NDArray[np.float32]
    highest_m: npt.NDArray[np.float32]
    lateral_blocked: Mask
    support_blocked: Mask
    blocked: Mask


def prepare(
    *, terrain: Terrain, layers: tuple[GroundLayer, ...], pins: Pins, settings: Settings
) -> tuple[Ground, tuple[Finding, ...]]:
    """Burn the layers into cost and height window on the terrain's grid.

    Rules: ``inside`` blocks all that is not well inside the areas; ``no_go`` blocks; ``cost`` makes a metre
    dearer; ``cross`` may be passed over at the clearance, with no support inside, and by laterals only
    where the clearance is no higher than their own lowest height; beside a crossing that asks for more than
    the highest line, lines may hang higher while they come down. Where layers overlap the strictest
    counts. A pinned gap turns ``no_go`` into ``cross`` at that layer's clearance; a place to avoid blocks.
    No line goes where there is no ground.

    Parameters
    ----------
    terrain : Terrain
        The working grid.
    layers : tuple of GroundLayer
        As read, in the plan's frame; never modified.
    pins : Pins
        Gaps and places to avoid.
    settings : Settings
        Height windows of mainlines and laterals.

    Returns
    -------
    Ground, tuple of Finding
        The places to avoid are added to the ground's layers, so that maps and the judge see them.
    """
    shape = terrain.shape
    cells = _Cells(
        cost=np.ones(shape, dtype=np.float32),
        lowest_m=np.full(shape, settings.mainlines.lowest_m, dtype=np.float32),
        highest_m=np.full(shape, settings.mainlines.highest_m, dtype=np.float32),
        lateral_blocked=np.zeros(shape, dtype=np.bool_),
        support_blocked=np.zeros(shape, dtype=np.bool_),
        blocked=np.isnan(terrain.z_m),
    )
    every = layers
    if pins.avoid:
        rule = GroundLayerSettings(rule="no_go")
        every = (*layers, GroundLayer("no_go", pins.avoid, ("place to avoid",) * len(pins.avoid), rule, "pins"))
    findings: list[Finding] = []
    opened = np.zeros(shape, dtype=np.bool_)
    for layer in every:
        findings += _layer_findings(layer, terrain, settings)
        _burn(layer, cells, terrain, settings, pins.gaps if layer.source != "pins" else (), opened)
    findings += _gap_findings(pins.gaps, terrain, opened)
    cells.cost[cells.blocked] = np.inf
    cells.lateral_blocked |= cells.blocked
    cells.support_blocked |= cells.blocked
    supplied = {layer.kind for layer in layers}
    ground = Ground(
        cost=cells.cost, lowest_m=cells.lowest_m, highest_m=cells.highest_m,
        lateral_blocked=cells.lateral_blocked, support_blocked=cells.support_blocked, layers=every,
        missing=tuple(kind for kind in WANTED_KINDS if kind not in supplied), gaps=pins.gaps,
    )
    return ground, tuple(findings)


def _burn(
    layer: GroundLayer, cells: _Cells, terrain: Terrain, settings: Settings,
    gaps: Sequence[BaseGeometry], opened: Mask,
) -> None:
    """Burn one layer by its rule; cells of a no-go that a gap reopens are marked in `opened`."""
    touch_m = TOUCH_CELLS * terrain.cell_m
    rule = layer.rule
    if rule.rule == "inside":
        area = areas(layer)
        if not area.is_empty:
            window, mask = covered(terrain, area.buffer(-(rule.buffer_m + touch_m)))
            outside = np.ones(terrain.shape, dtype=np.bool_)
            outside[window] = ~mask
            cells.blocked |= outside
        return
    grown_gaps = [widened(gap, rule.buffer_m + touch_m) for gap in gaps] if rule.rule == "no_go" else []
    for shape in layer.shapes:
        window, mask = covered(terrain, widened(shape, rule.buffer_m + touch_m))
        if rule.rule == "no_go":
            gap = _gap_mask(terrain, grown_gaps, window)
            cells.blocked[window] |= mask & ~gap
            opened[window] |= mask & gap
            mask = mask & gap
        _dearer(cells, window, mask, rule.cost_factor)
        if rule.rule in ("cross", "no_go"):
            _raise(cells, window, mask, rule.clearance_m, settings)
            _ramp(cells, window, mask, rule.clearance_m, settings.mainlines.highest_m, terrain.cell_m)


def _gap_mask(terrain: Terrain, gaps: Sequence[BaseGeometry], window: tuple[slice, slice]) -> Mask:
    """Return which cells of a window lie in one of the gaps."""
    whole = np.zeros((window[0].stop - window[0].start, window[1].stop - window[1].start), dtype=np.bool_)
    for gap in gaps:
        (rows, cols), mask = covered(terrain, gap)
        r0, r1 = max(rows.start, window[0].start), min(rows.stop, window[0].stop)
        c0, c1 = max(cols.start, window[1].start), min(cols.stop, window[1].stop)
        if r0 < r1 and c0 < c1:
            whole[r0 - window[0].start:r1 - window[0].start, c0 - window[1].start:c1 - window[1].start] |= (
                mask[r0 - rows.start:r1 - rows.start, c0 - cols.start:c1 - cols.start]
            )
    return whole


def _dearer(cells: _Cells, window: tuple[slice, slice], mask: Mask, factor: float) -> None:
    cost = cells.cost[window]
    cost[mask] = np.maximum(cost[mask], np.float32(factor))


def _raise(cells: _Cells, window: tuple[slice, slice], mask: Mask, clearance_m: float, settings: Settings) -> None:
    """Lift the height window over a crossing and keep supports and low laterals out of it."""
    lowest, highest = cells.lowest_m[window], cells.highest_m[window]
    lowest[mask] = np.maximum(lowest[mask], np.float32(clearance_m))
    highest[mask] = np.maximum(highest[mask], np.float32(clearance_m + CROSSING_ROOM_M))
    cells.support_blocked[window] |= mask
    if clearance_m > settings.laterals.lowest_m:
        cells.lateral_blocked[window] |= mask


def ramp_m(clearance_m: float, highest_m: float) -> float:
    """Return how far beside a crossing a line may hang above the usual window; 0 where it never does."""
    return max(clearance_m + CROSSING_ROOM_M - highest_m, 0.0) / (CROSSING_RAMP_PCT / 100.0)


def _ramp(
    cells: _Cells, window: tuple[slice, slice], mask: Mask, clearance_m: float, highest_m: float, cell_m: float
) -> None:
    """Let lines come down beside a crossing that is higher than they may hang elsewhere.

    The first ring of cells is as high as the crossing, so that a coarse grid does not shut the way in.
    """
    ring = math.ceil(ramp_m(clearance_m, highest_m) / cell_m) + 1
    if ring == 1 or not mask.any():
        return
    low = [max(w.start - ring, 0) for w in window]
    wide = tuple(slice(at, w.stop + ring) for at, w in zip(low, window, strict=True))
    away = np.ones_like(cells.highest_m[wide], dtype=np.bool_)
    inner = tuple(slice(w.start - at, w.stop - at) for w, at in zip(window, low, strict=True))
    away[inner] = ~mask
    beside_m = np.maximum(distance_transform_edt(away) - 1.0, 0.0) * cell_m
    top = clearance_m + CROSSING_ROOM_M - CROSSING_RAMP_PCT / 100.0 * beside_m
    cells.highest_m[wide] = np.maximum(cells.highest_m[wide], top.astype(np.float32))


# ---------------------------------------------------------------- what the layers have to say


def _layer_findings(layer: GroundLayer, terrain: Terrain, settings: Settings) -> list[Finding]:
    """Return what is odd about a layer."""
    name = layer.source or layer.kind
    found = []
    edge = shapely.box(*terrain.bounds)
    if not any(shape.intersects(edge) for shape in layer.shapes):
        found.append(Finding(
            "LAYER_OFF_TERRAIN", "check", "ground", layer.kind, float(len(layer.shapes)), None, "",
            f"Nothing of the layer {layer.kind} ({name}) lies on the terrain.",
            "Check the layer's coordinate system, or leave the layer out if there is none in the bush.",
        ))
    if layer.rule.rule == "inside" and areas(layer).is_empty:
        found.append(Finding(
            "PROPERTY_NOT_CLOSED", "check", "ground", layer.kind, None, None, "",
            f"The layer {layer.kind} ({name}) holds no closed outline, so nothing keeps the lines inside it.",
            "Close the outline, or supply it as an area.",
        ))
    if layer.rule.rule == "cross":
        found += _clearance_findings(layer, settings)
    return found


def _clearance_findings(layer: GroundLayer, settings: Settings) -> list[Finding]:
    rule = layer.rule
    if layer.kind in ("road", "trail", "power_line") and rule.clearance_m <= 0.0:
        return [Finding(
            "NO_CLEARANCE", "check", "ground", layer.kind, rule.clearance_m, None, "m",
            f"Lines may cross the layer {layer.kind}, but no clearance is set.",
            "Set its clearance in the bush file; ask the road authority or the utility what they require.",
        )]
    top_m, usual_m = rule.clearance_m + CROSSING_ROOM_M, settings.mainlines.highest_m
    if top_m > usual_m:
        units = Units(settings.bush.units)
        return [Finding(
            "HIGH_CROSSING", "note", "ground", layer.kind, top_m, usual_m, "m",
            f"For the clearance of the layer {layer.kind} a mainline may hang up to {units.height(top_m)} over it, and "
            f"higher than elsewhere for {units.length(ramp_m(rule.clearance_m, usual_m), 0)} on either side.",
            "Plan for ladder work on both sides. Where a line does not come down again on the upper side, cross where "
            "the ground rises faster, or collect on that side.",
        )]
    return []


def _gap_findings(gaps: Sequence[BaseGeometry], terrain: Terrain, opened: Mask) -> list[Finding]:
    found = []
    for number, gap in enumerate(gaps, start=1):
        window, mask = covered(terrain, widened(gap, TOUCH_CELLS * terrain.cell_m))
        if not (mask & opened[window]).any():
            found.append(Finding(
                "GAP_OPENS_NOTHING", "check", "ground", f"gap {number}", None, None, "",
                f"Gap {number} of the pins lies on no place where lines are forbidden.",
                "Check where it lies and its coordinate system, or take it out.",
            ))
    return found


# ---------------------------------------------------------------- trees


def tree_reasons(*, ground: Ground, terrain: Terrain, x_m: Floats, y_m: Floats) -> tuple[str, ...]:
    """Return for each tree why its place rules it out, ``""`` where it does not.

    ``OFF_TERRAIN``: beyond the raster; ``NO_GROUND``: a hole in it; ``OUTSIDE_PROPERTY``: not inside an
    area whose rule is ``inside``; ``NO_GO``: within a forbidden shape, its buffer included, and in no gap.
    The shapes themselves are asked, not their cells. A position that is not finite gets ``""``: that is
    for the survey to say.

    Parameters
    ----------
    ground, terrain
        As prepared.
    x_m, y_m : float array, shape (n,)
        Positions in the plan's frame.
    """
    x, y = np.asarray(x_m, dtype=np.float64), np.asarray(y_m, dtype=np.float64)
    known = np.isfinite(x) & np.isfinite(y)
    west, south, east, north = terrain.bounds
    reason = np.full(x.shape, "", dtype=object)
    inside_raster = (x >= west) & (x <= east) & (y >= south) & (y <= north)
    for layer in ground.layers:
        if layer.rule.rule == "no_go":
            reason[known & _in_no_go(layer, ground.gaps, x, y)] = "NO_GO"
    for layer in ground.layers:
        area = areas(layer) if layer.rule.rule == "inside" else None
        if area is not None and not area.is_empty:
            shapely.prepare(area)
            reason[known & ~shapely.intersects_xy(area, x, y)] = "OUTSIDE_PROPERTY"
    reason[known & inside_raster & np.isnan(terrain.sample(x, y))] = "NO_GROUND"
    reason[known & ~inside_raster] = "OFF_TERRAIN"
    return tuple(str(r) for r in reason)


def _in_no_go(layer: GroundLayer, gaps: Sequence[BaseGeometry], x: Floats, y: Floats) -> Mask:
    """Return which points lie in a forbidden layer and in no gap."""
    shapes = [widened(shape, layer.rule.buffer_m) for shape in layer.shapes]
    hit = np.zeros(x.shape, dtype=np.bool_)
    for zone in shapes:
        shapely.prepare(zone)
        hit |= shapely.intersects_xy(zone, x, y)
    for gap in gaps if layer.source != "pins" else ():
        hit &= ~shapely.intersects_xy(widened(gap, layer.rule.buffer_m), x, y)
    return hit


# ---------------------------------------------------------------- crossings


def crossings(
    *, mainlines: Sequence[Mainline], laterals: Sequence[Lateral], ground: Ground, terrain: Terrain
) -> tuple[Crossing, ...]:
    """Return every place where a line passes over something that it may cross or that a gap opens.

    A crossing is a piece of line inside the shape widened by its buffer. Its clearance is the least
    height of the line above ground on that piece (looked at every quarter metre, the line taken as
    straight between its vertices); its place is where the line comes nearest to the shape as read.

    Parameters
    ----------
    mainlines, laterals
        Finished lines; a lateral's station counts from its entry.
    ground, terrain
        As prepared.

    Returns
    -------
    tuple of Crossing
        IDs X1, X2, ... by line (mainlines first), then by station.
    """
    layers = [layer for layer in ground.layers if layer.rule.rule in ("cross", "no_go")]
    shapes = [(layer, name, shape) for layer in layers
              for name, shape in zip(layer.names, layer.shapes, strict=True)]
    if not shapes:
        return ()
    zones = [widened(shape, max(layer.rule.buffer_m, 1e-3)) for layer, _, shape in shapes]
    tree = shapely.STRtree(zones)
    lines = [(m.mainline_id, m.xyz_m) for m in mainlines] + [(q.lateral_id, q.xyz_m) for q in laterals]
    plans = [LineString(xyz[:, :2]) for _, xyz in lines]
    pairs = sorted(zip(*(column.tolist() for column in tree.query(plans, predicate="intersects")), strict=True))
    found: list[Crossing] = []
    for number, group in _by_line(pairs):
        own: list[Crossing] = []
        for k in group:
            layer, name, shape = shapes[k]
            own += _pieces(lines[number], plans[number], layer, name, shape, zones[k], terrain)
        found += sorted(own, key=lambda c: (c.station_m, c.kind, c.name))
    return tuple(dataclasses.replace(c, crossing_id=f"X{i}") for i, c in enumerate(found, start=1))


def _by_line(pairs: Iterable[tuple[int, int]]) -> list[tuple[int, list[int]]]:
    groups: dict[int, list[int]] = {}
    for line, zone in pairs:
        groups.setdefault(line, []).append(zone)
    return list(groups.items())


def _pieces(
    line: tuple[str, Floats], plan: LineString, layer: GroundLayer, name: str,
    shape: BaseGeometry, zone: BaseGeometry, terrain: Terrain,
) -> list[Crossing]:
    """Return the crossings of one line with one shape."""
    line_id, xyz = line
    own = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xyz[:, :2], axis=0).T))])
    inside = plan.intersection(zone)
    if inside.geom_type == "GeometryCollection" or inside.geom_type.startswith("Multi"):
        inside = shapely.line_merge(shapely.MultiLineString([p for p in inside.geoms if p.geom_type == "LineString"]))
    flat = shapely.force_2d(shape)
    found = []
    for part in shapely.get_parts(inside):
        if part.geom_type != "LineString" or part.is_empty:
            continue
        low, high = sorted(plan.project(shapely.Point(part.coords[i])) for i in (0, -1))
        stations = np.linspace(low, high, max(math.ceil((high - low) / CLEARANCE_STEP_M), 1) + 1)
        x, y, z = (np.interp(stations, own, xyz[:, i]) for i in range(3))
        heights = z - terrain.sample(x, y)
        clearance = float(np.nanmin(heights)) if np.isfinite(heights).any() else math.nan
        away = shapely.distance(flat, shapely.points(x, y))
        place = int(np.flatnonzero(away <= away.min() + 1e-9)[[0, -1]].mean())
        found.append(Crossing("", line_id, layer.kind, name, float(stations[place]), float(x[place]),
                              float(y[place]), clearance, layer.rule.clearance_m))
    return found
