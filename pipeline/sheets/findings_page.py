"""What the stages and the judge have to say about the plan, gravest first."""

from __future__ import annotations

import tomllib
from functools import cache

from pipeline.findings import SEVERITIES, Finding, in_order
from pipeline.resources import template_text
from pipeline.sheets.compose import Composer, say
from pipeline.sheets.context import SheetContext
from pipeline.sheets.marks import Page
from pipeline.sheets.table import Column, Row
from pipeline.units import FT_M, INHG_KPA


def build(ctx: SheetContext) -> list[Page]:
    """Return the pages of findings; every finding of the plan is on them once."""
    found = in_order(ctx.plan.findings)
    pages = Composer(ctx, "", ctx.w("findings.title"), ctx.w("findings.subtitle", name=ctx.plan.settings.bush.name))
    counts = {severity: sum(f.severity == severity for f in found) for severity in SEVERITIES}
    pages.para(ctx.w("findings.counts", **{s: str(n) for s, n in counts.items()}), bold=True, size=10.0)
    pages.para(ctx.w("findings.how"))
    if ctx.language != "en":
        pages.para(ctx.w("findings.language"))
    pages.space(3.0)
    for severity in SEVERITIES:
        own = [f for f in found if f.severity == severity]
        if not own:
            continue
        pages.heading(ctx.w(f"findings.{severity}", n=len(own)))
        pages.table([_row(ctx, f) for f in own], _columns(ctx))
        pages.space()
    if not found:
        pages.para(ctx.w("findings.none"))
    return pages.pages()


def _columns(ctx: SheetContext) -> list[Column]:
    return [
        Column(ctx.w("findings.col_where"), 62.0, bold=True, wrap=True),
        Column(ctx.w("findings.col_measured"), 54.0, "right"), Column(ctx.w("findings.col_limit"), 54.0, "right"),
        Column(ctx.w("findings.col_text"), 250.0, wrap=True, flex=1.0),
        Column(ctx.w("findings.col_done"), 30.0, "center", tick=True),
    ]


def _row(ctx: SheetContext, finding: Finding) -> Row:
    what = f"{finding.text} {finding.remedy}\n{finding.code}"
    if ctx.language != "en":  # what stages say is English: gist and remedy come first in the reader's language
        gist = ctx.words.get(f"finding.{finding.code}", "")
        known = _explained(ctx.language).get(finding.code)
        own = ". ".join(t for t in (gist[:1].upper() + gist[1:], known or "") if t)
        what = f"{own}\n{finding.text}{'' if known else f' {finding.remedy}'}\n{finding.code}".strip()
    return [
        subject(ctx, finding), measured(ctx, finding.measured, finding.unit),
        measured(ctx, finding.limit, finding.unit), what, "",
    ]


@cache
def _explained(language: str) -> dict[str, str]:
    """Return what to do about every code, in a language that is not English."""
    return {code: str(row["do"]) for code, row in tomllib.loads(template_text(f"codes.{language}.toml")).items()}


def subject(ctx: SheetContext, finding: Finding) -> str:
    """Return what a finding is about: an ID as it is, a reason or a layer in words."""
    name = finding.subject_id
    for key in (f"reason.{name}", f"common.{name}"):
        if name and ctx.has(key):
            return ctx.words[key]
    return name or ctx.w("findings.whole")


def measured(ctx: SheetContext, value: float | None, unit: str) -> str:
    """Return a finding's SI number in the reader's units; empty where there is none."""
    if value is None:
        return ""
    if ctx.units.is_us and unit == "m":
        text = f"{value / FT_M:,.1f} ft"
    elif ctx.units.is_us and unit == "kPa":
        text = f"{value / INHG_KPA:.2f} inHg"
    elif ctx.has(f"unit.{unit}"):
        text = f"{value:,.2f}".rstrip("0").rstrip(".") + f" {ctx.words[f'unit.{unit}']}"
    else:
        text = f"{value:,.2f}".rstrip("0").rstrip(".") + (f" {unit}" if unit else "")
    return say(ctx, text)
