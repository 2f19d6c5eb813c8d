"""What the sized network has to say: breaches, and what would mend them."""

from __future__ import annotations

import numpy as np

from pipeline.findings import Finding, Severity, in_order
from pipeline.flow.choose import Choice, Load, Vacuum, highest_vacuum_pa
from pipeline.flow.network import Tree
from pipeline.hydraulics import sap
from pipeline.hydraulics.catalogue import PipeSize
from pipeline.hydraulics.natural import natural_vacuum_kpa
from pipeline.records import CollectionPoint, Grouping, Pipe
from pipeline.settings import Settings
from pipeline.units import IN_M, INHG_KPA, Units

LISTED = 12  # IDs named in one sentence before "and N more"


def _names(ids: list[str]) -> str:
    more = f" and {len(ids) - LISTED} more" if len(ids) > LISTED else ""
    return ", ".join(ids[:LISTED]) + more


def _bore(bore_mm: float, units: Units) -> str:
    return f"{bore_mm / 1000.0 / IN_M:.2f} in" if units.is_us else f"{bore_mm:.0f} mm"


def _printed_up_kpa(vacuum_kpa: float, units: Units) -> float:
    """Return a vacuum rounded up to the last digit that is printed, so that what is read is enough."""
    step = (INHG_KPA if units.is_us else 1.0) / 10.0
    return float(np.ceil(vacuum_kpa / step - 1e-9)) * step


def remarks(
    *,
    tree: Tree,
    load: Load,
    choice: Choice,
    vacuum: Vacuum,
    pipes: tuple[Pipe, ...],
    sizes: tuple[PipeSize, ...],
    grouping: Grouping,
    collections: tuple[CollectionPoint, ...],
    settings: Settings,
) -> tuple[Finding, ...]:
    """Return all findings of the flow stage, gravest first."""
    units = Units(settings.bush.units)
    found = [*_fill(pipes, sizes, settings, units), *_sensitivity(pipes, settings)]
    if load.pumped:
        found += _vacuum_short(tree, load, vacuum, grouping, settings, units)
        found += _altitude(load, collections, settings, units)
        found += _pairs(tree, choice, units)
        found += _releaser(collections, settings)
    else:
        found += _gravity(grouping, collections, settings, units)
    return in_order(found)


def _fill(
    pipes: tuple[Pipe, ...], sizes: tuple[PipeSize, ...], settings: Settings, units: Units
) -> list[Finding]:
    """Name pipes that no size of the catalogue keeps within the fill, or that do not fall."""
    limit = settings.flow.fill_ratio
    out = []
    for pipe in pipes:
        if pipe.role == "dry":
            continue
        if pipe.grade_pct <= 0.0:
            out.append(Finding(
                "NO_FALL", "violation", "pipes", pipe.pipe_id, pipe.grade_pct, 0.0, "%",
                f"{pipe.pipe_id} has a span that does not fall ({pipe.grade_pct:.2f} %): sap stands in it.",
                "Hang its upper end higher or its lower end lower.",
            ))
        elif pipe.area_ratio > limit * (1.0 + 1e-9):
            needed = float(sap.bore_needed_mm(pipe.grade_pct, limit, pipe.peak_flow_l_min))
            lines = int(np.ceil((needed / sizes[-1].inner_diameter_mm) ** (8.0 / 3.0)))
            out.append(Finding(
                "FILL_OVER", "violation", "pipes", pipe.pipe_id, pipe.area_ratio, limit, "",
                f"{pipe.pipe_id} runs {100.0 * pipe.area_ratio:.0f} % full at the peak with the largest bore of the "
                f"catalogue, {_bore(sizes[-1].inner_diameter_mm, units)}; {100.0 * limit:.0f} % is allowed.",
                f"It needs a bore of {_bore(needed, units)} at this grade, or {lines} lines of the largest size "
                f"side by side: bring part of its {pipe.taps} taps in on another mainline.",
            ))
    return out


def _sensitivity(pipes: tuple[Pipe, ...], settings: Settings) -> list[Finding]:
    """Say which pipes would run fuller than allowed in the second scenario."""
    rules = settings.flow
    if rules.sensitivity_flow_l_min <= 0.0 or rules.peak_flow_l_min <= 0.0:
        return []
    times = rules.sensitivity_flow_l_min / rules.peak_flow_l_min
    wet = [p for p in pipes if p.role != "dry" and p.grade_pct > 0.0]
    if not wet:
        return []
    depth = sap.normal_depth_ratio(
        [p.inner_diameter_mm for p in wet], [p.grade_pct for p in wet], [times * p.peak_flow_l_min for p in wet]
    )
    filled = np.where(np.isfinite(depth), sap.area_ratio(depth), 1.0)
    over = [p.pipe_id for p, full in zip(wet, filled, strict=True) if full > rules.fill_ratio * (1.0 + 1e-9)]
    if not over:
        return []
    return [Finding(
        "SENSITIVITY", "note", "plan", "", float(len(over)), 0.0, "pipes",
        f"If a tap gave {times:.1f} times the design flow, {len(over)} of {len(wet)} pipes would run more than "
        f"{100.0 * rules.fill_ratio:.0f} % full: {_names(over)}.",
        "Nothing needs to change for the design flow; one size larger on these pipes covers the stronger run.",
    )]


def _vacuum_short(
    tree: Tree, load: Load, vacuum: Vacuum, grouping: Grouping, settings: Settings, units: Units
) -> list[Finding]:
    """Name each mainline with taps that lose more vacuum than the budget, by its worst lateral."""
    owner = tree.node_owner[tree.entry_node]
    at_pump = (load.barometer_pa - load.pump_pa)[tree.collection[owner]] / 1000.0
    budget = np.minimum(settings.flow.loss_budget_kpa, at_pump)
    over = vacuum.last_tap_loss_kpa > budget * (1.0 + 1e-9)
    out = []
    for j in np.unique(owner[over]):
        own = np.flatnonzero((owner == j) & over)
        worst = int(own[np.argmax(vacuum.last_tap_loss_kpa[own])])
        lateral, line = grouping.laterals[worst], tree.lines[j]
        loss = float(min(vacuum.last_tap_loss_kpa[worst], at_pump[worst]))
        in_line = float(min(vacuum.entry_loss_kpa[worst], at_pump[worst]))
        name = line.mainline_id
        many = f"{len(own)} laterals of {name} lose" if len(own) > 1 else f"A lateral of {name} loses"
        remedy = (
            "Shorten the lateral or put fewer taps on it."
            if loss - in_line > in_line
            else f"Allow a budget of {units.vacuum(_printed_up_kpa(loss, units))}, bring its taps in on another "
            "mainline, or move the collection point nearer."
        )
        out.append(Finding(
            "VACUUM_SHORT", "violation", "mainlines", line.mainline_id, loss, float(budget[worst]), "kPa",
            f"{many} more vacuum between pump and last tap than the budget of {units.vacuum(float(budget[worst]))}; "
            f"{lateral.lateral_id} loses most, {units.vacuum(loss)}, of which {units.vacuum(in_line)} in mainlines.",
            remedy,
        ))
    return out


def _altitude(
    load: Load, collections: tuple[CollectionPoint, ...], settings: Settings, units: Units
) -> list[Finding]:
    """Say where the barometer allows less vacuum than asked for."""
    most_kpa = highest_vacuum_pa(load.barometer_pa) / 1000.0
    return [
        Finding(
            "VACUUM_ALTITUDE", "check", "collection", point.collection_id, settings.flow.vacuum_kpa, float(most),
            "kPa",
            f"{units.vacuum(settings.flow.vacuum_kpa)} were asked for at {point.collection_id}, but at "
            f"{point.inlet_z_m:.0f} m sap boils at {units.vacuum(float(most))}; the plan counts on that much.",
            "Ask for less vacuum in [flow] vacuum.",
        )
        for point, most in zip(collections, most_kpa, strict=True)
        if settings.flow.vacuum_kpa > most
    ]


def _pairs(tree: Tree, choice: Choice, units: Units) -> list[Finding]:
    """Say where a dry line runs beside the wet line."""
    out = []
    for j, line in enumerate(tree.lines):
        rows = slice(int(tree.first[j]), int(tree.first[j + 1]))
        length = float(tree.length_m[rows][choice.pair[rows]].sum())
        if length > 0.0:
            out.append(Finding(
                "PAIR_ADDED", "note", "mainlines", line.mainline_id, length, None, "m",
                f"A dry line runs beside the lowest {units.length(length)} of {line.mainline_id}.",
                "Join the two by a manifold at the top of the pair, at every branch and at the releaser.",
            ))
    return out


def _releaser(collections: tuple[CollectionPoint, ...], settings: Settings) -> list[Finding]:
    """Say which kind of releaser can stand at each collection point."""
    power = settings.flow.power_at_collection
    kinds = {
        "yes": "There is power: an electric releaser can push sap away and may stand lower than the tank.",
        "no": "There is no power: only a mechanical releaser will do, and it must stand above the tank it fills.",
        "unknown": "Whether there is power is not known. An electric releaser needs power and can push sap away; "
        "a mechanical one needs none and must stand above the tank it empties into.",
    }
    out = []
    for point in collections:
        above = point.inlet_z_m - point.ground_z_m
        severity: Severity = "note" if power == "yes" else "check"
        out.append(Finding(
            "RELEASER_POWER", severity, "collection", point.collection_id, above, None, "m",
            f"{kinds[power]} The inlet at {point.collection_id} is {above:.2f} m above ground.",
            "Set [flow] power_at_collection, and let a licensed electrician do any wiring."
            if power == "unknown" else "See that releaser, tank and inlet heights agree before you build.",
        ))
    return out


def _gravity(
    grouping: Grouping, collections: tuple[CollectionPoint, ...], settings: Settings, units: Units
) -> list[Finding]:
    """Say what narrow laterals would pull by themselves."""
    out = []
    if settings.flow.pair == "always":
        out.append(Finding(
            "PAIR_WITHOUT_PUMP", "note", "plan", "", None, None, "",
            "A wet and dry pair was asked for, but without a pump there is no air to carry: single lines are planned.",
            "Set [flow] pumped, or leave [flow] pair at auto.",
        ))
    if not grouping.laterals:
        return out
    height = float(np.mean([p.inlet_z_m for p in collections]))
    pull = natural_vacuum_kpa([a.fall_m for a in grouping.laterals], height)
    out.append(Finding(
        "NATURAL_VACUUM", "note", "plan", "", float(np.median(pull)), None, "kPa",
        f"No pump is planned and no vacuum counted on. With 3/16 in laterals the fall from last tap to mainline alone "
        f"would pull {units.vacuum(float(pull.min()))} to {units.vacuum(float(pull.max()))}, half of them at least "
        f"{units.vacuum(float(np.median(pull)))}, on the last tap of each lateral while the line runs full.",
        "Where most is below a third of the barometer, 3/16 in lines gain little: use 5/16 in.",
    ))
    return out
