"""Survey: folding of words, tags, duplicates and piles; tables by hand and networkx for the groups."""

from __future__ import annotations

import math
from itertools import combinations

import networkx
import numpy as np
import pytest
from pipeline import survey
from pipeline.errors import BushFileError
from pipeline.records import NOT_TAPPED_REASONS, SET_ASIDE_REASONS, SurveyPoints
from pipeline.settings import Settings, TreeSettings

import small_bush as bush


@pytest.mark.parametrize(
    ("text", "folded"),
    [
        ("Sugar Maple", "sugar maple"), ("  sugar   MAPLE ", "sugar maple"), ("Érable à sucre", "erable a sucre"),
        ("ash-leaved maple", "ash leaved maple"), ("Acer saccharum L.", "acer saccharum l"), ("", ""), ("--", ""),
        ("Straße", "strasse"), ("A.\tsaccharum", "a saccharum"), ("tree 12", "tree 12"),
    ],
)
def test_words_are_folded(text, folded):
    assert survey.fold(text) == folded


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("Hard Maple", "sugar maple"),
        ("Érable à sucre", "sugar maple"),
        ("A. rubrum", "red maple"),
        ("Plaine", "red maple"),
        ("Érable", "maple"),
        ("Manitoba maple", "box elder"),
        ("white ash", "white ash"),
        ("", ""),
    ],
)
def test_species_by_any_of_their_names(text, name):
    assert survey._canon(text, survey.SPECIES_NAMES) == name


@pytest.mark.parametrize("names", [survey.SPECIES_NAMES, survey.STATE_NAMES], ids=["species", "states"])
def test_no_name_means_two_things_and_all_are_folded(names):
    flat = [n for group in names for n in group]
    assert len(set(flat)) == len(flat)
    assert [survey.fold(n) for n in flat] == flat


@pytest.mark.parametrize(
    ("state", "barred"),
    [("dead", True), ("Dead, standing", True), ("mort", True), ("abattu", True), ("snag", True), ("chicot", True),
     ("alive", False), ("dying", False), ("deadline", False), ("standing", False), ("stump", True)],
)
def test_states_that_bar_a_tree(state, barred):
    """By default dead, cut and snag are barred, in any of their names and as any word."""
    known = {survey._canon(s, survey.STATE_NAMES) for s in Settings().trees.excluded_status}
    assert survey._barred(state, known) is barred


# ---------------------------------------------------------------- guideline

ROWS = [
    {"scheme": "two", "dbh_from_in": "18", "dbh_to_in": "", "taps": "2"},
    {"scheme": "two", "dbh_from_in": "12", "dbh_to_in": "18", "taps": "1"},
    {"scheme": "one", "dbh_from_in": "10", "dbh_to_in": "", "taps": "1"},
]


def test_steps_come_thinnest_first_and_end_open():
    assert survey.guideline_steps(ROWS, "two") == ((12.0, 18.0, 1), (18.0, math.inf, 2))
    assert survey.guideline_steps(ROWS, "one") == ((10.0, math.inf, 1),)


@pytest.mark.parametrize(("asked", "remedy"), [("tow", "Did you mean 'two'?"), ("zzz", "Name a scheme of")])
def test_a_scheme_that_is_not_there(asked, remedy):
    with pytest.raises(BushFileError) as caught:
        survey.guideline_steps(ROWS, asked)
    [problem] = caught.value.problems
    assert problem.remedy.startswith(remedy)
    assert problem.wanted == "one of one, two"
    assert problem.found == repr(asked)


@pytest.mark.parametrize(
    ("dbh_in", "taps"),
    [
        (11.999, 0),
        (12.0 - 1e-9, 1),
        (12.0, 1),
        (18.0, 1),
        (18.0 + 1e-9, 1),
        (18.001, 2),
        (99.0, 2),
        (math.nan, 0),
        (0.0, 0),
        (-5.0, 0),
    ],
)
def test_taps_at_the_boundaries(dbh_in, taps):
    assert survey.taps_by_diameter([dbh_in * 2.54], survey.guideline_steps(ROWS, "two")).tolist() == [taps]


def test_taps_keep_their_shape():
    got = survey.taps_by_diameter(np.full((2, 3), 40.0), survey.guideline_steps(ROWS, "two"))
    assert got.shape == (2, 3)
    assert survey.taps_by_diameter(np.zeros(0), survey.guideline_steps(ROWS, "two")).tolist() == []


# ---------------------------------------------------------------- tags


@pytest.mark.parametrize(
    ("tags", "ids"),
    [
        (("1", "2"), ("1", "2")), (("1", "1"), ("1", "1-2")), (("1", "1", "1"), ("1", "1-2", "1-3")),
        (("1", "1", "1-2"), ("1", "1-3", "1-2")), (("", ""), ("T1", "T2")), (("T2", ""), ("T2", "T2-2")),
        (("1-2", "1", "1"), ("1-2", "1", "1-3")), ((), ()),
    ],
)
def test_tags_become_unique(tags, ids):
    got, notes = survey._unique_tags(tags)
    assert got == ids
    assert [bool(n) for n in notes] == [a != b for a, b in zip(tags, ids, strict=True)]


def test_notes_say_what_was_changed():
    assert survey._unique_tags(("7", "7", ""))[1] == ["", "tag 7 was used before", "no tag in the survey"]


# ---------------------------------------------------------------- duplicates


def points(x, y, dbh=None, species=None):
    n = len(x)
    return SurveyPoints(tuple(f"{i}" for i in range(n)), np.array(x, float), np.array(y, float),
                        tuple(species or ["maple"] * n), np.full(n, 40.0) if dbh is None else np.array(dbh, float),
                        ("",) * n, np.arange(1, n + 1), "test")


@pytest.mark.parametrize("seed", range(6))
def test_duplicates_against_networkx(seed):
    """Every pair measured; components of like and near points; all but the first are repeats."""
    rng = np.random.default_rng(seed)
    n = 60
    x, y = rng.uniform(0, 20, (2, n))
    dbh = rng.choice([20.0, 24.0, 40.0, 46.5, 60.0], n)
    species = [str(s) for s in rng.choice(["sugar maple", "hard maple", "red maple"], n)]
    open_ = rng.random(n) < 0.9
    graph = networkx.Graph()
    graph.add_nodes_from(np.flatnonzero(open_).tolist())
    for i, j in combinations(range(n), 2):
        like = abs(dbh[i] - dbh[j]) <= max(2 * 2.54, 0.15 * max(dbh[i], dbh[j]))
        same = ("red" in species[i]) == ("red" in species[j])
        if open_[i] and open_[j] and math.hypot(x[i] - x[j], y[i] - y[j]) <= 1.5 and like and same:
            graph.add_edge(i, j)
    wanted = sorted((i, min(part)) for part in networkx.connected_components(graph) for i in part if i != min(part))
    assert wanted
    assert sorted(survey._duplicates(points(x, y, dbh, species), open_, 1.5)) == wanted


@pytest.mark.parametrize(
    ("a", "b", "same"), [(40.0, 46.0, True), (40.0, 47.5, False), (20.0, 25.0, True), (20.0, 25.2, False)]
)
def test_like_diameters_by_hand(a, b, same):
    """Two inches are 5.08 cm; 15 % of 46 are 6.9, of 47.5 are 7.125."""
    got = survey._duplicates(points([0, 1], [0, 0], [a, b]), np.array([True, True]), 1.5)
    assert bool(got) is same


@pytest.mark.parametrize(("distance", "same"), [(0.99, False), (1.0, True), (0.0, False), (-1.0, False)])
def test_near_by_hand(distance, same):
    assert bool(survey._duplicates(points([0, 1], [0, 0]), np.array([True, True]), distance)) is same


# ---------------------------------------------------------------- piles and statuses


@pytest.mark.parametrize(("count", "told"), [(3, 0), (4, 1), (5, 1)])
def test_a_pile_is_four_on_one_spot(count, told):
    n = count + 1
    given = points([5.0] * count + [9.0], [5.0] * count + [9.0])
    trees, _ = survey.assess(points=given, terrain=bush.terrain(), ground_reasons=("",) * n, guideline=ROWS,
                             settings=Settings(trees=TreeSettings(guideline="one", duplicate_distance_m=0.0)))
    got = survey._piles(trees, given)
    assert len(got) == told
    for f in got:
        assert (f.subject_id, f.measured, f.limit) == ("0", float(count), 3.0)


@pytest.mark.parametrize(
    ("not_tapped", "aside", "status"),
    [("", "", "served"), ("DEAD", "", "not_tapped"), ("DEAD", "NO_GO", "not_tapped"), ("", "NO_GO", "set_aside")],
)
def test_status_by_reason(not_tapped, aside, status):
    assert survey._status(not_tapped, aside) == status


@pytest.mark.parametrize(
    ("status", "reasons", "barred"),
    [("served", ("",), ("NO_GO", "DEAD")), ("set_aside", SET_ASIDE_REASONS, ("", "DEAD")),
     ("not_tapped", NOT_TAPPED_REASONS, ("", "NO_GO")), ("lost", (), ("", "DEAD"))],
)
def test_status_and_reason_go_together(status, reasons, barred):
    def check(reason):
        own = bush.trees()
        given = type(own)(
            own.tree_id[:1],
            own.x_m[:1],
            own.y_m[:1],
            own.ground_z_m[:1],
            own.species[:1],
            own.dbh_cm[:1],
            own.taps[:1],
            (status,),
            (reason,),
            ("",),
        )
        survey.check_reasons(given)

    for reason in reasons:
        check(reason)
    for reason in barred:
        with pytest.raises(ValueError, match="tree T0: status"):
            check(reason)


@pytest.mark.parametrize(
    ("change", "outcome"),
    [
        ({}, ("served", "")),
        ({"species": "white ash", "state": "dead", "dbh": 5.0}, ("not_tapped", "SPECIES")),
        ({"state": "dead", "dbh": math.nan}, ("not_tapped", "DEAD")),
        ({"dbh": math.nan}, ("not_tapped", "NO_DIAMETER")),
        ({"dbh": 5.0, "x": math.nan}, ("not_tapped", "TOO_SMALL")),
        ({"x": math.nan, "ground": "NO_GO"}, ("set_aside", "BAD_POSITION")),
        ({"ground": "NO_GO"}, ("set_aside", "NO_GO")),
    ],
)
def test_the_first_reason_asked_is_the_one_told(change, outcome):
    given = {"species": "maple", "state": "alive", "dbh": 40.0, "x": 5.0, "ground": "", **change}
    one = SurveyPoints(("1",), np.array([given["x"]]), np.array([5.0]), (given["species"],), np.array([given["dbh"]]),
                       (given["state"],), np.array([1]), "test")
    trees, _ = survey.assess(points=one, terrain=bush.terrain(), ground_reasons=(given["ground"],), guideline=ROWS,
                             settings=Settings(trees=TreeSettings(guideline="one")))
    assert (trees.status[0], trees.reason[0]) == outcome
    assert (trees.taps[0] > 0) is np.bool_(outcome[0] == "served")
