"""The small picture that shows where a section lies among the others."""

from __future__ import annotations

from functools import lru_cache
from itertools import pairwise

import numpy as np
import numpy.typing as npt
import shapely

from pipeline.records import Plan
from pipeline.sheets.context import SheetContext
from pipeline.sheets.marks import BLACK, WHITE, Box, Group, Mark, Point, Polygon, Polyline, Rect, Text
from pipeline.sheets.text import width_pt

Floats = npt.NDArray[np.float64]
_ROOMS = 32  # sizes of the room that keys leave: by the number of their lines
_MOST_NAMES = 14  # with more sections only the own one is named


@lru_cache(maxsize=4)
def _outlines(plan: Plan) -> tuple[npt.NDArray[np.object_], Floats]:
    """Return the simplified outlines of all sections, and west, south, east, north of them all."""
    outlines = shapely.simplify(shapely.convex_hull([s.outline for s in plan.sections]), 1.0)
    return outlines, shapely.total_bounds(outlines)


@lru_cache(maxsize=_ROOMS)  # every map of a plan has one of a few pictures, but for its own section
def _fitted(ctx: SheetContext, room: Rect) -> tuple[list[tuple[Point, ...]], list[tuple[Point, ...]], float]:
    """Return outlines and mainlines of all sections scaled into a room, grid north up, and points per metre."""
    outlines, (x0, y0, x1, y1) = _outlines(ctx.plan)
    scale = min(room.width / max(x1 - x0, 1e-6), room.height / max(y1 - y0, 1e-6))
    cx, cy = room.center
    mx, my = (x0 + x1) / 2.0, (y0 + y1) / 2.0

    def page(shapes: npt.NDArray[np.object_]) -> list[tuple[Point, ...]]:
        at, owner = shapely.get_coordinates(shapes, return_index=True)
        points = [(round(cx + (x - mx) * scale, 1), round(cy + (y - my) * scale, 1)) for x, y in at.tolist()]
        cuts = np.searchsorted(owner, np.arange(len(shapes) + 1)).tolist()
        return [tuple(points[a:b]) for a, b in pairwise(cuts)]

    return page(outlines), page(shapely.simplify(_mainlines(ctx.plan), 0.5 / scale)), scale


@lru_cache(maxsize=4)
def _mainlines(plan: Plan) -> npt.NDArray[np.object_]:
    """Return the mainlines of a plan as shapes."""
    return np.array([shapely.linestrings(line.xyz_m[:, :2]) for line in plan.mainlines], dtype=object)


def inset(ctx: SheetContext, section_id: str, rect: Rect) -> list[Mark]:
    """Return the index inset: every section as an outline, the own one black; nothing when there is no other."""
    if len(ctx.plan.sections) < 2:
        return []
    box = Rect(rect.x0, rect.y0, rect.x1, rect.y1 - 9.0)
    rings, lines, _ = _fitted(ctx, box.inset(5.0))
    names = [section.section_id for section in ctx.plan.sections]
    own = names.index(section_id)
    marks: list[Mark] = [
        Box(box, width=0.9), Polygon(tuple(rings[:own] + rings[own + 1:]), width=0.6, color="#4a4a4a"),
        Polyline(tuple(lines), 0.6, "#4a4a4a"), Polygon((rings[own],), fill=BLACK),
    ]
    marks += _names(names, rings, own, box)
    title = Text(rect.x0, rect.y1 - 6.6, ctx.w("map.index_title"), 7.2, bold=True)
    return [title, Group((Group(tuple(marks), clip=box.inset(-0.5)),), role="Figure",
                         alt=ctx.w("map.alt_index", section=section_id))]


def _names(names: list[str], rings: list[tuple[Point, ...]], own: int, box: Rect) -> list[Mark]:
    marks: list[Mark] = []
    taken: list[Rect] = []
    order = [own, *(i for i in range(len(names)) if i != own)] if len(names) <= _MOST_NAMES else [own]
    for i in order:
        xs, ys = zip(*rings[i], strict=True)
        x, y = sum(xs) / len(xs), sum(ys) / len(ys)
        half = width_pt(names[i], 7.0, bold=True) / 2.0 + 1.0
        x = min(max(x, box.x0 + half + 1.0), box.x1 - half - 1.0)
        place = Rect(x - half, y - 4.0, x + half, y + 4.5)
        if any(place.overlaps(other) for other in taken):
            continue
        taken.append(place)
        white = i == own
        if white:
            marks.append(Box(place, width=0.0, fill=BLACK))
        marks.append(Text(x, y - 2.5, names[i], 7.0, bold=True, align="center", color=WHITE if white else BLACK,
                          halo_pt=0.0 if white else 1.0, tag="inset"))
    return marks
