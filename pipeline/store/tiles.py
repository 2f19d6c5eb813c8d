"""Reads several raster tiles as one terrain: a file name with ``*`` stands for all that match."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Any
from xml.sax.saxutils import escape

import numpy as np

from pipeline.errors import Problem
from pipeline.store import guard
from pipeline.store.terrain_copy import BROKEN, opened

MOST_TILES = 2000
_VRT_TYPES = {"uint8": "Byte", "int16": "Int16", "uint16": "UInt16", "int32": "Int32", "float64": "Float64"}


@dataclass(frozen=True, slots=True)
class _Tile:
    path: Path
    name: str
    west: float
    north: float
    cell_x: float
    cell_y: float
    cols: int
    rows: int
    crs: str
    dtype: str
    nodata: float | None
    unit: str


def is_pattern(name: str) -> bool:
    """Whether a file name stands for several."""
    return "*" in name or "?" in name


def matches(base: Path, pattern: str) -> list[tuple[Path, str]]:
    """Return the files a pattern stands for, with their names as the bush file would write them, sorted."""
    if PurePath(pattern).is_absolute() or guard.is_address(pattern):
        return []
    return sorted((p, str(PurePath(pattern).parent / p.name)) for p in base.glob(pattern) if p.is_file())


@contextlib.contextmanager
def mosaic(base: Path, pattern: str) -> Iterator[tuple[Path | None, list[Problem]]]:
    """Yield a mosaic of all tiles that match a pattern, or every problem that keeps them apart.

    Tiles must share CRS, cell size, cell grid and unit; where they overlap the last by
    name wins. The mosaic is a small text file in a folder that is removed afterwards.
    """
    found = matches(base, pattern)
    problems: list[Problem] = []
    if not 1 <= len(found) <= MOST_TILES:
        problems.append(Problem(pattern, "terrain.file", f"{len(found)} files that match", f"1 to {MOST_TILES} tiles",
                                "Check the folder and the pattern, relative to the bush file."))
        yield None, problems
        return
    tiles = [t for t in (_tile(path, name, problems) for path, name in found) if t is not None]
    problems += [p for t in tiles[1:] for p in _differs(tiles[0], t)]
    if problems:
        yield None, problems[:20]
        return
    with tempfile.TemporaryDirectory(prefix="fallgrade-") as folder:
        file = Path(folder) / "tiles.vrt"
        file.write_text(_document(tiles), encoding="utf-8")
        yield file, []


def _tile(path: Path, name: str, problems: list[Problem]) -> _Tile | None:
    driver = guard.raster_format(path, name)
    if isinstance(driver, str) and driver == "VRT":
        driver = Problem(name, "terrain.file", "a mosaic among the tiles", "GeoTIFFs or ASCII grids", "Take it out.")
    if isinstance(driver, Problem):
        problems.append(driver)
        return None
    try:
        with opened(path, driver) as source:
            return _described(source, path, name, problems)
    except BROKEN as fault:
        problems.append(Problem(name, "terrain.file", f"a tile that cannot be read ({str(fault)[:100]})", guard.RASTERS,
                                "Copy or download the tile again."))
        return None


def _described(source: Any, path: Path, name: str, problems: list[Problem]) -> _Tile | None:  # noqa: ANN401
    t = source.transform
    odd = []
    if source.count != 1:
        odd.append(f"{source.count} bands")
    if t.b or t.d or t.a <= 0.0 or t.e >= 0.0:
        odd.append("turned cells")
    if (source.scales[0], source.offsets[0]) != (1.0, 0.0):
        odd.append("a scale or an offset")
    problems += [Problem(name, "terrain.file", found, "a plain tile, north up, one band", "Export the tile again.")
                 for found in odd]
    crs = source.crs.to_wkt() if source.crs else ""
    return None if odd else _Tile(
        path, name, t.c, t.f, t.a, t.e, source.width, source.height, crs, source.dtypes[0], source.nodata,
        source.units[0] or "",
    )


def _differs(first: _Tile, tile: _Tile) -> list[Problem]:
    """Return why a tile does not fit the first one."""
    what = []
    if tile.crs != first.crs:
        what.append(("another CRS", "one CRS"))
    if tile.unit != first.unit:
        what.append((f"the unit {tile.unit or 'none'}", f"the unit {first.unit or 'none'}"))
    same = np.allclose([tile.cell_x, tile.cell_y], [first.cell_x, first.cell_y], rtol=1e-6, atol=0.0)
    if not same:
        what.append((f"cells of {tile.cell_x:.6g}", f"cells of {first.cell_x:.6g}"))
    else:
        steps = ((tile.west - first.west) / first.cell_x, (tile.north - first.north) / first.cell_y)
        if any(abs(s - round(s)) > 0.01 for s in steps):
            what.append(("cells that lie between the cells of the first tile", "one grid of cells"))
    return [Problem(tile.name, "terrain.file", found, f"{wanted}, as in {first.name}",
                    "Bring all tiles onto one grid, for instance by merging them into one GeoTIFF.")
            for found, wanted in what]


def _document(tiles: list[_Tile]) -> str:
    first = tiles[0]
    west, north = min(t.west for t in tiles), max(t.north for t in tiles)
    east = max(t.west + t.cols * t.cell_x for t in tiles)
    south = min(t.north + t.rows * t.cell_y for t in tiles)
    cols, rows = round((east - west) / first.cell_x), round((south - north) / first.cell_y)
    # whole numbers stay whole numbers, so that their coarse steps are noticed; gaps need a mark of their own
    kinds = {(t.dtype, t.nodata) for t in tiles}
    keep = len(kinds) == 1 and first.nodata is not None and first.dtype in _VRT_TYPES
    kind, gap = (_VRT_TYPES[first.dtype], repr(first.nodata)) if keep else ("Float32", "nan")
    parts = []
    for t in tiles:
        col, row = round((t.west - west) / first.cell_x), round((t.north - north) / first.cell_y)
        size = f'xSize="{t.cols}" ySize="{t.rows}"'
        nodata = "" if t.nodata is None else f"<NODATA>{t.nodata!r}</NODATA>"
        parts.append(
            f'<ComplexSource><SourceFilename relativeToVRT="0">{escape(str(t.path.resolve()))}</SourceFilename>'
            f'<SourceBand>1</SourceBand><SrcRect xOff="0" yOff="0" {size}/><DstRect xOff="{col}" yOff="{row}" {size}/>'
            f"{nodata}</ComplexSource>"
        )
    return (
        f'<VRTDataset rasterXSize="{cols}" rasterYSize="{rows}"><SRS>{escape(first.crs)}</SRS>'
        f"<GeoTransform>{west!r}, {first.cell_x!r}, 0.0, {north!r}, 0.0, {first.cell_y!r}</GeoTransform>"
        f'<VRTRasterBand dataType="{kind}" band="1"><NoDataValue>{gap}</NoDataValue>'
        f"<UnitType>{escape(first.unit)}</UnitType>{''.join(parts)}</VRTRasterBand></VRTDataset>"
    )
