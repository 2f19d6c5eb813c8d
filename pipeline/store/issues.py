"""What a repaired plan folder carries over from the one before: earlier plans and the sheets that still hold."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

from pipeline.errors import InputDataError, OutputError, Problem
from pipeline.store import swapping
from pipeline.store.plan_reader import issue_path


def carried(folder: Path, revisions: tuple[str, ...], current: str, sections: tuple[str, ...]) -> dict[str, bytes]:
    """Return the files to carry over, by their path in the new folder.

    Parameters
    ----------
    revisions : tuple of str
        Revisions of which sheets still hold.
    current : str
        The revision of `folder` itself.
    sections : tuple of str
        Sections whose sheets hold: taken byte for byte.

    Raises
    ------
    InputDataError
        When one of them is not there.
    """
    paths = {f"sheets/{name}.pdf": folder / "sheets" / f"{name}.pdf" for name in sections}
    for revision in revisions:
        source = folder / "plan.gpkg" if revision == current else issue_path(folder, revision)
        paths[f"issued/{issue_path(folder, revision).name}"] = source
    missing = [str(p.relative_to(folder)) for p in paths.values() if not p.is_file()]
    if missing:
        raise InputDataError([Problem(str(folder), "", f"no {', '.join(missing)[:200]}", "a whole plan folder",
                                      "Restore the folder, or plan again.")])
    return {name: path.read_bytes() for name, path in sorted(paths.items())}


def hashes(folder: Path) -> dict[str, str]:
    """Return the input hashes of a plan folder's manifest; empty when it has none."""
    try:
        found = json.loads((folder / "manifest.json").read_text(encoding="utf-8")).get("inputs", {})
    except (OSError, ValueError, AttributeError):
        return {}
    return {str(k): str(v) for k, v in found.items()} if isinstance(found, dict) else {}


def undo(folder: Path) -> Path:
    """Put the previous plan back in a plan folder's place and return where the undone one is kept now.

    An undo that was killed half-way is finished.

    Raises
    ------
    OutputError
        When there is no previous plan; nothing is changed then.
    """
    folder = folder.resolve()
    previous, undone = swapping.beside(folder, swapping.PREVIOUS), swapping.beside(folder, swapping.UNDONE)
    if not folder.exists():
        swapping.recover(folder)
        if swapping.is_whole(folder) and swapping.is_whole(undone) and not previous.exists():
            return undone
    for place in (previous, folder):
        if not swapping.is_whole(place):
            raise OutputError([Problem(str(place), "", "no whole plan", "the plan from before the repair",
                                       "A repair written into another folder left the old plan where it was.")])
    with swapping.alone(folder.parent):
        if undone.exists():
            swapping.refuse_strange(undone)
            shutil.rmtree(undone)
        folder.rename(undone)
        try:
            previous.rename(folder)
        except OSError as fault:
            undone.rename(folder)
            raise OutputError([Problem(str(previous), "", str(fault.strerror), "a folder that can be renamed",
                                       "Close the programs that hold it open.")]) from fault
    return undone
