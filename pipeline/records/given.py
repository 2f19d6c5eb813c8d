"""Records of what comes in: trees, ground layers, pins, collection points."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from shapely.geometry.base import BaseGeometry

from pipeline.records.kinds import Floats, Grid, Ints, Mask, TreeStatus
from pipeline.settings import GroundKind, GroundLayerSettings


@dataclass(frozen=True, slots=True, eq=False)
class SurveyPoints:
    """Trees as read from file, one row per input row, nothing judged yet.

    ``x_m``/``y_m`` are in the plan's frame, NaN where the position is unusable.
    ``dbh_cm`` is NaN where the diameter is missing or unreadable. ``row`` is the
    row, waypoint or feature number in the file, counted from 1.
    """

    tree_id: tuple[str, ...]
    x_m: Floats
    y_m: Floats
    species: tuple[str, ...]
    dbh_cm: Floats
    state: tuple[str, ...]
    row: Ints
    source: str


@dataclass(frozen=True, slots=True, eq=False)
class Trees:
    """Every tree of the input, in input order, with what the survey stage made of it.

    ``status`` is ``"served"`` for trees still to be served (candidates) until the
    laterals are settled; ``reason`` is ``""`` for those. ``taps`` is 0 unless the
    tree is a candidate.
    """

    tree_id: tuple[str, ...]
    x_m: Floats
    y_m: Floats
    ground_z_m: Floats
    species: tuple[str, ...]
    dbh_cm: Floats
    taps: Ints
    status: tuple[TreeStatus, ...]
    reason: tuple[str, ...]
    note: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.tree_id)

    @property
    def candidate(self) -> Mask:
        """Which trees are to be served."""
        return np.array([s == "served" for s in self.status], dtype=np.bool_)


@dataclass(frozen=True, slots=True, eq=False)
class CollectionPoint:
    """Where a network ends: the elevation of its inlet and its place."""

    collection_id: str
    x_m: float
    y_m: float
    ground_z_m: float
    inlet_z_m: float
    kind: str


@dataclass(frozen=True, slots=True, eq=False)
class GroundLayer:
    """One layer of what lies on the ground, in the plan's frame.

    ``shapes`` are as read (unbuffered); ``names`` one text per shape for the map.
    """

    kind: GroundKind
    shapes: tuple[BaseGeometry, ...]
    names: tuple[str, ...]
    rule: GroundLayerSettings
    source: str


@dataclass(frozen=True, slots=True, eq=False)
class Pins:
    """Lines to keep exactly, places that open a no-go, places to avoid; plan frame.

    ``lines`` maps a mainline ID to its vertices in station order, shape (n, 3), the
    third column the elevation of the hung line.
    """

    lines: dict[str, Floats] = field(default_factory=dict)
    parent: dict[str, str] = field(default_factory=dict)
    gaps: tuple[BaseGeometry, ...] = ()
    avoid: tuple[BaseGeometry, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """What the terrain and its layers mean for a line, cell by cell on the terrain's grid.

    Parameters
    ----------
    cost : float32 array, shape of the terrain
        Cost of a metre of line (1 = open woods); ``inf`` where no line may go.
    lowest_m, highest_m : float32 array
        Height window of a mainline above ground, crossing clearances included.
    lateral_blocked : bool array
        Where no lateral may pass.
    support_blocked : bool array
        Where no support may stand (crossings, water, no-go).
    layers : tuple of GroundLayer
        The layers as read, for maps, judging and safety.
    missing : tuple of str
        Kinds of layers that nobody supplied: printed as NOT CHECKED.
    gaps : tuple of shapes
        Places that open a no-go, as pinned.
    """

    cost: Grid
    lowest_m: Grid
    highest_m: Grid
    lateral_blocked: Mask
    support_blocked: Mask
    layers: tuple[GroundLayer, ...]
    missing: tuple[str, ...]
    gaps: tuple[BaseGeometry, ...] = ()
