"""The circular segment and Manning's formula, against polygons, quadrature and root finding."""

from __future__ import annotations

import math

import numpy as np
import pytest
from pipeline.hydraulics import sap
from scipy import integrate, optimize
from shapely.geometry import Point, box

DEPTHS = [0.03, 0.1, 0.25, 0.5, 0.62, 0.9, 0.99]


@pytest.mark.parametrize("depth", DEPTHS)
def test_area_is_that_of_a_disc_cut_by_a_level(depth):
    """Shapely: a disc of diameter 1 (fine polygon) cut at the sap's surface."""
    disc = Point(0.0, 0.5).buffer(0.5, quad_segs=2000)
    wet = disc.intersection(box(-1.0, -1.0, 1.0, depth))
    assert float(sap.area_ratio(depth)) == pytest.approx(wet.area / (math.pi / 4.0), abs=2e-6)
    assert float(sap.wetted_area_m2(1000.0, depth)) == pytest.approx(wet.area, abs=2e-6)


@pytest.mark.parametrize("depth", DEPTHS)
def test_arc_and_surface_add_up_to_the_outline_of_the_cut_disc(depth):
    disc = Point(0.0, 0.5).buffer(0.5, quad_segs=2000)
    wet = disc.intersection(box(-1.0, -1.0, 1.0, depth))
    outline = float(sap.wetted_perimeter_m(1000.0, depth) + sap.surface_width_m(1000.0, depth))
    assert outline == pytest.approx(wet.length, abs=2e-5)


@pytest.mark.parametrize("depth", DEPTHS)
def test_area_is_the_surface_width_integrated_over_the_depth(depth):
    area, _ = integrate.quad(lambda d: float(sap.surface_width_m(1000.0, d)), 0.0, depth, epsabs=1e-10)
    assert float(sap.wetted_area_m2(1000.0, depth)) == pytest.approx(area, abs=1e-8)


@pytest.mark.parametrize(
    ("depth", "angle"),
    [(0.0, 0.0), (0.25, 2.0 * math.pi / 3.0), (0.5, math.pi), (0.75, 4.0 * math.pi / 3.0), (1.0, 2.0 * math.pi)],
)
def test_angle_by_hand(depth, angle):
    """A quarter of the bore deep: half the bore's radius below the centre, so cos(t/2) = 1/2."""
    assert float(sap.angle_rad(depth)) == pytest.approx(angle)


@pytest.mark.parametrize("ratio", [0.0, 1e-6, 0.1, 0.3, 0.5, 0.8, 1.0])
def test_depth_of_an_area_undoes_area_of_a_depth(ratio):
    assert float(sap.area_ratio(sap.depth_ratio_of_area(ratio))) == pytest.approx(ratio, abs=1e-12)


def test_segments_are_alike_from_below_and_above():
    """What is wet at depth d is dry at depth 1 - d."""
    depth = np.linspace(0.0, 1.0, 41)
    assert sap.area_ratio(depth) + sap.area_ratio(1.0 - depth) == pytest.approx(np.ones(41))
    assert sap.surface_width_m(30.0, depth) == pytest.approx(sap.surface_width_m(30.0, 1.0 - depth))
    both = sap.wetted_perimeter_m(30.0, depth) + sap.wetted_perimeter_m(30.0, 1.0 - depth)
    assert both == pytest.approx(np.full(41, math.pi * 0.030))


def test_hydraulic_radius_is_area_over_perimeter_and_none_when_empty():
    assert float(sap.hydraulic_radius_m(40.0, 0.0)) == 0.0
    got = float(sap.hydraulic_radius_m(40.0, 0.25))
    theta = 2.0 * math.pi / 3.0
    assert got == pytest.approx(0.040 / 4.0 * (1.0 - math.sin(theta) / theta))


def test_full_flow_by_hand():
    """Bore 100 mm, 1 %, n = 0.010: A = 7.85398e-3, R = 0.025, R^(2/3) = 0.0854988; Q = A R^(2/3) 0.1 / 0.01 * 60000."""
    assert float(sap.full_flow_l_min(100.0, 1.0)) == pytest.approx(402.90, abs=0.02)


@pytest.mark.parametrize(
    ("times", "grade", "wanted"),
    [(2.0, 1.0, 2.0 ** (8.0 / 3.0)), (1.0, 4.0, 2.0), (1.0, 0.25, 0.5)],
)
def test_full_flow_scales_with_bore_and_grade(times, grade, wanted):
    """Bore to the power 8/3, grade to the power 1/2; one roughness so that the step at 2 % does not count."""
    base = float(sap.full_flow_l_min(20.0, 1.0, 0.009))
    assert float(sap.full_flow_l_min(20.0 * times, grade, 0.009)) / base == pytest.approx(wanted)


def test_a_roughness_given_is_used_and_flow_falls_with_it():
    flows = sap.full_flow_l_min(25.0, 3.0, [0.009, 0.010, 0.018])
    assert flows[0] / flows[1] == pytest.approx(10.0 / 9.0)
    assert flows[0] / flows[2] == pytest.approx(2.0)
    assert float(sap.full_flow_l_min(25.0, 3.0)) == pytest.approx(flows[0])


@pytest.mark.parametrize(("grade", "n"), [(1.99, 0.010), (2.0 - 1e-7, 0.009), (2.0, 0.009)])
def test_a_hair_below_two_percent_is_two_percent(grade, n):
    assert float(sap.manning_n(grade)) == n


@pytest.mark.parametrize("depth", DEPTHS)
def test_flow_is_manning_on_the_segment(depth):
    """Q = A R^(2/3) sqrt(S) / n written out."""
    bore, slope, n = 0.02664, 0.03, 0.009
    theta = 2.0 * math.acos(1.0 - 2.0 * depth)
    area, arc = bore**2 * (theta - math.sin(theta)) / 8.0, bore * theta / 2.0
    wanted = area * (area / arc) ** (2.0 / 3.0) * math.sqrt(slope) / n * 60000.0
    assert float(sap.flow_l_min(26.64, 3.0, depth)) == pytest.approx(wanted, rel=1e-9)


def test_most_flow_is_where_the_constant_says():
    found = optimize.minimize_scalar(
        lambda d: -float(sap.flow_l_min(26.64, 3.0, d)), bounds=(0.5, 0.9999), method="bounded",
        options={"xatol": 1e-10})
    assert found.x == pytest.approx(sap.DEPTH_RATIO_AT_MOST_FLOW, abs=1e-5)
    t = sap.ANGLE_AT_MOST_FLOW
    assert 3.0 * t - 5.0 * t * math.cos(t) + 2.0 * math.sin(t) == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize("share", [1e-8, 1e-3, 0.1, 0.5, 0.9, 1.0, 1.05])
@pytest.mark.parametrize("bore", [7.9, 26.64, 52.5])
def test_normal_depth_against_bracketing(share, bore):
    """Brent's method on the flow curve below its summit."""
    flow = share * float(sap.full_flow_l_min(bore, 2.5))
    found = optimize.brentq(
        lambda d: float(sap.flow_l_min(bore, 2.5, d)) - flow, 0.0, sap.DEPTH_RATIO_AT_MOST_FLOW, xtol=1e-15)
    assert float(sap.normal_depth_ratio(bore, 2.5, flow)) == pytest.approx(found, rel=1e-7)


def test_normal_depth_of_rows_and_columns_mixed_with_hopeless_ones():
    """Rows that do not fall or overflow are NaN and leave their neighbours alone."""
    depth = sap.normal_depth_ratio([[20.93], [26.64]], [[3.0, -1.0, 0.0]], [[1.0, 1.0, 1.0]])
    assert depth.shape == (2, 3)
    assert np.isnan(depth[:, 1:]).all()
    assert depth[:, 0] == pytest.approx([
        float(sap.normal_depth_ratio(20.93, 3.0, 1.0)), float(sap.normal_depth_ratio(26.64, 3.0, 1.0))])
    assert depth[0, 0] > depth[1, 0]
    assert np.isnan(sap.normal_depth_ratio(20.93, 3.0, -1.0))
    assert np.isnan(sap.normal_depth_ratio(20.93, 3.0, 1e5))


def test_no_flow_has_no_depth_and_no_speed():
    assert float(sap.normal_depth_ratio(26.64, 3.0, 0.0)) == 0.0
    assert float(sap.velocity_m_s(26.64, 0.0, 0.0)) == 0.0
    assert float(sap.velocity_m_s(26.64, 0.0, 5.0)) == 0.0


def test_velocity_by_hand():
    """6 L/min through half of a bore of 2 cm^2: 1e-4 m^3/s over 1e-4 m^2 is 1 m/s."""
    bore = 2000.0 * math.sqrt(2e-4 / math.pi)
    assert float(sap.velocity_m_s(bore, 0.5, 6.0)) == pytest.approx(1.0)


@pytest.mark.parametrize("fill", [0.1, 0.5, 0.8])
@pytest.mark.parametrize("grade", [0.5, 2.0, 9.0])
def test_bore_needed_against_bracketing(fill, grade):
    found = optimize.brentq(lambda b: float(sap.capacity_l_min(b, grade, fill)) - 12.0, 1.0, 500.0, xtol=1e-10)
    assert float(sap.bore_needed_mm(grade, fill, 12.0)) == pytest.approx(found, rel=1e-9)
    assert float(sap.bore_needed_mm(grade, fill, 0.0)) == 0.0
