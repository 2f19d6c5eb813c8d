"""Kills 200 plans of a tiny woodlot at random moments: ``python tests/bench/kill_plans.py [COUNT] [SEED]``.

After every kill one whole plan must be there and the inputs unchanged; the run after the last must succeed.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
import faults


def main() -> None:
    """Kill, look, tell."""
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    seed = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    with tempfile.TemporaryDirectory() as folder:
        os.environ["FALLGRADE_CACHE"] = str(Path(folder) / "cache")
        yard = faults.Yard(Path(folder))
        tally = yard.kill_many(count, seed)
    early = sum(m < 0.75 for m in tally.moments)
    print(f"{tally.killed} plans killed ({early} while planning, {tally.killed - early} in the last quarter), "
          f"{tally.finished} finished before the kill; whole plans afterwards: {tally.states}")


if __name__ == "__main__":
    main()
