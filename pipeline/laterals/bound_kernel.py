"""Compiled Lagrangian bound of the set partitioning over all columns.

For any prices ``u`` of the trees, ``0 <= u <= penalty``::

    L(u) = sum(u) + sum over heads h of min(0, min over columns with head h of cost - sum of u)

is a lower bound of every plan, because a tree heads at most one lateral and an unserved
tree costs `penalty`. Its maximum over ``u`` is the bound of the linear programme. Prices
are raised by subgradient steps: for a tree covered c times, along ``1 - c``.
"""

from __future__ import annotations

import numpy as np

from pipeline.compiled import njit
from pipeline.laterals.pieces_kernel import F64, I32, I64


@njit(cache=True, nogil=True)
def polish(  # noqa: C901 - one tight loop over prices and columns
    price: F64, flat: I32, ptr: I64, cost: F64, trees: int, penalty: float, upper: float, steps: int,
) -> tuple[float, F64]:
    """Return (best bound, its prices) after at most `steps` subgradient steps towards `upper`.

    `price` are the first prices; columns of one head need not stand together. Trees in no
    column keep the price 0 and take no part.
    """
    u = np.minimum(np.maximum(price, 0.0), penalty)
    best = -np.inf
    best_u = u.copy()
    scale = 0.5
    stale = 0
    low = np.empty(trees)
    arg = np.empty(trees, np.int64)
    covered = np.empty(trees)
    alone = np.ones(trees, np.bool_)
    for p in range(flat.shape[0]):
        alone[flat[p]] = False
    for t in range(trees):
        if alone[t]:
            u[t] = 0.0
            best_u[t] = 0.0
    for _ in range(steps):
        low[:] = 0.0
        arg[:] = -1
        for i in range(cost.shape[0]):
            reduced = cost[i]
            for p in range(ptr[i], ptr[i + 1]):
                reduced -= u[flat[p]]
            head = flat[ptr[i]]
            if reduced < low[head]:
                low[head] = reduced
                arg[head] = i
        bound = u.sum() + low.sum()
        if bound > best + 1e-9:
            best = bound
            best_u[:] = u
            stale = 0
        else:
            stale += 1
            if stale == 6:
                scale *= 0.6
                stale = 0
                u[:] = best_u
                if scale < 1e-4:
                    break
        covered[:] = 0.0
        for h in range(trees):
            if arg[h] >= 0:
                for p in range(ptr[arg[h]], ptr[arg[h] + 1]):
                    covered[flat[p]] += 1.0
        norm = 0.0
        for t in range(trees):
            g = 1.0 - covered[t]
            if alone[t] or (g > 0.0 and u[t] >= penalty) or (g < 0.0 and u[t] <= 0.0):
                covered[t] = 1.0
                g = 0.0
            norm += g * g
        if norm == 0.0 or upper - bound <= 1e-9:
            break
        step = scale * (upper - bound) / norm
        for t in range(trees):
            u[t] = min(max(u[t] + step * (1.0 - covered[t]), 0.0), penalty)
    return best, best_u
