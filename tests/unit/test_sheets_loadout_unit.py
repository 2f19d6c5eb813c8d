"""Load-out, order list, pump page and index table: days, shares, sums and page breaks worked by hand."""

from __future__ import annotations

import dataclasses
import math
import re
from functools import cache

import pytest
from pipeline.records import CollectionPoint, Part, Station, Takeoff
from pipeline.sheets import index_page, loadout_page, orders_page, parts, pump_page
from pipeline.sheets.context import SheetContext, make_context
from pipeline.sheets.loadout_page import DAY_H, crew_days, day_parts
from pipeline.sheets.local import local
from pipeline.sheets.marks import Page, bounds, flat, texts
from pipeline.sheets.paper import body_rect
from pipeline.units import FT_M, GAL_L

from sample_plan import sample_plan

PLAN, TERRAIN, GROUND = sample_plan()


@cache
def context(language="en", paper="letter", units="us") -> SheetContext:
    bush = dataclasses.replace(PLAN.settings.bush, language=language, paper=paper, units=units)
    plan = dataclasses.replace(PLAN, settings=dataclasses.replace(PLAN.settings, bush=bush))
    return make_context(plan=plan, terrain=TERRAIN, ground=GROUND)


def changed(ctx: SheetContext, **values) -> SheetContext:
    return dataclasses.replace(ctx, plan=dataclasses.replace(ctx.plan, **values))


def ruled(ctx: SheetContext, table: str, **values) -> SheetContext:
    rules = dataclasses.replace(getattr(ctx.plan.settings, table), **values)
    return changed(ctx, settings=dataclasses.replace(ctx.plan.settings, **{table: rules}))


def words(pages: list[Page]) -> list[str]:
    return [t.text.replace("\u00a0", " ") for page in pages for t in texts(page.marks)]


def sections(*hours: float):
    return tuple(dataclasses.replace(PLAN.sections[0], section_id=f"S{k:02d}", crew_hours=h)
                 for k, h in enumerate(hours, start=1))


# ---------------------------------------------------------------- crew days


@pytest.mark.parametrize(("hours", "crew", "days"), [
    ((16.0,), 2, [[("S01", 1.0)]]),
    ((8.0, 8.0), 2, [[("S01", 1.0), ("S02", 1.0)]]),
    ((32.0,), 2, [[("S01", 0.5)], [("S01", 0.5)]]),
    ((12.0, 12.0), 2, [[("S01", 1.0), ("S02", 4.0 / 12.0)], [("S02", 8.0 / 12.0)]]),
    ((17.0,), 2, [[("S01", 1.0)]]),  # a crumb of an hour is not fetched again
    ((17.7,), 2, [[("S01", 16.0 / 17.7)], [("S01", 1.7 / 17.7)]]),
    ((15.5, 8.0), 2, [[("S01", 1.0)], [("S02", 1.0)]]),  # half an hour left begins no section
    ((4.0,), 0, [[("S01", 1.0)]]),  # no crew named counts as one
    ((), 2, []),
])
def test_days_of_a_crew_by_hand(hours, crew, days):
    got = crew_days(sections(*hours), crew)
    assert [day.number for day in got] == list(range(1, len(days) + 1))
    assert [[(name, share) for name, share, _ in day.shares] for day in got] == [
        [(name, pytest.approx(share)) for name, share in day] for day in days
    ]


@pytest.mark.parametrize("hours", [(3.0, 50.0, 0.4, 9.0, 0.0, 28.8), (1.0,) * 40, (200.0,), (0.0, 0.0)])
@pytest.mark.parametrize("crew", [1, 2, 3.5])
def test_shares_and_hours_of_a_section_sum_to_the_whole_and_no_day_is_overlong(hours, crew):
    made = crew_days(sections(*hours), crew)
    for k, whole in enumerate(hours, start=1):
        own = [(share, h) for day in made for name, share, h in day.shares if name == f"S{k:02d}"]
        assert sum(share for share, _ in own) == pytest.approx(1.0)
        assert sum(h for _, h in own) == pytest.approx(whole)
    for day in made:
        assert sum(h for _, _, h in day.shares) <= 1.1 * DAY_H * max(crew, 1.0) + 1e-9
    order = [name for day in made for name, _, _ in day.shares]
    assert order == sorted(order)
    assert len(made) >= sum(hours) / (1.1 * DAY_H * max(crew, 1.0))


def part(section, code, quantity, unit="pc", **more) -> Part:
    return Part(section, code, code, quantity, unit, **{"order_quantity": quantity, "unit_price": 1.0,
                                                      "cost": quantity, **more})


def test_parts_of_a_day_are_the_shares_of_its_sections_labour_left_out():
    """30 % of S01 and all of S02; the same code in another unit is another line."""
    rows = (part("S01", "SPOUT", 100.0), part("S02", "SPOUT", 7.0), part("S03", "SPOUT", 999.0),
            part("S01", "TUBING", 304.8, "m"), part("S02", "LABOUR", 5.0, "h"), part("S02", "TUBING", 3.0, "pc"))
    ctx = changed(context(), takeoff=Takeoff(rows, (), {}, "USD"))
    day = loadout_page.CrewDay(1, (("S01", 0.3, 4.0), ("S02", 1.0, 9.0)))
    assert [(round(q, 3), unit) for _, q, unit in day_parts(ctx, day)] == [(37.0, "pc"), (300.0, "ft"), (3.0, "pc")]
    metric = changed(context("en", "letter", "metric"), takeoff=Takeoff(rows, (), {}, "USD"))
    assert [(round(q, 3), unit) for _, q, unit in day_parts(metric, day)][1] == (91.44, "m")


@pytest.mark.parametrize(("language", "paper", "units"), [
    ("en", "letter", "us"), ("fr", "a4", "metric"), ("fr", "tabloid", "us"), ("en", "legal", "metric"),
])
def test_what_is_loaded_over_all_days_is_never_less_than_the_sections_need(language, paper, units):
    ctx = ruled(context(language, paper, units), "sheets", crew_size=1)
    shown = [t.text for page in loadout_page.build(ctx) for t in texts(page.marks) if t.tag == "load"]
    assert shown
    loaded = sum(int(re.sub(r"\D", "", t)) for t in shown)
    needed = sum(parts.in_units(ctx, p.quantity, p.unit)[0] for p in ctx.plan.takeoff.by_section)
    assert needed <= loaded + 1e-6 <= needed + len(shown)


def test_a_day_names_its_sections_with_the_share_of_those_not_finished():
    ctx = ruled(changed(context(), sections=sections(12.0, 12.0)), "sheets", crew_size=2)
    text = " ".join(words(loadout_page.build(ctx))).replace("\u00a0", " ")
    assert "Day 1 S01 S02 33 %" in text
    assert "Day 2 S02 67 %" in text


def test_without_sections_or_parts_the_load_out_says_so():
    for ctx in (changed(context(), sections=()), changed(context(), takeoff=Takeoff((), (), {}, "USD"))):
        assert context().w("materials.load_none") in " ".join(words(loadout_page.build(ctx)))


# ---------------------------------------------------------------- quantities and money


@pytest.mark.parametrize(("value", "shown"), [
    (0.0, "0"), (0.2, "1"), (3.0, "3"), (3.0000001, "3"), (3.01, "4"), (1234.5, "1,235"), (math.nan, "?"),
    (math.inf, "?"),
])
def test_quantities_are_rounded_up_but_not_by_the_dust_of_arithmetic(value, shown):
    assert parts.whole(context(), value) == shown
    assert parts.whole(context("fr", "a4", "metric"), value) == local("fr", shown)


@pytest.mark.parametrize(("value", "digits", "shown"), [
    (0.0, 2, "0.00"), (1234.567, 2, "1,234.57"), (99.5, 0, "100"), (math.nan, 2, "?"), (-3.5, 2, "-3.50"),
])
def test_money_is_rounded_to_the_cent(value, digits, shown):
    assert parts.money(context(), value, digits) == shown


@pytest.mark.parametrize(("unit", "us", "metric"), [
    ("m", (100.0 / FT_M, "ft"), (100.0, "m")), ("L", (100.0 / GAL_L, "gal"), (100.0, "L")),
    ("pc", (100.0, "pc"), (100.0, "pc")), ("h", (100.0, "h"), (100.0, "h")),
])
def test_quantities_of_the_take_off_in_both_units(unit, us, metric):
    for units, (value, name) in (("us", us), ("metric", metric)):
        got = parts.in_units(context("en", "letter", units), 100.0, unit)
        assert got == (pytest.approx(value), context().words.get(f"unit.{name}", name))


@pytest.mark.parametrize(("code", "english", "french"), [
    ("PIPE 3/4", "Mainline pipe 3/4 in", "Tuyau maître 3/4 po"), ("POST", "Post", "Poteau"),
    ("WIRE 12.5", "Mainline wire 12.5 gauge", "Fil de maître-ligne calibre 12.5"),
    ("SIDE WIRE", "Side tie wire 12 gauge", "Fil d'attache latérale calibre 12"),
    ("NO SUCH PART", "as the take-off says", "as the take-off says"), ("PIPE", "as the take-off says", None),
])
def test_parts_are_named_by_the_catalogue_in_the_sheets_language(code, english, french):
    made = dataclasses.replace(part("S01", code, 1.0), name="as the take-off says")
    assert parts.part_name(context(), made) == english
    if french:
        assert parts.part_name(context("fr", "a4", "metric"), made) == french


# ---------------------------------------------------------------- the order list


def test_the_order_list_adds_material_labour_and_what_a_tap_costs():
    """Material 250.00, labour 120.00: 370.00, over 97 taps and so on."""
    rows = (part("", "SPOUT", 200.0, cost=150.0), part("", "POST", 10.0, cost=100.0),
            part("", "LABOUR", 4.8, "h", cost=120.0))
    hours = {"S01": {"mainline": 1.5, "laterals": 0.0}, "S02": {"mainline": 3.3}}
    ctx = changed(context(), takeoff=Takeoff((), rows, hours, "CAD"))
    taps = sum(lateral.taps for lateral in PLAN.laterals)
    text = " ".join(words(orders_page.build(ctx)))
    for wanted in ("250.00", "120.00", "370.00", f"{370.0 / taps:,.2f}", "4.8", "CAD"):
        assert wanted in text
    assert text.count("120.00") == 1  # labour is a sum, no line among the parts
    assert context().w("materials.sum") in text


def test_an_order_list_without_parts_or_taps_prints():
    assert context().w("orders.none") in " ".join(words(orders_page.build(
        changed(context(), takeoff=Takeoff((), (), {}, "USD")))))
    bare = changed(context(), grouping=dataclasses.replace(PLAN.grouping, laterals=()))
    assert "?" in " ".join(words(orders_page.build(bare)))


def test_an_unknown_price_is_a_question_mark_and_never_a_number():
    rows = (part("", "SPOUT", 200.0, cost=math.nan, unit_price=math.nan),)
    shown = words(orders_page.build(changed(context(), takeoff=Takeoff((), rows, {}, "USD"))))
    assert shown.count("?") >= 2
    assert not any("nan" in t for t in shown)


# ---------------------------------------------------------------- pump and tank


def station(name="C1", **change) -> Station:
    values = {"taps": 1000, "peak_flow_l_min": 12.6, "pump_air_m3_s": 0.0047194745, "releaser_l_min": 25.2,
              "tank_l": 7570.82, "moisture_trap_l": 37.85, "vacuum_kpa": 84.659, "farthest_vacuum_kpa": 81.273}
    return Station(name, **{**values, **change})


@pytest.mark.parametrize(("units", "wanted"), [
    ("us", ("1,000", "2,000 gal", "10.0 cfm", "25.0 inHg", "24.0 inHg", "10 gal")),
    ("metric", ("1,000", "7,571 L", "84.7 kPa", "81.3 kPa", "12.6 L/min", "25.2 L/min")),
])
def test_figures_of_a_station_in_both_units(units, wanted):
    """10 cfm = 0.0047195 m3/s, 1 inHg = 3.38639 kPa, 1 gal = 3.785412 L (NIST SP 811)."""
    ctx = changed(context("en", "letter", units), flow=dataclasses.replace(PLAN.flow, stations=(station(),)))
    shown = words(pump_page.build(ctx))
    for value in wanted:
        assert any(t.startswith(value) for t in shown), value


@pytest.mark.parametrize("change", [None, {"taps": 0}])
def test_a_collection_point_that_nothing_reaches_says_so(change):
    stations = () if change is None else (station(**change),)
    ctx = changed(context(), flow=dataclasses.replace(PLAN.flow, stations=stations))
    text = " ".join(words(pump_page.build(ctx)))
    assert context().w("pump.nothing") in text
    assert context().w("pump.how") not in text


def test_every_collection_point_has_its_place_kind_and_figures():
    second = CollectionPoint("C2", PLAN.collections[0].x_m + 50.0, PLAN.collections[0].y_m, 380.0, 381.5, "releaser")
    ctx = changed(context("en", "letter", "metric"), collections=(*PLAN.collections, second),
                  flow=dataclasses.replace(PLAN.flow, stations=(station("C2", taps=77), station())))
    text = " ".join(words(pump_page.build(ctx)))
    for point in ctx.plan.collections:
        lon, lat = (float(v) for v in PLAN.frame.lonlat(point.x_m, point.y_m))
        assert f"{lat:.6f}, {lon:.6f}" in text
        assert context().w("pump.station", id=point.collection_id, kind=context().w(f"pump.kind_{point.kind}")) in text
    assert text.index("1,000") < text.index("77")  # in the order of the points
    assert f"{1.5:.2f} m" in text


def test_the_arithmetic_is_the_plans_own_in_english_and_worked_anew_elsewhere():
    own = station(arithmetic=(("peak flow", "worked by hand in the plan"),))
    flow = dataclasses.replace(PLAN.flow, stations=(own,))
    assert "worked by hand in the plan" in " ".join(words(pump_page.build(changed(context(), flow=flow))))
    french = " ".join(words(pump_page.build(changed(context("fr", "a4", "metric"), flow=flow))))
    assert "worked by hand" not in french
    assert "2,0" in french  # the releaser passes twice the peak


def test_no_flow_gives_no_ratio():
    still = station(peak_flow_l_min=0.0)
    ctx = changed(context("fr", "a4", "metric"), flow=dataclasses.replace(PLAN.flow, stations=(still,)))
    text = " ".join(words(pump_page.build(ctx)))
    assert "nan" not in text
    assert "inf" not in text


# ---------------------------------------------------------------- index map


@pytest.mark.parametrize("count", [1, 3, 60])
@pytest.mark.parametrize("look", [("en", "letter", "us"), ("fr", "a4", "metric")], ids="-".join)
def test_every_section_is_in_the_table_of_the_index_once_however_many(count, look):
    ctx = context(*look)
    many = tuple(dataclasses.replace(PLAN.sections[k % 3], section_id=f"S{k:02d}", crew_hours=3.3, neighbours=())
                 for k in range(count))
    ctx = dataclasses.replace(changed(ctx, sections=many), codes={"": "AAAA-0000", **{
        s.section_id: f"{k:04X}-{k:04X}" for k, s in enumerate(many)}})
    pages = index_page.build(ctx)
    shown = words(pages)
    for k in range(count):
        assert shown.count(f"{k:04X}-{k:04X}") == 1
    assert shown.count("3.5") == count  # hours to the half
    assert len(pages) == 1 or all(p.title == ctx.w("common.continued", title=pages[0].title) for p in pages[1:])
    body = body_rect(ctx)
    for page in pages:
        for mark, clip in flat(page.marks):
            if clip is None:
                rect = bounds(mark)
                assert rect.x0 >= body.x0 - 1.1
                assert rect.y0 >= body.y0 - 1.1
                assert rect.x1 <= body.x1 + 1.1
    assert pages[0].geo
    assert not any(p.geo for p in pages[1:])


def test_the_index_names_taps_and_metres_of_the_whole():
    ctx = context("en", "letter", "metric")
    page = index_page.build(ctx)[0]
    metres = sum(line.plan_length_m for line in PLAN.mainlines)
    assert ctx.units.length(metres) in page.subtitle
    assert str(sum(s.taps for s in PLAN.sections)) in page.subtitle
