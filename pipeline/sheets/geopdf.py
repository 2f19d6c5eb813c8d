"""Finishes a raw PDF: geographic viewports, structure tree, links, bookmarks, fixed dates.

The only module that knows the PDF object library. What is written follows ISO 32000-2
(12.10 geospatial features, 14.7 logical structure). Simple phone readers scan the bytes
for separate one-line objects, so section files are written without object streams.
"""

from __future__ import annotations

import io
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

import pikepdf
from pikepdf import Array, Dictionary, Name, Object, Pdf, String

from pipeline.sheets.draw import DrawnPage, draw
from pipeline.sheets.marks import GeoBox, GreyImage, Link, Page
from pipeline.sheets.structure import Numbers, append_structure

PRODUCER = "fallgrade"
_DEFLATE_LEVEL: Literal[2] = 2  # against the usual 6: a third of the time, a twentieth more bytes
# WGS 84 in the older WKT spelling that phone readers know
WGS84_WKT = (
    'GEOGCS["WGS 84",DATUM["WGS_1984",SPHEROID["WGS 84",6378137,298.257223563]],'
    'PRIMEM["Greenwich",0],UNIT["degree",0.0174532925199433]]'
)


@dataclass(frozen=True, slots=True)
class DocumentInfo:
    """What a PDF says about itself.

    ``date`` is YYYY-MM-DD; ``compact`` packs objects (the office book), which simple phone
    readers cannot follow.
    """

    title: str
    author: str
    subject: str
    language: str
    date: str
    compact: bool = False


def to_pdf(pages: Sequence[Page | DrawnPage], info: DocumentInfo) -> bytes:
    """Return the finished PDF of pages.

    Raises
    ------
    ValueError
        When there is no page.
    """
    drawing = draw(pages)
    pikepdf.settings.set_flate_compression_level(_DEFLATE_LEVEL)
    with pikepdf.open(io.BytesIO(drawing.pdf)) as pdf:
        gcs = pdf.make_indirect(Dictionary(Type=Name.GEOGCS, WKT=String(WGS84_WKT)))
        first_key = len(pages)
        for number, page in enumerate(drawing.pages):
            _add_viewports(pdf, number, page.geo, gcs)
            _add_images(pdf, number, page.images)
            _add_content(pdf, number, drawing.content[number])
            _add_links(pdf, number, page.links, first_key)
            first_key += len(page.links)
        pdf.Root.MarkInfo = Dictionary(Marked=True)
        pdf.Root.Lang = String(info.language)
        _add_outline(pdf, drawing.pages)
        _add_info(pdf, info)
        plain = _saved(pdf, compact=info.compact)
    with pikepdf.open(io.BytesIO(plain)) as pdf:
        numbers = _numbers(pdf)
    return append_structure(
        plain, numbers, [page.node for page in drawing.pages], info.language, compact=info.compact)


def _saved(pdf: Pdf, *, compact: bool) -> bytes:
    out = io.BytesIO()
    mode = pikepdf.ObjectStreamMode.generate if compact else pikepdf.ObjectStreamMode.disable
    pdf.save(
        out, min_version="1.7", deterministic_id=True, object_stream_mode=mode, compress_streams=True,
        stream_decode_level=pikepdf.StreamDecodeLevel.none,
    )
    return out.getvalue()


def _numbers(pdf: Pdf) -> Numbers:
    """Return the object numbers that the structure has to name."""
    return Numbers(
        size=int(pdf.trailer.Size), catalog=pdf.Root.objgen[0], catalog_text=pdf.Root.unparse(resolved=True).decode(),
        trailer_text=" ".join(
            f"{key} {pdf.trailer[key].unparse().decode('latin-1')}" for key in ("/Root", "/Info", "/ID")),
        pages=tuple(page.obj.objgen[0] for page in pdf.pages),
        links=tuple(tuple(a.objgen[0] for a in page.obj.get("/Annots", ())) for page in pdf.pages),
    )


def _geo_number(value: float) -> Object:
    # ten decimals: seven would cost 6 mm
    return pikepdf.Object.parse(f"{value:.10f}".encode())


def _add_viewports(pdf: Pdf, number: int, boxes: tuple[GeoBox, ...], gcs: Object) -> None:
    """Write /VP: corners upper left, lower left, lower right, upper right; BBox never inverted."""
    if not boxes:
        return
    views = []
    for box in boxes:
        r = box.rect
        measure = pdf.make_indirect(Dictionary(
            Type=Name.Measure, Subtype=Name.GEO, GCS=gcs,
            Bounds=Array([0, 1, 0, 0, 1, 0, 1, 1]), LPTS=Array([0, 1, 0, 0, 1, 0, 1, 1]),
            GPTS=Array([_geo_number(value) for corner in box.corners for value in corner]),
        ))
        views.append(pdf.make_indirect(Dictionary(
            Type=Name.Viewport, Name=String(box.name), Measure=measure,
            BBox=Array([_geo_number(v) for v in (r.x0, r.y0, r.x1, r.y1)]),
        )))
    pdf.pages[number].obj.VP = Array(views)


def _add_images(pdf: Pdf, number: int, images: tuple[GreyImage, ...]) -> None:
    if not images:
        return
    names = Dictionary()
    for i, image in enumerate(images):
        stream = pikepdf.Stream(
            pdf, zlib.compress(image.data, 6), Type=Name.XObject, Subtype=Name.Image, Width=image.columns,
            Height=image.rows, ColorSpace=Name.DeviceGray, BitsPerComponent=8, Filter=Name.FlateDecode,
        )
        names[f"/Grey{i}"] = pdf.make_indirect(stream)
    resources = pdf.pages[number].obj.Resources
    # the engine may share one dictionary between pages
    resources = Dictionary({str(key): value for key, value in resources.items()})
    resources.XObject = names
    pdf.pages[number].obj.Resources = resources


def _add_content(pdf: Pdf, number: int, content: bytes) -> None:
    page = pdf.pages[number].obj
    page.Contents = pdf.make_stream(content)
    page.StructParents = number
    page.Tabs = Name.S


def _add_links(pdf: Pdf, number: int, links: tuple[Link, ...], first_key: int) -> None:
    if links:
        pdf.pages[number].obj.Annots = Array([
            pdf.make_indirect(Dictionary(
                Type=Name.Annot, Subtype=Name.Link, Rect=Array([round(v, 2) for v in (r.x0, r.y0, r.x1, r.y1)]),
                Border=Array([0, 0, 0]), F=4, Contents=String(link.alt), A=Dictionary(S=Name.URI, URI=String(link.uri)),
                StructParent=key,
            ))
            for key, link in enumerate(links, start=first_key) for r in (link.rect,)
        ])


def _add_outline(pdf: Pdf, pages: Sequence[DrawnPage]) -> None:
    """One bookmark per section, one per sheet below it; pages of the whole plan stand by themselves."""
    many = len(dict.fromkeys(page.section_id for page in pages)) > 1
    with pdf.open_outline() as outline:
        heads: dict[str, Any] = {}
        for number, page in enumerate(pages):
            item = pikepdf.OutlineItem(page.title, number)
            if not many or not page.section_id:
                outline.root.append(item)
                continue
            if page.section_id not in heads:
                heads[page.section_id] = pikepdf.OutlineItem(page.section_id, number)
                outline.root.append(heads[page.section_id])
            heads[page.section_id].children.append(item)


def _add_info(pdf: Pdf, info: DocumentInfo) -> None:
    stamp = f"D:{info.date.replace('-', '')}000000Z" if info.date else ""
    entries = {
        "/Title": info.title, "/Author": info.author, "/Subject": info.subject, "/Producer": PRODUCER,
        "/Creator": PRODUCER, "/CreationDate": stamp, "/ModDate": stamp,
    }
    for key in list(pdf.docinfo.keys()):
        del pdf.docinfo[key]
    for key, value in entries.items():
        if value:
            pdf.docinfo[key] = String(value)
    pdf.Root.ViewerPreferences = Dictionary(DisplayDocTitle=True, PrintScaling=Name("/None"))
    pdf.Root.PageMode = Name.UseOutlines
