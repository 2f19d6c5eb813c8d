"""Heights of the linear programme against brute force on lines of five supports.

Two oracles that share no code with the programme: all corners of the set of legal heights
(every way of making five bounds tight, each solved and tested), and all heights on a fine
grid (dynamic programming over pairs of neighbours, which is exhaustive for costs of neighbours
and of changes of grade). Bounds come from sampling the raster every centimetre.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from pipeline.hang import hang_final, hang_low
from pipeline.hang.solve import BREAK_COST, FAR_COST, LADDER_COST, NEAR_COST, NEAR_M
from pipeline.records import Mainline
from pipeline.terrain.grid import Terrain
from pipeline.wire import chord_rules
from scipy.spatial import ConvexHull

from hang_scene import falling, network, open_ground, outlet, rough, route, stand_of

SETTINGS = falling(2.0)
RULES = chord_rules(SETTINGS)
INLET_M = 1.4


FITS = [0, *range(2, 12)]
DOES_NOT_FIT = [1]


def hang(seed: int, *, fits: bool = True) -> tuple[Terrain, Mainline, Mainline, float]:
    """Return ground, one line of five supports hung low and as built, and its inlet's elevation."""
    terrain = rough(seed, size=70, bump_m=0.6, grade_pct=6.0)
    ground = open_ground(terrain, SETTINGS)
    ends = outlet(terrain, 5.3, 30.1, INLET_M)
    common = {"terrain": terrain, "ground": ground, "collections": ends, "settings": SETTINGS}
    low, said = hang_low(
        network=network(route("M1", [(5.3, 30.1), (50.2, 42.7)])), trees=stand_of(terrain, []), **common
    )
    built, said_too = hang_final(mainlines=low, ceilings=(), **common)
    assert bool(said) == bool(said_too) == (not fits)
    assert len(low[0].supports) == 5
    return terrain, low[0], built[0], ends[0].inlet_z_m


def bounds(terrain: Terrain, line: Mainline, inlet_z_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Return A, b of ``A z >= b`` for the five heights, from samples a centimetre apart."""
    own = line.station_m
    n = len(own)
    rows, right = [], []
    for i in range(n - 1):
        s = np.linspace(own[i], own[i + 1], int((own[i + 1] - own[i]) / 0.01))
        x, y, _ = line.at(s)
        g = terrain.sample(x, y)
        t = (s - own[i]) / (own[i + 1] - own[i])
        for sign, z in ((1.0, g + RULES.lowest_m + RULES.sag_allowance_m), (-1.0, g + RULES.highest_m)):
            for j in sorted(ConvexHull(np.column_stack([t, z])).vertices):
                row = np.zeros(n)
                row[i], row[i + 1] = sign * (1.0 - t[j]), sign * t[j]
                rows.append(row)
                right.append(sign * z[j])
        row = np.zeros(n)
        row[i], row[i + 1] = -1.0, 1.0
        rows.append(row)
        right.append((own[i + 1] - own[i]) * RULES.min_grade_pct / 100.0)
    rows.append(np.eye(n)[0])
    right.append(inlet_z_m)
    return np.array(rows), np.array(right)


def useful(a: np.ndarray, b: np.ndarray, z: np.ndarray, number: int) -> np.ndarray:
    """Return the rows with the least slack at a point: the corner sought is made of tight ones."""
    return np.argsort(a @ z - b)[:number]


@pytest.mark.parametrize("seed", FITS)
def test_lowest_line_is_the_best_corner(seed: int) -> None:
    terrain, low, _, inlet_z = hang(seed)
    a, b = bounds(terrain, low, inlet_z)
    z = low.xyz_m[:, 2]
    assert (a @ z - b).min() > -1e-4
    near = useful(a, b, z, 16)
    picks = np.array(list(combinations(near, 5)))
    matrices = a[picks]
    picks = picks[np.abs(np.linalg.det(matrices)) > 1e-9]
    corners = np.linalg.solve(a[picks], b[picks][:, :, None])[:, :, 0]
    legal = corners[(corners @ a.T - b).min(axis=1) > -1e-6]
    assert len(legal) > 0
    # no corner is lower, and the best one is this line
    assert legal.sum(axis=1).min() == pytest.approx(z.sum(), abs=2e-3)


def cost_of(z: np.ndarray, ground: np.ndarray, own: np.ndarray) -> float:
    """Return what a built line costs, written from its description: dearer away from the aim and with each break."""
    over = z - ground - RULES.aim_m
    away = np.abs(over)
    ladder = np.maximum(z - ground - RULES.ladder_m, 0.0)
    high_part = away - ladder
    cost = np.where(over > 0, high_part, away)
    near = np.minimum(cost, NEAR_M)
    total = NEAR_COST * near + FAR_COST * (cost - near) + LADDER_COST * ladder
    grade = np.diff(z) / np.diff(own) * 100.0
    return float(total.sum() + BREAK_COST * np.abs(np.diff(grade)).sum())


def grid_best(a: np.ndarray, b: np.ndarray, ground: np.ndarray, own: np.ndarray, step_m: float) -> float:
    """Return the least cost over all legal heights on a grid of `step_m` above the ground of each support."""
    n = len(own)
    levels = [g + np.arange(RULES.lowest_m, RULES.highest_m + 1.9, step_m) for g in ground]

    def local(i: int) -> np.ndarray:
        return np.array([cost_of(np.array([v, v + 1.0]), np.array([ground[i], v + 1.0 - RULES.aim_m]),
                                 np.array([0.0, 1.0])) for v in levels[i]])

    def span_legal(i: int) -> np.ndarray:
        pair = np.ones((len(levels[i]), len(levels[i + 1])), dtype=bool)
        for row, right in zip(a, b, strict=True):
            if not np.delete(row, [i, i + 1]).any():
                pair &= row[i] * levels[i][:, None] + row[i + 1] * levels[i + 1][None, :] >= right - 1e-9
        return pair

    def grades(i: int) -> np.ndarray:
        return (levels[i + 1][None, :] - levels[i][:, None]) / (own[i + 1] - own[i]) * 100.0

    best = np.where(span_legal(0), local(0)[:, None] + local(1)[None, :], np.inf)
    before = grades(0)
    for i in range(1, n - 1):
        after, legal, extra = grades(i), span_legal(i), local(i + 1)
        nxt = np.full(legal.shape, np.inf)
        for j in range(legal.shape[0]):
            breaks = BREAK_COST * np.abs(after[j][None, :] - before[:, j][:, None])
            nxt[j] = (best[:, j][:, None] + breaks).min(axis=0) + extra
        best, before = np.where(legal, nxt, np.inf), after
    return float(best.min())


@pytest.mark.parametrize("seed", FITS[:6])
def test_built_line_is_as_good_as_the_best_on_a_grid(seed: int) -> None:
    terrain, _, built, inlet_z = hang(seed)
    a, b = bounds(terrain, built, inlet_z)
    z, own = built.xyz_m[:, 2], built.station_m
    ground = np.array([s.ground_z_m for s in built.supports])
    assert (a @ z - b).min() > -1e-4
    ours = cost_of(z, ground, own)
    step = 0.02
    grid = grid_best(a, b, ground, own, step)
    assert np.isfinite(grid)
    assert ours <= grid + 1e-3  # nothing on the grid is better
    worst_rounding = step * (5 * FAR_COST + 3 * BREAK_COST * 4.0 * 100.0 / np.diff(own).min())
    assert grid <= ours + worst_rounding  # and the grid comes as near as its step allows


@pytest.mark.parametrize("seed", DOES_NOT_FIT)
def test_where_the_programme_finds_nothing_the_grid_finds_nothing(seed: int) -> None:
    terrain, _, built, inlet_z = hang(seed, fits=False)
    a, b = bounds(terrain, built, inlet_z)
    ground = np.array([s.ground_z_m for s in built.supports])
    assert not np.isfinite(grid_best(a, b, ground, built.station_m, 0.02))
