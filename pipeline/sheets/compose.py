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
from pipeline.sheets.marks import Box, Group, Line, Mark, Page, Rect, Text, heading, tick_box
from pipeline.sheets.paper import body_page, body_rect
from pipeline.sheets.table import BODY_PT, ROW_PT, Column, Row, heights, table
from pipeline.sheets.text import wrap

LINE_FACTOR = 1.28  # line distance of running text, in letter sizes
TEXT_PT = 8.8
GAP_PT = 6.0
_HEADING_PT = 11.0
TickList = tuple[str, Sequence[str], float]  # heading, items, share of the width
_TICKS_HEAD_PT, _TICKS_APART_PT = 18.0, 14.0
_TICKS_CRUMB = 3  # no list leaves fewer lines for the next page
_TICKS_LEAST = 4  # no list is begun with less room than for so many lines
_LEAST_TABLE_PT = 64.0  # no table is begun with less room than this


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
    _heads: list[tuple[str, str]] = field(default_factory=list)  # title and subtitle of every finished page
    _titles: list[str] = field(default_factory=list)  # of the page being filled
    _subtitle: str = ""  # of the page being filled, when a later chapter has begun on it
    _marks: list[Mark] = field(default_factory=list)
    _y: float = 0.0

    def __post_init__(self) -> None:
        self._y = self.body.y1
        self._titles = [self.title]

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
            self._heads.append((" · ".join(self._titles), self._subtitle or self.subtitle))
            self._subtitle = ""
            self._marks, self._y = [], self.body.y1
            self._titles = [self.ctx.w("common.continued", title=self.title)]

    def chapter(self, title: str, subtitle: str, *, keep_pt: float) -> None:
        """Begin another sheet's matter: below the last one if `keep_pt` points are left, else on its own page.

        The subtitle stands in the head of its pages, or below the title within one.
        """
        self.need(keep_pt)
        self.title = title
        if not self._marks:
            self._titles, self.subtitle = [title], subtitle
            return
        self._titles.append(title)
        self._y -= 12.0
        self._marks.append(Line(self.body.x0, self._y, self.body.x1, self._y, 1.8))
        self._y -= 17.0
        self._marks.append(Group((Text(self.body.x0, self._y, title, 14.0, bold=True),), role="H1"))
        self._y -= 5.0
        if subtitle:
            self.para(subtitle, size=8.6)
        self._subtitle, self.subtitle = self._subtitle or self.subtitle, subtitle

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

    def _ticks(self, columns: Sequence[TickList], size: float) -> list[list[tuple[list[str], float]]]:
        """Return lines and height of every item, list by list."""
        room = self.body.width - _TICKS_APART_PT * (len(columns) - 1)
        laid = [[wrap(tied(text), size, room * share - 18.0) for text in items] for _, items, share in columns]
        return [[(lines, max(ROW_PT, len(lines) * size * 1.2 + 2.6)) for lines in items] for items in laid]

    def ticks_pt(self, columns: Sequence[TickList], *, size: float = TEXT_PT) -> float:
        """Return the height that lists to tick off take on one page."""
        return _TICKS_HEAD_PT + max(sum(tall for _, tall in items) for items in self._ticks(columns, size))

    def ticks(self, columns: Sequence[TickList], *, size: float = TEXT_PT) -> None:
        """Add lists to tick off side by side: heading, items and share of the width; no item is cut by a page."""
        room = self.body.width - _TICKS_APART_PT * (len(columns) - 1)
        step = size * 1.2
        rest = self._ticks(columns, size)
        while any(rest):
            self.need(_TICKS_HEAD_PT + _TICKS_LEAST * ROW_PT)
            counts = [_fill([tall for _, tall in items], self.left_pt - _TICKS_HEAD_PT, 1e9, ())[0] for items in rest]
            left = max(len(items) - count for items, count in zip(rest, counts, strict=True))
            if 0 < left < _TICKS_CRUMB:  # a line alone on the next page is overlooked
                counts = [min(count, max(len(items) - _TICKS_CRUMB, 0))
                          for items, count in zip(rest, counts, strict=True)]
            x, lowest = self.body.x0, self._y
            for (title, _, share), items, count in zip(columns, rest, counts, strict=True):
                y = self._y - _TICKS_HEAD_PT
                if items:
                    self._marks.append(heading(x, self._y - _HEADING_PT - 1.0, title, _HEADING_PT))
                for lines, height in items[:count]:
                    top = y - (height - len(lines) * step) / 2.0
                    self._marks.append(tick_box(x, y - height / 2.0 - 5.75))
                    self._marks.append(Group(tuple(
                        Text(x + 18.0, top - step * (k + 0.8), line, size) for k, line in enumerate(lines)
                    ), role="P"))
                    y -= height
                lowest = min(lowest, y)
                x += room * share + _TICKS_APART_PT
            self._y = lowest
            rest = [items[count:] for items, count in zip(rest, counts, strict=True)]

    def block(self, height_pt: float, draw: Callable[[Rect], Sequence[Mark]]) -> None:
        """Add marks that need a rectangle of the body's width and a height."""
        self.need(height_pt)
        rect = Rect(self.body.x0, self._y - height_pt, self.body.x1, self._y)
        self._marks.extend(draw(rect))
        self._y -= height_pt

    def table(
        self, rows: Sequence[Row], columns: Sequence[Column], *, size: float = BODY_PT, row_height: float = ROW_PT,
        heavy_every: int = 5, reserve_pt: float = 0.0, even: bool = True,
    ) -> None:
        """Add a table; it runs over pages with its header repeated.

        `reserve_pt` points are left below it, so that a closing line never stands alone on a page. The rows are cut
        evenly, or, where other matter follows below (``even=False``), as full as can be.
        """
        rest = list(rows)
        if not rest:
            return
        self.need(_LEAST_TABLE_PT)
        low = self.body.y0 + reserve_pt
        head, tall = heights(rest, columns, self.body.width, size=size, row_height=row_height)
        if tall[0] > self._y - low - head:  # a header alone is no table
            self.new_page()
        counts = page_rows(tall, self._y - low - head, self.body.y1 - low - head, even=even)
        done = 0
        for i, count in enumerate(counts):
            if i:
                self.new_page()
            made = table(
                rest[done: done + count], columns, Rect(self.body.x0, low, self.body.x1, self._y), size=size,
                row_height=row_height, heavy_every=heavy_every, first_row=done,
            )
            done += count
            self._marks.extend(made.marks)
            self._y = made.bottom_y - 2.0

    def pages(self) -> list[Page]:
        """Return the pages; the second and later ones say that they continue."""
        self.new_page()
        return [
            body_page(self.ctx, self.section_id, title, subtitle, marks)
            for (title, subtitle), marks in zip(self._heads, self._pages, strict=True)
        ]


def page_rows(tall: Sequence[float], first_pt: float, later_pt: float, *, even: bool = True) -> list[int]:
    """Return how many rows stand on each page: as few pages as possible, and no crumb on the last.

    Parameters
    ----------
    tall : sequence of float
        Heights of the rows.
    first_pt, later_pt : float
        Room for rows on the first and on every later page.
    even : bool
        Whether the pages are to be about equally full; otherwise only a crumb of one or two rows is avoided.

    Raises
    ------
    ValueError
        When a row is higher than a page.
    """
    if any(height > later_pt + 0.01 for height in tall):
        raise ValueError(f"a table row does not fit into {later_pt:.0f} points of height")
    greedy = _fill(tall, first_pt, later_pt, ())
    if len(greedy) < 2 or (not even and greedy[-1] > 2):
        return greedy
    share = ceil(len(tall) / len(greedy))
    later = ceil((len(tall) - greedy[0]) / (len(greedy) - 1))
    for most in ((share,) * len(greedy), (greedy[0], *(later,) * (len(greedy) - 1))):
        counts = _fill(tall, first_pt, later_pt, most)
        if len(counts) == len(greedy) and counts[-1] >= greedy[-1]:
            return counts
    return greedy


def _fill(tall: Sequence[float], first_pt: float, later_pt: float, most: Sequence[int]) -> list[int]:
    """Return rows per page when each page takes what fits, but no more than its entry in `most`."""
    counts = [0]
    left = first_pt
    for height in tall:
        page = len(counts) - 1
        full = page < len(most) and counts[page] >= most[page]
        if height > left + 0.01 or full:
            counts.append(0)
            left = later_pt
        counts[-1] += 1
        left -= height
    return counts


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


def say(ctx: SheetContext, text: str) -> str:
    """Return a number or quantity in the spelling of the sheets' language."""
    return words_local(ctx, text)
