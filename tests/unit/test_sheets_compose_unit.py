"""Filling pages: the composer's steps in points, cutting of rows, two columns, and French spelling."""

from __future__ import annotations

import dataclasses
from itertools import pairwise

import pytest
from pipeline.sheets.compose import (
    GAP_PT,
    LINE_FACTOR,
    TEXT_PT,
    Composer,
    boxed_lines,
    page_rows,
    say,
    write_line,
)
from pipeline.sheets.context import make_context
from pipeline.sheets.local import local, tied, words_local
from pipeline.sheets.marks import Box, Group, Line, Rect, bounds, flat, texts
from pipeline.sheets.paper import PAPERS
from pipeline.sheets.table import ROW_PT, Column

from sample_plan import sample_plan


@pytest.fixture(scope="module")
def base():
    plan, terrain, ground = sample_plan()
    return make_context(plan=plan, terrain=terrain, ground=ground)


@pytest.fixture(params=sorted(PAPERS))
def ctx(base, request):
    return dataclasses.replace(base, paper=request.param)


@pytest.fixture
def pages(base):
    return Composer(base, "S01", "Title", "what it is for")


def levels(page) -> list[float]:
    return [m.y for m in texts(page.marks)]


# ---------------------------------------------------------------- steps


def test_a_new_composer_starts_at_the_top_of_the_body(ctx):
    made = Composer(ctx, "S01", "Title", "sub")
    body = PAPERS[ctx.paper].body
    assert (made.y, made.left_pt, made.page_no) == (body.y1, body.height, 1)
    assert made.body == body
    assert made.pages() == []


@pytest.mark.parametrize("size", [TEXT_PT, 7.0])
def test_a_paragraph_takes_its_lines_and_two_points(pages, size):
    top = pages.y
    pages.para("one line", size=size)
    assert pages.y == pytest.approx(top - size * LINE_FACTOR - 2.0)
    (mark,) = texts(pages.pages()[0].marks)
    assert (mark.x, mark.y) == pytest.approx((pages.body.x0, top - 0.78 * size * LINE_FACTOR))


def test_lines_of_a_paragraph_stand_a_line_apart_and_fit(pages):
    pages.para("word " * 60)
    found = list(texts(pages.pages()[0].marks))
    assert len(found) >= 3
    steps = [a.y - b.y for a, b in pairwise(found)]
    assert steps == pytest.approx([TEXT_PT * LINE_FACTOR] * (len(found) - 1))
    assert all(bounds(m).x1 <= pages.body.x1 + 0.5 for m in found)


@pytest.mark.parametrize(("indent", "tick", "x"), [(0.0, False, 0.0), (20.0, False, 20.0), (0.0, True, 18.0),
                                                   (20.0, True, 38.0)])
def test_indents_and_ticks_move_the_text(pages, indent, tick, x):
    pages.para("short", indent_pt=indent, tick=tick)
    page = pages.pages()[0]
    (mark,) = texts(page.marks)
    boxes = [m for m, _ in flat(page.marks) if isinstance(m, Box)]
    assert mark.x == pytest.approx(pages.body.x0 + x)
    assert len(boxes) == tick
    if tick:
        assert boxes[0].rect.x0 == pytest.approx(pages.body.x0 + indent)


def test_a_ticked_line_is_as_high_as_a_row_for_gloves(pages):
    top = pages.y
    pages.para("short", tick=True)
    assert pages.y == pytest.approx(top - ROW_PT - 2.0)


def test_a_narrower_paragraph_breaks_earlier(pages):
    pages.para("word " * 20, width_pt=100.0)
    assert all(bounds(m).x1 <= pages.body.x0 + 100.0 + 0.01 for m in texts(pages.pages()[0].marks))


def test_room_is_left_only_below_something(pages):
    top = pages.y
    pages.space(50.0)
    assert pages.y == top
    pages.para("x")
    below = pages.y
    pages.space()
    assert pages.y == below - GAP_PT


def test_a_heading_takes_its_size_and_six_points(pages):
    top = pages.y
    pages.heading("Head", size=12.0)
    assert pages.y == pytest.approx(top - 18.0)
    (group,) = pages.pages()[0].marks
    assert group.role == "H2"


@pytest.mark.parametrize(("left", "turned"), [(76.0, False), (74.0, True)])
def test_a_heading_stays_with_what_follows(pages, left, turned):
    """11 points of heading and 64 below it: 75 are needed."""
    pages.block(pages.left_pt - left, lambda rect: [Line(rect.x0, rect.y0, rect.x1, rect.y0)])
    pages.heading("Head")
    assert (pages.page_no == 2) is turned


def test_a_block_gets_the_full_width_and_its_height(pages):
    seen = []
    top = pages.y
    pages.block(40.0, lambda rect: seen.append(rect) or [Box(rect)])
    assert seen == [Rect(pages.body.x0, top - 40.0, pages.body.x1, top)]
    assert pages.y == top - 40.0


@pytest.mark.parametrize(("need", "page"), [(0.0, 1), (100.0, 1), (101.0, 2)])
def test_a_page_is_turned_when_less_is_left_than_needed(pages, need, page):
    pages.block(pages.left_pt - 100.0, lambda rect: [Box(rect)])
    pages.need(need)
    assert pages.page_no == page


def test_an_empty_page_is_not_turned(pages):
    pages.new_page()
    pages.need(1e6)
    assert pages.page_no == 1


# ---------------------------------------------------------------- titles


@pytest.mark.parametrize("language", ["en", "fr"])
def test_later_pages_say_that_they_continue(language):
    plan, terrain, ground = sample_plan()
    bush = dataclasses.replace(plan.settings.bush, language=language)
    plan = dataclasses.replace(plan, settings=dataclasses.replace(plan.settings, bush=bush))
    ctx = make_context(plan=plan, terrain=terrain, ground=ground)
    made = Composer(ctx, "S01", "Title", "sub")
    for _ in range(3):
        made.block(made.body.height, lambda rect: [Box(rect)])
    found = made.pages()
    assert [p.title for p in found] == ["Title"] + [ctx.w("common.continued", title="Title")] * 2
    assert {p.subtitle for p in found} == {"sub"}
    assert {p.section_id for p in found} == {"S01"}


def test_chapters_share_a_page_when_there_is_room_and_its_head_names_both(pages):
    pages.para("first matter")
    pages.chapter("Second", "its own words", keep_pt=100.0)
    pages.para("second matter")
    (page,) = pages.pages()
    assert page.title == "Title · Second"
    assert page.subtitle == "what it is for"
    shown = [m.text for m in texts(page.marks)]
    assert shown == ["first matter", "Second", "its own words", "second matter"]


def test_a_chapter_without_room_has_its_own_page_and_subtitle(pages):
    pages.block(pages.left_pt - 50.0, lambda rect: [Box(rect)])
    pages.chapter("Second", "its own words", keep_pt=100.0)
    pages.para("second matter")
    first, second = pages.pages()
    assert (first.title, first.subtitle) == ("Title", "what it is for")
    assert (second.title, second.subtitle) == ("Second", "its own words")


# ---------------------------------------------------------------- ticks


def test_lists_stand_side_by_side_and_take_the_longest(pages):
    """Two columns of half the width less 14 points; three items of 17 points and 18 for the heading."""
    top = pages.y
    pages.ticks([("Left", ["a", "b", "c"], 0.5), ("Right", ["d"], 0.5)])
    assert pages.y == pytest.approx(top - 3 * ROW_PT - 18.0)
    page = pages.pages()[0]
    boxes = [m for m, _ in flat(page.marks) if isinstance(m, Box)]
    assert len(boxes) == 4
    shown = {m.text: m for m in texts(page.marks)}
    half = (pages.body.width - 14.0) / 2.0
    assert shown["Right"].x - shown["Left"].x == pytest.approx(half + 14.0)
    assert shown["a"].x == pytest.approx(pages.body.x0 + 18.0)
    assert shown["d"].y == shown["a"].y
    assert shown["a"].y - shown["b"].y == pytest.approx(ROW_PT)
    middles = [top - 18.0 - ROW_PT * (i + 0.5) for i in range(3)]
    assert sorted((b.rect.center[1] for b in boxes), reverse=True) == pytest.approx(sorted(
        [*middles, middles[0]], reverse=True))


# ---------------------------------------------------------------- tables


def test_tables_run_on_and_leave_the_reserve(pages):
    rows = [[f"r{i}", "x"] for i in range(90)]
    pages.table(rows, [Column("A", 100.0), Column("B", 100.0)], reserve_pt=60.0)
    found = pages.pages()
    shown = [m.text for page in found for m in texts(page.marks) if m.text.startswith("r")]
    assert shown == [row[0] for row in rows]
    assert all(m.text == "A" for page in found for m in list(texts(page.marks))[:1])
    low = pages.body.y0 + 60.0
    assert all(bounds(m).y0 >= low - 0.7 for page in found for m in page.marks)


def test_a_table_of_nothing_is_nothing(pages):
    pages.table([], [Column("A", 100.0)])
    assert pages.pages() == []


def test_a_table_is_not_begun_at_the_foot_of_a_page(pages):
    pages.block(pages.left_pt - 63.0, lambda rect: [Box(rect)])
    pages.table([["x"]], [Column("A", 100.0)])
    assert pages.page_no == 2


# ---------------------------------------------------------------- cutting rows


@pytest.mark.parametrize(("tall", "first", "later", "even", "wanted"), [
    ([10.0] * 5, 50.0, 50.0, True, [5]),
    ([10.0] * 6, 50.0, 50.0, True, [3, 3]),
    ([10.0] * 6, 50.0, 50.0, False, [3, 3]),        # one row would be a crumb
    ([10.0] * 8, 50.0, 50.0, False, [5, 3]),        # three are none
    ([10.0] * 8, 50.0, 50.0, True, [4, 4]),
    ([10.0] * 11, 20.0, 100.0, True, [2, 9]),       # the first page has little room
    ([10.0] * 13, 20.0, 60.0, True, [2, 6, 5]),
    ([30.0, 10.0, 10.0], 25.0, 50.0, True, [0, 3]),  # the first row goes to page two
    ([25.0, 25.0, 25.0], 50.0, 50.0, True, [2, 1]),
    ([50.0, 50.0], 50.0, 50.0, True, [1, 1]),
    ([10.0], 50.0, 50.0, True, [1]),
])
def test_rows_by_hand(tall, first, later, even, wanted):
    assert page_rows(tall, first, later, even=even) == wanted


@pytest.mark.parametrize(("tall", "refused"), [([50.0], False), ([50.005], False), ([50.1], True), ([1.0, 60.0], True)])
def test_a_row_higher_than_a_page_is_refused(tall, refused):
    if refused:
        with pytest.raises(ValueError, match="50 points"):
            page_rows(tall, 50.0, 50.0)
    else:
        assert sum(page_rows(tall, 50.0, 50.0)) == len(tall)


# ---------------------------------------------------------------- small marks


def test_boxed_lines_run_down_from_the_top_inside_the_box():
    rect = Rect(10.0, 10.0, 200.0, 80.0)
    box, group = boxed_lines(rect, [("one", False), ("two", True)])
    assert isinstance(box, Box)
    assert box.rect == rect
    assert group.role == "P"
    first, second = group.marks
    assert (first.bold, second.bold) == (False, True)
    assert first.y - second.y == pytest.approx(TEXT_PT * LINE_FACTOR)
    assert first.x == second.x == 15.0
    assert all(rect.holds(bounds(m)) for m in group.marks)


def test_a_line_to_write_on_has_its_label_below():
    line, group = write_line(10.0, 110.0, 50.0, "Date")
    assert (line.x0, line.x1, line.y0, line.y1) == (10.0, 110.0, 50.0, 50.0)
    assert isinstance(group, Group)
    assert bounds(group).y1 < 50.0


# ---------------------------------------------------------------- spelling


@pytest.mark.parametrize(("text", "wanted"), [
    ("1.5", "1,5"), ("1,234", "1\u00a0234"), ("1,234.5", "1\u00a0234,5"), ("12,345,678", "12\u00a0345\u00a0678"),
    ("12", "12"), ("1,23", "1,23"), ("M1.2-S04", "M1.2-S04"), ("M2.8", "M2.8"), ("v1.2", "v1.2"), ("-1.5", "-1,5"),
    ("(1.5)", "(1,5)"), ("8.0 ft", "8,0 pi"), ("12 in", "12 po"), ("25.0 inHg", "25,0 poHg"),
    ("21.2 cfm", "21,2 pi³/min"),
    ("4 ea", "4 un."), ("2 rolls", "2 rouleau"), ("9 gal", "9 gal US"), ("9 gal/h", "9 gal US/h"), ("left", "left"),
    ("inside", "inside"), ("2.50 m", "2,50 m"),
])
def test_french_takes_commas_fixed_spaces_and_its_units(text, wanted):
    assert local("fr", text) == wanted
    assert local("en", text) == text


def test_the_context_decides_the_spelling(base):
    french = dataclasses.replace(base, language="fr")
    assert words_local(base, "1,234.5 ft") == say(base, "1,234.5 ft") == "1,234.5 ft"
    assert words_local(french, "1,234.5 ft") == say(french, "1,234.5 ft") == "1\u00a0234,5 pi"


@pytest.mark.parametrize(("text", "wanted"), [
    ("12 m", "12\u00a0m"), ("12 mm", "12 mm"), ("12 min", "12\u00a0min"), ("25 inHg", "25\u00a0inHg"),
    ("2 %", "2\u00a0%"), ("45 °", "45\u00a0°"), ("Attention : oui", "Attention\u00a0: oui"), ("Quoi ?", "Quoi\u00a0?"),
    ("« mot »", "«\u00a0mot\u00a0»"), ("3 × 4 = 12 L", "3\u00a0× 4\u00a0= 12\u00a0L"), ("5 people", "5\u00a0people"),
    ("a b", "a b"), ("line 4 on", "line 4 on"), ("", ""),
])
def test_lines_never_break_before_a_unit_or_a_french_sign(text, wanted):
    assert tied(text) == wanted
