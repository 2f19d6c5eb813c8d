"""What a name in a bush file may be: a plain file of this computer, on any system, and nothing that opens more."""

from __future__ import annotations

from pathlib import Path, PurePosixPath, PureWindowsPath

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pipeline.errors import OutputError, Problem
from pipeline.store import guard, planfolder, tiles

WINDOWS = [
    PureWindowsPath("C:/Users/Ann Lee/érablière/trees.csv"), PureWindowsPath("d:\\bush\\t.gpkg"),
    PureWindowsPath("sub\\t.gpx"), PureWindowsPath("..\\other\\t.shp"), PureWindowsPath("C:t.csv"),
    PureWindowsPath("//server/share/bush/t.csv"),
]
POSIX = [PurePosixPath(name) for name in ("/home/ann/t.csv", "./t.csv", "a b/ü (1).tif", "~/t.csv")]
# how the geospatial library spells what is no file; each would be opened without a question
DOORS = [
    "/vsicurl/https://x/t.gpkg", "/vsizip/t.zip", "/vsimem/x", "/vsis3/b/k", "/VSICURL/x",
    "zip+https://x/t.zip!t.gpkg", "https://x/t.csv", "ftp://x/t", "s3://b/k", "file:///etc/passwd", "gs://b", "az://c",
    "PG:host=x dbname=y", "MySQL:db", "ODBC:x", "WFS:http://x", "OAPIF:https://x", "GPKG:t.gpkg:layer", "NETCDF:x:y",
    "GeoJSON:x", "ESRIJSON:x", "CSV:x", "DB2ODBC:x", "MVT:x", "<VRTDataset/>", "<OGRVRTDataSource>", '{"type":"Point"}',
    "  {", "t.csv\x00", "t\n.csv", "t|x", "vsizip/t.zip", "C:/x/vsi/../vsicurl/x/vsi",
]


@pytest.mark.parametrize("name", [str(p) for p in (*WINDOWS, *POSIX)])
def test_a_path_of_any_system_is_only_looked_for(tmp_path, name: str) -> None:
    assert not guard.is_address(name)
    found = guard.locate(tmp_path, name, "trees.file")
    assert isinstance(found, Problem)
    assert found.found == "no such file"


@pytest.mark.parametrize("name", DOORS)
def test_a_door_to_elsewhere_is_refused_wherever_a_name_is_asked_for(tmp_path, name: str) -> None:
    assert guard.is_address(name)
    found = guard.locate(tmp_path, name, "trees.file")
    assert isinstance(found, Problem)
    assert "address or a virtual path" in found.found
    assert found.file == name[:80]
    assert tiles.matches(tmp_path, f"{name}*") == []


@pytest.mark.parametrize("pattern", ["/etc/*", "../*.tif", "a/../../*.tif"])
def test_a_pattern_finds_plain_files_and_names_them_as_written(tmp_path, pattern: str) -> None:
    inside = tmp_path / "site" / "a"
    inside.mkdir(parents=True)
    (tmp_path / "other.tif").write_bytes(b"x")
    found = tiles.matches(tmp_path / "site", pattern)
    assert [p.name for p, _ in found] == ([] if pattern.startswith("/") else ["other.tif"])


@given(st.text(max_size=30), st.sampled_from(["/vsi", "://", "<", ">", "|", "\x00", "\x1b"]), st.text(max_size=30))
def test_a_door_is_seen_anywhere_in_a_name(before: str, door: str, after: str) -> None:
    assert guard.is_address(before + door + after)


@given(st.text(st.characters(exclude_categories=("Cs",)), max_size=5000))
def test_any_name_at_all_is_a_file_or_a_problem(name: str) -> None:
    found = guard.locate(Path("/nowhere at all"), name, "x")
    assert isinstance(found, Problem)
    assert found.wanted
    assert found.remedy
    assert len(found.file) <= max(80, len(name))


# -------------------------------------------------- names of what is written


@pytest.mark.parametrize("name", [
    "../x.pdf", "/x.pdf", "a/../../x.pdf", "a\\x.pdf", "C:x.pdf", "x\x00.pdf", "x\n.pdf", "", ".", "a/..",
    "sheets/../..",
])
def test_no_name_leaves_the_folder_on_any_system(tmp_path, name: str) -> None:
    with pytest.raises(OutputError, match="inside the plan folder"):
        planfolder.write_files(tmp_path / "out", {name: b"x"})
    assert not (tmp_path / "x.pdf").exists()
    assert list(tmp_path.rglob("*.part")) == []


@given(st.text(max_size=40))
def test_what_is_let_through_stays_inside_on_posix_and_on_windows(name: str) -> None:
    try:
        inside = planfolder._inside(name)
    except OutputError:
        return
    for system, root in ((PurePosixPath, "/plan"), (PureWindowsPath, "C:/plan")):
        whole = system(root) / inside
        assert ".." not in whole.parts
        assert whole.is_relative_to(system(root))
        assert whole != system(root)
