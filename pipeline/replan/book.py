"""What is gathered while a repair is written down: its items, jobs and savings."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from pipeline.records import ChangeItem, Lateral
from pipeline.replan.case import Case
from pipeline.replan.outcome import Outcome
from pipeline.replan.runs import Run
from pipeline.replan.site import Bill
from pipeline.replan.zoning import Zones


@dataclass(frozen=True, slots=True, eq=False)
class Finished:
    """A repair with its names: laterals in their final order, and old index by new for those that stay."""

    outcome: Outcome
    laterals: tuple[Lateral, ...]
    old_index: dict[int, int]
    zones: Zones


@dataclass(slots=True, eq=False)
class Book:
    """Items, jobs and parts while they are being gathered."""

    case: Case
    done: Finished
    items: list[ChangeItem] = field(default_factory=list)
    jobs: list[Job] = field(default_factory=list)
    counts: dict[str, int] = field(default_factory=dict)
    saved: dict[str, Bill] = field(default_factory=dict)
    ends: dict[str, Bill] = field(default_factory=dict)  # what a new top of a line takes, by the mark of what goes

    def put(self, letter: str, item: ChangeItem) -> str:
        """Add an item under the next mark of a letter and return the mark."""
        self.counts[letter] = self.counts.get(letter, 0) + 1
        mark = f"{letter}{self.counts[letter]}"
        self.items.append(replace(item, mark=mark))
        return mark


@dataclass(slots=True, eq=False)
class Job:
    """A job before the order is known; ``run`` is the damaged stretch that it mends or waits for."""

    section_id: str
    layer: str
    subject_id: str
    option: str
    marks: tuple[str, ...]
    parts: Bill
    extra_h: float
    taps: int
    mends: Run | None
    waits: Run | None
