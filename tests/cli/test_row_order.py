"""The order of rows in the input means nothing: the same trees and ground give the same plan, byte for byte."""

from __future__ import annotations

import random
from pathlib import Path

import geopandas
import numpy as np
import pytest
import shapely
from pipeline import reading
from pipeline.cli import run_cli
from pipeline.records import SurveyPoints

import faults
import tiny_bush


@pytest.fixture(autouse=True)
def cache(tmp_path, monkeypatch) -> None:
    monkeypatch.setenv("FALLGRADE_CACHE", str(tmp_path / "cache"))


def site(folder: Path, seed: int | None) -> Path:
    """Write the bush with three wet places; with a seed all rows are shuffled."""
    bush = tiny_bush.write_bush(folder)
    survey = folder / "trees.csv"
    head, *rows = survey.read_text(encoding="utf-8").splitlines()
    rows += [rows[3], rows[5].replace("sugar maple", "beech"), "T900,,,sugar maple,14.0"]  # twice, other, nowhere
    west, north = tiny_bush.WEST + 60.0, tiny_bush.NORTH - 60.0
    boxes = [shapely.box(west + 18 * i, north - 9 * i, west + 18 * i + 8, north - 9 * i + 8) for i in range(3)]
    wet = [(f"wet {i}", box) for i, box in enumerate(boxes)]
    if seed is not None:
        random.Random(seed).shuffle(rows)  # noqa: S311 - an order, not a secret
        random.Random(seed + 1).shuffle(wet)  # noqa: S311
    survey.write_text("\n".join([head, *rows]) + "\n", encoding="utf-8")
    frame = geopandas.GeoDataFrame({"name": [n for n, _ in wet]}, geometry=[s for _, s in wet], crs=tiny_bush.EPSG)
    frame.to_file(folder / "wet.gpkg", engine="pyogrio")
    bush.write_text(bush.read_text(encoding="utf-8") + '[ground.wet]\nfile = "wet.gpkg"\n', encoding="utf-8")
    return bush


def test_shuffled_rows_give_the_same_plan_byte_for_byte(tmp_path) -> None:
    folders = []
    for name, seed in (("as surveyed", None), ("shuffled", 5)):
        folders.append(tmp_path / f"plan of {name}")
        assert run_cli(["plan", str(site(tmp_path / name, seed)), "--into", str(folders[-1]), "--quiet"]) == 0
    one, two = map(faults.contents, folders)
    assert sorted(one) == sorted(two)
    assert {name for name in one if one[name] != two[name]} == set()


def points(tags: list[str], **columns: object) -> SurveyPoints:
    """Return a survey of trees in a row."""
    n = len(tags)
    given = {"x_m": np.arange(n, dtype=float), "y_m": np.zeros(n), "species": ("",) * n, "dbh_cm": np.full(n, 30.0),
             "state": ("",) * n, "row": np.arange(1, n + 1), "source": "t.csv", **columns}
    return SurveyPoints(tree_id=tuple(tags), **given)


@pytest.mark.parametrize(("tags", "wanted"), [
    (["T10", "T9", "T1"], ["T1", "T9", "T10"]),
    (["b2", "a10", "B1", "a9"], ["B1", "a9", "a10", "b2"]),
    (["2-10", "2-9", "10-1", "1"], ["1", "2-9", "2-10", "10-1"]),
    (["07", "7", "007"], ["007", "07", "7"]),
    (["é2", "e10", ""], ["", "e10", "é2"]),
    (["٣", "3", "²"], ["3", "²", "٣"]),
    ([], []),
])
def test_tags_sort_as_people_count(tags: list[str], wanted: list[str]) -> None:
    got = reading.in_tag_order(points(tags))
    assert list(got.tree_id) == wanted
    assert [tags[r - 1] for r in got.row.tolist()] == wanted, "every column moves along"
    assert (got.x_m + 1).tolist() == got.row.tolist()


def test_trees_of_one_tag_sort_by_place_and_rows_without_a_place_come_last() -> None:
    x, y = np.array([np.nan, 3.0, 1.0, 3.0]), np.array([0.0, 2.0, 9.0, 1.0])
    got = reading.in_tag_order(points(["A"] * 4, x_m=x, y_m=y))
    assert got.row.tolist() == [3, 4, 2, 1]


@pytest.mark.parametrize("seed", range(5))
def test_any_shuffle_sorts_to_the_same_survey(seed: int) -> None:
    rng = np.random.default_rng(seed)
    n = 60
    whole = points([f"T{i}" for i in rng.integers(0, 20, n)],
                   x_m=rng.integers(0, 3, n) * 1.0, y_m=rng.integers(0, 3, n) * 1.0,
                   dbh_cm=np.where(rng.random(n) < 0.2, np.nan, rng.integers(20, 23, n)),
                   species=tuple(rng.choice(["maple", "beech"], n)), state=tuple(rng.choice(["", "dead"], n)))
    order = rng.permutation(n)
    mixed = points([whole.tree_id[i] for i in order], **{c: getattr(whole, c)[order] for c in ("x_m", "y_m", "dbh_cm")},
                   species=tuple(whole.species[i] for i in order), state=tuple(whole.state[i] for i in order))
    one, two = reading.in_tag_order(whole), reading.in_tag_order(mixed)
    for column in ("tree_id", "species", "state"):
        assert getattr(one, column) == getattr(two, column)
    for column in ("x_m", "y_m", "dbh_cm"):
        assert np.array_equal(getattr(one, column), getattr(two, column), equal_nan=True)
