"""Invented woodlots for the tests of the laterals: known ground, hand-made mainlines, scattered trees."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Sequence
from itertools import pairwise

import numpy as np
from pipeline.frame import Frame
from pipeline.records import Ground, Mainline, Support, Trees
from pipeline.settings import Settings
from pipeline.terrain.grid import Terrain
from scipy.spatial import cKDTree

LOCAL = Frame("", "local grid", "local")


@dataclasses.dataclass(frozen=True, eq=False)
class Stand:
    """Everything that ``group`` is given."""

    mainlines: tuple[Mainline, ...]
    terrain: Terrain
    ground: Ground
    trees: Trees

    def given(self) -> dict:
        """Return the keyword arguments."""
        return {
            "mainlines": self.mainlines, "terrain": self.terrain, "ground": self.ground, "trees": self.trees,
            "reason": ("",) * len(self.trees),
        }


def settings_of(effort: str = "normal", **laterals: float) -> Settings:
    """Return default settings with another effort and other rules for laterals."""
    base = Settings()
    return dataclasses.replace(
        base, mainlines=dataclasses.replace(base.mainlines, effort=effort),
        laterals=dataclasses.replace(base.laterals, **laterals),
    )


def terrain_of(
    height: Callable[[np.ndarray, np.ndarray], np.ndarray], width_m: float, depth_m: float | None = None,
    cell_m: float = 1.0,
) -> Terrain:
    """Return the terrain of a formula on a rectangle with the south-west cell centre at 0, 0."""
    depth = width_m if depth_m is None else depth_m
    x = np.arange(0.0, width_m + cell_m / 2, cell_m)
    y = np.arange(0.0, depth + cell_m / 2, cell_m)[::-1]
    return Terrain(
        z_m=height(*np.meshgrid(x, y)).astype(np.float32), x0_m=0.0, y0_m=float(y[0]), cell_m=cell_m, frame=LOCAL,
        vertical_error_m=0.15, source="made for a test",
    )


def plane(grade_x: float, grade_y: float) -> Callable[[np.ndarray, np.ndarray], np.ndarray]:
    """Return the formula of a plane that rises by these ratios."""
    return lambda x, y: 100.0 + grade_x * x + grade_y * y


def open_ground(terrain: Terrain) -> Ground:
    """Return ground without anything on it."""
    return Ground(
        cost=np.ones(terrain.shape, np.float32), lowest_m=np.full(terrain.shape, 0.762, np.float32),
        highest_m=np.full(terrain.shape, 3.048, np.float32), lateral_blocked=np.zeros(terrain.shape, bool),
        support_blocked=np.zeros(terrain.shape, bool), layers=(), missing=(),
    )


def blocking(terrain: Terrain, west: float, south: float, east: float, north: float) -> Ground:
    """Return open ground with one rectangle that no lateral may pass, given by its cell centres."""
    ground = open_ground(terrain)
    rows, cols = np.indices(terrain.shape)
    x, y = terrain.xy(rows, cols)
    inside = (x >= west) & (x <= east) & (y >= south) & (y <= north)
    return dataclasses.replace(ground, lateral_blocked=inside)


def mainline_of(
    terrain: Terrain, vertices: Sequence[tuple[float, float]], name: str = "M1", *, height_m: float = 0.762,
    grade: float = 0.02, parent: str = "", join_station_m: float = 0.0,
) -> Mainline:
    """Hang a line over plan vertices (lower end first) at its lowest, with supports every 10 m and at bends."""
    points = [np.array(vertices[0], dtype=float)]
    for a, b in pairwise(vertices):
        begin, end = np.array(a, dtype=float), np.array(b, dtype=float)
        count = max(int(np.ceil(np.hypot(*(end - begin)) / 10.0)), 1)
        points += [begin + (end - begin) * k / count for k in range(1, count + 1)]
    xy = np.array(points)
    station = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    ground = terrain.sample(xy[:, 0], xy[:, 1])
    z = ground + height_m
    for i in range(1, len(z)):
        z[i] = max(z[i], z[i - 1] + grade * (station[i] - station[i - 1]))
    supports = tuple(
        Support(
            support_id=f"{name}-S{i + 1:02d}", mainline_id=name, station_m=float(station[i]), x_m=float(xy[i, 0]),
            y_m=float(xy[i, 1]), kind="post", tree_id="", offset_m=0.0, ground_z_m=float(ground[i]),
            line_z_m=float(z[i]),
        )
        for i in range(len(z))
    )
    return Mainline(
        mainline_id=name, parent_id=parent, collection_id="C1", join_station_m=join_station_m, supports=supports
    )


def raised(line: Mainline, by_m: float) -> Mainline:
    """Return a mainline hung higher."""
    return dataclasses.replace(
        line, supports=tuple(dataclasses.replace(s, line_z_m=s.line_z_m + by_m) for s in line.supports)
    )


def trees_of(terrain: Terrain, x: Sequence[float], y: Sequence[float], taps: Sequence[int] | int = 1) -> Trees:
    """Return trees to be served."""
    n = len(x)
    xs, ys = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    return Trees(
        tree_id=tuple(f"T{i + 1:04d}" for i in range(n)), x_m=xs, y_m=ys, ground_z_m=terrain.sample(xs, ys),
        species=("sugar maple",) * n, dbh_cm=np.full(n, 35.0),
        taps=np.full(n, taps, np.int64) if isinstance(taps, int) else np.asarray(taps, np.int64),
        status=("served",) * n, reason=("",) * n, note=("",) * n,
    )


def stand(
    trees: int, seed: int, *, per_ha: float = 150.0, spacing_m: float = 30.48, slope: float = 0.06,
    relief_m: float = 0.4, least_apart_m: float = 1.5,
) -> Stand:
    """Return a square stand on a tilted, gently rolling plane, crossed by parallel mainlines that climb eastward.

    The defaults are 150 trees and 195 taps to the hectare (79 taps to the acre) and mainlines
    100 ft apart. Invented: trees are uniformly random, at least 1.5 m apart, 3 in 10 with two taps.
    """
    rng = np.random.default_rng(seed)
    side = float(np.sqrt(trees / per_ha) * 100.0)
    phase = rng.uniform(0.0, 2.0 * np.pi, 3)

    def height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        roll = np.sin(x / 17.0 + phase[0]) * np.sin(y / 23.0 + phase[1]) + np.sin(x / 41.0 + phase[2])
        return 100.0 + 0.03 * x + slope * y + relief_m * 0.5 * roll

    terrain = terrain_of(height, float(np.ceil(side)) + 20.0)
    xy = rng.uniform(10.0, side + 10.0, (trees, 2))
    for _ in range(200):
        apart, _ = cKDTree(xy).query(xy, k=2)
        close = np.flatnonzero(apart[:, 1] < least_apart_m)
        if not len(close):
            break
        xy[close] = rng.uniform(10.0, side + 10.0, (len(close), 2))
    taps = 1 + (rng.random(trees) < 0.3).astype(np.int64)
    rows = np.arange(10.0 + spacing_m * 0.3, side + 10.0, spacing_m)
    lines = tuple(
        mainline_of(terrain, [(10.0, float(y)), (side + 10.0, float(y))], f"M{i + 1}") for i, y in enumerate(rows)
    )
    return Stand(lines, terrain, open_ground(terrain), trees_of(terrain, xy[:, 0], xy[:, 1], taps))
