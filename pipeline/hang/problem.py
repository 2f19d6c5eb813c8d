"""Everything that a tree of mainlines must obey, as rows of a linear programme.

Unknown is the elevation of the wire at every support. A row speaks of one place of
one span, ``(1 - t) z[i] + t z[i + 1]``, and bounds it from below or from above. The
lower end of a branch *is* the parent's wire at the join, so it is no unknown of its
own: elevations are ``matrix @ unknowns + constant``, pinned lines being constant.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Literal

import numpy as np
from scipy import sparse

from pipeline.hang.hull_kernel import span_hulls
from pipeline.hang.window import Window, window_along
from pipeline.records import CollectionPoint, Floats, Ground, Ints, Mainline, Mask
from pipeline.settings import MainlineSettings
from pipeline.terrain.grid import Terrain

KIND = Literal["lowest", "highest", "ceiling", "inlet", "join"]
KINDS: tuple[KIND, ...] = ("lowest", "highest", "ceiling", "inlet", "join")
LOWEST, HIGHEST, CEILING, INLET, JOIN = range(5)
SAME_PLACE_M = 1e-3


@dataclass(frozen=True, slots=True, eq=False)
class Rows:
    """Bounds on the wire, one per entry.

    Parameters
    ----------
    at : int array
        Support at the lower end of the span.
    t : float array
        Place in the span, 0 at that support, 1 at the next.
    sense : int array
        1: the wire is at or above `bound_z_m`; -1: at or below.
    bound_z_m : float array
        Elevation.
    kind : int array
        Index into :data:`KINDS`.
    clearance : bool array
        Whether a crossing set the bound.
    """

    at: Ints
    t: Floats
    sense: Ints
    bound_z_m: Floats
    kind: Ints
    clearance: Mask

    def __len__(self) -> int:
        return len(self.at)

    def take(self, which: Mask | Ints) -> Rows:
        """Return the rows of a mask or of indices."""
        return Rows(*(getattr(self, name)[which] for name in self.__slots__))


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """A tree of mainlines waiting for its heights.

    Parameters
    ----------
    mainlines : tuple of Mainline
        Parents before children.
    first : int array, shape (lines + 1,)
        First support of each line in the arrays below.
    station_m, ground_z_m : float array, shape (supports,)
        Of every support.
    matrix, constant : sparse (supports, unknowns), float array (supports,)
        Elevation of the supports from the unknowns.
    span : int array, shape (spans,)
        Lower support of each span; the upper is the next one.
    rows : Rows
        All bounds, sorted by their support.
    gaps_m : tuple of (mainline_id, station)
        Where the terrain has no ground under a line.
    """

    mainlines: tuple[Mainline, ...]
    first: Ints
    station_m: Floats
    ground_z_m: Floats
    matrix: sparse.csr_matrix
    constant: Floats
    span: Ints
    rows: Rows
    gaps_m: tuple[tuple[str, float], ...]

    def line_of(self, at: int) -> int:
        """Return the index of the line that a support belongs to."""
        return int(np.searchsorted(self.first, at, side="right") - 1)

    def rows_of(self, line: int) -> slice:
        """Return which rows speak of a line."""
        a, b = np.searchsorted(self.rows.at, self.first[line : line + 2])
        return slice(int(a), int(b))

    def row_station_m(self) -> Floats:
        """Return the station of every row."""
        above = np.minimum(self.rows.at + 1, len(self.station_m) - 1)
        return self.station_m[self.rows.at] + self.rows.t * np.where(
            self.rows.t > 0.0, self.station_m[above] - self.station_m[self.rows.at], 0.0
        )


def _stack(parts: Sequence[tuple[Ints, Floats, int, Floats, int, Mask]]) -> Rows:
    """Return rows from pieces of (at, t, sense, bound, kind, clearance)."""
    size = [len(p[0]) for p in parts]
    return Rows(
        at=np.concatenate([p[0] for p in parts]).astype(np.int64),
        t=np.concatenate([p[1] for p in parts]),
        sense=np.repeat([p[2] for p in parts], size).astype(np.int64),
        bound_z_m=np.concatenate([p[3] for p in parts]),
        kind=np.repeat([p[4] for p in parts], size).astype(np.int64),
        clearance=np.concatenate([p[5] for p in parts]),
    )


def _window_rows(
    window: Window, station_m: Floats, base: int
) -> list[tuple[Ints, Floats, int, Floats, int, Mask]]:
    """Return the rows of one line's window: the hull of each span only."""
    mid = window.station_m[1::3]
    span_of_piece = np.clip(np.searchsorted(station_m, mid) - 1, 0, len(station_m) - 2)
    start = (3 * np.searchsorted(span_of_piece, np.arange(len(station_m)))).astype(np.int64)
    span = np.repeat(span_of_piece, 3)
    t = (window.station_m - station_m[span]) / (station_m[span + 1] - station_m[span])
    t = np.where(np.abs(t) < 1e-6, 0.0, np.where(np.abs(t - 1.0) < 1e-6, 1.0, t))
    out = []
    for sense, kind, z in ((1, LOWEST, window.lower_z_m), (-1, HIGHEST, window.upper_z_m)):
        keep = span_hulls(window.station_m, sense * z, start)
        # a bound at the upper end of a span is one on the next support alone
        at, place = span[keep] + (t[keep] == 1.0), np.where(t[keep] == 1.0, 0.0, t[keep])
        out.append((at + base, place, sense, z[keep], kind, window.clearance[keep] & (sense > 0)))
    return out


def _taper(rows: Rows, base: int, inlet_z_m: float) -> Rows:
    """Open the window at a line's lower end as far as the inlet asks, tapering to nothing at the first support.

    The inlet stands where the tank stands, mostly lower and sometimes higher than a line may hang. The last
    span comes down to it: at a share t of the span the rule is relaxed by ``(1 - t)`` of what the inlet needs.
    """
    here = (rows.at == base) & (rows.t == 0.0)
    low = rows.bound_z_m[here & (rows.kind == LOWEST)].max(initial=-np.inf)
    high = rows.bound_z_m[here & (rows.kind == HIGHEST)].min(initial=np.inf)
    give = np.where(rows.kind == LOWEST, -max(0.0, low - inlet_z_m), max(0.0, inlet_z_m - high))
    last_span = (rows.at == base) & (rows.kind <= HIGHEST) & np.isfinite(give)
    bound = rows.bound_z_m + np.where(last_span, (1.0 - rows.t) * give, 0.0)
    return Rows(rows.at, rows.t, rows.sense, bound, rows.kind, rows.clearance)


def _place(station_m: Floats, s: float) -> tuple[int, float]:
    """Return span and share of a station; share 0 at a support."""
    i = int(np.clip(np.searchsorted(station_m, s + SAME_PLACE_M, side="right") - 1, 0, len(station_m) - 1))
    if abs(station_m[i] - s) <= SAME_PLACE_M or i == len(station_m) - 1:
        return i, 0.0
    return i, float((s - station_m[i]) / (station_m[i + 1] - station_m[i]))


def build(
    *,
    mainlines: Sequence[Mainline],
    ceilings: Sequence[tuple[str, float, float]],
    terrain: Terrain,
    ground: Ground,
    collections: Sequence[CollectionPoint],
    rules: MainlineSettings,
) -> Problem:
    """Return the problem of one tree of mainlines, parents before children; pinned lines have their heights."""
    first = np.concatenate(([0], np.cumsum([len(m.supports) for m in mainlines]))).astype(np.int64)
    number = {m.mainline_id: k for k, m in enumerate(mainlines)}
    inlet = {c.collection_id: c.inlet_z_m for c in collections}
    stations = [m.station_m for m in mainlines]
    parts: list[Rows] = []
    gaps: list[tuple[str, float]] = []
    for k, line in enumerate(mainlines):
        if line.pinned:
            continue
        base = int(first[k])
        window = window_along(
            terrain=terrain, ground=ground, xy_m=line.xyz_m[:, :2], station_m=stations[k],
            sag_m=rules.sag_allowance_m, usual_lowest_m=rules.lowest_m,
        )
        missing = ~np.isfinite(window.lower_z_m)
        if missing.any():
            gaps.append((line.mainline_id, float(window.station_m[missing][0])))
        rows = _stack(_window_rows(window, stations[k], base))
        if not line.parent_id:
            rows = _taper(rows, base, inlet[line.collection_id])
            parts.append(_single(base, 0.0, 1, inlet[line.collection_id], INLET))
        parts.append(rows)
    parts.extend(_ceiling_rows(mainlines, ceilings, first, number, stations))
    matrix, constant, tied = _elevations(mainlines, first, number, stations)
    parts.extend(tied)
    rows = Rows(*(np.concatenate([getattr(p, n) for p in parts]) for n in Rows.__slots__)) if parts else _none()
    return Problem(
        mainlines=tuple(mainlines),
        first=first,
        station_m=np.concatenate(stations),
        ground_z_m=np.array([s.ground_z_m for m in mainlines for s in m.supports]),
        matrix=matrix,
        constant=constant,
        span=np.concatenate([np.arange(a, b - 1) for a, b in pairwise(first)]),
        rows=rows.take(np.argsort(rows.at, kind="stable")),
        gaps_m=tuple(gaps),
    )


def part(problem: Problem, lines: Sequence[int]) -> Problem:
    """Return the problem of some of the lines alone.

    A branch whose parent is not among them has its lower end free within its own window. The lines are given
    in ascending order, and the rows come in the order of the whole.
    """
    chosen = [problem.mainlines[k] for k in lines]
    size = [len(m.supports) for m in chosen]
    first = np.concatenate(([0], np.cumsum(size))).astype(np.int64)
    number = {m.mainline_id: i for i, m in enumerate(chosen)}
    where = np.full(len(problem.station_m), -1, dtype=np.int64)
    for i, k in enumerate(lines):
        where[problem.first[k] : problem.first[k + 1]] = np.arange(first[i], first[i + 1])
    own = where >= 0
    rows = problem.rows.take(np.concatenate([np.r_[problem.rows_of(k)] for k in lines]))
    matrix, constant, _ = _elevations(chosen, first, number, [m.station_m for m in chosen])
    return Problem(
        mainlines=tuple(chosen), first=first, station_m=problem.station_m[own], ground_z_m=problem.ground_z_m[own],
        matrix=matrix, constant=constant,
        span=np.concatenate([np.arange(a, b - 1) for a, b in pairwise(first)]),
        rows=Rows(where[rows.at], rows.t, rows.sense, rows.bound_z_m, rows.kind, rows.clearance), gaps_m=(),
    )


def loosened(problem: Problem) -> tuple[Problem, sparse.csr_matrix, list[int]]:
    """Return the problem with every branch loose at its join, the misses at the joins, and whose they are.

    The second item times the support elevations is the branch's lower end less the parent's wire there.
    """
    pinned = {m.mainline_id: k for k, m in enumerate(problem.mainlines) if m.pinned}
    number = {m.mainline_id: k for k, m in enumerate(problem.mainlines)}
    stations = [m.station_m for m in problem.mainlines]
    matrix, constant, _ = _elevations(problem.mainlines, problem.first, pinned, stations)
    row: list[int] = []
    col: list[int] = []
    value: list[float] = []
    branches: list[int] = []
    for k, line in enumerate(problem.mainlines):
        if line.pinned or line.parent_id not in number or line.parent_id in pinned:
            continue
        parent = number[line.parent_id]
        i, t = _place(stations[parent], line.join_station_m)
        at = int(problem.first[parent]) + i
        terms = [(int(problem.first[k]), 1.0), (at, t - 1.0), *([(at + 1, -t)] if t > 0.0 else [])]
        row.extend([len(branches)] * len(terms))
        col.extend(c for c, _ in terms)
        value.extend(v for _, v in terms)
        branches.append(k)
    miss = sparse.csr_matrix((value, (row, col)), shape=(len(branches), len(problem.station_m)))
    return replace(problem, matrix=matrix, constant=constant), miss, branches


def _ceiling_rows(
    mainlines: Sequence[Mainline],
    ceilings: Sequence[tuple[str, float, float]],
    first: Ints,
    number: dict[str, int],
    stations: list[Floats],
) -> list[Rows]:
    """Return the bounds of the laterals' entries; lines of other trees and pinned ones have none."""
    out = []
    for mainline_id, s, z in ceilings:
        own = number.get(mainline_id)
        if own is not None and not mainlines[own].pinned:
            i, t = _place(stations[own], s)
            out.append(_single(int(first[own]) + i, t, -1, z, CEILING))
    return out


def _single(at: int, t: float, sense: int, bound_z_m: float, kind: int) -> Rows:
    return _stack([(np.array([at]), np.array([t]), sense, np.array([bound_z_m]), kind, np.array([False]))])


def _none() -> Rows:
    return _stack([(np.zeros(0, np.int64), np.zeros(0), 1, np.zeros(0), LOWEST, np.zeros(0, np.bool_))])


def _elevations(
    mainlines: Sequence[Mainline], first: Ints, number: dict[str, int], stations: list[Floats]
) -> tuple[sparse.csr_matrix, Floats, list[Rows]]:
    """Return the map from unknowns to elevations, and rows that tie wires to pinned branches."""
    entries: list[dict[int, float]] = []
    constant: list[float] = []
    tied: list[Rows] = []
    unknowns = 0
    for line in mainlines:
        parent = number.get(line.parent_id)
        for j, support in enumerate(line.supports):
            if line.pinned:
                entries.append({})
                constant.append(support.line_z_m)
            elif j == 0 and parent is not None:
                i, t = _place(stations[parent], line.join_station_m)
                mixed, fixed = _mix(entries, constant, int(first[parent]) + i, t)
                entries.append(mixed)
                constant.append(fixed)
            else:
                entries.append({unknowns: 1.0})
                constant.append(0.0)
                unknowns += 1
        if line.pinned and parent is not None and not mainlines[parent].pinned:
            i, t = _place(stations[parent], line.join_station_m)
            z = line.supports[0].line_z_m
            tied.extend(_single(int(first[parent]) + i, t, sense, z, JOIN) for sense in (1, -1))
    row = [r for r, e in enumerate(entries) for _ in e]
    col = [c for e in entries for c in e]
    value = [v for e in entries for v in e.values()]
    shape = (int(first[-1]), unknowns)
    return sparse.csr_matrix((value, (row, col)), shape=shape), np.array(constant), tied


def _mix(
    entries: list[dict[int, float]], constant: list[float], i: int, t: float
) -> tuple[dict[int, float], float]:
    """Return the wire at a share t of the span above support i, in unknowns and a constant."""
    if t == 0.0:
        return dict(entries[i]), constant[i]
    mixed: dict[int, float] = {}
    for share, entry in ((1.0 - t, entries[i]), (t, entries[i + 1])):
        for c, v in entry.items():
            mixed[c] = mixed.get(c, 0.0) + share * v
    return mixed, (1.0 - t) * constant[i] + t * constant[i + 1]
