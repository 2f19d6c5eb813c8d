"""Reads what crews logged after a storm: waypoints, tables, layers with points, stems and blown areas.

A row says what happened with a word of ``templates/storm.csv``; a word that stands in
no row there is never guessed at, but listed with the known ones. A row names a tree or
a part of the plan by its ID, or gives a place.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import shapely
from shapely.geometry.base import BaseGeometry

from pipeline.errors import InputDataError, Problem
from pipeline.frame import Frame
from pipeline.records import Lateral, Mainline, Plan, Storm, StormItem, StormKind
from pipeline.resources import template_rows
from pipeline.store import guard, words
from pipeline.store.layers import changer
from pipeline.store.project import parse_crs
from pipeline.store.tables import Table, layer_names, read_table

KIND_HEADS = ("kind", "what", "type", "damage", "degat", "genre", "sorte", "evenement", "event")
ID_HEADS = ("tree", "tree_id", "tag", "arbre", "etiquette", "id_arbre", "support", "support_id", "lateral",
            "lateral_id", "mainline", "mainline_id", "line", "line_id", "ligne", "subject", "subject_id", "id")
NOTE_HEADS = ("note", "notes", "desc", "cmt", "comment", "comments", "remarque", "remarques", "description")
# what our own field points carry as their type: such a waypoint without a storm word has not changed
FIELD_POINT_TYPES = ("support", "entry")
_MOST_LISTED = 20
_MARKS = ":;,.-(/"


@dataclass(frozen=True, slots=True, eq=False)
class _Row:
    """One row of any file: its cells by folded head, its shape in the plan's frame, where it stood."""

    cells: dict[str, str]
    shape: BaseGeometry | None
    where: str
    gpx: bool


def known_words() -> dict[str, StormKind]:
    """Return what each storm word means, folded (no case, accents or punctuation)."""
    return {words.fold(row["word"]): row["kind"] for row in template_rows("storm.csv")}  # type: ignore[misc]


def read_storm(path: Path, plan: Plan) -> Storm:
    """Return what a storm file logged, in the plan's frame.

    Parameters
    ----------
    path : Path
        GPX waypoints, CSV, GeoPackage (all its layers), GeoJSON, shapefile or KML.
    plan : Plan
        Gives the frame, and the trees and parts that rows may name.

    Raises
    ------
    InputDataError
        With every row that cannot be understood; unknown words come in one list with the known ones.
    """
    rows, problems = _rows(path, plan.frame)
    if problems:
        raise InputDataError(problems)
    reader = _Reader(path.name, plan)
    for row in rows:
        reader.take(row)
    reader.finish()
    return Storm(path.name, tuple(reader.items), reader.unchanged)


# ---------------------------------------------------------------- rows


def _rows(path: Path, frame: Frame) -> tuple[list[_Row], list[Problem]]:
    found = guard.locate(path.parent, path.name, "storm file")
    if isinstance(found, Problem):
        return [], [found]
    rows: list[_Row] = []
    problems: list[Problem] = []
    for layer in _layers(found, path.name):
        table, wrong = read_table(found, path.name, "storm", layer)
        problems += wrong
        if table is None:
            continue
        shapes, problem = _shapes(table, frame, path.name)
        if problem is not None:
            problems.append(problem)
            continue
        place = f"layer {table.layer}, row" if table.layer else "row"
        for i, number in enumerate(table.row.tolist()):
            cells = {words.fold(h): c[i].strip() for h, c in table.columns.items() if c[i].strip()}
            if cells or shapes[i] is not None:
                rows.append(_Row(cells, shapes[i], f"{place} {number}", table.driver == "GPX"))
    if not rows and not problems:
        problems.append(Problem(path.name, "storm", "no rows", "one row per thing that the storm left",
                                "Export the crew's waypoints or layers again."))
    return rows, problems


def _layers(path: Path, name: str) -> Sequence[str]:
    """Return the layers to read: all of a GeoPackage, the only one of other files."""
    if guard.vector_format(path, name, "storm") != "GPKG":
        return ("",)
    try:
        return [layer for layer in layer_names(path) if layer != "layer_styles"]
    except (OSError, RuntimeError, ValueError):
        return ("",)  # the reader of the one layer tells what is wrong


def _shapes(table: Table, frame: Frame, name: str) -> tuple[list[BaseGeometry | None], Problem | None]:
    if table.shapes is None:
        return _cell_points(table, frame), None
    if not frame.on_earth:
        return list(table.shapes), None
    crs = parse_crs(table.crs_wkt) if table.crs_wkt else None
    if crs is None:
        return [], Problem(name, f"layer {table.layer}", "no CRS", "a layer that says its CRS",
                           "Save the layer with its CRS.")
    change = changer(crs, frame)
    return [None if s is None or s.is_empty else change(shapely.force_2d(s)) for s in table.shapes], None


def _cell_points(table: Table, frame: Frame) -> list[BaseGeometry | None]:
    """Return points from lon/lat or x/y columns; None where a row has none."""
    heads = list(table.columns)
    lon, lat = words.find_column(heads, "lon"), words.find_column(heads, "lat")
    x, y = words.find_column(heads, "x"), words.find_column(heads, "y")
    n = len(table)
    if lon and lat and frame.on_earth:
        first = np.array([words.degrees(c) for c in table.columns[lon]])
        second = np.array([words.degrees(c) for c in table.columns[lat]])
        px, py = frame.from_lonlat(first, second)
    elif x and y:
        px = np.array([words.number(c) for c in table.columns[x]])
        py = np.array([words.number(c) for c in table.columns[y]])
    else:
        return [None] * n
    fine = np.isfinite(px) & np.isfinite(py)
    return [shapely.Point(px[i], py[i]) if fine[i] else None for i in range(n)]


# ---------------------------------------------------------------- meaning


class _Reader:
    """Understands rows one by one and keeps everything that cannot be understood."""

    def __init__(self, file: str, plan: Plan) -> None:
        self.file = file
        self.plan = plan
        self.known = known_words()
        self.items: list[StormItem] = []
        self.unchanged = 0
        self.unknown: dict[str, list[str]] = {}
        self.problems: list[Problem] = []
        self.names = _names(plan)

    def take(self, row: _Row) -> None:
        """Understand one row."""
        kind, rest, said = self._kind(row)
        layer, subject, missing = self._subject(row, rest)
        if kind is None:
            if row.gpx and layer in ("supports", "laterals") and words.fold(said) in FIELD_POINT_TYPES:
                self.unchanged += 1
                return
            self.unknown.setdefault(said or "(nothing)", []).append(row.where)
            return
        shape = row.shape
        if missing:
            self.problems.append(Problem(
                self.file, row.where, f"the ID {missing!r}", "a tree, support, lateral or mainline of this plan",
                "Write the tag as the plan has it, or leave it out and give the place."))
            return
        if shape is None:
            if not subject:
                self.problems.append(Problem(
                    self.file, row.where, "neither a place nor an ID", "a position, or the ID of a tree or part",
                    "Give one of the two."))
                return
            shape = self.names[words.fold(subject)][2]()
        if not shape.is_valid:
            shape = shapely.make_valid(shape)
        self.items.append(StormItem(
            len(self.items) + 1, kind, shape, layer, subject, words.clean(self._note(row), 200), row.where,
        ))

    def _kind(self, row: _Row) -> tuple[StormKind | None, str, str]:
        """Return the kind, what followed its word, and what was said where a kind was looked for.

        A column of kinds wins; a waypoint may carry its word in type, symbol, name or comment.
        """
        cells = row.cells
        said = next((cells[h] for h in KIND_HEADS if h in cells), "")
        places = [said] if said else []
        if row.gpx or not said:
            places += [cells[h] for h in ("sym", "name", "cmt", "desc", "note") if h in cells]
        for text in places:
            kind, rest = self._match(text)
            if kind is not None:
                return kind, rest, said
        return None, "", said or (places[0] if places else "")

    def _match(self, text: str) -> tuple[StormKind | None, str]:
        """Return the kind of a text that is a known word, or begins with one, and what follows it."""
        folded = words.fold(text)
        if folded in self.known:
            return self.known[folded], ""
        for word in sorted(self.known, key=len, reverse=True):
            if folded.startswith(word + "_"):
                pattern = r"\W+".join(re.escape(part) for part in word.split("_"))
                plain = re.sub(rf"^\W*{pattern}", "", _unaccented(text), flags=re.IGNORECASE).strip()
                # a longer text is a word and its note only where a mark parts the two, or an ID follows
                if plain[:1] in _MARKS or words.fold(plain) in self.names:
                    return self.known[word], plain.strip(_MARKS + " ")
        return None, ""

    def _subject(self, row: _Row, rest: str) -> tuple[str, str, str]:
        """Return layer and ID of what a row names, and an ID that is not in the plan."""
        given = next((row.cells[h] for h in ID_HEADS if h in row.cells and not row.gpx), "")
        if given:
            found = self.names.get(words.fold(given))
            return (found[0], found[1], "") if found else ("", "", given)
        for text in (row.cells.get("name", ""), rest):
            found = self.names.get(words.fold(text)) if text else None
            if found:
                return found[0], found[1], ""
        return "", "", ""

    @staticmethod
    def _note(row: _Row) -> str:
        return next((row.cells[h] for h in NOTE_HEADS if h in row.cells), "")

    def finish(self) -> None:
        """Raise with all that could not be understood.

        Raises
        ------
        InputDataError
        """
        if self.unknown:
            listed = "; ".join(
                f"{text!r} ({', '.join(places[:3])}{', ...' if len(places) > 3 else ''})"
                for text, places in list(self.unknown.items())[:_MOST_LISTED]
            )
            english = [row["word"] for row in template_rows("storm.csv") if row["language"] == "en"]
            french = [row["word"] for row in template_rows("storm.csv") if row["language"] == "fr"]
            self.problems.insert(0, Problem(
                self.file, "storm", f"words that say nothing known: {listed}",
                f"one of {', '.join(english)}; in French {', '.join(french)}",
                "Write one of these as the kind, or add your word to templates/storm.csv.",
            ))
        if self.problems:
            raise InputDataError(self.problems)


def _unaccented(text: str) -> str:
    import unicodedata

    return "".join(c for c in unicodedata.normalize("NFKD", text) if not unicodedata.combining(c))


_Place = Callable[[], BaseGeometry]  # only what a row names needs its shape


def _names(plan: Plan) -> dict[str, tuple[str, str, _Place]]:
    """Return layer, ID and place of everything that a row may name, by folded ID; trees win over lines."""
    out: dict[str, tuple[str, str, _Place]] = {}
    trees = plan.trees
    for i, name in enumerate(trees.tree_id):
        out.setdefault(words.fold(name), ("trees", name, partial(shapely.Point, trees.x_m[i], trees.y_m[i])))
    for line in plan.mainlines:
        out.setdefault(words.fold(line.mainline_id), ("mainlines", line.mainline_id, partial(_course, line)))
        for s in line.supports:
            out.setdefault(words.fold(s.support_id), ("supports", s.support_id, partial(shapely.Point, s.x_m, s.y_m)))
    for lateral in plan.laterals:
        out.setdefault(words.fold(lateral.lateral_id), ("laterals", lateral.lateral_id, partial(_course, lateral)))
    return out


def _course(line: Mainline | Lateral) -> BaseGeometry:
    return shapely.LineString(line.xyz_m[:, :2])
