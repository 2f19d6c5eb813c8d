"""Make the demo woodlot: invented relief, trees, ground layers and a storm, the same bytes every time.

Run ``python data_demo/make_demo.py [FOLDER]``; without a folder the files beside
this script are written again. Nothing here was surveyed: the shapes follow what
glaciated northern hardwood hills look like, so that the planner meets a ridge, a
bench, a draw with a stream, a closed kettle, a road with a landing, wet ground, a
trail and a power line.
"""

from __future__ import annotations

import csv
import sys
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from xml.sax.saxutils import escape

import fiona
import numpy as np
import numpy.typing as npt
import pyproj
import rasterio
import shapely
from rasterio.transform import from_origin
from scipy.ndimage import gaussian_filter
from shapely.geometry import LineString, Point, Polygon, mapping
from shapely.geometry.base import BaseGeometry

Floats = npt.NDArray[np.float64]

SEED = 20260302
EPSG = 32618  # WGS 84 / UTM zone 18N
WEST_M, SOUTH_M = 690_000.0, 4_942_000.0
WIDTH_M, HEIGHT_M = 560, 480
NODATA = -9999.0
TANK = (268.0, 34.0)
KETTLE = (452.0, 118.0)
TREES_WANTED = 1000

WORDS = """All of this is invented: no such woodlot, survey, storm or road exists."""


# ---------------------------------------------------------------- shapes (local metres, x east, y north)


def stream_x(y: npt.ArrayLike) -> Floats:
    """Return where the draw's stream runs at a distance from the south edge."""
    y = np.asarray(y, dtype=np.float64)
    return 206.0 + 26.0 * np.sin(y / 92.0 + 0.6) + 0.085 * y + 6.0 * np.sin(y / 23.0) + 2.2 * np.sin(y / 8.7 + 1.0)


def road_y(x: npt.ArrayLike) -> Floats:
    """Return where the road runs at a distance from the west edge."""
    x = np.asarray(x, dtype=np.float64)
    return 15.0 + 4.0 * np.sin(x / 95.0 + 0.4)


def _line(points: list[tuple[float, float]], step: float = 8.0) -> LineString:
    """Return a rounded line through points (corners cut twice)."""
    xy = np.array(points)
    for _ in range(3):
        inner = np.empty((2 * (len(xy) - 1), 2))
        inner[0::2] = 0.75 * xy[:-1] + 0.25 * xy[1:]
        inner[1::2] = 0.25 * xy[:-1] + 0.75 * xy[1:]
        xy = np.vstack([xy[:1], inner, xy[-1:]])
    return LineString(xy).simplify(step / 40.0)


def _blob(centre: tuple[float, float], radii: tuple[float, float], turn_deg: float, wobble: float) -> Polygon:
    """Return an uneven oval."""
    t = np.linspace(0.0, 2.0 * np.pi, 37)[:-1]
    r = 1.0 + wobble * (np.sin(3.0 * t + centre[0]) + 0.6 * np.sin(5.0 * t + centre[1]))
    x, y = radii[0] * r * np.cos(t), radii[1] * r * np.sin(t)
    a = np.radians(turn_deg)
    return Polygon(np.column_stack([
        centre[0] + x * np.cos(a) - y * np.sin(a), centre[1] + x * np.sin(a) + y * np.cos(a)
    ]))


@dataclass(frozen=True)
class Layers:
    """What lies on the ground, in local metres: (shape, name) by layer."""

    property: list[tuple[BaseGeometry, str]]
    wet: list[tuple[BaseGeometry, str]]
    stream: list[tuple[BaseGeometry, str]]
    road: list[tuple[BaseGeometry, str]]
    power_line: list[tuple[BaseGeometry, str]]
    trail: list[tuple[BaseGeometry, str]]

    def items(self) -> list[tuple[str, list[tuple[BaseGeometry, str]]]]:
        """Return the layers by name, in a fixed order."""
        names = ("property", "wet", "stream", "road", "power_line", "trail")
        return [(name, getattr(self, name)) for name in names]


def make_layers() -> Layers:
    """Return the ground layers."""
    xs = np.arange(16.0, 541.0, 12.0)
    south = [(float(x), float(y)) for x, y in zip(xs, road_y(xs), strict=True)]
    outline = Polygon([*south, (544.0, 210.0), (531.0, 462.0), (300.0, 470.0), (14.0, 452.0)])
    ys = np.arange(404.0, -0.1, -2.0)
    stream = LineString(np.column_stack([stream_x(ys), ys]))
    road_x = np.arange(0.0, 560.1, 8.0)
    road = LineString(np.column_stack([road_x, road_y(road_x)]))
    trail = _line([
        (283.0, 46.0), (322.0, 70.0), (372.0, 92.0), (398.0, 140.0), (420.0, 190.0), (468.0, 232.0),
        (452.0, 268.0), (380.0, 262.0), (300.0, 254.0), (226.0, 262.0), (160.0, 282.0), (96.0, 300.0),
        (60.0, 350.0), (88.0, 420.0), (120.0, 450.0),
    ])
    seep = _blob((float(stream_x(268.0)) + 7.0, 270.0), (31.0, 17.0), 12.0, 0.10)
    lower = _blob((float(stream_x(66.0)) - 4.0, 66.0), (12.0, 26.0), -14.0, 0.08)
    pocket = _blob(KETTLE, (13.0, 10.0), 20.0, 0.08)
    return Layers(
        property=[(outline, "Kettle Ledge Bush")],
        wet=[(seep, "seep on the bench"), (lower, "alders by the stream"), (pocket, "kettle bottom")],
        stream=[(stream, "Bench Brook")],
        road=[(road, "Example Road")],
        power_line=[(LineString([(0.0, 88.0), (62.0, 56.0), (128.0, 24.0), (176.0, 0.0)]), "overhead line")],
        trail=[(trail, "skid trail")],
    )


# ---------------------------------------------------------------- relief


def _noise(rng: np.random.Generator, shape: tuple[int, int], length_m: float, sigma_m: float) -> Floats:
    """Return correlated noise with a given standard deviation."""
    raw = gaussian_filter(rng.standard_normal((shape[0] + 120, shape[1] + 120)), length_m)[60:-60, 60:-60]
    return np.asarray(raw / raw.std() * sigma_m, dtype=np.float64)


def _hill(x: Floats, y: Floats) -> Floats:
    """Return the smooth hill: foot slope, lower slope, bench, upper slope, ridge."""
    turn = y + 10.0 * np.sin(x / 130.0)
    knots_y = [-40.0, 0.0, 40.0, 95.0, 165.0, 238.0, 290.0, 370.0, 425.0, 452.0, 475.0, 520.0]
    knots_z = [-2.0, 0.0, 2.6, 8.8, 19.6, 31.8, 34.6, 47.4, 56.8, 59.2, 58.4, 53.5]
    fine = np.arange(-40.0, 521.0)
    profile = gaussian_filter(np.interp(fine, knots_y, knots_z), 7.0)
    z = np.interp(turn, fine, profile)
    # the slope opens like a shallow bowl towards the landing
    fade = np.clip(1.0 - (y - 40.0) / 430.0, 0.15, 1.0)
    z = z + fade * 0.052 * (np.sqrt((x - 250.0) ** 2 + 45.0**2) - 45.0)
    # a spur east of the draw and a rocky knob on the west side
    z = z + 2.4 * np.exp(-(((x - 352.0) / 46.0) ** 2) - ((y - 175.0) / 85.0) ** 2)
    z = z + 3.0 * np.exp(-(((x - 92.0) / 38.0) ** 2) - ((y - 205.0) / 40.0) ** 2)
    return np.asarray(z, dtype=np.float64)


def _draw(x: Floats, y: Floats) -> Floats:
    """Return the draw's depth: shallow at the ridge, deepest on the lower slope, shallow across the bench."""
    depth = np.interp(y, [0.0, 60.0, 150.0, 225.0, 270.0, 330.0, 400.0, 445.0],
                      [2.2, 3.4, 5.2, 4.6, 2.6, 4.2, 2.4, 0.2])
    width = np.interp(y, [0.0, 120.0, 270.0, 440.0], [24.0, 24.0, 32.0, 20.0])
    off = x - stream_x(y)
    side = 160.0 + 0.55 * (y - 250.0)  # a dry side draw on the west side
    second = 1.7 * np.exp(-(((x - side + 40.0) / 15.0) ** 2)) * np.clip((y - 230.0) / 60.0, 0.0, 1.0)
    return np.asarray(depth * np.exp(-np.abs(off / width) ** 1.7) + second * np.clip((430 - y) / 60, 0, 1))


def _kettle(x: Floats, y: Floats, z: Floats) -> Floats:
    """Return the ground with a closed hollow in it, its floor 6.5 m below its lowest way out."""
    u, v = x - KETTLE[0], y - KETTLE[1]
    turn = np.arctan2(v, u)
    r = np.hypot(u / 41.0, v / 33.0) / (1.0 + 0.09 * np.sin(2.0 * turn + 0.7) + 0.06 * np.sin(3.0 * turn + 2.0))
    level = float(np.median(z[(r > 0.8) & (r < 1.0)]))
    # a low gravel ridge closes the downhill side
    ridge = np.exp(-(((r - 1.12) / 0.34) ** 2)) * np.clip(0.55 - v / 60.0, 0.0, 1.0)
    z = z + ridge * np.clip(level + 0.8 - z, 0.0, 6.0)
    weight = _inside((r - 0.82) / 0.085)
    return _even_out(z, level - 6.5 + 4.2 * np.clip(r, 0.0, 1.3) ** 2, weight)


def _humps(rng: np.random.Generator, x: Floats, y: Floats) -> Floats:
    """Return boulders, and pillows with the cradles their root plates left."""
    z = np.zeros_like(x)
    for _ in range(170):
        cx, cy = rng.uniform(5.0, WIDTH_M - 5.0), rng.uniform(45.0, HEIGHT_M - 5.0)
        kind = rng.random()
        height = rng.uniform(0.5, 1.3) if kind < 0.45 else rng.uniform(0.25, 0.55)
        size = rng.uniform(0.8, 1.7) if kind < 0.45 else rng.uniform(1.0, 1.8)
        r0, r1 = int(max(HEIGHT_M - cy - 12, 0)), int(min(HEIGHT_M - cy + 12, HEIGHT_M))
        c0, c1 = int(max(cx - 12, 0)), int(min(cx + 12, WIDTH_M))
        part = np.s_[r0:r1, c0:c1]
        d2 = (x[part] - cx) ** 2 + (y[part] - cy) ** 2
        z[part] += height * np.exp(-d2 / (2.0 * size**2 / 2.0))
        if kind >= 0.45:  # the cradle lies uphill of its pillow
            d2 = (x[part] - cx) ** 2 + (y[part] - cy - 2.0) ** 2
            z[part] -= 0.8 * height * np.exp(-d2 / (2.0 * size**2 / 2.0))
    return z


def _even_out(z: Floats, target: Floats, weight: Floats) -> Floats:
    """Return the ground drawn towards a target where the weight is 1."""
    return np.asarray(z * (1.0 - weight) + target * weight, dtype=np.float64)


def _inside(distance: Floats) -> Floats:
    """Return 1 well inside (negative), 0 well outside, smooth in between."""
    return np.asarray(0.5 - 0.5 * np.tanh(distance / 2.0), dtype=np.float64)


def _road_and_landing(x: Floats, y: Floats, z: Floats) -> Floats:
    """Return the ground with the road's bed and the landing graded into it."""
    along = np.arange(WIDTH_M)
    rows = np.clip((HEIGHT_M - 0.5 - road_y(along + 0.5)).astype(int), 0, HEIGHT_M - 1)
    bed = gaussian_filter(z[rows, along], 22.0, mode="nearest")[None, :].repeat(HEIGHT_M, axis=0)
    z = _even_out(z, bed, _inside((np.abs(y - road_y(x)) - 4.5) / 0.8))
    pad = np.maximum(np.abs(x - TANK[0] - 6.0) / 19.0, np.abs(y - TANK[1] - 1.0) / 9.5)
    level = float(z[int(HEIGHT_M - TANK[1]), int(TANK[0])])
    return _even_out(z, np.full_like(z, level - 0.25) + 0.012 * (y - TANK[1]), _inside((pad - 1.0) / 0.06))


def _stream_bed(x: Floats, y: Floats, z: Floats) -> Floats:
    """Return the ground with a channel cut along the stream that falls all the way."""
    ys = np.arange(412.0, -1.0, -0.5)
    rows = np.clip((HEIGHT_M - ys - 0.5).astype(int), 0, HEIGHT_M - 1)
    cols = np.clip(stream_x(ys).astype(int), 0, WIDTH_M - 1)
    ground = gaussian_filter(z[rows, cols], 6.0)
    bed = np.minimum.accumulate(ground - np.interp(ys, [0.0, 200.0, 410.0], [0.9, 0.7, 0.1]))
    bed_here = np.interp(y[:, 0], ys[::-1], bed[::-1])[:, None]
    slant = np.gradient(stream_x(y[:, 0]), y[:, 0])[:, None]
    off = np.abs(x - stream_x(y)) / np.sqrt(1.0 + slant**2)
    weight = np.exp(-((off / 1.7) ** 4)) * np.clip((410.0 - y) / 14.0, 0.0, 1.0)
    weight = weight * np.clip(np.abs(y - road_y(x)) / 3.0 - 1.2, 0.0, 1.0)  # a culvert under the road
    return np.where(z > bed_here, _even_out(z, np.broadcast_to(bed_here, z.shape), weight), z)


def make_relief(rng: np.random.Generator) -> Floats:
    """Return ground elevations in metres, row 0 in the north, 1 m cells, rounded to centimetres."""
    x, y = np.meshgrid(np.arange(WIDTH_M) + 0.5, HEIGHT_M - np.arange(HEIGHT_M) - 0.5)
    shape = (HEIGHT_M, WIDTH_M)
    z = _hill(x, y) - _draw(x, y)
    calm = np.clip((y - 50.0) / 60.0, 0.0, 1.0)
    z += calm * (_noise(rng, shape, 24.0, 0.75) + _noise(rng, shape, 9.0, 0.22))
    z = _kettle(x, y, z)
    z = z + _noise(rng, shape, 2.4, 0.085) + _noise(rng, shape, 1.0, 0.035) + _humps(rng, x, y)
    # short ledges under the ridge: steps of a metre or so, broken along their length
    for centre, drop in ((338.0, 1.1), (402.0, 1.5)):
        wavy = y - centre - 9.0 * np.sin(x / 41.0) - 0.03 * x
        broken = np.clip(np.sin(x / 27.0 + centre) + 0.6 * np.sin(x / 11.0) - 0.2, 0.0, 1.0)
        z += drop * broken * (np.tanh(wavy / 2.4) - np.tanh((wavy - 16.0) / 12.0)) / 2.0
    z = _road_and_landing(x, y, _stream_bed(x, y, z))
    return np.round(z + 386.0, 2)


def write_terrain(path: Path, z_m: Floats) -> None:
    """Write the relief as a 1 m GeoTIFF with a few cells of no data in one corner."""
    out = z_m.astype(np.float32)
    row, col = np.ogrid[:HEIGHT_M, :WIDTH_M]
    out[(row + (WIDTH_M - 1 - col)) < 14] = NODATA
    with rasterio.open(
        path, "w", driver="GTiff", width=WIDTH_M, height=HEIGHT_M, count=1, dtype="float32", nodata=NODATA,
        crs=f"EPSG:{EPSG}", transform=from_origin(WEST_M, SOUTH_M + HEIGHT_M, 1.0, 1.0),
        compress="deflate", predictor=3, zlevel=9, tiled=True, blockxsize=256, blockysize=256,
    ) as file:
        file.write(out, 1)
        file.set_band_unit(1, "m")
        file.set_band_description(1, "ground elevation")


# ---------------------------------------------------------------- trees


@dataclass
class Tree:
    """One line of the survey, in local metres."""

    x: float
    y: float
    species: str
    dbh_in: float
    state: str
    tag: str = ""


def _stand_density(rng: np.random.Generator) -> Floats:
    """Return how thickly trees stand, 0 to 1, on the relief's grid."""
    field = _noise(rng, (HEIGHT_M, WIDTH_M), 30.0, 1.0) + _noise(rng, (HEIGHT_M, WIDTH_M), 11.0, 0.45)
    row, col = np.ogrid[:HEIGHT_M, :WIDTH_M]
    kettle = (col - KETTLE[0]) ** 2 + (HEIGHT_M - row - KETTLE[1]) ** 2
    return np.asarray(np.clip(1.0 / (1.0 + np.exp(-(field + 0.1) / 0.22)) + 0.5 * np.exp(-kettle / 30.0**2), 0.03, 1.0))


def _sites(rng: np.random.Generator, layers: Layers) -> list[tuple[float, float]]:
    """Return where trees stand: clumped, at least 2.6 m apart, off wet ground, road, trail, line and landing."""
    density = _stand_density(rng)
    woods = layers.property[0][0].buffer(-3.0)
    bare = shapely.union_all([
        *(shape.buffer(1.0) for shape, _ in layers.wet), *(shape.buffer(2.5) for shape, _ in layers.stream),
        *(shape.buffer(9.0) for shape, _ in layers.road), *(shape.buffer(2.2) for shape, _ in layers.trail),
        *(shape.buffer(5.0) for shape, _ in layers.power_line), shapely.box(238.0, 20.0, 306.0, 52.0),
    ])
    stands = woods.difference(bare)
    found: list[tuple[float, float]] = []
    cells: dict[tuple[int, int], list[tuple[float, float]]] = {}
    wanted = TREES_WANTED - 14 - 3
    while len(found) < wanted:
        x, y = rng.uniform(0.0, WIDTH_M), rng.uniform(0.0, HEIGHT_M)
        keep = density[min(int(HEIGHT_M - y), HEIGHT_M - 1), min(int(x), WIDTH_M - 1)]
        if rng.random() > keep or not shapely.contains_xy(stands, x, y):
            continue
        home = (int(x // 3), int(y // 3))
        near = [q for i in (-1, 0, 1) for j in (-1, 0, 1) for q in cells.get((home[0] + i, home[1] + j), [])]
        if any((x - q[0]) ** 2 + (y - q[1]) ** 2 < 2.6**2 for q in near):
            continue
        cells.setdefault(home, []).append((x, y))
        found.append((x, y))
    return found


def _species(rng: np.random.Generator, x: float, y: float) -> str:
    """Return a species: sugar maple mostly, red maple near the water, birch and ash here and there."""
    damp = abs(x - float(stream_x(y))) < 25.0 or (x - KETTLE[0]) ** 2 + (y - KETTLE[1]) ** 2 < 30.0**2
    names = ["sugar maple", "red maple", "yellow birch", "white ash", "American beech"]
    share = [0.66, 0.22, 0.07, 0.04, 0.01] if damp else [0.845, 0.06, 0.045, 0.03, 0.02]
    return str(rng.choice(names, p=share))


def _diameter_in(rng: np.random.Generator) -> float:
    """Return a diameter: most between 12 and 19 in, a long tail upward, some below what is tapped."""
    while True:
        dbh = 15.2 * np.exp(0.27 * rng.standard_normal())
        if 8.0 <= dbh <= 30.0 and (dbh >= 12.0 or rng.random() < 0.65):
            return round(float(dbh), 1)


def make_trees(rng: np.random.Generator, layers: Layers) -> list[Tree]:
    """Return the survey: every tree as logged, GPS scatter, double loggings and strays included."""
    sites = _sites(rng, layers)
    sites += [(300.5, 474.0), (551.0, 300.0), (8.5, 300.0)]  # beyond the property line
    trees = []
    for x, y in sites:
        state = str(rng.choice(["live", "dead", "snag"], p=[0.972, 0.018, 0.010]))
        trees.append(Tree(x, y, _species(rng, x, y), _diameter_in(rng), state))
    for tree in trees:
        tree.x += 1.7 * float(rng.standard_normal())
        tree.y += 1.7 * float(rng.standard_normal())
    _tag(trees)
    tappable = [t for t in trees if "maple" in t.species and t.state == "live" and t.dbh_in >= 12.0]
    for number, i in enumerate(sorted(rng.choice(len(tappable), 14, replace=False).tolist())):
        first, away, turn = tappable[i], rng.uniform(0.6, 1.4), rng.uniform(0.0, 2.0 * np.pi)
        away = away if number % 5 else rng.uniform(1.6, 2.0)
        dbh = round(first.dbh_in + float(rng.choice([-0.2, -0.1, 0.0, 0.1, 0.2])), 1)
        trees.append(Tree(first.x + away * float(np.cos(turn)), first.y + away * float(np.sin(turn)),
                          first.species, dbh, "live", f"{first.tag[0]}{901 + number}"))
    return sorted(trees, key=lambda t: t.tag)


def _tag(trees: list[Tree]) -> None:
    """Give tags in walking order: four blocks, strips of 24 m along the slope, there and back."""
    blocks: dict[str, list[Tree]] = {"A": [], "B": [], "C": [], "D": []}
    for tree in trees:
        upper = tree.y > 258.0
        east = tree.x > float(stream_x(tree.y))
        blocks[("D" if east else "C") if upper else ("B" if east else "A")].append(tree)
    for letter, members in blocks.items():
        def walk(tree: Tree) -> tuple[int, float]:
            strip = int(tree.y // 24.0)
            return strip, tree.x if strip % 2 == 0 else -tree.x

        for number, tree in enumerate(sorted(members, key=walk), start=1):
            tree.tag = f"{letter}{number:03d}"


def _lonlat(x: npt.ArrayLike, y: npt.ArrayLike) -> tuple[Floats, Floats]:
    """Return degrees of local metres."""
    to_degrees = pyproj.Transformer.from_crs(EPSG, 4326, always_xy=True)
    lon, lat = to_degrees.transform(np.asarray(x) + WEST_M, np.asarray(y) + SOUTH_M)
    return np.round(lon, 7), np.round(lat, 7)


def write_trees(folder: Path, trees: list[Tree], z_m: Floats, rng: np.random.Generator) -> None:
    """Write the survey as GPX waypoints, the way a phone exports them, and as CSV."""
    lon, lat = _lonlat([t.x for t in trees], [t.y for t in trees])
    clock = datetime(2025, 10, 18, 12, 40, tzinfo=UTC)
    lines = [
        '<?xml version="1.0" encoding="UTF-8"?>',
        '<gpx version="1.1" creator="invented demo survey" xmlns="http://www.topografix.com/GPX/1/1">',
        f"  <metadata><name>Kettle Ledge Bush, maples</name><desc>{escape(WORDS)}</desc></metadata>",
    ]
    rows = []
    for i, tree in enumerate(trees):
        clock += timedelta(seconds=int(rng.integers(35, 110)))
        if clock.hour >= 20:
            clock = (clock + timedelta(days=1)).replace(hour=12, minute=15)
        row = min(max(int(HEIGHT_M - tree.y), 0), HEIGHT_M - 1)
        col = min(max(int(tree.x), 0), WIDTH_M - 1)
        ele = z_m[row, col] + 4.0 * float(rng.standard_normal())
        desc = f"{tree.species} {tree.dbh_in:g} in" + ("" if tree.state == "live" else f", {tree.state}")
        note = "" if tree.state == "live" else f"<cmt>{tree.state}</cmt>"
        lines.append(
            f'  <wpt lat="{lat[i]:.7f}" lon="{lon[i]:.7f}"><ele>{ele:.1f}</ele>'
            f"<time>{clock:%Y-%m-%dT%H:%M:%SZ}</time><name>{tree.tag}</name>{note}"
            f"<desc>{escape(desc)}</desc><type>{escape(tree.species)}</type></wpt>"
        )
        rows.append([tree.tag, f"{lon[i]:.7f}", f"{lat[i]:.7f}", tree.species, f"{tree.dbh_in:g}", tree.state])
    (folder / "trees.gpx").write_text("\n".join([*lines, "</gpx>", ""]), encoding="utf-8", newline="\n")
    with (folder / "trees.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(["tag", "lon", "lat", "species", "dbh_in", "state"])
        writer.writerows(rows)


# ---------------------------------------------------------------- layers and storm


def _moved(shape: BaseGeometry) -> BaseGeometry:
    """Return a local shape in the terrain's CRS, rounded to millimetres."""
    return shapely.transform(shape, lambda xy: np.round(xy + np.array([WEST_M, SOUTH_M]), 3))


def _degrees(shape: BaseGeometry) -> BaseGeometry:
    """Return a local shape in degrees."""
    return shapely.transform(shape, lambda xy: np.column_stack(_lonlat(xy[:, 0], xy[:, 1])))


def _write_layer(path: Path, layer: str, epsg: int, kind: str, rows: list[tuple[BaseGeometry, dict[str, str]]]) -> None:
    """Write one layer of a GeoPackage; all columns are texts."""
    schema = {"geometry": kind, "properties": dict.fromkeys(rows[0][1], "str")}
    with fiona.open(path, "w", driver="GPKG", layer=layer, crs=f"EPSG:{epsg}", schema=schema) as file:
        file.writerecords([{"geometry": mapping(shape), "properties": values} for shape, values in rows])


def write_ground(path: Path, layers: Layers) -> None:
    """Write the ground layers in the terrain's CRS."""
    path.unlink(missing_ok=True)
    for layer, shapes in layers.items():
        kind = "Polygon" if layer in ("property", "wet") else "LineString"
        _write_layer(path, layer, EPSG, kind, [(_moved(shape), {"name": name}) for shape, name in shapes])


def write_storm(path: Path, trees: list[Tree]) -> None:
    """Write what a crew logged after a windstorm from the west: points, stems and a blown area, lon/lat."""
    path.unlink(missing_ok=True)
    blown = _blob((432.0, 330.0), (34.0, 23.0), 18.0, 0.08)
    taken: set[str] = set()

    def nearest(x: float, y: float) -> Tree:
        free = [t for t in trees if t.state == "live" and "maple" in t.species and t.dbh_in >= 12.0]
        found = min((t for t in free if t.tag not in taken), key=lambda t: (t.x - x) ** 2 + (t.y - y) ** 2)
        taken.add(found.tag)
        return found

    marks = [
        ("tree down", 424.0, 332.0, "uprooted, stem lies east, on the wire"),
        ("tree down", 441.0, 338.0, "snapped at head height"),
        ("tree down", 160.0, 204.0, "top lies in the lateral"),
        ("hung", 433.0, 321.0, "hung up in its neighbour: keep out until a trained sawyer has been"),
        ("root plate", 418.0, 338.0, "root plate stands on edge over the hole"),
        ("line broken", 431.0, 328.0, "wire and pipe parted"),
        ("support lost", 171.0, 200.0, "side tie torn out, line on the ground"),
        ("access blocked", 404.0, 262.0, "two stems across the skid trail"),
    ]
    points, stems = [], []
    fell = {"uprooted": (21.0, 8.0), "snapped": (17.0, -12.0), "top": (12.0, 20.0), "two": (16.0, 75.0)}
    for kind, x, y, note in marks:
        tree = nearest(x, y) if kind in ("tree down", "hung", "root plate") else None
        place = (x, y) if tree is None else (tree.x, tree.y)
        values = {"kind": kind, "tree": "" if tree is None else tree.tag, "note": note}
        points.append((_degrees(Point(place)), values))
        if note.split()[0].strip(",") in fell:
            length, turn = fell[note.split()[0].strip(",")]
            tip = (place[0] + length * np.cos(np.radians(turn)), place[1] + length * np.sin(np.radians(turn)))
            stems.append((_degrees(LineString([place, tip])), {"kind": "stem", "note": "on the ground"}))
    _write_layer(path, "points", 4326, "Point", points)
    _write_layer(path, "lines", 4326, "LineString", stems)
    _write_layer(path, "polygons", 4326, "Polygon",
                 [(_degrees(blown), {"kind": "blown area", "note": "most trees down or leaning"})])


BUSH = """\
# The demo woodlot's bush file. {words}

[bush]
name = "Kettle Ledge Bush (demo)"
units = "us"
language = "en"
paper = "letter"
date = "2026-03-02"
made_by = "demo"

[trees]
file = "trees.gpx"           # trees.csv holds the same survey
dbh_unit = "in"
guideline = "conservative"
gps_error = "8 ft"

[terrain]
file = "terrain.tif"
vertical_datum = "NAVD88-like (invented)"
vertical_error = "0.3 ft"

[[collection]]
id = "C1"
lon = {lon:.7f}
lat = {lat:.7f}
inlet_height = "3 ft"
kind = "tank"

[ground.property]
file = "ground.gpkg"
layer = "property"

[ground.wet]
file = "ground.gpkg"
layer = "wet"

[ground.stream]
file = "ground.gpkg"
layer = "stream"

[ground.road]
file = "ground.gpkg"
layer = "road"

[ground.power_line]
file = "ground.gpkg"
layer = "power_line"

[ground.trail]
file = "ground.gpkg"
layer = "trail"

[laterals]
max_taps = 10

[mainlines]
min_grade = "2 %"

[flow]
vacuum = "25 inHg"
power_at_collection = "yes"

[sheets]
crew_size = 2
season = "winter"
snow = "1.5 ft"
saw_work = "yes"
meeting_point = "the landing beside Example Road, at the tank"
meeting_lon = {meet_lon:.7f}
meeting_lat = {meet_lat:.7f}
emergency_call = "911"
hospital = "County hospital (example)"
hospital_drive = "35 min"
signal = "unknown"
radio = "channel 5 (example)"

[prices]
currency = "USD"
labour_per_h = 25.0
"""


def write_bush(path: Path) -> None:
    """Write the bush file."""
    lon, lat = _lonlat([TANK[0], TANK[0] + 12.0], [TANK[1], TANK[1] - 6.0])
    text = BUSH.format(words=WORDS, lon=lon[0], lat=lat[0], meet_lon=lon[1], meet_lat=lat[1])
    path.write_text(text, encoding="utf-8", newline="\n")


def make(folder: Path) -> None:
    """Write all files of the demo woodlot into a folder."""
    folder.mkdir(parents=True, exist_ok=True)
    relief_rng, tree_rng, phone_rng = (np.random.default_rng([SEED, i]) for i in range(3))
    layers = make_layers()
    z_m = make_relief(relief_rng)
    trees = make_trees(tree_rng, layers)
    write_terrain(folder / "terrain.tif", z_m)
    write_trees(folder, trees, z_m, phone_rng)
    # GeoPackages note when they were last changed; the demo's never changes
    with fiona.Env(OGR_CURRENT_DATE="2026-03-02T00:00:00.000Z"):
        write_ground(folder / "ground.gpkg", layers)
        write_storm(folder / "storm.gpkg", trees)
    write_bush(folder / "bush.toml")


if __name__ == "__main__":
    target = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parent
    make(target)
    print(f"wrote the demo woodlot into {target}")
