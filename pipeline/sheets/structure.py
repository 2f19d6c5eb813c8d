"""Writes the structure tree of a document as text, appended to its finished PDF.

A set of sheets has a thousand table cells; made one by one through an object library they cost
cost more than all the drawing. The text follows ISO 32000-2: 7.5.6 (incremental updates), 7.5.7 and
7.5.8 (object and cross-reference streams) and 14.7 (logical structure).
"""

from __future__ import annotations

import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import accumulate

import numpy as np

from pipeline.sheets.draw import StructureNode

_DEFLATE_LEVEL = 2
_IN_STREAM = 200  # objects in one object stream
_ENTRY = np.dtype([("kind", "u1"), ("where", ">u4"), ("index", ">u2")])
_ATTRIBUTES = {"TH": " /A << /O /Table /Scope /Column >>"}


@dataclass(frozen=True, slots=True)
class Numbers:
    """Object numbers of a finished PDF.

    Parameters
    ----------
    size : int
        One more than the highest.
    catalog : int
        The document catalog.
    catalog_text : str
        Its dictionary as written, without the structure.
    trailer_text : str
        The entries of the trailer that every update repeats.
    pages : tuple of int
        The pages, in order.
    links : tuple of tuples of int
        Link annotations by page. They are numbered through from the number of pages on: that is
        the key (``/StructParent``) under which each finds its structure element.
    """

    size: int
    catalog: int
    catalog_text: str
    trailer_text: str
    pages: tuple[int, ...]
    links: tuple[tuple[int, ...], ...]


def text_string(text: str) -> str:
    """Return a text as a PDF string: plain where ASCII will do, else UTF-16 in hexadecimal."""
    if text.isascii() and text.isprintable():
        return "(" + text.replace("\\", r"\\").replace("(", r"\(").replace(")", r"\)") + ")"
    return f"<FEFF{text.encode('utf-16-be').hex().upper()}>"


@dataclass(slots=True)
class _Writer:
    """Numbers objects as they are begun; the parent of every marked content is noted by page."""

    numbers: Numbers
    next_no: int
    objects: dict[int, str] = field(default_factory=dict)
    parents: list[dict[int, int]] = field(default_factory=list)
    linked: dict[int, int] = field(default_factory=dict)  # structure element of each link annotation

    def number(self) -> int:
        self.next_no += 1
        return self.next_no - 1

    def element(self, node: StructureNode, page_no: int, parent: int) -> int:
        """Write a node of a page and all below it; return its number."""
        own = self.number()
        kids = [f"{self.element(child, page_no, own)} 0 R" for child in node.children]
        for mcid in node.content:
            kids.append(str(mcid))
            self.parents[page_no][mcid] = own
        kids += [f"{self.link(page_no, i, own)} 0 R" for i in node.links]
        alt = f" /Alt {text_string(node.alt)}" if node.alt else ""
        page = f" /Pg {self.numbers.pages[page_no]} 0 R" if node.content else ""
        # /Type is optional for structure elements: a tenth of their bytes
        self.objects[own] = (
            f"<< /S /{node.role} /P {parent} 0 R{page}{alt}{_ATTRIBUTES.get(node.role, '')} /K [ {' '.join(kids)} ] >>"
        )
        return own

    def link(self, page_no: int, index: int, parent: int) -> int:
        """Write the structure element of a link; return its number."""
        annotation, page = self.numbers.links[page_no][index], self.numbers.pages[page_no]
        own = self.number()
        self.objects[own] = (
            f"<< /S /Link /P {parent} 0 R /Pg {page} 0 R"
            f" /K [ << /Type /OBJR /Obj {annotation} 0 R /Pg {page} 0 R >> ] >>"
        )
        self.linked[annotation] = own
        return own


def append_structure(
    pdf: bytes, numbers: Numbers, nodes: Sequence[StructureNode], language: str, *, compact: bool = False
) -> bytes:
    """Return a PDF with a structure tree added.

    Parameters
    ----------
    pdf : bytes
        A PDF with one classic cross-reference table, or with one cross-reference stream when `compact`.
    numbers : Numbers
        Of its objects.
    nodes : sequence of StructureNode
        One per page, as :func:`pipeline.sheets.draw.draw` found them.
    language : str
        Of the words in it.
    compact : bool
        Whether the objects are packed into streams, which simple phone readers cannot follow.
    """
    writer = _Writer(numbers, numbers.size, parents=[{} for _ in numbers.pages])
    root, document = writer.number(), writer.number()
    kids = " ".join(f"{writer.element(node, page_no, document)} 0 R" for page_no, node in enumerate(nodes))
    writer.objects[document] = (
        f"<< /S /Document /P {root} 0 R /Lang {text_string(language)} /K [ {kids} ] >>"
    )
    keys = []
    for i, parents in enumerate(writer.parents):
        of_page = writer.number()
        writer.objects[of_page] = f"[ {' '.join(f'{parents[mcid]} 0 R' for mcid in sorted(parents))} ]"
        keys.append(f"{i} {of_page} 0 R")
    links = [annotation for page in numbers.links for annotation in page]
    keys += [f"{key} {writer.linked[no]} 0 R" for key, no in enumerate(links, start=len(numbers.pages))]
    tree = writer.number()
    writer.objects[tree] = f"<< /Nums [ {' '.join(keys)} ] >>"
    writer.objects[root] = (
        f"<< /Type /StructTreeRoot /K [ {document} 0 R ] /ParentTree {tree} 0 R"
        f" /ParentTreeNextKey {len(numbers.pages) + len(links)} >>"
    )
    catalog = numbers.catalog_text.strip().removesuffix(">>")
    writer.objects[numbers.catalog] = f"{catalog} /StructTreeRoot {root} 0 R >>"
    return (_packed if compact else _appended)(pdf, numbers, writer.objects)


def _packed(pdf: bytes, numbers: Numbers, objects: Mapping[int, str]) -> bytes:
    """Return a PDF with objects added behind it in object streams, the catalog in place of the earlier one."""
    previous = int(pdf[pdf.rindex(b"startxref") + len(b"startxref"):].split()[0])
    order = [numbers.catalog, *range(numbers.size, numbers.size + len(objects) - 1)]
    entries: list[tuple[int, int, int]] = []  # as 7.5.8.3: kind, then stream and index of a packed object, or offset
    streams: list[tuple[int, int, int]] = []
    parts, at, number = [pdf], len(pdf), numbers.size + len(objects) - 1
    for k in range(0, len(order), _IN_STREAM):
        held = order[k: k + _IN_STREAM]
        texts = [objects[no] + "\n" for no in held]
        starts = accumulate((len(text) for text in texts[:-1]), initial=0)
        head = " ".join(f"{no} {start}" for no, start in zip(held, starts, strict=True)) + "\n"
        keys = f"/Type /ObjStm /N {len(held)} /First {len(head)}"
        parts.append(_stream(number, keys, (head + "".join(texts)).encode("ascii")))
        entries += [(2, number, index) for index in range(len(held))]
        streams.append((1, at, 0))
        at, number = at + len(parts[-1]), number + 1
    rows = np.array([*entries, *streams, (1, at, 0)], dtype=_ENTRY).view(np.uint8).reshape(-1, _ENTRY.itemsize)
    # each row less the one above it (PNG's filter 2): like rows pack to next to nothing
    change = np.diff(rows, axis=0, prepend=np.zeros_like(rows[:1]))
    keys = (
        f"/Type /XRef /Size {number + 1} /W [ 1 4 2 ] /Prev {previous} {numbers.trailer_text}"
        f" /Index [ {numbers.catalog} 1 {numbers.size} {number + 1 - numbers.size} ]"
        f" /DecodeParms << /Predictor 12 /Columns {_ENTRY.itemsize} >>"
    )
    parts.append(_stream(number, keys, np.insert(change, 0, 2, axis=1).tobytes()))
    return b"".join((*parts, b"startxref\n%d\n%%%%EOF\n" % at))


def _stream(number: int, keys: str, data: bytes) -> bytes:
    """Return a stream object."""
    packed = zlib.compress(data, _DEFLATE_LEVEL)
    head = f"{number} 0 obj\n<< {keys} /Filter /FlateDecode /Length {len(packed)} >>\nstream\n"
    return b"".join((head.encode("latin-1"), packed, b"\nendstream\nendobj\n"))


def _appended(pdf: bytes, numbers: Numbers, objects: Mapping[int, str]) -> bytes:
    """Return a PDF with objects added behind it, the catalog in place of the earlier one (ISO 32000-2, 7.5.6)."""
    before = pdf.rindex(b"startxref")
    trailer = pdf[pdf.rindex(b"trailer", 0, before) + len(b"trailer"): before].strip()
    previous = int(pdf[before + len(b"startxref"):].split()[0])
    first, last = numbers.size, numbers.size + len(objects) - 1
    parts, lines, at = [], [], len(pdf)
    for number in (numbers.catalog, *range(first, last)):
        part = f"{number} 0 obj\n{objects[number]}\nendobj\n".encode("ascii")
        lines.append(f"{at:010d} 00000 n \n")
        parts.append(part)
        at += len(part)
    table = f"{numbers.catalog} 1\n{lines[0]}{first} {last - first}\n{''.join(lines[1:])}".encode("ascii")
    kept = trailer.removesuffix(b">>").replace(b"/Size %d" % first, b"/Size %d" % last)
    end = b"xref\n%btrailer %b/Prev %d >>\nstartxref\n%d\n%%%%EOF\n" % (table, kept, previous, at)
    return b"".join((pdf, *parts, end))
