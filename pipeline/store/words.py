"""What growers write in their files: tags, numbers, diameters, states, column heads.

Pure functions over texts; nothing here opens a file. Column heads, units and
states are known in English and French (common practice, no source).
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass

from pipeline.units import IN_M

# centimetres in one of each spelling of a unit of diameter
CM_PER_UNIT: dict[str, float] = {
    "in": IN_M * 100.0, "inch": IN_M * 100.0, "inches": IN_M * 100.0, '"': IN_M * 100.0, "''": IN_M * 100.0,
    "”": IN_M * 100.0, "″": IN_M * 100.0, "po": IN_M * 100.0, "pouce": IN_M * 100.0, "pouces": IN_M * 100.0,
    "cm": 1.0, "mm": 0.1, "m": 100.0,
}

# Column heads by what they hold, folded (lower case, no accents, words joined by _),
# the surest first.
COLUMNS: dict[str, tuple[str, ...]] = {
    "id": (
        "tree_id", "tree_no", "tree_number", "tag", "tag_no", "tag_id", "tree_tag", "id", "etiquette",
        "numero", "no", "num", "number", "no_arbre", "id_arbre", "arbre", "tree", "label", "name", "nom",
        "title", "waypoint", "point", "point_id",
    ),
    "species": (
        "species", "species_name", "tree_species", "essence", "espece", "esp", "ess", "spp", "sp", "sorte",
    ),
    "dbh": (
        "dbh", "diameter", "diameter_at_breast_height", "dhp", "diametre", "diam", "diametre_hp", "dia",
    ),
    "girth": (
        "girth", "gbh", "cbh", "circumference", "circ", "circonference", "tour", "perimetre", "circonf",
    ),
    "status": (
        "status", "state", "condition", "etat", "statut", "health", "vigour", "vigor", "vigueur", "sante",
    ),
    "lon": ("lon", "long", "longitude", "lng", "gps_lon", "gps_longitude"),
    "lat": ("lat", "latitude", "gps_lat", "gps_latitude"),
    "x": ("x", "easting", "east", "utm_e", "utm_x", "est", "e", "coord_x", "x_coord", "point_x", "xcoord"),
    "y": ("y", "northing", "north", "utm_n", "utm_y", "nord", "n", "coord_y", "y_coord", "point_y", "ycoord"),
    "text": ("desc", "description", "cmt", "comment", "comments", "commentaire", "note", "notes", "remarque",
             "remarques"),
}
_UNIT_TAILS = ("in", "inch", "inches", "po", "pouces", "cm", "mm", "m", "ft", "deg", "dd", "wgs84")

# states growers write, folded -> the word the bush file uses
STATES: dict[str, str] = {
    "dead": "dead", "mort": "dead", "morte": "dead", "dying": "dying", "mourant": "dying", "deperissant": "dying",
    "cut": "cut", "felled": "cut", "coupe": "cut", "coupee": "cut", "abattu": "cut", "stump": "cut",
    "souche": "cut", "snag": "snag", "chicot": "snag",
    "alive": "alive", "live": "alive", "living": "alive", "vivant": "alive", "vivante": "alive", "ok": "alive",
    "good": "alive", "bon": "alive", "bonne": "alive", "healthy": "alive", "sain": "alive", "saine": "alive",
    "leaning": "leaning", "penche": "leaning", "hung": "hung", "encroue": "hung", "down": "down", "tombe": "down",
    "broken": "broken", "casse": "broken",
}

_NUMBER = r"[-+]?\d+(?:[.,]\d+)?"
_MEASURE = re.compile(
    rf"(?<![\w.,:/-])({_NUMBER})\s*(inches|inch|in\b|pouces|pouce|po\b|cm\b|mm\b|m\b|''|[\"”″])", re.IGNORECASE
)
_KEYED = re.compile(
    rf"\b(dbh|dhp|diameter|diam[eè]tre|diam|dia|girth|gbh|circumference|circonf[eé]rence|circ)\b\.?\s*[:=]?\s*"
    rf"({_NUMBER})\s*(inches|inch|in\b|pouces|pouce|po\b|cm\b|mm\b|m\b|''|[\"”″])?", re.IGNORECASE
)
_LONE = re.compile(rf"^\s*([^\d]*?)\s*(?<![\w-])({_NUMBER})\s*([^\d:/-]*)$")
_KEYS = re.compile(
    r"\b(species|esp[eè]ce|essence|status|state|[eé]tat|statut|dbh|dhp|diameter|diam[eè]tre|diam)\b\s*[:=]?",
    re.IGNORECASE,
)
_HIDDEN = re.compile(r"[\u0000-\u001f\u007f-\u009f\u200b-\u200f\u202a-\u202e\u2060-\u2069\ufeff\ud800-\udfff]")
LONGEST_TEXT = 120
# a number beside one of these counts things and is no diameter
_COUNTERS = frozenset({
    "tree", "trees", "arbre", "tag", "no", "nr", "num", "number", "numero", "plot", "placette", "row", "rang", "line",
    "ligne", "point", "wp", "wpt", "waypoint", "id", "photo", "page", "section", "lot", "stand", "taps", "tap",
    "entaille", "entailles", "stem", "stems", "tige", "tiges", "ft", "feet", "pieds", "pi", "min", "km",
})


def fold(text: str) -> str:
    """Return a text in lower case without accents, punctuation runs as one ``_``.

    Examples
    --------
    >>> fold("Érable à sucre")
    'erable_a_sucre'
    """
    plain = unicodedata.normalize("NFKD", text).casefold()
    plain = "".join(c for c in plain if not unicodedata.combining(c))
    return re.sub(r"[^0-9a-z]+", "_", plain).strip("_")


def clean(text: str, longest: int = LONGEST_TEXT) -> str:
    """Return a text fit for paper, GPX and file tables.

    Control characters, zero-width and direction marks go, white space becomes one
    blank, and a text over `longest` characters is cut and ends in an ellipsis.
    """
    seen = _HIDDEN.sub(lambda m: " " if m.group() in "\t\n\r" else "", unicodedata.normalize("NFC", text))
    seen = " ".join(seen.split())
    return seen if len(seen) <= longest else seen[: longest - 1] + "…"


def number(text: str) -> float:
    """Return the number a text holds, NaN when it holds none.

    A decimal comma is read as a point; blanks between digits are thousands marks.

    Examples
    --------
    >>> number("1 234,5")
    1234.5
    """
    plain = re.sub(r"(?<=\d)[\s\u00a0\u202f](?=\d{3}\b)", "", text.strip())
    if re.fullmatch(r"[-+]?(\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d{1,3})?", plain) is None:
        return math.nan
    value = float(plain.replace(",", "."))
    return value if math.isfinite(value) else math.nan


def degrees(text: str) -> float:
    r"""Return an angle in degrees from decimal degrees or degrees, minutes and seconds; NaN when neither.

    West, south and *ouest* count as negative.

    Examples
    --------
    >>> round(degrees("72° 54' 30\" W"), 6)
    -72.908333
    """
    plain = text.strip()
    match = re.fullmatch(
        r"([NSEWO]?)\s*([-+]?\d+(?:[.,]\d+)?)\s*°?\s*(?:(\d+(?:[.,]\d+)?)\s*['′’]?\s*)?"
        r"(?:(\d+(?:[.,]\d+)?)\s*(?:\"|″|”|'')?\s*)?([NSEWO]?)", plain, re.IGNORECASE,
    )
    if match is None:
        return number(plain)
    before, deg, minutes, seconds, after = match.groups()
    parts = [float(p.replace(",", ".")) if p else 0.0 for p in (deg, minutes, seconds)]
    value = abs(parts[0]) + parts[1] / 60.0 + parts[2] / 3600.0
    side = (before or after or "").upper()
    return -value if deg.startswith("-") or side in {"S", "W", "O"} else value


def unit_of_head(head: str) -> str:
    """Return the unit a column head carries (``"dbh_cm"``, ``"DBH (in)"``), ``""`` when none."""
    tail = fold(head).rsplit("_", 1)[-1]
    return tail if tail in CM_PER_UNIT and "_" in fold(head) else ""


def find_column(heads: Sequence[str], what: str) -> str:
    """Return the head of the column that holds `what` (a key of :data:`COLUMNS`), ``""`` when none does."""
    folded: dict[str, str] = {}
    for head in heads:
        key = fold(head)
        folded.setdefault(key, head)
        stem, _, tail = key.rpartition("_")
        if stem and tail in _UNIT_TAILS:
            folded.setdefault(stem, head)
    return next((folded[name] for name in COLUMNS[what] if name in folded), "")


@dataclass(frozen=True, slots=True)
class TreeText:
    """What a free text says about a tree; ``dbh_cm`` is NaN when it gives no diameter."""

    species: str
    dbh_cm: float
    state: str


def diameter_cm(text: str, unit: str) -> float:
    """Return a diameter in centimetres from a cell such as ``"14.5"``, ``"36 cm"`` or ``"14,5 po"``.

    A unit in the text wins over `unit`; NaN when there is no number.
    """
    value = number(text)
    if not math.isnan(value):
        return value * CM_PER_UNIT[unit]
    match = _MEASURE.fullmatch(text.strip())
    if match is None:
        return math.nan
    return float(match.group(1).replace(",", ".")) * CM_PER_UNIT[match.group(2).lower()]


def tree_text(text: str, unit: str, *, bare_number: bool = True) -> TreeText:
    """Read species, diameter and state from a waypoint's words.

    A number counts as a diameter when a unit follows it, when a word such as *dbh*
    stands before it, or when it is the only number among words that name a tree and
    lies between 1 and 300: a date, a time of day or "plot 7" never does. Girths are
    divided by pi.

    Parameters
    ----------
    text : str
        Such as ``"sugar maple 14.5 in"`` or ``"érable à sucre 36 cm mort"``.
    unit : str
        Unit of a number without one.
    bare_number : bool
        Whether a number without unit and key word may be the diameter.
    """
    rest, dbh_cm = _take_diameter(clean(text, 1000), unit, bare_number=bare_number)
    words = [w for w in re.split(r"[\s,;|/]+", _KEYS.sub(" ", rest)) if w.strip(" .:=()[]-")]
    states = [STATES[fold(w)] for w in words if fold(w) in STATES]
    kept = [w.strip(".:=()[]") for w in words if fold(w) not in STATES]
    return TreeText(clean(" ".join(kept)), dbh_cm, states[0] if states else "")


def _take_diameter(text: str, unit: str, *, bare_number: bool) -> tuple[str, float]:
    keyed = _KEYED.search(text)
    if keyed is not None:
        value = float(keyed.group(2).replace(",", ".")) * CM_PER_UNIT[(keyed.group(3) or unit).lower()]
        round_ = fold(keyed.group(1)) in COLUMNS["girth"]
        return _without(text, keyed), value / math.pi if round_ else value
    measure = _MEASURE.search(text)
    if measure is not None:
        value = float(measure.group(1).replace(",", "."))
        return _without(text, measure), value * CM_PER_UNIT[measure.group(2).lower()]
    lone = _LONE.match(text) if bare_number else None
    if lone is not None and _names_a_tree(f"{lone.group(1)} {lone.group(3)}"):
        value = float(lone.group(2).replace(",", "."))
        if 1.0 <= value <= 300.0:
            return f"{lone.group(1)} {lone.group(3)}", value * CM_PER_UNIT[unit]
    return text, math.nan


def _names_a_tree(text: str) -> bool:
    """Whether words can be a species: some letters, and no word that numbers things."""
    found = set(fold(text).split("_")) - {""}
    return any(len(w) > 1 for w in found) and not found & _COUNTERS


def _without(text: str, match: re.Match[str]) -> str:
    return f"{text[: match.start()]} {text[match.end():]}"
