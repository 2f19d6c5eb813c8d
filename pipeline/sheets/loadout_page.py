"""What to load for every crew-day: which sections, how many hours, which parts of them."""

from __future__ import annotations

from dataclasses import dataclass
from math import ceil

from pipeline.records import Part, Section
from pipeline.sheets.compose import Composer, say
from pipeline.sheets.context import SheetContext
from pipeline.sheets.marks import Page
from pipeline.sheets.orders_page import LABOUR
from pipeline.sheets.parts import in_units, part_name, whole
from pipeline.sheets.table import Cell, Column, Row

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
    for part in ctx.plan.takeoff.by_section:
        if part.code != LABOUR and part.section_id in share:
            key = (part.code, part.unit)
            before = total[key][1] if key in total else 0.0
            total[key] = (part, before + part.quantity * share[part.section_id])
    out = []
    for part, quantity in total.values():
        amount, unit = in_units(ctx, quantity, part.unit)
        out.append((part_name(ctx, part), amount, unit))
    return out


def build(ctx: SheetContext) -> list[Page]:
    """Return the load-out pages of a plan."""
    sections, size = ctx.plan.sections, ctx.plan.settings.sheets.crew_size
    pages = Composer(ctx, "", ctx.w("loadout.title"), ctx.w("loadout.subtitle", name=ctx.plan.settings.bush.name))
    pages.para(ctx.w("loadout.how", crew=f"{max(size, 1.0):.0f}", hours=f"{DAY_H:.0f}"))
    days = crew_days(sections, size)
    for day in days:
        _day(ctx, pages, day)
    if not days:
        pages.para(ctx.w("materials.load_none"))
    return pages.pages()


def _day(ctx: SheetContext, pages: Composer, day: CrewDay) -> None:
    """Add one day: its sections, then its parts in two columns."""
    parts = day_parts(ctx, day)
    half = ceil(len(parts) / 2)
    names = ", ".join(
        name if share > 0.995 else f"{name} ({100.0 * share:.0f} %)" for name, share, _ in day.shares
    )
    hours = say(ctx, f"{sum(h for _, _, h in day.shares):.1f}")
    keep = 40.0 + 18.0 * half if 18.0 * half < 0.8 * pages.body.height else 80.0
    pages.heading(ctx.w("loadout.day", number=day.number, names=names, hours=hours), keep_pt=keep)
    if not parts:
        pages.para(ctx.w("materials.load_none"))
        return
    cells = [(name, Cell(f"{whole(ctx, amount)} {unit}", tag="load"), "") for name, amount, unit in parts]
    rows: list[Row] = []
    for i in range(half):
        right = cells[half + i] if half + i < len(cells) else ("", "", "")
        rows.append([*cells[i], *right])
    pages.table(rows, [
        Column(ctx.w("materials.col_item"), 150.0, bold=True, flex=1.0, wrap=True),
        Column(ctx.w("materials.col_plan"), 56.0, "right", bold=True),
        Column(ctx.w("materials.col_loaded"), 40.0),
    ] * 2)
    pages.space(4.0)
