"""A section as its sheets see it: pieces of mainline with their supports, laterals, trees, ties at the ends."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.records import Crossing, Lateral, Mainline, Section, Support
from pipeline.sheets.context import SheetContext
from pipeline.sheets.lookup import line_at, lookup

Floats = npt.NDArray[np.float64]
_EPS_M = 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """A stretch of one mainline that belongs to a section.

    ``below`` and ``above`` name what goes on at the ends: a section ID where the same
    mainline continues there, ``""`` where the mainline itself ends.
    """

    line: Mainline
    low_m: float
    high_m: float
    below: str
    above: str

    @property
    def length_m(self) -> float:
        """Plan length."""
        return self.high_m - self.low_m

    @property
    def supports(self) -> tuple[Support, ...]:
        """Supports of the stretch, both ends included."""
        return tuple(
            s for s in self.line.supports if self.low_m - _EPS_M <= s.station_m <= self.high_m + _EPS_M
        )

    @property
    def stations_m(self) -> Floats:
        """Stations of the vertices, both ends included."""
        inner = [s.station_m for s in self.supports if self.low_m + _EPS_M < s.station_m < self.high_m - _EPS_M]
        return np.array([self.low_m, *inner, self.high_m])

    @property
    def xyz_m(self) -> Floats:
        """Vertices in station order, shape (n, 3)."""
        return np.column_stack(line_at(self.line, self.stations_m))


@dataclass(frozen=True, slots=True, eq=False)
class SectionView:
    """A section with everything its sheets draw."""

    section: Section
    pieces: tuple[Piece, ...]
    laterals: tuple[Lateral, ...]
    crossings: tuple[Crossing, ...]
    tree: tuple[int, ...]  # served trees, indices into the plan's trees

    @property
    def length_m(self) -> float:
        """Plan length of all pieces."""
        return sum(piece.length_m for piece in self.pieces)

    @property
    def single(self) -> bool:
        """Whether the section has one mainline only, so that short IDs are enough."""
        return len(self.section.mainline_ids) == 1


def section_view(ctx: SheetContext, section: Section) -> SectionView:
    """Return a section with its lines, crossings and trees looked up in the plan."""
    plan = ctx.plan
    lines, crossed = lookup(plan).line, lookup(plan).crossings
    pieces = tuple(
        Piece(lines[name], low, high, _goes_on(ctx, section, name, low), _goes_on(ctx, section, name, high))
        for name, low, high in section.pieces
    )
    laterals = tuple(plan.laterals[i] for i in section.lateral)
    held = {name for name, _, _ in section.pieces} | {lateral.lateral_id for lateral in laterals}
    near = sorted((pair for name in held for pair in crossed.get(name, ())), key=lambda pair: pair[0])
    return SectionView(
        section=section, pieces=pieces, laterals=laterals,
        crossings=tuple(c for _, c in near if _inside(c, pieces, laterals)),
        tree=tuple(t for lateral in laterals for t in lateral.tree),
    )


def _goes_on(ctx: SheetContext, section: Section, mainline_id: str, station_m: float) -> str:
    """Return the section that holds the same mainline beyond a station, ``""`` when the line ends there."""
    for other, low, high in lookup(ctx.plan).owners.get(mainline_id, ()):
        if other != section.section_id and min(abs(low - station_m), abs(high - station_m)) < _EPS_M * 10:
            return other
    return ""


def _inside(crossing: Crossing, pieces: Sequence[Piece], laterals: Sequence[Lateral]) -> bool:
    if any(lateral.lateral_id == crossing.line_id for lateral in laterals):
        return True
    return any(
        p.line.mainline_id == crossing.line_id and p.low_m - _EPS_M <= crossing.station_m <= p.high_m + _EPS_M
        for p in pieces
    )


def short_id(view: SectionView, full_id: str) -> str:
    """Return how a support or lateral is named on this section's sheets.

    ``S04`` where the section has one mainline; the full ``M1.2-S04`` where it has several,
    because two supports of the same number may then stand side by side.
    """
    return full_id.rsplit("-", 1)[-1] if view.single else full_id


def is_ladder(ctx: SheetContext, support: Support) -> bool:
    """Whether a line at this height cannot be reached from the ground."""
    return support.height_m > ctx.plan.settings.mainlines.ladder_m + 1e-9


def all_points_m(view: SectionView) -> Floats:
    """Return every plan vertex of a section's lines, shape (n, 2)."""
    parts = [piece.xyz_m[:, :2] for piece in view.pieces] + [lateral.xyz_m[:, :2] for lateral in view.laterals]
    return np.concatenate(parts)
