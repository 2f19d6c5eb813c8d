"""The wet line of a pair: air from entries runs in it only as far as the next riser below."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.flow.network import SAME_PLACE_M, Tree
from pipeline.hydraulics.risers import riser_stations

Floats = npt.NDArray[np.float64]
Bools = npt.NDArray[np.bool_]


def vents(tree: Tree, pair: Bools) -> Bools:
    """Return the nodes at which wet and dry line are joined: ends of pairs, branches, risers.

    Parameters
    ----------
    tree : Tree
        The network.
    pair : bool array, shape (reaches,)
        Reaches that are a pair; downstream of one all are.
    """
    out = tree.joined
    for j, line in enumerate(tree.lines):
        rows = np.flatnonzero(pair[tree.first[j] : tree.first[j + 1]]) + int(tree.first[j])
        if not len(rows):
            continue
        foot, head = int(rows[0]) + j, int(rows[-1]) + j + 1
        out[[foot, head]] = True
        nodes = np.arange(foot, head + 1)
        station = tree.node_station_m[nodes]
        at = riser_stations(
            supports_m=line.station_m.tolist(),
            manifolds_m=station[tree.joined[nodes]].tolist(),
            foot_m=float(station[0]),
            head_m=float(station[-1]),
        )
        for one in at:
            nearest = int(np.abs(station - one).argmin())
            if abs(station[nearest] - one) > 2.0 * SAME_PLACE_M:
                raise RuntimeError(f"support at {one:.3f} m of {line.mainline_id} is no node")
            out[nodes[nearest]] = True
    return out


def wet_air(tree: Tree, *, vent: Bools, pair: Bools, at_node_m3_s: Floats) -> tuple[Floats, Floats]:
    """Return the air in each reach's wet line, and how far apart the vents around it are.

    Parameters
    ----------
    tree : Tree
        The network.
    vent, pair : bool arrays
        Joined nodes, and reaches that are a pair.
    at_node_m3_s : float array
        Free air that entries bring in at each node; at a vent it goes up the riser at once.

    Returns
    -------
    air_m3_s, apart_m : float arrays, shape (reaches,)
        Zeros outside pairs.
    """
    air, apart = np.zeros(tree.reaches), np.zeros(tree.reaches)
    for j in range(len(tree.lines)):
        carried, run = 0.0, list[int]()
        for reach in range(int(tree.first[j + 1]) - 1, int(tree.first[j]) - 1, -1):
            if not pair[reach]:
                continue
            upper = reach + j + 1
            carried = 0.0 if vent[upper] else carried + float(at_node_m3_s[upper])
            air[reach] = carried
            run = [reach] if vent[upper] else [*run, reach]
            if vent[upper - 1]:
                apart[run] = tree.length_m[run].sum()
    return air, apart


def above_vent(tree: Tree, *, vent: Bools, pair: Bools, of_reach: Floats) -> Floats:
    """Return for each node the sum over reaches between it and the vent below it; 0 outside pairs."""
    out = np.zeros(len(tree.node_station_m))
    for reach in np.flatnonzero(pair):
        lower = int(reach) + int(tree.owner[reach])
        out[lower + 1] = 0.0 if vent[lower + 1] else out[lower] + of_reach[reach]
    return out
