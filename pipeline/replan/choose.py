"""The cheapest combination of decisions.

With at most :data:`FEW` pieces that leave a choice, or :data:`EXACT` combinations, the answer
is exact: all combinations are ordered by a lower bound
(everything but the laterals still to be regrouped, whose trees count as served at the
least that can cost), and worked out in that order until no bound undercuts what was found: best-first
branch and bound. Beyond, the search is a descent: from the best bound of each piece by
itself, one piece at a time takes the option that is best with all others held, until a
whole round changes nothing; combinations met on the way stay as the next best.
"""

from __future__ import annotations

import heapq
from collections.abc import Iterator
from itertools import product

from pipeline.replan.outcome import Choice, Evaluator, Outcome

FEW = 6
EXACT = 729
ROUNDS = 4
SAME = 1e-9


def combinations(evaluator: Evaluator) -> int:
    """Return how many combinations of legal options there are."""
    count = 1
    for piece in evaluator.case.pieces:
        count *= len(piece.legal)
    return count


def is_exact(evaluator: Evaluator) -> bool:
    """Whether every combination is counted."""
    open_pieces = sum(1 for piece in evaluator.case.pieces if len(piece.legal) > 1)
    return open_pieces <= FEW or combinations(evaluator) <= EXACT


def cheapest_first(evaluator: Evaluator) -> Iterator[Outcome]:
    """Yield legal combinations, the cheapest first; ties go to the smaller choice.

    Where not every combination is counted only those that the descent met come.
    """
    if is_exact(evaluator):
        yield from _exact(evaluator)
    else:
        yield from _descent(evaluator)


def method(evaluator: Evaluator) -> str:
    """Return the name of the method: ``"exact"`` or ``"descent"``."""
    return "exact" if is_exact(evaluator) else "descent"


def _exact(evaluator: Evaluator) -> Iterator[Outcome]:
    bases = []
    for choice in product(*(piece.legal for piece in evaluator.case.pieces)):
        base = evaluator.base(choice)
        if not isinstance(base, str):
            bases.append((base.bound, choice, base))
    bases.sort(key=lambda row: (row[0], row[1]))
    found: list[tuple[float, Choice, Outcome]] = []
    for bound, choice, base in bases:
        while found and found[0][0] <= bound - SAME:
            yield heapq.heappop(found)[2]
        outcome = evaluator.finish(base)
        heapq.heappush(found, (outcome.cost, choice, outcome))
    while found:
        yield heapq.heappop(found)[2]


def _descent(evaluator: Evaluator) -> Iterator[Outcome]:
    pieces = evaluator.case.pieces
    met: dict[Choice, Outcome] = {}

    def cost(choice: Choice) -> float:
        if choice not in met:
            outcome = evaluator.evaluate(choice)
            if isinstance(outcome, str):
                return float("inf")
            met[choice] = outcome
        return met[choice].cost

    now = tuple(piece.legal[-1] for piece in pieces)  # give everything up: always legal
    now = _by_bounds(evaluator, now)
    best = cost(now)
    for _ in range(ROUNDS):
        before = now
        for k, piece in enumerate(pieces):
            for option in piece.legal:
                trial = (*now[:k], option, *now[k + 1:])
                if trial != now and (value := cost(trial)) < best - SAME:
                    now, best = trial, value
        if now == before:
            break
    yield from (o for _, _, o in sorted(((o.cost, c, o) for c, o in met.items()), key=lambda row: row[:2]))


def _by_bounds(evaluator: Evaluator, start: Choice) -> Choice:
    """Return the choice that a descent on the lower bounds alone leads to."""
    now = start
    base = evaluator.base(now)
    best = float("inf") if isinstance(base, str) else base.bound
    for k, piece in enumerate(evaluator.case.pieces):
        for option in piece.legal:
            trial = (*now[:k], option, *now[k + 1:])
            base = evaluator.base(trial)
            if not isinstance(base, str) and base.bound < best - SAME:
                now, best = trial, base.bound
    return now
