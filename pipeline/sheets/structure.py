"""Writes the structure tree of a document as text, appended to its finished PDF.

A set of sheets has a thousand table cells; made one by one through an object library they cost
more than all the drawing. The text follows ISO 32000-2: 7.5.6 (incremental updates) and 14.7
(logical structure).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from pipeline.sheets.draw import StructureNode

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
    pages : tuple of int
        The pages, in order.
    links : tuple of tuples of int
        Link annotations by page. They are numbered through from the number of pages on: that is
        the key (``/StructParent``) under which each finds its structure element.
    """

    size: int
    catalog: int
    catalog_text: str
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

    def element(self, node: StructureNode, parent: int) -> int:
        """Write a node and all below it; return its number."""
        own = self.number()
        kids = [f"{self.element(child, own)} 0 R" for child in node.children]
        for mcid in node.content:
            kids.append(str(mcid))
            self.parents[node.page_no][mcid] = own
        kids += [f"{self.link(node.page_no, i, own)} 0 R" for i in node.links]
        alt = f" /Alt {text_string(node.alt)}" if node.alt else ""
        page = f" /Pg {self.numbers.pages[node.page_no]} 0 R" if node.content else ""
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


def append_structure(pdf: bytes, numbers: Numbers, nodes: Sequence[StructureNode], language: str) -> bytes:
    """Return a PDF with a structure tree added.

    Parameters
    ----------
    pdf : bytes
        A PDF with one classic cross-reference table.
    numbers : Numbers
        Of its objects.
    nodes : sequence of StructureNode
        One per page, as :func:`pipeline.sheets.draw.draw` found them.
    language : str
        Of the words in it.
    """
    writer = _Writer(numbers, numbers.size, parents=[{} for _ in numbers.pages])
    root, document = writer.number(), writer.number()
    kids = " ".join(f"{writer.element(node, document)} 0 R" for node in nodes)
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
    return _appended(pdf, numbers, writer.objects)


def _appended(pdf: bytes, numbers: Numbers, objects: dict[int, str]) -> bytes:
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
