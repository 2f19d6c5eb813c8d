"""EPA SWMM 5 (pyswmm 2) as referee: depth over bore within 0.01 of ours, flows sum exactly."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from pipeline import flow
from pipeline.hydraulics import sap
from swmm_referee import RefereePipe, depth_ratios, pipes_of

from flow_networks import case, random_network

pytestmark = pytest.mark.filterwarnings("ignore::DeprecationWarning")
NEAR = 0.01


@pytest.mark.parametrize(("bore_mm", "grade_pct", "flow_l_min"), [
    (20.93, 2.0, 4.8), (20.93, 0.5, 1.0), (26.64, 3.0, 8.0), (26.64, 15.0, 0.4), (35.05, 1.0, 6.0),
    (40.89, 5.0, 40.0), (52.50, 2.0, 56.0), (77.93, 8.0, 210.0),
])
def test_single_pipe(tmp_path: Path, bore_mm: float, grade_pct: float, flow_l_min: float) -> None:
    roughness = float(sap.manning_n(grade_pct))
    theirs = depth_ratios(
        [RefereePipe("A", "", 60.0, grade_pct, bore_mm, roughness, flow_l_min)], folder=tmp_path
    )["A"]
    assert theirs.flow_l_min == pytest.approx(flow_l_min, rel=1e-6)
    ours = float(sap.normal_depth_ratio(bore_mm, grade_pct, flow_l_min))
    assert 0.02 < ours < 0.9
    assert ours == pytest.approx(theirs.depth_ratio, abs=NEAR)


def test_three_pipe_tree(tmp_path: Path) -> None:
    pipes = [
        RefereePipe("TRUNK", "", 80.0, 2.0, 35.05, 0.009, 1.0),
        RefereePipe("LEFT", "TRUNK", 60.0, 4.0, 20.93, 0.009, 3.5),
        RefereePipe("RIGHT", "TRUNK", 70.0, 1.2, 26.64, 0.010, 2.5),
    ]
    theirs = depth_ratios(pipes, folder=tmp_path)
    assert theirs["TRUNK"].flow_l_min == pytest.approx(7.0, rel=1e-6)
    for pipe, carried in zip(pipes, (7.0, 3.5, 2.5), strict=True):
        ours = float(sap.normal_depth_ratio(pipe.bore_mm, pipe.grade_pct, carried, pipe.roughness_n))
        assert ours == pytest.approx(theirs[pipe.name].depth_ratio, abs=NEAR)


def agree(tmp_path: Path, arguments: dict) -> int:
    sized, _ = flow.size(**arguments)
    conduits = pipes_of(sized, arguments["mainlines"])
    theirs = depth_ratios(conduits, folder=tmp_path)
    wet = [p for p in sized.pipes if p.role != "dry"]
    for pipe in wet:
        assert theirs[pipe.pipe_id].flow_l_min == pytest.approx(pipe.peak_flow_l_min, rel=1e-6, abs=1e-9)
        assert pipe.depth_ratio == pytest.approx(theirs[pipe.pipe_id].depth_ratio, abs=NEAR), pipe.pipe_id
    outflow = sum(theirs[c.name].flow_l_min for c in conduits if not c.flows_into)
    assert outflow == pytest.approx(sized.stations[0].peak_flow_l_min, rel=1e-6)
    return len(wet)


@pytest.mark.parametrize("seed", range(20))
def test_random_networks(tmp_path: Path, seed: int) -> None:
    rng = np.random.default_rng(seed)
    assert agree(tmp_path, random_network(rng, branches=int(rng.integers(1, 7)), pumped=bool(seed % 2))) >= 2


def test_wet_line_of_a_pair(tmp_path: Path) -> None:
    arguments = case(length_m=600.0, laterals=40, taps=10, pair="always")
    assert agree(tmp_path, arguments) >= 2
