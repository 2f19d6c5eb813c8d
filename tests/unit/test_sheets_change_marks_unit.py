"""Symbols and words of the change sheets, and what of a mainline must be looked at, worked by hand."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
import shapely
from pipeline.records import ChangeStep, Mainline, StormItem, Support
from pipeline.sheets import change_marks
from pipeline.sheets.change_words import amount_text, item_text, step_text
from pipeline.sheets.context import make_context
from pipeline.sheets.look_hard import look_height, look_rows, look_table
from pipeline.sheets.marks import BLACK, WHITE, Box, Circle, Line, Polygon, Polyline, Rect, bounds, texts
from pipeline.sheets.section_view import Piece, SectionView

from sample_plan import sample_plan

PLAN, TERRAIN, GROUND = sample_plan()


def context(**bush):
    settings = dataclasses.replace(PLAN.settings, bush=dataclasses.replace(PLAN.settings.bush, **bush))
    return make_context(plan=dataclasses.replace(PLAN, settings=settings), terrain=TERRAIN, ground=GROUND)


US, METRIC, FRENCH = context(), context(units="metric"), context(language="fr")
PATH = np.array([(0.0, 0.0), (60.0, 0.0), (60.0, 40.0)])

# ---------------------------------------------------------------- lines


def test_crosses_stand_at_even_distances_on_what_goes():
    """100 points at one in 20: five, at 10, 30, 50, 70, 90; two bars of 7.2 points each."""
    dashed, *bars = change_marks.remove_line(PATH, 1.5)
    assert isinstance(dashed, Polyline)
    assert dashed.dash
    middles = [((m.x0 + m.x1) / 2.0, (m.y0 + m.y1) / 2.0) for m in bars]
    wanted = [(10.0, 0.0), (30.0, 0.0), (50.0, 0.0), (60.0, 10.0), (60.0, 30.0)]
    assert np.array(middles) == pytest.approx(np.repeat(wanted, 2, axis=0))
    for a, b in zip(bars[::2], bars[1::2], strict=True):
        assert math.hypot(a.x1 - a.x0, a.y1 - a.y0) == pytest.approx(7.2)
        assert (a.x1 - a.x0) * (b.x1 - b.x0) + (a.y1 - a.y0) * (b.y1 - b.y0) == pytest.approx(0.0, abs=1e-9)


def test_ticks_stand_square_to_what_is_new():
    white, line, *ticks = change_marks.new_line(PATH, 2.0)
    assert (white.color, white.width, line.width) == (WHITE, 4.0, 2.0)
    assert len(ticks) == 12  # 100 points at one in 8
    for tick in ticks:
        upright = tick.x0 == pytest.approx(tick.x1)
        assert upright is ((tick.y0 + tick.y1) / 2.0 == pytest.approx(0.0))
        assert math.hypot(tick.x1 - tick.x0, tick.y1 - tick.y0) == pytest.approx(7.6)


@pytest.mark.parametrize("made", [change_marks.remove_line, change_marks.new_line])
def test_a_short_line_has_one_sign_in_its_middle_and_a_point_none(made):
    marks = made(np.array([(0.0, 0.0), (4.0, 0.0)]), 1.0)
    signs = [m for m in marks if isinstance(m, Line)]
    assert {((m.x0 + m.x1) / 2.0, (m.y0 + m.y1) / 2.0) for m in signs} == {(2.0, 0.0)}
    still = made(np.array([(3.0, 3.0), (3.0, 3.0)]), 1.0)
    assert not [m for m in still if isinstance(m, Line)]


def test_what_is_hung_again_is_grey_between_black_edges_and_what_stays_is_thin():
    marks = change_marks.mend_line(PATH, 2.0)
    assert [(m.color, m.width) for m in marks] == [(BLACK, 5.6), (WHITE, 3.6), (change_marks.KEEP, 2.0)]
    (stays,) = change_marks.keep_lines([PATH, PATH + 5.0], 0.8)
    assert len(stays.parts) == 2
    assert change_marks.keep_lines([], 0.8) == []


# ---------------------------------------------------------------- things


@pytest.mark.parametrize("kind", ["hung", "top_broken", "root_plate", "tree_down", "stem", "retire", "access_blocked",
                                  "line_broken"])
def test_each_logged_thing_has_a_sign_at_its_foot(kind):
    item = StormItem(1, kind, shapely.Point(0, 0), "trees", "T9", "", "")
    marks = change_marks.logged(item, (50.0, 60.0), (80.0, 60.0))
    total = bounds(marks[-2])
    assert total.union(bounds(marks[0])).holds(Rect(50.0, 60.0, 50.0, 60.0), 1.0)
    shapes = [type(m) for m in marks]
    if kind in change_marks.HAZARDS:
        assert shapes[0] is Polygon
    elif kind in ("tree_down", "stem", "retire"):
        assert shapes == [Line, Circle, Line, Line]
        assert (marks[0].x1, marks[0].y1) == (80.0, 60.0)
    elif kind == "access_blocked":
        assert shapes == [Circle, Line]
        assert marks[1].y0 == marks[1].y1
    else:
        assert shapes == [Circle, Polyline]


def test_a_fallen_tree_without_a_known_tip_is_a_crossed_circle():
    circle, *bars = change_marks.tree_down(10.0, 20.0, None)
    assert isinstance(circle, Circle)
    for bar in bars:
        assert math.hypot(bar.x0 - 10.0, bar.y0 - 20.0) == pytest.approx(circle.radius * 0.7 * math.sqrt(2.0))


@pytest.mark.parametrize(("mark", "shape", "fill", "letters"), [
    ("R1", Box, WHITE, BLACK), ("N12", Circle, BLACK, WHITE), ("K3", Circle, WHITE, BLACK),
])
def test_signs_of_changes_differ_by_shape(mark, shape, fill, letters):
    sign, text = change_marks.mark_sign(mark, 30.0, 40.0)
    assert type(sign) is shape
    assert sign.fill == fill
    assert (text.text, text.color, text.tag) == (mark, letters, "change_mark")
    assert bounds(text).width <= bounds(sign).width


@pytest.mark.parametrize(("mark", "half"), [("R1", 8.2), ("R12", 10.8), ("R123", 13.8)])
def test_signs_grow_with_their_numbers(mark, half):
    assert change_marks.sign_half(mark) == pytest.approx(half)


@pytest.mark.parametrize(("rings", "lines", "kinds"), [
    ((), (), []), ((), (((0.0, 0.0), (1.0, 1.0)),), [Polyline]),
    ((((0.0, 0.0), (9.0, 0.0), (0.0, 9.0)),), (), [Polygon]),
    ((((0.0, 0.0), (9.0, 0.0), (0.0, 9.0)),), (((0.0, 0.0), (1.0, 1.0)),), [Polyline, Polygon]),
])
def test_blown_ground_has_its_hatch_and_edge(rings, lines, kinds):
    assert [type(m) for m in change_marks.blown_area(rings, lines)] == kinds


# ---------------------------------------------------------------- words


def step(text: str, values=(), *, action: str = "safe", taps: int = 0, hours: float = 0.0) -> ChangeStep:
    return ChangeStep(1, "S01", action, (), text, tuple(values), hours, taps)


@pytest.mark.parametrize(("values", "taps", "hours", "us", "metric"), [
    ((), 0, 0.0, "", ""), ((("length_m", "30.48"),), 0, 0.0, "100 ft", "30 m"),
    ((("length_m", "0.04"),), 1, 0.0, "1 tap", "1 tap"),
    ((("length_m", "304.8"),), 5, 1.25, "1,000 ft, 5 taps, 1.2 crew-h", "305 m, 5 taps, 1.2 crew-h"),
])
def test_amounts_of_a_step(values, taps, hours, us, metric):
    made = step("safe", values, taps=taps, hours=hours)
    assert amount_text(US, made) == us
    assert amount_text(METRIC, made) == metric


@pytest.mark.parametrize("ctx", [US, FRENCH], ids=["en", "fr"])
def test_steps_name_their_subject_place_and_trees(ctx):
    values = (("subject", "M1-L04"), ("at_m", "38.1"), ("trees", "T1, T2"), ("after", "3"))
    found = step_text(ctx, None, step("mend", values, action="new"))
    at = "1+25.0" if ctx is US else "1+25,0"
    assert found == " ".join((ctx.w("change.step_mend", subject="M1-L04", at=at, trees="T1, T2"),
                              ctx.w("change.after_job", job="3")))
    assert step_text(ctx, None, step("check")) == ctx.w("change.step_check")
    assert item_text(ctx, StormItem(4, "tree_down", shapely.Point(0, 0), "", "", "", "")) == (
        f"[4] {ctx.w('change.kind_tree_down')}")  # a bare 4 would read as four trees


@pytest.mark.parametrize(("count", "cut"), [(0, False), (14, False), (15, True)])
def test_many_trees_are_cut_with_a_sign(count, cut):
    names = [f"T{i}" for i in range(count)]
    found = step_text(US, None, step("remove_laterals_whole", (("subject", "L"), ("trees", ", ".join(names)))))
    assert (" …" in found) is cut
    assert all(name in found for name in names[:14])
    assert ("—" in found) is (count == 0)


# ---------------------------------------------------------------- look hard


def view_of(*heights_and_rise: tuple[float, float]) -> SectionView:
    """Return a line of supports every 10 m with (height above ground, rise of the line to here)."""
    z, supports = 100.0, []
    for i, (height, rise) in enumerate(heights_and_rise):
        z += rise
        supports.append(Support(f"M1-S{i:02d}", "M1", 10.0 * i, 10.0 * i, 0.0, "tree", "", 0.0, z - height, z))
    line = Mainline("M1", "", "C1", 0.0, tuple(supports))
    return SectionView(PLAN.sections[0], (Piece(line, 0.0, 10.0 * (len(supports) - 1), "", ""),), (), (), ())


def sure(ctx):
    """Return a context whose terrain and survey are almost without error."""
    trees = dataclasses.replace(ctx.plan.settings.trees, gps_error_m=0.0)
    plan = dataclasses.replace(ctx.plan, settings=dataclasses.replace(ctx.plan.settings, trees=trees))
    return dataclasses.replace(ctx, plan=plan, terrain=dataclasses.replace(TERRAIN, vertical_error_m=1e-6))


def said(ctx, view) -> list[tuple[str, ...]]:
    return [tuple(cell.text for cell in row) for row in look_rows(ctx, view)]


@pytest.mark.parametrize("ctx", [US, METRIC], ids=["us", "metric"])
def test_only_heights_out_of_the_plain_range_are_listed(ctx):
    """Limits 2.5 ft (0.762 m) and 6.5 ft (1.981 m)."""
    rows = said(sure(ctx), view_of((1.2, 0.0), (0.75, 0.5), (2.1, 0.5), (1.9, 0.5)))
    rules, units = ctx.plan.settings.mainlines, ctx.units
    low = ctx.w("profile.low", limit=units.height(rules.lowest_m))
    high = ctx.w("profile.high", limit=units.height(rules.ladder_m))
    assert rows == [
        ("M1-S01", units.station(10.0), units.height(0.75), low, ""),
        ("M1-S02", units.station(20.0), units.height(2.1), high, ""),
    ]


@pytest.mark.parametrize(("rise", "told"), [(0.30, False), (0.23, False), (0.22, True), (0.201, True)])
def test_spans_just_above_the_least_grade_are_levelled(rise, told):
    """2 % and a quarter: 2.25 % of 10 m are 0.225 m."""
    rows = said(sure(US), view_of((1.2, 0.0), (1.2, rise)))
    assert [row[3] for row in rows] == ([US.w("profile.flat", grade=f"{rise * 10.0:.1f}")] if told else [])


def test_neighbouring_spans_that_nothing_proves_are_one_row():
    ctx = dataclasses.replace(US, terrain=dataclasses.replace(TERRAIN, vertical_error_m=math.nan))
    (row,) = said(ctx, view_of((1.2, 0.0), (1.2, 0.5), (1.2, 0.4), (1.2, 0.6)))
    assert row[0] == "M1-S00–S03"
    assert row[3] == US.w("profile.level", word=US.w("laterals.grade_unknown"), n=3, grade="4.0")


@pytest.mark.parametrize("count", [0, 1, 6])
def test_the_block_is_as_high_as_it_says(count):
    rows = look_rows(sure(US), view_of((1.2, 0.0), *[(2.5, 0.5)] * count))
    assert len(rows) == count
    high = look_height(US, rows, 500.0)
    found = look_table(US, rows, Rect(36.0, 300.0 - high, 536.0, 300.0))
    assert found.told
    assert found.rows_left == []
    low = min(bounds(m).y0 for m in texts(found.marks))
    assert 300.0 - high - 1.0 <= low <= 300.0 - high + 12.0
    none = look_table(US, rows, Rect(36.0, 290.0, 536.0, 300.0))
    assert (none.marks, none.rows_left, none.told) == ([], rows, False)
