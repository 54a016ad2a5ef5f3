from __future__ import annotations

from pathlib import Path

import pytest

from midwatch.devices.contract import FileKeptFacts, MemoryKeptFacts


def test_what_was_kept_is_found_again(tmp_path: Path):
    path = tmp_path / "guider" / "keepsake.json"
    for kept_facts in (MemoryKeptFacts(), FileKeptFacts(path)):
        assert kept_facts.load() == {}
        kept_facts.save({"a": 1, "b": [1.5, None]})
        kept_facts.save({"a": 2})
        assert kept_facts.load() == {"a": 2}
    assert FileKeptFacts(path).load() == {"a": 2}
    assert [file.name for file in path.parent.iterdir()] == ["keepsake.json"]


@pytest.mark.parametrize("content", ["", "{", "[1, 2]", "\x00\x01"])
def test_what_cannot_be_read_counts_as_nothing(tmp_path: Path, content: str):
    path = tmp_path / "keepsake.json"
    path.write_text(content)
    assert FileKeptFacts(path).load() == {}


def test_a_disk_that_takes_nothing_ends_nobody(tmp_path: Path):
    (tmp_path / "file").write_text("in the way")
    FileKeptFacts(tmp_path / "file" / "keepsake.json").save({"a": 1})
