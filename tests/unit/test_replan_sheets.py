"""What a change map must show of a real repair."""

from __future__ import annotations

import numpy as np
import shapely
from pipeline.replan import replan
from pipeline.resources import template_rows
from pipeline.sheets.change_map import draw
from pipeline.sheets.change_words import step_text
from pipeline.sheets.context import make_context
from pipeline.sheets.marks import Rect

from storm_sites import bush, storm_of, tree_item

FRAME = Rect(36.0, 400.0, 576.0, 718.0)


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
