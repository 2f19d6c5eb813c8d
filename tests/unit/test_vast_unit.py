"""What is done side by side or at a stroke for vast woodlots comes out as if done one by one, the plain way."""

from __future__ import annotations

import dataclasses
import threading

import numpy as np
import pytest
from pipeline import cli, run
from pipeline.laterals import blocks, crew, fitted, group, on_trimmed
from pipeline.laterals.heights import ceiling_m
from pipeline.laterals.scene import rules_of
from pipeline.mainlines import layout, report
from pipeline.mainlines.lattice import make_cover, make_graph, make_lattice, make_surface
from pipeline.mainlines.state_kernel import Price
from pipeline.records import Grouping, Lateral
from pipeline.settings import LateralSettings
from pipeline.sheets import book
from pipeline.sheets.context import make_context
from scipy.spatial import cKDTree

import small_bush as bush
import whole_plan
from lateral_sites import Stand, mainline_of, open_ground, plane, settings_of, terrain_of, trees_of
from mainline_sites import open_ground as open_lines
from mainline_sites import quick, rough, trees_at
from sample_plan import sample_plan

PRICE = Price(12.0, 8.0, 0.5)
REACH_M = 12.0


def grown(seed: int):
    """Return graph, cover, a grown network on rolling ground, and the appetite it was grown with."""
    terrain, settings = rough(seed, 260.0, 2.0, 4.0), quick()
    settings = dataclasses.replace(settings, laterals=dataclasses.replace(settings.laterals, reach_m=REACH_M))
    surface, base = make_surface(terrain, open_lines(terrain, settings), settings)
    lattice = make_lattice(terrain, surface, base, 4.0)
    g = make_graph(lattice, settings.mainlines.ladder_m)
    xy = np.random.default_rng(seed).uniform(10.0, 250.0, (300, 2))
    g.floor[:] = np.where(lattice.node_ok, 0.0, np.inf)
    c = make_cover(terrain, open_lines(terrain, settings), trees_at(terrain, xy), settings, lattice, g)
    low = np.where(lattice.node_ok, g.ceiling, np.inf).argmin()
    s = layout.seeded(g, c, seed, np.array([low]), np.array([float(g.ceiling[low]) - 2.0]))
    full = layout.full_appetite(c)
    layout.grow(g, c, s, PRICE, REACH_M, full)
    return g, c, s, full


class OneByOne:
    """A crew that does everything at once in the caller's thread, in the order given or the other way round."""

    backwards = False

    def __init__(self, _threads):
        self.work = []

    def __enter__(self):
        return self

    def __exit__(self, *_):
        return None

    def submit(self, what, *args):
        """Note what to do."""
        self.work.append((what, args))
        return self

    def result(self):
        """Do all that was noted."""
        for what, args in reversed(self.work) if self.backwards else self.work:
            what(*args)
        self.work = []


@pytest.mark.parametrize("seed", [0, 1])
def test_two_halves_of_a_network_are_improved_side_by_side_as_one_after_the_other(seed, monkeypatch):
    g, c, s, full = grown(seed)
    assert layout.tips(s) >= 4
    monkeypatch.setattr(layout, "SIDE_BY_SIDE", 1)
    monkeypatch.setattr(layout, "HEAT", 0.0)  # only small networks are heated, as a whole
    effort = dataclasses.replace(layout.EFFORTS["normal"], windows_least=240, windows_most=240, half_m=30.0)
    before = layout.objective(g, c, s, PRICE)
    ends = []
    for how in ("threads", "forward", "backward"):
        if how != "threads":
            monkeypatch.setattr(layout, "ThreadPoolExecutor", type("Crew", (OneByOne,), {"backwards": how[0] == "b"}))
        one = layout.copy_state(s)
        layout.improved(g, c, one, PRICE, REACH_M, full, effort, lambda _what, _share: None, (0.0, 1.0))
        ends.append(one)
    for name in ("down", "z", "children", "used", "served_by", "counter", "rng"):
        for other in ends[1:]:
            assert np.array_equal(getattr(ends[0], name), getattr(other, name)), name
    assert layout.objective(g, c, ends[0], PRICE) < before - 1.0  # something was mended at all


@pytest.mark.parametrize("k", range(8))
def test_no_tree_is_in_reach_of_both_halves_and_all_tries_are_dealt_out(k):
    g, c, s, _ = grown(2)
    (first, some), (second, others) = layout.halves(g, s, REACH_M, 101, k)
    assert some + others == 101
    assert min(some, others) > 0
    nodes = np.arange(g.rows * g.cols)
    row, col = np.divmod(nodes, g.cols)
    trees = []
    for r0, c0, r1, c1 in (first, second):
        inside = nodes[(row >= r0) & (row < r1) & (col >= c0) & (col < c1)]
        trees.append({t for a in inside for t in c.tree[c.start[a]:c.start[a + 1]].tolist()})
    assert trees[0]
    assert trees[1]
    assert not trees[0] & trees[1]


def test_only_networks_too_big_to_be_heated_are_improved_in_halves():
    assert layout.SIDE_BY_SIDE > layout.SMALL_TIPS


def test_a_vast_network_is_searched_more_coarsely_but_never_less_with_more_effort():
    most = [layout.EFFORTS[name].windows_most for name in ("quick", "normal", "thorough")]
    per_tip = [layout.EFFORTS[name].windows_per_tip for name in ("quick", "normal", "thorough")]
    assert most == sorted(most)
    # 10,000 trees have some 170 tips: they are searched as closely as ever
    assert all(m >= 3 * 170 * p for m, p in zip(most, per_tip, strict=True))


# ---------------------------------------------------------------- pieces of work that wait for one another


def test_work_waits_for_what_it_depends_on_and_comes_back_in_order():
    before = [[], [0], [], [1, 2], [], [4]]
    begun, ended, lock, told = [], [], threading.Lock(), []

    def work(k, near):
        with lock:
            begun.append(k)
            assert set(before[k]) <= set(ended)
        with lock:
            ended.append(k)
        return (k, near)

    got = crew.in_turn(before, work, told.append)
    assert [k for k, _ in got] == list(range(6))
    assert [[j for j, _ in near] for _, near in got] == before
    assert sorted(begun) == list(range(6))
    assert told[-1] == 6
    assert told == sorted(told)
    assert crew.in_turn([], work) == []


def test_what_a_piece_of_work_raises_is_raised():
    def work(k, _near):
        if k == 1:
            raise ValueError("broken")
        return k

    with pytest.raises(ValueError, match="broken"):
        crew.in_turn([[], [], [1]], work)


def test_boxes_wait_for_earlier_ones_nearer_than_told():
    box = np.array([[0.0, 0.0, 10.0, 10.0], [15.0, 0.0, 20.0, 10.0], [14.0, 16.0, 30.0, 30.0], [40.0, 0.0, 50.0, 9.0]])
    assert crew.near_before(box, 5.0) == [[], [0], [], []]
    assert crew.near_before(box, 6.0) == [[], [0], [0, 1], []]
    assert crew.near_before(box, 0.0) == [[], [], [], []]


def wood(seed: int, trees: int = 260, size: float = 300.0) -> Stand:
    terrain = terrain_of(plane(0.02, 0.05), size)
    lines = tuple(
        dataclasses.replace(mainline_of(terrain, [(5.0, y), (size - 5.0, y)]), mainline_id=f"M{i + 1}")
        for i, y in enumerate((20.0, 110.0, 200.0))
    )
    xy = np.random.default_rng(seed).uniform(8.0, size - 8.0, (trees, 2))
    return Stand(lines, terrain, open_ground(terrain), trees_of(terrain, xy[:, 0], xy[:, 1], 1))


def test_blocks_solved_side_by_side_give_the_laterals_of_one_after_the_other(monkeypatch):
    made = wood(4)
    monkeypatch.setattr(blocks, "BLOCK_TREES", 40)
    there = group(**made.given(), settings=settings_of("normal"))[0]
    plain = []

    def one_by_one(before, work, told=None):
        # every block is given all earlier ones, as if none could be passed over
        done = []
        for k in range(len(before)):
            done.append(work(k, [done[j] for j in (before[k] if plain else range(k))]))
        plain.append(len(done))
        return done

    monkeypatch.setattr(blocks, "in_turn", one_by_one)
    here = group(**made.given(), settings=settings_of("normal"), progress=lambda _word, _share: None)[0]
    assert plain[0] >= 6
    assert len(there.laterals) > 30
    assert [(c.lateral_id, c.tree) for c in there.laterals] == [(c.lateral_id, c.tree) for c in here.laterals]
    assert all(np.array_equal(a.xyz_m, b.xyz_m) for a, b in zip(there.laterals, here.laterals, strict=True))
    assert (there.objective_m, there.reason) == (here.objective_m, here.reason)


# ---------------------------------------------------------------- laterals stay when mainlines are cut back


def two_lines(z=1.2):
    return (
        bush.hung("M1", [(0, 0), (0, 30), (0, 60)], [z] * 3),
        bush.hung("M2", [(50, 0), (50, 30), (50, 60)], [z] * 3),
    )


def on(name, line, station, tree, ceiling=200.0):
    xyz = np.array([[0.0, station, 101.0], [5.0, station, 102.0]])
    return Lateral(name, line, station, (tree,), 1, xyz), ceiling


def test_laterals_are_counted_anew_on_mainlines_that_changed_names():
    held = [on("M1-L01", "M1", 10.0, 0), on("M1-L02", "M1", 20.0, 1), on("M3-L01", "M3", 5.0, 2)]
    held[1] = (held[1][0], 150.0)
    given = Grouping(tuple(c for c, _ in held), ("",) * 3, np.array([z for _, z in held]), 1.0, 2.0)
    got = on_trimmed(given, {"M1": "M2", "M3": "M1"}, two_lines())
    assert [(c.lateral_id, c.mainline_id, c.tree) for c in got.laterals] == [
        ("M1-L01", "M1", (2,)), ("M2-L01", "M2", (0,)), ("M2-L02", "M2", (1,)),
    ]
    assert got.entry_ceiling_z_m.tolist() == [200.0, 200.0, 150.0]
    assert (got.reason, got.lower_bound_m, got.objective_m) == (("",) * 3, 1.0, 2.0)


def test_a_lateral_whose_mainline_is_no_more_is_an_error():
    line = two_lines()[0]
    given = Grouping((on("M1-L01", "M1", 10.0, 0)[0],), ("",), np.array([200.0]))
    with pytest.raises(KeyError):
        on_trimmed(given, {}, (line,))


@pytest.mark.parametrize(("room_m", "left"), [(0.5, 3), (0.0, 3), (-0.01, 2), (-0.61, 1), (-1.21, 0)])
def test_a_lateral_whose_entry_came_too_high_ends_before_the_first_tree_that_asks_for_less(room_m, left):
    """Three trees 4 m apart; their ground leaves the entry 1.2, 0.6 and 0 m of room more than the lateral."""
    settings = LateralSettings()
    grade = float(rules_of(settings)[2])
    line = two_lines()[0]
    z = float(line.at(10.0)[2])
    away = np.array([4.0, 8.0, 12.0])
    ground_z = z + room_m + np.array([1.2, 0.6, 0.0]) - settings.highest_m + grade * away
    xyz = np.vstack([[0.0, 10.0, z], np.column_stack([away, [10.0] * 3, z + grade * away])])
    trees = dataclasses.replace(trees_of(bush.terrain(), away, [10.0] * 3, (1, 2, 1)), ground_z_m=ground_z)
    ceiling = ceiling_m(xy_m=xyz[:, :2], ground_z_m=ground_z, highest_m=settings.highest_m, grade=grade)
    assert ceiling == pytest.approx(z + room_m)
    given = Grouping((Lateral("M1-L01", "M1", 10.0, (0, 1, 2), 4, xyz),), ("", "", ""), np.array([ceiling]), 1.0, 2.0)
    got, findings = fitted(given, (line,), trees, settings)
    assert got.reason == ("",) * left + ("NO_LATERAL",) * (3 - left)
    assert [c.tree for c in got.laterals] == ([tuple(range(left))] if left else [])
    assert [c.taps for c in got.laterals] == ([sum((1, 2, 1)[:left])] if left else [])
    assert all(len(c.xyz_m) == left + 1 for c in got.laterals)
    assert (got.entry_ceiling_z_m >= z - 1e-6).all()
    assert [f.measured for f in findings] == ([] if left == 3 else [float(sum((1, 2, 1)[left:]))])
    assert [("taken out" in f.text, "cut short" in f.text) for f in findings] == (
        [] if left == 3 else [(left == 0, left > 0)])


# ---------------------------------------------------------------- figures of a network at a stroke


@pytest.mark.parametrize("owners", [1, 2, 30])
def test_distance_to_the_nearest_point_of_another_line(owners):
    rng = np.random.default_rng(owners)
    at = rng.uniform(0.0, 900.0, (owners, 2))
    xy = np.concatenate([np.column_stack((x + np.linspace(0.0, 200.0, 41), np.full(41, y))) for x, y in at])
    who = np.repeat(np.arange(owners), 41)
    asked = np.flatnonzero(rng.random(len(xy)) < 0.8)
    got = report._to_others(xy, who, asked)
    for i, away in zip(asked, got, strict=True):
        others = xy[who != who[i]]
        assert away == (cKDTree(others).query(xy[i])[0] if len(others) else np.inf)


# ---------------------------------------------------------------- what a long plan says


def test_a_thousand_sections_are_a_line_for_each_percent(monkeypatch, capsys):
    monkeypatch.setattr(cli.sys.stderr, "isatty", lambda: False, raising=False)
    with cli.progress(wanted=True) as said:
        for k in range(1000):
            said(f"printed section S{k + 1:02d}", 0.9 + 0.08 * k / 1000)
        said("printing the book", 0.98)
    lines = capsys.readouterr().err.splitlines()
    assert lines[0] == " 90 %  printed section S01"
    assert lines[-1] == " 98 %  printing the book"
    assert 8 <= len(lines) <= 12


def test_grouping_says_how_far_it_is(monkeypatch):
    told = []
    monkeypatch.setattr(blocks, "BLOCK_TREES", 40)
    group(**wood(5).given(), settings=settings_of("normal"), progress=lambda _word, share: told.append(share))
    assert len(told) > 10
    assert told == sorted(told)
    assert told[-1] == 1.0


# ---------------------------------------------------------------- a book in volumes


def test_a_book_of_too_many_sections_comes_in_volumes_that_hold_every_sheet_once(monkeypatch):
    made, terrain, ground = sample_plan()
    ctx = make_context(plan=made, terrain=terrain, ground=ground)
    sets = list(book.make_sets(ctx, [s.section_id for s in made.sections]))
    whole = book.render_volumes(ctx, sets)
    assert whole == {"book.pdf": book.render_book(ctx, sets)}
    monkeypatch.setattr(book, "WHOLE_SECTIONS", 1)
    monkeypatch.setattr(book, "VOLUME_SECTIONS", 1)
    volumes = book.render_volumes(ctx, sets, processes=1)
    count = len(made.sections)
    assert count >= 2
    assert list(volumes) == ["book.pdf", *(f"book-{k}.pdf" for k in range(2, count + 1))]
    assert sum(book.pages_in(pdf) for pdf in volumes.values()) == book.pages_in(whole["book.pdf"])
    for one, pdf in list(zip(sets, volumes.values(), strict=True))[1:]:
        assert book.pages_in(pdf) == one.sheets
    # the pages need not have been made before, and it does not matter who makes them
    assert book.render_volumes(ctx) == volumes


# ---------------------------------------------------------------- a vast plan, as a whole


@pytest.mark.parametrize(("draft", "vast"), [(20, 10**6), (20, 30)])
def test_laterals_that_stay_on_trimmed_lines_make_a_legal_plan(draft, vast, monkeypatch):
    """Thresholds lowered: with and without the rough grouping that goes first."""
    grouped = []
    whole_group = run.laterals.group

    def group_seen(**given):
        grouped.append(given["draft"])
        return whole_group(**given)

    monkeypatch.setattr(run, "DRAFT_TREES", draft)
    monkeypatch.setattr(run, "VAST_TREES", vast)
    monkeypatch.setattr(run.laterals, "group", group_seen)
    terrain = whole_plan.formula(lambda x, y: 100.0 + 0.05 * y + 0.01 * np.abs(x - 90.0), 180.0)
    xy = whole_plan.scatter(3, 150, (20.0, 160.0), (20.0, 160.0))
    plan = whole_plan.sound(run.make_plan(whole_plan.given(terrain, xy, (90.0, 4.0))), 150)
    assert grouped == ([True, False] if vast > 150 else [False])
    assert whole_plan.served(plan).mean() > 0.8
    joins = {m.mainline_id: [k.join_station_m for k in plan.mainlines if k.parent_id == m.mainline_id]
             for m in plan.mainlines}
    for line in plan.mainlines:
        last = max([*joins[line.mainline_id],
                    *(c.entry_station_m for c in plan.laterals if c.mainline_id == line.mainline_id)])
        assert line.plan_length_m - last <= 1.0 + 1e-6  # no line goes on beyond what it is for
    ids = [c.lateral_id for c in plan.laterals]
    assert len(set(ids)) == len(ids)
    assert all(name.startswith(f"{c.mainline_id}-L") for name, c in zip(ids, plan.laterals, strict=True))
