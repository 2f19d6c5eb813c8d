"""Fills pages from the top downward with headings, text, boxes and tables.

A composer is given blocks in reading order and starts a new page when one does not
fit; tables run on with their header repeated. Builders of text-heavy sheets use it, so
that no page of theirs needs to know its own height.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from math import ceil

from pipeline.sheets.context import SheetContext
from pipeline.sheets.local import tied, words_local
from pipeline.sheets.marks import Box, Group, Line, Link, Mark, Page, Rect, Text, heading, tick_box
from pipeline.sheets.paper import body_page, body_rect
from pipeline.sheets.table import BODY_PT, ROW_PT, Column, Row, table
from pipeline.sheets.text import wrap

LINE_FACTOR = 1.28  # line distance of running text, in letter sizes
TEXT_PT = 8.8
GAP_PT = 6.0
_HEADING_PT = 11.0
_LEAST_TABLE_PT = 75.0  # no table is begun with less room than this


@dataclass(slots=True)
class Composer:
    """One set of pages under one title.

    Parameters
    ----------
    ctx : SheetContext
        What is printed and how.
    section_id : str
        ``""`` for pages of the whole plan.
    title, subtitle : str
        Words beside the section box.
    """

    ctx: SheetContext
    section_id: str
    title: str
    subtitle: str
    _pages: list[list[Mark]] = field(default_factory=list)
    _marks: list[Mark] = field(default_factory=list)
    _y: float = 0.0

    def __post_init__(self) -> None:
        self._y = self.body.y1

    @property
    def body(self) -> Rect:
        """The rectangle that marks may fill."""
        return body_rect(self.ctx)

    @property
    def left_pt(self) -> float:
        """Height left on this page."""
        return self._y - self.body.y0

    @property
    def y(self) -> float:
        """Where the next block begins."""
        return self._y

    @property
    def page_no(self) -> int:
        """Number of the page being filled, from 1."""
        return len(self._pages) + 1

    def new_page(self) -> None:
        """Start a page, unless this one is still empty."""
        if self._marks:
            self._pages.append(self._marks)
            self._marks, self._y = [], self.body.y1

    def need(self, height_pt: float) -> None:
        """Start a page when fewer than `height_pt` points are left."""
        if self.left_pt < height_pt:
            self.new_page()

    def space(self, height_pt: float = GAP_PT) -> None:
        """Leave room, except at the top of a page."""
        if self._marks:
            self._y -= height_pt

    def heading(self, text: str, *, keep_pt: float = _LEAST_TABLE_PT, size: float = _HEADING_PT) -> None:
        """Add a block heading that stays with the `keep_pt` points below it."""
        self.need(size + keep_pt)
        self._y -= size + 1.0
        self._marks.append(heading(self.body.x0, self._y, text, size))
        self._y -= 5.0

    def para(
        self, text: str, *, size: float = TEXT_PT, bold: bool = False, indent_pt: float = 0.0, tick: bool = False,
        width_pt: float = 0.0,
    ) -> None:
        """Add running text, wrapped; with a tick box before it when asked."""
        lead = 18.0 if tick else 0.0
        x = self.body.x0 + indent_pt + lead
        lines = wrap(tied(text), size, (width_pt or self.body.width - indent_pt) - lead, bold=bold)
        step = size * LINE_FACTOR
        height = max(len(lines) * step, ROW_PT if tick else 0.0) + 2.0
        self.need(height)
        top = self._y - (max(0.0, ROW_PT - step) / 2.0 if tick and len(lines) == 1 else 0.0)
        texts = tuple(Text(x, top - step * (i + 0.78), line, size, bold=bold) for i, line in enumerate(lines))
        if tick:
            self._marks.append(tick_box(self.body.x0 + indent_pt, self._y - ROW_PT + 3.0))
        self._marks.append(Group(texts, role="P"))
        self._y -= height

    def block(self, height_pt: float, draw: Callable[[Rect], Sequence[Mark]]) -> None:
        """Add marks that need a rectangle of the body's width and a height."""
        self.need(height_pt)
        rect = Rect(self.body.x0, self._y - height_pt, self.body.x1, self._y)
        self._marks.extend(draw(rect))
        self._y -= height_pt

    def table(
        self, rows: Sequence[Row], columns: Sequence[Column], *, size: float = BODY_PT, row_height: float = ROW_PT,
        heavy_every: int = 5,
    ) -> None:
        """Add a table; it runs over pages with its header repeated, cut evenly."""
        rest = list(rows)
        if not rest:
            return
        self.need(_LEAST_TABLE_PT)
        share = self._share(rest, columns, size, row_height)
        done = 0
        while rest:
            rect = Rect(self.body.x0, self.body.y0, self.body.x1, self._y)
            made = table(
                rest, columns, rect, size=size, row_height=row_height, most_rows=share, heavy_every=heavy_every,
                first_row=done,
            )
            done += len(rest) - len(made.rows_left)
            self._marks.extend(made.marks)
            self._y = made.bottom_y - 2.0
            rest = made.rows_left
            if rest:
                self.new_page()

    def _share(self, rows: Sequence[Row], columns: Sequence[Column], size: float, row_height: float) -> int:
        """Return the rows of one page that leave no crumb on the last; 0 for as many as fit."""
        counts: list[int] = []
        rest, top = list(rows), self._y
        while rest:
            rect = Rect(self.body.x0, self.body.y0, self.body.x1, top)
            left = table(rest, columns, rect, size=size, row_height=row_height).rows_left
            counts.append(len(rest) - len(left))
            rest, top = left, self.body.y1
        even = ceil(len(rows) / len(counts))
        return even if len(counts) > 1 and even <= min(counts[:-1]) else 0

    def pages(self) -> list[Page]:
        """Return the pages; the second and later ones say that they continue."""
        self.new_page()
        more = self.ctx.w("common.continued", title=self.title)
        return [
            body_page(self.ctx, self.section_id, self.title if i == 0 else more, self.subtitle, marks)
            for i, marks in enumerate(self._pages)
        ]


def boxed_lines(
    rect: Rect, lines: Sequence[tuple[str, bool]], *, size: float = TEXT_PT, width: float = 1.6, pad: float = 5.0
) -> list[Mark]:
    """Return a box with lines of text (text, whether bold) from its top."""
    marks: list[Mark] = [Box(rect, width=width)]
    y = rect.y1 - pad
    texts = []
    for text, bold in lines:
        y -= size * LINE_FACTOR
        texts.append(Text(rect.x0 + pad, y + size * 0.3, text, size, bold=bold))
    marks.append(Group(tuple(texts), role="P"))
    return marks


def write_line(x0: float, x1: float, y: float, label: str, size: float = 8.0) -> list[Mark]:
    """Return a line to write on with its label below."""
    return [Line(x0, y, x1, y, 0.8), Group((Text(x0, y - size * 1.2, label, size),), role="P")]


def link_cell(rect: Rect, uri: str, alt: str) -> Link:
    """Return a place that opens an address."""
    return Link(rect, uri, alt)


def say(ctx: SheetContext, text: str) -> str:
    """Return a number or quantity in the spelling of the sheets' language."""
    return words_local(ctx, text)
