"""A plan folder is self-contained: what a repair needs is in it, not in files that may have gone or changed."""

from __future__ import annotations

import csv

import geopandas
import numpy as np
import pytest
import shapely
from pipeline import publish, reading, repair_run, run
from pipeline.ground import prepare
from pipeline.records import Pins
from pipeline.resources import template_rows
from pipeline.store import planfolder

import tiny_bush

DEARER = 10.0


@pytest.fixture(scope="module")
def site(tmp_path_factory):
    """Plan a tiny bush with the grower's own prices, a wall across the valley and a pinned gap in it."""
    base = tmp_path_factory.mktemp("site")
    with (base / "mine.csv").open("w", encoding="utf-8", newline="") as file:
        out = csv.writer(file)
        out.writerow(["code", "price", "unit"])
        out.writerows([r["code"], float(r["price"]) * DEARER, r["unit"]] for r in template_rows("prices.csv"))
    side = tiny_bush.CELL_M * tiny_bush.CELLS
    y = tiny_bush.NORTH - side + 30.0
    middle = tiny_bush.WEST + side / 2.0
    wall = shapely.box(tiny_bush.WEST, y, tiny_bush.WEST + side, y + 4.0)
    gap = shapely.box(middle - 15.0, y - 4.0, middle + 15.0, y + 8.0)
    for name, shape in (("wall", wall), ("gap", gap)):
        geopandas.GeoDataFrame(geometry=[shape], crs=f"EPSG:{tiny_bush.EPSG}").to_file(base / "g.gpkg", layer=name)
    more = ('[ground.no_go]\nfile = "g.gpkg"\nlayer = "wall"\n[pins]\nfile = "g.gpkg"\ngaps_layer = "gap"\n'
            '[prices]\nfile = "mine.csv"\n')
    given = reading.read_inputs(tiny_bush.write_bush(base, more=more))
    result = run.make_plan(given)
    plan = publish.publish(result, given.hashes, base / "plan", force=False)
    (base / "mine.csv").unlink()
    (base / "g.gpkg").unlink()
    return base, result, plan


def test_pinned_gaps_stay_open(site) -> None:
    """A gap forgotten on reading would close the wall again, and a repair could not pass where the line runs."""
    base, result, _ = site
    closed, _ = prepare(terrain=result.terrain, layers=result.ground.layers, pins=Pins(), settings=result.plan.settings)
    assert np.isfinite(result.ground.cost).sum() > np.isfinite(closed.cost).sum()
    again = publish.load(base / "plan")
    assert [g.equals(h) for g, h in zip(again.ground.gaps, result.ground.gaps, strict=True)] == [True]
    np.testing.assert_array_equal(again.ground.cost, result.ground.cost)
    np.testing.assert_array_equal(again.ground.lowest_m, result.ground.lowest_m)


def test_a_repair_is_priced_by_the_grower_s_list(site) -> None:
    """All prices were ten times the examples: one tree lost must leave every unit price as it was."""
    base, result, plan = site
    before = {part.code: part.unit_price for part in plan.takeoff.total}
    examples = {row["code"]: float(row["price"]) for row in template_rows("prices.csv")}
    assert before["POST"] == pytest.approx(DEARER * examples["POST"])
    storm = base / "storm.csv"
    served = next(t for t, s in zip(plan.trees.tree_id, plan.trees.status, strict=True) if s == "served")
    storm.write_text(f"kind,tree_id\ntree down,{served}\n", encoding="utf-8")
    made = repair_run.repair(base / "plan", storm, base / "after", force=False, date="2026-03-10")
    after = {part.code: part.unit_price for part in made.plan.takeoff.total}
    assert {code: after[code] for code in after if code in before} == {
        code: before[code] for code in after if code in before
    }
    assert publish.load(base / "after").plan.prices == result.plan.prices


def test_a_written_plan_reads_back_and_writes_the_same_bytes(site, tmp_path) -> None:
    base, _, _ = site
    again = publish.load(base / "plan")
    planfolder.write_plan(tmp_path / "copy", plan=again.plan, terrain=again.terrain, ground=again.ground, pdfs={},
                          manifest={}, settings_text="", force=False)
    assert (tmp_path / "copy" / "plan.gpkg").read_bytes() == (base / "plan" / "plan.gpkg").read_bytes()
