"""Whole plans on invented woodlots, each in a process of its own: time, memory, feet of line per tap.

Relief: a valley that falls by 7 %, its sides by 3 %, with seeded rolling noise of four widths, cells
of 1 m. Stands: patches of smooth noise, 150 trees to the hectare in them, at least 1.7 m apart, 3 in
10 with two taps (79 taps to the acre). The tank stands at the lowest place along the lower edge. All of it is invented.

``python tests/bench/scenes.py NAME`` plans one scene and prints its measures as JSON.
"""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import json
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter, zoom
from scipy.spatial import cKDTree

sys.path.insert(0, str(Path(__file__).parents[1]))

from pipeline import publish, reading, run
from pipeline.frame import utm_frame
from pipeline.records import CollectionPoint, Pins, SurveyPoints
from pipeline.settings import Settings
from pipeline.terrain.grid import Terrain
from pipeline.units import FT_M, INHG_KPA

PER_M2 = 150.0 / 1e4
APART_M = 1.7
WEST, SOUTH = 500_000.0, 4_900_000.0
# reasons that gravity gives, whatever a tap is worth
UNDRAINED = ("BELOW_OUTLET", "NO_GRADE")
TIMEOUT_S = 3600.0


@dataclass(frozen=True)
class Scene:
    """One invented woodlot: a square of `cells` metres with trees in stands."""

    trees: int
    cells: int
    seed: int = 1
    paper: bool = False
    warm: bool = True  # a tiny plan first, so that loading the compiled kernels is not part of the time
    tap_worth_ft: float | None = None  # [mainlines] tap_worth; None leaves the default
    loss_budget_inhg: float | None = None  # [flow] loss_budget; None leaves the default


# of one density (90 m2 to a tree), for the growth of time with size; the last is the bar's 100,000 on 3,000 x 3,000
GROWTH = {"grow_1k": Scene(1_000, 300), "grow_3k": Scene(3_000, 520), "grow_10k": Scene(10_000, 949),
          "grow_30k": Scene(30_000, 1643)}
SCENES = {
    "patchy_10k": Scene(10_000, 2000, paper=True, warm=False),
    "patchy_100k": Scene(100_000, 3000, paper=True, warm=False),
    # Set as a grower would who wants nearly every tap and has 11,000 of them on one tank: a tap is worth 50 ft of
    # mainline (default 30 ft), and 6 inHg may be lost to the farthest tap (default 2 inHg, which the sizing does not
    # meet there, wet and dry pairs included: it says so as violations). The second scene has the defaults.
    "dense_10k": Scene(10_000, 1000, seed=2, tap_worth_ft=50.0, loss_budget_inhg=6.0),
    "dense_10k_defaults": Scene(10_000, 1000, seed=2),
    **GROWTH,
    "tiny": Scene(120, 120),
}


def smooth(rng: np.random.Generator, cells: int, width_m: float) -> npt.NDArray[np.float64]:
    """Return smooth noise of unit spread, shape (cells, cells), made on a coarser grid where it is wide."""
    step = max(1, int(width_m // 6.0))
    coarse = gaussian_filter(rng.standard_normal((cells // step + 4, cells // step + 4)), width_m / step)
    fine = zoom(coarse, step, order=1)[:cells, :cells] if step > 1 else coarse[:cells, :cells]
    return np.asarray(fine / fine.std())


def relief(scene: Scene) -> Terrain:
    """Return the seeded relief: hills of 5 m, folds of 1.2 m, humps of 0.25 m, micro relief of 4 cm (spreads)."""
    rng = np.random.default_rng(scene.seed)
    n = scene.cells
    along = np.arange(n, dtype=np.float64)
    z = 200.0 + 0.07 * along[::-1, None] + 0.03 * np.abs(along - n / 2.0)[None, :]
    for width, height in ((110.0, 5.0), (35.0, 1.2), (10.0, 0.25), (2.5, 0.04)):
        z += height * smooth(rng, n, width)
    return Terrain(
        z_m=z.astype(np.float32), x0_m=WEST, y0_m=SOUTH + n - 1.0, cell_m=1.0,
        frame=utm_frame(-75.0, 44.25, "made for a measurement"), vertical_error_m=0.15, source="made for a measurement",
    )


def places(scene: Scene) -> npt.NDArray[np.float64]:
    """Return tree positions, shape (n, 2), metres from the south-west corner, inside the stands."""
    rng = np.random.default_rng(scene.seed + 1000)
    n = scene.cells
    share = min(scene.trees / PER_M2 / (n - 20) ** 2, 1.0)
    patch = smooth(rng, n, 60.0)
    stand = patch >= np.quantile(patch[10:-10, 10:-10], 1.0 - share)
    kept = np.zeros((0, 2))
    while len(kept) < scene.trees:
        xy = rng.uniform(10.0, n - 10.0, (2 * scene.trees, 2))
        xy = xy[stand[(n - 1 - xy[:, 1]).astype(int), xy[:, 0].astype(int)]]
        both = np.vstack((kept, xy))
        pairs = cKDTree(both).query_pairs(APART_M, output_type="ndarray")
        near = np.zeros(len(both), dtype=np.bool_)
        near[pairs.max(axis=1)] = True  # of two too near the later one goes
        kept = both[~near][: scene.trees]
    return kept


def given(scene: Scene) -> reading.Inputs:
    """Return everything a plan is made from, in memory."""
    terrain = relief(scene)
    xy = places(scene) + np.array([WEST, SOUTH])
    rng = np.random.default_rng(scene.seed + 2000)
    edge = terrain.z_m[-13:-8, 30:-30]
    row, col = np.unravel_index(int(np.argmin(edge)), edge.shape)
    x, y = (float(v) for v in terrain.xy(terrain.shape[0] - 13 + row, 30 + col))
    z = float(terrain.sample(x, y))
    points = SurveyPoints(
        tree_id=tuple(f"T{i + 1:06d}" for i in range(scene.trees)), x_m=xy[:, 0].copy(), y_m=xy[:, 1].copy(),
        species=("sugar maple",) * scene.trees, dbh_cm=np.where(rng.random(scene.trees) < 0.3, 52.0, 38.0),
        state=("",) * scene.trees, row=np.arange(1, scene.trees + 1), source="made for a measurement",
    )
    settings = Settings()
    settings = dataclasses.replace(settings, bush=dataclasses.replace(settings.bush, name="Bench", date="2026-01-01"))
    if scene.tap_worth_ft is not None:
        settings = dataclasses.replace(settings, mainlines=dataclasses.replace(
            settings.mainlines, tap_worth_m=scene.tap_worth_ft * FT_M))
    if scene.loss_budget_inhg is not None:
        settings = dataclasses.replace(settings, flow=dataclasses.replace(
            settings.flow, loss_budget_kpa=scene.loss_budget_inhg * INHG_KPA))
    tank = CollectionPoint("C1", x, y, z, z + 3.0 * FT_M, "tank")
    return reading.Inputs(settings, terrain, points, (), Pins(), (tank,), {}, ())


def peak_mb(who: int = resource.RUSAGE_SELF) -> float:
    """Return the most memory this process, or the largest of those it waited for, ever held, in MB."""
    return resource.getrusage(who).ru_maxrss * 1024.0 / 1e6


def cpu_s() -> float:
    """Return the processor time of this process, its threads and the processes it waited for, in seconds."""
    used = [resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN)]
    return sum(u.ru_utime + u.ru_stime for u in used)


def family(pid: int) -> list[int]:
    """Return a process and all that descend from it (Linux)."""
    out, k = [pid], 0
    while k < len(out):
        for task in Path(f"/proc/{out[k]}/task").glob("*/children"):
            with contextlib.suppress(OSError):
                out += [int(word) for word in task.read_text().split()]
        k += 1
    return out


def held_mb(pid: int) -> float:
    """Return the memory a process and its children hold now, pages they share counted once, in MB (Linux)."""
    total = 0.0
    for one in family(pid):
        with contextlib.suppress(OSError):
            for line in Path(f"/proc/{one}/smaps_rollup").read_text().splitlines():
                if line.startswith("Pss:"):
                    total += float(line.split()[1]) * 1024.0 / 1e6
    return total


def measures(result: run.Result) -> dict[str, float]:
    """Return what makes a plan good or bad, all from the finished plan."""
    plan = result.plan
    status, reason = np.array(plan.trees.status), np.array(plan.trees.reason)
    served = status == "served"
    gravity = served | ((status == "set_aside") & ~np.isin(reason, UNDRAINED) & np.isfinite(plan.lift_m))
    taps = plan.stats["taps"]
    out = {
        "trees": float(len(plan.trees)), "taps": taps, "served_pct": 100.0 * float(served.sum() / gravity.sum()),
        "gravity_pct": 100.0 * float(gravity.mean()),
        "main_ft_per_tap": plan.stats["mainline_m"] / FT_M / taps,
        "lateral_ft_per_tap": plan.stats["lateral_m"] / FT_M / taps,
        "taps_per_lateral": plan.stats["taps_per_lateral"], "mainlines": plan.stats["mainlines"],
        "sections": float(len(plan.sections)),
        "violations": float(sum(f.severity == "violation" for f in plan.findings)),
    }
    for name in sorted(set(reason[~served].tolist())):
        out[f"reason_{name}"] = float((reason[~served] == name).sum())
    broken = [f.code for f in plan.findings if f.severity == "violation"]
    return out | {f"violation_{code}": float(broken.count(code)) for code in sorted(set(broken))}


def measure(name: str) -> dict[str, float]:
    """Plan one scene in this process and return its measures; wall and CPU seconds both."""
    scene = SCENES[name]
    out: dict[str, float] = {"load_before": os.getloadavg()[0]}
    if scene.warm:
        begin = time.perf_counter()
        run.make_plan(given(SCENES["tiny"]))
        out["warm_s"] = time.perf_counter() - begin
    inputs = given(scene)
    out["before_mb"] = peak_mb()
    wall, cpu = time.perf_counter(), cpu_s()
    result = run.make_plan(inputs, tell)
    out["tap_worth_ft"] = inputs.settings.mainlines.tap_worth_m / FT_M
    out["loss_budget_inhg"] = inputs.settings.flow.loss_budget_kpa / INHG_KPA
    out["plan_s"], out["plan_cpu_s"] = time.perf_counter() - wall, cpu_s() - cpu
    out |= {f"stage_{stage}_s": seconds for stage, seconds in result.seconds.items()}
    out |= {f"stage_{stage}_cpu_s": seconds for stage, seconds in result.cpu_seconds.items()}
    out |= measures(result)
    if scene.paper:
        with tempfile.TemporaryDirectory() as folder:
            begin, before = time.perf_counter(), cpu_s()
            publish.publish(result, {}, Path(folder) / "plan", force=False, report=tell)
            out["paper_s"], out["paper_cpu_s"] = time.perf_counter() - begin, cpu_s() - before
        out["whole_s"], out["whole_cpu_s"] = time.perf_counter() - wall, cpu_s() - cpu
    out["peak_mb"] = peak_mb()
    out["largest_child_mb"] = peak_mb(resource.RUSAGE_CHILDREN)
    out["load_after"] = os.getloadavg()[0]
    return out


def yardstick(name: str) -> dict[str, float]:
    """Return what a plain least-cost pass of scikit-image over the same raster takes: no grade, no network, no paper.

    Costs from the tank to every cell at 1 m a metre, then the way home of every tree.
    """
    from skimage.graph import MCP_Geometric

    inputs = given(SCENES[name])
    terrain, tank = inputs.terrain, inputs.collections[0]
    row, col = terrain.rowcol(inputs.points.x_m, inputs.points.y_m)
    at = tuple(int(v) for v in np.rint(terrain.rowcol(tank.x_m, tank.y_m)))
    wall, cpu = time.perf_counter(), cpu_s()
    search = MCP_Geometric(np.ones(terrain.shape))
    search.find_costs([at])
    nodes = sum(len(search.traceback((int(r), int(c)))) for r, c in zip(np.rint(row), np.rint(col), strict=True))
    return {"mcp_s": time.perf_counter() - wall, "mcp_cpu_s": cpu_s() - cpu, "mcp_peak_mb": peak_mb(),
            "mcp_nodes": float(nodes)}


def tell(message: str, share: float) -> None:
    """Say on the error stream how far the plan is."""
    print(f"{share:6.1%} {message}", file=sys.stderr)


def child(name: str, *more: str) -> dict[str, float]:
    """Run one scene in a process of its own, so that its peak memory is its own; watch what it and its children hold.

    Raises
    ------
    RuntimeError
        With the last line of what went wrong.
    """
    with tempfile.TemporaryFile("w+") as said:
        running = subprocess.Popen(
            [sys.executable, str(Path(__file__)), name, *more], stdout=subprocess.PIPE, stderr=said, text=True,
        )
        watch = threading.Timer(TIMEOUT_S, running.kill)
        watch.start()
        most = [0.0]
        looking = threading.Thread(target=_look, args=(running, most), daemon=True)
        looking.start()
        try:
            answer = running.communicate()[0]
        finally:
            running.kill()
            watch.cancel()
            looking.join()
        if running.returncode != 0:
            said.seek(0)
            lines = said.read().strip().splitlines() or [f"ended with {running.returncode}"]
            raise RuntimeError(lines[-1])
    got = {k: float(v) for k, v in json.loads(answer.splitlines()[-1]).items()}
    return {**got, "together_mb": most[0]} if most[0] else got


def _look(running: subprocess.Popen[str], most: list[float]) -> None:
    while running.poll() is None:
        with contextlib.suppress(OSError):  # a process may end while it is looked at
            most[0] = max(most[0], held_mb(running.pid))
        time.sleep(0.5)


def growth(seconds: dict[int, float]) -> float:
    """Return the exponent b of time = a * trees^b, by least squares of the logarithms."""
    trees = np.log(np.array(sorted(seconds), dtype=np.float64))
    times = np.log(np.array([seconds[n] for n in sorted(seconds)]))
    return float(np.polyfit(trees, times, 1)[0])


def main() -> None:
    """Plan the named scene and print its measures; with ``--profile`` where the time goes."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("name", choices=sorted(SCENES))
    parser.add_argument("--profile", metavar="FILE", help="write what cProfile saw")
    parser.add_argument("--yardstick", action="store_true", help="a plain pass of a general library instead")
    options = parser.parse_args()
    if options.yardstick:
        out = yardstick(options.name)
    elif options.profile:
        import cProfile

        watch = cProfile.Profile()
        out = watch.runcall(measure, options.name)
        watch.dump_stats(options.profile)
    else:
        out = measure(options.name)
    print(json.dumps(out))


if __name__ == "__main__":
    main()
