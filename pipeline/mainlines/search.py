"""Typed doors to the searches cell by cell."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.mainlines import search_kernel
from pipeline.mainlines.lattice_kernel import DC, DR

Grid = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

BANDS = 8  # labels per cell, the last reserved for the lowest line


@dataclass(frozen=True, slots=True, eq=False)
class Sources:
    """Where lines begin: cells (rows, columns) and the line's elevation there, in metres."""

    row: npt.NDArray[np.int64]
    col: npt.NDArray[np.int64]
    z_m: Floats

    def flat(self, cols: int) -> npt.NDArray[np.int64]:
        """Return flat cell indices on a grid of so many columns."""
        return np.asarray(self.row * cols + self.col, dtype=np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class Found:
    """What a banded search found.

    ``cost`` and ``z_m`` are the cheapest label's, per cell (``inf`` where no line can come);
    ``labels`` are all labels' costs and elevations, shape (rows, cols, bands).
    """

    cost: Grid
    z_m: Grid
    label_cost: Grid
    label_z_m: Grid
    back: npt.NDArray[np.uint16]
    bytes_per_cell: float

    def path(self, row: int, col: int) -> npt.NDArray[np.int64]:
        """Return the cheapest path to a cell as (row, column) pairs, source first; empty when none."""
        bands = self.label_cost.shape[2]
        band = int(np.argmin(self.label_cost[row, col]))
        if not math.isfinite(float(self.label_cost[row, col, band])):
            return np.empty((0, 2), dtype=np.int64)
        out = [(row, col)]
        while True:
            code = int(self.back[row, col, band])
            if code == 65535:
                return np.array(out[::-1], dtype=np.int64)
            move, band = divmod(code, bands)
            row, col = row - int(DR[move]), col - int(DC[move])
            out.append((row, col))


def window_of(low_m: npt.ArrayLike, high_m: npt.ArrayLike, factor: npt.ArrayLike) -> tuple[Grid, Grid, Grid]:
    """Return window and cost as float32, closed (``inf``) where the cost is infinite or the ground unknown."""
    low = np.array(low_m, dtype=np.float32)
    high = np.array(high_m, dtype=np.float32)
    cost = np.array(factor, dtype=np.float32)
    shut = ~np.isfinite(low) | np.isnan(high) | ~np.isfinite(cost)
    low[shut] = np.inf
    high[shut] = -np.inf
    cost[shut] = np.inf
    return low, high, cost


def lowest_line(
    low_m: npt.ArrayLike, high_m: npt.ArrayLike, *, cell_m: float, min_grade_pct: float, sources: Sources,
    moves: int = 16,
) -> Grid:
    """Return the exact lowest line elevation per cell in metres, ``inf`` where no line can come.

    Parameters
    ----------
    low_m, high_m : array, shape (rows, cols)
        Elevations of the lowest and highest line; ``inf`` in ``low_m`` closes a cell, ``inf`` in
        ``high_m`` takes the upper end of the window away.
    moves : int
        8 or 16.
    """
    low, high, _ = window_of(low_m, high_m, np.ones(np.shape(low_m)))
    z, _ = search_kernel.lowest(
        low, high, cell_m, min_grade_pct / 100.0, moves, sources.flat(low.shape[1]), sources.z_m
    )
    return np.asarray(z.reshape(low.shape))


def cheapest(
    low_m: npt.ArrayLike, high_m: npt.ArrayLike, factor: npt.ArrayLike, *, cell_m: float, min_grade_pct: float,
    sources: Sources, moves: int = 16, bands: int = BANDS,
) -> Found:
    """Return the cheapest legal line to every cell: banded labels over the exact lowest line.

    Costs are metres of plan length times the mean factor of the two cells of a move. Raises
    ValueError for fewer than 2 or more than 32 bands.
    """
    if not 2 <= bands <= 32:
        raise ValueError(f"bands is {bands}; wanted 2 to 32")
    low, high, cost = window_of(low_m, high_m, factor)
    flat = sources.flat(low.shape[1])
    grade = min_grade_pct / 100.0
    z_low, came = search_kernel.lowest(low, high, cell_m, grade, moves, flat, sources.z_m)
    label_cost, label_z, back, queue = search_kernel.banded(
        low, high, cost, cell_m, grade, moves, bands, flat, sources.z_m, z_low, came
    )
    shape = (*low.shape, bands)
    label_cost, label_z = label_cost.reshape(shape), label_z.reshape(shape)
    best = np.argmin(label_cost, axis=2)[..., None]
    held = label_cost.nbytes + label_z.nbytes + back.nbytes + z_low.nbytes + came.nbytes + 12 * low.size + 12 * queue
    return Found(
        cost=np.take_along_axis(label_cost, best, 2)[..., 0], z_m=np.take_along_axis(label_z, best, 2)[..., 0],
        label_cost=label_cost, label_z_m=label_z, back=back.reshape(shape), bytes_per_cell=held / low.size,
    )
