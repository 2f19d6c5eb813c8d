"""The section map: what is built where, on true ground, with a position a phone can follow."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.records import Section
from pipeline.sheets.context import SheetContext
from pipeline.sheets.map_draw import MapDrawing, draw_map
from pipeline.sheets.map_labels import dropped_text
from pipeline.sheets.map_panel import NOTE_STEP_PT, detail_foot, note_pt, panel
from pipeline.sheets.mapview import MapView, fit_view, ratios, tiles
from pipeline.sheets.marks import Box, Group, Page, Rect
from pipeline.sheets.paper import body_page, body_rect
from pipeline.sheets.section_view import SectionView, all_points_m, section_view

Floats = npt.NDArray[np.float64]

PANEL_PT = 190.0  # height of the strip with key, scale and code under the map
_MAP_MARGIN_PT = 44.0  # room for labels between the outermost line and the frame
_LEAST_RATIO = 235.0  # larger scales show a crew no more of the ground
_DETAIL_OVERLAP_PT = 60.0
_DETAIL_FOOT_PT = 48.0  # under a detail map, its note left out
TAG_RATIO_LEAST = 1900  # smaller scales never carry tree tags
# a detail map is at least this much larger than the main map, and at these scales
_DETAIL_SHARE, _DETAIL_FROM, _DETAIL_RATIO = 0.7, 475.0, 965.0
_DETAILED = ("tag", "support", "lateral", "end", "crossing")
# So many lost labels are told in words; more of them get detail maps. Tags are painted on the trees and stand in
# the lateral table in walking order, so more of them may be missed. Ours.
_FEW_TAGS, _TAG_SHARE = 8, 0.2
_FEW_NAMED = 5


def build(ctx: SheetContext, section: Section) -> list[Page]:
    """Return the map page of a section, and detail pages where the section is too dense for one map."""
    view = section_view(ctx, section)
    body = body_rect(ctx)
    frame = Rect(body.x0, body.y0 + PANEL_PT, body.x1, body.y1)
    window = fit_view(
        ctx.plan.frame, all_points_m(view), frame, us=ctx.units.is_us, margin_pt=_MAP_MARGIN_PT,
        least_ratio=_LEAST_RATIO,
    )
    drawing, unnamed = _main_map(ctx, view, window)
    dense = bool(len(unnamed))
    title = ctx.w("map.title")
    subtitle = ctx.w(
        "map.subtitle", name=ctx.plan.settings.bush.name, length=ctx.units.length(view.length_m),
        laterals=len(view.laterals), taps=section.taps,
    )
    note = _note(ctx, drawing, dense=dense)
    room = Rect(body.x0, body.y0, body.x1, frame.y0 - 4.0)
    marks = [_figure(ctx, view, drawing), *panel(ctx, view, drawing, room, note)]
    geo = window.geo_box(ctx.plan.frame, f"{section.section_id} {title}")
    pages = [body_page(ctx, section.section_id, title, subtitle, marks, geo)]
    return pages + (_details(ctx, view, window, subtitle, unnamed, _note(ctx, drawing, dense=False)) if dense else [])


def _main_map(ctx: SheetContext, view: SectionView, window: MapView) -> tuple[MapDrawing, Floats]:
    """Return the main map, and the plan points of what it could not name: they go to detail maps."""
    tags = window.ratio <= TAG_RATIO_LEAST
    drawing = draw_map(ctx, view, window, tags=tags)
    lost = np.array([(d.x, d.y) for d in drawing.dropped if d.kind in _DETAILED]).reshape(-1, 2)
    points = window.plan(lost)
    if not tags:
        return drawing, all_points_m(view)
    tags_lost = sum(d.kind == "tag" for d in drawing.dropped)
    if tags_lost <= max(_FEW_TAGS, _TAG_SHARE * len(view.tree)) and len(points) - tags_lost <= _FEW_NAMED:
        return drawing, points[:0]
    return drawing, points


def _details(
    ctx: SheetContext, view: SectionView, window: MapView, subtitle: str, points: Floats, note: str
) -> list[Page]:
    """Return what the main map could not name, at a scale where it can be; `note` is the main map's."""
    body = body_rect(ctx)
    name = view.section.section_id
    room_pt = max(NOTE_STEP_PT, note_pt(note, body.width))
    while True:  # a note that takes more lines makes the map lower: once more at the most, as a rule never
        frame = Rect(body.x0, body.y0 + _DETAIL_FOOT_PT + room_pt, body.x1, body.y1)
        drawings = _detail_maps(ctx, view, window, frame, points)
        notes = [_note(ctx, drawing, dense=False) for drawing in drawings]
        wanted = max(note_pt(text, body.width) for text in notes)
        if wanted <= room_pt:
            break
        room_pt = wanted
    pages = []
    for number, (drawing, text) in enumerate(zip(drawings, notes, strict=True), start=1):
        title = ctx.w("map.detail_title", number=number)
        foot = detail_foot(ctx, drawing, Rect(body.x0, body.y0, body.x1, frame.y0 - 4.0), text)
        geo = drawing.view.geo_box(ctx.plan.frame, f"{name} {title}")
        pages.append(body_page(ctx, name, title, subtitle, [_figure(ctx, view, drawing), *foot], geo))
    return pages


def _detail_maps(
    ctx: SheetContext, view: SectionView, window: MapView, frame: Rect, points: Floats
) -> list[MapDrawing]:
    """Return as few maps as show all the points, at the largest scale at which so few do."""
    most = max(min(_DETAIL_RATIO, window.ratio * _DETAIL_SHARE), _LEAST_RATIO)
    choices = [r for r in ratios(us=ctx.units.is_us) if min(_DETAIL_FROM, most) - 1.0 <= r <= most + 1.0]
    cut = [tiles(window, points, ratio, frame, _DETAIL_OVERLAP_PT) for ratio in choices or [most]]
    return [draw_map(ctx, view, tile, tags=True) for tile in min(cut, key=len)]


def _figure(ctx: SheetContext, view: SectionView, drawing: MapDrawing) -> Group:
    alt = ctx.w(
        "map.alt_map", section=view.section.section_id, laterals=len(view.laterals), taps=view.section.taps,
        ratio=f"{drawing.view.ratio:.0f}",
    )
    if "dry" in drawing.kinds:
        alt = f"{alt} {ctx.w('common.alt_pair')}"
    frame = Box(drawing.view.rect, width=1.4)
    return Group((Group(tuple(drawing.marks), clip=drawing.view.rect), frame), role="Figure", alt=alt)


def _note(ctx: SheetContext, drawing: MapDrawing, *, dense: bool) -> str:
    """Return what this map does not show or could not place; never silent."""
    parts = []
    if ctx.plan.not_checked:
        keys = [f"common.{kind}" for kind in ctx.plan.not_checked]
        names = [ctx.w(key) if ctx.has(key) else key.partition(".")[2] for key in keys]
        parts.append(ctx.w("map.not_checked_layers", layers=", ".join(names)))
    if "post" in drawing.kinds:
        reach = ctx.units.height(ctx.plan.settings.mainlines.support_reach_m)
        parts.append(ctx.w("map.post_note", reach=reach))
    if dense:
        parts.append(ctx.w("map.tags_on_panels"))
    parts.append(dropped_text(ctx, drawing.dropped))
    return "  ".join(parts)
