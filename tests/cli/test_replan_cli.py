"""The replan command on a small bush: only what broke changes on disk, and it can be taken back."""

from __future__ import annotations

import shutil
from pathlib import Path

import geopandas
import pypdfium2
import pytest
from pipeline.cli import run_cli
from pipeline.publish import load

from storm_referee import faults
from tiny_bush import write_bush

MORE = '[sheets]\nsection_taps = 25\nsection_length = "250 ft"\n'


def text_of(pdf: Path) -> str:
    document = pypdfium2.PdfDocument(pdf)
    return "\n".join(document[k].get_textpage().get_text_range() for k in range(len(document)))


def maps_in(pdf: Path) -> set[str]:
    """Return the sections whose map is in a book."""
    return {line.split()[0] for line in text_of(pdf).splitlines() if line.endswith("SECTION MAP")}


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """Return a planned folder; tests copy it before they change it."""
    base = tmp_path_factory.mktemp("replan")
    bush = write_bush(base / "bush", more="")
    bush.write_text(bush.read_text(encoding="utf-8") + MORE, encoding="utf-8")
    assert run_cli(["plan", str(bush), "--into", str(base / "plan"), "--quiet"]) == 0
    return base / "plan"


@pytest.fixture(scope="module")
def storm(planned):
    """Return a storm file that takes the top tree of the first lateral and a support of the longest line."""
    plan = load(planned).plan
    lateral = plan.laterals[0]
    path = planned.parent / "storm.csv"
    path.write_text(
        f"kind,tree,note\narbre tombé,{plan.trees.tree_id[lateral.tree[-1]]},uprooted\n", encoding="utf-8")
    return path


@pytest.fixture(scope="module")
def repaired(planned, storm):
    folder = planned.parent / "repaired"
    assert run_cli(["replan", str(planned), "--storm", str(storm), "--into", str(folder), "--date", "2026-04-01",
                    "--quiet"]) == 0
    return folder


def test_untouched_sections_are_the_same_files_and_print_the_same_again(planned, repaired, tmp_path):
    plan = load(repaired).plan
    kept = [s.section_id for s in plan.sections if s.issued_in]
    touched = [s.section_id for s in plan.sections if not s.issued_in]
    assert kept
    assert touched
    assert not faults(planned, repaired)
    for name in kept:
        assert (repaired / f"sheets/{name}.pdf").read_bytes() == (planned / f"sheets/{name}.pdf").read_bytes()
    assert run_cli(["sheets", str(repaired), "--section", kept[0], "--section", touched[0], "--into",
                    str(tmp_path)]) == 0
    assert (tmp_path / f"{kept[0]}.pdf").read_bytes() == (planned / f"sheets/{kept[0]}.pdf").read_bytes()
    assert (tmp_path / f"{touched[0]}.pdf").read_bytes() == (repaired / f"sheets/{touched[0]}.pdf").read_bytes()


def test_touched_sheets_say_their_revision_and_what_they_replace(repaired):
    plan = load(repaired).plan
    for section in plan.sections:
        text = text_of(repaired / f"sheets/{section.section_id}.pdf")
        if section.issued_in:
            assert "Rev A" in text
            assert "CHANGE SHEET" not in text
        else:
            assert "Rev B" in text
            assert "Replaces Rev A" in text
            assert "CHANGE SHEET" in text
            pages = pypdfium2.PdfDocument(repaired / f"sheets/{section.section_id}.pdf")
            first = next(t for k in range(len(pages)) if "CHANGE SHEET" in (t := pages[k].get_textpage()
                                                                            .get_text_range()))
            assert "Declared safe by" in first  # beside the step it is signed for
            assert "SAFE" in first
            assert section.check_code in text
    assert "CHANGE SUMMARY" in text_of(repaired / "book.pdf")
    assert maps_in(repaired / "book.pdf") == {s.section_id for s in plan.sections if not s.issued_in}


def test_the_changes_are_a_layer(repaired):
    plan = load(repaired).plan
    rows = geopandas.read_file(repaired / "plan.gpkg", layer="changes")
    items = rows[rows["action"] != "logged"]
    assert list(items["mark"]) == [i.mark for i in plan.changes[0].changes]
    assert set(items["action"]) <= {"remove", "mend", "new"}
    assert (rows["action"] == "logged").sum() == 1
    assert plan.retired or all(i.action != "remove" or i.note != "whole" for i in plan.changes[0].changes)


def test_reading_and_writing_a_repaired_plan_loses_nothing(repaired):
    first, again = load(repaired).plan, load(repaired).plan
    assert first.changes[0].steps == again.changes[0].steps
    change = first.changes[0]
    assert (change.revision, change.replaces, change.date) == ("B", "A", "2026-04-01")
    assert {s.section_id for s in change.sections} == {s.section_id for s in first.sections if not s.issued_in}


def test_in_place_it_keeps_the_old_plan_and_undo_brings_it_back(planned, storm, tmp_path, capsys):
    folder = tmp_path / "plan"
    shutil.copytree(planned, folder)
    before = {p.name: p.read_bytes() for p in folder.rglob("*") if p.is_file()}
    assert run_cli(["replan", str(folder), "--storm", str(storm), "--quiet"]) == 5
    assert run_cli(["replan", str(folder), "--storm", str(storm), "--force", "--date", "2026-04-01", "--quiet"]) == 0
    assert load(folder).plan.changes
    assert run_cli(["replan", str(folder), "--undo"]) == 0
    assert "Next:" in capsys.readouterr().out
    assert {p.name: p.read_bytes() for p in folder.rglob("*") if p.is_file()} == before
    assert load(tmp_path / "plan.undone").plan.changes
    assert run_cli(["replan", str(folder), "--undo"]) == 5


def test_a_second_storm_on_disk_keeps_sheets_of_both_issues(repaired, planned, tmp_path):
    first = load(repaired).plan
    touched = next(s for s in first.sections if not s.issued_in)
    others = [s for s in first.sections if s.issued_in]
    tree = first.laterals[others[0].lateral[0]].tree[-1]
    path = tmp_path / "second.csv"
    path.write_text(f"kind,tree\nhung,{first.trees.tree_id[tree]}\n", encoding="utf-8")
    assert run_cli(["replan", str(repaired), "--storm", str(path), "--into", str(tmp_path / "twice"), "--date",
                    "2026-05-01", "--quiet"]) == 0
    second = load(tmp_path / "twice").plan
    issued = {s.section_id: s.issued_in for s in second.sections}
    assert [c.revision for c in second.changes] == ["B", "C"]
    assert not faults(repaired, tmp_path / "twice")
    for name, revision in issued.items():
        source = {"A": planned, "B": repaired}.get(revision)
        if source is not None:
            assert (tmp_path / f"twice/sheets/{name}.pdf").read_bytes() == (source / f"sheets/{name}.pdf").read_bytes()
    if issued[touched.section_id] == "B":
        assert run_cli(["sheets", str(tmp_path / "twice"), "--section", touched.section_id, "--into",
                        str(tmp_path / "re")]) == 0
        again = (tmp_path / f"re/{touched.section_id}.pdf").read_bytes()
        assert again == (repaired / f"sheets/{touched.section_id}.pdf").read_bytes()


@pytest.fixture(scope="module")
def new_trees(planned):
    """Return a file with a tree behind the end of each lateral and one that is far off."""
    plan = load(planned).plan
    rows = ["tag,lon,lat,species,dbh"]
    for k, lateral in enumerate(plan.laterals):
        step = lateral.xyz_m[-1, :2] - lateral.xyz_m[0, :2]
        x, y = lateral.xyz_m[-1, :2] + 3.5 * step / float((step**2).sum()) ** 0.5
        lon, lat = plan.frame.lonlat(x, y)
        rows.append(f"N{k + 1},{float(lon):.8f},{float(lat):.8f},sugar maple,16")
    lon, lat = plan.frame.lonlat(plan.trees.x_m[0] + 90_000.0, plan.trees.y_m[0])
    rows.append(f"FAR,{float(lon):.8f},{float(lat):.8f},sugar maple,16")
    path = planned.parent / "new.csv"
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return path


def test_new_trees_are_led_to_the_lines_there_are_and_all_else_keeps_its_paper(planned, new_trees, tmp_path, capsys):
    folder = tmp_path / "grown"
    assert run_cli(["replan", str(planned), "--trees", str(new_trees), "--into", str(folder), "--date", "2026-04-01",
                    "--quiet"]) == 0
    assert "new trees" in capsys.readouterr().out
    assert not faults(planned, folder)
    old, new = load(planned).plan, load(folder).plan
    n = len(old.trees)
    assert new.trees.tree_id[:n] == old.trees.tree_id
    assert len(new.trees) == n + len(old.laterals) + 1
    assert new.trees.reason[-1] == "OFF_TERRAIN"
    served = [t for t in range(n, len(new.trees)) if new.trees.status[t] == "served"]
    assert served
    assert new.changes[0].taps_after == new.changes[0].taps_before + int(new.trees.taps[served].sum())
    touched = {s.section_id for s in new.changes[0].sections}
    names = {new.trees.tree_id[t] for t in served}
    assert {i.section_id for i in new.changes[0].changes} == touched
    assert {name for i in new.changes[0].changes for name in i.trees} == names
    for section in touched:
        text = text_of(folder / f"sheets/{section}.pdf")
        assert "CHANGE SHEET" in text
        assert "goes on from its last tree" in text or "New lateral" in text
    assert run_cli(["sheets", str(folder), "--into", str(tmp_path / "all")]) == 0
    assert maps_in(folder / "book.pdf") == touched
    assert maps_in(tmp_path / "all/book.pdf") == {s.section_id for s in new.sections}


def test_a_file_that_is_no_survey_is_told_and_nothing_is_written(planned, storm, tmp_path, capsys):
    wrong = tmp_path / "wrong.csv"
    wrong.write_text("a,b\n1,2\n", encoding="utf-8")
    assert run_cli(["replan", str(planned), "--storm", str(storm), "--trees", str(wrong), "--into",
                    str(tmp_path / "never"), "--quiet"]) == 3
    assert "wrong.csv" in capsys.readouterr().err
    assert not (tmp_path / "never").exists()


@pytest.mark.parametrize(("words", "code", "part"), [
    ([], 2, "--storm FILE"),
    (["--storm", "nosuch.csv"], 3, "nosuch.csv"),
])
def test_wrong_words_are_told(planned, words, code, part, capsys):
    assert run_cli(["replan", str(planned), *words, "--into", str(planned.parent / "never")]) == code
    assert part in capsys.readouterr().err
    assert not (planned.parent / "never").exists()
