"""Takes the one data file out of a zip or KMZ, without trusting names or sizes in it."""

from __future__ import annotations

import contextlib
import stat
import tempfile
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path, PurePosixPath

from pipeline.errors import Problem

DATA = (".shp", ".gpkg", ".geojson", ".json", ".fgb", ".gpx", ".kml", ".csv", ".tsv")
MOST_MEMBERS = 1000
LARGEST_BYTES = 300_000_000
_BROKEN = (zipfile.BadZipFile, zlib.error, NotImplementedError, RuntimeError, OSError, ValueError, EOFError)


@contextlib.contextmanager
def unpacked(path: Path, name: str, where: str) -> Iterator[Path | Problem]:
    """Yield the data file of an archive in a folder that is removed afterwards, or what is wrong with it.

    Only files beside the data file with its stem are unpacked, under plain names of our
    own making; what an archive says of its sizes is a limit, not a promise.
    """
    with tempfile.TemporaryDirectory(prefix="fallgrade-") as folder:
        try:
            with zipfile.ZipFile(path) as archive:
                data = _unpack(archive, Path(folder), name, where)
        except _BROKEN as fault:
            data = _refused(name, where, f"an archive that cannot be unpacked ({str(fault)[:80]})",
                            "Make the archive again, without a password.")
        yield data


def _unpack(archive: zipfile.ZipFile, folder: Path, name: str, where: str) -> Path | Problem:
    members = archive.infolist()
    if len(members) > MOST_MEMBERS or sum(m.file_size for m in members) > LARGEST_BYTES:
        return _refused(name, where, f"an archive of {len(members)} files, "
                        f"{sum(m.file_size for m in members) / 1e6:,.0f} MB unpacked",
                        f"Put one layer in it, at most {LARGEST_BYTES / 1e6:,.0f} MB.")
    odd = [m.filename for m in members if not _plain(m)]
    if odd:
        return _refused(name, where, f"the member {odd[0][:60]!r}", "Make the archive again with plain files only.")
    if any(m.filename.startswith("xl/") for m in members):
        return _refused(name, where, "an Excel workbook", "Save the sheet as CSV.")
    data = [m for m in members if PurePosixPath(m.filename).suffix.lower() in DATA and not m.is_dir()]
    if len(data) != 1:
        found = ", ".join(m.filename for m in data)[:120] or "none"
        return _refused(name, where, f"{len(data)} data files ({found})", "Put exactly one layer in the archive.")
    chosen = PurePosixPath(data[0].filename)
    for member in members:
        beside = PurePosixPath(member.filename)
        if beside.parent == chosen.parent and beside.stem.lower() == chosen.stem.lower() and not member.is_dir():
            _copy(archive, member, folder / f"data{beside.suffix.lower()}")
    return folder / f"data{chosen.suffix.lower()}"


def _plain(member: zipfile.ZipInfo) -> bool:
    """Whether a member is an ordinary file or folder inside the archive."""
    path = PurePosixPath(member.filename.replace("\\", "/"))
    kind = stat.S_IFMT(member.external_attr >> 16)
    ordinary = kind in {0, stat.S_IFREG, stat.S_IFDIR}
    return ordinary and not path.is_absolute() and ".." not in path.parts and ":" not in member.filename


def _copy(archive: zipfile.ZipFile, member: zipfile.ZipInfo, target: Path) -> None:
    left = LARGEST_BYTES
    with archive.open(member) as source, target.open("wb") as sink:
        while block := source.read(1 << 20):
            left -= len(block)
            if left < 0:
                raise ValueError("it unpacks to more than it says")
            sink.write(block)


def _refused(name: str, where: str, found: str, remedy: str) -> Problem:
    return Problem(name, where, found, "a zip or KMZ with one data file", remedy)
