"""A plan folder that another program changed: every record and every layer is missed by name, none is guessed."""

from __future__ import annotations

import json
import shutil
import sqlite3
import struct
import warnings
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

import pytest
from pipeline import bushfile, schema
from pipeline.errors import InputDataError
from pipeline.store import exact_json, geopackage, plan_reader, plan_records, planfolder

from sample_plan import sample_plan

MADE = sample_plan()
RECORDS = tuple(plan_records.record_texts(MADE[0], MADE[2].layers))
GARBAGE = ("", "{", "null", "3", '"x"', "[3]", '{"x": 1}', "[" * 50_000)


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Path:
    plan, terrain, ground = MADE
    folder = tmp_path_factory.mktemp("damage") / "plan"
    planfolder.write_plan(folder, plan=plan, terrain=terrain, ground=ground, pdfs={}, manifest={},
                          settings_text=bushfile.render(plan.settings), force=False)
    return folder


@pytest.fixture
def folder(whole, tmp_path) -> Path:
    return Path(shutil.copytree(whole, tmp_path / "plan"))


def change(folder: Path, *commands: tuple) -> None:
    """Change the package in SQL, without the triggers that would need a geospatial library."""
    with closing(sqlite3.connect(folder / "plan.gpkg")) as base, base:
        for (name,) in base.execute("SELECT name FROM sqlite_master WHERE type = 'trigger'").fetchall():
            base.execute(f'DROP TRIGGER "{name}"')
        for command in commands:
            base.execute(*command)


def told(folder: Path, read: Callable[[Path], object] = planfolder.read_plan) -> str:
    """Return the one problem that reading gives."""
    with pytest.raises(InputDataError) as caught:
        read(folder)
    (problem,) = caught.value.problems
    assert problem.wanted
    assert "Plan again" in problem.remedy
    return problem.as_line()


def test_the_whole_one_reads(folder) -> None:
    plan, terrain, layers = planfolder.read_plan(folder)
    assert len(plan.trees) == len(MADE[0].trees)
    assert terrain.shape == MADE[1].shape
    assert [g.kind for g in layers] == [g.kind for g in MADE[2].layers]
    assert planfolder.read_gaps(folder) == ()


@pytest.mark.parametrize("name", RECORDS)
def test_a_record_that_is_gone_is_missed(folder, name: str) -> None:
    change(folder, ("DELETE FROM plan_records WHERE name = ?", (name,)))
    assert name in told(folder, planfolder.read_gaps if name == "gaps" else planfolder.read_plan)


@pytest.mark.parametrize("name", sorted(set(RECORDS) - {"gaps"}))
def test_a_record_of_nonsense_is_refused(folder, name: str) -> None:
    """Each in turn holds what is no JSON, or JSON of another shape; what reads all the same is of the record's own."""
    own = type(exact_json.load(plan_records.record_texts(MADE[0], MADE[2].layers)[name]))
    read = []
    for text in GARBAGE:
        change(folder, ("UPDATE plan_records SET json = ? WHERE name = ?", (text, name)))
        try:
            planfolder.read_plan(folder)
        except InputDataError:
            continue
        read.append(json.loads(text))
    assert all(isinstance(value, own) and value for value in read), read


@pytest.mark.parametrize("layer", [layer for layer in schema.LAYERS if layer.name != "crossings"], ids=lambda x: x.name)
def test_a_layer_that_is_gone_is_missed(folder, layer: schema.Layer) -> None:
    change(folder, (f'DROP TABLE "{layer.name}"',),
           ("DELETE FROM gpkg_contents WHERE table_name = ?", (layer.name,)),
           ("DELETE FROM gpkg_geometry_columns WHERE table_name = ?", (layer.name,)))
    assert "plan.gpkg" in told(folder)


@pytest.mark.parametrize(("layer", "column"), [
    (schema.TREES, "tree_id"), (schema.TREES, "taps"), (schema.TREES, "ground_z_m"), (schema.LATERALS, "mainline_id"),
    (schema.SUPPORTS, "station_m"), (schema.PIPES, "nominal"), (schema.SECTIONS, "pieces"), (schema.FINDINGS, "code"),
    (schema.COLLECTION, "inlet_z_m"), (schema.MAINLINES, "parent_id"),
], ids=lambda x: getattr(x, "name", x))
def test_a_column_of_another_name_is_missed(folder, layer: schema.Layer, column: str) -> None:
    change(folder, (f'ALTER TABLE "{layer.name}" RENAME COLUMN "{column}" TO "was_{column}"',))
    assert column in told(folder)


@pytest.mark.parametrize("command", [
    "UPDATE trees SET lateral_id = 'M9-L99' WHERE fid = 1",  # a lateral that is not there
    "UPDATE mainlines SET mainline_id = 'M77'",  # supports that hold no line
    "UPDATE sections SET pieces = '[[1, 2]]'",  # a piece without its end
    "UPDATE sections SET neighbours = 'x'",
    "UPDATE trees SET taps = NULL",
])
def test_rows_that_do_not_fit_together_are_refused(folder, command: str) -> None:
    change(folder, (command,))
    told(folder)


@pytest.mark.parametrize("text", ["[bush]\nname = 3\n", "", "\x00", "[[collection]]\nlon = 1.0\n"])
def test_settings_that_are_none_are_told_as_in_a_bush_file(folder, text: str) -> None:
    (folder / "settings.used.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputDataError) as caught:
        planfolder.read_plan(folder)
    assert all(p.file == "settings.used.toml" for p in caught.value.problems)


def test_settings_in_no_utf_8_are_told(folder) -> None:
    (folder / "settings.used.toml").write_bytes(b"[bush]\nname = '\xe9rable'\n")
    assert "utf-8" in told(folder)


# ------------------------------------------------------------- an earlier issue


def test_an_issue_is_read_as_the_plan_it_was(folder) -> None:
    issued = plan_reader.issue_path(folder, "A")
    issued.parent.mkdir()
    shutil.copy(folder / "plan.gpkg", issued)
    plan = plan_reader.read_issue(folder, "A", MADE[0].settings)
    assert plan.trees.tree_id == MADE[0].trees.tree_id
    assert plan.settings is MADE[0].settings


@pytest.mark.parametrize("body", [None, b"", b"SQLite format 3\x00" + b"\x00" * 200])
def test_an_issue_that_is_gone_or_damaged_is_told(folder, body: bytes | None) -> None:
    issued = plan_reader.issue_path(folder, "A")
    issued.parent.mkdir()
    if body is not None:
        issued.write_bytes(body)
    with pytest.raises(InputDataError) as caught:
        plan_reader.read_issue(folder, "A", MADE[0].settings)
    assert caught.value.problems[0].where == "issued/A.gpkg"
    assert "Restore the folder" in caught.value.problems[0].remedy


def test_reading_changes_nothing(folder) -> None:
    """Not even a time stamp, and no journal beside the package."""
    before = {p.name: (p.stat().st_mtime_ns, p.read_bytes()) for p in folder.rglob("*") if p.is_file()}
    planfolder.read_plan(folder)
    planfolder.read_gaps(folder)
    geopackage.read_plain(folder / "plan.gpkg", "findings", ["code"])
    assert {p.name: (p.stat().st_mtime_ns, p.read_bytes()) for p in folder.rglob("*") if p.is_file()} == before


def test_a_shape_of_signalling_nan_warns_of_nothing(folder) -> None:
    """IEEE 754: the quiet bit is off; numpy would print a warning on the terminal while it is copied."""
    ((shape,),) = _rows(folder, "SELECT geom FROM trees ORDER BY fid LIMIT 1")
    (x, y) = struct.unpack("<2d", shape[-16:])
    assert x == pytest.approx(MADE[0].trees.x_m[0])
    assert y == pytest.approx(MADE[0].trees.y_m[0])
    signalling = struct.pack("<Q", 0x7FF0000000000001)
    change(folder, ("UPDATE trees SET geom = ? WHERE fid = 1", (shape[:-16] + 2 * signalling,)))
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        frame = geopackage.read_layer(folder / "plan.gpkg", "trees")
    assert not frame.geometry[0].is_valid or frame.geometry[0].is_empty
    assert frame.geometry[1].is_valid


def _rows(folder: Path, question: str) -> list[tuple]:
    with closing(sqlite3.connect(folder / "plan.gpkg")) as base:
        return base.execute(question).fetchall()
