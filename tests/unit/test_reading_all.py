"""Reading all that a bush file names: every problem of every file in one error, and none that is not there."""

from __future__ import annotations

from pathlib import Path

import geopandas
import numpy as np
import pytest
import rasterio
import shapely
from pipeline import checking, reading
from pipeline.errors import InputDataError

import tiny_bush

WEST, NORTH = tiny_bush.WEST, tiny_bush.NORTH
SIDE = tiny_bush.CELL_M * tiny_bush.CELLS
PINS = '[pins]\nfile = "pins.gpkg"\nlines_layer = "lines"\ngaps_layer = "gaps"\navoid_layer = "avoid"\n'


def rich(folder: Path, more: str = "") -> Path:
    """Write a bush that uses every kind of input: two layers, pins of three kinds, own prices, metric."""
    bush = tiny_bush.write_bush(folder)

    def layer(name: str, shapes: list, layer_name: str = "", **columns: list) -> None:
        names = [f"{name} {i}" for i in range(len(shapes))]
        frame = geopandas.GeoDataFrame({"name": names, **columns}, geometry=shapes, crs=tiny_bush.EPSG)
        frame.to_file(folder / name, engine="pyogrio", **({"layer": layer_name} if layer_name else {}))

    x, low, high = WEST + SIDE / 2.0, NORTH - SIDE + 14.0, NORTH - SIDE / 2.0
    layer("wet.geojson", [shapely.box(WEST + 2, NORTH - 20, WEST + 20, NORTH - 2)])
    layer("road.gpkg", [shapely.LineString([(WEST, NORTH - 4), (WEST + SIDE, NORTH - 4)])])
    layer("pins.gpkg", [shapely.LineString([(x, high), (x, low)])], "lines", mainline_id=["M1"])
    layer("pins.gpkg", [shapely.box(x, NORTH - 6, x + 5, NORTH - 1)], "gaps")
    layer("pins.gpkg", [shapely.Point(WEST + 30, NORTH - 30).buffer(4.0)] * 2, "avoid")
    (folder / "p.csv").write_text("code,price,unit\nTEE,0.5,pc\nPIPE 1,1.0,ft\n", encoding="utf-8")
    text = bush.read_text(encoding="utf-8").replace("[bush]", '[bush]\nunits = "metric"')
    bush.write_text(f'{text}[ground.wet]\nfile = "wet.geojson"\n[ground.road]\nfile = "road.gpkg"\n{PINS}'
                    f'[prices]\nfile = "p.csv"\n{more}', encoding="utf-8")
    return bush


def problems(bush: Path) -> list[str]:
    with pytest.raises(InputDataError) as caught:
        reading.read_inputs(bush)
    assert all(p.found and p.wanted and p.remedy for p in caught.value.problems)
    return [p.as_line() for p in caught.value.problems]


def test_everything_is_read_and_hashed(tmp_path) -> None:
    steps: list[tuple[str, float]] = []
    given = reading.read_inputs(rich(tmp_path), lambda text, share: steps.append((text, share)))
    assert len(given.points.tree_id) == tiny_bush.TREES
    assert [g.kind for g in given.layers] == ["road", "wet"]
    assert list(given.pins.lines) == ["M1"]
    assert (len(given.pins.gaps), len(given.pins.avoid)) == (1, 2)
    assert [p.collection_id for p in given.collections] == ["C1"]
    assert sorted(given.hashes) == ["p.csv", "pins.gpkg", "road.gpkg", "terrain.tif", "trees.csv", "wet.geojson"]
    assert {row["code"]: row["unit"] for row in given.prices} == {"TEE": "pc", "PIPE 1": "m"}
    shares = [share for _, share in steps]
    assert shares == sorted(shares), "progress never goes back"
    assert len({text for text, _ in steps}) == len(steps)


SPOILED = {
    "trees.csv": ("tree_id,lon,lat\n", "a header without rows"),
    "terrain.tif": ("II*\x00", "cannot be read"),
    "wet.geojson": ("{", "breaks off"),
    "road.gpkg": ("SQLite format 3\x00", "damaged"),
    "p.csv": ("code,price\nTEE,-1\n", "the price '-1'"),
    "pins.gpkg": ("SQLite format 3\x00", "damaged"),
}


@pytest.mark.parametrize("name", SPOILED)
def test_one_bad_file_is_told_with_its_name(tmp_path, name: str) -> None:
    bush = rich(tmp_path)
    text, says = SPOILED[name]
    (tmp_path / name).write_text(text, encoding="latin-1")
    lines = problems(bush)
    assert all(name in line for line in lines), lines
    assert any(says in line for line in lines), lines


def test_all_bad_files_are_told_in_one_go(tmp_path) -> None:
    """Pins and places need the terrain's ground: they are told once it can be read."""
    bush = rich(tmp_path)
    for name, (text, _) in SPOILED.items():
        (tmp_path / name).write_text(text, encoding="latin-1")
    first = problems(bush)
    told = {name for name in SPOILED if any(name in line for line in first)}
    assert told == set(SPOILED) - {"pins.gpkg"}
    (tmp_path / "terrain.tif").unlink()
    tiny_bush.write_terrain(tmp_path / "terrain.tif")
    second = problems(bush)
    assert {name for name in SPOILED if any(name in line for line in second)} == set(SPOILED) - {"terrain.tif"}


@pytest.mark.parametrize("name", SPOILED)
def test_a_missing_file_is_told_and_nothing_is_made(tmp_path, name: str) -> None:
    bush = rich(tmp_path)
    (tmp_path / name).unlink()
    before = sorted(p.name for p in tmp_path.iterdir())
    lines = problems(bush)
    assert any(name in line and "no such file" in line for line in lines), lines
    assert sorted(p.name for p in tmp_path.iterdir()) == before


@pytest.mark.parametrize("crs", ["", "EPSG:32618", "local"])
def test_without_terrain_nothing_else_looks_wrong(tmp_path, crs: str) -> None:
    """Which frame the plan would have had nobody knows: a layer on Earth is no fault then, nor are its trees.

    Where the bush file says that the terrain is a local grid, layers on Earth do not fit, terrain or not.
    """
    bush = rich(tmp_path)
    text = bush.read_text(encoding="utf-8").replace('file = "terrain.tif"', f'file = "terrain.tif"\ncrs = "{crs}"')
    bush.write_text(text, encoding="utf-8")
    (tmp_path / "terrain.tif").unlink()
    lines = problems(bush)
    wrong = [line for line in lines if "terrain.tif" not in line]
    assert len(lines) > len(wrong)
    if crs == "local":
        assert {line.partition(",")[0] for line in wrong} == {"trees.csv", "wet.geojson", "road.gpkg"}
    else:
        assert wrong == []


def test_the_date_is_that_of_the_file_else_that_of_the_build(tmp_path, monkeypatch) -> None:
    bush = rich(tmp_path)
    assert reading.read_settings(bush).bush.date == "2026-03-02"
    bush.write_text(bush.read_text(encoding="utf-8").replace('date = "2026-03-02"\n', ""), encoding="utf-8")
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "86400")
    assert reading.read_settings(bush).bush.date == "1970-01-02"
    assert reading.read_inputs(bush).settings.bush.date == "1970-01-02"


def test_shapes_of_a_layer_sort_by_name_then_place(tmp_path) -> None:
    layer = next(g for g in reading.read_inputs(rich(tmp_path)).layers if g.kind == "wet")
    boxes = [shapely.box(i, 0, i + 1, 1) for i in (3, 1, 2)]
    mixed = layer.__class__("wet", (*boxes, boxes[1]), ("b", "b", "a", "b"), layer.rule, "t")
    got = reading.in_shape_order(mixed)
    assert got.names == ("a", "b", "b", "b")
    assert got.shapes[0] is boxes[2]
    assert {s.wkb for s in got.shapes} == {s.wkb for s in mixed.shapes}
    assert reading.in_shape_order(got).shapes == got.shapes


# ------------------------------------------------------------- on the check page


@pytest.fixture(scope="module")
def checked(tmp_path_factory) -> checking.Checked:
    return checking.check(rich(tmp_path_factory.mktemp("rich")))


def test_the_page_lists_every_file_with_what_it_holds(checked) -> None:
    facts = checking.facts(checked, checking.context(checked))
    files = [file.partition(",")[0] for _, file, _ in facts.reads]
    assert files == ["terrain.tif", "trees.csv", "road.gpkg", "wet.geojson", "pins", "pins.gpkg", "p.csv"]
    held = {file.partition(",")[0]: holds for _, file, holds in facts.reads}
    assert "1 lines" in held["pins.gpkg"] or "1 line" in held["pins.gpkg"]
    assert "2" in held["p.csv"]
    assert " ha" in held["terrain.tif"], "the reader's own units"
    assert all(" m" in line or "m)" in line for line in facts.place if "C1" in line)


def test_a_local_grid_says_so_and_gives_no_place_on_earth(tmp_path) -> None:
    bush = tiny_bush.write_bush(tmp_path)
    with rasterio.open(tmp_path / "terrain.tif") as source:
        z, profile = source.read(), {**source.profile, "crs": None}
    with rasterio.open(tmp_path / "terrain.tif", "w", **profile) as out:
        out.write(z)
    x, y, dbh = tiny_bush.positions()
    rows = "".join(f"T{i},{a:.2f},{b:.2f},sugar maple,{d}\n" for i, (a, b, d) in enumerate(zip(x, y, dbh, strict=True)))
    (tmp_path / "trees.csv").write_text("id,x,y,species,dbh_in\n" + rows, encoding="utf-8")
    text = bush.read_text(encoding="utf-8").replace('file = "terrain.tif"', 'file = "terrain.tif"\ncrs = "local"')
    bush.write_text(text, encoding="utf-8")
    found = checking.check(bush)
    facts = checking.facts(found, checking.context(found))
    assert found.trees.candidate.sum() == tiny_bush.TREES
    assert not any("°" in line or "lat" in line.lower() for line in facts.place)
    assert any("local" in line for line in facts.terrain)
    page = "\n".join(checking.lines(found))
    assert "O" in page or "o" in page
    assert checking.pdf(found).startswith(b"%PDF")


def test_a_terrain_without_an_error_proves_nothing(tmp_path) -> None:
    bush = tiny_bush.write_bush(tmp_path)
    text = bush.read_text(encoding="utf-8")
    text = text.replace('file = "terrain.tif"', 'file = "terrain.tif"\nvertical_error = "0 ft"')
    bush.write_text(text, encoding="utf-8")
    found = checking.check(bush)
    ctx = checking.context(found)
    assert ctx.w("check.proves_nothing") in checking.facts(found, ctx).terrain
    assert np.isnan(checking.provable_grade_pct(30.0, min_grade_pct=2.0, vertical_error_m=0.0, gps_error_m=1.0))
    assert np.isnan(checking.provable_grade_pct(1.0, min_grade_pct=2.0, vertical_error_m=9.0, gps_error_m=9.0))
