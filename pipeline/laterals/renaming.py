"""Laterals keep their trees and places when the mainlines they enter are cut back and named anew."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from pipeline.records import Grouping, Mainline

TOO_HIGH_M = 1e-6


def on_trimmed(grouping: Grouping, names: Mapping[str, str], mainlines: tuple[Mainline, ...]) -> Grouping | None:
    """Return a grouping on mainlines that were cut back above its entries; None where one now enters too high.

    Parameters
    ----------
    names : mapping of str to str
        Old ID -> new ID of each mainline that is left; stations are the same on both.
    mainlines : tuple of Mainline
        As hung after the cut, parents before children.

    Returns
    -------
    Grouping or None
        In the order of the mainlines and of the entries upward, IDs counted up each mainline
        as after a grouping anew.

    Raises
    ------
    KeyError
        When a lateral enters a mainline that is no more.
    """
    rank = {line.mainline_id: i for i, line in enumerate(mainlines)}
    line_of = [rank[names[lateral.mainline_id]] for lateral in grouping.laterals]
    for k, (lateral, ceiling) in enumerate(zip(grouping.laterals, grouping.entry_ceiling_z_m, strict=True)):
        if float(mainlines[line_of[k]].at(lateral.entry_station_m)[2]) > float(ceiling) + TOO_HIGH_M:
            return None
    order = sorted(range(len(line_of)), key=lambda k: (line_of[k], grouping.laterals[k].entry_station_m, k))
    count: dict[int, int] = {}
    made = []
    for k in order:
        count[line_of[k]] = count.get(line_of[k], 0) + 1
        name = mainlines[line_of[k]].mainline_id
        made.append(replace(
            grouping.laterals[k], lateral_id=f"{name}-L{count[line_of[k]]:02d}", mainline_id=name,
        ))
    return replace(
        grouping, laterals=tuple(made),
        entry_ceiling_z_m=np.array([grouping.entry_ceiling_z_m[k] for k in order], dtype=np.float64),
    )
