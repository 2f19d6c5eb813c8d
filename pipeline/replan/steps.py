"""The numbered steps of every touched section: make safe, remove, mend and build in order, check."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from pipeline.records import ChangeItem, ChangeJob, ChangeStep
from pipeline.replan.book import Book, Finished
from pipeline.replan.case import Case, lateral_items
from pipeline.replan.runs import corridor_m2


def steps_of(book: Book, jobs: Sequence[ChangeJob]) -> tuple[ChangeStep, ...]:
    """Return the numbered steps of every touched section: make safe, remove, then the jobs in order, check."""
    out: list[ChangeStep] = []
    for section_id in (*book.done.zones.touched, *book.done.zones.retired):
        out += _section_steps(book, section_id, jobs)
    return tuple(out)


def _section_steps(book: Book, section_id: str, jobs: Sequence[ChangeJob]) -> list[ChangeStep]:
    hours, items = safe_hours(book, section_id)
    values = (("items", ";".join(str(n) for n in items)),)
    text = "safe" if book.case.broken else "walk"
    steps = [ChangeStep(1, section_id, "safe", (), text, values, hours, 0)]
    gone = [i for i in book.items if i.section_id == section_id and i.action == "remove"]
    for item in gone:
        hours = book.case.site.bill(book.ends.get(item.mark, {}))[1]
        steps.append(_step(len(steps) + 1, section_id, "remove", (item,), hours, item.taps))
    for job in jobs:
        own = [i for i in book.items if i.mark in job.marks and i.section_id == section_id]
        if not own:
            continue
        action = "mend" if job.option in ("rehang", "new_support", "mend") else "new"
        home = job.section_id == section_id
        steps.append(replace(
            _step(len(steps) + 1, section_id, action, own, job.hours if home else 0.0, job.taps if home else 0),
            text=job.option, values=(*_values(own), ("job", str(job.number)), ("after", str(job.after))),
        ))
    steps.append(ChangeStep(len(steps) + 1, section_id, "check", (), "check", (), 0.0, 0))
    return steps


def _step(
    number: int, section_id: str, action: str, items: Sequence[ChangeItem], hours: float, taps: int
) -> ChangeStep:
    text = "_".join(w for w in (action, items[0].layer, items[0].note) if w)
    return ChangeStep(number, section_id, action, tuple(i.mark for i in items), text,  # type: ignore[arg-type]
                      _values(items), hours, taps)


def _values(items: Sequence[ChangeItem]) -> tuple[tuple[str, str], ...]:
    """Return what the words of a step need, as data."""
    if not items:
        return ()
    first = items[0]
    supports = [i.subject_id for i in items if i.layer == "supports"]
    length_m = sum(i.length_m for i in items if (i.layer, i.action) == (first.layer, first.action))
    plan_m = sum(float(np.hypot(*np.diff(np.array(i.xyz_m)[:, :2], axis=0).T).sum()) for i in items
                 if (i.layer, i.action, i.subject_id) == (first.layer, first.action, first.subject_id))
    return (
        ("subject", first.subject_id), ("at_m", f"{first.at_m:.3f}"), ("to_m", f"{first.at_m + plan_m:.3f}"),
        ("length_m", f"{length_m:.3f}"),
        ("trees", ", ".join(first.trees)), ("supports", ", ".join(supports)),
    )


def safe_hours(book: Book, section_id: str) -> tuple[float, tuple[int, ...]]:
    """Return the crew-hours of making a section safe, and the logged things that lie in or over it.

    What lies in two sections is counted in the first of them; blown ground is cleared where
    the mended line lies.
    """
    case, done = book.case, book.done
    order = [*done.zones.touched, *done.zones.retired]
    found = {name: items_at(case, done, name) for name in order}
    placed = {n for numbers in found.values() for n in numbers}
    for name in order:  # what was named by its tag and logged far away is cleared where it is mended
        found[name] = tuple(sorted({*found[name], *(_mended_items(book, name) - placed)}))
    items = found[section_id]
    earlier = {n for name in order[: order.index(section_id)] for n in found[name]}
    mine = frozenset(n for n in items if n in done.outcome.cleared and n not in earlier)
    hours = case.clearing_h(mine) + case.area_h(_cleared_m2(book, section_id))
    return hours + case.site.clearing["walk_through"], items


def _mended_items(book: Book, section_id: str) -> frozenset[int]:
    """Return the numbers of the logged things that are cleared to mend what belongs to a section."""
    case, out = book.case, set[int]()
    for piece, k in zip(case.pieces, book.done.outcome.choice, strict=True):
        if piece.run is not None and piece.kinds[k] in ("rehang", "new_support"):
            if any(job.mends is piece.run and job.section_id == section_id for job in book.jobs):
                out.update(piece.run.items)
        elif piece.kinds[k] == "mend" and any(
            piece.lateral in s.lateral for s in case.site.plan.sections if s.section_id == section_id
        ):
            out.update(lateral_items(case, piece.lateral))
    return frozenset(out) & book.done.outcome.cleared


def _cleared_m2(book: Book, section_id: str) -> float:
    """Return the blown ground that is cleared for what is mended in a section: its share of each mended stretch's."""
    out = 0.0
    for job in book.jobs:
        areas = [
            (i.section_id, corridor_m2(book.case.assessment, np.array(i.xyz_m)[:, :2])) for i in book.items
            if i.mark in job.marks and i.action == "mend" and len(i.xyz_m) > 1
        ]
        total = sum(area for _, area in areas)
        if total > 0.0:  # corridors of neighbouring pieces overlap where a section ends
            whole = total if job.mends is None else job.mends.corridor_m2
            out += whole * sum(area for name, area in areas if name == section_id) / total
    return out


def items_at(case: Case, done: Finished, section_id: str) -> tuple[int, ...]:
    """Return the numbers of the logged things within reach of a section's ground as it was or is."""
    shapes = [s.outline for s in (*case.site.plan.sections, *done.zones.sections) if s.section_id == section_id]
    reach = case.site.gps_m
    return tuple(
        i.number for i in case.site.storm.items if any(s.distance(i.shape) <= reach for s in shapes)
    )
