"""Which pages there are, in which order: section sets, the book, the overview."""

from __future__ import annotations

import io
import pickle
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, replace
from functools import partial
from importlib import import_module

import pypdfium2

from pipeline.records import Section
from pipeline.sheets.checkcode import check_code
from pipeline.sheets.context import SheetContext
from pipeline.sheets.draw import DrawnPage, drawn
from pipeline.sheets.geopdf import DocumentInfo, to_pdf
from pipeline.sheets.marks import Page
from pipeline.sheets.paper import framed
from pipeline.sheets.workers import beside, in_order, unswept

__all__ = [
    "Binder", "SectionSet", "check_code", "make_set", "make_sets", "overview_png", "page_count", "pages_in",
    "render_book", "render_overview", "render_overviews", "render_section", "render_volumes", "retired_sections",
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
    """The sheets of one section, planned and drawn once: the finished PDF, and the drawn pages for the book.

    Pages that come from another process stay packed until somebody binds them.
    """

    section_id: str
    sheets: int
    pdf: bytes
    held: tuple[DrawnPage, ...] | bytes

    @property
    def pages(self) -> tuple[DrawnPage, ...]:
        """The drawn pages, in order."""
        if isinstance(self.held, bytes):
            unpacked: tuple[DrawnPage, ...] = pickle.loads(self.held)  # noqa: S301 - packed by this program a moment ago
            return unpacked
        return self.held

    def without_pages(self) -> SectionSet:
        """Return the set for those who only want its file: the drawn pages are twice as large."""
        return replace(self, held=())

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
        planned = retired_pages(ctx, section_id)
    else:
        ctx = ctx.issued.get(section_id, ctx)
        planned = section_pages(ctx, ctx.section(section_id))
    pages = tuple(drawn(page) for page in planned)
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
    return _made(ctx, section_ids, processes)


def _made(ctx: SheetContext, section_ids: Sequence[str], processes: int) -> Iterator[SectionSet]:
    with unswept():
        # the first is made here: faces, words and projections are loaded once, not by every process
        yield from (make_set(ctx, name) for name in section_ids[:1])
        yield from in_order(partial(make_set, ctx), section_ids[1:], processes=processes)


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
        pages: list[Page | DrawnPage] = [*plan_pages(ctx)]
    else:
        pages = [*framed(ctx, [page for name in REPAIR_PAGES for page in _builder(name)(ctx)])]
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
    parts = _parts(ctx)

    def volume(file: str) -> bytes:
        return _volume(ctx, parts, file, known)

    return dict(zip(parts, in_order(volume, list(parts), processes=processes), strict=True))


def _parts(ctx: SheetContext) -> dict[str, list[str]]:
    """Return the sections of every volume by its file name."""
    names = [s.section_id for s in ctx.plan.sections] + list(retired_sections(ctx))
    parts = [names[k : k + VOLUME_SECTIONS] for k in range(0, len(names), VOLUME_SECTIONS)]
    files = ["book.pdf", *(f"book-{k}.pdf" for k in range(2, len(parts) + 1))]
    return dict(zip(files, parts, strict=True))


def _volume(ctx: SheetContext, parts: Mapping[str, Sequence[str]], file: str, known: Mapping[str, SectionSet]) -> bytes:
    number = list(parts).index(file)
    pages: list[Page | DrawnPage] = [] if number else [*plan_pages(ctx)]
    for name in parts[file]:
        pages.extend((known.get(name) or make_set(ctx, name)).pages)
    title = f"{ctx.w('common.plan_box')} {number + 1}/{len(parts)}"
    return to_pdf(pages, _info(ctx, title, "", compact=True))


class Binder:
    """Binds the book while its sections are still being printed: what it holds at a time is a volume or two.

    A volume is bound in a process of its own as soon as its sections are there. The first has to wait: the pages of
    the plan say how many sheets every section has.
    """

    def __init__(self, ctx: SheetContext) -> None:
        self._ctx = ctx
        self._parts = _parts(ctx) if len(ctx.plan.sections) > WHOLE_SECTIONS else {}
        self._file = {names[-1]: file for file, names in self._parts.items()}  # by the section that makes it whole
        self._kept: list[SectionSet] = []
        self._fresh: dict[str, SectionSet] = {}
        self._bound: dict[str, bytes] = {}
        self._work = ExitStack()
        self._awaited: Callable[[], None] = lambda: None

    def __enter__(self) -> Binder:
        return self

    def __exit__(self, *_: object) -> None:
        self._work.close()  # stopped early: nobody waits for a volume any more

    def take(self, made: SectionSet) -> None:
        """Take in the next set, in the order of the book."""
        if not self._parts:
            self._kept.append(made)
            return
        self._fresh[made.section_id] = made
        file = self._file.get(made.section_id)
        if file is None:
            return
        if file == "book.pdf":
            self._kept = list(self._fresh.values())
        else:
            self._awaited()
            self._begin(file, self._fresh)
        self._fresh = {}

    def _begin(self, file: str, known: Mapping[str, SectionSet]) -> None:
        waits = self._work.enter_context(beside(lambda: _volume(self._ctx, self._parts, file, known)))

        def awaited() -> None:
            self._bound[file] = waits()
            self._work.close()
            self._awaited = lambda: None

        self._awaited = awaited

    def finish(self, ctx: SheetContext) -> dict[str, bytes]:
        """Return the book by file name, given the context that knows how many sheets each section has."""
        if not self._parts:
            return render_volumes(ctx, self._kept)
        first = _volume(ctx, self._parts, "book.pdf", {one.section_id: one for one in self._kept})
        self._awaited()
        missing = [file for file in self._parts if file != "book.pdf" and file not in self._bound]
        made = {file: _volume(ctx, self._parts, file, self._fresh) for file in missing}
        found = {"book.pdf": first, **self._bound, **made}
        return {file: found[file] for file in self._parts}


def render_overview(ctx: SheetContext) -> bytes:
    """Return the PDF of one page that shows the whole network."""
    pages = framed(ctx, _builder("overview_page")(ctx))
    return to_pdf(pages, _info(ctx, ctx.w("overview.title"), "", compact=False))


def render_overviews(ctx: SheetContext) -> dict[str, bytes]:
    """Return the overview as a document and as a picture, by file name."""
    pdf = render_overview(ctx)
    return {"overview.pdf": pdf, "overview.png": overview_png(pdf)}


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
