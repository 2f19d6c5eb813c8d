"""Order of the blocks, and trees served in hindsight at several places at a time."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from pipeline.laterals import blocks, crew, rescue, scene
from pipeline.laterals.choice import Chosen, in_each_others_way, labels
from pipeline.laterals.crew import in_pairs, near_before
from pipeline.laterals.rule import entry_cost, rules

from lateral_sites import settings_of, stand


def field(rows, cols, size=10.0):
    """Return touching square boxes, row by row."""
    corner = np.array([(c * size, r * size) for r, c in itertools.product(range(rows), range(cols))])
    return np.hstack([corner, corner + size])


def rounds(before):
    """Return how many rounds two hands need when each piece takes one round."""
    done, waiting, count = set(), list(range(len(before))), 0
    while waiting:
        now = [k for k in waiting if set(before[k]) <= done][: crew.THREADS]
        done |= set(now)
        waiting = [k for k in waiting if k not in done]
        count += 1
    return count


@pytest.mark.parametrize(("rows", "cols"), [(2, 4), (4, 2), (4, 4), (5, 7)])
def test_two_hands_are_busy_nearly_all_the_time(rows, cols):
    box = field(rows, cols)
    order = in_pairs(box, 1.0)
    assert sorted(order) == list(range(rows * cols))
    assert rounds(near_before(box[order], 1.0)) <= (rows * cols + 1) // 2 + 1
    # row by row the neighbours wait for one another
    assert rounds(near_before(box, 1.0)) > rounds(near_before(box[order], 1.0))


def test_boxes_all_in_each_others_way_and_none_at_all():
    assert sorted(in_pairs(field(2, 2), 1.0)) == [0, 1, 2, 3]
    assert in_pairs(np.zeros((0, 4)), 1.0) == []


def test_what_stands_hardest_to_pair_is_paired_first():
    # a long box that only the last one is out of the way of, and three that are out of each other's way
    box = np.array([[0.0, 0, 9, 1], [20, 0, 29, 1], [40, 0, 49, 1], [0, 1, 49, 2], [80, 0, 89, 1]])
    order = in_pairs(box, 0.5)
    assert set(order[:2]) == {3, 4}


def test_swapped_laterals_take_the_place_of_those_of_their_trees():
    a, b, c = Chosen((0, 1), 5, 3.0), Chosen((2,), 6, 2.0), Chosen((3, 4), 7, 4.0)
    first = rescue._Swap(np.array([1, 0, 9]), [Chosen((9, 0), 5, 3.5), Chosen((1,), 8, 1.0)])
    second = rescue._Swap(np.array([1, 2]), [Chosen((2, 1), 6, 2.5)])
    assert rescue._swapped([a, b, c], []) == [a, b, c]
    assert rescue._swapped([a, b, c], [first]) == [b, c, *first.now]
    assert rescue._swapped([a, b, c], [first, second]) == [c, first.now[0], second.now[0]]


def audited(settings, there, chosen):
    """Return how many trees laterals serve; they meet nobody, share no slot and serve each tree once."""
    assert in_each_others_way(there, chosen) == []
    assert len({c.slot for c in chosen}) == len(chosen)
    served = [t for c in chosen for t in c.trees]
    assert len(set(served)) == len(served)
    for c in chosen:
        label = labels(there, c.trees, c.slot, entry=entry_cost(settings.laterals), max_length_m=c.cost_m)
        assert label is not None
        assert label[1] == pytest.approx(c.cost_m)
    return len(served)


@pytest.mark.parametrize("seed", range(3))
def test_places_mended_side_by_side_come_out_as_one_after_the_other(seed, monkeypatch):
    made, settings = stand(700, seed), settings_of("normal")
    rule = rules(settings.laterals, "normal", 700)
    there = scene.build(
        mainlines=made.mainlines, terrain=made.terrain, ground=made.ground, trees=made.trees,
        open_tree=np.ones(700, np.bool_), laterals=settings.laterals,
    )
    choice = blocks.choose(there, settings.laterals, rule)
    # every twelfth lateral is lost, all over the wood
    torn = [c for k, c in enumerate(choice.chosen) if k % 12]
    given = (there, choice.coverable, torn, settings.laterals, rule)
    told, pieces = [], []
    got = rescue.rescue(*given, told.append)

    def one_by_one(before, work, _told=None):
        # each place sees every change made before it, near or far
        done = []
        for k in range(len(before)):
            done.append(work(k, list(done)))
        pieces.append([len(before), sum(map(len, before))])
        return done

    monkeypatch.setattr(rescue, "in_turn", one_by_one)
    assert rescue.rescue(*given, told.append) == got
    count, waits = pieces[0]
    assert count == int(choice.coverable.sum()) - sum(len(c.trees) for c in torn) >= 30
    assert 0 < waits < count * (count - 1) // 2
    assert audited(settings, there, got) >= 0.99 * choice.coverable.sum()
    assert told == sorted(told)
