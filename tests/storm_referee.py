"""What must hold of every repair, worked out from two plan folders and the prices alone.

Nothing here looks into the room that repairs: what was damaged is taken from the record of the change, everything else
from the plan before and the plan after.
"""

from __future__ import annotations

import dataclasses
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import geopandas
import numpy as np
import shapely
from pipeline import publish
from pipeline.judge import judge
from pipeline.records import Change, Plan, Storm
from pipeline.resources import template_rows
from pipeline.run import Result

SAME_M = 1e-6
CLAUSES = ("untouched", "judge", "trees", "retired", "taps", "cost")
LAYERS = {"Point": "points", "LineString": "lines", "Polygon": "areas"}


@dataclass(frozen=True)
class Fault:
    """One thing that does not hold, and of which clause."""

    clause: str
    text: str


def write_storm(storm: Storm, path: Path) -> Path:
    """Write a storm as a crew's layers on a local grid: points, lines and areas, each with a kind and an ID."""
    by_layer: dict[str, list[int]] = {}
    for k, item in enumerate(storm.items):
        by_layer.setdefault(LAYERS[item.shape.geom_type], []).append(k)
    for layer, rows in by_layer.items():
        items = [storm.items[k] for k in rows]
        frame = geopandas.GeoDataFrame(
            {"kind": [i.kind.replace("_", " ") for i in items], "id": [i.subject_id for i in items]},
            geometry=[i.shape for i in items],
        )
        with warnings.catch_warnings():
            warnings.filterwarnings("ignore", "'crs' was not provided")  # a local grid has none
            frame.to_file(path, layer=layer, driver="GPKG")
    return path


def faults(old_folder: Path, new_folder: Path) -> list[Fault]:
    """Return everything that does not hold of a repaired plan folder, the plan it repairs beside it."""
    before, after = publish.load(old_folder), publish.load(new_folder)
    return [
        *same_paper(before.plan, after.plan, old_folder, new_folder), *untouched(before.plan, after.plan),
        *legal(after), *every_tree(before.plan, after.plan), *names_retired(before.plan, after.plan),
        *taps_and_cost(before.plan, after.plan),
    ]


# ---------------------------------------------------------------- untouched


def kept_sections(old: Plan, new: Plan) -> list[str]:
    """Return the sections that the last change does not list."""
    touched = {s.section_id for s in new.changes[-1].sections}
    return [s.section_id for s in old.sections if s.section_id not in touched]


def same_paper(old: Plan, new: Plan, old_folder: Path, new_folder: Path) -> Iterator[Fault]:
    """Yield untouched sections whose sheets are not the same file byte for byte."""
    for name in kept_sections(old, new):
        sheet = f"sheets/{name}.pdf"
        if (new_folder / sheet).read_bytes() != (old_folder / sheet).read_bytes():
            yield Fault("untouched", f"{sheet} differs")


def untouched(old: Plan, new: Plan) -> Iterator[Fault]:
    """Yield what changed of sections that were not touched: place, names, heights and sizes, bit for bit."""
    was, now = {s.section_id: s for s in old.sections}, {s.section_id: s for s in new.sections}
    for name in kept_sections(old, new):
        a, b = was[name], now.get(name)
        if b is None:
            yield Fault("untouched", f"section {name} is gone")
            continue
        if (a.pieces, a.check_code, shapely.to_wkb(a.outline)) != (b.pieces, b.check_code, shapely.to_wkb(b.outline)):
            yield Fault("untouched", f"section {name} has other pieces, code or outline")
        mine, theirs = [_lateral(new, k) for k in b.lateral], [_lateral(old, k) for k in a.lateral]
        if mine != theirs:
            yield Fault("untouched", f"laterals of section {name} differ")
        if _supports(new, b.pieces) != _supports(old, a.pieces):
            yield Fault("untouched", f"supports of section {name} differ")
        if _sizes(new, b.pieces) != _sizes(old, a.pieces):
            yield Fault("untouched", f"sizes of section {name} differ")


def _lateral(plan: Plan, k: int) -> tuple[object, ...]:
    la = plan.laterals[k]
    trees = tuple(plan.trees.tree_id[t] for t in la.tree)
    heights = tuple(float(plan.tree_line_z_m[t]) for t in la.tree)
    return la.lateral_id, la.mainline_id, la.entry_station_m, la.taps, trees, heights, la.xyz_m.tobytes()


def _supports(plan: Plan, pieces: tuple[tuple[str, float, float], ...]) -> list[object]:
    lines = {m.mainline_id: m for m in plan.mainlines}
    return [dataclasses.astuple(s) for name, a, b in pieces for s in lines[name].supports if a <= s.station_m <= b]


def _sizes(plan: Plan, pieces: tuple[tuple[str, float, float], ...]) -> set[tuple[object, ...]]:
    return {
        (p.pipe_id, p.role, p.nominal, p.inner_diameter_mm) for name, a, b in pieces for p in plan.flow.pipes
        if p.mainline_id == name and p.from_station_m < b - SAME_M and p.to_station_m > a + SAME_M
    }


# ---------------------------------------------------------------- legal, trees, names


def legal(after: Result) -> Iterator[Fault]:
    """Yield the judge's violations."""
    for f in judge(after.plan, after.terrain, after.ground):
        if f.severity == "violation":
            yield Fault("judge", f"{f.code} {f.subject_id}: {f.text}")


def every_tree(old: Plan, new: Plan) -> Iterator[Fault]:
    """Yield trees that are not accounted for exactly once."""
    trees = new.trees
    if trees.tree_id[: len(old.trees)] != old.trees.tree_id:
        yield Fault("trees", "the trees of the plan before are not all there")
    served = [t for la in new.laterals for t in la.tree]
    if len(set(served)) != len(served):
        yield Fault("trees", "a tree is on two laterals")
    on_lateral = set(served)
    for t, (status, reason) in enumerate(zip(trees.status, trees.reason, strict=True)):
        fine = (status == "served") == (t in on_lateral) == (reason == "")
        if not fine or status not in ("served", "set_aside", "not_tapped"):
            yield Fault("trees", f"{trees.tree_id[t]} is {status} for {reason or 'no reason'}")
    sums = {int(trees.taps.sum()), sum(la.taps for la in new.laterals), sum(s.taps for s in new.flow.stations),
            new.changes[-1].taps_after}
    if len(sums) > 1:
        yield Fault("trees", f"taps add up to {sorted(sums)}")


def names_of(plan: Plan) -> list[str]:
    """Return every ID that stands on paper."""
    out = [m.mainline_id for m in plan.mainlines] + [s.support_id for m in plan.mainlines for s in m.supports]
    out += [la.lateral_id for la in plan.laterals] + [p.pipe_id for p in plan.flow.pipes]
    return out + [c.crossing_id for c in plan.crossings] + [s.section_id for s in plan.sections]


def names_retired(old: Plan, new: Plan) -> Iterator[Fault]:
    """Yield IDs that are borne again, twice or lost sight of."""
    names = names_of(new)
    if len(set(names)) != len(names):
        yield Fault("retired", "an ID is borne twice")
    if set(new.retired) & set(names):
        yield Fault("retired", f"borne again: {sorted(set(new.retired) & set(names))[:5]}")
    gone = (set(old.retired) | set(names_of(old))) - set(names)
    if gone != set(new.retired):
        yield Fault("retired", f"not the IDs that went: {sorted(gone ^ set(new.retired))[:5]}")


# ---------------------------------------------------------------- taps and cost


def bad(change: Change, layer: str) -> set[str]:
    """Return what of a layer was lost or hit."""
    return {d.subject_id for d in change.damages if d.layer == layer and d.state in ("lost", "hit")}


def damaged_from(old: Plan, change: Change) -> dict[str, float]:
    """Return for each damaged mainline the station below which it is sound."""
    spans = {name.partition("/")[0] for name in bad(change, "spans")}
    out = {}
    for line in old.mainlines:
        hurt = [s.station_m for s in line.supports if s.support_id in spans]
        if hurt:
            out[line.mainline_id] = min(hurt)
    return out


def taps_when_abandoned(old: Plan, change: Change) -> int:
    """Return the taps that are left when every hit lateral goes, and every mainline from its first hit span up."""
    ends = damaged_from(old, change)
    for line in old.mainlines:  # parents come before children
        if line.parent_id and line.join_station_m > ends.get(line.parent_id, np.inf) + SAME_M:
            ends[line.mainline_id] = -np.inf
    hit = bad(change, "laterals")
    return sum(
        la.taps for la in old.laterals
        if la.lateral_id not in hit and la.entry_station_m <= ends.get(la.mainline_id, np.inf) + SAME_M
    )


def sound_taps(old: Plan, change: Change) -> int:
    """Return the taps of served trees that still stand."""
    hit = bad(change, "trees")
    return sum(int(old.trees.taps[t]) for la in old.laterals for t in la.tree if old.trees.tree_id[t] not in hit)


def rebuilding(old: Plan, change: Change) -> float:
    """Return what the damaged mainlines cost anew: pipe, wire, ties and supports with their labour, list prices."""
    prices = dict(old.prices)
    minutes: dict[str, float] = {}
    for row in template_rows("labour.csv"):
        minutes[row["code"]] = minutes.get(row["code"], 0.0) + float(row["minutes"])
    hourly = old.settings.prices.labour_per_h

    def cost(code: str, quantity: float) -> float:
        family = code.split(" ")[0] if code.split(" ")[0] in ("PIPE", "WIRE") else code
        return quantity * (prices.get(code, prices.get(family, 0.0)) + minutes.get(family, 0.0) / 60.0 * hourly)

    total = 0.0
    lines = {m.mainline_id: m for m in old.mainlines}
    for name in damaged_from(old, change):
        line = lines[name]
        total += cost(f"WIRE {old.settings.flow.wire}", line.length_m) + cost("TWIST TIE", line.length_m / 0.3048)
        for pipe in old.flow.pipes:
            if pipe.mainline_id == name:
                total += cost(f"PIPE {pipe.nominal}", pipe.to_station_m - pipe.from_station_m)
        for s in line.supports:
            total += cost({"tree": "SIDE TIE", "post": "POST", "anchor": "ANCHOR"}[s.kind], 1.0)
    return total


def taps_and_cost(old: Plan, new: Plan) -> Iterator[Fault]:
    """Yield a repair that serves fewer taps than giving up what was hit, or costs more.

    The cost of a plan is its parts and labour, and the worth of every sound tap that it gives up. Giving up costs
    nothing to build but for an anchor where a line now ends, so the bar (giving up, and building the damaged mainlines
    anew) is checked, and beside it the stricter one without the building.
    """
    change = new.changes[-1]
    kept = taps_when_abandoned(old, change)
    if change.taps_after < kept:
        yield Fault("taps", f"{change.taps_after} taps, {kept} when all that was hit is given up")
    sound = sound_taps(old, change)
    cost = change.money + change.hours * old.settings.prices.labour_per_h + change.tap_value * (
        sound - change.taps_after)
    giving_up = change.tap_value * (sound - kept)
    if cost > giving_up + rebuilding(old, change) + 1e-6:
        yield Fault("cost", f"{cost:.2f}, giving up and building anew costs {giving_up + rebuilding(old, change):.2f}")
    prices = dict(old.prices)
    anchors = prices.get("ANCHOR", 0.0) + 0.5 * old.settings.prices.labour_per_h  # labour.csv: 30 minutes an anchor
    if cost > giving_up + anchors * len(damaged_from(old, change)) + 1e-6:
        yield Fault("cost", f"{cost:.2f}, giving up alone costs {giving_up:.2f}")
