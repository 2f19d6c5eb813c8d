"""Order of findings and words of errors: gravest first, duplicates once, every problem in one line."""

from __future__ import annotations

from itertools import permutations

import pytest
from pipeline import errors
from pipeline.errors import Problem
from pipeline.findings import Finding, in_order


def finding(severity="note", code="A", layer="trees", subject="T1", text="t"):
    return Finding(code, severity, layer, subject, None, None, "", text, "r")


ORDERED = (
    finding("violation", "Z"), finding("check", "A"), finding("check", "B", "pipes", "P2"),
    finding("check", "B", "trees", "T1"), finding("check", "B", "trees", "T2"), finding("note", "A", text="a"),
)


@pytest.mark.parametrize("turn", range(6))
def test_findings_come_gravest_first_then_by_code_layer_and_subject(turn):
    given = list(ORDERED[turn:] + ORDERED[:turn])
    assert in_order(reversed(given)) == ORDERED
    assert in_order(given) == ORDERED


def test_the_order_given_does_not_matter_and_duplicates_go():
    for some in permutations(ORDERED[:4]):
        assert in_order([*some, *some]) == ORDERED[:4]
    assert in_order([]) == ()


def test_findings_that_differ_in_words_alone_both_stay():
    a, b = finding(text="b"), finding(text="a")
    assert in_order([a, b]) == (b, a)


@pytest.mark.parametrize(
    ("file", "where", "start"),
    [("f.csv", "row 3", "f.csv, row 3: "), ("f.csv", "", "f.csv: "), ("", "row 3", "row 3: "), ("", "", ": ")],
)
def test_a_problem_in_one_line(file, where, start):
    assert Problem(file, where, "x", "y", "Do z.").as_line() == f"{start}found x; wanted y. Do z."


@pytest.mark.parametrize(
    ("kind", "code"),
    [(errors.FallgradeError, 70), (errors.BushFileError, 2), (errors.RequestError, 2), (errors.InputDataError, 3),
     (errors.NoPlanError, 4), (errors.OutputError, 5)],
)
def test_each_error_ends_with_its_code_and_tells_all_problems(kind, code):
    error = kind(Problem("f", str(i), "x", "y", "z.") for i in range(3))
    assert error.exit_code == code
    assert len(error.problems) == 3
    lines = str(error).splitlines()
    assert lines[0] == kind.headline
    assert lines[1:] == [p.as_line() for p in error.problems]
