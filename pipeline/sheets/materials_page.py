"""What to load, what to cut, which pipe goes where, how long it takes, and who signs."""

from __future__ import annotations

from collections.abc import Collection
from itertools import zip_longest
from math import ceil, isfinite

from pipeline.records import Pipe, Section
from pipeline.sheets.compose import LINE_FACTOR, TEXT_PT, Composer, TickList, say, write_line
from pipeline.sheets.context import SheetContext
from pipeline.sheets.laterals_page import in_line_order
from pipeline.sheets.local import tied
from pipeline.sheets.lookup import lookup
from pipeline.sheets.marks import Mark, Page, Rect
from pipeline.sheets.parts import in_units, part_name, task_name, whole
from pipeline.sheets.table import BODY_PT, WRITE_IN_ROW_PT, Column, Row
from pipeline.sheets.text import width_pt, wrap
from pipeline.takeoff.tally import CUT_SLACK, tubing_m

_CUT_COLUMNS = 5
_CUT_REST_PT = 76.0  # of a column beside its ID
_STEPS = 9  # words materials.step_1 ... step_9
_CHECKS = 7  # words materials.check_1 ... check_7
_LINES = (2, 6)  # to write changes on: fewest and most
_SIGN_PT, _SMALL_PT = 38.0, 8.5


def build(ctx: SheetContext, section: Section) -> list[Page]:
    """Return the material and sign-off pages of a section alone."""
    pages = Composer(ctx, section.section_id, ctx.w("materials.title"), subtitle(ctx))
    fill(ctx, pages, section)
    return pages.pages()


def subtitle(ctx: SheetContext) -> str:
    """Return the line under the title."""
    return ctx.w("materials.subtitle", name=ctx.plan.settings.bush.name)


def fill(ctx: SheetContext, pages: Composer, section: Section, *, elsewhere: Collection[str] = ()) -> None:
    """Add everything from the load list on; the order of work and the sign-off when they stand nowhere else."""
    _load_list(ctx, pages, section)
    _pipes(ctx, pages, section)
    _cut_list(ctx, pages, section)
    _hours(ctx, pages, section)
    if "steps" not in elsewhere:
        pages.ticks(work_steps(ctx))
        pages.space()
    if "sign" not in elsewhere:
        sign_off(ctx, pages)


def work_steps(ctx: SheetContext) -> tuple[TickList, TickList]:
    """Return the order of work and, beside it, the checks before leaving."""
    return (
        (ctx.w("materials.steps"), [f"{i}.  {ctx.w(f'materials.step_{i}')}" for i in range(1, _STEPS + 1)], 0.6),
        (ctx.w("materials.checks"), [ctx.w(f"materials.check_{i}") for i in range(1, _CHECKS + 1)], 0.4),
    )


def _load_list(ctx: SheetContext, pages: Composer, section: Section) -> None:
    parts = [p for _, p in lookup(ctx.plan).parts.get(section.section_id, ())]
    pages.heading(ctx.w("materials.load"))
    cells = []
    for part in parts:
        amount, unit = in_units(ctx, part.quantity, part.unit)
        if part.code != "LABOUR":
            cells.append((part_name(ctx, part), f"{whole(ctx, amount)} {unit}", "", ""))
    if not cells:
        pages.para(ctx.w("materials.load_none"))
    half = ceil(len(cells) / 2)
    rows: list[Row] = [
        [*left, *(right or ("",) * 4)] for left, right in zip_longest(cells[:half], cells[half:])
    ]
    pages.table(rows, [
        Column(ctx.w("materials.col_item"), 116.0, bold=True, flex=1.0, wrap=True),
        Column(ctx.w("materials.col_plan"), 50.0, "right", bold=True),
        Column(ctx.w("materials.col_loaded"), 36.0), Column(ctx.w("materials.col_used"), 36.0),
    ] * 2, even=False)
    pages.space()


def _pipes(ctx: SheetContext, pages: Composer, section: Section) -> None:
    """Add the pipe schedule: every stretch of one size in the section, clipped to its pieces."""
    rows: list[Row] = []
    for mainline_id, low, high in section.pieces:
        own = lookup(ctx.plan).pipes.get(mainline_id, ())
        for pipe in sorted(own, key=lambda p: (p.from_station_m, p.role == "dry")):
            a, b = max(low, pipe.from_station_m), min(high, pipe.to_station_m)
            if b > a + 1e-6:
                rows.append(_pipe_row(ctx, pipe, a, b))
    if not rows:
        return
    unit = say(ctx, ctx.units.length_unit)
    pages.heading(ctx.w("materials.pipes"))
    pages.table(rows, [
        Column(ctx.w("materials.col_mainline"), 50.0, bold=True), Column(ctx.w("materials.col_role"), 52.0),
        Column(ctx.w("materials.col_size"), 52.0, bold=True, flex=1.0),
        Column(ctx.w("materials.col_from"), 54.0, "right", bold=True),
        Column(ctx.w("materials.col_to"), 54.0, "right", bold=True),
        Column(f"{ctx.w('materials.col_length')}\n{unit}", 46.0, "right"),
        Column(ctx.w("materials.col_taps"), 40.0, "right"),
        Column(ctx.w("materials.col_fill"), 48.0, "right"), Column(ctx.w("materials.col_ties"), 58.0, "right"),
        Column(ctx.w("materials.col_done"), 34.0, "center", tick=True),
    ], even=False)
    pages.para(ctx.w("materials.pipes_note"))
    pages.space()


def _pipe_row(ctx: SheetContext, pipe: Pipe, low: float, high: float) -> Row:
    units = ctx.units
    fill = f"{100.0 * pipe.area_ratio:.0f} %" if pipe.role != "dry" and isfinite(pipe.area_ratio) else "—"
    ties = units.length(pipe.sidetie_spacing_m, 1) if 0.0 < pipe.sidetie_spacing_m < 1e6 else "—"
    return [
        pipe.mainline_id, ctx.w(f"materials.role_{pipe.role}"), size_name(ctx, pipe.nominal),
        say(ctx, units.station(low)), say(ctx, units.station(high)), say(ctx, units.length_value(high - low)),
        str(pipe.taps), fill, say(ctx, ties), "",
    ]


def size_name(ctx: SheetContext, nominal: str) -> str:
    """Return a nominal size with its unit: catalogues count in inches."""
    return say(ctx, nominal if nominal.endswith((" in", " mm")) else f"{nominal} in")


def _cut_list(ctx: SheetContext, pages: Composer, section: Section) -> None:
    """Add lengths to cut before going in, longest first, so that offcuts serve the short ones."""
    laterals = sorted(in_line_order(ctx, section), key=lambda lat: (-tubing_m(lat, ctx.plan.trees), lat.lateral_id))
    if not laterals:
        return
    cells = [
        (lat.lateral_id, say(ctx, ctx.units.length_value(tubing_m(lat, ctx.plan.trees))), str(lat.taps))
        for lat in laterals
    ]
    longest = max(width_pt(name, BODY_PT, bold=True) for name, _, _ in cells)
    # fewer columns where IDs are long: an ID is never cut
    columns_n = max(1, min(_CUT_COLUMNS, int(pages.body.width / (longest + _CUT_REST_PT))))
    height = ceil(len(cells) / columns_n)
    strips = [cells[i * height: (i + 1) * height] for i in range(columns_n)]
    rows: list[Row] = [
        [text for cell in line for text in (*(cell or ("", "", "")), "")] for line in zip_longest(*strips)
    ]
    pages.heading(ctx.w("materials.cut", slack=f"{100 * CUT_SLACK:.0f}"))
    unit = say(ctx, ctx.units.length_unit)
    columns = [
        Column(ctx.w("materials.col_lateral"), 42.0, bold=True, flex=1.0),
        Column(f"{ctx.w('materials.col_cut')}\n{unit}", 30.0, "right"),
        Column(ctx.w("materials.col_drops"), 27.0, "right"), Column("✓", 13.0),
    ] * columns_n
    pages.table(rows, columns, even=False)
    pages.space()


def _hours(ctx: SheetContext, pages: Composer, section: Section) -> None:
    tasks = ctx.plan.takeoff.hours_by_section.get(section.section_id, {})
    if not tasks:
        return
    parts = [f"{task_name(ctx, task)} {say(ctx, f'{hours:.1f}')}" for task, hours in tasks.items() if hours > 0.0]
    total = f"{ctx.w('materials.sum')} {say(ctx, f'{sum(tasks.values()):.1f}')}"
    pages.heading(f"{ctx.w('materials.hours')}: {total}", keep_pt=40.0)
    # fixed spaces keep a task and its hours on one line
    pages.para("  ·  ".join(part.replace(" ", "\u00a0") for part in parts))
    size = ctx.plan.settings.sheets.crew_size
    if size > 0:
        days = sum(tasks.values()) / size
        pages.para(ctx.w("materials.hours_note", crew=size, hours=say(ctx, f"{days:.1f}")))
    pages.space()


def sign_off_pt(ctx: SheetContext, pages: Composer) -> float:
    """Return the least height of the sign-off."""
    lines = len(wrap(tied(ctx.w("materials.tolerance")), _SMALL_PT, pages.body.width))
    return _LINES[0] * WRITE_IN_ROW_PT + _SIGN_PT + 17.0 + lines * _SMALL_PT * LINE_FACTOR + TEXT_PT * LINE_FACTOR + 4.0


def sign_off(ctx: SheetContext, pages: Composer) -> None:
    """Add room for changes, signatures and how the sheet gets back; all on one page."""
    least = sign_off_pt(ctx, pages)
    pages.need(least)
    lines = min(_LINES[1], _LINES[0] + int((pages.left_pt - least) / WRITE_IN_ROW_PT))
    pages.heading(ctx.w("materials.changes"), keep_pt=0.0)
    pages.block(lines * WRITE_IN_ROW_PT, lambda rect: _blank_lines(rect, lines))
    pages.para(ctx.w("materials.tolerance"), size=_SMALL_PT)
    pages.block(_SIGN_PT, lambda rect: _signatures(ctx, rect))
    pages.para(ctx.w("materials.return", code=ctx.check_code(pages.section_id)), bold=True)


def _blank_lines(rect: Rect, count: int) -> list[Mark]:
    step = rect.height / count
    return [m for i in range(count) for m in write_line(rect.x0, rect.x1, rect.y1 - step * (i + 1) + 2.0, "")[:1]]


def _signatures(ctx: SheetContext, rect: Rect) -> list[Mark]:
    wide = (rect.width - 36.0) / 4.0
    marks: list[Mark] = []
    for i, key in enumerate(("built_by", "date_hours", "checked_by", "as_built")):
        x = rect.x0 + i * (wide + 12.0)
        marks += write_line(x, x + wide, rect.y0 + 16.0, ctx.w(f"materials.{key}"))
    return marks
