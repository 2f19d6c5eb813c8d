"""Cutting small networks into sections: every answer worked by hand."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
import shapely
from pipeline.records import Grouping, Lateral, Mainline, Support, Trees
from pipeline.sections import OUTLINE_M, cut, outline, piece_line, where_place, where_text
from pipeline.settings import Settings, SheetSettings
from shapely.geometry import LineString, Point


def mainline(name: str, points, *, parent: str = "", join_m: float = 0.0, span_m: float = 10.0, collection="C1"):
    """Return a mainline with a support every `span_m` along straight runs between points."""
    path = LineString(points)
    count = round(path.length / span_m)
    supports = []
    for i in range(count + 1):
        at = path.interpolate(i * span_m)
        supports.append(Support(
            f"{name}-S{i:02d}", name, i * span_m, at.x, at.y, "tree", "", 0.0, 100.0, 101.0 + 0.3 * i,
        ))
    return Mainline(name, parent, collection, join_m, tuple(supports))


def network(lines, entries):
    """Return grouping and trees; an entry is (mainline, station, taps): one tree 5 m north of the entry."""
    by_id = {line.mainline_id: line for line in lines}
    laterals, xs, ys = [], [], []
    for k, (name, station, taps) in enumerate(entries):
        x, y, z = (float(v) for v in by_id[name].at(station))
        laterals.append(Lateral(f"{name}-L{k:02d}", name, station, (k,), taps,
                                np.array([(x, y, z), (x, y + 5.0, z + 0.5)])))
        xs.append(x)
        ys.append(y + 5.0)
    n = len(entries)
    trees = Trees(tuple(f"T{k}" for k in range(n)), np.array(xs), np.array(ys), np.full(n, 100.0), ("maple",) * n,
                  np.full(n, 30.0), np.ones(n, dtype=np.int64), ("served",) * n, ("",) * n, ("",) * n)
    return Grouping(tuple(laterals), ("",) * n, np.full(n, 200.0)), trees


def cut_of(lines, entries, *, taps: int, length_m: float):
    grouping, trees = network(lines, entries)
    config = Settings(sheets=SheetSettings(section_taps=taps, section_length_m=length_m))
    return cut(mainlines=tuple(lines), grouping=grouping, trees=trees, settings=config)


STRAIGHT = mainline("M1", [(0.0, 0.0), (200.0, 0.0)])
EVEN = [("M1", 5.0 + 10.0 * k, 5) for k in range(20)]  # 100 taps, 5 in each span

# ---------------------------------------------------------------- one line


def test_what_fits_is_one_section():
    """100 taps of 100 and 200 m of 200: just full."""
    sections, findings = cut_of([STRAIGHT], EVEN, taps=100, length_m=200.0)
    assert findings == ()
    (one,) = sections
    assert one.section_id == "S01"
    assert one.pieces == (("M1", 0.0, 200.0),)
    assert one.lateral == tuple(range(20))
    assert (one.taps, one.trees, one.neighbours) == (100, 20, ())


@pytest.mark.parametrize(("taps", "length_m", "count"), [
    (50, 1000.0, 2),     # by taps
    (1000, 100.0, 2),    # by length
    (25, 1000.0, 4), (1000, 50.0, 4),
    (50, 50.0, 4),       # the tighter limit counts
])
def test_a_long_line_is_cut_at_supports_into_equal_parts(taps, length_m, count):
    sections, findings = cut_of([STRAIGHT], EVEN, taps=taps, length_m=length_m)
    step = 200.0 / count
    assert findings == ()
    assert [s.pieces for s in sections] == [(("M1", k * step, (k + 1) * step),) for k in range(count)]
    assert [s.taps for s in sections] == [100 // count] * count


def test_names_run_up_the_line_and_neighbours_know_where_they_meet():
    sections, _ = cut_of([STRAIGHT], EVEN, taps=25, length_m=1000.0)
    assert [s.section_id for s in sections] == ["S01", "S02", "S03", "S04"]
    assert sections[0].neighbours == (("S02", "M1@50.000"),)
    assert sections[1].neighbours == (("S01", "M1@50.000"), ("S03", "M1@100.000"))
    assert sections[3].neighbours == (("S03", "M1@150.000"),)


def test_the_last_section_is_no_crumb():
    """110 taps at 50 a section need three; they are about equal, not 50 + 50 + 10."""
    entries = [("M1", 5.0 + 10.0 * k, 5) for k in range(20)] + [("M1", 195.0, 10)]
    sections, _ = cut_of([STRAIGHT], entries, taps=50, length_m=1000.0)
    assert len(sections) == 3
    assert min(s.taps for s in sections) >= 25
    assert max(s.taps for s in sections) <= 50


def test_taps_decide_where_the_cut_is_when_they_fill_the_section():
    """40 taps in the first 20 m and 40 in the rest: half of the taps is at station 20."""
    entries = [("M1", 5.0, 20), ("M1", 15.0, 20)] + [("M1", 25.0 + 20.0 * k, 5) for k in range(8)]
    sections, _ = cut_of([STRAIGHT], entries, taps=40, length_m=10_000.0)
    assert [s.pieces for s in sections] == [(("M1", 0.0, 20.0),), (("M1", 20.0, 200.0),)]
    assert [s.taps for s in sections] == [40, 40]


def test_an_entry_on_the_cut_itself_belongs_to_the_upper_section():
    entries = [*EVEN, ("M1", 100.0, 0)]
    sections, _ = cut_of([STRAIGHT], entries, taps=50, length_m=1000.0)
    assert 20 not in sections[0].lateral
    assert 20 in sections[1].lateral


def test_an_entry_at_the_very_top_is_kept():
    sections, _ = cut_of([STRAIGHT], [("M1", 200.0, 3), ("M1", 0.0, 4)], taps=100, length_m=100.0)
    assert [s.taps for s in sections] == [4, 3]


# ---------------------------------------------------------------- what cannot be cut


def test_a_span_with_too_many_taps_is_told():
    """70 taps enter within the span 0..10; limit 40, 25 % over is 50."""
    entries = [("M1", 2.0, 35), ("M1", 8.0, 35)]
    sections, findings = cut_of([mainline("M1", [(0.0, 0.0), (20.0, 0.0)])], entries, taps=40, length_m=1000.0)
    (finding,) = findings
    assert (finding.code, finding.severity, finding.layer) == ("SECTION_OVERFULL", "check", "sections")
    assert (finding.measured, finding.limit, finding.unit) == (70.0, 40.0, "taps")
    assert finding.subject_id in {s.section_id for s in sections}
    assert "70" in finding.text


@pytest.mark.parametrize(("taps", "told"), [(50, False), (51, True)])
def test_a_quarter_over_is_still_about_the_wanted_number(taps, told):
    line = mainline("M1", [(0.0, 0.0), (10.0, 0.0)])
    _, findings = cut_of([line], [("M1", 5.0, taps)], taps=40, length_m=1000.0)
    assert bool(findings) is told


@pytest.mark.parametrize(("length_m", "told"), [(60.0, False), (59.0, True)])
def test_a_span_longer_than_a_section_is_told(length_m, told):
    line = mainline("M1", [(0.0, 0.0), (60.0, 0.0)], span_m=60.0)
    sections, findings = cut_of([line], [], taps=40, length_m=length_m)
    assert len(sections) == 1
    assert bool(findings) is told
    if told:
        assert (findings[0].measured, findings[0].limit, findings[0].unit) == (60.0, 59.0, "m")


# ---------------------------------------------------------------- trees of lines


def fork():
    """Return a trunk of 100 m and two branches of 60 m that leave it at station 60."""
    trunk = mainline("M1", [(0.0, 0.0), (100.0, 0.0)])
    left = mainline("M1.1", [(60.0, 0.0), (60.0, 60.0)], parent="M1", join_m=60.0)
    right = mainline("M1.2", [(60.0, 0.0), (60.0, -60.0)], parent="M1", join_m=60.0)
    return [trunk, left, right]


def test_a_small_tree_is_one_section_with_a_piece_for_every_line():
    sections, _ = cut_of(fork(), [], taps=100, length_m=1000.0)
    assert [s.pieces for s in sections] == [(("M1", 0.0, 100.0), ("M1.1", 0.0, 60.0), ("M1.2", 0.0, 60.0))]
    assert sections[0].mainline_ids == ("M1", "M1.1", "M1.2")


@pytest.mark.parametrize("length_m", [40.0, 60.0, 80.0, 110.0, 150.0])
def test_pieces_tile_the_lines_and_sections_are_connected(length_m):
    lines = fork()
    sections, _ = cut_of(lines, [], taps=100, length_m=length_m)
    for line in lines:
        own = sorted((a, b) for s in sections for m, a, b in s.pieces if m == line.mainline_id)
        assert own[0][0] == 0.0
        assert own[-1][1] == line.plan_length_m
        assert all(a[1] == b[0] for a, b in pairwise(own))
    for section in sections:
        by_id = {line.mainline_id: line for line in lines}
        whole = shapely.union_all([piece_line(by_id[m], a, b) for m, a, b in section.pieces])
        assert shapely.line_merge(whole).buffer(1e-6).geom_type == "Polygon"
        assert whole.length <= length_m + 1e-6


def test_sections_that_meet_at_a_join_know_it_by_the_trunks_station():
    sections, _ = cut_of(fork(), [], taps=100, length_m=100.0)
    places = {where for s in sections for _, where in s.neighbours}
    assert "M1@60.000" in places
    for section in sections:
        for other, where in section.neighbours:
            back = next(s for s in sections if s.section_id == other)
            assert (section.section_id, where) in back.neighbours


def test_two_collection_points_are_never_in_one_section():
    a = mainline("M1", [(0.0, 0.0), (40.0, 0.0)], collection="C1")
    b = mainline("M2", [(0.0, 50.0), (40.0, 50.0)], collection="C2")
    sections, _ = cut_of([a, b], [], taps=100, length_m=1000.0)
    assert [s.mainline_ids for s in sections] == [("M1",), ("M2",)]
    assert all(s.neighbours == () for s in sections)


def test_two_lines_that_end_at_one_tank_may_share_a_section():
    a = mainline("M1", [(0.0, 0.0), (40.0, 0.0)])
    b = mainline("M2", [(0.0, 0.0), (0.0, 40.0)])
    sections, _ = cut_of([a, b], [], taps=100, length_m=1000.0)
    assert [s.mainline_ids for s in sections] == [("M1", "M2")]
    apart, _ = cut_of([a, b], [], taps=100, length_m=41.0)
    assert [s.mainline_ids for s in apart] == [("M1",), ("M2",)]
    assert apart[0].neighbours == (("S02", "C1@0.000"),)


def test_a_small_branch_that_would_be_a_section_of_its_own_joins_its_neighbour():
    """Trunk 95 m, branch 20 m, limit 100: 115 is under the 125 that a crumb may fill, so one section results."""
    trunk = mainline("M1", [(0.0, 0.0), (95.0, 0.0)], span_m=5.0)
    branch = mainline("M1.1", [(50.0, 0.0), (50.0, 20.0)], parent="M1", join_m=50.0, span_m=5.0)
    sections, _ = cut_of([trunk, branch], [], taps=100, length_m=100.0)
    assert sum(b - a for s in sections for _, a, b in s.pieces) == pytest.approx(115.0)
    assert all(sum(b - a for _, a, b in s.pieces) >= 30.0 for s in sections)


# ---------------------------------------------------------------- places as text


@pytest.mark.parametrize(("owner", "station", "text"), [
    ("M1", 125.4, "M1@125.400"), ("M1.2", 0.0, "M1.2@0.000"), ("C1", 0.0, "C1@0.000"), ("M1", 12.34567, "M1@12.346"),
    ("a@b", 3.0, "a@b@3.000"),
])
def test_places_as_data_and_back(owner, station, text):
    assert where_text(owner, station) == text
    assert where_place(text) == (owner, pytest.approx(station, abs=0.0005))


# ---------------------------------------------------------------- geometry


BENT = mainline("M1", [(0.0, 0.0), (40.0, 0.0), (40.0, 40.0)])


@pytest.mark.parametrize(("low", "high", "wanted"), [
    (0.0, 80.0, [(0, 0), (10, 0), (20, 0), (30, 0), (40, 0), (40, 10), (40, 20), (40, 30), (40, 40)]),
    (30.0, 50.0, [(30, 0), (40, 0), (40, 10)]),
    (33.0, 37.0, [(33, 0), (37, 0)]),
    (35.0, 45.0, [(35, 0), (40, 0), (40, 5)]),
])
def test_a_piece_of_line_has_its_ends_and_the_supports_between(low, high, wanted):
    assert list(piece_line(BENT, low, high).coords) == [(float(x), float(y)) for x, y in wanted]


@pytest.mark.parametrize("length", [20.0, 60.0])
def test_the_outline_of_a_line_stands_off_by_four_metres(length):
    """A stretch of length L widened by 4 m: 8 L + 16 pi square metres, less what round ends lose as polygons."""
    shape = outline([LineString([(0.0, 0.0), (length, 0.0)])], np.zeros((0, 2)))
    assert shape.area == pytest.approx(8.0 * length + 16.0 * np.pi, rel=0.04)
    assert shape.bounds == pytest.approx((-OUTLINE_M, -OUTLINE_M, length + OUTLINE_M, OUTLINE_M), abs=0.5)


def test_narrow_gaps_belong_to_the_section_and_wide_ones_do_not():
    """Lines 24 m apart are one area (gaps under 30 m close); two 60 m apart are not, and get their hull."""
    near = outline([LineString([(0, 0), (50, 0)]), LineString([(0, 24), (50, 24)])], np.zeros((0, 2)))
    assert near.geom_type == "Polygon"
    assert near.contains(Point(25.0, 12.0))
    ring = outline([LineString([(0, 0), (100, 0), (100, 100), (0, 100), (0, 0)])], np.zeros((0, 2)))
    assert not ring.interiors
    apart = outline([LineString([(0, 0), (50, 0)]), LineString([(0, 60), (50, 60)])], np.zeros((0, 2)))
    assert apart.geom_type == "Polygon"
    assert apart.contains(Point(25.0, 30.0))


def test_every_tree_lies_well_inside_its_outline():
    rng = np.random.default_rng(5)
    points = rng.uniform(0.0, 60.0, (30, 2))
    shape = outline([LineString([(0.0, 30.0), (60.0, 30.0)])], points)
    assert all(shape.contains(Point(p).buffer(OUTLINE_M * 0.9)) for p in points)


@pytest.mark.parametrize("bad", ["M9", ""])
def test_a_lateral_on_a_line_that_is_not_given_is_refused(bad):
    grouping, trees = network([STRAIGHT], [("M1", 5.0, 3)])
    odd = Lateral("X", bad, 5.0, (0,), 3, grouping.laterals[0].xyz_m)
    with pytest.raises(KeyError):
        cut(mainlines=(STRAIGHT,), grouping=Grouping((odd,), ("",), np.zeros(1)), trees=trees, settings=Settings())


def test_a_line_that_joins_a_line_that_is_not_given_is_refused():
    lost = mainline("M2", [(0.0, 0.0), (20.0, 0.0)], parent="M9", join_m=5.0)
    with pytest.raises(KeyError):
        cut_of([STRAIGHT, lost], [], taps=10, length_m=100.0)
