"""Reads ground layers, pins and collection points into the plan's frame."""

from __future__ import annotations

import difflib
import math
from collections.abc import Callable
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pyproj
import shapely
from shapely.geometry.base import BaseGeometry

from pipeline.errors import InputDataError, Problem
from pipeline.findings import Finding
from pipeline.frame import Frame
from pipeline.records import CollectionPoint, GroundLayer, Pins
from pipeline.settings import CollectionSettings, GroundKind, GroundLayerSettings, Settings
from pipeline.store import guard, words
from pipeline.store.project import parse_crs
from pipeline.store.tables import Table, read_table, remark_findings
from pipeline.terrain.grid import Terrain

Floats = npt.NDArray[np.float64]
_NEEDS_AREA = frozenset({"property"})


def read_ground_layers(settings: Settings, base: Path, frame: Frame) -> tuple[GroundLayer, ...]:
    """Return the ground layers of the bush file in the plan's frame, in the order of their kinds.

    Shapes are made valid; rows without a shape are left out and counted in ``source``.

    Raises
    ------
    InputDataError
        With every problem of every layer.
    """
    return read_ground_report(settings, base, frame)[0]


def read_ground_report(
    settings: Settings, base: Path, frame: Frame
) -> tuple[tuple[GroundLayer, ...], tuple[Finding, ...]]:
    """Return the layers as :func:`read_ground_layers` does, and what was noticed about their shapes."""
    layers: list[GroundLayer] = []
    problems: list[Problem] = []
    findings: list[Finding] = []
    for kind in sorted(settings.ground):
        rule = settings.ground[kind]
        table, wrong = _table(base, rule.file, f"ground.{kind}", rule.layer, kind)
        if table is None or wrong:
            problems += wrong
            continue
        layer, found, wrong = _ground_layer(kind, rule, table, frame)
        problems += wrong
        findings += found
        if layer is not None:
            layers.append(layer)
    if problems:
        raise InputDataError(problems)
    return tuple(layers), tuple(findings)


def _table(base: Path, file: str, where: str, layer: str, likely: str = "") -> tuple[Table | None, list[Problem]]:
    path = guard.locate(base, file, f"{where}.file")
    if isinstance(path, Problem):
        return None, [path]
    table, problems = read_table(path, file, where, layer)
    if table is None and not layer and likely:
        # several layers and none named: the one called like the kind is meant
        table, again = read_table(path, file, where, likely)
        problems = again if table is not None else problems
    if table is not None and table.shapes is None:
        return None, [Problem(file, where, "a table without shapes", "lines, areas or points",
                              "Save the layer as GeoPackage or GeoJSON.")]
    return table, problems


def _ground_layer(
    kind: GroundKind, rule: GroundLayerSettings, table: Table, frame: Frame
) -> tuple[GroundLayer | None, list[Finding], list[Problem]]:
    moved, problem = _into_frame(table, frame, rule.file, f"ground.{kind}")
    if problem is not None:
        return None, [], [problem]
    head = words.find_column(list(table.columns), "id") or next(iter(table.columns), "")
    named = table.columns.get("name", table.columns.get("Name", table.columns.get(head, ("",) * len(table))))
    kept: list[tuple[BaseGeometry, str]] = []
    empty = mended = 0
    for shape, name in zip(moved, named, strict=True):
        sound, was_broken = _sound(shape)
        mended += was_broken
        if sound is None:
            empty += 1
        else:
            kept.append((sound, words.clean(name, 60)))
    problems = _area_problems(kind, rule, kept)
    source = f"{rule.file}" + (f", layer {table.layer}" if table.layer else "")
    findings = _shape_findings(kind, source, empty, mended, len(kept))
    findings += remark_findings(table, rule.file, "ground", kind)
    note = f" ({empty} rows without a shape)" if empty else ""
    layer = GroundLayer(kind, tuple(s for s, _ in kept), tuple(n for _, n in kept), rule, source + note)
    return layer, findings, problems


def _area_problems(kind: GroundKind, rule: GroundLayerSettings, kept: list[tuple[BaseGeometry, str]]) -> list[Problem]:
    if kind in _NEEDS_AREA and not any(shapely.area(s) > 0.0 for s, _ in kept):
        found = "no shapes" if not kept else "lines or points only"
        return [Problem(rule.file, f"ground.{kind}", found, "at least one area",
                        "Close the boundary line to a polygon and save it.")]
    return []


def _sound(shape: BaseGeometry | None) -> tuple[BaseGeometry | None, bool]:
    """Return a valid two-dimensional shape (None when nothing is left) and whether it had to be mended."""
    if shape is None or shape.is_empty or not np.all(np.isfinite(shapely.bounds(shape))):
        return None, False
    flat = shapely.force_2d(shape)
    if flat.is_valid:
        return flat, False
    mended = shapely.make_valid(flat)
    return (None if mended.is_empty else mended), True


def _shape_findings(kind: str, source: str, empty: int, mended: int, kept: int) -> list[Finding]:
    findings = []
    if empty:
        findings.append(Finding(
            "GROUND_EMPTY_SHAPE", "check", "ground", kind, float(empty), 0.0, "shapes",
            f"{empty} rows of {source} have no usable shape and were left out; {kept} were read.",
            "Open the layer and redraw or delete these rows.",
        ))
    if mended:
        findings.append(Finding(
            "GROUND_MENDED_SHAPE", "note", "ground", kind, float(mended), 0.0, "shapes",
            f"{mended} shapes of {source} cross themselves and were mended.",
            "Look at them on the map: a bow-tie may enclose other ground than was meant.",
        ))
    if not kept:
        findings.append(Finding(
            "GROUND_LAYER_EMPTY", "check", "ground", kind, 0.0, None, "shapes",
            f"{source} holds no shapes: nothing of this kind was checked.",
            "If there is none on this land, leave the layer in; otherwise draw it.",
        ))
    return findings


def _into_frame(
    table: Table, frame: Frame, file: str, where: str
) -> tuple[list[BaseGeometry | None], Problem | None]:
    shapes = list(table.shapes or ())
    if not frame.on_earth:
        if table.crs_wkt and not _undefined(table.crs_wkt):
            return shapes, Problem(file, where, "a layer with a place on Earth", "the terrain's local grid",
                                   "Give the terrain a CRS (terrain.crs), or draw the layer in the local grid.")
        return shapes, None
    crs = parse_crs(table.crs_wkt) if table.crs_wkt and not _undefined(table.crs_wkt) else None
    if crs is None:
        return shapes, Problem(file, where, "no CRS", "a layer that says its CRS",
                               "Save the layer with its CRS; for a shapefile copy the .prj file too.")
    change = changer(crs, frame)
    return [None if s is None else change(s) for s in shapes], None


def _undefined(wkt: str) -> bool:
    return "undefined" in wkt.lower()[:120] or wkt.upper().startswith(("LOCAL_CS", "ENGCRS"))


def changer(crs: pyproj.CRS, frame: Frame) -> Callable[[BaseGeometry], BaseGeometry]:
    """Return what brings a shape of a CRS into the plan's frame."""
    one = pyproj.Transformer.from_crs(crs, pyproj.CRS.from_wkt(frame.crs_wkt), always_xy=True)

    def change(shape: BaseGeometry) -> BaseGeometry:
        def move(xy: Floats) -> Floats:
            x, y = one.transform(xy[:, 0], xy[:, 1])
            return np.column_stack([x, y, xy[:, 2]]) if xy.shape[1] == 3 else np.column_stack([x, y])

        moved: BaseGeometry = shapely.transform(shape, move, include_z=bool(shapely.has_z(shape)))
        return moved

    return change


# ------------------------------------------------------------------------ pins


def read_pins(settings: Settings, base: Path, frame: Frame, terrain: Terrain | None = None) -> Pins:
    """Return lines to keep, gaps and places to avoid.

    Parameters
    ----------
    settings : Settings
    base : Path
    frame : Frame
    terrain : Terrain, optional
        Gives lines without heights their ground, and the aim height is added to it;
        without a terrain such lines are a problem.

    Returns
    -------
    Pins
        Lines in station order: a line with heights begins at its lower end. A line
        on the ground begins at the lower ground of its two ends.

    Raises
    ------
    InputDataError
    """
    if not settings.pins.file:
        return Pins()
    problems: list[Problem] = []
    gaps = _areas(settings, base, frame, settings.pins.gaps_layer, "pins.gaps_layer", problems)
    avoid = _areas(settings, base, frame, settings.pins.avoid_layer, "pins.avoid_layer", problems)
    lines: dict[str, Floats] = {}
    parent: dict[str, str] = {}
    if settings.pins.lines_layer:
        lines, parent = _pinned_lines(settings, base, frame, terrain, problems)
    if problems:
        raise InputDataError(problems)
    return Pins(lines=lines, parent=parent, gaps=gaps, avoid=avoid)


def _pin_shapes(
    settings: Settings, base: Path, frame: Frame, layer: str, where: str, problems: list[Problem]
) -> tuple[Table | None, list[BaseGeometry | None]]:
    table, wrong = _table(base, settings.pins.file, where, layer)
    problems += wrong
    if table is None or wrong:
        return None, []
    moved, problem = _into_frame(table, frame, settings.pins.file, where)
    if problem is not None:
        problems.append(problem)
        return None, []
    return table, moved


def _areas(
    settings: Settings, base: Path, frame: Frame, layer: str, where: str, problems: list[Problem]
) -> tuple[BaseGeometry, ...]:
    if not layer:
        return ()
    _, shapes = _pin_shapes(settings, base, frame, layer, where, problems)
    return tuple(s for s, _ in map(_sound, shapes) if s is not None)


def _pinned_lines(
    settings: Settings, base: Path, frame: Frame, terrain: Terrain | None, problems: list[Problem]
) -> tuple[dict[str, Floats], dict[str, str]]:
    file, where = settings.pins.file, "pins.lines_layer"
    table, shapes = _pin_shapes(settings, base, frame, settings.pins.lines_layer, where, problems)
    if table is None:
        return {}, {}
    blank = ("",) * len(table)
    ids = table.columns.get("mainline_id", table.columns.get(words.find_column(list(table.columns), "id"), blank))
    parents = table.columns.get("parent_id", blank)
    lines: dict[str, Floats] = {}
    parent: dict[str, str] = {}
    for tag, above, shape, row in zip(ids, parents, shapes, table.row.tolist(), strict=True):
        name = words.clean(tag, 40) or f"M{row}"
        place = f"{where}, row {row}"
        xyz = _vertices(shape, terrain, settings.mainlines.aim_m)
        if xyz is None:
            problems.append(Problem(file, place, "no single line on the terrain", "one LineString on the terrain",
                                    "Draw each mainline as one line inside the terrain."))
        elif name in lines:
            problems.append(Problem(file, place, f"the name {name!r} twice", "each mainline once",
                                    "Give each line its own mainline_id."))
        else:
            lines[name] = xyz
            parent[name] = words.clean(above, 40)
    unknown = sorted({p for p in parent.values() if p and p not in lines})
    problems += [Problem(file, where, f"the parent {p!r}", f"one of {', '.join(lines)}"[:200],
                         _nearest(p, lines)) for p in unknown]
    return lines, parent


def _nearest(name: str, known: dict[str, Floats]) -> str:
    close = difflib.get_close_matches(name, list(known), 1)
    return f"Did you mean {close[0]!r}?" if close else "Name a line of this layer, or leave parent_id empty."


def _vertices(shape: BaseGeometry | None, terrain: Terrain | None, aim_m: float) -> Floats | None:
    if isinstance(shape, shapely.MultiLineString):
        shape = shapely.line_merge(shape)
    if not isinstance(shape, shapely.LineString) or shape.is_empty or not np.all(np.isfinite(shapely.bounds(shape))):
        return None
    xyz = shapely.get_coordinates(shape, include_z=True)
    hung = bool(np.all(np.isfinite(xyz[:, 2])) and np.any(xyz[:, 2] != 0.0))
    if not hung and terrain is None:
        return None
    z = xyz[:, 2] if hung or terrain is None else terrain.sample(xyz[:, 0], xyz[:, 1]) + aim_m
    if not np.all(np.isfinite(z)):
        return None
    full = np.column_stack([xyz[:, :2], z])
    return full[::-1].copy() if z[0] > z[-1] else full


# ----------------------------------------------------------------- collection


def read_collections(settings: Settings, frame: Frame, terrain: Terrain) -> tuple[CollectionPoint, ...]:
    """Return the collection points, in the order of the bush file.

    Raises
    ------
    InputDataError
        When a point has no place, lies off the terrain, or two share an ID.
    """
    problems: list[Problem] = []
    points: list[CollectionPoint] = []
    for i, asked in enumerate(settings.collection):
        where = f"collection {i + 1} ({asked.collection_id})"
        if any(p.collection_id == asked.collection_id for p in points):
            problems.append(Problem("bush file", where, f"the id {asked.collection_id!r} twice", "each id once",
                                    "Give each point its own id."))
            continue
        place = _place(asked, frame, where)
        if isinstance(place, Problem):
            problems.append(place)
            continue
        x, y = place
        ground = float(terrain.sample(x, y))
        if math.isnan(ground):
            problems.append(_off_terrain(asked, terrain, x, y, where))
            continue
        points.append(CollectionPoint(asked.collection_id, x, y, ground, ground + asked.inlet_height_m, asked.kind))
    if not settings.collection:
        problems.append(Problem("bush file", "collection", "no collection point", "at least one",
                                "Add a [[collection]] table."))
    if problems:
        raise InputDataError(problems)
    return tuple(points)


def _place(asked: CollectionSettings, frame: Frame, where: str) -> tuple[float, float] | Problem:
    lonlat = not (math.isnan(asked.lon) or math.isnan(asked.lat))
    xy = not (math.isnan(asked.x) or math.isnan(asked.y))
    if lonlat == xy:
        found = "both lon/lat and x/y" if lonlat else "no full position"
        return Problem("bush file", where, found, "lon and lat, or x and y", "Write one of the two pairs.")
    if xy:
        return asked.x, asked.y
    if not frame.on_earth:
        return Problem("bush file", where, "lon and lat", "x and y, because the terrain is a local grid",
                       "Write x and y in the grid.")
    x, y = frame.from_lonlat(asked.lon, asked.lat)
    return float(x), float(y)


def _off_terrain(
    asked: CollectionSettings, terrain: Terrain, x: float, y: float, where: str
) -> Problem:
    frame = terrain.frame
    west, south, east, north = terrain.bounds
    swapped = False
    if frame.on_earth and not math.isnan(asked.lon) and abs(asked.lon) <= 90.0:
        sx, sy = frame.from_lonlat(asked.lat, asked.lon)
        swapped = bool(np.isfinite(sx) and np.isfinite(terrain.sample(sx, sy)))
    inside = west <= x <= east and south <= y <= north
    found = "a hole of the terrain" if inside else f"x {x:.0f}, y {y:.0f}, off the terrain"
    return Problem(
        "bush file", where, found, f"x {west:.0f} to {east:.0f}, y {south:.0f} to {north:.0f} m, on ground",
        "Longitude and latitude look swapped." if swapped else "Check the position, its sign and the terrain's extent.",
    )
