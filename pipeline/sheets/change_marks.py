"""Symbols of the change sheets, told apart by shape: what goes, what stays, what is hung again, what is new."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from pipeline.records import StormItem
from pipeline.sheets import symbols
from pipeline.sheets.marks import BLACK, WHITE, Box, Circle, Line, Mark, Point, Polygon, Polyline, Rect, Text

Floats = npt.NDArray[np.float64]

REMOVE, NEW, KEEP = "#7a1020", "#0b4d2c", "#9a9a9a"
CROSS_EVERY_PT, TICK_EVERY_PT = 20.0, 8.0
MARK_PT = 9.0
HAZARDS = ("hung", "top_broken", "root_plate")


def points_of(line: Floats) -> tuple[Point, ...]:
    """Return a line on the page as marks take it."""
    return tuple((round(float(x), 2), round(float(y), 2)) for x, y in line)


def _along(line: Floats, every_pt: float) -> list[tuple[float, float, float, float]]:
    """Return places evenly along a line with its direction there; at least one, in the middle."""
    steps = np.hypot(*np.diff(line, axis=0).T)
    length = np.concatenate(([0.0], np.cumsum(steps)))
    if length[-1] <= 0.0:
        return []
    count = max(1, int(length[-1] / every_pt))
    out = []
    for at in (np.arange(count) + 0.5) * length[-1] / count:
        k = int(min(max(np.searchsorted(length, at, side="right"), 1), len(line) - 1))
        dx, dy = (line[k] - line[k - 1]) / max(float(steps[k - 1]), 1e-9)
        out.append((float(np.interp(at, length, line[:, 0])), float(np.interp(at, length, line[:, 1])),
                    float(dx), float(dy)))
    return out


def remove_line(line: Floats, width: float) -> list[Mark]:
    """Return what goes: dashed, with crosses."""
    marks: list[Mark] = [Polyline((points_of(line),), width, REMOVE, dash=(5.0, 3.0), round_cap=False)]
    for x, y, dx, dy in _along(line, CROSS_EVERY_PT):
        for turn in (45.0, -45.0):
            c, s = math.cos(math.radians(turn)), math.sin(math.radians(turn))
            ux, uy = (dx * c - dy * s) * 3.6, (dx * s + dy * c) * 3.6
            marks.append(Line(x - ux, y - uy, x + ux, y + uy, 1.7, REMOVE))
    return marks


def remove_point(x: float, y: float) -> list[Mark]:
    """Return a support that goes: a heavy cross."""
    d = 4.6
    return [Line(x - d, y - d, x + d, y + d, 2.0, REMOVE), Line(x - d, y + d, x + d, y - d, 2.0, REMOVE)]


def new_line(line: Floats, width: float) -> list[Mark]:
    """Return what is new: heavy, with ticks across."""
    marks: list[Mark] = [Polyline((points_of(line),), width + 2.0, WHITE), Polyline((points_of(line),), width, NEW)]
    marks += [Line(x - dy * 3.8, y + dx * 3.8, x + dy * 3.8, y - dx * 3.8, 1.4, NEW)
              for x, y, dx, dy in _along(line, TICK_EVERY_PT)]
    return marks


def mend_line(line: Floats, width: float) -> list[Mark]:
    """Return what is hung again where it was: a grey line with black edges."""
    path = (points_of(line),)
    return [Polyline(path, width + 3.6, BLACK), Polyline(path, width + 1.6, WHITE), Polyline(path, width, KEEP)]


def keep_lines(lines: Sequence[Floats], width: float) -> list[Mark]:
    """Return what stays: thin and grey."""
    return [Polyline(tuple(points_of(line) for line in lines), width, KEEP)] if lines else []


def tree_down(x: float, y: float, tip: Point | None) -> list[Mark]:
    """Return a tree on the ground: a crossed circle at its foot, and its trunk where it is known."""
    marks: list[Mark] = []
    if tip is not None:
        marks.append(Line(x, y, tip[0], tip[1], 2.0, BLACK, round_cap=True))
    r = 3.4
    d = r * 0.70
    marks.append(Circle(x, y, r, width=1.1, fill=WHITE))
    marks += [Line(x - d, y - d, x + d, y + d, 1.0), Line(x - d, y + d, x + d, y - d, 1.0)]
    return marks


def blocked(x: float, y: float) -> list[Mark]:
    """Return blocked access: a bar in a circle."""
    return [Circle(x, y, 4.6, width=1.4, fill=WHITE), Line(x - 2.6, y, x + 2.6, y, 2.2)]


def broken(x: float, y: float) -> list[Mark]:
    """Return a broken or pinned line or a lost support: a lightning stroke in a circle."""
    path = ((x + 1.4, y + 3.0), (x - 1.5, y + 0.2), (x + 1.4, y - 0.2), (x - 1.2, y - 3.0))
    return [Circle(x, y, 4.6, width=1.2, fill=WHITE), Polyline((path,), 1.3)]


def logged(item: StormItem, foot: Point, tip: Point | None) -> list[Mark]:
    """Return the symbol of one logged thing."""
    if item.kind in HAZARDS:
        return symbols.hazard(*foot)
    if item.kind in ("tree_down", "stem", "retire"):
        return tree_down(*foot, tip)
    if item.kind == "access_blocked":
        return blocked(*foot)
    return broken(*foot)


def sign_half(mark: str) -> float:
    """Return half the width of a mark's sign."""
    return max(8.2, 3.0 * len(mark) + 1.8)


def mark_sign(mark: str, x: float, y: float) -> list[Mark]:
    """Return the sign of a change: R in a square, N in a black disc, K in a white disc."""
    half = sign_half(mark)
    black = mark.startswith("N")
    text = Text(x, y - MARK_PT * 0.36, mark, MARK_PT, bold=True, align="center", color=WHITE if black else BLACK,
                tag="change_mark")
    if mark.startswith("R"):
        return [Box(Rect(x - half, y - half, x + half, y + half), width=1.5, fill=WHITE), text]
    return [Circle(x, y, half, width=1.5, fill=BLACK if black else WHITE), text]


def blown_area(rings: Sequence[tuple[Point, ...]], lines: tuple[tuple[Point, ...], ...]) -> list[Mark]:
    """Return blown ground: diagonal hatch and a dotted edge."""
    marks: list[Mark] = [Polyline(lines, 0.55, "#5a5a5a")] if lines else []
    return [*marks, Polygon(tuple(rings), width=1.5, dash=(1.2, 2.6))] if rings else marks
