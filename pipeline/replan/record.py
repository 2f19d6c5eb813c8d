"""Writes down a repair: what goes, what is mended, what is new, the jobs in order, the steps of each section."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from pipeline.records import (
    ChangeItem,
    ChangeJob,
    ChangeStep,
    Floats,
    Lateral,
    Mainline,
    NetPart,
    Plan,
    Section,
    SectionChange,
    Support,
)
from pipeline.replan.book import Book, Finished, Job
from pipeline.replan.case import Case, decision_bill, end_parts
from pipeline.replan.extend import extend_parts
from pipeline.replan.order import Task, best_order
from pipeline.replan.outcome import mend_parts, new_parts, take_back
from pipeline.replan.runs import Run
from pipeline.replan.site import Bill
from pipeline.replan.steps import steps_of
from pipeline.replan.sums import net_parts, sections_of

_SAME_M = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Written:
    """What the record of a repair holds beside damage and pieces."""

    items: tuple[ChangeItem, ...]
    jobs: tuple[ChangeJob, ...]
    steps: tuple[ChangeStep, ...]
    parts: tuple[NetPart, ...]
    sections: tuple[SectionChange, ...]


def write(case: Case, done: Finished) -> Written:
    """Return the items, jobs, steps, parts and sections of a repair."""
    book = Book(case, done)
    old = _OldHomes(case.site.plan)
    _gone_mainlines(book, old)
    _gone_laterals(book, old)
    _run_jobs(book, old)
    _lateral_jobs(book, old)
    jobs = _ordered(book)
    steps = steps_of(book, jobs)
    return Written(tuple(book.items), jobs, steps, net_parts(book), sections_of(book))


class _OldHomes:
    """Which section of the old plan holds what."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.of_lateral = {plan.laterals[k].lateral_id: s.section_id for s in plan.sections for k in s.lateral}

    def at(self, mainline_id: str, station_m: float) -> str:
        """Return the section of a place, the lower one where two meet."""
        return next((
            s.section_id for s in self.plan.sections for name, a, b in s.pieces
            if name == mainline_id and a - _SAME_M <= station_m <= b + _SAME_M
        ), "")

    def parts(self, mainline_id: str, low_m: float, high_m: float) -> list[tuple[str, float, float]]:
        """Return a stretch of mainline by section, upward."""
        out = [
            (s.section_id, max(a, low_m), min(b, high_m)) for s in self.plan.sections for name, a, b in s.pieces
            if name == mainline_id and min(b, high_m) - max(a, low_m) > _SAME_M
        ]
        return sorted(out, key=lambda row: row[1])


def _new_home(sections: Sequence[Section], mainline_id: str, station_m: float) -> str:
    return next((
        s.section_id for s in sections for name, a, b in s.pieces
        if name == mainline_id and a - _SAME_M <= station_m <= b + _SAME_M
    ), "")


def _xyz(points: Floats) -> tuple[tuple[float, float, float], ...]:
    return tuple((float(x), float(y), float(z)) for x, y, z in np.atleast_2d(points))


def _length(points: Floats) -> float:
    return float(np.linalg.norm(np.diff(points, axis=0), axis=1).sum())


def _stretch(line: Mainline, low_m: float, high_m: float) -> Floats:
    """Return the vertices of a stretch of mainline."""
    own = line.station_m
    inner = own[(own > low_m + _SAME_M) & (own < high_m - _SAME_M)]
    return np.column_stack(line.at(np.concatenate(([low_m], inner, [high_m]))))


def _item(action: str, layer: str, subject: str, section: str, points: Floats, **more: object) -> ChangeItem:
    values: dict[str, object] = {"taps": 0, "trees": (), "at_m": 0.0, "note": ""}
    values.update(more)
    return ChangeItem(
        mark="", action=action, layer=layer, subject_id=subject, section_id=section,  # type: ignore[arg-type]
        length_m=_length(points) if len(points) > 1 else 0.0, xyz_m=_xyz(points), **values,  # type: ignore[arg-type]
    )


# ---------------------------------------------------------------- what goes


def _gone_mainlines(book: Book, old: _OldHomes) -> None:
    site, lines = book.case.site, book.done.outcome.lines
    ends = _new_tops(book)
    for line in site.plan.mainlines:
        for low, high in lines.lost(line):
            for section_id, a, b in old.parts(line.mainline_id, low, high):
                points = _stretch(line, a, b)
                end = next((parts for m, s, parts in ends if m == line.mainline_id and abs(s - a) < _SAME_M), None)
                mark = book.put("R", _item("remove", "mainlines", line.mainline_id, section_id, points, at_m=a,
                                           note="" if end is None else "end"))
                if end:
                    book.ends[mark] = end
    now = {s.support_id for m in lines.mainlines for s in m.supports}
    for line in site.plan.mainlines:
        gone = lines.lost(line)
        for s in line.supports:
            inside = any(a - _SAME_M < s.station_m < b + _SAME_M for a, b in gone)
            if s.support_id not in now and not inside:
                book.put("R", _item("remove", "supports", s.support_id, old.at(line.mainline_id, s.station_m),
                                    np.array([[s.x_m, s.y_m, s.line_z_m]]), at_m=s.station_m,
                                    trees=(s.tree_id,) if s.tree_id else ()))


def _new_tops(book: Book) -> list[tuple[str, float, Bill]]:
    """Return where lines end lower now, and what that takes; a line that is taken over has it in its job."""
    lines = book.done.outcome.lines
    out = []
    for piece, k in zip(book.case.pieces, book.done.outcome.choice, strict=True):
        run = piece.run
        if run is None or run.low == 0 or piece.kinds[k] not in ("abandon", "take"):
            continue
        if lines.place(run.line.mainline_id, run.low_m) is not None:
            parts = end_parts(book.case.site, run) if piece.kinds[k] == "abandon" else Bill()
            out.append((run.line.mainline_id, run.low_m, parts))
    return out


def _gone_laterals(book: Book, old: _OldHomes) -> None:
    """Add laterals that go, whole or in part, and what can be saved of them."""
    site, done = book.case.site, book.done
    plan = site.plan
    stays = {o: done.laterals[n] for n, o in done.old_index.items()}
    for k, lateral in enumerate(plan.laterals):
        section_id = old.of_lateral.get(lateral.lateral_id, "")
        if k not in stays:
            names = tuple(plan.trees.tree_id[t] for t in lateral.tree)
            book.put("R", _item("remove", "laterals", lateral.lateral_id, section_id, lateral.xyz_m,
                                taps=lateral.taps, trees=names, at_m=lateral.entry_station_m, note="whole"))
            sound = [t for t in lateral.tree if book.case.assessment.usable(t)]
            take_back(site, book.saved.setdefault(section_id, {}), sound)
        elif set(lateral.tree) - set(stays[k].tree):
            _shortened(book, lateral, stays[k], section_id)


def _shortened(book: Book, was: Lateral, now: Lateral, section_id: str) -> None:
    """Add the parts of a lateral that go: each run of lost trees with the tubing to it and from it."""
    trees = book.case.site.plan.trees
    left = set(now.tree)
    k = 0
    while k < len(was.tree):
        if was.tree[k] in left:
            k += 1
            continue
        end = k
        while end < len(was.tree) and was.tree[end] not in left:
            end += 1
        top = end == len(was.tree)
        points = was.xyz_m[k:(end + 1 if top else end + 2)]
        lost = was.tree[k:end]
        book.put("R", _item(
            "remove", "laterals", was.lateral_id, section_id, points, taps=int(trees.taps[list(lost)].sum()),
            trees=tuple(trees.tree_id[t] for t in lost), at_m=was.entry_station_m, note="above" if top else "between",
        ))
        k = end


# ---------------------------------------------------------------- jobs


def _run_jobs(book: Book, old: _OldHomes) -> None:
    case, done = book.case, book.done
    choice = done.outcome.choice
    for piece, k in zip(case.pieces, choice, strict=True):
        decision = piece.decisions[k] if piece.run is not None else None
        if decision is None or decision.kind == "abandon":
            continue
        run = decision.run
        marks, section_id = _run_marks(book, old, run, decision.kind)
        parts, _, _, hours = decision_bill(case, decision)
        book.jobs.append(Job(section_id, "mainlines", run.line.mainline_id, decision.kind, tuple(marks), parts, hours,
                              _taps_behind(book, run), run, _next_run(book, run)))


def _run_marks(book: Book, old: _OldHomes, run: Run, kind: str) -> tuple[list[str], str]:
    """Add the items of a mended or new stretch and return their marks and section."""
    lines, sections = book.done.outcome.lines, book.done.zones.sections
    marks = []
    if kind in ("rehang", "new_support"):
        for section_id, a, b in old.parts(run.line.mainline_id, run.low_m, run.high_m):
            marks.append(book.put("K", _item("mend", "mainlines", run.line.mainline_id, section_id,
                                             _stretch(run.line, a, b), at_m=a)))
        place = lines.place(run.line.mainline_id, run.low_m)
        name = place[0] if place else run.line.mainline_id
        own = [s for s in lines.new_supports if s.mainline_id == name and _within(s, run)]
    else:
        for stretch in lines.new:
            if stretch.run is run:
                section_id = _new_home(sections, stretch.mainline_id, (stretch.low_m + stretch.high_m) / 2.0)
                marks.append(book.put("N", _item("new", "mainlines", stretch.mainline_id, section_id, stretch.xyz_m,
                                                 at_m=stretch.low_m)))
        own = []
    for s in own:
        section_id = _new_home(sections, s.mainline_id, s.station_m)
        marks.append(book.put("N", _item("new", "supports", s.support_id, section_id,
                                         np.array([[s.x_m, s.y_m, s.line_z_m]]), at_m=s.station_m,
                                         trees=(s.tree_id,) if s.tree_id else ())))
    home = next((i.section_id for i in book.items if i.mark in marks), "")
    return marks, home


def _within(support: Support, run: Run) -> bool:
    """Whether a new support stands at one of a stretch's old places."""
    return any(abs(support.x_m - s.x_m) < _SAME_M and abs(support.y_m - s.y_m) < _SAME_M
               for s in run.line.supports[run.low:run.high + 1])


def _lateral_jobs(book: Book, old: _OldHomes) -> None:
    site, done = book.case.site, book.done
    plan = site.plan
    for n, lateral in enumerate(done.laterals):
        k = done.old_index.get(n, -1)
        if k in done.outcome.mended:
            _mended_job(book, old, plan.laterals[k], lateral)
        elif k in done.outcome.extended:
            _extended_job(book, old, plan.laterals[k], lateral)
        elif k < 0:
            section_id = _new_home(done.zones.sections, lateral.mainline_id, lateral.entry_station_m)
            names = tuple(plan.trees.tree_id[t] for t in lateral.tree)
            mark = book.put("N", _item("new", "laterals", lateral.lateral_id, section_id, lateral.xyz_m,
                                       taps=lateral.taps, trees=names, at_m=lateral.entry_station_m))
            parts: Bill = {}
            new_parts(site, parts, lateral)
            book.jobs.append(Job(section_id, "laterals", lateral.lateral_id, "regroup", (mark,), parts, 0.0,
                                  lateral.taps, None, _run_below(book, lateral)))


def _extended_job(book: Book, old: _OldHomes, was: Lateral, now: Lateral) -> None:
    """Add the piece of a lateral that goes on behind its last tree to new ones."""
    section_id, count = old.of_lateral.get(was.lateral_id, ""), len(was.tree)
    names = tuple(book.case.site.plan.trees.tree_id[t] for t in now.tree[count:])
    mark = book.put("N", _item("new", "laterals", now.lateral_id, section_id, now.xyz_m[count:],
                               taps=now.taps - was.taps, trees=names, at_m=now.entry_station_m, note="extend"))
    parts: Bill = {}
    extend_parts(book.case.site, parts, was, now)
    book.jobs.append(Job(section_id, "laterals", now.lateral_id, "extend", (mark,), parts, 0.0, now.taps - was.taps,
                         None, _run_below(book, now)))


def _mended_job(book: Book, old: _OldHomes, was: Lateral, now: Lateral) -> None:
    section_id = old.of_lateral.get(was.lateral_id, "")
    names = tuple(book.case.site.plan.trees.tree_id[t] for t in now.tree)
    marks = [book.put("K", _item("mend", "laterals", now.lateral_id, section_id, now.xyz_m, taps=now.taps, trees=names,
                                 at_m=now.entry_station_m))]
    was_pairs = set(zip((-1, *was.tree), was.tree, strict=False))
    for k, pair in enumerate(zip((-1, *now.tree), now.tree, strict=False)):
        if pair not in was_pairs:
            marks.append(book.put("N", _item("new", "laterals", now.lateral_id, section_id, now.xyz_m[k:k + 2],
                                             trees=(names[k],), at_m=now.entry_station_m, note="skips")))
    parts: Bill = {}
    mend_parts(parts, was, now)
    book.jobs.append(Job(section_id, "laterals", now.lateral_id, "mend", tuple(marks), parts,
                          book.case.site.clearing["restake"], now.taps, None, _run_below(book, now)))


# ---------------------------------------------------------------- what waits for what


def _repaired(book: Book) -> list[tuple[Run, str, float]]:
    """Return the stretches under repair with the mainline and station of their upper end after it."""
    lines = book.done.outcome.lines
    out = []
    for piece, k in zip(book.case.pieces, book.done.outcome.choice, strict=True):
        if piece.run is None or piece.kinds[k] == "abandon":
            continue
        place = lines.place(piece.run.line.mainline_id, piece.run.high_m)
        if place is not None:
            out.append((piece.run, *place))
    return out


def _run_on_way(book: Book, mainline_id: str, station_m: float, but: Run | None) -> Run | None:
    """Return the first stretch under repair that sap meets on its way down from a place."""
    lines = {m.mainline_id: m for m in book.done.outcome.lines.mainlines}
    repaired = _repaired(book)
    at: str = mainline_id
    for _ in range(len(lines) + 1):
        # a stretch counts from its lower end upward: what enters on it waits for it
        own = [
            (high, run) for run, name, high in repaired
            if name == at and run is not but and _low_after(book, run, name) < station_m - _SAME_M
        ]
        if own:
            return max(own, key=lambda pair: pair[0])[1]
        line = lines.get(at)
        if line is None or not line.parent_id:
            return None
        at, station_m = line.parent_id, line.join_station_m
    return None


def _low_after(book: Book, run: Run, name: str) -> float:
    place = book.done.outcome.lines.place(run.line.mainline_id, run.low_m)
    return place[1] if place is not None and place[0] == name else -1.0


def _run_below(book: Book, lateral: Lateral) -> Run | None:
    return _run_on_way(book, lateral.mainline_id, lateral.entry_station_m, None)


def _next_run(book: Book, run: Run) -> Run | None:
    place = book.done.outcome.lines.place(run.line.mainline_id, run.high_m)
    return None if place is None else _run_on_way(book, *place, run)


def _taps_behind(book: Book, run: Run) -> int:
    """Return taps of sound laterals whose first stretch under repair is this one."""
    done = book.done
    old = book.case.site.plan.laterals  # what a lateral gains beside is restored by its own job
    return sum(
        min(la.taps, old[done.old_index[n]].taps) for n, la in enumerate(done.laterals)
        if n in done.old_index and done.old_index[n] not in done.outcome.mended and _run_below(book, la) is run
    )


def _ordered(book: Book) -> tuple[ChangeJob, ...]:
    """Return the jobs in their order, numbered."""
    site = book.case.site
    mends = {id(job.mends): i for i, job in enumerate(book.jobs) if job.mends is not None}
    tasks = [
        Task(site.bill(j.parts)[1] + j.extra_h, j.taps, mends.get(id(j.waits), -1) if j.waits is not None else -1)
        for j in book.jobs
    ]
    order = best_order(tasks)
    number = {i: k + 1 for k, i in enumerate(order)}
    return tuple(
        ChangeJob(
            number[i], book.jobs[i].section_id, book.jobs[i].layer, book.jobs[i].subject_id, book.jobs[i].option,
            book.jobs[i].marks, tasks[i].hours, tasks[i].taps, number[tasks[i].after] if tasks[i].after >= 0 else 0,
        )
        for i in order
    )
