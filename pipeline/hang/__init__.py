"""Hangs the mainlines: supports, and the height of the wire at each."""

from __future__ import annotations

from pipeline.hang.stage import hang_final, hang_low

__all__ = ["hang_final", "hang_low"]
