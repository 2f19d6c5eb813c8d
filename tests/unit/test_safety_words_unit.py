"""Printed values of cautions, the print order, and the measurements behind them, by hand."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise, permutations

import numpy as np
import pytest
import shapely
from pipeline.frame import Frame
from pipeline.records import SafetyNote
from pipeline.safety import (
    FIRST_PAGE,
    NoteWords,
    SafetyWords,
    distance_text,
    in_print_order,
    load_safety,
    note_text,
    place_text,
    split_pages,
    value_text,
)
from pipeline.safety.facts import _ledge, _slope_pct, _window
from pipeline.safety.rules import Case, names, trail_code
from pipeline.settings import Settings
from pipeline.terrain.grid import Terrain
from pipeline.units import Units

US, METRIC = Units("us"), Units("metric")
EN, FR = load_safety("en"), load_safety("fr")


def note(code: str, severity: int = 3, sign_off: str = "", values=(), *, not_checked: bool = False) -> SafetyNote:
    return SafetyNote(code, severity, sign_off, values, not_checked=not_checked)


# ---------------------------------------------------------------- values


@pytest.mark.parametrize(("key", "value", "us", "metric"), [
    ("slope_pct", "25.000", "25 % (14°)", "25 % (14°)"),
    ("height_m", "2.450", "8.0 ft", "2.45 m"),
    ("distance_m", "9.999", "32.8 ft", "10.00 m"),
    ("distance_m", "10.000", "33 ft", "10 m"),
    ("keepout_m", "45.720", "150 ft", "46 m"),
    ("tension_n", "1112.055", "250 lbf", "1,112 N"),
    ("vacuum_kpa", "84.660", "25.0 inHg", "84.7 kPa"),
    ("volume_l", "3785.412", "1,000 gal", "3,785 L"),
    ("minutes_min", "34.600", "35 min", "35 min"),
    ("count", "51", "51", "51"),
    ("trees", "T9, T10", "T9, T10", "T9, T10"),
    ("crew", "3", "3", "3"),
    ("places_at", "M1@38.100;M1.2@0.000", "M1 1+25.0, M1.2 0+00.0", "M1 0+038.1, M1.2 0+000.0"),
    ("supports", "M1-S14=2.450;tree:419=2.100", "M1-S14 (8.0 ft), tree 419 (6.9 ft)",
     "M1-S14 (2.45 m), tree 419 (2.10 m)"),
    ("supports", "M1-S04, M1-S05", "M1-S04, S05", "M1-S04, S05"),
    ("supports", "M1-S09, M1-S10, M1-S11, M1-S13, M1.2-S14", "M1-S09\u2013S11, M1-S13, M1.2-S14",
     "M1-S09\u2013S11, M1-S13, M1.2-S14"),
    ("m", "12.5", "12.5", "12.5"),  # a bare suffix is a name, no unit
])
def test_the_suffix_of_a_key_says_how_its_value_is_printed(key, value, us, metric):
    assert value_text(key, value, EN, US) == us
    assert value_text(key, value, EN, METRIC) == metric


@pytest.mark.parametrize("words", [EN, FR])
@pytest.mark.parametrize(("value", "answer"), [("yes", "yes"), ("no", "no"), ("unknown", "unknown"),
                                               ("nan", "unknown")])
def test_answers_are_words_of_the_language(words, value, answer):
    assert value_text("signal", value, words, US) == words.answer[answer]
    assert value_text("slope_pct", value, words, US) == words.answer[answer]


@pytest.mark.parametrize("words", [EN, FR])
def test_every_layer_has_its_name(words):
    assert set(words.layer) == set(EN.layer)
    for key in words.layer:
        assert value_text("layer", key, words, US) == words.layer[key]
    with pytest.raises(KeyError):
        value_text("layer", "volcano", words, US)


def test_trees_are_named_in_french():
    assert value_text("supports", "tree:419=2.100", FR, METRIC) == f"{FR.answer['tree']} 419 (2.10 m)"


@pytest.mark.parametrize(("length", "us", "metric"), [(0.0, "0.0 ft", "0.00 m"), (9.99, "32.8 ft", "9.99 m"),
                                                      (10.0, "33 ft", "10 m"), (1234.0, "4,049 ft", "1,234 m")])
def test_heights_have_tenths_and_distances_do_not(length, us, metric):
    assert distance_text(length, US) == us
    assert distance_text(length, METRIC) == metric


@pytest.mark.parametrize(("where", "text"), [("M1@30.480", "M1 1+00.0"), ("M1", "M1"), ("L@1@30.480", "L@1 1+00.0"),
                                             ("", "")])
def test_places_are_owner_and_station(where, text):
    assert place_text(where, US) == text


# ---------------------------------------------------------------- filling blanks


def words_of(text: str) -> SafetyWords:
    return SafetyWords({"X1": NoteWords(text, 3, "", "", "read", "S")}, (), EN.layer, EN.answer, EN.group)


def test_blanks_are_filled_and_the_rest_is_kept():
    words = words_of("Line at {height_m}, {height_m}: see {trees}.")
    found = note_text(note("X1", values=(("height_m", "2.450"), ("trees", "T9"))), words, METRIC)
    assert found == "Line at 2.45 m, 2.45 m: see T9."


def test_numbers_go_through_the_language_and_names_do_not():
    words = words_of("{height_m} {trees} {layer}")
    values = (("height_m", "2.450"), ("trees", "T1.5"), ("layer", "stream"))
    found = note_text(note("X1", values=values), words, METRIC, lambda text: text.replace(".", ","))
    assert found == f"2,45 m T1.5 {EN.layer['stream']}"


def test_a_missing_value_is_an_error_not_a_gap():
    with pytest.raises(KeyError, match="height_m"):
        note_text(note("X1"), words_of("{height_m}"), US)


def test_a_note_without_blanks_needs_no_values():
    assert note_text(note("X1"), words_of("Look up."), US) == "Look up."


# ---------------------------------------------------------------- order and pages


def test_order_by_each_rule_in_turn():
    """Severity, then own data, then sign-off, then power before storm before felling, then the number."""
    data = (("count", "1"),)
    wanted = [
        note("E5", 5), note("A2", 4, "", data), note("G1", 4, "CL+Q"), note("A1", 4, "CL+Q"), note("G7", 4, "CL"),
        note("G3", 4), note("B1", 4), note("A1", 4), note("A2", 4), note("A10", 4), note("J1", 4), note("C1", 4),
        note("E1", 4), note("H1", 4), note("D1", 4), note("F1", 4), note("I1", 4), note("K6", 4), note("A1", 1),
    ]
    assert in_print_order(wanted[::-1]) == wanted
    assert in_print_order(wanted[7:] + wanted[:7]) == wanted


@pytest.mark.parametrize("far", ["K1", "K2"])
def test_far_from_help_a_four_stands_among_the_fives(far):
    """Raised by one, 4 and 5 are equal at 5, told apart by their own severity; 3 becomes 4."""
    found = [note(far, 3), note("A1", 4), note("A2", 5), note("A3", 2)]
    assert [n.code for n in in_print_order(found)] == ["A2", "A1", far, "A3"]


def test_any_order_in_gives_one_order_out():
    found = [note("A1", 3), note("G1", 3), note("A2", 5), note("K6", 3, "CL")]
    answers = {tuple(n.code for n in in_print_order(list(p))) for p in permutations(found)}
    assert len(answers) == 1


def test_an_unknown_family_is_refused():
    with pytest.raises(ValueError, match="substring"):
        in_print_order([note("Z1")])


@pytest.mark.parametrize("count", [0, 1, FIRST_PAGE - 1, FIRST_PAGE, FIRST_PAGE + 1, 20])
def test_the_first_page_takes_the_gravest_and_the_rest_follow(count):
    found = tuple(note(f"A{i + 1}") for i in range(count))
    unchecked = tuple(note("K7", values=(("layer", k),), not_checked=True) for k in ("road", "storm"))
    first, rest = split_pages((*unchecked[:1], *found, *unchecked[1:]))
    assert first == found[:FIRST_PAGE]
    assert rest == found[FIRST_PAGE:]


# ---------------------------------------------------------------- names of ways


@pytest.mark.parametrize(("name", "code"), [
    ("Skidder trail", "J2"), ("log landing", "J2"), ("Catalogue lane", "J0"), ("snowmobile", "J3"),
    ("Piste de motoneige", "J3"), ("Sentier équestre", "J6"), ("ATV and snowmobile", "J3"), ("Horse and ATV", "J6"),
    ("VTT", "J4"), ("piste de vélos", "J4"), ("hiking", "J5"), ("Raquette", "J5"), ("", "J0"), ("walker", "J0"),
    ("Skidoo", "J0"), ("Chemin forestier, motoneige", "J2"),
])
def test_the_use_that_needs_most_room_names_the_way(name, code):
    assert trail_code(name) == code


@pytest.mark.parametrize(("found", "text"), [([], ""), ([("S1", 2.0)], "S1=2.000"),
                                             ([("S1", 2.00049), ("tree:4", 3.1)], "S1=2.000;tree:4=3.100")])
def test_names_with_heights_as_data(found, text):
    assert names(found) == text


# ---------------------------------------------------------------- slopes and ledges on small grids


def grid(z, cell: float = 1.0) -> Terrain:
    rows = len(z)
    return Terrain(np.asarray(z, np.float32), 0.0, (rows - 1) * cell, cell, Frame("", "local", ""), 0.1, "test")


@pytest.mark.parametrize(("cell", "cells"), [(0.5, 3), (1.0, 2), (3.0, 1), (10.0, 1)])
def test_slope_is_taken_over_three_metres_or_one_cell_each_way(cell, cells):
    """A step of 1 m is seen as 1 m over twice the base, at most `cells` cells from it."""
    z = np.zeros((15, 15))
    z[:, 8:] = 1.0
    slope = _slope_pct(z, cell)
    seen = np.flatnonzero(slope[7] > 0.0)
    assert (seen.min(), seen.max()) == (8 - cells, 7 + cells)
    assert slope[7, 8] == pytest.approx(100.0 / (2 * cells * cell))
    assert np.isnan(slope[:cells]).all()
    assert np.isnan(slope[:, -cells:]).all()


def test_a_grid_too_small_for_the_base_has_no_slope():
    assert np.isnan(_slope_pct(np.zeros((2, 9)), 1.0)).all()
    assert np.isnan(_slope_pct(np.zeros((4, 4)), 1.0)).all()
    assert np.isfinite(_slope_pct(np.zeros((5, 5)), 1.0)).any()


@pytest.mark.parametrize(("drop", "found"), [(1.9, False), (2.0, False), (2.1, True), (6.0, True)])
@pytest.mark.parametrize("upright", [False, True])
def test_a_ledge_drops_more_than_two_metres_within_two(drop, found, upright):
    z = np.zeros((12, 12))
    z[6:] = drop
    if upright:
        z = z.T
    near = np.ones(z.shape, bool)
    height, where = _ledge(z, near, (0, 0), grid(z))
    assert height == pytest.approx(drop)
    assert (where is not None) is found


def test_a_ledge_outside_the_corridor_is_not_the_sections():
    z = np.zeros((12, 12))
    z[6:] = 5.0
    near = np.zeros(z.shape, bool)
    near[:3] = True
    assert _ledge(z, near, (0, 0), grid(z)) == (0.0, None)


def test_a_coarse_grid_shows_no_ledge():
    z = np.zeros((12, 12))
    z[6:] = 50.0
    assert _ledge(z, np.ones(z.shape, bool), (0, 0), grid(z, 2.5)) == (0.0, None)


def test_the_corridor_is_five_metres_wide_on_each_side():
    z = np.zeros((60, 60))
    window, near, (r0, c0) = _window(grid(z), shapely.LineString([(10.0, 30.0), (50.0, 30.0)]))
    assert window.shape == near.shape
    rows, cols = np.nonzero(near)
    y, x = 59.0 - (rows + r0), cols + c0
    assert (y.min(), y.max()) == (25.0, 35.0)
    assert (x.min(), x.max()) == (5, 55)
    inside = shapely.distance(shapely.points(x, y), shapely.LineString([(10.0, 30.0), (50.0, 30.0)]))
    assert inside.max() <= 5.5


def test_a_line_beside_the_terrain_sees_nothing():
    z, near, _ = _window(grid(np.zeros((5, 5))), shapely.LineString([(500.0, 500.0), (600.0, 500.0)]))
    assert np.isnan(z).all()
    assert not near.any()


# ---------------------------------------------------------------- cases


@pytest.mark.parametrize(("height", "keepout"), [(0.0, 22.5), (11.25, 22.5), (11.26, 22.52), (22.86, 45.72)])
def test_keepout_is_two_trees_and_never_less_than_the_least(height, keepout):
    base = Settings()
    case = Case(None, replace(base, sheets=replace(base.sheets, tree_height_m=height)))
    assert case.keepout_m == pytest.approx(keepout)


@pytest.mark.parametrize(("season", "snow", "icy", "growing"), [
    ("winter", 0.0, True, False), ("spring", 0.0, True, True), ("unknown", 0.0, True, True),
    ("summer", 0.0, False, True), ("autumn", 0.0, False, True), ("summer", 0.1, True, True),
    ("winter", 0.5, True, False),
])
def test_unknown_seasons_rule_nothing_out(season, snow, icy, growing):
    base = Settings()
    case = Case(None, replace(base, sheets=replace(base.sheets, season=season, snow_m=snow)))
    assert (case.icy, case.growing) == (icy, growing)


@pytest.mark.parametrize(("work", "saw"), [("yes", True), ("unknown", True), ("no", False)])
def test_saws_are_ruled_out_only_by_a_no(work, saw):
    base = Settings()
    assert Case(None, replace(base, sheets=replace(base.sheets, saw_work=work))).saw is saw


def test_severities_of_the_templates_are_whole_steps():
    for words in (EN, FR):
        assert {n.severity for n in words.notes.values()} <= {1, 2, 3, 4, 5}
        assert {n.sign_off for n in words.notes.values()} <= {"", "CL", "CL+Q"}
    assert all(a.severity >= 1 for a, _ in pairwise(EN.notes.values()))
    assert math.isclose(len(EN.fixed), 5)
