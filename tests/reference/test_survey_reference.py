"""Taps of real trunk diameters: longleaf, waka and spruces of the R package spatstat.data.

Guideline: van den Berg et al. 2012, 12 to 18 in one tap, over 18 in two. The counts of
stems of at least 25.4 cm (10 in) and 45.72 cm (18 in) were made when the data sets were
exported, apart from this program; no diameter lies on 45.72 cm.
"""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from pipeline import survey
from pipeline.frame import Frame
from pipeline.resources import template_rows
from pipeline.settings import Settings, TreeSettings
from pipeline.store import vectors
from pipeline.terrain.grid import Terrain

DATA = Path(__file__).resolve().parents[1] / "data" / "gpl"
LOCAL = Frame("", "local grid", "")
COUNTS = {"longleaf": (584, 298, 100), "waka": (504, 190, 71), "spruces": (134, 51, 0)}


def assess(name: str, scheme: str):
    settings = Settings(
        trees=TreeSettings(file=f"{name}.csv", dbh_unit="cm", guideline=scheme, duplicate_distance_m=0.0)
    )
    points = vectors.read_trees(settings, DATA, LOCAL)
    land = Terrain(np.zeros((250, 250), np.float32), -10.0, 230.0, 1.0, LOCAL, 0.1, "flat")
    return survey.assess(
        points=points,
        terrain=land,
        ground_reasons=("",) * len(points.tree_id),
        guideline=template_rows("guidelines.csv"),
        settings=settings,
    )[0]


@pytest.mark.parametrize("name", COUNTS)
def test_taps_of_real_diameters(name: str) -> None:
    total, over_10_in, over_18_in = COUNTS[name]
    conservative, traditional = assess(name, "conservative"), assess(name, "traditional")
    assert len(conservative) == total
    assert int((conservative.taps == 2).sum()) == over_18_in
    assert int((traditional.taps >= 1).sum()) == over_10_in
    # the rest by hand, from the file's own numbers
    with (DATA / f"{name}.csv").open(encoding="utf-8") as handle:
        dbh = [float(row["dbh_cm"]) for row in csv.DictReader(handle)]
    assert int((conservative.taps == 1).sum()) == sum(30.48 <= d <= 45.72 for d in dbh)
    assert conservative.status.count("not_tapped") == sum(d < 30.48 for d in dbh)
    assert set(conservative.reason) <= {"", "TOO_SMALL"}


def test_real_maples_without_diameters_are_all_kept_and_none_is_tapped() -> None:
    """Lansing Woods: 2,251 stems, 514 maples, no diameters; positions in feet and metres of a local grid."""
    settings = Settings(trees=TreeSettings(file="lansing_woods.csv", dbh_unit="in"))
    points = vectors.read_trees(settings, DATA, LOCAL)
    assert points.species.count("maple") == 514
    land = Terrain(np.zeros((300, 300), np.float32), 0.0, 299.0, 1.0, LOCAL, 0.1, "flat")
    trees, _ = survey.assess(
        points=points,
        terrain=land,
        ground_reasons=("",) * 2251,
        guideline=template_rows("guidelines.csv"),
        settings=settings,
    )
    assert len(trees) == 2251
    assert trees.reason.count("NO_DIAMETER") == 514
    assert trees.reason.count("SPECIES") == 2251 - 514
