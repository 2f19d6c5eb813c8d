"""Pump, releaser and tank of every collection point, with the arithmetic behind each figure."""

from __future__ import annotations

from pipeline.records import CollectionPoint, Station
from pipeline.sheets.compose import Composer, say
from pipeline.sheets.context import SheetContext
from pipeline.sheets.geo import decimal
from pipeline.sheets.marks import Page
from pipeline.sheets.table import Column, Row


def build(ctx: SheetContext) -> list[Page]:
    """Return the pump and tank pages."""
    pages = Composer(ctx, "", ctx.w("pump.title"), ctx.w("pump.subtitle", name=ctx.plan.settings.bush.name))
    stations = {s.collection_id: s for s in ctx.plan.flow.stations}
    for point in ctx.plan.collections:
        station = stations.get(point.collection_id)
        pages.heading(ctx.w("pump.station", id=point.collection_id, kind=ctx.w(f"pump.kind_{point.kind}")), size=13.0)
        pages.para(_place(ctx, point))
        if station is None or station.taps == 0:
            pages.para(ctx.w("pump.nothing"))
            pages.space()
            continue
        pages.space(3.0)
        pages.table(_figures(ctx, station), [
            Column(ctx.w("pump.col_what"), 200.0, bold=True, flex=1.0),
            Column(ctx.w("pump.col_value"), 110.0, "right", bold=True), Column(ctx.w("pump.col_built"), 120.0),
        ], size=9.5, row_height=20.0)
        pages.space()
        pages.heading(ctx.w("pump.how"))
        pages.table(_arithmetic(ctx, station), [
            Column(ctx.w("pump.col_what"), 105.0, bold=True, wrap=True),
            Column(ctx.w("pump.col_how"), 300.0, wrap=True, flex=1.0),
        ])
        pages.space(10.0)
    for key in ("note_peak", "note_air", "note_height", "note_electric", "note_food"):
        pages.para(ctx.w(f"pump.{key}"))
    return pages.pages()


def _place(ctx: SheetContext, point: CollectionPoint) -> str:
    units = ctx.units
    inlet = say(ctx, f"{units.elevation_value(point.inlet_z_m)} {units.length_unit}")
    above = say(ctx, units.height(point.inlet_z_m - point.ground_z_m))
    text = ctx.w("pump.place", inlet=inlet, above=above)
    if not ctx.plan.frame.on_earth:
        return text
    lon, lat = (float(v) for v in ctx.plan.frame.lonlat(point.x_m, point.y_m))
    return f"{text}  {decimal(lat)}, {decimal(lon)}"


def _figures(ctx: SheetContext, station: Station) -> list[Row]:
    units = ctx.units
    rows = [
        ("taps", f"{station.taps:,d}"), ("peak", units.flow(station.peak_flow_l_min)),
        ("tank", units.volume(station.tank_l)),
    ]
    if ctx.plan.settings.flow.pumped:
        rows += [
            ("pump", units.air(station.pump_air_m3_s)), ("vacuum", units.vacuum(station.vacuum_kpa)),
            ("farthest", units.vacuum(station.farthest_vacuum_kpa)), ("releaser", units.flow(station.releaser_l_min)),
            ("trap", units.volume(station.moisture_trap_l)),
        ]
    return [[ctx.w(f"pump.{key}"), say(ctx, value), ""] for key, value in rows]


def _arithmetic(ctx: SheetContext, station: Station) -> list[Row]:
    """Return the plan's own arithmetic in English; in another language the same sums from the plan's rules."""
    if ctx.language == "en" and ctx.plan.settings.bush.units == ctx.units.system and station.arithmetic:
        return [[what, how] for what, how in station.arithmetic]
    units, rules = ctx.units, ctx.plan.settings.flow
    values = {
        "taps": f"{station.taps:,d}", "flow_each": units.flow(1000.0 * rules.peak_flow_l_min),
        "flow": units.flow(station.peak_flow_l_min), "tank_each": units.volume(100.0 * rules.tank_per_tap_l),
        "tank": units.volume(station.tank_l), "air_each": units.air(100.0 * rules.air_per_tap_m3_s),
        "air": units.air(station.pump_air_m3_s), "vacuum": units.vacuum(station.vacuum_kpa),
        "far": units.vacuum(station.farthest_vacuum_kpa),
        "lost": units.vacuum(station.vacuum_kpa - station.farthest_vacuum_kpa),
        "releaser": units.flow(station.releaser_l_min), "trap": units.volume(station.moisture_trap_l),
        "times": f"{station.releaser_l_min / station.peak_flow_l_min:.1f}" if station.peak_flow_l_min > 0.0 else "?",
    }
    shown = {key: say(ctx, value) for key, value in values.items()}
    keys = ["peak", "tank", *(("pump", "farthest", "releaser", "trap") if rules.pumped else ())]
    return [[ctx.w(f"pump.{key}"), ctx.w(f"pump.how_{key}", **shown)] for key in keys]
