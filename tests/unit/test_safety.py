"""Safety notes: every trigger fires and stays silent, nothing is dropped, nothing is called safe."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from pipeline.records import Crossing, GroundLayer, SafetyNote, Station
from pipeline.safety import (
    FIRST_PAGE,
    SafetyWords,
    in_print_order,
    load_safety,
    note_text,
    notes,
    split_pages,
)
from pipeline.safety.facts import Facts, measure
from pipeline.safety.rules import NOT_FROM_A_PLAN, Case, fired, trail_code, unchecked
from pipeline.settings import GROUND_DEFAULTS, Settings
from pipeline.units import Units
from shapely.geometry import LineString

from sample_plan import sample_plan

QUIET = Facts(
    length_m=10.0, longest_m=10.0, heights_m=(("M1-S01", 1.2),), trees_held=frozenset({"M1-S01", "M1-S09"}),
    posts=(), bends_deg=(("M1-S01", 3.0),), weak_anchors=(), slope_max_pct=5.0, slope_at_pct={}, coarse_cell=False,
    ledge_visible=True, ledge_drop_m=0.4, ledge_at="",
    near_m=dict.fromkeys(("power_line", "road", "trail", "stream", "water", "wet", "property", "no_go"), math.inf),
    touches=frozenset(), crossings=(), dead_near=(), dead_per_ha=0.0, stations=(), walk_in_min=4.0,
)
PUMP = Station("C1", 100, 1.0, 0.1, 1.0, 400.0, 10.0, 84.0, 82.0)


def crossing(kind: str, name: str = "") -> Crossing:
    return Crossing("X1", "M1", kind, name, 12.0, 0.0, 0.0, 2.6, 2.44)


def config(**changes) -> Settings:
    """Return settings of calm summer work by three people near help, without saws; then changes."""
    quiet = {
        "crew_size": 3, "season": "winter", "snow_m": 0.0, "saw_work": "no", "hospital_min": 12.0, "signal": "yes",
        "meeting_point": "landing",
    }
    flow = {k: changes.pop(k) for k in ("pumped", "power_at_collection") if k in changes}
    spread = changes.pop("gps_error_m", 2.0)
    base = Settings()
    return replace(
        base, sheets=replace(base.sheets, **{**quiet, **changes}), flow=replace(base.flow, **flow),
        trees=replace(base.trees, gps_error_m=spread),
    )


def codes(facts: dict | None = None, **changes) -> set[str]:
    return {code for code, _ in fired(Case(replace(QUIET, **(facts or {})), config(**changes)))}


HIGH = {"heights_m": (("M1-S09", 2.5), ("M1-S02", 2.4))}
# code: (facts that fire it, settings that fire it, facts that leave it silent, settings that leave it silent)
TRIGGERS = {
    "A1": ({}, {"saw_work": "yes"}, {}, {}),
    "A2": ({}, {"saw_work": "unknown"}, {}, {}),
    "A3": ({"length_m": 40.0}, {"saw_work": "yes"}, {"length_m": 10.0}, {"saw_work": "yes"}),
    "A4": ({"heights_m": (("M1-S01", 1.5),)}, {"saw_work": "yes"}, {}, {"saw_work": "yes"}),
    "A5": (HIGH, {"saw_work": "yes"}, {}, {"saw_work": "yes"}),
    "A6": ({}, {"saw_work": "yes"}, {}, {}),
    "A7": ({"slope_max_pct": 26.0}, {"saw_work": "yes"}, {"slope_max_pct": 25.0}, {"saw_work": "yes"}),
    "A8": ({}, {"saw_work": "yes"}, {}, {}),
    "A9": ({"near_m": {"stream": 7.0}}, {"saw_work": "yes"}, {"near_m": {"stream": 9.0}}, {"saw_work": "yes"}),
    "A10": ({}, {"saw_work": "yes"}, {}, {}),
    "A11": ({"dead_near": ("T9",)}, {}, {}, {}),
    "A12": ({"dead_per_ha": 51.0}, {}, {"dead_per_ha": 50.0}, {}),
    "A16": ({}, {"saw_work": "yes", "crew_size": 1}, {}, {"saw_work": "yes", "crew_size": 2}),
    "A17": ({}, {"saw_work": "yes", "crew_size": 2}, {}, {"saw_work": "yes", "crew_size": 1}),
    "A18": ({}, {"saw_work": "yes", "snow_m": 0.6}, {}, {"saw_work": "yes", "snow_m": 0.5}),
    "A19": ({}, {"saw_work": "yes"}, {}, {}),
    "A20": ({}, {"saw_work": "yes"}, {}, {}),
    "A21": ({}, {"saw_work": "yes"}, {}, {}),
    "C1": (HIGH, {}, {"heights_m": (("M1-S01", 1.9),)}, {}),
    "C2": (HIGH, {"snow_m": 0.6}, {"heights_m": (("M1-S01", 1.9),)}, {"snow_m": 0.6}),  # snow melts
    "C3": (HIGH, {}, {}, {}),
    "C4": (HIGH, {}, {"heights_m": (("M1-S02", 2.4),)}, {}),
    "C5": ({**HIGH, "slope_at_pct": {"M1-S09": 11.0}}, {}, {**HIGH, "slope_at_pct": {"M1-S09": 10.0}}, {}),
    "C6": (HIGH, {"season": "unknown"}, HIGH, {"season": "summer"}),
    "C7": ({"heights_m": (("M1-S01", 3.1),)}, {}, {"heights_m": (("M1-S01", 3.0),)}, {}),
    "C8": ({"heights_m": (("M1-S01", 5.1),)}, {}, {"heights_m": (("M1-S01", 5.0),)}, {}),
    "C9": (HIGH, {}, {**HIGH, "length_m": 0.0}, {}),
    "C10": ({**HIGH, "near_m": {"power_line": 6.0}}, {}, {**HIGH, "near_m": {"power_line": 7.0}}, {}),
    "C12": ({"heights_m": (("M1-S09", 3.1),)}, {}, {"heights_m": (("M1-S02", 3.1),)}, {}),
    "D1": ({}, {}, {"length_m": 0.0}, {}),
    "D2": ({}, {}, {"length_m": 0.0}, {}),
    "D3": ({"bends_deg": (("M1-S01", 16.0),)}, {}, {"bends_deg": (("M1-S01", 15.0),)}, {}),
    "D4": ({}, {}, {"length_m": 0.0}, {}),
    "D5": ({"longest_m": 151.0}, {}, {"longest_m": 150.0}, {}),
    "D6": ({}, {"season": "autumn"}, {}, {"season": "winter"}),
    "D8": ({}, {}, {"length_m": 0.0}, {}),
    "D9": ({"weak_anchors": ("M1-S00",)}, {}, {}, {}),
    "D10": ({"posts": ("M1-S04",)}, {}, {}, {}),
    "E1": ({"slope_max_pct": 15.0}, {}, {"slope_max_pct": 14.9}, {}),
    "E2": ({"slope_max_pct": 30.0}, {}, {"slope_max_pct": 29.9}, {}),
    "E3": ({"slope_max_pct": 50.0}, {}, {"slope_max_pct": 49.9}, {}),
    "E4": ({"slope_max_pct": 10.0}, {}, {"slope_max_pct": 10.0}, {"season": "summer"}),
    "E5": ({"ledge_at": "M1@4.000", "ledge_drop_m": 2.4}, {}, {}, {}),
    "E6": ({"slope_max_pct": 19.0}, {}, {"slope_max_pct": 18.0}, {}),
    "E7": ({"slope_max_pct": 11.0}, {}, {"slope_max_pct": 10.0}, {}),
    "E10": ({"crossings": (crossing("stream"),)}, {}, {"crossings": (crossing("trail"),)}, {}),
    "E11": ({"near_m": {"water": 15.0}}, {}, {"near_m": {"water": 15.1}}, {}),
    "E12": ({"touches": frozenset({"wet"})}, {}, {"touches": frozenset({"stream"})}, {}),
    "E13": ({}, {"snow_m": 0.51}, {}, {"snow_m": 0.5}),
    "F1": (HIGH, {}, {}, {}),
    "F4": ({}, {}, {}, {"season": "autumn"}),
    "F5": ({}, {}, {}, {"season": "unknown"}),
    "F6": ({}, {"season": "summer", "saw_work": "yes"}, {}, {"season": "summer"}),
    "G1": ({"near_m": {"power_line": 14.9}}, {}, {"near_m": {"power_line": 15.0}}, {}),
    "G3": ({"crossings": (crossing("power_line"),)}, {}, {"crossings": (crossing("road"),)}, {}),
    "G4": ({"near_m": {"power_line": 45.0}}, {"saw_work": "yes"}, {}, {"saw_work": "yes"}),
    "G6": ({"stations": (PUMP,)}, {}, {}, {}),
    "G7": ({"longest_m": 101.0}, {}, {"longest_m": 100.0}, {}),
    "H1": ({"stations": (PUMP,)}, {}, {"stations": (PUMP,)}, {"pumped": False}),
    "H2": ({"stations": (PUMP,)}, {}, {}, {}),
    "H3": ({"stations": (PUMP,)}, {}, {"stations": (PUMP,)}, {"power_at_collection": "yes"}),
    "H4": ({"stations": (PUMP,)}, {}, {}, {}),
    "H5": ({"stations": (PUMP,)}, {}, {}, {}),
    "H6": ({"stations": (replace(PUMP, tank_l=1000.0),)}, {}, {"stations": (replace(PUMP, tank_l=999.0),)}, {}),
    "H8": ({"stations": (PUMP,)}, {}, {}, {}),
    "I1": ({}, {"season": "spring"}, {}, {"season": "spring", "snow_m": 0.1}),
    "I2": ({}, {"season": "unknown"}, {}, {"season": "winter"}),
    "I4": ({}, {"season": "autumn"}, {}, {"season": "spring"}),
    "J0": ({"crossings": (crossing("trail", "Old way"),)}, {}, {"crossings": (crossing("trail", "Ski trail"),)}, {}),
    "J1": ({"crossings": (crossing("road"),)}, {}, {"crossings": (crossing("trail"),)}, {}),
    "J2": ({"crossings": (crossing("road"),)}, {}, {}, {}),
    "J3": ({"crossings": (crossing("trail", "Club snowmobile"),)}, {}, {"crossings": (crossing("trail"),)}, {}),
    "J4": ({"crossings": (crossing("trail", "ATV loop"),)}, {}, {"crossings": (crossing("trail", "Ski"),)}, {}),
    "J5": ({"crossings": (crossing("trail", "Ski trail"),)}, {}, {"crossings": (crossing("trail", "ATV"),)}, {}),
    "J6": ({"crossings": (crossing("trail", "Bridle path"),)}, {}, {"crossings": (crossing("trail", "Ski"),)}, {}),
    "J7": ({"crossings": (crossing("trail"),)}, {}, {"crossings": (crossing("stream"),)}, {}),
    "J8": ({"near_m": {"road": 5.0}}, {}, {"near_m": {"road": 5.1}}, {}),
    "K1": ({}, {"hospital_min": 30.0}, {}, {"hospital_min": 29.0}),
    "K2": ({}, {"signal": "unknown"}, {}, {"signal": "yes"}),
    "K3": ({}, {"crew_size": 1}, {}, {"crew_size": 2}),
    "K4": ({}, {"crew_size": 5}, {}, {"crew_size": 4}),
    "K5": ({"walk_in_min": 15.1}, {}, {"walk_in_min": math.nan}, {}),
    "K8": ({"near_m": {"road": 1.0}}, {"gps_error_m": 6.0}, {"near_m": {"road": 1.0}}, {"gps_error_m": 5.0}),
}
ALWAYS = {"F3", "F7", "H7", "K6"}


@pytest.mark.parametrize("code", sorted(TRIGGERS))
def test_trigger_fires_and_stays_silent(code):
    on_facts, on_settings, off_facts, off_settings = TRIGGERS[code]
    assert code in codes(on_facts, **on_settings)
    assert code not in codes(off_facts, **off_settings)


def test_every_code_of_the_templates_is_triggered_or_named_as_not_known_to_a_plan():
    known = set(load_safety("en").notes)
    assert set(TRIGGERS) | ALWAYS | set(NOT_FROM_A_PLAN) | {"K7"} == known
    assert not set(TRIGGERS) & set(NOT_FROM_A_PLAN)
    assert codes() >= ALWAYS


def test_only_the_gravest_slope_row_is_printed():
    for slope, wanted in ((14.0, set()), (20.0, {"E1"}), (35.0, {"E2"}), (60.0, {"E3"}), (math.nan, set())):
        assert codes({"slope_max_pct": slope}) & {"E1", "E2", "E3"} == wanted


def test_keepout_is_two_tree_lengths_and_never_under_the_least():
    for height, wanted in ((8.0, 22.5), (30.0, 60.0)):
        values = dict(fired(Case(QUIET, config(saw_work="yes", tree_height_m=height))))["A6"]
        assert float(dict(values)["keepout_m"]) == wanted


@pytest.mark.parametrize(
    ("name", "code"),
    [("Sentier de motoneige", "J3"), ("VTT", "J4"), ("Sentier équestre", "J6"), ("Hiking path", "J5"), ("", "J0"),
     ("skid trail", "J2"), ("Ski trail", "J5"), ("Chemin de débardage", "J2"), ("skill course", "J0"),
     ("snowmobile and ski trail", "J3")],
)
def test_trail_names(name, code):
    assert trail_code(name) == code


def test_missing_layers_and_unknown_settings_are_not_checked():
    assert set(unchecked(Case(QUIET, config()), ())) == {"storm", "weather"}
    assert "no_go" in unchecked(Case(QUIET, config()), ("no_go",))
    near = {k: v for k, v in QUIET.near_m.items() if k != "power_line"}
    case = Case(
        replace(QUIET, near_m=near, posts=("M1-S04",), slope_max_pct=math.nan, coarse_cell=True, ledge_visible=False),
        config(saw_work="unknown", hospital_min=0.0, crew_size=0, meeting_point=""),
    )
    assert set(unchecked(case, ("water",))) == {
        "power_line", "water", "storm", "weather", "underground", "slope", "coarse", "saw", "hospital", "crew",
        "meeting",
    }
    assert "ledge" in unchecked(Case(replace(QUIET, ledge_visible=False), config()), ())


# ---------------------------------------------------------------- measuring


def given(plan, terrain, ground, number=0, settings=None):
    return {
        "section": plan.sections[number], "mainlines": plan.mainlines, "grouping": plan.grouping,
        "trees": plan.trees, "flow": plan.flow, "crossings": plan.crossings, "ground": ground,
        "terrain": terrain, "settings": settings or plan.settings,
    }


def test_slope_of_a_tilted_plane_is_exact_in_any_direction():
    plan, terrain, ground = sample_plan()
    rows, cols = np.meshgrid(np.arange(320.0), np.arange(330.0), indexing="ij")
    tilted = replace(terrain, z_m=(0.3 * cols - 0.4 * rows).astype(np.float32))
    facts = measure(**given(plan, tilted, ground))
    assert facts.slope_max_pct == pytest.approx(50.0, abs=0.01)
    assert set(facts.slope_at_pct) == {n for n, _ in facts.heights_m if n.startswith("M1-S")}
    assert facts.ledge_at == ""


def test_ledge_beside_the_line_is_seen_and_placed_and_a_far_one_is_not():
    plan, terrain, ground = sample_plan()
    x, y, _ = (float(v) for v in plan.mainlines[0].at(40.0))
    row, col = (round(float(v)) for v in terrain.rowcol(x, y))

    def pit(offset: int, depth_m: float) -> Facts:
        z = np.zeros_like(terrain.z_m)
        z[row + offset: row + offset + 6, col - 2: col + 3] = -depth_m  # south of station 40; the line runs north-east
        return measure(**given(plan, replace(terrain, z_m=z), ground))

    near = pit(5, 2.6)
    assert near.ledge_drop_m == pytest.approx(2.6, abs=1e-5)
    assert near.ledge_at.startswith("M1@")
    assert abs(float(near.ledge_at.partition("@")[2]) - 40.0) < 6.0
    assert pit(5, 1.9).ledge_at == ""  # lower than the limit
    assert pit(16, 2.6).ledge_at == ""  # farther off than the corridor
    assert not measure(**given(plan, replace(terrain, cell_m=2.5), ground)).ledge_visible


def test_terrain_without_data_is_not_called_flat():
    plan, terrain, ground = sample_plan()
    blank = replace(terrain, z_m=np.full_like(terrain.z_m, np.nan))
    facts = measure(**given(plan, blank, ground))
    assert math.isnan(facts.slope_max_pct)
    layers = {dict(n.values)["layer"] for n in notes(**given(plan, blank, ground)) if n.not_checked}
    assert "slope" in layers


def test_distance_is_shortened_by_the_gps_spread():
    plan, terrain, ground = sample_plan()
    x, y = plan.mainlines[0].supports[0].x_m, plan.mainlines[0].supports[0].y_m
    # 30 m south-west of the line's foot: nothing of the section is nearer
    wire = LineString([(x - 60.0, y - 60.0), (x - 21.2132, y - 21.2132)])
    layer = GroundLayer("power_line", (wire,), ("",), GROUND_DEFAULTS["power_line"], "test")
    for spread in (0.0, 4.0, 200.0):
        settings = replace(plan.settings, trees=replace(plan.settings.trees, gps_error_m=spread))
        facts = measure(**given(plan, terrain, replace(ground, layers=(layer,), missing=()), settings=settings))
        assert facts.near_m["power_line"] == pytest.approx(max(0.0, 30.0 - spread), abs=0.01)


def test_dead_trees_pump_and_crossings_belong_to_the_right_section():
    plan, terrain, ground = sample_plan()
    dead = {t for t, reason in zip(plan.trees.tree_id, plan.trees.reason, strict=True) if reason == "DEAD"}
    assert dead
    facts = [measure(**given(plan, terrain, ground, n)) for n in range(3)]
    assert all(set(f.dead_near) <= dead for f in facts)
    assert facts[0].stations == plan.flow.stations
    assert facts[1].stations == ()
    for n, section in enumerate(plan.sections):
        wanted = {
            c.crossing_id for c in plan.crossings for m, a, b in section.pieces
            if c.line_id == m and a <= c.station_m <= b
        }
        assert {c.crossing_id for c in facts[n].crossings} == wanted


# ---------------------------------------------------------------- printing


def test_order_is_severity_and_nothing_is_dropped():
    plan, terrain, ground = sample_plan()
    found = notes(**given(plan, terrain, ground))
    first, rest = split_pages(found)
    assert len(first) == FIRST_PAGE
    shown = {*first, *rest, *(n for n in found if n.not_checked)}
    assert shown == set(found)
    severities = [min(5, n.severity + 1) for n in found]  # hospital 35 min away, no signal: all one step graver
    assert severities == sorted(severities, reverse=True)
    assert all(n.severity == 5 for n in first)


def test_a_wire_across_a_truck_way_stands_before_machine_slopes_and_power_before_all():
    words = load_safety("en")
    codes = ["E6", "J2", "H6", "A6", "G1", "C7"]
    found = [SafetyNote(c, 5, "CL", (("slope_pct", "30"),)) for c in codes]
    assert [n.code for n in in_print_order(found)] == ["G1", "A6", "J2", "C7", "E6", "H6"]
    assert {code[0] for code in words.notes} == set("ABCDEFGHIJK")


def test_far_from_help_raises_every_note_by_one_step():
    plan, terrain, ground = sample_plan()
    found = notes(**given(plan, terrain, ground))
    far = [n.code for n in found if not n.not_checked]
    calm = [n for n in found if n.code not in ("K1", "K2") and not n.not_checked]
    near = [n.code for n in in_print_order(calm)]
    d2, k6 = far.index("D2"), far.index("K6")
    assert d2 < far.index("H7")
    assert k6 < far.index("E13") if "E13" in far else k6 >= 0
    assert [c for c in far if c not in ("K1", "K2")] == near  # order inside stays


@pytest.mark.parametrize("language", ["en", "fr"])
@pytest.mark.parametrize("system", ["us", "metric"])
def test_every_fired_note_prints_without_blanks(language, system):
    words, units = load_safety(language), Units(system)
    facts = replace(
        QUIET, **HIGH, slope_at_pct={"M1-S09": 20.0},
        near_m={"power_line": 2.0, "stream": 3.0, "water": 4.0, "road": 1.0},
        posts=("M1-S04",), bends_deg=(("M1-S01", 30.0),), weak_anchors=("M1-S00",), slope_max_pct=55.0, length_m=200.0,
        longest_m=200.0, ledge_at="M1@12.000", ledge_drop_m=2.5, touches=frozenset({"wet"}), dead_near=("T1", "T2"),
        dead_per_ha=60.0, stations=(replace(PUMP, tank_l=5000.0),), walk_in_min=20.0,
        crossings=tuple(crossing(k, n) for k, n in (
            ("road", ""), ("trail", "ATV"), ("trail", "ski"), ("trail", "x"), ("trail", "horse"), ("trail", "sled"),
            ("stream", ""), ("power_line", ""),
        )),
    )
    stated = {"saw_work": "yes", "crew_size": 0, "hospital_min": 45.0, "signal": "no", "season": "unknown"}
    case = Case(facts, config(**stated, gps_error_m=8.0))
    for code, values in fired(case):
        text = note_text(_note(words, code, values), words, units)
        assert not re.search(r"[{}]|\bnan\b|@|;M1", text), text
    for key in ("E3", "A7", "E6"):
        text = note_text(_note(words, key, dict(fired(case))[key]), words, units)
        assert "55 % (29°)" in text  # percent and degrees both: 55 % is 28.8 degrees


def test_trees_of_laterals_above_reach_are_named_as_trees():
    plan, terrain, ground = sample_plan()
    lateral = plan.laterals[0]
    raised = replace(lateral, xyz_m=lateral.xyz_m + np.array([0.0, 0.0, 2.0]))
    grouping = replace(plan.grouping, laterals=(raised, *plan.laterals[1:]))
    found = notes(**{**given(plan, terrain, ground), "grouping": grouping})
    ladder = next(n for n in found if n.code == "C1")
    tag = plan.trees.tree_id[lateral.tree[-1]]
    height = raised.xyz_m[-1, 2] - plan.trees.ground_z_m[lateral.tree[-1]]
    for language, word in (("en", "tree"), ("fr", "arbre")):
        text = note_text(ladder, load_safety(language), Units("metric"))
        assert f"{word} {tag} ({height:.2f} m)" in text
    assert any(n.code == "C4" for n in found)  # a ladder there leans on the tree


def _note(words: SafetyWords, code: str, values):
    row = words.notes[code]
    return SafetyNote(code, row.severity, row.sign_off, values)


# ---------------------------------------------------------------- templates


def test_languages_have_the_same_rows_blanks_sources_and_severities():
    en, fr = load_safety("en"), load_safety("fr")
    assert set(en.notes) == set(fr.notes)
    assert set(en.layer) == set(fr.layer)
    assert set(en.answer) == set(fr.answer)
    assert set(en.group) == set(fr.group)
    assert len(en.fixed) == len(fr.fixed) == 5
    for code, row in en.notes.items():
        other = fr.notes[code]
        assert (row.severity, row.sign_off, row.source, row.mark, row.basis) == (
            other.severity, other.sign_off, other.source, other.mark, other.basis
        ), code
        assert sorted(re.findall(r"\{\w+\}", row.text)) == sorted(re.findall(r"\{\w+\}", other.text)), code
        assert row.text != other.text, code
    for (_, text), (_, other) in zip(en.fixed, fr.fixed, strict=True):
        assert sorted(re.findall(r"\{\w+\}", text)) == sorted(re.findall(r"\{\w+\}", other))
        assert text != other


@pytest.mark.parametrize("language", ["en", "fr"])
def test_every_row_is_sourced_graded_and_never_promises_safety(language):
    words = load_safety(language)
    promise = re.compile(
        r"no (known )?hazards?|hazard[- ]free|is safe|safe to|aucun danger|sans danger|sécuritaire", re.IGNORECASE
    )
    for code, row in words.notes.items():
        assert 1 <= row.severity <= 5, code
        assert row.sign_off in ("", "CL", "CL+Q"), code
        assert row.source, code
        assert re.search(r"read|memory", row.mark), code
        assert row.basis.startswith(("S", "M", "D", "-")), code
        assert not promise.search(row.text), code
    assert not any(promise.search(text) for _, text in words.fixed)
    assert "{keepout_m}" in words.fixed[3][1]


@pytest.mark.parametrize("language", ["en", "fr"])
def test_sections_of_the_code_of_federal_regulations_stand_beside_their_notes(language):
    """29 CFR 1910.266 (logging), 1910.23 (ladders), 1910.333(c)(3) (overhead lines), 1910.147 (lockout): by family."""
    notes_ = load_safety(language).notes
    saw = [code for code in notes_ if code[0] == "A"]
    assert sum("1910.266" in notes_[code].source for code in saw) >= 0.7 * len(saw)
    for code, section in (("A1", "1910.266(d)(1)"), ("A6", "1910.266(d)(6)(ii)"), ("C2", "1910.23"), ("C3", "1910.23"),
                          ("G1", "1910.333(c)(3)"), ("H2", "1910.147")):
        assert section in notes_[code].source, code


def test_numbers_read_in_sources_stand_in_the_words():
    """29 CFR 1910.266(e)(2): 50 ft; Quebec S-2.1, r. 12.1: 22.5 m; 1910.333(c)(3): 10 ft and 4 in per 10 kV."""
    words = load_safety("en")
    assert "15 m (50 ft)" in words.notes["A3"].text
    assert "22.5 m" in words.fixed[3][1]
    assert "3 m (10 ft)" in words.notes["G1"].text
    assert "4 in" in words.notes["G1"].text
    assert "1 for every 4" in words.notes["C2"].text
    assert math.degrees(math.atan(4.0)) == pytest.approx(75.96, abs=0.01)  # "about 75 degrees"
