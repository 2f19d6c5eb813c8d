"""Keeps finished stages of a plan until it is published, so that an interrupted run goes on where it was.

A stage is found again only under a key made from the content of everything that went
into the plan, from the program's own source and templates, and from the versions of
the libraries that compute: a stage of another input, setting or version is never seen.
What is found is used only when its bytes are what was written; anything else is
computed again. Failing to keep a stage is never a failure of the plan.
"""

from __future__ import annotations

import hashlib
import importlib.metadata
import io
import os
import pickle
import platform
import re
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any, TypeVar

from pipeline.resources import templates_dir
from pipeline.store import workspace

FOLDER = "stages"
MOST_FILES = 12
LARGEST_BYTES = 1_000_000_000
_TAIL = ".stage"
_LIBRARIES = ("numpy", "scipy", "shapely", "numba", "networkx", "pyproj", "rasterio")
_PACKAGE = Path(__file__).resolve().parent.parent
# what a kept stage may be made of: our own records, arrays and shapes, plain containers
_ALLOWED = re.compile(
    r"pipeline\.(records|findings|settings|frame|run)(\.\w+)*:[A-Z]\w*"
    r"|numpy(\._?core)?(\.(multiarray|numeric))?:(_reconstruct|_frombuffer|ndarray|dtype|scalar)"
    r"|shapely\.(io|lib):from_wkb|builtins:(set|frozenset|complex|slice|bytearray)|collections:OrderedDict"
)
_T = TypeVar("_T")


def no_keeping(_name: str, make: Callable[[], _T]) -> _T:
    """Compute a stage and keep nothing."""
    return make()


@cache
def program_hash() -> str:
    """Return a hash of what computes: our source and templates, Python, machine and libraries."""
    digest = hashlib.sha256(f"{platform.python_version()} {platform.machine()} {platform.system()}".encode())
    for name in _LIBRARIES:
        digest.update(f"{name} {importlib.metadata.version(name)};".encode())
    for root, pattern in ((_PACKAGE, "*.py"), (templates_dir(), "*")):
        for path in sorted(p for p in root.rglob(pattern) if p.is_file()):
            digest.update(f"{path.relative_to(root).as_posix()}\0".encode())
            digest.update(hashlib.sha256(path.read_bytes()).digest())
    return digest.hexdigest()


@dataclass(slots=True)
class Stages:
    """The kept stages of one plan.

    Parameters
    ----------
    folder : Path or None
        Where they lie; None keeps nothing.
    key : str
        What the plan is made from, hashed.
    fresh : bool
        Whether stages kept earlier are passed over.
    """

    folder: Path | None
    key: str
    fresh: bool = False
    resumed: tuple[str, ...] = ()

    def keep(self, name: str, make: Callable[[], _T]) -> _T:
        """Return the stage of that name from an interrupted run, else compute and keep it."""
        path = self._path(name)
        if path is None:
            return make()
        if not self.fresh:
            found = _read(path)
            if found is not None:
                self.resumed = (*self.resumed, name)
                return found[0]  # type: ignore[no-any-return]
        made = make()
        _write(path, made)
        return made

    def forget(self) -> None:
        """Remove what was kept for this plan: it is published."""
        if self.folder is not None:
            for path in self.folder.glob(f"{self.key}.*{_TAIL}"):
                path.unlink(missing_ok=True)

    def _path(self, name: str) -> Path | None:
        return None if self.folder is None else self.folder / f"{self.key}.{name}{_TAIL}"


def stages_of(given: object, *, fresh: bool) -> Stages:
    """Return the kept stages of a plan made from `given`.

    Parameters
    ----------
    given : object
        Every record that goes into the plan: settings, terrain, points, layers, pins, places, prices.
    fresh : bool
        Whether to compute everything again.
    """
    folder = workspace.cache_dir(FOLDER)
    if folder is None:
        return Stages(None, "")
    content = hashlib.sha256(pickle.dumps(given, protocol=5)).hexdigest()
    return Stages(folder, hashlib.sha256(f"{content} {program_hash()}".encode()).hexdigest()[:40], fresh)


class _Reader(pickle.Unpickler):
    """Unpickles our own records only: a strange file cannot run anything."""

    def find_class(self, module: str, name: str) -> Any:  # noqa: ANN401 - the library's signature
        if _ALLOWED.fullmatch(f"{module}:{name}") is None:
            raise pickle.UnpicklingError(f"{module}.{name} is no record")
        return super().find_class(module, name)


def _read(path: Path) -> tuple[Any] | None:
    """Return the one content of a kept stage, None when there is none or it is not what was written."""
    try:
        body = path.read_bytes()
        if hashlib.sha256(body[32:]).digest() != body[:32]:
            raise ValueError("damaged")
        return (_Reader(io.BytesIO(body[32:])).load(),)
    except FileNotFoundError:
        return None
    except Exception:  # whatever is wrong with a kept stage, it is computed again
        _remove(path)
        return None


def _write(path: Path, made: object) -> None:
    """Write a stage whole or not at all; a full disk or a lost folder only means that nothing is kept."""
    part = ""
    try:
        body = pickle.dumps(made, protocol=5)
        if len(body) > LARGEST_BYTES:
            return
        _make_room(path.parent)
        handle, part = tempfile.mkstemp(dir=path.parent, suffix=".part")
        with os.fdopen(handle, "wb") as file:
            file.write(hashlib.sha256(body).digest())
            file.write(body)
        Path(part).replace(path)
    except (OSError, pickle.PicklingError, TypeError, AttributeError):
        if part:
            _remove(Path(part))


def _make_room(folder: Path) -> None:
    """Remove the oldest kept stages of other plans, and leftovers of killed runs."""
    kept = [p for p in folder.iterdir() if p.suffix in {_TAIL, ".part"} and p.is_file()]
    dated = [(path.stat().st_mtime, path) for path in kept]
    for _, path in sorted(dated)[: max(0, len(dated) - MOST_FILES + 1)]:
        _remove(path)


def _remove(path: Path) -> None:
    try:
        path.unlink(missing_ok=True)
    except OSError:
        return
