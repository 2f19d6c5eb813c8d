"""The plan folder: contract, same bytes, there and back, faults."""

from __future__ import annotations

import csv
import dataclasses
import errno
import hashlib
import io
import json
import os
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path
from xml.etree import ElementTree

import numpy as np
import pyogrio
import pytest
import shapely
from pipeline import bushfile, schema
from pipeline.errors import InputDataError, OutputError
from pipeline.findings import Finding
from pipeline.frame import Frame
from pipeline.store import exports, geopackage, planfolder, styles

from sample_plan import sample_plan

PAPER = {
    "book.pdf": b"%PDF-1.7 book",
    "overview.pdf": b"%PDF-1.7 o",
    "overview.png": b"\x89PNG",
    "sheets/S01.pdf": b"%PDF-1.7 s",
}
GPX = "{http://www.topografix.com/GPX/1/1}"


@pytest.fixture(scope="module")
def made():
    return sample_plan()


def write(folder: Path, made, *, force=False, **changes):
    plan, terrain, ground = made
    arguments = {
        "plan": plan,
        "terrain": terrain,
        "ground": ground,
        "pdfs": PAPER,
        "manifest": {"inputs": {}},
        "settings_text": bushfile.render(plan.settings),
        "force": force,
        **changes,
    }
    planfolder.write_plan(folder, **arguments)
    return folder


@pytest.fixture(scope="module")
def folder(made, tmp_path_factory) -> Path:
    return write(tmp_path_factory.mktemp("out") / "plan", made)


def hashes(folder: Path) -> dict[str, str]:
    return {
        str(p.relative_to(folder)): hashlib.sha256(p.read_bytes()).hexdigest()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


# ---------------------------------------------------------------- the contract


def test_the_folder_holds_what_the_contract_says(folder: Path) -> None:
    assert set(hashes(folder)) == {
        "plan.gpkg",
        "book.pdf",
        "sheets/S01.pdf",
        "overview.pdf",
        "overview.png",
        "materials.csv",
        "findings.csv",
        "fieldpoints.gpx",
        "settings.used.toml",
        "manifest.json",
        "summary.json",
        "terrain.tif",
    }
    assert [p.name for p in folder.parent.iterdir()] == ["plan"]


@pytest.mark.parametrize("layer", schema.LAYERS, ids=lambda layer: layer.name)
def test_layers_have_their_columns_types_and_geometry(folder: Path, layer: schema.Layer) -> None:
    about = pyogrio.read_info(folder / "plan.gpkg", layer=layer.name)
    kinds = dict(zip(about["fields"], [np.dtype(d).kind for d in about["dtypes"]], strict=True))
    wanted = {"text": "O", "int": "i", "float": "f"}
    assert {c.name: kinds.get(c.name) for c in layer.columns} == {c.name: wanted[c.type] for c in layer.columns}
    assert list(about["fields"])[: len(layer.columns)] == list(layer.column_names)
    geometry = {"None": None}.get(layer.geometry, layer.geometry)
    assert about["geometry_type"] == geometry
    assert layer.geometry == "None" or about["crs"] == "EPSG:32618"


def test_lines_run_from_the_top_to_the_outlet_and_z_is_the_hung_line(folder: Path, made) -> None:
    plan = made[0]
    for name, id_column in (("mainlines", "mainline_id"), ("laterals", "lateral_id"), ("pipes", "pipe_id")):
        for _, row in geopackage.read_layer(folder / "plan.gpkg", name).iterrows():
            xyz = shapely.get_coordinates(row.geometry, include_z=True)
            assert (np.diff(xyz[:, 2]) < 0.0).all(), row[id_column]
    lines = geopackage.read_layer(folder / "plan.gpkg", "mainlines").set_index("mainline_id")
    for line in plan.mainlines:
        xyz = shapely.get_coordinates(lines.loc[line.mainline_id].geometry, include_z=True)
        assert xyz[::-1].tolist() == line.xyz_m.tolist()


def test_pipes_tile_their_mainlines(folder: Path, made) -> None:
    pipes = geopackage.read_layer(folder / "plan.gpkg", "pipes")
    for line in made[0].mainlines:
        own = pipes[pipes.mainline_id == line.mainline_id]
        assert shapely.length(own.geometry.values).sum() == pytest.approx(line.plan_length_m, rel=1e-9)
        assert own.from_station_m.min() == 0.0
        assert own.to_station_m.max() == pytest.approx(line.plan_length_m)


def test_taps_and_trees_add_up_in_every_layer(folder: Path) -> None:
    read = {
        n: geopackage.read_layer(folder / "plan.gpkg", n)
        for n in ("trees", "laterals", "mainlines", "collection", "sections")
    }
    trees = read["trees"]
    assert trees.tree_id.is_unique
    assert sum(Counter(trees.status).values()) == len(trees)
    taps = trees.taps.sum()
    assert taps == read["laterals"].taps.sum() == read["mainlines"].taps_own.sum() == read["collection"].taps.sum()
    assert taps == read["sections"].taps.sum()
    assert read["mainlines"].set_index("mainline_id").taps_total["M1"] == taps
    summary = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    assert summary["taps"] == taps
    assert summary["trees"]["read"] == len(trees)
    assert sum(summary["trees"][s] for s in ("served", "set_aside", "not_tapped")) == len(trees)


def test_supports_say_what_the_crew_needs(folder: Path, made) -> None:
    plan = made[0]
    rows = geopackage.read_layer(folder / "plan.gpkg", "supports")
    for line in plan.mainlines:
        own = rows[rows.mainline_id == line.mainline_id]
        assert own.station_m.is_monotonic_increasing
        xyz = line.xyz_m
        run = np.hypot(*np.diff(xyz[:, :2], axis=0).T)
        assert own.distance_to_next_m.to_numpy()[:-1] == pytest.approx(run)
        assert own.grade_to_next_pct.to_numpy()[:-1] == pytest.approx(np.diff(xyz[:, 2]) / run * 100)
        assert np.isnan(own.grade_to_next_pct.to_numpy()[-1])
        # true bearing = grid bearing + convergence (clockwise from true to grid north)
        grid = np.degrees(np.arctan2(np.diff(xyz[:, 0]), np.diff(xyz[:, 1])))
        turn = plan.frame.convergence_deg(xyz[0, 0], xyz[0, 1])
        error = (own.bearing_to_next_deg.to_numpy()[:-1] - grid - turn + 180.0) % 360.0 - 180.0
        assert np.abs(error).max() < 0.02
        ladder = own.height_m.to_numpy() > plan.settings.mainlines.ladder_m
        assert (own.reach == "ladder").tolist() == ladder.tolist()
    lon, lat = plan.frame.lonlat(rows.geometry.x, rows.geometry.y)
    assert rows.lon.to_numpy() == pytest.approx(lon)
    assert rows.lat.to_numpy() == pytest.approx(lat)


def test_the_package_follows_the_standard(folder: Path) -> None:
    """OGC GeoPackage 1.3: application id (clause 1.1.1.1.1), integrity and foreign keys, contents, geometry columns."""
    with sqlite3.connect(folder / "plan.gpkg") as base:
        assert base.execute("PRAGMA application_id").fetchone() == (0x47504B47,)  # requirement 2
        assert base.execute("PRAGMA integrity_check").fetchall() == [("ok",)]  # requirement 6
        assert base.execute("PRAGMA foreign_key_check").fetchall() == []  # requirement 7
        srs = {r[0] for r in base.execute("SELECT srs_id FROM gpkg_spatial_ref_sys")}
        assert {-1, 0, 4326} <= srs  # requirement 11
        contents = {
            r[0]: r[1:] for r in base.execute("SELECT table_name, data_type, last_change, srs_id FROM gpkg_contents")
        }
        geometry = {r[0] for r in base.execute("SELECT table_name FROM gpkg_geometry_columns")}
        tables = {r[0] for r in base.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    for name, (kind, changed, srs_id) in contents.items():
        assert name in tables
        assert kind == ("features" if name in geometry else "attributes")
        assert changed == "2026-03-02T00:00:00.000Z"  # requirement 15: ISO 8601, UTC
        assert srs_id in srs


def test_layers_carry_their_look(folder: Path) -> None:
    with sqlite3.connect(folder / "plan.gpkg") as base:
        rows = dict(base.execute("SELECT f_table_name, styleQML FROM layer_styles WHERE useAsDefault = 1"))
    assert set(rows) == set(styles.LOOKS)
    for name, document in rows.items():
        root = ElementTree.fromstring(document.split(">", 1)[1])  # noqa: S314 - written by us
        symbols = root.findall(".//symbol")
        assert len(symbols) == len(styles.LOOKS[name][1])
        column = styles.LOOKS[name][0]
        assert not column or column in next(layer for layer in schema.LAYERS if layer.name == name).column_names


# -------------------------------------------------------- same bytes, and back


def test_the_same_plan_gives_the_same_bytes_at_another_time(made, folder: Path, tmp_path) -> None:
    time.sleep(1.1)
    assert hashes(write(tmp_path / "again", made)) == hashes(folder)


def test_bytes_do_not_depend_on_hash_seed_locale_or_zone(folder: Path, tmp_path) -> None:
    script = (
        "import sys; from pathlib import Path; from sample_plan import sample_plan; from pipeline import bushfile; "
        "from pipeline.store import planfolder; p, t, g = sample_plan(); "
        f"planfolder.write_plan(Path(sys.argv[1]), plan=p, terrain=t, ground=g, pdfs={PAPER!r}, "
        "manifest={'inputs': {}}, settings_text=bushfile.render(p.settings), force=False)"
    )
    tests = Path(__file__).resolve().parents[1]
    environment = {**os.environ, "PYTHONHASHSEED": "77", "LC_ALL": "C", "TZ": "Asia/Tokyo", "PYTHONPATH": str(tests)}
    subprocess.run([sys.executable, "-c", script, str(tmp_path / "p")], check=True, env=environment, cwd=tests.parent)
    assert hashes(tmp_path / "p") == hashes(folder)


def test_a_plan_read_back_and_written_again_is_the_same(folder: Path, tmp_path) -> None:
    plan, terrain, layers = planfolder.read_plan(folder)
    assert hashes(write(tmp_path / "again", (plan, terrain, layers))) == hashes(folder)


def assert_same(a, b, path="plan") -> None:
    """Compare two trees of records value by value, NaN equal to NaN."""
    if dataclasses.is_dataclass(a):
        for field in dataclasses.fields(a):
            assert_same(getattr(a, field.name), getattr(b, field.name), f"{path}.{field.name}")
    elif isinstance(a, np.ndarray):
        assert np.array_equal(a, b, equal_nan=a.dtype.kind == "f"), path
    elif isinstance(a, tuple | list):
        assert len(a) == len(b), path
        for i, (x, y) in enumerate(zip(a, b, strict=True)):
            assert_same(x, y, f"{path}[{i}]")
    elif isinstance(a, dict):
        assert list(a) == list(b), path
        for key in a:
            assert_same(a[key], b[key], f"{path}[{key!r}]")
    elif isinstance(a, shapely.Geometry):
        assert shapely.to_wkb(a) == shapely.to_wkb(b), path
    else:
        assert a == b or (a != a and b != b), f"{path}: {a!r} is not {b!r}"


def test_every_record_comes_back_bit_for_bit(made, folder: Path) -> None:
    plan, terrain, layers = planfolder.read_plan(folder)
    assert_same(made[0], plan)
    assert_same(made[1], terrain, "terrain")
    assert_same(made[2].layers, layers, "layers")


def odd_plan(made):
    """Return the plan with everything in it that a table or JSON likes to lose."""
    plan, terrain, ground = made
    many = shapely.MultiPolygon([plan.sections[0].outline.buffer(-14.0).buffer(1.0), shapely.box(0, 0, 1, 1)])
    trees = dataclasses.replace(
        plan.trees,
        x_m=np.where(np.arange(len(plan.trees)) == 3, np.nan, plan.trees.x_m),
        note=("né \"à\" <b>; 'x'",) * len(plan.trees),
        dbh_cm=np.where(np.arange(len(plan.trees)) == 4, np.nan, plan.trees.dbh_cm + 1 / 3),
    )
    trees = dataclasses.replace(trees, y_m=np.where(np.isnan(trees.x_m), np.nan, trees.y_m))
    return (
        dataclasses.replace(
            plan,
            trees=trees,
            worth_curve=((1.5, 10, float("inf")), (2.0, 12, float("nan"))),
            stats={"a": float("nan"), "b": 1 / 3},
            crossings=(),
            lift_m=np.where(plan.lift_m > 0, np.nan, plan.lift_m),
            sections=(dataclasses.replace(plan.sections[0], outline=many), *plan.sections[1:]),
            findings=(Finding("X", "note", "plan", "", None, 0.0, "", '=HYPERLINK("http://x")', ""), *plan.findings),
        ),
        terrain,
        ground,
    )


def test_nan_infinity_and_odd_texts_survive(made, tmp_path) -> None:
    odd = odd_plan(made)
    write(tmp_path / "a", odd)
    plan, terrain, layers = planfolder.read_plan(tmp_path / "a")
    assert_same(dataclasses.replace(odd[0], sections=()), dataclasses.replace(plan, sections=()))
    assert plan.sections[0].outline.equals(odd[0].sections[0].outline)
    assert hashes(write(tmp_path / "b", (plan, terrain, layers))) == hashes(tmp_path / "a")


def test_a_local_grid_has_no_crs_and_no_field_points(made, tmp_path) -> None:
    plan, terrain, ground = made
    local = Frame("", "local grid", "none")
    made = dataclasses.replace(plan, frame=local), dataclasses.replace(terrain, frame=local), ground
    write(tmp_path / "a", made)
    plan, _, _ = planfolder.read_plan(tmp_path / "a")
    assert plan.frame == local
    gpx = ElementTree.fromstring((tmp_path / "a/fieldpoints.gpx").read_bytes())  # noqa: S314 - written by us
    assert not gpx.findall(f"{GPX}wpt")
    assert "local grid" in gpx.find(f"{GPX}metadata/{GPX}desc").text


def test_an_empty_plan_is_written_and_read(made, tmp_path) -> None:
    plan, terrain, _ = made
    n = len(plan.trees)
    none = dataclasses.replace(
        plan,
        mainlines=(),
        tree_lateral=np.full(n, -1),
        tree_order=np.zeros(n, np.int64),
        tree_line_z_m=np.full(n, np.nan),
        grouping=dataclasses.replace(plan.grouping, laterals=(), entry_ceiling_z_m=np.empty(0)),
        sections=(),
        crossings=(),
        flow=dataclasses.replace(plan.flow, pipes=(), entry_vacuum_kpa=np.empty(0)),
        safety={},
        findings=(),
    )
    write(tmp_path / "a", (none, terrain, ()))
    assert_same(none, planfolder.read_plan(tmp_path / "a")[0])


# -------------------------------------------------------------------- exports


def test_field_points_are_gpx_1_1(folder: Path, made) -> None:
    """Order and required attributes of GPX 1.1: metadata, wpt, rte; in a point ele, name, desc, type."""
    plan = made[0]
    root = ElementTree.fromstring((folder / "fieldpoints.gpx").read_bytes())  # noqa: S314 - written by us
    assert root.tag == f"{GPX}gpx"
    assert root.get("version") == "1.1"
    assert root.get("creator")
    kinds = [e.tag.removeprefix(GPX) for e in root]
    assert kinds == sorted(kinds, key=["metadata", "wpt", "rte"].index)
    for point in [*root.iter(f"{GPX}wpt"), *root.iter(f"{GPX}rtept")]:
        assert -180.0 <= float(point.get("lon")) < 180.0
        assert -90.0 <= float(point.get("lat")) <= 90.0
        assert [e.tag.removeprefix(GPX) for e in point] == ["ele", "name", "desc", "type"]
    names = [e.find(f"{GPX}name").text for e in root.iter(f"{GPX}wpt")]
    assert sorted(names) == sorted(
        [s.support_id for m in plan.mainlines for s in m.supports] + [r.lateral_id for r in plan.laterals]
    )
    assert [len(r.findall(f"{GPX}rtept")) for r in root.iter(f"{GPX}rte")] == [len(m.supports) for m in plan.mainlines]
    first = plan.mainlines[0].supports[0]
    x, y = plan.frame.from_lonlat(
        float(next(root.iter(f"{GPX}wpt")).get("lon")), float(next(root.iter(f"{GPX}wpt")).get("lat"))
    )
    assert np.hypot(x - first.x_m, y - first.y_m) < 0.002


@pytest.mark.parametrize("cell", ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "\r=1", " =1", "|calc", "%x"])
def test_no_csv_cell_runs_as_a_formula(made, cell: str) -> None:
    plan = made[0]
    bad = Finding("X", "note", "plan", cell, -1.5, None, "", cell, cell)
    part = dataclasses.replace(plan.takeoff.total[0], name=cell, code=cell)
    hostile = dataclasses.replace(plan, findings=(bad,), takeoff=dataclasses.replace(plan.takeoff, total=(part,)))
    rows = [
        *csv.DictReader(io.StringIO(exports.findings_csv(hostile))),
        *csv.DictReader(io.StringIO(exports.materials_csv(hostile))),
    ]
    texts = [v for row in rows for k, v in row.items() if k in {"subject_id", "text", "remedy", "name", "code"}]
    assert texts.count(f"'{cell}".replace("\r", " ")) == 5
    assert rows[0]["measured"] == "-1.5"


def test_materials_list_totals_and_sections(folder: Path, made) -> None:
    with (folder / "materials.csv").open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    takeoff = made[0].takeoff
    assert Counter(r["list"] for r in rows) == {"total": len(takeoff.total), "section": len(takeoff.by_section)}
    assert sum(float(r["cost"]) for r in rows if r["list"] == "total") == pytest.approx(
        sum(p.cost for p in takeoff.total), abs=0.01 * len(takeoff.total)
    )


def test_hostile_names_do_not_break_the_field_points(made) -> None:
    plan = made[0]
    settings = dataclasses.replace(
        plan.settings, bush=dataclasses.replace(plan.settings.bush, name="<&\x00\u202e]]>" + "x" * 10_000)
    )
    root = ElementTree.fromstring(exports.fieldpoints_gpx(dataclasses.replace(plan, settings=settings)).encode())  # noqa: S314 - written by us
    name = root.find(f"{GPX}metadata/{GPX}name").text
    assert name.startswith("<&]]>xx")
    assert len(name) <= 200


# --------------------------------------------------------------------- faults


def test_an_earlier_plan_is_only_replaced_by_force_and_kept_beside(made, tmp_path) -> None:
    target = write(tmp_path / "plan", made)
    before = hashes(target)
    with pytest.raises(OutputError, match="--force"):
        write(target, made)
    assert hashes(target) == before
    write(target, made, force=True, manifest={"second": 1})
    assert json.loads((target / "manifest.json").read_text()) == {"second": 1}
    assert hashes(tmp_path / "plan.previous") == before
    write(target, made, force=True, manifest={"third": 1})
    assert json.loads((tmp_path / "plan.previous/manifest.json").read_text()) == {"second": 1}
    assert sorted(p.name for p in tmp_path.iterdir()) == ["plan", "plan.previous"]


@pytest.mark.parametrize("force", [False, True])
def test_what_is_no_plan_is_never_touched(made, tmp_path, force: bool) -> None:
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos/a.jpg").write_bytes(b"x")
    (tmp_path / "file").write_bytes(b"x")
    (tmp_path / "link").symlink_to(tmp_path / "photos")
    for name in ("photos", "file", "link"):
        with pytest.raises(OutputError):
            write(tmp_path / name, made, force=force)
    assert sorted(p.name for p in tmp_path.iterdir()) == ["file", "link", "photos"]
    write(tmp_path / "plan", made)
    (tmp_path / "plan.previous").mkdir()
    (tmp_path / "plan.previous/diary.txt").write_text("x")
    before = hashes(tmp_path / "plan")
    with pytest.raises(OutputError):
        write(tmp_path / "plan", made, force=True, manifest={"new": 1})
    assert (tmp_path / "plan.previous/diary.txt").read_text() == "x"
    assert hashes(tmp_path / "plan") == before


def test_the_folder_one_stands_in_may_be_filled(made, tmp_path, monkeypatch) -> None:
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    write(Path(), made)
    assert (tmp_path / "here/plan.gpkg").is_file()


def test_an_empty_folder_may_be_filled_and_is_no_earlier_plan(made, tmp_path) -> None:
    write(tmp_path / "plan.previous", made)
    before = hashes(tmp_path / "plan.previous")
    (tmp_path / "plan").mkdir()
    write(tmp_path / "plan", made)
    assert (tmp_path / "plan/plan.gpkg").is_file()
    assert hashes(tmp_path / "plan.previous") == before


@pytest.mark.parametrize(
    ("number", "remedy", "step"),
    [
        (errno.ENOSPC, "Free disk space", "write_bytes"),
        (errno.EROFS, "read-only", "mkdir"),
        (errno.EACCES, "may write to", "rename"),
        (errno.EIO, "Check the disk", "rename"),
    ],
)
def test_a_fault_of_the_disk_leaves_everything_as_it_was(
    made, tmp_path, monkeypatch, number: int, remedy: str, step: str
) -> None:
    target = write(tmp_path / "plan", made)
    before = hashes(target)
    calls = {"n": 0}
    real = getattr(Path, step)

    def failing(self, *args, **kwargs):
        calls["n"] += 1
        if calls["n"] >= 2 and ".part" in str(self):
            raise OSError(number, os.strerror(number), str(self))
        return real(self, *args, **kwargs)

    monkeypatch.setattr(Path, step, failing)
    with pytest.raises(OutputError) as caught:
        write(target, made, force=True, manifest={"new": 1})
    monkeypatch.undo()
    assert remedy in str(caught.value)
    assert hashes(target) == before
    assert [p.name for p in tmp_path.iterdir()] == ["plan"]
    write(target, made, force=True)  # the next run works


def test_a_full_disk_in_the_middle_of_the_package_is_told(made, tmp_path, monkeypatch) -> None:
    def full(*_args, **_kwargs):
        raise sqlite3.OperationalError("database or disk is full")

    monkeypatch.setattr(geopackage, "_plain_table", full)
    with pytest.raises(OutputError, match="Free disk space"):
        write(tmp_path / "plan", made)
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="needs a user whom permissions bind")
def test_a_folder_without_permission_is_told(made, tmp_path) -> None:
    tmp_path.chmod(0o500)
    try:
        with pytest.raises(OutputError, match="may write to"):
            write(tmp_path / "plan", made)
    finally:
        tmp_path.chmod(0o700)


@pytest.mark.parametrize("name", ["../x.pdf", "/x.pdf", "a/../../x.pdf", "", "c:x.pdf", "a\\b.pdf", "a\x00.pdf"])
def test_paper_never_leaves_the_folder(made, tmp_path, name: str) -> None:
    with pytest.raises(OutputError, match="inside the plan folder"):
        write(tmp_path / "plan", made, pdfs={name: b"x"})
    with pytest.raises(OutputError, match="inside the plan folder"):
        planfolder.write_files(tmp_path, {name: b"x"})
    assert list(tmp_path.iterdir()) == []


def test_files_are_written_whole_or_not_at_all(tmp_path, monkeypatch) -> None:
    paths = planfolder.write_files(tmp_path / "new", {"b.pdf": b"2", "sub/a.pdf": b"1"})
    assert [p.read_bytes() for p in paths] == [b"2", b"1"]

    def failing(self, _target):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(Path, "replace", failing)
    with pytest.raises(OutputError, match="Free disk space"):
        planfolder.write_files(tmp_path / "new", {"b.pdf": b"3"})
    assert sorted(p.name for p in (tmp_path / "new").iterdir()) == ["b.pdf", "sub"]
    assert (tmp_path / "new/b.pdf").read_bytes() == b"2"


KILLED = """
import sys, time
from pathlib import Path
from sample_plan import sample_plan
from pipeline import bushfile
from pipeline.store import planfolder
p, t, g = sample_plan()
text = bushfile.render(p.settings)
print("ready", flush=True)
n = 0
while True:
    n += 1
    planfolder.write_plan(
        Path(sys.argv[1]), plan=p, terrain=t, ground=g, pdfs={}, manifest={"n": n}, settings_text=text, force=True
    )
"""


def test_one_whole_plan_is_there_whenever_the_program_is_killed(made, tmp_path) -> None:
    tests = Path(__file__).resolve().parents[1]
    rng = np.random.default_rng(3)
    target = write(tmp_path / "plan", made)
    with subprocess.Popen(
        [sys.executable, "-c", KILLED, str(target)],
        stdout=subprocess.PIPE,
        cwd=tests.parent,
        env={**os.environ, "PYTHONPATH": str(tests)},
    ) as process:
        process.stdout.readline()
        time.sleep(0.6 + 0.6 * rng.random())
        process.kill()
    whole = [p for p in (target, tmp_path / "plan.previous") if p.is_dir()]
    assert whole
    for folder in whole:
        assert_same(made[0], planfolder.read_plan(folder)[0])
    # what a process that was killed left behind goes with the next run; of one that lives it stays
    alive = tmp_path / next(iter(p.name for p in tmp_path.glob(".plan.*.part*")), ".plan.x-1.y.part")
    alive = alive.with_name(alive.name.replace(str(process.pid), str(os.getpid())))
    alive.mkdir()
    write(target, made, force=True)
    left = {p.name for p in tmp_path.iterdir()} - {"plan", "plan.previous"}
    assert left == {alive.name}


@pytest.mark.parametrize(
    "damage", ["gone", "no package", "cut package", "cut terrain", "no settings", "other package", "bad settings"]
)
def test_a_folder_that_is_no_whole_plan_is_told(made, tmp_path, damage: str) -> None:
    target = write(tmp_path / "plan", made)
    if damage == "gone":
        target.rename(tmp_path / "plan.previous")
    elif damage == "no package":
        (target / "plan.gpkg").unlink()
    elif damage == "no settings":
        (target / "settings.used.toml").unlink()
    elif damage == "bad settings":
        (target / "settings.used.toml").write_text("[trees]\nfiel = 'x'\n")
    elif damage == "other package":
        with sqlite3.connect(target / "plan.gpkg") as base:
            base.execute("DROP TABLE plan_records")
    else:
        path = target / ("plan.gpkg" if "package" in damage else "terrain.tif")
        path.write_bytes(path.read_bytes()[:9000])
    with pytest.raises(InputDataError) as caught:
        planfolder.read_plan(target)
    assert ("plan.previous" in str(caught.value)) is (damage == "gone")


def test_texts_are_hashed_as_utf_8() -> None:
    # FIPS 180-2, appendix B.1: the digest of "abc"
    assert planfolder.sha256_text("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
