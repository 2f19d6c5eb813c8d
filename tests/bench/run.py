"""Runs every measurement, prints ours beside the yardsticks, writes ``out/bench.json``: one number per key.

With ``--only`` the other parts keep what they measured last. A part that fails is listed as
missing with its reason; it never becomes a number. Times are of the machine that runs, stand beside
the yardstick that ran in the same run, and the load is printed with them.
"""

from __future__ import annotations

import argparse
import functools
import importlib
import json
import math
import os
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
sys.path[:0] = [str(HERE), str(HERE.parent)]

import scenes  # noqa: E402 - the folder must be on the path first

OUT = ROOT / "out" / "bench.json"
KEPT = ROOT / "out" / "bench"  # one file of measures for each part, taken away when the part fails
Measures = dict[str, float]


@dataclass(frozen=True)
class Bar:
    """What a measure must reach; `least` when more is better."""

    key: str
    limit: float
    least: bool = False
    unit: str = ""

    def met(self, value: float) -> bool:
        """Tell whether a value reaches the bar."""
        return value >= self.limit if self.least else value <= self.limit

    def text(self) -> str:
        """Return the bar as printed."""
        return f"{'>=' if self.least else '<='} {self.limit:g} {self.unit}".rstrip()


BARS = (
    Bar("search_missed_pct", 0.0, unit="%"), Bar("search_excess_mean_pct", 0.3, unit="%"),
    Bar("search_excess_p99_pct", 5.0, unit="%"), Bar("search_ratio_vs_mcp", 5.0, least=True, unit="x"),
    Bar("search_ratio_vs_csgraph", 2.0, least=True, unit="x"),
    Bar("search_k8_ratio_vs_mcp", 0.5, least=True, unit="x"), Bar("search_bytes_per_cell", 17.0, unit="B"),
    Bar("search_k8_bytes_per_cell", 100.0, unit="B"),
    Bar("exact_network_cases", 10.0, least=True), Bar("exact_network_gap_mean_pct", 1.5, unit="%"),
    Bar("exact_network_gap_max_pct", 4.0, unit="%"), Bar("network_vs_rsp_pct", 10.0, least=True, unit="%"),
    Bar("hang_terrains", 50.0, least=True), Bar("hang_broken", 0.0), Bar("sizing_share_pct", 5.0, unit="%"),
    Bar("lateral_gap_1k_pct", 1.5, unit="%"), Bar("lateral_gap_10k_pct", 1.5, unit="%"),
    Bar("dense_main_ft_per_tap", 5.6, unit="ft"), Bar("dense_lateral_ft_per_tap", 15.0, unit="ft"),
    Bar("dense_served_pct", 96.0, least=True, unit="%"),
    Bar("plan_10k_s", 60.0, unit="s"), Bar("plan_100k_s", 240.0, unit="s"),
    Bar("plan_100k_peak_mb", 2000.0, unit="MB"), Bar("growth_exponent", 1.2),
    Bar("sheet_cpu_ms", 150.0, unit="ms"), Bar("sheets_200_s", 20.0, unit="s"),
    Bar("sheet_kb", 400.0, unit="kB"), Bar("replan_ratio", 0.05),
    Bar("storms", 100.0, least=True), Bar("storms_broken", 0.0), Bar("help_s", 0.3, unit="s"),
)
# ours beside what it is measured against, where that is a number of the same run
BESIDE = (
    ("one label, s", "search_one_label_s", "scikit-image MCP, s", "search_mcp_s"),
    ("one label, s", "search_one_label_s", "scipy csgraph, s", "search_csgraph_s"),
    ("labels at all heights, s", "search_k8_s", "scikit-image MCP, s", "search_mcp_s"),
    ("repair of one lateral, CPU s", "replan_cpu_s", "plan of 10,000 taps, CPU s", "replan_plan_cpu_s"),
    ("fallgrade --help, s", "help_s", "python -c 'import click', s", "python_s"),
    ("plan of 10k with paper, CPU s", "plan_10k_cpu_s", "scikit-image MCP, ways home", "plan_10k_mcp_cpu_s"),
    ("plan of 10k with paper, MB", "plan_10k_peak_mb", "scikit-image MCP, ways home", "plan_10k_mcp_peak_mb"),
    ("plan of 100k with paper, CPU s", "plan_100k_cpu_s", "scikit-image MCP, ways home", "plan_100k_mcp_cpu_s"),
    ("plan of 100k with paper, MB", "plan_100k_peak_mb", "scikit-image MCP, ways home", "plan_100k_mcp_peak_mb"),
    ("growth exponent of CPU s", "growth_exponent", "scikit-image MCP, ways home", "growth_mcp_exponent"),
    ("laterals 1k, gap to bound %", "lateral_gap_1k_pct", "savings + local search, gap %", "lateral_gap_quick_1k_pct"),
)


def module(name: str) -> Measures:
    """Return the measures of a bench module."""
    return dict(importlib.import_module(name).run())


def start() -> Measures:
    """Return the seconds until ``fallgrade --help`` has answered and a bare interpreter has, each the best of a few."""
    command = [str(Path(sys.executable).parent / "fallgrade"), "--help"]
    out: Measures = {}
    for name, words in (("help", command), ("python", [sys.executable, "-c", "import click"])):
        times, cpu = [], []
        for _ in range(6):
            begin, before = time.perf_counter(), scenes.cpu_s()
            subprocess.run(words, check=True, capture_output=True)
            times.append(time.perf_counter() - begin)
            cpu.append(scenes.cpu_s() - before)
        out |= {f"{name}_s": min(times[1:]), f"{name}_cpu_s": min(cpu[1:])}
    return out


def prefixed(prefix: str, measured: Measures) -> Measures:
    """Return measures under names of one scene."""
    return {f"{prefix}_{name}": value for name, value in measured.items()}


def whole(name: str, key: str) -> Measures:
    """Return one whole plan with its paper under the bar's names, and a plain least-cost pass over the same ground."""
    measured = scenes.child(name)
    plain = scenes.child(name, "--yardstick")
    return {
        f"{key}_s": measured["whole_s"], f"{key}_cpu_s": measured["whole_cpu_s"],
        f"{key}_cores": measured["whole_cpu_s"] / measured["whole_s"], f"{key}_peak_mb": most_mb(measured),
        **prefixed(key, {k: v for k, v in measured.items() if k != "peak_mb"}),
        # the yardstick's own memory must not stand for the plan's
        **prefixed(key, {k: v for k, v in plain.items() if k != "together_mb"}),
        f"{key}_mcp_peak_mb": most_mb({"peak_mb": plain["mcp_peak_mb"], **plain}),
    }


def most_mb(measured: Measures) -> float:
    """Return the most memory that a process and its children held at once, in MB."""
    return max(measured["peak_mb"], measured.get("together_mb", 0.0))


def dense() -> Measures:
    """Return the dense stand: feet of line per tap and how much of what gravity can serve is served.

    Once with a grower's own worth of a tap and loss budget (both among the figures), once with the defaults.
    """
    return prefixed("dense", scenes.child("dense_10k")) | prefixed(
        "dense_defaults", scenes.child("dense_10k_defaults"))


@functools.cache
def grown(quick: bool) -> Measures:
    """Return CPU seconds of planning over sizes of one density, and the exponent of their growth."""
    names = [n for n, scene in scenes.GROWTH.items() if not quick or scene.trees <= 10_000]
    out: Measures = {}
    seconds: dict[int, float] = {}
    plain: dict[int, float] = {}
    for name in names:
        measured = scenes.child(name)
        seconds[scenes.GROWTH[name].trees] = measured["plan_cpu_s"]
        plain[scenes.GROWTH[name].trees] = scenes.child(name, "--yardstick")["mcp_cpu_s"]
        out |= {f"{name}_cpu_s": measured["plan_cpu_s"], f"{name}_s": measured["plan_s"],
                f"{name}_peak_mb": most_mb(measured), f"{name}_mcp_cpu_s": plain[scenes.GROWTH[name].trees],
                **prefixed(name, {k: v for k, v in measured.items() if k.startswith("stage_")})}
    return {**out, **exponents(seconds), "growth_mcp_exponent": scenes.growth(plain)}


def exponents(seconds: dict[int, float]) -> Measures:
    """Return the exponent over all sizes, and over the upper ones alone, where what is constant no longer hides it."""
    upper = {n: s for n, s in seconds.items() if n >= max(seconds) / 10.0 - 1.0}
    return {"growth_exponent": scenes.growth(seconds), "growth_exponent_upper": scenes.growth(upper),
            "growth_largest_trees": float(max(seconds))}


PARTS: dict[str, Callable[[], Measures]] = {
    "help": start,
    "search": functools.partial(module, "bench_search"),
    "hang": functools.partial(module, "bench_hang"),
    "sizing": functools.partial(module, "bench_sizing"),
    "laterals": functools.partial(module, "bench_laterals"),
    "network": functools.partial(module, "bench_network"),
    "sheets": functools.partial(module, "bench_sheets"),
    "replan": functools.partial(module, "bench_replan"),
    "storms": functools.partial(module, "storms"),
    "dense": dense,
    "10k": functools.partial(whole, "patchy_10k", "plan_10k"),
    "growth": functools.partial(grown, quick=False),
    "100k": functools.partial(whole, "patchy_100k", "plan_100k"),
}
LONG = ("100k",)


def measure(parts: dict[str, Callable[[], Measures]]) -> dict[str, str]:
    """Run parts one after another and keep their measures; return of parts that failed the reason."""
    missing: dict[str, str] = {}
    for name, part in parts.items():
        load, begin = os.getloadavg()[0], time.perf_counter()
        print(f"{name}: running (load {load:.1f})", flush=True)
        kept = KEPT / f"{name}.json"
        kept.unlink(missing_ok=True)
        try:
            got = part()
        except Exception as error:  # any failure makes this part missing, not the others
            missing[name] = f"{type(error).__name__}: {error}"
            print(f"{name}: MISSING, {missing[name]}", flush=True)
            continue
        bad = sorted(k for k, v in got.items() if not math.isfinite(v))
        if bad:
            missing[name] = f"no finite number for {', '.join(bad)}"
        good = {k: float(v) for k, v in sorted(got.items()) if math.isfinite(v)}
        save(kept, {**good, f"load_{name}": load})
        print(f"{name}: done in {time.perf_counter() - begin:.0f} s (load {os.getloadavg()[0]:.1f})", flush=True)
        for key, value in good.items():
            print(f"    {key:36s} {value:12.3f}", flush=True)
    return missing


def save(path: Path, measured: Measures) -> None:
    """Write measures as JSON, keys in order."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(json.dumps(dict(sorted(measured.items())), indent=1) + "\n", encoding="utf-8")


def together() -> Measures:
    """Return the measures of all parts that are kept."""
    out: Measures = {}
    for path in sorted(KEPT.glob("*.json")):
        out |= json.loads(path.read_text(encoding="utf-8"))
    return with_largest(out)


def with_largest(measured: Measures) -> Measures:
    """Return measures with the exponents taken up to 100,000 trees when that plan was made in the same run."""
    largest = measured.get("plan_100k_plan_cpu_s")
    small = {s.trees: measured[f"{n}_cpu_s"] for n, s in scenes.GROWTH.items() if f"{n}_cpu_s" in measured}
    if largest is None or not small:
        return measured
    return {**measured, **exponents({**small, 100_000: largest})}


def table(measured: Measures, missing: dict[str, str]) -> str:
    """Return the yardsticks side by side and the table of bars."""
    lines = ["", f"{'ours':32s} {'':>10s}   {'beside':32s} {'':>10s}   ratio"]
    for ours, key, theirs, other in BESIDE:
        if key in measured and other in measured:
            a, b = measured[key], measured[other]
            lines.append(f"{ours:32s} {a:10.4f}   {theirs:32s} {b:10.4f}   {b / a if a else math.inf:5.2f}")
    lines += ["", f"{'bar':28s} {'wanted':>14s} {'measured':>12s}   met"]
    for bar in BARS:
        value = measured.get(bar.key)
        wanted = bar.text() if math.isfinite(bar.limit) else "no bar"
        shown = f"{value:12.3f}" if value is not None else f"{'missing':>12s}"
        verdict = "-" if value is None or not math.isfinite(bar.limit) else ("yes" if bar.met(value) else "NO")
        lines.append(f"{bar.key:28s} {wanted:>14s} {shown}   {verdict}")
    lines += [
        f"{key}: {measured[f'{key}_s']:.0f} s were {measured[f'{key}_cpu_s']:.0f} s of processor time "
        f"on {measured[f'{key}_cores']:.2f} cores, load {measured[f'{key}_load_before']:.1f} before"
        for key in ("plan_10k", "plan_100k") if f"{key}_cores" in measured
    ]
    lines += [f"missing: {name}: {why}" for name, why in missing.items()]
    return "\n".join(lines)


def main() -> int:
    """Run what was asked for; return 1 when a part is missing or a bar that was measured is not met."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--only", action="append", choices=sorted(PARTS), metavar="NAME",
                        help=f"run this part only, others keep their last figures: {', '.join(PARTS)}")
    parser.add_argument("--quick", action="store_true", help="leave out the plan of 100,000 trees, grow to 10,000")
    options = parser.parse_args()
    names = options.only or [n for n in PARTS if not (options.quick and n in LONG)]
    parts = {n: PARTS[n] for n in PARTS if n in names}
    if options.quick and "growth" in parts:
        parts["growth"] = functools.partial(grown, quick=True)
    missing = {} if options.only else {n: "not run" for n in PARTS if n not in parts}
    if not options.only:
        for old in KEPT.glob("*.json"):
            old.unlink()
    missing |= measure(parts)
    measured = together()
    save(OUT, measured)
    print(table(measured, missing))
    print(f"\nwritten: {OUT}")
    bars = [b for b in BARS if b.key in measured and math.isfinite(b.limit)]
    return 1 if missing or not all(b.met(measured[b.key]) for b in bars) else 0


if __name__ == "__main__":
    sys.exit(main())
