"""Writes a plan folder whole or not at all.

Everything is made in a folder beside the target and then renamed. With ``force`` an
earlier plan is moved to ``NAME.previous`` first, and stays there until the next such
run; whenever the program is stopped, one whole plan is there.
"""

from __future__ import annotations

import contextlib
import errno
import hashlib
import os
import re
import shutil
import sqlite3
import tempfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path, PurePosixPath

from pipeline.errors import FallgradeError, OutputError, Problem
from pipeline.records import Ground, GroundLayer, Plan
from pipeline.store import exports, geopackage, plan_records, plan_tables, proof, swapping
from pipeline.store.plan_reader import read_gaps, read_plan
from pipeline.store.spool import Spool
from pipeline.store.swapping import recover
from pipeline.store.terrain_copy import write_terrain
from pipeline.terrain.grid import Terrain

__all__ = ["read_gaps", "read_plan", "recover", "sha256_text", "spooled", "write_files", "write_plan"]

_REMEDIES = {
    errno.ENOSPC: "Free disk space, or choose a folder on another disk.",
    errno.EDQUOT: "Free disk space, or choose a folder on another disk.",
    errno.EROFS: "The disk is read-only; choose another folder.",
    errno.EACCES: "Choose a folder you may write to, or close the program that holds it open.",
    errno.EPERM: "Choose a folder you may write to, or close the program that holds it open.",
    errno.EFBIG: "Choose a folder on a disk that takes larger files, or lift the limit of this account.",
    errno.EBUSY: "Close the program that holds the folder open.",
    errno.ENAMETOOLONG: "Choose a shorter name.",
}


def sha256_text(text: str) -> str:
    """Return the SHA-256 of a text in UTF-8, in hexadecimal."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def write_plan(
    folder: Path,
    *,
    plan: Plan,
    terrain: Terrain,
    ground: Ground | Sequence[GroundLayer],
    pdfs: Mapping[str, bytes],
    manifest: Mapping[str, object],
    settings_text: str,
    force: bool,
) -> None:
    """Write the plan folder.

    Parameters
    ----------
    folder : Path
        The target; it does not exist, or holds an earlier plan and `force` is set.
    plan : Plan
    terrain : Terrain
        The working terrain, kept in the folder.
    ground : Ground or sequence of GroundLayer
        Its layers are kept in the folder.
    pdfs : mapping of str to bytes
        Paper by its path in the folder (``book.pdf``, ``sheets/S01.pdf``, ``overview.png``).
    manifest : mapping
        Written as ``manifest.json``.
    settings_text : str
        Written as ``settings.used.toml``.
    force : bool
        Whether an earlier plan may be replaced.

    Raises
    ------
    OutputError
        With a remedy; the target is then as it was.
    """
    layers = ground.layers if isinstance(ground, Ground) else tuple(ground)
    gaps = ground.gaps if isinstance(ground, Ground) else ()
    texts = {
        "materials.csv": exports.materials_csv(plan), "findings.csv": exports.findings_csv(plan),
        "fieldpoints.gpx": exports.fieldpoints_gpx(plan), "settings.used.toml": settings_text,
        "manifest.json": exports.as_json(dict(manifest)), "summary.json": exports.as_json(exports.summary(plan)),
    }
    paper = {_inside(name): name for name in pdfs}

    def fill(made: Path) -> None:
        for name in sorted({*paper, *texts}):
            (made / name).parent.mkdir(parents=True, exist_ok=True)
            # one at a time: all the paper of a vast plan at once would fill the memory
            (made / name).write_bytes(texts[name].encode("utf-8") if name in texts else pdfs[paper[name]])
        write_terrain(made / "terrain.tif", terrain)
        tables = (*plan_tables.all_tables(plan), *plan_tables.ground(layers))
        geopackage.write(
            made / "plan.gpkg", tables,
            crs_wkt=plan.frame.crs_wkt, records=plan_records.record_texts(plan, layers, gaps), stamp=_stamp(plan),
        )
        proof.prove(made / "plan.gpkg", tables)

    _replace(folder, fill, force=force)


def write_files(folder: Path, files: Mapping[str, bytes]) -> list[Path]:
    """Write files into a folder, each whole or not at all, and return their paths.

    Raises
    ------
    OutputError
    """
    written = []
    with _told(folder):
        for name, body in sorted(files.items()):
            target = folder / _inside(name)
            target.parent.mkdir(parents=True, exist_ok=True)
            part = target.with_name(f".{target.name}.part")
            try:
                part.write_bytes(body)
                part.replace(target)
            finally:
                part.unlink(missing_ok=True)
            written.append(target)
    return written


def _stamp(plan: Plan) -> str:
    """Return the time stamp of the tables: the plan's date, so that the same plan gives the same bytes."""
    date = plan.settings.bush.date
    day = date if re.fullmatch(r"\d{4}-\d{2}-\d{2}", date) else "1970-01-01"
    return f"{day}T00:00:00.000Z"


def _inside(name: str) -> str:
    """Return a file name that stays inside the folder."""
    path = PurePosixPath(name)
    if path.is_absolute() or not path.parts or ".." in path.parts or re.search(r"[\\:\x00-\x1f]", name):
        raise OutputError([Problem("", "", f"the file name {name!r}", "a name inside the plan folder",
                                   "Use letters, digits, dots and dashes in IDs.")])
    return str(path)


def spooled(folder: Path) -> Spool:
    """Return a place for files until their folder is made; to be closed.

    Raises
    ------
    OutputError
        Here and at every file when the disk takes no more.
    """
    return Spool(lambda: _told(folder))


@contextlib.contextmanager
def _told(folder: Path) -> Iterator[None]:
    """Turn what the disk says into an error with a remedy."""
    try:
        yield
    except FallgradeError:
        raise
    except (OSError, sqlite3.Error, RuntimeError) as fault:
        number = getattr(fault, "errno", None)
        full = "full" in str(fault).lower() or "no space" in str(fault).lower()
        remedy = _REMEDIES.get(errno.ENOSPC if full else number or 0, "Check the disk, or choose another folder.")
        reason = getattr(fault, "strerror", None) or " ".join(str(fault).split())[:150]
        raise OutputError([Problem(str(folder), "", reason, "a folder to write to", remedy)]) from fault


def _replaceable(folder: Path, *, force: bool) -> None:
    """Stop unless the target is free, empty, or an earlier plan that may be replaced."""
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        raise OutputError([Problem(str(folder), "", "a file or a link of that name", "a free name",
                                   "Name another folder.")])
    if not folder.exists() or not any(folder.iterdir()):
        return
    swapping.refuse_strange(folder)
    if not force:
        raise OutputError([Problem(str(folder), "", "an earlier plan", "a free name",
                                   "Name another folder, or add --force to replace it.")])


def _replace(folder: Path, fill: Callable[[Path], None], *, force: bool) -> None:
    """Make a folder beside the target and put it in the target's place."""
    with _told(folder):
        _replaceable(folder, force=force)
        folder = folder.resolve()
        folder.parent.mkdir(parents=True, exist_ok=True)
        swapping.recover(folder)
        swapping.sweep(folder)
        stem = f"{swapping.stem(folder)}{os.getpid()}."
        made = Path(tempfile.mkdtemp(prefix=stem, suffix=".part", dir=folder.parent))
        try:
            fill(made)
            made.chmod(0o755)
            with swapping.alone(folder.parent):
                _replaceable(folder, force=force)  # another run may have finished meanwhile
                swapping.swap(folder, made)
        finally:
            shutil.rmtree(made, ignore_errors=True)
