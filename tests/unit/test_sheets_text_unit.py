"""Text widths, wrapping and fitting, against the metrics table read here a second time."""

from __future__ import annotations

import pytest
from pipeline.resources import template_rows
from pipeline.sheets.text import EM_UNITS, SMALLEST_PT, clean, fit, missing, width_pt, wrap

ROWS = template_rows("fonts/metrics.csv")
REGULAR = {chr(int(r["codepoint"])): int(r["regular"]) for r in ROWS}
BOLD = {chr(int(r["codepoint"])): int(r["bold"]) for r in ROWS}


def own_width(text: str, size: float, table: dict[str, int]) -> float:
    return sum(table[c] for c in text) * size / EM_UNITS


# ---------------------------------------------------------------- widths


@pytest.mark.parametrize("text", ["", "M", "M1.2-S04", "élévation ≥ 375,5 m", "iiiiWWWW"])
@pytest.mark.parametrize("size", [6.6, 8.5, 25.0])
def test_width_is_the_sum_of_the_advances_times_the_size(text, size):
    assert width_pt(text, size) == pytest.approx(own_width(text, size, REGULAR))
    assert width_pt(text, size, bold=True) == pytest.approx(own_width(text, size, BOLD))


def test_bold_is_wider_and_figures_are_all_of_one_width():
    """Columns of numbers align only when all ten figures have one advance."""
    assert width_pt("M1-S04", 10.0, bold=True) > width_pt("M1-S04", 10.0)
    for bold in (False, True):
        assert len({width_pt(figure, 100.0, bold=bold) for figure in "0123456789"}) == 1


def test_width_of_letters_that_the_faces_lack_is_that_of_what_is_printed():
    assert width_pt("ᐊ", 10.0) == pytest.approx(own_width("□", 10.0, REGULAR))
    assert width_pt("ệ", 10.0) == pytest.approx(own_width("e", 10.0, REGULAR))


# ---------------------------------------------------------------- cleaning


@pytest.mark.parametrize(("text", "wanted"), [
    ("plain", "plain"),
    ("érable à sucre", "érable à sucre"),     # in the faces: kept as it is
    ("ệ", "e"),                                # not there: its plain letter
    ("ﬁ", "f"),                                # a ligature: its first letter
    ("①", "1"),
    ("a\tb", "a b"),                           # any white space is a space
    ("a\u2003b", "a b"),
    ("ᐊ", "□"),
    ("雪x", "□x"),
    ("", ""),
])
def test_clean_keeps_what_can_be_set(text, wanted):
    assert clean(text) == wanted
    assert missing(clean(text)) == ""


def test_clean_keeps_the_count_of_characters():
    text = "雪ᐊệ\tM1 ☃"
    assert len(clean(text)) == len(text)


def test_missing_names_each_character_once_in_order():
    assert missing("雪aᐊ雪bᐊ") == "雪ᐊ"
    assert missing("abc") == ""


# ---------------------------------------------------------------- wrapping


def greedy(text: str, size: float, width: float, table: dict[str, int]) -> list[str]:
    """Break at spaces, as many words as fit; words here are all shorter than a line."""
    lines, line = [], []
    for word in text.split(" "):
        if line and own_width(" ".join([*line, word]), size, table) > width:
            lines.append(" ".join(line))
            line = []
        line.append(word)
    return [*lines, " ".join(line)]


SENTENCE = "Check the fall of this span with a level before the wire is tightened and the pipe is tied to it"


@pytest.mark.parametrize("width", [70.0, 90.0, 133.0, 200.0, 1000.0])
@pytest.mark.parametrize("bold", [False, True])
def test_lines_take_as_many_words_as_fit(width, bold):
    assert wrap(SENTENCE, 8.5, width, bold=bold) == greedy(SENTENCE, 8.5, width, BOLD if bold else REGULAR)


def test_a_line_that_fits_exactly_is_not_broken():
    """The limit itself fits; a hundredth of a point less does not."""
    wide = width_pt("two words", 8.5)
    assert wrap("two words", 8.5, wide) == ["two words"]
    assert wrap("two words", 8.5, wide - 0.01) == ["two", "words"]


def test_a_word_wider_than_the_line_is_broken_inside_and_goes_on():
    """Three W fit on a line; the word of seven leaves one, and the next word joins it when there is room."""
    three = width_pt("WWW", 10.0)
    assert wrap("WWWWWWW i", 10.0, three) == ["WWW", "WWW", "W i"]
    assert wrap("i WWWWWWW", 10.0, three) == ["i", "WWW", "WWW", "W"]


def test_a_single_letter_wider_than_the_line_still_stands():
    assert wrap("WM", 10.0, 1.0) == ["W", "M"]


@pytest.mark.parametrize(("text", "wanted"), [
    ("", [""]),
    ("a\nb", ["a", "b"]),
    ("a\n\nb", ["a", "", "b"]),
    ("\n", ["", ""]),
    ("a b\nc", ["a b", "c"]),
])
def test_line_breaks_of_the_text_are_kept(text, wanted):
    assert wrap(text, 8.5, 500.0) == wanted


def test_a_fixed_space_does_not_break():
    wide = width_pt("span of", 8.5)
    assert wrap("span of 12\u00a0m", 8.5, wide) == ["span of", "12\u00a0m"]


# ---------------------------------------------------------------- fitting


def test_what_fits_keeps_its_size():
    wide = width_pt("Section S01", 11.0, bold=True)
    assert fit("Section S01", 11.0, wide, bold=True) == ("Section S01", 11.0)


@pytest.mark.parametrize("share", [0.99, 0.9, 0.8, 0.7])
def test_a_smaller_size_fits_and_a_tenth_more_would_not(share):
    """Sizes are cut to tenths of a point: the one returned fits, the next tenth does not."""
    room = width_pt("Crossing of the ski trail", 10.0) * share
    text, size = fit("Crossing of the ski trail", 10.0, room)
    assert text == "Crossing of the ski trail"
    assert size < 10.0
    assert round(size * 10.0) == pytest.approx(size * 10.0)
    assert width_pt(text, size) <= room + 1e-9
    assert width_pt(text, size + 0.1) > room


def test_the_least_size_itself_is_still_used():
    room = width_pt("M1.2-S04", SMALLEST_PT) + 1e-6
    assert fit("M1.2-S04", 10.0, room) == ("M1.2-S04", SMALLEST_PT)


@pytest.mark.parametrize("least", [6.6, 9.0])
def test_only_then_it_is_cut_and_one_letter_more_would_not_fit(least):
    text = "a very long name of a woodlot on a hill"
    room = 60.0
    shown, size = fit(text, 12.0, room, least=least)
    kept = shown[:-1]
    assert size == least
    assert shown.endswith("…")
    assert text.startswith(kept)
    assert width_pt(shown, least) <= room
    assert width_pt(text[: len(kept) + 1] + "…", least) > room


def test_no_room_at_all_leaves_the_sign_of_a_cut():
    assert fit("anything", 10.0, 0.5) == ("…", SMALLEST_PT)


def test_bold_needs_more_room_than_regular():
    room = width_pt("Pump and tank", 10.0)
    assert fit("Pump and tank", 10.0, room)[1] == 10.0
    assert fit("Pump and tank", 10.0, room, bold=True)[1] < 10.0
