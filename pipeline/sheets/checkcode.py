"""The short code that tells a fresh sheet from a stale one."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import fields, is_dataclass
from functools import cache, lru_cache
from typing import Any

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from pipeline.records import Change, Floats, Ground, Mainline, Plan, Section, Support
from pipeline.resources import template_bytes
from pipeline.schema import LAYERS
from pipeline.sheets.lookup import line_at, lookup, row_of
from pipeline.sheets.workers import in_order
from pipeline.terrain.grid import Terrain

# A map shows at most this much beyond the lines of its section, as a share of their extent, and never less than
# the least: frames are at most 1.7 times as wide as high or as high as wide, and a scale of the series is at most
# 1.5 times the next.
_AROUND, _AROUND_LEAST_M = 2.0, 120.0
# raised whenever the same plan is printed otherwise: two forms of a sheet never share a code
PRINT_FORMAT = 2
_MANY_SECTIONS, _PROCESSES = 40, 2  # codes of more sections than this are made side by side
Window = tuple[float, float, float, float]


@cache
def _field_names(record: type) -> tuple[str, ...]:
    return tuple(field.name for field in fields(record))


def _canonical(value: object, known: list[str] | None = None) -> list[str]:
    """Return `known` with texts added that name a value completely: floats to a tenth of a millimetre, all fields."""
    out = [] if known is None else known
    kind = type(value)
    if kind is str or kind is int:
        out.append(repr(value))
    elif isinstance(value, float | np.floating):
        out.append(f"{value + 0.0:.4f}")
    elif isinstance(value, dict):
        _canonical(sorted(value.items()), out)
    elif isinstance(value, tuple | list):
        out.append(f"[{len(value)}")
        for item in value:
            _canonical(item, out)
    elif is_dataclass(kind):
        out.append(kind.__name__)
        for name in _field_names(kind):
            _canonical(getattr(value, name), out)
    else:
        out += _plain(value)
    return out


def _plain(value: object) -> tuple[str, ...]:
    """Return the texts of a value that holds no others."""
    if isinstance(value, np.integer | np.bool_):
        return (repr(value.item()),)
    if isinstance(value, np.ndarray):
        exact = np.round(value, 4) + 0.0 if value.dtype.kind == "f" else value
        digest = hashlib.sha256(np.ascontiguousarray(exact).tobytes()).hexdigest()
        return f"{value.shape}{value.dtype.kind}", digest
    return (str(value.wkt),) if isinstance(value, BaseGeometry) else (repr(value),)


def _digest(values: Iterable[Any]) -> str:
    texts: list[str] = []
    for value in values:
        _canonical(value, texts)
    return hashlib.sha256("\x1f".join(texts).encode()).hexdigest()


def _code(values: Iterable[Any]) -> str:
    digest = _digest(values)
    return f"{digest[:4]}-{digest[4:8]}".upper()


def _mainline_part(line: Mainline, low_m: float, high_m: float) -> tuple[Support, ...]:
    return tuple(s for s in line.supports if low_m - 1e-6 <= s.station_m <= high_m + 1e-6)


def _section_data(plan: Plan, section: Section) -> Iterator[Any]:
    known = lookup(plan)
    yield section.section_id, section.pieces, section.neighbours, section.taps, section.trees, section.crew_hours
    for mainline_id, low, high in section.pieces:
        line = known.line[mainline_id]
        yield line.parent_id, line.join_station_m, line.collection_id, _mainline_part(line, low, high)
        yield [
            pipe for pipe in known.pipes.get(mainline_id, ()) if pipe.from_station_m < high and pipe.to_station_m > low
        ]
        yield [c for _, c in known.crossings.get(mainline_id, ()) if low <= c.station_m <= high]
    trees = plan.trees
    for index in section.lateral:
        lateral = plan.laterals[index]
        yield lateral
        yield [(trees.tree_id[t], trees.species[t], int(trees.taps[t]), float(trees.dbh_cm[t])) for t in lateral.tree]
        yield [c for _, c in known.crossings.get(lateral.lateral_id, ())]
    yield plan.safety.get(section.section_id, ())
    yield [part for _, part in known.parts.get(section.section_id, ())]
    yield plan.takeoff.hours_by_section.get(section.section_id, {})
    yield plan.not_checked, plan.settings.sheets, plan.settings.bush, plan.settings.mainlines
    yield section.revision, section.replaces
    if section.revision:
        for change in plan.changes:
            if change.revision == section.revision:
                yield from _change_data(change, section.section_id)


def _change_data(change: Change, section_id: str) -> Iterator[Any]:
    yield change.date, change.source, [(i.number, i.kind, i.note) for i in change.items]
    for rows in (change.changes, change.jobs, change.steps, change.parts, change.sections):
        yield [row for row in rows if row.section_id == section_id]


@cache
def _wording(language: str) -> str:
    """Return a hash of every file whose words a sheet prints."""
    files = (f"words/{language}.toml", f"safety/{language}.toml", "parts.csv", "labour.csv")
    return hashlib.sha256(b"\x1f".join(template_bytes(name) for name in files)).hexdigest()


def _window(plan: Plan, section: Section) -> Window:
    """Return west, south, east, north of what the maps of a section can show."""
    lines = lookup(plan).line
    parts = [np.column_stack(line_at(lines[name], [low, high])[:2]) for name, low, high in section.pieces]
    parts += [np.array([(s.x_m, s.y_m) for s in _mainline_part(lines[name], low, high)]).reshape(-1, 2)
              for name, low, high in section.pieces]
    parts += [plan.laterals[i].xyz_m[:, :2] for i in section.lateral]
    points = np.concatenate(parts)
    low, high = points.min(axis=0), points.max(axis=0)
    more = max(_AROUND_LEAST_M, _AROUND * float((high - low).max()))
    return float(low[0] - more), float(low[1] - more), float(high[0] + more), float(high[1] + more)


@lru_cache(maxsize=2)  # asked for once for every section of a plan
def _line_places(plan: Plan) -> tuple[list[tuple[str, Floats]], Floats]:
    """Return each mainline's ID and places, and their bounds: west, south, east, north."""
    places = [(line.mainline_id, line.xyz_m[:, :2]) for line in plan.mainlines]
    return places, np.array([[*at.min(axis=0), *at.max(axis=0)] for _, at in places]).reshape(-1, 4)


def _surroundings(plan: Plan, window: Window, terrain: Terrain, ground: Ground) -> Iterator[Any]:
    """Yield what the maps of a section draw around its own lines."""
    west, south, east, north = window
    trees = plan.trees
    with np.errstate(invalid="ignore"):
        near = (trees.x_m >= west) & (trees.x_m <= east) & (trees.y_m >= south) & (trees.y_m <= north)
    index = np.flatnonzero(near)
    yield trees.x_m[index], trees.y_m[index]
    yield "|".join(f"{trees.tree_id[t]} {trees.status[t]} {trees.reason[t]}" for t in index.tolist())
    places, box = _line_places(plan)
    close = (box[:, 2] >= west) & (box[:, 0] <= east) & (box[:, 3] >= south) & (box[:, 1] <= north)
    yield from (places[k] for k in np.flatnonzero(close).tolist())
    yield _relief(terrain, window)
    for layer in ground.layers:
        shapes = np.array(layer.shapes, dtype=object)
        if np.isfinite(west):
            shapes = shapely.clip_by_rect(shapes, west, south, east, north)
        for shape, name in zip(shapes.tolist(), layer.names, strict=True):
            if not shape.is_empty:
                yield layer.kind, name, shape.geom_type, np.round(shapely.get_coordinates(shape), 2)


def _relief(terrain: Terrain, window: Window) -> tuple[str, float, float, float]:
    """Return a hash of the elevations in a window, cell size, and what the terrain can prove."""
    west, south, east, north = window
    rows, cols = terrain.shape
    first = np.clip(np.array(terrain.rowcol(west, north)), 0.0, (rows, cols)).astype(np.int64)
    last = np.clip(np.array(terrain.rowcol(east, south)) + 2.0, 0.0, (rows, cols)).astype(np.int64)
    cells = terrain.z_m[first[0]: last[0], first[1]: last[1]]
    digest = hashlib.sha256(np.ascontiguousarray(cells, dtype=np.float32).tobytes()).hexdigest()
    return digest, terrain.cell_m, terrain.vertical_error_m, terrain.x0_m + terrain.y0_m


def _common(plan: Plan, terrain: Terrain) -> Iterator[Any]:
    """Yield what stands on the sheets of every section, and in which form."""
    yield PRINT_FORMAT, [(layer.name, layer.geometry, [column.name for column in layer.columns]) for layer in LAYERS]
    yield _wording(plan.settings.bush.language), plan.frame.name, plan.frame.vertical, plan.frame.crs_wkt
    yield plan.collections, plan.settings.trees, plan.settings.laterals, terrain.source
    # the index inset, and the lines of neighbour sections on the maps
    yield [(s.section_id, s.pieces, np.round(shapely.get_coordinates(s.outline), 1)) for s in plan.sections]
    yield [np.round(line.xyz_m[:, :2], 1) for line in plan.mainlines]


def _common_digest(plan: Plan, terrain: Terrain) -> str:
    return _digest(_common(plan, terrain))


def check_code(
    plan: Plan, section: Section, *, terrain: Terrain, ground: Ground, common: str = ""
) -> str:
    """Return eight hexadecimal digits (``68CD-5863``) made from everything that a section's sheets print.

    Two sheets with the same code say the same. A change of any height, position, tap, part, caution, word, layer or
    elevation on them gives another code; so may a change just beyond the edge of their maps. ``common`` is what all
    sections share, when it is known already.
    """
    around = _surroundings(plan, _window(plan, section), terrain, ground)
    shared = common or _common_digest(plan, terrain)
    return _code([shared, *_section_data(plan, section), *_joined(plan, section), *around])


def _joined(plan: Plan, section: Section) -> Iterator[Any]:
    """Yield the branches that join the section's mainlines, and the trees that hold its lines."""
    known = lookup(plan)
    joining = {m.mainline_id for name in section.mainline_ids for m in known.branches.get(name, ())}
    yield [(m.mainline_id, m.parent_id, m.join_station_m) for m in plan.mainlines if m.mainline_id in joining]
    held = {s.tree_id for name in section.mainline_ids for s in known.line[name].supports if s.tree_id}
    trees = plan.trees
    rows = row_of(trees)
    yield [
        (trees.tree_id[t], trees.species[t], float(trees.dbh_cm[t]))
        for t in sorted(rows[tag] for tag in held if tag in rows)
    ]
    yield [(float(trees.ground_z_m[t])) for i in section.lateral for t in plan.laterals[i].tree]


def all_codes(plan: Plan, *, terrain: Terrain, ground: Ground) -> dict[str, str]:
    """Return the check code of every section by its ID, and of the whole plan under ``""``.

    The plan's code covers all its sections and what no section holds.
    """
    common = _common_digest(plan, terrain)
    own = [s.section_id for s in plan.sections if not s.issued_in]
    many = len(own) > _MANY_SECTIONS
    made = in_order(
        lambda name: check_code(plan, lookup(plan).section[name], terrain=terrain, ground=ground, common=common),
        own, processes=_PROCESSES if many else 1,
    )
    new = dict(zip(own, made, strict=True))
    codes = {s.section_id: new.get(s.section_id, s.check_code) for s in plan.sections}
    for change in plan.changes:  # a section that is given up has no data left but what goes
        codes.update({
            s.section_id: _code(_change_data(change, s.section_id)) for s in change.sections if s.retired
        })
    trees = plan.trees
    whole = (-np.inf, -np.inf, np.inf, np.inf)
    rest = (
        plan.collections, plan.flow.stations, plan.takeoff.total, plan.takeoff.hours_by_section, plan.findings,
        trees.status, trees.reason, plan.lift_m, plan.worth_curve, plan.settings, plan.not_checked,
        [float(lateral.length_m) for lateral in plan.laterals],
    )
    return {**codes, "": _code([codes, *rest, common, *_surroundings(plan, whole, terrain, ground)])}
