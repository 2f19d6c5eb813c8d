"""Turns planned pages into PDF bytes; the only module that knows the PDF engine.

The engine lends its fonts and its object writer; drawing operators are formatted here,
because thousands of contour vertices go through. The same pages give the same bytes.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache
from math import cos, radians, sin
from typing import Any

from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.pdfdoc import PDFDocument
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas

from pipeline.resources import template_bytes
from pipeline.sheets.marks import (
    LEAF_ROLES,
    Box,
    Circle,
    GreyImage,
    Group,
    Line,
    Link,
    Mark,
    Page,
    Point,
    Polygon,
    Polyline,
    QrCode,
    Rect,
    Text,
)
from pipeline.sheets.text import clean, width_pt

REGULAR, BOLD = "FieldRegular", "FieldBold"
_KAPPA = 0.5523  # control points of a quarter circle


@dataclass(frozen=True, slots=True)
class StructureNode:
    """One element of the document's structure: what a screen reader follows.

    ``content`` are marked-content numbers on page ``page_no``; ``links`` are indices of the
    page's link annotations.
    """

    role: str
    page_no: int
    alt: str
    content: tuple[int, ...]
    links: tuple[int, ...]
    children: tuple[StructureNode, ...]


@dataclass(frozen=True, slots=True)
class Drawing:
    """A raw PDF of empty pages with their fonts, and what belongs on them, for :mod:`pipeline.sheets.geopdf`.

    ``content`` are the operators of each page: the engine would recode them letter by letter.
    """

    pdf: bytes
    content: tuple[bytes, ...]
    structure: tuple[StructureNode, ...]
    links: tuple[tuple[Link, ...], ...]  # per page
    images: tuple[tuple[GreyImage, ...], ...]  # per page, named /Grey0, /Grey1, ...


class _FirstSubset(dict[int, str]):
    """How the letters of a face's first subset are written in a string; letters are asked for once.

    A letter that lies in a later subset is noted in ``beyond``: its texts are written piece by piece.
    """

    def __init__(self, font: TTFont, document: PDFDocument) -> None:
        super().__init__()
        self.font, self.document = font, document
        self.beyond = False

    def __missing__(self, code: int) -> str:
        ((subset, data),) = self.font.splitString(chr(code), self.document)
        if subset:
            self.beyond = True
            return ""
        self[code] = _escaped(data)
        return self[code]


class _Encoder:
    """Turns text into strings of the document's font subsets; remembers what it did."""

    def __init__(self, document: PDFDocument) -> None:
        self.document = document
        self.faces = tuple(_FirstSubset(pdfmetrics.getFont(name), document) for name in _fonts())
        self.done: dict[tuple[str, bool], tuple[tuple[str, str], ...]] = {}
        self.names: dict[tuple[str, int], str] = {}

    def runs(self, text: str, bold: bool) -> tuple[tuple[str, str], ...]:  # noqa: FBT001 - inner loop
        """Return (font resource name, escaped string) for each piece of one line."""
        known = self.done.get((text, bold))
        if known is None:
            face = self.faces[bold]
            face.beyond = False
            shown = clean(text)
            data = shown.translate(face)
            pieces = ((0, data),) if not face.beyond else tuple(
                (subset, _escaped(piece)) for subset, piece in face.font.splitString(shown, self.document)
            )
            known = tuple((self.name(face, subset), piece) for subset, piece in pieces)
            self.done[text, bold] = known
        return known

    def name(self, face: _FirstSubset, subset: int) -> str:
        """Return the resource name of a subset of a face."""
        if (face.font.fontName, subset) not in self.names:
            name = face.font.getSubsetInternalName(subset, self.document)[1:]
            self.names[face.font.fontName, subset] = str(name)
        return self.names[face.font.fontName, subset]


_ESCAPES = {
    byte: f"\\{byte:03o}" if byte < 32 or byte > 126 or byte in (40, 41, 92) else chr(byte) for byte in range(256)
}


def _escaped(data: bytes) -> str:
    return data.decode("latin-1").translate(_ESCAPES)


@cache
def _fonts() -> tuple[str, str]:
    """Register the two faces once per process and return their names."""
    for name, file in ((REGULAR, "DejaVuSansCondensed.ttf"), (BOLD, "DejaVuSansCondensed-Bold.ttf")):
        pdfmetrics.registerFont(TTFont(name, io.BytesIO(template_bytes(f"fonts/{file}"))))
    return REGULAR, BOLD


def _n(value: float) -> str:
    """Return a number as PDF wants it, to a hundredth of a point."""
    return f"{round(value, 2):.7g}"


@cache
def _rgb(color: str) -> str:
    parts = [int(color[i: i + 2], 16) / 255.0 for i in (1, 3, 5)]
    if parts[0] == parts[1] == parts[2]:
        return f"{parts[0]:.3g} g"
    return " ".join(f"{part:.3g}" for part in parts) + " rg"


def _stroke_color(color: str) -> str:
    return _rgb(color).upper()


@dataclass(slots=True)
class _PageWriter:
    """Writes one page's operators and notes its structure."""

    encode: _Encoder
    page_no: int
    code: list[str] = field(default_factory=list)
    links: list[Link] = field(default_factory=list)
    images: list[GreyImage] = field(default_factory=list)
    next_mcid: int = 0
    state: tuple[str, str, tuple[float, ...]] = ("", "", ())  # last width, stroke colour, dash
    last_fill: str = ""
    last_font: tuple[str, float] = ("", 0.0)

    # ---- state, written only when it changes
    def fill(self, color: str) -> None:
        if color != self.last_fill:
            self.code.append(_rgb(color))
            self.last_fill = color

    def stroke(self, width: float, color: str, dash: tuple[float, ...]) -> None:
        wide, hue, dashes = self.state
        if _n(width) != wide:
            self.code.append(f"{_n(width)} w")
        if color != hue:
            self.code.append(_stroke_color(color))
        if dash != dashes:
            self.code.append(f"[{' '.join(_n(d) for d in dash)}] 0 d")
        self.state = (_n(width), color, dash)

    def forget(self) -> None:
        self.state, self.last_fill, self.last_font = ("", "", (-1.0,)), "", ("", 0.0)

    # ---- structure
    def walk(self, marks: Iterable[Mark]) -> tuple[StructureNode, ...]:
        """Draw marks; loose ones are artifacts."""
        nodes: list[StructureNode] = []
        loose: list[Mark] = []
        for mark in marks:
            if not isinstance(mark, Group | Link):
                loose.append(mark)
                continue
            self._flush(loose)
            loose = []
            # a link is always reached by those who cannot see it
            nodes.extend(self._group(mark if isinstance(mark, Group) else Group((mark,), role="P")))
        self._flush(loose)
        return tuple(nodes)

    def _flush(self, loose: list[Mark]) -> None:
        if not loose:
            return
        self.code.append("/Artifact BMC")
        for mark in loose:
            self.one(mark)
        self.code.append("EMC")

    def _group(self, group: Group) -> tuple[StructureNode, ...]:
        if group.role in LEAF_ROLES:
            return (self._leaf(group),)
        self._open_clip(group.clip)
        children = self.walk(group.marks)
        self._close_clip(group.clip)
        if not group.role:
            return children
        return (StructureNode(group.role, self.page_no, group.alt, (), (), children),)

    def _leaf(self, group: Group) -> StructureNode:
        mcid = self.next_mcid
        self.next_mcid += 1
        before = len(self.links)
        self.code.append(f"/{group.role} <</MCID {mcid}>> BDC")
        self._open_clip(group.clip)
        for mark in group.marks:
            self.one(mark)
        self._close_clip(group.clip)
        self.code.append("EMC")
        links = tuple(range(before, len(self.links)))
        return StructureNode(group.role, self.page_no, group.alt, (mcid,), links, ())

    def _open_clip(self, clip: Rect | None) -> None:
        if clip is not None:
            self.code.append(f"q {_n(clip.x0)} {_n(clip.y0)} {_n(clip.width)} {_n(clip.height)} re W n")

    def _close_clip(self, clip: Rect | None) -> None:
        if clip is not None:
            self.code.append("Q")
            self.forget()

    # ---- single marks
    def one(self, mark: Mark) -> None:
        if isinstance(mark, Group):
            self._open_clip(mark.clip)
            for inner in mark.marks:
                self.one(inner)
            self._close_clip(mark.clip)
        else:
            _DRAW[type(mark)](self, mark)

    def _draw_text(self, mark: Text) -> None:
        runs = self.encode.runs(mark.text, mark.bold)
        if mark.angle_deg:
            c, s = cos(radians(mark.angle_deg)), sin(radians(mark.angle_deg))
            back = _left(mark) - mark.x
            at = f"{c:.5f} {s:.5f} {-s:.5f} {c:.5f} {mark.x + back * c:.2f} {mark.y + back * s:.2f} Tm"
        else:
            at = f"{_left(mark):.2f} {mark.y:.2f} Td"
        if mark.halo_pt:
            # the white edge is drawn first, so that it never thins the letters
            edge = self._shown(runs, mark.size, ("", 0.0))
            self.code.append(f"q 1 G 1 j {_n(2 * mark.halo_pt)} w [] 0 d BT 1 Tr {at} {edge} ET Q")
        self.fill(mark.color)
        self.code.append(f"BT {at} {self._shown(runs, mark.size, self.last_font)} ET")
        if runs:
            self.last_font = (runs[-1][0], mark.size)

    @staticmethod
    def _shown(runs: tuple[tuple[str, str], ...], size: float, font: tuple[str, float]) -> str:
        """Return the operators that show a line, faces named only where they change."""
        parts = []
        for name, data in runs:
            parts.append(f"({data}) Tj" if (name, size) == font else f"/{name} {_n(size)} Tf ({data}) Tj")
            font = (name, size)
        return " ".join(parts)

    def _draw_line(self, mark: Line) -> None:
        self.stroke(mark.width, mark.color, mark.dash)
        path = f"{mark.x0:.2f} {mark.y0:.2f} m {mark.x1:.2f} {mark.y1:.2f} l S"
        self.code.append(f"1 J {path} 0 J" if mark.round_cap else path)

    def _draw_polyline(self, mark: Polyline) -> None:
        self.stroke(mark.width, mark.color, mark.dash)
        paths = " ".join(_path(part) for part in mark.parts)
        self.code.append(f"1 J 1 j {paths} S 0 J 0 j" if mark.round_cap else f"{paths} S")

    def _draw_polygon(self, mark: Polygon) -> None:
        self._area(" ".join(_path(part) + " h" for part in mark.parts), mark.fill, mark.width, mark.color, mark.dash)

    def _draw_box(self, mark: Box) -> None:
        r = mark.rect
        path = f"{r.x0:.2f} {r.y0:.2f} {r.width:.2f} {r.height:.2f} re"
        joined = "1 j " if mark.radius else ""
        self._area(joined + path, mark.fill, mark.width, mark.color, mark.dash)
        if joined:
            self.code.append("0 j")

    def _draw_circle(self, mark: Circle) -> None:
        x, y, r = mark.x, mark.y, mark.radius
        west, south, east, north = f"{x - r:.2f}", f"{y - r:.2f}", f"{x + r:.2f}", f"{y + r:.2f}"
        k = r * _KAPPA
        left, low, right, high = f"{x - k:.2f}", f"{y - k:.2f}", f"{x + k:.2f}", f"{y + k:.2f}"
        at_x, at_y = f"{x:.2f}", f"{y:.2f}"
        self._area(
            f"{east} {at_y} m {east} {high} {right} {north} {at_x} {north} c {left} {north} {west} {high} {west} {at_y}"
            f" c {west} {low} {left} {south} {at_x} {south} c {right} {south} {east} {low} {east} {at_y} c h",
            mark.fill, mark.width, mark.color, mark.dash,
        )

    def _area(self, path: str, fill: str, width: float, color: str, dash: tuple[float, ...]) -> None:
        if width:
            self.stroke(width, color, dash)
        if fill:
            self.fill(fill)
        operator = ("B*" if width else "f*") if fill else ("S" if width else "n")
        self.code.append(f"{path} {operator}")

    def _draw_qrcode(self, mark: QrCode) -> None:
        side = mark.rect.width / len(mark.rows)
        self.fill("#000000")
        for i, row in enumerate(mark.rows):
            y = mark.rect.y1 - (i + 1) * side
            self.code.extend(
                f"{mark.rect.x0 + a * side:.3f} {y:.3f} {(b - a) * side:.3f} {side:.3f} re" for a, b in _runs(row)
            )
        self.code.append("f")

    def _draw_greyimage(self, mark: GreyImage) -> None:
        r = mark.rect
        name = f"Grey{len(self.images)}"
        self.images.append(mark)
        self.code.append(f"q {_n(r.width)} 0 0 {_n(r.height)} {_n(r.x0)} {_n(r.y0)} cm /{name} Do Q")

    def _draw_link(self, mark: Link) -> None:
        self.links.append(mark)


_DRAW: dict[type, Callable[[_PageWriter, Any], None]] = {
    Text: _PageWriter._draw_text, Line: _PageWriter._draw_line, Polyline: _PageWriter._draw_polyline,
    Polygon: _PageWriter._draw_polygon, Box: _PageWriter._draw_box, Circle: _PageWriter._draw_circle,
    QrCode: _PageWriter._draw_qrcode, GreyImage: _PageWriter._draw_greyimage, Link: _PageWriter._draw_link,
}


def _left(mark: Text) -> float:
    """Return where the line starts along its own direction, counted from ``x``."""
    if mark.align == "left":
        return mark.x
    wide = width_pt(mark.text, mark.size, bold=mark.bold)
    return mark.x - (wide / 2.0 if mark.align == "center" else wide)


def _path(points: Sequence[Point]) -> str:
    first, *rest = points
    return f"{first[0]:.1f} {first[1]:.1f} m " + " ".join([f"{x:.1f} {y:.1f} l" for x, y in rest])


def _runs(row: Sequence[bool]) -> list[tuple[int, int]]:
    """Return start and end of each run of dark modules."""
    runs: list[tuple[int, int]] = []
    start = -1
    for i, dark in enumerate((*row, False)):
        if dark and start < 0:
            start = i
        elif not dark and start >= 0:
            runs.append((start, i))
            start = -1
    return runs


def draw(pages: Sequence[Page]) -> Drawing:
    """Return the raw PDF of pages, not yet tagged, dated or georeferenced.

    Raises
    ------
    ValueError
        When there is no page.
    """
    if not pages:
        raise ValueError("there is no page to draw")
    out = io.BytesIO()
    canvas = Canvas(
        out, pagesize=(pages[0].width, pages[0].height), pageCompression=0, invariant=1, initialFontName=_fonts()[0]
    )
    encoder = _Encoder(canvas._doc)
    nodes: list[StructureNode] = []
    writers: list[_PageWriter] = []
    for number, page in enumerate(pages):
        canvas.setPageSize((page.width, page.height))
        writer = _PageWriter(encoder, number)
        children = writer.walk(page.marks)
        nodes.append(StructureNode("Sect", number, page.title, (), (), children))
        canvas.showPage()
        writers.append(writer)
    canvas.save()
    return Drawing(
        out.getvalue(), tuple("\n".join(w.code).encode("latin-1") for w in writers), tuple(nodes),
        tuple(tuple(w.links) for w in writers), tuple(tuple(w.images) for w in writers),
    )
