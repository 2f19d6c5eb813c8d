"""Whole plans on random terrain, and what the judge sees when it samples their sagging wires every quarter metre."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from pipeline import reading, run
from pipeline.errors import NoPlanError
from pipeline.judge.case import Case, make_case
from pipeline.records import Floats, Plan
from shapely.geometry import LineString

from whole_plan import formula, given, layer, scatter, settings_of

# what the judge finds when a sagging line leaves its window, falls too little, or sags beyond its limit
WIRE_CODES = frozenset({
    "MAINLINE_GRADE", "SAG_GRADE", "BACK_GRADE", "SAG", "SAG_UNKNOWN", "MAINLINE_LOW", "MAINLINE_HIGH",
    "MAINLINE_NO_GROUND", "HANG_INFEASIBLE", "HANG_NO_GROUND",
})


@dataclass(frozen=True)
class Seen:
    """What was seen of the wires of one plan.

    Parameters
    ----------
    plan : Plan
        The plan.
    spans, samples : int
        Spans judged, and places at which their sagging wire was looked at.
    broken : tuple of str
        Codes found of :data:`WIRE_CODES`.
    spare_fall_pct : float
        Least fall of a sagging wire anywhere, above the minimum grade.
    spare_low_m : float
        Least height of a sagging wire above the lowest it may hang, away from the last span to the tank.
    flat_spans : int
        Spans planned at the least grade, where the sag has nothing to spare.
    """

    plan: Plan
    spans: int
    samples: int
    broken: tuple[str, ...]
    spare_fall_pct: float
    spare_low_m: float
    flat_spans: int


def site(seed: int) -> reading.Inputs:
    """Return 60 trees on 160 m of seeded relief.

    Every third site has a trail, every fourth so much sap that it needs heavy pipe.
    """
    rng = np.random.default_rng(seed)
    tilt, relief = rng.uniform(0.03, 0.12), rng.uniform(0.2, 2.5)
    waves = [(rng.normal(), *rng.uniform(0.5, 4.0, 2), *rng.uniform(0.0, 2.0 * math.pi, 2)) for _ in range(6)]
    bumps = 0.05 * rng.standard_normal((200, 200))

    def height(x: Floats, y: Floats) -> Floats:
        z = 100.0 + tilt * y
        for a, fx, fy, px, py in waves:
            z = z + relief * a / 3.0 * np.sin(2.0 * math.pi * fx * x / 160.0 + px) * np.cos(
                2.0 * math.pi * fy * y / 160.0 + py)
        return np.asarray(z + bumps[: z.shape[0], : z.shape[1]])

    terrain = formula(height, 160.0)
    settings = settings_of(
        tap_worth_m=float(rng.choice([6.0, 9.0, 20.0])), min_grade_pct=float(rng.choice([1.0, 2.0, 2.0, 3.0])),
        flow={"peak_flow_l_min": 0.0126 * (40.0 if seed % 4 == 0 else 1.0)},
    )
    layers = []
    if seed % 3 == 0:
        trail = LineString([(-10.0, rng.uniform(50.0, 80.0)), (170.0, rng.uniform(50.0, 80.0))])
        layers.append(layer("trail", [trail], "cross", buffer_m=1.0, clearance_m=2.4384))
    xy = scatter(seed, 60, (10.0, 150.0), (35.0, 152.0))
    return given(terrain, xy, (float(rng.uniform(60.0, 100.0)), 8.0), settings, layers=layers)


def look(seed: int) -> Seen | None:
    """Plan a site and return what the judge sees of its wires; None where no tree can be served."""
    try:
        made = run.make_plan(site(seed))
    except NoPlanError:
        return None
    case = make_case(made.plan, made.terrain, made.ground)
    rules = made.plan.settings.mainlines
    return Seen(
        plan=made.plan,
        spans=sum(len(t.sag_m) for t in case.traces),
        samples=sum(len(t.station_m) for t in case.traces),
        broken=tuple(sorted(f.code for f in made.plan.findings if f.code in WIRE_CODES)),
        spare_fall_pct=min(float(t.fall_pct.min()) for t in case.traces) - rules.min_grade_pct,
        spare_low_m=_spare_low_m(case),
        flat_spans=sum(int((t.fall_pct < rules.min_grade_pct + 0.02).sum()) for t in case.traces),
    )


def _spare_low_m(case: Case) -> float:
    lowest = case.plan.settings.mainlines.lowest_m
    parts = [t.height_m[(t.span > 0) | (t.line.parent_id != "")] for t in case.traces]
    heights = np.concatenate(parts)
    return float(heights.min()) - lowest if heights.size else math.inf
