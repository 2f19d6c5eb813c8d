"""Sections after the repair: untouched ones stay as they were issued, touched ones get a raised revision."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import shapely

from pipeline.records import Lateral, Mainline, Plan, Section
from pipeline.replan.splice import Lines
from pipeline.sections import outline, piece_line, where_place, where_text

_SAME_M = 1e-6
Stretch = tuple[str, float, float]


def current_revision(plan: Plan) -> str:
    """Return the revision of a plan: that of its last repair, else the bush file's."""
    return plan.changes[-1].revision if plan.changes else plan.settings.bush.revision


def next_revision(plan: Plan) -> str:
    """Return the revision after a plan's: A to Z, then AA, AB, ...; a name that is no letter gets a counter.

    Examples
    --------
    >>> raised("A"), raised("Z"), raised("AZ"), raised("2"), raised("draft")
    ('B', 'AA', 'BA', '3', 'draft-2')
    """
    return raised(current_revision(plan))


def raised(revision: str) -> str:
    """Return the revision after one."""
    if revision.isdecimal():
        return str(int(revision) + 1)
    if revision.isascii() and revision.isalpha() and revision.isupper():
        digits = [ord(c) - 64 for c in revision]
        value = 0
        for d in digits:
            value = value * 26 + d
        value += 1
        out = ""
        while value:
            value, rest = divmod(value - 1, 26)
            out = chr(65 + rest) + out
        return out
    stem, dash, number = revision.rpartition("-")
    return f"{stem}-{int(number) + 1}" if dash and number.isdecimal() else f"{revision}-2"


@dataclass(frozen=True, slots=True, eq=False)
class Zones:
    """Sections after the repair, which of them were touched, and which are no more."""

    sections: tuple[Section, ...]
    touched: tuple[str, ...]
    retired: tuple[str, ...]


def rezone(
    plan: Plan, lines: Lines, laterals: Sequence[Lateral], old_index: dict[int, int], *, revision: str,
    also: frozenset[str],
) -> Zones:
    """Return the sections after a repair.

    Parameters
    ----------
    laterals : sequence of Lateral
        All laterals after the repair, in order.
    old_index : dict
        New index of a lateral -> old index, for those that stay.
    also : frozenset of str
        Sections known to be touched although their lines stay (stretches hung again, logged work).
    """
    by_id = {m.mainline_id: m for m in lines.mainlines}
    new_of_old = {old: new for new, old in old_index.items()}
    pieces = {s.section_id: _pieces(s, lines, by_id) for s in plan.sections}
    _claim_feet(pieces, by_id)
    home = {i: _home(la, pieces) for i, la in enumerate(laterals) if i not in old_index}
    out, touched, retired = [], [], []
    for section in plan.sections:
        own = pieces[section.section_id]
        if not own:
            retired.append(section.section_id)
            continue
        stay = [new_of_old[k] for k in section.lateral if k in new_of_old]
        mine = (*stay, *(i for i, name in home.items() if name == section.section_id))
        changed = (
            section.section_id in also or tuple(own) != section.pieces or len(stay) != len(section.lateral)
            or len(mine) != len(stay)
            or any(laterals[i] is not plan.laterals[old_index[i]] for i in stay)
        )
        if changed:
            touched.append(section.section_id)
            out.append(_touched(section, own, _in_order(mine, laterals, own), laterals, by_id, plan, revision))
        else:
            issued = section.issued_in or current_revision(plan)
            out.append(replace(section, lateral=mine, issued_in=issued))
    gone = set(retired)
    alive = tuple(
        replace(s, neighbours=_neighbours(s, lines, gone, by_id)) if s.section_id in touched else s for s in out
    )
    return Zones(alive, tuple(touched), tuple(retired))


def _pieces(section: Section, lines: Lines, by_id: dict[str, Mainline]) -> list[Stretch]:
    return [
        (name, a, b) for mainline_id, low, high in section.pieces
        for name, a, b in lines.stretches(mainline_id, low, high) if name in by_id
    ]


def _claim_feet(pieces: dict[str, list[Stretch]], by_id: dict[str, Mainline]) -> None:
    """Give a new stretch at the foot of a line to the section that has what comes above it."""
    for name, line in by_id.items():
        lowest: tuple[float, str, int] | None = None
        for section_id, own in pieces.items():
            for k, (mainline_id, a, _) in enumerate(own):
                if mainline_id == name and (lowest is None or a < lowest[0]):
                    lowest = a, section_id, k
        if lowest is not None and lowest[0] > line.supports[0].station_m + _SAME_M:
            _, section_id, k = lowest
            pieces[section_id][k] = (name, line.supports[0].station_m, pieces[section_id][k][2])


def _home(lateral: Lateral, pieces: dict[str, list[Stretch]]) -> str:
    """Return the section that holds an entry; where two meet, the upper one."""
    found = ""
    best = -np.inf
    for section_id, own in pieces.items():
        for name, a, b in own:
            here = name == lateral.mainline_id and a - _SAME_M <= lateral.entry_station_m <= b + _SAME_M
            if here and a > best:
                found, best = section_id, a
    return found


def _in_order(mine: Sequence[int], laterals: Sequence[Lateral], own: list[Stretch]) -> tuple[int, ...]:
    """Return laterals in the order of the pieces and their entries upward."""
    rank: dict[str, int] = {}
    for k, (name, _, _) in enumerate(own):
        rank.setdefault(name, k)
    return tuple(sorted(mine, key=lambda i: (rank.get(laterals[i].mainline_id, len(rank)),
                                             laterals[i].entry_station_m, i)))


def _touched(
    section: Section, own: list[Stretch], mine: tuple[int, ...], laterals: Sequence[Lateral],
    by_id: dict[str, Mainline], plan: Plan, revision: str,
) -> Section:
    tree = [t for i in mine for t in laterals[i].tree]
    points = np.column_stack((plan.trees.x_m[tree], plan.trees.y_m[tree])).reshape(-1, 2)
    lines = [piece_line(by_id[name], a, b) for name, a, b in own]
    lines += [shapely.LineString(laterals[i].xyz_m[:, :2]) for i in mine]
    return replace(
        section, pieces=tuple(own), lateral=mine, outline=outline(lines, points),
        taps=sum(laterals[i].taps for i in mine), trees=len(tree), revision=revision, issued_in="",
        replaces=section.revision or plan.settings.bush.revision, crew_hours=0.0, check_code="", sheets=0,
    )


def _neighbours(
    section: Section, lines: Lines, gone: set[str], by_id: dict[str, Mainline]
) -> tuple[tuple[str, str], ...]:
    """Return the neighbours that are left, meeting places as they are now."""
    out = set()
    for other, where in section.neighbours:
        if other in gone:
            continue
        owner, station = where_place(where)
        if owner not in lines.segments:  # a collection point
            out.add((other, where))
            continue
        place = lines.place(owner, station)
        if place is not None and place[0] in by_id:
            out.add((other, where_text(*place)))
    return tuple(sorted(out))
