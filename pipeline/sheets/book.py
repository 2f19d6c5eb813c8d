"""Which pages there are, in which order: section sets, the book, the overview."""

from __future__ import annotations

import io
from collections.abc import Callable
from importlib import import_module

import pypdfium2

from pipeline.records import Section
from pipeline.sheets.checkcode import check_code
from pipeline.sheets.context import SheetContext
from pipeline.sheets.geopdf import DocumentInfo, to_pdf
from pipeline.sheets.marks import Page
from pipeline.sheets.paper import framed

__all__ = ["check_code", "overview_png", "page_count", "pages_in", "render_book", "render_overview", "render_section"]

# modules of this room with build(ctx, section) -> pages, in the order a crew reads them
SECTION_PAGES = ("map_page", "profile_page", "stakeout_page", "laterals_page", "materials_page", "safety_page")
# modules with build(ctx) -> pages, in the order the office reads them
PLAN_PAGES = ("cover_page", "index_page", "findings_page", "orders_page", "pump_page")
PREVIEW_DPI = 110.0


def _builder(module: str) -> Callable[..., list[Page]]:
    build: Callable[..., list[Page]] = import_module(f"pipeline.sheets.{module}").build
    return build


def section_pages(ctx: SheetContext, section: Section) -> list[Page]:
    """Return the numbered pages of a section, map first: simple phone readers look at page one only."""
    return framed(ctx, [page for name in SECTION_PAGES for page in _builder(name)(ctx, section)])


def plan_pages(ctx: SheetContext) -> list[Page]:
    """Return the numbered pages of the whole plan."""
    return framed(ctx, [page for name in PLAN_PAGES for page in _builder(name)(ctx)])


def _info(ctx: SheetContext, title: str, section_id: str, *, compact: bool) -> DocumentInfo:
    bush = ctx.plan.settings.bush
    return DocumentInfo(
        title=f"{bush.name} {title}", author=bush.made_by or "fallgrade", subject=ctx.check_code(section_id),
        language=ctx.language, date=ctx.date, compact=compact,
    )


def render_section(ctx: SheetContext, section_id: str) -> bytes:
    """Return the PDF of a section's sheets.

    Raises
    ------
    KeyError
        When the plan has no such section.
    """
    pages = section_pages(ctx, ctx.section(section_id))
    return to_pdf(pages, _info(ctx, section_id, section_id, compact=False))


def render_book(ctx: SheetContext) -> bytes:
    """Return the PDF of everything: the pages of the plan, then every section's sheets."""
    pages = plan_pages(ctx)
    for section in ctx.plan.sections:
        pages.extend(section_pages(ctx, section))
    return to_pdf(pages, _info(ctx, ctx.w("common.plan_box"), "", compact=True))


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
