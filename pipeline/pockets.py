"""Pockets of trees that a plan leaves out, each with what would serve it.

A grower does not want four hundred lines of "too low": neighbouring trees that
are set aside for the same reason become one finding.
"""

from __future__ import annotations

import numpy as np
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from pipeline.findings import Finding
from pipeline.records import Floats, Trees
from pipeline.units import Units

# Trees nearer than this to one another belong to one pocket: about twice a common lateral reach (ours).
POCKET_GAP_M = 45.0
# NO_LATERAL is left out: the laterals stage says for each pocket what stands in the way
_TERRAIN_REASONS = ("BELOW_OUTLET", "NO_GRADE", "OUT_OF_REACH", "NOT_WORTH_IT")


def pockets(
    *, trees: Trees, reason: tuple[str, ...], potential_taps: Floats, lift_m: Floats, units: Units
) -> tuple[Finding, ...]:
    """Return one note for each pocket of set-aside trees.

    Parameters
    ----------
    trees : Trees
        All trees, n of them.
    reason : tuple of str
        Final reason per tree, ``""`` for the served.
    potential_taps : float array, shape (n,)
        Taps the tree would carry if it were served.
    lift_m : float array, shape (n,)
        As in :class:`pipeline.records.Network`.
    units : Units
        To name the lift in.
    """
    findings: list[Finding] = []
    codes = np.array(reason, dtype=object)
    for code in _TERRAIN_REASONS:
        members = np.flatnonzero((codes == code) & (potential_taps > 0))
        findings += [_describe(trees, group, code, potential_taps, lift_m, units) for group in _groups(trees, members)]
    return tuple(findings)


def _groups(trees: Trees, members: np.ndarray) -> list[np.ndarray]:
    """Return index arrays of single-linkage groups, in input order of their first tree."""
    if members.size == 0:
        return []
    pairs = cKDTree(np.column_stack([trees.x_m[members], trees.y_m[members]])).query_pairs(
        POCKET_GAP_M, output_type="ndarray"
    )
    n = members.size
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    count, label = connected_components(graph, directed=False)
    return [members[label == k] for k in range(count)]


def _describe(
    trees: Trees, group: np.ndarray, code: str, taps: Floats, lift_m: Floats, units: Units
) -> Finding:
    total = int(taps[group].sum())
    lowest = group[int(np.argmin(trees.ground_z_m[group]))]
    name = trees.tree_id[lowest]
    many = f"{group.size} trees ({total} taps) around tree {name}" if group.size > 1 else f"Tree {name} ({total} taps)"
    lift = float(np.nanmax(lift_m[group])) if np.isfinite(lift_m[group]).any() else None
    text, remedy = {
        "BELOW_OUTLET": (
            f"{many} stand too low for gravity.",
            f"A lift of {units.length(lift, 1) if lift else 'the sap'}, or a second collection point at or below tree "
            f"{name}, would serve them.",
        ),
        "NO_GRADE": (
            f"{many} cannot be reached at the least grade inside the height window.",
            f"Allow higher supports, a lower grade, or a second collection point near tree {name}.",
        ),
        "OUT_OF_REACH": (
            f"{many} stand farther from every mainline than a lateral may reach.",
            "Raise [mainlines] tap_worth or [laterals] reach.",
        ),
        "NOT_WORTH_IT": (
            f"{many} would cost more mainline than their taps are worth.",
            "Raise [mainlines] tap_worth to serve them; the curve on the cover shows the price.",
        ),
    }[code]
    return Finding(
        code=f"POCKET_{code}", severity="note", layer="trees", subject_id=name,
        measured=lift if code in ("BELOW_OUTLET", "NO_GRADE") else float(total), limit=None,
        unit="m" if code in ("BELOW_OUTLET", "NO_GRADE") else "taps", text=text, remedy=remedy,
    )
