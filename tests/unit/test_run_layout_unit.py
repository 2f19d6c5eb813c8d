"""The loop of the layout and the order of the stages, with stand-ins that keep a diary."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest
from pipeline import edges, hang, laterals, mainlines, run
from pipeline.errors import NoPlanError
from pipeline.findings import Finding
from pipeline.reading import Inputs
from pipeline.records import Grouping, Network, Pins, Route

import repair_scene as scene
from whole_plan import LOCAL, formula, given, scatter, settings_of


def network(length_m: float, name: str = "M1") -> Network:
    route = Route(name, "", "C1", 0.0, np.array([[0.0, 0.0], [length_m, 0.0]]), np.zeros(2))
    return Network((route,), ("",) * 12, np.zeros(12))


class Diary:
    """Stages that write down that they were asked, and shorten the network as often as they are told to."""

    def __init__(self, monkeypatch, trims: list[float]) -> None:
        self.asked: list[str] = []
        self.drafts: list[bool] = []
        self.hung_of: list[float] = []
        self.trims = list(trims)
        note = Finding("HANG_BLOCKED", "check", "supports", "M1-S01", None, None, "", "It is blocked.", "Move it.")
        other = dataclasses.replace(note, code="HANG_INFEASIBLE")

        def plan_network(**_):
            self.asked.append("network")
            return network(100.0), (dataclasses.replace(note, code="WINDOW_SHUT"),)

        def hang_low(*, network, **_):
            self.asked.append("low")
            self.hung_of.append(float(network.routes[0].xy_m[1, 0]))
            return ("low",), (note, other)

        def group(*, draft, **_):
            self.asked.append("group")
            self.drafts.append(draft)
            return Grouping(scene.plan().laterals, ("",) * 12, np.array([110.0, 111.0, 112.0, 113.0])), (other,)

        def trim(now, entries, **_):
            self.asked.append("trim")
            self.entries = entries
            return network(self.trims.pop(0)) if self.trims else now

        def hang_final(*, ceilings, **_):
            self.asked.append("final")
            self.ceilings = ceilings
            return ("hung",), ()

        def settle(*, grouping, mainlines, **_):
            self.asked.append("settle")
            assert mainlines == ("hung",)
            return grouping, ()

        monkeypatch.setattr(mainlines, "plan_network", plan_network)
        monkeypatch.setattr(mainlines, "trim", trim)
        monkeypatch.setattr(hang, "hang_low", hang_low)
        monkeypatch.setattr(hang, "hang_final", hang_final)
        monkeypatch.setattr(laterals, "group", group)
        monkeypatch.setattr(laterals, "settle", settle)
        for name in ("after_mainlines", "after_hang", "after_laterals"):
            monkeypatch.setattr(edges, name, lambda *_: None)


def inputs() -> Inputs:
    return Inputs(scene.settings(), scene.terrain(), None, (), Pins(), (), {}, ())


def laid_out(diary: Diary, trees=None) -> run.Layout:
    return run.lay_out(inputs(), trees or scene.trees(), scene.ground(), run.Clock(), lambda *_: None)


@pytest.mark.parametrize(("trims", "hung_of"), [
    ([], [100.0]), ([100.0], [100.0]), ([80.0, 80.0], [100.0, 80.0]), ([80.0, 60.0, 60.0], [100.0, 80.0, 60.0]),
    ([80.0, 60.0, 40.0], [100.0, 80.0, 60.0]),
])
def test_lines_are_trimmed_until_nothing_changes_or_three_times(monkeypatch, trims, hung_of):
    """What is hung last is what is kept: the third trim is not taken."""
    diary = Diary(monkeypatch, trims)
    layout = laid_out(diary)
    assert diary.hung_of == hung_of
    assert float(layout.network.routes[0].xy_m[1, 0]) == hung_of[-1]
    assert diary.asked[-2:] == ["final", "settle"]
    assert diary.asked.count("final") == 1


@pytest.mark.parametrize(("count", "drafts"), [(run.DRAFT_TREES, [False]), (run.DRAFT_TREES + 1, [True, False])])
def test_many_trees_are_grouped_roughly_once_and_then_for_good(monkeypatch, count, drafts):
    diary = Diary(monkeypatch, [])
    stand = scene.trees()
    rows = np.zeros(count, dtype=np.int64)
    many = dataclasses.replace(
        stand, **{c: getattr(stand, c)[rows] for c in ("x_m", "y_m", "ground_z_m", "dbh_cm", "taps")},
        **{c: (getattr(stand, c)[0],) * count for c in ("tree_id", "species", "status", "reason", "note")})
    laid_out(diary, many)
    assert diary.drafts == drafts


def test_the_final_hang_gets_the_ceiling_of_every_entry(monkeypatch):
    diary = Diary(monkeypatch, [])
    laid_out(diary)
    assert diary.ceilings == tuple((la.mainline_id, la.entry_station_m, z) for la, z in
                                   zip(scene.plan().laterals, (110.0, 111.0, 112.0, 113.0), strict=True))
    assert diary.entries == {"M1": (20.0, 60.0, 85.0), "M1.1": (scene.plan().laterals[3].entry_station_m,)}


def test_of_the_low_hang_only_blocked_supports_are_told(monkeypatch):
    layout = laid_out(Diary(monkeypatch, []))
    assert [f.code for f in layout.findings] == ["WINDOW_SHUT", "HANG_BLOCKED", "HANG_INFEASIBLE"]


def test_a_network_without_routes_ends_with_what_stands_in_the_way(monkeypatch):
    Diary(monkeypatch, [])
    told = (Finding("OUTLET_HIGH", "note", "collection", "C1", None, None, "", "The tank stands high.", "Move it."),
            Finding("OUTLET_SHUT", "violation", "collection", "C1", None, None, "", "It lies in a bog.", "Move it."))
    monkeypatch.setattr(mainlines, "plan_network", lambda **_: (Network((), (), np.zeros(0)), told))
    with pytest.raises(NoPlanError) as caught:
        laid_out(Diary.__new__(Diary))
    assert [p.where for p in caught.value.problems] == ["mainlines", "OUTLET_SHUT", "OUTLET_HIGH"]
    assert caught.value.problems[1].found == "It lies in a bog"


# ---------------------------------------------------------------- a small plan, whole


@pytest.fixture(scope="module")
def small():
    """Plan twenty trees on a plane; return what was read, the result, what was told and what was kept."""
    ground = formula(lambda x, y: 100.0 + 0.1 * y, 120.0)
    what = given(ground, scatter(3, 20, (30.0, 90.0), (30.0, 90.0), 4.0), (60.0, 10.0),
                 settings_of(min_grade_pct=2.0))
    told: list[tuple[str, float]] = []
    kept: list[str] = []

    def keep(name, make):
        kept.append(name)
        return make()

    return what, run.make_plan(what, lambda text, share: told.append((text, share)), keep), told, kept


def test_stages_are_timed_and_told_from_survey_to_judge(small):
    _, result, told, _ = small
    assert set(result.seconds) == {"survey", "mainlines", "hang", "laterals", "flow", "sections", "judge"}
    assert set(result.cpu_seconds) == set(result.seconds)
    assert all(v >= 0.0 for v in result.seconds.values())
    assert (told[0], told[-1]) == (("judging the survey", 0.0), ("planned", 1.0))
    assert all(0.0 <= share <= 1.0 for _, share in told)


def test_the_long_stages_are_offered_to_be_kept(small):
    assert small[3] == ["layout", "mainlines"]


def test_a_kept_layout_is_taken_as_it_is(small):
    what, result, _, _ = small
    layouts = []

    def keep(name, make):
        if name == "layout":
            layouts.append(make())
            return layouts[0]
        return make()

    run.make_plan(what, keep=keep)
    again = run.make_plan(what, keep=lambda name, make: layouts[0] if name == "layout" else make())
    assert again.plan.mainlines is layouts[0].mainlines
    assert [la.lateral_id for la in again.plan.laterals] == [la.lateral_id for la in result.plan.laterals]
    assert "mainlines" not in again.seconds


def test_prices_hours_and_notes_of_every_section_come_with_the_plan(small):
    what, result, _, _ = small
    plan = result.plan
    assert dict(plan.prices) == {row["code"].strip(): float(row["price"]) for row in what.prices}
    assert set(plan.safety) == {s.section_id for s in plan.sections}
    for section in plan.sections:
        assert section.crew_hours == pytest.approx(sum(plan.takeoff.hours_by_section[section.section_id].values()))
    assert plan.not_checked == result.ground.missing
    assert plan.frame == LOCAL


def test_no_tappable_tree_is_no_plan_and_says_how_many_were_read():
    ground = formula(lambda x, y: 100.0 + 0.1 * y, 60.0)
    saplings = given(ground, np.array([[20.0, 20.0], [25.0, 30.0]]), (30.0, 5.0), dbh_cm=5.0)
    with pytest.raises(NoPlanError) as caught:
        run.make_plan(saplings)
    assert caught.value.problems[0].found == "2 trees, none that can be tapped"
    assert "fallgrade check" in caught.value.problems[0].remedy


def test_a_clock_adds_what_several_rounds_take(monkeypatch):
    ticks = iter([0.0, 2.0, 10.0, 13.0])
    monkeypatch.setattr(run, "time", SimpleNamespace(perf_counter=lambda: next(ticks), process_time=lambda: 1.0))
    clock = run.Clock()
    for _ in range(2):
        with clock.stage("hang"):
            pass
    assert clock.seconds == {"hang": 5.0}
    assert clock.cpu_seconds == {"hang": 0.0}
