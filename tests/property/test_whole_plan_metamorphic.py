"""Whole plans of one site looked at another way: turned, mirrored, in feet, with a tree far away.

The site is a formula, so that a turned raster is as true as the one that was not turned. The cost of a plan is its
metres of mainline and lateral, an entry's worth for each lateral, and a tap's worth for each tap left out.
"""

from __future__ import annotations

import csv
import math
from pathlib import Path

import numpy as np
import pyproj
import pytest
import rasterio
from pipeline import reading, run
from pipeline.frame import Frame
from pipeline.records import Plan
from pipeline.terrain.grid import Terrain
from rasterio.transform import Affine

from whole_plan import cost_m, given, scatter, served, settings_of, sound

SIDE_M, CELL_M = 200.0, 2.0
MIDDLE = np.array([SIDE_M / 2.0, SIDE_M / 2.0])
TREES = 90
WITHIN = 0.02


def height(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return a valley that falls to the south, its sides waved."""
    across = x - MIDDLE[0]
    return 100.0 + 0.07 * y + 0.0012 * across**2 + 0.35 * np.sin(x / 15.0) * np.cos(y / 21.0)


def turned(degrees: float, *, mirrored: bool = False, more: tuple[tuple[float, float], ...] = ()) -> reading.Inputs:
    """Return the site mirrored east to west where asked, then turned counter-clockwise about its middle."""
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    turn = np.array([[c, -s], [s, c]]) @ (np.diag([-1.0, 1.0]) if mirrored else np.eye(2))
    axis = np.arange(0.0, SIDE_M + CELL_M / 2.0, CELL_M)
    x, y = np.meshgrid(axis, axis[::-1])
    before = (np.stack((x, y), axis=-1) - MIDDLE) @ turn + MIDDLE
    terrain = Terrain(
        z_m=height(before[..., 0], before[..., 1]).astype(np.float32), x0_m=0.0, y0_m=SIDE_M, cell_m=CELL_M,
        frame=Frame("", "local grid", "local"), vertical_error_m=0.05, source="made for a test",
    )
    places = scatter(5, TREES, (40.0, 160.0), (55.0, 165.0))
    xy = np.concatenate(((places - MIDDLE) @ turn.T + MIDDLE, np.reshape(more, (-1, 2))))
    tank = (np.array([100.0, 30.0]) - MIDDLE) @ turn.T + MIDDLE
    settings = settings_of(tap_worth_m=30.0, effort="normal")
    return given(terrain, xy, (float(tank[0]), float(tank[1])), settings)


def cost(plan: Plan) -> float:
    """Return the cost in metres of line; a tap left out costs what it is worth."""
    return cost_m(plan) + plan.settings.mainlines.tap_worth_m * float((~served(plan)).sum())


@pytest.fixture(scope="module")
def plain() -> Plan:
    return sound(run.make_plan(turned(0.0)), TREES)


VIEWS = {
    "a quarter turn": turned(90.0), "a turn by 37 degrees": turned(37.0), "a mirror": turned(0.0, mirrored=True),
}


@pytest.mark.parametrize("view", VIEWS)
def test_the_same_site_seen_another_way_costs_the_same_within_two_percent(plain: Plan, view: str) -> None:
    plan = sound(run.make_plan(VIEWS[view]), TREES)
    assert cost(plan) == pytest.approx(cost(plain), rel=WITHIN)


def test_a_tree_far_from_all_changes_no_other(plain: Plan) -> None:
    """It stands on the terrain's far corner, out of the reach of every line that serves the others."""
    plan = sound(run.make_plan(turned(0.0, more=((198.0, 198.0),))), TREES + 1)
    assert plan.trees.status[TREES] == "set_aside"
    assert plan.trees.reason[:TREES] == plain.trees.reason
    assert [m.xyz_m.tobytes() for m in plan.mainlines] == [m.xyz_m.tobytes() for m in plain.mainlines]
    assert [q.xyz_m.tobytes() for q in plan.laterals] == [q.xyz_m.tobytes() for q in plain.laterals]


# ---------------------------------------------------------------- feet for metres

# EPSG:32145 is Vermont's state plane in metres, EPSG:5646 the same in US survey feet (1200/3937 m)
UNITS = {32145: ("metre", 1.0), 5646: ("US survey foot", 1200.0 / 3937.0)}
WEST_M, SOUTH_M, CELLS = 480_000.0, 150_000.0, 70


def written(folder: Path, epsg: int) -> Path:
    """Write a small site, terrain, trees, tank and all, in the unit of a state plane; return its bush file."""
    folder.mkdir()
    unit, size_m = UNITS[epsg]
    axis = (np.arange(CELLS) + 0.5) * CELL_M
    x, y = np.meshgrid(axis, axis[::-1])
    z = 200.0 + 0.08 * y + 0.0015 * (x - 70.0) ** 2
    transform = Affine(CELL_M, 0.0, WEST_M, 0.0, -CELL_M, SOUTH_M + CELLS * CELL_M)
    scaled = Affine.scale(1.0 / size_m) @ transform
    with rasterio.open(folder / "terrain.tif", "w", driver="GTiff", width=CELLS, height=CELLS, count=1,
                       dtype="float64", crs=f"EPSG:{epsg}", transform=scaled) as out:
        out.write(z / size_m, 1)
        out.set_band_unit(1, unit)
    places = scatter(9, 40, (25.0, 115.0), (40.0, 125.0)) + np.array([WEST_M, SOUTH_M])
    with (folder / "trees.csv").open("w", encoding="utf-8", newline="") as file:
        rows = csv.writer(file)
        rows.writerow(["tree_id", "x", "y", "species", "dbh_cm"])
        rows.writerows([f"T{i:02d}", f"{px / size_m:.6f}", f"{py / size_m:.6f}", "sugar maple", 36.0]
                       for i, (px, py) in enumerate(places))
    lon, lat = pyproj.Transformer.from_crs(32145, 4326, always_xy=True).transform(WEST_M + 70.0, SOUTH_M + 12.0)
    (folder / "bush.toml").write_text(
        '[bush]\nname = "Either way"\ndate = "2026-03-02"\n'
        f'[trees]\nfile = "trees.csv"\ncrs = "EPSG:{epsg}"\n[terrain]\nfile = "terrain.tif"\n'
        f'[[collection]]\nid = "C1"\nlon = {lon!r}\nlat = {lat!r}\n'
        '[mainlines]\neffort = "normal"\ntap_worth = "30 m"\n', encoding="utf-8",
    )
    return folder / "bush.toml"


def test_terrain_and_trees_in_feet_give_the_plan_they_give_in_metres(tmp_path: Path) -> None:
    """A grid in feet is planned in metres of another projection, so its cells lie a little otherwise."""
    metres, feet = (
        run.make_plan(reading.read_inputs(written(tmp_path / str(epsg), epsg))).plan for epsg in UNITS
    )
    assert served(metres).sum() >= 36
    assert np.abs(feet.trees.ground_z_m - metres.trees.ground_z_m).max() < 0.05
    assert cost(feet) == pytest.approx(cost(metres), rel=WITHIN)
