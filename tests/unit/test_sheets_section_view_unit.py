"""A section as its sheets see it, confidence of its spans, names of parts, and the labels of its map."""

from __future__ import annotations

import dataclasses
import math

import pytest
from pipeline.records import Crossing, Mainline, Part, Support
from pipeline.resources import template_rows
from pipeline.sheets.context import make_context
from pipeline.sheets.doubt import confidence_at, level_word, span_confidence
from pipeline.sheets.labels import Label
from pipeline.sheets.map_labels import (
    direction,
    dropped_text,
    end_text,
    full_stations,
    map_labels,
    meeting_point,
    place,
    short_station,
    station_step_m,
)
from pipeline.sheets.mapview import POINT_M, MapView
from pipeline.sheets.marks import Rect
from pipeline.sheets.parts import in_units, money, part_name, task_name, whole
from pipeline.sheets.section_view import Piece, all_points_m, is_ladder, section_view, short_id
from pipeline.units import FT_M, Units
from scipy.stats import norm

from sample_plan import LAT, LON, sample_plan

PLAN, TERRAIN, GROUND = sample_plan()


def context(**bush):
    settings = dataclasses.replace(PLAN.settings, bush=dataclasses.replace(PLAN.settings.bush, **bush))
    return make_context(plan=dataclasses.replace(PLAN, settings=settings), terrain=TERRAIN, ground=GROUND)


US, METRIC, FRENCH = context(), context(units="metric"), context(language="fr")


def line(name: str = "M1", parent: str = "", count: int = 11) -> Mainline:
    """Return a straight line of supports every 10 m, rising 0.3 m each, 1.2 m above level-rising ground."""
    return Mainline(name, parent, "C1", 0.0, tuple(
        Support(f"{name}-S{i:02d}", name, 10.0 * i, 10.0 * i, 5.0, "tree", "", 0.0, 100.0 + 0.3 * i, 101.2 + 0.3 * i)
        for i in range(count)))


def piece(low: float, high: float, *, below: str = "", above: str = "", name: str = "M1", parent: str = "") -> Piece:
    return Piece(line(name, parent), low, high, below, above)


# ---------------------------------------------------------------- pieces


@pytest.mark.parametrize(("low", "high", "supports", "stations"), [
    (0.0, 100.0, range(11), [10.0 * i for i in range(11)]),
    (20.0, 50.0, [2, 3, 4, 5], [20.0, 30.0, 40.0, 50.0]),
    (25.0, 45.0, [3, 4], [25.0, 30.0, 40.0, 45.0]),
    (20.0005, 49.9995, [2, 3, 4, 5], [20.0005, 30.0, 40.0, 49.9995]),  # half a millimetre is no difference
    (32.0, 38.0, [], [32.0, 38.0]),
])
def test_pieces_hold_their_ends_and_what_is_between(low, high, supports, stations):
    made = piece(low, high)
    assert [s.support_id for s in made.supports] == [f"M1-S{i:02d}" for i in supports]
    assert made.stations_m == pytest.approx(stations)
    assert made.length_m == pytest.approx(high - low)
    assert made.xyz_m[:, 0] == pytest.approx(stations)
    assert made.xyz_m[:, 2] == pytest.approx([101.2 + 0.03 * s for s in stations])


@pytest.mark.parametrize("section", PLAN.sections, ids=lambda s: s.section_id)
def test_a_view_looks_up_what_its_section_names(section):
    view = section_view(US, section)
    assert [(p.line.mainline_id, p.low_m, p.high_m) for p in view.pieces] == list(section.pieces)
    assert view.laterals == tuple(PLAN.laterals[i] for i in section.lateral)
    assert len(view.tree) == section.trees
    assert view.length_m == pytest.approx(sum(b - a for _, a, b in section.pieces))
    assert view.single is (len({m for m, _, _ in section.pieces}) == 1)
    points = all_points_m(view)
    assert points.shape[1] == 2
    for lateral in view.laterals:
        assert (points == lateral.xyz_m[-1, :2]).all(axis=1).any()


def test_ends_name_the_section_where_the_same_line_goes_on():
    first, second, third = (section_view(US, s) for s in PLAN.sections)
    assert [(p.below, p.above) for p in first.pieces] == [("", "S02")]
    assert (second.pieces[0].below, second.pieces[0].above) == ("S01", "")
    assert all((p.below, p.above) == ("", "") for p in third.pieces)


def test_crossings_of_all_sections_are_those_of_the_plan():
    found = [c.crossing_id for s in PLAN.sections for c in section_view(US, s).crossings]
    on_lines = [c.crossing_id for c in PLAN.crossings]
    assert sorted(set(found)) == sorted(on_lines)


def test_a_crossing_of_a_lateral_belongs_to_its_section():
    lateral = PLAN.laterals[PLAN.sections[2].lateral[0]]
    extra = Crossing("X9", lateral.lateral_id, "trail", "", 3.0, 0.0, 0.0, 2.0, 2.44)
    ctx = dataclasses.replace(US, plan=dataclasses.replace(PLAN, crossings=(*PLAN.crossings, extra)))
    held = [s.section_id for s in PLAN.sections if extra in section_view(ctx, s).crossings]
    assert held == ["S03"]


@pytest.mark.parametrize(("section", "full", "short"), [(0, "M1-S04", "S04"), (1, "M1-S04", "M1-S04"),
                                                        (0, "M1.2-L03", "L03")])
def test_short_names_only_where_one_line_is_drawn(section, full, short):
    assert short_id(section_view(US, PLAN.sections[section]), full) == short


@pytest.mark.parametrize(("above", "ladder"), [(-0.01, False), (0.0, False), (0.01, True)])
def test_a_ladder_is_needed_above_the_limit_only(above, ladder):
    limit = PLAN.settings.mainlines.ladder_m
    support = dataclasses.replace(line().supports[0], line_z_m=100.0 + limit + above)
    assert is_ladder(US, support) is ladder


# ---------------------------------------------------------------- confidence of spans


@pytest.mark.parametrize("fall", [0.05, 0.2, 0.3, 0.5, 1.0, 2.0])
def test_spans_are_judged_by_the_normal_chance_to_fall(fall):
    """2 % of 10 m are 0.2 m; standard error of the fall from raster and survey as published in the terrain room."""
    low = line().supports[0]
    high = dataclasses.replace(line().supports[1], line_z_m=low.line_z_m + fall)
    sz, gps = TERRAIN.vertical_error_m, PLAN.settings.trees.gps_error_m
    sd = math.sqrt(2.0 * sz**2 * (1.0 - math.exp(-1.0)) + (fall / 10.0 * gps) ** 2)
    need = PLAN.settings.mainlines.min_grade_pct / 100.0 * 10.0
    wanted = "high" if norm.cdf((fall - need) / sd) >= 0.9 else "level it"
    assert span_confidence(US, low, high) == wanted


def test_a_terrain_without_an_error_proves_nothing():
    ctx = dataclasses.replace(US, terrain=dataclasses.replace(TERRAIN, vertical_error_m=math.nan))
    assert span_confidence(ctx, line().supports[0], line().supports[1]) == "unknown"


@pytest.mark.parametrize("station", [0.0, 10.0, 100.0, -5.0, 500.0])
def test_no_span_holds_a_support_or_a_place_beyond_the_ends(station):
    ctx = dataclasses.replace(US, terrain=dataclasses.replace(TERRAIN, vertical_error_m=math.nan))
    assert confidence_at(ctx, line(), station) == "high"
    assert confidence_at(ctx, line(), 5.0) == "unknown"


@pytest.mark.parametrize(("ctx", "key"), [(US, "en"), (FRENCH, "fr")])
def test_only_doubt_is_printed(ctx, key):
    assert level_word(ctx, "high") == ""
    assert level_word(ctx, "level it") == ctx.words["laterals.grade_level_it"]
    assert level_word(ctx, "unknown") == ctx.words["laterals.grade_unknown"]
    assert level_word(ctx, "unknown") != level_word(ctx, "level it"), key


# ---------------------------------------------------------------- parts


def part(code: str, name: str = "its own name") -> Part:
    return Part("", code, name, 1.0, "pc", 1.0, 1.0, 1.0)


@pytest.mark.parametrize("row", template_rows("parts.csv"), ids=lambda r: r["code"])
@pytest.mark.parametrize("ctx", [US, FRENCH], ids=["en", "fr"])
def test_every_part_of_the_catalogue_has_its_name(row, ctx):
    size = "3/4" if "{size}" in row["code"] else ""
    code = row["code"].replace("{size}", size)
    assert part_name(ctx, part(code)) == row[f"name_{ctx.language}"].replace("{size}", size)


@pytest.mark.parametrize("code", ["NOTHING LIKE IT", "", "PIPE", "PIP 3/4"])
def test_an_unknown_part_keeps_its_own_name(code):
    assert part_name(US, part(code)) == "its own name"


@pytest.mark.parametrize("row", template_rows("labour.csv"), ids=lambda r: r["task"])
def test_every_task_has_its_name_in_both_languages(row):
    assert task_name(US, row["task"]) == row["name_en"]
    assert task_name(FRENCH, row["task"]) == row["name_fr"]
    assert task_name(US, "whittle") == "whittle"


@pytest.mark.parametrize(("value", "unit", "us", "metric"), [
    (30.48, "m", (100.0, "ft"), (30.48, "m")), (3.785411784, "L", (1.0, "gal"), (3.785411784, "L")),
    (4.0, "pc", (4.0, "pc"), (4.0, "pc")), (2.0, "cfm", (2.0, "cfm"), (2.0, "cfm")),
    (3.0, "zz", (3.0, "zz"), (3.0, "zz")),
])
def test_quantities_in_the_readers_units(value, unit, us, metric):
    assert in_units(US, value, unit) == (pytest.approx(us[0]), us[1])
    assert in_units(METRIC, value, unit) == (pytest.approx(metric[0]), metric[1])


@pytest.mark.parametrize(("value", "text"), [(0.0, "0"), (4.0, "4"), (4.0000001, "4"), (4.01, "5"), (1233.2, "1,234"),
                                             (math.nan, "?"), (math.inf, "?")])
def test_orders_are_rounded_up(value, text):
    assert whole(US, value) == text
    assert whole(FRENCH, value) == text.replace(",", "\u00a0")


@pytest.mark.parametrize(("value", "digits", "text"), [(1234.567, 2, "1,234.57"), (0.089, 3, "0.089"), (5.0, 0, "5"),
                                                       (math.nan, 2, "?")])
def test_money(value, digits, text):
    assert money(US, value, digits) == text
    assert money(FRENCH, value, digits) == text.replace(",", "\u00a0").replace(".", ",")


# ---------------------------------------------------------------- stations on the map


@pytest.mark.parametrize(("ctx", "low", "high", "feet_or_metres"), [
    (US, 0.0, 100.0, [100, 200, 300]),      # 328 ft
    (US, 0.0, 31.0, []),                     # 102 ft: two feet from the end is no place for a tick
    (US, 0.0, 33.5, [100]),                  # 110 ft
    (US, 30.48, 100.0, [200, 300]),          # the lower end itself is left out
    (METRIC, 0.0, 100.0, [25, 50, 75]), (METRIC, 10.0, 52.5, [25, 50]), (METRIC, 10.0, 51.9, [25]),
    (METRIC, 30.0, 45.0, []),
])
def test_ticks_stand_at_full_stations_inside_a_piece(ctx, low, high, feet_or_metres):
    unit = FT_M if ctx is US else 1.0
    assert full_stations(ctx, piece(low, high)) == pytest.approx([v * unit for v in feet_or_metres])
    assert station_step_m(ctx) == pytest.approx(100.0 * FT_M if ctx is US else 25.0)


@pytest.mark.parametrize(("ctx", "station", "text"), [
    (US, 30.48, "1+00"), (US, 38.1, "1+25"), (US, 38.13, "1+25.1"), (METRIC, 25.0, "0+025"), (METRIC, 25.1, "0+025.1"),
    (dataclasses.replace(FRENCH, units=Units("metric")), 25.0, "0+025"),
])
def test_full_stations_lose_their_tenths(ctx, station, text):
    assert short_station(ctx, station) == text


VIEW = MapView(Rect(0.0, 0.0, 400.0, 400.0), 50.0, 5.0, 0.5 / POINT_M, 0.0)


def test_places_and_directions_on_paper():
    """Two points to the metre around (50, 5): station 30 is 20 m left of the middle."""
    assert place(piece(0.0, 100.0), 30.0, VIEW) == pytest.approx((160.0, 200.0))
    assert direction(piece(0.0, 100.0), 30.0, VIEW) == pytest.approx((2.0, 0.0))
    assert direction(piece(0.0, 100.0), 0.0, VIEW) == pytest.approx((1.0, 0.0))   # half a metre at the ends
    assert direction(piece(0.0, 100.0), 100.0, VIEW) == pytest.approx((1.0, 0.0))


@pytest.mark.parametrize(("made", "top", "words"), [
    (piece(0.0, 60.0, above="S02"), False, lambda c: f"{c.w('map.start_box', station='0+00.0')} "
                                                    f"{c.w('map.tie_collection', collection='C1')}"),
    (piece(0.0, 60.0, above="S02"), True, lambda c: f"{c.w('map.end_box', station='1+96.9')} → "
                                                   f"{c.w('map.to_section', section='S02')}"),
    (piece(60.0, 100.0, below="S01"), False, lambda c: f"{c.w('map.start_box', station='1+96.9')} ← "
                                                      f"{c.w('map.to_section', section='S01')}"),
    (piece(60.0, 100.0, below="S01"), True, lambda c: c.w("map.end_box", station="3+28.1")),
    (piece(0.0, 60.0, parent="M9"), False, lambda c: c.w("map.tie_in", line="M9", station="0+00.0")),
])
@pytest.mark.parametrize("ctx", [US, FRENCH], ids=["en", "fr"])
def test_ends_say_what_is_beyond(ctx, made, top, words):
    one, many = section_view(US, PLAN.sections[0]), section_view(US, PLAN.sections[1])
    assert end_text(ctx, one, made, top=top) == words(ctx)
    assert end_text(ctx, many, made, top=top) == f"M1 {words(ctx)}"


def test_the_meeting_point_is_where_the_bush_file_says_or_nowhere():
    found = meeting_point(US)
    x, y = PLAN.frame.from_lonlat(LON + 0.00025, LAT - 0.0001)
    assert found == pytest.approx((float(x), float(y)))
    for change in ({"meeting_lon": math.nan}, {"meeting_lat": math.nan}):
        sheets = dataclasses.replace(PLAN.settings.sheets, **change)
        plan = dataclasses.replace(PLAN, settings=dataclasses.replace(PLAN.settings, sheets=sheets))
        assert meeting_point(dataclasses.replace(US, plan=plan)) is None


@pytest.mark.parametrize("tags", [True, False])
@pytest.mark.parametrize("section", [0, 1, 2])
def test_labels_name_everything_inside_the_window_and_nothing_outside(section, tags):
    view = section_view(US, PLAN.sections[section])
    points = all_points_m(view)
    middle = (points.min(axis=0) + points.max(axis=0)) / 2.0
    wide = MapView(Rect(0.0, 0.0, 900.0, 900.0), float(middle[0]), float(middle[1]), 0.4 / POINT_M, 0.0)
    extra = Label(5.0, 5.0, "Brook", 7.0, kind="name"), Label(-5.0, 5.0, "Far", 7.0, kind="name")
    found = map_labels(US, view, wide, extra, tags=tags)
    kinds = [label.kind for label in found]
    # without tags the map shows the lay of the section; the names stand on its detail maps
    assert kinds.count("support") == (sum(len(p.supports) for p in view.pieces) if tags else 0)
    assert kinds.count("lateral") == (len(view.laterals) if tags else 0)
    assert kinds.count("crossing") == len(view.crossings)
    assert kinds.count("tag") == (len(view.tree) if tags else 0)
    assert [label.text for label in found if label.kind == "name"] == ["Brook"]
    assert kinds[0] == "end"


# ---------------------------------------------------------------- what found no room


def lost(kind: str, count: int) -> list[Label]:
    tag = {"support": "support:M1-S", "lateral": "lateral:M1-L"}.get(kind, "x:")
    return [Label(0.0, 0.0, f"t{i}", 7.0, kind=kind, tag=f"{tag}{i}") for i in range(count)]


@pytest.mark.parametrize("ctx", [US, FRENCH], ids=["en", "fr"])
@pytest.mark.parametrize(("kind", "count", "key", "names"), [
    ("support", 2, "dropped_support", "M1-S0, M1-S1"), ("lateral", 1, "dropped_lateral", "M1-L0"),
    ("end", 1, "dropped_end", "t0"), ("crossing", 6, "dropped_crossing", "t0, t1, t2, t3, t4, t5"),
    ("support", 7, "dropped_support_n", 7), ("tag", 1, "dropped_tag_n", 1), ("station", 3, "dropped_station_n", 3),
    ("name", 2, "dropped_name_n", 2),
])
def test_what_found_no_room_is_named_while_it_is_little(ctx, kind, count, key, names):
    what = ctx.w(f"map.{key}", n=names) if key.endswith("_n") else ctx.w(f"map.{key}", names=names)
    assert dropped_text(ctx, lost(kind, count)) == ctx.w("map.dropped", what=what)


def test_kinds_are_told_in_order_of_weight():
    text = dropped_text(US, [*lost("tag", 2), *lost("end", 1), *lost("support", 1)])
    assert text.index("ends") < text.index("supports") < text.index("tree tags")
    assert dropped_text(US, []) == US.w("map.dropped_none")
