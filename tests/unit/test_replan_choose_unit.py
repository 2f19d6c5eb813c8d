"""The cheapest combination first: an evaluator of tables whose every cost is known beforehand."""

from __future__ import annotations

import itertools
from dataclasses import dataclass, field

import numpy as np
import pytest
from pipeline.replan.choose import EXACT, FEW, cheapest_first, combinations, is_exact, method
from pipeline.replan.order import Task, best_order, tap_hours_lost


@dataclass
class Piece:
    """A piece with its legal options."""

    legal: tuple[int, ...]


@dataclass
class Case:
    """A case with nothing but its pieces."""

    pieces: tuple[Piece, ...]


@dataclass
class Row:
    """An outcome or a base of a table."""

    choice: tuple[int, ...]
    cost: float
    bound: float


@dataclass
class Table:
    """An evaluator with a cost and a bound for every combination; ``None`` for those that do not go together."""

    case: Case
    cost: dict[tuple[int, ...], float | None]
    slack: float = 0.0
    finished: list[tuple[int, ...]] = field(default_factory=list)

    def base(self, choice):
        """Return the row of a choice, or why there is none."""
        cost = self.cost[choice]
        return "they do not go together" if cost is None else Row(choice, cost, cost - self.slack)

    def finish(self, base):
        """Return the row, and remember that it was asked for."""
        self.finished.append(base.choice)
        return base

    def evaluate(self, choice):
        """Return the finished row of a choice."""
        base = self.base(choice)
        return base if isinstance(base, str) else self.finish(base)


def table(legal, cost_of, slack: float = 0.0) -> Table:
    pieces = tuple(Piece(tuple(options)) for options in legal)
    return Table(Case(pieces), {c: cost_of(c) for c in itertools.product(*legal)}, slack)


def shifted(seed: int, legal, spread: float, forbidden: float = 0.0) -> Table:
    """Return random costs with bounds below them by random amounts up to ``spread``."""
    rng = np.random.default_rng(seed)
    made = table(legal, lambda _: None if rng.random() < forbidden else float(np.round(rng.uniform(0, 50), 1)))
    below = {c: float(rng.uniform(0.0, spread)) for c in made.cost}

    def base(choice):
        cost = made.cost[choice]
        return "no" if cost is None else Row(choice, cost, cost - below[choice])

    made.base = base
    return made


# ---------------------------------------------------------------- what is counted


@pytest.mark.parametrize(("sizes", "count", "exact"), [
    ([], 1, True), ([1], 1, True), ([3, 2], 6, True), ([5] * FEW, 5**FEW, True), ([3] * 6, EXACT, True),
    ([2] * 9, 512, True), ([2] * 10, 1024, False), ([3] * 7, 2187, False), ([1] * 40, 1, True),
    ([5] * FEW + [1] * 9, 5**FEW, True), ([5] * (FEW + 1), 5 ** (FEW + 1), False),
])
def test_few_pieces_or_few_combinations_are_counted_exactly(sizes, count, exact):
    made = Table(Case(tuple(Piece(tuple(range(n))) for n in sizes)), {})
    assert combinations(made) == count
    assert is_exact(made) == exact
    assert method(made) == ("exact" if exact else "descent")


# ---------------------------------------------------------------- exact


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("spread", [0.0, 5.0, 60.0])
def test_combinations_come_cheapest_first_and_none_is_left_out(seed, spread):
    """Brute force: all costs sorted, whatever the bounds, as long as they are bounds."""
    made = shifted(seed, [(0, 1, 4), (0, 2), (1, 2, 3)], spread, forbidden=0.2)
    got = list(cheapest_first(made))
    legal = {c: v for c, v in made.cost.items() if v is not None}
    assert [o.cost for o in got] == sorted(legal.values())
    assert {o.choice for o in got} == set(legal)


@pytest.mark.parametrize("seed", range(6))
def test_ties_go_to_the_smaller_choice(seed):
    rng = np.random.default_rng(seed)
    made = table([(0, 1, 2), (0, 1, 2)], lambda _: float(rng.integers(0, 3)))
    got = [(o.cost, o.choice) for o in cheapest_first(made)]
    assert got == sorted(got)


def test_with_sharp_bounds_only_what_is_asked_for_is_worked_out():
    made = table([tuple(range(9)), tuple(range(9))], lambda c: 10.0 * c[0] + c[1])
    first = next(iter(cheapest_first(made)))
    assert first.choice == (0, 0)
    assert len(made.finished) <= 2


def test_where_nothing_goes_together_nothing_comes():
    assert list(cheapest_first(table([(0, 1), (0,)], lambda _: None))) == []


def test_no_piece_has_one_way():
    (only,) = cheapest_first(table([], lambda _: 3.0))
    assert (only.choice, only.cost) == ((), 3.0)


# ---------------------------------------------------------------- descent


@pytest.mark.parametrize("seed", range(5))
def test_where_pieces_do_not_touch_each_other_the_descent_finds_the_best(seed):
    """A sum of own costs is least when each is least: 3**8 combinations, known without counting."""
    own = np.random.default_rng(seed).uniform(0.0, 10.0, (8, 3))
    made = table([(0, 1, 2)] * 8, lambda c: float(sum(own[k, o] for k, o in enumerate(c))))
    assert not is_exact(made)
    best = next(iter(cheapest_first(made)))
    assert best.choice == tuple(int(k) for k in own.argmin(axis=1))
    assert best.cost == pytest.approx(own.min(axis=1).sum())


@pytest.mark.parametrize("seed", range(5))
def test_no_single_change_betters_what_the_descent_puts_first(seed):
    rng = np.random.default_rng(seed)
    own, pair = rng.uniform(0, 10, (8, 3)), rng.uniform(-4, 4, (8, 8, 3, 3))
    made = table([(0, 1, 2)] * 8, lambda c: float(
        sum(own[k, o] for k, o in enumerate(c)) + sum(pair[i, j, c[i], c[j]] for i in range(8) for j in range(i))))
    got = list(cheapest_first(made))
    assert [o.cost for o in got] == sorted(o.cost for o in got)
    best = got[0]
    for k, option in itertools.product(range(8), range(3)):
        trial = (*best.choice[:k], option, *best.choice[k + 1:])
        assert made.cost[trial] >= best.cost - 1e-9


def test_the_descent_passes_over_what_does_not_go_together():
    """Option 1 of the first piece goes with nothing but 0 of the second; giving all up is the last option."""
    def cost(c):
        return None if c[0] == 1 and c[1] != 0 else float(sum(c)) - 5.0 * (c[0] == 1)

    made = table([(0, 1, 2)] * 8, cost)
    got = list(cheapest_first(made))
    assert got[0].choice == (1, *(0,) * 7)
    assert all(made.cost[o.choice] is not None for o in got)


# ---------------------------------------------------------------- order of the work


@pytest.mark.parametrize(("tasks", "order"), [
    ([], ()), ([Task(2.0, 5, -1)], (0,)), ([Task(1.0, 1, -1), Task(1.0, 9, -1)], (1, 0)),
    ([Task(1.0, 4, -1), Task(2.0, 8, -1)], (0, 1)), ([Task(5.0, 0, -1), Task(1.0, 50, 0), Task(1.0, 5, -1)], (0, 1, 2)),
    ([Task(5.0, 0, -1), Task(1.0, 12, 0), Task(1.0, 5, -1)], (2, 0, 1)),
    ([Task(0.0, 1, -1), Task(1.0, 99, -1)], (0, 1)),
    ([Task(1.0, 0, -1), Task(1.0, 0, -1), Task(0.0, 0, -1)], (0, 1, 2)),
    ([Task(1.0, 1, 1), Task(1.0, 1, 2), Task(1.0, 1, -1)], (2, 1, 0)),
])
def test_orders_by_hand(tasks, order):
    """Blocks by taps an hour: 0 then 1 is 50 in 6 h, 8.3 an hour, before 5 an hour; 12 in 6 h is 2, after it."""
    assert best_order(tasks) == order


@pytest.mark.parametrize("seed", range(8))
def test_no_order_that_keeps_the_waits_loses_fewer_tap_hours(seed):
    """Every linear extension of a random forest of five jobs, zero hours and zero taps among them."""
    rng = np.random.default_rng(seed)
    hours, taps = rng.integers(0, 4, 5), rng.integers(0, 12, 5)
    tasks = [Task(float(h), int(t), int(rng.integers(-1, k)) if k else -1)
             for k, (h, t) in enumerate(zip(hours, taps, strict=True))]
    allowed = [o for o in itertools.permutations(range(5))
               if all(t.after < 0 or o.index(t.after) < o.index(k) for k, t in enumerate(tasks))]
    best = best_order(tasks)
    assert best in allowed
    assert tap_hours_lost(tasks, best) == pytest.approx(min(tap_hours_lost(tasks, o) for o in allowed), abs=1e-3)


def test_tap_hours_by_hand():
    """2 h until 3 taps run, 5 h until 10 more do: 6 + 50."""
    tasks = [Task(2.0, 3, -1), Task(3.0, 10, 0)]
    assert tap_hours_lost(tasks, (0, 1)) == 56.0
    assert tap_hours_lost(tasks, ()) == 0.0


@pytest.mark.parametrize("tasks", [[Task(1.0, 1, 0)], [Task(1.0, 1, -1), Task(1.0, 1, 2), Task(1.0, 1, 1)],
                                   [Task(1.0, 1, 7)]])
def test_a_job_that_waits_for_itself_for_a_ring_or_for_nobody_is_refused(tasks):
    with pytest.raises(ValueError, match="ring"):
        best_order(tasks)


def test_a_long_chain_of_jobs_keeps_its_order():
    tasks = [Task(1.0, k, k - 1) for k in range(300)]
    assert best_order(tasks) == tuple(range(300))
