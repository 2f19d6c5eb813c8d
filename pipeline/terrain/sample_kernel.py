"""The one meaning of ground for compiled code: what ``Terrain.sample`` says, at a fractional row and column.

Recurrence: with ``r0 = floor(row)`` and ``fr = row - r0``, likewise for columns, the elevation is
``(1-fr)(1-fc) z[r0,c0] + (1-fr) fc z[r0,c1] + fr (1-fc) z[r1,c0] + fr fc z[r1,c1]``.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.compiled import njit

F32 = npt.NDArray[np.float32]


@njit(cache=True)
def ground_at(ground: F32, row: float, col: float) -> float:
    """Return the bilinear ground at a fractional row and column, moved to the nearest edge when outside.

    NaN where any cell that takes part has no ground; a weight of exactly zero lets no NaN neighbour through.
    """
    rows, cols = ground.shape
    row = min(max(row, 0.0), rows - 1.0)
    col = min(max(col, 0.0), cols - 1.0)
    r0 = min(int(row), max(rows - 2, 0))
    c0 = min(int(col), max(cols - 2, 0))
    r1 = min(r0 + 1, rows - 1)
    c1 = min(c0 + 1, cols - 1)
    fr = row - r0
    fc = col - c0
    total = 0.0
    if (1.0 - fr) * (1.0 - fc) > 0.0:
        total += (1.0 - fr) * (1.0 - fc) * ground[r0, c0]
    if (1.0 - fr) * fc > 0.0:
        total += (1.0 - fr) * fc * ground[r0, c1]
    if fr * (1.0 - fc) > 0.0:
        total += fr * (1.0 - fc) * ground[r1, c0]
    if fr * fc > 0.0:
        total += fr * fc * ground[r1, c1]
    return total
