"""What a repair has to say of itself, as findings."""

from __future__ import annotations

from collections import Counter

from pipeline.findings import Finding
from pipeline.records import Change, Trees
from pipeline.replan.case import Case


def own_findings(case: Case, trees: Trees, change: Change) -> list[Finding]:
    """Return what a repair has to say of itself; `trees` are those after it."""
    found = []
    found.append(Finding(
        "REPLANNED", "note", "plan", "", float(change.taps_after), float(change.taps_before), "taps",
        f"Revision {change.revision} works in what {change.source} logged: {change.taps_before} taps before, "
        f"{change.taps_after} after, {len(change.sections)} sections touched.",
        "Print the change sheets; take the sheets they replace out of use.",
    ))
    found += _added(case, trees)
    near = [d for d in change.damages if d.state == "near"]
    if near:
        found.append(Finding(
            "STORM_NEAR", "check", "changes", "", float(len(near)), None, "",
            f"{len(near)} things of the plan lie near something that the storm left, and were taken for sound.",
            "Look at each on the spot before the line is put to use.",
        ))
    abandoned = sum(1 for r, was in zip(_reasons_after(case, change), case.site.plan.trees.status, strict=True)
                    if r and was == "served")
    if abandoned:
        found.append(Finding(
            "STORM_ABANDONED", "check", "trees", "", float(abandoned), None, "trees",
            f"{abandoned} sound trees are no longer served: every way to them costs more than their taps are worth, "
            "or is not legal.", "Raise mainlines.tap_worth if their taps are worth more to you.",
        ))
    return found


def _added(case: Case, trees: Trees) -> list[Finding]:
    """Return what became of new trees."""
    first = case.site.known
    count = Counter(trees.status[first:])
    if not count:
        return []
    reasons = Counter(r for r in trees.reason[first:] if r)
    why = ", ".join(f"{n} {reason}" for reason, n in sorted(reasons.items()))
    return [Finding(
        "TREES_ADDED", "note", "trees", "", float(count["served"]), float(len(trees) - first), "trees",
        f"{len(trees) - first} new trees: {count['served']} on a line now, {count['set_aside']} set aside, "
        f"{count['not_tapped']} not tapped{f' ({why})' if why else ''}.",
        "Add them to the tree file of the bush file too, so that the next whole plan knows them.",
    )]


def _reasons_after(case: Case, change: Change) -> list[bool]:
    """Return for each tree whether it is sound and in no item of the repair that serves it."""
    served = {name for i in change.changes if i.action in ("new", "mend") and i.layer == "laterals" for name in i.trees}
    gone = {name for i in change.changes if i.action == "remove" and i.layer == "laterals" for name in i.trees}
    return [
        tag in gone and tag not in served and not mark.bad
        for tag, mark in zip(case.site.plan.trees.tree_id, case.assessment.trees, strict=True)
    ]
