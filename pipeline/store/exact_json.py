"""JSON whose numbers come back bit for bit.

Floats go through ``repr``. JSON has no NaN and no infinities: they are written as ``{"float": "NaN"}``. A mapping of
ours that looks like this mark, or like its own escape, is written inside ``{"dict": ...}``.
"""

from __future__ import annotations

import json
import math
from typing import Any

_ODD = {"NaN": math.nan, "Infinity": math.inf, "-Infinity": -math.inf}
_MARK, _ESCAPE = "float", "dict"


def _plain(value: Any) -> Any:  # noqa: ANN401 - any tree of JSON values
    if isinstance(value, float) and not math.isfinite(value):
        return {_MARK: "NaN" if math.isnan(value) else "Infinity" if value > 0 else "-Infinity"}
    if isinstance(value, dict):
        plain = {str(k): _plain(v) for k, v in value.items()}
        return {_ESCAPE: plain} if set(plain) in ({_MARK}, {_ESCAPE}) else plain
    if isinstance(value, list | tuple):
        return [_plain(v) for v in value]
    return value


def _lively(value: Any) -> Any:  # noqa: ANN401 - any tree of JSON values
    if isinstance(value, dict):
        if set(value) == {_MARK} and isinstance(value[_MARK], str) and value[_MARK] in _ODD:
            return _ODD[value[_MARK]]
        if set(value) == {_ESCAPE} and isinstance(value[_ESCAPE], dict):
            value = value[_ESCAPE]
        return {k: _lively(v) for k, v in value.items()}
    return [_lively(v) for v in value] if isinstance(value, list) else value


def dump(value: object) -> str:
    """Return a JSON text of plain values, NaN and infinities included."""
    return json.dumps(_plain(value), ensure_ascii=False, allow_nan=False)


def load(text: str) -> Any:  # noqa: ANN401 - any tree of JSON values
    """Return the values of a text that :func:`dump` wrote."""
    return _lively(json.loads(text))
