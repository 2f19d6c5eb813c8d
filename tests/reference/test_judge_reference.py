"""The judge's own arithmetic against outside libraries and tables, none of which the planner uses."""

from __future__ import annotations

import math
from types import SimpleNamespace

import fluids
import numpy as np
import pytest
from pipeline.frame import Frame
from pipeline.judge.bores import FULLEST_RAD, area_ratio
from pipeline.judge.case import SAP_N_PER_M3, make_case
from pipeline.records import Mainline, Pipe, Support
from pipeline.settings import Settings
from pipeline.terrain.grid import Terrain
from pipeline.units import FT_M, LBF_N


def test_half_full_is_half_of_full_bore_flow():
    # identity of a circle: at half depth the hydraulic radius is that of the full pipe, D / 4
    bore = np.array([20.93, 26.64, 35.05, 52.5]) / 1000
    full = math.pi / 4 * bore**2 * (bore / 4) ** (2 / 3) * math.sqrt(0.03) / 0.009 * 60000
    assert np.allclose(area_ratio(bore * 1000, np.full(4, 3.0), full / 2), 0.5, atol=1e-6)


@pytest.mark.parametrize("bore_mm", [20.93, 26.64, 35.05, 40.89, 52.5])
@pytest.mark.parametrize("grade_pct", [1.0, 2.0, 5.0, 12.0])
@pytest.mark.parametrize("depth", [0.1, 0.3, 0.5, 0.7, 0.9])
def test_normal_depth_against_fluids(bore_mm, grade_pct, depth):
    # fluids: Manning's speed for a hydraulic radius; the segment's geometry by its own vessel functions
    bore = bore_mm / 1000
    n = 0.010 if grade_pct < 2.0 else 0.009
    area = fluids.geometry.A_partial_circle(bore, depth * bore)
    angle = 2 * math.acos(1 - 2 * depth)
    speed = fluids.V_Manning(Rh=area / (angle * bore / 2), S=grade_pct / 100, n=n)
    got = float(area_ratio(np.array([bore_mm]), np.array([grade_pct]), np.array([speed * area * 60000]))[0])
    assert got == pytest.approx(area / (math.pi / 4 * bore**2), rel=1e-3)


def test_half_full_inch_at_two_percent():
    # 25.4 mm, 2 %, n 0.010, half full: 0.1229 L/s by fluids 1.3.1; at n 0.009 it is ten ninths of that
    flow = 0.1229 * 10 / 9 * 60
    assert float(area_ratio(np.array([25.4]), np.array([2.0]), np.array([flow]))[0]) == pytest.approx(0.5, abs=5e-4)


def test_the_fullest_angle_is_where_flow_is_greatest():
    t = np.linspace(4.5, 6.2, 20001)
    flow = (t - np.sin(t)) * ((t - np.sin(t)) / t) ** (2 / 3)
    assert t[int(np.argmax(flow))] == pytest.approx(FULLEST_RAD, abs=2e-4)
    # more than that runs full, and is called so
    assert float(area_ratio(np.array([20.93]), np.array([2.0]), np.array([60.0]))[0]) == 1.0


def test_no_fall_has_no_normal_depth_and_no_sap_fills_nothing():
    got = area_ratio(np.array([20.93, 20.93, 20.93]), np.array([0.0, -1.0, 0.0]), np.array([1.0, 1.0, 0.0]))
    assert np.isnan(got[:2]).all()
    assert got[2] == 0.0


def test_weight_of_sap_in_a_half_full_inch_line():
    # derived figure of the trade table: 0.1887 lb/ft in a 1 in line half full (bore 1.049 in, 8.4 lb/gal)
    weight = SAP_N_PER_M3 * math.pi / 4 * (1.049 * 0.0254) ** 2 * 0.5
    assert weight == pytest.approx(0.1887 * LBF_N / FT_M, rel=0.01)


def one_line(span_m):
    """Return what the judge makes of one span of 1 in pipe, with one side tie spacing as long as the span."""
    stands = tuple(Support(f"M1-S{i}", "M1", s, 10.0 + s, 30.0, "anchor", "", 0.0, 100.0, 102.0 + 0.05 * s)
                   for i, s in enumerate((0.0, span_m)))
    pipe = Pipe("M1-P01", "M1", 0.0, span_m, "single", "1", 26.64, 5.0, 10, 0.1, 0.1, 0.1, 0.1, 84.0, 84.0, span_m)
    plan = SimpleNamespace(settings=Settings(), mainlines=(Mainline("M1", "", "C1", 0.0, stands),), laterals=(),
                           flow=SimpleNamespace(pipes=(pipe,)))
    z = np.full((60, 60), 100.0, dtype=np.float32)
    terrain = Terrain(z, 0.5, 59.5, 1.0, Frame("", "local", ""), 0.1, "level ground")
    return make_case(plan, terrain, None).traces[0]


@pytest.mark.parametrize("span_m", [3.0, 6.0, 12.0])
def test_sag_is_the_catenarys_within_one_percent(span_m):
    trace = one_line(span_m)
    # 1.487 N/m of pipe and 0.3783 N/m of wire (templates), sap filling half the bore
    weight = 1.487 + 0.3783 + SAP_N_PER_M3 * math.pi / 4 * 0.02664**2 * 0.5
    reach = Settings().flow.wire_tension_n / weight
    catenary = reach * (math.cosh(span_m / (2 * reach)) - 1)
    assert float(trace.sag_m[0]) == pytest.approx(catenary, rel=0.01)
    drop = trace.chord_z_m - trace.wire_z_m
    assert drop.max() == pytest.approx(catenary, rel=0.02)
    assert drop[[0, -1]] == pytest.approx(0.0, abs=1e-12)
    steepest_pct = 100 * math.sinh(span_m / (2 * reach))
    assert float(trace.sag_slope_pct[0]) == pytest.approx(steepest_pct, rel=0.01)
    assert trace.fall_pct[[0, -1]] == pytest.approx([5.0 - steepest_pct, 5.0 + steepest_pct], abs=0.01 * steepest_pct)


def test_level_span_of_a_half_full_inch_line_at_two_percent():
    # derived figure of the trade table: 1 in line half full on 12-1/2 gauge at 250 lbf turns back at 31.6 ft on 2 %
    trace = one_line(31.6 * FT_M)
    assert float(trace.sag_slope_pct[0]) == pytest.approx(2.0, rel=0.02)
