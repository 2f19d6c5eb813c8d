"""What a raster says about itself: CRS, unit of elevation, cell size; and what is wrong with it."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import pyproj
from rasterio.transform import Affine

from pipeline.errors import Problem
from pipeline.findings import Finding
from pipeline.settings import TerrainSettings
from pipeline.store.project import parse_crs

# largest coordinate and smallest cell that are taken, in units of any CRS: the Earth is 4e10 mm around
FARTHEST = 1e11
SMALLEST_CELL = 1e-9


def applied(t: Affine, col: float, row: float) -> tuple[float, float]:
    """Return the coordinates of a column and row under an affine transform."""
    return t.a * col + t.b * row + t.c, t.d * col + t.e * row + t.f


def note(code: str, text: str, remedy: str, measured: float | None = None, unit: str = "") -> Finding:
    """Return a note about the terrain."""
    return Finding(code, "note", "plan", "terrain", measured, None, unit, text, remedy)


def raster_crs(source: Any, asked: TerrainSettings) -> tuple[pyproj.CRS | None, list[Problem], list[Finding]]:  # noqa: ANN401
    """Return the raster's CRS (None for a local grid), from the file or the bush file."""
    local = asked.crs.strip().lower() == "local"
    given = parse_crs(asked.crs) if asked.crs and not local else None
    if asked.crs and not local and given is None:
        return None, [Problem(asked.file, "terrain.crs", repr(asked.crs[:60]), "a CRS such as EPSG:26918, or \"local\"",
                              "Look the EPSG code up in the program that made the raster.")], []
    own = parse_crs(source.crs.to_wkt()) if source.crs else None
    if own is not None and (own.is_engineering or (own.is_bound and own.source_crs is None)):
        own = None
    if own is None:
        if not asked.crs:
            return None, [Problem(asked.file, "terrain.crs", "no CRS in the file", "the raster's CRS",
                                  "Set terrain.crs: an EPSG code, or \"local\" for a grid of your own in metres.")], []
        return given, [], []
    if local or (given is not None and not given.equals(own, ignore_axis_order=True) and given.to_2d() != own.to_2d()):
        return own, [], [note(
            "TERRAIN_CRS_FROM_FILE", f"The raster says {own.name}; terrain.crs = {asked.crs!r} was not used.",
            "Leave terrain.crs out when the file says it.",
        )]
    return own, [], []


def _unit_word(text: str) -> str:
    plain = text.strip().lower().replace("_", " ").replace("-", " ")
    if "survey" in plain or plain in {"us ft", "ftus", "us foot", "sft"}:
        return "us-ft"
    if plain in {"ft", "foot", "feet", "international foot", "ift"}:
        return "ft"
    return "m" if plain in {"m", "metre", "meter", "metres", "meters"} else ""


def _vertical_axis(crs: pyproj.CRS | None) -> str:
    """Return the unit of a CRS's vertical axis, ``""`` when it has none."""
    axes = crs.axis_info if crs is not None else []
    return _unit_word(axes[2].unit_name) if len(axes) == 3 else ""


def metric_plane(crs: pyproj.CRS | None) -> bool:
    """Whether a CRS is projected in metres, or is none at all (a local grid)."""
    if crs is None:
        return True
    return crs.is_projected and all(abs(a.unit_conversion_factor - 1.0) < 1e-12 for a in crs.axis_info[:2])


def vertical_unit(
    source: Any, crs: pyproj.CRS | None, asked: TerrainSettings  # noqa: ANN401
) -> tuple[str, list[Problem], list[Finding]]:
    """Return the unit of elevations from compound CRS, band unit or bush file; asked for where it is doubtful."""
    band = _unit_word(source.units[0] or "") if source.count else ""
    said = _vertical_axis(crs) or band
    if said and asked.vertical_unit and said != asked.vertical_unit:
        return said, [Problem(
            asked.file, "terrain.vertical_unit", f"{asked.vertical_unit}, while the file says {said}", "one unit",
            "Leave the key out, or mend the raster's unit.",
        )], []
    if said:
        return said, [], [note("TERRAIN_UNIT", f"Elevations are in {said}, as the file says.", "")]
    if asked.vertical_unit:
        text = f"Elevations are in {asked.vertical_unit}, as the bush file says."
        return asked.vertical_unit, [], [note("TERRAIN_UNIT", text, "")]
    if metric_plane(crs):
        return "m", [], [note(
            "TERRAIN_UNIT_ASSUMED",
            "The file does not say the unit of its elevations; metres were taken, as its CRS is metric.",
            "Set terrain.vertical_unit to m, ft or us-ft.",
        )]
    return "m", [Problem(
        asked.file, "terrain.vertical_unit", "no unit of elevation, and a CRS in feet or degrees", "m, ft or us-ft",
        "Set terrain.vertical_unit: a wrong guess would make every grade wrong by three times.",
    )], []


def vertical_name(crs: pyproj.CRS | None, asked: TerrainSettings, unit: str) -> str:
    """Return the vertical datum as it is printed."""
    own = ""
    if crs is not None and crs.is_compound and len(crs.sub_crs_list) > 1:
        own = crs.sub_crs_list[1].name
    datum = asked.vertical_datum or own or "vertical datum not stated"
    return datum if unit == "m" else f"{datum}, read in {unit}"


def shape_problems(source: Any) -> list[Problem]:  # noqa: ANN401
    """Return what makes an open raster no elevation grid: bands, size, no georeference."""
    name = Path(source.name).name
    if source.count > 1 and "alpha" not in {c.name for c in source.colorinterp[1:2]}:
        return [Problem(name, "terrain", f"{source.count} bands", "one band of elevations",
                        "Export the elevations alone; this looks like a picture.")]
    if source.dtypes[0].startswith("complex") or source.width < 3 or source.height < 3:
        return [Problem(name, "terrain", f"{source.width} x {source.height} cells of {source.dtypes[0]}",
                        "at least 3 x 3 cells of numbers", "Export the raster again.")]
    if source.transform.is_identity or not _on_a_map(source.transform):
        return [Problem(name, "terrain", "no place and no cell size", "a georeferenced raster",
                        "Export it with its georeference (a .tfw beside it, or as GeoTIFF).")]
    return []


def _on_a_map(t: Affine) -> bool:
    """Whether a georeference has cells of some size at a place that a CRS of the Earth can have, in any unit."""
    sizes = (math.hypot(t.a, t.d), math.hypot(t.b, t.e))
    return (
        all(math.isfinite(v) for v in t[:6]) and max(abs(t.c), abs(t.f)) < FARTHEST
        and all(SMALLEST_CELL < size < FARTHEST for size in sizes) and abs(t.determinant) > 1e-6 * sizes[0] * sizes[1]
    )


def cell_sizes_m(t: Affine, rows: int, cols: int, crs: pyproj.CRS | None) -> tuple[float, float]:
    """Return the ground size of a cell along rows and columns, in metres, at the middle of the raster."""
    along, down = math.hypot(t.a, t.d), math.hypot(t.b, t.e)
    if crs is None:
        return along, down
    if crs.is_geographic:
        x, y = applied(t, cols / 2.0, rows / 2.0)
        geod = crs.get_geod() or pyproj.Geod(ellps="WGS84")
        rad = crs.axis_info[0].unit_conversion_factor * 180.0 / math.pi
        lon, lat = x * rad, max(-89.0, min(89.0, y * rad))
        return (
            float(geod.inv(lon, lat, lon + along * rad, lat)[2]), float(geod.inv(lon, lat, lon, lat + down * rad)[2]),
        )
    factor = crs.axis_info[0].unit_conversion_factor
    return along * factor, down * factor


def too_coarse(source: Any, crs: pyproj.CRS | None, asked: TerrainSettings) -> list[Problem]:  # noqa: ANN401
    """Return the problem of cells wider than ``terrain.cell_limit``, if they are."""
    if source.transform.is_identity:
        return []
    cell = max(cell_sizes_m(source.transform, source.height, source.width, crs))
    if cell <= asked.cell_limit_m * (1.0 + 1e-9):
        return []
    return [Problem(
        asked.file, "terrain", f"cells of {cell:.1f} m", f"at most {asked.cell_limit_m:.1f} m (terrain.cell_limit)",
        "Cells this wide cannot prove a grade of a few percent; get a lidar raster of 1 to 3 m.",
    )]


