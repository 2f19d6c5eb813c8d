"""Counts parts, hours and money: per section and in total.

Every part lies in the section in which its station lies; lines are shared out by
length. Totals are sums over sections; waste and whole rolls come on top of totals
only. Names and packs stand in ``templates/parts.csv``, minutes in
``templates/labour.csv``, prices in ``templates/prices.csv`` or the grower's own file.
"""

from __future__ import annotations

from pipeline.findings import Finding
from pipeline.records import Crossing, Flow, Grouping, Mainline, Section, Takeoff, Trees
from pipeline.settings import Settings
from pipeline.takeoff import money, tally

__all__ = ["count"]


def count(
    *,
    mainlines: tuple[Mainline, ...],
    grouping: Grouping,
    flow: Flow,
    sections: tuple[Section, ...],
    trees: Trees,
    crossings: tuple[Crossing, ...],
    settings: Settings,
    price_rows: list[dict[str, str]],
) -> tuple[Takeoff, tuple[Finding, ...]]:
    """Return the order list and the hours.

    Parameters
    ----------
    mainlines, grouping, flow, sections, trees, crossings
        The finished network.
    settings : Settings
        Drop length, wire, language, currency, labour price.
    price_rows : list of dict
        Rows with ``code`` and ``price``, as in ``templates/prices.csv``; a row without a size
        holds for every size that has none of its own.

    Returns
    -------
    Takeoff
        ``by_section`` holds exact quantities; ``total`` their sums, with waste and whole packs
        in ``order_quantity``. Equipment of collection points stands under section ``""``.
    tuple of Finding
        ``PRICE_MISSING``, ``PRICES_ARE_EXAMPLES``, ``COST_PER_TAP``.

    Raises
    ------
    ValueError
        When a price is not a number.
    """
    job = tally.job(
        mainlines=mainlines, grouping=grouping, flow=flow, sections=sections, trees=trees,
        crossings=crossings, settings=settings,
    )
    counted = tally.count_all(job)
    return money.price(
        counted=counted,
        section_ids=tuple(s.section_id for s in sections),
        taps=sum(a.taps for a in grouping.laterals),
        rolls_m=job.rolls_m,
        settings=settings,
        price_rows=price_rows,
    )
