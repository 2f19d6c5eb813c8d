"""The working lattice over the terrain: where lines may run, and how far each move may carry them."""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import pairwise
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pipeline.mainlines import cover_kernel, lattice_kernel, state_kernel
from pipeline.mainlines.lattice_kernel import F32, MOVES, Surface
from pipeline.mainlines.state_kernel import Cover, Graph
from pipeline.records import Ground, Mask, Trees
from pipeline.settings import Settings
from pipeline.terrain.grid import Terrain
from pipeline.wire import chord_rules

Floats = npt.NDArray[np.float64]

# Kept free inside the window so that straight wires between supports fit; ours.
MARGIN_LOW_M = 0.10
MARGIN_HIGH_M = 0.10
# Falls kept above the least grade so that rounding never turns a legal line illegal; ours.
MARGIN_GRADE_PCT = 0.02
# How far above its lowest legal place a line is expected to hang where laterals enter; ours.
HANG_ABOVE_M = 0.10
THREADS = 2
EDGE = 2  # rings of closed nodes round the lattice, so that moves never leave the arrays


@dataclass(frozen=True, slots=True, eq=False)
class Lattice:
    """A lattice of nodes over a terrain and what is legal between them.

    ``base_m`` is subtracted from every elevation inside; node ``(i, j)`` has the flat index
    ``i * cols + j`` and stands at raster row ``row0 + i * stride``, column ``col0 + j * stride``.
    """

    surface: Surface
    base_m: float
    rows: int
    cols: int
    row0: float
    col0: float
    stride: float
    step_m: float
    node_ok: Mask

    def rowcol(self, node: npt.ArrayLike) -> Floats:
        """Return raster rows and columns of nodes, shape (n, 2)."""
        i, j = np.divmod(np.asarray(node, dtype=np.int64), self.cols)
        return np.column_stack((self.row0 + i * self.stride, self.col0 + j * self.stride))


class Ways(NamedTuple):
    """Every move from every node, each array of shape (nodes, 16): see the segment recurrence.

    ``free_m`` is ``m`` as if the window had no upper end, ``inf`` where nothing may go.
    """

    m: F32
    e: F32
    cost: F32
    free_m: F32


def patches(lowest_m: npt.NDArray[np.float32], highest_m: npt.NDArray[np.float32]) -> tuple[
    npt.NDArray[np.float32], npt.NDArray[np.float32]
]:
    """Return the window per bilinear patch: the strictest of the four cells that take part."""
    low = np.pad(lowest_m, ((0, 1), (0, 1)), mode="edge")
    high = np.pad(highest_m, ((0, 1), (0, 1)), mode="edge")
    low = np.maximum(np.maximum(low[:-1, :-1], low[1:, :-1]), np.maximum(low[:-1, 1:], low[1:, 1:]))
    high = np.minimum(np.minimum(high[:-1, :-1], high[1:, :-1]), np.minimum(high[:-1, 1:], high[1:, 1:]))
    return low, high


def make_surface(terrain: Terrain, ground: Ground, settings: Settings) -> tuple[Surface, float]:
    """Return the raster truth for lines and the elevation subtracted from it."""
    finite = np.isfinite(terrain.z_m)
    base_m = float(np.floor(terrain.z_m[finite].min())) if finite.any() else 0.0
    low, high = patches(
        (ground.lowest_m + np.float32(settings.mainlines.sag_allowance_m + MARGIN_LOW_M)).astype(np.float32),
        (ground.highest_m - np.float32(MARGIN_HIGH_M)).astype(np.float32),
    )
    return Surface(
        ground=(terrain.z_m.astype(np.float64) - base_m).astype(np.float32),
        low=low,
        high=high,
        cost=ground.cost.astype(np.float32),
        cell_m=float(terrain.cell_m),
        grade=(chord_rules(settings).min_grade_pct + MARGIN_GRADE_PCT) / 100.0,
    ), base_m


def make_lattice(terrain: Terrain, surface: Surface, base_m: float, step_m: float) -> Lattice:
    """Return a lattice whose step is near `step_m`, with nodes on cell centres where cells are finer."""
    cell = terrain.cell_m
    ratio = step_m / cell
    stride = float(max(1, round(ratio))) if ratio >= 1.0 else 1.0 / max(1, round(1.0 / ratio))
    rows = math.floor((terrain.shape[0] - 1) / stride) + 1 + 2 * EDGE
    cols = math.floor((terrain.shape[1] - 1) / stride) + 1 + 2 * EDGE
    row0 = -EDGE * stride + ((terrain.shape[0] - 1) % stride) // 2
    col0 = -EDGE * stride + ((terrain.shape[1] - 1) % stride) // 2
    rr = row0 + np.arange(rows) * stride
    cc = col0 + np.arange(cols) * stride
    inside = ((rr >= 0) & (rr <= terrain.shape[0] - 1))[:, None] & (
        (cc >= 0) & (cc <= terrain.shape[1] - 1)
    )[None, :]
    ri = np.clip((rr + 0.5).astype(np.int64), 0, terrain.shape[0] - 1)
    ci = np.clip((cc + 0.5).astype(np.int64), 0, terrain.shape[1] - 1)
    ok = inside & np.isfinite(surface.cost[np.ix_(ri, ci)]) & np.isfinite(surface.ground[np.ix_(ri, ci)])
    return Lattice(
        surface=surface, base_m=base_m, rows=rows, cols=cols, row0=float(row0), col0=float(col0), stride=stride,
        step_m=stride * cell, node_ok=ok.ravel(),
    )


def make_ways(lattice: Lattice) -> Ways:
    """Return what every move between neighbouring nodes allows, by threads that share the rows."""
    n = lattice.rows * lattice.cols
    out = Ways(*(np.full((n, MOVES), fill, dtype=np.float32) for fill in (np.inf, -np.inf, np.inf, np.inf)))
    cuts = np.linspace(0, lattice.rows, THREADS + 1).astype(np.int64).tolist()

    def span(first: int, last: int) -> None:
        lattice_kernel.ways(
            lattice.surface, lattice.rows, lattice.cols, lattice.row0, lattice.col0, lattice.stride, lattice.node_ok,
            first, last, *out,
        )

    with ThreadPoolExecutor(THREADS) as crew:
        for done in [crew.submit(span, *ends) for ends in pairwise(cuts)]:
            done.result()
    return out


def make_graph(lattice: Lattice, ladder_m: float, ways: Ways | None = None) -> Graph:
    """Return the lattice's moves; ``floor`` is still open (filled once the sources are known)."""
    s = lattice.surface
    ways = ways or make_ways(lattice)
    offset, side_a, side_b, run_m = state_kernel.move_tables(lattice.cols, lattice.step_m)
    n = lattice.rows * lattice.cols
    rc = lattice.rowcol(np.arange(n))
    r = np.clip((rc[:, 0]).astype(np.int64), 0, s.ground.shape[0] - 1)
    c = np.clip((rc[:, 1]).astype(np.int64), 0, s.ground.shape[1] - 1)
    ground = s.ground[r, c]  # patch corner: near enough for bands, never used to judge
    return Graph(
        rows=lattice.rows, cols=lattice.cols, step_m=lattice.step_m, grade=s.grade, offset=offset, side_a=side_a,
        side_b=side_b, run_m=run_m, arc_m=ways.m, arc_e=ways.e, arc_cost=ways.cost,
        floor=np.full(n, np.inf, dtype=np.float32), ceiling=(ground + s.high[r, c]).astype(np.float32),
        ladder=(ground + np.float32(ladder_m)).astype(np.float32),
    )


def lateral_ceiling(trees: Trees, settings: Settings, base_m: float) -> Floats:
    """Return the highest lateral elevation at each tree to be served, relative to the base; NaN for others."""
    top = trees.ground_z_m + settings.laterals.highest_m - base_m
    return np.where(trees.candidate & (trees.taps > 0), top, np.nan)


def make_cover(
    terrain: Terrain, ground: Ground, trees: Trees, settings: Settings, lattice: Lattice, graph: Graph
) -> Cover:
    """Return which trees each node of the lattice could serve, and up to which line height."""
    row, col = terrain.rowcol(trees.x_m, trees.y_m)
    tree_rc = np.column_stack((row, col))
    ceiling = lateral_ceiling(trees, settings, lattice.base_m) - HANG_ABOVE_M
    ceiling = np.where(np.isfinite(row) & np.isfinite(col), ceiling, np.nan)
    n = lattice.rows * lattice.cols
    count = np.zeros(n, dtype=np.int64)
    start = np.zeros(n + 1, dtype=np.int64)
    reach = settings.laterals.reach_m / terrain.cell_m
    grade = settings.laterals.min_grade_pct / 100.0 * terrain.cell_m
    check = bool(ground.lateral_blocked.any())
    tree_rc = np.where(np.isfinite(tree_rc), tree_rc, -1e9)

    def fill(tree_out: npt.NDArray[np.int32], z_out: npt.NDArray[np.float32], *, write: bool) -> None:
        cover_kernel.cover_pairs(
            tree_rc, ceiling, reach, grade, lattice.rows, lattice.cols, lattice.row0, lattice.col0,
            lattice.stride, graph.floor, ground.lateral_blocked, check, count, start, tree_out, z_out, write,
        )

    fill(np.zeros(1, dtype=np.int32), np.zeros(1, dtype=np.float32), write=False)
    start[1:] = np.cumsum(count)
    tree_out = np.zeros(max(1, int(start[-1])), dtype=np.int32)
    z_out = np.zeros(max(1, int(start[-1])), dtype=np.float32)
    count[:] = 0
    fill(tree_out, z_out, write=True)
    return Cover(start=start, tree=tree_out, z=z_out, taps=trees.taps.astype(np.float64))
