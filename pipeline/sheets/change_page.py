"""The change sheet of a section: what goes, what stays, what is new, step by step, after everything is made safe."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from itertools import zip_longest
from math import ceil

import numpy as np
import shapely

from pipeline.records import Change, ChangeItem, Part, SectionChange
from pipeline.sheets import change_marks as signs
from pipeline.sheets import symbols
from pipeline.sheets.change_map import ChangeMap, draw, figure
from pipeline.sheets.change_words import amount_text, step_text
from pipeline.sheets.compose import Composer, say, write_line
from pipeline.sheets.context import SheetContext
from pipeline.sheets.ground_layer import hatch
from pipeline.sheets.map_panel import scale_text
from pipeline.sheets.marks import Group, Mark, Page, Rect, Text
from pipeline.sheets.parts import in_units, part_name, whole
from pipeline.sheets.table import Cell, Column, Row
from pipeline.sheets.text import width_pt

MAP_PT, SMALL_MAP_PT = 318.0, 232.0
FEW_STEPS = 6  # with so few steps a smaller map lets the whole sheet stay on one page
_LEGEND_PT = 28.0
_KEY_PT = 7.4
_Sample = Callable[[float, float], list[Mark]]


def build(ctx: SheetContext, section_id: str) -> list[Page]:
    """Return the change sheets of a section that the last repair touched or gave up."""
    revision = ctx.revision_of(section_id)[0]
    change = next(c for c in reversed(ctx.plan.changes) if c.revision == revision)
    own = next(s for s in change.sections if s.section_id == section_id)
    subtitle = ctx.w("change.subtitle", old=own.replaces, new=change.revision, source=change.source, date=change.date)
    title = ctx.w("change.title_given_up" if own.retired else "change.title")
    pages = Composer(ctx, section_id, title, subtitle)
    items = tuple(i for i in change.changes if i.section_id == section_id)
    drawn = _map(ctx, pages, change, items, section_id) if items else None
    _declared(ctx, pages)
    _steps(ctx, pages, change, section_id)
    _net(ctx, pages, change, own)
    _parts(ctx, pages, change, section_id)
    _found_else(ctx, pages)
    _signatures(ctx, pages)
    made = pages.pages()
    if drawn is not None:
        geo = drawn.view.geo_box(ctx.plan.frame, f"{section_id} {title}")
        made[0] = replace(made[0], geo=geo)
    return made


def _map(
    ctx: SheetContext, pages: Composer, change: Change, items: tuple[ChangeItem, ...], section_id: str
) -> ChangeMap:
    body = pages.body
    few = sum(s.section_id == section_id for s in change.steps) <= FEW_STEPS
    high = SMALL_MAP_PT if few else MAP_PT
    frame = Rect(body.x0, body.y1 - high, body.x1, body.y1)
    drawn = draw(ctx, change, items, frame)
    pages.block(high, lambda _rect: [figure(ctx, drawn, section_id)])
    pages.block(_LEGEND_PT, lambda rect: _legend(ctx, drawn, rect))
    lost = [label.tag for label in drawn.dropped if label.kind in ("mark", "storm")]
    if lost:
        pages.para(ctx.w("change.no_room", names=", ".join(lost)), size=7.6)
    return drawn


def _legend(ctx: SheetContext, drawn: ChangeMap, rect: Rect) -> list[Mark]:
    """Return the key: how changes are drawn, and below it what the storm left; the scale at the right."""
    changes: tuple[tuple[str, _Sample, float], ...] = (
        ("remove", lambda x, y: signs.remove_line(_sample(x, y), 1.7), 26.0),
        ("keep", lambda x, y: signs.keep_lines([_sample(x, y)], 1.4), 26.0),
        ("mend", lambda x, y: signs.mend_line(_sample(x, y), 2.2), 28.0),
        ("new", lambda x, y: signs.new_line(_sample(x, y), 2.2), 26.0),
    )
    storm: tuple[tuple[str, _Sample, float], ...] = (
        ("key_down", lambda x, y: signs.tree_down(x + 4.0, y, (x + 20.0, y)), 22.0),
        ("key_hazard", lambda x, y: symbols.hazard(x + 6.0, y, 9.0), 14.0),
        ("key_broken", lambda x, y: signs.broken(x + 6.0, y), 14.0),
        ("key_access", lambda x, y: signs.blocked(x + 6.0, y), 14.0),
        ("key_blown", _blown_sample, 22.0),
    )
    marks = [*_key_row(ctx, changes, rect.x0, rect.y0 + 19.0, bold=True), *_key_row(ctx, storm, rect.x0, rect.y0 + 6.0)]
    marks.append(Text(rect.x1, rect.y0 + 16.4, scale_text(ctx, drawn.view), _KEY_PT, align="right"))
    return [Group(tuple(marks), role="Figure", alt=ctx.w("change.alt_key"))]


def _key_row(
    ctx: SheetContext, entries: tuple[tuple[str, _Sample, float], ...], x: float, y: float, *, bold: bool = False
) -> list[Mark]:
    marks: list[Mark] = []
    for key, sample, width in entries:
        text = ctx.w(f"change.{key}")
        marks += [*sample(x, y), Text(x + width + 4.0, y - 2.6, text, _KEY_PT, bold=bold, tag="key")]
        x += width + 16.0 + width_pt(text, _KEY_PT, bold=bold)
    return marks


def _sample(x: float, y: float) -> np.ndarray:
    return np.array([[x, y], [x + 26.0, y]])


def _blown_sample(x: float, y: float) -> list[Mark]:
    shape = shapely.box(x, y - 4.0, x + 20.0, y + 4.5)
    return signs.blown_area([signs.points_of(shapely.get_coordinates(shape))], hatch(shape, 45.0, 5.0))


def _steps(ctx: SheetContext, pages: Composer, change: Change, section_id: str) -> None:
    rows: list[Row] = []
    for step in (s for s in change.steps if s.section_id == section_id):
        name = " ".join((str(step.number), *step.marks))
        rows.append([
            Cell(name, tag="step"), ctx.w(f"change.action_{step.action}"), step_text(ctx, change, step),
            amount_text(ctx, step), "",
        ])
    pages.space(2.0)
    pages.table(rows, [
        Column(ctx.w("change.col_step"), 52.0, bold=True, wrap=True),
        Column(ctx.w("change.col_action"), 60.0, bold=True),
        Column(ctx.w("change.col_what"), 250.0, flex=1.0, wrap=True),
        Column(ctx.w("change.col_amount"), 84.0, wrap=True),
        Column(ctx.w("change.col_done"), 36.0, "center", tick=True),
    ], heavy_every=0, even=False)
    if any(s.action == "remove" for s in change.steps if s.section_id == section_id):
        pages.para(ctx.w("change.remove_note"), size=8.0)
    pages.space(1.0)


def _net(ctx: SheetContext, pages: Composer, change: Change, own: SectionChange) -> None:
    def swap(out_m: float, in_m: float) -> str:
        if out_m < 0.05 and in_m < 0.05:
            return ctx.w("change.no_change")
        return say(ctx, f"−{ctx.units.length(out_m)} / +{ctx.units.length(in_m)}")

    saved = [
        f"{part_name(ctx, _part(p.code))} {_amount(ctx, p.saved, p.unit)}"
        for p in change.parts if p.section_id == own.section_id and p.saved > 0.0
    ]
    pages.para(ctx.w(
        "change.net", before=own.taps_before, after=own.taps_after,
        mainline=swap(own.mainline_out_m, own.mainline_in_m), lateral=swap(own.lateral_out_m, own.lateral_in_m),
        saved="; ".join(saved) or ctx.w("change.nothing"),
    ), bold=True)


def _part(code: str) -> Part:
    return Part("", code, code, 0.0, "", 0.0, 0.0, 0.0)


def _amount(ctx: SheetContext, quantity: float, unit: str) -> str:
    value, name = in_units(ctx, quantity, unit)
    return say(ctx, f"{value:,.0f}" if unit == "pc" else f"{value:,.0f} {name}")


def _to_take(ctx: SheetContext, quantity: float, unit: str) -> str:
    """Return an amount that must suffice, rounded up as on the load list."""
    value, name = in_units(ctx, quantity, unit)
    return whole(ctx, value) if unit == "pc" else f"{whole(ctx, value)} {name}"


def _parts(ctx: SheetContext, pages: Composer, change: Change, section_id: str) -> None:
    """Add what to take in: parts to buy, and parts that are used again."""
    cells = [
        (part_name(ctx, _part(p.code)), _to_take(ctx, p.needed - p.reused, p.unit) if p.needed > p.reused else "—",
         _amount(ctx, p.reused, p.unit) if p.reused > 0.0 else "—", "")
        for p in change.parts if p.section_id == section_id and p.needed > 0.0
    ]
    if not cells:
        return
    half = ceil(len(cells) / 2)
    rows: list[Row] = [[*left, *(right or ("", "", "", ""))] for left, right in zip_longest(cells[:half], cells[half:])]
    pages.space(2.0)
    pages.heading(ctx.w("change.parts"), keep_pt=40.0)
    pages.table(rows, [
        Column(ctx.w("materials.col_item"), 120.0, bold=True, flex=1.0, wrap=True),
        Column(ctx.w("change.col_take"), 46.0, "right", bold=True), Column(ctx.w("change.col_reused"), 44.0, "right"),
        Column("✓", 20.0),
    ] * 2, heavy_every=0, size=8.2)


def _found_else(ctx: SheetContext, pages: Composer) -> None:
    pages.space(2.0)
    pages.need(100.0)
    pages.heading(ctx.w("change.found_else"), keep_pt=50.0)

    def lines(rect: Rect) -> list[Mark]:
        return [write_line(rect.x0, rect.x1, rect.y1 - 18.0 * k, "")[0] for k in (1, 2)]

    pages.block(40.0, lines)


def _declared(ctx: SheetContext, pages: Composer) -> None:
    """Add who declared it safe, on the page of the first step: what nobody signed there is not begun."""
    pages.para(ctx.w("change.safe_first"), bold=True, size=8.0)
    pages.block(28.0, lambda rect: _write_lines(ctx, rect, ("sign_safe", "sign_date")))


def _signatures(ctx: SheetContext, pages: Composer) -> None:
    pages.block(38.0, lambda rect: _write_lines(ctx, rect, ("sign_built", "sign_date", "sign_entered")))


def _write_lines(ctx: SheetContext, rect: Rect, keys: tuple[str, ...]) -> list[Mark]:
    wide = (rect.width - 12.0 * (len(keys) - 1)) / len(keys)
    marks: list[Mark] = []
    for k, key in enumerate(keys):
        x = rect.x0 + k * (wide + 12.0)
        marks += write_line(x, x + wide, rect.y0 + 14.0, ctx.w(f"change.{key}"), 7.6)
    return marks
