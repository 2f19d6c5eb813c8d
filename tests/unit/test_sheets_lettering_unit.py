"""Letters beyond ASCII: a page is drawn once, and every document writes them in its own way."""

from __future__ import annotations

import io
import pickle

import pikepdf
import pypdfium2
import pytest
from pipeline.sheets.draw import draw, drawn
from pipeline.sheets.geopdf import DocumentInfo, to_pdf
from pipeline.sheets.lettering import face_mark, lettered
from pipeline.sheets.marks import Group, Page, Text
from pipeline.sheets.text import missing

INFO = DocumentInfo("Title", "Maker", "Subject", "fr", "2026-03-02")
MANY = "".join(c for c in map(chr, range(0xA1, 0x500)) if c != "\xad" and not missing(c))


def page(*lines: str, bold: bool = False) -> Page:
    marks = tuple(Group((Text(10.0, 780.0 - 12.0 * k, line, 8.0, bold=bold),), role="P")
                  for k, line in enumerate(lines))
    return Page(612.0, 792.0, marks, "t")


def read(pdf: bytes) -> list[str]:
    document = pypdfium2.PdfDocument(pdf)
    try:
        return [found.get_textpage().get_text_range().replace("\r\n", "\n") for found in document]
    finally:
        document.close()


def test_ascii_stands_as_it_is_and_other_letters_are_marked():
    assert lettered(r"a (b) \c", "8", bold=False) == r"a \050b\051 \134c"
    marked = lettered("5 °", "8", bold=False)
    assert marked.startswith("5 \x01")
    assert marked != lettered("5 °", "9", bold=False)
    assert marked != lettered("5 °", "8", bold=True)
    assert len(face_mark(bold=True)) == len(marked) - len("5 ")


@pytest.mark.parametrize("text", ["é° ≤", "Ünïcödé", "a\x01b\x02c", "x\u00a0y"])
def test_no_mark_is_left_in_a_document(text):
    drawing = draw([page(text), page(text, bold=True)])
    assert all(b"\x01" not in code and b"\x02" not in code for code in drawing.content)


def test_the_same_page_is_written_by_each_document_in_its_own_way():
    one = drawn(page("pé ü"))
    alone, second = draw([one]), draw([page("ü"), one])
    assert alone.content[0] != second.content[1]  # ü is the second letter of one document, the first of the other
    assert read(to_pdf([one], INFO)) == ["pé ü"]
    assert read(to_pdf([page("ü"), one], INFO)) == ["ü", "pé ü"]


def test_a_drawn_page_is_the_page_and_can_be_sent():
    planned = page("Érablière 12°", "plain")
    once = drawn(planned)
    assert drawn(once) is once
    sent = pickle.loads(pickle.dumps(once))  # noqa: S301 - made by this test
    assert to_pdf([sent], INFO) == to_pdf([planned], INFO)


@pytest.mark.parametrize("bold", [False, True])
def test_more_letters_than_a_font_of_a_document_holds_are_all_shown(bold):
    assert len(MANY) > 200  # a font holds 256, ASCII among them
    lines = [f"<{MANY[k: k + 60]}>" for k in range(0, len(MANY), 60)]
    pdf = to_pdf([page(*lines, "after", bold=bold)], INFO)
    with pikepdf.open(io.BytesIO(pdf)) as document:
        assert sum(str(name).endswith("+1") for name in document.pages[0].Resources.Font) == 1
    assert read(pdf)[0].split("\n") == [*lines, "after"]
