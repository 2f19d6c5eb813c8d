"""Laws of the survey stage that hold for any points."""

from __future__ import annotations

from collections import Counter

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from pipeline import survey
from pipeline.frame import Frame
from pipeline.records import SurveyPoints
from pipeline.resources import template_rows
from pipeline.settings import Settings, TreeSettings
from pipeline.terrain.grid import Terrain

GUIDE = template_rows("guidelines.csv")
LAND = Terrain(np.zeros((30, 30), np.float32), 0.0, 29.0, 1.0, Frame("", "local grid", ""), 0.1, "flat")
ROWS = st.lists(
    st.tuples(
        st.sampled_from(["1", "2", "2-2", "", "A"]),
        st.one_of(st.just(float("nan")), st.floats(0.0, 8.0)),
        st.floats(0.0, 8.0),
        st.sampled_from(["sugar maple", "Red Maple", "érable à sucre", "ash", ""]),
        st.one_of(st.just(float("nan")), st.floats(5.0, 120.0)),
        st.sampled_from(["", "alive", "dead", "mort"]),
        st.sampled_from(["", "", "", "NO_GO", "OFF_TERRAIN"]),
    ),
    max_size=25,
)


def assess(rows, **keys):
    columns = list(zip(*rows, strict=True)) if rows else [()] * 7
    points = SurveyPoints(
        tuple(columns[0]),
        np.array(columns[1], float),
        np.array(columns[2], float),
        tuple(columns[3]),
        np.array(columns[4], float),
        tuple(columns[5]),
        np.arange(1, len(rows) + 1),
        "test",
    )
    return survey.assess(
        points=points,
        terrain=LAND,
        ground_reasons=tuple(columns[6]),
        guideline=GUIDE,
        settings=Settings(trees=TreeSettings(**keys)),
    )


@settings(max_examples=150, deadline=None)
@given(ROWS)
def test_nothing_vanishes_and_nothing_is_changed(rows) -> None:
    trees, findings = assess(rows)
    assert len(trees) == len(rows)
    assert len(set(trees.tree_id)) == len(rows)
    survey.check_reasons(trees)
    assert ((trees.taps > 0) == trees.candidate).all()
    assert np.array_equal(trees.dbh_cm, np.array([r[4] for r in rows], float), equal_nan=True)
    told = Counter(
        {f.subject_id: int(f.measured) for f in findings if f.code in {"TREES_NOT_TAPPED", "TREES_SET_ASIDE"}}
    )
    assert told == Counter(r for r in trees.reason if r)


@settings(max_examples=150, deadline=None)
@given(ROWS, st.randoms(use_true_random=False))
def test_the_order_of_rows_changes_nothing_but_which_record_of_a_tree_is_kept(rows, random) -> None:
    mixed = list(rows)
    random.shuffle(mixed)
    first, second = assess(rows)[0], assess(mixed)[0]
    assert Counter(zip(first.status, first.reason, strict=True)) == Counter(
        zip(second.status, second.reason, strict=True)
    )


@settings(max_examples=100, deadline=None)
@given(ROWS)
def test_kept_trees_are_no_duplicates_of_one_another(rows) -> None:
    trees = assess(rows)[0]
    kept = np.flatnonzero(trees.candidate)
    for a in kept:
        for b in kept[kept > a]:
            near = np.hypot(trees.x_m[a] - trees.x_m[b], trees.y_m[a] - trees.y_m[b]) < 1.523
            alike = abs(trees.dbh_cm[a] - trees.dbh_cm[b]) < 5.07
            same = survey.fold(trees.species[a]) == survey.fold(trees.species[b])
            assert not (near and alike and same)


@given(st.floats(0.0, 300.0), st.floats(0.0, 300.0), st.sampled_from(["conservative", "traditional", "ontario"]))
def test_a_thicker_tree_never_has_fewer_taps(a: float, b: float, scheme: str) -> None:
    steps = survey.guideline_steps(GUIDE, scheme)
    low, high = survey.taps_by_diameter(np.sort([a, b]), steps).tolist()
    assert low <= high
