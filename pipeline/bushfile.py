"""The bush file as text: read into :class:`Settings`, written back, and the commented starter file.

All three walk the fields of :mod:`pipeline.settings`; no key is listed twice.
"""

from __future__ import annotations

import dataclasses
import datetime
import difflib
import math
import re
import tomllib
import types
from collections.abc import Iterator
from collections.abc import Set as AbstractSet
from itertools import pairwise
from typing import Any

from pipeline.errors import BushFileError, Problem
from pipeline.settings import (
    GROUND_DEFAULTS,
    BushSettings,
    CollectionSettings,
    FlowSettings,
    GroundLayerSettings,
    LateralSettings,
    MainlineSettings,
    PinSettings,
    PriceSettings,
    Settings,
    SheetSettings,
    TerrainSettings,
    TreeSettings,
)
from pipeline.units import Kind
from pipeline.units import parse as parse_quantity

_TABLES: dict[str, type[Any]] = {
    "bush": BushSettings, "trees": TreeSettings, "terrain": TerrainSettings, "collection": CollectionSettings,
    "ground": GroundLayerSettings, "pins": PinSettings, "laterals": LateralSettings,
    "mainlines": MainlineSettings, "flow": FlowSettings, "sheets": SheetSettings, "prices": PriceSettings,
}
# the SI unit a value is written back with
_SI_UNIT: dict[Kind, str] = {
    "length": "m", "grade": "%", "angle": "deg", "volume": "l", "flow": "l/min", "vacuum": "kPa", "force": "N",
    "air": "m3/s", "ratio": "", "time": "h", "duration_min": "min",
}

# control characters, zero-width marks and marks that turn the direction of writing; a line break is none
_HIDDEN = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff]")
# tables whose texts stand on paper
_PRINTED = ("[bush]", "[sheets]", "[collection")
LONGEST_PRINTED, LONGEST_TEXT = 200, 20_000
# no number of a bush file comes near; NaN is not below it either
_BEYOND = 1e300


class _Reader:
    """Gathers problems while it turns TOML tables into records."""

    def __init__(self, file: str) -> None:
        self.file = file
        self.problems: list[Problem] = []

    def complain(self, where: str, found: str, wanted: str, remedy: str) -> None:
        self.problems.append(Problem(self.file, where, _short(found), wanted, _short(remedy)))

    def unknown(self, where: str, key: str, known: list[str]) -> None:
        near = difflib.get_close_matches(key[:100], known, n=1, cutoff=0.5)
        remedy = f"Did you mean {near[0]!r}?" if near else "Remove it, or see 'fallgrade start' for all keys."
        self.complain(where, f"unknown key {key[:100]!r}", "one of " + ", ".join(sorted(known)), remedy)

    def record(self, cls: type[Any], table: object, where: str, base: Any = None) -> Any:
        """Return a `cls` with the keys of `table`; whatever cannot be used becomes a problem."""
        base = cls() if base is None else base
        if not isinstance(table, dict):
            self.complain(where, _shown(table), "a table of keys", f"Write [{where}] and its keys below it.")
            return base
        by_key = {_key(f): f for f in dataclasses.fields(cls)}
        values: dict[str, Any] = {}
        for key, raw in table.items():
            if key not in by_key:
                self.unknown(f"[{where}]", key, list(by_key))
                continue
            value = self.value(by_key[key].metadata, raw, f"[{where}] {key}")
            if value is not None:
                values[by_key[key].name] = value
        return dataclasses.replace(base, **values)

    def value(self, meta: types.MappingProxyType[Any, Any], raw: object, where: str) -> Any:
        """Return the checked value of one key, or None after a complaint."""
        reader = getattr(self, f"_{meta['type']}")
        return reader(meta, raw, where)

    def _quantity(self, meta: types.MappingProxyType[Any, Any], raw: object, where: str) -> float | None:
        if not isinstance(raw, str):
            example = meta["text"]
            self.complain(where, _shown(raw), "a text with a unit", f'Write it like "{example}", in quotes.')
            return None
        try:
            value = parse_quantity(raw, meta["kind"])
        except ValueError as error:
            self.complain(where, _shown(raw), f"a {meta['kind']} with its unit", f"{error}.")
            return None
        return self._within(value, meta, _shown(raw), where)

    def _within(
        self, value: float, meta: types.MappingProxyType[Any, Any], found: str, where: str
    ) -> float | None:
        if meta["least"] <= value <= meta["most"]:
            return value
        unit = _SI_UNIT[meta["kind"]] if "kind" in meta else ""
        wanted = f"between {meta['least']:g} and {meta['most']:g} {unit}".strip()
        self.complain(where, f"{found} ({value:g} {unit})".replace(" )", ")"), wanted,
                      "Check the number and its unit.")
        return None

    def _word(self, meta: types.MappingProxyType[Any, Any], raw: object, where: str) -> str | None:
        text = raw.isoformat() if isinstance(raw, datetime.date) else raw
        choices = meta["choices"]
        if isinstance(text, str) and (not choices or text in choices):
            return self._printable(text, where)
        near = difflib.get_close_matches(text[:100], choices, n=1) if choices and isinstance(text, str) else []
        wanted = "one of " + ", ".join(map(repr, choices)) if choices else "a text in quotes"
        self.complain(where, _shown(text), wanted, f"Did you mean {near[0]!r}?" if near else "Mend the value.")
        return None

    def _printable(self, text: str, where: str) -> str | None:
        """Return a text that paper and terminals can show, or None after a complaint; line breaks become blanks."""
        hidden = _HIDDEN.search(text)
        if hidden is not None:
            self.complain(where, f"the hidden character U+{ord(hidden.group()):04X}", "characters that can be seen",
                          "Type the text again instead of pasting it.")
            return None
        printed = where.startswith(_PRINTED)
        text = " ".join(text.split()) if printed else text
        most = LONGEST_PRINTED if printed else LONGEST_TEXT
        if len(text) > most:
            self.complain(where, f"{len(text)} characters", f"at most {most}", "Shorten the text.")
            return None
        return text

    def _words(self, _meta: types.MappingProxyType[Any, Any], raw: object, where: str) -> tuple[str, ...] | None:
        if isinstance(raw, list) and all(isinstance(item, str) for item in raw):
            texts = [self._printable(item, where) for item in raw]
            return tuple(t for t in texts if t is not None)
        self.complain(where, _shown(raw), "a list of texts", 'Write it like ["sugar maple", "red maple"].')
        return None

    def _count(self, meta: types.MappingProxyType[Any, Any], raw: object, where: str) -> int | None:
        if isinstance(raw, int) and not isinstance(raw, bool) and abs(raw) < _BEYOND:
            value = self._within(raw, meta, _shown(raw), where)
            return None if value is None else raw
        self.complain(where, _shown(raw), "a whole number", "Write it without quotes, unit or decimal point.")
        return None

    def _number(self, meta: types.MappingProxyType[Any, Any], raw: object, where: str) -> float | None:
        if isinstance(raw, int | float) and not isinstance(raw, bool) and abs(raw) < _BEYOND:
            return self._within(float(raw), meta, _shown(raw), where)
        self.complain(where, _shown(raw), "a number", "Write it without quotes.")
        return None

    def _flag(self, _meta: types.MappingProxyType[Any, Any], raw: object, where: str) -> bool | None:
        if isinstance(raw, bool):
            return raw
        self.complain(where, _shown(raw), "true or false", "Write it without quotes.")
        return None


def _shown(value: object) -> str:
    """Return a value as a message shows it."""
    try:
        return repr(value)
    except (ValueError, RecursionError):  # more digits than Python writes out, tables nested too deep
        return "a value too long to show"


def _short(text: str, most: int = 300) -> str:
    return text if len(text) <= most else text[:most] + "..."


def _key(declared: dataclasses.Field[Any]) -> str:
    return str(declared.metadata.get("key", declared.name))


def parse(text: str, file: str) -> Settings:
    """Return the settings a bush file asks for, defaults filled in.

    Parameters
    ----------
    text : str
        The bush file (TOML).
    file : str
        Its name, for messages.

    Raises
    ------
    BushFileError
        With every problem of the file: unknown tables and keys (and the nearest
        known one), values of the wrong kind, without unit or out of range, and
        settings that contradict each other.
    """
    try:
        data = tomllib.loads(text)
    except RecursionError as error:
        raise BushFileError([Problem(file, "", "brackets nested too deep", "TOML", "Mend the brackets.")]) from error
    except ValueError as error:  # TOMLDecodeError, and numbers with more digits than Python reads
        remedy = "Mend that line; texts need quotes, tables need [brackets]."
        raise BushFileError([Problem(file, "", f"a line that is no TOML ({error})", "TOML", remedy)]) from error
    reader = _Reader(file)
    made: dict[str, Any] = {}
    for name, table in data.items():
        if name not in _TABLES:
            reader.unknown("", name, list(_TABLES))
        elif name == "ground":
            made[name] = _read_ground(reader, table)
        elif name == "collection":
            made[name] = _read_collections(reader, table)
        else:
            made[name] = reader.record(_TABLES[name], table, name)
    settings = Settings(**made)
    _check_together(reader, settings, has_collection="collection" in data)
    if reader.problems:
        raise BushFileError(reader.problems)
    return settings


def _read_ground(reader: _Reader, table: object) -> dict[Any, GroundLayerSettings]:
    if not isinstance(table, dict):
        reader.complain("ground", _shown(table), "tables like [ground.road]", "Write one table for each layer.")
        return {}
    known = list(GROUND_DEFAULTS)
    out: dict[Any, GroundLayerSettings] = {}
    for kind, keys in table.items():
        if kind not in GROUND_DEFAULTS:
            reader.unknown("[ground]", kind, [str(k) for k in known])
            continue
        layer = reader.record(GroundLayerSettings, keys, f"ground.{kind}", GROUND_DEFAULTS[kind])
        if not layer.file:
            reader.complain(f"[ground.{kind}]", "no file", "the file of the layer",
                            'Add file = "..."; leave the whole table out when you have no such layer.')
        out[kind] = layer
    return {kind: out[kind] for kind in known if kind in out}


def _read_collections(reader: _Reader, table: object) -> tuple[CollectionSettings, ...]:
    if not isinstance(table, list):
        reader.complain("collection", _shown(table), "[[collection]] tables", "Write [[collection]] with two brackets.")
        return ()
    return tuple(reader.record(CollectionSettings, keys, f"collection {i}") for i, keys in enumerate(table, 1))


def _check_together(reader: _Reader, s: Settings, *, has_collection: bool) -> None:
    """Complain about settings that are fine alone and wrong together."""
    if not has_collection or not s.collection:
        reader.complain("", "no [[collection]]", "at least one place for the tank",
                        "Add a [[collection]] table with id and lon/lat.")
    else:
        _check_collections(reader, s)
    m, lat = s.mainlines, s.laterals
    heights = [("lowest", m.lowest_m), ("aim", m.aim_m), ("highest", m.highest_m)]
    for (low_name, low), (high_name, high) in pairwise(heights):
        if low > high:
            reader.complain("[mainlines]", f"{low_name} {low:g} m above {high_name} {high:g} m",
                            "lowest <= aim <= highest", "Put the three heights in order.")
    if lat.lowest_m >= lat.highest_m:
        reader.complain("[laterals]", f"lowest {lat.lowest_m:g} m, highest {lat.highest_m:g} m",
                        "lowest below highest", "Put the two heights in order.")
    if lat.aim_taps > lat.max_taps:
        reader.complain("[laterals] aim_taps", str(lat.aim_taps), f"at most max_taps ({lat.max_taps})",
                        "Lower aim_taps or raise max_taps.")
    if s.bush.date:
        try:
            plain = datetime.date.fromisoformat(s.bush.date).isoformat() == s.bush.date
        except ValueError:
            plain = False
        if not plain:
            reader.complain("[bush] date", repr(s.bush.date), "a date YYYY-MM-DD", "Write it like 2026-03-02.")


def _check_collections(reader: _Reader, s: Settings) -> None:
    names = [c.collection_id for c in s.collection]
    for name in sorted({n for n in names if names.count(n) > 1}):
        reader.complain("[[collection]]", f"id {name!r} more than once", "every id once", "Rename one.")
    for c in s.collection:
        lonlat = not (math.isnan(c.lon) or math.isnan(c.lat))
        xy = not (math.isnan(c.x) or math.isnan(c.y))
        if lonlat == xy:
            found = "both lon/lat and x/y" if lonlat else "no complete position"
            reader.complain(f"[[collection]] {c.collection_id}", found, "lon and lat, or x and y",
                            "Give exactly one pair.")


# ---------------------------------------------------------------- writing


def _toml_text(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    printable = "".join(ch if ch.isprintable() else f"\\U{ord(ch):08x}" for ch in escaped)
    return f'"{printable}"'


def _toml_value(declared: dataclasses.Field[Any], value: Any) -> str | None:
    kind = declared.metadata["type"]
    if kind == "quantity":
        unit = _SI_UNIT[declared.metadata["kind"]]
        return _toml_text(f"{value!r} {unit}".strip())
    if kind == "words":
        return "[" + ", ".join(_toml_text(item) for item in value) + "]"
    if kind == "flag":
        return "true" if value else "false"
    if kind == "word":
        return _toml_text(value)
    return None if isinstance(value, float) and math.isnan(value) else repr(value)


def _toml_table(header: str, record: Any) -> Iterator[str]:
    yield header
    for declared in dataclasses.fields(record):
        value = _toml_value(declared, getattr(record, declared.name))
        if value is not None:
            yield f"{_key(declared)} = {value}"
    yield ""


def render(settings: Settings) -> str:
    """Return settings as a bush file in SI units that :func:`parse` reads back to equal settings."""
    lines: list[str] = []
    for name in _TABLES:
        record = getattr(settings, name)
        if name == "collection":
            for collection in record:
                lines += _toml_table("[[collection]]", collection)
        elif name == "ground":
            for kind, layer in record.items():
                lines += _toml_table(f"[ground.{kind}]", layer)
        else:
            lines += _toml_table(f"[{name}]", record)
    return "\n".join(lines)


def starter(date: str) -> str:
    """Return a commented bush file with every key and its default, to be filled in.

    Parameters
    ----------
    date : str
        Plan date, YYYY-MM-DD.
    """
    lines = [
        "# A bush file for fallgrade. Paths are relative to this file.",
        "# Every quantity is a text with its unit: \"5 ft\", \"2 %\", \"25 inHg\", \"1.5 m\".",
        "# Keys with # in front show their defaults; take the # away to change one.",
        "",
    ]
    for name, cls in _TABLES.items():
        if name == "collection":
            lines += ["# Where the sap arrives; one table for each place.", "[[collection]]", 'id = "C1"',
                      "lon = 0.0  # longitude in degrees: fill in", "lat = 0.0  # latitude in degrees: fill in"]
            lines += _starter_keys(CollectionSettings(), skip={"id", "lon", "lat"})
        elif name == "ground":
            lines += _starter_ground()
            continue
        else:
            record = cls(date=date) if name == "bush" else cls()
            lines += [f"# {_table_help(cls)}", f"[{name}]"]
            lines += _starter_keys(record, live={"name", "units", "date", "file"} if name != "pins" else set())
        lines.append("")
    return "\n".join(lines)


def _table_help(cls: type[Any]) -> str:
    return str(cls.__doc__).split(": ", 1)[-1].splitlines()[0]


def _starter_keys(
    record: Any, live: AbstractSet[str] = frozenset(), skip: AbstractSet[str] = frozenset()
) -> list[str]:
    lines = []
    for declared in dataclasses.fields(record):
        key, meta = _key(declared), declared.metadata
        if key in skip:
            continue
        shown = _toml_text(meta["text"]) if meta["type"] == "quantity" else _toml_value(
            declared, getattr(record, declared.name)
        )
        choices = f" ({' | '.join(c for c in meta['choices'] if c)})" if meta.get("choices") else ""
        mark = "" if key in live and shown not in (None, '""') else "# "
        lines.append(f"{mark}{key} = {shown if shown is not None else '0.0'}  # {meta['help']}{choices}")
    return lines


def _starter_ground() -> list[str]:
    lines = ["# What lies on the ground. A layer that is missing is printed as NOT CHECKED on every sheet."]
    for kind, layer in GROUND_DEFAULTS.items():
        lines += [f"# [ground.{kind}]", '# file = "ground.gpkg"', f'# layer = "{kind}"']
        if layer.clearance_m:
            lines.append(f"# rule = {_toml_text(layer.rule)}  # or cross, at clearance {layer.clearance_m:g} m")
        lines += [f'# buffer = "{layer.buffer_m:.4g} m"', ""]
    return lines
