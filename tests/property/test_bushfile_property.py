"""Any settings at all are written as a bush file that reads back equal."""

from __future__ import annotations

import dataclasses
import math
import re

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pipeline import bushfile
from pipeline.settings import GROUND_DEFAULTS, CollectionSettings, GroundLayerSettings, Settings

CALM = settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
# every character but those that the reader refuses by name (see test_bushfile) and surrogates, which TOML cannot hold
TEXT = st.text(
    st.characters(exclude_categories=("Cs",), exclude_characters="\r\n\t\x0b\x0c"), max_size=30,
).map(lambda t: " ".join(bushfile._HIDDEN.sub("", t).split()))
HELD_TOGETHER = {"lowest_m", "aim_m", "highest_m", "max_taps", "aim_taps", "date"}


def value_of(field: dataclasses.Field) -> st.SearchStrategy:
    """Return values that a field may hold."""
    meta = field.metadata
    if field.name in HELD_TOGETHER:
        return st.just(field.default)
    if meta["type"] == "flag":
        return st.booleans()
    if meta["type"] == "words":
        return st.lists(TEXT, max_size=3).map(tuple)
    if meta["type"] == "word":
        return st.sampled_from(meta["choices"]) if meta["choices"] else TEXT
    least, most = max(meta["least"], -1e9), min(meta["most"], 1e9)
    if meta["type"] == "count":
        return st.integers(int(least), int(most))
    return st.floats(least, most, allow_nan=False, allow_subnormal=False).map(lambda v: v + 0.0)


def record(cls: type, **fixed: st.SearchStrategy) -> st.SearchStrategy:
    """Return records of one table."""
    return st.builds(cls, **{f.name: fixed.get(f.name, value_of(f)) for f in dataclasses.fields(cls)})


NOTHING = st.just(math.nan)
PLACES = st.one_of(
    record(CollectionSettings, x=NOTHING, y=NOTHING), record(CollectionSettings, lon=NOTHING, lat=NOTHING),
)
NAMED = record(GroundLayerSettings, file=TEXT.filter(bool))
EVERYTHING = st.builds(
    Settings,
    **{f.name: record(type(getattr(Settings(), f.name))) for f in dataclasses.fields(Settings)
       if f.name not in {"collection", "ground"}},
    collection=st.lists(PLACES, min_size=1, max_size=3, unique_by=lambda c: c.collection_id).map(tuple),
    ground=st.dictionaries(st.sampled_from(list(GROUND_DEFAULTS)), NAMED, max_size=4).map(
        lambda found: {kind: found[kind] for kind in GROUND_DEFAULTS if kind in found}),
)


def plain(tree: object) -> object:
    """Return settings as a tree that can be compared, NaN equal to NaN."""
    if isinstance(tree, dict):
        return {k: plain(v) for k, v in tree.items()}
    if isinstance(tree, list | tuple):
        return [plain(v) for v in tree]
    return "nan" if isinstance(tree, float) and math.isnan(tree) else tree


@CALM
@given(EVERYTHING)
def test_any_settings_read_back_bit_for_bit(made: Settings) -> None:
    text = bushfile.render(made)
    again = bushfile.parse(text, "settings.used.toml")
    assert plain(dataclasses.asdict(again)) == plain(dataclasses.asdict(made))
    assert bushfile.render(again) == text
    assert list(again.ground) == list(made.ground)


@CALM
@given(EVERYTHING)
def test_a_written_bush_file_hides_nothing(made: Settings) -> None:
    """What a person sees in the file is all that is in it: no character that a screen leaves out."""
    text = bushfile.render(made)
    assert all(c == "\n" or c.isprintable() for c in text)
    assert re.search(r"(?m)[ \t]+$", text) is None


@CALM
@given(st.integers(-10**400, 10**400), st.sampled_from(["mainlines", "sheets", "prices"]))
def test_any_whole_number_is_taken_or_refused(number: int, table: str) -> None:
    key = {"mainlines": "seed", "sheets": "crew_size", "prices": "labour_per_h"}[table]
    text = f"[[collection]]\nlon = 1.0\nlat = 1.0\n[{table}]\n{key} = {number}\n"
    places: list[str] = []
    found: float = number
    try:
        found = getattr(getattr(bushfile.parse(text, "b"), table), key)
    except bushfile.BushFileError as error:
        places = [p.where for p in error.problems]
    assert found == number
    assert places in ([], [f"[{table}] {key}"])
    assert (places == []) is (0 <= number <= {"seed": 10**9, "crew_size": 50, "labour_per_h": 10**299}[key])
