"""Readers of terrain: CRSs, units, cells, windows, and a zoo of bad rasters."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pyproj
import pytest
import rasterio
from pipeline.errors import InputDataError, OutputError
from pipeline.frame import Frame
from pipeline.settings import CollectionSettings, Settings, TerrainSettings, TreeSettings
from pipeline.store import inputs, rasters
from pipeline.terrain.grid import Terrain
from rasterio.transform import Affine
from scipy import ndimage

X0, Y0 = 690000.0, 4942000.0
UTM = "EPSG:32618"


def plane(x, y):
    """Elevation in metres over UTM zone 18N: falls 10 % west and 5 % south."""
    return 400.0 + 0.1 * (x - X0) + 0.05 * (y - Y0)


def centres(transform: Affine, rows: int, cols: int):
    col, row = np.meshgrid(np.arange(cols) + 0.5, np.arange(rows) + 0.5)
    return (transform.a * col + transform.b * row + transform.c, transform.d * col + transform.e * row + transform.f)


def write(path, transform: Affine, rows: int, cols: int, crs=UTM, *, factor=1.0, dtype="float32", z=None, **keys):
    """Write the plane on any grid of any CRS, elevations divided by `factor`."""
    tags = {k: keys.pop(k) for k in ("unit", "scale", "offset") if k in keys}
    if z is None:
        x, y = centres(transform, rows, cols)
        if crs is not None:
            flat = pyproj.CRS.from_user_input(crs)
            flat = flat.sub_crs_list[0] if flat.is_compound else flat
            x, y = pyproj.Transformer.from_crs(flat, UTM, always_xy=True).transform(x, y)
        z = plane(x, y) / factor
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", rasterio.errors.NotGeoreferencedWarning)
        with rasterio.open(
            path,
            "w",
            driver="GTiff",
            width=cols,
            height=rows,
            count=keys.pop("count", 1),
            dtype=dtype,
            crs=crs,
            transform=transform,
            **keys,
        ) as target:
            for band in range(1, target.count + 1):
                target.write(z.astype(dtype), band)
            if "unit" in tags:
                target.set_band_unit(1, tags["unit"])
            if "scale" in tags:
                target.scales, target.offsets = (tags["scale"],), (tags["offset"],)


def settings(**keys) -> Settings:
    return Settings(terrain=TerrainSettings(file=keys.pop("file", "t.tif"), **keys))


def read(tmp_path, **keys):
    return rasters.read_terrain_report(settings(**keys), tmp_path)


def worst_error(terrain: Terrain, margin: int = 3) -> float:
    """Return the largest difference to the plane at cell centres, the outermost cells left out.

    Within a cell of the edge a resampled raster carries its edge outward.
    """
    inside = ndimage.binary_erosion(np.isfinite(terrain.z_m), iterations=margin)
    assert inside.mean() > 0.4
    x, y = terrain.xy(*np.nonzero(inside))
    return float(np.abs(terrain.z_m[inside] - plane(x, y)).max())


NORTH_UP = Affine(2.0, 0.0, X0, 0.0, -2.0, Y0 + 200.0)


def test_a_metric_raster_is_taken_as_it_is(tmp_path) -> None:
    write(tmp_path / "t.tif", NORTH_UP, 100, 150)
    terrain, findings = read(tmp_path)
    assert terrain.shape == (100, 150)
    assert (terrain.x0_m, terrain.y0_m, terrain.cell_m) == (X0 + 1.0, Y0 + 199.0, 2.0)
    assert terrain.frame.name == "WGS 84 / UTM zone 18N"
    assert terrain.z_m.dtype == np.float32
    assert worst_error(terrain) < 1e-4
    assert [f.code for f in findings] == ["TERRAIN_UNIT_ASSUMED"]


def test_a_raster_with_the_south_first_is_turned(tmp_path) -> None:
    write(tmp_path / "t.tif", Affine(2.0, 0.0, X0, 0.0, 2.0, Y0), 100, 150)
    terrain, _ = read(tmp_path)
    assert (terrain.x0_m, terrain.y0_m) == (X0 + 1.0, Y0 + 199.0)
    assert worst_error(terrain) < 1e-4


TURNED = Affine(2.0 * math.cos(0.3), -2.0 * math.sin(0.3), X0, -2.0 * math.sin(0.3), -2.0 * math.cos(0.3), Y0 + 300.0)


@pytest.mark.parametrize(
    "transform",
    [TURNED, Affine(2.0, 0.0, X0, 0.0, -3.0, Y0 + 300.0), Affine(-2.0, 0.0, X0 + 300.0, 0.0, -2.0, Y0 + 300.0)],
    ids=["turned", "oblong", "east first"],
)
def test_odd_cells_are_resampled_in_their_crs(tmp_path, transform: Affine) -> None:
    write(tmp_path / "t.tif", transform, 100, 150)
    terrain, findings = read(tmp_path)
    assert terrain.frame.name == "WGS 84 / UTM zone 18N"
    assert terrain.cell_m == pytest.approx(2.0)
    assert worst_error(terrain) < 0.02
    assert "TERRAIN_RESAMPLED" in [f.code for f in findings]


LON, LAT = pyproj.Transformer.from_crs(UTM, "EPSG:4326", always_xy=True).transform(X0, Y0 + 300.0)


@pytest.mark.parametrize(
    ("crs", "transform"),
    [
        ("EPSG:4326", Affine(2.5e-5, 0.0, LON, 0.0, -2e-5, LAT)),
        ("EPSG:4269", Affine(2.5e-5, 0.0, LON, 0.0, -2e-5, LAT)),
        ("EPSG:3857", None),
        ("EPSG:2852", None),
        ("EPSG:5646", None),
    ],
)
def test_any_crs_becomes_a_metric_frame_with_the_same_ground(tmp_path, crs: str, transform: Affine | None) -> None:
    """5646: Vermont in US survey feet; 2852: in metres; 3857: metres that are none."""
    if transform is None:
        x, y = pyproj.Transformer.from_crs(UTM, crs, always_xy=True).transform(X0, Y0 + 300.0)
        cell = {"EPSG:3857": 2.8, "EPSG:2852": 2.0, "EPSG:5646": 6.0}[crs]
        transform = Affine(cell, 0.0, x, 0.0, -cell, y)
    write(tmp_path / "t.tif", transform, 120, 150, crs)
    terrain, findings = read(tmp_path, vertical_unit="m")
    assert pyproj.CRS.from_wkt(terrain.frame.crs_wkt).axis_info[0].unit_name == "metre"
    resampled = "TERRAIN_RESAMPLED" in [f.code for f in findings]
    assert resampled is (crs != "EPSG:2852")
    x, y = terrain.xy(*np.mgrid[10 : terrain.shape[0] - 10, 10 : terrain.shape[1] - 10].astype(float))
    to_utm = pyproj.Transformer.from_crs(terrain.frame.crs_wkt, UTM, always_xy=True)
    z = terrain.z_m[10:-10, 10:-10]
    error = np.abs(z - plane(*to_utm.transform(x, y)))
    assert np.isfinite(z).mean() > 0.7
    # a plane on ground of 10 %: 0.2 m would be a shift of 2 m; NAD83 is taken as WGS 84
    assert np.nanmax(error) < 0.05


@pytest.mark.parametrize(("unit", "factor", "keys"), [("m", 1.0, {}), ("ft", 0.3048, {}), ("us-ft", 1200 / 3937, {})])
@pytest.mark.parametrize("how", ["bush file", "band unit", "compound CRS"])
def test_units_of_elevation_give_the_same_ground(tmp_path, unit: str, factor: float, keys, how: str) -> None:
    crs, asked = UTM, {}
    if how == "bush file":
        asked = {"vertical_unit": unit}
    elif how == "band unit":
        keys = {"unit": {"m": "metre", "ft": "foot", "us-ft": "US survey foot"}[unit]}
    else:
        crs = f"{UTM}+{ {'m': 5703, 'ft': 8228, 'us-ft': 6360}[unit] }"
    write(tmp_path / "t.tif", NORTH_UP, 60, 60, crs, factor=factor, **keys)
    terrain, findings = read(tmp_path, **asked)
    assert worst_error(terrain) < 2e-3
    assert [f.code for f in findings] == ["TERRAIN_UNIT"]
    if how == "compound CRS":
        assert "NAVD88" in terrain.frame.vertical
        assert terrain.frame.name == "WGS 84 / UTM zone 18N"


def test_scale_and_offset_of_the_band_are_applied(tmp_path) -> None:
    x, y = centres(NORTH_UP, 60, 60)
    write(tmp_path / "t.tif", NORTH_UP, 60, 60, z=(plane(x, y) - 400.0) / 0.01, dtype="int16", scale=0.01, offset=400.0)
    terrain, _ = read(tmp_path)
    assert worst_error(terrain) < 0.011


def test_nodata_of_any_kind_is_no_ground(tmp_path) -> None:
    x, y = centres(NORTH_UP, 60, 60)
    z = plane(x, y)
    z[0, 0], z[1, 1], z[2, 2], z[3, 3] = np.nan, -9999.0, 3.4e38, np.inf
    write(tmp_path / "t.tif", NORTH_UP, 60, 60, z=z, nodata=-9999.0)
    terrain, findings = read(tmp_path)
    assert np.argwhere(np.isnan(terrain.z_m)).tolist() == [[i, i] for i in range(4)]
    assert {f.code: f.measured for f in findings}["TERRAIN_ODD_CELLS"] == 2.0


def test_whole_numbers_are_told(tmp_path) -> None:
    write(tmp_path / "t.tif", NORTH_UP, 60, 60, dtype="int16")
    assert "TERRAIN_WHOLE_NUMBERS" in [f.code for f in read(tmp_path)[1]]


@pytest.mark.parametrize("cell", [1.0, 5.0])
def test_the_working_cell_can_be_asked_for(tmp_path, cell: float) -> None:
    write(tmp_path / "t.tif", NORTH_UP, 100, 100)
    terrain, _ = read(tmp_path, cell_m=cell)
    assert terrain.cell_m == cell
    assert worst_error(terrain, margin=4) < 0.02


def test_a_local_grid_has_no_place_on_earth(tmp_path) -> None:
    write(tmp_path / "t.tif", Affine(5.0, 0.0, 0.0, 0.0, -5.0, 100.0), 20, 30, crs=None, z=np.full((20, 30), 7.5))
    terrain, _ = read(tmp_path, crs="local")
    assert (terrain.frame.on_earth, terrain.x0_m, terrain.y0_m) == (False, 2.5, 97.5)


def test_a_crs_of_the_bush_file_is_taken_where_the_file_has_none(tmp_path) -> None:
    write(tmp_path / "t.tif", NORTH_UP, 60, 60, crs=None, z=plane(*centres(NORTH_UP, 60, 60)))
    terrain, _ = read(tmp_path, crs="EPSG:32618")
    assert terrain.frame.name == "WGS 84 / UTM zone 18N"
    assert worst_error(terrain) < 1e-4


def test_the_files_crs_wins_and_that_is_told(tmp_path) -> None:
    write(tmp_path / "t.tif", NORTH_UP, 60, 60)
    terrain, findings = read(tmp_path, crs="EPSG:32619")
    assert terrain.frame.name == "WGS 84 / UTM zone 18N"
    assert "TERRAIN_CRS_FROM_FILE" in [f.code for f in findings]
    assert "TERRAIN_CRS_FROM_FILE" not in [f.code for f in read(tmp_path, crs="EPSG:32618")[1]]


# ------------------------------------------------------------------- windows


def lonlat_bounds(west, south, east, north):
    back = pyproj.Transformer.from_crs(UTM, "EPSG:4326", always_xy=True)
    lon, lat = back.transform([west, east], [south, north])
    return lon[0], lat[0], lon[1], lat[1]


def test_a_window_is_the_same_ground_as_the_whole(tmp_path) -> None:
    write(tmp_path / "t.tif", Affine(5.0, 0.0, X0, 0.0, -5.0, Y0 + 5000.0), 1000, 900)
    whole, _ = read(tmp_path)
    bounds = lonlat_bounds(X0 + 1000, Y0 + 1000, X0 + 1300, Y0 + 1200)
    part, findings = rasters.read_terrain_report(settings(), tmp_path, bounds)
    assert part.z_m.size < 0.1 * whole.z_m.size
    west, south, east, north = part.bounds
    margin = rasters.WINDOW_MARGIN_M - 10.0
    assert west < X0 + 1000 - margin
    assert south < Y0 + 1000 - margin
    assert east > X0 + 1300 + margin
    assert north > Y0 + 1200 + margin
    x = np.linspace(X0 + 900, X0 + 1400, 40)
    y = np.linspace(Y0 + 900, Y0 + 1300, 40)
    assert part.sample(x, y) == pytest.approx(whole.sample(x, y), abs=1e-9)
    assert "TERRAIN_WINDOW" in [f.code for f in findings]


def test_the_tank_is_inside_the_window(tmp_path) -> None:
    write(tmp_path / "t.tif", Affine(5.0, 0.0, X0, 0.0, -5.0, Y0 + 5000.0), 1000, 900)
    lon, lat, _, _ = lonlat_bounds(X0 + 3000, Y0 + 3000, X0 + 3000, Y0 + 3000)
    for point in (CollectionSettings(lon=lon, lat=lat), CollectionSettings(x=X0 + 3000.0, y=Y0 + 3000.0)):
        wanted = Settings(terrain=TerrainSettings(file="t.tif"), collection=(point,))
        part, _ = rasters.read_terrain_report(
            wanted, tmp_path, lonlat_bounds(X0 + 1000, Y0 + 1000, X0 + 1300, Y0 + 1200)
        )
        assert np.isfinite(part.sample(X0 + 3000.0, Y0 + 3000.0))


def test_trees_off_the_raster_leave_it_whole(tmp_path) -> None:
    write(tmp_path / "t.tif", NORTH_UP, 60, 60)
    part, _ = rasters.read_terrain_report(settings(), tmp_path, (10.0, 10.0, 10.1, 10.1))
    assert part.shape == (60, 60)


def test_only_the_window_of_a_huge_raster_is_read(tmp_path) -> None:
    """40,000 x 40,000 cells, all but one tile never written: the file is small, the grid 6.4 GB."""
    with rasterio.open(
        tmp_path / "t.tif",
        "w",
        driver="GTiff",
        width=40_000,
        height=40_000,
        count=1,
        dtype="float32",
        crs=UTM,
        transform=Affine(1.0, 0.0, X0, 0.0, -1.0, Y0 + 40_000.0),
        tiled=True,
        sparse_ok=True,
        nodata=-9999.0,
    ) as target:
        window = rasterio.windows.Window(0, 39_000, 1000, 1000)
        target.write(np.full((1000, 1000), 321.5, dtype=np.float32), 1, window=window)
    part, _ = rasters.read_terrain_report(settings(), tmp_path, lonlat_bounds(X0 + 420, Y0 + 420, X0 + 500, Y0 + 500))
    assert part.z_m.size < 1_000_000
    assert float(part.sample(X0 + 450.0, Y0 + 450.0)) == 321.5
    with pytest.raises(InputDataError, match="million cells"):
        rasters.read_terrain(settings(), tmp_path)


# ---------------------------------------------------------------------- zoo


UNREADABLE = {
    "empty": b"",
    "text": b"hello",
    "vector": b"SQLite format 3\x00",
    "png": b"\x89PNG\r\n\x1a\n",
    "header only": b"II*\x00\x08\x00\x00\x00",
}
FLAT = np.full((20, 20), 400.0)
# kind: transform, rows and columns, keys of write()
GRIDS: dict[str, tuple[Affine, int, dict]] = {
    "no crs": (NORTH_UP, 20, {"crs": None, "z": FLAT}),
    "no georeference": (Affine.identity(), 20, {"crs": None, "z": FLAT}),
    "picture": (NORTH_UP, 20, {"dtype": "uint8", "count": 3, "z": FLAT * 0.1}),
    "all nodata": (NORTH_UP, 20, {"z": FLAT, "nodata": 400.0}),
    "off the earth": (NORTH_UP, 20, {"z": FLAT * 100.0}),
    "coarse": (Affine(30.0, 0.0, X0, 0.0, -30.0, Y0), 20, {}),
    "feet": (Affine(3.0, 0.0, 1_600_000.0, 0.0, -3.0, 700_000.0), 20, {"crs": "EPSG:5646", "z": FLAT}),
    "degrees": (Affine(2e-5, 0.0, LON, 0.0, -2e-5, LAT), 20, {"crs": "EPSG:4326", "z": FLAT}),
    "tiny": (NORTH_UP, 2, {}),
    "unit": (NORTH_UP, 200, {"unit": "foot"}),
    "cut": (NORTH_UP, 200, {}),
    "complex": (NORTH_UP, 20, {"z": FLAT, "dtype": "complex64"}),
    "fine": (NORTH_UP, 20, {}),
}


def _make(path, kind: str) -> None:
    if kind in UNREADABLE:
        path.write_bytes(UNREADABLE[kind])
    elif kind in GRIDS:
        transform, size, keys = GRIDS[kind]
        write(path, transform, size, size, **keys)
        if kind == "cut":
            path.write_bytes(path.read_bytes()[:3000])


@pytest.mark.parametrize(
    ("kind", "keys", "message"),
    [
        ("gone", {}, "no such file"),
        ("empty", {}, "empty file"),
        ("text", {}, "another kind of file"),
        ("vector", {}, "a vector file"),
        ("png", {}, "another kind of file"),
        ("header only", {}, "cannot be read"),
        ("cut", {}, "cannot be read"),
        ("no crs", {}, "no CRS in the file"),
        ("no georeference", {"crs": "local"}, "no place"),
        ("no crs", {"crs": "EPSG:1"}, "EPSG:1"),
        ("no crs", {"crs": "nonsense"}, "nonsense"),
        ("picture", {}, "3 bands"),
        ("all nodata", {}, "no cell with an elevation"),
        ("off the earth", {}, "no cell with an elevation"),
        ("coarse", {}, "cells of 30.0 m; wanted at most 10.0 m"),
        ("feet", {}, "terrain.vertical_unit"),
        ("degrees", {}, "terrain.vertical_unit"),
        ("tiny", {}, "2 x 2 cells"),
        ("complex", {}, "complex64"),
        ("unit", {"vertical_unit": "m"}, "while the file says ft"),
        ("fine", {"kind": "surface"}, "tree tops"),
        ("fine", {"file": "/vsimem/t.tif"}, "virtual path"),
        ("fine", {"file": "https://x/t.tif"}, "virtual path"),
        ("fine", {"file": "GTIFF_DIR:1:t.tif"}, "virtual path"),
        ("fine", {"cell_limit_m": 1.0}, "cells of 2.0 m"),
    ],
)
def test_a_bad_raster_is_told_in_words(tmp_path, kind: str, keys, message: str) -> None:
    _make(tmp_path / "t.tif", kind)
    with pytest.raises(InputDataError) as caught:
        read(tmp_path, **keys)
    assert message in str(caught.value)
    assert all(p.remedy.endswith((".", "?")) for p in caught.value.problems)


def test_all_problems_come_at_once(tmp_path) -> None:
    write(tmp_path / "t.tif", Affine(50.0, 0.0, 1_600_000.0, 0.0, -50.0, 700_000.0), 20, 20, "EPSG:5646", count=2)
    with pytest.raises(InputDataError) as caught:
        read(tmp_path)
    assert [p.where for p in caught.value.problems] == ["terrain.vertical_unit", "terrain", "terrain"]


# ---------------------------------------------------------------------- VRT

VRT = """<VRTDataset rasterXSize="20" rasterYSize="20"><SRS>EPSG:32618</SRS>
<GeoTransform>690000,2,0,4942200,0,-2</GeoTransform><VRTRasterBand dataType="Float32" band="1">
<SimpleSource><SourceFilename relativeToVRT="{relative}">{source}</SourceFilename><SourceBand>1</SourceBand>
<SrcRect xOff="0" yOff="0" xSize="20" ySize="20"/><DstRect xOff="0" yOff="0" xSize="20" ySize="20"/></SimpleSource>
{more}</VRTRasterBand></VRTDataset>"""


def test_a_mosaic_of_rasters_beside_it_is_read(tmp_path) -> None:
    write(tmp_path / "t.tif", NORTH_UP, 20, 20)
    (tmp_path / "m.vrt").write_text(VRT.format(relative=1, source="t.tif", more=""))
    terrain, _ = read(tmp_path, file="m.vrt")
    assert worst_error(terrain) < 1e-4


@pytest.mark.parametrize(
    ("relative", "source", "more"),
    [
        (1, "../secret.tif", ""),
        (0, "/etc/passwd", ""),
        (1, "/vsicurl/http://x/t.tif", ""),
        (0, "t.tif", ""),
        (1, "http://x/t.tif", ""),
        (1, "gone.tif", ""),
        (1, "other.vrt", ""),
        (1, "", ""),
        (1, "&#47;vsicurl&#47;x.tif", ""),
        (1, "t.tif", "<PixelFunctionType>python</PixelFunctionType>"),
        (1, "t.tif", "<OverviewList>2</OverviewList>"),
        (1, "NETCDF:t.tif:z", ""),
        (1, "link.tif", ""),
    ],
)
@pytest.mark.parametrize("name", ["m.vrt", "m.tif"])
def test_a_mosaic_that_reaches_elsewhere_is_refused(tmp_path, relative: int, source: str, more: str, name: str) -> None:
    folder = tmp_path / "bush"
    folder.mkdir()
    for path in (tmp_path / "secret.tif", folder / "t.tif"):
        write(path, NORTH_UP, 20, 20)
    (folder / "link.tif").symlink_to(tmp_path / "secret.tif")
    (folder / "other.vrt").write_text(VRT.format(relative=1, source="t.tif", more=""))
    (folder / name).write_text(VRT.format(relative=relative, source=source, more=more))
    with pytest.raises(InputDataError, match="mosaic of GeoTIFFs"):
        read(folder, file=name)


# ---------------------------------------------------------------------- tiles


def write_tiles(folder, **keys):
    """Write the plane on four tiles of 50 x 60 cells that overlap by two rows."""
    folder.mkdir(exist_ok=True)
    for i in range(4):
        corner = Affine(2.0, 0.0, X0 + 120.0 * (i % 2), 0.0, -2.0, Y0 + 200.0 - 96.0 * (i // 2))
        write(folder / f"tile {i}.tif", corner, 50, 60, **keys)


@pytest.mark.parametrize("keys", [{}, {"nodata": -9999.0}, {"unit": "metre"}])
def test_tiles_are_read_as_one_terrain(tmp_path, keys) -> None:
    write_tiles(tmp_path / "tuiles été", **keys)
    terrain, findings = read(tmp_path, file="tuiles été/tile *.tif")
    assert terrain.shape == (98, 120)
    assert np.isfinite(terrain.z_m).all()
    assert (terrain.x0_m, terrain.y0_m) == (X0 + 1.0, Y0 + 199.0)
    assert worst_error(terrain) < 1e-4
    assert [f.code for f in findings] == ["TERRAIN_UNIT" if "unit" in keys else "TERRAIN_UNIT_ASSUMED"]


def test_a_missing_tile_is_no_ground_and_whole_numbers_are_told(tmp_path) -> None:
    write_tiles(tmp_path, dtype="int16", nodata=-32768)
    (tmp_path / "tile 3.tif").unlink()
    terrain, findings = read(tmp_path, file="*.tif")
    assert np.isnan(terrain.z_m[60:, 61:]).all()
    assert np.isfinite(terrain.z_m[:48]).all()
    assert "TERRAIN_WHOLE_NUMBERS" in [f.code for f in findings]


@pytest.mark.parametrize(
    ("transform", "keys", "message"),
    [
        (Affine(3.0, 0.0, X0, 0.0, -3.0, Y0), {}, "cells of 3; wanted cells of 2"),
        (Affine(2.0, 0.0, X0 + 1.0, 0.0, -2.0, Y0), {}, "between the cells"),
        (Affine(2.0, 0.0, X0, 0.0, -2.0, Y0), {"crs": "EPSG:32619"}, "another CRS"),
        (Affine(2.0, 0.0, X0, 0.0, -2.0, Y0), {"unit": "foot"}, "the unit foot"),
        (Affine(2.0, 0.0, X0, 0.0, 2.0, Y0), {}, "turned cells"),
        (Affine(2.0, 0.0, X0, 0.0, -2.0, Y0), {"count": 3}, "3 bands"),
        (Affine(2.0, 0.0, X0, 0.0, -2.0, Y0), {"scale": 0.1, "offset": 5.0}, "a scale or an offset"),
    ],
)
def test_a_tile_that_does_not_fit_is_named(tmp_path, transform: Affine, keys, message: str) -> None:
    write_tiles(tmp_path)
    write(tmp_path / "tile 9.tif", transform, 20, 20, z=np.full((20, 20), 400.0), **keys)
    with pytest.raises(InputDataError) as caught:
        read(tmp_path, file="tile ?.tif")
    assert message in str(caught.value)
    assert {p.file for p in caught.value.problems} == {"tile 9.tif"}


@pytest.mark.parametrize(
    ("body", "message"),
    [
        (b"hello", "another kind of file"),
        (b"II*\x00\x08\x00\x00\x00", "cannot be read"),
        (b"<VRTDataset/>", "among the tiles"),
    ],
)
def test_a_bad_tile_is_told(tmp_path, body: bytes, message: str) -> None:
    write_tiles(tmp_path)
    (tmp_path / "tile x.tif").write_bytes(body)
    with pytest.raises(InputDataError, match=message):
        read(tmp_path, file="*.tif")


@pytest.mark.parametrize("pattern", ["gone/*.tif", "*.asc", "/vsizip/*.tif", "/etc/*", "http://x/*.tif"])
def test_a_pattern_without_matches_is_told(tmp_path, pattern: str) -> None:
    write_tiles(tmp_path)
    with pytest.raises(InputDataError, match="0 files that match"):
        read(tmp_path, file=pattern)


def test_every_tile_is_hashed(tmp_path) -> None:
    write_tiles(tmp_path / "t")
    (tmp_path / "trees.csv").write_text("x")
    got = inputs.hash_inputs(
        Settings(terrain=TerrainSettings(file="t/*.tif"), trees=TreeSettings(file="trees.csv")), tmp_path
    )
    assert list(got) == [*(f"t/tile {i}.tif" for i in range(4)), "trees.csv"]


# ------------------------------------------------------------------ the copy


@pytest.mark.parametrize(
    "frame", [Frame(pyproj.CRS(UTM).to_wkt(), "a name of our own", "NAVD 88, read in ft"), Frame("", "local grid", "")]
)
def test_the_plans_copy_comes_back_bit_for_bit(tmp_path, frame: Frame) -> None:
    rng = np.random.default_rng(1)
    z = rng.normal(300.0, 20.0, (300, 270)).astype(np.float32)
    z[:20, :30] = np.nan
    given = Terrain(z, X0 + 0.1, Y0 + 1 / 3, 0.7 / 3, frame, 0.123456789, 'names & "quotes", é')
    rasters.write_terrain(tmp_path / "a.tif", given)
    rasters.write_terrain(tmp_path / "b.tif", given)
    back = rasters.read_terrain_copy(tmp_path / "a.tif")
    assert np.array_equal(back.z_m, z, equal_nan=True)
    for name in ("x0_m", "y0_m", "cell_m", "frame", "vertical_error_m", "source"):
        assert getattr(back, name) == getattr(given, name)
    assert (tmp_path / "a.tif").read_bytes() == (tmp_path / "b.tif").read_bytes()
    with rasterio.open(tmp_path / "a.tif") as source:  # and any other program reads it too
        assert source.units == ("metre",)
        assert math.isnan(source.nodata)


def test_a_copy_that_is_none_is_told(tmp_path) -> None:
    write(tmp_path / "t.tif", NORTH_UP, 20, 20)
    with pytest.raises(InputDataError, match="Plan again"):
        rasters.read_terrain_copy(tmp_path / "t.tif")
    with pytest.raises(OutputError):
        rasters.write_terrain(
            tmp_path / "gone" / "t.tif", Terrain(np.zeros((3, 3), np.float32), 0, 0, 1, Frame("", "", ""), 0, "")
        )


@pytest.mark.parametrize("transform", [
    Affine(1e300, 0.0, X0, 0.0, -1e300, Y0), Affine(1e-320, 0.0, X0, 0.0, -1e-320, Y0),
    Affine(2.0, 0.0, 1e300, 0.0, -3.0, Y0), Affine(2.0, 0.0, X0, 0.0, -3.0, -1e308),
    Affine(2.0, 1e200, X0, 1e200, -2.0, Y0), Affine(2.0, 2.0, X0, 2.0, 2.0, Y0), Affine(0.0, 0.0, X0, 0.0, -2.0, Y0),
])
@pytest.mark.parametrize("crs", [UTM, "EPSG:3857", "EPSG:2263"])
def test_a_georeference_from_nowhere_is_refused_in_words(tmp_path, transform: Affine, crs: str) -> None:
    """Numbers that a file can hold and no place has: infinite once they are put to use."""
    write(tmp_path / "t.tif", transform, 20, 20, crs, z=np.full((20, 20), 300.0))
    asked = Settings(terrain=TerrainSettings(file="t.tif", vertical_unit="m", cell_limit_m=math.inf))
    with pytest.raises(InputDataError) as caught:
        rasters.read_terrain(asked, tmp_path)
    assert all(p.found and p.wanted and p.remedy for p in caught.value.problems)
