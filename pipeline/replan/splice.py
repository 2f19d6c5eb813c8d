"""Puts the decisions about damaged stretches into the mainlines: what goes, what comes, what moves its stations."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from pipeline.records import Floats, Mainline, OptionKind, Support
from pipeline.replan.detour import Way
from pipeline.replan.ids import Ids
from pipeline.replan.runs import Rehung, Run
from pipeline.replan.site import Site

_SAME_M = 1e-6


@dataclass(frozen=True, slots=True, eq=False)
class Decision:
    """What is done about one damaged stretch."""

    run: Run
    kind: OptionKind
    rehung: Rehung | None = None
    way: Way | None = None


@dataclass(frozen=True, slots=True)
class Segment:
    """A stretch of an old mainline that stays, and where it is now."""

    low_m: float
    high_m: float
    mainline_id: str
    shift_m: float


@dataclass(frozen=True, slots=True, eq=False)
class Stretch:
    """A stretch of mainline that goes or comes: vertices in station order."""

    mainline_id: str
    low_m: float
    high_m: float
    xyz_m: Floats
    run: Run


@dataclass(slots=True, eq=False)
class Lines:
    """The mainlines after the decisions.

    Parameters
    ----------
    mainlines : list of Mainline
        Parents before children.
    segments : dict
        By old mainline: what of it stays.
    gone, new : list of Stretch
        What goes (old IDs and stations), what comes (new ones).
    new_supports, retied : list of Support
        Supports that are new, and old ones that are tied again.
    capped : list of str
        Mainlines that now end lower.
    """

    mainlines: list[Mainline] = field(default_factory=list)
    segments: dict[str, list[Segment]] = field(default_factory=dict)
    gone: list[Stretch] = field(default_factory=list)
    new: list[Stretch] = field(default_factory=list)
    new_supports: list[Support] = field(default_factory=list)
    retied: list[Support] = field(default_factory=list)
    capped: list[str] = field(default_factory=list)
    moved: list[str] = field(default_factory=list)  # mainlines whose stations moved, or that are new

    def place(self, mainline_id: str, station_m: float) -> tuple[str, float] | None:
        """Return where a place on an old mainline is now, None when it is gone."""
        for s in self.segments.get(mainline_id, ()):
            if s.low_m - _SAME_M <= station_m <= s.high_m + _SAME_M:
                return s.mainline_id, station_m + s.shift_m
        return None


    def stretches(self, mainline_id: str, low_m: float, high_m: float) -> list[tuple[str, float, float]]:
        """Return where a stretch of an old mainline is now: mainline, from and to station.

        A stretch that was replaced keeps its share of what replaced it; what is gone is left out.
        """
        segments = self.segments.get(mainline_id, [])
        out = []
        for name in dict.fromkeys(s.mainline_id for s in segments):
            own = [s for s in segments if s.mainline_id == name]
            old = [v for s in own for v in (s.low_m, s.high_m)]
            new = [v + s.shift_m for s in own for v in (s.low_m, s.high_m)]
            low, high = max(low_m, old[0]), min(high_m, old[-1])
            if high - low > _SAME_M:
                a, b = (float(v) for v in np.interp([low, high], old, new))
                out.append((name, a, b))
        return out

    def lost(self, line: Mainline) -> list[tuple[float, float]]:
        """Return the stretches of an old mainline that are gone."""
        out = []
        at = line.supports[0].station_m
        for s in sorted(self.segments.get(line.mainline_id, []), key=lambda s: s.low_m):
            if s.low_m > at + _SAME_M:
                out.append((at, s.low_m))
            at = max(at, s.high_m)
        top = line.supports[-1].station_m
        return [*out, (at, top)] if top > at + _SAME_M else out


@dataclass(slots=True, eq=False)
class _Part:
    """A mainline being put together; ``join`` is on the old parent."""

    mainline_id: str
    parent_id: str
    collection_id: str
    join_m: float
    supports: list[Support]
    source: Mainline
    taken: bool = False

    @property
    def whole(self) -> bool:
        return len(self.supports) > 1


def splice(site: Site, decisions: Sequence[Decision], ids: Ids) -> Lines | str:
    """Return the mainlines after all decisions, or why they do not go together."""
    out = Lines()
    parts: list[_Part] = []
    by_line: dict[str, list[Decision]] = {}
    for decision in decisions:
        by_line.setdefault(decision.run.line.mainline_id, []).append(decision)
    for line in site.plan.mainlines:
        own = sorted(by_line.get(line.mainline_id, ()), key=lambda d: d.run.low)
        parts += _edit(line, own, ids, out)
    return _joined(parts, out)


def _edit(line: Mainline, decisions: list[Decision], ids: Ids, out: Lines) -> list[_Part]:
    """Return the parts that an old mainline becomes."""
    part = _Part(line.mainline_id, line.parent_id, line.collection_id, line.join_station_m, [], line)
    parts = [part]
    shift, start, i = 0.0, line.supports[0].station_m, 0
    segments = out.segments.setdefault(line.mainline_id, [])
    for decision in decisions:
        run = decision.run
        part.supports += [_at(s, part.mainline_id, shift) for s in line.supports[i:run.low + 1]]
        if decision.kind in ("rehang", "new_support"):
            _rehang(part, decision, shift, ids, out)
            i = run.high + 1
            continue
        segments.append(Segment(start, run.low_m, part.mainline_id, shift))
        top = run.high if decision.kind != "abandon" else len(line.supports) - 1
        out.gone.append(Stretch(line.mainline_id, run.low_m, line.supports[top].station_m,
                                line.xyz_m[run.low:top + 1], run))
        if decision.kind == "abandon":
            _cap(part, out)
            return parts
        way = decision.way
        if way is None:
            raise ValueError("a new way was chosen that nobody found")
        if decision.kind == "take":
            _cap(part, out)
            name = ids.next(f"{way.start.mainline_id}.", 1)
            part = _Part(name, way.start.mainline_id, line.collection_id, way.start.station_m, [], line, taken=True)
            parts.append(part)
            out.moved.append(name)
        shift = _new_stretch(part, decision, way, ids, out)
        start, i = run.high_m, run.high
    part.supports += [_at(s, part.mainline_id, shift) for s in line.supports[i:]]
    if part.taken:
        part.supports = [s if s.support_id.startswith(f"{part.mainline_id}-") else
                         replace(s, support_id=ids.next(f"{part.mainline_id}-S")) for s in part.supports]
    segments.append(Segment(start, line.supports[-1].station_m, part.mainline_id, shift))
    return parts


def _at(support: Support, mainline_id: str, shift_m: float) -> Support:
    """Return a support as it stands on a line, the very same one where nothing moved."""
    if shift_m == 0.0 and support.mainline_id == mainline_id:
        return support
    return replace(support, mainline_id=mainline_id, station_m=support.station_m + shift_m)


def _rehang(part: _Part, decision: Decision, shift_m: float, ids: Ids, out: Lines) -> None:
    """Put the supports of a stretch that is hung again where it was."""
    run, again = decision.run, decision.rehung
    if again is None:
        raise ValueError("a stretch is to be hung again, but nobody worked out how")
    part.supports += [_at(s, part.mainline_id, shift_m) for s in run.line.supports[run.low + 1:run.high + 1]]
    for k, new in sorted(again.supports.items()):
        at = len(part.supports) - 1 - (run.high - k)
        made = replace(_at(new, part.mainline_id, shift_m), support_id=ids.next(f"{part.mainline_id}-S"))
        part.supports[at] = made
        out.new_supports.append(made)
    out.retied += [part.supports[len(part.supports) - 1 - (run.high - k)] for k in again.retie]


def _new_stretch(part: _Part, decision: Decision, way: Way, ids: Ids, out: Lines) -> float:
    """Append a new stretch and return by how much the stations above it move."""
    run = decision.run
    if decision.kind == "take":
        x, y, z = (float(v) for v in way.xyz_m[0])
        foot = Support(
            support_id=ids.next(f"{part.mainline_id}-S"), mainline_id=part.mainline_id, station_m=0.0, x_m=x, y_m=y,
            kind="anchor", tree_id="", offset_m=0.0, ground_z_m=way.foot_ground_z_m, line_z_m=z, binding="parent",
        )
        part.supports.append(foot)
        base = 0.0
        out.new_supports.append(foot)
    else:
        base = part.supports[-1].station_m
        out.moved.append(part.mainline_id)
    for s in way.supports:
        made = replace(s, support_id=ids.next(f"{part.mainline_id}-S"), mainline_id=part.mainline_id,
                       station_m=base + s.station_m)
        part.supports.append(made)
        out.new_supports.append(made)
    out.new.append(Stretch(part.mainline_id, base, base + way.length_m, way.xyz_m, run))
    return base + way.length_m - run.high_m


def _cap(part: _Part, out: Lines) -> None:
    """End a line at its last support, which becomes an anchor."""
    if len(part.supports) > 1:
        top = part.supports[-1]
        part.supports[-1] = replace(top, kind="anchor")
        out.capped.append(part.mainline_id)


def _joined(parts: list[_Part], out: Lines) -> Lines | str:
    """Give every part its parent as it is now; lines whose parent is gone go too."""
    done: dict[str, Mainline] = {}
    waiting = [p for p in parts if p.whole]
    dropped = [p for p in parts if not p.whole]
    while True:
        later = []
        for p in waiting:
            place = ("", 0.0) if not p.parent_id else out.place(p.parent_id, p.join_m)
            if place is None:
                dropped.append(p)
            elif place[0] and place[0] not in done:
                later.append(p)
            else:
                parent = done.get(place[0])
                done[p.mainline_id] = _mainline(p, place, parent.collection_id if parent else p.collection_id)
        if len(later) == len(waiting):
            dropped += later
            break
        waiting = later
    if any(p.taken for p in dropped):
        return "the line it would drain to is given up"
    gone = {p.mainline_id for p in dropped}
    for p in dropped:
        out.segments[p.source.mainline_id] = [
            s for s in out.segments[p.source.mainline_id] if s.mainline_id != p.mainline_id
        ]
        out.capped = [name for name in out.capped if name != p.mainline_id]
    out.new_supports = [s for s in out.new_supports if s.mainline_id not in gone]
    out.retied = [s for s in out.retied if s.mainline_id not in gone]
    if any(s.mainline_id in gone for s in out.new):
        return "a new way would lead to a line that is given up"
    # the old order, new lines behind their parents
    order = {p.mainline_id: i for i, p in enumerate(parts)}
    out.mainlines = _parents_first(sorted(done.values(), key=lambda m: order[m.mainline_id]))
    return out


def _mainline(p: _Part, place: tuple[str, float], collection_id: str) -> Mainline:
    """Return the very same record where nothing changed."""
    source = p.source
    joined = (source.parent_id, source.join_station_m if place[0] else 0.0)
    same = (
        p.mainline_id == source.mainline_id and place == joined
        and collection_id == source.collection_id and len(p.supports) == len(source.supports)
        and all(a is b for a, b in zip(p.supports, source.supports, strict=True))
    )
    if same:
        return source
    return Mainline(p.mainline_id, place[0], collection_id, place[1], tuple(p.supports), source.pinned and not p.taken)


def _parents_first(lines: list[Mainline]) -> list[Mainline]:
    out: list[Mainline] = []
    known = {""}
    while lines:
        ready = [m for m in lines if m.parent_id in known]
        out += ready
        known |= {m.mainline_id for m in ready}
        lines = [m for m in lines if m.mainline_id not in known]
        if not ready:
            raise ValueError("mainlines join in a ring")
    return out
