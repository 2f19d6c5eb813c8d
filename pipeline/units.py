"""Quantities with units at the rim; SI everywhere inside.

``parse`` turns a text such as ``"5 ft"``, ``"2 %"`` or ``"25 inHg"`` into SI.
:class:`Units` prints SI values the way the reader of a sheet thinks.

Internal units: metre, square metre, litre, litre per minute, kilopascal,
newton, cubic metre per second (air), percent for grades, degree for angles,
hour for labour. Factors are exact by definition (NIST SP 811, appendix B)
unless a comment says otherwise.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

FT_M = 0.3048
US_SURVEY_FT_M = 1200.0 / 3937.0
IN_M = 0.0254
GAL_L = 3.785411784
LBF_N = 4.4482216152605
LB_KG = 0.45359237
INHG_KPA = 3.386389  # conventional inch of mercury, NIST SP 811 B.8
CFM_M3_S = FT_M**3 / 60.0
ACRE_M2 = 4046.8564224  # international acre: 43,560 square international feet

System = Literal["us", "metric"]
Kind = Literal[
    "length", "grade", "angle", "volume", "flow", "vacuum", "force", "air", "ratio", "time", "duration_min"
]

# unit spelling -> factor to SI, by kind of quantity
FACTORS: dict[Kind, dict[str, float]] = {
    "length": {
        "m": 1.0, "cm": 0.01, "mm": 0.001, "km": 1000.0, "ft": FT_M, "'": FT_M,
        "in": IN_M, '"': IN_M, "us-ft": US_SURVEY_FT_M, "yd": 3 * FT_M, "mi": 5280 * FT_M,
    },
    "grade": {"%": 1.0},
    "angle": {"deg": 1.0, "°": 1.0},
    "volume": {"l": 1.0, "gal": GAL_L},
    "flow": {"gal/h": GAL_L / 60.0, "l/h": 1.0 / 60.0, "l/min": 1.0, "gal/min": GAL_L},
    "vacuum": {"inhg": INHG_KPA, "kpa": 1.0},
    "force": {"n": 1.0, "lbf": LBF_N},
    "air": {"cfm": CFM_M3_S, "m3/s": 1.0, "m3/h": 1.0 / 3600.0, "l/s": 0.001, "l/min": 0.001 / 60.0},
    "ratio": {"%": 0.01, "": 1.0},
    "time": {"h": 1.0, "min": 1.0 / 60.0},
    "duration_min": {"min": 1.0, "h": 60.0},
}

_QUANTITY = re.compile(r"^\s*([-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?)\s*([^\s\d].*?)?\s*$")


def parse(text: str, kind: Kind) -> float:
    """Return the SI value of a quantity text.

    Parameters
    ----------
    text : str
        A number and a unit, ``"5 ft"``; a decimal comma is read as a point.
    kind : str
        Which quantity is meant; see :data:`FACTORS`.

    Raises
    ------
    ValueError
        When the text is no number with a unit of this kind; the message names the units that would do.

    Examples
    --------
    >>> parse("5 ft", "length")
    1.524
    >>> round(parse("25 inHg", "vacuum"), 2)
    84.66
    """
    known = FACTORS[kind]
    match = _QUANTITY.match(text)
    unit = ((match.group(2) or "") if match else "").lower()
    if match is None or unit not in known:
        wanted = ", ".join(repr(u) if u == "" else u for u in known)
        raise ValueError(f"{text!r} is no {kind}; write a number and one of these units: {wanted}")
    value = float(match.group(1).replace(",", ".")) * known[unit]
    if not math.isfinite(value):
        raise ValueError(f"{text!r} is not a finite {kind}")
    return value


def station_text(station_m: float, system: System) -> str:
    """Return a station as crews write it: ``1+25`` (feet) or ``0+038`` (metres).

    Examples
    --------
    >>> station_text(38.1, "us")
    '1+25.0'
    >>> station_text(1038.1, "metric")
    '1+038.1'
    """
    if system == "us":
        tenths = round(station_m / FT_M * 10)
        hundreds, rest = divmod(tenths, 1000)
        return f"{hundreds}+{rest / 10:04.1f}"
    tenths = round(station_m * 10)
    kilometres, rest = divmod(tenths, 10000)
    return f"{kilometres}+{rest / 10:05.1f}"


def feet_inches(length_m: float) -> str:
    """Return a length in feet and inches to the nearest half inch, as a tape reads.

    Examples
    --------
    >>> print(feet_inches(1.2192))
    4'-0"
    >>> print(feet_inches(1.245))
    4'-1"
    """
    halves = round(length_m / IN_M * 2)
    feet, rest = divmod(halves, 24)
    inches, half = divmod(rest, 2)
    return f"{feet}'-{inches}{'½' if half else ''}\""


@dataclass(frozen=True, slots=True)
class Units:
    """Prints SI values in one system of units; the only place that knows both.

    Methods named after a quantity return text with its unit; the ``*_value``
    methods return the bare number for table columns, whose unit stands in the
    column head (``*_unit``).
    """

    system: System = "us"

    @property
    def is_us(self) -> bool:
        """Whether feet, inches, US gallons and inHg are printed."""
        return self.system == "us"

    @property
    def length_unit(self) -> str:
        """Unit of lengths and heights."""
        return "ft" if self.is_us else "m"

    @property
    def flow_unit(self) -> str:
        """Unit of sap flow."""
        return "gal/h" if self.is_us else "L/min"

    @property
    def vacuum_unit(self) -> str:
        """Unit of vacuum (gauge, positive)."""
        return "inHg" if self.is_us else "kPa"

    @property
    def diameter_unit(self) -> str:
        """Unit of tree and pipe diameters."""
        return "in" if self.is_us else "cm"

    @property
    def volume_unit(self) -> str:
        """Unit of liquid volumes."""
        return "gal" if self.is_us else "L"

    @property
    def air_unit(self) -> str:
        """Unit of air flow."""
        return "cfm" if self.is_us else "m³/h"

    def length_value(self, length_m: float, digits: int = 0) -> str:
        """Return a length without its unit."""
        return f"{length_m / FT_M if self.is_us else length_m:,.{digits}f}"

    def length(self, length_m: float, digits: int = 0) -> str:
        """Return a length with its unit."""
        return f"{self.length_value(length_m, digits)} {self.length_unit}"

    def height_value(self, height_m: float) -> str:
        """Return a height above ground: tenths of a foot, or centimetres as metres."""
        return f"{height_m / FT_M:.1f}" if self.is_us else f"{height_m:.2f}"

    def height(self, height_m: float) -> str:
        """Return a height above ground with its unit."""
        return f"{self.height_value(height_m)} {self.length_unit}"

    def elevation_value(self, z_m: float) -> str:
        """Return an elevation without its unit."""
        return f"{z_m / FT_M:.1f}" if self.is_us else f"{z_m:.2f}"

    def station(self, station_m: float) -> str:
        """Return a station text."""
        return station_text(station_m, self.system)

    def flow_value(self, flow_l_min: float) -> str:
        """Return a sap flow without its unit."""
        return f"{flow_l_min * 60.0 / GAL_L:,.0f}" if self.is_us else f"{flow_l_min:,.1f}"

    def flow(self, flow_l_min: float) -> str:
        """Return a sap flow with its unit."""
        return f"{self.flow_value(flow_l_min)} {self.flow_unit}"

    def vacuum_value(self, vacuum_kpa: float) -> str:
        """Return a vacuum without its unit."""
        return f"{vacuum_kpa / INHG_KPA:.1f}" if self.is_us else f"{vacuum_kpa:.1f}"

    def vacuum(self, vacuum_kpa: float) -> str:
        """Return a vacuum with its unit."""
        return f"{self.vacuum_value(vacuum_kpa)} {self.vacuum_unit}"

    def diameter_value(self, dbh_cm: float) -> str:
        """Return a tree diameter without its unit."""
        return f"{dbh_cm * 0.01 / IN_M:.1f}" if self.is_us else f"{dbh_cm:.0f}"

    def volume(self, volume_l: float) -> str:
        """Return a liquid volume with its unit."""
        return f"{volume_l / GAL_L if self.is_us else volume_l:,.0f} {self.volume_unit}"

    def air(self, air_m3_s: float) -> str:
        """Return an air flow (free air) with its unit."""
        value = air_m3_s / CFM_M3_S if self.is_us else air_m3_s * 3600.0
        return f"{value:,.1f} {self.air_unit}"

    def force(self, force_n: float) -> str:
        """Return a wire tension with its unit."""
        return f"{force_n / LBF_N:,.0f} lbf" if self.is_us else f"{force_n:,.0f} N"


def slope_both(grade_pct: float) -> str:
    """Return a ground slope in percent and degrees, because crews mix the two up.

    Examples
    --------
    >>> slope_both(25.0)
    '25 % (14°)'
    """
    return f"{grade_pct:.0f} % ({math.degrees(math.atan(grade_pct / 100.0)):.0f}°)"
