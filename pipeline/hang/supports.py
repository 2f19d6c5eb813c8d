"""Where a mainline is held: survey trees first, posts where there is none, as few as the ground allows."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from scipy.spatial import cKDTree

from pipeline.hang.choose_kernel import choose
from pipeline.hang.window import along, blocked, window_heights
from pipeline.records import Floats, Ground, Mask, SupportKind, Trees
from pipeline.settings import MainlineSettings
from pipeline.terrain.grid import Terrain

ANCHOR_BEND_DEG = 30.0  # a sharper turn pulls hard enough to need an anchor; common practice, no source
LEAST_TRUNK_CM = 10.0  # thinner stems sway with the wire; common practice, no source
TREE_PRICE = 1.0
POST_PRICE = 3.0  # a post has to be carried in and dug
LEAST_SPAN_M = 0.6  # two supports nearer than this are one
CHECK_M = 0.25  # how closely blocked ground and candidate posts are looked at
SAMPLE_M = 0.5
STRAIGHT_M = 1e-4  # a vertex this near the straight line is no bend
ISLAND_M = 2.0  # open ground between blocked cells no longer than this is part of the crossing
SIDE_TREE_M = 1.5  # beside a crossing a tree this near the edge stands for a post on it
UNUSABLE_REASONS = ("DEAD", "DUPLICATE", "BAD_POSITION", "OUTSIDE_PROPERTY", "OFF_TERRAIN", "NO_GROUND")


@dataclass(frozen=True, slots=True)
class Stand:
    """A place on a line where something holds it."""

    station_m: float
    kind: SupportKind
    tree_id: str = ""
    offset_m: float = 0.0
    must: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Stems:
    """Living trees that can hold a line, with an index for looking them up by place."""

    tree_id: tuple[str, ...]
    xy_m: Floats
    index: cKDTree


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """A line in plan: vertices in station order and their stations."""

    xy_m: Floats
    station_m: Floats

    @property
    def length_m(self) -> float:
        """Plan length."""
        return float(self.station_m[-1])

    def at(self, station_m: float | Floats) -> tuple[Floats, Floats]:
        """Return x and y at stations."""
        return along(self.xy_m, self.station_m, station_m)


@dataclass(frozen=True, slots=True)
class Start:
    """What a line's lower end must meet.

    ``low_z_m`` to ``high_z_m`` are the elevations it may have; ``inlet`` tells that the window opens
    as far as needed at this end and tapers to its full rule at the first support.
    """

    low_z_m: float
    high_z_m: float
    inlet: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """The stands of one line and the elevations at which a wire can pass each of them."""

    stands: tuple[Stand, ...]
    low_z_m: Floats
    high_z_m: Floats
    blocked_m: tuple[float, ...]  # stations of stands that had to be on blocked ground


def path_of(xy_m: Floats) -> Path:
    """Return the plan path through vertices."""
    steps = np.hypot(*np.diff(xy_m, axis=0).T)
    return Path(xy_m=xy_m, station_m=np.concatenate(([0.0], np.cumsum(steps))))


def bends_only(xy_m: Floats) -> Floats:
    """Return the vertices without those that lie on the straight line between their neighbours."""
    kept = [0]
    for i in range(1, len(xy_m) - 1):
        a, b = xy_m[kept[-1]], xy_m[i + 1]
        chord = b - a
        off = abs(chord[0] * (xy_m[i, 1] - a[1]) - chord[1] * (xy_m[i, 0] - a[0])) / max(float(np.hypot(*chord)), 1e-9)
        if off > STRAIGHT_M:
            kept.append(i)
    return xy_m[[*kept, len(xy_m) - 1]]


def stems_of(trees: Trees, terrain: Terrain, ground: Ground) -> Stems:
    """Return the trees that can hold a line: alive, once each, thick enough, on ground where a support may stand.

    Trees that are not tapped (too small to tap, another species) may well hold a line.
    """
    xy = np.column_stack([trees.x_m, trees.y_m]).astype(np.float64)
    thin = np.nan_to_num(trees.dbh_cm, nan=np.inf) < LEAST_TRUNK_CM
    fit = np.isfinite(xy).all(axis=1) & ~thin
    fit &= np.array([r not in UNUSABLE_REASONS for r in trees.reason], dtype=np.bool_)
    keep = np.flatnonzero(fit)
    keep = keep[~blocked(terrain, ground, xy[keep, 0], xy[keep, 1])] if keep.size else keep
    points = xy[keep].reshape(-1, 2)
    return Stems(
        tree_id=tuple(trees.tree_id[int(i)] for i in keep),
        xy_m=points,
        index=cKDTree(points if len(points) else np.zeros((1, 2))),
    )


def _offset(direction: Floats, delta: Floats) -> float:
    """Return a signed distance: positive to the right of the direction."""
    size = float(np.hypot(*delta))
    side = float(delta @ np.array([direction[1], -direction[0]]))
    return size if side >= 0.0 else -size


def tree_at(path: Path, station_m: float, stems: Stems, reach_m: float) -> tuple[str, float]:
    """Return the nearest tree within reach of a point of a line, and its offset; ``("", 0.0)`` for none."""
    if not stems.tree_id:
        return "", 0.0
    here = np.array([float(v) for v in path.at(station_m)])
    distance, which = stems.index.query(here, distance_upper_bound=reach_m)
    if not np.isfinite(distance):
        return "", 0.0
    i = int(np.clip(np.searchsorted(path.station_m, station_m, side="right") - 1, 0, len(path.station_m) - 2))
    return stems.tree_id[int(which)], _offset(path.xy_m[i + 1] - path.xy_m[i], stems.xy_m[int(which)] - here)


def _trees_beside(path: Path, stems: Stems, reach_m: float) -> list[Stand]:
    """Return a stand for every tree within reach of the line, at its projection."""
    found: list[Stand] = []
    if not stems.tree_id:
        return found
    for i in range(len(path.station_m) - 1):
        a, b = path.xy_m[i], path.xy_m[i + 1]
        length = float(path.station_m[i + 1] - path.station_m[i])
        near = sorted(stems.index.query_ball_point((a + b) / 2.0, length / 2.0 + reach_m))
        if not near:
            continue
        unit = (b - a) / length
        delta = stems.xy_m[near] - a
        t = delta @ unit
        off = delta @ np.array([unit[1], -unit[0]])
        found.extend(
            Stand(float(path.station_m[i] + t[k]), "tree", stems.tree_id[near[k]], float(off[k]))
            for k in np.flatnonzero((t > 0.0) & (t < length) & (np.abs(off) <= reach_m))
        )
    return found


def bend_deg(path: Path) -> Floats:
    """Return the turn at each vertex in degrees; 0 at both ends."""
    turn = np.zeros(len(path.xy_m))
    heading = np.degrees(np.arctan2(*np.diff(path.xy_m, axis=0).T))
    turn[1:-1] = np.abs((np.diff(heading) + 180.0) % 360.0 - 180.0)
    return turn


def _fixed(path: Path, joins_m: Sequence[float], stems: Stems, reach_m: float) -> list[Stand]:
    """Return the stands that have no choice of place: ends, bends, joins."""
    turn = bend_deg(path)
    places = dict.fromkeys(float(s) for s in path.station_m)
    for join in sorted(joins_m):
        if min(abs(join - s) for s in places) > 1e-3:
            places[join] = None
    ends = (0.0, path.length_m)
    sharp = {float(s) for s, t in zip(path.station_m, turn, strict=True) if t > ANCHOR_BEND_DEG}
    out = []
    for s in sorted(places):
        tree_id, offset = tree_at(path, s, stems, reach_m)
        kind: SupportKind = "anchor" if s in ends or s in sharp else ("tree" if tree_id else "post")
        out.append(Stand(s, kind, tree_id, offset, must=True))
    return out


def _sides(station_m: Floats, shut: Mask, beside: Sequence[Stand], fixed: Sequence[Stand]) -> list[Stand]:
    """Return a stand on each side of every run of blocked ground: a tree close by, else a post at the edge."""
    edge = np.diff(shut.astype(np.int8))
    out: list[Stand] = []
    for up, i in [(False, int(k)) for k in np.flatnonzero(edge == 1)] + [
        (True, int(k) + 1) for k in np.flatnonzero(edge == -1)
    ]:
        s = float(station_m[i])
        low, high = (s, s + SIDE_TREE_M) if up else (s - SIDE_TREE_M, s)
        # a bend, join or end this close to the edge already is the support beside the crossing
        if any(low - 1e-9 <= f.station_m <= high + 1e-9 for f in fixed):
            continue
        trees = [t for t in beside if low <= t.station_m <= high]
        stand = min(trees, key=lambda t: abs(t.station_m - s)) if trees else Stand(s, "post")
        if all(abs(stand.station_m - o.station_m) >= LEAST_SPAN_M for o in out):
            out.append(replace(stand, must=True))
    return out


def _filled(shut: Mask, longest_m: float) -> Mask:
    """Return blocked samples with small islands between them shut as well.

    Cells make a slanting crossing ragged: the open corner between two of its cells is no place for a support.
    An island stays open where a span over all of it would be too long.
    """
    out = shut.copy()
    edge = np.diff(np.concatenate(([False], shut, [False])).astype(np.int8))
    begin, end = np.flatnonzero(edge == 1), np.flatnonzero(edge == -1)
    run_from = begin[0] if begin.size else 0
    for k in range(len(begin) - 1):
        small = (begin[k + 1] - end[k]) * CHECK_M <= ISLAND_M
        if small and (end[k + 1] - run_from + 2) * CHECK_M + 2.0 * SIDE_TREE_M <= longest_m:
            out[end[k] : begin[k + 1]] = True
        else:
            run_from = begin[k + 1]
    return out


def _thin_out(fixed: Sequence[Stand], others: Sequence[Stand]) -> list[Stand]:
    """Return fixed stands and those others that are not on top of a fixed one, in station order."""
    at = np.array(sorted(f.station_m for f in fixed))
    own = np.array([o.station_m for o in others])
    i = np.searchsorted(at, own)
    away = np.minimum(np.abs(own - at[np.maximum(i - 1, 0)]), np.abs(at[np.minimum(i, len(at) - 1)] - own))
    clear = [others[int(k)] for k in np.flatnonzero(away >= LEAST_SPAN_M)]
    return sorted([*fixed, *clear], key=lambda c: (c.station_m, c.kind != "tree", abs(c.offset_m), c.tree_id))


def _price(stand: Stand, reach_m: float) -> float:
    if stand.kind == "post":
        return POST_PRICE
    return TREE_PRICE + 0.3 * abs(stand.offset_m) / max(reach_m, 0.1)


def _candidates(
    path: Path, joins_m: Sequence[float], terrain: Terrain, ground: Ground, stems: Stems, rules: MainlineSettings
) -> tuple[list[Stand], tuple[float, ...]]:
    """Return every place worth a support, in station order, and the fixed ones on blocked ground."""
    grid = np.linspace(0.0, path.length_m, max(int(np.ceil(path.length_m / CHECK_M)), 1) + 1)
    shut = _filled(blocked(terrain, ground, *path.at(grid)), rules.max_support_gap_m)
    fixed = _fixed(path, joins_m, stems, rules.support_reach_m)
    on_blocked = blocked(terrain, ground, *path.at(np.array([f.station_m for f in fixed])))
    trees = _trees_beside(path, stems, rules.support_reach_m)
    bad = blocked(terrain, ground, *path.at(np.array([t.station_m for t in trees])))
    taken = {f.tree_id for f in fixed}
    beside = [
        t
        for t, shut_off in zip(trees, bad, strict=True)
        if not shut_off and not shut[_nearest(grid, t.station_m)] and t.tree_id not in taken
    ]
    forced = tuple(f.station_m for f, hit in zip(fixed, on_blocked, strict=True) if hit)
    fixed = _thin_out(fixed, _sides(grid, shut, beside, fixed))
    stride = 4 if rules.max_support_gap_m > 4.0 else 1
    posts = [Stand(float(s), "post") for s in grid[~shut & (np.arange(grid.size) % stride == 0)]]
    posts += [p for p in _even(fixed, beside, rules.max_support_gap_m) if not shut[_nearest(grid, p.station_m)]]
    return _thin_out(fixed, [*beside, *posts]), forced


def _nearest(grid_m: Floats, s: float) -> int:
    return int(np.clip(np.rint(s / max(grid_m[-1], 1e-9) * (len(grid_m) - 1)), 0, len(grid_m) - 1))


def _even(fixed: Sequence[Stand], beside: Sequence[Stand], longest_m: float) -> list[Stand]:
    """Return the posts that part the way from one given place or tree to the next evenly, as few as will do.

    Posts on a round grid alone would now and then need one more.
    """
    at = np.unique([c.station_m for c in (*fixed, *beside)])
    out: list[Stand] = []
    for a, b in pairwise(at):
        parts = int(np.ceil((b - a) / longest_m - 1e-9))
        out.extend(Stand(float(a + (b - a) * i / parts), "post") for i in range(1, parts))
    return out


def choose_stands(
    *,
    path: Path,
    start: Start,
    joins_m: Sequence[float],
    terrain: Terrain,
    ground: Ground,
    stems: Stems,
    rules: MainlineSettings,
) -> Choice:
    """Return the cheapest supports on which a straight wire can hang legally.

    Ends, bends, joins and the sides of crossings are given; between them a dynamic programme picks
    trees before posts, spans no longer than the rule, each with some straight wire in the window that
    falls enough and goes on from the one below. Where no choice does, the span is used nevertheless:
    the heights will show what breaks there.
    """
    stands, on_blocked = _candidates(path, joins_m, terrain, ground, stems, rules)
    station = np.array([c.station_m for c in stands])
    count = max(int(np.ceil(path.length_m / SAMPLE_M)), 1)
    s = np.linspace(0.0, path.length_m, count + 1)
    lower, upper = _bounds(path, station, terrain, ground, rules)
    s_low, s_high = _bounds(path, s, terrain, ground, rules)
    drop, rise = 0.0, 0.0
    if start.inlet:
        drop, rise = max(0.0, lower[0] - start.low_z_m), max(0.0, start.low_z_m - upper[0])
    lower[0] = start.low_z_m if start.inlet else max(lower[0], start.low_z_m)
    upper[0] = max(upper[0], start.low_z_m) if start.inlet else min(upper[0], start.high_z_m)
    picked, z_low, z_high = choose(
        station,
        np.array([_price(c, rules.support_reach_m) for c in stands]),
        np.array([c.must for c in stands]),
        lower, upper, s, s_low, s_high,
        np.searchsorted(s, station).astype(np.int64),
        rules.max_support_gap_m, rules.min_grade_pct / 100.0, drop, rise,
    )
    return Choice(tuple(stands[int(i)] for i in picked), z_low, z_high, on_blocked)


def _bounds(
    path: Path, station_m: Floats, terrain: Terrain, ground: Ground, rules: MainlineSettings
) -> tuple[Floats, Floats]:
    """Return lowest and highest wire at stations; a change of window counts half a sample to either side."""
    x, y = path.at(station_m)
    z = terrain.sample(x, y)
    lows, highs = zip(
        *(
            window_heights(terrain, ground, *path.at(np.clip(station_m + d, 0.0, path.length_m)))
            for d in (-SAMPLE_M / 2.0, 0.0, SAMPLE_M / 2.0)
        ),
        strict=True,
    )
    lower = z + np.max(lows, axis=0) + rules.sag_allowance_m
    upper = z + np.min(highs, axis=0)
    return _bridged(station_m, lower), _bridged(station_m, upper)


def _bridged(station_m: Floats, z_m: Floats) -> Floats:
    """Return elevations with gaps in the ground bridged, for choosing only: the heights stage reports them."""
    known = np.isfinite(z_m)
    if known.all() or not known.any():
        return np.nan_to_num(z_m)
    return np.interp(station_m, station_m[known], z_m[known])
