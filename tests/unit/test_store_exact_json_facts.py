"""JSON of plain values comes back bit for bit."""

from __future__ import annotations

import json
import math
import struct

import pytest
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
