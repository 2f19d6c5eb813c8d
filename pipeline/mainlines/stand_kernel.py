"""Straight lines put back on the lattice: which nodes they pass, and from which of these a branch may start."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from pipeline.compiled import njit
from pipeline.mainlines.lattice_kernel import F64, Bools, Surface, profile, segment
from pipeline.mainlines.state_kernel import I32, ROOT

FOOT_M = 2.0  # below this station a join would be a line of its own at the parent's lower end


@njit(cache=True)
def nearest_open(
    rows: int, cols: int, row0: float, col0: float, stride: float, node_ok: Bools, row: float, col: float
) -> int:
    """Return the open node nearest to a raster place among the nine round it, -1 when none is; of two the first."""
    i0 = round((row - row0) / stride)
    j0 = round((col - col0) / stride)
    best = math.inf
    out = -1
    for i in range(max(0, i0 - 1), min(rows, i0 + 2)):
        for j in range(max(0, j0 - 1), min(cols, j0 + 2)):
            d = math.hypot(row0 + i * stride - row, col0 + j * stride - col)
            if node_ok[i * cols + j] and d < best - 1e-9:
                best = d
                out = i * cols + j
    return out


@njit(cache=True)
def stand(
    surface: Surface, rows: int, cols: int, row0: float, col0: float, stride: float, node_ok: Bools,
    rc: F64, z: F64, own: F64, fixed: bool, step_m: float, index: int,  # noqa: FBT001
    used: I32, down: I32, node_z: F64, owner: npt.NDArray[np.int64],
) -> None:
    """Occupy the nodes along a line; where it can be led to a node lower than any before, the node becomes a root.

    ``rc`` are the line's vertices in raster rows and columns, ``z`` its elevations there, ``own``
    their stations in metres. A fixed line hangs straight between its vertices, another as low as it may.
    """
    length = own[-1]
    count = math.ceil(length / step_m)
    k = 0
    for q in range(count + 1):
        s = min(q * step_m, length)
        while k < own.shape[0] - 2 and own[k + 1] <= s:
            k += 1
        t = (s - own[k]) / max(own[k + 1] - own[k], 1e-12)
        row = rc[k, 0] + (rc[k + 1, 0] - rc[k, 0]) * t
        col = rc[k, 1] + (rc[k + 1, 1] - rc[k, 1]) * t
        if fixed or t <= 0.0:
            here = z[k] + (z[k + 1] - z[k]) * t
        else:
            here = profile(surface, rc[k, 0], rc[k, 1], row, col, z[k], 1)[-1]
        node = nearest_open(rows, cols, row0, col0, stride, node_ok, row, col)
        if node < 0:
            continue
        used[node] = 1
        nr = row0 + (node // cols) * stride
        nc = col0 + (node % cols) * stride
        m, e, _ = segment(surface, row, col, nr, nc)
        if not here <= e or s < min(FOOT_M, length / 2.0):
            continue
        there = max(here + surface.grade * math.hypot(nr - row, nc - col) * surface.cell_m, m)
        if there < node_z[node]:
            down[node] = ROOT
            node_z[node] = there
            owner[node] = index
