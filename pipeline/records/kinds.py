"""Array types, words and codes that the records share."""

from __future__ import annotations

from typing import Literal

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Grid = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

TreeStatus = Literal["served", "set_aside", "not_tapped"]
SupportKind = Literal["tree", "post", "anchor"]
PipeRole = Literal["single", "wet", "dry"]
GradeConfidence = Literal["high", "level it", "unknown"]

# Why a tree is not served. `fallgrade explain CODE` prints the long form.
SET_ASIDE_REASONS = (
    "OFF_TERRAIN", "NO_GROUND", "NO_GO", "OUTSIDE_PROPERTY", "BELOW_OUTLET", "NO_GRADE",
    "OUT_OF_REACH", "NOT_WORTH_IT", "NO_LATERAL", "DUPLICATE", "BAD_POSITION", "ABANDONED",
)
NOT_TAPPED_REASONS = ("TOO_SMALL", "DEAD", "SPECIES", "NO_DIAMETER", "STORM_LOST", "RETIRED")
