"""The finished GeoPackage as another program reads it: types of empty layers, and what a false file is told."""

from __future__ import annotations

import dataclasses

import fiona
import numpy as np
import pytest
from pipeline import schema
from pipeline.errors import OutputError
from pipeline.store import geopackage, plan_tables, planfolder, proof

from sample_plan import sample_plan

KINDS = {"text": "str", "int": "int", "float": "float"}
STAMP = "2026-03-02T00:00:00.000Z"


@pytest.fixture(scope="module")
def made():
    return sample_plan()


def written(folder, tables, plan):
    path = folder / "plan.gpkg"
    geopackage.write(path, tables, crs_wkt=plan.frame.crs_wkt, records={}, stamp=STAMP)
    return path


def emptied(table):
    return dataclasses.replace(
        table, shapes=None if table.shapes is None else table.shapes[:0],
        columns={name: cells[:0] for name, cells in table.columns.items()},
    )


def types_in(path, layer):
    with fiona.open(path, layer=layer) as rows:
        return {name: kind.partition(":")[0].removesuffix("64") for name, kind in rows.schema["properties"].items()}


@pytest.mark.parametrize("rows", ["some", "none"])
def test_every_column_has_the_type_of_the_contract(made, tmp_path, rows):
    tables = plan_tables.all_tables(made[0])
    path = written(tmp_path, [emptied(t) for t in tables] if rows == "none" else tables, made[0])
    for layer in schema.LAYERS:
        if layer.geometry == "None":
            continue
        found = types_in(path, layer.name)
        assert {c.name: found[c.name] for c in layer.columns} == {c.name: KINDS[c.type] for c in layer.columns}


def test_a_true_file_passes_the_proof_with_and_without_rows(made, tmp_path):
    tables = plan_tables.all_tables(made[0])
    proof.prove(written(tmp_path, tables, made[0]), tables)
    (tmp_path / "bare").mkdir()
    bare = [emptied(t) for t in tables]
    proof.prove(written(tmp_path / "bare", bare, made[0]), bare)


def a_row_less(table):
    return dataclasses.replace(
        table, shapes=table.shapes[1:], columns={name: cells[1:] for name, cells in table.columns.items()})


def a_column_less(table):
    return dataclasses.replace(table, columns={n: c for n, c in table.columns.items() if n != "length_m"})


def in_another_order(table):
    return dataclasses.replace(table, columns=dict(reversed(table.columns.items())))


@pytest.mark.parametrize(("spoil", "place", "wanted"), [
    (a_row_less, "layer laterals, rows", None),
    (a_column_less, "layer laterals, columns", "length_m"),
    (in_another_order, "layer laterals, columns", "lateral_id, section_id"),
])
def test_a_file_that_lost_something_is_told_where(made, tmp_path, spoil, place, wanted):
    tables = plan_tables.all_tables(made[0])
    path = written(tmp_path, [spoil(t) if t.name == "laterals" else t for t in tables], made[0])
    with pytest.raises(OutputError) as fault:
        proof.prove(path, tables)
    (problem,) = fault.value.problems
    assert problem.where == place
    assert problem.wanted == str(len(made[0].laterals)) if wanted is None else wanted in problem.wanted


def test_every_wrong_layer_is_told_at_once(made, tmp_path, monkeypatch):
    tables = plan_tables.all_tables(made[0])
    monkeypatch.setattr(geopackage, "_CONTRACT", {
        **geopackage._CONTRACT, ("trees", "taps"): "float64", ("laterals", "taps"): "float64",
    })
    path = written(tmp_path, tables, made[0])
    with pytest.raises(OutputError) as fault:
        proof.prove(path, tables)
    assert {(p.where, p.found, p.wanted) for p in fault.value.problems} == {
        ("layer trees, taps", "float", "int"), ("layer laterals, taps", "float", "int"),
    }


def test_another_kind_of_shape_is_told(made, tmp_path):
    tables = plan_tables.all_tables(made[0])
    flat = [dataclasses.replace(t, geometry="Point", shapes=np.full(len(t.shapes), None, dtype=object))
            if t.name == "mainlines" else t for t in tables]
    path = written(tmp_path, flat, made[0])
    with pytest.raises(OutputError) as fault:
        proof.prove(path, tables)
    assert [p.where for p in fault.value.problems] == ["layer mainlines, geometry"]


def test_a_plan_whose_file_is_false_is_not_published(made, tmp_path, monkeypatch):
    plan, terrain, ground = made
    true_write = geopackage.write

    def losing(path, tables, **rest):
        true_write(path, [a_row_less(t) if t.name == "laterals" else t for t in tables], **rest)

    monkeypatch.setattr(planfolder.geopackage, "write", losing)
    with pytest.raises(OutputError, match="laterals"):
        planfolder.write_plan(
            tmp_path / "plan", plan=plan, terrain=terrain, ground=ground, pdfs={}, settings_text="", manifest={},
            force=False)
    assert list(tmp_path.iterdir()) == []
