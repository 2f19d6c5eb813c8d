"""Puts a finished plan folder in another one's place, one run at a time, and mends what a killed run left.

A plan that gives way is kept as ``NAME.previous``. Between the two renames nothing bears the name itself: a run that
is killed just there leaves the old plan under ``NAME.previous`` only, and :func:`recover` puts it back.
"""

from __future__ import annotations

import contextlib
import glob
import os
import platform
import re
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path

from pipeline.errors import OutputError, Problem

if sys.platform != "win32":
    import fcntl

PREVIOUS = ".previous"
UNDONE = ".undone"
# a folder that holds these is a plan of ours and may be replaced
MARKS = ("plan.gpkg", "manifest.json")


def is_whole(folder: Path) -> bool:
    """Whether a folder is a plan: nothing else is ever moved or removed."""
    return all((folder / mark).is_file() for mark in MARKS)


def beside(folder: Path, tail: str) -> Path:
    """Return the place beside a plan folder that bears its name and a tail."""
    return folder.with_name(folder.name + tail)


def stem(folder: Path) -> str:
    """Return how the names of folders in the making begin, for one target on this computer."""
    return f".{folder.name[:60]}.{re.sub(r'[^A-Za-z0-9]', '', platform.node())[:30]}-"


@contextlib.contextmanager
def alone(parent: Path) -> Iterator[None]:
    """Let one run at a time put its folder in place; the lock dies with the process that holds it."""
    if sys.platform == "win32":  # a rename over a folder fails there by itself
        yield
        return
    handle = os.open(parent, os.O_RDONLY)
    try:
        with contextlib.suppress(OSError):  # some network disks know no locks
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _left_by_the_dead(folder: Path) -> list[Path]:
    """Return what runs for a target left behind when they were killed on this computer."""
    if os.name != "posix":  # elsewhere there is no harmless way to ask whether a process lives
        return []
    begin = stem(folder)
    found = []
    for left in sorted(folder.parent.glob(f"{glob.escape(begin)}*.part*")):
        pid = left.name.removeprefix(begin).split(".")[0]
        if not pid.isdigit():
            continue
        try:
            os.kill(int(pid), 0)
        except ProcessLookupError:
            found.append(left)
        except (OSError, OverflowError):
            continue
    return found


def sweep(folder: Path) -> None:
    """Remove what runs for a target left behind when they were killed on this computer."""
    for left in _left_by_the_dead(folder):
        shutil.rmtree(left, ignore_errors=True)


def recover(folder: Path) -> None:
    """Take back what a run had begun that was killed while it put a plan in this place; nothing where none was."""
    folder = folder.resolve()
    previous = beside(folder, PREVIOUS)
    with contextlib.suppress(OSError):  # where nothing can be renamed, readers say what is missing
        if folder.exists() and previous.exists():
            return
        with alone(folder.parent):
            left = _left_by_the_dead(folder)
            begun = any(is_whole(p) for p in left if p.suffix == ".part") or is_whole(beside(folder, UNDONE))
            if not folder.exists() and is_whole(previous) and begun:
                previous.rename(folder)
            older = [p for p in left if p.suffix == ".older" and is_whole(p)]
            if folder.exists() and not previous.exists() and older:
                older[-1].rename(previous)


def swap(folder: Path, made: Path) -> None:
    """Put a finished folder in the target's place, an earlier plan beside it; all as before when that fails.

    Raises
    ------
    OutputError
        When what lies at ``NAME.previous`` is no plan.
    OSError
    """
    previous = beside(folder, PREVIOUS)
    moves: list[tuple[Path, Path]] = []
    if folder.exists() and not any(folder.iterdir()):
        folder.rmdir()
    if folder.exists():
        older = beside(made, ".older")
        if previous.exists():
            refuse_strange(previous)
            moves.append((previous, older))
        moves.append((folder, previous))
    moves.append((made, folder))
    done: list[tuple[Path, Path]] = []
    try:
        for source, target in moves:
            source.rename(target)
            done.append((source, target))
    except OSError:
        for source, target in reversed(done):
            target.rename(source)
        raise
    for source, target in done:
        if source == previous:
            shutil.rmtree(target, ignore_errors=True)


def refuse_strange(folder: Path) -> None:
    """Stop unless a folder is a plan.

    Raises
    ------
    OutputError
    """
    if not is_whole(folder):
        raise OutputError([Problem(str(folder), "", "a folder with other things in it", "a free name or a plan",
                                   "Name another folder; only a plan folder is ever replaced.")])
