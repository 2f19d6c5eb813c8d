"""Profiles and maps of sections that are long, dense or dangerous: strips, hazards, what is named and what is told."""

from __future__ import annotations

import dataclasses
import math
import re
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from pipeline.records import Mainline, Support
from pipeline.safety.rules import MIN_KEEPOUT_M
from pipeline.sheets import map_page, profile_page
from pipeline.sheets.context import SheetContext, make_context
from pipeline.sheets.map_draw import HAZARD_NEAR_M
from pipeline.sheets.map_labels import full_stations, short_station
from pipeline.sheets.marks import Circle, Page, Polyline, bounds, flat, texts
from pipeline.sheets.paper import body_rect
from pipeline.sheets.section_view import Piece

from sample_plan import origin, sample_plan

PLAN, TERRAIN, GROUND = sample_plan()
LOOKS = [("en", "letter", "us"), ("fr", "a4", "metric"), ("en", "tabloid", "metric")]


@cache
def context(language="en", paper="letter", units="us") -> SheetContext:
    bush = dataclasses.replace(PLAN.settings.bush, language=language, paper=paper, units=units)
    plan = dataclasses.replace(PLAN, settings=dataclasses.replace(PLAN.settings, bush=bush))
    return make_context(plan=plan, terrain=TERRAIN, ground=GROUND)


def changed(ctx: SheetContext, **values) -> SheetContext:
    return dataclasses.replace(ctx, plan=dataclasses.replace(ctx.plan, **values))


def words(pages) -> list[str]:
    return [t.text.replace("\u00a0", " ") for page in pages for t in texts(page.marks)]


def assert_inside(ctx: SheetContext, pages: list[Page]) -> None:
    body = body_rect(ctx)
    for page in pages:
        for mark, clip in flat(page.marks):
            if clip is None:
                rect = bounds(mark)
                assert rect.x0 >= body.x0 - 1.6, mark  # half of the widest line
                assert rect.x1 <= body.x1 + 1.6, mark
                assert rect.y0 >= body.y0 - 1.6, mark
                assert rect.y1 <= body.y1 + 1.6, mark


def long_line(stations, slope=0.05) -> Mainline:
    """Return a line that bends gently to and fro over the hillside, a support at every station."""
    x0, y0 = origin()
    rows = []
    for k, s in enumerate(stations):
        x, y = x0 + 40.0 + 120.0 * math.sin(s / 300.0) ** 2, y0 + 10.0 + (s % 190.0)
        z = 372.0 + slope * s
        rows.append(Support(f"M1-S{k:02d}", "M1", float(s), x, y, "post", "", 0.0, z - 1.2, z))
    return Mainline("M1", "", "C1", 0.0, tuple(rows))


def with_line(ctx: SheetContext, line: Mainline) -> SheetContext:
    section = dataclasses.replace(
        PLAN.sections[0], pieces=(("M1", 0.0, line.plan_length_m),), lateral=(), neighbours=())
    pipe = dataclasses.replace(PLAN.flow.pipes[0], from_station_m=0.0, to_station_m=line.plan_length_m)
    return changed(ctx, mainlines=(line,), sections=(section,), crossings=(),
                   flow=dataclasses.replace(PLAN.flow, pipes=(pipe,)))


# ---------------------------------------------------------------- strips of a profile


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("reach", [20.0, 55.0, 140.0, 900.0])
def test_strips_tile_a_piece_in_as_few_as_can_be_cut_at_supports(seed, reach):
    rng = np.random.default_rng(seed)
    stations = np.concatenate(([0.0], np.cumsum(rng.uniform(3.0, 15.0, 40))))
    line = long_line(stations)
    low, high = float(stations[2]), float(stations[-3])
    strips = profile_page.piece_strips(Piece(line, low, high, "", ""), reach, 480.0)
    assert [strips[0].low_m, strips[-1].high_m] == [low, high]
    assert all(a.high_m == b.low_m for a, b in pairwise(strips))
    assert all(s.high_m - s.low_m <= reach + 1e-6 for s in strips)
    assert {s.low_m for s in strips[1:]} <= set(stations.tolist())
    longest = 15.0
    assert len(strips) <= math.ceil((high - low) / (reach - longest)) if reach > longest else True
    if len(strips) > 1:  # no crumb is left alone
        assert min(s.high_m - s.low_m for s in strips) > 0.5 * (high - low) / len(strips) - longest


def test_a_span_longer_than_a_strip_is_cut_between_supports():
    line = long_line([0.0, 10.0, 150.0, 160.0])
    strips = profile_page.piece_strips(Piece(line, 0.0, 160.0, "", ""), 60.0, 480.0)
    assert strips[0].low_m == 0.0
    assert strips[-1].high_m == 160.0
    assert max(s.high_m - s.low_m for s in strips) <= 60.0 + 1e-6
    held = [s.support_id for strip in strips for s in strip.supports]
    assert set(held) == {f"M1-S0{k}" for k in range(4)}


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
@pytest.mark.parametrize("length", [60.0, 400.0, 1500.0])
def test_every_support_of_a_long_line_has_its_height_on_the_profile(look, length):
    rng = np.random.default_rng(int(length))
    stations = np.concatenate(([0.0], np.cumsum(rng.uniform(5.0, 9.0, int(length / 7.0)))))
    ctx = with_line(context(*look), long_line(stations))
    pages = profile_page.build(ctx, ctx.plan.sections[0])
    assert_inside(ctx, pages)
    heights = [t.tag.partition(":")[2] for page in pages for t in texts(page.marks) if t.tag.startswith("height:")]
    assert set(heights) == {s.support_id for s in ctx.plan.mainlines[0].supports}
    titles = [p.title for p in pages]
    assert titles[0] == ctx.w("profile.title")
    assert all(t == ctx.w("common.continued", title=titles[0]) for t in titles[1:])
    rows = [t.text for page in pages for t in texts(page.marks) if t.tag == "band:row_support"]
    assert len(rows) == len(heights)


# ---------------------------------------------------------------- ticks along a line


@pytest.mark.parametrize(("low", "high", "us", "metric"), [
    (0.0, 100.0, [1, 2, 3], [1, 2, 3]),  # 30.48, 60.96, 91.44 m; 25, 50, 75 m: an end has its own box
    (25.0, 99.0, [1, 2, 3], [2, 3]), (0.0, 20.0, [], []), (30.48, 62.0, [], [2]),
])
def test_full_stations_inside_a_piece(low, high, us, metric):
    piece = Piece(long_line([0.0, 50.0, 120.0]), low, high, "", "")
    for units, counts, step in (("us", us, 30.48), ("metric", metric, 25.0)):
        got = full_stations(context("en", "letter", units), piece)
        assert got == pytest.approx([k * step for k in counts])


@pytest.mark.parametrize(("units", "station", "text"), [
    ("us", 30.48, "1+00"), ("us", 45.72, "1+50"), ("metric", 25.0, "0+025"), ("metric", 1250.0, "1+250"),
    ("us", 31.0, "1+01.7"),
])
def test_a_tick_is_written_without_an_empty_tenth(units, station, text):
    assert short_station(context("en", "letter", units), station) == text


# ---------------------------------------------------------------- hazards on a map


def with_dead(ctx: SheetContext, offsets) -> SheetContext:
    """Return the plan with its first unserved trees dead, so far to the side of a support of S01."""
    trees = PLAN.trees
    x, y = trees.x_m.copy(), trees.y_m.copy()
    reason, status = list(trees.reason), list(trees.status)
    spare = [i for i, s in enumerate(status) if s != "served"]
    for i in spare:
        reason[i], status[i] = "TOO_SMALL", "not_tapped"
    own = PLAN.mainlines[0].supports[2:]
    for k, away in enumerate(offsets):
        a, b = own[3 * k], own[3 * k + 1]
        i = spare[k]
        way = np.array([b.x_m - a.x_m, b.y_m - a.y_m]) / math.hypot(b.x_m - a.x_m, b.y_m - a.y_m)
        x[i], y[i] = a.x_m + away * way[1], a.y_m - away * way[0]
        reason[i] = "DEAD"
    made = dataclasses.replace(trees, x_m=x, y_m=y, reason=tuple(reason), status=tuple(status))
    section = dataclasses.replace(PLAN.sections[0], lateral=())
    return changed(ctx, trees=made, sections=(section, *PLAN.sections[1:]))


@pytest.mark.parametrize(("offsets", "named", "circles"), [
    ((), 0, 0), ((4.0,), 1, 1), ((HAZARD_NEAR_M - 0.5, HAZARD_NEAR_M + 1.5), 2, 1), ((3.0, 4.0, 5.0), 3, 3),
    ((3.0, 4.0, 5.0, 6.0), 4, 0),
])
def test_dead_trees_beside_the_line_are_hazards_with_their_keep_out(offsets, named, circles):
    """All that the cautions name; two tree lengths round the nearest, unless so many would hide the map."""
    ctx = with_dead(context(), offsets)
    page = map_page.build(ctx, ctx.plan.sections[0])[0]
    dead = [t for t, r in zip(ctx.plan.trees.tree_id, ctx.plan.trees.reason, strict=True) if r == "DEAD"]
    text = " ".join(words([page]))
    shown = [t for t in dead if t in text]
    assert len(shown) == named
    rings = [m for m, _ in flat(page.marks) if isinstance(m, Circle) and m.dash == (1.0, 4.0)]
    assert len(rings) == circles
    reach = max(2.0 * ctx.plan.settings.sheets.tree_height_m, MIN_KEEPOUT_M)
    (geo,) = page.geo
    north = abs(geo.corners[0][0] - geo.corners[1][0]) * 111_132.0
    for ring in rings:
        assert ring.radius == pytest.approx(reach * geo.rect.height / north, rel=0.01)


def test_other_sections_lines_are_grey_and_dashed_and_ones_own_are_not():
    ctx = context()
    page = map_page.build(ctx, PLAN.sections[0])[0]
    grey = [m for m, _ in flat(page.marks) if isinstance(m, Polyline) and m.color == "#9a9a9a" and m.dash]
    assert len(grey) == 1
    alone = changed(ctx, sections=(dataclasses.replace(PLAN.sections[0], neighbours=()),))
    page = map_page.build(alone, alone.plan.sections[0])[0]
    assert not [m for m, _ in flat(page.marks) if isinstance(m, Polyline) and m.color == "#9a9a9a" and m.dash]


# ---------------------------------------------------------------- dense sections


def dense(ctx: SheetContext, count: int) -> SheetContext:
    """Return the plan with one lateral of S01 grown to many close trees with long tags."""
    first = PLAN.laterals[0]
    rng = np.random.default_rng(3)
    xy = first.xyz_m[0, :2] + np.column_stack([rng.uniform(-12.0, 12.0, count), rng.uniform(-12.0, 12.0, count)])
    n = len(PLAN.trees)
    t = PLAN.trees
    trees = dataclasses.replace(
        t, tree_id=(*t.tree_id, *(f"GROVE-{k:04d}" for k in range(count))), x_m=np.append(t.x_m, xy[:, 0]),
        y_m=np.append(t.y_m, xy[:, 1]), ground_z_m=np.append(t.ground_z_m, np.full(count, 375.0)),
        species=(*t.species, *("sugar maple",) * count), dbh_cm=np.append(t.dbh_cm, np.full(count, 30.0)),
        taps=np.append(t.taps, np.ones(count, dtype=t.taps.dtype)), status=(*t.status, *("served",) * count),
        reason=(*t.reason, *("",) * count), note=(*t.note, *("",) * count),
    )
    xyz = np.vstack([first.xyz_m[:1], np.column_stack([xy, np.full(count, first.xyz_m[0, 2] + 1.0)])])
    big = dataclasses.replace(first, tree=tuple(range(n, n + count)), taps=count, xyz_m=xyz)
    grouping = dataclasses.replace(PLAN.grouping, laterals=(big, *PLAN.laterals[1:]))
    return changed(ctx, trees=trees, grouping=grouping, lift_m=np.zeros(n + count))


@pytest.mark.parametrize("look", LOOKS[:2], ids="-".join)
@pytest.mark.parametrize("count", [12, 120])
def test_in_a_dense_grove_every_tag_is_on_some_map_or_counted_as_lost(look, count):
    ctx = dense(context(*look), count)
    pages = map_page.build(ctx, ctx.plan.sections[0])
    assert_inside(ctx, pages)
    grove = {f"GROVE-{k:04d}" for k in range(count)}
    named = {t for t in words(pages) if t in grove}
    told = re.escape(ctx.w("map.dropped_tag_n", n="@").replace("\u00a0", " ")).replace("@", r"(\d+)")
    lost = [int(n) for n in re.findall(told, " ".join(words(pages)))]
    assert len(named) + sum(lost) >= count
    assert (len(pages) > 1) is (count == 120)
    assert [len(p.geo) for p in pages] == [1] * len(pages)
    for number, page in enumerate(pages[1:], start=1):
        assert page.title == ctx.w("map.detail_title", number=number)


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
def test_every_support_and_lateral_is_named_on_a_map_or_told_to_be_lost(look):
    ctx = context(*look)
    for section in ctx.plan.sections:
        pages = map_page.build(ctx, section)
        tags = {t.tag for page in pages for t in texts(page.marks)}
        told = " ".join(words(pages))
        for name, low, high in section.pieces:
            line = next(m for m in PLAN.mainlines if m.mainline_id == name)
            for s in line.supports:
                if low <= s.station_m <= high:
                    assert f"support:{s.support_id}" in tags or s.support_id in told
        for k in section.lateral:
            lateral = PLAN.laterals[k].lateral_id
            assert f"lateral:{lateral}" in tags or lateral in told
