"""Sizes a network of 100,000 taps, and holds the time against that of a whole plan made in the same run.

The network: mainlines of 300 m with nine branches of 150 m each, an entry every five metres, five taps on a lateral.
The yardstick is a plan of 10,000 trees, its time for each tap: a plan's time grows faster than its taps
(``growth_exponent``), so the share of a plan of 100,000 is smaller still.
"""

from __future__ import annotations

import time

import scenes
from pipeline import flow

from flow_networks import evenly, flow_settings, grouping, mainline, point

TAPS = 100_000
BRANCHES = 9
PLAN = "grow_10k"


def network(taps: int) -> dict:
    """Return arguments of ``flow.size`` for many trees of mainlines at tanks of their own."""
    lines, groups, points = [], [], []
    while sum(lateral.taps for lateral in groups) < taps:
        name, tank = f"M{len(points) + 1}", f"C{len(points) + 1}"
        trunk = mainline(name, length_m=300.0, spans=30, collection_id=tank)
        lines.append(trunk)
        points.append(point(tank))
        groups += evenly(name, 300.0, 60, 5)
        for k in range(BRANCHES):
            join_m = 30.0 * (k + 1)
            branch = mainline(f"{name}.{k + 1}", length_m=150.0, spans=15, parent_id=name, join_m=join_m,
                              foot_z_m=float(trunk.at(join_m)[2]), collection_id=tank)
            lines.append(branch)
            groups += evenly(branch.mainline_id, 150.0, 30, 5)
    return {"mainlines": tuple(lines), "grouping": grouping(groups), "collections": tuple(points),
            "settings": flow_settings()}


def run() -> dict[str, float]:
    """Return CPU seconds of sizing and of planning, and the first as a share of the second."""
    flow.size(**network(2_000))
    given = network(TAPS)
    begin = time.process_time()
    sized, _ = flow.size(**given)
    sizing_s = time.process_time() - begin
    taps = float(sum(s.taps for s in sized.stations))
    plan = scenes.child(PLAN)
    return {
        "sizing_taps": taps,
        "sizing_pipes": float(len(sized.pipes)),
        "sizing_cpu_s": sizing_s,
        "sizing_plan_cpu_s": plan["plan_cpu_s"],
        "sizing_plan_taps": plan["taps"],
        "sizing_share_pct": 100.0 * (sizing_s / taps) / (plan["plan_cpu_s"] / plan["taps"]),
    }
