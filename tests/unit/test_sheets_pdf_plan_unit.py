"""Finished PDF files of a whole plan, read back by two other libraries and compared with the marks behind them."""

from __future__ import annotations

import dataclasses
import io
import pickle
import re
from collections import Counter
from functools import cache

import pikepdf
import pypdfium2
import pytest
from pipeline.sheets import book
from pipeline.sheets.context import SheetContext, make_context
from pipeline.sheets.geopdf import DocumentInfo, to_pdf
from pipeline.sheets.marks import Group, Link, Page, flat, texts
from pipeline.sheets.paper import PAPERS

from sample_plan import sample_plan

PLAN, TERRAIN, GROUND = sample_plan()
LOOKS = [("en", "letter", "us"), ("fr", "a4", "metric"), ("fr", "tabloid", "us")]
INFO = DocumentInfo("t", "a", "s", "en", "2026-01-01")
HOSTILE = "Érablière « Côté (nord) » \\ & <Sœurs> → 100 % \"x\" ½"


@cache
def context(language="en", paper="letter", units="us", name="Example hillside") -> SheetContext:
    bush = dataclasses.replace(PLAN.settings.bush, language=language, paper=paper, units=units, name=name, made_by=name)
    plan = dataclasses.replace(PLAN, settings=dataclasses.replace(PLAN.settings, bush=bush))
    return make_context(plan=plan, terrain=TERRAIN, ground=GROUND)


@cache
def made(look=LOOKS[0]) -> tuple[bytes, tuple[Page, ...]]:
    """Return the PDF of S02 and its pages."""
    ctx = context(*look)
    return book.make_set(ctx, "S02").pdf, tuple(book.section_pages(ctx, ctx.section("S02")))


@cache
def whole(look=LOOKS[0]) -> tuple[bytes, tuple[Page, ...]]:
    """Return the book and its pages."""
    ctx = context(*look)
    pages = [*book.plan_pages(ctx), *(p for s in ctx.plan.sections for p in book.section_pages(ctx, s))]
    return book.render_book(ctx), tuple(pages)


def squeezed(text: str) -> str:
    """Return a text without spaces and hyphens: a reader joins what a hyphen parts at the end of a line."""
    return re.sub(r"[\s\u00ad\ufffe\x02-]+", "", text)


def read(pdf: bytes) -> list[str]:
    document = pypdfium2.PdfDocument(pdf)
    try:
        return [squeezed(page.get_textpage().get_text_range()) for page in document]
    finally:
        document.close()


def elements(node) -> list[pikepdf.Dictionary]:
    found = [node]
    kids = node.get("/K", [])
    for kid in kids if isinstance(kids, pikepdf.Array) else [kids]:
        if isinstance(kid, pikepdf.Dictionary) and "/S" in kid:
            found += elements(kid)
    return found


def tree(document: pikepdf.Pdf) -> list[pikepdf.Dictionary]:
    top = document.Root.StructTreeRoot.K
    return [e for node in (top if isinstance(top, pikepdf.Array) else [top]) for e in elements(node)]


def roles(marks, found: Counter[str] | None = None) -> Counter[str]:
    found = Counter() if found is None else found
    for mark in marks:
        if isinstance(mark, Group):
            if mark.role:
                found[mark.role] += 1
            roles(mark.marks, found)
    return found


# ---------------------------------------------------------------- words


FILES = [(made, look) for look in LOOKS] + [(whole, look) for look in LOOKS[:2]]


@pytest.mark.parametrize(("what", "look"), FILES)
def test_every_text_of_every_page_is_read_back(what, look):
    pdf, pages = what(look)
    read_back = read(pdf)
    assert len(read_back) == len(pages)
    for page, found in zip(pages, read_back, strict=True):
        for text in texts(page.marks):
            assert squeezed(text.text) in found, (page.title, text.text)


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
def test_heights_and_stations_of_the_plan_are_read_back(look):
    ctx = context(*look)
    text = "".join(read(made(look)[0]))
    for name, low, high in ctx.plan.sections[1].pieces:
        line = next(m for m in PLAN.mainlines if m.mainline_id == name)
        for s in line.supports:
            if low <= s.station_m <= high:
                for value in (ctx.units.height_value(s.height_m), ctx.units.station(s.station_m)):
                    shown = value if look[0] == "en" else value.replace(".", ",")
                    assert squeezed(shown) in text, s.support_id


def test_a_hostile_name_survives_in_title_author_bookmarks_and_text():
    ctx = context(name=HOSTILE)
    pdf = book.render_overview(ctx)
    with pikepdf.open(io.BytesIO(pdf)) as document:
        assert str(document.docinfo["/Title"]).startswith(HOSTILE)
        assert str(document.docinfo["/Author"]) == HOSTILE
    assert squeezed("Érablière « Côté (nord) »") in read(pdf)[0]
    named = dataclasses.replace(book.plan_pages(context())[0], title=HOSTILE, section_id=HOSTILE)
    with pikepdf.open(io.BytesIO(to_pdf([named, named], INFO))) as document, document.open_outline() as outline:
        assert {item.title for item in outline.root} == {HOSTILE}


# ---------------------------------------------------------------- structure


@pytest.mark.parametrize(("what", "look"), FILES)
def test_the_file_is_sound_and_its_pages_have_the_papers_size(what, look):
    pdf, pages = what(look)
    paper = PAPERS[look[1]]
    with pikepdf.open(io.BytesIO(pdf)) as document:
        assert document.check_pdf_syntax() == [] if hasattr(document, "check_pdf_syntax") else document.check() == []
        for page in document.pages:
            assert [float(v) for v in page.MediaBox] == pytest.approx([0, 0, paper.width, paper.height], abs=0.01)
        assert len(document.pages) == len(pages)


@pytest.mark.parametrize("what", [made, whole])
def test_tags_are_those_of_the_marks(what):
    pdf, pages = what()
    with pikepdf.open(io.BytesIO(pdf)) as document:
        found = Counter(str(e.S)[1:] for e in tree(document))
        figures = Counter(str(e.Alt) for e in tree(document) if e.S == "/Figure")
    wanted = roles([m for page in pages for m in page.marks])
    wanted["P"] += sum(isinstance(m, Link) for page in pages for m in page.marks)  # a loose link is a paragraph
    for role in ("H1", "H2", "P", "Figure", "TR", "TH", "TD", "Table"):
        assert found[role] == wanted[role], role
    alts = Counter(m.alt for page in pages for m in walk(page.marks) if m.role == "Figure")
    assert figures == alts
    assert "" not in figures
    assert found["Sect"] >= len(pages)


def walk(marks) -> list[Group]:
    out = []
    for mark in marks:
        if isinstance(mark, Group):
            out += [mark, *walk(mark.marks)]
    return out


@pytest.mark.parametrize("what", [made, whole])
def test_every_marked_content_of_every_page_has_one_parent_on_that_page(what):
    pdf, _ = what()
    with pikepdf.open(io.BytesIO(pdf)) as document:
        nums = document.Root.StructTreeRoot.ParentTree
        flat_nums = list(nums.Nums) if "/Nums" in nums else [v for kid in nums.Kids for v in kid.Nums]
        by_key = {int(k): v for k, v in zip(flat_nums[::2], flat_nums[1::2], strict=True)}
        assert len(by_key) == len(flat_nums) // 2
        for page in document.pages:
            ids = sorted(int(n) for n in re.findall(rb"/MCID (\d+)", page.Contents.read_bytes()))
            assert ids == list(range(len(ids)))
            parents = by_key[int(page.StructParents)]
            assert len(parents) == len(ids)
            for parent in parents:
                assert "/S" in parent
        for number, page in enumerate(document.pages):
            for link in page.get("/Annots", []):
                assert by_key[int(link.StructParent)].S == "/Link", number


@pytest.mark.parametrize("what", [made, whole])
def test_links_are_those_of_the_marks_in_their_place(what):
    pdf, pages = what()
    with pikepdf.open(io.BytesIO(pdf)) as document:
        for page, had in zip(document.pages, pages, strict=True):
            wanted = [m for m, _ in flat(had.marks) if isinstance(m, Link)]
            links = list(page.get("/Annots", []))
            assert [str(a.A.URI) for a in links] == [m.uri for m in wanted]
            for a, m in zip(links, wanted, strict=True):
                assert [float(v) for v in a.Rect] == pytest.approx(
                    [m.rect.x0, m.rect.y0, m.rect.x1, m.rect.y1], abs=0.01)


@pytest.mark.parametrize("what", [made, whole])
def test_each_map_has_its_viewport_and_no_other_page_has_one(what):
    pdf, pages = what()
    with pikepdf.open(io.BytesIO(pdf)) as document:
        for page, had in zip(document.pages, pages, strict=True):
            views = list(page.get("/VP", []))
            assert [str(v.Name) for v in views] == [g.name for g in had.geo]
            for view, box in zip(views, had.geo, strict=True):
                got = [float(v) for v in view.Measure.GPTS]
                assert got == pytest.approx([v for corner in box.corners for v in corner], abs=1e-9)
    assert sum(bool(p.geo) for p in pages) >= (1 if what is made else 1 + len(PLAN.sections))


def test_bookmarks_of_the_book_lead_to_their_pages():
    """One per page of the plan, one per section with its pages below, each to the page that bears its title."""
    pdf, pages = whole()
    with pikepdf.open(io.BytesIO(pdf)) as document:
        objects = [page.objgen for page in document.pages]
        with document.open_outline() as outline:
            items = [kid for item in outline.root for kid in (item.children or [item])]
            heads = [item.title for item in outline.root if item.children]
        assert heads == [s.section_id for s in PLAN.sections]
        assert [item.title for item in items] == [page.title for page in pages]
        for number, item in enumerate(items):
            target = item.destination or item.action.D
            assert objects.index(target[0].objgen) == number


# ---------------------------------------------------------------- sets


def test_a_book_of_ready_made_sets_is_the_book():
    ctx = context()
    sets = list(book.make_sets(ctx, [s.section_id for s in PLAN.sections], processes=1))
    assert [one.section_id for one in sets] == ["S01", "S02", "S03"]
    for one in sets:
        assert book.pages_in(one.pdf) == one.sheets == len(one.pages)
    assert book.page_count(ctx, "S02") == sets[1].sheets
    assert made()[0] == sets[1].pdf
    assert book.render_book(ctx, sets) == whole()[0]


def sent(one: book.SectionSet) -> book.SectionSet:
    """Return a set as another process would hand it over."""
    return pickle.loads(pickle.dumps(one))  # noqa: S301 - made by this test


def test_a_set_from_another_process_is_the_same():
    one = book.make_set(context(), "S01")
    for again in (sent(one), sent(sent(one))):
        assert isinstance(again.held, bytes)
        assert again.pdf == one.pdf
        assert [p.title for p in again.pages] == [p.title for p in one.pages]
        assert to_pdf(again.pages, INFO) == to_pdf(one.pages, INFO)


@pytest.mark.parametrize("processes", [1, 2])
def test_a_section_that_is_not_in_the_plan_is_refused_before_any_is_made(processes):
    with pytest.raises(KeyError, match="S99"):
        list(book.make_sets(context(), ["S01", "S99"], processes=processes))


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
def test_the_overview_is_one_page_and_its_picture_has_its_shape(look):
    pdf = book.render_overview(context(*look))
    assert book.pages_in(pdf) == 1
    png = book.overview_png(pdf)
    wide, high = (int.from_bytes(png[k: k + 4], "big") for k in (16, 20))
    paper = PAPERS[look[1]]
    assert wide == pytest.approx(paper.width * book.PREVIEW_DPI / 72.0, abs=1.5)
    assert high == pytest.approx(paper.height * book.PREVIEW_DPI / 72.0, abs=1.5)


def test_other_words_on_one_page_change_its_bytes_alone():
    _, pages = made()
    other = (dataclasses.replace(pages[0], title="9  Other"), *pages[1:])
    assert to_pdf(pages, INFO) == to_pdf(pages, INFO)
    assert to_pdf(other, INFO) != to_pdf(pages, INFO)
    assert read(to_pdf(other, INFO)) == read(to_pdf(pages, INFO))  # a title is a bookmark, not a mark
