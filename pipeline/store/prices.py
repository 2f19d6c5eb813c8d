"""Reads the grower's price list: every row is used, or the list is refused with what is wrong in it."""

from __future__ import annotations

import difflib
import math
from pathlib import Path

from pipeline.errors import InputDataError, Problem
from pipeline.resources import template_rows
from pipeline.settings import Settings
from pipeline.store import guard, tables, words
from pipeline.units import FT_M, GAL_L

WHERE = "prices.file"
# a unit a supplier may price by -> the unit of the order list, and how many of these it holds
_PER: dict[str, tuple[str, float]] = {
    "m": ("m", 1.0), "ft": ("m", FT_M), "pi": ("m", FT_M), "pc": ("pc", 1.0), "ea": ("pc", 1.0), "un": ("pc", 1.0),
    "l": ("L", 1.0), "gal": ("L", GAL_L), "cfm": ("cfm", 1.0),
}


def read_prices(settings: Settings, base: Path) -> tuple[dict[str, str], ...]:
    """Return rows with ``code``, ``price`` and ``unit``: the grower's own, or the examples when no file is named.

    Parameters
    ----------
    settings : Settings
    base : Path
        Folder of the bush file.

    Returns
    -------
    tuple of dict
        Prices per unit of the order list (m, pc, L, cfm); a price per foot or US gallon is converted.

    Raises
    ------
    InputDataError
        With every row that has an unknown or repeated code, no price, or a unit that does not fit the part.
    """
    name = settings.prices.file
    if not name:
        return tuple(template_rows("prices.csv"))
    path = guard.locate(base, name, WHERE)
    if isinstance(path, Problem):
        raise InputDataError([path])
    table, problems = _table(path, name)
    if table is None:
        raise InputDataError(problems)
    heads = {what: next((h for h in table.columns if words.fold(h) == what), "") for what in ("code", "price", "unit")}
    missing = [what for what in ("code", "price") if not heads[what]]
    if missing:
        problems.append(Problem(name, f"{WHERE}, header", f"the columns {', '.join(table.columns)[:200]}",
                                f"the columns {' and '.join(missing)}", "Copy templates/prices.csv and fill it in."))
        raise InputDataError(problems)
    rows = _rows(table, heads, name, problems)
    if problems:
        raise InputDataError(tables.some(problems))
    return rows


def _table(path: Path, name: str) -> tuple[tables.Table | None, list[Problem]]:
    kind = guard.vector_format(path, name, WHERE)
    if kind != "CSV":
        found = kind.found if isinstance(kind, Problem) else f"a file of the kind {kind}"
        return None, [Problem(name, WHERE, found, "a CSV", "Save the price list as CSV (UTF-8).")]
    return tables.read_csv(path, name, WHERE, comments=True)


def _rows(
    table: tables.Table, heads: dict[str, str], name: str, problems: list[Problem]
) -> tuple[dict[str, str], ...]:
    units = {row["code"]: row["unit"] for row in template_rows("parts.csv")}
    blank = ("",) * len(table)
    cells = zip(table.columns[heads["code"]], table.columns[heads["price"]],
                table.columns.get(heads["unit"], blank), table.row.tolist(), strict=True)
    seen: set[str] = set()
    rows: list[dict[str, str]] = []
    for given, price, unit, line in cells:
        code = words.clean(given, 60).upper()
        where = f"{WHERE}, line {line}"
        own = _unit_of(code, units)
        if not own:
            problems.append(Problem(name, where, f"the code {code!r}", "a code of templates/prices.csv",
                                    _nearest(code, units)))
        elif code in seen:
            problems.append(Problem(name, where, f"the code {code!r} again", "each code once", "Delete one of them."))
        else:
            value = _price(price, unit, own, name, where, problems)
            rows.append({"code": code, "price": repr(value), "unit": own})
        seen.add(code)
    return tuple(rows)


def _price(price: str, unit: str, own: str, name: str, where: str, problems: list[Problem]) -> float:
    """Return a price per unit of the order list; NaN after a complaint."""
    value = words.number(price)
    if not value >= 0.0:
        problems.append(Problem(name, where, f"the price {price[:40]!r}", "a number, 0 or more",
                                "Write the number alone, without currency or thousands marks."))
        return math.nan
    into, holds = _PER.get(words.fold(unit), ("", 1.0)) if unit.strip() else (own, 1.0)
    if into != own:
        fits = ", ".join(u for u, (to, _) in _PER.items() if to == own)
        problems.append(Problem(name, where, f"the unit {unit[:20]!r}", f"one of {fits}",
                                "Give the price of one such unit, or leave the cell empty."))
        return math.nan
    return value / holds


def _unit_of(code: str, units: dict[str, str]) -> str:
    """Return the order list's unit of a code, with or without its size; ``""`` for a code that is none."""
    for known, unit in units.items():
        stem = known.removesuffix(" {size}")
        if code == stem or (known != stem and code.startswith(f"{stem} ")):
            return unit
    return ""


def _nearest(code: str, units: dict[str, str]) -> str:
    close = difflib.get_close_matches(code, [k.removesuffix(" {size}") for k in units], 1)
    return f"Did you mean {close[0]!r}?" if close else "Delete the row, or use a code of the order list."
