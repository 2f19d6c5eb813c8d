"""The short code that tells a fresh sheet from a stale one."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator
from dataclasses import fields, is_dataclass
from typing import Any

import numpy as np
from shapely.geometry.base import BaseGeometry

from pipeline.records import Change, Mainline, Plan, Section, Support


def _canonical(value: object) -> Iterator[str]:
    """Yield texts that name a value completely: floats to a tenth of a millimetre, records by field."""
    if isinstance(value, float | np.floating):
        yield f"{value + 0.0:.4f}"
    elif isinstance(value, np.integer | np.bool_):
        yield repr(value.item())
    elif isinstance(value, np.ndarray):
        yield from _canonical(value.tolist())
    elif isinstance(value, dict):
        yield from _canonical(sorted(value.items()))
    elif isinstance(value, tuple | list):
        yield f"[{len(value)}"
        for item in value:
            yield from _canonical(item)
    elif is_dataclass(value) and not isinstance(value, type):
        yield type(value).__name__
        for field in fields(value):
            yield from _canonical(getattr(value, field.name))
    elif isinstance(value, BaseGeometry):
        yield str(value.wkt)
    else:
        yield repr(value)


def _code(values: Iterable[Any]) -> str:
    digest = hashlib.sha256("\x1f".join(t for value in values for t in _canonical(value)).encode()).hexdigest()
    return f"{digest[:4]}-{digest[4:8]}".upper()


def _mainline_part(line: Mainline, low_m: float, high_m: float) -> tuple[Support, ...]:
    return tuple(s for s in line.supports if low_m - 1e-6 <= s.station_m <= high_m + 1e-6)


def _section_data(plan: Plan, section: Section) -> Iterator[Any]:
    lines = {line.mainline_id: line for line in plan.mainlines}
    yield section.section_id, section.pieces, section.neighbours, section.taps, section.trees, section.crew_hours
    for mainline_id, low, high in section.pieces:
        line = lines[mainline_id]
        yield line.parent_id, line.join_station_m, line.collection_id, _mainline_part(line, low, high)
        yield [
            pipe for pipe in plan.flow.pipes
            if pipe.mainline_id == mainline_id and pipe.from_station_m < high and pipe.to_station_m > low
        ]
        yield [c for c in plan.crossings if c.line_id == mainline_id and low <= c.station_m <= high]
    trees = plan.trees
    for index in section.lateral:
        lateral = plan.laterals[index]
        yield lateral
        yield [(trees.tree_id[t], trees.species[t], int(trees.taps[t]), float(trees.dbh_cm[t])) for t in lateral.tree]
        yield [c for c in plan.crossings if c.line_id == lateral.lateral_id]
    yield plan.safety.get(section.section_id, ())
    yield [part for part in plan.takeoff.by_section if part.section_id == section.section_id]
    yield plan.takeoff.hours_by_section.get(section.section_id, {})
    yield plan.not_checked, plan.settings.sheets, plan.settings.bush, plan.settings.mainlines
    if section.revision:
        yield section.revision, section.replaces
        for change in plan.changes:
            if change.revision == section.revision:
                yield from _change_data(change, section.section_id)


def _change_data(change: Change, section_id: str) -> Iterator[Any]:
    yield change.date, change.source, [(i.number, i.kind, i.note) for i in change.items]
    for rows in (change.changes, change.jobs, change.steps, change.parts, change.sections):
        yield [row for row in rows if row.section_id == section_id]


def check_code(plan: Plan, section: Section) -> str:
    """Return eight hexadecimal digits (``68CD-5863``) made from all planned data on a section's sheets.

    Two sheets with the same code say the same; a change of any height, position, tap, part,
    caution, revision or plan date gives another code.
    """
    return _code(_section_data(plan, section))


def all_codes(plan: Plan) -> dict[str, str]:
    """Return the check code of every section by its ID, and of the whole plan under ``""``.

    The plan's code covers all its sections and what no section holds.
    """
    codes = {
        section.section_id: section.check_code if section.issued_in else check_code(plan, section)
        for section in plan.sections
    }
    for change in plan.changes:  # a section that is given up has no data left but what goes
        codes.update({
            s.section_id: _code(_change_data(change, s.section_id)) for s in change.sections if s.retired
        })
    trees = plan.trees
    rest = (plan.collections, plan.flow.stations, plan.takeoff.total, plan.findings, trees.status, trees.reason)
    return {**codes, "": _code([codes, rest])}
