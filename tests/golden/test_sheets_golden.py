"""Golden sheets: judged by their worst tile, because one wrong figure is a small part of a page."""

from __future__ import annotations

import dataclasses

import pytest
from pipeline.sheets.context import make_context

from golden.sheets_golden import NAMES, RENDERER, WORST_TILE, context_of, pictures, renderer, stored, worst_tile
from sample_plan import sample_plan

same_renderer = pytest.mark.skipif(
    RENDERER.read_text(encoding="utf-8").strip() != renderer(), reason="goldens are valid for their own renderer only"
)


@pytest.fixture(scope="module")
def ctx():
    plan, terrain, ground = sample_plan()
    return make_context(plan=plan, terrain=terrain, ground=ground)


@pytest.fixture(scope="module")
def present(ctx):
    return pictures(ctx)


@same_renderer
@pytest.mark.parametrize("name", NAMES)
def test_sheet_is_the_golden_one(name, present):
    assert worst_tile(present[name], stored(name)) <= WORST_TILE


def test_equal_pictures_differ_nowhere(present):
    assert worst_tile(present["map"], present["map"].copy()) == 0.0


def test_one_more_tap_on_one_tree_is_seen(ctx, present):
    """A mean over the page would miss it: one ring is a few dozen pixels."""
    plan = ctx.plan
    taps = plan.trees.taps.copy()
    tree = plan.laterals[plan.sections[1].lateral[2]].tree[0]
    taps[tree] += 1
    other = dataclasses.replace(plan, trees=dataclasses.replace(plan.trees, taps=taps))
    changed = pictures(context_of(other, ctx))["map"]
    assert worst_tile(present["map"], changed) > WORST_TILE
    assert (abs(present["map"].astype(int) - changed) > 48).mean() < 0.005


def test_a_support_half_a_foot_higher_is_seen(ctx, present):
    plan = ctx.plan
    line = plan.mainlines[0]
    supports = list(line.supports)
    supports[24] = dataclasses.replace(supports[24], line_z_m=supports[24].line_z_m + 0.5 * 0.3048)
    other = dataclasses.replace(
        plan, mainlines=(dataclasses.replace(line, supports=tuple(supports)), *plan.mainlines[1:])
    )
    assert worst_tile(present["profile"], pictures(context_of(other, ctx))["profile"]) > WORST_TILE
