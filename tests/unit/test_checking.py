"""``fallgrade check``: everything that was read is on its page, with file, layer and row."""

from __future__ import annotations

import csv
import dataclasses
import math
import re
from pathlib import Path

import pypdfium2
import pytest
from pipeline import checking
from pipeline.cli import run_cli
from pipeline.terrain.confidence import grade_confidence

import tiny_bush

SIDE = tiny_bush.CELL_M * tiny_bush.CELLS


@pytest.fixture(scope="module")
def messy(tmp_path_factory) -> checking.Checked:
    """Return a survey with one of each trouble, and a keep-out area."""
    folder = tmp_path_factory.mktemp("messy")
    bush = tiny_bush.write_bush(folder)
    keep_out = ('{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": {"name": "den"}, '
                '"geometry": {"type": "Polygon", "coordinates": [[%s]]}}]}')
    west, north = tiny_bush.WEST, tiny_bush.NORTH
    ring = [(west + 2, north - 2), (west + 20, north - 2), (west + 20, north - 20), (west + 2, north - 20)]
    corners = ["[{}, {}]".format(*tiny_bush.lonlat(x, y)) for x, y in (*ring, ring[0])]
    (folder / "keep.geojson").write_text(keep_out % ", ".join(corners), encoding="utf-8")
    bush.write_text(bush.read_text() + '[ground.no_go]\nfile = "keep.geojson"\n', encoding="utf-8")
    trees = folder / "trees.csv"
    rows = list(csv.reader(trees.read_text(encoding="utf-8").splitlines()))
    inside = tiny_bush.lonlat(west + 10, north - 10)
    away = tiny_bush.lonlat(west - 60, north - 60)
    middle = tiny_bush.lonlat(west + SIDE / 2, north - SIDE / 2)
    rows += [
        ["keepout", f"{inside[0]:.8f}", f"{inside[1]:.8f}", "sugar maple", "14"],
        ["off", f"{away[0]:.8f}", f"{away[1]:.8f}", "sugar maple", "14"],
        ["twin", rows[1][1], rows[1][2], "sugar maple", rows[1][4]],
        ["thin", f"{middle[0]:.8f}", f"{middle[1]:.8f}", "sugar maple", "5"],
        ["nowhere", "n/a", "", "sugar maple", "14"],
        ["swapped", rows[2][2], rows[2][1], "sugar maple", "14"],
    ]
    with trees.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows)
    return checking.check(bush)


def facts(checked: checking.Checked) -> checking.CheckFacts:
    return checking.facts(checked, checking.context(checked))


def test_every_tree_is_in_one_class_and_every_tap_too(messy) -> None:
    found = facts(messy)
    assert sum(trees for _, trees, _ in found.classes) == len(messy.trees) == tiny_bush.TREES + 6
    assert sum(taps for _, _, taps in found.classes) == int(messy.trees.taps.sum())


@pytest.mark.parametrize(("words", "line"), [
    ("keep-out", 72), ("outside the terrain", 73), ("surveyed twice", 74), ("too thin", 75), ("position unusable", 76),
])
def test_a_tree_left_out_is_named_by_its_line_in_the_file(messy, words: str, line: int) -> None:
    (rows,) = [rows for name, _, rows, _ in facts(messy).left if words in name]
    assert str(line) in re.findall(r"\d+", rows)
    points = messy.given.points
    assert points.tree_id[points.row.tolist().index(line)] in {"keepout", "off", "twin", "thin", "nowhere"}


def test_findings_say_file_and_what_to_do(messy) -> None:
    looks = [m for m in facts(messy).mend if m.severity == "check"]
    assert looks
    assert all(m.where.startswith("trees.csv") and m.remedy for m in looks)
    assert any("longitude and latitude swapped" in m.text for m in looks)


def test_missing_layers_are_not_checked_and_no_plan_is_called_ready(messy) -> None:
    found = facts(messy)
    assert {"Power line", "Road", "Property line"} <= set(found.missing)
    assert f"NOT CHECKED: {len(found.missing)}" in found.verdict
    assert not found.verdict.startswith("Ready")


def test_the_terminal_page_holds_all_facts_once(messy) -> None:
    lines = checking.lines(messy)
    text = "\n".join(lines)
    for part in ("UTM zone 18N", "terrain.tif", "trees.csv", "keep.geojson", "metres were taken", "NOT CHECKED"):
        assert part in text
    assert sum("Power line: NOT CHECKED" in line for line in lines) == 1
    assert all(line.isprintable() for line in lines)


def test_the_text_map_shows_tank_trees_and_keep_out_where_they_are(messy) -> None:
    rows = checking.text_map(messy)
    assert len(rows) <= checking.MAP_ROWS + 1
    assert all(len(row) <= checking.MAP_COLS + 1 for row in rows)
    assert rows[0].lstrip("x").startswith("#")  # the keep-out area lies in the north-west corner
    (tank,) = [(i, row.index("C")) for i, row in enumerate(rows) if "C" in row]
    point = messy.given.collections[0]
    assert tank[0] == pytest.approx((tiny_bush.NORTH - point.y_m) / SIDE * len(rows), abs=1.0)
    assert tank[1] == pytest.approx((point.x_m - tiny_bush.WEST) / SIDE * max(map(len, rows)), abs=1.0)


def pages(pdf: bytes) -> list[str]:
    document = pypdfium2.PdfDocument(pdf)
    found = [page.get_textpage().get_text_range() for page in document]
    document.close()
    return found


@pytest.mark.parametrize("language", ["en", "fr"])
@pytest.mark.parametrize("paper", ["letter", "a4"])
def test_the_sheet_is_one_page_with_the_same_facts(messy, language: str, paper: str) -> None:
    given = messy.given
    bush = dataclasses.replace(given.settings.bush, language=language, paper=paper)
    settings = dataclasses.replace(given.settings, bush=bush)
    checked = dataclasses.replace(messy, given=dataclasses.replace(given, settings=settings))
    made = checking.pdf(checked)
    assert made == checking.pdf(checked)
    found = pages(made)
    if language == "en":
        assert len(found) == 1
    text = " ".join(" ".join(found).split())
    for part in ("terrain.tif", "keep.geojson", "72", "WGS 84 / UTM zone 18N"):
        assert part in text
    assert ("NOT CHECKED" if language == "en" else "NON VÉRIFIÉ") in text
    # a sheet to build from carries a check code; this one must not
    assert not re.search(r"\b[0-9A-F]{4}-[0-9A-F]{4}\b", text)


def test_what_the_terrain_proves_is_what_the_planner_calls_high() -> None:
    keys = {"min_grade_pct": 2.0, "vertical_error_m": 0.15, "gps_error_m": 3.0}
    for length_m in (10.0, 30.0, 100.0):
        grade = checking.provable_grade_pct(length_m, **keys)
        assert grade > 2.0
        for step, word in ((0.01, "high"), (-0.01, "level it")):
            fall_m = (grade + step) / 100.0 * length_m
            assert grade_confidence(length_m=length_m, fall_m=fall_m, **keys) == word
    assert math.isnan(checking.provable_grade_pct(30.0, min_grade_pct=2.0, vertical_error_m=0.0, gps_error_m=1.0))
    assert math.isnan(checking.provable_grade_pct(1.0, min_grade_pct=2.0, vertical_error_m=9.0, gps_error_m=1.0))


def test_nothing_to_tap_is_said_first(tmp_path) -> None:
    bush = tiny_bush.write_bush(tmp_path)
    tiny_bush.write_trees(tmp_path / "trees.csv", species="red oak")
    assert facts(checking.check(bush)).verdict.startswith("Cannot be planned")


def test_data_far_apart_have_no_map_but_a_page(messy, monkeypatch) -> None:
    def refuse(*_args, **_keys):
        raise ValueError("too large")

    monkeypatch.setattr("pipeline.sheets.check_page.fit_view", refuse)
    assert "too far apart" in pages(checking.pdf(messy))[0]


@pytest.mark.parametrize(("old", "new", "code", "parts"), [
    ('file = "trees.csv"', 'file = "gone.csv"', 3, ("gone.csv", "no such file")),
    ('date = "2026-03-02"', 'date = "soon"', 2, ("'soon'", "YYYY-MM-DD")),
    ("[mainlines]", "[mainlinez]", 2, ("unknown key 'mainlinez'", "'mainlines'")),
])
def test_what_must_be_mended_is_on_paper_too(tmp_path, capsys, old: str, new: str, code: int, parts) -> None:
    bush = tiny_bush.write_bush(tmp_path / "site")
    text = bush.read_text(encoding="utf-8")
    assert old in text
    bush.write_text(text.replace(old, new), encoding="utf-8")
    target = tmp_path / "mend.pdf"
    assert run_cli(["check", str(bush), "--quiet", "--pdf", str(target)]) == code
    told = capsys.readouterr()
    assert "found:" in told.err
    text = " ".join(pages(target.read_bytes())[0].split())
    for part in parts:
        assert part in text
    assert "1 things to mend" in text
    assert "Seen" in text


def test_the_pdf_never_replaces_what_is_no_pdf(tmp_path, capsys) -> None:
    bush = tiny_bush.write_bush(tmp_path / "bush été")
    before = (bush.parent / "trees.csv").read_bytes()
    assert run_cli(["check", str(bush), "--quiet", "--pdf", str(bush.parent / "trees.csv")]) == 5
    assert "ends in .pdf" in capsys.readouterr().err
    assert (bush.parent / "trees.csv").read_bytes() == before
    target = tmp_path / "out dir" / "check.pdf"
    assert run_cli(["check", str(bush), "--quiet", "--pdf", str(target)]) == 0
    assert target.read_bytes().startswith(b"%PDF")
    assert [p.name for p in target.parent.iterdir()] == ["check.pdf"]
    assert not (Path(bush.parent) / "plan").exists()
