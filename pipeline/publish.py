"""From a finished plan to paper and the plan folder, and from a plan folder back to paper."""

from __future__ import annotations

import dataclasses
import platform
from collections.abc import Callable, Sequence
from contextlib import closing
from functools import partial
from importlib import metadata
from itertools import chain, islice
from pathlib import Path

from pipeline import __version__, bushfile
from pipeline import ground as ground_room
from pipeline.errors import OutputError, Problem, RequestError
from pipeline.reading import Report, quiet
from pipeline.records import Ground, Pins, Plan
from pipeline.run import Result
from pipeline.sheets import book
from pipeline.sheets.context import SheetContext, make_context
from pipeline.sheets.workers import beside, give_back, unswept
from pipeline.store import planfolder
from pipeline.store.plan_reader import read_issue
from pipeline.terrain.grid import Terrain

_VERSIONED = ("numpy", "scipy", "shapely", "pyproj", "geopandas", "rasterio", "numba", "reportlab", "pikepdf")
_FETCHED_AFTER = 100  # sections; the overview is drawn by then, and its process gives its memory back


def refuse_existing(target: Path, *, force: bool) -> None:
    """Stop before any work when the target is taken and may not be replaced.

    Raises
    ------
    OutputError
    """
    planfolder.recover(target)
    if target.exists() and not force:
        remedy = "Name another folder with --into, or add --force: the old one is kept as NAME.previous."
        raise OutputError([Problem(str(target), "", "something that is there already", "a free name", remedy)])


def with_codes(plan: Plan, terrain: Terrain, ground: Ground) -> tuple[Plan, SheetContext]:
    """Return the plan with every section's check code, and the context to print it."""
    context = make_context(plan=plan, terrain=terrain, ground=ground)
    coded = tuple(dataclasses.replace(s, check_code=context.check_code(s.section_id)) for s in plan.sections)
    plan = dataclasses.replace(plan, sections=coded)
    return plan, dataclasses.replace(context, plan=plan)


def print_all(context: SheetContext, put: Callable[[str, bytes], None], report: Report = quiet) -> Plan:
    """Print all paper of a plan, and return the plan with its page counts.

    Every section is planned once: its pages are counted, printed and bound into the book. ``put`` is given
    each file as it is finished, with its path in the plan folder.
    """
    sections = context.plan.sections
    making = book.make_sets(context, [s.section_id for s in sections])
    first = list(islice(making, 1))  # what every process needs is loaded then, and found there by those that follow
    counted = []
    with beside(partial(book.render_overviews, context)) as overviews, book.Binder(context) as binder:
        for i, (section, made) in enumerate(zip(sections, chain(first, making), strict=True)):
            report(f"printed section {made.section_id}", 0.9 + 0.08 * i / len(sections))
            binder.take(made)
            put(f"sheets/{made.section_id}.pdf", made.pdf)
            counted.append(dataclasses.replace(section, sheets=made.sheets))
            if i == _FETCHED_AFTER:
                overviews()
        plan = dataclasses.replace(context.plan, sections=tuple(counted))
        report("printing the book", 0.98)
        volumes = binder.finish(dataclasses.replace(context, plan=plan))
        for name, body in (volumes | overviews()).items():
            put(name, body)
        return plan


def manifest(plan: Plan, hashes: dict[str, str], seconds: dict[str, float]) -> dict[str, object]:
    """Return what a plan was made from and with."""
    settings_text = bushfile.render(plan.settings)
    return {
        "fallgrade": __version__,
        "python": platform.python_version(),
        "libraries": {name: metadata.version(name) for name in _VERSIONED},
        "inputs": hashes,
        "settings_sha256": planfolder.sha256_text(settings_text),
        "stage_seconds": {name: round(value, 3) for name, value in seconds.items()},
    }


def publish(
    result: Result, hashes: dict[str, str], target: Path, *, force: bool, report: Report = quiet
) -> Plan:
    """Print a plan and write its folder, whole or not at all.

    Raises
    ------
    OutputError
        When the folder cannot be written; nothing is changed then.
    """
    give_back()
    with unswept(), closing(planfolder.spooled(target)) as pdfs:
        _, context = with_codes(result.plan, result.terrain, result.ground)
        plan = print_all(context, pdfs.put, report)
        report("writing the plan folder", 0.99)
        planfolder.write_plan(
            target, plan=plan, terrain=result.terrain, ground=result.ground, pdfs=pdfs,
            manifest=manifest(plan, hashes, result.seconds), settings_text=bushfile.render(plan.settings), force=force,
        )
    return plan


def load(folder: Path) -> Result:
    """Return the plan of a plan folder with its ground rebuilt.

    Raises
    ------
    InputDataError
        When the folder is no whole plan.
    """
    planfolder.recover(folder)
    plan, terrain, layers = planfolder.read_plan(folder)
    # places to avoid are among the layers, and kept lines are in the plan: gaps are all that is left of the pins
    pins = Pins(gaps=planfolder.read_gaps(folder))
    ground, _ = ground_room.prepare(terrain=terrain, layers=layers, pins=pins, settings=plan.settings)
    return Result(plan, terrain, ground, {})


def with_issues(
    plan: Plan, folder: Path, terrain: Terrain, ground: Ground, before: tuple[str, Plan] | None = None
) -> SheetContext:
    """Return the context of a plan's sheets, each section that repairs left alone with the plan it was issued with.

    Parameters
    ----------
    folder : Path
        The plan folder that keeps the earlier plans.
    before : tuple of str and Plan, optional
        Revision and plan of `folder` itself, when `plan` is its repair.
    """
    context = make_context(plan=plan, terrain=terrain, ground=ground)
    earlier: dict[str, SheetContext] = {}
    issued: dict[str, SheetContext] = {}
    for section in plan.sections:
        revision = section.issued_in
        if not revision:
            continue
        if revision not in earlier:
            same = before is not None and revision == before[0]
            held = before[1] if same and before is not None else read_issue(folder, revision, plan.settings)
            held = dataclasses.replace(held, settings=plan.settings)
            earlier[revision] = make_context(plan=held, terrain=terrain, ground=ground)
        issued[section.section_id] = earlier[revision]
    return dataclasses.replace(context, issued=issued)


def reprint(
    folder: Path, sections: Sequence[str], changes: dict[str, str], target: Path, report: Report = quiet
) -> list[Path]:
    """Print sections (all, and the book, when none is named) of a plan folder again.

    Parameters
    ----------
    changes : dict
        ``paper``, ``units`` and ``language`` to print with instead of the plan's own.

    Raises
    ------
    RequestError
        When a section does not exist.
    OutputError
        When the target cannot be written.
    """
    result = load(folder)
    given_up = [s.section_id for c in result.plan.changes[-1:] for s in c.sections if s.retired]
    known = [*(s.section_id for s in result.plan.sections), *given_up]
    unknown = [name for name in sections if name not in known]
    if unknown:
        wanted = ", ".join(known)
        raise RequestError([Problem(str(folder), "sections", f"no section {name!r}", f"one of {wanted}",
                                   "Name a section of this plan.") for name in unknown])
    bush = dataclasses.replace(result.plan.settings.bush, **changes)  # type: ignore[arg-type]
    plan = dataclasses.replace(result.plan, settings=dataclasses.replace(result.plan.settings, bush=bush))
    context = with_issues(plan, folder, result.terrain, result.ground)
    wanted_ids = list(sections) or known
    pdfs: dict[str, bytes] = {}
    sets = []
    for i, made in enumerate(book.make_sets(context, wanted_ids)):
        report(f"printed section {made.section_id}", i / len(wanted_ids))
        pdfs[f"{made.section_id}.pdf"] = made.pdf
        sets.append(made)
    if not sections:
        report("printing the book", 0.95)
        pdfs |= book.render_volumes(context, sets)
    return planfolder.write_files(target, pdfs)
