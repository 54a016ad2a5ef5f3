"""The file of a journal: its lock, its tables, and whose it is."""

from __future__ import annotations

import fcntl
import sqlite3
from pathlib import Path
from typing import IO

from midwatch.errors import StopError

__all__ = ["JournalInUseError", "check_identity", "connect", "lock"]

_APPLICATION_ID = 0x4D574A31
_VERSION = 1
_SCHEMA = """
CREATE TABLE IF NOT EXISTS events (
    seq INTEGER PRIMARY KEY, at_utc_s REAL NOT NULL, night TEXT NOT NULL,
    kind TEXT NOT NULL, facts TEXT NOT NULL, digest TEXT NOT NULL) STRICT;
CREATE INDEX IF NOT EXISTS events_by_night ON events (night, seq);
CREATE TRIGGER IF NOT EXISTS events_never_change BEFORE UPDATE ON events
    BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
CREATE TRIGGER IF NOT EXISTS events_never_go BEFORE DELETE ON events
    BEGIN SELECT RAISE(ABORT, 'the journal is append-only'); END;
"""


class JournalInUseError(StopError):
    """Another daemon writes this journal."""


def lock(path: Path) -> IO[str]:
    """Return a hold on a journal, which ends when it is closed.

    Raises:
        JournalInUseError: another process holds it.
    """
    file = path.with_name(path.name + ".lock").open("a")
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        file.close()
        raise JournalInUseError(
            f"another process writes {path}; stop it, or use another data folder"
        ) from None
    return file


def connect(path: Path, *, durable: bool) -> sqlite3.Connection:
    """Open a journal's database, making it if there is none."""
    connection = sqlite3.connect(path, isolation_level=None, cached_statements=16)
    try:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute(f"PRAGMA synchronous = {'FULL' if durable else 'OFF'}")
        if connection.execute("PRAGMA application_id").fetchone() == (0,):
            connection.execute(f"PRAGMA application_id = {_APPLICATION_ID}")
            connection.execute(f"PRAGMA user_version = {_VERSION}")
        connection.executescript(_SCHEMA)
    except BaseException:
        connection.close()
        raise
    return connection


def check_identity(connection: sqlite3.Connection, path: Path) -> None:
    """Refuse a database that is no journal of this version.

    Raises:
        StopError: it is another program's, or newer.
    """
    identity = connection.execute("PRAGMA application_id").fetchone()[0]
    tables = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
    if identity != _APPLICATION_ID and (identity or tables):
        raise StopError(f"{path} is the database of another program, not a journal")
    version = connection.execute("PRAGMA user_version").fetchone()[0]
    if version > _VERSION:
        raise StopError(f"{path} has version {version}; this program knows up to {_VERSION}")
