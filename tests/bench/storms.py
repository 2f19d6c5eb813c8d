"""The demo storm and 100 random storms over random bushes, each repair on disk, every clause checked by the referee.

``python tests/bench/storms.py [COUNT] [FIRST]`` prints one line a storm and the counts. Of four storms over a bush
the second and third come over the bush as the one before them left it; the fourth over the first plan again. All
bushes and storms are invented.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from pipeline import publish, reading, repair_run
from pipeline import run as planning
from pipeline.errors import NoPlanError
from pipeline.resources import demo_dir

from storm_referee import CLAUSES, Fault, faults, write_storm
from storm_sites import bush, random_storm

STORMS = 100
EACH = 4  # storms over one bush
ROWS = 8  # most things logged after one storm
DATE = "2026-04-01"


def trees_of(seed: int) -> int:
    """Return how many trees a bush begins with."""
    return int(np.random.default_rng(500 + seed).integers(45, 111))


def one_bush(seed: int, storms: int, folder: Path) -> list[tuple[str, list[Fault]]]:
    """Repair one bush after several storms and return for each what happened and what does not hold."""
    result = bush(seed, trees_of(seed))
    first = folder / f"{seed}"
    publish.publish(result, {}, first, force=False)
    out: list[tuple[str, list[Fault]]] = []
    now = first
    for k in range(storms):
        if k == EACH - 1:
            now = first
        plan = publish.load(now).plan
        storm = write_storm(random_storm(plan, 1000 * seed + k, ROWS), folder / f"{seed}-{k}-storm.gpkg")
        target = folder / f"{seed}-{k}"
        try:
            made = repair_run.repair(now, storm, target, force=False, date=DATE)
        except NoPlanError as error:
            out.append((f"bush {seed} storm {k}: refused: {error}", [Fault("judge", "no repair")]))
            continue
        change = made.change
        chosen = Counter(p.options[p.chosen].kind for p in change.pieces)
        out.append((
            f"bush {seed} storm {k}: {len(change.items)} logged, {len(change.pieces)} pieces ({change.method}), taps "
            f"{change.taps_before} to {change.taps_after}, {len(change.sections)} of {len(made.plan.sections)} hit: "
            + ", ".join(f"{n} {name}" for name, n in sorted(chosen.items())), faults(now, target),
        ))
        now = target
    return out


def demo(folder: Path) -> list[Fault]:
    """Plan the demo woodlot, repair it after its storm, and return what does not hold."""
    given = reading.read_inputs(demo_dir() / "bush.toml")
    publish.publish(planning.make_plan(given), given.hashes, folder / "demo", force=False)
    repair_run.repair(folder / "demo", demo_dir() / "storm.gpkg", folder / "demo-repaired", force=False, date=DATE)
    return faults(folder / "demo", folder / "demo-repaired")


def run(count: int = STORMS, first: int = 0) -> dict[str, float]:
    """Return how many random storms were repaired, and how often a clause did not hold, the demo storm included."""
    begin = time.process_time()
    done, wrong = 0, Counter[str]()
    with tempfile.TemporaryDirectory() as place:
        for fault in demo(Path(place)):
            wrong[fault.clause] += 1
            print(f"demo storm: {fault.clause}: {fault.text}", flush=True)
        for seed in range(first, first + -(-count // EACH)):
            for text, found in one_bush(seed, min(EACH, count - done), Path(place)):
                done += 1
                wrong.update({f.clause for f in found})
                print(text, flush=True)
                for fault in found:
                    print(f"    {fault.clause}: {fault.text}", flush=True)
    broken = {f"storms_broken_{name}": float(wrong[name]) for name in CLAUSES}
    return {"storms": float(done), "storms_broken": float(sum(wrong.values())), **broken,
            "storms_cpu_s": time.process_time() - begin}


if __name__ == "__main__":
    for key, value in run(*(int(a) for a in sys.argv[1:3])).items():
        print(f"{key} {value:g}")
