"""The written GeoPackage against the rules of OGC 12-128 (GeoPackage 1.3), read with SQL and bytes alone.

The clauses are those that the standard's public conformance suite tests: core (container, reference systems,
contents), features (geometry columns, encoding), attributes, R-tree. No geospatial library takes part in the reading,
but for the well-known binary inside a geometry.
"""

from __future__ import annotations

import re
import sqlite3
import struct
from contextlib import closing
from pathlib import Path

import pytest
import shapely
from pipeline import bushfile, schema
from pipeline.store import planfolder

from sample_plan import sample_plan

# clause 1.1.1.1.3, table "GeoPackage Data Types", and clause 2.1, the geometry types of table "Geometry Types (Core)"
DATA_TYPES = re.compile(
    r"(BOOLEAN|TINYINT|SMALLINT|MEDIUMINT|INT|INTEGER|FLOAT|DOUBLE|REAL|(TEXT|BLOB)(\(\d+\))?|DATE|DATETIME"
    r"|GEOMETRY|POINT|LINESTRING|POLYGON|MULTIPOINT|MULTILINESTRING|MULTIPOLYGON|GEOMETRYCOLLECTION)")
GEOMETRY_TYPES = {"GEOMETRY", "POINT", "LINESTRING", "POLYGON", "MULTIPOINT", "MULTILINESTRING", "MULTIPOLYGON",
                  "GEOMETRYCOLLECTION"}
# bytes of the envelope by its code in the flags (clause 2.1.3.1.1)
ENVELOPE_BYTES = {0: 0, 1: 32, 2: 48, 3: 48, 4: 64}
STAMP = re.compile(r"\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}\.\d{3}Z")


@pytest.fixture(scope="module")
def package(tmp_path_factory) -> Path:
    plan, terrain, ground = sample_plan()
    folder = tmp_path_factory.mktemp("gpkg") / "plan"
    planfolder.write_plan(folder, plan=plan, terrain=terrain, ground=ground, pdfs={}, manifest={},
                          settings_text=bushfile.render(plan.settings), force=False)
    return folder / "plan.gpkg"


@pytest.fixture(scope="module")
def ask(package: Path):
    """Return a function that asks the package in SQL."""
    with closing(sqlite3.connect(f"{package.as_uri()}?mode=ro&immutable=1", uri=True)) as base:
        yield lambda sql, *values: base.execute(sql, values).fetchall()


@pytest.fixture(scope="module")
def features(ask) -> list[tuple]:
    """Return table, column, type, reference system, z and m of each layer with shapes."""
    return ask("SELECT table_name, column_name, geometry_type_name, srs_id, z, m FROM gpkg_geometry_columns")


def columns(ask, table: str) -> list[tuple]:
    """Return name, type, not null, default and place in the key of each column."""
    return [row[1:] for row in ask(f'PRAGMA table_info("{table}")')]


def test_the_container_is_what_it_says(package: Path, ask) -> None:
    """Clause 1.1.1.1.1: SQLite 3, the application id GPKG, a version of the standard from 1.2 on, the ending."""
    assert package.suffix == ".gpkg"
    assert package.read_bytes()[:16] == b"SQLite format 3\x00"
    assert ask("PRAGMA application_id") == [(int.from_bytes(b"GPKG", "big"),)]
    assert 10200 <= ask("PRAGMA user_version")[0][0] < 20000
    assert ask("PRAGMA integrity_check") == [("ok",)]
    assert ask("PRAGMA foreign_key_check") == []
    names = [p.name for p in package.parent.iterdir()]
    assert not [n for n in names if n.startswith("plan.gpkg-")], "no journal is left beside it"


def test_reference_systems(ask) -> None:
    """Clause 1.1.2: WGS 84, the undefined Cartesian and the undefined geographic system; what is used is defined."""
    rows = {r[0]: r[1:] for r in ask("SELECT srs_id, organization, organization_coordsys_id, definition "
                                     "FROM gpkg_spatial_ref_sys")}
    assert rows[4326][:2] == ("EPSG", 4326)
    assert rows[-1] == ("NONE", -1, "undefined")
    assert rows[0] == ("NONE", 0, "undefined")
    used = {r[0] for r in ask("SELECT srs_id FROM gpkg_contents WHERE data_type = 'features'")}
    assert used <= set(rows)
    assert all(re.match(r"(GEOG|PROJ|COMPD)", rows[srs][2]) for srs in used if srs > 0)


def test_contents_name_every_table_of_ours(ask) -> None:
    """Clause 1.1.3: each row names a table, is of a known kind, and is stamped in UTC to the millisecond."""
    rows = ask("SELECT table_name, data_type, identifier, last_change, srs_id, min_x, min_y, max_x, max_y "
               "FROM gpkg_contents")
    tables = {r[0] for r in ask("SELECT name FROM sqlite_master WHERE type IN ('table', 'view')")}
    known = {r[0] for r in ask("SELECT srs_id FROM gpkg_spatial_ref_sys")}
    for name, kind, _, changed, srs, *box in rows:
        assert name in tables
        assert kind in {"features", "attributes"}
        assert STAMP.fullmatch(changed)
        assert srs in known
        if kind == "features" and None not in box:
            assert box[0] <= box[2]
            assert box[1] <= box[3]
    identifiers = [r[2] for r in rows]
    assert len(set(identifiers)) == len(identifiers)
    ours = {layer.name for layer in schema.LAYERS}
    assert ours <= {r[0] for r in rows}
    own = {t for t in tables if not re.match(r"gpkg_|rtree_|sqlite_", t)}
    assert own == {r[0] for r in rows}, "no table is left out of the contents"


def test_columns_are_of_the_standards_types_with_one_key(ask) -> None:
    """Clauses 1.1.1.1.3, 2.1.6 and 2.4.2: data types of the table, and one integer primary key."""
    for name, _ in ask("SELECT table_name, data_type FROM gpkg_contents"):
        found = columns(ask, name)
        assert all(DATA_TYPES.fullmatch(kind) for _, kind, *_ in found), (name, found)
        keys = [(column, kind) for column, kind, _, _, key in found if key]
        assert len(keys) == 1, name
        assert keys[0][1] == "INTEGER", name


def test_geometry_columns(ask, features) -> None:
    """Clause 2.1.5: one geometry column a table, of a core type, its system that of the contents, z and m 0 to 2."""
    tables = [row[0] for row in features]
    assert len(set(tables)) == len(tables)
    wanted = {r[0] for r in ask("SELECT table_name FROM gpkg_contents WHERE data_type = 'features'")}
    assert set(tables) == wanted
    for table, column, kind, srs, z, m in features:
        types = {name: declared for name, declared, *_ in columns(ask, table)}
        assert kind in GEOMETRY_TYPES
        assert types[column] == kind
        assert ask("SELECT srs_id FROM gpkg_contents WHERE table_name = ?", table) == [(srs,)]
        assert z in {0, 1, 2}
        assert m == 0, "no measures along lines"
    z_of = {row[0]: row[4] for row in features}
    assert all(z_of[layer.name] in {1, 2} for layer in schema.LAYERS if layer.geometry.endswith(" Z"))


def parts(blob: bytes) -> tuple[int, int, list[float], bytes]:
    """Return flags, reference system, envelope and well-known binary (clause 2.1.3.1.1)."""
    magic, version, flags = blob[:2], blob[2], blob[3]
    assert magic == b"GP"
    assert version == 0
    order = "<" if flags & 1 else ">"
    size = ENVELOPE_BYTES[(flags >> 1) & 7]
    (srs,) = struct.unpack_from(f"{order}i", blob, 4)
    envelope = list(struct.unpack_from(f"{order}{size // 8}d", blob, 8))
    return flags, srs, envelope, blob[8 + size:]


def test_every_geometry_is_encoded_by_the_rule(ask, features) -> None:
    """Header, envelope and body of each shape agree; an empty shape says so; no extended type is used."""
    seen = 0
    for table, column, kind, srs, z, _ in features:
        for (blob,) in ask(f'SELECT "{column}" FROM "{table}" WHERE "{column}" IS NOT NULL'):  # noqa: S608
            flags, own, envelope, wkb = parts(blob)
            shape = shapely.from_wkb(wkb)
            assert own == srs
            assert flags & 0b11100000 == 0, "reserved bits, and the standard binary type"
            assert bool(flags & 0b10000) is shape.is_empty
            assert kind in {"GEOMETRY", shape.geom_type.upper()}
            assert bool(shape.has_z) <= (z > 0)
            if envelope:
                assert (envelope[0], envelope[2], envelope[1], envelope[3]) == pytest.approx(shape.bounds, abs=1e-9)
            seen += 1
    assert seen > 20


def test_spatial_indexes_hold_every_shape_where_it_is(ask, features) -> None:
    """Clause F.3 (R-tree): registered as an extension, one entry for each shape, its box around the shape's."""
    listed = {r[0] for r in ask("SELECT table_name FROM gpkg_extensions WHERE extension_name = 'gpkg_rtree_index'")}
    assert listed
    for table, column, *_ in features:
        if table not in listed:
            continue
        shapes = dict(ask(f'SELECT fid, "{column}" FROM "{table}" WHERE "{column}" IS NOT NULL'))  # noqa: S608
        boxes = {r[0]: r[1:] for r in ask(f'SELECT id, minx, miny, maxx, maxy FROM "rtree_{table}_{column}"')}  # noqa: S608
        assert set(boxes) == {fid for fid, blob in shapes.items() if not shapely.from_wkb(parts(blob)[3]).is_empty}
        for fid, (west, south, east, north) in boxes.items():
            own = shapely.from_wkb(parts(shapes[fid])[3]).bounds
            assert west <= own[0] <= own[2] <= east  # single precision, rounded outward
            assert south <= own[1] <= own[3] <= north


def test_texts_and_numbers_of_ours_are_stored_as_declared(ask) -> None:
    """The contract's columns: a text is a text, a whole number an integer, what is not known NULL and never NaN."""
    storage = {"text": {"text"}, "int": {"integer"}, "float": {"real", "null"}}
    for layer in schema.LAYERS:
        for column in layer.columns:
            kinds = {r[0] for r in ask(f'SELECT DISTINCT typeof("{column.name}") FROM "{layer.name}"')}  # noqa: S608
            assert kinds <= storage[column.type], (layer.name, column.name, kinds)
