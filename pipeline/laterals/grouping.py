"""Which trees share a lateral, and where it enters its mainline."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline.findings import Finding, in_order
from pipeline.laterals.blocks import Choice, Progress, choose
from pipeline.laterals.choice import Chosen, labels
from pipeline.laterals.heights import ceiling_m
from pipeline.laterals.reasons import unserved
from pipeline.laterals.rule import entry_cost, rules
from pipeline.laterals.scene import Floats, Mask, Scene, build
from pipeline.records import Ground, Grouping, Lateral, Mainline, Trees
from pipeline.settings import LateralSettings, Settings
from pipeline.terrain.grid import Terrain


def group(
    *,
    mainlines: tuple[Mainline, ...],
    terrain: Terrain,
    ground: Ground,
    trees: Trees,
    reason: tuple[str, ...],
    settings: Settings,
    progress: Progress | None = None,
    draft: bool = False,
) -> tuple[Grouping, tuple[Finding, ...]]:
    """Choose the laterals of a whole woodlot.

    Every legal lateral over the trees is enumerated (up to a cap for one head tree); those
    chosen serve each tree once at the least metres of lateral plus ``entry_cost`` for each
    entry (more where a lateral has fewer taps than ``aim_taps``, see ``rule.EntryCost``)
    plus a small cost of sharp turns, by set partitioning in blocks (effort ``normal`` and
    ``thorough``) or by savings and local search (``quick``). No chosen lateral crosses
    another, a mainline or blocked ground, and entries are at least ``entry_spacing`` apart
    along a mainline, both sides counted together.

    Parameters
    ----------
    mainlines : tuple of Mainline
        Hung at their lowest legal heights; parents before children.
    reason : tuple of str
        One code per tree of the input where the network leaves it out, ``""`` where a
        lateral may be tried.
    draft : bool
        Whether a rough choice will do, to see which mainlines are used: blocks by savings and
        local search, borders between them not mended, no bound.
    progress : callable, optional
        Called with a word and the share done.

    Returns
    -------
    Grouping, tuple of Finding
        Laterals in the order of the mainlines and of their entries upward. The objective
        and its bound are over the trees that some lateral could serve, an unserved one of
        these at the price of three longest laterals.
    """
    laterals = settings.laterals
    tried = trees.candidate & np.array([r == "" for r in reason], dtype=np.bool_)
    grounded = np.isfinite(trees.ground_z_m) & np.isfinite(trees.x_m) & np.isfinite(trees.y_m)
    scene = build(
        mainlines=mainlines, terrain=terrain, ground=ground, trees=trees, open_tree=tried & grounded,
        laterals=laterals,
    )
    rule = rules(laterals, settings.mainlines.effort, len(scene))
    if draft:
        rule = replace(rule, effort="quick", rounds=0, draft=True)
    choice = choose(scene, laterals, rule, progress)
    chosen = tuple(c for c in choice.chosen)
    made, ceilings = _laterals(scene, chosen, mainlines, laterals)
    why, findings = unserved(scene, choice, trees, laterals)
    final = _reasons(trees, reason, tried & ~grounded, scene, chosen, why)
    return (
        Grouping(
            laterals=made, reason=final, entry_ceiling_z_m=ceilings, lower_bound_m=choice.bound_m,
            objective_m=choice.objective_m,
        ),
        in_order([*findings, *_capped(choice)]),
    )


def _laterals(
    scene: Scene, chosen: tuple[Chosen, ...], mainlines: tuple[Mainline, ...], laterals: LateralSettings
) -> tuple[tuple[Lateral, ...], Floats]:
    """Return the records with IDs counted up each mainline, and the ceilings of their entries."""
    order = sorted(range(len(chosen)), key=lambda i: chosen[i].slot)  # slots run up each mainline in turn
    count: dict[int, int] = {}
    out, ceilings = [], []
    for i in order:
        one = chosen[i]
        line = int(scene.slot_line[one.slot])
        count[line] = count.get(line, 0) + 1
        label = labels(
            scene, one.trees, one.slot, entry=entry_cost(laterals), max_length_m=laterals.max_length_m
        )
        if label is None:
            raise RuntimeError(f"a chosen lateral of {mainlines[line].mainline_id} is not legal")
        xy = np.vstack([scene.slot[one.slot, :2], scene.tree[list(one.trees), :2]])
        ground_z = scene.tree[list(one.trees), 2]
        ceilings.append(
            ceiling_m(xy_m=xy, ground_z_m=ground_z, highest_m=laterals.highest_m, grade=float(scene.rule[2]))
        )
        out.append(
            Lateral(
                lateral_id=f"{mainlines[line].mainline_id}-L{count[line]:02d}",
                mainline_id=mainlines[line].mainline_id,
                entry_station_m=float(scene.slot_station_m[one.slot]),
                tree=tuple(int(scene.index[t]) for t in one.trees),
                taps=int(scene.taps[list(one.trees)].sum()),
                xyz_m=np.column_stack([xy, label[0]]),
            )
        )
    return tuple(out), np.array(ceilings, dtype=np.float64)


def _reasons(
    trees: Trees, network: tuple[str, ...], no_ground: Mask, scene: Scene, chosen: tuple[Chosen, ...],
    why: tuple[str, ...],
) -> tuple[str, ...]:
    """Return the final code of every tree: the survey's, the network's or ours, ``""`` for the served."""
    out = [
        own if status != "served" else given
        for own, status, given in zip(trees.reason, trees.status, network, strict=True)
    ]
    for i in np.flatnonzero(no_ground):
        out[i] = "NO_GROUND"
    for local, code in enumerate(why):
        out[int(scene.index[local])] = code
    for one in chosen:
        for t in one.trees:
            out[int(scene.index[t])] = ""
    return tuple(out)


def _capped(choice: Choice) -> list[Finding]:
    if not choice.capped_heads:
        return []
    return [
        Finding(
            code="LATERALS_THINNED", severity="note", layer="laterals", subject_id="",
            measured=float(choice.capped_heads), limit=0.0, unit="trees",
            text=f"{choice.capped_heads} trees stand so close to others that not every lateral from them was tried.",
            remedy="A plan with effort thorough tries more.",
        )
    ]
