"""What of a mainline is out of the ordinary and must be looked at before it is tied."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby, pairwise
from typing import NamedTuple

from pipeline.sheets.compose import Composer, say
from pipeline.sheets.context import SheetContext
from pipeline.sheets.doubt import level_word, span_confidence
from pipeline.sheets.marks import Mark, Rect, heading, paragraph
from pipeline.sheets.section_view import Piece, SectionView, is_ladder
from pipeline.sheets.table import Cell, Column, Row, heights, table
from pipeline.sheets.text import wrap
from pipeline.units import FT_M

TOLERANCE_M = 0.3 * FT_M  # ours: a tenth of a metre, about 0.3 ft, between sheet and tape
_FLAT_SLACK_PCT = 0.25  # a span within this of the least grade leaves no room for error; ours
_ROW_PT = 18.0
_STAKED_KINDS = ("road", "trail", "power_line")


@dataclass(frozen=True, slots=True)
class Look:
    """One line of the table; ``station_m`` orders it."""

    line_id: str
    station_m: float
    row: tuple[str, str, str, str, str]


def look_rows(ctx: SheetContext, view: SectionView) -> list[Row]:
    """Return the rows of the table in station order, mainline by mainline."""
    found: list[Look] = []
    for piece in view.pieces:
        own = [
            *_heights(ctx, piece), *_crossings(ctx, view, piece), *_flats(ctx, piece), *_unproven(ctx, piece),
        ]
        found += sorted(own, key=lambda look: (look.station_m, look.row))
    unique = dict.fromkeys(look.row for look in found)
    return [tuple(Cell(text) for text in row) for row in unique]


def _heights(ctx: SheetContext, piece: Piece) -> list[Look]:
    rules, units = ctx.plan.settings.mainlines, ctx.units
    out = []
    for s in piece.supports:
        if is_ladder(ctx, s):
            what = ctx.w("profile.high", limit=units.height(rules.ladder_m))
        elif s.height_m < rules.lowest_m - 1e-9:
            what = ctx.w("profile.low", limit=units.height(rules.lowest_m))
        else:
            continue
        out.append(_look(ctx, piece, s.support_id, s.station_m, units.height(s.height_m), what))
    return out


def _crossings(ctx: SheetContext, view: SectionView, piece: Piece) -> list[Look]:
    units = ctx.units
    out = []
    for c in view.crossings:
        if c.line_id != piece.line.mainline_id or not piece.low_m - 1e-3 <= c.station_m <= piece.high_m + 1e-3:
            continue
        name = c.name or ctx.w(f"common.{c.kind}")
        values = {"name": name, "clear": units.height(c.clearance_m), "needed": units.height(c.needed_m)}
        if c.needed_m > 0.0 and c.clearance_m < c.needed_m - 1e-9:
            what = ctx.w("profile.crossing_short", **values)
        elif c.kind in _STAKED_KINDS or c.needed_m > 0.0:
            what = ctx.w("profile.crossing", **values)
        else:
            what = ctx.w("profile.crossing_plain", name=name, clear=units.height(c.clearance_m))
        out.append(_look(ctx, piece, c.crossing_id, c.station_m, units.height(c.clearance_m), what))
    return out


def _flats(ctx: SheetContext, piece: Piece) -> list[Look]:
    limit = ctx.plan.settings.mainlines.min_grade_pct + _FLAT_SLACK_PCT
    out = []
    for a, b in pairwise(piece.supports):
        run = b.station_m - a.station_m
        grade = 100.0 * (b.line_z_m - a.line_z_m) / run if run > 0.0 else 0.0
        if run > 1e-6 and grade < limit and span_confidence(ctx, a, b) == "high":
            what = ctx.w("profile.flat", grade=f"{grade:.1f}")
            out.append(_look(ctx, piece, a.support_id, a.station_m, ctx.units.height(a.height_m), what))
    return out


def _unproven(ctx: SheetContext, piece: Piece) -> list[Look]:
    """Return one row for every run of spans whose fall the terrain cannot prove."""
    spans = [(a, b, span_confidence(ctx, a, b)) for a, b in pairwise(piece.supports) if b.station_m > a.station_m]
    out = []
    for confidence, run in groupby(spans, key=lambda span: span[2]):
        held = list(run)
        if confidence == "high":
            continue
        low, high = held[0][0], held[-1][1]
        grade = min(100.0 * (b.line_z_m - a.line_z_m) / (b.station_m - a.station_m) for a, b, _ in held)
        what = ctx.w("profile.level", word=level_word(ctx, confidence), n=len(held), grade=f"{grade:.1f}")
        names = f"{low.support_id}\u2013{high.support_id.rpartition('-')[2]}"
        out.append(_look(ctx, piece, names, low.station_m, "", what))
    return out


def _look(ctx: SheetContext, piece: Piece, name: str, station_m: float, height: str, what: str) -> Look:
    station = say(ctx, ctx.units.station(station_m))
    return Look(piece.line.mainline_id, station_m, (name, station, say(ctx, height), what, ""))


def fill(ctx: SheetContext, pages: Composer, rows: list[Row]) -> None:
    """Add the block to tables that flow: where it found no room beside the profile."""
    pages.heading(ctx.w("profile.look"), keep_pt=80.0)
    pages.table(rows, _columns(ctx), row_height=_ROW_PT, even=False)
    pages.para(ctx.w("profile.note_heights"))
    pages.para(ctx.w("profile.note_tolerance", tolerance=say(ctx, ctx.units.height(TOLERANCE_M))), bold=True)


class LookResult(NamedTuple):
    """Marks of the block, rows that found no room, and whether anything was printed at all."""

    marks: list[Mark]
    rows_left: list[Row]
    told: bool


def look_height(ctx: SheetContext, rows: list[Row], width: float) -> float:
    """Return the height of the whole block in points."""
    below = 11.0 * len(_notes(ctx, width)) + 4.0
    if not rows:
        return 20.0 + 14.0 + below
    head, tall = heights(rows, _columns(ctx), width, row_height=_ROW_PT)
    return 20.0 + head + sum(tall) + below


def _notes(ctx: SheetContext, width: float) -> list[tuple[str, bool]]:
    notes = [(ctx.w("profile.note_heights"), False),
             (ctx.w("profile.note_tolerance", tolerance=say(ctx, ctx.units.height(TOLERANCE_M))), True)]
    return [(part, bold) for text, bold in notes for part in wrap(text, 8.4, width, bold=bold)]


def _columns(ctx: SheetContext) -> list[Column]:
    return [
        Column(ctx.w("profile.look_where"), 72.0, bold=True),
        Column(ctx.w("profile.look_station"), 46.0, bold=True),
        Column(ctx.w("profile.look_measure"), 44.0, "right", bold=True),
        Column(ctx.w("profile.look_what"), 200.0, flex=1.0, wrap=True),
        Column(ctx.w("profile.look_done"), 34.0, "center", tick=True),
    ]


def look_table(ctx: SheetContext, rows: list[Row], rect: Rect) -> LookResult:
    """Return heading, table and notes in a rectangle."""
    lines = _notes(ctx, rect.width)
    below = 11.0 * len(lines) + 4.0
    if rect.height < min(look_height(ctx, rows, rect.width), below + 62.0) - 0.5:
        return LookResult([], rows, told=False)
    marks: list[Mark] = [heading(rect.x0, rect.y1 - 12.0, ctx.w("profile.look"), 11.5)]
    y, left = rect.y1 - 20.0, rows
    if rows:
        result = table(rows, _columns(ctx), Rect(rect.x0, rect.y0 + below, rect.x1, y), row_height=_ROW_PT)
        marks += result.marks
        y, left = result.bottom_y, result.rows_left
    else:
        marks.append(paragraph(rect.x0, y - 10.0, ctx.w("profile.look_none"), 8.8))
        y -= 14.0
    for i, (text, bold) in enumerate(lines):
        marks.append(paragraph(rect.x0, y - 12.0 - 11.0 * i, text, 8.4, bold=bold))
    return LookResult(marks, left, told=True)
