"""Finding damage in a journal when it is opened, and saving what is before it."""

from __future__ import annotations

import shutil
import sqlite3
from dataclasses import dataclass
from pathlib import Path

from midwatch.journal.store import quarantine
from midwatch.journal.store.chain import COLUMNS, GENESIS, UNREADABLE, Row, walk
from midwatch.journal.store.database import check_identity, connect
from midwatch.journal.store.write_ahead import torn

__all__ = ["Damage", "find_damage", "rebuild", "save_torn_log"]

# Rows whose chain is verified at every opening: several nights. Too low leaves old damage to be
# found by a full verification only; too high delays the start after a crash.
_TAIL = 20_000


@dataclass(frozen=True)
class Damage:
    """The events that verify, and what is wrong with the next one."""

    good: list[Row]
    problem: str

    def message(self, aside: str) -> str:
        """Return the message for people."""
        return (
            f"the journal was damaged: {self.problem}; it was kept whole as {aside}, and the "
            f"{len(self.good)} events before the damage were taken over"
        )


def find_damage(path: Path) -> Damage | None:
    """Verify the file and the tail of the chain; on any doubt, the whole chain from its start."""
    connection = sqlite3.connect(path, isolation_level=None)
    try:
        try:
            check_identity(connection, path)
            if not connection.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
                return None
            (verdict,) = connection.execute("PRAGMA integrity_check(1)").fetchone()
            first = connection.execute("SELECT max(seq) - ? FROM events", (_TAIL,)).fetchone()[0]
            after = max(0, first or 0)
            head = _digest_at(connection, after)
            _, problem = walk(connection, after=after, head=head)
            if verdict == "ok" and problem is None:
                return None
            problem = problem or f"the file does not hold together ({verdict})"
        except UNREADABLE as error:
            problem = f"the file cannot be read ({error})"
        good, found = walk(connection, after=0, head=GENESIS)
        return Damage(good, found or problem)
    finally:
        connection.close()


def _digest_at(connection: sqlite3.Connection, seq: int) -> str:
    if seq == 0:
        return GENESIS
    row = connection.execute("SELECT digest FROM events WHERE seq = ?", (seq,)).fetchone()
    return str(row[0]) if row else ""


def rebuild(path: Path, good: list[Row]) -> None:
    """Put a journal of the good events in place of a damaged one, which is set aside."""
    with quarantine.rebuilding(path) as partial:
        connection = connect(partial, durable=True)
        connection.execute("BEGIN")
        connection.executemany(
            f"INSERT INTO events ({COLUMNS}) VALUES (?, ?, ?, ?, ?, ?)",  # noqa: S608
            good,
        )
        connection.execute("COMMIT")
        connection.close()


def save_torn_log(path: Path) -> str | None:
    """Keep a copy of a log next to a journal if it does not hold together; return what to say.

    SQLite takes what is good of it and drops the rest without a word. What it drops may be an event
    that was being written when the power failed, and whose writer had no confirmation that it is
    stored; or more, if the disk is bad.
    """
    log = path.with_name(path.name + "-wal")
    problem = torn(log)
    if problem is None:
        return None
    aside = quarantine.free_name(log)
    shutil.copyfile(log, aside)
    quarantine.sync_file(aside)
    return (
        f"the end of the journal's log was damaged: {problem}; it was kept as {aside.name}, and "
        "the events before the damage were taken over"
    )
