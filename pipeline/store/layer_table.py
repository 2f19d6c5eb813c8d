"""One layer of ``plan.gpkg`` ready to be written."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Cells = Sequence[str] | Sequence[float] | Sequence[int] | npt.NDArray[np.float64] | npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class LayerTable:
    """One layer ready to be written: shapes (None for a plain table) and columns by name."""

    name: str
    geometry: str
    shapes: npt.NDArray[np.object_] | None
    columns: dict[str, Cells]
