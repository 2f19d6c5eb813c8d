"""What a French crew read in English or in halves, and what stood alone: names, headers, the inset, the signatures."""

from __future__ import annotations

import dataclasses
from functools import cache

import pytest
from pipeline.settings import TerrainSettings
from pipeline.sheets import index_page, map_page, materials_page, safety_page, stakeout_page
from pipeline.sheets.compose import Composer
from pipeline.sheets.context import SheetContext, load_words, make_context
from pipeline.sheets.marks import Box, Page, texts
from pipeline.sheets.paper import VERTICAL_UNKNOWN, datum_line
from pipeline.store.georef import vertical_name
from pipeline.survey import SPECIES_NAMES

from sample_plan import sample_plan

PLAN, TERRAIN, GROUND = sample_plan()
LOOKS = [("en", "letter", "us"), ("fr", "a4", "metric"), ("fr", "letter", "us")]


@cache
def context(language: str = "en", paper: str = "letter", units: str = "us") -> SheetContext:
    bush = dataclasses.replace(PLAN.settings.bush, language=language, paper=paper, units=units)
    plan = dataclasses.replace(PLAN, settings=dataclasses.replace(PLAN.settings, bush=bush))
    return make_context(plan=plan, terrain=TERRAIN, ground=GROUND)


def changed(ctx: SheetContext, **values) -> SheetContext:
    return dataclasses.replace(ctx, plan=dataclasses.replace(ctx.plan, **values))


def words(pages: list[Page]) -> list[str]:
    return [t.text.replace("\u00a0", " ") for page in pages for t in texts(page.marks)]


@pytest.mark.parametrize("language", ["en", "fr"])
def test_every_species_of_the_survey_has_a_name(language: str) -> None:
    found = load_words(language)
    names = [found[f"species.{group[0]}"] for group in SPECIES_NAMES]
    assert len(set(names)) == len(names)


def test_the_tree_that_holds_a_line_is_named_in_french() -> None:
    ctx = context("fr", "a4", "metric")
    support = next(s for s in PLAN.mainlines[0].supports if s.kind == "tree")
    supports = tuple(
        dataclasses.replace(s, tree_id=PLAN.trees.tree_id[1]) if s is support else s
        for s in PLAN.mainlines[0].supports
    )
    assert PLAN.trees.species[1] == "sugar maple"
    line = dataclasses.replace(PLAN.mainlines[0], supports=supports)
    told = " ".join(words(stakeout_page.build(
        changed(ctx, mainlines=(line, *PLAN.mainlines[1:])), PLAN.sections[0])))
    assert "sugar maple" not in told
    assert "érable à sucre" in told


def test_the_foot_says_in_french_what_the_terrain_did_not_state() -> None:
    stated = vertical_name(None, TerrainSettings(), "ft")
    assert stated.startswith(VERTICAL_UNKNOWN)
    ctx = context("fr", "a4", "metric")
    ctx = dataclasses.replace(
        changed(ctx, frame=dataclasses.replace(PLAN.frame, vertical=stated)),
        terrain=dataclasses.replace(TERRAIN, source="terrain.tif, 0.5 m cells"),
    )
    line = datum_line(ctx).replace("\u00a0", " ")
    assert "référence non donnée, lu en " in line
    assert "terrain.tif, maille 0,5 m" in line
    assert not any(word in line for word in ("datum", "read in", "cells"))


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
def test_the_head_of_the_cut_list_is_not_cut_itself(look: tuple[str, str, str]) -> None:
    ctx = context(*look)
    for section in PLAN.sections:
        assert ctx.w("materials.col_cut") in words(materials_page.build(ctx, section))


def test_a_section_that_is_the_only_one_has_no_picture_of_where_it_is() -> None:
    ctx = context()
    title = ctx.w("map.index_title")
    assert title in words(map_page.build(ctx, PLAN.sections[0]))
    alone = changed(ctx, sections=(dataclasses.replace(PLAN.sections[0], neighbours=()),))
    assert title not in words(map_page.build(alone, alone.plan.sections[0]))


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
def test_who_signs_and_what_defers_to_others_stand_on_one_page(look: tuple[str, str, str]) -> None:
    """However far down the cautions reach: the room that they leave is changed point by point."""
    ctx = context(*look)
    last = " ".join(ctx.w("safety.defer").split()[-3:])
    turned = 0
    for left in range(60, 180):
        pages = Composer(ctx, "S01", ctx.w("safety.title"), "")
        pages.block(pages.left_pt - left, lambda rect: [Box(rect)])
        safety_page._sign_off(ctx, pages, PLAN.safety["S01"])
        shown = [" ".join(words([page])) for page in pages.pages()]
        (signed,) = [i for i, page in enumerate(shown) if ctx.w("safety.sign_title") in page]
        (deferred,) = [i for i, page in enumerate(shown) if last in page]
        assert signed == deferred, left
        turned += signed
    assert 0 < turned < 120  # short of room it goes to the next page, else it stays


def test_the_index_says_what_every_section_flows_into() -> None:
    ctx = context()
    assert index_page.flows_into(ctx) == {"S01": ("C1",), "S02": ("S01",), "S03": ("S01",)}
    # a branch that joins at the very foot of its parent flows where the parent does
    main, left, right = PLAN.mainlines
    low = changed(ctx, mainlines=(main, dataclasses.replace(left, join_station_m=0.0), right))
    assert index_page.flows_into(low)["S03"] == ("C1",)
    shown = words(index_page.build(ctx))
    assert shown.count("S01") == 2 + 1 + 1  # flowed into by two, its own row, the map
