"""EPA SWMM 5 on the demo plan's own network at the peak: depth over bore at most one half and within 0.01 of ours."""

from __future__ import annotations

from pathlib import Path

import pytest
from swmm_referee import depth_ratios, pipes_of

pytestmark = [pytest.mark.demo, pytest.mark.filterwarnings("ignore::DeprecationWarning")]


def test_demo_network_at_the_peak(demo, tmp_path: Path) -> None:
    plan = demo.plan
    conduits = pipes_of(plan.flow, plan.mainlines)
    theirs = depth_ratios(conduits, folder=tmp_path)
    wet = [p for p in plan.flow.pipes if p.role != "dry"]
    assert len(wet) == len(theirs) > 5
    for pipe in wet:
        referee = theirs[pipe.pipe_id]
        assert referee.flow_l_min == pytest.approx(pipe.peak_flow_l_min, rel=1e-6, abs=1e-9)
        assert referee.depth_ratio == pytest.approx(pipe.depth_ratio, abs=0.01), pipe.pipe_id
        assert referee.depth_ratio <= 0.5
    outflow = sum(theirs[c.name].flow_l_min for c in conduits if not c.flows_into)
    assert outflow == pytest.approx(sum(s.peak_flow_l_min for s in plan.flow.stations), rel=1e-6)


def test_demo_vacuum_keeps_to_its_budget_or_a_finding_names_it(demo) -> None:
    plan = demo.plan
    rules = plan.settings.flow
    named = {f.subject_id for f in plan.findings if f.code == "VACUUM_SHORT"}
    at_pump = {s.collection_id: s.vacuum_kpa for s in plan.flow.stations}
    home = {m.mainline_id: m.collection_id for m in plan.mainlines}
    for lateral, kpa in zip(plan.laterals, plan.flow.entry_vacuum_kpa, strict=True):
        assert at_pump[home[lateral.mainline_id]] - kpa <= rules.loss_budget_kpa or lateral.mainline_id in named
