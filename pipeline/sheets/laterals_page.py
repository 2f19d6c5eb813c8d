"""The lateral table: where each enters, its trees in order, what to cut and what must be levelled."""

from __future__ import annotations

from math import isfinite

from pipeline.records import Lateral, Section
from pipeline.sheets.compose import Composer, say
from pipeline.sheets.context import SheetContext
from pipeline.sheets.geo import geo_uri_fine
from pipeline.sheets.marks import Page
from pipeline.sheets.table import BODY_PT, WRITE_IN_ROW_PT, Cell, Column, Row
from pipeline.sheets.text import width_pt
from pipeline.takeoff.tally import CUT_SLACK, tubing_m

_FLAT = "▼"


def build(ctx: SheetContext, section: Section) -> list[Page]:
    """Return the lateral pages of a section alone."""
    pages = Composer(ctx, section.section_id, ctx.w("laterals.title"), ctx.w("laterals.subtitle"))
    fill(ctx, pages, section)
    return pages.pages()


def fill(ctx: SheetContext, pages: Composer, section: Section) -> None:
    """Add the table of a section's laterals and their sums."""
    laterals = in_line_order(ctx, section)
    if not laterals:
        pages.para(ctx.w("laterals.none"))
        return
    rows: list[Row] = []
    taps = 0
    for lateral in laterals:
        taps += lateral.taps
        rows.append(_row(ctx, lateral, taps))
    _notes(ctx, pages)
    pages.table(rows, _columns(ctx, laterals), row_height=WRITE_IN_ROW_PT, reserve_pt=20.0, even=False)
    pages.space(3.0)
    cut = sum(tubing_m(lateral, ctx.plan.trees) for lateral in laterals)
    pages.para(ctx.w(
        "laterals.total", laterals=len(laterals), trees=sum(len(lat.tree) for lat in laterals), taps=taps,
        length=say(ctx, ctx.units.length(cut)),
    ), size=10.0, bold=True)


def _notes(ctx: SheetContext, pages: Composer) -> None:
    """Add what the columns and marks mean, above the table: read before the first lateral is run."""
    aim = ctx.plan.settings.laterals.aim_grade_pct
    pages.para(" ".join((
        ctx.w("laterals.note_trees", unit=say(ctx, ctx.units.length_unit)),
        ctx.w("laterals.note_flat", aim=say(ctx, f"{aim:.1f}"), slack=f"{100 * CUT_SLACK:.0f}"),
        ctx.w("laterals.note_level"),
    )))
    pages.space(2.0)


def in_line_order(ctx: SheetContext, section: Section) -> list[Lateral]:
    """Return the laterals of a section as the crew meets them: piece by piece, upward."""
    order = {name: i for i, name in enumerate(section.mainline_ids)}
    laterals = [ctx.plan.laterals[i] for i in section.lateral]
    return sorted(laterals, key=lambda lat: (order.get(lat.mainline_id, 0), lat.entry_station_m, lat.lateral_id))


def _columns(ctx: SheetContext, laterals: list[Lateral]) -> list[Column]:
    longest = max(width_pt(lateral.lateral_id, BODY_PT, bold=True) for lateral in laterals)
    unit = say(ctx, ctx.units.length_unit)

    def title(key: str) -> str:
        return ctx.w(f"laterals.{key}", unit=unit).replace("|", "\n")

    return [
        Column(title("col_lateral"), min(max(52.0, longest + 8.0), 90.0), bold=True),
        Column(title("col_entry"), 50.0, "right", bold=True, wrap=True),
        Column(title("col_trees"), 100.0, wrap=True, flex=1.0),
        Column(title("col_taps"), 30.0, "right", bold=True), Column(title("col_running"), 34.0, "right"),
        Column(title("col_length"), 44.0, "right", wrap=True), Column(title("col_cut"), 34.0, "right", bold=True),
        Column(title("col_grade"), 56.0, "center", bold=True, wrap=True),
        Column(title("col_built"), 34.0), Column(title("col_done"), 27.0, "center", tick=True),
    ]


def _row(ctx: SheetContext, lateral: Lateral, running: int) -> Row:
    units = ctx.units
    lon, lat = (float(v) for v in ctx.plan.frame.lonlat(lateral.xyz_m[0, 0], lateral.xyz_m[0, 1]))
    uri = geo_uri_fine(lon, lat) if ctx.plan.frame.on_earth else ""
    x, y, z = (float(v) for v in lateral.xyz_m[0])
    entry_m = z - float(ctx.terrain.sample(x, y))
    grade = lateral.min_grade_pct
    flat = _FLAT if round(grade, 1) < ctx.plan.settings.laterals.aim_grade_pct else ""
    height = say(ctx, units.height_value(entry_m)) if isfinite(entry_m) else "?"
    word = ctx.w(f"laterals.grade_{lateral.grade_confidence.replace(' ', '_')}").replace(" ", "\u00a0")
    length, cut = (say(ctx, units.length_value(v)) for v in (lateral.length_m, tubing_m(lateral, ctx.plan.trees)))
    return [
        Cell(lateral.lateral_id, tag="lateral"),
        Cell(f"{say(ctx, units.station(lateral.entry_station_m))}\n{height}", uri=uri, tag="entry"),
        trees_text(ctx, lateral), str(lateral.taps), str(running),
        f"{length}\n{say(ctx, units.height_value(lateral.fall_m))}", cut,
        f"{say(ctx, f'{grade:.1f}')}{flat}\n{word}", "", "",
    ]


def trees_text(ctx: SheetContext, lateral: Lateral) -> str:
    """Return tag, taps and height of the lateral at each tree, from the entry outward."""
    trees = ctx.plan.trees
    words = []
    for t, z in zip(lateral.tree, lateral.xyz_m[1:, 2], strict=True):
        height = float(z - trees.ground_z_m[t])
        shown = f" {say(ctx, ctx.units.height_value(height))}" if isfinite(height) else ""
        # fixed spaces keep tag, taps and height of one tree on one line
        words.append(f"{trees.tree_id[t]}×{int(trees.taps[t])}{shown}".replace(" ", "\u00a0"))
    return " → ".join(words)
