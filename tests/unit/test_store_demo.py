"""The demo woodlot's inputs: every format, CRS and unit gives the same trees on the same ground."""

from __future__ import annotations

import warnings
from collections import Counter
from dataclasses import replace
from pathlib import Path

import geopandas
import numpy as np
import pytest
import rasterio
import shapely
from pipeline import survey
from pipeline.resources import demo_dir, template_rows
from pipeline.settings import Settings, TerrainSettings, TreeSettings
from pipeline.store import bush, inputs, layers, rasters, vectors
from rasterio.warp import Resampling, calculate_default_transform, reproject

DEMO = demo_dir()
ORDER_FREE = ("x_m", "y_m", "dbh_cm")


@pytest.fixture(scope="module")
def base_settings() -> Settings:
    return bush.read_settings(DEMO / "bush.toml")


@pytest.fixture(scope="module")
def land(base_settings):
    return rasters.read_terrain(base_settings, DEMO)


@pytest.fixture(scope="module")
def points(base_settings, land):
    return vectors.read_trees(base_settings, DEMO, land.frame)


def by_row(given):
    """Return the trees sorted by tag and place, because a spatial index may change their order."""
    order = np.lexsort((np.round(given.y_m, 2), np.round(given.x_m, 2), given.tree_id))
    return {
        "tags": [given.tree_id[i] for i in order],
        "species": [given.species[i] for i in order],
        "dead": [given.state[i] in {"dead", "snag"} for i in order],
        **{n: getattr(given, n)[order] for n in ORDER_FREE},
    }


def assert_same(one, other, metres: float) -> None:
    a, b = by_row(one), by_row(other)
    assert a["tags"] == b["tags"]
    assert a["species"] == b["species"]
    assert a["dead"] == b["dead"]
    assert np.hypot(a["x_m"] - b["x_m"], a["y_m"] - b["y_m"]).max() < metres
    assert np.allclose(a["dbh_cm"], b["dbh_cm"], rtol=0.0, atol=1e-6, equal_nan=True)


def test_both_surveys_hold_the_same_trees_and_nothing_is_changed(base_settings, land, points) -> None:
    before = inputs.hash_inputs(base_settings, DEMO)
    csv = vectors.read_trees(
        replace(base_settings, trees=replace(base_settings.trees, file="trees.csv")), DEMO, land.frame
    )
    assert len(points.tree_id) == (DEMO / "trees.gpx").read_text(encoding="utf-8").count("<wpt ")
    assert_same(points, csv, metres=1e-6)
    assert inputs.hash_inputs(base_settings, DEMO) == before


@pytest.mark.parametrize("crs", ["EPSG:4326", "EPSG:32618", "EPSG:26918", "EPSG:5646"])
@pytest.mark.parametrize("name", ["t.gpkg", "t.fgb", "t.shp", "t.geojson", "t.kml"])
def test_every_format_and_crs_gives_the_same_trees(tmp_path, points, land, name: str, crs: str) -> None:
    if name.endswith(("json", "kml")) and crs != "EPSG:4326":
        crs = "EPSG:4326"  # RFC 7946, section 4; OGC KML 2.3, clause 6.2
    lon, lat = land.frame.lonlat(points.x_m, points.y_m)
    frame = geopandas.GeoDataFrame(
        {"tag": points.tree_id, "species": points.species, "dbh_cm": points.dbh_cm, "state": points.state},
        geometry=shapely.points(lon, lat),
        crs="EPSG:4326",
    ).to_crs(crs)
    frame.to_file(tmp_path / name, engine="pyogrio", **({"driver": "KML"} if name.endswith("kml") else {}))
    again = vectors.read_trees(Settings(trees=TreeSettings(file=name)), tmp_path, land.frame)
    # NAD83 is taken as WGS 84 within 1.5 m; GeoJSON and KML keep at least seven decimals of a degree
    assert_same(points, again, metres=1.5 if crs in {"EPSG:26918", "EPSG:5646"} else 0.02)


def test_nothing_of_the_survey_vanishes(base_settings, land, points) -> None:
    trees, _ = survey.assess(
        points=points,
        terrain=land,
        ground_reasons=("",) * len(points.tree_id),
        guideline=template_rows("guidelines.csv"),
        settings=base_settings,
    )
    counts = Counter(trees.status)
    assert counts.total() == len(points.tree_id)
    assert counts["served"] > 0.5 * counts.total()
    assert {"TOO_SMALL", "DEAD", "SPECIES", "DUPLICATE"} <= set(trees.reason)
    assert np.isfinite(trees.ground_z_m).all()


def test_every_layer_of_the_ground_is_read(base_settings, land) -> None:
    got = layers.read_ground_layers(base_settings, DEMO, land.frame)
    assert [g.kind for g in got] == sorted(base_settings.ground)
    assert all(g.shapes for g in got)


@pytest.mark.parametrize(
    ("crs", "unit", "factor"),
    [
        ("EPSG:26918", "m", 1.0),
        ("EPSG:5646", "us-ft", 1200 / 3937),
        ("EPSG:2852", "ft", 0.3048),
        ("EPSG:4269", "ft", 0.3048),
    ],
)
def test_the_terrain_in_other_crss_and_units_is_the_same_ground(
    tmp_path: Path, points, land, crs: str, unit: str, factor: float
) -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", PendingDeprecationWarning)  # of the affine package, inside rasterio
        with rasterio.open(DEMO / "terrain.tif") as source:
            transform, width, height = calculate_default_transform(
                source.crs, crs, source.width, source.height, *source.bounds
            )
            z = np.full((height, width), np.nan, np.float32)
            reproject(
                source.read(1).astype(np.float32), z, src_transform=source.transform, src_crs=source.crs,
                dst_transform=transform, dst_crs=crs, dst_nodata=np.nan, resampling=Resampling.cubic,
            )
    with rasterio.open(
        tmp_path / "t.tif",
        "w",
        driver="GTiff",
        width=width,
        height=height,
        count=1,
        dtype="float32",
        crs=crs,
        transform=transform,
        nodata=np.nan,
    ) as target:
        target.write(z / np.float32(factor), 1)
    asked = Settings(terrain=TerrainSettings(file="t.tif", vertical_unit=unit))
    again = rasters.read_terrain(asked, tmp_path)
    lon, lat = land.frame.lonlat(points.x_m, points.y_m)
    difference = again.sample(*again.frame.from_lonlat(lon, lat)) - land.sample(points.x_m, points.y_m)
    assert np.isfinite(difference).mean() > 0.99
    # twice resampled on a slope: a cell of 1 m on ground of 25 % differs by some centimetres
    assert np.nanpercentile(np.abs(difference), 95) < 0.08
    assert abs(np.nanmean(difference)) < 0.01
