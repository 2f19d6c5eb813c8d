"""How fast and how large section sets are: the sections of the sample plan, over and over."""

from __future__ import annotations

import sys
import time
from pathlib import Path
from statistics import median

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from pipeline.sheets import book
from pipeline.sheets.context import SheetContext, make_context

from sample_plan import sample_plan

ROUNDS = 7
SETS = 200


def _context() -> SheetContext:
    plan, terrain, ground = sample_plan()
    return make_context(plan=plan, terrain=terrain, ground=ground)


def run() -> dict[str, float]:
    """Return CPU milliseconds and kilobytes of one set (medians), and the seconds that 200 sets take."""
    ctx = _context()
    names = [section.section_id for section in ctx.plan.sections]
    for name in names:
        book.make_set(ctx, name)  # fonts, words and projections are loaded once per process
    cpu_ms, size_kb = [], []
    for _ in range(ROUNDS):
        for name in names:
            start = time.process_time()
            made = book.make_set(ctx, name)
            cpu_ms.append(1000.0 * (time.process_time() - start))
            size_kb.append(len(made.pdf) / 1000.0)
    wanted = [names[k % len(names)] for k in range(SETS)]
    start = time.perf_counter()
    done = sum(1 for _ in book.make_sets(ctx, wanted))
    seconds = time.perf_counter() - start
    if done != SETS:
        raise RuntimeError(f"{done} of {SETS} sets were made")
    return {"sheet_cpu_ms": median(cpu_ms), "sheets_200_s": seconds, "sheet_kb": median(size_kb)}


if __name__ == "__main__":
    for key, value in run().items():
        print(f"{key} {value:.1f}")
