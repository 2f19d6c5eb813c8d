"""Kills plans at random moments and looks what is left: one whole plan, inputs untouched, nothing that blocks the next.

A warmed-up process forks; each child plans, and the kernel ends it once it has used a random share of the processor
time that a whole run takes: how busy the computer is does not matter. Two bush files differ in their revision, so that
an old plan and a new one can be told apart byte by byte; ``manifest.json`` alone may differ, for it holds run times.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import signal
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


def in_child(work: Callable[[], int], cpu_s: float | None) -> int | None:
    """Run work in a forked child; return its exit code, None when it was killed first.

    With `cpu_s` the kernel ends the child at that processor time by a signal that nobody handles: it has no more of a
    last word than after SIGKILL.
    """
    pid = os.fork()
    if pid == 0:
        code = 99
        try:
            sink = os.open(os.devnull, os.O_WRONLY)
            os.dup2(sink, 1)
            os.dup2(sink, 2)
            if cpu_s is not None:
                signal.signal(signal.SIGPROF, signal.SIG_DFL)
                signal.setitimer(signal.ITIMER_PROF, max(cpu_s, 1e-6))
            code = work()
        finally:
            os._exit(code)
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
            words = ["plan", str(bush), "--into", str(sample), "--quiet", "--fresh"]
            # the first run compiles and warms up; the second tells how long one takes
            run_cli(words)
            self.timed([*words, "--force"])
            self.whole.append(contents(sample))
        if self.whole[0] == self.whole[1] or not self.whole[0]:
            raise AssertionError("the two revisions must make two plans")

    def timed(self, words: list[str]) -> None:
        """Run a command in a child, as the killed ones run, and remember how much processor time the longest took."""
        start = os.times()
        if in_child(lambda: run_cli(words), None) != 0:
            raise AssertionError(f"{words[0]} fails without any fault")
        end = os.times()
        used = end.children_user + end.children_system - start.children_user - start.children_system
        self.longest_s = max(self.longest_s, used)

    def begin(self) -> None:
        """Make the plan that is there before the first kill."""
        if in_child(self.run(0), None) != 0:
            raise AssertionError("the first plan failed")

    def run(self, turn: int) -> Callable[[], int]:
        """Return the work of one run; revisions alternate."""
        bush = self.bushes[turn % 2]
        return lambda: run_cli(["plan", str(bush), "--into", str(self.target), "--quiet", "--force"])

    def outcome(self, turn: int) -> dict[str, str]:
        """Return what the folder holds after a run that was let finish."""
        return self.whole[turn % 2]

    def settle(self, rng: random.Random) -> None:
        """Bring the folder back to where the next run starts from: any whole plan will do."""

    def state(self) -> str:
        """Return where a whole plan is; raise when there is none, or when an input changed.

        Raises
        ------
        AssertionError
            When the promise is broken.
        """
        found = []
        for tail in ("", ".previous", ".undone"):
            folder = self.target.with_name(self.target.name + tail)
            if folder.exists():
                if contents(folder) not in self.whole or not is_json(folder / TIMED):
                    raise AssertionError(f"{folder.name} is half a plan: {sorted(contents(folder))}")
                found.append(folder.name)
        if not {self.target.name, f"{self.target.name}.previous"} & set(found):
            raise AssertionError("no whole plan is left")
        if contents(self.inputs_folder) != self.inputs:
            raise AssertionError("an input was changed")
        return "+".join(found)

    @property
    def inputs_folder(self) -> Path:
        """Where the inputs lie."""
        return self.bushes[0].parent

    def kill_many(self, count: int, seed: int, told: Callable[[Tally], None] = lambda _tally: None) -> Tally:
        """Kill `count` runs, half of them while they write, and look after each; then let one finish."""
        rng = random.Random(seed)  # noqa: S311 - moments, not secrets
        tally = Tally()
        self.begin()
        turn = 0
        while tally.killed < count:
            turn += 1
            low = 0.0 if turn % 2 else 0.75
            moment = rng.uniform(low, 1.02) * self.longest_s
            if in_child(self.run(turn), moment) is None:
                tally.killed += 1
                tally.moments.append(moment / self.longest_s)
            else:
                tally.finished += 1
            state = self.state()
            tally.states[state] = tally.states.get(state, 0) + 1
            self.settle(rng)
            told(tally)
        if in_child(self.run(turn + 1), None) != 0:
            raise AssertionError("the run after the kills failed")
        self.state()
        if contents(self.target) != self.outcome(turn + 1):
            raise AssertionError("the run after the kills did not replace the plan")
        left = [p.name for p in self.target.parent.iterdir() if p.name.endswith((".part", ".older"))]
        if left:
            raise AssertionError(f"left behind: {left}")
        return tally


class RepairYard(Yard):
    """A plan and a storm: repairs in the plan's own place are killed; those that took hold are taken back.

    Every second taking back is killed too, at a random moment, and then done again.
    """

    def __init__(self, folder: Path) -> None:
        bush = tiny_bush.write_bush(folder / "site")
        self.bushes = [bush]
        self.target = folder / "plan"
        self.longest_s = 0.0
        self.undone_killed = 0
        run_cli(["plan", str(bush), "--into", str(self.target), "--quiet"])
        trees = tiny_bush.served(self.target)
        self.storm = bush.with_name("storm.csv")
        self.storm.write_text(f"kind,tree,note\ntree_down,{trees[-1]},uprooted\n", encoding="utf-8")
        self.inputs = contents(bush.parent)
        self.whole = [contents(self.target)]
        sample = folder / "sample"
        run_cli([*self.words(sample), "--force"])
        self.timed([*self.words(sample), "--force"])
        self.whole.append(contents(sample))

    def words(self, into: Path) -> list[str]:
        """Return the words of a repair."""
        return ["replan", str(self.target), "--storm", str(self.storm), "--into", str(into), "--date", "2026-04-01",
                "--quiet"]

    def begin(self) -> None:
        """Leave the plan as it stands."""

    def run(self, turn: int) -> Callable[[], int]:
        """Return a repair in the plan's own place; all turns are alike."""
        del turn
        return lambda: run_cli([*self.words(self.target), "--force"])

    def outcome(self, turn: int) -> dict[str, str]:
        """Return the repaired plan."""
        del turn
        return self.whole[1]

    def undo(self) -> int:
        """Take the last repair back."""
        return run_cli(["replan", str(self.target), "--undo"])

    def settle(self, rng: random.Random) -> None:
        """Take a repair back that took hold, so that the next one starts from the same plan."""
        if not self.target.exists() or contents(self.target) == self.whole[0]:
            return
        if rng.random() < 0.5:
            self.undone_killed += in_child(self.undo, rng.uniform(0.0, 0.02)) is None
            self.state()
        if self.target.exists() and contents(self.target) == self.whole[0]:
            return
        if in_child(self.undo, None) != 0 or contents(self.target) != self.whole[0]:
            raise AssertionError("the repair cannot be taken back")
