"""The whole network over relief: shared by the index map and the overview."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
import numpy.typing as npt
import shapely

from pipeline.sheets import symbols
from pipeline.sheets.context import SheetContext
from pipeline.sheets.contour_layer import Contours, contours, figures, smooth
from pipeline.sheets.ground_layer import GroundDrawing, draw_ground
from pipeline.sheets.labels import Label, LabelField, place_all
from pipeline.sheets.local import words_local
from pipeline.sheets.map_grid import Grid, grid
from pipeline.sheets.map_labels import meeting_point
from pipeline.sheets.mapview import MapView, fit_view
from pipeline.sheets.marks import BLACK, WHITE, GreyImage, Mark, Point, Polygon, Polyline, Rect

Floats = npt.NDArray[np.float64]

_SHADE_PT = 2.0  # a pixel of the relief on paper
_LIGHTEST, _DARKEST = 255.0, 176.0  # relief stays under everything that must be read
_MARGIN_PT = 26.0


@dataclass(slots=True)
class NetworkMap:
    """A map of the whole plan: its view and what was drawn below the labels."""

    view: MapView
    marks: list[Mark]
    field: LabelField
    contours: Contours
    ground: GroundDrawing
    grid: Grid


def hillshade(ctx: SheetContext, view: MapView) -> GreyImage:
    """Return the relief of a view lit from the north-west at 45 degrees (Horn 1981), kept light for print."""
    r = view.rect
    cols, rows = int(r.width / _SHADE_PT), int(r.height / _SHADE_PT)
    px = r.x0 + (np.arange(cols) + 0.5) * r.width / cols
    py = r.y1 - (np.arange(rows) + 0.5) * r.height / rows
    gx, gy = np.meshgrid(px, py)
    at = view.plan(np.column_stack((gx.ravel(), gy.ravel())))
    z = smooth(ctx.terrain.sample(at[:, 0], at[:, 1]).reshape(rows, cols), 0.8)
    dy, dx = np.gradient(z, _SHADE_PT / view.pt_per_m)
    # rows run south, so -dy is the rise to the north; light from 315 degrees
    slope, aspect = np.arctan(np.hypot(dx, dy)), np.arctan2(-dy, dx)
    light = np.sin(np.pi / 4) * np.cos(slope) + np.cos(np.pi / 4) * np.sin(slope) * np.cos(aspect - np.pi * 3 / 4)
    # a surface facing away from the light falls towards it in sign: uphill direction counts
    light = 2.0 * np.sin(np.pi / 4) * np.cos(slope) - light
    low, high = np.nanpercentile(light, (2.0, 98.0)) if np.isfinite(light).any() else (0.0, 1.0)
    share = np.clip((light - low) / max(high - low, 1e-6), 0.0, 1.0)
    grey = np.where(np.isfinite(share), _DARKEST + (_LIGHTEST - _DARKEST) * share, _LIGHTEST)
    return GreyImage(r, cols, rows, grey.astype(np.uint8).tobytes())


def network_map(ctx: SheetContext, rect: Rect, *, with_trees: bool) -> NetworkMap:
    """Return the map of all mainlines and laterals over relief, fitted to a rectangle."""
    points = [line.xyz_m[:, :2] for line in ctx.plan.mainlines]
    points += [lateral.xyz_m[:, :2] for lateral in ctx.plan.laterals]
    points.append(np.array([(c.x_m, c.y_m) for c in ctx.plan.collections]))
    if with_trees:
        xy = np.column_stack((ctx.plan.trees.x_m, ctx.plan.trees.y_m))
        # a stray point beyond the terrain must not shrink the map to nothing
        points.append(xy[np.isfinite(xy).all(axis=1) & np.isfinite(ctx.plan.trees.ground_z_m)])
    view = fit_view(ctx.plan.frame, np.concatenate(points), rect, us=ctx.units.is_us, margin_pt=_MARGIN_PT)
    found = contours(ctx.terrain, view, us=ctx.units.is_us)
    ground = draw_ground(ctx.ground.layers, view, ctx.terrain)
    net = grid(ctx.plan.frame, view)
    field = LabelField(rect)
    field.lines([line for _, line in found.index_lines], 0.7, reach=0)
    field.lines(ground.lines, 3.0, reach=2)
    for box in net.label_boxes:
        field.take(box)
    # minor contours over relief would be grey mush at this scale
    marks: list[Mark] = [hillshade(ctx, view), *found.marks[-1:], *ground.marks, *net.crosses]
    marks += _network(ctx, view, field)
    return NetworkMap(view, marks, field, found, ground, net)


def _network(ctx: SheetContext, view: MapView, field: LabelField) -> list[Mark]:
    mains = [view.page(line.xyz_m) for line in ctx.plan.mainlines]
    laterals = [view.page(lateral.xyz_m) for lateral in ctx.plan.laterals]
    field.lines(mains, 6.0, reach=2)
    field.lines(laterals, 2.0, reach=0)
    marks: list[Mark] = []
    if laterals:
        marks.append(Polyline(tuple(_tuples(line) for line in laterals), 0.8, symbols.LATERAL))
    lines = tuple(_tuples(line) for line in mains)
    marks += [Polyline(lines, 4.2, WHITE), Polyline(lines, 2.4, symbols.MAINLINE)]
    return marks


def _tuples(line: Floats) -> tuple[Point, ...]:
    return tuple((round(float(x), 1), round(float(y), 1)) for x, y in line)


def section_outlines(ctx: SheetContext, found: NetworkMap) -> tuple[list[Mark], list[Label]]:
    """Return the outlines of the sections and the labels with their IDs."""
    marks: list[Mark] = []
    labels: list[Label] = []
    for section in ctx.plan.sections:
        shape = shapely.simplify(found.view.shape(section.outline), 0.6)
        rings = tuple(_tuples(np.array(part.exterior.coords)) for part in shapely.get_parts(shape)
                      if part.geom_type == "Polygon" and not part.is_empty)
        if rings:
            marks.append(Polygon(rings, width=1.2, color=BLACK, dash=(5.0, 2.0)))
        spot = shape.representative_point() if not shape.is_empty else shape.centroid
        if not spot.is_empty:
            labels.append(Label(float(spot.x), float(spot.y), section.section_id, 10.0, bold=True, clear=0.0,
                                style="box", kind="section", tag=f"section:{section.section_id}"))
    return marks, labels


def places(ctx: SheetContext, found: NetworkMap) -> tuple[list[Mark], list[Label]]:
    """Return collection points and the meeting point with their labels."""
    marks: list[Mark] = []
    labels: list[Label] = []
    for c in ctx.plan.collections:
        x, y = found.view.point(c.x_m, c.y_m)
        marks += symbols.collection(x, y)
        found.field.block(Rect(x - 6.5, y - 6.5, x + 6.5, y + 6.5))
        labels.append(Label(x, y, c.collection_id, 8.4, bold=True, clear=7.5, style="black", kind="collection",
                            tag="collection"))
    meet = meeting_point(ctx)
    if meet is not None:
        x, y = found.view.point(*meet)
        if found.view.rect.inset(8.0).holds(Rect(x, y, x, y)):
            marks += symbols.meeting(x, y)
            found.field.block(Rect(x - 6.5, y - 6.5, x + 6.5, y + 6.5))
    return marks, labels


def mainline_labels(ctx: SheetContext, found: NetworkMap) -> list[Label]:
    """Return a label with the ID of every mainline, at its top."""
    out = []
    for line in ctx.plan.mainlines:
        x, y = found.view.point(line.supports[-1].x_m, line.supports[-1].y_m)
        out.append(Label(x, y, line.mainline_id, 7.4, bold=True, clear=3.0, kind="mainline",
                         tag=f"mainline:{line.mainline_id}"))
    return out


def finish(
    ctx: SheetContext, found: NetworkMap, shapes: list[Mark], labels: list[Label]
) -> tuple[list[Mark], list[Label]]:
    """Return all marks with their labels placed, and the labels without room."""
    placed, dropped = place_all(found.field, labels)
    elevations = figures(found.contours, found.field, say=partial(words_local, ctx))
    return [*found.marks, *shapes, *elevations, *found.grid.labels, *placed], dropped


def tree_dots(at: Floats, size: float, color: str = BLACK) -> list[Mark]:
    """Return many trees as dots in one stroke."""
    if not len(at):
        return []
    parts = tuple(((round(x, 1), round(y, 1)), (round(x, 1), round(y, 1))) for x, y in at.tolist())
    return [Polyline(parts, size, color)]
