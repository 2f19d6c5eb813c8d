"""Whether a route is legal, asked of the raw terrain: shares no code with the search."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.records import Ground, Route
from pipeline.settings import Settings
from pipeline.terrain.grid import Terrain
from pipeline.wire import chord_rules

Floats = npt.NDArray[np.float64]

SAMPLE_M = 0.25
TOLERANCE_M = 1e-3


@dataclass(frozen=True, slots=True)
class Verdict:
    """What is wrong with a route: ``""`` when nothing is, else a few words, and where."""

    fault: str
    station_m: float = 0.0
    measured: float = 0.0
    limit: float = 0.0


def sampled(xy_m: Floats) -> tuple[Floats, Floats]:
    """Return stations and points every `SAMPLE_M` along a polyline, vertices included."""
    step = np.hypot(*np.diff(xy_m, axis=0).T)
    own = np.concatenate(([0.0], np.cumsum(step)))
    s = np.unique(np.concatenate((np.arange(0.0, own[-1], SAMPLE_M), own)))
    return s, np.column_stack((np.interp(s, own, xy_m[:, 0]), np.interp(s, own, xy_m[:, 1])))


def window(terrain: Terrain, ground: Ground, settings: Settings, xy: Floats) -> tuple[Floats, Floats, Floats]:
    """Return lowest line, highest line and cost of a metre at points, from the nearest cell's rules."""
    row, col = terrain.rowcol(xy[:, 0], xy[:, 1])
    r = np.clip(np.floor(row + 0.5).astype(np.int64), 0, terrain.shape[0] - 1)
    c = np.clip(np.floor(col + 0.5).astype(np.int64), 0, terrain.shape[1] - 1)
    z = terrain.sample(xy[:, 0], xy[:, 1])
    low = z + ground.lowest_m[r, c] + settings.mainlines.sag_allowance_m
    return low, z + ground.highest_m[r, c], ground.cost[r, c].astype(np.float64)


def check_route(terrain: Terrain, ground: Ground, settings: Settings, route: Route) -> Verdict:
    """Return whether some line over the route stays in its window and falls enough everywhere.

    From the elevation at station 0 the lowest line is ``q s + max(z0, max over s' <= s of
    (L(s') - q s'))`` with q the least grade; it must nowhere be above the window, and the
    route's own lowest elevations must not lie under it.
    """
    if not np.isfinite(route.low_z_m).all():
        return Verdict("leaves its height window")
    s, xy = sampled(route.xy_m)
    low, high, cost = window(terrain, ground, settings, xy)
    if not np.isfinite(low).all():
        k = int(np.argmin(np.isfinite(low)))
        return Verdict("runs off the terrain", float(s[k]))
    if not np.isfinite(cost).all():
        k = int(np.argmin(np.isfinite(cost)))
        return Verdict("enters a no-go", float(s[k]))
    q = chord_rules(settings).min_grade_pct / 100.0
    lowest = q * s + np.maximum(route.low_z_m[0], np.maximum.accumulate(low - q * s))
    over = lowest - high
    if over.max() > TOLERANCE_M:
        k = int(np.argmax(over))
        return Verdict("leaves its height window", float(s[k]), float(lowest[k]), float(high[k]))
    own = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(route.xy_m, axis=0).T))))
    under = np.interp(own, s, lowest) - route.low_z_m
    if under.max() > TOLERANCE_M:
        k = int(np.argmax(under))
        return Verdict("lies lower than is legal", float(own[k]), float(route.low_z_m[k]), float(under[k]))
    fall = np.diff(route.low_z_m) - q * np.diff(own)
    if fall.size and fall.min() < -TOLERANCE_M:
        k = int(np.argmin(fall))
        return Verdict("falls too little", float(own[k]), float(fall[k]), 0.0)
    return Verdict("")
