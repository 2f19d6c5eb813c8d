"""Plans the mainlines: from terrain, ground and trees to routes that are legal and worth their wire."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from pipeline.findings import Finding, in_order
from pipeline.mainlines import layout, reach_kernel, state_kernel
from pipeline.mainlines.assemble import all_lines, routes_of
from pipeline.mainlines.chains import chains
from pipeline.mainlines.lattice import (
    HANG_ABOVE_M,
    Lattice,
    Ways,
    lateral_ceiling,
    make_cover,
    make_graph,
    make_lattice,
    make_surface,
    make_ways,
)
from pipeline.mainlines.reasons import lifts, lowest_anywhere, reasons
from pipeline.mainlines.regrow import Growth, regrow
from pipeline.mainlines.report import bend_findings, guests_of, spacing, without_poor_twigs, worth_curve
from pipeline.mainlines.routes import renumbered, stations_of
from pipeline.mainlines.sources import (
    Site,
    Source,
    collection_sources,
    collection_start,
    pinned_lines,
    pinned_sources,
)
from pipeline.mainlines.state_kernel import Cover, Price, State
from pipeline.mainlines.straighten import Line, Puller, descendants, host_nodes, join_places, lay, segments_of
from pipeline.records import CollectionPoint, Ground, Network, Pins, Route, Trees
from pipeline.settings import Settings
from pipeline.terrain.grid import Terrain

Floats = npt.NDArray[np.float64]
Report = Callable[[str, float], None]

LADDER_PRICE = 0.5  # a metre of line a metre above the ladder height costs half as much again; ours
BRANCH_BENDS = 4.0  # a branch costs as much as this many bends; ours


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
    lattice = make_lattice(terrain, surface, base_m, layout.step_for(effort, area))
    ways = make_ways(lattice)
    graph = make_graph(lattice, settings.mainlines.ladder_m, ways)
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
    routes = straight_routes(Growth(site, lattice, graph, cover, price), state, sources, pinned, findings)
    report("asking why trees are left out", 0.92)
    network = finished(site, lattice, ways, cover, routes, sources, price)
    _, raw_m, raw_taps = state_kernel.cost_of(graph, cover, state, price)
    network.stats.update({"lattice_m": float(raw_m), "lattice_taps": float(raw_taps)})
    curve = worth_curve(graph, cover, state, price, settings.laterals.reach_m, network)
    report("mainlines done", 1.0)
    findings.extend(bend_findings(network, settings))
    if not network.routes:
        findings.append(Finding(
            "NO_MAINLINE", "check", "plan", "", None, None, "",
            "No mainline that pays can be laid from the collection points.",
            "Look at the reasons of the trees, at the inlet height and at the worth of a tap.",
        ))
    return replace(network, worth_curve=curve), in_order(findings)


def straight_routes(
    growth: Growth, state: State, sources: list[Source], pinned: dict[str, Line], findings: list[Finding]
) -> tuple[Route, ...]:
    """Return the network as straightened, grown on, checked and numbered routes."""
    site, lattice, cover = growth.site, growth.lattice, growth.cover
    by_node = {s.node: s for s in sources}
    row, col = site.terrain.rowcol(site.trees.x_m, site.trees.y_m)
    tree_rc = np.column_stack((row, col))
    lines, laterals = site.settings.mainlines, site.settings.laterals
    puller = Puller(
        lattice, lines.bend_cost_m, lines.max_bend_deg, host_nodes(lattice, cover, state, tree_rc), tree_rc,
        lateral_ceiling(site.trees, site.settings, lattice.base_m) - HANG_ABOVE_M,
        site.trees.taps.astype(np.float64), laterals.reach_m, laterals.min_grade_pct / 100.0, lines.tap_worth_m,
        site.ground.support_blocked,
    )
    tops = chains(lattice.cols, lattice.step_m, state)
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
        found = lay(puller, top, start)
        if found is None:
            lost += len(descendants(top))
        else:
            laid.append(found)
    lost += sum(inner.lost for one in laid for inner in all_lines(one))
    regrow(growth, puller, laid)
    if lost:
        findings.append(Finding(
            "ROUTE_LOST", "check", "mainlines", "", float(lost), 0.0, "lines",
            f"{lost} lines of the layout found no legal straight way and were left out.",
            "Plan with a larger effort, or allow sharper bends.",
        ))
    return routes_of(site, lattice, laid, by_node, pinned, findings)


def finished(
    site: Site, lattice: Lattice, ways: Ways, cover: Cover, routes: tuple[Route, ...], sources: list[Source],
    price: Price,
) -> Network:
    """Return the network without twigs that do not pay, with a reason and a lift for every tree."""
    trees = site.trees
    kept = without_poor_twigs(
        routes, guests_of(site, lattice, routes), trees, price, site.settings.laterals.reach_m
    )
    routes = renumbered(kept, tuple(c.collection_id for c in site.collections))
    served = np.zeros(len(trees), dtype=np.bool_)
    for who in guests_of(site, lattice, routes):
        served[who] = True
    coverable = np.zeros(len(trees), dtype=np.bool_)
    coverable[cover.tree[: int(cover.start[-1])]] = True
    lift = np.full(len(trees), np.nan)
    if sources:
        lowest = lowest_anywhere(
            lattice, ways, np.array([s.node for s in sources]), np.array([s.z for s in sources])
        )
        lift = lifts(site.terrain, trees, site.settings, lattice, lowest)
    return Network(
        routes=routes, reason=reasons(trees, lift, coverable, served), lift_m=lift,
        stats={
            "mainline_m": float(sum(float(stations_of(r.xy_m)[-1]) for r in routes)),
            "mainlines": float(len(routes)), "taps_in_reach": float(trees.taps[served].sum()),
            "taps_servable": float(trees.taps[(coverable | served) & trees.candidate].sum()),
            **spacing(routes, site.settings.laterals.reach_m), "step_m": lattice.step_m,
            "nodes": float(lattice.rows * lattice.cols),
        },
    )
