"""Lets a raster mosaic (VRT) through only when it is made of plain rasters beside it."""

from __future__ import annotations

import html
import re
from pathlib import Path

from pipeline.errors import Problem

_SOURCE = re.compile(r"<SourceFilename([^>]*)>(.*?)</SourceFilename>", re.DOTALL | re.IGNORECASE)
_RISKY = re.compile(
    r"<!DOCTYPE|<!ENTITY|PixelFunction|VRTRawRasterBand|VRTWarpedDataset|VRTPansharpened|VRTProcessed|SourceDataset\b|OverviewList|"
    r"<Overview>|OpenOptions|VRTDerivedRasterBand|<Algorithm|GDALWarp|<Command|KernelFilteredSource",
    re.IGNORECASE,
)
_PLAIN = {".tif", ".tiff", ".asc", ".flt", ".bil", ".img"}
_LARGEST_BYTES = 20_000_000


def vrt_problem(path: Path, name: str) -> list[Problem]:
    """Return what is wrong with a file that is a VRT by its content; nothing for any other file."""
    try:
        with path.open("rb") as handle:
            head = handle.read(4096)
        if b"<VRTDataset" not in head and path.suffix.lower() != ".vrt":
            return []
        if path.stat().st_size > _LARGEST_BYTES:
            return [_refused(name, "a very large mosaic file")]
        text = path.read_bytes().decode("utf-8", "replace")
    except OSError as fault:
        return [Problem(name, "terrain.file", f"a file that cannot be read ({fault.strerror})", "a readable file",
                        "Close other programs that hold it, or mend its permissions.")]
    if _RISKY.search(text):
        return [_refused(name, "a mosaic with more than plain sources")]
    sources = _SOURCE.findall(text)
    if not sources:
        return [_refused(name, "a mosaic without sources")]
    named = [(attributes, html.unescape(source).strip()) for attributes, source in sources]
    return [_refused(name, f"the source {source[:80]!r}") for a, source in named if not _beside(path, a, source)][:20]


def _beside(path: Path, attributes: str, source: str) -> bool:
    """Whether a source is a plain raster in the mosaic's own folder or below."""
    relative = re.search(r"relativeToVRT\s*=\s*[\"']1[\"']", attributes) is not None
    if not source or re.search(r"/vsi|://|[<>|\x00]|^\w{2,}:", source, re.IGNORECASE) or not relative:
        return False
    try:
        folder = path.parent.resolve()
        target = (folder / source).resolve()
        return target.suffix.lower() in _PLAIN and target.is_relative_to(folder) and target.is_file()
    except (OSError, ValueError):  # a name that no disk can hold
        return False


def _refused(name: str, found: str) -> Problem:
    return Problem(
        name, "terrain.file", found, "a mosaic of GeoTIFFs or ASCII grids beside it, named relative to it",
        "Build the mosaic in the folder of its tiles, or merge them into one GeoTIFF.",
    )
