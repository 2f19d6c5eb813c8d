"""Every bad input of the zoo is answered in words: file, place, found, wanted, remedy; nothing else happens."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from pipeline.cli import run_cli

import faults
import tiny_bush
import zoo


@pytest.fixture(scope="module")
def good(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("good")
    tiny_bush.write_bush(folder)
    return folder


def test_the_good_bush_is_good(good, capsys) -> None:
    assert run_cli(["check", str(good / "bush.toml"), "--quiet"]) == 0
    assert capsys.readouterr().err == ""


@pytest.mark.parametrize("case", zoo.CASES, ids=lambda c: f"{c.group}: {c.name}")
def test_a_bad_input_is_answered_in_words(good, tmp_path, capfd, case: zoo.Case) -> None:
    site = tmp_path / "site"
    shutil.copytree(good, site)
    case.change(site)
    before = faults.contents(site)
    capfd.readouterr()
    command = ["check", str(site / "bush.toml"), "--quiet"]
    assert run_cli(command) == case.code
    told = capfd.readouterr()
    assert any(part in told.err for part in case.says.split("|")), told.err
    for word in ("found:", "wanted:", "do:"):
        assert word in told.err
    assert not re.search(r"Traceback|Warning|Error:|Exception|our fault", told.err), told.err
    assert told.err.isprintable() or all(line.isprintable() for line in told.err.splitlines())
    assert told.out == ""
    assert faults.contents(site) == before, "an input was changed, or something was written"


def test_there_are_enough_and_each_is_named_once() -> None:
    assert len(zoo.CASES) >= 120
    assert len({(c.group, c.name) for c in zoo.CASES}) == len(zoo.CASES)


def test_the_list_in_the_docs_is_that_of_the_cases() -> None:
    assert zoo.LIST.read_text(encoding="utf-8") == zoo.listing(), "run: python tests/zoo.py"
