"""Words of the survey: numbers, diameters, degrees, column heads."""

import math

import pytest
from pipeline.store import words


@pytest.mark.parametrize(
    ("text", "unit", "species", "dbh_cm", "state"),
    [
        ("sugar maple 14.5 in", "in", "sugar maple", 36.83, ""),
        ("érable à sucre 36 cm mort", "in", "érable à sucre", 36.0, "dead"),
        ("érable à sucre 36,5 cm", "in", "érable à sucre", 36.5, ""),
        ('red maple, 14"', "cm", "red maple", 35.56, ""),
        ("red maple 14''", "cm", "red maple", 35.56, ""),
        ("Sugar Maple; DBH: 14; dead", "in", "Sugar Maple", 35.56, "dead"),
        ("species=sugar maple; dbh=14.5 in; status=alive", "cm", "sugar maple", 36.83, "alive"),
        ("érable rouge 14 po chicot", "cm", "érable rouge", 35.56, "snag"),
        ("sugar maple 368 mm", "in", "sugar maple", 36.8, ""),
        ("sugar maple 0.36 m", "in", "sugar maple", 36.0, ""),
        ("sugar maple circ 113.1 cm", "in", "sugar maple", 113.1 / math.pi, ""),
        ("sugar maple 14", "in", "sugar maple", 35.56, ""),
        ("14 sugar maple", "in", "sugar maple", 35.56, ""),
        ("hêtre", "in", "hêtre", math.nan, ""),
        ("", "in", "", math.nan, ""),
    ],
)
def test_a_waypoints_words_are_read(text: str, unit: str, species: str, dbh_cm: float, state: str) -> None:
    found = words.tree_text(text, unit)
    assert (found.species, found.state) == (species, state)
    assert found.dbh_cm == pytest.approx(dbh_cm, nan_ok=True, rel=1e-9)


@pytest.mark.parametrize(
    "text",
    [
        "05-AUG-10 16:58:37",
        "2025-10-18T12:40:40Z",
        "BACK TO THE ROOTS",
        "plot 7 row 12",
        "12:30",
        "4",
        "no 0",
        "tree 17",
        "arbre 12",
        "2 stems",
        "sugar maple, 2 taps",
        "10 ft from the wall",
        "T 4",
    ],
)
def test_dates_times_and_numbers_without_words_are_no_diameters(text: str) -> None:
    assert math.isnan(words.tree_text(text, "in").dbh_cm)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("14.5", 14.5),
        ("14,5", 14.5),
        ("1 234,5", 1234.5),
        ("-3", -3.0),
        ("+3.", 3.0),
        (" 7 ", 7.0),
        ("1e3", 1000.0),
        ("1\u00a0234", 1234.0),
        ("", math.nan),
        ("abc", math.nan),
        ("1,2,3", math.nan),
        ("nan", math.nan),
        ("inf", math.nan),
        ("1e999", math.nan),
        ("0x10", math.nan),
        ("--3", math.nan),
        ("=1+1", math.nan),
    ],
)
def test_numbers(text: str, value: float) -> None:
    assert words.number(text) == pytest.approx(value, nan_ok=True)


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("-72.5", -72.5),
        ("72.5 W", -72.5),
        ("72,5 O", -72.5),
        ("N 44.5", 44.5),
        ("44° 30' 36\" N", 44.51),
        ("44°30.6'", 44.51),
        ("72° 54' 30\" W", -72.908333333),
        ("S 12 30", -12.5),
        ("x", math.nan),
        ("", math.nan),
    ],
)
def test_degrees(text: str, value: float) -> None:
    assert words.degrees(text) == pytest.approx(value, nan_ok=True)


@pytest.mark.parametrize(
    ("heads", "what", "found"),
    [
        (["Tag", "Lon", "Lat"], "id", "Tag"),
        (["Étiquette", "x"], "id", "Étiquette"),
        (["No.", "x"], "id", "No."),
        (["Essence"], "species", "Essence"),
        (["Espèce "], "species", "Espèce "),
        (["DBH (in)"], "dbh", "DBH (in)"),
        (["dhp_cm"], "dbh", "dhp_cm"),
        (["Diamètre"], "dbh", "Diamètre"),
        (["Circonférence (cm)"], "girth", "Circonférence (cm)"),
        (["État"], "status", "État"),
        (["LONGITUDE"], "lon", "LONGITUDE"),
        (["Easting_m"], "x", "Easting_m"),
        (["x_m"], "x", "x_m"),
        (["foo"], "dbh", ""),
        ([], "id", ""),
    ],
)
def test_columns_are_found_in_english_and_french(heads: list[str], what: str, found: str) -> None:
    assert words.find_column(heads, what) == found


@pytest.mark.parametrize(
    ("head", "unit"),
    [("dbh_cm", "cm"), ("DBH (in)", "in"), ("dhp_po", "po"), ("dbh", ""), ("m", ""), ("diameter mm", "mm")],
)
def test_a_column_head_can_carry_the_unit(head: str, unit: str) -> None:
    assert words.unit_of_head(head) == unit


@pytest.mark.parametrize(
    ("text", "unit", "dbh_cm"),
    [
        ("14.5", "in", 36.83),
        ("36", "cm", 36.0),
        ("36 cm", "in", 36.0),
        ("14,5 po", "cm", 36.83),
        ("360", "mm", 36.0),
        ("0.36", "m", 36.0),
        ("", "in", math.nan),
        ("big", "in", math.nan),
        ("12-14", "in", math.nan),
    ],
)
def test_a_cells_own_unit_wins(text: str, unit: str, dbh_cm: float) -> None:
    assert words.diameter_cm(text, unit) == pytest.approx(dbh_cm, nan_ok=True)


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("A\u202e17", "A17"),
        ("A\x0017", "A17"),
        ("a\tb\n c", "a b c"),
        ("  x ", "x"),
        ("\ufeffx", "x"),
        ("x" * 10_000, "x" * 119 + "…"),
        ("e\u0301", "é"),
        ("../../etc/passwd", "../../etc/passwd"),
    ],
)
def test_hostile_texts_are_made_fit_to_print(text: str, shown: str) -> None:
    assert words.clean(text) == shown
