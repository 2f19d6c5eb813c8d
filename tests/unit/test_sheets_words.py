"""Every printed word exists in English and in French, with the same blanks, and is translated."""

from __future__ import annotations

import ast
import re
import tomllib
from pathlib import Path

import pytest
from pipeline.records import NOT_TAPPED_REASONS, SET_ASIDE_REASONS
from pipeline.resources import template_text
from pipeline.sheets.context import load_words
from pipeline.sheets.text import missing

SHEETS = Path(__file__).resolve().parents[2] / "pipeline" / "sheets"
# Words that are the same in both languages: loan words, homographs, units, proper names.
SAME = {
    "cfm", "cm", "points", "danger", "mag", "notes", "pc", "plan", "pt", "section", "sections", "support", "supports",
    "total", "utm",
}


def blanks(text: str) -> list[str]:
    return sorted(re.findall(r"\{(\w+)\}", text))


def test_both_languages_have_the_same_keys_and_blanks():
    en, fr = load_words("en"), load_words("fr")
    assert set(en) == set(fr)
    for key, text in en.items():
        assert blanks(text) == blanks(fr[key]), key


def test_french_is_translated():
    en, fr = load_words("en"), load_words("fr")
    same = {key: text for key, text in en.items() if text == fr[key]}
    left = {
        key: text for key, text in same.items()
        if set(re.findall(r"[a-zà-ÿ]{2,}", re.sub(r"\{\w+\}", " ", text.lower()))) - SAME
    }
    assert left == {}


@pytest.mark.parametrize("name", ["words", "safety"])
@pytest.mark.parametrize("language", ["en", "fr"])
def test_every_character_is_in_the_bundled_faces(name, language):
    assert missing(re.sub(r"\s", "", template_text(f"{name}/{language}.toml"))) == ""


def used_keys() -> dict[str, set[str]]:
    """Return the keys and key patterns that the page builders ask for, by module."""
    found: dict[str, set[str]] = {}
    for path in sorted(SHEETS.glob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if not isinstance(node, ast.Call) or not node.args:
                continue
            name = node.func.attr if isinstance(node.func, ast.Attribute) else ""
            if name not in ("w", "has"):
                continue
            key = _pattern(node.args[0])
            if key:
                found.setdefault(path.name, set()).add(key)
    return found


def _pattern(node: ast.expr) -> str:
    """Return a key as a regular expression: what is filled in may be anything."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return re.escape(node.value)
    if isinstance(node, ast.JoinedStr):
        return "".join(
            re.escape(v.value) if isinstance(v, ast.Constant) and isinstance(v.value, str) else r"\w+"
            for v in node.values
        )
    return ""


def test_every_key_that_a_page_asks_for_exists():
    words = load_words("en")
    used = used_keys()
    assert len(used) > 8  # the reader of the pages' source works
    for module, patterns in used.items():
        for pattern in patterns:
            assert any(re.fullmatch(pattern, key) for key in words), f"{module} asks for {pattern}"


@pytest.mark.parametrize("language", ["en", "fr"])
def test_files_are_tables_of_texts(language):
    tables = tomllib.loads(template_text(f"words/{language}.toml"))
    for name, table in tables.items():
        assert isinstance(table, dict), name
        for key, value in table.items():
            assert isinstance(value, str), f"{name}.{key}"
            assert value.strip(), f"{name}.{key}"


def finding_codes() -> set[str]:
    """Return every code that is written as a constant in a call of ``Finding`` anywhere in the program."""
    codes = set()
    for path in sorted(SHEETS.parent.rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Finding":
                given = [k.value for k in node.keywords if k.arg == "code"] or list(node.args[:1])
                codes |= {v.value for v in given if isinstance(v, ast.Constant) and isinstance(v.value, str)}
    return codes


def test_every_finding_has_its_gist_in_both_languages():
    codes = finding_codes()
    assert len(codes) > 20  # the reader of the source works
    for language in ("en", "fr"):
        words = load_words(language)
        assert {c for c in codes if f"finding.{c}" not in words} == set()


def test_every_reason_has_words_and_what_would_serve():
    for language in ("en", "fr"):
        words = load_words(language)
        for reason in (*SET_ASIDE_REASONS, *NOT_TAPPED_REASONS):
            assert f"reason.{reason}" in words
            assert f"serve.{reason}" in words
