"""Putting one plan folder in another's place: every state a killed run can leave behind, and the way back from it.

The states are made by hand, as a run that is killed between two renames leaves them; the process that made them is
one that has ended.
"""

from __future__ import annotations

import os
import subprocess
import sys
import threading
from pathlib import Path

import pytest
from pipeline.errors import InputDataError, OutputError
from pipeline.store import issues, plan_reader, planfolder, swapping

pytestmark = pytest.mark.skipif(os.name != "posix", reason="whether a process lives is asked the POSIX way")


@pytest.fixture(scope="module")
def dead() -> int:
    """Return the number of a process that has ended."""
    done = subprocess.Popen([sys.executable, "-c", ""])
    done.wait()
    return done.pid


def plan(folder: Path, mark: str) -> Path:
    """Make a folder that counts as a plan, told apart by a mark."""
    folder.mkdir(parents=True)
    for name in swapping.MARKS:
        (folder / name).write_text(mark, encoding="utf-8")
    return folder


def mark(folder: Path) -> str:
    """Return the mark of a plan; nothing when there is none."""
    return (folder / "plan.gpkg").read_text(encoding="utf-8") if swapping.is_whole(folder) else ""


def part(target: Path, pid: int, tail: str = ".part") -> Path:
    """Return where a run of that process makes its folder."""
    return target.with_name(f"{swapping.stem(target)}{pid}.ab12{tail}")


def seen(folder: Path) -> dict[str, str]:
    """Return the marks of all that lies in a folder."""
    return {p.name: mark(p) for p in sorted(folder.iterdir())}


def test_a_plan_gives_way_and_stays_beside(tmp_path) -> None:
    target = plan(tmp_path / "plan", "old")
    swapping.swap(target, plan(part(target, os.getpid()), "new"))
    assert seen(tmp_path) == {"plan": "new", "plan.previous": "old"}
    swapping.swap(target, plan(part(target, os.getpid()), "newer"))
    assert seen(tmp_path) == {"plan": "newer", "plan.previous": "new"}


@pytest.mark.parametrize("step", [1, 2, 3])
def test_a_rename_that_fails_at_any_step_puts_everything_back(tmp_path, monkeypatch, step: int) -> None:
    target = plan(tmp_path / "plan", "now")
    plan(tmp_path / "plan.previous", "before")
    made = plan(part(target, os.getpid()), "new")
    real, calls = Path.rename, []

    def failing(self: Path, aim: Path) -> Path:
        calls.append(aim)
        if len(calls) == step:
            raise PermissionError(13, "held open")
        return real(self, aim)

    monkeypatch.setattr(Path, "rename", failing)
    with pytest.raises(PermissionError):
        swapping.swap(target, made)
    monkeypatch.undo()
    assert seen(tmp_path) == {made.name: "new", "plan": "now", "plan.previous": "before"}


def killed_after(tmp_path: Path, pid: int, renames: int) -> Path:
    """Leave what a run leaves that is killed after so many renames of a swap over a plan with one before it."""
    target = plan(tmp_path / "plan", "now")
    previous = plan(tmp_path / "plan.previous", "before")
    made = plan(part(target, pid), "new")
    steps = ((previous, part(target, pid, ".part.older")), (target, previous), (made, target))
    for source, aim in steps[:renames]:
        source.rename(aim)
    return target


@pytest.mark.parametrize(("renames", "left"), [
    (0, {"plan": "now", "plan.previous": "before"}),
    (1, {"plan": "now", "plan.previous": "before"}),
    (2, {"plan": "now", "plan.previous": "before"}),
    (3, {"plan": "new", "plan.previous": "now"}),
])
def test_a_swap_killed_between_any_two_renames_is_taken_back_or_done(tmp_path, dead, renames: int, left) -> None:
    target = killed_after(tmp_path, dead, renames)
    planfolder.recover(target)
    swapping.sweep(target)
    assert seen(tmp_path) == left
    planfolder.recover(target)
    assert seen(tmp_path) == left, "once is as good as twice"


@pytest.mark.parametrize("renames", [0, 1, 2, 3])
def test_what_a_living_run_is_making_is_left_alone(tmp_path, renames: int) -> None:
    """A run that only waits for its turn, or that another user of this computer started, loses nothing."""
    target = killed_after(tmp_path, os.getpid(), renames)
    before = seen(tmp_path)
    swapping.recover(target)
    swapping.sweep(target)
    assert seen(tmp_path) == before


def test_a_folder_that_somebody_took_away_stays_away(tmp_path) -> None:
    """Nothing was begun here: a missing plan with an earlier one beside it is what the grower wanted."""
    plan(tmp_path / "plan.previous", "before")
    swapping.recover(tmp_path / "plan")
    assert seen(tmp_path) == {"plan.previous": "before"}
    with pytest.raises(InputDataError, match=r"last whole plan is in plan\.previous"):
        plan_reader.read_plan(tmp_path / "plan")


@pytest.mark.parametrize("spoilt", ["plan.gpkg", "manifest.json"])
def test_half_a_folder_is_no_sign_of_a_swap_and_is_swept(tmp_path, dead, spoilt: str) -> None:
    """A swap begins only when the new folder is whole."""
    target = tmp_path / "plan"
    plan(tmp_path / "plan.previous", "before")
    made = plan(part(target, dead), "new")
    (made / spoilt).unlink()
    swapping.recover(target)
    assert not target.exists()
    swapping.sweep(target)
    assert seen(tmp_path) == {"plan.previous": "before"}


def test_only_leftovers_of_the_same_target_are_swept(tmp_path, dead) -> None:
    target = tmp_path / "plan"
    keep = [part(tmp_path / "plan2", dead), part(tmp_path / "pla*", dead), tmp_path / ".plan.other-1.x.part",
            target.with_name(f"{swapping.stem(target)}12x.ab.part")]
    for folder in (*keep, part(target, dead), part(target, dead, ".part.older")):
        plan(folder, "x")
    swapping.sweep(target)
    assert sorted(p.name for p in tmp_path.iterdir()) == sorted(p.name for p in keep)
    swapping.sweep(tmp_path / "pla*")
    assert part(tmp_path / "plan2", dead).exists(), "a star in a name is a letter"
    assert not part(tmp_path / "pla*", dead).exists()


def test_a_folder_nobody_may_rename_in_is_no_fault_of_recovery(tmp_path, dead, monkeypatch) -> None:
    target = killed_after(tmp_path, dead, 2)

    def refuse(*_args: object) -> None:
        raise PermissionError(13, "read-only")

    monkeypatch.setattr(Path, "rename", refuse)
    swapping.recover(target)
    monkeypatch.undo()
    assert not target.exists()
    assert mark(tmp_path / "plan.previous") == "now"
    swapping.recover(tmp_path / "nowhere" / "plan")
    assert not (tmp_path / "nowhere").exists()


def test_the_next_write_recovers_first_and_keeps_what_was_there(tmp_path, dead) -> None:
    """A plan without force must see that the name is taken, also when a kill made it look free."""
    target = killed_after(tmp_path, dead, 2)
    with pytest.raises(OutputError, match="--force"):
        planfolder._replace(target, lambda made: plan(made / "x", "never"), force=False)
    assert seen(tmp_path) == {"plan": "now", "plan.previous": "before"}

    def fill(made: Path) -> None:
        for name in swapping.MARKS:
            (made / name).write_text("third", encoding="utf-8")

    planfolder._replace(target, fill, force=True)
    assert seen(tmp_path) == {"plan": "third", "plan.previous": "now"}
    assert target.stat().st_mode & 0o777 == 0o755


def test_one_run_at_a_time_may_swap(tmp_path) -> None:
    order: list[str] = []
    held, done = threading.Event(), threading.Event()

    def second() -> None:
        held.wait(10.0)
        with swapping.alone(tmp_path):
            order.append("second")
        done.set()

    other = threading.Thread(target=second)
    other.start()
    with swapping.alone(tmp_path):
        held.set()
        assert not done.wait(0.2)
        order.append("first")
    assert done.wait(10.0)
    other.join()
    assert order == ["first", "second"]


# ------------------------------------------------------------------------- undo


def test_undo_and_what_it_keeps(tmp_path) -> None:
    target = plan(tmp_path / "plan", "repaired")
    plan(tmp_path / "plan.previous", "before")
    assert issues.undo(target) == tmp_path / "plan.undone"
    assert seen(tmp_path) == {"plan": "before", "plan.undone": "repaired"}
    with pytest.raises(OutputError, match="no whole plan"):
        issues.undo(target)
    assert seen(tmp_path) == {"plan": "before", "plan.undone": "repaired"}


def test_an_undo_killed_half_way_is_finished_by_the_next_command(tmp_path) -> None:
    plan(tmp_path / "plan.previous", "before")
    plan(tmp_path / "plan.undone", "repaired")
    assert issues.undo(tmp_path / "plan") == tmp_path / "plan.undone"
    assert seen(tmp_path) == {"plan": "before", "plan.undone": "repaired"}


def test_undo_never_removes_what_is_no_plan(tmp_path) -> None:
    target = plan(tmp_path / "plan", "repaired")
    plan(tmp_path / "plan.previous", "before")
    (tmp_path / "plan.undone").mkdir()
    (tmp_path / "plan.undone" / "diary.txt").write_text("x", encoding="utf-8")
    with pytest.raises(OutputError, match="other things"):
        issues.undo(target)
    assert (tmp_path / "plan.undone" / "diary.txt").is_file()
    assert mark(target) == "repaired"


def test_an_undo_that_cannot_finish_changes_nothing(tmp_path, monkeypatch) -> None:
    target = plan(tmp_path / "plan", "repaired")
    plan(tmp_path / "plan.previous", "before")
    real = Path.rename

    def failing(self: Path, aim: Path) -> Path:
        if self.name == "plan.previous":
            raise PermissionError(13, "held open")
        return real(self, aim)

    monkeypatch.setattr(Path, "rename", failing)
    with pytest.raises(OutputError, match="held open"):
        issues.undo(target)
    assert seen(tmp_path) == {"plan": "repaired", "plan.previous": "before"}


@pytest.mark.parametrize("missing", ["plan", "plan.previous"])
def test_undo_without_two_plans_is_told(tmp_path, missing: str) -> None:
    for name in {"plan", "plan.previous"} - {missing}:
        plan(tmp_path / name, name)
    before = seen(tmp_path)
    with pytest.raises(OutputError, match="no whole plan"):
        issues.undo(tmp_path / "plan")
    assert seen(tmp_path) == before


# --------------------------------------------------------- what a repair carries


def test_sheets_and_earlier_plans_are_carried_byte_for_byte(tmp_path) -> None:
    folder = plan(tmp_path / "plan", "B")
    (folder / "sheets").mkdir()
    (folder / "issued").mkdir()
    (folder / "sheets" / "S01.pdf").write_bytes(b"%PDF one")
    (folder / "issued" / "A.gpkg").write_bytes(b"first")
    got = issues.carried(folder, ("A", "B"), "B", ("S01",))
    assert got == {"issued/A.gpkg": b"first", "issued/B.gpkg": b"B", "sheets/S01.pdf": b"%PDF one"}
    with pytest.raises(InputDataError, match=r"sheets/S02\.pdf"):
        issues.carried(folder, ("A",), "B", ("S01", "S02"))


@pytest.mark.parametrize(("text", "found"), [
    ('{"inputs": {"trees.csv": "ab"}}', {"trees.csv": "ab"}), ('{"inputs": [1]}', {}), ("[]", {}), ("{", {}),
    ("", {}), (None, {}),
])
def test_hashes_of_a_manifest_that_may_be_damaged(tmp_path, text: str | None, found: dict[str, str]) -> None:
    if text is not None:
        (tmp_path / "manifest.json").write_text(text, encoding="utf-8")
    assert issues.hashes(tmp_path) == found


@pytest.mark.parametrize(("revision", "file"), [
    ("A", "A.gpkg"), ("../x", "___x.gpkg"), ("", "_.gpkg"), ("é/1", "__1.gpkg"),
])
def test_a_revision_is_never_a_path(tmp_path, revision: str, file: str) -> None:
    assert plan_reader.issue_path(tmp_path, revision) == tmp_path / "issued" / file
