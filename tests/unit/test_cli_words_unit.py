"""What each command says, how it ends, and which exit code it leaves: the work itself is stood in for."""

from __future__ import annotations

import dataclasses
import io
from pathlib import Path
from types import SimpleNamespace

import click
import pytest
from pipeline import checking, cli, explaining, publish, reading, repair_run, run
from pipeline.cli import run_cli
from pipeline.errors import (
    BushFileError,
    FallgradeError,
    InputDataError,
    NoPlanError,
    OutputError,
    Problem,
    RequestError,
)
from pipeline.findings import Finding
from pipeline.records import RepairOption, RepairPiece, SectionChange
from pipeline.replan import Replanned
from pipeline.store import issues, stagecache

import repair_scene as scene

STATS = {"taps": 12.0, "mainline_m": 131.0, "mainline_m_per_tap": 10.9, "lateral_m": 60.0, "lateral_m_per_tap": 5.0}
PROBLEM = Problem("trees.csv", "row 3", "a blank", "a tag", "Write one.")


def plan_of(**change):
    made = scene.plan(stats=STATS, **change)
    bush = dataclasses.replace(made.settings.bush, units="metric", name="Hill")
    return dataclasses.replace(made, settings=dataclasses.replace(made.settings, bush=bush))


def finding(severity: str, code: str = "LADDER_HEIGHT", subject: str = "M1-S03") -> Finding:
    return Finding(code, severity, "supports", subject, 2.5, 2.0, "m", "It is high.", "Bring it down.")


def raising(error: Exception):
    def stand_in(*_args, **_more):
        raise error

    return stand_in


@pytest.fixture
def planned(monkeypatch, tmp_path):
    """Return a function that runs ``plan`` with a finished plan standing in for all the work."""
    def go(finished, *words: str, resumed=()):
        stages = SimpleNamespace(keep=run.compute, resumed=list(resumed), forgotten=[])
        stages.forget = lambda: stages.forgotten.append(True)
        monkeypatch.setattr(reading, "read_inputs", lambda _bush, report: report("reading", 0.1) or SimpleNamespace(
            hashes={}))
        monkeypatch.setattr(stagecache, "stages_of", lambda _given, fresh: stages)
        monkeypatch.setattr(run, "make_plan", lambda _given, report, _keep: report("planning", 0.5))
        monkeypatch.setattr(publish, "publish", lambda *_args, **_more: finished)
        code = run_cli(["plan", str(tmp_path / "bush.toml"), *words])
        return code, stages.forgotten

    return go


# ---------------------------------------------------------------- plan


@pytest.mark.parametrize(("severities", "strict", "code"), [
    ([], True, 0), (["note"], True, 0), (["check"], True, 1), (["violation"], True, 1), (["note", "check"], True, 1),
    (["violation"], False, 0), (["check"], False, 0),
])
def test_strict_ends_with_one_for_a_check_or_a_violation(planned, severities, strict, code):
    finished = plan_of(findings=tuple(finding(s, subject=f"S{k}") for k, s in enumerate(severities)))
    assert planned(finished, "--quiet", *(["--strict"] if strict else []))[0] == code


def test_a_finished_plan_is_summed_up_and_ends_with_the_next_command(planned, capsys, tmp_path):
    finished = plan_of(findings=(finding("violation"), finding("note", "PAIR_ADDED")), not_checked=("water",))
    code, forgotten = planned(finished, "--quiet")
    out = capsys.readouterr().out
    assert (code, forgotten) == (0, [True])
    for text in ("Hill: 12 trees read = 9 served + 2 set aside + 1 not tapped",
                 "12 taps on 4 laterals and 2 mainlines in 3 sections", "mainline 131 m (10.9 m a tap)",
                 "NOT CHECKED: water (no layer given)", "findings: 1 violations, 0 to check, 1 notes",
                 "violation LADDER_HEIGHT M1-S03: It is high. Bring it down."):
        assert text in out
    assert "PAIR_ADDED" not in out
    assert out.rstrip().splitlines()[-2] == f"Next: fallgrade sheets {tmp_path / 'plan'} --section S01"


def test_what_an_interrupted_run_had_done_is_told(planned, capsys):
    planned(plan_of(), "--quiet", resumed=["mainlines", "layout"])
    assert "Taken from an interrupted run: mainlines, layout (--fresh computes them again)." in capsys.readouterr().out


@pytest.mark.parametrize("count", [12, 13, 40])
def test_no_more_than_twelve_findings_fill_the_screen(planned, capsys, count):
    planned(plan_of(findings=tuple(finding("violation", subject=f"Q{k:02d}") for k in range(count))), "--quiet")
    out = capsys.readouterr().out
    assert out.count("violation LADDER_HEIGHT") == 12
    assert (f"... and {count - 12} more in findings.csv" in out) == (count > 12)


def test_progress_is_one_plain_line_for_each_thing_that_is_done(planned, capsys):
    planned(plan_of())
    assert capsys.readouterr().err.splitlines() == [" 10 %  reading", " 50 %  planning"]
    planned(plan_of(), "--quiet")
    assert capsys.readouterr().err == ""


def test_a_message_that_stays_the_same_is_printed_once(monkeypatch, capsys):
    monkeypatch.setattr(cli.sys, "stderr", io.StringIO())
    with cli.progress(wanted=True) as report:
        for share in (0.1, 0.2, 0.3):
            report("routing", share)
        report("hanging", 1.0)
        report("routing", 1.0)
        told = cli.sys.stderr.getvalue()
    assert told.splitlines() == [" 10 %  routing", "100 %  hanging", "100 %  routing"]


def test_a_taken_folder_is_refused_before_anything_is_read(monkeypatch, tmp_path, capsys):
    (tmp_path / "plan").mkdir()
    monkeypatch.setattr(reading, "read_inputs", raising(AssertionError("read")))
    assert run_cli(["plan", str(tmp_path / "bush.toml"), "--quiet"]) == OutputError.exit_code
    assert "something that is there already" in capsys.readouterr().err


# ---------------------------------------------------------------- replan


def option(kind: str, why: str = "") -> RepairOption:
    return RepairOption(kind, why, 10.0, 1.0, 3)


def repaired() -> Replanned:
    pieces = (
        RepairPiece("D1", "mainlines", "M1", 50.0, 60.0, "lost", (option("rehang"), option("abandon")), 0),
        RepairPiece("D2", "laterals", "M1-L02", 60.0, 60.0, "hit", (option("mend"), option("abandon")), 0),
        RepairPiece("D3", "laterals", "M1-L03", 85.0, 85.0, "lost", (option("mend", "no"), option("abandon")), 1),
        RepairPiece("D4", "mainlines", "M1.1", 0.0, 10.0, "lost", (option("new_support"), option("abandon")), 1),
    )
    sections = (SectionChange("S02", "B", "A", 6, 4, 0.0, 0.0, 0.0, 0.0, retired=False),
                SectionChange("S03", "", "A", 3, 0, 0.0, 0.0, 0.0, 0.0, retired=True))
    change = dataclasses.replace(scene.change("B", "A"), pieces=pieces, sections=sections, money=1234.4, hours=5.25,
                                 taps_after=8)
    findings = (finding("check", "STORM_NEAR", ""), finding("note", "REPLANNED", ""))
    return Replanned(plan_of(findings=findings), change, ("S01",))


def test_a_repair_is_summed_up_and_ends_with_what_to_do(monkeypatch, tmp_path, capsys):
    monkeypatch.setattr(repair_run, "repair", lambda *_args, **_more: repaired())
    assert run_cli(["replan", str(tmp_path / "plan"), "--storm", "storm.csv", "--quiet"]) == 0
    out = capsys.readouterr().out
    lines = [line.strip() for line in out.splitlines()]
    assert "Rev B replaces Rev A: 12 taps before, 8 after; parts 1,234 USD, 5.2 crew-hours" in lines
    assert "M1 0+050.0 to 0+060.0: rehang" in lines
    assert "M1-L02: mend" in lines
    assert "M1.1 0+000.0 to 0+010.0: abandon" in lines
    assert not any(line.startswith("M1-L03") for line in lines)  # a lateral given up is on the sheets, not here
    assert "sections touched: S02, S03 (given up); 1 keep their sheets as they are" in lines
    assert any("STORM_NEAR" in line for line in lines)
    assert not any("REPLANNED" in line for line in lines)
    assert "Next: print the revised sheets" in lines


@pytest.mark.parametrize("words", [[], ["--undo", "--storm", "storm.csv"]])
def test_a_repair_is_either_for_a_storm_or_an_undo(words, capsys):
    assert run_cli(["replan", "plan", *words]) == click.UsageError.exit_code
    assert "Give --storm FILE to repair, --trees FILE to add trees, or --undo" in capsys.readouterr().err


def test_undo_says_where_both_plans_are(monkeypatch, capsys):
    monkeypatch.setattr(issues, "undo", lambda folder: folder.with_name("plan.undone"))
    assert run_cli(["replan", "hill/plan", "--undo"]) == 0
    out = capsys.readouterr().out
    assert f"back in {Path('hill/plan')}; the undone one is {Path('hill/plan.undone')}" in out
    assert "Next: fallgrade sheets" in out


def test_a_repair_in_place_asks_for_force(tmp_path, capsys):
    (tmp_path / "plan").mkdir()
    assert run_cli(["replan", str(tmp_path / "plan"), "--storm", "storm.csv"]) == OutputError.exit_code
    assert "add --force" in capsys.readouterr().err


# ---------------------------------------------------------------- the other commands


def test_sheets_names_what_it_wrote_and_passes_on_only_what_was_asked_for(monkeypatch, capsys, tmp_path):
    asked = []
    monkeypatch.setattr(publish, "reprint", lambda *args: asked.append(args) or [tmp_path / "S01.pdf"])
    assert run_cli(["sheets", "plan", "--section", "S01", "--section", "S02", "--units", "metric"]) == 0
    (folder, sections, changes, target, _), = asked
    assert (folder, sections, changes) == (Path("plan"), ("S01", "S02"), {"units": "metric"})
    assert target == Path("plan/reprint")
    out = capsys.readouterr().out
    assert f"Wrote {tmp_path / 'S01.pdf'}" in out
    assert "Next: print at 100 %" in out


@pytest.mark.parametrize("words", [["--paper", "a3"], ["--units", "furlongs"], ["--language", "de"]])
def test_paper_units_and_languages_that_do_not_exist_are_refused(words, capsys):
    assert run_cli(["sheets", "plan", *words]) == 2
    assert "is not one of" in capsys.readouterr().err


@pytest.mark.parametrize(("words", "asked", "following"), [
    (["DEAD"], ("code", "DEAD", "en"), "fallgrade plan BUSH"),
    (["DEAD", "--language", "fr"], ("code", "DEAD", "fr"), "fallgrade plan BUSH"),
    (["M1", "--plan", "hill"], ("id", "M1", Path("hill"), ""), "fallgrade sheets hill"),
    (["M1", "--plan", "hill", "--language", "fr"], ("id", "M1", Path("hill"), "fr"), "fallgrade sheets hill"),
])
def test_explain_asks_for_a_code_or_for_a_thing_of_a_plan(monkeypatch, capsys, words, asked, following):
    got = []
    monkeypatch.setattr(explaining, "explain_code", lambda *args: got.append(("code", *args)) or ["one", "two"])
    monkeypatch.setattr(explaining, "explain_id", lambda *args: got.append(("id", *args)) or ["one", "two"])
    assert run_cli(["explain", *words]) == 0
    assert got == [asked]
    out = capsys.readouterr().out
    assert out.startswith("one\ntwo\n")
    assert f"Next: {following}\n" in out


@pytest.mark.parametrize(("tappable", "code", "following"), [(True, 0, "plan"), (False, 4, "check")])
def test_check_leads_to_plan_only_when_a_tree_can_be_tapped(monkeypatch, capsys, tappable, code, following):
    candidate = SimpleNamespace(any=lambda: tappable)
    monkeypatch.setattr(checking, "check", lambda _bush, _report: SimpleNamespace(
        trees=SimpleNamespace(candidate=candidate)))
    monkeypatch.setattr(checking, "lines", lambda _checked: ["what was read"])
    assert run_cli(["check", "bush.toml", "--quiet"]) == code
    out = capsys.readouterr().out
    assert out.startswith("what was read\n")
    assert f"Next: fallgrade {following} bush.toml" in out


def test_start_writes_a_bush_file_once_and_never_over_another(tmp_path, capsys):
    assert run_cli(["start", str(tmp_path / "hill")]) == 0
    written = tmp_path / "hill" / "bush.toml"
    assert f"Next: fallgrade check {written}" in capsys.readouterr().out
    written.write_text("mine", encoding="utf-8")
    assert run_cli(["start", str(tmp_path / "hill")]) == OutputError.exit_code
    assert written.read_text(encoding="utf-8") == "mine"


# ---------------------------------------------------------------- errors


@pytest.mark.parametrize("kind", [BushFileError, RequestError, InputDataError, NoPlanError, OutputError])
def test_every_problem_of_an_error_is_shown_and_its_exit_code_left(monkeypatch, capsys, kind):
    problems = [PROBLEM, dataclasses.replace(PROBLEM, where="row 9")]
    monkeypatch.setattr(explaining, "explain_code", raising(kind(problems)))
    assert run_cli(["explain", "X"]) == kind.exit_code
    err = capsys.readouterr().err
    assert err.startswith(f"{kind.headline} (2 to mend):")
    for text in ("trees.csv, row 3", "trees.csv, row 9", "found:  a blank", "wanted: a tag", "do:     Write one."):
        assert text in err
    assert "Traceback" not in err


def test_a_problem_of_no_file_is_one_of_the_plan():
    text = cli._problem_text(Problem("", "", "nothing", "something", "Try."))
    assert text.splitlines()[1].strip() == "plan"


@pytest.mark.parametrize(("error", "code", "said"), [
    (ValueError("odd"), 70, "fallgrade failed (ValueError: odd). This is our fault"),
    (KeyError("odd"), 70, "KeyError"), (click.exceptions.Abort(), 130, "Stopped; nothing was written."),
    (FallgradeError([PROBLEM]), 70, "fallgrade stopped (1 to mend)"), (SystemExit(), 0, ""), (SystemExit(4), 4, ""),
])
def test_whatever_happens_there_is_an_exit_code_and_no_traceback(monkeypatch, capsys, error, code, said):
    monkeypatch.setattr(explaining, "explain_code", raising(error))
    assert run_cli(["explain", "X"]) == code
    err = capsys.readouterr().err
    assert said in err
    assert "Traceback" not in err


@pytest.mark.parametrize("error", [ValueError("odd"), InputDataError([PROBLEM])])
def test_debug_shows_where_it_arose(monkeypatch, capsys, error):
    monkeypatch.setattr(explaining, "explain_code", raising(error))
    run_cli(["--debug", "explain", "X"])
    assert "Traceback" in capsys.readouterr().err
