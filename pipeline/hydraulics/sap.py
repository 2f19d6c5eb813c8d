"""Sap running part-full in a round pipe: Manning's formula on a circular segment.

With the angle ``t`` that the wetted arc spans at the centre (radians), bore ``D``::

    depth / D = (1 - cos(t / 2)) / 2        area A      = D^2 (t - sin t) / 8
    wetted perimeter P = t D / 2            surface     = D sin(t / 2)
    flow Q = A (A / P)^(2/3) sqrt(S) / n    S = fall per horizontal metre

The formula and the segment are those of any open-channel text (Chow, *Open-Channel
Hydraulics*, 1959). All functions take scalars or arrays that broadcast, and return
float64 arrays. They never clamp: a line that does not fall, or carries more than a
free surface can, gives NaN, and the caller says so on paper.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Like = npt.ArrayLike

MANNING_N = 0.009  # polyethylene, design value; rules.csv sap.manning_n
MANNING_N_FLAT = 0.010  # below FLAT_GRADE_PCT; rules.csv sap.manning_n_flat
FLAT_GRADE_PCT = 2.0  # rules.csv sap.flat_grade
ROUNDING_PCT = 1e-6  # a line hung at 2 % may come out a hair below it

# Depth ratio at which Manning's flow is greatest: root of 3 t - 5 t cos t + 2 sin t = 0.
ANGLE_AT_MOST_FLOW = 5.27810713700383
DEPTH_RATIO_AT_MOST_FLOW = 0.5 * (1.0 - float(np.cos(ANGLE_AT_MOST_FLOW / 2.0)))


def _array(value: Like) -> Floats:
    return np.asarray(value, dtype=np.float64)


def manning_n(grade_pct: Like) -> Floats:
    """Return Manning's roughness: 0.009, and 0.010 on grades below 2 %.

    Held against Darcy with Blasius' friction at 0 C, 0.009 over-states small pipes on
    flat grades by up to 11 % (derived); 0.010 does not.

    Examples
    --------
    >>> [float(n) for n in manning_n([1.0, 2.0, 5.0])]
    [0.01, 0.009, 0.009]
    """
    return np.where(_array(grade_pct) < FLAT_GRADE_PCT - ROUNDING_PCT, MANNING_N_FLAT, MANNING_N)


def angle_rad(depth_ratio: Like) -> Floats:
    """Return the angle of the wetted arc, 0 (empty) to 2 pi (full); NaN outside 0 to 1."""
    depth = _array(depth_ratio)
    inside = (depth >= 0.0) & (depth <= 1.0)
    return np.where(inside, 2.0 * np.arccos(np.clip(1.0 - 2.0 * depth, -1.0, 1.0)), np.nan)


def area_ratio(depth_ratio: Like) -> Floats:
    """Return wetted area over bore area, ``(t - sin t) / (2 pi)``.

    Examples
    --------
    >>> float(area_ratio(0.5))
    0.5
    """
    angle = angle_rad(depth_ratio)
    return (angle - np.sin(angle)) / (2.0 * np.pi)


def wetted_area_m2(inner_diameter_mm: Like, depth_ratio: Like) -> Floats:
    """Return the wetted area in square metres."""
    bore_m = _array(inner_diameter_mm) / 1000.0
    return area_ratio(depth_ratio) * np.pi * bore_m**2 / 4.0


def wetted_perimeter_m(inner_diameter_mm: Like, depth_ratio: Like) -> Floats:
    """Return the length of the wetted arc, ``t D / 2``, in metres."""
    return angle_rad(depth_ratio) * _array(inner_diameter_mm) / 2000.0


def surface_width_m(inner_diameter_mm: Like, depth_ratio: Like) -> Floats:
    """Return the width of the sap's surface, ``D sin(t / 2)``, in metres."""
    return np.abs(np.sin(angle_rad(depth_ratio) / 2.0)) * _array(inner_diameter_mm) / 1000.0


def hydraulic_radius_m(inner_diameter_mm: Like, depth_ratio: Like) -> Floats:
    """Return wetted area over wetted perimeter in metres; 0 in an empty pipe."""
    area, perimeter = wetted_area_m2(inner_diameter_mm, depth_ratio), wetted_perimeter_m(
        inner_diameter_mm, depth_ratio
    )
    return np.divide(area, perimeter, out=np.zeros(np.broadcast(area, perimeter).shape), where=perimeter > 0.0)


def full_flow_l_min(inner_diameter_mm: Like, grade_pct: Like, roughness_n: Like | None = None) -> Floats:
    """Return the flow of a just full bore in L/min; NaN where the line does not fall.

    Examples
    --------
    1 in bore, 2 %, n = 0.010: half of it is 0.1229 L/s.

    >>> round(float(full_flow_l_min(25.4, 2.0, 0.010)) / 60 / 2, 4)
    0.1229
    """
    grade = _array(grade_pct)
    n = manning_n(grade) if roughness_n is None else _array(roughness_n)
    bore_m = _array(inner_diameter_mm) / 1000.0
    slope = np.where(grade > 0.0, grade / 100.0, np.nan)
    return np.pi * bore_m**2 / 4.0 * (bore_m / 4.0) ** (2.0 / 3.0) * np.sqrt(slope) / n * 60_000.0


def _flow_share(angle: Floats) -> Floats:
    """Return flow over full flow, ``(t - sin t)^(5/3) / (2 pi t^(2/3))``."""
    safe = np.where(angle > 0.0, angle, 1.0)
    return np.where(angle > 0.0, (safe - np.sin(safe)) ** (5.0 / 3.0) / (2.0 * np.pi * safe ** (2.0 / 3.0)), 0.0)


def flow_l_min(
    inner_diameter_mm: Like, grade_pct: Like, depth_ratio: Like, roughness_n: Like | None = None
) -> Floats:
    """Return Manning's flow in L/min at a depth ratio.

    Parameters
    ----------
    inner_diameter_mm, grade_pct, depth_ratio : array_like
        Bore, fall in percent of horizontal length, depth over bore.
    roughness_n : array_like, optional
        Manning's n; :func:`manning_n` of the grade when left out.
    """
    return full_flow_l_min(inner_diameter_mm, grade_pct, roughness_n) * _flow_share(angle_rad(depth_ratio))


def depth_ratio_of_area(area: Like) -> Floats:
    """Return the depth ratio of an area ratio, by bisection; NaN outside 0 to 1."""
    target = _array(area)
    low, high = np.zeros_like(target), np.ones_like(target)
    for _ in range(54):
        middle = 0.5 * (low + high)
        below = area_ratio(middle) < target
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    exact = np.where((target == 0.0) | (target == 1.0), target, 0.5 * (low + high))
    return np.where((target >= 0.0) & (target <= 1.0), exact, np.nan)


def capacity_l_min(
    inner_diameter_mm: Like, grade_pct: Like, fill_ratio: Like, roughness_n: Like | None = None
) -> Floats:
    """Return the flow in L/min that fills a given share of the bore's area.

    Examples
    --------
    Half-full flow is half of full-bore flow.

    >>> round(float(capacity_l_min(26.64, 3.0, 0.5) / full_flow_l_min(26.64, 3.0)), 12)
    0.5
    """
    return flow_l_min(inner_diameter_mm, grade_pct, depth_ratio_of_area(fill_ratio), roughness_n)


def normal_depth_ratio(
    inner_diameter_mm: Like, grade_pct: Like, flow: Like, roughness_n: Like | None = None
) -> Floats:
    """Return the depth ratio at which the pipe carries `flow` (L/min).

    Newton's steps on the logarithms, kept inside a bracket that shrinks at every
    step (bisection when a step leaves it), so it ends for any input.

    Returns
    -------
    float array
        0 without flow; NaN where the line does not fall or the flow is greater than
        any free surface carries (7.6 % above full-bore flow, at 0.94 of the bore).
    """
    full = full_flow_l_min(inner_diameter_mm, grade_pct, roughness_n)
    share = _array(flow) / full
    share, _ = np.broadcast_arrays(share, full)
    most = float(_flow_share(np.asarray(ANGLE_AT_MOST_FLOW)))
    solvable = (share > 0.0) & (share <= most)
    target = np.where(solvable, share, 0.1)
    # For small t the share tends to t^(13/3) / (2 pi 6^(5/3)), which never under-states it.
    low = np.minimum((2.0 * np.pi * 6.0 ** (5.0 / 3.0) * target) ** (3.0 / 13.0), ANGLE_AT_MOST_FLOW)
    high = np.full_like(low, ANGLE_AT_MOST_FLOW)
    angle = low.copy()
    for _ in range(60):
        value = _flow_share(angle)
        low, high = np.where(value < target, angle, low), np.where(value < target, high, angle)
        step = 5.0 * (1.0 - np.cos(angle)) / (3.0 * (angle - np.sin(angle))) - 2.0 / (3.0 * angle)
        with np.errstate(divide="ignore", invalid="ignore"):
            newer = angle + np.log(target / value) / step
        inside = (newer > low) & (newer < high)
        newer = np.where(inside, newer, 0.5 * (low + high))
        done = bool(np.all(np.abs(newer - angle) <= 1e-14 * angle))
        angle = newer
        if done:
            break
    depth = 0.5 * (1.0 - np.cos(angle / 2.0))
    return np.where(solvable, depth, np.where(share == 0.0, 0.0, np.nan))


def velocity_m_s(inner_diameter_mm: Like, depth_ratio: Like, flow: Like) -> Floats:
    """Return the mean velocity of `flow` (L/min) in the wetted area; 0 in an empty pipe."""
    area = wetted_area_m2(inner_diameter_mm, depth_ratio)
    rate_m3_s = _array(flow) / 60_000.0
    out = np.zeros(np.broadcast(area, rate_m3_s).shape)
    return np.divide(rate_m3_s, area, out=out, where=area > 0.0)


def bore_needed_mm(grade_pct: Like, fill_ratio: Like, flow: Like) -> Floats:
    """Return the bore in mm that `flow` (L/min) fills to `fill_ratio` of its area.

    Manning's flow grows with the bore to the power 8/3, so this is a closed form.
    """
    unit = capacity_l_min(1000.0, grade_pct, fill_ratio)
    return 1000.0 * (_array(flow) / unit) ** 0.375
