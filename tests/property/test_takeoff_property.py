"""What holds for the order list of every network: nothing lost between sections, lines, hours and money.

Each figure is counted once more here, with plain loops over the finished geometry and the templates read anew.
"""

from __future__ import annotations

import csv
import dataclasses
import itertools
import math
from collections import Counter, defaultdict
from functools import cache

import numpy as np
import pytest
from pipeline import flow, takeoff
from pipeline.records import Crossing, Section
from pipeline.resources import templates_dir
from shapely.geometry import Point

from flow_networks import random_network, stand

SEEDS = range(8)
SHAPE = Point(0, 0).buffer(1.0)


@cache
def rows(name: str) -> list[dict[str, str]]:
    """Return the rows of a template, read without the program."""
    lines = [line for line in (templates_dir() / name).read_text(encoding="utf-8").splitlines()
             if line.strip() and not line.startswith("#")]
    return list(csv.DictReader(lines))


def family(code: str) -> str:
    names = sorted((r["code"].removesuffix(" {size}") for r in rows("parts.csv")), key=len, reverse=True)
    return next(n for n in names if code == n or code.startswith(n + " "))


def cut(arguments, rng: np.random.Generator) -> tuple[Section, ...]:
    """Cut every mainline at random stations into sections of one or two stretches."""
    laterals = arguments["grouping"].laterals
    pieces = []
    for line in arguments["mainlines"]:
        top = line.plan_length_m
        ends = [0.0, *sorted(rng.uniform(0.0, top, int(rng.integers(0, 3))).tolist()), top]
        pieces += [(line.mainline_id, a, b) for a, b in itertools.pairwise(ends)]
    order = rng.permutation(len(pieces))
    groups = np.array_split(order, max(1, len(pieces) // 2))
    out, taken = [], set()
    for n, group in enumerate(groups, start=1):
        own = tuple(pieces[int(k)] for k in group)
        mine = tuple(
            i for i, la in enumerate(laterals) if i not in taken and any(
                m == la.mainline_id and (a < la.entry_station_m <= b or la.entry_station_m == a == 0.0)
                for m, a, b in own)
        )
        taken |= set(mine)
        out.append(Section(f"S{n:02d}", own, mine, SHAPE, (), 0, 0))
    assert len(taken) == len(laterals)
    return tuple(out)


@cache
def counted(seed: int, pair: str = "auto"):
    """Return arguments and take-off of a random network with random sections and crossings."""
    rng = np.random.default_rng(seed)
    arguments = random_network(rng, branches=int(rng.integers(0, 4)), pair=pair)
    sized, _ = flow.size(**arguments)
    trees = stand(40)
    trees = dataclasses.replace(trees, dbh_cm=np.where(rng.random(40) < 0.2, np.nan, rng.uniform(26.0, 70.0, 40)))
    line = arguments["mainlines"][0]
    crossings = tuple(
        Crossing(f"X{k}", name, "stream", "", float(rng.uniform(0.0, line.plan_length_m)), 0.0, 0.0, 1.0, 1.0)
        for k, name in enumerate([line.mainline_id, arguments["grouping"].laterals[0].lateral_id], start=1))
    given = {
        "mainlines": arguments["mainlines"], "grouping": arguments["grouping"], "flow": sized,
        "sections": cut(arguments, rng), "trees": trees, "crossings": crossings, "settings": arguments["settings"],
        "price_rows": rows("prices.csv"),
    }
    return given, *takeoff.count(**given)


def total(taken, prefix: str) -> float:
    return math.fsum(p.quantity for p in taken.total if family(p.code) == prefix)


every_network = pytest.mark.parametrize("seed", SEEDS)
pairs = pytest.mark.parametrize("pair", ["auto", "always"])


# ---------------------------------------------------------------- lines


@every_network
@pairs
def test_pipe_wire_and_ties_are_as_long_as_what_hangs(seed, pair):
    """Each pipe walked span by span in space, a hundred steps to a span."""
    given, taken, _ = counted(seed, pair)
    lines = {m.mainline_id: m for m in given["mainlines"]}
    length: Counter[str] = Counter()
    for p in given["flow"].pipes:
        at = np.unique(np.concatenate([np.linspace(p.from_station_m, p.to_station_m, 400),
                                       [s for s in lines[p.mainline_id].station_m
                                        if p.from_station_m < s < p.to_station_m]]))
        xyz = np.column_stack(lines[p.mainline_id].at(at))
        length[p.nominal] += float(np.linalg.norm(np.diff(xyz, axis=0), axis=1).sum())
    for nominal, metres in length.items():
        assert next(p.quantity for p in taken.total if p.code == f"PIPE {nominal}") == pytest.approx(metres)
    metres = sum(length.values())
    assert total(taken, "WIRE") == pytest.approx(metres)
    assert total(taken, "TWIST TIE") == pytest.approx(metres / 0.3048)


@every_network
@pairs
def test_fittings_of_every_line(seed, pair):
    """A cap at each top, a strainer for each wire, a join at each branch, a reducer at each change of size."""
    given, taken, _ = counted(seed, pair)
    by_run = defaultdict(list)
    for p in given["flow"].pipes:
        by_run[p.mainline_id, p.role == "dry"].append(p)
    branches = [m for m in given["mainlines"] if m.parent_id]
    assert total(taken, "CAP") == len(given["mainlines"])
    assert total(taken, "STRAINER") == len(by_run)
    assert total(taken, "JOIN") == len(branches)
    changes = sum(a.nominal != b.nominal for run in by_run.values() for a, b in itertools.pairwise(run))
    assert total(taken, "REDUCER") == changes
    roots = {m.mainline_id for m in given["mainlines"] if not m.parent_id}
    valves = sum(name in roots or run[0].taps >= 25 for (name, _), run in by_run.items())
    assert total(taken, "VALVE") == valves


@every_network
def test_rolls_of_one_size_are_joined_by_one_coupling_fewer(seed):
    """Rolls as in the catalogue: ceil(length over roll) less one for each run of one size."""
    given, taken, _ = counted(seed)
    roll = {r["nominal"]: float(r["roll_m"]) for r in rows("pipes.csv") if r["catalogue"] == "id_controlled"}
    lines = {m.mainline_id: m for m in given["mainlines"]}
    wanted = 0
    for name, own in itertools.groupby(given["flow"].pipes, key=lambda p: (p.mainline_id, p.role == "dry")):
        for nominal, run in itertools.groupby(list(own), key=lambda p: p.nominal):
            stretch = list(run)
            line = lines[name[0]]
            at = np.concatenate([[stretch[0].from_station_m], [s for s in line.station_m
                                 if stretch[0].from_station_m < s < stretch[-1].to_station_m],
                                 [stretch[-1].to_station_m]])
            metres = float(np.linalg.norm(np.diff(np.column_stack(line.at(at)), axis=0), axis=1).sum())
            wanted += max(0, math.ceil(metres / roll[nominal] - 1e-9) - 1)
    assert total(taken, "COUPLING") == wanted


# ---------------------------------------------------------------- laterals and trees


@every_network
def test_laterals_take_tubing_entries_rings_tees_drops_and_spouts(seed):
    given, taken, _ = counted(seed)
    laterals, trees = given["grouping"].laterals, given["trees"]
    taps = sum(la.taps for la in laterals)
    assert total(taken, "SPOUT") == taps
    assert total(taken, "TEE") == taps - len(laterals)
    assert total(taken, "ENTRY") == total(taken, "END RING") == len(laterals)
    assert total(taken, "DROP TUBING") == pytest.approx(taps * given["settings"].laterals.drop_length_m)
    tubing = 0.0
    for la in laterals:
        steps = zip(la.xyz_m[:-1], la.xyz_m[1:], strict=True)
        girth = trees.dbh_cm[la.tree[-1]]
        ring = math.pi * (30.0 if math.isnan(girth) else girth) / 100 + 0.3
        tubing += 1.03 * sum(math.dist(a, b) for a, b in steps) + ring
    assert total(taken, "TUBING") == pytest.approx(tubing)
    assert total(taken, "CROSSING") == 1
    assert total(taken, "MARKER") == 4 + 2


# ---------------------------------------------------------------- sums, hours and money


@every_network
@pairs
def test_sections_add_up_to_the_order_and_the_order_covers_need_and_waste(seed, pair):
    given, taken, _ = counted(seed, pair)
    by_code: Counter[str] = Counter()
    for p in taken.by_section:
        by_code[p.code] += p.quantity
    assert {p.code for p in taken.total} == set(by_code)
    waste = {r["code"].removesuffix(" {size}"): float(r["waste_pct"]) for r in rows("parts.csv")}
    pack = {r["code"].removesuffix(" {size}"): float(r["pack"]) for r in rows("parts.csv")}
    for p in taken.total:
        assert p.quantity == pytest.approx(by_code[p.code])
        if p.code == "LABOUR":
            assert p.order_quantity == p.quantity
            continue
        need = p.quantity * (1.0 + waste[family(p.code)] / 100.0)
        assert p.order_quantity >= need - 1e-6
        if pack[family(p.code)] > 0.0 and family(p.code) not in ("PIPE", "TUBING", "DROP TUBING"):
            assert p.order_quantity < need + pack[family(p.code)]
            packs = p.order_quantity / pack[family(p.code)]
            assert packs == pytest.approx(round(packs))
    assert {p.section_id for p in taken.by_section} <= {s.section_id for s in given["sections"]} | {""}


@every_network
def test_hours_are_parts_times_minutes_and_labour_is_their_sum(seed):
    given, taken, _ = counted(seed)
    minutes = defaultdict(float)
    for r in rows("labour.csv"):
        minutes[r["code"]] += float(r["minutes"])
    by_section: Counter[str] = Counter()
    for p in taken.by_section:
        if p.code != "LABOUR":
            by_section[p.section_id] += p.quantity * minutes.get(family(p.code), 0.0) / 60.0
    for section in given["sections"]:
        told = sum(taken.hours_by_section[section.section_id].values())
        assert told == pytest.approx(by_section[section.section_id])
    labour = next(p for p in taken.total if p.code == "LABOUR")
    assert labour.quantity == pytest.approx(sum(by_section.values()))
    assert labour.unit_price == given["settings"].prices.labour_per_h


@every_network
def test_money_is_what_is_ordered_times_its_price(seed):
    given, taken, findings = counted(seed)
    price = {r["code"]: float(r["price"]) for r in rows("prices.csv")}
    price["LABOUR"] = given["settings"].prices.labour_per_h
    for p in taken.total:
        assert p.unit_price == price.get(p.code, price.get(family(p.code)))
        assert p.cost == pytest.approx(p.order_quantity * p.unit_price)
    for p in taken.by_section:
        assert p.cost == pytest.approx(p.quantity * p.unit_price)
        assert p.order_quantity == 0.0
    each = next(f.measured for f in findings if f.code == "COST_PER_TAP")
    taps = sum(la.taps for la in given["grouping"].laterals)
    assert each * taps == pytest.approx(sum(p.cost for p in taken.total))


@every_network
def test_a_line_more_never_takes_fewer_parts(seed):
    """Leaving out the last lateral leaves out its own parts and adds none."""
    given, taken, _ = counted(seed)
    fewer = given["grouping"].laterals[:-1]
    grouping = dataclasses.replace(given["grouping"], laterals=fewer, entry_ceiling_z_m=np.full(len(fewer), np.inf))
    sections = tuple(dataclasses.replace(s, lateral=tuple(i for i in s.lateral if i < len(fewer)))
                     for s in given["sections"])
    less, _ = takeoff.count(**{**given, "grouping": grouping, "sections": sections})
    before = {p.code: p.quantity for p in taken.total}
    for p in less.total:
        assert p.quantity <= before[p.code] + 1e-9
    assert total(less, "SPOUT") == total(taken, "SPOUT") - given["grouping"].laterals[-1].taps


@every_network
def test_the_order_of_sections_and_of_price_rows_changes_no_figure(seed):
    given, taken, _ = counted(seed)
    other, _ = takeoff.count(**{**given, "sections": given["sections"][::-1], "price_rows": given["price_rows"][::-1]})
    assert [(p.code, p.quantity, p.cost) for p in other.total] == [(p.code, p.quantity, p.cost) for p in taken.total]
    key = sorted((p.section_id, p.code, p.quantity) for p in taken.by_section)
    assert sorted((p.section_id, p.code, p.quantity) for p in other.by_section) == key
