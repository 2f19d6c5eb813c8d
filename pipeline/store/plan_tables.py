"""Turns a plan into the layers of ``plan.gpkg``: one table of columns and shapes per layer.

Columns come in the order of :mod:`pipeline.schema`; a few more follow where reading
the plan back needs them. Lines are turned round here: their first vertex is the top,
the last the outlet.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Sequence

import numpy as np
import numpy.typing as npt
import pyproj
import shapely
from shapely.geometry.base import BaseGeometry

from pipeline import schema
from pipeline.frame import Frame
from pipeline.records import GroundLayer, Mainline, Pipe, Plan, Station, Support
from pipeline.store import change_records
from pipeline.store.layer_table import Cells, LayerTable
from pipeline.units import CFM_M3_S

Floats = npt.NDArray[np.float64]


def all_tables(plan: Plan) -> tuple[LayerTable, ...]:
    """Return every layer of the contract, in its order."""
    return (
        trees(plan), laterals(plan), mainlines(plan), pipes(plan), supports(plan), sections(plan), collection(plan),
        crossings(plan), findings(plan), *([change_records.table(plan.changes)] if plan.changes else []),
    )


def _table(layer: schema.Layer, shapes: npt.NDArray[np.object_] | None, columns: dict[str, Cells]) -> LayerTable:
    missing = [n for n in layer.column_names if n not in columns]
    if missing:
        raise ValueError(f"layer {layer.name} lacks the columns {missing}")
    ordered = {n: columns[n] for n in layer.column_names}
    return LayerTable(layer.name, layer.geometry, shapes, {**ordered, **columns})


def _points(x: Iterable[float], y: Iterable[float]) -> npt.NDArray[np.object_]:
    """Return points; None where a coordinate is NaN."""
    xy = np.column_stack([np.fromiter(x, dtype=np.float64), np.fromiter(y, dtype=np.float64)]).reshape(-1, 2)
    shapes = np.empty(len(xy), dtype=object)
    fine = np.isfinite(xy).all(axis=1)
    shapes[fine] = shapely.points(xy[fine])
    return shapes


def _lines(lines: Sequence[Floats]) -> npt.NDArray[np.object_]:
    """Return lines in flow direction of vertices in station order."""
    shapes = np.empty(len(lines), dtype=object)
    for i, xyz in enumerate(lines):
        shapes[i] = shapely.linestrings(xyz[::-1])
    return shapes


def section_of_lateral(plan: Plan) -> dict[int, str]:
    """Return the section that builds each lateral."""
    return {index: s.section_id for s in plan.sections for index in s.lateral}


def trees(plan: Plan) -> LayerTable:
    """Return the layer of all trees of the survey."""
    t = plan.trees
    built = section_of_lateral(plan)
    names = [lat.lateral_id for lat in plan.laterals]
    index = plan.tree_lateral.tolist()
    return _table(schema.TREES, _points(t.x_m, t.y_m), {
        "tree_id": t.tree_id, "species": t.species, "dbh_cm": t.dbh_cm, "taps": t.taps, "status": t.status,
        "reason": t.reason, "lateral_id": [names[i] if i >= 0 else "" for i in index],
        "section_id": [built.get(i, "") for i in index], "order_on_lateral": plan.tree_order,
        "ground_z_m": t.ground_z_m, "line_height_m": plan.tree_line_z_m - t.ground_z_m, "lift_m": plan.lift_m,
        "note": t.note, "line_z_m": plan.tree_line_z_m,
    })


def laterals(plan: Plan) -> LayerTable:
    """Return the layer of laterals."""
    built = section_of_lateral(plan)
    lats = plan.laterals
    return _table(schema.LATERALS, _lines([lat.xyz_m for lat in lats]), {
        "lateral_id": [lat.lateral_id for lat in lats], "section_id": [built.get(i, "") for i in range(len(lats))],
        "mainline_id": [lat.mainline_id for lat in lats], "entry_station_m": [lat.entry_station_m for lat in lats],
        "trees": [len(lat.tree) for lat in lats], "taps": [lat.taps for lat in lats],
        "length_m": [lat.length_m for lat in lats], "fall_m": [lat.fall_m for lat in lats],
        "min_grade_pct": [lat.min_grade_pct for lat in lats],
        "grade_confidence": [lat.grade_confidence for lat in lats], "entry_vacuum_kpa": plan.flow.entry_vacuum_kpa,
        "entry_ceiling_z_m": plan.grouping.entry_ceiling_z_m, "pinned": [int(lat.pinned) for lat in lats],
    })


def taps_of_lines(plan: Plan) -> tuple[dict[str, int], dict[str, int]]:
    """Return taps of each mainline's own laterals, and with those of all its branches."""
    own: Counter[str] = Counter()
    for lat in plan.laterals:
        own[lat.mainline_id] += lat.taps
    parent = {m.mainline_id: m.parent_id for m in plan.mainlines}
    total = {m.mainline_id: 0 for m in plan.mainlines}
    for name in parent:
        up: str = name
        for _ in range(len(parent)):
            if up not in total:
                break
            total[up] += own[name]
            up = parent[up]
    return {name: own[name] for name in parent}, total


def _spans_pct(line: Mainline) -> Floats:
    """Return the fall of each span in percent, towards the lower end."""
    xyz = line.xyz_m
    run = np.hypot(*np.diff(xyz[:, :2], axis=0).T)
    spans: Floats = 100.0 * np.diff(xyz[:, 2]) / np.maximum(run, 1e-9)
    return spans


def mainlines(plan: Plan) -> LayerTable:
    """Return the layer of mainlines; Z is the hung line."""
    lines = plan.mainlines
    own, total = taps_of_lines(plan)
    through = {
        m.mainline_id: ";".join(s.section_id for s in plan.sections if m.mainline_id in s.mainline_ids) for m in lines
    }
    return _table(schema.MAINLINES, _lines([m.xyz_m for m in lines]), {
        "mainline_id": [m.mainline_id for m in lines], "parent_id": [m.parent_id for m in lines],
        "collection_id": [m.collection_id for m in lines], "join_station_m": [m.join_station_m for m in lines],
        "length_m": [m.length_m for m in lines],
        "fall_m": [m.supports[-1].line_z_m - m.supports[0].line_z_m for m in lines],
        "min_grade_pct": [float(_spans_pct(m).min()) for m in lines],
        "taps_own": [own[m.mainline_id] for m in lines], "taps_total": [total[m.mainline_id] for m in lines],
        "section_id": [through[m.mainline_id] for m in lines], "pinned": [int(m.pinned) for m in lines],
    })


def _stretch(line: Mainline, pipe: Pipe) -> Floats:
    """Return the vertices of a pipe in station order: its ends and the supports between."""
    station = line.station_m
    inner = (station > pipe.from_station_m) & (station < pipe.to_station_m)
    ends = np.column_stack(line.at([pipe.from_station_m, pipe.to_station_m]))
    return np.vstack([ends[:1], line.xyz_m[inner], ends[1:]])


def pipes(plan: Plan) -> LayerTable:
    """Return the layer of pipes."""
    by_id = {m.mainline_id: m for m in plan.mainlines}
    rows = plan.flow.pipes
    names = schema.PIPES.column_names
    return _table(
        schema.PIPES, _lines([_stretch(by_id[p.mainline_id], p) for p in rows]),
        {n: [getattr(p, n) for p in rows] for n in names},
    )


def bearings_deg(frame: Frame, x: Floats, y: Floats) -> Floats:
    """Return the true bearing from each point to the next; grid bearings on a local grid; one fewer than points."""
    if len(x) < 2:
        return np.empty(0)
    if frame.on_earth:
        lon, lat = frame.lonlat(x, y)
        azimuth, _, _ = pyproj.Geod(ellps="WGS84").inv(lon[:-1], lat[:-1], lon[1:], lat[1:])
    else:
        azimuth = np.degrees(np.arctan2(np.diff(x), np.diff(y)))
    result: Floats = np.asarray(azimuth, dtype=np.float64) % 360.0
    return result


def supports(plan: Plan) -> LayerTable:
    """Return the layer of supports, mainline by mainline, counted upward."""
    every: list[Support] = [s for m in plan.mainlines for s in m.supports]
    grade: list[float] = []
    bearing: list[float] = []
    distance: list[float] = []
    for m in plan.mainlines:
        xyz = m.xyz_m
        grade += [*_spans_pct(m).tolist(), np.nan]
        distance += [*np.hypot(*np.diff(xyz[:, :2], axis=0).T).tolist(), np.nan]
        bearing += [*bearings_deg(plan.frame, xyz[:, 0], xyz[:, 1]).tolist(), np.nan]
    lon, lat = plan.frame.lonlat([s.x_m for s in every], [s.y_m for s in every])
    ladder = plan.settings.mainlines.ladder_m
    plain = ("support_id", "mainline_id", "station_m", "kind", "tree_id", "ground_z_m", "line_z_m", "height_m",
             "offset_m", "binding")
    columns: dict[str, Cells] = {n: [getattr(s, n) for s in every] for n in plain}
    return _table(schema.SUPPORTS, _points((s.x_m for s in every), (s.y_m for s in every)), {
        **columns, "grade_to_next_pct": grade, "bearing_to_next_deg": bearing, "distance_to_next_m": distance,
        "reach": ["ladder" if s.height_m > ladder else "ground" for s in every], "lon": lon, "lat": lat,
    })


def sections(plan: Plan) -> LayerTable:
    """Return the layer of sections."""
    rows = plan.sections
    shapes = np.empty(len(rows), dtype=object)
    shapes[:] = [_polygon(s.outline) for s in rows]
    return _table(schema.SECTIONS, shapes, {
        "section_id": [s.section_id for s in rows], "mainline_ids": [";".join(s.mainline_ids) for s in rows],
        "taps": [s.taps for s in rows], "trees": [s.trees for s in rows], "laterals": [len(s.lateral) for s in rows],
        "sheets": [s.sheets for s in rows], "crew_hours": [s.crew_hours for s in rows],
        "check_code": [s.check_code for s in rows], "pieces": [json.dumps(s.pieces) for s in rows],
        "neighbours": [json.dumps(s.neighbours) for s in rows],
    })


def _polygon(shape: BaseGeometry) -> BaseGeometry | None:
    """Return a single polygon as such, several as a multi-polygon, nothing for an empty shape."""
    if shape.is_empty:
        return None
    if isinstance(shape, shapely.MultiPolygon) and len(shape.geoms) == 1:
        only: BaseGeometry = shape.geoms[0]
        return only
    return shape


def collection(plan: Plan) -> LayerTable:
    """Return the layer of collection points with what stands there."""
    by_id = {s.collection_id: s for s in plan.flow.stations}
    rows = plan.collections
    none = Station("", 0, 0.0, 0.0, 0.0, 0.0, 0.0, np.nan, np.nan)
    at = [by_id.get(c.collection_id, none) for c in rows]
    return _table(schema.COLLECTION, _points((c.x_m for c in rows), (c.y_m for c in rows)), {
        "collection_id": [c.collection_id for c in rows], "inlet_z_m": [c.inlet_z_m for c in rows],
        "taps": [s.taps for s in at], "peak_flow_l_min": [s.peak_flow_l_min for s in at],
        "pump_cfm": [s.pump_air_m3_s / CFM_M3_S for s in at], "releaser_l_min": [s.releaser_l_min for s in at],
        "tank_l": [s.tank_l for s in at], "kind": [c.kind for c in rows], "ground_z_m": [c.ground_z_m for c in rows],
        "vacuum_kpa": [s.vacuum_kpa for s in at], "farthest_vacuum_kpa": [s.farthest_vacuum_kpa for s in at],
        "moisture_trap_l": [s.moisture_trap_l for s in at],
        "arithmetic": [json.dumps(s.arithmetic, ensure_ascii=False) for s in at],
    })


def crossings(plan: Plan) -> LayerTable:
    """Return the layer of crossings."""
    rows = plan.crossings
    columns: dict[str, Cells] = {n: [getattr(c, n) for c in rows] for n in schema.CROSSINGS.column_names}
    return _table(schema.CROSSINGS, _points((c.x_m for c in rows), (c.y_m for c in rows)), columns)


def findings(plan: Plan) -> LayerTable:
    """Return the table of findings."""
    rows = plan.findings
    columns: dict[str, Cells] = {}
    for column in schema.FINDINGS.columns:
        values = [getattr(f, column.name) for f in rows]
        columns[column.name] = [np.nan if v is None else v for v in values] if column.type == "float" else values
    return _table(schema.FINDINGS, None, columns)


def ground(layers: Sequence[GroundLayer]) -> tuple[LayerTable, ...]:
    """Return one layer ``ground_KIND`` per kind, in the order in which the kinds first come."""
    by_kind: dict[str, list[GroundLayer]] = {}
    for layer in layers:
        by_kind.setdefault(layer.kind, []).append(layer)
    tables = []
    for kind, same in by_kind.items():
        shapes = [s for layer in same for s in layer.shapes]
        array = np.empty(len(shapes), dtype=object)
        array[:] = shapes
        names = [n for layer in same for n in layer.names]
        tables.append(LayerTable(f"ground_{kind}", "Unknown", array, {"name": names}))
    return tuple(tables)
