"""What can stand on a page: frozen records in points, origin at the lower left.

Page builders only ever return these. They can be measured (:func:`bounds`) and
counted in tests without a PDF; :mod:`pipeline.sheets.draw` is the one place that
turns them into operators of one.

Colours are ``"#rrggbb"``. Text is black, or white on black; colour is a second code
only. ``angle_deg`` turns counterclockwise.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Literal

from pipeline.sheets.text import ASCENT, DESCENT, width_pt

Point = tuple[float, float]
Align = Literal["left", "center", "right"]
# structure roles that hold content themselves; the others only hold groups
LEAF_ROLES = ("H1", "H2", "P", "TH", "TD", "Figure", "Caption", "Note")
HOLDER_ROLES = ("Sect", "Table", "TR")

BLACK = "#000000"
WHITE = "#ffffff"


@dataclass(frozen=True, slots=True)
class Rect:
    """An upright rectangle: left, bottom, right, top in points."""

    x0: float
    y0: float
    x1: float
    y1: float

    @property
    def width(self) -> float:
        """Width in points."""
        return self.x1 - self.x0

    @property
    def height(self) -> float:
        """Height in points."""
        return self.y1 - self.y0

    @property
    def center(self) -> Point:
        """Middle."""
        return (self.x0 + self.x1) / 2.0, (self.y0 + self.y1) / 2.0

    def inset(self, by: float) -> Rect:
        """Return the rectangle made smaller by `by` points on each side."""
        return Rect(self.x0 + by, self.y0 + by, self.x1 - by, self.y1 - by)

    def overlaps(self, other: Rect) -> bool:
        """Whether the two share an area."""
        return self.x0 < other.x1 and other.x0 < self.x1 and self.y0 < other.y1 and other.y0 < self.y1

    def holds(self, other: Rect, slack: float = 0.0) -> bool:
        """Whether `other` lies inside, give or take `slack` points."""
        return (
            other.x0 >= self.x0 - slack and other.y0 >= self.y0 - slack
            and other.x1 <= self.x1 + slack and other.y1 <= self.y1 + slack
        )

    def union(self, other: Rect) -> Rect:
        """Return the smallest rectangle around both."""
        return Rect(min(self.x0, other.x0), min(self.y0, other.y0), max(self.x1, other.x1), max(self.y1, other.y1))

    def cut(self, other: Rect) -> Rect:
        """Return what both share; empty ones have no area."""
        x0, y0 = max(self.x0, other.x0), max(self.y0, other.y0)
        return Rect(x0, y0, max(x0, min(self.x1, other.x1)), max(y0, min(self.y1, other.y1)))


@dataclass(frozen=True, slots=True)
class Text:
    """One line of text; ``x, y`` is the anchor on the base line.

    ``halo_pt`` draws a white edge of that width under the letters; ``tag`` names what
    the text says (``"support:M1-S04"``), for tests and for nothing else.
    """

    x: float
    y: float
    text: str
    size: float = 8.5
    bold: bool = False
    align: Align = "left"
    angle_deg: float = 0.0
    color: str = BLACK
    halo_pt: float = 0.0
    tag: str = ""


@dataclass(frozen=True, slots=True)
class Line:
    """A straight line."""

    x0: float
    y0: float
    x1: float
    y1: float
    width: float = 0.7
    color: str = BLACK
    dash: tuple[float, ...] = ()
    round_cap: bool = False


@dataclass(frozen=True, slots=True)
class Polyline:
    """One or more open lines drawn with one stroke (contours are thousands of vertices)."""

    parts: tuple[tuple[Point, ...], ...]
    width: float = 0.7
    color: str = BLACK
    dash: tuple[float, ...] = ()
    round_cap: bool = True


@dataclass(frozen=True, slots=True)
class Polygon:
    """A closed area; ``parts`` are rings, filled by the even-odd rule."""

    parts: tuple[tuple[Point, ...], ...]
    fill: str = ""
    color: str = BLACK
    width: float = 0.0
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Box:
    """An upright rectangle, with an edge, a fill or both."""

    rect: Rect
    width: float = 0.7
    color: str = BLACK
    fill: str = ""
    radius: float = 0.0
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Circle:
    """A circle."""

    x: float
    y: float
    radius: float
    width: float = 0.7
    color: str = BLACK
    fill: str = ""
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class QrCode:
    """A matrix code of dark modules; ``rows`` from the top, quiet zone not included."""

    rect: Rect
    rows: tuple[tuple[bool, ...], ...]
    content: str


@dataclass(frozen=True, slots=True)
class GreyImage:
    """An 8-bit grey picture stretched over `rect`; rows from the top."""

    rect: Rect
    columns: int
    rows: int
    data: bytes


@dataclass(frozen=True, slots=True)
class Link:
    """A place that opens an address when tapped."""

    rect: Rect
    uri: str
    alt: str


@dataclass(frozen=True, slots=True)
class Group:
    """Marks that belong together.

    Parameters
    ----------
    marks : tuple of marks
        Drawn in order.
    role : str
        Structure role: one of ``LEAF_ROLES`` or ``HOLDER_ROLES``, or ``""`` for decoration.
    alt : str
        What a figure shows, for those who cannot see it.
    clip : Rect or None
        Nothing is drawn outside it.
    """

    marks: tuple[Mark, ...]
    role: str = ""
    alt: str = ""
    clip: Rect | None = None


Mark = Text | Line | Polyline | Polygon | Box | Circle | QrCode | GreyImage | Link | Group


@dataclass(frozen=True, slots=True)
class GeoBox:
    """A part of a page that knows where on Earth it is.

    ``corners`` are (latitude, longitude) of the upper left, lower left, lower right and
    upper right corner of `rect`, in WGS 84 degrees.
    """

    rect: Rect
    corners: tuple[Point, Point, Point, Point]
    name: str


@dataclass(frozen=True, slots=True)
class Page:
    """One page: size, marks, words of its head, and the parts that know where they are.

    Builders return pages without head and footer; :func:`pipeline.sheets.paper.framed` adds
    them when the number of sheets is known. ``title`` is also the bookmark.
    """

    width: float
    height: float
    marks: tuple[Mark, ...]
    title: str
    subtitle: str = ""
    section_id: str = ""
    geo: tuple[GeoBox, ...] = ()

    @property
    def rect(self) -> Rect:
        """The whole sheet of paper."""
        return Rect(0.0, 0.0, self.width, self.height)


def flat(marks: Iterable[Mark], clip: Rect | None = None) -> Iterator[tuple[Mark, Rect | None]]:
    """Yield every mark that is not a group, with the rectangle that clips it."""
    for mark in marks:
        if isinstance(mark, Group):
            inner = mark.clip if clip is None or mark.clip is None else clip.cut(mark.clip)
            yield from flat(mark.marks, inner or clip)
        else:
            yield mark, clip


def text_rect(mark: Text) -> Rect:
    """Return the upright rectangle around a text, ascenders and descenders included."""
    wide = width_pt(mark.text, mark.size, bold=mark.bold)
    left = {"left": 0.0, "center": -wide / 2.0, "right": -wide}[mark.align]
    low, high = -DESCENT * mark.size, ASCENT * mark.size
    if mark.angle_deg == 0.0:
        return Rect(mark.x + left, mark.y + low, mark.x + left + wide, mark.y + high)
    cos, sin = math.cos(math.radians(mark.angle_deg)), math.sin(math.radians(mark.angle_deg))
    corners = [(px * cos - py * sin, px * sin + py * cos) for px in (left, left + wide) for py in (low, high)]
    return around([(mark.x + px, mark.y + py) for px, py in corners])


def around(points: Iterable[Point]) -> Rect:
    """Return the smallest upright rectangle around points."""
    xs, ys = zip(*points, strict=True)
    return Rect(min(xs), min(ys), max(xs), max(ys))


def _grown(rect: Rect, by: float) -> Rect:
    return rect.inset(-by)


def bounds(mark: Mark) -> Rect:
    """Return the upright rectangle that a mark covers, line widths included, groups clipped."""
    if isinstance(mark, Text):
        return text_rect(mark)
    if isinstance(mark, Line):
        return _grown(around([(mark.x0, mark.y0), (mark.x1, mark.y1)]), mark.width / 2.0)
    if isinstance(mark, Polyline | Polygon):
        return _grown(around(p for part in mark.parts for p in part), mark.width / 2.0)
    if isinstance(mark, Circle):
        reach = mark.radius + mark.width / 2.0
        return Rect(mark.x - reach, mark.y - reach, mark.x + reach, mark.y + reach)
    if isinstance(mark, Box):
        return _grown(mark.rect, mark.width / 2.0)
    if isinstance(mark, Group):
        return _group_bounds(mark)
    return mark.rect


def _group_bounds(group: Group) -> Rect:
    rects = [bounds(mark) for mark in group.marks]
    total = rects[0]
    for rect in rects[1:]:
        total = total.union(rect)
    return total if group.clip is None else total.cut(group.clip)


def texts(marks: Iterable[Mark]) -> Iterator[Text]:
    """Yield all texts of marks, groups included."""
    for mark, _clip in flat(marks):
        if isinstance(mark, Text):
            yield mark


def heading(x: float, y: float, text: str, size: float = 11.0) -> Group:
    """Return a block heading."""
    return Group((Text(x, y, text, size, bold=True),), role="H2")


def paragraph(x: float, y: float, text: str, size: float = 8.5, *, bold: bool = False, align: Align = "left") -> Group:
    """Return one line of running text."""
    return Group((Text(x, y, text, size, bold=bold, align=align),), role="P")


def tick_box(x: float, y: float, size: float = 11.5) -> Box:
    """Return an empty box to tick, its lower left corner at ``x, y``."""
    return Box(Rect(x, y, x + size, y + size), width=1.1)
