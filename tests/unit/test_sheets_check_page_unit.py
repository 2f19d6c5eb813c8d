"""The check sheet, the overview and the relief of plan maps: everything given is shown, nothing leaves its place."""

from __future__ import annotations

import dataclasses
import re
from functools import cache

import numpy as np
import pytest
from pipeline.errors import Problem
from pipeline.records import NOT_TAPPED_REASONS, SET_ASIDE_REASONS
from pipeline.sheets import check_page, overview_page
from pipeline.sheets.check_page import CheckFacts, Mend
from pipeline.sheets.context import SheetContext, make_context
from pipeline.sheets.mapview import fit_view
from pipeline.sheets.marks import Circle, Group, Page, Polyline, Rect, bounds, flat, texts
from pipeline.sheets.network_map import hillshade, tree_dots
from pipeline.sheets.paper import PAPERS, body_rect
from pipeline.terrain.grid import Terrain

from sample_plan import sample_plan

PLAN, TERRAIN, GROUND = sample_plan()
LOOKS = [("en", "letter", "us"), ("fr", "a4", "metric"), ("fr", "legal", "us"), ("en", "tabloid", "metric")]


@cache
def context(language="en", paper="letter", units="us") -> SheetContext:
    bush = dataclasses.replace(PLAN.settings.bush, language=language, paper=paper, units=units)
    plan = dataclasses.replace(PLAN, settings=dataclasses.replace(PLAN.settings, bush=bush))
    return make_context(plan=plan, terrain=TERRAIN, ground=GROUND)


def with_trees(ctx: SheetContext, **values) -> SheetContext:
    trees = dataclasses.replace(ctx.plan.trees, **values)
    return dataclasses.replace(ctx, plan=dataclasses.replace(ctx.plan, trees=trees))


def facts(**given) -> CheckFacts:
    values = {
        "verdict": "Ready to plan: 61 trees to tap.", "reads": (
            ("Trees", "survey/trees.gpx", "97 read"), ("Terrain", "lidar.tif", "330 x 320 cells")),
        "place": ("Middle of the terrain: latitude 44.21", "330 m from west to east"),
        "decided": ("EPSG:32618 from the file",), "terrain": ("0.10 m", "2 % over 40 m"),
        "classes": (("to be tapped", 61, 75), ("dead", 3, 0)), "left": (("dead", 3, "12, 18, 40", "Walk to them"),),
        "missing": ("water", "no-go"), "mend": (
            Mend("violation", "trees.gpx, row 7", "Two trees have one tag.", "Give each its own."),
            Mend("check", "terrain", "Half of it is flat.", ""), Mend("note", "trees", "Ten are small.", "Nothing.")),
    }
    return CheckFacts(**{**values, **given})


def words(pages: list[Page]) -> list[str]:
    return [t.text.replace("\u00a0", " ") for page in pages for t in texts(page.marks)]


def squeezed(pages: list[Page]) -> str:
    return re.sub(r"\s+", "", " ".join(words(pages)))


def assert_inside(ctx: SheetContext, pages: list[Page]) -> None:
    body = body_rect(ctx)
    for page in pages:
        assert (page.width, page.height) == (PAPERS[ctx.paper].width, PAPERS[ctx.paper].height)
        for mark, clip in flat(page.marks):
            rect = clip if clip is not None else bounds(mark)
            assert rect.x0 >= body.x0 - 1.1, mark
            assert rect.x1 <= body.x1 + 1.1, mark
            assert rect.y0 >= body.y0 - 1.1, mark
            assert rect.y1 <= body.y1 + 1.1, mark


# ---------------------------------------------------------------- check sheet


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
def test_everything_that_was_found_is_on_the_sheet_once(look):
    ctx, told = context(*look), facts()
    pages = check_page.build(ctx, told)
    assert_inside(ctx, pages)
    text = squeezed(pages)
    for row in told.reads:
        assert all(re.sub(r"\s+", "", cell) in text for cell in row)
    for line in (told.verdict, *told.place, *told.decided, *told.terrain, "12, 18, 40", "Walk to them"):
        assert text.count(re.sub(r"\s+", "", line)) == 1, line
    for m in told.mend:
        shown = f"{ctx.w(f'check.{m.severity}').upper()}{m.where}:{m.text}{m.remedy}"
        assert re.sub(r"\s+", "", shown) in text
    assert re.sub(r"\s+", "", ctx.w("check.not_checked", layers="water, no-go")) in text


def test_with_nothing_missing_and_nothing_to_mend_neither_is_spoken_of():
    ctx = context()
    text = squeezed(check_page.build(ctx, facts(missing=(), mend=())))
    assert "NOTCHECKED" not in text
    assert re.sub(r"\s+", "", ctx.w("check.to_mend")) not in text


def test_gravest_lines_are_bold_and_notes_are_not():
    pages = check_page.build(context(), facts())
    bold = {t.text.split("  ")[0]: t.bold for page in pages for t in texts(page.marks) if "  " in t.text}
    assert bold[context().w("check.violation").upper()]
    assert not bold[context().w("check.note").upper()]


def test_a_class_without_taps_has_no_figure_and_reasons_stand_with_their_rows():
    shown = words(check_page.build(context(), facts()))
    at = shown.index("to be tapped")
    assert shown[at + 1: at + 3] == ["61", "75"]
    at = shown.index("dead")
    assert shown[at + 1: at + 4] == ["3", "12, 18, 40", "Walk to them"]


@pytest.mark.parametrize("look", LOOKS[:2], ids="-".join)
def test_much_to_mend_runs_over_pages_and_loses_nothing(look):
    ctx = context(*look)
    many = tuple(Mend("check", f"row {k:03d}", "A long story about one tree. " * 4, "Look at it.") for k in range(80))
    pages = check_page.build(ctx, facts(mend=many))
    assert len(pages) > 1
    assert_inside(ctx, pages)
    found = re.findall(r"row(\d{3}):", squeezed(pages))
    assert found == [f"{k:03d}" for k in range(80)]


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
def test_every_problem_has_its_file_place_and_remedy(look):
    ctx = context(*look)
    problems = [Problem(f"trees{k}.csv", f"row {k}", "nothing", "a number", "Write one.") for k in range(45)]
    pages = check_page.build_problems(ctx, problems)
    assert_inside(ctx, pages)
    shown = words(pages)
    assert sum(t == "Write one." for t in shown) == 45
    assert {t for t in shown if t.startswith("trees")} == {f"trees{k}.csv" for k in range(45)}
    assert re.sub(r"\s+", "", ctx.w("check.must", n=45)) in squeezed(pages)


def test_a_problem_without_a_file_still_says_where():
    shown = words(check_page.build_problems(context(), [Problem("", "[trees]", "x", "y", "z")]))
    assert "[trees]" in shown
    assert "" not in shown


def figures(pages: list[Page]) -> list[Group]:
    return [m for page in pages for m in page.marks if isinstance(m, Group) and m.role == "Figure"]


def test_the_map_shows_tapped_trees_as_dots_and_the_others_as_crosses():
    ctx = context()
    pages = check_page.build(ctx, facts())
    (drawing, _key) = figures(pages)
    strokes = [m for m, _ in flat((drawing,)) if isinstance(m, Polyline)]
    served = int(PLAN.trees.candidate.sum())
    assert any(len(m.parts) == served and m.width == 2.0 for m in strokes)
    crosses = [m for m in strokes if m.color == "#9c0000"]
    assert [len(m.parts) for m in crosses] == [2 * (len(PLAN.trees) - served)]


def test_trees_without_a_place_are_left_off_the_map_and_far_ones_do_not_shrink_it():
    ctx = context()
    x = PLAN.trees.x_m.copy()
    x[0] = np.nan
    lost = figures(check_page.build(with_trees(ctx, x_m=x), facts()))
    dots = [m for m, _ in flat((lost[0],)) if isinstance(m, Polyline) and m.width == 2.0]
    assert len(dots[0].parts) == int(PLAN.trees.candidate.sum()) - 1
    x[0] = PLAN.trees.x_m[0] + 90_000.0
    far = check_page._extent(with_trees(ctx, x_m=x))
    near = check_page._extent(ctx)
    assert np.ptp(far, axis=0).max() <= np.ptp(near, axis=0).max() + 1e-6


def test_without_any_tree_the_map_shows_the_terrain():
    bare = with_trees(context(), **{
        f.name: getattr(PLAN.trees, f.name)[:0] for f in dataclasses.fields(PLAN.trees)})
    west, south, east, north = TERRAIN.bounds
    assert check_page._extent(bare) == pytest.approx(np.array([(west, south), (east, north)]))
    assert len(figures(check_page.build(bare, facts(classes=(), left=())))) == 2


def test_where_no_map_fits_the_sheet_says_so(monkeypatch):
    def refuse(*_args, **_more):
        raise ValueError("too large")

    monkeypatch.setattr(check_page, "fit_view", refuse)
    pages = check_page.build(context(), facts())
    assert figures(pages) == []
    assert re.sub(r"\s+", "", context().w("check.no_map")) in squeezed(pages)


# ---------------------------------------------------------------- overview


@pytest.mark.parametrize("look", LOOKS, ids="-".join)
def test_every_reason_has_its_count_and_its_shape_on_the_overview(look):
    """All twelve ways to be set aside at once, three trees each and one of the last."""
    ctx = context(*look)
    n = len(ctx.plan.trees)
    reasons = [r for r in SET_ASIDE_REASONS for _ in range(3)][:-2]
    lift = np.where(np.arange(n) < 3, 2.4, 0.0)
    reason = tuple(reasons) + ("",) * (n - len(reasons))
    status = ("set_aside",) * len(reasons) + ("served",) * (n - len(reasons))
    made = with_trees(ctx, reason=reason, status=status)
    pages = overview_page.build(dataclasses.replace(made, plan=dataclasses.replace(made.plan, lift_m=lift)))
    assert len(pages) == 1
    assert_inside(ctx, pages)
    shown = words(pages)
    for code in SET_ASIDE_REASONS:
        count = 1 if code == SET_ASIDE_REASONS[-1] else 3
        assert f"{count}  {ctx.w(f'reason.{code}')}" in shown, code
    for key, count in (("served", n - len(reasons)), ("aside", len(reasons)), ("not", 0), ("sum", n)):
        assert ctx.w(f"overview.counts_{key}", n=count) in shown


def test_reasons_not_to_tap_are_no_reasons_to_set_aside():
    ctx = context()
    n = len(ctx.plan.trees)
    made = with_trees(ctx, reason=("DEAD",) * n, status=("not_tapped",) * n)
    shown = " ".join(words(overview_page.build(made)))
    for code in NOT_TAPPED_REASONS:
        assert ctx.w(f"reason.{code}") not in shown
    assert ctx.w("overview.counts_not", n=n) in shown


def test_a_new_reason_is_drawn_and_named_by_its_code():
    ctx = context()
    n = len(ctx.plan.trees)
    made = with_trees(ctx, reason=("FLOODED",) + ("",) * (n - 1), status=("set_aside",) + ("served",) * (n - 1))
    assert "1  FLOODED" in words(overview_page.build(made))


@pytest.mark.parametrize(("lift", "told"), [([], False), ([np.nan, 0.0], False), ([0.0, 1.2192, 2.4384], True)])
def test_the_greatest_lift_is_told_when_trees_lie_too_low(lift, told):
    ctx = context()
    n = len(ctx.plan.trees)
    lifts = np.zeros(n)
    lifts[: len(lift)] = lift
    made = dataclasses.replace(ctx, plan=dataclasses.replace(ctx.plan, lift_m=lifts))
    assert (ctx.w("overview.lift", n=2, lift="8.0 ft") in words(overview_page.build(made))) is told


@pytest.mark.parametrize("away_m", [3_000.0, 20_000.0, 5e6])
def test_a_stray_tree_far_off_the_terrain_is_counted_and_does_not_shrink_the_map(away_m):
    ctx = context()
    x, z = PLAN.trees.x_m.copy(), PLAN.trees.ground_z_m.copy()
    x[-1] += away_m
    z[-1] = np.nan
    made = with_trees(ctx, x_m=x, ground_z_m=z, reason=(*PLAN.trees.reason[:-1], "OFF_TERRAIN"),
                      status=(*PLAN.trees.status[:-1], "set_aside"))
    (page,), (plain,) = overview_page.build(made), overview_page.build(ctx)
    assert f"1  {ctx.w('reason.OFF_TERRAIN')}" in words([page])
    assert np.array(page.geo[0].corners) == pytest.approx(np.array(plain.geo[0].corners), abs=2e-4)
    assert ctx.w("overview.counts_sum", n=len(PLAN.trees)) in words([page])


# ---------------------------------------------------------------- relief


def relief(z, size=60):
    ground = Terrain(np.asarray(z, np.float32), PLAN.collections[0].x_m, PLAN.collections[0].y_m, 1.0, PLAN.frame, 0.1,
                     "a slope")
    west, south, east, north = ground.bounds
    view = fit_view(PLAN.frame, np.array([(west, south), (east, north)]), Rect(50, 50, 450, 450), us=False,
                    margin_pt=0.0)
    image = hillshade(dataclasses.replace(context(), terrain=ground), view)
    return np.frombuffer(image.data, np.uint8).reshape(image.rows, image.columns)


def test_relief_is_lit_from_the_north_west():
    """Of four slopes the one that looks to the light is the lightest, the one away from it the darkest."""
    r, c = np.indices((60, 60), dtype=float)
    hill = relief(400.0 - 0.25 * np.hypot(r - 29.5, c - 29.5))
    n = len(hill)
    level = {name: float(hill[int(n * a) - 4: int(n * a) + 4, int(n * b) - 4: int(n * b) + 4].mean())
             for name, a, b in (("NW", 0.3, 0.3), ("NE", 0.3, 0.7), ("SW", 0.7, 0.3), ("SE", 0.7, 0.7))}
    assert level["NW"] > max(level["NE"], level["SW"]) + 10.0
    assert level["SE"] < min(level["NE"], level["SW"]) - 10.0
    assert level["NE"] == pytest.approx(level["SW"], abs=12.0)


def test_level_ground_and_ground_without_data_have_no_relief():
    level = relief(np.full((60, 60), 400.0))
    assert np.ptp(level[60:140, 60:140]) == 0
    none = relief(np.full((60, 60), np.nan))
    assert none.min() == none.max() == 255


@pytest.mark.parametrize("n", [0, 1, 500])
def test_many_trees_are_dots_in_one_stroke(n):
    marks = tree_dots(np.random.default_rng(1).uniform(0.0, 99.0, (n, 2)), 2.0)
    assert len(marks) == min(n, 1)
    assert sum(len(m.parts) for m in marks) == n
    assert not any(isinstance(m, Circle) for m in marks)
