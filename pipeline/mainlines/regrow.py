"""Second growth: trees that straightening lost are sought anew from the straight lines themselves.

A straight run passes some trees farther off, or hangs higher beside them, than the moves of the
lattice did. Branches are grown towards the trees that no straight line serves, at the set worth of a
tap, from the nodes along the straight lines at those lines' own elevation; they are then
straightened like the others.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.mainlines import improve_kernel, layout, stand_kernel
from pipeline.mainlines.assemble import all_lines
from pipeline.mainlines.chains import chains
from pipeline.mainlines.grow_kernel import NO_TILE
from pipeline.mainlines.lattice import Lattice
from pipeline.mainlines.report import guests_of
from pipeline.mainlines.sources import Site
from pipeline.mainlines.state_kernel import ROOT, Cover, Graph, Price, State
from pipeline.mainlines.straighten import Line, Puller, host_nodes, join_places, lay
from pipeline.records import Mask, Route

Floats = npt.NDArray[np.float64]

PASSES = 3  # the later ones find next to nothing (measured)
ROUNDS = 8
BLOCK = 2  # nodes: one end of a branch is looked at in each block; the pockets are small


@dataclass(frozen=True, slots=True, eq=False)
class Growth:
    """What second growth works with: the site on its lattice, and what branches are judged by."""

    site: Site
    lattice: Lattice
    graph: Graph
    cover: Cover
    price: Price


def regrow(growth: Growth, puller: Puller, laid: list[Line]) -> int:
    """Hang branches on straight lines towards trees that none of them serves, in place; return how many.

    Parameters
    ----------
    growth : Growth
    puller : Puller
        Its ``laid`` holds the segments of all lines, its ``raw`` none; the new lines are added.
    laid : list of Line
        The lines at the collection points and on pinned lines, with their branches.
    """
    count = 0
    for _ in range(PASSES):
        lines = [line for top in laid for line in all_lines(top)]
        served = served_by(growth, lines)
        state, owner = standing(growth, lines, served)
        grow(growth, state)
        puller.hosts = host_nodes(growth.lattice, growth.cover, state, puller.tree_rc, ~served)
        tops = chains(growth.lattice.cols, growth.lattice.step_m, state)
        before = count
        for top in tops:
            line = lines[owner[top.source]]
            place = growth.lattice.rowcol(np.array([top.source]))[0]
            branch = lay(puller, top, join_places(puller, line, place))
            if branch is not None:
                line.children.append(branch)
                count += len(all_lines(branch))
        if count == before:
            break
    return count


def served_by(growth: Growth, lines: list[Line]) -> Mask:
    """Return per tree whether a lateral may be tried for it from any of some straight lines."""
    out = np.zeros(len(growth.site.trees), dtype=np.bool_)
    routes = []
    for line in lines:
        x, y = growth.site.terrain.xy(line.rc[:, 0], line.rc[:, 1])
        routes.append(Route(
            mainline_id="", parent_id="", collection_id="", join_station_m=line.join_m, xy_m=np.column_stack((x, y)),
            low_z_m=line.z + growth.lattice.base_m,
        ))
    for who in guests_of(growth.site, growth.lattice, tuple(routes)):
        out[who] = True
    return out


def standing(growth: Growth, lines: list[Line], served: Mask) -> tuple[State, dict[int, int]]:
    """Return the lattice with the straight lines on it, and the index of the line at each node that may branch.

    Every node a line passes is occupied, so that no branch crosses it; those that a line can be led to
    from it are where branches may start. A tree counts as served by what the straight lines serve,
    not by what their nodes would.
    """
    lattice, cell_m = growth.lattice, growth.lattice.surface.cell_m
    s = layout.empty_state(lattice.rows * lattice.cols, len(served), 1)
    s.served_by[served] = 1
    owner = np.full(lattice.rows * lattice.cols, -1, dtype=np.int64)
    for index, line in enumerate(lines):
        stand_kernel.stand(
            lattice.surface, lattice.rows, lattice.cols, lattice.row0, lattice.col0, lattice.stride, lattice.node_ok,
            line.rc, line.z, line.stations(cell_m), line.fixed, lattice.step_m / 2.0, index, s.used, s.down, s.z, owner,
        )
    return s, {int(node): int(owner[node]) for node in np.flatnonzero(owner >= 0)}


def grow(growth: Growth, s: State) -> None:
    """Grow branches from standing lines and trim them, in place; each pays for its join."""
    graph, cover, price = growth.graph, growth.cover, growth.price
    roots = np.flatnonzero(s.down == ROOT)
    # the kernels charge no join at a root; a root that has a line below it and one above is a fork
    s.down[roots] = roots
    s.children[roots] = 1
    log = np.empty(2 * s.down.shape[0] + 4096, dtype=np.int64)
    box = (0, 0, graph.rows, graph.cols)
    improve_kernel.grow_box(
        graph, cover, s, price, box, layout.BANDS, growth.site.settings.laterals.reach_m, 1.5,
        layout.full_appetite(cover), 1.0, 1.0, ROUNDS, BLOCK, 0.0, log, 0,
        NO_TILE, 0,
    )
    improve_kernel.trim_box(graph, cover, s, price, box, log, 0)
    s.down[roots] = ROOT
