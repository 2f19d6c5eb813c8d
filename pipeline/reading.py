"""Reads everything a bush file names; what is wrong with any of it comes in one error."""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TypeVar

import pyproj
import shapely

from pipeline.errors import InputDataError, Problem
from pipeline.findings import Finding
from pipeline.frame import Frame
from pipeline.records import CollectionPoint, GroundLayer, Pins, SurveyPoints
from pipeline.resources import template_rows
from pipeline.settings import Settings
from pipeline.store import bush as store_bush
from pipeline.store import inputs as store_inputs
from pipeline.store import layers, prices, rasters, vectors
from pipeline.terrain.grid import Terrain

Report = Callable[[str, float], None]
_T = TypeVar("_T")
STAND_IN_FRAME = Frame("", "", "")


def quiet(message: str, share: float) -> None:
    """Report nothing."""


@dataclass(frozen=True, slots=True, eq=False)
class Inputs:
    """Everything read from disk for one plan."""

    settings: Settings
    terrain: Terrain
    points: SurveyPoints
    layers: tuple[GroundLayer, ...]
    pins: Pins
    collections: tuple[CollectionPoint, ...]
    hashes: dict[str, str]
    findings: tuple[Finding, ...]
    prices: tuple[dict[str, str], ...] = field(default_factory=lambda: tuple(template_rows("prices.csv")))


def read_settings(bush: Path) -> Settings:
    """Return the settings of a bush file, its date filled in.

    Raises
    ------
    BushFileError
        When the file is missing, is no UTF-8 text, or has problems.
    """
    settings = store_bush.read_settings(bush)
    if settings.bush.date:
        return settings
    return dataclasses.replace(settings, bush=dataclasses.replace(settings.bush, date=store_bush.today()))


def in_tag_order(points: SurveyPoints) -> SurveyPoints:
    """Return the survey sorted by tag, position and what else a row holds, so that the order of rows means nothing.

    Numbers in tags count as numbers: T9 comes before T10.
    """

    def key(i: int) -> tuple[object, ...]:
        parts = re.split(r"([0-9]+)", points.tree_id[i])
        tag = tuple((0, int(p), "") if p.isascii() and p.isdigit() else (1, 0, p) for p in parts if p)
        numbers = (float(points.x_m[i]), float(points.y_m[i]), float(points.dbh_cm[i]))
        known = tuple((math.isnan(v), 0.0 if math.isnan(v) else v) for v in numbers)
        return tag, points.tree_id[i], known, points.species[i], points.state[i], int(points.row[i])

    order = sorted(range(len(points.tree_id)), key=key)
    return dataclasses.replace(
        points, tree_id=tuple(points.tree_id[i] for i in order), species=tuple(points.species[i] for i in order),
        state=tuple(points.state[i] for i in order), x_m=points.x_m[order], y_m=points.y_m[order],
        dbh_cm=points.dbh_cm[order], row=points.row[order],
    )


def in_shape_order(layer: GroundLayer) -> GroundLayer:
    """Return a ground layer sorted by name and shape, so that the order of its rows means nothing."""
    order = sorted(range(len(layer.shapes)), key=lambda i: (layer.names[i], shapely.to_wkb(layer.shapes[i])))
    return dataclasses.replace(layer, shapes=tuple(layer.shapes[i] for i in order),
                               names=tuple(layer.names[i] for i in order))


def _stand_in(settings: Settings) -> Frame:
    """Return a frame in place of the terrain's: somewhere on Earth, unless the bush file says that it is a local grid.

    A local grid would make every layer with a CRS look wrong.
    """
    if settings.terrain.crs.strip().lower() == "local":
        return STAND_IN_FRAME
    return Frame(pyproj.CRS.from_epsg(4326).to_wkt(), "WGS 84", "")


class _Gather:
    """Runs readers one after another and keeps what each complains of, so that one error names it all."""

    def __init__(self, report: Report) -> None:
        self.report = report
        self.problems: list[Problem] = []

    def read(self, message: str, share: float, reader: Callable[[], _T]) -> _T | None:
        """Return what the reader returns, or None after it complained."""
        self.report(message, share)
        try:
            return reader()
        except InputDataError as error:
            self.problems += error.problems
            return None


def read_inputs(bush: Path, report: Report = quiet) -> Inputs:
    """Read everything a bush file names; every problem of every file comes in one error.

    Raises
    ------
    BushFileError, InputDataError
    """
    settings = read_settings(bush)
    base = bush.parent
    gather = _Gather(report)
    bounds = gather.read("looking where the trees are", 0.0, lambda: vectors.tree_lonlat_bounds(settings, base))
    land = gather.read("reading the terrain", 0.01, lambda: rasters.read_terrain_report(settings, base, bounds))
    # without terrain the other files are still read, in a stand-in frame, for what is wrong with them
    frame = land[0].frame if land else _stand_in(settings)
    points = gather.read("reading the trees", 0.02, lambda: vectors.read_trees_report(settings, base, frame))
    around = gather.read("reading the ground", 0.03, lambda: layers.read_ground_report(settings, base, frame))
    price_rows = gather.read("reading the prices", 0.04, lambda: prices.read_prices(settings, base))
    if land is None:
        raise InputDataError(gather.problems)
    terrain = land[0]
    pins = gather.read("reading the pins", 0.04, lambda: layers.read_pins(settings, base, frame, terrain))
    places = gather.read("placing the tank", 0.04, lambda: layers.read_collections(settings, frame, terrain))
    if points is None or around is None or pins is None or places is None or price_rows is None:
        raise InputDataError(gather.problems)
    return Inputs(settings, terrain, in_tag_order(points[0]), tuple(map(in_shape_order, around[0])), pins, places,
                  store_inputs.hash_inputs(settings, base), (*land[1], *points[1], *around[1]), price_rows)
