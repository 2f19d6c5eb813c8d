"""Compiled: the cheapest row of supports that a straight wire can hang on."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.compiled import njit

_F = npt.NDArray[np.float64]
_I = npt.NDArray[np.int64]
_B = npt.NDArray[np.bool_]

BANDS = 12
LABELS = 6
BROKEN = 1.0e4  # cost of a span no straight wire can take: used only where nothing else is left
LEAST = 0.6  # shortest span, but between supports that both have to stand
TOO_LONG = 1.0e3  # cost of a metre beyond the longest span


@njit(cache=True)
def _span(
    a: int, b: int, station: _F, lower: _F, upper: _F, s: _F, s_low: _F, s_high: _F, first: _I,
    grade: float, drop: float, rise: float, low: _F, high: _F,
) -> None:
    """Fill `low` and `high`: lowest and highest legal line at b for each height band at a.

    ``low(z) = max(z + grade L, lower_b, max_j (lower_j - (1 - t_j) z) / t_j)`` is convex and
    ``high(z) = min(upper_b, min_j (upper_j - (1 - t_j) z) / t_j)`` concave in z, so reading
    between bands errs to the safe side.
    """
    length = max(station[b] - station[a], 1e-6)
    step = (upper[a] - lower[a]) / (BANDS - 1)
    for k in range(BANDS):
        z = lower[a] + k * step
        lo = max(z + grade * length, lower[b])
        hi = upper[b]
        for j in range(first[a], first[b]):
            t = (s[j] - station[a]) / length
            if t <= 0.01 or t >= 1.0:
                continue
            lo = max(lo, (s_low[j] - drop * (1.0 - t) - (1.0 - t) * z) / t)
            hi = min(hi, (s_high[j] + rise * (1.0 - t) - (1.0 - t) * z) / t)
        low[k] = lo
        high[k] = hi


@njit(cache=True)
def _reach(z_lo: float, z_hi: float, base: float, step: float, low: _F, high: _F) -> tuple[float, float]:
    """Return the interval of heights at b that some height in [z_lo, z_hi] at a can reach; empty when lo > hi."""
    best_lo = 1.0e300
    best_hi = -1.0e300
    for k in range(-2, BANDS):
        z = z_lo if k == -2 else (z_hi if k == -1 else base + k * step)
        if z < z_lo or z > z_hi:
            continue
        p = (z - base) / step if step > 0.0 else 0.0
        i = min(max(int(p), 0), BANDS - 2)
        f = p - i
        lo = low[i] + (low[i + 1] - low[i]) * f
        hi = high[i] + (high[i + 1] - high[i]) * f
        if lo <= hi:
            best_lo = min(best_lo, lo)
            best_hi = max(best_hi, hi)
    return best_lo, best_hi


@njit(cache=True)
def _insert(
    b: int, cost: float, lo: float, hi: float, a: int, label: int,
    count: _I, l_cost: _F, l_lo: _F, l_hi: _F, l_from: _I, l_label: _I,
) -> None:
    """Keep a label unless another is as cheap and reaches as far both ways; drop those it beats."""
    n = count[b]
    m = 0
    for k in range(n):
        if l_cost[b, k] <= cost and l_lo[b, k] <= lo and l_hi[b, k] >= hi:
            return
    for k in range(n):
        if not (cost <= l_cost[b, k] and lo <= l_lo[b, k] and hi >= l_hi[b, k]):
            l_cost[b, m], l_lo[b, m], l_hi[b, m] = l_cost[b, k], l_lo[b, k], l_hi[b, k]
            l_from[b, m], l_label[b, m] = l_from[b, k], l_label[b, k]
            m += 1
    slot = m
    if m == LABELS:
        slot = int(np.argmax(l_cost[b, :m]))
        if l_cost[b, slot] <= cost:
            count[b] = m
            return
        m -= 1
    l_cost[b, slot], l_lo[b, slot], l_hi[b, slot] = cost, lo, hi
    l_from[b, slot], l_label[b, slot] = a, label
    count[b] = m + 1


@njit(cache=True)
def _walk_back(
    count: _I, l_cost: _F, l_lo: _F, l_hi: _F, l_from: _I, l_label: _I
) -> tuple[_I, _F, _F]:
    """Return the cheapest row of candidates to the last, from the first on, with the heights of its labels."""
    n = count.size
    path = np.zeros(n, np.int64)
    z_lo = np.zeros(n)
    z_hi = np.zeros(n)
    m = 0
    b = n - 1
    k = int(np.argmin(l_cost[b, : count[b]]))
    while True:
        path[m], z_lo[m], z_hi[m] = b, l_lo[b, k], l_hi[b, k]
        m += 1
        if b == 0:
            break
        b, k = l_from[b, k], l_label[b, k]
    return path[:m][::-1].copy(), z_lo[:m][::-1].copy(), z_hi[:m][::-1].copy()


@njit(cache=True)
def _extend(
    a: int, b: int, broken: float, toll: float, base: float, step: float, low_b: float, high_b: float,
    low: _F, high: _F, count: _I, l_cost: _F, l_lo: _F, l_hi: _F, l_from: _I, l_label: _I,
) -> None:
    """Carry every label of a over the span to b; one that no straight wire can carry pays `broken`."""
    for k in range(count[a]):
        lo, hi = _reach(l_lo[a, k], l_hi[a, k], base, step, low, high)
        extra = 0.0
        if lo > hi:
            lo, hi, extra = low_b, high_b, broken
        _insert(b, l_cost[a, k] + toll + extra, lo, hi, a, k, count, l_cost, l_lo, l_hi, l_from, l_label)


@njit(cache=True)
def choose(
    station: _F, price: _F, must: _B, lower: _F, upper: _F, s: _F, s_low: _F, s_high: _F, first: _I,
    longest: float, grade: float, drop: float, rise: float,
) -> tuple[_I, _F, _F]:
    """Return the chosen candidates in station order, and the heights each can be reached at.

    Recurrence: ``label(b) = min over a of label(a) + price_b + unevenness(a, b)`` over candidates a
    below b, no further than `longest`, with no `must` between. A label carries the interval of heights
    at which the wire can stand there; a span carries it on to the next. Up to 6 labels a candidate.

    Parameters
    ----------
    station, price, must, lower, upper : arrays, shape (n,)
        Candidates: station, cost, whether one has to stand there, window of the wire there.
    s, s_low, s_high : float arrays, shape (m,)
        Window between candidates, sorted by station.
    first : int array, shape (n,)
        First sample at or above each candidate.
    longest : float
        Longest span.
    grade : float
        Least fall, as a ratio.
    drop, rise : float
        How far the window opens down and up at candidate 0, tapering to nothing at the next support.
    """
    n = station.size
    count = np.zeros(n, np.int64)
    l_cost = np.full((n, LABELS), 1.0e300)
    l_lo = np.zeros((n, LABELS))
    l_hi = np.zeros((n, LABELS))
    l_from = np.zeros((n, LABELS), np.int64)
    l_label = np.zeros((n, LABELS), np.int64)
    low = np.zeros(BANDS)
    high = np.zeros(BANDS)
    l_cost[0, 0], l_lo[0, 0], l_hi[0, 0] = 0.0, lower[0], upper[0]
    count[0] = 1
    for b in range(1, n):
        a = b - 1
        while a >= 0:
            length = station[b] - station[a]
            if length > longest and count[b] > 0:
                break
            extra = TOO_LONG * max(0.0, length - longest)
            at_end = 1.0 if a == 0 else 0.0
            _span(a, b, station, lower, upper, s, s_low, s_high, first, grade, drop * at_end, rise * at_end, low, high)
            step = (upper[a] - lower[a]) / (BANDS - 1)
            toll = price[b] + extra + 0.1 * (length / longest) ** 2
            if length >= LEAST or (length > 0.0 and must[a] and must[b]):
                _extend(
                    a, b, BROKEN, toll, lower[a], step, lower[b], upper[b], low, high,
                    count, l_cost, l_lo, l_hi, l_from, l_label,
                )
            if must[a]:
                break
            a -= 1
    return _walk_back(count, l_cost, l_lo, l_hi, l_from, l_label)
