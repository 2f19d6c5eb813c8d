"""Frozen records that the stages hand to one another.

Coordinates are metres in the plan's frame; elevations are metres in the
terrain's datum. Lines are kept in *station order*: the first vertex is the
lower end (station 0), the last is the top. Only the plan folder turns lines
round into flow direction. Stations are plan (horizontal) distances along a
mainline; lengths named ``length_m`` are true (3D) lengths. Grades are positive
when the line falls towards the collection point.
"""

from __future__ import annotations

from pipeline.records.change import (
    STORM_KINDS,
    Change,
    ChangeItem,
    ChangeJob,
    ChangeStep,
    Damage,
    DamageState,
    NetPart,
    OptionKind,
    RepairOption,
    RepairPiece,
    SectionChange,
    Storm,
    StormItem,
    StormKind,
)
from pipeline.records.given import CollectionPoint, Ground, GroundLayer, Pins, SurveyPoints, Trees
from pipeline.records.kinds import (
    NOT_TAPPED_REASONS,
    SET_ASIDE_REASONS,
    Floats,
    GradeConfidence,
    Grid,
    Ints,
    Mask,
    PipeRole,
    SupportKind,
    TreeStatus,
)
from pipeline.records.lines import Flow, Grouping, Lateral, Mainline, Network, Pipe, Route, Station, Support
from pipeline.records.plan import Crossing, Part, Plan, SafetyNote, Section, Takeoff

__all__ = [
    "NOT_TAPPED_REASONS",
    "SET_ASIDE_REASONS",
    "STORM_KINDS",
    "Change",
    "ChangeItem",
    "ChangeJob",
    "ChangeStep",
    "CollectionPoint",
    "Crossing",
    "Damage",
    "DamageState",
    "Floats",
    "Flow",
    "GradeConfidence",
    "Grid",
    "Ground",
    "GroundLayer",
    "Grouping",
    "Ints",
    "Lateral",
    "Mainline",
    "Mask",
    "NetPart",
    "Network",
    "OptionKind",
    "Part",
    "Pins",
    "Pipe",
    "PipeRole",
    "Plan",
    "RepairOption",
    "RepairPiece",
    "Route",
    "SafetyNote",
    "Section",
    "SectionChange",
    "Station",
    "Storm",
    "StormItem",
    "StormKind",
    "Support",
    "SupportKind",
    "SurveyPoints",
    "Takeoff",
    "TreeStatus",
    "Trees",
]
