"""Window ruin and recreate: take lines out of a window, grow them anew otherwise, keep what is cheaper."""

from __future__ import annotations

import numpy as np
from numba import njit

from pipeline.mainlines.grow_kernel import grow_round
from pipeline.mainlines.lattice_kernel import I64
from pipeline.mainlines.state_kernel import (
    Cover,
    Graph,
    Price,
    State,
    add_node,
    arc_price,
    branch_fee,
    drop_node,
    move_between,
    random_below,
    random_unit,
    trim_tip,
)


@njit(cache=True)
def tips_in(g: Graph, s: State, box: tuple[int, int, int, int]) -> list[int]:
    """Return the tips of the network inside a box."""
    out = [-1]
    for r in range(box[0], box[2]):
        for col in range(box[1], box[3]):
            a = r * g.cols + col
            if s.down[a] >= 0 and s.children[a] == 0:
                out.append(a)
    return out


@njit(cache=True)
def trim_box(
    g: Graph, c: Cover, s: State, p: Price, box: tuple[int, int, int, int], log: I64, logged: int
) -> int:
    """Trim every tip in a box until none gives way; log what goes; return the log length."""
    for _ in range(20):
        before = logged
        for tip in tips_in(g, s, box):
            if tip >= 0 and s.down[tip] >= 0 and s.children[tip] == 0:
                logged = trim_tip(g, c, s, p, tip, log, logged, False)  # noqa: FBT003
        if logged == before:
            break
    return logged


@njit(cache=True)
def grow_box(
    g: Graph, c: Cover, s: State, p: Price, box: tuple[int, int, int, int], bands: int, reach_m: float,
    pull: float, full: float, start: float, raise_by: float, rounds: int,
    block: int, jitter: float, log: I64, logged: int,
) -> int:
    """Grow in a box at rising prices of a tap, the last the real one; return the log length."""
    share = start
    for _ in range(rounds):
        q = Price(p.tap_m * share, p.branch_m, p.ladder)
        logged, laid = grow_round(g, c, s, q, box, bands, pull, full, reach_m, block, jitter, log, logged)
        if laid == 0:
            if share >= 1.0:
                break
            share = min(1.0, share * raise_by)
    return logged


@njit(cache=True)
def remove_above(g: Graph, c: Cover, s: State, p: Price, top: int, out: I64, downs: I64, zs: np.ndarray,
                 n: int, most: int) -> tuple[int, float, float]:
    """Take a node and everything upstream of it out; return (entries, metres, taps lost).

    Entries are written children first. Gives up (n unchanged, metres -1) beyond `most` nodes.
    """
    stack = np.empty(most + 1, dtype=np.int64)
    order = np.empty(most + 1, dtype=np.int64)
    depth = 1
    stack[0] = top
    m = 0
    while depth > 0:
        depth -= 1
        a = stack[depth]
        if m >= most:
            return n, -1.0, 0.0
        order[m] = a
        m += 1
        if s.children[a] > 0:
            for k in range(16):
                b = a + g.offset[k]
                if 0 <= b < s.down.shape[0] and s.down[b] == a:
                    if depth >= most:
                        return n, -1.0, 0.0
                    stack[depth] = b
                    depth += 1
    metres = 0.0
    taps = 0.0
    for i in range(m - 1, -1, -1):
        a = order[i]
        down = s.down[a]
        metres += arc_price(g, p, down, move_between(g, down, a), a, s.z[a])
        for q in range(c.start[a], c.start[a + 1]):
            if s.z[a] <= c.z[q] and s.served_by[c.tree[q]] == 1:
                taps += c.taps[c.tree[q]]
        out[n] = a
        downs[n] = down
        zs[n] = s.z[a]
        n += 1
        drop_node(g, c, s, a)
        metres += branch_fee(s, p, down)
    return n, metres, taps


@njit(cache=True)
def branch_base(s: State, a: int) -> int:
    """Return the lowest node of the unbranched piece of line that holds a node."""
    while s.down[a] >= 0 and s.down[s.down[a]] >= 0 and s.children[s.down[a]] == 1:
        a = s.down[a]
    return a


@njit(cache=True)
def improve(  # noqa: C901
    g: Graph, c: Cover, s: State, p: Price, bands: int, reach_m: float, full: float, tries: int,
    half_m: float, most: int, heat: float,
) -> tuple[int, float]:
    """Try `tries` windows; return (windows that helped, metres of objective gained).

    A window's lines (some tips' branches, or a whole small subtree) are taken out, grown anew
    with a random pull and price schedule, trimmed, and put back as they were unless the
    objective (metres minus worth of taps) fell.
    """
    size = s.down.shape[0]
    gone = np.empty(size, dtype=np.int64)
    gone_down = np.empty(size, dtype=np.int64)
    gone_z = np.empty(size)
    fresh = np.empty(size + 4096, dtype=np.int64)
    scratch = np.empty(size + 4096, dtype=np.int64)
    nodes = np.empty(size, dtype=np.int64)
    helped = 0
    gained = 0.0
    for t in range(tries):
        m = 0
        for a in range(size):
            if s.down[a] >= 0:
                nodes[m] = a
                m += 1
        if m == 0:
            break
        centre = nodes[random_below(s.rng, m)]
        half = int(half_m * (0.6 + 0.8 * random_unit(s.rng)) / g.step_m)
        r = centre // g.cols
        col = centre - r * g.cols
        r0 = max(0, r - half)
        c0 = max(0, col - half)
        r1 = min(g.rows, r + half + 1)
        c1 = min(g.cols, col + half + 1)
        n = 0
        saved = 0.0
        lost = 0.0
        mode = random_unit(s.rng)
        if mode < 0.35:
            n, metres, taps = remove_above(g, c, s, p, branch_base(s, centre), gone, gone_down, gone_z, n, most)
            if metres > 0.0:
                saved += metres
                lost += taps
        else:
            share = 0.3 + 0.7 * random_unit(s.rng)
            for tip in tips_in(g, s, (r0, c0, r1, c1)):
                if tip < 0 or s.down[tip] < 0 or s.children[tip] > 0 or random_unit(s.rng) > share:
                    continue
                base = branch_base(s, tip)
                n, metres, taps = remove_above(g, c, s, p, base, gone, gone_down, gone_z, n, most)
                if metres > 0.0:
                    saved += metres
                    lost += taps
        if n == 0:
            continue
        pad = 2 + int(0.5 * reach_m / g.step_m)
        for i in range(n):
            r = gone[i] // g.cols
            col = gone[i] - r * g.cols
            r0 = min(r0, max(0, r - pad))
            r1 = max(r1, min(g.rows, r + pad + 1))
            c0 = min(c0, max(0, col - pad))
            c1 = max(c1, min(g.cols, col + pad + 1))
        box = (r0, c0, r1, c1)
        pull = 4.0 * random_unit(s.rng)
        start = 0.3 + 0.7 * random_unit(s.rng)
        want = full * (0.5 + random_unit(s.rng))
        s.counter[1] += 1
        f = grow_box(g, c, s, p, box, bands, reach_m, pull, want, start, 10.0, 5, 1 + random_below(s.rng, 3),
                     random_unit(s.rng), fresh, 0)
        # what was grown is taken out tip by tip where it does not pay, then valued by taking it all out
        paid = 0.0
        won = 0.0
        for i in range(f - 1, -1, -1):
            a = fresh[i]
            if s.down[a] == -2 or s.children[a] > 0:
                continue
            trim_tip(g, c, s, p, a, scratch, 0, True)  # noqa: FBT003
        k = 0
        for i in range(f):
            if s.down[fresh[i]] != -2:
                fresh[k] = fresh[i]
                k += 1
        f = k
        again = np.empty(f, dtype=np.int64)
        again_down = np.empty(f, dtype=np.int64)
        again_z = np.empty(f)
        for i in range(f - 1, -1, -1):
            a = fresh[i]
            again[i] = a
            again_down[i] = s.down[a]
            again_z[i] = s.z[a]
            down = s.down[a]
            paid += arc_price(g, p, down, move_between(g, down, a), a, s.z[a])
            for q in range(c.start[a], c.start[a + 1]):
                if s.z[a] <= c.z[q] and s.served_by[c.tree[q]] == 1:
                    won += c.taps[c.tree[q]]
            drop_node(g, c, s, a)
            paid += branch_fee(s, p, down)
        better = (p.tap_m * won - paid) - (p.tap_m * lost - saved)
        if better > 1e-6 or (heat > 0.0 and better > -heat * (1.0 - t / tries) * random_unit(s.rng)):
            for i in range(f):
                add_node(g, c, s, again[i], again_down[i], again_z[i])
            if better > 1e-6:
                helped += 1
            gained += better
        else:
            for i in range(n - 1, -1, -1):
                add_node(g, c, s, gone[i], gone_down[i], gone_z[i])
    return helped, gained
