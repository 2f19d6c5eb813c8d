"""What every part of a repair looks at: the old plan, its ground, and the numbers of the work."""

from __future__ import annotations

import math
from dataclasses import dataclass

from pipeline.hydraulics.catalogue import mainline_sizes
from pipeline.records import Ground, Plan, Storm
from pipeline.resources import template_rows
from pipeline.terrain.grid import Terrain

# Numbers of this room are ours unless marked otherwise; hours stand in templates/repair.csv.
HIT_M = 0.75  # a stem this near a line lies on it: half a trunk and its branches
SNAP_M = 8.0  # a logged place this near a line, support or tree means it, beside the GPS spread
PIPE_TIE_EVERY_M = 0.3048  # rules.csv takeoff.pipe_tie
TIE_WRAP_M = 1.0  # rules.csv takeoff.tie_wrap
CORRIDOR_M = 6.0  # width that is cleared for a line through blown ground

Bill = dict[str, float]  # part code -> quantity


@dataclass(frozen=True, slots=True, eq=False)
class Site:
    """A plan to be repaired.

    Parameters
    ----------
    plan, terrain, ground
        The plan as it stands, and what it was made on.
    storm : Storm
        What was logged.
    prices, minutes, clearing : dict
        Money per unit of a part, minutes per unit of a part, crew-hours per logged item.
    fresh : tuple of int
        New trees that a line may be led to.
    known : int
        How many trees the plan had before; new ones stand behind them.
    """

    plan: Plan
    terrain: Terrain
    ground: Ground
    storm: Storm
    prices: dict[str, float]
    minutes: dict[str, float]
    clearing: dict[str, float]
    fresh: tuple[int, ...] = ()
    known: int = 0

    @property
    def gps_m(self) -> float:
        """Spread of a logged place."""
        return self.plan.settings.trees.gps_error_m

    @property
    def reach_m(self) -> float:
        """How far a logged place may lie from the thing it means."""
        return self.gps_m + SNAP_M

    @property
    def labour(self) -> float:
        """Money for one crew-hour of one person."""
        return self.plan.settings.prices.labour_per_h

    def price_of(self, code: str) -> float:
        """Return the price of a unit of a part; a family's where the size has none; 0 where neither has."""
        return self.prices.get(code, self.prices.get(_family(code, self.prices), 0.0))

    def bill(self, parts: Bill) -> tuple[float, float]:
        """Return money for parts and hours for hanging them."""
        money = math.fsum(q * self.price_of(c) for c, q in parts.items())
        hours = math.fsum(q * self.minutes.get(_family(c, self.minutes), 0.0) for c, q in parts.items()) / 60.0
        return money, hours

    def metre_of_mainline(self) -> float:
        """Return what a metre of the smallest mainline costs, hung."""
        size = mainline_sizes(self.plan.settings.flow.pipes)[0].nominal
        parts: Bill = {f"PIPE {size}": 1.0, f"WIRE {self.plan.settings.flow.wire}": 1.0,
                       "TWIST TIE": 1.0 / PIPE_TIE_EVERY_M}
        money, hours = self.bill(parts)
        return money + hours * self.labour

    def tap_value(self) -> float:
        """Return what a tap is worth in money: the mainline that the settings say one more tap is worth."""
        return self.plan.settings.mainlines.tap_worth_m * self.metre_of_mainline()


def _family(code: str, known: dict[str, float]) -> str:
    parts = code.split(" ")
    for k in range(len(parts), 0, -1):
        name = " ".join(parts[:k])
        if name in known:
            return name
    return code


def make_site(
    *, plan: Plan, terrain: Terrain, ground: Ground, storm: Storm, price_rows: list[dict[str, str]],
    fresh: tuple[int, ...] = (), known: int | None = None,
) -> Site:
    """Return a site with the prices and hours of the templates."""
    minutes: dict[str, float] = {}
    for row in template_rows("labour.csv"):
        minutes[row["code"]] = minutes.get(row["code"], 0.0) + float(row["minutes"])
    return Site(
        plan=plan, terrain=terrain, ground=ground, storm=storm,
        prices={row["code"].strip(): float(row["price"]) for row in price_rows}, minutes=minutes,
        clearing={row["code"]: float(row["hours"]) for row in template_rows("repair.csv")}, fresh=fresh,
        known=len(plan.trees) if known is None else known,
    )


def add(bill: Bill, code: str, quantity: float) -> None:
    """Add a quantity of a part to a bill."""
    if quantity > 0.0:
        bill[code] = bill.get(code, 0.0) + quantity


def merged(*bills: Bill) -> Bill:
    """Return the sum of bills."""
    out: Bill = {}
    for bill in bills:
        for code, quantity in bill.items():
            out[code] = out.get(code, 0.0) + quantity
    return out
