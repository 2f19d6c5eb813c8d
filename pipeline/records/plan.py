"""Records of what is built and printed: crossings, sections, parts, safety notes, the whole plan."""

from __future__ import annotations

from dataclasses import dataclass, field

from shapely.geometry.base import BaseGeometry

from pipeline.findings import Finding
from pipeline.frame import Frame
from pipeline.records.change import Change
from pipeline.records.given import CollectionPoint, Trees
from pipeline.records.kinds import Floats, Ints
from pipeline.records.lines import Flow, Grouping, Lateral, Mainline
from pipeline.settings import Settings


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
    revision: str = ""  # "" for the plan's own
    replaces: str = ""  # revision of the sheets these take the place of
    issued_in: str = ""  # revision of the earlier plan whose sheets still hold; "" when printed from this plan

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
    changes: tuple[Change, ...] = ()  # repairs since the plan was first made, oldest first
    prices: tuple[tuple[str, float], ...] = ()  # part code and price per unit, as planned with
    retired: tuple[str, ...] = ()  # IDs that no longer stand for anything and are never given again

    @property
    def laterals(self) -> tuple[Lateral, ...]:
        """All laterals."""
        return self.grouping.laterals
