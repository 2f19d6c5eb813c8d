"""Real tree positions: the 514 maples of Lansing Woods (spatstat.data, ``lansing``) on an invented plane.

A combination: the positions are real, the plane, the mainlines and one tap to a tree are invented.
"""

from __future__ import annotations

import csv
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from pipeline.laterals import group, settle

from lateral_referee import Referee
from lateral_sites import Stand, mainline_of, open_ground, plane, settings_of, terrain_of, trees_of

DATA = Path(__file__).parents[1] / "data" / "gpl" / "lansing_woods.csv"


@pytest.fixture(scope="module")
def lansing() -> Stand:
    """Return the maples on a plane that rises 3 % eastward and 5 % northward, mainlines 100 ft apart."""
    with DATA.open(encoding="utf-8") as file:
        maples = [row for row in csv.DictReader(file) if row["species"] == "maple"]
    x = np.array([float(m["x_m"]) for m in maples])
    y = np.array([float(m["y_m"]) for m in maples])
    terrain = terrain_of(plane(0.03, 0.05), 300.0)
    lines = tuple(
        mainline_of(terrain, [(2.0, float(v)), (285.0, float(v))], f"M{i + 1}")
        for i, v in enumerate(np.arange(9.0, 282.0, 30.48))
    )
    return Stand(lines, terrain, open_ground(terrain), trees_of(terrain, x, y, 1))


@pytest.mark.parametrize("effort", ["quick", "normal"])
def test_every_maple_is_served_or_set_aside_and_no_lateral_has_more_than_ten_taps(lansing, effort):
    assert len(lansing.trees) == 514
    settings = settings_of(effort)
    grouping, findings = group(**lansing.given(), settings=settings)
    settled, lost = settle(
        grouping=grouping, mainlines=lansing.mainlines, terrain=lansing.terrain, trees=lansing.trees,
        settings=settings,
    )
    assert lost == ()
    assert Referee(lansing, settings).audit(settled) == []
    count = Counter(settled.reason)
    assert sum(count.values()) == 514
    assert set(count) <= {"", "OUT_OF_REACH", "NO_LATERAL"}
    assert sum(c.taps for c in settled.laterals) == count[""]
    assert max(c.taps for c in settled.laterals) <= 10
    # lines 100 ft apart with a reach of 80 ft leave no maple unserved on a plane this gentle
    assert count[""] == 514
    assert {f.code for f in findings} <= {"LATERALS_THINNED"}


def test_gap_to_the_bound(lansing):
    grouping, _ = group(**lansing.given(), settings=settings_of("normal"))
    assert 1.0 <= grouping.objective_m / grouping.lower_bound_m <= 1.015
