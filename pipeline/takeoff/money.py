"""Hours, names, whole packs and money."""

from __future__ import annotations

import math

from pipeline.findings import Finding, in_order
from pipeline.hydraulics.catalogue import lateral_size
from pipeline.records import Part, Takeoff
from pipeline.resources import template_rows
from pipeline.settings import Settings
from pipeline.takeoff.tally import Counted

LATERAL_ROLLS = ("TUBING", "DROP TUBING")


def family(code: str, families: dict[str, dict[str, str]]) -> tuple[str, str]:
    """Split a code into its family in the templates and its size: ``"PIPE 3/4"`` -> ``("PIPE", "3/4")``.

    Raises
    ------
    ValueError
        When no family fits.
    """
    if code in families:
        return code, ""
    for name in sorted(families, key=len, reverse=True):
        if code.startswith(name + " "):
            return name, code[len(name) + 1 :]
    raise ValueError(f"templates/parts.csv has no part {code!r}")


def part_rows() -> dict[str, dict[str, str]]:
    """Return the rows of ``templates/parts.csv`` by code without its size."""
    return {row["code"].removesuffix(" {size}"): row for row in template_rows("parts.csv")}


def hours(summed: dict[tuple[str, str], float], section_ids: tuple[str, ...]) -> dict[str, dict[str, float]]:
    """Return hours by section and task; every section is listed, also without work."""
    families, rates = part_rows(), template_rows("labour.csv")
    out: dict[str, dict[str, float]] = {section_id: {} for section_id in section_ids}
    for (section_id, code), quantity in summed.items():
        own = family(code, families)[0]
        for rate in rates:
            if rate["code"] == own:
                tasks = out.setdefault(section_id, {})
                tasks[rate["task"]] = tasks.get(rate["task"], 0.0) + quantity * float(rate["minutes"]) / 60.0
    order = list(dict.fromkeys(rate["task"] for rate in rates))
    return {s: {task: tasks[task] for task in order if task in tasks} for s, tasks in out.items()}


def _prices(price_rows: list[dict[str, str]]) -> dict[str, float]:
    out = {}
    for row in price_rows:
        try:
            out[row["code"].strip()] = float(row["price"])
        except (KeyError, ValueError) as wrong:
            raise ValueError(f"a price row needs code and a number as price; found {row}") from wrong
    return out


def _order(quantity: float, row: dict[str, str], roll_m: float) -> float:
    """Return what to buy: waste added, rounded up to whole packs (to a unit where there is no pack)."""
    wanted = quantity * (1.0 + float(row["waste_pct"]) / 100.0)
    pack = roll_m or float(row["pack"]) or 1.0
    return round(math.ceil(wanted / pack - 1e-9) * pack, 6)


def price(
    *,
    counted: Counted,
    section_ids: tuple[str, ...],
    taps: int,
    rolls_m: dict[str, float],
    settings: Settings,
    price_rows: list[dict[str, str]],
) -> tuple[Takeoff, tuple[Finding, ...]]:
    """Put names, packs, hours and prices to the counted parts.

    Parameters
    ----------
    counted : dict
        Quantities by section and code.
    section_ids : tuple of str
        Sections, in the order of the sheets.
    taps : int
        Taps served, for the cost of one.
    rolls_m : dict
        Roll length by nominal mainline size.
    settings : Settings
        Language, currency, labour price.
    price_rows : list of dict
        Prices.
    """
    families, prices = part_rows(), _prices(price_rows)
    prices["LABOUR"] = settings.prices.labour_per_h
    summed = {key: math.fsum(values) for key, values in counted.items()}
    work = hours(summed, section_ids)
    for section_id, tasks in work.items():
        if tasks:
            summed[section_id, "LABOUR"] = math.fsum(tasks.values())
    rank = {code: i for i, code in enumerate(families)}
    lateral_roll_m = lateral_size("5/16").roll_m
    missing: dict[str, None] = {}

    def part(section_id: str, code: str, quantity: float, *, whole: bool) -> Part:
        name, size = family(code, families)
        row = families[name]
        unit_price = prices.get(code, prices.get(name, 0.0))
        if code not in prices and name not in prices:
            missing[code] = None
        roll_m = rolls_m[size] if name == "PIPE" else lateral_roll_m if name in LATERAL_ROLLS else 0.0
        ordered = quantity if name == "LABOUR" else _order(quantity, row, roll_m)
        return Part(
            section_id=section_id,
            code=code,
            name=row[f"name_{settings.bush.language}"].replace("{size}", size),
            quantity=quantity,
            unit=row["unit"],
            order_quantity=ordered if whole else 0.0,
            unit_price=unit_price,
            cost=(ordered if whole else quantity) * unit_price,
        )

    order = {nominal: i for i, nominal in enumerate(rolls_m)}

    def place(code: str) -> tuple[int, list[int], str]:
        name, size = family(code, families)
        return rank[name], [order.get(one, -1) for one in size.split(" x ")], code

    listed = {s: i for i, s in enumerate((*section_ids, ""))}
    keys = sorted(summed, key=lambda k: (listed[k[0]], *place(k[1])))
    codes = sorted({code for _, code in summed}, key=place)
    total = tuple(
        part("", code, math.fsum(summed[s, c] for s, c in keys if c == code), whole=True) for code in codes
    )
    takeoff = Takeoff(
        by_section=tuple(part(s, c, summed[s, c], whole=False) for s, c in keys),
        total=total,
        hours_by_section=work,
        currency=settings.prices.currency,
    )
    return takeoff, _findings(takeoff, taps, list(missing), settings)


def cost_per_tap(takeoff: Takeoff, taps: int) -> float:
    """Return the cost of everything on the order list, labour included, for one tap; NaN without taps."""
    return math.fsum(p.cost for p in takeoff.total) / taps if taps else math.nan


def _findings(takeoff: Takeoff, taps: int, missing: list[str], settings: Settings) -> tuple[Finding, ...]:
    out = []
    if missing:
        out.append(Finding(
            "PRICE_MISSING", "check", "plan", "", float(len(missing)), 0.0, "parts",
            f"No price for {', '.join(missing)}: counted as 0.",
            "Add rows with these codes to your price file.",
        ))
    if not settings.prices.file:
        out.append(Finding(
            "PRICES_ARE_EXAMPLES", "note", "plan", "", None, None, "",
            "All money on the order list comes from invented example prices.",
            "Copy templates/prices.csv, put in your supplier's prices, and name the file in [prices] file.",
        ))
    if taps:
        each = cost_per_tap(takeoff, taps)
        out.append(Finding(
            "COST_PER_TAP", "note", "plan", "", each, None, takeoff.currency,
            f"Parts and labour come to {each:,.2f} {takeoff.currency} for each of {taps} taps.",
            "Put in your own prices and hours before you rely on it.",
        ))
    return in_order(out)
