"""A second opinion on laterals, written from the rules alone: legality, every legal lateral, the exact optimum.

Nothing here imports ``pipeline.laterals``; geometry is shapely's, the optimum is HiGHS's over
columns enumerated in plain Python without caps, neighbour limits or dominance. The optimum
leaves crossings of two laterals and the spacing of entries out, so that a plan that keeps
them can only be dearer: gaps measured against it are on the safe side.
"""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import shapely
from pipeline.records import Grouping, Lateral, Mainline
from pipeline.settings import Settings
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, milp

from lateral_sites import Stand

CLEAR_SHARE = 0.5  # of the lowest height, kept by a span between trees
FREE_TURN, TURN_LIMIT, TURN_M_PER_DEG, SHORT_M = 30.0, 100.0, 1.0 / 30.0, 1.5


def turn_cost_m(a: np.ndarray, b: np.ndarray, c: np.ndarray) -> float:
    """Return what the turn at b costs, inf where it is too sharp."""
    u, v = b - a, c - b
    if np.hypot(*u) < SHORT_M or np.hypot(*v) < SHORT_M:
        return 0.0
    cosine = float(np.clip(u @ v / (np.hypot(*u) * np.hypot(*v)), -1.0, 1.0))
    angle = math.degrees(math.acos(cosine))
    return math.inf if angle > TURN_LIMIT else max(angle - FREE_TURN, 0.0) * TURN_M_PER_DEG


class Referee:
    """Rules of one stand."""

    def __init__(self, stand: Stand, settings: Settings) -> None:
        self.stand, self.rule = stand, settings.laterals
        self.xy = np.column_stack([stand.trees.x_m, stand.trees.y_m])
        self.ground = stand.trees.ground_z_m
        self.lines = [shapely.LineString(m.xyz_m[:, :2]) for m in stand.mainlines]
        self.all_lines = shapely.union_all(self.lines)
        t, mask = stand.terrain, stand.ground.lateral_blocked
        rows, cols = np.nonzero(mask)
        x, y = t.xy(rows, cols)
        half = t.cell_m / 2.0
        self.blocked = shapely.union_all(shapely.box(x - half, y - half, x + half, y + half)) if len(x) else None

    # ------------------------------------------------------------ pieces

    def slots(self, line: Mainline) -> np.ndarray:
        """Stations a whole entry spacing apart counted from the top, none within half a metre of the lower end."""
        pitch = max(self.rule.entry_spacing_m, 0.3)
        station = np.arange(line.plan_length_m, 0.0, -pitch)[::-1]
        return station[station > 0.5]

    def need(self, a: np.ndarray, z_a: float, b: np.ndarray, ground_b: float) -> float:
        """Lowest elevation at b over the span from (a, z_a), nan without ground."""
        d = float(np.hypot(*(b - a)))
        count = math.ceil(d / min(0.5, 0.5 * self.stand.terrain.cell_m))
        t = np.arange(1, count) / max(count, 1)
        g = self.stand.terrain.sample(a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1]))
        clear = CLEAR_SHARE * self.rule.lowest_m
        over = (g + clear - (1.0 - t) * z_a) / t
        return float(np.max(np.append(over, ground_b + self.rule.lowest_m)))

    def passes(self, a: np.ndarray, b: np.ndarray, *, entry: bool) -> bool:
        """Whether the piece keeps off blocked ground and mainlines (an entry touches its own at its foot)."""
        piece = shapely.LineString([a, b])
        if self.blocked is not None and piece.intersects(self.blocked):
            return False
        hit = piece.intersection(self.all_lines)
        # an entry touches its mainline at its foot; a tree that stands on the line (to 1 mm) touches it too
        return hit.is_empty or shapely.hausdorff_distance(hit, shapely.Point(a)) < (1e-6 if entry else 2e-3)

    # ------------------------------------------------------------ enumeration

    def entries(self, head: int) -> list[tuple[np.ndarray, float, float, float]]:
        """(place, plan distance, label at the head, length) of the legal entries of a tree."""
        out = []
        grade = self.rule.min_grade_pct / 100.0
        at = self.xy[head]
        if shapely.Point(at).distance(self.all_lines) > self.rule.reach_m:
            return []
        for line in self.stand.mainlines:
            x, y, z = line.at(self.slots(line))
            for place, z0 in zip(np.column_stack([x, y]), z, strict=True):
                d = float(np.hypot(*(at - place)))
                if d > self.rule.max_length_m or not self.passes(place, at, entry=True):
                    continue
                label = max(self.need(place, float(z0), at, self.ground[head]), z0 + grade * d)
                if label <= self.ground[head] + self.rule.highest_m:
                    out.append((place, d, label, math.hypot(d, label - z0)))
        return sorted(out, key=lambda e: e[1])

    def edges(self) -> dict[int, list[tuple[int, float, float]]]:
        """Legal pieces (to, plan distance, need) from each tree within reach."""
        n = len(self.xy)
        grade = self.rule.min_grade_pct / 100.0
        near = [shapely.Point(p).distance(self.all_lines) <= self.rule.reach_m for p in self.xy]
        out: dict[int, list[tuple[int, float, float]]] = {i: [] for i in range(n)}
        for a in range(n):
            for b in range(n):
                d = float(np.hypot(*(self.xy[b] - self.xy[a])))
                if a == b or d > self.rule.max_length_m or not (near[a] and near[b]):
                    continue
                low, top = self.ground[a] + self.rule.lowest_m, self.ground[b] + self.rule.highest_m
                if low + grade * d > top or not self.passes(self.xy[a], self.xy[b], entry=False):
                    continue
                need = self.need(self.xy[a], low, self.xy[b], self.ground[b])
                if need <= top:
                    out[a].append((b, d, need))
        return out

    def columns(self) -> dict[frozenset[int], float]:
        """Every set of trees that one legal lateral can serve, with its least cost."""
        best: dict[frozenset[int], float] = {}
        edges = self.edges()
        for head in range(len(self.xy)):
            fronts: dict[int, list[tuple[float, float, float]]] = {}
            entries = self.entries(head)
            for place, _, label, length in entries:
                self._note(best, (head,), length + self.rule.entry_cost_m)
                for b, _, _ in edges[head]:
                    bend = turn_cost_m(place, self.xy[head], self.xy[b])
                    if math.isfinite(bend):
                        fronts.setdefault(b, []).append((length + bend + self.rule.entry_cost_m, length, label))
            for b, front in fronts.items():
                # an entry that is no better in cost, length and label than another adds nothing
                front.sort()
                kept: list[tuple[float, float, float]] = []
                for one in front:
                    if not any(k[1] <= one[1] and k[2] <= one[2] for k in kept):
                        kept.append(one)
                for cost, length, label in kept:
                    self._extend(best, edges, [head], cost, length, label, only=b)
        return best

    def _note(self, best: dict[frozenset[int], float], path: tuple[int, ...], cost: float) -> None:
        key = frozenset(path)
        # an entry costs more the farther its taps are below the aim, twice as much at none
        taps = int(self.stand.trees.taps[list(path)].sum())
        cost += self.rule.entry_cost_m * max(0.0, 1.0 - taps / self.rule.aim_taps)
        if cost < best.get(key, math.inf):
            best[key] = cost

    def _extend(self, best, edges, path, cost, length, label, only=None) -> None:
        grade = self.rule.min_grade_pct / 100.0
        taps = self.stand.trees.taps
        a = path[-1]
        for b, d, need in edges[a]:
            if b in path or (only is not None and b != only):
                continue
            if int(taps[[*path, b]].sum()) > self.rule.max_taps:
                continue
            z = max(need, label + grade * d)
            piece = math.hypot(d, z - label)
            if z > self.ground[b] + self.rule.highest_m or length + piece > self.rule.max_length_m:
                continue
            bend = turn_cost_m(self.xy[path[-2]], self.xy[a], self.xy[b]) if len(path) > 1 else 0.0
            if not math.isfinite(bend):
                continue
            self._note(best, (*path, b), cost + piece + bend)
            self._extend(best, edges, [*path, b], cost + piece + bend, length + piece, z)

    # ------------------------------------------------------------ optimum and audit

    def optimum_m(self) -> tuple[float, int]:
        """Least cost of serving every tree that can be, and how many can; crossings and spacing not asked for."""
        best = self.columns()
        trees = sorted({t for key in best for t in key})
        row = {t: i for i, t in enumerate(trees)}
        keys = list(best)
        matrix = sparse.csc_matrix(
            (
                np.ones(sum(map(len, keys))),
                ([row[t] for key in keys for t in key], [j for j, key in enumerate(keys) for _ in key]),
            ),
            shape=(len(trees), len(keys)),
        )
        result = milp(
            np.array([best[k] for k in keys]), integrality=np.ones(len(keys)), bounds=Bounds(0, 1),
            constraints=[LinearConstraint(matrix, 1, 1)], options={"mip_rel_gap": 1e-9},
        )
        assert result.status == 0, result.message
        return float(result.fun), len(trees)

    def audit(self, grouping: Grouping) -> list[str]:
        """Return what is wrong with a grouping, one line each."""
        wrong = []
        for lateral in grouping.laterals:
            wrong += [f"{lateral.lateral_id}: {text}" for text in self._audit_one(lateral)]
        served = [t for lateral in grouping.laterals for t in lateral.tree]
        if len(served) != len(set(served)):
            wrong.append("a tree is on two laterals")
        if [i for i, r in enumerate(grouping.reason) if r == ""] != sorted(served):
            wrong.append("the trees without a reason are not the served ones")
        paths = [shapely.LineString(lateral.xyz_m[:, :2]) for lateral in grouping.laterals]
        if paths:
            meet = shapely.STRtree(paths).query(paths, predicate="intersects")
            wrong += [
                f"{grouping.laterals[i].lateral_id} meets {grouping.laterals[j].lateral_id}"
                for i, j in zip(*meet, strict=True) if i < j
            ]
        for line in self.stand.mainlines:
            at = sorted(c.entry_station_m for c in grouping.laterals if c.mainline_id == line.mainline_id)
            wrong += [
                f"entries at {a:.2f} and {b:.2f} on {line.mainline_id}" for a, b in pairwise(at)
                if b - a < self.rule.entry_spacing_m - 1e-6
            ]
        return wrong

    def _audit_one(self, lateral: Lateral) -> list[str]:
        rule, wrong = self.rule, []
        index = list(lateral.tree)
        line = next(m for m in self.stand.mainlines if m.mainline_id == lateral.mainline_id)
        entry = np.array([float(v) for v in line.at(lateral.entry_station_m)])
        off_entry = np.abs(entry[:2] - lateral.xyz_m[0, :2]).max()
        if off_entry > 1e-6 or np.abs(lateral.xyz_m[1:, :2] - self.xy[index]).max() > 1e-9:
            wrong.append("its vertices are not its entry and its trees")
        taps = int(self.stand.trees.taps[index].sum())
        if taps != lateral.taps or taps > rule.max_taps:
            wrong.append(f"{taps} taps")
        if lateral.length_m > rule.max_length_m + 1e-6:
            wrong.append(f"{lateral.length_m:.2f} m long")
        if lateral.min_grade_pct < rule.min_grade_pct - 1e-6:
            wrong.append(f"falls only {lateral.min_grade_pct:.3f} %")
        height = lateral.xyz_m[1:, 2] - self.ground[index]
        if height.min() < rule.lowest_m - 1e-6 or height.max() > rule.highest_m + 1e-6:
            wrong.append(f"heights {height.min():.3f} to {height.max():.3f} m")
        if shapely.Point(self.xy[index[0]]).distance(self.all_lines) > rule.reach_m:
            wrong.append("its first tree is beyond reach")
        for i, (a, b) in enumerate(pairwise(lateral.xyz_m)):
            if not self.passes(a[:2], b[:2], entry=i == 0):
                wrong.append(f"piece {i} crosses a mainline or blocked ground")
            t = np.linspace(0.0, 1.0, 50)[1:-1]
            over = a[2] + t * (b[2] - a[2]) - self.stand.terrain.sample(
                a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])
            )
            if not over.min() >= CLEAR_SHARE * rule.lowest_m - 0.02:
                wrong.append(f"piece {i} comes within {over.min():.3f} m of the ground")
        return wrong
