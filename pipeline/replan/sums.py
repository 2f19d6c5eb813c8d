"""Sums of a repair by section: parts needed, used again and saved; taps and metres out and in."""

from __future__ import annotations

from collections.abc import Sequence

from pipeline.records import ChangeItem, NetPart, SectionChange
from pipeline.replan.book import Book
from pipeline.replan.site import Bill, merged


def net_parts(book: Book) -> tuple[NetPart, ...]:
    """Return parts by section: needed, used again, saved."""
    needed: dict[str, Bill] = {}
    for job in book.jobs:
        needed[job.section_id] = merged(needed.get(job.section_id, {}), job.parts)
    for item in book.items:
        if item.mark in book.ends:
            needed[item.section_id] = merged(needed.get(item.section_id, {}), book.ends[item.mark])
    left = dict(book.done.outcome.reused)
    sections = [s.section_id for s in book.case.site.plan.sections]
    out = []
    for section_id in sections:
        own, saved = needed.get(section_id, {}), book.saved.get(section_id, {})
        for code in (*own, *(c for c in saved if c not in own)):
            quantity = own.get(code, 0.0)
            reuse = min(quantity, left.get(code, 0.0))
            left[code] = left.get(code, 0.0) - reuse
            out.append(NetPart(section_id, code, _unit(code), quantity, reuse, saved.get(code, 0.0)))
    return tuple(out)


def _unit(code: str) -> str:
    metres = ("PIPE", "WIRE", "TUBING", "DROP TUBING", "SIDE WIRE", "FLAGGING")
    return "m" if any(code == m or code.startswith(m + " ") for m in metres) else "pc"


def sections_of(book: Book) -> tuple[SectionChange, ...]:
    """Return what became of each section that was touched or given up."""
    plan, zones = book.case.site.plan, book.done.zones
    now = {s.section_id: s for s in zones.sections}
    out = []
    for was in plan.sections:
        name = was.section_id
        if name not in (*zones.touched, *zones.retired):
            continue
        own = [i for i in book.items if i.section_id == name]

        def metres(action: str, layer: str, items: Sequence[ChangeItem] = own) -> float:
            return sum(i.length_m for i in items if i.action == action and i.layer == layer)

        out.append(SectionChange(
            name, now[name].revision if name in now else "", was.revision or plan.settings.bush.revision, was.taps,
            now[name].taps if name in now else 0, metres("remove", "mainlines"), metres("new", "mainlines"),
            metres("remove", "laterals"), metres("new", "laterals"), retired=name in zones.retired,
        ))
    return tuple(out)
