"""Rules that every grouping keeps, whatever the stand; audited by ``lateral_referee``."""

from __future__ import annotations

import dataclasses

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pipeline.laterals import group, settle
from pipeline.records import Trees

from lateral_referee import Referee
from lateral_sites import Stand, blocking, raised, settings_of, stand

STEADY = settings(
    max_examples=5, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)


@st.composite
def stands(draw) -> Stand:
    """Stands of 1 to 70 trees on gentle to steep ground, some with a block that no lateral may pass."""
    made = stand(
        draw(st.integers(2, 70)), draw(st.integers(0, 10**6)), per_ha=draw(st.sampled_from([60.0, 150.0, 400.0])),
        slope=draw(st.sampled_from([-0.15, 0.0, 0.04, 0.1, 0.25])), relief_m=draw(st.sampled_from([0.0, 0.5, 1.5])),
        spacing_m=draw(st.sampled_from([15.0, 30.48, 45.0])), least_apart_m=0.8,
    )
    if draw(st.booleans()):
        west, south = draw(st.integers(10, 40)), draw(st.integers(10, 40))
        east, north = west + draw(st.integers(0, 25)), south + draw(st.integers(0, 3))
        made = dataclasses.replace(made, ground=blocking(made.terrain, west, south, east, north))
    return made


def reordered(made: Stand, order: np.ndarray) -> Stand:
    """Return the stand with its trees in another order."""
    t = made.trees
    pick = [int(i) for i in order]
    return dataclasses.replace(made, trees=Trees(
        tree_id=tuple(t.tree_id[i] for i in pick), x_m=t.x_m[pick], y_m=t.y_m[pick], ground_z_m=t.ground_z_m[pick],
        species=tuple(t.species[i] for i in pick), dbh_cm=t.dbh_cm[pick], taps=t.taps[pick],
        status=tuple(t.status[i] for i in pick), reason=tuple(t.reason[i] for i in pick),
        note=tuple(t.note[i] for i in pick),
    ))


@STEADY
@given(stands(), st.sampled_from(["quick", "normal"]), st.integers(1, 12), st.sampled_from([15.0, 30.48, 45.0]))
def test_every_rule_holds(made, effort, max_taps, max_length_m):
    rules = settings_of(effort, max_taps=max_taps, max_length_m=max_length_m)
    grouping, findings = group(**made.given(), settings=rules)
    assert Referee(made, rules).audit(grouping) == []
    # nothing vanishes: a tree is served, or has a reason that is ours to give, and a finding tells of its pocket
    codes = set(grouping.reason) - {""}
    assert codes <= {"OUT_OF_REACH", "NO_LATERAL"}
    assert codes == {f.code for f in findings if f.layer == "trees"}
    assert len(grouping.reason) == len(made.trees)


@STEADY
@given(stands(), st.floats(0.0, 1.0))
def test_every_rule_holds_on_the_mainlines_as_hung(made, lift_m):
    rules = settings_of("normal")
    grouping, _ = group(**made.given(), settings=rules)
    hung = dataclasses.replace(made, mainlines=tuple(raised(m, lift_m) for m in made.mainlines))
    settled, findings = settle(
        grouping=grouping, mainlines=hung.mainlines, terrain=made.terrain, trees=made.trees, settings=rules
    )
    assert Referee(hung, rules).audit(settled) == []
    room = grouping.entry_ceiling_z_m - np.array([c.xyz_m[0, 2] for c in grouping.laterals])
    stays = {c.lateral_id for c, r in zip(grouping.laterals, room, strict=True) if r >= lift_m + 1e-6}
    assert stays <= {c.lateral_id for c in settled.laterals}
    assert len(settled.laterals) + len(findings) == len(grouping.laterals)


@STEADY
@given(stands(), st.randoms(use_true_random=False))
def test_row_order_does_not_matter(made, random):
    order = list(range(len(made.trees)))
    random.shuffle(order)
    other = reordered(made, np.array(order))
    first, _ = group(**made.given(), settings=settings_of("normal"))
    second, _ = group(**other.given(), settings=settings_of("normal"))
    assert [first.reason[i] for i in order].count("OUT_OF_REACH") == second.reason.count("OUT_OF_REACH")
    assert abs(first.objective_m - second.objective_m) <= 0.02 * max(first.objective_m, 1.0)


@STEADY
@given(stands())
def test_a_stand_moved_and_mirrored_costs_the_same(made):
    """East for west, and a kilometre away: the trees' lateral metres stay within 2 %."""
    t = made.terrain
    flip = t.x0_m + (t.shape[1] - 1) * t.cell_m

    def there(x):
        return flip - np.asarray(x) + 1000.0

    terrain = dataclasses.replace(t, z_m=np.ascontiguousarray(t.z_m[:, ::-1]), x0_m=1000.0)
    mask = np.ascontiguousarray(made.ground.lateral_blocked[:, ::-1])
    ground = dataclasses.replace(made.ground, lateral_blocked=mask)
    lines = tuple(
        dataclasses.replace(m, supports=tuple(dataclasses.replace(s, x_m=float(there(s.x_m))) for s in m.supports))
        for m in made.mainlines
    )
    other = Stand(lines, terrain, ground, dataclasses.replace(made.trees, x_m=there(made.trees.x_m)))
    first, _ = group(**made.given(), settings=settings_of("normal"))
    second, _ = group(**other.given(), settings=settings_of("normal"))
    assert abs(first.objective_m - second.objective_m) <= 0.02 * max(first.objective_m, 1.0)


@STEADY
@given(stands(), st.integers(0, 10**6))
def test_more_blocked_ground_never_serves_more(made, seed):
    rng = np.random.default_rng(seed)
    more = made.ground.lateral_blocked | (rng.random(made.terrain.shape) < 0.01)
    other = dataclasses.replace(made, ground=dataclasses.replace(made.ground, lateral_blocked=more))
    free, _ = group(**made.given(), settings=settings_of("thorough"))
    tight, _ = group(**other.given(), settings=settings_of("thorough"))
    assert tight.reason.count("") <= free.reason.count("")
