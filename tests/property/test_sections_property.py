"""Sections are an exact partition of any tree of lines."""

from __future__ import annotations

import itertools
from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from pipeline.records import Grouping, Lateral, Mainline, Support, Trees
from pipeline.sections import OVERFULL, cut, piece_line, where_place
from pipeline.settings import Settings, SheetSettings
from shapely.geometry import Point


def make_mainline(name: str, parent: Mainline | None, at: int, count: int, span_m: float, angle: float) -> Mainline:
    x0, y0 = (0.0, 0.0) if parent is None else (parent.supports[at].x_m, parent.supports[at].y_m)
    supports = tuple(
        Support(
            f"{name}-S{i + 1:02d}", name, i * span_m, x0 + i * span_m * np.cos(angle),
            y0 + i * span_m * np.sin(angle), "tree", "", 0.0, 100.0, 101.2 + 0.03 * i * span_m,
        )
        for i in range(count)
    )
    joins = 0.0 if parent is None else parent.supports[at].station_m
    return Mainline(name, "" if parent is None else parent.mainline_id, "C1", joins, supports)


def make_lateral(mainline: Mainline, number: int, station_m: float, taps: int, first_tree: int) -> Lateral:
    x, y, z = (float(v) for v in mainline.at(station_m))
    count = max(1, taps // 2)
    xyz = np.array([[x, y, z]] + [[x + 1.0 + i, y + 3.0 * (i + 1), z + 0.3 * (i + 1)] for i in range(count)])
    return Lateral(
        f"{mainline.mainline_id}-L{number:02d}", mainline.mainline_id, station_m,
        tuple(range(first_tree, first_tree + count)), taps, xyz,
    )


@st.composite
def networks(draw):
    mainlines: list[Mainline] = []
    laterals: list[Lateral] = []
    points: list[tuple[float, float]] = []
    for i in range(draw(st.integers(1, 9))):
        parent = draw(st.sampled_from(mainlines)) if mainlines and draw(st.booleans()) else None
        at = draw(st.integers(0, len(parent.supports) - 1)) if parent else 0
        line = make_mainline(
            f"M{i + 1}", parent, at, draw(st.integers(2, 25)),
            draw(st.floats(1.0, 12.0)), draw(st.floats(0.0, 6.0)),
        )
        mainlines.append(line)
        for n in range(draw(st.integers(0, 8))):
            lateral = make_lateral(
                line, n + 1, draw(st.floats(0.0, 1.0)) * line.plan_length_m, draw(st.integers(1, 10)), len(points)
            )
            laterals.append(lateral)
            points += [(float(x), float(y)) for x, y, _ in lateral.xyz_m[1:]]
    xy = np.array(points).reshape(-1, 2)
    n = len(xy)
    trees = Trees(
        tuple(f"T{i}" for i in range(n)), xy[:, 0], xy[:, 1], np.full(n, 100.0), ("sugar maple",) * n,
        np.full(n, 35.0), np.ones(n, dtype=np.int64), ("served",) * n, ("",) * n, ("",) * n,
    )
    grouping = Grouping(tuple(laterals), ("",) * n, np.full(len(laterals), 120.0))
    sheets = SheetSettings(section_taps=draw(st.integers(10, 80)), section_length_m=draw(st.floats(30.0, 300.0)))
    return tuple(mainlines), grouping, trees, Settings(sheets=sheets)


@settings(max_examples=80, deadline=None)
@given(networks())
def test_sections_partition_the_network(case):
    mainlines, grouping, trees, config = case
    sections, findings = cut(mainlines=mainlines, grouping=grouping, trees=trees, settings=config)
    # every metre of mainline once: the pieces of a line tile it from end to end
    for line in mainlines:
        pieces = sorted((a, b) for s in sections for m, a, b in s.pieces if m == line.mainline_id)
        assert pieces[0][0] == 0.0
        assert pieces[-1][1] == line.plan_length_m
        assert all(first[1] == second[0] for first, second in itertools.pairwise(pieces))
    # every lateral once, in the section that holds its entry
    assert Counter(i for s in sections for i in s.lateral) == Counter(range(len(grouping.laterals)))
    for section in sections:
        for i in section.lateral:
            lateral = grouping.laterals[i]
            assert any(
                m == lateral.mainline_id and a - 1e-9 <= lateral.entry_station_m <= b + 1e-9
                for m, a, b in section.pieces
            )
    assert sum(s.taps for s in sections) == sum(la.taps for la in grouping.laterals)
    assert [s.section_id for s in sections] == [f"S{i + 1:02d}" for i in range(len(sections))]
    # a section over its size is told of, and one within is not
    told = {f.subject_id for f in findings}
    for section in sections:
        length_m = sum(b - a for _, a, b in section.pieces)
        over = length_m > config.sheets.section_length_m + 1e-6 or section.taps > OVERFULL * config.sheets.section_taps
        assert (section.section_id in told) == over


@settings(max_examples=40, deadline=None)
@given(networks())
def test_sections_are_connected_neighbours_are_mutual_and_outlines_hold_all(case):
    mainlines, grouping, trees, config = case
    sections, _ = cut(mainlines=mainlines, grouping=grouping, trees=trees, settings=config)
    by_id = {m.mainline_id: m for m in mainlines}
    for section in sections:
        lines = [piece_line(by_id[m], a, b) for m, a, b in section.pieces]
        joined = {0}
        while True:  # grow over touching pieces
            more = {j for j in range(len(lines)) if any(lines[i].distance(lines[j]) < 1e-6 for i in joined)}
            if more == joined:
                break
            joined = more
        assert len(joined) == len(lines)
        assert section.outline.geom_type == "Polygon"
        assert all(section.outline.covers(line) for line in lines)
        for i in section.lateral:
            for t in grouping.laterals[i].tree:
                assert section.outline.covers(Point(trees.x_m[t], trees.y_m[t]))
        for other, where in section.neighbours:
            assert (section.section_id, where) in next(s for s in sections if s.section_id == other).neighbours
            owner, station_m = where_place(where)
            if owner != "C1":
                x, y, _ = by_id[owner].at(station_m)
                assert min(line.distance(Point(float(x), float(y))) for line in lines) < 0.01


@settings(max_examples=25, deadline=None)
@given(networks())
def test_same_input_gives_the_same_sections(case):
    mainlines, grouping, trees, config = case
    one, _ = cut(mainlines=mainlines, grouping=grouping, trees=trees, settings=config)
    two, _ = cut(mainlines=mainlines, grouping=grouping, trees=trees, settings=config)
    assert [(s.section_id, s.pieces, s.lateral, s.neighbours, s.outline.wkb) for s in one] == [
        (s.section_id, s.pieces, s.lateral, s.neighbours, s.outline.wkb) for s in two
    ]


@pytest.mark.parametrize("taps", [50, 150])
def test_long_line_is_cut_evenly(taps):
    line = make_mainline("M1", None, 0, 101, 5.0, 0.5)
    laterals = tuple(make_lateral(line, i + 1, 5.0 * i + 1.0, 2, i) for i in range(100))
    xy = np.array([la.xyz_m[1, :2] for la in laterals])
    trees = Trees(
        tuple(f"T{i}" for i in range(100)), xy[:, 0], xy[:, 1], np.full(100, 100.0), ("sugar maple",) * 100,
        np.full(100, 35.0), np.full(100, 2, dtype=np.int64), ("served",) * 100, ("",) * 100, ("",) * 100,
    )
    config = Settings(sheets=SheetSettings(section_taps=taps, section_length_m=1000.0))
    sections, findings = cut(
        mainlines=(line,), grouping=Grouping(laterals, ("",) * 100, np.full(100, 200.0)), trees=trees, settings=config
    )
    assert not findings
    fewest = -(-200 // taps)
    assert fewest <= len(sections) <= fewest + 1
    assert max(s.taps for s in sections) <= taps
    assert min(s.taps for s in sections) >= 0.6 * max(s.taps for s in sections)


def test_names_run_outward_from_the_collection_point():
    trunk = make_mainline("M1", None, 0, 41, 5.0, 0.0)
    branch = make_mainline("M1.1", trunk, 20, 31, 5.0, 1.5)
    config = Settings(sheets=SheetSettings(section_taps=100, section_length_m=110.0))
    nothing = Grouping((), (), np.zeros(0))
    empty = np.zeros(0)
    trees = Trees((), empty, empty, empty, (), empty, np.zeros(0, dtype=np.int64), (), (), ())
    sections, _ = cut(mainlines=(trunk, branch), grouping=nothing, trees=trees, settings=config)
    assert sections[0].pieces[0][:2] == ("M1", 0.0)
    away = [
        min(a + (100.0 if m == "M1.1" else 0.0) for m, a, _ in s.pieces) for s in sections
    ]
    assert away == sorted(away)
    # the branch's foot is a place on the trunk, and sections that meet there know it
    assert any(where == "M1@100.000" for s in sections for _, where in s.neighbours)


def test_nothing_to_cut_gives_no_section():
    empty = np.zeros(0)
    trees = Trees((), empty, empty, empty, (), empty, np.zeros(0, dtype=np.int64), (), (), ())
    assert cut(mainlines=(), grouping=Grouping((), (), empty), trees=trees, settings=Settings()) == ((), ())
