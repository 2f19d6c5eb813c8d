"""What check answers when nothing can be tapped, and explain in another language than the plan's."""

from __future__ import annotations

import pytest
from pipeline.cli import run_cli
from pipeline.errors import EXIT_NO_PLAN
from pipeline.explaining import codes

import tiny_bush


@pytest.fixture(autouse=True)
def cache(tmp_path, monkeypatch) -> None:
    monkeypatch.setenv("FALLGRADE_CACHE", str(tmp_path / "cache"))


def test_check_of_saplings_prints_its_page_and_ends_as_plan_would(tmp_path, capsys) -> None:
    """5 inches is below the least diameter of every guideline: the page says so of all 70 trees."""
    bush = tiny_bush.write_bush(tmp_path / "site")
    survey = bush.parent / "trees.csv"
    rows = [line.rsplit(",", 1)[0] for line in survey.read_text(encoding="utf-8").splitlines()]
    survey.write_text("\n".join([f"{rows[0]},dbh_in", *(f"{r},5.0" for r in rows[1:])]), encoding="utf-8")
    assert run_cli(["check", str(bush), "--quiet", "--pdf", str(tmp_path / "page.pdf")]) == EXIT_NO_PLAN
    said = capsys.readouterr()
    assert said.err == ""
    assert "no tree can be tapped" in said.out
    assert "    70  " in said.out
    assert (tmp_path / "page.pdf").read_bytes().startswith(b"%PDF")
    assert run_cli(["plan", str(bush), "--quiet"]) == EXIT_NO_PLAN
    assert "none that can be tapped" in capsys.readouterr().err
    assert not (bush.parent / "plan").exists()


def test_a_code_is_explained_in_english_or_french(capsys) -> None:
    for words, language in (([], "en"), (["--language", "en"], "en"), (["--language", "fr"], "fr")):
        assert run_cli(["explain", "below_outlet", *words]) == 0
        said = capsys.readouterr().out
        entry = codes(language)["BELOW_OUTLET"]
        assert entry["means"] in said
        assert entry["do"] in said
    assert codes("fr")["BELOW_OUTLET"] != codes("en")["BELOW_OUTLET"]
    assert run_cli(["explain", "BELOW_OUTLET", "--language", "de"]) == 2


def test_the_plans_language_gives_way_to_the_one_asked_for(tmp_path, capsys) -> None:
    bush = tiny_bush.write_bush(tmp_path / "site")
    bush.write_text(bush.read_text(encoding="utf-8").replace("[bush]", '[bush]\nlanguage = "fr"'), encoding="utf-8")
    assert run_cli(["plan", str(bush), "--into", str(tmp_path / "plan"), "--quiet"]) == 0
    capsys.readouterr()
    for words, language in (([], "fr"), (["--language", "en"], "en")):
        assert run_cli(["explain", "TOO_SMALL", "--plan", str(tmp_path / "plan"), *words]) == 0
        assert codes(language)["TOO_SMALL"]["means"] in capsys.readouterr().out
