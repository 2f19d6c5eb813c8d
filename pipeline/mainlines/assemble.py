"""Straightened lines become checked, numbered routes; pinned lines become routes as they are."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from pipeline.findings import Finding
from pipeline.mainlines.lattice import MARGIN_HIGH_M, Lattice
from pipeline.mainlines.routes import renumbered, stations_of, with_vertices
from pipeline.mainlines.sources import Site, Source
from pipeline.mainlines.straighten import Line, low_line
from pipeline.mainlines.verify import check_route
from pipeline.records import Route

Floats = npt.NDArray[np.float64]

SWEEP_M = 0.5  # the lowest line of a finished route is computed this closely


def all_lines(line: Line) -> list[Line]:
    """Return a line and all its branches, parents first."""
    out = [line]
    at = 0
    while at < len(out):
        out.extend(out[at].children)
        at += 1
    return out


def routes_of(
    site: Site, lattice: Lattice, laid: list[Line], by_node: dict[int, Source], pinned: dict[str, Line],
    findings: list[Finding],
) -> tuple[Route, ...]:
    """Return lines as numbered routes; a route that is not legal goes, with all above it, and is named."""
    routes = _pinned_routes(site, pinned, findings)
    queue: list[tuple[Line, Route | None, str]] = []
    for line in laid:
        source = by_node[line.source]
        if source.pinned_id:
            owner = next(r for r in routes if r.mainline_id == source.pinned_id)
            queue.append((line, owner, owner.collection_id))
        else:
            queue.append((line, None, site.collections[source.collection].collection_id))
    serial = 0
    # cut anew at its joins a line is sampled at other places, and may come out centimetres higher than when it was
    # laid: half of the margin kept under the top of the window is for that
    surface = lattice.surface
    lattice = replace(lattice, surface=surface._replace(high=surface.high + np.float32(MARGIN_HIGH_M / 2.0)))
    while queue:
        line, parent, collection_id = queue.pop(0)
        serial += 1
        route = _route(site, lattice, line, f"#{serial}", parent, collection_id)
        verdict = check_route(site.terrain, site.ground, site.settings, route)
        if verdict.fault:
            x, y = route.xy_m[0].tolist()
            findings.append(Finding(
                "ROUTE_NOT_LEGAL", "check", "mainlines", "", round(verdict.measured, 3), round(verdict.limit, 3),
                "m",
                f"A line from ({x:.1f}, {y:.1f}) {verdict.fault} at station {verdict.station_m:.1f} m and was "
                f"left out with {len(all_lines(line)) - 1} branches.",
                "Plan with a larger effort.",
            ))
            continue
        routes.append(route)
        queue.extend((child, route, collection_id) for child in line.children)
    routes = _joined(routes)
    return renumbered(tuple(routes), tuple(c.collection_id for c in site.collections))


def _pinned_routes(site: Site, pinned: dict[str, Line], findings: list[Finding]) -> list[Route]:
    routes: list[Route] = []
    names = sorted(pinned, key=lambda name: (name.count("."), name))
    for name in names:
        xyz = np.asarray(site.pins.lines[name], dtype=np.float64)
        parent_id = site.pins.parent.get(name, "")
        join_m = 0.0
        collection_id = _nearest_collection(site, xyz[0])
        parent = next((r for r in routes if r.mainline_id == parent_id), None)
        if parent is not None:
            own = stations_of(parent.xy_m)
            join_m = _station_of(parent.xy_m, own, xyz[0, :2])
            collection_id = parent.collection_id
        route = Route(
            mainline_id=name, parent_id=parent_id if parent is not None else "", collection_id=collection_id,
            join_station_m=join_m, xy_m=xyz[:, :2].copy(), low_z_m=xyz[:, 2].copy(), pinned=True,
        )
        verdict = check_route(site.terrain, site.ground, site.settings, route)
        if verdict.fault:
            findings.append(Finding(
                "PINNED_LINE_ILLEGAL", "violation", "mainlines", name, round(verdict.measured, 3),
                round(verdict.limit, 3), "m",
                f"Pinned line {name} {verdict.fault} at station {verdict.station_m:.1f} m; it is kept as it is.",
                "Rehang the line there, or take it out of the pins.",
            ))
        routes.append(route)
    return routes


def _nearest_collection(site: Site, xyz: Floats) -> str:
    d = [(float(np.hypot(c.x_m - xyz[0], c.y_m - xyz[1])), c.collection_id) for c in site.collections]
    return min(d)[1] if d else ""


def _station_of(xy_m: Floats, own: Floats, point: Floats) -> float:
    best, at = np.inf, 0.0
    for k in range(own.size - 1):
        a, b = xy_m[k], xy_m[k + 1]
        t = float(np.clip(((point - a) @ (b - a)) / max((b - a) @ (b - a), 1e-12), 0.0, 1.0))
        d = float(np.hypot(*(point - (a + (b - a) * t))))
        if d < best:
            best, at = d, float(own[k] + (own[k + 1] - own[k]) * t)
    return at


def _route(
    site: Site, lattice: Lattice, line: Line, name: str, parent: Route | None, collection_id: str
) -> Route:
    """Return a line as a route with a vertex at every join, its lowest elevations computed in one sweep.

    The sweep starts at the parent's own vertex: elevations got piece by piece would differ by the
    millimetres between two samplings, and a millimetre is a fall too little.
    """
    x, y = site.terrain.xy(line.rc[:, 0], line.rc[:, 1])
    joins = sorted({c.join_m for c in line.children})
    xy, _ = with_vertices(np.column_stack((x, y)), line.z, [(s, 0.0) for s in joins])
    z0 = float(line.z[0])
    if parent is not None and not parent.pinned:
        k = int(np.argmin(np.abs(stations_of(parent.xy_m) - line.join_m)))
        z0 = float(parent.low_z_m[k]) - lattice.base_m
    # on a coarse raster the search samples metres apart and may miss a crease between two of its samples
    own = stations_of(xy)
    dense = np.union1d(own, np.arange(0.0, own[-1], SWEEP_M))
    row, col = site.terrain.rowcol(np.interp(dense, own, xy[:, 0]), np.interp(dense, own, xy[:, 1]))
    z = low_line(lattice, np.column_stack((row, col)), z0)[np.searchsorted(dense, own)] + lattice.base_m
    return Route(
        mainline_id=name, parent_id=parent.mainline_id if parent is not None else "", collection_id=collection_id,
        join_station_m=line.join_m, xy_m=xy, low_z_m=z,
    )


def _joined(routes: list[Route]) -> list[Route]:
    """Return routes whose join stations are exactly stations of their parents' vertices."""
    by_id = {r.mainline_id: r for r in routes}
    out = []
    for route in routes:
        parent = by_id.get(route.parent_id)
        if parent is None:
            out.append(route)
            continue
        own = stations_of(parent.xy_m)
        k = int(np.argmin(np.abs(own - route.join_station_m)))
        if parent.pinned or route.pinned:
            out.append(route)
            continue
        xy = route.xy_m.copy()
        xy[0] = parent.xy_m[k]
        out.append(replace(route, join_station_m=float(own[k]), xy_m=xy))
    return out
