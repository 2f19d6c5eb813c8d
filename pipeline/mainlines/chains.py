"""A network on the lattice, cut into lines: which branch goes on at a fork, which begins there."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from pipeline.mainlines.state_kernel import State


@dataclass(slots=True, eq=False)
class Chain:
    """One line on the lattice: nodes in station order, the first on its parent (or at a source)."""

    nodes: list[int]
    source: int
    children: list[Chain] = field(default_factory=list)


def upstream_length(cols: int, step_m: float, s: State) -> np.ndarray:
    """Return for each node the metres of line upstream of it."""
    total = np.zeros(s.down.shape[0])
    order = topological(s)
    row, col = np.divmod(np.arange(s.down.shape[0]), cols)
    for a in reversed(order):
        down = int(s.down[a])
        if down >= 0:
            total[down] += total[a] + step_m * float(np.hypot(row[a] - row[down], col[a] - col[down]))
    return total


def kids(s: State) -> dict[int, list[int]]:
    """Return the nodes directly upstream of each node that has any, in index order."""
    out: dict[int, list[int]] = {}
    for a in np.flatnonzero(s.down >= 0).tolist():
        out.setdefault(int(s.down[a]), []).append(a)
    return out


def topological(s: State) -> list[int]:
    """Return the nodes of the network, downstream before upstream."""
    up = kids(s)
    order = np.flatnonzero(s.down == -1).tolist()
    at = 0
    while at < len(order):
        order.extend(up.get(order[at], ()))
        at += 1
    return order


def chains(cols: int, step_m: float, s: State) -> list[Chain]:
    """Return the lines that start at sources, each with its branches.

    At a fork the line goes on into the branch with most line upstream; at a source every
    branch is a line of its own.
    """
    up = kids(s)
    weight = upstream_length(cols, step_m, s)

    def follow(start: int, first: int, source: int) -> Chain:
        chain = Chain(nodes=[start, first], source=source)
        while True:
            here = up.get(chain.nodes[-1], [])
            if not here:
                return chain
            chain.nodes.append(max(here, key=lambda a: (weight[a], -a)))

    out: list[Chain] = []
    todo: list[Chain] = []
    for root in np.flatnonzero(s.down == -1).tolist():
        for first in sorted(up.get(root, []), key=lambda a: (-weight[a], a)):
            out.append(follow(root, first, root))
            todo.append(out[-1])
    while todo:
        chain = todo.pop()
        for below, on in zip(chain.nodes[1:-1], chain.nodes[2:], strict=True):
            for first in up[below]:
                if first != on:
                    chain.children.append(follow(below, first, chain.source))
                    todo.append(chain.children[-1])
    return out
