"""Files that wait on disk come back as they were, and a disk that is full says so in words."""

from __future__ import annotations

import errno

import numpy as np
import pytest
from pipeline.errors import OutputError
from pipeline.store import planfolder
from pipeline.store.spool import Spool


def test_files_come_back_as_they_were_put_in_any_order():
    rng = np.random.default_rng(4)
    files = {f"sheets/S{i:02d}.pdf": rng.bytes(int(rng.integers(0, 70_000))) for i in range(12)} | {"empty": b""}
    spool = Spool()
    for name, body in files.items():
        spool.put(name, body)
    assert list(spool) == list(files)
    assert len(spool) == 13
    for name in rng.permutation(list(files)).tolist():
        assert spool[name] == files[name]
    spool.put("after reading", b"more")
    assert dict(spool) == files | {"after reading": b"more"}
    with pytest.raises(ValueError, match="kept already"):
        spool.put("empty", b"x")
    with pytest.raises(KeyError):
        spool["never put"]
    spool.close()
    with pytest.raises(ValueError, match="closed"):
        spool["empty"]


def test_a_full_disk_is_told_with_the_folder_and_a_remedy(tmp_path, monkeypatch):
    spool = planfolder.spooled(tmp_path / "plan")

    def full(_body: bytes) -> int:
        raise OSError(errno.ENOSPC, "No space left on device")

    spool.close()
    monkeypatch.setattr(spool, "_file", type("Full", (), {"seek": lambda *_: 0, "write": staticmethod(full)})())
    with pytest.raises(OutputError) as told:
        spool.put("book.pdf", b"page")
    assert "No space left" in str(told.value)
    assert "Free disk space" in str(told.value)
    assert len(spool) == 0
    assert not (tmp_path / "plan").exists()
