"""Ground layers, pins and collection points."""

from __future__ import annotations

import geopandas
import numpy as np
import pytest
import shapely
from pipeline.errors import InputDataError
from pipeline.frame import Frame, utm_frame
from pipeline.settings import CollectionSettings, GroundLayerSettings, PinSettings, Settings
from pipeline.store import layers
from pipeline.terrain.grid import Terrain

FRAME = utm_frame(-72.6, 44.6, "")
X0, Y0 = 690000.0, 4942000.0


def terrain(frame: Frame = FRAME) -> Terrain:
    """Return a plane that falls 10 % to the west, with a hole in its north-east corner."""
    cols, _ = np.meshgrid(np.arange(50.0), np.arange(40.0))
    z = (400.0 + 0.1 * 2.0 * cols).astype(np.float32)
    z[:5, -5:] = np.nan
    return Terrain(z, X0, Y0 + 78.0, 2.0, frame, 0.1, "plane")


def write(path, shapes, crs="EPSG:32618", layer=None, mode="w", **columns):
    frame = geopandas.GeoDataFrame(
        {"name": [f"n{i}" for i in range(len(shapes))], **columns}, geometry=list(shapes), crs=crs
    )
    frame.to_file(path, layer=layer, mode=mode) if layer else frame.to_file(path)


def asked(kind: str, file: str, layer: str = "") -> Settings:
    return Settings(ground={kind: GroundLayerSettings(file=file, layer=layer)})


SQUARE = shapely.box(X0, Y0, X0 + 50, Y0 + 50)


@pytest.mark.parametrize("crs", ["EPSG:32618", "EPSG:4326", "EPSG:3857", "EPSG:26918"])
@pytest.mark.parametrize("name", ["g.gpkg", "g.geojson", "g.fgb", "g.shp"])
def test_layers_come_in_the_plans_frame(tmp_path, name: str, crs: str) -> None:
    crs = "EPSG:4326" if name.endswith("json") else crs
    shape = geopandas.GeoSeries([shapely.segmentize(SQUARE, 5.0)], crs="EPSG:32618").to_crs(crs)
    write(tmp_path / name, shape, crs)
    (layer,) = layers.read_ground_layers(asked("property", name), tmp_path, FRAME)
    # GeoJSON keeps seven decimals of a degree: about a centimetre
    tolerance = 0.05 if crs != "EPSG:26918" else 1.5  # NAD83 is taken as WGS 84
    assert shapely.hausdorff_distance(layer.shapes[0], SQUARE) < tolerance
    assert layer.shapes[0].area == pytest.approx(2500.0, rel=1e-3)
    assert layer.names == ("n0",)


def test_broken_and_empty_shapes_are_mended_and_counted(tmp_path) -> None:
    bow = shapely.Polygon([(X0, Y0), (X0 + 10, Y0 + 10), (X0 + 10, Y0), (X0, Y0 + 10)])
    write(tmp_path / "g.gpkg", [SQUARE, bow, None, shapely.Polygon()])
    (layer,), findings = layers.read_ground_report(asked("wet", "g.gpkg"), tmp_path, FRAME)
    assert len(layer.shapes) == len(layer.names) == 2
    assert all(s.is_valid for s in layer.shapes)
    assert layer.shapes[1].area == pytest.approx(50.0)
    assert {f.code: f.measured for f in findings} == {"GROUND_EMPTY_SHAPE": 2.0, "GROUND_MENDED_SHAPE": 1.0}
    assert "2 rows without a shape" in layer.source


def test_a_layer_of_nothing_is_told(tmp_path) -> None:
    write(tmp_path / "g.gpkg", [])
    (layer,), findings = layers.read_ground_report(asked("wet", "g.gpkg"), tmp_path, FRAME)
    assert layer.shapes == ()
    assert [f.code for f in findings] == ["GROUND_LAYER_EMPTY"]


def test_the_layer_called_like_the_kind_is_meant(tmp_path) -> None:
    write(tmp_path / "g.gpkg", [SQUARE], layer="wet")
    write(tmp_path / "g.gpkg", [SQUARE, SQUARE], layer="road", mode="a")
    (layer,) = layers.read_ground_layers(asked("road", "g.gpkg"), tmp_path, FRAME)
    assert len(layer.shapes) == 2


def test_problems_of_all_layers_come_at_once(tmp_path) -> None:
    write(tmp_path / "line.gpkg", [shapely.LineString([(X0, Y0), (X0 + 5, Y0)])])
    write(tmp_path / "nocrs.shp", [SQUARE])
    (tmp_path / "nocrs.prj").unlink()
    (tmp_path / "t.csv").write_text("a,b\n1,2\n")
    wanted = Settings(
        ground={
            "property": GroundLayerSettings(file="line.gpkg"),
            "wet": GroundLayerSettings(file="nocrs.shp"),
            "road": GroundLayerSettings(file="gone.gpkg"),
            "trail": GroundLayerSettings(file="t.csv"),
            "stream": GroundLayerSettings(file="line.gpkg", layer="brook"),
        }
    )
    with pytest.raises(InputDataError) as caught:
        layers.read_ground_layers(wanted, tmp_path, FRAME)
    found = {p.where: p.found for p in caught.value.problems}
    assert found == {
        "ground.property": "lines or points only",
        "ground.wet": "no CRS",
        "ground.road.file": "no such file",
        "ground.trail": "a table without shapes",
        "ground.stream": "no layer 'brook'",
    }


def test_a_local_grid_takes_layers_without_a_place_only(tmp_path) -> None:
    local = Frame("", "local grid", "")
    write(tmp_path / "earth.gpkg", [SQUARE])
    with pytest.raises(InputDataError, match="place on Earth"):
        layers.read_ground_layers(asked("wet", "earth.gpkg"), tmp_path, local)
    write(tmp_path / "local.shp", [SQUARE])
    (tmp_path / "local.prj").unlink()
    (layer,) = layers.read_ground_layers(asked("wet", "local.shp"), tmp_path, local)
    assert layer.shapes[0].equals(SQUARE)


# ------------------------------------------------------------------------ pins


def pins(tmp_path, **keys) -> Settings:
    return Settings(pins=PinSettings(file="p.gpkg", **keys))


def test_pinned_lines_begin_at_their_lower_end(tmp_path) -> None:
    down = shapely.LineString([(X0 + 60, Y0 + 40, 410.0), (X0 + 30, Y0 + 40, 406.0), (X0 + 4, Y0 + 40, 402.0)])
    branch = shapely.LineString([(X0 + 30, Y0 + 40, 406.0), (X0 + 30, Y0 + 60, 407.0)])
    write(tmp_path / "p.gpkg", [down, branch], layer="keep", mainline_id=["M1", "M1.1"], parent_id=["", "M1"])
    write(tmp_path / "p.gpkg", [SQUARE], layer="gaps", mode="a")
    write(tmp_path / "p.gpkg", [SQUARE, None], layer="avoid", mode="a")
    got = layers.read_pins(
        pins(tmp_path, lines_layer="keep", gaps_layer="gaps", avoid_layer="avoid"), tmp_path, FRAME, terrain()
    )
    assert got.lines["M1"].tolist() == np.array(down.coords)[::-1].tolist()
    assert got.lines["M1.1"].tolist() == np.array(branch.coords).tolist()
    assert got.parent == {"M1": "", "M1.1": "M1"}
    assert (len(got.gaps), len(got.avoid)) == (1, 1)


def test_a_flat_line_hangs_at_the_aim_above_its_ground(tmp_path) -> None:
    write(
        tmp_path / "p.gpkg",
        [shapely.LineString([(X0 + 60, Y0 + 40), (X0 + 4, Y0 + 40)])],
        layer="keep",
        mainline_id=["M1"],
    )
    wanted = pins(tmp_path, lines_layer="keep")
    line = layers.read_pins(wanted, tmp_path, FRAME, terrain()).lines["M1"]
    assert line[:, 0].tolist() == [X0 + 4, X0 + 60]
    # ground rises 0.1 m per metre from 400.0 m at X0
    assert line[:, 2] == pytest.approx([400.4 + wanted.mainlines.aim_m, 406.0 + wanted.mainlines.aim_m], abs=1e-4)


def test_bad_pins_are_told_together(tmp_path) -> None:
    off = shapely.LineString([(X0 - 500, Y0), (X0 - 400, Y0)])
    good = shapely.LineString([(X0 + 4, Y0 + 4, 401.0), (X0 + 40, Y0 + 4, 405.0)])
    write(
        tmp_path / "p.gpkg",
        [off, good, good, SQUARE],
        layer="keep",
        mainline_id=["M1", "M2", "M2", "M3"],
        parent_id=["", "", "", ""],
    )
    write(tmp_path / "p.gpkg", [good], layer="orphan", mode="a", mainline_id=["M1"], parent_id=["M9"])
    with pytest.raises(InputDataError) as caught:
        layers.read_pins(pins(tmp_path, lines_layer="keep", gaps_layer="holes"), tmp_path, FRAME, terrain())
    assert sorted(p.found for p in caught.value.problems) == [
        "no layer 'holes'",
        "no single line on the terrain",
        "no single line on the terrain",
        "the name 'M2' twice",
    ]
    with pytest.raises(InputDataError, match="the parent 'M9'"):
        layers.read_pins(pins(tmp_path, lines_layer="orphan"), tmp_path, FRAME, terrain())


def test_no_pins_file_means_no_pins(tmp_path) -> None:
    got = layers.read_pins(Settings(), tmp_path, FRAME)
    assert (got.lines, got.gaps, got.avoid) == ({}, (), ())


# ------------------------------------------------------------------ collection


def test_a_collection_point_stands_on_the_ground(tmp_path) -> None:
    lon, lat = FRAME.lonlat(X0 + 20.0, Y0 + 40.0)
    wanted = Settings(
        collection=(
            CollectionSettings("C1", lon=float(lon), lat=float(lat), inlet_height_m=1.0),
            CollectionSettings("C2", x=X0 + 40.0, y=Y0 + 40.0, inlet_height_m=0.5, kind="releaser"),
        )
    )
    first, second = layers.read_collections(wanted, FRAME, terrain())
    assert (first.x_m, first.y_m) == pytest.approx((X0 + 20.0, Y0 + 40.0), abs=1e-4)
    assert (first.ground_z_m, first.inlet_z_m) == pytest.approx((402.0, 403.0), abs=1e-4)
    assert (second.ground_z_m, second.inlet_z_m, second.kind) == (
        pytest.approx(404.0),
        pytest.approx(404.5),
        "releaser",
    )


@pytest.mark.parametrize(
    ("points", "message"),
    [
        ((), "no collection point"),
        ((CollectionSettings("C1"),), "no full position"),
        ((CollectionSettings("C1", lon=-72.6),), "no full position"),
        ((CollectionSettings("C1", lon=-72.6, lat=44.6, x=1.0, y=1.0),), "both lon/lat and x/y"),
        ((CollectionSettings("C1", x=X0 - 100, y=Y0),), "off the terrain"),
        ((CollectionSettings("C1", x=X0 + 97, y=Y0 + 77),), "a hole of the terrain"),
        (
            (CollectionSettings("C1", x=X0 + 9, y=Y0 + 9), CollectionSettings("C1", x=X0 + 8, y=Y0 + 9)),
            "the id 'C1' twice",
        ),
        ((CollectionSettings("C1", lon=44.600, lat=-72.6),), "Check the position"),
    ],
)
def test_a_bad_collection_point_is_told(points, message: str) -> None:
    with pytest.raises(InputDataError, match=message):
        layers.read_collections(Settings(collection=points), FRAME, terrain())


def test_a_swapped_collection_point_is_recognised() -> None:
    lon, lat = FRAME.lonlat(X0 + 20.0, Y0 + 40.0)
    wanted = Settings(collection=(CollectionSettings("C1", lon=float(lat), lat=float(lon)),))
    with pytest.raises(InputDataError, match="look swapped"):
        layers.read_collections(wanted, FRAME, terrain())


def test_a_local_grid_wants_x_and_y() -> None:
    local = Frame("", "local grid", "")
    wanted = Settings(collection=(CollectionSettings("C1", lon=-72.6, lat=44.6),))
    with pytest.raises(InputDataError, match="local grid"):
        layers.read_collections(wanted, local, terrain(local))
