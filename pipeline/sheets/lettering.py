"""The two bundled faces and the letters a document uses of them; the only module that knows the PDF engine.

The engine lends its fonts and its object writer. A document numbers the letters beyond ASCII in the order in which it
first shows them, so the same page says them otherwise in a section's file than in the book. A page is drawn once all
the same: it holds a mark in place of each such letter and of each face's name, and every document fills in its own.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache, lru_cache

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.pdfdoc import PDFDocument
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from pipeline.resources import template_bytes
from pipeline.sheets.text import clean

REGULAR, BOLD = "FieldRegular", "FieldBold"
# A mark: the control character, the number of the face, five hexadecimal digits of the letter, and the size in the
# width below, with which a letter of a further subset is shown. No text holds control characters: `clean` sees to that.
_MARK, _SIZE_GOES_HERE = "\x01", "\x02"
_SIZE_WIDE = 6
_MARK_WIDE = 1 + 5 + _SIZE_WIDE
_NAME = "name".ljust(_MARK_WIDE - 1)  # in place of letter and size: the face's resource name
_ESCAPED = {
    byte: f"\\{byte:03o}" if byte < 32 or byte > 126 or byte in (40, 41, 92) else chr(byte) for byte in range(256)
}
_KNOWN_TEXTS = 1 << 14  # texts whose letters are remembered: some twenty sections' worth


@cache
def _fonts() -> tuple[TTFont, TTFont]:
    """Register the two faces once per process and return them."""
    for name, file in ((REGULAR, "DejaVuSansCondensed.ttf"), (BOLD, "DejaVuSansCondensed-Bold.ttf")):
        pdfmetrics.registerFont(TTFont(name, io.BytesIO(template_bytes(f"fonts/{file}"))))
    return pdfmetrics.getFont(REGULAR), pdfmetrics.getFont(BOLD)


class _Letters(dict[int, str]):
    """How a face's letters are written on a drawn page."""

    def __init__(self, face: int) -> None:
        super().__init__({code: text for code, text in _ESCAPED.items() if code < 127})
        self.face = face

    def __missing__(self, code: int) -> str:
        self[code] = f"{_MARK}{self.face}{code:05x}{_SIZE_GOES_HERE}"
        return self[code]


_LETTERS = (_Letters(0), _Letters(1))


@lru_cache(maxsize=_KNOWN_TEXTS)
def _lettered(text: str, bold: bool) -> str:  # noqa: FBT001 - inner loop
    return clean(text).translate(_LETTERS[bold])


def lettered(text: str, size: str, *, bold: bool) -> str:
    """Return the inside of a string that shows a line of text, its letters beyond ASCII as marks."""
    letters = _lettered(text, bold)
    return letters.replace(_SIZE_GOES_HERE, size.rjust(_SIZE_WIDE)) if _MARK in letters else letters


def face_mark(*, bold: bool) -> str:
    """Return what stands for a face's resource name on a drawn page."""
    return f"{_MARK}{bold:d}{_NAME}"


class _Filling(dict[bytes, bytes]):
    """What a document writes for each mark; each is asked for once, in the order of the document."""

    def __init__(self, document: PDFDocument) -> None:
        super().__init__()
        self.document = document

    def __missing__(self, mark: bytes) -> bytes:
        bold, what = int(mark[:1]), mark[1:].decode("ascii")
        if what == _NAME:
            filled = self._name(bold, 0)
        else:
            ((subset, data),) = _fonts()[bold].splitString(chr(int(what[:5], 16)), self.document)
            filled = data.decode("latin-1").translate(_ESCAPED)
            if subset:  # the string ends, shows one letter of the other subset, and begins again
                size = what[5:].strip()
                other, first = self._name(bold, subset), self._name(bold, 0)
                filled = f") Tj /{other} {size} Tf ({filled}) Tj /{first} {size} Tf ("
        self[mark] = filled.encode("ascii")
        return self[mark]

    def _name(self, bold: int, subset: int) -> str:
        return str(_fonts()[bold].getSubsetInternalName(subset, self.document)[1:])


def _filled(code: bytes, filling: _Filling) -> bytes:
    first, *rest = code.split(_MARK.encode("ascii"))
    parts = [first]
    for part in rest:
        parts.append(filling[part[:_MARK_WIDE]])
        parts.append(part[_MARK_WIDE:])
    return b"".join(parts)


@dataclass(frozen=True, slots=True)
class Lettered:
    """A raw PDF of empty pages with their fonts, and the operators of each page.

    The operators are written in later: the engine would recode them letter by letter.
    """

    pdf: bytes
    content: tuple[bytes, ...]


def letter(sizes: Sequence[tuple[float, float]], codes: Sequence[bytes]) -> Lettered:
    """Return the raw PDF of drawn pages, given by width and height and by operators with marks."""
    _fonts()
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=sizes[0], pageCompression=0, invariant=1, initialFontName=REGULAR)
    filling = _Filling(canvas._doc)
    content = []
    for size, code in zip(sizes, codes, strict=True):
        canvas.setPageSize(size)
        content.append(_filled(code, filling))
        canvas.showPage()
    canvas.save()
    return Lettered(out.getvalue(), tuple(content))
