"""Repairs of a plan as JSON texts, and as the layer ``changes``; and back."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Sequence
from typing import Any

import numpy as np
import shapely

from pipeline.records import (
    Change,
    ChangeItem,
    ChangeJob,
    ChangeStep,
    Damage,
    NetPart,
    Plan,
    RepairOption,
    RepairPiece,
    Section,
    SectionChange,
    StormItem,
)
from pipeline.store.exact_json import dump, load
from pipeline.store.layer_table import LayerTable

LAYER = "changes"


def record_texts(plan: Plan) -> dict[str, str]:
    """Return the repairs of a plan by name; nothing for a plan that was never repaired."""
    if not plan.changes:
        return {}
    return {
        "changes": dump([_plain(c) for c in plan.changes]),
        "retired": dump(list(plan.retired)),
        "issues": dump({s.section_id: [s.revision, s.replaces, s.issued_in] for s in plan.sections}),
    }


def _plain(change: Change) -> dict[str, Any]:
    fields = {f.name: getattr(change, f.name) for f in dataclasses.fields(change)}
    out = {}
    for name, value in fields.items():
        if name == "items":
            out[name] = [{**{f.name: getattr(i, f.name) for f in dataclasses.fields(i)}, "shape": i.shape.wkb_hex}
                         for i in value]
        elif isinstance(value, tuple) and value and dataclasses.is_dataclass(value[0]):
            out[name] = [dataclasses.asdict(row) for row in value]
        else:
            out[name] = value
    return out


def restored(plan: Plan, records: dict[str, str]) -> Plan:
    """Return a plan with its repairs, retired IDs and the revisions of its sections."""
    if "changes" not in records:
        return plan
    issues = load(records["issues"])
    return dataclasses.replace(
        plan, changes=tuple(_change(c) for c in load(records["changes"])), retired=tuple(load(records["retired"])),
        sections=tuple(_issued(s, issues.get(s.section_id, ["", "", ""])) for s in plan.sections),
    )


def _issued(section: Section, issue: list[str]) -> Section:
    return dataclasses.replace(section, revision=issue[0], replaces=issue[1], issued_in=issue[2])


def _pairs(rows: list[list[Any]]) -> tuple[tuple[Any, Any], ...]:
    return tuple((a, b) for a, b in rows)


def _change(read: dict[str, Any]) -> Change:
    lists: dict[str, Iterable[Any]] = {
        "items": [StormItem(**{**i, "shape": shapely.from_wkb(i["shape"])}) for i in read["items"]],
        "damages": [Damage(**{**d, "reasons": _pairs(d["reasons"])}) for d in read["damages"]],
        "clear": _pairs(read["clear"]),
        "pieces": [RepairPiece(**{**p, "options": tuple(RepairOption(**o) for o in p["options"])})
                   for p in read["pieces"]],
        "changes": [ChangeItem(**{**i, "trees": tuple(i["trees"]), "xyz_m": tuple(tuple(v) for v in i["xyz_m"])})
                    for i in read["changes"]],
        "jobs": [ChangeJob(**{**j, "marks": tuple(j["marks"])}) for j in read["jobs"]],
        "steps": [ChangeStep(**{**s, "marks": tuple(s["marks"]), "values": _pairs(s["values"])})
                  for s in read["steps"]],
        "parts": [NetPart(**p) for p in read["parts"]],
        "sections": [SectionChange(**s) for s in read["sections"]],
    }
    return Change(**{**read, **{name: tuple(rows) for name, rows in lists.items()}})


def table(changes: Sequence[Change]) -> LayerTable:
    """Return the layer ``changes``: every item of every repair, then what was logged, oldest repair first."""
    shapes: list[Any] = []
    rows: list[dict[str, Any]] = []
    for change in changes:
        for i in change.changes:
            shapes.append(shapely.Point(i.xyz_m[0]) if len(i.xyz_m) == 1 else shapely.LineString(i.xyz_m[::-1]))
            rows.append({"revision": change.revision, "mark": i.mark, "action": i.action, "layer": i.layer,
                         "subject_id": i.subject_id, "section_id": i.section_id, "taps": i.taps,
                         "length_m": i.length_m, "trees": ", ".join(i.trees), "note": i.note})
        for item in change.items:
            shapes.append(item.shape)
            rows.append({"revision": change.revision, "mark": str(item.number), "action": "logged",
                         "layer": item.layer, "subject_id": item.subject_id, "section_id": "", "taps": 0,
                         "length_m": float(item.shape.length), "trees": "",
                         "note": f"{item.kind.replace('_', ' ')}: {item.note}".rstrip(": ")})
    array = np.empty(len(shapes), dtype=object)
    array[:] = shapes
    names = ("revision", "mark", "action", "layer", "subject_id", "section_id", "taps", "length_m", "trees", "note")
    return LayerTable(LAYER, "Unknown", array, {n: [row[n] for row in rows] for n in names})
