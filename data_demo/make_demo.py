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
from demo_ground import HEIGHT_M, KETTLE, TANK, WIDTH_M, Layers, blob, make_layers, make_relief, noise, stream_x
from rasterio.transform import from_origin
from shapely.geometry import LineString, Point, mapping
from shapely.geometry.base import BaseGeometry

Floats = npt.NDArray[np.float64]

SEED = 20260302
EPSG = 32618  # WGS 84 / UTM zone 18N
WEST_M, SOUTH_M = 690_000.0, 4_942_000.0

NODATA = -9999.0
TREES_WANTED = 1000

WORDS = """All of this is invented: no such woodlot, survey, storm or road exists."""



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
    field = noise(rng, (HEIGHT_M, WIDTH_M), 30.0, 1.0) + noise(rng, (HEIGHT_M, WIDTH_M), 11.0, 0.45)
    row, col = np.ogrid[:HEIGHT_M, :WIDTH_M]
    kettle = (col - KETTLE[0]) ** 2 + (HEIGHT_M - row - KETTLE[1]) ** 2
    stands = 1.0 / (1.0 + np.exp(-(field - 0.25) / 0.12))
    return np.asarray(np.clip(stands + 0.5 * np.exp(-kettle / 30.0**2), 0.012, 1.0))


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
    blown = blob((432.0, 330.0), (34.0, 23.0), 18.0, 0.08)
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
        ("support lost", 145.8, 189.2, "side tie torn out, line on the ground"),
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
tap_worth = "100 ft"         # nearly every tree; "30 ft" would leave the scattered ones

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
