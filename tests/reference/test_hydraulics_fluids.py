"""Our hydraulics against ``fluids`` (MIT licence), a general library of sourced formulas.

Part-full geometry, Manning, friction factors, isothermal gas flow and the standard
atmosphere, over the whole catalogue, 0.5 to 15 % grade and 5 to 28 inHg.
"""

from __future__ import annotations

import math

import fluids
import numpy as np
import pytest
from fluids.atmosphere import ATMOSPHERE_1976
from fluids.compressible import isothermal_gas
from fluids.friction import friction_factor
from fluids.geometry import A_partial_circle
from pipeline.hydraulics import air, sap
from pipeline.hydraulics.catalogue import pipe_rows
from pipeline.units import CFM_M3_S, FT_M, INHG_KPA
from scipy.optimize import brentq

BORES_MM = sorted({row.inner_diameter_mm for row in pipe_rows()})
GRADES_PCT = (0.5, 1.0, 1.9, 2.0, 3.0, 5.0, 8.0, 15.0)
DEPTHS = (0.01, 0.1, 0.25, 0.5, 0.75, 0.93)
HALF_PERCENT = 0.005


@pytest.mark.parametrize("bore_mm", BORES_MM)
def test_wetted_area_is_that_of_a_circular_segment(bore_mm: float) -> None:
    for depth in DEPTHS:
        theirs = A_partial_circle(bore_mm / 1000.0, depth * bore_mm / 1000.0)
        assert float(sap.wetted_area_m2(bore_mm, depth)) == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize("bore_mm", BORES_MM)
def test_velocity_is_mannings(bore_mm: float) -> None:
    """``fluids.V_Manning`` on the hydraulic radius from their area and an arc by elementary trigonometry."""
    for grade in GRADES_PCT:
        for depth in DEPTHS:
            bore_m = bore_mm / 1000.0
            area = A_partial_circle(bore_m, depth * bore_m)
            arc = bore_m * math.acos(1.0 - 2.0 * depth)
            theirs = fluids.V_Manning(area / arc, grade / 100.0, float(sap.manning_n(grade))) * area * 60_000.0
            assert float(sap.flow_l_min(bore_mm, grade, depth)) == pytest.approx(theirs, rel=HALF_PERCENT)


def test_half_full_one_inch_worked_example() -> None:
    """1 in bore, 2 %, n = 0.010, half full: 0.1229 L/s by ``fluids``."""
    area = math.pi * 0.0254**2 / 8.0
    theirs_l_s = 1000.0 * area * fluids.V_Manning(0.0254 / 4.0, 0.02, 0.010)
    assert theirs_l_s == pytest.approx(0.1229, abs=5e-5)
    assert float(sap.flow_l_min(25.4, 2.0, 0.5, 0.010)) / 60.0 == pytest.approx(theirs_l_s, rel=1e-9)


@pytest.mark.parametrize("reynolds", [1.0, 50.0, 600.0, 2000.0, 2039.0, 2041.0, 3000.0, 1e4, 6e4, 3e5, 2e6])
def test_friction_factor_of_a_smooth_pipe(reynolds: float) -> None:
    theirs = friction_factor(Re=reynolds, eD=0.0)
    assert float(air.friction_factor(reynolds)) == pytest.approx(theirs, rel=1e-6)


@pytest.mark.parametrize("bore_mm", BORES_MM)
@pytest.mark.parametrize("vacuum_inhg", [5.0, 15.0, 25.0, 28.0])
def test_isothermal_gas_flow(bore_mm: float, vacuum_inhg: float) -> None:
    """Their closed relation between flow and pressures, from a trickle (laminar) to a tenth of choking."""
    down = air.SEA_LEVEL_PA - vacuum_inhg * INHG_KPA * 1000.0
    rt, length = air.AIR_GAS_J_KG_K * air.LINE_TEMPERATURE_K, 150.0
    for mach in (0.0005, 0.003, 0.02, 0.1):
        mass = down / rt * mach * math.sqrt(rt) * math.pi * (bore_mm / 1000.0) ** 2 / 4.0
        reynolds = 4.0 * mass / (math.pi * bore_mm / 1000.0 * ATMOSPHERE_1976.viscosity(air.LINE_TEMPERATURE_K))
        factor = friction_factor(Re=reynolds, eD=0.0)

        def theirs_kg_s(up: float, factor: float = factor) -> float:
            return isothermal_gas(rho=up / rt, fd=factor, P1=up, P2=down, L=length, D=bore_mm / 1000.0)

        friction, inertia = air.resistance_pa2_m(mass / air.FREE_AIR_KG_M3, bore_mm, 0.0)
        up = float(air.pressure_up_pa(down, friction * length, inertia))
        assert mass == pytest.approx(theirs_kg_s(up), rel=HALF_PERCENT)
        # And the loss of pressure, from the root of their relation.
        root = brentq(lambda p: theirs_kg_s(p) - mass, 0.5 * (down + up), 1.5 * up - 0.5 * down, xtol=1e-9, rtol=1e-14)  # noqa: B023
        assert up - down == pytest.approx(root - down, rel=HALF_PERCENT)


def test_both_regimes_were_compared() -> None:
    """The grid above reaches laminar and turbulent flow in every bore it is run on."""
    for bore_mm in (BORES_MM[0], BORES_MM[-1]):
        for vacuum_inhg, mach, laminar in ((28.0, 0.0005, True), (5.0, 0.1, False)):
            down = air.SEA_LEVEL_PA - vacuum_inhg * INHG_KPA * 1000.0
            speed = mach * math.sqrt(air.AIR_GAS_J_KG_K * air.LINE_TEMPERATURE_K)
            density = down / (air.AIR_GAS_J_KG_K * air.LINE_TEMPERATURE_K)
            reynolds = density * speed * bore_mm / 1000.0 / air.VISCOSITY_PA_S
            assert (reynolds < air.TURBULENT_RE) is laminar


@pytest.mark.parametrize("elevation_m", [0.0, 100.0, 305.0, 600.0, 1500.0])
def test_barometer_is_the_standard_atmosphere(elevation_m: float) -> None:
    assert float(air.barometer_pa(elevation_m)) == pytest.approx(ATMOSPHERE_1976(elevation_m).P, rel=5e-4)


@pytest.mark.parametrize("temperature_k", [263.15, 273.15, 278.15, 288.15])
def test_viscosity_is_the_standard_atmospheres(temperature_k: float) -> None:
    assert air.viscosity_pa_s(temperature_k) == pytest.approx(ATMOSPHERE_1976.viscosity(temperature_k), rel=1e-6)


def test_darcy_agrees_with_manning_as_rules_csv_says() -> None:
    """Sap at 1.85e-6 m2/s, half full: Darcy with their smooth friction factor against Manning.

    At 2 % within 5 % on 3/4 to 2 in; at 5 % Manning is the lower; below 2 % n = 0.010 does not
    over-state by more than 2 % what 0.009 over-states by up to 11 %.
    """
    for bore_mm in (20.93, 26.64, 35.05, 40.89, 52.50):
        bore_m = bore_mm / 1000.0
        for grade in (0.5, 1.0, 2.0, 5.0):
            slope = grade / 100.0
            speed = 0.5
            for _ in range(100):  # half full: hydraulic diameter is the bore
                factor = friction_factor(Re=speed * bore_m / 1.85e-6, eD=0.0)
                speed = math.sqrt(2.0 * 9.80665 * bore_m * slope / factor)
            darcy = speed * math.pi * bore_m**2 / 8.0 * 60_000.0
            ratio = float(sap.flow_l_min(bore_mm, grade, 0.5)) / darcy
            if grade == 2.0:
                assert 0.93 < ratio < 1.07
            elif grade > 2.0:
                assert ratio < 1.0
            else:
                assert ratio < 1.07


def test_one_inch_line_passes_the_published_air() -> None:
    """1,000 ft of 1 in line on a 60 cfm pump gets 8 cfm through (Ohio State University Extension, 2013).

    With 25 inHg at the pump that needs 16.6 inHg at the far end; "cfm" there is taken as free
    air at 60 F. The pump's pressure is not published, so this is agreement, not proof.
    """
    up, down = (air.SEA_LEVEL_PA - v * INHG_KPA * 1000.0 for v in (16.6, 25.0))
    cfm_cold = air.free_air_m3_s(up, down, 1000.0 * FT_M, 1.049 * 25.4) / CFM_M3_S
    cfm_60f = cfm_cold * 288.71 / air.LINE_TEMPERATURE_K
    assert cfm_60f == pytest.approx(8.0, rel=0.05)


def test_grid_covers_the_catalogue() -> None:
    assert len(BORES_MM) >= 30
    assert min(BORES_MM) < 5.0 < 75.0 < max(BORES_MM)
    assert np.all(np.diff(GRADES_PCT) > 0.0)
