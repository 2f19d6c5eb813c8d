"""The overview: the whole network at a glance, and every tree that it leaves out, by reason."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable
from functools import partial

import numpy as np

from pipeline.sheets import network_map as net
from pipeline.sheets import symbols
from pipeline.sheets.context import SheetContext
from pipeline.sheets.ground_layer import ORDER, key_sample
from pipeline.sheets.index_page import grid_words
from pipeline.sheets.map_foot import map_foot
from pipeline.sheets.marks import BLACK, Box, Group, Line, Mark, Page, Point, Polyline, Rect, Text, heading, paragraph
from pipeline.sheets.paper import body_page, body_rect
from pipeline.sheets.text import fit

_FOOT_PT = 150.0
_ROW_PT = 11.6
# reasons by how much a grower can do about them; shape and colour of each, shape first
_SHAPES: tuple[tuple[str, str, str], ...] = (
    ("BELOW_OUTLET", "down", "#0f5c96"), ("NO_GRADE", "square", "#7a0f5c"), ("OUT_OF_REACH", "circle", "#9c3a00"),
    ("NOT_WORTH_IT", "diamond", "#4a4a00"), ("NO_LATERAL", "up", "#9c0000"), ("NO_GO", "cross", "#3a3a3a"),
    ("OUTSIDE_PROPERTY", "bar", "#3a3a3a"), ("ABANDONED", "cross", "#9c0000"),
    ("NO_GROUND", "plus", "#3a3a3a"), ("OFF_TERRAIN", "plus", "#3a3a3a"),
    ("DUPLICATE", "slash", "#3a3a3a"), ("BAD_POSITION", "slash", "#3a3a3a"),
)
_OUTLINES: dict[str, tuple[tuple[Point, ...], ...]] = {
    "down": (((-1, 0.8), (1, 0.8), (0, -1), (-1, 0.8)),), "up": (((-1, -0.8), (1, -0.8), (0, 1), (-1, -0.8)),),
    "square": (((-0.8, -0.8), (0.8, -0.8), (0.8, 0.8), (-0.8, 0.8), (-0.8, -0.8)),),
    "circle": (tuple((float(np.cos(a)), float(np.sin(a))) for a in np.linspace(0.0, 2.0 * np.pi, 9)),),
    "diamond": (((0, -1.1), (1.1, 0), (0, 1.1), (-1.1, 0), (0, -1.1)),),
    "cross": (((-0.9, -0.9), (0.9, 0.9)), ((-0.9, 0.9), (0.9, -0.9))), "plus": (((-1, 0), (1, 0)), ((0, -1), (0, 1))),
    "bar": (((-1, -0.5), (1, -0.5)), ((-1, 0.5), (1, 0.5))), "slash": (((-0.9, -0.9), (0.9, 0.9)),),
}


def build(ctx: SheetContext) -> list[Page]:
    """Return the one overview page."""
    body = body_rect(ctx)
    frame = Rect(body.x0, body.y0 + _FOOT_PT, body.x1, body.y1)
    found = net.network_map(ctx, frame, with_trees=True)
    trees, reasons = _trees(ctx, found)
    outlines, labels = net.section_outlines(ctx, found)
    spots, names = net.places(ctx, found)
    drawn, _ = net.finish(ctx, found, [*trees, *outlines, *spots], [*names, *labels, *net.mainline_labels(ctx, found)])
    title = ctx.w("overview.title")
    plan = ctx.plan
    subtitle = ctx.w(
        "overview.subtitle", name=plan.settings.bush.name, taps=sum(lat.taps for lat in plan.laterals),
        laterals=len(plan.laterals), length=ctx.units.length(sum(m.plan_length_m for m in plan.mainlines)),
        sections=len(plan.sections),
    )
    foot = Rect(body.x0, body.y0, body.x1, frame.y0 - 4.0)
    marks: list[Mark] = [
        Group((Group(tuple(drawn), clip=frame), Box(frame, width=1.4)), role="Figure", alt=ctx.w("overview.alt_map")),
        *map_foot(ctx, found.view, grid_words(ctx, found), Rect(foot.x0, foot.y0, foot.x0 + 172.0, foot.y1)),
        *_key(ctx, found, Rect(foot.x0 + 180.0, foot.y0, foot.x0 + 306.0, foot.y1)),
        *_reasons(ctx, reasons, Rect(foot.x0 + 312.0, foot.y0, foot.x0 + 452.0, foot.y1)),
        *_counts(ctx, Rect(foot.x0 + 456.0, foot.y0, foot.x1, foot.y1)),
    ]
    return [body_page(ctx, "", title, subtitle, marks, found.view.geo_box(plan.frame, title))]


def _trees(ctx: SheetContext, found: net.NetworkMap) -> tuple[list[Mark], Counter[str]]:
    """Return the marks of all trees and how many are set aside for each reason."""
    trees = ctx.plan.trees
    placed = np.isfinite(trees.x_m) & np.isfinite(trees.y_m)
    at = np.full((len(trees), 2), np.nan)
    at[placed] = found.view.page(np.column_stack((trees.x_m[placed], trees.y_m[placed])))
    status = np.array(trees.status)
    reason = np.array([r if s == "set_aside" else "" for r, s in zip(trees.reason, trees.status, strict=True)])
    marks = [
        *net.tree_dots(at[placed & (status == "not_tapped")], 1.4, symbols.GREY),
        *net.tree_dots(at[placed & (status == "served")], 2.2, BLACK),
    ]
    for code, shape, color in _shapes(reason):
        here = at[placed & (reason == code)]
        if len(here):
            marks.append(Polyline(_stamped(shape, here, 2.5), 0.9, color))
    return marks, Counter(str(r) for r in reason if r)


def _shapes(reason: np.ndarray) -> list[tuple[str, str, str]]:
    known = {code for code, _, _ in _SHAPES}
    return [*_SHAPES, *((str(code), "plus", BLACK) for code in np.unique(reason) if code and code not in known)]


def _stamped(shape: str, at: np.ndarray, size: float) -> tuple[tuple[Point, ...], ...]:
    return tuple(
        tuple((round(x + px * size, 1), round(y + py * size, 1)) for px, py in part)
        for x, y in at.tolist() for part in _OUTLINES[shape]
    )


def _reasons(ctx: SheetContext, reasons: Counter[str], rect: Rect) -> list[Mark]:
    marks: list[Mark] = [heading(rect.x0, rect.y1 - 10.0, ctx.w("overview.set_aside"), 9.2)]
    shapes = {code: (shape, color) for code, shape, color in _SHAPES}
    lift = np.nanmax(ctx.plan.lift_m, initial=0.0) if len(ctx.plan.lift_m) else 0.0
    low = int(np.nansum(np.asarray(ctx.plan.lift_m) > 0.0))
    y = rect.y1 - 23.0
    lines = len(reasons) + (low > 0)
    step = min(_ROW_PT, (y - 4.0 - rect.y0) / max(lines - 1, 1))
    for code, count in sorted(reasons.items(), key=lambda item: (-item[1], item[0])):
        shape, color = shapes.get(code, ("plus", BLACK))
        marks.append(Polyline(_stamped(shape, np.array([(rect.x0 + 5.0, y + 2.8)]), 3.2), 1.0, color))
        key = f"reason.{code}"
        text, size = fit(f"{count}  {ctx.w(key) if ctx.has(key) else code}", 7.6, rect.width - 14.0)
        marks.append(paragraph(rect.x0 + 13.0, y, text, size))
        y -= step
    if low:
        words = ctx.w("overview.lift", n=low, lift=ctx.units.height(float(lift)))
        text, size = fit(words, 7.2, rect.width, bold=True)
        marks.append(paragraph(rect.x0, y - 2.0, text, size, bold=True))
    return marks


def _counts(ctx: SheetContext, rect: Rect) -> list[Mark]:
    count = Counter(ctx.plan.trees.status)
    rows = (
        ("overview.counts_served", count["served"], True), ("overview.counts_aside", count["set_aside"], True),
        ("overview.counts_not", count["not_tapped"], True), ("overview.counts_sum", len(ctx.plan.trees), False),
    )
    marks: list[Mark] = [heading(rect.x0, rect.y1 - 10.0, ctx.w("overview.counts"), 9.2)]
    for i, (key, n, bold) in enumerate(rows):
        text, size = fit(ctx.w(key, n=n), 8.8, rect.width, bold=bold)
        marks.append(paragraph(rect.x0, rect.y1 - 25.0 - 13.0 * i, text, size, bold=bold))
    return marks


def _key(ctx: SheetContext, found: net.NetworkMap, rect: Rect) -> list[Mark]:
    """Return what lines and dots mean."""
    rows: list[tuple[Callable[[float, float], list[Mark]], str]] = [
        (_main, ctx.w("overview.mainline")), (_lateral, ctx.w("overview.lateral")),
        (_dot, ctx.w("overview.served")), (_grey, ctx.w("overview.not_tapped")),
        (_outline, ctx.w("overview.section")),
        (lambda x, y: symbols.collection(x + 12.0, y, 9.0), ctx.w("map.key_collection")),
    ]
    rows += [
        (partial(key_sample, kind, width=24.0), ctx.w(f"common.{kind}"))
        for kind in reversed(ORDER) if kind in found.ground.kinds
    ]
    marks: list[Mark] = []
    y = rect.y1 - 21.0
    for draw, words in rows:
        if y < rect.y0 + 3.0:
            break
        marks += draw(rect.x0, y)
        text, size = fit(words, 7.4, rect.width - 30.0)
        marks.append(Text(rect.x0 + 30.0, y - 2.7, text, size, tag="key"))
        y -= 10.4
    return [heading(rect.x0, rect.y1 - 10.0, ctx.w("overview.key"), 9.2),
            Group(tuple(marks), role="Figure", alt=ctx.w("map.alt_key"))]


def _main(x: float, y: float) -> list[Mark]:
    return [Line(x, y, x + 24.0, y, 2.4, symbols.MAINLINE)]


def _lateral(x: float, y: float) -> list[Mark]:
    return [Line(x, y, x + 24.0, y, 0.8, symbols.LATERAL)]


def _dot(x: float, y: float) -> list[Mark]:
    return net.tree_dots(np.array([(x + 12.0, y)]), 2.2)


def _grey(x: float, y: float) -> list[Mark]:
    return net.tree_dots(np.array([(x + 12.0, y)]), 1.4, symbols.GREY)


def _outline(x: float, y: float) -> list[Mark]:
    return [Line(x, y, x + 24.0, y, 1.2, dash=(5.0, 2.0))]
