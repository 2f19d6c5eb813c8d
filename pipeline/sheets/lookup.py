"""What the sheets look up in a plan, sorted out once for all sections.

A section's sheets ask for a line by its ID, for what joins or crosses it, for the parts of a section. Searched for in
the plan each time, the cost of a set would grow with the size of the whole plan.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property, lru_cache
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from pipeline.records import Crossing, Mainline, Part, Pipe, Plan, Section, Trees

Floats = npt.NDArray[np.float64]
T = TypeVar("T")
_PLANS = 8  # sections that a repair left alone are printed from the plan they were issued with
_LINES = 512  # mainlines whose vertices are kept at hand


@dataclass(frozen=True, eq=False)
class Lookup:
    """The records of one plan by what they are asked for; all in the plan's order."""

    plan: Plan

    @cached_property
    def line(self) -> dict[str, Mainline]:
        """Mainlines by ID."""
        return {line.mainline_id: line for line in self.plan.mainlines}

    @cached_property
    def section(self) -> dict[str, Section]:
        """Sections by ID."""
        return {section.section_id: section for section in self.plan.sections}

    @cached_property
    def branches(self) -> Mapping[str, tuple[Mainline, ...]]:
        """Mainlines by the one they join."""
        return _grouped((line.parent_id, line) for line in self.plan.mainlines)

    @cached_property
    def pipes(self) -> Mapping[str, tuple[Pipe, ...]]:
        """Pipes by mainline."""
        return _grouped((pipe.mainline_id, pipe) for pipe in self.plan.flow.pipes)

    @cached_property
    def parts(self) -> Mapping[str, tuple[tuple[int, Part], ...]]:
        """Parts, each with its place in the take-off, by section."""
        return _grouped((part.section_id, (k, part)) for k, part in enumerate(self.plan.takeoff.by_section))

    @cached_property
    def crossings(self) -> Mapping[str, tuple[tuple[int, Crossing], ...]]:
        """Crossings, each with its place in the plan, by the line that crosses."""
        return _grouped((c.line_id, (k, c)) for k, c in enumerate(self.plan.crossings))

    @cached_property
    def owners(self) -> Mapping[str, tuple[tuple[str, float, float], ...]]:
        """Section and both stations of every stretch, by mainline."""
        return _grouped((name, (s.section_id, low, high)) for s in self.plan.sections for name, low, high in s.pieces)

    @cached_property
    def stretches(self) -> tuple[list[tuple[str, float, Floats]], Floats]:
        """Mainline, lower station and places of every section's stretches; west, south, east, north of each."""
        found = []
        for section in self.plan.sections:
            for name, low, high in section.pieces:
                inner = [s.station_m for s in self.line[name].supports if low < s.station_m < high]
                x, y, _ = line_at(self.line[name], [low, *inner, high])
                found.append((name, low, np.column_stack((x, y))))
        bounds = np.array([[*at.min(axis=0), *at.max(axis=0)] for _, _, at in found]).reshape(-1, 4)
        return found, bounds


def _grouped(pairs: Iterable[tuple[str, T]]) -> Mapping[str, tuple[T, ...]]:
    lists: dict[str, list[T]] = {}
    for key, value in pairs:
        lists.setdefault(key, []).append(value)
    return {key: tuple(values) for key, values in lists.items()}


@lru_cache(maxsize=_PLANS)
def lookup(plan: Plan) -> Lookup:
    """Return what is sorted out of a plan; the same for every call."""
    return Lookup(plan)


@lru_cache(maxsize=_PLANS)
def row_of(trees: Trees) -> dict[str, int]:
    """Return the row of each tree by its tag."""
    return {tag: t for t, tag in enumerate(trees.tree_id)}


@lru_cache(maxsize=_LINES)
def _vertices(line: Mainline) -> tuple[Floats, Floats]:
    return line.xyz_m, line.station_m


def line_at(line: Mainline, station_m: npt.ArrayLike) -> tuple[Floats, Floats, Floats]:
    """Return x, y and elevation of a mainline at stations, as :meth:`Mainline.at`, its vertices kept at hand."""
    xyz, own = _vertices(line)
    s = np.asarray(station_m, dtype=np.float64)
    return np.interp(s, own, xyz[:, 0]), np.interp(s, own, xyz[:, 1]), np.interp(s, own, xyz[:, 2])
