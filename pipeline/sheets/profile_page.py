"""The mainline from the side: how high the line hangs at every support, and where to look hard."""

from __future__ import annotations

from itertools import pairwise

from pipeline.records import Section
from pipeline.sheets.context import SheetContext
from pipeline.sheets.look_hard import look_rows, look_table
from pipeline.sheets.mapview import POINT_M, ratios
from pipeline.sheets.marks import Mark, Page, Rect
from pipeline.sheets.paper import body_page, body_rect
from pipeline.sheets.profile_strip import (
    BANDS_PT,
    CAPTION_PT,
    GUTTER_PT,
    SIDE_PT,
    TITLE_PT,
    Strip,
    caption,
    strip_marks,
    strip_width,
)
from pipeline.sheets.section_view import Piece, SectionView, section_view

_LEAST_RATIO, _MOST_RATIO = 235.0, 1000.0
_CHART_LEAST_PT, _CHART_MOST_PT = 170.0, 300.0
_APART_PT = 10.0  # between strips side by side


def build(ctx: SheetContext, section: Section) -> list[Page]:
    """Return the profile pages of a section: strips of its pieces, then what needs a hard look."""
    view = section_view(ctx, section)
    body = body_rect(ctx)
    rows_of_strips = _packed(_strips(ctx, view, body.width), body.width)
    block = TITLE_PT + _CHART_LEAST_PT + BANDS_PT + CAPTION_PT
    per_page = max(1, int(body.height // block))
    looks = look_rows(ctx, view)
    groups = [rows_of_strips[i: i + per_page] for i in range(0, len(rows_of_strips), per_page)]
    pages: list[Page] = []
    told = False
    for k, group in enumerate(groups):
        last = k == len(groups) - 1
        marks, bottom = _rows_of(ctx, view, group, body, table_pt=72.0 + 24.0 * max(len(looks), 1) if last else 0.0)
        if last:
            result = look_table(ctx, looks, Rect(body.x0, body.y0, body.x1, bottom - 8.0))
            marks += result.marks
            looks, told = result.rows_left, result.told
        pages.append(_page(ctx, section, marks, first=k == 0))
    while not told or looks:
        result = look_table(ctx, looks, body)
        looks, told = result.rows_left, True
        pages.append(_page(ctx, section, result.marks, first=False))
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
    fixed = len(group) * (TITLE_PT + BANDS_PT + CAPTION_PT)
    chart = (body.height - fixed - table_pt) / len(group)
    if chart < _CHART_LEAST_PT:
        chart = (body.height - fixed) / len(group)
    chart = min(max(chart, _CHART_LEAST_PT), _CHART_MOST_PT)
    height = TITLE_PT + chart + BANDS_PT + CAPTION_PT
    marks: list[Mark] = []
    top = body.y1
    for row in group:
        x = body.x0
        for strip in row:
            wide = strip_width(strip)
            marks += strip_marks(ctx, view, strip, Rect(x, top - height, x + wide, top), chart)
            x += wide + _APART_PT
        marks += caption(ctx, Rect(body.x0, top - height, body.x1, top))
        top -= height
    return marks, top


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


def _strips(ctx: SheetContext, view: SectionView, width: float) -> list[Strip]:
    """Return all strips of a section at one horizontal scale: the largest that shows its longest piece whole."""
    room = width - GUTTER_PT - SIDE_PT
    longest = max(piece.length_m for piece in view.pieces)
    series = [r for r in ratios(us=ctx.units.is_us) if _LEAST_RATIO <= r <= _MOST_RATIO]
    ratio = next((r for r in series if longest / (r * POINT_M) <= room), series[-1])
    return [strip for piece in view.pieces for strip in piece_strips(piece, room * ratio * POINT_M, ratio)]


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
