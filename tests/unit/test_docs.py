"""The documents follow the code."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from pipeline.schema import LAYERS

ROOT = Path(__file__).resolve().parent.parent.parent
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")


def column_tables() -> str:
    """Return the column tables of all layers as DEVELOPERS.md shows them."""
    lines = []
    for layer in LAYERS:
        lines += [f"**{layer.name}** ({layer.geometry})", "", "| column | type | meaning |", "|---|---|---|"]
        lines += [f"| `{c.name}` | {c.type} | {c.meaning} |" for c in layer.columns]
        lines.append("")
    return "\n".join(lines).strip()


def test_the_column_tables_are_the_schema_s():
    """To renew: python -c "import sys; sys.path.insert(0, 'tests/unit'); import test_docs; test_docs.renew()"."""
    shown = re.search(r"<!-- columns -->\n(.*?)\n?<!-- /columns -->", DEVELOPERS, re.DOTALL)
    assert shown
    assert shown.group(1).strip() == column_tables()


def renew() -> None:
    """Write the column tables into DEVELOPERS.md."""
    text = re.sub(r"(<!-- columns -->\n).*?(<!-- /columns -->)", lambda m: m[1] + column_tables() + "\n" + m[2],
                  DEVELOPERS, flags=re.DOTALL)
    (ROOT / "DEVELOPERS.md").write_text(text, encoding="utf-8")


@pytest.mark.parametrize("room", sorted(
    p.stem for p in (ROOT / "pipeline").iterdir()
    if (p.is_dir() and (p / "__init__.py").exists()) or (p.suffix == ".py" and not p.stem.startswith("__init__"))
))
def test_every_room_stands_in_the_table_of_ranks(room):
    assert re.search(rf"`{room}/?`", DEVELOPERS), f"give {room} its row under 'Rooms and ranks'"


@pytest.mark.parametrize("file", ["README.md", "DEVELOPERS.md", "CHANGELOG.md"])
def test_links_and_pictures_of_the_documents_exist(file):
    for target in re.findall(r"\]\(([^)#]+)\)", (ROOT / file).read_text(encoding="utf-8")):
        assert target.startswith("http") or (ROOT / target).exists(), target


def test_the_make_targets_named_in_the_documents_exist():
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    for file in ("README.md", "DEVELOPERS.md"):
        for target in re.findall(r"\bmake ([a-z]+)\b", (ROOT / file).read_text(encoding="utf-8")):
            assert re.search(rf"^{target}:", makefile, re.MULTILINE) or target in {"it", "the"}, target
