"""Tables: column widths, row heights, rules, cells and page cutting, from the marks that come out."""

from __future__ import annotations

from math import ceil

import pytest
from pipeline.sheets.marks import Box, Group, Line, Link, Rect, Text, flat, texts
from pipeline.sheets.table import (
    BODY_PT,
    HEAD_FILL,
    HEAD_SIZE_PT,
    LINE_STEP,
    ROW_PT,
    Cell,
    Column,
    balanced,
    heights,
    table,
)
from pipeline.sheets.text import width_pt

RECT = Rect(36.0, 100.0, 336.0, 400.0)
PLAIN = [Column("A", 100.0), Column("B", 100.0), Column("C", 100.0)]
HEAD_PT = HEAD_SIZE_PT * 1.2 + 6.0  # one line of titles


def rows_of(count: int, columns: int = 3) -> list[list[str]]:
    return [[f"r{i}c{k}" for k in range(columns)] for i in range(count)]


def uprights(marks) -> list[float]:
    return sorted(m.x0 for m, _ in flat(marks) if isinstance(m, Line) and m.x0 == m.x1)


def levels(marks) -> list[Line]:
    found = [m for m, _ in flat(marks) if isinstance(m, Line) and m.y0 == m.y1]
    return sorted(found, key=lambda m: -m.y0)


# ---------------------------------------------------------------- widths


@pytest.mark.parametrize(("columns", "wanted"), [
    # 300 points of room, each asks 100: as asked
    (PLAIN, [100.0, 100.0, 100.0]),
    # 60 + 90 asked of 300, no flex: stretched in proportion 2 : 3
    ([Column("A", 60.0), Column("B", 90.0)], [120.0, 180.0]),
    # 600 asked of 300: halved, flex or not
    ([Column("A", 400.0, flex=1.0), Column("B", 200.0)], [200.0, 100.0]),
    # 150 asked, 150 over, flex 1 : 2 of the last two
    ([Column("A", 50.0), Column("B", 40.0, flex=1.0), Column("C", 60.0, flex=2.0)], [50.0, 90.0, 160.0]),
    # just as asked with flex: nothing to share
    ([Column("A", 150.0, flex=3.0), Column("B", 150.0)], [150.0, 150.0]),
])
def test_columns_share_the_width(columns, wanted):
    made = table([["x"] * len(columns)], columns, RECT)
    edges = [RECT.x0]
    for width in wanted:
        edges.append(edges[-1] + width)
    assert uprights(made.marks) == pytest.approx(edges)


# ---------------------------------------------------------------- heights


def test_plain_rows_have_the_least_height_and_the_table_ends_below_them():
    made = table(rows_of(4), PLAIN, RECT)
    assert made.rows_left == []
    assert made.bottom_y == pytest.approx(400.0 - HEAD_PT - 4 * ROW_PT)


@pytest.mark.parametrize("row_height", [17.0, 22.0, 30.0])
def test_the_callers_least_height_counts(row_height):
    made = table(rows_of(3), PLAIN, RECT, row_height=row_height)
    assert made.bottom_y == pytest.approx(400.0 - HEAD_PT - 3 * row_height)


@pytest.mark.parametrize(("size", "row_height"), [(BODY_PT, ROW_PT), (12.0, 10.0), (7.0, 20.0)])
def test_wrapped_rows_grow_by_the_line(size, row_height):
    r"""A cell of n lines takes max(least, n size 1.12 + 2.4) points; ``\n`` breaks a line."""
    columns = [Column("A", 150.0, wrap=True), Column("B", 150.0)]
    rows = [["one", "x"], ["one\ntwo", "x"], ["one\ntwo\nthree", "x"]]
    head, tall = heights(rows, columns, 300.0, size=size, row_height=row_height)
    assert head == pytest.approx(HEAD_PT)
    assert tall == pytest.approx([max(row_height, n * size * LINE_STEP + 2.4) for n in (1, 2, 3)])


def test_a_column_that_does_not_wrap_keeps_one_line_and_sets_it_smaller():
    text = "a long remark that is far wider than its column and keeps one line"
    _, tall = heights([[text, ""]], [Column("A", 150.0), Column("B", 150.0)], 300.0)
    assert tall == [ROW_PT]
    (mark,) = [m for m in texts(table([[text, ""]], [Column("A", 150.0), Column("B", 150.0)], RECT).marks)
               if m.text.startswith("a long")]
    assert mark.size < BODY_PT
    assert width_pt(mark.text, mark.size) <= 150.0 - 2 * 3.5 + 1.0 + 1e-9


@pytest.mark.parametrize(("title", "lines"), [("A", 1), ("A\nB", 2), ("A\nB\nC", 3)])
def test_the_header_is_as_high_as_its_longest_title(title, lines):
    head, _ = heights([], [Column("x", 100.0), Column(title, 100.0)], 200.0)
    assert head == pytest.approx(lines * HEAD_SIZE_PT * 1.2 + 6.0)


def test_a_title_too_wide_is_broken_at_its_spaces_and_a_single_word_is_not():
    head, _ = heights([], [Column("Height above ground", 40.0)], 40.0)
    assert head >= 3 * HEAD_SIZE_PT * 1.2 + 6.0
    one, _ = heights([], [Column("Heightaboveground", 40.0)], 40.0)
    assert one == pytest.approx(HEAD_PT)


@pytest.mark.parametrize("count", [0, 1, 7, 12])
def test_heights_are_those_that_the_table_takes(count):
    columns = [Column("A", 60.0, wrap=True), Column("B", 100.0)]
    rows = [["word " * (1 + i % 4), "x"] for i in range(count)]
    head, tall = heights(rows, columns, RECT.width)
    made = table(rows, columns, Rect(36.0, -5000.0, 336.0, 400.0))
    assert made.bottom_y == pytest.approx(400.0 - head - sum(tall))


# ---------------------------------------------------------------- which rows


@pytest.mark.parametrize(("height", "taken"), [
    (HEAD_PT + 3 * ROW_PT, 3),           # exactly three
    (HEAD_PT + 3 * ROW_PT - 0.005, 3),   # within the hundredth that rounding may cost
    (HEAD_PT + 3 * ROW_PT - 0.5, 2),
    (HEAD_PT + 4 * ROW_PT - 0.1, 3),
    (HEAD_PT + ROW_PT, 1),
])
def test_only_whole_rows_are_taken(height, taken):
    rows = rows_of(10)
    made = table(rows, PLAIN, Rect(0.0, 100.0, 300.0, 100.0 + height))
    assert made.rows_left == rows[taken:]
    assert made.bottom_y >= 100.0 - 0.01


@pytest.mark.parametrize(("most", "left"), [(0, 0), (1, 4), (4, 1), (5, 0), (9, 0)])
def test_no_more_rows_than_the_caller_wants(most, left):
    assert len(table(rows_of(5), PLAIN, RECT, most_rows=most).rows_left) == left


def test_no_rows_make_a_header_alone():
    made = table([], PLAIN, RECT)
    assert made.rows_left == []
    assert made.bottom_y == pytest.approx(400.0 - HEAD_PT)
    assert [m.text for m in texts(made.marks)] == ["A", "B", "C"]


def test_a_row_that_does_not_fit_is_refused_with_the_height():
    with pytest.raises(ValueError, match="into 20 points"):
        table(rows_of(1), PLAIN, Rect(0.0, 0.0, 300.0, 20.0))


@pytest.mark.parametrize("row", [["a"], ["a", "b", "c", "d"]])
def test_a_row_of_another_length_is_refused(row):
    with pytest.raises(ValueError, match="zip"):
        table([row], PLAIN, RECT)


# ---------------------------------------------------------------- rules


@pytest.mark.parametrize(("every", "first", "heavy"), [
    (5, 0, {0, 5, 7}), (5, 3, {0, 2, 7}), (3, 0, {0, 3, 6, 7}), (3, 1, {0, 2, 5, 7}), (0, 0, {0, 7}), (0, 4, {0, 7}),
])
def test_heavy_rules_count_on_over_pages(every, first, heavy):
    """Eight rules around seven rows: the ends, and those whose number is a multiple of `every`."""
    made = table(rows_of(7), PLAIN, RECT, heavy_every=every, first_row=first)
    rules = levels(made.marks)[1:]  # the first is the table's upper edge
    assert len(rules) == 8
    assert {i for i, m in enumerate(rules) if m.width > 1.0} == heavy
    assert {m.color for i, m in enumerate(rules) if i in heavy} == {"#000000"}
    assert all(m.width == 0.5 for i, m in enumerate(rules) if i not in heavy)


def test_rules_span_the_table_and_the_column_rules_its_rows():
    made = table(rows_of(2), PLAIN, RECT)
    assert {(m.x0, m.x1) for m in levels(made.marks)} == {(36.0, 336.0)}
    for mark, _ in flat(made.marks):
        if isinstance(mark, Line) and mark.x0 == mark.x1:
            assert max(mark.y0, mark.y1) == pytest.approx(400.0 - HEAD_PT)
            assert min(mark.y0, mark.y1) == pytest.approx(made.bottom_y)


def test_the_header_lies_on_a_grey_field():
    made = table(rows_of(1), PLAIN, RECT)
    (field,) = [m for m, _ in flat(made.marks) if isinstance(m, Box) and m.fill == HEAD_FILL]
    assert (field.rect.x0, field.rect.x1, field.rect.y1) == (36.0, 336.0, 400.0)
    assert field.rect.y0 == pytest.approx(400.0 - HEAD_PT)


# ---------------------------------------------------------------- cells


@pytest.mark.parametrize(("align", "x"), [("left", 36.0 + 3.5), ("center", 186.0), ("right", 336.0 - 3.5)])
def test_cells_and_titles_are_aligned_alike(align, x):
    found = list(texts(table([["value"]], [Column("Title", 100.0, align)], RECT).marks))
    assert {m.text: (m.align, m.x) for m in found} == {"Title": (align, x), "value": (align, x)}


@pytest.mark.parametrize(("column", "cell", "bold"), [
    (False, None, False), (True, None, True), (False, True, True), (True, False, False),
])
def test_a_cell_may_overrule_its_column_and_titles_are_bold(column, cell, bold):
    made = table([[Cell("value", bold=cell)]], [Column("Title", 100.0, bold=column)], RECT)
    weight = {m.text: m.bold for m in texts(made.marks)}
    assert weight == {"Title": True, "value": bold}


def test_a_tick_column_has_one_box_in_the_middle_of_every_cell_and_none_in_the_head():
    made = table(rows_of(3, 2), [Column("A", 100.0), Column("Set", 200.0, tick=True)], RECT)
    boxes = [m for m, _ in flat(made.marks) if isinstance(m, Box) and m.width > 1.0]
    assert [b.rect.center[0] for b in boxes] == pytest.approx([236.0] * 3)
    tops = [400.0 - HEAD_PT - (i + 0.5) * ROW_PT for i in range(3)]
    assert [b.rect.center[1] for b in boxes] == pytest.approx(tops)


def test_a_link_covers_its_cell_and_says_its_text():
    made = table([["a", Cell("44.2", uri="geo:44.2,-72.9")]], [Column("A", 100.0), Column("B", 200.0)], RECT)
    (link,) = [m for m, _ in flat(made.marks) if isinstance(m, Link)]
    assert (link.uri, link.alt) == ("geo:44.2,-72.9", "44.2")
    assert (link.rect.x0, link.rect.x1) == (136.0, 336.0)
    assert link.rect.height == pytest.approx(ROW_PT)


def test_tags_reach_the_text_of_every_line_and_empty_cells_set_no_text():
    made = table([[Cell("one\ntwo", tag="height:S1"), ""]], [Column("A", 150.0, wrap=True), Column("", 150.0)], RECT)
    tagged = [m.text for m in texts(made.marks) if m.tag == "height:S1"]
    assert tagged == ["one", "two"]
    assert all(m.text for m in texts(made.marks))


def test_lines_of_a_cell_stand_a_line_apart_around_its_middle():
    made = table([["one\ntwo\nthree"]], [Column("A", 150.0, wrap=True)], RECT)
    lines = [m for m in texts(made.marks) if m.text in ("one", "two", "three")]
    assert lines[0].y - lines[1].y == pytest.approx(BODY_PT * LINE_STEP)
    assert lines[1].y - lines[2].y == pytest.approx(BODY_PT * LINE_STEP)
    middle = 400.0 - HEAD_PT - (3 * BODY_PT * LINE_STEP + 2.4) / 2.0
    assert lines[1].y + BODY_PT * 0.34 == pytest.approx(middle)


def test_structure_is_a_table_of_rows_of_header_and_data_cells():
    made = table(rows_of(2), PLAIN, RECT)
    (whole,) = [m for m in made.marks if isinstance(m, Group)]
    assert whole.role == "Table"
    assert [row.role for row in whole.marks] == ["TR"] * 3
    assert [[cell.role for cell in row.marks] for row in whole.marks] == [["TH"] * 3, ["TD"] * 3, ["TD"] * 3]
    assert all(isinstance(m, Text) for row in whole.marks for cell in row.marks for m in cell.marks)


# ---------------------------------------------------------------- cutting into pages


@pytest.mark.parametrize(("count", "room", "wanted"), [
    (0, 10, [0]), (1, 10, [1]), (10, 10, [10]), (11, 10, [6, 5]), (20, 10, [10, 10]), (21, 10, [7, 7, 7]),
    (22, 10, [8, 8, 6]),
])
def test_pages_are_cut_evenly(count, room, wanted):
    rect = Rect(0.0, 0.0, 300.0, HEAD_PT + room * ROW_PT + 1.0)
    rows = rows_of(count)
    pages = balanced(rows, PLAIN, (rect, rect))
    assert [len(page) for page in pages] == wanted
    assert [row for page in pages for row in page] == rows
    assert len(pages) == max(1, ceil(count / room))


def test_when_even_shares_need_one_page_more_the_full_ones_stay():
    """Room for 2 rows, then for 10: shares of 6 do not fit page one, 4 remain for page two: 2 + 10 it stays."""
    first = Rect(0.0, 0.0, 300.0, HEAD_PT + 2 * ROW_PT + 1.0)
    later = Rect(0.0, 0.0, 300.0, HEAD_PT + 10 * ROW_PT + 1.0)
    pages = balanced(rows_of(12), PLAIN, (first, later))
    assert [len(page) for page in pages] == [2, 10]
