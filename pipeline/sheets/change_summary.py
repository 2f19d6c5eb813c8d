"""The summary of a repair: what was logged, what it broke, what was chosen and why, the jobs in their order."""

from __future__ import annotations

from collections import Counter

from pipeline.records import Change, RepairOption, RepairPiece
from pipeline.sheets.change_words import item_words
from pipeline.sheets.compose import Composer, say
from pipeline.sheets.context import SheetContext
from pipeline.sheets.marks import Page
from pipeline.sheets.parts import money
from pipeline.sheets.table import Column, Row

_LAYERS = ("trees", "laterals", "spans", "supports", "crossings")
_MOST_NEAR = 60


def build(ctx: SheetContext) -> list[Page]:
    """Return the pages that sum up the last repair; none for a plan that was never repaired."""
    if not ctx.plan.changes:
        return []
    change = ctx.plan.changes[-1]
    subtitle = ctx.w("change.summary_subtitle", old=change.replaces, new=change.revision, source=change.source,
                     date=change.date)
    pages = Composer(ctx, "", ctx.w("change.summary_title"), subtitle)
    pages.para(ctx.w("change.summary_facts", before=change.taps_before, after=change.taps_after,
                     sections=len(change.sections), money=money(ctx, change.money, 0),
                     currency=ctx.plan.takeoff.currency, hours=say(ctx, f"{change.hours:.1f}")), bold=True)
    pages.para(ctx.w("change.summary_safe"))
    _sections(ctx, pages, change)
    _jobs(ctx, pages, change)
    _pieces(ctx, pages, change)
    if change.items:
        _damage(ctx, pages, change)
        _logged(ctx, pages, change)
    return pages.pages()


def _sections(ctx: SheetContext, pages: Composer, change: Change) -> None:
    pages.space()
    pages.heading(ctx.w("change.sections"))
    sheets = {s.section_id: s.sheets for s in ctx.plan.sections}
    rows: list[Row] = [
        [
            s.section_id, s.revision or ctx.w("change.given_up"), s.replaces, f"{s.taps_before} → {s.taps_after}",
            _swap(ctx, s.mainline_out_m, s.mainline_in_m), _swap(ctx, s.lateral_out_m, s.lateral_in_m),
            str(sheets.get(s.section_id, "—") or "—"),
        ]
        for s in change.sections
    ]
    pages.table(rows, [
        Column(ctx.w("change.col_section"), 50.0, bold=True), Column(ctx.w("change.col_revision"), 62.0, "center"),
        Column(ctx.w("change.col_replaces"), 62.0, "center"),
        Column(ctx.w("change.col_taps"), 70.0, "center", bold=True),
        Column(ctx.w("change.col_mainline"), 100.0, "right", flex=1.0),
        Column(ctx.w("change.col_lateral"), 100.0, "right", flex=1.0),
        Column(ctx.w("change.col_sheets"), 50.0, "right"),
    ])
    kept = [s.section_id for s in ctx.plan.sections if s.issued_in]
    pages.para(ctx.w("change.kept", sections=", ".join(kept) or "—"))


def _swap(ctx: SheetContext, out_m: float, in_m: float) -> str:
    if out_m < 0.05 and in_m < 0.05:
        return "0"
    return say(ctx, f"−{ctx.units.length(out_m)} / +{ctx.units.length(in_m)}")


def _jobs(ctx: SheetContext, pages: Composer, change: Change) -> None:
    pages.space()
    pages.heading(ctx.w("change.jobs"))
    rows: list[Row] = []
    for j in change.jobs:
        rate = j.taps / j.hours if j.hours > 0.0 else 0.0
        rows.append([
            str(j.number), j.section_id, f"{ctx.w(f'change.option_{j.option}')}: {j.subject_id}", " ".join(j.marks),
            str(j.taps), say(ctx, f"{j.hours:.1f}"), say(ctx, f"{rate:.0f}"), str(j.after) if j.after else "—",
        ])
    if not rows:
        pages.para(ctx.w("change.no_jobs"))
        return
    pages.table(rows, [
        Column(ctx.w("change.col_job"), 28.0, bold=True), Column(ctx.w("change.col_section"), 46.0),
        Column(ctx.w("change.col_what"), 180.0, flex=1.0, wrap=True),
        Column(ctx.w("change.col_marks"), 90.0, wrap=True),
        Column(ctx.w("change.col_restored"), 46.0, "right", bold=True),
        Column(ctx.w("change.col_hours"), 50.0, "right"),
        Column(ctx.w("change.col_rate"), 50.0, "right"), Column(ctx.w("change.col_after"), 40.0, "center"),
    ])
    pages.para(ctx.w("change.order_note"))


def _pieces(ctx: SheetContext, pages: Composer, change: Change) -> None:
    pages.space()
    pages.heading(ctx.w("change.pieces"))
    rows: list[Row] = []
    lost = [p.subject_id for p in change.pieces if sum(o.legal for o in p.options) == 1]
    for p in (p for p in change.pieces if p.subject_id not in lost or p.layer != "laterals"):
        others = [_option(ctx, o, p.layer) for k, o in enumerate(p.options) if k != p.chosen]
        state = "new" if p.layer == "trees" else p.state
        rows.append([_where(ctx, p), ctx.w(f"change.state_{state}"), _option(ctx, p.options[p.chosen], p.layer),
                     "; ".join(others)])
    pages.table(rows, [
        Column(ctx.w("change.col_piece"), 108.0, bold=True, wrap=True), Column(ctx.w("change.col_state"), 36.0),
        Column(ctx.w("change.col_chosen"), 120.0, bold=True, wrap=True),
        Column(ctx.w("change.col_others"), 240.0, flex=1.0, wrap=True),
    ], size=7.6)
    gone = [name for name in lost if "-L" in name]
    if gone:
        pages.para(ctx.w("change.lost_whole", names=", ".join(gone)))
    pages.para(ctx.w(f"change.method_{change.method}", value=money(ctx, change.tap_value),
                     currency=ctx.plan.takeoff.currency))


def _where(ctx: SheetContext, piece: RepairPiece) -> str:
    if piece.layer == "laterals":
        return piece.subject_id
    if piece.layer == "trees":
        return ctx.w("change.new_trees", names=piece.subject_id)
    low, high = ctx.units.station(piece.low_m), ctx.units.station(piece.high_m)
    return say(ctx, f"{piece.subject_id} {low}–{high}")


def _option(ctx: SheetContext, option: RepairOption, layer: str) -> str:
    own = f"change.option_{option.kind}_{layer}"
    name = ctx.w(own if ctx.has(own) else f"change.option_{option.kind}")
    if not option.legal:
        return ctx.w("change.option_illegal", option=name, why=_why(ctx, option.why))
    if option.kind == "abandon":
        return name
    return ctx.w("change.option_cost", option=name, money=money(ctx, option.money, 0),
                 currency=ctx.plan.takeoff.currency, hours=say(ctx, f"{option.hours:.1f}"), taps=option.taps)


def _why(ctx: SheetContext, why: str) -> str:
    """Return a reason in the reader's language; a reason without words of its own is printed as it is."""
    key = f"change.why_{'_'.join(w for w in why.lower().replace(',', '').split() if w.isalpha())}"
    return ctx.w(key) if ctx.has(key) else why


def _damage(ctx: SheetContext, pages: Composer, change: Change) -> None:
    pages.space()
    pages.heading(ctx.w("change.damage"))
    count = Counter((d.layer, d.state) for d in change.damages)
    clear = dict(change.clear)
    rows: list[Row] = [
        [ctx.w(f"change.layer_{layer}"), *(str(count.get((layer, state), 0)) for state in ("lost", "hit", "near")),
         str(clear.get(layer, 0))]
        for layer in _LAYERS
    ]
    pages.table(rows, [
        Column(ctx.w("change.col_layer"), 140.0, bold=True, flex=1.0),
        *(Column(ctx.w(f"change.state_{s}"), 70.0, "right") for s in ("lost", "hit", "near", "clear")),
    ])
    near = [d.subject_id for d in change.damages if d.state == "near" and d.layer != "trees"]
    if near:
        more = f" … (+{len(near) - _MOST_NEAR})" if len(near) > _MOST_NEAR else ""
        pages.para(ctx.w("change.near", names=", ".join(near[:_MOST_NEAR]) + more))


def _logged(ctx: SheetContext, pages: Composer, change: Change) -> None:
    pages.space()
    pages.heading(ctx.w("change.logged"))
    rows: list[Row] = [[str(i.number), item_words(ctx, i), i.note, i.where] for i in change.items]
    pages.table(rows, [
        Column("#", 24.0, bold=True), Column(ctx.w("change.col_kind"), 130.0, wrap=True),
        Column(ctx.w("change.col_note"), 220.0, flex=1.0, wrap=True),
        Column(ctx.w("change.col_where"), 110.0, wrap=True),
    ])
