"""Brings elevations onto square north-up cells in a projected metric CRS without much distortion."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pyproj
from rasterio.io import MemoryFile
from rasterio.transform import Affine
from rasterio.vrt import WarpedVRT
from rasterio.warp import Resampling

from pipeline.errors import InputDataError, Problem
from pipeline.findings import Finding
from pipeline.frame import Frame, utm_frame
from pipeline.settings import TerrainSettings
from pipeline.store.georef import applied, cell_sizes_m, metric_plane

LARGEST_CELLS = 150_000_000
# a projection whose lengths are off by more than this is not used for a plan
LARGEST_DISTORTION = 0.005


@dataclass(frozen=True, slots=True, eq=False)
class Raw:
    """What was read, before it is brought into a metric frame; elevations in metres."""

    z_m: npt.NDArray[np.float32]
    transform: Affine
    crs: pyproj.CRS | None


def _distortion(crs: pyproj.CRS, x: float, y: float) -> float:
    """Return by what share lengths of a projection are off at a point."""
    lon, lat = pyproj.Transformer.from_crs(crs, crs.geodetic_crs, always_xy=True).transform(x, y)
    factors = pyproj.Proj(crs).get_factors(lon, lat)
    return max(abs(factors.meridional_scale - 1.0), abs(factors.parallel_scale - 1.0))


def to_metric(raw: Raw, vertical: str, asked: TerrainSettings) -> tuple[Raw, Frame, list[Finding]]:
    """Return the elevations on square north-up cells in metres, and their frame."""
    rows, cols = raw.z_m.shape
    x, y = applied(raw.transform, cols / 2.0, rows / 2.0)
    flat = None if raw.crs is None else _flat(raw.crs)
    if flat is None:
        frame, target, why = Frame("", "local grid", vertical), None, ""
    elif metric_plane(flat) and _distortion(flat, x, y) <= LARGEST_DISTORTION:
        frame, target, why = Frame(flat.to_wkt(), flat.name, vertical), flat, ""
    else:
        lon, lat = pyproj.Transformer.from_crs(flat, "EPSG:4326", always_xy=True).transform(x, y)
        frame = utm_frame(float(lon), float(lat), vertical)
        target, why = pyproj.CRS.from_wkt(frame.crs_wkt), f"its CRS, {flat.name}, is not in true metres"
    t = raw.transform
    straight = abs(t.b) + abs(t.d) < 1e-9 * abs(t.a) and t.a > 0.0
    square = abs(abs(t.e) - t.a) <= 1e-6 * t.a
    if straight and square and t.e > 0.0 and not why:  # south row first
        raw = replace(raw, z_m=raw.z_m[::-1].copy(), transform=Affine(t.a, 0.0, t.c, 0.0, -t.e, t.f + rows * t.e))
    why = why or ("" if straight and square else "its cells are turned or oblong")
    cell = asked.cell_m
    wider = cell > 0.0 and not math.isclose(cell, abs(t.a), rel_tol=1e-6)
    if not why and not wider:
        return raw, frame, []
    new = _resampled(raw, flat, target, cell)
    return new, frame, [Finding(
        "TERRAIN_RESAMPLED", "note", "plan", "terrain", new.transform.a, None, "m",
        f"The terrain was resampled to {new.transform.a:.3g} m cells in {frame.name}, because "
        f"{why or 'terrain.cell asks for it'}.", "",
    )]


def _flat(crs: pyproj.CRS) -> pyproj.CRS:
    """Return the horizontal part of a CRS."""
    return pyproj.CRS(crs.sub_crs_list[0]) if crs.is_compound else crs.to_2d()


def _resampled(raw: Raw, source: pyproj.CRS | None, target: pyproj.CRS | None, cell_m: float) -> Raw:
    # a local grid has no CRS, but the warper wants one: any flat metric one serves
    plane = pyproj.CRS.from_epsg(32631)
    src, dst = (source or plane).to_wkt(), (target or plane).to_wkt()
    rows, cols = raw.z_m.shape
    left, bottom, right, top = _box(raw.transform, rows, cols)
    change = pyproj.Transformer.from_crs(source or plane, target or plane, always_xy=True)
    west, south, east, north = change.transform_bounds(left, bottom, right, top, densify_pts=21)
    native = min(cell_sizes_m(raw.transform, rows, cols, source))
    cell = cell_m if cell_m > 0.0 else native
    if not np.isfinite([west, south, east, north, cell]).all() or not cell > 0.0:
        raise InputDataError([Problem(
            "terrain", "terrain.file", "cells that lie nowhere on Earth in the raster's CRS", "cells around the trees",
            "Check the raster's CRS and georeference; they do not fit each other.",
        )])
    x0, y0 = math.floor(west / cell) * cell, math.ceil(north / cell) * cell  # cells that do not depend on the cut
    width, height = math.ceil((east - x0) / cell), math.ceil((y0 - south) / cell)
    if width * height > LARGEST_CELLS:
        raise InputDataError([Problem(
            "terrain", "terrain.cell", f"{width * height / 1e6:,.0f} million cells",
            f"at most {LARGEST_CELLS / 1e6:,.0f} million", "Ask for wider cells or a smaller raster.",
        )])
    transform = Affine(cell, 0.0, x0, 0.0, -cell, y0)
    method = Resampling.average if cell > 1.5 * native else Resampling.bilinear
    z = _warped(raw, src, dst, transform, (height, width), method)
    return Raw(z, transform, target)


def _warped(
    raw: Raw, src: str, dst: str, transform: Affine, shape: tuple[int, int], method: Resampling
) -> npt.NDArray[np.float32]:
    """Return elevations on another grid; positions to a hundredth of a cell."""
    rows, cols = raw.z_m.shape
    with MemoryFile() as memory:
        with memory.open(
            driver="GTiff", width=cols, height=rows, count=1, dtype="float32", crs=src, transform=raw.transform,
            nodata=float("nan"), BIGTIFF="IF_SAFER",
        ) as source:
            source.write(raw.z_m, 1)
        with memory.open() as source, WarpedVRT(
            source, crs=dst, transform=transform, width=shape[1], height=shape[0], resampling=method, tolerance=0.01,
            src_nodata=float("nan"), nodata=float("nan"),
        ) as warped:
            z: npt.NDArray[np.float32] = warped.read(1)
    return z


def _box(t: Affine, rows: int, cols: int) -> tuple[float, float, float, float]:
    corners = [applied(t, c, r) for c, r in ((0, 0), (cols, 0), (0, rows), (cols, rows))]
    xs, ys = [x for x, _ in corners], [y for _, y in corners]
    return min(xs), min(ys), max(xs), max(ys)


