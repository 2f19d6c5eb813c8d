"""Two columns on a page, filled like a newspaper: no block is split, and the last page is even."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from pipeline.sheets.compose import Composer
from pipeline.sheets.marks import Mark, Rect

BETWEEN_PT = 10.0
_LEAST_PT = 40.0  # less room than this at the foot of a page is left empty


@dataclass(frozen=True, slots=True)
class Block:
    """Something of a known height at column width; a heading (``keeps``) stays with the block after it."""

    height: float
    draw: Callable[[Rect], Sequence[Mark]]
    keeps: bool = False


def column_width(pages: Composer) -> float:
    """Return the width of one column in points."""
    return (pages.body.width - BETWEEN_PT) / 2.0


def two_columns(pages: Composer, blocks: Sequence[Block]) -> None:
    """Add blocks in reading order, down the left column and then the right one, over as many pages as they take.

    Raises
    ------
    ValueError
        When a block is higher than a page.
    """
    rest = list(blocks)
    while rest:
        pages.need(min(_LEAST_PT, _first_height(rest)))
        room = pages.left_pt
        height = _least_height(rest, room)
        left = _fits(rest, height)
        right = _fits(rest[left:], height)
        if not left:
            if room >= pages.body.height - 0.01:
                raise ValueError(f"a block is higher than a page of {room:.0f} points")
            pages.new_page()
            continue
        wide = column_width(pages)
        columns = (rest[:left], rest[left: left + right])
        tall = max(sum(b.height for b in column) for column in columns)

        def draw(rect: Rect, columns: tuple[list[Block], list[Block]] = columns, wide: float = wide) -> list[Mark]:
            return [*_column(columns[0], rect.x0, rect.y1, wide), *_column(columns[1], rect.x1 - wide, rect.y1, wide)]

        pages.block(tall, draw)
        rest = rest[left + right:]


def _first_height(blocks: Sequence[Block]) -> float:
    return sum(b.height for b in blocks[: 2 if blocks[0].keeps else 1])


def _fits(blocks: Sequence[Block], height: float) -> int:
    """Return how many blocks stand in one column of a height; a heading never stands alone at its foot."""
    used, count = 0.0, 0
    for block in blocks:
        if used + block.height > height + 0.01:
            break
        used += block.height
        count += 1
    while count and count < len(blocks) and blocks[count - 1].keeps:
        count -= 1
    return count


def _least_height(blocks: Sequence[Block], room: float) -> float:
    """Return the least height at which all blocks stand in two columns; the whole room when they do not."""
    def whole(height: float) -> bool:
        left = _fits(blocks, height)
        return left + _fits(blocks[left:], height) == len(blocks)

    if not whole(room):
        return room
    low, high = 0.0, room
    while high - low > 1.0:
        middle = (low + high) / 2.0
        low, high = (low, middle) if whole(middle) else (middle, high)
    return high


def _column(blocks: Sequence[Block], x: float, top: float, wide: float) -> list[Mark]:
    marks: list[Mark] = []
    for block in blocks:
        marks += block.draw(Rect(x, top - block.height, x + wide, top))
        top -= block.height
    return marks
