"""Pockets of trees that are left out: grouping against networkx, words and figures both ways."""

from __future__ import annotations

import networkx
import numpy as np
import pytest
from pipeline.pockets import POCKET_GAP_M, pockets
from pipeline.records import Trees
from pipeline.units import Units

METRIC = Units("metric")


def trees(x, y=None, z=None):
    n = len(x)
    return Trees(tuple(f"T{i}" for i in range(n)), np.array(x, float), np.zeros(n) if y is None else np.array(y, float),
                 np.arange(n, dtype=float) if z is None else np.array(z, float), ("maple",) * n, np.full(n, 40.0),
                 np.zeros(n, np.int64), ("set_aside",) * n, ("NO_GRADE",) * n, ("",) * n)


def tell(stand, reason, taps=None, lift=None, units=METRIC):
    n = len(stand)
    reason = (reason,) * n if isinstance(reason, str) else tuple(reason)
    return pockets(trees=stand, reason=reason, potential_taps=np.ones(n) if taps is None else np.array(taps, float),
                   lift_m=np.zeros(n) if lift is None else np.array(lift, float), units=units)


def test_no_tree_left_out_is_no_pocket():
    assert tell(trees([0.0, 1.0]), "") == ()


@pytest.mark.parametrize(("apart", "count"), [(POCKET_GAP_M - 0.01, 1), (POCKET_GAP_M, 1), (POCKET_GAP_M + 0.01, 2)])
def test_the_gap_between_two_pockets(apart, count):
    assert len(tell(trees([0.0, apart]), "NO_GRADE")) == count


def test_a_chain_is_one_pocket_though_its_ends_are_far_apart():
    found = tell(trees([0.0, 40.0, 80.0, 120.0]), "OUT_OF_REACH")
    assert [f.measured for f in found] == [4.0]
    assert found[0].text.startswith("4 trees (4 taps) around tree T0 ")


@pytest.mark.parametrize("seed", range(6))
def test_groups_are_the_components_of_the_graph_of_near_trees(seed):
    """Independent: every pair measured, components by networkx, taps summed."""
    rng = np.random.default_rng(seed)
    n = 60
    x, y = rng.uniform(0.0, 500.0, (2, n))
    taps = rng.integers(1, 4, n)
    graph = networkx.Graph()
    graph.add_nodes_from(range(n))
    graph.add_edges_from((i, j) for i in range(n) for j in range(i) if np.hypot(x[i] - x[j], y[i] - y[j]) <= 45.0)
    wanted = sorted(sum(int(taps[i]) for i in part) for part in networkx.connected_components(graph))
    found = tell(trees(x, y), "NOT_WORTH_IT", taps)
    assert sorted(int(f.measured) for f in found) == wanted


def test_pockets_come_by_reason_then_by_first_tree():
    stand = trees([0.0, 100.0, 200.0, 300.0])
    found = tell(stand, ("NOT_WORTH_IT", "BELOW_OUTLET", "NO_GRADE", "BELOW_OUTLET"))
    assert [(f.code, f.subject_id) for f in found] == [
        ("POCKET_BELOW_OUTLET", "T1"), ("POCKET_BELOW_OUTLET", "T3"), ("POCKET_NO_GRADE", "T2"),
        ("POCKET_NOT_WORTH_IT", "T0")]


def test_reasons_part_trees_that_stand_together():
    found = tell(trees([0.0, 1.0, 2.0]), ("NO_GRADE", "OUT_OF_REACH", "NO_GRADE"))
    assert [f.text.split(" ")[0] for f in found] == ["2", "Tree"]


@pytest.mark.parametrize("code", ["NO_LATERAL", "NO_GO", "DUPLICATE", "TOO_SMALL", "OFF_TERRAIN"])
def test_reasons_that_are_told_elsewhere_make_no_pocket(code):
    assert tell(trees([0.0, 1.0]), code) == ()


def test_a_tree_that_would_carry_no_tap_is_not_mourned():
    assert tell(trees([0.0]), "NO_GRADE", [0.0]) == ()
    [found] = tell(trees([0.0, 1.0, 2.0]), "NO_GRADE", [0.0, 2.0, 1.0])
    assert found.text.startswith("2 trees (3 taps)")


def test_a_tree_without_taps_is_no_stepping_stone():
    """0 and 80 m are joined by the tree at 40 m only while that one counts."""
    assert len(tell(trees([0.0, 40.0, 80.0]), "NO_GRADE", [1, 1, 1])) == 1
    assert len(tell(trees([0.0, 40.0, 80.0]), "NO_GRADE", [1, 0, 1])) == 2


def test_a_pocket_is_named_after_its_lowest_tree():
    [found] = tell(trees([0.0, 1.0, 2.0], z=[5.0, 3.0, 4.0]), "BELOW_OUTLET", lift=[1.0, 3.0, 2.0])
    assert found.subject_id == "T1"
    assert "second collection point at or below tree T1" in found.remedy


@pytest.mark.parametrize(
    ("code", "lift", "measured", "unit"),
    [
        ("BELOW_OUTLET", [1.0, 3.0], 3.0, "m"), ("BELOW_OUTLET", [np.nan, 3.0], 3.0, "m"),
        ("BELOW_OUTLET", [np.nan, np.nan], None, "m"), ("NO_GRADE", [0.5, 0.25], 0.5, "m"),
        ("OUT_OF_REACH", [1.0, 3.0], 5.0, "taps"), ("NOT_WORTH_IT", [np.nan, np.nan], 5.0, "taps"),
    ],
)
def test_what_is_measured(code, lift, measured, unit):
    """The greatest known lift where height is short, otherwise the taps (2 + 3)."""
    [found] = tell(trees([0.0, 1.0]), code, [2, 3], lift)
    assert (found.measured, found.unit) == (measured, unit)
    assert (found.severity, found.layer, found.limit) == ("note", "trees", None)


@pytest.mark.parametrize(
    ("units", "lift", "words"),
    [
        (METRIC, 3.0, "A lift of 3.0 m,"), (Units("us"), 3.048, "A lift of 10.0 ft,"),
        (METRIC, np.nan, "A lift of the sap,"),
    ],
)
def test_the_lift_is_named_in_the_readers_units(units, lift, words):
    [found] = tell(trees([0.0]), "BELOW_OUTLET", lift=[lift], units=units)
    assert found.remedy.startswith(words)


def test_one_tree_is_named_alone():
    [found] = tell(trees([0.0]), "OUT_OF_REACH", [2])
    assert found.text == "Tree T0 (2 taps) stand farther from every mainline than a lateral may reach."
