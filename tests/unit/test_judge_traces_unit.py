"""How the judge samples lines, and what it makes of sag, height and grade; figures by hand."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest
from pipeline.judge import bores, case, doubts, wires
from pipeline.judge.case import breach
from pipeline.settings import Settings

import small_bush as bush


def trace(loads=(), line=None, tension=1000.0):
    line = line or bush.plan().mainlines[0]
    return case._trace(line, list(loads), bush.terrain(), tension)


def test_samples_every_quarter_metre_with_every_support_once():
    got = trace()
    assert got.station_m.tolist() == np.arange(0.0, 40.01, 0.25).tolist()
    assert got.span.tolist() == [min(int(s // 10), 3) for s in got.station_m]


def test_a_short_odd_span_has_both_its_ends():
    got = trace(line=bush.hung("M", [(30, 5), (30, 5.6), (30, 15)], [1, 1, 1]))
    assert got.station_m[:4] == pytest.approx([0.0, 0.2, 0.4, 0.6])
    assert (np.diff(got.station_m) <= 0.25 + 1e-9).all()
    assert got.station_m[-1] == pytest.approx(10.0)


def test_ground_and_straight_wire_by_hand():
    """At station 5: y = 10, ground 101; wire half way between 101.5 and 102.7."""
    got = trace()
    k = int(np.flatnonzero(got.station_m == 5.0)[0])
    assert got.ground_z_m[k] == pytest.approx(101.0, abs=1e-5)
    assert got.chord_z_m[k] == pytest.approx(102.1)
    assert got.wire_z_m[k] == got.chord_z_m[k]  # no load known: no sag
    assert np.isnan(got.sag_m).all()
    assert np.isnan(got.sag_slope_pct).all()


@pytest.mark.parametrize(
    ("spacing", "tie"),
    [(0.0, 10.0), (math.nan, 10.0), (12.0, 10.0), (10.0, 10.0), (9.0, 5.0), (5.0, 5.0), (4.9, 10 / 3)],
)
def test_side_ties_part_a_span_evenly(spacing, tie):
    assert case._tie_m(10.0, spacing) == pytest.approx(tie)


def test_sag_by_hand():
    """4 N/m at 1000 N, ties 5 m apart: sag 4 * 25 / 8000 = 12.5 mm, end slope 100 * 4 * 5 / 2000 = 1 %."""
    got = trace([(0.0, 40.0, 4.0, 9.0)])
    assert got.sag_m == pytest.approx(np.full(4, 0.0125))
    assert got.sag_slope_pct == pytest.approx(np.full(4, 1.0))
    drop = got.chord_z_m - got.wire_z_m
    at = {float(s): float(d) for s, d in zip(got.station_m, drop, strict=True)}
    assert at[2.5] == pytest.approx(0.0125)
    assert at[5.0] == pytest.approx(0.0, abs=1e-12)
    assert at[10.0] == pytest.approx(0.0, abs=1e-12)
    assert at[1.0] == pytest.approx(4.0 * 1.0 * 4.0 / 2000.0)


@pytest.mark.parametrize(("high", "spacing"), [(40.0, 9.0), (40.0, 3.3), (12.0, 4.9), (40.0, 0.0)])
def test_fall_of_the_sagging_wire_is_the_slope_of_its_height(high, spacing):
    """Between two samples a parabola falls by the mean of its slopes at both; each tie is a sample."""
    got = trace([(0.0, high, 4.0, spacing)])
    run, rise = np.diff(got.station_m), np.diff(got.wire_z_m)
    above = 2.0 * 100.0 * rise / run - got.fall_pct[:-1]  # slope at the upper sample, from below it
    smooth = np.abs(above[:-1] - got.fall_pct[1:-1]) < 1e-6
    # it breaks only where a tie or a support holds the wire
    tie = case._tie_m(10.0, spacing)
    breaks = got.station_m[1:-1][~smooth]
    assert len(breaks) >= 3
    assert np.abs(breaks - tie * np.rint(breaks / tie)).max() < 1e-6
    loaded = got.station_m < (20.0 if high < 40.0 else 40.0)
    lost = np.where(got.span == 0, 12.0, 10.0) - got.fall_pct
    assert lost[loaded].max() == pytest.approx(100.0 * 4.0 * tie / 2000.0)
    assert lost[~loaded][:-1] == pytest.approx(0.0, abs=1e-9)


def test_of_two_pipes_side_by_side_the_flatter_counts():
    one, other = (0.0, 40.0, 3.0, 3.3), (0.0, 40.0, 5.0, 2.1)
    both, apart = trace([one, other]), [trace([one]), trace([other])]
    for alone in apart:
        at = np.searchsorted(both.station_m, alone.station_m - 1e-9)
        assert (both.fall_pct[at] <= alone.fall_pct + 1e-9).all()
        assert (both.wire_z_m[at] <= alone.wire_z_m + 1e-12).all()
    assert both.fall_pct.min() == pytest.approx(min(t.fall_pct.min() for t in apart))


def test_of_two_pipes_on_a_span_the_one_that_sags_more_counts():
    got = trace([(0.0, 40.0, 4.0, 5.0), (0.0, 20.0, 2.0, 10.0)])
    # the light one on 10 m: 2 * 100 / 8000 = 25 mm and 1 %; the heavy one on 5 m: 12.5 mm and 1 %
    assert got.sag_m == pytest.approx([0.025, 0.025, 0.0125, 0.0125])
    assert got.sag_slope_pct == pytest.approx([1.0, 1.0, 1.0, 1.0])


@pytest.mark.parametrize(("low", "high", "spans"), [(0.0, 10.0, [1, 0, 0, 0]), (9.98, 10.02, [1, 1, 0, 0]),
                                                    (10.0, 30.0, [0, 1, 1, 0]), (39.0, 40.0, [0, 0, 0, 1])])
def test_a_pipe_loads_the_spans_it_lies_on(low, high, spans):
    got = trace([(low, high, 4.0, 9.0)])
    assert np.isfinite(got.sag_m).astype(int).tolist() == spans


@pytest.mark.parametrize(("role", "share", "wanted"), [("single", 0.5, 1.0), ("wet", 0.25, 0.5), ("dry", 0.5, 0.0)])
def test_sap_in_a_pipe(role, share, wanted):
    """A bore of 2.0233 cm^2 holds 2 N of sap a metre when full: 1008 * 9.80665 * A = 2."""
    bore = 2000.0 * math.sqrt(2.0 / (1008.0 * 9.80665) / math.pi)
    made = bush.pipe("P", "M1", 0.0, 40.0, 1, bore=bore, role=role)
    assert case.sap_n_per_m(made, share) == pytest.approx(wanted)


def test_pipes_of_unknown_weight_are_left_out():
    made = bush.with_flow(bush.plan(), bush.pipe("P", "M1", 0.0, 40.0, 4, nominal="no such size"))
    assert case._loads(made) == {}
    assert list(case._loads(bush.plan())) == ["M1"]
    assert case._loads(bush.with_rules(bush.plan(), "flow", wire="none")) == {}


# ---------------------------------------------------------------- laterals


def test_pieces_of_laterals_by_hand():
    """M1-L01: entry (30, 20), trees (36, 23), (39, 27): 6.708 and 5 m; M1-L02: entry (30, 29), tree (24, 33)."""
    got = bush.case().pieces
    assert got.lateral.tolist() == [0, 0, 1]
    assert got.number.tolist() == [0, 1, 0]
    assert got.run_m == pytest.approx([math.hypot(6, 3), 5.0, math.hypot(6, 4)])
    assert got.rise_m == pytest.approx([103.6 - 103.2, 0.4, 104.6 - 104.1])
    counts = [math.ceil(r / 0.25) - 1 for r in got.run_m]
    assert np.bincount(got.piece).tolist() == counts
    first = np.flatnonzero(got.piece == 1)
    assert got.x_m[first][0] == pytest.approx(36.0 + 3.0 / 20)
    assert got.x_m[first][-1] == pytest.approx(39.0 - 3.0 / 20)


def test_samples_are_strictly_inside_their_piece():
    got = bush.case().pieces
    for k, ends in enumerate([((30, 20), (36, 23)), ((36, 23), (39, 27)), ((30, 29), (24, 33))]):
        own = got.piece == k
        for end in ends:
            assert np.hypot(got.x_m[own] - end[0], got.y_m[own] - end[1]).min() > 0.1
    assert got.height_m == pytest.approx(1.25, abs=0.06)


def test_no_laterals_no_pieces():
    got = case._pieces((), bush.terrain())
    assert len(got.lateral) == len(got.x_m) == 0


# ---------------------------------------------------------------- findings of wires


def wire_codes(made, rule=wires.grades, **more):
    return [f.code for f in rule(bush.case(made, **more))]


@pytest.mark.parametrize(
    ("least", "codes"),
    [(8.94, []), (8.98, ["SAG_GRADE"] * 3), (10.005, ["SAG_GRADE"] * 3), (10.02, ["MAINLINE_GRADE"] * 3),
     (11.0, ["SAG_GRADE"] + ["MAINLINE_GRADE"] * 3), (12.02, ["MAINLINE_GRADE"] * 4)],
)
def test_each_span_is_held_against_the_least_fall(least, codes):
    """The spans fall 12, 10, 10, 10 %; 1 in pipe half full, 4.62 N/m, loses 1.04 % at 1112 N between ties 5 m apart."""
    assert sorted(wire_codes(bush.with_rules(bush.plan(), "mainlines", min_grade_pct=least))) == sorted(codes)


@pytest.mark.parametrize(("spacing", "codes"), [(5.0, []), (10.0, ["SAG_GRADE"]), (0.0, ["SAG_GRADE"])])
def test_ties_that_stand_too_far_apart_are_seen_in_the_fall_of_the_sag(spacing, codes):
    """At least 8.9 %: the sag of 10 m takes 2.08 % of 10 %, that of 5 m 1.04 %; the finding names the worst place."""
    plan = bush.with_rules(bush.plan(), "mainlines", min_grade_pct=8.9, sag_allowance_m=0.5)
    pipe = dataclasses.replace(plan.flow.pipes[0], sidetie_spacing_m=spacing)
    found = wires.grades(bush.case(bush.with_flow(plan, pipe)))
    assert sorted({f.code for f in found}) == codes
    for f, start in zip(found, (10.0, 20.0, 30.0), strict=False):
        assert f.measured == pytest.approx(10.0 - 100.0 * 4.62 * 10.0 / (2.0 * 1112.06), abs=0.01)
        assert f.limit == 8.9
        assert f"above {bush.case().units.station(start)}" in f.text


def test_the_height_told_is_the_height_judged():
    """Straight wire 1.2 m over ground against a highest of 1.1 m; its sag does not excuse it nor spoil the figure."""
    made = bush.with_rules(bush.plan(), "mainlines", highest_m=1.1)
    [high] = [f for f in wires.heights(bush.case(made)) if f.code == "MAINLINE_HIGH"]
    assert high.measured == pytest.approx(1.2, abs=1e-4)
    assert high.measured > high.limit == pytest.approx(1.1)


@pytest.mark.parametrize(("lowest", "codes"), [(0.9, []), (1.5, ["MAINLINE_LOW"])])
def test_too_low_is_the_sagged_wire(lowest, codes):
    made = bush.with_rules(bush.plan(), "mainlines", lowest_m=lowest)
    low = [f for f in wires.heights(bush.case(made)) if f.code == "MAINLINE_LOW"]
    assert [f.code for f in low] == codes
    for f in low:
        assert f.measured < 1.2
        assert f.limit == 1.5


@pytest.mark.parametrize(
    ("kind", "pinned", "severity"),
    [("violation", False, "violation"), ("violation", True, "check"), ("check", True, "check"), ("note", True, "note"),
     ("check", False, "check")],
)
def test_a_breach_of_a_pinned_line_is_for_somebody_to_check(kind, pinned, severity):
    got = breach("C", "pipes", "P", 1.0, 2.0, "m", "Text.", "Mend.", pinned=pinned, severity=kind)
    assert got.severity == severity
    assert got.remedy.startswith("Mend.")
    assert ("pinned" in got.remedy) is pinned


# ---------------------------------------------------------------- bores


@pytest.mark.parametrize(
    ("pipes", "shrinks"),
    [
        ([(0, 40, 26.64)], False), ([(0, 20, 26.64), (20, 40, 26.64)], False),
        ([(0, 20, 35.0), (20, 40, 26.64)], False),
        ([(0, 20, 20.0), (20, 40, 26.64)], True), ([(0, 20, 20.0), (0, 20, 20.0), (20, 40, 26.64)], False),
    ],
)
def test_bores_side_by_side_never_shrink_on_the_way_down(pipes, shrinks):
    """Two of 20 mm have 628 mm2, one of 26.64 mm has 557 mm2."""
    made = bush.with_flow(bush.plan(), *(bush.pipe(f"P{i}", "M1", float(a), float(b), 1, bore=d)
                                         for i, (a, b, d) in enumerate(pipes)))
    assert ([f.code for f in bores.sizes(bush.case(made))] == ["PIPE_SHRINKS"]) is shrinks


@pytest.mark.parametrize(
    ("kpa", "codes"), [(83.5, []), (77.9, []), (77.7, ["VACUUM_BUDGET"]), (math.nan, ["VACUUM_BUDGET"])]
)
def test_loss_between_pump_and_entry(kpa, codes):
    """Pump 84.66 kPa, budget 2 inHg = 6.773 kPa and 0.05 let pass: at least 77.837 kPa."""
    made = bush.with_flow(bush.plan(), entry_vacuum_kpa=np.array([83.5, kpa]))
    assert [f.code for f in bores.vacuum(bush.case(made))] == codes
    assert bores.vacuum(bush.case(bush.with_rules(made, "flow", pumped=False))) == []


def test_each_entry_needs_its_vacuum():
    made = bush.with_flow(bush.plan(), entry_vacuum_kpa=np.array([83.5]))
    assert [(f.code, f.measured, f.limit) for f in bores.vacuum(bush.case(made))] == [("VACUUM_MISSING", 1.0, 2.0)]


@pytest.mark.parametrize(("high", "codes"), [(84.0, []), (84.04, []), (84.06, ["VACUUM_RISES"])])
def test_vacuum_never_grows_away_from_the_pump(high, codes):
    one = dataclasses.replace(bush.plan().flow.pipes[0], vacuum_kpa_low=84.0, vacuum_kpa_high=high)
    assert [f.code for f in bores.vacuum(bush.case(bush.with_flow(bush.plan(), one)))] == codes


@pytest.mark.parametrize(
    ("low", "high", "grade"), [(0, 10, 12.0), (0, 40, 10.0), (10, 20, 10.0), (9.995, 10.0, math.nan)]
)
def test_least_grade_of_a_pipe(low, high, grade):
    line = bush.plan().mainlines[0]
    got = bores._least_grade_pct(line, bush.pipe("P", "M1", low, high, 1))
    assert got == pytest.approx(grade, nan_ok=True)


# ---------------------------------------------------------------- doubts


@pytest.mark.parametrize(("ladder", "count"), [(0.9, 5), (1.1, 4), (1.195, 0), (1.3, 0)])
def test_supports_beyond_reach_are_counted(ladder, count):
    """Heights 1.0 and four times 1.2 m; 1 cm is let pass."""
    got = doubts.ladders(bush.case(bush.with_rules(bush.plan(), "mainlines", ladder_m=ladder)))
    assert [f.measured for f in got] == ([float(count)] if count else [])


def test_missing_layers_are_named_in_their_order():
    got = doubts.not_checked(bush.case(where=bush.ground(missing=("road", "water"))))
    assert [(f.code, f.subject_id, f.severity) for f in got] == [
        ("NOT_CHECKED", "road", "check"), ("NOT_CHECKED", "water", "check")]


@pytest.mark.parametrize(("error", "codes"), [(0.001, []), (2.0, ["LEVEL_IT_MAINLINE"])])
def test_spans_that_the_terrain_cannot_prove(error, codes):
    land = dataclasses.replace(bush.terrain(), vertical_error_m=error)
    got = doubts._mainlines(bush.case(on=land))
    assert [f.code for f in got] == codes
    assert [f.measured for f in got] == ([4.0] if codes else [])
    assert Settings().mainlines.min_grade_pct == 2.0
