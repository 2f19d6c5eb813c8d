"""Merges reaches of one size into the pipes that a crew hangs."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from pipeline.flow.choose import Choice, Load, Vacuum
from pipeline.flow.network import Tree
from pipeline.hydraulics import sap
from pipeline.hydraulics.catalogue import PipeSize
from pipeline.records import Pipe, PipeRole
from pipeline.settings import Settings
from pipeline.wire import planned_spacing_m, sap_weight_n_per_m, wire_row


@dataclass(frozen=True, slots=True)
class Piece:
    """Reaches ``low`` to ``high`` (not included) of one mainline, one role, one size."""

    line: int
    role: PipeRole
    low: int
    high: int
    size: int


def _runs(tree: Tree, j: int, may_join: Callable[[int, int], bool]) -> list[tuple[int, int]]:
    """Return runs of reaches of mainline `j`, cut at branches and where ``may_join(bottom, reach)`` says no."""
    start, stop = int(tree.first[j]), int(tree.first[j + 1])
    joined = tree.joined
    out: list[tuple[int, int]] = []
    bottom = start
    for reach in range(start + 1, stop):
        if joined[reach + j] or not may_join(bottom, reach):
            out.append((bottom, reach))
            bottom = reach
    out.append((bottom, stop))
    return out


def _cut(tree: Tree, load: Load, choice: Choice) -> list[Piece]:
    """Cut every mainline so that its bottom flow at its least grade still keeps to the fill."""
    out: list[Piece] = []
    rows = np.arange(tree.reaches)
    capacity = choice.capacity_l_min[rows, choice.wet]
    holds = capacity >= load.sap_l_min * (1.0 - 1e-12)

    def wet_joins(bottom: int, reach: int) -> bool:
        same = choice.wet[bottom] == choice.wet[reach] and choice.pair[bottom] == choice.pair[reach]
        if not same or holds[bottom] != holds[reach]:
            return False
        return not holds[bottom] or bool(capacity[reach] >= load.sap_l_min[bottom] * (1.0 - 1e-12))

    def dry_joins(bottom: int, reach: int) -> bool:
        return bool(choice.dry[bottom] == choice.dry[reach] and choice.pair[bottom] == choice.pair[reach])

    for j in range(len(tree.lines)):
        for low, high in _runs(tree, j, wet_joins):
            role: PipeRole = "wet" if choice.pair[low] else "single"
            out.append(Piece(j, role, low, high, int(choice.wet[low])))
        out += [
            Piece(j, "dry", low, high, int(choice.dry[low]))
            for low, high in _runs(tree, j, dry_joins)
            if choice.pair[low]
        ]
    return sorted(out, key=lambda p: (p.line, p.low, p.role == "dry"))


def binding(piece: Piece, choice: Choice, most: int) -> str:
    """Return which constraint set a piece's size: fill, vacuum, upstream, smallest or catalogue."""
    rows = slice(piece.low, piece.high)
    dry = piece.role == "dry"
    own_air = {"dry": choice.by_air_dry, "wet": choice.by_air_wet, "single": choice.by_air}[piece.role]
    fill = int(choice.wet[rows].max()) if dry else int(choice.by_sap[rows].max())
    vacuum = int(own_air[rows].max())
    wanted = max(fill, vacuum)
    if wanted > most:
        return "catalogue"
    if piece.size > wanted:
        return "upstream"
    if piece.size == 0:
        return "smallest"
    if dry and vacuum < fill:
        return "wet line"
    return "vacuum" if vacuum > fill or dry else "fill"


def pipes(
    *, tree: Tree, load: Load, choice: Choice, vacuum: Vacuum, sizes: tuple[PipeSize, ...], settings: Settings
) -> tuple[Pipe, ...]:
    """Return the pipes, mainline by mainline in flow order, counted upward from the lower end."""
    cut = _cut(tree, load, choice)
    low = np.array([p.low for p in cut], dtype=np.int64)
    grade = np.array([tree.grade_pct[p.low : p.high].min() for p in cut])
    bore = np.array([sizes[p.size].inner_diameter_mm for p in cut])
    carries_sap = np.array([p.role != "dry" for p in cut])
    sap_l_min = np.where(carries_sap, load.sap_l_min[low], 0.0)
    depth = np.where(sap_l_min > 0.0, sap.normal_depth_ratio(bore, grade, sap_l_min), 0.0)
    depth = np.where(np.isfinite(depth), depth, 1.0)  # runs full; FILL_OVER or NO_FALL says so
    filled, speed = sap.area_ratio(depth), sap.velocity_m_s(bore, depth, sap_l_min)
    wire = wire_row(settings.flow.wire)
    out: list[Pipe] = []
    number, last = 0, -1
    for i, piece in enumerate(cut):
        number, last = (number + 1 if piece.line == last else 1), piece.line
        line, made = tree.lines[piece.line], sizes[piece.size]
        foot, head = piece.low + piece.line, piece.high + piece.line
        weight = made.weight_n_per_m + wire.weight_n_per_m
        if piece.role != "dry":
            weight += sap_weight_n_per_m(made.inner_diameter_mm, settings.flow.fill_ratio)
        out.append(
            Pipe(
                pipe_id=f"{line.mainline_id}-P{number:02d}",
                mainline_id=line.mainline_id,
                from_station_m=float(tree.node_station_m[foot]),
                to_station_m=float(tree.node_station_m[head]),
                role=piece.role,
                nominal=made.nominal,
                inner_diameter_mm=made.inner_diameter_mm,
                grade_pct=float(grade[i]),
                taps=int(load.taps[piece.low]),
                peak_flow_l_min=float(sap_l_min[i]),
                depth_ratio=float(depth[i]),
                area_ratio=float(filled[i]),
                velocity_m_s=float(speed[i]),
                vacuum_kpa_low=float(vacuum.node_kpa[foot]),
                vacuum_kpa_high=float(vacuum.node_kpa[head]),
                sidetie_spacing_m=planned_spacing_m(weight, float(grade[i]), settings),
                binding=binding(piece, choice, len(sizes) - 1),
            )
        )
    return tuple(out)
