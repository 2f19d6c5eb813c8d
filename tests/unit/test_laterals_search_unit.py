"""Pieces, columns, entries and the preview of laterals against a referee and plain Python."""

from __future__ import annotations

import dataclasses
import itertools
import math

import numpy as np
import pytest
import shapely
from pipeline.laterals import choice, improve_kernel, preview, scene
from pipeline.laterals.choice import Chosen, labels, spread_entries
from pipeline.laterals.columns import MARGIN_M, TURN, enumerate_columns, single_costs, with_other_entries
from pipeline.laterals.entries_kernel import cost_from
from pipeline.laterals.enumerate_kernel import mix, turn_cost_m
from pipeline.laterals.rows import as_chosen
from pipeline.laterals.rule import entry_cost, rules

import lateral_referee
from lateral_referee import Referee
from lateral_sites import blocking, mainline_of, open_ground, plane, settings_of, stand, terrain_of, trees_of

SEEDS = range(5)


def scene_of(made, settings):
    return scene.build(
        mainlines=made.mainlines, terrain=made.terrain, ground=made.ground, trees=made.trees,
        open_tree=np.ones(len(made.trees), np.bool_), laterals=settings.laterals,
    )


class Same(Referee):
    """A referee that looks at the entries of a scene only, of which a tree has at most twelve."""

    def entries(self, head):
        """Return the legal entries of a tree that the scene has too."""
        own = self.scene.entry_slot[head]
        places = self.scene.slot[own[own >= 0], :2]
        return [e for e in super().entries(head) if len(places) and np.abs(places - e[0]).max(axis=1).min() < 1e-6]


def small(seed, trees=9, **laterals):
    """Return a stand on a plane, its settings, its scene and its referee."""
    made, settings = stand(trees, seed, relief_m=0.0), settings_of(**laterals)
    return made, settings, scene_of(made, settings), Referee(made, settings)


# ---------------------------------------------------------------- keys and turns


def test_keys_are_those_of_the_published_mixer_and_differ_for_every_small_set():
    """splitmix64 (Steele, Lea, Flood 2014, Fast splittable pseudorandom number generators), seed i + 1 steps."""
    mask = (1 << 64) - 1
    for i in range(300):
        x = ((i + 1) * 0x9E3779B97F4A7C15) & mask
        x = ((x ^ (x >> 30)) * 0xBF58476D1CE4E5B9) & mask
        x = ((x ^ (x >> 27)) * 0x94D049BB133111EB) & mask
        assert int(mix(i)) == x ^ (x >> 31)
    keys = [int(mix(i)) for i in range(24)]
    sets = [s for k in range(1, 5) for s in itertools.combinations(range(24), k)]
    xor = dict.fromkeys(sets, 0)
    for s in sets:
        for t in s:
            xor[s] ^= keys[t]
    assert len(set(xor.values())) == len(sets)
    assert 0 not in xor.values()


@pytest.mark.parametrize("seed", range(3))
def test_turns_cost_what_the_referee_says(seed):
    for a, b, c in np.random.default_rng(seed).uniform(0.0, 8.0, (300, 3, 2)):
        got = turn_cost_m(*(b - a), *(c - b), TURN)
        assert got == pytest.approx(lateral_referee.turn_cost_m(a, b, c), abs=1e-9)


@pytest.mark.parametrize(("deg", "cost"), [(0, 0.0), (29.9, 0.0), (60, 1.0), (90, 2.0), (99.9, 2.33), (101, math.inf)])
def test_a_turn_is_free_then_a_metre_for_thirty_degrees_then_forbidden(deg, cost):
    x, y = math.cos(math.radians(deg)), math.sin(math.radians(deg))
    for sign in (1.0, -1.0):
        assert turn_cost_m(5.0, 0.0, 4.0 * x, 4.0 * sign * y, TURN) == pytest.approx(cost, abs=1e-9)
    assert turn_cost_m(5.0, 0.0, 1.4 * x, 1.4 * y, TURN) == 0.0  # too short a piece to make a turn


# ---------------------------------------------------------------- legal pieces


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("rules_", [{}, {"max_length_m": 12.0}, {"highest_m": 1.6, "min_grade_pct": 4.0}])
def test_pieces_from_tree_to_tree_are_the_referees(seed, rules_):
    _, _, s, referee = small(seed, 12, **rules_)
    edges = referee.edges()
    for a in range(len(s)):
        got = {int(b): k for k, b in enumerate(s.neighbour[a]) if b >= 0}
        assert set(got) == {b for b, _, _ in edges[a]}
        for b, d, need in edges[a]:
            assert s.dist[a, got[b]] == pytest.approx(d)
            assert s.need[a, got[b]] == pytest.approx(need, abs=2e-3)
        order = s.dist[a][s.neighbour[a] >= 0]
        assert (np.diff(order) >= 0).all()


@pytest.mark.parametrize("seed", SEEDS)
def test_entries_of_a_tree_are_the_referees_nearest_first(seed):
    _, _, s, referee = small(seed, 12)
    for t in range(len(s)):
        wanted = {(round(float(p[0]), 4), round(float(p[1]), 4)): (d, length)
                  for p, d, _, length in referee.entries(t)}
        own = s.entry_slot[t][s.entry_slot[t] >= 0]
        places = [tuple(np.round(s.slot[k, :2], 4).tolist()) for k in own]
        assert set(places) <= set(wanted)
        assert len(set(places)) == len(places)
        assert (np.diff(s.entry_dist[t][: len(own)]) >= 0).all()
        if len(wanted) <= scene.ENOUGH:
            assert set(places) == set(wanted)
        elif wanted:
            assert min(d for d, _ in wanted.values()) == pytest.approx(s.entry_dist[t, 0], abs=1e-9)


@pytest.mark.parametrize(("what", "column"), [("long", 0), ("blocked", 1), ("crossing", 2), ("low", 3)])
def test_what_stops_an_entry_is_counted_by_its_cause(what, column):
    """One tree 6 m north of a line that climbs eastward."""
    rules_ = {"max_length_m": 5.0} if what == "long" else {}
    settings = settings_of(**rules_)
    terrain = terrain_of(plane(0.03, -0.6 if what == "low" else 0.05), 40.0)
    lines = [mainline_of(terrain, [(2.0, 20.0), (38.0, 20.0)])]
    if what == "crossing":
        lines.append(mainline_of(terrain, [(2.0, 23.0), (38.0, 23.0)], "M2", height_m=2.9))
    ground = blocking(terrain, 0.0, 22.0, 40.0, 24.0) if what == "blocked" else open_ground(terrain)
    trees = trees_of(terrain, [20.0], [26.0])
    s = scene.build(mainlines=tuple(lines[:1] if what != "crossing" else lines), terrain=terrain, ground=ground,
                    trees=trees, open_tree=np.ones(1, np.bool_), laterals=settings.laterals)
    if what == "long":
        assert (s.entry_slot[0] >= 0).sum() == 0
        assert s.fail[0].sum() == 0  # slots beyond the longest piece are not even tried
        return
    if what == "crossing":
        own = s.entry_slot[0][s.entry_slot[0] >= 0]
        assert (s.slot_line[own] == 1).all()
    else:
        assert (s.entry_slot[0] >= 0).sum() == 0
    assert s.fail[0, column] > 0
    if what != "crossing":  # there the second line, hung high, is too low at some slots as well
        assert s.fail[0].sum() == s.fail[0, column]
        assert math.isfinite(s.shortfall_m[0]) is (what == "low")


def test_the_shortfall_is_by_how_much_the_best_entry_is_too_low():
    """The tree stands 3.6 m below its line: ground 97 + 3.048 against a line at 100.762 and 2 % of the way."""
    settings = settings_of()
    terrain = terrain_of(lambda x, y: 100.0 - np.clip(y - 20.0, 0.0, 6.0) / 6.0 * 3.0 + 0.0 * x, 40.0)
    line = mainline_of(terrain, [(2.0, 20.0), (38.0, 20.0)], grade=0.0)
    s = scene.build(mainlines=(line,), terrain=terrain, ground=open_ground(terrain),
                    trees=trees_of(terrain, [20.0], [26.0]), open_tree=np.ones(1, np.bool_), laterals=settings.laterals)
    grade = settings.laterals.min_grade_pct / 100.0
    away = np.hypot(s.slot[:, 0] - 20.0, 6.0)
    wanted = (100.762 + grade * away - 97.0 - settings.laterals.highest_m).min()
    if wanted > 0.0:
        assert s.shortfall_m[0] == pytest.approx(wanted, abs=1e-3)
        assert (s.entry_slot[0] >= 0).sum() == 0
    else:
        assert (s.entry_slot[0] >= 0).any()


def test_trees_beyond_reach_have_neither_entries_nor_pieces():
    settings = settings_of()
    terrain = terrain_of(plane(0.03, 0.05), 90.0)
    line = mainline_of(terrain, [(2.0, 10.0), (88.0, 10.0)])
    trees = trees_of(terrain, [30.0, 33.0, 30.0, 32.0], [14.0, 18.0, 80.0, 84.0])
    s = scene.build(mainlines=(line,), terrain=terrain, ground=open_ground(terrain), trees=trees,
                    open_tree=np.ones(4, np.bool_), laterals=settings.laterals)
    assert np.isinf(s.off_m).tolist() == [False, False, True, True]
    assert (s.entry_slot[2:] == -1).all()
    assert (s.neighbour[2:] == -1).all()
    assert not np.isin(s.neighbour[:2], [2, 3]).any()


@pytest.mark.parametrize("keep", [[0, 2, 3, 7], [5], [], list(range(9))])
def test_part_of_a_scene_keeps_the_pieces_among_its_trees(keep):
    _, _, s, _ = small(1)
    some = scene.part(s, np.array(keep, dtype=np.int64))
    assert some.index.tolist() == [int(s.index[k]) for k in keep]
    for local, whole in enumerate(keep):
        pairs = {(keep.index(int(b)), float(d)) for b, d in zip(s.neighbour[whole], s.dist[whole], strict=True)
                 if b >= 0 and int(b) in keep}
        got = {(int(b), float(d)) for b, d in zip(some.neighbour[local], some.dist[local], strict=True) if b >= 0}
        assert got == pairs
        assert np.array_equal(some.entry_slot[local], s.entry_slot[whole])


# ---------------------------------------------------------------- columns


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("rules_", [{}, {"max_taps": 4}, {"max_length_m": 15.0}])
def test_columns_are_the_referees_laterals_and_only_what_never_pays_is_missing(seed, rules_):
    made, settings, s, _ = small(seed, 8, **rules_)
    columns = enumerate_columns(s, settings.laterals, "thorough")
    referee = Same(made, settings)
    referee.scene = s
    wanted = referee.columns()
    got = {frozenset(columns.trees(i).tolist()): float(columns.cost_m[i]) for i in range(len(columns))}
    assert len(got) == len(columns)
    assert set(got) <= set(wanted)
    for key, least in wanted.items():
        cost = got.get(key, math.inf)
        assert cost >= least - 2e-3
        if cost > least + 2e-3:  # missing, or its best order: split in two it is cheaper still
            splits = [wanted.get(key - {t}, math.inf) + wanted.get(frozenset({t}), math.inf) for t in key]
            assert min(splits) < least
    assert set(itertools.chain(*got)) == set(itertools.chain(*wanted))


@pytest.mark.parametrize("seed", SEEDS)
def test_every_column_is_legal_with_the_cost_and_taps_it_names(seed):
    _, settings, s, _ = small(seed, 10)
    entry = entry_cost(settings.laterals)
    columns = enumerate_columns(s, settings.laterals, "normal")
    single = single_costs(s, entry)
    for i in range(len(columns)):
        trees = columns.trees(i).tolist()
        z, cost = labels(s, trees, int(columns.slot[i]), entry=entry, max_length_m=settings.laterals.max_length_m)
        assert cost == pytest.approx(float(columns.cost_m[i]))
        assert columns.taps[i] == s.taps[trees].sum() <= settings.laterals.max_taps
        height = z[1:] - s.tree[trees, 2]
        assert height.min() >= settings.laterals.lowest_m - 1e-9
        assert height.max() <= settings.laterals.highest_m + 1e-9
        line = shapely.LineString(np.vstack([s.slot[int(columns.slot[i]), :2], s.tree[trees, :2]]))
        assert line.is_simple
        if len(trees) == 1:
            assert cost == pytest.approx(float(single[trees[0]]))


def test_a_low_cap_thins_heads_and_counts_them():
    _, settings, s, _ = small(2, 30)
    many, few = (enumerate_columns(s, settings.laterals, effort) for effort in ("thorough", "quick"))
    assert len(few) <= len(many)
    assert few.capped_heads >= many.capped_heads
    both = {frozenset(many.trees(i).tolist()) for i in range(len(many))}
    assert {frozenset(few.trees(i).tolist()) for i in range(len(few)) if len(few.trees(i)) == 1} <= both


def test_no_trees_or_no_mainline_gives_no_columns():
    made, settings, s, _ = small(1)
    assert len(enumerate_columns(scene.part(s, np.zeros(0, np.int64)), settings.laterals, "normal")) == 0
    bare = scene_of(dataclasses.replace(made, mainlines=()), settings)
    assert len(enumerate_columns(bare, settings.laterals, "normal")) == 0


@pytest.mark.parametrize("seed", SEEDS)
def test_other_entries_cost_what_their_labels_say_and_none_cheaper_was_missed(seed):
    _, settings, s, _ = small(seed)
    entry, longest = entry_cost(settings.laterals), settings.laterals.max_length_m
    columns = enumerate_columns(s, settings.laterals, "thorough")
    more = with_other_entries(s, columns, settings.laterals, 3.0)
    assert len(more) > len(columns)
    extra = {}
    for i in range(len(columns), len(more)):
        trees = tuple(more.trees(i).tolist())
        _, cost = labels(s, trees, int(more.slot[i]), entry=entry, max_length_m=longest)
        assert float(more.cost_m[i]) == pytest.approx(cost)
        extra.setdefault(trees, set()).add(int(more.slot[i]))
    for i in range(len(columns)):
        trees = tuple(columns.trees(i).tolist())
        own = extra.get(trees, set())
        assert int(columns.slot[i]) not in own
        for e, slot in enumerate(s.entry_slot[trees[0]]):
            if slot < 0:
                break
            found = labels(s, trees, int(slot), entry=entry, max_length_m=longest)
            length = cost_from(
                np.array(trees, np.int32), e, s.tree, s.neighbour, s.dist, s.need, s.slot, s.entry_slot, s.entry_dist,
                s.entry_need, s.rule, TURN, longest)
            if math.isfinite(length):
                assert length == pytest.approx(found[1] - float(entry.of(s.taps[list(trees)].sum())))
                cheap = found[1] <= float(columns.cost_m[i]) + 3.0 - 1e-9
                assert not cheap or int(slot) in own | {int(columns.slot[i])}


# ---------------------------------------------------------------- joins, relocations, exchanges


def table(seed, n=7, most=3):
    """Return all sets of up to `most` trees with random costs, sorted by key, and the sets' costs."""
    rng = np.random.default_rng(seed)
    cost = {frozenset(s): float(rng.uniform(5.0, 9.0) + 2.5 * len(s)) for k in range(1, most + 1)
            for s in itertools.combinations(range(n), k) if k == 1 or rng.random() < 0.8}
    key = dict.fromkeys(cost, 0)
    for s in cost:
        for t in s:
            key[s] ^= int(mix(t))
    rows = sorted(cost, key=lambda s: key[s])
    near = np.array([[u for u in range(n) if u != t] for t in range(n)])
    return cost, np.array([key[s] for s in rows], np.uint64), np.array([cost[s] for s in rows]), near


def groups(owner):
    return [frozenset(np.flatnonzero(owner == k).tolist()) for k in np.unique(owner[owner >= 0])]


def total(cost, owner, penalty):
    return sum(cost[g] for g in groups(owner)) + penalty * int((owner < 0).sum())


@pytest.mark.parametrize("seed", range(12))
def test_joins_end_where_no_two_laterals_are_cheaper_as_one(seed):
    cost, key, price, near = table(seed)
    owner, own_key = improve_kernel.savings(7, near.astype(np.int32), key, price, 100.0)
    parts = groups(owner)
    assert sorted(t for g in parts for t in g) == list(range(7))
    assert total(cost, owner, 100.0) <= sum(cost[frozenset({t})] for t in range(7)) + 1e-9
    for a, b in itertools.combinations(parts, 2):
        assert cost.get(a | b, math.inf) >= cost[a] + cost[b] - 1e-6
    for g in parts:
        assert int(own_key[owner[min(g)]]) == int(np.bitwise_xor.reduce(np.array([mix(t) for t in g], np.uint64)))


@pytest.mark.parametrize("seed", range(12))
def test_local_search_ends_where_no_tree_may_move_or_change_place_with_gain(seed):
    cost, key, price, near = table(seed)
    owner, own_key = improve_kernel.savings(7, near.astype(np.int32), key, price, 100.0)
    before = total(cost, owner, 100.0)
    improve_kernel.local_search(owner, own_key, near, key, price, 100.0, 60)
    after = total(cost, owner, 100.0)
    assert after <= before + 1e-9
    parts = groups(owner)
    for a, b in itertools.permutations(parts, 2):
        for t in a:
            rest = cost.get(a - {t}, math.inf) if len(a) > 1 else 0.0
            assert rest + cost.get(b | {t}, math.inf) >= cost[a] + cost[b] - 1e-6
            for u in b:
                swapped = cost.get(a - {t} | {u}, math.inf) + cost.get(b - {u} | {t}, math.inf)
                assert swapped >= cost[a] + cost[b] - 1e-6
    for a in parts:
        for t in a if len(a) > 1 else ():
            assert cost.get(a - {t}, math.inf) + cost[frozenset({t})] >= cost[a] - 1e-6


def test_a_tree_that_costs_more_than_its_penalty_stays_unserved():
    cost, key, price, near = table(3)
    owner, _ = improve_kernel.savings(7, near.astype(np.int32), key, price, min(cost.values()))
    assert (owner < 0).sum() >= 6
    assert improve_kernel.look_up(np.uint64(12345), key) == -1
    assert [improve_kernel.look_up(k, key) for k in key] == list(range(len(key)))


@pytest.mark.parametrize("seed", SEEDS)
def test_the_preview_serves_every_tree_that_has_a_lateral_once(seed):
    _, settings, s, _ = small(seed, 25)
    rule = rules(settings.laterals, "quick", len(s))
    columns = enumerate_columns(s, settings.laterals, "quick")
    rows = preview.savings_rows(s, columns, rule)
    trees = [t for r in rows for t in columns.trees(int(r)).tolist()]
    assert sorted(trees) == sorted(set(columns.flat.tolist()))
    whole = preview.untangled(s, columns, as_chosen(columns, rows), rule)
    assert choice.in_each_others_way(s, whole) == []
    assert len({c.slot for c in whole}) == len(whole)
    served = [t for c in whole for t in c.trees]
    assert len(served) == len(set(served))


# ---------------------------------------------------------------- in each other's way


@pytest.mark.parametrize("seed", SEEDS)
def test_pieces_that_meet_are_shapelys(seed):
    _, settings, s, _ = small(seed, 20)
    columns = enumerate_columns(s, settings.laterals, "quick")
    pick = np.random.default_rng(seed).choice(len(columns), min(14, len(columns)), replace=False)
    chosen = as_chosen(columns, np.sort(pick))
    seg, group = choice.segments(s, chosen)
    lines = [shapely.LineString(row.reshape(2, 2)) for row in seg]
    first = [int(np.flatnonzero(group == k)[0]) for k in range(len(chosen))]
    wanted = {
        (int(group[i]), i - first[group[i]], int(group[j]), j - first[group[j]])
        for i, j in itertools.combinations(range(len(lines)), 2)
        if group[i] != group[j] and lines[i].distance(lines[j]) == 0.0
    }
    assert set(choice.in_each_others_way(s, chosen)) == wanted
    for k, one in enumerate(chosen):
        path = np.vstack([s.slot[one.slot, :2], s.tree[list(one.trees), :2]])
        assert np.array_equal(np.vstack([seg[group == k][:1, :2], seg[group == k][:, 2:]]), path)


def test_nothing_chosen_is_in_nobodys_way():
    _, _, s, _ = small(0)
    assert choice.in_each_others_way(s, []) == []
    assert choice.segments(s, [])[0].shape == (0, 4)


@pytest.mark.parametrize("seed", range(8))
def test_laterals_at_one_slot_are_moved_apart_legally_or_named(seed):
    _, settings, s, _ = small(seed, 16)
    entry, longest = entry_cost(settings.laterals), settings.laterals.max_length_m
    chosen, taken = [], {}
    for t in range(len(s)):  # as many single-tree laterals at shared slots as there are
        for slot in s.entry_slot[t][s.entry_slot[t] >= 0].tolist():
            cost = labels(s, (t,), slot, entry=entry, max_length_m=longest)
            if cost is not None and (slot in taken or len(taken) < 4):
                taken.setdefault(slot, []).append(t)
                chosen.append(Chosen((t,), slot, cost[1]))
                break
    out, stuck = spread_entries(s, chosen, entry=entry, max_length_m=longest)
    assert [c.trees for c in out] == [c.trees for c in chosen]
    owners = {}
    for k, c in enumerate(out):
        assert labels(s, c.trees, c.slot, entry=entry, max_length_m=longest)[1] == pytest.approx(c.cost_m)
        owners.setdefault(c.slot, []).append(k)
    shared = {frozenset(pair) for ks in owners.values() for pair in itertools.combinations(ks, 2)}
    assert bool(shared) is bool(stuck)
    assert {k for pair in shared for k in pair} == {k for pair in stuck for k in pair}


@pytest.mark.parametrize("seed", SEEDS)
def test_a_scene_clear_of_fixed_laterals_has_no_piece_that_meets_them(seed):
    _, settings, s, _ = small(seed, 20)
    columns = enumerate_columns(s, settings.laterals, "quick")
    chosen = as_chosen(columns, np.arange(len(columns))[:: max(len(columns) // 3, 1)][:3])
    seg, _ = choice.segments(s, chosen)
    used = np.zeros(len(s.slot), np.bool_)
    used[[c.slot for c in chosen]] = True
    clear = choice.clear_of(s, scene.bins_of(seg, 8.0), used)
    walls = [shapely.LineString(row.reshape(2, 2)) for row in seg]

    def meets(a, b):
        return any(shapely.LineString([a, b]).distance(w) == 0.0 for w in walls)

    for t in range(len(s)):
        was = [int(k) for k in s.entry_slot[t] if k >= 0]
        kept = [k for k in was if not used[k] and not meets(s.slot[k, :2], s.tree[t, :2])]
        assert [int(k) for k in clear.entry_slot[t] if k >= 0] == kept
        pieces = [int(b) for b in s.neighbour[t] if b >= 0]
        left = [b for b in pieces if not meets(s.tree[t, :2], s.tree[b, :2])]
        assert [int(b) for b in clear.neighbour[t] if b >= 0] == left


def test_a_margin_is_the_most_that_a_last_tree_may_cost_over_a_lateral_of_its_own():
    """Two trees 26 m apart along the line: together dearer by more than the margin, so only the singles are kept."""
    settings = settings_of(entry_cost_m=1.0)
    terrain = terrain_of(plane(0.0, 0.04), 60.0)
    line = mainline_of(terrain, [(2.0, 10.0), (58.0, 10.0)])
    for apart, together in ((26.0, False), (4.0, True)):
        trees = trees_of(terrain, [15.0, 15.0 + apart], [13.0, 13.5])
        s = scene.build(mainlines=(line,), terrain=terrain, ground=open_ground(terrain), trees=trees,
                        open_tree=np.ones(2, np.bool_), laterals=settings.laterals)
        sets = {frozenset(c.trees) for c in as_chosen(
            enumerate_columns(s, settings.laterals, "thorough"), np.arange(len(enumerate_columns(
                s, settings.laterals, "thorough"))))}
        assert (frozenset({0, 1}) in sets) is together
        assert {frozenset({0}), frozenset({1})} <= sets
    assert apart < MARGIN_M + 1.0
