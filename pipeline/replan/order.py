"""The order of the work: after everything is made safe, the most taps restored for each crew-hour first.

A repair cannot give sap before what it drains into does, so each job waits for at most
one other: the nearest damaged stretch on its way to the tank. For such forests the order
that loses the least tap-hours is known: Horn 1972 ("Single-machine job sequencing with
treelike precedence ordering and linear delay penalties", SIAM J. Appl. Math. 23(2)). A
job that waits is joined to the one it waits for when together they earn more an hour.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

LEAST_H = 1e-6


@dataclass(frozen=True, slots=True)
class Task:
    """A job before it has a number: what it takes, what it restores, and the index of the job it waits for."""

    hours: float
    taps: int
    after: int  # -1 for none


@dataclass(frozen=True, slots=True)
class _Block:
    """Jobs done in one go, with their sums."""

    hours: float
    taps: float
    tasks: tuple[int, ...]

    @property
    def rate(self) -> float:
        return self.taps / max(self.hours, LEAST_H)

    def plus(self, other: _Block) -> _Block:
        return _Block(self.hours + other.hours, self.taps + other.taps, self.tasks + other.tasks)


def best_order(tasks: Sequence[Task]) -> tuple[int, ...]:
    """Return indices of the tasks in the order that loses the least tap-hours; ties keep the given order.

    Raises
    ------
    ValueError
        When tasks wait for one another in a ring.
    """
    children: dict[int, list[int]] = {}
    for i, task in enumerate(tasks):
        children.setdefault(task.after, []).append(i)
    seen: set[int] = set()

    def blocks(i: int) -> list[_Block]:
        seen.add(i)
        rest = _merge([blocks(k) for k in children.get(i, ())])
        head = _Block(tasks[i].hours, tasks[i].taps, (i,))
        while rest and rest[0].rate >= head.rate - 1e-12:
            head = head.plus(rest.pop(0))
        return [head, *rest]

    order = _merge([blocks(i) for i in children.get(-1, ())])
    if len(seen) != len(tasks):
        raise ValueError("jobs wait for one another in a ring")
    return tuple(i for block in order for i in block.tasks)


def _merge(queues: list[list[_Block]]) -> list[_Block]:
    """Return blocks of several falling sequences in one falling sequence."""
    out = [block for queue in queues for block in queue]
    return sorted(out, key=lambda b: (-b.rate, b.tasks[0]))


def tap_hours_lost(tasks: Sequence[Task], order: Sequence[int]) -> float:
    """Return the sum over all jobs of taps times the hours until they run again."""
    clock = total = 0.0
    for i in order:
        clock += tasks[i].hours
        total += clock * tasks[i].taps
    return total
