"""On random terrains no sagging line leaves its window or falls less than the minimum grade anywhere.

The judge samples the sagging wire every quarter metre and at every side tie over the raw terrain. ``make bench``
looks at fifty sites; these are the first of them.
"""

from __future__ import annotations

import dataclasses

import pytest
from pipeline import run
from pipeline.judge import judge

from hang_terrains import WIRE_CODES, look, site

SITES = 10


@pytest.fixture(scope="module")
def seen():
    return {seed: look(seed) for seed in range(SITES)}


def test_no_sagging_line_leaves_its_window_or_falls_too_little(seen) -> None:
    plans = [s for s in seen.values() if s is not None]
    assert len(plans) >= 0.8 * SITES
    assert [(seed, s.broken) for seed, s in seen.items() if s is not None and s.broken] == []
    for s in plans:
        assert s.samples >= 20 * s.spans
        assert s.spare_fall_pct >= -0.01
        assert s.spare_low_m >= -0.01
    # sites that ask for all the fall there is, and pipe of several weights
    assert min(s.spare_fall_pct for s in plans) < 0.1
    assert len({p.nominal for s in plans for p in s.plan.flow.pipes}) >= 3


@pytest.mark.parametrize(("change", "codes"), [
    ({"wire_tension_n": 500.0}, {"SAG_GRADE", "SAG"}),
    ({"wire_tension_n": 120.0}, {"BACK_GRADE", "SAG_GRADE", "SAG", "MAINLINE_LOW"}),
])
def test_the_same_plan_on_a_slack_wire_is_found_out(change: dict[str, float], codes: set[str]) -> None:
    made = run.make_plan(site(1))
    flow = dataclasses.replace(made.plan.settings.flow, **change)
    slack = dataclasses.replace(made.plan, settings=dataclasses.replace(made.plan.settings, flow=flow))
    found = {f.code for f in judge(slack, made.terrain, made.ground)} & WIRE_CODES
    assert found >= codes - {"MAINLINE_LOW", "SAG"}
    assert found <= codes
