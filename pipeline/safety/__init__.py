"""Turns a section's own data into cautions; words, sources and severities are templates.

The notes prompt, they do not rule: local law, the owner, manuals and licensed people
come first. What no data could tell is a note of its own, ``NOT CHECKED``, and no text
ever says that there is no hazard.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache

from pipeline.records import (
    Crossing,
    Flow,
    Ground,
    Grouping,
    Mainline,
    SafetyNote,
    Section,
    Trees,
)
from pipeline.resources import template_text
from pipeline.safety.facts import TREE, measure
from pipeline.safety.rules import Case, fired, unchecked
from pipeline.settings import Settings
from pipeline.terrain.grid import Terrain
from pipeline.units import Units, slope_both

FIRST_PAGE = 7  # highest notes beside the fixed lines on the first page; ours
TOP_SEVERITY = 5
RAISED_BY = ("K1", "K2")  # far from help: everything is one step graver
# Among equals: power, storm wood, felling, ways, heights, slopes and water, pump house, then the rest; ours.
_FAMILIES = "GBAJCEHDFIK"
_SIGN_RANK = {"CL+Q": 0, "CL": 1, "": 2}


@dataclass(frozen=True, slots=True)
class NoteWords:
    """The words of one note and where its content comes from."""

    text: str
    severity: int
    sign_off: str
    source: str
    mark: str
    basis: str


@dataclass(frozen=True, slots=True)
class SafetyWords:
    """All words of a language: notes by code, the five fixed lines, layers, answers, group titles."""

    notes: Mapping[str, NoteWords]
    fixed: tuple[tuple[str, str], ...]
    layer: Mapping[str, str]
    answer: Mapping[str, str]
    group: Mapping[str, str]


@cache
def load_safety(language: str) -> SafetyWords:
    """Return the safety words of a language, from ``templates/safety``."""
    tables = tomllib.loads(template_text(f"safety/{language}.toml"))
    fixed = tables["fixed"]
    return SafetyWords(
        notes={code: NoteWords(**row) for code, row in tables["note"].items()},
        fixed=tuple((fixed[k]["title"], fixed[k]["text"]) for k in sorted(fixed)),
        layer=tables["layer"], answer=tables["answer"], group=tables["group"],
    )


def notes(
    *, section: Section, mainlines: tuple[Mainline, ...], grouping: Grouping, trees: Trees, flow: Flow,
    crossings: tuple[Crossing, ...], ground: Ground, terrain: Terrain, settings: Settings,
) -> tuple[SafetyNote, ...]:
    """Return the cautions of one section, gravest first.

    Parameters
    ----------
    section : Section
        Whose pieces and laterals are looked at.
    mainlines, grouping, trees, flow, crossings
        The plan's records; ``trees`` with their final status.
    ground : Ground
        Layers and the kinds that nobody supplied.
    terrain : Terrain
        Slopes and ledges in the corridor of the section's lines.
    settings : Settings
        What the bush file says about season, crew, saws and help.

    Returns
    -------
    tuple of SafetyNote
        One per trigger that fires, and one ``K7`` with ``not_checked`` for each thing
        that no data could tell. Values are data, filled in by :func:`note_text`.
    """
    words = load_safety(settings.bush.language).notes
    facts = measure(
        section=section, mainlines=mainlines, grouping=grouping, trees=trees, flow=flow,
        crossings=crossings, ground=ground, terrain=terrain, settings=settings,
    )
    case = Case(facts, settings)
    found = [
        SafetyNote(code, words[code].severity, words[code].sign_off, values) for code, values in fired(case)
    ]
    found += [
        SafetyNote("K7", words["K7"].severity, words["K7"].sign_off, (("layer", key),), not_checked=True)
        for key in unchecked(case, ground.missing)
    ]
    return tuple(in_print_order(found))


def _rank(code: str) -> tuple[int, int]:
    return _FAMILIES.index(code[0]), int(code[1:])


def in_print_order(found: list[SafetyNote]) -> list[SafetyNote]:
    """Return notes by severity (one step graver far from help), own data before routine, sign-off, family of the code.

    A note that carries values stands because of this section's data: it is likelier to
    matter here than one that stands on every sheet.
    """
    far = any(note.code in RAISED_BY for note in found)

    def key(note: SafetyNote) -> tuple[int, int, bool, int, tuple[int, int]]:
        raised = min(TOP_SEVERITY, note.severity + far)
        return -raised, -note.severity, not note.values, _SIGN_RANK[note.sign_off], _rank(note.code)

    return sorted(found, key=key)


def split_pages(found: tuple[SafetyNote, ...]) -> tuple[tuple[SafetyNote, ...], tuple[SafetyNote, ...]]:
    """Return the notes of the first page and the rest; nothing is dropped.

    ``NOT CHECKED`` notes have their own block and are in neither.
    """
    real = tuple(note for note in found if not note.not_checked)
    return real[:FIRST_PAGE], real[FIRST_PAGE:]


_BLANK = re.compile(r"\{(\w+)\}")
_NAMES = ("trees", "layer")  # values that are tags or words: nothing in them is a number


def note_text(
    note: SafetyNote, words: SafetyWords, units: Units, number: Callable[[str], str] = str
) -> str:
    """Return the words of a note with its blanks filled, in the reader's units.

    Parameters
    ----------
    number : callable
        Turns a printed number into the language's habit (decimal comma).

    Raises
    ------
    KeyError
        When the note lacks a value that its words ask for.
    """
    values = dict(note.values)

    def fill(match: re.Match[str]) -> str:
        key = match.group(1)
        text = value_text(key, values[key], words, units)
        return text if key in _NAMES else number(text)

    return _BLANK.sub(fill, words.notes[note.code].text)


def value_text(key: str, value: str, words: SafetyWords, units: Units) -> str:
    """Return one value as printed; the suffix of its key says what it is."""
    printers: dict[str, Callable[[float], str]] = {
        "pct": slope_both, "m": lambda v: distance_text(v, units), "n": units.force,
        "kpa": units.vacuum, "l": units.volume, "min": lambda v: f"{v:.0f} min",
    }
    if key == "layer":
        return words.layer[value]
    if value == "nan" or value in words.answer:
        return words.answer.get(value, words.answer["unknown"])
    if key == "supports":
        return _heights_text(value, words, units)
    suffix = key.rpartition("_")[2]
    if suffix == "at":
        return ", ".join(place_text(place, units) for place in value.split(";"))
    return printers[suffix](float(value)) if suffix in printers and suffix != key else value


def distance_text(length_m: float, units: Units) -> str:
    """Return a length: heights to the tenth, distances above ten metres whole."""
    return units.height(length_m) if length_m < 10.0 else units.length(length_m)


def place_text(where: str, units: Units) -> str:
    """Return a place on a line, written as data ``"M1@125.400"``, as crews read it: ``M1 4+11.4``."""
    owner, at, station = where.rpartition("@")
    return f"{owner} {units.station(float(station))}" if at else where


_SUPPORT = re.compile(r"(.*-S)(\d+)")


def runs_text(names: Sequence[str]) -> str:
    """Return names with supports that follow one another drawn together, as ``M1-S19-S21`` with a long dash."""
    runs: list[tuple[str, str]] = []
    for name in names:
        now, before = _SUPPORT.fullmatch(name), _SUPPORT.fullmatch(runs[-1][1]) if runs else None
        if now and before and now[1] == before[1] and int(now[2]) == int(before[2]) + 1:
            runs[-1] = (runs[-1][0], name)
        else:
            runs.append((name, name))
    shown = []
    for first, last in runs:
        if first == last:
            shown.append(first)
            continue
        low, high = (name.rpartition("S")[2] for name in (first, last))
        between = ", " if int(high) == int(low) + 1 else "\u2013"
        shown.append(f"{first}{between}S{high}")
    return ", ".join(shown)


def _heights_text(value: str, words: SafetyWords, units: Units) -> str:
    """Return ``"M1-S14=2.450;tree:419=2.1"`` as ``M1-S14 (8.0 ft), tree 419 (6.9 ft)``."""
    if "=" not in value:
        return runs_text(value.split(", "))
    pairs = [item.rpartition("=") for item in value.split(";")]
    return ", ".join(
        f"{name.replace(TREE, words.answer['tree'] + ' ')} ({units.height(float(height))})" for name, _, height in pairs
    )
