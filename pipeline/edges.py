"""What must hold of the records at the edge between two stages.

A stage that hands on a broken record would make the next one fail somewhere else,
or worse, not fail. These checks cost next to nothing and name the stage at fault.
They are about our own code: a :class:`StageError` is never the user's doing.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from pipeline.records import (
    NOT_TAPPED_REASONS,
    SET_ASIDE_REASONS,
    Flow,
    Grouping,
    Mainline,
    Network,
    Section,
    Trees,
)

PLACE_TOL_M = 0.01


class StageError(RuntimeError):
    """A stage handed on a record that breaks its contract."""

    def __init__(self, stage: str, faults: Iterable[str]) -> None:
        super().__init__(f"the stage {stage} handed on a broken record: " + "; ".join(faults))


def _raise(stage: str, checks: Iterable[tuple[bool, str]]) -> None:
    faults = [text for holds, text in checks if not holds]
    if faults:
        raise StageError(stage, faults)


def after_survey(trees: Trees) -> None:
    """Check that every tree is whole: one status, a reason when it is not to be served, taps when it is.

    Raises
    ------
    StageError
    """
    n = len(trees)
    columns = (trees.x_m, trees.y_m, trees.ground_z_m, trees.species, trees.dbh_cm, trees.taps, trees.status,
               trees.reason, trees.note)
    if not all(len(c) == n for c in columns):
        raise StageError("survey", ["columns of unequal length"])  # no other check could be made
    candidate = trees.candidate
    reasons = {"set_aside": set(SET_ASIDE_REASONS), "not_tapped": set(NOT_TAPPED_REASONS), "served": {""}}
    known = all(r in reasons.get(s, set()) for s, r in zip(trees.status, trees.reason, strict=True))
    finite = np.isfinite(np.column_stack([trees.x_m, trees.y_m, trees.ground_z_m])[candidate]).all()
    _raise("survey", [
        (len(set(trees.tree_id)) == n, "a tree ID twice"),
        (known, "a status without a known reason"),
        (bool((trees.taps[candidate] > 0).all()), "a tree to be served without taps"),
        (not trees.taps[~candidate].any(), "taps on a tree that is not to be served"),
        (bool(finite), "a tree to be served without place or ground"),
    ])


def after_mainlines(network: Network, trees: Trees) -> None:
    """Check that routes form trees: parents first, every join a vertex of its parent, nothing without length.

    Raises
    ------
    StageError
    """
    seen: dict[str, np.ndarray] = {}
    pinned = {route.mainline_id for route in network.routes if route.pinned}
    faults = []
    for route in network.routes:
        if route.mainline_id in seen:
            faults.append(f"{route.mainline_id} twice")
        if len(route.xy_m) < 2 or len(route.low_z_m) != len(route.xy_m) or not np.isfinite(route.xy_m).all():
            faults.append(f"{route.mainline_id} without a line")
        if route.parent_id and route.parent_id not in seen:
            faults.append(f"{route.mainline_id} before its parent {route.parent_id}")
        # a pinned parent is kept exactly as it is: no vertex is put into it for a branch
        elif route.parent_id and route.parent_id not in pinned:
            away = np.hypot(*(seen[route.parent_id] - route.xy_m[0]).T).min()
            if away > PLACE_TOL_M:
                faults.append(f"{route.mainline_id} joins {route.parent_id} {away:.2f} m from its nearest vertex")
        seen[route.mainline_id] = route.xy_m
    _raise("mainlines", [
        (not faults, ", ".join(faults)),
        (len(network.reason) == len(trees) == len(network.lift_m), "not one reason and lift for every tree"),
    ])


def after_hang(mainlines: tuple[Mainline, ...], network: Network) -> None:
    """Check that every route hangs, on supports in order with elevations.

    Raises
    ------
    StageError
    """
    faults = []
    for line in mainlines:
        station, xyz = line.station_m, line.xyz_m
        if len(station) < 2 or abs(station[0]) > PLACE_TOL_M or (np.diff(station) <= 0).any():
            faults.append(f"supports of {line.mainline_id} out of order")
        if not np.isfinite(xyz).all():
            faults.append(f"{line.mainline_id} without an elevation somewhere")
    ids = [s.support_id for line in mainlines for s in line.supports]
    _raise("hang", [
        (not faults, ", ".join(faults)),
        ([m.mainline_id for m in mainlines] == [r.mainline_id for r in network.routes], "lines lost or added"),
        (len(set(ids)) == len(ids), "a support ID twice"),
    ])


def after_laterals(grouping: Grouping, trees: Trees, mainlines: tuple[Mainline, ...]) -> None:
    """Check that trees in = trees on laterals + trees with a reason, and that laterals enter real mainlines.

    Raises
    ------
    StageError
    """
    if len(grouping.reason) != len(trees):
        raise StageError("laterals", ["not one reason for every tree"])  # no other check could be made
    length = {line.mainline_id: line.plan_length_m for line in mainlines}
    on = np.zeros(len(trees), dtype=np.int64)
    faults = []
    for lateral in grouping.laterals:
        np.add.at(on, list(lateral.tree), 1)  # a tree twice on one lateral counts twice
        if not 0.0 <= lateral.entry_station_m <= length.get(lateral.mainline_id, -1.0) + PLACE_TOL_M:
            faults.append(f"{lateral.lateral_id} enters nowhere")
        if lateral.taps != int(trees.taps[list(lateral.tree)].sum()):
            faults.append(f"{lateral.lateral_id} miscounts its taps")
    reasoned = np.array([bool(r) for r in grouping.reason], dtype=np.bool_)
    candidate = trees.candidate
    ids = [lateral.lateral_id for lateral in grouping.laterals]
    _raise("laterals", [
        (not faults, ", ".join(faults[:5])),
        (bool((on <= 1).all()), "a tree on two laterals"),
        (not on[~candidate].any(), "a tree on a lateral that is not to be tapped"),
        (bool((((on == 1) != reasoned) | ~candidate).all()), "a tree both served and set aside, or neither"),
        (len(set(ids)) == len(ids), "a lateral ID twice"),
        (len(grouping.entry_ceiling_z_m) == len(ids), "not one ceiling for every lateral"),
    ])


def after_flow(flow: Flow, grouping: Grouping) -> None:
    """Check that every tap arrives at a collection point and every entry has its vacuum.

    Raises
    ------
    StageError
    """
    taps = sum(lateral.taps for lateral in grouping.laterals)
    ids = [pipe.pipe_id for pipe in flow.pipes]
    _raise("flow", [
        (sum(station.taps for station in flow.stations) == taps, "taps lost on the way to the tank"),
        (len(flow.entry_vacuum_kpa) == len(grouping.laterals), "not one vacuum for every entry"),
        (len(set(ids)) == len(ids), "a pipe ID twice"),
    ])


def after_sections(sections: tuple[Section, ...], grouping: Grouping) -> None:
    """Check that every lateral is built from exactly one section's sheets.

    Raises
    ------
    StageError
    """
    own = sorted(k for section in sections for k in section.lateral)
    _raise("sections", [
        (own == list(range(len(grouping.laterals))), "a lateral in no section, or in two"),
        (sum(s.taps for s in sections) == sum(x.taps for x in grouping.laterals), "taps lost between sections"),
    ])
