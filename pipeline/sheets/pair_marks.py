"""A wet and dry pair on paper: where it runs, where its two lines are joined, and how it is drawn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from pipeline.hydraulics.risers import riser_stations
from pipeline.records import Mainline
from pipeline.sheets import symbols
from pipeline.sheets.context import SheetContext
from pipeline.sheets.labels import LabelField
from pipeline.sheets.lookup import line_at, lookup
from pipeline.sheets.map_labels import direction, place
from pipeline.sheets.mapview import MapView
from pipeline.sheets.marks import WHITE, Line, Mark, Point, Polygon, Polyline
from pipeline.sheets.profile_bands import Chart, Strip
from pipeline.sheets.section_view import Piece

DRY_PT = 1.7
DRY_DASH = (5.0, 2.6)
MAP_BESIDE_PT = 6.6  # beside the wet line, clear of its supports
PROFILE_ABOVE_PT = 10.0  # above the wet line, clear of the signs of laterals; not to scale
HEIGHTS_UP_PT = 8.0  # figures of heights stand this much higher over a pair
_SAME_PLACE_M = 0.001
_BELOW_M = 0.01  # a branch meets the pipe just below it, as the take-off counts


@dataclass(frozen=True, slots=True)
class PairRun:
    """Where a dry line runs along a stretch of mainline, and the stations at which it is joined to the wet line."""

    low_m: float
    high_m: float
    manifolds_m: tuple[float, ...]
    risers_m: tuple[float, ...]

    def holds(self, station_m: float) -> bool:
        """Whether the dry line passes a station."""
        return self.low_m - _SAME_PLACE_M <= station_m <= self.high_m + _SAME_PLACE_M


def pair_run(ctx: SheetContext, line: Mainline, low_m: float, high_m: float) -> PairRun | None:
    """Return the pair along a stretch of a mainline, ``None`` where a single line does.

    Manifolds stand at the top of the pair, at every branch and at the collection point, risers
    between them: the same places as the take-off counts.
    """
    dry = [p for p in lookup(ctx.plan).pipes.get(line.mainline_id, ()) if p.role == "dry"]
    if not dry:
        return None
    foot, head = min(p.from_station_m for p in dry), max(p.to_station_m for p in dry)
    low, high = max(low_m, foot), min(high_m, head)
    if high - low <= _SAME_PLACE_M:
        return None
    joins = [m.join_station_m for m in lookup(ctx.plan).branches.get(line.mainline_id, ())]
    branches = [s for s in joins if foot <= max(s - _BELOW_M, 0.0) <= head]
    manifolds = {head, *branches} if line.parent_id else {foot, head, *branches}
    risers = riser_stations(supports_m=line.station_m.tolist(), manifolds_m=joins, foot_m=foot, head_m=head)
    run = PairRun(low, high, (), ())
    return PairRun(
        low, high, tuple(s for s in sorted(manifolds) if run.holds(s)), tuple(s for s in risers if run.holds(s))
    )


# ---------------------------------------------------------------- map


def map_dry_line(ctx: SheetContext, piece: Piece, window: MapView, field: LabelField) -> list[Mark]:
    """Return the dry line of a piece, dashed to the left of the wet one looking up it."""
    run = pair_run(ctx, piece.line, piece.low_m, piece.high_m)
    if run is None:
        return []
    inner = [float(s) for s in piece.stations_m if run.low_m < s < run.high_m]
    x, y, _ = line_at(piece.line, [run.low_m, *inner, run.high_m])
    wet = shapely.linestrings(window.page(np.column_stack((x, y))))
    beside = shapely.offset_curve(wet, MAP_BESIDE_PT, join_style="mitre", mitre_limit=2.0)
    parts = [shapely.get_coordinates(part) for part in shapely.get_parts(beside) if not part.is_empty]
    field.lines(parts, 24.0, reach=1)
    lines = tuple(tuple((round(px, 2), round(py, 2)) for px, py in part.tolist()) for part in parts)
    return dry_strokes(lines)


def dry_strokes(lines: tuple[tuple[Point, ...], ...]) -> list[Mark]:
    """Return dashed strokes on white."""
    return [
        Polyline(lines, DRY_PT + 1.6, WHITE, round_cap=False),
        Polyline(lines, DRY_PT, symbols.MAINLINE, dash=DRY_DASH, round_cap=False),
    ]


def map_joints(ctx: SheetContext, piece: Piece, window: MapView, field: LabelField) -> tuple[list[Mark], list[str]]:
    """Return manifolds and risers of a piece, and which of both there are."""
    run = pair_run(ctx, piece.line, piece.low_m, piece.high_m)
    if run is None:
        return [], []
    marks: list[Mark] = []
    for stations, draw, reach in ((run.risers_m, riser, 1.5), (run.manifolds_m, manifold, 4.0)):
        for station in stations:
            x, y = place(piece, station, window)
            dx, dy = direction(piece, station, window)
            along = float(np.hypot(dx, dy)) or 1.0
            top = x - dy / along * MAP_BESIDE_PT, y + dx / along * MAP_BESIDE_PT
            marks += draw((x, y), top)
            field.block_disc(*top, reach)
    return marks, [kind for kind, found in (("manifold", run.manifolds_m), ("riser", run.risers_m)) if found]


def riser(wet: Point, dry: Point) -> list[Mark]:
    """Return the bar between wet and dry line."""
    return [Line(*wet, *dry, 2.4, WHITE), Line(*wet, *dry, 1.2)]


def manifold(wet: Point, dry: Point) -> list[Mark]:
    """Return the bar between wet and dry line with a diamond on the dry one."""
    x, y = dry
    r = 3.7
    rim = ((x - r, y), (x, y - r), (x + r, y), (x, y + r))
    return [*riser(wet, dry), Polygon((rim,), fill=WHITE, width=1.2)]


# ---------------------------------------------------------------- profile


def profile_dry_line(ctx: SheetContext, chart: Chart, strip: Strip) -> list[Mark]:
    """Return the dry line above the wet one with manifolds and risers; the gap is not to scale."""
    line = strip.piece.line
    run = pair_run(ctx, line, strip.low_m, strip.high_m)
    if run is None:
        return []

    def at(station_m: float, above_pt: float) -> Point:
        return round(chart.x(station_m), 2), round(chart.y(float(line_at(line, station_m)[2])) + above_pt, 2)

    inner = [s.station_m for s in strip.supports if run.low_m < s.station_m < run.high_m]
    marks = dry_strokes((tuple(at(s, PROFILE_ABOVE_PT) for s in (run.low_m, *inner, run.high_m)),))
    for stations, draw in ((run.risers_m, riser), (run.manifolds_m, manifold)):
        for station in stations:
            marks += draw(at(station, 1.3), at(station, PROFILE_ABOVE_PT))
    return marks
