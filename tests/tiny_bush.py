"""A tiny invented woodlot that plans in seconds: 70 maples on an even valley side, written with plain libraries.

Used where a whole plan is wanted but its size is not: faults, hostile names, no network.
"""

from __future__ import annotations

import csv
from pathlib import Path

import geopandas
import numpy as np
import pyproj
import rasterio
from rasterio.transform import Affine

EPSG = 32618
WEST, NORTH = 500_000.0, 4_950_000.0
CELL_M, CELLS = 2.0, 90
TREES = 70


def ground_z(x_m: np.ndarray, y_m: np.ndarray) -> np.ndarray:
    """Return the invented ground: 9 % down to the south, hollow along the middle."""
    return 200.0 + 0.09 * (y_m - NORTH + CELL_M * CELLS) + 0.0006 * (x_m - WEST - CELL_M * CELLS / 2.0) ** 2


def positions(count: int = TREES) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return x, y and diameter in inches of the invented trees."""
    rng = np.random.default_rng(7)
    side = CELL_M * CELLS
    x = WEST + side * rng.uniform(0.25, 0.75, count)
    y = NORTH - side * rng.uniform(0.1, 0.8, count)
    return x, y, np.round(rng.uniform(12.2, 24.0, count), 1)


def write_terrain(path: Path) -> None:
    """Write the terrain as a GeoTIFF."""
    rows, cols = np.mgrid[0:CELLS, 0:CELLS]
    z = ground_z(WEST + (cols + 0.5) * CELL_M, NORTH - (rows + 0.5) * CELL_M).astype(np.float32)
    profile = {"driver": "GTiff", "width": CELLS, "height": CELLS, "count": 1, "dtype": "float32",
               "crs": f"EPSG:{EPSG}", "transform": Affine(CELL_M, 0.0, WEST, 0.0, -CELL_M, NORTH), "nodata": -9999.0}
    with rasterio.open(path, "w", **profile) as out:
        out.write(z, 1)


def lonlat(x_m: float, y_m: float) -> tuple[float, float]:
    """Return longitude and latitude."""
    lon, lat = pyproj.Transformer.from_crs(EPSG, 4326, always_xy=True).transform(x_m, y_m)
    return float(lon), float(lat)


def write_trees(path: Path, tags: list[str] | None = None, species: str = "sugar maple") -> list[str]:
    """Write the survey as CSV and return the tags."""
    x, y, dbh = positions()
    tags = tags or [f"T{i + 1:03d}" for i in range(TREES)]
    with path.open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file)
        out.writerow(["tree_id", "lon", "lat", "species", "dbh_in"])
        for tag, px, py, d in zip(tags, x, y, dbh, strict=True):
            lon, lat = lonlat(px, py)
            out.writerow([tag, f"{lon:.8f}", f"{lat:.8f}", species, d])
    return tags


def write_bush(folder: Path, *, name: str = "Tiny bush", more: str = "", tags: list[str] | None = None) -> Path:
    """Write the whole woodlot into a folder and return its bush file."""
    folder.mkdir(parents=True, exist_ok=True)
    write_terrain(folder / "terrain.tif")
    write_trees(folder / "trees.csv", tags)
    side = CELL_M * CELLS
    bush = folder / "bush.toml"
    quoted = "".join(f"\\U{ord(c):08x}" if not c.isprintable() or c in '"\\' else c for c in name)
    bush.write_text(
        f'[bush]\nname = "{quoted}"\ndate = "2026-03-02"\n'
        '[trees]\nfile = "trees.csv"\n[terrain]\nfile = "terrain.tif"\n'
        f'[[collection]]\nid = "C1"\nx = {WEST + side / 2.0}\ny = {NORTH - side + 14.0}\n'
        f'[mainlines]\neffort = "quick"\n{more}',
        encoding="utf-8",
    )
    return bush


def served(folder: Path) -> list[str]:
    """Return the tags of the trees that a plan folder serves, in the order of the file."""
    rows = geopandas.read_file(folder / "plan.gpkg", layer="trees")
    return rows.loc[rows.status == "served", "tree_id"].tolist()
