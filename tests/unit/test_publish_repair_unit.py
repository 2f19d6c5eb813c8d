"""A plan to its folder, back from it, and through a storm to the next one: what is written, kept and refused."""

from __future__ import annotations

import dataclasses
import hashlib
import json
from pathlib import Path

import numpy as np
import pikepdf
import pytest
from pipeline import publish, repair_run
from pipeline.errors import InputDataError, NoPlanError, OutputError, RequestError
from pipeline.run import Result

import repair_scene as scene

PRICES = tuple(scene.PRICES.items())
STORM = "kind,tree\ntree down,T3\n"


def hashes(folder: Path) -> dict[str, str]:
    return {str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
            for p in sorted(folder.rglob("*")) if p.is_file()}


def pages(path: Path) -> int:
    with pikepdf.open(path) as pdf:
        return len(pdf.pages)


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """Publish the hillside; return its folder, the plan that came back and what was told."""
    folder = tmp_path_factory.mktemp("published") / "plan"
    told: list[tuple[str, float]] = []
    result = Result(scene.plan(prices=PRICES), scene.terrain(), scene.ground(), {"survey": 1.23456, "judge": 0.5})
    plan = publish.publish(result, {"trees.csv": "ab12"}, folder, force=False,
                           report=lambda what, share: told.append((what, share)))
    return folder, plan, told


@pytest.fixture(scope="module")
def repaired(planned, tmp_path_factory):
    """Repair it after T3 fell; return the new folder, the repair, what was told and the old folder's hashes."""
    folder, _, _ = planned
    base = tmp_path_factory.mktemp("repaired")
    (base / "storm.csv").write_text(STORM, encoding="utf-8")
    before = hashes(folder)
    told: list[tuple[str, float]] = []
    made = repair_run.repair(folder, base / "storm.csv", base / "plan", force=False, date="2026-04-01",
                             report=lambda what, share: told.append((what, share)))
    return base / "plan", made, told, before


# ---------------------------------------------------------------- publishing


def test_a_folder_holds_one_sheet_set_for_each_section_and_all_the_rest(planned):
    folder, plan, _ = planned
    files = set(hashes(folder))
    assert {f"sheets/{s.section_id}.pdf" for s in plan.sections} == {f for f in files if f.startswith("sheets/")}
    assert {"book.pdf", "overview.pdf", "overview.png", "plan.gpkg", "terrain.tif", "materials.csv", "findings.csv",
            "fieldpoints.gpx", "settings.used.toml", "manifest.json", "summary.json"} <= files


def test_the_plan_that_comes_back_has_page_counts_and_codes_of_its_own(planned):
    folder, plan, _ = planned
    codes = [s.check_code for s in plan.sections]
    assert len(set(codes)) == len(codes) == 3
    assert all(codes)
    for section in plan.sections:
        assert section.sheets == pages(folder / "sheets" / f"{section.section_id}.pdf") > 0
    assert pages(folder / "book.pdf") >= sum(s.sheets for s in plan.sections)


def test_the_manifest_says_from_what_with_what_and_how_long(planned):
    folder, plan, _ = planned
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["inputs"] == {"trees.csv": "ab12"}
    assert manifest["stage_seconds"] == {"survey": 1.235, "judge": 0.5}
    text = (folder / "settings.used.toml").read_text(encoding="utf-8")
    assert manifest["settings_sha256"] == hashlib.sha256(text.encode()).hexdigest()
    assert manifest["libraries"]["numpy"] == np.__version__
    again = publish.manifest(plan, {}, {})
    assert (again["settings_sha256"], again["inputs"]) == (manifest["settings_sha256"], {})


def test_progress_is_told_by_section_and_never_falls(planned):
    _, plan, told = planned
    shares = [share for _, share in told]
    assert shares == sorted(shares)
    assert [what for what, _ in told] == [*(f"printed section {s.section_id}" for s in plan.sections),
                                          "printing the book", "writing the plan folder"]


def test_a_taken_name_is_refused_before_any_work_and_a_free_one_is_not(planned, tmp_path):
    folder, _, _ = planned
    with pytest.raises(OutputError, match="there already") as caught:
        publish.refuse_existing(folder, force=False)
    assert "--force" in caught.value.problems[0].remedy
    publish.refuse_existing(folder, force=True)
    publish.refuse_existing(tmp_path / "free", force=False)
    assert not (tmp_path / "free").exists()


def test_what_was_published_reads_back_as_it_was(planned):
    folder, plan, _ = planned
    back = publish.load(folder)
    assert [m.mainline_id for m in back.plan.mainlines] == [m.mainline_id for m in plan.mainlines]
    for one, two in zip(back.plan.mainlines, plan.mainlines, strict=True):
        assert np.array_equal(one.xyz_m, two.xyz_m)
    for one, two in zip(back.plan.laterals, plan.laterals, strict=True):
        assert (one.lateral_id, one.tree, one.taps) == (two.lateral_id, two.tree, two.taps)
        assert np.array_equal(one.xyz_m, two.xyz_m)
    assert back.plan.trees.tree_id == plan.trees.tree_id
    assert dict(back.plan.prices) == scene.PRICES
    assert np.array_equal(back.terrain.z_m, scene.terrain().z_m)
    assert [layer.kind for layer in back.ground.layers] == ["trail"]
    assert back.seconds == {}


def test_a_folder_that_is_no_plan_is_refused(tmp_path):
    with pytest.raises(InputDataError):
        publish.load(tmp_path / "nothing")
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputDataError):
        publish.load(tmp_path / "empty")


# ---------------------------------------------------------------- printing again


def test_one_section_printed_again_is_the_same_file(planned, tmp_path):
    folder, _, _ = planned
    (written,) = publish.reprint(folder, ["S03"], {}, tmp_path / "again")
    assert written.name == "S03.pdf"
    assert written.read_bytes() == (folder / "sheets" / "S03.pdf").read_bytes()


def test_other_paper_and_units_change_the_sheet_and_not_the_folder(planned, tmp_path):
    folder, _, _ = planned
    before = hashes(folder)
    (written,) = publish.reprint(folder, ["S03"], {"paper": "a4", "units": "metric", "language": "fr"}, tmp_path / "a4")
    with pikepdf.open(written) as pdf:
        box = [float(v) for v in pdf.pages[0].mediabox]
    assert sorted(box[2:]) == pytest.approx([595.28, 841.89], abs=0.5)  # ISO 216: 210 x 297 mm
    assert hashes(folder) == before


@pytest.mark.parametrize("names", [["S09"], ["S03", "S9", "S10"], [""]])
def test_a_section_that_is_not_there_is_named_with_those_that_are(planned, tmp_path, names):
    folder, _, _ = planned
    with pytest.raises(RequestError) as caught:
        publish.reprint(folder, names, {}, tmp_path / "none")
    missing = [n for n in names if n != "S03"]
    assert [p.found for p in caught.value.problems] == [f"no section {n!r}" for n in missing]
    assert all("S01, S02, S03" in p.wanted for p in caught.value.problems)
    assert not (tmp_path / "none").exists()


# ---------------------------------------------------------------- after a storm


def test_the_plan_as_it_stood_is_not_touched_by_its_repair(planned, repaired):
    assert hashes(planned[0]) == repaired[3]


def test_sections_that_were_not_touched_keep_their_very_sheets(planned, repaired):
    folder, made, _, _ = repaired
    touched = {s.section_id for s in made.change.sections}
    assert touched == {"S02"}
    assert set(made.kept) == {"S01", "S03"}
    for name in ("S01", "S02", "S03"):
        same = (folder / "sheets" / f"{name}.pdf").read_bytes() == (planned[0] / "sheets" / f"{name}.pdf").read_bytes()
        assert same == (name not in touched)


def test_the_repair_comes_back_with_codes_and_page_counts(planned, repaired):
    folder, made, _, _ = repaired
    old = {s.section_id: s for s in planned[1].sections}
    for section in made.plan.sections:
        assert section.sheets == pages(folder / "sheets" / f"{section.section_id}.pdf")
        assert (section.check_code == old[section.section_id].check_code) == bool(section.issued_in)
    assert (made.change.revision, made.change.replaces, made.change.date) == ("B", "A", "2026-04-01")
    assert made.change.source == "storm.csv"


def test_the_manifest_of_a_repair_names_the_storm_beside_what_the_plan_was_made_from(repaired):
    folder, _, _, _ = repaired
    manifest = json.loads((folder / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["inputs"] == {"trees.csv": "ab12", "storm.csv": hashlib.sha256(STORM.encode()).hexdigest()}
    assert list(manifest["stage_seconds"]) == ["replan"]


def test_the_prices_of_the_plan_are_those_of_its_repair(repaired):
    folder, made, _, _ = repaired
    back = publish.load(folder).plan
    assert dict(back.prices) == dict(made.plan.prices) == scene.PRICES
    bought = {p.code: p.needed - p.reused for p in back.changes[-1].parts}
    price = scene.site().price_of
    assert back.changes[-1].money == pytest.approx(sum(price(code) * q for code, q in bought.items()))


def test_progress_of_a_repair_goes_from_reading_to_writing(repaired):
    told = repaired[2]
    assert (told[0][0], told[-1][0]) == ("reading the plan", "writing the plan folder")
    assert [share for _, share in told] == sorted(share for _, share in told)


def test_sheets_of_untouched_sections_are_drawn_from_the_plan_they_were_issued_with(repaired):
    folder, made, _, _ = repaired
    result = publish.load(folder)
    context = publish.with_issues(result.plan, folder, result.terrain, result.ground)
    assert set(context.issued) == {"S01", "S03"}
    assert len({id(c) for c in context.issued.values()}) == 1
    held = next(iter(context.issued.values())).plan
    assert [la.lateral_id for la in held.laterals] == [la.lateral_id for la in scene.plan().laterals]
    assert [la.lateral_id for la in result.plan.laterals] == [la.lateral_id for la in made.plan.laterals]


def test_a_storm_that_hits_nothing_leaves_nothing_behind(planned, tmp_path):
    (tmp_path / "calm.csv").write_text("kind,x,y\ntree down,5,115\n", encoding="utf-8")
    with pytest.raises((NoPlanError, InputDataError)):
        repair_run.repair(planned[0], tmp_path / "calm.csv", tmp_path / "plan", force=False)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["calm.csv"]


def test_there_is_nothing_to_undo_without_a_previous_plan(planned, repaired):
    with pytest.raises(OutputError):
        repair_run.undo(repaired[0])
    assert hashes(planned[0]) == repaired[3]


def test_a_plan_that_no_repair_touched_has_no_earlier_issues(planned):
    result = publish.load(planned[0])
    assert publish.with_issues(result.plan, planned[0], result.terrain, result.ground).issued == {}
    before = ("A", result.plan)
    kept = tuple(dataclasses.replace(s, issued_in="A") for s in result.plan.sections)
    plan = dataclasses.replace(result.plan, sections=kept)
    context = publish.with_issues(plan, planned[0], result.terrain, result.ground, before)
    assert set(context.issued) == {"S01", "S02", "S03"}
