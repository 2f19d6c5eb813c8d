"""After a storm: from a plan folder and what the crew logged to the repaired plan folder; and back again."""

from __future__ import annotations

import dataclasses
import time
from pathlib import Path

from pipeline import bushfile, publish
from pipeline.reading import Report, quiet
from pipeline.records import Ground, Plan, Storm
from pipeline.replan import Replanned, replan
from pipeline.replan.zoning import current_revision
from pipeline.sheets import book
from pipeline.sheets.context import make_context
from pipeline.store import bush as store_bush
from pipeline.store import inputs as store_inputs
from pipeline.store import issues, planfolder, vectors
from pipeline.store.storm import read_storm
from pipeline.terrain.grid import Terrain


def repair(
    folder: Path, storm_file: Path | None, target: Path, *, force: bool, date: str = "",
    trees_file: Path | None = None, report: Report = quiet,
) -> Replanned:
    """Repair the plan of a folder, lead new trees to its lines, and write it anew; the old one stays whole.

    Parameters
    ----------
    folder : Path
        The plan as it stands.
    storm_file : Path or None
        What the crew logged; None when nothing was.
    target : Path
        Where the repaired plan goes; with `force` it may be `folder` itself, which is then
        kept as ``NAME.previous``.
    date : str
        Date of the repair; today when empty.
    trees_file : Path, optional
        New trees as surveyed, in any form that a bush file may name.

    Raises
    ------
    InputDataError, NoPlanError, OutputError
    """
    start = time.perf_counter()
    report("reading the plan", 0.0)
    old = publish.load(folder)
    given = [path for path in (storm_file, trees_file) if path is not None]
    name = " + ".join(path.name for path in given)
    logged = Storm(name, ()) if storm_file is None else read_storm(storm_file, old.plan)
    added = None if trees_file is None else vectors.read_more_trees(trees_file, old.plan.settings, old.plan.frame)
    made = replan(
        plan=old.plan, terrain=old.terrain, ground=old.ground, storm=dataclasses.replace(logged, source=name),
        price_rows=[{"code": code, "price": repr(price)} for code, price in old.plan.prices],
        date=date or store_bush.today(), added=added, report=lambda text, share: report(text, 0.05 + 0.7 * share),
    )
    current = current_revision(old.plan)
    needed = tuple(sorted({s.issued_in for s in made.plan.sections if s.issued_in}))
    carried = issues.carried(folder, needed, current, made.kept)
    plan, pdfs = _printed(made.plan, old.terrain, old.ground, report)
    hashes = issues.hashes(folder)
    for path in given:
        digest = store_inputs.sha256_file(path)
        known = hashes.get(path.name, digest) == digest
        hashes[path.name if known else f"{path.name} (Rev {made.change.revision})"] = digest
    report("writing the plan folder", 0.99)
    planfolder.write_plan(
        target, plan=plan, terrain=old.terrain, ground=old.ground, pdfs={**pdfs, **carried},
        manifest=publish.manifest(plan, hashes, {"replan": time.perf_counter() - start}),
        settings_text=bushfile.render(plan.settings), force=force,
    )
    return dataclasses.replace(made, plan=plan)


def _printed(plan: Plan, terrain: Terrain, ground: Ground, report: Report) -> tuple[Plan, dict[str, bytes]]:
    """Return the plan with codes and page counts, and the paper that is new: touched sections, book, overview.

    The book holds what to print now: the plan's pages and the sections that were touched or given up. The sheets of
    the others hold as they were printed, so nothing of them is made again.
    """
    context = make_context(plan=plan, terrain=terrain, ground=ground)
    plan = dataclasses.replace(plan, sections=tuple(
        s if s.issued_in else dataclasses.replace(s, check_code=context.check_code(s.section_id)) for s in plan.sections
    ))
    touched = [s.section_id for s in plan.sections if not s.issued_in]
    context = dataclasses.replace(context, plan=plan)
    wanted = [*touched, *book.retired_sections(context)]
    pdfs, sets = {}, []
    for i, made in enumerate(book.make_sets(context, wanted)):
        report(f"printed section {made.section_id}", 0.8 + 0.1 * i / max(len(wanted), 1))
        pdfs[f"sheets/{made.section_id}.pdf"] = made.pdf
        sets.append(made)
    count = {made.section_id: len(made.pages) for made in sets}
    plan = dataclasses.replace(plan, sections=tuple(
        dataclasses.replace(s, sheets=count.get(s.section_id, s.sheets)) for s in plan.sections
    ))
    context = dataclasses.replace(context, plan=plan)
    report("printing the book", 0.93)
    pdfs["book.pdf"] = book.render_book(context, sets, only=touched)
    pdfs["overview.pdf"] = book.render_overview(context)
    pdfs["overview.png"] = book.overview_png(pdfs["overview.pdf"])
    return plan, pdfs


def undo(folder: Path) -> Path:
    """Put the plan from before the last repair back; the undone one is kept as ``NAME.undone``.

    Raises
    ------
    OutputError
        When there is no previous plan.
    """
    return issues.undo(folder)
