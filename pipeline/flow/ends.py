"""What stands at the end of the line: pump, releaser, moisture trap, tank."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from pipeline.flow.choose import Load, Vacuum
from pipeline.flow.network import Tree
from pipeline.hydraulics import air
from pipeline.records import CollectionPoint, Station
from pipeline.settings import Settings
from pipeline.units import Units

TRAP_MINUTES = 2.0  # of the releaser's flow that the moisture trap must hold; rules.csv ends.trap_minutes
LEAST_TRAP_L = 20.0  # rules.csv ends.least_trap


def stations(
    *,
    tree: Tree,
    load: Load,
    vacuum: Vacuum,
    collections: tuple[CollectionPoint, ...],
    settings: Settings,
) -> tuple[Station, ...]:
    """Return sums and equipment per collection point, in the given order."""
    arrives = tree.collection[tree.node_owner[tree.entry_node]] if len(tree.entry_node) else np.zeros(0, np.int64)
    return tuple(
        _station(
            point=point,
            taps=int(load.entry_taps[arrives == i].sum()),
            entry_kpa=vacuum.entry_kpa[arrives == i],
            barometer_pa=float(load.barometer_pa[i]),
            pump_pa=float(load.pump_pa[i]),
            settings=settings,
        )
        for i, point in enumerate(collections)
    )


def _station(
    *,
    point: CollectionPoint,
    taps: int,
    entry_kpa: npt.NDArray[np.float64],
    barometer_pa: float,
    pump_pa: float,
    settings: Settings,
) -> Station:
    rules = settings.flow
    pumped = rules.pumped
    releaser_l_min = taps * max(rules.sensitivity_flow_l_min, rules.peak_flow_l_min) if pumped else 0.0
    station = Station(
        collection_id=point.collection_id,
        taps=taps,
        peak_flow_l_min=taps * rules.peak_flow_l_min,
        pump_air_m3_s=taps * rules.air_per_tap_m3_s if pumped else 0.0,
        releaser_l_min=releaser_l_min,
        tank_l=taps * rules.tank_per_tap_l,
        moisture_trap_l=max(LEAST_TRAP_L, TRAP_MINUTES * releaser_l_min) if pumped else 0.0,
        vacuum_kpa=(barometer_pa - pump_pa) / 1000.0,
        farthest_vacuum_kpa=float(entry_kpa.min()) if pumped and len(entry_kpa) else 0.0,
    )
    rows = arithmetic(station=station, point=point, barometer_pa=barometer_pa, settings=settings)
    return replace(station, arithmetic=rows)


def displacement_m3_s(*, free_air_m3_s: float, barometer_pa: float, vacuum_kpa: float) -> float:
    """Return what the pump must sweep at its inlet to take in an amount of free air.

    Thin air takes more room: free air times sea-level pressure over the absolute
    pressure at the pump, at the same temperature.

    Examples
    --------
    10 cfm of free air at 25 inHg, sea level, is 61 cfm of sweep.

    >>> from pipeline.units import INHG_KPA
    >>> round(displacement_m3_s(free_air_m3_s=10.0, barometer_pa=101325.0, vacuum_kpa=25 * INHG_KPA))
    61
    """
    return free_air_m3_s * air.SEA_LEVEL_PA / (barometer_pa - vacuum_kpa * 1000.0)


def arithmetic(
    *, station: Station, point: CollectionPoint, barometer_pa: float, settings: Settings
) -> tuple[tuple[str, str], ...]:
    """Return rows (what, how) that let a reader check every figure of a station by hand."""
    rules, units = settings.flow, Units(settings.bush.units)
    per_tap = units.flow_value(1000.0 * rules.peak_flow_l_min)
    rows = [
        ("Taps", f"{station.taps} arrive at {station.collection_id}"),
        (
            "Peak sap",
            f"{station.taps} taps x {per_tap} {units.flow_unit} per 1,000 taps = {units.flow(station.peak_flow_l_min)}",
        ),
        (
            "Tank",
            f"{station.taps} taps x {units.volume(100.0 * rules.tank_per_tap_l)} per 100 taps = "
            f"{units.volume(station.tank_l)}",
        ),
    ]
    if not rules.pumped:
        return (*rows, ("Pump", "none: gravity only, no vacuum is counted on"))
    swept = displacement_m3_s(
        free_air_m3_s=station.pump_air_m3_s, barometer_pa=barometer_pa, vacuum_kpa=station.vacuum_kpa
    )
    margin = station.releaser_l_min / station.peak_flow_l_min if station.peak_flow_l_min > 0.0 else 1.0
    return (
        *rows,
        (
            "Barometer",
            f"{units.vacuum(barometer_pa / 1000.0)} on average at {point.inlet_z_m:.0f} m: no pump pulls more",
        ),
        (
            "Pump air",
            f"{station.taps} taps x {units.air(100.0 * rules.air_per_tap_m3_s)} per 100 taps = "
            f"{units.air(station.pump_air_m3_s)} of free air (leaks and tree gas)",
        ),
        (
            "Pump sweep",
            f"{units.air(station.pump_air_m3_s)} of free air fills {units.air(swept)} at "
            f"{units.vacuum(station.vacuum_kpa)}: ask for the pump's capacity at this vacuum, not for its open flow",
        ),
        (
            "Farthest entry",
            f"{units.vacuum(station.vacuum_kpa)} at the pump, {units.vacuum(station.farthest_vacuum_kpa)} at the "
            f"farthest entry: {units.vacuum(station.vacuum_kpa - station.farthest_vacuum_kpa)} lost in mainlines",
        ),
        (
            "Releaser",
            f"{units.flow(station.peak_flow_l_min)} x {margin:.1f} (the stronger run must pass) = "
            f"{units.flow(station.releaser_l_min)}",
        ),
        (
            "Releaser kind",
            {
                "yes": "power at hand: electric (can push, may stand low) or mechanical (must stand above its tank)",
                "no": "no power: mechanical, and it must stand above the tank it fills",
            }.get(rules.power_at_collection, "not decided: electric needs power and can push; "
                  "mechanical needs none and must stand above the tank it fills")
            + f"; inlet {units.height(point.inlet_z_m - point.ground_z_m)} above ground",
        ),
        (
            "Moisture trap",
            f"{TRAP_MINUTES:.0f} minutes of the releaser's flow, at least {units.volume(LEAST_TRAP_L)}: "
            f"{units.volume(station.moisture_trap_l)}",
        ),
    )
