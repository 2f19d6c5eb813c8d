"""Places labels on a map: greedy, on a cost raster, never over a symbol or another label.

Lines and symbols are stamped once into a raster of one-point cells; a summed table gives
the cost of any box in four reads. Each label tries places on rings around its anchor,
cheapest first. What finds no place is returned as dropped, never squeezed in.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cache

import numpy as np
import numpy.typing as npt

from pipeline.sheets.label_kernel import NONE, along, grow, stamp, try_places
from pipeline.sheets.marks import BLACK, WHITE, Box, Line, Mark, Point, Rect, Text
from pipeline.sheets.text import width_pt

_DIRECTIONS = 16
_RINGS_PT = (0.0, 4.0, 10.0, 17.0, 26.0, 38.0, 52.0, 70.0)
_LEADER_FROM_PT = 8.0  # a label farther out is tied to its symbol by a thin line
_RING_COST = 2.4  # a point farther out costs as much as this many cells over a thin line
_HARD = 20_000  # no label is worth covering one cell of a symbol
_NO_LEADER_ACROSS = 20.0  # soft cost of lines that no leader may cross: mainlines


@dataclass(frozen=True, slots=True)
class Label:
    """A text that wants to stand near a point.

    Parameters
    ----------
    x, y : float
        Anchor: the middle of its symbol, page points.
    clear : float
        Radius of the symbol; the label starts outside it.
    style : {"plain", "box", "black"}
        Bare with a white edge, in a white box, or white on black.
    kind : str
        What is reported when it is dropped.
    toward : tuple
        Direction the label would rather take, or (0, 0).
    rings : int
        How many rings out it may go; 0 means right beside the symbol only.
    """

    x: float
    y: float
    text: str
    size: float
    bold: bool = False
    clear: float = 3.0
    style: str = "plain"
    kind: str = ""
    tag: str = ""
    toward: Point = (0.0, 0.0)
    rings: int = 6

    @property
    def half(self) -> Point:
        """Half width and half height of the label with its box."""
        pad = {"plain": 0.6, "box": 2.4, "black": 2.8}[self.style]
        return width_pt(self.text, self.size, bold=self.bold) / 2.0 + pad, self.size * 0.40 + pad


@dataclass(slots=True)
class LabelField:
    """The raster: ``hard`` cells may not be covered, ``soft`` cells cost their value."""

    rect: Rect
    hard: npt.NDArray[np.bool_] = field(init=False)
    soft: npt.NDArray[np.float32] = field(init=False)
    taken: npt.NDArray[np.bool_] = field(init=False)
    near: npt.NDArray[np.bool_] = field(init=False)
    table: npt.NDArray[np.int32] | None = None
    placed: list[Rect] = field(default_factory=list)

    def __post_init__(self) -> None:
        shape = (math.ceil(self.rect.height) + 1, math.ceil(self.rect.width) + 1)
        self.hard = np.zeros(shape, dtype=np.bool_)
        self.taken = np.zeros(shape, dtype=np.bool_)
        self.near = np.zeros(shape, dtype=np.bool_)
        self.soft = np.zeros(shape, dtype=np.float32)

    # ---- stamping
    def lines(self, parts: Sequence[npt.NDArray[np.float64]], cost: float, reach: int = 1) -> None:
        """Stamp lines (page points), `reach` cells to each side."""
        cells = np.zeros_like(self.hard)
        long = [part for part in parts if len(part) > 1]
        if long:
            at = np.concatenate(long) - (self.rect.x0, self.rect.y0)
            starts = np.cumsum([0, *(len(part) for part in long)], dtype=np.int64)
            stamp(cells, np.ascontiguousarray(at[:, 0]), np.ascontiguousarray(at[:, 1]), starts)
            if reach:
                grow(cells, reach)
        self.soft[cells] += np.float32(cost)

    def block(self, box: Rect) -> None:
        """Let nothing stand in a box."""
        x0, y0, x1, y1 = self._cells(box)
        self.hard[max(y0, 0): max(y1, 0), max(x0, 0): max(x1, 0)] = True

    def block_disc(self, x: float, y: float, radius: float) -> None:
        """Let nothing stand on a round symbol."""
        low, narrow = radius, radius * 0.62
        self.block(Rect(x - low, y - narrow, x + low, y + narrow))
        self.block(Rect(x - narrow, y - low, x + narrow, y + low))

    def _cells(self, box: Rect) -> tuple[int, int, int, int]:
        return (
            math.floor(box.x0 - self.rect.x0), math.floor(box.y0 - self.rect.y0),
            math.ceil(box.x1 - self.rect.x0), math.ceil(box.y1 - self.rect.y0),
        )

    # ---- placing
    def _table(self) -> npt.NDArray[np.int32]:
        """Return the summed table in quarters of a cost; it may wrap round, differences of its reads do not."""
        if self.table is None:
            table = np.zeros((self.soft.shape[0] + 1, self.soft.shape[1] + 1), dtype=np.int32)
            cells = (self.soft * np.float32(4.0)).astype(np.int32)
            cells[self.hard] += _HARD * 4
            np.cumsum(cells, axis=0, out=cells)
            np.cumsum(cells, axis=1, out=table[1:, 1:])
            self.table = table
        return self.table

    def costs(
        self, x0: npt.NDArray[np.float64], y0: npt.NDArray[np.float64], wide: float, high: float
    ) -> npt.NDArray[np.float64]:
        """Return the cost of boxes with lower left corners ``x0, y0``; inf outside the frame."""
        r, table = self.rect, self._table()
        inside = (x0 >= r.x0 + 1.5) & (y0 >= r.y0 + 1.5) & (x0 <= r.x1 - 1.5 - wide) & (y0 <= r.y1 - 1.5 - high)
        out = np.full(x0.shape, np.inf)
        left, low = x0[inside] - r.x0, y0[inside] - r.y0
        c0, r0 = left.astype(np.intp), low.astype(np.intp)
        c1, r1 = (left + wide).astype(np.intp) + 1, (low + high).astype(np.intp) + 1
        out[inside] = (table[r1, c1] - table[r0, c1] - table[r1, c0] + table[r0, c0]) * 0.25
        return out

    def free(self, box: Rect) -> bool:
        """Whether no placed label or leader shares the box, which must lie inside the frame."""
        r = self.rect
        return not self.taken[
            int(box.y0 - r.y0): int(box.y1 - r.y0) + 1, int(box.x0 - r.x0): int(box.x1 - r.x0) + 1
        ].any()

    def take(self, box: Rect) -> None:
        """Keep a box for a label."""
        x0, y0, x1, y1 = self._cells(box)
        self.taken[max(y0, 0): max(y1, 0), max(x0, 0): max(x1, 0)] = True
        # a cell of air on each side: a leader that runs along a text reads as its underline
        self.near[max(y0 - 1, 0): max(y1 + 1, 0), max(x0 - 1, 0): max(x1 + 1, 0)] = True
        self.placed.append(box)

    def place(self, label: Label, *, across: bool = False) -> tuple[Rect, bool] | None:
        """Return the box of a label and whether it needs a leader, and take the room; ``None`` when there is none.

        ``across`` lets the leader cross a mainline, for labels that found no place otherwise.
        """
        half_w, half_h = label.half
        cos, sin, ring, push_x, push_y, base = _candidates(label.rings)
        # the box touches the symbol's clear circle from outside, whatever the direction
        reach = label.clear + ring
        x, y = label.x - self.rect.x0, label.y - self.rect.y0
        cx = x + cos * reach + push_x * half_w
        cy = y + sin * reach + push_y * half_h
        if label.toward != (0.0, 0.0):
            base = base - (cos * (12.0 * label.toward[0]) + sin * (12.0 * label.toward[1]))
        i = try_places(
            self._table(), (self.hard, self.taken, self.near), self.soft, (x, y, label.clear), (half_w, half_h),
            (cx, cy, base, ring), (self.rect.width, self.rect.height, _HARD * 0.5, _LEADER_FROM_PT,
                                   math.inf if across else _NO_LEADER_ACROSS),
        )
        if i == NONE:
            return None
        mid_x, mid_y = float(cx[i]) + self.rect.x0, float(cy[i]) + self.rect.y0
        box = Rect(mid_x - half_w, mid_y - half_h, mid_x + half_w, mid_y + half_h)
        far = float(ring[i]) >= _LEADER_FROM_PT
        self.take(box)
        if far:
            self._take_leader(label, box)
        return box, far

    def _take_leader(self, label: Label, box: Rect) -> None:
        r = self.rect
        row, col = along(
            label.x - r.x0, label.y - r.y0, label.clear, box.x0 - r.x0, box.y0 - r.y0, box.x1 - r.x0, box.y1 - r.y0)
        self.taken[row, col] = True
        self.near[row, col] = True


@cache
def _candidates(rings: int) -> tuple[npt.NDArray[np.float64], ...]:
    """Return cosine, sine, distance, side shifts and own cost of the places a label tries."""
    angles = np.arange(_DIRECTIONS) * (2.0 * math.pi / _DIRECTIONS)
    radii = np.array(_RINGS_PT[: rings + 1])
    cos, sin = np.tile(np.cos(angles), len(radii)), np.tile(np.sin(angles), len(radii))
    ring = np.repeat(radii, _DIRECTIONS)
    base = ring * _RING_COST - cos * 1.2 - sin * 0.8  # among equals the right and the upper side read best
    return cos, sin, ring, np.clip(cos * 1.6, -1.0, 1.0), np.clip(sin * 1.6, -1.0, 1.0), base


def leader(label: Label, box: Rect) -> tuple[Point, Point]:
    """Return both ends of the thin line from a symbol's edge to the nearest edge of its label's box."""
    x, y = min(max(label.x, box.x0), box.x1), min(max(label.y, box.y0), box.y1)
    length = math.hypot(x - label.x, y - label.y) or 1.0
    away = min(label.clear / length, 1.0)
    return (label.x + (x - label.x) * away, label.y + (y - label.y) * away), (x, y)


def label_marks(label: Label, box: Rect, *, far: bool) -> list[Mark]:
    """Return the marks of a placed label."""
    marks: list[Mark] = []
    if far:
        (x0, y0), (x1, y1) = leader(label, box)
        marks.append(Line(x0, y0, x1, y1, 0.5))
    if label.style == "box":
        marks.append(Box(box, width=0.9, fill=WHITE))
    elif label.style == "black":
        marks.append(Box(box, width=0.0, fill=BLACK))
    x, y = box.center
    marks.append(Text(
        x, y - label.size * 0.36, label.text, label.size, bold=label.bold, align="center",
        color=WHITE if label.style == "black" else BLACK, halo_pt=1.1 if label.style == "plain" else 0.0, tag=label.tag,
    ))
    return marks


def place_all(field_: LabelField, labels: Sequence[Label]) -> tuple[list[Mark], list[Label]]:
    """Return the marks of the labels that found room, in the order given, and those that did not.

    What finds no place is tried once more after all others, farther out and with a leader
    that may cross a mainline.
    """
    marks: list[Mark] = []
    again: list[Label] = []
    for label in labels:
        found = field_.place(label)
        if found is None:
            again.append(label)
        else:
            marks.extend(label_marks(label, found[0], far=found[1]))
    dropped: list[Label] = []
    for label in again:
        found = field_.place(replace(label, rings=len(_RINGS_PT) - 1), across=True)
        if found is None:
            dropped.append(label)
        else:
            marks.extend(label_marks(label, found[0], far=found[1]))
    return marks, dropped
