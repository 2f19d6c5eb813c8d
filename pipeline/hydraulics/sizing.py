"""Which size each reach of a tree of mainlines needs, for sap and for air.

A *reach* lies between two neighbouring places where anything changes (entry, join,
support). Sizes are indices into a catalogue sorted by bore; one past the last means
that none will do.

Sap: the smallest bore that the reach's peak flow fills to no more than the allowed
share at the reach's grade. Air: the vacuum that may be lost is handed out in advance,
so much per metre, and a reach takes the smallest bore whose loss keeps to its share.

The share. Losses add up in squares of pressure, so the budget is
``B = p_far^2 - p_pump^2``. With ``P`` the longest way from pump to entry that passes
the reach and ``x`` the reach's distance from the pump over ``P``, the reach may lose
``B / P * phi(x)`` per metre. ``phi`` falls from pump to top, because much air runs
below and little above; its mean is 1, so no way ever overspends (a way shorter than
``P`` gets no more than its own share, because ``x phi(x)`` never falls). Every share
depends on lengths and budget alone, never on what other pipes happen to need: a
tighter budget, more taps, less grade or a longer line can therefore never make any
pipe smaller.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.hydraulics import air, sap

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

SHARE_KNEE = 0.3  # phi is level up to this part of the way, then falls as 1 / x; ours


def share_profile(x: Floats) -> Floats:
    """Return ``phi(x) = c / max(x, knee)`` with mean 1 over 0 to 1.

    Examples
    --------
    >>> x = (np.arange(100_000) + 0.5) / 100_000
    >>> round(float(share_profile(x).mean()), 6)
    1.0
    """
    scale = 1.0 / (1.0 + np.log(1.0 / SHARE_KNEE))
    return np.asarray(scale / np.maximum(x, SHARE_KNEE), dtype=np.float64)


def _first(enough: npt.NDArray[np.bool_]) -> Ints:
    """Return the first column that is true in each row; the number of columns where none is."""
    found: Ints = np.where(enough.any(axis=1), enough.argmax(axis=1), enough.shape[1]).astype(np.int64)
    return found


def needed_for_sap(*, capacity_l_min: Floats, flow_l_min: Floats) -> Ints:
    """Return the smallest size that carries the flow within the allowed fill.

    Parameters
    ----------
    capacity_l_min : float array, shape (reaches, sizes)
        Flow at the allowed fill; NaN where the reach does not fall.
    flow_l_min : float array, shape (reaches,)
        Peak flow.

    Returns
    -------
    int array, shape (reaches,)
        Size index; the number of sizes where none will do.
    """
    enough = capacity_l_min >= flow_l_min[:, None] * (1.0 - 1e-12)
    return _first(enough)


def loss_pa2_m(*, free_air_m3_s: Floats, bore_mm: Floats, depth_ratio: Floats, pump_pa: Floats) -> Floats:
    """Return the most that the square of pressure can fall per metre, in Pa^2/m.

    Friction plus a bound on the work of speeding the air up: ``2 ln(p_up / p_down)`` is
    at most ``(p_up^2 - p_down^2) / p_pump^2``. inf where the air would choke.
    """
    friction, inertia = air.resistance_pa2_m(free_air_m3_s, bore_mm, depth_ratio)
    left = 1.0 - inertia / pump_pa**2
    return np.where(left > 0.0, friction / np.where(left > 0.0, left, 1.0), np.inf)


def needed_for_air(*, loss: Floats, share: Floats) -> Ints:
    """Return the smallest size whose loss per metre keeps to the reach's share.

    Parameters
    ----------
    loss : float array, shape (reaches, sizes)
        From :func:`loss_pa2_m`; NaN where the sap leaves no free section.
    share : float array, shape (reaches,)
        What the reach may lose per metre, Pa^2/m.
    """
    return _first(loss <= share[:, None])


def depths(*, flow_l_min: Floats, grade_pct: Floats, bores_mm: Floats) -> Floats:
    """Return normal depth ratios, shape (reaches, sizes); NaN where no free surface carries the flow."""
    return sap.normal_depth_ratio(bores_mm[None, :], grade_pct[:, None], flow_l_min[:, None])
