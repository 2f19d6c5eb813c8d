"""Small invented bushes that plan in a second or two, and storms over them, for the tests of the repair."""

from __future__ import annotations

import dataclasses
from functools import cache

import numpy as np
import numpy.typing as npt
import shapely
from pipeline import reading, run
from pipeline.frame import Frame
from pipeline.records import CollectionPoint, GroundLayer, Pins, Plan, Storm, StormItem, SurveyPoints
from pipeline.replan import Replanned, replan
from pipeline.resources import template_rows
from pipeline.settings import GROUND_DEFAULTS, CollectionSettings, Settings
from pipeline.terrain.grid import Terrain

LOCAL = Frame("", "local grid", "local")
TANK = (85.0, 10.0)
PRICES = template_rows("prices.csv")
KINDS = ("tree_down", "hung", "top_broken", "root_plate", "line_broken", "line_pinned", "support_lost",
         "access_blocked", "stem", "blown_area", "retire")


def settings(*, section_taps: int = 20) -> Settings:
    """Return quick settings with small sections, so that a small bush has several."""
    base = Settings()
    return dataclasses.replace(
        base, bush=dataclasses.replace(base.bush, date="2026-03-02"),
        collection=(CollectionSettings(x=TANK[0], y=TANK[1]),),
        mainlines=dataclasses.replace(base.mainlines, effort="quick", tap_worth_m=25.0),
        sheets=dataclasses.replace(base.sheets, section_taps=section_taps, section_length_m=90.0),
        trees=dataclasses.replace(base.trees, gps_error_m=1.0),
    )


def terrain(seed: int, side_m: float = 170.0, cell_m: float = 2.0) -> Terrain:
    """Return an even hillside with a few gentle swells."""
    rng = np.random.default_rng(seed)
    n = int(side_m / cell_m)
    y, x = np.mgrid[n - 1:-1:-1, 0:n] * cell_m
    z = 100.0 + 0.10 * y + 0.02 * x
    for _ in range(5):
        cx, cy, wide = rng.uniform(0, side_m), rng.uniform(0, side_m), rng.uniform(18.0, 40.0)
        z += rng.uniform(-1.0, 1.0) * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2.0 * wide**2))
    return Terrain(z.astype(np.float32), 0.0, float((n - 1) * cell_m), cell_m, LOCAL, 0.1, "made for a test")


@cache
def bush(seed: int, trees: int = 70) -> run.Result:
    """Return a planned bush on a hillside with the tank at its foot."""
    rng = np.random.default_rng(1000 + seed)
    ground = terrain(seed)
    xy = np.column_stack((rng.uniform(20.0, 150.0, trees), rng.uniform(25.0, 155.0, trees)))
    keep = [0]
    for k in range(1, trees):
        if np.hypot(*(xy[keep] - xy[k]).T).min() > 3.0:
            keep.append(k)
    xy = xy[keep]
    n = len(xy)
    points = SurveyPoints(
        tree_id=tuple(f"T{k + 1:03d}" for k in range(n)), x_m=xy[:, 0], y_m=xy[:, 1], species=("sugar maple",) * n,
        dbh_cm=rng.uniform(31.0, 60.0, n), state=("alive",) * n, row=np.arange(1, n + 1), source="made for a test",
    )
    z = float(ground.sample(*TANK))
    stream = GroundLayer("stream", (shapely.LineString([(0.0, 140.0), (170.0, 128.0)]),), ("brook",),
                         GROUND_DEFAULTS["stream"], "made for a test")
    given = reading.Inputs(
        settings=settings(), terrain=ground, points=points, layers=(stream,), pins=Pins(),
        collections=(CollectionPoint("C1", *TANK, z, z + 0.9, "tank"),), hashes={}, findings=(),
    )
    return run.make_plan(given)


def storm_of(*items: tuple[str, shapely.Geometry, str, str]) -> Storm:
    """Return a storm of (kind, shape, layer, ID) rows."""
    return Storm("storm.csv", tuple(
        StormItem(k, kind, shape, layer, subject, "", f"row {k}")  # type: ignore[arg-type]
        for k, (kind, shape, layer, subject) in enumerate(items, start=1)
    ))


def tree_item(plan: Plan, kind: str, tree: int) -> tuple[str, shapely.Geometry, str, str]:
    """Return a row that names a tree."""
    t = plan.trees
    return kind, shapely.Point(t.x_m[tree], t.y_m[tree]), "trees", t.tree_id[tree]


def random_storm(plan: Plan, seed: int, most: int = 5) -> Storm:
    """Return a storm that certainly hits something: the first row is a tree that a lateral serves."""
    rng = np.random.default_rng(seed)
    served = [t for la in plan.laterals for t in la.tree]
    items = [tree_item(plan, "tree_down", int(rng.choice(served)))]
    for _ in range(int(rng.integers(0, most))):
        kind = str(rng.choice(KINDS))
        line = plan.mainlines[int(rng.integers(len(plan.mainlines)))]
        s = line.supports[int(rng.integers(len(line.supports)))]
        x, y = s.x_m + rng.normal(0.0, 3.0), s.y_m + rng.normal(0.0, 3.0)
        if kind in ("tree_down", "hung", "top_broken", "root_plate", "retire"):
            items.append(tree_item(plan, kind, int(rng.choice(served))))
        elif kind == "support_lost":
            items.append((kind, shapely.Point(s.x_m, s.y_m), "supports", s.support_id))
        elif kind == "stem":
            turn = rng.uniform(0.0, 2.0 * np.pi)
            tip = (x + 16.0 * np.cos(turn), y + 16.0 * np.sin(turn))
            items.append((kind, shapely.LineString([(x, y), tip]), "", ""))
        elif kind == "blown_area":
            items.append((kind, shapely.Point(x, y).buffer(float(rng.uniform(4.0, 16.0)), quad_segs=6), "", ""))
        else:
            items.append((kind, shapely.Point(x, y), "", ""))
    return storm_of(*items)


def surveyed(xy: npt.ArrayLike, dbh_cm: float = 40.0, tags: tuple[str, ...] = ()) -> SurveyPoints:
    """Return sugar maples at places."""
    xy = np.asarray(xy, dtype=np.float64).reshape(-1, 2)
    n = len(xy)
    return SurveyPoints(
        tree_id=tags or tuple(f"N{k + 1}" for k in range(n)), x_m=xy[:, 0].copy(), y_m=xy[:, 1].copy(),
        species=("sugar maple",) * n, dbh_cm=np.full(n, dbh_cm), state=("",) * n, row=np.arange(1, n + 1),
        source="new.csv",
    )


def scattered(seed: int, count: int) -> SurveyPoints:
    """Return trees anywhere in the bush, no nearer than 2.5 m to one of its own."""
    rng = np.random.default_rng(seed)
    own = bush(seed % 3).plan.trees
    xy = rng.uniform((10.0, 15.0), (160.0, 165.0), (6 * count, 2))
    apart = np.hypot(xy[:, 0][:, None] - own.x_m, xy[:, 1][:, None] - own.y_m).min(axis=1)
    return surveyed(xy[apart > 2.5][:count])


@cache
def grown(seed: int, count: int = 8) -> tuple[run.Result, Replanned]:
    """Return a bush and the same with new trees."""
    result = bush(seed % 3)
    made = replan(plan=result.plan, terrain=result.terrain, ground=result.ground, storm=Storm("new.csv", ()),
                  price_rows=PRICES, date="2026-04-01", added=scattered(seed, count))
    return result, made
