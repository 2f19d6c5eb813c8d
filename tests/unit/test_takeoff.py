"""Parts, hours and money, counted by hand and summed over sections."""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise
from typing import Any

import pytest
from pipeline import flow, takeoff
from pipeline.records import Crossing, Part, Pipe, Section, Takeoff
from pipeline.resources import template_rows
from pipeline.takeoff import money
from shapely.geometry import Point

from flow_networks import case, stand

SHAPE = Point(0, 0).buffer(1.0)


def section(section_id: str, pieces: list[tuple[str, float, float]], laterals: range | tuple[int, ...]) -> Section:
    return Section(section_id, tuple(pieces), tuple(laterals), SHAPE, (), 0, 0)


def job(**more: Any) -> dict[str, Any]:
    """Return arguments of ``takeoff.count`` for the two-line case, cut in two sections at station 120."""
    arguments = case(**{k: v for k, v in more.items() if k not in {"sections", "crossings", "price_rows"}})
    sized, _ = flow.size(**arguments)
    laterals = arguments["grouping"].laterals
    low = tuple(i for i, a in enumerate(laterals) if a.mainline_id == "M1" and a.entry_station_m <= 120.0)
    rest = tuple(i for i in range(len(laterals)) if i not in low)
    return {
        "mainlines": arguments["mainlines"], "grouping": arguments["grouping"], "flow": sized,
        "sections": more.get("sections", (
            section("S01", [("M1", 0.0, 120.0)], low),
            section("S02", [("M1", 120.0, 300.0), ("M1.1", 0.0, 150.0)], rest),
        )),
        "trees": stand(5), "crossings": more.get("crossings", ()), "settings": arguments["settings"],
        "price_rows": more.get("price_rows", template_rows("prices.csv")),
    }


def total(taken: Takeoff, prefix: str) -> float:
    return math.fsum(p.quantity for p in taken.total if p.code == prefix or p.code.startswith(prefix + " "))


def only(parts: tuple[Part, ...], code: str) -> Part:
    found = [p for p in parts if p.code == code]
    assert len(found) == 1, code
    return found[0]


def test_pipe_and_wire_are_the_true_length_of_the_lines() -> None:
    arguments = job()
    taken, _ = takeoff.count(**arguments)
    length_m = sum(line.length_m for line in arguments["mainlines"])
    assert length_m == pytest.approx(450.0 * math.hypot(1.0, 0.03))
    assert total(taken, "PIPE") == pytest.approx(length_m)
    assert total(taken, "WIRE") == pytest.approx(length_m)
    assert total(taken, "TWIST TIE") == pytest.approx(length_m / 0.3048)


def test_a_pair_takes_two_pipes_and_two_wires() -> None:
    single, pair = takeoff.count(**job())[0], takeoff.count(**job(pair="always"))[0]
    for code in ("PIPE", "WIRE", "STRAINER"):
        assert total(pair, code) == pytest.approx(2.0 * total(single, code))
    assert total(single, "MANIFOLD") == total(single, "LOOP") == 0.0
    # top of each line, the branch's foot, the outlet; risers at the supports of 30, 60, 90, 120 m above a manifold
    assert total(pair, "MANIFOLD") == 4.0
    assert total(pair, "LOOP") == 4.0 + 4.0 + 4.0


def test_each_tap_has_its_drop_and_all_but_the_last_a_tee() -> None:
    arguments = job()
    taken, _ = takeoff.count(**arguments)
    taps, laterals = 200, 40
    assert total(taken, "SPOUT") == taps
    assert total(taken, "TEE") == taps - laterals
    assert total(taken, "END RING") == laterals
    assert total(taken, "ENTRY") == laterals
    assert total(taken, "DROP TUBING") == pytest.approx(taps * 32 * 0.0254)
    ring_m = math.pi * 0.40 + 0.3
    assert total(taken, "TUBING") == pytest.approx(laterals * (1.03 * 20.0 * math.hypot(1.0, 0.05) + ring_m))


def test_a_missing_diameter_is_taken_as_thirty_centimetres() -> None:
    known = takeoff.count(**{**job(), "trees": stand(5, 30.0)})[0]
    unknown = takeoff.count(**{**job(), "trees": stand(5, math.nan)})[0]
    assert total(unknown, "TUBING") == pytest.approx(total(known, "TUBING"))


def test_supports_side_ties_and_their_wire_by_hand() -> None:
    """11 supports on each line: two anchors, nine posts. Spans of 30 m and 15 m get the ties that the sag asks for."""
    arguments = job(pumped=False)
    taken, _ = takeoff.count(**arguments)
    assert total(taken, "ANCHOR") == 4.0
    assert total(taken, "POST") == 18.0
    ties = 0
    for line in arguments["mainlines"]:
        for low, high in pairwise(line.supports):
            spacing = min(p.sidetie_spacing_m for p in arguments["flow"].pipes
                          if p.mainline_id == line.mainline_id and p.from_station_m < high.station_m
                          and p.to_station_m > low.station_m)
            ties += math.ceil((high.station_m - low.station_m) / spacing - 1e-9) - 1
    assert ties > 20
    assert total(taken, "SIDE TIE") == ties
    assert total(taken, "SIDE WIRE") == pytest.approx(ties * (6 * 0.3048 + 1.0))


def test_tree_supports_need_a_tie_and_wire_to_their_tree() -> None:
    arguments = job(pumped=False)
    line = arguments["mainlines"][0]
    trees = tuple(replace(s, kind="tree", offset_m=-0.7) if s.kind == "post" else s for s in line.supports)
    changed = {**arguments, "mainlines": (replace(line, supports=trees), arguments["mainlines"][1])}
    before, after = takeoff.count(**arguments)[0], takeoff.count(**changed)[0]
    assert total(after, "SIDE TIE") == total(before, "SIDE TIE") + 9
    assert total(after, "SIDE WIRE") == pytest.approx(total(before, "SIDE WIRE") + 9 * 1.7)
    assert total(after, "POST") == total(before, "POST") - 9


def test_fittings_stand_where_sizes_change_and_lines_meet() -> None:
    arguments = job()
    taken, _ = takeoff.count(**arguments)
    pipes: tuple[Pipe, ...] = arguments["flow"].pipes
    changes = sum(
        low.mainline_id == up.mainline_id and low.nominal != up.nominal
        for low, up in pairwise(pipes)
    )
    assert changes > 0
    assert total(taken, "REDUCER") == changes
    assert total(taken, "JOIN") == 1.0
    trunk = next(p for p in pipes if p.mainline_id == "M1")
    branch = next(p for p in pipes if p.mainline_id == "M1.1")
    assert only(taken.total, f"JOIN {trunk.nominal} x {branch.nominal}").quantity == 1.0
    assert total(taken, "VALVE") == 2.0
    assert total(taken, "CAP") == 2.0
    assert total(taken, "STRAINER") == 2.0


def test_only_branches_worth_it_have_a_valve() -> None:
    """The branch carries half of all taps: 20 here, 25 there."""
    assert total(takeoff.count(**job(laterals=20, taps=1))[0], "VALVE") == 1.0
    assert total(takeoff.count(**job(laterals=25, taps=1))[0], "VALVE") == 2.0


def test_couplings_join_rolls_of_one_size() -> None:
    """300 m of one size from rolls of 152.4 m: one coupling; 150 m: none."""
    arguments = job(pumped=False, taps=1)
    assert {p.nominal for p in arguments["flow"].pipes} == {"3/4"}
    taken, _ = takeoff.count(**arguments)
    assert total(taken, "COUPLING") == 1.0
    assert only(taken.by_section, "COUPLING 3/4").section_id == "S02"  # at 152.4 m, above station 120


def test_sections_sum_to_totals_exactly() -> None:
    for more in ({}, {"pair": "always"}, {"pumped": False}, {"laterals": 37, "taps": 9, "length_m": 777.7}):
        taken, _ = takeoff.count(**job(**more))
        for part in taken.total:
            assert part.quantity == math.fsum(p.quantity for p in taken.by_section if p.code == part.code)
        assert {p.code for p in taken.by_section} == {p.code for p in taken.total}


def test_cutting_into_other_sections_changes_no_total() -> None:
    one = job(sections=(section("S01", [("M1", 0.0, 300.0), ("M1.1", 0.0, 150.0)], range(40)),))
    whole, cut = takeoff.count(**one)[0], takeoff.count(**job())[0]
    assert {p.code: p.quantity for p in whole.total} == pytest.approx({p.code: p.quantity for p in cut.total})


def test_parts_lie_where_their_station_lies() -> None:
    taken, _ = takeoff.count(**job())
    by = {(p.section_id, p.code): p.quantity for p in taken.by_section}
    per_m = math.hypot(1.0, 0.03)
    assert by["S01", "WIRE 12.5"] == pytest.approx(120.0 * per_m)
    assert by["S02", "WIRE 12.5"] == pytest.approx(330.0 * per_m)
    assert by["S01", "SPOUT"] == 8 * 5  # entries each 15 m up to 120 m
    assert by["S01", "ANCHOR"] == 1.0
    assert by["S02", "ANCHOR"] == 3.0
    assert by["", "RELEASER"] == 1.0
    assert not any(section_id == "" and code.startswith(("PIPE", "SPOUT")) for section_id, code in by)


def test_what_no_section_claims_is_still_counted() -> None:
    arguments = job(sections=(section("S01", [("M1", 0.0, 120.0)], tuple(range(8))),))
    taken, _ = takeoff.count(**arguments)
    assert total(taken, "SPOUT") == 200
    assert total(taken, "PIPE") == pytest.approx(450.0 * math.hypot(1.0, 0.03))


def test_crossing_gear_goes_with_mainlines_and_markers_with_both() -> None:
    crossings = (
        Crossing("X1", "M1", "trail", "", 60.0, 60.0, 0.0, 3.0, 2.4),
        Crossing("X2", "M1.1-L03", "trail", "", 5.0, 0.0, 0.0, 2.5, 2.4),
    )
    taken, _ = takeoff.count(**job(crossings=crossings))
    by = {(p.section_id, p.code): p.quantity for p in taken.by_section}
    assert by["S01", "CROSSING"] == 1.0
    assert by["S01", "MARKER"] == 4.0
    assert by["S02", "MARKER"] == 2.0


def test_equipment_only_with_a_pump() -> None:
    taken, _ = takeoff.count(**job())
    assert total(taken, "PUMP") == pytest.approx(2.0)
    assert total(taken, "TANK") == pytest.approx(400 * 3.785411784)
    gravity, _ = takeoff.count(**job(pumped=False))
    assert total(gravity, "PUMP") == total(gravity, "RELEASER") == total(gravity, "TRAP") == 0.0
    assert total(gravity, "TANK") > 0.0


def test_orders_are_whole_packs_that_cover_need_and_waste() -> None:
    taken, _ = takeoff.count(**job())
    rows = money.part_rows()
    for part in taken.total:
        row = rows[money.family(part.code, rows)[0]]
        wanted = part.quantity * (1.0 + float(row["waste_pct"]) / 100.0)
        assert part.order_quantity >= wanted - 1e-6
        assert part.cost == pytest.approx(part.order_quantity * part.unit_price)
    tubing = only(taken.total, "TUBING")
    assert tubing.order_quantity / 152.4 == pytest.approx(round(tubing.order_quantity / 152.4))
    assert tubing.order_quantity - tubing.quantity * 1.08 < 152.4
    assert only(taken.total, "SPOUT").order_quantity == 300.0  # 206 with waste, boxes of 100
    assert all(p.order_quantity == 0.0 for p in taken.by_section)


def test_hours_by_hand() -> None:
    taken, _ = takeoff.count(**job())
    hours = taken.hours_by_section
    assert list(hours) == ["S01", "S02"]
    spouts = {p.section_id: p.quantity for p in taken.by_section if p.code == "SPOUT"}
    for section_id, tasks in hours.items():
        assert tasks["drops"] == pytest.approx(spouts[section_id] * 2.0 / 60.0)
        labour = next(p for p in taken.by_section if p.code == "LABOUR" and p.section_id == section_id)
        assert labour.quantity == pytest.approx(sum(tasks.values()))
    assert only(taken.total, "LABOUR").cost == pytest.approx(sum(sum(t.values()) for t in hours.values()) * 25.0)


def test_cost_per_tap_is_everything_over_all_taps() -> None:
    taken, findings = takeoff.count(**job())
    finding = next(f for f in findings if f.code == "COST_PER_TAP")
    assert finding.measured == pytest.approx(sum(p.cost for p in taken.total) / 200.0)
    assert finding.unit == taken.currency == "USD"
    assert "PRICES_ARE_EXAMPLES" in {f.code for f in findings}


def test_own_prices_by_size_and_by_family_and_missing_ones() -> None:
    rows = [{"code": "PIPE 1", "price": "2.5"}, {"code": "PIPE", "price": "9"}]
    taken, findings = takeoff.count(**job(price_rows=rows))
    prices = {p.code: p.unit_price for p in taken.total}
    assert prices["PIPE 1"] == 2.5
    assert prices["PIPE 3/4"] == 9.0
    assert prices["SPOUT"] == 0.0
    missing = next(f for f in findings if f.code == "PRICE_MISSING")
    assert "SPOUT" in missing.text
    assert "PIPE" not in missing.text
    with pytest.raises(ValueError, match="a number as price"):
        takeoff.count(**job(price_rows=[{"code": "SPOUT", "price": "dear"}]))


@pytest.mark.parametrize("language", ["en", "fr"])
def test_every_part_has_a_name_in_each_language(language: str) -> None:
    arguments = job(pair="always")
    settings = replace(arguments["settings"], bush=replace(arguments["settings"].bush, language=language))
    taken, _ = takeoff.count(**{**arguments, "settings": settings})
    assert all(p.name and "{" not in p.name for p in taken.total)
    assert ("Chalumeau" in only(taken.total, "SPOUT").name) is (language == "fr")


def test_templates_agree_with_one_another() -> None:
    rows = money.part_rows()
    assert len(rows) == len(template_rows("parts.csv"))
    for row in template_rows("labour.csv"):
        assert row["code"] in rows
    priced = {money.family(row["code"], rows)[0] for row in template_rows("prices.csv")}
    assert priced == set(rows) - {"LABOUR"}
    assert {row["status"] for row in template_rows("prices.csv")} == {"example"}


def test_unknown_codes_are_refused() -> None:
    with pytest.raises(ValueError, match="no part 'ROPE'"):
        money.family("ROPE", money.part_rows())
