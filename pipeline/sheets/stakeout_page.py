"""The stake-out table: where every support stands and how high the line hangs there."""

from __future__ import annotations

from dataclasses import dataclass
from math import isfinite

import numpy as np

from pipeline.records import Crossing, Mainline, Section, Support
from pipeline.sections import where_place
from pipeline.sheets.compose import Composer, say
from pipeline.sheets.context import SheetContext
from pipeline.sheets.doubt import confidence_at, level_word
from pipeline.sheets.geo import (
    Declination,
    decimal,
    declination,
    geo_uri_fine,
    magnetic_bearing_deg,
    true_bearing_deg,
)
from pipeline.sheets.lookup import line_at, lookup, row_of
from pipeline.sheets.marks import Box, Group, Line, Mark, Page, Rect, Text
from pipeline.sheets.pair_marks import PairRun, pair_run
from pipeline.sheets.table import Cell, Column, Row
from pipeline.sheets.text import fit
from pipeline.units import FT_M, feet_inches

ROW_PT = 22.0
NUMBER_PT = 8.8
_SETUP_PT = 18.0  # one set-up of the level on the worksheet
_HIGH, _LOW = "▲", "▼"


@dataclass(frozen=True, slots=True)
class _Point:
    """One row: a support, a crossing or the place where a branch joins."""

    station_m: float
    name: str
    kind: str
    held_by: str
    x_m: float
    y_m: float
    ground_z_m: float
    line_z_m: float
    offset_m: float
    has_support: bool
    needed_m: float = 0.0


def build(ctx: SheetContext, section: Section) -> list[Page]:
    """Return the stake-out pages of a section alone."""
    pages = Composer(ctx, section.section_id, ctx.w("stakeout.title"), ctx.w("stakeout.subtitle"))
    fill(ctx, pages, section)
    return pages.pages()


def fill(ctx: SheetContext, pages: Composer, section: Section) -> None:
    """Add one table per piece of mainline, then the level worksheet."""
    lines = lookup(ctx.plan).line
    bench = _bench(section, lines)
    magnetic = _declination(ctx, section, lines)
    for mainline_id, low, high in section.pieces:
        line = lines[mainline_id]
        pages.heading(_piece_title(ctx, section, line, low, high))
        points = _points(ctx, line, low, high)
        rows = [
            _row(ctx, line, (point, points[i + 1] if i + 1 < len(points) else None), magnetic)
            for i, point in enumerate(points)
        ]
        pages.table(rows, _columns(ctx), size=NUMBER_PT, row_height=ROW_PT, even=False)
        pair = pair_run(ctx, line, low, high)
        if pair is not None:
            stations = (say(ctx, ctx.units.station(s)) for s in (pair.low_m, pair.high_m))
            pages.para(ctx.w("stakeout.pair", **dict(zip(("low", "high"), stations, strict=True))), bold=True)
        pages.space()
    if any(pair_run(ctx, lines[name], low, high) for name, low, high in section.pieces):
        pages.para(ctx.w("stakeout.note_pair"), bold=True)
    _notes(ctx, pages, magnetic)
    pages.space()
    _worksheet(ctx, pages, bench)


def _bench(section: Section, lines: dict[str, Mainline]) -> Support:
    """Return the support at the section's lower end: its ground is the benchmark."""
    mainline_id, low, high = section.pieces[0]
    inside = [s for s in lines[mainline_id].supports if low - 1e-6 <= s.station_m <= high + 1e-6]
    return inside[0] if inside else lines[mainline_id].supports[0]


def _declination(ctx: SheetContext, section: Section, lines: dict[str, Mainline]) -> Declination | None:
    bench = _bench(section, lines)
    lon, lat = ctx.plan.frame.lonlat(bench.x_m, bench.y_m)
    return declination(round(float(lon), 3), round(float(lat), 3), round(bench.ground_z_m, -1), ctx.date)


def _piece_title(ctx: SheetContext, section: Section, line: Mainline, low: float, high: float) -> str:
    """Return what the piece is, and what lies below and above it."""
    station = say(ctx, ctx.units.station(low)), say(ctx, ctx.units.station(high))
    title = ctx.w("stakeout.piece", line=line.mainline_id, low=station[0], high=station[1])
    return "   ·   ".join((title, *_ends(ctx, section, line, low, high)))


def _ends(ctx: SheetContext, section: Section, line: Mainline, low: float, high: float) -> list[str]:
    """Return words for the lower and the upper end of a piece."""
    met: dict[tuple[str, float], list[str]] = {}
    for other, where in section.neighbours:
        met.setdefault(where_place(where), []).append(other)
    words = []
    if low > line.supports[0].station_m + 1e-6:
        others = met.get((line.mainline_id, round(low, 3)), [])
        words.append(ctx.w("stakeout.from_section", sections=", ".join(others) or "?"))
    elif line.parent_id:
        at = say(ctx, ctx.units.station(line.join_station_m))
        words.append(ctx.w("stakeout.joins", line=line.parent_id, station=at))
    else:
        words.append(ctx.w("stakeout.ends_at", collection=line.collection_id))
    others = met.get((line.mainline_id, round(high, 3)), [])
    if high < line.plan_length_m - 1e-6 or others:
        words.append(ctx.w("stakeout.to_section", sections=", ".join(others) or "?"))
    return words


def _points(ctx: SheetContext, line: Mainline, low: float, high: float) -> list[_Point]:
    """Return supports, crossings and branch joins of a piece in station order."""
    pair = pair_run(ctx, line, low, high)
    out = [_support_point(ctx, s, pair) for s in line.supports if low - 1e-6 <= s.station_m <= high + 1e-6]
    held = {round(p.station_m, 2) for p in out}
    out += [
        _crossing_point(ctx, line, c) for _, c in lookup(ctx.plan).crossings.get(line.mainline_id, ())
        if low - 1e-6 <= c.station_m <= high + 1e-6
    ]
    for edge in (low, high):
        if round(edge, 2) not in held:
            out.append(_plain_point(ctx, line, edge, "joint"))
    held |= {round(edge, 2) for edge in (low, high)}
    for station in pair.manifolds_m if pair is not None else ():
        if round(station, 2) not in held:
            out.append(_plain_point(ctx, line, station, "manifold"))
    return sorted(out, key=lambda p: (p.station_m, not p.has_support, p.name))


def _support_point(ctx: SheetContext, support: Support, pair: PairRun | None) -> _Point:
    """Return a support: on trees the tag, species and diameter say what it is, elsewhere its kind."""
    kind = "" if support.tree_id and support.kind == "tree" else ctx.w(f"stakeout.kind_{support.kind}")
    tree, rest = _held_by(ctx, support)
    rest = " ".join(w for w in (rest, _joint(ctx, support, pair)) if w)
    return _Point(
        support.station_m, support.support_id.rpartition("-")[2], " ".join(w for w in (kind, tree) if w), rest,
        support.x_m, support.y_m, support.ground_z_m, support.line_z_m, support.offset_m, has_support=True,
    )


def _held_by(ctx: SheetContext, support: Support) -> tuple[str, str]:
    """Return the tag of the tree that holds the line; its species and diameter, and the branches that join."""
    words = []
    trees = ctx.plan.trees
    at = row_of(trees).get(support.tree_id, -1)
    if at >= 0:
        words.append(ctx.words.get(f"species.{trees.species[at]}", trees.species[at]))
        if isfinite(float(trees.dbh_cm[at])):
            size = ctx.units.diameter_value(float(trees.dbh_cm[at]))
            words.append(say(ctx, f"{size} {ctx.units.diameter_unit}").replace(" ", "\u00a0"))
    joins = [
        m.mainline_id for m in lookup(ctx.plan).branches.get(support.mainline_id, ())
        if abs(m.join_station_m - support.station_m) < 0.01
    ]
    if joins:
        words.append(ctx.w("stakeout.branch", lines=", ".join(joins)))
    tag = ctx.w("stakeout.tag", tag=support.tree_id) if support.tree_id else ""
    return tag, " ".join(words)


def _joint(ctx: SheetContext, support: Support, pair: PairRun | None) -> str:
    """Return what joins wet and dry line at a support."""
    if pair is None:
        return ""
    for key, stations in (("with_manifold", pair.manifolds_m), ("with_riser", pair.risers_m)):
        if any(abs(s - support.station_m) < 0.01 for s in stations):
            return ctx.w(f"stakeout.{key}")
    return ""


def _crossing_point(ctx: SheetContext, line: Mainline, crossing: Crossing) -> _Point:
    z = float(line_at(line, crossing.station_m)[2])
    return _Point(
        crossing.station_m, crossing.crossing_id, ctx.w("stakeout.kind_crossing"),
        _crossed(ctx, crossing), crossing.x_m, crossing.y_m, z - crossing.clearance_m, z, 0.0, has_support=False,
        needed_m=crossing.needed_m,
    )


def _crossed(ctx: SheetContext, crossing: Crossing) -> str:
    """Return what is crossed, and the height asked for when there is one."""
    what = crossing.name or ctx.w(f"common.{crossing.kind}")
    if crossing.needed_m <= 0.0:
        return what
    return f"{what}, {ctx.w('stakeout.needs', height=say(ctx, ctx.units.height(crossing.needed_m)))}"


def _plain_point(ctx: SheetContext, line: Mainline, station_m: float, kind: str) -> _Point:
    x, y, z = (float(v) for v in line_at(line, station_m))
    ground = float(ctx.terrain.sample(x, y))
    return _Point(station_m, "—", ctx.w(f"stakeout.kind_{kind}"), "", x, y, ground, z, 0.0, has_support=False)


def _columns(ctx: SheetContext) -> list[Column]:
    unit = say(ctx, ctx.units.length_unit)

    def title(key: str) -> str:
        return ctx.w(f"stakeout.{key}", unit=unit).replace("|", "\n")

    return [
        Column(title("col_point"), 29.0, bold=True), Column(title("col_station"), 47.0, "right", bold=True),
        Column(title("col_held"), 66.0, wrap=True, flex=1.0), Column(title("col_offset"), 41.0, "center"),
        Column(title("col_place"), 58.0, "right", wrap=True), Column(title("col_z"), 43.0, "right", wrap=True),
        Column(title("col_height"), 46.0, "right", bold=True, wrap=True),
        Column(title("col_next"), 36.0, "right", bold=True), Column(title("col_bearing"), 36.0, "right", wrap=True),
        Column(title("col_fall"), 54.0, "right", wrap=True),
        Column(title("col_built"), 38.0), Column(title("col_set"), 25.0, "center", tick=True),
    ]


def _row(
    ctx: SheetContext, line: Mainline, stretch: tuple[_Point, _Point | None], magnetic: Declination | None
) -> Row:
    """Return the row of a point, with what the stretch above it needs."""
    point, following = stretch
    units = ctx.units
    lon, lat = (float(v) for v in ctx.plan.frame.lonlat(point.x_m, point.y_m))
    on_earth = ctx.plan.frame.on_earth
    place = f"{decimal(lat)}\n{decimal(lon)}" if on_earth else f"{point.x_m:.1f}\n{point.y_m:.1f}"
    height = point.line_z_m - point.ground_z_m
    return [
        Cell(point.name, tag="point"), say(ctx, units.station(point.station_m)),
        " ".join(text for text in (point.kind, point.held_by) if text), _offset(ctx, point),
        Cell(place, uri=geo_uri_fine(lon, lat) if on_earth else "", tag="place"),
        say(ctx, f"{units.elevation_value(point.ground_z_m)}\n{units.elevation_value(point.line_z_m)}"),
        Cell(_height(ctx, height, point.needed_m), tag="height"),
        *_to_next(ctx, line, point, following, magnetic), "", "",
    ]


def _height(ctx: SheetContext, height_m: float, needed_m: float) -> str:
    """Return the height with a mark when it is out of the usual, and in feet and inches for a tape."""
    rules = ctx.plan.settings.mainlines
    low = height_m < max(rules.lowest_m, needed_m) - 1e-6
    mark = _HIGH if height_m > rules.ladder_m + 1e-6 else _LOW if low else ""
    text = mark + say(ctx, ctx.units.height_value(height_m))
    return f"{text}\n{feet_inches(height_m)}" if ctx.units.is_us else text


def _offset(ctx: SheetContext, point: _Point) -> str:
    """Return on which side of the line the tree stands, looking up the line, and how far."""
    if not point.has_support or abs(point.offset_m) < 0.005:
        return ""
    side = ctx.w("stakeout.right" if point.offset_m > 0 else "stakeout.left")
    return f"{side} {say(ctx, ctx.units.height_value(abs(point.offset_m)))}"


def _to_next(
    ctx: SheetContext, line: Mainline, point: _Point, following: _Point | None, magnetic: Declination | None
) -> tuple[str, str, str]:
    """Return distance, bearings and fall of the stretch above a point."""
    if following is None:
        return "", "", ""
    run = following.station_m - point.station_m
    true_deg = true_bearing_deg(ctx.plan.frame, (point.x_m, point.y_m), (following.x_m, following.y_m))
    bearing = f"{_degrees(true_deg)}"
    if magnetic is not None:
        bearing += f"\nM{_degrees(magnetic_bearing_deg(true_deg, magnetic))}"
    rise = following.line_z_m - point.line_z_m
    grade = 100.0 * rise / run if run > 0.0 else float("nan")
    fall = say(ctx, f"{rise / FT_M if ctx.units.is_us else rise:.2f}")
    doubt = level_word(ctx, confidence_at(ctx, line, (point.station_m + following.station_m) / 2.0))
    return (
        say(ctx, ctx.units.length_value(run, 1)), bearing,
        f"{fall} · {say(ctx, f'{grade:.1f}')}" + (f"\n{doubt}" if doubt else ""),
    )


def _degrees(angle_deg: float) -> str:
    return f"{round(angle_deg) % 360:03d}°"


def _notes(ctx: SheetContext, pages: Composer, magnetic: Declination | None) -> None:
    """Add what the marks mean and how far the numbers may be trusted."""
    rules, units = ctx.plan.settings.mainlines, ctx.units
    marks = ctx.w(
        "stakeout.note_marks", high=say(ctx, units.height(rules.ladder_m)), low=say(ctx, units.height(rules.lowest_m)),
    )
    spread = say(ctx, units.length(ctx.plan.settings.trees.gps_error_m))
    on_earth = ctx.plan.frame.on_earth
    place = ctx.w("stakeout.note_position", spread=spread) if on_earth else ctx.w("stakeout.note_local")
    pages.para(f"{marks} {place}")
    post = ctx.w("stakeout.note_post", reach=say(ctx, units.height(rules.support_reach_m)))
    pages.para(f"{post} {_compass_note(ctx, magnetic)}", bold=True)


def _compass_note(ctx: SheetContext, magnetic: Declination | None) -> str:
    if magnetic is None:
        return ctx.w("stakeout.note_no_compass")
    direction = ctx.w("stakeout.east" if magnetic.angle_deg >= 0 else "stakeout.west")
    return ctx.w(
        "stakeout.note_compass", angle=say(ctx, f"{abs(magnetic.angle_deg):.1f}"), direction=direction,
        model=magnetic.model, change=f"{magnetic.change_min_per_year:+.0f}′",
    )


def _worksheet(ctx: SheetContext, pages: Composer, bench: Support) -> None:
    """Add the benchmark and the arithmetic of target rod readings."""
    where = f"{bench.mainline_id} {bench.support_id.rpartition('-')[2]}"
    z = say(ctx, f"{ctx.units.elevation_value(bench.ground_z_m)} {ctx.units.length_unit}")
    title, size = fit(ctx.w("stakeout.bench_where", where=where, elevation=z), 11.0, pages.body.width, bold=True)
    pages.heading(title, keep_pt=84.0, size=size)
    pages.para(ctx.w("stakeout.bench_how"))
    setups = min(3, max(2, int((pages.left_pt - 20.0) / _SETUP_PT)))
    pages.block(20.0 + _SETUP_PT * setups, lambda rect: _sheet_marks(ctx, rect, setups))


def _sheet_marks(ctx: SheetContext, rect: Rect, setups: int) -> list[Mark]:
    """Return boxes to write in, one row per set-up of the level."""
    heads = [ctx.w(f"stakeout.work_{k}") for k in ("setup", "at", "rod", "above", "instrument", "target")]
    edges = np.cumsum([0.0, 0.09, 0.17, 0.17, 0.19, 0.19, 0.19]) * rect.width + rect.x0
    marks: list[Mark] = [Box(Rect(rect.x0, rect.y0 + 2.0, rect.x1, rect.y1), width=1.2)]
    marks += [Line(x, rect.y0 + 2.0, x, rect.y1, 0.5) for x in edges[1:-1].tolist()]
    for i in range(setups):
        y = rect.y1 - 18.0 - _SETUP_PT * i
        marks.append(Line(rect.x0, y, rect.x1, y, 1.0 if i == 0 else 0.5))
        marks.append(Text(float(edges[0]) + 5.0, y - 12.5, str(i + 1), 9.0, bold=True))
    for x, head in zip(edges[:-1].tolist(), heads, strict=True):
        marks.append(Group((Text(x + 3.5, rect.y1 - 12.0, head, 7.6, bold=True),), role="P"))
    return marks
