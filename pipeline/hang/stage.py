"""The stage: from routes to hung lines, in two goes around the laterals."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from pipeline.findings import Finding
from pipeline.hang.problem import SAME_PLACE_M, Problem, build, part
from pipeline.hang.relief import fits, least_relief_m, relief_m
from pipeline.hang.report import bindings, breaches, worst_stations
from pipeline.hang.solve import Goal, build_goal, lowest_goal, solve
from pipeline.hang.supports import (
    LEAST_SPAN_M,
    Choice,
    Path,
    Stand,
    Start,
    Stems,
    bends_only,
    choose_stands,
    path_of,
    stems_of,
    tree_at,
)
from pipeline.hang.window import blocked
from pipeline.records import CollectionPoint, Floats, Ground, Mainline, Network, Route, Support, Trees
from pipeline.settings import MainlineSettings, Settings
from pipeline.terrain.grid import Terrain
from pipeline.units import Units
from pipeline.wire import chord_rules

RETRIES = 3
WORTH_A_SUPPORT_M = 0.01  # a support that cannot put things right must mend at least this much


def hang_low(
    *,
    network: Network,
    terrain: Terrain,
    ground: Ground,
    trees: Trees,
    collections: Sequence[CollectionPoint],
    settings: Settings,
) -> tuple[tuple[Mainline, ...], tuple[Finding, ...]]:
    """Choose the supports of every route and hang it as low as it may hang.

    Parameters
    ----------
    network : Network
        Routes, parents before children.
    terrain, ground, trees, collections, settings
        What the lines hang over, on and from.

    Returns
    -------
    tuple of Mainline
        In the order of the routes; the sum of all elevations is the least that is legal.
    tuple of Finding
        ``HANG_INFEASIBLE`` where no straight wire keeps the rules, ``HANG_NO_GROUND``, ``HANG_GAP``,
        ``HANG_BLOCKED``.

    Raises
    ------
    ValueError
        When a route names a parent or a collection point that does not exist before it.
    """
    rules, units = chord_rules(settings), Units(settings.bush.units)
    stems = stems_of(trees, terrain, ground)
    lines, paths, said_first = _held(network, terrain, ground, collections, stems, rules, units)
    findings = list(said_first)
    done: dict[str, Mainline] = {}
    for tree in _forest(lines):
        hung, said = _hang_tree(
            tree, paths, terrain=terrain, ground=ground, collections=collections, stems=stems, rules=rules,
            units=units,
        )
        done.update((m.mainline_id, m) for m in hung)
        findings.extend(said)
    out = tuple(done[r.mainline_id] for r in network.routes)
    findings.extend(_gap_findings(out, rules, units))
    return out, tuple(findings)


def _held(
    network: Network,
    terrain: Terrain,
    ground: Ground,
    collections: Sequence[CollectionPoint],
    stems: Stems,
    rules: MainlineSettings,
    units: Units,
) -> tuple[tuple[Mainline, ...], dict[str, Path], tuple[Finding, ...]]:
    """Return the routes with their supports, heights still unknown, and the plan path of each."""
    lines: dict[str, Mainline] = {}
    paths: dict[str, Path] = {}
    choices: dict[str, Choice] = {}
    joins: dict[str, list[float]] = {}
    findings: list[Finding] = []
    for route in network.routes:
        joins.setdefault(route.parent_id, []).append(route.join_station_m)
    for route in network.routes:
        path = path_of(route.xy_m if route.pinned else bends_only(route.xy_m))
        paths[route.mainline_id] = path
        if route.pinned:
            lines[route.mainline_id] = _pinned(route, path, stems, terrain, rules)
            continue
        choice = choose_stands(
            path=path, start=_start(route, lines, choices, collections), joins_m=joins.get(route.mainline_id, ()),
            terrain=terrain, ground=ground, stems=stems, rules=rules,
        )
        choices[route.mainline_id] = choice
        lines[route.mainline_id] = _unhung(route, path, choice.stands, terrain)
        findings.extend(_blocked_findings(route, choice, units))
    return tuple(lines.values()), paths, tuple(findings)


def hang_final(
    *,
    mainlines: tuple[Mainline, ...],
    ceilings: tuple[tuple[str, float, float], ...],
    terrain: Terrain,
    ground: Ground,
    collections: Sequence[CollectionPoint],
    settings: Settings,
) -> tuple[tuple[Mainline, ...], tuple[Finding, ...]]:
    """Hang the lines on the same supports as they are to be built.

    Near the aimed height, of even grade, off the ladder where the ground lets them, and below every
    lateral's ceiling.

    Parameters
    ----------
    mainlines : tuple of Mainline
        As from :func:`hang_low`, parents before children.
    ceilings : tuple of (mainline_id, station in m, elevation in m)
        Highest wire that the lateral entering there can take.
    terrain, ground, collections, settings
        As in :func:`hang_low`.

    Returns
    -------
    tuple of Mainline
        In the same order.
    tuple of Finding
        ``HANG_INFEASIBLE`` for every place where a rule cannot be kept, ``HANG_NO_GROUND``,
        ``HANG_GAP``.
    """
    rules, units = chord_rules(settings), Units(settings.bush.units)
    done: dict[str, Mainline] = {}
    findings: list[Finding] = []
    for tree in _forest(mainlines):
        problem = build(
            mainlines=tree, ceilings=ceilings, terrain=terrain, ground=ground, collections=collections, rules=rules
        )
        z = _heights(problem, lambda p: build_goal(p, rules), rules)
        done.update((m.mainline_id, m) for m in _with_heights(problem, z, rules))
        findings.extend(breaches(problem, z, units))
    out = tuple(done[m.mainline_id] for m in mainlines)
    findings.extend(_gap_findings(out, rules, units))
    return out, tuple(findings)


def _heights(
    problem: Problem, goal: Callable[[Problem], Goal], rules: MainlineSettings,
    alone_m: Mapping[int, Floats] | None = None,
) -> Floats:
    """Return elevations; where not everything fits, of the wire that breaks the rules least."""
    relief = np.zeros(len(problem.rows))
    z = solve(problem, goal(problem), rules.min_grade_pct, relief)
    if z is None:
        relief = relief_m(problem, rules.min_grade_pct, alone_m)
        z = solve(problem, goal(problem), rules.min_grade_pct, relief)
    if z is None:
        raise RuntimeError("heights do not fit although every rule was let go as far as needed")
    return z


def _hang_tree(
    tree: tuple[Mainline, ...],
    paths: dict[str, Path],
    *,
    terrain: Terrain,
    ground: Ground,
    collections: Sequence[CollectionPoint],
    stems: Stems,
    rules: MainlineSettings,
    units: Units,
) -> tuple[tuple[Mainline, ...], tuple[Finding, ...]]:
    """Hang one tree of lines low, adding supports to lines that cannot be straight between theirs."""

    def problem_of(lines: Sequence[Mainline]) -> Problem:
        return build(
            mainlines=lines, ceilings=(), terrain=terrain, ground=ground, collections=collections, rules=rules
        )

    problem = problem_of(tree)
    grade = rules.min_grade_pct
    z = solve(problem, lowest_goal(problem), grade, np.zeros(len(problem.rows)))
    if z is None:
        mended = list(tree)
        relief: dict[int, Floats] = {}
        for k in range(len(tree)):
            alone = part(problem, [k])
            if fits(alone, grade):
                relief[k] = np.zeros(len(alone.rows))
            else:
                mended[k], relief[k] = _mend(tree[k], alone, paths, problem_of, terrain, ground, stems, rules)
        if tuple(mended) != tree:
            tree = tuple(mended)
            problem = problem_of(tree)
        z = _heights(problem, lowest_goal, rules, relief)
    return _with_heights(problem, z, rules), breaches(problem, z, units)


def _mend(
    line: Mainline,
    problem: Problem,
    paths: dict[str, Path],
    problem_of: Callable[[Sequence[Mainline]], Problem],
    terrain: Terrain,
    ground: Ground,
    stems: Stems,
    rules: MainlineSettings,
) -> tuple[Mainline, Floats]:
    """Return the line with supports where it is worst, as long as that helps, and the relief it still needs alone."""
    relief = least_relief_m(problem, rules.min_grade_pct)
    for _ in range(RETRIES):
        wider = _more_supports((line,), paths, worst_stations(problem, relief), terrain, ground, stems, rules)[0]
        if wider == line:
            break
        trial = part(problem_of((wider,)), [0])
        trial_relief = least_relief_m(trial, rules.min_grade_pct)
        if float(trial_relief.max(initial=0.0)) > float(relief.max(initial=0.0)) - WORTH_A_SUPPORT_M:
            break
        line, problem, relief = wider, trial, trial_relief
        if not relief.any():
            break
    return line, relief


def _more_supports(
    tree: tuple[Mainline, ...],
    paths: dict[str, Path],
    places: Sequence[tuple[str, float]],
    terrain: Terrain,
    ground: Ground,
    stems: Stems,
    rules: MainlineSettings,
) -> tuple[Mainline, ...]:
    """Return the tree with a support at each of the places where one can stand."""
    added: dict[str, list[Stand]] = {}
    for mainline_id, s in places:
        path = paths[mainline_id]
        x, y = (float(v) for v in path.at(s))
        if bool(blocked(terrain, ground, x, y)):
            continue
        tree_id, offset = tree_at(path, s, stems, rules.support_reach_m)
        stand = Stand(s, "tree" if tree_id else "post", tree_id, offset)
        added.setdefault(mainline_id, []).append(stand)
    out = []
    for line in tree:
        own = line.station_m
        fresh = [
            s for s in added.get(line.mainline_id, ()) if np.abs(own - s.station_m).min() >= LEAST_SPAN_M / 2.0
        ]
        if not fresh:
            out.append(line)
            continue
        more = _supports(line.mainline_id, paths[line.mainline_id], fresh, terrain)
        supports = sorted([*line.supports, *more], key=lambda s: s.station_m)
        out.append(replace(line, supports=_numbered(line.mainline_id, supports)))
    return tuple(out)


def _start(
    route: Route, lines: dict[str, Mainline], choices: dict[str, Choice], collections: Sequence[CollectionPoint]
) -> Start:
    """Return what the lower end of a route must meet."""
    if not route.parent_id:
        for c in collections:
            if c.collection_id == route.collection_id:
                return Start(c.inlet_z_m, np.inf, inlet=True)
        raise ValueError(f"{route.mainline_id}: no collection point {route.collection_id!r}")
    if route.parent_id not in lines:
        raise ValueError(f"{route.mainline_id}: its parent {route.parent_id!r} does not come before it")
    parent = lines[route.parent_id]
    if parent.pinned:
        z = float(parent.at(route.join_station_m)[2])
        return Start(z, z)
    choice = choices[route.parent_id]
    own = parent.station_m
    return Start(
        float(np.interp(route.join_station_m, own, choice.low_z_m)),
        float(np.interp(route.join_station_m, own, choice.high_z_m)),
    )


def _supports(mainline_id: str, path: Path, stands: Sequence[Stand], terrain: Terrain) -> list[Support]:
    """Return supports without a height yet."""
    x, y = path.at(np.array([s.station_m for s in stands]))
    ground_z = terrain.sample(x, y)
    return [
        Support(
            support_id="", mainline_id=mainline_id, station_m=s.station_m, x_m=float(x[i]), y_m=float(y[i]),
            kind=s.kind, tree_id=s.tree_id, offset_m=s.offset_m, ground_z_m=float(ground_z[i]),
            line_z_m=float("nan"),
        )
        for i, s in enumerate(stands)
    ]


def _numbered(mainline_id: str, supports: Sequence[Support]) -> tuple[Support, ...]:
    """Return supports with IDs counted upward: S00 is the lower end."""
    digits = 3 if len(supports) > 100 else 2
    return tuple(replace(s, support_id=f"{mainline_id}-S{i:0{digits}d}") for i, s in enumerate(supports))


def _unhung(route: Route, path: Path, stands: Sequence[Stand], terrain: Terrain) -> Mainline:
    supports = _supports(route.mainline_id, path, stands, terrain)
    return Mainline(
        mainline_id=route.mainline_id, parent_id=route.parent_id, collection_id=route.collection_id,
        join_station_m=route.join_station_m, supports=_numbered(route.mainline_id, supports),
    )


def _pinned(route: Route, path: Path, stems: Stems, terrain: Terrain, rules: MainlineSettings) -> Mainline:
    """Return a kept line: exactly its vertices and heights."""
    stands = []
    for i, s in enumerate(path.station_m):
        tree_id, offset = tree_at(path, float(s), stems, rules.support_reach_m)
        end = i in (0, len(path.station_m) - 1)
        stands.append(Stand(float(s), "anchor" if end else ("tree" if tree_id else "post"), tree_id, offset))
    supports = [
        replace(support, line_z_m=float(z), binding="pinned")
        for support, z in zip(_supports(route.mainline_id, path, stands, terrain), route.low_z_m, strict=True)
    ]
    return Mainline(
        mainline_id=route.mainline_id, parent_id=route.parent_id, collection_id=route.collection_id,
        join_station_m=route.join_station_m, supports=_numbered(route.mainline_id, supports), pinned=True,
    )


def _with_heights(problem: Problem, z_m: Floats, rules: MainlineSettings) -> tuple[Mainline, ...]:
    names = bindings(problem, z_m, rules)
    out = []
    for k, line in enumerate(problem.mainlines):
        a = int(problem.first[k])
        supports = tuple(
            s if line.pinned else replace(s, line_z_m=float(z_m[a + j]), binding=names[a + j])
            for j, s in enumerate(line.supports)
        )
        out.append(replace(line, supports=supports))
    return tuple(out)


def _forest(mainlines: Sequence[Mainline]) -> list[tuple[Mainline, ...]]:
    """Return the lines by tree, each with its parents before its children."""
    root: dict[str, str] = {}
    trees: dict[str, list[Mainline]] = {}
    for line in mainlines:
        if line.parent_id and line.parent_id not in root:
            raise ValueError(f"{line.mainline_id}: its parent {line.parent_id!r} does not come before it")
        root[line.mainline_id] = root[line.parent_id] if line.parent_id else line.mainline_id
        trees.setdefault(root[line.mainline_id], []).append(line)
    return [tuple(t) for t in trees.values()]


def _blocked_findings(route: Route, choice: Choice, units: Units) -> list[Finding]:
    return [
        Finding(
            "HANG_BLOCKED", "check", "mainlines", route.mainline_id, round(s, 2), None, "m",
            f"{route.mainline_id} needs a support at {units.station(s)}, on ground where none may stand.",
            "Look on the spot whether something beside the line can hold it there, or move the bend or join.",
        )
        for s in choice.blocked_m
    ]


def _gap_findings(mainlines: Sequence[Mainline], rules: MainlineSettings, units: Units) -> list[Finding]:
    out = []
    for line in mainlines:
        own = line.station_m
        for i in np.flatnonzero(np.diff(own) > rules.max_support_gap_m + SAME_PLACE_M) if not line.pinned else ():
            gap = float(own[i + 1] - own[i])
            out.append(Finding(
                "HANG_GAP", "check", "supports", line.supports[int(i)].support_id, round(gap, 3),
                rules.max_support_gap_m, "m",
                f"{line.mainline_id} spans {units.length(gap, 1)} above {units.station(float(own[i]))}: "
                "nothing in between can hold it.",
                "Have the wire and its anchors there looked at, move the line, or allow a support in the crossing.",
            ))
    return out
