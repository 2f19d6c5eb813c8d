"""What sheets look up in a plan is what a search through the plan finds, in the same order."""

from __future__ import annotations

import dataclasses
import multiprocessing

import numpy as np
import pytest
from pipeline.sheets import book
from pipeline.sheets.context import make_context
from pipeline.sheets.lookup import line_at, lookup, row_of

from sample_plan import sample_plan

PLAN, TERRAIN, GROUND = sample_plan()
KNOWN = lookup(PLAN)


def test_lines_and_what_hangs_on_them():
    assert list(KNOWN.line.values()) == list(PLAN.mainlines)
    assert list(KNOWN.section.values()) == list(PLAN.sections)
    assert any(KNOWN.branches.get(m.mainline_id) for m in PLAN.mainlines)
    for line in PLAN.mainlines:
        name = line.mainline_id
        assert list(KNOWN.branches.get(name, ())) == [m for m in PLAN.mainlines if m.parent_id == name]
        assert list(KNOWN.pipes.get(name, ())) == [p for p in PLAN.flow.pipes if p.mainline_id == name]
        assert [c for _, c in KNOWN.crossings.get(name, ())] == [c for c in PLAN.crossings if c.line_id == name]
        assert list(KNOWN.owners.get(name, ())) == [
            (s.section_id, low, high) for s in PLAN.sections for n, low, high in s.pieces if n == name]
    for section in PLAN.sections:
        assert [p for _, p in KNOWN.parts.get(section.section_id, ())] == [
            p for p in PLAN.takeoff.by_section if p.section_id == section.section_id]
    assert all(PLAN.crossings[k] is c for found in KNOWN.crossings.values() for k, c in found)


def test_stretches_are_the_lines_between_their_stations():
    found, bounds = KNOWN.stretches
    assert [(name, low) for name, low, _ in found] == [(n, low) for s in PLAN.sections for n, low, _ in s.pieces]
    for (name, low, at), box in zip(found, bounds, strict=True):
        x, y, _ = KNOWN.line[name].at(low)
        assert at[0].tolist() == [float(x), float(y)]
        assert box.tolist() == [*at.min(axis=0), *at.max(axis=0)]


@pytest.mark.parametrize("stations", [0.0, [0.0, 3.7, 1e9], np.linspace(-5.0, 80.0, 7)])
def test_places_on_a_line_are_the_lines_own(stations):
    for line in PLAN.mainlines:
        for ours, own in zip(line_at(line, stations), line.at(stations), strict=True):
            assert np.array_equal(ours, own)


def test_trees_by_their_tags():
    rows = row_of(PLAN.trees)
    assert [PLAN.trees.tree_id[t] for t in rows.values()] == list(PLAN.trees.tree_id)
    assert lookup(PLAN) is lookup(PLAN)
    assert lookup(dataclasses.replace(PLAN)) is not KNOWN


@pytest.mark.parametrize(("whole", "volume"), [(1, 1), (1, 2), (99, 1)])
def test_a_book_bound_while_it_is_printed_is_the_book(monkeypatch, whole, volume):
    ctx = make_context(plan=PLAN, terrain=TERRAIN, ground=GROUND)
    sets = list(book.make_sets(ctx, [s.section_id for s in PLAN.sections]))
    monkeypatch.setattr(book, "WHOLE_SECTIONS", whole)
    monkeypatch.setattr(book, "VOLUME_SECTIONS", volume)
    with book.Binder(ctx) as binder:
        for one in sets:
            binder.take(one)
        assert binder.finish(ctx) == book.render_volumes(ctx, sets)
    assert multiprocessing.active_children() == []
    with book.Binder(ctx) as binder:  # stopped early
        for one in sets:
            binder.take(one)
    assert multiprocessing.active_children() == []
    assert all(one.without_pages().pdf == one.pdf and not one.without_pages().pages for one in sets)
