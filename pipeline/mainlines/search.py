"""Typed doors to the searches cell by cell."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.mainlines import search_kernel
from pipeline.mainlines.lattice_kernel import DC, DR

Grid = npt.NDArray[np.float32]
Floats = npt.NDArray[np.float64]

# a further label at a cell must lie lower by this share of what is left above the lowest line, and by this much (ours)
SHARE = 1.0 / 16.0
LEAST_M = 0.01
QUEUE_BYTES, LABEL_BYTES = 21, 13  # of one waiting label and of one that is kept


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
    """What a search found.

    ``cost`` and ``z_m`` are the cheapest line's, per cell (``inf`` where no line can come), and
    ``first`` is its label; ``pred`` and ``move`` lead from label to label back to a source.
    """

    cost: Grid
    z_m: Grid
    first: npt.NDArray[np.int32]
    pred: npt.NDArray[np.int32]
    move: npt.NDArray[np.uint8]
    labels_per_cell: float
    bytes_per_cell: float

    def path(self, row: int, col: int) -> npt.NDArray[np.int64]:
        """Return the cheapest path to a cell as (row, column) pairs, source first; empty when none."""
        label = int(self.first[row, col])
        out = [(row, col)]
        while label >= 0 and (before := int(self.pred[label])) >= 0:
            move = int(self.move[label])
            row, col, label = row - int(DR[move]), col - int(DC[move]), before
            out.append((row, col))
        return np.array(out[::-1] if label >= 0 else [], dtype=np.int64).reshape(-1, 2)


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
    sources: Sources, moves: int = 16, share: float = SHARE,
) -> Found:
    """Return the cheapest legal line to every cell: a staircase of labels over the exact lowest line.

    Costs are metres of plan length times the mean factor of the two cells of a move. With a
    smaller ``share`` (see :func:`search_kernel.staircase`) the search is slower and nearer to exact.
    Raises ValueError for a share outside 0 to 1.
    """
    if not 0.0 <= share <= 1.0:
        raise ValueError(f"share is {share}; wanted 0 to 1")
    low, high, cost = window_of(low_m, high_m, factor)
    flat = sources.flat(low.shape[1])
    grade = min_grade_pct / 100.0
    z_low, came = search_kernel.lowest(low, high, cell_m, grade, moves, flat, sources.z_m)
    label_cost, label_z, pred, move, first, kept, queue = search_kernel.staircase(
        low, high, cost, cell_m, grade, moves, share, LEAST_M if share > 0.0 else 0.0, flat, sources.z_m, z_low
    )
    reached = first >= 0
    best = np.full((2, low.size), np.inf, dtype=np.float32)
    best[0, reached], best[1, reached] = label_cost[first[reached]], label_z[first[reached]]
    pred, move = pred[:kept].copy(), move[:kept].copy()
    labels = LABEL_BYTES * kept
    cells = z_low.nbytes + came.nbytes + first.nbytes + 4 * low.size
    return Found(
        cost=best[0].reshape(low.shape), z_m=best[1].reshape(low.shape), first=first.reshape(low.shape), pred=pred,
        move=move, labels_per_cell=float(kept) / max(1, int(reached.sum())),
        bytes_per_cell=(labels + cells + QUEUE_BYTES * queue) / low.size,
    )
