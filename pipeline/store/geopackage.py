"""Writes and reads ``plan.gpkg``: layers by the table writer, the rest by plain SQL.

The same tables give the same bytes: time stamps are the plan's date, and rows keep
their order.
"""

from __future__ import annotations

import sqlite3
import warnings
from collections.abc import Mapping, Sequence
from contextlib import closing
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import pandas as pd
import shapely

from pipeline import schema
from pipeline.store import styles
from pipeline.store.layer_table import LayerTable

RECORDS = "plan_records"
_TYPES = {"int64": "INTEGER", "float64": "REAL", "object": "TEXT"}
_CONTRACT = {
    (layer.name, column.name): {"text": "object", "int": "int64", "float": "float64"}[column.type]
    for layer in schema.LAYERS for column in layer.columns
}
_STYLE_TABLE = """
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, f_table_catalog TEXT(256), f_table_schema TEXT(256),
  f_table_name TEXT(256), f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT,
  useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30),
  update_time DATETIME DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')))
"""


def write(
    path: Path, tables: Sequence[LayerTable], *, crs_wkt: str, records: Mapping[str, str], stamp: str
) -> None:
    """Write a new GeoPackage.

    Parameters
    ----------
    path : Path
        A file that does not exist yet.
    tables : sequence of LayerTable
    crs_wkt : str
        ``""`` for a local grid.
    records : mapping of str to str
        JSON texts kept in the table ``plan_records``.
    stamp : str
        Time stamp of everything, ``YYYY-MM-DDThh:mm:ss.000Z``.

    Raises
    ------
    OSError, sqlite3.Error, RuntimeError
        When the file cannot be written.
    """
    for table in tables:
        if table.shapes is not None:
            _write_layer(path, table, crs_wkt)
    with closing(sqlite3.connect(path)) as base, base:
        for table in tables:
            if table.shapes is None:
                _plain_table(base, table.name, table.columns, stamp)
        _plain_table(base, RECORDS, {"name": list(records), "json": list(records.values())}, stamp)
        _write_styles(base, [t.name for t in tables if t.shapes is not None], stamp)
        base.execute("UPDATE gpkg_contents SET last_change = ?", (stamp,))


def _write_layer(path: Path, table: LayerTable, crs_wkt: str) -> None:
    shapes = table.shapes if table.shapes is not None else np.empty(0, dtype=object)
    frame = geopandas.GeoDataFrame(
        {name: pd.Series(list(cells), dtype=_dtype(table.name, name, cells)) for name, cells in table.columns.items()},
        geometry=geopandas.GeoSeries(shapes, crs=crs_wkt or None), crs=crs_wkt or None,
    )
    kind, promote = table.geometry, False
    if kind == "Polygon" and any(isinstance(s, shapely.MultiPolygon) for s in shapes):
        kind, promote = "MultiPolygon", True
    with warnings.catch_warnings():
        # a local grid has no CRS, and that is meant
        warnings.filterwarnings("ignore", message="'crs' was not provided", category=UserWarning)
        frame.to_file(
            path, layer=table.name, driver="GPKG", engine="pyogrio", geometry_type=kind, promote_to_multi=promote,
            mode="a" if path.exists() else "w",
        )


def _dtype(layer: str, column: str, cells: Any) -> str:  # noqa: ANN401 - any sequence of one kind of cell
    """Return the type of a column: as the contract says, also where no row shows it."""
    if (layer, column) in _CONTRACT:
        return _CONTRACT[layer, column]
    first = np.asarray(cells[:1] if len(cells) else [""])
    kind = first.dtype.kind
    if kind == "i":
        return "int64"
    return "float64" if kind == "f" else "object"


def _plain_table(base: sqlite3.Connection, name: str, columns: Mapping[str, Any], stamp: str) -> None:
    """Write a table without shapes and register it as attributes (GeoPackage 1.3, clause 2.4)."""
    spec = ", ".join(f'"{n}" {_TYPES[_dtype(name, n, c)]}' for n, c in columns.items())
    base.execute(f'CREATE TABLE "{name}" (fid INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, {spec})')
    marks = ", ".join("?" for _ in columns)
    rows = zip(*columns.values(), strict=True)
    listed = ", ".join(f'"{n}"' for n in columns)
    base.executemany(  # names are ours, values are bound
        f'INSERT INTO "{name}" ({listed}) VALUES ({marks})',  # noqa: S608
        [tuple(None if isinstance(v, float) and np.isnan(v) else v for v in row) for row in rows],
    )
    _register(base, name, stamp)


def _register(base: sqlite3.Connection, name: str, stamp: str) -> None:
    base.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, last_change, srs_id) "
        "VALUES (?, 'attributes', ?, '', ?, 0)", (name, name, stamp),
    )


def _write_styles(base: sqlite3.Connection, layers: Sequence[str], stamp: str) -> None:
    base.execute(_STYLE_TABLE)
    for layer in layers:
        document = styles.qml(layer)
        if document:
            base.execute(
                "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, f_geometry_column, "
                "styleName, styleQML, styleSLD, useAsDefault, description, owner, update_time) "
                "VALUES ('', '', ?, 'geom', 'fallgrade', ?, '', 1, '', '', ?)", (layer, document, stamp),
            )
    _register(base, "layer_styles", stamp)


def read_layer(path: Path, layer: str) -> geopandas.GeoDataFrame:
    """Return one layer with its shapes, rows in the order in which they were written."""
    with np.errstate(invalid="ignore"):  # a damaged shape may hold signalling NaN; who uses it looks for NaN
        return geopandas.read_file(path, layer=layer, engine="pyogrio")


def read_plain(path: Path, table: str, columns: Sequence[str]) -> list[tuple[Any, ...]]:
    """Return the rows of a table without shapes."""
    # in brackets: a name in quotation marks that is no column would be taken for a text
    listed = ", ".join(f"[{n}]" for n in columns)
    with closing(sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)) as base:
        return list(base.execute(f'SELECT {listed} FROM "{table}" ORDER BY fid'))  # noqa: S608 - names are ours
