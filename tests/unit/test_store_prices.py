"""The price list: read whole, or refused with every row that is wrong."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pint
import pytest
from pipeline.errors import InputDataError
from pipeline.resources import template_rows, template_text
from pipeline.settings import PriceSettings, Settings
from pipeline.store.prices import read_prices


def asked(name: str) -> Settings:
    return dataclasses.replace(Settings(), prices=PriceSettings(file=name))


def write(folder: Path, text: str, name: str = "prices.csv") -> Settings:
    (folder / name).write_text(text, encoding="utf-8")
    return asked(name)


def by_code(rows) -> dict[str, float]:
    return {row["code"]: float(row["price"]) for row in rows}


def test_no_file_means_the_examples(tmp_path) -> None:
    assert read_prices(asked(""), tmp_path) == tuple(template_rows("prices.csv"))


def test_a_copy_of_the_template_reads_as_the_template(tmp_path) -> None:
    rows = read_prices(write(tmp_path, template_text("prices.csv")), tmp_path)
    assert by_code(rows) == by_code(template_rows("prices.csv"))


@pytest.mark.parametrize(("unit", "code"), [("ft", "PIPE 1"), ("m", "WIRE"), ("gal", "TANK"), ("L", "TANK")])
def test_a_price_by_foot_or_gallon_is_that_of_a_metre_or_litre(tmp_path, unit: str, code: str) -> None:
    settings = write(tmp_path, f"code;price;unit\n{code};1,25;{unit}\n")
    registry = pint.UnitRegistry()
    base = {"ft": "m", "m": "m", "gal": "L", "L": "L"}[unit]
    holds = registry.Quantity(1.0, {"gal": "gallon", "L": "litre"}.get(unit, unit)).to(
        {"L": "litre"}.get(base, base)).magnitude
    assert by_code(read_prices(settings, tmp_path)) == {code: pytest.approx(1.25 / holds, rel=1e-12)}


def test_every_bad_row_is_told_with_its_line(tmp_path) -> None:
    rows = ("PIPPE 1,2,m", "WIRE,free,m", "WIRE,2,m", "TEE,1,m", "POST,-3,pc", "CAP 1,nan,")
    settings = write(tmp_path, "# mine\ncode,price,unit\n" + "\n".join(rows))
    with pytest.raises(InputDataError) as caught:
        read_prices(settings, tmp_path)
    told = [(p.where.rsplit(" ", 1)[-1], p.found) for p in caught.value.problems]
    assert told == [
        ("3", "the code 'PIPPE 1'"), ("4", "the price 'free'"), ("5", "the code 'WIRE' again"), ("6", "the unit 'm'"),
        ("7", "the price '-3'"), ("8", "the price 'nan'"),
    ]
    assert "'PIPE'" in caught.value.problems[0].remedy
    assert all(p.file == "prices.csv" for p in caught.value.problems)


@pytest.mark.parametrize(("body", "found"), [
    (b"", "an empty file"), (b"name,cost\nPIPE,2\n", "the columns name, cost"),
    (b"code,price\n", "header without rows"),
    (b"PK\x03\x04xx", "ZIP"), (b"\x00\x01binary", "another kind of file"), (b"code,price\nPIPE,1,2,3\n", "4 cells"),
])
def test_a_file_that_is_no_price_list_is_told(tmp_path, body: bytes, found: str) -> None:
    (tmp_path / "prices.csv").write_bytes(body)
    with pytest.raises(InputDataError, match=found):
        read_prices(asked("prices.csv"), tmp_path)


def test_a_missing_price_list_is_told(tmp_path) -> None:
    with pytest.raises(InputDataError, match=r"prices\.file"):
        read_prices(asked("gone.csv"), tmp_path)
