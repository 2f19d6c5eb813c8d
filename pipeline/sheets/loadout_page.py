"""What to load for every crew-day: which sections, how many hours, which parts of them."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

from pipeline.records import Part, Section
from pipeline.sheets.compose import Composer, say
from pipeline.sheets.context import SheetContext
from pipeline.sheets.lookup import lookup
from pipeline.sheets.marks import Page
from pipeline.sheets.orders_page import LABOUR
from pipeline.sheets.parts import in_units, part_name, whole
from pipeline.sheets.table import Cell, Column, Row

_ITEM_PT, _DAY_PT = 168.0, 41.0
DAY_H = 8.0  # hours of work in a day, walking in and weather not included; ours


@dataclass(frozen=True, slots=True)
class CrewDay:
    """One day of one crew: shares of sections, in the order they are built."""

    number: int
    shares: tuple[tuple[str, float, float], ...]  # section, share of the section built that day, person-hours


def crew_days(sections: tuple[Section, ...], crew_size: float) -> list[CrewDay]:
    """Return the work of one crew day by day, sections in their order, a long section over several days.

    The shares of every section sum to one and the person-hours to its own.
    """
    room = DAY_H * max(crew_size, 1.0)
    days: list[list[tuple[str, float, float]]] = [[]]
    left = room
    for section in sections:
        rest = section.crew_hours
        while True:
            if left < 0.05 * room:
                days.append([])
                left = room
            # a crumb of a section is finished on the same day rather than fetched again
            take = rest if rest - left < 0.1 * room else left
            days[-1].append((section.section_id, take / section.crew_hours if section.crew_hours else 1.0, take))
            rest, left = rest - take, left - take
            if rest <= 0.0:
                break
    return [CrewDay(i, tuple(shares)) for i, shares in enumerate(days, start=1) if shares]


def day_parts(ctx: SheetContext, day: CrewDay) -> list[tuple[str, float, str]]:
    """Return name, quantity and unit of every part to load on a day, in the take-off's order."""
    share = {name: part for name, part, _ in day.shares}
    total: dict[tuple[str, str], tuple[Part, float]] = {}
    known = lookup(ctx.plan).parts
    for _, part in sorted((pair for name in share for pair in known.get(name, ())), key=lambda pair: pair[0]):
        if part.code != LABOUR:
            key = (part.code, part.unit)
            before = total[key][1] if key in total else 0.0
            total[key] = (part, before + part.quantity * share[part.section_id])
    out = []
    for part, quantity in total.values():
        amount, unit = in_units(ctx, quantity, part.unit)
        out.append((part_name(ctx, part), amount, unit))
    return out


def build(ctx: SheetContext) -> list[Page]:
    """Return the load-out pages of a plan: a table of parts by day, as many days side by side as a page is wide."""
    sections, size = ctx.plan.sections, ctx.plan.settings.sheets.crew_size
    pages = Composer(ctx, "", ctx.w("loadout.title"), ctx.w("loadout.subtitle", name=ctx.plan.settings.bush.name))
    pages.para(ctx.w("loadout.how", crew=f"{max(size, 1.0):.0f}", hours=f"{DAY_H:.0f}"))
    days = crew_days(sections, size)
    most = max(1, int((pages.body.width - _ITEM_PT) / _DAY_PT))
    count = ceil(len(days) / most)
    share = ceil(len(days) / max(count, 1))
    for k in range(count):
        if k:
            pages.new_page()
        _days(ctx, pages, days[k * share: (k + 1) * share])
    if not any(day_parts(ctx, day) for day in days):
        pages.para(ctx.w("materials.load_none"))
    return pages.pages()


def _days(ctx: SheetContext, pages: Composer, days: list[CrewDay]) -> None:
    """Add one table: a column for each day, a row for each part that is loaded on any of them."""
    loads = [{(name, unit): amount for name, amount, unit in day_parts(ctx, day)} for day in days]
    takeoff = ctx.plan.takeoff
    kinds: dict[tuple[str, str, str], Part] = {}
    for part in (*takeoff.total, *takeoff.by_section):
        if part.code != LABOUR:
            kinds.setdefault((part.code, part.name, part.unit), part)
    known = dict.fromkeys((part_name(ctx, p), in_units(ctx, 0.0, p.unit)[1]) for p in kinds.values())
    pieces = in_units(ctx, 0.0, "pc")[1]
    hours = [say(ctx, f"{sum(h for _, _, h in day.shares):.1f}") for day in days]
    rows: list[Row] = [[ctx.w("loadout.hours"), *hours]]
    for name, unit in known:
        if any((name, unit) in load for load in loads):
            amounts = [whole(ctx, load[name, unit]) if (name, unit) in load else "" for load in loads]
            item = name if unit == pieces else f"{name}, {unit}"
            rows.append([item, *(Cell(amount, tag="load") for amount in amounts)])
    pages.table(rows, [
        Column(ctx.w("materials.col_item"), _ITEM_PT, bold=True, flex=1.0, wrap=True),
        *(Column(_day_title(ctx, day), _DAY_PT, "right") for day in days),
    ], even=False)


def _day_title(ctx: SheetContext, day: CrewDay) -> str:
    """Return the number of a day and the sections built on it, with the share of one that takes several days."""
    names = [name if share > 0.995 else f"{name} {100.0 * share:.0f}\u00a0%" for name, share, _ in day.shares]
    return "\n".join((ctx.w("loadout.day", number=day.number), *names))
