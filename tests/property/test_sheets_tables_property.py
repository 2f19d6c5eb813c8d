"""Table sheets of random plans: the planned numbers are on paper, no row is split, and print and code go together."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st
from pipeline.sheets import book, checkcode, loadout_page, profile_page, safety_page, tables_page
from pipeline.sheets.checkcode import check_code
from pipeline.sheets.context import make_context
from pipeline.sheets.local import words_local
from pipeline.sheets.marks import Group, Text, bounds, flat, text_rect, texts
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
        # what may stand on one sheet or another stands on exactly one of them
        words = [t.text for page in [*profile_page.build(ctx, section), *pages] for t in texts(page.marks)]
        for key in ("profile.look", "materials.changes", "safety.sign_title"):
            assert words.count(ctx.w(key)) == 1, key
        for step in range(1, 10):
            assert sum(word.startswith(f"{step}.  ") for word in words) == 1
        assert len(shown(pages, "code")) == sum(not n.not_checked for n in ctx.plan.safety[section.section_id])


def _table_rows(pages):
    """Return every table row as (page number, texts by cell); a row that a page cut would have lost cells."""
    rows = []
    for number, page in enumerate(pages):
        tables = [m for m in page.marks if isinstance(m, Group) and m.role == "Table"]
        for table in tables:
            rows += [
                (number, ["\n".join(t.text for t in texts((cell,))).replace("\u00a0", " ") for cell in row.marks])
                for row in table.marks if row.marks[0].role == "TD"
            ]
    return rows


@SLOW
@given(st.data())
def test_every_planned_number_of_a_row_stands_in_that_row(data):
    """Stake-out and laterals, row by row, against the plan: stations, elevations, heights, distances, taps, lengths."""
    ctx = data.draw(plans())
    units = ctx.units

    def say(text):
        return words_local(ctx, text).replace("\u00a0", " ")

    for section in ctx.plan.sections:
        view = section_view(ctx, section)
        rows = [cells for _, cells in _table_rows(tables_page.build(ctx, section))]
        stakes = [cells for cells in rows if len(cells) == 12]
        crossings = [c for p in view.pieces for c in ctx.plan.crossings
                     if c.line_id == p.line.mainline_id and p.low_m - 1e-6 <= c.station_m <= p.high_m + 1e-6]
        assert len(stakes) == sum(len(p.supports) for p in view.pieces) + len(crossings)
        for piece in view.pieces:
            places = {s.station_m: s for s in piece.supports}
            stations = sorted([*places, *(c.station_m for c in crossings if c.line_id == piece.line.mainline_id)])
            for station, support in places.items():
                (cells,) = [c for c in stakes if c[0] == support.support_id.rpartition("-")[2]
                            and c[1] == say(units.station(station))
                            and c[5] == say(f"{units.elevation_value(support.ground_z_m)}\n"
                                            f"{units.elevation_value(support.line_z_m)}")]
                assert cells[6].splitlines()[0].lstrip("▲▼") == say(units.height_value(support.height_m))
                after = [other for other in stations if other > station + 1e-9]
                run = after[0] - station if after else None
                assert cells[7] == ("" if run is None else say(units.length_value(run, 1)))
                if run is not None:
                    rise = float(piece.line.at(after[0])[2]) - support.line_z_m
                    # a narrow column may break the line after the dot
                    grade = " ".join(cells[9].splitlines()).split(" · ")[1].split()[0]
                    assert grade == say(f"{100.0 * rise / run:.1f}"), cells[9]
        laterals = {cells[0]: cells for cells in rows if len(cells) == 10 and "-L" in cells[0] and "×" in cells[2]}
        assert set(laterals) == {lat.lateral_id for lat in view.laterals}
        running = 0
        for lateral in sorted(view.laterals, key=lambda lat: list(laterals).index(lat.lateral_id)):
            cells = laterals[lateral.lateral_id]
            running += lateral.taps
            assert cells[1].splitlines()[0] == say(units.station(lateral.entry_station_m))
            assert [int(cells[3]), int(cells[4])] == [lateral.taps, running]
            assert cells[5].splitlines()[0] == say(units.length_value(lateral.length_m))
            assert cells[7].splitlines()[0].rstrip("▼") == say(f"{lateral.min_grade_pct:.1f}")
            shown = [w.split("×")[0] for w in cells[2].replace("\n", " ").split(" → ")]
            assert shown == [ctx.plan.trees.tree_id[t] for t in lateral.tree]


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


def _leaves(value, path=()):
    """Yield the way to every text, number and truth in records, dictionaries and arrays."""
    if dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            yield from _leaves(getattr(value, field.name), (*path, field.name))
    elif isinstance(value, tuple | list):
        for i, item in enumerate(value):
            yield from _leaves(item, (*path, i))
    elif isinstance(value, dict):
        for key, item in value.items():
            yield from _leaves(item, (*path, (dict, key)))
    elif isinstance(value, np.ndarray):
        yield from ((*path, (np.ndarray, i)) for i in np.ndindex(value.shape))
    elif isinstance(value, str | int | float | np.generic):
        yield path


def _other(value):
    if isinstance(value, bool | np.bool_):
        return not value
    if isinstance(value, int | np.integer):
        return value + 1
    if isinstance(value, float | np.floating):
        return value + 0.37 if math.isfinite(value) else 1.5
    return f"{value}7"


def _changed(value, path):
    """Return a value with the leaf at the end of a way made another one."""
    if not path:
        return _other(value)
    step, *rest = path
    if isinstance(step, str):
        return dataclasses.replace(value, **{step: _changed(getattr(value, step), rest)})
    if isinstance(step, int):
        return type(value)([*value[:step], _changed(value[step], rest), *value[step + 1:]])
    kind, at = step
    made = value.copy()
    made[at] = _changed(value[at], rest) if kind is dict else _other(value[at])
    return made


def _by_field():
    """Return the ways to the leaves of the sample plan, gathered by field: positions in lists do not count."""
    kinds = {}
    for path in _leaves(site.sample_plan()[0]):
        kinds.setdefault(tuple(step for step in path if isinstance(step, str)), []).append(path)
    return [kinds[key] for key in sorted(kinds)]


FIELDS = _by_field()


@settings(max_examples=15, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.sampled_from(FIELDS).flatmap(st.sampled_from), st.sampled_from(["S01", "S02", "S03"]))
def test_whatever_changes_the_print_changes_the_code(path, section_id):
    """Any single number or text of the plan: where it shows on a sheet, it is part of the sheet's code."""
    plan, terrain, ground = site.sample_plan()
    try:
        other = _changed(plan, path)
        printed = _print(other, terrain, ground, section_id)
    except (KeyError, ValueError, IndexError, StopIteration, AttributeError):
        printed = None
    assume(printed is not None)  # no plan any more: a name that nothing has, a language without words
    codes = [check_code(p, next(s for s in p.sections if s.section_id == section_id), terrain=terrain, ground=ground)
             for p in (plan, other)]
    assert codes[0] != codes[1] or printed == _print(plan, terrain, ground, section_id), path


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
