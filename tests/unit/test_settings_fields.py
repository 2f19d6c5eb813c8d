"""Every field of the settings: it declares what the reader needs, keeps its own limits and refuses what it is not.

Nothing here lists the fields: each test walks them, so that a new field is tested the day it is written.
"""

from __future__ import annotations

import dataclasses
import math
import types
import typing
from collections.abc import Callable

import pytest
from pipeline import bushfile, settings
from pipeline.errors import BushFileError
from pipeline.settings import GROUND_DEFAULTS, CollectionSettings, GroundLayerSettings, Settings
from pipeline.units import FACTORS, parse

TABLES = {f.name: f for f in dataclasses.fields(Settings)}
RECORDS = {
    **{name: type(getattr(Settings(), name)) for name in TABLES if name not in {"collection", "ground"}},
    "collection": CollectionSettings, "ground.wet": GroundLayerSettings,
}
FIELDS = [(table, f) for table, record in RECORDS.items() for f in dataclasses.fields(record)]
IDS = [f"{table}.{f.name}" for table, f in FIELDS]
# the suffix of a field's name for each kind of quantity
SUFFIX = {
    "length": ("_m",), "grade": ("_pct",), "angle": ("_deg",), "volume": ("_l",), "flow": ("_l_min",),
    "vacuum": ("_kpa",), "force": ("_n",), "air": ("_m3_s",), "ratio": ("_ratio",), "time": ("_h",),
    "duration_min": ("_min",),
}
SI = {"length": "m", "grade": "%", "angle": "deg", "volume": "l", "flow": "l/min", "vacuum": "kPa", "force": "N",
      "air": "m3/s", "ratio": "", "time": "h", "duration_min": "min"}
every_field = pytest.mark.parametrize(("table", "field"), FIELDS, ids=IDS)


def key(field: dataclasses.Field) -> str:
    return field.metadata.get("key", field.name)


def fields_where(wanted: Callable[[str, dataclasses.Field], bool]) -> pytest.MarkDecorator:
    """Return the parametrization over the fields for which something holds."""
    rows = [(t, f) for t, f in FIELDS if wanted(t, f)]
    return pytest.mark.parametrize(("table", "field"), rows, ids=[f"{t}.{f.name}" for t, f in rows])


def limited(kinds: set[str]) -> pytest.MarkDecorator:
    """Return the parametrization over fields of some types that have a finite limit."""
    rows = [
        (table, f, side, f.metadata[side]) for table, f in FIELDS if f.metadata["type"] in kinds
        for side in ("least", "most") if math.isfinite(f.metadata[side])
    ]
    return pytest.mark.parametrize(("table", "field", "side", "limit"), rows,
                                   ids=[f"{t}.{f.name}-{s}" for t, f, s, _ in rows])


def bush(table: str, line: str) -> str:
    """Return a bush file that is fine but for one line."""
    if table == "collection":
        pairs = {"id": 'id = "C1"', "lon": "lon = -72.5", "lat": "lat = 44.5", "x": "x = 1.0", "y": "y = 1.0"}
        name = line.partition(" =")[0]
        wanted = ("x", "y") if name in {"x", "y"} else ("lon", "lat")
        return "[[collection]]\n" + "\n".join([line, *(pairs[k] for k in wanted if k != name)])
    tank = "[[collection]]\nlon = -72.5\nlat = 44.5\n"
    file = 'file = "g.gpkg"\n' if table.startswith("ground.") and not line.startswith("file") else ""
    return f"{tank}[{table}]\n{file}{line}\n"


def written(field: dataclasses.Field, value: float) -> str:
    """Return a line with a value in SI units."""
    kind = field.metadata.get("kind")
    shown = f'"{value!r} {SI[kind]}"' if kind else repr(int(value) if field.metadata["type"] == "count" else value)
    return f"{key(field)} = {shown}"


def lines_of(text: str) -> list[str]:
    """Return what the reader complains of; nothing when the file is fine."""
    try:
        bushfile.parse(text, "bush.toml")
    except BushFileError as error:
        return [p.as_line() for p in error.problems]
    return []


def read(table: str, text: str) -> object:
    found = bushfile.parse(text, "bush.toml")
    if table == "collection":
        return found.collection[0]
    return found.ground["wet"] if table == "ground.wet" else getattr(found, table)


@every_field
def test_a_field_says_what_it_is(table: str, field: dataclasses.Field) -> None:
    meta = field.metadata
    assert isinstance(meta, types.MappingProxyType)
    assert meta["type"] in {"quantity", "word", "words", "count", "number", "flag"}
    assert meta["help"]
    assert meta["help"] == meta["help"].strip()
    assert "\n" not in meta["help"], "one line of help"
    assert key(field).isascii()
    assert key(field) == key(field).lower()


@every_field
def test_a_default_keeps_its_own_limits(table: str, field: dataclasses.Field) -> None:
    meta, default = field.metadata, field.default
    if meta["type"] == "quantity":
        assert default == parse(meta["text"], meta["kind"])
        assert meta["least"] <= default <= meta["most"]
        assert meta["least"] < meta["most"]
        assert field.name.endswith(SUFFIX[meta["kind"]]), "the unit is the suffix of the name"
        assert key(field) != field.name, "a grower writes the unit with the number, not in the key"
    elif meta["type"] in {"count", "number"}:
        assert math.isnan(default) or meta["least"] <= default <= meta["most"]
    elif meta["type"] == "word" and meta["choices"]:
        assert default in meta["choices"]
        assert len(set(meta["choices"])) == len(meta["choices"])
    elif meta["type"] == "words":
        assert default
        assert all(w == w.strip().lower() for w in default), "compared in lower case"


@pytest.mark.parametrize("record", RECORDS.values(), ids=RECORDS)
def test_keys_are_unique_and_choices_are_the_types(record: type) -> None:
    names = [key(f) for f in dataclasses.fields(record)]
    assert len(set(names)) == len(names)
    hints = typing.get_type_hints(record, vars(settings))
    for f in dataclasses.fields(record):
        wanted = typing.get_args(hints[f.name])
        if typing.get_origin(hints[f.name]) is typing.Literal:
            assert set(wanted) == set(f.metadata["choices"]), f.name


@limited({"quantity", "number", "count"})
def test_a_limit_is_inside_and_what_is_beyond_is_refused(table: str, field, side: str, limit: float) -> None:
    """On the limit itself the value is taken exactly; one step beyond is answered with both limits."""
    told = lines_of(bush(table, written(field, limit)))
    assert [line for line in told if f"between {field.metadata['least']:g}" in line] == []
    step = 1 if field.metadata["type"] == "count" else max(abs(limit), 1.0) * 1e-6
    beyond = limit - step if side == "least" else limit + step
    told = lines_of(bush(table, written(field, beyond)))
    least, most = field.metadata["least"], field.metadata["most"]
    assert any(f"between {least:g} and {most:g}" in line and key(field) in line for line in told), told


def wrong_values(field: dataclasses.Field) -> list[str]:
    """Return values of every other type of TOML."""
    kind = field.metadata["type"]
    values = {"true": "flag", "3": "count", "2.5": "number", '"5 ft"': "word", '["a"]': "words", "{ a = 1 }": "",
              "2026-03-02T10:00:00": "", "10:00:00": "", "[1, 2]": "", "inf": "", "9" * 400: "", "0x" + "f" * 4000: ""}
    fits = {"quantity": {"word"}, "number": {"number", "count"}, "word": {"word"}}.get(kind, {kind})
    return [value for value, own in values.items() if own not in fits and not (kind == "word" and "T10" in value)]


@every_field
def test_values_of_another_type_are_refused_by_name(table: str, field: dataclasses.Field) -> None:
    for value in wrong_values(field):
        told = lines_of(bush(table, f"{key(field)} = {value}"))
        own = [line for line in told if key(field) in line]
        assert own, (value[:40], told)
        assert all(len(line) < 1500 for line in told), "a message is no place for a file"


@fields_where(lambda table, f: f.default == f.default and (table, f.name) != ("ground.wet", "file"))
def test_the_default_written_out_reads_as_the_default(table: str, field: dataclasses.Field) -> None:
    """Leaving a key out and writing its default are the same."""
    meta, default = field.metadata, field.default
    if meta["type"] == "quantity":
        line = f'{key(field)} = "{meta["text"]}"'
    elif meta["type"] == "words":
        line = f"{key(field)} = [{', '.join(repr(w) for w in default)}]"
    elif meta["type"] == "flag":
        line = f"{key(field)} = {str(default).lower()}"
    else:
        line = f"{key(field)} = {default!r}"
    assert getattr(read(table, bush(table, line)), field.name) == default


@fields_where(lambda _table, f: len(key(f)) >= 4)
def test_a_misspelt_key_is_answered_with_the_right_one(table: str, field: dataclasses.Field) -> None:
    name = key(field)
    told = lines_of(bush(table, f"{name}x = 1"))
    assert any(f"unknown key '{name}x'" in line and f"Did you mean {name!r}?" in line for line in told), told


@pytest.mark.parametrize("kind", sorted({f.metadata["kind"] for _, f in FIELDS if "kind" in f.metadata}))
def test_every_unit_of_a_kind_is_taken(kind: str) -> None:
    """The first field of each kind, in each of its units, gives the same value."""
    table, field = next((t, f) for t, f in FIELDS if f.metadata.get("kind") == kind)
    for unit, factor in FACTORS[kind].items():
        if unit == '"':
            continue  # the mark of an inch would end the text
        record = read(table, bush(table, f'{key(field)} = "{field.default / factor!r} {unit}"'))
        assert getattr(record, field.name) == pytest.approx(field.default, rel=1e-12), unit


@pytest.mark.parametrize("kind", GROUND_DEFAULTS)
def test_each_kind_of_ground_has_a_rule_that_can_be_kept(kind: str) -> None:
    layer = GROUND_DEFAULTS[kind]
    for field in dataclasses.fields(layer):
        value, meta = getattr(layer, field.name), field.metadata
        if "least" in meta:
            assert meta["least"] <= value <= meta["most"], field.name
    assert layer.file == ""
    if layer.rule == "cost":
        assert layer.cost_factor > 1.0
    found = bushfile.parse(bush(f"ground.{kind}", 'file = "g.gpkg"'), "b").ground[kind]
    assert found == dataclasses.replace(layer, file="g.gpkg")


def test_ground_kinds_come_in_one_order_whatever_the_file_says() -> None:
    """The plan must not depend on the order of tables in the bush file."""
    parts = [f'[ground.{kind}]\nfile = "g.gpkg"\n' for kind in GROUND_DEFAULTS]
    tank = "[[collection]]\nlon = -72.5\nlat = 44.5\n"
    forward = bushfile.parse(tank + "".join(parts), "b")
    backward = bushfile.parse(tank + "".join(reversed(parts)), "b")
    assert list(forward.ground) == list(backward.ground) == list(GROUND_DEFAULTS)
    assert bushfile.render(forward) == bushfile.render(backward)


@pytest.mark.parametrize(("date", "fine"), [
    ("2026-03-02", True), ("2024-02-29", True), ("2026-02-29", False), ("20260302", False), ("2026-W10-1", False),
    ("2026-3-2", False), ("02.03.2026", False), ("2026-03-02T00:00:00", False), ("٢٠٢٦-03-02", False),
])
def test_a_date_is_a_day_in_the_one_form(date: str, fine: bool) -> None:
    told = lines_of(bush("bush", f'date = "{date}"'))
    assert (told == []) is fine
    assert fine or "a date YYYY-MM-DD" in told[0]


@pytest.mark.parametrize("text", [
    "a = " + "[" * 20_000, "a = " + "{a=" * 20_000, "x" + ".a" * 20_000 + " = 1", "[" + "a." * 20_000 + "a]",
    "[mainlines]\nseed = " + "9" * 5000, "[mainlines]\nseed = 0x" + "f" * 5000, "[bush]\nname" + ".a" * 20_000 + " = 1",
    "[flow]\nvacuum = " + "[" * 300 + "]" * 300, '[bush]\nname = "\\uD800"', "[bush]\nname = '\x00'",
    "[ground]\nroad" + ".x" * 20_000 + " = 1", "[trees]\nspecies = [" + "0x" + "f" * 5000 + "]",
])
def test_what_would_exhaust_a_reader_is_refused_in_words(text: str) -> None:
    told = lines_of("[[collection]]\nlon = -72.5\nlat = 44.5\n" + text)
    assert told
    assert all(line.startswith("bush.toml") and len(line) < 2000 for line in told)
