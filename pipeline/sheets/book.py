"""Which pages there are, in which order: section sets, the book, the overview."""

from __future__ import annotations

import io
import pickle
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import partial
from importlib import import_module

import pypdfium2

from pipeline.records import Section
from pipeline.sheets.checkcode import check_code
from pipeline.sheets.context import SheetContext
from pipeline.sheets.geopdf import DocumentInfo, to_pdf
from pipeline.sheets.marks import Page
from pipeline.sheets.paper import framed
from pipeline.sheets.workers import in_order

__all__ = [
    "SectionSet", "check_code", "make_set", "make_sets", "overview_png", "page_count", "pages_in", "render_book",
    "render_overview", "render_section", "render_volumes", "retired_sections",
]

# modules of this room with build(ctx, section) -> pages, in the order a crew reads them
SECTION_PAGES = ("map_page", "profile_page", "tables_page", "safety_page")
# modules with build(ctx) -> pages, in the order the office reads them
PLAN_PAGES = ("cover_page", "index_page", "findings_page", "orders_page", "loadout_page", "pump_page")
# of these the ones that tell of a repair; what the whole bush takes is not ordered again
REPAIR_PAGES = ("cover_page", "change_summary", "index_page", "findings_page")
WHOLE_SECTIONS = 150  # up to here the book is one file: some 1,500 sheets
VOLUME_SECTIONS = 50  # sections in one volume of a longer one; drawing a section takes some 6 MB until its file is done
PREVIEW_DPI = 110.0
PROCESSES = 2


def _builder(module: str) -> Callable[..., list[Page]]:
    build: Callable[..., list[Page]] = import_module(f"pipeline.sheets.{module}").build
    return build


def section_pages(ctx: SheetContext, section: Section) -> list[Page]:
    """Return the numbered pages of a section, map first: simple phone readers look at page one only.

    A section that a repair left alone comes as it was issued; one that it touched ends with its change sheet.
    """
    if section.section_id in ctx.issued:
        ctx = ctx.issued[section.section_id]
        section = ctx.section(section.section_id)
    pages = [page for name in SECTION_PAGES for page in _builder(name)(ctx, section)]
    if section.revision:
        pages += _builder("change_page")(ctx, section.section_id)
    return framed(ctx, pages)


def retired_sections(ctx: SheetContext) -> tuple[str, ...]:
    """Return the sections that the last repair gave up: all that is left of them is what to take out."""
    return tuple(s.section_id for s in ctx.plan.changes[-1].sections if s.retired) if ctx.plan.changes else ()


def retired_pages(ctx: SheetContext, section_id: str) -> list[Page]:
    """Return the numbered change sheets of a section that was given up."""
    return framed(ctx, _builder("change_page")(ctx, section_id))


def plan_pages(ctx: SheetContext) -> list[Page]:
    """Return the numbered pages of the whole plan."""
    names = [*PLAN_PAGES[:1], *(["change_summary"] if ctx.plan.changes else []), *PLAN_PAGES[1:]]
    return framed(ctx, [page for name in names for page in _builder(name)(ctx)])


def _info(ctx: SheetContext, title: str, section_id: str, *, compact: bool) -> DocumentInfo:
    bush = ctx.plan.settings.bush
    return DocumentInfo(
        title=f"{bush.name} {title}", author=bush.made_by or "fallgrade", subject=ctx.check_code(section_id),
        language=ctx.language, date=ctx.revision_of(section_id)[1], compact=compact,
    )


@dataclass(frozen=True, slots=True)
class SectionSet:
    """The sheets of one section, planned once: the finished PDF, and the pages for the book.

    Pages that come from another process stay packed until somebody binds them.
    """

    section_id: str
    sheets: int
    pdf: bytes
    held: tuple[Page, ...] | bytes

    @property
    def pages(self) -> tuple[Page, ...]:
        """The pages, in order."""
        if isinstance(self.held, bytes):
            unpacked: tuple[Page, ...] = pickle.loads(self.held)  # noqa: S301 - packed by this program a moment ago
            return unpacked
        return self.held

    def __reduce__(self) -> tuple[type[SectionSet], tuple[str, int, bytes, bytes]]:
        packed = self.held if isinstance(self.held, bytes) else pickle.dumps(self.held, pickle.HIGHEST_PROTOCOL)
        return SectionSet, (self.section_id, self.sheets, self.pdf, packed)


def make_set(ctx: SheetContext, section_id: str) -> SectionSet:
    """Return the set of one section.

    Raises
    ------
    KeyError
        When the plan has no such section.
    """
    if section_id in retired_sections(ctx):
        pages = tuple(retired_pages(ctx, section_id))
    else:
        ctx = ctx.issued.get(section_id, ctx)
        pages = tuple(section_pages(ctx, ctx.section(section_id)))
    pdf = to_pdf(pages, _info(ctx, section_id, section_id, compact=False))
    return SectionSet(section_id, len(pages), pdf, pages)


def make_sets(ctx: SheetContext, section_ids: Sequence[str], *, processes: int = PROCESSES) -> Iterator[SectionSet]:
    """Yield the sets of sections in the order asked for, made by several processes where the system can fork.

    The bytes do not depend on the number of processes.

    Raises
    ------
    KeyError
        When the plan has no such section.
    """
    for name in section_ids:
        if name not in retired_sections(ctx):
            ctx.section(name)
    return in_order(partial(make_set, ctx), section_ids, processes=processes)


def render_section(ctx: SheetContext, section_id: str) -> bytes:
    """Return the PDF of a section's sheets.

    Raises
    ------
    KeyError
        When the plan has no such section.
    """
    return make_set(ctx, section_id).pdf


def render_book(ctx: SheetContext, sets: Sequence[SectionSet] = (), *, only: Sequence[str] | None = None) -> bytes:
    """Return the PDF of everything: the pages of the plan, then every section's sheets.

    Sections whose sets are given are not planned again. With `only` it is the book of a repair: the pages that tell
    of it, and the sections named.
    """
    made = {one.section_id: one.pages for one in sets}
    if only is None:
        pages = plan_pages(ctx)
    else:
        pages = framed(ctx, [page for name in REPAIR_PAGES for page in _builder(name)(ctx)])
    for section in ctx.plan.sections:
        if only is None or section.section_id in only:
            pages.extend(made.get(section.section_id) or section_pages(ctx, section))
    for name in retired_sections(ctx):
        pages.extend(made.get(name) or retired_pages(ctx, name))
    return to_pdf(pages, _info(ctx, ctx.w("common.plan_box"), "", compact=True))


def render_volumes(
    ctx: SheetContext, sets: Sequence[SectionSet] = (), *, processes: int = PROCESSES
) -> dict[str, bytes]:
    """Return the book by file name: ``book.pdf``, and ``book-2.pdf`` and so on where the plan has too many sections.

    The first volume begins with the pages of the plan. Sections whose sets are given are not planned again.
    """
    if len(ctx.plan.sections) <= WHOLE_SECTIONS:
        return {"book.pdf": render_book(ctx, sets)}
    known = {one.section_id: one for one in sets}
    names = [s.section_id for s in ctx.plan.sections] + list(retired_sections(ctx))
    parts = [names[k : k + VOLUME_SECTIONS] for k in range(0, len(names), VOLUME_SECTIONS)]
    files = ["book.pdf", *(f"book-{k}.pdf" for k in range(2, len(parts) + 1))]

    def volume(file: str) -> bytes:
        number = files.index(file)
        pages = [] if number else plan_pages(ctx)
        for name in parts[number]:
            pages.extend((known.get(name) or make_set(ctx, name)).pages)
        title = f"{ctx.w('common.plan_box')} {number + 1}/{len(parts)}"
        return to_pdf(pages, _info(ctx, title, "", compact=True))

    return dict(zip(files, in_order(volume, files, processes=processes), strict=True))


def render_overview(ctx: SheetContext) -> bytes:
    """Return the PDF of one page that shows the whole network."""
    pages = framed(ctx, _builder("overview_page")(ctx))
    return to_pdf(pages, _info(ctx, ctx.w("overview.title"), "", compact=False))


def overview_png(pdf: bytes) -> bytes:
    """Return the first page of a PDF as a picture."""
    document = pypdfium2.PdfDocument(pdf)
    try:
        image = document[0].render(scale=PREVIEW_DPI / 72.0).to_pil()
        out = io.BytesIO()
        image.convert("P", palette=1, colors=128).save(out, format="PNG", optimize=True)
    finally:
        document.close()
    return out.getvalue()


def pages_in(pdf: bytes) -> int:
    """Return how many pages a finished PDF has: cheaper than :func:`page_count` once it is rendered."""
    document = pypdfium2.PdfDocument(pdf)
    try:
        return len(document)
    finally:
        document.close()


def page_count(ctx: SheetContext, section_id: str) -> int:
    """Return how many sheets a section's set has.

    Raises
    ------
    KeyError
        When the plan has no such section.
    """
    return len(section_pages(ctx, ctx.section(section_id)))
