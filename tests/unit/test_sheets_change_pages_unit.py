"""Change sheets, their map and the summary of a repair: everything of the record is on paper, in order, in units."""

from __future__ import annotations

import dataclasses
import itertools
import re
from functools import cache

import numpy as np
import pytest
import shapely
from pipeline.records import (
    Change,
    ChangeItem,
    ChangeJob,
    ChangeStep,
    Damage,
    NetPart,
    RepairOption,
    RepairPiece,
    SectionChange,
    StormItem,
)
from pipeline.sheets import change_map, change_page, change_summary
from pipeline.sheets.book import plan_pages, retired_pages, retired_sections, section_pages
from pipeline.sheets.context import SheetContext, make_context
from pipeline.sheets.local import local
from pipeline.sheets.marks import Circle, Group, Page, Polyline, bounds, flat, texts
from pipeline.sheets.paper import PAPERS, body_rect
from pipeline.sheets.text import SMALLEST_PT
from pipeline.units import Units

from sample_plan import sample_plan

PLAN, TERRAIN, GROUND = sample_plan()
LOOKS = [("en", "letter", "us"), ("fr", "a4", "metric"), ("fr", "tabloid", "us"), ("en", "legal", "metric")]
LOST, KEPT = PLAN.laterals[0], PLAN.laterals[1]
MAIN = PLAN.mainlines[0]


def near(x, y, dx=0.0, dy=0.0):
    return shapely.Point(x + dx, y + dy)


def storm_items():
    """Return one logged thing of many kinds: near the lost lateral, and one far beyond the map."""
    x, y = LOST.xyz_m[1, :2]
    return (
        StormItem(1, "tree_down", near(x, y), "trees", "401", "big, split", "row 2"),
        StormItem(2, "stem", shapely.LineString([(x, y), (x + 9.0, y + 6.0)]), "", "", "", "row 3"),
        StormItem(3, "hung", near(x, y, 6.0, -4.0), "", "", "leans on the wire", "row 4"),
        StormItem(4, "access_blocked", near(x, y, -9.0, 5.0), "", "", "", "row 5"),
        StormItem(5, "blown_area", near(x, y, 4.0, 12.0).buffer(7.0), "", "", "", "feature 1"),
        StormItem(6, "line_broken", near(x, y, 400.0, 400.0), "mainlines", "M1", "", "row 6"),
    )


def items():
    """Return what changes in S01: a lateral out, one mended, a new support, and a new lateral."""
    post = MAIN.supports[3]
    moved = KEPT.xyz_m + np.array([1.5, 1.5, 0.0])
    rows = [
        ("R1", "remove", "laterals", LOST.lateral_id, LOST.taps, LOST.length_m, LOST.xyz_m),
        ("R2", "remove", "supports", post.support_id, 0, 0.0, np.array([[post.x_m, post.y_m, post.line_z_m]])),
        ("K1", "mend", "laterals", KEPT.lateral_id, KEPT.taps, KEPT.length_m, KEPT.xyz_m),
        ("N1", "new", "supports", "M1-S90", 0, 0.0, np.array([[post.x_m + 2.0, post.y_m + 1.0, post.line_z_m]])),
        ("N2", "new", "laterals", "M1-L90", 3, 21.0, moved),
    ]
    return tuple(
        ChangeItem(mark, action, layer, name, "S01", taps, length, (), 22.0, tuple(map(tuple, xyz.tolist())))
        for mark, action, layer, name, taps, length, xyz in rows
    )


def steps():
    return (
        ChangeStep(1, "S01", "safe", (), "safe", (("items", "1;3"),), 2.5, 0),
        ChangeStep(2, "S01", "remove", ("R1",), "remove_laterals_whole",
                   (("subject", LOST.lateral_id), ("at_m", "22.0"), ("trees", "401, 402"), ("length_m", "17.2")), 0.5,
                   4),
        ChangeStep(3, "S01", "mend", ("K1",), "mend",
                   (("subject", KEPT.lateral_id), ("at_m", "49.5"), ("trees", "405"), ("after", "2")), 0.75, 1),
        ChangeStep(4, "S01", "new", ("N1", "N2"), "regroup",
                   (("subject", "M1-L90"), ("at_m", "60.0"), ("trees", "410, 411"), ("length_m", "21.0")), 1.5, 3),
        ChangeStep(5, "S01", "check", (), "check", (), 0.5, 0),
        ChangeStep(1, "S02", "safe", (), "safe", (("items", ""),), 0.5, 0),
    )


def pieces():
    give_up = RepairOption("abandon", "", 0.0, 0.0, 0)
    hang = RepairOption("rehang", "", 41.0, 3.5, 12)
    no = RepairOption("new_support", "its supports are lost", 0.0, 0.0, 0)
    odd = RepairOption("detour", "a reason without words", 0.0, 0.0, 0)
    return (
        RepairPiece("P1", "mainlines", "M1", 30.0, 52.5, "hit", (hang, no, odd, give_up), 0),
        RepairPiece("P2", "laterals", KEPT.lateral_id, 0.0, 0.0, "hit",
                    (RepairOption("mend", "", 3.0, 0.8, 1), give_up), 0),
        RepairPiece("P3", "laterals", LOST.lateral_id, 0.0, 0.0, "lost",
                    (RepairOption("mend", "none of its trees is left", 0.0, 0.0, 0), give_up), 1),
    )


def a_change(**given) -> Change:
    values = {
        "revision": "C", "replaces": "B", "date": "2026-04-07", "source": "storm.csv", "method": "exact",
        "items": storm_items(), "damages": (
            Damage("trees", "401", "lost"), Damage("laterals", LOST.lateral_id, "lost"),
            Damage("laterals", KEPT.lateral_id, "hit"), Damage("supports", "M1-S03", "near"),
            Damage("trees", "402", "near"),
        ),
        "clear": (("trees", 57), ("laterals", 13), ("spans", 88)), "pieces": pieces(), "changes": items(),
        "jobs": (
            ChangeJob(1, "S01", "laterals", "M1-L90", "regroup", ("N1", "N2"), 1.5, 3, 0),
            ChangeJob(2, "S01", "laterals", KEPT.lateral_id, "mend", ("K1",), 0.75, 1, 1),
        ),
        "steps": steps(), "parts": (
            NetPart("S01", "TUBING", "m", 30.48, 3.048, 15.24), NetPart("S01", "SPOUT", "pc", 12.0, 12.0, 4.0),
            NetPart("S01", "TEE", "pc", 2.4, 0.0, 0.0), NetPart("S02", "SPOUT", "pc", 99.0, 0.0, 0.0),
        ),
        "sections": (
            SectionChange("S01", "C", "B", 31, 28, 0.0, 0.0, 17.2, 21.0, False),
            SectionChange("S03", "", "B", 14, 0, 142.0, 0.0, 88.0, 0.0, True),
        ),
        "money": 1234.4, "hours": 9.75, "tap_value": 6.5, "taps_before": 80, "taps_after": 63,
    }
    return Change(**{**values, **given})


@cache
def base(language="en", paper="letter", units="us") -> SheetContext:
    bush = dataclasses.replace(PLAN.settings.bush, language=language, paper=paper, units=units)
    settings = dataclasses.replace(PLAN.settings, bush=bush)
    sections = (dataclasses.replace(PLAN.sections[0], revision="C", replaces="B", sheets=9),
                dataclasses.replace(PLAN.sections[1], issued_in="B", sheets=7), PLAN.sections[2])
    plan = dataclasses.replace(PLAN, settings=settings, changes=(a_change(),), sections=sections[:2])
    return make_context(plan=plan, terrain=TERRAIN, ground=GROUND)


@cache
def sheet(section_id="S01", look=LOOKS[0]) -> tuple[Page, ...]:
    return tuple(change_page.build(base(*look), section_id))


@cache
def summary(look=LOOKS[0]) -> tuple[Page, ...]:
    return tuple(change_summary.build(base(*look)))


def with_change(**given) -> SheetContext:
    ctx = base()
    return dataclasses.replace(ctx, plan=dataclasses.replace(ctx.plan, changes=(a_change(**given),)))


def words(pages: tuple[Page, ...]) -> list[str]:
    return [t.text.replace("\u00a0", " ") for page in pages for t in texts(page.marks)]


def flowing(pages: tuple[Page, ...]) -> str:
    return " ".join(words(pages))


def squeezed(text: str) -> str:
    return re.sub(r"\s+", "", text)


# ---------------------------------------------------------------- paper rules


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
def test_change_pages_stay_in_the_body_readable_and_without_blanks(look):
    ctx = base(*look)
    body = body_rect(ctx)
    for page in [*sheet("S01", look), *sheet("S03", look), *summary(look)]:
        assert (page.width, page.height) == (PAPERS[look[1]].width, PAPERS[look[1]].height)
        for mark, clip in flat(page.marks):
            rect = bounds(mark)
            if clip is None:
                assert rect.x0 >= body.x0 - 1.1
                assert rect.x1 <= body.x1 + 1.1, mark
                assert rect.y0 >= body.y0 - 1.1
                assert rect.y1 <= body.y1 + 1.1
        for text in texts(page.marks):
            assert text.size >= SMALLEST_PT - 0.21, text
            assert not re.search(r"[{}|]|\bnan\b|\bNone\b", text.text), text


# ---------------------------------------------------------------- the sheet of a section


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
def test_every_step_is_printed_in_its_order_safe_first_with_its_marks(look):
    ctx = base(*look)
    pages = sheet("S01", look)
    named = [t.text for page in pages for t in texts(page.marks) if t.tag == "step"]
    assert squeezed(" ".join(named)) == squeezed("1 2 R1 3 K1 4 N1 N2 5")
    text = flowing(pages)
    places = [text.index(ctx.w(f"change.action_{a}"), 0) for a in ("safe", "check")]
    assert places == sorted(places)
    for wanted in (LOST.lateral_id, KEPT.lateral_id, "M1-L90", "401, 402", "410, 411"):
        assert squeezed(wanted) in squeezed(text)


def test_making_safe_names_the_logged_things_and_only_those_of_the_step():
    text = squeezed(flowing(sheet()))
    assert squeezed("[1] tree down 401; [3] hung or leaning") in text
    assert squeezed("[4] way blocked") not in text
    assert squeezed("nothing in this section") not in text
    assert squeezed("2.5 crew-h") in text


@pytest.mark.parametrize(("units", "at", "metres"), [("us", "0+72.2", "56 ft"), ("metric", "0+022.0", "17 m")])
def test_stations_and_lengths_are_in_the_readers_units(units, at, metres):
    text = squeezed(flowing(sheet("S01", ("en", "letter", units))))
    assert squeezed(Units(units).station(22.0)) == squeezed(at)
    assert squeezed(at) in text
    assert squeezed(metres) in text


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
def test_the_net_line_says_taps_metres_and_what_is_saved(look):
    ctx = base(*look)
    text = squeezed(flowing(sheet("S01", look)))
    assert squeezed("31 → 28") in text
    assert squeezed(local(look[0], f"−{ctx.units.length(17.2)} / +{ctx.units.length(21.0)}")) in text
    assert squeezed(ctx.w("change.no_change")) in text  # the mainline
    saved = "50 ft" if look[2] == "us" else "15 m"
    assert squeezed(local(look[0], saved)) in text


@pytest.mark.parametrize(("units", "take", "reused"), [("us", "90 ft", "10 ft"), ("metric", "28 m", "3 m")])
def test_parts_to_take_in_are_what_is_needed_less_what_is_used_again_rounded_up(units, take, reused):
    """27.432 m of tubing: 90 ft, 28 m; 2.4 tees: 3; spouts are all used again."""
    shown = words(sheet("S01", ("en", "letter", units)))
    for name, wanted in (("Lateral tub", [take, reused]), ("Spout", ["—", "12"]), ("Lateral tee", ["3", "—"])):
        at = next(i for i, t in enumerate(shown) if t.startswith(name))
        assert shown[at + 1: at + 3] == wanted, name
    assert "99" not in shown  # another section's


def test_a_section_given_up_says_so_and_has_no_map_without_changes():
    ctx = base()
    pages = change_page.build(ctx, "S03")
    assert pages[0].title == "CHANGE SHEET: SECTION GIVEN UP"
    assert pages[0].geo == ()
    assert not [m for m, _ in flat(pages[0].marks) if isinstance(m, Group) and m.role == "Figure"]
    assert squeezed("14 → 0") in squeezed(flowing(pages))
    assert "S03" not in {s.section_id for s in ctx.plan.sections}


def test_the_sheet_of_a_section_is_that_of_its_own_revision():
    """S01 was last touched in C; a later repair of another section does not change its sheet."""
    later = a_change(revision="D", replaces="C", sections=(SectionChange("S02", "D", "B", 9, 8, 0, 0, 0, 0, False),),
                     changes=(), steps=(), parts=())
    ctx = base()
    two = dataclasses.replace(ctx, plan=dataclasses.replace(ctx.plan, changes=(a_change(), later)))
    assert squeezed("Rev B to Rev C") in squeezed(change_page.build(two, "S01")[0].subtitle)
    assert flowing(change_page.build(two, "S01")) == flowing(sheet())


@pytest.mark.parametrize("section_id", ["S01", "S03"])
def test_every_change_sheet_has_room_to_sign_and_to_write(section_id):
    text = squeezed(flowing(sheet(section_id)))
    for key in ("found_else", "safe_first", "sign_safe", "sign_date", "sign_built", "sign_entered"):
        assert squeezed(base().w(f"change.{key}")) in text


# ---------------------------------------------------------------- its map


def drawn_map(ctx, some):
    return change_map.draw(ctx, ctx.plan.changes[-1], some, body_rect(ctx).inset(60.0))


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
def test_every_mark_is_signed_on_the_map_or_told(look):
    ctx = base(*look)
    drawn = drawn_map(ctx, items())
    signed = [t.text for t in texts(tuple(drawn.marks)) if t.tag == "change_mark"]
    lost = [label.tag for label in drawn.dropped if label.kind == "mark"]
    assert sorted(signed + lost) == ["K1", "N1", "N2", "R1", "R2"]
    assert len(set(signed)) == len(signed)


def test_a_mark_without_room_is_named_below_the_map(monkeypatch):
    monkeypatch.setattr(change_map.LabelField, "place", lambda *_args, **_more: None)
    text = squeezed(flowing(change_page.build(base(), "S01")))
    assert squeezed("No room on the map for: K1, R1, R2, N1, N2") in text


def test_all_changes_lie_inside_the_map_at_a_scale_of_the_series():
    ctx = base()
    drawn = drawn_map(ctx, items())
    for item in items():
        for x, y, _ in item.xyz_m:
            px, py = drawn.view.point(x, y)
            assert drawn.view.rect.x0 <= px <= drawn.view.rect.x1
            assert drawn.view.rect.y0 <= py <= drawn.view.rect.y1


@pytest.mark.parametrize("number", [1, 2, 3, 4, 6])
def test_logged_things_are_numbered_where_they_lie_near_the_changes(number):
    ctx = base()
    drawn = drawn_map(ctx, items())
    shown = {t.text for t in texts(tuple(drawn.marks)) if t.tag == "storm"}
    lost = {label.text for label in drawn.dropped if label.kind == "storm"}
    assert (str(number) in shown | lost) is (number != 6)  # 400 m away


def test_a_tree_whose_stem_was_logged_too_is_drawn_once():
    def feet(ctx):
        drawn = drawn_map(ctx, items())  # fitted round what was logged too
        x, y = (float(v) for v in drawn.view.point(*LOST.xyz_m[1, :2]))
        marks = [m for m, _ in flat(tuple(drawn.marks)) if isinstance(m, Circle)]
        return sum(abs(m.x - x) < 0.01 and abs(m.y - y) < 0.01 and m.radius == 3.4 for m in marks)

    both = storm_items()
    assert feet(with_change(items=both)) == feet(with_change(items=both[1:])) == feet(with_change(items=both[:1])) == 1
    assert feet(with_change(items=both[2:])) == 0


def test_what_is_removed_is_dashed_and_what_stays_is_not_drawn_as_new():
    ctx = base()
    marks = [m for m, _ in flat(tuple(drawn_map(ctx, items()).marks)) if isinstance(m, Polyline)]
    dashed = [m for m in marks if m.dash and m.color == change_map.signs.REMOVE]
    assert len(dashed) == 1  # the one lateral; a support is a cross
    view = drawn_map(ctx, items()).view
    assert np.array(dashed[0].parts[0]) == pytest.approx(view.page(LOST.xyz_m[:, :2]), abs=0.011)
    new = [m for m in marks if m.color == change_map.signs.NEW]
    assert len(new) == 1


def test_the_first_page_knows_where_its_map_lies_on_earth():
    page = sheet()[0]
    assert len(page.geo) == 1
    assert page.geo[0].rect.width > 300.0


def test_a_map_is_smaller_where_few_steps_leave_the_sheet_on_one_page():
    few = sheet()[0].geo[0].rect.height
    many = tuple(dataclasses.replace(steps()[1], number=k) for k in range(1, change_page.FEW_STEPS + 2))
    more = change_page.build(with_change(steps=many), "S01")[0].geo[0].rect.height
    assert (few, more) == (pytest.approx(change_page.SMALL_MAP_PT), pytest.approx(change_page.MAP_PT))


# ---------------------------------------------------------------- the summary


def test_a_plan_that_was_never_repaired_has_no_summary():
    ctx = base()
    plain = dataclasses.replace(ctx, plan=dataclasses.replace(ctx.plan, changes=()))
    assert change_summary.build(plain) == []
    assert retired_sections(plain) == ()


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
def test_the_summary_has_the_sums_the_sections_and_the_jobs(look):
    ctx = base(*look)
    text = squeezed(flowing(summary(look)))
    for wanted in ("80 → 63", "31 → 28", "14 → 0", ctx.w("change.given_up")):
        assert squeezed(wanted) in text
    assert squeezed(local(look[0], "1,234")) in text
    assert squeezed(local(look[0], f"−{ctx.units.length(142.0)} / +{ctx.units.length(0.0)}")) in text
    assert squeezed(ctx.w("change.kept", sections="S02")) in text
    for mark in ("N1 N2", "K1"):
        assert squeezed(mark) in text


def test_jobs_stand_in_their_order_with_taps_an_hour_and_what_they_wait_for():
    shown = words(summary())
    first = shown.index(next(t for t in shown if t.startswith("lead trees")))
    second = shown.index(next(t for t in shown if t.startswith("mend at its entry:")))
    assert first < second
    assert {"3", "1.5", "2", "—"} <= set(shown[first: first + 12])  # 3 taps in 1.5 h: 2 an hour, after no other
    assert {"0.8", "1"} <= set(shown[second: second + 12])


def test_a_job_without_hours_has_no_rate_and_no_jobs_say_so():
    free = ChangeJob(1, "S01", "laterals", "M1-L90", "regroup", (), 0.0, 3, 0)
    assert "0.0" in words(change_summary.build(with_change(jobs=(free,))))
    assert squeezed(base().w("change.no_jobs")) in squeezed(flowing(change_summary.build(with_change(jobs=()))))


def test_every_option_of_a_piece_is_told_the_chosen_one_apart_the_illegal_with_its_reason():
    text = squeezed(flowing(summary()))
    for wanted in (
        f"M1 {Units('us').station(30.0)}–{Units('us').station(52.5)}",
        "clear and hang again: 41 USD, 3.5 crew-h, 12 taps",
        "no (its supports are lost)", "go round: no (a reason without words)", "give up", KEPT.lateral_id,
        f"Laterals with no sound tree left, given up: {LOST.lateral_id}",
    ):
        assert squeezed(wanted) in text, wanted


def test_reasons_are_told_in_the_readers_language_where_it_has_words():
    ctx = base("fr", "a4", "metric")
    text = squeezed(flowing(change_summary.build(ctx)))
    assert squeezed(ctx.w("change.why_its_supports_are_lost")) in text
    assert squeezed("its supports are lost") not in text
    assert squeezed("a reason without words") in text


def test_damage_is_counted_by_layer_and_state():
    """Trees 1 lost, 0 hit, 1 near, 57 clear; laterals 1, 1, 0, 13; supports 0, 0, 1, 0."""
    shown = words(summary())
    rows = {"Trees": ["1", "0", "1", "57"], "Laterals": ["1", "1", "0", "13"], "Mainline spans": ["0", "0", "0", "88"],
            "Supports": ["0", "0", "1", "0"], "Crossings": ["0", "0", "0", "0"]}
    start = shown.index("Things of the plan")
    for name, numbers in rows.items():
        at = shown.index(name, start)
        assert shown[at + 1: at + 5] == numbers, name
    assert any("M1-S03" in t for t in shown)


@pytest.mark.parametrize(("count", "more"), [(60, ""), (61, "… (+1)"), (75, "… (+15)")])
def test_a_long_list_of_what_is_near_is_cut_with_the_rest_counted(count, more):
    damages = tuple(Damage("supports", f"M1-S{k:03d}", "near") for k in range(count))
    text = flowing(change_summary.build(with_change(damages=damages)))
    assert len(set(re.findall(r"M1-S\d{3}", text))) == min(count, 60)
    assert (more in text) is True
    assert ("…" in text) is bool(more)


@pytest.mark.parametrize("language", ["en", "fr"])
def test_every_logged_row_is_in_the_summary_with_its_note_and_place(language):
    ctx = base(language, "a4", "metric")
    text = squeezed(flowing(change_summary.build(ctx)))
    for item in storm_items():
        assert squeezed(f"{ctx.w(f'change.kind_{item.kind}')} {item.subject_id}") in text
        assert squeezed(f"{item.note} {item.where}") in text


# ---------------------------------------------------------------- in the book


def test_a_touched_section_ends_with_its_change_sheet_and_others_have_none():
    ctx = base()
    touched = [p.title for p in section_pages(ctx, ctx.section("S01"))]
    assert sum("CHANGE SHEET" in t for t in touched) == 1
    assert "CHANGE SHEET" in touched[-1]
    assert [int(t.split()[0]) for t in touched] == list(range(1, len(touched) + 1))
    plain = dataclasses.replace(ctx.plan.sections[1], issued_in="")
    assert not any("CHANGE" in p.title for p in section_pages(ctx, plain))


def test_a_section_given_up_is_known_and_has_its_own_numbered_set():
    ctx = base()
    assert retired_sections(ctx) == ("S03",)
    pages = retired_pages(ctx, "S03")
    assert [p.section_id for p in pages] == ["S03"] * len(pages)
    assert "Rev C" in flowing(pages)
    assert ctx.check_code("S03") in flowing(pages)


def test_the_summary_follows_the_cover():
    titles = [p.title for p in plan_pages(base())]
    first = next(k for k, t in enumerate(titles) if "CHANGE SUMMARY" in t)
    cover = [k for k, t in enumerate(titles[:first])]
    assert all(PLAN.settings.bush.name in titles[k] for k in cover)
    assert not any("CHANGE SUMMARY" in t for t in [p.title for p in plan_pages(dataclasses.replace(
        base(), plan=dataclasses.replace(base().plan, changes=())))])


def test_marks_in_pairs_do_not_cover_each_other_on_the_map():
    ctx = base()
    boxes = [bounds(t) for t in texts(tuple(drawn_map(ctx, items()).marks)) if t.tag == "change_mark"]
    assert len(boxes) > 2
    for a, b in itertools.combinations(boxes, 2):
        assert not a.overlaps(b)
