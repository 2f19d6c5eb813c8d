"""Where lines may begin: at collection points, and anywhere along pinned lines."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.findings import Finding
from pipeline.mainlines import lattice_kernel
from pipeline.mainlines.lattice import Lattice
from pipeline.mainlines.lattice_kernel import Surface
from pipeline.mainlines.straighten import Line, Start, at_stations
from pipeline.records import CollectionPoint, Ground, Pins, Trees
from pipeline.settings import Settings
from pipeline.terrain.grid import Terrain

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Source:
    """A node of the lattice that a line may start from, and what it stands for."""

    node: int
    z: float
    collection: int  # index of the collection point, -1 on a pinned line
    pinned_id: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Site:
    """Everything the planning of one network looks at."""

    terrain: Terrain
    ground: Ground
    trees: Trees
    collections: tuple[CollectionPoint, ...]
    pins: Pins
    settings: Settings


def nearest_nodes(lattice: Lattice, row: float, col: float, reach: int) -> list[int]:
    """Return the open nodes round a raster place, nearest first."""
    i0 = round((row - lattice.row0) / lattice.stride)
    j0 = round((col - lattice.col0) / lattice.stride)
    out = []
    for i in range(max(0, i0 - reach), min(lattice.rows, i0 + reach + 1)):
        for j in range(max(0, j0 - reach), min(lattice.cols, j0 + reach + 1)):
            a = i * lattice.cols + j
            if lattice.node_ok[a]:
                d = np.hypot(lattice.row0 + i * lattice.stride - row, lattice.col0 + j * lattice.stride - col)
                out.append((round(float(d), 9), a))
    return [a for _, a in sorted(out)]


def stub(lattice: Lattice, surface: Surface, row: float, col: float, z: float, node: int) -> float:
    """Return the lowest line at a node when it is reached straight from a place at z; inf if it cannot be."""
    rc = lattice.rowcol(np.array([node]))[0]
    m, e, _ = lattice_kernel.segment(surface, row, col, rc[0], rc[1])
    if not z <= e:
        return float("inf")
    run = float(np.hypot(rc[0] - row, rc[1] - col)) * surface.cell_m
    return float(max(z + surface.grade * run, m))


def start_z(site: Site, surface: Surface, base_m: float, point: CollectionPoint) -> float:
    """Return the elevation of a line over its collection point, relative to the base.

    An inlet below the window is met by the line coming down in its last span, so the line
    itself starts at the lowest end of its window there.
    """
    row, col = site.terrain.rowcol(point.x_m, point.y_m)
    m, _, _ = lattice_kernel.segment(surface, float(row), float(col), float(row), float(col))
    return float(max(point.inlet_z_m - base_m, m)) if np.isfinite(m) else float("inf")


def collection_sources(site: Site, lattice: Lattice, findings: list[Finding]) -> list[Source]:
    """Return the node each collection point feeds the lattice through."""
    out: list[Source] = []
    for index, point in enumerate(site.collections):
        row, col = (float(v) for v in site.terrain.rowcol(point.x_m, point.y_m))
        z = start_z(site, lattice.surface, lattice.base_m, point)
        found = None
        for node in nearest_nodes(lattice, row, col, 3) if np.isfinite(z) else []:
            z_node = stub(lattice, lattice.surface, row, col, z, node)
            if np.isfinite(z_node):
                found = Source(node, z_node, index)
                break
        if found is None:
            findings.append(Finding(
                "COLLECTION_CLOSED", "violation", "collection", point.collection_id,
                round(point.inlet_z_m - point.ground_z_m, 3), site.settings.mainlines.highest_m, "m",
                f"No line can leave {point.collection_id}: it stands on closed ground, or its inlet is above the "
                "highest line allowed there.",
                "Move the collection point, lower its inlet, or open the ground round it with a gap.",
            ))
        elif found.node not in {s.node for s in out}:
            out.append(found)
    return out


def pinned_lines(site: Site, lattice: Lattice) -> dict[str, Line]:
    """Return pinned lines as lines, kept exactly."""
    out = {}
    for name, xyz in sorted(site.pins.lines.items()):
        row, col = site.terrain.rowcol(xyz[:, 0], xyz[:, 1])
        out[name] = Line(
            rc=np.column_stack((row, col)), z=xyz[:, 2] - lattice.base_m, join_m=0.0, source=-1, fixed=True, name=name
        )
    return out


def pinned_sources(site: Site, lattice: Lattice, pinned: dict[str, Line]) -> list[Source]:
    """Return nodes along pinned lines from which branches may start, at the line's own elevation."""
    out: dict[int, Source] = {}
    for name, line in pinned.items():
        length = float(line.stations(site.terrain.cell_m)[-1])
        stations = np.arange(0.0, length + 1e-9, lattice.step_m)
        places, zs, _ = at_stations(lattice, line, stations)
        for (row, col), z in zip(places.tolist(), zs.tolist(), strict=True):
            for node in nearest_nodes(lattice, row, col, 1)[:2]:
                z_node = stub(lattice, lattice.surface, row, col, max(z, _floor_at(lattice, row, col)), node)
                if np.isfinite(z_node):
                    if node not in out or z_node < out[node].z:
                        out[node] = Source(node, z_node, -1, name)
                    break
    return [out[k] for k in sorted(out)]


def _floor_at(lattice: Lattice, row: float, col: float) -> float:
    m, _, _ = lattice_kernel.segment(lattice.surface, row, col, row, col)
    return float(m)


def collection_start(site: Site, lattice: Lattice, point: CollectionPoint) -> Start:
    """Return the one place where lines of a collection point begin."""
    row, col = site.terrain.rowcol(point.x_m, point.y_m)
    return Start(
        rc=np.array([[float(row), float(col)]]),
        z=np.array([start_z(site, lattice.surface, lattice.base_m, point)]),
        direction=np.zeros((1, 2)), station=np.zeros(1),
    )
