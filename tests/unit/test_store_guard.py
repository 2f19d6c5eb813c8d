"""What is let through to the readers, and what is not."""

from __future__ import annotations

from pathlib import Path, PurePosixPath, PureWindowsPath

import pytest
from pipeline.errors import InputDataError, Problem
from pipeline.settings import Settings, TerrainSettings, TreeSettings
from pipeline.store import guard, inputs, rasters, vectors, vrt


def denied(_self, *_args, **_kwargs):
    raise PermissionError(13, "Permission denied")


@pytest.mark.parametrize(
    ("name", "body"), [("t.csv", b"tag,lon,lat\n1,2,3\n"), ("t.gpx", b"<gpx/>"), ("t.geojson", b'{"type":"Feature"}')]
)
@pytest.mark.parametrize("step", ["open", "read_bytes", "stat"])
def test_a_survey_that_may_not_be_read_is_told(tmp_path, monkeypatch, name: str, body: bytes, step: str) -> None:
    (tmp_path / name).write_bytes(body)
    monkeypatch.setattr(Path, step, denied)
    with pytest.raises(InputDataError, match=r"Permission denied|no such file"):
        vectors.read_trees(Settings(trees=TreeSettings(file=name)), tmp_path, None)


@pytest.mark.parametrize("step", ["open", "stat"])
def test_a_terrain_that_may_not_be_read_is_told(tmp_path, monkeypatch, step: str) -> None:
    (tmp_path / "t.tif").write_bytes(b"II*\x00")
    monkeypatch.setattr(Path, step, denied)
    with pytest.raises(InputDataError, match=r"Permission denied|no such file"):
        rasters.read_terrain(Settings(terrain=TerrainSettings(file="t.tif")), tmp_path)


def test_hashing_a_file_that_may_not_be_read_is_told(tmp_path, monkeypatch) -> None:
    (tmp_path / "t.csv").write_bytes(b"x")
    monkeypatch.setattr(Path, "open", denied)
    with pytest.raises(InputDataError, match="Permission denied"):
        inputs.hash_inputs(Settings(trees=TreeSettings(file="t.csv"), terrain=TerrainSettings(file="t.csv")), tmp_path)


def test_a_mosaic_that_may_not_be_read_is_told(tmp_path, monkeypatch) -> None:
    (tmp_path / "m.vrt").write_bytes(b"<VRTDataset/>")
    monkeypatch.setattr(Path, "open", denied)
    (problem,) = vrt.vrt_problem(tmp_path / "m.vrt", "m.vrt")
    assert "Permission denied" in problem.found


def test_too_large_files_are_told_before_they_are_read(tmp_path, monkeypatch) -> None:
    (tmp_path / "t.csv").write_bytes(b"tag,lon,lat\n")
    monkeypatch.setattr(guard, "LARGEST_VECTOR_BYTES", 5)
    with pytest.raises(InputDataError, match="Cut the file down"):
        vectors.read_trees(Settings(trees=TreeSettings(file="t.csv")), tmp_path, None)
    monkeypatch.setattr(vrt, "_LARGEST_BYTES", 5)
    (tmp_path / "m.vrt").write_bytes(b"<VRTDataset/>")
    assert "very large" in vrt.vrt_problem(tmp_path / "m.vrt", "m.vrt")[0].found


def test_a_missing_folder_is_named(tmp_path) -> None:
    found = guard.locate(tmp_path, "data/2026/t.csv", "trees.file")
    assert isinstance(found, Problem)
    assert "'2026' is not there either" in found.remedy


@pytest.mark.parametrize(
    ("name", "head", "driver"),
    [
        ("t.tif", b"II*\x00", "GTiff"),
        ("t.tif", b"MM\x00*", "GTiff"),
        ("t.tif", b"II+\x00", "GTiff"),
        ("t.img", b"EHFA_HEADER_TAG", "HFA"),
        ("t.asc", b"NCOLS 5\n", "AAIGrid"),
        ("t.txt", b"  ncols 5\n", "AAIGrid"),
        ("t.flt", b"\x00\x01", "EHdr"),
        ("t.vrt", b'<VRTDataset rasterXSize="1">', "VRT"),
    ],
)
def test_rasters_are_known_by_their_first_bytes(tmp_path, name: str, head: bytes, driver: str) -> None:
    (tmp_path / name).write_bytes(head)
    (tmp_path / "t.hdr").write_bytes(b"")
    assert guard.raster_format(tmp_path / name, name) == driver


@pytest.mark.parametrize(
    "name",
    [
        str(PureWindowsPath("C:/Users/Ann Lee/bush/trees.csv")),
        str(PureWindowsPath("//server/share/trees.csv")),
        str(PurePosixPath("/home/ann/trees.csv")),
        "sub folder/érables.csv",
        "a-b_c (2).csv",
    ],
)
def test_ordinary_paths_of_any_system_are_no_addresses(tmp_path, name: str) -> None:
    found = guard.locate(tmp_path, name, "trees.file")
    assert isinstance(found, Problem)
    assert found.found == "no such file"


@pytest.mark.parametrize("base", [".", "deep"])
def test_a_missing_file_is_told_with_the_folder_it_was_looked_for_in(tmp_path, monkeypatch, base) -> None:
    """A file that a command names lies where the user stands, not at a bush file: "start at .." helped nobody."""
    monkeypatch.chdir(tmp_path)
    (tmp_path / "deep").mkdir()
    problem = guard.locate(Path(base), "nope.gpx", "storm file")
    assert problem.found == "no such file"
    assert str(tmp_path / base if base != "." else tmp_path) in problem.remedy
