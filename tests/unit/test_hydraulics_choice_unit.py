"""Risers, shares, first size that will do, catalogue: tables by hand and brute force."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
from pipeline.hydraulics import air, catalogue, sap, sizing
from pipeline.hydraulics.risers import RISER_EVERY_M, riser_stations
from scipy import integrate


def risers(supports, manifolds=(), foot=0.0, head=100.0):
    return riser_stations(supports_m=supports, manifolds_m=manifolds, foot_m=foot, head_m=head)


@pytest.mark.parametrize(
    ("supports", "manifolds", "head", "wanted"),
    [
        ([], (), 100.0, []),  # nothing to stand on
        ([10, 20], (), 30.0, []),  # near enough to both ends
        ([10, 20], (), 30.48, []),  # exactly the aim
        ([10, 20], (), 30.49, [20.0]),  # just beyond it
        ([10, 20, 30, 40], (), 50.0, [30.0]),
        ([40, 50], (), 100.0, [40.0, 50.0]),  # none near enough: the next, and again
        ([10, 20, 30, 40], (25.0,), 50.0, []),  # a branch in the middle breathes by itself
        ([10, 20, 30, 40, 50, 60], (5.0,), 70.0, [30.0, 60.0]),  # counted from the branch
        ([0, 100], (), 100.0, []),  # ends are no places for risers
        ([30, 30.0005, 60], (), 90.0, [30.0005, 60.0]),
        ([60, 30, 10], (), 90.0, [30.0, 60.0]),  # any order
    ],
)
def test_risers_by_hand(supports, manifolds, head, wanted):
    assert risers(supports, manifolds, head=head) == pytest.approx(wanted)


def test_manifolds_outside_the_pair_do_not_count():
    alone = risers(range(0, 101, 10), (), 20.0, 90.0)
    assert risers(range(0, 101, 10), (-5.0, 5.0, 20.0, 90.0, 95.0), 20.0, 90.0) == alone


@pytest.mark.parametrize("seed", range(8))
def test_risers_stand_on_supports_and_no_gap_is_longer_than_it_has_to_be(seed):
    """A gap over the aim is only where no support stands inside it; the greedy count is the least there is."""
    rng = np.random.default_rng(seed)
    supports = np.sort(rng.uniform(0.0, 300.0, 40))
    got = risers(supports.tolist(), (), 0.0, 300.0)
    assert set(got) <= set(supports.tolist())
    for low, high in pairwise([0.0, *got, 300.0]):
        between = supports[(supports > low + 0.001) & (supports < high - 0.001)]
        assert high - low <= RISER_EVERY_M + 0.001 or between.size == 0


# ---------------------------------------------------------------- shares and sizes


def test_shares_have_mean_one_and_a_knee():
    mean, _ = integrate.quad(lambda x: float(sizing.share_profile(np.array([x]))[0]), 0.0, 1.0, points=[0.3])
    assert mean == pytest.approx(1.0)
    low, knee, top = sizing.share_profile(np.array([0.0, 0.3, 1.0]))
    assert low == knee
    assert knee / top == pytest.approx(1.0 / 0.3)


def test_a_shorter_way_never_gets_more_than_its_own_share():
    """Integral of phi up to x is at most x times... the whole mean, so that x phi(x) may not fall."""
    x = np.linspace(0.0, 1.0, 500)
    assert (np.diff(x * sizing.share_profile(x)) >= -1e-12).all()


@pytest.mark.parametrize(
    ("flow", "size"), [(0.0, 0), (1.0, 0), (1.0 + 1e-13, 0), (1.001, 1), (2.0, 1), (3.5, 2), (4.0001, 3)]
)
def test_the_smallest_size_that_carries_the_sap(flow, size):
    capacity = np.array([[1.0, 2.0, 4.0]])
    assert sizing.needed_for_sap(capacity_l_min=capacity, flow_l_min=np.array([flow])).tolist() == [size]


def test_no_size_carries_sap_that_does_not_fall():
    assert sizing.needed_for_sap(capacity_l_min=np.full((1, 3), np.nan), flow_l_min=np.array([0.0])).tolist() == [3]


@pytest.mark.parametrize(("share", "size"), [(10.0, 0), (9.0, 0), (8.9, 1), (4.0, 1), (0.5, 3), (0.0, 3)])
def test_the_smallest_size_that_keeps_to_the_share(share, size):
    loss = np.array([[9.0, 4.0, 1.0]])
    assert sizing.needed_for_air(loss=loss, share=np.array([share])).tolist() == [size]


def test_sizes_that_sap_fills_are_passed_over():
    loss = np.array([[np.nan, np.inf, 1.0], [np.nan, np.nan, np.nan]])
    assert sizing.needed_for_air(loss=loss, share=np.array([5.0, 5.0])).tolist() == [2, 3]


def test_loss_is_never_less_than_the_exact_loss():
    """Against the exact pressure: the bound on the work of speeding up errs to the safe side, a little."""
    pump = 16_000.0
    for flow in (2e-4, 8e-4, 2e-3):
        bound = float(sizing.loss_pa2_m(
            free_air_m3_s=np.array([flow]), bore_mm=np.array([26.64]), depth_ratio=np.array([0.2]),
            pump_pa=np.array([pump]))[0])
        friction, inertia = air.resistance_pa2_m(flow, 26.64, 0.2)
        exact = (float(air.pressure_up_pa(pump, friction * 50.0, inertia)) ** 2 - pump**2) / 50.0
        assert exact <= bound * (1.0 + 1e-9)
        assert bound < 1.6 * exact


def test_loss_of_air_too_fast_for_the_pump_is_without_end():
    fast = sizing.loss_pa2_m(free_air_m3_s=np.array([0.0, 0.5]), bore_mm=np.array([20.0, 20.0]),
                             depth_ratio=np.zeros(2), pump_pa=np.array([10_000.0, 10_000.0]))
    assert fast.tolist() == [0.0, math.inf]


def test_depths_are_a_table_of_reaches_by_sizes():
    bores = np.array([20.93, 26.64])
    got = sizing.depths(flow_l_min=np.array([0.0, 2.0, 2.0]), grade_pct=np.array([2.0, 2.0, -1.0]), bores_mm=bores)
    assert got.shape == (3, 2)
    assert got[0].tolist() == [0.0, 0.0]
    assert got[1] == pytest.approx([float(sap.normal_depth_ratio(b, 2.0, 2.0)) for b in bores])
    assert np.isnan(got[2]).all()


# ---------------------------------------------------------------- catalogue


def test_lateral_tubing_by_name_and_a_wrong_name_names_all():
    assert catalogue.lateral_size("5/16").role == "lateral"
    with pytest.raises(ValueError, match="no lateral tubing '9/16'") as caught:
        catalogue.lateral_size("9/16")
    assert "5/16" in str(caught.value)


def test_a_mainline_size_is_no_lateral_and_a_wrong_catalogue_names_all():
    nominal = catalogue.mainline_sizes("id_controlled")[0].nominal
    with pytest.raises(ValueError, match="no lateral tubing"):
        catalogue.lateral_size(nominal)
    with pytest.raises(ValueError, match="no catalogue 'other'") as caught:
        catalogue.mainline_sizes("other")
    for name in {row.catalogue for row in catalogue.pipe_rows() if row.role == "mainline"}:
        assert name in str(caught.value)


@pytest.mark.parametrize("name", sorted({r.catalogue for r in catalogue.pipe_rows() if r.role == "mainline"}))
def test_each_catalogue_rises_in_bore_and_in_nothing_else_falls(name):
    sizes = catalogue.mainline_sizes(name)
    for small, large in pairwise(sizes):
        assert small.inner_diameter_mm < large.inner_diameter_mm
        assert small.outer_diameter_mm < large.outer_diameter_mm
        assert small.weight_n_per_m < large.weight_n_per_m
        assert small.roll_m >= large.roll_m
    assert {s.catalogue for s in sizes} == {name}


@pytest.mark.parametrize("row", catalogue.pipe_rows(), ids=lambda r: f"{r.catalogue} {r.nominal}")
def test_a_pipe_weighs_what_its_wall_of_polyethylene_weighs(row):
    """Polyethylene is 920 to 965 kg/m^3; walls are given to a tenth of a millimetre, so a band of 15 % around them."""
    wall_m2 = math.pi / 4.0 * (row.outer_diameter_mm**2 - row.inner_diameter_mm**2) * 1e-6
    density = row.weight_n_per_m / 9.80665 / wall_m2
    assert 0.85 * 920.0 < density < 1.15 * 965.0
