"""Why a tree that was tried is on no lateral, in words that say what would mend it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from pipeline.findings import Finding
from pipeline.laterals.blocks import Choice
from pipeline.laterals.scene import Floats, Ints, Scene
from pipeline.laterals.scene_kernel import BLOCKED, CROSSING, LOW
from pipeline.records import Trees
from pipeline.settings import LateralSettings

POCKET_M = 25.0  # unserved trees nearer to one another than this are told of together

# cause -> (set-aside code, what is so, what would mend it)
_CAUSES: dict[str, tuple[str, str, str]] = {
    "far": (
        "OUT_OF_REACH", "stands farther from every mainline than a lateral may reach",
        "A mainline nearer to it, a longer reach, or a higher worth of a tap would serve it.",
    ),
    "heavy": (
        "NO_LATERAL", "carries more taps than one lateral may have",
        "Fewer taps on it, or more taps allowed on a lateral, would serve it.",
    ),
    "low": (
        "NO_LATERAL", "is too low for a lateral that falls to any mainline in reach",
        "Ground higher by this much, a lower mainline, or a mainline below it would serve it.",
    ),
    "blocked": (
        "NO_LATERAL", "is cut off from every mainline in reach by ground that no lateral may cross",
        "A gap in [pins] or a mainline on its side would serve it.",
    ),
    "crossing": (
        "NO_LATERAL", "is reached only by laterals that would cross a mainline or another lateral",
        "A mainline on its side, or an entry moved by hand, would serve it.",
    ),
    "long": (
        "NO_LATERAL", "is within reach, but every lateral to it would be too long",
        "A mainline nearer to it or a longer lateral would serve it.",
    ),
}


def unserved(
    scene: Scene, choice: Choice, trees: Trees, laterals: LateralSettings
) -> tuple[tuple[str, ...], list[Finding]]:
    """Return a set-aside code for each tree of the scene (as if none were served) and findings on the unserved."""
    served = np.zeros(len(scene), dtype=np.bool_)
    served[[t for c in choice.chosen for t in c.trees]] = True
    cause = _causes(scene, choice, laterals)
    findings: list[Finding] = []
    for name, (code, so, remedy) in _CAUSES.items():
        some = np.flatnonzero(~served & (cause == name))
        findings += [
            _finding(name, code, so, remedy, some[pocket], scene, trees, laterals)
            for pocket in _pockets(scene.tree[some, :2])
        ]
    return tuple(_CAUSES[str(c)][0] for c in cause), findings


def _causes(scene: Scene, choice: Choice, laterals: LateralSettings) -> npt.NDArray[np.str_]:
    """Return for each tree what keeps it off a lateral, the most easily mended first."""
    fail = scene.fail
    return np.select(
        [
            np.isinf(scene.off_m), scene.taps > laterals.max_taps, choice.coverable,
            fail[:, LOW] > 0, fail[:, BLOCKED] > 0, fail[:, CROSSING] > 0,
        ],
        ["far", "heavy", "crossing", "low", "blocked", "crossing"],
        "long",
    )


def _pockets(xy_m: Floats) -> list[Ints]:
    """Return groups of points that hang together, ordered by their first member."""
    if not len(xy_m):
        return []
    pairs = cKDTree(xy_m).query_pairs(POCKET_M, output_type="ndarray")
    graph = coo_matrix((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(len(xy_m), len(xy_m)))
    count, label = connected_components(graph, directed=False)
    return [np.flatnonzero(label == k) for k in range(count)]


def _finding(
    cause: str, code: str, so: str, remedy: str, some: Ints, scene: Scene, trees: Trees, laterals: LateralSettings
) -> Finding:
    ids = [trees.tree_id[int(scene.index[t])] for t in some]
    who = f"Tree {ids[0]}" if len(ids) == 1 else f"Tree {ids[0]} and {len(ids) - 1} near it: each"
    measured, limit, unit = None, None, ""
    if cause == "low":
        measured, limit, unit = float(scene.shortfall_m[some].min()), 0.0, "m"
    elif cause == "heavy":
        measured, limit, unit = float(scene.taps[some].max()), float(laterals.max_taps), "taps"
    elif cause == "far":
        measured, limit, unit = None, laterals.reach_m, "m"
    return Finding(
        code=code, severity="note", layer="trees", subject_id=ids[0], measured=measured, limit=limit, unit=unit,
        text=f"{who} {so}.", remedy=remedy,
    )
