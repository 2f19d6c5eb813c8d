"""How many of each part, and in which section each lies."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from pipeline.hydraulics.catalogue import mainline_sizes
from pipeline.hydraulics.risers import riser_stations
from pipeline.records import Crossing, Flow, Grouping, Lateral, Mainline, Pipe, Section, Trees
from pipeline.settings import Settings
from pipeline.units import CFM_M3_S

PIPE_TIE_EVERY_M = 0.3048  # rules.csv takeoff.pipe_tie
TIE_WRAP_M = 1.0  # side-tie wire beyond the distance to its tree; rules.csv takeoff.tie_wrap
CUT_SLACK = 0.03  # tubing beyond the run, for ties; rules.csv takeoff.cut_slack
RING_SLACK_M = 0.3  # tubing beyond the girth of the last tree; rules.csv takeoff.ring_slack
UNKNOWN_DBH_CM = 30.0  # where a tree's diameter is missing; rules.csv takeoff.unknown_dbh
FLAG_SUPPORT_M, FLAG_TREE_M = 0.5, 0.25  # rules.csv takeoff.flag_support, takeoff.flag_tree
VALVE_TAPS = 25  # a branch with fewer has no valve of its own; rules.csv takeoff.valve_taps
EDGE_M = 1e-6

Counted = dict[tuple[str, str], list[float]]  # section and code -> quantities


@dataclass(slots=True, eq=False)
class Line:
    """One mainline with true lengths along its stations, its pipes and the sections it runs through."""

    line: Mainline
    pipes: list[Pipe]
    pieces: list[tuple[float, float, str]]
    station_m: npt.NDArray[np.float64]
    along_m: npt.NDArray[np.float64]

    def length_m(self, low_m: float, high_m: float) -> float:
        """Return the true length between two stations."""
        low, high = np.interp([low_m, high_m], self.station_m, self.along_m)
        return float(high - low)

    def section(self, station_m: float) -> str:
        """Return the section of a station; where two meet, the upper one; "" where none claims it."""
        found = ""
        for low, high, section_id in self.pieces:
            if low - EDGE_M <= station_m <= high + EDGE_M:
                found = section_id
        return found

    def meeting(self, station_m: float) -> set[str]:
        """Return every section that reaches a station: two where one ends and the next begins."""
        return {name for low, high, name in self.pieces if low - EDGE_M <= station_m <= high + EDGE_M}

    def shares(self, low_m: float, high_m: float) -> Iterator[tuple[str, float]]:
        """Yield section and true length of each part of a stretch."""
        edges = {low_m, high_m, *(e for p in self.pieces for e in p[:2] if low_m < e < high_m)}
        for low, high in pairwise(sorted(edges)):
            yield self.section(0.5 * (low + high)), self.length_m(low, high)

    def at(self, station_m: float) -> list[Pipe]:
        """Return the pipes at a station, one or wet and dry; the upper ones at a change of size."""
        here = [p for p in self.pipes if p.from_station_m - EDGE_M <= station_m <= p.to_station_m + EDGE_M]
        return list({p.role == "dry": p for p in here}.values())

    @property
    def sap_pipes(self) -> list[Pipe]:
        """Pipes that carry sap, from the bottom up."""
        return [p for p in self.pipes if p.role != "dry"]

    @property
    def dry_pipes(self) -> list[Pipe]:
        """Dry lines, from the bottom up."""
        return [p for p in self.pipes if p.role == "dry"]


@dataclass(slots=True, eq=False)
class Job:
    """All that is counted from, and the count as it grows."""

    lines: dict[str, Line]
    grouping: Grouping
    flow: Flow
    trees: Trees
    crossings: tuple[Crossing, ...]
    settings: Settings
    rolls_m: dict[str, float]
    lateral_section: dict[int, str]
    counted: Counted = field(default_factory=dict)

    def add(self, section_id: str, code: str, quantity: float) -> None:
        """Add a quantity of a part to a section."""
        if quantity > 0.0:
            self.counted.setdefault((section_id, code), []).append(float(quantity))


def job(
    *,
    mainlines: tuple[Mainline, ...],
    grouping: Grouping,
    flow: Flow,
    sections: tuple[Section, ...],
    trees: Trees,
    crossings: tuple[Crossing, ...],
    settings: Settings,
) -> Job:
    """Lay out everything by mainline."""
    pieces: dict[str, list[tuple[float, float, str]]] = {}
    for section in sections:
        for mainline_id, low, high in section.pieces:
            pieces.setdefault(mainline_id, []).append((low, high, section.section_id))
    pipes: dict[str, list[Pipe]] = {}
    for pipe in flow.pipes:
        pipes.setdefault(pipe.mainline_id, []).append(pipe)
    lines = {}
    for line in mainlines:
        steps = np.linalg.norm(np.diff(line.xyz_m, axis=0), axis=1)
        lines[line.mainline_id] = Line(
            line=line,
            pipes=pipes.get(line.mainline_id, []),
            pieces=sorted(pieces.get(line.mainline_id, [])),
            station_m=line.station_m,
            along_m=np.concatenate([[0.0], np.cumsum(steps)]),
        )
    return Job(
        lines=lines,
        grouping=grouping,
        flow=flow,
        trees=trees,
        crossings=crossings,
        settings=settings,
        rolls_m={s.nominal: s.roll_m for s in mainline_sizes(settings.flow.pipes)},
        lateral_section={i: s.section_id for s in sections for i in s.lateral},
    )


def count_all(job: Job) -> Counted:
    """Return quantities by section and code, each list to be summed exactly."""
    for line in job.lines.values():
        _pipe_and_wire(job, line)
        _supports(job, line)
        _side_ties(job, line)
        _feet_and_tops(job, line)
        for run in (line.sap_pipes, line.dry_pipes):
            _reducers(job, line, run)
            _couplings(job, line, run)
        _join(job, line)
        _loops(job, line)
    _laterals(job)
    _crossings(job)
    _collections(job)
    return job.counted


def _pipe_and_wire(job: Job, line: Line) -> None:
    """Count pipe, the wire that carries it, and the ties between the two."""
    for pipe in line.pipes:
        for section_id, length_m in line.shares(pipe.from_station_m, pipe.to_station_m):
            job.add(section_id, f"PIPE {pipe.nominal}", length_m)
            job.add(section_id, f"WIRE {job.settings.flow.wire}", length_m)
            job.add(section_id, "TWIST TIE", length_m / PIPE_TIE_EVERY_M)


def _supports(job: Job, line: Line) -> None:
    """Count anchors, posts, and a side tie for each wire at each tree that holds it."""
    for support in line.line.supports:
        section_id = line.section(support.station_m)
        if support.kind == "tree":
            wires = max(1, len(line.at(support.station_m)))
            job.add(section_id, "SIDE TIE", wires)
            job.add(section_id, "SIDE WIRE", wires * (abs(support.offset_m) + TIE_WRAP_M))
        else:
            job.add(section_id, support.kind.upper(), 1)
        job.add(section_id, "FLAGGING", FLAG_SUPPORT_M)


def _side_ties(job: Job, line: Line) -> None:
    """Count the side ties that the sag asks for between supports."""
    reach_m = job.settings.mainlines.support_reach_m + TIE_WRAP_M
    for low, high in pairwise(line.line.supports):
        span_m = high.station_m - low.station_m
        over = [p for p in line.pipes if p.from_station_m < high.station_m and p.to_station_m > low.station_m]
        for dry in (False, True):
            apart = min((p.sidetie_spacing_m for p in over if (p.role == "dry") == dry), default=0.0)
            spans = math.ceil(span_m / apart - 1e-9) if apart > 0.0 else 1
            for k in range(1, spans):
                section_id = line.section(low.station_m + span_m * k / spans)
                job.add(section_id, "SIDE TIE", 1)
                job.add(section_id, "SIDE WIRE", reach_m)


def _feet_and_tops(job: Job, line: Line) -> None:
    """Count valves, tensioners, caps and the manifolds at both ends of a pair."""
    for run in (line.sap_pipes, line.dry_pipes):
        if run:
            if not line.line.parent_id or run[0].taps >= VALVE_TAPS:
                job.add(line.section(run[0].from_station_m), f"VALVE {run[0].nominal}", 1)
            job.add(line.section(run[-1].to_station_m), "STRAINER", 1)
    if line.sap_pipes:
        top = line.sap_pipes[-1]
        job.add(line.section(top.to_station_m), f"CAP {top.nominal}", 1)
    if line.dry_pipes:
        job.add(line.section(line.dry_pipes[-1].to_station_m), "MANIFOLD", 1)
        if not line.line.parent_id:
            job.add(line.section(line.dry_pipes[0].from_station_m), "MANIFOLD", 1)


def _reducers(job: Job, line: Line, run: list[Pipe]) -> None:
    """Count a reducer at each change of size along one line."""
    for lower, upper in pairwise(run):
        if lower.nominal != upper.nominal:
            job.add(line.section(upper.from_station_m), f"REDUCER {lower.nominal} x {upper.nominal}", 1)


def _couplings(job: Job, line: Line, run: list[Pipe]) -> None:
    """Count a coupling wherever a roll ends inside a run of one size, rolls laid from the lower end."""
    start = 0
    for i in range(1, len(run) + 1):
        if i < len(run) and run[i].nominal == run[start].nominal:
            continue
        nominal, roll_m = run[start].nominal, job.rolls_m[run[start].nominal]
        foot_m = float(np.interp(run[start].from_station_m, line.station_m, line.along_m))
        length_m = line.length_m(run[start].from_station_m, run[i - 1].to_station_m)
        for k in range(1, math.ceil(length_m / roll_m - 1e-9)):
            at = float(np.interp(foot_m + k * roll_m, line.along_m, line.station_m))
            job.add(line.section(at), f"COUPLING {nominal}", 1)
        start = i


def _join(job: Job, line: Line) -> None:
    """Count the fitting that joins a branch to its parent, and its manifold where the parent is a pair."""
    if not line.line.parent_id or not line.pipes:
        return
    parent, at = job.lines[line.line.parent_id], line.line.join_station_m
    below = parent.at(max(at - 0.01, 0.0))
    trunk = next(p for p in below if p.role != "dry")
    section_id = parent.section(at)
    if line.section(0.0) in parent.meeting(at):  # where two sections meet, the crew of the branch joins it
        section_id = line.section(0.0)
    job.add(section_id, f"JOIN {trunk.nominal} x {line.sap_pipes[0].nominal}", 1)
    if len(below) > 1:
        job.add(section_id, "MANIFOLD", 1)


def _loops(job: Job, line: Line) -> None:
    """Count risers along a pair, between its manifolds."""
    if not line.dry_pipes:
        return
    at = riser_stations(
        supports_m=line.station_m.tolist(),
        manifolds_m=[
            other.line.join_station_m for other in job.lines.values() if other.line.parent_id == line.line.mainline_id
        ],
        foot_m=line.dry_pipes[0].from_station_m,
        head_m=line.dry_pipes[-1].to_station_m,
    )
    for station_m in at:
        job.add(line.section(station_m), "LOOP", 1)


def tubing_m(lateral: Lateral, trees: Trees) -> float:
    """Return the tubing to cut for a lateral: its run with slack, and the turn round its last tree."""
    return lateral.length_m * (1.0 + CUT_SLACK) + ring_m(lateral, trees)


def ring_m(lateral: Lateral, trees: Trees) -> float:
    """Return the tubing that goes round the last tree of a lateral: its girth, ``pi d``, and a little for the knot."""
    last_cm = float(trees.dbh_cm[lateral.tree[-1]]) if lateral.tree else UNKNOWN_DBH_CM
    return math.pi * (last_cm if math.isfinite(last_cm) else UNKNOWN_DBH_CM) / 100.0 + RING_SLACK_M


def _laterals(job: Job) -> None:
    """Count entries, tubing, tees, end rings, drops and spouts."""
    for i, lateral in enumerate(job.grouping.laterals):
        line = job.lines[lateral.mainline_id]
        section_id = job.lateral_section.get(i, line.section(lateral.entry_station_m))
        sap_pipe = next((p for p in line.at(lateral.entry_station_m) if p.role != "dry"), None)
        job.add(section_id, f"ENTRY {sap_pipe.nominal}" if sap_pipe else "ENTRY", 1)
        job.add(section_id, "TUBING", tubing_m(lateral, job.trees))
        job.add(section_id, "TEE", lateral.taps - 1)
        job.add(section_id, "END RING", 1)
        job.add(section_id, "DROP TUBING", lateral.taps * job.settings.laterals.drop_length_m)
        job.add(section_id, "SPOUT", lateral.taps)
        job.add(section_id, "FLAGGING", FLAG_TREE_M * len(lateral.tree))


def _crossings(job: Job) -> None:
    """Count crossing gear where mainlines cross something, markers where laterals do."""
    laterals = {a.lateral_id: i for i, a in enumerate(job.grouping.laterals)}
    for crossing in job.crossings:
        if crossing.line_id in job.lines:
            section_id = job.lines[crossing.line_id].section(crossing.station_m)
            job.add(section_id, "CROSSING", 1)
            job.add(section_id, "MARKER", 4)
        else:
            i = laterals.get(crossing.line_id)
            section_id = "" if i is None else job.lateral_section.get(i, "")
            job.add(section_id, "MARKER", 2)


def _collections(job: Job) -> None:
    """Count what stands at the collection points; it belongs to no section."""
    for station in job.flow.stations:
        job.add("", "TANK", station.tank_l)
        if station.pump_air_m3_s > 0.0:
            job.add("", "RELEASER", 1)
            job.add("", "TRAP", 1)
            job.add("", "PUMP", station.pump_air_m3_s / CFM_M3_S)
