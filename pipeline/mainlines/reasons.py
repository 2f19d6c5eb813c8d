"""Why trees are left out, and how much lift would serve them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.mainlines import cover_kernel, reach_kernel, state_kernel
from pipeline.mainlines.lattice import Lattice, Ways, lateral_ceiling
from pipeline.records import Trees
from pipeline.settings import Settings
from pipeline.terrain.grid import Terrain

Floats = npt.NDArray[np.float64]


def lowest_anywhere(
    lattice: Lattice, ways: Ways, source: npt.NDArray[np.int64], source_z: Floats
) -> Floats:
    """Return the lowest line at every node if a line might hang as high as it likes."""
    _, _, _, run_m = state_kernel.move_tables(lattice.cols, lattice.step_m)
    high = np.where(np.isfinite(ways.free_m), np.float32(np.inf), np.float32(-np.inf))
    return reach_kernel.reach(
        lattice.rows, lattice.cols, lattice.surface.grade, run_m, ways.free_m, high, source, source_z
    )


def lifts(terrain: Terrain, trees: Trees, settings: Settings, lattice: Lattice, lowest: Floats) -> Floats:
    """Return how much too low each tree stands for gravity, NaN where no line can come near at all.

    The lift is the least over the nodes in reach of ``lowest line + lateral grade * distance
    - (tree ground + highest lateral)``, and 0 where that is negative.
    """
    row, col = terrain.rowcol(trees.x_m, trees.y_m)
    tree_rc = np.column_stack((row, col))
    tree_rc = np.where(np.isfinite(tree_rc), tree_rc, -1e9)
    need = cover_kernel.least_need(
        tree_rc, settings.laterals.reach_m / terrain.cell_m,
        settings.laterals.min_grade_pct / 100.0 * terrain.cell_m, lattice.rows, lattice.cols, lattice.row0,
        lattice.col0, lattice.stride, lowest,
    )
    lift = need - lateral_ceiling(trees, settings, lattice.base_m)
    return np.where(np.isfinite(lift), np.maximum(lift, 0.0), np.nan)


def reasons(
    trees: Trees, lift_m: Floats, coverable: npt.NDArray[np.bool_], served: npt.NDArray[np.bool_]
) -> tuple[str, ...]:
    """Return a set-aside code per tree, ``""`` where a lateral may be tried or nothing was asked."""
    asked = trees.candidate & (trees.taps > 0)
    out = []
    for t in range(len(trees)):
        if not asked[t] or served[t]:
            out.append("")
        elif coverable[t]:
            out.append("NOT_WORTH_IT")
        elif np.isnan(lift_m[t]):
            out.append("OUT_OF_REACH")
        else:
            out.append("BELOW_OUTLET" if lift_m[t] > 0.0 else "NO_GRADE")
    return tuple(out)
