"""How fast and how large section sets are, on the demo woodlot's plan and on the sample plan."""

from __future__ import annotations

import itertools
import resource
import sys
import time
from pathlib import Path
from statistics import fmean

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from pipeline import publish, reading
from pipeline import run as stages
from pipeline.resources import demo_dir
from pipeline.sheets import book
from pipeline.sheets.context import SheetContext, make_context

from sample_plan import sample_plan

ROUNDS = 3
SETS = 200


def sample() -> SheetContext:
    """Return the sample plan's context: two sections, every symbol."""
    plan, terrain, ground = sample_plan()
    return make_context(plan=plan, terrain=terrain, ground=ground)


def demo() -> SheetContext:
    """Return the demo woodlot's context, planned anew: some twenty sections as crews get them."""
    result = stages.make_plan(reading.read_inputs(demo_dir() / "bush.toml"))
    return publish.with_codes(result.plan, result.terrain, result.ground)[1]


def measure(ctx: SheetContext) -> dict[str, float]:
    """Return CPU milliseconds of a set (mean of all sections, the best of a few rounds each), and sizes.

    A round makes every section once, so that nothing one section leaves behind helps it the next time.
    """
    names = [section.section_id for section in ctx.plan.sections]
    book.make_set(ctx, names[0])  # fonts, words and projections are loaded once per process
    best = dict.fromkeys(names, float("inf"))
    made = {}
    for _ in range(ROUNDS):
        for name in names:
            start = time.process_time()
            made[name] = book.make_set(ctx, name)
            best[name] = min(best[name], 1000.0 * (time.process_time() - start))
    size_kb = [len(one.pdf) / 1000.0 for one in made.values()]
    return {
        "sheet_cpu_ms": fmean(best.values()), "sheet_cpu_worst_ms": max(best.values()), "sheet_kb": max(size_kb),
        "sheet_pages": fmean(one.sheets for one in made.values()),
    }


def many(ctx: SheetContext) -> dict[str, float]:
    """Return the seconds that 200 sets take: by the clock, and CPU of this process and those it forks."""
    names = [section.section_id for section in ctx.plan.sections]
    wanted = list(itertools.islice(itertools.cycle(names), SETS))
    start, cpu = time.perf_counter(), _cpu_s()
    done = sum(1 for _ in book.make_sets(ctx, wanted))
    seconds, spent = time.perf_counter() - start, _cpu_s() - cpu
    if done != SETS:
        raise RuntimeError(f"{done} of {SETS} sets were made")
    return {"sheets_200_s": seconds, "sheets_200_cpu_s": spent}


def _cpu_s() -> float:
    return sum(
        use.ru_utime + use.ru_stime
        for use in (resource.getrusage(resource.RUSAGE_SELF), resource.getrusage(resource.RUSAGE_CHILDREN))
    )


def run() -> dict[str, float]:
    """Return the demo's figures under the bars' names and the sample's under its own."""
    ctx = demo()
    small = measure(sample())
    return {**measure(ctx), **many(ctx), **{f"sample_{key}": value for key, value in small.items()}}


if __name__ == "__main__":
    for key, value in run().items():
        print(f"{key} {value:.1f}")
