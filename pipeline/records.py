"""Frozen records that the stages hand to one another.

Coordinates are metres in the plan's frame; elevations are metres in the
terrain's datum. Lines are kept in *station order*: the first vertex is the
lower end (station 0), the last is the top. Only the plan folder turns lines
round into flow direction. Stations are plan (horizontal) distances along a
mainline; lengths named ``length_m`` are true (3D) lengths. Grades are positive
when the line falls towards the collection point.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt
from shapely.geometry.base import BaseGeometry

from pipeline.findings import Finding
from pipeline.frame import Frame
from pipeline.settings import GroundKind, GroundLayerSettings, Settings

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Grid = npt.NDArray[np.float32]
Mask = npt.NDArray[np.bool_]

TreeStatus = Literal["served", "set_aside", "not_tapped"]
SupportKind = Literal["tree", "post", "anchor"]
PipeRole = Literal["single", "wet", "dry"]
GradeConfidence = Literal["high", "level it", "unknown"]

# Why a tree is not served. `fallgrade explain CODE` prints the long form.
SET_ASIDE_REASONS = (
    "OFF_TERRAIN", "NO_GROUND", "NO_GO", "OUTSIDE_PROPERTY", "BELOW_OUTLET", "NO_GRADE",
    "OUT_OF_REACH", "NOT_WORTH_IT", "NO_LATERAL", "DUPLICATE", "BAD_POSITION",
)
NOT_TAPPED_REASONS = ("TOO_SMALL", "DEAD", "SPECIES", "NO_DIAMETER")


# ---------------------------------------------------------------- what comes in


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
    """

    cost: Grid
    lowest_m: Grid
    highest_m: Grid
    lateral_blocked: Mask
    support_blocked: Mask
    layers: tuple[GroundLayer, ...]
    missing: tuple[str, ...]


# ---------------------------------------------------------------- mainlines


@dataclass(frozen=True, slots=True, eq=False)
class Route:
    """One mainline before it is hung: plan vertices (bends only) and the lowest legal line over them.

    Parameters
    ----------
    mainline_id, parent_id, collection_id : str
        ``parent_id`` is ``""`` when the line ends at the collection point itself.
    join_station_m : float
        Station on the parent where the lower end joins; 0 at a collection point.
        The parent has a vertex at exactly this place.
    xy_m : float array, shape (n, 2)
        Vertices in station order; straight in between.
    low_z_m : float array, shape (n,)
        Lowest legal line elevation at the vertices.
    pinned : bool
        Kept exactly as it is, height included (``low_z_m`` is then the hung line).
    """

    mainline_id: str
    parent_id: str
    collection_id: str
    join_station_m: float
    xy_m: Floats
    low_z_m: Floats
    pinned: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Network:
    """All routes, parents before children, and what could not be reached.

    ``reason`` holds for each tree (input order) a set-aside code where the network
    leaves it out (``""`` where a lateral may be tried), and ``lift_m`` how much
    higher the tree's ground would have to be for gravity to serve it (0 where it is
    high enough, NaN where unknown).
    """

    routes: tuple[Route, ...]
    reason: tuple[str, ...]
    lift_m: Floats
    worth_curve: tuple[tuple[float, int, float], ...] = ()  # tap worth m, taps served, mainline m
    stats: dict[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, eq=False)
class Support:
    """A point that holds a mainline."""

    support_id: str
    mainline_id: str
    station_m: float
    x_m: float
    y_m: float
    kind: SupportKind
    tree_id: str
    offset_m: float  # of the tree from the line, positive to the right looking up the line
    ground_z_m: float
    line_z_m: float
    binding: str = ""  # which constraint set the height

    @property
    def height_m(self) -> float:
        """Line height above ground."""
        return self.line_z_m - self.ground_z_m


@dataclass(frozen=True, slots=True, eq=False)
class Mainline:
    """One hung mainline: a straight, tight wire from support to support.

    ``supports`` are in station order and include both ends; the geometry of the
    line is exactly the polyline through ``(x_m, y_m, line_z_m)`` of its supports.
    """

    mainline_id: str
    parent_id: str
    collection_id: str
    join_station_m: float
    supports: tuple[Support, ...]
    pinned: bool = False

    @property
    def xyz_m(self) -> Floats:
        """Vertices in station order, shape (n, 3)."""
        return np.array([(s.x_m, s.y_m, s.line_z_m) for s in self.supports], dtype=np.float64)

    @property
    def station_m(self) -> Floats:
        """Stations of the vertices."""
        return np.array([s.station_m for s in self.supports], dtype=np.float64)

    @property
    def plan_length_m(self) -> float:
        """Horizontal length, the station of the top."""
        return self.supports[-1].station_m

    @property
    def length_m(self) -> float:
        """True length."""
        return float(np.linalg.norm(np.diff(self.xyz_m, axis=0), axis=1).sum())

    def at(self, station_m: npt.ArrayLike) -> tuple[Floats, Floats, Floats]:
        """Return x, y and line elevation at stations, in metres."""
        xyz, own = self.xyz_m, self.station_m
        s = np.asarray(station_m, dtype=np.float64)
        return np.interp(s, own, xyz[:, 0]), np.interp(s, own, xyz[:, 1]), np.interp(s, own, xyz[:, 2])


# ---------------------------------------------------------------- laterals


@dataclass(frozen=True, slots=True, eq=False)
class Lateral:
    """A small line from its entry uphill through its trees.

    ``tree`` are indices into :class:`Trees`, nearest the entry first. ``xyz_m`` has
    one row for the entry (on the mainline) and one for each tree (the lateral's
    elevation there).
    """

    lateral_id: str
    mainline_id: str
    entry_station_m: float
    tree: tuple[int, ...]
    taps: int
    xyz_m: Floats
    grade_confidence: GradeConfidence = "unknown"
    pinned: bool = False

    @property
    def length_m(self) -> float:
        """True length."""
        return float(np.linalg.norm(np.diff(self.xyz_m, axis=0), axis=1).sum())

    @property
    def fall_m(self) -> float:
        """Fall from the last tree to the entry."""
        return float(self.xyz_m[-1, 2] - self.xyz_m[0, 2])

    @property
    def min_grade_pct(self) -> float:
        """Least fall of any piece, in percent of plan length."""
        run = np.hypot(*np.diff(self.xyz_m[:, :2], axis=0).T)
        rise = np.diff(self.xyz_m[:, 2])
        return float((rise / np.maximum(run, 1e-9)).min() * 100.0)


@dataclass(frozen=True, slots=True, eq=False)
class Grouping:
    """All laterals, and what became of the trees that none serves.

    ``reason`` has one code per tree of the input, ``""`` for the served.
    ``entry_ceiling_z_m`` holds for each lateral the highest mainline elevation at
    its entry that still lets it run legally: the hang must stay below.
    """

    laterals: tuple[Lateral, ...]
    reason: tuple[str, ...]
    entry_ceiling_z_m: Floats
    lower_bound_m: float = float("nan")  # of the objective, from the linear programme
    objective_m: float = float("nan")


# ---------------------------------------------------------------- flow


@dataclass(frozen=True, slots=True, eq=False)
class Pipe:
    """A stretch of one mainline with one size, one role and one flow."""

    pipe_id: str
    mainline_id: str
    from_station_m: float
    to_station_m: float
    role: PipeRole
    nominal: str
    inner_diameter_mm: float
    grade_pct: float  # least grade of the stretch
    taps: int
    peak_flow_l_min: float
    depth_ratio: float
    area_ratio: float
    velocity_m_s: float
    vacuum_kpa_low: float
    vacuum_kpa_high: float
    sidetie_spacing_m: float
    binding: str = ""  # which constraint set the size


@dataclass(frozen=True, slots=True, eq=False)
class Station:
    """What stands at a collection point: sums and required equipment."""

    collection_id: str
    taps: int
    peak_flow_l_min: float
    pump_air_m3_s: float
    releaser_l_min: float
    tank_l: float
    moisture_trap_l: float
    vacuum_kpa: float
    farthest_vacuum_kpa: float
    arithmetic: tuple[tuple[str, str], ...] = ()  # what, how it was got; printed


@dataclass(frozen=True, slots=True, eq=False)
class Flow:
    """Sizes and flows of the whole network.

    ``entry_vacuum_kpa`` has one value per lateral, in the order of the grouping.
    """

    pipes: tuple[Pipe, ...]
    stations: tuple[Station, ...]
    entry_vacuum_kpa: Floats


# ---------------------------------------------------------------- paper and parts


@dataclass(frozen=True, slots=True, eq=False)
class Crossing:
    """Where a line passes over or through something."""

    crossing_id: str
    line_id: str
    kind: str  # kind of the ground layer
    name: str
    station_m: float
    x_m: float
    y_m: float
    clearance_m: float
    needed_m: float


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """What one crew builds from one set of sheets.

    ``pieces`` are (mainline_id, from_station_m, to_station_m); ``lateral`` are
    indices into the grouping; ``neighbours`` are (section_id, where they meet).
    """

    section_id: str
    pieces: tuple[tuple[str, float, float], ...]
    lateral: tuple[int, ...]
    outline: BaseGeometry
    neighbours: tuple[tuple[str, str], ...]
    taps: int
    trees: int
    crew_hours: float = 0.0
    check_code: str = ""
    sheets: int = 0

    @property
    def mainline_ids(self) -> tuple[str, ...]:
        """Mainlines with a piece in this section, each once, in order."""
        return tuple(dict.fromkeys(piece[0] for piece in self.pieces))


@dataclass(frozen=True, slots=True)
class Part:
    """One line of the order list."""

    section_id: str  # "" for what belongs to a collection point or the whole
    code: str
    name: str
    quantity: float
    unit: str
    order_quantity: float  # whole rolls and packs, waste included; only on totals
    unit_price: float
    cost: float


@dataclass(frozen=True, slots=True, eq=False)
class Takeoff:
    """Parts and hours: per section and in total."""

    by_section: tuple[Part, ...]
    total: tuple[Part, ...]
    hours_by_section: dict[str, dict[str, float]]
    currency: str


@dataclass(frozen=True, slots=True)
class SafetyNote:
    """One caution of a section, fired by its own data.

    ``code`` keys the words in ``templates/safety/``; ``values`` fill its blanks;
    ``not_checked`` marks a note that stands because a layer is missing.
    """

    code: str
    severity: int
    sign_off: str  # "", "CL", "CL+Q"
    values: tuple[tuple[str, str], ...] = ()
    not_checked: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """A finished plan: what the plan folder holds and the sheets are drawn from.

    ``trees`` carries the final status and reason of every input tree;
    ``tree_lateral`` the index of its lateral (-1 for none), ``tree_order`` its place
    on it (1 = nearest the entry, 0 for none), ``tree_line_z_m`` the lateral's
    elevation there (NaN for none).
    """

    settings: Settings
    frame: Frame
    trees: Trees
    tree_lateral: Ints
    tree_order: Ints
    tree_line_z_m: Floats
    collections: tuple[CollectionPoint, ...]
    mainlines: tuple[Mainline, ...]
    grouping: Grouping
    flow: Flow
    crossings: tuple[Crossing, ...]
    sections: tuple[Section, ...]
    takeoff: Takeoff
    safety: dict[str, tuple[SafetyNote, ...]]  # by section
    findings: tuple[Finding, ...]
    not_checked: tuple[str, ...]
    lift_m: Floats  # per tree, as in Network
    worth_curve: tuple[tuple[float, int, float], ...] = ()
    stats: dict[str, float] = field(default_factory=dict)

    @property
    def laterals(self) -> tuple[Lateral, ...]:
        """All laterals."""
        return self.grouping.laterals
