"""Small sites with known ground for the tests of the mainlines."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable

import numpy as np
from pipeline.frame import Frame
from pipeline.mainlines.network import Site
from pipeline.records import CollectionPoint, Ground, Pins, Trees
from pipeline.settings import Settings
from pipeline.terrain.grid import Terrain

LOCAL = Frame("", "local grid", "local")


def terrain_of(z: np.ndarray, cell_m: float = 2.0) -> Terrain:
    """Return a terrain whose south-west cell centre is (0, 0)."""
    rows = z.shape[0]
    return Terrain(
        z_m=np.asarray(z, dtype=np.float32), x0_m=0.0, y0_m=(rows - 1) * cell_m, cell_m=cell_m, frame=LOCAL,
        vertical_error_m=0.15, source="made for a test",
    )


def formula(height: Callable[[np.ndarray, np.ndarray], np.ndarray], size_m: float, cell_m: float = 2.0) -> Terrain:
    """Return the terrain of a formula of x and y (metres) on a square with the south-west corner at 0, 0."""
    axis = np.arange(0.0, size_m + cell_m / 2, cell_m)
    x, y = np.meshgrid(axis, axis[::-1])
    return terrain_of(height(x, y) + 0.0 * x, cell_m)


def open_ground(terrain: Terrain, settings: Settings) -> Ground:
    """Return ground on which lines may run anywhere."""
    shape = terrain.shape
    return Ground(
        cost=np.where(np.isnan(terrain.z_m), np.inf, 1.0).astype(np.float32),
        lowest_m=np.full(shape, settings.mainlines.lowest_m, dtype=np.float32),
        highest_m=np.full(shape, settings.mainlines.highest_m, dtype=np.float32),
        lateral_blocked=np.zeros(shape, dtype=np.bool_), support_blocked=np.zeros(shape, dtype=np.bool_), layers=(),
        missing=(),
    )


def trees_at(terrain: Terrain, xy: np.ndarray, taps: int = 1) -> Trees:
    """Return healthy maples at places."""
    n = len(xy)
    x, y = np.asarray(xy, dtype=float).reshape(-1, 2).T
    return Trees(
        tree_id=tuple(f"T{i}" for i in range(n)), x_m=x, y_m=y, ground_z_m=terrain.sample(x, y),
        species=("sugar maple",) * n, dbh_cm=np.full(n, 40.0), taps=np.full(n, taps, dtype=np.int64),
        status=("served",) * n, reason=("",) * n, note=("",) * n,
    )


def point_at(terrain: Terrain, x: float, y: float, height_m: float = 0.9144, name: str = "C1") -> CollectionPoint:
    """Return a collection point whose inlet is a little above the ground."""
    z = float(terrain.sample(x, y))
    return CollectionPoint(name, x, y, z, z + height_m, "tank")


def quick(**mainlines: object) -> Settings:
    """Return default settings with a quick search and changed mainline settings."""
    base = Settings()
    return dataclasses.replace(base, mainlines=dataclasses.replace(base.mainlines, **{"effort": "quick", **mainlines}))


def site_of(
    terrain: Terrain, tree_xy: np.ndarray, outlet: tuple[float, float], settings: Settings, *, taps: int = 1,
    ground: Ground | None = None, pins: Pins | None = None, inlet_m: float = 0.9144,
) -> Site:
    """Return a whole site with one collection point."""
    return Site(
        terrain, ground or open_ground(terrain, settings), trees_at(terrain, tree_xy, taps),
        (point_at(terrain, *outlet, height_m=inlet_m),), pins or Pins(), settings,
    )


def rough(seed: int, size_m: float = 240.0, cell_m: float = 2.0, relief_m: float = 6.0, tilt: float = 0.05) -> Terrain:
    """Return seeded rolling relief: a tilt to the north plus smooth noise (sums of sines, no library)."""
    rng = np.random.default_rng(seed)
    terms = [
        (rng.normal() * relief_m / (1 + k), *rng.uniform(1, 4 + k, 2), *rng.uniform(0, 7, 2))
        for k in range(6)
    ]

    def height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
        z = 100.0 + tilt * y
        for a, fx, fy, px, py in terms:
            z = z + 0.25 * a * np.sin(2 * np.pi * fx * x / size_m + px) * np.sin(2 * np.pi * fy * y / size_m + py)
        return z + 0.03 * rng.standard_normal(np.shape(x))

    return formula(height, size_m, cell_m)
