"""What the judge looks at: the finished lines, sampled closely over the raw terrain.

Nothing here comes from the rooms that made the plan. Elevations of a mainline are taken from the straight wire
between its supports, less its own sag between side ties; elevations of a lateral from the straight pieces between
its entry and its trees.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from pipeline.findings import Finding, Severity
from pipeline.records import Floats, Ground, Ints, Lateral, Mainline, Pipe, Plan
from pipeline.resources import template_rows
from pipeline.terrain.grid import Terrain
from pipeline.units import Units

# Lines are looked at this often.
STEP_M = 0.25
# What is let pass, because no crew hangs closer: heights above ground, places and joins, grades, lengths.
HEIGHT_TOL_M = 0.01
PLACE_TOL_M = 0.05
GRADE_TOL_PCT = 0.01
LENGTH_TOL_M = 0.01
# Sap of 2 Brix; from memory, unverified. Standard gravity: NIST SP 811.
SAP_N_PER_M3 = 1008.0 * 9.80665


@dataclass(frozen=True, slots=True, eq=False)
class Trace:
    """One mainline sampled along its wire, in station order.

    Parameters
    ----------
    line : Mainline
        The line.
    station_m, x_m, y_m : float array, shape (n,)
        Where; every support and every side tie is among them.
    span : int array, shape (n,)
        Which span a sample belongs to; a support belongs to the span above it, the top to the last.
    chord_z_m, wire_z_m, ground_z_m : float array, shape (n,)
        Straight wire, wire with its sag, bilinear ground.
    fall_pct : float array, shape (n,)
        Fall of the sagged wire just above each sample (at the top: just below it); of the straight wire where no
        weight is known.
    sag_slope_pct : float array, shape (spans,)
        What sag takes off the grade at the lower end of the span's steepest sag; NaN where unknown.
    sag_m : float array, shape (spans,)
        Most sag between two side ties; NaN where unknown (then `wire_z_m` is the straight wire).
    """

    line: Mainline
    station_m: Floats
    x_m: Floats
    y_m: Floats
    span: Ints
    chord_z_m: Floats
    wire_z_m: Floats
    ground_z_m: Floats
    fall_pct: Floats
    sag_slope_pct: Floats
    sag_m: Floats

    @property
    def height_m(self) -> Floats:
        """Sagged wire above ground."""
        return self.wire_z_m - self.ground_z_m


@dataclass(frozen=True, slots=True, eq=False)
class Pieces:
    """All laterals, piece by piece (entry to tree, tree to tree), and samples along them.

    Parameters
    ----------
    lateral, number : int array, shape (m,)
        Lateral index of each piece, and its number on it (0 = from the entry).
    run_m, rise_m : float array, shape (m,)
        Plan length, and rise from its lower to its upper end.
    piece : int array, shape (n,)
        Piece of each sample.
    x_m, y_m, height_m : float array, shape (n,)
        Samples strictly between the ends of the pieces.
    """

    lateral: Ints
    number: Ints
    run_m: Floats
    rise_m: Floats
    piece: Ints
    x_m: Floats
    y_m: Floats
    height_m: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """A plan before the judge."""

    plan: Plan
    terrain: Terrain
    ground: Ground
    traces: tuple[Trace, ...]
    pieces: Pieces
    units: Units


def make_case(plan: Plan, terrain: Terrain, ground: Ground) -> Case:
    """Sample the lines of a plan."""
    loads = _loads(plan)
    traces = tuple(
        _trace(m, loads.get(m.mainline_id, []), terrain, plan.settings.flow.wire_tension_n)
        for m in plan.mainlines if len(m.supports) >= 2
    )
    return Case(plan, terrain, ground, traces, _pieces(plan.laterals, terrain), Units(plan.settings.bush.units))


# ---------------------------------------------------------------- weights and sag


def _loads(plan: Plan) -> dict[str, list[tuple[float, float, float, float]]]:
    """Return by mainline the pipes on it as (from, to, weight N/m, side tie spacing); unknown pipes are left out.

    A pipe's weight is its own, its wire's and that of sap filling it as far as is allowed; a dry line carries
    no sap. Each line of a pair hangs on its own wire.
    """
    flow = plan.settings.flow
    pipe_n = {row["nominal"]: float(row["weight_n_per_m"]) for row in template_rows("pipes.csv")
              if row["catalogue"] == flow.pipes}
    wire_n = {row["gauge"]: row["weight_n_per_m"] for row in template_rows("wire.csv")}.get(flow.wire, "")
    loads: dict[str, list[tuple[float, float, float, float]]] = {}
    for pipe in plan.flow.pipes:
        if pipe.nominal in pipe_n and wire_n:
            weight = pipe_n[pipe.nominal] + float(wire_n) + sap_n_per_m(pipe, flow.fill_ratio)
            loads.setdefault(pipe.mainline_id, []).append(
                (pipe.from_station_m, pipe.to_station_m, weight, pipe.sidetie_spacing_m))
    return loads


def sap_n_per_m(pipe: Pipe, area_ratio: float) -> float:
    """Return the weight of the sap in a metre of pipe, N/m; 0 in a dry line."""
    bore_m = pipe.inner_diameter_mm / 1000.0
    return 0.0 if pipe.role == "dry" else SAP_N_PER_M3 * math.pi / 4.0 * bore_m**2 * area_ratio


def _trace(
    line: Mainline, loads: list[tuple[float, float, float, float]], terrain: Terrain, tension_n: float
) -> Trace:
    own, xyz = line.station_m, line.xyz_m
    run = np.diff(own)
    grade = 100.0 * np.diff(xyz[:, 2]) / np.maximum(run, 1e-9)
    slope, sag = np.full(len(run), np.nan), np.full(len(run), np.nan)
    parts: list[tuple[Floats, Floats, Floats]] = []
    for i in range(len(run)):
        ties = [
            (weight, _tie_m(float(run[i]), spacing)) for low, high, weight, spacing in loads
            if low < own[i + 1] - LENGTH_TOL_M and high > own[i] + LENGTH_TOL_M
        ]
        parts.append(_sagged(float(run[i]), ties, tension_n, top=i == len(run) - 1))
        for weight, tie in ties:
            slope[i] = np.fmax(slope[i], 100.0 * weight * tie / (2.0 * tension_n))
            sag[i] = np.fmax(sag[i], weight * tie**2 / (8.0 * tension_n))
    span = np.repeat(np.arange(len(run)), [len(p[0]) for p in parts])
    at, drop, flatter = (np.concatenate([p[k] for p in parts]) for k in range(3))
    station = own[span] + at
    x, y, chord = (np.interp(station, own, xyz[:, k]) for k in range(3))
    return Trace(
        line, station, x, y, span, chord, chord - drop, terrain.sample(x, y), grade[span] - flatter, slope, sag
    )


def _sagged(
    span_m: float, ties: list[tuple[float, float]], tension_n: float, *, top: bool
) -> tuple[Floats, Floats, Floats]:
    """Return samples of one span from its lower end: distance, drop below the chord, and what sag takes off the fall.

    `ties` holds weight and distance between side ties of everything that hangs there; the worst counts. Between
    two ties, a distance d apart, the wire is ``w s (d - s) / (2 T)`` below its chord at s above the lower one, and
    falls ``w (d - 2 s) / (2 T)`` less. The upper end is left to the span above, but for the `top` of a line.
    """
    count = max(math.ceil(span_m / STEP_M), 1)
    marks = [np.linspace(0.0, span_m, count + 1)]
    marks += [np.linspace(0.0, span_m, round(span_m / tie) + 1) for _, tie in ties if tie < span_m]
    at = np.unique(np.concatenate(marks))
    at = at[np.concatenate(([True], np.diff(at) > 1e-9))]
    at = at if top else at[:-1]
    drop, flatter = np.zeros(len(at)), np.full(len(at), -np.inf if ties else 0.0)
    for weight, tie in ties:
        number = np.minimum(np.floor(at / tie + 1e-9), round(span_m / tie) - 1)  # the top belongs to the sag below it
        s = np.maximum(at - number * tie, 0.0)
        drop = np.maximum(drop, weight * s * (tie - s) / (2.0 * tension_n))
        flatter = np.maximum(flatter, 100.0 * weight * (tie - 2.0 * s) / (2.0 * tension_n))
    return at, drop, flatter


def _tie_m(span_m: float, spacing_m: float) -> float:
    """Return the distance between side ties set evenly in a span, at most `spacing_m` apart (0: no ties help)."""
    if not spacing_m > 0.0 or not span_m > spacing_m:
        return span_m
    return span_m / math.ceil(span_m / spacing_m - 1e-9)


# ---------------------------------------------------------------- laterals


def _pieces(laterals: tuple[Lateral, ...], terrain: Terrain) -> Pieces:
    sizes = [max(len(q.xyz_m) - 1, 0) for q in laterals]
    lateral = np.repeat(np.arange(len(laterals)), sizes)
    number = np.concatenate([np.arange(n) for n in sizes]) if sizes else np.zeros(0, dtype=np.int64)
    if not lateral.size:
        none, nothing = np.zeros(0, dtype=np.int64), np.zeros(0)
        return Pieces(none, none, nothing, nothing, none, nothing, nothing, nothing)
    a = np.concatenate([q.xyz_m[:-1] for q in laterals])
    b = np.concatenate([q.xyz_m[1:] for q in laterals])
    run = np.hypot(*(b - a)[:, :2].T)
    count = np.maximum(np.ceil(run / STEP_M).astype(np.int64) - 1, 0)
    piece = np.repeat(np.arange(len(run)), count)
    step = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count) + 1
    share = (step / (count[piece] + 1))[:, None]
    xyz = a[piece] * (1.0 - share) + b[piece] * share
    height = xyz[:, 2] - terrain.sample(xyz[:, 0], xyz[:, 1])
    return Pieces(lateral, number.astype(np.int64), run, b[:, 2] - a[:, 2], piece, xyz[:, 0], xyz[:, 1], height)


# ---------------------------------------------------------------- findings


def breach(
    code: str, layer: str, subject: str, measured: float | None, limit: float | None, unit: str, text: str,
    remedy: str, *, pinned: bool = False, severity: Severity = "violation",
) -> Finding:
    """Return a finding; a breach of a line that was pinned as it stands is for somebody to check."""
    grave: Severity = "check" if pinned and severity == "violation" else severity
    if pinned:
        remedy += " The line is pinned: the plan keeps it as it stands."
    return Finding(code, grave, layer, subject, measured, limit, unit, text, remedy)
