"""The bush file on disk: read, refused in words, and begun by ``fallgrade start``."""

from __future__ import annotations

import pytest
from pipeline.bushfile import starter
from pipeline.errors import BushFileError, OutputError
from pipeline.store import bush


def test_the_date_is_today_or_what_the_build_says(monkeypatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1000000000")
    assert bush.today() == "2001-09-09"
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "soon")
    assert len(bush.today()) == 10
    monkeypatch.delenv("SOURCE_DATE_EPOCH")
    assert bush.today() >= "2026"


def test_a_starter_is_written_once_and_never_over_another(tmp_path) -> None:
    made = bush.write_starter(tmp_path / "new folder", starter("2026-03-02"))
    before = made.read_bytes()
    with pytest.raises(OutputError, match="there already"):
        bush.write_starter(tmp_path / "new folder", "other")
    assert made.read_bytes() == before
    with pytest.raises(OutputError, match="a folder to write to"):
        bush.write_starter(made / "below a file", "other")


def test_a_bush_file_with_a_byte_order_mark_reads(tmp_path) -> None:
    made = bush.write_starter(tmp_path, starter("2026-03-02"))
    made.write_bytes(b"\xef\xbb\xbf" + made.read_bytes())
    assert bush.read_settings(made).bush.date == "2026-03-02"


@pytest.mark.parametrize("wrong", ["missing", "folder", "bytes", "loop"])
def test_what_is_no_bush_file_is_told(tmp_path, wrong: str) -> None:
    path = tmp_path / "bush.toml"
    if wrong == "folder":
        path.mkdir()
    elif wrong == "bytes":
        path.write_bytes(b"\xff\xfe")
    elif wrong == "loop":
        path.symlink_to(path)
    with pytest.raises(BushFileError) as caught:
        bush.read_settings(path)
    assert caught.value.problems[0].remedy
