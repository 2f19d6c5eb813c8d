"""Small networks of hung mainlines and laterals with known numbers, for the tests of flow and take-off."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
from pipeline.records import CollectionPoint, Grouping, Lateral, Mainline, Support, Trees
from pipeline.settings import Settings


def mainline(
    mainline_id: str = "M1", *, length_m: float = 300.0, grade_pct: float | list[float] = 3.0, parent_id: str = "",
    join_m: float = 0.0, foot_z_m: float = 100.0, spans: int = 10, collection_id: str = "C1", kind: str = "post",
) -> Mainline:
    """Return a straight mainline; a list of grades gives one grade to each span, from the bottom up."""
    station = np.linspace(0.0, length_m, spans + 1)
    grades = np.broadcast_to(np.asarray(grade_pct, dtype=float), spans)
    z = foot_z_m + np.concatenate([[0.0], np.cumsum(np.diff(station) * grades / 100.0)])
    supports = tuple(
        Support(
            f"{mainline_id}-S{i:02d}", mainline_id, float(s), float(s), 0.0,
            "anchor" if i in (0, spans) else kind, "", 0.4, float(h) - 1.2, float(h),
        )
        for i, (s, h) in enumerate(zip(station, z, strict=True))
    )
    return Mainline(mainline_id, parent_id, collection_id, join_m, supports)


def lateral(
    lateral_id: str, mainline_id: str, entry_m: float, taps: int, *, trees: int = 5, length_m: float = 20.0,
    grade_pct: float = 5.0, first_tree: int = 0,
) -> Lateral:
    """Return a straight lateral of evenly spaced trees."""
    run = np.linspace(0.0, length_m, trees + 1)
    xyz = np.column_stack([np.full(trees + 1, entry_m), run, 100.0 + run * grade_pct / 100.0])
    return Lateral(lateral_id, mainline_id, entry_m, tuple(range(first_tree, first_tree + trees)), taps, xyz)


def grouping(laterals: list[Lateral]) -> Grouping:
    return Grouping(tuple(laterals), (), np.full(len(laterals), np.inf))


def evenly(mainline_id: str, length_m: float, laterals: int, taps: int, **more: Any) -> list[Lateral]:
    """Return laterals at even distances, the last at the top."""
    return [
        lateral(f"{mainline_id}-L{i + 1:02d}", mainline_id, length_m * (i + 1) / laterals, taps, **more)
        for i in range(laterals)
    ]


def point(collection_id: str = "C1", z_m: float = 100.0) -> CollectionPoint:
    return CollectionPoint(collection_id, 0.0, 0.0, z_m - 1.0, z_m, "tank")


def flow_settings(**flow: Any) -> Settings:
    base = Settings()
    return replace(base, flow=replace(base.flow, **flow))


def stand(count: int, dbh_cm: float = 40.0) -> Trees:
    """Return served trees, two taps each."""
    return Trees(
        tuple(f"T{i}" for i in range(count)), *(np.zeros(count) for _ in range(3)), ("sugar maple",) * count,
        np.full(count, dbh_cm), np.full(count, 2), ("served",) * count, ("",) * count, ("",) * count,
    )


def case(
    *, length_m: float = 300.0, grade_pct: float | list[float] = 3.0, laterals: int = 20, taps: int = 5,
    branch: bool = True, **flow: Any,
) -> dict[str, Any]:
    """Return arguments of ``flow.size``: a mainline and, half way up, a branch half as long."""
    lines = [mainline(length_m=length_m, grade_pct=grade_pct)]
    groups = evenly("M1", length_m, laterals, taps)
    if branch:
        foot_z_m = float(lines[0].at(length_m / 2.0)[2])
        lines.append(mainline("M1.1", length_m=length_m / 2.0, grade_pct=grade_pct, parent_id="M1",
                              join_m=length_m / 2.0, foot_z_m=foot_z_m))
        groups += evenly("M1.1", length_m / 2.0, laterals, taps)
    return {
        "mainlines": tuple(lines), "grouping": grouping(groups), "collections": (point(),),
        "settings": flow_settings(**flow),
    }


def random_network(rng: np.random.Generator, *, branches: int, **flow: Any) -> dict[str, Any]:
    """Return arguments of ``flow.size`` for a random tree of mainlines with uneven grades."""
    lines, groups, index = [], [], 0
    for i in range(branches + 1):
        length_m = float(rng.uniform(60.0, 400.0))
        spans = int(rng.integers(4, 20))
        grades = [float(g) for g in rng.uniform(0.6, 12.0, spans)]
        parent, join_m, foot_z_m = "", 0.0, 100.0
        if i:
            under = lines[int(rng.integers(0, len(lines)))]
            parent, join_m = under.mainline_id, float(rng.uniform(0.05, 0.95) * under.plan_length_m)
            foot_z_m = float(under.at(join_m)[2])
        line = mainline(f"M{i + 1}", length_m=length_m, grade_pct=grades, spans=spans, parent_id=parent,
                        join_m=join_m, foot_z_m=foot_z_m)
        lines.append(line)
        for _ in range(int(rng.integers(2, 30))):
            index += 1
            groups.append(lateral(f"L{index}", line.mainline_id, float(rng.uniform(0.02, 1.0) * length_m),
                                  int(rng.integers(1, 11))))
    return {
        "mainlines": tuple(lines), "grouping": grouping(groups), "collections": (point(),),
        "settings": flow_settings(**flow),
    }
