"""Compiled savings and local search over the table of legal laterals: the instant preview.

A lateral is a set of trees with a 64-bit key (xor of its trees' keys); the table of
columns, sorted by key, says whether a set is legal and what its best order costs. The
moves are joins of two laterals (savings, largest first), relocation of one tree and
exchange of two::

    join:      c(A) + c(B) - c(A + B)
    relocate:  c(A) + c(B) - c(A - t) - c(B + t)        B may be empty
    exchange:  c(A) + c(B) - c(A - t + u) - c(B - u + t)

with ``c(empty) = 0`` and an unserved tree costing `penalty`.
"""

from __future__ import annotations

import numpy as np

from pipeline.compiled import njit
from pipeline.laterals.enumerate_kernel import mix
from pipeline.laterals.pieces_kernel import F64, I32, I64, U64

LEAST_M = 1e-6


@njit(cache=True)
def look_up(key: np.uint64, sorted_key: U64) -> int:
    """Return the row of a key in the sorted table, or -1."""
    i = int(np.searchsorted(sorted_key, key))
    if i < sorted_key.shape[0] and sorted_key[i] == key:
        return i
    return -1


@njit(cache=True)
def _cost(key: np.uint64, sorted_key: U64, cost: F64) -> float:
    """Return the cost of a set by its key: 0 for the empty one, inf when no legal lateral exists."""
    if key == np.uint64(0):
        return 0.0
    i = look_up(key, sorted_key)
    return cost[i] if i >= 0 else np.inf


@njit(cache=True, nogil=True)
def savings(  # noqa: C901 - rounds of joins in one loop nest
    n: int, neighbour: I32, sorted_key: U64, cost: F64, penalty: float,
) -> tuple[I64, U64]:
    """Return (owner, key): which lateral takes each tree (-1 none) and each lateral's key, after joins."""
    owner = np.full(n, -1, np.int64)
    key = np.zeros(n, np.uint64)
    for t in range(n):
        k = mix(t)
        if _cost(k, sorted_key, cost) < penalty:
            owner[t] = t
            key[t] = k
    width = neighbour.shape[1]
    first = np.empty(n * width, np.int64)
    second = np.empty(n * width, np.int64)
    gain = np.empty(n * width)
    for _ in range(40):
        count = 0
        for t in range(n):
            for q in range(width):
                u = neighbour[t, q]
                if u < 0:
                    break
                if owner[t] == owner[u]:
                    continue
                was = penalty if owner[t] < 0 else _cost(key[owner[t]], sorted_key, cost)
                was += penalty if owner[u] < 0 else _cost(key[owner[u]], sorted_key, cost)
                both = (mix(t) if owner[t] < 0 else key[owner[t]]) ^ (mix(u) if owner[u] < 0 else key[owner[u]])
                win = was - _cost(both, sorted_key, cost)
                if win > LEAST_M:
                    first[count], second[count], gain[count] = t, u, win
                    count += 1
        if count == 0:
            break
        order = np.argsort(-gain[:count], kind="mergesort")
        touched = np.zeros(n, np.bool_)
        for i in order:
            t, u = first[i], second[i]
            a = t if owner[t] < 0 else owner[t]
            b = u if owner[u] < 0 else owner[u]
            if touched[a] or touched[b]:
                continue
            touched[a] = True
            touched[b] = True
            key[a] = (key[a] if owner[t] >= 0 else mix(t)) ^ (key[b] if owner[u] >= 0 else mix(u))
            owner[t] = a
            owner[u] = a
            if b != a:
                key[b] = np.uint64(0)
                for v in range(n):
                    if owner[v] == b:
                        owner[v] = a
    return owner, key


@njit(cache=True, nogil=True)
def local_search(  # noqa: C901 - one loop nest with two kinds of moves
    owner: I64, key: U64, near: I64, sorted_key: U64, cost: F64, penalty: float, rounds: int,
) -> None:
    """Relocate and exchange trees between neighbouring laterals until nothing gains, in place.

    `near` holds for each tree the trees around it in both directions, -1 where there are no more.
    """
    n = owner.shape[0]
    for _ in range(rounds):
        moved = False
        for t in range(n):
            kt = mix(t)
            a = owner[t]
            best = LEAST_M
            best_u = -1
            swap = False
            for q in range(near.shape[1]):
                u = near[t, q]
                if u < 0:
                    break
                b = owner[u]
                if b < 0 or b == a:
                    continue
                here = penalty if a < 0 else _cost(key[a], sorted_key, cost)
                there = _cost(key[b], sorted_key, cost)
                left = 0.0 if a < 0 else _cost(key[a] ^ kt, sorted_key, cost)
                win = here + there - left - _cost(key[b] ^ kt, sorted_key, cost)
                if win > best:
                    best, best_u, swap = win, u, False
                if a >= 0:
                    ku = mix(u)
                    win = here + there - _cost(key[a] ^ kt ^ ku, sorted_key, cost)
                    win -= _cost(key[b] ^ ku ^ kt, sorted_key, cost)
                    if win > best:
                        best, best_u, swap = win, u, True
            if best_u < 0:
                moved = _leave(t, owner, key, sorted_key, cost) or moved
                continue
            moved = True
            b = owner[best_u]
            if a >= 0:
                key[a] ^= kt
            key[b] ^= kt
            owner[t] = b
            if swap:
                key[a] ^= mix(best_u)
                key[b] ^= mix(best_u)
                owner[best_u] = a
        if not moved:
            break


@njit(cache=True)
def _leave(t: int, owner: I64, key: U64, sorted_key: U64, cost: F64) -> bool:
    """Give tree t a lateral of its own when that gains; tell whether it did."""
    a = owner[t]
    kt = mix(t)
    if a < 0 or key[a] == kt:
        return False
    win = _cost(key[a], sorted_key, cost) - _cost(key[a] ^ kt, sorted_key, cost) - _cost(kt, sorted_key, cost)
    if not win > LEAST_M:
        return False
    for free in range(owner.shape[0]):
        if key[free] == np.uint64(0):
            key[a] ^= kt
            key[free] = kt
            owner[t] = free
            return True
    return False
