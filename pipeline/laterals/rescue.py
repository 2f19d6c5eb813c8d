"""Trees that some lateral could serve and none does: laterals around each chosen again, several places at a time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from pipeline.laterals.choice import Chosen
from pipeline.laterals.crew import in_pairs, in_turn, near_before
from pipeline.laterals.programme import FEW_TREES
from pipeline.laterals.region import anew, apart_m, heads, served_by
from pipeline.laterals.rule import Rules
from pipeline.laterals.scene import Ints, Mask, Scene
from pipeline.settings import LateralSettings

RESCUE_M = 20.0  # laterals this near to an unserved tree are chosen anew with it
RESCUE_LATERALS = 14
RESCUES = 20  # beyond so many unserved trees each gets less time


@dataclass(frozen=True, slots=True, eq=False)
class _Swap:
    """Trees whose laterals were chosen anew, and the laterals that serve them now."""

    trees: Ints
    now: list[Chosen]


def rescue(
    scene: Scene, coverable: Mask, chosen: list[Chosen], laterals: LateralSettings, rule: Rules,
    told: Callable[[float], None],
) -> list[Chosen]:
    """Choose again around each tree that some lateral could serve and none does, by the programme."""
    left = np.flatnonzero(coverable & ~served_by(scene, chosen))
    quick = rule.effort == "quick"
    exact = replace(
        rule, effort="normal" if quick else rule.effort,
        hurry=quick or (rule.effort == "normal" and len(left) > RESCUES),
    )
    # of many trees the plain programme mostly does, in a fraction of the time
    tries = (replace(exact, rounds=0), exact) if len(scene) > FEW_TREES else (exact,)
    # a place is all that is looked at around one tree: another that changes none of it is not waited for
    reach = RESCUE_M + laterals.max_length_m
    place = np.hstack([scene.tree[left, :2] - reach, scene.tree[left, :2] + reach])
    order = in_pairs(place, 2.0 * laterals.max_length_m)
    left, place = left[order], place[order]
    near = near_before(place, 2.0 * laterals.max_length_m)
    xy = scene.tree[heads(chosen), :2]

    def mend(k: int, before: list[list[_Swap]]) -> list[_Swap]:
        wide = laterals.max_length_m + apart_m(laterals)
        close = ((xy >= place[k, :2] - wide) & (xy <= place[k, 2:] + wide)).all(axis=1)
        here = _swapped([chosen[int(i)] for i in np.flatnonzero(close)], [s for some in before for s in some])
        return _mended(scene, int(left[k]), coverable, here, laterals, tries)

    made = in_turn(near, mend, lambda done: told(0.85 + 0.15 * done / len(left)))
    return _swapped(chosen, [s for some in made for s in some])


def _swapped(chosen: list[Chosen], swaps: Sequence[_Swap]) -> list[Chosen]:
    """Return laterals after some changes, one after the other."""
    now = dict.fromkeys(chosen)
    by_tree = {t: c for c in chosen for t in c.trees}
    for swap in swaps:
        for t in swap.trees.tolist():
            old = by_tree.pop(t, None)
            if old is not None:
                now.pop(old, None)
        now.update(dict.fromkeys(swap.now))
        by_tree.update((t, c) for c in swap.now for t in c.trees)
    return list(now)


def _mended(
    scene: Scene, t: int, coverable: Mask, here: list[Chosen], laterals: LateralSettings, tries: Sequence[Rules]
) -> list[_Swap]:
    """Return the changes, one for each try that helped, to the laterals `here` about an unserved tree."""
    out: list[_Swap] = []
    served = served_by(scene, here)
    if served[t]:
        return out
    away = np.hypot(*(scene.tree[:, :2] - scene.tree[t, :2]).T)
    about = away <= RESCUE_M
    near = [c for c in here if about[list(c.trees)].any()]
    near = sorted(near, key=lambda c: float(away[list(c.trees)].min()))[:RESCUE_LATERALS]
    alone = np.flatnonzero(~served & coverable & about)
    trees = np.unique(np.concatenate([[v for c in near for v in c.trees], alone]).astype(np.int64))
    rest = [c for c in here if c not in set(near)]
    now = near
    for how in tries:
        one = anew(scene, trees, now, rest, laterals, how)
        if one.better:
            now = one.now
            out.append(_Swap(trees, now))
        if any(t in c.trees for c in now):
            break
    return out
