"""How long one damaged lateral takes in a bush of 10,000 taps, beside the whole plan of it in the same run.

Both are whole commands without start-up: the plan is made, printed and written; the repair reads that folder, repairs,
prints what it touched and writes. CPU seconds, children included. A tiny bush is planned and repaired first, so that
loading kernels, fonts and libraries is in neither.
"""

from __future__ import annotations

import dataclasses
import os
import sys
import tempfile
from collections.abc import Callable
from pathlib import Path
from statistics import median
from typing import TypeVar

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
sys.path.insert(0, str(Path(__file__).resolve().parent))

import scenes
from pipeline import publish, reading, repair_run
from pipeline import run as planning
from pipeline.settings import CollectionSettings

SCENE = scenes.Scene(8_800, 889, seed=5)  # 10,000 taps and some
STORMS = 3
T = TypeVar("T")


def cpu_s() -> float:
    """Return the CPU seconds of this process and the children it waited for."""
    return sum(os.times()[:4])


def timed(work: Callable[[], T]) -> tuple[T, float]:
    """Return what the work returns and its CPU seconds."""
    begin = cpu_s()
    return work(), cpu_s() - begin


def given(scene: scenes.Scene) -> reading.Inputs:
    """Return a scene with the tank's place in the settings, so that its folder can be read again."""
    inputs = scenes.given(scene)
    tank = inputs.collections[0]
    place = (CollectionSettings(x=tank.x_m, y=tank.y_m),)
    return dataclasses.replace(inputs, settings=dataclasses.replace(inputs.settings, collection=place))


def storm_on_a_lateral(folder: Path, k: int) -> Path:
    """Write a storm file that takes the last tree of one lateral, and nothing else but what that tree held."""
    plan = publish.load(folder).plan
    held = {s.tree_id for m in plan.mainlines for s in m.supports}
    some = [la for la in plan.laterals if len(la.tree) > 2 and plan.trees.tree_id[la.tree[-1]] not in held]
    lateral = some[len(some) * (k + 1) // (STORMS + 1)]
    path = folder.parent / f"{folder.name}-storm-{k}.csv"
    path.write_text(f"kind,tree\ntree down,{plan.trees.tree_id[lateral.tree[-1]]}\n", encoding="utf-8")
    return path


def run() -> dict[str, float]:
    """Return the ratio of the repair's time to the whole plan's, with and without paper and folder."""
    with tempfile.TemporaryDirectory() as place:
        base = Path(place)
        for name, scene in (("tiny", scenes.SCENES["tiny"]), ("bush", SCENE)):
            inputs = given(scene)
            result, plan_s = timed(lambda inputs=inputs: planning.make_plan(inputs))
            plan, paper_s = timed(
                lambda result=result, name=name: publish.publish(result, {}, base / name, force=False))
            repairs = []
            for k in range(1 if name == "tiny" else STORMS):
                storm = storm_on_a_lateral(base / name, k)
                made, seconds = timed(lambda storm=storm, name=name, k=k: repair_run.repair(
                    base / name, storm, base / f"{name}-{k}", force=False, date="2026-04-01"))
                if len(made.change.pieces) != 1 or len(made.kept) < len(plan.sections) - 3:
                    raise RuntimeError(f"the storm hit {len(made.change.pieces)} pieces")
                repairs.append(seconds)
    return {
        "replan_ratio": median(repairs) / (plan_s + paper_s), "replan_cpu_s": median(repairs),
        "replan_plan_cpu_s": plan_s, "replan_paper_cpu_s": paper_s, "replan_taps": plan.stats["taps"],
        "replan_sections": float(len(plan.sections)),
    }


if __name__ == "__main__":
    for key, value in run().items():
        print(f"{key} {value:.4g}")
