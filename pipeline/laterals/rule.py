"""What the choice of laterals needs of the settings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from pipeline.settings import LateralSettings

ROUNDS = {"quick": 0, "normal": 3, "thorough": 12}  # of tightening the linear programme
# at effort normal vast woodlots get none: tightening wins about one percent of the objective (measured)
VAST_TREES = 15_000
HANDFUL = 100  # so few trees are always done thoroughly: it costs nothing
SHORT_SHARE = 1.0  # see EntryCost (ours): with it the mean comes near the aim where trees stand close


@dataclass(frozen=True, slots=True)
class EntryCost:
    """What an entry costs, in metres of lateral: more for a lateral with fewer taps than the aim.

    ``cost * (1 + SHORT_SHARE * max(0, 1 - taps / aim))``: the entry cost itself from the aim
    up, so that trees near one another share an entry, and none is made longer than that pays.
    """

    cost_m: float
    aim_taps: int

    def of(self, taps: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Return the cost of an entry for laterals with these taps."""
        short = np.maximum(0.0, 1.0 - np.asarray(taps, dtype=np.float64) / self.aim_taps)
        return np.asarray(self.cost_m * (1.0 + SHORT_SHARE * short))

    def surplus(self, taps: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Return what these cost more than the plain entry cost."""
        return self.of(taps) - self.cost_m


@dataclass(frozen=True, slots=True, eq=False)
class Rules:
    """What the choice needs of the settings; `whole` when one block is the whole and its bound is wanted."""

    entry: EntryCost
    max_length_m: float
    penalty_m: float
    effort: str
    rounds: int = 0  # of tightening the linear programme
    whole: bool = True
    draft: bool = False  # blocks alone: no borders mended, no left-out tree tried again, no bound
    vast: bool = False  # so many trees that time counts more than the last trees of a thousand
    hurry: bool = False  # one of many small blocks: the MIP is stopped early


def entry_cost(laterals: LateralSettings) -> EntryCost:
    """Return the rule for what an entry costs."""
    return EntryCost(laterals.entry_cost_m, laterals.aim_taps)


def rules(laterals: LateralSettings, effort: str, trees: int = 0) -> Rules:
    """Return the rules for a woodlot of so many trees; an unserved tree costs three of the dearest laterals for it."""
    entry = entry_cost(laterals)
    penalty = 3.0 * (laterals.max_length_m + float(entry.of(0)))
    if effort == "normal" and 0 < trees <= HANDFUL:
        effort = "thorough"
    vast = effort == "normal" and trees > VAST_TREES
    return Rules(entry, laterals.max_length_m, penalty, effort, 0 if vast else ROUNDS[effort], vast=vast)
