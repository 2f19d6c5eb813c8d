"""Paper sizes, margins, and what stands on every sheet: head, section box, footer."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import inf

from pipeline.sheets.context import SheetContext
from pipeline.sheets.marks import Box, GeoBox, Group, Line, Mark, Page, Rect, Text
from pipeline.sheets.text import SMALLEST_PT, fit, width_pt

VERTICAL_UNKNOWN = "vertical datum not stated"  # as the frame says it
# what the reader of the terrain notes in English
_READ_IN = re.compile(r"(?P<datum>.*), read in (?P<unit>[^,]+)")
_CELLS = re.compile(r"(?P<file>.*), (?P<cell>[^ ,]+) m cells")

MARGIN_PT = 36.0  # half an inch: office printers reach nearer, clipboards do not
BOX_WIDTH_PT = 97.0
HEAD_PT = 42.0  # height of the section box
FOOT_PT = 32.0  # height of the footer
ID_SIZE_PT = 25.0


@dataclass(frozen=True, slots=True)
class Paper:
    """A size of paper, upright, in points."""

    name: str
    width: float
    height: float

    @property
    def printable(self) -> Rect:
        """Where marks may stand."""
        return Rect(MARGIN_PT, MARGIN_PT - 14.0, self.width - MARGIN_PT, self.height - MARGIN_PT)

    @property
    def body(self) -> Rect:
        """Between head and footer."""
        area = self.printable
        return Rect(area.x0, area.y0 + FOOT_PT + 5.0, area.x1, area.y1 - HEAD_PT - 7.0)


PAPERS = {
    "letter": Paper("letter", 612.0, 792.0),
    "a4": Paper("a4", 595.276, 841.89),
    "legal": Paper("legal", 612.0, 1008.0),
    "tabloid": Paper("tabloid", 792.0, 1224.0),
}


def paper_of(ctx: SheetContext) -> Paper:
    """Return the paper the sheets are printed on."""
    return PAPERS[ctx.paper]


def body_rect(ctx: SheetContext) -> Rect:
    """Return the rectangle between head and footer that a page builder may fill."""
    return paper_of(ctx).body


def body_page(
    ctx: SheetContext, section_id: str, title: str, subtitle: str, marks: Sequence[Mark], geo: tuple[GeoBox, ...] = ()
) -> Page:
    """Return a page with `marks` in its body and no frame yet: what every builder returns."""
    paper = paper_of(ctx)
    return Page(paper.width, paper.height, tuple(marks), title, subtitle, section_id, geo)


def framed(ctx: SheetContext, pages: Sequence[Page]) -> list[Page]:
    """Return the pages of one set with head and footer, numbered from 1."""
    return [
        replace(
            page, title=f"{number}  {page.title}",
            marks=(*page_frame(ctx, page.section_id, page.title, page.subtitle, number, len(pages)), *page.marks),
        )
        for number, page in enumerate(pages, start=1)
    ]


def page_frame(
    ctx: SheetContext, section_id: str, title: str, subtitle: str, sheet_no: int, sheets: int
) -> list[Mark]:
    """Return head and footer of a sheet.

    Parameters
    ----------
    section_id : str
        Boxed at the top left and repeated at the bottom right; ``""`` for pages of the whole plan.
    title, subtitle : str
        Words beside the box.
    sheet_no, sheets : int
        Number of this sheet and how many belong to the set.
    """
    area = paper_of(ctx).printable
    shown = section_id or ctx.w("common.plan_box")
    return [
        *_head(ctx, area, section_id, shown, title, subtitle, sheet_no, sheets),
        *_foot(ctx, area, section_id, shown, sheet_no, sheets),
    ]


def _head(
    ctx: SheetContext, area: Rect, section_id: str, shown: str, title: str, subtitle: str, sheet_no: int, sheets: int
) -> list[Mark]:
    letter, date, _ = ctx.revision_of(section_id)
    box = Rect(area.x0 + 1.0, area.y1 - HEAD_PT + 5.0, area.x0 + BOX_WIDTH_PT, area.y1 - 1.0)
    id_text, id_size = fit(shown, ID_SIZE_PT, box.width - 10.0, bold=True, least=9.0)
    sheet = ctx.w("common.sheet_of", sheet=sheet_no, sheets=sheets)
    revision = ctx.w("common.revision_date", revision=letter, date=date)
    right = max(width_pt(sheet, 13.0, bold=True), width_pt(revision, 9.5))
    left = box.x1 + 8.0
    title_text, title_size = fit(title, 15.0, area.x1 - right - left - 10.0, bold=True)
    sub_text, sub_size = fit(subtitle, 8.6, area.x1 - right - left - 8.0)
    top, low = area.y1 - 16.5, area.y1 - 32.5
    rule = area.y1 - HEAD_PT
    return [
        Box(box, width=2.0, radius=2.0),
        Group((Text((box.x0 + box.x1) / 2.0, (box.y0 + box.y1) / 2.0 - id_size * 0.36, id_text, id_size,
                    bold=True, align="center", tag="section_box"),), role="P"),
        Group((Text(left, top, title_text, title_size, bold=True, tag="title"),), role="H1"),
        Group((Text(left, low, sub_text, sub_size),), role="P"),
        Group((Text(area.x1, top, sheet, 13.0, bold=True, align="right"),), role="P"),
        Group((Text(area.x1, low, revision, 9.5, align="right", tag="revision"),), role="P"),
        Line(area.x0, rule, area.x1, rule, 0.9),
    ]


def _foot(
    ctx: SheetContext, area: Rect, section_id: str, shown: str, sheet_no: int, sheets: int
) -> list[Mark]:
    top = area.y0 + FOOT_PT
    corner = f"{shown}   {sheet_no}/{sheets}"
    corner_size = 14.0
    room = area.width - width_pt(corner, corner_size, bold=True) - 16.0
    lines = ((datum_line(ctx), False), (maker_line(ctx, section_id, room), False), (code_line(ctx, section_id), True))
    marks: list[Mark] = [Line(area.x0, top, area.x1, top, 0.7)]
    for i, (text, bold) in enumerate(lines):
        shown_text, size = fit(text, 7.0, room, bold=bold)
        tag = ("datum", "maker", "check_code")[i]
        marks.append(Text(area.x0, top - 9.5 - 9.2 * i, shown_text, size, bold=bold, tag=tag))
    marks.append(Text(area.x1, top - 20.0, corner, corner_size, bold=True, align="right", tag="corner"))
    return marks


def datum_line(ctx: SheetContext) -> str:
    """Return where positions and heights are counted from, and whose data they are."""
    frame = ctx.plan.frame
    return ctx.w(
        "common.datum", crs=frame.name, vertical=vertical_name(ctx), unit=ctx.units.length_unit,
        terrain=_terrain_name(ctx), trees=ctx.plan.settings.trees.file,
    )


def vertical_name(ctx: SheetContext) -> str:
    """Return what heights are counted from, in the sheets' language as far as the words are ours."""
    found = _READ_IN.fullmatch(ctx.plan.frame.vertical)
    name = found["datum"] if found else ctx.plan.frame.vertical
    datum = ctx.w("common.vertical_unknown") if name == VERTICAL_UNKNOWN else name
    return ctx.w("common.vertical_read", datum=datum, unit=found["unit"]) if found else datum


def _terrain_name(ctx: SheetContext) -> str:
    """Return file and cell size of the terrain in the sheets' language; another source as it is."""
    found = _CELLS.fullmatch(ctx.terrain.source)
    return ctx.w("common.terrain_cells", file=found["file"], cell=found["cell"]) if found else ctx.terrain.source


def maker_line(ctx: SheetContext, section_id: str = "", room_pt: float = inf) -> str:
    """Return who made the plan and when, which sheets these take the place of, and what they are not.

    Where all this is too long for `room_pt` points of the smallest letters, who made it is cut and never the rest.
    """
    maker = ctx.plan.settings.bush.made_by
    _, date, replaces = ctx.revision_of(section_id)
    made = ctx.w("common.made_by", maker=maker, date=date) if maker else ctx.w("common.made", date=date)
    instead = f"{ctx.w('common.replaces', revision=replaces)} " if replaces else ""
    rest = f" {instead}{ctx.w('common.not_a_survey')}"
    return fit(made, SMALLEST_PT, room_pt - width_pt(rest, SMALLEST_PT))[0] + rest


def code_line(ctx: SheetContext, section_id: str) -> str:
    """Return the check code and what it is for."""
    return ctx.w("common.check_code", code=ctx.check_code(section_id))
