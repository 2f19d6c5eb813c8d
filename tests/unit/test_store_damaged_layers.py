"""Layers that are damaged where a reading library is weakest: names, counts, kinds; and archives that lie."""

from __future__ import annotations

import sqlite3
import subprocess
import sys
import zipfile
from contextlib import closing
from pathlib import Path

import geopandas
import pyogrio
import pytest
import shapely
from pipeline import __file__ as package
from pipeline.store import archives, tables

POINTS = [shapely.Point(-75.0 + 0.001 * i, 44.7) for i in range(3)]


def write(path: Path, **columns: list) -> Path:
    """Write three points."""
    frame = geopandas.GeoDataFrame({"tag": ["A", "B", "C"], **columns}, geometry=POINTS, crs=4326)
    frame.to_file(path, engine="pyogrio", driver="KML" if path.suffix == ".kml" else None)
    return path


def read(path: Path, layer: str = "") -> tuple[tables.Table | None, list[str]]:
    """Return what is read of a file, and what was wrong in one line each."""
    table, problems = tables.read_table(path, path.name, "trees", layer)
    return table, [p.as_line() for p in problems]


def replaced(path: Path, old: bytes, new: bytes) -> None:
    """Change bytes of a file, all of one length."""
    body = path.read_bytes()
    assert old in body
    assert len(old) == len(new)
    path.write_bytes(body.replace(old, new))


@pytest.mark.parametrize(("old", "new"), [
    (b"CREATE TABLE gpkg_contents", b"CREATE TABL\x80 gpkg_contents"),
    (b"CREATE TABLE gpkg_geometry_columns", b"CREATE \xc6ABLE gpkg_geometry_columns"),
    (b"'Geographic 3D", b"'\xff\xfe\xfdgraphic 3D"),
])
def test_a_package_with_bytes_that_are_no_text_ends_in_words_not_in_a_crash(tmp_path, old: bytes, new: bytes) -> None:
    """Run apart: what it guards against took the whole process down, and printed tracebacks before."""
    path = write(tmp_path / "t.gpkg")
    body = path.read_bytes()
    if old not in body:
        old, new = b"gpkg_spatial_ref_sys", b"gpkg_spatial_ref_\x81ys"
    path.write_bytes(body.replace(old, new))
    code = ("import sys; from pathlib import Path; from pipeline.store.tables import read_table; "
            "t, p = read_table(Path(sys.argv[1]), 't.gpkg', 'trees', ''); print(t is None, [x.as_line() for x in p])")
    done = subprocess.run([sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=False,
                          cwd=Path(package).parent.parent)
    assert done.returncode == 0
    assert done.stderr == ""
    assert done.stdout.startswith(("True ['t.gpkg", "False []"))
    assert "Could not decode" not in done.stdout


def test_the_damage_is_named_for_what_it_is(tmp_path) -> None:
    path = write(tmp_path / "t.gpkg")
    replaced(path, b"CREATE TABLE gpkg_contents", b"CREATE TABL\x80 gpkg_contents")
    table, told = read(path)
    assert table is None
    assert len(told) == 1
    assert "names that are no UTF-8" in told[0]


def test_two_fields_of_one_name_are_refused(tmp_path) -> None:
    """The format forbids it and writers do it: which of the two diameters is meant nobody can say."""
    path = write(tmp_path / "s.shp", dbh_a=[10.0, 20.0, 30.0], dbh_b=[11.0, 21.0, 31.0])
    assert set(read(path)[0].columns) == {"tag", "dbh_a", "dbh_b"}
    replaced(tmp_path / "s.dbf", b"dbh_b", b"dbh_a")
    table, told = read(path)
    assert table is None
    assert "two of its columns are called 'dbh_a'" in told[0]


def test_a_table_without_shapes_is_read_whole(tmp_path) -> None:
    path = tmp_path / "t.gpkg"
    frame = geopandas.GeoDataFrame({"tag": ["A", "B"]}, geometry=POINTS[:2], crs=4326)
    pyogrio.write_dataframe(frame, path, layer="pts")
    pyogrio.write_dataframe(frame.drop(columns="geometry"), path, layer="bare", append=True)
    table, told = read(path, "bare")
    assert told == []
    assert table.shapes is None
    assert table.columns["tag"] == ("A", "B")
    assert tables.layer_names(path) == ["pts", "bare"]


def test_a_package_that_announces_more_rows_than_it_holds_is_refused(tmp_path) -> None:
    """Half a layer must not pass for the whole of it."""
    path = write(tmp_path / "t.gpkg")
    with closing(sqlite3.connect(path)) as base, base:
        base.execute("UPDATE gpkg_ogr_contents SET feature_count = 9")
    table, told = read(path)
    assert table is None
    assert "announces 9 rows and holds 3" in told[0]


def test_a_database_of_another_kind_is_refused_by_its_kind(tmp_path) -> None:
    """A plain database with a table of points opens by another driver than a GeoPackage's."""
    path = tmp_path / "t.sqlite"
    pyogrio.write_dataframe(geopandas.GeoDataFrame({"tag": ["A"]}, geometry=POINTS[:1], crs=4326), path,
                            driver="SQLite", layer="t")
    table, told = read(path)
    assert table is None
    assert "opens as SQLite, not as GPKG" in told[0]


@pytest.mark.parametrize(("values", "texts"), [
    ([1, 2, 3], ("1", "2", "3")), ([1.0, 2.5, None], ("1", "2.5", "")), (["", None, "x"], ("", "", "x")),
    ([True, False, True], ("True", "False", "True")), ([1e20, -0.0, 1e-7], ("1e+20", "0", "1e-07")),
])
def test_cells_of_each_type_become_texts(tmp_path, values: list, texts: tuple[str, ...]) -> None:
    table, told = read(write(tmp_path / "t.gpkg", v=values))
    assert told == []
    assert table.columns["v"] == texts


@pytest.mark.parametrize("name", ["t.gpkg", "t.geojson", "t.fgb", "s.shp", "t.kml"])
def test_no_column_is_lost_or_invented(tmp_path, name: str) -> None:
    table, told = read(write(tmp_path / name, dbh=[1.5, 2.5, 3.5], note=["a", "b", ""]))
    assert told == []
    assert len(table) == 3
    heads = {h.lower() for h in table.columns} - {"id", "name", "description"}
    heads -= {"extrude", "tessellate", "visibility"}  # every KML feature has these
    assert heads == {"tag", "dbh", "note"}
    dbh = {h.lower(): v for h, v in table.columns.items()}["dbh"]
    rows = sorted((round(s.x, 6), v) for s, v in zip(table.shapes, dbh, strict=True))  # some formats sort by place
    assert rows == [(round(p.x, 6), v) for p, v in zip(POINTS, ("1.5", "2.5", "3.5"), strict=True)]


# ---------------------------------------------------------------------- archives


@pytest.mark.parametrize(("name", "plain"), [
    ("a/b.gpkg", True), ("b.gpkg", True), ("a\\b.gpkg", True), ("/b.gpkg", False), ("../b.gpkg", False),
    ("a/../../b.gpkg", False), ("C:/b.gpkg", False), ("a\\..\\..\\b.gpkg", False), ("b.gpkg:stream", False),
])
def test_a_member_that_leaves_the_archive_is_refused(tmp_path, name: str, plain: bool) -> None:
    path = tmp_path / "t.zip"
    with zipfile.ZipFile(path, "w") as out:
        out.writestr(zipfile.ZipInfo(name), write(tmp_path / "in.gpkg").read_bytes())
    with archives.unpacked(path, "t.zip", "trees") as found:
        assert isinstance(found, Path) is plain
        if plain:
            assert [p.name for p in found.parent.iterdir()] == ["data.gpkg"]
            folder = found.parent
        else:
            assert "member" in found.found
            return
    assert not folder.exists(), "what was unpacked is removed"


def test_an_archive_that_says_less_than_it_holds_is_stopped(tmp_path, monkeypatch) -> None:
    """A bomb lies about its size: the limit is on what comes out."""
    path = tmp_path / "t.zip"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as out:
        out.writestr("t.csv", b"0" * 50_000)
    monkeypatch.setattr(archives, "LARGEST_BYTES", 60_000)
    with archives.unpacked(path, "t.zip", "trees") as found:
        assert isinstance(found, Path)
    real = archives.LARGEST_BYTES
    with zipfile.ZipFile(path) as archive:
        monkeypatch.setattr(archives, "LARGEST_BYTES", 10_000)
        with pytest.raises(ValueError, match="more than it says"):
            archives._copy(archive, archive.infolist()[0], tmp_path / "out.csv")
    assert (tmp_path / "out.csv").stat().st_size <= real
    with archives.unpacked(path, "t.zip", "trees") as found:
        assert "MB unpacked" in found.found


def test_too_many_members_are_told(tmp_path, monkeypatch) -> None:
    monkeypatch.setattr(archives, "MOST_MEMBERS", 3)
    path = tmp_path / "t.zip"
    with zipfile.ZipFile(path, "w") as out:
        for i in range(4):
            out.writestr(f"n{i}.txt", b"x")
    with archives.unpacked(path, "t.zip", "trees") as found:
        assert "an archive of 4 files" in found.found
