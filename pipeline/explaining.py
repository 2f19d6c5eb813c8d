"""Says what a code means, and why a thing in a plan is as it is."""

from __future__ import annotations

import dataclasses
import difflib
import tomllib
from math import ceil
from pathlib import Path

from pipeline.errors import InputDataError, Problem, RequestError
from pipeline.publish import load
from pipeline.records import Lateral, Mainline, Pipe, Plan, Section, Support
from pipeline.resources import template_text
from pipeline.units import Units

# language -> (its file of codes, how what a code means is headed, and what to do about it)
_CODES = {"en": ("codes.toml", "means:", "do:"), "fr": ("codes.fr.toml", "sens :", "faire :")}
LANGUAGES = tuple(_CODES)
LISTED = 12  # tags named before "and N more"


def codes(language: str = "en") -> dict[str, dict[str, str]]:
    """Return the meaning of every finding and reason code, and what to do about it.

    Parameters
    ----------
    language : str
        One of `LANGUAGES`.

    Returns
    -------
    dict
        By code, in alphabetical order, the texts ``means`` and ``do``.
    """
    return tomllib.loads(template_text(_CODES[language][0]))


def explain_code(code: str, language: str = "en") -> list[str]:
    """Return lines that say what a code means and what to do about it.

    Raises
    ------
    RequestError
        When there is no such code; the message names the nearest ones.
    """
    known = codes(language)
    name = code.strip().upper()
    entry = known.get(name)
    if entry is None:
        near = difflib.get_close_matches(name, known, n=3, cutoff=0.5)
        wanted = "a code as the findings and the trees of a plan give it"
        remedy = f"Did you mean {' or '.join(near)}?" if near else "An ID of a plan needs --plan FOLDER."
        raise RequestError([Problem("", "explain", f"unknown code {code!r}", wanted, remedy)])
    _, means, do = _CODES[language]
    width = max(len(means), len(do))
    return [name, f"  {means:<{width}} {entry['means']}", f"  {do:<{width}} {entry['do']}"]


def explain_id(name: str, folder: Path, language: str = "") -> list[str]:
    """Return lines that say what a thing of a plan is, what set its size or height, and what was found about it.

    A code is explained too, with what the plan has of it.

    Parameters
    ----------
    name : str
        An ID of the plan, or a code.
    folder : Path
        The plan folder.
    language : str
        Language of the meaning of codes, the plan's own when empty.

    Raises
    ------
    InputDataError
        When the plan has no such ID.
    """
    plan = load(folder).plan
    if language:
        bush = dataclasses.replace(plan.settings.bush, language=language)  # type: ignore[arg-type]  # one of LANGUAGES
        plan = dataclasses.replace(plan, settings=dataclasses.replace(plan.settings, bush=bush))
    units = Units(plan.settings.bush.units)
    lines = _thing(name, plan, units)
    if not lines and name.strip().upper() in codes():
        return _code_in(name.strip().upper(), plan)
    if not lines:
        ids = _all_ids(plan)
        near = difflib.get_close_matches(name, ids, n=3, cutoff=0.4)
        raise InputDataError([Problem(str(folder), "explain", f"no ID {name!r}", "an ID of this plan",
                                      f"Did you mean {', '.join(near)}?" if near else "See the layers of plan.gpkg.")])
    found = [f for f in plan.findings if f.subject_id == name]
    lines += [f"  {f.severity}: {f.text} {f.remedy} ({f.code})" for f in found]
    return lines if found else [*lines, "  nothing was found about it by the judge or the stages"]


def _code_in(code: str, plan: Plan) -> list[str]:
    """Return what a code means, the trees that bear it as their reason and the findings of it or about those trees."""
    lines = explain_code(code, plan.settings.bush.language)
    tags = [tag for tag, reason in zip(plan.trees.tree_id, plan.trees.reason, strict=True) if reason == code]
    if tags:
        more = f" and {len(tags) - LISTED} more" if len(tags) > LISTED else ""
        lines.append(f"  {len(tags)} trees of this plan: {', '.join(tags[:LISTED])}{more}")
    found = [f for f in plan.findings if f.code in (code, f"POCKET_{code}") or f.subject_id == code]
    lines += [f"  {f.severity}: {f.text} {f.remedy} ({f.code})" for f in found]
    return lines if tags or found else [*lines, "  this plan has none of it"]


def _all_ids(plan: Plan) -> list[str]:
    ids = [s.section_id for s in plan.sections] + [m.mainline_id for m in plan.mainlines]
    ids += [x.lateral_id for x in plan.laterals] + [p.pipe_id for p in plan.flow.pipes]
    ids += [s.support_id for m in plan.mainlines for s in m.supports]
    return ids + list(plan.trees.tree_id)


def _thing(name: str, plan: Plan, units: Units) -> list[str]:
    """Return the lines about the thing that bears an ID; none when nothing does."""
    about: list[str] = []
    about += [t for line in plan.mainlines if line.mainline_id == name for t in _mainline(line, plan, units)]
    about += [
        t for line in plan.mainlines for i, support in enumerate(line.supports) if support.support_id == name
        for t in (*_support(support, units), *_span(line, i, plan, units))
    ]
    about += [t for pipe in plan.flow.pipes if pipe.pipe_id == name for t in _pipe(pipe, units)]
    about += [t for lateral in plan.laterals if lateral.lateral_id == name for t in _lateral(lateral, plan, units)]
    about += [t for section in plan.sections if section.section_id == name for t in _section(section, units)]
    return about or _tree(name, plan, units)


def _mainline(line: Mainline, plan: Plan, units: Units) -> list[str]:
    joins = f"joins {line.parent_id} at {units.station(line.join_station_m)}" if line.parent_id else (
        f"ends at collection point {line.collection_id}")
    pipes = [p for p in plan.flow.pipes if p.mainline_id == line.mainline_id]
    return [
        f"{line.mainline_id}: mainline, {units.length(line.plan_length_m)}, {joins}",
        *(f"  {text}" for pipe in pipes for text in _pipe(pipe, units)),
        *(f"  {text}" for support in line.supports for text in _support(support, units)),
    ]


def _support(support: Support, units: Units) -> list[str]:
    tree = f" {support.tree_id}" if support.tree_id else ""
    why = support.binding or "not recorded"
    return [f"{support.support_id}: {support.kind}{tree} at {units.station(support.station_m)}, line "
            f"{units.height(support.height_m)} above ground; height set by: {why}"]


def _span(line: Mainline, i: int, plan: Plan, units: Units) -> list[str]:
    """Return what hangs on the span above a support: its fall, and the side ties that keep its sag falling."""
    if i + 1 == len(line.supports):
        return []
    low, high = line.supports[i], line.supports[i + 1]
    span_m = high.station_m - low.station_m
    fall_pct = 100.0 * (high.line_z_m - low.line_z_m) / max(span_m, 1e-9)
    text = f"  span to {high.support_id}: {units.length(span_m)}, falls {fall_pct:.1f} %"
    over = [p for p in plan.flow.pipes if p.mainline_id == line.mainline_id
            and p.from_station_m < high.station_m - 0.01 and p.to_station_m > low.station_m + 0.01]
    for pipe in over:
        apart = pipe.sidetie_spacing_m
        ties = ceil(span_m / apart - 1e-9) - 1 if apart > 0.0 else 0
        between = f"{ties} side ties between, at most {units.length(apart, 1)} apart" if ties else "no side tie between"
        text += f"; {pipe.pipe_id}: {between}"
    return [text]


def _pipe(pipe: Pipe, units: Units) -> list[str]:
    return [
        f"{pipe.pipe_id}: {pipe.nominal} in ({pipe.role}), {units.station(pipe.from_station_m)} to "
        f"{units.station(pipe.to_station_m)}, {pipe.taps} taps, {units.flow(pipe.peak_flow_l_min)} at the peak, "
        f"{100 * pipe.area_ratio:.0f} % full, vacuum {units.vacuum(pipe.vacuum_kpa_high)} at its upper end; "
        f"size set by: {pipe.binding or 'not recorded'}"
    ]


def _lateral(lateral: Lateral, plan: Plan, units: Units) -> list[str]:
    trees = ", ".join(plan.trees.tree_id[i] for i in lateral.tree)
    return [f"{lateral.lateral_id}: lateral, enters {lateral.mainline_id} at {units.station(lateral.entry_station_m)}, "
            f"{units.length(lateral.length_m)}, {lateral.taps} taps on trees {trees}; least fall "
            f"{lateral.min_grade_pct:.1f} % ({lateral.grade_confidence})"]


def _section(section: Section, units: Units) -> list[str]:
    pieces = "; ".join(f"{m} {units.station(a)} to {units.station(b)}" for m, a, b in section.pieces)
    return [f"{section.section_id}: section, {pieces}; {section.taps} taps, {section.trees} trees, "
            f"{section.crew_hours:.1f} crew hours, check code {section.check_code}"]


def _tree(name: str, plan: Plan, units: Units) -> list[str]:
    if name not in plan.trees.tree_id:
        return []
    i = plan.trees.tree_id.index(name)
    trees = plan.trees
    dbh_cm = float(trees.dbh_cm[i])
    diameter = f"{units.diameter_value(dbh_cm)} {units.diameter_unit}" if dbh_cm > 0.0 else "diameter not known"
    lines = [f"{name}: tree, {trees.species[i] or 'species not known'}, {diameter}, "
             f"{trees.status[i].replace('_', ' ')}"]
    if plan.tree_lateral[i] >= 0:
        lines.append(f"  number {plan.tree_order[i]} on {plan.laterals[plan.tree_lateral[i]].lateral_id}")
    if trees.reason[i]:
        lines += [f"  {text}" for text in explain_code(trees.reason[i], plan.settings.bush.language)]
    if trees.note[i]:
        lines.append(f"  {trees.note[i]}")
    if plan.lift_m[i] > 0:
        lines.append(f"  stands {units.height(float(plan.lift_m[i]))} too low for gravity")
    return lines
