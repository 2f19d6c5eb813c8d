"""Widths of text in the two bundled faces: wrapping and fitting without a PDF engine."""

from __future__ import annotations

import unicodedata
from functools import cache, lru_cache

from pipeline.resources import template_rows

EM_UNITS = 2048.0
ASCENT = 0.76  # of the size: capitals and ascenders of the bundled faces
DESCENT = 0.22
CAP_HEIGHT = 0.729
SMALLEST_PT = 6.6  # nothing on a sheet is set smaller
_UNKNOWN = "□"
_KNOWN_TEXTS = 1 << 14  # texts whose widths are remembered; a vast plan has millions, most on one sheet


@cache
def _metrics() -> tuple[dict[str, float], dict[str, float]]:
    rows = template_rows("fonts/metrics.csv")
    regular = {chr(int(row["codepoint"])): int(row["regular"]) / EM_UNITS for row in rows}
    bold = {chr(int(row["codepoint"])): int(row["bold"]) / EM_UNITS for row in rows}
    return regular, bold


@lru_cache(maxsize=_KNOWN_TEXTS)
def _width_em(text: str, bold: bool) -> float:  # noqa: FBT001 - the cache wants plain arguments
    table = _metrics()[bold]
    return sum(map(table.__getitem__, clean(text)))


def missing(text: str) -> str:
    """Return the characters of `text` that the bundled faces lack, each once."""
    table = _metrics()[0]
    return "".join(dict.fromkeys(c for c in text if c not in table))


@lru_cache(maxsize=_KNOWN_TEXTS)
def clean(text: str) -> str:
    """Return `text` with every character the faces lack replaced: by its plain letter, else by a box.

    Names and tags come from outside and may hold anything; a sheet must never show a gap
    where a letter was.
    """
    table = _metrics()[0]
    if table.keys() >= set(text):
        return text
    out = []
    for char in text:
        plain = char if char in table else unicodedata.normalize("NFKD", char)[:1]
        if char.isspace():
            plain = " "
        out.append(plain if plain in table else _UNKNOWN)
    return "".join(out)


def width_pt(text: str, size: float, *, bold: bool = False) -> float:
    """Return the width in points of one line of text set at `size` points."""
    return _width_em(text, bold) * size


def wrap(text: str, size: float, width: float, *, bold: bool = False) -> list[str]:
    r"""Return `text` broken into lines no wider than `width` points.

    Breaks at spaces; a word wider than a line is broken inside. A ``\n`` always breaks.
    An empty text is one empty line.
    """
    lines: list[str] = []
    for part in text.split("\n"):
        lines.extend(_wrap_part(part, size, width, bold=bold))
    return lines


def _wrap_part(text: str, size: float, width: float, *, bold: bool) -> list[str]:
    lines: list[str] = []
    line = ""
    for word in text.split(" "):
        longer = f"{line} {word}" if line else word
        if width_pt(longer, size, bold=bold) <= width:
            line = longer
            continue
        if line:
            lines.append(line)
        pieces = _broken(word, size, width, bold=bold)
        lines.extend(pieces[:-1])
        line = pieces[-1]
    lines.append(line)
    return lines


def _broken(word: str, size: float, width: float, *, bold: bool) -> list[str]:
    pieces = [""]
    for char in word:
        if pieces[-1] and width_pt(pieces[-1] + char, size, bold=bold) > width:
            pieces.append("")
        pieces[-1] += char
    return pieces


def fit(
    text: str, size: float, width: float, *, bold: bool = False, least: float = SMALLEST_PT
) -> tuple[str, float]:
    """Return a text and a size that fit `width` points: smaller first, then cut with an ellipsis."""
    wide = width_pt(text, 1.0, bold=bold)
    if wide * size <= width:
        return text, size
    if wide * least <= width:
        return text, max(least, int(width / wide * 10.0) / 10.0)
    kept = text
    while kept and width_pt(kept + "…", least, bold=bold) > width:
        kept = kept[:-1]
    return kept + "…", least
