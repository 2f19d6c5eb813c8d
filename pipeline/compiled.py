"""The decorator of every compiled kernel, with a cache that no change of any kernel can leave stale.

numba keeps machine code per file and notices a change of that file alone. A kernel that calls another file's kernel
would go on running the old one after an upgrade. So the cache lies in a folder named after the content of all
kernels: any change of any kernel starts an empty one.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import numba
from numba import njit

__all__ = ["cache_folder", "njit"]


def cache_folder(package: Path, given: str = "") -> str:
    """Return the folder for machine code of the kernels of a package as they are now.

    Parameters
    ----------
    package : Path
        Folder whose ``*_kernel.py`` files count, at any depth.
    given : str
        The folder that the user set for compiled code; ``""`` for beside the package, or for the user's cache
        folder where the package cannot be written to.

    Returns
    -------
    str
        ``""`` when there is no place at all; numba then looks for one itself.
    """
    digest = hashlib.sha256()
    for path in sorted(package.rglob("*_kernel.py")):
        digest.update(path.relative_to(package).as_posix().encode("utf-8") + b"\0" + path.read_bytes() + b"\0")
    name = f"kernels-{digest.hexdigest()[:16]}"
    if given:
        return str(Path(given) / name)
    if os.access(package, os.W_OK):
        return str(package / "__pycache__" / name)
    try:
        home = os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache"
    except RuntimeError:  # a user without a home
        return ""
    return str(Path(home) / "fallgrade" / name)


# the settings of numba carry no types
numba.config.CACHE_DIR = cache_folder(Path(__file__).parent, numba.config.CACHE_DIR or "")  # type: ignore[attr-defined]
