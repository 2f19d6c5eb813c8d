"""The scene of the laterals: trees still to be served, entry slots on the mainlines, legal pieces."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from pipeline.laterals.crew import in_spans
from pipeline.laterals.pieces_kernel import bin_boxes
from pipeline.laterals.scene_kernel import ON_LINE_M, entry_pieces, tree_edges
from pipeline.records import Ground, Mainline, Trees
from pipeline.settings import LateralSettings
from pipeline.terrain.grid import Terrain

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Ints32 = npt.NDArray[np.int32]
Mask = npt.NDArray[np.bool_]

CLEAR_SHARE = 0.5  # a span keeps this share of the lowest height between trees (ours: brush and snow dips)
NEIGHBOURS = 20  # most pieces kept that go on from one tree
ENTRIES = 12  # most entries kept for one tree
ENOUGH = 6  # with fewer legal entries than this every slot in reach is tried
JOIN_FREE_M = 0.5  # no entry this near to where one mainline joins another
# slots tried from the one nearest to the tree: a few upstream, more downstream, where the fall is
OFFSETS = np.array([0, -1, 1, -2, 2, -3, -5, -8, -12, -17, -22], dtype=np.int64)


@dataclass(frozen=True, slots=True, eq=False)
class Bins:
    """Segments sorted into square bins, for the kernels of ``pieces_kernel``."""

    seg: Floats
    grid: Floats
    dims: Ints
    start: Ints
    item: Ints

    @property
    def args(self) -> tuple[Floats, Floats, Ints, Ints, Ints]:
        """The arguments in the order the kernels take them."""
        return self.seg, self.grid, self.dims, self.start, self.item


def bins_of(seg: Floats, cell_m: float) -> Bins:
    """Sort segments, shape (n, 4) as x, y, x, y, into bins of `cell_m` (wider when the extent is huge)."""
    seg = np.ascontiguousarray(seg, dtype=np.float64).reshape(-1, 4)
    box = np.column_stack([
        np.minimum(seg[:, 0], seg[:, 2]), np.minimum(seg[:, 1], seg[:, 3]),
        np.maximum(seg[:, 0], seg[:, 2]), np.maximum(seg[:, 1], seg[:, 3]),
    ])
    if len(seg):
        low, top = box[:, :2].min(axis=0), box[:, 2:].max(axis=0)
    else:
        low, top = np.zeros(2), np.zeros(2)
    cell = max(cell_m, float((top - low).max()) / 2000.0)
    dims = np.maximum(np.ceil((top - low) / cell).astype(np.int64), 1)
    start, item = bin_boxes(box, low[0], low[1], cell, dims[0], dims[1])
    return Bins(seg=seg, grid=np.array([low[0], low[1], cell]), dims=dims, start=start, item=item)


@dataclass(frozen=True, slots=True, eq=False)
class Scene:
    """Everything the enumeration and the choice of laterals look at; trees by local index.

    Parameters
    ----------
    index : int array, shape (n,)
        Index of each tree in :class:`Trees`.
    tree : float array, shape (n, 3)
        x, y, ground elevation.
    taps : int array, shape (n,)
    slot : float array, shape (m, 3)
        x, y, mainline elevation of the entry slots; one lateral to a slot keeps entries apart.
    slot_line, slot_station_m : arrays, shape (m,)
        Index of the mainline and the station on it.
    entry_slot, entry_dist, entry_need : arrays, shape (n, ENTRIES)
        Legal entries of each tree by plan distance; slot -1 where there are no more.
    fail, shortfall_m, off_m : arrays
        What stopped the other entries; see ``scene_kernel.entry_pieces``.
    neighbour, dist, need : arrays, shape (n, NEIGHBOURS)
        Legal pieces uphill from each tree.
    rule : float array
        lowest, highest, grade as a ratio, clearance of spans, longest piece.
    mains : Bins
        The mainlines' segments.
    """

    index: Ints
    tree: Floats
    taps: Ints
    slot: Floats
    slot_line: Ints
    slot_station_m: Floats
    entry_slot: Ints32
    entry_dist: Floats
    entry_need: Floats
    fail: Ints32
    shortfall_m: Floats
    off_m: Floats
    neighbour: Ints32
    dist: Floats
    need: Floats
    rule: Floats
    mains: Bins

    def __len__(self) -> int:
        return len(self.index)


def rules_of(laterals: LateralSettings) -> Floats:
    """Return lowest, highest (m), grade (ratio), clearance of spans (m), longest piece (m)."""
    return np.array([
        laterals.lowest_m, laterals.highest_m, laterals.min_grade_pct / 100.0,
        CLEAR_SHARE * laterals.lowest_m, laterals.max_length_m,
    ])


def segments_of(mainlines: tuple[Mainline, ...]) -> Floats:
    """Return the plan segments of all mainlines, shape (n, 4)."""
    parts = []
    for line in mainlines:
        xy = line.xyz_m[:, :2]
        parts.append(np.hstack([xy[:-1], xy[1:]]))
    return np.vstack(parts) if parts else np.zeros((0, 4))


def slots_of(mainlines: tuple[Mainline, ...], spacing_m: float) -> tuple[Floats, Ints, Floats]:
    """Return the entry slots as (x, y, z), mainline index, station.

    Slots are a whole entry spacing apart, so that one lateral to a slot keeps the spacing,
    both sides of the line counted together. None lies where a mainline joins another.
    """
    pitch = max(spacing_m, 0.3)
    joins: dict[str, list[float]] = {}
    for line in mainlines:
        if line.parent_id:
            joins.setdefault(line.parent_id, []).append(line.join_station_m)
    xyz, owner, stations = [], [], []
    for i, line in enumerate(mainlines):
        length = line.plan_length_m
        count = max(math.floor((length - 2e-3) / pitch), 0)
        # counted from the top: the last slot is the tip itself, where the fan of a line's end sits
        station = length - pitch * np.arange(count, -1, -1)
        taken = np.array([0.0, *joins.get(line.mainline_id, [])])
        station = station[np.abs(station[:, None] - taken[None, :]).min(axis=1) > JOIN_FREE_M]
        xyz.append(np.column_stack(line.at(station)).reshape(-1, 3))
        owner.append(np.full(len(station), i, dtype=np.int64))
        stations.append(station)
    if not xyz:
        return np.zeros((0, 3)), np.zeros(0, np.int64), np.zeros(0)
    return np.vstack(xyz), np.concatenate(owner), np.concatenate(stations)


def _line_ranges(slot_line: Ints, lines: int) -> tuple[Ints, Ints]:
    every = np.arange(lines)
    first = np.searchsorted(slot_line, every, side="left")
    return first.astype(np.int64), np.searchsorted(slot_line, every, side="right").astype(np.int64) - 1


def build(
    *, mainlines: tuple[Mainline, ...], terrain: Terrain, ground: Ground, trees: Trees, open_tree: Mask,
    laterals: LateralSettings,
) -> Scene:
    """Find the legal pieces for the trees of `open_tree`.

    Parameters
    ----------
    open_tree : bool array, one per input tree
        Which trees a lateral may be tried for.
    """
    index = np.flatnonzero(open_tree).astype(np.int64)
    tree = np.column_stack([trees.x_m[index], trees.y_m[index], trees.ground_z_m[index]]).reshape(-1, 3)
    slot, slot_line, station = slots_of(mainlines, laterals.entry_spacing_m)
    mains = bins_of(segments_of(mainlines), 12.0)
    rule = rules_of(laterals)
    geo = np.array([terrain.x0_m, terrain.y0_m, terrain.cell_m])
    z = np.ascontiguousarray(terrain.z_m)
    mask = np.ascontiguousarray(ground.lateral_blocked)
    first, last = _line_ranges(slot_line, len(mainlines))
    slot_bins = bins_of(np.hstack([slot[:, :2], slot[:, :2]]), max(laterals.reach_m, 2.0))
    entry_slot, entry_dist, entry_need, fail, shortfall, off = in_spans(len(tree), lambda a, b: entry_pieces(
        tree[a:b], slot, slot_line, first, last, slot_bins.grid, slot_bins.dims, slot_bins.start, slot_bins.item,
        z, mask, geo, *mains.args, rule, laterals.reach_m, OFFSETS, ENTRIES, ENOUGH,
    ))
    near = _near(tree, laterals.max_length_m)
    on_line = np.where(off < ON_LINE_M, ON_LINE_M, 0.0)
    neighbour, dist, need = in_spans(len(tree), lambda a, b: tree_edges(
        tree, a, near[a:b], z, mask, geo, *mains.args, on_line, rule, NEIGHBOURS
    ))
    neighbour[np.isinf(off)] = -1
    neighbour[(neighbour >= 0) & np.isinf(off)[neighbour]] = -2
    neighbour, dist, need = close_up(neighbour, dist, need)
    return Scene(
        index=index, tree=tree, taps=trees.taps[index].astype(np.int64), slot=slot, slot_line=slot_line,
        slot_station_m=station, entry_slot=entry_slot, entry_dist=entry_dist, entry_need=entry_need,
        fail=fail, shortfall_m=shortfall, off_m=off, neighbour=neighbour, dist=dist, need=need, rule=rule,
        mains=mains,
    )


def _near(tree: Floats, longest_m: float) -> Ints:
    """Return the trees nearest to each tree by distance, n where there are no more, shape (n, k)."""
    if len(tree) < 2:
        return np.full((len(tree), 1), len(tree), dtype=np.int64)
    k = min(3 * NEIGHBOURS + 1, len(tree))
    _, near = cKDTree(tree[:, :2]).query(tree[:, :2], k=k, distance_upper_bound=longest_m)
    return np.asarray(near, dtype=np.int64)


def close_up(neighbour: Ints32, dist: Floats, need: Floats) -> tuple[Ints32, Floats, Floats]:
    """Move the struck-out neighbours (negative) behind the others, order kept."""
    order = np.argsort(neighbour < 0, axis=1, kind="stable")
    out = np.take_along_axis(neighbour, order, axis=1)
    out[out < 0] = -1
    return out, np.take_along_axis(dist, order, axis=1), np.take_along_axis(need, order, axis=1)


def part(scene: Scene, keep: Ints) -> Scene:
    """Return the scene of some trees only (local indices, ascending); pieces to others are left out."""
    where = np.full(len(scene) + 1, -1, dtype=np.int32)
    where[keep] = np.arange(len(keep), dtype=np.int32)
    neighbour, dist, need = close_up(where[scene.neighbour[keep]], scene.dist[keep], scene.need[keep])
    return Scene(
        index=scene.index[keep], tree=scene.tree[keep], taps=scene.taps[keep], slot=scene.slot,
        slot_line=scene.slot_line, slot_station_m=scene.slot_station_m, entry_slot=scene.entry_slot[keep],
        entry_dist=scene.entry_dist[keep], entry_need=scene.entry_need[keep], fail=scene.fail[keep],
        shortfall_m=scene.shortfall_m[keep], off_m=scene.off_m[keep], neighbour=neighbour, dist=dist, need=need,
        rule=scene.rule, mains=scene.mains,
    )
