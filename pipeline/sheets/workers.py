"""Makes many things side by side in forked processes, and hands them back in order."""

from __future__ import annotations

import contextlib
import ctypes
import gc
import multiprocessing
import warnings
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from multiprocessing.connection import Connection, wait
from multiprocessing.context import ForkContext, ForkProcess
from typing import TypeVar

T = TypeVar("T")
FEWEST = 4  # fewer things are made sooner than processes are started
_ONE = ("what is made beside",)
_SWEEP_EVERY = 8  # things made between two looks for garbage: each leaves some hundred kB in cycles
_MOST_AHEAD = 60  # things that one process may be ahead of the turn


@contextlib.contextmanager
def unswept() -> Iterator[None]:
    """Keep the garbage collector off what is there already, and from looking by itself.

    A plan is never garbage while it is printed. Looking through it again and again costs a sixth of the work, and in
    a forked process every look writes to memory that is shared until then.
    """
    looks = gc.isenabled()
    gc.disable()
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()
        if looks:
            gc.enable()


def give_back() -> None:
    """Look for garbage once and give freed memory back to the system, where the C library can (glibc).

    What planning freed lies in pieces that the library keeps; the processes that print would add to it.
    """
    gc.collect()
    with contextlib.suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).malloc_trim(0)


def in_order(make: Callable[[str], T], names: Sequence[str], *, processes: int) -> Iterator[T]:
    """Yield ``make(name)`` for every name, in the order given.

    Process `i` of `n` makes every `n`-th thing; `make` reaches it by the fork, only results are
    sent, and they are taken in as they come, a few dozen ahead of their turn: beyond that a process
    waits for the slower ones, lest what is finished fill the memory. One process does it all where the
    system cannot fork or there is little to do.

    Raises
    ------
    Exception
        Whatever `make` raises, when the turn of that name comes.
    RuntimeError
        When a process dies.
    """
    if processes < 2 or len(names) < FEWEST or "fork" not in multiprocessing.get_all_start_methods():
        yield from map(make, names)
        return
    fork = multiprocessing.get_context("fork")
    crew: list[tuple[ForkProcess, Connection]] = []
    try:
        crew += [_started(fork, make, names[i::processes]) for i in range(processes)]
        yield from _received([end for _, end in crew], names)
    finally:
        for process, end in crew:
            end.close()
            process.terminate()
            process.join()


@contextlib.contextmanager
def beside(make: Callable[[], T]) -> Iterator[Callable[[], T]]:
    """Begin to make one thing in a process of its own; what is yielded waits for it and returns it, however often.

    The process holds its memory until the thing is fetched. Where the system cannot fork it is made when it is asked
    for.
    """
    if "fork" not in multiprocessing.get_all_start_methods():
        yield cache(make)
        return
    process, end = _started(multiprocessing.get_context("fork"), lambda _: make(), _ONE)
    try:
        yield cache(lambda: next(_received([end], _ONE)))
    finally:
        end.close()
        process.terminate()
        process.join()


def _started(fork: ForkContext, make: Callable[[str], T], names: Sequence[str]) -> tuple[ForkProcess, Connection]:
    ours, theirs = fork.Pipe(duplex=False)
    process = fork.Process(target=_work, args=(make, names, theirs), daemon=True)
    with warnings.catch_warnings():
        # newer interpreters warn of any fork beside threads; the child only computes and leaves
        warnings.simplefilter("ignore", DeprecationWarning)
        process.start()
    theirs.close()
    return process, ours


def _work(make: Callable[[str], T], names: Sequence[str], out: Connection) -> None:
    with unswept():
        for k, name in enumerate(names, start=1):
            try:
                made: tuple[bool, object] = True, make(name)
            except Exception as problem:  # not swallowed: it travels to the parent, which raises it there
                out.send((False, problem))
                return
            out.send(made)
            del made
            if k % _SWEEP_EVERY == 0:
                give_back()
        out.close()


def _received(ends: Sequence[Connection], names: Sequence[str]) -> Iterator[T]:
    """Yield what the processes send, in the order of the names; process `i` sends every ``len(ends)``-th thing."""
    next_of = dict(enumerate(range(len(ends))))  # number of the thing each process sends next
    early: dict[int, tuple[bool, T]] = {}
    for k, name in enumerate(names):
        while k not in early:
            if k % len(ends) not in next_of:
                raise RuntimeError(f"the process that made {name} died")
            asked = [i for i in next_of if next_of[i] <= k + _MOST_AHEAD]
            ready = wait([ends[i] for i in asked])
            for i in [i for i in asked if ends[i] in ready]:
                try:
                    early[next_of[i]] = ends[i].recv()
                    next_of[i] += len(ends)
                except EOFError:
                    del next_of[i]
        fine, made = early.pop(k)
        if not fine:
            raise made  # type: ignore[misc]
        yield made
