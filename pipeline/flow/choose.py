"""Picks the size of every reach, and works out the vacuum that follows."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.flow import network, pairs
from pipeline.flow.network import Tree
from pipeline.hydraulics import air, sap, sizing
from pipeline.hydraulics.catalogue import PipeSize, lateral_size
from pipeline.records import CollectionPoint, Grouping
from pipeline.settings import Settings

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

LATERAL_BORE_MM = lateral_size("5/16").inner_diameter_mm
CHANGE_EVERY_M = 30.48  # sizes change only at joins and multiples of this above them; rules.csv flow.change_every
WET_SHARE = 0.1  # of the budget for air between entry and riser in the wet line of a pair; rules.csv pair.wet_share
LEAST_SHARE = 0.1  # of the budget stays with mainlines though laterals eat the rest; rules.csv vacuum.least_share


@dataclass(frozen=True, slots=True, eq=False)
class Load:
    """What every reach must carry, and between which pressures.

    Parameters
    ----------
    taps : int array, shape (reaches,)
        Taps upstream of the reach.
    sap_l_min, air_m3_s : float array, shape (reaches,)
        Peak sap, and free air (zeros without a pump).
    entry_air_m3_s : float array, shape (nodes,)
        Free air that comes in at each node.
    barometer_pa, pump_pa : float array, shape (collection points,)
        Absolute pressures; equal without a pump.
    lateral_loss_pa2 : float array, shape (laterals,)
        What the lateral itself takes from the square of pressure up to its last tree.
    entry_taps : int array, shape (laterals,)
        Taps of each lateral.
    pumped : bool
        Whether air is drawn at all.
    """

    taps: Ints
    sap_l_min: Floats
    air_m3_s: Floats
    entry_air_m3_s: Floats
    barometer_pa: Floats
    pump_pa: Floats
    lateral_loss_pa2: Floats
    entry_taps: Ints
    pumped: bool


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """The size of every reach.

    Parameters
    ----------
    wet, dry : int array, shape (reaches,)
        Size of the line that carries the sap (single or wet), and of the dry line where ``pair``.
    pair : bool array, shape (reaches,)
        Where a dry line runs beside the wet one.
    vent : bool array, shape (nodes,)
        Where the two are joined (and branches join).
    wet_air_m3_s : float array, shape (reaches,)
        Air that runs in the wet line down to the next vent.
    by_sap, by_air, by_air_dry, by_air_wet : int array, shape (reaches,)
        What each reach asks for by itself: for sap, for air in a single line, in a dry line, in a
        wet line. The number of sizes where none would do.
    capacity_l_min : float array, shape (reaches, sizes)
        Flow at the allowed fill.
    """

    wet: Ints
    dry: Ints
    pair: Bools
    vent: Bools
    wet_air_m3_s: Floats
    by_sap: Ints
    by_air: Ints
    by_air_dry: Ints
    by_air_wet: Ints
    capacity_l_min: Floats


@dataclass(frozen=True, slots=True, eq=False)
class Vacuum:
    """Pressures that follow from the sizes.

    Parameters
    ----------
    node_pa : float array, shape (nodes,)
        Absolute pressure; inf where the air cannot get through.
    node_kpa : float array, shape (nodes,)
        Vacuum, gauge, positive; 0 where the air cannot get through.
    entry_kpa : float array, shape (laterals,)
        Vacuum at the entries.
    entry_loss_kpa, last_tap_loss_kpa : float array, shape (laterals,)
        What is lost from the pump to the entry and to the lateral's last tree: more than there is,
        up to inf, where the air cannot get through.
    """

    node_pa: Floats
    node_kpa: Floats
    entry_kpa: Floats
    entry_loss_kpa: Floats
    last_tap_loss_kpa: Floats


def highest_vacuum_pa(barometer_pa: Floats) -> Floats:
    """Return the greatest vacuum there can be: barometer less the pressure at which sap boils."""
    return barometer_pa - air.boiling_pa()


def load(
    *, tree: Tree, grouping: Grouping, collections: tuple[CollectionPoint, ...], settings: Settings
) -> Load:
    """Add up taps, sap and air from the top down."""
    rules = settings.flow
    entry_taps = np.array([a.taps for a in grouping.laterals], dtype=np.int64)
    at_node = np.zeros(len(tree.node_station_m))
    np.add.at(at_node, tree.entry_node, entry_taps)
    taps: Ints = tree.inflow(at_node)[tree.lower_node + 1].astype(np.int64)
    barometer = air.barometer_pa(np.array([p.inlet_z_m for p in collections], dtype=np.float64))
    pulled = np.minimum(rules.vacuum_kpa * 1000.0, highest_vacuum_pa(barometer)) if rules.pumped else 0.0 * barometer
    return Load(
        taps=taps,
        sap_l_min=taps.astype(np.float64) * rules.peak_flow_l_min,
        air_m3_s=taps.astype(np.float64) * (rules.air_per_tap_m3_s if rules.pumped else 0.0),
        entry_air_m3_s=at_node * (rules.air_per_tap_m3_s if rules.pumped else 0.0),
        barometer_pa=barometer,
        pump_pa=barometer - pulled,
        lateral_loss_pa2=_lateral_loss_pa2(grouping, settings) if rules.pumped else np.zeros(len(entry_taps)),
        entry_taps=entry_taps,
        pumped=rules.pumped,
    )


def _lateral_loss_pa2(grouping: Grouping, settings: Settings) -> Floats:
    """Return what air loses in each lateral, taps spread evenly over its trees, sap at normal depth."""
    laterals = grouping.laterals
    if not laterals:
        return np.zeros(0)
    xyz = np.concatenate([a.xyz_m for a in laterals])
    trees = np.array([len(a.xyz_m) - 1 for a in laterals])
    taps = np.array([a.taps for a in laterals], dtype=np.float64)
    step = np.diff(xyz, axis=0)
    last_row = np.cumsum(trees + 1) - 1
    inside = np.ones(len(step), dtype=np.bool_)
    inside[last_row[:-1]] = False
    step, owner = step[inside], np.repeat(np.arange(len(laterals)), trees)
    place = np.arange(len(owner)) - np.repeat(np.cumsum(trees) - trees, trees)
    carried = taps[owner] * (trees[owner] - place) / trees[owner]
    run = np.hypot(step[:, 0], step[:, 1])
    grade = 100.0 * np.divide(step[:, 2], run, out=np.full(len(run), np.nan), where=run > 0.0)
    depth = sap.normal_depth_ratio(LATERAL_BORE_MM, grade, carried * settings.flow.peak_flow_l_min)
    friction, _ = air.resistance_pa2_m(
        carried * settings.flow.air_per_tap_m3_s, LATERAL_BORE_MM, np.where(np.isfinite(depth), depth, 0.5)
    )
    lost = np.bincount(owner, friction * np.linalg.norm(step, axis=1), minlength=len(laterals))
    return np.asarray(lost, dtype=np.float64)


def share_pa2_m(*, tree: Tree, load: Load, budget_kpa: float) -> tuple[Floats, Floats]:
    """Return what each reach may lose of the square of pressure per metre, and the whole budget of its way.

    See :mod:`pipeline.hydraulics.sizing` for how the budget is handed out.
    """
    pump = load.pump_pa[tree.collection]
    allowed_pa = np.minimum(budget_kpa * 1000.0, load.barometer_pa[tree.collection] - pump)  # no more than there is
    budget_pa2 = (pump + allowed_pa) ** 2 - pump**2
    at_node = np.zeros(len(tree.node_station_m))
    np.maximum.at(at_node, tree.entry_node, load.lateral_loss_pa2)
    worst = tree.greatest_above(at_node[tree.lower_node + 1])
    budget = budget_pa2[tree.owner]
    mine = np.maximum(budget - worst, LEAST_SHARE * budget)
    way = tree.along(tree.length_m)
    upper = way[tree.lower_node + 1]
    longest = tree.greatest_above(np.where(load.taps > 0, upper, 0.0))
    longest = np.maximum(longest, upper)  # reaches above the last entry carry nothing
    # The profile falls, so its value at the far end of a reach never overstates the reach's share.
    return mine / longest * sizing.share_profile(upper / longest), mine


def choose(*, tree: Tree, load: Load, sizes: tuple[PipeSize, ...], settings: Settings) -> Choice:
    """Pick sizes: what each reach needs, then never smaller than anything upstream."""
    bores = np.array([s.inner_diameter_mm for s in sizes])
    most = len(bores) - 1
    capacity = sap.capacity_l_min(bores[None, :], tree.grade_pct[:, None], settings.flow.fill_ratio)
    by_sap = sizing.needed_for_sap(capacity_l_min=capacity, flow_l_min=load.sap_l_min)
    by_air = by_air_dry = by_air_wet = np.zeros_like(by_sap)
    pair, vent = np.zeros(tree.reaches, dtype=np.bool_), tree.joined
    wet_air, single = np.zeros(tree.reaches), by_sap
    if load.pumped:
        pump = load.pump_pa[tree.collection[tree.owner]][:, None]
        share, budget = share_pa2_m(tree=tree, load=load, budget_kpa=settings.flow.loss_budget_kpa)
        filled = sizing.depths(flow_l_min=load.sap_l_min, grade_pct=tree.grade_pct, bores_mm=bores)

        def needed(free_air_m3_s: Floats, depth_ratio: Floats, allowed: Floats) -> Ints:
            loss = sizing.loss_pa2_m(
                free_air_m3_s=free_air_m3_s[:, None], bore_mm=bores, depth_ratio=depth_ratio, pump_pa=pump
            )
            return sizing.needed_for_air(loss=loss, share=allowed)

        by_air = needed(load.air_m3_s, filled, share)
        single = np.maximum(by_sap, by_air)
        pair = _pairs(tree, cannot=single > most, wish=settings.flow.pair)
        vent = pairs.vents(tree, pair)
        wet_air, apart = pairs.wet_air(tree, vent=vent, pair=pair, at_node_m3_s=load.entry_air_m3_s)
        by_air_dry = needed(load.air_m3_s, np.zeros_like(filled), (1.0 - WET_SHARE) * share)
        by_air_wet = needed(wet_air, filled, WET_SHARE * budget / np.where(pair, apart, 1.0))
    wet = _never_shrink(tree, np.minimum(np.where(pair, np.maximum(by_sap, by_air_wet), single), most))
    # A dry line is never smaller than its wet line (common practice, no source).
    dry = _never_shrink(tree, np.where(pair, np.minimum(np.maximum(by_air_dry, wet), most), 0))
    return Choice(
        wet=wet, dry=dry, pair=pair, vent=vent, wet_air_m3_s=wet_air, by_sap=by_sap, by_air=by_air,
        by_air_dry=by_air_dry, by_air_wet=by_air_wet, capacity_l_min=capacity,
    )


def _pairs(tree: Tree, *, cannot: Bools, wish: str) -> Bools:
    """Return where a dry line runs: from the highest place that needs one down to the pump."""
    wanted = {
        "auto": cannot & (tree.grade_pct > 0.0),
        "always": np.ones(tree.reaches, dtype=np.bool_),
        "never": np.zeros(tree.reaches, dtype=np.bool_),
    }[wish]
    return _never_shrink(tree, wanted.astype(np.int64)).astype(np.bool_)


def block_of(tree: Tree) -> Ints:
    """Return for each reach the number of the block in which one size runs through.

    Blocks are counted upward from the foot of each leg (between joins); a last one shorter than
    half a block belongs to the one below.
    """
    if not tree.reaches:
        return np.zeros(0, dtype=np.int64)
    leg = tree.leg
    foot, head = np.unique(leg, return_index=True)[1], np.append(np.flatnonzero(np.diff(leg)), tree.reaches - 1)
    start = tree.node_station_m[tree.lower_node[foot]]
    run = (tree.node_station_m[tree.lower_node[head] + 1] - start)[leg]
    above = tree.node_station_m[tree.lower_node] - start[leg] + network.SAME_PLACE_M
    last = np.floor(run / CHANGE_EVERY_M)
    short = run - last * CHANGE_EVERY_M < 0.5 * CHANGE_EVERY_M
    block = np.minimum(np.floor(above / CHANGE_EVERY_M), np.maximum(np.where(short, last - 1, last), 0.0))
    new = np.ones(tree.reaches, dtype=np.int64)
    new[1:] = (leg[1:] != leg[:-1]) | (block[1:] != block[:-1])
    return np.cumsum(new) - 1


def _never_shrink(tree: Tree, size: Ints) -> Ints:
    """Return sizes raised to the greatest one upstream, across joins too, one size to a block."""
    grown = tree.greatest_above(size.astype(np.float64)).astype(np.int64)
    block = block_of(tree)
    return grown[np.unique(block, return_index=True)[1]][block]


def vacuum(*, tree: Tree, load: Load, choice: Choice, sizes: tuple[PipeSize, ...]) -> Vacuum:
    """Work out pressure from the pump upward, reach by reach, with the sap at its normal depth."""
    at_pump = load.pump_pa[tree.collection[tree.node_owner]]
    barometer = load.barometer_pa[tree.collection[tree.node_owner]]
    if load.pumped:
        bores = np.array([s.inner_diameter_mm for s in sizes])
        bore = np.where(choice.pair, bores[choice.dry], bores[choice.wet])
        depth = sap.normal_depth_ratio(bores[choice.wet], tree.grade_pct, load.sap_l_min)
        depth = np.where(np.isfinite(depth), depth, 1.0)
        friction, inertia = air.resistance_pa2_m(load.air_m3_s, bore, np.where(choice.pair, 0.0, depth))
        node_pa = _sweep(tree, at_pump, friction * tree.length_m, inertia)
        wet, _ = air.resistance_pa2_m(choice.wet_air_m3_s, bores[choice.wet], depth)
        in_wet_pa2 = pairs.above_vent(tree, vent=choice.vent, pair=choice.pair, of_reach=wet * tree.length_m)
    else:
        node_pa, in_wet_pa2 = barometer, np.zeros(len(barometer))
    node_kpa = np.maximum(barometer - node_pa, 0.0) / 1000.0
    # An entry on a wet line sees the dry line's pressure, and what its air loses on the way to the riser below.
    entry_pa = np.sqrt(node_pa[tree.entry_node] ** 2 + in_wet_pa2[tree.entry_node])
    last_pa = np.sqrt(entry_pa**2 + load.lateral_loss_pa2)
    entry_kpa = np.maximum(barometer[tree.entry_node] - entry_pa, 0.0) / 1000.0
    return Vacuum(
        node_pa=node_pa,
        node_kpa=node_kpa,
        entry_kpa=entry_kpa,
        entry_loss_kpa=(entry_pa - at_pump[tree.entry_node]) / 1000.0,
        last_tap_loss_kpa=(last_pa - at_pump[tree.entry_node]) / 1000.0,
    )


def _sweep(tree: Tree, at_pump: Floats, friction_pa2: Floats, inertia_pa2: Floats) -> Floats:
    """Return absolute pressure at every node; inf above a reach that chokes or is full of sap."""
    lower, upper = tree.lower_node, tree.lower_node + 1
    base = at_pump**2
    square = base + tree.along(friction_pa2)
    for _ in range(100):
        with np.errstate(invalid="ignore", divide="ignore"):
            speeding = inertia_pa2 * np.log(square[upper] / square[lower])
            choked = ~(inertia_pa2 < square[lower]) | ~np.isfinite(speeding)
            newer = base + tree.along(friction_pa2 + np.where(choked, np.inf, speeding))
            settled = bool(np.all((newer == square) | (np.abs(newer - square) <= 1e-12 * square)))
        square = newer
        if settled:
            break
    return np.sqrt(square)
