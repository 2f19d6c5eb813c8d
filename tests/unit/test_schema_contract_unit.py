"""The contract of the columns keeps its own conventions: units in names, whole counts, keys that lead on."""

from __future__ import annotations

import re

import pytest
from pipeline import schema
from pipeline.records import Lateral, Mainline, Pipe, Section, Support

UNITS = ("_m", "_cm", "_mm", "_l", "_l_min", "_m_s", "_pct", "_deg", "_kpa", "_cfm", "_hours")
SIDES = ("_low", "_high")  # of a pipe: the unit stands before them
BARE = {"lon", "lat", "measured", "limit", "depth_ratio", "area_ratio"}  # degrees, a unit beside it, pure numbers
KEYS = {"trees": "tree_id", "laterals": "lateral_id", "mainlines": "mainline_id", "pipes": "pipe_id",
        "supports": "support_id", "sections": "section_id", "collection": "collection_id", "crossings": "crossing_id"}

columns = pytest.mark.parametrize(("layer", "column"), [(la, c) for la in schema.LAYERS for c in la.columns],
                                  ids=lambda v: getattr(v, "name", v))


@columns
def test_a_measured_column_names_its_unit(layer, column):
    name = column.name
    for side in SIDES:
        name = name.removesuffix(side)
    measured = name.endswith(UNITS)
    assert (column.type == "float") == (measured or column.name in BARE)


@columns
def test_counts_are_whole_numbers_and_ids_are_texts(layer, column):
    if column.name.endswith("_id") or column.name.endswith("_ids"):
        assert column.type == "text"
    if column.name in ("taps", "trees", "laterals", "sheets", "pinned") or column.name.startswith(("taps_", "order_")):
        assert column.type == "int"


@columns
def test_a_column_s_meaning_is_a_phrase_that_fits_a_table(layer, column):
    assert re.fullmatch(r"[A-Za-z0-9].{0,90}[^.]", column.meaning)
    assert "|" not in column.meaning
    assert re.fullmatch(r"[a-z][a-z0-9_]*", column.name)


@pytest.mark.parametrize("layer", schema.LAYERS, ids=lambda la: la.name)
def test_no_layer_has_a_column_twice_and_its_own_key_comes_first(layer):
    assert len(set(layer.column_names)) == len(layer.columns) == len(layer.column_names)
    assert layer.columns[0].name == KEYS.get(layer.name, "code")


def test_layers_have_names_of_their_own():
    names = [layer.name for layer in schema.LAYERS]
    assert len(set(names)) == len(names)
    assert set(KEYS) | {"findings"} == set(names)


@columns
def test_a_column_that_refers_to_another_layer_uses_that_layer_s_key(layer, column):
    known = {*KEYS.values(), "parent_id", "line_id", "subject_id", "mainline_ids"}
    if column.name.endswith(("_id", "_ids")):
        assert column.name in known


@pytest.mark.parametrize(("layer", "record", "kept"), [
    (schema.PIPES, Pipe, {"pipe_id", "mainline_id", "from_station_m", "to_station_m", "role", "nominal", "grade_pct",
                          "inner_diameter_mm", "taps", "peak_flow_l_min", "depth_ratio", "area_ratio", "velocity_m_s",
                          "vacuum_kpa_low", "vacuum_kpa_high", "sidetie_spacing_m", "binding"}),
    (schema.SUPPORTS, Support, {"support_id", "mainline_id", "station_m", "kind", "tree_id", "ground_z_m", "line_z_m",
                                "height_m", "offset_m", "binding"}),
    (schema.MAINLINES, Mainline, {"mainline_id", "parent_id", "collection_id", "join_station_m", "length_m", "pinned"}),
    (schema.LATERALS, Lateral, {"lateral_id", "mainline_id", "entry_station_m", "taps", "length_m", "fall_m",
                                "min_grade_pct", "grade_confidence", "pinned"}),
    (schema.SECTIONS, Section, {"section_id", "taps", "trees", "crew_hours", "check_code", "sheets"}),
], ids=lambda v: getattr(v, "name", getattr(v, "__name__", "")))
def test_a_column_is_called_as_in_the_record_that_it_is_written_from(layer, record, kept):
    assert kept <= set(layer.column_names)
    assert all(hasattr(record, name) for name in kept)
