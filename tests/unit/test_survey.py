"""From surveyed points to trees: taps, reasons, duplicates, tags."""

from __future__ import annotations

import math
from collections import Counter

import numpy as np
import pytest
from pipeline import survey
from pipeline.errors import BushFileError, InputDataError
from pipeline.frame import Frame, utm_frame
from pipeline.records import SurveyPoints
from pipeline.resources import template_rows
from pipeline.settings import Settings, TreeSettings
from pipeline.terrain.grid import Terrain

GUIDE = template_rows("guidelines.csv")
X0, Y0 = 690000.0, 4942000.0
IN = 2.54


def terrain(frame: Frame | None = None) -> Terrain:
    return Terrain(
        np.full((100, 100), 400.0, np.float32), X0, Y0 + 99.0, 1.0, frame or utm_frame(-72.6, 44.6, ""), 0.1, "flat"
    )


def points(rows) -> SurveyPoints:
    """Rows of (tag, x, y, species, diameter in inches, state); x and y from the south-west corner."""
    columns = list(zip(*rows, strict=True)) if rows else [()] * 6
    return SurveyPoints(
        tree_id=tuple(columns[0]),
        x_m=np.array(columns[1], float) + X0,
        y_m=np.array(columns[2], float) + Y0,
        species=tuple(columns[3]),
        dbh_cm=np.array(columns[4], float) * IN,
        state=tuple(columns[5]),
        row=np.arange(1, len(rows) + 1),
        source="test",
    )


def assess(rows, reasons=None, **keys):
    given = points(rows)
    return survey.assess(
        points=given,
        terrain=terrain(),
        ground_reasons=tuple(reasons or ("",) * len(rows)),
        guideline=GUIDE,
        settings=Settings(trees=TreeSettings(**keys)),
    )


def tree(tag="1", x=10.0, y=10.0, species="sugar maple", dbh_in=14.0, state="alive"):
    return tag, x, y, species, dbh_in, state


# -------------------------------------------------------------------- taps


@pytest.mark.parametrize(
    ("scheme", "dbh_in", "taps"),
    [
        # conservative: van den Berg et al. 2012: 12 to 18 in one tap, over 18 in two
        ("conservative", 11.99, 0),
        ("conservative", 12.0, 1),
        ("conservative", 17.99, 1),
        ("conservative", 18.0, 1),
        ("conservative", 18.01, 2),
        ("conservative", 40.0, 2),
        # traditional: 10-15 one, 15-20 two, 20-25 three, over 25 four; marked "not recommended" in its source
        ("traditional", 9.99, 0),
        ("traditional", 10.0, 1),
        ("traditional", 15.0, 1),
        ("traditional", 15.01, 2),
        ("traditional", 20.01, 3),
        ("traditional", 25.0, 3),
        ("traditional", 25.01, 4),
        ("traditional", 60.0, 4),
        # Ontario: first tap at 30 cm, second at about twice that
        ("ontario", 29.9 / IN, 0),
        ("ontario", 30.0 / IN, 1),
        ("ontario", 59.9 / IN, 1),
        ("ontario", 60.1 / IN, 2),
        ("single", 40.0, 1),
    ],
)
def test_taps_by_diameter(scheme: str, dbh_in: float, taps: int) -> None:
    trees, _ = assess([tree(dbh_in=dbh_in)], guideline=scheme)
    assert trees.taps.tolist() == [taps]
    assert trees.reason == (("TOO_SMALL",) if taps == 0 else ("",))


def test_every_row_of_the_guidelines_has_a_source_and_fits_its_neighbours() -> None:
    for scheme in {row["scheme"] for row in GUIDE}:
        steps = survey.guideline_steps(GUIDE, scheme)
        assert [s[0] for s in steps[1:]] == [s[1] for s in steps[:-1]]
        assert math.isinf(steps[-1][1])
        assert [s[2] for s in steps] == list(range(1, len(steps) + 1))
    assert all(row["source"] and row["status"] in {"published", "derived"} for row in GUIDE)


def test_an_unknown_guideline_is_answered_with_the_nearest() -> None:
    with pytest.raises(BushFileError, match="Did you mean 'conservative'"):
        assess([tree()], guideline="conservativ")


# ----------------------------------------------------------------- reasons


@pytest.mark.parametrize(
    ("row", "ground", "status", "reason"),
    [
        (tree(), "", "served", ""),
        (tree(species="Érable à sucre"), "", "served", ""),
        (tree(species="ERABLE A SUCRE"), "", "served", ""),
        (tree(species="Acer  saccharum"), "", "served", ""),
        (tree(species="Red Maple"), "", "served", ""),
        (tree(species="érable rouge"), "", "served", ""),
        (tree(species=""), "", "served", ""),
        (tree(species="silver maple"), "", "not_tapped", "SPECIES"),
        (tree(species="hêtre"), "", "not_tapped", "SPECIES"),
        (tree(state="Dead"), "", "not_tapped", "DEAD"),
        (tree(state="mort"), "", "not_tapped", "DEAD"),
        (tree(state="chicot"), "", "not_tapped", "DEAD"),
        (tree(state="coupé"), "", "not_tapped", "DEAD"),
        (tree(state="dead, standing"), "", "not_tapped", "DEAD"),
        (tree(state="leaning"), "", "served", ""),
        (tree(dbh_in=math.nan), "", "not_tapped", "NO_DIAMETER"),
        (tree(dbh_in=5.0), "", "not_tapped", "TOO_SMALL"),
        (tree(x=math.nan), "", "set_aside", "BAD_POSITION"),
        (tree(), "NO_GO", "set_aside", "NO_GO"),
        (tree(), "OUTSIDE_PROPERTY", "set_aside", "OUTSIDE_PROPERTY"),
        # the first reason asked is the one that is given
        (tree(species="ash", state="dead", dbh_in=1.0), "NO_GO", "not_tapped", "SPECIES"),
        (tree(state="dead", dbh_in=1.0), "NO_GO", "not_tapped", "DEAD"),
        (tree(x=math.nan, dbh_in=1.0), "OFF_TERRAIN", "not_tapped", "TOO_SMALL"),
        (tree(x=math.nan), "OFF_TERRAIN", "set_aside", "BAD_POSITION"),
    ],
)
def test_each_tree_has_one_status_and_reason(row, ground: str, status: str, reason: str) -> None:
    trees, _ = assess([row], [ground])
    assert (trees.status, trees.reason) == ((status,), (reason,))
    assert (trees.taps > 0).tolist() == [status == "served"]
    survey.check_reasons(trees)


def test_species_and_states_come_from_the_bush_file() -> None:
    rows = [
        tree("1", species="Silver maple"),
        tree("2", x=50.0),
        tree("3", x=80.0, species="silver maple", state="Leaning"),
    ]
    trees, _ = assess(rows, species=("silver maple",), excluded_status=("leaning",))
    assert trees.reason == ("", "SPECIES", "DEAD")


def test_a_status_that_does_not_go_with_its_reason_is_found() -> None:
    trees, _ = assess([tree()])
    import dataclasses

    with pytest.raises(ValueError, match="tree 1"):
        survey.check_reasons(dataclasses.replace(trees, reason=("DEAD",)))


# -------------------------------------------------------------- duplicates


@pytest.mark.parametrize(
    ("second", "same"),
    [
        (tree("2", x=11.4), True),
        (tree("2", x=11.6), False),  # 5 ft are 1.524 m
        (tree("2", x=11.0, dbh_in=15.9), True),
        (tree("2", x=11.0, dbh_in=16.5), False),  # 2 in
        (tree("2", x=11.0, species="red maple"), False),
        (tree("2", x=11.0, species="érable à sucre"), True),
        (tree("2", x=11.0, state="dead"), False),
        (tree("2", x=11.0, dbh_in=math.nan), False),
    ],
)
def test_what_counts_as_one_tree_logged_twice(second, same: bool) -> None:
    trees, _ = assess([tree("1"), second])
    assert (trees.reason[1] == "DUPLICATE") is same
    assert trees.reason[0] == ""
    assert trees.note[1] == ("same tree as 1" if same else "")


def test_thick_trees_may_differ_by_a_share() -> None:
    assert assess([tree("1", dbh_in=30.0), tree("2", dbh_in=26.0)])[0].reason == ("", "DUPLICATE")
    assert assess([tree("1", dbh_in=30.0), tree("2", dbh_in=25.4)])[0].reason == ("", "")


def test_a_chain_of_points_is_one_tree_in_any_order() -> None:
    chain = [tree("a", x=10.0), tree("b", x=11.2), tree("c", x=12.4)]
    for order in ([0, 1, 2], [1, 0, 2], [2, 0, 1]):
        trees, _ = assess([chain[i] for i in order])
        assert trees.reason == ("", "DUPLICATE", "DUPLICATE")
        assert trees.note[2] == f"same tree as {chain[order[0]][0]}"


def test_no_distance_means_no_duplicates() -> None:
    assert assess([tree("1"), tree("2")], duplicate_distance_m=0.0)[0].reason == ("", "")


def test_a_survey_on_one_spot_is_refused_before_it_fills_the_memory() -> None:
    with pytest.raises(InputDataError, match="few spots"):
        assess([tree(str(i)) for i in range(7000)])


# -------------------------------------------------------------------- tags


def test_tags_are_made_unique_and_the_change_is_noted() -> None:
    rows = [tree(t, x=10.0 * i) for i, t in enumerate(["7", "7", "7-2", "", "7", "T4"])]
    trees, findings = assess(rows)
    assert trees.tree_id == ("7", "7-3", "7-2", "T4-2", "7-4", "T4")
    assert trees.note == ("", "tag 7 was used before", "", "no tag in the survey", "tag 7 was used before", "")
    assert [f.measured for f in findings if f.code == "TAG_REPEATED"] == [3.0]


# ---------------------------------------------------------------- findings


def test_counts_add_up_and_are_told() -> None:
    rows = [tree(str(i), x=4.0 * i, dbh_in=14.0 if i % 3 else 5.0) for i in range(20)]
    trees, findings = assess(rows, ["NO_GO" if i == 4 else "" for i in range(20)])
    counts = {f.subject_id: f.measured for f in findings if f.code.startswith("TREES_")}
    assert counts == {"TOO_SMALL": 7.0, "NO_GO": 1.0}
    assert Counter(trees.status) == {"served": 12, "not_tapped": 7, "set_aside": 1}


def test_missing_and_foreign_species_are_told() -> None:
    _, findings = assess([tree("1", species=""), tree("2", x=50.0, species="ash"), tree("3", x=80.0, species="ash")])
    told = {f.code: f for f in findings}
    assert told["SPECIES_NOT_GIVEN"].measured == 1.0
    assert "ash (2)" in told["SPECIES_UNTAPPED"].text


def test_a_pile_of_unlike_trees_is_told() -> None:
    _, findings = assess([tree(str(i), dbh_in=12.5 + 5.0 * i) for i in range(5)])
    assert [(f.code, f.measured) for f in findings if f.code == "PILED_ON_ONE_SPOT"] == [("PILED_ON_ONE_SPOT", 5.0)]


def test_many_piles_are_one_finding() -> None:
    rows = [tree(f"{i}-{k}", x=7.0 * i, dbh_in=12.5 + 5.0 * k) for i in range(12) for k in range(4)]
    told = [f for f in assess(rows)[1] if f.code == "PILED_ON_ONE_SPOT"]
    assert [(f.subject_id, f.measured) for f in told] == [("", 48.0)]


def test_swapped_positions_off_the_terrain_are_recognised() -> None:
    """On a zone where both readings can be projected: near 30 degrees east, 30 degrees north."""
    frame = utm_frame(31.0, 30.0, "")
    x, y = frame.from_lonlat([31.0, 30.0, 31.0], [30.0, 31.0, 30.0])
    land = Terrain(np.full((50, 50), 10.0, np.float32), round(x[0]) - 25.0, round(y[0]) + 25.0, 1.0, frame, 0.1, "flat")
    given = SurveyPoints(
        ("1", "2", "3"), x, y + np.array([0.0, 0.0, 5.0]), ("",) * 3, np.full(3, 35.0), ("",) * 3, np.arange(3), "t"
    )
    _, findings = survey.assess(
        points=given, terrain=land, ground_reasons=("", "OFF_TERRAIN", ""), guideline=GUIDE, settings=Settings()
    )
    assert [(f.code, f.measured) for f in findings if f.code.startswith("LON")] == [("LONLAT_SWAPPED", 1.0)]


def test_an_empty_survey_is_an_empty_record() -> None:
    trees, findings = assess([])
    assert len(trees) == 0
    assert findings == ()
