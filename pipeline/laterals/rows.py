"""Rows of the set partitioning: pieces of columns, and which columns exclude each other."""

from __future__ import annotations

import numpy as np
from scipy import sparse

from pipeline.laterals.choice import Chosen
from pipeline.laterals.columns import Columns
from pipeline.laterals.scene import Ints, Scene
from pipeline.laterals.subset_kernel import subset_members


def as_chosen(columns: Columns, rows: Ints) -> list[Chosen]:
    """Return some columns as chosen laterals."""
    return [
        Chosen(tuple(columns.trees(int(r)).tolist()), int(columns.slot[r]), float(columns.cost_m[r])) for r in rows
    ]


def piece_codes(scene: Scene, columns: Columns) -> Ints:
    """Return one code for each piece, in the order of ``columns.flat``; either way round is the same piece."""
    n, wide = len(scene), len(scene) + len(scene.slot) + 1
    end = columns.flat.astype(np.int64)
    begin = np.empty_like(end)
    begin[1:] = end[:-1]
    begin[columns.ptr[:-1]] = n + columns.slot
    return np.minimum(begin, end) * wide + np.maximum(begin, end)


def _cut_rows(columns: Columns, code: Ints, pairs: list[tuple[int, int]]) -> sparse.csr_matrix:
    """Return a row for each pair of pieces that exclude each other."""
    owner = np.repeat(np.arange(len(columns)), np.diff(columns.ptr))
    data = []
    for i, (p, q) in enumerate(pairs):
        cols = np.unique(owner[(code == p) | (code == q)])
        data.append((np.full(len(cols), i), cols))
    rows = np.concatenate([d[0] for d in data]) if data else np.zeros(0, np.int64)
    cols = np.concatenate([d[1] for d in data]) if data else np.zeros(0, np.int64)
    return sparse.csr_matrix((np.ones(len(rows)), (rows, cols)), shape=(len(pairs), len(columns)))


def excluding_rows(
    scene: Scene, columns: Columns, cut: list[tuple[int, int]], subset: list[tuple[int, int, int]]
) -> sparse.csr_matrix:
    """Return the rows "at most one of these columns": crossing pairs first, then subsets of three trees."""
    parts = [_cut_rows(columns, piece_codes(scene, columns), cut)]
    if subset:
        rows, cols = subset_members(
            np.array(subset, dtype=np.int64).reshape(-1, 3), columns.flat, columns.ptr, len(scene)
        )
        parts.append(sparse.csr_matrix((np.ones(len(rows)), (rows, cols)), shape=(len(subset), len(columns))))
    return sparse.vstack(parts, format="csr")


def share_an_end(scene: Scene, p: int, q: int) -> bool:
    """Tell whether two pieces end at one tree or one slot."""
    wide = len(scene) + len(scene.slot) + 1
    return bool(set(divmod(p, wide)) & set(divmod(q, wide)))
