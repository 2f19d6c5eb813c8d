"""The safety page: help first, five fixed lines, saw and ladder blocks, cautions, what nobody checked."""

from __future__ import annotations

from functools import lru_cache
from math import isfinite

from pipeline.records import SafetyNote, Section
from pipeline.safety import SafetyWords, distance_text, load_safety, split_pages
from pipeline.safety.rules import MIN_KEEPOUT_M
from pipeline.sheets.caution_boxes import caution_boxes, caution_text, column_width, laid, severity_word
from pipeline.sheets.compose import LINE_FACTOR, TEXT_PT, Composer, boxed_lines, say
from pipeline.sheets.context import SheetContext
from pipeline.sheets.geo import decimal, geo_uri_fine, minutes, usng
from pipeline.sheets.local import tied
from pipeline.sheets.lookup import line_at, lookup
from pipeline.sheets.marks import (
    BLACK,
    WHITE,
    Box,
    Group,
    Line,
    Link,
    Mark,
    Page,
    Polygon,
    Rect,
    Text,
    bounds,
    texts,
)
from pipeline.sheets.materials_page import sign_off, sign_off_pt, work_steps
from pipeline.sheets.text import fit, wrap

_LEFT_PT = 0.5  # share of the width that the place block takes
_NOTE_PT = 8.8
_STEP = 1.25
_SIGN_PT = 96.0
_CODE_PT = 64.0
_TITLE_PT = 108.0  # of the fixed lines
_HELP_PT = 118.0  # least height of the box that says where help comes to
_APART_PT = 9.0  # over what follows


def build(ctx: SheetContext, section: Section) -> list[Page]:
    """Return the safety pages of a section; every caution of the plan is on them.

    Order of work and sign-off follow where they find room: the first begins with reading this page, the other ends
    the set.
    """
    return list(_composed(ctx, section.section_id)[0])


def holds(ctx: SheetContext, section: Section) -> tuple[str, ...]:
    """Return what else stands on the safety pages: ``"steps"`` (order of work), ``"sign"`` (sign-off after it)."""
    return _composed(ctx, section.section_id)[1]


@lru_cache(maxsize=2)  # the tables ask before the pages are made
def _composed(ctx: SheetContext, section_id: str) -> tuple[tuple[Page, ...], tuple[str, ...]]:
    section = ctx.section(section_id)
    words = load_safety(ctx.language)
    found = ctx.plan.safety.get(section_id, ())
    first, rest = split_pages(found)
    pages = Composer(ctx, section_id, ctx.w("safety.title"), ctx.w("safety.subtitle"))
    _emergency(ctx, pages, section)
    _fixed_lines(ctx, pages, section, words)
    _saw_block(ctx, pages, found)
    _ladder_block(ctx, pages, words, found)
    _not_checked(ctx, pages, words, found)
    pages.heading(ctx.w("safety.first", n=len(first), total=len(first) + len(rest)), keep_pt=40.0)
    for note in first:
        _note(ctx, pages, words, note)
    pages.space(3.0)
    if rest:
        pages.para(ctx.w("safety.more", n=len(rest)), bold=True)
        pages.space(2.0)
        caution_boxes(ctx, pages, laid(ctx, words, rest, column_width(pages)))
    _sign_off(ctx, pages, found)
    held = _ending(ctx, pages)
    return tuple(pages.pages()), held


def _ending(ctx: SheetContext, pages: Composer) -> tuple[str, ...]:
    """Add order of work and sign-off, or the sign-off alone, as far as the page has room; return which."""
    steps = work_steps(ctx)
    sign_pt = sign_off_pt(ctx, pages) + _APART_PT
    held: tuple[str, ...] = ()
    if pages.left_pt >= sign_pt + pages.ticks_pt(steps) + _APART_PT:
        pages.space(_APART_PT)
        pages.ticks(steps)
        held = ("steps",)
    if pages.left_pt >= sign_pt:
        pages.space(_APART_PT)
        sign_off(ctx, pages)
        held = (*held, "sign")
    return held


# ---------------------------------------------------------------- help


def _emergency(ctx: SheetContext, pages: Composer, section: Section) -> None:
    """Add where help comes to, whom to call, and lines for what the plan does not know."""
    # long names of places take more lines: the box grows, and never runs over what follows
    body = pages.body
    trial = _emergency_marks(ctx, Rect(body.x0, body.y1 - _HELP_PT, body.x1, body.y1), section)
    low = min(bounds(mark).y0 for mark in texts(trial))
    pages.block(max(_HELP_PT, body.y1 - low + 4.0), lambda rect: _emergency_marks(ctx, rect, section))
    pages.space(4.0)


def _emergency_marks(ctx: SheetContext, rect: Rect, section: Section) -> list[Mark]:
    sheets = ctx.plan.settings.sheets
    middle = rect.x0 + rect.width * _LEFT_PT
    marks: list[Mark] = [
        Box(rect, width=2.0), Box(Rect(rect.x0, rect.y1 - 17.0, rect.x1, rect.y1), width=0.0, fill=BLACK),
        Group((Text(rect.x0 + 6.0, rect.y1 - 12.8, ctx.w("safety.hurt"), 11.0, bold=True, color=WHITE),), role="H2"),
    ]
    y = rect.y1 - 31.0
    for text, size, bold, uri in _meeting(ctx, section):
        for line in wrap(text, size, middle - rect.x0 - 12.0, bold=bold):
            marks.append(Group((Text(rect.x0 + 6.0, y, line, size, bold=bold),), role="P"))
            y -= 12.5 if size > 8.0 else 14.5
        if uri:
            marks.append(Link(Rect(rect.x0 + 4.0, y + 9.5, middle - 4.0, y + 12.5 + size), uri, text))
    blank = "______________"
    known = sheets.hospital_min > 0
    minutes_text = f"{sheets.hospital_min:.0f} min" if known else f"____ min ({ctx.w('common.not_checked')})"
    right = (
        (ctx.w("safety.call", call=sheets.emergency_call or blank), True),
        (ctx.w("safety.radio", radio=sheets.radio or blank, signal=ctx.w(f"safety.signal_{sheets.signal}")), False),
        (ctx.w("safety.hospital", hospital=sheets.hospital or blank, minutes=minutes_text), False),
        (ctx.w("safety.gate"), False), (ctx.w("safety.kit"), False), (ctx.w("safety.helicopter"), False),
        (ctx.w("safety.who"), False),
    )
    y = rect.y1 - 31.0
    for text, bold in right:
        for line in wrap(text, 8.8, rect.x1 - middle - 8.0, bold=bold):
            marks.append(Group((Text(middle + 4.0, y, line, 8.8, bold=bold),), role="P"))
            y -= 12.0
    return marks


def _meeting(ctx: SheetContext, section: Section) -> list[tuple[str, float, bool, str]]:
    """Return lines (text, size, bold, link) about the meeting point, or the section's lower end without one."""
    sheets = ctx.plan.settings.sheets
    lon, lat = sheets.meeting_lon, sheets.meeting_lat
    known = isfinite(lon) and isfinite(lat)
    lines = [(ctx.w("safety.meet", place=sheets.meeting_point or "______________________"), 8.8, True, "")]
    if not known:
        lines.append((ctx.w("safety.meet_unknown"), 8.8, True, ""))
        name, low, _ = section.pieces[0]
        x, y, _ = line_at(lookup(ctx.plan).line[name], low)
        lon, lat = (float(v) for v in ctx.plan.frame.lonlat(float(x), float(y)))
        if not ctx.plan.frame.on_earth:
            return [*lines, (ctx.w("safety.no_earth"), 8.8, False, "")]
    uri = geo_uri_fine(lon, lat)
    north, east = minutes(lon, lat)
    return [
        *lines, (usng(lon, lat).text(), 10.5, True, ""), (ctx.w("safety.usng"), 7.6, False, ""),
        (f"{north}   {east}", 10.5, True, ""), (ctx.w("safety.ddm"), 7.6, False, ""),
        (ctx.w("safety.phone", lat=decimal(lat), lon=decimal(lon)), 8.8, True, uri),
    ]


# ---------------------------------------------------------------- fixed lines and blocks


def keepout_m(ctx: SheetContext) -> float:
    """Return the distance everybody keeps from felling: two tree lengths, never under 22.5 m."""
    return max(2.0 * ctx.plan.settings.sheets.tree_height_m, MIN_KEEPOUT_M)


def _fixed_lines(ctx: SheetContext, pages: Composer, section: Section, words: SafetyWords) -> None:
    """Add the five lines that stand on every sheet."""
    sheets = ctx.plan.settings.sheets
    blank = "________"
    values = {
        "section": section.section_id, "meeting": sheets.meeting_point or blank, "call": sheets.emergency_call or blank,
        "radio": sheets.radio or blank, "hospital": sheets.hospital or blank,
        "minutes": f"{sheets.hospital_min:.0f} min" if sheets.hospital_min > 0 else "____ min",
        "signal": words.answer[sheets.signal if sheets.signal in words.answer else "unknown"],
        "keepout_m": say(ctx, distance_text(keepout_m(ctx), ctx.units)),
    }
    for i, (title, text) in enumerate(words.fixed, start=1):
        _titled(pages, f"{i}  {title}", tied(text.format(**values)))
    pages.space(3.0)


def _titled(pages: Composer, title: str, text: str) -> None:
    """Add one line of text behind its bold title, wrapped together."""
    room = pages.body.width - _TITLE_PT
    heads = wrap(title, _NOTE_PT, _TITLE_PT - 6.0, bold=True)
    lines = wrap(text, _NOTE_PT, room)
    height = max(len(heads), len(lines)) * _NOTE_PT * _STEP + 2.5

    def draw(rect: Rect) -> list[Mark]:
        y = rect.y1 - _NOTE_PT
        marks: list[Mark] = [Group(tuple(
            Text(rect.x0, y - i * _NOTE_PT * _STEP, head, _NOTE_PT, bold=True) for i, head in enumerate(heads)
        ), role="P")]
        marks.append(Group(tuple(
            Text(rect.x0 + _TITLE_PT, y - i * _NOTE_PT * _STEP, line, _NOTE_PT) for i, line in enumerate(lines)
        ), role="P"))
        return marks

    pages.block(height, draw)


def _codes(found: tuple[SafetyNote, ...], letter: str) -> list[SafetyNote]:
    return [n for n in found if n.code[0] == letter and not n.not_checked]


def _saw_block(ctx: SheetContext, pages: Composer, found: tuple[SafetyNote, ...]) -> None:
    """Add the chainsaw block when saw work is planned or not ruled out."""
    notes = _codes(found, "A")
    task = any(n.code == "A1" for n in notes)
    answer = ctx.plan.settings.sheets.saw_work
    if not task:
        lines = [(ctx.w("safety.saw_none"), False)]
    else:
        status = ctx.w("safety.saw_yes" if answer == "yes" else "safety.saw_unknown")
        lines = [
            (status, True),
            (ctx.w("safety.saw_distance", distance=say(ctx, distance_text(keepout_m(ctx), ctx.units))), False),
        ]
    _block(ctx, pages, ctx.w("safety.saw"), lines, hold=task)


def _ladder_block(ctx: SheetContext, pages: Composer, words: SafetyWords, found: tuple[SafetyNote, ...]) -> None:
    """Add the ladder block: which supports hang above reach, or that none does."""
    notes = _codes(found, "C")
    reach = say(ctx, ctx.units.height(ctx.plan.settings.mainlines.ladder_m))
    snow = say(ctx, ctx.units.height(ctx.plan.settings.sheets.snow_m))
    above = next((n for n in notes if n.code == "C1"), None)
    if above is None:
        lines = [(ctx.w("safety.ladder_none", reach=reach, snow=snow), False)]
    else:
        lines = [
            (ctx.w("safety.ladder_yes", reach=reach, snow=snow), True),
            (caution_text(ctx, words, above), False),
        ]
    _block(ctx, pages, ctx.w("safety.ladder"), lines, hold=above is not None)


def _block(ctx: SheetContext, pages: Composer, title: str, lines: list[tuple[str, bool]], *, hold: bool) -> None:
    """Add a titled box of lines, with HOLD and room for initials when work must wait for them."""
    right = _SIGN_PT + 24.0 if hold else 0.0
    wrapped = [
        (piece, bold) for text, bold in lines
        for piece in wrap(tied(text), _NOTE_PT, pages.body.width - 106.0 - right, bold=bold)
    ]
    height = max(len(wrapped) * _NOTE_PT * 1.28 + 9.0, 30.0 if hold else 20.0)

    def draw(rect: Rect) -> list[Mark]:
        heads = wrap(title, 9.0, 84.0, bold=True)
        y = rect.center[1] + (len(heads) - 1) * 5.6 - 3.0
        marks: list[Mark] = [Box(Rect(rect.x0, rect.y0 + 3.0, rect.x0 + 92.0, rect.y1), width=1.6)]
        marks.append(Group(tuple(
            Text(rect.x0 + 5.0, y - i * 11.2 + 1.5, head, 9.0, bold=True) for i, head in enumerate(heads)
        ), role="H2"))
        marks += boxed_lines(Rect(rect.x0 + 92.0, rect.y0 + 3.0, rect.x1, rect.y1), wrapped, size=_NOTE_PT, pad=4.0)
        if hold:
            marks += _hold(ctx, Rect(rect.x1 - right, rect.y0 + 3.0, rect.x1, rect.y1))
        return marks

    pages.block(height + 3.0, draw)
    pages.space(2.0)


def _hold(ctx: SheetContext, rect: Rect) -> list[Mark]:
    """Return the word HOLD, white on black, with room for initials and time."""
    split = rect.x0 + 46.0
    word, size = fit(ctx.w("safety.hold"), 9.5, 42.0, bold=True)
    return [
        Box(Rect(rect.x0, rect.y0, split, rect.y1), width=0.0, fill=BLACK),
        Group((Text((rect.x0 + split) / 2.0, rect.center[1] - size * 0.38, word, size, bold=True,
                    color=WHITE, align="center"),), role="P"),
        Line(split + 6.0, rect.y0 + 11.0, rect.x1 - 6.0, rect.y0 + 11.0, 0.8),
        Group((Text(split + 6.0, rect.y0 + 3.6, ctx.w("safety.initials"), 6.6),), role="P"),
    ]


def _not_checked(ctx: SheetContext, pages: Composer, words: SafetyWords, found: tuple[SafetyNote, ...]) -> None:
    """Add what no data could tell, in one block that nobody can overlook."""
    layers = [words.layer[dict(n.values)["layer"]] for n in found if n.not_checked]
    if not layers:
        return
    text = ctx.w("safety.not_checked_text", layers=" · ".join(layers))
    _block(ctx, pages, ctx.w("common.not_checked"), [(text, True)], hold=True)


# ---------------------------------------------------------------- notes


def _note(ctx: SheetContext, pages: Composer, words: SafetyWords, note: SafetyNote) -> None:
    """Add one caution: signal word, code, words, and room for initials when it asks for them."""
    right = _SIGN_PT if note.sign_off else 0.0
    room = pages.body.width - _CODE_PT - right - 12.0
    lines = wrap(caution_text(ctx, words, note), _NOTE_PT, room)
    height = max(len(lines) * _NOTE_PT * _STEP + 4.0, 23.5 if note.sign_off else 20.0)

    def draw(rect: Rect) -> list[Mark]:
        return [
            *_signal(ctx, Rect(rect.x0, rect.y0, rect.x0 + _CODE_PT, rect.y1), note),
            Box(rect, width=0.9),
            Group(tuple(
                Text(rect.x0 + _CODE_PT + 6.0, rect.center[1] + ((len(lines) - 1) / 2.0 - i) * _NOTE_PT * _STEP - 3.0,
                     line, _NOTE_PT, tag="note")
                for i, line in enumerate(lines)
            ), role="P"),
            *(_initials(ctx, Rect(rect.x1 - right, rect.y0, rect.x1, rect.y1), note) if right else []),
        ]

    pages.block(height, draw)


def _signal(ctx: SheetContext, rect: Rect, note: SafetyNote) -> list[Mark]:
    """Return the signal word: white on black for danger; a triangle where people can be hurt."""
    black = note.severity >= 5
    color = WHITE if black else BLACK
    y = rect.center[1]
    marks: list[Mark] = [Box(rect, width=1.6 if note.severity == 4 else 0.9, fill=BLACK if black else "")]
    if note.severity >= 3:
        x = rect.x0 + 9.0
        marks.append(Polygon((((x - 5.5, y - 4.5), (x + 5.5, y - 4.5), (x, y + 5.5)),), fill=color))
        marks.append(Text(x, y - 3.3, "!", 7.0, bold=True, align="center", color=BLACK if black else WHITE))
    marks.append(Group((
        Text(rect.x0 + 17.0, y + 1.8, severity_word(ctx, note.severity), 7.4, bold=True, color=color),
        Text(rect.x0 + 17.0, y - 7.4, note.code, 7.4, bold=True, color=color, tag="code"),
    ), role="P"))
    return marks


def _initials(ctx: SheetContext, rect: Rect, note: SafetyNote) -> list[Mark]:
    """Return a box for initials and time; with a qualified person's name when that is asked for."""
    key = "sign_both" if note.sign_off == "CL+Q" else "sign_leader"
    return [
        Line(rect.x0, rect.y0, rect.x0, rect.y1, 0.7),
        Line(rect.x0 + 5.0, rect.y0 + 10.5, rect.x1 - 5.0, rect.y0 + 10.5, 0.7),
        Group((Text(rect.x0 + 5.0, rect.y0 + 3.0, ctx.w(f"safety.{key}"), 6.6, tag="sign"),), role="P"),
        Text(rect.x0 + 5.0, rect.y1 - 8.0, ctx.w("safety.hold"), 6.6, bold=True),
    ]


def _sign_off(ctx: SheetContext, pages: Composer, found: tuple[SafetyNote, ...]) -> None:
    """Add who signs, what voids it, and that everything here defers to others."""
    pages.space(3.0)
    qualified = sum(n.sign_off == "CL+Q" for n in found)
    leader = sum(n.sign_off == "CL" for n in found)
    rule = ctx.w("safety.sign_rule", leader=leader, qualified=qualified)
    wide = pages.body.width
    small = [*wrap(tied(rule), 8.5, wide), *wrap(tied(ctx.w("safety.defer")), 8.5, wide, bold=True)]
    # all of it on one page: what defers to others must not stand alone on the next
    pages.heading(ctx.w("safety.sign_title"), keep_pt=38.0 + (8.5 * len(small) + TEXT_PT) * LINE_FACTOR + 13.0)
    pages.para(rule, size=8.5)
    pages.block(38.0, lambda rect: _signatures(ctx, rect))
    pages.para(ctx.w("safety.crew_line"))
    pages.para(ctx.w("safety.defer"), bold=True, size=8.5)


def _signatures(ctx: SheetContext, rect: Rect) -> list[Mark]:
    """Return three boxes side by side: name, initials, date and time of those who sign before work."""
    marks: list[Mark] = []
    wide = rect.width / 3.0
    for i, who in enumerate(("crew_leader", "qualified", "first_aider")):
        box = Rect(rect.x0 + i * wide, rect.y0 + 3.0, rect.x0 + (i + 1) * wide, rect.y1)
        marks += [Box(box, width=1.0), Line(box.x0, box.y0 + 10.0, box.x1, box.y0 + 10.0, 0.5)]
        words = [(box.x0 + 4.0, box.y1 - 9.5, ctx.w(f"safety.sign_{who}"), 8.4, True)]
        shares = zip(("name", "initials", "time"), (0.0, 0.45, 0.7), strict=True)
        words += [(box.x0 + wide * share + 4.0, box.y0 + 2.6, ctx.w(f"safety.col_{key}"), 6.6, False)
                  for key, share in shares]
        marks.append(Group(tuple(Text(x, y, text, size, bold=bold) for x, y, text, size, bold in words), role="P"))
    return marks
