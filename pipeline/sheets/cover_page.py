"""The cover: what the plan builds, what it leaves out and why, what must be levelled, how to use the sheets."""

from __future__ import annotations

from collections import Counter
from math import isfinite

import numpy as np

from pipeline.findings import SEVERITIES
from pipeline.sheets.compose import Composer, say
from pipeline.sheets.context import SheetContext
from pipeline.sheets.marks import Box, Group, Line, Mark, Page, Rect, Text
from pipeline.sheets.table import Column, Row

_MANY_LEVELS = 40  # more laterals than this are counted, not named
_CAVEATS = 6  # words cover.caveat_1 ...
_USES = 7  # words cover.use_1 ...


def build(ctx: SheetContext) -> list[Page]:
    """Return the cover pages."""
    bush = ctx.plan.settings.bush
    pages = Composer(ctx, "", bush.name, ctx.w("cover.subtitle"))
    _totals(ctx, pages)
    _accounting(ctx, pages)
    _left_out(ctx, pages)
    _levels(ctx, pages)
    _not_checked(ctx, pages)
    _findings(ctx, pages)
    pages.heading(ctx.w("cover.use"), keep_pt=60.0)
    for i in range(1, _USES + 1):
        pages.para(f"{i}.  {ctx.w(f'cover.use_{i}')}")
    pages.space()
    pages.heading(ctx.w("cover.caveats"), keep_pt=60.0)
    for i in range(1, _CAVEATS + 1):
        pages.para(f"•  {ctx.w(f'cover.caveat_{i}')}", bold=i == 1)
    pages.space()
    _sections(ctx, pages)
    _worth(ctx, pages)
    return pages.pages()


def _totals(ctx: SheetContext, pages: Composer) -> None:
    """Add the big numbers."""
    plan, units = ctx.plan, ctx.units
    hours = sum(s.crew_hours for s in plan.sections)
    numbers = [
        (f"{sum(lat.taps for lat in plan.laterals):,d}", ctx.w("cover.taps")),
        (f"{len(plan.laterals):,d}", ctx.w("cover.laterals")),
        (units.length(sum(m.length_m for m in plan.mainlines)), ctx.w("cover.mainline")),
        (units.length(sum(lat.length_m for lat in plan.laterals)), ctx.w("cover.tubing")),
        (f"{len(plan.sections):,d}", ctx.w("cover.sections")),
        (f"{hours:,.0f} h", ctx.w("cover.hours")),
    ]
    pages.block(52.0, lambda rect: _number_boxes(rect, [(say(ctx, value), label) for value, label in numbers]))
    pages.space()


def _number_boxes(rect: Rect, numbers: list[tuple[str, str]]) -> list[Mark]:
    wide = rect.width / len(numbers)
    marks: list[Mark] = [Box(rect, width=1.6)]
    for i, (value, label) in enumerate(numbers):
        x = rect.x0 + wide * i
        if i:
            marks.append(Line(x, rect.y0, x, rect.y1, 0.7))
        size = min(17.0, 17.0 * (wide - 8.0) / max(len(value) * 9.3, 1.0))
        marks.append(Group((
            Text(x + wide / 2.0, rect.y0 + 25.0, value, max(size, 9.0), bold=True, align="center", tag="total"),
            Text(x + wide / 2.0, rect.y0 + 9.0, label, 8.0, align="center"),
        ), role="P"))
    return marks


def _accounting(ctx: SheetContext, pages: Composer) -> None:
    """Add where every tree of the survey went: the three sums make the whole."""
    count = Counter(ctx.plan.trees.status)
    pages.para(ctx.w(
        "cover.trees", read=say(ctx, f"{len(ctx.plan.trees):,d}"), served=say(ctx, f"{count['served']:,d}"),
        aside=say(ctx, f"{count['set_aside']:,d}"), no=say(ctx, f"{count['not_tapped']:,d}"),
    ), bold=True, size=10.0)
    pages.space(3.0)


def _left_out(ctx: SheetContext, pages: Composer) -> None:
    """Add the trees that no line serves, by reason, and what would serve them."""
    trees = ctx.plan.trees
    rows: list[Row] = []
    for status in ("set_aside", "not_tapped"):
        reasons = Counter(r for r, s in zip(trees.reason, trees.status, strict=True) if s == status)
        for reason, count in sorted(reasons.items(), key=lambda item: (-item[1], item[0])):
            rows.append([
                ctx.w(f"cover.status_{status}"), ctx.words.get(f"reason.{reason}", reason), say(ctx, f"{count:,d}"),
                _serve(ctx, reason),
            ])
    if not rows:
        return
    pages.heading(ctx.w("cover.left_out"))
    pages.table(rows, [
        Column(ctx.w("cover.col_status"), 62.0), Column(ctx.w("cover.col_reason"), 170.0, bold=True, wrap=True),
        Column(ctx.w("cover.col_trees"), 40.0, "right", bold=True),
        Column(ctx.w("cover.col_serve"), 200.0, wrap=True, flex=1.0),
    ], heavy_every=0)
    pages.space()


def _serve(ctx: SheetContext, reason: str) -> str:
    """Return what would serve the trees of a reason, with the lift they need where that is the matter."""
    text = ctx.words.get(f"serve.{reason}", "")
    lifts = np.array([
        lift for lift, r in zip(ctx.plan.lift_m, ctx.plan.trees.reason, strict=True) if r == reason and isfinite(lift)
    ])
    lifts = lifts[lifts > 0.0]
    if reason in ("BELOW_OUTLET", "NO_GRADE") and len(lifts):
        low, high = (say(ctx, ctx.units.height(float(v))) for v in (lifts.min(), lifts.max()))
        words = ctx.w("cover.lift_one", lift=high) if low == high else ctx.w("cover.lift", low=low, high=high)
        text = f"{words} {text}"
    return text


def _levels(ctx: SheetContext, pages: Composer) -> None:
    """Add the laterals whose fall the data cannot prove."""
    doubtful = [lat.lateral_id for lat in ctx.plan.laterals if lat.grade_confidence == "level it"]
    unknown = [lat.lateral_id for lat in ctx.plan.laterals if lat.grade_confidence == "unknown"]
    pages.heading(ctx.w("cover.level"), keep_pt=30.0)
    if not doubtful and not unknown:
        pages.para(ctx.w("cover.level_none"))
    for key, names in (("level_these", doubtful), ("level_unknown", unknown)):
        if names:
            shown = ", ".join(names) if len(names) <= _MANY_LEVELS else ctx.w("cover.level_more")
            pages.para(f"{ctx.w(f'cover.{key}', n=len(names), all=len(ctx.plan.laterals))} {shown}")
    pages.space()


def _not_checked(ctx: SheetContext, pages: Composer) -> None:
    """Add the layers that nobody supplied."""
    if ctx.plan.not_checked:
        layers = ", ".join(ctx.w(f"common.{kind}") for kind in ctx.plan.not_checked)
        pages.para(ctx.w("cover.not_checked", layers=layers), bold=True)
        pages.space()


def _findings(ctx: SheetContext, pages: Composer) -> None:
    counts = {s: str(sum(f.severity == s for f in ctx.plan.findings)) for s in SEVERITIES}
    pages.para(ctx.w("findings.counts", **counts), bold=True)
    pages.space()


def _sections(ctx: SheetContext, pages: Composer) -> None:
    if not ctx.plan.sections:
        return
    pages.heading(ctx.w("cover.sections_table"))
    rows: list[Row] = [
        [
            s.section_id, ", ".join(s.mainline_ids),
            say(ctx, ctx.units.length(sum(b - a for _, a, b in s.pieces))), str(len(s.lateral)), str(s.taps),
            say(ctx, f"{s.crew_hours:.1f}"), ctx.check_code(s.section_id), ctx.revision_of(s.section_id)[0],
            "", "",
        ]
        for s in ctx.plan.sections
    ]
    pages.table(rows, [
        Column(ctx.w("cover.col_section"), 44.0, bold=True),
        Column(ctx.w("cover.col_lines"), 110.0, wrap=True, flex=1.0),
        Column(ctx.w("cover.mainline"), 62.0, "right"), Column(ctx.w("cover.laterals"), 46.0, "right"),
        Column(ctx.w("cover.taps"), 42.0, "right", bold=True),
        Column(ctx.w("cover.col_hours").replace("|", "\n"), 48.0, "right"),
        Column(ctx.w("cover.col_code"), 70.0, "center"), Column(ctx.w("cover.col_rev"), 26.0, "center"),
        Column(ctx.w("cover.col_crew"), 50.0),
        Column(ctx.w("cover.col_built"), 40.0, "center", tick=True),
    ])
    pages.space()


def _worth(ctx: SheetContext, pages: Composer) -> None:
    """Add what the last taps cost in mainline, when the plan has tried several worths."""
    if not ctx.plan.worth_curve:
        return
    pages.heading(ctx.w("cover.worth"))
    units = ctx.units
    rows: list[Row] = [
        [say(ctx, units.length(worth)), say(ctx, f"{taps:,d}"), say(ctx, units.length(line)),
         say(ctx, units.length(line / taps, 1)) if taps else ""]
        for worth, taps, line in ctx.plan.worth_curve
    ]
    pages.table(rows, [
        Column(ctx.w(f"cover.col_worth_{k}"), 100.0, "right", bold=k == "taps", flex=1.0)
        for k in ("worth", "taps", "line", "each")
    ])
    pages.para(ctx.w("cover.worth_note"))
