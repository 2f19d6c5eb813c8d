"""Hashes of the inputs."""

from __future__ import annotations

import hashlib

import geopandas
import pytest
import shapely
from pipeline.errors import InputDataError
from pipeline.settings import GroundLayerSettings, PinSettings, PriceSettings, Settings, TerrainSettings, TreeSettings
from pipeline.store import inputs


def site(tmp_path) -> Settings:
    (tmp_path / "trees.csv").write_bytes(b"abc")
    (tmp_path / "terrain.asc").write_bytes(b"dem")
    (tmp_path / "terrain.prj").write_bytes(b"prj")
    (tmp_path / "terrain.asc.aux.xml").write_bytes(b"aux")
    geopandas.GeoDataFrame({"a": [1]}, geometry=[shapely.Point(0, 0)], crs=4326).to_file(tmp_path / "wet.shp")
    return Settings(
        trees=TreeSettings(file="trees.csv"),
        terrain=TerrainSettings(file="terrain.asc"),
        ground={"wet": GroundLayerSettings(file="wet.shp"), "road": GroundLayerSettings(file="wet.shp")},
        pins=PinSettings(),
        prices=PriceSettings(),
    )


def test_every_file_and_sidecar_is_hashed_once(tmp_path) -> None:
    got = inputs.hash_inputs(site(tmp_path), tmp_path)
    assert list(got) == [
        "terrain.asc",
        "terrain.asc.aux.xml",
        "terrain.prj",
        "trees.csv",
        "wet.cpg",
        "wet.dbf",
        "wet.prj",
        "wet.shp",
        "wet.shx",
    ]
    # FIPS 180-2, appendix B.1: the digest of "abc"
    assert got["trees.csv"] == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert got["wet.dbf"] == hashlib.sha256((tmp_path / "wet.dbf").read_bytes()).hexdigest()


@pytest.mark.parametrize("name", ["wet.dbf", "wet.prj", "terrain.prj", "trees.csv"])
def test_a_change_of_any_file_changes_its_hash(tmp_path, name: str) -> None:
    settings = site(tmp_path)
    before = inputs.hash_inputs(settings, tmp_path)
    (tmp_path / name).write_bytes((tmp_path / name).read_bytes() + b" ")
    after = inputs.hash_inputs(settings, tmp_path)
    assert [k for k in before if before[k] != after[k]] == [name]


def test_all_missing_files_are_told_at_once(tmp_path) -> None:
    with pytest.raises(InputDataError) as caught:
        inputs.hash_inputs(Settings(), tmp_path)
    assert [p.file for p in caught.value.problems] == ["terrain.tif", "trees.gpx"]
