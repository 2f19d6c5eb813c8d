"""One strip of a profile: scales, axes, bands, falls and match lines, measured on the marks."""

from __future__ import annotations

import dataclasses
import math
import re
from itertools import pairwise

import numpy as np
import pytest
from pipeline.records import Mainline, Support
from pipeline.sheets import profile_strip, symbols
from pipeline.sheets.context import make_context
from pipeline.sheets.mapview import POINT_M
from pipeline.sheets.marks import Line, Polygon, Polyline, Rect, flat, text_rect, texts
from pipeline.sheets.profile_bands import GUTTER_PT, Strip, bands_pt, falls
from pipeline.sheets.profile_strip import (
    SIDE_PT,
    TITLE_PT,
    caption,
    chart_height,
    strip_marks,
    strip_width,
    vertical_ratio,
    vertical_series,
)
from pipeline.sheets.section_view import Piece, section_view
from pipeline.units import FT_M

from sample_plan import sample_plan

PLAN, TERRAIN, GROUND = sample_plan()


def context(**bush):
    settings = dataclasses.replace(PLAN.settings, bush=dataclasses.replace(PLAN.settings.bush, **bush))
    return make_context(plan=dataclasses.replace(PLAN, settings=settings), terrain=TERRAIN, ground=GROUND)


CONTEXTS = {(units, language): context(units=units, language=language)
            for units in ("us", "metric") for language in ("en", "fr")}
US, METRIC = CONTEXTS["us", "en"], CONTEXTS["metric", "en"]


def strip_of(ctx, section: int = 0, *, ratio: float = 480.0, share: float = 1.0) -> tuple:
    view = section_view(ctx, ctx.plan.sections[section])
    piece = view.pieces[0]
    high = piece.low_m + share * piece.length_m
    return view, Strip(piece, piece.low_m, high, ratio)


def drawn(ctx, section: int = 0, **kwargs):
    view, strip = strip_of(ctx, section, **kwargs)
    chart = 150.0
    rect = Rect(36.0, 100.0, 36.0 + strip_width(strip), 100.0 + TITLE_PT + chart + bands_pt(ctx))
    return view, strip, rect, strip_marks(ctx, view, strip, rect, chart)


# ---------------------------------------------------------------- scales


@pytest.mark.parametrize("us", [True, False])
def test_vertical_scales_are_those_of_rulers_largest_first(us):
    series = vertical_series(us=us)
    assert series == sorted(series)
    if us:
        assert all((r / 12.0) % 1.0 == pytest.approx(0.0, abs=1e-9) for r in series)
    assert len(set(series)) == len(series)


@pytest.mark.parametrize(("relief", "room", "us", "ratio"), [
    # 72 points an inch: 10 ft at 1 inch to 10 ft are 72 points
    (10 * FT_M, 72.0, True, 120.0), (10 * FT_M, 73.0, True, 120.0), (10 * FT_M, 71.0, True, 180.0),
    (0.0, 50.0, True, 12.0), (1e6, 50.0, True, 2400.0),
    # 100 points are 35.28 mm: 3.528 m at 1:100
    (3.52, 100.0, False, 100.0), (3.54, 100.0, False, 125.0), (0.0, 50.0, False, 12.5), (1e6, 50.0, False, 2000.0),
])
def test_the_largest_vertical_scale_that_shows_the_relief(relief, room, us, ratio):
    assert vertical_ratio(relief, room, us=us) == pytest.approx(ratio)


@pytest.mark.parametrize(("ctx", "total"), [(US, 20 + 37 + 20 + 29 + 29 + 20 + 13 + 8),
                                            (METRIC, 20 + 41 + 25 + 29 + 29 + 20 + 13 + 8)])
def test_bands_are_higher_where_metric_figures_are_longer(ctx, total):
    assert bands_pt(ctx) == total


@pytest.mark.parametrize("length_m", [1.0, 30.0, 100.0])
@pytest.mark.parametrize("ratio", [240.0, 600.0])
def test_a_strip_is_as_wide_as_its_length_and_never_too_narrow_for_its_words(length_m, ratio):
    piece = strip_of(US)[1].piece
    strip = Strip(piece, 0.0, length_m, ratio)
    want = GUTTER_PT + SIDE_PT + length_m / ratio / 0.0254 * 72.0
    assert strip_width(strip) == pytest.approx(max(173.0, want))


@pytest.mark.parametrize("ctx", [US, METRIC], ids=["us", "metric"])
def test_ground_that_falls_away_between_supports_makes_the_chart_higher(ctx):
    """All ground 6 m lower than the supports remember: the relief is 6 m more, the ground stays on the chart."""
    _, strip = strip_of(ctx)
    sunk = dataclasses.replace(ctx, terrain=dataclasses.replace(ctx.terrain, z_m=ctx.terrain.z_m - 6.0))
    ratio = (chart_height(sunk, strip, 1.0) - chart_height(ctx, strip, 1.0)) * POINT_M
    assert min(abs(6.0 / ratio - r) for r in vertical_series(us=ctx.units.is_us)) < 1e-3 * 6.0 / ratio
    chart = chart_height(sunk, strip, 1.0)
    view, _ = strip_of(sunk)
    rect = Rect(36.0, 700.0 - TITLE_PT - chart - bands_pt(sunk), 36.0 + strip_width(strip), 700.0)
    marks = strip_marks(sunk, view, strip, rect, chart)
    (ground,) = [m for m, _ in flat(marks) if isinstance(m, Polyline) and m.color == "#5a3d14"]
    assert min(y for _, y in ground.parts[0]) >= 700.0 - TITLE_PT - chart


@pytest.mark.parametrize("ctx", [US, METRIC], ids=["us", "metric"])
@pytest.mark.parametrize("steep", [2.0, 5.0, 10.0])
def test_the_chart_is_high_enough_for_the_steepness_asked_for(ctx, steep):
    _, strip = strip_of(ctx)
    room = chart_height(ctx, strip, steep) - 36.0 - 44.0
    levels = [z for s in strip.supports for z in (s.line_z_m, s.ground_z_m)]
    relief = max(levels) - min(levels)
    ratio_v = relief / (room * POINT_M)
    assert strip.ratio / ratio_v >= steep - 1e-6
    assert min(abs(ratio_v - r) for r in vertical_series(us=ctx.units.is_us)) < 1e-6


# ---------------------------------------------------------------- strips


def test_a_strip_holds_the_supports_between_its_ends():
    _, strip = strip_of(US)
    cut = strip.supports[3].station_m
    lower = Strip(strip.piece, strip.low_m, cut, 480.0)
    upper = Strip(strip.piece, cut, strip.high_m, 480.0)
    assert [s.support_id for s in lower.supports] == [s.support_id for s in strip.supports[:4]]
    assert [s.support_id for s in upper.supports] == [s.support_id for s in strip.supports[3:]]


@pytest.mark.parametrize("key", sorted(CONTEXTS))
@pytest.mark.parametrize("section", [0, 1, 2])
def test_bands_have_a_figure_for_every_support_and_a_fall_for_every_span(key, section):
    ctx = CONTEXTS[key]
    _, strip, _, marks = drawn(ctx, section)
    count = len(strip.supports)
    by_band: dict[str, list[str]] = {}
    for mark in texts(marks):
        if mark.tag.startswith("band:"):
            by_band.setdefault(mark.tag[5:], []).append(mark.text)
    assert {band: len(found) for band, found in by_band.items()} == {
        **dict.fromkeys(("row_support", "row_station", "row_height", "row_line", "row_ground"), count),
        "row_fall": count - 1}
    comma = key[1] == "fr"
    assert by_band["row_support"] == [s.support_id.split("-")[1] for s in strip.supports]
    unit = FT_M if key[0] == "us" else 1.0
    for mark, s in zip(by_band["row_line"], strip.supports, strict=True):
        assert float(mark.replace(",", ".")) == pytest.approx(s.line_z_m / unit, abs=0.06)
        assert ("," in mark) is comma
    for mark, (a, b) in zip(by_band["row_fall"], pairwise(strip.supports), strict=True):
        fall = 100.0 * (b.line_z_m - a.line_z_m) / (b.station_m - a.station_m)
        assert float(mark.replace(",", ".")) == pytest.approx(fall, abs=0.051)


@pytest.mark.parametrize("ctx", [US, METRIC], ids=["us", "metric"])
def test_the_line_is_drawn_to_both_scales(ctx):
    """Points of the mainline: stations by the horizontal, elevations by one vertical scale of the series."""
    _, strip, _, marks = drawn(ctx)
    (main,) = [m for m, _ in flat(marks) if isinstance(m, Polyline) and m.color == symbols.MAINLINE]
    at = np.array(main.parts[0])
    stations = np.array([strip.low_m, *(s.station_m for s in strip.supports), strip.high_m])
    levels = strip.piece.line.at(stations)[2]
    assert np.diff(at[:, 0]) == pytest.approx(np.diff(stations) / (strip.ratio * POINT_M))
    vertical = np.polyfit(levels, at[:, 1], 1)[0]
    assert np.diff(at[:, 1]) == pytest.approx(np.diff(levels) * vertical, abs=1e-6)
    ratio_v = 1.0 / (vertical * POINT_M)
    assert min(abs(ratio_v - r) for r in vertical_series(us=ctx.units.is_us)) < 1e-3
    # the words say how much steeper it is drawn than it is
    times = f"{strip.ratio / ratio_v:.1f}".rstrip("0").rstrip(".")
    assert any(times in m.text for m in texts(marks))


@pytest.mark.parametrize("ctx", [US, METRIC], ids=["us", "metric"])
def test_axis_figures_are_round_and_stand_at_their_elevation(ctx):
    _, strip, _, marks = drawn(ctx)
    unit = FT_M if ctx.units.is_us else 1.0
    axis = [(float(m.text), m.y + 2.7) for m in texts(marks) if m.tag == "axis"]
    values = np.array([v for v, _ in axis])
    step = values[1] - values[0]
    assert step in (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0)
    assert np.diff(values) == pytest.approx(step)
    assert values / step == pytest.approx(np.round(values / step))
    (main,) = [m for m, _ in flat(marks) if isinstance(m, Polyline) and m.color == symbols.MAINLINE]
    levels = strip.piece.line.at([strip.low_m, *(s.station_m for s in strip.supports), strip.high_m])[2] / unit
    slope, base = np.polyfit(levels, [p[1] for p in main.parts[0]], 1)
    for value, y in axis:
        assert y == pytest.approx(slope * value + base, abs=0.01)
    assert min(b[1] - a[1] for a, b in pairwise(axis)) >= 17.0 - 1e-6


def test_heights_stand_over_their_support_and_do_not_overlap():
    for section in (0, 1, 2):
        _, strip, _, marks = drawn(US, section)
        shown = [m for m in texts(marks) if m.tag.startswith("height:")]
        assert [m.tag[7:] for m in shown] == [s.support_id for s in strip.supports]
        assert [m.text for m in shown] == [f"{s.height_m / FT_M:.1f}" for s in strip.supports]


# ---------------------------------------------------------------- ends


def match_words(marks) -> list[str]:
    return [m.text for m in texts(marks) if m.tag == "match"]


def test_a_whole_line_has_no_match_line_and_a_cut_strip_one():
    _, _, _, whole = drawn(US, 2)
    assert match_words(whole) == []
    _, strip, _, cut = drawn(US, 2, share=0.5)
    (words,) = match_words(cut)
    assert US.units.station(strip.high_m) in words
    assert len([m for m, _ in flat(cut) if isinstance(m, Line) and m.dash == (7.0, 2.5)]) == 1


def test_where_another_section_goes_on_it_is_named():
    _, _, _, marks = drawn(US, 0)
    (words,) = match_words(marks)
    assert US.w("profile.continues", section="S02") in words
    _, _, _, marks = drawn(US, 1)
    (words,) = match_words(marks)
    assert US.w("profile.continues", section="S01") in words


@pytest.mark.parametrize("section", [0, 1, 2])
def test_every_lateral_and_branch_has_its_triangle(section):
    view, strip, _, marks = drawn(US, section)
    name = strip.piece.line.mainline_id
    laterals = [la for la in view.laterals if la.mainline_id == name]
    branches = [m for m in PLAN.mainlines if m.parent_id == name and strip.low_m <= m.join_station_m <= strip.high_m]
    triangles = [m for m, _ in flat(marks) if isinstance(m, Polygon) and m.fill == symbols.LATERAL]
    assert len(triangles) == len(laterals) + len(branches)
    joined = {m.tag[5:] for m in texts(marks) if m.tag.startswith("join:")}
    assert joined == {la.lateral_id.split("-")[1] for la in laterals} | {m.mainline_id for m in branches}


# ---------------------------------------------------------------- small helpers


def support(station: float, z: float) -> Support:
    return Support("S", "M1", station, station, 0.0, "tree", "", 0.0, z - 1.0, z)


@pytest.mark.parametrize(("rows", "wanted"), [
    ([], []), ([(0.0, 1.0)], []), ([(0.0, 1.0), (10.0, 1.25)], ["2.5"]), ([(0.0, 1.0), (10.0, 0.9)], ["-1.0"]),
    ([(0.0, 1.0), (0.0, 2.0), (4.0, 2.1)], ["", "2.5"]),  # two supports at one station have no fall between them
])
def test_falls_in_percent_of_the_plan_length(rows, wanted):
    assert falls([support(s, z) for s, z in rows]) == wanted


@pytest.mark.parametrize(("low", "high", "below", "above", "at_low", "at_high"), [
    (0.0, 100.0, "", "", 0.0, 0.0), (0.0, 100.0, "S01", "", 1.0, 0.0), (0.0, 100.0, "", "S02", 0.0, -1.0),
    (20.0, 80.0, "", "", 1.0, -1.0), (0.0, 80.0, "", "", 0.0, -1.0), (20.0, 100.0, "", "", 1.0, 0.0),
])
def test_beside_a_match_line_figures_move_to_the_free_side(low, high, below, above, at_low, at_high):
    line = Mainline("M1", "", "C1", 0.0, (support(0.0, 1.0), support(100.0, 3.0)))
    strip = Strip(Piece(line, 0.0, 100.0, below, above), low, high, 480.0)
    assert profile_strip._inward_at(strip, low) == at_low
    assert profile_strip._inward_at(strip, high) == at_high
    assert profile_strip._inward_at(strip, (low + high) / 2.0) == 0.0


def test_ground_without_data_is_left_out_of_the_profile():
    z = TERRAIN.z_m.copy()
    z[:, :60] = math.nan
    ctx = dataclasses.replace(US, terrain=dataclasses.replace(TERRAIN, z_m=z))
    _, strip = strip_of(ctx)
    known = profile_strip._ground(ctx, strip)
    every = profile_strip._ground(US, strip)
    assert np.isfinite(known).all()
    assert 0 < len(known) < len(every)


@pytest.mark.parametrize("key", sorted(CONTEXTS))
def test_the_caption_names_both_heights(key):
    ctx = CONTEXTS[key]
    (group,) = caption(ctx, Rect(36.0, 36.0, 576.0, 60.0))
    (mark,) = group.marks
    rules = ctx.plan.settings.mainlines
    figures = re.findall(r"\d+[.,]\d+", mark.text)
    assert {ctx.units.height_value(rules.lowest_m), ctx.units.height_value(rules.ladder_m)} <= {
        f.replace(",", ".") for f in figures}


@pytest.mark.parametrize("key", list(CONTEXTS))
def test_words_of_a_match_line_stay_inside_a_narrow_chart(key):
    """A piece of some 30 m goes on in another section: the words once reached over the axis and the strip beside."""
    ctx = CONTEXTS[key]
    line = ctx.plan.mainlines[0]
    piece = Piece(line, 0.0, line.supports[4].station_m, "", "S02")
    strip = Strip(piece, piece.low_m, piece.high_m, 1200.0)
    view = section_view(ctx, ctx.plan.sections[0])
    rect = Rect(36.0, 100.0, 36.0 + strip_width(strip), 100.0 + TITLE_PT + 150.0 + bands_pt(ctx))
    (match,) = [t for t in texts(strip_marks(ctx, view, strip, rect, 150.0)) if t.tag == "match"]
    assert ctx.w("profile.continues", section="S02") in match.text
    assert text_rect(match).x0 >= rect.x0 + GUTTER_PT - 1.0
    wide = Strip(piece, piece.low_m, piece.high_m, 240.0)
    broad = Rect(36.0, 100.0, 36.0 + strip_width(wide), rect.y1)
    (match,) = [t for t in texts(strip_marks(ctx, view, wide, broad, 150.0)) if t.tag == "match"]
    assert ctx.w("profile.match", station=ctx.units.station(piece.high_m)) in match.text
