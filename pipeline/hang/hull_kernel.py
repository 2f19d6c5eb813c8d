"""Compiled: which points of a span can touch a straight line at all."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from pipeline.compiled import njit


@njit(cache=True)
def upper_hull(x: npt.NDArray[np.float64], y: npt.NDArray[np.float64]) -> npt.NDArray[np.int64]:
    """Return the indices of the upper concave hull of points sorted by x.

    Recurrence (monotone chain): a point is dropped while it lies on or below the chord from
    the one before it to the new one; of points with the same x only the highest can stay.
    A line over all points of a span lies over this hull and nothing else. O(n).
    """
    n = x.size
    kept = np.empty(n, np.int64)
    m = 0
    for i in range(n):
        if m > 0 and x[i] <= x[kept[m - 1]]:
            if y[i] <= y[kept[m - 1]]:
                continue
            m -= 1
        while m >= 2:
            a = kept[m - 2]
            b = kept[m - 1]
            if (y[b] - y[a]) * (x[i] - x[a]) <= (y[i] - y[a]) * (x[b] - x[a]):
                m -= 1
            else:
                break
        kept[m] = i
        m += 1
    return kept[:m]


@njit(cache=True)
def span_hulls(
    x: npt.NDArray[np.float64], y: npt.NDArray[np.float64], start: npt.NDArray[np.int64]
) -> npt.NDArray[np.bool_]:
    """Return which points lie on the upper hull of their own span.

    Span i holds the points ``start[i]`` to ``start[i + 1] - 1``. Points that are NaN never do.
    """
    keep = np.zeros(x.size, np.bool_)
    for i in range(start.size - 1):
        index = np.empty(start[i + 1] - start[i], np.int64)
        m = 0
        for j in range(start[i], start[i + 1]):
            if not np.isnan(y[j]):
                index[m] = j
                m += 1
        index = index[:m]
        for k in upper_hull(x[index], y[index]):
            keep[index[k]] = True
    return keep
