"""Laterals on synthetic dense stands over straight parallel mainlines: gap to the bound, feet of lateral per tap.

The stands are invented (``lateral_sites.stand``: 150 trees and 195 taps to the hectare, mainlines
100 ft apart). ``lateral_gap_*`` is against ``Grouping.lower_bound_m``, the set-partitioning linear
programme with subset and crossing rows; ``lateral_gap_1k_plain_pct`` against the same programme without any.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from pipeline.laterals import group
from pipeline.laterals.columns import enumerate_columns
from pipeline.laterals.programme import Programme
from pipeline.laterals.rule import rules
from pipeline.laterals.scene import build
from pipeline.records import Grouping
from pipeline.units import FT_M

from lateral_sites import Stand, settings_of, stand


def _plan(made: Stand, effort: str = "normal") -> tuple[Grouping, float]:
    begin = time.process_time()
    grouping, _ = group(**made.given(), settings=settings_of(effort))
    return grouping, time.process_time() - begin


def _gap_pct(grouping: Grouping) -> float:
    return 100.0 * (grouping.objective_m / grouping.lower_bound_m - 1.0)


def _plain_bound_m(made: Stand) -> float:
    laterals = settings_of().laterals
    scene = build(
        mainlines=made.mainlines, terrain=made.terrain, ground=made.ground, trees=made.trees,
        open_tree=made.trees.candidate, laterals=laterals,
    )
    columns = enumerate_columns(scene, laterals, "normal")
    relaxed = Programme(scene, columns, rules(laterals, "normal")).relax()
    if relaxed is None:
        raise RuntimeError("the linear programme failed")
    return relaxed.plain_m


def run() -> dict[str, float]:
    """Return the measures; CPU seconds are of one core of the machine that ran."""
    _plan(stand(100, 1))  # compiles
    thousand = stand(1000, 1)
    grouping, seconds = _plan(thousand)
    quick, quick_s = _plan(thousand, "quick")
    many, many_s = _plan(stand(10_000, 1))
    taps = sum(c.taps for c in many.laterals)
    return {
        "lateral_gap_1k_pct": _gap_pct(grouping),
        "lateral_gap_1k_plain_pct": 100.0 * (grouping.objective_m / _plain_bound_m(thousand) - 1.0),
        "lateral_gap_quick_1k_pct": 100.0 * (quick.objective_m / grouping.lower_bound_m - 1.0),
        "lateral_gap_10k_pct": _gap_pct(many),
        "stand_lateral_ft_per_tap": sum(c.length_m for c in many.laterals) / FT_M / taps,
        "stand_taps_per_lateral": taps / len(many.laterals),
        "stand_served_pct": 100.0 * many.reason.count("") / len(many.reason),
        "lateral_1k_cpu_s": seconds,
        "lateral_quick_1k_cpu_s": quick_s,
        "lateral_10k_cpu_s": many_s,
    }


if __name__ == "__main__":
    for key, value in run().items():
        print(f"{key:28s} {value:10.3f}")
