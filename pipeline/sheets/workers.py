"""Makes many things side by side in forked processes, and hands them back in order."""

from __future__ import annotations

import gc
import multiprocessing
import warnings
from collections.abc import Callable, Iterator, Sequence
from multiprocessing.connection import Connection
from multiprocessing.context import ForkContext, ForkProcess
from typing import TypeVar

T = TypeVar("T")
FEWEST = 4  # fewer things are made sooner than processes are started


def in_order(make: Callable[[str], T], names: Sequence[str], *, processes: int) -> Iterator[T]:
    """Yield ``make(name)`` for every name, in the order given.

    Process `i` of `n` makes every `n`-th thing; `make` reaches it by the fork, only results are
    sent. One process does it all where the system cannot fork or there is little to do.

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
    crew = [_started(fork, make, names[i::processes]) for i in range(processes)]
    try:
        for k, name in enumerate(names):
            yield _received(crew[k % processes][1], name)
    finally:
        for process, end in crew:
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
    gc.freeze()  # the plan is never garbage here; looking through it again and again costs a tenth of the work
    for name in names:
        try:
            made: tuple[bool, object] = True, make(name)
        except Exception as problem:  # not swallowed: it travels to the parent, which raises it there
            out.send((False, problem))
            return
        out.send(made)
    out.close()


def _received(end: Connection, name: str) -> T:  # type: ignore[type-var]
    try:
        fine, made = end.recv()
    except EOFError as problem:
        raise RuntimeError(f"the process that made {name} died") from problem
    if not fine:
        raise made
    return made  # type: ignore[no-any-return]
