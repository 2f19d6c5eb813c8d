"""Drawing operators written for each mark, and the records that make a PDF a georeferenced, tagged one."""

from __future__ import annotations

import dataclasses
import io
import math
import re
from itertools import pairwise

import numpy as np
import pikepdf
import pypdfium2
import pytest
from pipeline.sheets.draw import draw
from pipeline.sheets.geopdf import PRODUCER, DocumentInfo, to_pdf
from pipeline.sheets.marks import (
    Box,
    Circle,
    GeoBox,
    GreyImage,
    Group,
    Line,
    Link,
    Page,
    Polygon,
    Polyline,
    QrCode,
    Rect,
    Text,
    bounds,
    heading,
    paragraph,
)
from pipeline.sheets.text import width_pt

INFO = DocumentInfo("Title", "Maker", "Subject", "fr", "2026-03-02")


def content(*marks, size=(200.0, 100.0)) -> str:
    """Return the page's own operators for marks."""
    with pikepdf.open(io.BytesIO(to_pdf([Page(*size, tuple(marks), "t")], INFO))) as document:
        return document.pages[0].Contents.read_bytes().decode("latin-1")


def plain(line: str) -> str:
    """Return operators with their numbers in one spelling: how many zeros are written is no matter."""
    return re.sub(r"-?\d+\.\d+", lambda m: f"{float(m.group()):g}", line)


def picture(*marks, size=(200.0, 100.0), scale: float = 2.0) -> np.ndarray:
    """Return grey pixels of a page, row 0 at the top."""
    document = pypdfium2.PdfDocument(to_pdf([Page(*size, tuple(marks), "t")], INFO))
    grey = np.array(document[0].render(scale=scale, grayscale=True).to_pil().convert("L"))
    document.close()
    return grey


def dark_box(grey: np.ndarray, scale: float = 2.0) -> tuple[float, float, float, float]:
    """Return left, bottom, right, top in points of all dark pixels."""
    rows, cols = np.nonzero(grey < 128)
    high = grey.shape[0]
    return cols.min() / scale, (high - 1 - rows.max()) / scale, (cols.max() + 1) / scale, (high - rows.min()) / scale


# ---------------------------------------------------------------- operators


@pytest.mark.parametrize(("mark", "operators"), [
    (Line(10.0, 20.0, 30.5, 40.25, 2.0), ["2 w", "0 G", "10 20 m 30.5 40.25 l S"]),
    (Line(0.0, 0.0, 1.0, 1.0, 0.7, "#ff0000", (3.0, 1.5)), ["0.7 w", "1 0 0 RG", "[3 1.5] 0 d", "0 0 m 1 1 l S"]),
    (Line(0.0, 0.0, 1.0, 1.0, round_cap=True), ["1 J 0 0 m 1 1 l S 0 J"]),
    (Polyline((((0.0, 0.0), (1.04, 2.0)), ((5.0, 5.0), (6.0, 6.0)))), [
        "1 J 1 j 0.0 0.0 m 1.0 2.0 l 5.0 5.0 m 6.0 6.0 l S 0 J 0 j"]),
    (Polyline((((0.0, 0.0), (1.0, 2.0)),), round_cap=False), ["0.0 0.0 m 1.0 2.0 l S"]),
    (Polygon((((0.0, 0.0), (9.0, 0.0), (0.0, 9.0)),), fill="#808080"), [
        "0.502 g", "0.0 0.0 m 9.0 0.0 l 0.0 9.0 l h f*"]),
    (Polygon((((0.0, 0.0), (9.0, 0.0), (0.0, 9.0)),), width=1.0), ["1 w", "0.0 0.0 m 9.0 0.0 l 0.0 9.0 l h S"]),
    (Box(Rect(1.0, 2.0, 4.0, 8.0), width=1.0, fill="#ffffff"), ["1 g", "1 2 3 6 re B*"]),
    (Box(Rect(1.0, 2.0, 4.0, 8.0), width=0.0, fill="#000000"), ["0 g", "1 2 3 6 re f*"]),
    (Box(Rect(1.0, 2.0, 4.0, 8.0), width=0.0), ["1 2 3 6 re n"]),
    (Box(Rect(1.0, 2.0, 4.0, 8.0), radius=2.0), ["1 j 1 2 3 6 re S", "0 j"]),
    (GreyImage(Rect(5.0, 6.0, 25.0, 16.0), 1, 1, b"\x80"), ["q 20 0 0 10 5 6 cm /Grey0 Do Q"]),
    (QrCode(Rect(0.0, 0.0, 4.0, 4.0), ((True, False), (True, True)), "x"), [
        "0.000 2.000 2.000 2.000 re", "0.000 0.000 4.000 2.000 re", "f"]),
])
def test_operators_by_hand(mark, operators):
    lines = [plain(line) for line in content(mark).splitlines()]
    for operator in operators:
        assert plain(operator) in lines


def test_state_is_written_only_when_it_changes():
    code = content(Line(0.0, 0.0, 1.0, 1.0, 2.0), Line(0.0, 5.0, 1.0, 5.0, 2.0), Line(0.0, 9.0, 1.0, 9.0, 1.0))
    assert len(re.findall(r"^2 w$", code, re.MULTILINE)) == 1
    assert len(re.findall(r"^1 w$", code, re.MULTILINE)) == 1
    assert len(re.findall(r"^0 G$", code, re.MULTILINE)) == 1


def test_a_clip_ends_with_its_group_and_state_is_written_anew():
    inside = Group((Line(0.0, 0.0, 90.0, 0.0, 2.0),), clip=Rect(5.0, 6.0, 25.0, 16.0))
    lines = [plain(line) for line in content(inside, Line(0.0, 9.0, 1.0, 9.0, 2.0)).splitlines()]
    opened, closed = lines.index("q 5 6 20 10 re W n"), lines.index("Q")
    assert opened < lines.index("0 0 m 90 0 l S") < closed < lines.index("0 9 m 1 9 l S")
    assert "2 w" in lines[closed:]


def test_loose_marks_are_artifacts_and_leaves_are_numbered_from_zero():
    code = content(Line(0.0, 0.0, 1.0, 1.0), heading(0.0, 50.0, "Head"), paragraph(0.0, 30.0, "Text"),
                   Box(Rect(0, 0, 9, 9)))
    assert re.findall(r"/(\w+) <</MCID (\d)>> BDC", code) == [("H2", "0"), ("P", "1")]
    assert code.count("/Artifact BMC") == 2
    assert code.count("EMC") == 4


def test_no_page_is_refused():
    with pytest.raises(ValueError, match="no page"):
        draw([])


# ---------------------------------------------------------------- what is seen


@pytest.mark.parametrize("mark", [
    Box(Rect(20.0, 30.0, 60.0, 50.0), width=0.0, fill="#000000"),
    Polygon((((20.0, 30.0), (60.0, 30.0), (60.0, 50.0), (20.0, 50.0)),), fill="#000000"),
    Circle(40.0, 40.0, 10.0, width=0.0, fill="#000000"),
    Line(20.0, 40.0, 60.0, 40.0, 20.0),
    QrCode(Rect(20.0, 20.0, 60.0, 60.0), ((True, True), (True, True)), "x"),
    GreyImage(Rect(20.0, 30.0, 60.0, 50.0), 1, 1, b"\x00"),
])
def test_marks_are_seen_where_their_bounds_say(mark):
    box = bounds(mark)
    if isinstance(mark, Line):
        box = Rect(20.0, 30.0, 60.0, 50.0)  # butt ends: the width counts across only
    assert dark_box(picture(mark)) == pytest.approx((box.x0, box.y0, box.x1, box.y1), abs=0.6)


@pytest.mark.parametrize("align", ["left", "center", "right"])
@pytest.mark.parametrize("angle", [0.0, 90.0, 180.0])
def test_text_is_seen_from_its_anchor(align, angle):
    wide = width_pt("HHHH", 20.0, bold=True)
    share = {"left": 0.0, "center": 0.5, "right": 1.0}[align]
    box = dark_box(picture(Text(100.0, 100.0, "HHHH", 20.0, bold=True, align=align, angle_deg=angle),
                           size=(200.0, 200.0)))
    c, s = round(math.cos(math.radians(angle))), round(math.sin(math.radians(angle)))
    # along the line from -share to 1 - share of the width, up to the height of capitals; side bearings aside
    along, up = (-share * wide, (1.0 - share) * wide), (0.0, 0.729 * 20.0)
    xs = [a * c - u * s for a in along for u in up]
    ys = [a * s + u * c for a in along for u in up]
    want = (100.0 + min(xs), 100.0 + min(ys), 100.0 + max(xs), 100.0 + max(ys))
    assert box == pytest.approx(want, abs=2.4)


def test_a_halo_makes_room_under_letters_and_leaves_them_black():
    """On a black ground the white edge shows; the letters themselves are as dark without it."""
    ground = Box(Rect(0.0, 0.0, 200.0, 100.0), width=0.0, fill="#000000")
    plain = picture(ground, Text(20.0, 40.0, "S04", 30.0))
    edged = picture(ground, Text(20.0, 40.0, "S04", 30.0, halo_pt=1.5))
    assert (plain < 128).all()
    assert (edged > 200).sum() > 500


def test_a_disc_has_its_area_in_every_quarter():
    """Pi r squared, a quarter of it on each side of both axes."""
    grey = picture(Circle(50.0, 50.0, 30.0, width=0.0, fill="#000000"), size=(100.0, 100.0))
    dark = grey < 128
    for part in (dark[:100, :100], dark[:100, 100:], dark[100:, :100], dark[100:, 100:]):
        assert part.sum() / 4.0 == pytest.approx(math.pi * 900.0 / 4.0, rel=0.01)


def test_even_odd_holes_are_open():
    outer = ((20.0, 20.0), (80.0, 20.0), (80.0, 80.0), (20.0, 80.0))
    inner = ((40.0, 40.0), (60.0, 40.0), (60.0, 60.0), (40.0, 60.0))
    grey = picture(Polygon((outer, inner), fill="#000000"))
    assert (grey < 128).sum() == pytest.approx((3600.0 - 400.0) * 4.0, rel=0.02)


@pytest.mark.parametrize("row", [(True,) * 5, (False,) * 5, (True, False, True, True, False),
                                 (False, True, False, False, True)])
def test_each_dark_module_is_seen(row):
    grey = picture(QrCode(Rect(0.0, 0.0, 100.0, 100.0), (row,) * 5, "x"), size=(100.0, 100.0))
    seen = tuple(bool(grey[100, int((k + 0.5) * 40)] < 128) for k in range(5))
    assert seen == row


def test_grey_pictures_keep_rows_from_the_top_and_their_levels():
    grey = picture(GreyImage(Rect(0.0, 0.0, 100.0, 100.0), 2, 2, bytes([0, 100, 200, 255])), size=(100.0, 100.0))
    assert [int(grey[20, 20]), int(grey[20, 180]), int(grey[180, 20]), int(grey[180, 180])] == pytest.approx(
        [0, 100, 200, 255], abs=3)


# ---------------------------------------------------------------- the finished document


CORNERS = ((44.2140, -72.9060), (44.2130, -72.9060), (44.2130, -72.9040), (44.2140, -72.9040))


def pages() -> list[Page]:
    geo = (GeoBox(Rect(36.0, 100.5, 576.0, 700.0), CORNERS, "Map S01"),)
    link = Group((Text(10.0, 10.0, "place"), Link(Rect(10.0, 8.0, 60.0, 20.0), "geo:44.2,-72.9", "the place")),
                 role="P")
    table = Group((Group((Group((Text(0.0, 50.0, "Pt"),), role="TH"),), role="TR"),
                   Group((Group((Text(0.0, 30.0, "S01"),), role="TD"),), role="TR")), role="Table")
    figure = Group((Line(0.0, 0.0, 9.0, 9.0),), role="Figure", alt="a line")
    return [
        Page(612.0, 792.0, (heading(0.0, 700.0, "Map"), link, figure), "1  Map", section_id="S01", geo=geo),
        Page(612.0, 792.0, (table,), "2  Table", section_id="S01"),
        Page(792.0, 1224.0, (paragraph(0.0, 700.0, "All"),), "1  Cover", section_id=""),
    ]


@pytest.fixture(scope="module")
def document():
    with pikepdf.open(io.BytesIO(to_pdf(pages(), INFO))) as made:
        yield made


def test_pages_have_their_own_sizes(document):
    assert [[float(v) for v in page.MediaBox] for page in document.pages] == [
        [0, 0, 612, 792], [0, 0, 612, 792], [0, 0, 792, 1224]]


def test_a_viewport_names_rect_and_corners(document):
    """ISO 32000-2, 12.10: GPTS are latitude, longitude of the points LPTS of the unit square."""
    (view,) = document.pages[0].VP
    assert [float(v) for v in view.BBox] == [36.0, 100.5, 576.0, 700.0]
    assert str(view.Name) == "Map S01"
    measure = view.Measure
    assert [float(v) for v in measure.GPTS] == pytest.approx([v for corner in CORNERS for v in corner], abs=1e-10)
    assert [int(v) for v in measure.LPTS] == [0, 1, 0, 0, 1, 0, 1, 1]
    assert 'GEOGCS["WGS 84"' in str(measure.GCS.WKT)
    assert "/VP" not in document.pages[1]


def test_links_open_their_address_and_belong_to_the_text(document):
    (link,) = document.pages[0].Annots
    assert str(link.A.URI) == "geo:44.2,-72.9"
    assert str(link.Contents) == "the place"
    assert [float(v) for v in link.Rect] == [10.0, 8.0, 60.0, 20.0]
    assert "/Annots" not in document.pages[1]


def elements(node) -> list:
    found = [node]
    for kid in node.get("/K", []):
        if isinstance(kid, pikepdf.Dictionary) and "/S" in kid:
            found += elements(kid)
    return found


def test_structure_tells_the_order_of_reading(document):
    root = document.Root.StructTreeRoot
    roles = [str(e.S)[1:] for e in elements(root.K[0])]
    assert roles == ["Document", "Sect", "H2", "P", "Link", "Figure", "Sect", "Table", "TR", "TH", "TR", "TD",
                     "Sect", "P"]
    assert [(str(e.S), str(e.Alt)) for e in elements(root.K[0]) if "/Alt" in e] == [
        ("/Sect", "1  Map"), ("/Figure", "a line"), ("/Sect", "2  Table"), ("/Sect", "1  Cover")]
    (head,) = [e for e in elements(root.K[0]) if e.S == "/TH"]
    assert head.A.Scope == "/Column"


def test_every_marked_content_has_its_parent(document):
    numbers = list(document.Root.StructTreeRoot.ParentTree.Nums)
    keys = [int(k) for k in numbers[::2]]
    assert keys == sorted(keys)
    assert all(b > a for a, b in pairwise(keys))
    by_key = dict(zip(keys, numbers[1::2], strict=True))
    for i, page in enumerate(document.pages):
        assert page.StructParents == i
        marked = len(re.findall(rb"/MCID \d+", page.Contents.read_bytes()))
        assert len(by_key[i]) == marked
    (link,) = document.pages[0].Annots
    assert by_key[int(link.StructParent)].S == "/Link"


def test_the_document_says_what_it_is(document):
    info = document.docinfo
    assert {k: str(info[k]) for k in ("/Title", "/Author", "/Subject", "/Producer", "/CreationDate")} == {
        "/Title": "Title", "/Author": "Maker", "/Subject": "Subject", "/Producer": PRODUCER,
        "/CreationDate": "D:20260302000000Z"}
    assert str(document.Root.Lang) == "fr"
    assert document.Root.MarkInfo.Marked


@pytest.mark.parametrize("field", ["author", "date"])
def test_what_is_not_known_is_left_out(field):
    known = DocumentInfo("t", "a", "s", "en", "2026-01-01")
    made = to_pdf(pages(), dataclasses.replace(known, **{field: ""}))
    with pikepdf.open(io.BytesIO(made)) as document:
        assert ("/Author" in document.docinfo) is (field != "author")
        assert ("/CreationDate" in document.docinfo) is (field != "date")


def test_bookmarks_follow_the_sections():
    with pikepdf.open(io.BytesIO(to_pdf(pages(), INFO))) as document, document.open_outline() as outline:
        assert [(item.title, [kid.title for kid in item.children]) for item in outline.root] == [
            ("S01", ["1  Map", "2  Table"]), ("1  Cover", [])]
    with pikepdf.open(io.BytesIO(to_pdf(pages()[:2], INFO))) as document, document.open_outline() as outline:
        assert [(item.title, len(item.children)) for item in outline.root] == [("1  Map", 0), ("2  Table", 0)]


def test_the_same_pages_give_the_same_bytes_and_a_book_is_smaller():
    once, twice = to_pdf(pages(), INFO), to_pdf(pages(), INFO)
    assert once == twice
    book, loose = (len(to_pdf(pages() * 20, DocumentInfo("t", "a", "s", "en", "", compact=c))) for c in (True, False))
    assert book < loose
