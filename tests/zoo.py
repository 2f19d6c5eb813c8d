"""The zoo: bad inputs of every kind, each with the words it must be answered with.

``python tests/zoo.py`` writes the list, ``tests/data/ZOO.md``; ``tests/cli/test_zoo.py`` runs every case and
compares the list.
"""

from __future__ import annotations

import json
import sqlite3
import struct
import warnings
import zipfile
from collections.abc import Callable
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import geopandas
import numpy as np
import rasterio
import shapely
from rasterio.transform import Affine

import tiny_bush

LIST = Path(__file__).resolve().parent / "data" / "ZOO.md"
Change = Callable[[Path], object]
WEST, NORTH = tiny_bush.WEST, tiny_bush.NORTH
SIDE = tiny_bush.CELL_M * tiny_bush.CELLS


@dataclass(frozen=True)
class Case:
    """One bad input: what is done to a good bush, the exit code, and the words of the message."""

    group: str
    name: str
    change: Change
    says: str
    code: int = 3


# --------------------------------------------------------------- ways to spoil a bush


def text(old: str, new: str) -> Change:
    """Return a change of the bush file's text."""

    def change(folder: Path) -> None:
        bush = folder / "bush.toml"
        was = bush.read_text(encoding="utf-8")
        if old not in was:
            raise AssertionError(f"the good bush file holds no {old!r}")
        bush.write_text(was.replace(old, new), encoding="utf-8")

    return change


def more(added: str) -> Change:
    """Return a change that adds to the bush file."""

    def change(folder: Path) -> None:
        bush = folder / "bush.toml"
        bush.write_text(f"{bush.read_text(encoding='utf-8')}{added}\n", encoding="utf-8")

    return change


def body(name: str, data: bytes | str) -> Change:
    """Return a change that puts other content into a file."""
    return lambda folder: (folder / name).write_bytes(data.encode() if isinstance(data, str) else data)


def both(*changes: Change) -> Change:
    """Return several changes as one."""
    return lambda folder: [change(folder) for change in changes]


def trees(name: str, data: bytes | str = b"", keys: str = "") -> Change:
    """Return a change of the survey: another file, with content when some is given."""
    named = text('file = "trees.csv"', f'file = "{name}"\n{keys}')
    return both(named, body(name, data)) if data else named


def terrain(name: str, data: bytes | str = b"", keys: str = "") -> Change:
    """Return a change of the terrain: another file, with content when some is given."""
    named = text('file = "terrain.tif"', f'file = "{name}"\n{keys}')
    return both(named, body(name, data)) if data else named


def cut(name: str, share: float) -> Change:
    """Return a change that cuts a file short."""
    return lambda folder: (folder / name).write_bytes((b := (folder / name).read_bytes())[: int(len(b) * share)])


def column(index: int, value: str | Callable[[list[str]], str]) -> Change:
    """Return a change of one column of the survey in every row."""

    def change(folder: Path) -> None:
        lines = (folder / "trees.csv").read_text(encoding="utf-8").splitlines()
        rows = [line.split(",") for line in lines]
        for row in rows[1:]:
            row[index] = value if isinstance(value, str) else value(row)
        (folder / "trees.csv").write_text("\n".join(",".join(row) for row in rows), encoding="utf-8")

    return change


def raster(name: str = "terrain.tif", z: np.ndarray | None = None, **keys: object) -> Change:
    """Return a change that writes another raster."""

    def change(folder: Path) -> None:
        values = np.full((30, 30), 200.0, np.float32) if z is None else z
        bands = values[np.newaxis] if values.ndim == 2 else values
        profile = {"driver": "GTiff", "count": bands.shape[0], "height": bands.shape[1], "width": bands.shape[2],
                   "dtype": bands.dtype.name, "crs": f"EPSG:{tiny_bush.EPSG}",
                   "transform": Affine(6.0, 0.0, WEST, 0.0, -6.0, NORTH), **keys}
        with rasterio.open(folder / name, "w", **profile) as out:
            out.write(bands)

    return change


def layer(name: str, shapes: list[shapely.Geometry], *, crs: int | None = tiny_bush.EPSG, **columns: list) -> Change:
    """Return a change that writes a vector layer."""

    def change(folder: Path) -> None:
        frame = geopandas.GeoDataFrame({"name": [f"n{i}" for i in range(len(shapes))], **columns}, geometry=shapes,
                                       crs=crs)
        stem, _, inner = name.partition(":")
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a layer without CRS is meant
            driver = "SQLite" if stem.endswith(".sqlite") else None
            frame.to_file(folder / stem, engine="pyogrio", driver=driver, **({"layer": inner} if inner else {}))

    return change


def ground(kind: str, name: str, keys: str = "") -> Change:
    """Return a change that asks for a ground layer."""
    return more(f'[ground.{kind}]\nfile = "{name}"\n{keys}')


def zipped(name: str, members: dict[str, bytes]) -> Change:
    """Return a change that writes an archive."""

    def change(folder: Path) -> None:
        with zipfile.ZipFile(folder / name, "w", zipfile.ZIP_DEFLATED) as out:
            for inner, data in members.items():
                out.writestr(inner, data)

    return change


def busy(folder: Path) -> None:
    """Leave a write-ahead log beside a GeoPackage, as a program does that is writing to it."""
    (folder / "t.gpkg-wal").write_bytes(struct.pack(">2I", 0x377F0682, 3007000) + b"x" * 100)


def empty_package(folder: Path) -> None:
    """Write a GeoPackage file that holds no layer."""
    with closing(sqlite3.connect(folder / "t.gpkg")) as db:
        db.execute("CREATE TABLE bare (x)")
        db.commit()


def spoilt(name: str, old: bytes, new: bytes) -> Change:
    """Return a change that puts other bytes into a file."""

    def change(folder: Path) -> None:
        was = (folder / name).read_bytes()
        if old not in was:
            raise AssertionError(f"{name} holds no {old!r}")
        (folder / name).write_bytes(was.replace(old, new))

    return change


def more_rows_announced(folder: Path) -> None:
    """Let a GeoPackage announce more rows than it holds."""
    with closing(sqlite3.connect(folder / "t.gpkg")) as db:
        db.execute("UPDATE gpkg_ogr_contents SET feature_count = 99")
        db.commit()


BOX = shapely.box(WEST + 20, NORTH - 60, WEST + 60, NORTH - 20)
POINTS = [shapely.Point(WEST + 40 + 3 * i, NORTH - 60 - 2 * i) for i in range(12)]
LINE = shapely.LineString([(WEST + 40, NORTH - 40), (WEST + 90, NORTH - 90)])
PNG = b"\x89PNG\r\n\x1a\n" + b"\x00" * 60
GPX = '<?xml version="1.0"?>{doctype}<gpx version="1.1" creator="x" xmlns="http://www.topografix.com/GPX/1/1">{body}</gpx>'
BOMB = '<!DOCTYPE gpx [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;&a;&a;">]>'
OUTSIDE = '<!DOCTYPE gpx [<!ENTITY x SYSTEM "file:///etc/passwd">]>'
WPT = '<wpt lat="44.7" lon="-75.0"><name>&b;</name></wpt>'
KML = '<?xml version="1.0"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>{}</Document></kml>'
VRT = ('<VRTDataset rasterXSize="90" rasterYSize="90"><SRS>EPSG:32618</SRS><GeoTransform>500000,2,0,4950000,0,-2'
       '</GeoTransform><VRTRasterBand dataType="Float32" band="1"{band}>{body}</VRTRasterBand></VRTDataset>')
SOURCE = '<SimpleSource><SourceFilename relativeToVRT="{}">{}</SourceFilename><SourceBand>1</SourceBand></SimpleSource>'
PRICED = text("[mainlines]", '[prices]\nfile = "p.csv"\n[mainlines]')
PINNED = '[pins]\nfile = "pins.gpkg"\nlines_layer = "lines"\n'
PLAIN = "tree_id,lon,lat,dbh_in\n"


def _bush() -> list[Case]:
    def case(name: str, change: Change, says: str) -> Case:
        return Case("The bush file", name, change, says, 2)

    t = text
    taken, far = "more than once", "between -90 and 90"
    main, bush = "[mainlines]\n", "[bush]\n"
    return [
        case("no bush file", lambda f: (f / "bush.toml").unlink(), "no such file"),
        case("an empty bush file", body("bush.toml", ""), "no [[collection]]"),
        case("prose instead of TOML", body("bush.toml", "my sugar bush\n"), "a line that is no TOML"),
        case("a bush file in Latin-1", body("bush.toml", "[bush]\nname = 'érable'".encode("latin-1")), "'utf-8' codec"),
        case("a bush file in UTF-16", body("bush.toml", "[bush]\n".encode("utf-16")), "'utf-8' codec"),
        case("a picture as bush file", body("bush.toml", PNG), "'utf-8' codec"),
        case("the same key twice", t(main, main + 'seed = 1\nseed = 2\n'), "a line that is no TOML"),
        case("a misspelt table", more("[tree]\n"), "Did you mean 'trees'?"),
        case("a misspelt key", t('file = "trees.csv"', 'file = "trees.csv"\nspecie = []'), "Did you mean 'species'?"),
        case("a key that resembles none", t(bush, bush + "qqqq = 1\n"), "unknown key 'qqqq'"),
        case("a table that is a number", t("[trees]\n", "[treesx]\n"), "Did you mean 'trees'?"),
        case("an unknown kind of ground", ground("rode", "x.gpkg"), "Did you mean 'road'?"),
        case("a ground layer without file", more("[ground.road]\nlayer = 'x'"), "no file"),
        case("a ground layer that is a number", more("[ground]\nroad = 3"), "a table of keys"),
        case("a collection with one bracket", t("[[collection]]", "[collection]"), "[[collection]] with two brackets"),
        case("no collection point", body("bush.toml", '[trees]\nfile = "trees.csv"\n'), "no [[collection]]"),
        case("two collection points of one name", more('[[collection]]\nid = "C1"\nx = 1.0\ny = 1.0'), taken),
        case("a collection point with two positions", t('id = "C1"', 'id = "C1"\nlon = -75.0\nlat = 44.0'),
             "both lon/lat and x/y"),
        case("a collection point with half a position", t('id = "C1"\nx', 'id = "C1"\nlon'), "no complete position"),
        case("a latitude of 95 degrees", more('[[collection]]\nid = "C2"\nlon = 1.0\nlat = 95.0'), far),
        case("a quantity without unit", t(main, main + 'min_grade = "2"\n'), "a grade with its unit"),
        case("a quantity without quotes", t(main, main + "min_grade = 2\n"), "a text with a unit"),
        case("a length in kilograms", t(main, main + 'lowest = "2 kg"\n'), "a length with its unit"),
        case("a grade of 90 %", t(main, main + 'min_grade = "90 %"\n'), "between 0.1 and 20 %"),
        case("a negative height", t(main, main + 'lowest = "-2 ft"\n'), "between 0.1 and 4 m"),
        case("an endless number", t(main, main + 'lowest = "1e400 ft"\n'), "not a finite length"),
        case("a unit system that is none", t(bush, bush + 'units = "imperial"\n'), "one of 'us', 'metric'"),
        case("a misspelt choice", t('effort = "quick"', 'effort = "quik"'), "Did you mean 'quick'?"),
        case("half a seed", t(main, main + "seed = 1.5\n"), "a whole number"),
        case("true as a count", t(main, main + "seed = true\n"), "a whole number"),
        case("a number in quotes", t('id = "C1"\nx = ', 'id = "C1"\nx = "1"\nlon = '), "a number"),
        case("yes for true", more('[flow]\npumped = "yes"'), "true or false"),
        case("a text for a list", t('"trees.csv"', '"trees.csv"\nspecies = "maple"'), "a list of texts"),
        case("a list of numbers", t('"trees.csv"', '"trees.csv"\nspecies = [1]'), "a list of texts"),
        case("the 30th of February", t('date = "2026-03-02"', 'date = "2026-02-30"'), "a date YYYY-MM-DD"),
        case("the lowest line above the highest", t(main, main + 'lowest = "12 ft"\n'), "lowest <= aim <= highest"),
        case("laterals upside down", more('[laterals]\nlowest = "7 ft"\nhighest = "6 ft"'), "lowest below highest"),
        case("more taps aimed at than allowed", more("[laterals]\nmax_taps = 4\naim_taps = 5"), "at most max_taps (4)"),
        case("an unknown guideline", t('"trees.csv"', '"trees.csv"\nguideline = "conservativ"'),
             "Did you mean 'conservative'?"),
        case("a direction mark in the name", t('"Tiny bush"', '"Tiny\\u202Ebush"'), "the hidden character U+202E"),
        case("a bell in a file name", t('"trees.csv"', '"trees\\u0007.csv"'), "the hidden character U+0007"),
        case("a name of 10,000 characters", t("Tiny bush", "n" * 10_000), "10000 characters"),
        case("a seed of 400 digits", t(main, f"{main}seed = {'9' * 400}\n"), "a whole number"),
        case("a seed of 5,000 digits", t(main, f"{main}seed = {'9' * 5000}\n"), "a line that is no TOML"),
        case("brackets that nest without end", t(main, f"{main}seed = {'[' * 20_000}\n"), "nested too deep"),
        case("a date without dashes", t('"2026-03-02"', '"20260302"'), "a date YYYY-MM-DD"),
    ]


def _survey() -> list[Case]:
    def case(name: str, change: Change, says: str) -> Case:
        return Case("The survey", name, change, says)

    return [
        case("no such file", trees("gone.csv"), "no such file"),
        case("a name in other letters", both(trees("arbres.CSV"), body("arbres.csv", "x")),
             "Did you mean 'arbres.csv'?"),
        case("a folder", trees("."), "a folder"),
        case("no name", text('file = "trees.csv"', 'file = " "'), "the name of a file"),
        case("an empty file", body("trees.csv", ""), "an empty file"),
        case("an address", trees("https://example.org/trees.gpx"), "an address or a virtual path"),
        case("a virtual path to a network", trees("/vsicurl/x/trees.gpx"), "an address or a virtual path"),
        case("a virtual path into an archive", trees("/vsizip/t.zip/t.csv"), "an address or a virtual path"),
        case("a database", trees("PG:dbname=x"), "an address or a virtual path"),
        case("data instead of a name", text('"trees.csv"', "'{\"type\": \"Point\"}'"), "an address or a virtual path"),
        case("a picture", trees("t.png", PNG), "another kind of file"),
        case("a picture called .csv", body("trees.csv", PNG), "another kind of file"),
        case("a gzip archive", trees("t.gpx.gz", b"\x1f\x8b\x08" + b"x" * 30), "a gzip archive"),
        case("a spreadsheet", both(trees("t.xlsx"), zipped("t.xlsx", {"xl/workbook.xml": b"<x/>"})),
             "an Excel workbook"),
        case("a text called .gpx", trees("t.gpx", "tree 1, tree 2"), "another kind of file"),
        case("bytes of zero in a CSV", body("trees.csv", b"id,lon,lat\nT1,\xff\xfe\x00,1\n"), "another kind of file"),
        case("a CSV of half UTF-16", body("trees.csv", b"\xff\xfea\x00,\x00b"), "bytes that are no text"),
        case("a CSV of blank lines", body("trees.csv", "\n\n \n"), "no lines"),
        case("a header without rows", body("trees.csv", PLAIN), "a header without rows"),
        case("a CSV without positions", body("trees.csv", "tag,dbh\nT1,14\n"), "lon and lat, or x and y"),
        case("decimal commas in a comma CSV", body("trees.csv", PLAIN + "T1,-75,1,44,7,14\n"), "6 cells"),
        case("a row cut short", body("trees.csv", PLAIN + "T1,-75.0,44.7,14\nT2,-75\n"), "2 cells"),
        case("a quotation mark left open", body("trees.csv", PLAIN + '"T1,-75.0,44.7,14\n' + "x" * 140_000), "no CSV"),
        case("a column that is not there", text('"trees.csv"', '"trees.csv"\ndbh_column = "girth"'),
             "no column 'girth'"),
        case("a tag column that is not there", text('"trees.csv"', '"trees.csv"\nid_column = "tg"'), "no column 'tg'"),
        case("diameters in the wrong unit", column(4, lambda r: str(float(r[4]) * 25.4)), "a median diameter of"),
        case("diameters in metres read as inches", column(4, lambda r: str(float(r[4]) * 0.0254)),
             "a median diameter of"),
        case("positions in words", column(1, "by the brook"), "without a usable position"),
        case("positions beyond the pole", both(column(2, "144.7"), column(1, "-175.0")), "without a usable position"),
        case("longitude and latitude swapped", body(
            "trees.csv", PLAIN + "".join(f"T{i},44.70{i},-75.00{i},14\n" for i in range(9))),
            "longitude and latitude swapped"),
        case("the minus sign of the longitude lost", column(1, lambda r: r[1].lstrip("-")),
             "the minus sign of the longitude missing"),
        case("an unknown CRS", both(trees("t.csv", "id,x,y,dbh\nT1,1,2,14\n", 'crs = "EPSG:999999"')), "a CRS such as"),
        case("a GPX of tracks", trees("t.gpx", GPX.format(doctype="", body="<trk><trkseg/></trk>")), "no waypoints"),
        case("an XML bomb", trees("t.gpx", GPX.format(doctype=BOMB, body=WPT)), "entity declaration"),
        case("an external entity", trees("t.gpx", GPX.format(doctype=OUTSIDE, body="")), "entity declaration"),
        case("a GPX cut short", trees("t.gpx", GPX.format(doctype="", body=WPT.replace("&b;", "x"))[:-20]), "damaged"),
        case("an undefined entity", trees("t.gpx", GPX.format(doctype="", body=WPT)), "damaged"),
        case("a GPX in UTF-16", trees("t.gpx", GPX.format(doctype="", body="").encode("utf-16")),
             "another kind of file"),
        case("a drawing", trees("t.gpx", "<svg></svg>"), "the root 'svg'"),
        case("a web page", trees("t.kml", "<html><body>Not found</body></html>"), "the root 'html'"),
        case("a KML that links elsewhere", trees("t.kml", KML.format("<NetworkLink/>")), "a link to data elsewhere"),
        case("a KML without places", trees("t.kml", KML.format("")), "no layers"),
        case("a GeoJSON cut short", trees("t.geojson", '{"type": "FeatureCollection", "features": [{"ty'),
             "breaks off"),
        case("a GeoJSON of another type", trees("t.geojson", '{"type": "Topology"}'), "JSON of the type 'Topology'"),
        case("a GeoJSON whose type is no word", trees("t.geojson", '{"type": {"name": "FeatureCollection"}}'),
             "JSON of the type"),
        case("JSON that nests without end", trees("t.geojson", '{"type": ' + "[" * 100_000), "breaks off"),
        case("an empty GeoJSON", trees("t.geojson", '{"type": "FeatureCollection", "features": []}'), "no rows"),
        case("a GeoPackage with names that are no text", both(trees("t.gpkg"), layer("t.gpkg", POINTS), spoilt(
            "t.gpkg", b"CREATE TABLE gpkg_contents", b"CREATE TABL\x80 gpkg_contents")), "names that are no UTF-8"),
        case("a GeoPackage that announces more rows than it holds", both(
            trees("t.gpkg"), layer("t.gpkg", POINTS), more_rows_announced), "announces 99 rows and holds 12"),
        case("a database that is no GeoPackage", both(trees("t.sqlite"), layer("t.sqlite", POINTS)),
             "opens as SQLite, not as GPKG"),
        case("a shapefile with two columns of one name", both(trees("t.shp"), layer(
            "t.shp", POINTS, dbh_a=[14.0] * 12, dbh_b=[15.0] * 12), spoilt("t.dbf", b"dbh_b", b"dbh_a")),
            "two of its columns are called 'dbh_a'"),
        case("lines instead of points", both(trees("t.geojson"), layer("t.geojson", [LINE] * 9, crs=4326)),
             "without a usable position"),
        case("points without places", trees("t.geojson", json.dumps({"type": "FeatureCollection", "features": [
            {"type": "Feature", "properties": {"a": 1}, "geometry": None}] * 3})), "no lines|position|x and y"),
        case("half a GeoPackage", both(trees("t.gpkg"), layer("t.gpkg", POINTS), cut("t.gpkg", 0.5)), "damaged"),
        case("a GeoPackage of nothing", both(trees("t.gpkg"), empty_package), "no layers|damaged"),
        case("two layers and none named", both(trees("t.gpkg"), layer("t.gpkg:a", POINTS), layer("t.gpkg:b", POINTS)),
             "2 layers (a, b)"),
        case("a layer that is not there", both(trees("t.gpkg", keys='layer = "tree"'), layer("t.gpkg:trees", POINTS)),
             "no layer 'tree'"),
        case("a GeoPackage being written to", both(trees("t.gpkg"), layer("t.gpkg", POINTS), busy), "locked"),
        case("half a FlatGeobuf", both(trees("t.fgb"), layer("t.fgb", POINTS), cut("t.fgb", 0.6)), "damaged"),
        case("a shapefile alone", both(trees("t.shp"), layer("t.shp", POINTS),
                                       lambda f: [(f / f"t.{e}").unlink() for e in ("dbf", "shx")]), "without its"),
        case("half a shapefile", both(trees("t.shp"), layer("t.shp", POINTS), cut("t.dbf", 0.5)), "damaged|cells|rows"),
        case("an archive of nothing", both(trees("t.zip"), zipped("t.zip", {"readme.txt": b"x"})), "0 data files"),
        case("an archive of two surveys", both(trees("t.zip"), zipped("t.zip", {"a.gpx": b"x", "b.gpx": b"x"})),
             "2 data files"),
        case("an archive that climbs out", both(trees("t.zip"), zipped("t.zip", {"../../t.gpx": b"x"})), "the member"),
        case("an archive with an absolute path", both(trees("t.zip"), zipped("t.zip", {"/etc/t.gpx": b"x"})),
             "the member"),
        case("an archive in an archive", both(trees("t.zip"), zipped("t.zip", {"a.csv": b"PK\x03\x04xxxx"})),
             "an archive in an archive"),
        case("a zip bomb", both(trees("t.zip"), zipped("t.zip", {"a.csv": b"\n" * 301_000_000})), "MB unpacked"),
        case("a damaged archive", both(trees("t.zip"), zipped("t.zip", {"a.csv": b"x" * 999}), cut("t.zip", 0.6)),
             "cannot be unpacked"),
        case("a survey on Earth, a terrain of nowhere", both(
            raster(crs=None), text('file = "terrain.tif"', 'file = "terrain.tif"\ncrs = "local"')),
            "x and y in the terrain's local grid"),
    ]


def _terrain() -> list[Case]:
    def case(name: str, change: Change, says: str) -> Case:
        return Case("The terrain", name, change, says)

    flat = np.full((30, 30), 200.0, np.float32)
    feet = {"crs": "EPSG:2261", "transform": Affine(10.0, 0.0, 1_000_000.0, 0.0, -10.0, 1_500_000.0)}
    degrees = {"crs": "EPSG:4326", "transform": Affine(0.0008, 0.0, -75.01, 0.0, -0.0008, 44.71)}
    tiles = text('"terrain.tif"', '"tile*.tif"')
    return [
        case("no such file", terrain("gone.tif"), "no such file"),
        case("an address", terrain("https://example.org/dem.tif"), "an address or a virtual path"),
        case("a virtual path", terrain("/vsis3/bucket/dem.tif"), "an address or a virtual path"),
        case("an empty file", body("terrain.tif", ""), "an empty file"),
        case("a picture", body("terrain.tif", PNG), "another kind of file"),
        case("a vector file", both(terrain("t.gpkg"), layer("t.gpkg", POINTS)), "a vector file"),
        case("the survey as terrain", terrain("trees.csv"), "another kind of file"),
        case("half a GeoTIFF", cut("terrain.tif", 0.5), "cannot be read"),
        case("the head of a GeoTIFF alone", body("terrain.tif", b"II*\x00\x08\x00\x00\x00"), "cannot be read"),
        case("no CRS", raster(crs=None), "no CRS in the file"),
        case("an unknown CRS", both(raster(crs=None), text('"terrain.tif"', '"terrain.tif"\ncrs = "UTM 18"')),
             "a CRS such as EPSG:26918"),
        case("tree tops", text('"terrain.tif"', '"terrain.tif"\nkind = "surface"'), "a surface of tree tops"),
        case("feet without a word on heights", raster(**feet), "no unit of elevation"),
        case("degrees without a word on heights", raster(**degrees), "no unit of elevation"),
        case("two units of elevation", both(raster(crs="EPSG:32618+5703"),
                                            text('"terrain.tif"', '"terrain.tif"\nvertical_unit = "ft"')), "one unit"),
        case("an air photo", raster(z=np.zeros((3, 30, 30), np.uint8), photometric="RGB"), "3 bands"),
        case("four cells", raster(z=flat[:2, :2]), "2 x 2 cells"),
        case("complex numbers", raster(z=flat.astype(np.complex64)), "cells of complex"),
        case("cells of 90 m", raster(transform=Affine(90.0, 0.0, WEST, 0.0, -90.0, NORTH)), "cells of 90.0 m"),
        case("cells of 90 m in degrees", both(raster(**degrees), text(
            '"terrain.tif"', '"terrain.tif"\nvertical_unit = "m"')), "cells of "),
        case("nothing but holes", raster(z=np.full((30, 30), np.nan, np.float32)), "no cell with an elevation"),
        case("heights on the moon", raster(z=flat * 1e6), "no cell with an elevation"),
        case("no place", lambda f: (f / "terrain.tif").write_bytes(_no_place()), "no place and no cell size"),
        case("an ASCII grid cut short", terrain("t.asc", "ncols 40\nnrows 40\nxllcorner 500000\nyllcorner 4949000\n"
                                                "cellsize 2\n1 2 3\n", 'crs = "EPSG:32618"'), "cannot be read"),
        case("a mosaic from a network", terrain("t.vrt", VRT.format(band="", body=SOURCE.format(0, "/vsicurl/http://x"))),
             "the source"),
        case("a mosaic from another folder", terrain("t.vrt", VRT.format(band="", body=SOURCE.format(1, "../t.tif"))),
             "the source"),
        case("a mosaic that runs a program", terrain("t.vrt", VRT.format(
            band=' subClass="VRTDerivedRasterBand"', body="<PixelFunctionType>x</PixelFunctionType>")),
            "plain sources"),
        case("a mosaic of nothing", terrain("t.vrt", VRT.format(band="", body="")), "a mosaic without sources"),
        case("a mosaic of an endless name", terrain("t.vrt", VRT.format(
            band="", body=SOURCE.format(1, "é" * 300 + ".tif"))), "the source"),
        case("a mosaic called .tif", body("terrain.tif", VRT.format(band="", body=SOURCE.format(0, "/etc/passwd"))),
             "the source"),
        case("no tile that matches", tiles, "0 files that match"),
        case("tiles of two cell sizes", both(tiles, raster("tile1.tif"), raster(
            "tile2.tif", transform=Affine(5.0, 0.0, WEST, 0.0, -5.0, NORTH))), "cells of 5"),
        case("tiles of two CRSs", both(tiles, raster("tile1.tif"), raster("tile2.tif", crs="EPSG:32619")),
             "another CRS"),
    ]


def _no_place() -> bytes:
    """Return a GeoTIFF without a georeference."""
    with rasterio.MemoryFile() as memory:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with memory.open(driver="GTiff", width=9, height=9, count=1, dtype="float32", crs="EPSG:32618") as out:
                out.write(np.ones((1, 9, 9), np.float32))
        return memory.read()


def _rest() -> list[Case]:
    def case(name: str, change: Change, says: str) -> Case:
        return Case("Ground, pins, tank and prices", name, change, says)

    off = shapely.LineString([(WEST - 900, NORTH), (WEST - 800, NORTH)])
    place = f"x = {WEST + SIDE / 2.0}"
    hole = np.full((30, 30), 200.0, np.float32)
    hole[20:, 10:20] = np.nan
    return [
        case("a layer that is not there", ground("road", "gone.gpkg"), "no such file"),
        case("a layer without CRS", both(ground("road", "g.shp"), layer("g.shp", [LINE], crs=None)), "no CRS"),
        case("a table without shapes", ground("road", "trees.csv"), "a table without shapes"),
        case("a boundary that is a line", both(ground("property", "g.gpkg"), layer("g.gpkg", [LINE])),
             "at least one area"),
        case("half a layer", both(ground("wet", "g.gpkg"), layer("g.gpkg", [BOX]), cut("g.gpkg", 0.5)), "damaged"),
        case("two layers and none of that kind", both(ground("wet", "g.gpkg"), layer("g.gpkg:a", [BOX]),
                                                      layer("g.gpkg:b", [BOX])), "2 layers (a, b)"),
        case("an XML bomb as ground", both(ground("wet", "g.kml"), body("g.kml", BOMB + KML.format(""))), "entity"),
        case("a layer from a network", ground("wet", "http://example.org/wet.gpkg"), "an address or a virtual path"),
        case("pins that are not there", more(PINNED), "no such file"),
        case("a pinned line off the terrain", both(more(PINNED), layer("pins.gpkg:lines", [off])),
             "no single line on the terrain"),
        case("two pinned lines of one name", both(more(PINNED), layer(
            "pins.gpkg:lines", [LINE, LINE], mainline_id=["M1", "M1"])), "twice"),
        case("a pinned line with an unknown parent", both(more(PINNED), layer(
            "pins.gpkg:lines", [LINE], mainline_id=["M1"], parent_id=["M7"])), "the parent 'M7'"),
        case("a layer of pins that is not there", both(more(PINNED), layer("pins.gpkg:line", [LINE])),
             "no layer 'lines'"),
        case("a tank off the terrain", text(place, f"x = {WEST - 900.0}"), "off the terrain"),
        case("a tank in a hole of the terrain", raster(z=hole), "a hole of the terrain"),
        case("no price list", PRICED, "no such file"),
        case("a price list of other columns", both(PRICED, body("p.csv", "part,cost\nPIPE,1\n")), "code and price"),
        case("a price for a part that is none", both(PRICED, body("p.csv", "code,price\nPIPPE 1,2\n")),
             "Did you mean 'PIPE'?"),
        case("two prices for one part", both(PRICED, body("p.csv", "code,price\nTEE,1\nTEE,2\n")),
             "the code 'TEE' again"),
        case("a price in words", both(PRICED, body("p.csv", "code,price\nTEE,cheap\n")), "the price 'cheap'"),
        case("a negative price", both(PRICED, body("p.csv", "code,price\nTEE,-1\n")), "the price '-1'"),
        case("a price by the wrong unit", both(PRICED, body("p.csv", "code,price,unit\nTEE,1,ft\n")), "one of pc"),
        case("a price list in a spreadsheet", both(PRICED, zipped("p.csv", {"xl/x": b""})), "of the kind ZIP"),
    ]


CASES = [*_bush(), *_survey(), *_terrain(), *_rest()]


def listing() -> str:
    """Return the list for the docs."""
    lines = [
        "# The zoo of bad inputs", "",
        f"{len(CASES)} inputs that are wrong, and what `fallgrade check` and `fallgrade plan` say about each. Every",
        "line is a case of `tests/zoo.py`, run by `tests/cli/test_zoo.py`: the words stand in the message, which also",
        "names file, place and remedy; the exit code is 2 for the bush file and 3 for data; nothing is written.", "",
    ]
    for group in dict.fromkeys(case.group for case in CASES):
        lines += [f"## {group}", "", "| input | exit | the message says |", "|---|---|---|"]
        lines += [f"| {c.name} | {c.code} | {c.says.replace('|', ' or ')} |" for c in CASES if c.group == group]
        lines.append("")
    return "\n".join(lines)


if __name__ == "__main__":
    LIST.write_text(listing(), encoding="utf-8")
