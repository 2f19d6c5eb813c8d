"""What the steps of a change sheet say, in the reader's words and units."""

from __future__ import annotations

from pipeline.records import Change, ChangeStep, StormItem
from pipeline.sheets.compose import say
from pipeline.sheets.context import SheetContext

_MOST_TREES = 14


def step_text(ctx: SheetContext, change: Change, step: ChangeStep) -> str:
    """Return what to do in one step."""
    values = dict(step.values)
    if step.text == "safe":
        items = [item_text(ctx, i) for n in values.get("items", "").split(";") if n
                 for i in change.items if str(i.number) == n]
        return ctx.w("change.step_safe", items="; ".join(items) or ctx.w("change.nothing_logged"))
    if step.text in ("check", "walk"):
        return ctx.w(f"change.step_{step.text}")
    trees = values.get("trees", "").split(", ")
    shown = ", ".join(trees[:_MOST_TREES]) + (" …" if len(trees) > _MOST_TREES else "")
    text = ctx.w(
        f"change.step_{step.text}", subject=values.get("subject", ""), trees=shown or "—",
        supports=values.get("supports") or "—", at=say(ctx, ctx.units.station(float(values.get("at_m", "0")))),
        to=say(ctx, ctx.units.station(float(values.get("to_m") or values.get("at_m", "0")))),
    )
    if values.get("after", "0") != "0":
        text += " " + ctx.w("change.after_job", job=values["after"])
    return text


def amount_text(ctx: SheetContext, step: ChangeStep) -> str:
    """Return length and taps of one step."""
    values = dict(step.values)
    length = float(values.get("length_m", "0"))
    parts = []
    if length > 0.05:
        parts.append(say(ctx, ctx.units.length(length)))
    if step.taps:
        parts.append(ctx.w("change.one_tap") if step.taps == 1 else ctx.w("common.taps", n=step.taps))
    if step.action == "safe" and step.hours:
        parts.append(say(ctx, ctx.w("change.hours", hours=f"{step.hours:.1f}")))
    return ", ".join(parts)


def item_text(ctx: SheetContext, item: StormItem) -> str:
    """Return one logged thing: its number as on the change map, kind, tree or part."""
    return f"[{item.number}] {item_words(ctx, item)}"


def item_words(ctx: SheetContext, item: StormItem) -> str:
    """Return one logged thing without its number."""
    return f"{ctx.w(f'change.kind_{item.kind}')} {item.subject_id}".rstrip()
