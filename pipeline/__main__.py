"""Entry point of the ``fallgrade`` command and of ``python -m pipeline``."""

from __future__ import annotations

import os
import sys

# One thread per process keeps results the same on every machine; set before any numeric library loads.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")


def main() -> None:
    """Run the command line."""
    from pipeline.cli import run_cli
    from pipeline.store.stdout import own_stdout
    from pipeline.store.workspace import keep_kernels

    own_stdout()
    keep_kernels()
    sys.exit(run_cli(sys.argv[1:]))


if __name__ == "__main__":
    main()
