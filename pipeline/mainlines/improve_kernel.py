"""Window ruin and recreate: take lines out of a window, lay them anew otherwise, keep what is no dearer.

Three ruins take turns: a whole subtree; some tips' branches in a window; one piece of line between
forks (or everything near a node), whose upstream fragments are tied on again (see the exchange kernel).

All of it can be kept inside a box of the lattice: nothing outside is changed or decides anything, so
boxes that lie two reaches apart can be improved side by side.
"""

from __future__ import annotations

import math

import numpy as np

from pipeline.compiled import njit
from pipeline.mainlines.exchange_kernel import fragments, tie_on
from pipeline.mainlines.grow_kernel import TILE, lay_paths, look
from pipeline.mainlines.lattice_kernel import F64, I64
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

NEWS_REACHES = 5.0  # reaches of a lateral: how far from a new line others may begin to pay; ours
EVERYWHERE = (0, 0, 1 << 40, 1 << 40)


@njit(cache=True)
def within(a: int, cols: int, box: tuple[int, int, int, int]) -> bool:
    """Return whether a node lies in a box."""
    r = a // cols
    col = a - r * cols
    return box[0] <= r < box[2] and box[1] <= col < box[3]


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
def open_tiles(
    g: Graph, tile: I64, mark: int, box: tuple[int, int, int, int], node: I64, n: int, pad: int
) -> None:
    """Mark the tiles of a box and those within ``pad`` nodes of some nodes: lines are laid only there."""
    across = (g.cols + TILE - 1) // TILE
    if box[2] > box[0]:
        for i in range(box[0] // TILE, (box[2] - 1) // TILE + 1):
            for j in range(box[1] // TILE, (box[3] - 1) // TILE + 1):
                tile[i * across + j] = mark
    for q in range(n):
        r = node[q] // g.cols
        col = node[q] - r * g.cols
        for i in range(max(0, r - pad) // TILE, min(g.rows - 1, r + pad) // TILE + 1):
            for j in range(max(0, col - pad) // TILE, min(g.cols - 1, col + pad) // TILE + 1):
                tile[i * across + j] = mark


@njit(cache=True, nogil=True)
def grow_box(
    g: Graph, c: Cover, s: State, p: Price, box: tuple[int, int, int, int], bands: int, reach_m: float,
    pull: float, full: float, start: float, raise_by: float, rounds: int,
    block: int, jitter: float, log: I64, logged: int, tile: I64, mark: int,
) -> int:
    """Grow in a box at rising prices of a tap, the last the real one; return the log length.

    Without a blur what was not worth laying stays so until a line comes near or the price rises: then
    only the ground about the last round's lines is searched again at the same price.
    """
    share = start
    tiles = ((g.rows + TILE - 1) // TILE) * ((g.cols + TILE - 1) // TILE) if jitter <= 0.0 else 0
    about = np.zeros(tiles, dtype=np.int64)
    pad = int(NEWS_REACHES * reach_m / g.step_m)
    lab = look(g, c, s, p, box, bands, pull, full, reach_m, jitter, tile, mark)
    every = True
    for turn in range(rounds):
        q = Price(p.tap_m * share, p.branch_m, p.ladder)
        before = logged
        logged, laid = lay_paths(g, c, s, q, lab, reach_m, block, log, logged)
        if laid == 0:
            if share >= 1.0:
                break
            share = min(1.0, share * raise_by)
        if turn == rounds - 1:
            break
        if jitter > 0.0 or (laid == 0 and not every):
            # where nothing was laid the labels still stand, but another blur may show what they did not (measured)
            lab = look(g, c, s, p, box, bands, pull, full, reach_m, jitter, tile, mark)
            every = True
        elif laid > 0:
            open_tiles(g, about, turn + 1, (0, 0, 0, 0), log[before:logged], logged - before, pad)
            lab = look(g, c, s, p, box, bands, pull, full, reach_m, jitter, about, turn + 1)
            every = False
    return logged


@njit(cache=True)
def remove_above(  # noqa: C901
    g: Graph, c: Cover, s: State, p: Price, top: int, out: I64, downs: I64, zs: np.ndarray, n: int, most: int,
    region: tuple[int, int, int, int] = EVERYWHERE,
) -> tuple[int, float, float]:
    """Take a node and everything upstream of it out; return (entries, metres, taps lost).

    Entries are written children first. Gives up (n unchanged, metres -1) beyond `most` nodes and
    where any of them, or what the line hangs on, lies outside the region.
    """
    if s.down[top] >= 0 and not within(s.down[top], g.cols, region):
        return n, -1.0, 0.0
    stack = np.empty(most + 1, dtype=np.int64)
    order = np.empty(most + 1, dtype=np.int64)
    depth = 1
    stack[0] = top
    m = 0
    while depth > 0:
        depth -= 1
        a = stack[depth]
        if m >= most or not within(a, g.cols, region):
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
def branch_base(s: State, a: int, cols: int = 1, region: tuple[int, int, int, int] = EVERYWHERE) -> int:
    """Return the lowest node of the unbranched piece of line that holds a node, as far as it lies in the region."""
    while s.down[a] >= 0 and within(s.down[a], cols, region):
        if s.down[s.down[a]] < 0 or s.children[s.down[a]] != 1:
            break
        a = s.down[a]
    return a


@njit(cache=True)
def value_out(g: Graph, c: Cover, s: State, p: Price, fresh: I64, f: int, down: I64, z: F64) -> tuple[float, float]:
    """Take logged nodes out, last first; return (metres, taps) they were worth; fill ``down`` and ``z``."""
    paid = 0.0
    won = 0.0
    for i in range(f - 1, -1, -1):
        a = fresh[i]
        down[i] = s.down[a]
        z[i] = s.z[a]
        paid += arc_price(g, p, down[i], move_between(g, down[i], a), a, z[i])
        for q in range(c.start[a], c.start[a + 1]):
            if z[i] <= c.z[q] and s.served_by[c.tree[q]] == 1:
                won += c.taps[c.tree[q]]
        drop_node(g, c, s, a)
        paid += branch_fee(s, p, down[i])
    return paid, won


@njit(cache=True)
def ruin(
    g: Graph, c: Cover, s: State, p: Price, centre: int, box: tuple[int, int, int, int], mode: float, most: int,
    gone: I64, gone_down: I64, gone_z: F64, region: tuple[int, int, int, int],
) -> tuple[int, float, float]:
    """Take lines out: a subtree (mode below 0.65) or some tips' branches; return (nodes, metres, taps)."""
    if mode < 0.65:
        base = branch_base(s, centre, g.cols, region)
        n, metres, taps = remove_above(g, c, s, p, base, gone, gone_down, gone_z, 0, most, region)
        return n, max(metres, 0.0), taps
    n = 0
    saved = 0.0
    lost = 0.0
    share = 0.3 + 0.7 * random_unit(s.rng)
    for tip in tips_in(g, s, box):
        if tip < 0 or s.down[tip] < 0 or s.children[tip] > 0 or random_unit(s.rng) > share:
            continue
        base = branch_base(s, tip, g.cols, region)
        n, metres, taps = remove_above(g, c, s, p, base, gone, gone_down, gone_z, n, most, region)
        if metres > 0.0:
            saved += metres
            lost += taps
    return n, saved, lost


@njit(cache=True)
def around(
    g: Graph, box: tuple[int, int, int, int], gone: I64, n: int, pad: int,
    region: tuple[int, int, int, int] = EVERYWHERE,
) -> tuple[int, int, int, int]:
    """Return a box widened to hold all removed nodes and some ground round them, inside the region."""
    r0, c0, r1, c1 = box
    for i in range(n):
        r = gone[i] // g.cols
        col = gone[i] - r * g.cols
        r0 = min(r0, max(region[0], r - pad))
        r1 = max(r1, min(g.rows, region[2], r + pad + 1))
        c0 = min(c0, max(region[1], col - pad))
        c1 = max(c1, min(g.cols, region[3], col + pad + 1))
    return r0, c0, r1, c1


@njit(cache=True)
def lines_of(s: State, cols: int = 1, region: tuple[int, int, int, int] = EVERYWHERE) -> I64:
    """Return the nodes of the network in a region that are no sources."""
    first = min(region[0] * cols, s.down.shape[0])
    last = min(region[2] * cols, s.down.shape[0])
    m = 0
    for a in range(first, last):
        m += s.down[a] >= 0 and within(a, cols, region)
    out = np.empty(m, dtype=np.int64)
    m = 0
    for a in range(first, last):
        if s.down[a] >= 0 and within(a, cols, region):
            out[m] = a
            m += 1
    return out


@njit(cache=True)
def copy_into(a: State, b: State) -> None:
    """Copy a network over another, random numbers apart."""
    b.down[:] = a.down
    b.z[:] = a.z
    b.children[:] = a.children
    b.used[:] = a.used
    b.served_by[:] = a.served_by


@njit(cache=True)
def recreate(
    g: Graph, c: Cover, s: State, p: Price, box: tuple[int, int, int, int], bands: int, reach_m: float,
    full: float, start: float, fresh: I64, scratch: I64, f: int, tile: I64, mark: int,
) -> int:
    """Grow in a box with random tastes, trim what does not pay, and return how many fresh nodes stay."""
    f = grow_box(g, c, s, p, box, bands, reach_m, 4.0 * random_unit(s.rng), full * (0.5 + random_unit(s.rng)), start,
                 10.0, 5, 1 + random_below(s.rng, 3), random_unit(s.rng), fresh, f, tile, mark)
    for i in range(f - 1, -1, -1):
        a = fresh[i]
        if s.down[a] != -2 and s.children[a] == 0:
            trim_tip(g, c, s, p, a, scratch, 0, True)  # noqa: FBT003
    k = 0
    for i in range(f):
        if s.down[fresh[i]] != -2:
            fresh[k] = fresh[i]
            k += 1
    return k


@njit(cache=True, nogil=True)
def improve(  # noqa: C901
    g: Graph, c: Cover, s: State, best: State, p: Price, bands: int, reach_m: float, full: float, tries: int,
    half_m: float, most: int, heat: float, cool: float, region: tuple[int, int, int, int] = EVERYWHERE,
) -> float:
    """Try `tries` windows inside a region; return the metres of objective gained.

    A window is put back as it was when the objective (metres minus worth of taps) rose by more
    than a random share of a heat that falls from ``heat`` to ``cool``. With heat, the best network
    met is kept in ``best`` and put in place at the end.
    """
    size = s.down.shape[0]
    gone = np.empty(size, dtype=np.int64)
    gone_down = np.empty(size, dtype=np.int64)
    gone_z = np.empty(size)
    fresh = np.empty(size + 4096, dtype=np.int64)
    fresh_down = np.empty(size + 4096, dtype=np.int64)
    fresh_z = np.empty(size + 4096)
    scratch = np.empty(size + 4096, dtype=np.int64)
    slot = np.full(size, -1, dtype=np.int32)
    doomed = np.zeros(size, dtype=np.int32)
    tile = np.full(((g.rows + TILE - 1) // TILE) * ((g.cols + TILE - 1) // TILE), -1, dtype=np.int64)
    gained = 0.0
    top = 0.0
    if heat > 0.0:
        copy_into(s, best)
    nodes = lines_of(s, g.cols, region)
    for t in range(tries):
        if t % 32 == 0:
            nodes = lines_of(s, g.cols, region)
        if nodes.shape[0] == 0:
            break
        centre = nodes[random_below(s.rng, nodes.shape[0])]
        if s.down[centre] < 0:
            continue
        half = int(half_m * (0.6 + 0.8 * random_unit(s.rng)) / g.step_m)
        r = centre // g.cols
        col = centre - r * g.cols
        box = (max(region[0], r - half), max(region[1], col - half),
               min(g.rows, region[2], r + half + 1), min(g.cols, region[3], col + half + 1))
        mode = random_unit(s.rng)
        n, saved, lost = ruin(g, c, s, p, centre, box, mode, most, gone, gone_down, gone_z, region)
        if n == 0:
            continue
        pad = 2 + int(0.5 * reach_m / g.step_m)
        open_tiles(g, tile, t, box, gone, n, pad)
        box = around(g, box, gone, n, pad, region)
        s.counter[1] += 1
        f = 0
        start = 0.3 + 0.7 * random_unit(s.rng)
        if mode < 0.4:
            radius = 0 if mode < 0.2 else 1 + random_below(s.rng, 4)
            which, count = fragments(g, gone, gone_down, n, slot, doomed, centre, radius)
            f = tie_on(g, c, s, p, box, bands, 2.0 * random_unit(s.rng), full, which, count, gone, gone_down, gone_z,
                       n, slot, fresh, 0, tile, t)
        f = recreate(g, c, s, p, box, bands, reach_m, full, start, fresh, scratch, f, tile, t)
        paid, won = value_out(g, c, s, p, fresh, f, fresh_down, fresh_z)
        better = (p.tap_m * won - paid) - (p.tap_m * lost - saved)
        warm = heat + (cool - heat) * t / tries
        if better > -1e-9 or (warm > 0.0 and better > warm * math.log(1e-12 + random_unit(s.rng))):
            for i in range(f):
                add_node(g, c, s, fresh[i], fresh_down[i], fresh_z[i])
            gained += better
            if heat > 0.0 and gained > top + 1e-6:
                top = gained
                copy_into(s, best)
        else:
            for i in range(n - 1, -1, -1):
                add_node(g, c, s, gone[i], gone_down[i], gone_z[i])
    if heat > 0.0:
        copy_into(best, s)
        gained = top
    return gained
