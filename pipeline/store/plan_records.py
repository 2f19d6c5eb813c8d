"""What a plan holds besides its layers, as JSON texts; and back.

See :mod:`pipeline.store.exact_json` for how numbers come back bit for bit.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import shapely
from shapely.geometry.base import BaseGeometry

from pipeline.frame import Frame
from pipeline.records import GroundLayer, Part, Plan, SafetyNote, Station, Takeoff
from pipeline.settings import GroundLayerSettings
from pipeline.store import change_records
from pipeline.store.exact_json import dump, load


def record_texts(
    plan: Plan, layers: Sequence[GroundLayer], gaps: Sequence[BaseGeometry] = ()
) -> dict[str, str]:
    """Return everything of a plan and its ground that the layers do not hold, by name."""
    settled = plan.trees.reason
    groups = plan.grouping
    own = {str(i): r for i, r in enumerate(groups.reason) if r != settled[i]}
    return {
        **change_records.record_texts(plan),
        "frame": dump(dataclasses.asdict(plan.frame)),
        "grouping": dump({"reason": own, "lower_bound_m": groups.lower_bound_m, "objective_m": groups.objective_m}),
        "stations": dump([dataclasses.asdict(s) for s in plan.flow.stations]),
        "section_laterals": dump([list(s.lateral) for s in plan.sections]),
        "takeoff": dump({
            "by_section": [dataclasses.asdict(p) for p in plan.takeoff.by_section],
            "total": [dataclasses.asdict(p) for p in plan.takeoff.total],
            "hours_by_section": plan.takeoff.hours_by_section, "currency": plan.takeoff.currency,
        }),
        "safety": dump({k: [dataclasses.asdict(n) for n in notes] for k, notes in plan.safety.items()}),
        "not_checked": dump(list(plan.not_checked)),
        "worth_curve": dump([list(row) for row in plan.worth_curve]),
        "stats": dump(plan.stats),
        "prices": dump([list(row) for row in plan.prices]),
        "gaps": dump([shapely.to_wkb(gap, hex=True) for gap in gaps]),
        "ground": dump([
            {"kind": g.kind, "source": g.source, "count": len(g.shapes), "rule": dataclasses.asdict(g.rule)}
            for g in layers
        ]),
    }


def texts_of(text: str) -> tuple[str, ...]:
    """Return a list of texts; TypeError for anything else."""
    read = load(text)
    if not isinstance(read, list) or not all(isinstance(item, str) for item in read):
        raise TypeError("a record that is no list of texts")
    return tuple(read)


def stats_of(text: str) -> dict[str, float]:
    """Return figures by name; TypeError for anything else."""
    read = load(text)
    if not isinstance(read, dict) or not all(isinstance(value, int | float) for value in read.values()):
        raise TypeError("a record that holds no figures by name")
    return read


def prices_of(text: str) -> tuple[tuple[str, float], ...]:
    """Return part codes and the prices that the plan was made with."""
    return tuple((str(code), float(price)) for code, price in load(text))


def gaps_of(text: str) -> tuple[BaseGeometry, ...]:
    """Return the pinned places that open a no-go."""
    return tuple(shapely.from_wkb(gap) for gap in load(text))


def frame_of(text: str) -> Frame:
    """Return the plan's frame."""
    return Frame(**load(text))


def reasons_of(text: str, settled: Sequence[str]) -> tuple[str, ...]:
    """Return the grouping's reasons from the trees' final ones and the differences."""
    own = load(text)["reason"]
    return tuple(own.get(str(i), r) for i, r in enumerate(settled))


def bounds_of(text: str) -> dict[str, float]:
    """Return the grouping's objective and its bound."""
    read = load(text)
    return {"lower_bound_m": float(read["lower_bound_m"]), "objective_m": float(read["objective_m"])}


def stations_of(text: str) -> tuple[Station, ...]:
    """Return what stands at the collection points."""
    return tuple(
        Station(**{**row, "arithmetic": tuple((str(a), str(b)) for a, b in row["arithmetic"])}) for row in load(text)
    )


def takeoff_of(text: str) -> Takeoff:
    """Return parts and hours."""
    read = load(text)
    return Takeoff(
        tuple(Part(**p) for p in read["by_section"]), tuple(Part(**p) for p in read["total"]),
        read["hours_by_section"], read["currency"],
    )


def safety_of(text: str) -> dict[str, tuple[SafetyNote, ...]]:
    """Return the cautions by section."""
    return {
        section: tuple(SafetyNote(**{**n, "values": tuple((str(a), str(b)) for a, b in n["values"])}) for n in notes)
        for section, notes in load(text).items()
    }


def worth_of(text: str) -> tuple[tuple[float, int, float], ...]:
    """Return the curve of what a tap's worth buys."""
    return tuple((float(a), int(b), float(c)) for a, b, c in load(text))


def ground_rules(text: str) -> list[tuple[str, str, int, GroundLayerSettings]]:
    """Return kind, source, number of shapes and rule of each ground layer."""
    return [(g["kind"], g["source"], int(g["count"]), GroundLayerSettings(**g["rule"])) for g in load(text)]
