"""Measures the mainline network: against the exact optimum on small cases, and against repeated shortest paths.

The exact optimum is an independent integer programme solved by HiGHS (through scipy): binary arcs
and nodes, continuous heights that rise along used arcs (which also forbids cycles), and directed
cuts, separated by maximum flow, that tie every served tree to the outlet.
"""

from __future__ import annotations

import csv
import dataclasses
import sys
import time
from pathlib import Path

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, linprog, milp
from scipy.sparse import coo_matrix, csr_matrix, vstack
from scipy.sparse.csgraph import breadth_first_order, maximum_flow

sys.path.insert(0, str(Path(__file__).parents[1]))

from pipeline.mainlines import grow_kernel, layout, reach_kernel, state_kernel
from pipeline.mainlines.lattice import make_cover, make_graph, make_lattice, make_surface
from pipeline.mainlines.sources import Site, collection_sources
from pipeline.mainlines.state_kernel import Cover, Graph, Price, State
from pipeline.records import Pins
from pipeline.terrain.grid import Terrain
from pipeline.wire import chord_rules

from mainline_sites import open_ground, point_at, quick, rough, trees_at

SCALE = 1_000_000
STORED = Path(__file__).parents[1] / "data" / "networks" / "exact.csv"


@dataclasses.dataclass(frozen=True)
class Case:
    """One small routing problem on a lattice."""

    graph: Graph
    cover: Cover
    node: np.ndarray
    node_z: np.ndarray
    price: Price
    reach_m: float


def make_case(terrain: Terrain, xy: np.ndarray, outlet: tuple[float, float], step_m: float, price: Price,
              moves: int, taps: np.ndarray | None = None, grade_pct: float = 2.0) -> Case:
    """Return the lattice problem of a site; with 8 moves the knight's moves are closed.

    `grade_pct` is the least grade of the straight wire, in which the stored optima are written; what the sag takes
    comes off beforehand.
    """
    taken_pct = chord_rules(quick(min_grade_pct=grade_pct)).min_grade_pct - grade_pct
    settings = quick(min_grade_pct=grade_pct - taken_pct)
    trees = trees_at(terrain, xy)
    if taps is not None:
        trees = dataclasses.replace(trees, taps=taps)
    site = Site(terrain, open_ground(terrain, settings), trees, (point_at(terrain, *outlet),), Pins(), settings)
    surface, base = make_surface(terrain, site.ground, settings)
    lattice = make_lattice(terrain, surface, base, step_m)
    graph = make_graph(lattice, settings.mainlines.ladder_m)
    graph.arc_m[:, moves:] = np.inf
    graph.arc_e[:, moves:] = -np.inf
    graph.arc_cost[:, moves:] = np.inf
    source = collection_sources(site, lattice, [])
    node, node_z = np.array([s.node for s in source]), np.array([s.z for s in source])
    graph.floor[:] = reach_kernel.reach(
        graph.rows, graph.cols, graph.grade, graph.run_m, graph.arc_m, graph.arc_e, node, node_z
    )
    cover = make_cover(terrain, site.ground, trees, settings, lattice, graph)
    return Case(graph, cover, node, node_z, price, settings.laterals.reach_m)


def small_case(seed: int, grade_pct: float = 2.0) -> Case:
    """Return a case of 30 to 50 trees on a 120 m square, 10 m lattice, 8 moves; lines cost length alone."""
    rng = np.random.default_rng(seed)
    terrain = rough(seed + 500, 120.0, 2.0, relief_m=7.0, tilt=0.05)
    xy = rng.uniform(3.0, 117.0, (int(rng.integers(30, 51)), 2))
    case = make_case(terrain, xy, (60.0, 4.0), 10.0, Price(30.0, 0.0, 0.0), 8, grade_pct=grade_pct)
    # whom a node serves must not depend on the line's height there, or the programme would not be linear
    return dataclasses.replace(case, cover=case.cover._replace(z=np.full_like(case.cover.z, np.inf)),
                               reach_m=case.reach_m)


def ours(case: Case, starts: int = 4) -> tuple[State, float]:
    """Return our network and its objective: cost of line plus the worth of coverable taps left out."""
    effort = dataclasses.replace(layout.EFFORTS["normal"], starts=starts, small_starts=starts)
    s = layout.best_layout(
        case.graph, case.cover, (case.node, case.node_z), case.price, case.reach_m, effort, 1, lambda _a, _b: None
    )
    return s, objective(case, s)


def coverable(case: Case) -> np.ndarray:
    """Return which trees some reachable node could serve."""
    out = np.zeros(case.cover.taps.size, dtype=bool)
    out[case.cover.tree[: int(case.cover.start[-1])]] = True
    return out


def objective(case: Case, s: State) -> float:
    """Return metres of line plus the worth of the coverable taps that are not served."""
    cost, _, taps = state_kernel.cost_of(case.graph, case.cover, s, case.price)
    return float(cost + case.price.tap_m * (case.cover.taps[coverable(case)].sum() - taps))


class Programme:
    """The integer programme of one case; variables are arcs, nodes, trees (left out), heights."""

    def __init__(self, case: Case) -> None:
        g = case.graph
        self.case = case
        self.root = int(case.node[0])
        arcs = []
        for a in np.flatnonzero(np.isfinite(g.floor)).tolist():
            for k in range(8):
                if g.floor[a] <= g.arc_e[a, k] and np.isfinite(g.arc_m[a, k]):
                    b = a + int(g.offset[k])
                    if b != self.root:
                        arcs.append((a, b, k))
        self.nodes = sorted({self.root, *(a for a, _, _ in arcs), *(b for _, b, _ in arcs)})
        self.at = {n: i for i, n in enumerate(self.nodes)}
        self.arcs = np.array(arcs)
        self.tail = np.array([self.at[a] for a, _, _ in arcs])
        self.head = np.array([self.at[b] for _, b, _ in arcs])
        self.trees = np.flatnonzero(coverable(case)).tolist()
        c = case.cover
        self.hosts: dict[int, list[int]] = {t: [] for t in self.trees}
        for n in self.nodes:
            for i in range(c.start[n], c.start[n + 1]):
                self.hosts[int(c.tree[i])].append(self.at[n])
        self.na, self.nn, self.nt = len(arcs), len(self.nodes), len(self.trees)
        self.size = self.na + 2 * self.nn + self.nt

    def x(self, node: int) -> int:
        """Return the variable of a node."""
        return self.na + node

    def left(self, t: int) -> int:
        """Return the variable that says tree t is left out."""
        return self.na + self.nn + t

    def h(self, node: int) -> int:
        """Return the height variable of a node."""
        return self.na + self.nn + self.nt + node

    def build(self) -> None:
        """Make cost, bounds and the constraints that hold without cuts."""
        g, c = self.case.graph, self.case.cover
        self.cost = np.zeros(self.size)
        self.cost[: self.na] = g.arc_cost[self.arcs[:, 0], self.arcs[:, 2]]
        for t, tree in enumerate(self.trees):
            self.cost[self.left(t)] = self.case.price.tap_m * c.taps[tree]
        low, high = np.zeros(self.size), np.ones(self.size)
        top = float(g.ceiling[np.array(self.nodes)].max()) + 5.0
        for n, node in enumerate(self.nodes):
            low[self.h(n)], high[self.h(n)] = float(g.floor[node]), top
        high[self.h(self.at[self.root])] = low[self.h(self.at[self.root])] = float(self.case.node_z[0])
        low[self.x(self.at[self.root])] = 1.0
        self.low, self.high = low, high
        rows: list[tuple[dict[int, float], float, float]] = []
        into: dict[int, list[int]] = {}
        for e, head in enumerate(self.head.tolist()):
            into.setdefault(head, []).append(e)
        rows.extend(
            ({**dict.fromkeys(into.get(n, []), 1.0), self.x(n): -1.0}, 0.0, 0.0)
            for n in range(self.nn) if n != self.at[self.root]
        )
        for e in range(self.na):
            a, _, k = self.arcs[e].tolist()
            ta, he = self.h(int(self.tail[e])), self.h(int(self.head[e]))
            rows.append(({e: 1.0, self.x(int(self.tail[e])): -1.0}, -np.inf, 0.0))
            rise, m, end = g.grade * float(g.run_m[k]), float(g.arc_m[a, k]), float(g.arc_e[a, k])
            big = high[ta] + rise - low[he]
            rows.append(({he: 1.0, ta: -1.0, e: -big}, rise - big, np.inf))
            if m > low[he]:
                rows.append(({he: 1.0, e: -(m - low[he])}, low[he], np.inf))
            rows.append(({ta: 1.0, e: high[ta] - end}, -np.inf, high[ta]))
        for t, tree in enumerate(self.trees):
            rows.append(({**{self.x(n): 1.0 for n in self.hosts[tree]}, self.left(t): 1.0}, 1.0, np.inf))
        self.matrix, self.least, self.most = self.pack(rows)

    def pack(self, rows: list[tuple[dict[int, float], float, float]]) -> tuple[csr_matrix, np.ndarray, np.ndarray]:
        """Return rows as a sparse matrix with bounds."""
        i = [r for r, (row, _, _) in enumerate(rows) for _ in row]
        j = [k for row, _, _ in rows for k in row]
        v = [x for row, _, _ in rows for x in row.values()]
        matrix = coo_matrix((v, (i, j)), shape=(len(rows), self.size)).tocsr()
        return matrix, np.array([r[1] for r in rows]), np.array([r[2] for r in rows])

    def cuts(self, v: np.ndarray, nested: int = 6) -> list[tuple[dict[int, float], float, float]]:
        """Return violated cuts: what serves a tree must be tied to the root."""
        out = []
        root, sink = self.at[self.root], self.nn
        for t, tree in enumerate(self.trees):
            need = 1.0 - v[self.left(t)]
            if need < 1e-3:
                continue
            hosts = np.array(self.hosts[tree])
            tail = np.concatenate((self.tail, hosts))
            head = np.concatenate((self.head, np.full(hosts.size, sink)))
            # a little room on every arc makes the cuts few arcs wide; used cuts are opened and the next one sought
            room = (np.concatenate((v[: self.na], v[self.na + hosts])) * SCALE).astype(np.int32) + 30
            for _ in range(nested):
                capacity = coo_matrix((room, (tail, head)), shape=(sink + 1, sink + 1)).tocsr()
                flow = maximum_flow(capacity, root, sink)
                if flow.flow_value / SCALE >= need - 1e-2:
                    break
                residual = capacity - flow.flow
                residual.data = np.maximum(residual.data, 0)
                residual.eliminate_zeros()
                seen = np.zeros(sink + 1, dtype=bool)
                seen[breadth_first_order(residual, root, return_predecessors=False)] = True
                cut = np.flatnonzero(seen[tail] & ~seen[head])
                row = dict.fromkeys(cut[cut < self.na].tolist(), 1.0)
                row.update({self.x(int(hosts[e - self.na])): 1.0 for e in cut[cut >= self.na]})
                row[self.left(t)] = 1.0
                out.append((row, 1.0, np.inf))
                room[cut] = SCALE
        return out

    def add(self, rows: list[tuple[dict[int, float], float, float]]) -> None:
        """Add constraints."""
        matrix, least, most = self.pack(rows)
        self.matrix = vstack((self.matrix, matrix)).tocsr()
        self.least = np.concatenate((self.least, least))
        self.most = np.concatenate((self.most, most))

    def relax(self) -> np.ndarray:
        """Return the solution of the linear relaxation."""
        upper = np.isfinite(self.most)
        lower = np.isfinite(self.least)
        a = vstack((self.matrix[upper], -self.matrix[lower])).tocsr()
        b = np.concatenate((self.most[upper], -self.least[lower]))
        done = linprog(self.cost, A_ub=a, b_ub=b, bounds=np.column_stack((self.low, self.high)), method="highs")
        return np.asarray(done.x)

    def solve(self, seconds: float) -> tuple[float, float, bool]:
        """Return (best objective, lower bound, whether proved)."""
        self.build()
        start = time.perf_counter()
        for _ in range(60):
            found = self.cuts(self.relax())
            if not found or time.perf_counter() - start > seconds / 2.0:
                break
            self.add(found)
        whole = np.zeros(self.size)
        whole[: self.na + self.nn] = 1
        done = milp(
            self.cost, constraints=LinearConstraint(self.matrix, self.least, self.most), integrality=whole,
            bounds=Bounds(self.low, self.high), options={"time_limit": seconds, "mip_rel_gap": 1e-4},
        )
        best = float(done.fun) if done.fun is not None else np.inf
        return best, float(done.mip_dual_bound), done.status == 0


def stored() -> list[dict[str, float]]:
    """Return the stored exact cases: seed, trees, coverable, best_m, bound_m, proved."""
    with STORED.open(newline="") as file:
        return [{k: float(v) for k, v in row.items()} for row in csv.DictReader(file)]


def store_exact(seeds: tuple[int, ...] = tuple(range(1, 31)), seconds: float = 120.0) -> None:
    """Solve cases exactly and store them anew; cases with fewer than 20 coverable trees are no test."""
    with STORED.open("w", newline="") as file:
        out = csv.writer(file, lineterminator="\n")
        out.writerow(["seed", "trees", "coverable", "best_m", "bound_m", "proved"])
        for seed in seeds:
            case = small_case(seed)
            count = int(coverable(case).sum())
            if count < 20:
                continue
            best, bound, proved = Programme(case).solve(seconds)
            out.writerow([seed, case.cover.taps.size, count, f"{best:.6f}", f"{bound:.6f}", int(proved)])


def exact_gaps(rows: list[dict[str, float]] | None = None, starts: int = 4) -> list[dict[str, float]]:
    """Return one row per stored case whose optimum is proved: its figures, ours and the gap."""
    out = []
    for row in stored() if rows is None else rows:
        if row["proved"] == 1.0:
            _, value = ours(small_case(int(row["seed"])), starts)
            out.append({**row, "ours_m": value, "gap_pct": 100.0 * (value / row["best_m"] - 1.0)})
    return out


def repeated_shortest_paths(case: Case, targets: np.ndarray) -> State:  # noqa: C901
    """Serve the targets one by one, farthest first, each by the cheapest path from the network so far."""
    g, c = case.graph, case.cover
    s = layout.seeded(g, c, 1, case.node, case.node_z)
    box = (0, 0, g.rows, g.cols)
    want = np.zeros(g.rows * g.cols, dtype=np.float32)
    hosts: dict[int, list[tuple[int, float]]] = {}
    for n in range(g.rows * g.cols):
        for i in range(c.start[n], c.start[n + 1]):
            hosts.setdefault(int(c.tree[i]), []).append((n, float(c.z[i])))

    def label(lab: grow_kernel.Labels, t: int) -> tuple[float, int]:
        best, who = np.inf, -1
        for n, top in hosts[t]:
            for q in range(lab.bands):
                x = n * lab.bands + q
                if lab.z[x] <= top and lab.cost[x] < best:
                    best, who = float(lab.cost[x]), x
        return best, who

    def look() -> grow_kernel.Labels:
        return grow_kernel.search(g, s, case.price, box, 5, want, 0.0, 1.0, 0.0, -1, np.inf)

    first = look()
    order = sorted(targets.tolist(), key=lambda t: -label(first, t)[0] if np.isfinite(label(first, t)[0]) else 0.0)
    nodes, zs = np.empty(20000, dtype=np.int64), np.empty(20000)
    for t in order:
        if s.served_by[t] > 0:
            continue
        lab = look()
        _, leaf = label(lab, t)
        if leaf < 0:
            continue
        n = grow_kernel.trace(g, s, lab, leaf, nodes)
        rich = Price(1e6, 0.0, case.price.ladder)
        _, keep, _ = grow_kernel.judge_path(g, c, s, rich, nodes, n, zs, 1e9)
        for i in range(1, keep):
            state_kernel.add_node(g, c, s, nodes[i], nodes[i - 1], zs[i])
    return s


def versus_shortest_paths(trees: int = 600, size_m: float = 400.0, seed: int = 3) -> float:
    """Return by how many percent our cost lies below that of repeated shortest paths for the same trees."""
    rng = np.random.default_rng(seed)
    terrain = rough(seed, size_m, 2.0, relief_m=9.0, tilt=0.06)
    case = make_case(
        terrain, rng.uniform(4.0, size_m - 4.0, (trees, 2)), (size_m / 2, 6.0), 4.0, Price(12.0, 0.0, 0.0), 16
    )
    s, _ = ours(case, starts=1)
    theirs = repeated_shortest_paths(case, np.flatnonzero(s.served_by > 0))
    own, _, taps = state_kernel.cost_of(case.graph, case.cover, s, case.price)
    other, _, other_taps = state_kernel.cost_of(case.graph, case.cover, theirs, case.price)
    return 100.0 * (1.0 - (own / taps) / (other / other_taps))


def run() -> dict[str, float]:
    """Return gaps to the stored exact optima that are proved, and the distance to repeated shortest paths."""
    gaps = [r["gap_pct"] for r in exact_gaps()]
    return {
        "exact_network_cases": float(len(gaps)), "exact_network_gap_mean_pct": float(np.mean(gaps)),
        "exact_network_gap_max_pct": float(np.max(gaps)), "network_vs_rsp_pct": versus_shortest_paths(),
    }


if __name__ == "__main__":
    if "--exact" in sys.argv[1:]:
        store_exact()
    for row in exact_gaps():
        print({k: round(v, 2) for k, v in row.items()}, flush=True)
    print("network_vs_rsp_pct", versus_shortest_paths())
