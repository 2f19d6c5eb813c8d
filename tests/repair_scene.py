"""A hillside with two mainlines, made by hand and small enough to repair with pencil and paper.

M1 runs 100 m straight north up a 10 % plane, M1.1 leaves it 40 m above the tank to the east. Nine maples
hang on four laterals, two more hold M1, one is dead. Prices and hours are round numbers of this file.
"""

from __future__ import annotations

import dataclasses

import numpy as np
import shapely
from pipeline.hydraulics import sap
from pipeline.records import (
    Change,
    CollectionPoint,
    Crossing,
    Flow,
    Ground,
    Grouping,
    Lateral,
    Mainline,
    Pipe,
    Plan,
    Section,
    Station,
    Storm,
    StormItem,
    Support,
    Takeoff,
    Trees,
)
from pipeline.replan.site import Site
from pipeline.settings import CollectionSettings, Settings
from pipeline.terrain.grid import Terrain

from small_bush import LOCAL, layer

ROWS, COLS = 120, 100
HIGH_M = 1.2  # every mainline above ground
GPS_M = 1.0
# x, y, taps; the last three: two that hold M1 and a dead one
TREES = [(44.0, 26.0, 1), (38.0, 29.0, 2), (56.0, 66.0, 1), (61.0, 68.0, 1), (66.0, 71.0, 2), (45.0, 91.0, 1),
         (40.0, 94.0, 1), (71.0, 56.0, 1), (72.0, 61.0, 2), (51.0, 35.0, 0), (51.0, 65.0, 0), (90.0, 20.0, 0)]
PRICES = {"PIPE": 2.0, "PIPE 1": 3.0, "WIRE": 0.5, "TWIST TIE": 0.1, "COUPLING": 4.0, "SIDE TIE": 1.5,
          "SIDE WIRE": 0.25, "ANCHOR": 15.0, "POST": 8.0, "ENTRY": 3.0, "TUBING": 0.4, "TEE": 0.5,
          "END RING": 1.0, "DROP TUBING": 0.4, "SPOUT": 0.4}
MINUTES = {"PIPE": 0.6, "WIRE": 1.2, "POST": 20.0, "ANCHOR": 30.0, "SIDE TIE": 6.0, "TUBING": 0.3, "END RING": 3.0,
           "ENTRY": 6.0, "SPOUT": 2.0}
CLEARING = {"tree_down": 2.0, "stem": 1.5, "hung": 4.0, "top_broken": 2.5, "root_plate": 3.0, "line_broken": 0.5,
            "line_pinned": 1.0, "support_lost": 0.25, "access_blocked": 2.0, "blown_area": 3.0, "retire": 0.0,
            "walk_through": 0.5, "retension": 0.75, "restake": 0.125}


def ground_z(y_m):
    return 100.0 + 0.1 * y_m


def terrain() -> Terrain:
    """Return the plane: cell centres at half metres, z = 100 at y = 0."""
    row, _ = np.indices((ROWS, COLS))
    return Terrain(ground_z(ROWS - 0.5 - row).astype(np.float32), 0.5, ROWS - 0.5, 1.0, LOCAL, 0.01, "a plane")


def ground(**change) -> Ground:
    shape = (ROWS, COLS)
    none = np.zeros(shape, dtype=np.bool_)
    trail = layer("trail", shapely.LineString([(40, 80), (60, 80)]), "cross", "Ski trail")
    made = Ground(np.ones(shape, np.float32), np.full(shape, 0.762, np.float32), np.full(shape, 3.048, np.float32),
                  none, none.copy(), (trail,), ())
    return dataclasses.replace(made, **change)


def line(name: str, points, *, parent: str = "", join_m: float = 0.0, held=()) -> Mainline:
    """Return a mainline with a support at every point; ``held`` pairs the index of a support with a tag."""
    xy = np.array(points, dtype=float)
    own = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    tags = dict(held)
    last = len(xy) - 1
    return Mainline(name, parent, "C1", join_m, tuple(
        Support(f"{name}-S{i:02d}", name, float(s), float(x), float(y),
                "tree" if i in tags else "anchor" if i in (0, last) else "post", tags.get(i, ""),
                1.0 if i in tags else 0.0, ground_z(float(y)), ground_z(float(y)) + HIGH_M)
        for i, (s, (x, y)) in enumerate(zip(own, xy, strict=True))))


def lateral(name: str, on: Mainline, station_m: float, members) -> Lateral:
    x, y, z = (float(v) for v in on.at(station_m))
    rows = [(x, y, z)] + [(TREES[i][0], TREES[i][1], ground_z(TREES[i][1]) + 1.3) for i in members]
    return Lateral(name, on.mainline_id, station_m, tuple(members), sum(TREES[i][2] for i in members),
                   np.array(rows), "high")


def trees() -> Trees:
    n = len(TREES)
    x, y, taps = (np.array(c, dtype=float) for c in zip(*TREES, strict=True))
    return Trees(tuple(f"T{i}" for i in range(n)), x, y, ground_z(y), ("sugar maple",) * n, np.full(n, 35.0),
                 taps.astype(np.int64), ("served",) * 9 + ("set_aside", "set_aside", "not_tapped"),
                 ("",) * 9 + ("NOT_WORTH_IT", "NOT_WORTH_IT", "DEAD"), ("",) * n)


def pipe(name: str, on: Mainline, low_m: float, high_m: float, taps: int, *, grade_pct: float = 10.0,
         nominal: str = "3/4", bore_mm: float = 20.93) -> Pipe:
    flow = taps * Settings().flow.peak_flow_l_min
    depth = float(sap.normal_depth_ratio(bore_mm, grade_pct, flow))
    return Pipe(name, on.mainline_id, low_m, high_m, "single", nominal, bore_mm, grade_pct, taps, flow, depth,
                float(sap.area_ratio(depth)), 0.3, 84.0, 83.9, 3.0, "smallest")


def settings() -> Settings:
    made = Settings()
    return dataclasses.replace(made, collection=(CollectionSettings(collection_id="C1", x=50.0, y=5.0),),
                               trees=dataclasses.replace(made.trees, gps_error_m=GPS_M),
                               bush=dataclasses.replace(made.bush, date="2026-03-02"))


def plan(**change) -> Plan:
    """Return the plan: 12 taps, two mainlines, four laterals, three sections."""
    main = line("M1", [(50, y) for y in range(5, 106, 10)], held=((3, "T9"), (6, "T10")))
    branch = line("M1.1", [(50, 45), (60, 48), (70, 51), (80, 54)], parent="M1", join_m=40.0)
    near, far = branch.supports[2].station_m, branch.plan_length_m
    laterals = (lateral("M1-L01", main, 20.0, [0, 1]), lateral("M1-L02", main, 60.0, [2, 3, 4]),
                lateral("M1-L03", main, 85.0, [5, 6]), lateral("M1.1-L01", branch, near, [7, 8]))
    boxes = shapely.box(30, 0, 58, 44), shapely.box(36, 46, 70, 108), shapely.box(51, 43, 84, 64)
    sections = tuple(
        Section(name, pieces, own, box, (), sum(laterals[k].taps for k in own), sum(len(laterals[k].tree) for k in own))
        for name, pieces, own, box in (
            ("S01", (("M1", 0.0, 40.0),), (0,), boxes[0]), ("S02", (("M1", 40.0, 100.0),), (1, 2), boxes[1]),
            ("S03", (("M1.1", 0.0, far),), (3,), boxes[2])))
    sections = (
        dataclasses.replace(sections[0], neighbours=(("S02", "M1@40.000"), ("S03", "M1@40.000"))),
        dataclasses.replace(sections[1], neighbours=(("S01", "M1@40.000"),)),
        dataclasses.replace(sections[2], neighbours=(("S01", "M1@40.000"),)),
    )
    order = np.zeros(len(TREES), dtype=np.int64)
    lateral_of = np.full(len(TREES), -1, dtype=np.int64)
    for k, la in enumerate(laterals):
        lateral_of[list(la.tree)], order[list(la.tree)] = k, np.arange(1, len(la.tree) + 1)
    taps = int(trees().taps.sum())
    pipes = (pipe("M1-P01", main, 0.0, 40.0, taps, nominal="1", bore_mm=26.64), pipe("M1-P02", main, 40.0, 100.0, 6),
             pipe("M1.1-P01", branch, 0.0, far, 3, grade_pct=float(30.0 / np.hypot(10.0, 3.0))))
    made = Plan(
        settings=settings(), frame=LOCAL, trees=trees(), tree_lateral=lateral_of, tree_order=order,
        tree_line_z_m=np.full(len(TREES), np.nan),
        collections=(CollectionPoint("C1", 50.0, 5.0, 100.5, 101.7, "tank"),), mainlines=(main, branch),
        grouping=Grouping(laterals, trees().reason, np.full(4, 115.0)),
        flow=Flow(pipes, (Station("C1", taps, 0.1, 1e-5, 1.0, 30.0, 5.0, 84.66, 83.5),), np.full(4, 83.5)),
        crossings=(Crossing("X1", "M1", "trail", "Ski trail", 75.0, 50.0, 80.0, 1.2, 1.0),), sections=sections,
        takeoff=Takeoff((), (), {}, "USD"), safety={}, findings=(), not_checked=(), lift_m=np.zeros(len(TREES)),
    )
    return dataclasses.replace(made, **change)


def change(revision: str, replaces: str) -> Change:
    """Return the record of a repair that did nothing."""
    return Change(revision, replaces, "2026-04-01", "storm.csv", "exact", *((),) * 9, 0.0, 0.0, 0.0, 12, 12)


def storm(*rows, source: str = "storm.csv") -> Storm:
    """Return a storm of (kind, shape) or (kind, shape, layer, ID) rows; a tree's number stands for its point."""
    items = []
    for k, (kind, shape, *named) in enumerate(rows, start=1):
        if isinstance(shape, int):
            shape, named = shapely.Point(TREES[shape][:2]), ["trees", f"T{shape}"]
        layer, subject = named or ("", "")
        items.append(StormItem(k, kind, shape, layer, subject, "", f"row {k}"))
    return Storm(source, tuple(items))


def site(*rows, made: Plan | None = None, on: Ground | None = None) -> Site:
    """Return the site of a storm with this file's own prices and hours."""
    return Site(made or plan(), terrain(), on or ground(), storm(*rows), PRICES, MINUTES, CLEARING)
