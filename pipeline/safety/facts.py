"""What a section's own data say about danger: measured once, judged by the triggers.

Distances are plan distances from the section's lines and trees, made smaller by the
GPS spread of the survey, because a tree's true place may be that much nearer.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache

import numpy as np
import numpy.typing as npt
import shapely
from scipy.ndimage import distance_transform_edt
from shapely.geometry import LineString, Point
from shapely.geometry.base import BaseGeometry

from pipeline.records import (
    Crossing,
    Flow,
    Ground,
    Grouping,
    Lateral,
    Mainline,
    Section,
    Station,
    Support,
    Trees,
)
from pipeline.settings import Settings
from pipeline.terrain.grid import Terrain

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

CORRIDOR_M = 5.0  # the crew walks this near the lines (E5 names 5 m for ledges); ours
SLOPE_BASE_M = 3.0  # slope is taken over this length: a boulder is no hillside; ours
LEDGE_BASE_M = 2.0  # a ledge drops within this length; ours
LEDGE_DROP_M = 2.0  # E5; ours
FINE_CELL_M = 2.0  # a coarser grid cannot show a ledge of that base
WALK_M_MIN = 40.0  # off the trail, loaded; ours
TREE = "tree:"  # before the tag of a tree that a lateral passes; printed in the reader's language
ADULT_DBH_CM = 25.0  # D9: thinner anchor trees are not trusted; ours


@dataclass(frozen=True, slots=True)
class Facts:
    """Measurements of one section; NaN or empty where there is nothing to measure.

    ``near_m`` holds the distance to each kind of ground layer that was supplied
    (``inf`` when the layer has no shape); kinds not in it were not supplied.
    ``heights_m`` names every support and tree with its line's height above ground.
    """

    length_m: float
    longest_m: float
    heights_m: tuple[tuple[str, float], ...]
    trees_held: frozenset[str]  # names in heights_m that stand at a tree
    posts: tuple[str, ...]
    bends_deg: tuple[tuple[str, float], ...]
    weak_anchors: tuple[str, ...]
    slope_max_pct: float
    slope_at_pct: dict[str, float]  # ground slope at supports
    coarse_cell: bool
    ledge_visible: bool
    ledge_drop_m: float
    ledge_at: str
    near_m: dict[str, float]
    touches: frozenset[str]  # kinds whose shapes the lines run through
    crossings: tuple[Crossing, ...]
    dead_near: tuple[str, ...]
    dead_per_ha: float
    stations: tuple[Station, ...]  # collection points in the section
    walk_in_min: float
    away_m: dict[str, float] = field(default_factory=dict)  # as near_m, before the spread is taken off


def measure(
    *, section: Section, mainlines: tuple[Mainline, ...], grouping: Grouping, trees: Trees, flow: Flow,
    crossings: tuple[Crossing, ...], ground: Ground, terrain: Terrain, settings: Settings,
) -> Facts:
    """Return the measurements of a section.

    Parameters are the records of the plan; see :func:`pipeline.safety.notes`.
    """
    by_id = {m.mainline_id: m for m in mainlines}
    laterals = [grouping.laterals[i] for i in section.lateral]
    pieces = [(by_id[m], a, b) for m, a, b in section.pieces]
    lines = [_piece(m, a, b) for m, a, b in pieces]
    supports = [s for m, a, b in pieces for s in m.supports if a - 1e-6 <= s.station_m <= b + 1e-6]
    work = shapely.union_all(np.array([*lines, *(LineString(la.xyz_m[:, :2]) for la in laterals)]))
    spread_m = settings.trees.gps_error_m
    slope, ledge = _ground_facts(terrain, work, supports)
    away: dict[str, float] = {}
    for layer in ground.layers:  # a kind may come in several layers: the nearest shape counts
        away[layer.kind] = min(_distance(work, layer.shapes), away.get(layer.kind, math.inf))
    dead, per_ha = _dead_trees(trees, work, dead_reach_m(settings), section)
    heights = [*((s.support_id, s.height_m) for s in supports), *_tree_heights(laterals, trees)]
    return Facts(
        length_m=float(sum(b - a for _, a, b in pieces)),
        longest_m=max((b - a for _, a, b in pieces), default=0.0),
        heights_m=tuple(heights),
        trees_held=frozenset(
            [s.support_id for s in supports if s.kind == "tree" or s.tree_id]
            + [name for name, _ in heights if name.startswith(TREE)]
        ),
        posts=tuple(s.support_id for s in supports if s.kind == "post"),
        bends_deg=tuple(b for m, a, b_m in pieces for b in _bends(m, a, b_m)),
        weak_anchors=_weak_anchors(supports, trees),
        slope_max_pct=slope[0], slope_at_pct=slope[1], coarse_cell=terrain.cell_m > CORRIDOR_M,
        ledge_visible=terrain.cell_m <= FINE_CELL_M, ledge_drop_m=ledge[0], ledge_at=_place(ledge[1], pieces, lines),
        near_m={kind: max(0.0, distance - spread_m) for kind, distance in away.items()},
        touches=frozenset(
            layer.kind for layer in ground.layers if _distance(work, layer.shapes) <= layer.rule.buffer_m
        ),
        crossings=_own_crossings(crossings, section, laterals), dead_near=dead, dead_per_ha=per_ha,
        stations=_stations(pieces, flow), walk_in_min=_walk_in(section, terrain, settings),
        away_m=away,
    )


def _piece(mainline: Mainline, from_m: float, to_m: float) -> LineString:
    own = mainline.station_m
    x, y, _ = mainline.at(np.concatenate(([from_m], own[(own > from_m) & (own < to_m)], [to_m])))
    return LineString(np.column_stack((x, y)))


def _distance(work: BaseGeometry, shapes: tuple[BaseGeometry, ...]) -> float:
    """Return the least distance from the work to shapes; an area counts from its inside too."""
    return min((float(work.distance(shape)) for shape in shapes), default=math.inf)


def _tree_heights(laterals: list[Lateral], trees: Trees) -> list[tuple[str, float]]:
    """Return the height of each lateral above ground at its trees, named ``"tree:TAG"``."""
    return [
        (f"{TREE}{trees.tree_id[t].replace(';', ',')}", float(z - trees.ground_z_m[t]))
        for la in laterals for t, z in zip(la.tree, la.xyz_m[1:, 2], strict=True)
    ]


def _bends(mainline: Mainline, from_m: float, to_m: float) -> list[tuple[str, float]]:
    """Return the turn in plan at each inner support."""
    xyz = mainline.xyz_m
    step = np.diff(xyz[:, :2], axis=0)
    heading = np.degrees(np.arctan2(step[:, 1], step[:, 0]))
    turn = np.abs((np.diff(heading) + 180.0) % 360.0 - 180.0)
    return [
        (s.support_id, float(t))
        for s, t in zip(mainline.supports[1:-1], turn, strict=True) if from_m <= s.station_m <= to_m
    ]


@lru_cache(maxsize=1)
def _row_of(trees: Trees) -> dict[str, int]:
    """Return the row of each tree by its ID: made once for all sections."""
    return {name: i for i, name in enumerate(trees.tree_id)}


@lru_cache(maxsize=1)
def dead_rows(trees: Trees) -> Ints:
    """Return the rows of the dead trees whose place is known: found once for all sections."""
    dead = np.array([reason == "DEAD" for reason in trees.reason], dtype=np.bool_)
    return np.flatnonzero(dead & np.isfinite(trees.x_m))


def _weak_anchors(supports: list[Support], trees: Trees) -> tuple[str, ...]:
    """Return anchors at dead or thin trees."""
    at = _row_of(trees)
    weak = []
    for s in supports:
        if s.kind == "anchor" and s.tree_id in at:
            i = at[s.tree_id]
            if trees.reason[i] == "DEAD" or trees.dbh_cm[i] < ADULT_DBH_CM:
                weak.append(s.support_id)
    return tuple(weak)


def _own_crossings(
    crossings: tuple[Crossing, ...], section: Section, laterals: list[Lateral]
) -> tuple[Crossing, ...]:
    """Return the crossings of the section's pieces and laterals."""
    names = {la.lateral_id for la in laterals}
    return tuple(
        c for c in crossings
        if c.line_id in names
        or any(m == c.line_id and a - 1e-6 <= c.station_m <= b + 1e-6 for m, a, b in section.pieces)
    )


def dead_reach_m(settings: Settings) -> float:
    """Return how near to the work a dead tree is named: two tree lengths and the spread of the GPS."""
    return 2.0 * settings.sheets.tree_height_m + settings.trees.gps_error_m


def _dead_trees(
    trees: Trees, work: BaseGeometry, within_m: float, section: Section
) -> tuple[tuple[str, ...], float]:
    """Return dead trees within a distance of the work, and how many stand on a hectare of the outline."""
    x0, y0, x1, y1 = shapely.total_bounds([work, section.outline])
    every = dead_rows(trees)
    x, y = trees.x_m[every], trees.y_m[every]
    by = max(within_m, 0.0)
    dead = every[(x >= x0 - by) & (x <= x1 + by) & (y >= y0 - by) & (y <= y1 + by)].tolist()
    points = [Point(trees.x_m[i], trees.y_m[i]) for i in dead]
    near = tuple(trees.tree_id[i] for i, p in zip(dead, points, strict=True) if work.distance(p) <= within_m)
    inside = sum(section.outline.covers(p) for p in points)
    return near, 10_000.0 * inside / max(section.outline.area, 1.0)


def _stations(pieces: list[tuple[Mainline, float, float]], flow: Flow) -> tuple[Station, ...]:
    """Return the collection points whose line ends in this section."""
    held = {m.collection_id for m, a, _ in pieces if not m.parent_id and a <= m.supports[0].station_m}
    return tuple(s for s in flow.stations if s.collection_id in held)


def _walk_in(section: Section, terrain: Terrain, settings: Settings) -> float:
    """Return minutes from the meeting point to the far side of the section; NaN when not known."""
    lon, lat = settings.sheets.meeting_lon, settings.sheets.meeting_lat
    if not (math.isfinite(lon) and math.isfinite(lat) and terrain.frame.on_earth):
        return math.nan
    x, y = terrain.frame.from_lonlat(lon, lat)
    return float(shapely.hausdorff_distance(section.outline, Point(float(x), float(y)))) / WALK_M_MIN


def _place(xy: tuple[float, float] | None, pieces: list[tuple[Mainline, float, float]], lines: list[LineString]) -> str:
    """Return the nearest place on a mainline as data, ``"M1@125.400"``."""
    if xy is None or not lines:
        return ""
    point = Point(xy)
    i = min(range(len(lines)), key=lambda k: lines[k].distance(point))
    return f"{pieces[i][0].mainline_id}@{pieces[i][1] + lines[i].project(point):.3f}"


# ---------------------------------------------------------------- terrain


def _ground_facts(
    terrain: Terrain, work: BaseGeometry, supports: list[Support]
) -> tuple[tuple[float, dict[str, float]], tuple[float, tuple[float, float] | None]]:
    """Return (worst slope, slope at supports) and (highest ledge, where) in the corridor of the work."""
    z, near, corner = _window(terrain, work)
    slope = _slope_pct(z, terrain.cell_m)
    in_corridor = np.where(near, slope, np.nan)
    worst = float(np.nanmax(in_corridor)) if np.isfinite(in_corridor).any() else math.nan
    at_support = {}
    for s in supports:
        row, col = terrain.rowcol(s.x_m, s.y_m)
        r, c = round(float(row)) - corner[0], round(float(col)) - corner[1]
        if 0 <= r < slope.shape[0] and 0 <= c < slope.shape[1]:
            at_support[s.support_id] = float(slope[r, c])
    return (worst, at_support), _ledge(z, near, corner, terrain)


def _window(terrain: Terrain, work: BaseGeometry) -> tuple[Floats, npt.NDArray[np.bool_], tuple[int, int]]:
    """Return elevations around the work, which cells lie in its corridor, and the window's first cell."""
    step = terrain.cell_m / 2.0
    xy = shapely.get_coordinates(shapely.segmentize(work, step))
    row, col = terrain.rowcol(xy[:, 0], xy[:, 1])
    pad = int(np.ceil((CORRIDOR_M + SLOPE_BASE_M) / terrain.cell_m)) + 1
    rows, cols = terrain.shape
    r0, r1 = (int(np.clip(v, 0, rows)) for v in (np.floor(row.min()) - pad, np.ceil(row.max()) + pad + 1))
    c0, c1 = (int(np.clip(v, 0, cols)) for v in (np.floor(col.min()) - pad, np.ceil(col.max()) + pad + 1))
    z = terrain.z_m[r0:r1, c0:c1].astype(np.float64)
    if not z.size:
        return np.full((1, 1), np.nan), np.zeros((1, 1), dtype=np.bool_), (r0, c0)
    far = np.ones(z.shape, dtype=np.bool_)
    rr = np.clip(np.rint(row).astype(np.intp) - r0, 0, z.shape[0] - 1)
    cc = np.clip(np.rint(col).astype(np.intp) - c0, 0, z.shape[1] - 1)
    far[rr, cc] = False
    near = np.asarray(distance_transform_edt(far)) * terrain.cell_m <= CORRIDOR_M
    return z, near, (r0, c0)


def _slope_pct(z: Floats, cell_m: float) -> Floats:
    """Return the ground slope over the base length; NaN where a neighbour is missing."""
    k = max(1, round(SLOPE_BASE_M / 2.0 / cell_m))
    out = np.full(z.shape, np.nan)
    if min(z.shape) > 2 * k:
        dy = (z[2 * k:, k:-k] - z[:-2 * k, k:-k]) / (2 * k * cell_m)
        dx = (z[k:-k, 2 * k:] - z[k:-k, :-2 * k]) / (2 * k * cell_m)
        out[k:-k, k:-k] = 100.0 * np.hypot(dx, dy)
    return out


def _ledge(
    z: Floats, near: npt.NDArray[np.bool_], corner: tuple[int, int], terrain: Terrain
) -> tuple[float, tuple[float, float] | None]:
    """Return the highest drop within the ledge's base length in the corridor, and where."""
    k = max(1, round(LEDGE_BASE_M / terrain.cell_m))
    best, where = 0.0, None
    for axis in (0, 1):
        if terrain.cell_m > FINE_CELL_M or z.shape[axis] <= k:
            continue
        low, high = (slice(None, -k), slice(k, None))
        a, b = (low, high) if axis == 0 else ((slice(None), low), (slice(None), high))
        drop = np.where(near[a] | near[b], np.abs(z[b] - z[a]), 0.0)
        drop = np.nan_to_num(drop)
        at = np.unravel_index(int(np.argmax(drop)), drop.shape)
        if drop[at] > best:
            best = float(drop[at])
            x, y = terrain.xy(at[0] + corner[0], at[1] + corner[1])
            where = (float(x), float(y))
    return best, where if best > LEDGE_DROP_M else None
