"""The command line: reads words, shows progress, turns errors into messages and exit codes.

Heavy libraries are imported inside the commands, so that ``--help`` answers at once.
"""

from __future__ import annotations

import re
import sys
import traceback
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

import click

from pipeline import __version__
from pipeline.errors import EXIT_FINDINGS, EXIT_FINE, EXIT_NO_PLAN, EXIT_OUR_FAULT, FallgradeError, Problem

if TYPE_CHECKING:
    from pipeline.findings import Finding
    from pipeline.reading import Report
    from pipeline.records import Plan
    from pipeline.replan import Replanned

_EXIT_CODES = """
\b
Exit codes: 0 fine · 1 findings with --strict · 2 bush file · 3 input data ·
4 no legal plan · 5 output · 70 our fault
"""


def say(text: str = "") -> None:
    """Print one line for the reader."""
    click.echo(text)


def next_step(command: str, why: str) -> None:
    """Say what to do next: every command ends with it."""
    say(f"\nNext: {command}\n      {why}")


@contextmanager
def progress(*, wanted: bool) -> Iterator[Report]:
    """Yield a reporter: a bar on a terminal, plain lines elsewhere, nothing when not wanted."""
    if not wanted:
        yield lambda _message, _share: None
    elif sys.stderr.isatty():
        yield from _bar()
    else:
        last, shown = "", ("", -1)

        def line(message: str, share: float) -> None:
            nonlocal last, shown
            # of a thousand sections or blocks one line for each percent is enough
            here = re.sub(r"\d+", "", message), int(100 * share)
            if message != last and here != shown:
                last, shown = message, here
                click.echo(f"{100 * share:3.0f} %  {message}", err=True)

        yield line


def _bar() -> Iterator[Report]:
    from rich.console import Console
    from rich.progress import BarColumn, Progress, TextColumn, TimeElapsedColumn

    columns = (TextColumn("{task.percentage:3.0f} %"), BarColumn(), TimeElapsedColumn(),
               TextColumn("{task.description}"))
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("starting", total=1.0)
        yield lambda message, share: bar.update(task, description=message, completed=share)


def show_error(error: FallgradeError) -> None:
    """Print every problem of an error, one paragraph each."""
    click.echo(f"{error.headline} ({len(error.problems)} to mend):", err=True)
    for problem in error.problems:
        click.echo(_problem_text(problem), err=True)


def _problem_text(problem: Problem) -> str:
    place = ", ".join(part for part in (problem.file, problem.where) if part) or "plan"
    return f"\n  {place}\n    found:  {problem.found}\n    wanted: {problem.wanted}\n    do:     {problem.remedy}"


@click.group(epilog=_EXIT_CODES, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100})
@click.version_option(__version__, prog_name="fallgrade")
@click.option("--debug", is_flag=True, help="Show where in the program an error arose.")
def cli(*, debug: bool) -> None:
    """Plan maple sap tubing on real terrain and print sheets that crews install from."""
    click.get_current_context().obj = {"debug": debug}


@cli.command()
@click.argument("folder", type=click.Path(path_type=Path, file_okay=False))
def start(folder: Path) -> None:
    """Write a commented bush file into FOLDER, to be filled in."""
    from pipeline import bushfile
    from pipeline.store.bush import today, write_starter

    written = write_starter(folder, bushfile.starter(today()))
    say(f"Wrote {written}: every setting with its default and meaning.")
    next_step(f"fallgrade check {written}",
              "after you put your trees, terrain and tank into it; 'fallgrade demo' shows a filled-in one.")


@cli.command()
@click.argument("bush", type=click.Path(path_type=Path))
@click.option("--pdf", type=click.Path(path_type=Path, dir_okay=False), help="Write the page as a PDF too.")
@click.option("--quiet", is_flag=True, help="No progress.")
def check(bush: Path, pdf: Path | None, *, quiet: bool) -> None:
    """Read everything BUSH names and say on one page what was found; plan nothing."""
    from pipeline import checking

    with progress(wanted=not quiet) as report:
        try:
            checked = checking.check(bush, report)
        except FallgradeError as error:
            if pdf is not None:
                say(f"Wrote {checking.write_pdf(checking.problems_pdf(error, bush), pdf)}")
            raise
        written = checking.write_pdf(checking.pdf(checked), pdf) if pdf is not None else None
    for line in checking.lines(checked):
        say(line)
    if written is not None:
        say(f"\nWrote {written}")
    if checked.trees.candidate.any():
        next_step(f"fallgrade plan {bush}", "routes, groups, hangs, sizes and prints.")
    else:
        next_step(f"fallgrade check {bush}", "after you mended the survey: as it stands no tree can be tapped.")
        raise SystemExit(EXIT_NO_PLAN)


def _show_findings(findings: list[Finding], limit: int = 12) -> None:
    from pipeline.findings import in_order

    ordered = in_order(findings)
    for finding in ordered[:limit]:
        subject = f" {finding.subject_id}" if finding.subject_id else ""
        say(f"  {finding.severity:9} {finding.code}{subject}: {finding.text} {finding.remedy}")
    if len(ordered) > limit:
        say(f"  ... and {len(ordered) - limit} more in findings.csv")


@cli.command()
@click.argument("bush", type=click.Path(path_type=Path))
@click.option("--into", type=click.Path(path_type=Path), help="Plan folder; 'plan' beside the bush file by default.")
@click.option("--force", is_flag=True, help="Replace an existing plan folder; the old one stays as NAME.previous.")
@click.option("--strict", is_flag=True, help="Exit with 1 when the judge finds a violation or a check.")
@click.option("--fresh", is_flag=True, help="Compute every stage again, also those an interrupted run finished.")
@click.option("--quiet", is_flag=True, help="No progress.")
def plan(bush: Path, into: Path | None, *, force: bool, strict: bool, fresh: bool, quiet: bool) -> None:
    """Plan the woodlot that BUSH describes and write the plan folder with its sheets."""
    _plan_into(bush, into or bush.parent / "plan", force=force, strict=strict, fresh=fresh, quiet=quiet)


def _plan_into(bush: Path, target: Path, *, force: bool, strict: bool, quiet: bool, fresh: bool = False) -> None:
    from pipeline import publish, reading, run
    from pipeline.store import stagecache

    publish.refuse_existing(target, force=force)
    with progress(wanted=not quiet) as report:
        given = reading.read_inputs(bush, report)
        stages = stagecache.stages_of(given, fresh=fresh)
        result = run.make_plan(given, report, stages.keep)
        finished = publish.publish(result, given.hashes, target, force=force, report=report)
    stages.forget()
    if stages.resumed:
        say(f"Taken from an interrupted run: {', '.join(stages.resumed)} (--fresh computes them again).")
    _show_plan(finished)
    say(f"\nPlan folder: {target}")
    say(f"  {target / 'book.pdf'}      everything, to print at 100 %")
    say(f"  {target / 'sheets'}{'':<8}one PDF for each section")
    say(f"  {target / 'overview.png'}  the whole network at a glance")
    next_step(f"fallgrade sheets {target} --section {finished.sections[0].section_id}",
              "prints a section again, on other paper or in other units.")
    if strict and any(f.severity != "note" for f in finished.findings):
        raise SystemExit(EXIT_FINDINGS)


def _show_plan(finished: Plan) -> None:
    from collections import Counter

    from pipeline.units import Units

    units = Units(finished.settings.bush.units)
    status = Counter(finished.trees.status)
    say(f"\n{finished.settings.bush.name}: {len(finished.trees)} trees read = {status['served']} served + "
        f"{status['set_aside']} set aside + {status['not_tapped']} not tapped")
    s = finished.stats
    say(f"  {int(s['taps'])} taps on {len(finished.laterals)} laterals and {len(finished.mainlines)} mainlines in "
        f"{len(finished.sections)} sections")
    say(f"  mainline {units.length(s['mainline_m'])} ({units.length(s['mainline_m_per_tap'], 1)} a tap), laterals "
        f"{units.length(s['lateral_m'])} ({units.length(s['lateral_m_per_tap'], 1)} a tap)")
    for layer in finished.not_checked:
        say(f"  NOT CHECKED: {layer} (no layer given)")
    grave = Counter(f.severity for f in finished.findings)
    say(f"  findings: {grave['violation']} violations, {grave['check']} to check, {grave['note']} notes")
    _show_findings([f for f in finished.findings if f.severity == "violation"])


@cli.command()
@click.argument("folder", type=click.Path(path_type=Path))
@click.option("--section", "sections", multiple=True, help="Only this section; may be repeated.")
@click.option("--paper", type=click.Choice(["letter", "a4", "legal", "tabloid"]), help="Other paper.")
@click.option("--units", type=click.Choice(["us", "metric"]), help="Other units.")
@click.option("--language", type=click.Choice(["en", "fr"]), help="Other language.")
@click.option("--into", type=click.Path(path_type=Path), help="Where to; 'reprint' in the plan folder by default.")
def sheets(
    folder: Path, sections: tuple[str, ...], paper: str | None, units: str | None, language: str | None,
    into: Path | None,
) -> None:
    """Print the sheets of a plan FOLDER again, without planning."""
    from pipeline import publish

    changes = {k: v for k, v in (("paper", paper), ("units", units), ("language", language)) if v}
    with progress(wanted=True) as report:
        written = publish.reprint(folder, sections, changes, into or folder / "reprint", report)
    for path in written:
        say(f"Wrote {path}")
    next_step("print at 100 %", "the check bar on each map must measure as its caption says.")


@cli.command()
@click.argument("folder", metavar="PLAN", type=click.Path(path_type=Path))
@click.option("--storm", type=click.Path(path_type=Path), help="What the crew logged: GPX, CSV, GeoPackage, GeoJSON.")
@click.option("--trees", type=click.Path(path_type=Path), help="New trees as surveyed, led to the lines there are.")
@click.option("--into", type=click.Path(path_type=Path), help="Folder of the repaired plan; PLAN itself by default.")
@click.option("--force", is_flag=True, help="Replace the target; the old plan stays whole as NAME.previous.")
@click.option("--undo", is_flag=True, help="Put the plan from before the last repair back.")
@click.option("--date", default="", help="Date of the repair, YYYY-MM-DD; today when left out.")
@click.option("--quiet", is_flag=True, help="No progress.")
def replan(
    folder: Path, storm: Path | None, trees: Path | None, into: Path | None, *, force: bool, undo: bool, date: str,
    quiet: bool,
) -> None:
    """Repair PLAN after a storm, or add trees to it: only what must changes; all else keeps its sheets.

    A tree that is no longer to be tapped stands in the storm file as 'retire'. New trees are joined to laterals with
    taps to spare or get laterals of their own; no mainline is moved for them.
    """
    from pipeline import publish, repair_run

    if undo == (storm is not None or trees is not None):
        raise click.UsageError("Give --storm FILE to repair, --trees FILE to add trees, or --undo to take the last "
                               "repair back.")
    if undo:
        say(f"The plan from before the repair is back in {folder}; the undone one is {repair_run.undo(folder)}.")
        next_step(f"fallgrade sheets {folder}", "prints its sheets again.")
        return
    target = into or folder
    publish.refuse_existing(target, force=force)
    with progress(wanted=not quiet) as report:
        made = repair_run.repair(folder, storm, target, force=force, date=date, trees_file=trees, report=report)
    _show_repair(made)
    say(f"\nPlan folder: {target}")
    say(f"  {target / 'book.pdf'}  change summary, revised sheets and change sheets, to print at 100 %")
    next_step("print the revised sheets", "and take those they replace out of use; make safe first.")


def _show_repair(made: Replanned) -> None:
    from pipeline.units import Units

    change, units = made.change, Units(made.plan.settings.bush.units)
    say(f"\nRev {change.revision} replaces Rev {change.replaces}: {change.taps_before} taps before, "
        f"{change.taps_after} after; parts {change.money:,.0f} {made.plan.takeoff.currency}, "
        f"{change.hours:.1f} crew-hours")
    for piece in change.pieces:
        if piece.layer == "mainlines" or piece.options[piece.chosen].kind != "abandon":
            place = f" {units.station(piece.low_m)} to {units.station(piece.high_m)}"
            shown = place if piece.layer == "mainlines" else ""
            kind = "new trees " if piece.layer == "trees" else ""
            say(f"  {kind}{piece.subject_id}{shown}: {piece.options[piece.chosen].kind.replace('_', ' ')}")
    touched = [s.section_id + (" (given up)" if s.retired else "") for s in change.sections]
    say(f"  sections touched: {', '.join(touched)}; {len(made.kept)} keep their sheets as they are")
    _show_findings([f for f in made.plan.findings if f.code.startswith(("STORM_", "TREES_ADDED"))
                    or f.severity == "violation"])


@cli.command()
@click.argument("what")
@click.option("--plan", "folder", type=click.Path(path_type=Path), help="Plan folder, to explain an ID of it.")
@click.option("--language", type=click.Choice(["en", "fr"]),
              help="Language of what a code means; the plan's own by default, English without one.")
def explain(what: str, folder: Path | None, language: str | None) -> None:
    """Explain a finding CODE, or an ID of a plan (M1.2, M1.2-L07, M1-S04, M1-P02, S03, a tree's tag)."""
    from pipeline import explaining

    if folder:
        lines = explaining.explain_id(what, folder, language or "")
    else:
        lines = explaining.explain_code(what, language or "en")
    for line in lines:
        say(line)
    next_step("fallgrade plan BUSH" if not folder else f"fallgrade sheets {folder}",
              "after you changed the bush file." if not folder else "prints the sheets again.")


@cli.command()
@click.option("--into", type=click.Path(path_type=Path), default=Path("out/demo"), show_default=True)
@click.option("--force", is_flag=True, help="Replace an existing plan folder.")
@click.option("--quiet", is_flag=True, help="No progress.")
def demo(into: Path, *, force: bool, quiet: bool) -> None:
    """Plan the invented woodlot that comes with fallgrade."""
    from pipeline.resources import demo_dir

    _plan_into(demo_dir() / "bush.toml", into, force=force, strict=False, quiet=quiet)


def run_cli(arguments: list[str]) -> int:
    """Run the command line and return its exit code; never lets a traceback out unless asked to.

    Parameters
    ----------
    arguments : list of str
        Words after the command's name.
    """
    debug = "--debug" in arguments
    try:
        cli.main(args=arguments, prog_name="fallgrade", standalone_mode=False)
    except click.exceptions.Abort:
        click.echo("Stopped; nothing was written.", err=True)
        return 130
    except click.ClickException as error:
        error.show()
        return error.exit_code
    except FallgradeError as error:
        show_error(error)
        if debug:
            traceback.print_exc()
        return error.exit_code
    except SystemExit as stop:
        return int(stop.code or 0)
    except Exception as error:  # the last line of defence: our fault, said plainly, with exit code 70
        if debug:
            traceback.print_exc()
        click.echo(f"fallgrade failed ({type(error).__name__}: {error}). This is our fault, not yours; the last "
                   "whole plan is untouched. Run again with --debug before the command and send what it prints.",
                   err=True)
        return EXIT_OUR_FAULT
    return EXIT_FINE
