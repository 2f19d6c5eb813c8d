"""What travels with the program, and the column contract: whole, readable, and of one meaning everywhere."""

from __future__ import annotations

import itertools
import re
import tomllib

import pytest
from pipeline import resources, schema

TEMPLATES = resources.templates_dir()
FILES = sorted(p.relative_to(TEMPLATES).as_posix() for p in TEMPLATES.rglob("*") if p.is_file())
TABLES = [name for name in FILES if name.endswith(".csv")]
UNIT_TAILS = ("_m", "_pct", "_deg", "_cm", "_mm", "_kpa", "_l", "_l_min", "_m_s", "_hours", "_ratio", "_cfm")


@pytest.mark.parametrize("name", FILES)
def test_a_text_is_utf_8_with_unix_lines_and_no_mark(name: str) -> None:
    body = resources.template_bytes(name)
    assert body
    if name.endswith((".csv", ".toml", ".txt", ".md")):
        text = resources.template_text(name)
        assert text.encode("utf-8") == body
        assert not body.startswith(b"\xef\xbb\xbf")
        assert b"\r" not in body
        assert body.endswith(b"\n")
        assert not re.search(r"[\u200b-\u200f\u202a-\u202e\u2060-\u2069]", text), "no hidden marks"


@pytest.mark.parametrize("name", [n for n in FILES if n.endswith(".toml")])
def test_a_toml_reads_and_every_leaf_says_something(name: str) -> None:
    def leaves(tree: object) -> list[object]:
        if isinstance(tree, dict):
            return [leaf for value in tree.values() for leaf in leaves(value)]
        return [leaf for value in tree for leaf in leaves(value)] if isinstance(tree, list) else [tree]

    found = leaves(tomllib.loads(resources.template_text(name)))
    assert found
    assert all(not isinstance(leaf, str) or leaf.strip() or leaf == "" for leaf in found)


@pytest.mark.parametrize("name", TABLES)
def test_a_table_has_a_head_and_rows_of_its_length(name: str) -> None:
    rows = resources.template_rows(name)
    assert rows
    heads = list(rows[0])
    assert len(set(heads)) == len(heads)
    for row in rows:
        assert list(row) == heads
        assert None not in row.values(), f"a row cut short: {row}"
        assert all(value == value.strip() for value in row.values()), row


# ---------------------------------------------------------------------- schema


COLUMNS = [(layer, column) for layer in schema.LAYERS for column in layer.columns]


@pytest.mark.parametrize(("layer", "column"), COLUMNS, ids=[f"{a.name}.{b.name}" for a, b in COLUMNS])
def test_a_column_is_named_by_the_rules(layer: schema.Layer, column: schema.Column) -> None:
    assert re.fullmatch(r"[a-z][a-z0-9_]*", column.name)
    assert column.meaning
    assert column.meaning == column.meaning.strip()
    assert "|" not in column.meaning, "the table of the documents would break"
    assert column.name not in {"fid", "geom", "geometry"}, "taken by the format"
    if column.name.endswith(UNIT_TAILS):
        assert column.type == "float", "a quantity has decimals"


@pytest.mark.parametrize("layer", schema.LAYERS, ids=lambda layer: layer.name)
def test_a_layer_names_each_column_once_and_its_own_id_first(layer: schema.Layer) -> None:
    names = layer.column_names
    assert len(set(names)) == len(names)
    assert names == tuple(c.name for c in layer.columns)
    if layer is not schema.FINDINGS:
        first = layer.columns[0]
        assert first.name.endswith("_id")
        assert first.type == "text"
        assert layer.name.startswith(first.name.removesuffix("_id")[:7]), "the first column names the thing itself"


def test_a_name_means_the_same_type_in_every_layer() -> None:
    kinds: dict[str, set[str]] = {}
    for _, column in COLUMNS:
        kinds.setdefault(column.name, set()).add(column.type)
    assert {name: found for name, found in kinds.items() if len(found) > 1} == {}


def test_every_reference_points_at_a_layers_own_id() -> None:
    own = {layer.columns[0].name for layer in schema.LAYERS}
    others = {c.name for layer in schema.LAYERS for c in layer.columns[1:] if c.name.endswith("_id")}
    # a parent is a mainline, a crossed line a mainline or a lateral, a finding's subject anything
    assert others - own == {"parent_id", "line_id", "subject_id"}


def test_layers_are_told_apart_by_name_and_stand_in_one_order() -> None:
    names = [layer.name for layer in schema.LAYERS]
    assert len(set(names)) == len(names)
    assert all(not a.startswith(f"{b}_") for a, b in itertools.permutations(names, 2))
    assert {layer.geometry for layer in schema.LAYERS} == {"Point", "LineString Z", "Polygon", "None"}
    assert [layer.name for layer in schema.LAYERS if layer.geometry == "None"] == ["findings"]


def test_the_contract_is_frozen() -> None:
    with pytest.raises(AttributeError):
        schema.TREES.name = "other"  # type: ignore[misc]
    with pytest.raises(AttributeError):
        schema.TREES.columns[0].type = "int"  # type: ignore[misc]
    assert isinstance(schema.LAYERS, tuple)
