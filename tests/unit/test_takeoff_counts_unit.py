"""Counting part by part on one small line: sections, shares, ties, fittings, packs, hours; all by hand."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest
from pipeline.records import Crossing, Station
from pipeline.settings import MainlineSettings, Settings
from pipeline.takeoff import money, tally
from pipeline.takeoff.tally import Job, Line

import small_bush as bush


def line(pipes=(), pieces=((0.0, 20.0, "A"), (20.0, 40.0, "B")), made=None):
    made = made or bush.hung("M1", [(0, y) for y in (0, 10, 20, 30, 40)], [1.2] * 5)
    steps = np.linalg.norm(np.diff(made.xyz_m, axis=0), axis=1)
    return Line(made, list(pipes), list(pieces), made.station_m, np.concatenate([[0.0], np.cumsum(steps)]))


def job(*lines, settings=None, laterals=(), crossings=(), stations=(), lateral_section=None):
    return Job({one.line.mainline_id: one for one in lines}, SimpleNamespace(laterals=tuple(laterals)),
               SimpleNamespace(stations=tuple(stations)), bush.trees(), tuple(crossings), settings or Settings(),
               {"3/4": 100.0, "1": 30.0, "1-1/4": 50.0}, lateral_section or {})


def pipe(low, high, nominal="1", role="single", taps=30, tie=5.0):
    made = bush.pipe("P", "M1", low, high, taps, nominal=nominal, role=role)
    return type(made)(**{**{f: getattr(made, f) for f in made.__slots__}, "sidetie_spacing_m": tie})


def counted(made, *calls):
    for call, *args in calls:
        call(made, *args)
    return {k: pytest.approx(math.fsum(v)) for k, v in made.counted.items()}


K = math.hypot(1.0, 0.1)  # true length of a metre of plan at 10 %


@pytest.mark.parametrize(
    ("station", "section"), [(0.0, "A"), (19.9, "A"), (20.0, "B"), (40.0, "B"), (41.0, ""), (-1.0, "")]
)
def test_section_of_a_station(station, section):
    assert line().section(station) == section


@pytest.mark.parametrize(
    ("low", "high", "shares"),
    [(0, 10, [("A", 10)]), (10, 30, [("A", 10), ("B", 10)]), (15, 40, [("A", 5), ("B", 20)]), (35, 45, [("B", 10)]),
     (20, 40, [("B", 20)])],
)
def test_shares_of_a_stretch(low, high, shares):
    got = [(s, v) for s, v in line().shares(float(low), float(high)) if v > 0]
    assert got[: len(shares)] == [(s, pytest.approx(v * K if high <= 40 else min(v, 5) * K)) for s, v in shares]


@pytest.mark.parametrize(
    ("station", "count"), [(0.0, 1), (10.0, 2), (15.0, 2), (20.0, 2), (30.0, 1), (40.0, 1), (41.0, 0)]
)
def test_pipes_at_a_station(station, count):
    made = line([pipe(0.0, 20.0), pipe(20.0, 40.0, "3/4"), pipe(10.0, 20.0, role="dry")])
    assert len(made.at(station)) == count


def test_at_a_change_of_size_the_upper_pipe_is_there():
    made = line([pipe(0.0, 20.0), pipe(20.0, 40.0, "3/4")])
    assert [p.nominal for p in made.at(20.0)] == ["3/4"]


def test_pipe_wire_and_twist_ties():
    got = counted(made := job(one := line([pipe(0.0, 40.0)])), (tally._pipe_and_wire, one))
    assert got == {("A", "PIPE 1"): 20 * K, ("A", "WIRE 12.5"): 20 * K, ("A", "TWIST TIE"): 20 * K / 0.3048,
                   ("B", "PIPE 1"): 20 * K, ("B", "WIRE 12.5"): 20 * K, ("B", "TWIST TIE"): 20 * K / 0.3048}
    assert made.counted["A", "PIPE 1"] == [pytest.approx(20 * K)]


@pytest.mark.parametrize("pair", [False, True])
def test_supports_of_trees_take_a_tie_for_each_wire(pair):
    own = bush.hung("M1", [(0, 0), (0, 10)], [1.2, 1.2], kind="tree")
    pipes = [pipe(0.0, 10.0), *([pipe(0.0, 10.0, role="dry")] if pair else [])]
    one = line(pipes, ((0.0, 10.0, "A"),), own)
    wires = 2 if pair else 1
    assert counted(job(one), (tally._supports, one)) == {
        ("A", "SIDE TIE"): 2 * wires, ("A", "SIDE WIRE"): 2 * wires * 1.0, ("A", "FLAGGING"): 1.0}


@pytest.mark.parametrize(
    ("tie", "count"), [(10.0, 0), (9.9, 1), (5.0, 1), (4.9, 2), (3.4, 2), (3.3, 3), (0.0, 0), (99.0, 0)]
)
def test_side_ties_between_two_supports(tie, count):
    """A span of 10 m: ceil(10 / spacing) - 1; each with wire to a tree in reach and a metre of wrap."""
    own = bush.hung("M1", [(0, 0), (0, 10)], [1.2, 1.2])
    one = line([pipe(0.0, 10.0, tie=tie)], ((0.0, 10.0, "A"),), own)
    settings = Settings(mainlines=MainlineSettings(support_reach_m=2.0))
    got = counted(job(one, settings=settings), (tally._side_ties, one))
    assert got == ({("A", "SIDE TIE"): count, ("A", "SIDE WIRE"): 3.0 * count} if count else {})


@pytest.mark.parametrize(
    ("parent", "taps", "valves"), [("", 3, 1), ("M0", 24, 0), ("M0", 25, 1)]
)
def test_small_branches_have_no_valve(parent, taps, valves):
    own = bush.hung("M1", [(0, 0), (0, 10)], [1.2, 1.2], parent)
    one = line([pipe(0.0, 10.0, taps=taps)], ((0.0, 10.0, "A"),), own)
    got = counted(job(one), (tally._feet_and_tops, one))
    assert got == {**({("A", "VALVE 1"): 1} if valves else {}), ("A", "STRAINER"): 1, ("A", "CAP 1"): 1}


def test_a_reducer_at_each_change_of_size():
    pipes = [pipe(0.0, 10.0, "1-1/4"), pipe(10.0, 20.0, "1"), pipe(20.0, 30.0, "1"), pipe(30.0, 40.0, "3/4")]
    one = line(pipes)
    assert counted(job(one), (tally._reducers, one, pipes)) == {
        ("A", "REDUCER 1-1/4 x 1"): 1, ("B", "REDUCER 1 x 3/4"): 1}


@pytest.mark.parametrize(
    ("spans", "got"),
    [
        ([(0, 40, "1")], {("B", "COUPLING 1"): 1}),  # 40.2 m of 30 m rolls: one joint at true 30 m, station 29.85
        ([(0, 20, "1"), (20, 40, "1")], {("B", "COUPLING 1"): 1}),  # runs on through a cut of one size
        ([(0, 20, "1"), (20, 40, "3/4")], {}),
        ([(0, 29, "1")], {}),
        ([(0, 40, "3/4")], {}),
    ],
)
def test_couplings_where_a_roll_ends(spans, got):
    pipes = [pipe(float(a), float(b), n) for a, b, n in spans]
    one = line(pipes)
    assert counted(job(one), (tally._couplings, one, pipes)) == got


@pytest.mark.parametrize("dry", [False, True])
def test_a_join_and_its_manifold(dry):
    trunk = line([pipe(0.0, 40.0, "1-1/4"), *([pipe(0.0, 40.0, role="dry")] if dry else [])])
    own = bush.hung("M1.1", [(0, 25), (9, 25)], [1.2, 1.2], "M1", 25.0)
    twig = line([pipe(0.0, 9.0, "3/4")], ((0.0, 9.0, "C"),), own)
    got = counted(job(trunk, twig), (tally._join, twig), (tally._join, trunk))
    assert got == {("B", "JOIN 1-1/4 x 3/4"): 1, **({("B", "MANIFOLD"): 1} if dry else {})}


def test_crossings_of_mainlines_and_of_laterals():
    lateral = bush.plan().laterals[0]
    some = [Crossing("X1", "M1", "road", "", 5.0, 0, 0, 5, 5), Crossing("X2", "M1-L01", "trail", "", 1.0, 0, 0, 5, 5),
            Crossing("X3", "gone", "trail", "", 1.0, 0, 0, 5, 5)]
    made = job(line(), laterals=[lateral], crossings=some, lateral_section={0: "B"})
    assert counted(made, (tally._crossings,)) == {
        ("A", "CROSSING"): 1, ("A", "MARKER"): 4, ("B", "MARKER"): 2, ("", "MARKER"): 2}


@pytest.mark.parametrize("pumped", [False, True])
def test_equipment_of_a_collection_point(pumped):
    one = Station("C1", 10, 1.0, 0.00471947443 if pumped else 0.0, 1.0, 75.0, 5.0, 80.0, 79.0)
    got = counted(job(line(), stations=[one]), (tally._collections,))
    assert got == {("", "TANK"): 75.0, **({("", "RELEASER"): 1, ("", "TRAP"): 1, ("", "PUMP"): 10.0} if pumped else {})}


def test_nothing_is_added_for_nothing():
    made = job(line())
    made.add("A", "TEE", 0.0)
    made.add("A", "TEE", -1.0)
    assert made.counted == {}


# ---------------------------------------------------------------- money


@pytest.mark.parametrize(
    ("quantity", "waste", "pack", "roll", "ordered"),
    [
        (10.0, 0, 0, 0.0, 10.0),
        (3.0 + 1e-12, 0, 0, 0.0, 3.0),
        (10.2, 0, 0, 0.0, 11.0),
        (10.0, 5, 0, 0.0, 11.0),
        (10.0, 0, 4, 0.0, 12.0),
        (12.0, 0, 4, 0.0, 12.0),
        (101.0, 0, 4, 100.0, 200.0),
        (100.0, 5, 0, 100.0, 200.0),
        (95.0, 5, 0, 100.0, 100.0),
        (0.0, 5, 10, 0.0, 0.0),
    ],
)
def test_orders_are_whole_packs(quantity, waste, pack, roll, ordered):
    assert money._order(quantity, {"waste_pct": str(waste), "pack": str(pack)}, roll) == ordered


@pytest.mark.parametrize(
    ("code", "split"), [("TEE", ("TEE", "")), ("PIPE 3/4", ("PIPE", "3/4")), ("DROP TUBING", ("DROP TUBING", "")),
                        ("JOIN 1 x 3/4", ("JOIN", "1 x 3/4")), ("END RING", ("END RING", ""))]
)
def test_family_and_size_of_a_code(code, split):
    assert money.family(code, {k: {} for k in ("TEE", "PIPE", "DROP TUBING", "DROP", "JOIN", "END RING")}) == split


def test_prices_are_numbers_by_code():
    assert money._prices([{"code": " TEE ", "price": "1.5"}, {"code": "TEE", "price": "2"}]) == {"TEE": 2.0}
    for row in ({"code": "TEE"}, {"price": "1"}, {"code": "TEE", "price": "dear"}):
        with pytest.raises(ValueError, match="code and a number as price"):
            money._prices([row])


@pytest.mark.parametrize(("costs", "taps", "each"), [((10.0, 20.0), 6, 5.0), ((), 6, 0.0)])
def test_cost_of_a_tap(costs, taps, each):
    made = SimpleNamespace(total=[SimpleNamespace(cost=c) for c in costs])
    assert money.cost_per_tap(made, taps) == each
    assert math.isnan(money.cost_per_tap(made, 0))


@pytest.mark.parametrize("builder", ["B", "C"])
def test_a_join_where_two_sections_meet_is_loaded_by_the_branch_s_crew(builder):
    trunk = line([pipe(0.0, 40.0, "1-1/4")], ((0.0, 25.0, "B"), (25.0, 40.0, "C")))
    own = bush.hung("M1.1", [(0, 25), (9, 25)], [1.2, 1.2], "M1", 25.0)
    twig = line([pipe(0.0, 9.0, "3/4")], ((0.0, 9.0, builder),), own)
    assert counted(job(trunk, twig), (tally._join, twig)) == {(builder, "JOIN 1-1/4 x 3/4"): 1}
