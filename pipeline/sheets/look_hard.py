"""What of a mainline is out of the ordinary and must be looked at before it is tied."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

from pipeline.sheets.context import SheetContext
from pipeline.sheets.marks import Mark, Rect, heading, paragraph
from pipeline.sheets.section_view import Piece, SectionView, is_ladder
from pipeline.sheets.table import Cell, Column, Row, table
from pipeline.sheets.text import wrap
from pipeline.units import FT_M

TOLERANCE_M = 0.3 * FT_M  # ours: a tenth of a metre, about 0.3 ft, between sheet and tape
_FLAT_SLACK_PCT = 0.25  # a span within this of the least grade leaves no room for error; ours
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
        found += sorted([*_heights(ctx, piece), *_crossings(ctx, view, piece), *_flats(ctx, piece)],
                        key=lambda look: (look.station_m, look.row))
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
        if run > 1e-6 and grade < limit:
            what = ctx.w("profile.flat", grade=f"{grade:.1f}")
            out.append(_look(ctx, piece, a.support_id, a.station_m, ctx.units.height(a.height_m), what))
    return out


def _look(ctx: SheetContext, piece: Piece, name: str, station_m: float, height: str, what: str) -> Look:
    return Look(piece.line.mainline_id, station_m, (name, ctx.units.station(station_m), height, what, ""))


class LookResult(NamedTuple):
    """Marks of the block, rows that found no room, and whether anything was printed at all."""

    marks: list[Mark]
    rows_left: list[Row]
    told: bool


def look_table(ctx: SheetContext, rows: list[Row], rect: Rect) -> LookResult:
    """Return heading, table and notes in a rectangle."""
    notes = [(ctx.w("profile.note_heights"), False),
             (ctx.w("profile.note_tolerance", tolerance=ctx.units.height(TOLERANCE_M)), True)]
    lines = [(part, bold) for text, bold in notes for part in wrap(text, 8.4, rect.width, bold=bold)]
    below = 11.0 * len(lines) + 4.0
    if rect.height < below + 62.0:
        return LookResult([], rows, told=False)
    marks: list[Mark] = [heading(rect.x0, rect.y1 - 12.0, ctx.w("profile.look"), 11.5)]
    y, left = rect.y1 - 20.0, rows
    if rows:
        columns = [
            Column(ctx.w("profile.look_where"), 58.0, bold=True),
            Column(ctx.w("profile.look_station"), 46.0, bold=True),
            Column(ctx.w("profile.look_measure"), 44.0, "right", bold=True),
            Column(ctx.w("profile.look_what"), 200.0, flex=1.0, wrap=True),
            Column(ctx.w("profile.look_done"), 34.0, "center", tick=True),
        ]
        result = table(rows, columns, Rect(rect.x0, rect.y0 + below, rect.x1, y), row_height=18.0)
        marks += result.marks
        y, left = result.bottom_y, result.rows_left
    else:
        marks.append(paragraph(rect.x0, y - 10.0, ctx.w("profile.look_none"), 8.8))
        y -= 14.0
    for i, (text, bold) in enumerate(lines):
        marks.append(paragraph(rect.x0, y - 12.0 - 11.0 * i, text, 8.4, bold=bold))
    return LookResult(marks, left, told=True)
