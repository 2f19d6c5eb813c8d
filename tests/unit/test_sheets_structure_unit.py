"""The structure tree appended as text: read back by a PDF library, and by the rules of ISO 32000-2."""

from __future__ import annotations

import io

import pikepdf
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pipeline.sheets.geopdf import DocumentInfo, to_pdf
from pipeline.sheets.marks import Box, Group, Link, Page, Rect, Text, heading, paragraph
from pipeline.sheets.structure import text_string
from pipeline.sheets.table import Cell, Column, table


def pages(count: int = 2) -> list[Page]:
    """Return pages with a heading, a paragraph, a link outside any text, and a table with links."""
    out = []
    for k in range(count):
        made = table([[Cell("a", uri="geo:1,2"), "b"], ["c", "d"]], [Column("A", 50.0), Column("B", 50.0)],
                     Rect(10.0, 10.0, 110.0, 90.0))
        loose = Link(Rect(120.0, 10.0, 150.0, 20.0), "geo:3,4", "a place")
        marks = (heading(10.0, 150.0, "Tête"), paragraph(10.0, 120.0, "text (1)"), Box(Rect(5, 5, 190, 190)), loose)
        out.append(Page(200.0, 200.0, (*marks, *made.marks), f"{k + 1}  Chaînage (é)"))
    return out


def opened(*, compact: bool, count: int = 2) -> pikepdf.Pdf:
    info = DocumentInfo("Title", "Maker", "Subject", "fr", "2026-03-02", compact=compact)
    return pikepdf.open(io.BytesIO(to_pdf(pages(count), info)))


def tree(node) -> list:
    kids = [k for k in node.get("/K", []) if isinstance(k, pikepdf.Dictionary) and "/S" in k]
    return [node, *(e for kid in kids for e in tree(kid))]


@pytest.mark.parametrize("compact", [False, True])
def test_the_file_is_whole_and_the_tree_hangs_at_its_catalog(compact):
    with opened(compact=compact) as pdf:
        assert pdf.get_warnings() == []
        assert len(pdf.pages) == 2
        assert pdf.Root.MarkInfo.Marked
        roles = [str(e.S)[1:] for e in tree(pdf.Root.StructTreeRoot.K[0])]
        rows = ["TR", "TH", "TH", "TR", "TD", "Link", "TD", "TR", "TD", "TD"]
        of_page = ["Sect", "H2", "P", "P", "Link", "Table", *rows]
        assert roles == ["Document", *of_page, *of_page]


@pytest.mark.parametrize("compact", [False, True])
def test_parents_and_children_point_at_each_other(compact):
    """14.7.5.4: the parent tree leads from every marked content, and from every link, to its element."""
    with opened(compact=compact) as pdf:
        root = pdf.Root.StructTreeRoot
        for element in tree(root.K[0]):
            for kid in element.get("/K", []):
                if isinstance(kid, pikepdf.Dictionary) and "/S" in kid:
                    assert kid.P.objgen == element.objgen
        numbers = list(root.ParentTree.Nums)
        keys, targets = [int(k) for k in numbers[::2]], numbers[1::2]
        assert keys == list(range(len(keys)))
        assert int(root.ParentTreeNextKey) == len(keys)
        for page, key in zip(pdf.pages, range(2), strict=False):
            assert int(page.obj.StructParents) == key
            content = page.Contents.read_bytes()
            assert content.count(b"/MCID ") == len(targets[key])
            for mcid, element in enumerate(targets[key]):
                assert mcid in [int(k) for k in element.K if not isinstance(k, pikepdf.Dictionary)]
                assert element.Pg.objgen == page.obj.objgen
            for annotation in page.obj.Annots:
                element = targets[int(annotation.StructParent)]
                assert element.S == "/Link"
                assert element.K[0].Obj.objgen == annotation.objgen
                assert element.K[0].Pg.objgen == page.obj.objgen


@pytest.mark.parametrize("count", [1, 40])
def test_a_packed_file_says_the_same_as_a_loose_one(count):
    """7.5.7 and 7.5.8: many objects take several streams; every one is found, and nothing needs repair."""
    with opened(compact=True, count=count) as packed, opened(compact=False, count=count) as loose:
        assert packed.get_warnings() == []
        assert packed.check_pdf_syntax() == []
        ours, theirs = tree(packed.Root.StructTreeRoot.K[0]), tree(loose.Root.StructTreeRoot.K[0])
        assert len(ours) == len(theirs)
        for a, b in zip(ours, theirs, strict=True):
            assert (str(a.S), str(a.get("/Alt", ""))) == (str(b.S), str(b.get("/Alt", "")))
        assert str(packed.docinfo["/Title"]) == "Title"
        assert "/ID" in packed.trailer
        kinds = [o.get("/Type") for o in packed.objects if isinstance(o, pikepdf.Stream)]
        assert kinds.count("/ObjStm") > count // 40 * 3


def test_alternative_texts_keep_their_letters():
    with opened(compact=False) as pdf:
        named = [str(e.Alt) for e in tree(pdf.Root.StructTreeRoot.K[0]) if "/Alt" in e]
        assert named == ["1  Chaînage (é)", "2  Chaînage (é)"]


def test_section_files_can_be_scanned_for_one_line_objects():
    """Simple phone readers look for ``/Type /Page`` and objects on lines of their own; packed files have none."""
    info = DocumentInfo("Title", "Maker", "Subject", "en", "2026-03-02")
    plain = to_pdf(pages(1), info)
    assert plain.count(b"/Type /Page ") == 1
    assert b"/ObjStm" not in plain
    assert plain.rstrip().endswith(b"%%EOF")


@given(st.text(st.characters(codec="utf-16-be", exclude_categories=("Cs",)), max_size=30))
def test_strings_are_read_back(text):
    """7.9.2: any text goes through a string object, brackets and backslashes included."""
    assert str(pikepdf.Object.parse(text_string(text).encode("ascii"))) == text


def test_no_marks_make_a_section_without_children():
    info = DocumentInfo("t", "a", "s", "en", "2026-03-02")
    empty = Page(100.0, 100.0, (Group((Text(1.0, 1.0, "x"),)),), "only decoration")
    with pikepdf.open(io.BytesIO(to_pdf([empty], info))) as pdf:
        assert [str(e.S) for e in tree(pdf.Root.StructTreeRoot.K[0])] == ["/Document", "/Sect"]
        assert list(pdf.Root.StructTreeRoot.ParentTree.Nums[1]) == []
