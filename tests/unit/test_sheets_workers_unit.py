"""Things made side by side: what is made early waits for its turn, and memory that is shared is let be."""

from __future__ import annotations

import gc
import multiprocessing
import os
import time

import pytest
from pipeline.sheets import workers
from pipeline.sheets.workers import beside, in_order, unswept

forks = pytest.mark.skipif("fork" not in multiprocessing.get_all_start_methods(), reason="this system cannot fork")


@forks
def test_no_process_waits_for_the_turn_of_what_it_made():
    """The second process is done with its large things while the first has not begun: nobody took any of them yet."""
    done = multiprocessing.get_context("fork").Event()

    def make(name: str) -> bytes:
        if name == "0":
            assert done.wait(60.0)
        if name == "7":
            done.set()
        return name.encode() * 1_000_000

    found = list(in_order(make, [str(k) for k in range(8)], processes=2))
    assert [one[:1] for one in found] == [b"%d" % k for k in range(8)]


@forks
def test_what_is_finished_early_does_not_fill_the_memory(monkeypatch):
    """The first process makes its second thing only once the other stands still, three of its things ahead."""
    monkeypatch.setattr(workers, "_MOST_AHEAD", 6)
    made = multiprocessing.get_context("fork").Value("i", 0)
    stood = []

    def make(name: str) -> bytes:
        k = int(name)
        if k == 2:
            while not stood or made.value != stood[-1]:
                stood.append(made.value)
                time.sleep(0.5)
            return b"%d" % made.value
        if k % 2:
            made.value = k
        return b"x" * 300_000  # more than a pipe holds

    found = list(in_order(make, [str(k) for k in range(80)], processes=2))
    assert len(found) == 80
    assert 7 <= int(found[2]) <= 11  # thing 2 + 6 ahead is taken in, one more waits in the pipe, one is at hand


@forks
def test_one_thing_is_made_beside_and_waited_for():
    with beside(lambda: (os.getpid(), b"x" * 1_000_000)) as made:
        maker, data = made()
        assert made() == (maker, data)  # asked again it is not made again
    assert maker != os.getpid()
    assert len(data) == 1_000_000
    assert multiprocessing.active_children() == []


@forks
def test_what_goes_wrong_beside_comes_up_when_it_is_asked_for():
    def fail() -> int:
        raise LookupError("beside")

    with beside(fail) as made, pytest.raises(LookupError, match="beside"):
        made()
    with beside(fail):  # nobody asks
        pass
    assert multiprocessing.active_children() == []


def test_without_forks_it_is_made_when_asked_for(monkeypatch):
    monkeypatch.setattr(multiprocessing, "get_all_start_methods", lambda: ["spawn"])
    with beside(os.getpid) as made:
        assert made() == os.getpid()


def _unswept_until_it_fails() -> None:
    with unswept():
        assert not gc.isenabled()
        assert gc.get_freeze_count() > 0
        raise LookupError


@pytest.mark.parametrize("looks", [True, False])
def test_the_collector_rests_and_is_put_back(looks):
    before = gc.isenabled()
    try:
        (gc.enable if looks else gc.disable)()
        with pytest.raises(LookupError):
            _unswept_until_it_fails()
        assert gc.isenabled() is looks
        assert gc.get_freeze_count() == 0
    finally:
        (gc.enable if before else gc.disable)()
