"""Properties of whole plans on small scenes: what must not change when only the scene's description does."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given as cases
from hypothesis import settings as tries
from hypothesis import strategies as st
from pipeline import reading, run
from pipeline.errors import NoPlanError
from shapely.geometry import box

from whole_plan import cost_m, formula, given, layer, scatter, settings_of, sound


def scene(seed: int, order: np.ndarray | None = None) -> reading.Inputs:
    """Return 50 trees above a tank on a tilted plane with gentle waves."""
    terrain = formula(lambda x, y: 100.0 + 0.07 * y + 0.4 * np.sin(x / 17.0 + seed) * np.cos(y / 23.0), 140.0)
    xy = scatter(seed, 50, (15.0, 125.0), (45.0, 130.0))
    names = np.array([f"T{i:04d}" for i in range(50)])
    order = np.arange(50) if order is None else order
    return given(terrain, xy[order], (70.0, 8.0), settings_of(tap_worth_m=30.0), names=list(names[order]))


@tries(max_examples=4, deadline=None)
@cases(seed=st.integers(0, 1000))
def test_every_plan_is_sound_and_shuffled_rows_cost_the_same_within_two_percent(seed: int) -> None:
    plan = sound(run.make_plan(scene(seed)), 50)
    other = sound(run.make_plan(scene(seed, np.random.default_rng(seed).permutation(50))), 50)
    per_tap = [cost_m(p) / p.trees.taps.sum() for p in (plan, other)]
    assert per_tap[1] == pytest.approx(per_tap[0], rel=0.02)


def test_no_tree_is_no_plan_with_a_clear_message() -> None:
    base = scene(1)
    with pytest.raises(NoPlanError, match="0 trees, none that can be tapped"):
        run.make_plan(given(base.terrain, np.empty((0, 2)), (70.0, 8.0)))


def test_all_trees_on_no_go_is_no_plan_with_a_clear_message() -> None:
    base = scene(1)
    xy = np.column_stack((base.points.x_m, base.points.y_m))
    with pytest.raises(NoPlanError, match="50 trees, none that can be tapped"):
        run.make_plan(given(base.terrain, xy, (70.0, 8.0), layers=[layer("no_go", [box(0, 30, 140, 140)], "no_go")]))
