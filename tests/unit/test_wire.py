"""The wire's formulas and its template."""

from __future__ import annotations

import math

import pytest
from pipeline.settings import FlowSettings
from pipeline.wire import (
    catenary_sag_m,
    no_back_grade_span_m,
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
