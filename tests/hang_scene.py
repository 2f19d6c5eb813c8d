"""Small hills, lines and an independent checker for the tests of the hang."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from pipeline.frame import Frame
from pipeline.records import CollectionPoint, Ground, Mainline, Network, Route, Trees
from pipeline.settings import Settings
from pipeline.terrain.grid import Terrain
from pipeline.wire import chord_rules

OUTLET = "C1"


def falling(grade_pct: float = 2.0) -> Settings:
    """Return settings by which the straight wire is planned to fall by just this, its sag so much less."""
    base = Settings()
    taken = chord_rules(base).min_grade_pct - base.mainlines.min_grade_pct
    return replace(base, mainlines=replace(base.mainlines, min_grade_pct=grade_pct - taken))


def hill(z_m: np.ndarray, cell_m: float = 1.0) -> Terrain:
    """Return a terrain whose south-west cell centre is (0, 0)."""
    rows = z_m.shape[0]
    return Terrain(
        z_m=np.asarray(z_m, dtype=np.float32), x0_m=0.0, y0_m=(rows - 1) * cell_m, cell_m=cell_m,
        frame=Frame("", "local grid", "local"), vertical_error_m=0.15, source="made for a test",
    )


def slope(size: int = 120, grade_pct: float = 5.0, cell_m: float = 1.0) -> Terrain:
    """Return a plane that rises eastward."""
    return hill(np.broadcast_to(np.arange(size) * cell_m * grade_pct / 100.0, (size, size)).copy(), cell_m)


def rough(seed: int, size: int = 90, bump_m: float = 0.4, grade_pct: float = 6.0, cell_m: float = 1.0) -> Terrain:
    """Return rough ground that rises eastward: random waves of 4 to 40 m."""
    rng = np.random.default_rng(seed)
    axis = np.arange(size) * cell_m
    x, y = np.meshgrid(axis, axis[::-1])
    z = x * grade_pct / 100.0
    for _ in range(12):
        length, turn, phase = rng.uniform(4.0, 40.0), rng.uniform(0.0, np.pi), rng.uniform(0.0, 6.3)
        wave = np.sin((x * np.cos(turn) + y * np.sin(turn)) * 2.0 * np.pi / length + phase)
        z += bump_m * length / 40.0 * rng.uniform(0.2, 1.0) * wave
    return hill(z, cell_m)


def open_ground(terrain: Terrain, settings: Settings) -> Ground:
    """Return ground without any layer."""
    shape = terrain.shape
    return Ground(
        cost=np.ones(shape, np.float32),
        lowest_m=np.full(shape, settings.mainlines.lowest_m, np.float32),
        highest_m=np.full(shape, settings.mainlines.highest_m, np.float32),
        lateral_blocked=np.zeros(shape, np.bool_), support_blocked=np.zeros(shape, np.bool_),
        layers=(), missing=(),
    )


def stand_of(terrain: Terrain, xy: Sequence[tuple[float, float]], reason: Sequence[str] = ()) -> Trees:
    """Return maples of 30 cm at places; those with a reason are not tapped."""
    n = len(xy)
    x, y = np.array([p[0] for p in xy], dtype=np.float64), np.array([p[1] for p in xy], dtype=np.float64)
    reasons = tuple(reason) if reason else ("",) * n
    return Trees(
        tree_id=tuple(f"T{i}" for i in range(n)), x_m=x, y_m=y,
        ground_z_m=terrain.sample(x, y) if n else np.zeros(0), species=("sugar maple",) * n,
        dbh_cm=np.full(n, 30.0), taps=np.ones(n, dtype=np.int64),
        status=tuple("served" if not r else "not_tapped" for r in reasons), reason=reasons, note=("",) * n,
    )


def route(
    mainline_id: str, xy: Sequence[tuple[float, float]], *, parent_id: str = "", join_station_m: float = 0.0,
    z: Sequence[float] = (),
) -> Route:
    """Return a route; pinned when it brings its heights."""
    return Route(
        mainline_id=mainline_id, parent_id=parent_id, collection_id=OUTLET, join_station_m=join_station_m,
        xy_m=np.array(xy, dtype=np.float64), low_z_m=np.array(z if len(z) else [0.0] * len(xy)), pinned=len(z) > 0,
    )


def network(*routes: Route) -> Network:
    """Return a network of routes alone."""
    return Network(routes=routes, reason=(), lift_m=np.zeros(0))


def outlet(terrain: Terrain, x_m: float, y_m: float, inlet_height_m: float = 0.9) -> tuple[CollectionPoint, ...]:
    """Return one collection point."""
    ground_z = float(terrain.sample(x_m, y_m))
    return (CollectionPoint(OUTLET, x_m, y_m, ground_z, ground_z + inlet_height_m, "tank"),)


def faults(
    lines: Sequence[Mainline], terrain: Terrain, ground: Ground, settings: Settings,
    collections: Sequence[CollectionPoint], ceilings: Sequence[tuple[str, float, float]] = (), step_m: float = 0.25,
    tol_m: float = 1e-4,
) -> list[str]:
    """Return every breach of the rules, looked for every `step_m` along the finished geometry.

    Written apart from the programme: it knows the polyline, the raster and the rules, and nothing of
    spans' hulls or linear programmes.
    """
    rules = chord_rules(settings)
    by_id = {m.mainline_id: m for m in lines}
    out = []
    for m in lines:
        own, z_own = m.station_m, m.xyz_m[:, 2]
        fall = np.diff(z_own) - np.diff(own) * rules.min_grade_pct / 100.0
        out += [f"{m.mainline_id}: span {i} falls {f:.5f} m too little" for i, f in enumerate(fall) if f < -1e-7]
        s = np.union1d(np.arange(0.0, m.plan_length_m, step_m), own)
        x, y, z = m.at(s)
        g = terrain.sample(x, y)
        row, col = terrain.rowcol(x, y)
        r = np.clip(np.rint(row).astype(int), 0, terrain.shape[0] - 1)
        c = np.clip(np.rint(col).astype(int), 0, terrain.shape[1] - 1)
        low = ground.lowest_m[r, c].astype(float) + rules.sag_allowance_m
        high = ground.highest_m[r, c].astype(float)
        if not m.parent_id:
            inlet = next(p.inlet_z_m for p in collections if p.collection_id == m.collection_id)
            share = np.clip(1.0 - s / own[1], 0.0, 1.0)
            low = low - share * max(0.0, low[0] - (inlet - g[0]))
            high = high + share * max(0.0, inlet - g[0] - high[0])
            if z_own[0] < inlet - tol_m:
                out.append(f"{m.mainline_id}: ends below the inlet")
        else:
            miss = float(by_id[m.parent_id].at(m.join_station_m)[2]) - z_own[0]
            if abs(miss) > 1e-6:
                out.append(f"{m.mainline_id}: misses its parent by {miss:.5f} m")
        out += [f"{m.mainline_id}: too low at {a:.2f}" for a in s[z < g + low - tol_m]]
        out += [f"{m.mainline_id}: too high at {a:.2f}" for a in s[z > g + high + tol_m]]
    for mainline_id, station, limit in ceilings:
        if float(by_id[mainline_id].at(station)[2]) > limit + tol_m:
            out.append(f"{mainline_id}: above the ceiling at {station:.2f}")
    return out
