"""Reads the bush file from disk."""

from __future__ import annotations

import datetime
import os
from pathlib import Path

from pipeline import bushfile
from pipeline.errors import BushFileError, OutputError, Problem
from pipeline.settings import Settings


def today() -> str:
    """Return the plan date when the bush file names none; SOURCE_DATE_EPOCH overrides the clock."""
    epoch = os.environ.get("SOURCE_DATE_EPOCH")
    if epoch and epoch.isdigit():
        return datetime.datetime.fromtimestamp(int(epoch), tz=datetime.UTC).date().isoformat()
    return datetime.datetime.now(tz=datetime.UTC).date().isoformat()


def read_settings(bush: Path) -> Settings:
    """Return the settings of a bush file.

    Raises
    ------
    BushFileError
        When the file is missing, is no UTF-8 text, or has problems.
    """
    try:
        text = bush.read_text(encoding="utf-8-sig")
    except FileNotFoundError as error:
        remedy = "Make one with: fallgrade start DIR"
        raise BushFileError([Problem(str(bush), "", "no such file", "a bush file", remedy)]) from error
    except (OSError, UnicodeDecodeError) as error:
        remedy = "Check the path, and save the file as UTF-8 text."
        raise BushFileError([Problem(str(bush), "", str(error), "a readable text file", remedy)]) from error
    return bushfile.parse(text, str(bush))


def write_starter(folder: Path, text: str) -> Path:
    """Write a new bush file into a folder, which is made if need be, and return its path.

    Raises
    ------
    OutputError
        When one is there already, or the folder cannot be written.
    """
    target = folder / "bush.toml"
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with target.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError as error:
        remedy = "Choose another folder, or edit that file; it was not changed."
        raise OutputError([Problem(str(target), "", "a file that is there already", "a free name", remedy)]) from error
    except OSError as error:
        remedy = "Choose a folder you may write to."
        raise OutputError([Problem(str(target), "", str(error), "a folder to write to", remedy)]) from error
    return target
