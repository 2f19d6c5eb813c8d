"""How the layers of ``plan.gpkg`` look in a desktop GIS: shapes tell things apart, colour only helps.

Our own look: mainlines heavy and dark, laterals thin; served trees filled, trees set
aside hollow, trees not tapped a small cross.
"""

from __future__ import annotations

from dataclasses import dataclass
from xml.sax.saxutils import quoteattr

INK = "38,34,30,255"
BARK = "96,72,50,255"
SAP = "176,92,20,255"
PALE = "255,253,248,255"
WATER = "52,104,140,255"
CAUTION = "168,40,40,255"
CLEAR = "0,0,0,0"


@dataclass(frozen=True, slots=True)
class Look:
    """One symbol: a marker, a line or a fill with its options."""

    kind: str  # marker, line or fill
    layer_class: str
    options: tuple[tuple[str, str], ...]


def _marker(name: str, size_mm: float, fill: str, outline: str = INK, width_mm: float = 0.3) -> Look:
    return Look("marker", "SimpleMarker", (
        ("color", fill), ("name", name), ("outline_color", outline), ("outline_style", "solid"),
        ("outline_width", f"{width_mm}"), ("outline_width_unit", "MM"), ("size", f"{size_mm}"), ("size_unit", "MM"),
    ))


def _line(width_mm: float, colour: str = INK, dash: str = "solid") -> Look:
    return Look("line", "SimpleLine", (
        ("capstyle", "round"), ("joinstyle", "round"), ("line_color", colour), ("line_style", dash),
        ("line_width", f"{width_mm}"), ("line_width_unit", "MM"),
    ))


def _fill(colour: str, outline: str, width_mm: float, dash: str = "solid") -> Look:
    return Look("fill", "SimpleFill", (
        ("color", colour), ("outline_color", outline), ("outline_style", dash), ("outline_width", f"{width_mm}"),
        ("outline_width_unit", "MM"), ("style", "no" if colour == CLEAR else "solid"),
    ))


# layer -> (column to tell apart by, or "", and look per value)
LOOKS: dict[str, tuple[str, tuple[tuple[str, Look], ...]]] = {
    "trees": ("status", (
        ("served", _marker("circle", 1.8, SAP)), ("set_aside", _marker("circle", 1.8, CLEAR)),
        ("not_tapped", _marker("cross2", 1.2, CLEAR, BARK)),
    )),
    "laterals": ("", (("", _line(0.3, BARK)),)),
    "mainlines": ("", (("", _line(1.1)),)),
    "pipes": ("role", (
        ("single", _line(0.7)), ("wet", _line(0.7)), ("dry", _line(0.7, BARK, "dash")),
    )),
    "supports": ("kind", (
        ("tree", _marker("triangle", 2.2, PALE)), ("post", _marker("square", 2.0, PALE)),
        ("anchor", _marker("diamond", 2.8, INK)),
    )),
    "sections": ("", (("", _fill(CLEAR, BARK, 0.5, "dash dot")),)),
    "collection": ("", (("", _marker("star", 5.0, SAP, INK, 0.5)),)),
    "crossings": ("", (("", _marker("cross", 3.0, CLEAR, CAUTION, 0.6)),)),
}
_FALLBACK: dict[str, str] = {"Point": "marker", "LineString Z": "line", "Polygon": "fill"}


def _symbol(name: str, look: Look) -> str:
    options = "".join(f"<Option name={quoteattr(k)} type=\"QString\" value={quoteattr(v)}/>" for k, v in look.options)
    return (
        f"<symbol name={quoteattr(name)} type=\"{look.kind}\" alpha=\"1\" clip_to_extent=\"1\" force_rhr=\"0\">"
        f"<layer class=\"{look.layer_class}\" enabled=\"1\" pass=\"0\" locked=\"0\">"
        f"<Option type=\"Map\">{options}</Option></layer></symbol>"
    )


def qml(layer: str) -> str:
    """Return the style document of a layer, ``""`` for a layer without one."""
    if layer not in LOOKS:
        return ""
    column, values = LOOKS[layer]
    symbols = "".join(_symbol(str(i), look) for i, (_, look) in enumerate(values))
    if not column:
        renderer = (
            "<renderer-v2 type=\"singleSymbol\" symbollevels=\"0\" forceraster=\"0\">"
            f"<symbols>{symbols}</symbols>"
        )
    else:
        categories = "".join(
            f"<category symbol=\"{i}\" value={quoteattr(value)} label={quoteattr(value.replace('_', ' '))} "
            "render=\"true\"/>"
            for i, (value, _) in enumerate(values)
        )
        renderer = (
            f"<renderer-v2 type=\"categorizedSymbol\" attr={quoteattr(column)} symbollevels=\"0\" forceraster=\"0\">"
            f"<categories>{categories}</categories><symbols>{symbols}</symbols>"
        )
    return (
        "<!DOCTYPE qgis PUBLIC 'http://mrcc.com/qgis.dtd' 'SYSTEM'>"
        f"<qgis styleCategories=\"Symbology\" version=\"3.28.0\">{renderer}</renderer-v2></qgis>"
    )
