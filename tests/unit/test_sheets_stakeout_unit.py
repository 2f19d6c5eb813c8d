"""Stake-out, laterals, materials, findings and cover at their edges: cuts, crossings, long names, no place on Earth."""

from __future__ import annotations

import dataclasses
import math
import re
from functools import cache
from itertools import pairwise

import numpy as np
import pytest
from pipeline.findings import Finding
from pipeline.frame import Frame
from pipeline.records import Crossing
from pipeline.sheets import cover_page, findings_page, laterals_page, materials_page, stakeout_page
from pipeline.sheets.context import SheetContext, make_context
from pipeline.sheets.marks import Link, Page, Text, bounds, flat, texts
from pipeline.sheets.paper import body_rect
from pipeline.sheets.text import SMALLEST_PT

from sample_plan import sample_plan

PLAN, TERRAIN, GROUND = sample_plan()
MAIN = PLAN.mainlines[0]
LOOKS = [("en", "letter", "us"), ("fr", "a4", "metric"), ("fr", "legal", "us"), ("en", "tabloid", "metric")]
LONG = "Old-orchard-north-corner-leaning-maple-0001"


@cache
def context(language="en", paper="letter", units="us") -> SheetContext:
    bush = dataclasses.replace(PLAN.settings.bush, language=language, paper=paper, units=units)
    plan = dataclasses.replace(PLAN, settings=dataclasses.replace(PLAN.settings, bush=bush))
    return make_context(plan=plan, terrain=TERRAIN, ground=GROUND)


METRIC = ("en", "letter", "metric")


def changed(ctx: SheetContext, **values) -> SheetContext:
    return dataclasses.replace(ctx, plan=dataclasses.replace(ctx.plan, **values))


def with_support(ctx: SheetContext, index: int, **values) -> SheetContext:
    """Return the plan with one support of M1 changed."""
    supports = list(MAIN.supports)
    supports[index] = dataclasses.replace(supports[index], **values)
    line = dataclasses.replace(MAIN, supports=tuple(supports))
    return changed(ctx, mainlines=(line, *PLAN.mainlines[1:]))


def with_piece(ctx: SheetContext, low: float, high: float, **values) -> SheetContext:
    section = dataclasses.replace(PLAN.sections[0], pieces=(("M1", low, high),), **values)
    return changed(ctx, sections=(section, *PLAN.sections[1:]))


def words(pages: list[Page]) -> list[str]:
    return [t.text.replace("\u00a0", " ") for page in pages for t in texts(page.marks)]


def squeezed(given) -> str:
    return re.sub(r"\s+", "", given if isinstance(given, str) else " ".join(words(given)))


def stakeout(ctx: SheetContext, section: int = 0) -> list[Page]:
    return stakeout_page.build(ctx, ctx.plan.sections[section])


def tagged(pages: list[Page], tag: str) -> list[str]:
    return [t.text for page in pages for t in texts(page.marks) if t.tag == tag]


def assert_inside(ctx: SheetContext, pages: list[Page]) -> None:
    body = body_rect(ctx)
    for page in pages:
        for mark, _ in flat(page.marks):
            rect = bounds(mark)
            assert rect.x0 >= body.x0 - 1.1, mark
            assert rect.x1 <= body.x1 + 1.1, mark
            assert rect.y0 >= body.y0 - 1.1, mark
            assert rect.y1 <= body.y1 + 1.1, mark
            if isinstance(mark, Text):
                assert mark.size >= SMALLEST_PT


# ---------------------------------------------------------------- what stands in the rows


def test_a_piece_that_ends_between_supports_gets_rows_for_its_joints():
    a, b = MAIN.supports[2].station_m, MAIN.supports[6].station_m
    low, high = a - 3.0, b + 3.0
    ctx = with_piece(context(*METRIC), low, high)
    pages = stakeout(ctx)
    inside = sum(low <= s.station_m <= high for s in MAIN.supports)
    crossed = sum(c.line_id == "M1" and low <= c.station_m <= high for c in PLAN.crossings)
    assert len(tagged(pages, "point")) == inside + crossed + 2
    assert tagged(pages, "point")[0] == tagged(pages, "point")[-1] == "—"
    text = squeezed(pages)
    assert text.count(squeezed(context().w("stakeout.kind_joint"))) == 2
    for station in (low, high):
        assert squeezed(ctx.units.station(station)) in text
    x, y, z = (float(v) for v in MAIN.at(low))
    assert squeezed(ctx.units.height_value(z - float(TERRAIN.sample(x, y)))) in text


def test_rows_come_in_station_order_and_distances_add_up_to_the_piece():
    ctx = context(*METRIC)
    section = ctx.plan.sections[0]
    _, low, high = section.pieces[0]
    points = stakeout_page._points(ctx, MAIN, low, high)
    stations = [p.station_m for p in points]
    assert stations == sorted(stations)
    run = [float(stakeout_page._to_next(ctx, MAIN, a, b, None)[0]) for a, b in pairwise(points)]
    assert sum(run) == pytest.approx(high - low, abs=0.06 * len(run))


@pytest.mark.parametrize(("needed", "clearance", "mark", "asks"), [
    (0.0, 1.95, "", False), (1.8, 1.9, "", True), (2.5, 1.9, "▼", True), (0.0, 2.6, "▲", False),
])
def test_a_crossing_row_says_what_it_crosses_and_whether_it_is_high_enough(needed, clearance, mark, asks):
    station = (MAIN.supports[3].station_m + MAIN.supports[4].station_m) / 2.0
    x, y, _ = (float(v) for v in MAIN.at(station))
    one = Crossing("X7", "M1", "trail", "", station, x, y, clearance, needed)
    ctx = changed(context(*METRIC), crossings=(one,))
    pages = stakeout(ctx)
    assert tagged(pages, "point").count("X7") == 1
    text = squeezed(pages)
    assert squeezed(context().w("common.trail")) in text  # it has no name of its own
    assert (squeezed(context().w("stakeout.needs", height=ctx.units.height(needed))) in text) is asks
    assert f"{mark}{ctx.units.height_value(clearance)}" in tagged(pages, "height")


@pytest.mark.parametrize(("offset", "shown"), [
    (0.3, "R 0.30"), (-1.25, "L 1.25"), (0.004, None), (0.0, None), (-0.005, "L 0.01"),
])
def test_the_side_of_the_tree_is_named_unless_it_stands_on_the_line(offset, shown):
    ctx = with_support(context(*METRIC), 3, offset_m=offset)
    points = stakeout_page._points(ctx, ctx.plan.mainlines[0], 0.0, 60.0)
    point = next(p for p in points if p.name == "S03")
    assert stakeout_page._offset(ctx, point) == (shown or "")


@pytest.mark.parametrize(("height", "mark"), [
    (0.5, "▼"), (0.76, "▼"), (0.762, ""), (1.9, ""), (1.99, "▲"), (3.0, "▲"),
])
def test_heights_outside_reach_are_marked(height, mark):
    """Lowest 0.762 m (30 in), ladder above 1.9812 m (6 ft 6 in) by default."""
    rules = PLAN.settings.mainlines
    assert (rules.lowest_m, rules.ladder_m) == (pytest.approx(0.762), pytest.approx(1.9812))
    ground = MAIN.supports[3].ground_z_m
    ctx = with_support(context(*METRIC), 3, line_z_m=ground + height)
    at = tagged(stakeout(ctx), "point").index("S03")
    assert tagged(stakeout(ctx), "height")[at] == f"{mark}{ctx.units.height_value(height)}"


def test_a_tree_support_is_told_by_tag_species_and_diameter():
    tag = PLAN.trees.tree_id[0]
    ctx = with_support(context(*METRIC), 3, kind="tree", tree_id=tag)
    text = squeezed(stakeout(ctx))
    size = ctx.units.diameter_value(float(PLAN.trees.dbh_cm[0]))
    assert squeezed(f"{context().w('stakeout.tag', tag=tag)}{PLAN.trees.species[0]}{size}cm") in text
    unknown = PLAN.trees.dbh_cm.copy()
    unknown[0] = math.nan
    bare = changed(ctx, trees=dataclasses.replace(PLAN.trees, dbh_cm=unknown))
    text = squeezed(stakeout(bare))
    assert squeezed(f"{context().w('stakeout.tag', tag=tag)}{PLAN.trees.species[0]}") in text
    assert "nan" not in text


def test_a_support_where_a_branch_joins_names_the_branch():
    shown = squeezed([p for k in range(3) for p in stakeout(context(), k)])
    for line in PLAN.mainlines[1:]:
        assert squeezed(context().w("stakeout.branch", lines=line.mainline_id)) in shown


def test_ends_of_a_piece_name_what_goes_on_there():
    """Below S01 the tank; above it S02; a cut whose neighbour nobody names is a question mark."""
    ctx = context()
    _, _, high = PLAN.sections[0].pieces[0]
    title = stakeout_page._piece_title(ctx, PLAN.sections[0], MAIN, 0.0, high)
    assert ctx.w("stakeout.ends_at", collection="C1") in title
    assert ctx.w("stakeout.to_section", sections="S02") in title
    lone = dataclasses.replace(PLAN.sections[1], neighbours=())
    assert "?" in stakeout_page._piece_title(ctx, lone, MAIN, high, MAIN.plan_length_m)
    branch = PLAN.mainlines[1]
    assert ctx.w("stakeout.joins", line="M1", station=ctx.units.station(branch.join_station_m)) in (
        stakeout_page._piece_title(ctx, PLAN.sections[2], branch, 0.0, branch.plan_length_m))


def test_the_benchmark_is_the_lowest_support_of_the_section():
    ctx = context(*METRIC)
    for k in range(3):
        name, low, high = PLAN.sections[k].pieces[0]
        line = next(m for m in PLAN.mainlines if m.mainline_id == name)
        foot = next(s for s in line.supports if low - 1e-6 <= s.station_m <= high + 1e-6)
        where = f"{name} {foot.support_id.rpartition('-')[2]}"
        z = f"{ctx.units.elevation_value(foot.ground_z_m)} m"
        assert squeezed(ctx.w("stakeout.bench_where", where=where, elevation=z)) in squeezed(stakeout(ctx, k))


# ---------------------------------------------------------------- a plan without a place on Earth


def local() -> SheetContext:
    frame = Frame("", "local grid", "local")
    return dataclasses.replace(changed(context(*METRIC), frame=frame), terrain=dataclasses.replace(
        TERRAIN, frame=frame))


def test_on_a_local_grid_places_are_metres_and_nothing_links_anywhere():
    ctx = local()
    pages = stakeout(ctx)
    assert not [m for page in pages for m, _ in flat(page.marks) if isinstance(m, Link)]
    foot = MAIN.supports[0]
    assert {f"{foot.x_m:.1f}", f"{foot.y_m:.1f}"} <= set(tagged(pages, "place"))
    text = squeezed(pages)
    assert squeezed(ctx.w("stakeout.note_local")) in text
    assert squeezed(ctx.w("stakeout.note_no_compass")) in text
    assert not re.search(r"M\d{3}°", text)
    assert not [m for page in laterals_page.build(ctx, PLAN.sections[0]) for m, _ in flat(page.marks)
                if isinstance(m, Link)]


# ---------------------------------------------------------------- long names


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
def test_names_as_long_as_a_line_stay_in_their_columns_and_are_not_cut(look):
    """Tags of 43 letters, a lateral and a mainline named like sentences."""
    ctx = context(*look)
    tags = tuple(f"{LONG}-{t}" if k % 3 == 0 else t for k, t in enumerate(PLAN.trees.tree_id))
    ctx = changed(ctx, trees=dataclasses.replace(PLAN.trees, tree_id=tags))
    ctx = with_support(ctx, 4, kind="tree", tree_id=tags[0])
    section = ctx.plan.sections[0]
    for build in (stakeout_page.build, laterals_page.build, materials_page.build):
        pages = build(ctx, section)
        assert_inside(ctx, pages)
        assert not any("…" in t for t in words(pages))
    assert squeezed(tags[0]) in squeezed(stakeout_page.build(ctx, section))
    shown = squeezed(laterals_page.build(ctx, section))
    for k in section.lateral:
        for t in PLAN.laterals[k].tree:
            assert squeezed(tags[t]) in shown


# ---------------------------------------------------------------- laterals


def test_laterals_are_counted_up_in_the_order_a_crew_meets_them():
    ctx = context(*METRIC)
    for section in PLAN.sections:
        made = laterals_page.in_line_order(ctx, section)
        order = {name: k for k, name in enumerate(section.mainline_ids)}
        keys = [(order[la.mainline_id], la.entry_station_m) for la in made]
        assert keys == sorted(keys)
        assert sorted(la.lateral_id for la in made) == sorted(PLAN.laterals[k].lateral_id for k in section.lateral)
        assert tagged(laterals_page.build(ctx, section), "lateral") == [la.lateral_id for la in made]


def test_a_section_without_laterals_says_so_and_has_no_cut_list():
    ctx = context()
    empty = dataclasses.replace(PLAN.sections[0], lateral=())
    assert squeezed(ctx.w("laterals.none")) in squeezed(laterals_page.build(ctx, empty))
    text = squeezed(materials_page.build(ctx, empty))
    assert not any(lateral.lateral_id in text for lateral in PLAN.laterals)


@pytest.mark.parametrize(("grade", "flat_mark"), [(0.5, True), (1.9, True), (1.96, False), (2.0, False), (7.0, False)])
def test_a_lateral_flatter_than_the_aim_is_marked_by_what_is_printed(grade, flat_mark):
    """An aim of 2.0 %: 1.96 prints as 2.0 and is not marked."""
    settings = dataclasses.replace(PLAN.settings, laterals=dataclasses.replace(
        PLAN.settings.laterals, aim_grade_pct=2.0))
    x, y = PLAN.laterals[0].xyz_m[0, :2]
    xyz = np.array([(x, y, 380.0), (x + 10.0, y, 380.0 + grade / 10.0)])
    lateral = dataclasses.replace(PLAN.laterals[0], xyz_m=xyz, tree=PLAN.laterals[0].tree[:1])
    grouping = dataclasses.replace(PLAN.grouping, laterals=(lateral,))
    section = dataclasses.replace(PLAN.sections[0], lateral=(0,))
    ctx = changed(context(*METRIC), settings=settings, grouping=grouping)
    text = " ".join(words(laterals_page.build(ctx, section)))
    assert (f"{grade:.1f}▼" in text) is flat_mark


def test_heights_without_ground_are_left_out_or_questioned():
    z = PLAN.trees.ground_z_m.copy()
    z[list(PLAN.laterals[0].tree)] = math.nan
    bare = dataclasses.replace(TERRAIN, z_m=np.full_like(TERRAIN.z_m, np.nan))
    ctx = changed(context(*METRIC), trees=dataclasses.replace(PLAN.trees, ground_z_m=z))
    first = PLAN.laterals[0]
    assert laterals_page.trees_text(ctx, first).replace("\u00a0", " ") == " → ".join(
        f"{PLAN.trees.tree_id[t]}×{PLAN.trees.taps[t]}" for t in first.tree)
    shown = tagged(laterals_page.build(dataclasses.replace(ctx, terrain=bare), PLAN.sections[0]), "entry")
    assert "?" in shown


# ---------------------------------------------------------------- materials


@pytest.mark.parametrize(("nominal", "english", "french"), [
    ("3/4", "3/4 in", "3/4 po"), ("1 in", "1 in", "1 po"), ("32 mm", "32 mm", "32 mm"),
    ("1 1/4", "1 1/4 in", "1 1/4 po"),
])
def test_nominal_sizes_carry_their_unit_once(nominal, english, french):
    for language, wanted in (("en", english), ("fr", french)):
        ctx = context(language, "letter", "us")
        assert materials_page.size_name(ctx, nominal).replace("\u00a0", " ") == wanted


@pytest.mark.parametrize(("change", "shown", "hidden"), [
    ({"role": "wet"}, "Wet", ""), ({"role": "dry", "area_ratio": 0.26}, "Dry", "26 %"),
    ({"area_ratio": math.nan}, "—", "nan"), ({"sidetie_spacing_m": math.inf}, "—", "inf"),
    ({"sidetie_spacing_m": 0.0}, "—", "0.0 m"),
])
def test_a_pipe_row_shows_its_role_and_no_figure_that_is_none(change, shown, hidden):
    pipe = dataclasses.replace(PLAN.flow.pipes[0], **change)
    row = materials_page._pipe_row(context(*METRIC), pipe, 0.0, 20.0)
    text = " ".join(str(cell) for cell in row)
    assert shown.lower() in text.lower()
    assert not hidden or hidden not in text


def test_pipe_rows_are_cut_to_the_section_and_never_without_length():
    low, high = 10.0, 37.5
    ctx = with_piece(context(*METRIC), low, high)
    first = PLAN.flow.pipes[0]
    pipes = tuple(dataclasses.replace(first, pipe_id=f"P{k}", from_station_m=a, to_station_m=b, taps=90 + k)
                  for k, (a, b) in enumerate(((0.0, 10.0), (5.0, 20.0), (20.0, 60.0), (37.5, 99.0))))
    ctx = changed(ctx, flow=dataclasses.replace(PLAN.flow, pipes=pipes))
    shown = words(materials_page.build(ctx, ctx.plan.sections[0]))
    assert [t for t in shown if t in ("90", "91", "92", "93")] == ["91", "92"]
    for station in (10.0, 20.0, 37.5):
        assert ctx.units.station(station) in shown


# ---------------------------------------------------------------- findings and cover


@pytest.mark.parametrize(("value", "unit", "us", "metric"), [
    (None, "m", "", ""), (1.0, "m", "3.3 ft", "1 m"), (1234.5, "m", "4,050.2 ft", "1,234.5 m"),
    (3.38639, "kPa", "1.00 inHg", "3.39 kPa"), (2.0, "%", "2 %", "2 %"), (0.0, "m", "0.0 ft", "0 m"),
    (17.0, "", "17", "17"),
])
def test_findings_are_measured_in_the_readers_units(value, unit, us, metric):
    """1 ft = 0.3048 m, 1 inHg = 3.38639 kPa (NIST SP 811)."""
    assert findings_page.measured(context(), value, unit) == us
    assert findings_page.measured(context(*METRIC), value, unit) == metric


@pytest.mark.parametrize("language", ["en", "fr"])
def test_a_finding_names_its_subject_code_and_remedy(language):
    finding = Finding("CLEARANCE", "violation", "supports", "M1-S03", 2.4, 2.0, "m", "It hangs high.", "Lower it.")
    other = Finding("NOT_A_CODE", "note", "plan", "", None, None, "", "Something odd.", "Look.")
    layer = Finding("CLEARANCE", "check", "plan", "water", None, None, "", "No water.", "Ask.")
    ctx = changed(context(language, "a4", "metric"), findings=(other, finding, layer))
    text = squeezed(findings_page.build(ctx))
    for wanted in ("M1-S03", "CLEARANCE", "NOT_A_CODE", "Ithangshigh.", "Look.", ctx.w("findings.whole"),
                   ctx.w("common.water")):
        assert squeezed(wanted) in text
    assert (squeezed("Lower it.") in text) is (language == "en")  # elsewhere the code's own remedy stands instead
    order = [text.index(squeezed(ctx.w(f"findings.{s}", n=1))) for s in ("violation", "check", "note")]
    assert order == sorted(order)


def test_without_findings_the_sheet_says_so():
    ctx = changed(context(), findings=())
    assert squeezed(ctx.w("findings.none")) in squeezed(findings_page.build(ctx))


@pytest.mark.parametrize(("count", "named"), [(0, False), (1, True), (40, True), (41, False)])
def test_the_cover_names_doubtful_laterals_until_they_are_too_many(count, named):
    some = [dataclasses.replace(PLAN.laterals[0], lateral_id=f"M9-L{k:03d}", grade_confidence="level it")
            for k in range(count)]
    sure = [dataclasses.replace(la, grade_confidence="high") for la in PLAN.laterals]
    ctx = changed(context(), grouping=dataclasses.replace(PLAN.grouping, laterals=(*sure, *some)))
    text = squeezed(cover_page.build(ctx))
    found = set(re.findall(r"M9-L\d{3}", text))
    assert found == ({f"M9-L{k:03d}" for k in range(count)} if named else set())
    assert (squeezed(ctx.w("cover.level_none")) in text) is (count == 0)
    assert (squeezed(ctx.w("cover.level_more")) in text) is (count > 40)


@pytest.mark.parametrize(("lifts", "wanted"), [
    ((2.4384,), ("cover.lift_one", {"lift": "8.0 ft"})), ((2.4384, 2.4385), ("cover.lift_one", {"lift": "8.0 ft"})),
    ((0.6096, 3.048, math.nan), ("cover.lift", {"low": "2.0 ft", "high": "10.0 ft"})),
])
def test_the_cover_says_which_lift_would_serve_the_low_trees(lifts, wanted):
    n = len(PLAN.trees)
    reason = ("BELOW_OUTLET",) * len(lifts) + ("",) * (n - len(lifts))
    status = ("set_aside",) * len(lifts) + ("served",) * (n - len(lifts))
    lift = np.zeros(n)
    lift[: len(lifts)] = lifts
    ctx = changed(context(), trees=dataclasses.replace(PLAN.trees, reason=reason, status=status), lift_m=lift)
    key, values = wanted
    assert squeezed(ctx.w(key, **values)) in squeezed(cover_page.build(ctx))


def test_the_worth_curve_tells_metres_a_tap_and_nothing_for_no_taps():
    ctx = changed(context(*METRIC), worth_curve=((6.0, 0, 0.0), (12.0, 40, 500.0)))
    shown = words(cover_page.build(ctx))
    assert ctx.units.length(12.5, 1) in shown
    assert squeezed(ctx.w("cover.worth_note")) in squeezed(cover_page.build(ctx))
    plain = squeezed(cover_page.build(changed(context(*METRIC), worth_curve=())))
    assert squeezed(ctx.w("cover.worth_note")) not in plain
