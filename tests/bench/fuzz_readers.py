"""Throws mutated files at every reader and at the bush file; counts inputs that end in anything but an error in words.

``python tests/bench/fuzz_readers.py [COUNT] [SEED]`` mutates valid files with a seeded generator, in child
processes, so that a crash of a C library is counted too. With atheris installed,
``python tests/bench/fuzz_readers.py --guided -runs=COUNT`` lets coverage of our readers guide the mutations.
The bar is 1,000,000 inputs without an unhandled error.
"""

from __future__ import annotations

import dataclasses
import os
import random
import signal
import sys
import tempfile
import time
import traceback
import types
import warnings
import zipfile
from pathlib import Path

import geopandas

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))

from pipeline import bushfile
from pipeline.errors import FallgradeError
from pipeline.frame import utm_frame
from pipeline.settings import GroundLayerSettings, PriceSettings, Settings, TerrainSettings, TreeSettings
from pipeline.store import layers, prices, rasters, vectors

import tiny_bush

FRAME = utm_frame(-75.0, 44.7, "")
# what is tried with each kind of file; the first byte of an input chooses
KINDS = ("bush.toml", "t.csv", "t.gpx", "t.kml", "t.geojson", "t.gpkg", "t.fgb", "t.shp", "t.zip", "t.kmz", "t.tif",
         "t.asc", "t.vrt", "p.csv")
RASTERS = (".tif", ".asc", ".vrt")
TOKENS = (
    b"<", b">", b"&#x202e;", b"<!DOCTYPE x [", b"<!ENTITY a 'b'>", b"\x00", b"\xff\xfe", b"\xef\xbb\xbf", b'"', b"'",
    b";", b"\t", b"\r\n", b",", b"1e999", b"-1e308", b"nan", b"NaN", b"inf", b"-0", b"9" * 30, b"\\u0000",
    b"{", b"}", b"[", b"]", b"null", b"true", b"..", b"../../", b"/vsizip/", b"PK\x03\x04", b"PK\x05\x06", b"lon",
    b"lat", b"dbh", b"EPSG:0", b"EPSG:4326", b"\xf0\x9f\x8d\x81", b"=1+1", b"#", b"\xd8\x00", b"ncols", b"-9999",
)
BATCH = 500
SLOW_S = 20.0


def seeds(folder: Path) -> list[bytes]:
    """Return one valid input of each kind, its kind in front."""
    tiny_bush.write_bush(folder)
    names = {"bush.toml": "bush.toml", "t.csv": "trees.csv", "t.tif": "terrain.tif"}
    frame = geopandas.read_file(folder / "trees.csv").head(6)
    lon, lat = frame.lon.astype(float), frame.lat.astype(float)
    points = geopandas.GeoDataFrame(
        {"name": frame.tree_id, "desc": frame.species + " " + frame.dbh_in + " in", "dbh_cm": 40.0},
        geometry=geopandas.points_from_xy(lon, lat), crs=4326,
    )
    for name in ("t.geojson", "t.gpkg", "t.fgb", "t.shp"):
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
    (folder / "p.csv").write_text("# mine\ncode,price,unit\nPIPE 1,2.0,ft\nTEE,0.5,pc\n", encoding="ascii")
    return [bytes([i]) + (folder / names.get(kind, kind)).read_bytes()[:60_000] for i, kind in enumerate(KINDS)]


def one(data: bytes, folder: Path) -> None:
    """Give one input to its readers; anything but an error in words comes out as an exception."""
    kind = KINDS[data[0] % len(KINDS)] if data else KINDS[0]
    path = folder / kind
    path.write_bytes(data[1:])
    try:
        _read(kind, path, folder)
    except FallgradeError as error:
        if not error.problems or not all(p.found and p.wanted for p in error.problems):
            raise AssertionError("an error without words") from error


def _read(kind: str, path: Path, folder: Path) -> None:
    base = Settings()
    if kind == "bush.toml":
        bushfile.parse(path.read_bytes().decode("utf-8", "replace"), kind)
    elif path.suffix in RASTERS:
        land = TerrainSettings(file=kind, crs="" if kind == "t.tif" else "EPSG:32618")
        rasters.read_terrain(dataclasses.replace(base, terrain=land), folder)
    elif kind == "p.csv":
        prices.read_prices(dataclasses.replace(base, prices=PriceSettings(file=kind)), folder)
    else:
        settings = dataclasses.replace(base, trees=TreeSettings(file=kind),
                                       ground={"no_go": GroundLayerSettings(file=kind)})
        try:
            points = vectors.read_trees(settings, folder, FRAME)
            rows = {len(points.tree_id), len(points.x_m), len(points.dbh_cm), len(points.state), len(points.row)}
            if len(rows) != 1:
                raise AssertionError("columns of different lengths")
        finally:
            vectors.tree_lonlat_bounds(settings, folder)
        if kind not in {"t.csv", "t.gpx"}:
            layers.read_ground_report(settings, folder, FRAME)


def mutated(rng: random.Random, corpus: list[bytes]) -> bytes:
    """Return a valid input with a few things wrong in it."""
    body = bytearray(rng.choice(corpus))
    for _ in range(rng.choice((1, 1, 2, 3, 5, 12))):
        at = rng.randrange(1, len(body)) if len(body) > 1 else 0
        step = rng.randrange(8)
        if step == 0:
            body[at:at + 1] = bytes([rng.randrange(256)])
        elif step == 1:
            body[at:at] = rng.choice(TOKENS)
        elif step == 2:
            del body[at:at + rng.choice((1, 4, 40, 400))]
        elif step == 3:
            body[at:] = b""
        elif step == 4:
            piece = bytes(body[at:at + rng.choice((4, 40, 400))])
            body[at:at] = piece * rng.choice((1, 2, 20))
        elif step == 5:
            other = rng.choice(corpus)
            start = rng.randrange(len(other))
            body[at:at + 30] = other[start:start + rng.choice((10, 100))]
        elif step == 6:
            body[at:at + 4] = rng.choice((b"\xff\xff\xff\xff", b"\x00\x00\x00\x00", b"\x80\x00\x00\x00", b"\x01\x00"))
        else:
            body[0] = rng.randrange(len(KINDS))
        if not body:
            body = bytearray(b"\x00")
    return bytes(body[:200_000])


def batch(count: int, seed: int, corpus: list[bytes], folder: Path, report: int) -> None:
    """Run one batch; write an ``F`` and the input's number for each unhandled error, an ``S`` for a slow one."""
    rng = random.Random(seed)  # noqa: S311 - mutations, not secrets
    i = 0

    def unraisable(what: sys.UnraisableHookArgs) -> None:
        os.write(report, b"F%d printed a traceback: %s\n" % (i, str(what.exc_value)[:200].encode("utf-8", "replace")))

    sys.unraisablehook = unraisable
    for i in range(count):
        data = mutated(rng, corpus)
        os.write(report, b"I%d\n" % i)
        start = time.perf_counter()
        try:
            one(data, folder)
        except Exception:
            os.write(report, b"F%d %s\n" % (i, traceback.format_exc(limit=-3).replace("\n", " | ")[-600:].encode()))
        if time.perf_counter() - start > SLOW_S:
            os.write(report, b"S%d\n" % i)


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
    arguments = [a for a in sys.argv if a != "--guided"]
    atheris.Setup([*arguments, "-rss_limit_mb=8000", "-max_len=60000", str(store)], lambda data: one(data, folder))
    atheris.Fuzz()
    return 0


def main() -> int:
    """Fuzz and tell."""
    warnings.simplefilter("error")  # a warning would be printed on the terminal
    memory = Path("/dev/shm")  # noqa: S108 - faster than a disk, where there is one
    with tempfile.TemporaryDirectory(dir=memory if memory.is_dir() else None) as name:
        folder = Path(name)
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
            if done % (20 * BATCH) == 0 or done == count:
                print(f"{done:,d} inputs, {len(wrong)} unhandled, {time.perf_counter() - start:,.0f} s", flush=True)
                for line in wrong[-5:]:
                    print("  ", line, flush=True)
        print(*wrong, sep="\n")
        return bool(wrong)


if __name__ == "__main__":
    sys.exit(main())
