"""Column contracts of the plan folder: layer, geometry, columns, types, units, meaning.

The plan writer, the plan reader, the checks at the stage edges and the tables of
DEVELOPERS.md all read this one table.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

ColumnType = Literal["text", "int", "float"]


@dataclass(frozen=True, slots=True)
class Column:
    """One column: its name (unit as suffix), type and meaning."""

    name: str
    type: ColumnType
    meaning: str


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer of ``plan.gpkg``."""

    name: str
    geometry: Literal["Point", "LineString Z", "Polygon", "None"]
    columns: tuple[Column, ...]

    @property
    def column_names(self) -> tuple[str, ...]:
        """Names of the columns, in order."""
        return tuple(c.name for c in self.columns)


def _columns(*rows: tuple[str, ColumnType, str]) -> tuple[Column, ...]:
    return tuple(Column(*row) for row in rows)


TREES = Layer("trees", "Point", _columns(
    ("tree_id", "text", "tag as surveyed, made unique"),
    ("species", "text", "as surveyed"),
    ("dbh_cm", "float", "trunk diameter at breast height"),
    ("taps", "int", "taps the tree carries in this plan"),
    ("status", "text", "served, set_aside or not_tapped"),
    ("reason", "text", "code when not served"),
    ("lateral_id", "text", "lateral that serves it"),
    ("section_id", "text", "section it belongs to"),
    ("order_on_lateral", "int", "1 = nearest the entry"),
    ("ground_z_m", "float", "ground elevation"),
    ("line_height_m", "float", "height of the lateral above ground at the tree"),
    ("lift_m", "float", "how much too low the tree stands for gravity; 0 when high enough"),
    ("note", "text", "what the survey stage noticed"),
))
LATERALS = Layer("laterals", "LineString Z", _columns(
    ("lateral_id", "text", "M1.2-L07"),
    ("section_id", "text", "section that builds it"),
    ("mainline_id", "text", "mainline it enters"),
    ("entry_station_m", "float", "station of its entry"),
    ("trees", "int", "trees it serves"),
    ("taps", "int", "taps it carries"),
    ("length_m", "float", "true length"),
    ("fall_m", "float", "fall from last tree to entry"),
    ("min_grade_pct", "float", "least fall of any piece"),
    ("grade_confidence", "text", "high, level it or unknown"),
    ("entry_vacuum_kpa", "float", "vacuum at the entry, gauge, positive"),
    ("entry_ceiling_z_m", "float", "highest mainline elevation at the entry that keeps it legal"),
    ("pinned", "int", "1 when kept from an earlier plan"),
))
MAINLINES = Layer("mainlines", "LineString Z", _columns(
    ("mainline_id", "text", "M1, M1.2"),
    ("parent_id", "text", "mainline it joins; empty at a collection point"),
    ("collection_id", "text", "where its sap arrives"),
    ("join_station_m", "float", "station of the join on the parent"),
    ("length_m", "float", "true length"),
    ("fall_m", "float", "fall from top to lower end"),
    ("min_grade_pct", "float", "least fall of any span"),
    ("taps_own", "int", "taps of its own laterals"),
    ("taps_total", "int", "those and all branches'"),
    ("section_id", "text", "sections it runs through, ';' between"),
    ("pinned", "int", "1 when kept from an earlier plan"),
))
PIPES = Layer("pipes", "LineString Z", _columns(
    ("pipe_id", "text", "M1.2-P03, counted upward"),
    ("mainline_id", "text", "mainline it is part of"),
    ("from_station_m", "float", "lower end"),
    ("to_station_m", "float", "upper end"),
    ("role", "text", "single, wet or dry"),
    ("nominal", "text", "catalogue size"),
    ("inner_diameter_mm", "float", "bore used in the arithmetic"),
    ("grade_pct", "float", "least grade of the stretch"),
    ("taps", "int", "taps upstream of its lower end"),
    ("peak_flow_l_min", "float", "sap at the peak"),
    ("depth_ratio", "float", "depth of sap to bore"),
    ("area_ratio", "float", "wetted area to bore area"),
    ("velocity_m_s", "float", "sap velocity at the peak"),
    ("vacuum_kpa_low", "float", "vacuum at its lower end, gauge, positive"),
    ("vacuum_kpa_high", "float", "vacuum at its upper end, gauge, positive"),
    ("sidetie_spacing_m", "float", "most distance between side ties"),
    ("binding", "text", "which constraint set the size"),
))
SUPPORTS = Layer("supports", "Point", _columns(
    ("support_id", "text", "M1.2-S14, counted upward"),
    ("mainline_id", "text", "mainline it holds"),
    ("station_m", "float", "distance from the lower end"),
    ("kind", "text", "tree, post or anchor"),
    ("tree_id", "text", "tree that holds it"),
    ("ground_z_m", "float", "ground elevation"),
    ("line_z_m", "float", "line elevation"),
    ("height_m", "float", "line above ground"),
    ("grade_to_next_pct", "float", "fall of the span above it, downhill; NaN at the top"),
    ("bearing_to_next_deg", "float", "true bearing of the span above it"),
    ("distance_to_next_m", "float", "plan length of the span above it"),
    ("reach", "text", "ground or ladder"),
    ("lon", "float", "WGS 84 longitude"),
    ("lat", "float", "WGS 84 latitude"),
    ("offset_m", "float", "tree beside the line, right positive looking up the line"),
    ("binding", "text", "which constraint set the height"),
))
SECTIONS = Layer("sections", "Polygon", _columns(
    ("section_id", "text", "S03"),
    ("mainline_ids", "text", "mainlines with a piece in it, ';' between"),
    ("taps", "int", "taps built from its sheets"),
    ("trees", "int", "trees served"),
    ("laterals", "int", "laterals"),
    ("sheets", "int", "printed pages"),
    ("crew_hours", "float", "labour"),
    ("check_code", "text", "hash of all printed data"),
    ("pieces", "text", "JSON: mainline, from station, to station"),
    ("neighbours", "text", "JSON: section and where they meet"),
))
COLLECTION = Layer("collection", "Point", _columns(
    ("collection_id", "text", "short name"),
    ("inlet_z_m", "float", "elevation of the inlet"),
    ("taps", "int", "taps that arrive"),
    ("peak_flow_l_min", "float", "sap at the peak"),
    ("pump_cfm", "float", "free air the pump must take, cubic feet a minute"),
    ("releaser_l_min", "float", "sap the releaser must pass"),
    ("tank_l", "float", "tank volume"),
    ("kind", "text", "tank, releaser or roadside"),
    ("ground_z_m", "float", "ground elevation"),
    ("vacuum_kpa", "float", "vacuum at the pump"),
    ("farthest_vacuum_kpa", "float", "least vacuum at any entry"),
    ("moisture_trap_l", "float", "volume of the moisture trap"),
    ("arithmetic", "text", "JSON: how each figure was got"),
))
CROSSINGS = Layer("crossings", "Point", _columns(
    ("crossing_id", "text", "X1"),
    ("line_id", "text", "mainline or lateral that crosses"),
    ("kind", "text", "kind of ground layer crossed"),
    ("clearance_m", "float", "lowest line above ground there"),
    ("needed_m", "float", "clearance asked for"),
    ("name", "text", "name of what is crossed"),
    ("station_m", "float", "where along the line"),
))
FINDINGS = Layer("findings", "None", _columns(
    ("code", "text", "see fallgrade explain CODE"),
    ("severity", "text", "note, check or violation"),
    ("layer", "text", "layer of the subject"),
    ("subject_id", "text", "ID in that layer"),
    ("measured", "float", "in the unit beside it"),
    ("limit", "float", "in the unit beside it"),
    ("unit", "text", "SI unit"),
    ("text", "text", "what is so"),
    ("remedy", "text", "what would mend it"),
))

LAYERS: tuple[Layer, ...] = (
    TREES, LATERALS, MAINLINES, PIPES, SUPPORTS, SECTIONS, COLLECTION, CROSSINGS, FINDINGS,
)
