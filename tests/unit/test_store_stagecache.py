"""Finished stages of an interrupted plan: found again, never stale, never trusted when damaged."""

from __future__ import annotations

import dataclasses
import errno
import hashlib
import os
import pickle
from pathlib import Path

import numpy as np
import pytest
from pipeline import publish, reading, run
from pipeline.records import GroundLayer
from pipeline.settings import GroundLayerSettings
from pipeline.store import stagecache, workspace
from shapely import Point

import tiny_bush


@pytest.fixture
def cache(tmp_path, monkeypatch) -> Path:
    folder = tmp_path / "cache"
    monkeypatch.setenv("FALLGRADE_CACHE", str(folder))
    return folder


@pytest.fixture(scope="module")
def given(tmp_path_factory) -> reading.Inputs:
    return reading.read_inputs(tiny_bush.write_bush(tmp_path_factory.mktemp("bush")))


class Counted:
    """A stage that counts how often it is computed."""

    def __init__(self) -> None:
        self.calls = 0

    def __call__(self) -> tuple[str, float]:
        """Return another value each time."""
        self.calls += 1
        return "made", 0.1 + self.calls


def kept(cache: Path) -> list[Path]:
    return sorted((cache / "stages").glob("*.stage"))


def test_a_finished_stage_is_found_again_and_forgotten_when_published(cache, given) -> None:
    make = Counted()
    first = stagecache.stages_of(given, fresh=False)
    assert first.keep("a", make) == ("made", 1.1)
    again = stagecache.stages_of(given, fresh=False)
    assert again.keep("a", make) == ("made", 1.1)
    assert (first.resumed, again.resumed, make.calls) == ((), ("a",), 1)
    assert again.keep("b", make) == ("made", 2.1)
    assert len(kept(cache)) == 2
    again.forget()
    assert kept(cache) == []


def test_fresh_computes_again(cache, given) -> None:
    make = Counted()
    stagecache.stages_of(given, fresh=False).keep("a", make)
    stages = stagecache.stages_of(given, fresh=True)
    assert stages.keep("a", make) == ("made", 2.1)
    assert stages.resumed == ()
    # and what it computed replaces what was kept
    assert stagecache.stages_of(given, fresh=False).keep("a", make) == ("made", 2.1)


def other_terrain(given: reading.Inputs) -> reading.Inputs:
    z = given.terrain.z_m.copy()
    z[40, 40] = np.nextafter(z[40, 40], np.float32(np.inf))
    return dataclasses.replace(given, terrain=dataclasses.replace(given.terrain, z_m=z))


def other_tree(given: reading.Inputs) -> reading.Inputs:
    x = given.points.x_m.copy()
    x[3] = np.nextafter(x[3], np.inf)
    return dataclasses.replace(given, points=dataclasses.replace(given.points, x_m=x))


def other_setting(given: reading.Inputs) -> reading.Inputs:
    lines = dataclasses.replace(given.settings.mainlines, seed=2)
    return dataclasses.replace(given, settings=dataclasses.replace(given.settings, mainlines=lines))


def other_layer(given: reading.Inputs) -> reading.Inputs:
    layer = GroundLayer("no_go", (Point(1.0, 2.0),), ("",), GroundLayerSettings(), "x")
    return dataclasses.replace(given, layers=(layer,))


def other_price(given: reading.Inputs) -> reading.Inputs:
    return dataclasses.replace(given, prices=(*given.prices[:-1], {**given.prices[-1], "price": "1"}))


CHANGES = [other_terrain, other_tree, other_setting, other_layer, other_price]


@pytest.mark.parametrize("change", CHANGES)
def test_any_change_of_what_goes_in_is_another_plan(cache, given, change) -> None:
    make = Counted()
    stagecache.stages_of(given, fresh=False).keep("a", make)
    stages = stagecache.stages_of(change(given), fresh=False)
    assert stages.keep("a", make) == ("made", 2.1)
    assert stages.resumed == ()


def test_another_version_of_the_program_is_another_plan(cache, given, monkeypatch, tmp_path) -> None:
    own = stagecache.program_hash()
    copy = tmp_path / "pipeline"
    copy.mkdir()
    (copy / "rule.py").write_text("GRADE = 2\n", encoding="utf-8")
    monkeypatch.setattr(stagecache, "_PACKAGE", copy)
    stagecache.program_hash.cache_clear()
    try:
        one = stagecache.program_hash()
        (copy / "rule.py").write_text("GRADE = 3\n", encoding="utf-8")
        stagecache.program_hash.cache_clear()
        other = stagecache.program_hash()
    finally:
        monkeypatch.undo()
        stagecache.program_hash.cache_clear()
    assert len({own, one, other}) == 3
    assert stagecache.program_hash() == own


@pytest.mark.parametrize("damage", ["cut", "flip", "empty", "swap", "folder"])
def test_a_damaged_stage_is_computed_again(cache, given, damage: str) -> None:
    make = Counted()
    stages = stagecache.stages_of(given, fresh=False)
    stages.keep("a", make)
    (path,) = kept(cache)
    body = path.read_bytes()
    if damage == "folder":
        path.unlink()
        path.mkdir()
    else:
        flipped = body[:40] + bytes([body[40] ^ 1]) + body[41:]
        path.write_bytes({"cut": body[:-1], "flip": flipped, "empty": b"", "swap": body[32:] + body[:32]}[damage])
    assert stagecache.stages_of(given, fresh=False).keep("a", make) == ("made", 2.1)


class Evil:
    """Runs a command when it is unpickled."""

    def __reduce__(self):
        return os.system, ("touch " + os.environ["FALLGRADE_TRACE"],)


def test_a_strange_file_with_the_right_hash_runs_nothing(cache, given, tmp_path, monkeypatch) -> None:
    trace = tmp_path / "trace"
    monkeypatch.setenv("FALLGRADE_TRACE", str(trace))
    make = Counted()
    stagecache.stages_of(given, fresh=False).keep("a", make)
    (path,) = kept(cache)
    body = pickle.dumps(Evil())
    path.write_bytes(hashlib.sha256(body).digest() + body)
    assert stagecache.stages_of(given, fresh=False).keep("a", make) == ("made", 2.1)
    assert not trace.exists()


@pytest.mark.parametrize("step", ["mkstemp", "fdopen", "dumps"])
def test_a_stage_that_cannot_be_kept_is_no_failure(cache, given, monkeypatch, step: str) -> None:
    stages = stagecache.stages_of(given, fresh=False)

    def fail(*_args, **_keys):
        raise OSError(errno.ENOSPC, "No space left on device")

    home = {"mkstemp": stagecache.tempfile, "fdopen": stagecache.os, "dumps": stagecache.pickle}[step]
    monkeypatch.setattr(home, step, fail)
    assert stages.keep("a", Counted()) == ("made", 1.1)
    monkeypatch.undo()
    assert not list(cache.rglob("*.stage"))


def test_old_stages_and_leftovers_make_room(cache, given) -> None:
    folder = workspace.cache_dir("stages")
    for i in range(30):
        (folder / f"{i:02d}.part").write_bytes(b"x")
        os.utime(folder / f"{i:02d}.part", (i, i))
    stagecache.stages_of(given, fresh=False).keep("a", Counted())
    assert len(list(folder.iterdir())) <= stagecache.MOST_FILES
    assert len(kept(cache)) == 1


def test_only_a_private_folder_is_used(tmp_path) -> None:
    open_ = tmp_path / "open"
    (open_ / "stages").mkdir(parents=True)
    (open_ / "stages").chmod(0o777)
    (tmp_path / "link").mkdir()
    (tmp_path / "link" / "stages").symlink_to(tmp_path)
    (tmp_path / "file").write_text("", encoding="utf-8")
    for name in ("open", "link", "file"):
        assert workspace.cache_dir("stages", {"FALLGRADE_CACHE": str(tmp_path / name)}) is None
    assert workspace.cache_dir("stages", {}) is None
    for name in ("XDG_CACHE_HOME", "LOCALAPPDATA"):
        found = workspace.cache_dir("stages", {name: str(tmp_path / name)})
        assert found == tmp_path / name / "fallgrade" / "stages"
        assert found.stat().st_mode & 0o077 == 0
    assert workspace.cache_dir("s", {"HOME": str(tmp_path)}) == tmp_path / ".cache" / "fallgrade" / "s"
    assert workspace.cache_dir("s", {"XDG_CACHE_HOME": "rel", "HOME": str(tmp_path)}).is_absolute()


def test_kernels_find_a_place_where_the_program_is_read_only(tmp_path, monkeypatch) -> None:
    monkeypatch.delenv(workspace.NUMBA, raising=False)
    monkeypatch.setattr(workspace, "_KERNELS", tmp_path / "writable")
    workspace.keep_kernels()
    assert workspace.NUMBA not in os.environ
    (tmp_path / "file").write_text("", encoding="utf-8")
    monkeypatch.setattr(workspace, "_KERNELS", tmp_path / "file" / "x")
    monkeypatch.setenv("FALLGRADE_CACHE", str(tmp_path / "cache"))
    workspace.keep_kernels()
    assert os.environ.pop(workspace.NUMBA) == str(tmp_path / "cache" / "kernels")
    monkeypatch.setenv("FALLGRADE_CACHE", str(tmp_path / "file" / "y"))
    workspace.keep_kernels()
    assert Path(os.environ.pop(workspace.NUMBA)).is_dir()


# ------------------------------------------------------------------ a whole plan


class Stopped(BaseException):
    """Stands for the end of the process."""


def contents(folder: Path) -> dict[str, str]:
    files = sorted(p for p in folder.rglob("*") if p.is_file() and p.name != "manifest.json")
    return {p.relative_to(folder).as_posix(): hashlib.sha256(p.read_bytes()).hexdigest() for p in files}


@pytest.mark.parametrize("after", ["mainlines", "layout"])
def test_a_resumed_plan_is_the_plan_that_was_interrupted(cache, given, tmp_path, after: str) -> None:
    whole = run.make_plan(given)
    publish.publish(whole, given.hashes, tmp_path / "whole", force=False)
    stages = stagecache.stages_of(given, fresh=False)

    def stop(name, make):
        made = stages.keep(name, make)
        if name == after:
            raise Stopped
        return made

    with pytest.raises(Stopped):
        run.make_plan(given, reading.quiet, stop)
    again = stagecache.stages_of(given, fresh=False)
    result = run.make_plan(given, reading.quiet, again.keep)
    assert again.resumed == (after,)
    publish.publish(result, given.hashes, tmp_path / "resumed", force=False)
    assert contents(tmp_path / "resumed") == contents(tmp_path / "whole")


def test_without_any_folder_everything_is_computed_and_nothing_kept(monkeypatch, given) -> None:
    for name in ("FALLGRADE_CACHE", "XDG_CACHE_HOME", "LOCALAPPDATA", "HOME", "USERPROFILE"):
        monkeypatch.delenv(name, raising=False)
    stages, make = stagecache.stages_of(given, fresh=False), Counted()
    assert stages.folder is None
    assert [stages.keep("a", make)[0] for _ in range(2)] == ["made", "made"]
    assert make.calls == 2
    stages.forget()
    assert stagecache.no_keeping("a", make) == ("made", 3.1)


def test_a_stage_too_large_to_keep_is_computed_each_time(cache, given, monkeypatch) -> None:
    monkeypatch.setattr(stagecache, "LARGEST_BYTES", 5)
    make = Counted()
    for turn in (1, 2):
        assert stagecache.stages_of(given, fresh=False).keep("a", make) == ("made", 0.1 + turn)
    assert kept(cache) == []


def test_a_cache_named_by_a_relative_path_of_the_system_is_not_used(monkeypatch, tmp_path) -> None:
    """A relative XDG_CACHE_HOME is to be ignored (XDG Base Directory Specification); the home's own is next."""
    monkeypatch.chdir(tmp_path)
    found = workspace.cache_dir("x", {"XDG_CACHE_HOME": "cache", "HOME": str(tmp_path / "home")})
    assert found == tmp_path / "home" / ".cache" / "fallgrade" / "x"
    assert not (tmp_path / "cache").exists()
    assert workspace.cache_dir("x", {"LOCALAPPDATA": str(tmp_path / "local")}) == tmp_path / "local" / "fallgrade" / "x"
    (tmp_path / "file").write_text("x", encoding="utf-8")
    assert workspace.cache_dir("x", {"FALLGRADE_CACHE": str(tmp_path / "file")}) is None
