"""Cautions in two columns: those as grave and signed by the same share a box, and one place for initials."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import groupby

from pipeline.records import SafetyNote
from pipeline.safety import SafetyWords, note_text
from pipeline.sheets.compose import Composer
from pipeline.sheets.context import SheetContext
from pipeline.sheets.local import local, tied
from pipeline.sheets.marks import BLACK, WHITE, Box, Group, Line, Mark, Polygon, Rect, Text
from pipeline.sheets.text import fit, width_pt, wrap

BETWEEN_PT = 10.0  # the two columns
_SIZE_PT, _STEP_PT = 8.5, 9.52
_AFTER_PT = 1.6  # below every caution
_WORD_PT = 68.0  # width of the signal word
_SIGN_PT, _HEAD_PT = 17.0, 13.0  # height of a box's head with and without room for initials
_FOOT_PT = 3.0
_LEAST_PT = 70.0  # less room than this at the foot of a page is left empty


@dataclass(frozen=True, slots=True)
class Caution:
    """One caution at column width: how grave, who signs, its code and its lines, the first with the code."""

    severity: int
    sign_off: str
    code: str
    lines: tuple[str, ...]

    @property
    def box(self) -> tuple[int, str]:
        """What cautions of one box have in common."""
        return self.severity, self.sign_off

    @property
    def height(self) -> float:
        """Height of its own lines, points."""
        return len(self.lines) * _STEP_PT + _AFTER_PT

    @property
    def head(self) -> float:
        """Height of what its box takes beside the cautions in it, points."""
        return (_SIGN_PT if self.sign_off else _HEAD_PT) + _FOOT_PT


def severity_word(ctx: SheetContext, severity: int) -> str:
    """Return the signal word of a severity (ANSI Z535: danger, warning, caution, notice)."""
    return ctx.w(f"safety.word_{'notice' if severity < 3 else ('caution', 'warning', 'danger')[severity - 3]}")


def caution_text(ctx: SheetContext, words: SafetyWords, note: SafetyNote) -> str:
    """Return the words of a note in the sheets' language and units."""
    return tied(note_text(note, words, ctx.units, lambda text: local(ctx.language, text)))


def column_width(pages: Composer) -> float:
    """Return the width of one column in points."""
    return (pages.body.width - BETWEEN_PT) / 2.0


def laid(ctx: SheetContext, words: SafetyWords, notes: Sequence[SafetyNote], wide: float) -> list[Caution]:
    """Return notes as cautions of a column's width: box by box in their order, each box by kind of work."""
    boxes: dict[tuple[int, str], list[SafetyNote]] = {}
    for note in notes:
        boxes.setdefault((note.severity, note.sign_off), []).append(note)
    kinds = {letter: k for k, letters in enumerate(words.group) for letter in letters}
    out = []
    for own in boxes.values():
        for note in sorted(own, key=lambda n: kinds[n.code[0]]):
            # the code is set bold, so somewhat wider than it is wrapped
            more = width_pt(note.code, _SIZE_PT, bold=True) - width_pt(note.code, _SIZE_PT)
            lines = wrap(f"{note.code} {caution_text(ctx, words, note)}", _SIZE_PT, wide - 9.0 - more)
            out.append(Caution(note.severity, note.sign_off, note.code, tuple(lines)))
    return out


def fits(cautions: Sequence[Caution], height: float) -> int:
    """Return how many cautions stand in one column of a height, the heads of their boxes included."""
    used, box = 0.0, None
    for count, caution in enumerate(cautions):
        used += caution.height + (caution.head if caution.box != box else 0.0)
        if used > height + 0.01:
            return count
        box = caution.box
    return len(cautions)


def _tall(cautions: Sequence[Caution]) -> float:
    heads = sum(next(group).head for _, group in groupby(cautions, key=lambda c: c.box))
    return heads + sum(c.height for c in cautions)


def _split(cautions: Sequence[Caution], room: float) -> tuple[int, int]:
    """Return how many cautions stand in the left and in the right column: evenly when all find room."""
    left = fits(cautions, room)
    right = fits(cautions[left:], room)
    if left + right < len(cautions):
        return left, right
    low, high = 0.0, room
    while high - low > 1.0:
        middle = (low + high) / 2.0
        left = fits(cautions, middle)
        whole = left + fits(cautions[left:], middle) == len(cautions)
        low, high = (low, middle) if whole else (middle, high)
    left = fits(cautions, high)
    return left, len(cautions) - left


def caution_boxes(ctx: SheetContext, pages: Composer, cautions: Sequence[Caution]) -> None:
    """Add cautions down the left column and then the right one, over as many pages as they take.

    Raises
    ------
    ValueError
        When a caution is higher than a page.
    """
    rest = list(cautions)
    wide = column_width(pages)
    while rest:
        pages.need(min(_LEAST_PT, rest[0].height + rest[0].head))
        left, right = _split(rest, pages.left_pt)
        if not left:
            if pages.left_pt >= pages.body.height - 0.01:
                raise ValueError(f"caution {rest[0].code} is higher than a page")
            pages.new_page()
            continue
        columns = (rest[:left], rest[left: left + right])

        def draw(rect: Rect, columns: tuple[list[Caution], list[Caution]] = columns) -> list[Mark]:
            xs = (rect.x0, rect.x0 + wide + BETWEEN_PT)
            return [m for x, column in zip(xs, columns, strict=True) for m in _column(ctx, x, rect.y1, wide, column)]

        pages.block(max(_tall(column) for column in columns), draw)
        rest = rest[left + right:]


def _column(ctx: SheetContext, x: float, top: float, wide: float, cautions: Sequence[Caution]) -> list[Mark]:
    marks: list[Mark] = []
    for _, group in groupby(cautions, key=lambda c: c.box):
        own = list(group)
        height = _tall(own)
        marks += _box(ctx, Rect(x, top - height, x + wide, top), own)
        top -= height
    return marks


def _box(ctx: SheetContext, rect: Rect, cautions: Sequence[Caution]) -> list[Mark]:
    first = cautions[0]
    head = Rect(rect.x0, rect.y1 - first.head + _FOOT_PT, rect.x1, rect.y1)
    marks: list[Mark] = [*_head(ctx, head, first), Box(rect, width=1.6 if first.severity == 4 else 0.9)]
    x, y = rect.x0 + 4.5, head.y0 - 1.0
    for caution in cautions:
        texts = []
        for i, line in enumerate(caution.lines):
            y -= _STEP_PT
            if i == 0:
                texts.append(Text(x, y + 1.2, caution.code, _SIZE_PT, bold=True, tag="code"))
                at = x + width_pt(f"{caution.code} ", _SIZE_PT, bold=True)
                texts.append(Text(at, y + 1.2, line[len(caution.code) + 1:], _SIZE_PT, tag="note"))
            else:
                texts.append(Text(x, y + 1.2, line, _SIZE_PT, tag="note"))
        marks.append(Group(tuple(texts), role="P"))
        y -= _AFTER_PT
    return marks


def _head(ctx: SheetContext, rect: Rect, like: Caution) -> list[Mark]:
    """Return the signal word, white on black for danger, a triangle where people can be hurt, and who signs."""
    black = like.severity >= 5
    color = WHITE if black else BLACK
    word = Rect(rect.x0, rect.y0, rect.x0 + _WORD_PT, rect.y1)
    middle = word.center[1]
    marks: list[Mark] = [Box(word, width=0.9, fill=BLACK if black else "")]
    if like.severity >= 3:
        x = word.x0 + 9.0
        marks.append(Polygon((((x - 5.0, middle - 4.2), (x + 5.0, middle - 4.2), (x, middle + 4.8)),), fill=color))
        marks.append(Text(x, middle - 3.3, "!", 6.6, bold=True, align="center", color=BLACK if black else WHITE))
    shown, size = fit(severity_word(ctx, like.severity), 8.2, word.width - 20.0, bold=True)
    marks.append(Group((Text(word.x0 + 17.0, middle - 2.9, shown, size, bold=True, color=color),), role="P"))
    marks.append(Line(rect.x0, rect.y0, rect.x1, rect.y0, 0.5))
    if like.sign_off:
        key = "sign_both_short" if like.sign_off == "CL+Q" else "sign_leader_short"
        text, size = fit(f"{ctx.w(f'safety.{key}')}  {ctx.w('safety.initials')}", 7.2, rect.x1 - word.x1 - 60.0,
                         bold=True)
        marks.append(Group((Text(word.x1 + 5.0, rect.y0 + 4.4, text, size, bold=True, tag="sign"),), role="P"))
        marks.append(Line(word.x1 + 8.0 + width_pt(text, size, bold=True), rect.y0 + 2.6, rect.x1 - 4.0,
                          rect.y0 + 2.6, 0.7))
    return marks
