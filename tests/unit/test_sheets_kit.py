"""The drawing kit: text widths, tables, spreading, label places, scales."""

from __future__ import annotations

import io
import math
from itertools import pairwise

import numpy as np
import pytest
from pipeline.resources import template_bytes, template_rows, template_text
from pipeline.sheets.labels import Label, LabelField, place_all
from pipeline.sheets.mapview import fit_view, ratios, tiles
from pipeline.sheets.marks import Group, Line, Link, Rect, Text, bounds, flat, text_rect, texts
from pipeline.sheets.spread import spread
from pipeline.sheets.table import Cell, Column, balanced, table
from pipeline.sheets.text import clean, fit, missing, width_pt, wrap
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont

from sample_plan import frame, origin

COLUMNS = [
    Column("Pt", 30.0, bold=True), Column("Long", 80.0, flex=1.0, wrap=True), Column("Set", 40.0, "center", tick=True),
]


@pytest.mark.parametrize("face", ["DejaVuSansCondensed", "DejaVuSansCondensed-Bold"])
def test_metrics_equal_the_font_files(face):
    """Widths used for planning are those of the embedded faces, glyph by glyph."""
    bold = face.endswith("Bold")
    pdfmetrics.registerFont(TTFont(f"test-{face}", io.BytesIO(template_bytes(f"fonts/{face}.ttf"))))
    for row in template_rows("fonts/metrics.csv"):
        char = chr(int(row["codepoint"]))
        if char == "\xa0":  # the engine sets a plain space for it
            continue
        assert width_pt(char, 1000.0, bold=bold) == pytest.approx(
            pdfmetrics.stringWidth(char, f"test-{face}", 1000.0), abs=0.6
        ), char


def test_font_licence_is_shipped():
    licence = template_text("fonts/LICENSE.txt")
    assert "Bitstream Vera" in licence
    assert "Permission is hereby granted, free of charge" in licence


def test_faces_have_every_sign_of_the_sheets():
    assert missing("→←↑↓▲△▼▽◆●○□■☐☑⚠★½¼¾≤≥×·–—…°²³′″œŒéÉÀçôïü") == ""


def test_unknown_letters_become_plain_or_a_box():
    assert missing(clean("ᐊ Łódź ☃\t")) == ""
    assert clean("ệ") == "e"  # not in the subset: its plain letter


def test_wrap_keeps_every_word_and_every_line_short():
    text = "Crosses the ski trail: only 4.1 ft clear, 8.0 ft needed. Averylongwordwithoutanyspaceinside it"
    lines = wrap(text, 8.5, 90.0)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert all(width_pt(line, 8.5) <= 90.0 for line in lines)


def test_fit_shrinks_before_it_cuts():
    text, size = fit("M1.2-S04", 10.0, width_pt("M1.2-S04", 8.0))
    assert (text, size) == ("M1.2-S04", pytest.approx(8.0, abs=0.11))
    cut, size = fit("a very long name of a woodlot", 10.0, 40.0)
    assert cut.endswith("…")
    assert size == 6.6
    assert width_pt(cut, size) <= 40.0


def test_table_splits_no_row_and_loses_none():
    rows = [[f"S{i:02d}", "word " * (1 + i % 9), ""] for i in range(40)]
    rect = Rect(36.0, 60.0, 300.0, 400.0)
    shown, left = [], rows
    while left:
        result = table(left, COLUMNS, rect, first_row=len(shown))
        assert result.bottom_y >= rect.y0 - 0.01
        for mark in texts(result.marks):
            assert rect.holds(text_rect(mark), 0.5), mark
        shown += left[: len(left) - len(result.rows_left)]
        assert len(result.rows_left) < len(left)
        left = result.rows_left
    assert shown == rows


def test_table_rows_are_tall_enough_for_gloves():
    result = table([["S01", "x", ""], ["S02", "y", ""]], COLUMNS, Rect(0, 0, 300, 300))
    rules = sorted({m.y0 for m, _ in flat(result.marks) if isinstance(m, Line) and m.y0 == m.y1})
    gaps = [b - a for a, b in pairwise(rules)]
    assert min(gaps[:2]) >= 17.0


def test_fifth_rule_is_heavy_and_counts_across_pages():
    rows = [[f"S{i:02d}", "x", ""] for i in range(12)]
    for first in (0, 3):
        result = table(rows, COLUMNS, Rect(0, 0, 300, 400), first_row=first)
        rules = [m for m, _ in flat(result.marks) if isinstance(m, Line) and m.y0 == m.y1][1:]
        heavy = [i for i, m in enumerate(rules) if m.width > 1.0]
        assert set(heavy) == {0, 12, *(i for i in range(13) if (first + i) % 5 == 0)}


def test_table_refuses_a_room_without_a_row():
    with pytest.raises(ValueError, match="does not fit"):
        table([["S01", "x", ""]], COLUMNS, Rect(0, 0, 300, 20))


def test_linked_cells_become_links():
    result = table([[Cell("44.2", uri="geo:44.2,-72.9"), "x", ""]], COLUMNS, Rect(0, 0, 300, 100))
    links = [m for m, _ in flat(result.marks) if isinstance(m, Link)]
    assert [link.uri for link in links] == ["geo:44.2,-72.9"]


def test_balanced_pages_are_even():
    rows = [[f"S{i:02d}", "x", ""] for i in range(35)]
    rect = Rect(0, 0, 300, 26 * 17.0 + 30.0)
    pages = balanced(rows, COLUMNS, (rect, rect))
    assert [len(page) for page in pages] == [18, 17]
    assert [row for page in pages for row in page] == rows


def test_spread_hand_case():
    # three wishes at the same place, gap 10: the middle one stays, the others move by the gap
    assert spread([50.0, 50.0, 50.0], 10.0, 0.0, 100.0) == pytest.approx([40.0, 50.0, 60.0])
    # two near the left end are pushed inward by the edge
    assert spread([0.0, 1.0, 90.0], 10.0, 0.0, 100.0) == pytest.approx([0.0, 10.0, 90.0])
    assert spread([], 10.0, 0.0, 1.0) == []
    # more than fits: even spacing, inside
    assert spread([5.0] * 5, 10.0, 0.0, 20.0) == pytest.approx([0.0, 5.0, 10.0, 15.0, 20.0])


def test_place_never_covers_symbols_or_labels_and_reports_the_rest():
    field = LabelField(Rect(0.0, 0.0, 60.0, 60.0))
    field.block(Rect(25.0, 25.0, 35.0, 35.0))
    labels = [Label(30.0, 30.0, f"tree {i}", 7.0, clear=6.0) for i in range(40)]
    marks, dropped = place_all(field, labels)
    boxes = field.placed
    assert len(boxes) + len(dropped) == 40
    assert dropped  # forty labels cannot fit here, and none may vanish
    for i, box in enumerate(boxes):
        assert not box.overlaps(Rect(25.0, 25.0, 35.0, 35.0))
        assert not any(box.overlaps(other) for other in boxes[:i])
        assert field.rect.holds(box)
    assert {m.text for m in marks if isinstance(m, Text)} | {d.text for d in dropped} == {x.text for x in labels}


def test_view_takes_the_first_scale_of_the_series_that_fits():
    x0, y0 = origin()
    points = np.array([(x0, y0), (x0 + 150.0, y0 + 40.0)])
    rect = Rect(36.0, 200.0, 576.0, 700.0)
    view = fit_view(frame(), points, rect, us=True, margin_pt=40.0)
    at = view.page(points)
    assert rect.inset(39.9).holds(Rect(*at.min(axis=0), *at.max(axis=0)))
    series = ratios(us=True)
    smaller = series[series.index(view.ratio) - 1]
    assert np.ptp(at[:, 0]) * view.ratio / smaller > rect.width - 80.0
    assert view.plan(at) == pytest.approx(points, abs=1e-6)


def test_view_is_true_north_up():
    x0, y0 = origin()
    corners = np.array([(x0, y0), (x0 + 100.0, y0 + 100.0)])
    view = fit_view(frame(), corners, Rect(0, 0, 500, 500), us=True, margin_pt=10)
    lon, lat = frame().lonlat([x0, x0], [y0, y0])
    north = frame().from_lonlat(float(lon[0]), float(lat[0]) + 0.0005)
    (ax, ay), (bx, by) = view.page(np.array([(x0, y0), (float(north[0]), float(north[1]))]))
    assert math.degrees(math.atan2(bx - ax, by - ay)) == pytest.approx(0.0, abs=0.002)


def test_tiles_show_every_point():
    x0, y0 = origin()
    rng = np.random.default_rng(7)
    points = np.column_stack((x0 + 400.0 * rng.random(80), y0 + 300.0 * rng.random(80)))
    rect = Rect(36.0, 60.0, 576.0, 700.0)
    view = fit_view(frame(), points, rect, us=True, margin_pt=40.0)
    found = tiles(view, points, 720.0, rect, 60.0)
    assert len(found) > 1
    seen = np.zeros(len(points), dtype=bool)
    for tile in found:
        at = tile.page(points)
        seen |= ((at >= (rect.x0, rect.y0)) & (at <= (rect.x1, rect.y1))).all(axis=1)
    assert seen.all()


def test_bounds_of_a_clipped_group_end_at_the_clip():
    clip = Rect(0.0, 0.0, 10.0, 10.0)
    group = Group((Line(-50.0, 5.0, 50.0, 5.0, 1.0),), clip=clip)
    assert clip.holds(bounds(group))
