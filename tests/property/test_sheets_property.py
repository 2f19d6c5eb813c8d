"""Sheets of random plans: no label over a label or symbol, nothing outside, no row lost, numbers as planned."""

from __future__ import annotations

import dataclasses
import math
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pipeline.sheets import map_page, profile_page
from pipeline.sheets.context import make_context
from pipeline.sheets.labels import Label, LabelField, place_all
from pipeline.sheets.local import words_local
from pipeline.sheets.marks import Circle, Rect, Text, bounds, flat, text_rect, texts
from pipeline.sheets.paper import PAPERS, framed
from pipeline.sheets.section_view import section_view
from pipeline.sheets.spread import spread
from pipeline.sheets.text import missing, width_pt, wrap

import sample_plan as site

SLOW = settings(max_examples=8, deadline=None, suppress_health_check=[HealthCheck.too_slow])


@st.composite
def plans(draw):
    """Draw a trunk with two branches, bent, long and dense at random, on random paper."""
    grid = site.terrain()
    ground = site.ground_layers(grid)
    bend = draw(st.floats(-18.0, 18.0))
    step = draw(st.floats(5.0, 14.0))
    main = site._mainline("M1", "", [(12, 18), (70, 40 + bend), (140, 74), (200, 100 - bend), (236, 124)], grid,
                          step_m=step)
    x0, y0 = site.origin()
    branches = []
    for number, share in ((1, 0.3), (2, 0.65)):
        foot = main.supports[int(share * (len(main.supports) - 1))]
        rise = draw(st.floats(25.0, 95.0))
        lean = draw(st.floats(-12.0, 12.0))
        branches.append(site._mainline(
            f"M1.{number}", "M1", [(foot.x_m - x0, foot.y_m - y0), (foot.x_m - x0 + lean, foot.y_m - y0 + rise)], grid,
            start_z_m=foot.line_z_m, join_m=foot.station_m, step_m=step,
        ))
    gap = draw(st.floats(5.0, 30.0))
    made = []
    for k, line in enumerate((main, *branches)):
        count = max(1, int((line.plan_length_m - 8.0) // gap))
        made += site._laterals(line, k, min(count, 20), grid, -1.0 if k == 1 else 1.0, 6.0, gap)
    plan = site.assemble((main, *branches), made, grid, ground)
    bush = dataclasses.replace(
        plan.settings.bush, paper=draw(st.sampled_from(sorted(PAPERS))), units=draw(st.sampled_from(["us", "metric"])),
        language=draw(st.sampled_from(["en", "fr"])),
    )
    plan = dataclasses.replace(plan, settings=dataclasses.replace(plan.settings, bush=bush))
    return make_context(plan=plan, terrain=grid, ground=ground)


def tight(mark: Text) -> Rect:
    """Return the box of the letters themselves; figures and capitals have no descenders."""
    box = text_rect(mark)
    return Rect(box.x0 + 0.3, mark.y - mark.size * 0.02, box.x1 - 0.3, mark.y + mark.size * 0.71)


MAP_TAGS = ("support:", "lateral:", "tree:", "station:", "crossing:", "end:", "meet", "collection", "hazard", "name")


@SLOW
@given(ctx=plans())
def test_maps_of_random_plans(ctx):
    area = PAPERS[ctx.paper].printable
    section = ctx.plan.sections[1]
    for page in framed(ctx, map_page.build(ctx, section)):
        trees = [m for m, _ in flat(page.marks) if isinstance(m, Circle) and m.radius == 1.7 and m.fill == "#000000"]
        labels = [m for m in texts(page.marks) if m.tag.startswith(MAP_TAGS)]
        for i, mark in enumerate(labels):
            assert not any(tight(mark).overlaps(tight(other)) for other in labels[:i]), mark
            # a dot's core stays free; its key sample is no tree of the map
            assert not any(tight(mark).holds(Rect(t.x - 0.8, t.y - 0.8, t.x + 0.8, t.y + 0.8)) for t in trees), mark
        for mark, clip in flat(page.marks):
            box = bounds(mark)
            if clip is None:
                assert area.holds(box, 1.6), mark
            elif isinstance(mark, Text):
                assert clip.holds(box, 1.5), mark
        for mark in texts(page.marks):
            assert mark.size >= 6.6
            assert missing(mark.text) == ""
            assert "nan" not in mark.text.lower().split()


@SLOW
@given(ctx=plans())
def test_profiles_of_random_plans(ctx):
    for section in ctx.plan.sections:
        view = section_view(ctx, section)
        pages = framed(ctx, profile_page.build(ctx, section))
        heights = {}
        for page in pages:
            shown = [m for m in texts(page.marks) if m.tag.startswith("height:")]
            for i, mark in enumerate(shown):
                heights.setdefault(mark.tag[7:], set()).add(mark.text)
                assert not any(tight(mark).overlaps(tight(other)) for other in shown[:i]), mark
            words = [*shown, *(m for m in texts(page.marks) if m.tag in ("match", "crossing"))]
            for i, mark in enumerate(words):
                assert not any(tight(mark).overlaps(tight(other)) for other in words[:i]), mark
            for mark in texts(page.marks):
                assert PAPERS[ctx.paper].printable.holds(text_rect(mark), 1.6), mark
        supports = [s for p in view.pieces for s in p.supports]
        assert heights == {s.support_id: {words_local(ctx, ctx.units.height_value(s.height_m))} for s in supports}


@given(
    wanted=st.lists(st.floats(0.0, 500.0), max_size=40), gap=st.floats(1.0, 20.0)
)
def test_spread_keeps_order_and_distance(wanted, gap):
    wanted = sorted(wanted)
    found = spread(wanted, gap, 0.0, 500.0)
    assert len(found) == len(wanted)
    full = (len(wanted) - 1) * gap > 500.0
    least = 500.0 / max(len(wanted) - 1, 1) if full else gap
    assert all(b - a >= least - 1e-6 for a, b in pairwise(found))
    assert all(-1e-6 <= x <= 500.0 + 1e-6 for x in found)


@given(
    wanted=st.lists(st.floats(0.0, 100.0), min_size=2, max_size=5), gap=st.floats(2.0, 15.0), moves=st.data()
)
def test_no_other_spread_moves_less(wanted, gap, moves):
    """Least squares: shifting any tail or head of the answer inside the rules never costs less."""
    wanted = sorted(wanted)
    found = spread(wanted, gap, -1e4, 1e4)
    cost = sum((a - b) ** 2 for a, b in zip(found, wanted, strict=True))
    at = moves.draw(st.integers(0, len(wanted) - 1))
    by = moves.draw(st.floats(-5.0, 5.0))
    other = list(found)
    for i in range(len(other)):
        if (by > 0.0 and i >= at) or (by < 0.0 and i <= at):
            other[i] += by
    assert cost <= sum((a - b) ** 2 for a, b in zip(other, wanted, strict=True)) + 1e-6


@given(st.text(alphabet="abc WXMil-1.×→é", max_size=60), st.floats(20.0, 200.0))
def test_wrapped_lines_fit_and_lose_nothing(text, width):
    lines = wrap(text, 8.5, width)
    assert "".join(lines).replace(" ", "") == text.replace(" ", "")
    assert all(len(line) == 1 or width_pt(line, 8.5) <= width + 1e-9 for line in lines if line)


@given(
    spots=st.lists(st.tuples(st.floats(5.0, 195.0), st.floats(5.0, 145.0)), min_size=1, max_size=50),
)
def test_random_labels_never_overlap(spots):
    field = LabelField(Rect(0.0, 0.0, 200.0, 150.0))
    for x, y in spots:
        field.block_disc(x, y, 3.0)
    labels = [Label(x, y, f"T{i}", 7.0, clear=3.6) for i, (x, y) in enumerate(spots)]
    _, dropped = place_all(field, labels)
    assert len(field.placed) + len(dropped) == len(spots)
    for i, box in enumerate(field.placed):
        assert not any(box.overlaps(other) for other in field.placed[:i])
        for x, y in spots:
            assert not box.holds(Rect(x - 1.5, y - 1.5, x + 1.5, y + 1.5))


def test_random_numbers_are_not_all_dropped():
    """A loose map keeps all its labels: the placer is not allowed to give up early."""
    rng = np.random.default_rng(3)
    field = LabelField(Rect(0.0, 0.0, 540.0, 480.0))
    spots = [(40.0 + 75.0 * (i % 7) + 20.0 * rng.random(), 40.0 + 60.0 * (i // 7)) for i in range(49)]
    for x, y in spots:
        field.block_disc(x, y, 3.0)
    _, dropped = place_all(field, [Label(x, y, f"M1-S{i:02d}", 7.6, clear=3.6) for i, (x, y) in enumerate(spots)])
    assert dropped == []
    assert math.isclose(len(field.placed), 49)


@pytest.mark.parametrize("taps", [1, 2, 3, 7])
def test_tree_symbol_counts_taps(taps):
    from pipeline.sheets.symbols import tapped_tree

    rings = [m for m in tapped_tree(0.0, 0.0, taps) if isinstance(m, Circle)]
    assert len(rings) == min(taps, 4)
