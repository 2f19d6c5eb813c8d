"""Mutated files of every kind, the bush file and the price list: rows, settings, or an error in words.

The same mutations as ``tests/bench/fuzz_readers.py`` makes by the hundred thousand, a few hundred of them here.
"""

from __future__ import annotations

import importlib.util
import random
import tempfile
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pipeline import bushfile
from pipeline.errors import FallgradeError
from pipeline.resources import template_text
from pipeline.settings import PriceSettings, Settings
from pipeline.store.prices import read_prices

BENCH = Path(__file__).resolve().parent.parent / "bench" / "fuzz_readers.py"
CALM = settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.too_slow])
STARTER = bushfile.starter("2026-03-02")
PRICES = template_text("prices.csv")


@pytest.fixture(scope="module")
def fuzz():
    """Return the fuzzer's module."""
    spec = importlib.util.spec_from_file_location("fuzz_readers", BENCH)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("seed", range(6))
def test_mutated_files_are_read_or_refused_in_words(fuzz, tmp_path, seed: int) -> None:
    corpus = fuzz.seeds(tmp_path)
    assert {seed[0] for seed in corpus} == set(range(len(fuzz.KINDS)))
    for whole in corpus:
        fuzz.one(whole, tmp_path)  # the seeds themselves are fine
    rng = random.Random(seed)  # noqa: S311 - mutations, not secrets
    for _ in range(100):
        fuzz.one(fuzz.mutated(rng, corpus), tmp_path)


def spliced(text: str):
    """Return texts with a few pieces of `text` cut out, doubled or replaced."""
    places = st.integers(0, len(text))
    bits = ["=", '"', "[", "]", "\n", "5 ft", "nan", "true", "{}", "#", ";"]
    piece = st.one_of(st.text(max_size=8), st.sampled_from(bits))

    def apply(edits) -> str:
        out = text
        for at, length, new in edits:
            out = out[:at] + new + out[at + length:]
        return out

    return st.lists(st.tuples(places, st.integers(0, 30), piece), min_size=1, max_size=6).map(apply)


@CALM
@given(spliced(STARTER))
def test_any_bush_file_gives_settings_that_read_back_or_words(text: str) -> None:
    try:
        found = bushfile.parse(text, "bush.toml")
    except FallgradeError as error:
        told = error.problems
    else:
        told = ()
        assert bushfile.parse(bushfile.render(found), "again") == found or "nan" in repr(found)
    assert all(p.found and p.wanted and p.remedy for p in told)


@CALM
@given(spliced(PRICES))
def test_any_price_list_gives_prices_or_words(text: str) -> None:
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "p.csv").write_text(text, encoding="utf-8")
        try:
            rows = read_prices(Settings(prices=PriceSettings(file="p.csv")), Path(folder))
        except FallgradeError as error:
            fine = all(p.found and p.wanted and p.remedy for p in error.problems)
        else:
            fine = all(float(row["price"]) >= 0.0 and row["unit"] for row in rows)
    assert fine
