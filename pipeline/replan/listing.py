"""The damaged pieces as records: every option with what it would cost by itself, and which was chosen."""

from __future__ import annotations

from pipeline.records import RepairOption, RepairPiece
from pipeline.replan.case import Case, Piece, decision_bill, lateral_corridor_m2, lateral_items
from pipeline.replan.outcome import Choice, mend_parts, new_parts
from pipeline.replan.regroup import regrouped
from pipeline.replan.site import Bill

Cost = tuple[float, float, int]  # money for parts, crew-hours, taps


def piece_records(case: Case, choice: Choice) -> tuple[RepairPiece, ...]:
    """Return the pieces as records; money is for parts alone, hours are all hands together."""
    out = []
    plan = case.site.plan
    for k, piece in enumerate(case.pieces):
        options = tuple(
            RepairOption(kind, why, *_cost(case, piece, i))
            for i, (kind, why) in enumerate(zip(piece.kinds, piece.why, strict=True))
        )
        if piece.run is not None:
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


def _cost(case: Case, piece: Piece, i: int) -> Cost:
    if piece.why[i]:
        return 0.0, 0.0, 0
    return _run_cost(case, piece, i) if piece.run is not None else _lateral_cost(case, piece, i)


def _run_cost(case: Case, piece: Piece, i: int) -> Cost:
    decision, run = piece.decisions[i], piece.run
    if decision is None or run is None:
        return 0.0, 0.0, 0
    parts, items, area, hours = decision_bill(case, decision)
    money, hung = case.site.bill(parts)
    taps = 0 if piece.kinds[i] == "abandon" else _taps_above(case, piece)
    return money, hung + hours + case.clearing_h(items) + case.area_h(area), taps


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
        hours += case.clearing_h(lateral_items(case, piece.lateral))
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
