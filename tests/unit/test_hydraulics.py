"""Part-full sap, thin air, catalogue: identities, edges, refusals."""

from __future__ import annotations

import numpy as np
import pytest
from pipeline.hydraulics import air, catalogue, natural, sap, sizing
from pipeline.resources import template_rows


@pytest.mark.parametrize("size", catalogue.pipe_rows(), ids=lambda s: f"{s.catalogue} {s.nominal}")
def test_half_full_flow_is_half_of_full_flow(size: catalogue.PipeSize) -> None:
    for grade in (0.5, 2.0, 15.0):
        full = float(sap.full_flow_l_min(size.inner_diameter_mm, grade))
        half = float(sap.capacity_l_min(size.inner_diameter_mm, grade, 0.5))
        assert half == pytest.approx(full / 2.0, rel=1e-12)


def test_full_and_empty_ends() -> None:
    assert sap.area_ratio([0.0, 0.5, 1.0]) == pytest.approx([0.0, 0.5, 1.0])
    assert sap.wetted_perimeter_m(1000.0, [0.0, 0.5, 1.0]) == pytest.approx([0.0, np.pi / 2, np.pi])
    assert sap.surface_width_m(1000.0, [0.0, 0.5, 1.0]) == pytest.approx([0.0, 1.0, 0.0], abs=1e-12)
    assert sap.hydraulic_radius_m(1000.0, [0.0, 0.5, 1.0]) == pytest.approx([0.0, 0.25, 0.25])


def test_outside_the_pipe_is_no_number() -> None:
    assert np.isnan(sap.area_ratio([-0.01, 1.01])).all()
    assert np.isnan(sap.depth_ratio_of_area([-0.01, 1.01])).all()


def test_manning_steps_at_two_percent() -> None:
    assert sap.manning_n([0.5, 1.999, 2.0, 15.0]) == pytest.approx([0.010, 0.010, 0.009, 0.009])


@pytest.mark.parametrize("grade", [0.0, -1.0])
def test_a_line_that_does_not_fall_carries_no_number(grade: float) -> None:
    assert np.isnan(sap.full_flow_l_min(26.64, grade))
    assert np.isnan(sap.normal_depth_ratio(26.64, grade, 1.0))


def test_more_than_a_free_surface_carries_is_no_number() -> None:
    full = float(sap.full_flow_l_min(26.64, 2.0))
    most = float(sap.flow_l_min(26.64, 2.0, sap.DEPTH_RATIO_AT_MOST_FLOW))
    assert most / full == pytest.approx(1.0757, abs=1e-4)  # the well-known 7.6 % (Chow 1959, circular section)
    assert float(sap.normal_depth_ratio(26.64, 2.0, 0.999999 * most)) == pytest.approx(0.938, abs=2e-3)
    assert np.isnan(sap.normal_depth_ratio(26.64, 2.0, 1.0001 * most))


def test_flow_rises_with_depth_up_to_its_most() -> None:
    depth = np.linspace(0.0, sap.DEPTH_RATIO_AT_MOST_FLOW, 500)
    assert np.all(np.diff(sap.flow_l_min(26.64, 3.0, depth)) > 0.0)


@pytest.mark.parametrize("flow", [0.0, 1e-9, 1e-4, 0.01, 1.0, 10.0])
def test_normal_depth_over_seven_decades(flow: float) -> None:
    depth = sap.normal_depth_ratio(26.64, 3.0, flow)
    assert float(sap.flow_l_min(26.64, 3.0, depth)) == pytest.approx(flow, rel=1e-8)


def test_depths_broadcast() -> None:
    depth = sap.normal_depth_ratio(np.array([20.0, 30.0])[None, :], np.array([1.0, 2.0, 3.0])[:, None], 2.0)
    assert depth.shape == (3, 2)
    assert np.all(depth[:, 0] > depth[:, 1])
    assert np.all(np.diff(depth, axis=0) < 0.0)


def test_velocity_times_area_is_flow() -> None:
    assert float(sap.velocity_m_s(26.64, 0.4, 6.0) * sap.wetted_area_m2(26.64, 0.4)) == pytest.approx(1e-4)
    assert float(sap.velocity_m_s(26.64, 0.0, 0.0)) == 0.0


def test_bore_needed_is_filled_as_asked() -> None:
    for fill in (0.3, 0.5, 0.7):
        bore = sap.bore_needed_mm(2.5, fill, 37.0)
        assert float(sap.capacity_l_min(bore, 2.5, fill)) == pytest.approx(37.0, rel=1e-9)


def test_free_section_is_what_sap_leaves() -> None:
    for depth in (0.0, 0.3, 0.5, 0.9, 1.0):
        whole = np.pi * 0.02664**2 / 4.0
        both = air.free_area_m2(26.64, depth) + sap.wetted_area_m2(26.64, depth)
        assert float(both) == pytest.approx(whole, rel=1e-12)
    assert float(air.hydraulic_diameter_m(1000.0, 0.0)) == pytest.approx(1.0)
    assert float(air.hydraulic_diameter_m(1000.0, 0.5)) == pytest.approx(np.pi / (np.pi + 2.0))  # half a disc
    assert float(air.hydraulic_diameter_m(1000.0, 1.0)) == 0.0


def test_friction_falls_when_laminar_jumps_up_at_2040_and_falls_again() -> None:
    re = np.array([500.0, 1000.0, 2040.0])
    assert air.friction_factor(re) == pytest.approx(64.0 / re)
    assert air.friction_factor(2041.0) > air.friction_factor(2040.0)
    assert np.all(np.diff(air.friction_factor(np.geomspace(2041.0, 1e7, 100))) < 0.0)
    assert np.isnan(air.friction_factor(0.0))


def test_no_air_no_loss_and_no_free_section_no_passage() -> None:
    friction, inertia = air.resistance_pa2_m([0.0, 0.001, 0.0], 26.64, [0.5, 1.0, 1.0])
    assert friction.tolist() == [0.0, np.inf, 0.0]
    assert inertia.tolist() == [0.0, np.inf, 0.0]


def test_loss_rises_with_air_and_falls_with_bore() -> None:
    friction, _ = air.resistance_pa2_m(np.geomspace(1e-6, 0.05, 200), 26.64, 0.3)
    assert np.all(np.diff(friction) > 0.0)
    friction, _ = air.resistance_pa2_m(0.002, np.linspace(15.0, 80.0, 100), 0.3)
    assert np.all(np.diff(friction) < 0.0)


def test_pressures_solve_the_equation() -> None:
    friction, inertia = air.resistance_pa2_m(0.004, 26.64, 0.2)
    down = 17_000.0
    up = float(air.pressure_up_pa(down, friction * 100.0, inertia))
    lost = float(friction) * 100.0 + 2.0 * float(inertia) * np.log(up / down)
    assert up**2 - down**2 == pytest.approx(lost, rel=1e-10)


def test_choked_air_is_infinite() -> None:
    assert air.pressure_up_pa(1000.0, 1.0, 1000.0**2) == np.inf
    assert air.pressure_up_pa(1000.0, np.inf, 0.0) == np.inf


def test_air_between_pressures_undoes_the_loss() -> None:
    free = air.free_air_m3_s(30_000.0, 17_000.0, 250.0, 35.05, 0.4)
    friction, inertia = air.resistance_pa2_m(free, 35.05, 0.4)
    assert float(air.pressure_up_pa(17_000.0, friction * 250.0, inertia)) == pytest.approx(30_000.0, rel=1e-9)
    with pytest.raises(ValueError, match="from high to low"):
        air.free_air_m3_s(17_000.0, 30_000.0, 250.0, 35.05)


def test_natural_vacuum_starts_at_the_outlet() -> None:
    assert natural.natural_vacuum_kpa([-3.0, 0.0], 200.0).tolist() == [0.0, 0.0]


def test_shares_fall_but_not_faster_than_one_over_x() -> None:
    x = np.linspace(1e-3, 1.0, 1000)
    share = sizing.share_profile(x)
    assert np.all(np.diff(share) <= 1e-12)
    assert np.all(np.diff(x * share) >= -1e-12)


def test_catalogue_is_sorted_and_knows_its_names() -> None:
    sizes = catalogue.mainline_sizes("id_controlled")
    assert [s.nominal for s in sizes] == ["3/4", "1", "1-1/4", "1-1/2", "2", "2-1/2", "3"]
    assert all(s.outer_diameter_mm > s.inner_diameter_mm for s in catalogue.pipe_rows())
    with pytest.raises(ValueError, match="id_controlled"):
        catalogue.mainline_sizes("copper")
    assert catalogue.lateral_size("5/16").inner_diameter_mm == pytest.approx(7.94)
    with pytest.raises(ValueError, match="5/16"):
        catalogue.lateral_size("1/2")


def test_every_pipe_says_where_its_figures_come_from() -> None:
    for row in template_rows("pipes.csv"):
        assert row["source"], row
        assert "published" in row["status"] or row["status"] == "from memory, unverified"
    for size in catalogue.mainline_sizes("id_controlled"):
        assert size.status == "from memory, unverified"
