"""Heights of a lateral: labels, ceiling, the steadiest fall; against a quadratic programme and brute force."""

from __future__ import annotations

import numpy as np
import pytest
from pipeline.frame import Frame
from pipeline.laterals import heights, scene, settling
from pipeline.records import Lateral, Mainline, Support
from pipeline.settings import LateralSettings
from pipeline.terrain.grid import Terrain
from scipy.optimize import linprog, minimize

RULE = np.array([0.6, 1.8, 0.02, 0.3, 30.0])


def flat(z=100.0):
    return Terrain(np.full((40, 40), z, np.float32), 0.5, 39.5, 1.0, Frame("", "local", ""), 0.1, "test")


def labels(xs, ground, entry, land=None, rule=RULE):
    xy = np.column_stack([np.array(xs, float), np.full(len(xs), 20.0)])
    return heights.lowest_labels(xy_m=xy, ground_z_m=np.array(ground, float), entry_z_m=entry,
                                 terrain=land or flat(), rule=rule)


@pytest.mark.parametrize(
    ("ground", "entry", "wanted"),
    [
        ([100.0, 100.0], 100.5, [100.7, 100.8]),  # the least fall rules: 0.5 + 10 * 2 %, then 5 * 2 %
        ([100.0, 100.0], 100.0, [100.6, 100.7]),  # the lowest height rules at the first
        ([101.0, 100.0], 100.0, [101.6, 101.7]),  # then nothing may fall back
        ([100.0, 103.0], 100.5, [100.7, 103.6]),
        ([100.0, 98.9], 100.5, [100.7, np.inf]),  # 100.8 is above 98.9 + 1.8
        ([98.0, 103.0], 100.5, [np.inf, np.inf]),  # nothing beyond a dead label
    ],
)
def test_lowest_labels_by_hand(ground, entry, wanted):
    """Entry at x = 5, trees at 15 and 20; the terrain itself is low, so no span binds."""
    assert labels([5, 15, 20], ground, entry, flat(90.0)) == pytest.approx(wanted)


@pytest.mark.parametrize(("over", "legal"), [(0.0, True), (0.001, False)])
def test_the_top_of_the_window_is_legal(over, legal):
    """Fall 10 m * 2 % = 0.2: entry at 101.6 comes to 101.8, the highest."""
    got = labels([5, 15], [100.0], 101.6 + over, flat(90.0))
    assert bool(np.isfinite(got[0])) is legal


def test_a_hump_lifts_the_label_by_the_span_rule():
    """Ground 102 half way, clear 0.3: 102.3 = (100.5 + z) / 2, z = 104.1, too high for ground 100, legal for 103."""
    land = flat()
    land.z_m[:, 10] = 102.0  # x = 10.5
    assert labels([5.5, 15.5], [103.0], 100.5, land)[0] == pytest.approx(104.1)
    assert np.isinf(labels([5.5, 15.5], [100.0], 100.5, land)[0])


@pytest.mark.parametrize(
    ("ground", "ceiling"), [([100.0, 100.0], 101.5), ([100.0, 101.0], 101.6), ([99.0, 105.0], 100.6)]
)
def test_ceiling_by_hand(ground, ceiling):
    """Trees 10 and 15 m along: min(g1 + 1.8 - 0.2, g2 + 1.8 - 0.3)."""
    xy = np.array([[5.0, 20.0], [15.0, 20.0], [20.0, 20.0]])
    got = heights.ceiling_m(xy_m=xy, ground_z_m=np.array(ground), highest_m=1.8, grade=0.02)
    assert got == pytest.approx(ceiling)


def steady(dist, entry, low, high, least=0.02, aim=0.05):
    return heights.steady(dist_m=np.array(dist, float), entry_z_m=entry, low_m=np.array(low, float),
                          high_m=np.array(high, float), min_grade=least, aim_grade=aim)


@pytest.mark.parametrize(
    ("low", "high", "wanted"),
    [
        ([0, 0], [9, 9], [0.5, 1.0]),  # the aim: 5 % of 10 and 20 m
        ([0.7, 0.9], [9, 9], [0.7, 1.2]),  # lifted at the first, then the aim again
        ([0, 1.4], [9, 9], [0.7, 1.4]),  # steeper all along to reach the second
        ([0, 0], [0.3, 9], [0.3, 0.8]),  # held down at the first
        ([0, 0], [9, 0.6], [0.3, 0.6]),  # flatter all along
        ([0, 0], [9, 0.4], [0.2, 0.4]),  # the least fall, exactly
    ],
)
def test_steadiest_fall_by_hand(low, high, wanted):
    assert steady([10, 10], 0.0, low, high) == pytest.approx(wanted)


@pytest.mark.parametrize("seed", range(10))
def test_steadiest_fall_against_a_quadratic_solver(seed):
    """SLSQP on sum d (grade - aim)^2 with window and least fall as inequalities."""
    rng = np.random.default_rng(seed)
    n = 4
    dist = rng.uniform(2.0, 9.0, n)
    base = np.cumsum(dist * rng.uniform(0.02, 0.12, n))
    along = np.cumsum(dist)
    low = np.maximum.accumulate(base - rng.uniform(0.0, 0.5, n) - 0.02 * along) + 0.02 * along
    low = np.maximum(low, 0.02 * along)
    high = np.maximum(base + rng.uniform(0.0, 0.5, n), low)
    # make the tube passable at the least fall
    high = np.maximum(high, low + 1e-3)
    top = np.minimum.accumulate((high - 0.02 * along)[::-1])[::-1] + 0.02 * along
    if (top < low).any():
        high = np.maximum.accumulate(np.maximum(high, low + 0.3) - 0.02 * along) + 0.02 * along
    got = steady(dist, 0.0, low, high)

    def cost(z):
        grade = np.diff(np.concatenate([[0.0], z])) / dist
        return float((dist * (grade - 0.05) ** 2).sum())

    rules = [{"type": "ineq", "fun": lambda z: np.diff(np.concatenate([[0.0], z])) - 0.02 * dist},
             {"type": "ineq", "fun": lambda z: z - low}, {"type": "ineq", "fun": lambda z: high - z}]
    solved = minimize(cost, np.clip(base, low, high), method="SLSQP", constraints=rules,
                      options={"maxiter": 500, "ftol": 1e-14})
    assert (got >= low - 1e-9).all()
    assert (got <= high + 1e-9).all()
    assert (np.diff(np.concatenate([[0.0], got])) >= 0.02 * dist - 1e-9).all()
    assert cost(got) <= cost(solved.x) + 1e-6


@pytest.mark.parametrize("seed", range(5))
def test_labels_are_the_least_solution_of_a_linear_programme(seed):
    """Flat low terrain: z_i >= ground + lowest, z_i - z_(i-1) >= grade d."""
    rng = np.random.default_rng(seed)
    xs = np.cumsum(rng.uniform(2.0, 6.0, 5))
    ground = 100.0 + rng.uniform(0.0, 0.5, 4)
    got = labels(xs, ground, 100.4, flat(80.0))
    gap = np.diff(xs)
    a = np.zeros((4, 4))
    b = -0.02 * gap
    for i in range(4):
        a[i, i] = -1.0
        if i:
            a[i, i - 1] = 1.0
        else:
            b[0] -= 100.4
    solved = linprog(np.ones(4), A_ub=a, b_ub=b, bounds=[(g + 0.6, None) for g in ground])
    assert got == pytest.approx(solved.x)


def test_length_is_in_space():
    assert heights.length_m(np.array([[0.0, 0.0, 0.0], [3.0, 4.0, 12.0], [3.0, 4.0, 13.0]])) == pytest.approx(14.0)


# ---------------------------------------------------------------- settling's own pieces


def lateral(name, taps, points):
    xyz = np.array([(x, y, 0.0) for x, y in points], dtype=float)
    return Lateral(name, "M1", 0.0, tuple(range(len(points) - 1)), taps, xyz)


def test_of_two_that_meet_the_one_with_fewer_taps_goes():
    a = lateral("A", 5, [(0, 0), (10, 0)])
    b = lateral("B", 3, [(5, -5), (5, 5)])
    assert settling._meeting([a, b]) == [(1, 0)]
    assert settling._meeting([b, a]) == [(0, 1)]


def test_of_two_alike_the_later_goes_and_one_that_is_gone_takes_none_with_it():
    a = lateral("A", 3, [(0, 0), (20, 0)])
    b = lateral("B", 3, [(5, -5), (5, 5)])
    c = lateral("C", 1, [(3, 4), (9, 4)])  # meets B alone, and B is gone
    assert settling._meeting([a, b, c]) == [(1, 0)]
    assert settling._meeting([a, c]) == []
    assert settling._meeting([]) == []


@pytest.mark.parametrize(
    ("answers", "wanted"),
    [(("high", "high"), "high"), (("high", "level it"), "level it"), (("unknown", "high"), "unknown"),
     (("level it", "unknown"), "unknown")],
)
def test_a_lateral_is_as_sure_as_its_least_sure_tree(answers, wanted):
    given = iter(answers)
    xyz = np.array([[0.0, 0.0, 100.0], [3.0, 4.0, 101.0], [3.0, 10.0, 102.0]])
    asked = []

    def confidence(run, room):
        asked.append((run, room))
        return next(given)

    assert settling._confidence(xyz, np.array([101.5, 103.0]), confidence) == wanted
    assert asked == [(5.0, 1.5), (11.0, 3.0)]  # plan length from the entry, top of the window over the entry
    assert settling._confidence(xyz, np.array([101.5, 103.0]), None) == "unknown"


# ---------------------------------------------------------------- scene


def line(name="M1", parent="", join=0.0, length=10.0, at=(0.0, 0.0)):
    return Mainline(name, parent, "C1", join, tuple(
        Support(f"{name}{i}", name, s, at[0] + s, at[1], "post", "", 0.0, 0.0, 1.0 + 0.1 * s)
        for i, s in enumerate((0.0, length / 2, length))))


@pytest.mark.parametrize(
    ("length", "spacing", "stations"),
    [
        (3.0, 1.0, [1.0, 2.0, 3.0]),  # from the tip down, none at the foot
        (3.4, 1.0, [1.4, 2.4, 3.4]),  # 0.4 is too near the foot
        (3.6, 1.0, [0.6, 1.6, 2.6, 3.6]),
        (1.0, 0.1, [0.7, 1.0]),  # never closer than 0.3 m; 0.4 and 0.1 are too near the foot
        (0.4, 1.0, []),
    ],
)
def test_slots_by_hand(length, spacing, stations):
    xyz, owner, station = scene.slots_of((line(length=length),), spacing)
    assert station == pytest.approx(stations)
    assert owner.tolist() == [0] * len(stations)
    assert xyz == pytest.approx(np.array([(s, 0.0, 1.0 + 0.1 * s) for s in stations]).reshape(-1, 3))


def test_no_slot_where_a_branch_joins():
    lines = (line(length=6.0), line("M1.1", "M1", 3.3, 2.0, (3.3, 5.0)))
    _, owner, station = scene.slots_of(lines, 1.0)
    assert station[owner == 0] == pytest.approx([1.0, 2.0, 4.0, 5.0, 6.0])
    assert station[owner == 1] == pytest.approx([1.0, 2.0])
    assert scene._line_ranges(owner, 2)[0].tolist() == [0, 5]
    assert scene._line_ranges(owner, 2)[1].tolist() == [4, 6]


def test_no_mainline_no_slot_no_segment():
    xyz, owner, station = scene.slots_of((), 1.0)
    assert (xyz.shape, owner.shape, station.shape) == ((0, 3), (0,), (0,))
    assert scene.segments_of(()).shape == (0, 4)


def test_segments_of_all_lines():
    got = scene.segments_of((line(), line("M2", at=(0.0, 9.0))))
    assert got.tolist() == [[0, 0, 5, 0], [5, 0, 10, 0], [0, 9, 5, 9], [5, 9, 10, 9]]


def test_rules_come_in_the_kernels_order():
    got = scene.rules_of(LateralSettings(lowest_m=0.8, highest_m=2.0, min_grade_pct=3.0, max_length_m=25.0))
    assert got == pytest.approx([0.8, 2.0, 0.03, 0.4, 25.0])


def test_struck_out_neighbours_go_behind_in_order():
    neighbour = np.array([[3, -2, 5, -1], [-1, -1, -2, 7]], dtype=np.int32)
    dist = np.array([[1.0, 2.0, 3.0, 4.0], [1.0, 2.0, 3.0, 4.0]])
    out, d, need = scene.close_up(neighbour, dist, dist * 10)
    assert out.tolist() == [[3, 5, -1, -1], [7, -1, -1, -1]]
    assert d.tolist() == [[1.0, 3.0, 2.0, 4.0], [4.0, 1.0, 2.0, 3.0]]
    assert need.tolist() == (d * 10).tolist()


@pytest.mark.parametrize(("n", "width"), [(0, 1), (1, 1), (2, 2), (30, 30), (100, 61)])
def test_near_trees_come_by_distance_and_end_with_n(n, width):
    rng = np.random.default_rng(n)
    tree = rng.uniform(0.0, 60.0, (n, 3))
    got = scene._near(tree, 15.0)
    assert got.shape == (n, width)
    for i in range(n if n > 1 else 0):
        away = np.hypot(*(tree[:, :2] - tree[i, :2]).T)
        wanted = [j for j in np.argsort(away, kind="stable") if away[j] < 15.0][:width]
        assert got[i, : len(wanted)].tolist() == wanted
        assert (got[i, len(wanted):] == n).all()
