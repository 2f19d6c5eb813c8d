"""What a network does: the trees it brings in reach, its bends, the price curve; and twigs that do not pay."""

from __future__ import annotations

from collections import Counter

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from pipeline.findings import Finding
from pipeline.mainlines import cover_kernel, layout, state_kernel
from pipeline.mainlines.lattice import HANG_ABOVE_M, Lattice, lateral_ceiling
from pipeline.mainlines.routes import stations_of
from pipeline.mainlines.sources import Site
from pipeline.mainlines.state_kernel import Cover, Graph, Price, State
from pipeline.records import Ints, Network, Route, Trees
from pipeline.settings import Settings

Floats = npt.NDArray[np.float64]

CURVE = (0.35, 0.6, 1.0, 1.7)  # prices of a tap, as shares of the set one, for the curve in the report


def guests_of(site: Site, lattice: Lattice, routes: tuple[Route, ...]) -> list[Ints]:
    """Return for each route the trees a lateral may be tried for: some point of it is near and low enough."""
    trees, laterals = site.trees, site.settings.laterals
    row, col = site.terrain.rowcol(trees.x_m, trees.y_m)
    ceiling = lateral_ceiling(trees, site.settings, lattice.base_m) - HANG_ABOVE_M
    ceiling = np.where(np.isfinite(row), ceiling, np.nan)
    closed = bool(site.ground.lateral_blocked.any())
    out: list[Ints] = []
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
        who = np.flatnonzero(near & np.isfinite(ceiling))
        pr, pc = site.terrain.rowcol(x, y)
        mark = np.zeros(who.size, dtype=np.bool_)
        cover_kernel.served_by_line(
            np.column_stack((row[who], col[who])), ceiling[who], laterals.reach_m / site.terrain.cell_m,
            laterals.min_grade_pct / 100.0 * site.terrain.cell_m, site.ground.lateral_blocked, closed,
            np.column_stack((pr, pc)), z, mark,
        )
        out.append(who[mark])
    return out


def without_poor_twigs(
    routes: tuple[Route, ...], guests: list[Ints], trees: Trees, price: Price, reach_m: float
) -> tuple[Route, ...]:
    """Return the routes without tips whose own trees are worth less than their line and their join.

    A twig no longer than a lateral's reach must be worth a second join: a crew would rather hang a
    lateral. Straightening moves lines, and what a twig was for may have come in reach of its parent.
    """
    lines_at = _lines_at(guests)
    count = np.array([len(lines_at.get(t, ())) for t in range(len(trees))], dtype=np.int64)
    alive = dict(enumerate(routes))
    length = [float(stations_of(route.xy_m)[-1]) for route in routes]
    own = [float(trees.taps[who[count[who] == 1]].sum()) for who in guests]
    children = Counter(route.parent_id for route in routes)
    while True:
        worst, loss = -1, 0.0
        for k, route in alive.items():
            if route.pinned or children[route.mainline_id]:
                continue
            fee = price.branch_m if route.parent_id else 0.0
            poor = length[k] + (2.0 * fee if length[k] < reach_m else fee) - price.tap_m * own[k]
            if poor > loss + 1e-9:
                worst, loss = k, poor
        if worst < 0:
            return tuple(alive.values())
        count[guests[worst]] -= 1
        children[alive[worst].parent_id] -= 1
        del alive[worst]
        # what the others' own trees are worth changes only where they share some with the line that went
        for k in {k for t in guests[worst].tolist() for k in lines_at[t] if k in alive}:
            own[k] = float(trees.taps[guests[k][count[guests[k]] == 1]].sum())


def _lines_at(guests: list[Ints]) -> dict[int, list[int]]:
    """Return for each tree that any line could serve the lines that could."""
    out: dict[int, list[int]] = {}
    for k, who in enumerate(guests):
        for t in who.tolist():
            out.setdefault(t, []).append(k)
    return out


def spacing(routes: tuple[Route, ...], reach_m: float) -> dict[str, float]:
    """Return ``spacing_m``, the median distance from a mainline to the nearest other one; nothing for a single line.

    Measured every 5 m of every line, except within a reach of its own or another line's join, where two
    lines are near because they meet. Practice is 100 to 150 ft: University of New Hampshire Extension.
    """
    places, owner = [], []
    for k, route in enumerate(routes):
        own = stations_of(route.xy_m)
        s = np.arange(0.0, own[-1] + 2.5, 5.0)
        places.append(np.column_stack((np.interp(s, own, route.xy_m[:, 0]), np.interp(s, own, route.xy_m[:, 1]))))
        owner.append(np.full(s.size, k))
    if len(routes) < 2:
        return {}
    xy, who = np.concatenate(places), np.concatenate(owner)
    starts = np.array([r.xy_m[0] for r in routes])
    far = cKDTree(starts).query(xy)[0] > reach_m
    away = _to_others(xy, who, np.flatnonzero(far))
    return {"spacing_m": float(np.median(away))} if away.size else {}


def _to_others(xy: Floats, who: Ints, asked: Ints) -> Floats:
    """Return for some points the distance to the nearest point of another owner."""
    tree = cKDTree(xy)
    away = np.full(asked.size, np.inf)
    open_ = np.arange(asked.size)
    near = 16
    while open_.size:
        near = min(near, len(xy))
        distance, who_near = tree.query(xy[asked[open_]], k=near)
        other = who[who_near] != who[asked[open_]][:, None]
        found = other.any(axis=1)
        first = other.argmax(axis=1)
        away[open_[found]] = distance[found, first[found]]
        if near == len(xy):
            break
        open_, near = open_[~found], 4 * near
    return away


def bend_findings(network: Network, settings: Settings) -> list[Finding]:
    """Return a finding for each bend or join sharper than allowed."""
    out: list[Finding] = []
    for route in network.routes:
        way = np.diff(route.xy_m, axis=0)
        if route.pinned or way.shape[0] < 2:
            continue
        way = way / np.hypot(way[:, 0], way[:, 1])[:, None]
        turn = np.degrees(np.arccos(np.clip((way[:-1] * way[1:]).sum(axis=1), -1.0, 1.0)))
        own = stations_of(route.xy_m)
        out.extend(
            Finding(
                "SHARP_BEND", "check", "mainlines", route.mainline_id, round(float(turn[k]), 1),
                settings.mainlines.max_bend_deg, "deg",
                f"{route.mainline_id} turns {turn[k]:.0f} degrees at station {own[k + 1]:.1f} m: nothing gentler "
                "falls enough there.",
                "Brace the support at the bend, or make the turn in two steps if the ground allows.",
            )
            for k in np.flatnonzero(turn > settings.mainlines.max_bend_deg + 0.01).tolist()
        )
    return out


def worth_curve(
    graph: Graph, cover: Cover, state: State, price: Price, reach_m: float, network: Network
) -> tuple[tuple[float, int, float], ...]:
    """Return (worth of a tap, taps in reach, metres of mainline) at a few prices.

    The layout itself is cut back at lower prices and grown on at higher ones, so that each row is a
    layout that can be laid and none of them reaches fewer taps than the one before. Straightening
    is not repeated: what it did to taps and metres at the set price is taken to hold for all.
    """
    _, own_m, own_taps = state_kernel.cost_of(graph, cover, state, price)
    rows: dict[float, tuple[float, float]] = {1.0: (own_taps, own_m)}
    for shares in (sorted((v for v in CURVE if v < 1.0), reverse=True), sorted(v for v in CURVE if v > 1.0)):
        s = layout.copy_state(state)
        for share in shares:
            p = Price(price.tap_m * share, price.branch_m, price.ladder)
            layout.adapt(graph, cover, s, p, reach_m, grow=share > 1.0)
            _, length, taps = state_kernel.cost_of(graph, cover, s, p)
            rows[share] = (taps, length)
    curve = tuple((price.tap_m * share, int(taps), float(length)) for share, (taps, length) in sorted(rows.items()))
    most = int(network.stats["taps_servable"])
    made = curve_as_built(curve, price.tap_m, int(network.stats["taps_in_reach"]), network.stats["mainline_m"])
    return tuple((w, min(t, most), m) for w, t, m in made)


def curve_as_built(
    curve: tuple[tuple[float, int, float], ...], tap_m: float, taps: int, mainline_m: float
) -> tuple[tuple[float, int, float], ...]:
    """Return a worth curve scaled so that its row at the set worth says what was built."""
    own = next((row for row in curve if row[0] == tap_m), None)
    if own is None or own[1] <= 0 or own[2] <= 0.0:
        return curve
    by_taps, by_length = taps / own[1], mainline_m / own[2]
    return tuple((w, taps if w == tap_m else int(t * by_taps), m * by_length) for w, t, m in curve)
