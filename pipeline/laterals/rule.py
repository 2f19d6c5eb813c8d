"""What the choice of laterals needs of the settings."""

from __future__ import annotations

from dataclasses import dataclass

from pipeline.settings import LateralSettings


@dataclass(frozen=True, slots=True, eq=False)
class Rules:
    """What the choice needs of the settings; `whole` when one block is the whole and its bound is wanted."""

    entry_cost_m: float
    max_length_m: float
    penalty_m: float
    effort: str
    whole: bool = True


def rules(laterals: LateralSettings, effort: str) -> Rules:
    """Return the rules; an unserved tree costs three of the dearest laterals for it alone."""
    penalty = 3.0 * (laterals.max_length_m + laterals.entry_cost_m)
    return Rules(laterals.entry_cost_m, laterals.max_length_m, penalty, effort)
