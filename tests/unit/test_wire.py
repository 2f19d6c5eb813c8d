"""The wire's formulas and its template."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from pipeline.hydraulics.catalogue import PipeSize, mainline_sizes, pipe_rows
from pipeline.settings import FlowSettings, Settings
from pipeline.units import FT_M
from pipeline.wire import (
    catenary_sag_m,
    chord_rules,
    no_back_grade_span_m,
    planned_spacing_m,
    sag_m,
    sag_slope_pct,
    sap_weight_n_per_m,
    side_tie_spacing_m,
    wire_row,
    wire_rows,
)


def test_every_wire_says_where_its_figures_come_from() -> None:
    rows = wire_rows()
    assert len({r.gauge for r in rows}) == len(rows) > 3
    for row in rows:
        assert row.source
        assert any(word in row.status for word in ("published", "derived", "from memory"))
        assert row.diameter_mm > 0.0
        assert row.weight_n_per_m > 0.0
        assert not row.break_n <= row.tension_high_n  # NaN where no figure was found


def test_default_wire_of_the_settings_exists_and_carries_its_tension() -> None:
    flow = FlowSettings()
    wire = wire_row(flow.wire)
    assert wire.tension_low_n <= flow.wire_tension_n <= wire.tension_high_n + 1.0
    assert flow.wire_tension_n < wire.break_n / 4.0


def test_unknown_gauge_lists_what_there_is() -> None:
    with pytest.raises(ValueError, match=r"no wire of gauge '8'.*12\.5"):
        wire_row("8")


def test_missing_figures_are_nan() -> None:
    assert math.isnan(wire_row("9").break_n)


def test_sag_and_end_slope_belong_to_the_same_parabola() -> None:
    """With y = w x (x - L) / 2T: at x = 0 the slope is -wL/2T, at x = L/2 the depth wL^2/8T."""
    w, tension, span = 3.0, 1100.0, 9.0
    assert sag_m(w, tension, span) == pytest.approx(w * (span / 2) ** 2 / (2 * tension))
    assert sag_slope_pct(w, tension, span) == pytest.approx(4.0 * sag_m(w, tension, span) / span * 100.0)


def test_at_the_no_back_grade_span_the_lower_end_runs_level() -> None:
    span = no_back_grade_span_m(3.0, 1100.0, 2.5)
    assert sag_slope_pct(3.0, 1100.0, span) == pytest.approx(2.5)
    assert no_back_grade_span_m(3.0, 1100.0, -1.0) == 0.0


def test_side_ties_obey_both_limits_and_the_tighter_rules() -> None:
    by_grade = side_tie_spacing_m(3.0, 1100.0, 2.0, 0.5, 1.0)
    assert sag_slope_pct(3.0, 1100.0, by_grade) == pytest.approx(1.5)
    by_sag = side_tie_spacing_m(3.0, 1100.0, 20.0, 0.5, 0.05)
    assert sag_m(3.0, 1100.0, by_sag) == pytest.approx(0.05)
    assert side_tie_spacing_m(3.0, 1100.0, 1.0, 1.0, 0.05) == 0.0


def test_sap_in_a_half_full_bore() -> None:
    """Hand sum: 25 mm bore holds 0.4909 L/m; half of it is 0.2454 L, 0.2474 kg, 2.426 N."""
    assert sap_weight_n_per_m(25.0, 0.5) == pytest.approx(2.426, abs=0.001)


def test_catenary_hangs_lower_than_the_parabola() -> None:
    assert catenary_sag_m(3.0, 300.0, 30.0) > sag_m(3.0, 300.0, 30.0)


# ---------------------------------------------------------------- the straight wire that a sagging line needs


def loaded(size: PipeSize, settings: Settings) -> float:
    bare = wire_row(settings.flow.wire).weight_n_per_m
    return bare + size.weight_n_per_m + sap_weight_n_per_m(size.inner_diameter_mm, settings.flow.fill_ratio)


def changed(**values: float | str) -> Settings:
    base = Settings()
    flow = {k: v for k, v in values.items() if k in {"wire_tension_n", "pipes", "fill_ratio"}}
    lines = {k: v for k, v in values.items() if k not in flow}
    return replace(base, flow=replace(base.flow, **flow), mainlines=replace(base.mainlines, **lines))


@pytest.mark.parametrize("catalogue", sorted({r.catalogue for r in pipe_rows() if r.role == "mainline"}))
@pytest.mark.parametrize("closest_ft", [0.5, 1.5, 3.0])
def test_on_the_planned_grade_every_size_has_ties_that_keep_the_least_grade(catalogue: str, closest_ft: float) -> None:
    settings = changed(pipes=catalogue, closest_ties_m=closest_ft * FT_M, sag_allowance_m=0.3)
    rules = chord_rules(settings)
    apart = []
    for size in mainline_sizes(catalogue):
        weight = loaded(size, settings)
        apart.append(planned_spacing_m(weight, rules.min_grade_pct, settings))
        lost = sag_slope_pct(weight, settings.flow.wire_tension_n, apart[-1])
        assert rules.min_grade_pct - lost == pytest.approx(settings.mainlines.min_grade_pct)
    assert apart == sorted(apart, reverse=True)
    assert apart[-1] == pytest.approx(closest_ft * FT_M)


def test_planned_grade_by_hand() -> None:
    """3 in pipe: 12.736 N/m, wire 0.3783, half a bore of 77.93 mm of sap 23.58: 36.69 N/m; over 1 ft at 1112 N."""
    sap = 1008.0 * 9.80665 * math.pi / 4.0 * 0.07793**2 / 2.0
    taken = 100.0 * (12.736 + 0.3783 + sap) * 0.3048 / (2.0 * 250 * 4.448222)
    got = chord_rules(changed(closest_ties_m=0.3048))
    assert got.min_grade_pct == pytest.approx(2.0 + taken, abs=1e-3)
    assert replace(got, min_grade_pct=2.0) == changed(closest_ties_m=0.3048).mainlines
    assert chord_rules(changed(wire_tension_n=5e3)).min_grade_pct < chord_rules(Settings()).min_grade_pct


def test_a_pinned_line_that_falls_less_keeps_its_sag_from_running_back() -> None:
    settings = changed(sag_allowance_m=0.3)
    for grade in (1.0, 2.0, 2.001):
        apart = planned_spacing_m(3.0, grade, settings)
        assert sag_slope_pct(3.0, settings.flow.wire_tension_n, apart) == pytest.approx(grade)
    assert planned_spacing_m(3.0, -1.0, settings) == 0.0
