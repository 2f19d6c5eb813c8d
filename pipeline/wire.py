"""How a tight wire hangs: sag, end slope, and how far apart side ties may stand.

All formulas take a weight per metre of everything that hangs (wire, pipe, the sap
in it) and the horizontal part of the wire's tension. The wire's stiffness and the
pipe's own tension are left out, which errs to the safe side. The parabola stands
for the catenary: at the sags of a mainline they differ by far less than 1 %.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import cache

from pipeline.resources import template_rows
from pipeline.settings import MainlineSettings, Settings

GRAVITY_M_S2 = 9.80665  # standard gravity, NIST SP 811
STEEL_KG_M3 = 7850.0  # carbon steel; from memory, unverified
SAP_KG_M3 = 1008.0  # sap of 2 Brix; from memory, unverified


@dataclass(frozen=True, slots=True)
class Wire:
    """One row of ``templates/wire.csv``; NaN where no figure was found.

    Parameters
    ----------
    gauge : str
        Key, as written in ``[flow] wire``.
    name : str
        What to ask for when ordering.
    diameter_mm, weight_n_per_m, break_n : float
        Diameter, weight of bare wire per metre, breaking load.
    tension_low_n, tension_high_n : float
        Range to tension it to.
    source, status : str
        Where the figures come from and how far to trust them.
    """

    gauge: str
    name: str
    diameter_mm: float
    weight_n_per_m: float
    break_n: float
    tension_low_n: float
    tension_high_n: float
    source: str
    status: str


def _number(text: str) -> float:
    return float(text) if text.strip() else math.nan


def wire_rows() -> tuple[Wire, ...]:
    """Return the wires of ``templates/wire.csv`` in file order."""
    return tuple(
        Wire(
            gauge=row["gauge"],
            name=row["name"],
            diameter_mm=_number(row["diameter_mm"]),
            weight_n_per_m=_number(row["weight_n_per_m"]),
            break_n=_number(row["break_n"]),
            tension_low_n=_number(row["tension_low_n"]),
            tension_high_n=_number(row["tension_high_n"]),
            source=row["source"],
            status=row["status"],
        )
        for row in template_rows("wire.csv")
    )


def wire_row(gauge: str) -> Wire:
    """Return the wire of one gauge.

    Raises
    ------
    ValueError
        When the template has no such gauge; the message lists those it has.
    """
    rows = wire_rows()
    for row in rows:
        if row.gauge == gauge:
            return row
    raise ValueError(f"no wire of gauge {gauge!r}; templates/wire.csv has {', '.join(r.gauge for r in rows)}")


def steel_weight_n_per_m(diameter_mm: float) -> float:
    """Return the weight of a round steel wire per metre, ``rho g pi d^2 / 4``.

    Examples
    --------
    A 25 kg coil of 2.50 mm wire is 648 m long (The Press, 18 Apr 1980).

    >>> round(25 * GRAVITY_M_S2 / steel_weight_n_per_m(2.5))
    649
    """
    return STEEL_KG_M3 * GRAVITY_M_S2 * math.pi * (diameter_mm / 1000.0) ** 2 / 4.0


def sap_weight_n_per_m(inner_diameter_mm: float, area_ratio: float) -> float:
    """Return the weight of the sap in a metre of pipe filled to an area ratio (0 to 1)."""
    area_m2 = math.pi * (inner_diameter_mm / 1000.0) ** 2 / 4.0
    return SAP_KG_M3 * GRAVITY_M_S2 * area_m2 * area_ratio


def sag_m(weight_n_per_m: float, tension_n: float, span_m: float) -> float:
    """Return the mid-span sag of a parabola below its chord, ``w L^2 / (8 T)``.

    Parameters
    ----------
    weight_n_per_m : float
        Weight of wire, pipe and sap per metre.
    tension_n : float
        Horizontal tension of the wire, above 0.
    span_m : float
        Distance between the two points that hold it.

    Returns
    -------
    float
        Sag in metres, positive downwards.
    """
    return weight_n_per_m * span_m**2 / (8.0 * tension_n)


def catenary_sag_m(weight_n_per_m: float, tension_n: float, span_m: float) -> float:
    """Return the mid-span sag of the exact level catenary, ``(T/w) (cosh(w L / 2T) - 1)``, in metres."""
    reach_m = tension_n / weight_n_per_m
    return reach_m * (math.cosh(span_m / (2.0 * reach_m)) - 1.0)


def sag_slope_pct(weight_n_per_m: float, tension_n: float, span_m: float) -> float:
    """Return how much grade the sag takes away at the lower end of a span, ``w L / (2 T)``, in percent."""
    return 100.0 * weight_n_per_m * span_m / (2.0 * tension_n)


def no_back_grade_span_m(weight_n_per_m: float, tension_n: float, grade_pct: float) -> float:
    """Return the span whose lower end just runs level, ``2 T S / w``, in metres; 0 where the line does not fall.

    Examples
    --------
    3/4 in pipe half full on 12-1/2 gauge wire weighs 0.2116 lb/ft: 47.3 ft at 250 lbf and 2 % (derived).

    >>> from pipeline.units import FT_M, LBF_N
    >>> round(no_back_grade_span_m(0.2116 * LBF_N / FT_M, 250 * LBF_N, 2.0) / FT_M, 1)
    47.3
    """
    return max(0.0, 2.0 * tension_n * (grade_pct / 100.0) / weight_n_per_m)


def side_tie_spacing_m(
    weight_n_per_m: float, tension_n: float, grade_pct: float, keep_grade_pct: float, max_sag_m: float
) -> float:
    """Return the widest spacing of side ties that keeps the pipe falling and off its sag limit.

    Parameters
    ----------
    weight_n_per_m : float
        Weight of wire, pipe and sap per metre.
    tension_n : float
        Horizontal tension of the wire.
    grade_pct : float
        Fall of the chord from tie to tie.
    keep_grade_pct : float
        Least fall wanted at the lower end of each sag; 0 means "never back".
    max_sag_m : float
        Most sag between two ties.

    Returns
    -------
    float
        The smaller of ``2 T (S - S_keep) / w`` and ``sqrt(8 T m / w)`` in metres. 0 when the chord
        itself falls less than what is to be kept: no spacing then will do, and the caller must say so.
    """
    by_grade_m = no_back_grade_span_m(weight_n_per_m, tension_n, grade_pct - keep_grade_pct)
    by_sag_m = math.sqrt(8.0 * tension_n * max_sag_m / weight_n_per_m)
    return min(by_grade_m, by_sag_m)


# ---------------------------------------------------------------- what the sag asks of a plan


@cache
def _heaviest_n_per_m(catalogue: str, gauge: str, fill_ratio: float) -> float:
    bare = wire_row(gauge).weight_n_per_m
    return max(
        bare + float(row["weight_n_per_m"]) + sap_weight_n_per_m(float(row["inner_diameter_mm"]), fill_ratio)
        for row in template_rows("pipes.csv")
        if row["catalogue"] == catalogue and row["role"] == "mainline"
    )


def chord_rules(settings: Settings) -> MainlineSettings:
    """Return the mainlines' rules for the straight wire from support to support.

    The sagging line has to fall by ``min_grade`` everywhere. At the lower end of a sag it falls ``w L / (2 T)``
    less than the chord, so the chord is planned steeper by that much for the heaviest mainline of the catalogue,
    filled as far as is allowed, and side ties as close as ``closest_ties``: whatever size the sap asks for later,
    there is a spacing that keeps the grade. Lighter pipe then needs its ties farther apart.

    Returns
    -------
    MainlineSettings
        As in `settings`, but for ``min_grade_pct``.

    Examples
    --------
    3 in pipe on 12-1/2 gauge wire at 250 lbf loses three quarters of a percent over 18 in.

    >>> round(chord_rules(Settings()).min_grade_pct, 2)
    2.75
    """
    rules, flow = settings.mainlines, settings.flow
    weight = _heaviest_n_per_m(flow.pipes, flow.wire, flow.fill_ratio)
    taken_pct = sag_slope_pct(weight, flow.wire_tension_n, rules.closest_ties_m)
    return replace(rules, min_grade_pct=rules.min_grade_pct + taken_pct)


def planned_spacing_m(weight_n_per_m: float, grade_pct: float, settings: Settings) -> float:
    """Return how far apart the side ties of a pipe stand: falling by ``min_grade`` in every sag, off the sag limit.

    A pinned line may fall less than new ones are planned to. Where ties closer than ``closest_ties`` would be
    needed the sag is only kept from running back, and the judge says what it lacks.

    Parameters
    ----------
    weight_n_per_m : float
        Weight of wire, pipe and sap per metre.
    grade_pct : float
        Least fall of the straight wire that carries the pipe.
    settings : Settings
        Tension and rules.

    Returns
    -------
    float
        Metres; 0 where no spacing will do.
    """
    rules, tension = settings.mainlines, settings.flow.wire_tension_n
    apart = side_tie_spacing_m(weight_n_per_m, tension, grade_pct, rules.min_grade_pct, rules.sag_allowance_m)
    if apart >= rules.closest_ties_m * (1.0 - 1e-6):
        return apart
    return side_tie_spacing_m(weight_n_per_m, tension, grade_pct, 0.0, rules.sag_allowance_m)
