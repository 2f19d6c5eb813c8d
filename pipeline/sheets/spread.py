"""Moves figures in a row just so far apart that none covers its neighbour."""

from __future__ import annotations

from collections.abc import Sequence


def spread(wanted: Sequence[float], gap: float, low: float, high: float) -> list[float]:
    """Return places in the order of `wanted`, at least `gap` apart, inside ``low..high``, moved as little as can be.

    Least squares under order constraints: the pool-adjacent-violators algorithm of isotonic
    regression (Ayer et al. 1955, Annals of Mathematical Statistics 26) on ``wanted[i] - i * gap``.
    When the row is too full for `gap`, the places are evenly spaced instead.
    """
    count = len(wanted)
    if count == 0:
        return []
    if (count - 1) * gap > high - low:
        step = (high - low) / (count - 1)
        return [low + i * step for i in range(count)]
    blocks: list[tuple[float, int]] = []  # mean of the block, how many it holds
    for i, value in enumerate(wanted):
        mean, size = value - i * gap, 1
        while blocks and blocks[-1][0] > mean:
            other, more = blocks.pop()
            mean = (mean * size + other * more) / (size + more)
            size += more
        blocks.append((mean, size))
    flat = [mean for mean, size in blocks for _ in range(size)]
    last = high - (count - 1) * gap
    return [min(max(value, low), last) + i * gap for i, value in enumerate(flat)]
