"""The layout on the lattice: grown by profit, then improved window by window."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pipeline.mainlines import improve_kernel, state_kernel
from pipeline.mainlines.grow_kernel import NO_TILE
from pipeline.mainlines.state_kernel import OUT, ROOT, Cover, Graph, Price, State

BANDS = 5
BANDS_IN_WINDOWS = 3  # fewer are as good there, and faster (measured)
SMALL_TIPS = 15
SMALL_NODES = 10_000
TINY_NODES = 1_000  # windows cost so little there that twice as many are tried
HEAT = 0.15  # of the worth of a tap: how much worse a window may be at first
WIDEST_STEP_M = 4.0
MOST_NODES = 700_000  # of the lattice; larger terrains get a wider step
SIDE_BY_SIDE = 100  # from so many tips on a network is improved in two halves at once, also where there is one core
CUTS = (0.5, 0.5, 0.38, 0.38, 0.62, 0.62, 0.5, 0.5)  # share of the lines on one side of the cut, by round
Report = Callable[[str, float], None]
Box = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True)
class Effort:
    """How much searching is done; counts, never seconds, so that a plan can be repeated."""

    step_m: float
    nodes: int  # the lattice's step is widened, to 4 m at most, until it has no more nodes than this
    starts: int
    small_starts: int  # instead, on a small lattice
    windows_per_tip: float
    windows_least: int
    windows_most: int  # a vast network is searched more coarsely, so that time grows no faster than its trees
    half_m: float = 75.0
    most_nodes: int = field(default=800)


EFFORTS = {
    "quick": Effort(step_m=4.0, nodes=40_000, starts=1, small_starts=1, windows_per_tip=4.0, windows_least=150,
                    windows_most=3000),
    "normal": Effort(step_m=3.0, nodes=80_000, starts=1, small_starts=4, windows_per_tip=14.0, windows_least=600,
                     windows_most=7200),
    "thorough": Effort(step_m=2.5, nodes=300_000, starts=3, small_starts=8, windows_per_tip=40.0, windows_least=2500,
                       windows_most=60_000),
}


def step_for(effort: Effort, area_m2: float) -> float:
    """Return the step of the lattice for a terrain of some area, in metres."""
    wanted = float(np.clip((area_m2 / effort.nodes) ** 0.5, effort.step_m, WIDEST_STEP_M))
    return max(wanted, float((area_m2 / MOST_NODES) ** 0.5))


def empty_state(nodes: int, trees: int, seed: int) -> State:
    """Return a network without lines."""
    return State(
        down=np.full(nodes, OUT, dtype=np.int32), z=np.full(nodes, np.inf), children=np.zeros(nodes, dtype=np.int32),
        used=np.zeros(nodes, dtype=np.int32), served_by=np.zeros(trees, dtype=np.int32),
        stamp=np.zeros(trees, dtype=np.int32), near=np.zeros(nodes, dtype=np.int32),
        fresh=np.zeros(nodes, dtype=np.int32), counter=np.zeros(4, dtype=np.int64),
        rng=np.array([np.uint64(seed) * np.uint64(2654435761) + np.uint64(88172645463325252)], dtype=np.uint64),
    )


def copy_state(s: State) -> State:
    """Return a copy that shares nothing."""
    return State(
        s.down.copy(), s.z.copy(), s.children.copy(), s.used.copy(), s.served_by.copy(), s.stamp.copy(), s.near.copy(),
        s.fresh.copy(), s.counter.copy(), s.rng.copy(),
    )


def seeded(graph: Graph, cover: Cover, seed: int, source: npt.NDArray[np.int64],
           source_z: npt.NDArray[np.float64]) -> State:
    """Return a network of sources only."""
    s = empty_state(graph.rows * graph.cols, cover.taps.shape[0], seed)
    for a, z in zip(source.tolist(), source_z.tolist(), strict=True):
        if s.down[a] == OUT:
            state_kernel.add_node(graph, cover, s, a, ROOT, z)
        elif z < s.z[a]:
            state_kernel.drop_node(graph, cover, s, a)
            state_kernel.add_node(graph, cover, s, a, ROOT, z)
    return s


def full_appetite(cover: Cover) -> float:
    """Return a high but not extreme number of taps within reach of a node, to scale appetites by."""
    if not cover.start[-1]:
        return 1.0
    per_node = np.add.reduceat(
        np.append(cover.taps[cover.tree], 0.0), np.minimum(cover.start[:-1], cover.tree.size)
    ) * (np.diff(cover.start) > 0)
    some = per_node[per_node > 0]
    return float(np.percentile(some, 90)) if some.size else 1.0


def grow(graph: Graph, cover: Cover, s: State, price: Price, reach_m: float, full: float, *, pull: float = 1.5,
         start: float = 0.35) -> None:
    """Grow a network over the whole lattice and trim its tips."""
    n = s.down.shape[0]
    log = np.empty(2 * n + 4096, dtype=np.int64)
    box = (0, 0, graph.rows, graph.cols)
    improve_kernel.grow_box(
        graph, cover, s, price, box, BANDS, reach_m, pull, full, start, 1.6, 30, 3, 0.0, log, 0, NO_TILE, 0
    )
    improve_kernel.trim_box(graph, cover, s, price, box, log, 0)


def adapt(graph: Graph, cover: Cover, s: State, price: Price, reach_m: float, *, grow: bool) -> None:
    """Cut a network back to what pays at another price of a tap, in place, after growing it on where asked."""
    log = np.empty(2 * s.down.shape[0] + 4096, dtype=np.int64)
    box = (0, 0, graph.rows, graph.cols)
    if grow:
        improve_kernel.grow_box(
            graph, cover, s, price, box, BANDS, reach_m, 1.5, full_appetite(cover), 1.0, 1.6, 10, 3, 0.0, log, 0,
            NO_TILE, 0,
        )
    improve_kernel.trim_box(graph, cover, s, price, box, log, 0)


def objective(graph: Graph, cover: Cover, s: State, price: Price) -> float:
    """Return metres of line minus the worth of the taps served: lower is better."""
    cost, _, taps = state_kernel.cost_of(graph, cover, s, price)
    return float(cost - price.tap_m * taps)


def tips(s: State) -> int:
    """Return how many tips a network has."""
    return int(((s.down >= 0) & (s.children == 0)).sum())


def improved(
    graph: Graph, cover: Cover, s: State, price: Price, reach_m: float, full: float, effort: Effort,
    report: Report, share: tuple[float, float],
) -> None:
    """Ruin and recreate windows in place; ``share`` is the span of progress to report."""
    n = s.down.shape[0]
    least = effort.windows_least * (2 if n < TINY_NODES else 1)
    windows = min(max(least, int(effort.windows_per_tip * tips(s))), effort.windows_most)
    log = np.empty(2 * n + 4096, dtype=np.int64)
    box = (0, 0, graph.rows, graph.cols)
    rounds = len(CUTS)
    # a small network is let off worse for a while, to leave its valley; on a large one that only drifts
    hot = HEAT * price.tap_m if tips(s) < SMALL_TIPS else 0.0
    best = copy_state(s) if hot > 0.0 else s
    for k in range(rounds):
        half = effort.half_m * (1.35, 1.0, 0.8, 1.2)[k % 4]
        heat, cool = (hot * max(0.0, 1.0 - q / (rounds - 1)) ** 2 for q in (k, k + 1))
        work = [(box, windows // rounds + 1)]
        if tips(s) >= SIDE_BY_SIDE:
            work = halves(graph, s, reach_m, windows // rounds + 1, k)

        def one(state: State, box: Box, tries: int, half: float = half, heat: float = heat, cool: float = cool) -> None:
            improve_kernel.improve(
                graph, cover, state, best, price, BANDS_IN_WINDOWS, reach_m, full, tries, half, effort.most_nodes,
                heat, cool, box,
            )

        side_by_side(s, work, one)
        improve_kernel.trim_box(graph, cover, s, price, box, log, 0)
        report(f"improving mainlines, round {k + 1} of {rounds}", share[0] + (share[1] - share[0]) * (k + 1) / rounds)


def halves(graph: Graph, s: State, reach_m: float, tries: int, k: int) -> list[tuple[Box, int]]:
    """Return two boxes with their shares of the tries, and between them a strip that no tree is reached across.

    The strip runs now along the rows, now along the columns, elsewhere from round to round, so
    that every place is inside a box in most rounds.
    """
    row, col = np.divmod(np.flatnonzero(s.down >= 0), graph.cols)
    along = col if k % 2 == 0 else row
    at = int(np.quantile(along, CUTS[k])) if along.size else 0
    gap = int(np.ceil(reach_m / graph.step_m)) + 2  # on either side of the cut: a reach and a knight's move
    low, high = max(at - gap, 0), at + gap
    both = int(((along < low) | (along >= high)).sum())
    below = round(tries * float((along < low).sum()) / max(1, both))
    first, second = (0, 0, graph.rows, low), (0, high, graph.rows, graph.cols)
    if k % 2:
        first, second = (0, 0, low, graph.cols), (high, 0, graph.rows, graph.cols)
    return [(first, below), (second, tries - below)]


def side_by_side(s: State, work: list[tuple[Box, int]], one: Callable[[State, Box, int], None]) -> None:
    """Do the work of each box in a thread of its own; what comes out does not depend on how the threads run.

    The boxes share no node and no tree. Stamps go on from the highest handed out anywhere, and
    each box but the first has random numbers of its own.
    """
    if len(work) == 1:
        one(s, *work[0])
        return
    mine = [s._replace(counter=s.counter.copy(), rng=s.rng.copy()) for _ in work]
    for k, state in enumerate(mine):
        state.rng[0] ^= np.uint64(k) * np.uint64(0x9E3779B97F4A7C15)
    with ThreadPoolExecutor(len(work)) as crew:
        for done in [crew.submit(one, state, *part) for state, part in zip(mine, work, strict=True)]:
            done.result()
    s.counter[:] = np.max([state.counter for state in mine], axis=0)
    s.rng[:] = mine[0].rng


def best_layout(
    graph: Graph, cover: Cover, sources: tuple[npt.NDArray[np.int64], npt.NDArray[np.float64]], price: Price,
    reach_m: float, effort: Effort, seed: int, report: Report,
) -> State:
    """Return the best of several starts, each grown and improved."""
    full = full_appetite(cover)
    best: State | None = None
    best_value = np.inf
    starts = effort.starts if graph.rows * graph.cols > SMALL_NODES else effort.small_starts
    for k in range(starts):
        s = seeded(graph, cover, seed * 1009 + k, *sources)
        grow(graph, cover, s, price, reach_m, full, pull=(1.5, 3.0, 0.5)[k % 3], start=(0.35, 0.6, 0.25)[k % 3])
        report("growing mainlines", 0.3)
        span = 0.5 / starts
        improved(graph, cover, s, price, reach_m, full, effort, report, (0.3 + span * k, 0.3 + span * (k + 1)))
        value = objective(graph, cover, s, price)
        if value < best_value:
            best, best_value = s, value
    return best if best is not None else seeded(graph, cover, seed, *sources)
