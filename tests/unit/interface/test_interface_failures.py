"""Every error becomes a message that can be acted on, and the right exit code."""

from __future__ import annotations

import errno
import sqlite3
from pathlib import Path

import pytest

from midwatch.bus import BusUnavailableError
from midwatch.errors import InputError, MidwatchError, SkipTargetError, UnreachableError
from midwatch.exit_codes import explained
from midwatch.journal.store.journal import JournalWriteError
from support.interface_bench import midwatch, write_night


@pytest.mark.parametrize(
    ("error", "code", "words"),
    [
        (InputError("rig.yaml:3: focus"), 2, "rig.yaml:3: focus"),
        (UnreachableError("no broker"), 3, "no broker"),
        (BusUnavailableError("port busy"), 3, "port busy"),
        (JournalWriteError(sqlite3.OperationalError("disk full")), 3, "disk full; make room"),
        (KeyboardInterrupt(), 130, "interrupted"),
        (OSError(errno.ENOSPC, "No space left", "/data/x"), 3, "/data/x: the disk is full: free"),
        (PermissionError(errno.EACCES, "denied", "/data"), 2, "/data: no permission: give"),
        (OSError(errno.EROFS, "read-only", "/cd"), 2, "/cd: the disk can only be read"),
        (NotADirectoryError(errno.ENOTDIR, "no", "/f/x"), 2, "a file is where a folder"),
        (OSError(errno.EADDRINUSE, "in use"), 3, "another program uses that port"),
        (ConnectionRefusedError(errno.ECONNREFUSED, "refused"), 3, "is the broker running?"),
        (OSError(errno.EIO, "bad", "/dev/x"), 3, "/dev/x: the disk fails"),
        (RuntimeError("odd"), 1, "unforeseen RuntimeError: odd"),
    ],
)
def test_errors_are_explained(error: BaseException, code: int, words: str) -> None:
    got, message = explained(error)
    assert got == code
    assert words in message


def test_of_a_group_the_error_raised_on_purpose_speaks() -> None:
    group = BaseExceptionGroup(
        "tasks",
        [ValueError("noise"), ExceptionGroup("inner", [UnreachableError("the broker is gone")])],
    )
    assert explained(group) == (3, "the broker is gone")


def test_a_group_without_one_speaks_with_its_first() -> None:
    code, message = explained(ExceptionGroup("tasks", [KeyError("a"), ValueError("b")]))
    assert code == 1
    assert "KeyError" in message


def test_branches_without_a_code_of_their_own_end_with_one() -> None:
    assert explained(SkipTargetError("gone"))[0] == MidwatchError.exit_code == 1


def test_a_full_disk_is_shown_without_a_traceback() -> None:
    # /dev/full answers every write with ENOSPC (full(4)).
    said = midwatch("schema", "site", "--out", "/dev/full")
    assert said.code == 3
    assert "the disk is full: free some space" in said.err
    assert "Traceback" not in said.err


def test_a_traceback_is_shown_when_asked_for() -> None:
    said = midwatch("-vv", "schema", "site", "--out", "/dev/full")
    assert said.code == 3
    assert "Traceback" in said.err


def test_a_file_in_place_of_the_data_folder(tmp_path: Path) -> None:
    orders = write_night(tmp_path)
    blocked = tmp_path / "file"
    blocked.write_text("")
    said = midwatch("rehearse", orders, "--sky", "fast", "--out", blocked)
    assert said.code == 2
    assert str(blocked) in said.err
    assert "a file is where a folder is needed" in said.err
    assert said.out == ""


def test_a_journal_that_is_none(tmp_path: Path) -> None:
    (tmp_path / "journal.sqlite").write_text("this is no database, not even a small one")
    said = midwatch("why", "22:00", "--out", tmp_path)
    assert said.code == 1
    assert "journal.sqlite is damaged" in said.err
    other = tmp_path / "other"
    other.mkdir()
    connection = sqlite3.connect(other / "journal.sqlite")
    connection.execute("CREATE TABLE notes (text)")
    connection.commit()
    connection.close()
    said = midwatch("report", "--out", other)
    assert said.code == 1
    assert "database of another program" in said.err
