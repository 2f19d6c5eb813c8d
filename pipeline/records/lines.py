"""Records of what is laid out: routes, hung mainlines, laterals, pipes."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from pipeline.records.kinds import Floats, GradeConfidence, PipeRole, SupportKind

UPRIGHT_M = 1e-6  # a piece shorter than this in plan has no slope to speak of: its tree stands on the line


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
        """Least fall of any piece, in percent of plan length; straight up, as at a tree on the line, is 100 %."""
        run = np.hypot(*np.diff(self.xyz_m[:, :2], axis=0).T)
        rise = np.diff(self.xyz_m[:, 2])
        upright = (run < UPRIGHT_M) & (rise >= 0.0)
        return float(np.where(upright, 1.0, rise / np.maximum(run, 1e-9)).min() * 100.0)


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
