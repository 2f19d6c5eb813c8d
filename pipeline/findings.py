"""What a stage or the judge has to say about a plan: data, never a log line."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal

Severity = Literal["note", "check", "violation"]
SEVERITIES: tuple[Severity, ...] = ("violation", "check", "note")


@dataclass(frozen=True, slots=True)
class Finding:
    """One statement about one thing of the plan.

    Parameters
    ----------
    code : str
        Upper-case code, explained by ``fallgrade explain CODE``.
    severity : {"note", "check", "violation"}
        ``note`` informs, ``check`` asks somebody to look, ``violation`` is a broken rule.
    layer, subject_id : str
        Layer of the plan and the ID in it; ``"plan"`` and ``""`` for the whole.
    measured, limit : float or None
        What was measured and what the rule allows, both in `unit`.
    unit : str
        SI unit of the two numbers (``"m"``, ``"%"``, ``"kPa"``, ``"taps"``), or ``""``.
    text : str
        One sentence that says what is so.
    remedy : str
        One sentence that says what would mend it.
    """

    code: str
    severity: Severity
    layer: str
    subject_id: str
    measured: float | None
    limit: float | None
    unit: str
    text: str
    remedy: str


def in_order(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Return findings with the gravest first, then by code, layer and subject; duplicates once."""
    rank = {severity: i for i, severity in enumerate(SEVERITIES)}
    unique = dict.fromkeys(findings)
    return tuple(sorted(unique, key=lambda f: (rank[f.severity], f.code, f.layer, f.subject_id, f.text)))
