"""Natural vacuum: what a falling column of sap in a narrow line pulls by itself.

A 3/16 in line fills from wall to wall, so its sap hangs as one column; wider laterals
carry sap along the bottom and air above, and no column forms. 0.88 inHg for each foot
of fall, counted from the taphole down to the outlet, not along the line ("The 3/16
phenomenon", The Maple News); never more than the barometer.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.hydraulics import air
from pipeline.units import FT_M, INHG_KPA

VACUUM_KPA_PER_M = 0.88 * INHG_KPA / FT_M  # rules.csv natural.column


def natural_vacuum_kpa(fall_m: npt.ArrayLike, elevation_m: float) -> npt.NDArray[np.float64]:
    """Return the vacuum at a taphole that stands `fall_m` above the line's outlet.

    Parameters
    ----------
    fall_m : array_like
        Height of the taphole above the outlet; what lies below it pulls nothing.
    elevation_m : float
        Elevation, for the barometer: vacuum ends where sap boils.

    Examples
    --------
    20 ft of fall pull 17.7 inHg (same source), within rounding.

    >>> round(float(natural_vacuum_kpa(20 * FT_M, 0.0)) / INHG_KPA, 1)
    17.6
    """
    most_kpa = (float(air.barometer_pa(elevation_m)) - air.boiling_pa()) / 1000.0
    fall = np.maximum(np.asarray(fall_m, dtype=np.float64), 0.0)
    return np.minimum(fall * VACUUM_KPA_PER_M, most_kpa)
