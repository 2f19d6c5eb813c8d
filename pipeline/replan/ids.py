"""Gives new IDs that nothing has ever borne."""

from __future__ import annotations

import re
from collections.abc import Iterable

from pipeline.records import Plan

_COUNTED = re.compile(r"^(?P<stem>.*?)(?P<number>\d+)$")


def every_id(plan: Plan) -> tuple[str, ...]:
    """Return the IDs of all lines, supports, laterals, pipes, crossings and sections of a plan."""
    out = [m.mainline_id for m in plan.mainlines]
    out += [s.support_id for m in plan.mainlines for s in m.supports]
    out += [la.lateral_id for la in plan.laterals] + [p.pipe_id for p in plan.flow.pipes]
    return (*out, *(c.crossing_id for c in plan.crossings), *(s.section_id for s in plan.sections))


class Ids:
    """Counts upward from the highest number ever used behind each stem (``M1.``, ``M1-L``, ``X``)."""

    def __init__(self, used: Iterable[str]) -> None:
        self.highest: dict[str, int] = {}
        for name in used:
            match = _COUNTED.match(name)
            if match:
                stem, number = match["stem"], int(match["number"])
                self.highest[stem] = max(self.highest.get(stem, 0), number)

    @classmethod
    def of(cls, plan: Plan) -> Ids:
        """Return a counter that knows every ID a plan has and every one it has retired."""
        return cls((*every_id(plan), *plan.retired))

    def next(self, stem: str, digits: int = 2) -> str:
        """Return the next free ID behind a stem."""
        self.highest[stem] = self.highest.get(stem, 0) + 1
        return f"{stem}{self.highest[stem]:0{digits}d}"
