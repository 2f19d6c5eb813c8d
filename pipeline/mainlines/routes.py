"""Straightened lines become routes with names; names are given, cut and counted here."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipeline.records import Ground, Network, Route
from pipeline.terrain.grid import Terrain

Floats = npt.NDArray[np.float64]

SNAP_M = 1e-6
TOP_BEYOND_M = 1.0  # a line ends this far above its last entry or join; ours
TOP_STEP_M = 0.25  # how closely a place for the top support is looked for; ours
EDGE_CELLS = 1e-6


def stations_of(xy_m: Floats) -> Floats:
    """Return the stations of a polyline's vertices in metres."""
    return np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(xy_m, axis=0).T))))


def with_vertices(xy_m: Floats, z_m: Floats, at_m: Iterable[tuple[float, float]]) -> tuple[Floats, Floats]:
    """Return a polyline with further vertices at (station, elevation) pairs; existing ones are kept.

    The elevation of an inserted vertex is given, since the lowest legal line between two
    vertices is not straight.
    """
    own = stations_of(xy_m)
    extra = [(s, z) for s, z in sorted(at_m) if np.abs(own - s).min() > SNAP_M]
    if not extra:
        return xy_m, z_m
    new_s = np.array([s for s, _ in extra])
    new_z = np.array([z for _, z in extra])
    s = np.concatenate((own, new_s))
    x = np.concatenate((xy_m[:, 0], np.interp(new_s, own, xy_m[:, 0])))
    y = np.concatenate((xy_m[:, 1], np.interp(new_s, own, xy_m[:, 1])))
    z = np.concatenate((z_m, new_z))
    order = np.argsort(s, kind="stable")
    keep = order[np.concatenate(([True], np.diff(s[order]) > SNAP_M))]
    return np.column_stack((x[keep], y[keep])), z[keep]


def children_of(routes: Iterable[Route]) -> dict[str, list[Route]]:
    """Return routes by parent, lower joins first."""
    out: dict[str, list[Route]] = {}
    for route in routes:
        out.setdefault(route.parent_id, []).append(route)
    for group in out.values():
        group.sort(key=lambda r: (r.join_station_m, r.xy_m[-1, 0], r.xy_m[-1, 1]))
    return out


def renumbered(routes: tuple[Route, ...], collections: tuple[str, ...]) -> tuple[Route, ...]:
    """Return routes with gapless IDs, parents before children.

    Lines at collection points are counted in the order of the collection points, the longest
    tree of lines first; branches are counted upward along their parent. A pinned line keeps
    its ID, and no other line gets it.
    """
    by_parent = children_of(routes)
    taken = {r.mainline_id for r in routes if r.pinned}

    def weight(route: Route) -> float:
        own = float(stations_of(route.xy_m)[-1])
        return own + sum(weight(r) for r in by_parent.get(route.mainline_id, ()))

    rank = {c: i for i, c in enumerate(collections)}
    tops = sorted(
        by_parent.get("", ()),
        key=lambda r: (rank.get(r.collection_id, len(rank)), -round(weight(r), 6), r.xy_m[-1, 0], r.xy_m[-1, 1]),
    )
    out: list[Route] = []
    queue = [(route, "", "M") for route in tops]
    counters: dict[str, int] = {}
    while queue:
        route, parent_id, stem = queue.pop(0)
        if route.pinned:
            new_id = route.mainline_id
        else:
            while True:
                counters[stem] = counters.get(stem, 0) + 1
                new_id = f"{stem}{counters[stem]}"
                if new_id not in taken:
                    break
        out.append(replace(route, mainline_id=new_id, parent_id=parent_id))
        queue.extend((child, new_id, f"{new_id}.") for child in by_parent.get(route.mainline_id, ()))
    return tuple(out)


def cut(route: Route, top_m: float) -> Route:
    """Return a route that ends at a station; its lowest elevations in between are kept or interpolated."""
    own = stations_of(route.xy_m)
    if top_m >= own[-1] - SNAP_M:
        return route
    k = int(np.searchsorted(own, top_m - SNAP_M))
    x = float(np.interp(top_m, own, route.xy_m[:, 0]))
    y = float(np.interp(top_m, own, route.xy_m[:, 1]))
    z = float(np.interp(top_m, own, route.low_z_m))
    xy = np.concatenate((route.xy_m[:k], [[x, y]]))
    return replace(route, xy_m=xy, low_z_m=np.concatenate((route.low_z_m[:k], [z])))


def trim(
    network: Network, entries: dict[str, tuple[float, ...]], *, terrain: Terrain | None = None,
    ground: Ground | None = None,
) -> Network:
    """Return a network cut back to what its laterals use.

    Parameters
    ----------
    entries : dict of str to tuple of float
        Stations of the entries on each mainline, in metres; a mainline not named has none.
    terrain, ground : optional
        Where no support may stand; without them a line may end anywhere.

    Notes
    -----
    Each line ends just above its last entry or its last branch, whichever is higher, at the first
    place from there where a support may stand, else where it ended; a line with neither goes, and
    so on downward. Pinned lines are never cut. IDs are counted anew without gaps; use
    :func:`renamed` to see which line got which ID.
    """
    kept = _kept(network.routes, entries, _Standing(terrain, ground) if terrain and ground else None)
    collections = tuple(dict.fromkeys(r.collection_id for r in network.routes))
    return replace(network, routes=renumbered(tuple(kept), collections), stats=dict(network.stats))


@dataclass(frozen=True, slots=True, eq=False)
class _Standing:
    """Where supports may stand."""

    terrain: Terrain
    ground: Ground

    def first(self, route: Route, station_m: float) -> float:
        """Return the first station from one upward where a support may stand; the route's top if none."""
        own = stations_of(route.xy_m)
        s = np.arange(station_m, own[-1], TOP_STEP_M)
        x, y = np.interp(s, own, route.xy_m[:, 0]), np.interp(s, own, route.xy_m[:, 1])
        row, col = self.terrain.rowcol(x, y)
        free = np.ones(s.size, dtype=np.bool_)
        for dr in (-EDGE_CELLS, EDGE_CELLS):
            for dc in (-EDGE_CELLS, EDGE_CELLS):  # a place on a cell's edge counts for both cells
                r = np.clip(np.floor(row + 0.5 + dr).astype(np.int64), 0, self.terrain.shape[0] - 1)
                c = np.clip(np.floor(col + 0.5 + dc).astype(np.int64), 0, self.terrain.shape[1] - 1)
                free &= ~self.ground.support_blocked[r, c]
        return float(s[np.argmax(free)]) if free.any() else float(own[-1])


def renamed(
    network: Network, entries: dict[str, tuple[float, ...]], *, terrain: Terrain | None = None,
    ground: Ground | None = None,
) -> dict[str, str]:
    """Return old ID -> new ID of the lines that :func:`trim` keeps, given the same."""
    kept = _kept(network.routes, entries, _Standing(terrain, ground) if terrain and ground else None)
    collections = tuple(dict.fromkeys(r.collection_id for r in network.routes))
    tagged = tuple(replace(r, low_z_m=r.low_z_m) for r in kept)
    new = renumbered(tagged, collections)
    old = {(_key(r)): r.mainline_id for r in tagged}
    return {old[_key(r)]: r.mainline_id for r in new}


def _key(route: Route) -> tuple[bytes, bytes]:
    return route.xy_m.tobytes(), route.low_z_m.tobytes()


def _kept(
    routes: tuple[Route, ...], entries: dict[str, tuple[float, ...]], standing: _Standing | None = None
) -> list[Route]:
    kept: list[Route] = []
    joins: dict[str, float] = {}
    for route in reversed(routes):  # children come after their parents
        last = max((*entries.get(route.mainline_id, ()), joins.get(route.mainline_id, -1.0)), default=-1.0)
        if last < 0.0 and not route.pinned:
            continue
        top = last + TOP_BEYOND_M
        if standing is not None and not route.pinned:
            top = standing.first(route, top)
        kept.append(route if route.pinned else cut(route, top))
        if route.parent_id:
            joins[route.parent_id] = max(joins.get(route.parent_id, -1.0), route.join_station_m)
    return kept[::-1]
