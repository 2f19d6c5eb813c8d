"""Kills plans at random moments and looks what is left: one whole plan, inputs untouched, nothing that blocks the next.

A warmed-up process forks; each child plans, and is killed with SIGKILL. Two bush
files differ in their revision, so that an old plan and a new one can be told apart
byte by byte; ``manifest.json`` alone may differ, for it holds run times.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import signal
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from pipeline.cli import run_cli

import tiny_bush

TIMED = "manifest.json"


def contents(folder: Path) -> dict[str, str]:
    """Return the hash of every file in a folder, but for the one that holds run times."""
    files = sorted(p for p in folder.rglob("*") if p.is_file() and p.name != TIMED)
    return {p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


def is_json(path: Path) -> bool:
    """Whether a file is there and is whole JSON."""
    try:
        json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return False
    return True


def in_child(work: Callable[[], int], kill_after_s: float | None) -> int | None:
    """Run work in a forked child; return its exit code, None when it was killed first."""
    pid = os.fork()
    if pid == 0:
        code = 99
        try:
            sink = os.open(os.devnull, os.O_WRONLY)
            os.dup2(sink, 1)
            os.dup2(sink, 2)
            code = work()
        finally:
            os._exit(code)
    if kill_after_s is not None:
        time.sleep(kill_after_s)
        os.kill(pid, signal.SIGKILL)
    _, status = os.waitpid(pid, 0)
    return None if os.WIFSIGNALED(status) else os.WEXITSTATUS(status)


@dataclass
class Tally:
    """What became of the plans that were killed."""

    killed: int = 0
    finished: int = 0
    moments: list[float] = field(default_factory=list)
    states: dict[str, int] = field(default_factory=dict)


class Yard:
    """A tiny bush in two revisions and the plan folder that their plans fight over."""

    def __init__(self, folder: Path) -> None:
        first = tiny_bush.write_bush(folder / "site")
        second = first.with_name("bush-b.toml")
        text = first.read_text(encoding="utf-8").replace("[bush]", '[bush]\nrevision = "B"')
        second.write_text(text, encoding="utf-8")
        self.bushes = [first, second]
        self.target = folder / "plan"
        self.inputs = contents(folder / "site")
        self.whole: list[dict[str, str]] = []
        self.longest_s = 0.0
        for i, bush in enumerate(self.bushes):
            sample = folder / f"sample-{i}"
            # the first run compiles and warms up; the second tells how long one takes
            run_cli(["plan", str(bush), "--into", str(sample), "--quiet", "--fresh"])
            start = time.perf_counter()
            run_cli(["plan", str(bush), "--into", str(sample), "--quiet", "--fresh", "--force"])
            self.longest_s = max(self.longest_s, time.perf_counter() - start)
            self.whole.append(contents(sample))
        if self.whole[0] == self.whole[1] or not self.whole[0]:
            raise AssertionError("the two revisions must make two plans")

    def plan(self, turn: int) -> Callable[[], int]:
        """Return the work of one run; revisions alternate."""
        bush = self.bushes[turn % 2]
        return lambda: run_cli(["plan", str(bush), "--into", str(self.target), "--quiet", "--force"])

    def state(self) -> str:
        """Return where a whole plan is; raise when there is none, or when an input changed.

        Raises
        ------
        AssertionError
            When the promise is broken.
        """
        found = []
        for folder in (self.target, self.target.with_name("plan.previous")):
            if folder.exists():
                if contents(folder) not in self.whole or not is_json(folder / TIMED):
                    raise AssertionError(f"{folder.name} is half a plan: {sorted(contents(folder))}")
                found.append(folder.name)
        if not found:
            raise AssertionError("no whole plan is left")
        if contents(self.inputs_folder) != self.inputs:
            raise AssertionError("an input was changed")
        return "+".join(found)

    @property
    def inputs_folder(self) -> Path:
        """Where the inputs lie."""
        return self.bushes[0].parent

    def kill_many(self, count: int, seed: int) -> Tally:
        """Kill `count` plans, half of them while they write, and look after each; then let one finish."""
        rng = random.Random(seed)  # noqa: S311 - moments, not secrets
        tally = Tally()
        if in_child(self.plan(0), None) != 0:
            raise AssertionError("the first plan failed")
        turn = 0
        while tally.killed < count:
            turn += 1
            low = 0.0 if turn % 2 else 0.75
            moment = rng.uniform(low, 1.02) * self.longest_s
            if in_child(self.plan(turn), moment) is None:
                tally.killed += 1
                tally.moments.append(moment / self.longest_s)
            else:
                tally.finished += 1
            state = self.state()
            tally.states[state] = tally.states.get(state, 0) + 1
        if in_child(self.plan(turn + 1), None) != 0:
            raise AssertionError("the run after the kills failed")
        self.state()
        if contents(self.target) != self.whole[(turn + 1) % 2]:
            raise AssertionError("the run after the kills did not replace the plan")
        left = [p.name for p in self.target.parent.iterdir() if p.name.endswith((".part", ".older"))]
        if left:
            raise AssertionError(f"left behind: {left}")
        return tally
