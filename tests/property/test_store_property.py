"""Readers meet anything: an error in words, or rows; never another exception, never a row less."""

from __future__ import annotations

import csv
import io
import tempfile
from pathlib import Path

import numpy as np
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pipeline.errors import InputDataError
from pipeline.frame import utm_frame
from pipeline.settings import Settings, TerrainSettings, TreeSettings
from pipeline.store import exports, rasters, vectors, words

FRAME = utm_frame(-72.6, 44.6, "")
ANY_TEXT = st.text(max_size=60)
CALM = settings(max_examples=200, deadline=None, suppress_health_check=[HealthCheck.too_slow])


def read(name: str, body: bytes):
    """Return the trees of a file of these bytes, or None when it was refused in words."""
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / name).write_bytes(body)
        try:
            return vectors.read_trees(Settings(trees=TreeSettings(file=name)), Path(folder), FRAME)
        except InputDataError as error:
            problems = error.problems
    assert problems
    assert all(p.found and p.wanted and p.remedy for p in problems)
    return None


@CALM
@given(
    st.binary(max_size=400),
    st.sampled_from(["t.csv", "t.gpx", "t.gpkg", "t.geojson", "t.fgb", "t.kml", "t.shp"]),
    st.sampled_from(
        [
            b"",
            b"tag,lon,lat\n",
            b"<gpx>",
            b'{"type":"FeatureCollection","features":[',
            b"fgb\x03fgb\x01",
            b"SQLite format 3\x00",
            b"\x00\x00\x27\x0a",
            b"<kml>",
            b"\xff\xfe",
            b"\xef\xbb\xbf",
        ]
    ),
)
def test_any_bytes_are_read_or_refused_in_words(tail: bytes, name: str, head: bytes) -> None:
    read(name, head + tail)


@CALM
@given(
    st.binary(max_size=300),
    st.sampled_from(["t.tif", "t.asc", "t.vrt"]),
    st.sampled_from(
        [
            b"",
            b"II*\x00\x08\x00\x00\x00",
            b"MM\x00*",
            b"ncols 3\nnrows 3\nxllcorner 0\nyllcorner 0\ncellsize 1\n",
            b"<VRTDataset>",
        ]
    ),
)
def test_any_raster_is_read_or_refused_in_words(tail: bytes, name: str, head: bytes) -> None:
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / name).write_bytes(head + tail)
        try:
            terrain = rasters.read_terrain(Settings(terrain=TerrainSettings(file=name, crs="local")), Path(folder))
        except InputDataError as error:
            fine = bool(error.problems)
        else:
            fine = bool(np.isfinite(terrain.z_m).any())
    assert fine


@CALM
@given(
    st.lists(st.tuples(ANY_TEXT, ANY_TEXT, ANY_TEXT, ANY_TEXT), min_size=1, max_size=8),
    st.sampled_from([",", ";", "\t"]),
)
def test_every_csv_row_is_a_tree_or_the_file_is_refused(rows, mark: str) -> None:
    # NUL is no text; a row of blanks is no row
    rows = [tuple(c.replace("\x00", "") for c in r) for r in rows]
    rows = [("-72.6", "44.6", *r) for r in rows]
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=mark).writerows([("lon", "lat", "tag", "species", "dbh", "state"), *rows])
    points = read("t.csv", out.getvalue().encode("utf-8", "replace"))
    assert points is None or len(points.tree_id) == len(rows)


@settings(max_examples=500)
@given(ANY_TEXT, st.sampled_from(["in", "cm", "mm", "m"]))
def test_any_words_of_a_waypoint_can_be_read(text: str, unit: str) -> None:
    found = words.tree_text(text, unit)
    assert np.isnan(found.dbh_cm) or np.isfinite(found.dbh_cm)
    assert len(found.species) <= words.LONGEST_TEXT
    words.degrees(text)
    words.number(text)


@settings(max_examples=500)
@given(st.text(max_size=300))
def test_clean_is_idempotent_and_holds_nothing_hidden(text: str) -> None:
    once = words.clean(text)
    assert words.clean(once) == once
    assert not any(ord(c) < 32 or 0x202A <= ord(c) <= 0x202E or 0x2066 <= ord(c) <= 0x2069 for c in once)


@given(
    st.floats(1.0, 200.0).map(lambda d: round(d, 1)),
    st.sampled_from(["in", "cm", "mm", "po"]),
    st.sampled_from(["sugar maple", "érable à sucre", "red maple"]),
    st.sampled_from(["", " dead", " mort", " snag"]),
    st.booleans(),
)
def test_written_words_come_back(dbh: float, unit: str, species: str, state: str, comma: bool) -> None:
    figure = f"{dbh}".replace(".", ",") if comma else f"{dbh}"
    found = words.tree_text(f"{species} {figure} {unit}{state}", "in")
    assert found.species == species
    assert found.state == {"": "", " dead": "dead", " mort": "dead", " snag": "snag"}[state]
    assert abs(found.dbh_cm - dbh * words.CM_PER_UNIT[unit]) < 1e-9


@settings(max_examples=300)
@given(st.text(max_size=40))
def test_no_text_runs_as_a_formula(text: str) -> None:
    cell = exports.harmless(text)
    assert not cell.strip().startswith(("=", "+", "-", "@"))
