"""Places and directions as people in the woods use them.

US National Grid after FGDC-STD-011-2001; degrees and decimal minutes for aircraft;
``geo:`` addresses after RFC 5870; magnetic declination from the World Magnetic Model.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date as calendar_date
from functools import cache

import numpy as np
import pyproj
from pygeomag import GeoMag
from pygeomag.wmm.wmm_2020 import WMM_2020
from pygeomag.wmm.wmm_2025 import WMM_2025

from pipeline.frame import Frame

_BANDS = "CDEFGHJKLMNPQRSTUVWX"
_COLUMNS = ("ABCDEFGH", "JKLMNPQR", "STUVWXYZ")
_ROWS = "ABCDEFGHJKLMNPQRSTUV"
_MODELS = ((2020.0, "WMM2020", WMM_2020), (2025.0, "WMM2025", WMM_2025))
_MODEL_YEARS = 5.0  # the model's published life


@cache
def _utm(epsg: int) -> pyproj.Transformer:
    return pyproj.Transformer.from_crs("EPSG:4326", f"EPSG:{epsg}", always_xy=True)


@cache
def _ellipsoid() -> pyproj.Geod:
    return pyproj.Geod(ellps="WGS84")


def utm_zone(lon_deg: float, lat_deg: float) -> int:
    """Return the UTM zone of a point, with the exceptions of south-west Norway and Svalbard."""
    zone = min(int((lon_deg + 180.0) // 6.0) + 1, 60)
    if 56.0 <= lat_deg < 64.0 and 3.0 <= lon_deg < 12.0:
        return 32
    if 72.0 <= lat_deg <= 84.0 and 0.0 <= lon_deg < 42.0:
        return next(z for z, edge in ((31, 9.0), (33, 21.0), (35, 33.0), (37, 42.0)) if lon_deg < edge)
    return zone


@dataclass(frozen=True, slots=True)
class GridReference:
    """A US National Grid place: zone and band, square, easting and northing in metres inside it."""

    zone: str  # "18T"
    square: str  # "XP"
    easting: int
    northing: int

    def text(self, digits: int = 5) -> str:
        """Return ``18T XP 67362 97722``; fewer digits are cut, never rounded, as the standard says."""
        step = 10 ** (5 - digits)
        return f"{self.zone} {self.square} {self.easting // step:0{digits}d} {self.northing // step:0{digits}d}"


def usng(lon_deg: float, lat_deg: float) -> GridReference:
    """Return the US National Grid reference of a WGS 84 place (FGDC-STD-011-2001).

    Raises
    ------
    ValueError
        Outside 80° south to 84° north, where the grid is not defined.
    """
    if not -80.0 <= lat_deg <= 84.0:
        raise ValueError(f"the grid ends at 80 S and 84 N; latitude is {lat_deg}")
    zone = utm_zone(lon_deg, lat_deg)
    band = _BANDS[min(int((lat_deg + 80.0) // 8.0), 19)]
    x, y = _utm((32600 if lat_deg >= 0.0 else 32700) + zone).transform(lon_deg, lat_deg)
    # a millimetre below a whole metre is the metre: the transform is no better than that
    easting, northing = math.floor(x + 1e-3), math.floor(y + 1e-3)
    column = _COLUMNS[(zone - 1) % 3][easting // 100_000 - 1]
    row = _ROWS[(northing // 100_000 + (0 if zone % 2 else 5)) % 20]
    return GridReference(f"{zone}{band}", column + row, easting % 100_000, northing % 100_000)


def minutes(lon_deg: float, lat_deg: float) -> tuple[str, str]:
    """Return latitude and longitude in degrees and decimal minutes (``44° 12.811′ N``)."""
    return _minutes(lat_deg, "N", "S", 2), _minutes(lon_deg, "E", "W", 3)


def _minutes(value: float, plus: str, minus: str, width: int) -> str:
    thousandths = round(abs(value) * 60_000.0)
    degrees, rest = divmod(thousandths, 60_000)
    return f"{degrees:0{width}d}° {rest / 1000.0:06.3f}′ {plus if value >= 0 else minus}"


def decimal(value_deg: float) -> str:
    """Return a latitude or longitude in decimal degrees, to about a tenth of a metre."""
    return f"{value_deg:.6f}"


def geo_uri(lon_deg: float, lat_deg: float) -> str:
    """Return the RFC 5870 address of a WGS 84 place, to about a metre: short, so that its code is coarse.

    Examples
    --------
    >>> geo_uri(-72.904991, 44.213519)
    'geo:44.21352,-72.90499'
    """
    return f"geo:{lat_deg:.5f},{lon_deg:.5f}"


def geo_uri_fine(lon_deg: float, lat_deg: float) -> str:
    """Return the RFC 5870 address of a WGS 84 place with the decimals that are printed in tables."""
    return f"geo:{lat_deg:.6f},{lon_deg:.6f}"


@dataclass(frozen=True, slots=True)
class Declination:
    """Magnetic north against true north, east positive, and its yearly change."""

    angle_deg: float
    change_min_per_year: float
    model: str


@cache
def declination(lon_deg: float, lat_deg: float, height_m: float, date: str) -> Declination | None:
    """Return the declination of a place on a day (YYYY-MM-DD) from the World Magnetic Model.

    ``None`` when the day is not known or lies outside the models' published years, or where
    the field is too flat for a compass: then nothing may be printed but "not checked".
    """
    if not date or not all(math.isfinite(v) for v in (lon_deg, lat_deg)):
        return None
    day = calendar_date.fromisoformat(date)
    start = calendar_date(day.year, 1, 1)
    year = day.year + (day - start).days / (calendar_date(day.year + 1, 1, 1) - start).days
    for first, name, table in _MODELS:
        if first <= year < first + _MODEL_YEARS:
            model = GeoMag(coefficients_data=table)
            height_km = height_m / 1000.0 if math.isfinite(height_m) else 0.0
            now = model.calculate(lat_deg, lon_deg, height_km, year)
            if now.in_blackout_zone:
                return None
            # the model's change is linear in time: half a year inside its life is enough
            step = 0.5 if year + 0.5 < first + _MODEL_YEARS else -0.5
            then = model.calculate(lat_deg, lon_deg, height_km, year + step)
            return Declination(float(now.d), float(then.d - now.d) / step * 60.0, name)
    return None


def convergence_deg(frame: Frame, x_m: float, y_m: float) -> float:
    """Return the angle from true north to grid north at a place, clockwise positive; 0 for a local grid.

    Found from two points a hundred metres apart on the grid's north line.
    """
    if not frame.on_earth:
        return 0.0
    lon, lat = frame.lonlat([x_m, x_m], [y_m - 50.0, y_m + 50.0])
    azimuth, _, _ = _ellipsoid().inv(float(lon[0]), float(lat[0]), float(lon[1]), float(lat[1]))
    return float(azimuth)


def true_bearing_deg(frame: Frame, start: tuple[float, float], end: tuple[float, float]) -> float:
    """Return the true bearing from one plan point to another, 0 to 360 degrees."""
    grid = math.degrees(math.atan2(end[0] - start[0], end[1] - start[1]))
    return (grid + convergence_deg(frame, *start)) % 360.0


def magnetic_bearing_deg(true_deg: float, place: Declination) -> float:
    """Return what a compass without adjustment shows for a true bearing."""
    return (true_deg - place.angle_deg) % 360.0


def corners_lonlat(frame: Frame, points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """Return (latitude, longitude) of plan points."""
    xy = np.array(points)
    lon, lat = frame.lonlat(xy[:, 0], xy[:, 1])
    return [(float(a), float(b)) for a, b in zip(lat, lon, strict=True)]
