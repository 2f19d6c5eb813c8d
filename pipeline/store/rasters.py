"""Reads the terrain raster into a metric, north-up grid, and writes it for the plan folder.

A raster in a projected metric CRS without distortion keeps its CRS and cells. Feet,
degrees, turned or oblong cells and strongly distorted projections are resampled.
Everything that was decided on the way is a finding.
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pyproj
from rasterio.transform import Affine
from rasterio.windows import Window

from pipeline.errors import InputDataError, Problem
from pipeline.findings import Finding
from pipeline.settings import Settings, TerrainSettings
from pipeline.store import guard, tiles
from pipeline.store.georef import applied, note, raster_crs, shape_problems, too_coarse, vertical_name, vertical_unit
from pipeline.store.regrid import LARGEST_CELLS, Raw, to_metric
from pipeline.store.terrain_copy import BROKEN, opened, read_terrain_copy, write_terrain
from pipeline.store.vrt import vrt_problem
from pipeline.terrain.grid import Terrain
from pipeline.units import FT_M, US_SURVEY_FT_M

METRES_PER_UNIT = {"m": 1.0, "ft": FT_M, "us-ft": US_SURVEY_FT_M}
STRIP_ROWS = 1024
# ground kept around the trees when only a window of a raster is read
WINDOW_MARGIN_M = 400.0
# lowest and highest ground on Earth, with room (m): Dead Sea shore -430, Everest 8,849
PLAUSIBLE_Z_M = (-500.0, 9000.0)


__all__ = ["read_terrain", "read_terrain_copy", "read_terrain_report", "write_terrain"]


def read_terrain(
    settings: Settings, base: Path, tree_lonlat_bounds: tuple[float, float, float, float] | None = None
) -> Terrain:
    """Return the terrain in the plan's frame.

    Parameters
    ----------
    settings : Settings
    base : Path
        Folder of the bush file.
    tree_lonlat_bounds : tuple of float, optional
        West, south, east, north of the trees in degrees. When given, only that part of
        the raster and its surroundings is read, whatever the size of the raster.

    Raises
    ------
    InputDataError
        With every problem: no file, no CRS, unit of elevation unknown, too coarse,
        a surface of tree tops, no ground at all.
    """
    return read_terrain_report(settings, base, tree_lonlat_bounds)[0]


def read_terrain_report(
    settings: Settings, base: Path, tree_lonlat_bounds: tuple[float, float, float, float] | None = None
) -> tuple[Terrain, tuple[Finding, ...]]:
    """Return the terrain as :func:`read_terrain` does, and how its unit, window and frame were decided."""
    asked = settings.terrain
    problems = []
    if asked.kind == "surface":
        problems.append(Problem(
            asked.file, "terrain.kind", "a surface of tree tops", "bare-earth ground",
            "A line hangs above the ground: get the bare-earth raster (DTM) of the same survey.",
        ))
    with _source(base, asked.file) as (path, driver, wrong):
        if problems or wrong or path is None:
            raise InputDataError([*problems, *wrong])
        try:
            with opened(path, driver) as source:
                return _read(source, settings, tree_lonlat_bounds)
        except BROKEN as fault:
            raise InputDataError([Problem(
                asked.file, "terrain", f"a raster that cannot be read ({' '.join(str(fault).split())[:120]})",
                guard.RASTERS, "Export the raster again; it may be cut short or of another kind.",
            )]) from fault


@contextlib.contextmanager
def _source(base: Path, name: str) -> Iterator[tuple[Path | None, str, list[Problem]]]:
    """Yield the file to open and its driver, or what is wrong with it; many tiles come as one mosaic."""
    if tiles.is_pattern(name):
        with tiles.mosaic(base, name) as (path, problems):
            yield path, "VRT", problems
        return
    found = guard.locate(base, name, "terrain.file")
    if isinstance(found, Problem):
        yield None, "", [found]
        return
    driver = guard.raster_format(found, name)
    problems = [driver] if isinstance(driver, Problem) else vrt_problem(found, name)
    yield found, driver if isinstance(driver, str) else "", problems


def _read(
    source: Any, settings: Settings, bounds: tuple[float, float, float, float] | None  # noqa: ANN401 - rasterio is untyped
) -> tuple[Terrain, tuple[Finding, ...]]:
    asked = settings.terrain
    crs, problems, findings = raster_crs(source, asked)
    unit, unit_problems, unit_findings = vertical_unit(source, crs, asked)
    problems += unit_problems + shape_problems(source) + too_coarse(source, crs, asked)
    if problems:
        raise InputDataError(problems)
    window, window_findings = _window(source, crs, settings, bounds)
    if window.width * window.height > LARGEST_CELLS:
        raise InputDataError([Problem(
            asked.file, "terrain", f"{window.width * window.height / 1e6:,.0f} million cells",
            f"at most {LARGEST_CELLS / 1e6:,.0f} million", "Cut the raster to the bush, or set terrain.cell.",
        )])
    raw, data_findings = _values(source, window, crs, METRES_PER_UNIT[unit], asked)
    vertical = vertical_name(crs, asked, unit)
    raw, frame, frame_findings = to_metric(raw, vertical, asked)
    terrain = Terrain(
        z_m=raw.z_m, x0_m=raw.transform.c + raw.transform.a / 2.0, y0_m=raw.transform.f + raw.transform.e / 2.0,
        cell_m=raw.transform.a, frame=frame, vertical_error_m=asked.vertical_error_m,
        source=f"{asked.file}, {raw.transform.a:.3g} m cells",
    )
    return terrain, (*findings, *unit_findings, *window_findings, *data_findings, *frame_findings)


def _window(
    source: Any, crs: pyproj.CRS | None, settings: Settings, bounds: tuple[float, float, float, float] | None  # noqa: ANN401
) -> tuple[Window, list[Finding]]:
    """Return the part of the raster around the trees and collection points; all of it where nothing says less."""
    whole = Window(0, 0, source.width, source.height)
    if bounds is None or crs is None:
        return whole, []
    change = pyproj.Transformer.from_crs("EPSG:4326", crs, always_xy=True)
    west, south, east, north = bounds
    for point in settings.collection:
        if not math.isnan(point.lon) and abs(point.lon - west) < 1.0 and abs(point.lat - south) < 1.0:
            west, east = min(west, point.lon), max(east, point.lon)
            south, north = min(south, point.lat), max(north, point.lat)
    margin_lat = WINDOW_MARGIN_M / 111_000.0
    margin_lon = margin_lat / max(math.cos(math.radians((south + north) / 2.0)), 0.05)
    box = change.transform_bounds(
        west - margin_lon, south - margin_lat, east + margin_lon, north + margin_lat, densify_pts=21
    )
    xs = [box[0], box[2]] + [p.x for p in settings.collection if not math.isnan(p.x)]
    ys = [box[1], box[3]] + [p.y for p in settings.collection if not math.isnan(p.y)]
    if not np.all(np.isfinite([*xs, *ys])):
        return whole, []
    back = ~source.transform
    corners = [applied(back, x, y) for x in (min(xs), max(xs)) for y in (min(ys), max(ys))]
    col0 = max(0, math.floor(min(c for c, _ in corners)))
    row0 = max(0, math.floor(min(r for _, r in corners)))
    col1 = min(source.width, math.ceil(max(c for c, _ in corners)))
    row1 = min(source.height, math.ceil(max(r for _, r in corners)))
    if col1 - col0 < 3 or row1 - row0 < 3:
        return whole, []  # the trees lie off the terrain: the survey says so, tree by tree
    window = Window(col0, row0, col1 - col0, row1 - row0)
    if window.width * window.height == source.width * source.height:
        return whole, []
    return window, [note(
        "TERRAIN_WINDOW", f"Of {source.width} x {source.height} cells the {window.width} x {window.height} within "
        f"{WINDOW_MARGIN_M:.0f} m of the trees were read.", "",
    )]


def _values(
    source: Any, window: Window, crs: pyproj.CRS | None, metres: float, asked: TerrainSettings  # noqa: ANN401
) -> tuple[Raw, list[Finding]]:
    """Return elevations in metres, NaN where there are none; read in strips, so that memory stays small."""
    scale, offset = source.scales[0] or 1.0, source.offsets[0] or 0.0
    z = np.full((int(window.height), int(window.width)), np.nan, dtype=np.float32)
    odd_count = 0
    for top in range(0, z.shape[0], STRIP_ROWS):
        strip = Window(window.col_off, window.row_off + top, window.width, min(STRIP_ROWS, z.shape[0] - top))
        read = source.read(1, window=strip, masked=True)
        with np.errstate(invalid="ignore", over="ignore"):  # what overflows is odd, and told below
            here = (np.ma.filled(read.astype(np.float64), np.nan) * scale + offset) * metres
        odd = np.isinf(here) | (here < PLAUSIBLE_Z_M[0]) | (here > PLAUSIBLE_Z_M[1])
        odd_count += int(odd.sum())
        z[top : top + STRIP_ROWS] = np.where(odd, np.nan, here)
    if not np.isfinite(z).any():
        raise InputDataError([Problem(
            asked.file, "terrain", "no cell with an elevation", "ground around the trees",
            "Check that the raster covers the bush, its nodata value and its unit of elevation.",
        )])
    whole_numbers = np.issubdtype(np.dtype(source.dtypes[0]), np.integer) and scale == 1.0
    t = source.transform
    x0, y0 = applied(t, window.col_off, window.row_off)
    return Raw(z, Affine(t.a, t.b, x0, t.d, t.e, y0), crs), _value_findings(odd_count, whole_numbers, metres)


def _value_findings(odd: int, whole_numbers: bool, metres: float) -> list[Finding]:  # noqa: FBT001 - private
    findings = []
    if odd:
        findings.append(Finding(
            "TERRAIN_ODD_CELLS", "check", "plan", "terrain", float(odd), 0.0, "cells",
            f"{odd} cells lie below {PLAUSIBLE_Z_M[0]:.0f} or above {PLAUSIBLE_Z_M[1]:.0f} m: taken as no ground.",
            "Set the raster's nodata value.",
        ))
    if whole_numbers:
        findings.append(Finding(
            "TERRAIN_WHOLE_NUMBERS", "check", "plan", "terrain", metres, None, "m",
            "The raster holds whole numbers only: its steps hide falls of a few percent.",
            "Get the raster with decimals, or raise terrain.vertical_error.",
        ))
    return findings


