"""The bush file's contract: tables, keys, units, defaults and their meaning, as frozen records.

Every field carries its key, its kind of quantity, its default as a grower would
write it, the plausible range and one line of help. The reader
(:mod:`pipeline.bushfile`), the commented starter file and the effective
settings that a plan keeps are all made from these fields, so they cannot drift
apart. Values are SI; the numbers' sources stand in ``templates/rules.csv``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any, Literal

from pipeline.units import Kind, parse

GroundKind = Literal["property", "no_go", "wet", "stream", "water", "road", "power_line", "trail"]
GroundRule = Literal["inside", "no_go", "cost", "cross"]


def _quantity(key: str, kind: Kind, default: str, help_text: str, least: str = "", most: str = "") -> Any:
    """Declare a field whose bush-file value is a text with a unit."""
    return field(
        default=parse(default, kind),
        metadata={
            "key": key, "type": "quantity", "kind": kind, "text": default, "help": help_text,
            "least": parse(least, kind) if least else -math.inf,
            "most": parse(most, kind) if most else math.inf,
        },
    )


def _word(default: str, help_text: str, choices: tuple[str, ...] = ()) -> Any:
    """Declare a field that holds a word or a text, from a list of choices when there is one."""
    return field(default=default, metadata={"type": "word", "help": help_text, "choices": choices})


def _words(default: tuple[str, ...], help_text: str) -> Any:
    """Declare a field that holds a list of texts."""
    return field(default=default, metadata={"type": "words", "help": help_text})


def _count(default: int, help_text: str, least: int = 0, most: int = 10**9) -> Any:
    """Declare a field that holds a whole number."""
    return field(default=default, metadata={"type": "count", "help": help_text, "least": least, "most": most})


def _number(default: float, help_text: str, least: float = -math.inf, most: float = math.inf) -> Any:
    """Declare a field that holds a bare number."""
    return field(default=default, metadata={"type": "number", "help": help_text, "least": least, "most": most})


def _flag(*, default: bool, help_text: str) -> Any:
    """Declare a field that holds true or false."""
    return field(default=default, metadata={"type": "flag", "help": help_text})


@dataclass(frozen=True, slots=True)
class BushSettings:
    """``[bush]``: the woodlot and how its paper looks."""

    name: str = _word("My sugar bush", "name printed on every sheet")
    units: Literal["us", "metric"] = _word("us", "us: feet, inches, US gallons, inHg", ("us", "metric"))
    language: Literal["en", "fr"] = _word("en", "language of the sheets", ("en", "fr"))
    paper: Literal["letter", "a4", "legal", "tabloid"] = _word(
        "letter", "paper of the sheets", ("letter", "a4", "legal", "tabloid")
    )
    date: str = _word("", "plan date printed on the sheets, YYYY-MM-DD; today when empty")
    made_by: str = _word("", "who made the plan, printed on the sheets")
    revision: str = _word("A", "revision letter of the sheets")


@dataclass(frozen=True, slots=True)
class TreeSettings:
    """``[trees]``: the survey of tappable trees."""

    file: str = _word("trees.gpx", "GPX, CSV, GeoPackage, GeoJSON, shapefile or KML, relative to the bush file")
    layer: str = _word("", "layer inside the file; the only one, or GPX waypoints, when empty")
    crs: str = _word("", "CRS of x/y columns, e.g. EPSG:26918; lon/lat and the file's own CRS need none")
    id_column: str = _word("", "column of the tree's tag; found by name when empty")
    species_column: str = _word("", "column of the species; found by name when empty")
    dbh_column: str = _word("", "column of the trunk diameter at breast height; found by name when empty")
    status_column: str = _word("", "column of the tree's state (dead, alive); found by name when empty")
    dbh_unit: Literal["in", "cm", "mm", "m"] = _word("in", "unit of the diameters", ("in", "cm", "mm", "m"))
    species: tuple[str, ...] = _words(
        ("sugar maple", "red maple", "maple", "acer saccharum", "acer rubrum"),
        "species that are tapped; others are kept as 'not tapped'",
    )
    excluded_status: tuple[str, ...] = _words(("dead", "cut", "snag"), "states that are not tapped")
    guideline: str = _word("conservative", "taps by diameter, a scheme of templates/guidelines.csv")
    duplicate_distance_m: float = _quantity(
        "duplicate_distance", "length", "5 ft", "two points nearer than this with like diameter are one tree",
        "0 m", "10 m",
    )
    gps_error_m: float = _quantity("gps_error", "length", "15 ft", "spread of a survey point", "0 m", "50 m")


@dataclass(frozen=True, slots=True)
class TerrainSettings:
    """``[terrain]``: the elevation raster."""

    file: str = _word("terrain.tif", "GeoTIFF or ASCII grid of ground elevation, relative to the bush file")
    crs: str = _word("", "CRS, only when the file does not say, e.g. EPSG:26918")
    vertical_unit: str = _word("", "m, ft or us-ft, when the file does not say", ("", "m", "ft", "us-ft"))
    vertical_datum: str = _word("", "name of the vertical datum, printed on the sheets")
    kind: str = _word("bare-earth", "bare-earth, or surface (tree tops: not usable)", ("bare-earth", "surface"))
    vertical_error_m: float = _quantity(
        "vertical_error", "length", "0.5 ft", "standard error of the raster's elevations", "0 m", "10 m"
    )
    cell_m: float = _quantity(
        "cell", "length", "0 m", "cell of the working grid; 0 keeps the raster's own", "0 m", "10 m"
    )
    cell_limit_m: float = _quantity(
        "cell_limit", "length", "10 m", "rasters coarser than this cannot prove a grade and are refused", "1 m"
    )


@dataclass(frozen=True, slots=True)
class CollectionSettings:
    """``[[collection]]``: a place where the sap arrives."""

    collection_id: str = field(
        default="C1", metadata={"key": "id", "type": "word", "help": "short name", "choices": ()}
    )
    lon: float = _number(math.nan, "longitude in degrees (with lat), or", -180.0, 180.0)
    lat: float = _number(math.nan, "latitude in degrees", -90.0, 90.0)
    x: float = _number(math.nan, "easting in metres in the terrain's CRS (with y)")
    y: float = _number(math.nan, "northing in metres in the terrain's CRS")
    inlet_height_m: float = _quantity("inlet_height", "length", "3 ft", "inlet above the ground", "0 m", "6 m")
    kind: str = _word("tank", "what stands there", ("tank", "releaser", "roadside"))


@dataclass(frozen=True, slots=True)
class GroundLayerSettings:
    """``[ground.KIND]``: one layer of what lies on the ground."""

    file: str = _word("", "file, relative to the bush file")
    layer: str = _word("", "layer inside the file")
    rule: GroundRule = _word(
        "no_go", "inside: stay inside; no_go: never; cost: dearer; cross: pass over at the clearance",
        ("inside", "no_go", "cost", "cross"),
    )
    buffer_m: float = _quantity("buffer", "length", "0 ft", "widen lines and areas by this much", "0 m", "200 m")
    clearance_m: float = _quantity(
        "clearance", "length", "0 ft", "lowest line above it (rule cross)", "0 m", "12 m"
    )
    cost_factor: float = _number(1.0, "how many times dearer a metre is there", 1.0, 100.0)


# What each kind of layer means when the bush file does not say otherwise:
# rule, buffer, clearance, cost factor. Clearances: templates/rules.csv.
GROUND_DEFAULTS: dict[GroundKind, GroundLayerSettings] = {
    "property": GroundLayerSettings(rule="inside", buffer_m=parse("5 ft", "length")),
    "no_go": GroundLayerSettings(rule="no_go"),
    "wet": GroundLayerSettings(rule="cost", cost_factor=2.5),
    "stream": GroundLayerSettings(rule="cross", buffer_m=1.0, cost_factor=1.5),
    "water": GroundLayerSettings(rule="no_go", buffer_m=1.0),
    "road": GroundLayerSettings(rule="no_go", buffer_m=2.0, clearance_m=parse("15.5 ft", "length")),
    "power_line": GroundLayerSettings(rule="no_go", buffer_m=parse("15 ft", "length")),
    "trail": GroundLayerSettings(
        rule="cross", buffer_m=1.0, clearance_m=parse("8 ft", "length"), cost_factor=1.5
    ),
}


@dataclass(frozen=True, slots=True)
class PinSettings:
    """``[pins]``: lines to keep, gaps that must be used, places to avoid."""

    file: str = _word("", "file with the layers below")
    lines_layer: str = _word("", "existing mainlines kept as they are (LineString Z)")
    gaps_layer: str = _word("", "areas where a no-go layer may be passed")
    avoid_layer: str = _word("", "areas where no line may go")


@dataclass(frozen=True, slots=True)
class LateralSettings:
    """``[laterals]``: the small lines from tree to tree."""

    max_length_m: float = _quantity("max_length", "length", "100 ft", "longest lateral", "5 m", "100 m")
    max_taps: int = _count(10, "most taps on one lateral", 1, 30)
    aim_taps: int = _count(5, "taps on one lateral to aim for", 1, 30)
    min_grade_pct: float = _quantity("min_grade", "grade", "2 %", "least fall of a lateral", "0 %", "20 %")
    aim_grade_pct: float = _quantity("aim_grade", "grade", "5 %", "fall to aim for", "0 %", "30 %")
    lowest_m: float = _quantity("lowest", "length", "2 ft", "lowest lateral above ground", "0 m", "3 m")
    highest_m: float = _quantity("highest", "length", "6 ft", "highest lateral above ground", "0.5 m", "4 m")
    reach_m: float = _quantity(
        "reach", "length", "80 ft", "farthest from a mainline that a tree is served", "3 m", "60 m"
    )
    entry_spacing_m: float = _quantity(
        "entry_spacing", "length", "3 ft", "least distance between two entries", "0 m", "10 m"
    )
    entry_cost_m: float = _quantity(
        "entry_cost", "length", "15 ft", "an entry costs as much as this length of lateral", "0 m", "50 m"
    )
    drop_length_m: float = _quantity("drop_length", "length", "32 in", "drop line, spout to lateral", "0.3 m", "2 m")


@dataclass(frozen=True, slots=True)
class MainlineSettings:
    """``[mainlines]``: where they may run and what they are worth."""

    min_grade_pct: float = _quantity("min_grade", "grade", "2 %", "least fall everywhere", "0.1 %", "20 %")
    lowest_m: float = _quantity("lowest", "length", "2.5 ft", "lowest line above ground or snow", "0.1 m", "4 m")
    aim_m: float = _quantity("aim", "length", "4 ft", "height above ground to aim for", "0.2 m", "5 m")
    ladder_m: float = _quantity("ladder", "length", "6.5 ft", "above this a ladder is needed", "1 m", "5 m")
    highest_m: float = _quantity("highest", "length", "10 ft", "never higher above ground", "0.5 m", "9 m")
    sag_allowance_m: float = _quantity("sag_allowance", "length", "2 in", "most sag between side ties", "0 m", "0.5 m")
    closest_ties_m: float = _quantity(
        "closest_ties", "length", "18 in", "side ties are never asked for closer than this", "0.1 m", "5 m"
    )
    max_support_gap_m: float = _quantity(
        "max_support_gap", "length", "40 ft", "longest distance between supports", "2 m", "60 m"
    )
    support_reach_m: float = _quantity(
        "support_reach", "length", "6 ft", "a tree this near the line can hold it by a side tie", "0 m", "6 m"
    )
    max_bend_deg: float = _quantity("max_bend", "angle", "60 deg", "sharpest turn at one support", "5 deg", "120 deg")
    bend_cost_m: float = _quantity("bend_cost", "length", "13 ft", "a bend costs as much as this length", "0 m", "50 m")
    tap_worth_m: float = _quantity(
        "tap_worth", "length", "30 ft", "mainline that one more tap is worth", "0.5 m", "200 m"
    )
    effort: Literal["quick", "normal", "thorough"] = _word(
        "normal", "how long to look for a better layout", ("quick", "normal", "thorough")
    )
    seed: int = _count(1, "seed of the search; the same seed gives the same plan")


@dataclass(frozen=True, slots=True)
class FlowSettings:
    """``[flow]``: sap, vacuum, wire and what stands at the end of the line."""

    peak_flow_l_min: float = _quantity("peak_flow", "flow", "0.20 gal/h", "sap of one tap at the peak", "0 L/min")
    sensitivity_flow_l_min: float = _quantity(
        "sensitivity_flow", "flow", "0.40 gal/h", "sap of one tap in the second scenario", "0 L/min"
    )
    fill_ratio: float = _quantity("fill", "ratio", "50 %", "most of a bore filled at the peak", "5 %", "95 %")
    pipes: str = _word("id_controlled", "catalogue of templates/pipes.csv to choose sizes from")
    pumped: bool = _flag(default=True, help_text="whether a vacuum pump is used")
    vacuum_kpa: float = _quantity("vacuum", "vacuum", "25 inHg", "vacuum at the pump", "0 kPa", "101 kPa")
    air_per_tap_m3_s: float = _quantity("air_per_tap", "air", "0.01 cfm", "leaks and tree gas of one tap (free air)")
    loss_budget_kpa: float = _quantity(
        "loss_budget", "vacuum", "2 inHg", "vacuum that may be lost from the pump to the farthest tap", "0.1 kPa"
    )
    pair: Literal["auto", "never", "always"] = _word(
        "auto", "wet and dry pair of mainlines", ("auto", "never", "always")
    )
    tank_per_tap_l: float = _quantity("tank_per_tap", "volume", "2 gal", "tank volume for each tap", "0 L")
    wire_tension_n: float = _quantity("wire_tension", "force", "250 lbf", "tension of the mainline wire", "100 N")
    wire: str = _word("12.5", "gauge of the mainline wire, a row of templates/wire.csv")
    power_at_collection: str = _word("unknown", "whether there is electric power", ("yes", "no", "unknown"))


@dataclass(frozen=True, slots=True)
class SheetSettings:
    """``[sheets]``: how the paper is cut and what the crew must know."""

    section_taps: int = _count(150, "about this many taps on one section", 10, 2000)
    section_length_m: float = _quantity("section_length", "length", "800 ft", "longest mainline on one section", "30 m")
    crew_size: int = _count(2, "people in the crew; 0 when not known", 0, 50)
    season: str = _word("unknown", "when the work is done", ("unknown", "winter", "spring", "summer", "autumn"))
    snow_m: float = _quantity("snow", "length", "0 ft", "snow on the ground during the work", "0 m", "5 m")
    tree_height_m: float = _quantity("tree_height", "length", "75 ft", "height of the tallest trees", "2 m", "60 m")
    saw_work: str = _word("yes", "whether saws are used to clear the way", ("yes", "no", "unknown"))
    meeting_point: str = _word("", "where crew and ambulance meet, in words")
    meeting_lon: float = _number(math.nan, "its longitude", -180.0, 180.0)
    meeting_lat: float = _number(math.nan, "its latitude", -90.0, 90.0)
    emergency_call: str = _word("", "number to call")
    hospital: str = _word("", "nearest hospital")
    hospital_min: float = _quantity("hospital_drive", "duration_min", "0 min", "drive to it; 0 when not known", "0 min")
    signal: str = _word("unknown", "whether phones work in the bush", ("yes", "no", "unknown"))
    radio: str = _word("", "radio channel")


@dataclass(frozen=True, slots=True)
class PriceSettings:
    """``[prices]``: money."""

    file: str = _word("", "CSV like templates/prices.csv; that one, of examples, when empty")
    currency: str = _word("USD", "currency printed beside money")
    labour_per_h: float = _number(25.0, "cost of one crew member's hour", 0.0)


@dataclass(frozen=True, slots=True)
class Settings:
    """Everything a plan depends on besides the data: the bush file with all defaults filled in."""

    bush: BushSettings = field(default_factory=BushSettings)
    trees: TreeSettings = field(default_factory=TreeSettings)
    terrain: TerrainSettings = field(default_factory=TerrainSettings)
    collection: tuple[CollectionSettings, ...] = (CollectionSettings(),)
    ground: dict[GroundKind, GroundLayerSettings] = field(default_factory=dict)
    pins: PinSettings = field(default_factory=PinSettings)
    laterals: LateralSettings = field(default_factory=LateralSettings)
    mainlines: MainlineSettings = field(default_factory=MainlineSettings)
    flow: FlowSettings = field(default_factory=FlowSettings)
    sheets: SheetSettings = field(default_factory=SheetSettings)
    prices: PriceSettings = field(default_factory=PriceSettings)
