"""Compiled subset rows of the set partitioning: of any three trees two belong to at most one lateral.

For trees i, j, k every partition has ``sum of x over columns with two or three of them <= 1``,
because two such columns would share a tree. With pair weights ``w_ij`` (sum of x over columns
that hold i and j) and ``w_ijk`` the left side is ``w_ij + w_ik + w_jk - 2 w_ijk``.
(Subset-row inequalities: Jepsen, Petersen, Spoorendonk, Pisinger 2008; from memory, unverified.)
"""

from __future__ import annotations

import numpy as np

from pipeline.compiled import njit
from pipeline.laterals.pieces_kernel import F64, I32, I64


@njit(cache=True)
def _tree_columns(flat: I32, ptr: I64, trees: int) -> tuple[I64, I64]:
    """Return (start, column): which columns hold each tree, in ascending order."""
    start = np.zeros(trees + 1, np.int64)
    for p in range(flat.shape[0]):
        start[flat[p] + 1] += 1
    for t in range(trees):
        start[t + 1] += start[t]
    fill = start.copy()
    column = np.empty(flat.shape[0], np.int64)
    for i in range(ptr.shape[0] - 1):
        for p in range(ptr[i], ptr[i + 1]):
            column[fill[flat[p]]] = i
            fill[flat[p]] += 1
    return start, column


@njit(cache=True, nogil=True)
def subset_members(triple: I64, flat: I32, ptr: I64, trees: int) -> tuple[I64, I64]:
    """Return (row, column) of all columns that hold two or three trees of each triple."""
    start, column = _tree_columns(flat, ptr, trees)
    row = np.empty(256, np.int64)
    col = np.empty(256, np.int64)
    count = 0
    seen = np.zeros(ptr.shape[0] - 1, np.int8)
    for r in range(triple.shape[0]):
        for k in range(3):
            t = triple[r, k]
            for q in range(start[t], start[t + 1]):
                c = column[q]
                seen[c] += 1
                if seen[c] == 2:
                    if count == row.shape[0]:
                        row = np.concatenate((row, np.empty(count, np.int64)))
                        col = np.concatenate((col, np.empty(count, np.int64)))
                    row[count] = r
                    col[count] = c
                    count += 1
        for k in range(3):
            t = triple[r, k]
            for q in range(start[t], start[t + 1]):
                seen[column[q]] = 0
    return row[:count], col[:count]


@njit(cache=True, nogil=True)
def broken_triples(  # noqa: C901 - one loop nest
    flat: I32, ptr: I64, x: F64, trees: int,
) -> tuple[I64, F64]:
    """Return (triples in ascending order, excess over 1) of all broken subset rows of a solution x."""
    start, column = _tree_columns(flat, ptr, trees)
    out = np.empty((64, 3), np.int64)
    excess = np.empty(64)
    count = 0
    mark = np.zeros(trees, np.int64) - 1
    partner = np.empty(trees, np.int64)
    for i in range(trees):
        partners = 0
        for q in range(start[i], start[i + 1]):
            c = column[q]
            for p in range(ptr[c], ptr[c + 1]):
                j = flat[p]
                if mark[j] != i:
                    mark[j] = i
                    partner[partners] = j
                    partners += 1
        some = np.sort(partner[:partners])
        for a in range(partners):
            j = some[a]
            for b in range(a + 1, partners):
                k = some[b]
                # each triple once, at its smallest tree: in a broken one each pair shares some column
                if j == i or k == i or j < i:
                    continue
                total = 0.0
                for w in (i, j, k):
                    for q in range(start[w], start[w + 1]):
                        c = column[q]
                        held = 0
                        for p in range(ptr[c], ptr[c + 1]):
                            if flat[p] == i or flat[p] == j or flat[p] == k:
                                held += 1
                        if held >= 2:
                            total += x[c] / held
                if total > 1.0 + 1e-4:
                    if count == out.shape[0]:
                        bigger = np.empty((2 * count, 3), np.int64)
                        bigger[:count] = out
                        out = bigger
                        excess = np.concatenate((excess, np.empty(count)))
                    out[count, 0], out[count, 1], out[count, 2] = i, j, k
                    excess[count] = total - 1.0
                    count += 1
    return out[:count], excess[:count]
