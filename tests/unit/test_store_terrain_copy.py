"""The plan folder's own copy of the terrain: what damages it, what stops its writing, what a raster may say aloud."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pytest
import rasterio
from pipeline.errors import InputDataError, OutputError
from pipeline.frame import Frame
from pipeline.store import terrain_copy
from pipeline.terrain.grid import Terrain
from rasterio.errors import RasterioIOError

LOCAL = Frame("", "local grid", "none")
LAND = Terrain(np.arange(12, dtype=np.float32).reshape(3, 4), 10.0, 20.0, 2.0, LOCAL, 0.1, "t")


@pytest.fixture
def copy(tmp_path) -> Path:
    terrain_copy.write_terrain(tmp_path / "terrain.tif", LAND)
    return tmp_path / "terrain.tif"


def tagged(path: Path, text: str) -> Path:
    """Put another text where the copy keeps its exact numbers."""
    with rasterio.open(path, "r+") as target:
        target.update_tags(fallgrade=text)
    return path


def exact(path: Path) -> dict:
    with rasterio.open(path) as source:
        return json.loads(source.tags()["fallgrade"])


def test_any_program_reads_the_same_place_and_heights(copy) -> None:
    """Cell centres of ours are the middles of the pixels (PixelIsArea, what GeoTIFF means by default)."""
    with rasterio.open(copy) as source:
        for row, col in ((0, 0), (2, 3)):
            x, y = source.xy(row, col)
            assert (x, y) == (LAND.x0_m + col * 2.0, LAND.y0_m - row * 2.0)
            assert source.read(1)[row, col] == LAND.z_m[row, col]
            assert float(LAND.sample(x, y)) == LAND.z_m[row, col]


@pytest.mark.parametrize("key", ["x0_m", "y0_m", "cell_m", "source", "vertical_error_m", "crs_wkt", "name", "vertical"])
def test_a_copy_without_one_of_its_numbers_is_told(copy, key: str) -> None:
    kept = exact(copy)
    del kept[key]
    with pytest.raises(InputDataError, match="terrain copy that cannot be read"):
        terrain_copy.read_terrain_copy(tagged(copy, json.dumps(kept)))


@pytest.mark.parametrize(("key", "value"), [
    ("x0_m", "here"), ("y0_m", None), ("cell_m", 0.0), ("cell_m", -1.0), ("cell_m", [2]), ("x0_m", 1e999),
    ("cell_m", float("nan")),
])
def test_a_copy_with_a_number_that_is_none_is_told(copy, key: str, value: object) -> None:
    text = json.dumps({**exact(copy), key: value})
    with pytest.raises(InputDataError, match="Plan again"):
        terrain_copy.read_terrain_copy(tagged(copy, text))


@pytest.mark.parametrize("text", ["", "{", "[]", "3", "null", '"x"', "[" * 50_000])
def test_a_copy_with_another_text_is_told(copy, text: str) -> None:
    with pytest.raises(InputDataError, match="Plan again"):
        terrain_copy.read_terrain_copy(tagged(copy, text))


@pytest.mark.parametrize("fault", [OSError(28, "No space left on device"), RasterioIOError("write failed")])
def test_a_disk_that_takes_no_more_is_told_with_a_remedy(tmp_path, monkeypatch, fault: Exception) -> None:
    def full(*_args: object, **_keys: object) -> None:
        raise fault

    monkeypatch.setattr(rasterio, "open", full)
    with pytest.raises(OutputError) as caught:
        terrain_copy.write_terrain(tmp_path / "terrain.tif", LAND)
    assert "Free disk space" in caught.value.problems[0].remedy
    assert str(fault.args[-1]) in caught.value.problems[0].found


# ---------------------------------------------------- what the raster library prints


WORDS = UnicodeDecodeError("utf-8", b"\x80", 0, 1, "invalid start byte")


class Hooks:
    """Stands in for the two hooks of the interpreter and remembers what reached them."""

    def __init__(self, monkeypatch) -> None:
        self.unraisable: list[object] = []
        self.uncaught: list[object] = []
        monkeypatch.setattr(sys, "unraisablehook", lambda what: self.unraisable.append(what.exc_value))
        monkeypatch.setattr(sys, "excepthook", lambda _kind, value, _trace: self.uncaught.append(value))
        self.own = sys.unraisablehook, sys.excepthook


class What:
    """What the interpreter hands to the hook of exceptions that cannot be raised."""

    def __init__(self, value: BaseException) -> None:
        self.exc_value = value


@pytest.mark.parametrize(("fault", "heard"), [(WORDS, False), (ValueError("ours"), True), (KeyError("x"), True)])
def test_only_words_in_no_utf_8_are_kept_quiet(copy, monkeypatch, fault: BaseException, heard: bool) -> None:
    hooks = Hooks(monkeypatch)
    with terrain_copy.opened(copy):
        sys.unraisablehook(What(fault))
        sys.excepthook(type(fault), fault, None)
    wanted = [fault] if heard else []
    assert hooks.unraisable == wanted
    assert hooks.uncaught == wanted
    sys.unraisablehook(What(WORDS))
    assert hooks.unraisable == [*wanted, WORDS], "outside nothing is kept quiet"


def test_the_hooks_come_back_after_a_fault(copy, tmp_path, monkeypatch) -> None:
    hooks = Hooks(monkeypatch)
    with pytest.raises(ZeroDivisionError), terrain_copy.opened(copy):
        raise ZeroDivisionError
    with pytest.raises(terrain_copy.BROKEN), terrain_copy.opened(tmp_path / "gone.tif"):
        pass
    assert (sys.unraisablehook, sys.excepthook) == hooks.own


@pytest.mark.parametrize("driver", ["GTiff", "AAIGrid", "VRT", "HFA"])
def test_a_raster_is_opened_by_the_driver_asked_for_alone(copy, driver: str) -> None:
    if driver == "GTiff":
        with terrain_copy.opened(copy, driver) as source:
            assert source.driver == driver
        return
    with pytest.raises(terrain_copy.BROKEN), terrain_copy.opened(copy, driver):
        pass
