"""Rebuilds a plan's records from its folder."""

from __future__ import annotations

import json
import re
import sqlite3
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import numpy.typing as npt
import shapely
from shapely.geometry.base import BaseGeometry

from pipeline import bushfile, schema
from pipeline.errors import BushFileError, InputDataError, Problem
from pipeline.findings import Finding
from pipeline.records import (
    CollectionPoint,
    Crossing,
    Flow,
    GroundLayer,
    Grouping,
    Lateral,
    Mainline,
    Pipe,
    Plan,
    Section,
    Support,
    Trees,
)
from pipeline.settings import Settings
from pipeline.store import change_records, geopackage, plan_records
from pipeline.store.exact_json import load
from pipeline.store.terrain_copy import read_terrain_copy
from pipeline.terrain.grid import Terrain

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
_BROKEN = (OSError, RuntimeError, ValueError, KeyError, TypeError, IndexError, AttributeError, sqlite3.Error)


def read_plan(folder: Path) -> tuple[Plan, Terrain, tuple[GroundLayer, ...]]:
    """Return the plan of a folder, its terrain and its ground layers.

    The ground's rasters are made again from the layers by the caller. Writing the
    plan again gives the same ``plan.gpkg``.

    Raises
    ------
    InputDataError
        When the folder is no whole plan.
    """
    _whole(folder)
    try:
        settings = bushfile.parse((folder / "settings.used.toml").read_text(encoding="utf-8"), "settings.used.toml")
        terrain = read_terrain_copy(folder / "terrain.tif")
        package = folder / "plan.gpkg"
        records = dict(geopackage.read_plain(package, geopackage.RECORDS, ["name", "json"]))
        plan = change_records.restored(_plan(package, settings, records), records)
        return plan, terrain, _ground(package, records["ground"])
    except BushFileError as fault:
        raise InputDataError(fault.problems) from fault
    except _BROKEN as fault:
        raise _changed(folder, fault) from fault


def read_gaps(folder: Path) -> tuple[BaseGeometry, ...]:
    """Return the pinned places that open a no-go, from a folder that :func:`read_plan` has read.

    Raises
    ------
    InputDataError
        When the folder does not hold them, or they cannot be read.
    """
    try:
        records = dict(geopackage.read_plain(folder / "plan.gpkg", geopackage.RECORDS, ["name", "json"]))
        return plan_records.gaps_of(records["gaps"])
    except _BROKEN as fault:
        raise _changed(folder, fault) from fault


def _changed(folder: Path, fault: Exception) -> InputDataError:
    return InputDataError([Problem(
        str(folder), "plan.gpkg", f"a plan that cannot be read ({' '.join(str(fault).split())[:150]})",
        "a plan folder as it was written", "Plan again; the folder was changed by another program.",
    )])


def read_issue(folder: Path, revision: str, settings: Settings) -> Plan:
    """Return the plan of an earlier revision that a plan folder keeps for the sheets it issued.

    Raises
    ------
    InputDataError
        When the folder does not hold it, or it cannot be read.
    """
    package = issue_path(folder, revision)
    try:
        if not package.is_file():
            raise FileNotFoundError(f"{package.name} is not there")
        records = dict(geopackage.read_plain(package, geopackage.RECORDS, ["name", "json"]))
        return change_records.restored(_plan(package, settings, records), records)
    except _BROKEN as fault:
        raise InputDataError([Problem(
            str(folder), f"issued/{package.name}", f"an earlier plan that cannot be read ({str(fault)[:150]})",
            "the plan from which sheets still hold", "Restore the folder, or plan again.",
        )]) from fault


def issue_path(folder: Path, revision: str) -> Path:
    """Return where a plan folder keeps the plan of an earlier revision."""
    safe = re.sub(r"[^A-Za-z0-9-]", "_", revision) or "_"
    return folder / "issued" / f"{safe}.gpkg"


def _whole(folder: Path) -> None:
    missing = [n for n in ("plan.gpkg", "terrain.tif", "settings.used.toml") if not (folder / n).is_file()]
    if not missing:
        return
    previous = folder.with_name(folder.name + ".previous")
    found = "no such folder" if not folder.is_dir() else f"a folder without {', '.join(missing)}"
    remedy = (
        f"The last whole plan is in {previous.name}." if (previous / "plan.gpkg").is_file()
        else "Name the folder that 'fallgrade plan' wrote."
    )
    raise InputDataError([Problem(str(folder), "", found, "a plan folder", remedy)])


class _Rows:
    """One layer as lists by column, with texts never missing and floats never None."""

    def __init__(self, frame: geopandas.GeoDataFrame, layer: schema.Layer) -> None:
        self.shapes: list[Any] = list(frame.geometry)
        self.frame = frame
        self.types = {c.name: c.type for c in layer.columns}

    def __len__(self) -> int:
        return len(self.shapes)

    def texts(self, name: str) -> list[str]:
        return [v if isinstance(v, str) else "" for v in self.frame[name]]

    def floats(self, name: str) -> Floats:
        return self.frame[name].to_numpy(dtype=np.float64, na_value=np.nan)  # type: ignore[no-any-return]

    def ints(self, name: str) -> list[int]:
        return [int(v) for v in self.frame[name]]

    def values(self, name: str) -> list[Any]:
        kind = self.types[name]
        if kind == "text":
            return self.texts(name)
        return self.ints(name) if kind == "int" else self.floats(name).tolist()

    def dicts(self, names: tuple[str, ...]) -> list[dict[str, Any]]:
        columns = [self.values(n) for n in names]
        return [dict(zip(names, row, strict=True)) for row in zip(*columns, strict=True)]

    def xy(self) -> tuple[Floats, Floats]:
        shapes = np.array(self.shapes, dtype=object)
        return np.asarray(shapely.get_x(shapes), dtype=np.float64), np.asarray(shapely.get_y(shapes), dtype=np.float64)


def _rows(package: Path, layer: schema.Layer) -> _Rows:
    return _Rows(geopackage.read_layer(package, layer.name), layer)


def _plan(package: Path, settings: Settings, records: dict[str, str]) -> Plan:
    tree_rows = _rows(package, schema.TREES)
    trees = _trees(tree_rows)
    lateral_rows = _rows(package, schema.LATERALS)
    names = {name: i for i, name in enumerate(lateral_rows.texts("lateral_id"))}
    tree_lateral = np.array([names[n] if n else -1 for n in tree_rows.texts("lateral_id")], dtype=np.int64)
    tree_order = np.array(tree_rows.ints("order_on_lateral"), dtype=np.int64)
    return Plan(
        settings=settings, frame=plan_records.frame_of(records["frame"]), trees=trees, tree_lateral=tree_lateral,
        tree_order=tree_order, tree_line_z_m=tree_rows.floats("line_z_m"),
        collections=_collections(_rows(package, schema.COLLECTION)),
        mainlines=_mainlines(_rows(package, schema.MAINLINES), _rows(package, schema.SUPPORTS)),
        grouping=Grouping(
            laterals=_laterals(lateral_rows, tree_lateral, tree_order),
            reason=plan_records.reasons_of(records["grouping"], trees.reason),
            entry_ceiling_z_m=lateral_rows.floats("entry_ceiling_z_m"), **plan_records.bounds_of(records["grouping"]),
        ),
        flow=Flow(
            pipes=tuple(Pipe(**row) for row in _rows(package, schema.PIPES).dicts(schema.PIPES.column_names)),
            stations=plan_records.stations_of(records["stations"]),
            entry_vacuum_kpa=lateral_rows.floats("entry_vacuum_kpa"),
        ),
        crossings=_crossings(_rows(package, schema.CROSSINGS)),
        sections=_sections(_rows(package, schema.SECTIONS), load(records["section_laterals"])),
        takeoff=plan_records.takeoff_of(records["takeoff"]), safety=plan_records.safety_of(records["safety"]),
        findings=_findings(package), not_checked=plan_records.texts_of(records["not_checked"]),
        lift_m=tree_rows.floats("lift_m"), worth_curve=plan_records.worth_of(records["worth_curve"]),
        stats=plan_records.stats_of(records["stats"]), prices=plan_records.prices_of(records["prices"]),
    )


def _trees(rows: _Rows) -> Trees:
    x, y = rows.xy()
    return Trees(
        tree_id=tuple(rows.texts("tree_id")), x_m=x, y_m=y, ground_z_m=rows.floats("ground_z_m"),
        species=tuple(rows.texts("species")), dbh_cm=rows.floats("dbh_cm"),
        taps=np.array(rows.ints("taps"), dtype=np.int64), status=tuple(rows.texts("status")),  # type: ignore[arg-type]
        reason=tuple(rows.texts("reason")), note=tuple(rows.texts("note")),
    )


def _station_order(shape: Any) -> Floats:  # noqa: ANN401 - shapely shapes carry no types here
    """Return the vertices of a line of the folder with the lower end first."""
    xyz: Floats = shapely.get_coordinates(shape, include_z=True)[::-1].copy()
    return xyz


def _laterals(rows: _Rows, tree_lateral: Ints, tree_order: Ints) -> tuple[Lateral, ...]:
    members: list[list[int]] = [[] for _ in range(len(rows))]
    for i in np.lexsort((tree_order, tree_lateral)).tolist():
        if tree_lateral[i] >= 0:
            members[tree_lateral[i]].append(i)
    plain = rows.dicts(("lateral_id", "mainline_id", "entry_station_m", "taps", "grade_confidence"))
    return tuple(
        Lateral(**row, tree=tuple(own), xyz_m=_station_order(shape), pinned=bool(pinned))
        for row, own, shape, pinned in zip(plain, members, rows.shapes, rows.ints("pinned"), strict=True)
    )


def _mainlines(rows: _Rows, supports: _Rows) -> tuple[Mainline, ...]:
    x, y = supports.xy()
    names = (
        "support_id", "mainline_id", "station_m", "kind", "tree_id", "offset_m", "ground_z_m", "line_z_m", "binding",
    )
    held: dict[str, list[Support]] = {}
    for row, sx, sy in zip(supports.dicts(names), x.tolist(), y.tolist(), strict=True):
        held.setdefault(row["mainline_id"], []).append(Support(**row, x_m=sx, y_m=sy))
    plain = rows.dicts(("mainline_id", "parent_id", "collection_id", "join_station_m"))
    return tuple(
        Mainline(**row, supports=tuple(held[row["mainline_id"]]), pinned=bool(pinned))
        for row, pinned in zip(plain, rows.ints("pinned"), strict=True)
    )


def _collections(rows: _Rows) -> tuple[CollectionPoint, ...]:
    x, y = rows.xy()
    plain = rows.dicts(("collection_id", "ground_z_m", "inlet_z_m", "kind"))
    places = zip(plain, x.tolist(), y.tolist(), strict=True)
    return tuple(CollectionPoint(**row, x_m=cx, y_m=cy) for row, cx, cy in places)


def _crossings(rows: _Rows) -> tuple[Crossing, ...]:
    x, y = rows.xy()
    plain = rows.dicts(schema.CROSSINGS.column_names)
    return tuple(Crossing(**row, x_m=cx, y_m=cy) for row, cx, cy in zip(plain, x.tolist(), y.tolist(), strict=True))


def _sections(rows: _Rows, members: list[list[int]]) -> tuple[Section, ...]:
    plain = rows.dicts(("section_id", "taps", "trees", "crew_hours", "check_code", "sheets"))
    texts = zip(rows.texts("pieces"), rows.texts("neighbours"), strict=True)
    return tuple(
        Section(
            **row, lateral=tuple(own), outline=shapely.Polygon() if shape is None else shape,
            pieces=tuple((str(m), float(a), float(b)) for m, a, b in json.loads(pieces)),
            neighbours=tuple((str(s), str(where)) for s, where in json.loads(neighbours)),
        )
        for row, own, shape, (pieces, neighbours) in zip(plain, members, rows.shapes, texts, strict=True)
    )


def _findings(package: Path) -> tuple[Finding, ...]:
    rows = geopackage.read_plain(package, schema.FINDINGS.name, schema.FINDINGS.column_names)
    return tuple(Finding(*row) for row in rows)


def _ground(package: Path, text: str) -> tuple[GroundLayer, ...]:
    layers = []
    taken: dict[str, int] = {}
    read: dict[str, geopandas.GeoDataFrame] = {}
    for kind, source, count, rule in plan_records.ground_rules(text):
        if kind not in read:
            read[kind] = geopackage.read_layer(package, f"ground_{kind}")
        start = taken.get(kind, 0)
        taken[kind] = start + count
        own = read[kind].iloc[start : start + count]
        names = tuple(v if isinstance(v, str) else "" for v in own["name"])
        layers.append(GroundLayer(kind, tuple(own.geometry), names, rule, source))  # type: ignore[arg-type]
    return tuple(layers)
