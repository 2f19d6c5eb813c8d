"""Every value that a record, a rule or a setting may take has its printed words in both languages."""

from __future__ import annotations

import dataclasses
from typing import get_args

import pytest
from pipeline.findings import SEVERITIES
from pipeline.records import (
    SET_ASIDE_REASONS,
    STORM_KINDS,
    DamageState,
    GradeConfidence,
    OptionKind,
    PipeRole,
    SupportKind,
    TreeStatus,
)
from pipeline.records.change import ChangeAction, StepAction
from pipeline.resources import template_rows
from pipeline.safety import load_safety
from pipeline.safety.rules import LAYER_KINDS, OTHER_KINDS
from pipeline.settings import GROUND_DEFAULTS, CollectionSettings, GroundRule, SheetSettings
from pipeline.sheets.context import load_words
from pipeline.sheets.overview_page import _SHAPES

LANGUAGES = ("en", "fr")


def choices(table, name: str) -> tuple[str, ...]:
    """Return what a setting may be."""
    (field,) = [f for f in dataclasses.fields(table) if f.name == name]
    found = [v for v in field.metadata.values() if isinstance(v, tuple) and v and isinstance(v[0], str)]
    assert found, name
    return found[0]


def spaced(values) -> list[str]:
    return [v.replace(" ", "_") for v in values]


TABLES = {
    "change.kind_": STORM_KINDS, "change.option_": get_args(OptionKind), "change.state_": get_args(DamageState),
    "change.action_": get_args(StepAction), "stakeout.kind_": (*get_args(SupportKind), "crossing", "joint", "manifold"),
    "materials.role_": get_args(PipeRole), "laterals.grade_": spaced(get_args(GradeConfidence)),
    "cover.status_": [s for s in get_args(TreeStatus) if s != "served"], "common.": tuple(GROUND_DEFAULTS),
    "findings.": SEVERITIES, "check.": SEVERITIES, "pump.kind_": choices(CollectionSettings, "kind"),
    "check.rule_": get_args(GroundRule), "profile.pipe_": [r for r in get_args(PipeRole) if r != "single"],
    "safety.signal_": choices(SheetSettings, "signal"),
    "change.layer_": ("trees", "laterals", "spans", "supports", "crossings"), "change.method_": ("exact", "descent"),
    "change.step_": ("safe", "check", "remove_mainlines", "remove_supports", "remove_laterals_whole",
                     "remove_laterals_above", "remove_laterals_between", "rehang", "new_support", "detour", "take",
                     "mend", "regroup"),
    "map.dropped_": [f"{k}_n" for k in ("end", "hazard", "lateral", "support", "crossing", "tag", "station", "name")],
}


@pytest.mark.parametrize("language", LANGUAGES)
@pytest.mark.parametrize("prefix", sorted(TABLES))
def test_every_value_has_its_words(prefix, language):
    words = load_words(language)
    assert TABLES[prefix]
    assert [v for v in TABLES[prefix] if not words.get(f"{prefix}{v}", "").strip()] == []


@pytest.mark.parametrize("prefix", ["change.kind_", "change.option_", "change.state_", "materials.role_", "pump.kind_"])
@pytest.mark.parametrize("language", LANGUAGES)
def test_no_two_values_read_the_same(prefix, language):
    words = load_words(language)
    shown = [words[f"{prefix}{v}"] for v in TABLES[prefix]]
    assert len(set(shown)) == len(shown)


def test_what_changes_is_a_step_of_the_sheets():
    assert set(get_args(ChangeAction)) <= set(get_args(StepAction))


@pytest.mark.parametrize("language", LANGUAGES)
def test_every_layer_of_the_safety_rules_has_its_name(language):
    layer = load_safety(language).layer
    told = (*LAYER_KINDS, *OTHER_KINDS, "storm", "underground", "weather", "slope", "coarse", "ledge", "saw",
            "hospital", "crew", "meeting")
    assert [kind for kind in told if not layer.get(kind, "").strip()] == []
    assert set(GROUND_DEFAULTS) <= set(layer)


@pytest.mark.parametrize("language", LANGUAGES)
def test_answers_about_saw_work_and_signal_have_words(language):
    answer = load_safety(language).answer
    assert {*choices(SheetSettings, "signal"), "unknown"} <= set(answer)


@pytest.mark.parametrize(("table", "key"), [("parts.csv", "code"), ("labour.csv", "task")])
def test_every_part_and_task_has_a_name_in_both_languages_with_its_size(table, key):
    rows = list(template_rows(table))
    assert len(rows) > 5
    for row in rows:
        for language in LANGUAGES:
            name = row[f"name_{language}"]
            assert name.strip(), row[key]
            assert ("{size}" in name) == ("{size}" in row[key]), row[key]
    for language in LANGUAGES:  # a task may have several rows, a name only one
        assert len({(row[key], row[f"name_{language}"]) for row in rows}) == len({row[key] for row in rows})


def test_every_reason_has_its_symbol_and_those_a_grower_can_mend_a_shape_of_their_own():
    assert {code for code, _, _ in _SHAPES} == set(SET_ASIDE_REASONS)
    assert len({(code, shape) for code, shape, _ in _SHAPES}) == len(_SHAPES)
    shapes = [shape for _, shape, _ in _SHAPES]
    mend = {"BELOW_OUTLET", "NO_GRADE", "OUT_OF_REACH", "NOT_WORTH_IT", "NO_LATERAL"}
    assert [code for code, shape, _ in _SHAPES if code in mend and shapes.count(shape) > 1] == []
