"""What must hold for any network: more load never gives less pipe, and nothing is lost on the way."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from pipeline import flow
from pipeline.flow import choose, network
from pipeline.flow.network import SAME_PLACE_M
from pipeline.hydraulics import sap
from pipeline.hydraulics.catalogue import mainline_sizes
from pipeline.records import Flow, Grouping, Mainline
from pipeline.units import INHG_KPA

from flow_networks import case, flow_settings, random_network

seeds = st.integers(0, 10**6)
few = settings(max_examples=40, deadline=None)


def any_network(seed: int, **flow_rules: Any) -> dict[str, Any]:
    rng = np.random.default_rng(seed)
    return random_network(rng, branches=int(rng.integers(0, 6)), **flow_rules)


def size_at(sized: Flow, mainline_id: str, station_m: float) -> tuple[float, float]:
    """Return the bores of the sap line and of the dry line (0 for none) at a station."""
    out = {True: 0.0, False: 0.0}
    for pipe in sized.pipes:
        if pipe.mainline_id == mainline_id and pipe.from_station_m - 1e-6 <= station_m <= pipe.to_station_m + 1e-6:
            key = pipe.role == "dry"
            out[key] = max(out[key], pipe.inner_diameter_mm)
    return out[False], out[True]


def assert_never_smaller(light: Flow, heavy: Flow, lines: tuple[Mainline, ...], stretch: float = 1.0) -> None:
    """At every place the heavier case has at least the bore: the sap line's, or the dry line's where added.

    Places are compared at the same distance from the lower end; `stretch` is how much longer the
    heavier case's lines are, which only matters for where the comparison ends.
    """
    for line in lines:
        for share in np.linspace(0.005, 0.995, 41):
            at = float(share * line.plan_length_m)
            was, now = size_at(light, line.mainline_id, at), size_at(heavy, line.mainline_id, at)
            assert max(now) >= max(was) - 1e-9, (line.mainline_id, at, stretch)
            assert now[1] >= was[1] - 1e-9


@few
@given(seeds, st.floats(0.5, 8.0), st.floats(0.1, 0.95), st.sampled_from(["auto", "never", "always"]))
def test_a_tighter_vacuum_budget_never_gives_smaller_pipe(seed: int, inhg: float, part: float, pair: str) -> None:
    wide = any_network(seed, loss_budget_kpa=inhg * INHG_KPA, pair=pair)
    tight = {**wide, "settings": flow_settings(loss_budget_kpa=part * inhg * INHG_KPA, pair=pair)}
    assert_never_smaller(flow.size(**wide)[0], flow.size(**tight)[0], wide["mainlines"])


@pytest.mark.parametrize("seed", range(10))
def test_two_inches_to_one(seed: int) -> None:
    two, one = (any_network(seed, loss_budget_kpa=b * INHG_KPA) for b in (2.0, 1.0))
    assert_never_smaller(flow.size(**two)[0], flow.size(**one)[0], two["mainlines"])


@few
@given(seeds, st.integers(0, 10**6), st.integers(1, 10), st.booleans(), st.sampled_from(["auto", "always"]))
def test_more_taps_never_give_smaller_pipe(seed: int, which: int, more: int, pumped: bool, pair: str) -> None:
    arguments = any_network(seed, pumped=pumped, pair=pair)
    laterals = list(arguments["grouping"].laterals)
    i = which % len(laterals)
    laterals[i] = replace(laterals[i], taps=laterals[i].taps + more)
    heavy = {**arguments, "grouping": Grouping(tuple(laterals), (), np.full(len(laterals), np.inf))}
    assert_never_smaller(flow.size(**arguments)[0], flow.size(**heavy)[0], arguments["mainlines"])


def flatter(lines: tuple[Mainline, ...], part: float) -> tuple[Mainline, ...]:
    """Return lines whose every height above the outlet is `part` of what it was."""
    return tuple(
        replace(line, supports=tuple(replace(s, line_z_m=100.0 + part * (s.line_z_m - 100.0)) for s in line.supports))
        for line in lines
    )


@few
@given(seeds, st.floats(0.2, 0.99), st.booleans(), st.sampled_from(["auto", "always"]))
def test_less_grade_never_gives_smaller_pipe(seed: int, part: float, pumped: bool, pair: str) -> None:
    steep = any_network(seed, pumped=pumped, pair=pair)
    flat = {**steep, "mainlines": flatter(steep["mainlines"], part)}
    # Flatter lines are a hair shorter too; that can only help them and is far below one size.
    assert_never_smaller(flow.size(**steep)[0], flow.size(**flat)[0], steep["mainlines"])


@few
@given(
    st.integers(2, 12), st.integers(1, 12), st.integers(5, 40), st.integers(1, 10), st.floats(2.0, 8.0), st.booleans()
)
def test_a_longer_line_never_gives_smaller_pipe(
    hundreds: int, more: int, laterals: int, taps: int, grade_pct: float, branch: bool
) -> None:
    """The same taps spread over more line. Lengths are even multiples of the distance at which sizes may change."""
    short_m, long_m = (2.0 * choose.CHANGE_EVERY_M * n for n in (hundreds, hundreds + more))
    short, long = (
        case(length_m=m, grade_pct=grade_pct, laterals=laterals, taps=taps, branch=branch) for m in (short_m, long_m)
    )
    if branch:  # the branch stays where it was, so that places can be compared
        moved = replace(long["mainlines"][1], join_station_m=short["mainlines"][1].join_station_m)
        long = {**long, "mainlines": (long["mainlines"][0], moved)}
    assert_never_smaller(flow.size(**short)[0], flow.size(**long)[0], short["mainlines"][:1], long_m / short_m)


@few
@example(246526, False)  # a join 0.96 mm above an entry: one node
@given(seeds, st.booleans())
def test_taps_and_flows_sum_exactly_at_every_join(seed: int, pumped: bool) -> None:
    arguments = any_network(seed, pumped=pumped)
    sized, _ = flow.size(**arguments)
    per_tap = arguments["settings"].flow.peak_flow_l_min
    for pipe in sized.pipes:
        above = 0
        for lateral in arguments["grouping"].laterals:
            mainline_id, station = lateral.mainline_id, lateral.entry_station_m
            while mainline_id:
                if mainline_id == pipe.mainline_id:
                    above += lateral.taps * (station > pipe.from_station_m + SAME_PLACE_M)
                    break
                line = next(m for m in arguments["mainlines"] if m.mainline_id == mainline_id)
                mainline_id, station = line.parent_id, line.join_station_m
        assert pipe.taps == above
        if pipe.role != "dry":
            assert pipe.peak_flow_l_min == pytest.approx(above * per_tap, rel=1e-12)
    assert sized.stations[0].taps == sum(a.taps for a in arguments["grouping"].laterals)


@few
@given(seeds, st.sampled_from(["auto", "never", "always"]), st.integers(1, 40), st.booleans())
def test_fill_and_budget_hold_or_a_finding_says_so(seed: int, pair: str, times: int, pumped: bool) -> None:
    arguments = any_network(seed, pair=pair, pumped=pumped)
    laterals = tuple(replace(a, taps=a.taps * times) for a in arguments["grouping"].laterals)
    arguments["grouping"] = Grouping(laterals, (), np.full(len(laterals), np.inf))
    rules = arguments["settings"].flow
    sized, findings = flow.size(**arguments)
    over = {f.subject_id for f in findings if f.code == "FILL_OVER"}
    for pipe in sized.pipes:
        assert (pipe.area_ratio <= rules.fill_ratio * (1 + 1e-9)) is (pipe.pipe_id not in over)
        if pipe.role != "dry" and pipe.area_ratio < 1.0:
            again = sap.flow_l_min(pipe.inner_diameter_mm, pipe.grade_pct, pipe.depth_ratio)
            assert float(again) == pytest.approx(pipe.peak_flow_l_min, rel=1e-9, abs=1e-12)
    short = {f.subject_id for f in findings if f.code == "VACUUM_SHORT"}
    for lateral, kpa in zip(laterals, sized.entry_vacuum_kpa, strict=True):
        if sized.stations[0].vacuum_kpa - kpa > rules.loss_budget_kpa * (1 + 1e-9):
            assert lateral.mainline_id in short


@few
@given(seeds, st.sampled_from(["auto", "never", "always"]))
def test_sizes_never_shrink_downstream_and_cover_every_line(seed: int, pair: str) -> None:
    arguments = any_network(seed, pair=pair)
    sized, _ = flow.size(**arguments)
    for dry in (False, True):
        for line in arguments["mainlines"]:
            own = [p for p in sized.pipes if p.mainline_id == line.mainline_id and (p.role == "dry") == dry]
            bores = [p.inner_diameter_mm for p in own]
            assert bores == sorted(bores, reverse=True)
            if not dry:
                assert own[0].from_station_m == 0.0
                assert own[-1].to_station_m == pytest.approx(line.plan_length_m)
            for lower, upper in pairwise(own):
                assert lower.to_station_m == upper.from_station_m
                assert lower.vacuum_kpa_high == upper.vacuum_kpa_low
            if own and line.parent_id:
                below = size_at(sized, line.parent_id, line.join_station_m - 1e-6)
                assert below[dry] >= bores[0]
    assert len({p.pipe_id for p in sized.pipes}) == len(sized.pipes)


@few
@given(seeds)
def test_order_of_the_input_does_not_matter(seed: int) -> None:
    arguments = any_network(seed)
    turned = {**arguments, "mainlines": arguments["mainlines"][::-1]}
    one, other = flow.size(**arguments)[0], flow.size(**turned)[0]
    assert {p.pipe_id: p for p in one.pipes}.keys() == {p.pipe_id: p for p in other.pipes}.keys()
    for pipe in one.pipes:
        twin = next(p for p in other.pipes if p.pipe_id == pipe.pipe_id)
        assert (pipe.nominal, pipe.taps, pipe.from_station_m) == (twin.nominal, twin.taps, twin.from_station_m)
        assert pipe.vacuum_kpa_high == pytest.approx(twin.vacuum_kpa_high, rel=1e-12)


@few
@given(seeds)
def test_shares_never_overspend_the_budget(seed: int) -> None:
    """Along the way to every entry the shares add up to no more than the budget less the lateral's own loss."""
    arguments = any_network(seed)
    tree = network.build(**{k: arguments[k] for k in ("mainlines", "grouping", "collections")})
    load = choose.load(tree=tree, **{k: arguments[k] for k in ("grouping", "collections", "settings")})
    budget_kpa = arguments["settings"].flow.loss_budget_kpa
    share, _ = choose.share_pa2_m(tree=tree, load=load, budget_kpa=budget_kpa)
    spent = tree.along(share * tree.length_m)[tree.entry_node]
    pump = load.pump_pa[0]
    budget = (pump + budget_kpa * 1000.0) ** 2 - pump**2
    allowed = np.maximum(budget - load.lateral_loss_pa2, choose.LEAST_SHARE * budget)
    assert np.all(spent <= allowed * (1 + 1e-9))


@few
@given(st.floats(0.001, 0.99), st.floats(0.05, 40.0), st.sampled_from(mainline_sizes("id_controlled")))
def test_normal_depth_undoes_flow(area: float, grade_pct: float, size: Any) -> None:
    depth = float(sap.depth_ratio_of_area(area))
    if depth < sap.DEPTH_RATIO_AT_MOST_FLOW:
        carried = sap.flow_l_min(size.inner_diameter_mm, grade_pct, depth)
        assert float(sap.normal_depth_ratio(size.inner_diameter_mm, grade_pct, carried)) == pytest.approx(
            depth, rel=1e-7
        )
