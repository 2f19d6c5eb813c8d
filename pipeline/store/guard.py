"""Keeps bad files away from the readers: paths, file types, XML entities, sizes.

GDAL opens far more than files: archives, memory, networks, pipelines described in
text. Nothing reaches it from here but a plain file on disk whose first bytes say
that it is one of the formats the readers know.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import Any

from pipeline.errors import Problem

LARGEST_VECTOR_BYTES = 300_000_000
RASTERS = "a GeoTIFF, an ASCII grid or a VRT mosaic of these"
FORMATS = "GPX, CSV, GeoPackage, GeoJSON, FlatGeobuf, shapefile or KML, as it is or zipped"
_GEOJSON_TYPES = {
    "FeatureCollection", "Feature", "Point", "MultiPoint", "LineString", "MultiLineString", "Polygon",
    "MultiPolygon", "GeometryCollection",
}
_LONGEST_NAME = 4000
_OUTSIDE = re.compile(r"/vsi|^vsi|://|^[a-z0-9_]{2,}:|[<>|\x00-\x1f]|^\s*\{", re.IGNORECASE)


def is_address(name: str) -> bool:
    """Whether a name is more than the path of a plain file: an address, a virtual path, inline content."""
    return _OUTSIDE.search(name) is not None or len(name) > _LONGEST_NAME


def locate(base: Path, name: str, where: str) -> Path | Problem:
    """Return the file that the bush file names, or what is wrong with it.

    Parameters
    ----------
    base : Path
        Folder of the bush file; relative names start there.
    name : str
        The name as the grower wrote it.
    where : str
        The key it stands in, for the message.
    """
    if not name.strip():
        return Problem("bush file", where, "no file", "the name of a file", "Write the name of the file there.")
    if is_address(name):
        return Problem(
            name[:80], where, "an address or a virtual path", "a plain file on this computer",
            "Copy the data into a file and name that file; nothing is read from archives or networks by address.",
        )
    path = base / name
    try:
        if path.is_file():
            if path.stat().st_size == 0:
                return Problem(name, where, "an empty file", "data", "Export the file again; it holds nothing.")
            return path
        is_folder = path.is_dir()
        near = "" if is_folder else _nearest(path)
    except (OSError, ValueError) as fault:
        return Problem(name[:80], where, f"a name that cannot be opened ({fault})", "a file", "Name another file.")
    found = "a folder" if is_folder else "no such file"
    return Problem(name, where, found, "a file", near or (
        f"It was looked for in {base.absolute()}; names in a bush file start at the bush file's folder."))


def _nearest(path: Path) -> str:
    """Return a hint at a file of nearly the same name in the same folder."""
    if not path.parent.is_dir():
        return f"The folder {path.parent.name!r} is not there either."
    names = sorted(p.name for p in path.parent.iterdir() if p.is_file())
    same = [n for n in names if n.lower() == path.name.lower() or Path(n).stem.lower() == path.stem.lower()]
    return f"Did you mean {same[0]!r}?" if same else ""


def vector_format(path: Path, name: str, where: str) -> str | Problem:
    """Return the driver name for a vector file by its first bytes, or what is wrong with the file.

    The file's ending is not trusted: a file called ``trees.gpx`` that holds
    something else is told as such.
    """
    try:
        if path.stat().st_size > LARGEST_VECTOR_BYTES:
            return Problem(
                name, where, f"{path.stat().st_size / 1e6:,.0f} MB", f"at most {LARGEST_VECTOR_BYTES / 1e6:,.0f} MB",
                "Cut the file down to the bush and its surroundings.",
            )
        with path.open("rb") as handle:
            head = handle.read(4096)
    except OSError as fault:
        return _unreadable(name, where, fault)
    if head.startswith(b"SQLite format 3\x00"):
        return _at_rest(path, name, where) or "GPKG"
    if head[:3] == b"fgb":
        return "FlatGeobuf"
    if head[:4] == b"\x00\x00\x27\x0a":
        return _shapefile(path, name, where)
    if head.startswith(b"PK\x03\x04"):
        return "ZIP"
    start = head.lstrip(b"\xef\xbb\xbf \t\r\n")
    if start[:1] == b"<":
        return _xml(path, name, where)
    if start[:1] == b"{":
        return _geojson(path, name, where)
    return _text_or_unknown(path, head, name, where)


def raster_format(path: Path, name: str) -> str | Problem:
    """Return the driver name for a raster by its first bytes, or what is wrong with the file."""
    try:
        with path.open("rb") as handle:
            head = handle.read(4096)
    except OSError as fault:
        return _unreadable(name, "terrain.file", fault)
    if head[:4] in {b"II*\x00", b"MM\x00*", b"II+\x00", b"MM\x00+"}:
        return "GTiff"
    if head.startswith(b"EHFA_HEADER_TAG"):
        return "HFA"
    if b"<VRTDataset" in head:
        return "VRT"
    if re.match(rb"\s*ncols\s", head, re.IGNORECASE):
        return "AAIGrid"
    # plain binary grids have no mark of their own, only a header file beside them
    if path.suffix.lower() in {".bil", ".flt"} and path.with_suffix(".hdr").is_file():
        return "EHdr"
    kind = "a vector file" if head.startswith((b"SQLite", b"fgb", b"{", b"<")) else "another kind of file"
    return Problem(name, "terrain.file", kind, RASTERS, "Export the elevations as GeoTIFF.")


def _unreadable(name: str, where: str, fault: OSError) -> Problem:
    return Problem(
        name, where, f"a file that cannot be read ({fault.strerror or fault})", "a readable file",
        "Close other programs that hold it, or mend its permissions.",
    )


def _text_or_unknown(path: Path, head: bytes, name: str, where: str) -> str | Problem:
    looks_binary = b"\x00" in head and not head.startswith((b"\xff\xfe", b"\xfe\xff"))
    if not looks_binary and path.suffix.lower() in {".csv", ".tsv", ".txt", ".tab"}:
        return "CSV"
    packed = head[:2] == b"\x1f\x8b"
    kind = "a gzip archive" if packed else "another kind of file"
    return Problem(
        name, where, kind, FORMATS,
        "Unpack it." if packed else "Export the data as one of these.",
    )


def _at_rest(path: Path, name: str, where: str) -> Problem | None:
    """Return the problem of a GeoPackage that another program is writing to, None when it is at rest.

    What is not yet in the file itself stands beside it: a rollback journal or a write-ahead log (SQLite, "File
    Format", "Temporary Files Used By SQLite"). Reading then would miss it, or write it in and so change an input.
    """
    for tail in ("-journal", "-wal"):
        beside = path.with_name(path.name + tail)
        try:
            with beside.open("rb") as handle:
                head = handle.read(8)
        except FileNotFoundError:
            continue
        except OSError as fault:
            return _unreadable(name + tail, where, fault)
        if head.strip(b"\x00"):  # an empty or zeroed one is a left-over without content
            return Problem(
                name, where, f"a file locked by a program that is writing to it ({beside.name})", "a file at rest",
                "Close the other program, or save and close the layer there, and run again.",
            )
    return None


def _shapefile(path: Path, name: str, where: str) -> str | Problem:
    missing = [s for s in (".shx", ".dbf") if not any(path.with_suffix(t).is_file() for t in (s, s.upper()))]
    if missing:
        return Problem(
            name, where, f"a shapefile without its {' and '.join(missing)}", "all its files side by side",
            "Copy the .shp, .shx, .dbf and .prj files together.",
        )
    return "ESRI Shapefile"


def _xml(path: Path, name: str, where: str) -> str | Problem:
    try:
        body = path.read_bytes()
    except OSError as fault:
        return _unreadable(name, where, fault)
    if re.search(rb"<!\s*(DOCTYPE|ENTITY|ELEMENT)", body, re.IGNORECASE):
        return Problem(
            name, where, "a document type or entity declaration", "plain GPX or KML",
            "Export the file again; such declarations can make a reader fetch or unfold harmful content.",
        )
    if b"\x00" in body:
        return Problem(name, where, "XML in UTF-16, or damaged", "UTF-8", "Save the file in UTF-8.")
    stripped = re.sub(rb"<\?.*?\?>|<!--.*?-->", b"", body[:100_000], flags=re.DOTALL)
    root = re.search(rb"<\s*(?:[\w.-]+:)?([\w.-]+)", stripped)
    kind = root.group(1).decode("ascii", "replace").lower() if root else ""
    if kind == "kml" and re.search(rb"<\s*(?:[\w.-]+:)?NetworkLink\b", body):
        return Problem(name, where, "a link to data elsewhere", "a KML that holds its data",
                       "Save the linked layer itself as KML; nothing is fetched from a network.")
    if kind in {"gpx", "kml"}:
        return kind.upper()
    return Problem(name, where, f"XML with the root {kind[:40]!r}", "GPX or KML", f"Export the data as {FORMATS}.")


def _geojson(path: Path, name: str, where: str) -> str | Problem:
    try:
        document: Any = json.loads(path.read_bytes().decode("utf-8-sig"))
    except OSError as fault:
        return _unreadable(name, where, fault)
    except (ValueError, RecursionError) as fault:
        return Problem(
            name, where, f"JSON that breaks off or is damaged ({str(fault)[:80]})", "GeoJSON",
            "Export the file again; it may be cut short.",
        )
    kind = document.get("type") if isinstance(document, dict) else None
    if not isinstance(kind, str) or kind not in _GEOJSON_TYPES:  # a type may be a list or an object
        return Problem(
            name, where, f"JSON of the type {str(kind)[:40]!r}", "a GeoJSON FeatureCollection (RFC 7946)",
            "Export the data as GeoJSON.",
        )
    return "GeoJSON"
