"""Pipes: filled no more than allowed, never narrower downstream, vacuum within its budget."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np

from pipeline.findings import Finding
from pipeline.judge.case import LENGTH_TOL_M, Case, breach
from pipeline.records import Floats, Mainline, Pipe

# Manning's n of smooth polyethylene, and on grades below 2 %, where 0.009 flatters small pipes (derived against Darcy).
MANNING_N, MANNING_N_FLAT, FLAT_PCT = 0.009, 0.010, 2.0
ROUNDING_PCT = 1e-6  # a line hung at exactly 2 % may come out a hair below it
# Wetted angle at which a round pipe passes most: root of 3 t - 5 t cos t + 2 sin t = 0 (Chow, Open-Channel Hydraulics).
FULLEST_RAD = 5.278107
FILL_TOL = 0.002
FIGURE_TOL = 0.02
VACUUM_TOL_KPA = 0.05


def area_ratio(bore_mm: Floats, grade_pct: Floats, flow_l_min: Floats) -> Floats:
    """Return the share of the bore that sap fills at normal depth; 1 where it runs full, NaN where nothing falls.

    Manning on the circular segment of wetted angle ``t``: ``A = D^2 (t - sin t) / 8``, ``P = t D / 2``,
    ``Q = A (A / P)^(2/3) sqrt(S) / n``, solved for ``t`` by halving. Shapes (n,).
    """
    bore = np.asarray(bore_mm, dtype=np.float64) / 1000.0
    fall = np.asarray(grade_pct, dtype=np.float64) / 100.0
    wanted = np.asarray(flow_l_min, dtype=np.float64) / 60000.0
    roughness = np.where(fall * 100.0 < FLAT_PCT - ROUNDING_PCT, MANNING_N_FLAT, MANNING_N)
    low, high = np.zeros_like(bore), np.full_like(bore, FULLEST_RAD)

    def passes(t: Floats) -> Floats:
        area = bore**2 * (t - np.sin(t)) / 8.0
        radius = np.divide(area, t * bore / 2.0, out=np.zeros_like(area), where=t > 0.0)
        return np.asarray(area * radius ** (2.0 / 3.0) * np.sqrt(np.maximum(fall, 0.0)) / roughness)

    full = passes(high) < wanted
    for _ in range(60):
        middle = (low + high) / 2.0
        enough = passes(middle) >= wanted
        high, low = np.where(enough, middle, high), np.where(enough, low, middle)
    ratio = np.where(full, 1.0, (high - np.sin(high)) / (2.0 * np.pi))
    ratio = np.where(wanted <= 0.0, 0.0, ratio)
    return np.where((fall > 0.0) | (wanted <= 0.0), ratio, np.nan)


def _least_grade_pct(line: Mainline, pipe: Pipe) -> float:
    """Return the least grade of the spans that a pipe lies on, from the finished geometry."""
    own = line.station_m
    grade = 100.0 * np.diff(line.xyz_m[:, 2]) / np.maximum(np.diff(own), 1e-9)
    touched = (own[:-1] < pipe.to_station_m - LENGTH_TOL_M) & (own[1:] > pipe.from_station_m + LENGTH_TOL_M)
    return float(grade[touched].min()) if touched.any() else math.nan


def fills(case: Case) -> list[Finding]:
    """No sap pipe is filled beyond the setting at the peak, worked out afresh from taps, bore and geometry.

    Codes ``PIPE_FILL``, ``PIPE_FIGURES`` (the plan's own figure differs), ``PIPE_LINE`` (on no mainline).
    """
    plan, settings = case.plan, case.plan.settings.flow
    lines = {m.mainline_id: m for m in plan.mainlines if len(m.supports) > 1}
    found = [breach("PIPE_LINE", "pipes", p.pipe_id, None, None, "", f"Pipe {p.pipe_id} lies on no mainline.",
                    "Plan again.") for p in plan.flow.pipes if p.mainline_id not in lines]
    pipes = [p for p in plan.flow.pipes if p.role != "dry" and p.mainline_id in lines]
    ratio = area_ratio(
        np.array([p.inner_diameter_mm for p in pipes]),
        np.array([_least_grade_pct(lines[p.mainline_id], p) for p in pipes]),
        np.array([p.taps * settings.peak_flow_l_min for p in pipes]),
    )
    for pipe, filled in zip(pipes, ratio.tolist(), strict=True):
        pinned = lines[pipe.mainline_id].pinned
        if not filled <= settings.fill_ratio + FILL_TOL:
            found.append(breach(
                "PIPE_FILL", "pipes", pipe.pipe_id, filled, settings.fill_ratio, "",
                f"Pipe {pipe.pipe_id} ({pipe.nominal}) is filled {100.0 * filled:.0f} % at the peak."
                if math.isfinite(filled) else f"Pipe {pipe.pipe_id} does not fall everywhere: sap stands in it.",
                "Choose a larger bore, or bring part of its taps in on another line.", pinned=pinned))
        elif not abs(filled - pipe.area_ratio) <= FIGURE_TOL:
            found.append(breach(
                "PIPE_FIGURES", "pipes", pipe.pipe_id, pipe.area_ratio, filled, "",
                f"Pipe {pipe.pipe_id} is said to be filled {100.0 * pipe.area_ratio:.0f} %; it is "
                f"{100.0 * filled:.0f} %.", "Have the larger figure looked at.", severity="check"))
    return found


def sizes(case: Case) -> list[Finding]:
    """Let the bore of all pipes side by side never shrink on the way down.

    Code ``PIPE_SHRINKS``: within a mainline, and from a branch to its parent below the join.
    """
    on: dict[str, list[Pipe]] = {}
    for pipe in case.plan.flow.pipes:
        on.setdefault(pipe.mainline_id, []).append(pipe)
    found = []
    for line in case.plan.mainlines:
        own = sorted({p.from_station_m for p in on.get(line.mainline_id, [])})
        middles = [station + LENGTH_TOL_M for station in own]
        places = [(line.mainline_id, station) for station in middles]
        if line.parent_id:
            places.insert(0, (line.parent_id, max(line.join_station_m - LENGTH_TOL_M, LENGTH_TOL_M)))
        for below, above in pairwise(places):
            down, up = _bore_area_mm2(on, *below), _bore_area_mm2(on, *above)
            if down and down < up * (1.0 - 1e-6):
                found.append(breach(
                    "PIPE_SHRINKS", "mainlines", above[0], down, up, "mm2",
                    f"The pipe of {above[0]} at {case.units.station(above[1])} is wider than what it runs into.",
                    "Choose the larger bore below.", pinned=line.pinned))
    return found


def _bore_area_mm2(on: dict[str, list[Pipe]], mainline_id: str, station_m: float) -> float:
    """Return the bore area of all pipes of a mainline at a station."""
    return sum(math.pi / 4.0 * p.inner_diameter_mm**2 for p in on.get(mainline_id, [])
               if p.from_station_m <= station_m <= p.to_station_m)


def vacuum(case: Case) -> list[Finding]:
    """Vacuum at every entry is within the loss budget of its pump, and never grows away from it.

    Codes ``VACUUM_BUDGET`` (worst entry of each mainline), ``VACUUM_RISES``, ``VACUUM_MISSING``. Nothing is
    judged in a bush without a pump.
    """
    plan, settings = case.plan, case.plan.settings.flow
    if not settings.pumped:
        return []
    entry = np.asarray(plan.flow.entry_vacuum_kpa, dtype=np.float64)
    if entry.shape != (len(plan.laterals),):
        return [breach("VACUUM_MISSING", "laterals", "", float(entry.size), float(len(plan.laterals)), "",
                       "Not every entry has a vacuum.", "Plan again.")]
    at_pump = {s.collection_id: s.vacuum_kpa for s in plan.flow.stations}
    home = {m.mainline_id: m.collection_id for m in plan.mainlines}
    worst: dict[str, tuple[float, str]] = {}
    for lateral, kpa in zip(plan.laterals, entry.tolist(), strict=True):
        loss = at_pump.get(home.get(lateral.mainline_id, ""), math.nan) - kpa
        loss = math.inf if math.isnan(loss) else loss
        worst[lateral.mainline_id] = max(worst.get(lateral.mainline_id, (-math.inf, "")), (loss, lateral.lateral_id))
    found = [
        breach("VACUUM_BUDGET", "mainlines", name, loss, settings.loss_budget_kpa, "kPa",
               f"{name} loses {case.units.vacuum(loss) if math.isfinite(loss) else 'all'} of vacuum between the pump "
               f"and the entry of {lateral_id}.", "Choose larger pipe, add a dry line, or allow a larger loss.")
        for name, (loss, lateral_id) in sorted(worst.items()) if loss > settings.loss_budget_kpa + VACUUM_TOL_KPA
    ]
    found += [
        breach("VACUUM_RISES", "pipes", p.pipe_id, p.vacuum_kpa_high, p.vacuum_kpa_low, "kPa",
               f"Pipe {p.pipe_id} has more vacuum at its far end than at its near end.", "Plan again.")
        for p in plan.flow.pipes if p.vacuum_kpa_high > p.vacuum_kpa_low + VACUUM_TOL_KPA
    ]
    return found
