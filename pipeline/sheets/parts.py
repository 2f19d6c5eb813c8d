"""Names, units and quantities of the take-off as they are printed, in either language."""

from __future__ import annotations

from functools import cache
from math import ceil, isfinite

from pipeline.records import Part
from pipeline.resources import template_rows
from pipeline.sheets.compose import say
from pipeline.sheets.context import SheetContext
from pipeline.units import FT_M, GAL_L


@cache
def _names(language: str) -> tuple[tuple[str, str], ...]:
    """Return (code without size, name) of all parts, longest code first."""
    rows = [(row["code"].replace(" {size}", ""), row[f"name_{language}"]) for row in template_rows("parts.csv")]
    return tuple(sorted(rows, key=lambda row: (-len(row[0]), row[0])))


@cache
def _tasks(language: str) -> dict[str, str]:
    return {row["task"]: row[f"name_{language}"] for row in template_rows("labour.csv")}


def part_name(ctx: SheetContext, part: Part) -> str:
    """Return a part's name in the sheets' language; the take-off's own name when the catalogue has none."""
    for code, name in _names(ctx.language):
        size = part.code[len(code):].strip()
        if part.code == f"{code} {size}".strip() and bool(size) == ("{size}" in name):
            return name.replace("{size}", size)
    return part.name


def task_name(ctx: SheetContext, task: str) -> str:
    """Return the name of a task in the sheets' language."""
    return _tasks(ctx.language).get(task, task)


def in_units(ctx: SheetContext, value: float, unit: str) -> tuple[float, str]:
    """Return a quantity of the take-off (m, L, pc, cfm, h) in the reader's units, with the unit's name."""
    if ctx.units.is_us and unit == "m":
        return value / FT_M, say(ctx, "ft")
    if ctx.units.is_us and unit == "L":
        return value / GAL_L, say(ctx, "gal")
    return value, ctx.words.get(f"unit.{unit}", unit)


def whole(ctx: SheetContext, value: float) -> str:
    """Return a quantity rounded up to whole units."""
    return say(ctx, f"{ceil(value - 1e-6):,d}") if isfinite(value) else "?"


def money(ctx: SheetContext, value: float, digits: int = 2) -> str:
    """Return an amount of money without its currency."""
    return say(ctx, f"{value:,.{digits}f}") if isfinite(value) else "?"
