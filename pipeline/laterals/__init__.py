"""Laterals: which trees share one, where it enters its mainline, how it falls."""

from __future__ import annotations

from pipeline.laterals.grouping import group
from pipeline.laterals.renaming import fitted, on_trimmed
from pipeline.laterals.settling import settle

__all__ = ["fitted", "group", "on_trimmed", "settle"]
