"""The map of a change sheet: what goes, what stays, what is new, and what the storm left."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
import numpy.typing as npt
import shapely

from pipeline.records import Change, ChangeItem, Lateral, Mainline
from pipeline.sheets import change_marks as signs
from pipeline.sheets import symbols
from pipeline.sheets.context import SheetContext
from pipeline.sheets.contour_layer import contours, figures
from pipeline.sheets.ground_layer import draw_ground, hatch
from pipeline.sheets.labels import Label, LabelField, label_marks
from pipeline.sheets.local import words_local
from pipeline.sheets.map_grid import grid
from pipeline.sheets.mapview import MapView, fit_view
from pipeline.sheets.marks import BLACK, Box, Circle, Group, Line, Mark, Point, Rect

Floats = npt.NDArray[np.float64]

_MARGIN_PT = 30.0
_LEAST_RATIO = 235.0
_STORM_NEAR_M = 40.0  # logged things this near a section's changes are on its map


@dataclass(slots=True)
class ChangeMap:
    """One drawn map: its view, marks, and what found no room."""

    view: MapView
    marks: list[Mark] = field(default_factory=list)
    dropped: list[Label] = field(default_factory=list)


def draw(ctx: SheetContext, change: Change, items: tuple[ChangeItem, ...], frame: Rect) -> ChangeMap:
    """Return the map of some changes in a frame, fitted round them."""
    points = np.vstack([np.array(i.xyz_m)[:, :2] for i in items])
    old = [xyz[:, :2] for xyz in _before(ctx, items).values()]
    shown = np.vstack((points, *_logged_at(change, items[0].section_id, points), *old))
    view = fit_view(ctx.plan.frame, shown, frame, us=ctx.units.is_us, margin_pt=_MARGIN_PT, least_ratio=_LEAST_RATIO)
    near = shapely.MultiPoint(points).buffer(_STORM_NEAR_M)
    out = ChangeMap(view)
    lines = contours(ctx.terrain, view, us=ctx.units.is_us)
    ground = draw_ground(ctx.ground.layers, view, ctx.terrain)
    net = grid(ctx.plan.frame, view)
    field_ = LabelField(frame)
    field_.lines(lines.minor_lines, 0.35, reach=0)
    field_.lines(ground.lines, 3.0, reach=2)
    for box in net.label_boxes:
        field_.take(box)
    kept = _kept(ctx, view, items, field_)
    blown = _blown(change, view)
    changed, labels = _changed(items, view, field_)
    storm, storm_labels = _storm(change, view, near, field_)
    placed = _place(out, field_, [*labels, *storm_labels, *_names(ctx, view, items)])
    out.marks += [*lines.marks, *ground.marks, *net.crosses, *blown, *kept, *changed, *storm,
                  *figures(lines, field_, say=partial(words_local, ctx)), *net.labels, *placed]
    return out


def _logged_at(change: Change, section_id: str, points: Floats) -> list[Floats]:
    """Return the places of what a section's first step names, blown ground apart, when they are near its changes."""
    step = next((s for s in change.steps if s.section_id == section_id and s.action == "safe"), None)
    names = dict(step.values).get("items", "").split(";") if step else []
    near = shapely.MultiPoint(points)
    return [
        shapely.get_coordinates(i.shape) for i in change.items
        if str(i.number) in names and i.shape.area == 0.0 and i.shape.distance(near) <= _STORM_NEAR_M
    ]


def figure(ctx: SheetContext, drawn: ChangeMap, section_id: str) -> Group:
    """Return a map as a figure with its frame."""
    alt = ctx.w("change.alt_map", section=section_id, ratio=f"{drawn.view.ratio:.0f}")
    return Group((Group(tuple(drawn.marks), clip=drawn.view.rect), Box(drawn.view.rect, width=1.4)),
                 role="Figure", alt=alt)


# ---------------------------------------------------------------- what stays


def _inside(view: MapView, xy: Floats) -> bool:
    west, south, east, north = view.window_m()
    (x0, y0), (x1, y1) = xy.min(axis=0), xy.max(axis=0)
    return bool(x1 >= west and x0 <= east and y1 >= south and y0 <= north)


def _before(ctx: SheetContext, items: tuple[ChangeItem, ...]) -> dict[str, Floats]:
    """Return the vertices of laterals that go on to new trees as they were, by ID."""
    more = {i.subject_id: len(i.xyz_m) - 1 for i in items if i.note == "extend"}
    return {la.lateral_id: la.xyz_m[:-more[la.lateral_id]] for la in ctx.plan.laterals if la.lateral_id in more}


def _kept(ctx: SheetContext, view: MapView, items: tuple[ChangeItem, ...], field_: LabelField) -> list[Mark]:
    """Return the lines that stay, with their supports and trees."""
    new = {i.subject_id for i in items if i.action != "remove" and i.layer == "laterals"}
    mains = [m for m in ctx.plan.mainlines if _inside(view, m.xyz_m[:, :2])]
    kept = [la.xyz_m for la in ctx.plan.laterals if la.lateral_id not in new]
    laterals = [xyz for xyz in (*kept, *_before(ctx, items).values()) if _inside(view, xyz[:, :2])]
    main_lines = [view.page(m.xyz_m) for m in mains]
    lateral_lines = [view.page(xyz) for xyz in laterals]
    field_.lines(main_lines, 6.0, reach=1)
    field_.lines(lateral_lines, 2.0, reach=0)
    marks = [*signs.keep_lines(lateral_lines, 1.0), *signs.keep_lines(main_lines, 2.6)]
    for xyz in laterals:
        marks += [Circle(float(x), float(y), 1.3, width=0.0, fill="#6f6f6f") for x, y in view.page(xyz[1:])]
    for line in mains:
        for s, (x, y) in zip(line.supports, view.page(line.xyz_m).tolist(), strict=True):
            if view.rect.inset(2.0).holds(Rect(x, y, x, y)):
                marks += symbols.support(x, y, s.kind, r=2.4)
    return marks


def _blown(change: Change, view: MapView) -> list[Mark]:
    marks: list[Mark] = []
    for item in change.items:
        if item.shape.area <= 0.0:
            continue
        shape = view.shape(item.shape, 4.0)
        for part in shapely.get_parts(shape):
            if part.geom_type == "Polygon" and not part.is_empty:
                rings = [signs.points_of(shapely.get_coordinates(r)) for r in (part.exterior, *part.interiors)]
                marks += signs.blown_area(rings, hatch(part, 45.0, 7.0))
    return marks


# ---------------------------------------------------------------- what changes


def _changed(
    items: tuple[ChangeItem, ...], view: MapView, field_: LabelField
) -> tuple[list[Mark], list[Label]]:
    marks: list[Mark] = []
    labels: list[Label] = []
    for action in ("mend", "remove", "new"):
        for item in (i for i in items if i.action == action):
            line = view.page(np.array(item.xyz_m)[:, :2])
            wide = {"mainlines": 2.8, "laterals": 1.7}.get(item.layer, 0.0)
            if len(line) > 1:
                draw_line = {"mend": signs.mend_line, "remove": signs.remove_line, "new": signs.new_line}[action]
                marks += draw_line(line, wide)
                field_.lines([line], 30.0, reach=3)
            elif action == "remove":
                marks += signs.remove_point(*_point(line))
            if item.layer == "supports" and action == "new":
                x, y = _point(line)
                marks += [Circle(x, y, 5.2, width=1.6, color=signs.NEW, fill="#ffffff"), *symbols.support(x, y, "post")]
                field_.block_disc(x, y, 6.0)
            if item.layer == "laterals" and action != "remove":
                marks += [Circle(float(x), float(y), 1.7, width=0.0, fill=BLACK) for x, y in line[1:]]
            labels.append(_mark_label(item, line))
    return marks, labels


def _point(line: Floats) -> Point:
    return float(line[0, 0]), float(line[0, 1])


def _mark_label(item: ChangeItem, line: Floats) -> Label:
    """Return the label of a mark at the middle of its line."""
    steps = np.concatenate(([0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T)))) if len(line) > 1 else np.zeros(1)
    x = float(np.interp(steps[-1] / 2.0, steps, line[:, 0]))
    y = float(np.interp(steps[-1] / 2.0, steps, line[:, 1]))
    # the label keeps the room of a sign, which is as high as it is wide
    return Label(x, y, "MM", 2.0 * signs.sign_half(item.mark) / 1.4, bold=True, clear=7.0, kind="mark", tag=item.mark)


# ---------------------------------------------------------------- what the storm left


def _storm(
    change: Change, view: MapView, near: shapely.Geometry, field_: LabelField
) -> tuple[list[Mark], list[Label]]:
    marks: list[Mark] = []
    labels: list[Label] = []
    stems = {tuple(np.round(i.shape.coords[0], 1)) for i in change.items if i.shape.length > 0 and i.shape.area == 0.0}
    for item in change.items:
        if item.shape.area > 0.0 or not item.shape.intersects(near):
            continue
        line = view.page(shapely.get_coordinates(item.shape)[:, :2])
        foot, tip = _point(line), ((float(line[-1, 0]), float(line[-1, 1])) if len(line) > 1 else None)
        if not view.rect.inset(5.0).holds(Rect(*foot, *foot)):
            continue
        at = tuple(np.round(shapely.get_coordinates(item.shape)[0], 1))
        if not (item.kind == "tree_down" and at in stems):  # its stem carries the symbol
            marks += signs.logged(item, foot, tip)
        field_.block_disc(*foot, 5.0)
        if tip is not None:
            field_.lines([line], 12.0, reach=1)
        labels.append(Label(*foot, str(item.number), 7.6, bold=True, clear=6.5, kind="storm", tag="storm"))
    return marks, labels


# ---------------------------------------------------------------- names


def _names(ctx: SheetContext, view: MapView, items: tuple[ChangeItem, ...]) -> list[Label]:
    """Return names of lines that stay near the changes, supports first."""
    out: list[Label] = []
    room = view.rect.inset(10.0)
    touched = {i.subject_id.split("-")[0] for i in items}
    laterals: dict[str, Lateral] = {la.lateral_id: la for la in ctx.plan.laterals}
    changed = {i.subject_id for i in items}
    lines: list[Mainline] = [m for m in ctx.plan.mainlines if m.mainline_id in touched]
    single = len(lines) == 1
    for line in lines:
        for s, (x, y) in zip(line.supports, view.page(line.xyz_m).tolist(), strict=True):
            if room.holds(Rect(x, y, x, y)):
                name = s.support_id.rpartition("-")[2] if single else s.support_id
                out.append(Label(x, y, name, 7.0, bold=True, clear=3.4, kind="support", tag=s.support_id, rings=3))
    grown = _before(ctx, items)
    for name, lateral in laterals.items():
        (x, y), = view.page(grown.get(name, lateral.xyz_m)[-1:])
        if lateral.mainline_id in touched and (name not in changed or name in grown) and room.holds(Rect(x, y, x, y)):
            short = name.rpartition("-")[2] if single else name
            out.append(Label(float(x), float(y), short, 6.8, clear=2.4, style="box", kind="lateral", tag=name, rings=3))
    return out


def _place(out: ChangeMap, field_: LabelField, labels: list[Label]) -> list[Mark]:
    """Return the marks of all labels that found room; signs of changes are drawn as such."""
    marks: list[Mark] = []
    for label in labels:
        if label.kind == "mark":
            found = field_.place(label) or field_.place(replace(label, rings=7), across=True)
        else:
            found = field_.place(label)
        if found is None:
            out.dropped.append(label)
            continue
        box, far = found
        if label.kind != "mark":
            marks += label_marks(label, box, far=far)
            continue
        x, y = box.center
        marks.append(Line(label.x, label.y, x, y, 0.9))
        marks += signs.mark_sign(label.tag, x, y)
    return marks
