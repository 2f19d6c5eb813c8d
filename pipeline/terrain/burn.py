"""Which cells of a terrain an area covers."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt
from shapely.geometry.base import BaseGeometry

from pipeline.terrain.grid import Terrain

Mask = npt.NDArray[np.bool_]


def covered(terrain: Terrain, shape: BaseGeometry) -> tuple[tuple[slice, slice], Mask]:
    """Return which cell centres lie in an area: a window of the grid and a mask of its shape.

    Even-odd rule along each row of cells, so holes and separate parts come out right. A centre
    exactly on a western or northern edge counts as inside.

    Parameters
    ----------
    terrain : Terrain
        Gives the grid; its elevations are not looked at.
    shape : shapely geometry
        Polygon or collection of polygons in the plan's frame; lines and points cover nothing.
    """
    rows, cols = terrain.shape
    rings = [ring for part in polygons(shape) for ring in (part.exterior, *part.interiors)]
    if not rings:
        return (slice(0, 0), slice(0, 0)), np.zeros((0, 0), dtype=np.bool_)
    ends = [np.column_stack([xy[:-1], xy[1:]]) for xy in (np.asarray(r.coords)[:, :2] for r in rings)]
    edge = np.concatenate(ends)
    row_a, col_a = terrain.rowcol(edge[:, 0], edge[:, 1])
    row_b, col_b = terrain.rowcol(edge[:, 2], edge[:, 3])
    top = max(math.floor(min(row_a.min(), row_b.min())), 0)
    bottom = min(math.ceil(max(row_a.max(), row_b.max())) + 1, rows)
    left = max(math.floor(min(col_a.min(), col_b.min())), 0)
    right = min(math.ceil(max(col_a.max(), col_b.max())) + 1, cols)
    if bottom <= top or right <= left:
        return (slice(0, 0), slice(0, 0)), np.zeros((0, 0), dtype=np.bool_)
    first = np.clip(np.ceil(np.minimum(row_a, row_b)), top, bottom).astype(np.int64)
    after = np.clip(np.ceil(np.maximum(row_a, row_b)), top, bottom).astype(np.int64)
    count = after - first
    which = np.repeat(np.arange(len(edge)), count)
    row = np.repeat(first, count) + np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
    share = (row - row_a[which]) / (row_b[which] - row_a[which])
    crossing = np.ceil(col_a[which] + share * (col_b[which] - col_a[which]))
    col = np.clip(crossing, left, right).astype(np.int64)
    width = right - left + 1
    flips = np.bincount((row - top) * width + (col - left), minlength=(bottom - top) * width)
    mask = (np.cumsum(flips.reshape(bottom - top, width), axis=1) % 2 == 1)[:, :-1]
    return (slice(top, bottom), slice(left, right)), mask


def polygons(shape: BaseGeometry) -> list[BaseGeometry]:
    """Return the areas of a shape one by one, nested collections opened; lines and points are left out."""
    if shape.geom_type == "Polygon":
        return [] if shape.is_empty else [shape]
    return [polygon for part in getattr(shape, "geoms", ()) for polygon in polygons(part)]
