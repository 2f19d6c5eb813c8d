"""The search against general libraries (no window) and against exact Pareto labels (with one)."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.sparse.csgraph import dijkstra
from skimage.graph import MCP_Geometric

sys.path.insert(0, str(Path(__file__).parents[1] / "bench"))

import bench_search
from pipeline.mainlines import search_kernel
from pipeline.mainlines.search import Sources, cheapest, lowest_line, window_of

SIZE = 90
AT = (80, 12)
SOURCE = Sources(np.array([AT[0]]), np.array([AT[1]]), np.array([0.0]))


def no_window(factor: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return window_of(np.full(factor.shape, -1e6), np.full(factor.shape, np.inf), factor)


@pytest.fixture(scope="module")
def factor() -> np.ndarray:
    out = bench_search.factors(SIZE, 7)
    out[AT] = 1.0
    return out


def test_without_window_and_grade_costs_are_those_of_scikit_image_and_scipy(factor):
    low, high, cost = no_window(factor)
    ours = cheapest(low, high, cost, cell_m=1.0, min_grade_pct=0.0, sources=SOURCE, moves=8).cost.astype(float)
    image, _ = MCP_Geometric(np.where(np.isfinite(factor), factor, -1.0)).find_costs([AT])
    reached = np.isfinite(image)
    assert np.array_equal(np.isfinite(ours), reached)
    assert np.allclose(ours[reached], image[reached], rtol=1e-4)
    graph = bench_search.grid_graph(np.where(np.isfinite(factor), factor, 1e9))
    library = dijkstra(graph, indices=AT[0] * SIZE + AT[1]).reshape(SIZE, SIZE)
    assert np.allclose(ours[reached], library[reached], rtol=1e-4)


def test_one_label_without_window_agrees_too(factor):
    low, high, cost = no_window(factor)
    flat = SOURCE.flat(SIZE)
    ours, _, _, _ = search_kernel.one_label(low, high, cost, 1.0, 0.0, 8, flat, SOURCE.z_m)
    image, _ = MCP_Geometric(np.where(np.isfinite(factor), factor, -1.0)).find_costs([AT])
    reached = np.isfinite(image)
    assert np.allclose(ours.reshape(SIZE, SIZE)[reached], image[reached], rtol=1e-4)


@pytest.mark.parametrize("moves", [8, 16])
def test_lowest_line_without_upper_end_is_the_lift_of_a_dijkstra_on_elevation(moves):
    """With low = -inf-like ground the lowest line rises by the grade along the shortest path."""
    flat = np.zeros((SIZE, SIZE))
    z = lowest_line(flat - 100.0, flat + np.inf, cell_m=2.0, min_grade_pct=3.0, sources=SOURCE, moves=moves)
    dr, dc = np.abs(np.arange(SIZE) - AT[0])[:, None], np.abs(np.arange(SIZE) - AT[1])[None, :]
    big, small = np.maximum(dr, dc), np.minimum(dr, dc)
    if moves == 8:
        steps = (big - small) + np.sqrt(2.0) * small
    else:  # the shortest chains of straight, diagonal and knight's moves
        steps = np.where(
            2 * small <= big, (big - 2 * small) + np.sqrt(5.0) * small,
            np.sqrt(5.0) * (big - small) + np.sqrt(2.0) * (2 * small - big),
        )
    assert np.allclose(z, 0.03 * 2.0 * steps, atol=1e-3)


QUALITY_CASES = tuple(case for case in bench_search.CASES if case[0] == 150)


def test_search_misses_nothing_and_pays_little_against_exact_pareto_labels():
    """Bars: missed 0; excess at most 0.3 % in the mean, and 5 % at the 99th percentile of the worst grid."""
    found = bench_search.quality(QUALITY_CASES)
    assert found["search_missed_pct"] == 0.0
    assert found["search_excess_mean_pct"] <= 0.3
    assert found["search_excess_p99_pct"] <= 5.0


@pytest.mark.parametrize("most", [search_kernel.MOST_LABELS, 1.01])
def test_a_store_that_runs_short_of_labels_costs_money_but_no_legal_ground(most, monkeypatch):
    """Every label asked for: too many for the store on rolling ground, so the rest must be lowest lines."""
    low, high, cost, at, start = bench_search.case_of(150, 2, 1.4)
    kernel = search_kernel.staircase.py_func if most < 2.0 else search_kernel.staircase
    flat, z0 = np.array([at[0] * 150 + at[1]]), np.array([start])
    if most < 2.0:  # the compiled kernel has the constant built in; a small piece is enough for the plain one
        monkeypatch.setattr(search_kernel, "MOST_LABELS", 2)
        low, high, cost = (np.ascontiguousarray(a[-40:, :40]) for a in (low, high, cost))
        row, col = np.unravel_index(int(np.argmin(low)), low.shape)
        flat, z0 = np.array([row * 40 + col]), np.array([float(low[row, col]) + 0.05])
    z_low, _ = search_kernel.lowest(low, high, 1.0, 0.02, 8, flat, z0)
    got, _, _, _, first, labels, _ = kernel(low, high, cost, 1.0, 0.02, 8, 0.0, 0.0, flat, z0, z_low)
    assert np.array_equal(first >= 0, z_low < np.inf)
    assert labels <= got.size


def test_paths_of_the_search_are_legal_and_cost_what_they_say():
    z, at = bench_search.relief(100, 2)
    low, high, cost = window_of(z + 0.76, z + 0.76 + 1.4, np.ones(z.shape))
    start = float(low[at]) + 0.05
    found = cheapest(
        low, high, cost, cell_m=1.0, min_grade_pct=2.0,
        sources=Sources(np.array([at[0]]), np.array([at[1]]), np.array([start])),
    )
    rng = np.random.default_rng(0)
    reached = np.argwhere(np.isfinite(found.cost))
    for row, col in reached[rng.choice(len(reached), 60, replace=False)].tolist():
        path = found.path(row, col)
        assert tuple(path[0]) == at
        step = np.hypot(*np.diff(path, axis=0).T)
        assert step.max(initial=0.0) <= np.sqrt(5.0) + 1e-9
        assert step.sum() == pytest.approx(float(found.cost[row, col]), rel=1e-4, abs=1e-4)
        line = start
        for (r, c), run in zip(path[1:].tolist(), step.tolist(), strict=True):
            line = max(line + 0.02 * run, float(low[r, c]))
            assert line <= high[r, c] + 1e-3
