"""Reading of CSV texts: separators, encodings, line numbers and what is refused."""

from __future__ import annotations

import math
from pathlib import Path

import geopandas
import pytest
from pipeline.errors import Problem
from pipeline.store import tables


def read(tmp_path: Path, body: bytes, *, comments: bool = False):
    path = tmp_path / "trees.csv"
    path.write_bytes(body)
    return tables.read_csv(path, "trees.csv", "[trees]", comments=comments)


@pytest.mark.parametrize("mark", [",", ";", "\t", "|"])
def test_each_separator_is_found(tmp_path, mark: str) -> None:
    body = "\n".join(mark.join(row) for row in (("id", "x", "y"), ("A", "1.5", "2"), ("B", "3", "4"))) + "\n"
    table, problems = read(tmp_path, body.encode())
    assert problems == []
    assert table.columns == {"id": ("A", "B"), "x": ("1.5", "3"), "y": ("2", "4")}
    assert table.row.tolist() == [2, 3]
    assert (table.driver, table.shapes, table.crs_wkt, len(table)) == ("CSV", None, "", 2)


def test_decimal_commas_do_not_cut_a_semicolon_file(tmp_path) -> None:
    table, problems = read(tmp_path, b"id;x;y\nA;1,5;2,5\nB;3,25;4\n")
    assert problems == []
    assert table.columns["x"] == ("1,5", "3,25")


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_accents_survive_each_encoding(tmp_path, encoding: str) -> None:
    table, problems = read(tmp_path, "id,note\n1,érable à sucre\n".encode(encoding))
    assert problems == []
    assert table.columns == {"id": ("1",), "note": ("érable à sucre",)}


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_each_line_ending_gives_the_same_rows(tmp_path, ending: str) -> None:
    table, problems = read(tmp_path, ending.join(["id,x", "A,1", "B,2", ""]).encode())
    assert problems == []
    assert table.columns == {"id": ("A", "B"), "x": ("1", "2")}
    assert table.row.tolist() == [2, 3]


@pytest.mark.parametrize("line", ["sep=;", "SEP=;", '"sep=;"'])
def test_a_separator_line_is_obeyed_and_counted(tmp_path, line: str) -> None:
    table, problems = read(tmp_path, f"{line}\nid;x\nA;1,2\n".encode())
    assert problems == []
    assert table.columns == {"id": ("A",), "x": ("1,2",)}
    assert table.row.tolist() == [3]


def test_empty_lines_are_passed_over_but_counted(tmp_path) -> None:
    table, problems = read(tmp_path, b"\nid,x\n\nA,1\n , \nB,2\n")
    assert problems == []
    assert table.columns["id"] == ("A", "B")
    assert table.row.tolist() == [4, 6]


@pytest.mark.parametrize(("comments", "ids", "lines"), [(True, ("A",), [3]), (False, ("#x", "A"), [2, 3])])
def test_comment_lines_are_rows_unless_asked_for(tmp_path, comments: bool, ids, lines) -> None:
    table, problems = read(tmp_path, b"id,x\n#x,9\nA,1\n", comments=comments)
    assert problems == []
    assert table.columns["id"] == ids
    assert table.row.tolist() == lines


def test_a_quoted_cell_keeps_separator_and_quote(tmp_path) -> None:
    table, problems = read(tmp_path, b'id,note\nA,"big, old ""mother"""\n')
    assert problems == []
    assert table.columns["note"] == ('big, old "mother"',)


def test_repeated_heads_are_numbered(tmp_path) -> None:
    table, _ = read(tmp_path, b"x,x,y,x\n1,2,3,4\n")
    assert table.columns == {"x": ("1",), "x (2)": ("2",), "y": ("3",), "x (3)": ("4",)}


@pytest.mark.parametrize(("row", "found"), [
    ("B,2", ["2 cells"]), ("B,2,3,4", ["4 cells"]), ("B,2,3,", []), ("B,,", []), ("B,2,3", []),
])
def test_a_row_of_the_wrong_length_is_told_with_its_line(tmp_path, row: str, found: list[str]) -> None:
    table, problems = read(tmp_path, f"id,x,y\nA,1,1\n{row}\n".encode())
    assert [p.found for p in problems] == found
    assert [p.where for p in problems] == ["[trees], line 3"] * len(found)
    assert all(p.wanted == "3 cells as in the header" for p in problems)
    assert table.columns["id"] == ("A", "B")


@pytest.mark.parametrize(("body", "found"), [
    (b"", "no lines"), (b"\n \n", "no lines"), (b"id,x\n1\x00,2\n", "bytes that are no text"),
])
def test_a_file_without_text_is_refused(tmp_path, body: bytes, found: str) -> None:
    table, problems = read(tmp_path, body)
    assert table is None
    assert [p.found for p in problems] == [found]


def test_a_header_alone_is_told(tmp_path) -> None:
    table, problems = read(tmp_path, b"id,x\n")
    assert len(table) == 0
    assert [p.found for p in problems] == ["a header without rows"]


@pytest.mark.parametrize(("count", "kept", "rest"), [(0, 0, ""), (3, 3, ""), (4, 3, "1 more"), (9, 3, "6 more")])
def test_problems_of_a_kind_are_cut_and_counted(count: int, kept: int, rest: str) -> None:
    every = [Problem("f", f"line {i}", "a", "b", "c") for i in range(count)]
    cut = tables.some(iter(every), 3)
    assert cut[:kept] == every[:kept]
    assert [p.found for p in cut[kept:]] == ([f"{rest} of the same kind"] if rest else [])


@pytest.mark.parametrize(("number", "text"), [(math.inf, "inf"), (-math.inf, "-inf"), (14.0, "14"), (14.5, "14.5")])
def test_a_number_of_a_layer_is_read_as_text_even_when_it_is_infinite(tmp_path, number, text) -> None:
    """An infinite diameter once ended in an OverflowError; the tree must be read and judged like any other."""
    path = tmp_path / "trees.gpkg"
    frame = geopandas.GeoDataFrame(
        {"tag": ["A"], "dbh": [number]}, geometry=geopandas.points_from_xy([-72.6], [44.6]), crs="EPSG:4326"
    )
    frame.to_file(path, layer="trees", driver="GPKG")
    table, problems = tables.read_table(path, "trees.gpkg", "[trees]", "trees")
    assert problems == []
    assert table is not None
    assert table.columns["dbh"] == (text,)
