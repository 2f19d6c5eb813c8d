"""Does pieces of work side by side that partly depend on one another; what comes out is as if done one by one."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ThreadPoolExecutor, wait
from itertools import pairwise
from typing import Any, TypeVar

import numpy as np

from pipeline.records import Floats, Mask

T = TypeVar("T")
LEAST_SPAN = 200  # rows; fewer are not worth a thread
THREADS = 2  # the solver and the kernels leave the interpreter free while they run


def in_spans(count: int, work: Callable[[int, int], tuple[Any, ...]]) -> tuple[Any, ...]:
    """Return the arrays ``work(first, end)`` makes for spans of rows, put together as if made for all rows at once."""
    cuts = np.linspace(0, count, THREADS + 1).astype(np.int64).tolist() if count >= LEAST_SPAN * THREADS else [0, count]
    with ThreadPoolExecutor(THREADS) as crew:
        made = [one.result() for one in [crew.submit(work, a, b) for a, b in pairwise(cuts)]]
    return tuple(np.concatenate(parts) for parts in zip(*made, strict=True))


def in_turn(
    before: Sequence[Sequence[int]], work: Callable[[int, list[T]], T], told: Callable[[int], None] | None = None
) -> list[T]:
    """Return the result of every piece of work, each begun once those it depends on are done.

    Parameters
    ----------
    before : sequence of sequences of int
        For each piece the earlier pieces whose results it is given, in rising order.
    work : callable
        ``work(piece, results of those before it)``.
    told : callable, optional
        Told how many pieces are done, in the caller's thread.

    Raises
    ------
    Exception
        Whatever a piece of work raises, once those that run have ended.
    """
    done: dict[int, T] = {}
    waiting = list(range(len(before)))
    running: dict[Future[T], int] = {}
    with ThreadPoolExecutor(THREADS) as crew:
        while waiting or running:
            for k in [k for k in waiting if all(j in done for j in before[k])][: THREADS - len(running)]:
                running[crew.submit(work, k, [done[j] for j in before[k]])] = k
                waiting.remove(k)
            for one in wait(running, return_when=FIRST_COMPLETED).done:
                done[running.pop(one)] = one.result()
                if told is not None:
                    told(len(done))
    return [done[k] for k in range(len(before))]


def near_before(box: Floats, apart_m: float) -> list[list[int]]:
    """Return for each of some boxes (rows of low x, low y, high x, high y) the earlier ones nearer than that."""
    out = []
    for k in range(len(box)):
        low, high = box[k, :2] - apart_m, box[k, 2:] + apart_m
        touch = np.all((box[:k, 2:] >= low) & (box[:k, :2] <= high), axis=1)
        out.append([int(j) for j in np.flatnonzero(touch)])
    return out


def in_pairs(box: Floats, apart_m: float) -> list[int]:
    """Return an order of boxes in which two that follow each other can mostly be worked on side by side.

    Of the boxes left that with the fewest others out of its way is taken first, and with it one of these, itself
    with the fewest: those that are hard to pair do not stay to the end, where one thread would wait for the other.
    """
    free = np.ones((len(box), len(box)), dtype=np.bool_)
    for k, near in enumerate(near_before(box, apart_m)):
        free[k, [*near, k]] = free[near, k] = False
    others = free.sum(axis=1)
    order: list[int] = []

    def take(some: Mask) -> int:
        k = int(np.argmin(np.where(some, others, len(box))))
        order.append(k)
        left[k] = False
        others[free[k]] -= 1
        return k

    left = np.ones(len(box), dtype=np.bool_)
    while left.any():
        partners = left & free[take(left)]
        if partners.any():
            take(partners)
    return order
