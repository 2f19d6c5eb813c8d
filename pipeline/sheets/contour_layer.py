"""Contours of a map window: smooth to look at, labelled, and never closer than they can be read."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import cast

import contourpy
import numpy as np
import numpy.typing as npt
import shapely
from scipy import ndimage

from pipeline.sheets.labels import LabelField
from pipeline.sheets.mapview import MapView
from pipeline.sheets.marks import Mark, Polyline, Rect, Text
from pipeline.sheets.text import width_pt
from pipeline.terrain.grid import Terrain
from pipeline.units import FT_M

Floats = npt.NDArray[np.float64]

MINOR, INDEX = "#8a7a63", "#5a4a34"
_LEAST_GAP_PT = 0.12 * 72.0  # median distance between contours on paper
_SMOOTH_M = 1.8  # display only: standard deviation of the smoothing
_INTERVALS_FT = (1, 2, 5, 10, 20, 50, 100)
_INTERVALS_M = (0.5, 1, 2, 5, 10, 20, 50)
_FIGURE_PT = 7.0
_CELL_PT = 3.6  # terrain is thinned to about this on paper before it is contoured


@dataclass(frozen=True, slots=True)
class Contours:
    """Contour marks and what the key says about them; steps are in printed units."""

    marks: tuple[Mark, ...]
    index_lines: tuple[tuple[float, Floats], ...]  # printed elevation, page points
    minor_lines: tuple[Floats, ...]
    step: float
    index: float


def window(terrain: Terrain, view: MapView, margin_m: float = 6.0) -> tuple[Floats, Floats, Floats]:
    """Return columns' x, rows' y and elevations of the terrain under a view, thinned to what paper can show."""
    west, south, east, north = view.window_m()
    row0, col0 = terrain.rowcol(west - margin_m, north + margin_m)
    row1, col1 = terrain.rowcol(east + margin_m, south - margin_m)
    rows, cols = terrain.shape
    stride = max(1, round(_CELL_PT / (terrain.cell_m * view.pt_per_m)))
    rr = np.arange(max(0, int(row0)), min(rows, int(row1) + 2), stride)
    cc = np.arange(max(0, int(col0)), min(cols, int(col1) + 2), stride)
    x, _ = terrain.xy(np.zeros(len(cc)), cc)
    _, y = terrain.xy(rr, np.zeros(len(rr)))
    return x, y, terrain.z_m[rr[:, np.newaxis], cc].astype(np.float64)


def smooth(z_m: Floats, sigma_cells: float) -> Floats:
    """Return elevations smoothed for display; cells without ground stay without."""
    known = np.isfinite(z_m)
    if known.all():
        return np.asarray(ndimage.gaussian_filter(z_m, sigma_cells, mode="nearest"))
    level = float(z_m[known].mean()) if known.any() else 0.0
    weight = ndimage.gaussian_filter(known.astype(np.float64), sigma_cells, mode="nearest")
    total = ndimage.gaussian_filter(np.where(known, z_m - level, 0.0), sigma_cells, mode="nearest")
    return np.where(known, total / np.maximum(weight, 1e-9) + level, np.nan)


def interval(z_m: Floats, cell_m: float, pt_per_m: float, *, us: bool) -> float:
    """Return the contour interval in printed units: the finest whose median distance can be read."""
    dy, dx = np.gradient(z_m, cell_m)
    slope = np.hypot(dx, dy)
    slope = slope[np.isfinite(slope)]
    median = float(np.median(slope)) if slope.size else 0.0
    choices, unit = (_INTERVALS_FT, FT_M) if us else (_INTERVALS_M, 1.0)
    for step in choices:
        if median <= 0.0 or step * unit / median * pt_per_m >= _LEAST_GAP_PT:
            return float(step)
    return float(choices[-1])


def contours(terrain: Terrain, view: MapView, *, us: bool) -> Contours:
    """Return the contours of a view, clipped to its frame."""
    x, y, z = window(terrain, view)
    if min(z.shape) < 2 or not np.isfinite(z).any():
        return Contours((), (), (), 0.0, 0.0)
    cell = abs(float(x[1] - x[0]))
    z = smooth(z, max(0.6, _SMOOTH_M / cell))
    step = interval(z, cell, view.pt_per_m, us=us)
    unit = FT_M if us else 1.0
    low, high = math.ceil(np.nanmin(z) / (step * unit)), math.floor(np.nanmax(z) / (step * unit))
    generator = contourpy.contour_generator(
        x, y, np.ma.masked_invalid(z), line_type=contourpy.LineType.Separate
    )
    levels = np.arange(low, high + 1)
    index_lines: list[tuple[float, Floats]] = []
    minor_lines: list[Floats] = []
    for k, part in _lines(generator, levels, step * unit, view):
        if k % 5 == 0:
            index_lines.append((k * step, part))
        else:
            minor_lines.append(part)
    marks: list[Mark] = []
    for lines, width, color in ((minor_lines, 0.4, MINOR), ([p for _, p in index_lines], 0.85, INDEX)):
        if lines:
            parts = tuple(tuple((a, b) for a, b in np.round(line, 1).tolist()) for line in lines)
            marks.append(Polyline(parts, width, color))
    return Contours(tuple(marks), tuple(index_lines), tuple(minor_lines), step, step * 5)


def _lines(
    generator: contourpy.ContourGenerator, levels: npt.NDArray[np.int64], step_m: float, view: MapView
) -> list[tuple[int, Floats]]:
    """Return (level, page points) of all contours, simplified and cut to the frame in one go."""
    found: list[Floats] = []
    level_of: list[int] = []
    for k in levels.tolist():
        lines = cast("list[Floats]", generator.lines(k * step_m))
        found += lines
        level_of += [k] * len(lines)
    if not found:
        return []
    which = np.repeat(np.arange(len(found)), [len(line) for line in found])
    joined = shapely.linestrings(view.page(np.concatenate(found)), indices=which)
    # plain Douglas-Peucker: contours this close to their own shape cannot come to cross
    shapes = shapely.simplify(joined, 0.18, preserve_topology=False)
    r = view.rect
    parts, source = shapely.get_parts(shapely.clip_by_rect(shapes, r.x0, r.y0, r.x1, r.y1), return_index=True)
    keep = (shapely.get_type_id(parts) == 1) & (shapely.length(parts) > 3.0)
    parts, source = parts[keep], source[keep]
    points, owner = shapely.get_coordinates(parts, return_index=True)
    cuts = np.searchsorted(owner, np.arange(1, len(parts)))
    return [(level_of[k], part) for k, part in zip(source.tolist(), np.split(points, cuts), strict=True)]


def figures(
    found: Contours, field: LabelField, apart_pt: float = 170.0, say: Callable[[str], str] = str
) -> list[Mark]:
    """Return elevations, spelled by `say`, along the index contours where there is room, heads uphill ignored."""
    marks: list[Mark] = []
    for value, line in found.index_lines:
        length = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))))
        text = say(f"{value:g}")
        wide = width_pt(text, _FIGURE_PT, bold=True)
        if length[-1] < 3.0 * wide:
            continue
        last = -apart_pt
        for at in np.arange(wide, length[-1] - wide, 11.0):
            if at - last < apart_pt:
                continue
            mark = _figure(text, line, length, float(at), wide, field)
            if mark is not None:
                marks.append(mark)
                last = float(at)
    return marks


def _figure(
    text: str, line: Floats, length: Floats, at: float, wide: float, field: LabelField
) -> Text | None:
    ends = np.array([at - wide * 0.6, at, at + wide * 0.6])
    px, py = np.interp(ends, length, line[:, 0]), np.interp(ends, length, line[:, 1])
    angle = math.degrees(math.atan2(py[2] - py[0], px[2] - px[0]))
    if math.hypot(px[1] - (px[0] + px[2]) / 2.0, py[1] - (py[0] + py[2]) / 2.0) > 1.6:
        return None
    if angle > 90.0 or angle <= -90.0:
        angle += 180.0 if angle <= -90.0 else -180.0
    c, s = abs(math.cos(math.radians(angle))), abs(math.sin(math.radians(angle)))
    half_w, half_h = (wide * c + _FIGURE_PT * s) / 2.0 + 1.0, (wide * s + _FIGURE_PT * c) / 2.0 + 1.0
    x, y = float(px[1]), float(py[1])
    box = Rect(x - half_w, y - half_h, x + half_w, y + half_h)
    cost = float(field.costs(np.array([box.x0]), np.array([box.y0]), box.width, box.height)[0])
    # only contours may lie under a figure: four points of soft cost are theirs
    if cost > box.width * box.height * 0.9 or not field.free(box):
        return None
    field.take(box)
    turn = math.radians(angle)
    down = _FIGURE_PT * 0.36
    return Text(
        x + math.sin(turn) * down, y - math.cos(turn) * down, text, _FIGURE_PT, bold=True, align="center",
        angle_deg=angle, halo_pt=1.4, tag="contour",
    )
