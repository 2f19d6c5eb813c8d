"""What happens when things go wrong from outside: kills, full disks, two runs at once, locks, no network."""

from __future__ import annotations

import errno
import os
import shutil
import signal
import socket
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import geopandas
import pytest
import shapely
from pipeline import __file__ as package
from pipeline.cli import run_cli
from pipeline.resources import templates_dir
from pipeline.store import planfolder

import faults
import no_network
import tiny_bush

resource = pytest.importorskip("resource", reason="limits of a process are POSIX")
pytestmark = pytest.mark.skipif(os.name != "posix", reason="forks and signals")


@pytest.fixture(autouse=True)
def cache(tmp_path, monkeypatch) -> Path:
    folder = tmp_path / "cache"
    monkeypatch.setenv("FALLGRADE_CACHE", str(folder))
    return folder


def plan(bush: Path, target: Path, *more: str) -> int:
    return run_cli(["plan", str(bush), "--into", str(target), "--quiet", *more])


def test_killed_at_any_moment_one_whole_plan_is_left_and_the_next_run_works(tmp_path) -> None:
    """Three kills here; ``tests/bench/kill_plans.py`` makes two hundred."""
    tally = faults.Yard(tmp_path).kill_many(3, seed=3)
    assert tally.killed == 3
    assert sum(tally.states.values()) > 2


def test_a_repair_killed_at_any_moment_leaves_one_whole_plan_and_the_next_one_works(tmp_path) -> None:
    """Two kills here; ``tests/bench/kill_plans.py replan`` makes two hundred."""
    yard = faults.RepairYard(tmp_path)
    tally = yard.kill_many(2, seed=5)
    assert tally.killed == 2
    assert sum(tally.states.values()) > 1
    assert faults.contents(yard.target) == yard.whole[1]


def test_an_interrupted_plan_goes_on_and_tells_it(tmp_path, capsys, cache) -> None:
    bush = tiny_bush.write_bush(tmp_path / "site")
    assert plan(bush, tmp_path / "whole") == 0
    assert not list(cache.rglob("*.stage")), "a published plan needs no stages"

    def stopped() -> int:
        def stop(*_args, **_keys):
            os.kill(os.getpid(), signal.SIGKILL)

        planfolder.write_plan = stop
        return plan(bush, tmp_path / "resumed")

    assert faults.in_child(stopped, None) is None
    assert not (tmp_path / "resumed").exists()
    capsys.readouterr()
    assert plan(bush, tmp_path / "resumed") == 0
    assert "Taken from an interrupted run: layout" in capsys.readouterr().out
    assert faults.contents(tmp_path / "resumed") == faults.contents(tmp_path / "whole")


def wait(pids: list[int]) -> list[int]:
    return [os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]) for pid in pids]


def started(work) -> int:
    pid = os.fork()
    if pid == 0:
        code = 99
        try:
            code = work()
        finally:
            os._exit(code)
    return pid


@pytest.mark.parametrize("force", [False, True])
def test_two_runs_at_once_leave_one_whole_plan(tmp_path, force: bool) -> None:
    bush = tiny_bush.write_bush(tmp_path / "site")
    target = tmp_path / "plan"
    assert plan(bush, tmp_path / "sample") == 0
    words = ["--force"] if force else []
    if force:
        assert plan(bush, target) == 0
    codes = wait([started(lambda: plan(bush, target, *words)) for _ in range(3)])
    assert set(codes) <= {0, 5}
    assert 0 in codes
    if not force:
        assert sorted(codes) == [0, 5, 5], "only the first may take a free name"
    assert faults.contents(target) == faults.contents(tmp_path / "sample")
    assert {p.name for p in tmp_path.iterdir()} - {"cache"} <= {"site", "sample", "plan", "plan.previous"}


def test_a_file_system_that_takes_no_more_is_told_and_the_last_plan_stays(tmp_path, capfd) -> None:
    bush = tiny_bush.write_bush(tmp_path / "site")
    target = tmp_path / "plan"
    assert plan(bush, target) == 0
    before, inputs = faults.contents(target), faults.contents(bush.parent)

    def limited() -> int:
        # the kernel refuses to let any file grow past this, as a full disk would
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (30_000, 30_000))
        return plan(bush, target, "--force")

    capfd.readouterr()
    assert wait([started(limited)]) == [5]
    said = capfd.readouterr().err
    assert os.strerror(errno.EFBIG) in said
    assert "do:" in said
    assert "Traceback" not in said
    assert faults.contents(target) == before
    assert faults.contents(bush.parent) == inputs
    assert [p.name for p in tmp_path.iterdir() if p.name.endswith(".part")] == []
    assert plan(bush, target, "--force") == 0


def test_a_full_disk_is_told_and_nothing_is_left_on_it(tmp_path, capsys) -> None:
    disk = tmp_path / "disk"
    disk.mkdir()
    mounted = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=200k", "tmpfs", str(disk)],
                             capture_output=True, check=False)
    if mounted.returncode != 0:
        pytest.skip("this account may not mount a small disk")
    try:
        bush = tiny_bush.write_bush(tmp_path / "site")
        assert plan(bush, disk / "plan") == 5
        said = capsys.readouterr().err
        assert os.strerror(errno.ENOSPC) in said
        assert "Free disk space" in said
        assert list(disk.iterdir()) == []
    finally:
        subprocess.run(["umount", str(disk)], check=True)


def without_privileges(words: list[str], **keys) -> subprocess.CompletedProcess[str]:
    """Run a command that file permissions bind, also when root runs the tests."""
    if os.geteuid() == 0:
        if shutil.which("setpriv") is None:
            pytest.skip("root is above permissions here, and setpriv is not installed")
        words = ["setpriv", "--bounding-set=-dac_override,-dac_read_search,-fowner", *words]
    return subprocess.run(words, capture_output=True, text=True, check=False, **keys)


def test_a_read_only_target_is_told(tmp_path) -> None:
    bush = tiny_bush.write_bush(tmp_path / "site")
    shut = tmp_path / "shut"
    shut.mkdir()
    shut.chmod(0o555)
    done = without_privileges([sys.executable, "-m", "pipeline", "plan", str(bush), "--quiet", "--into",
                               str(shut / "plan")], cwd=Path(package).parent.parent)
    assert done.returncode == 5
    assert "Choose a folder you may write to" in done.stderr
    assert "Traceback" not in done.stderr
    assert list(shut.iterdir()) == []


def test_a_read_only_installation_without_a_home_works(tmp_path) -> None:
    bush = tiny_bush.write_bush(tmp_path / "érablière du rang 4")
    site, home = tmp_path / "site", tmp_path / "home"
    shutil.copytree(Path(package).parent, site / "pipeline", ignore=shutil.ignore_patterns("__pycache__"))
    if not (site / "pipeline" / "templates").is_dir():
        shutil.copytree(templates_dir(), site / "pipeline" / "templates")
    home.mkdir()
    folders = [home, site, *(p for p in site.rglob("*") if p.is_dir())]
    for folder in folders:
        folder.chmod(0o555)
    environment = {"PATH": os.environ["PATH"], "HOME": str(home), "PYTHONPATH": str(site), "LC_ALL": "C"}
    try:
        done = without_privileges([sys.executable, "-m", "pipeline", "check", str(bush), "--quiet", "--pdf",
                                   str(tmp_path / "vérifié.pdf")], cwd=tmp_path, env=environment)
    finally:
        for folder in folders:
            folder.chmod(0o755)
    assert (done.returncode, done.stderr) == (0, "")
    assert (tmp_path / "vérifié.pdf").read_bytes().startswith(b"%PDF")


def with_layer(bush: Path) -> Path:
    """Add a keep-out area in a GeoPackage."""
    area = shapely.box(tiny_bush.WEST + 2, tiny_bush.NORTH - 20, tiny_bush.WEST + 20, tiny_bush.NORTH - 2)
    file = bush.parent / "ground.gpkg"
    geopandas.GeoDataFrame({"name": ["den"]}, geometry=[area], crs=tiny_bush.EPSG).to_file(file, engine="pyogrio")
    bush.write_text(bush.read_text(encoding="utf-8") + '[ground.no_go]\nfile = "ground.gpkg"\n', encoding="utf-8")
    return file


@pytest.mark.parametrize("mode", ["DELETE", "WAL"])
def test_a_layer_that_another_program_writes_to_is_told_and_left_alone(tmp_path, capsys, mode: str) -> None:
    bush = tiny_bush.write_bush(tmp_path / "site")
    file = with_layer(bush)
    holder = sqlite3.connect(file, isolation_level=None)
    try:
        holder.execute(f"PRAGMA journal_mode = {mode}")
        holder.execute("PRAGMA wal_autocheckpoint = 0")
        holder.execute("PRAGMA cache_size = 1")
        if mode == "DELETE":
            holder.execute("BEGIN EXCLUSIVE")
        holder.execute("UPDATE gpkg_contents SET description = ?", ("x" * 90_000,))
        before = faults.contents(bush.parent)
        code = run_cli(["check", str(bush), "--quiet"])
        assert faults.contents(bush.parent) == before
    finally:
        if mode == "DELETE":
            holder.rollback()
        holder.close()
    told = capsys.readouterr()
    assert code == 3
    assert "ground.gpkg" in told.err
    assert "locked" in told.err
    assert "Close the other program" in told.err
    assert "Traceback" not in told.err
    assert run_cli(["check", str(bush), "--quiet"]) == 0


def test_a_layer_that_another_program_only_holds_open_is_read(tmp_path) -> None:
    bush = tiny_bush.write_bush(tmp_path / "site")
    holder = sqlite3.connect(with_layer(bush), isolation_level=None)
    before = faults.contents(bush.parent)
    try:
        holder.execute("BEGIN EXCLUSIVE")
        assert run_cli(["check", str(bush), "--quiet"]) == 0
        assert faults.contents(bush.parent) == before
    finally:
        holder.rollback()
        holder.close()


def test_inputs_keep_bytes_times_and_neighbours(tmp_path) -> None:
    bush = tiny_bush.write_bush(tmp_path / "site")
    file = with_layer(bush)
    with sqlite3.connect(file) as live:
        live.execute("PRAGMA journal_mode = WAL")  # as desktop programs leave it
    live.close()
    for path in bush.parent.iterdir():
        os.utime(path, (1_000_000_000, 1_000_000_000))

    def seen() -> dict[str, tuple[int, float]]:
        return {p.name: (p.stat().st_size, p.stat().st_mtime) for p in sorted(bush.parent.iterdir())}

    before, bytes_before = seen(), faults.contents(bush.parent)
    assert plan(bush, tmp_path / "plan") == 0
    assert run_cli(["check", str(bush), "--quiet"]) == 0
    assert seen() == before
    assert faults.contents(bush.parent) == bytes_before


# ------------------------------------------------------------------- no network


def forbidden(work) -> int:
    no_network.forbid()
    return work()


def opens_a_socket() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_STREAM):
        return 0


@pytest.mark.skipif(not no_network.can_forbid(), reason="no way to forbid sockets to compiled code here")
def test_no_network_is_asked_for_at_any_time(tmp_path) -> None:
    """The kernel ends the process at its first internet socket, whoever opens it; so the plan opens none."""
    assert wait([started(lambda: forbidden(opens_a_socket))]) == [-signal.SIGSYS]
    assert wait([started(opens_a_socket)]) == [0]
    bush = tiny_bush.write_bush(tmp_path / "site")
    target, again = tmp_path / "plan", tmp_path / "repaired"
    pdf = tmp_path / "check.pdf"
    storm = tmp_path / "storm.csv"
    storm.write_text("kind,tree\ntree_down,T070\n", encoding="utf-8")
    for work in (
        lambda: run_cli(["check", str(bush), "--quiet", "--pdf", str(pdf)]),
        lambda: plan(bush, target),
        lambda: run_cli(["sheets", str(target), "--into", str(tmp_path / "again")]),
        lambda: run_cli(["replan", str(target), "--storm", str(storm), "--into", str(again), "--quiet"]),
        lambda: run_cli(["explain", "S01", "--plan", str(target)]),
        lambda: run_cli(["start", str(tmp_path / "new")]),
    ):
        assert wait([started(lambda work=work: forbidden(work))]) == [0]
    assert (target / "book.pdf").stat().st_size > 0


# --------------------------------------------------------------- paths, locales


@pytest.mark.parametrize("locale", ["C", "C.UTF-8"])
def test_spaces_accents_and_locales_give_the_same_plan(tmp_path, locale: str) -> None:
    bush = tiny_bush.write_bush(tmp_path / "plain")
    assert plan(bush, tmp_path / "plan") == 0
    odd = tiny_bush.write_bush(tmp_path / "Érablière d'été, 4e rang (nord) #2 100%")
    environment = {**os.environ, "LC_ALL": locale, "LANG": locale, "TZ": "Asia/Kathmandu", "PYTHONHASHSEED": "7"}
    environment.pop("PYTHONUTF8", None)
    target = odd.parent / "le plan"
    done = subprocess.run([sys.executable, "-m", "pipeline", "plan", str(odd), "--into", str(target)], check=False,
                          capture_output=True, env=environment, cwd=Path(package).parent.parent)
    assert done.returncode == 0, done.stderr.decode()
    assert faults.contents(target) == faults.contents(tmp_path / "plan")


def test_a_clock_that_jumps_changes_nothing(tmp_path, monkeypatch) -> None:
    bush = tiny_bush.write_bush(tmp_path / "site")
    assert plan(bush, tmp_path / "one") == 0
    monkeypatch.setattr(time, "time", lambda: 0.0)
    monkeypatch.setattr(time, "perf_counter", lambda: -1e9)
    assert plan(bush, tmp_path / "two") == 0
    assert faults.contents(tmp_path / "one") == faults.contents(tmp_path / "two")
