"""The cautions that a storm puts on a section's sheets, beside those of its own data."""

from __future__ import annotations

import math

from pipeline.records import SafetyNote, Section, StormItem
from pipeline.replan.book import Finished
from pipeline.replan.case import Case
from pipeline.safety import in_print_order, load_safety

CROSSED_STEMS = 3  # B3; ours
BLOWN_SHARE = 0.10  # B3; ours
STANDING_KINDS = ("hung", "top_broken")


def storm_notes(
    case: Case, done: Finished, section: Section, found: tuple[SafetyNote, ...]
) -> tuple[SafetyNote, ...]:
    """Return a section's cautions with the storm's among them: A11, A13, A14, B1 to B9, D7.

    Notes
    -----
    Distances are two tree lengths and the GPS spread, as in the table of triggers.
    """
    if not case.broken:
        return found
    words = load_safety(case.site.plan.settings.bush.language).notes
    fired = _fired(case, done, section)
    out = [n for n in found if n.code not in fired]
    for code, values in fired.items():
        filled = _with_dead(code, values, found)
        out.append(SafetyNote(code, words[code].severity, words[code].sign_off, filled))
    return tuple(in_print_order(out))


def _with_dead(
    code: str, values: tuple[tuple[str, str], ...], found: tuple[SafetyNote, ...]
) -> tuple[tuple[str, str], ...]:
    """Keep the dead trees that the section's own data named beside the storm's."""
    if code != "A11":
        return values
    old = next((dict(n.values).get("trees", "") for n in found if n.code == "A11"), "")
    mine = dict(values)["trees"]
    return (("trees", ", ".join(t for t in (mine, old) if t)),)


def _fired(case: Case, done: Finished, section: Section) -> dict[str, tuple[tuple[str, str], ...]]:
    site = case.site
    near_m = 2.0 * site.plan.settings.sheets.tree_height_m + site.gps_m
    near = [i for i in site.storm.items if section.outline.distance(i.shape) <= near_m]
    kinds = {i.kind for i in near}
    standing = [i for i in near if i.kind in STANDING_KINDS]
    stems = [i for i in near if i.kind == "stem"]
    loaded = _loaded(case, section)
    out: dict[str, tuple[tuple[str, str], ...]] = {"B4": ()}
    rules = (
        ("A11", bool(standing)), ("A13", "hung" in kinds), ("A14", loaded or bool(stems)),
        ("B1", "blown_area" in kinds or "tree_down" in kinds), ("B2", "root_plate" in kinds),
        ("B3", _crossed(stems) or _blown_share(case, section) > BLOWN_SHARE), ("B5", loaded),
        ("B6", _power_near(case, near)), ("B8", "top_broken" in kinds), ("B9", "access_blocked" in kinds),
        ("D7", _old_wire(case, done, section)),
    )
    for code, true in rules:
        if true:
            out[code] = (("trees", _names(case, standing)),) if code == "A11" else ()
    return out


def _names(case: Case, items: list[StormItem]) -> str:
    trees = case.site.plan.trees.tree_id
    named = [trees[case.assessment.tree_of_item[i.number]] if i.number in case.assessment.tree_of_item else
             f"({i.number})" for i in items]
    return ", ".join(dict.fromkeys(named))


def _loaded(case: Case, section: Section) -> bool:
    """Whether a wire of the section, as it was, is pinned or has a stem on it."""
    was = next((s for s in case.site.plan.sections if s.section_id == section.section_id), section)
    for line in case.site.plan.mainlines:
        for name, a, b in was.pieces:
            if name != line.mainline_id:
                continue
            for i in range(len(line.supports) - 1):
                middle = (line.supports[i].station_m + line.supports[i + 1].station_m) / 2.0
                codes = {code for code, _ in case.assessment.spans[name, i].reasons}
                if a <= middle <= b and codes & {"STEM_ACROSS", "LINE_PINNED", "IN_BLOWN_AREA"}:
                    return True
    return False


def _crossed(stems: list[StormItem]) -> bool:
    """Whether three stems lie over one another or within a stem's length."""
    count = 0
    for i, one in enumerate(stems):
        if any(one.shape.intersects(other.shape) for k, other in enumerate(stems) if k != i):
            count += 1
    return count >= CROSSED_STEMS


def _blown_share(case: Case, section: Section) -> float:
    area = section.outline.area
    if area <= 0.0 or case.assessment.blown.is_empty:
        return 0.0
    return float(section.outline.intersection(case.assessment.blown).area / area)


def _power_near(case: Case, near: list[StormItem]) -> bool:
    reach = 2.0 * case.site.plan.settings.sheets.tree_height_m
    lines = [s for layer in case.site.ground.layers if layer.kind == "power_line" for s in layer.shapes]
    return any(line.distance(i.shape) <= reach for line in lines for i in near) if lines else False


def _old_wire(case: Case, done: Finished, section: Section) -> bool:
    """Whether old wire is cut or slacked in the section."""
    lines = done.outcome.lines
    was = next((s for s in case.site.plan.sections if s.section_id == section.section_id), section)
    for line in case.site.plan.mainlines:
        lost = lines.lost(line)
        low, high = min((p[1] for p in was.pieces if p[0] == line.mainline_id), default=math.inf), max(
            (p[2] for p in was.pieces if p[0] == line.mainline_id), default=-math.inf)
        if any(a < high and b > low for a, b in lost):
            return True
    runs = [p.run for p, k in zip(case.pieces, done.outcome.choice, strict=True)
            if p.run is not None and p.kinds[k] in ("rehang", "new_support")]
    return any(name == r.line.mainline_id and a < r.high_m and b > r.low_m for r in runs for name, a, b in was.pieces)
