"""The elevation grid and its sampling."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.frame import Frame

Floats = npt.NDArray[np.float64]
Grid = npt.NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Terrain:
    """Ground elevation on a north-up grid of square cells.

    Parameters
    ----------
    z_m : float32 array, shape (rows, cols)
        Ground elevation at the cell centres; row 0 is the northernmost; NaN where there is no ground.
    x0_m, y0_m : float
        Centre of the cell ``[0, 0]`` in the plan's frame.
    cell_m : float
        Edge of a cell.
    frame : Frame
        The plan's coordinate frame.
    vertical_error_m : float
        Standard error of an elevation.
    source : str
        What to print as the source of the terrain.
    """

    z_m: Grid
    x0_m: float
    y0_m: float
    cell_m: float
    frame: Frame
    vertical_error_m: float
    source: str

    @property
    def shape(self) -> tuple[int, int]:
        """Rows and columns."""
        rows, cols = self.z_m.shape
        return rows, cols

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Outer edge as (west, south, east, north) in metres."""
        rows, cols = self.shape
        half = self.cell_m / 2.0
        return (
            self.x0_m - half,
            self.y0_m - (rows - 1) * self.cell_m - half,
            self.x0_m + (cols - 1) * self.cell_m + half,
            self.y0_m + half,
        )

    def rowcol(self, x_m: npt.ArrayLike, y_m: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Return fractional row and column of points; whole numbers are cell centres."""
        return (
            (self.y0_m - np.asarray(y_m, dtype=np.float64)) / self.cell_m,
            (np.asarray(x_m, dtype=np.float64) - self.x0_m) / self.cell_m,
        )

    def xy(self, row: npt.ArrayLike, col: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Return plan coordinates in metres of fractional rows and columns."""
        return (
            self.x0_m + np.asarray(col, dtype=np.float64) * self.cell_m,
            self.y0_m - np.asarray(row, dtype=np.float64) * self.cell_m,
        )

    def sample(self, x_m: npt.ArrayLike, y_m: npt.ArrayLike) -> Floats:
        """Return the ground elevation at points, bilinear between cell centres.

        NaN where any cell that takes part has no ground, and outside the outermost
        cell centres by more than half a cell; within that half cell the edge is
        carried outward. This is the one meaning of "ground" in the whole program.
        """
        row, col = self.rowcol(x_m, y_m)
        rows, cols = self.shape
        inside = (row >= -0.5) & (row <= rows - 0.5) & (col >= -0.5) & (col <= cols - 0.5)
        row = np.clip(np.nan_to_num(row), 0.0, rows - 1.0)
        col = np.clip(np.nan_to_num(col), 0.0, cols - 1.0)
        r0 = np.minimum(row.astype(np.intp), max(rows - 2, 0))
        c0 = np.minimum(col.astype(np.intp), max(cols - 2, 0))
        r1 = np.minimum(r0 + 1, rows - 1)
        c1 = np.minimum(c0 + 1, cols - 1)
        fr = row - r0
        fc = col - c0
        z = self.z_m
        # a weight of exactly zero must not let a NaN neighbour through
        total = np.zeros(np.shape(row))
        for rr, wr in ((r0, 1.0 - fr), (r1, fr)):
            for cc, wc in ((c0, 1.0 - fc), (c1, fc)):
                weight = wr * wc
                total = total + np.where(weight > 0.0, weight * z[rr, cc].astype(np.float64), 0.0)
        return np.where(inside, total, np.nan)
