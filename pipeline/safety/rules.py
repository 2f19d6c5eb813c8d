"""The triggers: which note fires on which fact of a section.

Codes, words, sources and severities stand in ``templates/safety``. Thresholds are
named here, each with where it comes from (mark as in the templates: S in a source that
was read, M from memory, D our own default). Rows that a plan cannot know (weather,
machines, what a storm left) are listed in :data:`NOT_FROM_A_PLAN` with the reason.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator
from dataclasses import dataclass

from pipeline.records import Crossing
from pipeline.safety.facts import Facts
from pipeline.settings import Settings

MIN_KEEPOUT_M = 22.5  # A6: Quebec S-2.1, r. 12.1, s. 1 (S)
SHOULDER_M = 1.4  # A4 (D)
CARRY_SLOPE_PCT = 15.0  # A3 (D)
CARRY_M = 15.0  # A3: 29 CFR 1910.266(e)(2), 50 ft (S)
ROLL_SLOPE_PCT = 25.0  # A7 (D)
RETREAT_M = 8.0  # A9 (D)
SNAGS_PER_HA = 50.0  # A12: Quebec r. 12.1, s. 30(2) (S)
DEEP_SNOW_M = 0.5  # E13, A18 (D)
LADDER_FALL_M = 3.0  # C7: Quebec S-2.1, r. 13 (M)
LADDER_LIMIT_M = 5.0  # C8 (D)
LADDER_SLOPE_PCT = 10.0  # C5: HSE ladder leaflet, 6 degrees back (M)
LADDER_LENGTH_M = 3.7  # C10: a 12 ft ladder, the length a 10 ft line needs (D)
BEND_DEG = 15.0  # D3 (D)
RADIO_M = 150.0  # D5 (D)
FOOTING_PCT, PAIRS_PCT, ROPE_PCT = 15.0, 30.0, 50.0  # E1, E2, E3 (D)
ICE_SLOPE_PCT = 10.0  # E4 (D)
MACHINE_UP_PCT = 18.0  # E6: 10 degrees, side-by-side or two riders: Penn State Extension 2024 (S)
MACHINE_ACROSS_PCT = 10.0  # E7, wet or icy (D)
ICE_NEAR_M = 15.0  # E11 (D)
POWER_NEAR_M = 15.0  # G1: IEC 60335-2-76 as restated (S)
LIGHTNING_M = 100.0  # G7 (D)
ENTER_L = 1000.0  # H6: a person fits into a tank of this volume (D)
ROADSIDE_M = 5.0  # J8 (D)
REMOTE_MIN = 30.0  # K1: Quebec r. 12.1, s. 51.8 (S)
BIG_CREW = 5  # K4: Quebec r. 12.1, s. 51.2 (S)
WALK_IN_MIN = 15.0  # K5 (D)
COARSE_SPREAD_M = 5.0  # K8 (D)

# Trail kinds by whole words in their names, the way that needs most room first; rows J2 to J6. English and French.
TRAIL_WORDS = (
    ("J2", "skid|skidder|log|logging|truck|tractor|haul|débardage|tracteur|camion|forestier"),
    ("J3", "snowmobiles?|sleds?|motoneiges?"), ("J6", "horses?|bridle|cheval|chevaux|équestre"),
    ("J4", "atv|ohv|utv|quads?|bikes?|cycle|vtt|vélos?|quad"),
    ("J5", "foot|footpath|hik(?:e|ing)|walk(?:ing)?|ski(?:ing)?|snowshoe|pied|pédestre|raquettes?"),
)

NOT_FROM_A_PLAN = {
    **dict.fromkeys(("A13", "A14", "A15", "B1", "B2", "B3", "B4", "B5", "B6", "B7", "B8", "B9", "D7"),
                    "what a storm left or what lies pinned: change sheets"),
    **dict.fromkeys(("E8", "E9", "G2"), "which machines come along; E6 and E7 stand for all"),
    "F2": "forecast; F1, a lower wind, is printed as a stop line",
    "C11": "stands and platforms are not planned", "G5": "no layer of electric fences",
    "I3": "no survey of plants",
}

Value = tuple[str, str]


@dataclass(frozen=True, slots=True)
class Case:
    """A section's facts with what the settings say about the work."""

    facts: Facts
    settings: Settings

    @property
    def snow_m(self) -> float:
        """Snow stated for the work."""
        return self.settings.sheets.snow_m

    @property
    def saw(self) -> bool:
        """Whether saws are used or cannot be ruled out."""
        return self.settings.sheets.saw_work != "no"

    @property
    def icy(self) -> bool:
        """Whether ice or snow is stated or cannot be ruled out (December to April)."""
        return self.snow_m > 0.0 or self.settings.sheets.season in ("winter", "spring", "unknown")

    @property
    def growing(self) -> bool:
        """Whether it is or may be the season of ticks and wasps."""
        return self.settings.sheets.season != "winter"

    @property
    def high(self) -> list[tuple[str, float]]:
        """Supports and trees whose line hangs above reach from the ground, highest first.

        Snow that shortens the reach today may be gone when the crew stands there, and map and tables mark the same
        places.
        """
        reach = self.settings.mainlines.ladder_m
        found = [(name, h) for name, h in self.facts.heights_m if h > reach]
        return sorted(found, key=lambda item: (-item[1], item[0]))

    def above(self, height_m: float) -> list[tuple[str, float]]:
        """Return supports and trees whose line hangs higher than this from the ground."""
        return [(name, h) for name, h in self.high if h > height_m]

    @property
    def tallest_m(self) -> float:
        """Highest line above the ground."""
        return max((h for _, h in self.facts.heights_m), default=0.0)

    def steeper(self, slope_pct: float) -> bool:
        """Return whether the ground is this steep somewhere; unknown ground is not called steep."""
        return self.facts.slope_max_pct >= slope_pct

    def near(self, kind: str) -> float:
        """Return the distance to a kind of layer, less the GPS spread; infinite when not supplied."""
        return self.facts.near_m.get(kind, math.inf)

    def crosses(self, *kinds: str) -> list[Crossing]:
        """Return the crossings of these kinds."""
        return [c for c in self.facts.crossings if c.kind in kinds]

    @property
    def keepout_m(self) -> float:
        """Two tree lengths, never less than the least."""
        return max(2.0 * self.settings.sheets.tree_height_m, MIN_KEEPOUT_M)


def names(found: list[tuple[str, float]]) -> str:
    """Return names with a height each, as data: ``"M1-S14=2.450"``."""
    return ";".join(f"{name}={value:.3f}" for name, value in found)


def _number(key: str, value: float) -> Value:
    return key, f"{value:.3f}"


def _slope(case: Case) -> tuple[Value, ...]:
    return (_number("slope_pct", case.facts.slope_max_pct),)


def _slope_or_none(case: Case) -> tuple[Value, ...]:
    known = math.isfinite(case.facts.slope_max_pct)
    return _slope(case) if known else (("slope_pct", "nan"),)


def _places(found: list[Crossing]) -> tuple[Value, ...]:
    least = min((c.clearance_m for c in found), default=math.nan)
    return ("places_at", ";".join(f"{c.line_id}@{c.station_m:.3f}" for c in found)), _number("clearance_m", least)


def _crew(case: Case) -> tuple[Value, ...]:
    size = case.settings.sheets.crew_size
    return (("crew", str(size) if size else "unknown"),)


Rows = Iterator[tuple[str, bool, tuple[Value, ...]]]  # code, whether it fires, its values


def _saw_rules(c: Case) -> Rows:
    """Yield the chainsaw rows; they all need saw work."""
    f, height = c.facts, (_number("height_m", c.tallest_m),)
    keepout = (_number("keepout_m", c.keepout_m),)
    yield "A1", True, ()
    yield "A2", True, ()
    yield "A3", f.length_m > CARRY_M or c.steeper(CARRY_SLOPE_PCT) or c.snow_m > 0.0, _slope_or_none(c)
    yield "A4", c.tallest_m > SHOULDER_M, height
    yield "A5", bool(c.high), ()
    yield "A6", True, keepout
    yield "A7", f.slope_max_pct > ROLL_SLOPE_PCT, _slope(c)
    yield "A8", True, ()
    yield "A9", min(c.near("stream"), c.near("water")) <= RETREAT_M or bool(f.ledge_at), ()
    yield "A10", True, ()
    yield "A16", c.settings.sheets.crew_size < 2, _crew(c)
    yield "A17", c.settings.sheets.crew_size >= 2, ()
    yield "A18", c.snow_m > DEEP_SNOW_M or bool(f.touches & {"wet"}), ()
    yield "A19", True, ()
    yield "A20", True, ()
    yield "A21", True, ()
    yield "G4", c.near("power_line") <= 2.0 * c.settings.sheets.tree_height_m, _distance(c, "power_line")


def _snag_rules(c: Case) -> Rows:
    """Yield the rows about dead trees, which endanger everybody."""
    f = c.facts
    yield "A11", bool(f.dead_near), (("trees", ", ".join(f.dead_near)),)
    yield "A12", f.dead_per_ha > SNAGS_PER_HA, (("count", f"{f.dead_per_ha:.0f}"),)


def _distance(c: Case, kind: str) -> tuple[Value, ...]:
    return (_number("distance_m", c.near(kind)),)


def _ladder_rules(c: Case) -> Rows:
    """Yield the ladder rows; they all need a line above reach."""
    high = c.high
    trees = [(name, h) for name, h in high if name in c.facts.trees_held]
    leaning = [
        (name, h) for name, h in high
        if c.facts.slope_at_pct.get(name, c.facts.slope_max_pct) > LADDER_SLOPE_PCT
    ]
    worst = max((c.facts.slope_at_pct.get(name, c.facts.slope_max_pct) for name, _ in leaning), default=math.nan)
    yield "C1", True, (("supports", names(high)),)
    yield "C2", True, ()
    yield "C3", True, ()
    yield "C4", bool(trees), (("supports", names(trees)),)
    yield "C5", bool(leaning), (_number("slope_pct", worst), ("supports", names(leaning)))
    yield "C6", c.icy, ()
    yield "C7", bool(c.above(LADDER_FALL_M)), (("supports", names(c.above(LADDER_FALL_M))),)
    yield "C8", bool(c.above(LADDER_LIMIT_M)), (("supports", names(c.above(LADDER_LIMIT_M))),)
    yield "C9", c.facts.length_m > 0.0, ()
    yield "C10", c.near("power_line") < 3.0 + LADDER_LENGTH_M, _distance(c, "power_line")
    yield "C12", bool(trees) and bool(c.above(LADDER_FALL_M)), ()


def _wire_rules(c: Case) -> Rows:
    """Yield the rows about wire and posts."""
    f, wired = c.facts, c.facts.length_m > 0.0
    bends = sorted(((n, d) for n, d in f.bends_deg if d > BEND_DEG), key=lambda item: (-item[1], item[0]))
    yield "D1", wired, ()
    yield "D2", wired, (_number("tension_n", c.settings.flow.wire_tension_n),)
    yield "D3", bool(bends), (("supports", ", ".join(n for n, _ in bends)),)
    yield "D4", wired, ()
    yield "D5", f.longest_m > RADIO_M, (_number("length_m", f.longest_m),)
    yield "D6", wired and c.settings.sheets.season != "winter", ()
    yield "D8", wired, ()
    yield "D9", bool(f.weak_anchors), (("supports", ", ".join(f.weak_anchors)),)
    yield "D10", bool(f.posts), (("supports", ", ".join(f.posts)),)


def _ground_rules(c: Case) -> Rows:
    """Yield the rows about slope, water and snow; of the foot slopes only the gravest."""
    f, worst = c.facts, c.facts.slope_max_pct
    yield "E1", FOOTING_PCT <= worst < PAIRS_PCT, _slope(c)
    yield "E2", PAIRS_PCT <= worst < ROPE_PCT, _slope(c)
    yield "E3", worst >= ROPE_PCT, _slope(c)
    yield "E4", c.steeper(ICE_SLOPE_PCT) and c.icy, _slope(c)
    yield "E5", bool(f.ledge_at), (_number("drop_m", f.ledge_drop_m), ("places_at", f.ledge_at))
    yield "E6", worst > MACHINE_UP_PCT, _slope(c)
    yield "E7", worst > MACHINE_ACROSS_PCT, _slope(c)
    streams = c.crosses("stream")
    yield "E10", bool(streams), _places(streams)
    yield "E11", c.near("water") <= ICE_NEAR_M and c.icy, _distance(c, "water")
    yield "E12", bool(f.touches & {"wet"}) or bool(c.crosses("wet")), ()
    yield "E13", c.snow_m > DEEP_SNOW_M, (_number("snow_m", c.snow_m),)


def _weather_rules(c: Case) -> Rows:
    """Yield stop lines: a plan has no forecast, so they stand where the work makes them matter."""
    season = c.settings.sheets.season
    yield "F1", c.saw or bool(c.high) or bool(c.facts.dead_near), ()
    yield "F3", True, ()
    yield "F4", season == "winter", ()
    yield "F5", season == "winter", ()
    yield "F6", season == "summer" and c.saw, ()
    yield "F7", True, ()


def _power_rules(c: Case) -> Rows:
    """Yield the rows about power lines, outlets and lightning."""
    yield "G1", c.near("power_line") < POWER_NEAR_M, _distance(c, "power_line")
    yield "G3", bool(c.crosses("power_line")) or "power_line" in c.facts.touches, ()
    yield "G6", bool(c.facts.stations), ()
    yield "G7", c.facts.longest_m > LIGHTNING_M, (_number("length_m", c.facts.longest_m),)


def _house_rules(c: Case) -> Rows:
    """Yield the rows about pump house, tank and sap."""
    stations, flow = c.facts.stations, c.settings.flow
    pumped = bool(stations) and flow.pumped
    tank_l = max((s.tank_l for s in stations), default=0.0)
    yield "H1", pumped, ()
    yield "H2", pumped, ()
    yield "H3", pumped and flow.power_at_collection != "yes", ()
    yield "H4", pumped, ()
    yield "H5", pumped, (_number("vacuum_kpa", flow.vacuum_kpa),)
    yield "H6", tank_l >= ENTER_L, (_number("volume_l", tank_l),)
    yield "H7", True, ()
    yield "H8", pumped, ()


def _season_rules(c: Case) -> Rows:
    """Yield the rows about ticks, wasps and hunters; an unknown season rules none of them out."""
    yield "I1", c.growing and c.snow_m <= 0.0, ()
    yield "I2", c.growing, ()
    yield "I4", c.settings.sheets.season in ("autumn", "unknown"), ()


def trail_code(name: str) -> str:
    """Return the row of a trail by its name: J2 to J6, or J0 when its use is not known."""
    return next((code for code, words in TRAIL_WORDS if re.search(rf"\b(?:{words})\b", name, re.IGNORECASE)), "J0")


def _way_rules(c: Case) -> Rows:
    """Yield the rows about roads and trails."""
    roads, trails = c.crosses("road"), c.crosses("trail")
    yield "J1", bool(roads), _places(roads)
    wheels = roads + [t for t in trails if trail_code(t.name) == "J2"]
    yield "J2", bool(wheels), _places(wheels)
    for code in ("J0", "J3", "J4", "J5", "J6"):
        own = [t for t in trails if trail_code(t.name) == code]
        yield code, bool(own), _places(own)
    yield "J7", bool(roads or trails), _places(roads + trails)
    yield "J8", bool(roads) or c.near("road") <= ROADSIDE_M, ()


def _people_rules(c: Case) -> Rows:
    """Yield the rows about distance from help, crew size and data quality."""
    sheets, spread_m = c.settings.sheets, c.settings.trees.gps_error_m
    yield "K1", sheets.hospital_min >= REMOTE_MIN, (_number("minutes_min", sheets.hospital_min),)
    yield "K2", sheets.signal != "yes", (("signal", sheets.signal),)
    yield "K3", sheets.crew_size < 2, _crew(c)
    yield "K4", sheets.crew_size >= BIG_CREW, _crew(c)
    yield "K5", c.facts.walk_in_min > WALK_IN_MIN, (_number("minutes_min", c.facts.walk_in_min),)
    yield "K6", True, ()
    yield "K8", spread_m > COARSE_SPREAD_M and _at_an_edge(c, spread_m), (_number("spread_m", spread_m),)


def _at_an_edge(c: Case, spread_m: float) -> bool:
    """Return whether some note stands only because distances were shortened by the GPS spread."""
    edges = (
        ("power_line", POWER_NEAR_M), ("stream", RETREAT_M), ("water", ICE_NEAR_M), ("road", ROADSIDE_M),
    )
    away = c.facts.away_m
    return any(c.near(kind) <= limit < away.get(kind, c.near(kind) + spread_m) for kind, limit in edges)


def fired(case: Case) -> list[tuple[str, tuple[Value, ...]]]:
    """Return the codes that fire on a case, each with the values of its blanks."""
    families = [_snag_rules, _wire_rules, _ground_rules, _weather_rules, _power_rules, _house_rules,
                _season_rules, _way_rules, _people_rules]
    if case.saw:
        families.insert(0, _saw_rules)
    if case.high:
        families.append(_ladder_rules)
    return [(code, values) for family in families for code, true, values in family(case) if true]


# Kinds of ground layers whose absence is a danger whether or not the ground stage asks for them.
LAYER_KINDS = ("power_line", "road", "trail", "stream", "water", "wet")
OTHER_KINDS = ("property", "no_go")


def unchecked(case: Case, missing: tuple[str, ...]) -> list[str]:
    """Return what nobody could check, as keys of the templates' ``[layer]`` table."""
    f, sheets = case.facts, case.settings.sheets
    rows = (
        *((kind, kind in missing or kind not in f.near_m) for kind in LAYER_KINDS),
        *((kind, kind in missing) for kind in OTHER_KINDS),
        ("storm", True), ("underground", bool(f.posts)), ("weather", True),
        ("slope", not math.isfinite(f.slope_max_pct)), ("coarse", f.coarse_cell),
        ("ledge", not f.ledge_visible and not f.coarse_cell), ("saw", sheets.saw_work == "unknown"),
        ("hospital", sheets.hospital_min <= 0.0), ("crew", sheets.crew_size == 0),
        ("meeting", not sheets.meeting_point and not math.isfinite(sheets.meeting_lat)),
    )
    return [key for key, true in rows if true]
