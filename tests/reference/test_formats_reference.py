"""One site in eleven formats, four CRSs and three units gives the same trees, and the same plan.

The variants are written with geopandas, rasterio and plain text; what is expected is the demo survey as
geopandas reads it. Positions agree within 1 cm (8 decimals of a degree are 1 mm; shapefiles, GeoJSON and
KML keep at least that), diameters within 0.01 cm; NAD83 and WGS 84 are taken as one, as PROJ does without
grids. Plans agree in every tree's status and lateral, and in mainline length within 0.5 %.
"""

from __future__ import annotations

import dataclasses
import zipfile
from pathlib import Path

import geopandas
import numpy as np
import pint
import pyogrio
import pytest
import rasterio
from pipeline import reading, run
from pipeline.errors import InputDataError
from pipeline.frame import utm_frame
from pipeline.resources import demo_dir
from pipeline.settings import GroundLayerSettings, Settings, TreeSettings
from pipeline.store import layers, rasters, vectors

import tiny_bush

FRAME = utm_frame(-72.6, 44.6, "")
CRSS = (4326, 32618, 26918, 5646)  # degrees; UTM in metres, WGS 84 and NAD83; Vermont in US survey feet
CARRIED = ("t.gpkg", "t.geojson", "t.fgb", "t.shp", "t.shp.zip", "t.kml", "t.kmz")
UNITS = {"in": "inch", "cm": "centimetre", "mm": "millimetre"}
# RFC 7946 clause 4 and OGC KML 2.3 clause 6.2: longitude and latitude on WGS 84 only
DEGREES_ONLY = {"t.geojson", "t.kml", "t.kmz"}


@pytest.fixture(scope="module")
def survey() -> geopandas.GeoDataFrame:
    """Return 300 trees of the demo survey as geopandas reads its CSV."""
    table = geopandas.read_file(demo_dir() / "trees.csv")
    lon, lat = table["lon"].astype(float), table["lat"].astype(float)
    frame = geopandas.GeoDataFrame(
        {"tag": table["tag"], "species": table["species"], "dbh": table["dbh_in"].astype(float)},
        geometry=geopandas.points_from_xy(lon, lat), crs=4326,
    )
    return frame.dropna().head(300).reset_index(drop=True)


def in_unit(frame: geopandas.GeoDataFrame, unit: str) -> geopandas.GeoDataFrame:
    values = pint.UnitRegistry().Quantity(frame.dbh.to_numpy(), "inch").to(UNITS[unit]).magnitude
    return frame.assign(dbh=values).rename(columns={"dbh": f"dbh_{unit}"})


def write_carried(folder: Path, name: str, frame: geopandas.GeoDataFrame) -> None:
    if name in {"t.shp.zip", "t.kmz"}:
        inner = "t.shp" if name == "t.shp.zip" else "t.kml"
        write_carried(folder, inner, frame)
        with zipfile.ZipFile(folder / name, "w", zipfile.ZIP_DEFLATED) as out:
            for path in sorted(folder.glob("t.*")):
                if path.name != name:
                    out.write(path, path.name)
    else:
        frame.to_file(folder / name, engine="pyogrio", **({"driver": "KML"} if name == "t.kml" else {}))


def write_text(folder: Path, name: str, frame: geopandas.GeoDataFrame, unit: str) -> None:
    x, y = frame.geometry.x, frame.geometry.y
    dbh = frame[f"dbh_{unit}"]
    if name == "t.gpx":
        points = "".join(
            f'<wpt lat="{b:.9f}" lon="{a:.9f}"><name>{t}</name><desc>{s}, {d:.4f} {unit}</desc></wpt>'
            for t, s, d, a, b in zip(frame.tag, frame.species, dbh, x, y, strict=True)
        )
        head = '<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1">'
        (folder / name).write_text(f'<?xml version="1.0"?>{head}{points}</gpx>', encoding="utf-8")
        return
    french = name == "t-fr.csv"
    mark = {"t.csv": ",", "t-fr.csv": ";", "t.tsv": "\t"}[name]
    heads = ["étiquette", "essence", f"DHP ({unit})", "longitude", "latitude"] if french else [
        "tag", "species", f"dbh_{unit}", "lon", "lat"]
    rows = [heads]
    for t, s, d, a, b in zip(frame.tag, frame.species, dbh, x, y, strict=True):
        cells = [str(t), str(s), f"{d:.4f}", f"{a:.9f}", f"{b:.9f}"]
        rows.append([c.replace(".", ",") if french and i > 1 else c for i, c in enumerate(cells)])
    (folder / name).write_text("\ufeff" * french + "\r\n".join(mark.join(r) for r in rows), encoding="utf-8")


def check_same(points, survey: geopandas.GeoDataFrame) -> None:
    wanted = survey.to_crs(FRAME.crs_wkt)
    assert sorted(points.tree_id) == sorted(survey.tag)
    # FlatGeobuf keeps its rows in the order of its spatial index
    order = np.argsort(np.array(points.tree_id))[np.argsort(np.argsort(np.array(survey.tag)))]
    assert [points.species[i] for i in order] == list(survey.species)
    np.testing.assert_allclose(points.x_m[order], wanted.geometry.x, atol=0.01, rtol=0)
    np.testing.assert_allclose(points.y_m[order], wanted.geometry.y, atol=0.01, rtol=0)
    np.testing.assert_allclose(points.dbh_cm[order], survey.dbh * 2.54, atol=0.01, rtol=0)


def asked(name: str, unit: str) -> Settings:
    return dataclasses.replace(Settings(), trees=TreeSettings(file=name, dbh_unit=unit))


@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize("name", ["t.gpx", "t.csv", "t-fr.csv", "t.tsv"])
def test_text_formats_give_the_same_trees_in_every_unit(tmp_path, survey, name: str, unit: str) -> None:
    write_text(tmp_path, name, in_unit(survey, unit), unit)
    check_same(vectors.read_trees(asked(name, unit), tmp_path, FRAME), survey)


@pytest.mark.parametrize("unit", UNITS)
@pytest.mark.parametrize(("name", "crs"), [(n, c) for n in CARRIED for c in CRSS if n not in DEGREES_ONLY or c == 4326])
def test_formats_with_a_crs_give_the_same_trees(tmp_path, survey, name: str, crs: int, unit: str) -> None:
    write_carried(tmp_path, name, in_unit(survey, unit).to_crs(crs))
    check_same(vectors.read_trees(asked(name, unit), tmp_path, FRAME), survey)


# ------------------------------------------------------------------ whole plans


def plan_of(bush: Path):
    return run.make_plan(reading.read_inputs(bush)).plan


@pytest.fixture(scope="module")
def reference(tmp_path_factory):
    return plan_of(tiny_bush.write_bush(tmp_path_factory.mktemp("reference")))


def other_trees(folder: Path, name: str, crs: int, unit: str) -> Path:
    bush = tiny_bush.write_bush(folder)
    table = geopandas.read_file(folder / "trees.csv")
    frame = geopandas.GeoDataFrame(
        {"tag": table.tree_id, "species": table.species, "dbh": table.dbh_in.astype(float)},
        geometry=geopandas.points_from_xy(table.lon.astype(float), table.lat.astype(float)), crs=4326,
    )
    in_unit(frame, unit).to_crs(crs).to_file(folder / name, engine="pyogrio")
    text = bush.read_text(encoding="utf-8")
    bush.write_text(text.replace('"trees.csv"', f'"{name}"\ndbh_unit = "{unit}"'), encoding="utf-8")
    return bush


def other_heights(folder: Path, unit: str) -> Path:
    bush = tiny_bush.write_bush(folder)
    metres = pint.UnitRegistry().Quantity(1.0, unit).to("metre").magnitude
    with rasterio.open(folder / "terrain.tif") as source:
        z, profile = source.read(1), source.profile
    with rasterio.open(folder / "terrain.tif", "w", **{**profile, "dtype": "float64"}) as out:
        out.write(z.astype(np.float64) / metres, 1)
        out.set_band_unit(1, {"foot": "ft", "survey_foot": "US survey foot"}[unit])
    return bush


VARIANTS = {
    "GeoPackage, UTM, cm": lambda f: other_trees(f, "t.gpkg", 32618, "cm"),
    "FlatGeobuf, US survey feet, mm": lambda f: other_trees(f, "t.fgb", 5646, "mm"),
    "shapefile, NAD83, inches": lambda f: other_trees(f, "t.shp", 26918, "in"),
    "GeoJSON, degrees, cm": lambda f: other_trees(f, "t.geojson", 4326, "cm"),
    "heights in feet": lambda f: other_heights(f, "foot"),
    "heights in US survey feet": lambda f: other_heights(f, "survey_foot"),
}


@pytest.mark.parametrize("variant", VARIANTS)
def test_the_same_site_gives_the_same_plan(tmp_path, reference, variant: str) -> None:
    plan = plan_of(VARIANTS[variant](tmp_path))
    assert by_tag(plan, plan.trees.status) == by_tag(reference, reference.trees.status)
    assert by_tag(plan, plan.trees.taps.tolist()) == by_tag(reference, reference.trees.taps.tolist())
    assert groups(plan) == groups(reference)
    lengths = [sum(m.length_m for m in p.mainlines) for p in (plan, reference)]
    assert lengths[0] == pytest.approx(lengths[1], rel=0.005)
    heights = [by_tag(p, p.tree_line_z_m.tolist()) for p in (plan, reference)]
    assert heights[0] == pytest.approx(heights[1], abs=0.05, nan_ok=True)


def by_tag(plan, values) -> dict[str, object]:
    """Return values of trees by tag: some formats keep their rows in an order of their own."""
    return dict(zip(plan.trees.tree_id, values, strict=True))


def groups(plan) -> list[list[str]]:
    """Return the tags on each lateral, nearest the entry first."""
    return sorted([plan.trees.tree_id[i] for i in lateral.tree] for lateral in plan.laterals)


# ---------------------------------------------------- files of another library


FIXTURES = Path(pyogrio.__file__).parent / "tests" / "fixtures"
FILES = sorted(p for p in FIXTURES.rglob("*") if p.is_file()) if FIXTURES.is_dir() else []


@pytest.mark.skipif(not FILES, reason="this build of pyogrio ships without its test files")
def test_the_test_files_of_the_vector_library_are_read_or_refused_in_words() -> None:
    read = refused = 0
    wordless: list[str] = []
    for path in FILES:
        as_trees = dataclasses.replace(Settings(), trees=TreeSettings(file=path.name, dbh_unit="cm"))
        as_ground = dataclasses.replace(Settings(), ground={"no_go": GroundLayerSettings(file=path.name)})
        as_land = dataclasses.replace(Settings(), terrain=dataclasses.replace(Settings().terrain, file=path.name))
        for reader in (
            lambda base, s=as_trees: vectors.read_trees(s, base, FRAME),
            lambda base, s=as_ground: layers.read_ground_report(s, base, FRAME),
            lambda base, s=as_land: rasters.read_terrain(s, base),
        ):
            try:
                reader(path.parent)
                read += 1
            except InputDataError as error:
                refused += 1
                wordless += [path.name for p in error.problems if not (p.found and p.wanted and p.remedy)]
    assert wordless == []
    assert read > 0
    assert refused > 0


@pytest.mark.skipif(not (FIXTURES / "naturalearth_lowres").is_dir(), reason="no such file in this build of pyogrio")
def test_a_world_of_polygons_is_read_whole_as_ground() -> None:
    """Natural Earth's low-resolution countries as pyogrio ships them: 177 features (its own tests say so)."""
    folder = FIXTURES / "naturalearth_lowres"
    settings = dataclasses.replace(Settings(), ground={"no_go": GroundLayerSettings(file="naturalearth_lowres.shp")})
    (layer,), findings = layers.read_ground_report(settings, folder, FRAME)
    left_out = sum(int(f.measured or 0) for f in findings if f.code == "GROUND_EMPTY_SHAPE")
    assert len(layer.shapes) + left_out == 177
