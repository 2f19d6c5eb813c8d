"""Maps, profiles, index and overview of the sample plan, looked at as records and as PDF."""

from __future__ import annotations

import dataclasses
import io
import re
from itertools import pairwise

import numpy as np
import pikepdf
import pypdfium2
import pytest
from pipeline.sheets import book, index_page, map_page, overview_page, profile_page
from pipeline.sheets.checkcode import all_codes, check_code
from pipeline.sheets.context import make_context
from pipeline.sheets.geopdf import DocumentInfo, to_pdf
from pipeline.sheets.labels import LabelField
from pipeline.sheets.local import words_local
from pipeline.sheets.look_hard import look_rows
from pipeline.sheets.marks import Box, Circle, Line, Page, Polyline, QrCode, Rect, Text, bounds, flat, text_rect, texts
from pipeline.sheets.paper import PAPERS, framed
from pipeline.sheets.profile_page import piece_strips
from pipeline.sheets.section_view import section_view

from sample_plan import sample_plan

VARIANTS = [("letter", "us", "en"), ("a4", "metric", "fr"), ("legal", "us", "en"), ("tabloid", "metric", "fr")]
LABEL_TAGS = ("support:", "lateral:", "tree:", "station:", "crossing:", "end:", "meet", "collection", "hazard", "name",
              "contour", "grid", "section:", "mainline:")


def context(paper="letter", units="us", language="en", **bush):
    plan, terrain, ground = sample_plan()
    chosen = dataclasses.replace(plan.settings.bush, paper=paper, units=units, language=language, **bush)
    plan = dataclasses.replace(plan, settings=dataclasses.replace(plan.settings, bush=chosen))
    return make_context(plan=plan, terrain=terrain, ground=ground)


@pytest.fixture(scope="module", params=VARIANTS, ids=lambda v: "-".join(v))
def sheet(request):
    """Context and every page of this room's builders, framed."""
    ctx = context(*request.param)
    pages = []
    for section in ctx.plan.sections:
        pages += framed(ctx, [*map_page.build(ctx, section), *profile_page.build(ctx, section)])
    pages += framed(ctx, [*index_page.build(ctx), *overview_page.build(ctx)])
    return ctx, pages


@pytest.fixture(scope="module")
def ctx():
    return context()


def clipped(page: Page):
    for mark, clip in flat(page.marks):
        box = bounds(mark)
        if clip is None:
            yield mark, box
        elif box.overlaps(clip):
            yield mark, box.cut(clip)


def test_nothing_leaves_the_margins(sheet):
    ctx, pages = sheet
    area = PAPERS[ctx.paper].printable
    for page in pages:
        for mark, box in clipped(page):
            assert area.holds(box, 1.6), (page.section_id, page.title, mark)


def test_no_text_is_cut_by_its_clip(sheet):
    for page in sheet[1]:
        for mark, clip in flat(page.marks):
            if isinstance(mark, Text) and clip is not None:
                assert clip.holds(text_rect(mark), 1.5), (page.title, mark)


def test_letters_are_large_and_black(sheet):
    for page in sheet[1]:
        for mark in texts(page.marks):
            assert mark.size >= 6.6, mark
            assert mark.color in ("#000000", "#ffffff"), mark


def test_white_text_stands_on_black(sheet):
    for page in sheet[1]:
        black = [bounds(m) for m, _ in flat(page.marks)
                 if getattr(m, "fill", "") == "#000000" and not isinstance(m, Circle)]
        for mark in texts(page.marks):
            if mark.color == "#ffffff":
                assert any(box.holds(text_rect(mark), 2.5) for box in black), mark


def test_no_map_label_covers_another(sheet):
    for page in sheet[1]:
        found = [(m, text_rect(m)) for m in texts(page.marks) if m.tag.startswith(LABEL_TAGS) and m.angle_deg == 0.0]
        for i, (mark, box) in enumerate(found):
            # letters without their descenders' reserve: figures and capitals have none
            tight = Rect(box.x0 + 0.3, box.y0 + mark.size * 0.2, box.x1 - 0.3, box.y1 - 0.3)
            for other, far in found[:i]:
                assert not tight.overlaps(Rect(far.x0 + 0.3, far.y0 + other.size * 0.2, far.x1 - 0.3, far.y1 - 0.3)), (
                    page.title, mark.text, other.text)


def test_support_labels_cover_no_support(ctx):
    for section in ctx.plan.sections:
        page = map_page.build(ctx, section)[0]
        discs = [m for m, _ in flat(page.marks) if isinstance(m, Circle) and m.radius == 3.1]
        for mark in texts(page.marks):
            if mark.tag.startswith(("support:", "lateral:", "tree:")):
                box = text_rect(mark)
                tight = Rect(box.x0, mark.y, box.x1, mark.y + mark.size * 0.7)
                for disc in discs:
                    core = Rect(disc.x - 2.0, disc.y - 2.0, disc.x + 2.0, disc.y + 2.0)
                    assert not tight.overlaps(core), (section.section_id, mark.text)


def test_every_support_lateral_and_tree_is_named_or_reported(sheet):
    ctx, pages = sheet
    for section in ctx.plan.sections:
        view = section_view(ctx, section)
        shown = [p for p in pages if p.section_id == section.section_id]
        tags = {m.tag for p in shown for m in texts(p.marks)}
        lost = " ".join(m.text for p in shown for m in texts(p.marks))
        for piece in view.pieces:
            for support in piece.supports:
                short = support.support_id.rsplit("-", 1)[-1]
                assert f"support:{support.support_id}" in tags or short in lost
        for lateral in view.laterals:
            assert f"lateral:{lateral.lateral_id}" in tags
        missing = [t for t in view.tree if f"tree:{ctx.plan.trees.tree_id[t]}" not in tags]
        if missing:
            words = ctx.w("map.dropped_tag_n", n=len(missing))
            assert words in lost


def test_profile_heights_are_the_plans(sheet):
    """Every support of a section stands on its profile with its height, and with no other."""
    ctx, pages = sheet
    for section in ctx.plan.sections:
        view = section_view(ctx, section)
        shown = {}
        for page in pages:
            if page.section_id == section.section_id:
                for mark in texts(page.marks):
                    if mark.tag.startswith("height:"):
                        shown.setdefault(mark.tag[7:], set()).add(mark.text)
        supports = [s for p in view.pieces for s in p.supports]
        want = {s.support_id: {words_local(ctx, ctx.units.height_value(s.height_m))} for s in supports}
        assert shown == want


def test_profile_bands_carry_stations_and_elevations(ctx):
    section = ctx.plan.sections[1]
    view = section_view(ctx, section)
    bands = {}
    for page in profile_page.build(ctx, section):
        for mark in texts(page.marks):
            if mark.tag.startswith("band:"):
                bands.setdefault(mark.tag[5:], []).append(mark.text)
    supports = [s for piece in view.pieces for s in piece.supports]
    assert bands["row_station"] == [ctx.units.station(s.station_m) for s in supports]
    assert bands["row_line"] == [ctx.units.elevation_value(s.line_z_m) for s in supports]
    assert bands["row_ground"] == [ctx.units.elevation_value(s.ground_z_m) for s in supports]
    falls = [float(text) for text in bands["row_fall"]]
    assert min(falls) >= 2.0


def test_ladder_heights_are_boxed_and_looked_at(ctx):
    section = ctx.plan.sections[1]
    high = [s for p in section_view(ctx, section).pieces for s in p.supports
            if s.height_m > ctx.plan.settings.mainlines.ladder_m]
    assert [s.support_id for s in high] == ["M1-S21"]
    pages = profile_page.build(ctx, section)
    height = next(m for p in pages for m in texts(p.marks) if m.tag == "height:M1-S21")
    boxes = [m.rect for p in pages for m, _ in flat(p.marks) if isinstance(m, Box) and m.fill == "#ffffff"]
    assert any(b.holds(text_rect(height), 2.0) for b in boxes)
    rows = look_rows(ctx, section_view(ctx, section))
    assert any(row[0].text == "M1-S21" and row[2].text == ctx.units.height(high[0].height_m) for row in rows)


def test_a_crossing_that_is_too_low_says_stop(ctx):
    rows = look_rows(ctx, section_view(ctx, ctx.plan.sections[0]))
    crossing = next(c for c in ctx.plan.crossings if c.kind == "trail")
    assert crossing.clearance_m < crossing.needed_m
    assert any("NEEDED" in row[3].text for row in rows)


def test_strips_share_their_cut_and_cover_the_piece(ctx):
    piece = section_view(ctx, ctx.plan.sections[0]).pieces[0]
    strips = piece_strips(piece, 45.0, 960.0)
    assert strips[0].low_m == piece.low_m
    assert strips[-1].high_m == piece.high_m
    for a, b in pairwise(strips):
        assert a.high_m == b.low_m
        assert a.supports[-1] is b.supports[0]
    assert all(s.high_m - s.low_m <= 45.0 + 1e-6 for s in strips)


def test_match_lines_name_the_neighbour(ctx):
    page = map_page.build(ctx, ctx.plan.sections[0])[0]
    ends = [m.text for m in texts(page.marks) if m.tag.startswith("end:")]
    assert ends == ["START 0+00.0 into C1", "END 4+31.5 → to S02"]
    heavy = [m for m, _ in flat(page.marks) if isinstance(m, Line) and m.dash == (7.0, 2.5)]
    assert heavy


def test_missing_layers_are_called_not_checked(ctx):
    page = map_page.build(ctx, ctx.plan.sections[0])[0]
    note = " ".join(m.text for m in texts(page.marks))
    assert "NOT CHECKED (no data): Keep out, Water" in note
    assert not re.search(r"no hazard", note, re.IGNORECASE)


def test_check_bar_is_two_inches_or_fifty_millimetres(ctx):
    for units, length in (("us", 144.0), ("metric", 141.732)):
        own = context(units=units)
        page = map_page.build(own, own.plan.sections[0])[0]
        widths = [m.x1 - m.x0 for m, _ in flat(page.marks) if isinstance(m, Line) and m.y0 == m.y1 and m.width == 1.2]
        assert any(w == pytest.approx(length, abs=0.01) for w in widths)


def test_lines_that_matter_are_dark_and_wide(ctx):
    page = map_page.build(ctx, ctx.plan.sections[1])[0]
    lines = {m.color: m.width for m, _ in flat(page.marks) if isinstance(m, Polyline)}
    for color in ("#0a2d7a", "#7d2a00"):
        red, green, blue = (int(color[i: i + 2], 16) / 255.0 for i in (1, 3, 5))
        assert 0.2126 * red + 0.7152 * green + 0.0722 * blue <= 0.30
        assert lines[color] >= 1.1


def test_overview_counts_every_tree(ctx):
    page = overview_page.build(ctx)[0]
    words = [m.text for m in texts(page.marks)]
    trees = ctx.plan.trees
    assert f"{trees.status.count('served')} served" in words
    assert f"= {len(trees)} trees read" in words
    dots = [m for m, _ in flat(page.marks) if isinstance(m, Polyline) and m.parts and len(m.parts[0]) == 2
            and m.parts[0][0] == m.parts[0][1]]
    assert sum(len(m.parts) for m in dots if m.width == 2.2) == trees.status.count("served") + 1  # one in the key


def test_index_table_lists_every_section(ctx):
    pages = index_page.build(ctx)
    words = [m.text for p in pages for m in texts(p.marks)]
    for section in ctx.plan.sections:
        assert words.count(section.section_id) >= 2  # on the map and in the table
        assert ctx.check_code(section.section_id) in words


# ---------------------------------------------------------------- check code


def test_check_code_changes_with_anything_printed(ctx):
    plan = ctx.plan
    section = plan.sections[1]
    ground = {"terrain": ctx.terrain, "ground": ctx.ground}
    code = check_code(plan, section, **ground)
    assert re.fullmatch(r"[0-9A-F]{4}-[0-9A-F]{4}", code)
    assert code == check_code(plan, dataclasses.replace(section, check_code="FFFF-FFFF", sheets=9), **ground)
    line = plan.mainlines[0]
    raised = list(line.supports)
    raised[20] = dataclasses.replace(raised[20], line_z_m=raised[20].line_z_m + 0.01)
    lines = (dataclasses.replace(line, supports=tuple(raised)), *plan.mainlines[1:])
    trees = dataclasses.replace(plan.trees, taps=plan.trees.taps + 1)
    changed = [
        dataclasses.replace(plan, mainlines=lines), dataclasses.replace(plan, trees=trees),
        dataclasses.replace(plan, safety={}), dataclasses.replace(plan, crossings=()),
        context(revision="C").plan, context(date="2026-03-03").plan,
    ]
    codes = [check_code(other, section, **ground) for other in changed]
    assert code not in codes
    assert len(set(codes)) == len(codes)


def test_other_sections_keep_their_code(ctx):
    plan = ctx.plan
    line = plan.mainlines[2]  # M1.2, in section S02 only
    raised = (*line.supports[:3], dataclasses.replace(line.supports[3], line_z_m=400.0), *line.supports[4:])
    other = dataclasses.replace(plan, mainlines=(*plan.mainlines[:2], dataclasses.replace(line, supports=raised)))
    before, after = (all_codes(p, terrain=ctx.terrain, ground=ctx.ground) for p in (plan, other))
    assert [s for s in before if before[s] != after[s]] == ["S02", ""]


# ---------------------------------------------------------------- the PDF


@pytest.fixture(scope="module")
def pdf(ctx):
    return book.render_section(ctx, "S02")


def test_same_plan_same_bytes(ctx, pdf):
    assert book.render_section(context(), "S02") == pdf


def test_geographic_viewport(ctx, pdf):
    """Shape of the dictionary as readers need it: LPTS present, corners UL LL LR UR, never an inverted box."""
    with pikepdf.open(io.BytesIO(pdf)) as document:
        views = document.pages[0].obj.VP
        measure = views[0].Measure
        assert measure.Subtype == pikepdf.Name.GEO
        assert [float(v) for v in measure.LPTS] == [0, 1, 0, 0, 1, 0, 1, 1]
        box = [float(v) for v in views[0].BBox]
        assert box[0] < box[2]
        assert box[1] < box[3]
        gpts = np.array([float(v) for v in measure.GPTS]).reshape(4, 2)
        assert "/EPSG" not in measure.GCS
        assert str(measure.GCS.WKT).startswith('GEOGCS["WGS 84"')
    assert gpts[0, 0] > gpts[1, 0]  # upper is north of lower
    assert gpts[3, 1] > gpts[0, 1]  # right is east of left
    # true north up: upper corners share a latitude, left corners a longitude (1e-8 degree is a millimetre)
    assert gpts[0, 0] == pytest.approx(gpts[3, 0], abs=2e-7)
    assert gpts[0, 1] == pytest.approx(gpts[1, 1], abs=2e-7)


def test_simple_readers_find_the_viewport_in_clear_text(pdf):
    assert b"/GPTS [" in pdf
    assert b"/Type /Viewport" in pdf
    assert b"/ObjStm" not in pdf


def test_a_place_is_where_the_viewport_says(ctx):
    """Interpolating GPTS at a support's drawn position gives the support's own latitude and longitude."""
    section = ctx.plan.sections[1]
    page = map_page.build(ctx, section)[0]
    geo = page.geo[0]
    corners = np.array(geo.corners)
    support = section_view(ctx, section).pieces[0].supports[3]
    lon, lat = (float(v) for v in ctx.plan.frame.lonlat(support.x_m, support.y_m))
    discs = np.array([(m.x, m.y) for m, _ in flat(page.marks) if isinstance(m, Circle) and m.radius == 3.1])
    u = (discs[:, 0] - geo.rect.x0) / geo.rect.width
    v = (discs[:, 1] - geo.rect.y0) / geo.rect.height
    weights = np.column_stack(((1 - u) * v, (1 - u) * (1 - v), u * (1 - v), u * v))
    places = weights @ corners
    error_m = np.hypot((places[:, 0] - lat) * 111_132.0, (places[:, 1] - lon) * 111_320.0 * np.cos(np.radians(lat)))
    assert error_m.min() < 0.01


def test_fonts_are_embedded_subsets(pdf):
    with pikepdf.open(io.BytesIO(pdf)) as document:
        seen = set()
        for page in document.pages:
            for font in page.obj.Resources.Font.values():
                name = str(font.BaseFont)
                seen.add(name)
                assert "/FontFile2" in font.FontDescriptor, name
                assert "/ToUnicode" in font
        assert 2 <= len(seen) <= 4
        assert not any("Helvetica" in name for name in seen)


def test_document_says_what_it_is(ctx, pdf):
    with pikepdf.open(io.BytesIO(pdf)) as document:
        assert str(document.Root.Lang) == "en"
        assert bool(document.Root.ViewerPreferences.DisplayDocTitle)
        assert document.Root.ViewerPreferences.PrintScaling == pikepdf.Name("/None")
        assert bool(document.Root.MarkInfo.Marked)
        assert str(document.docinfo["/CreationDate"]) == "D:20260302000000Z"
        assert ctx.check_code("S02") in str(document.docinfo["/Subject"])
        with document.open_outline() as outline:
            assert len(outline.root) == len(document.pages)
        roles = set()
        stack = [document.Root.StructTreeRoot.K[0]]
        while stack:
            node = stack.pop()
            if isinstance(node, pikepdf.Dictionary) and "/S" in node:
                roles.add(str(node.S))
                if pikepdf.Name.Figure == node.S:
                    assert str(node.Alt)
                stack += list(node.get("/K", []))
        assert {"/Document", "/Sect", "/H1", "/H2", "/P", "/Figure", "/Table", "/TR", "/TH", "/TD", "/Link"} <= roles


def test_text_comes_out_again(ctx, pdf):
    document = pypdfium2.PdfDocument(pdf)
    text = document[0].get_textpage().get_text_bounded()
    document.close()
    for word in ("SECTION MAP", "S21", "M1.2-L03", ctx.check_code("S02"), "Cold Brook"):
        assert word in text
    assert "nan" not in text


def test_book_has_everything_and_bookmarks(ctx):
    with pikepdf.open(io.BytesIO(book.render_book(ctx))) as document:
        count = len(document.pages)
        with document.open_outline() as outline:
            titles = [item.title for item in outline.root]
    sections = [s.section_id for s in ctx.plan.sections]
    assert [t for t in titles if t in sections] == sections
    assert count == len(book.plan_pages(ctx)) + sum(book.page_count(ctx, s) for s in sections)


def test_overview_png_is_a_picture_of_the_overview(ctx):
    png = book.overview_png(book.render_overview(ctx))
    assert png.startswith(b"\x89PNG")
    assert len(png) < 400_000


def test_unknown_section_is_refused(ctx):
    with pytest.raises(KeyError, match="no section 'S99'"):
        book.render_section(ctx, "S99")


def test_no_page_no_pdf():
    with pytest.raises(ValueError, match="no page"):
        to_pdf([], DocumentInfo("t", "a", "s", "en", ""))


def test_local_grid_prints_without_a_position(ctx):
    """A plan without a place on Earth has no code to scan, no norths but true, and no viewport."""
    plan = ctx.plan
    nowhere = dataclasses.replace(plan.frame, crs_wkt="", name="local grid")
    own = make_context(
        plan=dataclasses.replace(plan, frame=nowhere),
        terrain=dataclasses.replace(ctx.terrain, frame=nowhere), ground=ctx.ground,
    )
    page = map_page.build(own, plan.sections[0])[0]
    assert page.geo == ()
    assert not [m for m, _ in flat(page.marks) if isinstance(m, QrCode)]
    words = " ".join(m.text for m in texts(page.marks))
    assert "No position on Earth" in words
    assert "NOT CHECKED" in words


def test_label_field_outside_frame_is_ignored():
    field = LabelField(Rect(0.0, 0.0, 50.0, 50.0))
    field.lines([np.array([(-20.0, -20.0), (200.0, 200.0)])], 5.0, reach=1)
    assert field.soft[25, 25] == 5.0
    assert field.soft.shape == (51, 51)
