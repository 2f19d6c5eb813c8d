"""Entry cost, rules by effort, subset rows, Lagrangian bound, split in blocks: by hand and by brute force."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from pipeline.laterals import blocks, rule
from pipeline.laterals.bound_kernel import polish
from pipeline.laterals.programme import Relaxed
from pipeline.laterals.subset_kernel import broken_triples, subset_members
from pipeline.settings import LateralSettings
from scipy.optimize import linprog


@pytest.mark.parametrize(
    ("taps", "cost"), [(0, 8.0), (1, 7.2), (2, 6.4), (4, 4.8), (5, 4.0), (6, 4.0), (10, 4.0)]
)
def test_an_entry_costs_more_short_of_the_aim(taps, cost):
    """4 m at the aim of 5 taps and above; 4 (1 + (5 - taps) / 5) below."""
    entry = rule.EntryCost(4.0, 5)
    assert float(entry.of(taps)) == pytest.approx(cost)
    assert float(entry.surplus(taps)) == pytest.approx(cost - 4.0)


def test_entry_costs_of_many():
    assert rule.EntryCost(10.0, 2).of([0, 1, 2, 3]).tolist() == [20.0, 15.0, 10.0, 10.0]


def test_more_effort_tightens_more_and_more_trees_less():
    """Quick never tightens; rounds never rise with the size of a woodlot, nor fall with the effort."""
    rounds = {e: [rule.rules(LateralSettings(), e, n).rounds for n in (10, 1000, 2500, 20000, 10**6)]
              for e in ("quick", "normal", "thorough")}
    assert rounds["quick"] == [0] * 5
    for own in rounds.values():
        assert own == sorted(own, reverse=True)
    assert all(a <= b <= c for a, b, c in zip(*rounds.values(), strict=True))
    assert rounds["normal"][0] > rounds["normal"][-1]


def test_an_unserved_tree_costs_three_of_the_dearest_laterals():
    """Longest lateral 30 m, entry 5 m and twice that without taps: 3 * (30 + 10) = 120."""
    made = rule.rules(LateralSettings(max_length_m=30.0, entry_cost_m=5.0), "normal")
    assert made.penalty_m == pytest.approx(120.0)
    assert made.max_length_m == 30.0
    assert made.entry == rule.EntryCost(5.0, LateralSettings().aim_taps)
    assert made.whole
    assert not made.draft
    assert not made.hurry


# ---------------------------------------------------------------- columns as flat arrays


def random_columns(seed, trees=7, many=18):
    rng = np.random.default_rng(seed)
    sets = [tuple(int(t) for t in rng.permutation(trees)[: rng.integers(1, 5)]) for _ in range(many)]
    flat = np.array([t for s in sets for t in s], dtype=np.int32)
    ptr = np.concatenate([[0], np.cumsum([len(s) for s in sets])]).astype(np.int64)
    return sets, flat, ptr, rng.uniform(5.0, 40.0, many)


@pytest.mark.parametrize("seed", range(6))
def test_members_of_subset_rows_by_brute_force(seed):
    sets, flat, ptr, _ = random_columns(seed)
    triples = np.array(list(itertools.combinations(range(7), 3)), dtype=np.int64)
    row, col = subset_members(triples, flat, ptr, 7)
    wanted = [(r, c) for r, t in enumerate(triples.tolist()) for c, s in enumerate(sets) if len(set(t) & set(s)) >= 2]
    assert sorted(zip(row.tolist(), col.tolist(), strict=True)) == wanted


def test_more_members_than_the_first_room_holds():
    """300 columns of the same two trees: all of them, each once."""
    flat = np.tile(np.array([0, 1], dtype=np.int32), 300)
    row, col = subset_members(np.array([[0, 1, 2]]), flat, np.arange(0, 601, 2, dtype=np.int64), 3)
    assert row.tolist() == [0] * 300
    assert sorted(col.tolist()) == list(range(300))


@pytest.mark.parametrize("seed", range(6))
def test_broken_triples_by_brute_force(seed):
    sets, flat, ptr, _ = random_columns(seed)
    x = np.random.default_rng(seed + 50).uniform(0.0, 0.5, len(sets))
    got, excess = broken_triples(flat, ptr, x, 7)
    wanted = {}
    for t in itertools.combinations(range(7), 3):
        total = sum(v for v, s in zip(x, sets, strict=True) if len(set(t) & set(s)) >= 2)
        # a triple is found through pairs that share a column with its smallest tree
        paired = all(any({t[0], k} <= set(s) for s in sets) for k in t[1:])
        if total > 1.0 + 1e-4 and paired:
            wanted[t] = total - 1.0
    assert wanted
    assert {tuple(t): pytest.approx(e) for t, e in zip(got.tolist(), excess.tolist(), strict=True)} == wanted


def test_a_half_of_each_pair_breaks_the_row_of_three():
    """X = 1/2 on {0,1}, {1,2}, {0,2}: every tree covered once, the row's sum is 3/2."""
    flat, ptr = np.array([0, 1, 1, 2, 0, 2], dtype=np.int32), np.array([0, 2, 4, 6], dtype=np.int64)
    triple, excess = broken_triples(flat, ptr, np.full(3, 0.5), 3)
    assert triple.tolist() == [[0, 1, 2]]
    assert excess.tolist() == pytest.approx([0.5])
    assert len(broken_triples(flat, ptr, np.full(3, 1.0 / 3.0), 3)[0]) == 0


def covering(sets, cost, trees, penalty):
    """Covering relaxed: each tree of a column held at least once, or the penalty; optimum and prices of the trees."""
    held = sorted({t for s in sets for t in s})
    a = np.array([[-1.0 * (t in s) for s in sets] + [-1.0 * (t == u) for u in held] for t in held])
    result = linprog(np.concatenate([cost, np.full(len(held), penalty)]), A_ub=a, b_ub=-np.ones(len(held)))
    price = np.zeros(trees)
    price[held] = -result.ineqlin.marginals
    return float(result.fun), price


@pytest.mark.parametrize("seed", range(6))
def test_the_bound_lies_between_the_covering_optimum_and_the_best_plan(seed):
    """From the covering's own prices the bound is at least the covering's optimum; it never passes a real plan."""
    sets, flat, ptr, cost = random_columns(seed)
    optimum, start = covering(sets, cost, 7, 60.0)
    best = min_plan(sets, cost, 60.0)
    bound, price = polish(start, flat, ptr, cost, 7, 60.0, best, 300)
    assert optimum - 1e-6 <= bound <= best + 1e-6
    assert ((price >= 0.0) & (price <= 60.0)).all()


@pytest.mark.parametrize("seed", range(6))
def test_more_steps_never_lower_the_bound(seed):
    sets, flat, ptr, cost = random_columns(seed)
    best = min_plan(sets, cost, 60.0)
    bounds = [polish(np.zeros(7), flat, ptr, cost, 7, 60.0, best, steps)[0] for steps in (1, 5, 40, 300)]
    assert bounds[0] == 0.0
    assert bounds == sorted(bounds)
    assert bounds[-1] > 0.0
    assert bounds[-1] <= best + 1e-6


def min_plan(sets, cost, penalty):
    """Cheapest plan by trying every set of disjoint columns."""
    held = {t for s in sets for t in s}

    def best(k, free):
        if k == len(sets):
            return penalty * len(free)
        skip = best(k + 1, free)
        own = set(sets[k])
        return min(skip, cost[k] + best(k + 1, free - own)) if own <= free else skip

    return best(0, frozenset(held))


@pytest.mark.parametrize("start", [0.0, 10.0, 1000.0, -5.0])
def test_any_prices_give_a_bound(start):
    sets, flat, ptr, cost = random_columns(3)
    bound, _ = polish(np.full(7, start), flat, ptr, cost, 7, 60.0, 1e9, 1)
    assert bound <= min_plan(sets, cost, 60.0) + 1e-9


def test_one_tree_one_column_by_hand():
    """A tree that one lateral of 12 m serves: the bound is 12, whatever the penalty above that."""
    flat, ptr = np.array([0], dtype=np.int32), np.array([0, 1], dtype=np.int64)
    assert polish(np.array([12.0]), flat, ptr, np.array([12.0]), 1, 50.0, 12.0, 50)[0] == pytest.approx(12.0)
    assert polish(np.array([50.0]), flat, ptr, np.array([70.0]), 1, 50.0, 50.0, 50)[0] == pytest.approx(50.0)


def test_trees_in_no_column_keep_no_price():
    flat, ptr = np.array([1], dtype=np.int32), np.array([0, 1], dtype=np.int64)
    bound, price = polish(np.array([9.0, 9.0, 9.0]), flat, ptr, np.array([12.0]), 3, 50.0, 12.0, 200)
    assert price[0] == price[2] == 0.0
    assert bound <= 12.0 + 1e-9


# ---------------------------------------------------------------- blocks


@pytest.mark.parametrize(("n", "most", "count"), [(0, 5, 0), (1, 5, 1), (5, 5, 1), (6, 5, 2), (21, 5, 8), (20, 5, 4)])
def test_blocks_are_halved_until_small_enough(n, most, count):
    """21 -> 11 + 10 (or 10 + 11) -> 6, 5 | 5, 5 -> the sixes halved again."""
    xy = np.random.default_rng(n).uniform(0.0, 100.0, (n, 2))
    got = blocks.split(np.arange(n), xy, most, 0.0)
    assert sorted(t for b in got for t in b.tolist()) == list(range(n))
    assert all(0 < len(b) <= most for b in got)
    assert all(np.array_equal(b, np.sort(b)) for b in got)
    assert len(got) <= count


@pytest.mark.parametrize(("angle", "axis"), [(0.0, 0), (np.pi / 2.0, 0)])
def test_the_longer_side_is_halved(angle, axis):
    xy = np.column_stack([np.arange(10.0) * 10.0, np.tile([0.0, 1.0], 5)])
    low, high = blocks.split(np.arange(10), xy, 5, angle)
    assert {tuple(low), tuple(high)} == {(0, 1, 2, 3, 4), (5, 6, 7, 8, 9)}


def relaxed(price, subset=(), subset_price=()):
    return Relaxed(**{**dict.fromkeys(Relaxed.__slots__), "price": np.array(price), "subset": tuple(subset),
                      "subset_price": np.array(subset_price, dtype=float)})


def test_prices_of_a_block_replace_what_was_known_of_it():
    made = blocks.Prices(5)
    made.learn(np.array([0, 2, 4]), relaxed([1.0, 2.0, 3.0], [(0, 1, 2)], [-7.0]))
    assert made.tree.tolist() == [1.0, 0.0, 2.0, 0.0, 3.0]
    assert made.subset == {(0, 2, 4): -7.0}
    made.learn(np.array([1, 3]), relaxed([8.0, 9.0]))
    assert made.subset == {(0, 2, 4): -7.0}  # not inside the block
    made.learn(np.array([0, 1, 2, 4]), relaxed([4.0, 5.0, 6.0, 7.0], [(0, 1, 2), (1, 2, 3)], [0.0, -2.0]))
    assert made.tree.tolist() == [4.0, 5.0, 6.0, 9.0, 7.0]
    assert made.subset == {(1, 2, 4): -2.0}  # rows without a price are not kept
