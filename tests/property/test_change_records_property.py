"""Any repair at all is kept in the plan folder and comes back as it was; its layer lists every item of it."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import shapely
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pipeline.records import Change
from pipeline.store import change_records
from shapely.geometry.base import BaseGeometry

from sample_plan import sample_plan

PLAN = sample_plan()[0]
SLOW = [HealthCheck.too_slow, HealthCheck.data_too_large]
CALM = settings(max_examples=40, deadline=None, suppress_health_check=SLOW)
NUMBERS = st.floats(-1e6, 1e6)
PLACES = st.tuples(NUMBERS, NUMBERS)
SHAPES = st.one_of(
    PLACES.map(shapely.Point), st.lists(PLACES, min_size=2, max_size=4, unique=True).map(shapely.LineString),
    PLACES.map(lambda p: shapely.Point(p).buffer(3.0, quad_segs=2)),
)
st.register_type_strategy(BaseGeometry, SHAPES)
VERTICES = st.lists(st.tuples(NUMBERS, NUMBERS, NUMBERS), min_size=1, max_size=3, unique=True).map(tuple)


def repairs() -> st.SearchStrategy[Change]:
    """Return repairs of any content; the vertices of their items are such as lines have."""
    def placed(change: Change, xyz: list) -> Change:
        items = tuple(dataclasses.replace(i, xyz_m=xyz[k % len(xyz)]) for k, i in enumerate(change.changes))
        return dataclasses.replace(change, changes=items)

    return st.builds(placed, st.from_type(Change), st.lists(VERTICES, min_size=1, max_size=3))


def plain(tree: object) -> object:
    """Return records as a tree that can be compared: shapes by their bytes, NaN equal to NaN."""
    if dataclasses.is_dataclass(tree):
        return {f.name: plain(getattr(tree, f.name)) for f in dataclasses.fields(tree)}
    if isinstance(tree, tuple | list):
        return tuple(plain(v) for v in tree)
    if isinstance(tree, BaseGeometry):
        return tree.wkb
    return "nan" if isinstance(tree, float) and math.isnan(tree) else tree


@CALM
@given(st.lists(repairs(), min_size=1, max_size=2), st.lists(st.text(max_size=8), max_size=3),
       st.tuples(st.text(max_size=3), st.text(max_size=3), st.text(max_size=3)))
def test_any_repair_comes_back_as_it_was(changes: list[Change], retired: list[str], issue: tuple[str, ...]) -> None:
    sections = tuple(dataclasses.replace(s, revision=issue[0], replaces=issue[1], issued_in=issue[2])
                     for s in PLAN.sections)
    plan = dataclasses.replace(PLAN, changes=tuple(changes), retired=tuple(retired), sections=sections)
    texts = change_records.record_texts(plan)
    again = change_records.restored(PLAN, texts)
    assert plain(again.changes) == plain(plan.changes)
    assert again.retired == plan.retired
    assert [(s.revision, s.replaces, s.issued_in) for s in again.sections] == [issue] * len(sections)
    assert change_records.record_texts(again) == texts


@CALM
@given(st.lists(repairs(), max_size=2))
def test_the_layer_lists_every_item_once_with_its_shape(changes: list[Change]) -> None:
    table = change_records.table(changes)
    count = sum(len(c.changes) + len(c.items) for c in changes)
    assert {len(column) for column in table.columns.values()} | {len(table.shapes)} == {count}
    logged = [s for s, action in zip(table.shapes, table.columns["action"], strict=True) if action == "logged"]
    wanted = [i.shape for c in changes for i in c.items]
    assert [s.wkb for s in logged] == [s.wkb for s in wanted]
    lines = [s for s, action in zip(table.shapes, table.columns["action"], strict=True) if action != "logged"]
    for shape, item in zip(lines, [i for c in changes for i in c.changes], strict=True):
        xyz = shapely.get_coordinates(shape, include_z=True)
        assert np.array_equal(xyz, np.array(item.xyz_m)[::-1]), "lines run in flow direction, as all of the folder"


def test_a_plan_never_repaired_keeps_nothing_of_repairs() -> None:
    assert change_records.record_texts(PLAN) == {}
    assert change_records.restored(PLAN, {}) is PLAN
    assert len(change_records.table([]).shapes) == 0
