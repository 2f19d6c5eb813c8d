"""Names as long as people give them: nothing runs over anything, and no caveat, caution or size is cut short."""

from __future__ import annotations

import dataclasses
import re
from functools import cache

import pytest
from pipeline.sheets import book, profile_page, safety_page
from pipeline.sheets.context import SheetContext, make_context
from pipeline.sheets.marks import Box, Page, bounds, flat, texts
from pipeline.sheets.materials_page import size_name
from pipeline.sheets.paper import PAPERS, maker_line, page_frame, paper_of
from pipeline.sheets.text import SMALLEST_PT, width_pt

from sample_plan import sample_plan

PLAN, TERRAIN, GROUND = sample_plan()
LOOKS = [("en", "letter", "us"), ("fr", "a4", "metric"), ("fr", "legal", "us")]
NAME = "The old Hutchinson and Beauregard family sugarbush on the north slope of Round Top"
WAY = "The long haul road past the upper landing towards the county line"
HELP = {
    "meeting_point": "landing at the end of the old lumber road behind the second gate",
    "hospital": "regional hospital of the northern townships, emergency entrance in the rear",
    "radio": "club channel 7, repeater on Round Top", "emergency_call": "911, then the warden at 802-555-0123",
}


@cache
def context(language="en", paper="letter", units="us") -> SheetContext:
    base = PLAN.settings
    settings = dataclasses.replace(
        base, sheets=dataclasses.replace(base.sheets, **HELP),
        bush=dataclasses.replace(base.bush, language=language, paper=paper, units=units, name=NAME, made_by=NAME),
    )
    plan = dataclasses.replace(
        PLAN, settings=settings, crossings=tuple(dataclasses.replace(c, name=WAY) for c in PLAN.crossings),
        trees=dataclasses.replace(PLAN.trees, species=("sugar maple, hybrid with black maple",) * len(PLAN.trees)),
    )
    layers = tuple(dataclasses.replace(la, names=(WAY,) * len(la.names)) for la in GROUND.layers)
    return make_context(plan=plan, terrain=TERRAIN, ground=dataclasses.replace(GROUND, layers=layers))


@cache
def pages(look) -> tuple[Page, ...]:
    """Return the finished pages of the whole plan and of one section."""
    ctx = context(*look)
    return (*book.plan_pages(ctx), *book.section_pages(ctx, ctx.plan.sections[1]))


def squeezed(text: str) -> str:
    return re.sub(r"\s+", "", text)


def over_one_another(page: Page) -> list[tuple[str, str]]:
    shown = [(bounds(t), t.text) for t in texts(page.marks) if t.text.strip() and t.text != "!"]
    return [
        (one, two) for i, (a, one) in enumerate(shown) for b, two in shown[i + 1:]
        if min(a.x1, b.x1) - max(a.x0, b.x0) > 0.5 and min(a.y1, b.y1) - max(a.y0, b.y0) > 2.2
    ]


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
def test_no_text_runs_over_another_or_off_the_paper(look):
    area = paper_of(context(*look)).printable
    for page in pages(look):
        assert over_one_another(page) == [], page.title
        for t in texts(page.marks):
            rect = bounds(t)
            assert rect.x0 >= area.x0 - 1.5, t
            assert rect.x1 <= area.x1 + 1.5, t
            assert rect.y0 >= area.y0 - 1.5, t
            assert rect.y1 <= area.y1 + 1.5, t


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
def test_every_foot_says_in_full_what_the_sheet_is_not(look):
    ctx = context(*look)
    for page in pages(look):
        (foot,) = [t.text for t in texts(page.marks) if t.tag == "maker"]
        assert foot.endswith(ctx.w("common.not_a_survey")), page.title
        (code,) = [t.text for t in texts(page.marks) if t.tag == "check_code"]
        assert ctx.check_code(page.section_id) in code


@pytest.mark.parametrize("paper", sorted(PAPERS))
@pytest.mark.parametrize("made_by", ["", "A. Tapper", NAME, NAME * 4])
@pytest.mark.parametrize("language", ["en", "fr"])
def test_of_the_maker_line_only_the_maker_is_cut_and_only_when_it_must(paper, made_by, language):
    ctx = context(language, paper, "metric")
    bush = dataclasses.replace(ctx.plan.settings.bush, made_by=made_by)
    plan = dataclasses.replace(ctx.plan, settings=dataclasses.replace(ctx.plan.settings, bush=bush))
    ctx = dataclasses.replace(ctx, plan=plan)
    whole = maker_line(ctx)
    frame = page_frame(ctx, "S02", "t", "s", 12, 34)
    (foot,) = [t for t in texts(frame) if t.tag == "maker"]
    (corner,) = [t for t in texts(frame) if t.tag == "corner"]
    assert bounds(foot).x1 <= bounds(corner).x0
    assert foot.text.endswith(ctx.w("common.not_a_survey"))
    room = bounds(corner).x0 - bounds(foot).x0
    if width_pt(whole, SMALLEST_PT) < room - 20.0:
        assert foot.text == whole
    assert ("…" in foot.text) is (foot.text != whole)


# ---------------------------------------------------------------- help


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
@pytest.mark.parametrize("known", [True, False])
def test_the_box_of_help_holds_all_it_says_and_nothing_else(look, known):
    """Its frame is the heavy box at the top of the first safety page."""
    ctx = context(*look)
    if not known:
        sheets = dataclasses.replace(ctx.plan.settings.sheets, meeting_lon=float("nan"), hospital_min=0.0)
        plan = dataclasses.replace(ctx.plan, settings=dataclasses.replace(ctx.plan.settings, sheets=sheets))
        ctx = dataclasses.replace(ctx, plan=plan)
    for section in ctx.plan.sections[:2]:
        page = safety_page.build(ctx, section)[0]
        frame = next(m.rect for m, _ in flat(page.marks) if isinstance(m, Box) and m.width == 2.0)
        inside = [t for t in texts(page.marks) if bounds(t).y1 > frame.y0 + 1.0 and bounds(t).y0 < frame.y1]
        assert all(bounds(t).y0 >= frame.y0 - 0.5 and bounds(t).x1 <= frame.x1 + 0.5 for t in inside)
        said = squeezed(" ".join(t.text for t in inside))
        for value in HELP.values():
            assert squeezed(value) in said
        for key in ("hurt", "gate", "kit", "helicopter", "who"):
            assert squeezed(ctx.w(f"safety.{key}")) in said
        title = squeezed(f"1 {safety_page.load_safety(look[0]).fixed[0][0]}")
        assert title not in said
        assert title in squeezed(" ".join(t.text for t in texts(page.marks)))


# ---------------------------------------------------------------- sizes


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
def test_a_size_on_the_profile_is_whole_or_not_there(look):
    """Stretches of 1 to 5 m: little room for a size, and none is cut to another."""
    ctx = context(*look)
    first = PLAN.flow.pipes[0]
    sizes = ("3/4", "1", "1 1/4", "1 1/2", "2")
    cuts = [0.0, 40.0, 45.0, 48.5, 50.0, PLAN.mainlines[0].plan_length_m]
    pipes = tuple(
        dataclasses.replace(first, pipe_id=f"P{k}", nominal=size, from_station_m=a, to_station_m=b)
        for k, (size, a, b) in enumerate(zip(sizes, cuts, cuts[1:], strict=False))
    )
    plan = dataclasses.replace(ctx.plan, flow=dataclasses.replace(ctx.plan.flow, pipes=pipes))
    ctx = dataclasses.replace(ctx, plan=plan)
    shown = [t.text for page in profile_page.build(ctx, ctx.plan.sections[0]) for t in texts(page.marks)
             if t.tag == "pipe"]
    assert set(shown) <= {size_name(ctx, size) for size in sizes}
    assert {size_name(ctx, "3/4"), size_name(ctx, "2")} <= set(shown)
