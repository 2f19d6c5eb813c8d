"""Why a thing of a plan is as it is: every kind of ID in the reader's units, and what was found about it."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from pipeline import explaining
from pipeline.errors import InputDataError, RequestError
from pipeline.explaining import LISTED, codes, explain_code, explain_id
from pipeline.findings import Finding

import repair_scene as scene

NOTHING = "  nothing was found about it by the judge or the stages"


def metric(plan):
    bush = dataclasses.replace(plan.settings.bush, units="metric")
    return dataclasses.replace(plan, settings=dataclasses.replace(plan.settings, bush=bush))


@pytest.fixture
def explain(monkeypatch):
    """Return a function that explains a name of the hillside in metric units, with changes to its plan."""
    def ask(name: str, language: str = "", **change) -> list[str]:
        plan = metric(scene.plan(**change))
        monkeypatch.setattr(explaining, "load", lambda _folder: SimpleNamespace(plan=plan))
        return explain_id(name, Path("plan"), language)

    return ask


def finding(subject: str, code: str = "LADDER_HEIGHT", severity: str = "check") -> Finding:
    return Finding(code, severity, "supports", subject, 2.5, 2.0, "m", f"{subject} is told.", "Mend it.")


def trees(**change):
    stand = scene.trees()
    columns = {}
    for name, (index, value) in change.items():
        column = getattr(stand, name)
        if isinstance(column, np.ndarray):
            column = column.copy()
            column[index] = value
        else:
            column = (*column[:index], value, *column[index + 1:])
        columns[name] = column
    return dataclasses.replace(stand, **columns)


# ---------------------------------------------------------------- things


def test_a_mainline_tells_where_it_ends_its_pipes_and_its_supports(explain):
    lines = explain("M1")
    assert lines[0] == "M1: mainline, 100 m, ends at collection point C1"
    named = [text.split(":")[0].strip() for text in lines[1:-1]]
    assert named == ["M1-P01", "M1-P02", *(f"M1-S{k:02d}" for k in range(11))]
    assert lines[-1] == NOTHING


def test_a_branch_tells_what_it_joins_and_where(explain):
    assert explain("M1.1")[0].startswith("M1.1: mainline, 31 m, joins M1 at 0+040.0")


def test_a_support_tells_what_holds_it_how_high_and_why(explain):
    assert explain("M1-S03")[0] == "M1-S03: tree T9 at 0+030.0, line 1.20 m above ground; height set by: not recorded"
    main, branch = scene.plan().mainlines
    held = dataclasses.replace(main.supports[5], binding="window")
    other = dataclasses.replace(main, supports=(*main.supports[:5], held, *main.supports[6:]))
    assert explain("M1-S05", mainlines=(other, branch))[0].startswith("M1-S05: post at 0+050.0, ")
    assert explain("M1-S05", mainlines=(other, branch))[0].endswith("height set by: window")


def test_a_support_tells_of_the_span_above_it_and_its_side_ties(explain):
    main, branch = scene.plan().mainlines
    rise_pct = 10.0 * (main.supports[4].line_z_m - main.supports[3].line_z_m)
    pipes = tuple(dataclasses.replace(p, sidetie_spacing_m=3.0) for p in scene.plan().flow.pipes)
    flow = dataclasses.replace(scene.plan().flow, pipes=pipes)
    span = explain("M1-S03", flow=flow)[1]
    assert span.startswith(f"  span to M1-S04: 10 m, falls {rise_pct:.1f} %; ")
    assert span.endswith("3 side ties between, at most 3.0 m apart")
    apart = dataclasses.replace(flow, pipes=tuple(dataclasses.replace(p, sidetie_spacing_m=12.0) for p in pipes))
    assert explain("M1-S03", flow=apart)[1].endswith("no side tie between")
    assert explain("M1-S10")[1] == NOTHING
    assert len(main.supports) == 11
    assert branch.mainline_id == "M1.1"


def test_a_pipe_tells_its_size_load_and_what_set_it(explain):
    (line, _) = explain("M1-P02")
    for part in ("M1-P02: 3/4 in (single), 0+040.0 to 0+100.0, 6 taps", "% full, vacuum 83.9 kPa",
                 "size set by: smallest"):
        assert part in line


def test_a_lateral_tells_its_entry_length_taps_trees_and_least_fall(explain):
    """Falls over plan lengths: 0.2 in 6.08 m, 0.2 in 5.39 m, 0.3 in 5.83 m; the least is 3.3 %."""
    (line, _) = explain("M1-L02")
    assert line == "M1-L02: lateral, enters M1 at 0+060.0, 17 m, 4 taps on trees T2, T3, T4; least fall 3.3 % (high)"


def test_a_section_tells_its_pieces_and_sums(explain):
    sections = tuple(dataclasses.replace(s, crew_hours=6.25, check_code="AB12") for s in scene.plan().sections)
    assert explain("S02", sections=sections)[0] == (
        "S02: section, M1 0+040.0 to 0+100.0; 6 taps, 5 trees, 6.2 crew hours, check code AB12")


@pytest.mark.parametrize(("name", "parts"), [
    ("T3", ["T3: tree, sugar maple, 35 cm, served", "  number 2 on M1-L02", NOTHING]),
    ("T2", ["T2: tree, sugar maple, 35 cm, served", "  number 1 on M1-L02", NOTHING]),
])
def test_a_served_tree_tells_its_place_on_its_lateral(explain, name, parts):
    assert explain(name) == parts


def test_a_tree_that_is_not_served_tells_what_its_reason_means(explain):
    lines = explain("T9")
    assert lines[0] == "T9: tree, sugar maple, 35 cm, set aside"
    assert [text.strip() for text in lines[1:4]] == [text.strip() for text in explain_code("NOT_WORTH_IT")]


def test_a_tree_tells_its_note_and_how_much_too_low_it_stands(explain):
    lift = np.zeros(12)
    lift[10] = 2.4
    lines = explain("T10", trees=trees(note=(10, "tag made unique")), lift_m=lift)
    assert "  tag made unique" in lines
    assert "  stands 2.40 m too low for gravity" in lines
    lift[10] = np.nan
    assert not any("too low for gravity" in text for text in explain("T10", lift_m=lift))


def test_what_is_not_known_of_a_tree_is_said_so(explain):
    first = explain("T3", trees=trees(species=(3, ""), dbh_cm=(3, np.nan)))[0]
    assert first == "T3: tree, species not known, diameter not known, served"


# ---------------------------------------------------------------- findings and codes


def test_findings_about_a_thing_follow_it_and_no_others(explain):
    lines = explain("M1-S03", findings=(finding("M1-S03"), finding("M1-S04"), finding("M1-S03", "WIRE_LOAD", "note")))
    assert lines[2:] == ["  check: M1-S03 is told. Mend it. (LADDER_HEIGHT)",
                                            "  note: M1-S03 is told. Mend it. (WIRE_LOAD)"]


def test_a_tag_that_is_also_a_code_is_the_tree(explain):
    assert explain("DEAD", trees=trees(tree_id=(3, "DEAD")))[0].startswith("DEAD: tree, sugar maple")


@pytest.mark.parametrize(("reason", "count"), [("DEAD", 1), ("NOT_WORTH_IT", 2)])
def test_a_code_names_the_trees_that_bear_it(explain, reason, count):
    lines = explain(reason)
    tags = [t for t, r in zip(scene.trees().tree_id, scene.trees().reason, strict=True) if r == reason]
    assert f"  {count} trees of this plan: {', '.join(tags)}" in lines


@pytest.mark.parametrize(("n", "tail"), [(LISTED, ""), (LISTED + 1, " and 1 more"), (LISTED + 30, " and 30 more")])
def test_long_lists_of_trees_are_cut_short(explain, n, tail):
    stand = scene.trees()
    rows = np.zeros(n, dtype=np.int64)
    many = dataclasses.replace(stand, tree_id=tuple(f"Q{k:02d}" for k in range(n)), reason=("DEAD",) * n,
                               **{c: getattr(stand, c)[rows] for c in ("x_m", "y_m", "ground_z_m", "dbh_cm", "taps")},
                               species=("",) * n, status=("not_tapped",) * n, note=("",) * n)
    (line,) = [text for text in explain("dead", trees=many) if "trees of this plan" in text]
    assert line == f"  {n} trees of this plan: {', '.join(f'Q{k:02d}' for k in range(LISTED))}{tail}"


def test_a_pocket_s_code_finds_its_pockets(explain):
    lines = explain("BELOW_OUTLET", findings=(finding("T9", "POCKET_BELOW_OUTLET", "note"),))
    assert lines[-1] == "  note: T9 is told. Mend it. (POCKET_BELOW_OUTLET)"


def test_a_code_is_told_in_the_language_that_was_asked_for(explain):
    assert explain("DEAD", "fr")[:3] == explain_code("DEAD", "fr")
    assert explain("DEAD")[:3] == explain_code("DEAD", "en")
    assert explain("T11", "fr")[1].strip() == "DEAD"
    assert codes("fr")["DEAD"]["means"] in explain("T11", "fr")[2]


# ---------------------------------------------------------------- what is not there


@pytest.mark.parametrize(("name", "near"), [("M1-S3", "M1-S03"), ("M1-L2", "M1-L02"), ("S2", "S02"), ("m1", "M1")])
def test_a_name_that_is_nearly_right_is_put_right(explain, name, near):
    with pytest.raises(InputDataError) as caught:
        explain(name)
    (problem,) = caught.value.problems
    assert problem.found == f"no ID {name!r}"
    assert near in problem.remedy


def test_a_name_like_no_other_points_to_the_layers(explain):
    with pytest.raises(InputDataError) as caught:
        explain("?????")
    assert caught.value.problems[0].remedy == "See the layers of plan.gpkg."


@pytest.mark.parametrize(("code", "remedy"), [
    ("NOT_WORTH", "NOT_WORTH_IT"), ("below outlet", "BELOW_OUTLET"), ("???", "An ID of a plan needs --plan FOLDER."),
    ("", "An ID of a plan needs --plan FOLDER."),
])
def test_an_unknown_code_is_told_with_the_nearest(code, remedy):
    with pytest.raises(RequestError) as caught:
        explain_code(code)
    assert remedy in caught.value.problems[0].remedy


@pytest.mark.parametrize("code", ["  dead ", "DEAD", "Dead"])
def test_case_and_blanks_do_not_matter(code):
    assert explain_code(code) == explain_code("DEAD")
