"""``fallgrade check``: reads everything, plans nothing, and tells on one page what was understood."""

from __future__ import annotations

import dataclasses
import math
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from pipeline import ground as ground_room
from pipeline import reading, run
from pipeline.errors import FallgradeError, OutputError, Problem
from pipeline.findings import Finding, in_order
from pipeline.reading import Inputs, Report, quiet
from pipeline.records import Flow, Ground, Grouping, Pins, Plan, SurveyPoints, Takeoff, Trees
from pipeline.settings import Settings
from pipeline.sheets import check_page
from pipeline.sheets.check_page import CheckFacts, Mend
from pipeline.sheets.context import SheetContext, make_context
from pipeline.sheets.geopdf import DocumentInfo, to_pdf
from pipeline.sheets.local import words_local
from pipeline.sheets.marks import Page
from pipeline.sheets.paper import framed
from pipeline.store.planfolder import write_files
from pipeline.terrain.confidence import HIGH_PROBABILITY, fall_probability
from pipeline.terrain.grid import Terrain
from pipeline.units import ACRE_M2, FT_M

# findings that tell how a CRS, a unit or a window was decided
DECIDED = frozenset({
    "TERRAIN_UNIT", "TERRAIN_UNIT_ASSUMED", "TERRAIN_CRS_FROM_FILE", "TERRAIN_WINDOW", "TERRAIN_RESAMPLED",
    "CRS_ASSUMED", "DBH_UNIT_FROM_HEAD",
})
# findings whose whole content stands in the table of trees
COUNTED = frozenset({"TREES_NOT_TAPPED", "TREES_SET_ASIDE"})
ROWS_NAMED = 8
PROVED_US_M = (50 * FT_M, 100 * FT_M, 300 * FT_M)
PROVED_METRIC_M = (15.0, 30.0, 100.0)
STEEPEST_PCT = 100.0
MAP_COLS, MAP_ROWS = 56, 18
MANY = 5  # trees in one cell of the map


@dataclass(frozen=True, slots=True, eq=False)
class Checked:
    """Everything that was read, judged as far as a check goes."""

    given: Inputs
    trees: Trees
    ground: Ground
    findings: tuple[Finding, ...]


def check(bush: Path, report: Report = quiet) -> Checked:
    """Read everything a bush file names and judge the survey.

    Raises
    ------
    BushFileError, InputDataError
        With every problem of every file.
    """
    given = reading.read_inputs(bush, report)
    trees, ground, findings = run.survey_stage(given)
    return Checked(given, trees, ground, in_order((*given.findings, *findings)))


# ------------------------------------------------------------------------ facts


def context(checked: Checked) -> SheetContext:
    """Return what the sheets kit needs: a plan without lines, and no check code, for nothing is to be built."""
    given, n = checked.given, len(checked.trees)
    plan = Plan(
        settings=given.settings, frame=given.terrain.frame, trees=checked.trees,
        tree_lateral=np.full(n, -1, dtype=np.int64), tree_order=np.zeros(n, dtype=np.int64),
        tree_line_z_m=np.full(n, np.nan), collections=given.collections, mainlines=(),
        grouping=Grouping((), checked.trees.reason, np.empty(0)), flow=Flow((), (), np.empty(0)), crossings=(),
        sections=(), takeoff=Takeoff((), (), {}, given.settings.prices.currency), safety={}, findings=checked.findings,
        not_checked=checked.ground.missing, lift_m=np.full(n, np.nan),
    )
    ctx = make_context(plan=plan, terrain=given.terrain, ground=checked.ground)
    own = {"common.plan_box": ctx.w("check.box"), "common.check_code": ctx.w("check.no_code")}
    return dataclasses.replace(ctx, words={**ctx.words, **own})


def facts(checked: Checked, ctx: SheetContext) -> CheckFacts:
    """Return what the check found, in the words of the bush file's language."""
    tapped, taps = int(checked.trees.candidate.sum()), int(checked.trees.taps.sum())
    looks = sum(f.severity != "note" for f in checked.findings)
    key = "check.ready" if tapped and not looks else "check.look" if tapped else "check.nothing"
    verdict = ctx.w(key, trees=_n(ctx, tapped), taps=_n(ctx, taps), looks=looks)
    unchecked = len(checked.ground.missing)
    return CheckFacts(
        verdict=f"{verdict} {ctx.w('check.unchecked', n=unchecked)}" if unchecked else verdict,
        reads=_reads(checked, ctx), place=_place(checked, ctx),
        decided=tuple(_said(ctx, f) for f in checked.findings if f.code in DECIDED),
        terrain=_terrain(checked, ctx), classes=_classes(checked, ctx), left=_left(checked, ctx),
        missing=tuple(ctx.w(f"common.{kind}") for kind in checked.ground.missing),
        mend=tuple(
            Mend(f.severity, _where(f, checked), _said(ctx, f), f.remedy)
            for f in checked.findings if f.code not in DECIDED | COUNTED or f.severity != "note"
        ),
    )


def _n(ctx: SheetContext, count: int) -> str:
    return words_local(ctx, f"{count:,d}")


def _said(ctx: SheetContext, finding: Finding) -> str:
    """Return a finding's sentence; before it its gist, where the reader's language is not the program's."""
    if ctx.language == "en":
        return finding.text
    return f"{ctx.words.get(f'finding.{finding.code}', finding.code)} — {finding.text}"


def _where(finding: Finding, checked: Checked) -> str:
    """Return file and layer of what a finding is about."""
    settings = checked.given.settings
    if finding.layer == "trees" or finding.code == "CRS_ASSUMED":
        return checked.given.points.source + (f", {finding.subject_id}" if finding.subject_id else "")
    if finding.subject_id == "terrain":
        return settings.terrain.file
    layer = next((g for g in checked.ground.layers if g.kind == finding.subject_id), None)
    return f"{layer.source} ({layer.kind})" if layer is not None else finding.subject_id or "bush.toml"


def _reads(checked: Checked, ctx: SheetContext) -> tuple[tuple[str, str, str], ...]:
    given, w = checked.given, ctx.w
    rows, cols = given.terrain.shape
    west, south, east, north = given.terrain.bounds
    area = (
        f"{(east - west) * (north - south) / ACRE_M2:,.0f} {w('check.acres')}" if ctx.units.is_us
        else f"{(east - west) * (north - south) / 1e4:,.1f} ha"
    )
    cells = w("check.cells", cols=_n(ctx, cols), rows=_n(ctx, rows), area=words_local(ctx, area),
              gaps=f"{100.0 * float(np.isnan(given.terrain.z_m).mean()):.0f} %")
    trees = w("check.trees_read", read=_n(ctx, len(checked.trees)), tapped=_n(ctx, int(checked.trees.candidate.sum())),
              taps=_n(ctx, int(checked.trees.taps.sum())))
    found = [(w("check.the_terrain"), given.settings.terrain.file, cells),
             (w("check.the_trees"), given.points.source, trees)]
    for layer in checked.ground.layers:
        rule = w(f"check.rule_{layer.rule.rule}")
        found.append((w(f"common.{layer.kind}"), layer.source, w("check.shapes", n=len(layer.shapes), rule=rule)))
    pins = given.pins
    if given.settings.pins.file:
        found.append((w("check.the_pins"), given.settings.pins.file,
                      w("check.pins", lines=len(pins.lines), gaps=len(pins.gaps), avoid=len(pins.avoid))))
    prices = given.settings.prices.file
    found.append((w("check.the_prices"), prices or "templates/prices.csv",
                  w("check.prices", n=len(given.prices)) if prices else w("check.prices_examples")))
    return tuple(found)


def _place(checked: Checked, ctx: SheetContext) -> tuple[str, ...]:
    given, w = checked.given, ctx.w
    terrain = given.terrain
    west, south, east, north = terrain.bounds
    z = terrain.z_m[np.isfinite(terrain.z_m)]
    low, high = (float(z.min()), float(z.max())) if z.size else (math.nan, math.nan)
    lines = []
    lon, lat = terrain.frame.lonlat((west + east) / 2.0, (south + north) / 2.0)
    if terrain.frame.on_earth:
        lines.append(w("check.middle", lat=f"{float(lat):.5f}", lon=f"{float(lon):.5f}"))
    size = {"wide": ctx.units.length(east - west), "high": ctx.units.length(north - south)}
    lines.append(w("check.extent", **{k: words_local(ctx, v) for k, v in size.items()}))
    unit = ctx.units.length_unit
    lines.append(w("check.heights", low=words_local(ctx, ctx.units.elevation_value(low)),
                   high=words_local(ctx, f"{ctx.units.elevation_value(high)} {unit}")))
    lines += [
        w("check.tank", id=point.collection_id, inlet=words_local(ctx, ctx.units.elevation_value(point.inlet_z_m)),
          above=words_local(ctx, ctx.units.height(point.inlet_z_m - point.ground_z_m)), unit=words_local(ctx, unit))
        for point in given.collections
    ]
    return tuple(lines)


def _terrain(checked: Checked, ctx: SheetContext) -> tuple[str, ...]:
    terrain, settings = checked.given.terrain, checked.given.settings
    said = [
        ctx.w("check.crs", crs=terrain.frame.name or ctx.w("check.local"), vertical=terrain.frame.vertical),
        ctx.w("check.kind", kind=ctx.w("check.bare_earth"), cell=words_local(ctx, ctx.units.length(terrain.cell_m, 1)),
              error=words_local(ctx, ctx.units.length(terrain.vertical_error_m, 2))),
    ]
    want = settings.mainlines.min_grade_pct
    proved = []
    for length_m in PROVED_US_M if ctx.units.is_us else PROVED_METRIC_M:
        grade = provable_grade_pct(length_m, min_grade_pct=want, vertical_error_m=terrain.vertical_error_m,
                                   gps_error_m=settings.trees.gps_error_m)
        if math.isfinite(grade):
            proved.append(ctx.w("check.proves", length=words_local(ctx, ctx.units.length(length_m)),
                                grade=words_local(ctx, f"{grade:.1f} %")))
    if proved:
        said.append(ctx.w("check.proved", want=words_local(ctx, f"{want:g} %"), list=", ".join(proved)))
    else:
        said.append(ctx.w("check.proves_nothing"))
    return tuple(said)


def provable_grade_pct(
    length_m: float, *, min_grade_pct: float, vertical_error_m: float, gps_error_m: float
) -> float:
    """Return the least design grade that the terrain proves to fall by the minimum grade over a length.

    "Proves" as :func:`pipeline.terrain.confidence.grade_confidence` says ``high``. NaN when the terrain's
    error is not known, or when no grade up to 100 % would do.
    """
    if not vertical_error_m > 0.0:
        return math.nan

    def chance(grade_pct: float) -> float:
        return fall_probability(
            length_m=length_m, fall_m=grade_pct / 100.0 * length_m, min_grade_pct=min_grade_pct,
            vertical_error_m=vertical_error_m, gps_error_m=gps_error_m,
        )

    low, high = min_grade_pct, STEEPEST_PCT
    if chance(high) < HIGH_PROBABILITY:
        return math.nan
    while high - low > 1e-3:
        middle = (low + high) / 2.0
        low, high = (low, middle) if chance(middle) >= HIGH_PROBABILITY else (middle, high)
    return high


def _classes(checked: Checked, ctx: SheetContext) -> tuple[tuple[str, int, int], ...]:
    """Return every tree once: by taps where it gets any, by reason where it does not."""
    trees = checked.trees
    taps = Counter(int(t) for t, c in zip(trees.taps, trees.candidate, strict=True) if c)
    rows = [(ctx.w("check.class_one" if t == 1 else "check.class", taps=t), n, n * t) for t, n in sorted(taps.items())]
    return (*rows, *((name, count, 0) for name, count, _, _ in _left(checked, ctx)))


def _left(checked: Checked, ctx: SheetContext) -> tuple[tuple[str, int, str, str], ...]:
    """Return the trees that get no tap by reason, with their rows in the file."""
    trees = checked.trees
    found = []
    reasons = Counter(zip(trees.status, trees.reason, strict=True))
    for (status, reason), count in sorted(reasons.items(), key=lambda item: (item[0][0], -item[1], item[0][1])):
        if not reason:
            continue
        rows = sorted(int(r) for r, why in zip(checked.given.points.row, trees.reason, strict=True) if why == reason)
        more = f" +{len(rows) - ROWS_NAMED}" if len(rows) > ROWS_NAMED else ""
        name = f"{ctx.w(f'cover.status_{status}')}: {ctx.words.get(f'reason.{reason}', reason)}"
        listed = ctx.w("check.rows", rows=", ".join(map(str, rows[:ROWS_NAMED])) + more)
        found.append((name, count, listed, ctx.words.get(f"serve.{reason}", "")))
    return tuple(found)


# --------------------------------------------------------------------- terminal


def lines(checked: Checked) -> list[str]:
    """Return the page for the terminal."""
    ctx = context(checked)
    found = facts(checked, ctx)
    out = ["", checked.given.settings.bush.name, f"  {found.verdict}", ""]
    out += [f"  {what:<14} {file}: {holds}" for what, file, holds in found.reads]
    blocks = (("check.place", found.place), ("check.decided", found.decided), ("check.terrain", found.terrain))
    for title, texts in blocks:
        out += ["", f"  {ctx.w(title)}", *(f"    {text}" for text in texts)]
    out += ["", *(f"    {row}" for row in text_map(checked)), f"    {ctx.w('check.text_key')}"]
    out += ["", f"  {ctx.w('check.col_trees')}"]
    why = {name: f"  {rows}. {remedy}" for name, _, rows, remedy in found.left}
    for name, count, taps in found.classes:
        out.append(f"    {count:>6,d}  {name}{f' = {taps:,d}' if taps > count else ''}{why.get(name, '')}")
    out += [""] + [f"  {layer}: {ctx.w('common.not_checked')}" for layer in found.missing]
    if found.mend:
        out += ["", f"  {ctx.w('check.to_mend')}"]
        out += [f"    {ctx.w(f'check.{m.severity}')}: {m.where}: {m.text} {m.remedy}".rstrip() for m in found.mend]
    return out


def text_map(checked: Checked) -> list[str]:
    """Return a map of letters: C collection, O many trees, o trees, x trees left out, # barred, . ground."""
    terrain, trees = checked.given.terrain, checked.trees
    west, south, east, north = terrain.bounds
    step = max((east - west) / MAP_COLS, (north - south) / (2.0 * MAP_ROWS))
    cols, rows = math.ceil((east - west) / step - 1e-9), math.ceil((north - south) / (2.0 * step) - 1e-9)
    nothing, barred = np.isnan(terrain.z_m), np.isinf(checked.ground.cost)
    across, down = step / terrain.cell_m, 2.0 * step / terrain.cell_m
    picture = np.full((rows, cols), " ")
    for i, j in np.ndindex(rows, cols):
        here = np.s_[int(i * down) : max(int((i + 1) * down), int(i * down) + 1),
                     int(j * across) : max(int((j + 1) * across), int(j * across) + 1)]
        ground = ~nothing[here]
        if ground.any():
            picture[i, j] = "#" if (barred[here] & ground).any() else "."

    def cell(px: float, py: float) -> tuple[int, int] | None:
        if not (west <= px <= east and south <= py <= north):
            return None
        return min(int((north - py) / (2.0 * step)), rows - 1), min(int((px - west) / step), cols - 1)

    places = [cell(px, py) for px, py in zip(trees.x_m.tolist(), trees.y_m.tolist(), strict=True)]
    for place, ok in zip(places, trees.candidate, strict=True):
        if place and not ok:
            picture[place] = "x"
    for spot, count in Counter(p for p, ok in zip(places, trees.candidate, strict=True) if p and ok).items():
        picture[spot] = "O" if count >= MANY else "o"
    for place in (cell(point.x_m, point.y_m) for point in checked.given.collections):
        if place:
            picture[place] = "C"
    return ["".join(row).rstrip() for row in picture.tolist()]


# ------------------------------------------------------------------------ paper


def pdf(checked: Checked) -> bytes:
    """Return the check sheet as PDF."""
    ctx = context(checked)
    return _print(ctx, check_page.build(ctx, facts(checked, ctx)))


def problems_pdf(error: FallgradeError, bush: Path) -> bytes:
    """Return the check sheet of data that cannot be used: what to mend, to be ticked off."""
    try:
        settings = reading.read_settings(bush)
    except FallgradeError:
        settings = Settings()
    nothing = np.empty(0)
    none = np.empty(0, dtype=np.int64)
    terrain = Terrain(np.full((3, 3), np.nan, dtype=np.float32), 0.0, 0.0, 1.0, reading.STAND_IN_FRAME, 0.0,
                      settings.terrain.file)
    trees = Trees((), nothing, nothing, nothing, (), nothing, none, (), (), ())
    points = SurveyPoints((), nothing, nothing, (), nothing, (), none, settings.trees.file)
    given = Inputs(settings, terrain, points, (), Pins(), (), {}, ())
    ground, _ = ground_room.prepare(terrain=terrain, layers=(), pins=Pins(), settings=settings)
    ctx = context(Checked(given, trees, ground, ()))
    ctx = dataclasses.replace(ctx, words={**ctx.words, "common.datum": ctx.w("check.no_datum")})
    return _print(ctx, check_page.build_problems(ctx, error.problems))


def _print(ctx: SheetContext, pages: list[Page]) -> bytes:
    bush = ctx.plan.settings.bush
    return to_pdf(framed(ctx, pages), DocumentInfo(
        title=f"{bush.name} {ctx.w('check.title')}", author=bush.made_by or "fallgrade", subject=ctx.w("check.no_code"),
        language=ctx.language, date=ctx.date, compact=False,
    ))


def write_pdf(sheet: bytes, target: Path) -> Path:
    """Write a check sheet and return its path.

    Raises
    ------
    OutputError
        When the name is not that of a PDF, so that no input can be written over, or the folder cannot be written.
    """
    if target.suffix.lower() != ".pdf":
        raise OutputError([Problem(str(target), "--pdf", f"the name {target.name!r}", "a name that ends in .pdf",
                                   "Add .pdf to the name.")])
    return write_files(target.parent, {target.name: sheet})[0]
