"""Reads any supported file into one shape: rows of texts with, or without, geometries."""

from __future__ import annotations

import csv
import io
import warnings
from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import geopandas
import numpy as np
import numpy.typing as npt
import pandas as pd
import pyogrio
import shapely
from shapely.geometry.base import BaseGeometry

from pipeline.errors import Problem
from pipeline.findings import Finding
from pipeline.store import guard, words
from pipeline.store.archives import unpacked

MOST_PROBLEMS_OF_A_KIND = 20
LARGEST_CELL = 1_000_000
# formats that say beforehand how many rows they hold
_COUNTED = frozenset({"GPKG", "FlatGeobuf", "ESRI Shapefile"})
_BROKEN = (ValueError, TypeError, KeyError, OSError, RuntimeError, shapely.errors.ShapelyError)


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """Rows of one layer, nothing judged yet.

    Parameters
    ----------
    columns : dict of str to tuple of str
        Cells as texts, one tuple per column, ``""`` for empty ones.
    shapes : tuple of geometry or None, or None
        One geometry per row (None where the row has none); None for a plain table.
    crs_wkt : str
        CRS of the geometries, ``""`` when the file does not say.
    row : int64 array
        Row number in the file, counted from 1 (in a CSV the header is line 1).
    driver, layer : str
        Format and layer read.
    remarks : tuple of str
        What the reading library had to say, each once.
    """

    columns: dict[str, tuple[str, ...]]
    shapes: tuple[BaseGeometry | None, ...] | None
    crs_wkt: str
    row: npt.NDArray[np.int64]
    driver: str
    layer: str
    remarks: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.row)


def read_table(path: Path, name: str, where: str, layer: str) -> tuple[Table | None, list[Problem]]:
    """Read one layer of a file.

    Parameters
    ----------
    path : Path
        A file that :func:`pipeline.store.guard.locate` let through.
    name : str
        The file as the user named it.
    where : str
        Table of the bush file that asks for it.
    layer : str
        Layer to read; the only one, or waypoints of a GPX, when empty.

    Returns
    -------
    table : Table or None
        None when there are problems that leave nothing to read.
    problems : list of Problem
    """
    driver = guard.vector_format(path, name, where)
    if isinstance(driver, Problem):
        return None, [driver]
    if driver == "ZIP":
        with unpacked(path, name, where) as inner:
            return (None, [inner]) if isinstance(inner, Problem) else _read_plain(inner, name, where, layer)
    return _read_plain(path, name, where, layer)


def _read_plain(path: Path, name: str, where: str, layer: str) -> tuple[Table | None, list[Problem]]:
    driver = guard.vector_format(path, name, where)
    if isinstance(driver, Problem):
        return None, [driver]
    if driver == "ZIP":
        return None, [Problem(name, where, "an archive in an archive", "a zip with one data file", "Unpack it.")]
    if driver == "CSV":
        return read_csv(path, name, where)
    return _read_layer(path, name, where, layer, driver)


# ------------------------------------------------------------------------- CSV


def _decode(body: bytes) -> str | None:
    wide = body.startswith((b"\xff\xfe", b"\xfe\xff"))
    # cp1252 is what desktop spreadsheets write where UTF-8 is not asked for
    candidates = ("utf-16",) if wide else ("utf-8-sig", "cp1252", "latin-1")
    for encoding in candidates:
        try:
            return body.decode(encoding)
        except UnicodeError:
            continue
    return None


def _delimiter(lines: list[str]) -> str:
    """Return the mark that cuts the first lines into most, equally many, cells."""

    def score(mark: str) -> tuple[bool, int]:
        counts = [len(row) for row in csv.reader(lines, delimiter=mark)]
        return len(set(counts)) == 1, counts[0]

    marks = [m for m in (";", "\t", ",", "|") if score(m)[1] > 1]
    return max(marks, key=score) if marks else ","


def read_csv(
    path: Path, name: str, where: str, *, comments: bool = False
) -> tuple[Table | None, list[Problem]]:
    """Read a CSV of comma, semicolon, tab or bar, with or without a byte order mark.

    Wholly empty lines are passed over, with `comments` also lines that begin with ``#``;
    a line with too many or too few cells is a problem.
    """
    try:
        text = _decode(path.read_bytes())
    except OSError as fault:
        return None, [Problem(name, where, f"a file that cannot be read ({fault.strerror})", "a readable file",
                              "Close other programs that hold it, or mend its permissions.")]
    if text is None or "\x00" in text:
        return None, [Problem(name, where, "bytes that are no text", "a CSV in UTF-8",
                              "Export the file as CSV (UTF-8).")]
    lines = io.StringIO(text, newline="").readlines()
    if comments:
        lines = ["\n" if line.startswith("#") else line for line in lines]
    offset = 0
    given = lines[0].strip().strip('"').lower() if lines else ""
    if given.startswith("sep=") and len(given) == 5:
        lines, offset = lines[1:], 1
    sample = [line for line in lines[:50] if line.strip()][:10]
    if not sample:
        return None, [Problem(name, where, "no lines", "a header and one line per tree", "Export the file again.")]
    try:
        mark = given[-1] if offset else _delimiter(sample)
        return _csv_table(csv.reader(lines, delimiter=mark, strict=False), offset, name, where)
    except csv.Error as fault:
        return None, [Problem(name, where, f"text that is no CSV ({fault})", "a CSV",
                              "Look for an unclosed quotation mark.")]


def _csv_table(
    reader: Any, offset: int, name: str, where: str  # noqa: ANN401 - the csv module does not export its reader's type
) -> tuple[Table | None, list[Problem]]:
    head: list[str] = []
    rows: list[list[str]] = []
    numbers: list[int] = []
    uneven: list[tuple[int, int]] = []
    for cells in reader:
        if not any(c.strip() for c in cells):
            continue
        if not head:
            head = [c.strip() for c in cells]
            continue
        full = cells + [""] * (len(head) - len(cells))
        if len(cells) < len(head) or any(c.strip() for c in cells[len(head):]):
            uneven.append((reader.line_num + offset, len(cells)))
        rows.append([c.strip() for c in full[: len(head)]])
        numbers.append(reader.line_num + offset)
    problems = some(
        Problem(name, f"{where}, line {line}", f"{count} cells", f"{len(head)} cells as in the header",
                "Look for a missing or extra separator, or a decimal comma in a comma-separated file.")
        for line, count in uneven
    )
    if not rows:
        problems.append(Problem(name, where, "a header without rows", "one row per tree", "Export the file again."))
    unique = _unique_heads(head)
    columns = {h: tuple(row[i] for row in rows) for i, h in enumerate(unique)}
    return Table(columns, None, "", np.array(numbers, dtype=np.int64), "CSV", ""), problems


def _unique_heads(head: list[str]) -> list[str]:
    seen: dict[str, int] = {}
    result = []
    for h in head:
        seen[h] = seen.get(h, 0) + 1
        result.append(h if seen[h] == 1 else f"{h} ({seen[h]})")
    return result


# ---------------------------------------------------------------------- layers


def _read_layer(path: Path, name: str, where: str, layer: str, driver: str) -> tuple[Table | None, list[Problem]]:
    try:
        layers = layer_names(path)
    except _BROKEN as fault:
        return None, [_damaged(name, where, fault)]
    chosen, problem = _choose_layer(layers, name, where, layer, driver)
    if problem is not None:
        return None, [problem]
    try:
        table = _layer_table(path, chosen, driver)
    except _BROKEN as fault:
        return None, [_damaged(name, f"{where}, layer {chosen}", fault)]
    return table, []


def layer_names(path: Path) -> list[str]:
    """Return the names of a file's layers, in its order.

    Raises
    ------
    ValueError, RuntimeError, OSError
        When the file cannot be opened.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # heard again, and kept, when the rows are read
        return [str(layer) for layer, _ in pyogrio.list_layers(path)]


def _damaged(name: str, where: str, fault: Exception) -> Problem:
    said = " ".join(str(fault).split())
    if isinstance(fault, UnicodeError) or said.startswith("Could not decode"):
        said = "it holds names that are no UTF-8"
    return Problem(
        name, where, f"a damaged file ({words.clean(said, 120)})", guard.FORMATS,
        "Export or copy the file again; it may be cut short.",
    )


def _choose_layer(layers: list[str], name: str, where: str, layer: str, driver: str) -> tuple[str, Problem | None]:
    if layer:
        if layer in layers:
            return layer, None
        return "", Problem(name, where, f"no layer {layer!r}", f"one of {', '.join(layers) or 'none'}",
                           "Write one of these layer names.")
    if driver == "GPX":
        return "waypoints", None
    # the styles that desktop programs keep beside the data are no data
    real = [lyr for lyr in layers if lyr != "layer_styles"]
    if len(real) == 1:
        return real[0], None
    if not real:
        return "", Problem(name, where, "no layers", "one layer of data", "Export the data again.")
    return "", Problem(name, where, f"{len(real)} layers ({', '.join(real)[:200]})", "one, or the name of one",
                       "Name the layer to read with the key layer.")


def _text(value: object) -> str:
    if value is None or (isinstance(value, float) and np.isnan(value)):
        return ""
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() and abs(value) <= 1e15 else repr(value)
    return str(value)[:LARGEST_CELL]


def _layer_table(path: Path, layer: str, driver: str) -> Table:
    """Read a layer: what the file announces first, then its rows in bulk.

    Only the given driver may have opened the file.
    """
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # heard again, and kept, when the rows are read
        info = pyogrio.read_info(path, layer=layer)
    if info["driver"] != driver and (driver, info["driver"]) != ("KML", "LIBKML"):
        raise ValueError(f"it opens as {info['driver']}, not as {driver}")
    twice = [h for h, n in Counter(map(str, info["fields"])).items() if n > 1]
    if twice:
        raise ValueError(f"two of its columns are called {twice[0]!r}")
    frame, remarks = _frame(path, layer)
    if driver in _COUNTED and info["geometry_type"] is not None and info["features"] != len(frame):
        # some formats end quietly where the file was cut
        raise ValueError(f"the file announces {info['features']} rows and holds {len(frame)}")
    columns = _columns(frame, drop_empty=driver == "KML")  # KML's schema holds what every placemark may have
    crs_wkt = str(info["crs"] or "")
    if not isinstance(frame, geopandas.GeoDataFrame):
        return Table(columns, None, "", _count(len(frame)), driver, layer, remarks)
    if driver == "KML":
        crs_wkt = "EPSG:4326"  # OGC KML 2.3, clause 6.2: longitude and latitude on WGS 84
    shapes = tuple(s if isinstance(s, BaseGeometry) else None for s in frame.geometry)
    return Table(columns, shapes, crs_wkt, _count(len(frame)), driver, layer, remarks)


def _frame(path: Path, layer: str) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """Return all rows of a layer, and what the library warned of meanwhile."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        warnings.filterwarnings("ignore", message="Measured")  # measures along lines mean nothing here
        frame = geopandas.read_file(path, layer=layer, engine="pyogrio")
    said = dict.fromkeys(" ".join(str(w.message).split())[:200] for w in caught)
    return frame, tuple(said)[:MOST_PROBLEMS_OF_A_KIND]


def remark_findings(table: Table, file: str, about: str, subject: str = "") -> list[Finding]:
    """Return what the reading library had to say about a file, as findings."""
    return [
        Finding("READER_REMARK", "check", about, subject, None, None, "",
                f"While {file} was read: {words.clean(said, 200)}",
                "Look whether everything is on the map of the check sheet; export the file again if not.")
        for said in table.remarks
    ]


def _columns(frame: pd.DataFrame, *, drop_empty: bool) -> dict[str, tuple[str, ...]]:
    """Return the cells of a layer as texts by column."""
    shape = frame.geometry.name if isinstance(frame, geopandas.GeoDataFrame) else None
    heads = [h for h in frame.columns if h != shape and not (drop_empty and frame[h].isna().all())]
    return {str(h): _texts(frame[h]) for h in heads}


def _texts(column: pd.Series) -> tuple[str, ...]:
    return tuple("" if gone else _text(v) for v, gone in zip(column.tolist(), column.isna().tolist(), strict=True))


def _count(n: int) -> npt.NDArray[np.int64]:
    return np.arange(1, n + 1, dtype=np.int64)


def some(problems: Iterable[Problem], most: int = MOST_PROBLEMS_OF_A_KIND) -> list[Problem]:
    """Return the first `most` problems of one kind and one line that counts the rest."""
    every = list(problems)
    if len(every) <= most:
        return every
    last = every[-1]
    rest = Problem(last.file, "", f"{len(every) - most} more of the same kind", last.wanted, last.remedy)
    return [*every[:most], rest]
