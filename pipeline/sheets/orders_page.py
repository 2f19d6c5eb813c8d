"""The order list: what the whole plan takes, in whole rolls and packs, and what that may cost."""

from __future__ import annotations

from pipeline.records import Part
from pipeline.sheets.compose import Composer, say
from pipeline.sheets.context import SheetContext
from pipeline.sheets.marks import Page
from pipeline.sheets.parts import in_units, money, part_name, task_name, whole
from pipeline.sheets.table import Column, Row

LABOUR = "LABOUR"


def build(ctx: SheetContext) -> list[Page]:
    """Return the order pages."""
    plan = ctx.plan
    pages = Composer(ctx, "", ctx.w("orders.title"), ctx.w("orders.subtitle", name=plan.settings.bush.name))
    own_prices = bool(plan.settings.prices.file)
    pages.para(ctx.w("orders.own_prices" if own_prices else "orders.example_prices"), bold=True, size=9.5)
    pages.para(ctx.w("orders.rolls"))
    pages.para(ctx.w("orders.check"))
    pages.space(3.0)
    parts = [p for p in plan.takeoff.total if p.code != LABOUR]
    if not parts:
        pages.para(ctx.w("orders.none"))
        return pages.pages()
    pages.table([_row(ctx, part) for part in parts], _columns(ctx), even=False)
    pages.space(3.0)
    _sums(ctx, pages, parts)
    _labour(ctx, pages)
    return pages.pages()


def _columns(ctx: SheetContext) -> list[Column]:
    currency = ctx.plan.takeoff.currency
    return [
        Column(ctx.w("orders.col_item"), 190.0, bold=True, wrap=True, flex=1.0),
        Column(ctx.w("orders.col_unit"), 36.0, "center"),
        Column(ctx.w("orders.col_needed"), 58.0, "right"), Column(ctx.w("orders.col_order"), 58.0, "right", bold=True),
        Column(f"{ctx.w('orders.col_price')}\n{currency}", 56.0, "right"),
        Column(f"{ctx.w('orders.col_cost')}\n{currency}", 64.0, "right"),
        Column(ctx.w("orders.col_ordered"), 46.0, "center", tick=True),
        Column(ctx.w("orders.col_got"), 46.0, "center", tick=True),
    ]


def _row(ctx: SheetContext, part: Part) -> Row:
    """Return one line; the unit price is turned to the unit that is printed."""
    needed, unit = in_units(ctx, part.quantity, part.unit)
    order, _ = in_units(ctx, part.order_quantity, part.unit)
    factor = in_units(ctx, 1.0, part.unit)[0]
    return [
        part_name(ctx, part), unit, whole(ctx, needed), whole(ctx, order),
        money(ctx, part.unit_price / factor), money(ctx, part.cost), "", "",
    ]


def _sums(ctx: SheetContext, pages: Composer, parts: list[Part]) -> None:
    plan, currency = ctx.plan, ctx.plan.takeoff.currency
    material = sum(p.cost for p in parts)
    labour = sum(p.cost for p in plan.takeoff.total if p.code == LABOUR)
    taps = sum(lateral.taps for lateral in plan.laterals)
    pages.para(ctx.w("orders.sum_material", amount=money(ctx, material), currency=currency), bold=True, size=10.0)
    if labour > 0.0:
        pages.para(ctx.w("orders.sum_labour", amount=money(ctx, labour), currency=currency), bold=True, size=10.0)
    total = money(ctx, material + labour)
    each = money(ctx, (material + labour) / taps) if taps else "?"
    pages.para(ctx.w("orders.sum_all", amount=total, currency=currency, each=each), bold=True, size=10.0)
    pages.space()


def _labour(ctx: SheetContext, pages: Composer) -> None:
    """Add hours of the whole plan by task."""
    hours: dict[str, float] = {}
    for tasks in ctx.plan.takeoff.hours_by_section.values():
        for task, value in tasks.items():
            hours[task] = hours.get(task, 0.0) + value
    if not hours:
        return
    pages.heading(ctx.w("orders.labour"))
    rows: list[Row] = [[task_name(ctx, task), say(ctx, f"{value:,.1f}")] for task, value in hours.items() if value > 0]
    rows.append([ctx.w("materials.sum"), say(ctx, f"{sum(hours.values()):,.1f}")])
    pages.table(rows, [
        Column(ctx.w("materials.col_task"), 200.0, bold=True, flex=1.0),
        Column(ctx.w("materials.col_hours"), 90.0, "right", bold=True),
    ])
    pages.space()
