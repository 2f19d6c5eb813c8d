"""The judge's list of its codes is the one that its modules hold."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pipeline.judge
from pipeline.judge import CODES

ROOM = Path(pipeline.judge.__file__).parent


def codes_in(module: Path) -> set[str]:
    """Return the texts in capitals, digits and underscores that stand as constants in a module's functions."""
    tree = ast.parse(module.read_text(encoding="utf-8"))
    texts = {n.value for n in ast.walk(tree) if isinstance(n, ast.Constant) and isinstance(n.value, str)}
    return {t for t in texts if re.fullmatch(r"[A-Z][A-Z0-9_]{2,}", t)}


def test_the_list_holds_what_the_modules_say_and_nothing_else():
    found = set().union(*(codes_in(m) for m in ROOM.glob("*.py") if m.name != "__init__.py"))
    assert found == CODES
