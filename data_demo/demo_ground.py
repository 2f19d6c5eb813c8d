"""The invented hill of the demo woodlot: its shapes on the ground and its relief, in local metres."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.ndimage import gaussian_filter
from shapely.geometry import LineString, Polygon
from shapely.geometry.base import BaseGeometry

Floats = npt.NDArray[np.float64]
WIDTH_M, HEIGHT_M = 560, 480
TANK = (268.0, 34.0)
KETTLE = (452.0, 118.0)


# ---------------------------------------------------------------- shapes (local metres, x east, y north)


def stream_x(y: npt.ArrayLike) -> Floats:
    """Return where the draw's stream runs at a distance from the south edge."""
    y = np.asarray(y, dtype=np.float64)
    return 206.0 + 26.0 * np.sin(y / 92.0 + 0.6) + 0.085 * y + 6.0 * np.sin(y / 23.0) + 2.2 * np.sin(y / 8.7 + 1.0)


def road_y(x: npt.ArrayLike) -> Floats:
    """Return where the road runs at a distance from the west edge."""
    x = np.asarray(x, dtype=np.float64)
    return 15.0 + 4.0 * np.sin(x / 95.0 + 0.4)


def _line(points: list[tuple[float, float]], step: float = 8.0) -> LineString:
    """Return a rounded line through points (corners cut twice)."""
    xy = np.array(points)
    for _ in range(3):
        inner = np.empty((2 * (len(xy) - 1), 2))
        inner[0::2] = 0.75 * xy[:-1] + 0.25 * xy[1:]
        inner[1::2] = 0.25 * xy[:-1] + 0.75 * xy[1:]
        xy = np.vstack([xy[:1], inner, xy[-1:]])
    return LineString(xy).simplify(step / 40.0)


def blob(centre: tuple[float, float], radii: tuple[float, float], turn_deg: float, wobble: float) -> Polygon:
    """Return an uneven oval."""
    t = np.linspace(0.0, 2.0 * np.pi, 37)[:-1]
    r = 1.0 + wobble * (np.sin(3.0 * t + centre[0]) + 0.6 * np.sin(5.0 * t + centre[1]))
    x, y = radii[0] * r * np.cos(t), radii[1] * r * np.sin(t)
    a = np.radians(turn_deg)
    return Polygon(np.column_stack([
        centre[0] + x * np.cos(a) - y * np.sin(a), centre[1] + x * np.sin(a) + y * np.cos(a)
    ]))


@dataclass(frozen=True)
class Layers:
    """What lies on the ground, in local metres: (shape, name) by layer."""

    property: list[tuple[BaseGeometry, str]]
    wet: list[tuple[BaseGeometry, str]]
    stream: list[tuple[BaseGeometry, str]]
    road: list[tuple[BaseGeometry, str]]
    power_line: list[tuple[BaseGeometry, str]]
    trail: list[tuple[BaseGeometry, str]]

    def items(self) -> list[tuple[str, list[tuple[BaseGeometry, str]]]]:
        """Return the layers by name, in a fixed order."""
        names = ("property", "wet", "stream", "road", "power_line", "trail")
        return [(name, getattr(self, name)) for name in names]


def make_layers() -> Layers:
    """Return the ground layers."""
    xs = np.arange(16.0, 541.0, 12.0)
    south = [(float(x), float(y)) for x, y in zip(xs, road_y(xs), strict=True)]
    outline = Polygon([*south, (544.0, 210.0), (531.0, 462.0), (300.0, 470.0), (14.0, 452.0)])
    ys = np.arange(404.0, -0.1, -2.0)
    stream = LineString(np.column_stack([stream_x(ys), ys]))
    road_x = np.arange(0.0, 560.1, 8.0)
    road = LineString(np.column_stack([road_x, road_y(road_x)]))
    trail = _line([
        (283.0, 46.0), (322.0, 70.0), (372.0, 92.0), (398.0, 140.0), (420.0, 190.0), (468.0, 232.0),
        (452.0, 268.0), (380.0, 262.0), (300.0, 254.0), (226.0, 262.0), (160.0, 282.0), (96.0, 300.0),
        (60.0, 350.0), (88.0, 420.0), (120.0, 450.0),
    ])
    seep = blob((float(stream_x(268.0)) + 7.0, 270.0), (31.0, 17.0), 12.0, 0.10)
    lower = blob((float(stream_x(66.0)) - 4.0, 66.0), (12.0, 26.0), -14.0, 0.08)
    pocket = blob(KETTLE, (13.0, 10.0), 20.0, 0.08)
    return Layers(
        property=[(outline, "Kettle Ledge Bush")],
        wet=[(seep, "seep on the bench"), (lower, "alders by the stream"), (pocket, "kettle bottom")],
        stream=[(stream, "Bench Brook")],
        road=[(road, "Example Road")],
        power_line=[(LineString([(0.0, 88.0), (62.0, 56.0), (128.0, 24.0), (176.0, 0.0)]), "overhead line")],
        trail=[(trail, "skid trail")],
    )


# ---------------------------------------------------------------- relief


def noise(rng: np.random.Generator, shape: tuple[int, int], length_m: float, sigma_m: float) -> Floats:
    """Return correlated noise with a given standard deviation."""
    raw = gaussian_filter(rng.standard_normal((shape[0] + 120, shape[1] + 120)), length_m)[60:-60, 60:-60]
    return np.asarray(raw / raw.std() * sigma_m, dtype=np.float64)


def _hill(x: Floats, y: Floats) -> Floats:
    """Return the smooth hill: foot slope, lower slope, bench, upper slope, ridge."""
    turn = y + 10.0 * np.sin(x / 130.0)
    knots_y = [-40.0, 0.0, 40.0, 95.0, 165.0, 238.0, 290.0, 370.0, 425.0, 452.0, 475.0, 520.0]
    knots_z = [-2.0, 0.0, 2.6, 8.8, 19.6, 31.8, 34.6, 47.4, 56.8, 59.2, 58.4, 53.5]
    fine = np.arange(-40.0, 521.0)
    profile = gaussian_filter(np.interp(fine, knots_y, knots_z), 7.0)
    z = np.interp(turn, fine, profile)
    # the slope opens like a shallow bowl towards the landing
    fade = np.clip(1.0 - (y - 40.0) / 430.0, 0.15, 1.0)
    z = z + fade * 0.052 * (np.sqrt((x - 250.0) ** 2 + 45.0**2) - 45.0)
    # a spur east of the draw and a rocky knob on the west side
    z = z + 2.4 * np.exp(-(((x - 352.0) / 46.0) ** 2) - ((y - 175.0) / 85.0) ** 2)
    z = z + 3.0 * np.exp(-(((x - 92.0) / 38.0) ** 2) - ((y - 205.0) / 40.0) ** 2)
    return np.asarray(z, dtype=np.float64)


def _draw(x: Floats, y: Floats) -> Floats:
    """Return the draw's depth: shallow at the ridge, deepest on the lower slope, shallow across the bench."""
    depth = np.interp(y, [0.0, 60.0, 150.0, 225.0, 270.0, 330.0, 400.0, 445.0],
                      [2.2, 3.4, 5.2, 4.6, 2.6, 4.2, 2.4, 0.2])
    width = np.interp(y, [0.0, 120.0, 270.0, 440.0], [24.0, 24.0, 32.0, 20.0])
    off = x - stream_x(y)
    side = 160.0 + 0.55 * (y - 250.0)  # a dry side draw on the west side
    second = 1.7 * np.exp(-(((x - side + 40.0) / 15.0) ** 2)) * np.clip((y - 230.0) / 60.0, 0.0, 1.0)
    return np.asarray(depth * np.exp(-np.abs(off / width) ** 1.7) + second * np.clip((430 - y) / 60, 0, 1))


def _kettle(x: Floats, y: Floats, z: Floats) -> Floats:
    """Return the ground with a closed hollow in it, its floor 6.5 m below its lowest way out."""
    u, v = x - KETTLE[0], y - KETTLE[1]
    turn = np.arctan2(v, u)
    r = np.hypot(u / 41.0, v / 33.0) / (1.0 + 0.09 * np.sin(2.0 * turn + 0.7) + 0.06 * np.sin(3.0 * turn + 2.0))
    level = float(np.median(z[(r > 0.8) & (r < 1.0)]))
    # a low gravel ridge closes the downhill side
    ridge = np.exp(-(((r - 1.12) / 0.34) ** 2)) * np.clip(0.55 - v / 60.0, 0.0, 1.0)
    z = z + ridge * np.clip(level + 0.8 - z, 0.0, 6.0)
    weight = _inside((r - 0.82) / 0.085)
    return _even_out(z, level - 6.5 + 4.2 * np.clip(r, 0.0, 1.3) ** 2, weight)


def _humps(rng: np.random.Generator, x: Floats, y: Floats) -> Floats:
    """Return boulders, and pillows with the cradles their root plates left."""
    z = np.zeros_like(x)
    for _ in range(170):
        cx, cy = rng.uniform(5.0, WIDTH_M - 5.0), rng.uniform(45.0, HEIGHT_M - 5.0)
        kind = rng.random()
        height = rng.uniform(0.5, 1.3) if kind < 0.45 else rng.uniform(0.25, 0.55)
        size = rng.uniform(0.8, 1.7) if kind < 0.45 else rng.uniform(1.0, 1.8)
        r0, r1 = int(max(HEIGHT_M - cy - 12, 0)), int(min(HEIGHT_M - cy + 12, HEIGHT_M))
        c0, c1 = int(max(cx - 12, 0)), int(min(cx + 12, WIDTH_M))
        part = np.s_[r0:r1, c0:c1]
        d2 = (x[part] - cx) ** 2 + (y[part] - cy) ** 2
        z[part] += height * np.exp(-d2 / (2.0 * size**2 / 2.0))
        if kind >= 0.45:  # the cradle lies uphill of its pillow
            d2 = (x[part] - cx) ** 2 + (y[part] - cy - 2.0) ** 2
            z[part] -= 0.8 * height * np.exp(-d2 / (2.0 * size**2 / 2.0))
    return z


def _even_out(z: Floats, target: Floats, weight: Floats) -> Floats:
    """Return the ground drawn towards a target where the weight is 1."""
    return np.asarray(z * (1.0 - weight) + target * weight, dtype=np.float64)


def _inside(distance: Floats) -> Floats:
    """Return 1 well inside (negative), 0 well outside, smooth in between."""
    return np.asarray(0.5 - 0.5 * np.tanh(distance / 2.0), dtype=np.float64)


def _road_and_landing(x: Floats, y: Floats, z: Floats) -> Floats:
    """Return the ground with the road's bed and the landing graded into it."""
    along = np.arange(WIDTH_M)
    rows = np.clip((HEIGHT_M - 0.5 - road_y(along + 0.5)).astype(int), 0, HEIGHT_M - 1)
    bed = gaussian_filter(z[rows, along], 22.0, mode="nearest")[None, :].repeat(HEIGHT_M, axis=0)
    z = _even_out(z, bed, _inside((np.abs(y - road_y(x)) - 4.5) / 0.8))
    pad = np.maximum(np.abs(x - TANK[0] - 6.0) / 19.0, np.abs(y - TANK[1] - 1.0) / 9.5)
    level = float(z[int(HEIGHT_M - TANK[1]), int(TANK[0])])
    return _even_out(z, np.full_like(z, level - 0.25) + 0.012 * (y - TANK[1]), _inside((pad - 1.0) / 0.06))


def _stream_bed(x: Floats, y: Floats, z: Floats) -> Floats:
    """Return the ground with a channel cut along the stream that falls all the way."""
    ys = np.arange(412.0, -1.0, -0.5)
    rows = np.clip((HEIGHT_M - ys - 0.5).astype(int), 0, HEIGHT_M - 1)
    cols = np.clip(stream_x(ys).astype(int), 0, WIDTH_M - 1)
    ground = gaussian_filter(z[rows, cols], 6.0)
    bed = np.minimum.accumulate(ground - np.interp(ys, [0.0, 200.0, 410.0], [0.9, 0.7, 0.1]))
    bed_here = np.interp(y[:, 0], ys[::-1], bed[::-1])[:, None]
    slant = np.gradient(stream_x(y[:, 0]), y[:, 0])[:, None]
    off = np.abs(x - stream_x(y)) / np.sqrt(1.0 + slant**2)
    weight = np.exp(-((off / 1.7) ** 4)) * np.clip((410.0 - y) / 14.0, 0.0, 1.0)
    weight = weight * np.clip(np.abs(y - road_y(x)) / 3.0 - 1.2, 0.0, 1.0)  # a culvert under the road
    return np.where(z > bed_here, _even_out(z, np.broadcast_to(bed_here, z.shape), weight), z)


def make_relief(rng: np.random.Generator) -> Floats:
    """Return ground elevations in metres, row 0 in the north, 1 m cells, rounded to centimetres."""
    x, y = np.meshgrid(np.arange(WIDTH_M) + 0.5, HEIGHT_M - np.arange(HEIGHT_M) - 0.5)
    shape = (HEIGHT_M, WIDTH_M)
    z = _hill(x, y) - _draw(x, y)
    calm = np.clip((y - 50.0) / 60.0, 0.0, 1.0)
    z += calm * (noise(rng, shape, 24.0, 0.75) + noise(rng, shape, 9.0, 0.22))
    z = _kettle(x, y, z)
    z = z + noise(rng, shape, 2.4, 0.085) + noise(rng, shape, 1.0, 0.035) + _humps(rng, x, y)
    # short ledges under the ridge: steps of a metre or so, broken along their length
    for centre, drop in ((338.0, 1.1), (402.0, 1.5)):
        wavy = y - centre - 9.0 * np.sin(x / 41.0) - 0.03 * x
        broken = np.clip(np.sin(x / 27.0 + centre) + 0.6 * np.sin(x / 11.0) - 0.2, 0.0, 1.0)
        z += drop * broken * (np.tanh(wavy / 2.4) - np.tanh((wavy - 16.0) / 12.0)) / 2.0
    z = _road_and_landing(x, y, _stream_bed(x, y, z))
    return np.round(z + 386.0, 2)
