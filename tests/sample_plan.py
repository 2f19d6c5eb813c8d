"""A plan made by hand on an invented hillside, for tests of the paper.

Nothing here is measured anywhere. Three mainlines, fifteen laterals and some sixty
trees lie on an analytic slope; lines fall at least 2 % and laterals run uphill, so that
every number on the sheets has a plausible size.
"""

from __future__ import annotations

import math
from dataclasses import replace
from itertools import pairwise

import numpy as np
from pipeline import safety
from pipeline.findings import Finding
from pipeline.frame import Frame, utm_frame
from pipeline.records import (
    CollectionPoint,
    Crossing,
    Flow,
    Ground,
    GroundLayer,
    Grouping,
    Lateral,
    Mainline,
    Part,
    Pipe,
    Plan,
    Section,
    Station,
    Support,
    Takeoff,
    Trees,
)
from pipeline.settings import (
    GROUND_DEFAULTS,
    BushSettings,
    CollectionSettings,
    Settings,
    SheetSettings,
    TerrainSettings,
)
from pipeline.terrain.grid import Terrain
from shapely.geometry import LineString, Point, Polygon

LON, LAT = -72.905, 44.2135
DATE = "2026-03-02"
_TOP_ROW_M, _LEFT_COL_M = 240.0, -40.0  # of the grid, from the origin


def frame() -> Frame:
    """Return the frame of the hillside."""
    return utm_frame(LON, LAT, "NAVD 88")


def origin() -> tuple[float, float]:
    """Return the plan coordinates that the shapes below are counted from."""
    x, y = frame().from_lonlat(LON, LAT)
    return round(float(x), -1), round(float(y), -1)


def height_m(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Return ground elevation at offsets from the origin: a slope, a rib and a draw."""
    rib = 2.2 * np.exp(-(((x - 95.0) / 28.0) ** 2) - ((y - 120.0) / 60.0) ** 2)
    draw = -2.6 * np.exp(-(((x - 168.0 - 0.15 * (y - 90.0)) / 11.0) ** 2))
    wave = 0.45 * np.sin(x / 17.0) * np.cos(y / 23.0)
    return 372.0 + 0.045 * x + 0.165 * y + rib + draw + wave


def terrain() -> Terrain:
    """Return the hillside as a 1 m grid."""
    x0, y0 = origin()
    cols, rows = np.meshgrid(np.arange(330.0), np.arange(320.0))
    z = height_m(cols + _LEFT_COL_M, _TOP_ROW_M - rows)
    return Terrain(
        z_m=z.astype(np.float32), x0_m=x0 + _LEFT_COL_M, y0_m=y0 + _TOP_ROW_M, cell_m=1.0, frame=frame(),
        vertical_error_m=0.1, source="invented hillside, 1 m grid",
    )


def _walk(points: list[tuple[float, float]], step_m: float) -> np.ndarray:
    """Return supports along a bent line: every bend, and pieces of about `step_m` between."""
    line = LineString(points)
    bends = [line.project(Point(p)) for p in points]
    stations: list[float] = []
    for low, high in pairwise(bends):
        count = max(1, round((high - low) / step_m))
        # uneven on purpose: real trees do not stand at even distances
        share = np.cumsum([1.0 + 0.3 * math.sin(1.7 * (low + k)) for k in range(count)])
        stations += [low + (high - low) * s / share[-1] for s in (0.0, *share[:-1])]
    stations.append(line.length)
    return np.array([(*line.interpolate(s).coords[0], s) for s in stations])


def _hang(rows: np.ndarray, ground: Terrain, start_z_m: float, aim_m: float) -> np.ndarray:
    """Return line elevations: straight runs of five spans near the aim height, at least 2.4 % up everywhere."""
    gz = ground.sample(rows[:, 0], rows[:, 1])
    knots = sorted({*range(0, len(rows), 5), len(rows) - 1})
    z = np.interp(rows[:, 2], rows[knots, 2], np.r_[start_z_m, gz[knots[1:]] + aim_m])
    z = np.maximum(z, gz + 0.8)
    for i in range(1, len(rows)):
        z[i] = max(z[i], z[i - 1] + 0.024 * (rows[i, 2] - rows[i - 1, 2]))
    z[0] = start_z_m
    return z


def _mainline(
    name: str, parent: str, points: list[tuple[float, float]], ground: Terrain, *, start_z_m: float | None = None,
    join_m: float = 0.0, aim_m: float = 1.15, step_m: float = 8.0,
) -> Mainline:
    x0, y0 = origin()
    rows = _walk(points, step_m)
    rows[:, 0] += x0
    rows[:, 1] += y0
    gz = ground.sample(rows[:, 0], rows[:, 1])
    z = _hang(rows, ground, float(gz[0]) + 0.9 if start_z_m is None else start_z_m, aim_m)
    last = len(rows) - 1
    supports = []
    for i, (x, y, s) in enumerate(rows):
        kind = "anchor" if i in (0, last) else "post" if i % 6 == 4 else "tree"
        on_tree = kind == "tree"
        supports.append(Support(
            support_id=f"{name}-S{i:02d}", mainline_id=name, station_m=float(s), x_m=float(x), y_m=float(y),
            kind=kind, tree_id=f"W{i:03d}" if on_tree else "", offset_m=0.3 * (-1) ** i if on_tree else 0.0,
            ground_z_m=float(gz[i]), line_z_m=float(z[i]), binding="window" if i % 3 else "grade",
        ))
    return Mainline(name, parent, "C1", join_m, tuple(supports))


def _laterals(
    line: Mainline, first: int, count: int, ground: Terrain, side: float, start: float, gap: float
) -> list[tuple[Lateral, list[tuple[float, float, float]]]]:
    """Return laterals of a mainline with the trees (x, y, diameter in cm) they run through."""
    out = []
    for k in range(count):
        station = start + gap * k
        x, y, z = (float(v) for v in line.at(station))
        a, b = line.at(station - 1.0), line.at(station + 1.0)
        along = math.atan2(float(b[1] - a[1]), float(b[0] - a[0]))
        heading = along + side * math.pi / 2.0
        points = [(x, y, z)]
        trees = []
        for j in range(3 + (first + k) % 4):
            step = 4.2 + 1.6 * math.sin(1.3 * (k + first) + 2.1 * j)
            turn = heading + 0.5 * math.sin(2.9 * j + k + first)
            px, py, pz = points[-1]
            nx, ny = px + step * math.cos(turn), py + step * math.sin(turn)
            gz = float(ground.sample(nx, ny))
            points.append((nx, ny, max(pz + 0.03 * step, gz + 1.1)))
            trees.append((nx, ny, 27.0 + 5.5 * ((j * 3 + k + first) % 7)))
        lateral = Lateral(
            lateral_id=f"{line.mainline_id}-L{k + 1:02d}", mainline_id=line.mainline_id, entry_station_m=station,
            tree=(), taps=0, xyz_m=np.array(points), grade_confidence="level it" if k % 5 == 3 else "high",
        )
        out.append((lateral, trees))
    return out


def _taps(dbh_cm: float) -> int:
    return 1 if dbh_cm < 46.0 else 2


def _other_trees(ground: Terrain, near: list[tuple[float, float]]) -> list[tuple[str, float, float, float, str, str]]:
    """Return trees that no lateral serves: (id, x, y, diameter, status, reason)."""
    x0, y0 = origin()
    reasons = ("OUT_OF_REACH", "BELOW_OUTLET", "NO_GRADE", "NOT_WORTH_IT")
    out = []
    for i in range(40):
        x = x0 + 8.0 + 236.0 * ((i * 0.618034) % 1.0)
        y = y0 + 4.0 + 208.0 * ((i * 0.381966 + 0.11) % 1.0)
        if min(math.hypot(x - a, y - b) for a, b in near) < 3.5:
            continue
        if i % 2:
            out.append((f"X{i:03d}", x, y, 18.0 + i % 7, "not_tapped", "TOO_SMALL" if i % 4 == 1 else "DEAD"))
        else:
            out.append((f"X{i:03d}", x, y, 33.0 + i, "set_aside", reasons[(i // 2) % 4]))
    return out


def _layer(kind: str, shapes: tuple, names: tuple[str, ...]) -> GroundLayer:
    return GroundLayer(kind, shapes, names, GROUND_DEFAULTS[kind], f"invented {kind}")


def ground_layers(grid: Terrain) -> Ground:
    """Return what lies on the hillside."""
    x0, y0 = origin()

    def line(*points: tuple[float, float]) -> LineString:
        return LineString([(x0 + a, y0 + b) for a, b in points])

    def area(*points: tuple[float, float]) -> Polygon:
        return Polygon([(x0 + a, y0 + b) for a, b in points])

    shape = grid.z_m.shape
    layers = (
        _layer("property", (area((-25, -40), (280, -25), (276, 225), (-30, 215)),), ("Property line",)),
        _layer("stream", (line((205, 230), (186, 160), (172, 100), (166, 40), (176, -50)),), ("Cold Brook",)),
        _layer("road", (line((-30, -8), (60, -18), (150, -20), (270, -30)),), ("Landing road",)),
        _layer("trail", (line((70, -18), (78, 40), (66, 110), (84, 215)),), ("Ski trail",)),
        _layer("wet", (area((140, 10), (172, 4), (180, 30), (150, 38)),), ("Alder swale",)),
        _layer("power_line", (line((-35, 190), (120, 205), (285, 200)),), ("Power line",)),
    )
    return Ground(
        cost=np.ones(shape, np.float32), lowest_m=np.full(shape, 0.76, np.float32),
        highest_m=np.full(shape, 3.05, np.float32), lateral_blocked=np.zeros(shape, bool),
        support_blocked=np.zeros(shape, bool), layers=layers, missing=("no_go", "water"),
    )


def _settings() -> Settings:
    return Settings(
        bush=BushSettings(name="Example hillside", made_by="planning desk", date=DATE, revision="B"),
        terrain=TerrainSettings(vertical_datum="NAVD 88"),
        collection=(CollectionSettings(collection_id="C1", lon=LON, lat=LAT),),
        sheets=SheetSettings(
            meeting_point="landing at the road", meeting_lon=LON + 0.00025, meeting_lat=LAT - 0.0001,
            emergency_call="911", hospital="county hospital", hospital_min=35.0, signal="no", season="winter",
            snow_m=0.3,
        ),
    )


def _pipes(lines: tuple[Mainline, ...], laterals: tuple[Lateral, ...]) -> tuple[Pipe, ...]:
    out = []
    for line in lines:
        taps = sum(lat.taps for lat in laterals if lat.mainline_id == line.mainline_id)
        top = line.plan_length_m
        cuts = [(0.0, top * 0.55, "1 in", 25.1), (top * 0.55, top, "3/4 in", 19.2)]
        for k, (low, high, nominal, bore) in enumerate(cuts if top > 60.0 else [(0.0, top, "3/4 in", 19.2)]):
            out.append(Pipe(
                pipe_id=f"{line.mainline_id}-P{k + 1:02d}", mainline_id=line.mainline_id, from_station_m=low,
                to_station_m=high, role="single", nominal=nominal, inner_diameter_mm=bore, grade_pct=2.4,
                taps=taps - 6 * k, peak_flow_l_min=(taps - 6 * k) * 0.0126, depth_ratio=0.31 - 0.06 * k,
                area_ratio=0.26, velocity_m_s=0.41, vacuum_kpa_low=84.0 - k, vacuum_kpa_high=83.0 - k,
                sidetie_spacing_m=2.4, binding="fill",
            ))
    return tuple(out)


def _crossings(lines: tuple[Mainline, ...], ground: Ground, grid: Terrain) -> tuple[Crossing, ...]:
    out = []
    for line in lines:
        path = LineString(line.xyz_m[:, :2])
        for layer in ground.layers:
            if layer.kind not in ("stream", "trail", "road"):
                continue
            for shape, name in zip(layer.shapes, layer.names, strict=True):
                meet = path.intersection(shape)
                for point in getattr(meet, "geoms", [meet]):
                    if point.is_empty:
                        continue
                    station = path.project(point)
                    x, y, z = (float(v) for v in line.at(station))
                    out.append(Crossing(
                        f"X{len(out) + 1}", line.mainline_id, layer.kind, name, station, x, y,
                        z - float(grid.sample(x, y)), layer.rule.clearance_m,
                    ))
    return tuple(out)


def _sections(lines: tuple[Mainline, ...], laterals: tuple[Lateral, ...]) -> tuple[Section, ...]:
    main, left, right = lines
    middle = main.supports[len(main.supports) // 2].station_m
    pieces = (
        ((main.mainline_id, 0.0, middle),),
        ((main.mainline_id, middle, main.plan_length_m), (right.mainline_id, 0.0, right.plan_length_m)),
        ((left.mainline_id, 0.0, left.plan_length_m),),
    )
    meets = f"M1@{middle:.3f}"
    at_left = f"M1@{left.join_station_m:.3f}"
    neighbours = ((("S02", meets), ("S03", at_left)), (("S01", meets),), (("S01", at_left),))
    out = []
    for i, own in enumerate(pieces):
        index = tuple(
            k for k, lat in enumerate(laterals)
            if any(
                lat.mainline_id == m and (a < lat.entry_station_m <= b or lat.entry_station_m == a == 0.0)
                for m, a, b in own
            )
        )
        by_id = {line.mainline_id: line for line in lines}
        shapes = [LineString(laterals[k].xyz_m[:, :2]) for k in index]
        for m, a, b in own:
            x, y, _ = by_id[m].at(np.linspace(a, b, 12))
            shapes.append(LineString(np.column_stack((x, y))))
        outline = shapes[0]
        for shape in shapes[1:]:
            outline = outline.union(shape)
        out.append(Section(
            section_id=f"S{i + 1:02d}", pieces=own, lateral=index, outline=outline.buffer(15.0).buffer(-11.0),
            neighbours=neighbours[i], taps=sum(laterals[k].taps for k in index),
            trees=sum(len(laterals[k].tree) for k in index), crew_hours=6.5 + 2.25 * i,
        ))
    return tuple(out)


def _takeoff(sections: tuple[Section, ...]) -> Takeoff:
    rows = (
        ("PIPE_1", "Mainline pipe, 1 in", "ft", 100.0, 0.42), ("WIRE", "Support wire, 12.5 gauge", "ft", 100.0, 0.09),
        ("LATERAL", "Lateral pipe, 5/16 in", "ft", 500.0, 0.08), ("DROP", "Drop line with spout", "ea", 25.0, 1.35),
        ("SADDLE", "Lateral-to-mainline saddle", "ea", 1.0, 4.1), ("END_RING", "End ring", "ea", 1.0, 1.15),
        ("POST", "Support post, 8 ft", "ea", 1.0, 12.0), ("TIE", "Wire tie", "ea", 500.0, 0.04),
    )
    by_section, total = [], []
    for k, (code, name, unit, pack, price) in enumerate(rows):
        amounts = [float(round((s.taps + 7) * (2.5 if unit == "ft" else 0.4 + 0.1 * k))) for s in sections]
        for section, amount in zip(sections, amounts, strict=True):
            by_section.append(Part(section.section_id, code, name, amount, unit, 0.0, price, round(amount * price, 2)))
        order = math.ceil(sum(amounts) * 1.05 / pack) * pack
        total.append(Part("", code, name, sum(amounts), unit, order, price, round(order * price, 2)))
    hours = {
        s.section_id: {"mainline": s.crew_hours * 0.5, "laterals": s.crew_hours * 0.35, "drops": s.crew_hours * 0.15}
        for s in sections
    }
    return Takeoff(tuple(by_section), tuple(total), hours, "USD")


def _findings() -> tuple[Finding, ...]:
    return (
        Finding("LADDER_HEIGHT", "check", "supports", "M1-S20", 2.45, 1.98, "m", "M1-S20 hangs 2.45 m above ground.",
                "Bring a ladder or set a post nearer."),
        Finding("LEVEL_IT", "check", "laterals", "M1-L04", 2.1, 2.0, "%", "The fall of M1-L04 is not sure.",
                "Level it before it is hung."),
        Finding("LIFT", "note", "trees", "X004", 2.4, 0.0, "m", "4 trees lie too low.", "Lift the sap by 2.4 m."),
    )


def sample_plan() -> tuple[Plan, Terrain, Ground]:
    """Return the hand-made plan, its hillside and what lies on it."""
    grid = terrain()
    ground = ground_layers(grid)
    main = _mainline("M1", "", [(12, 18), (60, 36), (118, 62), (158, 82), (190, 94), (236, 124)], grid)
    joints = [s for s in main.supports if s.kind == "post"]
    x0, y0 = origin()
    left = _mainline(
        "M1.1", "M1", [(joints[0].x_m - x0, joints[0].y_m - y0), (40, 78), (34, 118), (44, 160)], grid,
        start_z_m=joints[0].line_z_m, join_m=joints[0].station_m, aim_m=1.2,
    )
    right = _mainline(
        "M1.2", "M1", [(joints[2].x_m - x0, joints[2].y_m - y0), (132, 118), (138, 150)], grid,
        start_z_m=joints[2].line_z_m, join_m=joints[2].station_m, aim_m=1.3,
    )
    lines = (main, left, right)
    made = [
        *_laterals(main, 0, 8, grid, 1.0, 22.0, 27.5), *_laterals(left, 3, 4, grid, -1.0, 24.0, 24.0),
        *_laterals(right, 5, 3, grid, 1.0, 18.0, 16.0),
    ]
    return assemble(lines, made, grid, ground), grid, ground


def assemble(
    lines: tuple[Mainline, ...], made: list[tuple[Lateral, list[tuple[float, float, float]]]], grid: Terrain,
    ground: Ground,
) -> Plan:
    """Return the plan of lines and laterals: trees numbered, flows, parts and cautions filled in."""
    rows: list[tuple[str, float, float, float, str, str]] = []
    laterals, lateral_of, order = [], [], []
    for k, (lateral, trees) in enumerate(made):
        index = tuple(range(len(rows), len(rows) + len(trees)))
        laterals.append(replace(lateral, tree=index, taps=sum(_taps(t[2]) for t in trees)))
        for j, (x, y, dbh) in enumerate(trees):
            rows.append((str(401 + len(rows)), x, y, dbh, "served", ""))
            lateral_of.append(k)
            order.append(j + 1)
    near = [(r[1], r[2]) for r in rows] + [(s.x_m, s.y_m) for line in lines for s in line.supports]
    others = _other_trees(grid, near)
    rows += others
    lateral_of += [-1] * len(others)
    order += [0] * len(others)
    x, y = np.array([r[1] for r in rows]), np.array([r[2] for r in rows])
    trees_record = Trees(
        tree_id=tuple(r[0] for r in rows), x_m=x, y_m=y, ground_z_m=grid.sample(x, y),
        species=tuple("sugar maple" if i % 4 else "red maple" for i in range(len(rows))),
        dbh_cm=np.array([r[3] for r in rows]), taps=np.array([_taps(r[3]) if r[4] == "served" else 0 for r in rows]),
        status=tuple(r[4] for r in rows), reason=tuple(r[5] for r in rows), note=("",) * len(rows),
    )
    tree_z = np.array([
        laterals[k].xyz_m[o, 2] if k >= 0 else np.nan for k, o in zip(lateral_of, order, strict=True)
    ])
    frozen = tuple(laterals)
    sections = _sections(lines, frozen)
    taps = sum(lat.taps for lat in frozen)
    foot = lines[0].supports[0]
    flow = Flow(
        _pipes(lines, frozen),
        (Station("C1", taps, taps * 0.0126, 0.0045, taps * 0.02, taps * 7.6, 38.0, 84.7, 82.1,
                 (("peak flow", f"{taps} taps x 0.20 gal/h"),)),),
        np.linspace(84.0, 82.1, len(frozen)),
    )
    grouping = Grouping(
        frozen, tuple(r[5] for r in rows), np.array([lat.xyz_m[0, 2] + 0.4 for lat in frozen]), 310.0, 322.0
    )
    crossings = _crossings(lines, ground, grid)
    cautions = {
        s.section_id: safety.notes(
            section=s, mainlines=lines, grouping=grouping, trees=trees_record, flow=flow, crossings=crossings,
            ground=ground, terrain=grid, settings=_settings(),
        )
        for s in sections
    }
    return Plan(
        settings=_settings(), frame=frame(), trees=trees_record, tree_lateral=np.array(lateral_of),
        tree_order=np.array(order), tree_line_z_m=tree_z,
        collections=(CollectionPoint("C1", foot.x_m, foot.y_m, foot.ground_z_m, foot.line_z_m, "tank"),),
        mainlines=lines,
        grouping=grouping, flow=flow,
        crossings=crossings, sections=sections, takeoff=_takeoff(sections),
        safety=cautions, findings=_findings(), not_checked=("no_go", "water"),
        lift_m=np.array([2.4 if r[5] == "BELOW_OUTLET" else 0.0 for r in rows]), stats={"taps": float(taps)},
    )
