"""Names meant to do harm, from the survey and the bush file all the way to IDs, file names, PDF, GPX and CSV."""

from __future__ import annotations

import csv
import io
import json
import re
import sqlite3
import unicodedata
import xml.etree.ElementTree as ET
from contextlib import closing
from pathlib import Path

import pikepdf
import pypdfium2
import pytest
from pipeline.cli import run_cli

import tiny_bush

FORMULAS = ["=cmd|' /C calc'!A0", "+1+1", "-2+3", "@SUM(1)", "\t=1", "  =1+1", "%0A=1", "|x"]
PATHS = ["../../etc/passwd", "..\\..\\x", "C:\\Windows\\x", "/dev/null", "a/b/c", "CON", "nul.txt", "\u2215etc",
         "x" * 300]
MARKS = ["T\u202e1T", "\u200b\u200d", "\ufeffT9", "\u2066T\u2069", "\x07bell", "\x1b[31mred\x1b[0m", "T\x7f", "\u0085T",
         "e\u0301rable", "\U0001f341", "Æ\u0308ß", "ﷺ", "a\u0300\u0301\u0302\u0303" * 20]
MARKUP = ["<b>&amp;", "]]>", "<!-- x", "';DROP TABLE trees;--", '"', "{name}", "%s%n", "${HOME}", "\\n(x)", "()",
          "1+25", "M1", "M1.1-L01", "S01", "C1"]
LONG = ["L" * 10_000, "é" * 5_000]
TAGS = [*FORMULAS, *PATHS, *MARKS, *MARKUP, *LONG]
HIDDEN = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff]")


@pytest.fixture(scope="module")
def made(tmp_path_factory) -> Path:
    """Return the plan of a woodlot whose every name is hostile."""
    home = tmp_path_factory.mktemp("hostile")
    tags = [*TAGS, *(f"T{i}" for i in range(tiny_bush.TREES - len(TAGS)))]
    name = "=Bush <b>&amp; ../../x \U0001f341 {name} %s " + "N" * 150
    bush = tiny_bush.write_bush(home / "site", name=name, tags=tags)
    text = bush.read_text(encoding="utf-8").replace('id = "C1"', 'id = "../=C1 <b>"')
    text = text.replace("[trees]", 'made_by = "../.. & <i> =1"\n[trees]')
    text += '[sheets]\nmeeting_point = "=1+1 </desc> ' + "m" * 180 + '"\nhospital = "-x"\n'
    bush.write_text(text, encoding="utf-8")
    target = home / "plan"
    assert run_cli(["check", str(bush), "--quiet", "--pdf", str(home / "check.pdf")]) == 0
    assert run_cli(["plan", str(bush), "--into", str(target), "--quiet"]) == 0
    return target


def test_every_tree_is_there_with_a_tag_of_its_own(made) -> None:
    with closing(sqlite3.connect(made / "plan.gpkg")) as db:
        ids = [row[0] for row in db.execute("SELECT tree_id FROM trees")]
    assert len(ids) == len(set(ids)) == tiny_bush.TREES
    assert all(ids)
    assert max(map(len, ids)) <= 50
    assert not [i for i in ids if HIDDEN.search(i)]


def test_no_file_leaves_the_folder_and_all_names_are_plain(made) -> None:
    assert sorted(p.name for p in made.parent.iterdir()) == ["check.pdf", "plan", "site"]
    for path in made.rglob("*"):
        assert re.fullmatch(r"[A-Za-z0-9_.-]+", path.name), path.name
        assert not path.is_symlink()


@pytest.mark.parametrize("name", ["materials.csv", "findings.csv"])
def test_no_cell_is_a_formula_and_no_row_is_torn(made, name: str) -> None:
    rows = list(csv.reader((made / name).read_text(encoding="utf-8").splitlines()))
    assert len({len(row) for row in rows}) == 1
    for cell in (c for row in rows for c in row):
        assert not re.match(r"\s*[=+@|%\t]", cell), cell
        assert not re.match(r"\s*-", cell) or re.fullmatch(r"-[\d.]+(e-?\d+)?", cell), cell
        assert not HIDDEN.search(cell)


def test_the_field_points_are_xml_without_hidden_marks(made) -> None:
    text = (made / "fieldpoints.gpx").read_text(encoding="utf-8")
    root = ET.fromstring(text)  # noqa: S314 - our own file
    assert root.tag.endswith("gpx")
    assert not HIDDEN.search(text)
    assert len(root.findtext("{*}metadata/{*}name")) <= 200


@pytest.mark.parametrize("name", ["book.pdf", "overview.pdf", "sheets/S01.pdf", "../check.pdf"])
def test_paper_shows_no_hidden_marks_and_runs_nothing(made, name: str) -> None:
    body = (made / name).read_bytes()
    with pikepdf.open(io.BytesIO(body)) as file:
        keys = {key for item in file.objects if isinstance(item, pikepdf.Dictionary) for key in item.keys()}  # noqa: SIM118
        assert "/Type" in keys
        assert not keys & {"/JavaScript", "/JS", "/Launch", "/OpenAction", "/AA", "/EmbeddedFiles", "/EF"}
    document = pypdfium2.PdfDocument(body)
    text = "".join(page.get_textpage().get_text_range() for page in document)
    title = document.get_metadata_dict()["Title"]
    document.close()
    # U+FFFE and U+0002 are how the reader of PDFs marks hyphens at line ends
    odd = {c for c in text if unicodedata.category(c) in {"Cc", "Cf", "Cs"}} - set("\r\n\ufffe\x02\u00ad")
    assert not odd, [hex(ord(c)) for c in odd]
    assert not HIDDEN.search(title)
    assert len(title) < 400


def test_summary_and_settings_read_back(made) -> None:
    from pipeline import bushfile

    summary = json.loads((made / "summary.json").read_text(encoding="utf-8"))
    assert summary["trees"]["read"] == tiny_bush.TREES
    settings = bushfile.parse((made / "settings.used.toml").read_text(encoding="utf-8"), "settings.used.toml")
    assert settings.bush.name.startswith("=Bush")


def test_it_can_be_printed_and_explained_again(made, capsys, tmp_path) -> None:
    assert run_cli(["sheets", str(made), "--into", str(tmp_path / "again")]) == 0
    assert run_cli(["explain", "M1", "--plan", str(made)]) == 0
    assert not HIDDEN.search(capsys.readouterr().out)


@pytest.mark.parametrize(("key", "value", "found"), [
    ('name = "Tiny bush"', 'name = "a\\u202Eb"', "U+202E"), ('id = "C1"', 'id = "C\\u0007"', "U+0007"),
    ('name = "Tiny bush"', f'name = "{"n" * 201}"', "201 characters"),
    ('file = "trees.csv"', 'file = "trees\\u200b.csv"', "U+200B"),
    ('file = "trees.csv"', 'file = "trees.csv"\nspecies = ["maple", "a\\u2066"]', "U+2066"),
])
def test_hidden_marks_and_endless_names_in_the_bush_file_are_refused(tmp_path, capsys, key, value, found) -> None:
    bush = tiny_bush.write_bush(tmp_path)
    text = bush.read_text(encoding="utf-8")
    assert key in text
    bush.write_text(text.replace(key, value), encoding="utf-8")
    assert run_cli(["check", str(bush), "--quiet"]) == 2
    told = capsys.readouterr().err
    assert found in told
    assert not HIDDEN.search(told)
