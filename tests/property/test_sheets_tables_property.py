"""Table sheets of random plans: the planned numbers are on paper, no row is split, and print and code go together."""

from __future__ import annotations

import dataclasses

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pipeline.sheets import book, checkcode, loadout_page, safety_page, tables_page
from pipeline.sheets.checkcode import check_code
from pipeline.sheets.context import make_context
from pipeline.sheets.local import words_local
from pipeline.sheets.marks import Text, bounds, flat, text_rect, texts
from pipeline.sheets.paper import body_rect
from pipeline.sheets.section_view import section_view
from pipeline.sheets.text import missing
from test_sheets_property import plans

import sample_plan as site

SLOW = settings(max_examples=5, deadline=None, suppress_health_check=list(HealthCheck))


def shown(pages, tag):
    return [t.text for page in pages for t in texts(page.marks) if t.tag == tag]


@SLOW
@given(st.data())
def test_tables_of_random_plans(data):
    ctx = data.draw(plans())
    body = body_rect(ctx)
    for section in ctx.plan.sections:
        view = section_view(ctx, section)
        pages = [*tables_page.build(ctx, section), *safety_page.build(ctx, section)]
        for page in pages:
            for mark, _ in flat(page.marks):
                box = text_rect(mark) if isinstance(mark, Text) else bounds(mark)
                assert body.holds(box, 1.6), (page.title, mark)
                assert not isinstance(mark, Text) or not missing(mark.text), mark
        points = shown(pages, "point")
        for piece in view.pieces:
            for support in piece.supports:
                assert support.support_id.rpartition("-")[2] in points
        # a height takes one line, or two with feet and inches below: the first is the plan's
        heights = " ".join(shown(pages, "height"))
        for piece in view.pieces:
            for support in piece.supports:
                assert words_local(ctx, ctx.units.height_value(support.height_m)) in heights
        assert sorted(shown(pages, "lateral")) == sorted(lat.lateral_id for lat in view.laterals)
        assert len(shown(pages, "code")) == sum(not n.not_checked for n in ctx.plan.safety[section.section_id])


@SLOW
@given(st.lists(st.floats(0.0, 60.0), min_size=1, max_size=12), st.floats(1.0, 5.0))
def test_crew_days_share_out_every_section(hours, crew):
    base, _, _ = site.sample_plan()
    sections = tuple(
        dataclasses.replace(base.sections[0], section_id=f"S{k:02d}", crew_hours=h) for k, h in enumerate(hours)
    )
    days = loadout_page.crew_days(sections, crew)
    for section in sections:
        mine = [row for day in days for row in day.shares if row[0] == section.section_id]
        assert sum(share for _, share, _ in mine) == pytest.approx(1.0)
        assert sum(h for _, _, h in mine) == pytest.approx(section.crew_hours)
    for day in days:
        assert sum(h for _, _, h in day.shares) <= loadout_page.DAY_H * crew * 1.1 + 1e-6
    order = [row[0] for day in days for row in day.shares]
    assert order == sorted(order)


def test_loads_of_all_days_sum_to_the_take_off():
    plan, terrain, ground = site.sample_plan()
    ctx = make_context(plan=plan, terrain=terrain, ground=ground)
    total = {}
    for day in loadout_page.crew_days(plan.sections, plan.settings.sheets.crew_size):
        for name, amount, unit in loadout_page.day_parts(ctx, day):
            total[name, unit] = total.get((name, unit), 0.0) + amount
    assert sum(total.values()) == pytest.approx(sum(p.quantity for p in plan.takeoff.by_section))


def test_processes_change_no_byte():
    plan, terrain, ground = site.sample_plan()
    ctx = make_context(plan=plan, terrain=terrain, ground=ground)
    names = [s.section_id for s in plan.sections] * 2
    alone = [made.pdf for made in book.make_sets(ctx, names, processes=1)]
    made = list(book.make_sets(ctx, names, processes=2))
    assert [one.pdf for one in made] == alone
    assert [one.section_id for one in made] == names
    assert all(one.sheets == len(one.pages) for one in made)
    with pytest.raises(KeyError):
        list(book.make_sets(ctx, [*names, "S99"]))


# ---------------------------------------------------------------- print and code


def _moved_tree(plan, terrain, ground, k):
    x = plan.trees.x_m.copy()
    x[k % len(x)] += 1.5
    return dataclasses.replace(plan, trees=dataclasses.replace(plan.trees, x_m=x)), terrain, ground


def _fell_ground(plan, terrain, ground, k):
    z = terrain.z_m.copy()
    z[(37 * k) % z.shape[0]:, (53 * k) % z.shape[1]:] -= 3.0
    return plan, dataclasses.replace(terrain, z_m=z), ground


def _other_layer(plan, terrain, ground, k):
    layers = tuple(layer for i, layer in enumerate(ground.layers) if i != k % len(ground.layers))
    return plan, terrain, dataclasses.replace(ground, layers=layers)


def _renamed_layer(plan, terrain, ground, k):
    layers = list(ground.layers)
    at = k % len(layers)
    layers[at] = dataclasses.replace(layers[at], names=tuple(f"{n} 2" for n in layers[at].names))
    return plan, terrain, dataclasses.replace(ground, layers=tuple(layers))


def _moved_tank(plan, terrain, ground, k):
    first, *rest = plan.collections
    first = dataclasses.replace(first, x_m=first.x_m + 2.0 + k)
    return dataclasses.replace(plan, collections=(first, *rest)), terrain, ground


def _less_sure(plan, terrain, ground, k):
    return plan, dataclasses.replace(terrain, vertical_error_m=0.4 + 0.1 * k), ground


def _dead_tree(plan, terrain, ground, k):
    reason, status = list(plan.trees.reason), list(plan.trees.status)
    at = [i for i, s in enumerate(status) if s != "served"][k % 20]
    reason[at], status[at] = "DEAD", "not_tapped"
    trees = dataclasses.replace(plan.trees, reason=tuple(reason), status=tuple(status))
    return dataclasses.replace(plan, trees=trees), terrain, ground


def _other_support(plan, terrain, ground, k):
    line = plan.mainlines[k % 3]
    supports = list(line.supports)
    at = k % len(supports)
    supports[at] = dataclasses.replace(supports[at], line_z_m=supports[at].line_z_m + 0.05)
    lines = list(plan.mainlines)
    lines[k % 3] = dataclasses.replace(line, supports=tuple(supports))
    return dataclasses.replace(plan, mainlines=tuple(lines)), terrain, ground


def _other_species(plan, terrain, ground, k):
    species = list(plan.trees.species)
    species[k % len(species)] = "silver maple"
    return dataclasses.replace(plan, trees=dataclasses.replace(plan.trees, species=tuple(species))), terrain, ground


def _other_source(plan, terrain, ground, k):
    return plan, dataclasses.replace(terrain, source=f"flight {k}"), ground


CHANGES = (
    _moved_tree, _fell_ground, _other_layer, _renamed_layer, _moved_tank, _less_sure, _dead_tree, _other_support,
    _other_species, _other_source,
)


def _print(plan, terrain, ground, section_id):
    """Return everything on a section's sheets but the code itself."""
    ctx = make_context(plan=plan, terrain=terrain, ground=ground)
    ctx = dataclasses.replace(ctx, codes=dict.fromkeys(ctx.codes, "0000-0000"))
    return repr(book.section_pages(ctx, ctx.section(section_id)))


@settings(max_examples=12, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.sampled_from(CHANGES), st.integers(0, 40), st.sampled_from(["S01", "S02", "S03"]))
def test_sheets_that_differ_have_codes_that_differ(change, k, section_id):
    before = site.sample_plan()
    after = change(*before, k)
    printed, codes = zip(*(
        (_print(*case, section_id), check_code(
            case[0], next(s for s in case[0].sections if s.section_id == section_id), terrain=case[1], ground=case[2]))
        for case in (before, after)
    ), strict=True)
    assert printed[0] == printed[1] or codes[0] != codes[1], change.__name__


def test_other_words_give_another_code(monkeypatch):
    plan, terrain, ground = site.sample_plan()
    code = check_code(plan, plan.sections[0], terrain=terrain, ground=ground)
    monkeypatch.setattr(checkcode, "template_bytes", lambda name: name.encode())
    checkcode._wording.cache_clear()
    other = check_code(plan, plan.sections[0], terrain=terrain, ground=ground)
    checkcode._wording.cache_clear()
    assert code != other


def test_every_language_is_part_of_the_code():
    plan, terrain, ground = site.sample_plan()
    codes = set()
    for language in ("en", "fr"):
        bush = dataclasses.replace(plan.settings.bush, language=language)
        own = dataclasses.replace(plan, settings=dataclasses.replace(plan.settings, bush=bush))
        codes.add(check_code(own, own.sections[0], terrain=terrain, ground=ground))
    assert len(codes) == 2
