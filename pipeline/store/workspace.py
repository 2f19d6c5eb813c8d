"""Finds a private place on disk for what can be made again: compiled kernels, finished stages.

The place is ``FALLGRADE_CACHE`` where that is set, else ``fallgrade`` in the user's
cache folder (``XDG_CACHE_HOME``, ``LOCALAPPDATA``, ``~/.cache``). Everything works
without one, only slower.
"""

from __future__ import annotations

import atexit
import os
import shutil
import stat
import tempfile
from collections.abc import Mapping
from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent.parent
# a folder of compiled kernels inside the package stands for all of them
_KERNELS = _PACKAGE / "mainlines" / "__pycache__"
NUMBA = "NUMBA_CACHE_DIR"


def cache_dir(name: str, environment: Mapping[str, str] | None = None) -> Path | None:
    """Return a folder of this name that only this user can write to, made if need be; None where there can be none."""
    root = _root(os.environ if environment is None else environment)
    if root is None:
        return None
    folder = root / name
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            pass
    except OSError:
        return None
    return folder if _private(folder) else None


def _root(environment: Mapping[str, str]) -> Path | None:
    asked = environment.get("FALLGRADE_CACHE")
    if asked:
        return Path(asked)
    for name in ("XDG_CACHE_HOME", "LOCALAPPDATA"):
        base = environment.get(name)
        if base and Path(base).is_absolute():
            return Path(base) / "fallgrade"
    home = environment.get("HOME") or environment.get("USERPROFILE")
    return Path(home) / ".cache" / "fallgrade" if home else None


def _private(folder: Path) -> bool:
    """Whether a folder is a real one, ours, and closed to writing by others."""
    found = folder.lstat()
    if not stat.S_ISDIR(found.st_mode):
        return False
    if os.name != "posix":
        return True
    return found.st_uid == os.geteuid() and not found.st_mode & (stat.S_IWGRP | stat.S_IWOTH)


def keep_kernels() -> None:
    """Make sure that compiled kernels can be kept, also where the program's own folder is read-only.

    Must be called before the numeric rooms are imported. A folder of this process alone
    is the last resort; it is removed at the end.
    """
    if NUMBA in os.environ or _writable(_KERNELS):
        return
    folder = cache_dir("kernels")
    if folder is None:
        folder = Path(tempfile.mkdtemp(prefix="fallgrade-kernels-"))
        atexit.register(shutil.rmtree, folder, ignore_errors=True)
    os.environ[NUMBA] = str(folder)


def _writable(folder: Path) -> bool:
    try:
        folder.mkdir(exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False
