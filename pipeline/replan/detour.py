"""A new way for a mainline: the grade-window search round blown ground, straightened and hung."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from pipeline import hang
from pipeline.mainlines.search import Sources, cheapest
from pipeline.records import Floats, Mainline, Network, Route, Support
from pipeline.replan.regroup import crosses
from pipeline.replan.site import HIT_M, Site
from pipeline.terrain.burn import covered
from pipeline.wire import chord_rules

MARGIN_M = 60.0  # how far round a damaged stretch the way is looked for
CLEAR_M = 1.5  # a new line keeps this far from lines that stay, on the search grid
STEEPER_PCT = 0.2  # the search asks for a little more fall than the rule, so that the wire can be hung
AIR_M = 0.15  # and for a little more air under and over the line
OPEN_M = 2.0  # round both ends of a new way the search may pass beside lines that stay
END_M, EDGE_M = 0.5, 0.25  # straight pieces: free round both ends, off the edge of blown ground
MOST_NODES = 90
NO_WIRE = "no straight wire keeps the rules there"


@dataclass(frozen=True, slots=True)
class Start:
    """A support from which a new stretch may start."""

    mainline_id: str
    index: int
    x_m: float
    y_m: float
    z_m: float
    station_m: float


@dataclass(frozen=True, slots=True, eq=False)
class Way:
    """A new stretch from a start to a target: supports strictly between the two, stations from the start."""

    start: Start
    supports: tuple[Support, ...]
    length_m: float
    xyz_m: Floats
    foot_ground_z_m: float


def find(
    site: Site, *, starts: Sequence[Start], lines: dict[str, Mainline], target: Support, blocked: BaseGeometry,
    staying: Sequence[BaseGeometry], below_deg: float | None, above_deg: float | None, dead_trees: frozenset[str],
) -> Way | str:
    """Return the cheapest new stretch from one of the starts up to a target, or what stands in the way.

    Parameters
    ----------
    starts : sequence of Start
        Sound supports that the stretch may drain to.
    lines : dict
        The mainlines by ID, as they stay.
    target : Support
        Lower end of what hangs on sound supports above; its elevation is met exactly.
    blocked : geometry
        Blown ground and stems: no line goes there.
    staying : sequence of geometry
        Lines that stay and may not be crossed.
    below_deg, above_deg : float or None
        Plan directions of the spans the stretch must go on from and into, None for a branch.
    """
    grid = _window(site, starts, target)
    if grid is None or not starts:
        return "nothing sound to drain to is near"
    found = _search(site, grid, starts, target, blocked, staying)
    if isinstance(found, str):
        return found
    start, path = found
    closed = _obstacles(start, target, blocked, staying)
    xy = _straight(site, grid, closed, path, start, target, below_deg, above_deg)
    if xy is None:
        return "no straight way keeps its fall and height"
    way = shapely.LineString(xy)
    if way.intersects(blocked):
        return "no way on grade leads round the blown ground"
    if any(crosses(way, line) for line in staying):
        return "it would cross a line that stays"
    return _hung(site, xy, start, lines, target, dead_trees)


@dataclass(frozen=True, slots=True, eq=False)
class _Grid:
    """A window of the terrain: first row and column, elevations of the lowest and highest line, cost."""

    row: int
    col: int
    low_m: Floats
    high_m: Floats
    cost: Floats


def _window(site: Site, starts: Sequence[Start], target: Support) -> _Grid | None:
    if not starts:
        return None
    x = np.array([s.x_m for s in starts] + [target.x_m])
    y = np.array([s.y_m for s in starts] + [target.y_m])
    row, col = site.terrain.rowcol(x, y)
    pad = MARGIN_M / site.terrain.cell_m
    rows, cols = site.terrain.shape
    r0, r1 = max(int(row.min() - pad), 0), min(int(row.max() + pad) + 2, rows)
    c0, c1 = max(int(col.min() - pad), 0), min(int(col.max() + pad) + 2, cols)
    here = (slice(r0, r1), slice(c0, c1))
    z = site.terrain.z_m[here].astype(np.float64)
    air = AIR_M + site.plan.settings.mainlines.sag_allowance_m
    return _Grid(
        r0, c0, z + site.ground.lowest_m[here] + air, z + site.ground.highest_m[here] - AIR_M,
        site.ground.cost[here].astype(np.float64),
    )


def _burn(site: Site, grid: _Grid, cost: Floats, shape: BaseGeometry) -> None:
    window, mask = covered(site.terrain, shape)
    r, c = window
    rows, cols = cost.shape
    r0, r1 = max(r.start, grid.row), min(r.stop, grid.row + rows)
    c0, c1 = max(c.start, grid.col), min(c.stop, grid.col + cols)
    if r0 < r1 and c0 < c1:
        part = cost[r0 - grid.row:r1 - grid.row, c0 - grid.col:c1 - grid.col]
        part[mask[r0 - r.start:r1 - r.start, c0 - c.start:c1 - c.start]] = np.inf


def _search(
    site: Site, grid: _Grid, starts: Sequence[Start], target: Support, blocked: BaseGeometry,
    staying: Sequence[BaseGeometry],
) -> tuple[Start, Floats] | str:
    """Return the start and the cells (window rows and columns) of the cheapest way."""
    low, high, cost = grid.low_m.copy(), grid.high_m.copy(), grid.cost.copy()
    touch = 0.75 * site.terrain.cell_m
    for shape in staying:
        _burn(site, grid, cost, shape.buffer(max(CLEAR_M, touch)))
    rows, cols = cost.shape

    def cell(x: float, y: float) -> tuple[int, int]:
        r, c = site.terrain.rowcol(x, y)
        return (min(max(round(float(r)) - grid.row, 0), rows - 1), min(max(round(float(c)) - grid.col, 0), cols - 1))

    end = cell(target.x_m, target.y_m)
    if shapely.Point(target.x_m, target.y_m).distance(blocked) < HIT_M:
        return "blown ground lies at its upper end"
    ring = max(1, round(OPEN_M / site.terrain.cell_m))
    _open(grid, cost, end, ring)
    low[end], high[end] = min(low[end], target.line_z_m), target.line_z_m
    at: dict[tuple[int, int], Start] = {}
    for s in starts:
        here = cell(s.x_m, s.y_m)
        if s.z_m < target.line_z_m and here not in at and here != end:
            at[here] = s
            _open(grid, cost, here, ring)
            low[here], high[here] = min(low[here], s.z_m), max(high[here], s.z_m)
    if not at:
        return "nothing sound lies lower"
    if not blocked.is_empty:
        _burn(site, grid, cost, blocked.buffer(HIT_M + touch))
        for here in (end, *at):  # the ends themselves are sound, however near blown ground lies
            _open(grid, cost, here, 0)
    places = sorted(at)
    found = cheapest(
        low, high, cost, cell_m=site.terrain.cell_m,
        min_grade_pct=chord_rules(site.plan.settings).min_grade_pct + STEEPER_PCT,
        sources=Sources(np.array([p[0] for p in places]), np.array([p[1] for p in places]),
                        np.array([at[p].z_m for p in places])),
    )
    path = found.path(*end)
    if len(path) < 2:
        return "no way on grade leads round the blown ground"
    first = (int(path[0][0]), int(path[0][1]))
    return at[first], np.asarray(path, dtype=np.float64)


def _open(grid: _Grid, cost: Floats, here: tuple[int, int], cells: int) -> None:
    """Let the search leave a support that stands beside lines that stay."""
    r, c = here
    around = (slice(max(r - cells, 0), r + cells + 1), slice(max(c - cells, 0), c + cells + 1))
    part, own = cost[around], grid.cost[around]
    part[np.isinf(part) & np.isfinite(own)] = own[np.isinf(part) & np.isfinite(own)]


# ---------------------------------------------------------------- straightening


def _straight(
    site: Site, grid: _Grid, closed: BaseGeometry, path: Floats, start: Start, target: Support,
    below_deg: float | None, above_deg: float | None,
) -> Floats | None:
    """Return plan vertices from start to target: few bends, fall and height kept along straight pieces.

    A dynamic programme over the path's cells: the state is the cheapest way to a cell with
    the lowest line it allows; a piece is legal when the line, raised no more than needed,
    stays under the window's top all along.
    """
    keep = np.unique(np.linspace(0, len(path) - 1, min(len(path), MOST_NODES)).round().astype(int))
    x, y = site.terrain.xy(path[keep, 0] + grid.row, path[keep, 1] + grid.col)
    xy = np.column_stack([x, y])
    xy[0], xy[-1] = (start.x_m, start.y_m), (target.x_m, target.y_m)
    rules = chord_rules(site.plan.settings)
    n = len(xy)
    cost, z, back = np.full(n, np.inf), np.full(n, np.inf), np.full(n, -1)
    cost[0], z[0] = 0.0, start.z_m
    turn: list[float | None] = [below_deg] + [None] * (n - 1)
    for i in range(n - 1):
        if not np.isfinite(cost[i]):
            continue
        for j in range(i + 1, n):
            heading = _heading(xy[i], xy[j])
            after = above_deg if j == n - 1 else None
            if not (_gentle(turn[i], heading, rules.max_bend_deg) and _gentle(heading, after, rules.max_bend_deg)):
                continue
            length = float(np.hypot(*(xy[j] - xy[i])))
            total = cost[i] + length + rules.bend_cost_m
            if total >= cost[j] - 1e-9:
                continue
            top = _carry(site, grid, xy[i], xy[j], z[i], rules.min_grade_pct / 100.0)
            limit = target.line_z_m if j == n - 1 else np.inf
            if top is None or top > limit or closed.intersects(shapely.LineString([xy[i], xy[j]])):
                continue
            cost[j], z[j], back[j], turn[j] = total, top, i, heading
    if not np.isfinite(cost[-1]):
        return None
    out = [n - 1]
    while back[out[-1]] >= 0:
        out.append(int(back[out[-1]]))
    return np.asarray(xy[out[::-1]])


def _obstacles(
    start: Start, target: Support, blocked: BaseGeometry, staying: Sequence[BaseGeometry]
) -> BaseGeometry:
    """Return what no straight piece may touch: blown ground, and lines that stay but for where both ends meet them."""
    ends = shapely.MultiPoint([(start.x_m, start.y_m), (target.x_m, target.y_m)]).buffer(END_M)
    closed = shapely.union_all([blocked.buffer(EDGE_M), shapely.union_all(list(staying)).difference(ends)])
    shapely.prepare(closed)
    return closed


def _heading(a: Floats, b: Floats) -> float:
    return float(np.degrees(np.arctan2(b[1] - a[1], b[0] - a[0])))


def _gentle(before: float | None, after: float | None, limit_deg: float) -> bool:
    if before is None or after is None:
        return True
    return abs((after - before + 180.0) % 360.0 - 180.0) <= limit_deg - 1.0


def _carry(site: Site, grid: _Grid, a: Floats, b: Floats, z: float, grade: float) -> float | None:
    """Return the lowest elevation of the line at the end of a straight piece, None when it cannot be hung."""
    length = float(np.hypot(*(b - a)))
    count = max(int(np.ceil(length / (0.5 * site.terrain.cell_m))), 1)
    share = np.linspace(0.0, 1.0, count + 1)[1:]
    row, col = site.terrain.rowcol(a[0] + (b[0] - a[0]) * share, a[1] + (b[1] - a[1]) * share)
    r = np.clip(np.rint(row).astype(int) - grid.row, 0, grid.cost.shape[0] - 1)
    c = np.clip(np.rint(col).astype(int) - grid.col, 0, grid.cost.shape[1] - 1)
    if not np.isfinite(grid.cost[r, c]).all():
        return None
    run = share * length
    # the lowest falling line over a floor is the running maximum of the floor less the fall
    need = np.maximum.accumulate(np.maximum(grid.low_m[r, c] - grade * run, z))
    line = need + grade * run
    if (line[:-1] > grid.high_m[r, c][:-1]).any():
        return None
    return float(line[-1])


# ---------------------------------------------------------------- hanging


def _hung(
    site: Site, xy: Floats, start: Start, lines: dict[str, Mainline], target: Support, dead_trees: frozenset[str]
) -> Way | str:
    """Return the stretch with supports and heights, meeting both ends exactly."""
    plan = site.plan
    name = "new"
    parent = lines[start.mainline_id]
    length = float(np.hypot(*np.diff(xy, axis=0).T).sum())
    routes = (
        Route(parent.mainline_id, "", parent.collection_id, 0.0, parent.xyz_m[:, :2], parent.xyz_m[:, 2], pinned=True),
        Route(name, parent.mainline_id, parent.collection_id, start.station_m, xy,
              np.linspace(start.z_m, target.line_z_m, len(xy))),
    )
    network = Network(routes, ("",) * len(plan.trees), plan.lift_m)
    trees = replace(plan.trees, reason=tuple(
        "DEAD" if tag in dead_trees else r for tag, r in zip(plan.trees.tree_id, plan.trees.reason, strict=True)
    ))
    try:
        low, _ = hang.hang_low(network=network, terrain=site.terrain, ground=site.ground, trees=trees,
                               collections=plan.collections, settings=plan.settings)
        made, said = hang.hang_final(
            mainlines=low, ceilings=((name, length, target.line_z_m),), terrain=site.terrain, ground=site.ground,
            collections=plan.collections, settings=plan.settings,
        )
    except RuntimeError:  # no heights at all meet both ends
        return NO_WIRE
    if any(f.code == "HANG_INFEASIBLE" and f.subject_id in (name, "") for f in said):
        return NO_WIRE
    line = next(m for m in made if m.mainline_id == name)
    xyz = line.xyz_m.copy()
    xyz[-1] = (target.x_m, target.y_m, target.line_z_m)
    xyz[0] = (start.x_m, start.y_m, start.z_m)
    fall = np.diff(xyz[:, 2]) / np.maximum(np.hypot(*np.diff(xyz[:, :2], axis=0).T), 1e-9)
    if fall.min() * 100.0 < chord_rules(plan.settings).min_grade_pct:
        return "the new stretch would not fall enough"
    return Way(start, line.supports[1:-1], line.plan_length_m, xyz, line.supports[0].ground_z_m)
