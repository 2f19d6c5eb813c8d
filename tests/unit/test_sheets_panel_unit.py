"""Scale bars, the check bar, norths, the inset, and work that is done side by side."""

from __future__ import annotations

import dataclasses
import math
import multiprocessing
import os

import pytest
from pipeline.frame import Frame
from pipeline.sheets import map_panel, workers
from pipeline.sheets.context import make_context
from pipeline.sheets.geo import convergence_deg, declination
from pipeline.sheets.inset import inset
from pipeline.sheets.map_panel import check_bar, norths, scale_bar, scale_text
from pipeline.sheets.mapview import MapView, ratios
from pipeline.sheets.marks import BLACK, WHITE, Box, Group, Line, Polygon, Rect, bounds, flat, texts
from pipeline.units import FT_M

from sample_plan import sample_plan

PLAN, TERRAIN, GROUND = sample_plan()


def context(**bush):
    settings = dataclasses.replace(PLAN.settings, bush=dataclasses.replace(PLAN.settings.bush, **bush))
    return make_context(plan=dataclasses.replace(PLAN, settings=settings), terrain=TERRAIN, ground=GROUND)


US, METRIC, FRENCH = context(), context(units="metric"), context(language="fr")
SUPPORT = PLAN.mainlines[0].supports[4]


def view(ratio: float) -> MapView:
    return MapView(Rect(36.0, 200.0, 576.0, 700.0), SUPPORT.x_m, SUPPORT.y_m, ratio, 0.0)


# ---------------------------------------------------------------- scales


@pytest.mark.parametrize("ratio", ratios(us=True))
def test_us_scales_are_feet_to_the_inch(ratio):
    assert scale_text(US, view(ratio)) == US.w("map.scale_us", feet=f"{ratio / 12.0:.0f}", ratio=f"{ratio:.0f}")


@pytest.mark.parametrize(("ratio", "metres"), [(250, "2.5"), (400, "4"), (1250, "12.5"), (5000, "50")])
def test_metric_scales_are_metres_to_the_centimetre(ratio, metres):
    assert scale_text(METRIC, view(ratio)) == METRIC.w("map.scale_metric", metres=metres, ratio=str(ratio))


@pytest.mark.parametrize("ctx", [US, METRIC, FRENCH], ids=["us", "metric", "fr"])
@pytest.mark.parametrize("ratio", [240.0, 600.0, 1200.0, 6000.0])
def test_bars_measure_what_their_figures_say(ctx, ratio):
    """Two bars of four segments: the distance of two figures on paper is that on the ground over the scale."""
    pt_per_m = view(ratio).pt_per_m
    marks = scale_bar(ctx, pt_per_m, 100.0, 300.0)
    figures = list(texts(marks))
    assert len(figures) == 10
    rows = [figures[:5], figures[5:]]
    assert (rows[0][0].y > rows[1][0].y)
    units = [row[4].text.split(" ")[1] for row in rows]
    assert units == [ctx.w("common.unit_ft"), "m"] if ctx.units.is_us else units == ["m", ctx.w("common.unit_ft")]
    for row, unit in zip(rows, units, strict=True):
        metres = 1.0 if unit == "m" else FT_M
        values = [float(m.text.split(" ")[0]) for m in row]
        assert values == [i * values[1] for i in range(5)]
        assert [m.x - 100.0 for m in row] == pytest.approx([v * metres * pt_per_m for v in values])
        # as long as fits two inches: the next round length would not
        assert 4.0 * values[1] * metres * pt_per_m <= 146.0
        following = min(s for s in (*map_panel._SEGMENTS_M, 10**9) if s > values[1])
        assert 4.0 * following * metres * pt_per_m > 146.0
    boxes = [m for m in marks if isinstance(m, Box)]
    assert [b.fill for b in boxes] == [WHITE, BLACK, WHITE, BLACK, BLACK, WHITE, BLACK, WHITE]


@pytest.mark.parametrize(("us", "length"), [(True, 144.0), (False, 50.0 / 25.4 * 72.0)])
def test_the_check_bar_is_two_inches_or_fifty_millimetres_with_its_middle(us, length):
    bar, *ticks = check_bar(10.0, 20.0, us=us)
    assert isinstance(bar, Line)
    assert bar.x1 - bar.x0 == pytest.approx(length)
    assert [t.x0 - 10.0 for t in ticks] == pytest.approx([0.0, length, length / 2.0])
    assert all(t.x0 == t.x1 and t.y0 < 20.0 < t.y1 for t in ticks)


# ---------------------------------------------------------------- norths

AREA = Rect(300.0, 50.0, 470.0, 120.0)


@pytest.mark.parametrize("ctx", [US, FRENCH], ids=["en", "fr"])
def test_three_norths_with_their_angles_in_words(ctx):
    marks = norths(ctx, view(600.0), AREA)
    shown = [m.text for m in texts(marks)]
    for key in ("map.true_n", "map.mag_n", "map.grid_n"):
        assert ctx.w(key) in shown
    lon, lat = (float(v) for v in PLAN.frame.lonlat(SUPPORT.x_m, SUPPORT.y_m))
    place = declination(lon, lat, 400.0, ctx.date)
    assert place.angle_deg < 0.0
    assert ctx.w("map.mag_west", angle=f"{-place.angle_deg:.1f}") in shown
    grid = convergence_deg(PLAN.frame, SUPPORT.x_m, SUPPORT.y_m)
    assert grid > 0.0
    assert ctx.w("map.grid_east", angle=f"{grid:.1f}") in shown


def test_arrows_lean_to_their_side_and_small_angles_are_shown():
    """Magnetic north lies west, to the left; grid north of about a degree is drawn nine degrees to the right."""
    marks = norths(US, view(600.0), AREA)
    (figure,) = [m for m in marks if isinstance(m, Group) and m.role == "Figure"]
    lines = [m for m in figure.marks if isinstance(m, Line)]
    lean = [math.degrees(math.atan2(m.x1 - m.x0, m.y1 - m.y0)) for m in lines]
    assert len({(m.x0, m.y0) for m in lines}) == 1
    assert lean[0] == 0.0
    assert -16.0 < lean[1] < -9.0
    assert lean[2] == pytest.approx(9.0)
    assert lines[2].dash
    assert not lines[1].dash


def test_without_a_date_the_declination_is_not_checked():
    ctx = dataclasses.replace(US, date="")
    shown = [m.text for m in texts(norths(ctx, view(600.0), AREA))]
    assert ctx.w("map.mag_unknown") in shown
    assert ctx.w("map.mag_n") not in shown


def test_a_local_grid_shows_no_grid_north_and_no_compass():
    plan = dataclasses.replace(PLAN, frame=Frame("", "local grid", "not known"))
    ground = dataclasses.replace(TERRAIN, frame=plan.frame)
    shown = [m.text for m in texts(norths(dataclasses.replace(US, plan=plan, terrain=ground), view(600.0), AREA))]
    assert US.w("map.grid_n") not in shown
    assert US.w("map.mag_unknown") in shown


@pytest.mark.parametrize(("entries", "height", "rows"), [(5, 200.0, 17), (30, 200.0, 17), (40, 200.0, None)])
def test_key_rows_are_packed_closer_only_when_they_must(entries, height, rows):
    pitch, first = map_panel._key_rows(entries, height)
    assert 9.1 <= pitch <= 11.4
    assert first == int(height / pitch)
    if rows is not None:
        assert max(0, entries - first) * pitch + 46.0 <= height
    else:
        assert pitch == pytest.approx(9.2, abs=0.11)


# ---------------------------------------------------------------- inset


@pytest.mark.parametrize("name", ["S01", "S02", "S03"])
def test_the_inset_shows_its_own_section_black_inside_its_box(name):
    rect = Rect(100.0, 100.0, 196.0, 180.0)
    marks = inset(US, name, rect)
    (figure,) = [m for m in marks if isinstance(m, Group)]
    assert figure.alt == US.w("map.alt_index", section=name)
    black = [m for m, _ in flat([figure]) if isinstance(m, Polygon) and m.fill == BLACK]
    others = [m for m, _ in flat([figure]) if isinstance(m, Polygon) and m.fill == ""]
    assert len(black) == 1
    assert len(others[0].parts) == len(PLAN.sections) - 1
    assert Rect(100.0, 100.0, 196.0, 171.0).holds(bounds(figure), 1.0)
    white = [m.text for m in texts(marks) if m.color == WHITE]
    assert white == [name]


def test_the_inset_keeps_the_shape_of_the_land():
    """Both axes have one scale: the own outline has the proportions of its hull."""
    for section in PLAN.sections:
        marks = inset(US, section.section_id, Rect(0.0, 0.0, 400.0, 400.0))
        (own,) = [m for m, _ in flat(marks) if isinstance(m, Polygon) and m.fill == BLACK]
        box, hull = bounds(own), section.outline.convex_hull.bounds
        assert box.width / box.height == pytest.approx((hull[2] - hull[0]) / (hull[3] - hull[1]), rel=0.03)


def test_a_section_that_is_not_of_the_plan_is_refused():
    with pytest.raises(ValueError, match="S99"):
        inset(US, "S99", Rect(0.0, 0.0, 100.0, 100.0))


# ---------------------------------------------------------------- side by side

NAMES = [f"S{i:02d}" for i in range(9)]


@pytest.mark.parametrize("processes", [0, 1, 2, 3])
@pytest.mark.parametrize("count", [0, 1, 3, 4, 9])
def test_results_come_in_order_whoever_makes_them(processes, count):
    assert list(workers.in_order(str.lower, NAMES[:count], processes=processes)) == [n.lower() for n in NAMES[:count]]


@pytest.mark.parametrize(("processes", "count", "elsewhere"), [(2, 4, True), (2, 3, False), (1, 9, False)])
def test_few_things_are_made_here_and_many_elsewhere(processes, count, elsewhere):
    if "fork" not in multiprocessing.get_all_start_methods():
        pytest.skip("this system cannot fork")
    makers = set(workers.in_order(lambda _: os.getpid(), NAMES[:count], processes=processes))
    assert (os.getpid() not in makers) is elsewhere
    assert len(makers) == (processes if elsewhere else 1)


@pytest.mark.parametrize("processes", [1, 2])
def test_a_problem_comes_up_when_its_turn_comes(processes):
    def make(name: str) -> str:
        if name == "S03":
            raise LookupError(name)
        return name

    found = workers.in_order(make, NAMES, processes=processes)
    assert [next(found) for _ in range(3)] == NAMES[:3]
    with pytest.raises(LookupError, match="S03"):
        next(found)


def test_a_process_that_dies_is_told_with_the_name():
    if "fork" not in multiprocessing.get_all_start_methods():
        pytest.skip("this system cannot fork")

    def make(name: str) -> str:
        if name == "S02":
            os._exit(3)
        return name

    found = workers.in_order(make, NAMES, processes=2)
    with pytest.raises(RuntimeError, match="S02 died"):
        list(found)


def test_a_caller_that_stops_early_leaves_no_process_behind():
    found = workers.in_order(str.lower, NAMES, processes=2)
    assert next(found) == "s00"
    found.close()
    assert multiprocessing.active_children() == []
