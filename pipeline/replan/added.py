"""New trees of an existing plan: judged as the survey judges them, and put behind the trees that it has."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from pipeline import ground as ground_room
from pipeline import survey
from pipeline.records import Ground, Plan, SurveyPoints, Trees
from pipeline.resources import template_rows
from pipeline.terrain.grid import Terrain

WAITING = "NOT_WORTH_IT"  # reason of a new tree until a line leads to it


def with_trees(
    plan: Plan, points: SurveyPoints, *, terrain: Terrain, ground: Ground
) -> tuple[Plan, tuple[int, ...]]:
    """Return the plan with new trees behind its own, and the indices of those that a line may be led to.

    Parameters
    ----------
    plan : Plan
        Its own trees keep their places in every table.
    points : SurveyPoints
        New trees as surveyed. One that stands where a tree of the plan stands is a duplicate; a tag that is taken
        gets a counter behind it.

    Notes
    -----
    Those that may be tapped carry the taps of their diameter although they are set aside: nothing leads to them yet.

    Raises
    ------
    InputDataError
        When the points lie on one another.
    """
    old, n = plan.trees, len(plan.trees)
    reasons = ground_room.tree_reasons(ground=ground, terrain=terrain, x_m=points.x_m, y_m=points.y_m)
    both = SurveyPoints(
        tree_id=(*old.tree_id, *points.tree_id), x_m=np.concatenate((old.x_m, points.x_m)),
        y_m=np.concatenate((old.y_m, points.y_m)), species=(*old.species, *points.species),
        dbh_cm=np.concatenate((old.dbh_cm, points.dbh_cm)), state=(*("",) * n, *points.state),
        row=np.concatenate((np.zeros(n, dtype=np.int64), points.row)), source=points.source,
    )
    # only a tree that stands and may be tapped can be logged again
    stands = tuple("" if status != "not_tapped" and reason != "DUPLICATE" else "NO_GO"
                   for status, reason in zip(old.status, old.reason, strict=True))
    made, _ = survey.assess(
        points=both, terrain=terrain, ground_reasons=(*stands, *reasons), guideline=template_rows("guidelines.csv"),
        settings=plan.settings,
    )
    fresh = tuple(t for t in range(n, len(both.tree_id)) if made.status[t] == "served")
    more = len(points.tree_id)
    trees = Trees(
        tree_id=made.tree_id, x_m=both.x_m, y_m=both.y_m,
        ground_z_m=np.concatenate((old.ground_z_m, made.ground_z_m[n:])), species=both.species, dbh_cm=both.dbh_cm,
        taps=np.concatenate((old.taps, made.taps[n:])),
        status=(*old.status, *("set_aside" if s == "served" else s for s in made.status[n:])),
        reason=(*old.reason, *(r or WAITING for r in made.reason[n:])), note=(*old.note, *made.note[n:]),
    )
    nothing = np.full(more, np.nan)
    return replace(
        plan, trees=trees, tree_lateral=np.concatenate((plan.tree_lateral, np.full(more, -1, dtype=np.int64))),
        tree_order=np.concatenate((plan.tree_order, np.zeros(more, dtype=np.int64))),
        tree_line_z_m=np.concatenate((plan.tree_line_z_m, nothing)), lift_m=np.concatenate((plan.lift_m, nothing)),
        grouping=replace(plan.grouping, reason=trees.reason),
    ), fresh
