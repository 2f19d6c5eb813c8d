"""Sizes stay; what runs in them is worked out again, and what no longer fits is told with its price."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipeline.findings import Finding
from pipeline.flow import choose, ends, network, pairs
from pipeline.hydraulics import sap
from pipeline.hydraulics.catalogue import PipeSize, mainline_sizes
from pipeline.records import Flow, Grouping, Mainline, Pipe, Plan
from pipeline.replan.ids import Ids
from pipeline.replan.site import Site
from pipeline.replan.splice import Lines
from pipeline.wire import planned_spacing_m, sap_weight_n_per_m, wire_row

_SAME_M = 1e-6


def recheck(
    site: Site, lines: Lines, grouping: Grouping, ids: Ids
) -> tuple[Flow, tuple[Finding, ...], dict[str, float]]:
    """Return flows and vacuum in the old sizes, what no longer fits, and metres of pipe to be replaced by code.

    Parameters
    ----------
    lines : Lines
        The mainlines after the repair.
    grouping : Grouping
        The laterals after it.
    """
    plan = site.plan
    sizes = mainline_sizes(plan.settings.flow.pipes)
    laid = _laid(plan, lines, ids)
    tree = network.build(mainlines=tuple(lines.mainlines), grouping=grouping, collections=plan.collections)
    load = choose.load(tree=tree, grouping=grouping, collections=plan.collections, settings=plan.settings)
    choice = _choice(tree, load, laid, sizes, site)
    vacuum = choose.vacuum(tree=tree, load=load, choice=choice, sizes=sizes)
    pipes = tuple(_figures(p, tree, load, vacuum, site) for p in laid)
    stations = ends.stations(tree=tree, load=load, vacuum=vacuum, collections=plan.collections, settings=plan.settings)
    found, longer = outgrown(site, pipes, sizes)
    found += _vacuum_short(site, vacuum, grouping)
    return Flow(pipes, stations, vacuum.entry_kpa), tuple(found), longer


def _laid(plan: Plan, lines: Lines, ids: Ids) -> list[Pipe]:
    """Return the pipes where they are now: kept ones as they were, cut ones shortened, new ones in the old size."""
    now = {m.mainline_id: m for m in lines.mainlines}
    out: dict[str, list[Pipe]] = {name: [] for name in now}
    for pipe in plan.flow.pipes:
        for part in _parts(pipe, lines, now):
            mine = part.mainline_id == pipe.mainline_id
            name = pipe.pipe_id if mine else ids.next(f"{part.mainline_id}-P")
            out[part.mainline_id].append(replace(part, pipe_id=name))
    for name, own in out.items():
        own.sort(key=lambda p: (p.from_station_m, p.role == "dry"))
        line = now[name]
        for role_dry in (False, True):
            rows = [i for i, p in enumerate(own) if (p.role == "dry") == role_dry]
            if rows and not role_dry:
                own[rows[0]] = replace(own[rows[0]], from_station_m=0.0)  # a new foot is laid in the lowest size
                own[rows[-1]] = replace(own[rows[-1]], to_station_m=line.plan_length_m)
    return [p for m in lines.mainlines for p in out[m.mainline_id]]


def _parts(pipe: Pipe, lines: Lines, now: dict[str, Mainline]) -> list[Pipe]:
    """Return what is left of one pipe: one stretch for each mainline that it is now part of."""
    segments = lines.segments.get(pipe.mainline_id, [])
    same = len(segments) == 1 and segments[0].shift_m == 0.0 and segments[0].mainline_id == pipe.mainline_id
    if same and pipe.to_station_m <= segments[0].high_m + _SAME_M:
        return [pipe]
    return [
        replace(pipe, mainline_id=name, from_station_m=a, to_station_m=b)
        for name, a, b in lines.stretches(pipe.mainline_id, pipe.from_station_m, pipe.to_station_m) if name in now
    ]


def _choice(
    tree: network.Tree, load: choose.Load, laid: Sequence[Pipe], sizes: tuple[PipeSize, ...], site: Site
) -> choose.Choice:
    """Return the sizes that lie in the ground as the flow room knows them, reach by reach."""
    rank = {s.nominal: i for i, s in enumerate(sizes)}
    place = {line.mainline_id: j for j, line in enumerate(tree.lines)}
    wet = np.zeros(tree.reaches, dtype=np.int64)
    dry = np.zeros(tree.reaches, dtype=np.int64)
    pair = np.zeros(tree.reaches, dtype=np.bool_)
    for pipe in laid:
        rows = _rows(tree, place[pipe.mainline_id], pipe)
        if pipe.role == "dry":
            dry[rows], pair[rows] = rank[pipe.nominal], True
        else:
            wet[rows] = rank[pipe.nominal]
    vent, air = tree.joined, np.zeros(tree.reaches)
    if load.pumped:
        vent = pairs.vents(tree, pair)
        air, _ = pairs.wet_air(tree, vent=vent, pair=pair, at_node_m3_s=load.entry_air_m3_s)
    bores = np.array([s.inner_diameter_mm for s in sizes])
    capacity = sap.capacity_l_min(bores[None, :], tree.grade_pct[:, None], site.plan.settings.flow.fill_ratio)
    none = np.zeros(tree.reaches, dtype=np.int64)
    return choose.Choice(
        wet=wet, dry=dry, pair=pair, vent=vent, wet_air_m3_s=air, by_sap=none, by_air=none, by_air_dry=none,
        by_air_wet=none, capacity_l_min=capacity,
    )


def _rows(tree: network.Tree, j: int, pipe: Pipe) -> slice:
    """Return the reaches that a pipe lies on."""
    first, last = int(tree.first[j]), int(tree.first[j + 1])
    low = tree.node_station_m[tree.lower_node[first:last]]
    high = tree.node_station_m[tree.lower_node[first:last] + 1]
    middle = (low + high) / 2.0
    inside = np.flatnonzero((middle > pipe.from_station_m) & (middle < pipe.to_station_m))
    if not len(inside):
        return slice(first, first)
    return slice(first + int(inside[0]), first + int(inside[-1]) + 1)


def _figures(
    pipe: Pipe, tree: network.Tree, load: choose.Load, vacuum: choose.Vacuum, site: Site
) -> Pipe:
    """Return a pipe with what now runs in it."""
    j = next(i for i, line in enumerate(tree.lines) if line.mainline_id == pipe.mainline_id)
    rows = _rows(tree, j, pipe)
    if rows.stop <= rows.start:
        return pipe
    grade = float(tree.grade_pct[rows].min())
    taps = int(load.taps[rows.start])
    flow = 0.0 if pipe.role == "dry" else float(load.sap_l_min[rows.start])
    depth = float(sap.normal_depth_ratio(pipe.inner_diameter_mm, grade, flow)) if flow > 0.0 else 0.0
    depth = depth if np.isfinite(depth) else 1.0
    foot, head = rows.start + j, rows.stop + j
    ties = pipe.sidetie_spacing_m
    if abs(grade - pipe.grade_pct) > 1e-9:
        ties = _ties_m(pipe, grade, site)
    return replace(
        pipe, grade_pct=grade if abs(grade - pipe.grade_pct) > 1e-9 else pipe.grade_pct, taps=taps,
        peak_flow_l_min=flow, depth_ratio=depth, area_ratio=float(sap.area_ratio(depth)),
        velocity_m_s=float(sap.velocity_m_s(pipe.inner_diameter_mm, depth, flow)),
        vacuum_kpa_low=float(vacuum.node_kpa[foot]), vacuum_kpa_high=float(vacuum.node_kpa[head]),
        sidetie_spacing_m=ties,
    )


def _ties_m(pipe: Pipe, grade_pct: float, site: Site) -> float:
    settings = site.plan.settings
    made = next(s for s in mainline_sizes(settings.flow.pipes) if s.nominal == pipe.nominal)
    weight = made.weight_n_per_m + wire_row(settings.flow.wire).weight_n_per_m
    if pipe.role != "dry":
        weight += sap_weight_n_per_m(made.inner_diameter_mm, settings.flow.fill_ratio)
    return planned_spacing_m(weight, grade_pct, settings)


# ---------------------------------------------------------------- what no longer fits


def outgrown(
    site: Site, pipes: Sequence[Pipe], sizes: tuple[PipeSize, ...]
) -> tuple[list[Finding], dict[str, float]]:
    """Return pipes that are now fuller than allowed and were not before, with the size and price that would do."""
    limit = site.plan.settings.flow.fill_ratio
    before = {p.pipe_id: p for p in site.plan.flow.pipes}
    found: list[Finding] = []
    metres: dict[str, float] = {}
    for pipe in pipes:
        old = before.get(pipe.pipe_id)
        fine = pipe.role == "dry" or pipe.area_ratio <= limit * (1.0 + 1e-9)
        if fine or (old is not None and old.area_ratio > limit * (1.0 + 1e-9)):
            continue
        needed = float(sap.bore_needed_mm(pipe.grade_pct, limit, pipe.peak_flow_l_min))
        fit = next((s for s in sizes if s.inner_diameter_mm >= needed), None)
        length = pipe.to_station_m - pipe.from_station_m
        price = site.price_of(f"PIPE {fit.nominal}") * length if fit else float("nan")
        if fit:
            metres[f"PIPE {fit.nominal}"] = metres.get(f"PIPE {fit.nominal}", 0.0) + length
        currency = site.plan.settings.prices.currency
        remedy = (f"Replace it by {fit.nominal} in pipe: {price:,.0f} {currency} for the pipe alone, or leave some of "
                  "its taps unserved." if fit else "No size of the catalogue would do.")
        found.append(Finding(
            "SIZE_OUTGROWN", "check", "pipes", pipe.pipe_id, pipe.area_ratio, limit, "",
            f"After the repair {pipe.pipe_id} ({pipe.nominal} in) would run {100.0 * pipe.area_ratio:.0f} % full at "
            f"the peak; {100.0 * limit:.0f} % is allowed. Its size was not changed.", remedy,
        ))
    return found, metres


def _vacuum_short(site: Site, vacuum: choose.Vacuum, grouping: Grouping) -> list[Finding]:
    """Return laterals that now lose more vacuum than the budget on the way to their entry, and did not before."""
    settings = site.plan.settings.flow
    if not settings.pumped:
        return []
    loss = dict(zip((la.lateral_id for la in grouping.laterals), vacuum.entry_loss_kpa.tolist(), strict=True))
    at_pump = {s.collection_id: s.vacuum_kpa for s in site.plan.flow.stations}
    home = {m.mainline_id: m.collection_id for m in site.plan.mainlines}
    before = {
        la.lateral_id: at_pump[home[la.mainline_id]] - float(kpa)
        for la, kpa in zip(site.plan.laterals, site.plan.flow.entry_vacuum_kpa, strict=True)
    }
    over = sorted(n for n, v in loss.items() if v > settings.loss_budget_kpa and
                  before.get(n, 0.0) <= settings.loss_budget_kpa)
    if not over:
        return []
    worst = max(over, key=lambda n: loss[n])
    return [Finding(
        "VACUUM_OUTGROWN", "check", "laterals", worst, loss[worst], settings.loss_budget_kpa, "kPa",
        f"After the repair {len(over)} laterals lose more vacuum than the budget on the way to their entry; {worst} "
        "loses most.", "Look for a larger size or another mainline, or allow a larger loss.",
    )]
