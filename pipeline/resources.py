"""Finds the files that travel with the program: templates and the demo woodlot."""

from __future__ import annotations

import csv
from pathlib import Path

_HERE = Path(__file__).resolve().parent


def _folder(name: str) -> Path:
    for candidate in (_HERE / name, _HERE.parent / name):
        if candidate.is_dir():
            return candidate
    raise FileNotFoundError(f"the folder {name!r} did not come with this installation of fallgrade")


def templates_dir() -> Path:
    """Return the folder of templates: inside the installed package, else beside it in a checkout."""
    return _folder("templates")


def demo_dir() -> Path:
    """Return the folder of the demo woodlot."""
    return _folder("data_demo")


def template_text(relative: str) -> str:
    """Return the text of one template file (UTF-8)."""
    return (templates_dir() / relative).read_text(encoding="utf-8")


def template_bytes(relative: str) -> bytes:
    """Return the content of one template file, such as a font."""
    return (templates_dir() / relative).read_bytes()


def template_rows(relative: str) -> list[dict[str, str]]:
    """Return the rows of a CSV template, keyed by its header; lines that begin with # are comments."""
    lines = [line for line in template_text(relative).splitlines() if line.strip() and not line.startswith("#")]
    return [dict(row) for row in csv.DictReader(lines)]
