"""Bores of inside-diameter-controlled pipe (ASTM D2239), which the catalogue gives from memory, against an open table.

Such pipe is made to the bores of Schedule 40 steel pipe, so that the same insert fittings serve; those bores stand in
ASME B36.10M, as tabulated by ``fluids`` (MIT licence). The standard itself was not read: the rows stay marked.
"""

from __future__ import annotations

import pytest
from fluids.piping import nearest_pipe
from pipeline.hydraulics.catalogue import mainline_sizes

NPS_IN = {"3/4": 0.75, "1": 1.0, "1-1/4": 1.25, "1-1/2": 1.5, "2": 2.0, "2-1/2": 2.5, "3": 3.0}
SIDR = 15.0
LEAST_WALL_MM = 0.060 * 25.4  # of the smallest sizes; from memory, unverified


def test_every_size_is_compared() -> None:
    assert [s.nominal for s in mainline_sizes("id_controlled")] == list(NPS_IN)


@pytest.mark.parametrize("nominal", NPS_IN)
def test_bore_is_that_of_schedule_40(nominal: str) -> None:
    size = next(s for s in mainline_sizes("id_controlled") if s.nominal == nominal)
    _, bore_m, _, _ = nearest_pipe(NPS=NPS_IN[nominal], schedule="40")
    assert size.inner_diameter_mm == pytest.approx(1000.0 * bore_m, abs=0.05)
    assert size.status == "from memory, unverified"


@pytest.mark.parametrize("nominal", NPS_IN)
def test_wall_is_a_fifteenth_of_the_bore(nominal: str) -> None:
    size = next(s for s in mainline_sizes("id_controlled") if s.nominal == nominal)
    wall_mm = (size.outer_diameter_mm - size.inner_diameter_mm) / 2.0
    assert wall_mm == pytest.approx(max(size.inner_diameter_mm / SIDR, LEAST_WALL_MM), abs=0.02)
