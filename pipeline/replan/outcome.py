"""What one combination of decisions leads to, and what it costs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import shapely
from scipy.spatial import cKDTree
from shapely.geometry.base import BaseGeometry

from pipeline.records import Floats, Ints, Lateral, Mainline
from pipeline.replan.case import Case, Piece, clusters, decision_bill, lateral_corridor_m2, lateral_items
from pipeline.replan.extend import extend_parts, extended
from pipeline.replan.ids import Ids
from pipeline.replan.regroup import Closed, regrouped
from pipeline.replan.site import Bill, Site, add, merged
from pipeline.replan.splice import Decision, Lines, splice
from pipeline.takeoff.tally import tubing_m

Choice = tuple[int, ...]


@dataclass(frozen=True, slots=True, eq=False)
class Outcome:
    """A plan's lines after one combination of decisions.

    Parameters
    ----------
    cost : float
        Money for parts and labour, and the worth of the sound taps that are given up.
    kept : tuple of (lateral, ceiling)
        Old laterals that stay, mended ones included, on the mainlines as they are now.
    made : tuple of (lateral, ceiling)
        New ones, IDs not yet given.
    mended : frozenset of int
        Old indices of laterals that were mended.
    pooled : tuple of int
        Trees for which a new lateral was looked for.
    cleared : frozenset of int
        Logged things that must be cleared for this combination.
    extended : frozenset of int
        Old indices of laterals that go on to new trees.
    """

    choice: Choice
    cost: float
    money: float
    hours: float
    taps: int
    lines: Lines
    kept: tuple[tuple[int, Lateral], ...]
    made: tuple[tuple[Lateral, float], ...]
    mended: frozenset[int]
    pooled: tuple[int, ...]
    cleared: frozenset[int]
    needed: Bill
    reused: Bill
    extended: frozenset[int] = frozenset()


@dataclass(frozen=True, slots=True, eq=False)
class _Base:
    """A combination before any tree is led to another line: its cost so far is a lower bound."""

    choice: Choice
    lines: Lines
    kept: tuple[tuple[int, Lateral], ...]
    mended: frozenset[int]
    pooled: tuple[int, ...]
    cleared: frozenset[int]
    parts: Bill
    reusable: Bill
    other_h: float
    taps: int
    bound: float
    extended: frozenset[int]


class Evaluator:
    """Works out combinations, remembering mainlines and regrouped laterals that come up again."""

    def __init__(self, case: Case) -> None:
        self.case = case
        self.site: Site = case.site
        self.value = self.site.tap_value()
        self.runs = sum(1 for p in case.pieces if p.run is not None)
        trees = self.site.plan.trees
        self.sound = int(sum(
            int(trees.taps[t]) for la in self.site.plan.laterals for t in la.tree if case.assessment.usable(t)
        ))
        self.sound += int(sum(int(trees.taps[t]) for p in case.pieces for t in p.fresh))
        self._least = np.full(len(trees), np.nan)
        self._lines: dict[Choice, Lines | str] = {}
        self._groups: dict[tuple[object, ...], tuple[tuple[Lateral, float], ...]] = {}
        self._closed: Closed = {}
        self._of_lateral = {p.lateral: k for k, p in enumerate(case.pieces) if p.lateral >= 0}
        self._box = np.array([
            [*la.xyz_m[:, :2].min(axis=0), *la.xyz_m[:, :2].max(axis=0)] for la in self.site.plan.laterals
        ]).reshape(-1, 4)

    def _least_cost(self, trees: Sequence[int]) -> float:
        """Return the least that leading trees to another lateral can cost, or giving them up, tree by tree.

        A tree's own piece of tubing is no shorter than the way to the nearest tree or mainline (ways
        that may come included), and a lateral's entry and end are shared by at most ``max_taps``.
        """
        new = np.array([t for t in dict.fromkeys(trees) if np.isnan(self._least[t])], dtype=np.int64)
        if len(new):
            self._least[new] = self._least_costs(new)
        return float(self._least[list(trees)].sum()) if trees else 0.0

    def _least_costs(self, trees: Ints) -> Floats:
        site, all_trees = self.site, self.site.plan.trees
        xy = np.column_stack([all_trees.x_m, all_trees.y_m])
        lines, known = self._lines_and_trees
        near = shapely.distance(shapely.points(xy[trees]), lines)
        if known.n > 1:
            near = np.minimum(near, known.query(xy[trees], k=2)[0][:, 1])
        labour = site.labour / 60.0
        metre = site.price_of("TUBING") + site.minutes.get("TUBING", 0.0) * labour
        ends = sum(site.price_of(c) + site.minutes.get(c, 0.0) * labour for c in ("ENTRY", "END RING"))
        taps = all_trees.taps[trees].astype(np.float64)
        share = ends * taps / site.plan.settings.laterals.max_taps
        return np.asarray(np.minimum(self.value * taps, near * metre + share), dtype=np.float64)

    @cached_property
    def _lines_and_trees(self) -> tuple[BaseGeometry, cKDTree]:
        """All mainlines with the ways that may come, and all trees that a lateral may lead to."""
        plan = self.site.plan
        ways = [d.way for p in self.case.pieces for d in p.decisions if d is not None and d.way is not None]
        lines = shapely.multilinestrings([
            *(shapely.linestrings(m.xyz_m[:, :2]) for m in plan.mainlines),
            *(shapely.linestrings(w.xyz_m[:, :2]) for w in ways),
        ])
        some = sorted({*(t for la in plan.laterals for t in la.tree), *self.site.fresh})
        return lines, cKDTree(np.column_stack([plan.trees.x_m[some], plan.trees.y_m[some]]))

    # ---- before regrouping
    def base(self, choice: Choice) -> _Base | str:
        """Return a combination without its regrouped laterals, or why it is not legal."""
        lines = self.lines(choice[: self.runs])
        if isinstance(lines, str):
            return lines
        case, site = self.case, self.site
        made = [p.decisions[k] for p, k in zip(case.pieces[: self.runs], choice, strict=False)]
        if any(d is not None and d.kind != "abandon" and not _stands(d, lines) for d in made):
            return "a stretch cannot be repaired on a line that is given up"
        parts, items, area, hours = self._decided(made, lines)
        kept: list[tuple[int, Lateral]] = []
        mended: set[int] = set()
        pooled: list[int] = []
        reusable: Bill = {}
        for k, lateral in enumerate(site.plan.laterals):
            place = lines.place(lateral.mainline_id, lateral.entry_station_m)
            piece = case.pieces[self._of_lateral[k]] if k in self._of_lateral else None
            kind = piece.kinds[choice[self._of_lateral[k]]] if piece else "keep"
            if kind == "mend" and place is None:
                return "a lateral cannot be mended on a line that is given up"
            if place is not None and kind in ("keep", "mend"):
                stays = _stays(lateral, piece, place)
                kept.append((k, stays))
                if kind == "mend":
                    mended.add(k)
                    items |= lateral_items(case, k)
                    area += lateral_corridor_m2(case, k)
                    mend_parts(parts, lateral, stays)
                    hours += site.clearing["restake"]
            else:
                sound = [t for t in lateral.tree if case.assessment.usable(t)]
                take_back(site, reusable, sound)
                if kind in ("keep", "regroup"):
                    pooled += sound
        longer = self._extend(choice, lines, kept, parts, pooled, frozenset(mended))
        taps = sum(la.taps for _, la in kept)
        money, hung_h = site.bill(parts)
        all_h = hung_h + hours + case.clearing_h(items) + case.area_h(area)
        could = taps + int(site.plan.trees.taps[pooled].sum()) if pooled else taps
        bound = money + all_h * site.labour + self.value * (self.sound - could) + self._least_cost(pooled)
        return _Base(choice, lines, tuple(kept), frozenset(mended), tuple(sorted(pooled)), items, parts, reusable,
                     hours + case.area_h(area), taps, bound, longer)

    def _extend(
        self, choice: Choice, lines: Lines, kept: list[tuple[int, Lateral]], parts: Bill, pooled: list[int],
        mended: frozenset[int],
    ) -> frozenset[int]:
        """Lead new trees to laterals that go on; the others wait for a lateral of their own."""
        out: set[int] = set()
        for piece, k in zip(self.case.pieces, choice, strict=True):
            if not piece.fresh or piece.kinds[k] == "abandon":
                continue
            left = set(piece.fresh)
            if piece.kinds[k] == "extend":
                longer = extended(self.site, self.case.assessment, lines=lines.mainlines, kept=kept, trees=piece.fresh,
                                  closed=mended)
                for i, (old, lateral) in enumerate(kept):
                    if old in longer:
                        extend_parts(self.site, parts, lateral, longer[old])
                        kept[i] = (old, longer[old])
                        left -= set(longer[old].tree)
                out |= set(longer)
            pooled += sorted(left)
        return frozenset(out)

    def lines(self, choice: Choice) -> Lines | str:
        """Return the mainlines of a combination of decisions about stretches."""
        if choice not in self._lines:
            decided = [p.decisions[k] for p, k in zip(self.case.pieces, choice, strict=False)]
            if any(d is None for d in decided):
                self._lines[choice] = "an option that is not legal"
            else:
                self._lines[choice] = splice(self.site, [d for d in decided if d is not None], Ids.of(self.site.plan))
        return self._lines[choice]

    def _decided(
        self, made: Sequence[Decision | None], lines: Lines
    ) -> tuple[Bill, frozenset[int], float, float]:
        """Return parts, things to clear, blown ground to clear and other hours of the stretches."""
        parts: list[Bill] = []
        items: frozenset[int] = frozenset()
        area = hours = 0.0
        for decision in made:
            if decision is not None and _stands(decision, lines):
                own, logged, blown, more = decision_bill(self.case, decision)
                parts.append(own)
                items, area, hours = items | logged, area + blown, hours + more
        return merged(*parts), items, area, hours

    # ---- with regrouping
    def finish(self, base: _Base) -> Outcome:
        """Return the outcome of a combination: trees that lost their line are led to another where one pays."""
        site = self.site
        made = self._regroup(base)
        parts = merged(base.parts)
        for lateral, _ in made:
            new_parts(site, parts, lateral)
        reused = {c: min(q, base.reusable.get(c, 0.0)) for c, q in parts.items() if base.reusable.get(c, 0.0) > 0.0}
        bought = {c: q - reused.get(c, 0.0) for c, q in parts.items()}
        money = site.bill(bought)[0]
        hours = site.bill(parts)[1] + base.other_h + self.case.clearing_h(base.cleared)
        taps = base.taps + sum(la.taps for la, _ in made)
        cost = money + hours * site.labour + self.value * (self.sound - taps)
        return Outcome(base.choice, cost, money, hours, taps, base.lines, base.kept, made, base.mended, base.pooled,
                       base.cleared, parts, reused, base.extended)

    def evaluate(self, choice: Choice) -> Outcome | str:
        """Return the outcome of a combination, or why it is not legal."""
        base = self.base(choice)
        return base if isinstance(base, str) else self.finish(base)

    def _regroup(self, base: _Base) -> tuple[tuple[Lateral, float], ...]:
        """Regroup cluster by cluster: groups of trees too far apart to matter to each other."""
        out: list[tuple[Lateral, float]] = []
        kept_box = self._box[[k for k, _ in base.kept]] if base.kept else np.zeros((0, 4))
        for trees in self._clusters(base.pooled):
            x, y = self.site.plan.trees.x_m[list(trees)], self.site.plan.trees.y_m[list(trees)]
            rules = self.site.plan.settings.laterals
            grow = rules.reach_m + rules.max_length_m + 6.0
            low, high = np.array([x.min(), y.min()]) - grow, np.array([x.max(), y.max()]) + grow
            near = (kept_box[:, :2] <= high).all(axis=1) & (kept_box[:, 2:] >= low).all(axis=1)
            kept = [base.kept[i][1] for i in np.flatnonzero(near)]
            lines = [m for m in base.lines.mainlines if _meets(m, low, high)]
            key = (
                trees, tuple((m.mainline_id, m.parent_id, m.join_station_m, len(m.supports), m.plan_length_m)
                             for m in lines),
                tuple((la.lateral_id, la.mainline_id, la.entry_station_m, len(la.tree)) for la in kept),
            )
            if key not in self._groups:
                self._groups[key] = self._paying(regrouped(
                    self.site, self.case.assessment, lines=lines, kept=kept, trees=trees,
                    closed=self._closed))
            out += self._groups[key]
        return tuple(out)

    def _paying(self, made: tuple[tuple[Lateral, float], ...]) -> tuple[tuple[Lateral, float], ...]:
        """Return the new laterals that cost no more than their taps are worth."""
        return tuple(pair for pair in made if pays(self.site, pair[0]))

    def _clusters(self, trees: Sequence[int]) -> list[tuple[int, ...]]:
        return clusters(self.site, trees)


def _meets(line: Mainline, low: np.ndarray, high: np.ndarray) -> bool:
    xy = line.xyz_m[:, :2]
    return bool((xy.min(axis=0) <= high).all() and (xy.max(axis=0) >= low).all())


def _stands(decision: Decision, lines: Lines) -> bool:
    """Whether what a stretch hangs on is still there; it goes with what is given up below it."""
    run = decision.run
    return lines.place(run.line.mainline_id, run.high_m if decision.kind == "take" else run.low_m) is not None


def _stays(lateral: Lateral, piece: Piece | None, place: tuple[str, float]) -> Lateral:
    """Return a lateral that stays, the very same record where nothing changed."""
    made = piece.mended.lateral if piece and piece.mended else None
    now = lateral if made is None else made
    if place == (now.mainline_id, now.entry_station_m):
        return now
    return replace(now, mainline_id=place[0], entry_station_m=place[1])


def mend_parts(parts: Bill, old: Lateral, new: Lateral) -> None:
    """Add what mending takes: a new end ring where the last tree is lost, tubing for pieces that skip one."""
    if new.tree[-1] != old.tree[-1]:
        add(parts, "END RING", 1.0)
    was = set(zip((-1, *old.tree), old.tree, strict=False))
    for k, pair in enumerate(zip((-1, *new.tree), new.tree, strict=False)):
        if pair not in was:
            add(parts, "TUBING", float(np.linalg.norm(new.xyz_m[k + 1] - new.xyz_m[k])))


def new_parts(site: Site, parts: Bill, lateral: Lateral) -> None:
    """Add the parts of a new lateral, as the take-off counts them."""
    size = next((p.nominal for p in site.plan.flow.pipes if p.mainline_id == lateral.mainline_id and p.role != "dry"
                 and p.from_station_m - 1e-6 <= lateral.entry_station_m <= p.to_station_m + 1e-6), "")
    add(parts, f"ENTRY {size}".strip(), 1.0)
    add(parts, "TUBING", tubing_m(lateral, site.plan.trees))
    add(parts, "TEE", lateral.taps - 1.0)
    add(parts, "END RING", 1.0)
    add(parts, "DROP TUBING", lateral.taps * site.plan.settings.laterals.drop_length_m)
    add(parts, "SPOUT", float(lateral.taps))


def pays(site: Site, lateral: Lateral) -> bool:
    """Whether a new lateral costs no more than its taps are worth."""
    parts: Bill = {}
    new_parts(site, parts, lateral)
    money, hours = site.bill(parts)
    return money + hours * site.labour <= site.tap_value() * lateral.taps


def take_back(site: Site, reusable: Bill, sound: Sequence[int]) -> None:
    """Add what can be used again of a lateral that goes: drops, tees and spouts of its sound trees."""
    taps = float(site.plan.trees.taps[list(sound)].sum()) if sound else 0.0
    add(reusable, "SPOUT", taps)
    add(reusable, "TEE", taps)
    add(reusable, "DROP TUBING", taps * site.plan.settings.laterals.drop_length_m)
