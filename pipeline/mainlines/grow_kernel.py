"""Profit growth of a network on the lattice: banded search from the whole network, then lazy greedy.

A label at a node is (cost, z, true cost, expected gain); along a move it becomes
``(cost + price of the move * attraction, max(z + grade * run, m), ...)`` and dies where the line
cannot follow. Each node keeps one label per height band between its lowest reachable line and
its ceiling; a label that is neither cheaper nor lower than one already settled is dropped.
"""

from __future__ import annotations

import heapq
import math
from typing import NamedTuple

import numpy as np
import numpy.typing as npt

from pipeline.compiled import njit
from pipeline.mainlines.lattice_kernel import DC, DR, F32, F64, I64, MOVES
from pipeline.mainlines.state_kernel import (
    I32,
    OUT,
    Cover,
    Graph,
    Price,
    State,
    add_node,
    arc_price,
    arrive,
    branch_fee,
    passable,
    random_unit,
)

INF = math.inf
TILE = 8  # nodes along the side of a tile
NO_TILE = np.zeros(0, dtype=np.int64)


class Labels(NamedTuple):
    """The labels of one search over a box of the lattice, ``bands`` per node."""

    r0: int
    c0: int
    rows: int
    cols: int
    bands: int
    cost: F32
    z: F32
    true: F32
    gain: F32
    pred: I32
    move: npt.NDArray[np.int8]


@njit(cache=True)
def appetite(
    g: Graph, c: Cover, s: State, box: tuple[int, int, int, int], tile: I64, mark: int
) -> tuple[F32, float]:
    """Return for each node of a box the taps still unserved that a line there could take, and how many there are.

    With tiles, nodes of a tile without the mark are shut: their appetite is negative.
    """
    r0, c0, r1, c1 = box
    out = np.zeros((r1 - r0) * (c1 - c0), dtype=np.float32)
    across = (g.cols + TILE - 1) // TILE
    s.counter[0] += 1
    seen = s.counter[0]
    left = 0.0
    n = 0
    for r in range(r0, r1):
        for col in range(c0, c1):
            if tile.shape[0] > 0 and tile[(r // TILE) * across + col // TILE] != mark:
                out[n] = -1.0
                n += 1
                continue
            a = r * g.cols + col
            total = 0.0
            for i in range(c.start[a], c.start[a + 1]):
                t = c.tree[i]
                if s.served_by[t] == 0:
                    total += c.taps[t]
                    if s.stamp[t] != seen:
                        s.stamp[t] = seen
                        left += c.taps[t]
            out[n] = total
            n += 1
    return out, left


@njit(cache=True)
def search(  # noqa: C901
    g: Graph, s: State, p: Price, box: tuple[int, int, int, int], bands: int, want: F32,
    pull: float, full: float, gain_rate: float, first: int, limit: float,
) -> Labels:
    """Search upstream from every node of the network in the box; see the module's recurrence.

    ``want`` is the appetite per node; a node's cost is multiplied by
    ``1 + pull * (1 - min(1, want / full))``, which draws lines to trees; a node of negative appetite is
    not entered. ``gain_rate`` turns appetite into expected taps per metre. With ``first >= 0`` only that
    node is a source. Paths dearer than ``limit`` metres, attraction apart, are not followed farther.
    """
    r0, c0, r1, c1 = box
    rows = r1 - r0
    cols = c1 - c0
    n = rows * cols
    cost = np.full(n * bands, np.inf, dtype=np.float32)
    z = np.full(n * bands, np.inf, dtype=np.float32)
    true = np.zeros(n * bands, dtype=np.float32)
    gain = np.zeros(n * bands, dtype=np.float32)
    pred = np.full(n * bands, -1, dtype=np.int32)
    move = np.full(n * bands, -1, dtype=np.int8)
    done = np.zeros(n * bands, dtype=np.bool_)
    low_z = np.full(n, np.inf, dtype=np.float32)
    low_cost = np.full(n, np.inf, dtype=np.float32)
    width = 1.0 * g.step_m
    ring = 512
    head = np.full(ring, -1, dtype=np.int64)
    size = max(1024, 4 * n)
    q_label = np.empty(size, dtype=np.int64)
    q_cost = np.empty(size, dtype=np.float32)
    q_next = np.empty(size, dtype=np.int64)
    q_free = -1
    q_top = 0
    waiting = 0
    for i in range(rows):
        for j in range(cols):
            a = (r0 + i) * g.cols + c0 + j
            if s.down[a] == OUT or (first >= 0 and a != first):
                continue
            if want[i * cols + j] < 0.0:
                continue
            b = (i * cols + j) * bands
            cost[b] = 0.0
            z[b] = s.z[a]
            if q_top == size:
                break
            q_label[q_top] = b
            q_cost[q_top] = 0.0
            q_next[q_top] = head[0]
            head[0] = q_top
            q_top += 1
            waiting += 1
    bucket = 0
    while waiting > 0:
        slot = bucket % ring
        e = head[slot]
        if e < 0:
            bucket += 1
            continue
        head[slot] = q_next[e]
        q_next[e] = q_free
        q_free = e
        waiting -= 1
        lab = q_label[e]
        if done[lab] or q_cost[e] != cost[lab]:
            continue
        node = lab // bands
        if z[lab] >= low_z[node] and cost[lab] >= low_cost[node]:
            continue
        done[lab] = True
        if z[lab] < low_z[node]:
            low_z[node] = z[lab]
            low_cost[node] = cost[lab]
        if true[lab] > limit:
            continue
        i = node // cols
        j = node - i * cols
        a = (r0 + i) * g.cols + c0 + j
        for k in range(MOVES):
            ni = i + DR[k]
            nj = j + DC[k]
            if ni < 0 or nj < 0 or ni >= rows or nj >= cols:
                continue
            if z[lab] > g.arc_e[a, k]:
                continue
            b = a + g.offset[k]
            nb = ni * cols + nj
            w = want[nb]
            if w < 0.0 or s.used[b] > 0 or not passable(g, s.used, a, k):
                continue
            zz = max(z[lab] + g.grade * g.run_m[k], g.arc_m[a, k])
            price = arc_price(g, p, a, k, b, zz)
            cc = cost[lab] + price * (1.0 + pull * (1.0 - min(1.0, w / full)))
            if zz >= low_z[nb] and cc >= low_cost[nb]:
                continue
            span = g.ceiling[b] - g.floor[b]
            band = int((zz - g.floor[b]) / span * bands) if span > 0.0 else 0
            band = min(max(band, 0), bands - 1)
            nl = nb * bands + band
            cc32 = np.float32(cc)
            if done[nl] or cc32 >= cost[nl]:
                continue
            cost[nl] = cc32
            z[nl] = zz
            true[nl] = true[lab] + price
            gain[nl] = gain[lab] + w * gain_rate * g.run_m[k]
            pred[nl] = lab
            move[nl] = k
            if q_free >= 0:
                e = q_free
                q_free = q_next[e]
            elif q_top < size:
                e = q_top
                q_top += 1
            else:
                grown = np.empty(2 * size, dtype=np.int64)
                grown[:size] = q_label
                q_label = grown
                grown2 = np.empty(2 * size, dtype=np.float32)
                grown2[:size] = q_cost
                q_cost = grown2
                grown3 = np.empty(2 * size, dtype=np.int64)
                grown3[:size] = q_next
                q_next = grown3
                size *= 2
                e = q_top
                q_top += 1
            # dearer than the ring: waits in its last bucket and is served a little early
            target = min(int(cc32 / width), bucket + ring - 1)
            q_label[e] = nl
            q_cost[e] = cc32
            q_next[e] = head[target % ring]
            head[target % ring] = e
            waiting += 1
    return Labels(r0, c0, rows, cols, bands, cost, z, true, gain, pred, move)


@njit(cache=True)
def trace(g: Graph, s: State, lab: Labels, leaf: int, nodes: I64) -> int:
    """Write the path of a label into nodes, network node first; return its length.

    The path ends at the first node that is in the network by now.
    """
    n = 0
    at = leaf
    while at >= 0 and n < nodes.shape[0]:
        node = at // lab.bands
        i = node // lab.cols
        a = (lab.r0 + i) * g.cols + lab.c0 + node - i * lab.cols
        nodes[n] = a
        n += 1
        if s.down[a] != OUT:
            break
        at = lab.pred[at]
    for i in range(n // 2):
        nodes[i], nodes[n - 1 - i] = nodes[n - 1 - i], nodes[i]
    return n


@njit(cache=True)
def judge_path(
    g: Graph, c: Cover, s: State, p: Price, nodes: I64, n: int, zs: F64, clear_m: float
) -> tuple[float, int, float]:
    """Return (best profit, nodes kept, metres beside lines of this round) of a path as things stand.

    Heights are computed anew from the network's line at the join; ``zs`` receives them.
    """
    s.counter[0] += 1
    mark = s.counter[0]
    a = nodes[0]
    zs[0] = s.z[a]
    profit = -branch_fee(s, p, a)
    best = -INF
    best_n = 0
    run = 0.0
    beside = 0.0
    best_beside = 0.0
    for i in range(1, n):
        b = nodes[i]
        k = -1
        for kk in range(MOVES):
            if a + g.offset[kk] == b:
                k = kk
        if k < 0 or s.used[b] > 0 or not passable(g, s.used, a, k):
            break
        zz = arrive(g, a, k, zs[i - 1])
        if not zz < INF:
            break
        zs[i] = zz
        profit -= arc_price(g, p, a, k, b, zz)
        run += g.run_m[k]
        if run > clear_m and s.near[b] == s.counter[2]:
            beside += g.run_m[k]
        for q in range(c.start[b], c.start[b + 1]):
            t = c.tree[q]
            if zz <= c.z[q] and s.served_by[t] == 0 and s.stamp[t] != mark:
                s.stamp[t] = mark
                profit += p.tap_m * c.taps[t]
        if profit > best:
            best = profit
            best_n = i + 1
            best_beside = beside
        a = b
    return best, best_n, best_beside


@njit(cache=True)
def mark_near(g: Graph, s: State, a: int, reach: int) -> None:
    """Mark the nodes round a new line as near a line of this round."""
    r = a // g.cols
    col = a - r * g.cols
    for i in range(max(0, r - reach), min(g.rows, r + reach + 1)):
        for j in range(max(0, col - reach), min(g.cols, col + reach + 1)):
            if (i - r) ** 2 + (j - col) ** 2 <= reach * reach:
                s.near[i * g.cols + j] = s.counter[2]


@njit(cache=True)
def candidates(lab: Labels, tap_m: float, block: int) -> list[tuple[float, int]]:
    """Return the most promising label of each block as (-hoped profit, label)."""
    out = [(0.0, -1)]
    for bi in range(0, lab.rows, block):
        for bj in range(0, lab.cols, block):
            best = 1e-6
            who = -1
            for i in range(bi, min(bi + block, lab.rows)):
                for j in range(bj, min(bj + block, lab.cols)):
                    for q in range(lab.bands):
                        x = (i * lab.cols + j) * lab.bands + q
                        if lab.pred[x] >= 0:
                            score = 1.3 * tap_m * lab.gain[x] - lab.true[x]
                            if score > best:
                                best = score
                                who = x
            if who >= 0:
                out.append((-best, who))
    return out


@njit(cache=True)
def look(
    g: Graph, c: Cover, s: State, p: Price, box: tuple[int, int, int, int], bands: int, pull: float, full: float,
    reach_m: float, jitter: float, tile: I64, mark: int,
) -> Labels:
    """Search a box from the network in it; ``jitter`` blurs appetites at random by up to that share.

    With jitter, repeated growth does not lay the same lines again. What costs more than all taps left
    are worth is not looked at; the hope of a tap is spread over its whole disc, hence a disc farther.
    """
    want, left = appetite(g, c, s, box, tile, mark)
    if jitter > 0.0:
        for i in range(want.shape[0]):
            want[i] *= 1.0 + jitter * (2.0 * random_unit(s.rng) - 1.0)
    limit = p.tap_m * left + 2.0 * reach_m
    return search(g, s, p, box, bands, want, pull, full, 2.0 / (math.pi * reach_m), -1, limit)


@njit(cache=True)
def lay_paths(
    g: Graph, c: Cover, s: State, p: Price, lab: Labels, reach_m: float, block: int, log: I64, logged: int
) -> tuple[int, int]:
    """Lay the paths that pay, most profitable first; return (log length, paths laid).

    One end per ``block`` x ``block`` nodes is looked at.
    """
    heap = candidates(lab, p.tap_m, block)
    heapq.heapify(heap)
    s.counter[2] += 1
    nodes = np.empty(20000, dtype=np.int64)
    zs = np.empty(20000)
    laid = 0
    clear = 0.6 * reach_m
    reach = int(clear / g.step_m)
    while len(heap) > 0:
        key, leaf = heapq.heappop(heap)
        if leaf < 0 or key >= 0.0:
            break
        n = trace(g, s, lab, leaf, nodes)
        if n < 2:
            continue
        profit, keep, beside = judge_path(g, c, s, p, nodes, n, zs, clear)
        if profit <= 1e-6 or beside > reach_m:
            continue
        if len(heap) > 0 and profit < -heap[0][0] - 1e-9 and -key > profit + 1e-9:
            heapq.heappush(heap, (-profit, leaf))
            continue
        if logged + keep >= log.shape[0]:
            break
        for i in range(1, keep):
            add_node(g, c, s, nodes[i], nodes[i - 1], zs[i])
            log[logged] = nodes[i]
            logged += 1
        for i in range(0, keep, max(1, reach // 3)):
            mark_near(g, s, nodes[i], reach)
        laid += 1
    return logged, laid
