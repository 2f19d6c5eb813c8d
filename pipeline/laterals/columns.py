"""Columns: every legal lateral over a set of trees, the cheapest to each set."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
from scipy import sparse

from pipeline.laterals.entries_kernel import other_entries
from pipeline.laterals.enumerate_kernel import DEPTH, enumerate_heads
from pipeline.laterals.rule import EntryCost, entry_cost
from pipeline.laterals.scene import Floats, Ints, Ints32, Mask, Scene
from pipeline.settings import LateralSettings

Keys = npt.NDArray[np.uint64]

# Turns (ours): free up to 30 degrees, then 1 m of lateral for 30 degrees, never above 100; pieces shorter
# than 1.5 m are a hand's reach and make no turn that a crew would see.
TURN = np.array([math.radians(30.0), math.radians(100.0), 1.0 / math.radians(30.0), 1.5])
CAPS = {"quick": 150, "normal": 400, "thorough": 1500}  # laterals enumerated for one head tree
WIDTHS = {"quick": 8, "normal": 12, "thorough": 20}  # pieces followed from one tree
MARGIN_M = 4.0  # a last tree this much dearer than its own lateral is not worth writing down
ROOM = 200_000


@dataclass(frozen=True, slots=True, eq=False)
class Columns:
    """Laterals as sets of trees with their best order, one row each.

    ``flat[ptr[i]:ptr[i + 1]]`` are the trees of row i from the entry uphill (indices into
    the scene it was made from); ``entry`` is the slot; ``cost_m`` is metres of lateral plus
    turns plus the entry.
    """

    flat: Ints32
    ptr: Ints
    cost_m: Floats
    slot: Ints
    key: Keys
    taps: Ints
    capped_heads: int

    def __len__(self) -> int:
        return len(self.cost_m)

    def trees(self, i: int) -> Ints32:
        """Trees of one row, nearest the entry first."""
        return self.flat[self.ptr[i] : self.ptr[i + 1]]

    def take(self, rows: Ints) -> Columns:
        """Return some rows, in the order given."""
        size = np.diff(self.ptr)[rows]
        ptr = np.concatenate([[0], np.cumsum(size)]).astype(np.int64)
        # positions of the kept rows' trees in the old flat array
        at = np.repeat(self.ptr[rows] - ptr[:-1], size) + np.arange(ptr[-1])
        return Columns(
            flat=self.flat[at], ptr=ptr, cost_m=self.cost_m[rows], slot=self.slot[rows], key=self.key[rows],
            taps=self.taps[rows], capped_heads=self.capped_heads,
        )

    def matrix(self, trees: int) -> sparse.csc_matrix:
        """Return the incidence matrix, trees by rows."""
        return sparse.csc_matrix(
            (np.ones(len(self.flat)), self.flat.astype(np.int64), self.ptr), shape=(trees, len(self))
        )

    def inside(self, open_tree: Mask) -> Mask:
        """Return which rows hold only trees of `open_tree`."""
        closed = (~open_tree)[self.flat].astype(np.int64)
        total = np.concatenate([[0], np.cumsum(closed)])
        return np.asarray(total[self.ptr[1:]] == total[self.ptr[:-1]])


def single_costs(scene: Scene, entry: EntryCost) -> Floats:
    """Return what a lateral for one tree alone costs, inf where there is none."""
    first = np.maximum(scene.entry_slot, 0)
    z = np.maximum(scene.entry_need, scene.slot[first, 2] + scene.rule[2] * scene.entry_dist)
    length = np.hypot(scene.entry_dist, z - scene.slot[first, 2])
    return np.asarray(np.where(scene.entry_slot >= 0, length, np.inf).min(axis=1) + entry.of(scene.taps))


def enumerate_columns(scene: Scene, laterals: LateralSettings, effort: str) -> Columns:
    """Return every legal lateral over the scene's trees, the cheapest to each set, in a fixed order."""
    if not len(scene) or not len(scene.slot):
        none = np.zeros(0)
        return Columns(
            flat=none.astype(np.int32), ptr=np.zeros(1, np.int64), cost_m=none, slot=none.astype(np.int64),
            key=none.astype(np.uint64), taps=none.astype(np.int64), capped_heads=0,
        )
    by_taps = entry_cost(laterals)
    single = single_costs(scene, by_taps)
    parts: list[list[npt.NDArray[np.generic]]] = []
    head, capped = 0, 0
    while head < len(scene):
        head, flat, ptr, cost, entry, key, load, more = enumerate_heads(
            head, len(scene), scene.tree, scene.taps, scene.neighbour, scene.dist, scene.need, scene.slot,
            scene.entry_slot, scene.entry_dist, scene.entry_need, scene.rule, TURN,
            min(laterals.max_taps, DEPTH), laterals.max_length_m, laterals.entry_cost_m,
            WIDTHS[effort], CAPS[effort], single, MARGIN_M, ROOM,
        )
        parts.append([flat, ptr, cost, entry, key, load])
        capped += more
    joined = _joined(parts, scene, capped)
    return _cheapest(replace(joined, cost_m=joined.cost_m + by_taps.surplus(joined.taps)))


def _joined(parts: list[list[npt.NDArray[np.generic]]], scene: Scene, capped: int) -> Columns:
    flat = np.concatenate([p[0] for p in parts]).astype(np.int32)
    size = np.concatenate([np.diff(p[1]) for p in parts])
    ptr = np.concatenate([[0], np.cumsum(size)]).astype(np.int64)
    place = np.concatenate([p[3] for p in parts]).astype(np.int64)
    heads = flat[ptr[:-1]]
    return Columns(
        flat=flat, ptr=ptr, cost_m=np.concatenate([p[2] for p in parts]).astype(np.float64),
        slot=scene.entry_slot[heads, place].astype(np.int64),
        key=np.concatenate([p[4] for p in parts]).astype(np.uint64),
        taps=np.concatenate([p[5] for p in parts]).astype(np.int64), capped_heads=capped,
    )


def _cheapest(columns: Columns) -> Columns:
    """Keep the cheapest row of each set; ties go to the first."""
    order = np.lexsort((columns.cost_m, columns.key))
    first = np.ones(len(order), dtype=np.bool_)
    first[1:] = columns.key[order][1:] != columns.key[order][:-1]
    return columns.take(np.sort(order[first]))


def with_other_entries(scene: Scene, columns: Columns, laterals: LateralSettings, extra_m: float) -> Columns:
    """Return columns with copies from the other entries of their first tree that cost at most `extra_m` more."""
    short = entry_cost(laterals).surplus(columns.taps)
    row, slot, cost = other_entries(
        columns.flat, columns.ptr, columns.cost_m - short, columns.slot, scene.tree, scene.neighbour, scene.dist,
        scene.need, scene.slot, scene.entry_slot, scene.entry_dist, scene.entry_need, scene.rule, TURN,
        laterals.max_length_m, laterals.entry_cost_m, extra_m,
    )
    both = columns.take(np.concatenate([np.arange(len(columns)), row]))
    return replace(
        both, cost_m=np.concatenate([columns.cost_m, cost + short[row]]), slot=np.concatenate([columns.slot, slot])
    )
