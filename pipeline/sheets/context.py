"""What every page builder is given: the plan, its ground, the words and the units."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache

from pipeline.records import Ground, Plan, Section
from pipeline.resources import template_text
from pipeline.sheets.checkcode import all_codes
from pipeline.sheets.local import local
from pipeline.sheets.lookup import lookup
from pipeline.terrain.grid import Terrain
from pipeline.units import Units

# blanks that hold names, addresses and positions for phones: nothing in them is a quantity
_AS_THEY_ARE = frozenset({
    "uri", "lat", "lon", "trees", "terrain", "maker", "name", "names", "crs", "vertical", "code", "date", "revision",
    "line", "lines", "section", "sections", "collection", "tree", "place", "call", "radio", "hospital", "tag", "file",
})


@cache
def load_words(language: str) -> Mapping[str, str]:
    """Return the printed words of a language, keyed ``"table.word"``."""
    tables = tomllib.loads(template_text(f"words/{language}.toml"))
    return {
        f"{name}.{key}": str(value)
        for name, table in sorted(tables.items()) if isinstance(table, dict)
        for key, value in sorted(table.items())
    }


@dataclass(frozen=True, slots=True, eq=False)
class SheetContext:
    """Everything the paper depends on.

    Parameters
    ----------
    plan, terrain, ground
        What was planned, and on what.
    units : Units
        How numbers are printed.
    words : mapping
        Printed words by key, from ``templates/words/LANGUAGE.toml``.
    language, paper : str
        ``"en"`` or ``"fr"``; a key of :data:`pipeline.sheets.paper.PAPERS`.
    date, revision : str
        Plan date (YYYY-MM-DD) and revision letter.
    codes : mapping
        Check code by section ID, the whole plan's under ``""``.
    issued : mapping
        By section that a repair left alone: the context its sheets were issued with.
    """

    plan: Plan
    terrain: Terrain
    ground: Ground
    units: Units
    words: Mapping[str, str]
    language: str
    paper: str
    date: str
    revision: str
    codes: Mapping[str, str]
    issued: Mapping[str, SheetContext] = field(default_factory=dict)

    def w(self, key: str, **values: object) -> str:
        """Return the words of a key with its blanks filled, numbers and units in the language's spelling.

        Raises
        ------
        KeyError
            When the language file lacks the key, or a blank has no value.
        """
        if self.language != "en":
            values = {
                name: local(self.language, value) if isinstance(value, str) and name not in _AS_THEY_ARE else value
                for name, value in values.items()
            }
        return self.words[key].format(**values) if values else self.words[key]

    def has(self, key: str) -> bool:
        """Whether the language file has a key."""
        return key in self.words

    def section(self, section_id: str) -> Section:
        """Return a section by its ID.

        Raises
        ------
        KeyError
            When the plan has no such section.
        """
        found = lookup(self.plan).section.get(section_id)
        if found is not None:
            return found
        known = ", ".join(s.section_id for s in self.plan.sections)
        raise KeyError(f"no section {section_id!r}; the plan has {known}")

    def check_code(self, section_id: str) -> str:
        """Return the check code of a section, or of the whole plan for ``""``."""
        return self.codes[section_id]

    def revision_of(self, section_id: str) -> tuple[str, str, str]:
        """Return revision, date and replaced revision of a section's sheets, or of the whole plan's for ``""``."""
        changes = self.plan.changes
        if not section_id:
            last = changes[-1] if changes else None
            return (last.revision, last.date, last.replaces) if last else (self.revision, self.date, "")
        section = lookup(self.plan).section.get(section_id)
        retired = {s.section_id: (c.revision, s.replaces) for c in changes for s in c.sections if s.retired}
        revision, replaces = (
            (section.revision, section.replaces) if section is not None else retired.get(section_id, ("", ""))
        )
        date = next((c.date for c in changes if c.revision == revision), "")
        return revision or self.revision, date or self.date, replaces


def make_context(*, plan: Plan, terrain: Terrain, ground: Ground) -> SheetContext:
    """Return the context of a plan's sheets: paper, units, language, date and revision are its bush file's."""
    bush = plan.settings.bush
    return SheetContext(
        plan=plan, terrain=terrain, ground=ground, units=Units(bush.units), words=load_words(bush.language),
        language=bush.language, paper=bush.paper, date=bush.date, revision=bush.revision,
        codes=all_codes(plan, terrain=terrain, ground=ground),
    )
