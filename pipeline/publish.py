"""From a finished plan to paper and the plan folder, and from a plan folder back to paper."""

from __future__ import annotations

import dataclasses
import platform
from collections.abc import Callable, Sequence
from functools import partial
from importlib import metadata
from pathlib import Path

from pipeline import __version__, bushfile
from pipeline import ground as ground_room
from pipeline.errors import OutputError, Problem, RequestError
from pipeline.records import Ground, Pins, Plan
from pipeline.run import Report, Result, quiet
from pipeline.sheets import book
from pipeline.sheets.context import SheetContext, make_context
from pipeline.store import planfolder
from pipeline.terrain.grid import Terrain

_VERSIONED = ("numpy", "scipy", "shapely", "pyproj", "geopandas", "rasterio", "numba", "reportlab", "pikepdf")


def refuse_existing(target: Path, *, force: bool) -> None:
    """Stop before any work when the target is taken and may not be replaced.

    Raises
    ------
    OutputError
    """
    if target.exists() and not force:
        remedy = "Name another folder with --into, or add --force: the old one is kept as NAME.previous."
        raise OutputError([Problem(str(target), "", "something that is there already", "a free name", remedy)])


def with_codes(plan: Plan, terrain: Terrain, ground: Ground) -> tuple[Plan, SheetContext]:
    """Return the plan with every section's check code and page count, and the context to print it."""
    coded = tuple(
        dataclasses.replace(s, check_code=book.check_code(plan, s)) for s in plan.sections
    )
    plan = dataclasses.replace(plan, sections=coded)
    context = make_context(plan=plan, terrain=terrain, ground=ground)
    counted = tuple(
        dataclasses.replace(s, sheets=book.page_count(context, s.section_id)) for s in plan.sections
    )
    plan = dataclasses.replace(plan, sections=counted)
    return plan, make_context(plan=plan, terrain=terrain, ground=ground)


def print_all(context: SheetContext, report: Report = quiet) -> dict[str, bytes]:
    """Return all paper of a plan by its path in the plan folder."""
    pdfs: dict[str, bytes] = {}
    sections = context.plan.sections
    for i, section in enumerate(sections):
        report(f"printing section {section.section_id}", 0.9 + 0.08 * i / len(sections))
        pdfs[f"sheets/{section.section_id}.pdf"] = book.render_section(context, section.section_id)
    report("printing the book", 0.98)
    pdfs["book.pdf"] = book.render_book(context)
    pdfs["overview.pdf"] = book.render_overview(context)
    pdfs["overview.png"] = book.overview_png(pdfs["overview.pdf"])
    return pdfs


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
    plan, context = with_codes(result.plan, result.terrain, result.ground)
    pdfs = print_all(context, report)
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
    plan, terrain, layers = planfolder.read_plan(folder)
    ground, _ = ground_room.prepare(terrain=terrain, layers=layers, pins=Pins(), settings=plan.settings)
    return Result(plan, terrain, ground, {})


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
    known = [s.section_id for s in result.plan.sections]
    unknown = [name for name in sections if name not in known]
    if unknown:
        wanted = ", ".join(known)
        raise RequestError([Problem(str(folder), "sections", f"no section {name!r}", f"one of {wanted}",
                                   "Name a section of this plan.") for name in unknown])
    bush = dataclasses.replace(result.plan.settings.bush, **changes)  # type: ignore[arg-type]
    plan = dataclasses.replace(result.plan, settings=dataclasses.replace(result.plan.settings, bush=bush))
    context = make_context(plan=plan, terrain=result.terrain, ground=result.ground)
    jobs: dict[str, Callable[[], bytes]] = {
        f"{name}.pdf": partial(book.render_section, context, name) for name in (sections or known)
    }
    if not sections:
        jobs["book.pdf"] = partial(book.render_book, context)
    pdfs = {}
    for i, (name, job) in enumerate(jobs.items()):
        report(f"printing {name}", i / len(jobs))
        pdfs[name] = job()
    return planfolder.write_files(target, pdfs)
