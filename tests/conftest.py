"""Fixtures that several rooms share."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import pytest
from pipeline import publish, reading, run
from pipeline.records import Plan
from pipeline.resources import demo_dir


@dataclass(frozen=True)
class Demo:
    """The demo woodlot, planned once for the whole test session."""

    folder: Path
    result: run.Result
    given: reading.Inputs
    plan: Plan


@pytest.fixture(scope="session")
def demo(tmp_path_factory) -> Demo:
    """Plan the demo woodlot and write its folder."""
    folder = tmp_path_factory.mktemp("demo") / "plan"
    given = reading.read_inputs(demo_dir() / "bush.toml")
    result = run.make_plan(given)
    plan = publish.publish(result, given.hashes, folder, force=False)
    return Demo(folder, result, given, plan)
