"""Where the wet line of a pair breathes into its dry line."""

from __future__ import annotations

from collections.abc import Iterable
from itertools import pairwise

RISER_EVERY_M = 30.48  # aim; rules.csv pair.riser
SAME_PLACE_M = 0.001


def riser_stations(
    *, supports_m: Iterable[float], manifolds_m: Iterable[float], foot_m: float, head_m: float
) -> list[float]:
    """Return the stations of the risers along a pair, from the bottom up.

    A riser stands at a support: walking up from each manifold, the last support within 30 m of
    the riser (or manifold) below, or the next support when none is that near. Manifolds, which
    stand at the foot, the head and every branch, breathe by themselves and are not listed.

    Parameters
    ----------
    supports_m : iterable of float
        Stations of the mainline's supports.
    manifolds_m : iterable of float
        Stations of branches.
    foot_m, head_m : float
        Ends of the pair.

    Examples
    --------
    >>> riser_stations(supports_m=range(0, 101, 10), manifolds_m=[55.0], foot_m=0.0, head_m=100.0)
    [30.0, 80.0]
    """
    fixed = sorted({foot_m, head_m, *(m for m in manifolds_m if foot_m < m < head_m)})
    out: list[float] = []
    for low, high in pairwise(fixed):
        inside = sorted(float(s) for s in supports_m if low + SAME_PLACE_M < s < high - SAME_PLACE_M)
        last = low
        for here, after in pairwise([*inside, high]):
            if after - last > RISER_EVERY_M + SAME_PLACE_M:
                out.append(here)
                last = here
    return out
