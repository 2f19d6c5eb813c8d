"""Hashes of everything a plan was made from."""

from __future__ import annotations

import hashlib
from pathlib import Path

from pipeline.errors import InputDataError, Problem
from pipeline.settings import Settings
from pipeline.store import tiles

# files that belong to another one of the same stem
_SIDECARS = {
    ".shp": (".shx", ".dbf", ".prj", ".cpg", ".sbn", ".sbx", ".qix"),
    ".asc": (".prj",), ".flt": (".hdr", ".prj"), ".bil": (".hdr", ".prj"),
    ".tif": (".tfw", ".prj"), ".tiff": (".tfw", ".prj"), ".img": (".ige",),
}
_AUXILIARY = (".aux.xml", ".msk")


def hash_inputs(settings: Settings, base: Path) -> dict[str, str]:
    """Return the SHA-256 of each input file, sidecars included, keyed by name as in the bush file.

    Raises
    ------
    InputDataError
        When a file cannot be read.
    """
    named = [settings.trees.file, settings.terrain.file, settings.pins.file, settings.prices.file]
    named += [layer.file for layer in settings.ground.values()]
    hashes: dict[str, str] = {}
    problems: list[Problem] = []
    for name in sorted({n for n in named if n}):
        found = tiles.matches(base, name) if tiles.is_pattern(name) else [(base / name, name)]
        for file, label in (pair for path, own in found for pair in _with_sidecars(path, own)):
            try:
                hashes[label] = sha256_file(file)
            except OSError as fault:
                problems.append(Problem(name, "", f"a file that cannot be read ({fault.strerror})", "a readable file",
                                        "Close other programs that hold it, or mend its permissions."))
    if problems:
        raise InputDataError(problems)
    return dict(sorted(hashes.items()))


def _with_sidecars(path: Path, name: str) -> list[tuple[Path, str]]:
    stem = name[: len(name) - len(path.suffix)]
    beside = _SIDECARS.get(path.suffix.lower(), ())
    found = [(path, name)]
    for tail in (*beside, *(t.upper() for t in beside)):
        side = path.with_suffix(tail)
        if side.is_file() and not any(side.samefile(f) for f, _ in found if f.exists()):
            found.append((side, stem + tail))
    found += [(path.with_name(path.name + tail), name + tail) for tail in _AUXILIARY
              if path.with_name(path.name + tail).is_file()]
    return found


def sha256_file(path: Path) -> str:
    """Return the SHA-256 of a file's bytes, in hexadecimal."""
    digest = hashlib.sha256()
    with path.open("rb") as handle:
        while block := handle.read(1 << 20):
            digest.update(block)
    return digest.hexdigest()
