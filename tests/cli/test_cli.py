"""The command line: words, exit codes, and never a traceback for bad input."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

import pytest
from pipeline.cli import cli, run_cli

ROOT = Path(__file__).resolve().parent.parent.parent


def test_help_lists_every_command_and_the_exit_codes(capsys):
    assert run_cli(["--help"]) == 0
    out = capsys.readouterr().out
    for name in cli.commands:
        assert name in out
    assert "Exit codes" in out


def test_the_readme_names_only_commands_that_exist():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    named = set(re.findall(r"`?fallgrade ([a-z]+)", text)) - {"works", "says"}
    assert named <= set(cli.commands)
    assert {"start", "check", "plan", "sheets", "explain"} <= named


@pytest.mark.parametrize("name", sorted(cli.commands))
def test_every_command_has_help(name, capsys):
    assert run_cli([name, "--help"]) == 0
    assert cli.commands[name].help.split(".")[0].split("\n")[0][:20] in capsys.readouterr().out


@pytest.mark.parametrize(("words", "code", "part"), [
    (["plan", "nowhere/bush.toml"], 2, "no such file"),
    (["check", "nowhere/bush.toml"], 2, "fallgrade start"),
    (["explain", "BELOW_OUTLT"], 2, "Did you mean BELOW_OUTLET"),
    (["plan"], 2, "Missing argument"),
    (["plant"], 2, "No such command"),
    (["sheets", "nowhere"], 3, "found"),
    (["explain", "M1", "--plan", "nowhere"], 3, "found"),
])
def test_errors_have_codes_and_remedies(words, code, part, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert run_cli(words) == code
    captured = capsys.readouterr()
    assert part in captured.err
    assert "Traceback" not in captured.err
    assert list(tmp_path.iterdir()) == []


def test_start_then_check_names_every_missing_file_at_once(tmp_path, capsys):
    assert run_cli(["start", str(tmp_path)]) == 0
    assert "Next: fallgrade check" in capsys.readouterr().out
    assert run_cli(["check", str(tmp_path / "bush.toml"), "--quiet"]) == 3
    err = capsys.readouterr().err
    assert "terrain.tif" in err
    assert "trees.gpx" in err
    assert run_cli(["start", str(tmp_path)]) == 5


def test_our_own_fault_is_said_plainly(monkeypatch, capsys):
    import pipeline.explaining

    def broken(*_given):
        raise RuntimeError("wires crossed")

    monkeypatch.setattr(pipeline.explaining, "explain_code", broken)
    assert run_cli(["explain", "X"]) == 70
    err = capsys.readouterr().err
    assert "our fault" in err
    assert "wires crossed" in err
    assert "Traceback" not in err


def test_help_loads_no_heavy_library():
    code = ("import sys; from pipeline.cli import run_cli; run_cli(['--help']); "
            "sys.exit(any(m in sys.modules for m in ('numpy', 'geopandas', 'reportlab', 'numba', 'scipy')))")
    assert subprocess.run([sys.executable, "-c", code], capture_output=True, check=False).returncode == 0


def test_check_of_the_demo_says_what_was_read_and_what_was_not_checked(capsys):
    assert run_cli(["check", str(ROOT / "data_demo" / "bush.toml"), "--quiet"]) == 0
    out = capsys.readouterr().out
    assert "UTM zone 18N" in out
    assert "NOT CHECKED" in out
    assert re.search(r"\d+ read, \d+ to be tapped", out)
    assert "Next: fallgrade plan" in out
