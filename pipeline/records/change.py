"""Records of a repair: what a storm left, what it did to the plan, what was chosen, what a crew does."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from shapely.geometry.base import BaseGeometry

StormKind = Literal[
    "tree_down", "hung", "top_broken", "root_plate", "line_broken", "line_pinned", "support_lost", "access_blocked",
    "stem", "blown_area", "retire",
]
STORM_KINDS: tuple[StormKind, ...] = (
    "tree_down", "hung", "top_broken", "root_plate", "line_broken", "line_pinned", "support_lost", "access_blocked",
    "stem", "blown_area", "retire",
)
DamageState = Literal["lost", "hit", "near", "clear"]
OptionKind = Literal["rehang", "new_support", "detour", "take", "mend", "extend", "regroup", "abandon"]
ChangeAction = Literal["remove", "mend", "new"]
StepAction = Literal["safe", "remove", "mend", "new", "check"]


@dataclass(frozen=True, slots=True, eq=False)
class StormItem:
    """One thing that a crew logged after a storm.

    ``shape`` lies in the plan's frame; ``layer`` and ``subject_id`` name what the row itself
    named (a tree, support, lateral or mainline), ``""`` where it gave a place only.
    """

    number: int
    kind: StormKind
    shape: BaseGeometry
    layer: str
    subject_id: str
    note: str
    where: str


@dataclass(frozen=True, slots=True, eq=False)
class Storm:
    """Everything logged after one storm; ``unchanged`` counts field points that carry no storm word."""

    source: str
    items: tuple[StormItem, ...]
    unchanged: int = 0


@dataclass(frozen=True, slots=True)
class Damage:
    """What became of one thing of the plan, and why: pairs of a code and the number of the logged item."""

    layer: str
    subject_id: str
    state: DamageState
    reasons: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True, slots=True)
class RepairOption:
    """One way to repair one damaged piece by itself; ``why`` says what makes it illegal, ``""`` when it is legal."""

    kind: OptionKind
    why: str
    money: float
    hours: float
    taps: int

    @property
    def legal(self) -> bool:
        """Whether the option may be chosen."""
        return not self.why


@dataclass(frozen=True, slots=True)
class RepairPiece:
    """A damaged piece, the ways to repair it, and the index of the one that was chosen."""

    piece_id: str
    layer: str
    subject_id: str
    low_m: float
    high_m: float
    state: DamageState
    options: tuple[RepairOption, ...]
    chosen: int


@dataclass(frozen=True, slots=True)
class ChangeItem:
    """One thing to remove, to keep or to build: a row of the layer ``changes``.

    ``xyz_m`` are vertices in station order; one vertex for a point.
    """

    mark: str
    action: ChangeAction
    layer: str
    subject_id: str
    section_id: str
    taps: int
    length_m: float
    trees: tuple[str, ...]
    at_m: float
    xyz_m: tuple[tuple[float, float, float], ...]
    note: str = ""  # key of the words that say more


@dataclass(frozen=True, slots=True)
class ChangeStep:
    """One step of a section's work; ``text`` keys the words, ``values`` fill them (data, not yet in units)."""

    number: int
    section_id: str
    action: StepAction
    marks: tuple[str, ...]
    text: str
    values: tuple[tuple[str, str], ...]
    hours: float
    taps: int


@dataclass(frozen=True, slots=True)
class ChangeJob:
    """One repair in the order of the work; ``after`` is the number of the job it waits for, 0 for none."""

    number: int
    section_id: str
    layer: str
    subject_id: str
    option: str
    marks: tuple[str, ...]
    hours: float
    taps: int
    after: int


@dataclass(frozen=True, slots=True)
class NetPart:
    """How many of a part a section needs, how many of these are used again, and how many come out whole."""

    section_id: str
    code: str
    unit: str
    needed: float
    reused: float
    saved: float


@dataclass(frozen=True, slots=True)
class SectionChange:
    """What became of one section that the repair touched."""

    section_id: str
    revision: str
    replaces: str
    taps_before: int
    taps_after: int
    mainline_out_m: float
    mainline_in_m: float
    lateral_out_m: float
    lateral_in_m: float
    retired: bool


@dataclass(frozen=True, slots=True, eq=False)
class Change:
    """One repair of a plan: everything its change sheets and the next repair need."""

    revision: str
    replaces: str
    date: str
    source: str
    method: str
    items: tuple[StormItem, ...]
    damages: tuple[Damage, ...]  # all that is not clear
    clear: tuple[tuple[str, int], ...]  # how many of each layer are clear
    pieces: tuple[RepairPiece, ...]
    changes: tuple[ChangeItem, ...]
    jobs: tuple[ChangeJob, ...]
    steps: tuple[ChangeStep, ...]
    parts: tuple[NetPart, ...]
    sections: tuple[SectionChange, ...]
    money: float
    hours: float
    tap_value: float
    taps_before: int
    taps_after: int
