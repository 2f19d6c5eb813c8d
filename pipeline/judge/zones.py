"""The real shapes on the ground as the judge sees them: zones to pass over, places to keep out of."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from pipeline.judge.case import Case
from pipeline.records import Floats, GroundLayer

# Room above a clearance in which the wire may hang, and how far beside the zone (in cells) it may still be that
# high: the planner works on cells, so its zones end up to a cell and a half further out.
ROOM_M = 0.6
EDGE_CELLS = 1.5
# From there, and one cell more that a coarse grid needs, a wire comes down to the usual window at this fall against
# the ground (ours).
RAMP_PCT = 5.0
RAMP_EDGE_CELLS = EDGE_CELLS + 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Zone:
    """One shape, widened by its buffer.

    Parameters
    ----------
    shape : polygon
        Where the rule holds.
    kind, name : str
        Of the layer and the shape.
    clearance_m : float
        Least height of a line inside.
    """

    shape: BaseGeometry
    kind: str
    name: str
    clearance_m: float

    @property
    def title(self) -> str:
        """Name for a sentence, with its kind."""
        return self.kind if self.name in ("", self.kind) else f"{self.name} ({self.kind})"

    @property
    def highest_m(self) -> float:
        """How high a line may hang inside, if that is more than elsewhere."""
        return self.clearance_m + ROOM_M

    def within(self, x_m: Floats, y_m: Floats, by_m: float = 0.0) -> npt.NDArray[np.bool_]:
        """Return which points are inside, or nearer than `by_m`; points far away cost next to nothing."""
        west, south, east, north = self.shape.bounds
        near = (x_m >= west - by_m) & (x_m <= east + by_m) & (y_m >= south - by_m) & (y_m <= north + by_m)
        at = np.flatnonzero(near)
        if at.size:
            grown = self.shape.buffer(by_m) if by_m > 0.0 else self.shape
            shapely.prepare(grown)
            near[at] = shapely.intersects_xy(grown, x_m[at], y_m[at])
        return np.asarray(near, dtype=np.bool_)

    def highest_at(self, x_m: Floats, y_m: Floats, cell_m: float, usual_m: float) -> Floats:
        """Return how high a line may hang at points: more than usual over the crossing and while it comes down."""
        high = np.full(np.shape(x_m), usual_m)
        if self.highest_m <= usual_m:
            return high
        flat_m = RAMP_EDGE_CELLS * cell_m
        near = np.flatnonzero(self.within(x_m, y_m, flat_m + (self.highest_m - usual_m) / (RAMP_PCT / 100.0)))
        away_m = shapely.distance(self.shape, shapely.points(x_m[near], y_m[near]))
        high[near] = np.maximum(usual_m, self.highest_m - RAMP_PCT / 100.0 * np.maximum(away_m - flat_m, 0.0))
        return high


def _flat(shape: BaseGeometry) -> BaseGeometry:
    return shapely.make_valid(shapely.force_2d(shape))


def _zones(layer: GroundLayer) -> list[Zone]:
    # a shape without a buffer still has a middle to pass over
    by_m = max(layer.rule.buffer_m, 1e-3)
    return [Zone(_flat(shape).buffer(by_m), layer.kind, name, layer.rule.clearance_m)
            for shape, name in zip(layer.shapes, layer.names, strict=True)]


def gaps_of(case: Case, layer: GroundLayer) -> list[BaseGeometry]:
    """Return the pinned gaps as they open a layer: widened as the layer is, and by what a cell may add."""
    if layer.source == "pins":
        return []
    by_m = layer.rule.buffer_m + EDGE_CELLS * case.terrain.cell_m
    return [_flat(gap).buffer(by_m) for gap in case.ground.gaps]


def crossing_zones(case: Case) -> list[Zone]:
    """Return where lines may pass only at a clearance: layers to cross, and what the gaps open of a no-go."""
    zones = []
    for layer in case.ground.layers:
        if layer.rule.rule == "cross":
            zones += _zones(layer)
        elif layer.rule.rule == "no_go":
            for gap in gaps_of(case, layer):
                for zone in _zones(layer):
                    opened = zone.shape.intersection(gap)
                    if not opened.is_empty:
                        zones.append(Zone(opened, zone.kind, zone.name, zone.clearance_m))
    return zones


def closed_zones(case: Case) -> list[Zone]:
    """Return where no line may pass, gaps taken out."""
    zones = []
    for layer in case.ground.layers:
        if layer.rule.rule == "no_go":
            gaps = shapely.union_all(gaps_of(case, layer))
            for zone in _zones(layer):
                left = zone.shape.difference(gaps)
                if not left.is_empty:
                    zones.append(Zone(left, zone.kind, zone.name, zone.clearance_m))
    return zones


def properties(case: Case) -> list[tuple[GroundLayer, BaseGeometry]]:
    """Return the areas that lines must stay inside, each with its layer and shrunken by its buffer."""
    found = []
    for layer in case.ground.layers:
        if layer.rule.rule == "inside":
            flat = [_flat(s) for s in layer.shapes if not s.is_empty]
            rings = [s for s in flat if s.area == 0.0 and s.length > 0.0]
            outlines = list(shapely.polygonize(rings).geoms) if rings else []
            area = shapely.union_all([*(s for s in flat if s.area > 0.0), *outlines])
            if not area.is_empty:
                found.append((layer, area.buffer(-layer.rule.buffer_m)))
    return found
