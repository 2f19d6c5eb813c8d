"""Fatal errors, each with the exit code the command ends with.

A reader gathers every :class:`Problem` it can find before it raises once, so
that a grower mends a file in one go. A :class:`FallgradeError` is always the
user's to solve; anything else that escapes is our fault (exit code 70).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

EXIT_FINE = 0
EXIT_FINDINGS = 1
EXIT_BUSH_FILE = 2
EXIT_INPUT_DATA = 3
EXIT_NO_PLAN = 4
EXIT_OUTPUT = 5
EXIT_OUR_FAULT = 70


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with one input, told so that a person can mend it.

    Parameters
    ----------
    file : str
        The file as the user named it, or ``""`` when no file is at fault.
    where : str
        Layer, table, key, row or tree inside the file (``"layer trees, row 17"``).
    found : str
        What stood there.
    wanted : str
        What was expected.
    remedy : str
        What to do about it.
    """

    file: str
    where: str
    found: str
    wanted: str
    remedy: str

    def as_line(self) -> str:
        """Return the problem as one line of text."""
        place = ", ".join(part for part in (self.file, self.where) if part)
        return f"{place}: found {self.found}; wanted {self.wanted}. {self.remedy}"


class FallgradeError(Exception):
    """A fault of input, plan or output that ends a command with a known exit code."""

    exit_code = EXIT_OUR_FAULT
    headline = "fallgrade stopped"

    def __init__(self, problems: Iterable[Problem]) -> None:
        self.problems: tuple[Problem, ...] = tuple(problems)
        super().__init__("\n".join([self.headline, *(p.as_line() for p in self.problems)]))


class BushFileError(FallgradeError):
    """The bush file cannot be used as it stands."""

    exit_code = EXIT_BUSH_FILE
    headline = "The bush file needs mending"


class RequestError(FallgradeError):
    """A code, an ID or a section was asked for that does not exist."""

    exit_code = EXIT_BUSH_FILE
    headline = "Nothing matches what was asked for"


class InputDataError(FallgradeError):
    """A tree, terrain or ground file cannot be used as it stands."""

    exit_code = EXIT_INPUT_DATA
    headline = "The survey or terrain data need mending"


class NoPlanError(FallgradeError):
    """No legal plan exists for this input."""

    exit_code = EXIT_NO_PLAN
    headline = "No legal plan was found"


class OutputError(FallgradeError):
    """The result could not be written; nothing was changed."""

    exit_code = EXIT_OUTPUT
    headline = "The plan could not be written"
