"""Thin air: constants, friction, pressures and choking against plain integration."""

from __future__ import annotations

import math

import numpy as np
import pytest
from pipeline.hydraulics import air, natural, sap
from pipeline.units import FT_M, INHG_KPA
from scipy import integrate, optimize


@pytest.mark.parametrize(
    ("elevation", "pascals"), [(0.0, 101325.0), (500.0, 95461.0), (1000.0, 89875.0), (2000.0, 79495.0)]
)
def test_barometer_of_the_standard_atmosphere(elevation, pascals):
    """Table values of the US Standard Atmosphere 1976 (geometric and geopotential height differ by < 0.1 % here)."""
    assert float(air.barometer_pa(elevation)) == pytest.approx(pascals, rel=1e-3)


def test_barometer_obeys_hydrostatics():
    """``dp/dz = -rho g`` with ``rho = p / (R T)``, T falling 6.5 K per km."""
    z, step = 800.0, 0.5
    slope = float(air.barometer_pa(z + step) - air.barometer_pa(z - step)) / (2.0 * step)
    density = float(air.barometer_pa(z)) / (287.053 * (288.15 - 0.0065 * z))
    assert slope == pytest.approx(-9.80665 * density, rel=1e-4)


@pytest.mark.parametrize(("celsius", "kpa"), [(0.0, 0.6113), (5.0, 0.8726), (20.0, 2.3393), (50.0, 12.352)])
def test_boiling_pressure_of_the_steam_tables(celsius, kpa):
    """Saturation pressures of water (steam tables); Magnus' formula is good to half a percent."""
    assert air.boiling_pa(273.15 + celsius) / 1000.0 == pytest.approx(kpa, rel=6e-3)


def test_viscosity_of_the_standard_atmosphere():
    """1.7894e-5 Pa s at 288.15 K, US Standard Atmosphere 1976."""
    assert air.viscosity_pa_s(288.15) == pytest.approx(1.7894e-5, rel=1e-4)
    assert air.viscosity_pa_s(250.0) < air.viscosity_pa_s(300.0)


def test_free_air_weighs_what_the_gas_law_says():
    """101325 / (287.053 * 278.15) = 1.26904 kg/m^3."""
    assert float(air.mass_flow_kg_s(1.0)) == pytest.approx(1.26904, abs=1e-5)
    assert float(air.mass_flow_kg_s(0.0)) == 0.0


def test_free_section_of_a_half_full_pipe_by_hand():
    """Half disc of 20 mm: A = 1.5708e-4 m^2; around it pi/2 * 20 mm of wall and 20 mm of sap = 51.416 mm."""
    assert float(air.free_area_m2(20.0, 0.5)) == pytest.approx(1.570796e-4)
    assert float(air.hydraulic_diameter_m(20.0, 0.5)) == pytest.approx(4.0 * 1.570796e-4 / 0.05141593)


@pytest.mark.parametrize(("depth", "wanted"), [(0.0, 0.020), (1.0, 0.0)])
def test_hydraulic_diameter_of_an_empty_and_a_full_pipe(depth, wanted):
    assert float(air.hydraulic_diameter_m(20.0, depth)) == pytest.approx(wanted, abs=1e-9)


@pytest.mark.parametrize("re", [4e3, 1e4, 1e5, 1e6])
def test_turbulent_friction_solves_prandtls_law(re):
    f = float(air.smooth_turbulent_friction(re))
    found = optimize.brentq(lambda v: 1.0 / math.sqrt(v) + 2.0 * math.log10(2.51 / (re * math.sqrt(v))), 1e-3, 0.1,
                            xtol=1e-14)
    assert f == pytest.approx(found, rel=1e-9)


@pytest.mark.parametrize(
    ("re", "turbulent"), [(100.0, False), (2039.0, False), (2040.0, False), (2041.0, True), (5e4, True)]
)
def test_friction_changes_law_at_the_critical_reynolds_number(re, turbulent):
    f = float(air.friction_factor(re))
    assert (f == pytest.approx(64.0 / re)) is not turbulent
    assert (f == pytest.approx(float(air.smooth_turbulent_friction(re)))) is turbulent


@pytest.mark.parametrize("re", [0.0, -5.0, math.nan])
def test_no_friction_factor_without_motion(re):
    assert math.isnan(float(air.friction_factor(re)))


def test_laminar_resistance_is_poiseuilles():
    """Laminar: dp/dx = 128 mu Q / (pi D^4); in squares 2 p dp/dx with Q = m R T / p gives 256 mu m R T / (pi D^4)."""
    friction, _ = air.resistance_pa2_m(1e-5, 26.64, 0.0)
    mass = 1e-5 * air.FREE_AIR_KG_M3
    wanted = 256.0 * air.VISCOSITY_PA_S * mass * 287.053 * 278.15 / (math.pi * 0.02664**4)
    assert float(friction) == pytest.approx(wanted, rel=1e-9)


def test_resistance_at_the_edges():
    """No air: nothing lost; no room: no passage; no air and no room: nothing lost."""
    friction, inertia = air.resistance_pa2_m([0.0, 1e-4, 0.0], 20.0, [0.2, 1.0, 1.0])
    assert friction.tolist() == [0.0, math.inf, 0.0]
    assert inertia.tolist() == [0.0, math.inf, 0.0]


def test_sap_in_the_way_costs_pressure():
    friction, inertia = air.resistance_pa2_m(1e-3, 26.64, np.array([0.0, 0.3, 0.6, 0.9]))
    assert (np.diff(friction) > 0.0).all()
    assert (np.diff(inertia) > 0.0).all()


@pytest.mark.parametrize(("flow", "length"), [(2e-4, 100.0), (1e-3, 60.0), (2e-3, 30.0)])
def test_pressure_at_the_upper_end_against_stepping_along_the_pipe(flow, length):
    """Isothermal flow: ``dp/dx = (f/(2 D)) G^2 R T / p / (1 - G^2 R T / p^2)``, integrated up from the pump."""
    down = 20_000.0
    friction, inertia = air.resistance_pa2_m(flow, 20.93, 0.0)

    def slope(_, p):
        return [0.5 * float(friction) / p[0] / (1.0 - float(inertia) / p[0] ** 2)]

    walked = integrate.solve_ivp(slope, (0.0, length), [down], rtol=1e-10, atol=1e-6)
    got = float(air.pressure_up_pa(down, friction * length, inertia))
    assert got == pytest.approx(float(walked.y[0, -1]), rel=1e-7)


@pytest.mark.parametrize(
    ("friction", "inertia", "wanted"),
    [(0.0, 0.0, 10.0), (44.0, 0.0, 12.0), (44.0, 100.0, math.inf), (44.0, 101.0, math.inf), (math.inf, 1.0, math.inf),
     (math.nan, 1.0, math.inf), (44.0, math.nan, math.inf)],
)
def test_pressure_at_the_edges(friction, inertia, wanted):
    """Down 10 Pa: 100 + 44 = 144; inertia of 100 or more is sound or faster."""
    assert float(air.pressure_up_pa(10.0, friction, inertia)) == pytest.approx(wanted)


def test_a_choked_reach_leaves_its_neighbours_alone():
    got = air.pressure_up_pa([10.0, 10.0], [44.0, 44.0], [0.0, 500.0])
    assert got.tolist() == [12.0, math.inf]


@pytest.mark.parametrize(("up", "down"), [(1.0, 1.0), (1.0, 2.0), (1.0, 0.0), (1.0, -1.0), (math.nan, 1.0)])
def test_air_does_not_run_uphill(up, down):
    with pytest.raises(ValueError, match="high to low pressure"):
        air.free_air_m3_s(up, down, 10.0, 20.0)


@pytest.mark.parametrize("depth", [0.0, 0.4])
def test_air_between_two_pressures_is_the_root_of_the_loss(depth):
    def off(flow):
        friction, inertia = air.resistance_pa2_m(flow, 20.93, depth)
        return float(air.pressure_up_pa(20_000.0, friction * 80.0, inertia)) - 30_000.0

    found = optimize.brentq(off, 1e-6, 2e-3, xtol=1e-14)
    assert air.free_air_m3_s(30_000.0, 20_000.0, 80.0, 20.93, depth) == pytest.approx(found, rel=1e-8)


@pytest.mark.parametrize(
    ("fall_ft", "inhg"), [(-5.0, 0.0), (0.0, 0.0), (1.0, 0.88), (10.0, 8.8), (25.0, 22.0), (200.0, None)]
)
def test_natural_vacuum_by_hand(fall_ft, inhg):
    """0.88 inHg a foot, nothing below the outlet, never more than barometer less boiling pressure."""
    got = float(natural.natural_vacuum_kpa(fall_ft * FT_M, 0.0)) / INHG_KPA
    most = (101.325 - air.boiling_pa() / 1000.0) / INHG_KPA
    assert got == pytest.approx(most if inhg is None else inhg)


def test_natural_vacuum_ends_sooner_higher_up():
    low, high = (natural.natural_vacuum_kpa([1.0, 100.0], z) for z in (0.0, 1500.0))
    assert low[0] == high[0]
    assert high[1] == pytest.approx(low[1] - (101.325 - float(air.barometer_pa(1500.0)) / 1000.0))


def test_the_two_laws_of_area_agree():
    """What sap and air take of a bore is all of it."""
    depth = np.linspace(0.0, 1.0, 21)
    both = sap.wetted_area_m2(35.05, depth) + air.free_area_m2(35.05, depth)
    assert both == pytest.approx(np.full(21, math.pi * 0.03505**2 / 4.0))
