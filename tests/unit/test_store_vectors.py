"""Readers of trees: formats, units, CRSs, and a zoo of bad files."""

from __future__ import annotations

import json
import math
import warnings
import zipfile
from dataclasses import replace
from pathlib import Path

import geopandas
import numpy as np
import pytest
import shapely
from pipeline.errors import InputDataError
from pipeline.frame import Frame, utm_frame
from pipeline.settings import Settings, TreeSettings
from pipeline.store import vectors

FRAME = utm_frame(-72.6, 44.6, "")
LOCAL = Frame("", "local grid", "")
# tag, longitude, latitude, species, diameter in inches, state
SITE = (
    ("A1", -72.6001, 44.6001, "sugar maple", 14.5, "alive"),
    ("A2", -72.6002, 44.6003, "red maple", 18.25, "dead"),
    ("A3", -72.6003, 44.6002, "érable à sucre", 11.0, "alive"),
    ("A4", -72.6004, 44.6005, "white ash", 22.0, "alive"),
)


def settings(file: str, **keys) -> Settings:
    return Settings(trees=TreeSettings(file=file, **keys))


def frame_of_site(crs: str = "EPSG:4326") -> geopandas.GeoDataFrame:
    rows = list(zip(*SITE, strict=True))
    return geopandas.GeoDataFrame(
        {"tag": rows[0], "species": rows[3], "dbh_in": rows[4], "state": rows[5]},
        geometry=shapely.points(rows[1], rows[2]),
        crs="EPSG:4326",
    ).to_crs(crs)


def gpx(points: str, version: str = "1.1") -> str:
    space = version.replace(".", "/")
    return (
        f'<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="{version}" creator="t" '
        f'xmlns="http://www.topografix.com/GPX/{space}">{points}</gpx>'
    )


def kml(points: str) -> str:
    return (
        '<?xml version="1.0" encoding="UTF-8"?><kml xmlns="http://www.opengis.net/kml/2.2"><Document>'
        f"<Folder><name>trees</name>{points}</Folder></Document></kml>"
    )


def write_text_site(path: Path) -> None:
    """Write the site as the text format that the file's name stands for."""
    kind = path.name
    if kind.endswith(".gpx"):
        body = gpx(
            "".join(
                f'<wpt lat="{lat}" lon="{lon}"><name>{tag}</name><desc>{sp} {dbh} in {st}</desc></wpt>'
                for tag, lon, lat, sp, dbh, st in SITE
            )
        )
    elif kind.endswith(".kml"):
        body = kml(
            "".join(
                f"<Placemark><name>{tag}</name><description>{sp} {dbh} in {st}</description>"
                f"<Point><coordinates>{lon},{lat}</coordinates></Point></Placemark>"
                for tag, lon, lat, sp, dbh, st in SITE
            )
        )
    else:
        mark = {"c": ",", "s": ";", "t": "\t"}[kind[0]]
        rows = [["tag", "lon", "lat", "species", "dbh_in", "state"], *[[str(c) for c in r] for r in SITE]]
        if mark == ";":  # as a French spreadsheet writes it
            rows = [
                ["Étiquette", "Longitude", "Latitude", "Essence", "DHP (po)", "État"],
                *[[c.replace(".", ",") for c in r] for r in rows[1:]],
            ]
        body = "\n".join(mark.join(r) for r in rows) + "\n"
    encoding = "utf-8-sig" if kind.startswith("s") else "utf-16" if "utf16" in kind else "utf-8"
    path.write_text(body, encoding=encoding)


TEXT_FILES = ("site.gpx", "site.kml", "comma.csv", "semicolon.csv", "tab.tsv", "comma_utf16.csv")
TABLE_FILES = [
    (name, crs)
    for name in ("site.gpkg", "site.fgb", "site.shp")
    for crs in ("EPSG:4326", "EPSG:32618", "EPSG:2852", "EPSG:3857", "EPSG:4269")
] + [("site.geojson", "EPSG:4326")]


def assert_is_the_site(points, metres: float) -> None:
    x, y = FRAME.from_lonlat([r[1] for r in SITE], [r[2] for r in SITE])
    # a spatial index may put the rows in another order
    order = np.argsort(points.tree_id)
    points = replace(
        points,
        tree_id=tuple(np.array(points.tree_id)[order].tolist()),
        x_m=points.x_m[order],
        y_m=points.y_m[order],
        species=tuple(np.array(points.species)[order].tolist()),
        dbh_cm=points.dbh_cm[order],
        state=tuple(np.array(points.state)[order].tolist()),
    )
    assert points.tree_id == tuple(r[0] for r in SITE)
    assert np.hypot(points.x_m - x, points.y_m - y).max() < metres
    assert points.dbh_cm == pytest.approx([r[4] * 2.54 for r in SITE], abs=1e-6)
    assert [s.lower() for s in points.species] == [r[3] for r in SITE]
    assert points.state == tuple(r[5] for r in SITE)


@pytest.mark.parametrize("name", TEXT_FILES)
def test_text_formats_give_the_same_trees(tmp_path, name: str) -> None:
    write_text_site(tmp_path / name)
    assert_is_the_site(vectors.read_trees(settings(name), tmp_path, FRAME), metres=1e-6)


@pytest.mark.parametrize(("name", "crs"), TABLE_FILES)
def test_table_formats_and_crss_give_the_same_trees(tmp_path, name: str, crs: str) -> None:
    frame_of_site(crs).to_file(tmp_path / name)
    # NAD83 and WGS 84 are taken as one by the null transformation: within 1.5 m of one another
    tolerance = 1.5 if crs in {"EPSG:2852", "EPSG:4269"} else 0.01
    assert_is_the_site(vectors.read_trees(settings(name), tmp_path, FRAME), metres=tolerance)


@pytest.mark.parametrize(("unit", "factor"), [("in", 1.0), ("cm", 2.54), ("mm", 25.4), ("m", 0.0254)])
def test_units_of_diameter_give_the_same_trees(tmp_path, unit: str, factor: float) -> None:
    frame = frame_of_site().rename(columns={"dbh_in": "dbh"})
    frame["dbh"] *= factor
    frame.to_file(tmp_path / "site.gpkg")
    assert_is_the_site(vectors.read_trees(settings("site.gpkg", dbh_unit=unit), tmp_path, FRAME), metres=0.01)


def test_girths_are_divided_by_pi(tmp_path) -> None:
    frame = frame_of_site().rename(columns={"dbh_in": "girth_cm"})
    frame["girth_cm"] *= 2.54 * math.pi
    frame.to_file(tmp_path / "site.gpkg")
    assert_is_the_site(vectors.read_trees(settings("site.gpkg"), tmp_path, FRAME), metres=0.01)


def test_named_columns_and_layers_are_taken(tmp_path) -> None:
    frame = frame_of_site().rename(columns={"tag": "a", "species": "b", "dbh_in": "c", "state": "d"})
    frame.to_file(tmp_path / "site.gpkg", layer="maples")
    frame.iloc[:1].to_file(tmp_path / "site.gpkg", layer="other", mode="a")
    asked = settings("site.gpkg", layer="maples", id_column="A", species_column="b", dbh_column="c", status_column="d")
    assert_is_the_site(vectors.read_trees(asked, tmp_path, FRAME), metres=0.01)


def test_the_columns_unit_wins_over_the_bush_files_and_is_told(tmp_path) -> None:
    (tmp_path / "t.csv").write_text("tag,lon,lat,dbh_cm\n1,-72.6,44.6,36\n")
    points, findings = vectors.read_trees_report(settings("t.csv", dbh_unit="in"), tmp_path, FRAME)
    assert points.dbh_cm.tolist() == [36.0]
    assert [f.code for f in findings] == ["DBH_UNIT_FROM_HEAD"]


@pytest.mark.parametrize("frame", [FRAME, LOCAL])
def test_x_and_y_without_a_crs_are_the_plans_own(tmp_path, frame: Frame) -> None:
    (tmp_path / "t.csv").write_text("tag,x_m,y_m,dbh\n1,690000.5,4942000.25,14\n")
    points, findings = vectors.read_trees_report(settings("t.csv"), tmp_path, frame)
    assert (points.x_m.tolist(), points.y_m.tolist()) == ([690000.5], [4942000.25])
    assert [f.code for f in findings] == (["CRS_ASSUMED"] if frame.on_earth else [])


def test_x_and_y_in_a_given_crs_are_moved(tmp_path) -> None:
    x, y = FRAME.from_lonlat([-72.6], [44.6])
    (tmp_path / "t.csv").write_text(
        f"tag,x,y,dbh\n1,{x[0]!r},{y[0]!r},14\n".replace("np.float64(", "").replace(")", "")
    )
    points = vectors.read_trees(settings("t.csv", crs="EPSG:32618"), tmp_path, utm_frame(-79.0, 44.6, ""))
    there, _ = utm_frame(-79.0, 44.6, "").from_lonlat([-72.6], [44.6])
    assert points.x_m == pytest.approx(there, abs=1e-3)


def test_row_numbers_count_lines_of_the_file(tmp_path) -> None:
    (tmp_path / "t.csv").write_text('sep=;\ntag;lon;lat;note\n\n7;-72,6;44,6;"two\nlines"\n;-72,6;44,6;\n')
    points = vectors.read_trees(settings("t.csv"), tmp_path, FRAME)
    assert points.row.tolist() == [5, 6]
    assert points.tree_id == ("7", "T6")


def test_a_path_with_blanks_and_accents(tmp_path) -> None:
    folder = tmp_path / "Érablière du rang 4"
    folder.mkdir()
    for name in ("points levés.csv", "points levés.gpx"):
        write_text_site(folder / name) if name.endswith("gpx") else (folder / name).write_bytes(
            ("tag,lon,lat,species,dbh_in,state\n" + "\n".join(",".join(map(str, r)) for r in SITE)).encode()
        )
        assert_is_the_site(vectors.read_trees(settings(name), folder, FRAME), metres=1e-6)


# ------------------------------------------------------- rows that stay, with NaN


@pytest.mark.parametrize("cell", ["", "n/a", "abc", "1e999", "-", "200", "-91"])
def test_a_bad_position_stays_as_a_row_without_one(tmp_path, cell: str) -> None:
    lines = [f"{i},-72.6,44.6,14" for i in range(5)] + [f"x,-72.6,{cell},14"]
    (tmp_path / "t.csv").write_text("tag,lon,lat,dbh\n" + "\n".join(lines))
    points = vectors.read_trees(settings("t.csv"), tmp_path, FRAME)
    assert len(points.tree_id) == 6
    assert np.flatnonzero(np.isnan(points.x_m)).tolist() == [5]
    assert np.flatnonzero(np.isnan(points.y_m)).tolist() == [5]


@pytest.mark.parametrize("cell", ["-3", "0", "400"])
def test_an_implausible_diameter_becomes_none_and_is_counted(tmp_path, cell: str) -> None:
    lines = [f"{i},-72.6,44.6,14" for i in range(5)] + [f"x,-72.6,44.6,{cell}"]
    (tmp_path / "t.csv").write_text("tag,lon,lat,dbh\n" + "\n".join(lines))
    points, findings = vectors.read_trees_report(settings("t.csv"), tmp_path, FRAME)
    assert math.isnan(points.dbh_cm[5])
    assert [(f.code, f.measured) for f in findings] == [("DBH_IMPLAUSIBLE", 1.0)]


def test_shapes_that_are_no_points_stay_without_a_position(tmp_path) -> None:
    frame = frame_of_site()
    frame.loc[1, "geometry"] = shapely.LineString([(0, 0), (1, 1)])
    frame.loc[2, "geometry"] = None
    frame.loc[3, "geometry"] = shapely.MultiPoint([SITE[3][1:3]])
    frame.to_file(tmp_path / "t.geojson")
    points = vectors.read_trees(settings("t.geojson"), tmp_path, FRAME)
    assert np.isnan(points.x_m).tolist() == [False, True, True, False]


def test_hostile_tags_are_cleaned(tmp_path) -> None:
    (tmp_path / "t.csv").write_text(
        'tag,lon,lat\n"A\u202e1\x07",-72.6,44.6\n' + "z" * 5000 + ",-72.6,44.6\n", encoding="utf-8"
    )
    first, second = vectors.read_trees(settings("t.csv"), tmp_path, FRAME).tree_id
    assert first == "A1"
    assert len(second) == 40


# ---------------------------------------------------------------- the zoo

CSV = "tag,lon,lat,species,dbh\n1,-72.6,44.6,sugar maple,14\n"
ZOO: dict[str, tuple[str, bytes | str, dict[str, str], str]] = {
    # name: file, body, keys of [trees], a part of the message
    "empty": ("t.csv", "", {}, "empty file"),
    "blank lines": ("t.csv", "\n\n  \n", {}, "no lines"),
    "header only": ("t.csv", "tag,lon,lat\n", {}, "without rows"),
    "no position columns": ("t.csv", "tag,species\n1,sugar maple\n", {}, "lon and lat, or x and y"),
    "one position column": ("t.csv", "tag,lon\n1,-72\n", {}, "lon and lat, or x and y"),
    "short row": ("t.csv", CSV + "2,-72.6\n", {}, "line 3: found 2 cells; wanted 5 cells"),
    "long row": ("t.csv", CSV + "2,-72.6,44.6,maple,14,5\n", {}, "line 3: found 6 cells"),
    "decimal comma in a comma file": ("t.csv", "tag,lon,lat\n1,-72,6,44,6\n", {}, "found 5 cells"),
    "binary named csv": ("t.csv", b"\x00\x01\x02\x03" * 50, {}, "another kind of file"),
    "zip": ("t.csv", b"PK\x03\x04" + b"\x00" * 50, {}, "cannot be unpacked"),
    "excel": ("t.xlsx", b"PK\x03\x04" + b"\x00" * 50, {}, "cannot be unpacked"),
    "gzip": ("t.gpx.gz", b"\x1f\x8b\x08" + b"\x00" * 50, {}, "gzip"),
    "picture": ("t.gpx", b"\x89PNG\r\n\x1a\n" + b"\x00" * 50, {}, "another kind of file"),
    "pdf": ("t.gpx", b"%PDF-1.4\n", {}, "another kind of file"),
    "swapped": ("t.csv", "tag,lon,lat\n1,44.6,-72.6\n2,44.6,-72.61\n", {}, "swapped in 2 of 2"),
    "sign lost": ("t.csv", "tag,lon,lat\n1,72.6,44.6\n2,72.6,44.61\n", {}, "minus sign of the longitude"),
    "other half of the world": (
        "t.csv",
        "tag,lon,lat\n1,-72.6,-44.6\n2,-72.6,-44.61\n",
        {},
        "minus sign of the latitude",
    ),
    "all at zero": ("t.csv", "tag,lon,lat\n1,0,0\n2,0,0\n", {}, "without a usable position"),
    "positions are words": ("t.csv", "tag,lon,lat\n1,west,north\n", {}, "without a usable position"),
    "metres read as inches": ("t.csv", "tag,lon,lat,dbh\n" + "1,-72.6,44.6,0.36\n" * 6, {}, "trees.dbh_unit"),
    "centimetres as metres": (
        "t.csv",
        "tag,lon,lat,dbh\n" + "1,-72.6,44.6,36\n" * 6,
        {"dbh_unit": "m"},
        "another unit",
    ),
    "millimetres as inches": ("t.csv", "tag,lon,lat,dbh\n" + "1,-72.6,44.6,360\n" * 6, {}, "another unit"),
    "unknown column": ("t.csv", CSV, {"dbh_column": "girdle"}, "no column 'girdle'"),
    "unknown id column": ("t.csv", CSV, {"id_column": "paint"}, "trees.id_column"),
    "unknown crs": ("t.csv", "tag,x,y\n1,5,5\n", {"crs": "EPSG:999999"}, "EPSG:999999"),
    "crs in words": ("t.csv", "tag,x,y\n1,5,5\n", {"crs": "the usual"}, "a CRS such as"),
    "wrong crs": ("t.csv", "tag,x,y\n1,690000,4942000\n", {"crs": "EPSG:32755"}, "without a usable position"),
    "gpx doctype": ("t.gpx", '<!DOCTYPE gpx [<!ENTITY a "b">]>' + gpx(""), {}, "entity declaration"),
    "gpx external entity": (
        "t.gpx",
        '<?xml version="1.0"?><!DOCTYPE g SYSTEM "http://x/y">' + gpx("")[38:],
        {},
        "entity",
    ),
    "gpx billion laughs": (
        "t.gpx",
        '<!DOCTYPE l [<!ENTITY a "aaaa"><!ENTITY b "&a;&a;">]><gpx>&b;</gpx>',
        {},
        "harmful",
    ),
    "kml entity": ("t.kml", '<!DOCTYPE k [<!ENTITY a SYSTEM "file:///etc/passwd">]>' + kml(""), {}, "entity"),
    "lower case doctype": ("t.gpx", "<!doctype gpx>" + gpx(""), {}, "document type"),
    "gpx without waypoints": ("t.gpx", gpx("<trk><trkseg/></trk>"), {}, "no waypoints"),
    "gpx cut short": ("t.gpx", gpx('<wpt lat="44" lon="-72"><name>a</na'), {}, "damaged"),
    "gpx in utf-16": ("t.gpx", gpx("").encode("utf-16"), {}, "another kind of file"),
    "gpx with nul": ("t.gpx", gpx("\x00"), {}, "damaged"),
    "html": ("t.gpx", "<html><body>not found</body></html>", {}, "root 'html'"),
    "svg": ("t.kml", "<svg/>", {}, "root 'svg'"),
    "vrt in disguise": (
        "t.gpx",
        "<OGRVRTDataSource><OGRVRTLayer name='x'/></OGRVRTDataSource>",
        {},
        "ogrvrtdatasource",
    ),
    "vrt behind a comment": ("t.kml", "<!-- <kml> --><OGRVRTDataSource/>", {}, "ogrvrtdatasource"),
    "kml with a network link": (
        "t.kml",
        kml("<NetworkLink><Link><href>http://x/y.kml</href></Link></NetworkLink>"),
        {},
        "a link to data elsewhere",
    ),
    "kml without points": ("t.kml", kml(""), {}, "no "),
    "geojson cut short": ("t.geojson", '{"type": "FeatureCollection", "features": [', {}, "breaks off"),
    "geojson of another kind": ("t.geojson", '{"type": "Topology"}', {}, "FeatureCollection"),
    "a pipeline in disguise": (
        "t.geojson",
        '{"type": "gdal_streamed_alg", "command_line": "x"}',
        {},
        "gdal_streamed_alg",
    ),
    "json list": ("t.geojson", "[1, 2]", {}, "another kind of file"),
    "deep json": ("t.geojson", '{"a":' * 100_000, {}, "damaged"),
    "geojson without features": ("t.geojson", '{"type": "FeatureCollection", "features": []}', {}, "no "),
    "geojson of lines": (
        "t.geojson",
        json.dumps(
            {
                "type": "FeatureCollection",
                "features": [
                    {
                        "type": "Feature",
                        "properties": {},
                        "geometry": {"type": "LineString", "coordinates": [[0, 0], [1, 1]]},
                    }
                ],
            }
        ),
        {},
        "without a usable position",
    ),
    "geopackage cut short": ("t.gpkg", b"SQLite format 3\x00" + b"\x00" * 100, {}, "damaged"),
    "flatgeobuf cut short": ("t.fgb", b"fgb\x03fgb\x00" + b"\x07" * 20, {}, "no layers"),
    "shapefile alone": ("t.shp", b"\x00\x00\x27\x0a" + b"\x00" * 96, {}, ".shx and .dbf"),
    "not a date csv": ("t.dat", CSV, {}, "another kind of file"),
    "unclosed quote": ("t.csv", 'tag,lon,lat\n"1,-72.6,44.6\n2,-72.6,44.6\n', {}, "cells"),
    "layer of a gpx": ("t.gpx", gpx('<wpt lat="44.6" lon="-72.6"/>'), {"layer": "trees"}, "no layer 'trees'"),
}


@pytest.mark.parametrize("name", ZOO)
def test_a_bad_file_is_told_in_words(tmp_path, name: str) -> None:
    file, body, keys, message = ZOO[name]
    path = tmp_path / file
    path.write_bytes(body if isinstance(body, bytes) else body.encode("utf-8"))
    before = path.read_bytes()
    with pytest.raises(InputDataError) as caught:
        vectors.read_trees(settings(file, **keys), tmp_path, FRAME)
    assert message in str(caught.value)
    for problem in caught.value.problems:
        assert problem.file
        assert problem.found
        assert problem.wanted
        assert problem.remedy.endswith((".", "?"))
    assert path.read_bytes() == before
    # looking for the trees' place before the terrain is read must not stumble over the same file
    bounds = vectors.tree_lonlat_bounds(settings(file, **keys), tmp_path)
    assert bounds is None or len(bounds) == 4


@pytest.mark.parametrize(
    "name",
    [
        "/vsicurl/http://example.org/t.gpx",
        "/vsizip/t.zip/t.shp",
        "http://example.org/t.geojson",
        "vsimem/t",
        "PG:dbname=x",
        "WFS:http://x",
        '{"type":"FeatureCollection"}',
        "<OGRVRTDataSource/>",
        "a\x00b",
        "x" * 5000,
        "",
        "   ",
        "gone.gpx",
        ".",
        "CSV:t.csv",
        "ftp://x/y.csv",
        "s3://b/k.gpkg",
        "/vsistdin/",
    ],
)
def test_nothing_but_plain_files_is_opened(tmp_path, name: str) -> None:
    with pytest.raises(InputDataError) as caught:
        vectors.read_trees(settings(name), tmp_path, FRAME)
    assert len(caught.value.problems) == 1


def test_a_misspelt_name_is_answered_with_the_nearest(tmp_path) -> None:
    (tmp_path / "Trees.GPX").write_text(gpx(""))
    with pytest.raises(InputDataError, match=r"Did you mean 'Trees.GPX'"):
        vectors.read_trees(settings("trees.gpx"), tmp_path, FRAME)


def test_several_layers_are_listed(tmp_path) -> None:
    for layer in ("maples", "ash"):
        frame_of_site().to_file(tmp_path / "t.gpkg", layer=layer, mode="a" if layer == "ash" else "w")
    with pytest.raises(InputDataError, match=r"2 layers \(maples, ash\)"):
        vectors.read_trees(settings("t.gpkg"), tmp_path, FRAME)
    with pytest.raises(InputDataError, match=r"no layer 'oak'; wanted one of maples, ash"):
        vectors.read_trees(settings("t.gpkg", layer="oak"), tmp_path, FRAME)


def test_all_problems_come_at_once_and_many_of_a_kind_are_counted(tmp_path) -> None:
    (tmp_path / "t.csv").write_text("tag,lon,lat,dbh\n" + "1,-72.6\n" * 30)
    asked = settings("t.csv", dbh_column="girdle", species_column="kind")
    with pytest.raises(InputDataError) as caught:
        vectors.read_trees(asked, tmp_path, FRAME)
    text = str(caught.value)
    assert "line 2" in text
    assert "10 more of the same kind" in text
    assert "girdle" in text
    assert "'kind'" in text


def test_some_swapped_rows_are_a_finding(tmp_path) -> None:
    (tmp_path / "t.csv").write_text("tag,lon,lat\n" + "1,-72.6,44.6\n" * 4 + "5,44.6,-72.6\n")
    points, findings = vectors.read_trees_report(settings("t.csv"), tmp_path, FRAME)
    assert [(f.code, f.measured) for f in findings] == [("LONLAT_SWAPPED", 1.0)]
    assert np.isnan(points.x_m).tolist() == [False] * 4 + [True]


def test_bounds_leave_a_stray_fix_out(tmp_path) -> None:
    (tmp_path / "t.csv").write_text("tag,lon,lat\n" + "1,-72.6,44.6\n" * 4 + "2,-72.5,44.7\n5,10,10\n")
    assert vectors.tree_lonlat_bounds(settings("t.csv"), tmp_path) == (-72.6, 44.6, -72.5, 44.7)


def test_trees_on_earth_do_not_fit_a_local_grid(tmp_path) -> None:
    (tmp_path / "t.csv").write_text(CSV)
    with pytest.raises(InputDataError, match="local grid"):
        vectors.read_trees(settings("t.csv"), tmp_path, LOCAL)


def test_reading_never_asks_for_the_network(tmp_path, monkeypatch) -> None:
    import socket

    def forbidden(*_args, **_kwargs):
        raise AssertionError("a socket was opened")

    monkeypatch.setattr(socket, "socket", forbidden)
    write_text_site(tmp_path / "site.gpx")
    assert_is_the_site(vectors.read_trees(settings("site.gpx"), tmp_path, FRAME), metres=1e-6)


def test_readers_do_not_warn_about_a_shapefile_without_prj(tmp_path) -> None:
    frame_of_site("EPSG:32618").to_file(tmp_path / "site.shp")
    (tmp_path / "site.prj").unlink()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        points, findings = vectors.read_trees_report(settings("site.shp"), tmp_path, FRAME)
    assert [f.code for f in findings] == ["CRS_ASSUMED"]
    assert np.isfinite(points.x_m).all()


def test_the_default_settings_name_a_file_that_must_exist(tmp_path) -> None:
    with pytest.raises(InputDataError, match="no such file"):
        vectors.read_trees(replace(Settings()), tmp_path, FRAME)


@pytest.mark.parametrize(
    "name", ["site.gpkg", "site.fgb", "site.shp", "site.geojson", "site.gpx", "site.kml", "comma.csv"]
)
@pytest.mark.parametrize("share", [0.2, 0.5, 0.8, 0.97])
def test_a_file_cut_short_is_never_read_as_a_smaller_one(tmp_path, name: str, share: float) -> None:
    """A cut file raises, or still gives every tree; a tree less without a word would be the worst."""
    if name.endswith((".gpx", ".kml", ".csv")):
        write_text_site(tmp_path / name)
    else:
        frame_of_site().to_file(tmp_path / name)
    for part in [tmp_path / name, *tmp_path.glob("site.dbf")]:
        body = part.read_bytes()
        part.write_bytes(body[: int(len(body) * share)])
    try:
        points = vectors.read_trees(settings(name), tmp_path, FRAME)
    except InputDataError:
        return
    if name == "comma.csv":  # whole lines may be missing from a CSV, and nothing in it can tell
        assert len(points.tree_id) <= len(SITE)
    else:
        assert len(points.tree_id) == len(SITE)


# ---------------------------------------------------------------- archives


def zipped(path: Path, members: dict[str, bytes]) -> None:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, body in members.items():
            archive.writestr(name, body)


@pytest.mark.parametrize(("archive", "name"), [("t.zip", "site.shp"), ("t.kmz", "site.kml"), ("t.zip", "site.gpkg")])
def test_zipped_data_give_the_same_trees(tmp_path, archive: str, name: str) -> None:
    made = tmp_path / "made"
    made.mkdir()
    write_text_site(made / name) if name.endswith("kml") else frame_of_site().to_file(made / name)
    zipped(
        tmp_path / archive,
        {f"levés 2026/{p.name}": p.read_bytes() for p in sorted(made.iterdir())} | {"readme.txt": b"x"},
    )
    assert_is_the_site(vectors.read_trees(settings(archive), tmp_path, FRAME), metres=0.01)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["made", archive]


GOOD = b"tag,lon,lat\n1,-72.6,44.6\n"


@pytest.mark.parametrize(
    ("members", "message"),
    [
        ({"../../t.csv": GOOD}, "the member '../../t.csv'"),
        ({"/etc/t.csv": GOOD}, "the member '/etc/t.csv'"),
        ({"..\\t.csv": GOOD}, "the member"),
        ({"c:t.csv": GOOD}, "the member"),
        ({"a.csv": GOOD, "b.csv": GOOD}, "2 data files"),
        ({"a.txt": b"x"}, "0 data files"),
        ({"xl/workbook.xml": b"<x/>"}, "Excel workbook"),
        ({"t.csv": b"0" * 301_000_000}, "301 MB unpacked"),
        ({f"{i}.txt": b"" for i in range(1001)}, "1001 files"),
        ({"t.csv": b"PK\x03\x04" + b"0" * 50}, "archive in an archive"),
        ({"t.kml": b'<!DOCTYPE k [<!ENTITY a "b">]><kml/>'}, "entity declaration"),
        ({"t.shp": b"\x00\x00\x27\x0a"}, ".shx and .dbf"),
    ],
    ids=range(12),
)
def test_a_bad_archive_is_told_in_words(tmp_path, members: dict[str, bytes], message: str) -> None:
    zipped(tmp_path / "t.zip", members)
    with pytest.raises(InputDataError) as caught:
        vectors.read_trees(settings("t.zip"), tmp_path, FRAME)
    assert message in str(caught.value)
    assert [p.name for p in tmp_path.iterdir()] == ["t.zip"]


def test_links_passwords_and_damage_in_an_archive_are_told(tmp_path) -> None:
    link = zipfile.ZipInfo("t.csv")
    link.external_attr = 0o120777 << 16
    with zipfile.ZipFile(tmp_path / "link.zip", "w") as archive:
        archive.writestr(link, "/etc/passwd")
    zipped(tmp_path / "t.zip", {"t.csv": GOOD})
    body = (tmp_path / "t.zip").read_bytes()
    (tmp_path / "cut.zip").write_bytes(body[:-30])
    (tmp_path / "flipped.zip").write_bytes(body[:45] + bytes([body[45] ^ 255]) + body[46:])
    locked = bytearray(body)
    locked[6] |= 1
    locked[body.index(b"PK\x01\x02") + 8] |= 1
    (tmp_path / "locked.zip").write_bytes(locked)
    for name in ("link", "cut", "flipped", "locked"):
        with pytest.raises(InputDataError, match=r"the member|cannot be unpacked"):
            vectors.read_trees(settings(f"{name}.zip"), tmp_path, FRAME)


@pytest.mark.parametrize(("name", "text"), [
    ("gone.csv", None), ("t.csv", "id,x,y\nA,1,2\nB,3,4\n"), ("t.csv", "id,lon,lat\nA,,\nB,x,y\n"),
    ("t.csv", "id,lon,lat\nA,-75,95\nB,-75,-95\n"), ("t.csv", "id,height\nA,3\n"),
    ("t.csv", "id,lon,lat\nA,-170,44\nB,10,44\nC,100,44\nD,-60,44\n"),  # no two near, the median between them
])
def test_where_trees_have_no_one_place_on_earth_there_are_no_bounds(tmp_path, name: str, text: str | None) -> None:
    """The raster is then read whole; what is wrong is left to the reader of the trees."""
    if text is not None:
        (tmp_path / name).write_text(text, encoding="utf-8")
    assert vectors.tree_lonlat_bounds(settings(name), tmp_path) is None


def test_bounds_are_those_of_the_trees(tmp_path) -> None:
    (tmp_path / "t.csv").write_text("id,lon,lat\nA,-75.01,44.7\nB,-75,44.72\nC,-75.02,44.71\n", encoding="utf-8")
    assert vectors.tree_lonlat_bounds(settings("t.csv"), tmp_path) == (-75.02, 44.7, -75.0, 44.72)


@pytest.mark.parametrize(("inches", "doubt"), [(2.0, True), (14.0, False), (45.0, True)])
def test_a_stand_of_odd_girth_is_doubted(tmp_path, inches: float, doubt: bool) -> None:
    rows = "".join(f"T{i},-75.00{i},44.7,{inches}\n" for i in range(6))
    (tmp_path / "t.csv").write_text("id,lon,lat,dbh_in\n" + rows, encoding="utf-8")
    _, findings = vectors.read_trees_report(settings("t.csv"), tmp_path, FRAME)
    assert [f.code for f in findings if f.code == "DBH_UNIT_DOUBT"] == ["DBH_UNIT_DOUBT"] * doubt
