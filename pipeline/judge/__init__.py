"""The judge: independent rules on a finished plan.

Everything is worked out again from the finished geometry, the raw terrain and the real shapes on the ground. None of
the rooms that made the plan is imported, and none of their intermediate results is believed.

* ``accounting`` counts trees and taps from the survey to the tank.
* ``wires`` looks at mainlines: fall, height, sag, supports, bends, joins.
* ``twigs`` looks at laterals: limits, fall, height, entry, trees.
* ``places`` looks at no-go, property, crossings, and lines that cross.
* ``bores`` looks at pipes: fill, sizes, vacuum.
* ``doubts`` says what no rule breaks and a crew must still know.

Tolerances stand in ``case``. A breach is a finding; nothing is mended here.
"""

from __future__ import annotations

from pipeline.findings import Finding, in_order
from pipeline.judge import accounting, bores, doubts, places, twigs, wires
from pipeline.judge.case import make_case
from pipeline.records import Ground, Plan
from pipeline.terrain.grid import Terrain

__all__ = ["RULES", "judge"]

RULES = (
    accounting.trees_once,
    accounting.taps_add_up,
    accounting.sections_once,
    wires.tree,
    wires.grades,
    wires.heights,
    wires.supports,
    twigs.limits,
    twigs.heights,
    twigs.ends,
    places.forbidden,
    places.clearances,
    places.lines_apart,
    bores.fills,
    bores.sizes,
    bores.vacuum,
    doubts.ladders,
    doubts.unproven,
    doubts.not_checked,
)

# every code that the rules above may give
CODES = frozenset({
    "BACK_GRADE", "BELOW_INLET", "BEND", "CLEARANCE", "COLLECTION_SUM", "CONFIDENCE", "CROSSING_UNLISTED",
    "ENTRY_SPACING", "JOIN_ABOVE", "JOIN_BELOW", "JOIN_PLACE", "LADDER_WORK", "LATERAL_ALOFT", "LATERAL_DIPS",
    "LATERAL_EMPTY", "LATERAL_ENTRY", "LATERAL_GRADE", "LATERAL_HIGH", "LATERAL_LENGTH", "LATERAL_LOW",
    "LATERAL_NO_GROUND", "LATERAL_SUM", "LATERAL_TAPS", "LATERAL_TREE", "LEVEL_IT", "LEVEL_IT_MAINLINE",
    "LINES_CROSS", "LINE_LOOPS", "LINE_TWICE", "MAINLINE_GRADE", "MAINLINE_HIGH", "MAINLINE_LOW",
    "MAINLINE_NO_GROUND", "NOT_CHECKED", "NO_GO_CROSSED", "NO_PARENT", "PIPE_FIGURES", "PIPE_FILL", "PIPE_HOLE",
    "PIPE_LINE", "PIPE_SHRINKS", "PIPE_SUM", "PROPERTY_LEFT", "RING", "SAG", "SAG_GRADE", "SAG_UNKNOWN",
    "SECTION_HOLE", "SECTION_LATERAL", "SECTION_SUM", "STATION_WRONG", "SUPPORT_GAP", "SUPPORT_GROUND",
    "SUPPORT_PLACE", "SUPPORT_TREE", "TREE_ORDER", "TREE_REASON", "TREE_TWICE", "TREE_UNSERVED", "VACUUM_BUDGET",
    "VACUUM_MISSING", "VACUUM_RISES",
})


def judge(plan: Plan, terrain: Terrain, ground: Ground) -> tuple[Finding, ...]:
    """Return what every rule has to say about a finished plan, gravest first.

    Parameters
    ----------
    plan : Plan
        As it would be built.
    terrain : Terrain
        The raw terrain, not smoothed.
    ground : Ground
        Only its layers, gaps and the list of missing layers are looked at.

    Returns
    -------
    tuple of Finding
        Violations, checks and notes; see the rules' docstrings for the codes.
    """
    case = make_case(plan, terrain, ground)
    return in_order(finding for rule in RULES for finding in rule(case))
