"""Exchange of a piece of line: cut it out, and tie what hung on it to the network anew, from any side.

What was upstream of the piece falls into fragments. A fragment is tied on where the cheapest legal
way from the network meets any of its nodes, and is then walked from that node: arcs that now
lead the other way are priced and tested in their new direction, and the line's elevation is
computed anew along them. What no longer fits is left out, for growth to serve otherwise.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.compiled import njit
from pipeline.mainlines.grow_kernel import appetite, search, trace
from pipeline.mainlines.lattice_kernel import F64, I64, MOVES
from pipeline.mainlines.state_kernel import (
    I32,
    OUT,
    Cover,
    Graph,
    Price,
    State,
    add_node,
    arrive,
    move_between,
    passable,
    random_unit,
)

MOST_FRAGMENTS = 8


@njit(cache=True)
def fragments(  # noqa: C901
    g: Graph, gone: I64, gone_down: I64, n: int, slot: I32, doomed: I32, centre: int, radius: int
) -> tuple[I64, int]:
    """Return the fragment of each removed node (-1: taken out for good), and how many there are.

    ``gone`` is in children-first order. With a radius, nodes that near to ``centre`` go for
    good; without, the nodes from the lowest removed one up to the next fork. ``slot`` and
    ``doomed`` are scratch arrays over all nodes.
    """
    which = np.full(n, -1, dtype=np.int64)
    children = np.zeros(n, dtype=np.int64)
    for i in range(n):
        slot[gone[i]] = i
        doomed[gone[i]] = 0
    for i in range(n - 1):
        children[slot[gone_down[i]]] += 1
    if radius > 0:
        cr = centre // g.cols
        cc = centre - cr * g.cols
        for i in range(n):
            r = gone[i] // g.cols
            if (r - cr) ** 2 + (gone[i] - r * g.cols - cc) ** 2 <= radius * radius:
                doomed[gone[i]] = 1
    else:
        a = gone[n - 1]
        while children[slot[a]] == 1:
            doomed[a] = 1
            for i in range(n):
                if gone_down[i] == a:
                    a = gone[i]
                    break
    count = 0
    for i in range(n - 1, -1, -1):
        a = gone[i]
        if doomed[a] == 1:
            continue
        down = gone_down[i]
        if i < n - 1 and doomed[down] == 0:
            which[i] = which[slot[down]]
        else:
            which[i] = count
            count += 1
    return which, count


@njit(cache=True)
def lay_way(
    g: Graph, c: Cover, s: State, way: I64, m: int, which: I64, gone: I64, slot: I32, tied: I64, log: I64, logged: int
) -> tuple[int, int]:
    """Lay a traced way up to the first node of an untied fragment; return (log length, that node or -1)."""
    for q in range(1, m):
        a = way[q - 1]
        b = way[q]
        k = move_between(g, a, b)
        if k < 0 or s.used[b] > 0 or not passable(g, s.used, a, k):
            return logged, -1
        z = arrive(g, a, k, s.z[a])
        if not z < math.inf or logged >= log.shape[0]:
            return logged, -1
        add_node(g, c, s, b, a, z)
        log[logged] = b
        logged += 1
        i = slot[b]
        if 0 <= i < which.shape[0] and gone[i] == b and which[i] >= 0 and tied[which[i]] == 0:
            return logged, b
    return logged, -1


@njit(cache=True)
def walk(
    g: Graph, c: Cover, s: State, start: int, which: I64, gone: I64, gone_down: I64, slot: I32, log: I64, logged: int
) -> int:
    """Put a fragment back from one of its nodes that is in the network; return the log length."""
    f = which[slot[start]]
    stack = [start]
    while len(stack) > 0:
        a = stack.pop()
        i = slot[a]
        for k in range(MOVES):
            b = a + g.offset[k]
            j = slot[b] if 0 <= b < slot.shape[0] else -1
            if j < 0 or j >= which.shape[0] or gone[j] != b or which[j] != f or s.down[b] != OUT:
                continue
            if gone_down[j] != a and gone_down[i] != b:
                continue
            if s.used[b] > 0 or not passable(g, s.used, a, k):
                continue
            z = arrive(g, a, k, s.z[a])
            if not z < math.inf or logged >= log.shape[0]:
                continue
            add_node(g, c, s, b, a, z)
            log[logged] = b
            logged += 1
            stack.append(b)
    return logged


@njit(cache=True)
def tie_on(  # noqa: C901
    g: Graph, c: Cover, s: State, p: Price, box: tuple[int, int, int, int], bands: int, pull: float, full: float,
    which: I64, count: int, gone: I64, gone_down: I64, gone_z: F64, n: int, slot: I32, log: I64, logged: int,
    tile: I64, mark: int,
) -> int:
    """Tie fragments to the network, cheapest first; return the log length."""
    tied = np.zeros(count, dtype=np.int64)
    nodes = np.empty(20000, dtype=np.int64)
    for f in range(count):
        if random_unit(s.rng) < 0.1:
            tied[f] = 1
    for _ in range(min(count, MOST_FRAGMENTS)):
        left = 0
        for f in range(count):
            left += tied[f] == 0
        if left == 0:
            break
        want, _ = appetite(g, c, s, box, tile, mark)
        lab = search(g, s, p, box, bands, want, pull, full, 0.0, -1, math.inf)
        best = math.inf
        leaf = -1
        for i in range(n):
            if which[i] < 0 or tied[which[i]] == 1:
                continue
            r = gone[i] // g.cols - lab.r0
            col = gone[i] % g.cols - lab.c0
            for q in range(bands):
                x = (r * lab.cols + col) * bands + q
                # a little dearer where the line would come in higher than it hung: it may not fit upstream
                cost = lab.cost[x] + 4.0 * g.step_m * max(0.0, lab.z[x] - gone_z[i])
                if lab.pred[x] >= 0 and cost < best:
                    best = cost
                    leaf = x
        if leaf < 0:
            break
        m = trace(g, s, lab, leaf, nodes)
        logged, at = lay_way(g, c, s, nodes, m, which, gone, slot, tied, log, logged)
        if at < 0:
            break
        tied[which[slot[at]]] = 1
        logged = walk(g, c, s, at, which, gone, gone_down, slot, log, logged)
    return logged
