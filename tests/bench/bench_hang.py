"""What the judge sees of sagging wires on fifty random terrains, sampled every quarter metre over the raw ground."""

from __future__ import annotations

import itertools
import time

from hang_terrains import Seen, look

TERRAINS = 50


def run() -> dict[str, float]:
    """Return how many spans were judged, how many sites had a broken rule of the wire, and the least to spare."""
    begin = time.process_time()
    plans: dict[int, Seen] = {}
    for seed in itertools.count():
        seen = look(seed)
        if seen is not None:  # on a few sites no tree stands high enough
            plans[seed] = seen
            if seen.broken:
                print(f"    site {seed}: {', '.join(seen.broken)}", flush=True)
        if len(plans) == TERRAINS:
            break
    return {
        "hang_terrains": float(len(plans)),
        "hang_spans": float(sum(s.spans for s in plans.values())),
        "hang_samples": float(sum(s.samples for s in plans.values())),
        "hang_broken": float(sum(len(s.broken) for s in plans.values())),
        "hang_spare_fall_pct": min(s.spare_fall_pct for s in plans.values()),
        "hang_spare_low_m": min(s.spare_low_m for s in plans.values()),
        "hang_terrains_cpu_s": time.process_time() - begin,
    }
