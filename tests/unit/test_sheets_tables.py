"""The text-heavy sheets: every planned number is on paper, nothing outside the margins, nothing too small."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np
import pyproj
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pipeline.records import Plan, SafetyNote
from pipeline.safety import load_safety, notes, split_pages
from pipeline.sheets import (
    cover_page,
    findings_page,
    laterals_page,
    loadout_page,
    map_page,
    materials_page,
    orders_page,
    pump_page,
    safety_page,
    stakeout_page,
    tables_page,
)
from pipeline.sheets.compose import Composer, page_rows
from pipeline.sheets.context import SheetContext, make_context
from pipeline.sheets.local import local, tied
from pipeline.sheets.look_hard import look_rows
from pipeline.sheets.marks import Box, Group, Link, Page, Text, bounds, flat, text_rect, texts
from pipeline.sheets.paper import body_rect
from pipeline.sheets.section_view import section_view
from pipeline.sheets.table import Column
from pipeline.sheets.text import SMALLEST_PT
from pipeline.takeoff import tally
from pipeline.terrain.confidence import grade_confidence
from pipeline.units import Units, feet_inches

from sample_plan import sample_plan

SECTION_BUILDERS = (stakeout_page, laterals_page, materials_page, tables_page, safety_page)
PLAN_BUILDERS = (cover_page, findings_page, orders_page, loadout_page, pump_page)
LOOKS = [
    ("en", "letter", "us"), ("fr", "a4", "metric"), ("fr", "letter", "us"), ("en", "a4", "metric"),
    ("en", "tabloid", "us"), ("fr", "legal", "metric"),
]


@cache
def context(language: str = "en", paper: str = "letter", units: str = "us") -> SheetContext:
    plan, terrain, ground = sample_plan()
    bush = replace(plan.settings.bush, language=language, paper=paper, units=units)
    plan = replace(plan, settings=replace(plan.settings, bush=bush))
    plan = replace(plan, safety={
        s.section_id: notes(
            section=s, mainlines=plan.mainlines, grouping=plan.grouping, trees=plan.trees, flow=plan.flow,
            crossings=plan.crossings, ground=ground, terrain=terrain, settings=plan.settings,
        )
        for s in plan.sections
    })
    return make_context(plan=plan, terrain=terrain, ground=ground)


def with_plan(**changes) -> SheetContext:
    base = context()
    return replace(base, plan=replace(base.plan, **changes))


def words_of(pages: list[Page]) -> list[str]:
    return [t.text.replace("\u00a0", " ") for page in pages for t in texts(page.marks)]


def all_text(pages: list[Page]) -> str:
    return " ".join(words_of(pages))


def all_pages(ctx: SheetContext) -> list[Page]:
    pages = [p for b in SECTION_BUILDERS for s in ctx.plan.sections for p in b.build(ctx, s)]
    return pages + [p for b in PLAN_BUILDERS for p in b.build(ctx)]


# ---------------------------------------------------------------- paper rules


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
def test_nothing_outside_the_body_nothing_small_no_text_over_text(look):
    ctx = context(*look)
    body = body_rect(ctx)
    for page in all_pages(ctx):
        rects = []
        for mark, _ in flat(page.marks):
            rect = bounds(mark)
            assert rect.x0 >= body.x0 - 1.1, (page.title, mark)
            assert rect.x1 <= body.x1 + 1.1, (page.title, mark)
            assert rect.y0 >= body.y0 - 1.1, (page.title, mark)
            assert rect.y1 <= body.y1 + 1.1, (page.title, mark)
            if isinstance(mark, Text) and mark.text.strip():
                assert mark.size >= SMALLEST_PT, (page.title, mark)
                assert mark.color in ("#000000", "#ffffff"), (page.title, mark)
                if mark.text != "!":
                    rects.append((rect, mark.text))
        for i, (a, one) in enumerate(rects):
            for b, two in rects[i + 1:]:
                across = min(a.x1, b.x1) - max(a.x0, b.x0)
                along = min(a.y1, b.y1) - max(a.y0, b.y0)
                assert not (across > 0.5 and along > 2.2), (page.title, one, two)


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
def test_no_text_is_cut_and_no_blank_is_left(look):
    for page in all_pages(context(*look)):
        for text in words_of([page]):
            assert "…" not in text, (page.title, text)
            assert not re.search(r"[{}|]|\bnan\b|\bNone\b|@", text), (page.title, text)


@pytest.mark.parametrize("look", LOOKS[:2], ids="-".join)
def test_numbers_people_build_from_are_large(look):
    """Legibility rule: table bodies at least 8.5 pt (NUREG-0700, 16 minutes of arc at about half a metre)."""
    ctx = context(*look)
    for section in ctx.plan.sections:
        for page in (*stakeout_page.build(ctx, section), *laterals_page.build(ctx, section)):
            for text in texts(page.marks):
                if text.tag in ("point", "height", "place", "lateral", "entry"):
                    assert text.size >= 8.5, text


# ---------------------------------------------------------------- stake-out


def test_every_support_is_on_the_stakeout_with_its_numbers():
    ctx = context()
    units = Units("us")
    for section in ctx.plan.sections:
        shown = words_of(stakeout_page.build(ctx, section))
        for mainline_id, low, high in section.pieces:
            line = next(m for m in ctx.plan.mainlines if m.mainline_id == mainline_id)
            for s in line.supports:
                if not low <= s.station_m <= high:
                    continue
                lon, lat = (float(v) for v in ctx.plan.frame.lonlat(s.x_m, s.y_m))
                for wanted in (
                    units.station(s.station_m), units.elevation_value(s.ground_z_m), units.elevation_value(s.line_z_m),
                    feet_inches(s.height_m), f"{lat:.6f}", f"{lon:.6f}",
                ):
                    assert wanted in shown, (s.support_id, wanted)
                assert any(t.lstrip("▲▼") == units.height_value(s.height_m) for t in shown)


def test_bearing_distance_and_fall_agree_with_the_ellipsoid():
    """pyproj.Geod is an independent reference for distance and azimuth between the printed positions."""
    ctx = context("en", "letter", "metric")
    geod = pyproj.Geod(ellps="WGS84")
    line = ctx.plan.mainlines[0]
    points = stakeout_page._points(ctx, line, 0.0, line.plan_length_m)
    for a, b in pairwise(points):
        distance, bearing, fall = stakeout_page._to_next(ctx, line, a, b, None)
        (lon_a, lon_b), (lat_a, lat_b) = ctx.plan.frame.lonlat([a.x_m, b.x_m], [a.y_m, b.y_m])
        azimuth, _, length = geod.inv(lon_a, lat_a, lon_b, lat_b)
        off = (float(bearing.rstrip("°")) - azimuth + 180.0) % 360.0 - 180.0
        assert abs(off) < 0.52  # printed to a degree
        assert float(distance) == pytest.approx(length, abs=0.06 + 0.001 * length)  # scale factor of the grid
        rise, grade = (float(v) for v in fall.split("\n")[0].split(" · "))
        assert rise == pytest.approx(b.line_z_m - a.line_z_m, abs=0.006)
        assert grade == pytest.approx(100.0 * rise / float(distance), abs=1.5)


def test_positions_are_links_that_say_what_is_printed():
    ctx = context()
    pages = stakeout_page.build(ctx, ctx.plan.sections[0])
    links = [m for page in pages for m, _ in flat(page.marks) if isinstance(m, Link)]
    _, low, high = ctx.plan.sections[0].pieces[0]
    assert len(links) >= sum(low <= s.station_m <= high for s in ctx.plan.mainlines[0].supports)
    for link in links:
        lat, lon = link.alt.split("\n")
        assert link.uri == f"geo:{lat},{lon}"


def test_a_crossing_that_hangs_too_low_is_marked():
    ctx = context()
    crossing = next(c for c in ctx.plan.crossings if c.clearance_m < c.needed_m)
    section = next(
        s for s in ctx.plan.sections
        if any(m == crossing.line_id and a <= crossing.station_m <= b for m, a, b in s.pieces)
    )
    shown = words_of(stakeout_page.build(ctx, section))
    assert f"▼{Units('us').height_value(crossing.clearance_m)}" in shown
    assert any(Units("us").height(crossing.needed_m) in t for t in shown)


def test_no_compass_bearing_without_a_declination():
    old = replace(context(), date="1999-01-01")
    text = all_text(stakeout_page.build(old, old.plan.sections[0]))
    assert "Magnetic bearings NOT CHECKED" in text
    assert not re.search(r"M\d{3}°", text)


def test_neighbours_and_ends_are_named():
    ctx = context()
    text = [all_text(stakeout_page.build(ctx, s)) for s in ctx.plan.sections]
    assert "lower end at C1" in text[0]
    assert "above: S02" in text[0]
    assert "below: S01" in text[1]
    assert "lower end joins M1 at" in text[2]


# ---------------------------------------------------------------- laterals, materials


def test_every_lateral_tree_and_tap_is_in_the_table():
    ctx = context()
    for section in ctx.plan.sections:
        shown = all_text(laterals_page.build(ctx, section))
        taps = 0
        for lateral in laterals_page.in_line_order(ctx, section):
            taps += lateral.taps
            assert lateral.lateral_id in shown
            for t, z in zip(lateral.tree, lateral.xyz_m[1:, 2], strict=True):
                height = Units("us").height_value(float(z - ctx.plan.trees.ground_z_m[t]))
                assert f"{ctx.plan.trees.tree_id[t]}×{ctx.plan.trees.taps[t]} {height}" in shown
        assert taps == section.taps
        assert f"{taps} taps" in shown
    assert "LEVEL IT" in all_text([p for s in ctx.plan.sections for p in laterals_page.build(ctx, s)])


def test_cut_length_is_the_length_with_slack_and_the_turn_round_the_last_tree():
    """Girth of the last tree and a foot for the knot, as the take-off counts: what is cut must reach."""
    ctx = context()
    lateral = ctx.plan.laterals[0]
    needed = 1.03 * lateral.length_m + math.pi * ctx.plan.trees.dbh_cm[lateral.tree[-1]] / 100.0 + 0.3
    assert tally.tubing_m(lateral, ctx.plan.trees) == pytest.approx(needed)
    shown = words_of(laterals_page.build(ctx, ctx.plan.sections[0]))
    assert Units("us").length_value(needed) in shown


def test_long_ids_are_never_cut_or_small():
    """Fourth branches of a twelfth mainline: whole in the lateral table and the cut list, at their full size."""
    ctx = context()
    laterals = tuple(replace(lat, lateral_id=f"M12.10.11.3-L{k:02d}") for k, lat in enumerate(ctx.plan.laterals))
    long = with_plan(grouping=replace(ctx.plan.grouping, laterals=laterals))
    for section in long.plan.sections:
        shown = [t for page in tables_page.build(long, section) for t in texts(page.marks)]
        own = {laterals[i].lateral_id for i in section.lateral}
        found = [t for t in shown if t.text in own]
        assert len(found) == 2 * len(own)
        assert all(t.size >= 8.5 for t in found)


def test_pipe_schedule_tiles_the_pieces_of_a_section():
    ctx = context()
    for section in ctx.plan.sections:
        shown = words_of(materials_page.build(ctx, section))
        for mainline_id, low, high in section.pieces:
            cuts = {low, high} | {
                p.from_station_m for p in ctx.plan.flow.pipes
                if p.mainline_id == mainline_id and low < p.from_station_m < high
            }
            for cut in cuts:
                assert Units("us").station(cut) in shown


def test_parts_are_rounded_up_and_turned_to_the_readers_units():
    ctx = context()
    part = replace(ctx.plan.takeoff.by_section[0], section_id="S01", code="WIRE 12.5", unit="m", quantity=100.0)
    takeoff = replace(ctx.plan.takeoff, by_section=(part,))
    shown = words_of(materials_page.build(with_plan(takeoff=takeoff), ctx.plan.sections[0]))
    assert "329 ft" in shown  # 100 m is 328.08 ft
    assert "Mainline wire 12.5 gauge" in shown
    metric = replace(context("fr", "a4", "metric"), plan=with_plan(takeoff=takeoff).plan)
    shown = words_of(materials_page.build(metric, ctx.plan.sections[0]))
    assert "100 m" in shown
    assert "Fil de maître-ligne calibre 12.5" in " ".join(shown)


# ---------------------------------------------------------------- safety


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
def test_every_caution_is_printed_once_and_the_gravest_stand_on_the_first_page(look):
    ctx = context(*look)
    for section in ctx.plan.sections:
        pages = safety_page.build(ctx, section)
        codes = [t.text for page in pages for t in texts(page.marks) if t.tag == "code"]
        real = [n for n in ctx.plan.safety[section.section_id] if not n.not_checked]
        assert sorted(codes) == sorted(n.code for n in real)
        first, _ = split_pages(ctx.plan.safety[section.section_id])
        on_first = [t.text for t in texts(pages[0].marks) if t.tag == "code"]
        assert on_first[: len(first)] == [n.code for n in first]


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
def test_every_caution_that_asks_for_initials_stands_in_a_box_with_room_for_them(look):
    """A sign-off lies in the same outlined box as the code, and says who signs; the others have none."""
    ctx = context(*look)
    for section in ctx.plan.sections:
        asked = {n.code: n.sign_off for n in ctx.plan.safety[section.section_id] if not n.not_checked}
        for page in safety_page.build(ctx, section):
            boxes = [m.rect for m, _ in flat(page.marks) if isinstance(m, Box) and m.rect.height > 12.0]
            marks = list(texts(page.marks))
            for code in (t for t in marks if t.tag == "code"):
                own = min((r for r in boxes if r.holds(text_rect(code), 0.5) and r.width > 200.0),
                          key=lambda r: r.width * r.height)
                signs = [t.text for t in marks if t.tag == "sign" and own.holds(text_rect(t), 0.5)]
                key = {"": "", "CL": "sign_leader", "CL+Q": "sign_both"}[asked[code.text]]
                assert len(signs) == bool(key), code
                short = f"{ctx.w(f'safety.{key}_short')}  {ctx.w('safety.initials')}" if key else ""
                assert not signs or signs[0] in (ctx.w(f"safety.{key}"), short), code


def test_first_page_has_help_five_lines_blocks_and_what_nobody_checked():
    ctx = context()
    words = load_safety("en")
    text = all_text(safety_page.build(ctx, ctx.plan.sections[0])[:1])
    for title, _ in words.fixed:
        assert title in text
    for wanted in ("IF SOMEONE IS HURT", "911", "CHAINSAW WORK", "LADDER WORK", "NOT CHECKED", "HOLD", "geo:"):
        assert wanted in text or wanted == "geo:"
    for kind in ctx.plan.not_checked:
        assert words.layer[kind].split(",")[0].split(" ")[0] in text
    assert "no hazards" not in text.lower()
    assert "150 ft" in text  # two trees of 75 ft


def test_ladder_block_names_what_hangs_above_reach():
    ctx = context()
    section = ctx.plan.sections[0]
    note = SafetyNote("C1", 3, "", (("supports", "M1-S03=2.450"),))
    high = with_plan(safety={section.section_id: (note,)})
    text = all_text(safety_page.build(high, section)[:1])
    assert "M1-S03 (8.0 ft)" in text
    assert "Lines hang more than 6.5 ft" in text


def test_without_a_meeting_point_the_sheet_says_so():
    ctx = context()
    sheets = replace(ctx.plan.settings.sheets, meeting_lon=math.nan, meeting_lat=math.nan, hospital_min=0.0)
    bare = with_plan(settings=replace(ctx.plan.settings, sheets=sheets))
    text = all_text(safety_page.build(bare, ctx.plan.sections[0]))
    assert "Meeting point NOT CHECKED" in text
    assert "____ min" in text


def test_every_safety_page_defers_to_local_codes():
    """The last page in words, every page in the footer that the frame adds."""
    for language, wanted in (("en", "Local codes"), ("fr", "codes locaux")):
        ctx = context(language)
        assert wanted in all_text(safety_page.build(ctx, ctx.plan.sections[0])[-1:])
        assert wanted.lower() in ctx.w("common.not_a_survey").lower()


# ---------------------------------------------------------------- the whole plan


def test_cover_accounts_for_every_tree():
    ctx = context()
    text = all_text(cover_page.build(ctx))
    status = ctx.plan.trees.status
    counts = [len(status), *(sum(s == k for s in status) for k in ("served", "set_aside", "not_tapped"))]
    assert counts[0] == sum(counts[1:])
    assert "{} trees read = {} served + {} set aside + {} not tapped".format(*counts) in text
    for reason in {r for r in ctx.plan.trees.reason if r}:
        assert ctx.w(f"reason.{reason}") in text
    for section in ctx.plan.sections:
        assert ctx.check_code(section.section_id) in text
    assert "Not a boundary survey" in text
    for lateral in ctx.plan.laterals:
        if lateral.grade_confidence == "level it":
            assert lateral.lateral_id in text


def test_cover_of_a_plan_without_anything_still_prints():
    ctx = context()
    nobody = replace(ctx.plan.grouping, laterals=(), entry_ceiling_z_m=np.zeros(0))
    bare = with_plan(grouping=nobody, mainlines=(), sections=(), findings=(), crossings=())
    for builder in PLAN_BUILDERS:
        assert builder.build(bare)


def test_every_finding_is_printed_once_gravest_first():
    ctx = context()
    text = all_text(findings_page.build(ctx))
    for finding in ctx.plan.findings:
        assert text.count(finding.code) == 1
        assert finding.text in text
    assert text.index("LADDER_HEIGHT") < text.index("LIFT")
    assert findings_page.measured(ctx, 2.45, "m") == "8.0 ft"
    assert findings_page.measured(ctx, None, "m") == ""


def test_order_list_sums_and_calls_prices_examples():
    ctx = context()
    text = all_text(orders_page.build(ctx))
    total = sum(p.cost for p in ctx.plan.takeoff.total)
    assert f"{total:,.2f}" in text
    assert "PRICES ARE EXAMPLES" in text
    own = replace(ctx.plan.settings, prices=replace(ctx.plan.settings.prices, file="mine.csv"))
    assert "PRICES ARE EXAMPLES" not in all_text(orders_page.build(with_plan(settings=own)))


def test_unit_price_is_per_printed_unit():
    ctx = context()
    part = replace(ctx.plan.takeoff.total[0], code="WIRE 12.5", unit="m", unit_price=0.3048, order_quantity=304.8)
    takeoff = replace(ctx.plan.takeoff, total=(part,))
    shown = words_of(orders_page.build(with_plan(takeoff=takeoff)))
    assert "0.10" not in shown  # 0.3048 a metre is 0.0929 a foot
    assert "0.09" in shown
    assert "1,000" in shown


def test_pump_page_shows_the_plan_s_figures_in_both_units():
    for units in ("us", "metric"):
        ctx = context("en", "letter", units)
        station = ctx.plan.flow.stations[0]
        shown = words_of(pump_page.build(ctx))
        for value in (
            ctx.units.flow(station.peak_flow_l_min), ctx.units.volume(station.tank_l),
            ctx.units.vacuum(station.vacuum_kpa), ctx.units.air(station.pump_air_m3_s),
        ):
            assert value in shown


def test_a_plan_without_a_pump_shows_none():
    ctx = context()
    calm = replace(ctx.plan.settings, flow=replace(ctx.plan.settings.flow, pumped=False))
    assert ctx.w("pump.pump") not in words_of(pump_page.build(with_plan(settings=calm)))


# ---------------------------------------------------------------- composer and numbers


def composer(ctx: SheetContext) -> Composer:
    return Composer(ctx, "S01", "TITLE", "sub")


def test_composer_keeps_rows_whole_counts_them_and_leaves_no_crumb():
    ctx = context()
    for count in (1, 5, 33, 34, 35, 70, 100):
        pages = composer(ctx)
        pages.table([[f"r{i}"] for i in range(count)], [Column("x", 100.0)])
        made = pages.pages()
        rows = [[t.text for t in texts(p.marks) if re.fullmatch(r"r\d+", t.text)] for p in made]
        assert [r for page in rows for r in page] == [f"r{i}" for i in range(count)]
        assert min(len(r) for r in rows) >= 0.5 * max(len(r) for r in rows)
        assert all("(continued)" in p.title for p in made[1:])
        assert all("x" in [t.text for t in texts(p.marks)] for p in made)


@settings(max_examples=150, deadline=None)
@given(st.lists(st.floats(17.0, 60.0), max_size=80), st.floats(80.0, 600.0), st.floats(200.0, 640.0))
def test_rows_fill_pages_without_overflow_on_as_few_pages_as_possible(tall, first_pt, later_pt):
    counts = page_rows(tall, first_pt, later_pt)
    assert sum(counts) == len(tall)
    start = 0
    for i, count in enumerate(counts):
        assert sum(tall[start: start + count]) <= (later_pt if i else first_pt) + 0.02 * max(count, 1)
        start += count
    fewest, left = 1, first_pt
    for height in tall:
        if height > left + 0.01:
            fewest, left = fewest + 1, later_pt
        left -= height
    assert len(counts) == fewest


def test_a_row_higher_than_a_page_is_refused():
    with pytest.raises(ValueError, match="does not fit"):
        page_rows([700.0], 600.0, 600.0)


def test_composer_starts_a_page_only_when_it_must():
    pages = composer(context())
    pages.new_page()
    pages.para("one")
    pages.new_page()
    pages.new_page()
    pages.para("two", tick=True)
    made = pages.pages()
    assert len(made) == 2
    assert any(isinstance(m, Box) for m, _ in flat(made[1].marks))
    assert any(isinstance(m, Group) and m.role == "P" for m in made[0].marks)


@pytest.mark.parametrize(
    ("text", "wanted"),
    [
        ("1,234.5 ft", "1\u00a0234,5 pi"), ("25.0 inHg", "25,0 poHg"), ("0+038.1", "0+038,1"), ("12 in", "12 po"),
        ("3.5 cfm", "3,5 pi³/min"), ("7", "7"), ("M2.8-S01, M1.2 0+012.5", "M2.8-S01, M1.2 0+012,5"),
    ],
)
def test_french_numbers(text, wanted):
    assert local("fr", text) == wanted
    assert local("en", text) == text


def test_lines_do_not_break_before_units_and_french_signs():
    assert tied("3 m (10 ft) : « oui »") == "3\u00a0m (10\u00a0ft)\u00a0: «\u00a0oui\u00a0»"


def test_samples_are_the_plan_s():
    assert isinstance(context().plan, Plan)


# ---------------------------------------------------------------- spans that nobody can vouch for


@pytest.mark.parametrize(("error_m", "word"), [(0.1, "LEVEL IT"), (0.0, "LEVEL IT?")])
def test_spans_that_the_terrain_cannot_prove_are_marked_in_both_places(error_m, word):
    """The same question as the judge's, span by span; ``LEVEL IT?`` where the terrain's error is not known."""
    base = context()
    ctx = replace(base, terrain=replace(base.terrain, vertical_error_m=error_m))
    section = ctx.plan.sections[2]
    line = next(m for m in ctx.plan.mainlines if m.mainline_id == section.pieces[0][0])
    points = stakeout_page._points(ctx, line, 0.0, line.plan_length_m)
    marked = 0
    for a, b in pairwise(points):
        wanted = grade_confidence(
            length_m=b.station_m - a.station_m, fall_m=b.line_z_m - a.line_z_m,
            min_grade_pct=ctx.plan.settings.mainlines.min_grade_pct, vertical_error_m=error_m,
            gps_error_m=ctx.plan.settings.trees.gps_error_m,
        )
        fall = stakeout_page._to_next(ctx, line, a, b, None)[2]
        assert (fall.split("\n")[1:] == [word]) == (wanted != "high")
        marked += wanted != "high"
    assert marked
    looks = [row for row in look_rows(ctx, section_view(ctx, section)) if word in row[3].text]
    counts = [int(re.search(r"\((\d+);", row[3].text).group(1)) for row in looks]
    assert sum(counts) == marked


def test_a_post_may_be_any_sound_tree_in_reach():
    wanted_words = {"en": "any sound live tree within 6.0 ft", "fr": "arbre vivant et sain à moins de 6,0 pi"}
    for language, wanted in wanted_words.items():
        ctx = context(language)
        section = ctx.plan.sections[0]
        assert wanted in all_text(stakeout_page.build(ctx, section))
        assert wanted in all_text(map_page.build(ctx, section)[:1])
