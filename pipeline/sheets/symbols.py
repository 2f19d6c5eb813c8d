"""Symbols of the sheets: told apart by shape, so that a grey copy says the same."""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import cache

import numpy as np
import numpy.typing as npt
import segno

from pipeline.sheets.marks import BLACK, WHITE, Box, Circle, Line, Mark, Point, Polygon, Polyline, QrCode, Rect, Text

Floats = npt.NDArray[np.float64]

MAINLINE = "#0a2d7a"
LATERAL = "#7d2a00"
GREY = "#8c8c8c"
WATER = "#0f5c96"
TREE_DOT_PT = 1.7
_RING_PT = 1.75


def support(x: float, y: float, kind: str, *, ladder: bool = False, r: float = 3.1) -> list[Mark]:
    """Return a support: circle on a tree, square on a post, triangle for an anchor; a bar on top means ladder."""
    marks: list[Mark] = []
    if kind == "anchor":
        marks.append(Polygon((((x - r * 1.25, y - r), (x + r * 1.25, y - r), (x, y + r * 1.35)),), fill=BLACK))
    elif kind == "post":
        marks.append(Box(Rect(x - r * 0.9, y - r * 0.9, x + r * 0.9, y + r * 0.9), width=1.2, fill=WHITE))
    else:
        marks.append(Circle(x, y, r, width=1.2, fill=WHITE))
    if ladder:
        marks += ladder_sign(x, y + r + 1.2)
    return marks


def ladder_sign(x: float, y: float) -> list[Mark]:
    """Return two rails with rungs: this height needs a ladder."""
    rails: list[Mark] = [Line(x + dx, y, x + dx, y + 7.0, 0.8) for dx in (-1.9, 1.9)]
    return rails + [Line(x - 1.9, y + dy, x + 1.9, y + dy, 0.8) for dy in (1.3, 3.5, 5.7)]


def tree_radius(taps: int) -> float:
    """Return how far a tree's symbol reaches: a dot and a ring for each tap more, three rings at most."""
    return TREE_DOT_PT + _RING_PT * min(max(taps - 1, 0), 3)


def tapped_tree(x: float, y: float, taps: int) -> list[Mark]:
    """Return a tree with its taps: a dot, and a ring for each tap more."""
    rings: list[Mark] = [
        Circle(x, y, TREE_DOT_PT + _RING_PT * ring, width=0.7, fill=WHITE)
        for ring in range(min(max(taps - 1, 0), 3), 0, -1)
    ]
    return [*rings, Circle(x, y, TREE_DOT_PT, width=0.0, fill=BLACK)]


def not_tapped(x: float, y: float) -> list[Mark]:
    """Return a tree that carries no tap: a small cross."""
    d = 1.3
    return [Polyline((((x - d, y - d), (x + d, y + d)), ((x - d, y + d), (x + d, y - d))), 0.55, GREY)]


def set_aside(x: float, y: float, r: float = 1.6) -> list[Mark]:
    """Return a tree that was set aside: a small hollow circle."""
    return [Circle(x, y, r, width=0.7, color="#5f5f5f", fill=WHITE)]


def other_tree(x: float, y: float) -> list[Mark]:
    """Return a tree that another section serves: a small grey dot."""
    return [Circle(x, y, 1.2, width=0.0, fill=GREY)]


def arrow(x: float, y: float, dx: float, dy: float, size: float = 4.6, color: str = BLACK) -> Polygon:
    """Return a filled arrow head with its tip `size` beyond the point, along a direction."""
    length = math.hypot(dx, dy) or 1.0
    ux, uy = dx / length, dy / length
    tip, back = (x + ux * size * 0.5, y + uy * size * 0.5), (x - ux * size * 0.5, y - uy * size * 0.5)
    wing = size * 0.36
    return Polygon(((tip, (back[0] - uy * wing, back[1] + ux * wing), (back[0] + uy * wing, back[1] - ux * wing)),),
                   fill=color)


def arrow_on(line: Sequence[Point], share: float, size: float = 4.6, color: str = BLACK) -> list[Mark]:
    """Return an arrow head on a line, pointing the way the line runs; nothing on a very short line."""
    pts = np.array(line)
    length = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(pts, axis=0).T))))
    if length[-1] < size * 1.5:
        return []
    at = share * length[-1]
    k = int(min(np.searchsorted(length, at, side="right"), len(pts) - 1))
    x, y = np.interp(at, length, pts[:, 0]), np.interp(at, length, pts[:, 1])
    dx, dy = pts[k] - pts[k - 1]
    return [arrow(float(x), float(y), float(dx), float(dy), size, color)]


def hazard(x: float, y: float, size: float = 11.0) -> list[Mark]:
    """Return the warning triangle with an exclamation mark."""
    h = size * 0.5
    rim = ((x - h * 1.1, y - h * 0.85), (x + h * 1.1, y - h * 0.85), (x, y + h * 1.1))
    return [
        Polygon((rim,), fill="#ffd800", width=1.3),
        Text(x, y - h * 0.62, "!", size * 0.78, bold=True, align="center"),
    ]


def meeting(x: float, y: float, size: float = 11.0) -> list[Mark]:
    """Return the black square with a P: park and meet here."""
    h = size / 2.0
    return [
        Box(Rect(x - h, y - h, x + h, y + h), width=0.0, fill=BLACK),
        Text(x, y - size * 0.28, "P", size * 0.8, bold=True, align="center", color=WHITE),
    ]


def collection(x: float, y: float, size: float = 12.0) -> list[Mark]:
    """Return a tank seen from above: a black disc in a square."""
    h = size / 2.0
    return [Box(Rect(x - h, y - h, x + h, y + h), width=1.4, fill=WHITE), Circle(x, y, h * 0.62, width=0.0, fill=BLACK)]


def crossing(x: float, y: float, dx: float, dy: float) -> list[Mark]:
    """Return the sign of a line passing over something: two short bars along the line."""
    length = math.hypot(dx, dy) or 1.0
    ux, uy = dx / length, dy / length
    marks: list[Mark] = []
    for side in (-1.0, 1.0):
        cx, cy = x - uy * 4.2 * side, y + ux * 4.2 * side
        marks.append(Line(cx - ux * 5.0, cy - uy * 5.0, cx + ux * 5.0, cy + uy * 5.0, 1.3))
    return marks


def station_tick(x: float, y: float, dx: float, dy: float, reach: float = 6.0) -> Line:
    """Return the tick across a mainline at a full station."""
    length = math.hypot(dx, dy) or 1.0
    ux, uy = dx / length, dy / length
    return Line(x - uy * reach, y + ux * reach, x + uy * reach, y - ux * reach, 1.1)


def match_line(x: float, y: float, dx: float, dy: float, reach: float = 26.0) -> Line:
    """Return the heavy dashed line across a mainline where another section goes on."""
    length = math.hypot(dx, dy) or 1.0
    ux, uy = dx / length, dy / length
    return Line(x - uy * reach, y + ux * reach, x + uy * reach, y - ux * reach, 1.6, dash=(7.0, 2.5))


@cache
def _modules(content: str) -> tuple[tuple[bool, ...], ...]:
    code = segno.make(content, error="q", boost_error=True, micro=False)
    return tuple(tuple(bool(module) for module in row) for row in code.matrix)


def qr_code(x: float, y: float, side: float, content: str) -> QrCode:
    """Return a code of `content`; ``x, y, side`` are of the square with its quiet zone of four modules."""
    rows = _modules(content)
    quiet = 4.0 * side / (len(rows) + 8.0)
    return QrCode(Rect(x + quiet, y + quiet, x + side - quiet, y + side - quiet), rows, content)
