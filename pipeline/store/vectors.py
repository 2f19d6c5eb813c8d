"""Reads trees from GPX, CSV, GeoPackage, GeoJSON, FlatGeobuf, shapefile or KML.

Ground layers, pins and collection points are read by :mod:`pipeline.store.layers`
and offered here too.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, fields, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyproj
import shapely

from pipeline.errors import InputDataError, Problem
from pipeline.findings import Finding
from pipeline.frame import Frame
from pipeline.records import SurveyPoints
from pipeline.settings import Settings, TreeSettings
from pipeline.store import guard, words
from pipeline.store.layers import (
    read_collections,
    read_ground_layers,
    read_ground_report,
    read_pins,
)
from pipeline.store.project import to_frame
from pipeline.store.tables import Table, read_table, remark_findings

__all__ = [
    "read_collections", "read_ground_layers", "read_ground_report", "read_more_trees", "read_pins", "read_trees",
    "read_trees_report", "tree_lonlat_bounds",
]

Floats = npt.NDArray[np.float64]
LARGEST_DBH_CM = 250.0
# A stand whose median lies outside this band was read in the wrong unit; outside the
# inner band somebody should look. Common practice, no source.
MEDIAN_REFUSED_CM = (2.5, 150.0)
MEDIAN_DOUBTED_CM = (8.0, 80.0)
MOST_BAD_SHARE = 0.5


@dataclass(frozen=True, slots=True, eq=False)
class _Columns:
    """Which column holds what; ``""`` where none does."""

    tree_id: str
    species: str
    dbh: str
    girth: str
    status: str
    text: tuple[str, ...]
    problems: tuple[Problem, ...]


def read_trees(settings: Settings, base: Path, frame_hint: Frame) -> SurveyPoints:
    """Return the surveyed trees in the plan's frame, one per row of the file.

    Parameters
    ----------
    settings : Settings
    base : Path
        Folder of the bush file.
    frame_hint : Frame
        The plan's frame, from the terrain.

    Raises
    ------
    InputDataError
        With every problem found, when the file cannot be used.
    """
    return read_trees_report(settings, base, frame_hint)[0]


def read_trees_report(settings: Settings, base: Path, frame_hint: Frame) -> tuple[SurveyPoints, tuple[Finding, ...]]:
    """Return the trees as :func:`read_trees` does, and what a reader noticed about them.

    Notes
    -----
    A row whose position or diameter cannot be read stays, with NaN there: the survey
    stage sets it aside or leaves it untapped, with the reason. Diameters below 0 and
    above 250 cm are counted as unreadable.
    """
    table, problems = _tree_table(settings.trees, base)
    if table is None:
        raise InputDataError(problems)
    columns = _columns(table, settings.trees)
    problems += columns.problems
    x_m, y_m, place_problems, findings = _positions(table, settings.trees, frame_hint)
    problems += place_problems
    if problems:
        raise InputDataError(problems)
    species, dbh_cm, state, unit_findings = _attributes(table, columns, settings.trees)
    dbh_cm, unit_problems, dbh_findings = _plausible(dbh_cm, settings.trees)
    if unit_problems:
        raise InputDataError(unit_problems)
    tags = table.columns.get(columns.tree_id, ("",) * len(table))
    points = SurveyPoints(
        tree_id=tuple(words.clean(t, 40) or f"T{row}" for t, row in zip(tags, table.row.tolist(), strict=True)),
        x_m=x_m, y_m=y_m, species=species, dbh_cm=dbh_cm, state=state, row=table.row,
        source=f"{settings.trees.file}" + (f", layer {table.layer}" if table.layer else ""),
    )
    remarks = remark_findings(table, settings.trees.file, "trees")
    return points, (*remarks, *findings, *unit_findings, *dbh_findings)


def read_more_trees(path: Path, settings: Settings, frame: Frame) -> SurveyPoints:
    """Return trees of another file than the bush file's, in the plan's frame.

    Columns are looked for under the names that the bush file gives, else under the usual ones.

    Raises
    ------
    InputDataError
        With every problem found, when the file cannot be used.
    """
    named = replace(settings.trees, file=path.name, layer="")
    plain = TreeSettings()
    usual = replace(named, **{f.name: getattr(plain, f.name) for f in fields(plain) if f.name.endswith("_column")})
    try:
        return read_trees(replace(settings, trees=named), path.parent, frame)
    except InputDataError:
        if usual == named:
            raise
        return read_trees(replace(settings, trees=usual), path.parent, frame)


def tree_lonlat_bounds(settings: Settings, base: Path) -> tuple[float, float, float, float] | None:
    """Return west, south, east and north of the trees in degrees, None where they have no place on Earth.

    Used to read only the part of a large raster that matters; problems of the file
    are left to :func:`read_trees`. The outermost hundredth of points on each side is
    left out when it lies far off, so that one stray fix does not ask for a continent.
    """
    table, _ = _tree_table(settings.trees, base)
    if table is None:
        return None
    lonlat = Frame(pyproj.CRS.from_epsg(4326).to_wkt(), "WGS 84", "")
    try:
        lon, lat, problems, _ = _positions(table, settings.trees, lonlat)
    except (ValueError, pyproj.exceptions.ProjError):
        return None
    fine = np.isfinite(lon) & np.isfinite(lat) & (np.abs(lat) <= 90.0)
    if problems or not fine.any() or _needs_frame(table, settings.trees):
        return None
    lon, lat = lon[fine], lat[fine]
    near = (np.abs(lon - np.median(lon)) < 0.5) & (np.abs(lat - np.median(lat)) < 0.5)
    if not near.any():
        return None
    return float(lon[near].min()), float(lat[near].min()), float(lon[near].max()), float(lat[near].max())


def _tree_table(trees: TreeSettings, base: Path) -> tuple[Table | None, list[Problem]]:
    path = guard.locate(base, trees.file, "trees.file")
    if isinstance(path, Problem):
        return None, [path]
    table, problems = read_table(path, trees.file, "trees", trees.layer)
    if table is not None and len(table) == 0 and not problems:
        what = "no waypoints" if table.driver == "GPX" else "no rows"
        problems.append(Problem(
            trees.file, f"layer {table.layer}", what, "one point per tree",
            "Export the tree points as waypoints; tracks and routes are not trees.",
        ))
    return table, problems


# ---------------------------------------------------------------------- columns


def _columns(table: Table, trees: TreeSettings) -> _Columns:
    heads = list(table.columns)
    problems: list[Problem] = []

    def pick(asked: str, what: str) -> str:
        if not asked:
            return words.find_column(heads, what)
        match = next((h for h in heads if words.fold(h) == words.fold(asked)), "")
        if not match:
            problems.append(Problem(
                trees.file, f"trees.{what}_column", f"no column {asked!r}", f"one of {', '.join(heads)[:300]}",
                "Write a column's name as it stands in the file, or leave the key out.",
            ))
        return match

    free = ("name", "desc", "cmt", "type") if table.driver == "GPX" else ("Name", "description")
    if table.driver in {"GPX", "KML"}:
        text = tuple(h for h in free[1:] if h in heads)
    else:
        text = tuple(h for h in (words.find_column(heads, "text"),) if h)
    return _Columns(
        tree_id=pick(trees.id_column, "id"), species=pick(trees.species_column, "species"),
        dbh=pick(trees.dbh_column, "dbh"), girth=words.find_column(heads, "girth"),
        status=pick(trees.status_column, "status"), text=text, problems=tuple(problems),
    )


def _attributes(
    table: Table, columns: _Columns, trees: TreeSettings
) -> tuple[tuple[str, ...], Floats, tuple[str, ...], list[Finding]]:
    """Return species, diameter and state of each row, from columns first, then from free text."""
    n = len(table)
    blank = ("",) * n
    unit = words.unit_of_head(columns.dbh) or trees.dbh_unit
    findings = _unit_finding(columns.dbh, unit, trees)
    species = [words.clean(s) for s in table.columns.get(columns.species, blank)]
    state = [words.clean(s) for s in table.columns.get(columns.status, blank)]
    dbh = np.array([words.diameter_cm(c, unit) for c in table.columns.get(columns.dbh, blank)], dtype=np.float64)
    if columns.girth:
        unit = words.unit_of_head(columns.girth) or trees.dbh_unit
        girth = np.array([words.diameter_cm(c, unit) for c in table.columns[columns.girth]], dtype=np.float64)
        dbh = np.where(np.isnan(dbh), girth / np.pi, dbh)
    for i in range(n):
        if species[i] and state[i] and not np.isnan(dbh[i]):
            continue
        for found in _free_texts(table, columns, i, trees.dbh_unit):
            # a remark must not become a species where the file has a column for it
            species[i] = species[i] or (found.species if not columns.species else "")
            state[i] = state[i] or found.state
            dbh[i] = found.dbh_cm if np.isnan(dbh[i]) else dbh[i]
    return tuple(species), dbh, tuple(state), findings


def _free_texts(table: Table, columns: _Columns, i: int, unit: str) -> list[words.TreeText]:
    """Return what the free texts of row `i` say; a text that only repeats the tag says nothing."""
    tag = words.fold(table.columns[columns.tree_id][i]) if columns.tree_id else ""
    texts = dict.fromkeys(table.columns[h][i] for h in columns.text)
    bare = table.driver in {"GPX", "KML"}  # a remark in a table may count anything
    return [words.tree_text(t, unit, bare_number=bare) for t in texts if t and words.fold(t) != tag]


def _unit_finding(head: str, unit: str, trees: TreeSettings) -> list[Finding]:
    if not head or words.CM_PER_UNIT[unit] == words.CM_PER_UNIT[trees.dbh_unit]:
        return []
    return [Finding(
        "DBH_UNIT_FROM_HEAD", "note", "trees", "", None, None, "",
        f"The column {head!r} names the unit {unit}; the bush file says {trees.dbh_unit}. The column's unit was used.",
        f"Write trees.dbh_unit = \"{unit}\" to agree with the file.",
    )]


def _plausible(dbh_cm: Floats, trees: TreeSettings) -> tuple[Floats, list[Problem], list[Finding]]:
    known = dbh_cm[np.isfinite(dbh_cm) & (dbh_cm > 0.0)]
    median = float(np.median(known)) if known.size else np.nan
    if known.size >= 5 and not MEDIAN_REFUSED_CM[0] <= median <= MEDIAN_REFUSED_CM[1]:
        return dbh_cm, [Problem(
            trees.file, "trees.dbh_unit", f"a median diameter of {median:.3g} cm when read in {trees.dbh_unit}",
            f"a median between {MEDIAN_REFUSED_CM[0]:g} and {MEDIAN_REFUSED_CM[1]:g} cm",
            "The diameters are in another unit; set trees.dbh_unit to in, cm, mm or m.",
        )], []
    findings = []
    if known.size >= 5 and not MEDIAN_DOUBTED_CM[0] <= median <= MEDIAN_DOUBTED_CM[1]:
        findings.append(Finding(
            "DBH_UNIT_DOUBT", "check", "trees", "", median, None, "cm",
            f"Half of the trees are thinner or thicker than {median:.0f} cm, unusual for a sugar bush.",
            "Compare a few trees with the file and check trees.dbh_unit.",
        ))
    odd = (dbh_cm < 0.0) | (dbh_cm > LARGEST_DBH_CM) | (dbh_cm == 0.0)
    if odd.any():
        findings.append(Finding(
            "DBH_IMPLAUSIBLE", "check", "trees", "", float(odd.sum()), LARGEST_DBH_CM, "trees",
            f"{int(odd.sum())} diameters are zero, negative or above {LARGEST_DBH_CM:.0f} cm and were not used.",
            "Measure these trees again; until then they are not tapped.",
        ))
    return np.where(odd, np.nan, dbh_cm), [], findings


# -------------------------------------------------------------------- positions


def _needs_frame(table: Table, trees: TreeSettings) -> bool:
    """Whether the positions mean something only in the plan's own frame."""
    if table.shapes is not None:
        return not (table.crs_wkt or trees.crs)
    heads = list(table.columns)
    lonlat = words.find_column(heads, "lon") and words.find_column(heads, "lat")
    return not lonlat and not trees.crs


def _positions(
    table: Table, trees: TreeSettings, frame: Frame
) -> tuple[Floats, Floats, list[Problem], list[Finding]]:
    """Return plan coordinates, NaN where a row has none."""
    if table.shapes is not None:
        first, second, crs = *_shape_xy(table), table.crs_wkt or trees.crs
    else:
        first, second, crs, problems = _cell_xy(table, trees)
        if problems:
            return first, second, problems, []
    local = crs.strip().lower() == "local"
    if crs and not local and not frame.on_earth:
        return first, second, [Problem(
            trees.file, "trees", "positions on Earth", "x and y in the terrain's local grid",
            "Give the terrain a CRS (terrain.crs), or survey the trees in the local grid.",
        )], []
    x_m, y_m, problems, findings = to_frame(first, second, "" if local else crs, frame, trees.file)
    bad = int((~np.isfinite(x_m)).sum())
    if not problems and bad > MOST_BAD_SHARE * len(table):
        problems = [Problem(
            trees.file, "trees", f"{bad} of {len(table)} rows without a usable position", "a position for each tree",
            "Check the position columns, the CRS and the decimal marks.",
        )]
    return x_m, y_m, problems, findings


def _shape_xy(table: Table) -> tuple[Floats, Floats]:
    points = np.empty(len(table), dtype=object)
    for i, shape in enumerate(map(_single, table.shapes or ())):
        points[i] = shape if isinstance(shape, shapely.Point) and not shape.is_empty else None
    return np.asarray(shapely.get_x(points), dtype=np.float64), np.asarray(shapely.get_y(points), dtype=np.float64)


def _single(shape: object) -> shapely.Geometry | None:
    """Return the one point of a multi-point of one; other shapes as they are."""
    if isinstance(shape, shapely.MultiPoint) and len(shape.geoms) == 1:
        return shape.geoms[0]
    return shape if isinstance(shape, shapely.Geometry) else None


def _cell_xy(table: Table, trees: TreeSettings) -> tuple[Floats, Floats, str, list[Problem]]:
    heads = list(table.columns)
    lon, lat = words.find_column(heads, "lon"), words.find_column(heads, "lat")
    x, y = words.find_column(heads, "x"), words.find_column(heads, "y")
    none = np.full(len(table), np.nan)
    if lon and lat:
        first = np.array([words.degrees(c) for c in table.columns[lon]], dtype=np.float64)
        second = np.array([words.degrees(c) for c in table.columns[lat]], dtype=np.float64)
        return first, second, "EPSG:4326", []
    if x and y:
        first = np.array([words.number(c) for c in table.columns[x]], dtype=np.float64)
        second = np.array([words.number(c) for c in table.columns[y]], dtype=np.float64)
        return first, second, trees.crs, []
    twice = [h for h, k in Counter(map(words.fold, heads)).items() if k > 1]
    return none, none, "", [Problem(
        trees.file, "header", f"the columns {', '.join(heads)[:300]}" + (f" ({twice[0]} twice)" if twice else ""),
        "lon and lat, or x and y", "Name the two position columns lon and lat (degrees) or x and y (with trees.crs).",
    )]
