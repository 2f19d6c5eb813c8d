"""Sizes against the exact least cost: a mixed-integer programme of the same rules, solved by HiGHS (scipy).

The programme may hand the vacuum budget to whichever pipe uses it best; ours hands it out per metre in
advance, so that no pipe ever shrinks because another one grew. That costs some pipe. How much is measured
here, with the example prices of ``templates/prices.csv`` standing for any prices that grow with size.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from pipeline.flow import choose, network
from pipeline.hydraulics import sizing
from pipeline.hydraulics.catalogue import mainline_sizes
from pipeline.resources import template_rows
from scipy.optimize import Bounds, LinearConstraint, milp
from scipy.sparse import lil_matrix

from flow_networks import random_network

SIZES = mainline_sizes("id_controlled")
PRICES = {row["code"]: float(row["price"]) for row in template_rows("prices.csv")}
COST_PER_M = np.array([PRICES[f"PIPE {s.nominal}"] for s in SIZES])


class Problem:
    """One random network: what each block costs, loses and may be, by size."""

    def __init__(self, arguments: dict[str, Any]) -> None:
        self.settings = arguments["settings"]
        self.tree = network.build(**{k: arguments[k] for k in ("mainlines", "grouping", "collections")})
        self.load = choose.load(tree=self.tree, **{k: arguments[k] for k in ("grouping", "collections", "settings")})
        self.ours = choose.choose(tree=self.tree, load=self.load, sizes=SIZES, settings=self.settings)
        self.block = choose.block_of(self.tree)
        bores = np.array([s.inner_diameter_mm for s in SIZES])
        depth = sizing.depths(
            flow_l_min=self.load.sap_l_min, grade_pct=self.tree.grade_pct, bores_mm=bores
        )
        loss = sizing.loss_pa2_m(
            free_air_m3_s=self.load.air_m3_s[:, None], bore_mm=bores, depth_ratio=depth, pump_pa=self.load.pump_pa[0]
        ) * self.tree.length_m[:, None]
        holds = self.ours.capacity_l_min >= self.load.sap_l_min[:, None] * (1.0 - 1e-9)
        self.usable = holds & np.isfinite(loss)
        self.loss = np.where(self.usable, loss, 0.0)
        pump = self.load.pump_pa[0]
        self.budget = (pump + self.settings.flow.loss_budget_kpa * 1000.0) ** 2 - pump**2

    def way(self, node: int) -> list[int]:
        """Return the reaches between a node and the outlet."""
        out = []
        while node >= 0:
            j = int(self.tree.node_owner[node])
            out += list(range(int(self.tree.first[j]), node - j))
            node = int(self.tree.join_node[j])
        return out

    def cost(self) -> float:
        """Return what our sizes cost."""
        return float((COST_PER_M[self.ours.wet] * self.tree.length_m).sum())


def least_cost(problem: Problem) -> float:
    """Return the cost of the cheapest sizes that keep fill, budget and "never smaller downstream"."""
    tree, block, n = problem.tree, problem.block, len(SIZES)
    blocks = int(block.max()) + 1
    cost, allowed = np.zeros((blocks, n)), np.ones((blocks, n), dtype=bool)
    np.add.at(cost, block, tree.length_m[:, None] * COST_PER_M)
    np.logical_and.at(allowed, block, problem.usable)
    rows: list[tuple[dict[int, float], float, float]] = [
        ({q * n + k: 1.0 for k in range(n)}, 1.0, 1.0) for q in range(blocks)
    ]
    distance = tree.along(tree.length_m)[tree.lower_node]
    neighbours: set[tuple[int, int]] = set()
    for entry in [int(tree.first[j + 1]) + j for j in range(len(tree.lines))]:  # tops of all lines
        way = sorted(problem.way(entry), key=lambda r: distance[r])
        pairs = {(int(block[a]), int(block[b])) for a, b in pairwise(way)}
        neighbours |= {(low, high) for low, high in pairs if low != high}
    for low, high in sorted(neighbours):
        row = {low * n + k: float(k) for k in range(n)}
        rows.append((row | {high * n + k: -float(k) for k in range(n)}, 0.0, np.inf))
    for node in np.unique(tree.entry_node):
        lateral = float(problem.load.lateral_loss_pa2[tree.entry_node == node].max())
        row: dict[int, float] = {}
        for reach in problem.way(int(node)):
            for k in range(n):
                key = int(block[reach]) * n + k
                row[key] = row.get(key, 0.0) + problem.loss[reach, k] / problem.budget
        rows.append((row, -np.inf, max(1.0 - lateral / problem.budget, choose.LEAST_SHARE)))
    matrix = lil_matrix((len(rows), blocks * n))
    for i, (row, _, _) in enumerate(rows):
        for key, value in row.items():
            matrix[i, key] = value
    solved = milp(
        cost.ravel(), integrality=np.ones(blocks * n), bounds=Bounds(0.0, allowed.astype(float).ravel()),
        constraints=LinearConstraint(matrix.tocsr(), [r[1] for r in rows], [r[2] for r in rows]),
    )
    assert solved.success, solved.message
    return float(solved.fun)


@pytest.fixture(scope="module")
def ratios() -> list[float]:
    out = []
    for seed in range(12):
        rng = np.random.default_rng(seed)
        problem = Problem(random_network(rng, branches=int(rng.integers(0, 3)), pair="never"))
        out.append(problem.cost() / least_cost(problem))
    return out


def test_never_below_the_exact_least_cost(ratios: list[float]) -> None:
    """Cheaper than the optimum would mean that a rule was broken."""
    assert min(ratios) >= 1.0 - 1e-6


def test_the_price_of_never_shrinking_is_known(ratios: list[float]) -> None:
    """About an eighth of the pipe's price on average (pipe is about a quarter of a plan's material)."""
    assert np.mean(ratios) < 1.16
    assert max(ratios) < 1.35


def test_without_air_ours_is_the_exact_least_cost() -> None:
    """With sap alone nothing is shared out: the smallest bores are the optimum."""
    for seed in range(4):
        rng = np.random.default_rng(seed)
        problem = Problem(random_network(rng, branches=2, pair="never", pumped=False))
        assert problem.cost() == pytest.approx(least_cost(problem), rel=1e-9)
