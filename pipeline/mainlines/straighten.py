"""Chains of lattice moves become straight runs between few, gentle bends.

Parents come before children. A child may leave its parent's straight line anywhere near the
old fork; it then starts at the parent's own lowest elevation there. Where a child finds no
legal way from the straightened parent, the parent is pulled again with the fork held fast,
and at last left as it was found on the lattice.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from pipeline.mainlines import lattice_kernel, straighten_kernel
from pipeline.mainlines.chains import Chain
from pipeline.mainlines.lattice import Lattice
from pipeline.mainlines.state_kernel import OUT, Cover, State
from pipeline.records import Mask

Floats = npt.NDArray[np.float64]

BANDS = 12
LONGEST_RUN_M = 150.0  # of one straight run that the programme looks at; ours
JOIN_SLIDE_M = 24.0  # how far from its fork on the lattice a branch may join; ours
JOIN_STEP_M = 3.0
NEAR_VERTEX_M = 4.5
THREADS = 2
LOOSE_MOVES = 3  # moves next to a fork that other lines need not respect: the fork may slide; ours


@dataclass(slots=True, eq=False)
class Line:
    """One straightened line: raster rows and columns of its vertices and its lowest elevations there.

    ``join_m`` is the station on the parent; ``lost`` lists chains that found no legal way.
    """

    rc: Floats
    z: Floats
    join_m: float
    source: int
    fixed: bool = False
    name: str = ""
    children: list[Line] = field(default_factory=list)
    lost: int = 0

    def stations(self, cell_m: float) -> Floats:
        """Return the stations of the vertices in metres."""
        step = np.hypot(*np.diff(self.rc, axis=0).T) * cell_m
        return np.concatenate(([0.0], np.cumsum(step)))


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """Places where a line may begin: raster places, elevations, upward directions, stations."""

    rc: Floats
    z: Floats
    direction: Floats
    station: Floats


Branch = tuple[Start, Line | None]  # where a branch may begin, and its straight way from there


@dataclass(slots=True, eq=False)
class Puller:
    """What straightening needs to know, and the lines laid so far."""

    lattice: Lattice
    bend_m: float
    most_deg: float
    hosts: dict[int, list[int]]  # node of the lattice -> trees that the network serves best from there
    tree_rc: Floats
    ceiling: Floats  # highest line beside each tree
    taps: Floats
    reach_m: float
    lateral_grade: float
    tap_m: float
    closed: Mask  # per raster cell: no support may stand there
    laid: list[Floats] = field(default_factory=list)  # segments (n, 4)
    raw: dict[int, Floats] = field(default_factory=dict)  # id of a chain not yet laid -> its segments

    @property
    def cell_m(self) -> float:
        """Edge of a raster cell."""
        return self.lattice.surface.cell_m

    def no_support(self, rc: Floats) -> npt.NDArray[np.int64]:
        """Return 1 for raster places at which no support may stand, else 0."""
        r = np.clip(np.floor(rc[:, 0] + 0.5).astype(np.int64), 0, self.closed.shape[0] - 1)
        c = np.clip(np.floor(rc[:, 1] + 0.5).astype(np.int64), 0, self.closed.shape[1] - 1)
        return self.closed[r, c].astype(np.int64)

    def guests(self, chain: Chain, starts: int) -> straighten_kernel.Guests:
        """Return the trees that a chain serves, by the point of the path that is nearest."""
        per_point: list[list[int]] = [[] for _ in range(starts)]
        per_point.extend(self.hosts.get(node, []) for node in chain.nodes[1:])
        who = np.array([t for trees in per_point for t in trees], dtype=np.int64)
        first = np.concatenate(([0], np.cumsum([len(trees) for trees in per_point]))).astype(np.int64)
        return straighten_kernel.Guests(
            rc=np.ascontiguousarray(self.tree_rc[who].reshape(-1, 2)), ceiling=self.ceiling[who], taps=self.taps[who],
            first=first, reach=self.reach_m / self.cell_m, grade=self.lateral_grade * self.cell_m, tap_m=self.tap_m,
        )

    def keep_clear(self, chain: Chain) -> None:
        """Let other lines not cross a chain that is not laid yet; its first moves may still shift."""
        self.raw[id(chain)] = segments_of(self.lattice.rowcol(np.array(chain.nodes[LOOSE_MOVES:])))

    def others(self, chain: Chain, points: Floats) -> Floats:
        """Return segments of other lines near some points; the chain's own branches may be crossed."""
        own = {id(c) for c in descendants(chain)}
        parts = [*self.laid, *(v for k, v in self.raw.items() if k not in own)]
        if not parts:
            return np.empty((0, 4))
        seg = np.concatenate(parts)
        low, high = points.min(axis=0), points.max(axis=0)
        near = (
            (np.maximum(seg[:, 0], seg[:, 2]) >= low[0]) & (np.minimum(seg[:, 0], seg[:, 2]) <= high[0])
            & (np.maximum(seg[:, 1], seg[:, 3]) >= low[1]) & (np.minimum(seg[:, 1], seg[:, 3]) <= high[1])
        )
        return np.ascontiguousarray(seg[near])


def descendants(chain: Chain) -> list[Chain]:
    """Return a chain and all its branches."""
    out = [chain]
    at = 0
    while at < len(out):
        out.extend(out[at].children)
        at += 1
    return out


def segments_of(rc: Floats) -> Floats:
    """Return consecutive pairs of points as rows (r0, c0, r1, c1)."""
    return np.column_stack((rc[:-1], rc[1:]))


def low_line(lattice: Lattice, rc: Floats, z0: float) -> Floats:
    """Return the lowest legal line at the vertices of a polyline that starts at `z0`; inf where none."""
    out = [z0]
    for a, b in pairwise(rc):
        z = lattice_kernel.profile(lattice.surface, a[0], a[1], b[0], b[1], out[-1], 1)
        out.append(float(z[-1]))
    out[0] = z0
    return np.array(out)


def at_stations(lattice: Lattice, line: Line, stations: Floats) -> tuple[Floats, Floats, Floats]:
    """Return raster places, lowest elevations and upward directions on a line at stations."""
    own = line.stations(lattice.surface.cell_m)
    places, zs, ways = [], [], []
    for s in stations.tolist():
        k = int(np.clip(np.searchsorted(own, s, side="right") - 1, 0, own.size - 2))
        t = (s - own[k]) / max(own[k + 1] - own[k], 1e-12)
        p = line.rc[k] + (line.rc[k + 1] - line.rc[k]) * t
        if line.fixed or t <= 0.0:
            z = float(line.z[k] + (line.z[k + 1] - line.z[k]) * t)
        else:
            z = float(lattice_kernel.profile(
                lattice.surface, line.rc[k, 0], line.rc[k, 1], p[0], p[1], line.z[k], 1)[-1])
        places.append(p)
        zs.append(z)
        ways.append(line.rc[k + 1] - line.rc[k])
    return np.array(places), np.array(zs), np.array(ways)


def host_nodes(
    lattice: Lattice, cover: Cover, state: State, tree_rc: Floats, asked: Mask | None = None
) -> dict[int, list[int]]:
    """Return for nodes of a network the trees that are nearest to them among all nodes that can serve them.

    Trees that only lower lines would serve come to the nearest of the nodes from which that could be:
    a straight line may hang lower than its moves on the lattice. With ``asked`` only those trees are
    looked at, and only nodes with one downstream of them.
    """
    nodes = np.flatnonzero(state.down != OUT if asked is None else state.down >= 0)
    counts = cover.start[nodes + 1] - cover.start[nodes]
    entry = np.repeat(cover.start[nodes], counts) + np.arange(counts.sum()) - np.repeat(
        np.cumsum(counts) - counts, counts
    )
    node = np.repeat(nodes, counts)
    if asked is not None:
        wanted = asked[cover.tree[entry]]
        entry, node = entry[wanted], node[wanted]
    tree = cover.tree[entry].astype(np.int64)
    high = state.z[node] > cover.z[entry]
    away = np.hypot(*(lattice.rowcol(node) - tree_rc[tree]).T)
    order = np.lexsort((node, away, high, tree))
    _, first = np.unique(tree[order], return_index=True)
    out: dict[int, list[int]] = {}
    for k in order[first].tolist():
        out.setdefault(int(node[k]), []).append(int(tree[k]))
    return out


def bends_only(rc: Floats) -> Floats:
    """Return a polyline without the vertices at which it goes straight on."""
    way = np.diff(rc, axis=0)
    cross = way[:-1, 0] * way[1:, 1] - way[:-1, 1] * way[1:, 0]
    keep = np.abs(cross) > 1e-9 * np.hypot(way[:-1, 0], way[:-1, 1]) * np.hypot(way[1:, 0], way[1:, 1])
    return rc[np.concatenate(([True], keep, [True]))]


def join_places(puller: Puller, parent: Line, fork_rc: Floats) -> Start:
    """Return the places on a parent near a fork where a branch may begin."""
    own = parent.stations(puller.cell_m)
    best, at = np.inf, 0.0
    for k in range(own.size - 1):
        a, b = parent.rc[k], parent.rc[k + 1]
        t = float(np.clip(((fork_rc - a) @ (b - a)) / max((b - a) @ (b - a), 1e-12), 0.0, 1.0))
        d = float(np.hypot(*(fork_rc - (a + (b - a) * t))))
        if d < best:
            best, at = d, own[k] + (own[k + 1] - own[k]) * t
    least = min(2.0, float(own[-1]) / 2.0)  # a join at station 0 would be a line of its own
    low = max(least, at - JOIN_SLIDE_M)
    high = max(low, min(float(own[-1]), at + JOIN_SLIDE_M / 2))
    grid = np.arange(np.ceil(low / JOIN_STEP_M) * JOIN_STEP_M, high + 1e-9, JOIN_STEP_M)
    vertices = own[(own >= low) & (own <= high)]
    # a join near a vertex is made at the vertex: one support instead of two
    grid = grid[np.abs(grid[:, None] - own[None, :]).min(axis=1) > NEAR_VERTEX_M] if grid.size else grid
    stations = np.unique(np.concatenate((grid, vertices)))
    if stations.size == 0:
        stations = np.array([at])
    places, zs, ways = at_stations(puller.lattice, parent, stations)
    free = puller.no_support(places) == 0
    places, zs, ways, stations = places[free], zs[free], ways[free], stations[free]
    return Start(rc=places, z=zs, direction=ways, station=stations)


def pull_chain(puller: Puller, chain: Chain, start: Start, must: set[int], *, raw: bool) -> Line | None:
    """Return a chain straightened from one of some starts, None when nothing is legal."""
    lattice = puller.lattice
    path = lattice.rowcol(np.array(chain.nodes[1:]))
    stands = np.flatnonzero(puller.no_support(path) == 0)
    if stands.size == 0 or start.station.size == 0:
        return None
    path = path[: stands[-1] + 1]  # a line ends at a support
    pts = np.concatenate((start.rc, path))
    must_mask = np.zeros(pts.shape[0], dtype=np.int64)
    for k, node in enumerate(chain.nodes[1 : 1 + path.shape[0]]):
        if raw or node in must:
            must_mask[start.rc.shape[0] + k] = 1
    closed = puller.no_support(pts)
    closed[: start.rc.shape[0]] = 0
    must_mask[closed == 1] = 0
    jump = max(4, int(LONGEST_RUN_M / lattice.step_m))
    picked = straighten_kernel.pull(
        lattice.surface, pts, start.rc.shape[0], start.z, np.ascontiguousarray(start.direction, dtype=np.float64),
        puller.others(chain, pts), must_mask, closed,
        puller.guests(chain, start.rc.shape[0]), jump, BANDS, puller.bend_m, puller.most_deg,
    )
    if picked.size == 0:
        return None
    rc = bends_only(pts[picked])
    z = low_line(lattice, rc, float(start.z[picked[0]]))
    if not np.isfinite(z).all():
        return None
    return Line(rc=rc, z=z, join_m=float(start.station[picked[0]]), source=chain.source)


def lay(puller: Puller, chain: Chain, start: Start, trial: Line | None = None) -> Line | None:
    """Return a chain and its branches as straight lines; branches without a legal way are counted.

    ``trial`` is how the chain was pulled from the same places before its siblings were laid.
    """
    for c in [chain, *chain.children]:
        puller.raw.pop(id(c), None)
    best, branches = best_pull(puller, chain, start, trial)
    if best is None:
        for c in descendants(chain):
            puller.raw.pop(id(c), None)
        return None
    puller.laid.append(segments_of(best.rc))
    for c in chain.children:
        puller.keep_clear(c)
    for c, (places, tried) in zip(chain.children, branches, strict=True):
        child = lay(puller, c, places, tried)
        if child is None:
            best.lost += len(descendants(c))
        else:
            best.children.append(child)
    return best


def best_pull(puller: Puller, chain: Chain, start: Start, trial: Line | None) -> tuple[Line | None, list[Branch]]:
    """Return a chain as a straight line that most of its branches can start from, and how they do.

    Tried in turn: free, with its forks held fast, as found on the lattice. The trial is the free one where
    no line laid since is in its way: what is best among more ways is best among fewer.
    """
    forks = {c.nodes[0] for c in chain.children}
    best: Line | None = None
    best_branches: list[Branch] = []
    fewest = len(chain.children) + 1
    if trial is not None and not straighten_kernel.clear_way(trial.rc, puller.others(chain, trial.rc), puller.cell_m):
        trial = None
    for must, raw in ((set[int](), False), (forks, False), (forks, True)):
        line = trial if trial is not None and not must and not raw else pull_chain(puller, chain, start, must, raw=raw)
        if line is None:
            continue
        branches = branch_starts(puller, chain, line)
        failed = sum(tried is None for _, tried in branches)
        if failed < fewest:
            best, best_branches, fewest = line, branches, failed
        if failed == 0:
            break
    return best, best_branches


def branch_starts(puller: Puller, chain: Chain, line: Line) -> list[Branch]:
    """Return where each branch of a chain may start from its straight line, and its way; None where it finds none.

    The branches do not see each other yet and are pulled side by side.
    """
    fork = [puller.lattice.rowcol(np.array(c.nodes[:1]))[0] for c in chain.children]
    places = [join_places(puller, line, rc) for rc in fork]
    puller.laid.append(segments_of(line.rc))

    def one(c: Chain, start: Start) -> Line | None:
        return pull_chain(puller, c, start, set(), raw=False)

    if len(places) > 1:
        with ThreadPoolExecutor(THREADS) as crew:
            tried = list(crew.map(one, chain.children, places))
    else:
        tried = [one(c, start) for c, start in zip(chain.children, places, strict=True)]
    puller.laid.pop()
    return list(zip(places, tried, strict=True))
