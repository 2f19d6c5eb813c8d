"""Storm files as crews bring them: words, IDs, places, formats; nothing is guessed."""

from __future__ import annotations

import json

import geopandas
import pytest
import shapely
from pipeline.errors import InputDataError
from pipeline.records import STORM_KINDS
from pipeline.resources import template_rows
from pipeline.store.exports import fieldpoints_gpx
from pipeline.store.storm import read_storm

from sample_plan import sample_plan

GPX = ('<?xml version="1.0" encoding="UTF-8"?>\n<gpx version="1.1" creator="a phone" '
       'xmlns="http://www.topografix.com/GPX/1/1">{}</gpx>')


@pytest.fixture(scope="module")
def plan():
    return sample_plan()[0]


def lonlat(plan, tree: int):
    lon, lat = plan.frame.lonlat(plan.trees.x_m[tree], plan.trees.y_m[tree])
    return float(lon), float(lat)


def waypoint(plan, tree: int, **children: str) -> str:
    lon, lat = lonlat(plan, tree)
    order = ("name", "cmt", "desc", "sym", "type")
    inner = "".join(f"<{k}>{children[k]}</{k}>" for k in order if k in children)
    return f'<wpt lat="{lat:.8f}" lon="{lon:.8f}">{inner}</wpt>'


def written(tmp_path, name: str, text: str):
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


def problem(path, plan) -> str:
    with pytest.raises(InputDataError) as caught:
        read_storm(path, plan)
    return str(caught.value)


def test_every_kind_has_words_in_both_languages():
    for language in ("en", "fr"):
        assert {r["kind"] for r in template_rows("storm.csv") if r["language"] == language} == set(STORM_KINDS)


@pytest.mark.parametrize(("word", "kind"), [
    ("tree down", "tree_down"), ("TREE DOWN", "tree_down"), ("Tree-down", "tree_down"), ("hung", "hung"),
    ("root plate", "root_plate"), ("arbre tombé", "tree_down"), ("Encroué", "hung"), ("ligne rompue", "line_broken"),
    ("accès bloqué", "access_blocked"), ("chablis", "blown_area"),
])
def test_a_table_gives_kind_tree_and_note(tmp_path, plan, word, kind):
    tag = plan.trees.tree_id[4]
    path = written(tmp_path, "storm.csv", f"kind,tree,note\n{word},{tag},lies on the wire\n")
    (item,) = read_storm(path, plan).items
    assert (item.kind, item.layer, item.subject_id, item.note) == (kind, "trees", tag, "lies on the wire")
    assert item.shape.equals(shapely.Point(plan.trees.x_m[4], plan.trees.y_m[4]))


def test_a_waypoint_carries_its_word_in_type_symbol_or_name(tmp_path, plan):
    tag = plan.trees.tree_id[2]
    path = written(tmp_path, "storm.gpx", GPX.format("".join([
        waypoint(plan, 1, name="001", type="tree down", desc="on the trail"),
        waypoint(plan, 2, name=f"hung {tag}"), waypoint(plan, 3, name="top broken: over the line"),
        waypoint(plan, 5, name="007", sym="root plate"),
    ])))
    items = read_storm(path, plan).items
    assert [i.kind for i in items] == ["tree_down", "hung", "top_broken", "root_plate"]
    assert items[1].subject_id == tag
    assert items[0].note == "on the trail"
    for item, tree in zip(items, (1, 2, 3, 5), strict=True):
        assert item.shape.distance(shapely.Point(plan.trees.x_m[tree], plan.trees.y_m[tree])) < 0.01


def test_unknown_words_are_listed_with_the_known_ones_and_never_guessed(tmp_path, plan):
    path = written(tmp_path, "storm.csv",
                   f"kind,tree\ntree sown,{plan.trees.tree_id[0]}\nsquirrel,{plan.trees.tree_id[1]}\n")
    told = problem(path, plan)
    assert "'tree sown' (row 2)" in told
    assert "'squirrel' (row 3)" in told
    assert "tree down" in told
    assert "arbre tombé" in told


def test_a_word_that_only_begins_a_sentence_is_not_taken_for_a_kind(tmp_path, plan):
    path = written(tmp_path, "storm.gpx", GPX.format(waypoint(plan, 1, name="hung my jacket here")))
    assert "hung my jacket here" in problem(path, plan)


def test_an_unknown_id_and_a_row_without_a_place_are_told(tmp_path, plan):
    path = written(tmp_path, "storm.csv", "kind,tree\ntree down,NOBODY\nhung,\n")
    told = problem(path, plan)
    assert "NOBODY" in told
    assert "neither a place nor an ID" in told


def test_supports_laterals_and_mainlines_can_be_named(tmp_path, plan):
    support, lateral = plan.mainlines[0].supports[1].support_id, plan.laterals[0].lateral_id
    line = plan.mainlines[0].mainline_id
    path = written(tmp_path, "storm.csv",
                   f"kind,id\nsupport lost,{support}\nline broken,{lateral}\nline pinned,{line}\n")
    assert [(i.layer, i.subject_id) for i in read_storm(path, plan).items] == [
        ("supports", support), ("laterals", lateral), ("mainlines", line)]


def test_our_own_field_points_come_back_without_loss(tmp_path, plan):
    """A crew overwrites the type of two of our waypoints; the others say nothing happened."""
    text = fieldpoints_gpx(plan)
    total = text.count("<wpt ")
    first, second = plan.mainlines[0].supports[1].support_id, plan.laterals[1].lateral_id
    for name, word in ((first, "support lost"), (second, "line broken")):
        head, tail = text.split(f"<name>{name}</name>", 1)
        start, end = tail.index("<type>"), tail.index("</type>")
        text = f"{head}<name>{name}</name>{tail[:start]}<type>{word}{tail[end:]}"
    storm = read_storm(written(tmp_path, "fieldpoints.gpx", text), plan)
    assert [(i.kind, i.subject_id) for i in storm.items] == [("support_lost", first), ("line_broken", second)]
    assert storm.unchanged == total - 2


def test_points_stems_and_areas_of_all_layers_are_read(tmp_path, plan):
    x, y = float(plan.trees.x_m[0]), float(plan.trees.y_m[0])
    crs = plan.frame.crs_wkt
    path = tmp_path / "storm.gpkg"
    for layer, kind, shape in (
        ("points", "tree down", shapely.Point(x, y)), ("lines", "stem", shapely.LineString([(x, y), (x + 15, y)])),
        ("areas", "blown area", shapely.box(x - 9, y - 9, x + 9, y + 9)),
    ):
        geopandas.GeoDataFrame({"kind": [kind], "note": [layer]}, geometry=[shape], crs=crs).to_file(
            path, layer=layer, driver="GPKG")
    items = read_storm(path, plan).items
    assert sorted(i.kind for i in items) == ["blown_area", "stem", "tree_down"]
    area = next(i for i in items if i.kind == "blown_area")
    assert area.shape.area == pytest.approx(324.0, rel=1e-6)


def test_geojson_in_degrees_lands_in_the_plan_s_frame(tmp_path, plan):
    lon, lat = lonlat(plan, 6)
    feature = {"type": "Feature", "properties": {"kind": "arbre à terre"},
               "geometry": {"type": "Point", "coordinates": [lon, lat]}}
    path = written(tmp_path, "storm.geojson", json.dumps({"type": "FeatureCollection", "features": [feature]}))
    (item,) = read_storm(path, plan).items
    assert item.kind == "tree_down"
    assert item.shape.distance(shapely.Point(plan.trees.x_m[6], plan.trees.y_m[6])) < 0.01
