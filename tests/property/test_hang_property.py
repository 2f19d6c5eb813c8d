"""What must hold for every hung line, on random ground."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pipeline.findings import Finding
from pipeline.hang import hang_final, hang_low
from pipeline.records import CollectionPoint, Ground, Mainline
from pipeline.settings import Settings
from pipeline.terrain.grid import Terrain

from hang_scene import faults, network, open_ground, outlet, rough, route, stand_of

SETTINGS = Settings()
SIZE_M = 90.0


def scene(seed: int, bump_m: float, cell_m: float, crossing: bool) -> tuple[Terrain, Ground, list, object]:
    """Return ground, a line with two bends and two branches, and trees, all from one seed."""
    rng = np.random.default_rng(seed)
    terrain = rough(seed, size=int(SIZE_M / cell_m) + 1, bump_m=bump_m, grade_pct=8.0, cell_m=cell_m)
    ground = open_ground(terrain, SETTINGS)
    if crossing:
        first = int(rng.integers(30, 60) / cell_m)
        ground.support_blocked[:, first : first + 3] = True
        ground.lowest_m[:, first : first + 3] = 2.2
    xy = [(4.0, 40.0), (30.0, float(rng.uniform(30, 50))), (55.0, float(rng.uniform(30, 50))), (84.0, 40.0)]
    main = route("M1", xy)
    own = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(main.xy_m, axis=0).T))))
    at = float(rng.uniform(own[1] + 2.0, own[2] - 2.0))
    x, y = (float(np.interp(at, own, main.xy_m[:, k])) for k in (0, 1))
    routes = [
        main,
        route("M1.1", [xy[1], (45.0, 80.0)], parent_id="M1", join_station_m=float(own[1])),
        route("M1.2", [(x, y), (80.0, 12.0)], parent_id="M1", join_station_m=at),
    ]
    trees = stand_of(terrain, [(float(a), float(b)) for a, b in rng.uniform(2.0, SIZE_M - 2.0, (120, 2))])
    return terrain, ground, routes, trees


def infeasible(findings: tuple[Finding, ...]) -> bool:
    return any(f.code == "HANG_INFEASIBLE" for f in findings)


def check(
    lines: tuple[Mainline, ...], said: tuple[Finding, ...], terrain: Terrain, ground: Ground, rules: Settings,
    ends: tuple[CollectionPoint, ...], ceilings: tuple[tuple[str, float, float], ...] = (),
) -> None:
    """Hold the finished geometry against the raw terrain: clean when nothing was said, guilty when something was."""
    broken = faults(lines, terrain, ground, rules, ends, ceilings)
    assert not any("falls" in b or "misses" in b or "inlet" in b for b in broken), broken[:3]
    if infeasible(said):
        finer = faults(lines, terrain, ground, rules, ends, ceilings, step_m=0.02, tol_m=5e-5)
        assert finer
        named = {f.subject_id for f in said}
        assert {b.split(":")[0] for b in finer} <= named
    else:
        assert not broken, broken[:3]


SCENES = {
    "seed": st.integers(0, 10_000), "bump_m": st.floats(0.05, 1.2), "cell_m": st.sampled_from([0.5, 1.0, 2.0, 3.0]),
    "crossing": st.booleans(),
}
QUICK = settings(max_examples=25, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])


@QUICK
@given(**SCENES)
def test_every_quarter_metre_is_legal_or_reported(seed: int, bump_m: float, cell_m: float, crossing: bool) -> None:
    terrain, ground, routes, trees = scene(seed, bump_m, cell_m, crossing)
    ends = outlet(terrain, 4.0, 40.0)
    low, said = hang_low(
        network=network(*routes), terrain=terrain, ground=ground, trees=trees, collections=ends, settings=SETTINGS
    )
    check(low, said, terrain, ground, SETTINGS, ends)
    built, said_too = hang_final(
        mainlines=low, ceilings=(), terrain=terrain, ground=ground, collections=ends, settings=SETTINGS
    )
    check(built, said_too, terrain, ground, SETTINGS, ends)
    assert infeasible(said) == infeasible(said_too)
    assert [[s.support_id for s in m.supports] for m in low] == [[s.support_id for s in m.supports] for m in built]
    # the low line is the least sum of elevations
    if not infeasible(said):
        total = [sum(s.line_z_m for m in lines for s in m.supports) for lines in (low, built)]
        assert total[0] <= total[1] + 1e-6


@QUICK
@given(**SCENES, share=st.floats(0.0, 1.0))
def test_ceilings_between_the_low_and_the_free_line_are_kept(
    seed: int, bump_m: float, cell_m: float, crossing: bool, share: float
) -> None:
    terrain, ground, routes, trees = scene(seed, bump_m, cell_m, crossing)
    ends = outlet(terrain, 4.0, 40.0)
    common = {"terrain": terrain, "ground": ground, "collections": ends, "settings": SETTINGS}
    low, said = hang_low(network=network(*routes), trees=trees, **common)
    free, _ = hang_final(mainlines=low, ceilings=(), **common)
    ceilings = tuple(
        (m.mainline_id, s, max(float(m.at(s)[2]), float(m.at(s)[2] * (1 - share) + f.at(s)[2] * share)) + 1e-4)
        for m, f in zip(low, free, strict=True)
        for s in np.linspace(1.0, m.plan_length_m - 1.0, 7)
    )
    built, said_too = hang_final(mainlines=low, ceilings=ceilings, **common)
    assert infeasible(said) == infeasible(said_too)  # the low line itself keeps them all
    check(built, said_too, terrain, ground, SETTINGS, ends, ceilings)


@QUICK
@given(seed=st.integers(0, 10_000), bump_m=st.floats(0.05, 0.8), more_m=st.floats(0.0, 1.8))
def test_a_tighter_window_is_kept_or_reported(seed: int, bump_m: float, more_m: float) -> None:
    """Raise the lowest height for snow: either the line follows or a finding says that it cannot."""
    terrain, _, routes, trees = scene(seed, bump_m, 1.0, crossing=False)
    snowy = replace(
        SETTINGS, mainlines=replace(SETTINGS.mainlines, lowest_m=SETTINGS.mainlines.lowest_m + more_m, aim_m=2.0)
    )
    ground = open_ground(terrain, snowy)
    ends = outlet(terrain, 4.0, 40.0)
    low, said = hang_low(
        network=network(*routes), terrain=terrain, ground=ground, trees=trees, collections=ends, settings=snowy
    )
    check(low, said, terrain, ground, snowy, ends)
    built, said_too = hang_final(
        mainlines=low, ceilings=(), terrain=terrain, ground=ground, collections=ends, settings=snowy
    )
    check(built, said_too, terrain, ground, snowy, ends)


@QUICK
@given(**SCENES)
def test_supports_are_near_enough_on_the_line_and_off_blocked_ground(
    seed: int, bump_m: float, cell_m: float, crossing: bool
) -> None:
    terrain, ground, routes, trees = scene(seed, bump_m, cell_m, crossing)
    rules = SETTINGS.mainlines
    low, said = hang_low(
        network=network(*routes), terrain=terrain, ground=ground, trees=trees,
        collections=outlet(terrain, 4.0, 40.0), settings=SETTINGS,
    )
    place = {t: (float(x), float(y)) for t, x, y in zip(trees.tree_id, trees.x_m, trees.y_m, strict=True)}
    for line, its_route in zip(low, routes, strict=True):
        wide = [f for f in said if f.code == "HANG_GAP" and f.subject_id.startswith(line.mainline_id + "-")]
        assert (np.diff(line.station_m).max() > rules.max_support_gap_m + 1e-3) == bool(wide)
        assert np.diff(line.station_m).min() > 0.0
        steps = np.hypot(*np.diff(line.xyz_m[:, :2], axis=0).T)
        assert np.cumsum(steps) == pytest.approx(line.station_m[1:], abs=1e-6)
        for vertex in its_route.xy_m:
            assert np.abs(line.xyz_m[:, :2] - vertex).sum(axis=1).min() < 1e-9
        for s in line.supports:
            if s.tree_id:
                assert np.hypot(place[s.tree_id][0] - s.x_m, place[s.tree_id][1] - s.y_m) == pytest.approx(
                    abs(s.offset_m), abs=1e-6
                )
                assert abs(s.offset_m) <= rules.support_reach_m + 1e-9
            row, col = (int(np.floor(v + 0.5)) for v in terrain.rowcol(s.x_m, s.y_m))
            fixed = s.kind == "anchor" or np.abs(its_route.xy_m - (s.x_m, s.y_m)).sum(axis=1).min() < 1e-9
            at_join = any(abs(r.join_station_m - s.station_m) < 1e-3 for r in routes if r.parent_id == line.mainline_id)
            assert fixed or at_join or not ground.support_blocked[row, col]
