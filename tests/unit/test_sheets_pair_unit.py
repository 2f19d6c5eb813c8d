"""A wet and dry pair on paper: two lines on map and profile, named in the tables; none where a single line does."""

from __future__ import annotations

import dataclasses
from functools import cache

import pytest
from pipeline import flow, takeoff
from pipeline.resources import template_rows
from pipeline.sheets import map_page, materials_page, pair_marks, profile_page, stakeout_page
from pipeline.sheets.context import SheetContext, make_context
from pipeline.sheets.marks import Group, Page, Polygon, Polyline, flat, texts

from sample_plan import sample_plan

PLAN, TERRAIN, GROUND = sample_plan()
LANGUAGES = ("en", "fr")


@cache
def context(pair: str, language: str = "en") -> SheetContext:
    """Return the hillside sized by the flow stage, with a pair everywhere or nowhere."""
    bush = dataclasses.replace(PLAN.settings.bush, language=language)
    settings = dataclasses.replace(
        PLAN.settings, bush=bush, flow=dataclasses.replace(PLAN.settings.flow, pair=pair)
    )
    sized, _ = flow.size(
        mainlines=PLAN.mainlines, grouping=PLAN.grouping, collections=PLAN.collections, settings=settings
    )
    return make_context(
        plan=dataclasses.replace(PLAN, settings=settings, flow=sized), terrain=TERRAIN, ground=GROUND
    )


@cache
def up_to(station_m: float) -> SheetContext:
    """Return the hillside with a pair on the lowest stretch of M1 alone."""
    ctx = context("always")
    kept = []
    for pipe in ctx.plan.flow.pipes:
        if pipe.role == "wet":
            kept.append(pipe)
        elif pipe.mainline_id == "M1" and pipe.from_station_m < station_m:
            kept.append(dataclasses.replace(pipe, to_station_m=min(pipe.to_station_m, station_m)))
    sized = dataclasses.replace(ctx.plan.flow, pipes=tuple(kept))
    return dataclasses.replace(ctx, plan=dataclasses.replace(ctx.plan, flow=sized))


def dry_lines(pages: list[Page]) -> list[Polyline]:
    return [
        m for page in pages for m, _ in flat(page.marks)
        if isinstance(m, Polyline) and m.dash == pair_marks.DRY_DASH and m.width == pair_marks.DRY_PT
    ]


def diamonds(pages: list[Page]) -> list[Polygon]:
    return [
        m for page in pages for m, _ in flat(page.marks)
        if isinstance(m, Polygon) and m.width == 1.2 and len(m.parts[0]) == 4 and m.fill == "#ffffff"
    ]


def figures(marks) -> list[str]:
    """Return what is told of the figures to those who cannot see them."""
    return [a for m in marks if isinstance(m, Group) for a in (m.alt, *figures(m.marks))]


def words(pages: list[Page]) -> str:
    return " ".join(t.text.replace("\u00a0", " ") for page in pages for t in texts(page.marks))


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_pair_is_two_lines_on_map_and_profile_and_in_the_tables(language: str) -> None:
    ctx = context("always", language)
    for section in ctx.plan.sections:
        charts = profile_page.build(ctx, section)
        assert len(dry_lines(charts)) >= len(section.pieces)
        assert ctx.w("profile.legend_pair") in words(charts)
        maps = map_page.build(ctx, section)
        assert dry_lines(maps)
        for page in (charts[0], maps[0]):
            assert any(ctx.w("common.alt_pair") in alt for alt in figures(page.marks))
        for key in ("key_dry", "key_manifold"):
            assert ctx.w(f"map.{key}") in words(maps)
        table = words(stakeout_page.build(ctx, section))
        assert table.count(ctx.w("stakeout.pair", low="|", high="|").split("|")[0]) == len(section.pieces)
        assert ctx.w("stakeout.note_pair").split(". ")[0][:60] in table
        schedule = words(materials_page.build(ctx, section))
        assert ctx.w("materials.role_wet") in schedule
        assert ctx.w("materials.role_dry") in schedule


@pytest.mark.parametrize("language", LANGUAGES)
def test_a_single_line_prints_nothing_of_a_pair(language: str) -> None:
    ctx = context("never", language)
    for section in ctx.plan.sections:
        drawn = [*map_page.build(ctx, section), *profile_page.build(ctx, section)]
        assert dry_lines(drawn) == diamonds(drawn) == []
        assert not any(ctx.w("common.alt_pair") in alt for page in drawn for alt in figures(page.marks))
        told = words([*drawn, *stakeout_page.build(ctx, section)])
        for key in ("map.key_dry", "map.key_manifold", "map.key_riser", "profile.legend_pair",
                    "stakeout.with_manifold",
                    "stakeout.note_pair", "stakeout.with_riser", "stakeout.kind_manifold"):
            assert ctx.w(key)[:40] not in told


def test_the_dry_line_runs_above_the_wet_one_and_only_as_far_as_it_is_planned() -> None:
    line = PLAN.mainlines[0]
    head = line.supports[4].station_m
    ctx = up_to(head)
    section = ctx.plan.sections[0]
    (dry,) = dry_lines(profile_page.build(ctx, section))
    wet = next(
        m for page in profile_page.build(ctx, section) for m, _ in flat(page.marks)
        if isinstance(m, Polyline) and m.width == 2.6
    )
    above = {round(x, 1): y for x, y in wet.parts[0]}
    assert len(dry.parts[0]) == 5
    for x, y in dry.parts[0]:
        assert y - above[round(x, 1)] == pytest.approx(pair_marks.PROFILE_ABOVE_PT, abs=0.01)
    assert dry_lines(profile_page.build(ctx, ctx.plan.sections[1])) == []
    assert dry_lines(map_page.build(ctx, ctx.plan.sections[2])) == []


def test_the_dry_line_of_the_map_stands_clear_of_the_wet_one() -> None:
    ctx = context("always")
    (page, *_) = map_page.build(ctx, ctx.plan.sections[2])
    dry = dry_lines([page])[0].parts[0]
    wet = next(
        m.parts[0] for m, _ in flat(page.marks) if isinstance(m, Polyline) and m.width == 2.9
    )
    # in the middle of a span the two strokes are as far apart as is meant; the edges of both leave white between
    (ax, ay), (bx, by) = wet[0], wet[1]
    px, py = dry[0]
    gap = abs((bx - ax) * (py - ay) - (by - ay) * (px - ax)) / ((bx - ax) ** 2 + (by - ay) ** 2) ** 0.5
    assert gap == pytest.approx(pair_marks.MAP_BESIDE_PT, abs=0.05)
    assert gap > 2.9 / 2.0 + pair_marks.DRY_PT / 2.0 + 2.0


def test_manifolds_and_risers_stand_where_the_take_off_counts_them() -> None:
    ctx = context("always")
    plan = ctx.plan
    counted, _ = takeoff.count(
        mainlines=plan.mainlines, grouping=plan.grouping, flow=plan.flow, sections=plan.sections, trees=plan.trees,
        crossings=plan.crossings, settings=plan.settings, price_rows=template_rows("prices.csv"),
    )
    wanted = {
        code: sum(p.quantity for p in counted.total if p.code == code) for code in ("MANIFOLD", "LOOP")
    }
    runs = [pair_marks.pair_run(ctx, line, 0.0, line.plan_length_m) for line in plan.mainlines]
    assert None not in runs
    assert sum(len(run.manifolds_m) for run in runs) == wanted["MANIFOLD"] == 6  # foot, two branches, three tops
    assert sum(len(run.risers_m) for run in runs) == wanted["LOOP"] > 0


def test_a_manifold_between_supports_has_a_row_of_its_own() -> None:
    line = PLAN.mainlines[0]
    head = (line.supports[3].station_m + line.supports[4].station_m) / 2.0
    ctx = up_to(head)
    section = ctx.plan.sections[0]
    found = [t.text for page in stakeout_page.build(ctx, section) for t in texts(page.marks)]
    assert ctx.w("stakeout.kind_manifold") in found
    single = context("never")
    assert ctx.w("stakeout.kind_manifold") not in [
        t.text for page in stakeout_page.build(single, section) for t in texts(page.marks)
    ]


@pytest.mark.parametrize("language", LANGUAGES)
def test_heights_stand_clear_of_the_dry_line(language: str) -> None:
    ctx = context("always", language)
    for section in ctx.plan.sections:
        pages = profile_page.build(ctx, section)
        for page in pages:
            strokes = [m.parts[0] for m in dry_lines([page])]
            for text in texts(page.marks):
                if not text.tag.startswith("height:"):
                    continue
                for stroke in strokes:
                    level = [y for x, y in stroke if abs(x - text.x) < 0.6]
                    assert all(text.y > y + 2.0 for y in level), text


def test_a_pair_that_the_flow_stage_had_to_add_is_drawn_where_it_added_it() -> None:
    """With thirty times the taps a single line no longer does: the lowest stretch of M1 becomes a pair."""
    crowded = tuple(dataclasses.replace(q, taps=30 * q.taps) for q in PLAN.grouping.laterals)
    many = dataclasses.replace(PLAN.grouping, laterals=crowded)
    assert PLAN.settings.flow.pair == "auto"
    sized, found = flow.size(
        mainlines=PLAN.mainlines, grouping=many, collections=PLAN.collections, settings=PLAN.settings
    )
    assert "PAIR_ADDED" in {f.code for f in found}
    assert {p.mainline_id for p in sized.pipes if p.role == "dry"} == {"M1"}
    ctx = make_context(
        plan=dataclasses.replace(PLAN, grouping=many, flow=sized), terrain=TERRAIN, ground=GROUND
    )
    head = max(p.to_station_m for p in sized.pipes if p.role == "dry")
    for section in ctx.plan.sections:
        wanted = any(name == "M1" and low < head - 0.01 for name, low, _ in section.pieces)
        assert bool(dry_lines(map_page.build(ctx, section))) == wanted
        assert bool(dry_lines(profile_page.build(ctx, section))) == wanted
        assert bool(diamonds(map_page.build(ctx, section))) == wanted
