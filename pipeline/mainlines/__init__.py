"""Mainlines: where each runs on grade, which branch joins which, and which trees they bring in reach."""

from __future__ import annotations

from pipeline.mainlines.network import plan_network
from pipeline.mainlines.report import curve_as_built
from pipeline.mainlines.routes import renamed, trim

__all__ = ["curve_as_built", "plan_network", "renamed", "trim"]
