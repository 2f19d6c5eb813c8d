"""The cache of compiled kernels: another folder after any change of any kernel, and always a place that works."""

from __future__ import annotations

import importlib
import os
import subprocess
import sys
import textwrap
from pathlib import Path

import numba
import numpy as np
import pytest
from pipeline import compiled


@pytest.fixture
def package(tmp_path):
    for name, text in {"a/one_kernel.py": "x = 1\n", "b/two_kernel.py": "y = 2\n", "b/plain.py": "z = 3\n"}.items():
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).write_text(text)
    return tmp_path


def test_the_same_kernels_share_a_folder(package):
    assert compiled.cache_folder(package) == compiled.cache_folder(package)
    assert Path(compiled.cache_folder(package)).parent == package / "__pycache__"


@pytest.mark.parametrize("name", ["a/one_kernel.py", "b/two_kernel.py", "b/three_kernel.py"])
def test_any_change_of_a_kernel_starts_an_empty_folder(package, name):
    before = compiled.cache_folder(package)
    (package / name).write_text("x = 5\n")
    assert compiled.cache_folder(package) != before


def test_moving_text_between_kernels_is_a_change(package):
    before = compiled.cache_folder(package)
    (package / "a/one_kernel.py").write_text("y = 2\n")
    (package / "b/two_kernel.py").write_text("x = 1\n")
    assert compiled.cache_folder(package) != before


def test_what_is_no_kernel_leaves_the_folder(package):
    before = compiled.cache_folder(package)
    (package / "b/plain.py").write_text("z = 4\n")
    assert compiled.cache_folder(package) == before


def test_the_users_own_place_is_kept(package):
    assert Path(compiled.cache_folder(package, "/somewhere")).parent == Path("/somewhere")


@pytest.mark.parametrize(("cache_home", "expected"), [
    ("/caches", "/caches/fallgrade"), ("", "/home/x/.cache/fallgrade"),
])
def test_a_package_that_cannot_be_written_to_caches_at_home(package, monkeypatch, cache_home, expected):
    monkeypatch.setattr(os, "access", lambda path, mode: False)
    monkeypatch.setenv("XDG_CACHE_HOME", cache_home)
    monkeypatch.setattr(Path, "home", lambda: Path("/home/x"))
    assert Path(compiled.cache_folder(package)).parent == Path(expected)


def test_without_a_home_numba_looks_for_a_place_itself(package, monkeypatch):
    def homeless():
        raise RuntimeError

    monkeypatch.setattr(os, "access", lambda path, mode: False)
    monkeypatch.delenv("XDG_CACHE_HOME", raising=False)
    monkeypatch.setattr(Path, "home", homeless)
    assert compiled.cache_folder(package) == ""


def test_our_kernels_lie_in_that_folder():
    assert compiled.cache_folder(Path(compiled.__file__).parent) == numba.config.CACHE_DIR or (
        numba.config.CACHE_DIR.endswith(Path(compiled.cache_folder(Path(compiled.__file__).parent)).name))


def test_a_kernel_whose_callee_changed_is_compiled_anew(tmp_path):
    """Numba alone would go on running the old callee: the caller's own file is the same."""
    package = tmp_path / "wood"
    package.mkdir()
    (package / "__init__.py").write_text("")
    source = Path(compiled.__file__).read_text(encoding="utf-8")
    (package / "compiled.py").write_text(source, encoding="utf-8")
    (package / "outer_kernel.py").write_text(textwrap.dedent("""
        from wood.compiled import njit
        from wood.inner_kernel import value


        @njit(cache=True)
        def doubled():
            return 2 * value()
    """))
    seen = []
    for number in (3, 8):
        (package / "inner_kernel.py").write_text(textwrap.dedent(f"""
            from wood.compiled import njit


            @njit(cache=True)
            def value():
                return {number}
        """))
        run = subprocess.run(
            [sys.executable, "-B", "-c", "from wood.outer_kernel import doubled; print(doubled())"],
            cwd=tmp_path, capture_output=True, text=True, check=True,
        )
        seen.append(int(run.stdout))
    assert seen == [6, 16]


def test_no_kernel_has_an_array_for_a_default():
    """A call that leaves such an argument out has another signature in every run, and is compiled each time anew."""
    root = Path(compiled.__file__).parent
    seen = 0
    for path in sorted(root.rglob("*_kernel.py")):
        name = ".".join(path.relative_to(root.parent).with_suffix("").parts)
        for kernel in vars(importlib.import_module(name)).values():
            if isinstance(kernel, numba.core.registry.CPUDispatcher):
                seen += 1
                given = kernel.py_func.__defaults__ or ()
                assert not any(isinstance(one, np.ndarray) for one in given), f"{name}.{kernel.py_func.__name__}"
    assert seen > 50
