"""Kills plans and repairs of a tiny woodlot at random moments: ``kill_plans.py [plan|replan|both] [COUNT] [SEED]``.

After every kill one whole plan must be there and the inputs unchanged; the run after the last must succeed. The bar
is 200 kills of each.
"""

from __future__ import annotations

import os
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))
import faults

YARDS = {"plan": faults.Yard, "replan": faults.RepairYard}


def so_far(tally: faults.Tally) -> None:
    """Tell every twentieth kill."""
    if tally.killed and tally.killed % 20 == 0:
        print(f"  {tally.killed} killed, {tally.finished} finished first; {tally.states}", flush=True)


def main() -> None:
    """Kill, look, tell."""
    what = sys.argv[1] if len(sys.argv) > 1 else "both"
    count = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    seed = int(sys.argv[3]) if len(sys.argv) > 3 else 1
    for name in YARDS if what == "both" else (what,):
        with tempfile.TemporaryDirectory() as folder:
            os.environ["FALLGRADE_CACHE"] = str(Path(folder) / "cache")
            yard = YARDS[name](Path(folder))
            tally = yard.kill_many(count, seed, so_far)
        early = sum(m < 0.75 for m in tally.moments)
        taken_back = f"; {yard.undone_killed} undos killed too" if isinstance(yard, faults.RepairYard) else ""
        print(f"{name}: {tally.killed} killed ({early} before the last quarter, {tally.killed - early} in it), "
              f"{tally.finished} finished before the kill{taken_back}; whole plans afterwards: {tally.states}",
              flush=True)


if __name__ == "__main__":
    main()
