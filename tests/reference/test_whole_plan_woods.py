"""Whole plans of real woods: real tree positions on invented and on real relief, the judge included.

* Lansing Woods (spatstat.data, ``lansing``): 514 maples. Combinations, so labelled: on an invented plane, and on a
  window of the Oregon Coast Range grid (vfmap). No diameters are known: one tap each.
* Barro Colorado Island (spatstat.data, ``bei``): 3,604 trees on their own relief of 5 m. No diameters: one tap each.
* Maunga Whau (R's ``volcano``): invented trees in and around a real closed crater; the spill levels come from
  scikit-image's reconstruction by erosion, which knows nothing of ours.
"""

from __future__ import annotations

import csv
import dataclasses
from pathlib import Path

import numpy as np
import rasterio
import shapely
from pipeline import run
from pipeline.records import Plan
from pipeline.settings import Settings
from pipeline.units import FT_M
from skimage.morphology import reconstruction

from whole_plan import account, by_gravity, formula, given, scatter, settings_of, sound, terrain_of

DATA = Path(__file__).parents[1] / "data"
ACRE_FT2 = 43_560.0


def positions(name: str, species: str = "") -> np.ndarray:
    """Return the places of a survey in metres."""
    with (DATA / "gpl" / name).open(encoding="utf-8") as file:
        rows = [row for row in csv.DictReader(file) if not species or row["species"] == species]
    return np.array([[float(row["x_m"]), float(row["y_m"])] for row in rows])


def every_stem(settings: Settings) -> Settings:
    """Return settings under which two near stems are two trees: the survey says so."""
    return dataclasses.replace(settings, trees=dataclasses.replace(settings.trees, duplicate_distance_m=0.0))


def lowest_place(terrain) -> tuple[float, float]:
    """Return the lowest cell that is not at the edge."""
    z = terrain.z_m.astype(float).copy()
    z[:2], z[-2:], z[:, :2], z[:, -2:] = np.inf, np.inf, np.inf, np.inf
    x, y = terrain.xy(*np.unravel_index(int(np.argmin(z)), z.shape))
    return float(x), float(y)


def unbroken(plan: Plan) -> None:
    """Ask for no violation.

    Heights mixed from two different entries once left a lateral of each of these plans 1 cm too near to a crease.
    """
    assert [f for f in plan.findings if f.severity == "violation"] == []


def test_lansing_on_an_invented_plane() -> None:
    """Mainline per tap against the spacing rule: 43,560 / (spacing in ft * taps per acre).

    514 taps on 924 x 924 ft are 26.2 to the acre; lines 100 ft apart, the dense end of common practice (no source),
    take 16.6 ft per tap. A lateral per tap is no shorter than the way to the nearest tree or mainline, and a tree
    alone on its lateral at the mean distance of half the 80 ft reach would take 40 ft.
    """
    xy = positions("lansing_woods.csv", "maple")
    terrain = formula(lambda x, y: 100.0 + 0.055 * y + 0.02 * x, 284.0)
    plan = sound(run.make_plan(given(terrain, xy, (4.0, 4.0), every_stem(settings_of(tap_worth_m=20.0)))), 514)
    # along the foot the plane falls 2 %, less than a straight wire whose sag has to fall 2 %
    assert by_gravity(plan).sum() >= 0.9 * 514
    assert account(plan)["served"] >= 0.9 * by_gravity(plan).sum()
    main_ft = plan.stats["mainline_m_per_tap"] / FT_M
    assert main_ft <= ACRE_FT2 / (100.0 * 514.0 / (924.0**2 / ACRE_FT2))
    lateral_ft = plan.stats["lateral_m_per_tap"] / FT_M
    assert nearest_ft(plan) <= lateral_ft <= 40.0


def nearest_ft(plan: Plan) -> float:
    """Return the mean distance of the served trees to the nearest other one or the nearest mainline."""
    on = np.flatnonzero(plan.tree_lateral >= 0)
    places = shapely.points(plan.trees.x_m[on], plan.trees.y_m[on])
    lines = shapely.MultiLineString([m.xyz_m[:, :2] for m in plan.mainlines])
    away = np.hypot(plan.trees.x_m[on][:, None] - plan.trees.x_m[on], plan.trees.y_m[on][:, None] - plan.trees.y_m[on])
    np.fill_diagonal(away, np.inf)
    return float(np.minimum(away.min(axis=1), shapely.distance(places, lines)).mean() / FT_M)


def test_lansing_on_a_steep_oregon_slope() -> None:
    """Combination: Michigan's maples on 290 m of the Oregon Coast Range (7.87 m cells, median slope 78 %)."""
    with rasterio.open(DATA / "dem" / "oregon_coast_range_7.87m_epsg2991.tif") as source:
        z = source.read(1, window=rasterio.windows.Window(72, 344, 38, 38)).astype(float)
        cell = source.transform.a
    assert np.isfinite(z).all()
    terrain = terrain_of(z, cell)
    xy = positions("lansing_woods.csv", "maple") + cell
    plan = run.make_plan(given(terrain, xy, lowest_place(terrain), every_stem(settings_of(tap_worth_m=20.0)))).plan
    count = account(plan)
    assert sum(count.values()) == 514
    assert "" not in count
    assert count["served"] >= 0.8 * 514
    assert max(lateral.taps for lateral in plan.laterals) <= 10
    unbroken(plan)


def test_maunga_whau_trees_in_the_crater_lack_the_height_of_its_rim() -> None:
    """Trees deep in the crater need at least spill + lowest line - (ground + highest lateral), plus 2 % of the way."""
    with rasterio.open(DATA / "gpl" / "volcano_maunga_whau_10m_local.tif") as source:
        z, cell = source.read(1).astype(float), source.transform.a
    seed = np.where(np.pad(np.zeros(np.array(z.shape) - 2, bool), 1, constant_values=True), z, z.max())
    spill = reconstruction(seed, z, method="erosion")
    terrain = terrain_of(z, cell)
    rows, cols = np.nonzero(spill - z > 8.0)
    inside = np.column_stack(terrain.xy(rows, cols))
    ox, oy = lowest_place(terrain)
    near = scatter(1, 30, (ox - 60.0, ox + 60.0), (oy - 60.0, oy + 60.0), 4.0)
    near = near[np.isfinite(terrain.sample(near[:, 0], near[:, 1]))]
    settings = settings_of(tap_worth_m=100.0)
    n = len(inside)
    assert n >= 5
    result = run.make_plan(given(terrain, np.concatenate((inside, near)), (ox, oy), settings))
    plan = sound(result, n + len(near))
    assert set(plan.trees.reason[:n]) == {"BELOW_OUTLET"}
    least = spill[rows, cols] + settings.mainlines.lowest_m - (z[rows, cols] + settings.laterals.highest_m)
    assert np.all(plan.lift_m[:n] >= least - 1e-3)
    assert np.all(plan.lift_m[:n] <= least + 0.0202 * 300.0 + 0.5)


def test_barro_colorado_every_tree_is_accounted_for() -> None:
    """Its 3,604 trees on their own relief, one tap each; the tank at the lowest corner."""
    with rasterio.open(DATA / "gpl" / "bci_elev_5m_local.tif") as source:
        terrain = terrain_of(source.read(1).astype(float), source.transform.a)
    xy = positions("bci_bei.csv")
    plan = run.make_plan(given(terrain, xy, (995.0, 5.0), every_stem(settings_of()))).plan
    count = account(plan)
    assert sum(count.values()) == 3604
    assert "" not in count
    assert count["served"] >= 1000
    unbroken(plan)
