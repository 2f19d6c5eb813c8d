"""Our air and water against CoolProp (MIT licence): Lemmon et al. 2000 and IAPWS-95 equations of state.

Air as thin as it is in a line under 5 to 28 inHg of vacuum, and cold water for sap of 2 Brix.
"""

from __future__ import annotations

import math

import pytest
from CoolProp.CoolProp import PropsSI
from pipeline.hydraulics import air, natural
from pipeline.units import FT_M, INHG_KPA
from pipeline.wire import GRAVITY_M_S2, SAP_KG_M3

VACUUM_INHG = (0.0, 5.0, 15.0, 25.0, 28.0)
HALF_PERCENT = 0.005


def absolute_pa(vacuum_inhg: float) -> float:
    return air.SEA_LEVEL_PA - vacuum_inhg * INHG_KPA * 1000.0


@pytest.mark.parametrize("vacuum_inhg", VACUUM_INHG)
@pytest.mark.parametrize("temperature_k", [265.0, 273.15, air.LINE_TEMPERATURE_K, 290.0])
def test_thin_air_is_an_ideal_gas(vacuum_inhg: float, temperature_k: float) -> None:
    pressure = absolute_pa(vacuum_inhg)
    theirs = PropsSI("D", "T", temperature_k, "P", pressure, "Air")
    assert pressure / (air.AIR_GAS_J_KG_K * temperature_k) == pytest.approx(theirs, rel=HALF_PERCENT)


@pytest.mark.parametrize("vacuum_inhg", VACUUM_INHG)
@pytest.mark.parametrize("temperature_k", [265.0, 273.15, air.LINE_TEMPERATURE_K, 290.0])
def test_viscosity_of_thin_air_does_not_hang_on_its_pressure(vacuum_inhg: float, temperature_k: float) -> None:
    theirs = PropsSI("V", "T", temperature_k, "P", absolute_pa(vacuum_inhg), "Air")
    assert air.viscosity_pa_s(temperature_k) == pytest.approx(theirs, rel=HALF_PERCENT)


def test_a_cubic_metre_of_free_air_weighs_what_theirs_does() -> None:
    theirs = PropsSI("D", "T", air.LINE_TEMPERATURE_K, "P", air.SEA_LEVEL_PA, "Air")
    assert float(air.mass_flow_kg_s(1.0)) == pytest.approx(theirs, rel=HALF_PERCENT)


@pytest.mark.parametrize("celsius", [0.1, 2.0, 5.0, 10.0, 25.0, 50.0])
def test_boiling_pressure_of_water(celsius: float) -> None:
    """The formula that stops a pump and a column of sap; its authors give 0.4 %."""
    theirs = PropsSI("P", "T", 273.15 + celsius, "Q", 0, "Water")
    assert air.boiling_pa(273.15 + celsius) == pytest.approx(theirs, rel=HALF_PERCENT)


def test_a_foot_of_cold_water_pulls_what_the_rule_says() -> None:
    """0.88 inHg a foot is the weight of cold water; sap of 2 Brix is 0.8 % heavier, which the rule leaves out."""
    water = PropsSI("D", "T", air.LINE_TEMPERATURE_K, "P", air.SEA_LEVEL_PA, "Water")
    assert water * GRAVITY_M_S2 / 1000.0 == pytest.approx(natural.VACUUM_KPA_PER_M, rel=HALF_PERCENT)
    assert pytest.approx(0.88) == natural.VACUUM_KPA_PER_M * FT_M / INHG_KPA


def test_sap_is_water_with_two_parts_in_a_hundred_of_sugar() -> None:
    """Sugar as dense as its crystal, 1588 kg/m3 (from memory, unverified), takes its own room in the water."""
    water = PropsSI("D", "T", air.LINE_TEMPERATURE_K, "P", air.SEA_LEVEL_PA, "Water")
    mixed = 1.0 / (0.98 / water + 0.02 / 1588.0)
    assert pytest.approx(mixed, rel=HALF_PERCENT) == SAP_KG_M3
    assert water < SAP_KG_M3


def test_viscosity_that_darcy_was_asked_with_is_that_of_cold_water() -> None:
    """Manning's formula is checked against Darcy's at 1.85e-6 m2/s: water near 0 C, the thickest that runs."""
    near_freezing, milder = (
        PropsSI("V", "T", 273.15 + c, "P", air.SEA_LEVEL_PA, "Water")
        / PropsSI("D", "T", 273.15 + c, "P", air.SEA_LEVEL_PA, "Water")
        for c in (0.1, 5.0)
    )
    assert milder < 1.85e-6
    assert math.isclose(near_freezing, 1.85e-6, rel_tol=0.04)
