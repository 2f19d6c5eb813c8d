"""The plan's coordinate frame: one projected metric CRS, and its way to longitude and latitude."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import numpy.typing as npt
import pyproj

Floats = npt.NDArray[np.float64]


@cache
def _to_lonlat(crs_wkt: str) -> pyproj.Transformer:
    return pyproj.Transformer.from_crs(pyproj.CRS.from_wkt(crs_wkt), "EPSG:4326", always_xy=True)


@dataclass(frozen=True, slots=True)
class Frame:
    """Where a plan lies.

    Parameters
    ----------
    crs_wkt : str
        WKT of a projected CRS in metres; ``""`` for a local grid without a place on Earth.
    name : str
        Name as printed on sheets (``"WGS 84 / UTM zone 18N"``).
    vertical : str
        Vertical datum as printed; says so when the data do not.
    """

    crs_wkt: str
    name: str
    vertical: str

    @property
    def on_earth(self) -> bool:
        """Whether longitude and latitude exist for this frame."""
        return bool(self.crs_wkt)

    def lonlat(self, x_m: npt.ArrayLike, y_m: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Return WGS 84 longitude and latitude in degrees; NaN for a local grid."""
        x = np.asarray(x_m, dtype=np.float64)
        y = np.asarray(y_m, dtype=np.float64)
        if not self.on_earth:
            return np.full(x.shape, np.nan), np.full(y.shape, np.nan)
        lon, lat = _to_lonlat(self.crs_wkt).transform(x, y)
        return np.asarray(lon, dtype=np.float64), np.asarray(lat, dtype=np.float64)

    def from_lonlat(self, lon_deg: npt.ArrayLike, lat_deg: npt.ArrayLike) -> tuple[Floats, Floats]:
        """Return plan coordinates in metres of WGS 84 longitude and latitude.

        Raises
        ------
        ValueError
            When the frame is a local grid.
        """
        if not self.on_earth:
            raise ValueError("a local grid has no longitude and latitude")
        x, y = _to_lonlat(self.crs_wkt).transform(
            np.asarray(lon_deg, dtype=np.float64), np.asarray(lat_deg, dtype=np.float64), direction="INVERSE"
        )
        return np.asarray(x, dtype=np.float64), np.asarray(y, dtype=np.float64)

    def convergence_deg(self, x_m: float, y_m: float) -> float:
        """Return the angle from true north to grid north, clockwise positive; 0 for a local grid."""
        if not self.on_earth:
            return 0.0
        lon, lat = self.lonlat(x_m, y_m)
        factors = pyproj.Proj(pyproj.CRS.from_wkt(self.crs_wkt)).get_factors(float(lon), float(lat))
        return float(factors.meridian_convergence)


def utm_frame(lon_deg: float, lat_deg: float, vertical: str) -> Frame:
    """Return the WGS 84 / UTM frame of the zone that holds a point."""
    zone = min(int((lon_deg + 180.0) // 6.0) + 1, 60)
    crs = pyproj.CRS.from_epsg((32600 if lat_deg >= 0 else 32700) + zone)
    return Frame(crs_wkt=crs.to_wkt(), name=crs.name, vertical=vertical)
