"""The plain files of a plan folder: order list, findings, field points, summary."""

from __future__ import annotations

import csv
import io
import json
import math
import re
from collections import Counter
from xml.sax.saxutils import escape

from pipeline import schema
from pipeline.records import Part, Plan
from pipeline.store import words
from pipeline.units import FT_M, Units

# what a spreadsheet takes for the start of a formula
_FORMULA = re.compile(r"^\s*[=+\-@\t\r|%]")


def harmless(cell: object) -> object:
    """Return a CSV cell that no spreadsheet runs as a formula: such texts get an apostrophe in front.

    Line breaks and control characters become blanks, so that a row stays a line.

    Examples
    --------
    >>> harmless("=1+1"), harmless(-2.5)
    ("'=1+1", -2.5)
    """
    if not isinstance(cell, str):
        return cell
    plain = re.sub(r"[\x00-\x08\x0a-\x1f\x7f]", " ", cell)
    return f"'{plain}" if _FORMULA.match(plain) else plain


def _csv(header: list[str], rows: list[list[object]]) -> str:
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(header)
    writer.writerows([[harmless(c) for c in row] for row in rows])
    return out.getvalue()


def materials_csv(plan: Plan) -> str:
    """Return the order list: totals first, then the parts of each section; lengths in the plan's own unit."""
    header = [
        "list", "section_id", "code", "name", "quantity", "unit", "order_quantity", "unit_price", "cost", "currency",
    ]

    us = plan.settings.bush.units == "us"

    def row(kind: str, p: Part) -> list[object]:
        feet = us and p.unit == "m"  # lengths in the reader's unit, as on the sheets
        per = FT_M if feet else 1.0
        return [
            kind, p.section_id, p.code, p.name, round(p.quantity / per, 2), "ft" if feet else p.unit,
            round(p.order_quantity / per, 2), round(p.unit_price * per, 4), round(p.cost, 2), plan.takeoff.currency,
        ]

    totals = [row("total", p) for p in plan.takeoff.total]
    return _csv(header, totals + [row("section", p) for p in plan.takeoff.by_section])


def findings_csv(plan: Plan) -> str:
    """Return all findings, the gravest first."""
    names = list(schema.FINDINGS.column_names)
    return _csv(names, [["" if (v := getattr(f, n)) is None else v for n in names] for f in plan.findings])


# ------------------------------------------------------------------------- GPX


def _xml(text: str) -> str:
    return escape(words.clean(text, 200))


def _point(tag: str, lon: float, lat: float, ele_m: float, name: str, desc: str, kind: str) -> str:
    """Return one GPX 1.1 point; children in the order of the standard's wptType."""
    return (
        f'<{tag} lat="{lat:.8f}" lon="{lon:.8f}"><ele>{ele_m:.2f}</ele><name>{_xml(name)}</name>'
        f"<desc>{_xml(desc)}</desc><type>{_xml(kind)}</type></{tag}>"
    )


def fieldpoints_gpx(plan: Plan) -> str:
    """Return supports and lateral entries as waypoints, mainlines as routes (GPX 1.1).

    Elevations are those of the ground for supports and of the line for entries and
    routes. On a local grid there are no longitudes; the file then holds no points and
    says so.
    """
    units = Units(plan.settings.bush.units)
    head = (
        '<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="fallgrade" '
        'xmlns="http://www.topografix.com/GPX/1/1" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" '
        'xsi:schemaLocation="http://www.topografix.com/GPX/1/1 http://www.topografix.com/GPX/1/1/gpx.xsd">\n'
    )
    name = _xml(plan.settings.bush.name)
    if not plan.frame.on_earth:
        note = "The terrain is a local grid without a place on Earth: there are no field points."
        return f"{head}<metadata><name>{name}</name><desc>{note}</desc></metadata>\n</gpx>\n"
    parts = [head, f"<metadata><name>{name}</name></metadata>\n"]
    parts += _support_points(plan, units)
    parts += _entry_points(plan, units)
    for line in plan.mainlines:
        lon, lat = plan.frame.lonlat(line.xyz_m[:, 0], line.xyz_m[:, 1])
        steps = [
            _point("rtept", float(lon[i]), float(lat[i]), s.line_z_m, s.support_id, units.station(s.station_m), s.kind)
            for i, s in enumerate(line.supports)
        ]
        desc = f"from the lower end up, {units.length(line.plan_length_m)}"
        # the crew walks from the lower end up, as stations are counted
        parts.append(f"<rte><name>{_xml(line.mainline_id)}</name><desc>{_xml(desc)}</desc><type>mainline</type>{''.join(steps)}</rte>\n")
    return "".join([*parts, "</gpx>\n"])


def _support_points(plan: Plan, units: Units) -> list[str]:
    every = [s for m in plan.mainlines for s in m.supports]
    lon, lat = plan.frame.lonlat([s.x_m for s in every], [s.y_m for s in every])
    result = []
    for i, s in enumerate(every):
        holder = f"{s.kind} {s.tree_id}".strip()
        desc = f"{holder}, {units.station(s.station_m)}, line {units.height_value(s.height_m)} {units.length_unit} up"
        result.append(_point("wpt", float(lon[i]), float(lat[i]), s.ground_z_m, s.support_id, desc, "support") + "\n")
    return result


def _entry_points(plan: Plan, units: Units) -> list[str]:
    rows = plan.laterals
    lon, lat = plan.frame.lonlat([r.xyz_m[0, 0] for r in rows], [r.xyz_m[0, 1] for r in rows])
    return [
        _point(
            "wpt", float(lon[i]), float(lat[i]), float(r.xyz_m[0, 2]), r.lateral_id,
            f"entry at {units.station(r.entry_station_m)} on {r.mainline_id}, {r.taps} taps", "entry",
        ) + "\n"
        for i, r in enumerate(rows)
    ]


# --------------------------------------------------------------------- summary


def summary(plan: Plan) -> dict[str, object]:
    """Return the plan's main figures; metres, kilopascals, litres."""
    trees = plan.trees
    status = Counter(trees.status)
    return {
        "name": plan.settings.bush.name,
        "date": plan.settings.bush.date,
        "crs": plan.frame.name,
        "trees": {
            "read": len(trees), **{s: status.get(s, 0) for s in ("served", "set_aside", "not_tapped")},
            "reasons": dict(sorted(Counter(r for r in trees.reason if r).items())),
        },
        "taps": int(trees.taps.sum()),
        "mainlines": {"count": len(plan.mainlines), "length_m": _round(sum(m.length_m for m in plan.mainlines))},
        "laterals": {"count": len(plan.laterals), "length_m": _round(sum(r.length_m for r in plan.laterals))},
        "supports": sum(len(m.supports) for m in plan.mainlines),
        "sections": [s.section_id for s in plan.sections],
        "crossings": len(plan.crossings),
        "collection": [
            {"collection_id": s.collection_id, "taps": s.taps, "peak_flow_l_min": _round(s.peak_flow_l_min),
             "tank_l": _round(s.tank_l), "vacuum_kpa": _round(s.vacuum_kpa),
             "farthest_vacuum_kpa": _round(s.farthest_vacuum_kpa)}
            for s in plan.flow.stations
        ],
        "cost": _round(sum(p.cost for p in plan.takeoff.total)),
        "currency": plan.takeoff.currency,
        "crew_hours": _round(sum(sum(h.values()) for h in plan.takeoff.hours_by_section.values())),
        "findings": {s: sum(f.severity == s for f in plan.findings) for s in ("violation", "check", "note")},
        "not_checked": list(plan.not_checked),
        "stats": {k: _round(v, 6) for k, v in sorted(plan.stats.items())},
    }


def _round(value: float, digits: int = 3) -> float | None:
    return round(float(value), digits) if math.isfinite(value) else None


def as_json(data: object) -> str:
    """Return JSON for people and programs: sorted keys, indented, no NaN."""
    return json.dumps(data, indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n"
