"""Finished files wait on disk, not in memory, until the folder they belong to is made."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, nullcontext


class Spool(Mapping[str, bytes]):
    """Files by name, kept one after the other in a file without a name, which is gone when the program ends.

    The paper of a vast plan is larger than all else that printing it needs.

    Parameters
    ----------
    told : callable, optional
        Returns a context in which the disk is used: it turns what the disk says into an error with a remedy.
    """

    def __init__(self, told: Callable[[], AbstractContextManager[None]] = nullcontext) -> None:
        self._told = told
        with told():
            self._file = tempfile.TemporaryFile()  # noqa: SIM115 - lives as long as this object
        self._at: dict[str, tuple[int, int]] = {}
        self._end = 0

    def put(self, name: str, body: bytes) -> None:
        """Keep a file; a name is given once.

        Raises
        ------
        ValueError
            When the name is taken.
        OSError
            When the disk is full, or what ``told`` makes of that.
        """
        if name in self._at:
            raise ValueError(f"{name} is kept already")
        with self._told():
            self._file.seek(self._end)
            self._file.write(body)
            self._file.flush()  # a full disk shows now, where it can be told
        self._at[name] = (self._end, len(body))
        self._end += len(body)

    def __getitem__(self, name: str) -> bytes:
        """Return the body of a file."""
        begin, size = self._at[name]
        self._file.seek(begin)
        return self._file.read(size)

    def __iter__(self) -> Iterator[str]:
        """Return the names in the order they were put."""
        return iter(self._at)

    def __len__(self) -> int:
        """Return how many files are kept."""
        return len(self._at)

    def close(self) -> None:
        """Let go of the disk."""
        self._file.close()
