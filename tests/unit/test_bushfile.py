"""The bush file: every problem at once, nothing guessed, the same text back."""

from __future__ import annotations

import dataclasses

import pytest
from pipeline import bushfile
from pipeline.errors import EXIT_BUSH_FILE, BushFileError
from pipeline.settings import GROUND_DEFAULTS

TANK = '[[collection]]\nid = "C1"\nlon = -72.5\nlat = 44.5\n'


def problems(text):
    with pytest.raises(BushFileError) as caught:
        bushfile.parse(text, "bush.toml")
    assert caught.value.exit_code == EXIT_BUSH_FILE
    return [p.as_line() for p in caught.value.problems]


def test_defaults_fill_in():
    settings = bushfile.parse(TANK, "bush.toml")
    assert settings.laterals.max_taps == 10
    assert settings.mainlines.min_grade_pct == 2.0
    assert settings.collection[0].lat == 44.5
    assert settings.ground == {}


def test_ground_layers_keep_their_kind_s_rule():
    settings = bushfile.parse(TANK + '[ground.trail]\nfile = "g.gpkg"\nbuffer = "10 ft"\n', "b")
    trail = settings.ground["trail"]
    assert trail.rule == "cross"
    assert trail.buffer_m == pytest.approx(3.048)
    assert trail.clearance_m == GROUND_DEFAULTS["trail"].clearance_m


# each text with a part of every message it must give
BAD = {
    "no toml": ("[bush\n", ["no TOML"]),
    "no collection": ("", ["no [[collection]]"]),
    "unknown table": (TANK + "[lateral]\n", ["unknown key 'lateral'", "Did you mean 'laterals'"]),
    "unknown key": (TANK + "[laterals]\nmax_tap = 3\n", ["unknown key 'max_tap'", "Did you mean 'max_taps'"]),
    "unknown key with no neighbour": (TANK + "[flow]\nzzzz = 3\n", ["unknown key 'zzzz'", "fallgrade start"]),
    "no unit": (TANK + "[laterals]\nmax_length = 30\n", ["found 30", "in quotes"]),
    "wrong unit": (TANK + '[laterals]\nmin_grade = "2 ft"\n', ["no grade"]),
    "out of range": (TANK + '[laterals]\nreach = "900 ft"\n', ["between 3 and 60 m"]),
    "word for a number": (TANK + '[laterals]\nmax_taps = "ten"\n', ["a whole number"]),
    "fraction for a count": (TANK + "[laterals]\nmax_taps = 9.5\n", ["a whole number"]),
    "true for a count": (TANK + "[laterals]\nmax_taps = true\n", ["a whole number"]),
    "count out of range": (TANK + "[laterals]\nmax_taps = 0\n", ["between 1 and 30"]),
    "number for a flag": (TANK + "[flow]\npumped = 1\n", ["true or false"]),
    "text for a list": (TANK + '[trees]\nspecies = "maple"\n', ["a list of texts"]),
    "wrong choice": (TANK + '[bush]\nunits = "uss"\n', ["one of 'us', 'metric'", "Did you mean 'us'"]),
    "number for a word": (TANK + "[bush]\nname = 3\n", ["a text in quotes"]),
    "bad date": (TANK + '[bush]\ndate = "next spring"\n', ["a date YYYY-MM-DD"]),
    "table for a value": (TANK + "bush = 3\n", ["unknown key 'bush'"]),
    "value for a table": ("bush = 3\n" + TANK, ["a table of keys"]),
    "one bracket": ('[collection]\nid = "C1"\n', ["two brackets"]),
    "half a position": ('[[collection]]\nlon = -72.5\n', ["no complete position"]),
    "two positions": ("[[collection]]\nlon = -72.5\nlat = 44.5\nx = 1.0\ny = 1.0\n", ["both lon/lat and x/y"]),
    "latitude out of range": ("[[collection]]\nlon = -72.5\nlat = 144.5\n", ["between -90 and 90"]),
    "nan": ("[[collection]]\nlon = nan\nlat = 44.5\n", ["wanted a number"]),
    "same id": (TANK + TANK, ["'C1' more than once"]),
    "heights out of order": (TANK + '[mainlines]\nlowest = "5 ft"\naim = "4 ft"\n', ["lowest <= aim <= highest"]),
    "lateral heights": (TANK + '[laterals]\nlowest = "5 ft"\nhighest = "4 ft"\n', ["lowest below highest"]),
    "aim above most": (TANK + "[laterals]\nmax_taps = 4\n", ["at most max_taps (4)"]),
    "unknown ground": (TANK + '[ground.raod]\nfile = "g"\n', ["unknown key 'raod'", "Did you mean 'road'"]),
    "ground without file": (TANK + '[ground.road]\nlayer = "road"\n', ["no file"]),
    "ground as value": ("ground = 3\n" + TANK, ["tables like [ground.road]"]),
    "several at once": ('[bush]\nunits = "uss"\n[laterals]\nmax_length = 30\nmax_tap = 1\n',
                        ["Did you mean 'us'", "in quotes", "max_taps", "no [[collection]]"]),
}


@pytest.mark.parametrize(("text", "wanted"), BAD.values(), ids=BAD.keys())
def test_bad_bush_files_name_every_problem(text, wanted):
    lines = problems(text)
    for part in wanted:
        assert any(part in line for line in lines), (part, lines)
    assert all(line.startswith("bush.toml") for line in lines)


def test_the_effective_settings_read_back_equal():
    text = TANK + (
        '[bush]\nname = "Étang \\"nord\\" \\\\ 1"\nunits = "metric"\ndate = 2026-03-02\n'
        '[laterals]\nmax_length = "93.7 ft"\n[flow]\nair_per_tap = "0.015 cfm"\npumped = false\n'
        '[ground.road]\nfile = "g.gpkg"\nrule = "cross"\n[trees]\nspecies = ["sugar maple"]\n'
    )
    settings = bushfile.parse(text, "b")
    written = bushfile.render(settings)
    again = bushfile.parse(written, "b")
    assert bushfile.render(again) == written
    assert again.ground == settings.ground
    for table in ("bush", "trees", "terrain", "laterals", "mainlines", "flow", "prices"):
        for field in dataclasses.fields(getattr(settings, table)):
            mine, its = (getattr(getattr(s, table), field.name) for s in (settings, again))
            assert its == mine or (mine != mine and its != its), f"{table}.{field.name}"


def test_the_starter_file_is_a_legal_bush_file_that_shows_every_key():
    starter = bushfile.starter("2026-03-02")
    settings = bushfile.parse(starter, "bush.toml")
    assert settings.bush.date == "2026-03-02"
    for table in ("trees", "terrain", "laterals", "mainlines", "flow", "sheets", "prices", "pins"):
        for field in dataclasses.fields(getattr(settings, table)):
            assert f"{field.metadata.get('key', field.name)} = " in starter
    # taking the comment marks off every key line must still be legal
    live = "\n".join(
        line[2:] if line.startswith("# ") and (" = " in line.split("#")[1] or line.startswith("# [")) else line
        for line in starter.splitlines()
    ).replace("x = 0.0", "# x").replace("y = 0.0", "# y")
    assert bushfile.parse(live, "bush.toml").laterals == settings.laterals
