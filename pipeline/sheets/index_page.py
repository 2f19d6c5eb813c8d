"""The index map: every section over relief, and a table that tells which is built."""

from __future__ import annotations

from pipeline.sheets import network_map as net
from pipeline.sheets.context import SheetContext
from pipeline.sheets.map_foot import map_foot
from pipeline.sheets.marks import Box, Group, Mark, Page, Rect, heading, paragraph
from pipeline.sheets.paper import body_page, body_rect
from pipeline.sheets.table import Column, Row, table

_FOOT_PT = 142.0
_SAME_PLACE_M = 0.002


def build(ctx: SheetContext) -> list[Page]:
    """Return the index map with as much of the table as fits beside its scale, and the rest of the table."""
    body = body_rect(ctx)
    frame = Rect(body.x0, body.y0 + _FOOT_PT, body.x1, body.y1)
    found = net.network_map(ctx, frame, with_trees=False)
    outlines, labels = net.section_outlines(ctx, found)
    spots, names = net.places(ctx, found)
    drawn, dropped = net.finish(ctx, found, [*outlines, *spots], [*names, *labels])
    title = ctx.w("index.title")
    subtitle = ctx.w(
        "index.subtitle", name=ctx.plan.settings.bush.name, sections=len(ctx.plan.sections),
        taps=sum(s.taps for s in ctx.plan.sections),
        length=ctx.units.length(sum(line.plan_length_m for line in ctx.plan.mainlines)),
    )
    foot = Rect(body.x0, body.y0, body.x0 + 176.0, frame.y0 - 4.0)
    marks: list[Mark] = [
        Group((Group(tuple(drawn), clip=frame), Box(frame, width=1.4)), role="Figure", alt=ctx.w("index.alt_map")),
        *map_foot(ctx, found.view, grid_words(ctx, found), foot),
    ]
    right = Rect(foot.x1 + 14.0, body.y0, body.x1, frame.y0 - 4.0)
    table_room = Rect(right.x0, right.y0, right.x1, right.y1 - 15.0)
    rows: list[Row] = _rows(ctx)
    marks.append(heading(right.x0, right.y1 - 10.0, ctx.w("index.table"), 10.0))
    if dropped:
        text = ctx.w("map.dropped", what=", ".join(label.text for label in dropped))
        marks.append(paragraph(right.x1, right.y1 - 10.0, text[:90], 6.8, align="right"))
    result = table(rows, _columns(ctx), table_room, size=8.0)
    marks += result.marks
    geo = found.view.geo_box(ctx.plan.frame, title)
    pages = [body_page(ctx, "", title, subtitle, marks, geo)]
    left, done = result.rows_left, len(rows) - len(result.rows_left)
    while left:
        more = table(left, _columns(ctx), body, first_row=done)
        pages.append(body_page(ctx, "", ctx.w("common.continued", title=title), subtitle, more.marks))
        done += len(left) - len(more.rows_left)
        left = more.rows_left
    return pages


def grid_words(ctx: SheetContext, found: net.NetworkMap) -> str:
    """Return what the crosses and contours of a plan map are."""
    name = found.grid.name or ctx.w("map.grid_local")
    words = ctx.w("map.key_grid", step=found.grid.step_m, name=name)
    if not found.contours.step:
        return words
    contour = ctx.w("overview.contour", index=f"{found.contours.index:g}", unit=ctx.units.length_unit)
    return f"{words}  ·  {contour}"


def flows_into(ctx: SheetContext) -> dict[str, tuple[str, ...]]:
    """Return for each section what its sap flows into: the sections, or collection points, right below it.

    A section is of use only once these are built.
    """
    lines = {line.mainline_id: line for line in ctx.plan.mainlines}
    held: dict[str, list[tuple[float, float, str]]] = {}
    for section in ctx.plan.sections:
        for name, low, high in section.pieces:
            held.setdefault(name, []).append((low, high, section.section_id))

    def below(name: str, station_m: float) -> str:
        line = lines[name]
        if station_m <= line.supports[0].station_m + _SAME_PLACE_M:
            return below(line.parent_id, line.join_station_m) if line.parent_id else line.collection_id
        return next(
            (owner for low, high, owner in held.get(name, [])
             if low + _SAME_PLACE_M < station_m <= high + _SAME_PLACE_M), "?",
        )

    return {
        s.section_id: tuple(dict.fromkeys(
            owner for name, low, _ in s.pieces for owner in (below(name, low),) if owner != s.section_id
        )) for s in ctx.plan.sections
    }


def _columns(ctx: SheetContext) -> list[Column]:
    w = ctx.w
    return [
        Column(w("index.col_section"), 42.0, bold=True), Column(w("index.col_lines"), 70.0, flex=1.0),
        Column(w("index.col_into"), 62.0, bold=True, wrap=True),
        Column(w("index.col_hours"), 38.0, "right"), Column(w("index.col_code"), 58.0),
        Column(w("index.col_done"), 34.0, "center", tick=True),
    ]


def _rows(ctx: SheetContext) -> list[Row]:
    into = flows_into(ctx)
    # hours to the half: a plan knows no better
    return [
        (s.section_id, ", ".join(s.mainline_ids), ", ".join(into[s.section_id]),
         f"{round(s.crew_hours * 2.0) / 2.0:g}", ctx.check_code(s.section_id), "")
        for s in ctx.plan.sections
    ]
