"""Columns, rows that exclude, causes of being left out: small arrays, sets in plain Python."""

from __future__ import annotations

import itertools
from types import SimpleNamespace

import numpy as np
import pytest
from pipeline.laterals import columns as columns_
from pipeline.laterals import reasons, rows
from pipeline.laterals.choice import Chosen
from pipeline.laterals.columns import Columns
from pipeline.laterals.rule import EntryCost
from pipeline.settings import LateralSettings

SETS = [(0,), (2, 1), (1, 2), (3, 0, 1), (2,), (3, 2)]


def columns(sets=SETS, cost=None, key=None, taps=None):
    size = [len(s) for s in sets]
    return Columns(
        flat=np.array([t for s in sets for t in s], dtype=np.int32),
        ptr=np.concatenate([[0], np.cumsum(size)]).astype(np.int64),
        cost_m=np.arange(len(sets)) * 10.0 if cost is None else np.array(cost, float),
        slot=np.arange(len(sets), dtype=np.int64) + 100,
        key=np.array([hash(frozenset(s)) & 0xFFFF for s in sets] if key is None else key, dtype=np.uint64),
        taps=np.array(size if taps is None else taps, dtype=np.int64), capped_heads=3,
    )



class Stand:
    """As much of a scene as rows look at."""

    def __init__(self, trees, slots):
        self.slot = np.zeros((slots, 3))
        self.trees = trees

    def __len__(self):
        return self.trees


@pytest.mark.parametrize("some", [[0], [5, 0], [3, 3], [], [0, 1, 2, 3, 4, 5]])
def test_taking_rows_keeps_each_whole(some):
    got = columns().take(np.array(some, dtype=np.int64))
    assert len(got) == len(some)
    assert [tuple(got.trees(i).tolist()) for i in range(len(got))] == [SETS[k] for k in some]
    assert got.slot.tolist() == [100 + k for k in some]
    assert got.cost_m.tolist() == [10.0 * k for k in some]
    assert got.taps.tolist() == [len(SETS[k]) for k in some]
    assert got.capped_heads == 3


def test_incidence_matrix_by_hand():
    assert columns().matrix(5).toarray().astype(int).tolist() == [
        [1, 0, 0, 1, 0, 0], [0, 1, 1, 1, 0, 0], [0, 1, 1, 0, 1, 1], [0, 0, 0, 1, 0, 1], [0] * 6]


@pytest.mark.parametrize("closed", [(), (0,), (2,), (1, 3), (0, 1, 2, 3)])
def test_rows_inside_some_trees(closed):
    open_tree = np.array([t not in closed for t in range(4)])
    wanted = [not set(s) & set(closed) for s in SETS]
    assert columns().inside(open_tree).tolist() == wanted


def test_of_one_set_the_cheapest_row_stays_and_ties_go_to_the_first():
    made = columns(cost=[5, 9, 7, 1, 3, 3], key=[1, 2, 2, 3, 4, 4])
    got = columns_._cheapest(made)
    assert got.slot.tolist() == [100, 102, 103, 104]
    assert got.cost_m.tolist() == [5.0, 7.0, 1.0, 3.0]


def test_a_tree_alone_costs_its_cheapest_entry():
    """Slots at 10 m elevation, least fall 2 %; tree needs 10.3 from the near slot (3 m), 10.0 from the far one (4 m).

    Near: hypot(3, 0.3) = 3.0150; far: z = max(10.0, 10.08), hypot(4, 0.08) = 4.0008. Entry 4 (1 + 4/5) for one tap.
    """
    made = SimpleNamespace(
        entry_slot=np.array([[0, 1], [1, -1], [-1, -1]]), entry_need=np.array([[10.3, 10.0], [10.0, 0.0], [0.0, 0.0]]),
        entry_dist=np.array([[3.0, 4.0], [4.0, 0.0], [0.0, 0.0]]), slot=np.array([[0, 0, 10.0], [1, 0, 10.0]]),
        rule=np.array([0.6, 1.8, 0.02, 0.3, 30.0]), taps=np.array([1, 5, 1]))
    got = columns_.single_costs(made, EntryCost(4.0, 5))
    assert got[0] == pytest.approx(np.hypot(3.0, 0.3) + 7.2)
    assert got[1] == pytest.approx(np.hypot(4.0, 0.08) + 4.0)
    assert np.isinf(got[2])


def test_rows_as_chosen_laterals():
    assert rows.as_chosen(columns(), np.array([3, 0])) == [Chosen((3, 0, 1), 103, 30.0), Chosen((0,), 100, 0.0)]


# ---------------------------------------------------------------- exclusions


def test_a_piece_has_one_code_either_way_round():
    """Four trees, 200 slots, 205 codes wide; 2 -> 1 and 1 -> 2 are one piece, entries are 4 + slot."""
    code = rows.piece_codes(Stand(4, 200), columns())
    at = columns().ptr
    assert code[at[1] + 1] == code[at[2] + 1] == 1 * 205 + 2
    assert code[at[0]] == 0 * 205 + 104  # entry at slot 100 to tree 0
    assert code[at[3]] == 3 * 205 + 107
    assert code[at[3] + 1] == 0 * 205 + 3
    assert len(set(code.tolist())) == len(code) - 1


@pytest.mark.parametrize(
    ("p", "q", "shared"),
    [((1, 2), (2, 3), True), ((1, 2), (1, 2), True), ((1, 2), (0, 3), False), ((0, 104), (3, 104), True),
     ((0, 104), (3, 105), False)],
)
def test_pieces_that_share_an_end(p, q, shared):
    assert rows.share_an_end(Stand(4, 200), p[0] * 205 + p[1], q[0] * 205 + q[1]) is shared


def test_excluding_rows_against_plain_sets():
    made = columns()
    stand = Stand(4, 200)
    code = rows.piece_codes(stand, made)
    pairs = [(int(code[0]), int(code[made.ptr[3] + 1])), (1 * 205 + 2, int(code[made.ptr[5]]))]
    triples = list(itertools.combinations(range(4), 3))
    got = rows.excluding_rows(stand, made, pairs, triples).toarray()
    own = [set(code[made.ptr[i]: made.ptr[i + 1]].tolist()) for i in range(len(made))]
    wanted = [[int(bool(o & {p, q})) for o in own] for p, q in pairs]
    wanted += [[int(len(set(s) & set(t)) >= 2) for s in SETS] for t in triples]
    assert got.astype(int).tolist() == wanted


def test_no_exclusions_is_an_empty_matrix():
    assert rows.excluding_rows(Stand(4, 200), columns(), [], []).shape == (0, len(SETS))


# ---------------------------------------------------------------- causes


def left(off=1.0, taps=1, fail=(0, 0, 0, 0), coverable=False):
    made = SimpleNamespace(off_m=np.array([off]), taps=np.array([taps]), fail=np.array([fail]))
    return str(reasons._causes(made, SimpleNamespace(coverable=np.array([coverable])), LateralSettings(max_taps=10))[0])


@pytest.mark.parametrize(
    ("given", "cause"),
    [
        ({"off": np.inf, "taps": 99, "coverable": True}, "far"),
        ({"taps": 11, "coverable": True}, "heavy"),
        ({"taps": 10, "coverable": True}, "crossing"),
        ({"fail": (1, 1, 1, 1)}, "low"),
        ({"fail": (1, 1, 1, 0)}, "blocked"),
        ({"fail": (1, 0, 1, 0)}, "crossing"),
        ({"fail": (1, 0, 0, 0)}, "long"),
        ({}, "long"),
    ],
)
def test_what_keeps_a_tree_off_a_lateral(given, cause):
    """Order of `fail`: long, blocked, crossing, low; the most easily mended is told."""
    assert left(**given) == cause


@pytest.mark.parametrize(("apart", "count"), [(24.9, 1), (25.0, 1), (25.1, 2)])
def test_pockets_of_the_unserved(apart, count):
    got = reasons._pockets(np.array([[0.0, 0.0], [apart, 0.0], [0.0, 1.0]]))
    assert len(got) == count
    assert got[0][0] == 0
    assert reasons._pockets(np.zeros((0, 2))) == []


def finding(cause, some=(0,)):
    made = SimpleNamespace(index=np.array([4, 2, 7]), shortfall_m=np.array([0.4, 0.1, 0.9]), taps=np.array([12, 15, 3]))
    trees = SimpleNamespace(tree_id=tuple(f"T{i}" for i in range(8)))
    return reasons._finding(cause, "CODE", "is so", "Do this.", np.array(some), made, trees,
                            LateralSettings(max_taps=10, reach_m=24.0))


@pytest.mark.parametrize(
    ("cause", "measured", "limit", "unit"),
    [("low", 0.1, 0.0, "m"), ("heavy", 15.0, 10.0, "taps"), ("far", None, 24.0, "m"), ("blocked", None, None, ""),
     ("long", None, None, "")],
)
def test_what_a_finding_measures(cause, measured, limit, unit):
    got = finding(cause, (0, 1))
    assert (got.measured, got.limit, got.unit) == (measured, limit, unit)
    assert (got.severity, got.subject_id, got.text) == ("note", "T4", "Tree T4 and 1 near it: each is so.")


def test_one_tree_is_named_alone():
    assert finding("long", (2,)).text == "Tree T7 is so."
