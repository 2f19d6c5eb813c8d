"""The damaged pieces as records: every option with what it would cost by itself, and which was chosen."""

from __future__ import annotations

from dataclasses import replace

from pipeline.records import RepairOption, RepairPiece
from pipeline.replan.case import Case, Piece, decision_bill, lateral_corridor_m2, lateral_items
from pipeline.replan.extend import extend_parts, extended
from pipeline.replan.outcome import Choice, mend_parts, new_parts, pays
from pipeline.replan.regroup import regrouped
from pipeline.replan.site import Bill

Cost = tuple[float, float, int]  # money for parts, crew-hours, taps


def piece_records(case: Case, choice: Choice) -> tuple[RepairPiece, ...]:
    """Return the pieces as records; money is for parts alone, hours are all hands together."""
    out = []
    plan = case.site.plan
    for k, piece in enumerate(case.pieces):
        options = tuple(
            _checked(piece, RepairOption(kind, why, *_cost(case, piece, i)))
            for i, (kind, why) in enumerate(zip(piece.kinds, piece.why, strict=True))
        )
        if piece.fresh:
            names = [plan.trees.tree_id[t] for t in piece.fresh]
            called = f"{names[0]} + {len(names) - 1}" if len(names) > 1 else names[0]
            out.append(RepairPiece(f"D{k + 1}", "trees", called, 0.0, 0.0, "clear", options, choice[k]))
        elif piece.run is not None:
            run = piece.run
            out.append(RepairPiece(f"D{k + 1}", "mainlines", run.line.mainline_id, run.low_m, run.high_m, run.state,
                                   options, choice[k]))
        else:
            lateral = plan.laterals[piece.lateral]
            out.append(RepairPiece(
                f"D{k + 1}", "laterals", lateral.lateral_id, lateral.entry_station_m, lateral.entry_station_m,
                case.assessment.laterals[piece.lateral].state, options, choice[k],
            ))
    return tuple(out)


def _checked(piece: Piece, option: RepairOption) -> RepairOption:
    """Return an option, one that leads to none of the new trees with the reason."""
    if piece.fresh and option.legal and option.kind != "abandon" and not option.taps:
        return replace(option, why="no lateral to them is legal and pays")
    return option


def served_choice(case: Case, choice: Choice, served: frozenset[int]) -> Choice:
    """Return a choice in which new trees that no lateral serves, whatever was tried, count as left aside."""
    return tuple(
        piece.kinds.index("abandon") if piece.fresh and not served & set(piece.fresh) else k
        for piece, k in zip(case.pieces, choice, strict=True)
    )


def _cost(case: Case, piece: Piece, i: int) -> Cost:
    if piece.why[i]:
        return 0.0, 0.0, 0
    if piece.fresh:
        return _fresh_cost(case, piece, i)
    return _run_cost(case, piece, i) if piece.run is not None else _lateral_cost(case, piece, i)


def _run_cost(case: Case, piece: Piece, i: int) -> Cost:
    decision, run = piece.decisions[i], piece.run
    if decision is None or run is None:
        return 0.0, 0.0, 0
    parts, items, area, hours = decision_bill(case, decision)
    money, hung = case.site.bill(parts)
    taps = 0 if piece.kinds[i] == "abandon" else _taps_above(case, piece)
    return money, hung + hours + case.clearing_h(items) + case.area_h(area), taps


def _fresh_cost(case: Case, piece: Piece, i: int) -> Cost:
    """Return what leading new trees to lines takes, on the lines as they were."""
    site, parts = case.site, Bill()
    if piece.kinds[i] == "abandon":
        return 0.0, 0.0, 0
    kept = {k: la for k, la in enumerate(site.plan.laterals) if not case.assessment.laterals[k].bad}
    left, taps = set(piece.fresh), 0
    if piece.kinds[i] == "extend":
        longer = extended(site, case.assessment, lines=site.plan.mainlines, kept=tuple(kept.items()), trees=piece.fresh)
        for k, lateral in longer.items():
            extend_parts(site, parts, kept[k], lateral)
            left -= set(lateral.tree)
            taps += lateral.taps - kept[k].taps
        kept |= longer
    made = [la for la, _ in regrouped(site, case.assessment, lines=site.plan.mainlines, kept=tuple(kept.values()),
                                      trees=sorted(left)) if pays(site, la)]
    for new in made:
        new_parts(site, parts, new)
    money, hours = site.bill(parts)
    return money, hours, taps + sum(new.taps for new in made)


def _taps_above(case: Case, piece: Piece) -> int:
    """Return the sound taps that drain through a stretch."""
    plan, run = case.site.plan, piece.run
    if run is None:
        return 0
    from_m = {run.line.mainline_id: run.low_m}
    for line in plan.mainlines:  # parents come before children
        if line.parent_id in from_m and line.join_station_m > from_m[line.parent_id]:
            from_m[line.mainline_id] = -1.0
    return sum(
        int(plan.trees.taps[t]) for la in plan.laterals
        if la.mainline_id in from_m and la.entry_station_m > from_m[la.mainline_id]
        for t in la.tree if case.assessment.usable(t)
    )


def _lateral_cost(case: Case, piece: Piece, i: int) -> Cost:
    site = case.site
    lateral = site.plan.laterals[piece.lateral]
    parts: Bill = {}
    if piece.kinds[i] == "abandon" or piece.mended is None:
        return 0.0, 0.0, 0
    if piece.kinds[i] == "mend" and piece.mended.lateral is not None:
        mend_parts(parts, lateral, piece.mended.lateral)
        money, hours = site.bill(parts)
        hours += case.clearing_h(lateral_items(case, piece.lateral)) + site.clearing["restake"]
        hours += case.area_h(lateral_corridor_m2(case, piece.lateral))
        return money, hours, piece.mended.lateral.taps
    made = regrouped(
        site, case.assessment, lines=site.plan.mainlines,
        kept=[la for k, la in enumerate(site.plan.laterals) if k != piece.lateral and
              not case.assessment.laterals[k].bad],
        trees=[t for t in lateral.tree if case.assessment.usable(t)],
    )
    for new, _ in made:
        new_parts(site, parts, new)
    money, hours = site.bill(parts)
    return money, hours, sum(new.taps for new, _ in made)
