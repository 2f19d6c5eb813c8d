"""Plans the mainlines: from terrain, ground and trees to routes that are legal and worth their wire."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from pipeline.findings import Finding, in_order
from pipeline.mainlines import cover_kernel, lattice_kernel, layout, reach_kernel, state_kernel
from pipeline.mainlines.chains import chains
from pipeline.mainlines.lattice import (
    HANG_ABOVE_M, Lattice, lateral_ceiling, make_cover, make_graph, make_lattice, make_surface,
)
from pipeline.mainlines.lattice_kernel import Surface
from pipeline.mainlines.reasons import lifts, lowest_anywhere, reasons
from pipeline.mainlines.routes import children_of, renumbered, stations_of, with_vertices
from pipeline.mainlines.state_kernel import Cover, Graph, Price, State
from pipeline.mainlines.straighten import (
    Line, Puller, Start, at_stations, descendants, host_nodes, join_places, lay, segments_of,
)
from pipeline.mainlines.verify import check_route
from pipeline.records import CollectionPoint, Ground, Network, Pins, Route, Trees
from pipeline.settings import Settings
from pipeline.terrain.grid import Terrain

Floats = npt.NDArray[np.float64]
Report = Callable[[str, float], None]

MOST_NODES = 700_000  # of the lattice; larger terrains get a wider step
LADDER_PRICE = 0.5  # a metre of line a metre above the ladder height costs half as much again; ours
BRANCH_BENDS = 2.0  # a branch costs as much as this many bends; ours
CURVE = (0.35, 0.6, 1.0, 1.7)  # prices of a tap, as shares of the set one, for the curve in the report


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """A node of the lattice that a line may start from, and what it stands for."""

    node: int
    z: float
    collection: int  # index of the collection point, -1 on a pinned line
    pinned_id: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Site:
    """Everything the planning of one network looks at."""

    terrain: Terrain
    ground: Ground
    trees: Trees
    collections: tuple[CollectionPoint, ...]
    pins: Pins
    settings: Settings


def plan_network(
    *, terrain: Terrain, ground: Ground, trees: Trees, collections: tuple[CollectionPoint, ...], pins: Pins,
    settings: Settings, progress: Callable[[str, float], None] | None = None,
) -> tuple[Network, tuple[Finding, ...]]:
    """Return the mainlines that bring trees within lateral reach, and what could not be done.

    Parameters
    ----------
    terrain, ground, trees, collections, pins, settings
        The site; see the records. Only trees with status ``served`` (candidates) count.
    progress : callable, optional
        Told what is being done and the share that is done.

    Returns
    -------
    Network
        Routes with parents before children, each checked against the raw terrain by a sampling
        of its own; reasons and lifts per tree; the worth curve.
    tuple of Finding
        ``COLLECTION_CLOSED``, ``NO_MAINLINE``, ``ROUTE_LOST``, ``ROUTE_NOT_LEGAL``,
        ``SHARP_BEND``, ``PINNED_LINE_ILLEGAL``.

    Notes
    -----
    Deterministic for a given seed; the search is bounded by counts, not by time.
    """
    report: Report = progress or (lambda _what, _share: None)
    site = Site(terrain, ground, trees, collections, pins, settings)
    findings: list[Finding] = []
    effort = layout.EFFORTS[settings.mainlines.effort]
    surface, base_m = make_surface(terrain, ground, settings)
    area = terrain.shape[0] * terrain.shape[1] * terrain.cell_m**2
    lattice = make_lattice(terrain, surface, base_m, max(effort.step_m, (area / MOST_NODES) ** 0.5))
    graph = make_graph(lattice, settings.mainlines.ladder_m)
    report("looking where lines can fall", 0.1)
    pinned = pinned_lines(site, lattice)
    sources = [*collection_sources(site, lattice, findings), *pinned_sources(site, lattice, pinned)]
    node = np.array([s.node for s in sources], dtype=np.int64)
    node_z = np.array([s.z for s in sources])
    if sources:
        graph.floor[:] = reach_kernel.reach(
            graph.rows, graph.cols, graph.grade, graph.run_m, graph.arc_m, graph.arc_e, node, node_z
        )
    cover = make_cover(terrain, ground, trees, settings, lattice, graph)
    price = Price(settings.mainlines.tap_worth_m, BRANCH_BENDS * settings.mainlines.bend_cost_m, LADDER_PRICE)
    report("growing mainlines", 0.15)
    state = layout.best_layout(
        graph, cover, (node, node_z), price, settings.laterals.reach_m, effort, settings.mainlines.seed, report
    )
    report("straightening mainlines", 0.82)
    _, raw_m, raw_taps = state_kernel.cost_of(graph, cover, state, price)
    routes = straight_routes(site, lattice, graph, cover, state, sources, pinned, findings)
    network = finished(site, lattice, graph, cover, routes, sources, report)
    curve = worth_curve(graph, cover, (node, node_z), price, settings, network, trees)
    network.stats.update({"lattice_m": float(raw_m), "lattice_taps": float(raw_taps)})
    report("mainlines done", 1.0)
    findings.extend(bend_findings(network, settings))
    if not network.routes:
        findings.append(Finding(
            "NO_MAINLINE", "check", "plan", "", None, None, "",
            "No mainline that pays can be laid from the collection points.",
            "Look at the reasons of the trees, at the inlet height and at the worth of a tap.",
        ))
    return replace(network, worth_curve=curve), in_order(findings)


def nearest_nodes(lattice: Lattice, row: float, col: float, reach: int) -> list[int]:
    """Return the open nodes round a raster place, nearest first."""
    i0 = round((row - lattice.row0) / lattice.stride)
    j0 = round((col - lattice.col0) / lattice.stride)
    out = []
    for i in range(max(0, i0 - reach), min(lattice.rows, i0 + reach + 1)):
        for j in range(max(0, j0 - reach), min(lattice.cols, j0 + reach + 1)):
            a = i * lattice.cols + j
            if lattice.node_ok[a]:
                d = np.hypot(lattice.row0 + i * lattice.stride - row, lattice.col0 + j * lattice.stride - col)
                out.append((round(float(d), 9), a))
    return [a for _, a in sorted(out)]


def stub(lattice: Lattice, surface: Surface, row: float, col: float, z: float, node: int) -> float:
    """Return the lowest line at a node when it is reached straight from a place at z; inf if it cannot be."""
    rc = lattice.rowcol(np.array([node]))[0]
    m, e, _ = lattice_kernel.segment(surface, row, col, rc[0], rc[1])
    if not z <= e:
        return float("inf")
    run = float(np.hypot(rc[0] - row, rc[1] - col)) * surface.cell_m
    return float(max(z + surface.grade * run, m))


def start_z(site: Site, surface: Surface, base_m: float, point: CollectionPoint) -> float:
    """Return the elevation of a line over its collection point, relative to the base.

    An inlet below the window is met by the line coming down in its last span, so the line
    itself starts at the lowest end of its window there.
    """
    row, col = site.terrain.rowcol(point.x_m, point.y_m)
    m, _, _ = lattice_kernel.segment(surface, float(row), float(col), float(row), float(col))
    return float(max(point.inlet_z_m - base_m, m)) if np.isfinite(m) else float("inf")


def collection_sources(site: Site, lattice: Lattice, findings: list[Finding]) -> list[Source]:
    """Return the node each collection point feeds the lattice through."""
    out: list[Source] = []
    for index, point in enumerate(site.collections):
        row, col = (float(v) for v in site.terrain.rowcol(point.x_m, point.y_m))
        z = start_z(site, lattice.surface, lattice.base_m, point)
        found = None
        for node in nearest_nodes(lattice, row, col, 3) if np.isfinite(z) else []:
            z_node = stub(lattice, lattice.surface, row, col, z, node)
            if np.isfinite(z_node):
                found = Source(node, z_node, index)
                break
        if found is None:
            findings.append(Finding(
                "COLLECTION_CLOSED", "violation", "collection", point.collection_id,
                round(point.inlet_z_m - point.ground_z_m, 3), site.settings.mainlines.highest_m, "m",
                f"No line can leave {point.collection_id}: it stands on closed ground, or its inlet is above the "
                "highest line allowed there.",
                "Move the collection point, lower its inlet, or open the ground round it with a gap.",
            ))
        elif found.node not in {s.node for s in out}:
            out.append(found)
    return out


def pinned_lines(site: Site, lattice: Lattice) -> dict[str, Line]:
    """Return pinned lines as lines, kept exactly."""
    out = {}
    for name, xyz in sorted(site.pins.lines.items()):
        row, col = site.terrain.rowcol(xyz[:, 0], xyz[:, 1])
        out[name] = Line(
            rc=np.column_stack((row, col)), z=xyz[:, 2] - lattice.base_m, join_m=0.0, source=-1, fixed=True, name=name
        )
    return out


def pinned_sources(site: Site, lattice: Lattice, pinned: dict[str, Line]) -> list[Source]:
    """Return nodes along pinned lines from which branches may start, at the line's own elevation."""
    out: dict[int, Source] = {}
    for name, line in pinned.items():
        length = float(line.stations(site.terrain.cell_m)[-1])
        stations = np.arange(0.0, length + 1e-9, lattice.step_m)
        places, zs, _ = at_stations(lattice, line, stations)
        for (row, col), z in zip(places.tolist(), zs.tolist(), strict=True):
            for node in nearest_nodes(lattice, row, col, 1)[:2]:
                z_node = stub(lattice, lattice.surface, row, col, max(z, _floor_at(lattice, row, col)), node)
                if np.isfinite(z_node):
                    if node not in out or z_node < out[node].z:
                        out[node] = Source(node, z_node, -1, name)
                    break
    return [out[k] for k in sorted(out)]


def _floor_at(lattice: Lattice, row: float, col: float) -> float:
    m, _, _ = lattice_kernel.segment(lattice.surface, row, col, row, col)
    return float(m)


def straight_routes(
    site: Site, lattice: Lattice, graph: Graph, cover: Cover, state: State, sources: list[Source],
    pinned: dict[str, Line],
    findings: list[Finding],
) -> tuple[Route, ...]:
    """Return the network as straightened, checked and numbered routes."""
    by_node = {s.node: s for s in sources}
    row, col = site.terrain.rowcol(site.trees.x_m, site.trees.y_m)
    tree_rc = np.column_stack((row, col))
    lines, laterals = site.settings.mainlines, site.settings.laterals
    puller = Puller(
        lattice, lines.bend_cost_m, lines.max_bend_deg, host_nodes(lattice, cover, state, tree_rc), tree_rc,
        lateral_ceiling(site.trees, site.settings, lattice.base_m) - HANG_ABOVE_M,
        site.trees.taps.astype(np.float64), laterals.reach_m, laterals.min_grade_pct / 100.0, lines.tap_worth_m,
    )
    tops = chains(graph, state)
    for line in pinned.values():
        puller.laid.append(segments_of(line.rc))
    for top in tops:
        for chain in descendants(top):
            puller.keep_clear(chain)
    laid: list[Line] = []
    lost = 0
    for top in tops:
        source = by_node[top.source]
        if source.pinned_id:
            start = join_places(puller, pinned[source.pinned_id], lattice.rowcol(np.array([top.nodes[0]]))[0])
        else:
            start = collection_start(site, lattice, site.collections[source.collection])
        line = lay(puller, top, start)
        if line is None:
            lost += len(descendants(top))
            continue
        laid.append(line)
    lost += sum(inner.lost for line in laid for inner in all_lines(line))
    if lost:
        findings.append(Finding(
            "ROUTE_LOST", "check", "mainlines", "", float(lost), 0.0, "lines",
            f"{lost} lines of the layout found no legal straight way and were left out.",
            "Plan with a larger effort, or allow sharper bends.",
        ))
    return routes_of(site, lattice, laid, by_node, pinned, findings)


def collection_start(site: Site, lattice: Lattice, point: CollectionPoint) -> Start:
    """Return the one place where lines of a collection point begin."""
    row, col = site.terrain.rowcol(point.x_m, point.y_m)
    return Start(
        rc=np.array([[float(row), float(col)]]),
        z=np.array([start_z(site, lattice.surface, lattice.base_m, point)]),
        direction=np.zeros((1, 2)), station=np.zeros(1),
    )


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
    queue: list[tuple[Line, str, str]] = []
    for line in laid:
        source = by_node[line.source]
        if source.pinned_id:
            owner = next(r for r in routes if r.mainline_id == source.pinned_id)
            queue.append((line, owner.mainline_id, owner.collection_id))
        else:
            queue.append((line, "", site.collections[source.collection].collection_id))
    serial = 0
    while queue:
        line, parent_id, collection_id = queue.pop(0)
        serial += 1
        route = _route(site, lattice, line, f"#{serial}", parent_id, collection_id)
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
        queue.extend((child, route.mainline_id, collection_id) for child in line.children)
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


def _route(site: Site, lattice: Lattice, line: Line, name: str, parent_id: str, collection_id: str) -> Route:
    x, y = site.terrain.xy(line.rc[:, 0], line.rc[:, 1])
    xy, z = np.column_stack((x, y)), line.z + lattice.base_m
    if line.children:
        joins = np.array(sorted({c.join_m for c in line.children}))
        _, zs, _ = at_stations(lattice, line, joins)
        xy, z = with_vertices(xy, z, zip(joins.tolist(), (zs + lattice.base_m).tolist(), strict=True))
    return Route(
        mainline_id=name, parent_id=parent_id, collection_id=collection_id, join_station_m=line.join_m, xy_m=xy,
        low_z_m=z,
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


def finished(
    site: Site, lattice: Lattice, graph: Graph, cover: Cover, routes: tuple[Route, ...], sources: list[Source],
    report: Report,
) -> Network:
    """Return the network with a reason and a lift for every tree."""
    report("asking why trees are left out", 0.92)
    served = served_trees(site, lattice, routes)
    coverable = np.zeros(len(site.trees), dtype=np.bool_)
    coverable[cover.tree[: int(cover.start[-1])]] = True
    lift = np.full(len(site.trees), np.nan)
    if sources:
        free, _ = make_surface(site.terrain, site.ground, site.settings, capped=False)
        lowest = lowest_anywhere(
            lattice, free, np.array([s.node for s in sources]), np.array([s.z for s in sources])
        )
        lift = lifts(site.terrain, site.trees, site.settings, lattice, lowest)
    lengths = [float(stations_of(r.xy_m)[-1]) for r in routes]
    servable = coverable | served
    return Network(
        routes=routes, reason=reasons(site.trees, lift, coverable, served), lift_m=lift,
        stats={
            "mainline_m": float(sum(lengths)), "mainlines": float(len(routes)),
            "taps_in_reach": float(site.trees.taps[served].sum()),
            "taps_servable": float(site.trees.taps[servable & site.trees.candidate].sum()),
            "step_m": lattice.step_m, "nodes": float(graph.rows * graph.cols),
        },
    )


def served_trees(site: Site, lattice: Lattice, routes: tuple[Route, ...]) -> npt.NDArray[np.bool_]:
    """Return which trees a lateral may be tried for: some point of a route is near and low enough."""
    trees, laterals = site.trees, site.settings.laterals
    row, col = site.terrain.rowcol(trees.x_m, trees.y_m)
    served = np.zeros(len(trees), dtype=np.bool_)
    ceiling = lateral_ceiling(trees, site.settings, lattice.base_m) - HANG_ABOVE_M
    ceiling = np.where(np.isfinite(row), ceiling, np.nan)
    for route in routes:
        own = stations_of(route.xy_m)
        s = np.unique(np.concatenate((np.arange(0.0, own[-1], 1.0), own)))
        x = np.interp(s, own, route.xy_m[:, 0])
        y = np.interp(s, own, route.xy_m[:, 1])
        z = np.interp(s, own, route.low_z_m) - lattice.base_m
        near = (
            (trees.x_m >= x.min() - laterals.reach_m) & (trees.x_m <= x.max() + laterals.reach_m)
            & (trees.y_m >= y.min() - laterals.reach_m) & (trees.y_m <= y.max() + laterals.reach_m)
        )
        who = np.flatnonzero(near & ~served & np.isfinite(ceiling))
        pr, pc = site.terrain.rowcol(x, y)
        mark = np.zeros(who.size, dtype=np.bool_)
        cover_kernel.served_by_line(
            np.column_stack((row[who], col[who])), ceiling[who], laterals.reach_m / site.terrain.cell_m,
            laterals.min_grade_pct / 100.0 * site.terrain.cell_m, site.ground.lateral_blocked,
            bool(site.ground.lateral_blocked.any()), np.column_stack((pr, pc)), z, mark,
        )
        served[who[mark]] = True
    return served


def worth_curve(
    graph: Graph, cover: Cover, sources: tuple[npt.NDArray[np.int64], Floats], price: Price, settings: Settings,
    network: Network, trees: Trees,
) -> tuple[tuple[float, int, float], ...]:
    """Return (worth of a tap, taps in reach, metres of mainline) at a few prices.

    Layouts at other prices are grown but not improved, so each is scaled by what improving
    did to the layout at the set price.
    """
    del trees
    full = layout.full_appetite(cover, graph)
    rows: list[tuple[float, int, float]] = []
    for share in CURVE:
        p = Price(price.tap_m * share, price.branch_m, price.ladder)
        s = layout.seeded(graph, cover, settings.mainlines.seed, *sources)
        layout.grow(graph, cover, s, p, settings.laterals.reach_m, full)
        _, length, taps = state_kernel.cost_of(graph, cover, s, p)
        rows.append((p.tap_m, int(taps), float(length)))
    own = next(r for r in rows if r[0] == price.tap_m)
    if own[1] <= 0 or own[2] <= 0.0:
        return tuple(rows)
    by_taps = network.stats["taps_in_reach"] / own[1]
    by_length = network.stats["mainline_m"] / own[2]
    most = network.stats["taps_servable"]
    return tuple((w, int(min(t * by_taps, most)), m * by_length) for w, t, m in rows)


def bend_findings(network: Network, settings: Settings) -> list[Finding]:
    """Return a finding for each bend or join sharper than allowed."""
    out = []
    by_parent = children_of(network.routes)
    del by_parent
    for route in network.routes:
        way = np.diff(route.xy_m, axis=0)
        if route.pinned or way.shape[0] < 2:
            continue
        way = way / np.hypot(way[:, 0], way[:, 1])[:, None]
        turn = np.degrees(np.arccos(np.clip((way[:-1] * way[1:]).sum(axis=1), -1.0, 1.0)))
        own = stations_of(route.xy_m)
        for k in np.flatnonzero(turn > settings.mainlines.max_bend_deg + 0.01).tolist():
            out.append(Finding(
                "SHARP_BEND", "check", "mainlines", route.mainline_id, round(float(turn[k]), 1),
                settings.mainlines.max_bend_deg, "deg",
                f"{route.mainline_id} turns {turn[k]:.0f} degrees at station {own[k + 1]:.1f} m: nothing gentler "
                "falls enough there.",
                "Brace the support at the bend, or make the turn in two steps if the ground allows.",
            ))
    return out



