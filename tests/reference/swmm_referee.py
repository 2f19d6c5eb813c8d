"""EPA SWMM 5 as referee: the same network of part-full pipes, run to a steady state.

SWMM (through pyswmm) has its own tables of the circular section and its own solver;
nothing of ours is used to get its answer. The network goes in as conduits of given
length, slope, bore and roughness with a constant inflow at upper nodes; out come flow
and depth over bore in each conduit once nothing changes any more.

Bores go in ten times their size and flows 10^(8/3) times theirs, because SWMM takes flows
below about 0.02 L/min (one or two taps) for nothing. Manning's formula says that this leaves
every depth ratio as it was: flow over full flow does not change.

``depth_ratios`` takes any network, ``pipes_of`` turns a sized plan into one.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from pipeline.hydraulics import sap
from pipeline.records import Flow, Mainline
from pyswmm import Links, Simulation

TIMES_BORE = 10.0
TIMES_FLOW = TIMES_BORE ** (8.0 / 3.0)


@dataclass(frozen=True)
class RefereePipe:
    """One conduit: where it flows to ("" is the outlet), and what enters at its upper end."""

    name: str
    flows_into: str
    length_m: float
    grade_pct: float
    bore_mm: float
    roughness_n: float
    inflow_l_min: float


@dataclass(frozen=True)
class Steady:
    """What SWMM says about one conduit."""

    depth_ratio: float
    flow_l_min: float


def _drop_m(pipe: RefereePipe) -> float:
    """Return the drop that SWMM turns back into the same slope (it divides by the horizontal length)."""
    slope = pipe.grade_pct / 100.0
    return pipe.length_m * slope / math.sqrt(1.0 + slope**2)


def _upward(pipes: Sequence[RefereePipe]) -> list[RefereePipe]:
    """Return pipes so that each comes after the one it flows into."""
    order: list[RefereePipe] = []
    placed = {""}
    waiting = list(pipes)
    while waiting:
        ready = [p for p in waiting if p.flows_into in placed]
        if not ready:
            raise ValueError("pipes flow in a loop or into a pipe that is not there")
        order += ready
        placed |= {p.name for p in ready}
        waiting = [p for p in waiting if p.name not in placed]
    return order


def network_text(pipes: Sequence[RefereePipe]) -> str:
    """Return the SWMM input file. A pipe's upper node is named after it; the outlet is ``OUT``.

    Routing is by kinematic wave, whose steady state is normal depth in every conduit. (The
    dynamic wave reports the mean of both ends' depths, critical depth at drops included.)
    """
    foot_m: dict[str, float] = {"": 100.0}  # elevation of the node that a pipe's sap reaches
    for pipe in _upward(pipes):
        foot_m[pipe.name] = foot_m[pipe.flows_into] + _drop_m(pipe)
    lower = {p.name: p.flows_into or "OUT" for p in pipes}
    # Several pipes may reach the outlet: SWMM allows one conduit per outfall, so a short chute gathers them.
    chute = RefereePipe("CHUTE", "", 1.0, 10.0, 2000.0, 0.01, 0.0)
    lower = {name: ("GATHER" if to == "OUT" else to) for name, to in lower.items()}
    lines = [
        "[OPTIONS]", "FLOW_UNITS LPS", "FLOW_ROUTING KINWAVE", "LINK_OFFSETS DEPTH", "START_DATE 01/01/2020",
        "START_TIME 00:00:00", "END_DATE 01/01/2020", "END_TIME 06:00:00", "REPORT_STEP 00:05:00",
        "ROUTING_STEP 5", "MIN_SLOPE 0", "ALLOW_PONDING NO", "INERTIAL_DAMPING PARTIAL", "VARIABLE_STEP 0",
        "MIN_SURFAREA 0.0005", "HEAD_TOLERANCE 0.00001", "MAX_TRIALS 20", "SKIP_STEADY_STATE NO",
        "[JUNCTIONS]", f"GATHER {foot_m['']:.9f} 0 0 0 0",
    ]
    lines += [f"{p.name} {foot_m[p.name]:.9f} 10 0 0 0" for p in pipes]
    lines += ["[OUTFALLS]", f"OUT {foot_m[''] - _drop_m(chute):.9f} FREE NO", "[CONDUITS]"]
    lines += [f"C_{p.name} {p.name} {lower[p.name]} {p.length_m:.9f} {p.roughness_n:.6f} 0 0 0 0" for p in pipes]
    lines += [f"C_CHUTE GATHER OUT {chute.length_m} {chute.roughness_n} 0 0 0 0", "[XSECTIONS]"]
    lines += [f"C_{p.name} CIRCULAR {TIMES_BORE * p.bore_mm / 1000.0:.9f} 0 0 0 1" for p in pipes]
    lines += ["C_CHUTE CIRCULAR 3.0 0 0 0 1", "[INFLOWS]"]
    inflows = {p.name: TIMES_FLOW * p.inflow_l_min / 60.0 for p in pipes if p.inflow_l_min > 0.0}
    lines += [f'{name} FLOW "" FLOW 1.0 1.0 {l_s:.12f}' for name, l_s in inflows.items()]
    lines += ["[REPORT]", "INPUT NO", "CONTROLS NO"]
    return "\n".join(lines) + "\n"


def depth_ratios(pipes: Sequence[RefereePipe], *, folder: Path) -> dict[str, Steady]:
    """Run SWMM on the network and return its steady state by pipe.

    Parameters
    ----------
    pipes : sequence of RefereePipe
        Names without blanks; each flows into another or to the outlet.
    folder : Path
        Where SWMM may write its files.
    """
    given = folder / "network.inp"
    given.write_text(network_text(pipes), encoding="ascii")
    with Simulation(str(given)) as run:
        links = Links(run)
        own = {p.name: links[f"C_{p.name}"] for p in pipes}
        last = {p.name: Steady(math.nan, math.nan) for p in pipes}
        run.step_advance(60)
        for _ in run:
            last = {
                p.name: Steady(
                    depth_ratio=own[p.name].depth / (TIMES_BORE * p.bore_mm / 1000.0),
                    flow_l_min=own[p.name].flow * 60.0 / TIMES_FLOW,
                )
                for p in pipes
            }
    return last


def pipes_of(flow: Flow, mainlines: Iterable[Mainline]) -> tuple[RefereePipe, ...]:
    """Turn the sap-carrying pipes of a sized plan into conduits of the same length, least grade and bore.

    A pipe flows into the next lower one of its mainline, the lowest into the pipe that runs
    down from the join on the parent. What a pipe carries beyond what reaches its upper end
    enters there, so every conduit sees the pipe's peak flow.
    """
    lines = {line.mainline_id: line for line in mainlines}
    wet = [p for p in flow.pipes if p.role != "dry"]

    def below(mainline_id: str, station_m: float) -> str:
        for p in wet:
            if p.mainline_id == mainline_id and p.from_station_m < station_m - 1e-6 <= p.to_station_m:
                return p.pipe_id
        line = lines[mainline_id]
        return below(line.parent_id, line.join_station_m) if line.parent_id else ""

    into = {p.pipe_id: below(p.mainline_id, p.from_station_m) for p in wet}
    arrives = dict.fromkeys(into, 0.0)
    for p in wet:
        if into[p.pipe_id]:
            arrives[into[p.pipe_id]] += p.peak_flow_l_min
    out = []
    for p in wet:
        run_m = p.to_station_m - p.from_station_m
        out.append(RefereePipe(
            name=p.pipe_id,
            flows_into=into[p.pipe_id],
            length_m=run_m * math.hypot(1.0, p.grade_pct / 100.0),
            grade_pct=p.grade_pct,
            bore_mm=p.inner_diameter_mm,
            roughness_n=float(sap.manning_n(p.grade_pct)),
            inflow_l_min=p.peak_flow_l_min - arrives[p.pipe_id],
        ))
    return tuple(out)
