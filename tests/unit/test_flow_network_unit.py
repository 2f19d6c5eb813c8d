"""The tree of reaches: sums, maxima, blocks, legs, vents; by hand and against networkx on random networks."""

from __future__ import annotations

import itertools
import math

import networkx
import numpy as np
import pytest
from pipeline.flow import choose, network, pairs

from flow_networks import case, grouping, lateral, mainline, point, random_network


def build(given):
    return network.build(mainlines=given["mainlines"], grouping=given["grouping"], collections=given["collections"])


def two(entries=((50.0, 2), (100.0, 3)), branch=((25.0, 7),), join=50.0):
    """M1 of 100 m in two spans; M1.1 of 50 m, one span, joins at 50 m."""
    lines = (mainline(length_m=100.0, spans=2), mainline("M1.1", length_m=50.0, spans=1, parent_id="M1", join_m=join))
    laterals = [lateral(f"A{i}", "M1", s, t) for i, (s, t) in enumerate(entries)]
    laterals += [lateral(f"B{i}", "M1.1", s, t) for i, (s, t) in enumerate(branch)]
    return build({"mainlines": lines, "grouping": grouping(laterals), "collections": (point(),)})


def test_two_lines_by_hand():
    tree = two()
    assert tree.node_station_m.tolist() == [0.0, 50.0, 100.0, 0.0, 25.0, 50.0]
    assert tree.first.tolist() == [0, 2, 4]
    assert tree.owner.tolist() == [0, 0, 1, 1]
    assert tree.lower_node.tolist() == [0, 1, 3, 4]
    assert tree.node_owner.tolist() == [0, 0, 0, 1, 1, 1]
    assert tree.join_node.tolist() == [-1, 1]
    assert tree.joined.tolist() == [False, True, False, False, False, False]
    assert tree.leg.tolist() == [0, 1, 2, 2]
    assert tree.entry_node.tolist() == [1, 2, 4]
    assert tree.length_m == pytest.approx(np.array([50, 50, 25, 25]) * math.hypot(1.0, 0.03))
    assert tree.grade_pct == pytest.approx([3.0] * 4)
    assert tree.reaches == 4


def test_sums_by_hand():
    """Branch 7 at its middle; M1: 2 at the join, 3 at the top."""
    tree = two()
    got = tree.inflow(np.array([0.0, 2.0, 3.0, 0.0, 7.0, 0.0]))
    assert got.tolist() == [12.0, 12.0, 3.0, 7.0, 7.0, 0.0]


def test_greatest_above_by_hand():
    tree = two()
    assert tree.greatest_above(np.array([1.0, 2.0, 9.0, 4.0])).tolist() == [9.0, 2.0, 9.0, 4.0]
    assert tree.greatest_above(np.array([1.0, 5.0, 3.0, 4.0])).tolist() == [5.0, 5.0, 4.0, 4.0]


def test_along_by_hand():
    assert two().along(np.array([1.0, 10.0, 100.0, 1000.0])).tolist() == [0.0, 1.0, 11.0, 1.0, 101.0, 1101.0]


def test_a_branch_at_the_foot_counts_for_the_first_reach():
    tree = two(join=0.0)
    assert tree.join_node.tolist() == [-1, 0]
    assert tree.greatest_above(np.array([1.0, 2.0, 9.0, 4.0])).tolist() == [9.0, 2.0, 9.0, 4.0]


@pytest.mark.parametrize("seed", range(8))
def test_sums_and_maxima_against_networkx(seed):
    """Each reach an edge; descendants of its upper node are all that is upstream."""
    rng = np.random.default_rng(seed)
    tree = build(random_network(rng, branches=5))
    graph = networkx.DiGraph()
    for r in range(tree.reaches):
        low = int(tree.lower_node[r])
        graph.add_edge(low, low + 1, reach=r)
    for j, at in enumerate(tree.join_node):
        if at >= 0:
            graph.add_edge(int(at), int(tree.first[j]) + j, reach=-1)
    own, value = rng.uniform(0.0, 5.0, len(tree.node_station_m)), rng.uniform(0.0, 9.0, tree.reaches)
    inflow, greatest, along = tree.inflow(own), tree.greatest_above(value), tree.along(value)
    for r in range(tree.reaches):
        top = int(tree.lower_node[r]) + 1
        above = {top} | networkx.descendants(graph, top)
        assert inflow[top] == pytest.approx(sum(own[n] for n in above))
        upstream = [d["reach"] for a, _, d in graph.edges(data=True) if a in above and d["reach"] >= 0]
        assert greatest[r] == max([value[r], *(value[u] for u in upstream)])
    root = int(np.flatnonzero(tree.join_node == -1)[0])
    start = int(tree.first[root]) + root
    for node, way in networkx.single_source_shortest_path(graph, start).items():
        steps = [graph.edges[a, b]["reach"] for a, b in itertools.pairwise(way)]
        assert along[node] == pytest.approx(sum(value[r] for r in steps if r >= 0))


# ---------------------------------------------------------------- building


@pytest.mark.parametrize(
    ("extra", "nodes"),
    [
        ([], [0, 50, 100]), ([25.0], [0, 25, 50, 100]), ([25.0, 25.0005], [0, 25, 50, 100]),
        ([25.0, 25.002], [0, 25, 25.002, 50, 100]), ([0.0, 0.0005, 100.0], [0, 50, 100]), ([100.04], [0, 50, 100]),
        ([-0.04], [0, 50, 100]), ([75.0, 25.0], [0, 25, 50, 75, 100]),
    ],
)
def test_a_line_is_cut_where_anything_changes(extra, nodes):
    got = network._node_stations(mainline(length_m=100.0, spans=2), extra)
    assert got == pytest.approx(nodes)


@pytest.mark.parametrize("station", [-0.06, 100.06, 1e9])
def test_what_lies_beyond_a_line_is_refused(station):
    with pytest.raises(ValueError, match="lies beyond mainline M1"):
        network._node_stations(mainline(length_m=100.0, spans=2), [station])


def test_order_puts_parents_first_and_keeps_what_was_given():
    lines = (mainline("C", parent_id="B"), mainline("A"), mainline("B", parent_id="A"), mainline("D"))
    assert network.flow_order(lines, (point(),)) == [1, 2, 0, 3]


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ((mainline("A", parent_id="B"), mainline("B", parent_id="A")), "flow in a loop: "),
        ((mainline("A", parent_id="A"),), "flow in a loop: A"),
        ((mainline("A", parent_id="X"),), "A joins unknown mainline 'X'"),
        ((mainline("A", collection_id="C7"),), "A ends at unknown collection point 'C7'"),
    ],
)
def test_order_refuses_contradictions(lines, words):
    with pytest.raises(ValueError, match=words):
        network.flow_order(lines, (point(),))


# ---------------------------------------------------------------- blocks of one size


def straight(length, spans):
    return build({"mainlines": (mainline(length_m=length, spans=spans),), "grouping": grouping([]),
                  "collections": (point(),)})


@pytest.mark.parametrize(
    ("length", "spans", "blocks"),
    [
        (30.0, 3, [0, 0, 0]),
        (60.96, 4, [0, 0, 1, 1]),  # two whole blocks of 30.48 m
        (90.0, 9, [0, 0, 0, 0, 1, 1, 1, 2, 2]),  # a last block of 29 m is its own: reaches begin at 0, 10, ... 80
        (70.0, 7, [0, 0, 0, 0, 1, 1, 1]),  # 9 m left over belong to the block below
        (10.0, 2, [0, 0]),
    ],
)
def test_one_size_runs_through_a_block(length, spans, blocks):
    assert choose.block_of(straight(length, spans)).tolist() == blocks


def test_blocks_begin_anew_at_each_leg():
    assert choose.block_of(two()).tolist() == [0, 1, 2, 2]


def test_no_lines_no_blocks():
    tree = build({"mainlines": (), "grouping": grouping([]), "collections": (point(),)})
    assert choose.block_of(tree).tolist() == []
    assert tree.reaches == 0
    assert tree.inflow(np.zeros(0)).tolist() == []


@pytest.mark.parametrize(
    ("size", "grown"), [([0, 0, 0, 0], [0, 0, 0, 0]), ([0, 0, 2, 0], [2, 0, 2, 2]), ([0, 1, 0, 3], [3, 1, 3, 3]),
                        ([3, 0, 0, 1], [3, 0, 1, 1])]
)
def test_sizes_grow_downstream_and_hold_through_a_block(size, grown):
    assert choose._never_shrink(two(), np.array(size)).tolist() == grown


@pytest.mark.parametrize(
    ("wish", "cannot", "wanted"),
    [
        ("never", [True] * 4, [False] * 4), ("always", [False] * 4, [True] * 4),
        ("auto", [False, False, False, True], [True, False, True, True]), ("auto", [False] * 4, [False] * 4),
    ],
)
def test_where_a_pair_runs(wish, cannot, wanted):
    assert choose._pairs(two(), cannot=np.array(cannot), wish=wish).tolist() == wanted


# ---------------------------------------------------------------- vents


def test_vents_are_ends_joins_and_risers():
    """A pair along 100 m with supports every 20 m, a branch at 40 m."""
    lines = (mainline(length_m=100.0, spans=5), mainline("B", length_m=20.0, spans=1, parent_id="M1", join_m=40.0))
    tree = build({"mainlines": lines, "grouping": grouping([lateral("L", "M1", 90.0, 1)]), "collections": (point(),)})
    vent = pairs.vents(tree, tree.owner == 0)
    assert tree.node_station_m[:7].tolist() == [0.0, 20.0, 40.0, 60.0, 80.0, 90.0, 100.0]
    # 40 m are more than 30.48, so a riser at 20; 60 m above the branch: risers at 60 and 80
    assert vent[:7].tolist() == [True, True, True, True, True, False, True]
    assert not pairs.vents(tree, np.zeros(tree.reaches, bool))[[0, 1, 3, 4, 6]].any()


def test_air_in_a_wet_line_is_gathered_down_to_the_next_vent():
    tree = build(
        {"mainlines": (mainline(length_m=40.0, spans=4),), "grouping": grouping([]), "collections": (point(),)}
    )
    vent = np.array([True, False, True, False, True])
    air, apart = pairs.wet_air(
        tree, vent=vent, pair=np.ones(4, bool), at_node_m3_s=np.array([1.0, 2.0, 4.0, 8.0, 16.0])
    )
    assert air.tolist() == [2.0, 0.0, 8.0, 0.0]
    assert apart == pytest.approx(np.full(4, 20.0 * math.hypot(1.0, 0.03)))
    up = pairs.above_vent(tree, vent=vent, pair=np.ones(4, bool), of_reach=np.array([1.0, 2.0, 3.0, 4.0]))
    assert up.tolist() == [0.0, 1.0, 0.0, 3.0, 0.0]


def test_outside_a_pair_there_is_no_wet_air():
    tree = straight(40.0, 4)
    air, apart = pairs.wet_air(tree, vent=np.ones(5, bool), pair=np.zeros(4, bool), at_node_m3_s=np.ones(5))
    assert air.tolist() == apart.tolist() == [0.0] * 4
    assert (
        pairs.above_vent(tree, vent=np.zeros(5, bool), pair=np.zeros(4, bool), of_reach=np.ones(4)).tolist()
        == [0.0] * 5
    )


def test_the_whole_case_sums_its_taps():
    given = case()
    tree = build(given)
    load = choose.load(tree=tree, grouping=given["grouping"], collections=given["collections"],
                       settings=given["settings"])
    assert load.taps[0] == 200
    assert load.taps.min() >= 5
    assert load.sap_l_min == pytest.approx(load.taps * given["settings"].flow.peak_flow_l_min)
    assert load.air_m3_s == pytest.approx(load.taps * given["settings"].flow.air_per_tap_m3_s)
    assert load.entry_air_m3_s.sum() == pytest.approx(load.air_m3_s[0])
