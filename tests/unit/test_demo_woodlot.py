"""The demo woodlot: what the committed files hold, and that the generator still makes them."""

from __future__ import annotations

import csv
import heapq
import importlib.util
import sys
import tomllib
import xml.etree.ElementTree as ET
from pathlib import Path

import fiona
import numpy as np
import pyproj
import pytest
import rasterio
import shapely
from shapely.geometry import shape

# rasterio multiplies its transforms in a way that the affine package announces to end one day
pytestmark = pytest.mark.filterwarnings("ignore:Use `@` matmul:PendingDeprecationWarning")

DEMO = Path(__file__).resolve().parents[2] / "data_demo"
GPX = {"g": "http://www.topografix.com/GPX/1/1"}


def generator():
    if str(DEMO) not in sys.path:
        sys.path.append(str(DEMO))  # where Python itself looks when the script is run
    spec = importlib.util.spec_from_file_location("make_demo", DEMO / "make_demo.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules["make_demo"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo")
    generator().make(folder)
    return folder


@pytest.fixture(scope="module")
def relief():
    with rasterio.open(DEMO / "terrain.tif") as file:
        z = file.read(1, masked=True).filled(np.nan).astype(float)
        return z, file.transform, file.crs


@pytest.fixture(scope="module")
def rows():
    with (DEMO / "trees.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def layers(path):
    found = {}
    for name in fiona.listlayers(path):
        with fiona.open(path, layer=name) as file:
            found[name] = [(shape(r["geometry"]), dict(r["properties"])) for r in file]
    return found


def to_plan(lon, lat):
    return pyproj.Transformer.from_crs(4326, 32618, always_xy=True).transform(lon, lat)


def positions(rows):
    return np.array(to_plan([float(r["lon"]) for r in rows], [float(r["lat"]) for r in rows])).T


def tappable(row):
    return "maple" in row["species"] and row["state"] == "live" and float(row["dbh_in"]) >= 12.0


def test_the_generator_makes_what_is_committed(made, relief):
    for name in ("bush.toml", "trees.gpx", "trees.csv"):
        assert (made / name).read_bytes() == (DEMO / name).read_bytes(), name
    with rasterio.open(made / "terrain.tif") as file:
        assert np.array_equal(file.read(1, masked=True).filled(np.nan), relief[0].astype(np.float32), equal_nan=True)
    for name in ("ground.gpkg", "storm.gpkg"):
        ours, theirs = layers(made / name), layers(DEMO / name)
        assert list(ours) == list(theirs)
        for layer in ours:
            assert [p for _, p in ours[layer]] == [p for _, p in theirs[layer]]
            assert all(a.equals(b) for (a, _), (b, _) in zip(ours[layer], theirs[layer], strict=True))


def test_a_second_run_gives_the_same_bytes(made, tmp_path):
    generator().make(tmp_path)
    for path in sorted(made.iterdir()):
        assert path.read_bytes() == (tmp_path / path.name).read_bytes(), path.name


def test_the_raster_is_small_enough_to_commit_and_has_a_hole(relief):
    z, transform, crs = relief
    assert (DEMO / "terrain.tif").stat().st_size < 900_000
    assert z.shape == (480, 560)
    assert (transform.a, transform.e) == (1.0, -1.0)
    assert crs.to_epsg() == 32618
    assert 0 < np.isnan(z).sum() < 200
    assert np.isnan(z[0, -1])
    assert 50.0 < np.nanmax(z) - np.nanmin(z) < 80.0
    assert np.allclose(z * 100, np.round(z * 100), atol=0.005, equal_nan=True)


def test_slopes_are_those_of_a_hill_one_can_work_on(relief):
    z = relief[0][40:, :520]
    run = 10
    east, north = z[run:-run, 2 * run:] - z[run:-run, :-2 * run], z[2 * run:, run:-run] - z[:-2 * run, run:-run]
    slope = 100 * np.hypot(east, north)
    middle = np.quantile(slope / (2 * run), [0.25, 0.5, 0.75])
    assert 5.0 < middle[0] < middle[1] < middle[2] < 20.0


def test_gpx_and_csv_tell_the_same(rows):
    points = ET.parse(DEMO / "trees.gpx").getroot().findall("g:wpt", GPX)  # noqa: S314 our own file
    assert len(points) == len(rows) == 1000
    for point, row in zip(points, rows, strict=True):
        assert point.find("g:name", GPX).text == row["tag"]
        assert (point.get("lon"), point.get("lat")) == (row["lon"], row["lat"])
        said = point.find("g:desc", GPX).text
        assert said.startswith(f"{row['species']} {row['dbh_in']} in")
        assert point.find("g:type", GPX).text == row["species"]
        assert (row["state"] in said) == (row["state"] != "live")
    assert len({r["tag"] for r in rows}) == len(rows)


def test_what_the_survey_holds_on_purpose(rows):
    count = len(rows)
    assert 0.70 < sum(tappable(r) for r in rows) / count < 0.85
    assert 5 < sum(r["state"] == "dead" for r in rows) < 50
    assert 30 < sum(float(r["dbh_in"]) < 12.0 for r in rows) < 200
    assert {"yellow birch", "white ash"} <= {r["species"] for r in rows}
    assert min(float(r["dbh_in"]) for r in rows) >= 8.0
    assert max(float(r["dbh_in"]) for r in rows) <= 30.0
    xy = positions(rows)
    outline = layers(DEMO / "ground.gpkg")["property"][0][0]
    assert 2 <= (~shapely.contains_xy(outline, xy[:, 0], xy[:, 1])).sum() <= 6
    second = [i for i, r in enumerate(rows) if int(r["tag"][1:]) > 900]
    assert len(second) == 14
    for i in second:
        away = np.hypot(*(xy - xy[i]).T)
        away[i] = np.inf
        nearest = int(np.argmin(away))
        assert away[nearest] <= 2.1
        assert abs(float(rows[i]["dbh_in"]) - float(rows[nearest]["dbh_in"])) <= 4.0


def test_ground_layers():
    found = layers(DEMO / "ground.gpkg")
    assert sorted(found) == ["power_line", "property", "road", "stream", "trail", "wet"]
    with fiona.open(DEMO / "ground.gpkg", layer="road") as file:
        assert pyproj.CRS.from_wkt(file.crs_wkt).to_epsg() == 32618
    for shapes in found.values():
        assert all(s.is_valid for s, _ in shapes)
        assert all(p["name"] for _, p in shapes)


def test_the_stream_falls_all_the_way(relief):
    z, transform, _ = relief
    ground = layers(DEMO / "ground.gpkg")
    stream, road = ground["stream"][0][0], ground["road"][0][0]
    at = np.array([stream.interpolate(s).coords[0] for s in np.arange(0.0, stream.length, 5.0)])
    at = at[shapely.distance(road, shapely.points(at)) > 9.0]  # it passes under the road in a culvert
    row, col = ((transform.f - at[:, 1]) / 1.0).astype(int), ((at[:, 0] - transform.c) / 1.0).astype(int)
    bed = z[np.clip(row, 0, 479), np.clip(col, 0, 559)]
    # boulders lie in it; no place is higher than half a metre above the lowest bed upstream of it
    assert np.all(bed - np.minimum.accumulate(bed) < 0.6)
    assert bed[0] - bed[-1] > 30.0


def test_storm(rows):
    found = layers(DEMO / "storm.gpkg")
    assert sorted(found) == ["lines", "points", "polygons"]
    assert {p["kind"] for _, p in found["points"]} == {
        "tree down", "hung", "root plate", "line broken", "support lost", "access blocked"}
    tags = {r["tag"] for r in rows}
    assert all(p["tree"] in tags for _, p in found["points"] if p["tree"])


def test_bush_file_names_what_exists():
    bush = tomllib.loads((DEMO / "bush.toml").read_text(encoding="utf-8"))
    assert (DEMO / bush["trees"]["file"]).is_file()
    assert (DEMO / bush["terrain"]["file"]).is_file()
    known = layers(DEMO / "ground.gpkg")
    for kind, table in bush["ground"].items():
        assert table["layer"] == kind
        assert kind in known
    (point,) = bush["collection"]
    x, y = to_plan(point["lon"], point["lat"])
    assert point["id"] == "C1"
    assert known["road"][0][0].distance(shapely.Point(x, y)) < 25.0
    assert known["property"][0][0].contains(shapely.Point(x, y))


@pytest.fixture(scope="module")
def lowest_line(relief):
    """Return the lowest legal line by a plain search of its own: 2 m cells, 0.76 to 3.05 m above ground, 2 % fall."""
    z = relief[0][::2, ::2]
    bush = tomllib.loads((DEMO / "bush.toml").read_text(encoding="utf-8"))
    x, y = to_plan(bush["collection"][0]["lon"], bush["collection"][0]["lat"])
    start = (int((4_942_480.0 - y) / 2), int((x - 690_000.0) / 2))
    best = np.full(z.shape, np.inf)
    best[start] = z[start] + 0.9144
    queue = [(best[start], *start)]
    moves = [(a, b) for a in (-1, 0, 1) for b in (-1, 0, 1) if a or b] + [
        (a, b) for a in (-2, -1, 1, 2) for b in (-2, -1, 1, 2) if abs(a) != abs(b)]
    while queue:
        level, r, c = heapq.heappop(queue)
        if level > best[r, c]:
            continue
        for a, b in moves:
            rr, cc = r + a, c + b
            if 0 <= rr < z.shape[0] and 0 <= cc < z.shape[1] and not np.isnan(z[rr, cc]):
                new = max(z[rr, cc] + 0.762, level + 0.02 * 2.0 * np.hypot(a, b))
                if new <= z[rr, cc] + 3.048 and new < best[rr, cc] - 1e-9:
                    best[rr, cc] = new
                    heapq.heappush(queue, (new, rr, cc))
    return best


def test_most_trees_can_be_reached_by_gravity_and_the_kettle_cannot(rows, relief, lowest_line):
    xy = positions([r for r in rows if tappable(r)])
    row, col = (4_942_480.0 - xy[:, 1]).astype(int), (xy[:, 0] - 690_000.0).astype(int)
    inside = (row >= 0) & (row < 480) & (col >= 0) & (col < 560)
    reached = np.isfinite(lowest_line[row[inside] // 2, col[inside] // 2])
    assert reached.mean() > 0.95
    kettle = np.hypot(xy[:, 0] - 690_452.0, xy[:, 1] - 4_942_118.0) < 28.0
    assert kettle.sum() >= 5
    at = lowest_line[row[kettle] // 2, col[kettle] // 2]
    assert not np.isfinite(at).any()
