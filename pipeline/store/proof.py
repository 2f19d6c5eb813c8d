"""Reads a finished ``plan.gpkg`` back as another program would, and holds it against the column contract.

The writer works from numpy arrays; fiona reports what stands in the file: geometry kind, column names in
order, types and row count. A plan whose file says anything else is not published.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import fiona

from pipeline import schema
from pipeline.errors import OutputError, Problem
from pipeline.store.layer_table import LayerTable

_TYPES = {"text": ("str",), "int": ("int64", "int", "int32"), "float": ("float",)}
_CONTRACT = {layer.name: layer for layer in schema.LAYERS}


def prove(path: Path, tables: Sequence[LayerTable]) -> None:
    """Check every layer with shapes of a finished GeoPackage.

    Parameters
    ----------
    path : Path
        The finished file.
    tables : sequence of LayerTable
        What was handed to the writer; layers that the contract does not know are held to names and rows only.

    Raises
    ------
    OutputError
        Lists every difference at once.
    """
    problems = [p for table in tables if table.shapes is not None for p in _differences(path, table)]
    if problems:
        raise OutputError(problems)


def _differences(path: Path, table: LayerTable) -> list[Problem]:
    with fiona.open(path, layer=table.name) as layer:
        kind, found = layer.schema["geometry"], dict(layer.schema["properties"])
        rows = len(layer)
    told: list[tuple[str, object, object]] = []
    if list(found) != list(table.columns):
        told.append(("columns", ", ".join(found), ", ".join(table.columns)))
    expected = len(table.shapes) if table.shapes is not None else 0
    if rows != expected:
        told.append(("rows", rows, expected))
    contract = _CONTRACT.get(table.name)
    if contract is not None:
        plain = kind.removeprefix("3D ").removeprefix("Multi")
        if plain != contract.geometry.removesuffix(" Z"):
            told.append(("geometry", kind, contract.geometry))
        told += [
            (column.name, found[column.name], column.type) for column in contract.columns
            if column.name in found and found[column.name].partition(":")[0] not in _TYPES[column.type]
        ]
    return [
        Problem(path.name, f"layer {table.name}, {place}", str(seen), str(wanted),
                "This is our fault, not yours: report it with your bush file.") for place, seen, wanted in told
    ]
