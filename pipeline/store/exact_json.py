"""JSON whose numbers come back bit for bit.

Floats go through ``repr``; NaN and infinities are written as texts, because JSON has none.
"""

from __future__ import annotations

import json
import math
from typing import Any

_ODD = {"NaN": math.nan, "Infinity": math.inf, "-Infinity": -math.inf}


def _plain(value: Any) -> Any:  # noqa: ANN401 - any tree of JSON values
    if isinstance(value, float) and not math.isfinite(value):
        return {"float": "NaN" if math.isnan(value) else "Infinity" if value > 0 else "-Infinity"}
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return value


def _lively(value: Any) -> Any:  # noqa: ANN401 - any tree of JSON values
    if isinstance(value, dict):
        if set(value) == {"float"}:
            return _ODD[value["float"]]
        return {k: _lively(v) for k, v in value.items()}
    return [_lively(v) for v in value] if isinstance(value, list) else value


def dump(value: object) -> str:
    """Return a JSON text of plain values, NaN and infinities included."""
    return json.dumps(_plain(value), ensure_ascii=False, allow_nan=False)


def load(text: str) -> Any:  # noqa: ANN401 - any tree of JSON values
    """Return the values of a text that :func:`dump` wrote."""
    return _lively(json.loads(text))
