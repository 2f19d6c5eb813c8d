"""Stake-out, laterals and materials, one after the other, so that no page is left half empty between them."""

from __future__ import annotations

from pipeline.records import Section
from pipeline.sheets import laterals_page, look_hard, materials_page, profile_page, safety_page, stakeout_page
from pipeline.sheets.compose import Composer
from pipeline.sheets.context import SheetContext
from pipeline.sheets.marks import Page

# a sheet's matter begins below the last one's only where a good piece of it fits
_LATERALS_PT, _MATERIALS_PT = 160.0, 150.0


def build(ctx: SheetContext, section: Section) -> list[Page]:
    """Return the pages of all tables of a section."""
    pages = Composer(ctx, section.section_id, ctx.w("stakeout.title"), ctx.w("stakeout.subtitle"))
    looks = profile_page.looks_left(ctx, section)
    if looks is not None:
        look_hard.fill(ctx, pages, looks)
        pages.space()
    stakeout_page.fill(ctx, pages, section)
    pages.chapter(ctx.w("laterals.title"), ctx.w("laterals.subtitle"), keep_pt=_LATERALS_PT)
    laterals_page.fill(ctx, pages, section)
    pages.chapter(ctx.w("materials.title"), materials_page.subtitle(ctx), keep_pt=_MATERIALS_PT)
    materials_page.fill(ctx, pages, section, elsewhere=safety_page.holds(ctx, section))
    return pages.pages()
