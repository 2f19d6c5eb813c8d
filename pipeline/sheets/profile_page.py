"""The mainline from the side: how high the line hangs at every support, and where to look hard."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise

from pipeline.records import Section
from pipeline.sheets.context import SheetContext
from pipeline.sheets.look_hard import look_height, look_rows, look_table
from pipeline.sheets.mapview import POINT_M, ratios
from pipeline.sheets.marks import Mark, Page, Rect
from pipeline.sheets.pair_marks import pair_run
from pipeline.sheets.paper import body_page, body_rect
from pipeline.sheets.profile_bands import GUTTER_PT, Strip, bands_pt
from pipeline.sheets.profile_strip import (
    CAPTION_PT,
    SIDE_PT,
    TITLE_PT,
    caption,
    chart_height,
    crowded,
    strip_marks,
    strip_width,
)
from pipeline.sheets.section_view import Piece, SectionView, section_view
from pipeline.sheets.table import Row

# scales in use; those beyond the middle one only to save a page
_LEAST_RATIO, _MOST_RATIO, _LAST_RATIO = 235.0, 1210.0, 2410.0
_CHART_LEAST_PT, _CHART_MOST_PT = 104.0, 300.0
_LEAST_STEEP = 1.0  # lines are never drawn flatter than real
_ABOVE_TABLE_PT = 8.0
_APART_PT = 10.0  # between strips side by side


@dataclass(frozen=True, slots=True, eq=False)
class _Laid:
    """The strips of a section in rows by page, what needs a hard look, and whether that finds room below them."""

    view: SectionView
    groups: list[list[list[Strip]]]
    looks: list[Row]
    looks_pt: float
    looks_here: bool


@lru_cache(maxsize=2)  # the tables after the profile ask once more
def _laid(ctx: SheetContext, section_id: str) -> _Laid:
    view = section_view(ctx, ctx.section(section_id))
    body = body_rect(ctx)
    looks = look_rows(ctx, view)
    looks_pt = look_height(ctx, looks, body.width) + _ABOVE_TABLE_PT
    groups = _layout(ctx, view, body, looks_pt)
    return _Laid(view, groups, looks, looks_pt, _height(ctx, groups[-1]) + looks_pt <= body.height)


def looks_left(ctx: SheetContext, section: Section) -> list[Row] | None:
    """Return the rows that need a hard look and found no room on the profile; ``None`` when they stand there."""
    laid = _laid(ctx, section.section_id)
    return None if laid.looks_here else laid.looks


def build(ctx: SheetContext, section: Section) -> list[Page]:
    """Return the profile pages of a section: strips of its pieces, and what needs a hard look where it finds room."""
    laid = _laid(ctx, section.section_id)
    body = body_rect(ctx)
    pages: list[Page] = []
    for k, group in enumerate(laid.groups):
        here = laid.looks_here and k == len(laid.groups) - 1
        marks, bottom = _rows_of(ctx, laid.view, group, body, table_pt=laid.looks_pt if here else 0.0)
        if here:
            marks += look_table(ctx, laid.looks, Rect(body.x0, body.y0, body.x1, bottom - _ABOVE_TABLE_PT)).marks
        pages.append(_page(ctx, section, marks, first=k == 0))
    return pages


def _page(ctx: SheetContext, section: Section, marks: list[Mark], *, first: bool) -> Page:
    title = ctx.w("profile.title")
    if not first:
        title = ctx.w("common.continued", title=title)
    return body_page(ctx, section.section_id, title, ctx.w("profile.subtitle"), marks)


def _rows_of(
    ctx: SheetContext, view: SectionView, group: list[list[Strip]], body: Rect, *, table_pt: float
) -> tuple[list[Mark], float]:
    """Return the rows of strips of one page from its top, and where they end."""
    spare = body.height - _height(ctx, group)
    if spare >= table_pt:
        spare -= table_pt
    charts = _stretched([least_chart(ctx, row) for row in group], spare)
    marks: list[Mark] = []
    top = body.y1
    for row, chart in zip(group, charts, strict=True):
        height = TITLE_PT + chart + bands_pt(ctx)
        x = body.x0
        for strip in row:
            wide = strip_width(strip)
            marks += strip_marks(ctx, view, strip, Rect(x, top - height, x + wide, top), chart)
            x += wide + _APART_PT
        top -= height
    pair = any(pair_run(ctx, s.piece.line, s.low_m, s.high_m) for row in group for s in row)
    marks += caption(ctx, Rect(body.x0, top - CAPTION_PT, body.x1, top), pair=pair)
    return marks, top - CAPTION_PT


def _stretched(charts: list[float], spare_pt: float) -> list[float]:
    """Return chart heights that share what a page has left, none higher than the most."""
    out = list(charts)
    for _ in charts:
        room = [i for i, chart in enumerate(out) if chart < _CHART_MOST_PT]
        if not room or spare_pt < 1.0:
            break
        share = spare_pt / len(room)
        for i in room:
            more = min(share, _CHART_MOST_PT - out[i])
            out[i] += more
            spare_pt -= more
    return out


def least_chart(ctx: SheetContext, row: list[Strip]) -> float:
    """Return the least chart height at which every line of a row is drawn steeper than real."""
    wanted = max(chart_height(ctx, strip, _LEAST_STEEP) for strip in row)
    return min(max(wanted, _CHART_LEAST_PT), _CHART_MOST_PT)


def _height(ctx: SheetContext, group: list[list[Strip]]) -> float:
    """Return the least height of rows of strips on one page, with the caption."""
    return sum(TITLE_PT + bands_pt(ctx) + least_chart(ctx, row) for row in group) + CAPTION_PT


def _pages(ctx: SheetContext, rows: list[list[Strip]], height: float) -> list[list[list[Strip]]]:
    """Return rows of strips by page: as many on a page as fit while charts stay steep enough to read."""
    groups: list[list[list[Strip]]] = []
    for row in rows:
        if groups and _height(ctx, [*groups[-1], row]) <= height:
            groups[-1].append(row)
        else:
            groups.append([row])
    return groups


def _packed(strips: list[Strip], width: float) -> list[list[Strip]]:
    """Return strips in rows: short ones share a row, in their order."""
    rows: list[list[Strip]] = []
    left = 0.0
    for strip in strips:
        wide = strip_width(strip)
        if rows and wide + _APART_PT <= left:
            rows[-1].append(strip)
            left -= wide + _APART_PT
        else:
            rows.append([strip])
            left = width - wide
    return rows


def _layout(ctx: SheetContext, view: SectionView, body: Rect, table_pt: float) -> list[list[list[Strip]]]:
    """Return all strips of a section in rows by page, at the one horizontal scale that needs the fewest pages.

    Among equals, room for the table, fewer rows and then fewer strips: a line that is cut is harder to follow than
    one drawn smaller.
    """
    room = body.width - GUTTER_PT - SIDE_PT
    best: list[list[list[Strip]]] = []
    best_cost = (0, 0, 0, 0, 0)
    for ratio in (r for r in ratios(us=ctx.units.is_us) if _LEAST_RATIO <= r <= _LAST_RATIO):
        reach_m = room * ratio * POINT_M
        strips = [s for piece in view.pieces for s in piece_strips(piece, reach_m, ratio)]
        small = ratio > _MOST_RATIO
        if small and any(crowded(strip) for strip in strips):
            continue
        rows = _packed(strips, body.width)
        groups = _pages(ctx, rows, body.height)
        over = int(_height(ctx, groups[-1]) + table_pt > body.height)
        cost = (len(groups), int(small), over, len(rows), len(strips))
        if not best or cost < best_cost:
            best, best_cost = groups, cost
    return best


def piece_strips(piece: Piece, reach_m: float, ratio: float) -> list[Strip]:
    """Return a piece of mainline cut into strips of at most `reach_m`, at supports, each cut on both strips.

    The strips are about even, so that no crumb is left alone on the last one. Only a span
    longer than a strip is cut between supports.
    """
    stations = [float(s) for s in piece.stations_m]
    cuts = [piece.low_m]
    while piece.high_m - cuts[-1] > reach_m + 1e-6:
        left = piece.high_m - cuts[-1]
        aim = cuts[-1] + left / -(-left // reach_m)
        fits = [s for s in stations if cuts[-1] + 1e-3 < s <= cuts[-1] + reach_m]
        cuts.append(min(fits, key=lambda s: (abs(s - aim), s)) if fits else cuts[-1] + reach_m)
    cuts.append(piece.high_m)
    return [Strip(piece, low, high, ratio) for low, high in pairwise(cuts)]
