"""Plans the demo woodlot twice: on 40,000 x 40,000 cells of which it fills one corner, and on that corner cut out.

Every cell of the large raster holds ground (the woodlot's own, repeated), so nothing is saved by gaps; the file is
6.4 GB, and its hash is part of the plan. Printed are the ratios of CPU seconds, wall seconds and peak memory; the bars
for time and for memory are 1.5.
"""

from __future__ import annotations

import os
import re
import resource
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
import rasterio
from pipeline.resources import demo_dir

CELLS = 40_000
MARGIN_CELLS = 600  # more than is read around the trees
BLOCK = 512


def write_huge(small: Path, target: Path, cells: int = CELLS) -> None:
    """Repeat a raster eastward and northward to `cells` by `cells`; its own place is the south-west corner."""
    with rasterio.open(small) as source:
        z, t = source.read(1), source.transform
        profile = {**source.profile, "width": cells, "height": cells, "tiled": True, "blockxsize": BLOCK,
                   "blockysize": BLOCK, "BIGTIFF": "YES",
                   "transform": rasterio.Affine(t.a, t.b, t.c, t.d, t.e, t.f - (cells - source.height) * t.e)}
    profile.pop("compress", None)
    profile.pop("predictor", None)
    rows, cols = z.shape
    across = np.arange(cells) % cols
    with rasterio.open(target, "w", **profile) as out:
        for top in range(0, cells, BLOCK):
            # the last row of the large one is the last row of the small one
            own = (np.arange(top, min(top + BLOCK, cells)) - cells) % rows
            out.write(z[own][:, across], 1, window=rasterio.windows.Window(0, top, cells, len(own)))


def write_corner(huge: Path, target: Path, rows: int, cols: int) -> None:
    """Cut the south-west corner out of a raster."""
    with rasterio.open(huge) as source:
        window = rasterio.windows.Window(0, source.height - rows, cols, rows)
        profile = {**source.profile, "width": cols, "height": rows, "transform": source.window_transform(window)}
        with rasterio.open(target, "w", **profile) as out:
            out.write(source.read(1, window=window), 1)


def planned(bush: Path, into: Path) -> tuple[float, float, float, str]:
    """Plan in a process of its own; return CPU seconds, wall seconds, peak MB and what was said."""
    begin = time.perf_counter()
    words = [sys.executable, "-m", "pipeline", "plan", str(bush), "--into", str(into), "--quiet", "--fresh"]
    process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
    said = process.stdout.read() if process.stdout else ""
    _, status, used = os.wait4(process.pid, 0)
    if os.waitstatus_to_exitcode(status) != 0:
        raise RuntimeError(f"the plan of {bush} failed")
    return used.ru_utime + used.ru_stime, time.perf_counter() - begin, used.ru_maxrss / 1024.0, said


def trees_of(said: str) -> str:
    """Return the sum of trees that a plan printed."""
    found = re.search(r"\d+ trees read = .*", said)
    return found.group() if found else ""


def run(cells: int = CELLS) -> dict[str, float]:
    """Return the ratios, large over small."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        sites = [folder / "huge", folder / "corner"]
        for site in sites:
            shutil.copytree(demo_dir(), site)
        with rasterio.open(demo_dir() / "terrain.tif") as source:
            rows, cols = (min(n + MARGIN_CELLS, cells) for n in source.shape)
        write_huge(demo_dir() / "terrain.tif", sites[0] / "terrain.tif", cells)
        write_corner(sites[0] / "terrain.tif", sites[1] / "terrain.tif", rows, cols)
        planned(sites[1] / "bush.toml", folder / "warm")
        ours = planned(sites[1] / "bush.toml", folder / "one")
        huge = planned(sites[0] / "bush.toml", folder / "two")
        if trees_of(ours[3]) != trees_of(huge[3]) or not trees_of(ours[3]):
            raise RuntimeError(f"not the same plan: {trees_of(ours[3])!r}, {trees_of(huge[3])!r}")
    return {
        "huge_cpu_s": huge[0], "huge_small_cpu_s": ours[0], "huge_cpu_ratio": huge[0] / ours[0],
        "huge_wall_ratio": huge[1] / ours[1], "huge_peak_mb": huge[2], "huge_small_peak_mb": ours[2],
        "huge_memory_ratio": huge[2] / ours[2],
    }


if __name__ == "__main__":
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    for key, value in run(*(int(a) for a in sys.argv[1:2])).items():
        print(f"{key:24s} {value:10.2f}")
