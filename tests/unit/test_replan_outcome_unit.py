"""What a combination of decisions leads to and costs, by hand and against every other combination."""

from __future__ import annotations

import dataclasses
import itertools
import math

import networkx as nx
import numpy as np
import pytest
from pipeline.replan.case import make_case
from pipeline.replan.damage import assess
from pipeline.replan.outcome import Evaluator, mend_parts, new_parts, take_back
from pipeline.replan.regroup import mended
from shapely.geometry import LineString, Point, box

from repair_scene import plan, site

LABOUR = 25.0


def evaluator(*rows, **more) -> Evaluator:
    here = site(*rows, **more)
    return Evaluator(make_case(here, assess(here)))


def broken(name: str, *spans: int) -> list[tuple]:
    return [("line_broken", Point(0, 0), "supports", f"{name}-S{k:02d}") for k in spans]


def choice(made: Evaluator, *kinds: str) -> tuple[int, ...]:
    return tuple(p.kinds.index(kind) for p, kind in zip(made.case.pieces, kinds, strict=True))


def outcome(made: Evaluator, *kinds: str):
    got = made.evaluate(choice(made, *kinds))
    assert not isinstance(got, str), got
    return got


def every(made: Evaluator):
    """Return all combinations of legal options that go together."""
    rows = [made.evaluate(c) for c in itertools.product(*(p.legal for p in made.case.pieces))]
    return [o for o in rows if not isinstance(o, str)]


# ---------------------------------------------------------------- parts


def test_a_new_lateral_takes_what_the_take_off_counts():
    """M1-L02: 17.31 m and a ring, four taps on drops of 32 in, one entry on 3/4 in."""
    parts: dict[str, float] = {}
    new_parts(site(), parts, plan().laterals[1])
    lateral = plan().laterals[1]
    tubing = 1.03 * lateral.length_m + math.pi * plan().trees.dbh_cm[lateral.tree[-1]] / 100.0 + 0.3
    assert parts == pytest.approx({"ENTRY 3/4": 1.0, "TUBING": tubing, "TEE": 3.0, "END RING": 1.0,
                                   "DROP TUBING": 4 * 0.8128, "SPOUT": 4.0})


@pytest.mark.parametrize(("station", "code"), [(20.0, "ENTRY 1"), (40.0, "ENTRY 1"), (41.0, "ENTRY 3/4")])
def test_an_entry_fits_the_pipe_that_it_enters(station, code):
    parts: dict[str, float] = {}
    new_parts(site(), parts, dataclasses.replace(plan().laterals[0], entry_station_m=station))
    assert [c for c in parts if c.startswith("ENTRY")] == [code]


def test_one_tap_needs_no_tee():
    parts: dict[str, float] = {}
    new_parts(site(), parts, dataclasses.replace(plan().laterals[0], taps=1))
    assert "TEE" not in parts
    assert parts["SPOUT"] == 1.0


@pytest.mark.parametrize(("lost", "parts"), [
    ([], {}), ([4], {"END RING": 1.0}), ([3], {"TUBING": math.sqrt(10.0**2 + 5.0**2 + 0.5**2)}),
    ([2], {"TUBING": math.sqrt(11.0**2 + 3.0**2 + 0.4**2)}),
    ([2, 3], {"TUBING": math.sqrt(16.0**2 + 6.0**2 + 0.7**2)}), ([3, 4], {"END RING": 1.0}),
    ([2, 4], {"TUBING": math.sqrt(11.0**2 + 3.0**2 + 0.4**2), "END RING": 1.0}),
])
def test_mending_takes_tubing_past_lost_trees_and_a_ring_at_a_new_last_one(lost, parts):
    """M1-L02 by its vertices: (50, 65, 107.7), T2 (56, 66, 107.9), T3 (61, 68, 108.1), T4 (66, 71, 108.4)."""
    here = site(*[("tree_down", t) for t in lost])
    old = here.plan.laterals[1]
    again = mended(here, assess(here), old)
    got: dict[str, float] = {}
    mend_parts(got, old, again.lateral)
    assert got == pytest.approx(parts)


def test_drops_spouts_and_tees_of_sound_trees_are_used_again():
    bill: dict[str, float] = {}
    take_back(site(), bill, [2, 4])  # one tap and two
    assert bill == pytest.approx({"SPOUT": 3.0, "TEE": 3.0, "DROP TUBING": 3 * 0.8128})
    none: dict[str, float] = {}
    take_back(site(), none, [])
    assert none == {}


# ---------------------------------------------------------------- one combination


def test_hanging_a_broken_span_again_by_hand():
    """sqrt(101) m of pipe, wire and ties, two couplings; 1.8 min a metre, 0.75 h to tension, 0.5 h for the break."""
    made = evaluator(*broken("M1", 5))
    got = outcome(made, "rehang")
    length = math.sqrt(101.0)
    money = length * (2.0 + 0.5 + 0.1 / 0.3048) + 2 * 4.0
    hours = length * 1.8 / 60.0 + 0.75 + 0.5
    assert (got.money, got.hours) == (pytest.approx(money), pytest.approx(hours))
    assert got.cost == pytest.approx(money + hours * LABOUR)
    assert (got.taps, made.sound, got.pooled, got.made) == (12, 12, (), ())
    assert [k for k, _ in got.kept] == [0, 1, 2, 3]
    assert got.reused == {}


def test_mending_past_a_fallen_tree_by_hand():
    made = evaluator(("tree_down", 3))
    got = outcome(made, "mend")
    money = math.sqrt(125.25) * 0.4
    hours = math.sqrt(125.25) * 0.3 / 60.0 + 2.0 + 0.125  # tubing, the tree to clear, a stake to set
    assert (got.money, got.hours, got.taps) == (pytest.approx(money), pytest.approx(hours), 11)
    assert made.sound == 11
    assert got.cost == pytest.approx(money + hours * LABOUR)
    assert got.mended == frozenset({1})
    assert got.cleared == frozenset({1})


def test_giving_a_lateral_up_costs_its_sound_taps():
    made = evaluator(("tree_down", 3))
    got = outcome(made, "abandon")
    assert (got.money, got.hours, got.taps) == (0.0, 0.0, 8)
    assert got.cost == pytest.approx(3 * made.value)
    assert made.value == pytest.approx(site().tap_value())


def test_a_tree_that_is_lost_is_nobody_s_loss_to_mend():
    assert evaluator(("tree_down", 4)).sound == 10
    assert evaluator(("tree_down", 9)).sound == 12  # it only holds the line


def test_what_is_taken_back_is_not_bought_again():
    made = evaluator(("tree_down", 3))
    got = outcome(made, "regroup")
    assert got.made
    assert got.pooled == (2, 4)
    for code in ("SPOUT", "TEE", "DROP TUBING"):
        assert got.reused.get(code, 0.0) == pytest.approx(min(got.needed.get(code, 0.0),
                                                              3 * (0.8128 if code == "DROP TUBING" else 1.0)))
    bought = {c: q - got.reused.get(c, 0.0) for c, q in got.needed.items()}
    assert got.money == pytest.approx(site().bill(bought)[0])
    assert got.hours == pytest.approx(site().bill(got.needed)[1])


@pytest.mark.parametrize("rows", [
    [("tree_down", 3), ("stem", LineString([(44, 26), (52, 30)]))], [*broken("M1", 5), ("tree_down", 6)],
    [("blown_area", box(46, 52, 54, 58)), ("tree_down", 8)], [("hung", 9), ("tree_down", 1)],
])
def test_the_cost_is_money_labour_and_the_worth_of_lost_taps_and_never_below_its_bound(rows):
    made = evaluator(*rows)
    outcomes = every(made)
    assert outcomes
    for got in outcomes:
        assert got.cost == pytest.approx(got.money + got.hours * LABOUR + made.value * (made.sound - got.taps))
        base = made.base(got.choice)
        assert not isinstance(base, str)
        assert base.bound <= got.cost + 1e-9
        assert got.taps == sum(la.taps for _, la in got.kept) + sum(la.taps for la, _ in got.made)


@pytest.mark.parametrize("rows", [
    [("tree_down", 3), ("tree_down", 5)], broken("M1", 5), [("blown_area", box(46, 52, 54, 58))],
])
def test_no_sound_tree_is_served_twice_or_lost_from_the_count(rows):
    made = evaluator(*rows)
    for got in every(made):
        kept = [t for _, la in got.kept for t in la.tree if made.case.assessment.usable(t)]
        new = [t for la, _ in got.made for t in la.tree]
        assert len(set(kept + new)) == len(kept + new)
        assert set(new) <= set(got.pooled)
        assert not set(kept) & set(got.pooled)
        assert all(made.case.assessment.usable(t) for t in new)


def test_a_new_lateral_that_costs_more_than_its_taps_is_not_built():
    """The same trees, a tap worth a tenth: nothing is led anew."""
    cheap = plan()
    rules = dataclasses.replace(cheap.settings.mainlines, tap_worth_m=0.9144)
    poor = dataclasses.replace(cheap, settings=dataclasses.replace(cheap.settings, mainlines=rules))
    assert outcome(evaluator(("tree_down", 3)), "regroup").made
    assert outcome(evaluator(("tree_down", 3), made=poor), "regroup").made == ()


def test_a_lateral_on_a_line_that_is_given_up_cannot_be_mended():
    made = evaluator(*broken("M1", 7), ("tree_down", 6))
    assert made.evaluate(choice(made, "abandon", "mend")) == "a lateral cannot be mended on a line that is given up"
    kept = outcome(made, "rehang", "mend")
    assert kept.taps == 11


@pytest.mark.parametrize("upper", [("M1", 6), ("M1", 8), ("M1.1", 1), ("M1.1", 0)])
def test_what_goes_with_a_line_that_is_given_up_is_neither_repaired_nor_paid_for(upper):
    """Span 2 of M1 is given up, and with it all above: no anchor, no job and no hour for what else broke there."""
    made = evaluator(*broken("M1", 2), *broken(*upper))
    expected = outcome(evaluator(*broken("M1", 2)), "abandon")
    piece = made.case.pieces[1]
    for k in piece.legal:
        got = made.evaluate((made.case.pieces[0].kinds.index("abandon"), k))
        if piece.kinds[k] != "abandon":
            assert isinstance(got, str)
            continue
        assert not isinstance(got, str)
        assert (got.money, got.hours, got.cost) == pytest.approx((expected.money, expected.hours, expected.cost))
        assert got.cleared == expected.cleared == frozenset()


def test_a_line_that_stays_keeps_the_very_same_laterals():
    made = evaluator(*broken("M1", 5))
    got = outcome(made, "rehang")
    assert all(la is plan_la for (_, la), plan_la in zip(got.kept, made.site.plan.laterals, strict=True))


def test_combinations_are_worked_out_the_same_whatever_was_asked_before():
    rows = [*broken("M1", 5), ("tree_down", 6)]
    warm = evaluator(*rows)
    first = {o.choice: o.cost for o in every(warm)}
    again = {o.choice: o.cost for o in every(warm)}
    assert first == again
    for combination, cost in list(first.items())[::-1]:
        fresh = evaluator(*rows).evaluate(combination)
        assert not isinstance(fresh, str)
        assert fresh.cost == pytest.approx(cost)


# ---------------------------------------------------------------- clusters


@pytest.mark.parametrize("seed", range(6))
def test_trees_that_no_lateral_can_link_are_grouped_apart(seed):
    """Single linkage by plain distances against connected components of networkx."""
    rng = np.random.default_rng(seed)
    n = 40
    xy = rng.uniform(0.0, 1500.0, (n, 2))
    stand = plan().trees
    many = dataclasses.replace(
        stand, tree_id=tuple(f"T{i}" for i in range(n)), x_m=xy[:, 0], y_m=xy[:, 1], ground_z_m=np.zeros(n),
        species=("",) * n, dbh_cm=np.full(n, 35.0), taps=np.ones(n, dtype=np.int64), status=("served",) * n,
        reason=("",) * n, note=("",) * n)
    made = Evaluator(dataclasses.replace(evaluator(("tree_down", 3)).case, pieces=()))
    made.site = dataclasses.replace(made.site, plan=dataclasses.replace(plan(), trees=many))
    rules = plan().settings.laterals
    apart = 2.0 * (rules.reach_m + rules.max_length_m) + 1.0
    graph = nx.Graph()
    graph.add_nodes_from(range(n))
    graph.add_edges_from((i, j) for i in range(n) for j in range(i) if np.hypot(*(xy[i] - xy[j])) <= apart)
    expected = {tuple(sorted(part)) for part in nx.connected_components(graph)}
    assert set(made._clusters(list(range(n)))) == expected
    assert made._clusters([]) == []
