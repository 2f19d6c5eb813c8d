"""Every number has a row in rules.csv that says where it comes from, and agrees with the program."""

from __future__ import annotations

import math
import re
from dataclasses import fields
from typing import Any

import pytest
from pipeline.flow import choose, ends
from pipeline.hydraulics import air, natural, risers, sap, sizing
from pipeline.resources import template_rows
from pipeline.settings import GROUND_DEFAULTS, Settings
from pipeline.takeoff import tally
from pipeline.units import FT_M, INHG_KPA, parse
from pipeline.wire import SAP_KG_M3

RULES = {row["code"]: row for row in template_rows("rules.csv")}
STATUSES = {"published", "derived", "common practice, no source", "from memory, unverified", "ours"}
# Where something is, not a rule about it.
PLACES = {"collection.lon", "collection.lat", "collection.x", "collection.y", "sheets.meeting_lon",
          "sheets.meeting_lat", "sheets.hospital_drive"}


def numeric_defaults() -> list[tuple[str, Any, str | None]]:
    out = []
    settings = Settings()
    for table in fields(settings):
        if table.name == "ground":
            continue
        record = getattr(settings, table.name)
        record = record[0] if table.name == "collection" else record
        for one in fields(record):
            if one.metadata["type"] in {"quantity", "count", "number"}:
                code = f"{table.name}.{one.metadata.get('key', one.name)}"
                out.append((code, getattr(record, one.name), one.metadata.get("kind")))
    return out


@pytest.mark.parametrize(("code", "default", "kind"), [d for d in numeric_defaults() if d[0] not in PLACES])
def test_defaults_of_the_bush_file_are_ruled(code: str, default: float, kind: str | None) -> None:
    value = RULES[code]["value"]
    assert (parse(value, kind) if kind else float(value)) == pytest.approx(default, rel=1e-12)


def test_places_are_the_only_defaults_without_a_rule() -> None:
    without = {code for code, _, _ in numeric_defaults()} - set(RULES)
    assert without == PLACES


def test_ground_defaults_are_ruled() -> None:
    for kind, rule in GROUND_DEFAULTS.items():
        for name, unit in (("buffer_m", "length"), ("clearance_m", "length"), ("cost_factor", None)):
            neutral = 1.0 if name == "cost_factor" else 0.0
            code = f"ground.{kind}.{name.removesuffix('_m')}"
            value = getattr(rule, name)
            if value == neutral:
                assert code not in RULES
            else:
                text = RULES[code]["value"]
                assert (parse(text, unit) if unit else float(text)) == pytest.approx(value), code


@pytest.mark.parametrize(("code", "value"), [
    ("sap.manning_n", sap.MANNING_N),
    ("sap.manning_n_flat", sap.MANNING_N_FLAT),
    ("sap.flat_grade", sap.FLAT_GRADE_PCT),
    ("sap.density", SAP_KG_M3),
    ("air.temperature", air.LINE_TEMPERATURE_K - 273.15),
    ("air.turbulent_re", air.TURBULENT_RE),
    ("vacuum.share_knee", sizing.SHARE_KNEE),
    ("vacuum.least_share", choose.LEAST_SHARE),
    ("flow.change_every", choose.CHANGE_EVERY_M / FT_M),
    ("natural.column", natural.VACUUM_KPA_PER_M * FT_M / INHG_KPA),
    ("ends.trap_minutes", ends.TRAP_MINUTES),
    ("ends.least_trap", ends.LEAST_TRAP_L),
    ("takeoff.pipe_tie", tally.PIPE_TIE_EVERY_M / FT_M * 12.0),
    ("takeoff.tie_wrap", tally.TIE_WRAP_M),
    ("pair.riser", risers.RISER_EVERY_M / FT_M),
    ("pair.wet_share", choose.WET_SHARE),
    ("takeoff.cut_slack", 100.0 * tally.CUT_SLACK),
    ("takeoff.ring_slack", tally.RING_SLACK_M),
    ("takeoff.unknown_dbh", tally.UNKNOWN_DBH_CM),
    ("takeoff.valve_taps", tally.VALVE_TAPS),
    ("takeoff.flag_support", tally.FLAG_SUPPORT_M),
    ("takeoff.flag_tree", tally.FLAG_TREE_M),
])
def test_numbers_inside_the_program_are_ruled(code: str, value: float) -> None:
    first = re.match(r"[-+]?[0-9.]+", RULES[code]["value"])
    assert first is not None
    assert float(first.group()) == pytest.approx(value, rel=1e-9)


def test_every_rule_has_a_known_status_and_published_ones_a_source() -> None:
    for code, row in RULES.items():
        assert row["status"] in STATUSES, code
        assert row["quantity"], code
        assert row["source"] or row["status"] not in {"published"}, code
    assert len(RULES) == len(template_rows("rules.csv")), "a code stands twice"


def test_guideline_default_is_ruled() -> None:
    assert RULES["trees.guideline"]["value"] == Settings().trees.guideline


def test_pipe_weights_follow_from_their_walls() -> None:
    """Wall area times 955 kg/m3 times standard gravity, as the head of pipes.csv says."""
    for row in template_rows("pipes.csv"):
        bore, outside = float(row["inner_diameter_mm"]) / 1000, float(row["outer_diameter_mm"]) / 1000
        wanted = 955.0 * 9.80665 * math.pi / 4 * (outside**2 - bore**2)
        assert float(row["weight_n_per_m"]) == pytest.approx(wanted, rel=0.01), row["nominal"]
