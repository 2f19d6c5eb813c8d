"""Makes tappable trees of surveyed points: taps by diameter, duplicates, and what is wrong with the rest."""

from __future__ import annotations

import difflib
import math
import re
import unicodedata
from collections import Counter
from collections.abc import Mapping, Sequence
from typing import get_args

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree

from pipeline.errors import BushFileError, InputDataError, Problem
from pipeline.findings import Finding
from pipeline.records import NOT_TAPPED_REASONS, SET_ASIDE_REASONS, SurveyPoints, Trees, TreeStatus
from pipeline.settings import Settings
from pipeline.terrain.grid import Terrain

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

CM_PER_IN = 2.54
# Two records of one tree differ by no more than this in diameter: 2 in, or 15 % of the
# thicker one (common practice, no source).
LIKE_DBH_CM = 2.0 * CM_PER_IN
LIKE_DBH_SHARE = 0.15
# Diameters this near a boundary of the guideline are on it: readings are to 0.1 in at best.
_ON_BOUNDARY_IN = 1e-6
# So many points on one spot are a device that stood still or a rounded file.
PILE_POINTS = 4
PILE_ROUND_M = 0.05
MOST_PILES_NAMED = 10
# ordered pairs of near points beyond which the survey is no survey: it would fill the memory
MOST_NEAR_PAIRS = 40_000_000

# Names of one species, folded; the first is the one we print. Common practice, no source.
SPECIES_NAMES: tuple[tuple[str, ...], ...] = (
    ("sugar maple", "hard maple", "rock maple", "erable a sucre", "acer saccharum", "a saccharum"),
    ("red maple", "swamp maple", "erable rouge", "plaine rouge", "plaine", "acer rubrum", "a rubrum"),
    ("silver maple", "erable argente", "plaine blanche", "acer saccharinum", "a saccharinum"),
    ("black maple", "erable noir", "acer nigrum", "a nigrum"),
    ("norway maple", "erable de norvege", "acer platanoides", "a platanoides"),
    ("box elder", "boxelder", "manitoba maple", "ash leaved maple", "erable negundo", "erable a giguere",
     "acer negundo", "a negundo"),
    ("maple", "erable", "acer", "acer sp", "acer spp"),
)
STATE_NAMES: tuple[tuple[str, ...], ...] = (
    ("dead", "mort", "morte"),
    ("cut", "felled", "coupe", "coupee", "abattu", "abattue", "stump", "souche"),
    ("snag", "chicot"),
    ("dying", "mourant", "deperissant"),
    ("down", "tombe", "fallen"),
)


def fold(text: str) -> str:
    """Return a text in lower case, without accents, words parted by one blank."""
    plain = "".join(c for c in unicodedata.normalize("NFKD", text).casefold() if not unicodedata.combining(c))
    return " ".join(re.findall(r"[0-9a-z]+", plain))


def _canon(text: str, groups: tuple[tuple[str, ...], ...]) -> str:
    """Return the one name of a folded text's group, or the folded text itself."""
    folded = fold(text)
    return next((names[0] for names in groups if folded in names), folded)


def guideline_steps(guideline: Sequence[Mapping[str, str]], scheme: str) -> tuple[tuple[float, float, int], ...]:
    """Return (from, to, taps) of one scheme, diameters in inches, thinnest first.

    Parameters
    ----------
    guideline : sequence of mapping
        Rows of ``templates/guidelines.csv``.
    scheme : str
        Name of the scheme.

    Raises
    ------
    BushFileError
        When there is no such scheme; the message names the nearest.
    """
    steps = sorted(
        (float(row["dbh_from_in"]), float(row["dbh_to_in"]) if row["dbh_to_in"] else math.inf, int(row["taps"]))
        for row in guideline if row["scheme"] == scheme
    )
    if not steps:
        known = sorted({row["scheme"] for row in guideline})
        close = difflib.get_close_matches(scheme, known, 1)
        raise BushFileError([Problem(
            "bush file", "trees.guideline", repr(scheme), f"one of {', '.join(known)}",
            f"Did you mean {close[0]!r}?" if close else "Name a scheme of templates/guidelines.csv.",
        )])
    return tuple(steps)


def taps_by_diameter(dbh_cm: npt.ArrayLike, steps: Sequence[tuple[float, float, int]]) -> Ints:
    """Return the taps of trees by diameter; 0 for trees too small and for NaN.

    Parameters
    ----------
    dbh_cm : float array
        Trunk diameter at breast height.
    steps : sequence of (from, to, taps)
        Inches, as :func:`guideline_steps` gives them.

    Notes
    -----
    The least diameter of a scheme is tapped; exactly on an inner boundary a tree gets
    the fewer taps. With the conservative scheme (van den Berg et al. 2012: 12 to 18 in
    one tap, over 18 in two) 12.0 in gives one tap and 18.0 in gives one tap.

    Examples
    --------
    >>> taps_by_diameter([30.4, 30.48, 45.72, 45.8], [(12, 18, 1), (18, float("inf"), 2)]).tolist()
    [0, 1, 1, 2]
    """
    dbh_in = np.asarray(dbh_cm, dtype=np.float64) / CM_PER_IN
    taps = np.zeros(dbh_in.shape, dtype=np.int64)
    for i, (low, high, count) in enumerate(steps):
        above = dbh_in >= low - _ON_BOUNDARY_IN if i == 0 else dbh_in > low + _ON_BOUNDARY_IN
        taps[above & (dbh_in <= high + _ON_BOUNDARY_IN)] = count
    return taps


def assess(
    *,
    points: SurveyPoints,
    terrain: Terrain,
    ground_reasons: tuple[str, ...],
    guideline: Sequence[Mapping[str, str]],
    settings: Settings,
) -> tuple[Trees, tuple[Finding, ...]]:
    """Return every surveyed point as a tree with taps, status and reason, in input order.

    Parameters
    ----------
    points : SurveyPoints
    terrain : Terrain
    ground_reasons : tuple of str
        For each point why the ground bars it, ``""`` when it does not.
    guideline : sequence of mapping
        Rows of ``templates/guidelines.csv``.
    settings : Settings

    Returns
    -------
    trees : Trees
        One per point. Reasons in the order they are asked: species, state, diameter
        (then ``not_tapped``), position, ground, duplicate (then ``set_aside``).
    findings : tuple of Finding

    Notes
    -----
    Points of one species, nearer than ``duplicate_distance`` and of like diameter
    (2 in or 15 %) are one tree; points joined through others count together. The
    first in the file is kept. Apart from which record of a tree that is, the result
    does not depend on the order of the rows.

    Raises
    ------
    BushFileError
        When the guideline's scheme is not known.
    InputDataError
        When so many points lie on one another that they cannot be compared.
    """
    n = len(points.tree_id)
    steps = guideline_steps(guideline, settings.trees.guideline)
    taps = taps_by_diameter(points.dbh_cm, steps)
    ids, notes = _unique_tags(points.tree_id)
    intrinsic = _not_tapped(points, taps, settings)
    placed = np.isfinite(points.x_m) & np.isfinite(points.y_m)
    aside = ["" if r else ("BAD_POSITION" if not placed[i] else ground_reasons[i]) for i, r in enumerate(intrinsic)]
    open_ = np.array([not intrinsic[i] and not aside[i] for i in range(n)], dtype=np.bool_)
    for i, kept in _duplicates(points, open_, settings.trees.duplicate_distance_m):
        aside[i] = "DUPLICATE"
        notes[i] = "; ".join(t for t in (notes[i], f"same tree as {ids[kept]}") if t)
    status = tuple(_status(a, b) for a, b in zip(intrinsic, aside, strict=True))
    candidate = np.array([s == "served" for s in status], dtype=np.bool_)
    trees = Trees(
        tree_id=ids, x_m=points.x_m, y_m=points.y_m, ground_z_m=terrain.sample(points.x_m, points.y_m),
        species=points.species, dbh_cm=points.dbh_cm, taps=np.where(candidate, taps, 0).astype(np.int64),
        status=status, reason=tuple(a or b for a, b in zip(intrinsic, aside, strict=True)), note=tuple(notes),
    )
    return trees, _findings(trees, points, terrain)


def _status(not_tapped: str, set_aside: str) -> TreeStatus:
    if not_tapped:
        return "not_tapped"
    return "set_aside" if set_aside else "served"


def _unique_tags(tags: tuple[str, ...]) -> tuple[tuple[str, ...], list[str]]:
    """Return tags made unique by a suffix, and a note for each that was changed."""
    taken = set(tags)
    seen: set[str] = set()
    ids: list[str] = []
    notes: list[str] = []
    following: Counter[str] = Counter()
    for row, tag in enumerate(tags):
        base = tag or f"T{row + 1}"
        name = base
        while name in seen or (name != tag and name in taken):
            following[base] += 1
            name = f"{base}-{following[base] + 1}"
        seen.add(name)
        ids.append(name)
        notes.append("" if name == tag else (f"tag {tag} was used before" if tag else "no tag in the survey"))
    return tuple(ids), notes


def _not_tapped(points: SurveyPoints, taps: Ints, settings: Settings) -> list[str]:
    """Return for each point why no tap is put in it, ``""`` when one may be."""
    kept = {_canon(s, SPECIES_NAMES) for s in settings.trees.species}
    barred = {_canon(s, STATE_NAMES) for s in settings.trees.excluded_status}
    reasons = []
    for species, state, dbh, n_taps in zip(points.species, points.state, points.dbh_cm, taps, strict=True):
        if species and _canon(species, SPECIES_NAMES) not in kept:
            reasons.append("SPECIES")
        elif state and _barred(state, barred):
            reasons.append("DEAD")
        elif not math.isfinite(dbh):
            reasons.append("NO_DIAMETER")
        else:
            reasons.append("" if n_taps > 0 else "TOO_SMALL")
    return reasons


def _barred(state: str, barred: set[str]) -> bool:
    """Whether a state, or any word of it, is one that is not tapped (``"dead, standing"``)."""
    return any(_canon(words, STATE_NAMES) in barred for words in (state, *fold(state).split()))


# ------------------------------------------------------------------- duplicates


def _duplicates(points: SurveyPoints, open_: npt.NDArray[np.bool_], distance_m: float) -> list[tuple[int, int]]:
    """Return (index, index of the record kept) of each point that repeats another."""
    where = np.flatnonzero(open_)
    if where.size < 2 or distance_m <= 0.0:
        return []
    tree = cKDTree(np.column_stack([points.x_m[where], points.y_m[where]]))
    if tree.count_neighbors(tree, distance_m) > MOST_NEAR_PAIRS:
        raise InputDataError([Problem(
            points.source, "positions", "tens of thousands of trees on a few spots", "trees apart from one another",
            "Check the position columns and their decimals: rounded coordinates pile trees up.",
        )])
    pairs = where[tree.query_pairs(distance_m, output_type="ndarray")].reshape(-1, 2)
    species = np.array(_species_numbers(points.species), dtype=np.int64)
    a, b = points.dbh_cm[pairs[:, 0]], points.dbh_cm[pairs[:, 1]]
    alike = np.abs(a - b) <= np.maximum(LIKE_DBH_CM, LIKE_DBH_SHARE * np.maximum(a, b))
    pairs = pairs[alike & (species[pairs[:, 0]] == species[pairs[:, 1]])]
    n = open_.size
    _, label = connected_components(
        coo_array((np.ones(len(pairs), dtype=np.int8), (pairs[:, 0], pairs[:, 1])), shape=(n, n)), directed=False
    )
    first: dict[int, int] = {}
    result = []
    for i, group in enumerate(label.tolist()):
        if group in first:
            result.append((i, first[group]))
        else:
            first[group] = i
    return result


def _species_numbers(species: Sequence[str]) -> list[int]:
    numbers: dict[str, int] = {}
    return [numbers.setdefault(_canon(s, SPECIES_NAMES), len(numbers)) for s in species]


# --------------------------------------------------------------------- findings


def _findings(trees: Trees, points: SurveyPoints, terrain: Terrain) -> tuple[Finding, ...]:
    return (
        *_counts(trees), *_tags(trees), *_species(trees), *_swapped(trees, terrain), *_piles(trees, points),
    )


def _counts(trees: Trees) -> list[Finding]:
    counts = Counter(zip(trees.status, trees.reason, strict=True))
    remedies = {
        "NO_DIAMETER": "Measure them at breast height and add the diameters.",
        "BAD_POSITION": "Survey these points again or mend their coordinates.",
        "OFF_TERRAIN": "Get a terrain raster that covers them, or check their coordinates.",
        "DUPLICATE": "Nothing, when each is one tree logged twice; otherwise lower trees.duplicate_distance.",
        "SPECIES": "Add the species to trees.species if it is tapped.",
    }
    result = []
    for (status, reason), count in sorted(counts.items()):
        if not reason:
            continue
        code = "TREES_NOT_TAPPED" if status == "not_tapped" else "TREES_SET_ASIDE"
        result.append(Finding(
            code, "note" if reason not in {"BAD_POSITION", "OFF_TERRAIN"} else "check", "trees", reason, float(count),
            float(len(trees)), "trees", f"{count} of {len(trees)} trees: {reason}.", remedies.get(reason, ""),
        ))
    return result


def _tags(trees: Trees) -> list[Finding]:
    changed = [i for i, note in enumerate(trees.note) if "was used before" in note or "no tag" in note]
    if not changed:
        return []
    examples = ", ".join(trees.tree_id[i] for i in changed[:5])
    return [Finding(
        "TAG_REPEATED", "check", "trees", "", float(len(changed)), 0.0, "trees",
        f"{len(changed)} trees had no tag or one already used and were given a new one ({examples}).",
        "Paint the new tags on the trees, or mend the file.",
    )]


def _species(trees: Trees) -> list[Finding]:
    missing = sum(1 for s in trees.species if not s)
    result = []
    if missing:
        result.append(Finding(
            "SPECIES_NOT_GIVEN", "check", "trees", "", float(missing), 0.0, "trees",
            f"{missing} of {len(trees)} trees have no species and were taken as tappable.",
            "Make sure that the survey holds maples only, or add the species.",
        ))
    other = Counter(s for s, r in zip(trees.species, trees.reason, strict=True) if r == "SPECIES")
    if other:
        common = sorted(other.items(), key=lambda item: (-item[1], item[0]))[:6]
        result.append(Finding(
            "SPECIES_UNTAPPED", "note", "trees", "", float(other.total()), None, "trees",
            f"Species that the bush file does not tap: {', '.join(f'{name} ({count})' for name, count in common)}.",
            "Add a name to trees.species if it is a tree you tap.",
        ))
    return result


def _swapped(trees: Trees, terrain: Terrain) -> list[Finding]:
    """Return a finding when trees off the terrain would lie on it with longitude and latitude swapped."""
    lost = np.array([r in {"OFF_TERRAIN", "BAD_POSITION"} for r in trees.reason], dtype=np.bool_)
    off = lost & np.isfinite(trees.x_m)
    if not terrain.frame.on_earth or not off.any():
        return []
    lon, lat = terrain.frame.lonlat(trees.x_m[off], trees.y_m[off])
    result = []
    for code, what, a, b in (
        ("LONLAT_SWAPPED", "longitude and latitude swapped", lat, lon),
        ("LON_SIGN", "the sign of the longitude turned", -lon, lat),
    ):
        valid = np.isfinite(a) & np.isfinite(b) & (np.abs(b) <= 90.0)
        x, y = terrain.frame.from_lonlat(a[valid], b[valid])
        near = np.isfinite(x) & np.isfinite(y)
        count = int(np.isfinite(terrain.sample(x[near], y[near])).sum())
        if count:
            result.append(Finding(
                code, "check", "trees", "", float(count), 0.0, "trees",
                f"{count} trees off the terrain would lie on it with {what}.", "Mend these rows of the survey.",
            ))
    return result


def _piles(trees: Trees, points: SurveyPoints) -> list[Finding]:
    fine = np.flatnonzero(np.isfinite(points.x_m) & np.isfinite(points.y_m))
    spots = np.round(np.column_stack([points.x_m[fine], points.y_m[fine]]) / PILE_ROUND_M).astype(np.int64)
    _, where, counts = np.unique(spots, axis=0, return_index=True, return_counts=True)
    piles = np.flatnonzero(counts >= PILE_POINTS)
    if piles.size > MOST_PILES_NAMED:
        return [Finding(
            "PILED_ON_ONE_SPOT", "check", "trees", "", float(counts[piles].sum()), 0.0, "trees",
            f"{counts[piles].sum()} trees stand on only {piles.size} spots.",
            "The file's coordinates were rounded, or the receiver did not move on; survey these trees again.",
        )]
    result = []
    for k in piles.tolist():
        i = int(fine[where[k]])
        result.append(Finding(
            "PILED_ON_ONE_SPOT", "check", "trees", trees.tree_id[i], float(counts[k]), float(PILE_POINTS - 1), "trees",
            f"{counts[k]} trees stand on the very spot of {trees.tree_id[i]}.",
            "The receiver did not move on, or the file was rounded; survey these trees again.",
        ))
    return result


def check_reasons(trees: Trees) -> None:
    """Raise when a tree's status and reason do not go together.

    Raises
    ------
    ValueError
        With the first tree at fault.
    """
    for tree_id, status, reason in zip(trees.tree_id, trees.status, trees.reason, strict=True):
        known = {"served": ("",), "set_aside": SET_ASIDE_REASONS, "not_tapped": NOT_TAPPED_REASONS}
        if status not in get_args(TreeStatus) or reason not in known[status]:
            raise ValueError(f"tree {tree_id}: status {status!r} with reason {reason!r}")
