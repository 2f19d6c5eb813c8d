"""The network on the lattice: what is in it, at which elevation, and whom it serves.

A network is a set of nodes, each with the node downstream of it; knight's moves also occupy
the two nodes they pass between, so that no two lines can cross unseen.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pipeline.compiled import njit
from pipeline.mainlines.lattice_kernel import DC, DR, F32, F64, I64, MOVES

I32 = npt.NDArray[np.int32]

OUT = -2  # not in the network
ROOT = -1  # in the network, nothing downstream


class Graph(NamedTuple):
    """The lattice: moves between nodes, lowest and highest line at each node."""

    rows: int
    cols: int
    step_m: float
    grade: float
    offset: I64  # (16,) flat index offsets
    side_a: I64  # (16,) flat offsets of the nodes a move passes between; 0 for straight moves
    side_b: I64
    run_m: F64  # (16,)
    arc_m: F32  # (nodes, 16)
    arc_e: F32
    arc_cost: F32
    floor: F32  # (nodes,) lowest line any network can have; inf where none
    ceiling: F32
    ladder: F32  # (nodes,) above this the line is ladder work


class Cover(NamedTuple):
    """Trees by node: ``tree[start[a]:start[a + 1]]`` with the highest line that serves each."""

    start: I64
    tree: I32
    z: F32
    taps: F64  # (trees,)


class State(NamedTuple):
    """A network that the kernels change in place."""

    down: I32  # (nodes,) node downstream, ROOT or OUT
    z: F64
    children: I32
    used: I32  # how many lines occupy the node
    served_by: I32  # (trees,) how many nodes of the network could serve it
    stamp: I32  # (trees,) scratch
    near: I32  # (nodes,) scratch: round in which a line was laid near by
    fresh: I32  # (nodes,) scratch: window in which the node was last added
    counter: I64  # (4,) stamps handed out, window, near-round, spare
    rng: npt.NDArray[np.uint64]  # (1,)


class Price(NamedTuple):
    """What the network is judged by, in metres of line."""

    tap_m: float
    branch_m: float
    ladder: float  # extra cost per metre of line for each metre above the ladder height


@njit(cache=True)
def random_unit(rng: npt.NDArray[np.uint64]) -> float:
    """Return the next number in [0, 1) of a 64-bit xorshift-multiply generator."""
    x = rng[0]
    x ^= x >> np.uint64(12)
    x ^= x << np.uint64(25)
    x ^= x >> np.uint64(27)
    rng[0] = x
    return float((x * np.uint64(2685821657736338717)) >> np.uint64(11)) / 9007199254740992.0


@njit(cache=True)
def random_below(rng: npt.NDArray[np.uint64], n: int) -> int:
    """Return a random whole number in [0, n)."""
    return min(n - 1, int(random_unit(rng) * n))


@njit(cache=True)
def move_between(g: Graph, a: int, b: int) -> int:
    """Return the move that leads from node a to node b, -1 when none does."""
    for k in range(MOVES):
        if a + g.offset[k] == b:
            return k
    return -1


@njit(cache=True)
def passable(g: Graph, used: I32, a: int, k: int) -> bool:
    """Return whether a move crosses no line of the network."""
    if k < 4:
        return True
    ua = used[a + g.side_a[k]] > 0
    ub = used[a + g.side_b[k]] > 0
    if k < 8:
        return not (ua and ub)
    return not (ua or ub)


@njit(cache=True)
def arrive(g: Graph, a: int, k: int, z: float) -> float:
    """Return the lowest line at the end of a move that starts at z, ``inf`` when it cannot be."""
    if z > g.arc_e[a, k]:
        return math.inf
    return max(z + g.grade * float(g.run_m[k]), float(g.arc_m[a, k]))


@njit(cache=True)
def arc_price(g: Graph, p: Price, a: int, k: int, b: int, z: float) -> float:
    """Return the cost of a move in metres, ladder work included."""
    over = z - g.ladder[b]
    cost = float(g.arc_cost[a, k])
    if over > 0.0:
        cost *= 1.0 + p.ladder * over
    return cost


@njit(cache=True)
def add_node(g: Graph, c: Cover, s: State, a: int, down: int, z: float) -> None:
    """Put one node into the network above ``down`` (ROOT for a source)."""
    s.down[a] = down
    s.z[a] = z
    s.used[a] += 1
    s.fresh[a] = s.counter[1]
    if down >= 0:
        s.children[down] += 1
        k = move_between(g, down, a)
        if k >= 8:
            s.used[down + g.side_a[k]] += 1
            s.used[down + g.side_b[k]] += 1
    for i in range(c.start[a], c.start[a + 1]):
        if z <= c.z[i]:
            s.served_by[c.tree[i]] += 1


@njit(cache=True)
def drop_node(g: Graph, c: Cover, s: State, a: int) -> None:
    """Take one childless node out of the network."""
    down = s.down[a]
    z = s.z[a]
    s.down[a] = OUT
    s.used[a] -= 1
    if down >= 0:
        s.children[down] -= 1
        k = move_between(g, down, a)
        if k >= 8:
            s.used[down + g.side_a[k]] -= 1
            s.used[down + g.side_b[k]] -= 1
    for i in range(c.start[a], c.start[a + 1]):
        if z <= c.z[i]:
            s.served_by[c.tree[i]] -= 1


@njit(cache=True)
def branch_fee(s: State, p: Price, down: int) -> float:
    """Return what a line costs that starts at ``down``: nothing where it prolongs a tip."""
    if s.children[down] > 0 and s.down[down] >= 0:
        return p.branch_m
    return 0.0


@njit(cache=True)
def trim_tip(
    g: Graph, c: Cover, s: State, p: Price, tip: int, log: I64, logged: int, only_fresh: bool  # noqa: FBT001
) -> int:
    """Cut a tip back to where its line pays; log removed nodes; return the new log length.

    Walks down from the tip and keeps the cut with the best ``saved metres - worth of taps lost``;
    with ``only_fresh`` it stops before nodes that an earlier window added.
    """
    a = tip
    saved = 0.0
    best = 1e-9
    best_n = 0
    n = 0
    # nodes are dropped on the way down and put back above the best cut
    walk_down = np.empty(4096, dtype=np.int64)
    walk_z = np.empty(4096)
    while s.down[a] >= 0 and s.children[a] == 0 and n < 4096:
        if only_fresh and s.fresh[a] != s.counter[1]:
            break
        down = s.down[a]
        saved += arc_price(g, p, down, move_between(g, down, a), a, s.z[a])
        for i in range(c.start[a], c.start[a + 1]):
            if s.z[a] <= c.z[i] and s.served_by[c.tree[i]] == 1:
                saved -= p.tap_m * c.taps[c.tree[i]]
        walk_down[n] = down
        walk_z[n] = s.z[a]
        log[logged + n] = a
        drop_node(g, c, s, a)
        n += 1
        value = saved + branch_fee(s, p, down)
        if value > best:
            best = value
            best_n = n
        a = down
    for i in range(n - 1, best_n - 1, -1):
        add_node(g, c, s, log[logged + i], walk_down[i], walk_z[i])
    return logged + best_n


@njit(cache=True)
def cost_of(g: Graph, c: Cover, s: State, p: Price) -> tuple[float, float, float]:
    """Return (metres of cost, metres of plan length, taps served) of the whole network."""
    cost = 0.0
    length = 0.0
    for a in range(s.down.shape[0]):
        down = s.down[a]
        if down >= 0:
            k = move_between(g, down, a)
            cost += arc_price(g, p, down, k, a, s.z[a])
            length += g.run_m[k]
            if s.down[down] >= 0 and s.children[down] > 1:
                cost += p.branch_m * (s.children[down] - 1) / s.children[down]
    taps = 0.0
    for t in range(c.taps.shape[0]):
        if s.served_by[t] > 0:
            taps += c.taps[t]
    return cost, length, taps


def move_tables(cols: int, step_m: float) -> tuple[I64, I64, I64, F64]:
    """Return offsets, the two flank offsets and the lengths of the sixteen moves."""
    offset = DR * cols + DC
    side_a = np.zeros(MOVES, dtype=np.int64)
    side_b = np.zeros(MOVES, dtype=np.int64)
    for k in range(4, MOVES):
        dr, dc = int(DR[k]), int(DC[k])
        if abs(dr) == abs(dc):
            side_a[k], side_b[k] = dr * cols, dc
        elif abs(dr) == 2:
            side_a[k], side_b[k] = (dr // 2) * cols, (dr // 2) * cols + dc
        else:
            side_a[k], side_b[k] = dc // 2, dr * cols + dc // 2
    return offset, side_a, side_b, step_m * np.hypot(DR, DC)
