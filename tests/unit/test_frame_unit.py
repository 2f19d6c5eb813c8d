"""The plan's frame against the projection library, the errors' exit codes, findings' order, shipped files."""

from __future__ import annotations

import csv
import io
from dataclasses import FrozenInstanceError, replace

import numpy as np
import pyproj
import pytest
from pipeline import errors
from pipeline.errors import (
    BushFileError,
    FallgradeError,
    InputDataError,
    NoPlanError,
    OutputError,
    Problem,
    RequestError,
)
from pipeline.findings import SEVERITIES, Finding, in_order
from pipeline.frame import Frame, utm_frame
from pipeline.resources import demo_dir, template_bytes, template_rows, template_text, templates_dir

LOCAL = Frame("", "local grid", "not known")
LON, LAT = -72.905, 44.2135

# ---------------------------------------------------------------- frame


@pytest.mark.parametrize(("lon", "lat", "epsg"), [
    (-72.9, 44.2, 32618), (-72.0, 44.2, 32619), (-78.0, 44.2, 32618), (-78.0001, 44.2, 32617), (-180.0, 10.0, 32601),
    (179.99, 10.0, 32660), (180.0, 10.0, 32660), (0.0, 0.0, 32631), (0.0, -0.001, 32731), (151.2, -33.9, 32756),
])
def test_the_zone_holds_the_point(lon, lat, epsg):
    frame = utm_frame(lon, lat, "NAVD 88")
    assert pyproj.CRS.from_wkt(frame.crs_wkt).to_epsg() == epsg
    assert frame.name == pyproj.CRS.from_epsg(epsg).name
    assert frame.vertical == "NAVD 88"
    assert frame.on_earth


def test_places_are_those_of_the_library_both_ways():
    frame = utm_frame(LON, LAT, "")
    proj = pyproj.Proj(pyproj.CRS(proj="utm", zone=18, ellps="WGS84"))
    lon = np.array([[-72.905, -73.5], [-74.9, -77.2]])
    lat = np.array([[44.2135, 45.0], [43.1, 46.6]])
    x, y = frame.from_lonlat(lon, lat)
    want_x, want_y = proj(lon, lat)
    assert x.shape == (2, 2)
    assert x == pytest.approx(want_x, abs=1e-4)
    assert y == pytest.approx(want_y, abs=1e-4)
    back_lon, back_lat = frame.lonlat(x, y)
    assert back_lon == pytest.approx(lon, abs=1e-10)
    assert back_lat == pytest.approx(lat, abs=1e-10)


def test_the_central_meridian_is_500_km_east_at_the_equator():
    """UTM by definition: false easting 500 km, false northing 0 in the north and 10,000 km in the south."""
    x, y = utm_frame(-75.0, 1.0, "").from_lonlat(-75.0, 0.0)
    assert (float(x), float(y)) == pytest.approx((500_000.0, 0.0), abs=1e-6)
    x, y = utm_frame(-75.0, -1.0, "").from_lonlat(-75.0, 0.0)
    assert (float(x), float(y)) == pytest.approx((500_000.0, 10_000_000.0), abs=1e-6)


@pytest.mark.parametrize("value", [3.0, [1.0, 2.0, 3.0], np.zeros((2, 3))])
def test_single_numbers_lists_and_arrays_keep_their_shape(value):
    frame = utm_frame(LON, LAT, "")
    lon, lat = frame.lonlat(np.asarray(value) + 600_000.0, np.asarray(value) + 4_900_000.0)
    assert lon.shape == lat.shape == np.shape(value)
    lon, lat = LOCAL.lonlat(value, value)
    assert lon.shape == lat.shape == np.shape(value)
    assert np.isnan(lon).all()
    assert np.isnan(lat).all()


def test_a_local_grid_has_no_place_on_earth():
    assert not LOCAL.on_earth
    assert LOCAL.convergence_deg(100.0, 200.0) == 0.0
    with pytest.raises(ValueError, match="local grid"):
        LOCAL.from_lonlat(LON, LAT)


@pytest.mark.parametrize(("lon", "sign"), [(-75.0, 0.0), (-73.0, 1.0), (-77.0, -1.0)])
def test_convergence_grows_east_of_the_central_meridian(lon, sign):
    """2 degrees off the meridian at 44.2 N lean 2 sin(44.2) = 1.394 degrees."""
    frame = utm_frame(lon, 44.2, "")
    x, y = (float(v) for v in frame.from_lonlat(lon, 44.2))
    assert frame.convergence_deg(x, y) == pytest.approx(1.3946 * sign, abs=5e-4)


def test_frames_are_equal_by_value_and_cannot_be_changed():
    assert utm_frame(LON, LAT, "a") == utm_frame(LON + 0.01, LAT, "a")
    assert utm_frame(LON, LAT, "a") != utm_frame(LON, LAT, "b")
    with pytest.raises(FrozenInstanceError):
        LOCAL.name = "other"


# ---------------------------------------------------------------- errors


@pytest.mark.parametrize(("kind", "code"), [
    (BushFileError, 2), (RequestError, 2), (InputDataError, 3), (NoPlanError, 4), (OutputError, 5),
    (FallgradeError, 70),
])
def test_every_error_has_its_exit_code_and_tells_all_problems(kind, code):
    problems = (Problem("bush.toml", "[trees] file", "nothing", "a file", "Name it."),
                Problem("", "row 17", "-4", "a positive number", "Measure again."))
    made = kind(p for p in problems)
    assert isinstance(made, FallgradeError)
    assert made.exit_code == code
    assert made.problems == problems
    lines = str(made).splitlines()
    assert lines[0] == kind.headline
    assert lines[1:] == [
        "bush.toml, [trees] file: found nothing; wanted a file. Name it.",
        "row 17: found -4; wanted a positive number. Measure again.",
    ]


def test_a_problem_without_a_place_within_the_file_names_the_file_alone():
    assert Problem("t.gpx", "", "no trees", "trees", "Survey.").as_line() == (
        "t.gpx: found no trees; wanted trees. Survey.")


def test_no_two_kinds_of_failure_look_alike_to_a_script():
    codes = [errors.EXIT_FINE, errors.EXIT_FINDINGS, errors.EXIT_BUSH_FILE, errors.EXIT_INPUT_DATA,
             errors.EXIT_NO_PLAN, errors.EXIT_OUTPUT, errors.EXIT_OUR_FAULT]
    assert codes[0] == 0
    assert len(set(codes)) == len(codes)


# ---------------------------------------------------------------- findings


def finding(code="B", severity="check", layer="mainlines", subject="M1", text="t") -> Finding:
    return Finding(code, severity, layer, subject, 1.0, 2.0, "m", text, "r")


def test_findings_are_ordered_by_gravity_code_layer_subject_text():
    wanted = [
        finding(severity="violation", code="Z"), finding(code="A", layer="z"), finding(layer="laterals", subject="z"),
        finding(subject="M1", text="a"), finding(subject="M1", text="b"), finding(subject="M2"),
        finding(severity="note", code="A"),
    ]
    for shift in range(len(wanted)):
        assert list(in_order(wanted[shift:] + wanted[:shift])) == wanted
    assert list(in_order(reversed(wanted))) == wanted


def test_the_same_finding_counts_once_and_a_different_measure_does_not():
    a = finding()
    assert in_order([a, finding(), a]) == (a,)
    assert len(in_order([a, replace(a, measured=1.5)])) == 2


def test_an_unknown_severity_is_refused():
    with pytest.raises(KeyError):
        in_order([finding(severity="doom")])


def test_violations_come_first():
    assert SEVERITIES == ("violation", "check", "note")
    assert in_order([]) == ()


# ---------------------------------------------------------------- resources


@pytest.mark.parametrize("name", sorted(p.name for p in templates_dir().glob("*.csv")))
def test_rows_of_a_template_are_its_lines_without_comments_and_blanks(name):
    text = (templates_dir() / name).read_text(encoding="utf-8")
    kept = "\n".join(line for line in text.split("\n") if line.strip() and line[0] != "#")
    header, *body = list(csv.reader(io.StringIO(kept)))
    rows = template_rows(name)
    assert [list(row) for row in rows] == [header] * len(rows)
    assert [list(row.values()) for row in rows] == body
    assert rows


def test_text_and_bytes_are_of_the_same_file():
    assert template_text("words/fr.toml").encode() == template_bytes("words/fr.toml")
    assert "é" in template_text("words/fr.toml")
    assert template_bytes("fonts/DejaVuSansCondensed.ttf")[:4] == b"\x00\x01\x00\x00"  # TrueType


def test_a_template_that_is_not_there_is_an_error():
    with pytest.raises(FileNotFoundError):
        template_text("nothing.csv")


def test_the_demo_woodlot_travels_along():
    assert {"bush.toml", "terrain.tif", "trees.csv"} <= {p.name for p in demo_dir().iterdir()}
    assert templates_dir() != demo_dir()


def test_a_folder_that_did_not_come_is_named(monkeypatch, tmp_path):
    monkeypatch.setattr("pipeline.resources._HERE", tmp_path / "pipeline")
    with pytest.raises(FileNotFoundError, match="'templates' did not come"):
        templates_dir()


def test_the_installed_copy_goes_before_the_checkout(monkeypatch, tmp_path):
    inside, beside = tmp_path / "pipeline" / "templates", tmp_path / "templates"
    beside.mkdir()
    (tmp_path / "pipeline").mkdir()
    monkeypatch.setattr("pipeline.resources._HERE", tmp_path / "pipeline")
    assert templates_dir() == beside
    inside.mkdir()
    assert templates_dir() == inside
