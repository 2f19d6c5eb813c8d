"""The linear programme of heights: places, matrices, rows, relief and what is said of them; by hand and by scipy."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from pipeline.hang import problem as problem_
from pipeline.hang import relief, report, solve
from pipeline.hang.problem import CEILING, HIGHEST, INLET, JOIN, LOWEST
from pipeline.records import CollectionPoint
from pipeline.settings import MainlineSettings
from pipeline.units import Units
from scipy.optimize import linprog

import small_bush as bush

RULES = MainlineSettings()
POINT = CollectionPoint("C1", 30.0, 5.0, 100.5, 101.5, "tank")


def main(name="M1", n=5, **more):
    ys = np.linspace(5.0, 45.0, n)
    return bush.hung(name, [(30.0, y) for y in ys], [1.2] * n, **more)


def side(join=20.0, parent="M1", name="M1.1"):
    y = 5.0 + join
    return bush.hung(name, [(30.0, y), (25.0, y + 5), (20.0, y + 10)], [1.2] * 3, parent, join)


def build(*lines, ceilings=(), rules=RULES, on=None):
    return problem_.build(mainlines=lines or (main(),), ceilings=ceilings, terrain=on or bush.terrain(),
                          ground=bush.ground(), collections=(POINT,), rules=rules)


@pytest.mark.parametrize(
    ("s", "place"),
    [(0.0, (0, 0.0)), (5.0, (0, 0.5)), (10.0, (1, 0.0)), (10.0005, (1, 0.0)), (9.9995, (1, 0.0)), (12.5, (1, 0.25)),
     (30.0, (3, 0.0)), (31.0, (3, 0.0)), (29.0, (2, 0.9))],
)
def test_span_and_share_of_a_station(s, place):
    i, t = problem_._place(np.array([0.0, 10.0, 20.0, 30.0]), s)
    assert (i, pytest.approx(t)) == place


def test_unknowns_of_a_tree_of_lines():
    """Five supports and three; the foot of the branch is the parent's wire at station 20, its third support."""
    made = build(main(), side())
    assert made.matrix.shape == (8, 7)
    assert made.first.tolist() == [0, 5, 8]
    assert made.matrix[5].toarray().tolist() == made.matrix[2].toarray().tolist()
    assert made.span.tolist() == [0, 1, 2, 3, 5, 6]
    assert [made.line_of(k) for k in range(8)] == [0] * 5 + [1] * 3


@pytest.mark.parametrize(("join", "mix"), [(25.0, [0, 0, 0.5, 0.5, 0, 0, 0]), (22.5, [0, 0, 0.75, 0.25, 0, 0, 0])])
def test_a_join_within_a_span_is_a_mix_of_its_ends(join, mix):
    made = build(main(), side(join))
    assert made.matrix[5].toarray()[0].tolist() == pytest.approx(mix)


def test_pinned_lines_are_constant_and_hold_what_meets_them():
    pinned = dataclasses.replace(main(), pinned=True)
    made = build(pinned, side())
    assert made.matrix.shape == (8, 2)
    assert made.constant[:5] == pytest.approx([s.line_z_m for s in pinned.supports])
    assert made.constant[5] == pytest.approx(pinned.supports[2].line_z_m)
    assert not (made.rows.kind == JOIN).any()
    assert made.rows_of(0) == slice(0, 0)


def test_a_pinned_branch_ties_its_parent_from_both_sides():
    made = build(main(), dataclasses.replace(side(25.0), pinned=True))
    tie = made.rows.take(made.rows.kind == JOIN)
    assert sorted(tie.sense.tolist()) == [-1, 1]
    assert tie.at.tolist() == [2, 2]
    assert tie.t.tolist() == [0.5, 0.5]
    assert tie.bound_z_m == pytest.approx([side(25.0).supports[0].line_z_m] * 2)


def test_rows_of_a_line_say_the_window_at_every_support():
    """Least height 2.5 ft and 2 in of sag, most 10 ft; on a plane nothing between supports is asked."""
    made = build()
    rows = made.rows
    for k, support in enumerate(main().supports[1:], start=1):
        own = (rows.at == k) & (rows.t == 0.0)
        low = rows.bound_z_m[own & (rows.kind == LOWEST)]
        high = rows.bound_z_m[own & (rows.kind == HIGHEST)]
        assert low.max() == pytest.approx(support.ground_z_m + 0.762 + RULES.sag_allowance_m, abs=1e-4)
        assert high.min() == pytest.approx(support.ground_z_m + 3.048, abs=1e-4)
    inlet = rows.take(rows.kind == INLET)
    assert (inlet.at.tolist(), inlet.sense.tolist(), inlet.bound_z_m.tolist()) == ([0], [1], [101.5])
    assert (np.diff(rows.at) >= 0).all()
    assert not rows.clearance.any()


@pytest.mark.parametrize(("inlet", "foot"), [(101.5, 101.3128), (100.9, 100.9), (99.0, 99.0)])
def test_the_window_opens_down_to_a_low_inlet(inlet, foot):
    """At the foot 100.5 + 0.762 + 0.0508 = 101.3128 is the rule; an inlet below takes it down, one above does not."""
    made = problem_.build(mainlines=(main(),), ceilings=(), terrain=bush.terrain(), ground=bush.ground(),
                          collections=(dataclasses.replace(POINT, inlet_z_m=inlet),), rules=RULES)
    own = (made.rows.at == 0) & (made.rows.t == 0.0) & (made.rows.kind == LOWEST)
    assert made.rows.bound_z_m[own].max() == pytest.approx(foot, abs=1e-4)
    above = (made.rows.at == 1) & (made.rows.t == 0.0) & (made.rows.kind == LOWEST)
    assert made.rows.bound_z_m[above].max() == pytest.approx(102.3128, abs=1e-4)


def test_ceilings_of_known_free_lines_only():
    made = build(main(), dataclasses.replace(side(), pinned=True),
                 ceilings=(("M1", 12.5, 104.0), ("M1.1", 3.0, 104.0), ("X", 1.0, 104.0)))
    top = made.rows.take(made.rows.kind == CEILING)
    assert (top.at.tolist(), top.t.tolist(), top.sense.tolist(), top.bound_z_m.tolist()) == ([1], [0.25], [-1], [104.0])


def test_stations_of_rows():
    made = build(ceilings=(("M1", 12.5, 104.0), ("M1", 40.0, 108.0)))
    station = made.row_station_m()
    assert station[made.rows.kind == CEILING].tolist() == [12.5, 40.0]
    assert station[made.rows.kind == INLET].tolist() == [0.0]


# ---------------------------------------------------------------- matrices


def test_wire_at_rows_is_interpolated():
    made = build(ceilings=(("M1", 12.5, 104.0), ("M1", 20.0, 104.0)))
    z = np.array([1.0, 2.0, 6.0, 7.0, 9.0])
    wire = solve.place_matrix(made, made.rows) @ z
    assert wire[made.rows.kind == CEILING].tolist() == [3.0, 6.0]
    assert solve.slack_m(made, z)[made.rows.kind == CEILING].tolist() == [101.0, 98.0]


def test_rise_of_spans_skips_from_line_to_line():
    made = build(main(), side())
    rise, length = solve.span_matrix(made)
    assert (rise @ np.array([1.0, 2.0, 4.0, 7.0, 11.0, 50.0, 51.0, 53.0])).tolist() == [1, 2, 3, 4, 1, 2]
    assert length == pytest.approx([10.0] * 4 + [np.hypot(5, 5)] * 2)


@pytest.mark.parametrize("grade", [2.0, 6.0, 11.0])
def test_lowest_wire_against_a_programme_of_all_rows(grade):
    """The same heights without leaving out what follows from the rest."""
    made = build(main(), side(25.0))
    got = solve.solve(made, solve.lowest_goal(made), grade, np.zeros(len(made.rows)))
    place = solve.place_matrix(made, made.rows).toarray() @ made.matrix.toarray()
    rise, length = solve.span_matrix(made)
    a = np.vstack([-made.rows.sense[:, None] * place, -(rise @ made.matrix).toarray()])
    b = np.concatenate([-made.rows.sense * made.rows.bound_z_m, -grade / 100.0 * length])
    wanted = linprog(made.matrix.toarray().sum(axis=0), A_ub=a, b_ub=b, bounds=(None, None))
    assert got == pytest.approx(made.matrix @ wanted.x, abs=2e-4)
    assert (solve.slack_m(made, got) >= -1e-6).all()
    assert ((rise @ got) >= grade / 100.0 * length - 1e-6).all()


def test_what_is_called_redundant_never_binds():
    """Random wires that obey the supports' own bounds and the least fall obey those rows as well."""
    rng = np.random.default_rng(1)
    made = build(main(), side(25.0))
    spare = solve.redundant(made, 2.0, made.rows.bound_z_m)
    assert not spare[made.rows.t == 0.0].any()
    own = made.rows.t == 0.0
    for _ in range(200):
        z = made.ground_z_m + rng.uniform(0.8, 3.0, len(made.ground_z_m))
        rise, length = solve.span_matrix(made)
        slack = solve.slack_m(made, z)
        if (slack[own & (made.rows.kind != JOIN)] >= 0).all() and ((rise @ z) >= 0.02 * length).all():
            assert (slack[spare] >= -1e-9).all()


def test_too_much_fall_has_no_answer():
    made = build()
    assert solve.solve(made, solve.lowest_goal(made), 40.0, np.zeros(len(made.rows))) is None
    assert not relief.fits(made, 40.0)
    assert relief.fits(made, 5.0)


def test_pinned_lines_alone_need_no_solver():
    made = build(dataclasses.replace(main(), pinned=True))
    assert solve.solve(made, solve.lowest_goal(made), 99.0, np.zeros(0)) == pytest.approx(made.constant)
    assert relief.fits(made, 99.0)
    assert relief.least_relief_m(made, 99.0).tolist() == []


# ---------------------------------------------------------------- relief and report


def test_least_relief_of_a_ceiling_below_the_window():
    """A ceiling 0.5 m under the lowest legal wire at a support: one of the two gives way by that much."""
    lowest = 100.0 + 2.5 + 0.762 + RULES.sag_allowance_m
    made = build(ceilings=(("M1", 20.0, lowest - 0.5),))
    assert not relief.fits(made, 2.0)
    given = relief.relief_m(made, 2.0)
    assert given.max() == pytest.approx(0.5, abs=1e-3)
    assert solve.solve(made, solve.lowest_goal(made), 2.0, given) is not None
    assert (given[made.rows.kind == INLET] == 0.0).all()


def test_nothing_is_let_go_where_all_fits():
    made = build(main(), side())
    assert relief.relief_m(made, 2.0).max() == 0.0


def test_some_lines_alone_keep_their_rows():
    made = build(main(), side(), main("M2"))
    some = problem_.part(made, [0, 2])
    assert [m.mainline_id for m in some.mainlines] == ["M1", "M2"]
    assert some.matrix.shape == (10, 10)
    assert len(some.rows) == made.rows_of(0).stop + made.rows_of(2).stop - made.rows_of(2).start
    assert problem_.part(made, [1]).matrix.shape == (3, 3)  # its foot is free without its parent


def test_loose_joins_measure_the_miss():
    made = build(main(), side(25.0))
    loose, miss, branches = problem_.loosened(made)
    assert branches == [1]
    assert loose.matrix.shape == (8, 8)
    z = np.array([0.0, 0.0, 4.0, 8.0, 0.0, 7.0, 0.0, 0.0])
    assert (miss @ z).tolist() == [1.0]  # the foot at 7 is 1 above the middle of 4 and 8


@pytest.mark.parametrize(
    ("over", "codes"), [(0.0, []), (0.00005, []), (0.3, ["HANG_INFEASIBLE"])]
)
def test_a_breach_is_told_with_its_figures(over, codes):
    made = build(ceilings=(("M1", 20.0, 104.0),))
    z = made.ground_z_m + 1.3
    z[2] = 104.0 + over
    found = [f for f in report.breaches(made, z, Units("metric")) if "lateral" in f.text]
    assert [f.code for f in found] == codes
    for f in found:
        assert (f.measured, f.limit, f.unit, f.subject_id) == (pytest.approx(104.3), 104.0, "m", "M1")


def test_neighbouring_spans_are_one_breach_and_far_ones_two():
    made = build()
    z = made.ground_z_m + 1.3
    for low, count in (([1, 2], 1), ([1, 4], 2)):
        some = z.copy()
        some[low] -= 1.0
        assert len(report.breaches(made, some, Units("metric"))) == count


def test_what_set_each_height():
    """Foot at the inlet; then one support at the lowest, one at the aim, one above it, one at its ceiling."""
    made = build(ceilings=(("M1", 40.0, 107.0),))
    low = made.ground_z_m[1] + 0.762 + RULES.sag_allowance_m
    z = np.array([101.5, low + 0.5, made.ground_z_m[2] + RULES.aim_m, made.ground_z_m[3] + 1.6, 107.0])
    got = report.bindings(made, z, RULES)
    assert got[0] == "inlet"
    assert got[4] == "ceiling"
    assert got[2] == "aim"
    assert got[3] in ("even_grade", "ceiling")
    z[1] = low
    assert report.bindings(made, z, RULES)[1] == "lowest"
    pinned = build(dataclasses.replace(main(), pinned=True), side())
    assert report.bindings(pinned, pinned.ground_z_m + 1.3, RULES)[:6] == ["pinned"] * 5 + ["join"]


def test_worst_stations_are_inside_spans_nearest_their_middle():
    made = build(ceilings=(("M1", 12.0, 104.0), ("M1", 16.0, 104.0), ("M1", 20.0, 104.0)))
    given = np.where(made.rows.kind == CEILING, 0.5, 0.0)
    assert report.worst_stations(made, given) == [("M1", 16.0)]
    assert report.worst_stations(made, np.zeros(len(made.rows))) == []


def rows(*given):
    """Rows of (support, share, sense, bound, kind)."""
    at, t, sense, bound, kind = zip(*given, strict=True)
    return problem_.Rows(np.array(at), np.array(t, float), np.array(sense), np.array(bound, float), np.array(kind),
                         np.zeros(len(at), dtype=np.bool_))


def test_the_taper_is_nothing_at_the_first_support():
    """Foot rule 102, inlet 100: 2 m given at the foot, 1 m half way, none at the next support nor beyond."""
    made = problem_._taper(
        rows(
            (0, 0.0, 1, 102, LOWEST), (0, 0.5, 1, 102.5, LOWEST), (1, 0.0, 1, 103, LOWEST), (1, 0.5, 1, 103.5, LOWEST)
        ),
        0,
        100.0,
    )
    assert made.bound_z_m.tolist() == [100.0, 101.5, 103.0, 103.5]


@pytest.mark.parametrize(
    ("sense", "bound", "spare"), [(-1, 103.1, True), (-1, 102.9, False), (1, 100.9, True), (1, 101.3, False)]
)
def test_what_follows_from_both_ends_is_redundant(sense, bound, spare):
    """Supports 0 and 1 (10 m, no fall asked) within 100..102 and 102..104: half way the wire is within 101..103."""
    made = dataclasses.replace(build(), rows=rows(
        (0, 0.0, 1, 100, LOWEST), (0, 0.0, -1, 102, HIGHEST), (1, 0.0, 1, 102, LOWEST), (1, 0.0, -1, 104, HIGHEST),
        (0, 0.5, sense, bound, LOWEST)))
    assert solve.redundant(made, 0.0, made.rows.bound_z_m).tolist() == [False] * 4 + [spare]
