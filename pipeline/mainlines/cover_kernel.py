"""Which tree a mainline could serve from which node of the lattice, and up to which line height.

From a node at distance d a lateral needs at its entry a line no higher than::

    tree ground + highest lateral - lateral grade * d

and a straight way that no blocked cell closes. The table is kept by node (compressed rows).
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from pipeline.compiled import njit
from pipeline.mainlines.lattice_kernel import F32, F64, I64, Bools, unblocked


@njit(cache=True)
def cover_pairs(
    tree_rc: F64, ceiling: F64, reach: float, grade_per_unit: float, rows: int, cols: int,
    row0: float, col0: float, stride: float, lowest: F32, blocked: Bools, check: bool,  # noqa: FBT001
    count: I64, start: I64, tree_out: npt.NDArray[np.int32], z_out: F32, fill: bool,  # noqa: FBT001
) -> None:
    """Count (fill false) or write (fill true) the trees each node can serve.

    Distances in raster cells; ``lowest`` is the lowest line any network can have at a node.
    """
    for t in range(tree_rc.shape[0]):
        r, c = tree_rc[t]
        if not math.isfinite(ceiling[t]):
            continue
        i0 = max(0, math.ceil((r - reach - row0) / stride))
        i1 = min(rows - 1, math.floor((r + reach - row0) / stride))
        j0 = max(0, math.ceil((c - reach - col0) / stride))
        j1 = min(cols - 1, math.floor((c + reach - col0) / stride))
        for i in range(i0, i1 + 1):
            for j in range(j0, j1 + 1):
                a = i * cols + j
                nr = row0 + i * stride
                nc = col0 + j * stride
                d = math.hypot(nr - r, nc - c)
                z = ceiling[t] - grade_per_unit * d
                if d > reach or not lowest[a] <= z:
                    continue
                if check and not unblocked(blocked, nr, nc, r, c):
                    continue
                if fill:
                    tree_out[start[a] + count[a]] = t
                    z_out[start[a] + count[a]] = z
                count[a] += 1


@njit(cache=True)
def least_need(
    tree_rc: F64, reach: float, grade_per_unit: float, rows: int, cols: int, row0: float, col0: float,
    stride: float, lowest: F64,
) -> F64:
    """Return per tree the least of ``lowest line + grade * distance`` over the nodes in reach."""
    out = np.full(tree_rc.shape[0], np.inf)
    for t in range(tree_rc.shape[0]):
        r, c = tree_rc[t]
        i0 = max(0, math.ceil((r - reach - row0) / stride))
        i1 = min(rows - 1, math.floor((r + reach - row0) / stride))
        j0 = max(0, math.ceil((c - reach - col0) / stride))
        j1 = min(cols - 1, math.floor((c + reach - col0) / stride))
        for i in range(i0, i1 + 1):
            for j in range(j0, j1 + 1):
                d = math.hypot(row0 + i * stride - r, col0 + j * stride - c)
                if d <= reach:
                    out[t] = min(out[t], lowest[i * cols + j] + grade_per_unit * d)
    return out


@njit(cache=True)
def served_by_line(
    tree_rc: F64, ceiling: F64, reach: float, grade_per_unit: float, blocked: Bools, check: bool,  # noqa: FBT001
    point_rc: F64, point_z: F64, served: Bools,
) -> None:
    """Mark the trees that some point of a line could serve, the points in order along it."""
    step = 1e-9
    for k in range(1, point_rc.shape[0]):
        step = max(step, math.hypot(point_rc[k, 0] - point_rc[k - 1, 0], point_rc[k, 1] - point_rc[k - 1, 1]))
    for t in range(tree_rc.shape[0]):
        if served[t] or not math.isfinite(ceiling[t]):
            continue
        r, c = tree_rc[t]
        k = 0
        while k < point_rc.shape[0]:
            d = math.hypot(point_rc[k, 0] - r, point_rc[k, 1] - c)
            if d > reach:
                # no point comes into reach sooner than the way to it is long
                k += max(1, int((d - reach) / step))
                continue
            if point_z[k] <= ceiling[t] - grade_per_unit * d and (
                not check or unblocked(blocked, point_rc[k, 0], point_rc[k, 1], r, c)
            ):
                served[t] = True
                break
            k += 1
