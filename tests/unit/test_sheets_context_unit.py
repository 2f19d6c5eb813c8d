"""Words, sections, revisions, page frames on every paper, and check codes that notice every change."""

from __future__ import annotations

import dataclasses
import re
import string

import numpy as np
import pytest
from pipeline.records import Change
from pipeline.sheets import checkcode
from pipeline.sheets.checkcode import all_codes, check_code
from pipeline.sheets.context import load_words, make_context
from pipeline.sheets.marks import Box, GeoBox, Line, Rect, bounds, flat, texts
from pipeline.sheets.paper import (
    FOOT_PT,
    HEAD_PT,
    MARGIN_PT,
    PAPERS,
    body_page,
    body_rect,
    code_line,
    datum_line,
    framed,
    maker_line,
    page_frame,
    paper_of,
)

from sample_plan import DATE, sample_plan

PLAN, TERRAIN, GROUND = sample_plan()


def context(**bush):
    settings = dataclasses.replace(PLAN.settings, bush=dataclasses.replace(PLAN.settings.bush, **bush))
    return make_context(plan=dataclasses.replace(PLAN, settings=settings), terrain=TERRAIN, ground=GROUND)


@pytest.fixture(scope="module")
def ctx():
    return context()


# ---------------------------------------------------------------- words


@pytest.mark.parametrize("language", ["en", "fr"])
@pytest.mark.parametrize("units", ["us", "metric"])
@pytest.mark.parametrize("paper", sorted(PAPERS))
def test_the_bush_file_decides_how_sheets_look(language, units, paper):
    made = context(language=language, units=units, paper=paper)
    assert (made.language, made.units.system, made.paper) == (language, units, paper)
    assert (made.date, made.revision) == (DATE, "B")
    assert made.w("map.scale") == load_words(language)["map.scale"]
    assert paper_of(made) == PAPERS[paper]
    assert body_rect(made) == PAPERS[paper].body


def test_blanks_are_filled_and_must_be_given(ctx):
    assert ctx.w("common.sheet_of", sheet=3, sheets=7) == ctx.words["common.sheet_of"].format(sheet=3, sheets=7)
    assert "{" in ctx.w("common.sheet_of")
    with pytest.raises(KeyError):
        ctx.w("common.sheet_of", sheet=3)
    with pytest.raises(KeyError):
        ctx.w("common.no_such_word")


def test_words_are_known_or_not(ctx):
    assert ctx.has("common.sheet_of")
    assert not ctx.has("common.no_such_word")
    assert not ctx.has("sheet_of")


@pytest.mark.parametrize("language", ["en", "fr"])
def test_every_word_is_well_formed(language):
    for key, text in load_words(language).items():
        assert key.count(".") == 1, key
        fields = [name for _, name, _, _ in string.Formatter().parse(text) if name is not None]
        assert all(re.fullmatch(r"\w+", name) for name in fields), key


def test_sections_by_name(ctx):
    assert ctx.section("S02") is ctx.plan.sections[1]
    with pytest.raises(KeyError, match="S01, S02, S03"):
        ctx.section("S99")


# ---------------------------------------------------------------- revisions


def change(revision: str, date: str, replaces: str, *sections) -> Change:
    fields = {f.name: f for f in dataclasses.fields(Change)}
    given = {"revision": revision, "date": date, "replaces": replaces, "sections": sections}
    rest = {name: () for name, f in fields.items() if name not in given and f.default is dataclasses.MISSING
            and f.default_factory is dataclasses.MISSING}
    return Change(**{**rest, **given})


def revised(*changes, **section_fields):
    sections = (dataclasses.replace(PLAN.sections[0], **section_fields), *PLAN.sections[1:])
    made = context()
    return dataclasses.replace(made, plan=dataclasses.replace(made.plan, changes=changes, sections=sections))


def test_without_changes_everything_is_the_plans_own_revision(ctx):
    for name in ("", "S01", "S03"):
        assert ctx.revision_of(name) == ("B", DATE, "")


def test_a_changed_section_has_its_own_revision_date_and_what_it_replaces():
    made = revised(change("C", "2026-04-01", "B"), change("D", "2026-05-01", "C"), revision="C", replaces="B")
    assert made.revision_of("") == ("D", "2026-05-01", "C")
    assert made.revision_of("S01") == ("C", "2026-04-01", "B")
    assert made.revision_of("S02") == ("B", DATE, "")


def test_a_section_that_is_not_known_has_the_plans_revision(ctx):
    assert ctx.revision_of("S77") == ("B", DATE, "")


# ---------------------------------------------------------------- paper


@pytest.mark.parametrize(("name", "inches"), [("letter", (8.5, 11.0)), ("legal", (8.5, 14.0)),
                                              ("tabloid", (11.0, 17.0)),
                                              ("a4", (210.0 / 25.4, 297.0 / 25.4))])
def test_paper_sizes_are_the_standards(name, inches):
    """ANSI letter, legal and tabloid in inches; A4 of ISO 216 in millimetres."""
    paper = PAPERS[name]
    assert (paper.width / 72.0, paper.height / 72.0) == pytest.approx(inches, abs=1e-3)
    assert paper.name == name


@pytest.mark.parametrize("name", sorted(PAPERS))
def test_the_body_lies_between_head_and_foot_inside_the_margins(name):
    paper = PAPERS[name]
    area, body = paper.printable, paper.body
    assert (area.x0, paper.width - area.x1, paper.height - area.y1) == (MARGIN_PT, MARGIN_PT, MARGIN_PT)
    assert area.y0 == MARGIN_PT - 14.0
    assert body.y0 - area.y0 == FOOT_PT + 5.0
    assert area.y1 - body.y1 == pytest.approx(HEAD_PT + 7.0)
    assert (body.x0, body.x1) == (area.x0, area.x1)


@pytest.mark.parametrize("paper", sorted(PAPERS))
@pytest.mark.parametrize("language", ["en", "fr"])
@pytest.mark.parametrize("section", ["S01", ""])
def test_head_and_foot_stay_off_the_body_and_inside_the_margins(paper, language, section):
    made = context(paper=paper, language=language, made_by="a maker with a fairly long name of a company")
    marks = page_frame(made, section, "Cross-section of everything along the line " * 3, "words " * 60, 12, 34)
    area, body = PAPERS[paper].printable, PAPERS[paper].body
    for mark, _ in flat(marks):
        assert area.holds(bounds(mark), 0.6), mark
        assert not body.inset(0.1).overlaps(bounds(mark)), mark
    shown = list(texts(marks))
    for i, mark in enumerate(shown):
        assert mark.size >= 6.6
        assert not any(bounds(mark).inset(0.6).overlaps(bounds(other).inset(0.6)) for other in shown[:i]), mark


def test_the_frame_says_which_section_sheet_and_code(ctx):
    tagged = {m.tag: m.text for m in texts(page_frame(ctx, "S02", "Map", "of it", 3, 9)) if m.tag}
    assert tagged["section_box"] == "S02"
    assert tagged["title"] == "Map"
    assert tagged["corner"] == "S02   3/9"
    assert ctx.check_code("S02") in tagged["check_code"]
    assert "B" in tagged["revision"]
    assert DATE in tagged["revision"]
    plan = {m.tag: m.text for m in texts(page_frame(ctx, "", "Map", "of it", 3, 9)) if m.tag}
    assert plan["section_box"] == ctx.w("common.plan_box")
    assert ctx.check_code("") in plan["check_code"]


@pytest.mark.parametrize("name", ["S01", "S123456", "A long name of a section", ""])
def test_any_name_fits_its_box(ctx, name):
    known = dataclasses.replace(ctx, codes={**ctx.codes, name: "0000-0000"})
    marks = page_frame(known, name, "t", "s", 1, 1)
    box = next(m for m in marks if isinstance(m, Box))
    (text,) = [m for m in texts(marks) if m.tag == "section_box"]
    assert box.rect.holds(bounds(text), 0.5)


def test_pages_are_numbered_and_framed_in_order(ctx):
    line = Line(100.0, 300.0, 200.0, 300.0)
    geo = (GeoBox(Rect(0.0, 0.0, 1.0, 1.0), ((1.0, 0.0), (0.0, 0.0), (0.0, 1.0), (1.0, 1.0)), "m"),)
    pages = [body_page(ctx, "S01", f"T{i}", "s", (line,), geo) for i in range(3)]
    assert {(p.width, p.height) for p in pages} == {(612.0, 792.0)}
    found = framed(ctx, pages)
    assert [p.title for p in found] == ["1  T0", "2  T1", "3  T2"]
    for number, page in enumerate(found, start=1):
        assert page.marks[-1] == line
        assert page.geo == geo
        assert f"S01   {number}/3" in [m.text for m in texts(page.marks)]
        assert f"T{number - 1}" in [m.text for m in texts(page.marks)]


def test_lines_of_the_foot(ctx):
    assert "NAVD 88" in datum_line(ctx)
    assert "trees.gpx" in datum_line(ctx)
    assert TERRAIN.source in datum_line(ctx)
    assert "planning desk" in maker_line(ctx)
    anonymous = context(made_by="")
    assert maker_line(anonymous).startswith(anonymous.w("common.made", date=DATE))
    assert ctx.w("common.not_a_survey") in maker_line(ctx)
    assert ctx.check_code("S01") in code_line(ctx, "S01")
    made = revised(change("C", "2026-04-01", "B"), revision="C", replaces="B")
    assert made.w("common.replaces", revision="B") in maker_line(made, "S01")
    assert made.w("common.replaces", revision="B") not in maker_line(made, "S02")


# ---------------------------------------------------------------- check codes


def test_codes_are_eight_hexadecimal_digits_for_every_section_and_the_plan(ctx):
    assert set(ctx.codes) == {"", "S01", "S02", "S03"}
    assert all(re.fullmatch(r"[0-9A-F]{4}-[0-9A-F]{4}", code) for code in ctx.codes.values())
    assert len(set(ctx.codes.values())) == 4
    assert all_codes(PLAN, terrain=TERRAIN, ground=GROUND) == dict(ctx.codes)
    one = check_code(PLAN, PLAN.sections[0], terrain=TERRAIN, ground=GROUND)
    assert one == ctx.codes["S01"]


@pytest.mark.parametrize("change_of", [
    {"name": "Other hillside"}, {"units": "metric"}, {"language": "fr"}, {"paper": "a4"}, {"made_by": "x"},
    {"date": "2026-03-03"}, {"revision": "C"},
])
def test_every_printed_setting_is_in_every_code(ctx, change_of):
    made = context(**change_of)
    assert all(made.codes[name] != ctx.codes[name] for name in ctx.codes)


def test_a_terrain_of_another_height_or_source_is_noticed(ctx):
    z = TERRAIN.z_m.copy()
    z[100, 100] += 0.01
    for ground in (dataclasses.replace(TERRAIN, z_m=z), dataclasses.replace(TERRAIN, source="other"),
                   dataclasses.replace(TERRAIN, vertical_error_m=0.2)):
        found = all_codes(PLAN, terrain=ground, ground=GROUND)
        assert found[""] != ctx.codes[""]
        assert found["S01"] != ctx.codes["S01"]


def test_a_layer_that_is_missing_is_noticed(ctx):
    fewer = dataclasses.replace(GROUND, layers=GROUND.layers[1:])
    found = all_codes(PLAN, terrain=TERRAIN, ground=fewer)
    assert found[""] != ctx.codes[""]


def test_an_issued_section_keeps_its_printed_code():
    section = dataclasses.replace(PLAN.sections[0], issued_in="A", check_code="AAAA-BBBB")
    plan = dataclasses.replace(PLAN, sections=(section, *PLAN.sections[1:]))
    assert all_codes(plan, terrain=TERRAIN, ground=GROUND)["S01"] == "AAAA-BBBB"


CANONICAL_PAIRS = [
    (0.0, -0.0, True), (1.0, 1.00004, True), (1.0, 1.0001, False), (1, True, False), ("1", 1, False),
    ((1, 2), [1, 2], True), ((1, (2,)), (1, 2), False), (("a", "b"), ("ab",), False),
    ({"b": 1, "a": 2}, {"a": 2, "b": 1}, True),
    ({"a": 1}, {"a": 2}, False), (np.array([1.0, 2.0]), np.array([[1.0], [2.0]]), False),
    (np.array([1.0, -0.0]), np.array([1.0, 0.0]), True), (np.array([1.00001]), np.array([1.0]), True),
    (np.array([1]), np.array([1.0]), False), (np.float64(2.0), 2.0, True), (np.int64(2), 2, True), ((), (()), True),
    ((), ((),), False), (None, "None", False),
]


@pytest.mark.parametrize(("a", "b", "same"), CANONICAL_PAIRS)
def test_values_have_one_spelling(a, b, same):
    """A tenth of a millimetre is one number; kinds, nesting and shapes are told apart."""
    assert (list(checkcode._canonical(a)) == list(checkcode._canonical(b))) is same
