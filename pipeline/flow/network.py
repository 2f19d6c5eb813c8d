"""The mainlines as a tree of reaches: who flows into whom, and sums along the way.

A networkx graph of mainlines and collection points gives the order (parents before
children, otherwise as given) and refuses loops. Along each mainline the reaches are
plain arrays, so that sums over a hundred thousand taps stay cheap.
"""

from __future__ import annotations

from dataclasses import dataclass

import networkx as nx
import numpy as np
import numpy.typing as npt

from pipeline.records import CollectionPoint, Grouping, Mainline

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

SAME_PLACE_M = 0.001  # nearer stations are one node
OFF_END_M = 0.05  # how far beyond its mainline's ends an entry may be, from rounding


@dataclass(frozen=True, slots=True, eq=False)
class Tree:
    """Reaches and nodes of all mainlines, parents before children, each from its lower end up.

    A mainline of ``n`` reaches has ``n + 1`` nodes: reach ``r`` of mainline ``j`` runs
    from node ``r + j`` up to node ``r + j + 1``.

    Parameters
    ----------
    lines : tuple of Mainline
        In flow order, parents first.
    first : int array, shape (mainlines + 1,)
        First reach of each mainline.
    owner : int array, shape (reaches,)
        Mainline of each reach.
    node_station_m : float array, shape (reaches + mainlines,)
        Station of each node.
    length_m, grade_pct : float array, shape (reaches,)
        True length and fall of each reach.
    join_node : int array, shape (mainlines,)
        Node of the parent where the mainline ends; -1 at a collection point.
    collection : int array, shape (mainlines,)
        Index of the collection point.
    entry_node : int array, shape (laterals,)
        Node of each lateral's entry, in the order of the grouping.
    """

    lines: tuple[Mainline, ...]
    first: Ints
    owner: Ints
    node_station_m: Floats
    length_m: Floats
    grade_pct: Floats
    join_node: Ints
    collection: Ints
    entry_node: Ints

    @property
    def reaches(self) -> int:
        """Number of reaches."""
        return len(self.owner)

    @property
    def lower_node(self) -> Ints:
        """Node at the lower end of each reach."""
        return np.arange(self.reaches) + self.owner

    @property
    def node_owner(self) -> Ints:
        """Mainline of each node."""
        return np.repeat(np.arange(len(self.lines)), np.diff(self.first) + 1)

    @property
    def joined(self) -> Bools:
        """Nodes where a branch joins."""
        out = np.zeros(len(self.node_station_m), dtype=np.bool_)
        out[self.join_node[self.join_node >= 0]] = True
        return out

    @property
    def leg(self) -> Ints:
        """Number of the leg (between joins of one mainline) that each reach is in, counted from 0."""
        new = np.ones(self.reaches, dtype=np.bool_)
        new[1:] = (self.owner[1:] != self.owner[:-1]) | self.joined[self.lower_node[1:]]
        return np.asarray(np.cumsum(new) - 1, dtype=np.int64)

    def _nodes(self, j: int) -> slice:
        return slice(int(self.first[j]) + j, int(self.first[j + 1]) + j + 1)

    def inflow(self, at_node: Floats) -> Floats:
        """Return what each node receives in all: its own, and all from above and from branches.

        The value at the upper node of a reach is what the reach carries.
        """
        total = at_node.copy()
        for j in range(len(self.lines) - 1, -1, -1):
            here = self._nodes(j)
            total[here] = np.cumsum(total[here][::-1])[::-1]
            if self.join_node[j] >= 0:
                total[self.join_node[j]] += total[here][0]
        return total

    def greatest_above(self, of_reach: Floats) -> Floats:
        """Return for each reach the greatest value among it and all reaches upstream of it."""
        out = of_reach.copy()
        at_join: dict[int, Floats] = {}
        joins_of: dict[int, list[int]] = {}
        for node in self.join_node[self.join_node >= 0].tolist():
            joins_of.setdefault(int(self.node_owner[node]), []).append(node)
        for j in range(len(self.lines) - 1, -1, -1):
            mine, start = slice(int(self.first[j]), int(self.first[j + 1])), self._nodes(j).start
            for node in joins_of.get(j, []):
                reach = max(node - 1 - j, int(self.first[j]))  # a branch at the foot counts for the first reach
                out[reach] = max(out[reach], at_join[node])
            out[mine] = np.maximum.accumulate(out[mine][::-1])[::-1]
            below, bottom = int(self.join_node[j]), out[start - j]
            if below >= 0:
                at_join[below] = max(at_join.get(below, bottom), bottom)
        return out

    def along(self, of_reach: Floats) -> Floats:
        """Return for each node the sum over all reaches between it and the collection point."""
        out = np.zeros(len(self.node_station_m))
        for j in range(len(self.lines)):
            here = self._nodes(j)
            base = out[self.join_node[j]] if self.join_node[j] >= 0 else 0.0
            out[here.start] = base
            out[here.start + 1 : here.stop] = base + np.cumsum(of_reach[self.first[j] : self.first[j + 1]])
        return out


def flow_order(mainlines: tuple[Mainline, ...], collections: tuple[CollectionPoint, ...]) -> list[int]:
    """Return indices of the mainlines, parents before children, otherwise in the given order.

    Raises
    ------
    ValueError
        When a parent or collection point is missing or the mainlines form a loop.
    """
    place = {line.mainline_id: i for i, line in enumerate(mainlines)}
    ends = {point.collection_id for point in collections}
    graph: nx.DiGraph = nx.DiGraph()
    graph.add_nodes_from(range(len(mainlines)))
    for i, line in enumerate(mainlines):
        if line.collection_id not in ends:
            raise ValueError(f"mainline {line.mainline_id} ends at unknown collection point {line.collection_id!r}")
        if line.parent_id:
            if line.parent_id not in place:
                raise ValueError(f"mainline {line.mainline_id} joins unknown mainline {line.parent_id!r}")
            graph.add_edge(place[line.parent_id], i, station_m=line.join_station_m)
    if not nx.is_directed_acyclic_graph(graph):
        loop = [mainlines[a].mainline_id for a, _ in nx.find_cycle(graph)]
        raise ValueError(f"mainlines flow in a loop: {', '.join(loop)}")
    return list(nx.lexicographical_topological_sort(graph))


def _node_stations(line: Mainline, extra_m: list[float]) -> Floats:
    """Return the stations where anything changes along a line, ends included, each place once."""
    own = line.station_m
    for station in extra_m:
        if not own[0] - OFF_END_M <= station <= own[-1] + OFF_END_M:
            raise ValueError(f"station {station:.3f} m lies beyond mainline {line.mainline_id} (to {own[-1]:.3f} m)")
    inner = np.sort(np.clip(np.array([*own[1:-1], *extra_m]), own[0], own[-1]))
    inner = inner[(inner > own[0] + SAME_PLACE_M) & (inner < own[-1] - SAME_PLACE_M)]
    keep = np.diff(inner, prepend=own[0]) > SAME_PLACE_M
    return np.array([own[0], *inner[keep], own[-1]])


def build(
    *, mainlines: tuple[Mainline, ...], grouping: Grouping, collections: tuple[CollectionPoint, ...]
) -> Tree:
    """Cut all mainlines into reaches.

    Raises
    ------
    ValueError
        When the records contradict one another (unknown parent, entry beyond its mainline).
    """
    lines = tuple(mainlines[i] for i in flow_order(mainlines, collections))
    place = {line.mainline_id: j for j, line in enumerate(lines)}
    extra: list[list[float]] = [[] for _ in lines]
    for lateral in grouping.laterals:
        if lateral.mainline_id not in place:
            raise ValueError(f"lateral {lateral.lateral_id} enters unknown mainline {lateral.mainline_id!r}")
        extra[place[lateral.mainline_id]].append(lateral.entry_station_m)
    for line in lines:
        if line.parent_id:
            extra[place[line.parent_id]].append(line.join_station_m)
    stations = [_node_stations(line, own) for line, own in zip(lines, extra, strict=True)]
    counts = np.array([len(s) for s in stations], dtype=np.int64)
    node_first = np.concatenate([[0], np.cumsum(counts)]).astype(np.int64)
    run = [np.diff(s) for s in stations]
    rise = [np.diff(line.at(s)[2]) for line, s in zip(lines, stations, strict=True)]
    run_m, rise_m = (np.concatenate(v) if v else np.zeros(0) for v in (run, rise))

    def node(j: int, station_m: float) -> int:
        return int(node_first[j]) + int(np.abs(stations[j] - station_m).argmin())

    joins = [node(place[m.parent_id], m.join_station_m) if m.parent_id else -1 for m in lines]

    def entry(j: int, station_m: float) -> int:
        at = node(j, station_m)
        while at == node_first[j] and joins[j] >= 0:  # at the foot of a branch: enters the parent
            at = joins[j]
            j = int(np.searchsorted(node_first, at, side="right")) - 1
        return at

    point = {p.collection_id: i for i, p in enumerate(collections)}
    return Tree(
        lines=lines,
        first=(node_first - np.arange(len(node_first))).astype(np.int64),
        owner=np.repeat(np.arange(len(lines)), counts - 1).astype(np.int64),
        node_station_m=np.concatenate(stations) if stations else np.zeros(0),
        length_m=np.hypot(run_m, rise_m),
        grade_pct=100.0 * rise_m / run_m if len(run_m) else run_m,
        join_node=np.array(joins, dtype=np.int64),
        collection=np.array([point[m.collection_id] for m in lines], dtype=np.int64),
        entry_node=np.array(
            [entry(place[a.mainline_id], a.entry_station_m) for a in grouping.laterals], dtype=np.int64
        ),
    )
