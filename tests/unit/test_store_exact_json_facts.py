"""JSON of plain values comes back bit for bit."""

from __future__ import annotations

import json
import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pipeline.store import exact_json


@pytest.mark.parametrize("value", [
    0.1, -0.0, 5e-324, 1.7976931348623157e308, 1 / 3, math.pi, math.inf, -math.inf, math.nan,
])
def test_a_float_comes_back_with_the_same_bits(value: float) -> None:
    back = exact_json.load(exact_json.dump([value]))[0]
    assert struct.pack("<d", back) == struct.pack("<d", value)


@pytest.mark.parametrize(("value", "text"), [
    (math.nan, '{"float": "NaN"}'), (math.inf, '{"float": "Infinity"}'), (-math.inf, '{"float": "-Infinity"}'),
    ((1, 2.0), "[1, 2.0]"), ({3: None}, '{"3": null}'), ("é", '"é"'), (True, "true"),
])
def test_the_text_is_as_worked_by_hand(value: object, text: str) -> None:
    assert exact_json.dump(value) == text


def test_the_text_is_strict_json_and_nests() -> None:
    tree = {"a": [1, {"b": (math.inf, "x")}], "c": {"float": 1.0, "other": 2}}

    def refuse(name: str) -> None:
        raise AssertionError(name)

    text = exact_json.dump(tree)
    json.loads(text, parse_constant=refuse)
    assert exact_json.load(text) == {"a": [1, {"b": [math.inf, "x"]}], "c": {"float": 1.0, "other": 2}}


@pytest.mark.parametrize("value", [
    {"float": "NaN"}, {"float": 1.5}, {"float": math.inf}, {"float": {"float": "NaN"}}, {"dict": {"float": "NaN"}},
    {"dict": {"dict": {}}}, {"dict": 3}, {"dict": {"a": 1}}, {"float": {}}, {"float": "NaN", "dict": {}}, {},
    [{"float": "-Infinity"}, {"dict": [{"float": "x"}]}],
])
def test_what_looks_like_a_mark_comes_back_as_it_was(value: object) -> None:
    assert exact_json.load(exact_json.dump(value)) == value


def test_texts_written_before_there_was_an_escape_are_read() -> None:
    assert exact_json.load('{"a": {"float": "Infinity"}, "b": {"float": 2.5}, "c": {"float": "x"}}') == {
        "a": math.inf, "b": {"float": 2.5}, "c": {"float": "x"},
    }


NAMES = st.sampled_from(["float", "dict", "a", ""])
TREES = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(-9, 9), st.floats(allow_nan=False), st.sampled_from(["NaN", "x"])),
    lambda inner: st.one_of(st.lists(inner, max_size=3), st.dictionaries(NAMES, inner, max_size=2)), max_leaves=12,
)


@given(TREES)
def test_any_tree_comes_back(tree: object) -> None:
    assert exact_json.load(exact_json.dump(tree)) == tree
