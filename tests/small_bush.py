"""A small legal plan on a plane, built record by record, for the tests of the judge and of the order of the stages."""

from __future__ import annotations

import dataclasses

import numpy as np
from pipeline.frame import Frame
from pipeline.hydraulics import sap
from pipeline.judge.case import Case, make_case
from pipeline.records import (
    CollectionPoint,
    Flow,
    Ground,
    GroundLayer,
    Grouping,
    Lateral,
    Mainline,
    Pipe,
    Plan,
    Section,
    Station,
    Support,
    Takeoff,
    Trees,
)
from pipeline.settings import GroundLayerSettings, Settings, TreeSettings
from pipeline.terrain.grid import Terrain
from shapely.geometry import box

LOCAL = Frame("", "local grid", "unknown")
TREES = [(36.0, 23.0, 1), (39.0, 27.0, 2), (24.0, 33.0, 1), (60.0, 60.0, 0), (61.0, 10.0, 0)]


def terrain() -> Terrain:
    """Return a plane that rises 10 % to the north, 60 x 80 m, cells of 1 m, z = 100 at y = 0."""
    row, _ = np.indices((60, 80))
    return Terrain((100.0 + 0.1 * (59.5 - row)).astype(np.float32), 0.5, 59.5, 1.0, LOCAL, 0.01, "a plane")


def ground_z(y_m):
    return 100.0 + 0.1 * y_m


def ground(layers=(), missing=(), gaps=()) -> Ground:
    shape = (60, 80)
    none = np.zeros(shape, dtype=np.bool_)
    return Ground(np.ones(shape, np.float32), np.full(shape, 0.762, np.float32), np.full(shape, 3.048, np.float32),
                  none, none, tuple(layers), tuple(missing), tuple(gaps))


def layer(kind, shape, rule, name="", source="test", **values) -> GroundLayer:
    return GroundLayer(kind, (shape,), (name or kind,), GroundLayerSettings(rule=rule, **values), source)


def trees() -> Trees:
    n = len(TREES)
    x, y, taps = (np.array(c, dtype=float) for c in zip(*TREES, strict=True))
    return Trees(tuple(f"T{i}" for i in range(n)), x, y, ground_z(y), ("sugar maple",) * n, np.full(n, 35.0),
                 taps.astype(np.int64), ("served",) * 3 + ("set_aside", "not_tapped"),
                 ("",) * 3 + ("OUT_OF_REACH", "DEAD"), ("",) * n)


def hung(name, points, heights, parent="", join_m=0.0, kind="post") -> Mainline:
    xy = np.array(points, dtype=float)
    own = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(xy, axis=0).T))])
    return Mainline(name, parent, "C1", join_m, tuple(
        Support(f"{name}-S{i:02d}", name, float(s), float(x), float(y), kind, "", 0.0, ground_z(y), ground_z(y) + h)
        for i, (s, (x, y), h) in enumerate(zip(own, xy, heights, strict=True), start=1)))


def lateral(name, line, station, members, height=1.3) -> Lateral:
    x, y, z = (float(v) for v in line.at(station))
    rows = [(x, y, z)] + [(TREES[i][0], TREES[i][1], ground_z(TREES[i][1]) + height) for i in members]
    return Lateral(name, line.mainline_id, station, tuple(members), sum(TREES[i][2] for i in members),
                   np.array(rows), "high")


def pipe(name, line, low, high, taps, bore=26.64, nominal="1", grade=10.0, role="single") -> Pipe:
    flow = taps * Settings().flow.peak_flow_l_min
    depth = float(sap.normal_depth_ratio(bore, grade, flow))
    return Pipe(name, line, low, high, role, nominal, bore, grade, taps, flow, depth,
                float(sap.area_ratio(depth)), 0.3, 84.0 - low / 100.0, 84.0 - high / 100.0, 9.0)


def plan(**change) -> Plan:
    """Return one mainline up the plane with two laterals, three served trees, one section."""
    main = hung("M1", [(30, y) for y in (5, 15, 25, 35, 45)], [1.0, 1.2, 1.2, 1.2, 1.2])
    laterals = (lateral("M1-L01", main, 15.0, [0, 1]), lateral("M1-L02", main, 24.0, [2]))
    made = Plan(
        settings=Settings(trees=TreeSettings(gps_error_m=0.0)), frame=LOCAL, trees=trees(),
        tree_lateral=np.array([0, 0, 1, -1, -1]), tree_order=np.array([1, 2, 1, 0, 0]),
        tree_line_z_m=np.full(5, np.nan), collections=(CollectionPoint("C1", 30.0, 5.0, 100.5, 101.5, "tank"),),
        mainlines=(main,),
        grouping=Grouping(laterals, ("",) * 3 + ("OUT_OF_REACH", ""), np.full(2, 110.0)),
        flow=Flow((pipe("M1-P01", "M1", 0.0, 40.0, 4),), (Station("C1", 4, 0.05, 1e-5, 1.0, 30.0, 5.0, 84.66, 83.5),),
                  np.full(2, 83.5)),
        crossings=(), sections=(Section("S01", (("M1", 0.0, 40.0),), (0, 1), box(0, 0, 80, 60), (), 4, 3),),
        takeoff=Takeoff((), (), {}, "USD"), safety={}, findings=(), not_checked=(), lift_m=np.zeros(5),
    )
    return dataclasses.replace(made, **change)


def case(made=None, where=None, on=None) -> Case:
    return make_case(made or plan(), on or terrain(), where or ground())


def with_flow(made, *pipes, **values) -> Plan:
    return dataclasses.replace(made, flow=dataclasses.replace(made.flow, pipes=tuple(pipes) or made.flow.pipes,
                                                              **values))


def with_rules(made, table, **values) -> Plan:
    rules = dataclasses.replace(getattr(made.settings, table), **values)
    return dataclasses.replace(made, settings=dataclasses.replace(made.settings, **{table: rules}))
