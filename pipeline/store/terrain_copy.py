"""Opens rasters, and keeps the plan folder's copy of the working terrain."""

from __future__ import annotations

import contextlib
import json
import sys
import warnings
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any

import numpy as np
import pyproj
import rasterio
from rasterio._err import CPLE_BaseError
from rasterio.errors import NotGeoreferencedWarning, RasterioError, RasterioIOError
from rasterio.transform import Affine

from pipeline.errors import InputDataError, OutputError, Problem
from pipeline.frame import Frame
from pipeline.terrain.grid import Terrain

# overflow: numbers of a damaged georeference that are infinite once they are put to use; what the raster library's
# own C layer complains of does not always come as one of its public errors
BROKEN = (
    RasterioError, RasterioIOError, CPLE_BaseError, ValueError, OverflowError, OSError, pyproj.exceptions.ProjError,
)


@contextlib.contextmanager
def _unheard() -> Iterator[None]:
    """Keep quiet the tracebacks that the raster library prints when a damaged file makes it say words in no UTF-8."""
    unraisable, uncaught = sys.unraisablehook, sys.excepthook

    def listen(what: sys.UnraisableHookArgs) -> None:
        if not isinstance(what.exc_value, UnicodeDecodeError):
            unraisable(what)

    def listen_too(kind: type[BaseException], value: BaseException, trace: TracebackType | None) -> None:
        # the library prints its fault by this hook too; nothing of ours ever ends here while a raster is open
        if not isinstance(value, UnicodeDecodeError):
            uncaught(kind, value, trace)

    sys.unraisablehook, sys.excepthook = listen, listen_too
    try:
        yield
    finally:
        sys.unraisablehook, sys.excepthook = unraisable, uncaught


@contextlib.contextmanager
def opened(path: Path, driver: str = "GTiff") -> Iterator[Any]:
    """Open a raster with one driver only, and without a way to the network."""
    with _unheard(), warnings.catch_warnings():
        # a raster without a place is dealt with below, in words
        warnings.simplefilter("ignore", NotGeoreferencedWarning)
        with rasterio.Env(
            GTIFF_REPORT_COMPD_CS="YES", GDAL_DISABLE_READDIR_ON_OPEN="FALSE", GDAL_VRT_ENABLE_PYTHON="NO",
            CPL_VSIL_CURL_ALLOWED_FILENAME="none", GDAL_PAM_ENABLED="YES",
        ), rasterio.open(path, driver=driver) as source:
            yield source


def write_terrain(path: Path, terrain: Terrain) -> None:
    """Write the working terrain as a GeoTIFF from which :func:`read_terrain_copy` restores it exactly.

    Raises
    ------
    OutputError
    """
    rows, cols = terrain.shape
    west, _, _, north = terrain.bounds
    exact = {
        "x0_m": terrain.x0_m, "y0_m": terrain.y0_m, "cell_m": terrain.cell_m, "source": terrain.source,
        "vertical_error_m": terrain.vertical_error_m, "crs_wkt": terrain.frame.crs_wkt,
        "name": terrain.frame.name, "vertical": terrain.frame.vertical,
    }
    try:
        with rasterio.Env(GDAL_PAM_ENABLED="NO"), rasterio.open(
            path, "w", driver="GTiff", width=cols, height=rows, count=1, dtype="float32", nodata=float("nan"),
            crs=terrain.frame.crs_wkt or None, transform=Affine(terrain.cell_m, 0.0, west, 0.0, -terrain.cell_m, north),
            compress="deflate", predictor=3, tiled=cols >= 256 and rows >= 256, num_threads=1,
        ) as target:
            target.write(terrain.z_m.astype(np.float32, copy=False), 1)
            target.set_band_unit(1, "metre")
            target.update_tags(fallgrade=json.dumps(exact, sort_keys=True))
    except (RasterioError, OSError) as fault:
        raise OutputError([Problem(
            path.name, "", f"a file that could not be written ({fault})", "room and permission",
            "Free disk space or choose another folder.",
        )]) from fault


def read_terrain_copy(path: Path) -> Terrain:
    """Return the terrain that :func:`write_terrain` wrote.

    Raises
    ------
    InputDataError
    """
    try:
        with opened(path) as source:
            exact = json.loads(source.tags()["fallgrade"])
            z = source.read(1).astype(np.float32, copy=False)
        frame = Frame(exact["crs_wkt"], exact["name"], exact["vertical"])
        places = (float(exact["x0_m"]), float(exact["y0_m"]), float(exact["cell_m"]))
        if not np.isfinite(places).all() or places[2] <= 0.0:
            raise ValueError(f"no place of cells: {places}")
        return Terrain(
            z_m=z, x0_m=places[0], y0_m=places[1], cell_m=places[2], frame=frame,
            vertical_error_m=float(exact["vertical_error_m"]), source=str(exact["source"]),
        )
    except (*BROKEN, KeyError, TypeError, RecursionError) as fault:
        raise InputDataError([Problem(
            path.name, "", f"a terrain copy that cannot be read ({fault})", "the terrain.tif a plan wrote",
            "Plan again; the folder was changed by another program.",
        )]) from fault
