"""Tables for gloves and pencils: the header repeats, no row is split, every fifth rule is heavy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil
from typing import NamedTuple

from pipeline.sheets.marks import Align, Box, Group, Line, Link, Mark, Rect, Text, tick_box
from pipeline.sheets.text import SMALLEST_PT, fit, width_pt, wrap

ROW_PT = 17.0  # least height of a row; write-in rows take more
WRITE_IN_ROW_PT = 22.0
BODY_PT = 8.8
HEAD_SIZE_PT = 7.6
_PAD = 3.5
ROW_AIR_PT = 2.4  # over and under the lines of a wrapped cell, together
LINE_STEP = 1.12  # line distance in a cell, in letter sizes
_RULE = "#6f6f6f"
HEAD_FILL = "#f0f0f0"


@dataclass(frozen=True, slots=True)
class Column:
    r"""One column.

    Parameters
    ----------
    title : str
        Printed in the header; ``\n`` breaks it.
    width : float
        Width in points before stretching.
    align : {"left", "center", "right"}
        Of the cells and the title.
    bold : bool
        Whether the cells are bold.
    flex : float
        Share of the room that is left over; 0 keeps the width.
    tick : bool
        An empty box to tick stands in every cell.
    wrap : bool
        Whether a long text takes more lines; otherwise it is set smaller.
    """

    title: str
    width: float
    align: Align = "left"
    bold: bool = False
    flex: float = 0.0
    tick: bool = False
    wrap: bool = False


@dataclass(frozen=True, slots=True)
class Cell:
    """A cell that is more than its text: bold or not against its column, or a link when tapped."""

    text: str
    bold: bool | None = None
    uri: str = ""
    tag: str = ""


Row = Sequence[str | Cell]


class TableResult(NamedTuple):
    """Marks of one table, the rows that found no room, and where the table ends."""

    marks: list[Mark]
    rows_left: list[Row]
    bottom_y: float


@dataclass(frozen=True, slots=True)
class _Laid:
    """A row whose cells are broken into lines."""

    cells: tuple[Cell, ...]
    lines: tuple[tuple[str, ...], ...]
    height: float


def _widths(columns: Sequence[Column], width: float) -> list[float]:
    own = sum(c.width for c in columns)
    flex = sum(c.flex for c in columns)
    if own > width or flex <= 0.0:
        return [c.width * width / own for c in columns]
    return [c.width + (width - own) * c.flex / flex for c in columns]


def _lay(row: Row, columns: Sequence[Column], widths: Sequence[float], size: float, least_height: float) -> _Laid:
    cells = tuple(c if isinstance(c, Cell) else Cell(c) for c in row)
    lines = []
    for cell, column, width in zip(cells, columns, widths, strict=True):
        bold = column.bold if cell.bold is None else cell.bold
        room = width - 2.0 * _PAD
        lines.append(tuple(wrap(cell.text, size, room, bold=bold)) if column.wrap else (cell.text,))
    most = max(len(part) for part in lines)
    return _Laid(cells, tuple(lines), max(least_height, most * size * LINE_STEP + ROW_AIR_PT))


def _cell_marks(
    cell: Cell, lines: tuple[str, ...], column: Column, box: Rect, size: float, *, role: str
) -> Group:
    bold = column.bold if cell.bold is None else cell.bold
    if role == "TH":
        bold = True
    x = {"left": box.x0 + _PAD, "center": box.center[0], "right": box.x1 - _PAD}[column.align]
    step = size * LINE_STEP
    y = box.center[1] + (len(lines) - 1) * step / 2.0 - size * 0.34
    marks: list[Mark] = []
    for i, line in enumerate(lines):
        if line:
            shown, own = fit(line, size, box.width - 2.0 * _PAD + 1.0, bold=bold)
            marks.append(Text(x, y - i * step, shown, own, bold=bold, align=column.align, tag=cell.tag))
    if column.tick and role == "TD":
        marks.append(tick_box(box.center[0] - 5.75, box.center[1] - 5.75))
    if cell.uri:
        marks.append(Link(box, cell.uri, cell.text))
    return Group(tuple(marks), role=role)


def _row_group(
    laid: _Laid, columns: Sequence[Column], widths: Sequence[float], x0: float, top: float, size: float
) -> Group:
    cells: list[Mark] = []
    x = x0
    for cell, lines, column, width in zip(laid.cells, laid.lines, columns, widths, strict=True):
        box = Rect(x, top - laid.height, x + width, top)
        cells.append(_cell_marks(cell, lines, column, box, size, role="TD"))
        x += width
    return Group(tuple(cells), role="TR")


def _head_group(columns: Sequence[Column], widths: Sequence[float], x0: float, top: float, height: float) -> Group:
    cells: list[Mark] = []
    x = x0
    for column, width in zip(columns, widths, strict=True):
        lines = tuple(_head_lines(column, width))
        # titles stand on the rule, so that columns read straight down
        box = Rect(x, top - height, x + width, top - height + len(lines) * HEAD_SIZE_PT * 1.2 + 5.0)
        cells.append(_cell_marks(Cell(column.title), lines, column, box, HEAD_SIZE_PT, role="TH"))
        x += width
    return Group(tuple(cells), role="TR")


def _head_lines(column: Column, width: float) -> list[str]:
    """Return the lines of a title: as written when they fit, else broken at spaces."""
    lines = column.title.split("\n")
    room = width - 2.0 * _PAD
    if all(width_pt(line, HEAD_SIZE_PT, bold=True) <= room for line in lines):
        return lines
    return [part for line in lines for part in (wrap(line, SMALLEST_PT, room, bold=True) if " " in line else [line])]


def _rules(
    tops: Sequence[float], widths: Sequence[float], x0: float, *, first_row: int, every: int
) -> list[Mark]:
    """Return horizontal rules under the rows and the column rules between them."""
    x1 = x0 + sum(widths)
    marks: list[Mark] = []
    last = len(tops) - 1
    for i, y in enumerate(tops):
        heavy = i in (0, last) or (every > 0 and (first_row + i) % every == 0)
        marks.append(Line(x0, y, x1, y, 1.2 if heavy else 0.5, "#000000" if heavy else _RULE))
    x = x0
    for width in (*widths, 0.0):
        marks.append(Line(x, tops[0], x, tops[-1], 0.5, _RULE))
        x += width
    return marks


def heights(
    rows: Sequence[Row], columns: Sequence[Column], width: float, *, size: float = BODY_PT, row_height: float = ROW_PT
) -> tuple[float, list[float]]:
    """Return the heights in points of the header and of every row of a table of this width."""
    widths = _widths(columns, width)
    return _head_height(columns, widths), [_lay(row, columns, widths, size, row_height).height for row in rows]


def _head_height(columns: Sequence[Column], widths: Sequence[float]) -> float:
    return max(len(_head_lines(c, w)) for c, w in zip(columns, widths, strict=True)) * HEAD_SIZE_PT * 1.2 + 6.0


def table(
    rows: Sequence[Row], columns: Sequence[Column], rect: Rect, *,
    size: float = BODY_PT, row_height: float = ROW_PT, most_rows: int = 0, heavy_every: int = 5, first_row: int = 0,
) -> TableResult:
    """Return the marks of as many rows as fit `rect` from its top, whole rows only.

    Parameters
    ----------
    rows, columns
        A row has one text or :class:`Cell` per column; columns are stretched to `rect`.
    size : float
        Letter size of the cells, points.
    row_height : float
        Least height of a row, points; rows of wrapped cells take more.
    most_rows : int
        No more rows than this, 0 for as many as fit (see :func:`balanced`).
    heavy_every : int
        Every how manieth rule is heavy; 0 for none.
    first_row : int
        Number of rows on earlier pages, so that heavy rules go on counting.

    Raises
    ------
    ValueError
        When not even one row fits: the caller has planned the page wrongly.
    """
    widths = _widths(columns, rect.width)
    head = _head_height(columns, widths)
    y = rect.y1 - head
    marks: list[Mark] = [_head_group(columns, widths, rect.x0, rect.y1, head)]
    tops = [y]
    taken = 0
    for row in rows:
        laid = _lay(row, columns, widths, size, row_height)
        if y - laid.height < rect.y0 - 0.01 or (most_rows and taken == most_rows):
            break
        marks.append(_row_group(laid, columns, widths, rect.x0, y, size))
        y -= laid.height
        tops.append(y)
        taken += 1
    if rows and not taken:
        raise ValueError(f"a table row does not fit into {rect.height:.0f} points of height")
    back: list[Mark] = [
        Box(Rect(rect.x0, rect.y1 - head, rect.x1, rect.y1), width=0.0, fill=HEAD_FILL),
        Line(rect.x0, rect.y1, rect.x1, rect.y1, 1.2),
        *_rules(tops, widths, rect.x0, first_row=first_row, every=heavy_every),
    ]
    return TableResult([*back, Group(tuple(marks), role="Table")], list(rows[taken:]), y)


def balanced(
    rows: Sequence[Row], columns: Sequence[Column], rects: tuple[Rect, Rect], *,
    size: float = BODY_PT, row_height: float = ROW_PT,
) -> list[list[Row]]:
    """Return `rows` cut into pages of nearly equal fill, as few pages as possible.

    ``rects`` are the room on the first and on every later page. Nine rows alone on a second
    sheet are easily lost in the snow; two half-full ones are not.
    """
    pages: list[list[Row]] = []
    rest = list(rows)
    while rest:
        left = table(rest, columns, rects[min(len(pages), 1)], size=size, row_height=row_height).rows_left
        pages.append(rest[: len(rest) - len(left)])
        rest = left
    if len(pages) < 2:
        return pages or [[]]
    share = ceil(len(rows) / len(pages))
    out: list[list[Row]] = []
    rest = list(rows)
    for _ in pages:
        rect = rects[min(len(out), 1)]
        left = table(rest, columns, rect, size=size, row_height=row_height, most_rows=share).rows_left
        out.append(rest[: len(rest) - len(left)])
        rest = left
        if not rest:
            break
    return out if not rest else pages
