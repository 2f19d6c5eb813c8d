"""Cautions in boxes: who shares one, how columns are filled, and that nothing is lost or split."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pipeline.records import SafetyNote
from pipeline.safety import load_safety
from pipeline.sheets.caution_boxes import BETWEEN_PT, Caution, caution_boxes, column_width, fits, laid, severity_word
from pipeline.sheets.compose import Composer
from pipeline.sheets.context import make_context
from pipeline.sheets.marks import Box, flat, text_rect, texts

from sample_plan import sample_plan

PLAN, TERRAIN, GROUND = sample_plan()
CTX = make_context(plan=PLAN, terrain=TERRAIN, ground=GROUND)
WORDS = load_safety("en")
LINE, AFTER = 9.52, 1.6  # a line of 8.5 point letters, and the room below a caution


@pytest.fixture
def pages() -> Composer:
    return Composer(CTX, "S01", "SAFETY", "")


def caution(code: str, lines: int = 1, severity: int = 5, sign_off: str = "") -> Caution:
    return Caution(severity, sign_off, code, tuple(f"{code} line {k}" if k == 0 else f"line {k}" for k in range(lines)))


def test_columns_are_half_the_width_less_ten_points(pages):
    assert column_width(pages) == pytest.approx((pages.body.width - BETWEEN_PT) / 2.0)


def test_a_column_counts_each_boxs_head_once():
    """Two cautions of one box and one of another, no initials: 16 + 2 lines, then 16 + 1 line."""
    three = [caution("A1"), caution("A2"), caution("D1", severity=4)]
    box = 16.0 + 2.0 * (LINE + AFTER)
    assert fits(three, box - 0.1) == 1
    assert fits(three, box + 0.1) == 2
    assert fits(three, box + 16.0 + LINE + AFTER - 0.1) == 2
    assert fits(three, box + 16.0 + LINE + AFTER + 0.1) == 3


def test_a_box_with_initials_has_a_higher_head():
    assert fits([caution("A9", sign_off="CL")], 20.0 + LINE + AFTER - 0.1) == 0
    assert fits([caution("A9", sign_off="CL")], 20.0 + LINE + AFTER + 0.1) == 1


def test_the_same_severity_and_signature_share_a_box_in_the_order_of_kinds():
    notes = [SafetyNote(code, severity, sign_off, ()) for code, severity, sign_off in (
        ("F3", 5, ""), ("A1", 5, ""), ("D1", 4, ""), ("A8", 5, ""), ("C6", 4, "CL"))]
    found = laid(CTX, WORDS, notes, 265.0)
    assert [c.code for c in found] == ["A1", "A8", "F3", "D1", "C6"]
    assert [c.box for c in found] == [(5, ""), (5, ""), (5, ""), (4, ""), (4, "CL")]
    for one in found:
        assert one.lines[0].startswith(f"{one.code} ")
        said = " ".join(one.lines).replace("\u00a0", " ").removeprefix(f"{one.code} ")
        assert said == WORDS.notes[one.code].text


def test_columns_are_even_when_all_finds_room(pages):
    top = pages.y
    caution_boxes(CTX, pages, [caution(f"A{k}") for k in range(1, 9)])
    assert top - pages.y == pytest.approx(16.0 + 4.0 * (LINE + AFTER))
    left = [t.text for t in texts(pages.pages()[0].marks) if t.tag == "code" and t.x < pages.body.center[0]]
    assert left == ["A1", "A2", "A3", "A4"]


def test_a_box_that_goes_on_in_the_next_column_has_its_head_again(pages):
    caution_boxes(CTX, pages, [caution(f"A{k}", 2, sign_off="CL+Q") for k in range(1, 9)])
    (page,) = pages.pages()
    assert [t.text for t in texts(page.marks) if t.text == severity_word(CTX, 5)] == ["DANGER", "DANGER"]
    assert len([t for t in texts(page.marks) if t.tag == "sign"]) == 2


def test_a_caution_higher_than_a_page_is_refused(pages):
    with pytest.raises(ValueError, match="A1 is higher than a page"):
        caution_boxes(CTX, pages, [caution("A1", 200)])


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.integers(1, 9), st.sampled_from([2, 3, 4, 5]), st.sampled_from(["", "CL", "CL+Q"])),
                min_size=1, max_size=60))
def test_nothing_is_lost_split_or_outside(rows):
    """Any cautions: each code once, in order, its lines whole in one box, boxes apart and inside the body."""
    rows = sorted(rows, key=lambda r: (-r[1], r[2]))
    cautions = [caution(f"Z{k}", *row) for k, row in enumerate(rows)]
    pages = Composer(CTX, "S01", "SAFETY", "")
    caution_boxes(CTX, pages, cautions)
    body = pages.body
    codes = []
    for page in pages.pages():
        boxes = [m.rect for m, _ in flat(page.marks) if isinstance(m, Box) and m.rect.width > 200.0]
        assert all(body.holds(r, 0.01) for r in boxes)
        assert not any(a.inset(0.6).overlaps(b.inset(0.6)) for i, a in enumerate(boxes) for b in boxes[:i])
        for mark in (t for t in texts(page.marks) if t.tag in ("code", "note")):
            assert any(r.holds(text_rect(mark), 1.0) for r in boxes), mark
        codes += [t.text for t in texts(page.marks) if t.tag == "code"]
    assert codes == [c.code for c in cautions]
