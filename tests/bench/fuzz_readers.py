"""Throws mutated files at every reader and at the bush file; counts inputs that end in anything but an error in words.

``python tests/bench/fuzz_readers.py [COUNT] [SEED]`` mutates valid files with a seeded generator, in child
processes, so that a crash of a C library is counted too. With atheris installed,
``python tests/bench/fuzz_readers.py --guided -runs=COUNT`` lets coverage of our readers guide the mutations.
Both print how many inputs went to each reader and how many of them were read rather than refused. The inputs lie
in memory where the system has a folder there. The bar is 1,000,000 inputs without an unhandled error.
"""

from __future__ import annotations

import dataclasses
import os
import random
import re
import signal
import sys
import tempfile
import time
import traceback
import types
import warnings
import zipfile
from collections import Counter
from pathlib import Path

import geopandas
import numpy as np
import rasterio

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from pipeline import bushfile
from pipeline.errors import FallgradeError
from pipeline.frame import utm_frame
from pipeline.settings import GroundLayerSettings, PinSettings, PriceSettings, Settings, TerrainSettings, TreeSettings
from pipeline.store import layers, planfolder, prices, rasters, vectors

import sample_plan
import tiny_bush

FRAME = utm_frame(-75.0, 44.7, "")
# what is tried with each kind of file, and its share of the inputs; the first byte of an input chooses
SHARES = {
    "bush.toml": 30, "t.csv": 12, "t.gpx": 5, "t.kml": 4, "t.geojson": 7, "t.gpkg": 4, "t.fgb": 4, "s.shp": 2,
    "s.dbf": 2, "s.shx": 1, "t.zip": 4, "t.kmz": 3, "t.tif": 3, "t.asc": 4, "t.vrt": 3, "r.img": 1, "r.hdr": 2,
    "p.csv": 11, "plan/plan.gpkg": 0.5, "plan/terrain.tif": 0.5,
}
KINDS = tuple(SHARES)
# files that others are read with: made whole again after each input
BESIDE = ("s.shp", "s.dbf", "s.shx", "r.hdr", "plan/plan.gpkg", "plan/terrain.tif")
RASTERS = {"t.tif": "t.tif", "t.asc": "t.asc", "t.vrt": "t.vrt", "r.img": "r.img", "r.hdr": "r.flt"}
TOKENS = (
    b"<", b">", b"&#x202e;", b"<!DOCTYPE x [", b"<!ENTITY a 'b'>", b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b'"', b"'",
    b";", b"\t", b"\r\n", b",", b"1e999", b"-1e308", b"nan", b"NaN", b"inf", b"-0", b"9" * 30, b"\\u0000",
    b"{", b"}", b"[", b"]", b"null", b"true", b"..", b"../../", b"/vsizip/", b"PK\x03\x04", b"PK\x05\x06", b"lon",
    b"lat", b"dbh", b"EPSG:0", b"EPSG:4326", b"\xf0\x9f\x8d\x81", b"=1+1", b"#", b"\xd8\x00", b"ncols", b"-9999",
)
NUMBER = re.compile(rb"\d+(?:[.,]\d+)?")
NUMBERS = (b"0", b"1", b"-1", b"2", b"0.5", b"7,5", b"90", b"91", b"180", b"-75.0", b"1e9", b"1e400", b"65536", b"4326",
           b"2147483648", b"99999999999999999999", b"nan", b"", b"1.2.3", b"1 2", b"0x10", b"1_0", b"\xd9\xa3")
BATCH = 2000
SLOW_S = 20.0
TOLD_EVERY = 10_000
WHOLE: dict[str, bytes] = {}
# number of the input at hand, and what became of the inputs of each kind
INPUT = [0]
TALLY: Counter[tuple[str, str]] = Counter()


def seeds(folder: Path) -> list[bytes]:
    """Return valid inputs of each kind, the number of their kind in front."""
    tiny_bush.write_bush(folder)
    names = {"bush.toml": "bush.toml", "t.csv": "trees.csv", "t.tif": "terrain.tif"}
    rows = (folder / "trees.csv").read_text(encoding="utf-8").splitlines()[:8]
    (folder / "trees.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")
    frame = geopandas.read_file(folder / "trees.csv").head(6)
    lon, lat = frame.lon.astype(float), frame.lat.astype(float)
    points = geopandas.GeoDataFrame(
        {"name": frame.tree_id, "desc": frame.species + " " + frame.dbh_in + " in", "dbh_cm": 40.0},
        geometry=geopandas.points_from_xy(lon, lat), crs=4326,
    )
    for name in ("t.geojson", "t.gpkg", "t.fgb", "s.shp"):
        points.to_file(folder / name, engine="pyogrio")
    points[["name", "desc", "geometry"]].to_file(folder / "t.gpx", engine="pyogrio", driver="GPX")
    points.to_file(folder / "t.kml", engine="pyogrio", driver="KML")
    for archive, inner in (("t.zip", "t.geojson"), ("t.kmz", "t.kml")):
        with zipfile.ZipFile(folder / archive, "w", zipfile.ZIP_DEFLATED) as out:
            out.write(folder / inner, "doc" + Path(inner).suffix)
    (folder / "t.asc").write_text("ncols 4\nnrows 3\nxllcorner 500000\nyllcorner 4950000\ncellsize 2\n"
                                  "NODATA_value -9999\n" + "1 2 3 4\n" * 3, encoding="ascii")
    (folder / "t.vrt").write_text(
        '<VRTDataset rasterXSize="90" rasterYSize="90"><SRS>EPSG:32618</SRS><GeoTransform>500000, 2, 0, 4950000, 0, -2'
        '</GeoTransform><VRTRasterBand dataType="Float32" band="1"><SimpleSource><SourceFilename relativeToVRT="1">'
        "terrain.tif</SourceFilename><SourceBand>1</SourceBand></SimpleSource></VRTRasterBand></VRTDataset>", "ascii")
    z = np.add.outer(np.arange(8.0), np.arange(9.0)).astype(np.float32)
    for name, driver in (("r.img", "HFA"), ("r.flt", "EHdr")):
        profile = {"driver": driver, "width": 9, "height": 8, "count": 1, "dtype": "float32", "crs": "EPSG:32618",
                   "transform": rasterio.Affine(2.0, 0.0, 500_000.0, 0.0, -2.0, 4_950_000.0)}
        with rasterio.open(folder / name, "w", **profile) as out:
            out.write(z, 1)
    plan, land, ground = sample_plan.sample_plan()
    planfolder.write_plan(folder / "plan", plan=plan, terrain=land, ground=ground, pdfs={}, manifest={},
                          settings_text=bushfile.render(plan.settings), force=True)
    WHOLE.update({name: (folder / name).read_bytes() for name in BESIDE})
    (folder / "p.csv").write_text("# mine\ncode,price,unit\nPIPE 1,2.0,ft\nTEE,0.5,pc\n", encoding="ascii")
    files = [bytes([i]) + (folder / names.get(kind, kind)).read_bytes()[:1_000_000] for i, kind in enumerate(KINDS)]
    texts = {
        "t.csv": ("No;Espèce;Circonférence (cm);X;Y;État\r\n1;érable à sucre;120,5;500010,25;4949990,5;mort\r\n",
                  "sep=,\nname,lat,lon,remarks\nA,44° 42' 1.5\" N,75° 0' 3\" W,\"sugar maple 14,5 po\"\n"),
        "bush.toml": ('[bush]\nunits = "metric"\n[trees]\nfile = "a.gpx"\nspecies = ["sugar maple"]\ndbh_unit = "cm"\n'
                      '[terrain]\nfile = "*.tif"\ncrs = "EPSG:26918+5703"\nkind = "bare-earth"\n[[collection]]\n'
                      'id = "A"\nlon = -75.0\nlat = 44.7\n[mainlines]\nmin_grade = "2 %"\nlowest = "3 ft"\nseed = 7\n'
                      '[laterals]\nmax_length = "30 m"\n[ground.road]\nfile = "r.gpkg"\nclearance = "14 ft"\n',),
    }
    return files + [bytes([KINDS.index(kind)]) + t.encode("utf-8") for kind, more in texts.items() for t in more]


def read_once() -> None:
    """Let the three readers of one input share its table: the same bytes give the same rows each time."""
    kept: dict[tuple[object, ...], object] = {}
    read = vectors.read_table

    def once(path: Path, name: str, where: str, layer: str) -> object:
        key = (INPUT[0], name, layer)
        if key not in kept:
            kept.clear()
            kept[key] = read(path, name, where, layer)
        table, problems = kept[key]
        return table, list(problems)

    vectors.read_table = layers.read_table = once


def one(data: bytes, folder: Path) -> None:
    """Give one input to its readers; anything but an error in words comes out as an exception."""
    kind = KINDS[data[0] % len(KINDS)] if data else KINDS[0]
    path = folder / kind
    path.write_bytes(data[1:])
    INPUT[0] += 1
    TALLY[kind, "given"] += 1
    try:
        _read(kind, path, folder)
        TALLY[kind, "read"] += 1
    except FallgradeError as error:
        if not error.problems or not all(p.found and p.wanted for p in error.problems):
            raise AssertionError("an error without words") from error
    finally:
        if kind in WHOLE:
            path.write_bytes(WHOLE[kind])


def _read(kind: str, path: Path, folder: Path) -> None:
    base = Settings()
    if kind == "bush.toml":
        bushfile.parse(path.read_bytes().decode("utf-8", "replace"), kind)
    elif kind.startswith("plan/"):
        planfolder.read_plan(path.parent)
    elif kind in RASTERS:
        land = TerrainSettings(file=RASTERS[kind], crs="" if kind == "t.tif" else "EPSG:32618")
        rasters.read_terrain(dataclasses.replace(base, terrain=land), folder)
    elif kind == "p.csv":
        prices.read_prices(dataclasses.replace(base, prices=PriceSettings(file=kind)), folder)
    else:
        name = "s.shp" if kind.startswith("s.") else kind
        settings = dataclasses.replace(base, trees=TreeSettings(file=name),
                                       ground={"no_go": GroundLayerSettings(file=name)},
                                       pins=PinSettings(file=name, avoid_layer="t"))
        try:
            points = vectors.read_trees(settings, folder, FRAME)
            rows = {len(points.tree_id), len(points.x_m), len(points.dbh_cm), len(points.state), len(points.row)}
            if len(rows) != 1:
                raise AssertionError("columns of different lengths")
        finally:
            vectors.tree_lonlat_bounds(settings, folder)
        if kind not in {"t.csv", "t.gpx"}:
            layers.read_ground_report(settings, folder, FRAME)
        if kind in {"t.gpkg", "t.geojson"}:
            layers.read_pins(settings, folder, FRAME)


def mutated(rng: random.Random, corpus: list[bytes]) -> bytes:
    """Return a valid input with a few things wrong in it."""
    kind = rng.choices(range(len(KINDS)), list(SHARES.values()))[0]
    body = bytearray(rng.choice([seed for seed in corpus if seed[0] == kind]))
    for _ in range(rng.choice((1, 1, 1, 1, 2, 3, 5, 12))):
        at = rng.randrange(1, len(body)) if len(body) > 1 else 0
        rng.choice(SPOILERS)(rng, body, at, corpus)
        if not body:
            body = bytearray(b"\x00")
    return bytes(body[:1_000_000])


def _copied(rng: random.Random, body: bytearray, at: int, _corpus: list[bytes]) -> None:
    body[at:at] = bytes(body[at:at + rng.choice((4, 40, 400))]) * rng.choice((1, 2, 20))


def _grafted(rng: random.Random, body: bytearray, at: int, corpus: list[bytes]) -> None:
    other = rng.choice(corpus)
    start = rng.randrange(len(other))
    body[at:at + 30] = other[start:start + rng.choice((10, 100))]


def _called_otherwise(rng: random.Random, body: bytearray, _at: int, _corpus: list[bytes]) -> None:
    if rng.random() < 0.3:
        body[0] = rng.randrange(len(KINDS))


def _renumbered(rng: random.Random, body: bytearray, _at: int, _corpus: list[bytes]) -> None:
    if found := list(NUMBER.finditer(body, 1)):
        number = rng.choice(found)
        body[number.start():number.end()] = rng.choice(NUMBERS)


def _put(rng: random.Random, body: bytearray, at: int, over: int, pieces: tuple[bytes, ...]) -> None:
    body[at:at + over] = rng.choice(pieces)


BYTES = tuple(bytes([i]) for i in range(256))
SPOILERS = (
    lambda rng, body, at, _: _put(rng, body, at, 1, BYTES),
    lambda rng, body, at, _: _put(rng, body, at, 0, TOKENS),
    lambda rng, body, at, _: _put(rng, body, at, rng.choice((1, 4, 40, 400)), (b"",)),
    lambda rng, body, at, _: _put(rng, body, at, len(body), (b"",)),
    lambda rng, body, at, _: _put(rng, body, at, 4, (b"\xff" * 4, b"\x00" * 4, b"\x80\x00\x00\x00", b"\x01\x00")),
    _copied, _grafted, _called_otherwise, _renumbered, _renumbered,
)


def batch(count: int, seed: int, corpus: list[bytes], folder: Path, report: int) -> None:
    """Run one batch; write an ``F`` and the input's number for each unhandled error, an ``S`` for a slow one."""
    rng = random.Random(seed)  # noqa: S311 - mutations, not secrets
    i = 0
    TALLY.clear()

    def unraisable(what: sys.UnraisableHookArgs) -> None:
        os.write(report, b"F%d printed a traceback: %s\n" % (i, str(what.exc_value)[:200].encode("utf-8", "replace")))

    sys.unraisablehook = unraisable
    for i in range(count):
        data = mutated(rng, corpus)
        os.write(report, b"I%d\n" % i)
        start = time.process_time()
        try:
            one(data, folder)
        except Exception:  # what the fuzzer looks for: counted and told as unhandled
            os.write(report, b"F%d %s\n" % (i, traceback.format_exc(limit=-3).replace("\n", " | ")[-600:].encode()))
        if time.process_time() - start > SLOW_S:
            os.write(report, b"S%d\n" % i)
    for (kind, what), number in TALLY.items():
        os.write(report, f"T{kind} {what} {number}\n".encode())


def run_batch(count: int, seed: int, corpus: list[bytes], folder: Path) -> list[str]:
    """Return what went wrong in one batch, run in a child process."""
    read, write = os.pipe()
    pid = os.fork()
    if pid == 0:
        os.close(read)
        batch(count, seed, corpus, folder, write)
        os._exit(0)
    os.close(write)
    with os.fdopen(read, "rb") as pipe:
        lines = pipe.read().decode("utf-8", "replace").splitlines()
    _, status = os.waitpid(pid, 0)
    wrong = [f"seed {seed} input {line[1:]}" for line in lines if line[0] in "FS"]
    for kind, what, number in (line[1:].split() for line in lines if line[0] == "T"):
        TALLY[kind, what] += int(number)
    if os.WIFSIGNALED(status):
        last = next((line for line in reversed(lines) if line[0] == "I"), "I?")
        wrong.append(f"seed {seed} input {last[1:]}: died of {signal.Signals(os.WTERMSIG(status)).name}")
    return wrong


def guided(corpus: list[bytes], folder: Path) -> int:
    """Let coverage of our own readers guide the mutations; ends only when it finds something or has run its count."""
    import atheris

    ours = ("pipeline.store", bushfile.__name__)
    for module in [m for name, m in sorted(sys.modules.items()) if name.startswith(ours)]:
        for function in [f for f in vars(module).values() if isinstance(f, types.FunctionType)]:
            if function.__module__ == module.__name__:
                atheris.instrument_func(function)
    store = folder / "corpus"
    store.mkdir()
    for i, seed in enumerate(corpus):
        (store / str(i)).write_bytes(seed)

    def tried(data: bytes) -> None:
        one(data, folder)
        if INPUT[0] % TOLD_EVERY == 0:  # the fuzzer ends the process without a last word
            print(shares(), flush=True)

    arguments = [a for a in sys.argv if a != "--guided"]
    atheris.Setup([*arguments, "-rss_limit_mb=8000", "-max_len=60000", str(store)], tried)
    atheris.Fuzz()
    return 0


def shares() -> str:
    """Return how many inputs each reader was given, and how many it read."""
    return "\n".join(f"   {kind:16s} {TALLY[kind, 'given']:9,d} given {TALLY[kind, 'read']:9,d} read" for kind in KINDS)


def main() -> int:
    """Fuzz and tell."""
    warnings.simplefilter("error")  # a warning would be printed on the terminal
    read_once()
    memory = Path("/dev/shm")  # noqa: S108 - faster than a disk, where there is one
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as name:
        folder = Path(name)
        tempfile.tempdir = name  # archives are unpacked in memory too
        corpus = seeds(folder)
        if "--guided" in sys.argv:
            return guided(corpus, folder)
        count = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
        first = int(sys.argv[2]) if len(sys.argv) > 2 else 1
        done, wrong, start = 0, [], time.perf_counter()
        while done < count:
            size = min(BATCH, count - done)
            wrong += run_batch(size, first + done // BATCH, corpus, folder)
            done += size
            if done % (5 * BATCH) == 0 or done == count:
                print(f"{done:,d} inputs, {len(wrong)} unhandled, {time.perf_counter() - start:,.0f} s", flush=True)
                for line in wrong[-5:]:
                    print("  ", line, flush=True)
        print(shares())
        print(*wrong, sep="\n")
        return bool(wrong)


if __name__ == "__main__":
    sys.exit(main())
