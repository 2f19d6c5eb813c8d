"""Turns planned pages into the operators that draw them, and these into a raw PDF.

Drawing operators are formatted here, because thousands of contour vertices go through. A page is drawn once and may
be bound into several documents. The same pages give the same bytes.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import cache, lru_cache
from math import cos, radians, sin
from typing import Any, NamedTuple

from pipeline.sheets.lettering import face_mark, letter, lettered
from pipeline.sheets.marks import (
    LEAF_ROLES,
    Box,
    Circle,
    GeoBox,
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
from pipeline.sheets.text import width_pt

# paths of so many parts, each of so few points, are looked up among so many known ones
_MANY_PARTS, _SHORT, _KNOWN_PATHS = 40, 16, 1 << 14
_KAPPA = 0.5523  # control points of a quarter circle


class StructureNode(NamedTuple):
    """One element of the structure of a page: what a screen reader follows.

    ``content`` are marked-content numbers on its page; ``links`` are indices of the page's link annotations.
    """

    role: str
    alt: str
    content: tuple[int, ...]
    links: tuple[int, ...]
    children: tuple[StructureNode, ...]


@dataclass(frozen=True, slots=True)
class DrawnPage:
    """A page as operators, with what a document has to know of it.

    ``code`` holds marks for letters that every document writes in its own way; see :mod:`pipeline.sheets.lettering`.
    """

    width: float
    height: float
    title: str
    section_id: str
    geo: tuple[GeoBox, ...]
    code: bytes
    node: StructureNode
    links: tuple[Link, ...]
    images: tuple[GreyImage, ...]  # named /Grey0, /Grey1, ...


@dataclass(frozen=True, slots=True)
class Drawing:
    """A raw PDF of empty pages with their fonts, and what belongs on them, for :mod:`pipeline.sheets.geopdf`."""

    pdf: bytes
    content: tuple[bytes, ...]
    pages: tuple[DrawnPage, ...]


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

    code: list[str] = field(default_factory=list)
    links: list[Link] = field(default_factory=list)
    images: list[GreyImage] = field(default_factory=list)
    next_mcid: int = 0
    state: tuple[str, str, tuple[float, ...]] = ("", "", ())  # last width, stroke colour, dash
    last_fill: str = ""
    last_font: tuple[bool | None, float] = (None, 0.0)

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
        self.state, self.last_fill, self.last_font = ("", "", (-1.0,)), "", (None, 0.0)

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
        return (StructureNode(group.role, group.alt, (), (), children),)

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
        return StructureNode(group.role, group.alt, (mcid,), links, ())

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
        size = _n(mark.size)
        shown = f"({lettered(mark.text, size, bold=mark.bold)}) Tj"
        named = f"/{face_mark(bold=mark.bold)} {size} Tf {shown}"
        if mark.angle_deg:
            c, s = cos(radians(mark.angle_deg)), sin(radians(mark.angle_deg))
            back = _left(mark) - mark.x
            at = f"{c:.5f} {s:.5f} {-s:.5f} {c:.5f} {mark.x + back * c:.2f} {mark.y + back * s:.2f} Tm"
        else:
            at = f"{_left(mark):.2f} {mark.y:.2f} Td"
        if mark.halo_pt:
            # the white edge is drawn first, so that it never thins the letters
            self.code.append(f"q 1 G 1 j {_n(2 * mark.halo_pt)} w [] 0 d BT 1 Tr {at} {named} ET Q")
        self.fill(mark.color)
        font = (mark.bold, mark.size)
        self.code.append(f"BT {at} {shown if font == self.last_font else named} ET")
        self.last_font = font

    def _draw_line(self, mark: Line) -> None:
        self.stroke(mark.width, mark.color, mark.dash)
        path = f"{mark.x0:.2f} {mark.y0:.2f} m {mark.x1:.2f} {mark.y1:.2f} l S"
        self.code.append(f"1 J {path} 0 J" if mark.round_cap else path)

    def _draw_polyline(self, mark: Polyline) -> None:
        self.stroke(mark.width, mark.color, mark.dash)
        paths = " ".join(_paths(mark.parts))
        self.code.append(f"1 J 1 j {paths} S 0 J 0 j" if mark.round_cap else f"{paths} S")

    def _draw_polygon(self, mark: Polygon) -> None:
        self._area(" ".join(f"{path} h" for path in _paths(mark.parts)), mark.fill, mark.width, mark.color, mark.dash)

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


def _paths(parts: Sequence[tuple[Point, ...]]) -> list[str]:
    # the index picture of every section holds every mainline and outline of the plan: written once for all
    return [
        (_known_path if len(parts) > _MANY_PARTS and len(points) <= _SHORT else _path)(points) for points in parts
    ]


def _path(points: Sequence[Point]) -> str:
    first, *rest = points
    return f"{first[0]:.1f} {first[1]:.1f} m " + " ".join([f"{x:.1f} {y:.1f} l" for x, y in rest])


_known_path = lru_cache(maxsize=_KNOWN_PATHS)(_path)


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


def drawn(page: Page | DrawnPage) -> DrawnPage:
    """Return a page as operators; one that is drawn already comes back as it is."""
    if isinstance(page, DrawnPage):
        return page
    writer = _PageWriter()
    node = StructureNode("Sect", page.title, (), (), writer.walk(page.marks))
    return DrawnPage(
        page.width, page.height, page.title, page.section_id, page.geo, "\n".join(writer.code).encode("latin-1"), node,
        tuple(writer.links), tuple(writer.images),
    )


def draw(pages: Sequence[Page | DrawnPage]) -> Drawing:
    """Return the raw PDF of pages, not yet tagged, dated or georeferenced.

    Raises
    ------
    ValueError
        When there is no page.
    """
    if not pages:
        raise ValueError("there is no page to draw")
    made = tuple(drawn(page) for page in pages)
    raw = letter([(page.width, page.height) for page in made], [page.code for page in made])
    return Drawing(raw.pdf, raw.content, made)
