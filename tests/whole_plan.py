"""Whole plans in memory: terrain as an array or a formula, trees as arrays, no file read or written."""

from __future__ import annotations

import dataclasses
from collections import Counter
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from pipeline import reading, run
from pipeline.findings import Finding
from pipeline.frame import Frame
from pipeline.records import CollectionPoint, Floats, GroundLayer, Pins, Plan, SurveyPoints
from pipeline.settings import GroundLayerSettings, Settings
from pipeline.terrain.grid import Terrain

LOCAL = Frame("", "local grid", "local")
Height = Callable[[Floats, Floats], Floats]
# a trunk that the conservative guideline gives one tap, for surveys without diameters
ONE_TAP_CM = 35.0


def terrain_of(z_m: np.ndarray, cell_m: float = 2.0) -> Terrain:
    """Return a terrain whose south-west cell centre is (0, 0)."""
    return Terrain(
        z_m=np.asarray(z_m, dtype=np.float32), x0_m=0.0, y0_m=(z_m.shape[0] - 1) * cell_m, cell_m=cell_m,
        frame=LOCAL, vertical_error_m=0.05, source="made for a test",
    )


def formula(height: Height, size_m: float, cell_m: float = 2.0) -> Terrain:
    """Return the terrain of a formula of x and y on a square with its south-west corner at 0, 0."""
    axis = np.arange(0.0, size_m + cell_m / 2.0, cell_m)
    x, y = np.meshgrid(axis, axis[::-1])
    return terrain_of(height(x, y) + 0.0 * x, cell_m)


def settings_of(*, laterals: dict[str, Any] | None = None, flow: dict[str, Any] | None = None,
                **mainlines: Any) -> Settings:
    """Return default settings with a quick search; the keywords are those of ``[mainlines]``."""
    base = Settings()
    return dataclasses.replace(
        base,
        mainlines=dataclasses.replace(base.mainlines, **{"effort": "quick", **mainlines}),
        laterals=dataclasses.replace(base.laterals, **(laterals or {})),
        flow=dataclasses.replace(base.flow, **(flow or {})),
    )


def survey(xy: np.ndarray, dbh_cm: float | np.ndarray = ONE_TAP_CM, names: Sequence[str] = ()) -> SurveyPoints:
    """Return sugar maples at places, shape (n, 2)."""
    xy = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
    n = len(xy)
    return SurveyPoints(
        tree_id=tuple(names) if len(names) else tuple(f"T{i:04d}" for i in range(n)), x_m=xy[:, 0].copy(),
        y_m=xy[:, 1].copy(), species=("sugar maple",) * n, dbh_cm=np.broadcast_to(dbh_cm, n).astype(np.float64),
        state=("",) * n, row=np.arange(1, n + 1), source="made for a test",
    )


def tank(terrain: Terrain, x_m: float, y_m: float, inlet_m: float = 0.9144, name: str = "C1") -> CollectionPoint:
    """Return a tank with its inlet 3 ft above the ground."""
    z = float(terrain.sample(x_m, y_m))
    return CollectionPoint(name, x_m, y_m, z, z + inlet_m, "tank")


def layer(kind: str, shapes: Sequence[Any], rule: str, **values: float) -> GroundLayer:
    """Return one layer of what lies on the ground."""
    return GroundLayer(
        kind, tuple(shapes), (kind,) * len(shapes), GroundLayerSettings(rule=rule, **values), f"{kind}.gpkg"
    )


def given(
    terrain: Terrain, xy: np.ndarray, outlet: tuple[float, float], settings: Settings | None = None, *,
    layers: Sequence[GroundLayer] = (), pins: Pins | None = None, dbh_cm: float | np.ndarray = ONE_TAP_CM,
    names: Sequence[str] = (),
) -> reading.Inputs:
    """Return everything that a plan is made from, with one tank."""
    return reading.Inputs(
        settings or settings_of(), terrain, survey(xy, dbh_cm, names), tuple(layers), pins or Pins(),
        (tank(terrain, *outlet),), {}, (),
    )


def scatter(seed: int, count: int, x_m: tuple[float, float], y_m: tuple[float, float], apart_m: float = 2.0) -> Floats:
    """Return seeded places in a rectangle, none nearer to another than two stems would be called one tree."""
    rng = np.random.default_rng(seed)
    kept: list[tuple[float, float]] = []
    while len(kept) < count:
        x, y = rng.uniform(*x_m), rng.uniform(*y_m)
        if all(np.hypot(x - a, y - b) >= apart_m for a, b in kept):
            kept.append((float(x), float(y)))
    return np.array(kept)


def violations(plan: Plan) -> list[Finding]:
    """Return the broken rules of a plan, from the judge and from every stage."""
    return [f for f in plan.findings if f.severity == "violation"]


def served(plan: Plan) -> np.ndarray:
    """Return which trees are on a lateral."""
    return np.array([s == "served" for s in plan.trees.status])


def account(plan: Plan) -> Counter[str]:
    """Return the number of trees by their reason, ``served`` for those on a lateral."""
    return Counter("served" if s == "served" else r for s, r in zip(plan.trees.status, plan.trees.reason, strict=True))


def by_gravity(plan: Plan) -> np.ndarray:
    """Return which trees gravity can serve by the plan's own word: all but those that stand too low."""
    return np.array([r not in ("BELOW_OUTLET", "NO_GRADE") for r in plan.trees.reason])


def sound(result: run.Result, trees: int) -> Plan:
    """Return the plan after asking what must hold in every one: nothing broken, nothing lost."""
    plan = result.plan
    broken = violations(plan)
    assert broken == [], "\n".join(f"{f.code} {f.subject_id}: {f.text}" for f in broken[:10])
    count = account(plan)
    assert len(plan.trees) == sum(count.values()) == trees
    assert "" not in count
    on_laterals = [t for lateral in plan.laterals for t in lateral.tree]
    assert len(on_laterals) == len(set(on_laterals)) == count["served"]
    assert max(lateral.taps for lateral in plan.laterals) <= plan.settings.laterals.max_taps
    assert sum(s.taps for s in plan.flow.stations) == plan.trees.taps.sum() == sum(q.taps for q in plan.laterals)
    return plan


def cost_m(plan: Plan) -> float:
    """Return what the layout costs, in metres of line: mainline, laterals, and an entry for each lateral."""
    rules = plan.settings.laterals
    return plan.stats["mainline_m"] + plan.stats["lateral_m"] + rules.entry_cost_m * plan.stats["laterals"]
