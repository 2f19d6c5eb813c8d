"""Ground slope by Horn's 3 x 3 scheme."""

from __future__ import annotations

import numpy as np

from pipeline.terrain.grid import Grid, Terrain


def slope_pct(terrain: Terrain) -> Grid:
    """Return the slope of the ground in percent of plan distance, cell by cell.

    ``dz/dx = ((c + 2 f + i) - (a + 2 d + g)) / (8 cell)`` over the eight neighbours ``a b c / d . f / g h i``,
    likewise ``dz/dy``; the slope is ``100 hypot(dz/dx, dz/dy)``. A neighbour without ground is continued in a
    straight line from the opposite neighbour through the centre. When both are missing, a corner is put on the
    plane of the two sides beside it, and a side is taken as level with the centre. So a plane keeps its slope
    up to the edge of the raster.

    Parameters
    ----------
    terrain : Terrain
        Any size; not modified.

    Returns
    -------
    float32 array, shape of the terrain
        NaN where the cell itself has no ground.

    Notes
    -----
    B. K. P. Horn, Hill shading and the reflectance map, Proceedings of the IEEE 69(1), 1981.
    """
    rows, cols = terrain.shape
    z = terrain.z_m
    padded = np.full((rows + 2, cols + 2), np.nan, dtype=np.float32)
    padded[1:-1, 1:-1] = z

    def neighbour(down: int, right: int, instead: Grid) -> Grid:
        here = padded[1 + down:1 + down + rows, 1 + right:1 + right + cols] - z
        there = padded[1 - down:1 - down + rows, 1 - right:1 - right + cols] - z
        # all as rise above the centre, which keeps single precision precise on high ground
        return np.where(np.isnan(here), np.where(np.isnan(there), instead, -there), here)

    level = np.zeros_like(z)
    north, south = neighbour(-1, 0, level), neighbour(1, 0, level)
    west, east = neighbour(0, -1, level), neighbour(0, 1, level)
    north_west, north_east = neighbour(-1, -1, north + west), neighbour(-1, 1, north + east)
    south_west, south_east = neighbour(1, -1, south + west), neighbour(1, 1, south + east)
    along = (north_east + 2.0 * east + south_east) - (north_west + 2.0 * west + south_west)
    across = (north_west + 2.0 * north + north_east) - (south_west + 2.0 * south + south_east)
    slope = np.hypot(along, across) * np.float32(100.0 / (8.0 * terrain.cell_m))
    return np.where(np.isnan(z), np.float32(np.nan), slope).astype(np.float32)
