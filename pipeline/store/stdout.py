"""Keeps standard output for what we print ourselves."""

from __future__ import annotations

import os
import sys


def own_stdout() -> None:
    """Keep standard output for what we print ourselves.

    The solver's library (HiGHS) writes a line to file descriptor 1 now and then, whatever it is told; that
    descriptor goes nowhere from here on, and ``sys.stdout`` to where it went before.
    """
    try:
        sys.stdout.flush()
        kept = os.dup(1)
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, 1)
        os.close(nowhere)
    except (AttributeError, OSError, ValueError):
        return  # started without a standard output: then nobody reads that line
    sys.stdout = os.fdopen(
        kept, "w", encoding=sys.stdout.encoding, errors=sys.stdout.errors, buffering=1 if os.isatty(kept) else -1
    )
