"""Every code that the program can print is explained in English and in French, and nothing else is.

The codes are read out of the source: whatever is given as ``code`` to ``Finding`` or to a helper that makes one
(a function with a parameter ``code``), and every reason of a tree.
"""

from __future__ import annotations

import ast
import dataclasses
import re
import tomllib
from functools import cache
from pathlib import Path
from types import SimpleNamespace

import pytest
from pipeline import explaining
from pipeline.errors import RequestError
from pipeline.explaining import LANGUAGES, codes, explain_code, explain_id
from pipeline.records import NOT_TAPPED_REASONS, SET_ASIDE_REASONS
from pipeline.resources import template_text
from pipeline.settings import Settings

from sample_plan import sample_plan

ROOT = Path(__file__).resolve().parents[2]
FILES = {"en": "codes.toml", "fr": "codes.fr.toml"}
CODE = re.compile(r"[A-Z][A-Z0-9_]+[A-Z0-9]")
LONGEST = 300
# Names of settings and columns, commands and what is printed as it stands are the same in both languages.
AS_IT_STANDS = re.compile(r"\[+\w+\]+(?: \w+)?|\b[a-z]+(?:_[a-z]+)+\b|templates/\S+|plan\.gpkg|fallgrade \w+")
ENGLISH = re.compile(
    r"\b(?:the|of|and|is|are|was|were|be|been|with|without|that|this|these|those|which|than|from|into|where|when|should|"
    r"would|could|must|not|but|for|has|have|its|it|they|there|here|over|under|between|above|below|until|does|only|trees?|"
    r"taps?|lines?|laterals?|mainlines?|ground|pipes?|file|settings?)\b"
)
FRENCH = re.compile(r"\b(?:le|la|les|un|une|des|du|de|au|aux|ces|ce|à|ou|et)\b|\b[ldn]['’]")


# ---------------------------------------------------------------- reading the source


@cache
def modules() -> list[tuple[str, ast.Module]]:
    return [
        (str(path.relative_to(ROOT)), ast.parse(path.read_text(encoding="utf-8")))
        for path in sorted((ROOT / "pipeline").rglob("*.py"))
    ]


def constants(node: ast.AST) -> set[str]:
    """Return the texts under a node that look like a code, whichever way a choice between two goes."""
    if isinstance(node, ast.IfExp):
        return constants(node.body) | constants(node.orelse)
    found = (n.value for n in ast.walk(node) if isinstance(n, ast.Constant) and isinstance(n.value, str))
    return {text for text in found if CODE.fullmatch(text)}


def called(node: ast.Call) -> str:
    return node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")


def makers(tree: ast.Module, known: dict[str, int]) -> dict[str, int]:
    """Return the functions of a module that make a finding of a ``code`` given to them.

    Each with the place of ``code`` among its arguments; helpers of helpers too, to any depth.
    """
    functions = {n.name: n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef)}
    calls = {
        name: {called(n) for n in ast.walk(node) if isinstance(n, ast.Call)} for name, node in functions.items()
    }
    own: dict[str, int] = {}
    while True:
        more = {}
        for name, node in functions.items():
            names = [a.arg for a in (*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs)]
            if name not in own and "code" in names and calls[name] & {*known, *own}:
                more[name] = names.index("code")
        if not more:
            return own
        own |= more


@cache
def shared() -> dict[str, int]:
    """Return the makers of findings that any room may call."""
    known = {"Finding": 0}
    for _, tree in modules() * 2:  # twice: a helper may use one of a module that comes after its own
        known |= {name: place for name, place in makers(tree, known).items() if not name.startswith("_")}
    return known


def codes_of(tree: ast.Module) -> tuple[set[str], list[int]]:
    """Return the codes a module gives to findings, and the lines of calls whose code could not be read."""
    found: set[str] = set()
    unread: list[int] = []
    places = shared() | makers(tree, shared())
    holders = [n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef)]
    for node in ast.walk(tree):
        if not isinstance(node, ast.Call) or called(node) not in places:
            continue
        place = places[called(node)]
        given = [k.value for k in node.keywords if k.arg == "code"] or node.args[place : place + 1]
        if not given or isinstance(given[0], ast.Starred):
            continue  # a finding read back from a plan folder
        inside = [f for f in holders if f.lineno <= node.lineno <= (f.end_lineno or 0)]
        own = read(given[0], max(inside, key=lambda f: f.lineno, default=None), tree)
        if own is None:
            continue  # a maker passes on what it was given
        found |= own
        if not own:
            unread.append(node.lineno)
    return found, unread


def read(given: ast.expr, holder: ast.FunctionDef | None, tree: ast.Module) -> set[str] | None:
    """Return what an argument may be; None when the caller of the function around it decides."""
    if isinstance(given, ast.JoinedStr):
        form = "".join(str(v.value) if isinstance(v, ast.Constant) else "?" for v in given.values)
        return {form.replace("?", name) for name in constants(tree)}  # each code of the module in its place
    if isinstance(given, ast.Name) and holder is not None:
        args = [a.arg for a in (*holder.args.posonlyargs, *holder.args.args, *holder.args.kwonlyargs)]
        if given.id in args:
            return None if given.id == "code" else set()
        return named(given.id, holder) or constants(ast.Module(
            [n for n in tree.body if isinstance(n, ast.Assign | ast.AnnAssign)], []))
    return constants(given)


def named(name: str, holder: ast.FunctionDef) -> set[str]:
    """Return the codes in what a local name is set to, by assignment, loop or comprehension."""
    tables: dict[str, ast.expr] = {}
    sources: list[ast.expr] = []
    for node in ast.walk(holder):
        if isinstance(node, ast.Assign):
            tables |= {t.id: node.value for t in node.targets if isinstance(t, ast.Name)}
        elif isinstance(node, ast.For | ast.comprehension) and name in {
            n.id for n in ast.walk(node.target) if isinstance(n, ast.Name)
        }:
            sources.append(node.iter)
    if name in tables:
        sources.append(tables[name])
    found = set()
    for source in sources:
        found |= constants(source)
        for inner in ast.walk(source):
            if isinstance(inner, ast.Name) and inner.id in tables and inner.id != name:
                found |= constants(tables[inner.id])
    return found


@pytest.fixture(scope="module")
def source() -> dict[str, set[str]]:
    """Return the modules that print each code."""
    where: dict[str, set[str]] = {}
    for name, tree in modules():
        for code in codes_of(tree)[0]:
            where.setdefault(code, set()).add(name)
    for code in (*SET_ASIDE_REASONS, *NOT_TAPPED_REASONS):
        where.setdefault(code, set()).add("a tree's reason")
    return where


# ---------------------------------------------------------------- the reader itself


def test_no_code_escapes_the_reader():
    assert {name: lines for name, tree in modules() if (lines := codes_of(tree)[1])} == {}


def test_the_reader_finds_what_the_judge_says_of_itself(source):
    """The judge's docstrings list their codes: written by hand, so a second road to the same names."""
    told = set()
    for name, tree in modules():
        if "/judge/" in name:
            for node in ast.walk(tree):
                if isinstance(node, ast.FunctionDef) and "Code" in (text := ast.get_docstring(node) or ""):
                    told |= set(re.findall(r"``([A-Z][A-Z0-9_]{2,})``", text))
    assert len(told) > 30
    assert told - set(source) == set()


@pytest.mark.parametrize(("text", "wanted"), [
    ("Finding('ONE', 'note')", {"ONE"}),
    ("Finding(code='ONE')", {"ONE"}),
    ("breach('LOW' if a == 'THIRD' else 'HIGH', x)", {"LOW", "HIGH"}),
    ("def f():\n    for code, b in (('ONE', 1), ('TWO', 2)):\n        Finding(code, b)", {"ONE", "TWO"}),
    ("def f():\n    t = {'ONE': 1}\n    for code, b in t.items():\n        Finding(code, b)", {"ONE"}),
    ("def f(c):\n    code = 'ONE' if c == 'THIRD' else 'TWO'\n    Finding(code)", {"ONE", "TWO"}),
    ("T = ('ONE', 'TWO')\ndef f(code):\n    Finding(f'PRE_{code}')", {"PRE_ONE", "PRE_TWO"}),
    ("def f(code):\n    Finding(code)", set()),
    ("def f(a, code):\n    Finding(code)\ndef g(code):\n    f(1, code)\ng('ONE')\nf('NOT', 'TWO')", {"ONE", "TWO"}),
    ("def f(*, code):\n    Finding(code)\nf(code='ONE')", {"ONE"}),
    ("case.breach('ONE')", {"ONE"}),
    ("other('ONE')", set()),
])
def test_the_reader_reads_each_way_a_code_is_given(text, wanted):
    assert codes_of(ast.parse(text))[0] == wanted


# ---------------------------------------------------------------- the texts


def test_every_code_of_the_program_is_explained(source):
    known = codes()
    assert {code: sorted(rooms) for code, rooms in source.items() if code not in known} == {}


def test_no_explanation_is_of_a_code_that_nothing_prints(source):
    assert set(codes()) - set(source) == set()


@pytest.mark.parametrize("language", LANGUAGES)
def test_each_entry_says_what_it_means_and_what_to_do(language):
    for code, entry in codes(language).items():
        assert set(entry) == {"means", "do"}, code
        for key, text in entry.items():
            assert text == text.strip(), f"{code}.{key}"
            assert 0 < len(text) <= LONGEST, f"{code}.{key}: {len(text)} characters"
            assert text.endswith("."), f"{code}.{key}"
            assert text[0].isupper(), f"{code}.{key}"


@pytest.mark.parametrize("language", LANGUAGES)
def test_codes_stand_in_alphabetical_order(language):
    heads = re.findall(r"^\[(\w+)\]$", template_text(FILES[language]), flags=re.MULTILINE)
    assert heads == sorted(heads)
    assert heads == list(tomllib.loads(template_text(FILES[language])))


def test_both_languages_explain_the_same_codes():
    assert set(codes("fr")) == set(codes("en"))


def test_the_french_is_french():
    english = codes("en")
    left = {}
    for code, entry in codes("fr").items():
        for key, text in entry.items():
            bare = AS_IT_STANDS.sub(" ", text).lower()
            if text == english[code][key] or ENGLISH.search(bare) or not FRENCH.search(bare):
                left[f"{code}.{key}"] = ENGLISH.findall(bare)
    assert left == {}


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_setting_that_is_named_exists(language):
    settings = Settings()
    keys = {}
    for table in dataclasses.fields(settings):
        value = getattr(settings, table.name)
        record = value[0] if isinstance(value, tuple) else value
        if dataclasses.is_dataclass(record):
            keys[table.name] = {f.metadata.get("key", f.name) for f in dataclasses.fields(record)}
    texts = " ".join(text for entry in codes(language).values() for text in entry.values())
    named = re.findall(r"\[+(\w+)\]+ (\w+)", texts)
    assert len(named) > 40
    assert {(table, key) for table, key in named if key not in keys.get(table, ())} == set()


def test_no_two_codes_are_explained_alike():
    """A text copied and not adapted would mislead."""
    for language in LANGUAGES:
        means = [entry["means"] for entry in codes(language).values()]
        assert len(means) == len(set(means))


def test_a_code_is_explained_in_the_language_asked_for():
    for language in LANGUAGES:
        lines = explain_code("below_outlet", language)
        assert lines[0] == "BELOW_OUTLET"
        entry = codes(language)["BELOW_OUTLET"]
        assert entry["means"] in lines[1]
        assert entry["do"] in lines[2]


def test_a_code_of_a_plan_is_explained_with_what_the_plan_has_of_it(monkeypatch):
    plan = sample_plan()[0]
    finding = dataclasses.replace(plan.findings[0], code="LEVEL_IT")
    plan = dataclasses.replace(plan, findings=(finding,))
    monkeypatch.setattr(explaining, "load", lambda _folder: SimpleNamespace(plan=plan))
    reason = next(r for r in plan.trees.reason if r)
    bearing = [tag for tag, own in zip(plan.trees.tree_id, plan.trees.reason, strict=True) if own == reason]
    lines = explain_id(reason.lower(), Path("plan"))
    assert lines[:3] == explain_code(reason)
    assert f"{len(bearing)} trees of this plan: {bearing[0]}" in lines[3]
    assert any(finding.text in line for line in explain_id(finding.code, Path("plan")))
    absent = next(c for c in codes() if c not in {"LEVEL_IT", *plan.trees.reason})
    assert explain_id(absent, Path("plan"))[-1] == "  this plan has none of it"


def test_an_unknown_code_names_the_nearest():
    with pytest.raises(RequestError) as caught:
        explain_code("BELOW_OUTLT")
    assert "Did you mean BELOW_OUTLET" in caught.value.problems[0].remedy
