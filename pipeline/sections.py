"""Cuts the network into sections: what one crew builds from one set of sheets.

The network is a tree of *elements*, stretches of mainline between joins (long
ones halved at supports). Elements are packed from the tops downward: at every
node the branches that arrive are kept together as long as they fit, and what
does not fit becomes a section of its own. That is the bottom-up tree partition
of Kundu and Misra 1977 ("A linear tree partitioning algorithm", SIAM J. Comput.
6(1)), here with two weights, taps and metres. The limits are then tightened as
far as the number of sections allows, so that the last section is no crumb.
"""

from __future__ import annotations

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import shapely
from shapely.geometry import LineString, Polygon
from shapely.geometry.base import BaseGeometry

from pipeline.findings import Finding, in_order
from pipeline.records import Grouping, Lateral, Mainline, Section, Trees
from pipeline.settings import Settings

# Numbers of this room are ours: no source exists for the size of a crew sheet.
GRAIN = 0.25  # an element is at most this share of a section
CRUMB = 0.3  # a section below this share is offered to a neighbour
OVERFULL = 1.25  # "about" section_taps: merging a crumb may go this far
TIGHTEST = 0.5  # limits are tightened no further than this for even sections
THREADS = 2
OUTLINE_M = 4.0  # how far the outline stands off lines and trees
CLOSING_M = 15.0  # gaps between lines narrower than twice this belong to the section
_MM = 3  # decimals of a metre at which two stations are one place

_Node = tuple[str, float]  # owner (mainline or collection point) and station


@dataclass(slots=True)
class _Element:
    """A stretch of one mainline that is never cut further."""

    order: int
    mainline_id: str
    from_m: float
    to_m: float
    low: _Node
    high: _Node
    lateral: list[int] = field(default_factory=list)
    taps: int = 0

    @property
    def length_m(self) -> float:
        return self.to_m - self.from_m


@dataclass(slots=True)
class _Cluster:
    """Connected elements that will be one section, with their sums."""

    elements: list[_Element]
    taps: int
    length_m: float

    def plus(self, other: _Cluster) -> _Cluster:
        """Return both as one cluster."""
        return _Cluster(self.elements + other.elements, self.taps + other.taps, self.length_m + other.length_m)


@dataclass(frozen=True, slots=True)
class _Limits:
    """How much one section may hold."""

    taps: float
    length_m: float

    def share(self, taps: float, length_m: float) -> float:
        """Return how full a section with these sums is; 1 is full."""
        return max(taps / self.taps, length_m / self.length_m)

    def fits(self, cluster: _Cluster) -> bool:
        """Return whether a cluster is within the limits."""
        return self.share(cluster.taps, cluster.length_m) <= 1.0 + 1e-9

    def times(self, taps_factor: float, length_factor: float = 1.0) -> _Limits:
        return _Limits(self.taps * taps_factor, self.length_m * length_factor)


def cut(
    *, mainlines: tuple[Mainline, ...], grouping: Grouping, trees: Trees, settings: Settings
) -> tuple[tuple[Section, ...], tuple[Finding, ...]]:
    """Cut the network into sections.

    Parameters
    ----------
    mainlines : tuple of Mainline
        Hung lines, parents before children.
    grouping : Grouping
        All laterals; each goes to the section that holds its entry station.
    trees : Trees
        The survey; its positions widen the sections' outlines.
    settings : Settings
        ``sheets.section_taps`` is aimed at, ``sheets.section_length_m`` kept.

    Returns
    -------
    tuple of Section, tuple of Finding
        Sections named ``S01`` upward from the collection point outward. The pieces
        of all sections are an exact partition of all mainlines, and their laterals
        of all laterals. ``SECTION_OVERFULL`` (check) tells of a section that could
        not be cut to size.

    Raises
    ------
    KeyError
        When a lateral enters, or a mainline joins, a mainline that is not given.
    """
    limits = _Limits(float(settings.sheets.section_taps), settings.sheets.section_length_m)
    elements = _elements(mainlines, grouping.laterals, limits)
    clusters = _merge_crumbs(_balanced(elements, limits), limits)
    clusters = _outward(clusters, elements, mainlines)
    ids = [f"S{i + 1:02d}" for i in range(len(clusters))]
    meets = _meetings(clusters, ids)
    by_id = {m.mainline_id: m for m in mainlines}

    def made(name: str, cluster: _Cluster) -> Section:
        return _section(name, cluster, meets[name], by_id, grouping.laterals, trees)

    # outlines take the time, and leave the interpreter free meanwhile
    with ThreadPoolExecutor(THREADS) as crew:
        sections = tuple(crew.map(made, ids, clusters))
    found = [f for name, c in zip(ids, clusters, strict=True) for f in _overfull(name, c, limits)]
    return sections, in_order(found)


def where_text(owner_id: str, station_m: float) -> str:
    """Return a meeting place as data, ``"M1@125.400"``: mainline or collection point, station in metres."""
    return f"{owner_id}@{station_m:.{_MM}f}"


def where_place(where: str) -> tuple[str, float]:
    """Return owner and station in metres of a meeting place written by :func:`where_text`.

    Examples
    --------
    >>> where_place("M1.2@125.400")
    ('M1.2', 125.4)
    """
    owner_id, _, station = where.rpartition("@")
    return owner_id, float(station)


def _elements(
    mainlines: tuple[Mainline, ...], laterals: tuple[Lateral, ...], limits: _Limits
) -> list[_Element]:
    """Return the elements of all mainlines, in their order and upward, with their laterals."""
    entries: dict[str, list[int]] = {m.mainline_id: [] for m in mainlines}
    for i, lateral in enumerate(laterals):
        entries[lateral.mainline_id].append(i)
    joins: dict[str, list[float]] = {m.mainline_id: [] for m in mainlines}
    for mainline in mainlines:
        if mainline.parent_id:
            joins[mainline.parent_id].append(mainline.join_station_m)
    foot: dict[str, _Node] = {}
    by_id = {m.mainline_id: m for m in mainlines}
    out: list[_Element] = []
    for order, mainline in enumerate(mainlines):
        foot[mainline.mainline_id] = _foot(mainline, by_id, foot)
        mine = sorted(entries[mainline.mainline_id], key=lambda i: (laterals[i].entry_station_m, i))
        breaks = _breaks(mainline, joins[mainline.mainline_id], [laterals[i] for i in mine], limits)
        name = mainline.mainline_id
        pieces = [
            _Element(order, name, a, b, (name, round(a, _MM)), (name, round(b, _MM)))
            for a, b in pairwise(breaks)
        ]
        pieces[0].low = foot[name]
        for i in mine:
            at = int(np.searchsorted(breaks[1:-1], laterals[i].entry_station_m, side="right"))
            pieces[at].lateral.append(i)
            pieces[at].taps += laterals[i].taps
        out.extend(pieces)
    return out


def _foot(mainline: Mainline, by_id: dict[str, Mainline], foot: dict[str, _Node]) -> _Node:
    """Return the node at the lower end of a mainline, named after what it joins."""
    if not mainline.parent_id:
        return mainline.collection_id, 0.0
    parent = by_id[mainline.parent_id]
    low, high = _ends(parent)
    at = round(mainline.join_station_m, _MM)
    if at <= low:
        return foot[parent.mainline_id]
    return parent.mainline_id, min(at, high)


def _ends(mainline: Mainline) -> tuple[float, float]:
    return round(mainline.supports[0].station_m, _MM), round(mainline.supports[-1].station_m, _MM)


def _breaks(mainline: Mainline, joins: list[float], laterals: list[Lateral], limits: _Limits) -> list[float]:
    """Return the stations that bound the elements: ends, joins, and supports that halve long stretches."""
    low, high = _ends(mainline)
    exact = {round(s, _MM): s for s in [*joins, *(p.station_m for p in mainline.supports)]}
    natural = sorted({low, high, *(min(max(round(j, _MM), low), high) for j in joins)})
    if len(natural) == 1:
        return [exact[low], exact[low]]
    supports = np.array(sorted({round(s.station_m, _MM) for s in mainline.supports}))
    entry_m = np.array([la.entry_station_m for la in laterals], dtype=np.float64)
    taps = np.array([la.taps for la in laterals], dtype=np.float64)
    cuts = set(natural)
    for a, b in pairwise(natural):
        inner = supports[(supports > a) & (supports < b)]
        held = (entry_m >= a) & (entry_m < b)
        cuts.update(_even_cuts(a, b, inner, entry_m[held], taps[held], limits))
    return [exact[c] for c in sorted(cuts)]


def _even_cuts(
    a: float, b: float, supports: np.ndarray, entry_m: np.ndarray, taps: np.ndarray, limits: _Limits
) -> list[float]:
    """Return supports that cut one stretch into even elements of at most the grain."""
    share = limits.share(float(taps.sum()), b - a)
    count = int(np.ceil(share / GRAIN - 1e-9))
    if count < 2 or not len(supports):
        return []
    if taps.sum() / limits.taps >= (b - a) / limits.length_m:
        done = np.array([taps[entry_m < s].sum() for s in supports]) / taps.sum()
    else:
        done = (supports - a) / (b - a)
    return sorted({float(supports[int(np.argmin(np.abs(done - k / count)))]) for k in range(1, count)})


def _balanced(elements: list[_Element], limits: _Limits) -> list[_Cluster]:
    """Return the packing with the tightest limits that needs no more sections."""
    best = _pack(elements, limits)
    for factor in np.arange(0.95, TIGHTEST - 0.01, -0.05).tolist():
        trial = _pack(elements, limits.times(factor, factor))
        if len(trial) > len(best):
            break
        best = trial
    return best


def _pack(elements: list[_Element], limits: _Limits) -> list[_Cluster]:
    """Return clusters, tops first; what still fits goes on down the line."""
    open_at: dict[_Node, list[_Cluster]] = {}
    closed: list[_Cluster] = []
    # Children stand after their parents and stretches upward, so the reverse meets
    # everything upstream of an element before the element itself.
    for element in reversed(elements):
        stem = _Cluster([element], element.taps, element.length_m)
        left = []
        # lightest first: most branches stay with the stem
        for branch in sorted(open_at.pop(element.high, []), key=lambda c: limits.share(c.taps, c.length_m)):
            both = stem.plus(branch)
            if limits.fits(both):
                stem = both
            else:
                left.append(branch)
        closed.extend(_first_fit(left, limits))
        open_at.setdefault(element.low, []).append(stem)
    for waiting in open_at.values():
        closed.extend(_first_fit(waiting, limits))
    return closed


def _first_fit(branches: list[_Cluster], limits: _Limits) -> list[_Cluster]:
    """Return branches that meet at one node packed together, heaviest first."""
    bins: list[_Cluster] = []
    for branch in sorted(branches, key=lambda c: -limits.share(c.taps, c.length_m)):
        for i, held in enumerate(bins):
            if limits.fits(held.plus(branch)):
                bins[i] = held.plus(branch)
                break
        else:
            bins.append(branch)
    return bins


def _merge_crumbs(clusters: list[_Cluster], limits: _Limits) -> list[_Cluster]:
    """Return clusters after small ones joined the neighbour that stays lightest."""
    roomy = limits.times(OVERFULL)
    while True:
        pair = _best_crumb(clusters, limits, roomy)
        if pair is None:
            return clusters
        keep, crumb = pair
        merged = clusters[keep].plus(clusters[crumb])
        clusters = [c for i, c in enumerate(clusters) if i not in pair] + [merged]


def _best_crumb(clusters: list[_Cluster], limits: _Limits, roomy: _Limits) -> tuple[int, int] | None:
    """Return (neighbour, crumb) of the smallest crumb that fits somewhere."""
    nodes = [_nodes(c) for c in clusters]
    share = [limits.share(c.taps, c.length_m) for c in clusters]
    for crumb in sorted(range(len(clusters)), key=lambda i: (share[i], clusters[i].elements[0].order)):
        if share[crumb] >= CRUMB:
            return None
        near = [
            i for i in range(len(clusters))
            if i != crumb and nodes[i] & nodes[crumb] and roomy.fits(clusters[i].plus(clusters[crumb]))
        ]
        if near:
            return min(near, key=lambda i: share[i]), crumb
    return None


def _nodes(cluster: _Cluster) -> set[_Node]:
    return {node for e in cluster.elements for node in (e.low, e.high)}


def _outward(
    clusters: list[_Cluster], elements: list[_Element], mainlines: tuple[Mainline, ...]
) -> list[_Cluster]:
    """Return clusters from the collection point outward, elements in line order inside."""
    collection = {c: i for i, c in enumerate(dict.fromkeys(m.collection_id for m in mainlines))}
    of_line = {m.mainline_id: collection[m.collection_id] for m in mainlines}
    away: dict[_Node, float] = {}
    for element in elements:
        away[element.high] = away.get(element.low, 0.0) + element.length_m
    for cluster in clusters:
        cluster.elements.sort(key=lambda e: (e.order, e.from_m))

    def key(cluster: _Cluster) -> tuple[int, float, int, float]:
        first = cluster.elements[0]
        nearest = min(away.get(e.low, 0.0) for e in cluster.elements)
        return of_line[first.mainline_id], round(nearest, _MM), first.order, first.from_m

    return sorted(clusters, key=key)


def _meetings(clusters: list[_Cluster], ids: list[str]) -> dict[str, tuple[tuple[str, str], ...]]:
    """Return for each section its neighbours and where they meet."""
    at_node: dict[_Node, list[str]] = {}
    for name, cluster in zip(ids, clusters, strict=True):
        for node in sorted(_nodes(cluster)):
            at_node.setdefault(node, []).append(name)
    meets: dict[str, set[tuple[str, str]]] = {name: set() for name in ids}
    for (owner_id, station_m), names in at_node.items():
        for name in names:
            meets[name].update((other, where_text(owner_id, station_m)) for other in names if other != name)
    return {name: tuple(sorted(found)) for name, found in meets.items()}


def _section(
    name: str, cluster: _Cluster, neighbours: tuple[tuple[str, str], ...], by_id: dict[str, Mainline],
    laterals: tuple[Lateral, ...], trees: Trees,
) -> Section:
    """Return the record of one cluster."""
    pieces: list[tuple[str, float, float]] = []
    for e in cluster.elements:
        if pieces and pieces[-1][0] == e.mainline_id and pieces[-1][2] == e.from_m:
            pieces[-1] = (e.mainline_id, pieces[-1][1], e.to_m)
        else:
            pieces.append((e.mainline_id, e.from_m, e.to_m))
    lateral = tuple(i for e in cluster.elements for i in e.lateral)
    tree = [t for i in lateral for t in laterals[i].tree]
    points = np.column_stack((trees.x_m[tree], trees.y_m[tree]))
    lines = [piece_line(by_id[m], a, b) for m, a, b in pieces]
    lines += [LineString(laterals[i].xyz_m[:, :2]) for i in lateral]
    return Section(
        section_id=name, pieces=tuple(pieces), lateral=lateral, outline=outline(lines, points),
        neighbours=neighbours, taps=cluster.taps, trees=len(tree),
    )


def piece_line(mainline: Mainline, from_station_m: float, to_station_m: float) -> LineString:
    """Return the plan geometry of a stretch of a mainline, in station order."""
    own = mainline.station_m
    inner = own[(own > from_station_m + 1e-9) & (own < to_station_m - 1e-9)]
    x, y, _ = mainline.at(np.concatenate(([from_station_m], inner, [to_station_m])))
    return LineString(np.column_stack((x, y)))


def outline(lines: list[LineString], points: np.ndarray) -> BaseGeometry:
    """Return one polygon without holes that stands off all lines and trees (morphological closing)."""
    things = np.array([*lines, *shapely.points(points)])
    # each alone and then together: the buffer of all at once is twenty times slower (measured)
    wide = shapely.union_all(shapely.buffer(things, CLOSING_M, quad_segs=4))
    whole = shapely.buffer(wide, OUTLINE_M - CLOSING_M, quad_segs=4)
    if isinstance(whole, Polygon):
        return Polygon(whole.exterior)
    return shapely.convex_hull(whole)  # a tree far off its line must not be lost


def _overfull(name: str, cluster: _Cluster, limits: _Limits) -> list[Finding]:
    """Return what could not be cut to size."""
    taps, length_m = float(cluster.taps), cluster.length_m
    found = []
    if taps > OVERFULL * limits.taps + 1e-9:
        found.append(Finding(
            "SECTION_OVERFULL", "check", "sections", name, taps, limits.taps, "taps",
            f"Section {name} has {taps:.0f} taps where about {limits.taps:.0f} were asked for: "
            "they enter within one span.",
            "Send two crews, or raise sheets.section_taps.",
        ))
    if length_m > limits.length_m + 1e-6:
        found.append(Finding(
            "SECTION_OVERFULL", "check", "sections", name, length_m, limits.length_m, "m",
            f"Section {name} has {length_m:.1f} m of mainline: one span is longer than a section may be.",
            "Raise sheets.section_length, or lower mainlines.max_support_gap.",
        ))
    return found
