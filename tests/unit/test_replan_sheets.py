"""What a change map must show of a real repair."""

from __future__ import annotations

import numpy as np
import shapely
from pipeline.replan import replan
from pipeline.resources import template_rows
from pipeline.sheets import cover_page
from pipeline.sheets.change_map import draw
from pipeline.sheets.change_words import step_text
from pipeline.sheets.context import make_context
from pipeline.sheets.marks import Circle, Group, Rect, Text
from pipeline.takeoff.tally import tubing_m

from storm_sites import bush, grown, storm_of, tree_item

FRAME = Rect(36.0, 400.0, 576.0, 718.0)


def flat(marks):
    """Yield marks one by one, those in groups too."""
    for mark in marks:
        if isinstance(mark, Group):
            yield from flat(mark.marks)
        else:
            yield mark


def repaired(result, *items):
    return replan(plan=result.plan, terrain=result.terrain, ground=result.ground, storm=storm_of(*items),
                  price_rows=template_rows("prices.csv"), date="2026-04-01")


def test_everything_that_the_first_step_names_lies_on_the_map_even_when_it_means_nothing_of_the_plan():
    """A lost support logged 10 m and more from every support is asked for in step 1: the crew must see where."""
    result = bush(0)
    plan = result.plan
    held = np.array([(s.x_m, s.y_m) for m in plan.mainlines for s in m.supports])
    tree, place = next(
        (plan.laterals[a].tree[-1], plan.laterals[b].xyz_m[-1, :2])
        for section in plan.sections for a in section.lateral for b in section.lateral
        if np.hypot(*(held - plan.laterals[b].xyz_m[-1, :2]).T).min() > 9.5
        and 12.0 < np.hypot(*(plan.laterals[a].xyz_m[:, :2] - plan.laterals[b].xyz_m[-1, :2]).T).min() < 35.0
    )
    made = repaired(result, tree_item(plan, "tree_down", tree), ("support_lost", shapely.Point(*place), "", ""))
    assert [f.code for f in made.plan.findings].count("STORM_UNMATCHED") == 1
    context = make_context(plan=made.plan, terrain=result.terrain, ground=result.ground)
    seen = 0
    for section in made.change.sections:
        own = tuple(i for i in made.change.changes if i.section_id == section.section_id)
        safe = next(s for s in made.change.steps if s.section_id == section.section_id and s.action == "safe")
        names = dict(safe.values)["items"].split(";")
        drawn = draw(context, made.change, own, FRAME)
        for item in made.change.items:
            if str(item.number) in names:
                px, py = (float(v) for v in drawn.view.point(*shapely.get_coordinates(item.shape)[0]))
                assert FRAME.x0 < px < FRAME.x1
                assert FRAME.y0 < py < FRAME.y1
                seen += item.kind == "support_lost"
    assert seen


def test_a_stretch_of_mainline_is_named_from_where_to_where():
    result = bush(0)
    line = max(result.plan.mainlines, key=lambda m: len(m.supports))
    low, high = line.supports[2], line.supports[3]
    made = repaired(result, ("line_broken", shapely.Point(0, 0), "supports", low.support_id))
    context = make_context(plan=made.plan, terrain=result.terrain, ground=result.ground)
    told = [step_text(context, made.change, s) for s in made.change.steps if s.text == "rehang"]
    station = context.units.station
    assert any(f"from {station(low.station_m)} to {station(high.station_m)}" in text for text in told)


def test_a_lateral_that_goes_on_is_shown_from_its_entry_and_named_at_its_old_end():
    for seed in (0, 1, 2):
        result, made = grown(seed)
        context = make_context(plan=made.plan, terrain=result.terrain, ground=result.ground)
        longer = {i.subject_id for i in made.change.changes if i.note == "extend"}
        if longer:
            break
    for name in longer:
        lateral = next(la for la in made.plan.laterals if la.lateral_id == name)
        was = next(la for la in result.plan.laterals if la.lateral_id == name)
        item = next(i for i in made.change.changes if i.subject_id == name)
        drawn = draw(context, made.change, (item,), FRAME)
        at = drawn.view.page(lateral.xyz_m[:, :2])
        assert (at[:, 0] > FRAME.x0).all()
        assert (at[:, 0] < FRAME.x1).all()
        assert (at[:, 1] > FRAME.y0).all()
        assert (at[:, 1] < FRAME.y1).all()
        dots = {(round(m.x, 2), round(m.y, 2)) for m in flat(drawn.marks) if isinstance(m, Circle) and m.radius == 1.3}
        assert {(round(float(x), 2), round(float(y), 2)) for x, y in drawn.view.page(was.xyz_m[1:, :2])} <= dots
        said = {t.text for t in flat(drawn.marks) if isinstance(t, Text)}
        assert said & {name, name.rpartition("-")[2]}
    assert longer


def test_a_section_that_only_begins_where_a_stretch_hung_again_ends_keeps_its_sheets():
    """For every meeting of two sections on a line: the span below it breaks, and only the lower section is touched."""
    tried = 0
    for seed in (0, 1):
        result = bush(seed)
        plan = result.plan
        tops = {(name, high): s.section_id for s in plan.sections for name, _, high in s.pieces}
        for section in plan.sections:
            name, low, _ = section.pieces[0]
            below = tops.get((name, low))
            line = next(m for m in plan.mainlines if m.mainline_id == name)
            k = int(np.searchsorted(line.station_m, low - 1e-6))
            if below is None or k < 2 or abs(line.station_m[k] - low) > 1e-6:
                continue
            broken = line.supports[k - 1].support_id
            made = repaired(result, ("line_broken", shapely.Point(0, 0), "supports", broken))
            if {p.options[p.chosen].kind for p in made.change.pieces} == {"rehang"}:
                assert {s.section_id for s in made.change.sections} == {below}
                assert {s.section_id for s in made.change.steps if s.action == "mend"} == {below}
                tried += 1
    assert tried


def test_the_cover_names_the_revision_of_each_section_s_sheets():
    """A crew must not throw away the sheets that a repair left as they are."""
    result = bush(2)
    made = repaired(result, tree_item(result.plan, "tree_down", result.plan.laterals[0].tree[0]))
    context = make_context(plan=made.plan, terrain=result.terrain, ground=result.ground)
    shown = [m.text for page in cover_page.build(context) for m in flat(page.marks) if isinstance(m, Text)]
    touched = {s.section_id for s in made.change.sections}
    assert {s.section_id for s in made.plan.sections} - touched, "some section keeps its sheets"
    assert touched
    letters = [text for text in shown[shown.index(made.plan.sections[0].section_id):] if text in ("A", "B")]
    assert letters == ["B" if s.section_id in touched else "A" for s in made.plan.sections]


def test_the_load_of_each_section_is_what_its_cut_list_asks_for():
    """Planned and repaired: whoever cuts every lateral of a section has loaded the tubing for it, and no more."""
    result = bush(2)
    made = repaired(result, tree_item(result.plan, "tree_down", result.plan.laterals[0].tree[0]))
    for plan in (result.plan, made.plan):
        for section in plan.sections:
            cut = sum(tubing_m(plan.laterals[i], plan.trees) for i in section.lateral)
            loaded = sum(p.quantity for p in plan.takeoff.by_section
                         if (p.section_id, p.code) == (section.section_id, "TUBING"))
            assert np.isclose(loaded, cut)
