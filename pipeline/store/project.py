"""Brings coordinates of any CRS into the plan's frame, and notices swapped or mirrored ones."""

from __future__ import annotations

from functools import cache, lru_cache

import numpy as np
import numpy.typing as npt
import pyproj
from pyproj.exceptions import CRSError

from pipeline.errors import Problem
from pipeline.findings import Finding
from pipeline.frame import Frame

Floats = npt.NDArray[np.float64]
# farther than this from the frame's own region a position is certainly wrong, degrees
_FAR_DEG = 10.0


@lru_cache(maxsize=64)
def parse_crs(text: str) -> pyproj.CRS | None:
    """Return the CRS a text names, None when it names none."""
    try:
        return pyproj.CRS.from_user_input(text.strip())
    except (CRSError, ValueError):
        return None


def to_frame(
    first: Floats, second: Floats, crs_text: str, frame: Frame, file: str
) -> tuple[Floats, Floats, list[Problem], list[Finding]]:
    """Return plan coordinates of positions.

    Parameters
    ----------
    first, second : float array
        Longitude or x, latitude or y (x east always first).
    crs_text : str
        Their CRS; ``""`` means that they are in the plan's frame already.
    frame : Frame
        The plan's frame.
    file : str
        For messages.

    Returns
    -------
    x_m, y_m : float array
        NaN where a position cannot be brought into the frame.
    problems, findings
        A problem when most positions look swapped or mirrored.
    """
    ok = np.isfinite(first) & np.isfinite(second)
    if not crs_text or not frame.on_earth:
        x, y = np.where(ok, first, np.nan), np.where(ok, second, np.nan)
        return x, y, [], _assumed(crs_text, frame, file)
    source = parse_crs(crs_text)
    if source is None:
        return first, second, [Problem(
            file, "CRS", repr(crs_text[:60]), "a CRS such as EPSG:26918",
            "Look the EPSG code up in the program that made the file.",
        )], []
    target = pyproj.CRS.from_wkt(frame.crs_wkt)
    if source.is_geographic:
        ok &= (np.abs(first) <= 360.0) & (np.abs(second) <= 90.0)
    x, y = _transform(first, second, ok, source, target)
    problems, findings = _suspicions(first, second, ok & ~np.isfinite(x), source, target, file)
    return x, y, problems, findings


def _transform(
    first: Floats, second: Floats, ok: npt.NDArray[np.bool_], source: pyproj.CRS, target: pyproj.CRS
) -> tuple[Floats, Floats]:
    x, y = np.full(first.shape, np.nan), np.full(first.shape, np.nan)
    if ok.any():
        one = transformer(source, target)
        x[ok], y[ok] = one.transform(first[ok], second[ok])
        lost = ~np.isfinite(x) | ~np.isfinite(y) | _far(x, y, target)
        x[lost] = y[lost] = np.nan
    return x, y


@lru_cache(maxsize=64)
def transformer(source: pyproj.CRS, target: pyproj.CRS) -> pyproj.Transformer:
    """Return what brings x (east, or longitude) and y from one CRS into another."""
    return pyproj.Transformer.from_crs(source, target, always_xy=True)


@cache
def _region(crs_wkt: str) -> tuple[float, float, float, float] | None:
    """Return the west, south, east, north of the region a CRS is made for, from the register where its text has none.

    What a raster says of its CRS mostly lacks the region.
    """
    crs = pyproj.CRS.from_wkt(crs_wkt)
    if crs.area_of_use is not None:
        return crs.area_of_use.bounds
    code = crs.to_2d().to_epsg(min_confidence=25)
    if code is None and crs.is_compound:
        code = crs.sub_crs_list[0].to_epsg(min_confidence=25)
    area = pyproj.CRS.from_epsg(code).area_of_use if code is not None else None
    return None if area is None else area.bounds


def _far(x: Floats, y: Floats, target: pyproj.CRS) -> npt.NDArray[np.bool_]:
    """Whether positions lie far outside the region the frame is made for."""
    area = _region(target.to_wkt())
    if area is None:
        return np.zeros(x.shape, dtype=np.bool_)
    west, south, east, north = area
    back = pyproj.Transformer.from_crs(target, "EPSG:4326", always_xy=True)
    lon, lat = back.transform(x, y)
    outside = (
        (lon < west - _FAR_DEG) | (lon > east + _FAR_DEG) | (lat < south - _FAR_DEG) | (lat > north + _FAR_DEG)
        | ~np.isfinite(lon)
    )
    # regions across the date line have west > east; they are taken as they are
    return outside if west <= east else np.zeros(x.shape, dtype=np.bool_)


def _suspicions(
    first: Floats, second: Floats, lost: npt.NDArray[np.bool_], source: pyproj.CRS, target: pyproj.CRS, file: str
) -> tuple[list[Problem], list[Finding]]:
    """Return what the lost positions would be if they were swapped, or mirrored to the other hemisphere."""
    near_zero = (np.abs(first) < 1e-9) & (np.abs(second) < 1e-9)
    tries = {
        "LONLAT_SWAPPED": ("longitude and latitude swapped", second, first),
        "LON_SIGN": ("the minus sign of the longitude missing", -first, second),
        "LAT_SIGN": ("the minus sign of the latitude missing", first, -second),
    }
    lost = lost | ((np.abs(first) > 90.0) & (np.abs(second) > 90.0) & source.is_geographic)
    lost = lost | (source.is_geographic & (np.abs(second) > 90.0) & (np.abs(first) <= 90.0))
    if not source.is_geographic or not lost.any():
        return [], []
    for code, (what, a, b) in tries.items():
        valid = lost & ~near_zero & (np.abs(a) <= 180.0) & (np.abs(b) <= 90.0)
        x, _ = _transform(a, b, valid, source, target)
        count = int(np.isfinite(x).sum())
        if count > 0.5 * first.size:
            return [Problem(
                file, "positions", f"{what} in {count} of {first.size} rows",
                "longitude east and latitude north of the woodlot",
                "Swap the two columns." if code == "LONLAT_SWAPPED" else "Longitudes west of Greenwich are negative.",
            )], []
        if count:
            return [], [Finding(
                code, "check", "trees", "", float(count), 0.0, "trees",
                f"{count} positions would lie in the region of the terrain with {what}.",
                "Mend these rows; they are set aside until then.",
            )]
    return [], []


def _assumed(crs_text: str, frame: Frame, file: str) -> list[Finding]:
    if crs_text or not frame.on_earth:
        return []
    return [Finding(
        "CRS_ASSUMED", "check", "plan", "", None, None, "",
        f"{file} does not say its CRS; x and y were taken as {frame.name}.",
        "Set the CRS in the bush file (trees.crs), or save the file with its CRS.",
    )]
