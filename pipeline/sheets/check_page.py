"""The check sheet: what was read, where it lies, how it was understood, and what to mend before planning."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.errors import Problem
from pipeline.findings import Severity
from pipeline.sheets import symbols
from pipeline.sheets.compose import Composer
from pipeline.sheets.context import SheetContext
from pipeline.sheets.ground_layer import draw_ground
from pipeline.sheets.map_panel import scale_bar, scale_text
from pipeline.sheets.mapview import fit_view
from pipeline.sheets.marks import BLACK, Box, Group, Mark, Page, Polyline, Rect, Text, paragraph
from pipeline.sheets.network_map import hillshade, tree_dots
from pipeline.sheets.table import Column
from pipeline.sheets.text import fit, wrap

_MAP_PT = 216.0
_MAP_SHARE = 0.52
_MARGIN_PT = 14.0
_KEY_PT = 44.0
_SIZE = 8.0
_ROW_PT = 12.5
# trees farther from the terrain than its own size are told in the table, not drawn
_NEAR = 1.0


@dataclass(frozen=True, slots=True)
class Mend:
    """One thing to look at or to know: where it is, what is so, what to do."""

    severity: Severity
    where: str
    text: str
    remedy: str


@dataclass(frozen=True, slots=True)
class CheckFacts:
    """What the check found, in the reader's words.

    Parameters
    ----------
    verdict : str
        Whether a plan can be made, in one sentence.
    reads : tuple of (what, file and layer, what it holds)
        Every file that was read.
    place, decided, terrain : tuple of str
        Where it lies; how CRS and units were decided; what the terrain can prove.
    classes : tuple of (words, trees, taps)
        Trees by what becomes of them; the trees sum to all that were read.
    left : tuple of (reason, trees, rows, remedy)
        Trees left out, with their rows in the file.
    missing : tuple of str
        Layers that nobody supplied.
    mend : tuple of Mend
        What the readers and the survey have to say, the gravest first.
    """

    verdict: str
    reads: tuple[tuple[str, str, str], ...]
    place: tuple[str, ...]
    decided: tuple[str, ...]
    terrain: tuple[str, ...]
    classes: tuple[tuple[str, int, int], ...]
    left: tuple[tuple[str, int, str, str], ...]
    missing: tuple[str, ...]
    mend: tuple[Mend, ...]


def build(ctx: SheetContext, facts: CheckFacts) -> list[Page]:
    """Return the check sheet: one page, unless much is to be mended."""
    w = ctx.w
    pages = Composer(ctx, "", w("check.title"), w("check.subtitle", name=ctx.plan.settings.bush.name))
    pages.para(facts.verdict, bold=True, size=10.5)
    beside = _beside(ctx, facts, pages.body.width * (1.0 - _MAP_SHARE))
    tall = max(_MAP_PT, sum(step for _, step, _ in beside) + 6.0)
    pages.block(tall, lambda rect: _map_and_facts(ctx, beside, rect))
    pages.space(4.0)
    pages.table(
        [list(row) for row in facts.reads],
        [Column(w("check.col_what"), 76.0, bold=True), Column(w("check.col_file"), 150.0, wrap=True),
         Column(w("check.col_holds"), 200.0, wrap=True, flex=1.0)],
        size=_SIZE, row_height=_ROW_PT, heavy_every=0,
    )
    pages.space(4.0)
    _trees(ctx, facts, pages)
    if facts.missing:
        layers = ", ".join(facts.missing)
        pages.space(3.0)
        pages.para(w("check.not_checked", layers=layers), bold=True)
    _mend(ctx, facts, pages)
    return pages.pages()


def build_problems(ctx: SheetContext, problems: Sequence[Problem]) -> list[Page]:
    """Return the check sheet of data that cannot be read: every problem with its file, place and remedy."""
    w = ctx.w
    pages = Composer(ctx, "", w("check.title"), w("check.subtitle", name=ctx.plan.settings.bush.name))
    pages.para(w("check.must", n=len(problems)), bold=True, size=10.5)
    pages.space(4.0)
    pages.table(
        [["\n".join(part for part in (p.file, p.where) if part), p.found, p.wanted, p.remedy, ""] for p in problems],
        [Column(w("check.col_file"), 110.0, bold=True, wrap=True), Column(w("check.col_found"), 120.0, wrap=True),
         Column(w("check.col_wanted"), 110.0, wrap=True), Column(w("check.col_remedy"), 150.0, wrap=True, flex=1.0),
         Column(w("findings.col_done"), 30.0, "center", tick=True)],
        size=_SIZE, row_height=_ROW_PT,
    )
    return pages.pages()


def _trees(ctx: SheetContext, facts: CheckFacts, pages: Composer) -> None:
    w = ctx.w
    why = {name: (rows, remedy) for name, _, rows, remedy in facts.left}
    pages.table(
        [[name, f"{trees:,d}", f"{taps:,d}" if taps else "", *why.get(name, ("", ""))]
         for name, trees, taps in facts.classes],
        [Column(w("check.col_trees"), 138.0, bold=True, wrap=True), Column(w("check.col_count"), 38.0, "right"),
         Column(w("check.col_taps"), 34.0, "right"), Column(w("check.col_rows"), 150.0, wrap=True),
         Column(w("check.col_do"), 150.0, wrap=True, flex=1.0)],
        size=_SIZE, row_height=_ROW_PT, heavy_every=0,
    )


def _mend(ctx: SheetContext, facts: CheckFacts, pages: Composer) -> None:
    if not facts.mend:
        return
    pages.space(2.0)
    pages.heading(ctx.w("check.to_mend"), keep_pt=24.0, size=9.2)
    for m in facts.mend:
        text = f"{ctx.w(f'check.{m.severity}').upper()}  {m.where}: {m.text} {m.remedy}".strip()
        pages.para(text, size=_SIZE, bold=m.severity != "note")


def _beside(ctx: SheetContext, facts: CheckFacts, width: float) -> list[tuple[str, float, bool]]:
    """Return the lines beside the map: text, height above the next, whether it is a title."""
    found: list[tuple[str, float, bool]] = []
    for title, lines in (
        ("check.place", facts.place), ("check.decided", facts.decided), ("check.terrain", facts.terrain),
    ):
        found.append((ctx.w(title), 13.0 if found else 11.0, True))
        found += [(part, _SIZE * 1.24, False) for text in lines for part in wrap(text, _SIZE, width)]
    return found


def _map_and_facts(ctx: SheetContext, beside: list[tuple[str, float, bool]], rect: Rect) -> list[Mark]:
    cut = rect.x0 + rect.width * _MAP_SHARE
    marks = _map(ctx, Rect(rect.x0, rect.y1 - _MAP_PT + _KEY_PT, cut - 8.0, rect.y1 - 2.0))
    y = rect.y1 - 2.0
    for text, step, title in beside:
        y -= step
        shown, size = fit(text, 9.2 if title else _SIZE, rect.x1 - cut, bold=title)
        marks.append(Group((Text(cut, y, shown, size, bold=title),), role="H2" if title else "P"))
    return marks


def _map(ctx: SheetContext, frame: Rect) -> list[Mark]:
    """Return the small map with its scale and key below, or why there is none."""
    try:
        view = fit_view(ctx.plan.frame, _extent(ctx), frame, us=ctx.units.is_us, margin_pt=_MARGIN_PT)
    except ValueError:
        return [Box(frame, width=1.2), paragraph(frame.x0 + 6.0, frame.y1 - 14.0, ctx.w("check.no_map"), _SIZE)]
    ground = draw_ground(ctx.ground.layers, view, ctx.terrain)
    trees = ctx.plan.trees
    placed = np.isfinite(trees.x_m) & np.isfinite(trees.y_m)
    at = view.page(np.column_stack((trees.x_m[placed], trees.y_m[placed])))
    served = trees.candidate[placed]
    marks: list[Mark] = [hillshade(ctx, view), *ground.marks]
    marks += [*_crosses(at[~served]), *tree_dots(at[served], 2.0, BLACK)]
    for point in ctx.plan.collections:
        marks += symbols.collection(*view.point(point.x_m, point.y_m))
    key = [
        *scale_bar(ctx, view.pt_per_m, frame.x0, frame.y0 - 6.0),
        *_key(ctx, frame.x0 + 172.0, frame.y0 - 9.0, frame.x1),
    ]
    return [
        Group((Group(tuple(marks), clip=frame), Box(frame, width=1.2)), role="Figure", alt=ctx.w("check.alt_map")),
        Group(tuple(key), role="Figure", alt=ctx.w("check.alt_key")),
        paragraph(frame.x0, frame.y0 - 40.0, scale_text(ctx, view), 7.4),
    ]


def _crosses(at: np.ndarray) -> list[Mark]:
    """Return trees that are left out, as small crosses in one stroke."""
    if not len(at):
        return []
    d = 1.5
    parts = tuple(
        ((round(x - d * s, 1), round(y - d, 1)), (round(x + d * s, 1), round(y + d, 1)))
        for x, y in at.tolist() for s in (1.0, -1.0)
    )
    return [Polyline(parts, 0.6, "#9c0000")]


def _key(ctx: SheetContext, x: float, y: float, right: float) -> list[Mark]:
    rows = (
        (tree_dots(np.array([(x + 4.0, y + 2.4)]), 2.4), "check.key_tapped"),
        (_crosses(np.array([(x + 4.0, y - 8.0)])), "check.key_left"),
        (symbols.collection(x + 4.0, y - 18.6, 8.0), "check.key_tank"),
    )
    marks: list[Mark] = []
    for i, (drawn, key) in enumerate(rows):
        text, size = fit(ctx.w(key), 7.2, right - x - 12.0)
        marks += [*drawn, Text(x + 12.0, y - 10.4 * i, text, size, tag="key")]
    return marks


def _extent(ctx: SheetContext) -> np.ndarray:
    """Return points that the map must show: trees on or near the terrain, and the collection points."""
    west, south, east, north = ctx.terrain.bounds
    wide, high = (east - west) * _NEAR, (north - south) * _NEAR
    trees = ctx.plan.trees
    near = (
        (trees.x_m > west - wide) & (trees.x_m < east + wide) & (trees.y_m > south - high) & (trees.y_m < north + high)
    )
    points = [np.column_stack((trees.x_m[near], trees.y_m[near]))]
    points.append(np.array([(c.x_m, c.y_m) for c in ctx.plan.collections]).reshape(-1, 2))
    found = np.concatenate(points)
    return found if len(found) > 1 else np.array([(west, south), (east, north)])
