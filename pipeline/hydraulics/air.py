"""Thin air in the free section above the sap: isothermal compressible flow.

Vacuum is gauge and positive at the rim; inside, pressures are absolute pascals. For
a mass flow ``m`` through area ``A`` with hydraulic diameter ``Dh`` over length ``L``::

    p_up^2 - p_down^2 = (m / A)^2 R T (f L / Dh + 2 ln(p_up / p_down))

(isothermal pipe flow with wall friction; Crane TP-410 and any gas-dynamics text).
``f`` is Darcy's friction factor: 64/Re up to Re 2040, where pipe turbulence begins to
last (Avila et al. 2011), and the smooth-wall law of Prandtl and von Karman above. Re
depends on mass flow alone, not on pressure, so losses add up in squares of pressure.

The air sees the pipe's dry arc and the surface of the sap; the surface counts as wall,
though it runs the same way, which errs to the safe side. Fittings are not counted.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.hydraulics import sap

Floats = npt.NDArray[np.float64]
Like = npt.ArrayLike

SEA_LEVEL_PA = 101_325.0  # US Standard Atmosphere 1976; "free air" is air at this pressure
AIR_GAS_J_KG_K = 287.053  # specific gas constant of dry air, US Standard Atmosphere 1976
LINE_TEMPERATURE_K = 278.15  # 5 C, a day on which sap runs; rules.csv air.temperature
TURBULENT_RE = 2040.0  # Avila et al. 2011, Science 333:192
FREE_AIR_KG_M3 = SEA_LEVEL_PA / (AIR_GAS_J_KG_K * LINE_TEMPERATURE_K)


def viscosity_pa_s(temperature_k: float = LINE_TEMPERATURE_K) -> float:
    """Return the viscosity of air by Sutherland's law with the constants of the US Standard Atmosphere 1976."""
    return float(1.458e-6 * temperature_k**1.5 / (temperature_k + 110.4))


VISCOSITY_PA_S = viscosity_pa_s()


def barometer_pa(elevation_m: Like) -> Floats:
    """Return the mean atmospheric pressure at an elevation, US Standard Atmosphere 1976, below 11 km.

    Examples
    --------
    >>> round(float(barometer_pa(0.0)) / 3386.389, 2)
    29.92
    """
    return SEA_LEVEL_PA * (1.0 - 0.0065 * np.asarray(elevation_m, dtype=np.float64) / 288.15) ** 5.255876


def boiling_pa(temperature_k: float = LINE_TEMPERATURE_K) -> float:
    """Return the pressure at which water boils, in Pa; no pump pulls sap below it.

    Magnus' formula with the constants of Alduchov and Eskridge (1996), good to 0.4 %
    from -40 to 50 C.

    Examples
    --------
    26.3 inHg of vacuum at sea level leaves 12.3 kPa, at which water boils near 50 C
    (La Terre de chez nous).

    >>> round(boiling_pa(273.15 + 50.0) / 1000, 1)
    12.4
    """
    celsius = temperature_k - 273.15
    return float(610.94 * np.exp(17.625 * celsius / (celsius + 243.04)))


def mass_flow_kg_s(free_air_m3_s: Like) -> Floats:
    """Return the mass flow of free air (sea-level pressure, line temperature)."""
    return np.asarray(free_air_m3_s, dtype=np.float64) * FREE_AIR_KG_M3


def free_area_m2(inner_diameter_mm: Like, depth_ratio: Like) -> Floats:
    """Return the area above the sap in square metres."""
    bore_m = np.asarray(inner_diameter_mm, dtype=np.float64) / 1000.0
    return np.pi * bore_m**2 / 4.0 - sap.wetted_area_m2(inner_diameter_mm, depth_ratio)


def hydraulic_diameter_m(inner_diameter_mm: Like, depth_ratio: Like) -> Floats:
    """Return four times the free area over dry arc and sap surface, in metres."""
    bore_m = np.asarray(inner_diameter_mm, dtype=np.float64) / 1000.0
    dry_m = np.pi * bore_m - sap.wetted_perimeter_m(inner_diameter_mm, depth_ratio)
    around = dry_m + sap.surface_width_m(inner_diameter_mm, depth_ratio)
    area = free_area_m2(inner_diameter_mm, depth_ratio)
    return np.divide(4.0 * area, around, out=np.zeros(np.broadcast(area, around).shape), where=around > 0.0)


def smooth_turbulent_friction(reynolds: Like) -> Floats:
    """Return Darcy's factor of a smooth pipe, ``1/sqrt(f) = -2 log10(2.51 / (Re sqrt(f)))``.

    Newton's steps on ``1/sqrt(f)`` from Blasius' value; four reach rounding error.
    """
    re = np.asarray(reynolds, dtype=np.float64)
    root = np.sqrt(re**0.25 / 0.3164)
    for _ in range(4):
        error = root - 2.0 * np.log10(re / (2.51 * root))
        root = root - error / (1.0 + 2.0 / (np.log(10.0) * root))
    return 1.0 / root**2


def friction_factor(reynolds: Like) -> Floats:
    """Return Darcy's friction factor: laminar to Re 2040, smooth turbulent above; NaN at Re 0."""
    re = np.asarray(reynolds, dtype=np.float64)
    safe = np.where(re > 0.0, re, np.nan)
    return np.where(safe <= TURBULENT_RE, 64.0 / safe, smooth_turbulent_friction(np.maximum(safe, TURBULENT_RE)))


def resistance_pa2_m(free_air_m3_s: Like, inner_diameter_mm: Like, depth_ratio: Like) -> tuple[Floats, Floats]:
    """Return how fast friction and speed eat the square of pressure.

    Returns
    -------
    friction_pa2_m : float array
        ``(m/A)^2 R T f / Dh``, the fall of p^2 per metre; 0 without air, inf without free area.
    inertia_pa2 : float array
        ``(m/A)^2 R T``, the factor of ``2 ln(p_up / p_down)``.
    """
    air, bore, depth = np.broadcast_arrays(
        *(np.asarray(v, dtype=np.float64) for v in (free_air_m3_s, inner_diameter_mm, depth_ratio))
    )
    area, across = free_area_m2(bore, depth), hydraulic_diameter_m(bore, depth)
    mass = mass_flow_kg_s(air)
    runs, open_ = mass > 0.0, (area > 0.0) & (across > 0.0)
    area, across = np.where(open_, area, 1.0), np.where(open_, across, 1.0)
    flux = mass / area
    factor = friction_factor(np.where(runs, flux * across / VISCOSITY_PA_S, 1.0))
    inertia = flux**2 * AIR_GAS_J_KG_K * LINE_TEMPERATURE_K
    friction = inertia * factor / across
    closed = np.where(runs, np.inf, 0.0)
    return np.where(open_, np.where(runs, friction, 0.0), closed), np.where(open_, inertia, closed)


def pressure_up_pa(down_pa: Like, friction_pa2: Like, inertia_pa2: Like) -> Floats:
    """Return the absolute pressure at the upper end of a reach.

    Solves ``p_up^2 = p_down^2 + friction + inertia ln(p_up^2 / p_down^2)`` by fixed
    point, which converges while the air stays slower than isothermal sound.

    Parameters
    ----------
    down_pa : array_like
        Absolute pressure at the lower end, Pa.
    friction_pa2 : array_like
        Friction per metre times length, Pa^2.
    inertia_pa2 : array_like
        Second value of :func:`resistance_pa2_m`.

    Returns
    -------
    float array
        Pa; inf where the lower end would have to be faster than sound (choked).
    """
    down2 = np.asarray(down_pa, dtype=np.float64) ** 2
    friction, inertia = np.asarray(friction_pa2, dtype=np.float64), np.asarray(inertia_pa2, dtype=np.float64)
    choked = ~(inertia < down2) | ~np.isfinite(friction)
    inertia, friction = np.where(choked, 0.0, inertia), np.where(choked, 0.0, friction)
    up2 = down2 + friction
    for _ in range(200):
        newer = down2 + friction + inertia * np.log(up2 / down2)
        settled = bool(np.all(np.abs(newer - up2) <= 1e-13 * up2))
        up2 = newer
        if settled:
            break
    return np.where(choked, np.inf, np.sqrt(up2))


def free_air_m3_s(
    up_pa: float, down_pa: float, length_m: float, inner_diameter_mm: float, depth_ratio: float = 0.0
) -> float:
    """Return the free air that a pipe passes between two absolute pressures, by bisection.

    Raises
    ------
    ValueError
        When the upper pressure is not above the lower one.
    """
    if not up_pa > down_pa > 0.0:
        raise ValueError(f"air runs from high to low pressure; got {up_pa} Pa up and {down_pa} Pa down")
    low, high = 0.0, 1.0  # a cubic metre a second chokes any bore of a catalogue
    for _ in range(64):
        middle = 0.5 * (low + high)
        friction, inertia = resistance_pa2_m(middle, inner_diameter_mm, depth_ratio)
        enough = bool(pressure_up_pa(down_pa, friction * length_m, inertia) < up_pa)
        low, high = (middle, high) if enough else (low, middle)
    return 0.5 * (low + high)
