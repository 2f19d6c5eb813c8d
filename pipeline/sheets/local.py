"""Numbers and units as the reader's language writes them."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from pipeline.sheets.context import SheetContext

# never inside an ID such as M2.8-S01
_NUMBER = re.compile(r"(?<![\w.])(?:\d{1,3}(?:,\d{3})+(?:\.\d+)?|\d+\.\d+)")
# English unit spelling -> French, where they differ; whole words only
_FRENCH_UNITS = (
    (re.compile(r"\bft\b"), "pi"), (re.compile(r"\bin\b"), "po"), (re.compile(r"\binHg\b"), "poHg"),
    (re.compile(r"\bcfm\b"), "pi³/min"), (re.compile(r"\bea\b"), "un."), (re.compile(r"\brolls?\b"), "rouleau"),
    (re.compile(r"\bgal\b(?! US)"), "gal US"),
)


def local(language: str, text: str) -> str:
    r"""Return a printed number or quantity in the language's spelling.

    French takes a decimal comma, a fixed space between thousands and its own unit names. What
    is in that spelling already stays as it is.
    Positions for phones and tags are not to be passed through here.

    Examples
    --------
    >>> local("fr", "1,234.5 ft")
    '1\xa0234,5 pi'
    """
    if language != "fr":
        return text
    text = _NUMBER.sub(lambda m: m.group().replace(",", "\u00a0").replace(".", ","), text)
    for pattern, word in _FRENCH_UNITS:
        text = pattern.sub(word, text)
    return text


_TIES = (
    re.compile(r"(?<=\d) (?=(?:m|cm|km|ft|pi|in|po|lbf|N|kN|kV|kPa|inHg|poHg|gal|L|h|min|mi|mph|people)\b|%|°)"),
    re.compile(r" (?=[:;?!»×=])"), re.compile(r"(?<=«) "),
)


def tied(text: str) -> str:
    """Return `text` with fixed spaces where a line must not break: before units and French punctuation."""
    for pattern in _TIES:
        text = pattern.sub("\u00a0", text)
    return text


def words_local(ctx: SheetContext, text: str) -> str:
    """Return `text` in the spelling of the sheets' language."""
    return local(ctx.language, text)
