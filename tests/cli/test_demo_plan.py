"""The demo woodlot, from bush file to plan folder: the contract, the sums, the same bytes."""

from __future__ import annotations

import csv
import hashlib
import json
import os
import subprocess
import sys
from collections import Counter

import fiona
import geopandas
import numpy as np
import pytest
from pipeline.resources import demo_dir
from pipeline.schema import LAYERS

pytestmark = pytest.mark.xdist_group("demo")

# Set aside for reasons that no mainline within reach could mend: gravity or the survey itself.
NOT_SERVABLE = {"BELOW_OUTLET", "NO_GRADE", "DUPLICATE", "OUTSIDE_PROPERTY", "NO_GO", "OFF_TERRAIN", "NO_GROUND",
                "BAD_POSITION"}


def layer(demo, name):
    return geopandas.read_file(demo.folder / "plan.gpkg", layer=name)


def test_the_folder_is_complete(demo):
    names = {p.relative_to(demo.folder).as_posix() for p in demo.folder.rglob("*") if p.is_file()}
    wanted = {"plan.gpkg", "book.pdf", "overview.pdf", "overview.png", "materials.csv", "findings.csv",
              "fieldpoints.gpx", "settings.used.toml", "manifest.json", "summary.json"}
    wanted |= {f"sheets/{s.section_id}.pdf" for s in demo.plan.sections}
    assert wanted <= names
    assert all((demo.folder / name).stat().st_size > 0 for name in wanted)


@pytest.mark.parametrize("contract", LAYERS, ids=lambda c: c.name)
def test_layers_and_columns_are_the_contract_s(demo, contract):
    with fiona.open(demo.folder / "plan.gpkg", layer=contract.name) as source:
        columns = set(source.schema["properties"])
        assert set(contract.column_names) <= columns
        geometry = {"LineString Z": "3D LineString"}.get(contract.geometry, contract.geometry)
        assert source.schema["geometry"] == geometry
        for column in contract.columns:
            kind = source.schema["properties"][column.name].split(":")[0]
            expected = {"text": {"str"}, "int": {"int", "int32", "int64"}, "float": {"float"}}
            assert kind in expected[column.type], column.name


def test_every_tree_is_there_once_and_the_sums_hold(demo):
    trees = layer(demo, "trees")
    assert len(trees) == len(demo.given.points.tree_id)
    assert trees.tree_id.is_unique
    assert set(trees.status) <= {"served", "set_aside", "not_tapped"}
    unserved = trees[trees.status != "served"]
    assert (unserved.reason.str.len() > 0).all()
    assert (unserved.taps == 0).all()


def test_taps_agree_in_every_layer(demo):
    trees, laterals, mains = layer(demo, "trees"), layer(demo, "laterals"), layer(demo, "mainlines")
    taps = int(trees.taps.sum())
    assert taps > 0
    assert int(laterals.taps.sum()) == taps
    assert int(mains.taps_own.sum()) == taps
    assert int(mains[mains.parent_id.fillna("") == ""].taps_total.sum()) == taps
    assert int(layer(demo, "sections").taps.sum()) == taps
    assert int(layer(demo, "collection").taps.sum()) == taps
    pipes = layer(demo, "pipes")
    ends = pipes[(pipes.from_station_m == 0) & pipes.role.isin(["single", "wet"])]
    roots = mains[mains.parent_id.fillna("") == ""].mainline_id
    assert int(ends[ends.mainline_id.isin(roots)].taps.sum()) == taps


def test_lines_run_in_flow_direction_and_end_where_they_should(demo):
    mains = {r.mainline_id: r for r in layer(demo, "mainlines").itertuples()}
    tank = layer(demo, "collection").iloc[0]
    for row in mains.values():
        xyz = np.array(row.geometry.coords)
        assert (np.diff(xyz[:, 2]) < 0).all(), row.mainline_id
        if not row.parent_id:
            assert np.hypot(*(xyz[-1, :2] - np.array(tank.geometry.coords[0])[:2])) < 0.01
        else:
            assert mains[row.parent_id].geometry.distance(row.geometry) < 0.01
    for row in layer(demo, "laterals").itertuples():
        end = np.array(row.geometry.coords)[-1]
        assert mains[row.mainline_id].geometry.distance(row.geometry) < 0.06
        assert end[2] == np.array(row.geometry.coords)[:, 2].min()


def test_the_judge_finds_no_violation(demo):
    with (demo.folder / "findings.csv").open(encoding="utf-8-sig", newline="") as file:
        rows = list(csv.DictReader(file))
    assert rows, "a real plan always has something to say"
    assert [r for r in rows if r["severity"] == "violation"] == []


def test_nearly_all_that_gravity_can_serve_is_served(demo):
    trees = layer(demo, "trees")
    count = Counter(trees.status)
    servable = count["served"] + int(
        ((trees.status == "set_aside") & ~trees.reason.isin(NOT_SERVABLE)).sum()
    )
    assert count["served"] / servable >= 0.95


def digests(folder):
    return {
        p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*")) if p.is_file() and p.name not in {"manifest.json"}
    }


def test_the_same_input_gives_the_same_bytes_and_stays_untouched(demo, tmp_path):
    before = digests(demo_dir())
    run = subprocess.run(
        [sys.executable, "-m", "pipeline", "demo", "--into", str(tmp_path / "again é"), "--quiet"],
        env={**os.environ, "PYTHONHASHSEED": "4711", "LC_ALL": "C"}, capture_output=True, text=True, check=False,
        cwd=tmp_path,
    )
    assert run.returncode == 0, run.stderr
    assert "Next:" in run.stdout
    assert digests(demo_dir()) == before
    first, second = digests(demo.folder), digests(tmp_path / "again é")
    assert first == second


def test_the_manifest_says_what_it_was_made_from(demo):
    manifest = json.loads((demo.folder / "manifest.json").read_text(encoding="utf-8"))
    terrain = hashlib.sha256((demo_dir() / "terrain.tif").read_bytes()).hexdigest()
    assert terrain in manifest["inputs"].values()
    assert set(manifest["stage_seconds"]) >= {"survey", "mainlines", "laterals", "hang", "flow", "judge"}


def test_a_section_reprints_in_french_metric_a4_without_planning(demo, tmp_path):
    section = demo.plan.sections[0].section_id
    run = subprocess.run(
        [sys.executable, "-m", "pipeline", "sheets", str(demo.folder), "--section", section, "--paper", "a4",
         "--units", "metric", "--language", "fr", "--into", str(tmp_path)],
        capture_output=True, text=True, check=False,
    )
    assert run.returncode == 0, run.stderr
    import pypdfium2

    pdf = pypdfium2.PdfDocument(tmp_path / f"{section}.pdf")
    width, height = pdf[0].get_size()
    assert (round(width), round(height)) == (595, 842)
    text = pdf[0].get_textpage().get_text_range()
    assert "FEUILLE" in text.upper() or "PLAN" in text.upper()
    assert " ft" not in text


def test_an_existing_plan_is_not_replaced_without_force(demo):
    run = subprocess.run(
        [sys.executable, "-m", "pipeline", "demo", "--into", str(demo.folder)], capture_output=True, text=True,
        check=False,
    )
    assert run.returncode == 5
    assert "--force" in run.stderr


@pytest.mark.parametrize("what", ["M1", "M1-S00", "S01", "L01"])
def test_explain_says_what_set_a_size_or_height(demo, what):
    name = demo.plan.laterals[0].lateral_id if what == "L01" else what
    run = subprocess.run(
        [sys.executable, "-m", "pipeline", "explain", name, "--plan", str(demo.folder)], capture_output=True,
        text=True, check=False,
    )
    assert run.returncode == 0, run.stderr
    assert run.stdout.startswith(f"{name}:")


def test_fieldpoints_hold_every_support(demo):
    with fiona.open(demo.folder / "fieldpoints.gpx", layer="waypoints") as source:
        names = {f.properties["name"] for f in source}
    assert {s.support_id for m in demo.plan.mainlines for s in m.supports} <= names


